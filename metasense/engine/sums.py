"""Sums of independent counts, such as the right answers of several tasters, each row at another d-prime.

All terms are positive, so that nothing cancels however unlikely the sum.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]


def convolved(one: Array, other: Array) -> Array:
    """Probabilities of each sum of two counts, from those of the counts, row by row.

    >>> convolved(np.array([[0.5, 0.5]]), np.array([[0.5, 0.25, 0.25]]))
    array([[0.25 , 0.375, 0.25 , 0.125]])
    """
    wide, narrow = (one, other) if one.shape[1] >= other.shape[1] else (other, one)
    out = np.zeros((max(len(one), len(other)), wide.shape[1] + narrow.shape[1] - 1))
    for count in range(narrow.shape[1]):
        out[:, count : count + wide.shape[1]] += narrow[:, count, None] * wide
    return out


def of_several(one: Array, people: int) -> Array:
    """Probabilities of each sum of the counts of so many people, all with those of `one`, by doubling.

    >>> of_several(np.array([[0.5, 0.5]]), 4)
    array([[0.0625, 0.25  , 0.375 , 0.25  , 0.0625]])
    """
    out: Array = np.ones((len(one), 1))
    while people:
        out = convolved(out, one) if people % 2 else out
        people //= 2
        one = convolved(one, one) if people else one
    return out


@dataclass(frozen=True, eq=False)
class Halves:
    """A sum of many counts as that of two sums, from which few of its probabilities are quickly had.

    Attributes
    ----------
    first, second : ndarray, shape (rows, most + 1)
        Probabilities of each sum over half of the people, and over the others.
    """

    first: Array
    second: Array

    @classmethod
    def of(cls, groups: Iterable[tuple[Array, int]]) -> Halves:
        """Of groups of people who are alike: what each may count, shape (rows, counts), and how many they are."""
        first: Array = np.ones((1, 1))
        second = first
        for one, people in groups:
            half = of_several(one, people // 2)
            first, second = convolved(first, half), convolved(second, convolved(half, one) if people % 2 else half)
        return cls(first, second)

    def exactly(self, count: int) -> Array:
        """Probability that all together count so many, shape (rows,)."""
        low = max(0, count + 1 - self.second.shape[1])
        high = min(count + 1, self.first.shape[1])
        others = self.second[:, count - np.arange(low, high)]
        return np.asarray((self.first[:, low:high] * others).sum(axis=1))

    def at_least(self, count: int) -> Array:
        """Probability that all together count so many or more, shape (rows,)."""
        tails = np.cumsum(self.second[:, ::-1], axis=1)[:, ::-1]
        missing = count - np.arange(self.first.shape[1])
        reachable = missing < self.second.shape[1]
        return np.asarray((self.first[:, reachable] * tails[:, missing[reachable].clip(min=0)]).sum(axis=1))
