"""One quantity: its posterior beside its prior, cut at the margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import (
    AVERAGE,
    BLUE,
    FAINT,
    INK,
    ORANGE,
    QUIET,
    TINT,
    WASH,
    Triple,
    draw_key,
    draw_margin,
    draw_ranges,
    on_axes,
    say_triple,
    sides_of,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ACROSS = 470.0  # points from end to end of the scale, about


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
    signed: bool = False,
    prior_name: str = "before the panels (prior)",
    ax: Axes | Figure | None = None,
) -> Axes:
    """The posterior of one quantity beside its prior, cut at the margin.

    Parameters
    ----------
    x, density, prior_density : array_like, shape (n,)
        Densities on the same points.
    below : float, optional
        Posterior probability of a difference smaller than the margin, to be written above the figure.
    interval : tuple of float, optional
        Lower bound, median, upper bound; drawn under the density.
    signed : bool
        The quantity has two sides and the margin lies on both; `below` is then the probability between them.
    prior_name : str
        Which prior the second curve is.
    """
    x, density = np.asarray(x, float), np.asarray(density, float)
    top = float(density.max())
    with on_axes(ax, 7.0, 3.6) as axes:
        draw_margin(axes, margin, x[0], x[-1], both_sides=signed, wide=ACROSS)
        for left, right, color in sides_of(margin, signed=signed):
            fill = {INK: FAINT, BLUE: WASH, ORANGE: TINT}[color]
            inside = np.clip(x, left, right)
            axes.fill_between(inside, np.interp(inside, x, density), color=fill, lw=0)
        axes.plot(x, density, color=INK, lw=2)
        key = [("now", "-", INK, INK)]
        if prior_density is not None:
            before = np.asarray(prior_density, float)
            top = max(top, float(before.max()))
            axes.plot(x, before, color=QUIET, lw=1.4, ls=(0, (5, 3)))
            key.append((prior_name, "--", QUIET, QUIET))
        if interval is not None:
            draw_ranges(axes, np.array([-0.07 * top]), np.array([interval]), x[-1], **AVERAGE)
        axes.set(xlim=(x[0], x[-1]), ylim=(-0.14 * top, 1.2 * top), yticks=[])
        bar = f"\nbar: median and {words.interval_name(prob, kind)}" if interval is not None else ""
        axes.set_xlabel(f"{unit}; height: probability density{bar}", parse_math=False)
        draw_key(axes, key, columns=len(key))
        if margin is not None and below is not None:
            axes.set_title(
                f"{words.probability(below)} smaller than the margin, {words.probability(1 - below)} larger",
                loc="left", fontsize=9.5, color=INK, pad=22,
            )  # fmt: skip
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
    text = f"The {unit}: {say_triple(interval)}, {words.interval_name(prob, kind)}"
    if margin is not None and below is not None:
        text += f"; the probability below the margin of {words.d(margin)} is {words.probability(below)}"
    return f"{text}."
