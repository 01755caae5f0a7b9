"""Nodes that many variables share: where the likelihoods of their panels are laid out, and what is read off them.

`grid` looks for the nodes that suit one pool. Here one set of nodes, in its coordinates (the average d-prime, and an
angle that tells how much of it is spread), serves every pool of ordinary panels at once, so that whatever is asked of a
posterior becomes one product of matrices. Whether the nodes suit a pool is checked by leaving out every second one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import erf

from metasense.engine.grid import Stretch, log_prior
from metasense.engine.likelihood import REACH
from metasense.engine.posterior import average_p_correct, chebyshev
from metasense.engine.priors import Priors, log_centre
from metasense.engine.spreads import average_d_prime
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]

NODES = (129, 33)  # of the average d-prime, and of the angle
LENGTHWISE = Stretch(0.0, REACH, 1.0, 1.0)  # finest where panels of foods and drinks lie
ANGLEWISE = Stretch(0.0, np.pi / 2, 0.0, 0.3)  # finest where panels hardly differ
FINE = 2049  # points between which a distribution is read off along a straight line
CELLS = 512  # of the averages, in each of which another quantity is a straight line
LEVELS = 97  # of that quantity at which its distribution is summed; a cubic between them
SIGNS = (1.0, -1.0)


@dataclass(frozen=True)
class Nodes:
    """Nodes over all averages and angles.

    Attributes
    ----------
    shape : (int, int)
        How many averages and angles, both odd.
    """

    shape: tuple[int, int] = NODES

    @cached_property
    def _across(self) -> tuple[Array, Array, Array, Array]:
        """Angles and the weight of each, and centre and spread of each per unit of the average."""
        x, w = chebyshev(self.shape[1], FINE)[:2]
        angle, slope = ANGLEWISE.at(x)
        cosine, sine = np.clip(np.cos(angle), 0, None), np.sin(angle)
        h = average_d_prime(cosine, sine)
        return angle, w * slope / h**2, cosine / h, sine / h

    @cached_property
    def _along(self) -> tuple[Array, Array]:
        """Averages, and the weight of each."""
        x, w = chebyshev(self.shape[0], FINE)[:2]
        average, slope = LENGTHWISE.at(x)
        return average, w * slope

    @property
    def average(self) -> Array:
        """Averages, shape (averages,)."""
        return self._along[0]

    @property
    def steps(self) -> Array:
        """Weight of each average in an integral over them, shape (averages,)."""
        return self._along[1]

    @cached_property
    def mu(self) -> Array:
        """Centres, shape (nodes,)."""
        return np.multiply.outer(self.average, self._across[2]).ravel()

    @cached_property
    def tau(self) -> Array:
        """Spreads, shape (nodes,)."""
        return np.multiply.outer(self.average, self._across[3]).ravel()

    @cached_property
    def log_volume(self) -> Array:
        """Log of the area that each node stands for, shape (nodes,)."""
        with np.errstate(divide="ignore"):
            return np.log(np.multiply.outer(self.average * self.steps, self._across[1])).ravel()

    @cached_property
    def halved(self) -> tuple[Array, Array]:
        """What each mass counts where every second node is left out: shapes (nodes,) and, without spread, (averages,).

        0 for those left out.
        """
        parts = []
        for n in self.shape:
            part = np.zeros(n)
            part[::2] = chebyshev((n + 1) // 2, FINE)[1] / chebyshev(n, FINE)[1][::2]
            parts.append(part)
        return np.multiply.outer(*parts).ravel(), parts[0]

    def log_prior(self, priors: Priors, directed: bool) -> Array:
        """Log prior density at the nodes, shape (nodes,)."""
        return log_prior(self.mu, self.tau, priors, directed)

    def log_prior_of_same(self, priors: Priors, directed: bool) -> Array:
        """Log prior density of one d-prime that all panels share, at the averages, shape (averages,)."""
        return log_centre(priors, self.average, directed)

    # --- from masses at the nodes to distributions ------------------------------------------------------------------

    @cached_property
    def fine(self) -> Array:
        """Averages between which a distribution is a straight line, shape (points,)."""
        return LENGTHWISE.at(chebyshev(self.shape[0], FINE)[2])[0]

    @cached_property
    def running(self) -> Array:
        """From the mass at each average to the probability up to each of `fine`, shape (averages, points)."""
        _, w, _, integrals = chebyshev(self.shape[0], FINE)
        return np.ascontiguousarray((integrals / w).T)

    def up_to(self, value: float) -> Array:
        """From the mass at each average to the probability below `value`, shape (averages,)."""
        return np.array([np.interp(value, self.fine, row) for row in self.running])

    @cached_property
    def edges(self) -> Array:
        """Averages where cells meet, shape (CELLS + 1,)."""
        return self.fine[:: (FINE - 1) // CELLS]

    def ladder(self, values: Array, levels: Array) -> Array:
        """From masses to the probability that a quantity is at most each of `levels`.

        Parameters
        ----------
        values : ndarray, shape (CELLS + 1, angles)
            The quantity at the edges of the cells along each ray.
        levels : ndarray, shape (levels,)

        Returns
        -------
        ndarray, shape (nodes, levels)
        """
        low = np.minimum(values[1:], values[:-1])[:, :, None]
        reach = np.maximum(np.abs(np.diff(values, axis=0)), 1e-12)[:, :, None]
        return self._summed(np.clip((levels - low) / reach, 0.0, 1.0))

    def ladder_of_next(self, levels: Array) -> Array:
        """From masses to the probability that the next panel's d-prime is at most each of `levels`."""
        middle = (self.edges[1:] + self.edges[:-1]) / 2
        blur = np.diff(self.edges) / np.sqrt(12)  # a cell is as wide as that; without spread, d-primes fill it
        mu = np.multiply.outer(middle, self._across[2])
        tau = np.hypot(np.multiply.outer(middle, self._across[3]), np.multiply.outer(blur, self._across[2]))
        mu, wide = mu[:, :, None], np.sqrt(2) * tau[:, :, None]
        return self._summed((erf((levels - mu) / wide) + erf((levels + mu) / wide)) / 2)

    def _summed(self, share: Array) -> Array:
        """From masses to sums of a share of each cell, shape (CELLS, angles, levels)."""
        cells = np.diff(self.running[:, :: (FINE - 1) // CELLS], axis=1)
        return np.asarray(cells @ share.reshape(CELLS, -1)).reshape(-1, share.shape[2])


@dataclass(frozen=True, eq=False)
class Scale:
    """A quantity's distribution from masses at the nodes.

    Attributes
    ----------
    fine : ndarray, shape (points,)
        Values of the quantity.
    sums : tuple of ndarray, each of shape (nodes, levels)
        For either sign of the centre: from masses to the probability up to each level.
    of_same : tuple of ndarray, each of shape (averages, levels)
        The same for one d-prime that all panels share.
    between : ndarray, shape (levels, points)
        From levels to `fine`.
    """

    fine: Array
    sums: tuple[Array, ...]
    of_same: tuple[Array, ...]
    between: Array

    @classmethod
    def of(cls, levels: Array, sums: tuple[Array, ...], shape: tuple[int, int]) -> Scale:
        """With cubics between the levels."""
        fine = np.interp(np.linspace(0, len(levels) - 1, FINE), np.arange(len(levels)), levels)
        between = CubicSpline(levels, np.eye(len(levels)))(fine).T
        same = tuple(part.reshape(*shape, -1)[:, 0] for part in sums)
        return cls(fine, sums, same, between)


@lru_cache(maxsize=2)
def nodes_of(shape: tuple[int, int] = NODES) -> Nodes:
    """The nodes, laid once."""
    return Nodes(shape)


@lru_cache(maxsize=2)
def spread_scale(nodes: Nodes) -> Scale:
    """The standard deviation between panels."""
    levels = _levels(6.0)
    sums = nodes.ladder(np.multiply.outer(nodes.edges, nodes._across[3]), levels)
    return Scale.of(levels, (sums, sums), nodes.shape)


@lru_cache(maxsize=2)
def next_scale(nodes: Nodes) -> Scale:
    """The next panel's d-prime."""
    levels = _levels(REACH)
    sums = nodes.ladder_of_next(levels)
    return Scale.of(levels, (sums, sums), nodes.shape)


@lru_cache(maxsize=8)
def rate_scale(nodes: Nodes, test: Protocol, directed: bool) -> Scale:
    """Correct answers of a protocol, averaged over panels."""
    value = average_p_correct(test, directed)
    d_primes = _levels(REACH)
    signed = directed and test.directed
    if signed:
        d_primes = np.concatenate([-d_primes[:0:-1], d_primes])
    levels = np.unique(test.p_correct(d_primes))
    sums = []
    for sign in SIGNS[: 1 + signed]:
        mu = sign * np.multiply.outer(nodes.edges, nodes._across[2])
        tau = np.multiply.outer(nodes.edges, nodes._across[3])
        sums.append(nodes.ladder(value(mu.ravel(), tau.ravel()).reshape(mu.shape), levels))
    both = (sums[0], sums[-1])
    return Scale.of(levels, both, nodes.shape)


def _levels(last: float) -> Array:
    """Values from 0, closest together where most d-primes are."""
    return Stretch(0.0, last, 0.7, 0.7).at(np.linspace(-1, 1, LEVELS))[0]


def quantiles(points: Array, cdf: Array, shares: Array) -> Array:
    """Values below which shares of each distribution lie.

    Parameters
    ----------
    points : ndarray, shape (points,)
    cdf : ndarray, shape (variables, points)
        Rising from 0 to 1.
    shares : ndarray, shape (shares,)

    Returns
    -------
    ndarray, shape (variables, shares)
    """
    rows = np.arange(len(cdf))
    out = np.empty((len(cdf), len(shares)))
    for i, share in enumerate(shares.tolist()):
        after = np.clip((cdf < share).sum(axis=1), 1, len(points) - 1)
        low, high = cdf[rows, after - 1], cdf[rows, after]
        part = np.clip((share - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
        out[:, i] = points[after - 1] + part * (points[after] - points[after - 1])
    return out
