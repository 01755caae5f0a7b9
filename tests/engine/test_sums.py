"""Sums of independent counts: against the binomial of another library, plain sums and exact fractions."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from scipy.stats import binom

from metasense.engine.sums import Halves, convolved, of_several

CHANCE = np.array([0.05, 0.4, 0.97])


@pytest.mark.parametrize("people", [0, 1, 2, 3, 7, 40, 101])
def test_people_who_are_alike_are_together_a_binomial(people):
    one = binom.pmf(np.arange(7), 6, CHANCE[:, None])
    together = of_several(one, people)
    assert together == pytest.approx(binom.pmf(np.arange(6 * people + 1), 6 * people, CHANCE[:, None]), rel=1e-10)


def test_two_counts_add_up_whichever_comes_first():
    one, other = np.array([[0.5, 0.5], [1.0, 0.0]]), np.array([[0.2, 0.3, 0.5], [0.0, 0.0, 1.0]])
    expected = [[0.1, 0.25, 0.4, 0.25], [0, 0, 1, 0]]
    assert convolved(one, other) == pytest.approx(np.array(expected)) == convolved(other, one)


@pytest.mark.parametrize("people", [(1, 0), (2, 1), (3, 2), (0, 4)])
def test_sums_of_two_kinds_of_people_are_those_of_every_combination(people):
    kinds = ((Fraction(1, 2), Fraction(1, 3), Fraction(1, 6)), (Fraction(3, 4), Fraction(1, 4)))
    chances = {}
    everybody = [kind for kind, how_many in zip(kinds, people, strict=True) for _ in range(how_many)]
    for counts in product(*(range(len(kind)) for kind in everybody)):
        chance = np.prod([kind[count] for kind, count in zip(everybody, counts, strict=True)])
        chances[sum(counts)] = chances.get(sum(counts), 0) + chance
    halves = Halves.of((np.array([kind], float), n) for kind, n in zip(kinds, people, strict=True))
    for count in range(max(chances) + 1):
        assert halves.exactly(count)[0] == pytest.approx(float(chances[count]), rel=1e-14)
        beyond = sum(chance for total, chance in chances.items() if total >= count)
        assert halves.at_least(count)[0] == pytest.approx(float(beyond), rel=1e-14)
    assert halves.exactly(max(chances) + 1)[0] == 0 == halves.at_least(max(chances) + 1)[0]


def test_the_rarest_sum_keeps_its_digits():
    halves = Halves.of([(np.array([[0.999, 0.001]]), 60)])
    assert halves.exactly(60)[0] == pytest.approx(1e-180, rel=1e-12) == halves.at_least(60)[0]
