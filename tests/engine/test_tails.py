"""Heavier tails of the spread: the two formulas against scipy's Student t, the pool against plain sums."""

import numpy as np
import pytest
from scipy import integrate as quadrature
from scipy import stats
from scipy.special import kv

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_with_tails, damping_with_tails
from metasense.engine.tails import TailedSeries, average_under_tails
from metasense.protocols import protocol

T = stats.t(4)  # scipy.stats, the outside source of this file


@pytest.mark.parametrize(("mu", "tau"), [(0.0, 1.3), (0.3, 0.7), (2.0, 0.5), (1.0, 0.0), (-2.0, 0.5)])
def test_the_average_size_is_that_of_scipys_t(mu, tau):
    expected = quadrature.quad(lambda x: abs(mu + tau * x) * T.pdf(x), -np.inf, np.inf, epsabs=1e-10)[0]
    assert average_with_tails(np.array([mu]), np.array([tau]))[0] == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("frequency", [0.05, 0.5, 1.0, 3.0, 6.0])
def test_a_cosine_is_damped_as_under_scipys_t(frequency):
    expected = 2 * quadrature.quad(T.pdf, 0, np.inf, weight="cos", wvar=frequency, epsabs=1e-12)[0]
    assert damping_with_tails(np.array([frequency]))[0] == pytest.approx(expected, abs=1e-11)


def test_where_cosines_are_left_out_scipys_t_has_damped_them_below_what_numbers_hold():
    # the characteristic function of t with 4 degrees of freedom is (2 w)^2 K_2(2 w) / 2 (Hurst 1995, from memory)
    def characteristic(frequency):
        return (2 * frequency) ** 2 * kv(2, 2 * frequency) / 2

    for frequency in (0.5, 3.0):
        expected = 2 * quadrature.quad(T.pdf, 0, np.inf, weight="cos", wvar=frequency, epsabs=1e-12)[0]
        assert characteristic(frequency) == pytest.approx(expected, abs=1e-8)
    assert characteristic(TailedSeries.DAMPED) < 1e-16


@pytest.mark.parametrize(("mu", "tau"), [(1.0, 0.05), (1.0, 0.5), (0.3, 0.2)])
def test_a_panel_far_in_the_tail_keeps_its_digits(mu, tau):
    # far beyond the end of the d-prime axis such tails still hold a share of what there is so far out
    everybody = Counts(protocol("triangle"), 30, 30)
    series = TailedSeries.build([everybody], [1])
    found = series.evaluate(np.array([mu]), np.array([tau]))[0, 0] * np.exp(series.log_scale[0])
    theta = np.linspace(-14, 14, 560_001)
    likely = np.exp(everybody.log_likelihood(np.abs(theta)))
    step = theta[1] - theta[0]
    inside = likely @ T.pdf((theta - mu) / tau) * step / tau
    outside = T.sf((14 + step / 2 - mu) / tau) + T.cdf((-14 - step / 2 - mu) / tau)  # everybody is right there
    assert found == pytest.approx(inside + outside, rel=2e-5)


def test_evidence_and_average_are_those_of_plain_sums():
    test = protocol("triangle")
    counts = [(24, 8), (30, 25), (28, 10)]
    found, log_evidence = average_under_tails([Counts(test, n, x) for n, x in counts], [1, 1, 1], Priors())
    mu = np.linspace(0, 9, 301)
    s, weight_s = np.polynomial.legendre.leggauss(60)
    s = (s + 1) / 2 * np.sqrt(3.5)
    tau = s**2
    u, weight_u = np.polynomial.legendre.leggauss(400)
    z = T.ppf((u + 1) / 2)  # equal steps of probability
    theta = np.abs(mu[:, None, None] + tau[None, :, None] * z)
    likely = np.ones(theta.shape[:2])
    for n, x in counts:
        p = test.p_correct(np.minimum(theta, 14).ravel()).reshape(theta.shape)
        likely *= stats.binom.pmf(x, n, np.minimum(p, 1 - 1e-16)) @ weight_u / 2
    volume = np.full(len(mu), mu[1])
    volume[[0, -1]] /= 2
    prior = (volume * 2 * stats.norm.pdf(mu, scale=1.5))[:, None]
    prior = prior * weight_s / 2 * np.sqrt(3.5) * 2 * s * 2 * stats.norm.pdf(tau, scale=0.5)
    size = average_with_tails(np.repeat(mu[:, None], len(tau), 1), np.repeat(tau[None], len(mu), 0))
    assert log_evidence == pytest.approx(np.log((likely * prior).sum()), abs=2e-5)
    assert found.mean == pytest.approx((likely * prior * size).sum() / (likely * prior).sum(), abs=1e-3)


def test_without_a_spread_to_speak_of_tails_change_nothing():
    evidence = [Counts(protocol("tetrad"), 60, 30), Counts(protocol("tetrad"), 60, 31)]
    narrow = Priors(spread_scale=1e-4)
    tailed, log_evidence = average_under_tails(evidence, [1, 1], narrow)
    plain, evidences = integrate(evidence, [1, 1], narrow)
    assert log_evidence == pytest.approx(evidences.varying, abs=1e-4)
    assert tailed.quantile([0.05, 0.5, 0.95]) == pytest.approx(plain.average.quantile([0.05, 0.5, 0.95]), abs=1e-3)


def test_one_wild_panel_pulls_the_others_less():
    test = protocol("triangle")
    evidence = [Counts(test, 60, 25), Counts(test, 60, 60)]
    tailed = average_under_tails(evidence, [6, 1], Priors())[0]
    assert tailed.median < integrate(evidence, [6, 1], Priors())[0].average.median
