"""Only in some panels: each panel has nothing to taste with probability `nothing`, else a d-prime of its own.

A panel's likelihood becomes ``q L_i(0) + (1 - q) L_i(mu, tau)``. For each of a few values of ``q`` the plane of
``(mu, tau)`` is integrated as in `grid`; given both, a pool of K panels is a polynomial of degree K in ``q``, so that
Gauss-Legendre nodes lose nothing. What is asked of the average, ``1 - q`` times that of the panels with something, is
a smooth curve in ``q`` at each value, and is carried between the nodes by the polynomial through them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metasense.engine.distribution import Distribution
from metasense.engine.grid import Case, cover, overdispersions
from metasense.engine.likelihood import FLOOR, Evidence, Series
from metasense.engine.posterior import Posterior, average_p_correct
from metasense.engine.priors import Priors
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]

NODES = 17  # of the share with nothing; twice as many less one as long as a pool of so many panels asks for more
MOST_NODES = 129
BETWEEN = 257  # shares with nothing at which an answer is taken
POINTS = 1025  # of a distribution


@dataclass(frozen=True, eq=False)
class ThinnedSeries(Series):
    """The series of panels of which each has nothing to taste with probability `nothing`."""

    nothing: float
    at_zero: Array

    @classmethod
    def of(cls, series: Series, nothing: float) -> ThinnedSeries:
        """The same panels, thinned."""
        logs = [float(e.log_likelihood(np.zeros(1), series.gamma)[0]) for e in series.evidence]
        return cls(**vars(series), nothing=nothing, at_zero=np.exp(np.array(logs) - series.log_scale))

    @property
    def filled(self) -> float:  # type: ignore[override]
        """Share of the panels that have something to taste."""
        return 1.0 - self.nothing

    def whole(self, averaged: Array, panels: Sequence[int] | None = None) -> Array:
        """The likelihood of panels, shape (nodes, panels), from that of panels that have something to taste."""
        at_zero = self.at_zero if panels is None else self.at_zero[list(panels)]
        return np.maximum(self.nothing * at_zero + self.filled * np.maximum(averaged, FLOOR), FLOOR)

    def present(self, mu: Array, tau: Array, weight: Array, panels: Sequence[int]) -> Array:
        """How much of the nodes' weight goes with each of the panels having something to taste, shape (panels,)."""
        absent = self.nothing * self.at_zero[list(panels)] / self.evaluate(mu, tau, panels)
        return np.asarray(weight @ (1 - absent))


def integrate_some(
    evidence: Sequence[Evidence], copies: ArrayLike, priors: Priors, nothing: float | None = None
) -> SomePosterior:
    """Posterior when each panel has nothing to taste with a probability that is not known, or is stated.

    Parameters
    ----------
    evidence : sequence of Evidence
        Distinct panels.
    copies : sequence of int
        How often each stands in the pool.
    priors : Priors
        Of the centre and spread of the panels that have something.
    nothing : float, optional
        That probability, above 0 and below 1; uniform between them unless stated.

    Raises
    ------
    IntegrationError
        As in `grid.integrate`.
    """
    shares, weights = _nodes(int(np.sum(copies))) if nothing is None else (np.array([nothing]), np.ones(1))
    series = []
    for gamma, chance in zip(*overdispersions(evidence), strict=True):
        series.append((Series.build(evidence, copies, float(gamma)), float(chance)))
    cases = [
        Case(ThinnedSeries.of(one, float(share)), chance * float(weight))
        for one, chance in series
        for share, weight in zip(shares, weights, strict=True)
    ]
    covered = cover(cases, priors)
    held: list[list[Any]] = [[] for _ in shares]
    for at, patches in enumerate(covered.patches):
        held[at % len(shares)].extend(patches)
    mass = np.array([sum(p.share for p in patches) for patches in held])
    posteriors = tuple(
        Posterior(tuple(replace(p, share=p.share / m) for p in patches), "grid") if m > 0 else None
        for patches, m in zip(held, mass, strict=True)
    )
    return SomePosterior(shares, weights, mass / mass.sum(), posteriors, covered.log_evidence, covered.error)


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
    posteriors : tuple of (Posterior or None), length nodes
        Of centre and spread given each of them; None where no probability is left.
    log_evidence, error : float
        Of the panels, and by how much it moves when every second node of the plane is left out.
    """

    shares: Array
    weights: Array
    mass: Array
    posteriors: tuple[Posterior | None, ...]
    log_evidence: float
    error: float

    @property
    def _held(self) -> list[tuple[float, float, Posterior]]:
        """The shares that are left, each with its probability and its posterior."""
        found = zip(self.shares, self.mass, self.posteriors, strict=True)
        return [(float(share), float(mass), held) for share, mass, held in found if held is not None]

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self._held[0][2].directed

    @cached_property
    def nothing(self) -> Distribution:
        """The share of panels that have nothing to taste."""
        if len(self.shares) == 1:
            return certain(float(self.shares[0]))
        x = np.linspace(0, 1, POINTS)
        return Distribution.from_density(x, np.clip(_through(self.shares, x) @ (self.mass / self.weights), 0, None))

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime of panels like these, those with nothing counted."""
        return self._averaged(lambda held: held.average, 0.0)

    @cached_property
    def size(self) -> Distribution:
        """The average d-prime of the panels that have something to taste."""
        held = self._held
        return Distribution.mixture([posterior.average for _, _, posterior in held], [mass for _, mass, _ in held])

    def average_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in this protocol, averaged over panels like these."""
        rate = average_p_correct(protocol, self.directed)
        return self._averaged(lambda held: held.distribution(rate), protocol.guess)

    def _averaged(self, of: Callable[[Posterior], Distribution], at_zero: float) -> Distribution:
        """An average over panels, from that over the panels with something and what those with nothing add."""
        held = self._held
        parts = [of(posterior) for _, _, posterior in held]
        means = [share * at_zero + (1 - share) * part.mean for (share, _, _), part in zip(held, parts, strict=True)]
        mean = float(np.dot([mass for _, mass, _ in held], means))
        low = min(part.x[0] for part in parts)
        high = max(part.x[-1] for part in parts)
        x = np.linspace(min(low, at_zero), max(high, at_zero), POINTS)
        if len(self.shares) == 1:
            return parts[0].map(lambda value: self.shares[0] * at_zero + (1 - self.shares[0]) * value)
        height = np.zeros((len(self.shares), POINTS))  # density of the share times probability below x, at the nodes
        rows = [at for at, posterior in enumerate(self.posteriors) if posterior is not None]
        for at, part in zip(rows, parts, strict=True):
            height[at] = self.mass[at] / self.weights[at] * np.interp(x, part.x, part.cdf, left=0.0, right=1.0)
        between, weight = np.polynomial.legendre.leggauss(BETWEEN)
        between = (between + 1) / 2
        curves = _through(self.shares, between) @ height
        total = np.zeros(POINTS)
        for share, chance, curve in zip(between, weight / 2, curves, strict=True):
            total += chance * np.interp((x - share * at_zero) / (1 - share), x, curve, left=0.0, right=curve[-1])
        total = np.maximum.accumulate(np.clip(total, 0, None))
        return Distribution(x, total / total[-1], mean)

    @cached_property
    def next_nothing(self) -> float:
        """Probability that the next panel has nothing to taste."""
        return float(self.mass @ self.shares)

    def _next(self, of: Callable[[Posterior], Distribution]) -> Distribution:
        held = self._held
        return Distribution.mixture(
            [of(posterior) for _, _, posterior in held], [mass * (1 - share) for share, mass, _ in held]
        )

    @cached_property
    def next_something(self) -> Distribution:
        """The size of the next panel's d-prime if it has something to taste."""
        return self._next(lambda held: held.next_d_prime)

    @cached_property
    def next_d_prime(self) -> Distribution:
        """The size of the next panel's d-prime; it may be exactly 0."""
        return self.next_something.with_atom(0.0, self.next_nothing)

    @cached_property
    def next_theta(self) -> Distribution:
        """The next panel's d-prime, signed where a panel is directed; it may be exactly 0."""
        return self._next(lambda held: held.next_theta).with_atom(0.0, self.next_nothing)

    def next_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in the next panel, if it uses this protocol."""
        theta = self.next_theta if self.directed and protocol.directed else self.next_d_prime
        return theta.map(protocol.p_correct)

    @cached_property
    def _absent(self) -> Array:
        """Probability that each panel has nothing, given each share that is left, shape (shares, panels)."""
        rows = []
        for _, _, posterior in self._held:
            present: Any = 0.0
            for patch in posterior.patches:
                every = range(len(patch.series.evidence))
                present = present + patch.share * patch.series.present(patch.mu, patch.tau, patch.weight, every)
            rows.append(1 - present)
        return np.array(rows)

    @cached_property
    def panels_nothing(self) -> Array:
        """Probability that each distinct panel has nothing to taste, shape (panels,)."""
        return np.asarray([mass for _, mass, _ in self._held] @ self._absent)

    def panels(self) -> list[Distribution]:
        """Each distinct panel's own d-prime, which may be exactly 0 (signed only for directed panels)."""
        every = [posterior.panels() for _, _, posterior in self._held]
        masses = np.array([mass for _, mass, _ in self._held])
        out = []
        for at, absent in enumerate(self.panels_nothing):
            present = masses * (1 - self._absent[:, at])
            parts = [own[at] for own in every]
            out.append(Distribution.mixture(parts, present).with_atom(0.0, float(absent)))
        return out


def certain(value: float) -> Distribution:
    """What is known exactly."""
    return Distribution(np.array([value, value]), np.array([0.0, 1.0]), value)


def _through(nodes: Array, x: Array) -> Array:
    """From values at the nodes to those of the polynomial through them at x, shape (len(x), len(nodes)).

    By the Legendre polynomials, whose coefficients the nodes' own rule gives exactly.
    """
    legendre = np.polynomial.legendre
    degree = len(nodes) - 1
    at_nodes = legendre.legvander(2 * nodes - 1, degree)
    return np.asarray(legendre.legvander(2 * x - 1, degree) @ np.linalg.inv(at_nodes))
