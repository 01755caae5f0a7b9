"""What is gained against what it costs: plans as points, those that nothing cheaper beats joined by a line."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metasense.showing import words
from metasense.showing.figures.labels import write_names
from metasense.showing.figures.look import INK, PAPER, QUIET, draw_key, in_percent, on_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def trade(
    cost: ArrayLike,
    gain: ArrayLike,
    names: Sequence[str],
    *,
    best: int,
    xlabel: str,
    ylabel: str,
    percent: bool = True,
    ax: Axes | Figure | None = None,
) -> Axes:
    """Every plan by its cost and its gain; those that no cheaper one beats are named, and so is the recommended one.

    Parameters
    ----------
    cost, gain : array_like, shape (plans,)
    names : sequence of str
    best : int
        Place of the recommended plan, which is always named.
    percent : bool
        The gain is a proportion.
    """
    x, y = np.asarray(cost, float), np.asarray(gain, float)
    front = frontier(x, y)
    others = np.setdiff1d(np.arange(len(x)), [*front, best])
    with on_axes(ax, 7.4, 4.6) as axes:
        axes.plot(x[front], y[front], color=QUIET, lw=1.0, drawstyle="steps-post", zorder=1)
        axes.scatter(x[others], y[others], s=28, facecolor=PAPER, edgecolor=QUIET, linewidth=1.2, zorder=3)
        plain = [i for i in front if i != best]
        axes.scatter(x[plain], y[plain], s=34, color=INK, zorder=3)
        axes.scatter(x[[best]], y[[best]], s=80, marker="D", color=INK, zorder=4)
        span = float(np.ptp(y)) or 0.1
        axes.set(xlim=(0, 1.12 * float(x.max())), ylim=(float(y.min()) - 0.22 * span, float(y.max()) + 0.22 * span))
        if percent:
            axes.set_ylim(bottom=max(axes.get_ylim()[0], -0.03 * span))
            in_percent(axes.yaxis)
        axes.set_xlabel(xlabel, parse_math=False)
        axes.set_ylabel(ylabel, parse_math=False)
        key = [("recommended", "D", INK, INK), ("nothing cheaper does better", "o", INK, INK)]
        draw_key(axes, [*key, ("other plans", "o", QUIET, PAPER)], columns=3)
        named = list(dict.fromkeys([best, *reversed(front)]))
        write_names(axes, [(x[i], y[i], "\n".join(textwrap.wrap(words.one_line(names[i]), 22))) for i in named])
    return axes


def frontier(cost: NDArray[np.floating], gain: NDArray[np.floating]) -> list[int]:
    """Places of the plans that gain more than every one that costs no more, from the cheapest on.

    >>> frontier(np.array([10.0, 20.0, 20.0, 30.0]), np.array([0.1, 0.3, 0.2, 0.3]))
    [0, 1]
    """
    found: list[int] = []
    for i in np.lexsort((-gain, cost)).tolist():
        if not found or gain[i] > gain[found[-1]]:
            found.append(i)
    return found
