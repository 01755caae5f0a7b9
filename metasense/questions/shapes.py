"""The same pool under priors of another shape, by reweighting the nodes of the pool's own plane.

The half-normal priors of centre and spread say that large differences are rare. Half-Cauchy ones of the same scales
leave far larger ones open. And who thinks of one protocol's share of correct answers may take every p_d for equally
probable: on the scale of d-prime that prior is the protocol's slope, low near 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.engine.distribution import Distribution
from metasense.engine.grid import log_prior
from metasense.engine.plane import Plane
from metasense.engine.priors import Priors
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]
Height = Callable[[Array, Array], Array]  # log density of centre, without its sign, and spread


def named(core: Core) -> list[tuple[str, Height]]:
    """The other shapes, by name; none where an earlier pool says where the centre is, which is the prior's shape."""
    if core.priors.earlier:
        return []
    test = core.main_protocol
    return [
        (f"prior of the centre flat on the {test.name} p_d", flat_on_p_d(core.priors, test)),
        ("priors with heavier tails (half-Cauchy, the same scales)", half_cauchy(core.priors)),
    ]


def flat_on_p_d(priors: Priors, test: Protocol) -> Height:
    """Every p_d of the panels' centre equally probable in this protocol; the spread as before."""

    def height(centre: Array, spread: Array) -> Array:
        slope = np.maximum(test.slope(centre) / (1 - test.guess), 1e-300)  # an undirected protocol is flat at 0
        return np.log(slope) + _half_normal(spread, priors.spread_scale)

    return height


def half_cauchy(priors: Priors) -> Height:
    """Half-Cauchy priors of centre and spread, whose medians are the scales."""

    def height(centre: Array, spread: Array) -> Array:
        far = [np.log(2 / np.pi / scale) - np.log1p((x / scale) ** 2)
               for x, scale in ((centre, priors.centre_scale), (spread, priors.spread_scale))]  # fmt: skip
        return np.asarray(far[0] + far[1])

    return height


def _half_normal(x: Array, scale: float) -> Array:
    return np.asarray(np.log(2 / np.sqrt(2 * np.pi) / scale) - 0.5 * (x / scale) ** 2)


def under(core: Core, height: Height) -> Distribution:
    """The average d-prime from all panels under priors of another shape.

    The plane's nodes reach over all there is. Whether they carry the new weights well enough is checked as always: with
    every second node left out the evidence must stay, and if it does not, other nodes are laid.

    Raises
    ------
    IntegrationError
        If no nodes are good enough.
    """

    def factor(plane: Plane) -> Sequence[Array]:
        size = np.abs(plane.mu)
        out = []
        for series, sign, _ in plane.regions:
            both = np.log(2.0) if series.directed else 0.0  # a centre with a sign has half the height on either side
            before = log_prior(sign * plane.mu, plane.tau, core.priors, series.directed)
            out.append(height(size, plane.tau) - both - before)
        return out

    return core.plane.weigh(core.collected.copies.astype(float), core.priors, factor).average
