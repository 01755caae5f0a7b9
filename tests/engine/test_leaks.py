"""Panels whose answers come right by other ways: told, or guessing at another rate."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binom

from metasense.engine.leaks import SomeTold, guessed, told, with_guess_rate, with_told
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, TwoCounts, taster_probability
from metasense.protocols import protocol

D = np.array([0.0, 0.4, 1.0, 2.5])
TRIANGLE, TWO = protocol("triangle"), protocol("2-AFC")


@pytest.mark.parametrize("name", ["triangle", "duo-trio", "tetrad", "3-AFC", "2-AFC"])
def test_another_guess_rate_keeps_p_d(name):
    test = protocol(name)
    other = with_guess_rate(test, 0.45)
    assert other.p_correct(0.0) == pytest.approx(0.45)
    assert other.p_d(D) == pytest.approx(test.p_d(D), abs=1e-14)  # Abbott's formula, either way
    assert other.p_correct(D) + other.p_wrong(D) == pytest.approx(1.0, abs=1e-14)
    step = 1e-6
    assert other.slope(D + 0.1) == pytest.approx(
        (other.p_correct(D + 0.1 + step) - other.p_correct(D + 0.1)) / step, abs=1e-5
    )


def test_the_same_guess_rate_is_the_protocol_again_below_chance_too():
    d = np.array([-3.0, -1.0, 0.0, 1.0])
    assert with_guess_rate(TWO, 0.5).p_correct(d) == pytest.approx(TWO.p_correct(d), abs=1e-15)
    assert with_guess_rate(TWO, 0.6).p_correct(-40.0) == pytest.approx(0.0, abs=1e-12)


def test_told_tasters_are_right_and_the_others_taste():
    # of 100,000 tasters 15 % are told; the others follow the triangle's rule on simulated percepts
    rng = np.random.default_rng(3)
    right = TRIANGLE.simulate(1.2, 100_000, rng) | (rng.random(100_000) < 0.15)
    assert with_told(TRIANGLE, 0.15).p_correct(1.2) == pytest.approx(right.mean(), abs=4 * 0.5 / np.sqrt(100_000))


def test_counts_are_binomial_at_the_altered_rate():
    panel = Counts(TRIANGLE, 24, 13)
    p = 0.1 + 0.9 * TRIANGLE.p_correct(D)
    assert told(panel, 0.1).log_likelihood(D, 0.0) == pytest.approx(binom.logpmf(13, 24, p), abs=1e-10)
    p = 0.4 + 0.6 * TRIANGLE.p_d(D)
    assert guessed(panel, 0.4).log_likelihood(D, 0.0) == pytest.approx(binom.logpmf(13, 24, p), abs=1e-10)


def test_what_is_remembered_of_one_protocol_is_not_taken_for_another():
    # told 10 % and guessing right 55 % give the 2-AFC one guess rate, but not one curve below 0
    below = np.array([-2.0])
    one, other = with_told(TWO, 0.1), with_guess_rate(TWO, 0.55)
    assert one.guess == pytest.approx(other.guess)
    first = Counts(one, 10, 3).log_likelihood(below)
    assert Counts(other, 10, 3).log_likelihood(below) != pytest.approx(first, abs=0.1)


def test_repeat_tasters_were_told_or_not_one_by_one():
    # plain sums over who was told: three tasters of 2, 2 and 3 answers
    gamma, share = 0.3, 0.2
    people = ((2, 1, 1), (2, 2, 1), (3, 3, 1))
    expected = np.zeros(len(D))
    for who in product([False, True], repeat=3):
        chance = np.ones(len(D))
        for knew, (answers, correct, _) in zip(who, people, strict=True):
            own = taster_probability(TRIANGLE, D, gamma, answers)[:, correct]
            chance *= share * (correct == answers) if knew else (1 - share) * own
        expected += chance
    panel = SomeTold(Repeats(TRIANGLE, people), share)
    assert np.exp(panel.log_likelihood(D, gamma)) == pytest.approx(expected, rel=1e-12)


def test_totals_of_repeat_tasters_are_summed_over_their_counts():
    # three tasters of 2, 2 and 1 answers, 4 right in all, by plain sums
    gamma, share = 0.4, 0.1
    sizes = (1, 2, 2)
    expected = np.zeros(len(D))
    for counts in product(range(3), repeat=3):
        if sum(counts) != 4 or any(y > r for y, r in zip(counts, sizes, strict=True)):
            continue
        chance = np.ones(len(D))
        for answers, correct in zip(sizes, counts, strict=True):
            own = taster_probability(TRIANGLE, D, gamma, answers)[:, correct]
            chance *= share * (correct == answers) + (1 - share) * own
        expected += chance
    panel = told(RepeatedTotal(TRIANGLE, 3, 5, 4), share)
    assert np.exp(panel.log_likelihood(D, gamma)) == pytest.approx(expected, rel=1e-12)


def test_nobody_told_and_two_counts_are_left_as_they_are():
    panel = TwoCounts(protocol("A-not-A"), 20, 12, 20, 7)
    assert told(panel, 0.2) is panel and guessed(panel, 0.4) is panel
    assert told(Counts(TRIANGLE, 24, 9), 0.0) == Counts(TRIANGLE, 24, 9)
