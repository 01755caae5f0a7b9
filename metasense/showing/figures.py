"""Figures in one quiet visual language: frames and numbers in, labelled matplotlib Axes out.

Blue and solid is what the panels together say; grey and hollow is what came before that (a panel alone, a prior);
orange is the margin. Shapes and line styles repeat what the colours say, so the figures read in grey and to any eye.
Every function takes ``ax``: Axes to draw on, an empty :class:`matplotlib.figure.Figure` to be sized and filled (no
pyplot involved), or None for a new pyplot figure. Nothing is ever shown, dropped, or read from a name as mathematics.
Each figure ``x`` has a sentence ``alt_x`` that says what it shows to someone who cannot see it.
"""

from __future__ import annotations

import base64
import html
import io
import re
import threading
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from . import words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, QUIET, FAINT, PAPER = "#1f2328", "#646b75", "#d5d9df", "#ffffff"
BLUE, WASH, ORANGE, BAND = "#0068a3", "#cfe2f0", "#a84f00", "#f3ede4"
_DARK = {INK: "#e7e9ec", QUIET: "#a7aeb8", FAINT: "#444b55", PAPER: "#15181d"}
_DARK |= {BLUE: "#62b8ee", WASH: "#1d3c52", ORANGE: "#f2a65a", BAND: "#2b251d"}

_ALONE: dict[str, Any] = {"color": QUIET, "lw": 1.0, "marker": "o", "size": 4.5, "fill": PAPER}
_POOLED: dict[str, Any] = {"color": BLUE, "lw": 1.8, "marker": "o", "size": 4.5, "fill": BLUE}
_AVERAGE: dict[str, Any] = {"color": INK, "lw": 2.6, "marker": "D", "size": 7.0, "fill": INK}
_NEXT: dict[str, Any] = {"color": INK, "lw": 1.4, "marker": "D", "size": 6.0, "fill": PAPER}

Triple = tuple[float, float, float]


# --- each panel alone, beside pooled --------------------------------------------------------------------------------


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
    summaries = [(summary or ("average size" if signed else "average of panels"), average, _AVERAGE)]
    if next_panel is not None:
        summaries.append(("next panel, size" if signed else "next panel", next_panel, _NEXT))
    unit = "d-prime (0 is pure guessing; below 0: against the expected direction)" if signed else unit
    pooled = panels[["pooled_lower", "pooled", "pooled_upper"]].to_numpy(float)
    shown = "alone" in panels
    alone = panels[["alone_lower", "alone", "alone_upper"]].to_numpy(float) if shown else np.full(pooled.shape, np.nan)
    low, high = _limits(pooled, alone, [triple for _, triple, _ in summaries], margin)
    arrow = "\n▸ goes on beyond the figure" if np.any(alone[:, 2] > high) else ""
    n = len(panels)
    rows, shift = np.arange(n), 0.17 if shown else 0.0
    row, size = _row(n)
    step = max(1, -(-n // 2000))  # beyond 2000 panels all are drawn, and every so many named
    with _axes(ax, 7.4, 1.5 + row * (n + 2 + len(summaries))) as axes:
        if margin is not None:
            _margin(axes, margin, low, high, start=-margin if signed else 0.0)
        axes.axvline(0, color=FAINT, lw=1, zorder=0.5)
        axes.axhline(n - 0.05, color=FAINT, lw=1)
        _ranges(axes, rows - shift, alone, high, **_ALONE)
        _ranges(axes, rows + shift, pooled, high, **_POOLED)
        labels = [(float(y), _short(name), size) for y, name in zip(rows[::step], panels["panel"][::step], strict=True)]
        beside = _counts(panels)[::step]
        for i, (name, triple, look) in enumerate(summaries):
            labels.append((n + 0.6 + i, name, 9.0))
            beside.append(_triple(triple))
            _ranges(axes, np.array([n + 0.6 + i]), np.array([triple]), high, **look)
        axes.set_yticks([y for y, *_ in labels], [name for _, name, _ in labels], parse_math=False, fontsize=size)
        for tick in axes.get_yticklabels()[-len(summaries) :]:
            tick.set(fontsize=9, fontweight="bold")
        right = axes.get_yaxis_transform()
        for (y, _, points), text in zip(labels, beside, strict=True):
            axes.text(1.03, y, text, transform=right, va="center", fontsize=points, parse_math=False)
        axes.set(xlim=(low, high), ylim=(n + len(summaries) + 0.3, -1.2))
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.set_xlabel(f"{unit}\n{_lines(panels, shown, prob, kind)}{arrow}")
        key = [("○ each panel alone", QUIET), ("● with the other panels", BLUE)]
        _key(axes, key if shown else [(f"● each {_short(noun)}, with the others", BLUE)])
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
    summary = summary or ("average size" if signed else "average of panels")
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
    text += f"; the {summary} is {_triple(average)}"
    text += f", the next panel {_triple(next_panel)}" if next_panel is not None else ""
    text += f"; the margin is {words.d(margin)}" if margin is not None else ""
    return words.one_line(f"{text}; {_lines(panels, 'alone' in panels, prob, kind)}.")


def _lines(panels: pd.DataFrame, shown: bool, prob: float, kind: str) -> str:
    """What the lines of a forest are, the panels alone apart where they differ."""
    names = [words.interval_name(prob, str(k)) for k in panels["alone_kind"].unique()] if "alone_kind" in panels else []
    name = words.interval_name(prob, kind)
    if not shown or not set(names) - {name}:
        return f"lines: {name}"
    return f"lines: {name};\npanels alone: {words.listing(names)}"


# --- people, orders, preferences: named rows on one scale -----------------------------------------------------------


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
    row, size = _row(n)
    values, rows = frame[["lower", "median", "upper"]].to_numpy(float), np.arange(n)
    shown = "raw" in frame
    with _axes(ax, 7.4, 1.7 + row * n) as axes:
        _ranges(axes, rows, values, np.inf, **_POOLED)
        if shown:
            axes.plot(frame["raw"], rows, ls="", marker="o", ms=6, mfc="none", mec=QUIET, mew=1.3, zorder=4)
        if level is not None:
            axes.axvline(level, color=ORANGE, lw=1.2, ls=(0, (6, 3)), zorder=1)
            axes.annotate(
                words.one_line(level_label), (level, 1.0), (4, 3), xycoords=axes.get_xaxis_transform(),
                textcoords="offset points", color=ORANGE, fontsize=8.5, va="bottom", parse_math=False,
            )  # fmt: skip
        _rows(axes, rows, frame["name"], size)
        for y, text in zip(rows.tolist(), frame.get("beside", ()), strict=False):
            axes.text(1.03, y, words.one_line(text), transform=axes.get_yaxis_transform(), va="center", fontsize=size,
                      parse_math=False)  # fmt: skip
        axes.set_ylim(n - 0.4, -0.6)
        axes.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.3g} %")
        axes.set_xlabel(f"{xlabel}\nlines: {words.interval_name(prob, kind)}", parse_math=False)
        _key(axes, [(f"○ {raw}", QUIET)] * shown + [(f"● {estimate}", BLUE)])
    return axes


# --- one quantity ---------------------------------------------------------------------------------------------------


def posterior_density(
    x: ArrayLike,
    density: ArrayLike,
    *,
    prior_density: ArrayLike | None = None,
    margin: float | None = None,
    below: float | None = None,
    interval: Triple | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "average d-prime",
    ax: Axes | Figure | None = None,
) -> Axes:
    """The posterior of one quantity beside its prior, cut at the margin.

    Parameters
    ----------
    x, density, prior_density : array_like, shape (n,)
        Densities on the same points.
    below : float, optional
        Posterior probability below the margin, to be written above the figure.
    interval : tuple of float, optional
        Lower bound, median, upper bound; drawn under the density.
    """
    x, density = np.asarray(x, float), np.asarray(density, float)
    top = float(density.max())
    with _axes(ax, 7.0, 3.4) as axes:
        if margin is not None:
            _margin(axes, margin, x[0], x[-1], text_y=1.0)
        axes.fill_between(x, density, color=WASH, lw=0)
        axes.plot(x, density, color=BLUE, lw=2)
        peak = int(density.argmax())
        _at_curve(axes, x, density, int(np.flatnonzero(density >= 0.6 * density[peak])[-1]), "now", BLUE)
        if prior_density is not None:
            before = np.asarray(prior_density, float)
            top = max(top, float(before.max()))
            axes.plot(x, before, color=QUIET, lw=1.4, ls=(0, (5, 3)))
            right = np.flatnonzero((density < 0.05 * density[peak]) & (np.arange(len(x)) > peak))
            at = int(right[0]) if len(right) else int((before - density).argmax())
            _at_curve(axes, x, before, at, "before the panels (prior)", QUIET)
        if interval is not None:
            look = _AVERAGE | {"color": BLUE, "fill": BLUE}
            _ranges(axes, np.array([-0.07 * top]), np.array([interval]), x[-1], **look)
        axes.set(xlim=(x[0], x[-1]), ylim=(-0.14 * top, 1.16 * top), yticks=[])
        bar = f"\nbar: median and {words.interval_name(prob, kind)}" if interval is not None else ""
        axes.set_xlabel(f"{unit}; height: probability density{bar}")
        if margin is not None and below is not None:
            sides = f"{words.probability(below)} below the margin, {words.probability(1 - below)} above"
            _key(axes, [(sides, INK)], lift=16)
    return axes


def alt_posterior_density(
    *,
    interval: Triple,
    margin: float | None = None,
    below: float | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    unit: str = "average d-prime",
) -> str:
    """What :func:`posterior_density` shows, in a sentence."""
    text = f"The {unit}: {_triple(interval)}, {words.interval_name(prob, kind)}"
    if margin is not None and below is not None:
        text += f"; the probability below the margin of {words.d(margin)} is {words.probability(below)}"
    return f"{text}."


# --- in date order --------------------------------------------------------------------------------------------------


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
    row, size = _row(n)
    values = frame[["lower", "median", "upper"]].to_numpy(float)
    low, high = _limits(values, values, [], margin)
    with _axes(ax, 7.0, 1.6 + row * n) as axes:
        if margin is not None:
            _margin(axes, margin, low, high)
        axes.fill_betweenx(rows, values[:, 0], values[:, 2], color=WASH, lw=0, zorder=1)
        axes.hlines(rows, values[:, 0], values[:, 2], color=BLUE, lw=0.8, zorder=2)
        axes.plot(values[:, 1], rows, color=BLUE, lw=1.6, marker="o", ms=4.5, zorder=3)
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.9))
        _rows(axes, rows, frame["panel"], size)
        if "date" in frame:
            for y, date in enumerate(frame["date"]):
                text = "" if pd.isna(date) else str(date).removesuffix(" 00:00:00")
                axes.text(
                    1.03,
                    y,
                    words.one_line(text),
                    transform=axes.get_yaxis_transform(),
                    va="center",
                    fontsize=size,
                    color=QUIET,
                    parse_math=False,
                )
        axes.set_xlabel(f"{unit}\nline: median; band: {words.interval_name(prob, kind)}")
        _key(axes, [("after adding, from the top:", INK)])
    return axes


def alt_path(
    frame: pd.DataFrame, *, margin: float | None = None, prob: float = 0.95, kind: str = "equal-tailed"
) -> str:
    """What :func:`path` shows, in a sentence."""
    if frame.empty:
        return "No panels."
    first, last = (_triple(tuple(frame.iloc[i][["lower", "median", "upper"]])) for i in (0, -1))
    steps = words.count(len(frame), "panel")
    text = f"The average d-prime as {steps} came in, from {first} after the first to {last} after the last"
    text += f"; the margin is {words.d(margin)}" if margin is not None else ""
    return f"{text}; ranges are the {words.interval_name(prob, kind)}."


# --- under other choices ----------------------------------------------------------------------------------------------


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
    row, size = _row(n)
    values = frame[["lower", "median", "upper"]].to_numpy(float)
    low, high = _limits(values, values, [], margin)
    other = frame["verdict_changes"].to_numpy(bool) if "verdict_changes" in frame else np.zeros(n, bool)
    with _axes(ax, 8.6, 1.6 + row * n) as axes:
        if margin is not None:
            _margin(axes, margin, low, high)
        axes.axvline(values[0, 1], color=FAINT, lw=1, zorder=0.5)
        _ranges(axes, rows[:1], values[:1], high, **_AVERAGE)
        same, changed = (rows > 0) & ~other, (rows > 0) & other
        _ranges(axes, rows[same], values[same], high, **_POOLED)
        _ranges(axes, rows[changed], values[changed], high, **_POOLED | {"color": ORANGE, "fill": PAPER, "marker": "s"})
        axes.set(xlim=(low, high), ylim=(n - 0.3, -0.9))
        _rows(axes, rows, frame["name"], size, most=60)
        axes.set_xlabel(f"{unit}\nmarks: median; lines: {words.interval_name(prob, kind)}")
        key = [("◆ the answer", INK), ("● under other choices", BLUE)]
        _key(axes, [*key, ("□ another verdict", ORANGE)] if other.any() else key)
    return axes


def alt_cases(
    frame: pd.DataFrame, *, margin: float | None = None, prob: float = 0.95, kind: str = "equal-tailed"
) -> str:
    """What :func:`cases` shows, in a sentence."""
    first, rest = frame.iloc[0], frame.iloc[1:]
    text = f"The average d-prime is {_triple(tuple(first[['lower', 'median', 'upper']]))}"
    if len(rest):
        lowest, highest = rest.loc[rest["median"].idxmin()], rest.loc[rest["median"].idxmax()]
        text += (
            f"; under {words.count(len(rest), 'other choice')} its median runs from {words.d(lowest['median'])} "
            f"({words.one_line(lowest['name'])}) to {words.d(highest['median'])} ({words.one_line(highest['name'])})"
        )
    text += f"; the margin is {words.d(margin)}" if margin is not None else ""
    if "verdict_changes" in frame:
        text += f"; {words.count(int(frame['verdict_changes'].sum()), 'case')} with another verdict"
    return f"{text}; ranges are the {words.interval_name(prob, kind)}."


# --- one number against another -------------------------------------------------------------------------------------


def curve(
    x: ArrayLike,
    middle: ArrayLike,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    points: pd.DataFrame | None = None,
    level: float | None = None,
    level_label: str = "",
    xlabel: str = "",
    ylabel: str = "",
    percent: bool = False,
    dots: bool = False,
    signed: bool = False,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    ax: Axes | Figure | None = None,
) -> Axes:
    """A curve with its band and the points behind it: an answer against a moderator, or power against tasters.

    Parameters
    ----------
    x, middle, lower, upper : array_like, shape (n,)
        The curve and, where given, its interval.
    points : DataFrame, optional
        ``x``, ``y``, and where present ``lower, upper`` and a ``label``. Those with the same x are set side by side;
        what is far beyond the curve ends in an arrow.
    level : float, optional
        A level to compare with, drawn across and labelled.
    signed : bool
        The vertical axis has two sides, and the level lies on both, as far as the band reaches there.
    percent : bool
        The vertical axis holds proportions.
    dots : bool
        Mark every point of the curve, for a curve that exists at whole numbers only.
    """
    x, middle = np.asarray(x, float), np.asarray(middle, float)
    with _axes(ax, 7.0, 3.8) as axes:
        if lower is not None and upper is not None:
            axes.fill_between(x, np.asarray(lower, float), np.asarray(upper, float), color=WASH, lw=0, zorder=1)
            ylabel = f"{ylabel}\nband: {words.interval_name(prob, kind)}"
        axes.plot(x, middle, color=BLUE, lw=1.0 if dots else 2.0, marker="o" if dots else "", ms=3, zorder=3)
        if level is not None:
            below = signed and lower is not None and np.min(np.asarray(lower, float)) < 0
            for side in (level, -level) if below else (level,):
                axes.axhline(side, color=ORANGE, lw=1.2, ls=(0, (6, 3)), zorder=2)
                axes.text(
                    1.01,
                    side,
                    words.one_line(level_label),
                    transform=axes.get_yaxis_transform(),
                    color=ORANGE,
                    va="center",
                    parse_math=False,
                )
        if signed:
            axes.axhline(0, color=FAINT, lw=1, zorder=0.5)
        if points is not None:
            points = _apart(points)
            ends = [end for end in ("lower", "upper") if end in points]
            curves = [np.asarray(v, float) for v in (middle, lower, upper) if v is not None]
            edges = _edges(np.concatenate(curves), points["y"], signed)
            beyond = points[["y", *ends]].copy()
            points[["y", *ends]] = beyond.clip(*edges)
            if len(ends) == 2:
                axes.vlines(points["x"], points["lower"], points["upper"], color=QUIET, lw=1, zorder=4)
            inside = beyond["y"].between(*edges)
            look: dict[str, Any] = {"ls": "", "ms": 5.5, "mec": QUIET, "mew": 1.3, "zorder": 5}
            axes.plot(points["x"][inside], points["y"][inside], marker="o", mfc=PAPER, **look)
            for edge, marker, out in (
                (edges[1], "^", (beyond > edges[1]).any(axis=1)),
                (edges[0], "v", (beyond < edges[0]).any(axis=1)),
            ):
                if out.any():
                    axes.plot(points["x"][out], np.full(out.sum(), edge), marker=marker, mfc=QUIET, **look)
            if "label" in points:
                _write(axes, [(place, words.listing(map(_short, names), most=2)) for place, names in _together(points)])
        if percent:
            axes.yaxis.set_major_formatter(lambda value, _: f"{100 * value:.3g} %")
        axes.set_xlabel(xlabel, parse_math=False)
        axes.set_ylabel(ylabel, parse_math=False)
    return axes


def _apart(points: pd.DataFrame) -> pd.DataFrame:
    """The points with those of the same x set a little apart, from low to high."""
    points = points.sort_values(["x", "y"], kind="stable").reset_index(drop=True)
    width = float(points["x"].max() - points["x"].min())
    place, size = points.groupby("x").cumcount(), points.groupby("x")["x"].transform("size")
    return points.assign(group=points["x"], x=points["x"] + 0.012 * width * (place - (size - 1) / 2))


def _edges(curve: np.ndarray, y: pd.Series, signed: bool) -> tuple[float, float]:
    """Beyond which points end in an arrow: far enough for the curve and for every finite point."""
    values = np.concatenate([curve, y[np.isfinite(y)]])
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    room = 0.6 * max(high - min(low, 0.0), 1e-9)
    return (min(low, 0.0) - (room if signed else 0.0), high + room)


def _together(points: pd.DataFrame) -> Iterator[tuple[tuple[float, float], list[str]]]:
    """Where to write the labels of points set apart by `_apart`: those that would cover one another together."""
    close = max(float(points["y"].max() - points["y"].min()), 1e-9) / 20
    for _, column in points.groupby("group"):
        step = column["y"].diff().gt(close).cumsum()
        for _, near in column.groupby(step):
            yield (float(near["x"].iloc[-1]), float(near["y"].iloc[-1])), near["label"].tolist()


def _write(axes: Axes, labels: Sequence[tuple[tuple[float, float], str]], size: float = 8) -> None:
    """Write labels to the right of their places, each as little above or below as keeps it off the others."""
    from matplotlib import patheffects

    axes.autoscale_view()
    points = axes.transData.transform([place for place, _ in labels]) * 72 / axes.figure.dpi
    taken: list[tuple[float, float, float]] = []  # left end, right end and height of what is written
    for (place, text), (x, y) in zip(labels, points, strict=True):
        left, right = x + 5, x + 5 + 0.56 * size * len(text)
        up = next(
            shift
            for shift in (4, *(sign * (4 + step * (size + 1)) for step in range(1, 40) for sign in (1, -1)))
            if all(right < a or left > b or abs(y + shift - at) > size for a, b, at in taken)
        )
        taken.append((left, right, y + up))
        look: dict[str, Any] = {"fontsize": size, "color": QUIET, "parse_math": False, "zorder": 6}
        halo = [patheffects.withStroke(linewidth=2.2, foreground=PAPER)]  # lines pass behind the letters
        axes.annotate(text, place, (5, up), textcoords="offset points", path_effects=halo, **look)


def alt_curve(x: ArrayLike, middle: ArrayLike, *, xlabel: str, ylabel: str, percent: bool = False) -> str:
    """What :func:`curve` shows, in a sentence."""
    x, middle = np.asarray(x, float), np.asarray(middle, float)
    say: Callable[[float], str] = words.percent if percent else words.d
    ends = [f"{say(middle[i])} at {x[i]:g}" for i in (0, -1)]
    return f"{words.one_line(ylabel)} against {words.one_line(xlabel)}: from {ends[0]} to {ends[1]}."


# --- probabilities and counts ---------------------------------------------------------------------------------------


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
    with _axes(ax, 7.0, 1.2 + 0.6 * len(names)) as axes:
        thick, shift = (0.36, 0.19) if prior is not None else (0.6, 0.0)
        if prior is not None:
            before = np.asarray(prior, float)
            axes.barh(rows - shift, before, thick, color=PAPER, edgecolor=QUIET, lw=1.2, ls=(0, (4, 2)))
            _bar_labels(axes, rows - shift, before, QUIET)
        axes.barh(rows + shift, after, thick, color=BLUE)
        _bar_labels(axes, rows + shift, after, INK)
        axes.set(xlim=(0, 1), ylim=(len(names) - 0.4, -0.6))
        axes.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f} %")
        _rows(axes, rows, names, most=60)
        axes.set_xlabel(xlabel, parse_math=False)
        if prior is not None:
            _key(axes, [("□ before the panels (prior)", QUIET), ("■ now", BLUE)])
    return axes


def alt_bars(names: Sequence[str], probabilities: Sequence[float], *, prior: Sequence[float] | None = None) -> str:
    """What :func:`bars` shows, in a sentence."""
    said = [f"{words.one_line(n)} {words.probability(p)}" for n, p in zip(names, probabilities, strict=True)]
    if prior is not None:
        said = [f"{text} (prior {words.probability(p)})" for text, p in zip(said, prior, strict=True)]
    return f"Probabilities: {'; '.join(said)}."


def icons(counts: Mapping[str, int], *, columns: int | None = None, ax: Axes | Figure | None = None) -> Axes:
    """Counts as rows of marks, one mark each, so that a share can be seen rather than computed.

    `counts` gives what each kind of mark stands for and how many there are, in order. Rows are of 10 marks, of more
    where there are hundreds.
    """
    looks = [("o", BLUE, BLUE), ("o", PAPER, QUIET), ("s", ORANGE, ORANGE), ("^", PAPER, INK)]
    total = sum(counts.values())
    columns = columns or (10 if total <= 150 else 25 if total <= 1000 else 50)
    deep = -(-total // columns)
    with _axes(ax, 0.28 * columns + 3.2, 0.5 + 0.28 * max(deep, len(counts))) as axes:
        start = 0
        for i, (name, n) in enumerate(counts.items()):
            at = np.arange(start, start + n)
            marker, face, edge = looks[i % len(looks)]
            axes.plot(at % columns, at // columns, ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.plot([columns + 0.6], [i], ls="", marker=marker, ms=11, mfc=face, mec=edge, mew=1.4)
            axes.text(columns + 1.2, i, f"{words.whole(n)} {_short(name, 60)}", va="center", parse_math=False)
            start += n
        axes.set(
            xlim=(-0.6, columns + 11.4), ylim=(max(deep, len(counts)) - 0.4, -0.6), aspect="equal", xticks=[], yticks=[]
        )
        axes.spines["bottom"].set_visible(False)
    return axes


# --- out of matplotlib ----------------------------------------------------------------------------------------------


def figure_to_data_uri(ax: Axes, *, form: str = "svg", dark: bool = False) -> str:
    """The figure of `ax` as a data URI to embed; the same figure gives the same text every time.

    Parameters
    ----------
    form : {"svg", "png"}
        SVG has its letters as outlines, so it looks alike everywhere and carries no text to be run.
    dark : bool
        Recoloured for a dark page (SVG only).
    """
    if form not in ("svg", "png") or (dark and form != "svg"):
        raise ValueError(
            f"form={form!r}, dark={dark}: a figure is written as 'svg', light or dark, or as 'png', light."
        )
    stream = io.BytesIO()
    settings: dict[Any, Any] = {"svg.hashsalt": "metasense", "svg.fonttype": "path"}
    metadata = {"Date": None, "Creator": None} if form == "svg" else {"Software": None}
    with _settings(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from", category=UserWarning)
        whole = ax.figure.canvas.figure  # also where the axes stand in a subfigure
        whole.savefig(stream, format=form, dpi=160, bbox_inches="tight", facecolor=PAPER, metadata=metadata)
    data = stream.getvalue()
    if dark:
        known = re.compile("|".join(_DARK).encode())
        data = known.sub(lambda match: _DARK[match[0].decode()].encode(), data)
    return f"data:image/{'svg+xml' if form == 'svg' else 'png'};base64,{base64.b64encode(data).decode()}"


@dataclass(frozen=True)
class Drawing:
    """A figure among words and tables: drawn when a notebook asks for it, a sentence where there is only text.

    Attributes
    ----------
    draw : callable
        Given an empty matplotlib Figure, fills it and returns the Axes.
    alt : str
        What the figure shows, in a sentence.

    Examples
    --------
    >>> shares = ["here", "there"], [0.7, 0.3]
    >>> drawing = Drawing(lambda empty: bars(*shares, ax=empty), alt_bars(*shares))
    >>> drawing.to_html()[:32], drawing
    ('<img src="data:image/svg+xml;bas', As a figure: Probabilities: here 70 %; there 30 %.)
    """

    draw: Callable[[Figure], Axes]
    alt: str

    def to_html(self) -> str:
        """The picture itself, with the sentence for those who cannot see it."""
        from matplotlib.figure import Figure

        source, alt = figure_to_data_uri(self.draw(Figure())), html.escape(self.alt)
        return f'<img src="{source}" alt="{alt}" style="max-width:100%">'

    def to_text(self) -> str:
        """The sentence."""
        return f"As a figure: {self.alt}"

    __repr__ = to_text
    _repr_html_ = to_html


# --- the shared look ------------------------------------------------------------------------------------------------


_ONE_AT_A_TIME = threading.RLock()


@contextmanager
def _settings(wanted: Mapping[Any, Any]) -> Iterator[None]:
    """These settings of matplotlib's while the block runs, then those there were.

    Settings are the whole process's: threads that each put back what they found would leave one another's behind. So
    one thread at a time changes them, and only what was changed is put back.
    """
    import matplotlib as mpl

    with _ONE_AT_A_TIME:
        before = {name: mpl.rcParams[name] for name in wanted}
        try:
            mpl.rcParams.update(wanted)
            yield
        finally:
            mpl.rcParams.update(before)


@contextmanager
def _axes(ax: Axes | Figure | None, width: float, height: float) -> Iterator[Axes]:
    """Axes in our look; whatever is drawn inside the block has our fonts, and no setting outlives it."""
    from matplotlib.figure import Figure

    if ax is None:
        import matplotlib.pyplot as plt

        ax = plt.figure()  # outside our settings: a notebook switches its own on when the first figure is made
    look: dict[Any, Any] = {"font.family": _families(), "font.size": 9.5, "text.usetex": False, "text.color": INK}
    look |= {"axes.unicode_minus": True, "lines.solid_capstyle": "butt", "path.sketch": None}
    with _settings(look):
        if isinstance(ax, Figure):
            ax.set(size_inches=(width, min(height, 300)), layout_engine="constrained", facecolor=PAPER)
            axes = ax.add_subplot()
        else:
            axes = ax
        axes.set_facecolor(PAPER)
        axes.grid(False)
        for side, spine in axes.spines.items():
            spine.set(visible=side == "bottom", color=QUIET)
        axes.tick_params(colors=QUIET, labelcolor=INK)
        axes.xaxis.label.set_color(INK)
        axes.yaxis.label.set_color(INK)
        yield axes


def _families() -> list[str]:
    """Our letters, then any installed family that knows other scripts, so that names in them are not boxes."""
    from matplotlib.font_manager import fontManager

    others = ("Noto Sans CJK JP", "Noto Sans", "Hiragino Sans", "Yu Gothic", "Microsoft YaHei", "Arial Unicode MS")
    known = set(fontManager.get_font_names())
    return ["DejaVu Sans", *(name for name in others if name in known)]


def _row(n: int) -> tuple[float, float]:
    """Height of a row (inches) and size of its letters (points): beyond 60 rows they draw together, to a limit."""
    height = min(0.34, max(0.19, 0.34 * 60 / max(n, 1)))
    return height, min(9.0, 32 * height)


def _ranges(
    axes: Axes,
    y: np.ndarray,
    values: np.ndarray,
    edge: float,
    *,
    color: str,
    lw: float,
    marker: str,
    size: float,
    fill: str,
    ls: Any = "-",
) -> None:
    """Rows of lower, middle, upper as lines with a mark; what passes the edge ends in an arrow there."""
    lower, middle, upper = values.T
    axes.hlines(y, lower, np.minimum(upper, edge), color=color, lw=lw, ls=ls, zorder=2)
    axes.plot(np.minimum(middle, edge), y, ls="", marker=marker, ms=size, mfc=fill, mec=color, mew=1.2, zorder=3)
    beyond = y[upper > edge]
    if len(beyond):  # an empty line that is not clipped would still be given room
        ends = np.full(len(beyond), edge)
        axes.plot(ends, beyond, ls="", marker=">", ms=size, mfc=color, mec=color, clip_on=False, zorder=4)


def _limits(
    main: np.ndarray, other: np.ndarray, summaries: Sequence[Triple], margin: float | None
) -> tuple[float, float]:
    """Horizontal limits that hold everything in `main`, and of `other` what does not squeeze it."""
    values = np.concatenate([main.ravel(), np.ravel(summaries), [0.0 if margin is None else 1.15 * margin]])
    values = values[np.isfinite(values)]
    rest = other[np.isfinite(other)]
    high = max(float(values.max()), 0.1)
    high = max(high, min(float(rest.max(initial=0.0)), 1.6 * high))
    low = min(float(values.min()), float(rest.min(initial=0.0)), 0.0)
    return low - 0.03 * (high - low), high + 0.03 * (high - low)


def _margin(axes: Axes, margin: float, low: float, high: float, text_y: float = 1.0, start: float = 0.0) -> None:
    axes.axvspan(max(start, low), margin, color=BAND, lw=0, zorder=0)
    for side in (margin, start) if low < start < 0 else (margin,):
        axes.axvline(side, color=ORANGE, lw=1.2, ls=(0, (6, 3)), zorder=1.5)
    right = margin > low + 0.75 * (high - low)
    axes.annotate(
        f"◂ smaller than the margin, {words.d(margin)}",
        (margin, text_y), (-4 if right else 0, 3), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
        color=ORANGE, fontsize=8.5, ha="right" if right else "left", va="bottom",
    )  # fmt: skip


def _at_curve(axes: Axes, x: np.ndarray, y: np.ndarray, at: int, text: str, color: str) -> None:
    """A curve's name beside it, at its point `at`, readable over whatever lies there."""
    from matplotlib.patheffects import withStroke

    halo = [withStroke(linewidth=3, foreground=PAPER)]
    axes.annotate(text, (x[at], y[at]), (6, 4), textcoords="offset points", color=color, path_effects=halo, zorder=6)


def _key(axes: Axes, entries: Sequence[tuple[str, str]], lift: float = 18) -> None:
    """What the marks mean, one after the other in their own colours above the figure."""
    along = 0.0
    for text, color in entries:
        axes.annotate(
            text, (0, 1), (along, lift), xycoords="axes fraction", textcoords="offset points", color=color, va="bottom"
        )  # fmt: skip
        along += 5.8 * len(text) + 16  # a letter is about so wide, in points


def _rows(axes: Axes, rows: np.ndarray, names: Sequence[str] | pd.Series, size: float = 9.5, most: int = 34) -> None:
    axes.set_yticks(rows, [_short(name, most) for name in names], parse_math=False, fontsize=size)
    axes.tick_params(axis="y", length=0)


def _bar_labels(axes: Axes, rows: np.ndarray, values: np.ndarray, color: str) -> None:
    for y, value in zip(rows, values, strict=True):
        inside = value > 0.85
        axes.annotate(
            words.probability(value), (value, y), (-5 if inside else 5, 0), textcoords="offset points", va="center",
            ha="right" if inside else "left", color=PAPER if inside and color == INK else color,
        )  # fmt: skip


def _counts(panels: pd.DataFrame) -> list[str]:
    """What stands at the right of each panel: ``triangle, 8 of 24``."""
    out = []
    for row in panels.to_dict("records"):
        n, x = row.get("tastings"), row.get("correct")
        counted = "" if n is None or x is None or n != n or x != x else f"{words.whole(x)} of {words.whole(n)}"
        out.append(", ".join(filter(None, [words.one_line(row.get("protocol", "")), counted])))
    return out


def _triple(values: Sequence[float]) -> str:
    lower, middle, upper = words.distinct(*values)
    return f"{middle} ({words.span(lower, upper)})"


def _short(name: object, most: int = 34) -> str:
    """A name that fits beside a figure; a long one keeps both its ends."""
    text = words.one_line(name)
    return text if len(text) <= most else f"{text[: most * 2 // 3]}…{text[-(most // 3 - 1) :]}"
