"""A margin that the reader of a page can move: the average as a hundred dots, the margin a line across them.

Each dot is one of a hundred equally likely values of the average, so that counting dots on a side of the line is
reading its probability. What every whole number of correct answers would mean is worked out beforehand and stands in
the page: the script beside it (``templates/movable.js``) only looks up. Without scripts the dots stand as they were
written.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

DOTS = 100
COLUMNS = 66  # places side by side; a dot is as wide as one of them


@dataclass(frozen=True)
class Dot:
    """Where one dot stands: across in columns, up in dots, and its value in correct answers out of 100."""

    across: float
    up: int
    value: float


@dataclass(frozen=True)
class Strip:
    """One row of dots.

    Attributes
    ----------
    name : str
        What it is of, where there are several; else empty.
    values : tuple of float
        A hundred equally likely values in correct answers out of 100, increasing.
    below : tuple of float
        Probability of a smaller difference than each whole number of correct answers, from `Movable.lowest` on.
    """

    name: str
    values: tuple[float, ...]
    below: tuple[float, ...]


@dataclass(frozen=True)
class Movable:
    """Dots that can be compared with any margin.

    Attributes
    ----------
    protocol : str
    guess : float
        Correct answers out of 100 that guessing gives.
    strips : tuple of Strip
    d_primes : tuple of float
        Of each whole number of correct answers, from the lowest on.
    margin : float or None
        In correct answers out of 100.
    settled : float
        Probability from which the question is called settled.
    directed : bool
        Whether the difference has a direction too; the dots show its size.
    """

    protocol: str
    guess: float
    strips: tuple[Strip, ...]
    d_primes: tuple[float, ...]
    margin: float | None
    settled: float
    directed: bool = False

    @property
    def lowest(self) -> int:
        """The smallest number of correct answers out of 100 a margin can be moved to."""
        return lowest(self.guess)

    def across(self, value: float) -> float:
        """Per cent of the axis to the left of a value."""
        return 100 * (value - self.guess) / (100 - self.guess)

    def dots(self, strip: Strip) -> list[Dot]:
        """The dots of one row, stacked where they would lie on one another."""
        heights: dict[int, int] = {}
        placed = []
        for value in strip.values:
            column = min(int(self.across(value) / 100 * COLUMNS), COLUMNS - 1)
            heights[column] = heights.get(column, 0) + 1
            placed.append(Dot(column + 0.5, heights[column], value))
        return placed

    def tallest(self) -> int:
        """The height of the highest stack of all rows, in dots."""
        return max(dot.up for strip in self.strips for dot in self.dots(strip))

    def sides(self, strip: Strip) -> tuple[int, int]:
        """How many dots stand for a smaller difference than the margin, and how many for no smaller one."""
        smaller = sum(value < self.margin for value in strip.values) if self.margin is not None else len(strip.values)
        return smaller, len(strip.values) - smaller

    def ticks(self) -> list[int]:
        """Round numbers along the axis."""
        return [tick for tick in range(10, 101, 10) if tick - self.guess > 12]

    def start(self) -> int:
        """Where the control stands at first: at the margin, or half way."""
        wanted = (self.lowest + 100) / 2 if self.margin is None else self.margin
        return min(max(round(wanted), self.lowest), 99)

    def to_json(self) -> str:
        """What the script looks up; no text of a user is in it."""
        return json.dumps(
            {
                "lowest": self.lowest,
                "guess": self.guess,
                "settled": self.settled,
                "dPrimes": [round(d, 3) for d in self.d_primes],
                "below": [[round(p, 5) for p in strip.below] for strip in self.strips],
            }
        )


def lowest(guess: float) -> int:
    """The smallest whole number of correct answers out of 100 that is above guessing."""
    return math.floor(guess + 1e-9) + 1


def margins(guess: float) -> Sequence[int]:
    """The whole numbers of correct answers out of 100 a margin can be moved to."""
    return range(lowest(guess), 100)
