"""One turn of the chains leaves the posterior as it is."""

import numpy as np
import pytest
from engine.test_crossed import sitters
from scipy.stats import beta, norm

from metasense.engine.crossed_draws import Given, Walk
from metasense.engine.grid import log_prior
from metasense.engine.likelihood import REACH
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime

GAMMAS, SHARES = np.array([0.1, 0.3, 0.5, 0.7, 0.9]), np.full(5, 0.2)


def walk(found, chains, seed=1):
    rng = np.random.default_rng(seed)
    mu, tau = np.abs(rng.normal(0, 1.5, chains)), np.abs(rng.normal(0, 0.5, chains))
    theta = rng.normal(mu[:, None], tau[:, None], (chains, len(found.protocols)))
    return Walk(found, Priors(), GAMMAS, SHARES, (mu, tau, rng.integers(0, 5, chains), theta), rng)


def simulated(begun, people, rng):
    """Answers of people who tasted at the states of the chains, one set a chain."""
    correct = []
    for which, theta in zip(begun.which, begun.theta, strict=True):
        u = rng.random(people)
        rates = []
        for d in theta:
            p_d = float(np.clip(begun.sitters.protocols[0].p_d(abs(d)), 1e-9, 1 - 1e-9))
            gamma = GAMMAS[which]
            rates.append(1 / 3 + 2 / 3 * beta.ppf(u, p_d * (1 - gamma) / gamma, (1 - p_d) * (1 - gamma) / gamma))
        correct.append((rng.random((people, len(theta))) < np.array(rates).T).astype(int))
    return correct


def test_prior_draws_and_their_answers_stay_prior_draws_after_a_turn():
    """Geweke (2004), cited from memory: truths from the prior, answers from them, one turn given the answers."""
    rng = np.random.default_rng(8)
    begun = walk(sitters(np.zeros((3, 2), int)), 200)
    before, after, gammas = [], [], []
    for chain, correct in enumerate(simulated(begun, 3, rng)):
        one = begun.beside(begun.mu[[chain]].copy(), begun.which[[chain]].copy(), begun.theta[[chain]].copy())
        one.sitters, one.tau = sitters(correct), begun.tau[[chain]].copy()
        one.lay(GAMMAS, SHARES)
        before.append(average_d_prime(one.mu, one.tau)[0])
        for _ in range(2):
            one.turn()
        after.append(average_d_prime(one.mu, one.tau)[0])
        gammas.append(GAMMAS[one.which[0]])
    drift = np.array(after) - np.array(before)
    assert abs(drift.mean()) < 4 * drift.std() / np.sqrt(len(drift))
    assert np.mean(gammas) == pytest.approx(0.5, abs=4 * 0.2828 / np.sqrt(200))


def test_draws_are_kept_together_whatever_cosines_they_needed():
    small = Given(np.ones((2, 3, 4)), np.zeros((2, 3)), np.zeros(2, int), np.zeros(2), np.zeros((2, 5), np.uint8))
    large = Given(np.ones((1, 3, 6)), np.zeros((1, 3)), np.ones(1, int), np.zeros(1), np.zeros((1, 5), np.uint8))
    both = Given.together([small, large])
    assert both.coefficients.shape == (3, 3, 6)
    assert both.coefficients[:2, :, 4:].max() == 0
    assert both.rows(slice(2, 3)).which.tolist() == [1]


def test_the_integral_of_one_d_prime_is_what_narrow_spreads_come_to():
    """Given the standings, the likelihood with hardly any spread, summed over centres, is that of one d-prime."""
    found = walk(sitters([[1, 1], [0, 1], [1, 0], [1, 1]]), 3)
    given = found.turn()
    mu = np.linspace(0, 14, 4001)
    for chain in range(3):
        rows = np.full(len(mu), chain)
        logs = found._of_panels(given.rows(rows), mu, np.full(len(mu), 1e-4))
        prior = log_prior(mu, np.zeros(len(mu)), Priors(), False) - np.log(2 / (np.sqrt(2 * np.pi) * 0.5))
        total = np.log(np.exp(logs + prior).sum() * (mu[1] - mu[0]))
        assert given.same[chain] == pytest.approx(total, abs=2e-3)


def test_given_the_standings_a_panel_is_averaged_over_the_spread_by_a_plain_sum():
    found = walk(sitters([[1, 1], [0, 1], [1, 0]]), 3)
    given = found.turn()
    mu, tau = np.array([0.4, 1.0, 2.0]), np.array([0.3, 0.8, 0.5])
    z = np.linspace(-7, 7, 281)
    theta = mu[:, None] + tau[:, None] * z
    cosines = np.cos(theta[:, :, None] * np.pi / REACH * np.arange(given.coefficients.shape[2]))
    likelihood = np.einsum("nkt,nzt->nkz", given.coefficients, cosines)
    plain = np.log(likelihood @ norm.pdf(z) * 0.05).sum(axis=1)
    assert found._of_panels(given, mu, tau) == pytest.approx(plain, abs=1e-6)
