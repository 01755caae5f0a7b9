"""Several moderators, and moderators of panels in clusters, without a sampler.

The model is that of `centres`, the integration that of `scatter`. `Several` answers the questions that `slopes.Sloped`
answers for one moderator, from weighted points of all unknowns at once: each point gives panels at any values of the
moderators a centre and a spread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import log_ndtr, logsumexp

from metasense.engine.box import axis
from metasense.engine.centres import FARTHEST, Centres
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import REACH, Evidence, Series
from metasense.engine.posterior import Functional, Patch, Posterior
from metasense.engine.priors import Priors, log_centre, log_change
from metasense.engine.scatter import POINTS, WISHED, Scatter
from metasense.engine.slopes import Quantity
from metasense.engine.spreads import average_d_prime

Array = NDArray[Any]

ENOUGH = 3000  # effective points below which other priors are integrated rather than weighed
ROUGH = 0.04  # error, in posterior standard deviations, that will do where only the size of a change is asked
PRIOR_POINTS = 2**14
STEPS = 8192  # between the lowest and the highest point of a distribution
NOTHING = 1e-9  # probability not worth keeping at either end
FINE = 2049  # of the spread's distribution
DEVIATIONS = 101  # of a cluster, among which one is drawn
NEXT = 6000  # points, at most, from which the density of the next panel is made up


class Unknowns:
    """Slopes, the spread between clusters where there are some, and the centre: the target of the integration.

    Parameters
    ----------
    centres : Centres
    priors : Priors
        With clusters both spreads are half-normal of scale ``spread_scale / sqrt(2)``.
    one_sided : bool
        Whether all panels' centres are kept on one side of 0.
    """

    def __init__(self, centres: Centres, priors: Priors, *, one_sided: bool) -> None:
        self.centres, self.priors, self.one_sided = centres, priors, one_sided
        self.slopes = centres.columns.shape[1]
        self.clustered = centres.clustered
        self.rows = np.unique(centres.columns, axis=0)
        self.spread_scale = priors.spread_scale * (np.sqrt(0.5) if self.clustered else 1.0)
        self.log_kept = self._log_kept() if one_sided and self.slopes else 0.0
        self._tables: dict[float, Any] = {}

    @property
    def size(self) -> int:
        """Slopes, the spread between clusters, and the centre."""
        return self.slopes + self.clustered + 1

    def lowest(self, place: int, before: Array) -> Array | float:
        """0 for a spread; for the centre what keeps all panels' centres on one side."""
        if place < self.slopes:
            return -np.inf
        if place < self.size - 1:
            return 0.0
        if self.centres.directed:
            return -np.inf
        return self._bound(before[: self.slopes]) if self.one_sided and self.slopes else 0.0

    def _bound(self, beta: Array) -> Array:
        return np.asarray(np.maximum((-self.rows @ beta).max(axis=0), 0.0))

    def parts(self, values: Array) -> tuple[Array, Array, Array | None]:
        """Centre, slopes and the spread between clusters, from values in the order of the integration."""
        return values[-1], values[: self.slopes], values[self.slopes] if self.clustered else None

    def log_density(self, level: float, values: Array) -> Array:
        """Log of likelihood and prior."""
        mu, beta, between = self.parts(values)
        if level not in self._tables:
            self._tables = {level: self.centres.tables(level)}
        logs = self.centres.log_likelihood(self._tables[level], level, mu, beta, between)
        return logs + self.log_prior(level, mu, beta, between)

    def log_prior(self, level: float, mu: Array, beta: Array, between: Array | None) -> Array:
        """Of all unknowns, with what is cut off left out."""
        priors = self.priors
        logs = log_centre(priors, mu, self.centres.directed) - self.log_kept
        logs = logs + _log_normal(beta, priors.slope_scale).sum(axis=0)
        for spread in [level] if between is None else [level, between]:
            logs = logs + _log_normal(np.asarray(spread), self.spread_scale) + np.log(2)
        return np.asarray(logs)

    def _log_kept(self) -> float:
        """Log of the share of the prior in which all centres are on one side."""
        from scipy.special import ndtri
        from scipy.stats import qmc

        uniform = qmc.Sobol(self.slopes, scramble=True, seed=1).random(PRIOR_POINTS)
        beta = self.priors.slope_scale * ndtri(np.clip(uniform, 1e-12, 1 - 1e-12)).T
        above = log_ndtr(-self._bound(beta) / self.priors.centre_scale) + np.log(2)
        return float(logsumexp(above) - np.log(PRIOR_POINTS))

    def start(self, before: Posterior) -> Callable[[Array], tuple[Array, Array]]:
        """A first density from each panel's own estimate, at any spreads within."""
        centres = self.centres
        series = centres.series[len(centres.series) // 2]
        theta = series.own_axis
        logs = np.stack([e.log_likelihood(theta, series.gamma) for e in series.evidence])
        logs -= 0.5 * (theta / self.priors.centre_scale) ** 2
        weight = np.exp(logs - logs.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        own, square = weight @ theta, weight @ theta**2
        variance = np.maximum(square - own**2, 1e-8)
        cell, panel = np.nonzero(centres.counts)
        design = centres.load[cell, None] * np.column_stack([centres.columns[cell], np.ones(len(cell))])
        prior = np.diag([self.priors.slope_scale**-2] * self.slopes + [self.priors.centre_scale**-2])
        between = max(before.spread.median, 1e-3) * np.sqrt(0.5) if self.clustered else 0.0

        def density(spreads: Array) -> tuple[Array, Array]:
            middle, root = np.zeros((len(spreads), self.size)), np.zeros((len(spreads), self.size, self.size))
            apart = [k for k in range(self.size) if k < self.slopes or k == self.size - 1]
            for k, spread in enumerate(spreads):
                trust = centres.counts[cell, panel] / (variance[panel] + spread**2 + between**2)
                precision = prior + design.T @ (trust[:, None] * design)
                covariance = np.linalg.inv(precision)
                middle[k, apart] = covariance @ (design.T @ (trust * own[panel]))
                root[k][np.ix_(apart, apart)] = 1.5 * np.linalg.cholesky(covariance)
                if self.clustered:
                    middle[k, self.slopes] = root[k, self.slopes, self.slopes] = between
            return middle, root

        return density


@dataclass(frozen=True, eq=False)
class Several:
    """Integrated posterior of the centre, several slopes, the spread and, with clusters, the spread between them.

    Attributes
    ----------
    unknowns : Unknowns
    scatter : Scatter
    log_evidence : float
    error : float
        Of quantiles, in posterior standard deviations.
    """

    unknowns: Unknowns
    scatter: Scatter
    log_evidence: float
    error: float

    @classmethod
    def integrate(
        cls,
        evidence: Sequence[Evidence],
        priors: Priors,
        start: Posterior,
        *,
        load: Array,
        columns: Array,
        clusters: NDArray[np.intp] | None = None,
        one_sided: bool,
        watch: Callable[[int], None] | None = None,
        rough: bool = False,
    ) -> Several:
        """Integrate.

        Parameters
        ----------
        evidence : sequence of Evidence, length n
            One for each panel.
        priors : Priors
        start : Posterior
            Of the same panels without moderators; tells where to look.
        load : ndarray, shape (n,)
        columns : ndarray, shape (n, P)
        clusters : ndarray of int, shape (n,), optional
        one_sided : bool
        watch : callable, optional
            Told of how many points are about to be laid.
        rough : bool
            Whether an error of some hundredths of a posterior standard deviation will do.

        Raises
        ------
        IntegrationError
            If its own check is not met.
        """
        unknowns = Unknowns(Centres(evidence, load, columns, clusters), priors, one_sided=one_sided)
        far = min(REACH, 8 * unknowns.spread_scale)
        stretch = axis(0.0, far, start.spread.median, start.spread.sd)
        wished, points = (ROUGH, POINTS // 4) if rough else (WISHED, POINTS)
        found = Scatter.integrate(unknowns, stretch, unknowns.start(start), wished=wished, points=points, watch=watch)
        return cls(unknowns, found, found.log_evidence, found.error)

    @property
    def series(self) -> Series:
        """The panels' series."""
        return self.unknowns.centres.series[0]

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self.series.directed

    @cached_property
    def points(self) -> dict[str, Array]:
        """`mu`, `beta` (slopes last), `tau`, with clusters `between` and `within`, and `weight`, a point each."""
        mu, beta, between = self.unknowns.parts(self.scatter.values.reshape(self.unknowns.size, -1))
        within = np.repeat(self.scatter.spread, self.scatter.weight.shape[1])
        found = {"mu": mu, "beta": beta.T, "tau": within, "weight": self.scatter.weight.ravel()}
        if between is not None:
            found |= {"tau": np.hypot(within, between), "between": between, "within": within}
        return found

    def draw(self, size: int, rng: np.random.Generator) -> dict[str, Array]:
        """Equally weighted draws of everything, in random order.

        Returns
        -------
        dict of ndarray
            `mu`, `beta` (slopes last), `tau`, `within`, `which` (the overdispersion, an index into the series) and the
            `centre` of each row of panels, shape (size, rows); with clusters `between`, and the centres are those of
            the panels' own clusters.
        """
        found = self.points
        running = np.cumsum(found["weight"])
        picked = np.searchsorted(running, (np.arange(size) + rng.random(size)) / size * running[-1])
        picked = rng.permutation(picked.clip(max=len(running) - 1))
        out = {name: value[picked] for name, value in found.items() if name != "weight"}
        return completed(self.unknowns.centres, out, rng)

    def under(self, old: Priors, new: Priors) -> Several | None:
        """The same points weighed by other priors; None where too few would count."""
        found = self.points
        change = log_change(
            old,
            new,
            found["mu"],
            found["tau"] ** 2,
            (found["beta"] ** 2).sum(axis=1),
            spreads=2 if self.unknowns.clustered else 1,
        )
        weight = found["weight"] * np.exp(change - change.max())
        if weight.sum() ** 2 / (weight**2).sum() < ENOUGH:
            return None
        weight = (weight / weight.sum()).reshape(self.scatter.weight.shape)
        return replace(self, scatter=replace(self.scatter, weight=weight), log_evidence=float("nan"))

    def distribution(self, quantity: Quantity) -> Distribution:
        """Posterior of a function of centre, slopes and spread."""
        found = self.points
        return of_points(quantity(found["mu"], found["beta"], found["tau"]), found["weight"])

    @cached_property
    def spread(self) -> Distribution:
        """Standard deviation between panels with the same values of the moderators (on different clusters)."""
        return self.part("tau") if self.unknowns.clustered else self._own_spread

    @property
    def _own_spread(self) -> Distribution:
        """The spread within, from the probability of its levels rather than from the levels themselves."""
        shares = self.scatter.shares
        running = np.concatenate([[0.0], np.cumsum(self.scatter.weight.sum(axis=1))])
        fine = np.sin(np.linspace(0.0, np.pi / 2, FINE)) ** 2  # closer together at both ends
        cdf = PchipInterpolator(shares, running / running[-1])(fine)
        return Distribution(PchipInterpolator(shares, self.scatter.edges)(fine), np.maximum.accumulate(cdf))

    def part(self, name: str) -> Distribution:
        """The spread `between` or `within` clusters."""
        return self._own_spread if name == "within" else of_points(self.points[name], self.points["weight"])

    def at(self, load: float, z: Array) -> Posterior:
        """Panels with this load and these values of the moderators."""
        found = self.points
        return Scattered.of(self.series, load * (found["mu"] + found["beta"] @ z), found["tau"], found["weight"])


def completed(centres: Centres, out: dict[str, Array], rng: np.random.Generator) -> dict[str, Array]:
    """Draws of `mu`, `beta`, `tau`, with clusters `between` and `within`, with all that `Several.draw` gives besides.

    The overdispersion and the clusters' deviations are drawn given the rest.
    """
    out.setdefault("within", out["tau"])
    size = len(out["mu"])
    out["centre"] = centres.centres(out["mu"], out["beta"].T).T
    out["which"] = np.zeros(size, int)
    z = np.linspace(-FARTHEST, FARTHEST, DEVIATIONS)
    for level in np.unique(out["within"]) if centres.clustered or len(centres.series) > 1 else ():
        tables = centres.tables(float(level))
        for rows in _few(np.flatnonzero(out["within"] == level), len(centres.load)):
            mu, beta = out["mu"][rows], out["beta"][rows].T
            between = out["between"][rows] if centres.clustered else None
            parts = centres.log_parts(tables, float(level), mu, beta, between)
            if len(parts) > 1:
                out["which"][rows] = _one_of(parts + np.log(centres.shares)[:, None], rng)
            if between is not None:
                logs = centres.of_deviations(tables, out["centre"][rows].T, between, z)
                logs = logs[out["which"][rows] if len(logs) > 1 else 0, :, :, np.arange(len(rows))]
                step = _one_of(np.moveaxis(logs, -1, 0), rng) + rng.random(logs.shape[:2]) - 0.5
                deviation = between[:, None] * np.interp(step, np.arange(len(z)), z)
                out["centre"][rows] += deviation[:, centres.cluster]
    return out


@dataclass(frozen=True, eq=False)
class Scattered(Posterior):
    """What is known of panels that share a centre and a spread, as weighted points of both."""

    TOGETHER: ClassVar[int] = 0  # no panel need be there

    @classmethod
    def of(cls, series: Series, mu: Array, tau: Array, weight: Array) -> Scattered:
        """From points whose weights add up to 1."""
        return cls((Patch(series, 1.0, mu, tau, weight, refine=Thinned(mu, tau, weight)),), "grid")

    def distribution(self, functional: Functional) -> Distribution:
        """Posterior of a function of centre and spread."""
        only = self.patches[0]
        return of_points(functional(only.mu, only.tau), only.weight)

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime of such panels."""
        return self.distribution(average_d_prime)


@dataclass(frozen=True, eq=False)
class Thinned:
    """Called, gives fewer points of the same weight each, spread evenly over the probability of the spread."""

    mu: Array
    tau: Array
    weight: Array

    def __call__(self) -> tuple[Array, Array, Array]:
        order = np.argsort(self.tau, kind="stable")
        running = np.cumsum(self.weight[order])
        count = min(NEXT, len(order))
        shares = (np.arange(count) + 0.5) / count * running[-1]
        picked = order[np.searchsorted(running, shares).clip(max=len(order) - 1)]
        return self.mu[picked], self.tau[picked], np.full(count, 1 / count)


def of_points(values: Array, weight: Array) -> Distribution:
    """The distribution of weighted points."""
    low, high = float(values.min()), float(values.max())
    step = max((high - low) / STEPS, 1e-12)
    place = np.minimum(((values - low) / step).astype(np.intp), STEPS - 1)
    running = np.concatenate([[0.0], np.cumsum(np.bincount(place, weight, minlength=STEPS))])
    running /= running[-1]
    inside = np.flatnonzero((running > NOTHING) & (running < 1 - NOTHING))
    part = slice(max(inside[0] - 1, 0), inside[-1] + 2) if len(inside) else slice(None)
    cdf = running[part].copy()
    cdf[0], cdf[-1] = 0.0, 1.0
    x = low + step * np.arange(STEPS + 1)[part]
    return Distribution(x, cdf, float((values * weight).sum() / weight.sum()))


def _few(rows: NDArray[np.intp], panels: int) -> list[NDArray[np.intp]]:
    return np.array_split(rows, len(rows) * panels // 4000 + 1) if len(rows) else []


def _one_of(logs: Array, rng: np.random.Generator) -> Array:
    """One place along the first axis for each of the rest, drawn by weights whose logs are given."""
    running = np.cumsum(np.exp(logs - logs.max(axis=0)), axis=0)
    return np.minimum((running < rng.random(logs.shape[1:]) * running[-1]).sum(axis=0), len(logs) - 1)


def _log_normal(value: Array, scale: float) -> Array:
    return np.asarray(-0.5 * (value / scale) ** 2 - np.log(np.sqrt(2 * np.pi) * scale))
