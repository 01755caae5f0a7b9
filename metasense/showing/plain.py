"""The plain answer: what is known in correct answers out of 100, written once for results of every kind.

The verdict comes first and in the same words everywhere; no scale of the trade, no kind of interval and no prior stands
in it. Who builds it gives shares and probabilities, and gets sentences.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from . import words

BEYOND, WITHIN, OPEN = words.VERDICTS
HEADERS = ("", "about", "95 % range")
MENTIONED = 0.2  # probability of nothing to taste from which a plain answer says it: an average alone cannot

ASKED = {  # what a taster answers in each protocol
    "triangle": "the odd one of three cups",
    "duo-trio": "which of two cups is like the first",
    "tetrad": "the two pairs among four cups",
    "2-AFC": "which of two cups has more of what is named",
    "3-AFC": "which of three cups has most of what is named",
    "specified tetrad": "the two of four cups with more of what is named",
    "two-out-of-five": "the two of five cups that are unlike the rest",
}


@dataclass(frozen=True)
class Share:
    """Correct answers of one protocol, as shares from 0 to 1.

    Attributes
    ----------
    protocol : str
    guess : float
        What guessing gives.
    middle, low, high : float
        What is believed, and the range that holds it with 95 %.
    margin : float or None
        What the smallest difference that matters gives.

    Examples
    --------
    >>> share = Share("triangle", 1 / 3, 0.42, 0.36, 0.49, 0.467)
    >>> print(share.after(lead("not settled")))
    Not settled: of 100 triangle answers about 42 would be right (36 to 49), where guessing gives 33 and the margin is 47.
    """  # noqa: E501

    protocol: str
    guess: float
    middle: float
    low: float
    high: float
    margin: float | None = None

    def after(self, said: str, way: str = "", over: str = "") -> str:
        """What is said first, then the share; `way` says the direction, `over` of what it is an average."""
        return f"{said}: {over}{self.right()}, where {self.beside()}{way}."

    def right(self) -> str:
        """How many of 100 answers would be right."""
        return f"of 100 {self.protocol} answers about {of_100(self.middle)} would be right{self.between()}"

    def between(self) -> str:
        """The range in brackets; nothing where it is one number."""
        low = of_100(self.low)
        high = of_100(self.high)
        return "" if low == high else f" ({low} to {high})"

    def caption(self) -> str:
        """What a table of such shares holds."""
        asked = ASKED.get(self.protocol)
        return f"Right of 100 ({self.protocol}{f': {asked}' if asked else ''})"

    def rows(self, more: Mapping[str, tuple[float, float, float]]) -> list[tuple[str, str, str]]:
        """Guessing, then each of `more` with its range, then the margin."""
        found = [("guessing", of_100(self.guess), ""), *ranges(more)]
        if self.margin is not None:
            found.append(("the margin", of_100(self.margin), ""))
        return found

    def beside(self) -> str:
        """What guessing and the margin give."""
        guessing = f"guessing gives {of_100(self.guess)}"
        return guessing if self.margin is None else f"{guessing} and the margin is {of_100(self.margin)}"


def ranges(more: Mapping[str, tuple[float, float, float]]) -> list[tuple[str, str, str]]:
    """Shares with their ranges: each a middle, its lower and its upper bound.

    >>> ranges({"this panel": (0.42, 0.34, 0.59)})
    [('this panel', '42', '34 to 59')]
    """
    return [(name, of_100(middle), f"{of_100(low)} to {of_100(high)}") for name, (middle, low, high) in more.items()]


def of_100(share: float) -> str:
    """A share as a whole number out of 100; what is not exactly none or all is never said to be.

    >>> of_100(1 / 3), of_100(0.997), of_100(0.001), of_100(1.0)
    ('33', 'more than 99', 'fewer than 1', '100')
    """
    whole = round(100 * share)
    if whole == 0 and share > 0:
        return "fewer than 1"
    return "more than 99" if whole == 100 and share < 1 else str(whole)


def lead(verdict: str) -> str:
    """A verdict as the first words of an answer."""
    known = verdict in words.VERDICTS
    return f"{verdict[0].upper()}{verdict[1:]}" if known else "No verdict without a margin"


def beside_the_margin(verdict: str, above: str, below: str, *, larger: bool, enough: str = "") -> str:
    """How probable it is that the difference is on the likelier side of the margin; where said, what would be enough.

    >>> print(beside_the_margin("within the margin", "3 %", "97 %", larger=False))
    It is 97 % probable that the difference is smaller than the margin, though a small one may be there.
    >>> print(beside_the_margin("not settled", "88 %", "12 %", larger=True, enough="90 %"))
    It is 88 % probable (above 90 % settles it) that the difference is larger than the margin.
    """
    likely, side = (above, "larger") if larger else (below, "smaller")
    more = ", though a small one may be there" if verdict == WITHIN else ""
    settles = f" (above {enough} settles it)" if enough else ""
    return f"It is {likely} probable{settles} that the difference is {side} than the margin{more}."


def with_nothing(said: Sequence[str], probability: float, odds: float = 1 / 3) -> tuple[str, ...]:
    """The sentences with that there may be nothing to taste, where that is probable enough to be said.

    >>> with_nothing(["Not settled."], 0.05)
    ('Not settled.',)
    >>> with_nothing(["Not settled."], 0.31)[1]
    'It is 31 % probable that there is nothing to taste (33 % before tasting).'
    >>> with_nothing(["Not settled.", "It is 92 % probable that it is small."], 0.31)[1]
    'It is 92 % probable that it is small, and 31 % that there is nothing to taste (33 % before tasting).'
    """
    if not probability >= MENTIONED:
        return tuple(said)
    chance = words.probability(probability)
    before = words.percent(odds)  # nothing, one size in all panels, panels that differ: even to begin with
    there = f"that there is nothing to taste ({before} before tasting)."
    *first, last = said
    if last.startswith("It is "):
        return (*first, f"{last[:-1]}, and {chance} {there}")
    return (*said, f"It is {chance} probable {there}")


def beforehand(earlier: str, learned_from: str) -> tuple[str, ...]:
    """What was believed before the panels, where that is not the usual.

    >>> beforehand("an earlier pool of 6 panels (the table), half believed", "")
    ('It builds on an earlier pool of 6 panels (the table), half believed.',)
    >>> beforehand("", "30 spices"), beforehand("", "")
    (('What to expect beforehand was learned from 30 spices.',), ())
    """
    if learned_from:
        return (f"What to expect beforehand was learned from {learned_from}.",)
    return (f"It builds on {earlier}.",) if earlier else ()


def direction(way: float | None, settled: float, *, alone: bool = False) -> str:
    """Which way the difference goes, to end a sentence, or alone; `way` is the probability of the expected one.

    >>> direction(0.99, 0.95), direction(0.5, 0.95, alone=True)
    ('; it goes the expected way', 'way not settled')
    """
    if way is None:
        return ""
    if 1 - settled <= way <= settled:
        return "way not settled" if alone else "; which way it goes is not settled"
    said = "the expected way" if way > settled else "against the expected way"
    return said if alone else f"; it goes {said}"
