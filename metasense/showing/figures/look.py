"""The one quiet visual language of the figures: colours and marks, axes in our letters, margins, rows and keys on them.

Blue is what is smaller than the margin, orange what is larger, and nothing else has a colour. Ink is what the panels
together say; grey and hollow is what came before that (a panel alone, a prior). Places, shapes and line styles repeat
what the colours say, so the figures read in grey and to any eye.
Settings of matplotlib are changed while something is drawn, and put back.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.showing import words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


INK, QUIET, FAINT, PAPER = "#1f2328", "#646b75", "#d5d9df", "#ffffff"
BLUE, WASH, ORANGE, TINT = "#0068a3", "#cfe2f0", "#a84f00", "#f6dcc3"
SLATE, BAND = "#7d8794", "#eff5fa"
DARK = {INK: "#e7e9ec", QUIET: "#a7aeb8", FAINT: "#444b55", PAPER: "#15181d"}
DARK |= {BLUE: "#62b8ee", WASH: "#1d3c52", ORANGE: "#f2a65a", TINT: "#4a3217", SLATE: "#8d97a3", BAND: "#1a2530"}
ALONE: dict[str, Any] = {"color": QUIET, "lw": 1.0, "marker": "o", "size": 4.5, "fill": PAPER}
POOLED: dict[str, Any] = {"color": BLUE, "lw": 1.8, "marker": "o", "size": 4.5, "fill": BLUE}
AVERAGE: dict[str, Any] = {"color": INK, "lw": 2.6, "marker": "D", "size": 7.0, "fill": INK}
LEVEL: dict[str, Any] = {"color": ORANGE, "lw": 1.2, "ls": (0, (6, 3))}  # the margin, or what else to compare with

Triple = tuple[float, float, float]
_ONE_AT_A_TIME = threading.RLock()


@contextmanager
def with_settings(wanted: Mapping[Any, Any]) -> Iterator[None]:
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
def on_axes(ax: Axes | Figure | None, width: float, height: float) -> Iterator[Axes]:
    """Axes in our look; whatever is drawn inside the block has our fonts, and no setting outlives it."""
    from matplotlib.figure import Figure

    if ax is None:
        import matplotlib.pyplot as plt

        ax = plt.figure()  # outside our settings: a notebook switches its own on when the first figure is made
    look: dict[Any, Any] = {"font.family": _families(), "font.size": 9.5, "text.usetex": False, "text.color": INK}
    look |= {"axes.unicode_minus": True, "lines.solid_capstyle": "butt", "path.sketch": None}
    with with_settings(look):
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


def row_size(n: int) -> tuple[float, float]:
    """Height of a row (inches) and size of its letters (points): beyond 60 rows they draw together, to a limit."""
    height = min(0.34, max(0.19, 0.34 * 60 / max(n, 1)))
    return height, min(9.0, 32 * height)


def draw_ranges(
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


def limits(
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


def draw_margin(axes: Axes, margin: float | None, low: float, high: float, *, both_sides: bool = False) -> None:
    """Shade what is smaller than the margin, where there is one, on one side of 0 or on both."""
    if margin is None:
        return
    start = -margin if both_sides else 0.0
    axes.axvspan(max(start, low), margin, color=BAND, lw=0, zorder=0)
    for side in (margin, start) if low < start < 0 else (margin,):
        axes.axvline(side, **LEVEL, zorder=1.5)
    right = margin > low + 0.75 * (high - low)
    axes.annotate(
        f"◂ smaller than the margin, {words.d(margin)}",
        (margin, 1.0), (-4 if right else 0, 3), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
        color=ORANGE, fontsize=8.5, ha="right" if right else "left", va="bottom",
    )  # fmt: skip


def say_margin(margin: float | None) -> str:
    """The margin at the end of a sentence about a figure; nothing without one."""
    return "" if margin is None else f"; the margin is {words.d(margin)}"


def draw_key(axes: Axes, entries: Sequence[tuple[str, str]], lift: float = 18) -> None:
    """What the marks mean, one after the other in their own colours above the figure."""
    along = 0.0
    for text, color in entries:
        axes.annotate(
            text, (0, 1), (along, lift), xycoords="axes fraction", textcoords="offset points", color=color, va="bottom"
        )  # fmt: skip
        along += 5.8 * len(text) + 16  # a letter is about so wide, in points


def name_rows(
    axes: Axes, rows: np.ndarray, names: Sequence[str] | pd.Series, size: float = 9.5, most: int = 34
) -> None:
    axes.set_yticks(rows, [short(name, most) for name in names], parse_math=False, fontsize=size)
    axes.tick_params(axis="y", length=0)


def write_beside(axes: Axes, y: float, text: str, **look: Any) -> None:
    """Write at the right of a figure, level with `y`."""
    right = axes.get_yaxis_transform()
    axes.text(1.03, y, text, transform=right, va="center", parse_math=False, **look)


def in_percent(axis: Any) -> None:
    """Write a scale of proportions in percent."""
    axis.set_major_formatter(lambda value, _: f"{100 * value:.3g} %")


def say_triple(values: Sequence[float]) -> str:
    """An estimate and its interval, from lower, middle and upper."""
    lower, middle, upper = words.distinct(*values)
    return f"{middle} ({words.span(lower, upper)})"


def short(name: object, most: int = 34) -> str:
    """A name that fits beside a figure; a long one keeps both its ends."""
    text = words.one_line(name)
    return text if len(text) <= most else f"{text[: most * 2 // 3]}…{text[-(most // 3 - 1) :]}"
