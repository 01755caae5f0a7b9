"""The one quiet visual language of the figures: colours and marks, axes in our letters, margins, rows and keys on them.

Blue is what is smaller than the margin, orange what is larger, and nothing else has a colour. Ink is what the panels
together say; grey and hollow is what came before that (a panel alone, a prior). Places, shapes and line styles repeat
what the colours say, so the figures read in grey and to any eye.
Settings of matplotlib are changed while something is drawn, and put back.
"""

from __future__ import annotations

import textwrap
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
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
SLATE, BAND, MIST = "#7d8794", "#eff5fa", "#eef0f3"
DARK = {INK: "#e7e9ec", QUIET: "#a7aeb8", FAINT: "#444b55", PAPER: "#15181d"}
DARK |= {
    BLUE: "#62b8ee",
    WASH: "#1d3c52",
    ORANGE: "#f2a65a",
    TINT: "#4a3217",
    SLATE: "#8d97a3",
    BAND: "#1a2530",
    MIST: "#23282f",
}
ALONE: dict[str, Any] = {"color": QUIET, "lw": 1.0, "marker": "o", "size": 4.5, "fill": PAPER}
POOLED: dict[str, Any] = {"color": INK, "lw": 1.3, "marker": "o", "size": 4.5, "fill": INK}
AVERAGE: dict[str, Any] = {"color": INK, "lw": 1.8, "marker": "D", "size": 7.0, "fill": INK}
SMALL = 9.0  # points; no letters are smaller
LEVEL: dict[str, Any] = {"color": INK, "lw": 1.1, "ls": (0, (6, 3))}  # the margin, or what else to compare with

Triple = tuple[float, float, float]
Answers = tuple[str, Mapping[float, float]]  # a protocol, and the d-primes at shares of correct answers
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
    look |= {"figure.autolayout": False, "figure.constrained_layout.use": False}  # ours are laid out as we say
    look |= {"axes.unicode_minus": False, "lines.solid_capstyle": "butt", "path.sketch": None}
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


def row_size(n: int, lines: int = 1) -> float:
    """Height of a row (inches): beyond 30 rows they draw together, as far as names of so many lines allow."""
    return max(min(0.34, max(0.22, 0.34 * 30 / max(n, 1))), 0.06 + 0.165 * lines)


def sides_of(margin: float | None, *, signed: bool = False) -> list[tuple[float, float, str]]:
    """Stretches of a scale with their colours: smaller than the margin and larger, on both sides where `signed`."""
    if margin is None:
        return [(-np.inf, np.inf, INK)]
    start = -margin if signed else -np.inf
    against = [(-np.inf, -margin, ORANGE)] if signed else []
    return [*against, (start, margin, BLUE), (margin, np.inf, ORANGE)]


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
    sides: Sequence[tuple[float, float, str]] = (),
    sizes: np.ndarray | None = None,
    filled: np.ndarray | None = None,
) -> None:
    """Rows of lower, middle, upper as lines with a mark; what passes the edge ends in an arrow beside it.

    With five values a row, the second and the fourth bound a thicker line. `sides` colour lines and marks by where they
    lie; `sizes` are the marks' own; `filled` says which marks are filled in the line's colour.
    """
    lower, upper, middle = values[:, 0], values[:, -1], values[:, values.shape[1] // 2]
    for left, right, side in sides or [(-np.inf, np.inf, color)]:
        _draw_lines(axes, y, lower, np.minimum(upper, edge), left, right, color=side, lw=lw)
        if values.shape[1] == 5:
            _draw_lines(axes, y, values[:, 1], np.minimum(values[:, 3], edge), left, right, color=side, lw=lw + 2.2)
    there = np.isfinite(middle) | np.isposinf(middle)
    widths = np.full(len(y), size) if sizes is None else sizes
    full = np.full(len(y), fill != PAPER) if filled is None else filled
    for left, right, side in sides or [(-np.inf, np.inf, color)]:
        for solid in (True, False):
            here = there & (middle >= left) & ((middle < right) | (right == np.inf)) & (full == solid)
            if here.any():
                axes.scatter(
                    np.minimum(middle[here], edge), y[here], s=widths[here] ** 2, marker=marker, zorder=3,
                    facecolor=side if solid else PAPER, edgecolor=side, linewidth=1.2, clip_on=False,
                )  # fmt: skip
    beyond = upper > edge
    if beyond.any():  # an empty line that is not clipped would still be given room
        aside = axes.transData + _moved(axes, 7, 0)
        end = sides[-1][2] if sides else color
        axes.plot(
            np.full(beyond.sum(), edge), y[beyond], ls="", marker=">", ms=4.5, mfc=end, mec=end, clip_on=False,
            zorder=4, transform=aside,
        )  # fmt: skip


def _draw_lines(
    axes: Axes, y: np.ndarray, start: np.ndarray, stop: np.ndarray, left: float, right: float, **look: Any
) -> None:
    """Level lines, as far as they lie between left and right."""
    start, stop = np.maximum(start, left), np.minimum(stop, right)
    here = stop > start
    if here.any():
        axes.hlines(y[here], start[here], stop[here], zorder=2, **look)


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


def draw_margin(
    axes: Axes, margin: float | None, low: float, high: float, *, both_sides: bool = False, wide: float = 300.0
) -> None:
    """Shade what is smaller than the margin, a d-prime, and say on either side of its line what lies there.

    The axes leave a line of text free at the top; `wide` is about how many points they are across.
    """
    if margin is None:
        return
    start = -margin if both_sides else 0.0
    axes.axvspan(max(start, low), margin, color=BAND, lw=0, zorder=0)
    both = low < start < 0
    for side in (margin, start) if both else (margin,):
        axes.axvline(side, **LEVEL, zorder=1.5)
    room = (high - margin) / (high - low) * wide
    before = (margin - (start if both else low)) / (high - low) * wide
    named = f"than the margin, d-prime {words.d(margin)}"
    left, right = "\u25c2 smaller", "larger \u25b8"
    if room > text_width(f"larger {named} \u25b8"):
        right = f"larger {named} \u25b8"
    elif before > text_width(f"\u25c2 smaller {named}"):
        left = f"\u25c2 smaller {named}"
    else:
        right = f"margin, d-prime {words.d(margin)} \u25b8"
    _beside_line(axes, margin, right, ORANGE, left=False)
    if before > text_width(left):
        _beside_line(axes, margin, left, BLUE, left=True)
    if both and (start - low) / (high - low) * wide > text_width("\u25c2 larger"):
        _beside_line(axes, start, "\u25c2 larger", ORANGE, left=True)


def _beside_line(axes: Axes, at: float, text: str, color: str, *, left: bool) -> None:
    axes.annotate(
        text, (at, 1.0), (-4 if left else 4, -2), xycoords=axes.get_xaxis_transform(), textcoords="offset points",
        color=color, fontsize=SMALL, ha="right" if left else "left", va="top",
    )  # fmt: skip


def name_line(axes: Axes, at: float, text: str) -> None:
    """Say above the axes what an upright line is."""
    axes.annotate(
        text, (at, 1.0), (0, 3), xycoords=axes.get_xaxis_transform(), textcoords="offset points", color=INK,
        fontsize=SMALL, ha="center", va="bottom",
    )  # fmt: skip


def text_width(text: str, size: float = SMALL) -> float:
    """About how wide a line of text is, in points; seldom less than it is."""
    return 0.62 * size * len(text) + 6


def _moved(axes: Axes, right: float, up: float) -> Any:
    """So many points away."""
    from matplotlib.transforms import ScaledTranslation

    figure = axes.figure.canvas.figure  # the whole, also where the axes stand in a part of it
    return ScaledTranslation(right / 72, up / 72, figure.dpi_scale_trans)


def draw_answers(axes: Axes, answers: Answers | None, low: float, high: float, *, wide: float = 300.0) -> float:
    """A second scale along the top, in correct answers; gives how many points it takes up."""
    if answers is None:
        return 4.0
    test, places = answers
    taken = -np.inf
    named = []
    for share, d in sorted(places.items()):
        x = (d - low) / (high - low) * wide
        if low <= d <= high and x >= taken + 26:
            taken = x
            named.append((share, d))
    above = axes.get_xaxis_transform() + _moved(axes, 0, 7)
    for share, d in named:
        axes.text(d, 1.0, f"{100 * share:.0f}", transform=above, ha="center", va="bottom", fontsize=SMALL, color=INK)
    axes.plot(
        [d for _, d in named], np.ones(len(named)), ls="", marker=2, ms=4, color=QUIET, clip_on=False,
        transform=axes.get_xaxis_transform(),
    )  # fmt: skip
    axes.spines["top"].set(visible=True, color=QUIET)
    axes.text(
        0, 1, f"correct of 100 {test} answers", transform=axes.transAxes + _moved(axes, 0, 20), fontsize=SMALL,
        color=INK, va="bottom", parse_math=False,
    )  # fmt: skip
    return 34.0


def say_margin(margin: float | None) -> str:
    """The margin at the end of a sentence about a figure; nothing without one."""
    return "" if margin is None else f"; the margin is {words.d(margin)}"


Key = tuple[str, str, str, str]  # what a mark means, its shape, its colour, its fill


def draw_key(axes: Axes, entries: Sequence[Key], lift: float = 4.0, *, columns: int = 2) -> None:
    """What the marks mean, in rows above the figure."""
    from matplotlib.lines import Line2D

    handles = []
    for _, shape, color, fill in entries:
        line = shape in ("-", "--")
        style = {"ls": (0, (5, 3)) if shape == "--" else shape, "marker": ""} if line else {"ls": "", "marker": shape}
        handles.append(Line2D([], [], color=color, mfc=fill, mec=color, ms=6, **style))
    above = axes.transAxes + _moved(axes, 0, lift)
    legend = axes.legend(
        handles, [text for text, *_ in entries], loc="lower left", bbox_to_anchor=(0, 1), bbox_transform=above,
        ncols=columns, frameon=False, borderpad=0, borderaxespad=0, handletextpad=0.4, handlelength=1.6,
        columnspacing=1.4, labelspacing=0.3, fontsize=SMALL,
    )  # fmt: skip
    for text in legend.get_texts():
        text.set(parse_math=False, color=INK)


def name_rows(
    axes: Axes, rows: np.ndarray, names: Sequence[str] | pd.Series, size: float = SMALL, most: int = 34
) -> None:
    """Write the names of rows, all of them whole or wrapped."""
    axes.set_yticks(rows, wrapped(names, most)[0], parse_math=False, fontsize=size)
    axes.tick_params(axis="y", length=0)


def wrapped(names: Iterable[object], most: int = 34, lines: int = 3) -> tuple[list[str], int]:
    """Names broken into lines of `most` letters, none cut so that two become one; and the most lines of any.

    What does not fit into so many lines ends in an ellipsis, with a number where that makes it the same as another.
    """
    out: list[str] = []
    seen: dict[str, int] = {}
    for name in names:
        parts = textwrap.wrap(words.one_line(name), most, break_on_hyphens=False) or [""]
        if len(parts) > lines:
            parts = [*parts[: lines - 1], f"{parts[lines - 1][: most - 6]}\u2026"]
        text = "\n".join(parts)
        seen[text] = seen.get(text, 0) + 1
        out.append(text if seen[text] == 1 or not text.endswith("\u2026") else f"{text} ({seen[text]})")
    return out, max((text.count("\n") + 1 for text in out), default=1)


def without_shared(names: Sequence[object], most: int = 34) -> tuple[list[str], str]:
    """Long names without the words that all begin or end with, and a note that says which these are."""
    whole = [words.one_line(name) for name in names]
    split = [name.split() for name in whole]
    if len(whole) < 2 or max(map(len, whole)) <= most or len(set(whole)) < len(whole):
        return whole, ""
    least = min(map(len, split)) - 1
    first = 0
    while first < least and len({tuple(parts[: first + 1]) for parts in split}) == 1:
        first += 1
    last = 0
    while last < least - first and len({tuple(parts[len(parts) - last - 1 :]) for parts in split}) == 1:
        last += 1
    if not first + last:
        return whole, ""
    kept = [" ".join(parts[first : len(parts) - last]).strip(" ,;:") for parts in split]
    shared = " \u2026 ".join(filter(None, [" ".join(split[0][:first]), " ".join(split[0][len(split[0]) - last :])]))
    return kept, f"in every name: {shared}" if shared else ""


def write_beside(axes: Axes, y: float, text: str, **look: Any) -> None:
    """Write at the right of a figure, level with `y`."""
    beside = axes.get_yaxis_transform() + _moved(axes, 16, 0)
    axes.text(1.0, y, text, transform=beside, va="center", parse_math=False, **look)


def in_percent(axis: Any) -> None:
    """Write a scale of proportions in percent."""
    axis.set_major_formatter(lambda value, _: f"{100 * value:.3g} %")


def say_triple(values: Sequence[float]) -> str:
    """An estimate and its interval, from lower, middle and upper."""
    lower, middle, upper = words.distinct(*values)
    return f"{middle} ({words.span(lower, upper)})"


def short(name: object, most: int = 34) -> str:
    """A name that fits into a sentence of a figure; a long one keeps both its ends."""
    text = words.one_line(name)
    return text if len(text) <= most else f"{text[: most * 2 // 3]}…{text[-(most // 3 - 1) :]}"
