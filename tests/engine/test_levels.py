"""Panels in groups: against direct quadrature over the groups' own centres, and against other draws of the same."""

from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp
from scipy.stats import binom, norm

from metasense.engine.grid import integrate
from metasense.engine.levels import Groups, Levels, _stratified
from metasense.engine.likelihood import Counts, RepeatedTotal
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol

PRIORS = Priors()
Z = np.linspace(-7.5, 7.5, 61)
W = norm.pdf(Z) * 0.25  # exact to rounding for what is smooth
COUNTS = {"triangle": ([14, 12], [21]), "2-AFC": ([9, 13], [24])}  # of 30, in each group


def legendre(nodes, low, high):
    x, w = np.polynomial.legendre.leggauss(nodes)
    return low + (x + 1) / 2 * (high - low), w / 2 * (high - low)


def built(test, counts=None):
    """The groups, and the same panels without them."""
    counts = COUNTS[test] if counts is None else counts
    panels = [Counts(protocol(test), 30, x) for group in counts for x in group]
    group = np.repeat(np.arange(len(counts)), [len(one) for one in counts])
    return Groups.of(panels, group, np.arange(len(panels))), integrate(panels, [1] * len(panels), PRIORS)[0]


@lru_cache
def chance(test, n, x, tau):
    """Of the count where d-primes are Normal(centre, tau), by a plain sum: a spline over the centres."""
    centres = np.linspace(-16, 16, 641)
    d = np.add.outer(centres, tau * Z)
    return CubicSpline(centres, binom.pmf(x, n, protocol(test).p_correct(d)) @ W)


def product(test, group, phi, tau):
    out = np.ones_like(phi)
    for x in group:
        out = out * chance(test, 30, x, tau)(phi)
    return out


@lru_cache
def direct(test, fixed=None):
    """Evidence and means by a plain sum over centre, both spreads and the groups' own centres."""
    directed = test == "2-AFC"
    mu, w_mu = legendre(40, -6 if directed else 0, 6)
    w_mu = w_mu * norm.pdf(mu, scale=1.5) * (1 if directed else 2)
    scale = 0.5 * np.sqrt(0.5) if fixed is None else 0.5
    within, w_within = legendre(14, 0, 5 * scale)
    between, w_between = (np.array([fixed]), np.ones(1)) if fixed else legendre(14, 0, 5 * scale)
    if not fixed:
        w_between = w_between * 2 * norm.pdf(between, scale=scale)
    w_within = w_within * 2 * norm.pdf(within, scale=scale)
    sums = SimpleNamespace(total=0.0, mu=0.0, between=0.0, within=0.0, share=0.0, both=0.0, size=0.0, cross=0.0)
    sums.new, sums.first = 0.0, 0.0
    for t, wt in zip(within, w_within, strict=True):
        for b, wb in zip(between, w_between, strict=True):
            phi = mu[:, None] + b * Z
            likelihoods = [product(test, group, phi, t) for group in COUNTS[test]]
            averaged = [one @ W for one in likelihoods]
            joint = w_mu * wt * wb * averaged[0] * averaged[1]
            sums.total += joint.sum()
            sums.mu += joint @ mu
            sums.between += joint.sum() * b
            sums.within += joint.sum() * t
            sums.both += joint.sum() * np.hypot(b, t)
            sums.share += joint.sum() * b**2 / (b**2 + t**2)
            sums.new += joint @ average_d_prime(mu, np.full_like(mu, np.hypot(b, t)))
            own = (likelihoods[0] * average_d_prime(phi, np.full_like(phi, t))) @ W
            sums.first += (w_mu * wt * wb * own * averaged[1]).sum()
            sizes = [(np.abs(phi) * one) @ W for one in likelihoods]
            sums.size += (w_mu * wt * wb * sizes[0] * averaged[1]).sum()
            sums.cross += (w_mu * wt * wb * sizes[0] * sizes[1]).sum()
    means = {name: value / sums.total for name, value in vars(sums).items() if name != "total"}
    return SimpleNamespace(evidence=np.log(sums.total), **means)


@pytest.fixture(scope="module", params=list(COUNTS))
def free(request):
    """Both spreads free."""
    groups, start = built(request.param)
    return request.param, Levels.integrate(groups, PRIORS, start)


@pytest.fixture(scope="module")
def fixed():
    """The spread between groups known, as between the categories of a moderator."""
    groups, start = built("triangle")
    return Levels.integrate(groups, PRIORS, start, between=0.5)


def test_the_likelihood_of_groups_is_a_plain_sum_over_their_centres():
    for test in COUNTS:
        groups, _ = built(test)
        mu, between, within = np.array([0.3, 0.8]), np.array([0.01, 0.4, 1.2]), np.array([0.02, 0.5])
        found = groups.log_likelihood(mu, between, within)
        assert found.shape == (2, 3, 2)
        for i, m in enumerate(mu):
            for j, b in enumerate(between):
                for k, t in enumerate(within):
                    expected = sum(np.log(product(test, group, m + b * Z, t) @ W) for group in COUNTS[test])
                    assert found[i, j, k] == pytest.approx(expected, abs=3e-4)


def test_the_overdispersion_of_repeat_tasters_is_averaged_over_all_groups_at_once():
    panels = [RepeatedTotal(protocol("triangle"), 4, 16, 9), Counts(protocol("triangle"), 30, 14)]
    groups = Groups(panels, [[1, 1], [0, 2], [2, 0]])  # 1 and 3 hold repeats; the second holds two panels alike
    assert groups.repeated.tolist() == [0, 2] and groups.plain.tolist() == [1]
    gammas, shares = np.polynomial.legendre.leggauss(14)
    found = groups.log_likelihood(np.array([1.1]), np.array([0.3]), np.array([0.2]))[0, 0, 0]
    logs = []
    for gamma in (gammas + 1) / 2:
        theta = 1.1 + np.add.outer(0.3 * Z, 0.2 * Z)  # a group's centre, a panel's d-prime

        def averaged(panel, theta=theta, gamma=gamma):
            return np.exp(panel.log_likelihood(np.abs(theta.ravel()), gamma)).reshape(theta.shape) @ W

        repeats, once = (averaged(panel) for panel in panels)
        logs.append(sum(np.log(one @ W) for one in (repeats * once, once**2, repeats**2)))
    assert found == pytest.approx(logsumexp(np.array(logs), b=shares / 2), abs=1e-6)


def test_evidence_and_spreads_are_those_of_a_plain_sum(free):
    test, levels = free
    expected = direct(test)
    assert levels.directed == (test == "2-AFC") and levels.between is None
    assert levels.box.log_evidence == pytest.approx(expected.evidence, abs=2e-4)
    assert levels.box.expect(lambda mu, b, t: mu) == pytest.approx(expected.mu, abs=1e-3)
    assert levels.spread_between().mean == pytest.approx(expected.between, abs=2e-4)
    assert levels.spread_within().mean == pytest.approx(expected.within, abs=2e-4)
    assert levels.spread_total().mean == pytest.approx(expected.both, abs=2e-4)
    assert levels.share_between().mean == pytest.approx(expected.share, abs=2e-3)


def test_a_new_group_and_a_known_one_average_as_a_plain_sum_says(free):
    test, levels = free
    expected = direct(test)
    assert levels.new_group.average.mean == pytest.approx(expected.new, abs=2e-3)
    assert levels.group(0).average.mean == pytest.approx(expected.first, abs=2e-3)
    assert levels.group(0) is levels.group(0)


def test_medians_lie_where_draws_of_the_same_box_lie(free):
    _, levels = free
    rng = np.random.default_rng(1)
    at = np.unravel_index(_stratified(levels.box.weight.ravel(), 100_000, rng), levels.box.weight.shape)
    _, b, t = (values[k] for values, k in zip(levels.box.values, at, strict=True))
    for found, draws in (
        (levels.spread_between(), b),
        (levels.spread_within(), t),
        (levels.spread_total(), np.hypot(b, t)),
        (levels.share_between(), b**2 / (b**2 + t**2)),
    ):
        q = [0.2, 0.5, 0.8]
        assert found.quantile(q) == pytest.approx(np.quantile(draws, q), abs=0.05)  # of so few nodes


def test_a_known_spread_between_groups_stays_what_it_is(fixed):
    expected = direct("triangle", 0.5)
    assert fixed.between == 0.5 and fixed.box.density.ndim == 2
    assert fixed.box.log_evidence == pytest.approx(expected.evidence, abs=1e-5)
    assert fixed.spread_within().mean == pytest.approx(expected.within, abs=1e-5)
    assert fixed.group(0).average.mean == pytest.approx(expected.first, abs=1e-3)
    assert fixed.new_group.average.mean == pytest.approx(expected.new, abs=2e-3)


def test_drawn_centres_hang_together_as_a_plain_sum_says(fixed):
    expected = direct("triangle", 0.5)
    centres, mu, within = fixed.draw_centres(np.random.default_rng(2), 40_000)
    assert centres.shape == (40_000, 2) and mu.shape == within.shape == (40_000,)
    assert mu.mean() == pytest.approx(expected.mu, abs=0.005)
    assert within.mean() == pytest.approx(expected.within, abs=0.003)
    assert centres[:, 0].mean() == pytest.approx(expected.size, abs=0.015)
    assert (centres[:, 0] * centres[:, 1]).mean() == pytest.approx(expected.cross, abs=0.05)
    assert np.corrcoef(mu[:-1], mu[1:])[0, 1] == pytest.approx(0, abs=0.03)  # in no order


def test_other_priors_on_the_same_nodes_are_an_integration_with_those(free):
    test, levels = free
    other = Priors(1.0, 0.3)
    found = levels.under(PRIORS, other)
    assert found.box.error < 1e-3
    anew = Levels.integrate(levels.groups, other, built(test)[1])
    assert found.new_group.average.interval() == pytest.approx(anew.new_group.average.interval(), abs=5e-3)
    assert found.spread_between().median == pytest.approx(anew.spread_between().median, abs=5e-3)
    assert found.group(1).average.median == pytest.approx(anew.group(1).average.median, abs=0.02)


def test_other_priors_leave_a_known_spread_alone(fixed):
    other = Priors(1.0, 0.3)
    found = fixed.under(PRIORS, other)
    groups, start = built("triangle")
    anew = Levels.integrate(groups, other, start, between=0.5)
    assert found.between == 0.5
    assert found.spread_within().interval() == pytest.approx(anew.spread_within().interval(), abs=2e-3)
    assert found.group(0).average.interval() == pytest.approx(anew.group(0).average.interval(), abs=5e-3)


def test_a_group_with_repeat_tasters_weighs_their_overdispersion():
    panels = [RepeatedTotal(protocol("triangle"), 4, 24, 16), Counts(protocol("triangle"), 30, 14)]
    groups = Groups(panels, [[1, 0], [0, 1]])
    levels = Levels.integrate(groups, PRIORS, integrate(panels, [1, 1], PRIORS)[0], between=0.5)
    parts = levels._shares
    assert parts.sum(axis=0) == pytest.approx(np.ones(levels.box.density.shape))
    # by a plain sum over overdispersion, centre, spread and the group's own centre
    gammas, shares = np.polynomial.legendre.leggauss(14)
    mu, w_mu = legendre(24, 0, 6)
    within, w_within = legendre(8, 0, 2.5)
    d = np.linspace(-16, 16, 641)
    phi, w = mu[:, None] + 0.5 * Z, W
    total = size = 0.0
    for t, wt in zip(within, w_within * norm.pdf(within, scale=0.5), strict=True):

        def averaged(logs, t=t):
            theta = np.add.outer(d, t * Z)
            return CubicSpline(d, np.interp(theta, d, np.exp(logs)) @ W)(phi)

        once = averaged(panels[1].log_likelihood(np.abs(d), 0.0)) @ w
        for gamma, share in zip((gammas + 1) / 2, shares, strict=True):
            repeats = averaged(panels[0].log_likelihood(np.abs(d), gamma))
            weight = w_mu * norm.pdf(mu, scale=1.5) * wt * share * once
            total += weight @ (repeats @ w)
            size += weight @ ((repeats * average_d_prime(phi, np.full_like(phi, t))) @ w)
    assert levels.group(0).average.mean == pytest.approx(size / total, abs=3e-3)


def test_picks_are_spread_evenly_over_the_weights():
    weight = np.array([1.0, 0.0, 2.0, 5.0])
    picked = _stratified(weight, 800, np.random.default_rng(1))
    assert np.bincount(picked, minlength=4).tolist() == pytest.approx([100, 0, 200, 500], abs=1)


def test_overdispersions_are_drawn_as_often_as_they_are_probable():
    panels = [RepeatedTotal(protocol("triangle"), 4, 24, 16), Counts(protocol("triangle"), 30, 14)]
    groups = Groups(panels, [[1, 0], [0, 1]])
    levels = Levels.integrate(groups, PRIORS, integrate(panels, [1, 1], PRIORS)[0], between=0.5)
    rng = np.random.default_rng(2)
    picked = _stratified(levels.box.weight.ravel(), 20_000, rng)
    drawn = np.bincount(levels._draw_overdispersions(picked, rng), minlength=len(levels._shares)) / 20_000
    expected = (levels._shares * levels.box.weight).reshape(len(levels._shares), -1).sum(axis=1)
    assert drawn == pytest.approx(expected, abs=0.015)
