"""Settings of the test run as a whole."""

import os
import sys

import pytest
from hypothesis import settings

# The tests already run side by side; linear algebra on top of that in threads of its own would only get in the way.
# Set before NumPy loads, and inherited by the notebooks' kernels and by every child process.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# Hypothesis draws afresh on every run at a desk; where a run must not fail by luck (CI, `tests/mutation`), always the same.
settings.register_profile("ci", derandomize=True, deadline=None, database=None, print_blob=True)
settings.register_profile("desk", deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci" if "CI" in os.environ else "desk"))


@pytest.fixture(autouse=True)
def figures_are_closed():
    """What a test leaves open is not counted against another."""
    yield
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")
