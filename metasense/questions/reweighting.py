"""The posterior on nodes that stay where they are while its weights change with new counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from metasense.core.core import Core
from metasense.engine.grid import Region, Stretch, integrate, overdispersions
from metasense.engine.likelihood import Evidence, Series
from metasense.engine.posterior import chebyshev
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.questions.plan import Plan
from metasense.showing import words

Array = NDArray[np.floating[Any]]
POINTS = 257  # average d-primes at which a refitted posterior is cumulated for its interval
BATCH = 256  # refits at a time: small enough for the cache, and the same sums whatever runs them


@dataclass(frozen=True, eq=False)
class Nodes:
    """One posterior on a product grid of average d-prime and angle, for each sign of the centre.

    Attributes
    ----------
    mu, tau, weight, predicting : ndarray, shape (nodes,)
        `weight` is the posterior that is reweighted, `predicting` the one that new panels are drawn from.
    ladder : ndarray, shape (signs * distances, points)
        Takes a posterior's weights at each distance to its cumulative probability at `points`.
    points : ndarray, shape (points,)
        Average d-primes; the first is the margin.
    angles : int
        Nodes per distance.
    by_gamma : ndarray, shape (gammas, nodes)
        Probability of each overdispersion at each node.
    """

    mu: Array
    tau: Array
    weight: Array
    predicting: Array
    ladder: Array
    points: Array
    angles: int
    by_gamma: Array

    def refit(self, log_tables: Array, counts: Array) -> tuple[Array, Array, Array]:
        """Posteriors after new counts, by looking up.

        Parameters
        ----------
        log_tables : ndarray, shape (kinds, nodes)
            Log likelihood at the nodes of each count a panel can give.
        counts : ndarray, shape (outcomes, kinds)
            How many panels gave each.

        Returns
        -------
        log_probability, below, width : ndarray, shape (outcomes,)
            Log probability of these counts in this order, P(average d-prime < margin), width of its 95 % interval.
        """
        out = np.empty((3, len(counts)))
        for start in range(0, len(counts), BATCH):
            part = slice(start, start + BATCH)
            likelihood = counts[part] @ log_tables
            peak = likelihood.max(axis=1)
            likelihood -= peak[:, None]
            np.exp(likelihood, out=likelihood)
            out[0, part] = np.log(np.maximum(likelihood @ self.predicting, 1e-300)) + peak
            likelihood *= self.weight
            distances = likelihood.reshape(len(likelihood), -1, self.angles).sum(axis=2)
            cdf = distances @ self.ladder / distances.sum(axis=1, keepdims=True)
            out[1, part] = cdf[:, 0]
            for row, rising in enumerate(np.maximum.accumulate(cdf[:, 1:], axis=1)):
                low, high = np.interp([0.025, 0.975], rising, self.points[1:])
                out[2, start + row] = high - low
        return out[0], out[1], out[2]


@dataclass(frozen=True, eq=False)
class Known:
    """What is needed to lay the nodes of a pool's posterior as densely as a plan asks for."""

    series: tuple[Series, ...]
    gamma_weights: Array
    priors: Priors
    boxes: tuple[tuple[float, Stretch, Stretch], ...]  # sign of the centre, average d-prime, angle
    margin: float
    settled: float

    @classmethod
    def of(cls, core: Core, margin: Margin) -> Known:
        posterior = core.posterior
        if posterior.patches[0].fine is None:
            posterior = integrate(core.collected.evidence, core.collected.copies, core.priors)[0]
        by_gamma = {p.series.gamma: p.series for p in posterior.patches}
        gammas, weights = overdispersions(core.collected.evidence)
        boxes = []
        for sign in (1.0, -1.0):
            patches = [p for p in posterior.patches if p.ray_mu is not None and sign * p.ray_mu.sum() > 0]
            if patches:
                t = [(p.fine[1:], p.share * np.diff(p.running.sum(axis=1))) for p in patches]  # type: ignore[index, union-attr]
                angle = [(np.arctan2(p.ray_tau, np.abs(p.ray_mu)), p.share * p.weight_of_rays) for p in patches]  # type: ignore[arg-type]
                low = min(float(p.fine[0]) for p in patches)  # type: ignore[index]
                boxes.append((sign, replace(_around(t), lower=low), _around(angle)))
        kept = np.array([float(g) in by_gamma for g in gammas])
        series = tuple(by_gamma[float(g)] for g in gammas[kept])
        return cls(series, weights[kept], core.priors, tuple(boxes), margin.d_prime, margin.settled)

    @property
    def directed(self) -> bool:
        return self.series[0].directed

    def tasted(self, core: Core, plan: Plan) -> Evidence | None:
        """The evidence of the panel whose batch pair is tasted again."""
        if plan.same_pair_as is None:
            return None
        names = core.panels.frame["panel"].to_list()
        if plan.same_pair_as not in names:
            raise ValueError(
                f"same_pair_as names a pooled panel; {plan.same_pair_as!r} is not one of {words.listing(names, 12)}."
            )
        return core.collected.evidence[core.collected.index[names.index(plan.same_pair_as)]]

    def nodes(self, n: int, both_signs: bool) -> Nodes:
        """Lay `n` by `n` nodes; with `both_signs` an undirected posterior is seen as a directed one."""
        x, w, *_ = chebyshev(n, 1025)
        parts = []
        for sign, t, angle in self.boxes:
            (tv, tj), (av, aj) = t.at(x), angle.at(x)
            density, mu, tau = Region(self.series, self.priors, sign).log_density(tv, av)
            logs = density.reshape(len(density), -1) + np.log(self.gamma_weights)[:, None]
            parts.append((mu.ravel(), tau.ravel(), logs, np.multiply.outer(tj * w, aj * w).ravel(), t))
        peak = max(float(logs.max()) for _, _, logs, _, _ in parts)
        weights = [np.exp(logsumexp(logs, axis=0) - peak) * area for _, _, logs, area, _ in parts]
        total = sum(float(weight.sum()) for weight in weights)
        points = np.unique(np.concatenate([t.at(np.linspace(-1, 1, POINTS))[0] for *_, t in parts]))
        points = np.concatenate([[self.margin], points])
        ladders = [_running(t.lower, t.upper, t.centre, t.scale, n, points.tobytes()) for *_, t in parts]
        mu, tau = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        weight = np.concatenate(weights) / total
        by_gamma = np.concatenate(
            [np.exp(logs - np.maximum(logs.max(axis=0), -1e300)) for _, _, logs, _, _ in parts], axis=1
        )
        by_gamma /= by_gamma.sum(axis=0).clip(min=1e-300)
        ladder, predicting = np.concatenate(ladders), weight
        if both_signs:
            predicting = np.concatenate([weight, np.zeros_like(weight)])
            mu, tau, weight = np.concatenate([mu, -mu]), np.tile(tau, 2), np.tile(weight / 2, 2)
            by_gamma, ladder = np.tile(by_gamma, 2), np.tile(ladder, (2, 1))
        return Nodes(mu, tau, weight, predicting, ladder, points, n, by_gamma)


def _around(parts: list[tuple[Array, Array]]) -> Stretch:
    """The stretch of an axis that suits weighted values."""
    values = np.concatenate([v for v, _ in parts])
    order = np.argsort(values)
    values, weights = values[order], np.clip(np.concatenate([w for _, w in parts])[order], 0, None)
    cumulative = np.cumsum(weights) - weights / 2
    low, middle, high = np.interp(np.array([0.16, 0.5, 0.84]) * weights.sum(), cumulative, values)
    return Stretch(float(values[0]), float(values[-1]), float(middle), float(max((high - low) / 2, 1e-9)))


@lru_cache(maxsize=16)
def _running(lower: float, upper: float, centre: float, scale: float, n: int, points: bytes) -> Array:
    """Matrix, shape (n, points), from weights at the `n` nodes of an axis to integrals up to each point."""
    x, w, *_ = chebyshev(n, 1025)
    a, b = np.arcsinh((np.array([lower, upper]) - centre) / scale)
    at = np.clip((2 * np.arcsinh((np.frombuffer(points) - centre) / scale) - a - b) / (b - a), -1, 1)
    cheb = np.polynomial.chebyshev
    to_coefficients = np.linalg.inv(cheb.chebvander(x, n - 1))
    return (cheb.chebvander(at, n) @ cheb.chebint(np.eye(n), lbnd=-1) @ to_coefficients / w).T
