"""Other counts of the same panel: against binomial tails, against sums over every case, and against simulation."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binom

from metasense.engine import outcomes
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, TwoCounts
from metasense.protocols import protocol

TRIANGLE = protocol("triangle")
PLAIN = Counts(TRIANGLE, 24, 13)
TOTAL = RepeatedTotal(TRIANGLE, 3, 8, 5)
NAMED = Repeats(TRIANGLE, ((3, 2, 1), (3, 1, 1), (2, 2, 1)))  # 3 of 2 right, 3 of 1, 2 of 2
TWICE = TwoCounts(protocol("A-not-A"), 20, 12, 20, 7)
THETA = np.array([0.0, 0.7, 2.0])


def test_only_forced_choices_have_one_count():
    assert [outcomes.counted(e) for e in (PLAIN, TOTAL, NAMED, TWICE)] == [True, True, True, False]
    assert [outcomes.correct(e) for e in (PLAIN, TOTAL, NAMED)] == [13, 5, 5]
    assert outcomes.guess(PLAIN) == pytest.approx(1 / 3)


def test_critical_counts_and_p_values_are_those_of_the_binomial():
    # ISO 4120:2021, table A.1: 13 of 24 triangles at the 5 % level, 15 at 1 % (values from memory; SciPy agrees)
    assert outcomes.ALPHA == 0.05
    assert outcomes.critical(PLAIN) == 13 and outcomes.critical(PLAIN, 0.01) == 15
    assert binom.sf(12, 24, 1 / 3) <= 0.05 < binom.sf(11, 24, 1 / 3)
    assert outcomes.p_value(PLAIN) == pytest.approx(binom.sf(12, 24, 1 / 3))
    assert outcomes.p_value(NAMED) == pytest.approx(binom.sf(4, 8, 1 / 3))  # repeats are guesses like any other


def test_chances_of_every_count_are_binomial_without_repeats_and_add_up_with_them():
    found = outcomes.probabilities(PLAIN, THETA, 0.3)
    assert found == pytest.approx(binom.pmf(np.arange(25), 24, TRIANGLE.p_correct(THETA)[:, None]))
    for evidence in (TOTAL, NAMED):
        found = outcomes.probabilities(evidence, THETA, 0.4)
        assert found.shape == (3, 9)
        assert found.sum(axis=1) == pytest.approx(np.ones(3))
        assert found @ np.arange(9) == pytest.approx(8 * TRIANGLE.p_correct(THETA))  # whatever the overdispersion
        assert found[0] == pytest.approx(binom.pmf(np.arange(9), 8, 1 / 3))  # guesses are independent
    # three tasters with 3, 3 and 2 answers either way
    assert outcomes.probabilities(TOTAL, THETA, 0.4) == pytest.approx(outcomes.probabilities(NAMED, THETA, 0.4))


def test_what_is_too_large_to_be_remembered_is_the_same(monkeypatch):
    remembered = outcomes.probabilities(NAMED, THETA, 0.4)
    monkeypatch.setattr(outcomes, "MOST_REMEMBERED", 0)
    assert outcomes.probabilities(NAMED, THETA, 0.4) == pytest.approx(remembered, rel=1e-15)


def test_at_least_so_many_is_the_tail_of_the_same_chances():
    for panel, gamma in ((PLAIN, 0.0), (TOTAL, 0.4), (NAMED, 0.4)):
        event = outcomes.AtLeast(panel, 4)
        assert (event.protocol, event.size, event.repeated) == (TRIANGLE, panel.size, panel.repeated)
        expected = outcomes.probabilities(panel, THETA, gamma)[:, 4:].sum(axis=1)
        assert np.exp(event.log_likelihood(THETA, gamma)) == pytest.approx(expected)
    never = outcomes.AtLeast(PLAIN, 25).log_likelihood(THETA, 0.0)
    assert never == pytest.approx(np.full(3, np.log(1e-300)))  # and not minus infinity


def test_the_number_of_successes_is_a_sum_over_every_case():
    chances = np.array([[0.1, 0.5, 0.9, 0.3], [0.0, 1.0, 0.2, 0.7]])
    expected = np.zeros((2, 5))
    for case in product((0, 1), repeat=4):
        expected[:, sum(case)] += np.prod(np.where(case, chances, 1 - chances), axis=1)
    assert outcomes.number_of_successes(chances) == pytest.approx(expected)


def statistic(evidence, counts, directed):
    """How much better d-primes of their own describe the counts, by its definition on the same d-primes."""
    theta = np.linspace(-6 if directed else 0, 6, 241 if directed else 121)
    logs = []
    for e, x in zip(evidence, counts, strict=True):
        p = e.protocol.p_correct(theta)
        logs.append(x * np.log(p) + (e.size - x) * np.log1p(-p))
    return sum(log.max() for log in logs) - np.sum(logs, axis=0).max()


@pytest.mark.parametrize("directed", [False, True])
def test_panels_lie_apart_by_the_likelihood_ratio(directed):
    there = [PLAIN, Counts(protocol("2-AFC" if directed else "duo-trio"), 16, 9)]
    logs, best = outcomes.further_apart(there, directed)
    assert [table.shape for table in logs] == [(25, 241 if directed else 121), (17, 241 if directed else 121)]
    which = np.array([0, 1, 0])
    counts = np.array([[13, 9, 13], [20, 9, 8], [8, 3, 9]])
    found = outcomes.apart(logs, best, counts, which)
    evidence = [there[k] for k in which]
    assert found == pytest.approx([statistic(evidence, row, directed) for row in counts], abs=1e-6)
    assert found[0] < found[1]
    alike = outcomes.apart(logs, best, np.array([[13, 13]]), np.array([0, 0]))
    assert alike == pytest.approx([0], abs=1e-9)


def test_a_panel_all_right_has_a_likelihood_too():
    logs, best = outcomes.further_apart([PLAIN], True)
    assert np.isfinite(logs[0]).all()
    assert best[0][24] == pytest.approx(24 * np.log(TRIANGLE.p_correct(6.0)))
    assert best[0][0] == pytest.approx(24 * np.log(2 / 3))


@pytest.mark.parametrize("test", ["triangle", "2-AFC"])
def test_simulated_counts_have_the_chances_of_the_model(test):
    rng = np.random.default_rng(3)
    size = 40_000
    for panel in (RepeatedTotal(protocol(test), 3, 8, 5), Repeats(protocol(test), NAMED.people)):
        for theta, gamma in ((1.2, 0.5), (-0.8 if test == "2-AFC" else 0.3, 0.2)):
            drawn = outcomes.simulate(panel, np.full(size, theta), np.full(size, gamma), rng)
            expected = outcomes.probabilities(panel, np.array([theta]), gamma)[0]
            assert np.bincount(drawn, minlength=9) / size == pytest.approx(expected, abs=0.012)
    drawn = outcomes.simulate(Counts(protocol(test), 8, 5), np.full(size, 1.2), np.zeros(size), rng)
    expected = binom.pmf(np.arange(9), 8, float(protocol(test).p_correct(1.2)))
    assert np.bincount(drawn, minlength=9) / size == pytest.approx(expected, abs=0.012)


def test_what_is_certain_can_be_simulated_too():
    rng = np.random.default_rng(4)
    far, none = np.full(2000, 14.0), np.zeros(2000)
    for gamma in (0.0, 0.5, 1.0):
        assert (outcomes.simulate(TOTAL, far, np.full(2000, gamma), rng) == 8).all()
        guessed = outcomes.simulate(TOTAL, none, np.full(2000, gamma), rng)
        assert guessed.mean() == pytest.approx(8 / 3, abs=0.15)
    below = RepeatedTotal(protocol("2-AFC"), 3, 8, 5)
    assert (outcomes.simulate(below, -far, none, rng) == 0).all()


def test_a_total_is_shared_as_evenly_as_possible():
    assert outcomes._answers(RepeatedTotal(TRIANGLE, 4, 18, 9)) == [5, 5, 4, 4]
    assert outcomes._answers(NAMED) == [3, 3, 2]
