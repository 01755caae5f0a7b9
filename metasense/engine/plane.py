"""Many answers from one computation: the pool without a panel, under other priors, or with a reporting rule.

`grid` finds the nodes that suit one pool. Here every panel's likelihood is laid out once on nodes that reach over all
there is, dense where the pool is and far apart elsewhere. Leaving a panel out, changing a prior or adding a factor is
then a sum over what is already there: a refit in about a millisecond, checked like the pool itself by leaving out every
second node. Where that check is not met it is repeated on twice the nodes, and then on nodes laid around what was seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.engine.distribution import Distribution
from metasense.engine.grid import CUT, IntegrationError, log_prior, overdispersions
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series
from metasense.engine.posterior import Patch, Posterior, between, chebyshev, smooth
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime

Array = NDArray[np.floating[Any]]
Stretch = Callable[[Array], tuple[Array, Array]]
Region = tuple[Series, float, float]  # the panels, the sign of the centre, and the log of the share

NODES = (97, 33)  # of the average d-prime, and of the angle
SHARPEST = 1e-5  # scale of the closest nodes, as a share of the axis
LOOKS = 8  # times the nodes may be laid around what was seen last
FINE = 513  # places at which the running integral is taken, between which it is a cubic
POINTS = 8193  # of a distribution, laid over what carries probability
TOLERANCE = 1e-5  # of the log evidence when every second node is left out; the whole rule is far better than that
ENOUGH = 1e-2  # where looking again no longer helps: counts so far apart that a panel is at the floor of its likelihood
MOST_NODES = 1025  # of the average d-prime
NEGLIGIBLE = 1e-14  # share of a region below which it is left out
CLOSE = 2.5  # steps between nodes: where panels spread by less, nodes for mixtures stand closer together,
CLOSER = 4  # so many times
SETTLED = 3  # looks after which the nodes stay where they are


@dataclass(frozen=True, eq=False)
class Weighed:
    """One answer.

    Attributes
    ----------
    log_evidence : float
    plane : Plane
        The nodes it was computed on, finer than those asked where need be.
    weights : list of ndarray, each of shape (nodes,)
        Posterior probability of each node of each region; they add up to 1 over all regions.
    """

    log_evidence: float
    plane: Plane
    weights: list[Array]

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime."""
        plane = self.plane
        mass = sum(self.weights, np.zeros(1)).reshape(len(plane.average), -1).sum(axis=1)
        return plane._distribution(plane._integrals @ (mass / plane._w), float(mass @ plane.average))

    def expect(self, values: Sequence[Array]) -> Array:
        """Posterior mean of what has these values, shape (nodes, ...), at the nodes of each region."""
        return np.asarray(sum(w @ v for w, v in zip(self.weights, values, strict=True)))

    def posterior(self) -> Posterior:
        """The same as a posterior, of which rates and other functions of centre and spread can be asked."""
        plane = self.plane
        places = {sign: plane._place(sign) for _, sign, _ in plane.regions}  # the same for every series
        patches = []
        for (series, sign, _), weight in zip(plane.regions, self.weights, strict=True):
            share = float(weight.sum())
            if share > NEGLIGIBLE:
                running = plane._running(weight / share)
                patches.append(Patch(series, share, weight=weight / share, running=running, **places[sign]))
        return Posterior(tuple(patches), "grid")


class Plane:
    """Likelihoods of distinct panels on nodes in the average d-prime and the share of spread in it.

    Parameters
    ----------
    evidence : sequence of Evidence
    posterior : Posterior
        Of the whole pool, by integration or sampling: tells where nodes are needed most.
    """

    def __init__(self, evidence: Sequence[Evidence], posterior: Posterior) -> None:
        evidence = tuple(evidence)
        regions: list[Region] = []
        for gamma, share in zip(*overdispersions(evidence), strict=True):
            series = Series.build(evidence, np.ones(len(evidence)), float(gamma))
            regions += [(series, sign, float(np.log(share))) for sign in ((1.0, -1.0) if series.directed else (1.0,))]
        mu, tau, weight = (
            np.concatenate([getattr(p, name) for p in posterior.patches]) for name in ("mu", "tau", "weight")
        )
        weight = weight * np.repeat([p.share for p in posterior.patches], [len(p.mu) for p in posterior.patches])
        self._lay(regions, *_stretches(mu, tau, weight), NODES, 0)

    @classmethod
    def around(cls, regions: list[Region], mu: Array, tau: Array, nodes: tuple[int, int] = NODES) -> Plane:
        """Nodes that suit these draws of centre and spread, for regions of one's own."""
        other = cls.__new__(cls)
        other._lay(regions, *_stretches(mu, tau, np.ones(len(mu))), nodes, 0)
        return other

    @property
    def log_weight(self) -> Array:
        """Log of what each node stands for in an integral over centre and spread, shape (nodes,)."""
        return self._log_volume + np.log(np.multiply.outer(self._w, self._angle_w)).ravel()

    def _lay(
        self,
        regions: list[Region],
        lengthwise: Stretch,
        anglewise: Stretch,
        nodes: tuple[int, int],
        looks: int,
    ) -> None:
        """Place the nodes."""
        self.regions, self.nodes, self._looks = regions, nodes, looks  # series, sign of mu, log share
        self._asked: tuple[Array, list[Array]] | None = None
        self._lengthwise, self._anglewise = lengthwise, anglewise
        self._x, self._w, self._fine_x, self._integrals = chebyshev(nodes[0], FINE)
        angle_x, self._angle_w = chebyshev(nodes[1], FINE)[:2]
        self.average, self._slope = lengthwise(self._x)
        angle, angle_slope = anglewise(angle_x)
        self._angle = angle
        cosine, sine = np.clip(np.cos(angle), 0, None), np.sin(angle)
        h = average_d_prime(cosine, sine)
        self._rays = cosine / h, sine / h  # centre and spread of each per unit of the average
        self.mu = np.multiply.outer(self.average, self._rays[0]).ravel()
        self.tau = np.multiply.outer(self.average, self._rays[1]).ravel()
        with np.errstate(divide="ignore"):
            self._log_volume = (
                np.log(self.average * self._slope)[:, None] + np.log(angle_slope) - 2 * np.log(h)
            ).ravel()

    @cached_property
    def logs(self) -> list[Array]:
        """Log likelihood of each distinct panel at each node, shape (nodes, panels) for each region."""
        return self.values(lambda series: series)

    def values(self, rows: Callable[[Series], Series]) -> list[Array]:
        """Log of each row of a series at each node, by region; `rows` gives the series from that of the panels."""
        chosen = [(rows(series), sign) for series, sign, _ in self.regions]
        terms: dict[tuple[bool, float], int] = {}
        for series, sign in chosen:
            terms[series.directed, sign] = max(series.terms, terms.get((series.directed, sign), 0))
        out: list[Array] = [np.empty((len(self.mu), len(series.evidence))) for series, _ in chosen]
        widest = np.argsort(-self.tau)
        for at in np.array_split(widest, len(widest) // 256 + 1):  # small enough for the cache
            waves = {}  # the damped cosines at these nodes, shared by all series of one kind
            for series, sign in chosen:
                kind = series.directed, sign
                if kind not in waves:
                    used = min(terms[kind], series.undamped(float(self.tau[at[-1]])))
                    waves[kind] = series.waves(sign * self.mu[at], self.tau[at], used)
            for values, (series, sign) in zip(out, chosen, strict=True):
                here = waves[series.directed, sign][:, : series.terms]
                averaged = here @ series.coefficients[:, : here.shape[1]].T
                values[at] = np.log(np.maximum(averaged, FLOOR)) + series.log_scale
        return out

    def _laid(self, lengthwise: Stretch, anglewise: Stretch, nodes: tuple[int, int], looks: int) -> Plane:
        other = Plane.__new__(Plane)
        other._lay(self.regions, lengthwise, anglewise, nodes, looks)
        return other

    @cached_property
    def finer(self) -> Plane:
        """The same on twice the nodes."""
        return self._laid(self._lengthwise, self._anglewise, (2 * self.nodes[0] - 1, 2 * self.nodes[1] - 1), 0)

    def _better(self, seen: Array) -> Plane:
        """Nodes that suit better what was seen, a density of shape (averages, angles)."""
        if self.nodes[0] <= NODES[0]:
            return self.finer
        nodes, looks = self.nodes, self._looks + 1
        if looks > LOOKS:  # what is narrow at one angle and wide at another fits no stretch, only more nodes
            nodes, looks = (2 * nodes[0] - 1, 2 * nodes[1] - 1), SETTLED
            if nodes[0] > MOST_NODES:
                raise IntegrationError(
                    "One of the answers under other choices cannot be computed to its accuracy. "
                    "Please report the panels that caused this."
                )
        lengthwise = _stretch(self.average, (seen @ self._angle_w) * self._w, *_ends(self.average, seen.max(axis=1)))
        anglewise = _stretch(self._angle, (self._w @ seen) * self._angle_w, *_ends(self._angle, seen.max(axis=0)))
        return self._laid(lengthwise, anglewise, nodes, looks)

    def weigh(
        self,
        copies: Array,
        priors: Priors,
        factor: Callable[[Plane], Sequence[Array]] | None = None,
        *,
        without: int | None = None,
        tolerance: float = TOLERANCE,
    ) -> Weighed:
        """The posterior when each distinct panel stands `copies` times in the pool.

        Parameters
        ----------
        copies : ndarray, shape (panels,)
        priors : Priors
        factor : callable, optional
            Gives, for the plane it is handed, the log of a further factor at the nodes of each region.
        without : int, optional
            A panel that stands there once less.
        tolerance : float
            By how much the evidence may move, as a share of it, when every second node is left out.
        """
        extra: Sequence[Any] = [0.0] * len(self.regions) if factor is None else factor(self)
        logs = []
        for (series, sign, share), panels, more in zip(
            self.regions, self._together(copies, without), extra, strict=True
        ):
            prior = log_prior(sign * self.mu, self.tau, priors, series.directed)
            logs.append(panels + prior + more + self._log_volume + share)
        peak = max(log.max() for log in logs)
        densities = [np.exp(log - peak).reshape(len(self._x), -1) for log in logs]
        total = np.sum(densities, axis=0)
        marginal = total @ self._angle_w
        whole = float(self._w @ marginal)
        half, half_angle = (chebyshev((n + 1) // 2, FINE)[1] for n in self.nodes)
        error = abs(float(half @ total[::2, ::2] @ half_angle) / whole - 1)
        if error > (tolerance if self._looks < SETTLED else ENOUGH):
            return self._better(total).weigh(copies, priors, factor, without=without, tolerance=tolerance)
        volume = np.multiply.outer(self._w, self._angle_w) / whole
        return Weighed(peak + float(np.log(whole)), self, [(d * volume).ravel() for d in densities])

    def _together(self, copies: Array, without: int | None) -> list[Array]:
        """Log likelihood of all panels at each node, by region; less one of them by taking its part away."""
        if self._asked is None or not np.array_equal(self._asked[0], copies):
            self._asked = copies.copy(), [panels @ copies for panels in self.logs]
        whole = self._asked[1]
        if without is None:
            return whole
        return [logs - panels[:, without] for logs, panels in zip(whole, self.logs, strict=True)]

    def closer(self, columns: Array) -> tuple[Array, Array, Array]:
        """Centres, spreads and weights of nodes that stand closer together on the rays with little spread.

        The nodes as they are would leave a comb in mixtures of the narrow normals there. What they weigh is smooth
        along a ray, and is carried between them by the polynomial through them.

        Parameters
        ----------
        columns : ndarray, shape (nodes, columns)
            What each node weighs, in each of several mixtures.
        """
        rays_mu, rays_tau = self._rays
        middle = len(self._x) // 2
        close = rays_tau * self.average[middle] < CLOSE * self._slope[middle] * np.pi / len(self._x)
        if not close.any():
            return self.mu, self.tau, columns
        finer, into = between(len(self._x), CLOSER)
        each = columns.reshape(len(self._x), len(close), -1)
        near = np.tensordot(into, each[:, close], axes=1)
        mu, tau, weights = [], [], []
        for average, rays, part in (
            (self.average, ~close, each[:, ~close]),
            (self._lengthwise(finer)[0], close, near),
        ):
            mu.append(np.multiply.outer(average, rays_mu[rays]).ravel())
            tau.append(np.multiply.outer(average, rays_tau[rays]).ravel())
            weights.append(np.clip(part, 0, None).reshape(-1, columns.shape[1]))
        return np.concatenate(mu), np.concatenate(tau), np.concatenate(weights)

    def cumulative(self, weights: Sequence[Array]) -> tuple[Array, Array]:
        """Average d-primes, and how much of these weights of the nodes of each region lies below each."""
        marginal = np.sum(weights, axis=0).reshape(len(self._x), -1).sum(axis=1)
        running = np.maximum.accumulate(self._integrals @ (marginal / self._w))
        return self._lengthwise(self._fine_x)[0], running / running[-1]

    def _place(self, sign: float) -> dict[str, Any]:
        """Where the nodes of a patch lie, and its rays."""
        rays_mu, rays_tau = self._rays
        fine = self._lengthwise(self._fine_x)[0]
        angle = self._anglewise(self._fine_x)[0]
        sine = np.sin(angle)
        fine_tau = sine / average_d_prime(np.clip(np.cos(angle), 0, None), sine)
        return {
            "mu": sign * self.mu, "tau": self.tau, "fine": fine, "ray_mu": sign * rays_mu, "ray_tau": rays_tau,
            "fine_tau": fine_tau,
        }  # fmt: skip

    def _running(self, weight: Array) -> Array:
        """Running integrals along the rays of weights that add up to 1."""
        return np.asarray(self._integrals @ (weight.reshape(len(self._x), -1) / self._w[:, None]))

    def _distribution(self, running: Array, mean: float) -> Distribution:
        """The average d-prime from its running integral at the fine points, in detail where there is something."""
        inside = np.flatnonzero((running > 1e-9) & (running < 1 - 1e-9))
        first, last = max(inside[0] - 1, 0), min(inside[-1] + 1, len(running) - 1)
        x = np.linspace(self._fine_x[first], self._fine_x[last], POINTS)
        cdf = smooth(self._fine_x, running, x)
        cdf[0], cdf[-1] = 0.0, 1.0
        return Distribution(self._lengthwise(x)[0], np.maximum.accumulate(cdf), mean)


def _stretches(mu: Array, tau: Array, weight: Array) -> tuple[Stretch, Stretch]:
    """Maps of the average d-prime and of the angle that suit weighted centres and spreads."""
    lengthwise = _stretch(average_d_prime(mu, tau), weight, 0.0, REACH)
    return lengthwise, _stretch(np.arctan2(tau, np.abs(mu)), weight, 0.0, np.pi / 2)


def _stretch(values: Array, weight: Array, lower: float, upper: float) -> Stretch:
    """A map of [-1, 1] to [lower, upper], and its slope, that is finest where the weighted values lie."""
    order = np.argsort(values)
    cumulative = np.cumsum(weight[order]) - weight[order] / 2
    low, middle, high = np.interp(np.array([0.16, 0.5, 0.84]) * weight.sum(), cumulative, values[order])
    scale = max((high - low) / 2, SHARPEST * (upper - lower))
    return partial(_stretched, lower, upper, middle, scale)


def _stretched(lower: float, upper: float, middle: float, scale: float, x: Array) -> tuple[Array, Array]:
    """Where the map takes `x`, and its slope there."""
    first, last = np.arcsinh((np.array([lower, upper]) - middle) / scale)
    s = (first + last) / 2 + (last - first) / 2 * x
    return np.clip(middle + scale * np.sinh(s), lower, upper), scale * np.cosh(s) * (last - first) / 2


def _ends(values: Array, density: Array) -> tuple[float, float]:
    """Between which nodes the density is worth having."""
    inside = np.flatnonzero(density > np.exp(-CUT) * density.max())
    return float(values[max(inside[0] - 1, 0)]), float(values[min(inside[-1] + 1, len(values) - 1)])
