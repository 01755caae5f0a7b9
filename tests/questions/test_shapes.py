"""Priors of another shape, by reweighting nodes: against plain sums over centre and spread."""

import numpy as np
import pytest
from scipy.stats import binom, halfcauchy, halfnorm

import metasense as ms
from metasense.questions import shapes

TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [7, 8, 7]}


def plain(prior, counts=TABLE["correct"], name="triangle", far=14.0):
    """Mean of the average d-prime by sums over a grid of centre and spread, dense near 0."""
    u = np.linspace(0, 1, 400) + 1 / 800
    centre, weight = far * u[:-1] ** 2, 2 * u[:-1]
    tau, weight_tau = 8 * u[:-1:2] ** 3, 3 * u[:-1:2] ** 2
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    mu, spread = centre[:, None], tau[None, :]
    theta = np.abs(mu[..., None] + spread[..., None] * nodes)
    p = ms.protocol(name).p_correct(theta)
    density = prior(mu, spread) * weight[:, None] * weight_tau[None, :]
    for x in counts:
        density = density * (binom.pmf(x, 20, p) @ weights)
    return (density * (theta @ weights / weights.sum())).sum() / density.sum()


def test_a_flat_prior_on_p_d_agrees_with_plain_sums():
    pooled = ms.pool(TABLE)
    slope = ms.protocol("triangle").slope
    expected = plain(lambda mu, tau: slope(mu) * halfnorm.pdf(tau, scale=0.5))
    found = shapes.under(pooled.core, dict(shapes.named(pooled.core))["prior of the centre flat on the triangle p_d"])
    assert found.mean == pytest.approx(expected, abs=0.01)
    assert found.median > pooled.average.median + 0.1  # small differences are rarer on that scale


def test_half_cauchy_priors_agree_with_plain_sums():
    pooled = ms.pool(TABLE)
    expected = plain(lambda mu, tau: halfcauchy.pdf(mu, scale=1.5) * halfcauchy.pdf(tau, scale=0.5))
    found = shapes.under(pooled.core, shapes.half_cauchy(pooled.priors))
    assert found.mean == pytest.approx(expected, abs=0.01)


def test_the_heavier_tails_are_scipys_half_cauchy_densities():
    centre, spread = np.array([0.0, 0.4, 3.0]), np.array([0.1, 0.5, 2.0])
    expected = halfcauchy.logpdf(centre, scale=1.5) + halfcauchy.logpdf(spread, scale=0.25)
    assert shapes.half_cauchy(ms.Priors(spread_scale=0.25))(centre, spread) == pytest.approx(expected)


def test_what_is_flat_on_p_d_has_the_slope_of_p_d_and_scipys_half_normal():
    test = ms.protocol("triangle")
    centre, spread = np.array([0.5, 1.0, 3.0]), np.array([0.1, 0.5, 2.0])
    step = 1e-4
    slope = (test.p_d(centre + step) - test.p_d(centre - step)) / (2 * step)
    expected = np.log(slope) + halfnorm.logpdf(spread, scale=0.25)
    found = shapes.flat_on_p_d(ms.Priors(spread_scale=0.25), test)(centre, spread)
    assert found == pytest.approx(expected, rel=1e-6)


def test_the_priors_of_the_pool_in_this_form_give_the_pool():
    pooled = ms.pool(TABLE)

    def height(centre, spread):
        return halfnorm.logpdf(centre, scale=1.5) + halfnorm.logpdf(spread, scale=0.5)

    assert shapes.under(pooled.core, height).median == pytest.approx(pooled.average.median, abs=1e-4)


def test_in_a_directed_pool_a_shape_has_two_sides():
    pooled = ms.pool(TABLE | {"protocol": "2-AFC", "correct": [8, 7, 12]})

    def height(centre, spread):
        return halfnorm.logpdf(centre, scale=1.5) + halfnorm.logpdf(spread, scale=0.5)

    assert shapes.under(pooled.core, height).median == pytest.approx(pooled.average.median, abs=1e-4)


def test_shapes_stand_beside_the_scales():
    found = ms.pool(TABLE, margin="d'=1.29").sensitivity()
    assert found.about("prior shape")["case"].tolist() == [
        "prior of the centre flat on the triangle p_d",
        "priors with heavier tails (half-Cauchy, the same scales)",
    ]
    assert "priors of another shape" in found.sentences()[1]


def test_where_an_earlier_pool_is_the_prior_no_other_shape_is_tried():
    priors = ms.Priors.from_pool(ms.pool(TABLE), discount=0.5)
    following = TABLE | {"panel": [f"{name} again" for name in TABLE["panel"]]}
    assert not len(ms.pool(following, priors=priors).sensitivity().about("prior shape"))
