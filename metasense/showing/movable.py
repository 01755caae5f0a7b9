"""A margin that the reader of a page can move: the answer strip once more, with a line that follows a control.

What every whole number of correct answers would mean as a margin is worked out beforehand and stands in the page; the
script beside it (``templates/movable.js``) only looks up. Without scripts the marks stand as they were written.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

WORD = 18.0  # per cent of the axis that a word under it takes up on a small screen,
NUMBER = 3.0  # and half a number with some air


@dataclass(frozen=True)
class Mark:
    """Where one mark stands: across in correct answers, up in marks; its value in correct answers out of 100."""

    across: float
    up: int
    value: float
    larger: bool


@dataclass(frozen=True)
class Strip:
    """One row of marks.

    Attributes
    ----------
    name : str
        What it is of, where there are several; else empty.
    values : tuple of float
        A hundred equally likely truths in correct answers out of 100, increasing.
    below : tuple of float
        Probability of a smaller difference than each margin of `margins`.
    """

    name: str
    values: tuple[float, ...]
    below: tuple[float, ...]


@dataclass(frozen=True)
class Movable:
    """Marks that can be compared with any margin; all values but d-primes are correct answers out of 100.

    Attributes
    ----------
    protocol : str
    guess : float
        What guessing gives.
    strips : tuple of Strip
    d_primes : tuple of float
        Of each of `margins`.
    margin : float or None
    settled : float
        Probability from which the question is called settled.
    against : tuple of float
        What a difference of each of `margins` against the expected direction gives; empty where none has a direction.
    margin_against : float or None
        The same for the margin.
    steps : tuple of (float, float)
        Round d-primes and what they give, for a second scale.
    """

    protocol: str
    guess: float
    strips: tuple[Strip, ...]
    d_primes: tuple[float, ...]
    margin: float | None
    settled: float
    against: tuple[float, ...] = ()
    margin_against: float | None = None
    steps: tuple[tuple[float, float], ...] = ()

    @property
    def low(self) -> float:
        """Where the axis begins: at guessing, or at none correct where differences have a direction."""
        return 0.0 if self.against else self.guess

    @property
    def lines(self) -> tuple[float, ...]:
        """Where the margin stands, on one side of guessing or on both."""
        return tuple(at for at in (self.margin_against, self.margin) if at is not None)

    def across(self, value: float) -> float:
        """Per cent of the axis to the left of a value."""
        return 100 * (value - self.low) / (100 - self.low)

    def larger(self, value: float) -> bool:
        """Whether a value stands for a difference no smaller than the margin."""
        if self.margin is None:
            return False
        return value >= self.margin or (self.margin_against is not None and value <= self.margin_against)

    def marks(self, strip: Strip) -> list[Mark]:
        """The marks of one row, in columns one answer wide of which two meet at the margin."""
        edge = (self.low if self.margin is None else self.margin) % 1
        heights: dict[int, int] = {}
        placed = []
        for value in strip.values:
            column = math.floor(value - edge)
            heights[column] = heights.get(column, 0) + 1
            across = column + edge + 0.5 - self.low
            placed.append(Mark(across, heights[column], value, self.larger(value)))
        return placed

    def tallest(self) -> int:
        """The height of the highest stack of all rows, in marks."""
        return max(mark.up for strip in self.strips for mark in self.marks(strip))

    def sides(self, strip: Strip) -> tuple[int, int]:
        """How many marks stand for a smaller difference than the margin, and how many for no smaller one."""
        larger = sum(mark.larger for mark in self.marks(strip))
        return len(strip.values) - larger, larger

    def ticks(self) -> list[int]:
        """Round numbers along the axis, clear of the number at guessing."""
        return [at for at in range(0, 101, 10) if self.low <= at and abs(at - self.guess) > 4]

    def d_ticks(self) -> list[tuple[str, float]]:
        """Round d-primes that have room beside the word at guessing and beside one another, the first with its name."""
        word = WORD / 2 if self.against else WORD  # in the middle of its place, or behind the beginning
        free = self.across(self.guess) + word + WORD / 2
        placed: list[tuple[str, float]] = []
        for d, value in self.steps:
            if free <= self.across(value) <= 100 - NUMBER:
                placed.append((f"{d:g}" if placed else f"d-prime {d:g}", value))
                free = self.across(value) + (NUMBER if len(placed) > 1 else WORD / 2) + NUMBER
        return placed if len(placed) > 1 else []

    def start(self) -> int:
        """Where the control stands at first: at the margin, or half way."""
        first = margins(self.guess)[0]
        wanted = (first + 100) / 2 if self.margin is None else self.margin
        return min(max(round(wanted), first), 99)

    def to_json(self) -> str:
        """What the script looks up; no text of a user is in it."""
        known = {
            "lowest": margins(self.guess)[0],
            "low": self.low,
            "settled": self.settled,
            "dPrimes": [round(d, 3) for d in self.d_primes],
            "against": [round(at, 3) for at in self.against],
            "below": [[round(p, 5) for p in strip.below] for strip in self.strips],
        }
        return json.dumps(known)


def margins(guess: float) -> Sequence[int]:
    """The whole numbers of correct answers out of 100 a margin can be moved to: above guessing, below all."""
    return range(math.floor(guess + 1e-9) + 1, 100)
