"""Words about draws: none where all is well, and for each fault what to do; the draws are made up."""

import numpy as np
import pandas as pd
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


def numbers(r_hat=1.0, bulk=3000.0, tail=3000.0, **more):
    row = {"quantity": "the centre", "mean": 0.9, "sd": 0.3, "r_hat": r_hat, "ess_bulk": bulk, "ess_tail": tail}
    return row | {"mcse": 0.01} | more


def found(*rows, lost=0):
    return Diagnostics(pd.DataFrame(rows), lost, 4, 1000, xr.Dataset())


@pytest.mark.parametrize(("r_hat", "said"), [(1.0099, False), (1.01, True), (1.2, True), (float("nan"), True)])
def test_chains_disagree_from_the_threshold_on(r_hat, said):
    advice = found(numbers(), numbers(r_hat, quantity="the slope of dose")).advice
    assert bool(advice) == said
    if said:
        (only,) = advice
        moved = "they did not move" if r_hat != r_hat else f"R-hat up to {r_hat:.3f}, should be below 1.01"
        assert f"The 4 chains do not agree on the slope of dose ({moved})" in only
        assert "Sample longer (pool again with draws=4000, in Python)" in only


@pytest.mark.parametrize(("bulk", "tail", "said"), [(400, 400, False), (399, 900, True), (900, 399, True)])
def test_too_few_independent_draws_are_said_below_a_hundred_a_chain(bulk, tail, said):
    advice = found(numbers(), numbers(bulk=bulk, tail=tail, quantity="the spread between panels")).advice
    assert bool(advice) == said
    if said:
        assert advice[0].startswith(
            "Only about 399 independent draws tell of the spread between panels; 400 are needed"
        )


def test_draws_that_lost_their_path_are_counted_and_few_draws_of_chains_apart_are_not_told_too():
    lost = found(numbers(), lost=1).advice
    assert len(lost) == 1 and "lost its path at 1 of 4000 draws" in lost[0]
    both = found(numbers(1.5, 50, 50), lost=2).advice
    assert len(both) == 2 and not any("independent draws" in line for line in both)


def test_the_sentence_gives_the_worst_of_what_is_well():
    said = found(numbers(1.002, 3000, 2500), numbers(1.004, 1800, 2000)).sentence()
    assert said == (
        "4 chains of 1000 draws. The chains agree (R-hat at most 1.004), no draw diverged, and each quantity has at least "
        "1800 independent draws' worth of information."
    )
    warned = found(numbers(1.5)).sentence()
    assert (
        warned.startswith("4 chains of 1000 draws. The 4 chains do not agree") and "worth of information" not in warned
    )


def test_each_quantity_has_its_name_in_words():
    values = np.random.default_rng(3).standard_normal((4, 100))
    draws = xr.Dataset({name: (("chain", "draw"), values) for name in ("mu", "tau", "between", "within")})
    lost = xr.Dataset({"diverging": (("chain", "draw"), np.zeros((4, 100), bool))})
    assert Diagnostics.of(measure(draws, lost)).to_frame()["quantity"].tolist() == [
        "the centre",
        "the spread between panels",
        "the spread between clusters",
        "the spread within clusters",
    ]
