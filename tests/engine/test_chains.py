"""What chains say of themselves: independent draws, chains that disagree, and slopes told apart."""

import numpy as np
import pytest
import xarray as xr

from metasense.engine.chains import effective_size, measure


def drawn(shift=0.0, **more):
    rng = np.random.default_rng(1)
    dims = ("chain", "draw")
    data = {"mu": (dims, rng.normal(2, 0.5, (4, 500))), "tau": (dims, np.abs(rng.normal(0, 1, (4, 500))))}
    data["mu"][1][0] += shift
    data["beta"] = ((*dims, "moderator"), rng.normal([1.0, -1.0], 0.1, (4, 500, 2)))
    data["gamma"] = (dims, rng.integers(0, 14, (4, 500)))
    return xr.Dataset(data | more, coords={"moderator": ["dose", "weeks"]})


DIVERGING = xr.Dataset({"diverging": (("chain", "draw"), np.eye(4, 500, dtype=bool))})


def test_independent_draws_agree_and_count_in_full():
    found = measure(drawn(), DIVERGING)
    assert (found.chains, found.draws, found.divergences) == (4, 500, 4)
    assert found.statistics is DIVERGING
    assert [(m["variable"], m["moderator"]) for m in found.measures] == [
        ("mu", None),
        ("tau", None),
        ("beta", "dose"),
        ("beta", "weeks"),
    ]
    mu = found.measures[0]
    values = drawn()["mu"].to_numpy()
    assert mu["mean"] == pytest.approx(values.mean()) and mu["sd"] == pytest.approx(values.std())
    assert found.measures[2]["mean"] == pytest.approx(1, abs=0.02)
    assert found.measures[3]["mean"] == pytest.approx(-1, abs=0.02)
    for one in found.measures:
        assert one["r_hat"] == pytest.approx(1, abs=0.01)
        assert 1000 < one["ess_bulk"] < 3000 and 1000 < one["ess_tail"] < 3000
    assert mu["mcse"] == pytest.approx(0.5 / np.sqrt(2000), rel=0.15)


def test_a_chain_apart_is_seen():
    found = measure(drawn(shift=2.0), DIVERGING)
    assert found.measures[0]["r_hat"] > 1.3 and found.measures[0]["ess_bulk"] < 50
    assert found.measures[1]["r_hat"] < 1.02


def test_the_effective_size_is_the_least_of_middle_and_tails_without_the_slopes():
    assert 1000 < effective_size(drawn()) < 3000
    assert effective_size(drawn(shift=2.0)) < 50
    slow = np.repeat(np.random.default_rng(2).normal(size=(4, 50)), 10, axis=1)
    assert effective_size(drawn(within=(("chain", "draw"), slow))) < 600
    assert effective_size(drawn(beta_like=(("chain", "draw"), slow))) > 1000
