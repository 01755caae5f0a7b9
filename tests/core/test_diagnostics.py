"""Words about draws: none where all is well, and for each fault what to do; the draws are made up."""

import numpy as np
import pytest
import xarray as xr

from metasense.core.diagnostics import Diagnostics
from metasense.engine.chains import measure


def made_up(values, diverging=0):
    dims = ("chain", "draw")
    draws = xr.Dataset({name: (dims, values) for name in ("mu", "tau", "average_d_prime")})
    lost = np.zeros(values.shape, bool)
    lost.ravel()[:diverging] = True
    return Diagnostics.of(measure(draws, xr.Dataset({"diverging": (dims, lost)})))


def test_good_draws_draw_no_advice():
    values = np.random.default_rng(1).standard_normal((4, 500))
    found = made_up(values)
    assert found.advice == ()
    assert found.to_frame()["mean"].iloc[0] == pytest.approx(values.mean())
    assert found.to_frame()["mcse"].iloc[0] == pytest.approx(1 / np.sqrt(2000), rel=0.1)
    assert repr(found) in found._repr_html_().replace("&#x27;", "'")


def test_each_fault_of_the_sampler_comes_with_what_to_do():
    rng = np.random.default_rng(2)
    apart = made_up(rng.standard_normal((4, 500)) + np.arange(4)[:, None])
    assert "do not agree on the centre" in apart.advice[0]
    assert "pool again with draws=2000" in apart.advice[0]
    assert "tune=" not in " ".join(apart.advice)  # pool has no such option
    lost = made_up(rng.standard_normal((4, 500)), diverging=3)
    assert "lost its path at 3 of 2000 draws" in lost.advice[0]
    assert "method='grid'" in lost.advice[0]
    short = made_up(rng.permuted(np.tile(np.linspace(-2, 2, 50), (4, 1)), axis=1))  # too few, but chains that agree
    assert any("400 are needed" in line for line in short.advice)
    stuck = made_up(np.ones((4, 50)))  # R-hat of constants is not a number, and not a pass
    assert "they did not move" in stuck.advice[0]
