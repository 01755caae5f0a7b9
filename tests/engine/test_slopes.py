"""A moderator's slope: the likelihood and the posterior against plain sums, and the same from draws."""

from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp
from scipy.stats import binom, norm

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, RepeatedTotal, Series
from metasense.engine.priors import Priors
from metasense.engine.slopes import FEW, Drawn, Sloped, _centre_and_slope, _centres, _Panels
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol

PRIORS = Priors()
Z = np.linspace(-7.5, 7.5, 61)
W = norm.pdf(Z) * 0.25  # exact to rounding for what is smooth
AT = np.array([-1.2, 0.1, 1.3])
LOAD = np.array([0.5, 1.0, 1.5])
CORRECT = {"triangle": (10, 13, 19), "2-AFC": (12, 17, 24)}  # of 30


def legendre(nodes, low, high):
    x, w = np.polynomial.legendre.leggauss(nodes)
    return low + (x + 1) / 2 * (high - low), w / 2 * (high - low)


@lru_cache
def chance(test, x, tau):
    """Of x right of 30 where d-primes are Normal(centre, tau), by a plain sum: a spline over the centres."""
    centres = np.linspace(-20, 20, 801)
    return CubicSpline(centres, binom.pmf(x, 30, protocol(test).p_correct(np.add.outer(centres, tau * Z))) @ W)


def panels(test):
    return [Counts(protocol(test), 30, x) for x in CORRECT[test]]


def sloped(test, *, dose=False):
    there = panels(test)
    load, z = (LOAD, None) if dose else (np.ones(3), AT)
    return Sloped.integrate(there, load, z, PRIORS, integrate(there, [1, 1, 1], PRIORS)[0])


@lru_cache
def direct(test, dose=False):
    """Evidence and means by a plain sum over centre, slope and spread; the prior of an undirected line is cut at 0."""
    directed = test == "2-AFC"
    tau, w_tau = legendre(12, 0, 2.5)
    w_tau = w_tau * 2 * norm.pdf(tau, scale=0.5)
    slopes = [(np.zeros(1), np.ones(1))] if dose else [legendre(20, -2.5, 0), legendre(20, 0, 2.5)]
    sums = SimpleNamespace(total=0.0, slope=0.0, tau=0.0, mu=0.0, there=0.0)
    held = 0.0
    for betas, weights in slopes:
        for b, wb in zip(betas, weights, strict=True):
            low = -7.0 if directed else max(0.0, float((-b * AT).max()))
            mu, w_mu = legendre(120 if directed else 60, low, 9)
            prior = w_mu * norm.pdf(mu, scale=1.5) * wb * (1 if directed else 2)
            prior = prior if dose else prior * norm.pdf(b, scale=0.5)
            held += prior.sum()
            for t, wt in zip(tau, w_tau, strict=True):
                joint = prior * wt
                for k, x in enumerate(CORRECT[test]):
                    joint = joint * chance(test, x, t)(LOAD[k] * mu if dose else mu + b * AT[k])
                sums.total += joint.sum()
                sums.slope += joint.sum() * b
                sums.tau += joint.sum() * t
                sums.mu += joint @ mu
                centre = 1.2 * mu if dose else mu + 0.7 * b
                sums.there += joint @ average_d_prime(centre, np.full_like(mu, t))
    means = {name: value / sums.total for name, value in vars(sums).items() if name != "total"}
    return SimpleNamespace(evidence=np.log(sums.total / (1.0 if dose or directed else held)), **means)


@pytest.fixture(scope="module", params=list(CORRECT))
def fitted(request):
    return request.param, sloped(request.param)


@pytest.fixture(scope="module")
def dose():
    return sloped("triangle", dose=True)


def test_a_line_is_that_of_a_plain_sum(fitted):
    test, found = fitted
    expected = direct(test)
    assert found.directed == (test == "2-AFC")
    assert found.ends == (None if found.directed else (-1.2, 1.3))
    assert found.box.log_evidence == pytest.approx(expected.evidence, abs=2e-4)
    assert found.distribution(lambda mu, beta, tau: beta[..., 0]).mean == pytest.approx(expected.slope, abs=5e-4)
    assert found.distribution(lambda mu, beta, tau: mu).mean == pytest.approx(expected.mu, abs=1e-3)
    assert found.spread.mean == pytest.approx(expected.tau, abs=5e-4)
    assert found.at(1.0, np.array([0.7])).average.mean == pytest.approx(expected.there, abs=3e-3)


def test_the_steepest_lines_that_the_prior_allows_are_within_the_axes():
    # from all wrong to all right, and the other way round: only the prior bounds the slope, and both ways alike
    wide = Priors(1.5, 0.5, 3.0)
    z = np.array([-1.0, 0.0, 1.0])

    def slope(correct):
        there = [Counts(protocol("2-AFC"), 30, x) for x in correct]
        found = Sloped.integrate(there, np.ones(3), z, wide, integrate(there, [1, 1, 1], wide)[0])
        return found.distribution(lambda mu, beta, tau: beta[..., 0])

    rising, falling = slope((0, 15, 30)), slope((30, 15, 0))
    assert rising.quantile(0.9) > 5
    assert falling.quantile([0.1, 0.5, 0.9]) == pytest.approx(-rising.quantile([0.9, 0.5, 0.1]), abs=0.02)


def test_a_dose_is_that_of_a_plain_sum(dose):
    expected = direct("triangle", dose=True)
    assert dose.box.density.ndim == 2 and dose.ends is None
    assert dose.box.log_evidence == pytest.approx(expected.evidence, abs=1e-5)
    assert dose.distribution(lambda mu, beta, tau: mu).mean == pytest.approx(expected.mu, abs=1e-5)
    assert dose.distribution(lambda mu, beta, tau: mu + beta[..., 0]).mean == pytest.approx(expected.mu, abs=1e-5)
    assert dose.spread.mean == pytest.approx(expected.tau, abs=1e-5)
    assert dose.at(1.2, np.zeros(0)).average.mean == pytest.approx(expected.there, abs=2e-3)


def test_other_priors_on_the_same_nodes_are_an_integration_with_those(fitted, dose):
    other = Priors(1.0, 0.4, 0.3)
    test, found = fitted
    moved = found.under(PRIORS, other)
    anew = Sloped.integrate(panels(test), np.ones(3), AT, other, integrate(panels(test), [1, 1, 1], PRIORS)[0])
    for quantity in (lambda mu, beta, tau: beta[..., 0], lambda mu, beta, tau: mu + 0.7 * beta[..., 0]):
        assert moved.distribution(quantity).interval() == pytest.approx(
            anew.distribution(quantity).interval(), abs=0.02
        )
    assert moved.spread.median == pytest.approx(anew.spread.median, abs=0.01)
    moved = dose.under(PRIORS, other)
    there = panels("triangle")
    anew = Sloped.integrate(there, LOAD, None, other, integrate(there, [1, 1, 1], PRIORS)[0])
    assert moved.at(1, np.zeros(0)).average.interval() == pytest.approx(
        anew.at(1, np.zeros(0)).average.interval(), abs=5e-3
    )


def test_centres_run_straight_through_the_ends():
    # halfway between the ends the first axis stands alone; at the ends it is 1 minus and 1 plus the second times as much
    ends = (-1.0, 3.0)
    for z, times in ((1.0, 1.0), (-1.0, 0.75), (3.0, 1.25)):
        assert _centres(2.0, z, np.array(0.8), np.array(0.25), ends) == pytest.approx(2.0 * 0.8 * times)
    assert _centres(2.0, 1.5, np.array(0.8), np.array(0.4), None) == pytest.approx(2 * (0.8 + 1.5 * 0.4))
    mu, beta = _centre_and_slope(np.array(0.8), np.array(0.25), ends)
    assert [mu + z * beta for z in (-1, 1, 3)] == pytest.approx([0.6, 0.8, 1.0])
    mu, beta = _centre_and_slope(np.array(0.8), np.array(0.25), None)
    assert (mu, beta) == (0.8, 0.25)


def test_the_likelihood_of_lines_is_a_product_over_panels():
    test = "triangle"
    there = [*panels(test), panels(test)[0]]  # two alike at one value of the moderator, counted together
    load, z = np.array([1.0, 1.0, 2.0, 1.0]), np.array([-1.0, 0.5, 0.5, -1.0])
    mu, beta, tau = np.array([1.0, 2.0]), np.array([-0.3, 0.0, 0.4]), np.array([0.1, 0.6])
    found = _Panels(there, load, z).log_likelihood(mu, beta, tau)
    assert found.shape == (2, 3, 2)
    for i, m in enumerate(mu):
        for j, b in enumerate(beta):
            for k, t in enumerate(tau):
                each = [
                    np.log(chance(test, e.correct, t)(one * (m + b * at)))
                    for e, one, at in zip(there, load, z, strict=True)
                ]
                assert found[i, j, k] == pytest.approx(sum(each), abs=3e-5)


def test_the_overdispersion_of_repeat_tasters_is_averaged_over_all_panels_at_once():
    triangle = protocol("triangle")
    there = [RepeatedTotal(triangle, 4, 16, 9), Counts(triangle, 30, 14), RepeatedTotal(triangle, 3, 12, 7)]
    found = _Panels(there, np.ones(3), np.array([0.0, 0.0, 1.0])).log_likelihood(
        np.array([1.0]), np.array([0.5]), np.array([0.3])
    )
    gammas, shares = np.polynomial.legendre.leggauss(14)
    logs = []
    for gamma in (gammas + 1) / 2:
        each = [
            np.exp(e.log_likelihood(np.abs(c + 0.3 * Z), gamma)) @ W for e, c in zip(there, (1, 1, 1.5), strict=True)
        ]
        logs.append(np.log(each).sum())
    assert found.item() == pytest.approx(logsumexp(logs, b=shares / 2), abs=1e-6)


@pytest.fixture(scope="module")
def draws():
    rng = np.random.default_rng(5)
    shape = (2, 3000)
    return xr.Dataset(
        {
            "mu": (("chain", "draw"), rng.normal(0.5, 0.5, shape)),
            "tau": (("chain", "draw"), np.abs(rng.normal(0, 0.5, shape))),
            "beta": (("chain", "draw", "moderator"), rng.normal(0, 0.5, (*shape, 2))),
        }
    )


SERIES = Series.build([Counts(protocol("triangle"), 30, 14)], [1])
COLUMNS = np.array([[0.0, 1.0], [1.0, -1.0], [0.0, 1.0]])


def test_draws_are_put_in_a_row_and_lines_below_zero_left_out(draws):
    every = Drawn.of(SERIES, draws, COLUMNS, one_sided=False)
    assert len(every) == 6000
    assert every.draws["mu"][3000] == draws["mu"].values[1, 0]
    assert every.draws["beta"].shape == (6000, 2)
    above = Drawn.of(SERIES, draws, COLUMNS, one_sided=True)
    mu, beta = every.draws["mu"], every.draws["beta"]
    right = (mu + beta[:, 1] >= 0) & (mu + beta[:, 0] - beta[:, 1] >= 0)
    assert 0.2 < right.mean() < 0.9 and len(above) == right.sum()
    assert np.array_equal(above.draws["tau"], every.draws["tau"][right])
    alone = Drawn.of(SERIES, draws.drop_vars("beta"), np.zeros((3, 0)), one_sided=True)
    assert len(alone) == (mu >= 0).sum() and alone.draws["beta"].shape == (len(alone), 0)


def test_quantities_of_draws_are_those_of_the_draws(draws):
    every = Drawn.of(SERIES, draws.assign(between=draws["tau"] / 2), COLUMNS, one_sided=False)
    mu, beta, tau = (every.draws[name] for name in ("mu", "beta", "tau"))
    line = every.distribution(lambda mu, beta, tau: mu + 2 * beta[:, 1])
    assert line.median == pytest.approx(np.median(mu + 2 * beta[:, 1]), abs=5e-3)
    assert every.spread.median == pytest.approx(np.median(tau), abs=5e-3)
    assert every.part("between").median == pytest.approx(np.median(tau) / 2, abs=5e-3)
    there = every.at(2.0, np.array([0.5, 1.0]))
    assert there.method == "mcmc" and there.patches[0].share == 1
    centre = 2.0 * (mu + 0.5 * beta[:, 0] + beta[:, 1])
    assert there.expect(lambda mu, tau: mu) == pytest.approx(centre.mean())
    assert there.expect(lambda mu, tau: tau) == pytest.approx(tau.mean())


def test_draws_are_weighed_by_the_ratio_of_the_priors(draws):
    every = Drawn.of(SERIES, draws, COLUMNS, one_sided=False)
    mu, beta, tau = (every.draws[name] for name in ("mu", "beta", "tau"))
    old, new = Priors(1.5, 0.5, 0.5), Priors(1.0, 0.4, 0.4)
    found = every.under(old, new)
    weight = norm.pdf(mu, scale=1) / norm.pdf(mu, scale=1.5) * norm.pdf(tau, scale=0.4) / norm.pdf(tau, scale=0.5)
    weight *= np.prod(norm.pdf(beta, scale=0.4) / norm.pdf(beta, scale=0.5), axis=1)
    weight /= weight.sum()
    assert len(found) == 6000
    assert found.draws["mu"].mean() == pytest.approx(weight @ mu, abs=0.015)  # as draws of draws can
    assert found.draws["tau"].mean() == pytest.approx(weight @ tau, abs=0.01)
    assert (found.draws["beta"] ** 2).mean(axis=0) == pytest.approx(weight @ beta**2, abs=0.01)
    same = every.under(old, old)
    assert np.array_equal(same.draws["mu"], mu)


def test_so_few_draws_that_none_would_count_are_not_weighed():
    rng = np.random.default_rng(6)

    def under(n, new):
        found = {"mu": rng.normal(0, 1.5, n), "beta": np.zeros((n, 0)), "tau": np.abs(rng.normal(0, 0.5, n))}
        return Drawn(SERIES, found).under(Priors(), new)

    assert FEW == 400
    assert under(400, Priors()) is not None and under(399, Priors()) is None
    assert under(20_000, Priors(1.4, 0.5)) is not None
    assert under(20_000, Priors(0.05, 0.05)) is None  # fewer than one in ten would count


def test_draws_of_a_narrow_prior_are_not_stretched_to_one_that_is_hundreds_of_times_as_wide():
    rng = np.random.default_rng(7)
    found = {"mu": np.abs(rng.normal(0, 1.5, 2000)), "beta": np.zeros((2000, 0)), "tau": np.full(2000, 0.2)}
    assert Drawn(SERIES, found).under(Priors(0.02, 0.5), Priors(1.5, 0.5)) is None  # one draw would count for all
