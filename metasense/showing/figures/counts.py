"""Probabilities as bars, and counts as marks, one each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from metasense.showing import words
from metasense.showing.figures.look import (
    BLUE,
    INK,
    ORANGE,
    PAPER,
    QUIET,
    draw_key,
    in_percent,
    name_rows,
    on_axes,
    short,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def bars(
    names: Sequence[str],
    probabilities: Sequence[float],
    *,
    prior: Sequence[float] | None = None,
    xlabel: str = "probability",
    ax: Axes | Figure | None = None,
) -> Axes:
    """Probabilities of a few explanations as bars, each beside its prior probability where given."""
    rows = np.arange(len(names))
    after = np.asarray(probabilities, float)
    with on_axes(ax, 7.0, 1.2 + 0.6 * len(names)) as axes:
        thick, shift = (0.36, 0.19) if prior is not None else (0.6, 0.0)
        if prior is not None:
            before = np.asarray(prior, float)
            axes.barh(rows - shift, before, thick, color=PAPER, edgecolor=QUIET, lw=1.2, ls=(0, (4, 2)))
            _bar_labels(axes, rows - shift, before, QUIET)
        axes.barh(rows + shift, after, thick, color=BLUE)
        _bar_labels(axes, rows + shift, after, INK)
        axes.set(xlim=(0, 1), ylim=(len(names) - 0.4, -0.6))
        in_percent(axes.xaxis)
        name_rows(axes, rows, names, most=60)
        axes.set_xlabel(xlabel, parse_math=False)
        if prior is not None:
            draw_key(axes, [("□ before the panels (prior)", QUIET), ("■ now", BLUE)])
    return axes


def alt_bars(names: Sequence[str], probabilities: Sequence[float], *, prior: Sequence[float] | None = None) -> str:
    """What :func:`bars` shows, in a sentence."""
    said = [f"{words.one_line(n)} {words.probability(p)}" for n, p in zip(names, probabilities, strict=True)]
    if prior is not None:
        said = [f"{text} (prior {words.probability(p)})" for text, p in zip(said, prior, strict=True)]
    return f"Probabilities: {'; '.join(said)}."


def _bar_labels(axes: Axes, rows: np.ndarray, values: np.ndarray, color: str) -> None:
    for y, value in zip(rows, values, strict=True):
        inside = value > 0.85
        axes.annotate(
            words.probability(value), (value, y), (-5 if inside else 5, 0), textcoords="offset points", va="center",
            ha="right" if inside else "left", color=PAPER if inside and color == INK else color,
        )  # fmt: skip


def icons(counts: Mapping[str, int], *, columns: int | None = None, ax: Axes | Figure | None = None) -> Axes:
    """Counts as rows of marks, one mark each, so that a share can be seen rather than computed.

    `counts` gives what each kind of mark stands for and how many there are, in order. Rows are of 10 marks, of more
    where there are hundreds.
    """
    looks = [("o", BLUE, BLUE), ("o", PAPER, QUIET), ("s", ORANGE, ORANGE), ("^", PAPER, INK)]
    total = sum(counts.values())
    columns = columns or (10 if total <= 150 else 25 if total <= 1000 else 50)
    deep = -(-total // columns)
    with on_axes(ax, 0.28 * columns + 3.2, 0.5 + 0.28 * max(deep, len(counts))) as axes:
        start = 0
        for i, (name, n) in enumerate(counts.items()):
            at = np.arange(start, start + n)
            marker, face, edge = looks[i % len(looks)]
            axes.plot(at % columns, at // columns, ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.plot([columns + 0.6], [i], ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.text(columns + 1.2, i, f"{words.whole(n)} {short(name, 60)}", va="center", parse_math=False)
            start += n
        axes.set(
            xlim=(-0.6, columns + 11.4), ylim=(max(deep, len(counts)) - 0.4, -0.6), aspect="equal", xticks=[], yticks=[]
        )
        axes.spines["bottom"].set_visible(False)
    return axes
