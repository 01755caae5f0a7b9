"""One number against another: a curve, its band, and the points behind it with their names."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.labels import write_names
from metasense.showing.figures.look import (
    BLUE,
    FAINT,
    INK,
    LEVEL,
    MIST,
    ORANGE,
    PAPER,
    QUIET,
    in_percent,
    name_line,
    on_axes,
    short,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMED = 6  # points that are named at most
OUTLYING = 0.75  # of a point's own interval, between it and the curve, from which on it is named


def curve(
    x: ArrayLike,
    middle: ArrayLike,
    *,
    lower: ArrayLike | None = None,
    upper: ArrayLike | None = None,
    halves: tuple[ArrayLike, ArrayLike] | None = None,
    points: pd.DataFrame | None = None,
    level: float | None = None,
    level_label: str = "",
    xlabel: str = "",
    ylabel: str = "",
    percent: bool = False,
    dots: bool = False,
    steps: bool = False,
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
    halves : (array_like, array_like), optional
        Bounds of the middle half, for a second band inside the first.
    points : DataFrame, optional
        ``x``, ``y``, and where present ``lower, upper``, a ``size`` that the area of the mark grows with, and a
        ``label``, written beside those that lie far from the curve. Those with the same x are set side by side; what is
        far beyond the curve ends in an arrow.
    level : float, optional
        A level to compare with, drawn across and labelled.
    signed : bool
        The vertical axis has two sides, and the level lies on both, as far as the band reaches there.
    percent : bool
        The vertical axis holds proportions.
    dots : bool
        Mark every point of the curve, for a curve that exists at whole numbers only.
    steps : bool
        Nothing lies between the points: each has its own line from lower to upper in place of a band.
    """
    x, middle = np.asarray(x, float), np.asarray(middle, float)
    band = [np.asarray(end, float) for end in (lower, upper) if end is not None]
    with on_axes(ax, 7.0, 4.0) as axes:
        if len(band) == 2:
            ylabel = f"{ylabel}\n{'lines' if steps else 'band'}: {words.interval_name(prob, kind)}"
        if len(band) == 2 and steps:
            axes.vlines(x, band[0], band[1], color=INK, lw=1.3, zorder=2)
        elif len(band) == 2:
            axes.fill_between(x, band[0], band[1], color=MIST, lw=0, zorder=1)
        if halves is not None:
            axes.fill_between(x, halves[0], halves[1], color=FAINT, lw=0, zorder=1)
        if steps:
            axes.plot(x, middle, color=INK, ls="", marker="o", ms=5.5, zorder=3)
        else:
            axes.plot(x, middle, color=INK, lw=1.0 if dots else 2.0, marker="o" if dots else "", ms=3, zorder=3)
        if level is not None:
            below = signed and lower is not None and np.min(band[0]) < 0
            for side in (level, -level) if below else (level,):
                _draw_level(axes, side, level_label)
        if signed:
            axes.axhline(0, color=FAINT, lw=1, zorder=0.5)
        if percent:
            in_percent(axes.yaxis)
        axes.set_xlabel(xlabel, parse_math=False)
        axes.set_ylabel(ylabel, parse_math=False)
        if points is not None:
            _draw_points(axes, points, x, middle, np.concatenate([middle, *band]), signed)
    return axes


def mark_across(axes: Axes, x: float, label: str) -> None:
    """Mark one place along a :func:`curve`, with its name above the axes."""
    axes.axvline(x, color=QUIET, lw=0.9, ls=":", zorder=1)
    name_line(axes, x, label)


def alt_curve(x: ArrayLike, middle: ArrayLike, *, xlabel: str, ylabel: str, percent: bool = False) -> str:
    """What :func:`curve` shows, in a sentence."""
    x, middle = np.asarray(x, float), np.asarray(middle, float)
    say: Callable[[float], str] = words.percent if percent else words.d
    ends = [f"{say(middle[i])} at {x[i]:g}" for i in (0, -1)]
    return f"{words.one_line(ylabel)} against {words.one_line(xlabel)}: from {ends[0]} to {ends[1]}."


def curves(
    x: ArrayLike,
    named: Mapping[str, ArrayLike],
    *,
    xlabel: str = "",
    ylabel: str = "",
    percent: bool = False,
    ax: Axes | Figure | None = None,
) -> Axes:
    """Several curves over the same numbers, each with its name at its right end and a line that leads there."""
    along = np.asarray(x, float)
    styles = ["-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1.5, 2)), (0, (1, 1))]
    lead = {"arrowstyle": "-", "color": QUIET, "lw": 0.7, "shrinkA": 1, "shrinkB": 1, "relpos": (0, 0.5)}
    ends = {name: float(np.asarray(y, float)[-1]) for name, y in named.items()}
    with on_axes(ax, 7.0, 4.2) as axes:
        for i, y in enumerate(named.values()):
            axes.plot(along, np.asarray(y, float), color=INK, lw=1.5, ls=styles[i % len(styles)])
        if percent:
            in_percent(axes.yaxis)
        low, high = float(along[0]), float(along[-1])
        axes.set(xlim=(low, high))
        axes.set_xlabel(xlabel, parse_math=False)
        axes.set_ylabel(ylabel, parse_math=False)
        tall = axes.get_window_extent().height * 72 / axes.figure.dpi
        bottom, top = axes.get_ylim()
        at = {name: (y - bottom) / (top - bottom) * tall for name, y in ends.items()}
        place = np.inf
        for name in sorted(ends, key=lambda name: -ends[name]):
            place = min(at[name], place - 14.0)  # letters of one line are lower
            axes.annotate(
                words.one_line(name), (1.0, ends[name]), (22, place - at[name]), xycoords=axes.get_yaxis_transform(),
                textcoords="offset points", va="center", color=INK, parse_math=False, annotation_clip=False,
                arrowprops=lead,
            )  # fmt: skip
    return axes


def corridor(
    n: ArrayLike, upper: ArrayLike, lower: ArrayLike, *, guess: float, title: str = "", ax: Axes | Figure | None = None
) -> Axes:
    """The counts from which a difference is called and up to which products are called similar, at each look.

    Few looks are points, as nothing lies between them; many are steps. What is not a number is left out.
    """
    at = np.asarray(n, float)
    counts = {"difference from": (upper, ORANGE, "^", "-"), "similar up to": (lower, BLUE, "o", "--")}
    with on_axes(ax, 6.4, 4.4) as axes:
        for name, (values, color, marker, style) in counts.items():
            y = np.asarray(values, float)
            if len(at) < 12:
                axes.plot(at, y, ls="", marker=marker, ms=7, color=color)
            else:
                axes.plot(at, y, color=color, ls=style, drawstyle="steps-post")
            last = np.flatnonzero(np.isfinite(y))
            if len(last):
                _beside(axes, at[last[-1]], y[last[-1]], name, color)
        axes.plot([0, at[-1]], [0, at[-1] * guess], color=QUIET, lw=0.9, ls=":")
        _beside(axes, at[-1], at[-1] * guess, "guessing", QUIET)
        axes.spines["left"].set_visible(True)
        axes.set(xlabel="tastings so far", ylabel="correct so far", xlim=(0, at[-1] * 1.3))
        axes.set_title(title, loc="left", fontsize=10, parse_math=False)
    return axes


def _beside(axes: Axes, x: float, y: float, text: str, color: str) -> None:
    axes.annotate(text, (x, y), (8, 0), textcoords="offset points", color=color, va="center")


def _draw_level(axes: Axes, level: float, label: str) -> None:
    axes.axhline(level, **LEVEL, zorder=2)
    right = axes.get_yaxis_transform()
    axes.text(1.01, level, words.one_line(label), transform=right, color=INK, va="center", parse_math=False)


def _draw_points(
    axes: Axes, points: pd.DataFrame, x: np.ndarray, middle: np.ndarray, curves: np.ndarray, signed: bool
) -> None:
    """The points with their intervals, and the names of those far off; what is far beyond ends in an arrow."""
    points = _apart(points)
    ends = [end for end in ("lower", "upper") if end in points]
    edges = _edges(curves, points["y"], signed)
    beyond = points[["y", *ends]].copy()
    points[["y", *ends]] = beyond.clip(*edges)
    if len(ends) == 2:
        axes.vlines(points["x"], points["lower"], points["upper"], color=QUIET, lw=1, zorder=4)
    inside = beyond["y"].between(*edges)
    area = 30.0
    if "size" in points:
        size = points["size"].astype(float)
        area = (58.0 * size / size.max()).clip(lower=9.0)[inside]
    axes.scatter(
        points["x"][inside], points["y"][inside], s=area, marker="o", facecolor=PAPER, edgecolor=QUIET, linewidth=1.3,
        zorder=5,
    )  # fmt: skip
    above = (beyond > edges[1]).any(axis=1)
    below = (beyond < edges[0]).any(axis=1)
    reach = 0.03 * (edges[1] - edges[0])  # so that an arrow stands apart from the mark at the edge
    for edge, marker, out in ((edges[1] + reach, "^", above), (edges[0] - reach, "v", below)):
        if out.any():
            axes.plot(
                points["x"][out], np.full(out.sum(), edge), marker=marker, ls="", ms=5, mfc=QUIET, mec=QUIET, zorder=5
            )
    if "label" in points:
        far = _far(points, beyond, np.interp(points["group"], x, middle))
        write_names(axes, [(p.x, p.y, short(p.label)) for p in points[far].itertuples()])


def _far(points: pd.DataFrame, beyond: pd.DataFrame, curve: np.ndarray) -> np.ndarray:
    """The points whose own interval leaves the curve out, or, where there is none, by far: the `NAMED` farthest."""
    away = np.abs(beyond["y"].to_numpy(float) - curve)
    if {"lower", "upper"} <= set(beyond):
        reach = np.where(beyond["y"] > curve, beyond["y"] - beyond["lower"], beyond["upper"] - beyond["y"])
        reach = np.maximum(np.nan_to_num(reach, nan=np.inf, posinf=np.inf), 1e-9)
        endless = np.isinf(away)
        away = np.where(endless, np.inf, np.where(endless, 1.0, away) / reach)
    away = np.nan_to_num(away, nan=0.0)
    ranked = np.argsort(-away, kind="stable")[:NAMED]
    chosen = np.zeros(len(points), bool)
    chosen[ranked] = away[ranked] > OUTLYING
    return chosen


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
