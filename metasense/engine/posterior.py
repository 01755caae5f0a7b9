"""The pooled posterior as weighted ``(mu, tau)`` nodes, and everything that can be read off them.

Nodes come from integration (`grid`) or from sampling (`mcmc`). From either, the density of the next panel's d-prime
and of each panel's own d-prime follow without further sampling, by `Series.mix`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series, apart, mixtures
from metasense.engine.spreads import average_d_prime
from metasense.process import one_thread
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]
Functional = Callable[[Array, Array], Array]

ROUNDED = 1e-11  # share of a panel's density by which rounding may show before it is summed node by node
NEGLIGIBLE = 1e-13  # share of the posterior below which a node is not worth a panel's density
DISTANCES = 8  # times as many distances from the origin for the spread
SMOOTH = 64  # points of the average d-prime's distribution for each of its running integral, shared among the patches


def signed_average(mu: Array, tau: Array) -> Array:
    """Mean of ``theta ~ Normal(mu, tau)``: the average d-prime with its sign."""
    return np.asarray(mu + 0.0 * tau, float)


def average_p_correct(protocol: Protocol, signed: bool) -> Functional:
    """Chance of a correct answer averaged over panels, as a function of ``(mu, tau)``.

    With `signed` false a directed protocol is asked in the direction that is there: its d-prime is taken as
    ``|theta|``.
    """
    table, rise = _rates(protocol, signed)
    half = len(table) // 2
    # the trapezoid is exact to rounding for a smooth rate at this step; |theta| puts a kink into a directed one
    z = np.linspace(-8.25, 8.25, 67 if protocol.directed and not signed else 34)
    weight = np.exp(-0.5 * z**2)
    weight /= weight.sum()

    def value(mu: Array, tau: Array) -> Array:
        out = np.empty(len(mu))
        for start in range(0, len(mu), 256):  # few enough to stay in the cache
            part = slice(start, start + 256)
            place = np.multiply.outer(tau[part] * (half / (2 * REACH)), z)
            place += (mu[part] * (half / (2 * REACH)) + half)[:, None]
            np.clip(place, 0, 2 * half, out=place)
            left = place.astype(np.intp)
            place -= left
            place *= rise[left]
            place += table[left]
            out[part] = place @ weight
        return out

    return value


@lru_cache(maxsize=16)
def _rates(protocol: Protocol, signed: bool) -> tuple[Array, Array]:
    """Chance of a correct answer at d-primes from -28 to 28, and by how much the next is larger.

    So many that a straight line between neighbours is exact to 1e-7.
    """
    grid = np.linspace(-2 * REACH, 2 * REACH, 16_385)
    table = protocol.p_correct(grid if signed else np.abs(grid))
    return table, np.append(np.diff(table), 0.0)


@lru_cache(maxsize=16)
def chebyshev(nodes: int, fine: int) -> tuple[Array, Array, Array, Array]:
    """Clenshaw-Curtis nodes and weights on [-1, 1]; a fine grid; the matrix from node values to running integrals."""
    cheb = np.polynomial.chebyshev
    x = -np.cos(np.pi * np.arange(nodes) / (nodes - 1))
    to_coefficients = np.linalg.inv(cheb.chebvander(x, nodes - 1))
    antiderivative = cheb.chebint(np.eye(nodes), lbnd=-1)
    fine_x = np.linspace(-1, 1, fine)
    integrals = cheb.chebvander(fine_x, nodes) @ antiderivative @ to_coefficients
    weights = np.asarray(cheb.chebval(1.0, antiderivative @ to_coefficients))
    return x, weights, fine_x, integrals


def _rule(nodes: int) -> tuple[Array, Array]:
    """Clenshaw-Curtis nodes and weights on [-1, 1] alone, of an odd number of nodes."""
    last = nodes - 1
    angle = np.pi * np.arange(nodes) / last
    even = 2.0 * np.arange(1, last // 2 + 1)
    share = np.where(even == last, 1.0, 2.0) / (even**2 - 1)
    w = (1 - np.cos(np.multiply.outer(angle, even)) @ share) * 2 / last
    w[[0, -1]] /= 2
    return -np.cos(angle), w


@lru_cache(maxsize=8)
def between(nodes: int, times: int) -> tuple[Array, Array]:
    """Places so many times closer together on [-1, 1], and from what the nodes weigh to what these do.

    Returns
    -------
    places : ndarray, shape (places,)
    matrix : ndarray, shape (places, nodes)
    """
    x, w = _rule(nodes)
    finer, finer_w = _rule(times * (nodes - 1) + 1)
    vandermonde = np.polynomial.chebyshev.chebvander
    through = vandermonde(finer, nodes - 1) @ np.linalg.inv(vandermonde(x, nodes - 1))
    return finer, finer_w[:, None] * through / w


@dataclass(frozen=True, eq=False)
class Patch:
    """Nodes of one part of the posterior: one sign of ``mu``, at one overdispersion.

    Attributes
    ----------
    series : Series
    share : float
        Probability of this part.
    mu, tau, weight : ndarray, shape (nodes,)
        Weights add up to 1.
    fine : ndarray, shape (points,), optional
        Average d-primes on a fine grid (integration only).
    running : ndarray, shape (points, angles), optional
        Probability up to each of them along each ray ``tau / mu = constant`` (integration only).
    ray_mu, ray_tau : ndarray, shape (angles,), optional
        ``mu`` and ``tau`` of each ray per unit of average d-prime (integration only).
    fine_tau : ndarray, shape (points,), optional
        ``tau`` per unit of average d-prime on a fine grid of angles (integration only).
    refine : callable, optional
        Gives nodes and weights close enough together for mixtures of narrow normals (integration only).
    """

    series: Series
    share: float
    mu: Array
    tau: Array
    weight: Array
    fine: Array | None = None
    running: Array | None = None
    ray_mu: Array | None = None
    ray_tau: Array | None = None
    fine_tau: Array | None = None
    refine: Callable[[], tuple[Array, Array, Array]] | None = None

    @property
    def refined(self) -> tuple[Array, Array, Array]:
        """The nodes for mixtures of panels."""
        return (self.mu, self.tau, self.weight) if self.refine is None else self.refine()

    @property
    def weight_of_rays(self) -> Array:
        """Probability of each ray's cell, shape (angles,) (integration only)."""
        assert self.running is not None
        return np.clip(self.running[-1], 0, None)

    def across(self, weight: Array) -> list[tuple[Array, Array]]:
        """At each distance from the origin, increasing values of tau and the probability up to them."""
        assert self.fine is not None and self.ray_tau is not None and self.fine_tau is not None
        angles = len(self.ray_tau)
        w, _, integrals = chebyshev(angles, len(self.fine_tau))[1:]
        each = weight.reshape(-1, angles)
        finer, into = between(len(each), DISTANCES)  # at few distances, where each spread ends would be heard
        running = integrals @ (np.clip(into @ each, 0, None) / w).T
        distances = CubicSpline(np.linspace(-1, 1, len(self.fine)), self.fine)(finer)
        return [(t * self.fine_tau, run) for t, run in zip(distances, running.T, strict=True)]

    def columns(self, functional: Functional, running: Array) -> list[tuple[Array, Array]]:
        """For each ray, increasing values of the functional and the probability up to them."""
        assert self.fine is not None and self.ray_mu is not None and self.ray_tau is not None
        fine, running = self.fine[::2], running[::2]
        mu, tau = np.multiply.outer(fine, self.ray_mu), np.multiply.outer(fine, self.ray_tau)
        values = functional(mu.ravel(), tau.ravel()).reshape(mu.shape)
        out = []
        for v, run in zip(values.T, running.T, strict=True):
            steps = np.diff(v)
            if (steps <= 0).all():  # a signed rate can fall along a ray,
                v, run = v[::-1], run[-1] - run[::-1]
            elif (steps < 0).any():  # or fall and rise
                middle, mass = (v[1:] + v[:-1]) / 2, np.diff(run)
                order = np.argsort(middle)
                v, run = middle[order], np.cumsum(mass[order])
                run = np.append(run[:-1] - mass[order][:-1] / 2, run[-1])
            out.append((v, run))
        return out


@dataclass(frozen=True, eq=False)
class Posterior:
    """What is known after the panels, as a set of patches.

    Attributes
    ----------
    patches : tuple of Patch
    method : {"grid", "mcmc"}
    """

    patches: tuple[Patch, ...]
    method: str

    TOGETHER: ClassVar[int] = 24  # distinct panels up to which all are worked out with the next one

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign (some panel is directed)."""
        return self.patches[0].series.directed

    def expect(self, functional: Functional) -> float:
        """Posterior mean of a function of ``(mu, tau)``."""
        return float(sum(p.share * np.dot(p.weight, functional(p.mu, p.tau)) for p in self.patches))

    @property
    def expected_way(self) -> float | None:
        """Probability that the centre lies the expected way; None where no protocol has one."""
        return self.expect(lambda mu, tau: (mu > 0) + 0.0 * tau) if self.directed else None

    @property
    def signed_average(self) -> Distribution:
        """The average d-prime with its sign, where panels have a direction; else its size."""
        return self.distribution(signed_average) if self.directed else self.average

    def distribution(self, functional: Functional) -> Distribution:
        """Posterior of a function of ``(mu, tau)`` that is monotone along rays from the origin."""
        if self.patches[0].fine is None:
            return Distribution.from_draws(np.concatenate([functional(p.mu, p.tau) for p in self.patches]))
        columns = [column for p, running in self._rays for column in p.columns(functional, running)]
        return _summed(columns, self.expect(functional))

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime of panels like these."""
        if self.patches[0].fine is None:
            return self.distribution(average_d_prime)
        steps = max(SMOOTH // len(self._rays), 1)
        x = np.unique(np.concatenate([_between(p.fine, steps) for p, _ in self._rays]))  # type: ignore[arg-type]
        total = np.zeros_like(x)
        for p, running in self._rays:
            total += smooth(p.fine, running.sum(axis=1), x)  # type: ignore[arg-type]
        total = np.maximum.accumulate(total)
        return Distribution(x, total / total[-1], self._mean_average)

    @property
    def _planes(self) -> list[tuple[Patch, Array]]:
        """One patch of each set that shares its nodes, and the weights of the nodes in all of them."""
        return [(same[0], sum(p.share * p.weight for p in same)) for same in self._alike]  # type: ignore[misc]

    @cached_property
    def _rays(self) -> list[tuple[Patch, Array]]:
        """One patch of each set that shares its nodes, and the probability along its rays in all of them."""
        return [(same[0], sum(p.share * p.running for p in same)) for same in self._alike]  # type: ignore[misc, operator]

    @cached_property
    def _alike(self) -> list[list[Patch]]:
        """Sets of patches that share their nodes."""
        sets: dict[int, list[Patch]] = {}
        for p in self.patches:
            sets.setdefault(id(p.mu), []).append(p)
        return list(sets.values())

    @property
    def _mean_average(self) -> float:
        return float(sum(p.share * np.dot(p.weight, p.series.average(p.mu, p.tau)) for p in self.patches))

    @cached_property
    def spread(self) -> Distribution:
        """Standard deviation between panels, in d-prime units.

        It grows with the angle at every distance, and is summed along it: the ray without spread is one of its ends.
        """
        if self.patches[0].fine_tau is None:
            return self.distribution(lambda mu, tau: tau)
        parts = [part for p, weight in self._planes for part in p.across(weight)]
        return _summed(parts, self.expect(lambda mu, tau: tau))

    def average_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in this protocol, averaged over panels like these; worked out once."""
        kind = (protocol.name, protocol.guess, protocol.directed)
        if kind not in self._average_rates:
            self._average_rates[kind] = self.distribution(average_p_correct(protocol, self.directed))
        return self._average_rates[kind]

    @cached_property
    def _average_rates(self) -> dict[tuple[str, float, bool], Distribution]:
        """Those that were asked for."""
        return {}

    @cached_property
    def next_theta(self) -> Distribution:
        """The next panel's d-prime, signed where a panel is directed."""
        return on_axis(self._few[0] if self._is_few else self._mixed([])[0], self.directed)

    @property
    def _is_few(self) -> bool:
        """Whether all panels are worked out with the next one: the nodes are the same, and are half the work."""
        return len(self.patches[0].series.evidence) <= self.TOGETHER

    @cached_property
    def _few(self) -> Array:
        return self._mixed(list(range(len(self.patches[0].series.evidence))))

    @cached_property
    def next_d_prime(self) -> Distribution:
        """The size of the next panel's d-prime."""
        return folded(self.next_theta) if self.directed else self.next_theta

    def next_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in the next panel, if it uses this protocol."""
        theta = self.next_theta if self.directed and protocol.directed else self.next_d_prime
        return theta.map(protocol.p_correct)

    def panels(self, which: Sequence[int] | None = None) -> list[Distribution]:
        """Each distinct panel's own d-prime given all panels (signed only for directed panels)."""
        evidence = self.patches[0].series.evidence
        which = range(len(evidence)) if which is None else which
        out: list[Distribution] = []
        most = max(256 // len(self.patches), 16)  # at a time: bounds the memory of large pools
        for start in range(0, len(which), most):
            part = list(which[start : start + most])
            rows = self._few[1:][part] if self._is_few else self._mixed(part)[1:]
            for i, row in zip(part, rows, strict=True):
                own = on_axis(row, self.directed)
                out.append(folded(own) if self.directed and not evidence[i].protocol.directed else own)
        return out

    def floored(self) -> Array:
        """Share of the posterior, to 0.001, where each distinct panel's likelihood is below what can be computed."""
        total = np.zeros(len(self.patches[0].series.evidence))
        weights = np.concatenate([p.share * p.weight for p in self.patches])
        rising = np.sort(weights)
        least = rising[np.searchsorted(np.cumsum(rising), 1e-3)]
        for p in self.patches:
            matter = np.flatnonzero(p.share * p.weight >= least)
            for part in np.array_split(matter, len(matter) * len(total) // 8_000_000 + 1):
                total += p.share * p.weight[part] @ (p.series.evaluate(p.mu[part], p.tau[part]) <= 2 * FLOOR)
        return total

    @one_thread
    def _mixed(self, panels: list[int]) -> Array:
        """Unnormalised densities on the axis: of the next panel, then of the chosen distinct panels."""
        axis = self.patches[0].series.axis
        total = np.zeros((1 + len(panels), len(axis)))
        for parts in self._mixed_together():
            cases = list(dict.fromkeys(p.series for p in parts))
            mu, tau, weights = _joined(parts, cases)
            far: list[
                tuple[NDArray[np.intp], Array]
            ] = []  # of each series, rows that lie far from the others, and their own
            for series, weight, density in zip(
                cases, weights.T, mixtures(cases, mu, tau, weights, panels), strict=True
            ):
                own = np.ones_like(density)
                for row, i in enumerate(panels, start=1):
                    own[row] = np.exp(series.evidence[i].log_likelihood(axis, series.gamma) - series.log_scale[i])
                density *= own
                # each panel's density holds the nodes' probability, but for what `mix` cut off below zero: its rounding
                over = density[1:].sum(axis=1) * (axis[1] - axis[0]) / weight.sum() - 1
                rows = np.flatnonzero(np.abs(over) > ROUNDED) + 1
                density[rows] = 0
                far.append((rows, own[rows]))
                total += density
            lying, likelihoods = np.concatenate([these for these, _ in far]), np.concatenate([own for _, own in far])
            if len(lying):
                points = np.flatnonzero(likelihoods.max(axis=0) > 1e-18)
                columns = apart(cases, mu, tau, weights, [[panels[row - 1] for row in these] for these, _ in far])
                summed = cases[0].mix_far(mu, tau, weights[:, 0], (), points, columns)
                np.add.at(total, np.ix_(lying, points), likelihoods[:, points] * summed)
        return total

    def _mixed_together(self) -> list[list[Patch]]:
        """Sets of patches: both signs of the centre, smooth only together, and series at the same nodes."""
        sets: dict[object, list[Patch]] = {}
        for p in self.patches:
            sets.setdefault(None if self._shared else p.series, []).append(p)
        return list(sets.values())

    @cached_property
    def _shared(self) -> bool:
        """Whether the patches of all series have the same nodes."""
        return len({id(p.mu) for p in self.patches}) <= 1 + self.directed


def _joined(parts: Sequence[Patch], cases: Sequence[Series]) -> tuple[Array, Array, Array]:
    """Nodes for mixtures of panels, and what each weighs in each series, without those that carry next to nothing."""
    places: dict[int, int] = {}
    columns: list[tuple[Array, Array, Array]] = []
    for p in parts:
        mu, tau, weight = p.refined
        if id(mu) not in places:
            places[id(mu)] = len(columns)
            columns.append((mu, tau, np.zeros((len(mu), len(cases)))))
        columns[places[id(mu)]][2][:, cases.index(p.series)] = p.share * weight
    mu, tau, weights = (np.concatenate(column) for column in zip(*columns, strict=True))
    keep = (weights > NEGLIGIBLE * weights.max(axis=0)).any(axis=1)
    return mu[keep], tau[keep], weights[keep]


def draw_nodes(posterior: Posterior, size: int, rng: np.random.Generator) -> tuple[Array, Array, NDArray[Any]]:
    """Draws of ``(mu, tau)`` from an integrated posterior and the patch of each, of shape (size,), in random order.

    Rays by stratified sampling of their weights, an angle within the ray's cell, then the distance along the ray.
    """
    rays = [(k, j) for k, p in enumerate(posterior.patches) for j in range(p.weight_of_rays.size)]
    weights = np.concatenate([p.share * p.weight_of_rays for p in posterior.patches])
    edges = np.cumsum(weights) / weights.sum()
    picked = np.searchsorted(edges, (np.arange(size) + rng.random(size)) / size).clip(max=len(rays) - 1)
    mu, tau, patch = np.empty(size), np.empty(size), np.empty(size, int)
    for ray in np.unique(picked):
        k, j = rays[ray]
        p = posterior.patches[k]
        assert p.fine is not None and p.running is not None and p.ray_mu is not None and p.ray_tau is not None
        angles = np.arctan2(p.ray_tau, np.abs(p.ray_mu))
        sides = np.concatenate([angles[:1], (angles[1:] + angles[:-1]) / 2, angles[-1:]])
        rows = np.flatnonzero(picked == ray)
        angle = sides[j] + (sides[j + 1] - sides[j]) * rng.random(len(rows))
        run = np.maximum.accumulate(p.running[:, j])
        t = np.interp(rng.random(len(rows)) * run[-1], run, p.fine) / average_d_prime(np.cos(angle), np.sin(angle))
        mu[rows], tau[rows], patch[rows] = np.copysign(t * np.cos(angle), p.ray_mu[0]), t * np.sin(angle), k
    order = rng.permutation(size)
    return mu[order], tau[order], patch[order]


def draw_panels(
    posterior: Posterior, mu: Array, tau: Array, patch: NDArray[Any], index: NDArray[Any], rng: np.random.Generator
) -> Array:
    """One draw of every panel's own d-prime for each draw of ``(mu, tau)``, shape (len(mu), len(index)).

    Each is drawn from its likelihood times ``Normal(mu, tau)``, the panels being independent given ``(mu, tau)``.

    Parameters
    ----------
    index : ndarray of int, shape (panels,)
        The distinct panel that each panel is.
    """
    out = np.empty((len(mu), len(index)))
    for which, part in enumerate(posterior.patches):
        rows = np.flatnonzero(patch == which)
        series = part.series
        for distinct in np.unique(index) if len(rows) else ():
            columns = np.flatnonzero(index == distinct)
            evidence = series.evidence[distinct]
            values = draw_own(series, evidence, mu[rows], tau[rows], len(columns), rng)
            signed = series.directed and evidence.protocol.directed
            out[np.ix_(rows, columns)] = values if signed else np.abs(values)
    return out


def draw_own(series: Series, evidence: Evidence, mu: Array, tau: Array, copies: int, rng: np.random.Generator) -> Array:
    """Draws of theta, shape (len(mu), copies), by inverting its distribution on a grid; folded where undirected."""
    axis = series.own_axis
    log_likelihood = evidence.log_likelihood(axis, series.gamma)
    step = axis[1] - axis[0]
    z = np.linspace(-7.5, 7.5, 301)
    out = np.empty((len(mu), copies))
    narrow = tau < 4 * step  # the axis is too coarse for the normal, so the grid is put on the normal instead
    for wide, chosen in ((False, np.flatnonzero(narrow)), (True, np.flatnonzero(~narrow))):
        for rows in np.array_split(chosen, len(chosen) // 1024 + 1):
            m, t = mu[rows, None], tau[rows, None]
            if wide:
                grid = np.broadcast_to(axis, (len(rows), len(axis)))
                log_normal = -0.5 * ((axis - m) / t) ** 2
                log_normal = log_normal if series.directed else np.logaddexp(log_normal, -0.5 * ((axis + m) / t) ** 2)
                density = log_normal + log_likelihood
            else:
                grid = m + t * z
                at = grid if series.directed else np.abs(grid)
                density = np.interp(at, axis, log_likelihood) - 0.5 * z**2
            cdf = np.cumsum(np.exp(density - density.max(axis=1, keepdims=True)), axis=1)
            cell = step if wide else t[:, 0] * (z[1] - z[0])
            for copy in range(copies):
                target = rng.random(len(rows)) * cdf[:, -1]
                at = (cdf < target[:, None]).sum(axis=1).clip(max=cdf.shape[1] - 1)
                drawn = np.take_along_axis(grid, at[:, None], axis=1)[:, 0]
                out[rows, copy] = drawn + (rng.random(len(rows)) - 0.5) * cell
    return out


def _summed(columns: list[tuple[Array, Array]], mean: float) -> Distribution:
    """The distribution whose parts are increasing values and the probability up to them."""
    lowest, highest = min(v[0] for v, _ in columns), max(v[-1] for v, _ in columns)

    def cdf(x: Array) -> Array:
        total = np.zeros_like(x)
        for v, run in columns:
            total += np.interp(x, v, run, left=0.0, right=run[-1])
        return total

    x = np.linspace(lowest, highest, 129)
    rough = cdf(x)
    first = x[max(int(np.searchsorted(rough, 1e-6)) - 1, 0)]
    last = x[min(int(np.searchsorted(rough, rough[-1] - 1e-6)), len(x) - 1)]
    x = np.unique(np.concatenate([[lowest], np.linspace(first, last, 2049), [highest]]))
    values = np.maximum.accumulate(np.clip(cdf(x), 0, None))
    return Distribution(x, values / values[-1], mean)


def smooth(fine: Array, running: Array, x: Array) -> Array:
    """A running integral between the points it was taken at: a cubic spline, 0 before them and flat after them."""
    return np.clip(CubicSpline(fine, running)(np.clip(x, fine[0], fine[-1])), 0.0, running[-1])


def _between(fine: Array, steps: int) -> Array:
    """The points and `steps - 1` more between each two."""
    at = np.arange(steps * (len(fine) - 1) + 1) / steps
    return np.interp(at, np.arange(len(fine)), fine)


def on_axis(density: Array, directed: bool) -> Distribution:
    edges = np.linspace(-REACH if directed else 0.0, REACH, len(density) + 1)
    share = density / density.sum()
    return Distribution(edges, np.concatenate([[0.0], np.cumsum(share)]), _mean(edges, share))


def folded(signed: Distribution) -> Distribution:
    """Distribution of the absolute value."""
    half = len(signed.x) // 2
    cdf = signed.cdf[half:] - signed.cdf[half::-1]
    return Distribution(signed.x[half:], cdf, _mean(signed.x[half:], np.diff(cdf)))


def _mean(edges: Array, share: Array) -> float:
    """Midpoint rule, with its first correction where the axis starts at zero in the middle of an even density."""
    correction = (edges[1] - edges[0]) * share[0] / 24 if abs(edges[0]) < 1e-9 else 0.0
    return float(share @ (edges[1:] + edges[:-1]) / 2 - correction)
