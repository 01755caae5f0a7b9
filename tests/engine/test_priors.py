"""The prior scales: their limits from both sides, their words, and what a change of them adds to the log prior."""

import numpy as np
import pytest
from scipy import stats

from metasense.engine.priors import LARGEST, SMALLEST, LearnedPriors, Priors, log_change, stated


@pytest.mark.parametrize(("name", "largest"), [("centre_scale", 3.0), ("spread_scale", 1.5), ("slope_scale", 3.0)])
def test_the_limits_themselves_are_allowed_and_nothing_beyond(name, largest):
    assert LARGEST[name] == largest and SMALLEST == 1e-6
    for allowed in (largest, SMALLEST, 1):
        assert getattr(Priors(**{name: allowed}), name) == allowed
    for wrong in (largest * 1.0001, SMALLEST * 0.999, 0, -1, float("nan"), float("inf"), "1", None):
        with pytest.raises(ValueError, match=f"{name} = .*Leave them out for the defaults"):
            Priors(**{name: wrong})


def test_the_defaults_are_those_that_are_stated():
    assert vars(Priors()) == {"centre_scale": 1.5, "spread_scale": 0.5, "slope_scale": 0.5}
    assert stated(None) == Priors() and stated(Priors(1.0)) == Priors(1.0)
    with pytest.raises(ValueError, match=r"priors are prior scales, for instance .* got \(1, 2\)"):
        stated((1, 2))


def test_each_scale_is_multiplied_by_its_own_factor():
    assert Priors(1.0, 0.3, 0.2).scaled(2, 3, 5) == Priors(2.0, 0.3 * 3, 1.0)
    assert Priors(1.0, 0.3, 0.2).scaled() == Priors(1.0, 0.3, 0.2)


def test_what_is_stored_comes_back_the_same():
    priors = Priors(1.0, 0.3, 0.2)
    assert priors.stored() == {"mu_scale": 1.0, "tau_scale": 0.3, "beta_scale": 0.2}
    assert Priors.of_stored(priors.stored()) == priors
    assert Priors.of_stored({"centre_scale": 1.0, "tau_scale": 0.3}) == Priors(1.0, 0.3)
    with pytest.raises(TypeError):
        Priors.of_stored({"width": 1.0})


def test_a_directed_centre_is_normal_and_another_half_normal():
    priors = Priors(1.0, 0.3)
    assert str(priors) == priors.describe() == "centre half-normal(1), spread half-normal(0.3) in d-prime units"
    assert priors.describe(directed=True) == "centre normal(0, 1), spread half-normal(0.3) in d-prime units"


@pytest.mark.parametrize("spreads", [1, 2])
def test_a_change_of_scales_changes_the_log_prior_as_scipy_says_but_for_a_constant(spreads):
    old, new = Priors(1.5, 0.5, 0.5), Priors(0.7, 0.9, 0.3)
    mu, beta = np.array([0.0, 0.4, 2.0]), np.array([0.0, 0.3, -0.8])
    parts = np.array([[0.0, 0.3, 0.5], [0.0, 0.2, 1.0]])[:spreads]

    def log_prior(priors):
        scale = priors.spread_scale / np.sqrt(spreads)
        spread = stats.halfnorm.logpdf(parts, scale=scale).sum(axis=0)
        centre = stats.norm.logpdf(mu, scale=priors.centre_scale)
        return centre + spread + stats.norm.logpdf(beta, scale=priors.slope_scale)

    expected = log_prior(new) - log_prior(old)
    found = log_change(old, new, mu, (parts**2).sum(axis=0), beta**2, spreads=spreads)
    assert found - found[0] == pytest.approx(expected - expected[0], abs=1e-12)
    assert log_change(old, new, mu, mu * 0)[2] == pytest.approx(2.0 * (1.5**-2 - 0.7**-2))  # no slope, no spread


LEARNED = LearnedPriors(1.2, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices")


def test_learned_priors_keep_odds_and_origin_when_scaled_and_stored():
    assert LEARNED.scaled(centre=0.5) == LearnedPriors(0.6, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices")
    assert Priors.of_stored(LEARNED.stored()) == LEARNED
    assert Priors().odds == pytest.approx((1 / 3,) * 3) and Priors().learned_from == ""
    assert Priors(1.2, 0.4) != LEARNED


def test_learned_priors_say_what_they_come_from():
    assert "learned from 30 spices; nothing to taste 50 %" in str(LEARNED)
    with pytest.raises(ValueError, match="what they were learned from"):
        LearnedPriors(1.0, 0.4)
    with pytest.raises(ValueError, match="add up to 1"):
        LearnedPriors(1.0, 0.4, odds=(0.5, 0.5, 0.5), learned_from="x")
    with pytest.raises(ValueError, match=r"learned from a shelf.*got int"):
        Priors.learned(3)
