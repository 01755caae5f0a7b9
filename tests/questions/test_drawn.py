"""Draws of pools with moderators or a level: against draws from the prior weighted by the panels, and the answers."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import metasense as ms
from metasense.protocols import protocol

CORRECT = np.array([3, 5, 8, 9])
X = np.array([1.0, 2.0, 3.0, 5.0])
PAIRS = list("uuvv")
TABLE = pd.DataFrame(
    {"panel": list("ABCD"), "protocol": "triangle", "tastings": 12, "correct": CORRECT, "x": X, "batch_pair": PAIRS}
)


def weighted(within, slope):
    """Panels' d-primes drawn from the prior, what they are spread by, and the weight of each draw."""
    rng = np.random.default_rng(1)
    size = 400_000
    mu = np.abs(rng.normal(0, 1.5, size))
    beta = rng.normal(0, 0.5, size) if slope else np.zeros(size)
    z = (X - X.mean()) / X.std()
    centre = mu + np.multiply.outer(z, beta)
    kept = (centre >= 0).all(axis=0)
    centre, mu = centre[:, kept], mu[kept]
    scale = 0.5 / np.sqrt(2) if within else 0.5
    spread = np.abs(rng.normal(0, scale, len(mu)))
    between = np.abs(rng.normal(0, scale, len(mu))) if within else np.zeros(len(mu))
    if within:
        centre = centre + np.repeat(between * rng.normal(size=(2, len(mu))), 2, axis=0)
    theta = np.abs(centre + spread * rng.normal(size=centre.shape))
    weight = binom.pmf(CORRECT[:, None], 12, protocol("triangle").p_correct(theta)).prod(axis=0)
    return theta, {"between": between, "within": spread, "centre": mu}, weight / weight.sum()


@pytest.mark.parametrize(
    ("asked", "within", "slope"),
    [
        ({"within": "batch_pair"}, True, False),
        ({"moderators": "x"}, False, True),
        ({"moderators": "x", "within": "batch_pair"}, True, True),
    ],
)
def test_draws_are_those_of_the_prior_weighted_by_the_panels(asked, within, slope):
    draws = ms.pool(TABLE, **asked).draws
    theta, spreads, weight = weighted(within, slope)
    effective = 1 / (weight**2).sum()
    assert effective > 1500
    own = draws["d_prime"].to_numpy().reshape(-1, 4)
    for i in range(4):
        mean = weight @ theta[i]
        sd = np.sqrt(weight @ (theta[i] - mean) ** 2)
        error = sd * np.sqrt(1 / effective + 1 / len(own))
        assert own[:, i].mean() == pytest.approx(mean, abs=4.5 * error)
        assert own[:, i].std() == pytest.approx(sd, rel=0.08)
    for name in ("between", "within", "centre") if within else ("centre",):
        mean = weight @ spreads[name]
        sd = np.sqrt(weight @ (spreads[name] - mean) ** 2)
        assert float(draws[name].mean()) == pytest.approx(mean, abs=4.5 * sd / np.sqrt(effective))


def test_draws_of_words_agree_with_the_answer():
    frame = TABLE.drop(columns="batch_pair").assign(x=list("aabb"))
    pooled = ms.pool(frame, moderators="x")
    draws = pooled.draws
    assert draws["effect"].dims == ("chain", "draw", "moderator")
    assert list(draws["moderator"].to_numpy()) == ["x = a", "x = b"]
    centre = draws["centre"] + draws["effect"].sel(moderator="x = b")
    assert float(np.abs(centre).mean()) < float(pooled.at(x="b").average.mean)  # the spread adds to the size
    assert float(draws["spread"].mean()) == pytest.approx(pooled.spread.mean, abs=0.05 * pooled.spread.sd)


def test_draws_repeat_with_the_seed_and_have_named_dimensions():
    asked = {"moderators": "x", "draws": 50, "chains": 2}
    one, again = (ms.pool(TABLE, **asked, seed=3).draws for _ in range(2))
    assert one.equals(again)
    assert not one.equals(ms.pool(TABLE, **asked, seed=4).draws)
    assert dict(one.sizes) == {"chain": 2, "draw": 50, "panel": 4, "moderator": 1}
    assert one["panel"].to_numpy().tolist() == list("ABCD")


def test_repeat_tasters_draw_their_overdispersion():
    frame = TABLE.assign(tasters=[12, 4, 4, 12])
    pooled = ms.pool(frame, moderators="x", within="batch_pair", draws=400)
    own = pooled.draws["d_prime"]
    assert np.isfinite(own).all()
    assert (own >= 0).all()
    single = ms.pool(TABLE, moderators="x", within="batch_pair", draws=400).draws["d_prime"]
    assert float(own.sel(panel="C").std()) > 0.9 * float(single.sel(panel="C").std())


def test_arviz_takes_them():
    kept = ms.pool(TABLE, moderators="x", draws=20).to_arviz()
    assert kept["posterior"]["d_prime"].shape == (4, 20, 4)


def test_draws_of_a_dose_are_of_panels_at_the_average_dose():
    pooled = ms.pool(TABLE.drop(columns="batch_pair"), moderators="x", through_zero="x", draws=500)
    there = pooled.at(x=X.mean()).average
    drawn = pooled.draws["average"].to_numpy().ravel()
    assert len(drawn) == 2000
    assert drawn.mean() == pytest.approx(there.mean, abs=4.5 * there.sd / np.sqrt(2000))
