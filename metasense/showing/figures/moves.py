"""How the answer moves: as the panels came in, and under other choices."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from metasense.showing import words
from metasense.showing.figures.look import (
    AVERAGE,
    FAINT,
    INK,
    PAPER,
    POOLED,
    QUIET,
    SMALL,
    draw_key,
    draw_margin,
    draw_ranges,
    limits,
    on_axes,
    row_size,
    say_margin,
    say_triple,
    sides_of,
    wrapped,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


ACROSS = 330.0  # points from end to end of the scale, about
MOST = 12  # other choices that have a row of their own


def path(
    frame: pd.DataFrame,
    *,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "average d-prime, from all panels so far",
    ax: Axes | Figure | None = None,
) -> Axes:
    """How the answer moved as the panels came in, step by step.

    `frame` has a row a step, first to last: ``panel`` (the one just added), ``lower, median, upper``, and where present
    a ``date``.
    """
    n, rows = len(frame), np.arange(len(frame))
    names, lines = wrapped(frame["panel"])
    row = row_size(n, lines)
    values = frame[["lower", "median", "upper"]].to_numpy(float)
    low, high = limits(values, values, [], margin)
    with on_axes(ax, 7.0, 1.8 + row * (n + 0.5)) as axes:
        draw_margin(axes, margin, low, high, wide=ACROSS)
        edges = np.arange(n + 1) - 0.5
        for end in (0, 2):
            axes.stairs(values[:, end], edges, orientation="horizontal", color=QUIET, lw=0.8, baseline=None)
        draw_ranges(axes, rows, values, high, **POOLED, sides=sides_of(margin))
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.6 - 0.24 / row))
        axes.set_yticks(rows, names, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        if "date" in frame:
            for y, date in enumerate(frame["date"]):
                text = "" if pd.isna(date) else str(date).removesuffix(" 00:00:00")
                write_beside(axes, y, words.one_line(text), fontsize=SMALL, color=QUIET)
        axes.set_xlabel(f"{unit}\nmarks: median; lines: {words.interval_name(prob, kind)}")
        draw_key(axes, [("after adding, from the top:", "", INK, INK)])
    return axes


def alt_path(
    frame: pd.DataFrame, *, margin: float | None = None, prob: float = 0.95, kind: str = "equal-tailed"
) -> str:
    """What :func:`path` shows, in a sentence."""
    if frame.empty:
        return "No panels."
    first, last = (say_triple(tuple(frame.iloc[i][["lower", "median", "upper"]])) for i in (0, -1))
    steps = words.count(len(frame), "panel")
    text = f"The average d-prime as {steps} came in, from {first} after the first to {last} after the last"
    text += say_margin(margin)
    return f"{text}; ranges are the {words.interval_name(prob, kind)}."


def cases(
    frame: pd.DataFrame,
    *,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "average d-prime",
    ax: Axes | Figure | None = None,
) -> Axes:
    """The answer, and below it the same answer under other choices, those that move it most first.

    `frame` has a row a case, the answer itself first: ``name``, ``lower, median, upper``, and where present
    ``verdict_changes``, which marks the cases that lead to another verdict. The cases that move the answer least share
    the last row.
    """
    shown = frame.iloc[_by_movement(frame)]
    rest = shown.iloc[MOST + 1 :]
    shown = shown if len(rest) < 2 else shown.iloc[: MOST + 1]
    rest = rest if len(rest) > 1 else rest.iloc[:0]
    labels = shown["name"].tolist() + ([f"{len(rest)} others that move it less: their medians"] if len(rest) else [])
    names, lines = wrapped(labels, 48)
    n, rows = len(labels), np.arange(len(labels))
    row = row_size(n, lines)
    values = shown[["lower", "median", "upper"]].to_numpy(float)
    low, high = limits(values, values, [], margin)
    other = shown["verdict_changes"].to_numpy(bool) if "verdict_changes" in shown else np.zeros(len(shown), bool)
    sides = sides_of(margin)
    with on_axes(ax, 8.6, 1.8 + row * (n + 0.5)) as axes:
        draw_margin(axes, margin, low, high, wide=ACROSS)
        axes.vlines(values[0, 1], -0.4, n - 0.3, color=FAINT, lw=1, zorder=0.5)
        draw_ranges(axes, rows[:1], values[:1], high, **AVERAGE, sides=sides)
        under = np.arange(len(shown))
        same = (under > 0) & ~other
        changed = (under > 0) & other
        draw_ranges(axes, under[same], values[same], high, **POOLED, sides=sides)
        draw_ranges(axes, under[changed], values[changed], high, **POOLED | {"marker": "s", "fill": PAPER}, sides=sides)
        if len(rest):
            spread = rest["median"]
            axes.plot([spread.min(), spread.max()], [n - 1, n - 1], color=QUIET, lw=3.0, marker="|", ms=7)
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.6 - 0.24 / row))
        axes.set_yticks(rows, names, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        axes.set_xlabel(f"{unit}\nmarks: median; lines: {words.interval_name(prob, kind)}")
        key = [("the answer", "D", INK, INK), ("under other choices", "o", INK, INK)]
        draw_key(axes, [*key, ("another verdict", "s", INK, PAPER)] if other.any() else key, columns=3)
    return axes


def _by_movement(frame: pd.DataFrame) -> list[int]:
    """The answer first, then the cases with another verdict, then the others, each by how far they move the median."""
    moved = (frame["median"] - frame["median"].iloc[0]).abs().to_numpy(float)
    changes = frame["verdict_changes"].to_numpy(bool) if "verdict_changes" in frame else np.zeros(len(frame), bool)
    order = sorted(range(1, len(frame)), key=lambda i: (not changes[i], -moved[i]))
    return [0, *order]


def alt_cases(
    frame: pd.DataFrame, *, margin: float | None = None, prob: float = 0.95, kind: str = "equal-tailed"
) -> str:
    """What :func:`cases` shows, in a sentence."""
    first, rest = frame.iloc[0], frame.iloc[1:]
    text = f"The average d-prime is {say_triple(tuple(first[['lower', 'median', 'upper']]))}"
    if len(rest):
        lowest, highest = rest.loc[rest["median"].idxmin()], rest.loc[rest["median"].idxmax()]
        text += (
            f"; under {words.count(len(rest), 'other choice')} its median runs from {words.d(lowest['median'])} "
            f"({words.one_line(lowest['name'])}) to {words.d(highest['median'])} ({words.one_line(highest['name'])})"
        )
    text += say_margin(margin)
    if "verdict_changes" in frame:
        text += f"; {words.count(int(frame['verdict_changes'].sum()), 'case')} with another verdict"
    return f"{text}; ranges are the {words.interval_name(prob, kind)}."
