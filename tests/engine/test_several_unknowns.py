"""Several moderators: against quadrature on dense product grids, with likelihoods from plain sums of binomials."""

from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.special import erf
from scipy.stats import binom, norm

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.engine.several import Several, of_points
from metasense.protocols import forced_choice

PRIORS = Priors()
WEEKS = np.array([-1.4, -1.0, -0.6, -0.2, 0.1, 0.5, 0.9, 1.7])
AGES = np.array([0.9, -1.2, 0.3, 1.5, -0.8, -1.1, 1.0, -0.6])
THIRD = np.array([1.0, 1.0, -1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
CORRECT = {"triangle": (9, 12, 10, 15, 13, 19, 14, 18), "2-AFC": (14, 16, 17, 19, 15, 22, 21, 24)}
LEVELS = (0.025, 0.5, 0.975)


def legendre(nodes, low, high):
    """Nodes and weights between low and high, which may be arrays."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    half = (np.asarray(high) - low) / 2
    return np.asarray(low)[..., None] + half[..., None] * (x + 1), half[..., None] * w


@cache
def averaged(test, n, correct, tau):
    """Chance of the count for thetas drawn from Normal(centre, tau), by a plain sum; a spline over the centres."""
    centres, z, d = np.linspace(-12, 12, 601), np.linspace(-8, 8, 161), np.linspace(-36, 36, 28801)
    protocol = forced_choice(test)
    at = d if protocol.directed else np.abs(d)
    chance = np.interp(np.add.outer(centres, tau * z), d, binom.pmf(correct, n, protocol.p_correct(at)))
    return CubicSpline(centres, chance @ (norm.pdf(z) * 0.1))


def mean_size(centre, tau):
    return centre * erf(centre / tau / np.sqrt(2)) + tau * np.sqrt(2 / np.pi) * np.exp(-0.5 * (centre / tau) ** 2)


def grid_of(nodes, ranges, at, upto):
    """Nodes and weights of all slopes; one of them, `at`, from its lower end up to a value."""
    axes = [legendre(nodes, low, upto if k == at else high) for k, (low, high) in enumerate(ranges)]
    betas = np.stack([b.ravel() for b in np.meshgrid(*(x for x, _ in axes), indexing="ij")])
    weights = np.prod(np.meshgrid(*(w for _, w in axes), indexing="ij"), axis=0).ravel()
    return betas, weights * norm.pdf(betas, 0, PRIORS.slope_scale).prod(axis=0)


def around(found, sds=6.5):
    """Where the slopes and the centre may be, by the answer itself: only how far the grid has to reach."""
    slopes = [found.distribution(lambda mu, beta, tau, k=k: beta[..., k]) for k in range(found.unknowns.slopes)]
    ranges = [(d.mean - sds * d.sd, d.mean + sds * d.sd) for d in slopes]
    centre = found.distribution(lambda mu, beta, tau: mu)
    return ranges, (centre.mean - sds * centre.sd, centre.mean + sds * centre.sd)


def brute(test, columns, reach, *, nodes, at=None, upto=None, average=None, spread=3.0):
    """Integral of likelihood and prior over centre, slopes and spread.

    Slope `at` up to `upto` alone; with `average` (a row, a value) where panels there average less than the value;
    spreads up to `spread` alone.
    """
    found = [Counts(forced_choice(test), 30, x) for x in CORRECT[test]]
    directed = found[0].protocol.directed
    ranges, (lowest, highest) = reach
    betas, prior = grid_of(nodes, ranges, at, upto)
    moved = columns @ betas
    bound = np.full(betas.shape[1], lowest)
    if not directed:
        bound = np.maximum((-moved).max(axis=0), max(lowest, 0.0))
    taus, w_tau = legendre(14, 0.0, spread)
    total = 0.0
    for tau, weight in zip(taus, w_tau, strict=True):
        top = np.maximum(bound + 0.01, highest)
        if average is not None:
            row, value = average
            c = np.linspace(0, 8, 4001)
            size = mean_size(c, tau)
            most = np.interp(value, size, c) if value > size[0] else -np.inf
            top = np.clip(most - row @ betas, bound, top)
        mu, w_mu = legendre(28 if directed else 20, bound, top)
        likelihood = np.ones(mu.shape)
        for one, shift in zip(found, moved, strict=True):
            likelihood *= averaged(test, 30, one.correct, float(tau))(mu + shift[:, None])
        inner = (likelihood * norm.pdf(mu, 0, PRIORS.centre_scale) * w_mu).sum(axis=1)
        total += weight * 2 * norm.pdf(tau, 0, PRIORS.spread_scale) * (prior @ inner)
    return total * (1 if directed else 2)


def prior_kept(columns, nodes=60):
    """Share of the prior with all panels' centres on one side of 0."""
    betas, prior = grid_of(nodes, [(-2.5, 2.5)] * columns.shape[1], None, None)
    bound = np.maximum((-columns @ betas).max(axis=0), 0.0)
    return prior @ (2 * norm.sf(bound, 0, PRIORS.centre_scale)) / prior.sum()


def several(test, columns, clusters=None, correct=None, one_sided=None, tastings=30):
    found = [Counts(forced_choice(test), tastings, x) for x in correct or CORRECT[test]]
    start = integrate(found, [1] * len(found), PRIORS)[0]
    undirected = not found[0].protocol.directed
    return Several.integrate(
        found,
        PRIORS,
        start,
        load=np.ones(len(found)),
        columns=columns,
        clusters=clusters,
        one_sided=undirected if one_sided is None else one_sided,
    )


def off_in_sds(distribution, share, level):
    """How far a quantile is off, in posterior standard deviations, where the share below it is `share`."""
    x = distribution.quantile(level)
    nearby = distribution.quantile([max(level - 0.01, 0.002), min(level + 0.01, 0.998)])
    slope = np.diff(nearby)[0] / (min(level + 0.01, 0.998) - max(level - 0.01, 0.002))
    assert np.isfinite(x)
    return abs(share - level) * slope / distribution.sd


TWO = np.column_stack([WEEKS, AGES])
CASES = {
    "triangle": ("triangle", TWO, 36),
    "2-AFC": ("2-AFC", TWO, 30),
    "interaction": ("2-AFC", np.column_stack([WEEKS, THIRD, WEEKS * THIRD]), 22),
    "three": ("triangle", np.column_stack([TWO, THIRD]), 24),
}


@cache
def case_of(name):
    test, columns, nodes = CASES[name]
    found = several(test, columns)
    reach = around(found)

    def integral(**part):
        return brute(test, columns, reach, nodes=nodes, **part)

    kept = 1.0 if test == "2-AFC" else prior_kept(columns)
    return SimpleNamespace(columns=columns, found=found, integral=integral, whole=integral(), kept=kept)


SLOW = [pytest.param(name, marks=pytest.mark.slow) for name in ("interaction", "three")]


@pytest.mark.parametrize("name", ["triangle", "2-AFC", *SLOW])
def test_evidence_is_that_of_a_dense_grid(name):
    case = case_of(name)
    allowed = max(1e-3, 4 * case.found.scatter.evidence_error)
    assert case.found.log_evidence == pytest.approx(np.log(case.whole / case.kept), abs=allowed)


@pytest.mark.parametrize("name", ["2-AFC", pytest.param("triangle", marks=pytest.mark.slow), *SLOW])
def test_slopes_and_spreads_have_the_quantiles_of_a_dense_grid(name):
    case = case_of(name)
    slope = case.found.distribution(lambda mu, beta, tau: beta[..., -1] + 0 * tau)
    for level in LEVELS:
        upto = float(slope.quantile(level))
        share = case.integral(at=case.columns.shape[1] - 1, upto=upto) / case.whole
        assert off_in_sds(slope, share, level) < 1.3e-2
        share = case.integral(spread=float(case.found.spread.quantile(level))) / case.whole
        assert off_in_sds(case.found.spread, share, level) < 1.3e-2


@pytest.mark.slow
@pytest.mark.parametrize("name", ["triangle", "three"])
def test_averages_have_the_quantiles_of_a_dense_grid(name):
    case = case_of(name)
    row = case.columns[-1]
    average = case.found.at(1.0, row).average
    for level in LEVELS:
        share = case.integral(average=(row, float(average.quantile(level)))) / case.whole
        assert off_in_sds(average, share, level) < 1.3e-2


def test_one_moderator_is_that_of_the_grid_which_serves_it():
    from metasense.engine.slopes import Sloped

    found = [Counts(forced_choice("triangle"), 30, x) for x in CORRECT["triangle"]]
    start = integrate(found, [1] * len(found), PRIORS)[0]
    grid = Sloped.integrate(found, np.ones(8), WEEKS, PRIORS, start)
    points = several("triangle", WEEKS[:, None])
    assert points.log_evidence == pytest.approx(grid.box.log_evidence, abs=1e-3)
    pairs = [
        (points.spread, grid.spread),
        (points.at(1.0, np.array([1.0])).average, grid.at(1.0, np.array([1.0])).average),
        (points.at(1.0, np.array([1.0])).next_d_prime, grid.at(1.0, np.array([1.0])).next_d_prime),
    ]
    for one, other in pairs:
        assert one.quantile(LEVELS) == pytest.approx(other.quantile(LEVELS), abs=0.025 * other.sd)


@pytest.mark.slow
def test_words_beside_a_number_are_a_sum_over_each_words_deviation():
    # three words, one number: given centre and slope the words' deviations are independent, each a plain sum
    word = np.array([0, 0, 0, 1, 1, 2, 2, 2])
    columns = np.column_stack([WEEKS, np.eye(3)[word]])
    found = several("triangle", columns)
    slopes, w_slope = legendre(30, -1.6, 1.6)
    taus, w_tau = legendre(14, 0.0, 3.0)
    mus, w_mu = legendre(30, 0.0, 5.0)
    total = kept = first = 0.0
    for b, wb in zip(slopes, w_slope, strict=True):
        lowest = [float((-b * WEEKS[word == k]).max()) for k in range(3)]
        prior = w_mu * 2 * norm.pdf(mus, 0, 1.5) * wb * norm.pdf(b, 0, 0.5)
        nodes = [legendre(30, np.maximum(low - mus, -2.5), np.maximum(low - mus + 0.1, 2.5)) for low in lowest]
        held = np.prod([(norm.pdf(d, 0, 0.5) * w).sum(axis=1) for d, w in nodes], axis=0)
        kept += prior @ held
        for tau, wt in zip(taus, w_tau, strict=True):
            each = np.ones(len(mus))
            for k, (d, w) in enumerate(nodes):
                chance = norm.pdf(d, 0, 0.5) * w
                for i in np.flatnonzero(word == k):
                    at = mus[:, None] + d + b * WEEKS[i]
                    chance = chance * averaged("triangle", 30, CORRECT["triangle"][i], float(tau))(at)
                each *= chance.sum(axis=1)
            part = (prior @ each) * wt * 2 * norm.pdf(tau, 0, 0.5)
            total, first = total + part, first + b * part
    slope = found.distribution(lambda mu, beta, tau: beta[..., 0] + 0 * tau)
    assert found.log_evidence == pytest.approx(np.log(total / kept), abs=max(1e-3, 4 * found.scatter.evidence_error))
    assert slope.mean == pytest.approx(first / total, abs=1e-2 * slope.sd)


@pytest.mark.slow
@pytest.mark.parametrize("test", ["triangle", "2-AFC"])
def test_a_number_within_pairs_is_a_sum_over_each_pairs_deviation(test):
    pair = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    found = several(test, WEEKS[:, None], pair)
    directed = test == "2-AFC"
    scale = PRIORS.spread_scale / np.sqrt(2)
    ranges, (lowest, highest) = around(found)
    slopes, w_slope = legendre(24, *ranges[0])
    withins, w_within = legendre(12, 0.0, 2.2)
    betweens, w_between = legendre(14, 0.0, 2.2)
    e = np.linspace(-6, 6, 49)
    w_e = norm.pdf(e) * 0.25
    total = 0.0
    moments = np.zeros(3)
    for b, wb in zip(slopes, w_slope, strict=True):
        low = lowest if directed else max(float((-b * WEEKS).max()), 0.0)
        mus, w_mu = legendre(24, low, max(highest, low + 0.01))
        prior = w_mu * (1 if directed else 2) * norm.pdf(mus, 0, 1.5) * wb * norm.pdf(b, 0, 0.5)
        for within, ww in zip(withins, w_within, strict=True):
            for between, wt in zip(betweens, w_between, strict=True):
                each = np.ones(len(mus))
                for k in range(4):
                    chance = np.broadcast_to(w_e, (len(mus), len(e)))
                    for i in np.flatnonzero(pair == k):
                        at = mus[:, None] + between * e + b * WEEKS[i]
                        chance = chance * averaged(test, 30, CORRECT[test][i], float(within))(at)
                    each = each * chance.sum(axis=1)
                spreads = 4 * norm.pdf(within, 0, scale) * norm.pdf(between, 0, scale) * ww * wt
                part = (prior @ each) * spreads
                total += part
                moments += part * np.array([b, within, between])
    kept = 1.0 if directed else prior_kept(WEEKS[:, None])
    slope = found.distribution(lambda mu, beta, tau: beta[..., 0] + 0 * tau)
    assert found.log_evidence == pytest.approx(np.log(total / kept), abs=max(2e-3, 4 * found.scatter.evidence_error))
    for distribution, mean in zip((slope, found.part("within"), found.part("between")), moments / total, strict=True):
        assert distribution.mean == pytest.approx(mean, abs=1e-2 * distribution.sd)


def test_other_priors_are_weighed_or_left_to_be_integrated_again():
    found = several("triangle", TWO)
    near = PRIORS.scaled(centre=1.2, slope=0.9)
    weighed = found.under(PRIORS, near)
    again = Several.integrate(
        [Counts(forced_choice("triangle"), 30, x) for x in CORRECT["triangle"]],
        near,
        integrate([Counts(forced_choice("triangle"), 30, x) for x in CORRECT["triangle"]], [1] * 8, near)[0],
        load=np.ones(8),
        columns=TWO,
        one_sided=True,
    )
    one, other = (side.at(1.0, TWO[0]).average for side in (weighed, again))
    assert one.quantile(LEVELS) == pytest.approx(other.quantile(LEVELS), abs=0.02 * other.sd)
    assert found.under(PRIORS, Priors(centre_scale=0.01, spread_scale=0.01, slope_scale=0.01)) is None


def test_points_give_the_distribution_of_what_they_are_points_of():
    rng = np.random.default_rng(4)
    values = rng.normal(2, 3, 200_000)
    weight = rng.uniform(0.5, 1.5, len(values))
    found = of_points(values, weight)
    assert found.quantile(LEVELS) == pytest.approx(norm.ppf(LEVELS, 2, 3), abs=0.05)
    assert found.mean == pytest.approx(2, abs=0.03)
    assert found.sd == pytest.approx(3, abs=0.03)


def test_what_next_to_nothing_weighs_does_not_stretch_a_distribution_of_points():
    values = np.append(np.linspace(0, 1, 1001), 4.0)
    weight = np.append(np.full(1001, 1 / 1001), 1e-15)
    found = of_points(values, weight)
    assert found.x[0] == 0 and found.x[-1] == pytest.approx(1, abs=0.01)
    assert found.median == pytest.approx(0.5, abs=0.01)
