"""The answer strip: 100 equally likely truths as marks on a scale of correct answers, on their sides of the margin.

The marks are the quantiles at 0.5 %, 1.5 % ... 99.5 % of what is believed, piled up where they fall, so that a
probability can be counted. No mark stands on the other side of a line than its value, and the same values always give
the same picture. The place of every text is known beforehand, so nothing needs laying out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metasense.showing import words
from metasense.showing.figures.look import BAND, BLUE, INK, ORANGE, PAPER, QUIET, on_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.floating[Any]]

MARKS = 100
LEVELS = (np.arange(MARKS) + 0.5) / MARKS  # which quantiles the marks are
D_PRIMES = (-4.0, -3.0, -2.0, -1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)  # to be named

# in points: letters stay readable where the figure is shown on a telephone
WIDTH, LETTERS, LINE, PILE = 372.0, 11.0, 14.5, 96.0
LEFT, RIGHT, BELOW, ABOVE = 15.0, 15.0, 50.0, 32.0
LARGEST, SMALLEST = 9.0, 2.6


@dataclass(frozen=True)
class Side:
    """What lies on one side of a line: how its marks look and are named."""

    name: str
    color: str
    marker: str
    fill: str

    @property
    def sign(self) -> str:
        """The mark among words."""
        hollow = self.fill == PAPER
        return {"o": "○" if hollow else "●", "^": "△" if hollow else "▲", "v": "▽" if hollow else "▼"}[self.marker]


SMALLER = Side("smaller than the margin", BLUE, "o", BLUE)
LARGER = Side("larger than the margin", ORANGE, "^", ORANGE)
AGAINST = Side("larger, against the expected direction", ORANGE, "v", PAPER)
EVERY = Side("equally likely truths", INK, "o", INK)
OLD = Side("most prefer the old product", QUIET, "o", PAPER)
NEW = Side("most prefer the new product", INK, "^", INK)


@dataclass(frozen=True)
class Scale:
    """The scale of a strip, in shares from 0 to 1.

    Attributes
    ----------
    label : str
        What is counted in 100.
    ends : (float, float)
    cuts : tuple of float
        Lines between the sides, from low to high.
    sides : tuple of Side
        One more than there are cuts.
    cut : str
        What the lines are called.
    start : float or None
        What guessing gives, where that is no cut.
    d_primes : mapping of float to float
        Shares of the d-primes that the second scale may name; none for no second scale.
    """

    label: str
    ends: tuple[float, float]
    cuts: tuple[float, ...]
    sides: tuple[Side, ...]
    cut: str = "margin"
    start: float | None = None
    d_primes: Mapping[float, float] = field(default_factory=dict)

    @classmethod
    def of_answers(
        cls, protocol: str, guess: float, d_primes: Mapping[float, float], margins: Sequence[float] = ()
    ) -> Scale:
        """Correct answers of a protocol: `d_primes` and, from low to high, `margins` as shares of them.

        Where there are d-primes below 0 the scale runs to both sides of guessing, and a margin lies on both.
        """
        sides = {0: (EVERY,), 1: (SMALLER, LARGER), 2: (AGAINST, SMALLER, LARGER)}[len(margins)]
        low = 0.0 if min(d_primes) < 0 else guess
        label = f"correct of 100 {protocol} answers"
        return cls(label, (low, 1.0), tuple(margins), sides, start=guess, d_primes=d_primes)

    @classmethod
    def of_preference(cls) -> Scale:
        """How many of 100 prefer the new product."""
        return cls("of 100 who prefer one, prefer the new product", (0.0, 1.0), (0.5,), (OLD, NEW), cut="half")

    def side(self, values: ArrayLike) -> NDArray[np.intp]:
        """Number of the side on which each value lies."""
        return np.searchsorted(self.cuts, values, side="right")

    def count(self, values: ArrayLike) -> list[int]:
        """How many of the values lie on each side."""
        return np.bincount(self.side(values), minlength=len(self.sides)).tolist()


def strip(rows: Mapping[str, ArrayLike], scale: Scale, *, note: str = "", ax: Axes | Figure | None = None) -> Axes:
    """One row of marks for each answer, each mark one of 100 equally likely truths.

    Parameters
    ----------
    rows : mapping of str to array_like, shape (100,)
        Quantiles at `LEVELS`, as shares from 0 to 1, by the row's name; an only row may be nameless.
    scale : Scale
    note : str
        What else must be said of the marks, under the scale.
    ax : Axes or Figure, optional
        Where to draw; a new figure by default.
    """
    from matplotlib.axes import Axes as Given

    heads = {name: _heading(name, values, scale) for name, values in rows.items()}
    lines = sum(len(head) for head in heads.values()) + (len(scale.cuts) > 0) + (scale.start is not None)
    lowest = BELOW + (LINE if note else 0.0)
    above = ABOVE if scale.d_primes else 8.0
    pile = PILE if len(rows) == 1 else 0.7 * PILE
    height = lines * LINE + len(rows) * (pile + 8)
    whole = height + lowest + above
    with on_axes(ax, WIDTH / 72, whole / 72) as axes:
        if isinstance(ax, Given):
            box = axes.get_window_extent()
            points = 72 / axes.figure.dpi
            wide = float(box.width) * points
            tall = max(float(box.height) * points, height - 0.6 * len(rows) * pile)
            pile += (tall - height) / len(rows)
        else:
            wide, tall = WIDTH - LEFT - RIGHT, height
            axes.figure.set_layout_engine(None)  # type: ignore[union-attr]
            axes.set_position((LEFT / WIDTH, lowest / whole, wide / WIDTH, height / whole))
        low, high = scale.ends
        room = 6.0 * (high - low) / wide  # so that a mark at an end is whole
        axes.set(xlim=(low - room, high + room), ylim=(0, tall), yticks=[])
        _Strip(axes, scale, wide / (high - low + 2 * room), tall, pile).draw(rows, heads)
        axes.set_xticks(*_ticks(scale, wide), fontsize=LETTERS)
        axes.tick_params(axis="x", pad=2)
        said = "each mark: one of 100 equally likely truths"
        axes.set_xlabel("\n".join(filter(None, [scale.label, said, note])), parse_math=False, fontsize=LETTERS)
        axes.xaxis.labelpad = 2
    return axes


def alt_strip(rows: Mapping[str, ArrayLike], scale: Scale) -> str:
    """What :func:`strip` shows, in a sentence."""
    said = []
    for name, values in rows.items():
        shares = np.asarray(values, float)
        low, middle, high = words.distinct(*np.quantile(shares, [0.025, 0.5, 0.975]), unit="percent")
        counts = [f"{_in_100(n)} {side.name}" for n, side in zip(scale.count(shares), scale.sides, strict=True)]
        place = f"{words.one_line(name)}: " if name else ""
        sides = f"; {words.listing(counts)}" if scale.cuts else ""
        said.append(f"{place}around {middle}, 95 of them between {low} and {high}{sides}")
    cut = f"; the {scale.cut} is at {words.listing(words.percent(c) for c in scale.cuts)}" if scale.cuts else ""
    start = "" if scale.start is None else f"; guessing gives {words.percent(scale.start)}"
    return f"100 equally likely truths, by {scale.label}: {'; '.join(said)}{cut}{start}."


def _heading(name: str, values: ArrayLike, scale: Scale) -> list[tuple[str, str]]:
    """The lines above a row, each with its colour: its name, then how many marks lie on each side."""
    head = [(words.one_line(name), INK)] if name else []
    if not scale.cuts:
        return head
    counted = list(zip(scale.count(values), scale.sides, strict=True))
    if len(counted) > 2:  # the direction that was expected first
        counted = [*counted[1:], counted[0]]
    return [*head, *((f"{side.sign} {_in_100(n)}: {side.name}", side.color) for n, side in counted)]


def _in_100(n: int) -> str:
    """How many of the marks; none is not never, and all is not always."""
    if n == MARKS:
        return "more than 99 of 100"
    return f"{n} of 100" if n else "fewer than 1 of 100"


def _ticks(scale: Scale, wide: float) -> tuple[list[float], list[str]]:
    low, high = scale.ends
    step = 10 if wide >= 10 * 24 * (high - low) else 20
    at = [n for n in range(0, 101, step) if low <= n / 100 <= high]
    return [n / 100 for n in at], [f"{n}" for n in at]


@dataclass(frozen=True)
class _Strip:
    """A strip on its axes, whose heights are points."""

    axes: Axes
    scale: Scale
    per: float  # points to a share of 1
    tall: float
    pile: float

    def draw(self, rows: Mapping[str, ArrayLike], heads: Mapping[str, Sequence[tuple[str, str]]]) -> None:
        scale = self.scale
        edge = self.axes.get_xlim()[0] + 4 / self.per
        shares = {name: np.clip(np.asarray(values, float), *scale.ends) for name, values in rows.items()}
        size = min(self._size(values) for values in shares.values())
        y = self.tall
        for number, (name, values) in enumerate(shares.items()):
            for text, color in heads[name]:
                weight = "bold" if name and text == words.one_line(name) else "normal"
                self._write(edge, y - 0.8 * LINE, text, color, weight=weight)
                y -= LINE
            base = y - self.pile - 8 - (0 if number else self._named * LINE)
            self._lines(base, y, named=number == 0)
            self._marks(values, base, size)
            if base > 1:
                self.axes.axhline(base, color=QUIET, lw=0.8, zorder=1)
            y = base
        if scale.d_primes:
            self._second()

    @property
    def _named(self) -> int:
        """Lines of text that name the cuts and guessing."""
        return (len(self.scale.cuts) > 0) + (self.scale.start is not None)

    def _lines(self, base: float, top: float, *, named: bool) -> None:
        """Draw guessing and the cuts up from a pile's base; the first time, name each beside its line."""
        scale = self.scale
        pile = base + self.pile + 4
        if any(side is SMALLER for side in scale.sides):
            ends = [*scale.cuts, scale.ends[0] if scale.start is None else scale.start]
            self.axes.fill_between([min(ends), max(ends)], base, pile, color=BAND, lw=0, zorder=0)
        if scale.start is not None:
            self.axes.vlines(
                scale.start, base, top - 2 if named else pile, color=QUIET, lw=1.2, ls=(0, (1, 1.5)), zorder=1.5
            )
        if scale.start is not None and named:
            self._name(scale.start, top - 0.8 * LINE, f"{100 * scale.start:.0f}", "guessing", QUIET)
            top -= LINE
        for i, cut in enumerate(scale.cuts):
            self.axes.vlines(cut, base, top - 2 if named else pile, color=INK, lw=1.3, ls=(0, (5, 3)), zorder=1.5)
            if named:
                self._name(cut, top - 0.9 * LINE, _share(cut), scale.cut, INK, left=len(scale.cuts) > 1 and i == 0)

    def _name(self, at: float, y: float, number: str, what: str, color: str, *, left: bool = False) -> None:
        """Write beside a line, the number next to it; on its other side where there is no room."""
        wide = 0.62 * LETTERS * (len(number) + 2 + len(what))
        room = (self.axes.get_xlim()[1] - at) * self.per
        behind = (at - self.axes.get_xlim()[0]) * self.per
        left = (left and behind > wide) or room < wide
        text = f"{what}: {number}" if left else f"{number}: {what}"
        self._write(at + (-4 if left else 4) / self.per, y, text, color, ha="right" if left else "left")

    def _write(self, x: float, y: float, text: str, color: str, **look: Any) -> None:
        look |= {"fontsize": LETTERS, "color": color, "parse_math": False, "va": "baseline"}
        self.axes.text(x, y, text, **look)

    def _regions(self) -> list[tuple[float, float]]:
        low, high = self.scale.ends
        if self.scale.start is not None and not self.scale.cuts:
            low = min(low, self.scale.start)
        ends = [low, *self.scale.cuts, high]
        return list(pairwise(ends))

    def _bins(self, values: Array, size: float) -> tuple[Array, Array]:
        """Where each value's mark stands, in points from the scale's zero, and how many stand below it."""
        at = np.empty(len(values))
        which = self.scale.side(values)
        for i, (low, high) in enumerate(self._regions()):
            here = which == i
            bins = max(1, int((high - low) * self.per / size))  # whole marks between two lines
            width = (high - low) / bins
            number = np.clip(np.floor((values[here] - low) / max(width, 1e-12)), 0, bins - 1)
            at[here] = low + (number + 0.5) * width
        order = np.arange(len(values))
        below = np.array([int(np.sum((at == x) & (order < k))) for k, x in enumerate(at)])
        return at, below

    def _size(self, values: Array) -> float:
        """The largest mark with which the highest pile fits."""
        size = LARGEST
        while size > SMALLEST and (self._bins(values, size)[1].max() + 1) * size > self.pile:
            size *= 0.96
        return max(size, SMALLEST)

    def _marks(self, values: Array, y: float, size: float) -> None:
        at, below = self._bins(values, size)
        step = min(size, self.pile / (below.max() + 1))
        which = self.scale.side(values)
        for i, side in enumerate(self.scale.sides):
            here = which == i
            if here.any():
                small = 0.84 if side.marker == "o" else 0.9
                self.axes.plot(
                    at[here], y + 1 + (below[here] + 0.5) * step, ls="", marker=side.marker, ms=small * size - 0.6,
                    mfc=side.fill, mec=side.color, mew=0.6, zorder=3,
                )  # fmt: skip

    def _second(self) -> None:
        """The same scale in d-primes, along the top."""
        low, high = self.scale.ends
        self.axes.spines["top"].set(visible=True, color=QUIET)
        taken = -np.inf
        for d, share in self.scale.d_primes.items():
            x = share * self.per
            if not low <= share <= high or x < taken + 26 or (high - share) * self.per < 3:
                continue
            taken = x
            self.axes.plot([share, share], [self.tall, self.tall + 3], color=QUIET, lw=0.8, clip_on=False)
            self._write(share, self.tall + 5, f"{d:g}", INK, ha="center")
        self.axes.text(
            1.0, self.tall + 5 + LINE - 2, "d-prime", transform=self.axes.get_yaxis_transform(), ha="right",
            fontsize=LETTERS, color=QUIET, va="baseline",
        )  # fmt: skip


def _share(value: float) -> str:
    """A share in 100, with a digit where it would round to an end."""
    return f"{100 * value:.1f}" if value > 0.985 or value < 0.015 else f"{100 * value:.0f}"
