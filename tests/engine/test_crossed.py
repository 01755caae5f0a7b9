"""People who sit in several panels, against plain sums over d-primes, standings and overdispersions."""

import numpy as np
import pytest
from scipy.special import betainc, expit, ndtr, ndtri
from scipy.stats import beta, binom

from metasense.engine.crossed import Sitters, answers_table, quantile_logits, rule
from metasense.engine.likelihood import Counts, Repeats, taster_probability
from metasense.protocols import forced_choice

TRIANGLE = forced_choice("triangle")


def sitters(correct, answers=None, protocols="triangle", rho=1.0, nodes=32):
    """Everybody in every panel; shapes (people, panels)."""
    correct = np.asarray(correct)
    answers = np.ones_like(correct) if answers is None else np.asarray(answers)
    panels = correct.shape[1]
    tests = [forced_choice(p) for p in ([protocols] * panels if isinstance(protocols, str) else protocols)]
    rows, copies = np.unique(np.hstack([answers, correct]), axis=0, return_counts=True)
    whole = tuple(of_panel(test, answers[:, i], correct[:, i]) for i, test in enumerate(tests))
    patterns = rows[:, :panels], rows[:, panels:]
    return Sitters(tuple(tests), *patterns, copies, (None,) * panels, whole, rho=rho, nodes=nodes)


def of_panel(test, answers, correct):
    """A panel as it enters where nobody is known to have sat in another."""
    here = answers > 0
    pairs, copies = np.unique(np.stack([answers[here], correct[here]], axis=1), axis=0, return_counts=True)
    if answers.max() == 1:
        return Counts(test, int(here.sum()), int(correct[here].sum()))
    return Repeats(test, tuple((int(r), int(y), int(m)) for (r, y), m in zip(pairs, copies, strict=True)))


class Sums:
    """The posterior by plain sums: midpoints in d-primes and standings, quantiles by interpolating `betainc`."""

    def __init__(self, correct, answers, protocols, rho, points=56, standings=300, gammas=14):
        self.correct, self.answers = np.asarray(correct), np.asarray(answers)
        self.tests = [forced_choice(p) for p in protocols]
        self.signed = any(t.directed for t in self.tests)
        self.step = 9.0 / points
        theta = (np.arange(points) + 0.5) * self.step
        self.theta = np.concatenate([-theta[::-1], theta]) if self.signed else theta
        self.u = (np.arange(standings) + 0.5) / standings
        self.rho = rho
        x, w = np.polynomial.legendre.leggauss(gammas)
        self.gammas, self.shares = (x + 1) / 2, w / 2
        self.logit = np.linspace(-40, 40, 4001)

    def rates(self, test, gamma):
        """Chance of a right answer, shape (theta, standings)."""
        out = []
        for p in test.p_correct(self.theta):
            below = p < test.guess
            mean = (test.guess - p) / test.guess if below else (p - test.guess) / (1 - test.guess)
            mean = np.clip(mean, 1e-12, 1 - 1e-12)
            cdf = betainc(mean * (1 - gamma) / gamma, (1 - mean) * (1 - gamma) / gamma, expit(self.logit))
            able = expit(np.interp(self.u, cdf, self.logit))
            out.append(test.guess - test.guess * able if below else test.guess + (1 - test.guess) * able)
        return np.array(out)

    def likelihood(self, gamma):
        """Of the answers at every combination of the panels' d-primes."""
        rates = [self.rates(test, gamma) for test in self.tests]
        z = ndtri(self.u)
        out = np.ones([len(self.theta)] * len(self.tests))
        for r, y in zip(self.answers, self.correct, strict=True):
            each = []
            for panel, p in enumerate(rates):
                chance = binom.pmf(y[panel], r[panel], p)
                if self.rho == 0:
                    chance = np.repeat(chance.mean(axis=1, keepdims=True), len(z), axis=1)
                elif self.rho < 1:
                    far = (z - np.sqrt(self.rho) * z[:, None]) ** 2 / (1 - self.rho) - z**2
                    weight = np.exp(-far / 2)
                    chance = chance @ (weight / weight.sum(axis=1, keepdims=True)).T
                each.append(chance)
            letters = "abc"[: len(each)]
            pattern = ",".join(f"{letter}u" for letter in letters) + "->" + letters
            out *= np.einsum(pattern, *each, optimize=True) / len(z)
        return out

    def average(self, centre=1.5, spread=0.5):
        """Average d-primes and their cumulative probabilities; the mean and SD."""
        edge = self.step / 2
        t = (np.arange(120) + 0.5) * 0.05
        x, w = np.polynomial.legendre.leggauss(24)
        angle, weight = (x + 1) * np.pi / 4, w * np.pi / 4
        if self.signed:
            angle, weight = np.concatenate([angle, np.pi - angle]), np.concatenate([weight, weight])
        cosine, sine = np.cos(angle), np.sin(angle)
        ratio = np.abs(cosine) / sine
        h = sine * np.sqrt(2 / np.pi) * np.exp(-(ratio**2) / 2) + np.abs(cosine) * (2 * ndtr(ratio) - 1)
        mu, tau = np.multiply.outer(t, cosine / h).ravel(), np.multiply.outer(t, sine / h).ravel()
        density = np.exp(-0.5 * (mu / centre) ** 2 - 0.5 * (tau / spread) ** 2)
        density *= np.multiply.outer(t, weight / h**2).ravel()
        above, below = (
            (self.theta + edge - mu[:, None]) / tau[:, None],
            (self.theta - edge - mu[:, None]) / tau[:, None],
        )
        inside = ndtr(above) - ndtr(below)
        if not self.signed:
            inside += ndtr((self.theta + edge + mu[:, None]) / tau[:, None])
            inside -= ndtr((self.theta - edge + mu[:, None]) / tau[:, None])
        whole = sum(s * self.likelihood(g) for g, s in zip(self.gammas, self.shares, strict=True))
        letters = "abc"[: whole.ndim]
        value = np.empty(len(mu))
        for part in np.array_split(np.arange(len(mu)), 40):
            near = [inside[part]] * whole.ndim
            value[part] = np.einsum(",".join(["abc"[: whole.ndim], *(f"m{x}" for x in letters)]) + "->m", whole, *near,
                                    optimize=True)  # fmt: skip
        mass = (value * density).reshape(len(t), -1).sum(axis=1)
        mass /= mass.sum()
        mean = mass @ t
        return (
            np.concatenate([[0.0], t + 0.025]),
            np.concatenate([[0.0], np.cumsum(mass)]),
            mean,
            np.sqrt(mass @ (t - mean) ** 2),
        )


@pytest.mark.parametrize("gamma", [0.005, 0.1, 0.4, 0.8])
def test_quantiles_are_those_of_the_beta_distribution(gamma):
    mean = np.array([0.02, 0.3, 0.77])
    at = rule(16)
    found = expit(quantile_logits(mean, 1 - mean, gamma, at))
    for row, m in zip(found, mean, strict=True):
        a, b = m * (1 - gamma) / gamma, (1 - m) * (1 - gamma) / gamma
        inside = (row > 1e-5) & (row < 1 - 1e-9)
        assert np.allclose(beta.cdf(row[inside], a, b), at.u[inside], atol=2e-5)


@pytest.mark.parametrize("name", ["triangle", "duo-trio", "tetrad", "2-AFC"])
@pytest.mark.parametrize("rho", [0.3, 1.0])
def test_the_margin_of_a_panel_is_the_guess_corrected_beta_binomial_whatever_the_correlation(name, rho):
    test = forced_choice(name)
    kinds = tuple((4, y) for y in range(5))
    table = answers_table(test, kinds, 0.3, rho, 192, test.directed, 32)
    averaged = np.exp(table) @ rule(32).weight
    axis = sitters([[1]], protocols=name).axis
    expected = taster_probability(test, axis, 0.3, 4)
    assert np.abs(averaged - expected).max() < 3e-4


def test_the_likelihood_is_the_product_over_people_of_sums_over_standings():
    correct, answers = [[1, 2], [0, 1], [1, 0]], [[1, 2], [1, 2], [1, 2]]
    sums = Sums(correct, answers, ["triangle", "tetrad"], 1.0, points=8, standings=4000)
    found = sitters(correct, answers, ["triangle", "tetrad"])
    gammas = np.array([0.08, 0.35, 0.7])
    for g, gamma in enumerate(gammas):
        brute = np.log(np.maximum(sums.likelihood(gamma), 1e-300))
        theta = np.stack([a.ravel() for a in np.meshgrid(sums.theta, sums.theta, indexing="ij")], axis=1)
        ours = found.log_likelihoods(theta, gammas, np.full(len(theta), g)).reshape(brute.shape)
        near = brute > brute.max() - 7  # farther off, midpoints miss the few who slip
        assert (
            np.abs(ours - brute)[near].max() < 2e-2
        )  # straight lines between points of the axis, midpoints in the sums


def test_twice_the_nodes_of_a_standing_change_next_to_nothing_unless_nearly_everybody_is_all_or_nothing():
    rng = np.random.default_rng(3)
    found = sitters((rng.random((20, 12)) < 0.55).astype(int))
    theta, gammas = np.abs(rng.normal(1.2, 0.5, (40, 12))), np.array([0.05, 0.4, 0.9])
    for g, allowed in enumerate([1e-4, 1e-4, 0.3]):  # where gamma is large, quantiles are steps
        which = np.full(40, g)
        once = found.log_likelihoods(theta, gammas, which)
        assert np.abs(found.log_likelihoods(theta, gammas, which, 64) - once).max() < allowed


def test_people_alike_are_one_pattern_and_count_as_many():
    gammas, which = np.array([0.3]), np.zeros(2, int)
    theta = np.array([[0.5, 1.0], [2.0, 0.3]])
    together = sitters([[1, 0]] * 3 + [[1, 1]]).log_likelihoods(theta, gammas, which)
    one, other = (sitters([row]).log_likelihoods(theta, gammas, which) for row in ([1, 0], [1, 1]))
    assert together == pytest.approx(3 * one + other, abs=1e-12)


def test_new_people_each_time_make_todays_likelihood():
    correct, answers = np.array([[1, 2], [0, 1], [1, 0]]), np.array([[1, 2], [1, 2], [1, 2]])
    found = sitters(correct, answers, rho=0.0)
    theta = np.array([[0.6, 1.4], [2.1, 0.2]])
    ours = found.log_likelihoods(theta, np.array([0.3]), np.zeros(2, int)) + found.constant.sum()
    todays = sum(e.log_likelihood(theta[:, i], 0.3) for i, e in enumerate(found.whole))
    assert ours == pytest.approx(todays, abs=2e-3)
