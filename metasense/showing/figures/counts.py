"""Probabilities as bars, and counts as marks, one each."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import (
    INK,
    PAPER,
    QUIET,
    SLATE,
    SMALL,
    draw_key,
    in_percent,
    on_axes,
    wrapped,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def bars(
    names: Sequence[str],
    probabilities: Sequence[float],
    *,
    prior: Sequence[float] | None = None,
    marked: int | None = None,
    xlabel: str = "probability",
    ax: Axes | Figure | None = None,
) -> Axes:
    """Probabilities of a few explanations as bars, each beside its prior probability where given.

    `marked` is the place of a bar that stands out from the others.
    """
    rows = np.arange(len(names))
    after = np.asarray(probabilities, float)
    before = None if prior is None else np.asarray(prior, float)
    texts, lines = wrapped(names, 60)
    with on_axes(ax, 7.0, 1.2 + (0.28 if prior is None else 0.6) * max(1, lines) * len(names)) as axes:
        thick, shift = (0.36, 0.19) if before is not None else (0.66, 0.0)
        if before is not None:
            axes.barh(rows - shift, before, thick, color=PAPER, edgecolor=QUIET, lw=1.2, ls=(0, (4, 2)))
            _bar_labels(axes, rows - shift, before, QUIET)
        colors = [SLATE if marked is None or i != marked else INK for i in rows]
        axes.barh(rows + shift, after, thick, color=colors)
        _bar_labels(axes, rows + shift, after, INK)
        most = max(float(np.nanmax(after, initial=0.0)), 0.0 if before is None else float(before.max()), 0.05)
        axes.set(xlim=(0, 1.25 * most), ylim=(len(names) - 0.4, -0.6))
        axes.set_xticks([tick for tick in axes.get_xticks() if tick <= min(1.0, 1.25 * most)])
        in_percent(axes.xaxis)
        axes.set_yticks(rows, texts, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        if marked is not None:
            axes.get_yticklabels()[marked].set(fontweight="bold")
        axes.set_xlabel(xlabel, parse_math=False)
        if prior is not None:
            draw_key(axes, [("before the panels (prior)", "s", QUIET, PAPER), ("now", "s", SLATE, SLATE)])
    return axes


def alt_bars(names: Sequence[str], probabilities: Sequence[float], *, prior: Sequence[float] | None = None) -> str:
    """What :func:`bars` shows, in a sentence."""
    said = [f"{words.one_line(n)} {words.probability(p)}" for n, p in zip(names, probabilities, strict=True)]
    if prior is not None:
        said = [f"{text} (prior {words.probability(p)})" for text, p in zip(said, prior, strict=True)]
    return f"Probabilities: {'; '.join(said)}."


def _bar_labels(axes: Axes, rows: np.ndarray, values: np.ndarray, color: str) -> None:
    for y, value in zip(rows, values, strict=True):
        axes.annotate(
            words.probability(value), (value, y), (5, 0), textcoords="offset points", va="center", color=color,
            fontsize=SMALL,
        )  # fmt: skip


def sets(rows: ArrayLike, *, real: int | None = None, ax: Axes | Figure | None = None) -> Axes:
    """Sets of panels as rows of marks, filled where a panel is statistically significant; one row may be the real one.

    All rows look alike, so that the reader can look for the real one; under the figure it is said which it is.

    Parameters
    ----------
    rows : array_like of bool, shape (sets, panels)
    real : int, optional
        The row that is no simulation.
    """
    filled = np.asarray(rows, bool)
    n, k = len(filled), filled.shape[1]
    letters = [chr(ord("A") + i) for i in range(n)]
    with on_axes(ax, 7.0, 1.5 + 0.24 * n) as axes:
        y, x = np.mgrid[0:n, 0:k]
        size = min(9.0, 300 / k)
        for chosen, face, edge in ((filled, INK, INK), (~filled, PAPER, QUIET)):
            axes.plot(x[chosen], y[chosen], ls="", marker="o", ms=size, mfc=face, mec=edge, mew=1.2)
        axes.set_yticks(range(n), letters, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        for i, count in enumerate(filled.sum(axis=1).tolist()):
            write_beside(axes, i, f"{count} of {k}", fontsize=SMALL)
        axes.set(xlim=(-0.7, k - 0.3), ylim=(n - 0.4, -0.6), xticks=[])
        axes.spines["bottom"].set_visible(False)
        which = "which row?" if real is None else f"row {letters[real]}."
        axes.set_xlabel(f"{n - 1} rows are simulated with one and the same difference;\none is these panels: {which}")
        key = [("statistically significant", "o", INK, INK), ("not statistically significant", "o", QUIET, PAPER)]
        draw_key(axes, key)
    return axes


Part = tuple[float, float, float, "Callable[[Axes], Axes]"]  # inches above, of and below its axes, and what draws it


def stacked(parts: Sequence[Part], *, width: float = 7.0, ax: Axes | Figure | None = None) -> Axes:
    """Figures above one another, each on axes of its own within those given."""
    whole = sum(above + height + below for above, height, below, _ in parts)
    with on_axes(ax, width, whole) as axes:
        axes.set_axis_off()
        top = whole
        for above, height, below, draw in parts:
            draw(axes.inset_axes((0.0, (top - above - height) / whole, 1.0, height / whole)))
            top -= above + height + below
    return axes


def icons(counts: Mapping[str, int], *, columns: int | None = None, ax: Axes | Figure | None = None) -> Axes:
    """Counts as rows of marks, one mark each, so that a share can be seen rather than computed.

    `counts` gives what each kind of mark stands for and how many there are, in order. Rows are of 10 marks, of more
    where there are hundreds.
    """
    looks = [("o", INK, INK), ("o", PAPER, QUIET), ("s", SLATE, SLATE), ("^", PAPER, INK)]
    total = sum(counts.values())
    columns = columns or (10 if total <= 150 else 25 if total <= 1000 else 50)
    deep = -(-total // columns)
    texts, lines = wrapped([f"{words.whole(n)} {name}" for name, n in counts.items()], 44)
    gap = max(1.0, 0.68 * lines)  # rows of marks that a name takes up
    tall = max(deep, gap * len(counts))
    with on_axes(ax, 0.28 * columns + 3.2, 0.5 + 0.28 * tall) as axes:
        start, said = 0, 0.0
        for i, (n, text) in enumerate(zip(counts.values(), texts, strict=True)):
            at = np.arange(start, start + n)
            marker, face, edge = looks[i % len(looks)]
            axes.plot(at % columns, at // columns, ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.plot([columns + 0.6], [said], ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.text(columns + 1.2, said, text, va="center", parse_math=False)
            said += gap
            start += n
        axes.set(xlim=(-0.6, columns + 11.4), ylim=(tall - 0.4, -0.6), aspect="equal", xticks=[], yticks=[])
        axes.spines["bottom"].set_visible(False)
    return axes
