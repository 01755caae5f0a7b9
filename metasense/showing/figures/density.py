"""One quantity: its posterior beside its prior, cut at the margin."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from metasense.showing import words
from metasense.showing.figures.look import (
    AVERAGE,
    BLUE,
    INK,
    PAPER,
    QUIET,
    WASH,
    Triple,
    draw_key,
    draw_margin,
    draw_ranges,
    on_axes,
    say_triple,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


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
    with on_axes(ax, 7.0, 3.4) as axes:
        draw_margin(axes, margin, x[0], x[-1])
        axes.fill_between(x, density, color=WASH, lw=0)
        axes.plot(x, density, color=BLUE, lw=2)
        peak = int(density.argmax())
        name_curve(axes, x, density, int(np.flatnonzero(density >= 0.6 * density[peak])[-1]), "now", BLUE)
        if prior_density is not None:
            before = np.asarray(prior_density, float)
            top = max(top, float(before.max()))
            axes.plot(x, before, color=QUIET, lw=1.4, ls=(0, (5, 3)))
            right = np.flatnonzero((density < 0.05 * density[peak]) & (np.arange(len(x)) > peak))
            at = int(right[0]) if len(right) else int((before - density).argmax())
            name_curve(axes, x, before, at, "before the panels (prior)", QUIET)
        if interval is not None:
            look = AVERAGE | {"color": BLUE, "fill": BLUE}
            draw_ranges(axes, np.array([-0.07 * top]), np.array([interval]), x[-1], **look)
        axes.set(xlim=(x[0], x[-1]), ylim=(-0.14 * top, 1.16 * top), yticks=[])
        bar = f"\nbar: median and {words.interval_name(prob, kind)}" if interval is not None else ""
        axes.set_xlabel(f"{unit}; height: probability density{bar}")
        if margin is not None and below is not None:
            sides = f"{words.probability(below)} below the margin, {words.probability(1 - below)} above"
            draw_key(axes, [(sides, INK)], lift=16)
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


def name_curve(axes: Axes, x: np.ndarray, y: np.ndarray, at: int, text: str, color: str) -> None:
    """A curve's name beside it, at its point `at`, readable over whatever lies there."""
    from matplotlib.patheffects import withStroke

    halo = [withStroke(linewidth=3, foreground=PAPER)]
    axes.annotate(text, (x[at], y[at]), (6, 4), textcoords="offset points", color=color, path_effects=halo, zorder=6)
