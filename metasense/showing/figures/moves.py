"""How the answer moves: as the panels came in, and under other choices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.showing import words
from metasense.showing.figures.look import (
    AVERAGE,
    BLUE,
    FAINT,
    INK,
    ORANGE,
    PAPER,
    POOLED,
    QUIET,
    WASH,
    draw_key,
    draw_margin,
    draw_ranges,
    limits,
    name_rows,
    on_axes,
    row_size,
    say_margin,
    say_triple,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_CHANGED: dict[str, Any] = POOLED | {"color": ORANGE, "fill": PAPER, "marker": "s"}


def path(
    frame: pd.DataFrame,
    *,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "average d-prime, from all panels so far",
    ax: Axes | Figure | None = None,
) -> Axes:
    """How the answer moved as the panels came in.

    `frame` has a row a step, first to last: ``panel`` (the one just added), ``lower, median, upper``, and where present
    a ``date``.
    """
    n, rows = len(frame), np.arange(len(frame))
    row, size = row_size(n)
    values = frame[["lower", "median", "upper"]].to_numpy(float)
    low, high = limits(values, values, [], margin)
    with on_axes(ax, 7.0, 1.6 + row * n) as axes:
        draw_margin(axes, margin, low, high)
        axes.fill_betweenx(rows, values[:, 0], values[:, 2], color=WASH, lw=0, zorder=1)
        axes.hlines(rows, values[:, 0], values[:, 2], color=BLUE, lw=0.8, zorder=2)
        axes.plot(values[:, 1], rows, color=BLUE, lw=1.6, marker="o", ms=4.5, zorder=3)
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.9))
        name_rows(axes, rows, frame["panel"], size)
        if "date" in frame:
            for y, date in enumerate(frame["date"]):
                text = "" if pd.isna(date) else str(date).removesuffix(" 00:00:00")
                write_beside(axes, y, words.one_line(text), fontsize=size, color=QUIET)
        axes.set_xlabel(f"{unit}\nline: median; band: {words.interval_name(prob, kind)}")
        draw_key(axes, [("after adding, from the top:", INK)])
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
    """The answer, and below it the same answer under other choices, so that what moves it can be seen.

    `frame` has a row a case, the answer itself first: ``name``, ``lower, median, upper``, and where present
    ``verdict_changes``, which marks the cases that lead to another verdict.
    """
    n, rows = len(frame), np.arange(len(frame))
    row, size = row_size(n)
    values = frame[["lower", "median", "upper"]].to_numpy(float)
    low, high = limits(values, values, [], margin)
    other = frame["verdict_changes"].to_numpy(bool) if "verdict_changes" in frame else np.zeros(n, bool)
    with on_axes(ax, 8.6, 1.6 + row * n) as axes:
        draw_margin(axes, margin, low, high)
        axes.axvline(values[0, 1], color=FAINT, lw=1, zorder=0.5)
        draw_ranges(axes, rows[:1], values[:1], high, **AVERAGE)
        same = (rows > 0) & ~other
        changed = (rows > 0) & other
        draw_ranges(axes, rows[same], values[same], high, **POOLED)
        draw_ranges(axes, rows[changed], values[changed], high, **_CHANGED)
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.9))
        name_rows(axes, rows, frame["name"], size, most=60)
        axes.set_xlabel(f"{unit}\nmarks: median; lines: {words.interval_name(prob, kind)}")
        key = [("◆ the answer", INK), ("● under other choices", BLUE)]
        draw_key(axes, [*key, ("□ another verdict", ORANGE)] if other.any() else key)
    return axes


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
