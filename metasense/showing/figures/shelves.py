"""A whole shelf in one figure: a row a variable, in each the equally likely truths on their sides of the margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import (
    BAND,
    BLUE,
    FAINT,
    INK,
    LEVEL,
    ORANGE,
    QUIET,
    SMALL,
    on_axes,
    row_size,
    wrapped,
    write_beside,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMED = 400  # rows up to which each is named


def rows_of_truths(
    frame: pd.DataFrame,
    marks: ArrayLike,
    *,
    label: str,
    guess: float,
    margin: float | None = None,
    ax: Axes | Figure | None = None,
) -> Axes:
    """Rows of equally likely truths on one scale of correct answers.

    Parameters
    ----------
    frame : DataFrame
        One row a row, from the top: ``name``, ``beside`` (text at the right), ``middle`` (a share from 0 to 1).
    marks : array_like, shape (rows, marks)
        Equally likely truths of each, as shares.
    label : str
        What the scale is.
    guess : float
        What guessing gives.
    margin : float, optional
        What the margin gives: marks on its one side are blue, on its other orange and taller.
    """
    values = np.asarray(marks, float)
    n = len(frame)
    step = max(1, -(-n // NAMED))
    names, deep = wrapped(frame["name"].iloc[::step])
    row = min(row_size(n, deep), 24.0 / max(n, 1) + 0.16)
    with on_axes(ax, 7.4, 1.7 + row * (n + 0.6)) as axes:
        high = min(1.0, max(float(values.max(initial=guess)), guess if margin is None else margin) + 0.05)
        low = min(guess, float(values.min(initial=guess)))
        room = 0.02 * (high - low)
        axes.axvline(guess, color=QUIET, lw=1.2, ls=(0, (1, 1.5)), zorder=1)
        if margin is not None:
            axes.axvspan(guess, margin, color=BAND, lw=0, zorder=0)
            axes.axvline(margin, **LEVEL, zorder=1.5)
        rows = np.repeat(np.arange(n)[:, None], values.shape[1], axis=1)
        axes.hlines(np.arange(n), values.min(axis=1), values.max(axis=1), color=FAINT, lw=1, zorder=1.2)
        larger = np.zeros(values.shape, bool) if margin is None else values > margin
        for mask, color, tall in ((~larger, INK if margin is None else BLUE, 0.26), (larger, ORANGE, 0.38)):
            axes.vlines(values[mask], rows[mask] - tall, rows[mask] + tall, color=color, lw=1.5, zorder=2)
        middle = frame["middle"].to_numpy(float)
        axes.plot(middle, np.arange(n), ls="", marker="d", ms=5, mfc=INK, mec=INK, zorder=3, clip_on=False)
        axes.set_yticks(np.arange(n)[::step], names, parse_math=False, fontsize=SMALL)
        axes.tick_params(axis="y", length=0)
        for y, text in zip(range(0, n, step), frame["beside"].iloc[::step], strict=True):
            write_beside(axes, y, words.one_line(text), fontsize=SMALL)
        axes.set(xlim=(low - room, high + room), ylim=(n - 0.4, -0.6 - 0.4 / row))
        axes.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.3g}")
        _name(axes, guess, "guessing", QUIET)
        if margin is not None:
            _name(axes, margin, f"margin {100 * margin:.0f}", INK)
        axes.set_xlabel(
            f"{label}\neach stroke: one of {values.shape[1]} equally likely truths; diamond: the middle",
            parse_math=False,
        )
    return axes


def _name(axes: Axes, at: float, text: str, color: str) -> None:
    axes.annotate(
        text, (at, 1.0), (3, -2), xycoords=axes.get_xaxis_transform(), textcoords="offset points", color=color,
        fontsize=SMALL, va="top",
    )  # fmt: skip


def alt_rows_of_truths(frame: pd.DataFrame, *, label: str, guess: float, margin: float | None = None) -> str:
    """What :func:`rows_of_truths` shows, in a sentence."""
    said = f"{len(frame)} rows by {label}, guessing at {words.percent(guess)}"
    said += "" if margin is None else f", the margin at {words.percent(margin)}"
    first, last = frame.iloc[0], frame.iloc[-1]
    ends = f"from {words.one_line(first['name'])} ({words.percent(first['middle'])}; {first['beside']})"
    return f"{said}; {ends} to {words.one_line(last['name'])} ({words.percent(last['middle'])}; {last['beside']})."
