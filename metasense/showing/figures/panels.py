"""Named rows on one scale: each panel alone beside pooled, people, orders and preferences."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import (
    ALONE,
    AVERAGE,
    FAINT,
    INK,
    LEVEL,
    PAPER,
    POOLED,
    QUIET,
    SMALL,
    Answers,
    Key,
    draw_answers,
    draw_key,
    draw_margin,
    draw_ranges,
    in_percent,
    limits,
    name_line,
    on_axes,
    row_size,
    say_margin,
    say_triple,
    short,
    sides_of,
    without_shared,
    wrapped,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


NEXT: dict[str, Any] = {"color": INK, "lw": 1.0, "marker": "D", "size": 6.0, "fill": PAPER}
LEVEL_ALONE = 0.05  # of a panel's own test, one-sided
ACROSS = 335.0  # points from end to end of the scale, about


def forest(
    panels: pd.DataFrame,
    *,
    average: Sequence[float],
    next_panel: Sequence[float] | None = None,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "d-prime (0 is pure guessing)",
    order: str = "estimate",
    noun: str = "panel",
    signed: bool = False,
    summary: str = "",
    answers: Answers | None = None,
    ax: Axes | Figure | None = None,
) -> Axes:
    """Every panel alone and pooled, the average over panels, and the next panel.

    Parameters
    ----------
    panels : DataFrame
        One row a panel: ``panel``; ``pooled, pooled_lower, pooled_upper`` and, where wanted, ``alone, alone_lower,
        alone_upper`` (missing values are left blank, infinite ones become arrows); where present,
        ``pooled_lower_half, pooled_upper_half`` bound a thicker line, a ``p_value`` says which panels are
        statistically significant alone, and ``protocol``, ``correct`` and ``tastings`` are written at the right.
    average, next_panel : tuple of float
        Lower bound, median, upper bound; or five, with the bounds of a thicker line beside the median.
    margin : float, optional
        The smallest difference that matters, in the same unit; the band from 0 to it is shaded.
    order : {"estimate", "table"}
        Panels by pooled estimate, or as they stand in the table.
    noun : str
        What a row is, where it is no panel.
    signed : bool
        Whether panels have a direction: below 0 is against it, the average is one of sizes, the margin lies both ways.
    summary : str
        What `average` is, where it is another.
    answers : (str, dict), optional
        A protocol and the d-primes at shares of its correct answers, for a second scale.

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
    summaries = [(_of_average(summary, signed), np.array([average]), AVERAGE)]
    if next_panel is not None:
        summaries.append(("next panel, size" if signed else "next panel", np.array([next_panel]), NEXT))
    unit = "d-prime (0 is pure guessing; below 0: against the expected direction)" if signed else unit
    shown = "alone" in panels
    pooled = panels[_columns(panels, "pooled")].to_numpy(float)
    alone = panels[_columns(panels, "alone")].to_numpy(float) if shown else np.full((len(panels), 3), np.nan)
    both = np.concatenate([pooled[:, [0, -1]].ravel(), *(values.ravel() for _, values, _ in summaries)])
    low, high = limits(both, alone, [], margin)
    n = len(panels)
    step = max(1, -(-n // 1200))  # beyond 1200 panels all are drawn, and every so many named
    kept, shared = without_shared(panels["panel"].tolist())
    names, lines = wrapped(kept[::step])
    row = row_size(n, lines)
    rows, shift = np.arange(n), 0.2 if shown else 0.0
    sizes = _mark_sizes(panels)
    sides = sides_of(margin, signed=signed)
    with on_axes(ax, 7.4, 1.9 + row * (n + 2.3 + len(summaries))) as axes:
        draw_margin(axes, margin, low, high, both_sides=signed, wide=ACROSS)
        axes.axvline(0, color=FAINT, lw=1, zorder=0.5)
        axes.axhline(n - 0.05, color=FAINT, lw=1)
        draw_ranges(axes, rows - shift, alone, high, **ALONE, filled=_significant(panels), sizes=0.85 * sizes)
        draw_ranges(axes, rows + shift, pooled, high, **POOLED, sides=sides, sizes=sizes)
        labels = [(float(y), name) for y, name in zip(rows[::step], names, strict=True)]
        beside = _counts(panels)[::step]
        for i, (name, values, look) in enumerate(summaries):
            labels.append((n + 0.6 + i, name))
            said = say_triple(values[0, [0, values.shape[1] // 2, -1]].tolist())
            beside.append(f"d-prime {said}")  # the answers to the same panels stand on a second scale
            draw_ranges(axes, np.array([n + 0.6 + i]), values, high, **look, sides=sides)
        _write_rows(axes, labels, beside, bold=len(summaries))
        axes.set(xlim=(low, high), ylim=(n + len(summaries) + 0.3, -0.6 - 0.24 / row))
        arrow = "\u25b8 goes on beyond the figure" if np.any(alone[:, -1] > high) else ""
        notes = [unit, _lines(panels, shown, prob, kind), arrow, *textwrap.wrap(shared, 80)]
        axes.set_xlabel("\n".join(filter(None, notes)), parse_math=False)
        lift = draw_answers(axes, answers, low, high, wide=ACROSS)
        draw_key(axes, _key(panels, noun, shown), lift + 4)
    return axes


def _write_rows(axes: Axes, labels: Sequence[tuple[float, str]], beside: Sequence[str], *, bold: int) -> None:
    """Names at the left and texts at the right of rows, the last few names in bold."""
    axes.set_yticks([y for y, _ in labels], [name for _, name in labels], parse_math=False, fontsize=SMALL)
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    for tick in axes.get_yticklabels()[-bold:]:
        tick.set(fontweight="bold")
    for (y, _), text in zip(labels, beside, strict=True):
        write_beside(axes, y, text, fontsize=SMALL)


def _columns(panels: pd.DataFrame, stem: str) -> list[str]:
    """The columns of a panel's range, with those of the thicker line where they are there."""
    inner = [f"{stem}_lower_half", f"{stem}_upper_half"]
    if not set(inner) <= set(panels):
        return [f"{stem}_lower", stem, f"{stem}_upper"]
    return [f"{stem}_lower", inner[0], stem, inner[1], f"{stem}_upper"]


def _mark_sizes(panels: pd.DataFrame) -> np.ndarray:
    """Marks whose areas grow with the tastings, the largest panel's being the largest."""
    if "tastings" not in panels:
        return np.full(len(panels), 5.0)
    n = pd.to_numeric(panels["tastings"]).astype(float)
    n = n.fillna(n.median()).fillna(1.0)
    return np.maximum(7.0 * np.sqrt(n / max(float(n.max()), 1.0)), 3.0).to_numpy()


def _significant(panels: pd.DataFrame) -> np.ndarray:
    """Which panels are statistically significant by themselves."""
    if "p_value" not in panels:
        return np.zeros(len(panels), bool)
    return pd.to_numeric(panels["p_value"]).le(LEVEL_ALONE).fillna(False).to_numpy(bool)


def _key(panels: pd.DataFrame, noun: str, shown: bool) -> list[Key]:
    if not shown:
        return [(f"each {short(noun)}, with the others", "o", INK, INK)]
    key: list[Key] = [("each panel alone", "o", QUIET, PAPER)]
    if "p_value" in panels:
        key.append((f"alone, statistically significant ({words.percent(LEVEL_ALONE)})", "o", QUIET, QUIET))
    return [*key, ("with the other panels (area: tastings)", "o", INK, INK)]


def alt_forest(
    panels: pd.DataFrame,
    *,
    average: Sequence[float],
    next_panel: Sequence[float] | None = None,
    margin: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    noun: str = "panel",
    signed: bool = False,
    summary: str = "",
    answers: Answers | None = None,
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
    text += f"; the {_of_average(summary, signed)} is {_said(average)}"
    text += f", the next panel {_said(next_panel)}" if next_panel is not None else ""
    text += say_margin(margin)
    return words.one_line(f"{text}; {_lines(panels, 'alone' in panels, prob, kind)}.")


def _said(values: Sequence[float]) -> str:
    """The median and the outer bounds, in words."""
    return say_triple((values[0], values[len(values) // 2], values[-1]))


def _of_average(summary: str, signed: bool) -> str:
    if summary:
        return summary
    return "average size" if signed else "average of panels"


def _lines(panels: pd.DataFrame, shown: bool, prob: float, kind: str) -> str:
    """What the lines of a forest are, the panels alone apart where they differ."""
    names = [words.interval_name(prob, str(k)) for k in panels["alone_kind"].unique()] if "alone_kind" in panels else []
    name = words.interval_name(prob, kind)
    thick = "; thick: its middle half" if len(_columns(panels, "pooled")) == 5 else ""
    if not shown or not set(names) - {name}:
        return f"lines: {name}{thick}"
    return f"lines: {name}{thick};\npanels alone: {words.listing(names)}"


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
    names, deep = wrapped(frame["name"])
    row = row_size(n, deep)
    values, rows = frame[["lower", "median", "upper"]].to_numpy(float), np.arange(n)
    shown = "raw" in frame
    with on_axes(ax, 7.4, 1.9 + row * (n + 0.5)) as axes:
        draw_ranges(axes, rows, values, np.inf, **POOLED)
        if shown:
            axes.plot(frame["raw"], rows, ls="", marker="o", ms=6, mfc="none", mec=QUIET, mew=1.3, zorder=4)
        if level is not None:
            axes.axvline(level, **LEVEL, zorder=1)
            axes.annotate(
                words.one_line(level_label), (level, 1.0), (4, -2), xycoords=axes.get_xaxis_transform(),
                textcoords="offset points", color=INK, fontsize=SMALL, va="top", parse_math=False,
            )  # fmt: skip
        axes.set_yticks(rows, names, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        for y, text in zip(rows.tolist(), frame.get("beside", ()), strict=False):
            write_beside(axes, y, words.one_line(text), fontsize=SMALL)
        axes.set_ylim(n - 0.4, -0.6 - 0.24 / row)
        in_percent(axes.xaxis)
        axes.set_xlabel(f"{xlabel}\nlines: {words.interval_name(prob, kind)}", parse_math=False)
        key: list[Key] = [(raw, "o", QUIET, PAPER)] if shown else []
        draw_key(axes, [*key, (estimate, "o", INK, INK)])
    return axes


def chances(
    names: Iterable[str],
    probability: ArrayLike,
    *,
    beside: Sequence[str] = (),
    xlabel: str = "",
    ax: Axes | Figure | None = None,
) -> Axes:
    """Named rows, each a probability from 0 to 100 %: a mark at the end of its line, and a text at the right.

    Parameters
    ----------
    names : iterable of str
    probability : array_like, shape (rows,)
    beside : sequence of str, optional
        A text for each row.
    xlabel : str
        What is probable.
    """
    values = np.asarray(probability, float)
    rows = np.arange(len(values))
    labels, deep = wrapped(pd.Series(list(names)))
    row = row_size(len(rows), deep)
    with on_axes(ax, 7.4, 1.3 + row * (len(rows) + 0.5)) as axes:
        axes.hlines(rows, 0, values, color=FAINT, lw=2, zorder=2)
        axes.plot(values, rows, ls="", marker="o", ms=6, color=INK, zorder=3)
        axes.axvline(0.5, **LEVEL, zorder=1)
        name_line(axes, 0.5, "as likely as not")
        axes.set_yticks(rows, labels, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        axes.set(xlim=(-0.02, 1.02), ylim=(len(rows) - 0.4, -0.6))
        for y, text in zip(rows.tolist(), beside, strict=False):
            write_beside(axes, y, words.one_line(text), fontsize=SMALL)
        in_percent(axes.xaxis)
        axes.set_xlabel(xlabel, parse_math=False)
    return axes
