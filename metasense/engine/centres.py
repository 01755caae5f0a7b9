"""How likely the panels are when each has a centre of its own: the model of several moderators, at many points.

Panel i is ``theta_i ~ Normal(load_i (mu + x_i beta) + e_c(i), within)``, with the deviations of clusters
``e_c ~ Normal(0, between)`` where panels are in clusters (batch pairs, say). For one spread `within` the logs of the
panels' averaged likelihoods are tabled along the d-prime axis by one cosine transform, and read between its points by
cubics; panels of one centre share a row. A cluster's deviation is summed over by the trapezoid rule. The table is what
several unknowns have in common, so that a point costs a few reads a panel, however many unknowns there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct, next_fast_len
from scipy.special import logsumexp

from metasense.engine.grid import overdispersions
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series

Array = NDArray[Any]

EDGE = 2  # points of a table beyond either end of the axis, for the cubics there
FARTHEST = 5.0  # standard deviations to which the deviation of a cluster is summed over
COARSEST = 1.25  # steps of that sum, in widths of what is summed: exact to 1e-5 for a normal one
AT_ONCE = 24_000  # numbers read at once, few enough for the cache


class Table:
    """Some functions on evenly spaced points, read between them by the cubic through the four nearest.

    Parameters
    ----------
    values : ndarray, shape (rows, points)
        At the midpoints of steps; even around both ends.
    step : float
    offset, reach : float
        Added to a place before it is read; the place at which the last step ends.
    """

    def __init__(self, values: Array, step: float, offset: float, reach: float) -> None:
        self.step, self.offset, self.last = step, offset, (reach + offset) / step + EDGE - 0.5
        padded = np.concatenate([values[:, EDGE - 1 :: -1], values, values[:, : -EDGE - 1 : -1]], axis=1)
        before, here, after, beyond = padded[:, :-3], padded[:, 1:-2], padded[:, 2:-1], padded[:, 3:]
        third = (beyond - before) / 6 + (here - after) / 2
        second = (before + after) / 2 - here
        first = after - before / 3 - here / 2 - beyond / 6
        self.size = here.shape[1]
        self.cubic = [np.ascontiguousarray(part).ravel() for part in (here, first, second, third)]

    def read(self, rows: int, places: Array) -> Array:
        """The functions at any places, shape (rows, ...)."""
        place = places + self.offset if self.offset else np.abs(places)
        place *= 1 / self.step
        place += EDGE - 0.5
        np.minimum(np.maximum(place, 1.0, out=place), self.last, out=place)
        left = place.astype(np.intp)
        place -= left
        left += (np.arange(rows) * self.size - 1).reshape(-1, *[1] * (places.ndim - 1))
        here, first, second, third = self.cubic
        out = third.take(left)
        for part in (second, first, here):
            out *= place
            out += part.take(left)
        return np.asarray(out)


@dataclass(frozen=True, eq=False)
class Tables:
    """Log likelihoods along the d-prime axis at one spread.

    Attributes
    ----------
    plain : Table
        Of the rows of panels without repeats.
    repeated : list of Table
        Of those with repeats, one for each overdispersion.
    """

    plain: Table
    repeated: list[Table]


class Centres:
    """The likelihood of panels whose centres follow columns of moderators.

    Parameters
    ----------
    evidence : sequence of Evidence, length n
        One for each panel.
    load : ndarray, shape (n,)
    columns : ndarray, shape (n, P)
    clusters : ndarray of int, shape (n,), optional
        Each panel's cluster, counted from 0.
    """

    def __init__(
        self, evidence: Sequence[Evidence], load: Array, columns: Array, clusters: NDArray[np.intp] | None = None
    ) -> None:
        gammas, self.shares = overdispersions(evidence)
        distinct = {e: k for k, e in enumerate(dict.fromkeys(evidence))}
        index = np.array([distinct[e] for e in evidence])
        self.panel = index
        self.series = [Series.build(list(distinct), np.bincount(index), float(g)) for g in gammas]
        cluster = np.zeros(len(evidence), int) if clusters is None else clusters
        keys = np.column_stack([cluster, load, columns])
        rows, place = np.unique(keys, axis=0, return_inverse=True)  # in the order of the clusters
        place = place.ravel()
        self.row = place
        self.load, self.columns, self.cluster = rows[:, 1], rows[:, 2:], rows[:, 0].astype(int)
        self.counts = np.zeros((len(rows), len(distinct)))
        np.add.at(self.counts, (place, index), 1.0)
        again = np.array([e.repeated for e in distinct])
        self.repeated = np.flatnonzero(self.counts[:, again].sum(axis=1))
        self.unrepeated = np.flatnonzero(self.counts[:, again].sum(axis=1) == 0)
        self.clustered = clusters is not None
        first = self.series[0]
        tastings = np.array([e.size for e in distinct])
        points = max(384, int(np.ceil(48 * np.sqrt(tastings.max())))) * (2 if first.directed else 1)
        self.points = next_fast_len(max(points, *(s.terms for s in self.series)))
        self.step = first.width / self.points
        self._information = np.array([_sharpest(self.series, k) for k in range(len(distinct))])

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self.series[0].directed

    def tables(self, within: float) -> Tables:
        """Log likelihoods along the axis at one spread."""
        plain = self._table(0, within, self.unrepeated)
        if not len(self.repeated):
            return Tables(plain, [])
        return Tables(plain, [self._table(g, within, self.repeated) for g in range(len(self.series))])

    def _table(self, which: int, within: float, rows: NDArray[np.intp]) -> Table:
        series = self.series[which]
        damped = np.zeros((len(series.evidence), self.points))
        used = min(series.terms, series.undamped(within))
        damped[:, :used] = series.coefficients[:, :used] * np.exp(-0.5 * (series.frequencies[:used] * within) ** 2)
        damped[:, 1:] /= 2  # the transform counts every cosine but the constant twice
        logs = np.log(np.maximum(dct(damped, type=3, axis=1, overwrite_x=True), FLOOR)) + series.log_scale[:, None]
        return Table(self.counts[rows] @ logs, self.step, series.offset, REACH)

    def centres(self, mu: Array, beta: Array) -> Array:
        """Centre of each row of panels at each point, shape (rows, points); `beta` of shape (P, points)."""
        return np.asarray(self.load[:, None] * (mu + self.columns @ beta))

    def log_likelihood(self, tables: Tables, within: float, mu: Array, beta: Array, between: Array | None) -> Array:
        """Log likelihood of all panels with the overdispersion integrated out.

        Parameters
        ----------
        tables : Tables
            Those of `within`.
        within : float
        mu : ndarray, shape (points,)
        beta : ndarray, shape (P, points)
        between : ndarray, shape (points,), or None
            Spread between clusters.

        Returns
        -------
        ndarray, shape (points,)
        """
        parts = self.log_parts(tables, within, mu, beta, between)
        return np.asarray(parts[0] if len(parts) == 1 else logsumexp(parts, b=self.shares[:, None], axis=0))

    def log_parts(self, tables: Tables, within: float, mu: Array, beta: Array, between: Array | None) -> Array:
        """The same at every overdispersion, shape (overdispersions, points); one row where nobody repeated."""
        if between is None:
            each = max(256, 2 * AT_ONCE // len(self.load))
            spans = [slice(start, start + each) for start in range(0, len(mu), each)]
            return np.concatenate([self._apart(tables, self.centres(mu[at], beta[:, at])) for at in spans], axis=1)
        centres = self.centres(mu, beta)
        out = np.empty((max(1, len(tables.repeated)), len(mu)))
        order = np.argsort(between)  # a wider spread between clusters needs more steps to sum over
        largest = self._told(within)
        each = max(16, AT_ONCE // (16 * len(self.load)))
        for part in np.split(order, np.arange(each, len(order), each)):
            narrow = 1 / np.sqrt(1 + largest * float(between[part[-1]]) ** 2)
            steps = int(np.ceil(FARTHEST / (COARSEST * narrow)))
            z = np.linspace(-FARTHEST, FARTHEST, 2 * steps + 1)
            logs = self.of_deviations(tables, centres[:, part], between[part], z)
            out[:, part] = _log_sum(logs).sum(axis=1) + len(logs[0]) * np.log(FARTHEST / steps / np.sqrt(2 * np.pi))
        return out

    def _apart(self, tables: Tables, centres: Array) -> Array:
        """Without clusters, shape (overdispersions, points)."""
        shared = _read(tables.plain, self.unrepeated, centres).sum(axis=0)
        if not tables.repeated:
            return np.asarray(shared[None])
        return np.stack([shared + _read(table, self.repeated, centres).sum(axis=0) for table in tables.repeated])

    def _told(self, within: float) -> float:
        """The most that any cluster tells of its own centre, as one over a variance."""
        told = self._information / (1 + self._information * within**2)
        return float(np.bincount(self.cluster, self.counts @ told).max())

    def of_deviations(self, tables: Tables, centres: Array, between: Array, z: Array) -> Array:
        """Log of each cluster's likelihood and the density of its deviation, but for a constant.

        Parameters
        ----------
        tables : Tables
        centres : ndarray, shape (rows, points)
            Without the clusters' deviations.
        between : ndarray, shape (points,)
        z : ndarray, shape (deviations,)
            In standard deviations.

        Returns
        -------
        ndarray, shape (overdispersions, clusters, deviations, points)
        """
        moved = centres[:, None, :] + np.multiply.outer(z, between)
        shared = np.zeros((int(self.cluster.max()) + 1, *moved.shape[1:]))
        shared -= 0.5 * z[:, None] ** 2
        _add(shared, self.cluster[self.unrepeated], _read(tables.plain, self.unrepeated, moved))
        if not tables.repeated:
            return shared[None]
        out = np.repeat(shared[None], len(tables.repeated), axis=0)
        for logs, table in zip(out, tables.repeated, strict=True):
            _add(logs, self.cluster[self.repeated], _read(table, self.repeated, moved))
        return out


def _sharpest(series: Sequence[Series], panel: int) -> float:
    """The most that one panel tells of its theta, as one over a variance: the sharpest bend of its log likelihood."""
    axis = series[0].own_axis
    axis = axis[:: max(1, len(axis) // 1024)]
    logs = series[0].evidence[panel].log_likelihood(axis, series[0].gamma)
    bend = -np.diff(logs, 2) / (axis[1] - axis[0]) ** 2
    near = logs[1:-1] > logs.max() - 8
    return float(max(bend[near].max(), 1e-6))


def _read(table: Table, rows: NDArray[np.intp], centres: Array) -> Array:
    return table.read(len(rows), centres if len(rows) == len(centres) else centres[rows])


def _add(total: Array, clusters: NDArray[np.intp], rows: Array) -> None:
    """Add rows, which are in the order of their clusters, to their clusters' totals."""
    if len(clusters):
        starts = np.flatnonzero(np.r_[True, np.diff(clusters) > 0])
        total[clusters[starts]] += np.add.reduceat(rows, starts, axis=0)


def _log_sum(logs: Array) -> Array:
    """Log of the sum of exponentials over the last axis but one."""
    top = logs.max(axis=-2)
    return np.asarray(top + np.log(np.exp(logs - top[..., None, :]).sum(axis=-2)))
