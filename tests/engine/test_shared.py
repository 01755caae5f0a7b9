"""The shared nodes: integrals over them, and distributions read off masses, against closed forms and simulation."""

import numpy as np
import pytest
from scipy.stats import norm

from metasense.engine import shared
from metasense.engine.posterior import average_p_correct
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol

NODES = shared.nodes_of()


def prior_masses(priors):
    mass = np.exp(NODES.log_prior(priors, False) + NODES.log_volume)
    return mass / mass.sum()


@pytest.mark.parametrize(("centre", "spread"), [(1.5, 0.5), (0.6, 0.2), (1.0, 1.0)])
def test_a_prior_integrates_to_one(centre, spread):
    mass = np.exp(NODES.log_prior(Priors(centre, spread), False) + NODES.log_volume)
    assert mass.sum() == pytest.approx(1, abs=1e-8)
    same = np.exp(NODES.log_prior_of_same(Priors(centre, spread), False)) * NODES.steps
    assert same.sum() == pytest.approx(1, abs=1e-8)
    assert mass @ NODES.halved[0] == pytest.approx(1, abs=1e-4)
    assert same @ NODES.halved[1] == pytest.approx(1, abs=1e-4)


def test_the_first_coordinate_is_the_average_d_prime():
    average = average_d_prime(NODES.mu, NODES.tau).reshape(NODES.shape)
    assert average == pytest.approx(np.repeat(NODES.average[:, None], NODES.shape[1], axis=1), abs=1e-12)


def test_distributions_agree_with_draws_from_the_prior():
    # half-normal centre and spread, and a next panel around them: drawn here with numpy alone
    rng = np.random.default_rng(1)
    mu, tau = np.abs(rng.normal(0, 1.0, 400_000)), np.abs(rng.normal(0, 0.6, 400_000))
    following = np.abs(rng.normal(mu, tau))
    mass = prior_masses(Priors(1.0, 0.6))
    drawn = {
        "average": average_d_prime(mu, tau),
        "spread": tau,
        "next": following,
        "rate": average_p_correct(protocol("triangle"), False)(mu, tau),
    }
    scales = {
        "spread": shared.spread_scale(NODES),
        "next": shared.next_scale(NODES),
        "rate": shared.rate_scale(NODES, protocol("triangle"), False),
    }
    averages = mass.reshape(NODES.shape).sum(axis=1)
    cdfs = {"average": (NODES.fine, averages @ NODES.running)}
    cdfs |= {name: (s.fine, mass @ s.sums[0] @ s.between) for name, s in scales.items()}
    for name, (points, cdf) in cdfs.items():
        shares = np.interp(np.quantile(drawn[name], [0.05, 0.25, 0.5, 0.75, 0.95]), points, cdf)
        assert shares == pytest.approx([0.05, 0.25, 0.5, 0.75, 0.95], abs=0.004), name  # five standard errors
    assert averages @ NODES.up_to(0.8) == pytest.approx((drawn["average"] < 0.8).mean(), abs=0.004)


def test_a_rate_with_a_direction_may_lie_below_guessing():
    test = protocol("2-AFC")
    scale = shared.rate_scale(NODES, test, True)
    one = np.zeros(NODES.shape)
    one[40, 0] = 1.0  # no spread, and a centre the other way
    cdf = one.ravel() @ scale.sums[1] @ scale.between
    below = test.p_correct(-NODES.average[40])
    assert np.interp([below - 0.05, below + 0.05], scale.fine, cdf) == pytest.approx([0, 1], abs=0.05)


def test_quantiles_of_a_normal_are_those_of_scipy():
    x = np.linspace(-8, 8, 4001)
    found = shared.quantiles(x, norm.cdf(x)[None], np.array([0.025, 0.5, 0.975]))[0]
    assert found == pytest.approx(norm.ppf([0.025, 0.5, 0.975]), abs=1e-5)


def test_a_share_at_one_point_is_the_quantile_up_to_it():
    cdf = np.array([[0.4, 0.6, 1.0]])
    found = shared.quantiles(np.array([0.0, 1.0, 2.0]), cdf, np.array([0.1, 0.4, 0.5]))[0]
    assert found == pytest.approx([0, 0, 0.5])
