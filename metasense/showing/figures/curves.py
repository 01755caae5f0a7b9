"""One number against another: a curve, its band, and the points behind it with their names."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import BLUE, FAINT, LEVEL, ORANGE, PAPER, QUIET, WASH, in_percent, on_axes, short

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
    band = [np.asarray(end, float) for end in (lower, upper) if end is not None]
    with on_axes(ax, 7.0, 3.8) as axes:
        if len(band) == 2:
            axes.fill_between(x, band[0], band[1], color=WASH, lw=0, zorder=1)
            ylabel = f"{ylabel}\nband: {words.interval_name(prob, kind)}"
        axes.plot(x, middle, color=BLUE, lw=1.0 if dots else 2.0, marker="o" if dots else "", ms=3, zorder=3)
        if level is not None:
            below = signed and lower is not None and np.min(band[0]) < 0
            for side in (level, -level) if below else (level,):
                _draw_level(axes, side, level_label)
        if signed:
            axes.axhline(0, color=FAINT, lw=1, zorder=0.5)
        if points is not None:
            _draw_points(axes, points, np.concatenate([middle, *band]), signed)
        if percent:
            in_percent(axes.yaxis)
        axes.set_xlabel(xlabel, parse_math=False)
        axes.set_ylabel(ylabel, parse_math=False)
    return axes


def alt_curve(x: ArrayLike, middle: ArrayLike, *, xlabel: str, ylabel: str, percent: bool = False) -> str:
    """What :func:`curve` shows, in a sentence."""
    x, middle = np.asarray(x, float), np.asarray(middle, float)
    say: Callable[[float], str] = words.percent if percent else words.d
    ends = [f"{say(middle[i])} at {x[i]:g}" for i in (0, -1)]
    return f"{words.one_line(ylabel)} against {words.one_line(xlabel)}: from {ends[0]} to {ends[1]}."


def _draw_level(axes: Axes, level: float, label: str) -> None:
    axes.axhline(level, **LEVEL, zorder=2)
    right = axes.get_yaxis_transform()
    axes.text(1.01, level, words.one_line(label), transform=right, color=ORANGE, va="center", parse_math=False)


def _draw_points(axes: Axes, points: pd.DataFrame, curves: np.ndarray, signed: bool) -> None:
    """The points with their intervals and names; what is far beyond the curve ends in an arrow."""
    points = _apart(points)
    ends = [end for end in ("lower", "upper") if end in points]
    edges = _edges(curves, points["y"], signed)
    beyond = points[["y", *ends]].copy()
    points[["y", *ends]] = beyond.clip(*edges)
    if len(ends) == 2:
        axes.vlines(points["x"], points["lower"], points["upper"], color=QUIET, lw=1, zorder=4)
    inside = beyond["y"].between(*edges)
    look: dict[str, Any] = {"ls": "", "ms": 5.5, "mec": QUIET, "mew": 1.3, "zorder": 5}
    axes.plot(points["x"][inside], points["y"][inside], marker="o", mfc=PAPER, **look)
    above = (beyond > edges[1]).any(axis=1)
    below = (beyond < edges[0]).any(axis=1)
    for edge, marker, out in ((edges[1], "^", above), (edges[0], "v", below)):
        if out.any():
            axes.plot(points["x"][out], np.full(out.sum(), edge), marker=marker, mfc=QUIET, **look)
    if "label" in points:
        _write(axes, [(place, words.listing(map(short, names), most=2)) for place, names in _together(points)])


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
