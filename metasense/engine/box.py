"""Integration where the pool has a third unknown: a moderator's slope, or the spread between batch pairs.

As `grid` covers a plane, a `Box` covers two or three axes by the nested Clenshaw-Curtis rule, stretched around the bulk
of the posterior and checked by leaving out every second node. What is left to say of panels at one value of a
moderator, or on one batch pair, again needs only a centre and a spread: `Strips` is that posterior.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from metasense.engine.distribution import Distribution
from metasense.engine.grid import TOLERANCE, IntegrationError, Stretch
from metasense.engine.likelihood import Series
from metasense.engine.posterior import Functional, Patch, Posterior, average_p_correct, chebyshev
from metasense.engine.spreads import average_d_prime
from metasense.protocols import Protocol

Array = NDArray[Any]
LogDensity = Callable[..., Array]  # of one array for each axis, on their product grid

LOOK = 17  # nodes per axis while looking for the bulk
NODES = {2: 97, 3: 33}  # per axis, by the number of axes
CELLS = 256  # fine cells along an axis
CLOSER = 4  # times the nodes along the spread where what they carry is spread out between them
POINTS = 4097  # of a distribution
CUT_OFF = 1e-5  # density at an end of an axis, relative to the highest, at which more may lie beyond
TOGETHER = (256, 48)  # centres and spreads left where mixtures of panels are made up
AT_MOST = 129  # centres and spreads at which a rate is worked out
ENDS = 4096  # steps in which the ends of a distribution are looked for
FAR = 1e-6  # probability left out at either end of a distribution's points
NEGLIGIBLE = 1e-9  # share of the largest cell below which a cell is not worth its time


def axis(lower: float, upper: float, centre: float, scale: float) -> Stretch:
    """An axis from `lower` to `upper` whose nodes lie closest around `centre`."""
    return Stretch(lower, upper, centre, max(scale, 1e-3 * (upper - lower)))


@dataclass(frozen=True, eq=False)
class Box:
    """A posterior density on the product of two or three stretched axes.

    Attributes
    ----------
    axes : tuple of Stretch
    density : ndarray, one dimension an axis
        At the nodes, with the stretch; its integral over [-1, 1] in every direction is 1.
    log_evidence, error : float
        Log of the integral before that, and how far it moves when every second node is left out.
    """

    axes: tuple[Stretch, ...]
    density: Array
    log_evidence: float
    error: float

    @classmethod
    def integrate(cls, log_density: LogDensity, axes: Sequence[Stretch], *, attempts: int = 3) -> Box:
        """Find the bulk, cover it, and take half as many nodes again until the check is met.

        Raises
        ------
        IntegrationError
            If it is not met with twice the nodes an axis.
        """
        axes = _locate(log_density, axes)
        nodes = NODES[len(axes)]
        for _ in range(attempts):
            box = cls._cover(log_density, axes, nodes)
            if box.error <= TOLERANCE:
                return box
            nodes = nodes + nodes // 2
        raise IntegrationError(
            f"The integration did not settle: its log evidence still moves by {box.error:.2g} at {len(box.density)} "
            "nodes an axis. Please report the panels that caused this; with moderators, method='mcmc' samples the same "
            "model."
        )

    @classmethod
    def _cover(cls, log_density: LogDensity, axes: Sequence[Stretch], nodes: int) -> Box:
        x, w, *_ = chebyshev(nodes, CELLS + 1)
        half_w = chebyshev((nodes + 1) // 2, CELLS + 1)[1]
        values, slopes = zip(*(a.at(x) for a in axes), strict=True)
        logs = log_density(*values) + _outer(*map(np.log, slopes))
        peak = float(logs.max())
        scaled = np.exp(logs - peak)
        whole, check = _contract(scaled, w), _contract(scaled[(slice(None, None, 2),) * scaled.ndim], half_w)
        error = abs(float(np.log(whole / max(check, 1e-300))))
        return cls(tuple(axes), scaled / whole, peak + float(np.log(whole)), error)

    @cached_property
    def values(self) -> tuple[Array, ...]:
        """Nodes of each axis."""
        return tuple(a.at(chebyshev(len(self.density), CELLS + 1)[0])[0] for a in self.axes)

    @cached_property
    def weight(self) -> Array:
        """Probability of each node."""
        w = chebyshev(len(self.density), CELLS + 1)[1]
        return self.density * np.exp(_outer(*[np.log(w)] * self.density.ndim))

    def expect(self, function: Callable[..., Array]) -> float:
        """Posterior mean of a function of the axes, which come as arrays of one dimension."""
        at = np.nonzero(self.weight > NEGLIGIBLE * self.weight.max())
        return float(np.sum(self.weight[at] * function(*(v[i] for v, i in zip(self.values, at, strict=True)))))

    def cells(self, along: int = 0, density: Array | None = None) -> tuple[Array, Array]:
        """Edges of fine cells along one axis, and the probability in each of them for every node of the others.

        Parameters
        ----------
        along : int
        density : ndarray, optional
            Another density on the same nodes.

        Returns
        -------
        edges : ndarray, shape (257,)
        mass : ndarray, shape (256, ...)
            The other axes in their order.
        """
        density = self.density if density is None else density
        _, w, fine, integrals = chebyshev(len(density), CELLS + 1)
        others = np.exp(_outer(*[np.log(w)] * (density.ndim - 1)))
        columns = np.moveaxis(density, along, 0) * others
        running = np.tensordot(integrals, columns, axes=1)
        return self.axes[along].at(fine)[0], np.maximum(np.diff(running, axis=0), 0.0)

    def distribution(self, function: Callable[..., Array], along: int = 0) -> Distribution:
        """Posterior of a function of the axes (as arrays of one dimension) that changes along the axis `along`."""
        edges, mass = self.own_cells[along]
        at = np.nonzero(mass > NEGLIGIBLE * mass.max())
        values = [v[i] for v, i in zip([v for k, v in enumerate(self.values) if k != along], at[1:], strict=True)]
        low, high = (
            np.broadcast_to(function(*values[:along], e, *values[along:]), e.shape)
            for e in (edges[at[0]], edges[at[0] + 1])
        )
        return spread_out(low, high, mass[at], self.expect(function))

    def weighed(self, change: Array) -> Box:
        """The same nodes under another prior, say, by the change of the log density.

        Checked like any other; what runs against an end of the axes that was far from everything has no accuracy.
        """
        density = self.density * np.exp(change - change.max())
        w, half = (chebyshev(n, CELLS + 1)[1] for n in (len(density), (len(density) + 1) // 2))
        whole = _contract(density, w)
        check = _contract(density[(slice(None, None, 2),) * density.ndim], half)
        error = abs(float(np.log(whole / max(check, 1e-300))))
        before, after = (_at_the_ends(d) for d in (self.density, density))
        if ((after > CUT_OFF) & (after > 3 * before)).any():
            error = np.inf
        return Box(self.axes, density / whole, float("nan"), error)

    @cached_property
    def own_cells(self) -> tuple[tuple[Array, Array], ...]:
        """`cells` along every axis."""
        return tuple(self.cells(along) for along in range(self.density.ndim))


def _outer(*logs: Array) -> Array:
    """Sum of one array for each axis, on their product grid."""
    total = np.zeros(())
    for one in logs:
        total = np.add.outer(total, one)
    return total


def _contract(values: Array, w: Array) -> float:
    while np.ndim(values):
        values = values @ w
    return float(values)


def _at_the_ends(density: Array) -> Array:
    """Highest density at both ends of every axis, relative to the highest of all."""
    sides = [np.moveaxis(density, k, 0)[[0, -1]].reshape(2, -1).max(axis=1) for k in range(density.ndim)]
    return np.concatenate(sides) / density.max()


def _locate(log_density: LogDensity, axes: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Stretch the axes around the bulk by repeated coarse looks over all there is; then cut off what is empty."""
    x = np.linspace(-1, 1, LOOK)
    axes = tuple(axes)
    for _ in range(25):
        values, slopes = zip(*(a.at(x) for a in axes), strict=True)
        logs = log_density(*values) + _outer(*map(np.log, slopes))
        weight = np.exp(logs - logs.max())
        fitted = []
        for k, a in enumerate(axes):
            rest = tuple(i for i in range(logs.ndim) if i != k)
            fitted.append(a.refit(x, weight.sum(axis=rest), logs.max(axis=rest)))
        settled = all(new.near(old) for new, old in zip(fitted, axes, strict=True))
        if settled:
            return tuple(fitted)
        axes = tuple(replace(new, lower=a.lower, upper=a.upper) for new, a in zip(fitted, axes, strict=True))
    return tuple(fitted)


def spread_out(low: Array, high: Array, mass: Array, mean: float | None = None) -> Distribution:
    """The distribution of a quantity that runs evenly from `low` to `high` within each cell of probability `mass`."""
    keep = mass > NEGLIGIBLE * mass.max()
    low, high, mass = np.minimum(low, high)[keep], np.maximum(low, high)[keep], mass[keep]
    x = np.linspace(*between(low, high, mass), POINTS)
    cdf = running(low, high, mass, x)
    cdf = np.maximum.accumulate(np.clip(cdf, 0, None))
    return Distribution(x, cdf / cdf[-1], mean)


def between(low: Array, high: Array, mass: Array) -> tuple[float, float]:
    """Where the probability of cells from `low` to `high` begins and ends, but for next to nothing at either end."""
    lowest, highest = float(low.min()), max(float(high.max()), float(low.min()) + 1e-9)
    step = (highest - lowest) / ENDS
    ends = []
    for edge, order in ((low, 1), (high, -1)):
        place = np.minimum(((edge - lowest) / step).astype(np.intp), ENDS - 1)
        held = np.cumsum(np.bincount(place, mass, minlength=ENDS)[::order])
        empty = int(np.searchsorted(held, FAR * held[-1]))
        ends.append(lowest + empty * step if order > 0 else highest - empty * step)
    return (ends[0], ends[1]) if ends[1] - ends[0] > step else (lowest, highest)


def running(low: Array, high: Array, mass: Array, x: Array) -> Array:
    """Probability up to each of the evenly spaced `x` of cells that run evenly from `low` to `high`.

    A cell adds ``mass / width`` to the slope at `low` and takes it away at `high`; the slopes add up twice.
    """
    step = x[1] - x[0]
    width = np.maximum(high - low, step)
    start = np.maximum((low + high - width) / 2, x[0])
    bend = np.zeros(len(x) + 2)
    for sign, place in ((1.0, start), (-1.0, start + width)):
        at = (place - x[0]) / step
        left = np.clip(at.astype(np.intp), 0, len(x) - 1)
        share = at - left
        for shift, part in ((0, 1 - share), (1, share)):
            bend += sign * np.bincount(left + shift, part * mass / width, minlength=len(bend))
    return np.concatenate([[0.0], np.cumsum(np.cumsum(bend))[: len(x) - 1] * step])


def closer(axis: Stretch, mass: Array) -> tuple[Array, Array]:
    """The probability of nodes of an axis, the last of `mass`, on the nodes of a rule several times as fine.

    The density between the nodes is the polynomial that the rule integrates.
    """
    nodes = mass.shape[-1]
    finer = CLOSER * (nodes - 1) + 1
    x, w, *_ = chebyshev(finer, CELLS + 1)
    found = (mass / chebyshev(nodes, CELLS + 1)[1]) @ _between_nodes(nodes, finer) * w
    return axis.at(x)[0], np.maximum(found, 0.0)


@lru_cache(maxsize=8)
def _between_nodes(nodes: int, finer: int) -> Array:
    """What takes values at the nodes of a Clenshaw-Curtis rule to those at the nodes of a finer one, from the right."""
    x, fine = (-np.cos(np.pi * np.arange(n) / (n - 1)) for n in (nodes, finer))
    vander = np.polynomial.chebyshev.chebvander
    return np.asarray(np.linalg.solve(vander(x, nodes - 1).T, vander(fine, nodes - 1).T))


def rebinned(tau: Array, mass: Array, bins: int = 97) -> tuple[Array, Array]:
    """Columns of `mass` at any spreads `tau`, shared between the two nearest of evenly spaced ones."""
    grid = np.linspace(0.0, float(tau.max()), bins)
    at = tau / grid[1]
    left = np.minimum(at.astype(np.intp), bins - 2)
    out = np.zeros((bins, len(mass)))
    np.add.at(out, left, (mass * (1 - (at - left))).T)
    np.add.at(out, left + 1, (mass * (at - left)).T)
    return grid, out.T


def _gathered(mu: Array, tau: Array, mass: Array) -> tuple[Array, Array, Array]:
    """Centres, spreads and probabilities of neighbouring cells together, so that a few thousand are left."""
    rows = np.unique(np.linspace(0, len(mu), min(len(mu), TOGETHER[0]) + 1).astype(int))[:-1]
    columns = np.unique(np.linspace(0, len(tau), min(len(tau), TOGETHER[1]) + 1).astype(int))[:-1]

    def added(values: Array) -> Array:
        return np.add.reduceat(np.add.reduceat(values, rows, axis=0), columns, axis=1)

    weight = added(mass)
    with np.errstate(invalid="ignore"):
        means = [added(mass * part) / weight for part in (mu[:, None], tau)]
    kept = weight > NEGLIGIBLE * weight.max()
    return means[0][kept], means[1][kept], weight[kept]


@dataclass(frozen=True, eq=False)
class Strips(Posterior):
    """What is known of panels that share a centre and a spread, as probabilities of small steps of the centre.

    Attributes
    ----------
    edges : ndarray, shape (cells + 1,)
        Of the centre, evenly spaced or not.
    tau : ndarray, shape (spreads,)
    mass : ndarray, shape (cells, spreads)
        Adds up to 1.
    """

    edges: Array
    tau: Array
    mass: Array

    TOGETHER: ClassVar[int] = 0  # no panel need be at this value

    @classmethod
    def of(cls, series: Series, edges: Array, tau: Array, mass: Array) -> Strips:
        """Keep what carries probability."""
        mass = mass / mass.sum()
        rows, columns = (np.flatnonzero(mass.max(axis=k) > NEGLIGIBLE * mass.max()) for k in (1, 0))
        rows = np.arange(rows[0], rows[-1] + 1)
        edges, tau, mass = edges[np.append(rows, rows[-1] + 1)], tau[columns], mass[np.ix_(rows, columns)]
        mu, spread, weight = _gathered((edges[1:] + edges[:-1]) / 2, tau, mass)
        return cls((Patch(series, 1.0, mu, spread, weight),), "grid", edges, tau, mass)

    def distribution(self, functional: Functional) -> Distribution:
        """Posterior of a function of centre and spread, spread evenly over what it is within each cell of both."""
        mu, tau = np.meshgrid(self.edges, self.tau, indexing="ij")
        return self._spread_over(functional(mu.ravel(), tau.ravel()).reshape(mu.shape))

    def _spread_over(self, at: Array) -> Distribution:
        mean = float(np.sum(self.mass * (at[:-1] + at[1:]) / 2))
        between = np.concatenate([at[:, :1], (at[:, 1:] + at[:, :-1]) / 2, at[:, -1:]], axis=1)
        corners = np.stack([between[:-1, :-1], between[1:, :-1], between[:-1, 1:], between[1:, 1:]])
        return spread_out(corners.min(axis=0), corners.max(axis=0), self.mass, mean)

    def average_rate(self, protocol: Protocol) -> Distribution:
        """Chance of a correct answer in this protocol, averaged over such panels: smooth, so a few places will do."""
        kind = (protocol.name, protocol.guess, protocol.directed)
        if kind not in self._average_rates and not all((np.diff(x) > 0).all() for x in (self.edges, self.tau)):
            return super().average_rate(protocol)  # as at a dose of 0, where all centres are one
        if kind not in self._average_rates:
            few = [
                np.unique(np.linspace(0, len(x) - 1, min(len(x), AT_MOST)).astype(int)) for x in (self.edges, self.tau)
            ]
            mu, tau = (x[at] for x, at in zip((self.edges, self.tau), few, strict=True))
            each = [grid.ravel() for grid in np.meshgrid(mu, tau, indexing="ij")]
            values = average_p_correct(protocol, self.directed)(*each).reshape(len(mu), len(tau))
            for axis_, (x, whole) in enumerate(((mu, self.edges), (tau, self.tau))):
                values = PchipInterpolator(x, values, axis=axis_)(whole) if len(x) > 1 else values
            self._average_rates[kind] = self._spread_over(values)
        return self._average_rates[kind]

    @cached_property
    def average(self) -> Distribution:
        """The average d-prime of such panels."""
        return self.distribution(average_d_prime)
