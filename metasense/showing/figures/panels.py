"""Named rows on one scale: each panel alone beside pooled, people, orders and preferences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.showing import words
from metasense.showing.figures.look import (
    ALONE,
    AVERAGE,
    BLUE,
    FAINT,
    INK,
    LEVEL,
    ORANGE,
    PAPER,
    POOLED,
    QUIET,
    Triple,
    draw_key,
    draw_margin,
    draw_ranges,
    in_percent,
    limits,
    name_rows,
    on_axes,
    row_size,
    say_margin,
    say_triple,
    short,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


NEXT: dict[str, Any] = {"color": INK, "lw": 1.4, "marker": "D", "size": 6.0, "fill": PAPER}


def forest(
    panels: pd.DataFrame,
    *,
    average: Triple,
    next_panel: Triple | None = None,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "d-prime (0 is pure guessing)",
    order: str = "table",
    noun: str = "panel",
    signed: bool = False,
    summary: str = "",
    ax: Axes | Figure | None = None,
) -> Axes:
    """Every panel alone and pooled, the average over panels, and the next panel.

    Parameters
    ----------
    panels : DataFrame
        One row a panel: ``panel``; ``pooled, pooled_lower, pooled_upper`` and, where wanted, ``alone, alone_lower,
        alone_upper`` (missing values are left blank, infinite ones become arrows); ``protocol``, ``correct`` and
        ``tastings`` are written at the right where present.
    average, next_panel : tuple of float
        Lower bound, median, upper bound.
    margin : float, optional
        The smallest difference that matters, in the same unit; the band from 0 to it is shaded.
    order : {"table", "estimate"}
        Panels as they stand in the table, or by pooled estimate.
    noun : str
        What a row is, where it is no panel.
    signed : bool
        Whether panels have a direction: below 0 is against it, the average is one of sizes, the margin lies both ways.
    summary : str
        What `average` is, where it is another.

    Returns
    -------
    Axes
        One row a panel from the top, then the two summaries; taller with every panel.

    Raises
    ------
    ValueError
        If `order` is another word.
    """
    if order not in ("table", "estimate"):
        raise ValueError(f"order is 'table' (as the panels stand there) or 'estimate' (by size); got {order!r}.")
    if order == "estimate":
        panels = panels.sort_values("pooled", kind="stable")
    summaries = [(_of_average(summary, signed), average, AVERAGE)]
    if next_panel is not None:
        summaries.append(("next panel, size" if signed else "next panel", next_panel, NEXT))
    unit = "d-prime (0 is pure guessing; below 0: against the expected direction)" if signed else unit
    pooled = panels[["pooled_lower", "pooled", "pooled_upper"]].to_numpy(float)
    shown = "alone" in panels
    alone = panels[["alone_lower", "alone", "alone_upper"]].to_numpy(float) if shown else np.full(pooled.shape, np.nan)
    low, high = limits(pooled, alone, [triple for _, triple, _ in summaries], margin)
    arrow = "\n▸ goes on beyond the figure" if np.any(alone[:, 2] > high) else ""
    n = len(panels)
    rows, shift = np.arange(n), 0.17 if shown else 0.0
    row, size = row_size(n)
    step = max(1, -(-n // 2000))  # beyond 2000 panels all are drawn, and every so many named
    with on_axes(ax, 7.4, 1.5 + row * (n + 2 + len(summaries))) as axes:
        draw_margin(axes, margin, low, high, both_sides=signed)
        axes.axvline(0, color=FAINT, lw=1, zorder=0.5)
        axes.axhline(n - 0.05, color=FAINT, lw=1)
        draw_ranges(axes, rows - shift, alone, high, **ALONE)
        draw_ranges(axes, rows + shift, pooled, high, **POOLED)
        labels = [(float(y), short(name), size) for y, name in zip(rows[::step], panels["panel"][::step], strict=True)]
        beside = _counts(panels)[::step]
        for i, (name, triple, look) in enumerate(summaries):
            labels.append((n + 0.6 + i, name, 9.0))
            beside.append(say_triple(triple))
            draw_ranges(axes, np.array([n + 0.6 + i]), np.array([triple]), high, **look)
        axes.set_yticks([y for y, *_ in labels], [name for _, name, _ in labels], parse_math=False, fontsize=size)
        for tick in axes.get_yticklabels()[-len(summaries) :]:
            tick.set(fontsize=9, fontweight="bold")
        for (y, _, points), text in zip(labels, beside, strict=True):
            write_beside(axes, y, text, fontsize=points)
        axes.set(xlim=(low, high), ylim=(n + len(summaries) + 0.3, -1.2))
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.set_xlabel(f"{unit}\n{_lines(panels, shown, prob, kind)}{arrow}")
        key = [("○ each panel alone", QUIET), ("● with the other panels", BLUE)]
        draw_key(axes, key if shown else [(f"● each {short(noun)}, with the others", BLUE)])
    return axes


def alt_forest(
    panels: pd.DataFrame,
    *,
    average: Triple,
    next_panel: Triple | None = None,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    noun: str = "panel",
    signed: bool = False,
    summary: str = "",
) -> str:
    """What :func:`forest` shows, in a sentence."""
    each = "each " if len(panels) > 1 else ""
    text = f"{words.count(len(panels), noun)}, {each}{'alone and ' if 'alone' in panels else ''}pooled, by d-prime"
    if len(panels) == 1:
        text += f"; the pooled estimate is {words.d(panels['pooled'].iloc[0])}"
    elif len(panels):
        ranked = panels.sort_values("pooled")
        lowest, highest = ranked.iloc[0], ranked.iloc[-1]
        text += (
            f"; pooled estimates run from {words.d(lowest['pooled'])} ({words.one_line(lowest['panel'])}) to "
            f"{words.d(highest['pooled'])} ({words.one_line(highest['panel'])})"
        )
    text += f"; the {_of_average(summary, signed)} is {say_triple(average)}"
    text += f", the next panel {say_triple(next_panel)}" if next_panel is not None else ""
    text += say_margin(margin)
    return words.one_line(f"{text}; {_lines(panels, 'alone' in panels, prob, kind)}.")


def _of_average(summary: str, signed: bool) -> str:
    if summary:
        return summary
    return "average size" if signed else "average of panels"


def _lines(panels: pd.DataFrame, shown: bool, prob: float, kind: str) -> str:
    """What the lines of a forest are, the panels alone apart where they differ."""
    names = [words.interval_name(prob, str(k)) for k in panels["alone_kind"].unique()] if "alone_kind" in panels else []
    name = words.interval_name(prob, kind)
    if not shown or not set(names) - {name}:
        return f"lines: {name}"
    return f"lines: {name};\npanels alone: {words.listing(names)}"


def _counts(panels: pd.DataFrame) -> list[str]:
    """What stands at the right of each panel: ``triangle, 8 of 24``."""
    out = []
    for row in panels.to_dict("records"):
        n, x = row.get("tastings"), row.get("correct")
        counted = "" if n is None or x is None or n != n or x != x else f"{words.whole(x)} of {words.whole(n)}"
        out.append(", ".join(filter(None, [words.one_line(row.get("protocol", "")), counted])))
    return out


def ranges(
    frame: pd.DataFrame,
    *,
    xlabel: str,
    raw: str = "as counted",
    estimate: str = "given everybody",
    level: float | None = None,
    level_label: str = "",
    prob: float = 0.95,
    kind: str = "equal-tailed",
    ax: Axes | Figure | None = None,
) -> Axes:
    """Named rows of proportions: what was counted (hollow) beside what is believed (a line with a mark).

    Parameters
    ----------
    frame : DataFrame
        One row a row: ``name, lower, median, upper``; where present ``raw`` (drawn hollow) and ``beside`` (text at the
        right).
    xlabel : str
        What the scale is.
    level : float, optional
        A value to compare with, drawn down the figure and labelled.
    """
    n = len(frame)
    row, size = row_size(n)
    values, rows = frame[["lower", "median", "upper"]].to_numpy(float), np.arange(n)
    shown = "raw" in frame
    with on_axes(ax, 7.4, 1.7 + row * n) as axes:
        draw_ranges(axes, rows, values, np.inf, **POOLED)
        if shown:
            axes.plot(frame["raw"], rows, ls="", marker="o", ms=6, mfc="none", mec=QUIET, mew=1.3, zorder=4)
        if level is not None:
            axes.axvline(level, **LEVEL, zorder=1)
            axes.annotate(
                words.one_line(level_label), (level, 1.0), (4, 3), xycoords=axes.get_xaxis_transform(),
                textcoords="offset points", color=ORANGE, fontsize=8.5, va="bottom", parse_math=False,
            )  # fmt: skip
        name_rows(axes, rows, frame["name"], size)
        for y, text in zip(rows.tolist(), frame.get("beside", ()), strict=False):
            write_beside(axes, y, words.one_line(text), fontsize=size)
        axes.set_ylim(n - 0.4, -0.6)
        in_percent(axes.xaxis)
        axes.set_xlabel(f"{xlabel}\nlines: {words.interval_name(prob, kind)}", parse_math=False)
        draw_key(axes, [(f"○ {raw}", QUIET)] * shown + [(f"● {estimate}", BLUE)])
    return axes
