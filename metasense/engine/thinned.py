"""Only in some panels: each panel has nothing to taste with probability `nothing`, else a d-prime of its own.

A panel's likelihood becomes ``q L_i(0) + (1 - q) L_i(mu, tau)``, on the nodes that `plane` has laid out for the pool
and, where they do not suit, on others. Given centre and spread, a pool of K panels is a polynomial of degree K in
``q``, so that Gauss-Legendre nodes lose nothing. What is asked of the average, ``1 - q`` times that of the panels with
something, is a smooth curve in ``q`` at each value, and is carried between the nodes by the polynomial through them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp

from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import FLOOR, Series
from metasense.engine.plane import Plane, Weighed
from metasense.engine.posterior import ROUNDED, Posterior, folded, on_axis
from metasense.engine.priors import Priors
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]

NODES = 17  # of the share with nothing; twice as many less one as long as a pool of so many panels asks for more
MOST_NODES = 129
BETWEEN = 257  # shares with nothing at which an answer is taken
POINTS = 1025  # of a distribution
LOST = 1e-14  # posterior probability below which a share, or a node, is left out


def weigh_some(plane: Plane, copies: ArrayLike, priors: Priors, nothing: float | None = None) -> SomePosterior:
    """Posterior when each panel has nothing to taste with a probability that is not known, or is stated.

    Parameters
    ----------
    plane : Plane
        The panels' likelihoods.
    copies : sequence of int
        How often each distinct panel stands in the pool.
    priors : Priors
        Of the centre and spread of the panels that have something.
    nothing : float, optional
        That probability, above 0 and below 1; uniform between them unless stated.

    Raises
    ------
    IntegrationError
        As in `Plane.weigh`.
    """
    counted = np.asarray(copies, float)
    if nothing is None:
        shares, weights = _nodes(int(counted.sum()))
    else:
        shares, weights = np.array([nothing]), np.ones(1)
    every = range(len(counted))

    def thinned(share: float) -> Callable[[Plane], list[Array]]:
        def factor(laid: Plane) -> list[Array]:
            found = []
            for (series, _, _), logs in zip(laid.regions, laid.logs, strict=True):
                found.append((_thinned(at_zero(series, every), logs, share) - logs) @ counted)
            return found

        return factor

    each = tuple(plane.weigh(counted, priors, thinned(float(share))) for share in shares)
    logs = np.array([weighed.log_evidence for weighed in each]) + np.log(weights)
    total = float(logsumexp(logs))
    return SomePosterior(shares, weights, np.exp(logs - total), each, total)


def at_zero(series: Series, panels: Sequence[int]) -> Array:
    """Log likelihood of panels where there is nothing to taste, shape (panels,)."""
    zero = np.zeros(1)
    return np.array([float(series.evidence[i].log_likelihood(zero, series.gamma)[0]) for i in panels])


def _thinned(none: Array, logs: Array, share: float) -> Array:
    """Log likelihood of panels of which a share has nothing, from that with nothing and that with something."""
    return np.asarray(np.logaddexp(np.log(share) + none, np.log1p(-share) + logs))


def _nodes(panels: int) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights between 0 and 1, exact for so many panels where that is not too many."""
    nodes = NODES
    while 2 * nodes - 1 < panels and nodes < MOST_NODES:
        nodes = 2 * nodes - 1
    x, w = np.polynomial.legendre.leggauss(nodes)
    return (x + 1) / 2, w / 2


@dataclass(frozen=True, eq=False)
class SomePosterior:
    """What is known where only some panels may have something to taste.

    Attributes
    ----------
    shares : ndarray, shape (nodes,)
        Probabilities that a panel has nothing.
    weights : ndarray, shape (nodes,)
        Of the rule that integrates over them.
    mass : ndarray, shape (nodes,)
        Posterior probability that each stands for.
    each : tuple of Weighed, length nodes
        Centre and spread given each of them.
    log_evidence : float
        Of the panels.
    """

    shares: Array
    weights: Array
    mass: Array
    each: tuple[Weighed, ...]
    log_evidence: float

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self._series[0].directed

    @property
    def _series(self) -> list[Series]:
        return list(dict.fromkeys(series for series, _, _ in self.each[0].plane.regions))

    @property
    def _kept(self) -> list[int]:
        """The shares that are left."""
        return [at for at, mass in enumerate(self.mass) if mass > LOST]

    # --- averages over panels ---------------------------------------------------------------------------------------

    @cached_property
    def nothing(self) -> Distribution:
        """The share of panels that have nothing to taste."""
        if len(self.shares) == 1:
            return Distribution(np.repeat(self.shares, 2), np.array([0.0, 1.0]), float(self.shares[0]))
        x = np.linspace(0, 1, POINTS)
        return Distribution.from_density(x, np.clip(_through(self.shares, x) @ (self.mass / self.weights), 0, None))

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime of panels like these, those with nothing counted."""
        return self._averaged([self.each[at].average for at in self._kept], 0.0)

    @cached_property
    def size(self) -> Distribution:
        """The average d-prime of the panels that have something to taste."""
        return Distribution.mixture([self.each[at].average for at in self._kept], self.mass[self._kept])

    @cached_property
    def _posteriors(self) -> list[Posterior]:
        return [self.each[at].posterior() for at in self._kept]

    def average_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in this protocol, averaged over panels like these."""
        return self._averaged([held.average_rate(protocol) for held in self._posteriors], protocol.guess)

    def size_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in this protocol, averaged over the panels that have something."""
        return Distribution.mixture([held.average_rate(protocol) for held in self._posteriors], self.mass[self._kept])

    def _averaged(self, parts: list[Distribution], at_nothing: float) -> Distribution:
        """An average over panels, from that over the panels with something and what those with nothing add."""
        if len(self.shares) == 1:
            share = float(self.shares[0])
            return parts[0].map(lambda value: share * at_nothing + (1 - share) * value)
        kept = self.shares[self._kept]
        means = kept * at_nothing + (1 - kept) * np.array([part.mean for part in parts])
        low, high = min(part.x[0] for part in parts), max(part.x[-1] for part in parts)
        x = np.linspace(min(low, at_nothing), max(high, at_nothing), POINTS)
        height = np.zeros((len(self.shares), POINTS))  # density of the share times probability below x, at the nodes
        for at, part in zip(self._kept, parts, strict=True):
            height[at] = self.mass[at] / self.weights[at] * np.interp(x, part.x, part.cdf, left=0.0, right=1.0)
        between, weight = np.polynomial.legendre.leggauss(BETWEEN)
        between = (between + 1) / 2
        total = np.zeros(POINTS)
        for share, chance, curve in zip(between, weight / 2, _through(self.shares, between) @ height, strict=True):
            place = (x - share * at_nothing) / (1 - share)
            total += chance * np.interp(place, x, curve, left=0.0, right=curve[-1])
        total = np.maximum.accumulate(np.clip(total, 0, None))
        return Distribution(x, total / total[-1], float(means @ self.mass[self._kept]))

    # --- panels -----------------------------------------------------------------------------------------------------

    @cached_property
    def next_nothing(self) -> float:
        """Probability that the next panel has nothing to taste."""
        return float(self.mass @ self.shares)

    @cached_property
    def next_d_prime(self) -> Distribution:
        """The size of the next panel's d-prime; it may be exactly 0."""
        return self.next_something.with_atom(0.0, self.next_nothing)

    @cached_property
    def next_something(self) -> Distribution:
        """The size of the next panel's d-prime if it has something to taste."""
        return folded(self._next_signed) if self.directed else self._next_signed

    @cached_property
    def next_theta(self) -> Distribution:
        """The next panel's d-prime, signed where a panel is directed; it may be exactly 0."""
        return self._next_signed.with_atom(0.0, self.next_nothing)

    def next_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in the next panel, if it uses this protocol."""
        theta = self.next_theta if self.directed and protocol.directed else self.next_d_prime
        return theta.map(protocol.p_correct)

    def next_something_rate(self, protocol: Protocol) -> Distribution:
        """The same if that panel has something to taste."""
        theta = self._next_signed if self.directed and protocol.directed else self.next_something
        return theta.map(protocol.p_correct)

    @property
    def _next_signed(self) -> Distribution:
        return on_axis(self._densities[0], self.directed)

    @cached_property
    def panels_nothing(self) -> Array:
        """Probability that each distinct panel has nothing to taste, shape (panels,)."""
        total = np.zeros(len(self._series[0].evidence))
        for _, share, logs, none, weight in self._nodes_and_weights():
            total += weight @ np.exp(np.log(share) + none - _thinned(none, logs, share))
        return total

    def panels(self) -> list[Distribution]:
        """Each distinct panel's own d-prime, which may be exactly 0 (signed only for directed panels)."""
        evidence = self._series[0].evidence
        out = []
        for one, row, absent in zip(evidence, self._densities[1:], self.panels_nothing, strict=True):
            own = on_axis(row, self.directed)
            own = folded(own) if self.directed and not one.protocol.directed else own
            out.append(own.with_atom(0.0, float(absent)))
        return out

    def _nodes_and_weights(self) -> Any:
        """Region, share, the panels' logs with something and with nothing, and weights; of every share that is left."""
        for at in self._kept:
            weighed, share = self.each[at], float(self.shares[at])
            parts = zip(weighed.plane.regions, weighed.plane.logs, weighed.weights, strict=True)
            for which, ((series, _, _), logs, weight) in enumerate(parts):
                none = at_zero(series, range(len(series.evidence)))
                yield (weighed.plane, which), share, logs, none, self.mass[at] * weight

    @cached_property
    def _densities(self) -> Array:
        """Unnormalised densities of d-primes that are not 0: of the next panel, then of each distinct one."""
        columns: dict[tuple[int, int], Array] = {}
        planes: dict[int, Plane] = {}
        for (plane, which), share, logs, none, weight in self._nodes_and_weights():
            series = plane.regions[which][0]
            own = np.exp(_thinned(none, logs, share) - series.log_scale)
            here = (1 - share) * weight[:, None] / np.concatenate([np.ones((len(own), 1)), own], axis=1)
            place = id(plane), which
            planes[id(plane)] = plane
            columns[place] = columns[place] + here if place in columns else here
        total: Any = 0.0
        for plane in planes.values():
            for series in self._series:
                signs = [
                    (sign, columns[id(plane), which])
                    for which, (one, sign, _) in enumerate(plane.regions)
                    if one is series and (id(plane), which) in columns
                ]
                total = total + _blended(series, plane, signs)
        return np.asarray(total)


def _blended(series: Series, plane: Plane, signs: list[tuple[float, Array]]) -> Array:
    """Densities on the axis of a series, of the next panel and of every distinct one; both signs of the centre."""
    parts = [(sign, *plane.closer(here)) for sign, here in signs]
    mu = np.concatenate([sign * centre for sign, centre, _, _ in parts])
    tau = np.concatenate([spread for _, _, spread, _ in parts])
    columns = np.concatenate([weights for _, _, _, weights in parts])
    keep = columns[:, 0] > LOST * columns[:, 0].max()
    mu, tau, columns = mu[keep], tau[keep], columns[keep]
    panels = list(range(len(series.evidence)))
    axis = series.axis
    own = np.ones((1 + len(panels), len(axis)))
    for row, one in enumerate(series.evidence, start=1):
        own[row] = np.exp(one.log_likelihood(axis, series.gamma) - series.log_scale[row - 1])
    density = series.mix(mu, tau, columns[:, 0], panels, columns) * own
    # as in the plain posterior: what the cosines cannot resolve is summed node by node
    held = (columns[:, 1:] * series.evaluate(mu, tau)).sum(axis=0)
    over = density[1:].sum(axis=1) * (axis[1] - axis[0]) - held
    far = np.flatnonzero(np.abs(over) > ROUNDED * np.maximum(held, FLOOR))
    if len(far):
        points = np.flatnonzero(own[1 + far].max(axis=0) > 1e-18)
        density[1 + far] = 0
        density[np.ix_(1 + far, points)] = own[np.ix_(1 + far, points)] * series.mix_far(
            mu, tau, columns[:, 0], [panels[i] for i in far], points, columns[:, 1 + far]
        )
    return np.asarray(density)


def _through(nodes: Array, x: Array) -> Array:
    """From values at the nodes to those of the polynomial through them at x, shape (len(x), len(nodes)).

    By the Legendre polynomials, whose coefficients the nodes' own rule gives exactly.
    """
    legendre = np.polynomial.legendre
    degree = len(nodes) - 1
    at_nodes = legendre.legvander(2 * nodes - 1, degree)
    return np.asarray(legendre.legvander(2 * x - 1, degree) @ np.linalg.inv(at_nodes))
