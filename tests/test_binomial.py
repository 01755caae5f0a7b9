"""Exact tails and critical numbers: against SciPy's tests and against sums of fractions."""

from fractions import Fraction
from math import comb

import numpy as np
import pytest
from scipy import stats

from metasense.binomial import fisher_tails, largest_count, log_chance, smallest_count


@pytest.mark.parametrize(
    ("signal", "hits", "noise", "alarms"), [(12, 8, 9, 3), (5, 0, 7, 4), (20, 20, 20, 11), (1, 1, 6, 0)]
)
def test_fishers_tails_are_scipys(signal, hits, noise, alarms):
    few, many = fisher_tails(signal, hits, noise, alarms)
    table = [[hits, signal - hits], [alarms, noise - alarms]]
    assert few == pytest.approx(stats.fisher_exact(table, "less").pvalue, rel=1e-12)
    assert many == pytest.approx(stats.fisher_exact(table, "greater").pvalue, rel=1e-12)


@pytest.mark.parametrize("guess", [Fraction(1, 2), Fraction(1, 3), Fraction(1, 10)])
def test_a_level_that_a_count_reaches_exactly_is_reached(guess):
    # The tails in fractions, by the formula; in floating point some come out a rounding above their own level.
    for n in range(1, 26):
        chances = [comb(n, x) * guess**x * (1 - guess) ** (n - x) for x in range(n + 1)]
        for x in range(n + 1):
            many = float(sum(chances[x:]))
            few = float(sum(chances[: x + 1]))
            if many < 0.6:
                assert smallest_count(n, float(guess), many) == x
            if few < 0.6:
                assert largest_count(n, float(guess), few) == x


def test_a_risk_next_to_certainty_is_answered_too():
    assert smallest_count(12, 0.9, 1 - 1e-13) == 0
    assert largest_count(12, 0.1, 1 - 1e-13) == 12


def test_chances_of_single_counts_are_those_of_another_library():
    counts = np.arange(61)
    for p in (0.0, 1e-9, 1 / 3, 0.5, 0.97, 1.0):
        assert np.exp(log_chance(counts, 60, p)) == pytest.approx(stats.binom.pmf(counts, 60, p), rel=1e-11, abs=1e-300)
