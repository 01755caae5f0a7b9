"""Settings of the test run as a whole."""

import os

# The tests already run side by side; linear algebra on top of that in threads of its own would only get in the way.
# Set before NumPy loads, and inherited by the notebooks' kernels and by every child process.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
