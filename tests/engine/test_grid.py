"""The pooled posterior against reference integrals, brute force written here, and what must hold for every pool.

The reference values of `REFERENCE` were computed apart from this package, on a 97 x 97 grid of (mu, tau) with adaptive
quadrature over theta, for mu ~ half-normal(1.5) and tau ~ half-normal(0.5). `BruteForce` shares no code with the engine
but the protocols' psychometric functions: Gauss-Hermite quadrature over theta, plain sums over a dense (mu, tau).
"""

import itertools

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.special import betaln, comb, ndtr
from scipy.stats import binom, norm

from metasense.engine.distribution import Distribution
from metasense.engine.grid import IntegrationError, cover, integrate, overdispersions
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, Series, TwoCounts, taster_probability
from metasense.engine.posterior import Posterior, _mean, average_p_correct
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol

TAILS = [0.025, 0.5, 0.975]
USUAL = Priors()


def counts(name, tastings, correct):
    return Counts(protocol(name), tastings, correct)


def pool(panels, priors=USUAL, **options):
    """Integrate a list of panels as a table would: equal ones grouped."""
    distinct = list(dict.fromkeys(panels))
    return integrate(distinct, [panels.count(p) for p in distinct], priors, **options)


# --- reference values -------------------------------------------------------------------------------------------------

REFERENCE = {
    "four triangles near chance": {
        "panels": [counts("triangle", 40, x) for x in (13, 12, 15, 13)],
        "none": -8.327898, "same": -9.369867, "varying": -9.682444,
        "mu": 0.36733, "tau": 0.29785, "average": 0.45759, "below": {0.5: 0.611957, 1: 0.976177},
        "first": 0.39515, "first quantiles": [0.0169, 0.3516, 1.0206], "next quantiles": [0.0182, 0.3831, 1.3645],
    },
    "one triangle": {
        "panels": [counts("triangle", 40, 20)],
        "none": -4.432141, "same": -3.023629, "varying": -3.037413,
        "average": 1.22730, "below": {0.5: 0.074548, 1: 0.350056}, "first quantiles": [0.1925, 1.2926, 2.1008],
    },
    "six tetrads all correct": {
        "panels": [counts("tetrad", 20, 20)] * 6,
        "none": -131.833475, "same": -4.937970, "varying": -5.124903, "mu": 4.33468, "tau": 0.33979,
    },
    "six triangles at chance": {
        "panels": [counts("triangle", 30, x) for x in (10, 9, 10, 8, 10, 7)],
        "none": -12.173924, "same": -13.570465, "varying": -14.042496, "average": 0.36557, "below": {0.5: 0.771425},
    },
    "four huge tetrads": {
        "panels": [counts("tetrad", 5000, x) for x in (2475, 2500, 2460, 2490)],
        "none": -1144.711915, "same": -22.613797, "varying": -25.699556, "mu": 1.00816, "tau": 0.02688,
    },
    "single tastings": {
        "panels": [counts("triangle", 1, x) for x in (1, 0, 1, 1, 0, 0, 1, 0)],
        "none": -6.016310, "same": -5.837161, "varying": -5.797270, "average": 1.14889,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", REFERENCE)
def test_pool_meets_its_reference(name):
    known = REFERENCE[name]
    posterior, evidences = pool(known["panels"])
    for explanation in ("none", "same", "varying"):
        assert getattr(evidences, explanation) == pytest.approx(known[explanation], abs=1e-5), explanation
    means = {
        "mu": posterior.expect(lambda mu, tau: mu),
        "tau": posterior.expect(lambda mu, tau: tau),
        "average": posterior.average.mean,
    }
    for quantity, mean in means.items():
        if quantity in known:
            assert mean == pytest.approx(known[quantity], abs=2e-5), quantity
    if "tau" in known:
        assert posterior.spread.mean == pytest.approx(known["tau"], abs=2e-5)
    for value, probability in known.get("below", {}).items():
        assert posterior.average.below(value) == pytest.approx(probability, abs=5e-5)
    first = posterior.panels([0])[0]
    if "first" in known:
        assert first.mean == pytest.approx(known["first"], abs=2e-5)
    if "first quantiles" in known:
        assert first.quantile(TAILS) == pytest.approx(known["first quantiles"], abs=1e-3)
    if "next quantiles" in known:
        assert posterior.next_d_prime.quantile(TAILS) == pytest.approx(known["next quantiles"], abs=1e-3)


# --- brute force ------------------------------------------------------------------------------------------------------


def likelihood_of(panel, gamma=0.0):
    """P(counts | theta) of a panel from SciPy's binomial alone, as a function of an array."""
    if isinstance(panel, Counts):
        return lambda theta: binom.pmf(panel.correct, panel.tastings, panel.protocol.p_correct(theta))
    if isinstance(panel, TwoCounts):
        return lambda theta: two_count_probability(panel, theta)
    return lambda theta: repeats_probability(panel, theta, gamma)


def two_count_probability(panel, theta):
    """Average over the criterion by the trapezoid rule, the rates written out."""
    z = np.linspace(-10, 10, 801)[:, None]
    theta = np.asarray(theta)
    if panel.protocol.name == "A-not-A":
        hit, false_alarm = ndtr(theta / 2 - z), ndtr(-theta / 2 - z)
    else:
        t = np.abs(z)  # criterion over sqrt 2
        d = np.abs(theta) / np.sqrt(2)
        hit, false_alarm = ndtr(d - t) + ndtr(-d - t), 2 * ndtr(-t) + 0 * d
    chance = binom.pmf(panel.hits, panel.signal, hit) * binom.pmf(panel.false_alarms, panel.noise, false_alarm)
    return (norm.pdf(z) * chance).sum(axis=0) * 20 / 800


def beta_binomial(answers, correct, p_d, guess, gamma):
    """The chance-corrected beta-binomial as its textbook sum of beta functions."""
    a, b = p_d * (1 - gamma) / gamma, (1 - p_d) * (1 - gamma) / gamma
    return comb(answers, correct) * sum(
        comb(correct, k) * guess ** (correct - k) * (1 - guess) ** (k + answers - correct)
        * np.exp(betaln(a + k, b + answers - correct) - betaln(a, b))
        for k in range(correct + 1)
    )  # fmt: skip


def repeats_probability(panel, theta, gamma):
    """Product over tasters; where only the total is known, the sum over every way to reach it."""
    guess = panel.protocol.guess
    p_d = np.clip(panel.protocol.p_d(theta), 1e-12, 1 - 1e-12)
    if isinstance(panel, Repeats):
        return np.prod([beta_binomial(r, y, p_d, guess, gamma) ** m for r, y, m in panel.people], axis=0)
    fewer, extra = divmod(panel.tastings, panel.tasters)
    answers = [fewer + 1] * extra + [fewer] * (panel.tasters - extra)
    one = {r: [beta_binomial(r, y, p_d, guess, gamma) for y in range(r + 1)] for r in set(answers)}
    ways = itertools.product(*(range(r + 1) for r in answers))
    return sum(
        np.prod([one[r][y] for r, y in zip(answers, way, strict=True)], axis=0)
        for way in ways
        if sum(way) == panel.correct
    )


class BruteForce:
    """Posterior of a pool on a dense grid of (mu, tau); averages over theta by Gauss-Hermite quadrature.

    `mu` runs over both signs with a normal prior, which for even likelihoods is the half-normal folded out.
    """

    def __init__(self, panels, priors=USUAL, *, gamma=0.0, mu_max=6.0, tau_max=3.0, step=0.04, nodes=121):
        self.panels, self.gamma, self.tau_max = panels, gamma, tau_max
        mu = np.arange(-round(mu_max / step), round(mu_max / step) + 1) * step
        tau = np.arange(round(tau_max / step) + 1) * step
        z, w = np.polynomial.hermite_e.hermegauss(nodes)
        theta = mu[:, None, None] + tau[:, None] * z
        fine = np.linspace(-14, 14, 2801)
        averaged = {}
        for panel in dict.fromkeys(panels):
            values = CubicSpline(fine, likelihood_of(panel, gamma)(fine))(np.clip(theta, -14, 14))
            averaged[panel] = values @ w / w.sum()
        self.logs = np.log(np.maximum([averaged[panel] for panel in panels], 1e-300))
        prior = norm.logpdf(mu[:, None], 0, priors.centre_scale) + np.log(2) + norm.logpdf(tau, 0, priors.spread_scale)
        self.log_posterior = self.logs.sum(axis=0) + prior
        cell = np.full(self.log_posterior.shape, step**2)
        cell[:, 0] /= 2
        peak = self.log_posterior.max()
        self.log_evidence = peak + np.log((np.exp(self.log_posterior - peak) * cell).sum())
        self.mu, self.tau = mu, tau
        # for functionals with a kink: the log density refined by splines, summed over midpoints
        self.fine_mu = (np.arange(-round(mu_max / 0.01), round(mu_max / 0.01)) + 0.5) * 0.01
        self.fine_tau = (np.arange(round(tau_max / 0.01)) + 0.5) * 0.01
        density = np.exp(RectBivariateSpline(mu, tau, self.log_posterior - peak)(self.fine_mu, self.fine_tau))
        self.weight = density / density.sum()
        m, t = np.abs(self.fine_mu)[:, None], self.fine_tau
        self.average = t * np.sqrt(2 / np.pi) * np.exp(-(m**2) / (2 * t**2)) + m * (1 - 2 * norm.cdf(-m / t))

    def quantiles(self, q):
        # bins as wide as the cells of mu, with the cells' midpoints in their middle: no comb where tau is small
        edges = np.arange(len(self.fine_mu) // 2 + 1) * 0.01
        cdf = np.cumsum(np.histogram(self.average, edges, weights=self.weight)[0])
        return np.interp(q, cdf, edges[1:])

    def theta(self, panel=None, reach=7.0):
        """theta on a grid up to `reach` and the density there: of the next panel, or of `panel` (an index)."""
        log = self.log_posterior - (0 if panel is None else self.logs[panel])
        log = log - log.max()
        spline = RectBivariateSpline(self.mu, self.tau, np.maximum(log, -60))
        theta = np.linspace(-reach, reach, 561)
        z, w = np.polynomial.hermite_e.hermegauss(41)
        density = np.zeros_like(theta)
        for tau, share in zip(self.tau, [0.5, *[1.0] * (len(self.tau) - 1)], strict=True):
            density += share * (np.exp(spline(theta[:, None] - tau * z, tau, grid=False)) @ w)
        if panel is not None:
            density *= likelihood_of(self.panels[panel], self.gamma)(theta)
        return theta, density / density.sum()


def folded_quantiles(theta, density, q):
    """Quantiles of |theta| from a density on a symmetric grid."""
    half = len(theta) // 2
    folded = density[half:] + density[half::-1]
    cdf = np.concatenate([[0], np.cumsum((folded[1:] + folded[:-1]) / 2)])
    return np.interp(q, cdf / cdf[-1], theta[half:])


POOLS = {
    "undirected": [
        counts("triangle", 24, 11),
        counts("duo-trio", 30, 19),
        counts("tetrad", 28, 13),
        counts("two-out-of-five", 20, 5),
        TwoCounts(protocol("same-different"), 30, 18, 30, 10),
        counts("triangle", 24, 11),
    ],
    "directed": [
        counts("2-AFC", 40, 27),
        counts("triangle", 36, 15),
        counts("3-AFC", 30, 13),
        counts("specified tetrad", 25, 9),
        TwoCounts(protocol("A-not-A"), 40, 25, 40, 17),
    ],
    "directed, near zero": [counts("2-AFC", 30, 16), counts("2-AFC", 30, 12), counts("tetrad", 24, 9)],
    "directed, below zero": [counts("3-AFC", 40, 6), counts("2-AFC", 40, 11)],
}


@pytest.fixture(scope="module", params=POOLS)
def both_ways(request):
    panels = POOLS[request.param]
    return panels, pool(panels), BruteForce(panels)


def test_evidence_equals_brute_force(both_ways):
    panels, (_, evidences), brute = both_ways
    assert evidences.varying == pytest.approx(brute.log_evidence, abs=1e-5)
    theta = np.linspace(-9, 9, 1801)
    together = np.prod([likelihood_of(p)(theta) for p in panels], axis=0) * norm.pdf(theta, 0, 1.5)
    assert evidences.same == pytest.approx(np.log(together.sum() * (theta[1] - theta[0])), abs=1e-5)
    assert evidences.none == pytest.approx(sum(np.log(likelihood_of(p)(np.zeros(1)))[0] for p in panels), abs=1e-8)


def test_average_and_spread_equal_brute_force(both_ways):
    _, (posterior, _), brute = both_ways
    assert posterior.average.mean == pytest.approx((brute.average * brute.weight).sum(), abs=1e-4)
    assert posterior.average.quantile(TAILS) == pytest.approx(brute.quantiles(TAILS), abs=1e-3)
    for margin in (0.3, 0.5, 1.0):
        below = brute.weight[brute.average < margin].sum()
        assert posterior.average.below(margin) == pytest.approx(below, abs=1e-3)
        assert posterior.average.above(margin) == pytest.approx(1 - below, abs=1e-3)
    spread = np.cumsum(brute.weight.sum(axis=0))
    assert posterior.spread.quantile(TAILS) == pytest.approx(
        np.interp(TAILS, np.append(0, spread), np.append(0, brute.fine_tau + 0.005)), abs=2e-3
    )
    assert posterior.spread.mean == pytest.approx((brute.weight.sum(axis=0) * brute.fine_tau).sum(), abs=1e-4)
    if posterior.directed:
        assert posterior.expect(lambda mu, tau: mu) == pytest.approx(brute.weight.sum(axis=1) @ brute.fine_mu, abs=1e-4)


def test_next_panel_equals_brute_force(both_ways):
    _, (posterior, _), brute = both_ways
    theta, density = brute.theta()
    assert posterior.next_d_prime.quantile(TAILS) == pytest.approx(folded_quantiles(theta, density, TAILS), abs=2e-3)
    assert posterior.next_d_prime.mean == pytest.approx(density @ np.abs(theta), abs=5e-4)
    triangle, afc = protocol("triangle"), protocol("2-AFC")
    expected = density @ triangle.p_correct(theta)
    assert posterior.next_rate(triangle).mean == pytest.approx(expected, abs=1e-4)
    assert posterior.average_rate(triangle).mean == pytest.approx(expected, abs=1e-4)
    sided = theta if posterior.directed else np.abs(theta)
    assert posterior.next_rate(afc).mean == pytest.approx(density @ afc.p_correct(sided), abs=1e-4)
    assert posterior.average_rate(afc).mean == pytest.approx(density @ afc.p_correct(sided), abs=1e-4)


def test_panels_own_d_primes_equal_brute_force(both_ways):
    panels, (posterior, _), brute = both_ways
    distinct = list(dict.fromkeys(panels))
    for panel, own in zip(distinct, posterior.panels(), strict=True):
        theta, density = brute.theta(panels.index(panel))
        if panel.protocol.directed:
            expected = np.interp(TAILS, np.cumsum(density) - density / 2, theta)
            assert own.mean == pytest.approx(density @ theta, abs=5e-4)
        else:
            expected = folded_quantiles(theta, density, TAILS)
            assert own.mean == pytest.approx(density @ np.abs(theta), abs=5e-4)
        assert own.quantile(TAILS) == pytest.approx(expected, abs=2e-3)


def test_average_rate_has_the_distribution_of_brute_force():
    panels = POOLS["undirected"][:3]
    posterior, _ = pool(panels)
    brute = BruteForce(panels)
    test = protocol("tetrad")
    z, w = np.polynomial.hermite_e.hermegauss(21)
    rng = np.random.default_rng(1)
    rows, columns = np.unravel_index(rng.choice(brute.weight.size, 100_000, p=brute.weight.ravel()), brute.weight.shape)
    mu = brute.fine_mu[rows] + rng.uniform(-0.005, 0.005, len(rows))
    tau = brute.fine_tau[columns] + rng.uniform(-0.005, 0.005, len(rows))
    rates = test.p_correct(mu[:, None] + tau[:, None] * z) @ w / w.sum()
    # 100 000 draws: standard errors of these quantiles are below 0.0006
    assert posterior.average_rate(test).quantile(TAILS) == pytest.approx(np.quantile(rates, TAILS), abs=2e-3)


@pytest.mark.parametrize("scale", [0.5, 2.0])
def test_other_priors_equal_brute_force(scale):
    priors = Priors(1.5 * scale, 0.5 / scale)
    panels = POOLS["directed"][:3]
    posterior, evidences = pool(panels, priors)
    brute = BruteForce(panels, priors, mu_max=9.0, tau_max=5.0 / scale, step=0.04 / max(scale, 1))
    assert evidences.varying == pytest.approx(brute.log_evidence, abs=1e-5)
    assert posterior.average.quantile(TAILS) == pytest.approx(brute.quantiles(TAILS), abs=2e-3)


def test_sixty_like_panels_give_a_narrow_smooth_next_panel():
    # far narrower than one panel's likelihood: here the mixtures of panels need their own number of cosines
    panels = [counts("tetrad", 40, x) for x in (19, 20, 21)] * 20
    posterior, evidences = pool(panels)
    brute = BruteForce(panels, mu_max=2.4, tau_max=0.8, step=0.01)
    assert evidences.varying == pytest.approx(brute.log_evidence, abs=1e-5)
    theta, density = brute.theta(reach=1.6)
    assert posterior.next_d_prime.quantile(TAILS) == pytest.approx(folded_quantiles(theta, density, TAILS), abs=2e-3)
    assert np.all(np.diff(posterior.next_d_prime.cdf) >= 0)


# --- what must hold for every pool ------------------------------------------------------------------------------------

quickly = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])


USED = ("triangle", "duo-trio", "tetrad", "2-AFC", "two-out-of-five")


@st.composite
def some_panels(draw, names=USED, least=1, most=5, largest=60):
    out = []
    for _ in range(draw(st.integers(least, most))):
        n = draw(st.integers(1, largest))
        out.append(counts(draw(st.sampled_from(names)), n, draw(st.integers(0, n))))
    return out


def answers(result):
    """Everything a user sees of a pool, as one array."""
    posterior, evidences = result
    return np.concatenate(
        [
            [evidences.none, evidences.same, evidences.varying, posterior.average.mean, posterior.average.below(0.5)],
            posterior.average.interval(),
            posterior.spread.interval(),
            posterior.next_d_prime.interval(),
            posterior.average_rate(protocol("triangle")).interval(),
        ]
    )


@pytest.mark.parametrize("far", [("triangle", 46, 46), ("triangle", 100, 95), ("triangle", 60, 50)])
def test_a_panel_far_from_the_others_keeps_its_own_d_prime(far):
    # By brute force: theta of the far panel, with the centre and the spread summed over a plain grid and the other
    # panel's theta over a line; nothing of the series is used.
    near = ("triangle", 30, 10)
    theta = (np.arange(700) + 0.5) / 50
    mu, tau = (g.ravel() for g in np.meshgrid(np.arange(0.025, 9, 0.05), np.geomspace(0.02, 4.5, 110), indexing="ij"))
    normal = norm.pdf(theta, mu[:, None], tau[:, None]) + norm.pdf(theta, -mu[:, None], tau[:, None])
    likely = [binom.pmf(x, n, protocol(name).p_correct(theta)) for name, n, x in (far, near)]
    weight = norm.pdf(mu, 0, 1.5) * norm.pdf(tau, 0, 0.5) * tau * (normal @ likely[1])
    cdf = np.cumsum(likely[0] * (weight @ normal))
    expected = np.interp([0.025, 0.5, 0.975], cdf / cdf[-1], theta + 0.01)
    own = pool([counts(*far), counts(*near)])[0].panels()[0]
    assert own.quantile([0.025, 0.5, 0.975]) == pytest.approx(expected, abs=0.01)


@quickly
@given(some_panels(least=2), st.randoms())
def test_order_of_panels_changes_nothing(panels, random):
    shuffled = panels.copy()
    random.shuffle(shuffled)
    first, second = pool(panels), pool(shuffled)
    assert answers(second) == pytest.approx(answers(first), abs=1e-6)
    own = dict(zip(dict.fromkeys(panels), first[0].panels(), strict=True))
    for panel, other in zip(dict.fromkeys(shuffled), second[0].panels(), strict=True):
        assert other.interval() == pytest.approx(own[panel].interval(), abs=1e-6)


@quickly
@given(some_panels(most=3), st.integers(2, 4))
def test_identical_panels_may_be_listed_or_counted(panels, copies):
    distinct = list(dict.fromkeys(panels))
    counted = integrate(distinct, [copies] * len(distinct), Priors())
    listed = integrate(distinct * copies, [1] * (copies * len(distinct)), Priors())
    assert answers(listed) == pytest.approx(answers(counted), abs=1e-6)


@quickly
@given(some_panels(most=4), st.sampled_from(["triangle", "duo-trio", "tetrad"]))
def test_a_panel_without_tastings_changes_nothing(panels, name):
    assert answers(pool([*panels, counts(name, 0, 0)])) == pytest.approx(answers(pool(panels)), abs=1e-6)


@quickly
@given(some_panels(most=4, largest=12))
def test_with_next_to_no_spread_allowed_varying_equals_same(panels):
    for spread_scale in (0.01, 1e-4):
        evidences = pool(panels, Priors(spread_scale=spread_scale))[1]
        assert evidences.varying == pytest.approx(evidences.same, abs=5e-3)


@quickly
@given(some_panels())
def test_answers_agree_between_d_prime_p_c_and_p_d(panels):
    posterior, _ = pool(panels)
    for name in ("triangle", "tetrad"):
        test = protocol(name)
        d, p_c = posterior.next_d_prime, posterior.next_rate(test)
        assert p_c.interval() == pytest.approx([float(test.p_correct(v)) for v in d.interval()], abs=2e-4)
        assert p_c.below(float(test.p_correct(0.5))) == pytest.approx(d.below(0.5), abs=2e-5)
        p_d = p_c.map(test.p_d_from_p)
        assert p_d.mean == pytest.approx((p_c.mean - test.guess) / (1 - test.guess), abs=1e-12)


@quickly
@given(some_panels())
def test_every_distribution_is_one(panels):
    posterior, evidences = pool(panels)
    assert sum(p.share for p in posterior.patches) == pytest.approx(1, abs=1e-10)
    assert evidences.error < 1e-3
    following = [posterior.next_theta, posterior.next_d_prime]
    for found in [posterior.average, posterior.spread, *following, *posterior.panels()]:
        assert found.cdf[0] == pytest.approx(0, abs=1e-9)
        assert found.cdf[-1] == pytest.approx(1, abs=1e-9)
        assert (np.diff(found.cdf) >= 0).all()
        assert (np.diff(found.x) > 0).all()
        low, high = found.interval()
        assert found.x[0] <= low < found.median < high <= found.x[-1]
        assert low < found.mean < found.support[1]


@quickly
@given(some_panels(names=("2-AFC", "3-AFC", "specified tetrad"), most=3))
def test_two_afc_the_other_way_round_mirrors_the_answer(panels):
    tests = [counts("2-AFC", p.tastings, p.correct) for p in panels]
    mirrored = [counts("2-AFC", p.tastings, p.tastings - p.correct) for p in tests]
    one, other = pool(tests), pool(mirrored)
    assert other[1].varying == pytest.approx(one[1].varying, abs=1e-6)
    assert other[0].average.interval() == pytest.approx(one[0].average.interval(), abs=1e-6)
    assert other[0].next_theta.mean == pytest.approx(-one[0].next_theta.mean, abs=1e-6)


def test_a_deliberately_coarse_grid_raises_instead_of_answering():
    panels = REFERENCE["four triangles near chance"]["panels"]
    with pytest.raises(IntegrationError, match=r"did not settle.*no answer is better than a wrong one"):
        pool(panels, nodes=5, doublings=0)
    assert pool(panels, nodes=5, doublings=5)[1].varying == pytest.approx(-9.682444, abs=1e-3)


def test_average_of_a_folded_normal():
    mu, tau = np.array([0.0, 1.0, -1.0, 2.0, 0.3]), np.array([1.0, 0.0, 0.0, 0.5, 1.2])
    z = np.random.default_rng(1).standard_normal(400_000)
    expected = [np.abs(m + t * z).mean() for m, t in zip(mu, tau, strict=True)]
    assert average_d_prime(mu, tau) == pytest.approx(expected, abs=5e-3)


# --- repeat tasters ---------------------------------------------------------------------------------------------------


def table_of(name, p_d, gamma, answers):
    test = protocol(name)
    return taster_probability(test, np.array([float(test.d_prime_from_p_d(p_d))]), gamma, answers)[0]


def test_chance_corrected_beta_binomial_values():
    # triangle, 2 answers, mean 0.3, gamma 0.2, and duo-trio, 5 answers, mean 0.4, gamma 0.3: the pmf of Bi (2006), its
    # values recomputed in exact arithmetic and by simulation
    assert table_of("triangle", 0.3, 0.2, 2) == pytest.approx([0.236444444, 0.460444444, 0.303111111], abs=1e-9)
    assert table_of("duo-trio", 0.4, 0.3, 5)[5] == pytest.approx(0.236243378, abs=1e-9)
    # triangle at p_c = 1/2, 3 of 4 correct, gamma 1/4: 30-digit evaluation of the sum of beta functions
    assert np.log(table_of("triangle", 0.25, 0.25, 4)[3]) == pytest.approx(-1.4542956608845472, abs=1e-12)


@quickly
@given(
    st.sampled_from(["triangle", "duo-trio", "tetrad", "two-out-of-five", "2-AFC", "3-AFC", "specified tetrad"]),
    st.floats(0, 0.999),
    st.integers(1, 40),
)
def test_a_tasters_probabilities_add_up_and_keep_the_mean(name, gamma, answers):
    test = protocol(name)
    theta = np.linspace(-4 if test.directed else 0, 6, 41)
    table = taster_probability(test, theta, gamma, answers)
    assert table.sum(axis=1) == pytest.approx(1, abs=1e-10)
    assert (table >= 0).all()
    assert table @ np.arange(answers + 1) == pytest.approx(answers * test.p_correct(theta), abs=1e-9 * answers)


@quickly
@given(st.sampled_from(["triangle", "2-AFC", "tetrad"]), st.floats(0, 0.999))
def test_one_answer_each_leaves_no_trace_of_overdispersion(name, gamma):
    test = protocol(name)
    theta = np.linspace(-3, 5, 33)
    assert taster_probability(test, theta, gamma, 1)[:, 1] == pytest.approx(test.p_correct(theta), abs=1e-12)
    once = Repeats(test, ((1, 1, 13), (1, 0, 27)))
    assert not once.repeated
    difference = once.log_likelihood(theta, gamma) - Counts(test, 40, 13).log_likelihood(theta)
    assert np.ptp(difference) < 1e-9  # the same but for the number of orders


def test_without_overdispersion_repeats_are_binomial():
    theta = np.linspace(0, 6, 25)
    for name in ("triangle", "duo-trio"):
        p = protocol(name).p_correct(theta)
        for gamma, tolerance in ((0.0, 1e-12), (1e-6, 1e-5)):
            found = taster_probability(protocol(name), theta, gamma, 6)
            assert found == pytest.approx(binom.pmf(np.arange(7), 6, p[:, None]), abs=tolerance)
        total = RepeatedTotal(protocol(name), 5, 20, 9).log_likelihood(theta, 0.0)
        assert np.exp(total) == pytest.approx(binom.pmf(9, 20, p), abs=1e-12)


@pytest.mark.parametrize(("tasters", "tastings", "correct"), [(3, 9, 5), (4, 6, 2), (3, 7, 7), (2, 5, 0), (5, 5, 3)])
def test_a_repeated_total_sums_every_way_to_reach_it(tasters, tastings, correct):
    panel = RepeatedTotal(protocol("triangle"), tasters, tastings, correct)
    theta = np.array([0.3, 1.0, 2.5])
    for gamma in (0.1, 0.6):
        expected = repeats_probability(panel, theta, gamma)
        assert np.exp(panel.log_likelihood(theta, gamma)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("panel", [
    RepeatedTotal(protocol("2-AFC"), 4, 12, 3),
    Repeats(protocol("triangle"), ((3, 3, 2), (3, 1, 4), (2, 0, 2))),
])  # fmt: skip
def test_repeats_below_chance_and_of_unequal_length_are_probabilities(panel):
    theta = np.linspace(-5, 5, 21)
    logs = panel.log_likelihood(theta, 0.4)
    assert np.isfinite(logs).all()
    assert (logs < 0).all()


def test_a_pool_with_repeats_averages_over_overdispersion():
    panels = [
        RepeatedTotal(protocol("triangle"), 4, 12, 7),
        Repeats(protocol("triangle"), ((3, 3, 2), (3, 1, 3), (3, 0, 2))),
        counts("triangle", 30, 15),
    ]
    posterior, evidences = pool(panels)
    x, w = np.polynomial.legendre.leggauss(20)
    brutes = [BruteForce(panels, gamma=(g + 1) / 2, step=0.1, tau_max=3.0, nodes=61) for g in x]
    logs = np.array([b.log_evidence for b in brutes]) + np.log(w / 2)
    expected = np.log(np.exp(logs - logs.max()).sum()) + logs.max()
    assert evidences.varying == pytest.approx(expected, abs=1e-4)
    share = np.exp(logs - expected)
    mean = sum(s * (b.average * b.weight).sum() for s, b in zip(share, brutes, strict=True))
    assert posterior.average.mean == pytest.approx(mean, abs=5e-4)


@pytest.mark.parametrize(("panels", "tastings", "correct"), [(6, 30, 14), (4, 400, 210)])
def test_the_lower_end_of_the_spread_is_that_of_plain_sums(panels, tastings, correct):
    posterior, _ = pool([counts("triangle", tastings, correct)] * panels)
    x, w = np.polynomial.legendre.leggauss(160)
    mu = 1.7 + 1.7 * x  # finely where there is anything, and closer together towards no spread at all
    u = (x + 1) / 2
    tau = 2.2 * u**3
    z, share = np.polynomial.hermite_e.hermegauss(61)
    theta = np.abs(mu[:, None, None] + tau[None, :, None] * z)
    likelihood = binom.pmf(correct, tastings, protocol("triangle").p_correct(theta)) @ share
    density = likelihood**panels * norm.pdf(mu, 0, USUAL.centre_scale)[:, None] * norm.pdf(tau, 0, USUAL.spread_scale)
    of_tau = w @ density
    whole = of_tau @ (w / 2 * 6.6 * u**2)
    low = posterior.spread.quantile(0.025)
    y, v = np.polynomial.legendre.leggauss(20)
    below = v @ CubicSpline(tau, of_tau)(low * (y + 1) / 2) * low / 2
    assert below / whole == pytest.approx(0.025, abs=1e-4)


def test_overdispersions_of_very_different_widths_share_their_nodes_and_are_still_integrated():
    triangle = protocol("triangle")  # tasters of 30 answers each: all alike, they say 30 times as much as all unlike
    panels = [Repeats(triangle, ((30, 17, 3), (30, 19, 4))), Repeats(triangle, ((30, 22, 4), (30, 14, 2)))]
    posterior, evidences = pool(panels)
    assert len({id(patch.mu) for patch in posterior.patches}) == 1
    gammas, shares = overdispersions(panels)
    each = [cover([Series.build(panels, [1, 1], float(g))], np.ones(1), USUAL) for g in gammas]
    logs = np.array([one.log_evidence for one in each]) + np.log(shares)
    expected = np.log(np.exp(logs - logs.max()).sum()) + logs.max()
    assert evidences.varying == pytest.approx(expected, abs=1e-6)
    averages = [Posterior(one.patches, "grid").average for one in each]
    for x in np.linspace(0.3, 2.5, 12):
        cdf = np.exp(logs - expected) @ [average.below(x) for average in averages]
        assert posterior.average.below(x) == pytest.approx(cdf, abs=1e-6)


# --- extremes ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("panels", [
    [counts("triangle", 40, 0)] * 3,
    [counts("tetrad", 60, 60)] * 4,
    [counts("2-AFC", 60, 0)] * 4,
    [counts("2-AFC", 60, 60), counts("2-AFC", 60, 0)],
    [counts("triangle", 1, 1)],
    [counts("triangle", 1, 0)],
    [counts("triangle", 0, 0)],
    [counts("2-AFC", 0, 0)],
    pytest.param([counts("tetrad", 5000, 5000), counts("triangle", 20, 8)], marks=pytest.mark.lab),
    [counts("tetrad", 20_000, 9_000), counts("triangle", 20, 8)],
    [counts("tetrad", 40_000, 18_000)] * 3,
    [counts("duo-trio", 2000, 1000), counts("duo-trio", 2000, 1900)],
    [counts("triangle", 30, 14)] * 500,
    [TwoCounts(protocol("A-not-A"), 40, 40, 40, 0)],
    pytest.param(
        [TwoCounts(protocol("same-different"), 40, 40, 40, 0), TwoCounts(protocol("A-not-A"), 20, 0, 20, 20)],
        marks=pytest.mark.lab,
    ),
])  # fmt: skip
def test_extreme_counts_give_finite_answers(panels):
    result = pool(panels)
    found = answers(result)
    assert np.isfinite(found).all()
    for own in result[0].panels():
        low, high = own.interval()
        assert -14 <= low < high <= 14
        assert np.isfinite(own.mean)


@pytest.mark.parametrize("name", ["triangle", "2-AFC"])
def test_no_tastings_at_all_return_the_prior(name):
    posterior, evidences = pool([counts(name, 0, 0)])
    assert (evidences.none, evidences.same) == pytest.approx((0, 0), abs=1e-6)
    assert evidences.varying == pytest.approx(0, abs=1e-6)
    # next panel: mu and tau of the prior; its second moment is 1.5**2 + 0.5**2
    theta = posterior.next_theta
    middles, share = (theta.x[1:] + theta.x[:-1]) / 2, np.diff(theta.cdf)
    assert share @ middles**2 == pytest.approx(1.5**2 + 0.5**2, rel=1e-3)
    assert posterior.spread.quantile(TAILS) == pytest.approx(0.5 * norm.ppf((1 + np.array(TAILS)) / 2), abs=1e-3)


def test_narrow_priors_give_a_smooth_next_panel():
    posterior, _ = pool([counts("triangle", 10, 4)], Priors(centre_scale=0.05, spread_scale=0.02))
    # the data say next to nothing here, so the next panel is close to its prior: |Normal(0, ~0.054)|
    assert posterior.next_d_prime.quantile(0.95) == pytest.approx(0.1056, abs=0.004)
    assert posterior.next_d_prime.below(0.3) == pytest.approx(1, abs=1e-4)


def test_a_panel_that_belongs_nowhere_is_seen_to_hit_the_floor():
    usual = [counts("tetrad", 2000, 700)] * 30
    ordinary, _ = pool(usual)
    assert ordinary.floored().max() == 0
    strange, _ = pool([*usual, counts("tetrad", 5000, 5000)], Priors(spread_scale=0.01))
    assert strange.floored()[-1] > 0.5
    assert strange.floored()[0] < 0.5


def test_too_many_tastings_in_one_panel_are_refused():
    with pytest.raises(ValueError, match=r"200,000 tastings.*split the panel"):
        pool([counts("triangle", 200_000, 100_000)])


def test_series_is_exact_between_its_nodes():
    for panel in (counts("triangle", 40, 13), counts("tetrad", 5000, 2475), counts("2-AFC", 60, 20)):
        series = Series.build([panel], [1])
        for mu, tau in ((0.3, 0.0), (1.01, 0.02), (0.7, 0.4)):
            z = np.linspace(-9, 9, 20_001)
            expected = likelihood_of(panel)(mu + tau * z) @ norm.pdf(z) * (z[1] - z[0])
            found = series.log_likelihood(np.array([mu]), np.array([tau]))
            assert np.exp(found)[0] == pytest.approx(expected, rel=1e-6, abs=1e-13)


# --- priors and distributions -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("wrong", [0, -1, 6, float("nan"), float("inf"), "wide", None])
def test_priors_out_of_range_are_named(wrong):
    with pytest.raises(ValueError, match="spread_scale"):
        Priors(spread_scale=wrong)
    with pytest.raises(ValueError, match=r"centre_scale = .*slope_scale = .*defaults \(1.5, 0.5, 0.5\)"):
        Priors(centre_scale=wrong, slope_scale=wrong)


def test_a_distribution_of_draws_reads_like_the_draws():
    draws = np.random.default_rng(1).normal(1.0, 0.5, (4, 2500))
    found = Distribution.from_draws(draws)
    assert found.mean == pytest.approx(draws.mean(), abs=1e-12)
    assert found.sd == pytest.approx(draws.std(), rel=1e-3)
    assert found.interval(0.9) == pytest.approx(np.quantile(draws, [0.05, 0.95]), abs=1e-3)
    assert found.below(1.2) == pytest.approx((draws < 1.2).mean(), abs=1e-3)
    assert found.density([1.0, 99.0]) == pytest.approx([norm.pdf(0) / 0.5, 0], rel=0.1)


def test_a_distribution_from_a_density_is_that_of_scipy():
    x = np.linspace(-6, 8, 401)
    found = Distribution.from_density(x, 7 * norm.pdf(x, 1, 0.7))
    assert found.quantile(TAILS) == pytest.approx(norm.ppf(TAILS, 1, 0.7), abs=1e-3)
    assert (found.mean, found.sd) == pytest.approx((1, 0.7), abs=2e-3)
    mapped = found.map(np.exp)
    assert mapped.quantile(TAILS) == pytest.approx(np.exp(norm.ppf(TAILS, 1, 0.7)), rel=2e-3)
    both = Distribution.mixture([found, Distribution.from_density(x, norm.pdf(x, 3, 0.7))], [1, 3])
    assert both.mean == pytest.approx(2.5, abs=2e-3)
    assert both.below(2.0) == pytest.approx(0.25 * norm.cdf(2, 1, 0.7) + 0.75 * norm.cdf(2, 3, 0.7), abs=1e-4)


def test_a_point_mass_stays_one_when_a_distribution_is_mapped():
    flat = Distribution(np.linspace(-1, 1, 201), np.linspace(0, 1, 201))
    cut = flat.map(lambda x: np.clip(x, 0, 0.5))  # by hand: half of it at 0, a quarter at .5, even in between
    assert cut.quantile([0.1, 0.499, 0.6, 0.75, 0.9]) == pytest.approx([0, 0, 0.2, 0.5, 0.5])
    assert cut.above(0) == pytest.approx(0.5)
    assert cut.below(0.25) == pytest.approx(0.625)
    assert cut.mean == pytest.approx(0.25 * 0.25 + 0.25 * 0.5, abs=1e-4)
    again = Distribution.mixture([cut, cut], [1, 1])
    assert again.interval(0.5) == pytest.approx((0, 0.5), abs=0.01)  # to a step of the grid


@pytest.mark.parametrize("prob", [0, 1, 95])
def test_an_interval_needs_a_probability(prob):
    with pytest.raises(ValueError, match="between 0 and 1"):
        Distribution(np.array([0.0, 1.0]), np.array([0.0, 1.0])).interval(prob)


def test_nothing_to_taste_has_the_chance_of_plain_guessing_however_often_people_repeat():
    # where nobody can taste anything all answers are guesses, whatever tasters could differ by: binomials of SciPy's
    triangle = protocol("triangle")
    repeated = RepeatedTotal(triangle, 8, 24, 10)
    evidences = pool([repeated, counts("triangle", 30, 12)])[1]
    plain = binom.logpmf(10, 24, 1 / 3) + binom.logpmf(12, 30, 1 / 3)
    assert evidences.none == pytest.approx(plain, abs=1e-8)


def test_a_taster_who_cannot_miss_is_wrong_as_rarely_as_the_protocol_says():
    # one answer: wrong with the protocol's own chance, which far out is far smaller than what 1 - p can hold
    for name in ("triangle", "2-AFC", "tetrad"):
        test = protocol(name)
        d = np.array([14.0, 18.0])
        wrong = taster_probability(test, d, 0.3, 1)[:, 0]
        assert wrong == pytest.approx(test.p_wrong(d), rel=1e-9, abs=0)


def test_a_density_given_at_few_points_loses_little():
    # the normal distribution at 21 points; without its end correction the trapezoid misses its cdf by 0.005
    x = np.linspace(-5, 5, 21)
    found = Distribution.from_density(x, norm.pdf(x))
    assert found.cdf == pytest.approx(norm.cdf(x), abs=1.5e-3)


def test_rates_averaged_over_panels_are_integrals_over_the_normal():
    for name in ("triangle", "2-AFC", "tetrad"):
        test = protocol(name)
        mu, tau = np.array([0.0, 0.7, 2.5]), np.array([0.4, 1.2, 0.05])
        z = np.linspace(-10, 10, 20001)
        rate = test.p_correct(np.abs(mu[:, None] + tau[:, None] * z)) @ norm.pdf(z) * (z[1] - z[0])
        kink = 1e-3 if test.directed else 2e-6  # the size of a signed d-prime has a corner at 0, between two nodes
        assert average_p_correct(test, False)(mu, tau) == pytest.approx(rate, abs=kink)


def test_the_mean_of_cells_that_begin_in_the_middle_of_a_density_is_corrected_for_them():
    edges = np.linspace(0, 8, 33)
    share = norm.pdf((edges[1:] + edges[:-1]) / 2)
    assert _mean(edges, share / share.sum()) == pytest.approx(np.sqrt(2 / np.pi), abs=1e-4)
