"""What draws say of panels: against plain numerical integrals, the stated priors and the moments of known counts."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, Series, TwoCounts
from metasense.engine.pointwise import Model, Shared, simulated
from metasense.engine.priors import EarlierPriors, Priors
from metasense.protocols import protocol

TRIANGLE = protocol("triangle")
REPEATS = Repeats(TRIANGLE, ((3, 3, 2), (3, 1, 4), (1, 1, 2)))


def integrated(evidence, centre, spread, gamma):
    """The panel's likelihood averaged over its own d-prime, by adaptive quadrature."""

    def at(theta):
        own = theta if evidence.protocol.directed else abs(theta)
        return float(np.exp(evidence.log_likelihood(np.array([own]), gamma))[0]) * norm.pdf(theta, centre, spread)

    return quad(at, centre - 9 * spread, centre + 9 * spread, points=[0.0], epsabs=1e-13, limit=200)[0]


@pytest.mark.parametrize(
    "evidence",
    [
        (Counts(TRIANGLE, 24, 12), Counts(protocol("tetrad"), 30, 11)),
        (Counts(protocol("2-AFC"), 20, 6), TwoCounts(protocol("A-not-A"), 20, 14, 20, 6), Counts(TRIANGLE, 24, 12)),
        (REPEATS, RepeatedTotal(TRIANGLE, 8, 20, 9), Counts(TRIANGLE, 24, 12)),
    ],
    ids=["plain", "directed and two counts", "repeats"],
)
def test_log_likelihood_is_the_integral_over_the_panels_own_d_prime(evidence):
    gammas = (0.2, 0.6) if any(e.repeated for e in evidence) else (0.0,)
    series = tuple(Series.build(evidence, np.ones(len(evidence)), gamma) for gamma in gammas)
    rng = np.random.default_rng(3)
    draws = 4
    panel = np.array([*range(len(evidence)), 0])
    row = np.array([0, 1] * 2)[: len(panel)]
    centre, within = rng.normal(1.2, 0.4, (draws, 2)), rng.uniform(0.2, 0.9, draws)
    which = np.arange(draws) % len(series)
    shared = Shared(series, which, panel, centre, row, within)
    found = np.exp(shared.log_likelihood())
    for d in range(draws):
        for i, (p, r) in enumerate(zip(panel, row, strict=True)):
            expected = integrated(evidence[p], centre[d, r], within[d], gammas[which[d]])
            assert found[d, i] == pytest.approx(expected, rel=1e-7), (d, i)


def test_counts_of_single_answers_are_binomial_at_their_rate():
    theta = np.full((40_000, 2), 1.5)
    found = simulated(
        [Counts(TRIANGLE, 24, 0), Counts(protocol("tetrad"), 10, 0)], theta, np.zeros(40_000), np.random.default_rng(1)
    )
    for column, (test, size) in enumerate((("triangle", 24), ("tetrad", 10))):
        known = binom(size, float(protocol(test).p_correct(1.5)))
        values = found["correct"][:, column]
        assert values.mean() == pytest.approx(known.mean(), abs=4.5 * known.std() / 200)
        assert values.var() == pytest.approx(known.var(), rel=0.04)


def test_counts_of_repeat_tasters_spread_as_a_guess_corrected_beta_binomial():
    """Var of one taster's y of r: with rate g + (1-g) B, B ~ Beta of mean m and variance gamma m (1-m), by iterated
    expectation r (p - p^2) + r (r-1) (1-g)^2 gamma m (1-m)."""
    gamma, r, tasters = 0.5, 5, 4
    p = float(TRIANGLE.p_correct(1.5))
    m = float(TRIANGLE.p_d(1.5))
    variance = tasters * (r * p * (1 - p) + r * (r - 1) * (2 / 3) ** 2 * gamma * m * (1 - m))
    evidence = RepeatedTotal(TRIANGLE, tasters, r * tasters, 3)
    size = 40_000
    values = simulated([evidence], np.full((size, 1), 1.5), np.full(size, gamma), np.random.default_rng(2))["correct"]
    assert values.mean() == pytest.approx(r * tasters * p, abs=4.5 * np.sqrt(variance / size))
    assert values.var() == pytest.approx(variance, rel=0.04)


def test_two_counts_come_from_the_protocols_own_rule():
    test = protocol("A-not-A")
    size = 6000
    found = simulated(
        [TwoCounts(test, 20, 1, 30, 1)], np.full((size, 1), 1.0), np.zeros(size), np.random.default_rng(3)
    )
    assert set(found) == {"hits", "false_alarms"}
    # the criterion lies d/2 + z, z standard normal: a hit has Phi((1 - 1/2) / sqrt 2) and a false alarm the rest of 1
    rate = norm.cdf(0.5 / np.sqrt(2))
    assert found["hits"].mean() == pytest.approx(20 * rate, abs=4.5 * found["hits"].std() / np.sqrt(size))
    assert found["false_alarms"].mean() == pytest.approx(
        30 * (1 - rate), abs=4.5 * found["false_alarms"].std() / np.sqrt(size)
    )


def test_prior_draws_are_of_the_stated_prior():
    evidence, size, rng = [Counts(TRIANGLE, 24, 12)] * 4, 50_000, np.random.default_rng(4)
    priors = Priors(1.2, 0.4, 0.3)
    x = np.array([[-1.0], [0.0], [0.5], [0.5]])
    found = Model(evidence, priors, np.ones(4), x, np.array([0, 0, 1, 1])).prior(size, rng)
    half = np.sqrt(2 / np.pi)
    error = 4.5 / np.sqrt(size)
    assert found["mu"].mean() == pytest.approx(1.2 * half, abs=1.2 * error)
    assert found["between"].mean() == pytest.approx(0.4 / np.sqrt(2) * half, abs=0.4 * error)
    assert np.mean(found["tau"] ** 2) == pytest.approx(0.4**2, rel=0.05)  # both together as wide as one without groups
    assert found["beta"].std() == pytest.approx(0.3, rel=0.03)
    one_sided = Model(evidence, priors, np.ones(4), x, one_sided=True)
    cut = one_sided.prior(5000, rng)
    assert len(cut["mu"]) == 5000 and (one_sided.centres(cut) >= 0).all()
    directed = [Counts(protocol("2-AFC"), 24, 12)]
    earlier = EarlierPriors(0.3, 0.4, centre_at=1.5, earlier="an earlier pool", odds=(0.2, 0.3, 0.5), way=0.8)
    mu = Model.plain(directed, earlier).prior(size, rng)["mu"]
    assert np.mean(mu > 0) == pytest.approx(0.8, abs=error)
    assert np.abs(mu).mean() == pytest.approx(1.5, abs=0.01)


def test_log_prior_is_that_of_the_stated_densities():
    evidence = [Counts(TRIANGLE, 24, 12)] * 2
    unknown = {name: np.array([0.3, 0.7]) for name in ("mu", "tau", "between", "within")} | {
        "beta": np.array([[0.1], [-0.4]])
    }
    found = Model(evidence, Priors(), np.ones(2), np.ones((2, 1)), np.array([0, 1])).log_prior(unknown)
    assert set(found) == {"mu", "beta", "between", "within"}
    assert found["mu"] == pytest.approx(norm.logpdf([0.3, 0.7], 0, 1.5) + np.log(2))
    assert found["within"] == pytest.approx(norm.logpdf([0.3, 0.7], 0, 0.5 / np.sqrt(2)) + np.log(2))
    assert found["beta"] == pytest.approx(norm.logpdf([[0.1], [-0.4]], 0, 0.5))
    plain = Model.plain(evidence, Priors()).log_prior(unknown | {"beta": np.zeros((2, 0))})
    assert plain["tau"] == pytest.approx(norm.logpdf([0.3, 0.7], 0, 0.5) + np.log(2)) and set(plain) == {"mu", "tau"}


def test_d_primes_of_the_prior_share_the_deviation_of_their_group():
    evidence, size = [RepeatedTotal(TRIANGLE, 8, 20, 9)] * 3, 20_000
    model = Model(evidence, Priors(), np.ones(3), np.zeros((3, 0)), np.array([0, 0, 1]))
    rng = np.random.default_rng(5)
    unknown = {name: np.full(size, value) for name, value in (("mu", 1.0), ("between", 0.6), ("within", 0.2))}
    theta, gamma = model.believed(unknown | {"beta": np.zeros((size, 0))}, rng)
    together, apart = np.corrcoef(theta[:, 0], theta[:, 1])[0, 1], np.corrcoef(theta[:, 0], theta[:, 2])[0, 1]
    assert together == pytest.approx(0.36 / 0.40, abs=0.01) and apart == pytest.approx(0, abs=0.04)
    assert gamma.mean() == pytest.approx(0.5, abs=0.01) and gamma.min() >= 0 and gamma.max() < 1
