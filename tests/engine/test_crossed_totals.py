"""Totals of the same people, against sums over everybody's answers and against simulated clubs."""

from itertools import product

import numpy as np
import pytest
from scipy.signal import convolve2d
from scipy.stats import beta, binom

from metasense.engine import grid
from metasense.engine.crossed_totals import STANDINGS, Group, Total, as_same
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.protocols import forced_choice

TRIANGLE = forced_choice("triangle")


def of_both(test, n, d, gamma):
    """Probability of every pair of totals of the same n people: all of one person's answers, n times convolved.

    Quantiles of the beta distribution by scipy, at midpoints of the standings.
    """
    u = (np.arange(4000) + 0.5) / 4000
    rates = []
    for p in test.p_correct(np.array(d)):
        mean = (p - test.guess) / (1 - test.guess)
        able = beta.ppf(u, mean * (1 - gamma) / gamma, (1 - mean) * (1 - gamma) / gamma)
        rates.append(test.guess + (1 - test.guess) * able)
    twice, (one, other) = (rates[0] * rates[1]).mean(), (rate.mean() for rate in rates)
    person = np.array([[1 - one - other + twice, other - twice], [one - twice, twice]])
    total = np.ones((1, 1))
    for _ in range(n):
        total = convolve2d(total, person)
    return total


def as_we_have_it(test, n, d, gamma):
    each = [
        [[Total(test, n, n, x, u).log_likelihood(np.array([v]), gamma)[0] for x in range(n + 1)] for v in d]
        for u in range(STANDINGS)
    ]
    return np.mean([np.exp(np.add.outer(*logs)) for logs in each], axis=0)


@pytest.mark.parametrize(
    ("name", "n", "d", "gamma"),
    [("triangle", 20, (1.5, 1.5), 0.3), ("triangle", 20, (1.0, 1.5), 0.4), ("triangle", 12, (0.3, 0.3), 0.5),
     ("tetrad", 12, (1.0, 1.0), 0.5), ("duo-trio", 30, (2.0, 1.5), 0.2), ("2-AFC", 11, (1.0, 0.5), 0.5)],
)  # fmt: skip
def test_two_totals_of_the_same_people_are_nearly_as_probable_as_their_answers_add_up_to(name, n, d, gamma):
    test = forced_choice(name)
    exact = of_both(test, n, d, gamma)
    new = np.multiply.outer(*(binom.pmf(np.arange(n + 1), n, p) for p in test.p_correct(np.array(d))))
    apart = np.abs(as_we_have_it(test, n, d, gamma) - exact).sum()  # twice the total variation
    assert apart < 0.04
    assert apart < 0.4 * np.abs(new - exact).sum()  # new people each time are far from it


@pytest.mark.parametrize("gamma", [0.1, 0.5, 0.9])
def test_one_total_alone_is_binomial_however_unlike_people_are(gamma):
    for d in (0.0, 0.7, 1.5, 3.0):
        p = float(TRIANGLE.p_correct(np.array([d]))[0])
        found = [np.mean([np.exp(Total(TRIANGLE, 20, 20, x, u).log_likelihood(np.array([d]), gamma)[0])
                          for u in range(STANDINGS)]) for x in range(21)]  # fmt: skip
        assert np.arange(21) @ found == pytest.approx(20 * p, rel=1e-3)
        if d < 3:  # where hardly anybody is wrong, two halves stand for people less well: .13 at gamma .9
            assert np.abs(found - binom.pmf(np.arange(21), 20, p)).sum() < 0.02


def test_repeats_of_people_who_come_once_are_their_beta_binomial_total():
    from metasense.engine.likelihood import RepeatedTotal

    for x in (6, 10, 15):  # ten people, two answers each: the mean of their rates is all that counts
        one = np.mean([np.exp(Total(TRIANGLE, 10, 20, x, u).log_likelihood(np.array([1.5]), 0.4)[0])
                       for u in range(STANDINGS)])  # fmt: skip
        assert one == pytest.approx(
            np.exp(RepeatedTotal(TRIANGLE, 10, 20, x).log_likelihood(np.array([1.5]), 0.4)[0]), rel=0.06
        )


def test_a_direction_the_other_way_is_the_mirror_image():
    test, d = forced_choice("2-AFC"), np.array([0.8])
    for u, v in zip(range(STANDINGS), range(STANDINGS), strict=True):
        one, other = Total(test, 12, 12, 9, u), Total(test, 12, 12, 3, v)
        assert one.log_likelihood(d, 0.4) == pytest.approx(other.log_likelihood(-d, 0.4), abs=1e-9)


def pooled(correct, n=20):
    evidence = [Counts(TRIANGLE, n, x) for x in correct]
    return evidence, grid.integrate(evidence, np.ones(len(evidence)), Priors())[0]


def test_clubs_of_one_panel_each_are_new_people():
    evidence, today = pooled([12, 9, 14])
    groups = [Group((i,), (20,)) for i in range(3)]
    same = as_same(evidence, groups, Priors(), today).average
    assert same.interval() == pytest.approx(today.average.interval(), abs=0.05)


def test_more_panels_of_the_same_people_do_not_tell_more_than_these_people_can():
    def width(panels, group):
        evidence, today = pooled([12] * panels)
        found = as_same(evidence, [Group(tuple(range(panels)), (20,) * panels)], Priors(), today) if group else today
        low, high = found.average.interval()
        return high - low

    assert width(8, True) > 1.3 * width(8, False)
    assert width(16, True) / width(8, True) > 1.1 * width(16, False) / width(8, False)


@pytest.mark.slow
def test_the_interval_holds_the_truth_of_simulated_clubs():
    """Tasters whose rates spread as stated around one d-prime for all panels: 200 clubs of 12, six evenings each."""
    rng = np.random.default_rng(3)
    inside = {"new": 0, "same": 0}
    for gamma, d in product((0.1, 0.3, 0.5, 0.7), rng.uniform(0.5, 2.5, 50)):
        p = float(TRIANGLE.p_correct(np.array([d]))[0])
        mean = (p - TRIANGLE.guess) / (1 - TRIANGLE.guess)
        able = rng.beta(mean * (1 - gamma) / gamma, (1 - mean) * (1 - gamma) / gamma, 12)
        right = rng.random((6, 12)) < TRIANGLE.guess + (1 - TRIANGLE.guess) * able
        evidence, today = pooled(right.sum(axis=1), 12)
        same = as_same(evidence, [Group(tuple(range(6)), (12,) * 6)], Priors(), today)
        for name, average in (("new", today.average), ("same", same.average)):
            low, high = average.interval()
            inside[name] += low <= d <= high
    assert inside["same"] >= 183  # of 200 at 95 %: fewer come by chance once in a hundred times (binomial)
    assert inside["new"] < inside["same"]
