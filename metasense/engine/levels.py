"""Panels in groups: each group has a centre of its own, so its panels are a "panel" one level up.

Panels of group g are ``theta_i ~ Normal(phi_g, within)`` and the groups ``phi_g ~ Normal(mu, between)``. For a fixed
`within` the product of a group's panels, ``prod_i L_i(phi, within)``, is a function of `phi` on the d-prime axis like
any panel's likelihood, so that its own cosine series averages it over ``Normal(mu, between)``. Batch pairs and
experimenters are such groups; so are the categories of a moderator, with `between` known from the prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct, next_fast_len
from scipy.special import logsumexp

from metasense.engine.box import Box, Strips, axis, rebinned
from metasense.engine.distribution import Distribution
from metasense.engine.grid import overdispersions
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series, axis_of
from metasense.engine.posterior import Posterior
from metasense.engine.priors import Priors, log_centre, log_change

Array = NDArray[Any]

AT_ONCE = 16  # groups of which what the nodes say is worked out together
DRAWS = 20_000  # for what depends on several groups at once


class Groups:
    """The likelihood of panels in groups.

    Parameters
    ----------
    evidence : sequence of Evidence, length U
        Distinct panels.
    counts : array_like, shape (G, U)
        How often each stands in each group.
    """

    def __init__(self, evidence: Sequence[Evidence], counts: ArrayLike) -> None:
        self.counts = np.asarray(counts, float)
        gammas, self.shares = overdispersions(evidence)
        self.series = [Series.build(evidence, self.counts.sum(axis=0), float(g)) for g in gammas]
        repeats = self.counts @ np.array([e.repeated for e in evidence], float) > 0
        self.repeated, self.plain = np.flatnonzero(repeats), np.flatnonzero(~repeats)
        largest = (self.counts @ np.array([e.size for e in evidence])).max()
        least = max(series.terms for series in self.series)
        points = max(int(np.ceil(64 * np.sqrt(largest))), 256) * (2 if self.directed else 1)
        self.points = next_fast_len(max(points, least))

    @classmethod
    def of(cls, evidence: Sequence[Evidence], group: Array, index: Array) -> Groups:
        """From each panel's group, counted from 0, and the distinct panel that it is."""
        counts = np.zeros((int(group.max()) + 1, len(evidence)))
        np.add.at(counts, (group, index), 1)
        return cls(evidence, counts)

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self.series[0].directed

    def _products(self, series: Series, groups: Array, within: float, points: int) -> tuple[Array, Array]:
        """Each group's likelihood on `points` d-primes of its centre, relative to its largest value, and its log."""
        damped = np.zeros((len(series.evidence), points))
        damped[:, : series.terms] = series.coefficients * np.exp(-0.5 * (series.frequencies * within) ** 2)
        damped[:, 1:] /= 2  # the transform counts every cosine but the constant twice
        logs = np.log(np.maximum(dct(damped, type=3, axis=1, overwrite_x=True), FLOOR)) + series.log_scale[:, None]
        logs = self.counts[groups] @ logs
        top = logs.max(axis=1)
        return np.exp(logs - top[:, None]), top

    def averaged(self, which: int, groups: Array, mu: Array, between: Array, within: float) -> tuple[Array, Array]:
        """Each group's likelihood averaged over ``Normal(mu, between)``, shape (groups, mu, between), and its log "
        "scale."""
        series = self.series[which]
        product, top = self._products(series, groups, within, self.points)
        return self._over(series, product, mu, between), top

    def _over(self, series: Series, product: Array, mu: Array, between: Array) -> Array:
        """Groups' likelihoods on points of their centres averaged over ``Normal(mu, between)``, shape (groups, mu,
        between)."""
        coefficients = dct(product, type=2, axis=1) / self.points
        coefficients[:, 0] /= 2
        terms = np.flatnonzero((np.abs(coefficients) > FLOOR / 10).any(axis=0))[-1] + 1
        w = np.pi * np.arange(terms) / series.width
        waves = np.cos(np.multiply.outer(mu + series.offset, w))
        damping = np.exp(-0.5 * np.multiply.outer(w, between) ** 2)
        scaled = (coefficients[:, None, :terms] * waves).reshape(-1, terms) @ damping
        return np.maximum(scaled, FLOOR).reshape(len(product), len(mu), len(between))

    def each(self, which: int, groups: Array, mu: Array, between: Array, within: Array) -> tuple[Array, Array]:
        """Of each group, relative to its largest: the average of its likelihood, shape (groups, mu, between, within),
        and the likelihood on points of its centre, shape (groups, points, within)."""
        series = self.series[which]
        products = np.empty((len(groups), self.points, len(within)))
        averages = np.empty((len(groups), len(mu), len(between), len(within)))
        for k, tau in enumerate(within):
            products[:, :, k] = self._products(series, groups, float(tau), self.points)[0]
            averages[:, :, :, k] = self._over(series, products[:, :, k], mu, between)
        return averages, products

    def log_parts(self, mu: Array, between: Array, within: Array) -> Array:
        """Log likelihood at every overdispersion, shape (overdispersions, mu, between, within)."""
        out = np.zeros((len(self.series), len(mu), len(between), len(within)))
        jobs = [(which, self.repeated, slice(which, which + 1)) for which in range(len(self.series))]
        jobs.append((0, self.plain, slice(None)))  # without repeats the overdispersion does not matter
        for which, groups, where in jobs:
            for t, tau in enumerate(within if len(groups) else ()):
                value, top = self.averaged(which, groups, mu, between, float(tau))
                out[where, :, :, t] += np.log(value).sum(axis=0) + top.sum()
        return out + np.log(self.shares)[:, None, None, None]

    def log_likelihood(self, mu: Array, between: Array, within: Array) -> Array:
        """Log likelihood with the overdispersion integrated out, shape (mu, between, within)."""
        return np.asarray(logsumexp(self.log_parts(mu, between, within), axis=0))


@dataclass(frozen=True, eq=False)
class Levels:
    """Posterior of the centre, the spread between groups and the spread within them.

    Attributes
    ----------
    groups : Groups
    box : Box
        Axes centre, between, within; without the second where `between` is fixed.
    between : float or None
        The spread between groups where it is fixed.
    likelihoods : dict
        What the nodes say of single groups, kept for other priors on the same nodes.
    """

    groups: Groups
    box: Box
    between: float | None = None
    likelihoods: dict[Any, Any] = field(default_factory=dict, repr=False)

    @classmethod
    def integrate(cls, groups: Groups, priors: Priors, start: Posterior, *, between: float | None = None) -> Levels:
        """Integrate.

        Parameters
        ----------
        groups : Groups
        priors : Priors
            With a free `between`, both spreads are half-normal of scale ``spread_scale / sqrt(2)``, so that panels in
            all are expected to vary as much as without groups.
        start : Posterior
            Of the same panels without groups; tells where to look.
        between : float, optional
            Fix the spread between groups.
        """
        half = 1.0 if between is not None else np.sqrt(0.5)
        scale = priors.spread_scale * half
        far = min(REACH, abs(priors.centre_at) + 8 * priors.centre_scale)

        def log_density(mu: Array, *spreads: Array) -> Array:
            b, t = spreads if between is None else (np.array([between]), *spreads)
            logs = groups.log_likelihood(mu, b, t) + log_centre(priors, mu, groups.directed)[:, None, None]
            logs = logs + _normal(t, scale) + np.log(2)
            return logs[:, 0, :] if between is not None else logs + _normal(b, scale)[:, None] + np.log(2)

        spread, average = start.spread, start.average
        axes = [axis(-far if groups.directed else 0.0, far, average.mean, average.sd)]
        axes += [axis(0, 8 * scale, spread.median * half, spread.sd)] * (1 if between is not None else 2)
        return cls(groups, Box.integrate(log_density, axes), between)

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self.groups.directed

    def under(self, old: Priors, new: Priors) -> Levels:
        """The same with other scales of centre and spread(s) than those integrated with; a fixed `between` stays."""
        mu, *spreads = np.meshgrid(*self.box.values, indexing="ij", sparse=True)
        squares = np.asarray(sum(spread**2 for spread in spreads))
        change = log_change(old, new, mu, squares, spreads=len(spreads), directed=self.directed)
        return replace(self, box=self.box.weighed(np.broadcast_to(change, self.box.density.shape)))

    def _axes(self) -> tuple[Array, Array, Array]:
        mu, *spreads = self.box.values
        b, t = spreads if self.between is None else (np.array([self.between]), *spreads)
        return mu, b, t

    @cached_property
    def new_group(self) -> Strips:
        """A panel on a new group: centre `mu`, both spreads together."""
        edges, mass = self.box.own_cells[0]
        _, b, t = self._axes()
        total = np.hypot.outer(b, t).ravel()
        tau, mass = rebinned(total, mass.reshape(len(mass), -1))
        return Strips.of(self.groups.series[0], edges, tau, mass)

    def group(self, g: int) -> Strips:
        """Panels on group `g`: its own centre, and the spread within groups."""
        return self._known[g] if g in self._known else self._known.setdefault(g, self._group(g))

    @cached_property
    def _known(self) -> dict[int, Strips]:
        return {}

    def _group(self, g: int) -> Strips:
        _, b, t = self._axes()
        parts = self._shares if g in self.groups.repeated else np.ones((1, *self.box.density.shape))
        series = self.groups.series[0]
        terms = points = self.groups.points  # the mixture of groups is less smooth than a group's likelihood
        total = np.zeros((points, len(t)))
        for which, part in enumerate(parts):
            if part.max() < 1e-9:
                continue
            own, product = self._of_group(g, which)
            edges, mass = self.box.cells(0, self.box.density * part / own)
            w = np.pi * np.arange(terms) / series.width
            if "waves" not in self.likelihoods:
                middle = (edges[1:] + edges[:-1]) / 2
                self.likelihoods["waves"] = np.cos(np.multiply.outer(w, middle + series.offset))
            mixed = (self.likelihoods["waves"] @ mass.reshape(len(mass), -1)).reshape(terms, len(b), len(t))
            mixed = (mixed * np.exp(-0.5 * np.multiply.outer(w, b) ** 2)[:, :, None]).sum(axis=1)
            padded = np.zeros((points, len(t)))
            padded[:terms] = mixed
            prior = np.maximum(dct(padded, type=3, axis=0, overwrite_x=True), 0.0)
            total += prior * product
        edges = np.linspace(-REACH if self.directed else 0.0, REACH, points + 1)
        return Strips.of(series, edges, t, total)

    def _of_group(self, g: int, which: int) -> tuple[Array, Array]:
        """What the nodes say of a group at an overdispersion; of its neighbours too, which cost little beside it."""
        if (g, which) not in self.likelihoods:
            alike = self.groups.repeated if g in self.groups.repeated else self.groups.plain
            first = int(np.searchsorted(alike, g)) // AT_ONCE * AT_ONCE
            groups = alike[first : first + AT_ONCE]
            for one, own, product in zip(groups, *self.groups.each(which, groups, *self._axes()), strict=True):
                self.likelihoods[int(one), which] = own if self.between is None else own[:, 0, :], product
        own, product = self.likelihoods[g, which]
        return own, product

    @cached_property
    def _shares(self) -> Array:
        """Posterior probability of each overdispersion at each node."""
        if "shares" not in self.likelihoods:
            logs = self.groups.log_parts(*self._axes())
            logs = logs if self.between is None else logs[:, :, 0, :]
            self.likelihoods["shares"] = np.exp(logs - logsumexp(logs, axis=0))
        return np.asarray(self.likelihoods["shares"])

    def spread_between(self) -> Distribution:
        """Standard deviation between groups."""
        return self.box.distribution(lambda mu, b, t: b, along=1)

    def spread_within(self) -> Distribution:
        """Standard deviation between panels of one group."""
        last = len(self.box.axes) - 1
        return self.box.distribution(lambda *axes: axes[-1], along=last)

    def spread_total(self) -> Distribution:
        """Standard deviation between panels of different groups."""
        return self.box.distribution(lambda mu, b, t: np.hypot(b, t), along=2)

    def share_between(self) -> Distribution:
        """Share of the variance that lies between groups."""
        return self.box.distribution(lambda mu, b, t: b**2 / np.maximum(b**2 + t**2, 1e-12), along=1)

    def draw_centres(self, rng: np.random.Generator, size: int = DRAWS) -> tuple[Array, Array, Array]:
        """Joint draws of the groups' centres, (size, G), of the centre over them and of the spread within, (size,).

        For groups whose spread `between` is fixed, and thus not 0.
        """
        assert self.between
        mu, b, t = self._axes()
        weight = self.box.weight.reshape(len(mu), len(b), len(t))
        picked = _stratified(weight.ravel(), size, rng)
        a, k, j = np.unravel_index(picked, weight.shape)
        centres = np.empty((size, len(self.groups.counts)))
        which = self._draw_overdispersions(picked, rng)
        points = next_fast_len(2 * self.groups.points)
        grid = axis_of(points // 2 if self.directed else points, self.directed)
        for tau_at in np.unique(j):
            for gamma in np.unique(which[j == tau_at]):
                rows = np.flatnonzero((j == tau_at) & (which == gamma))
                pairs, inverse = np.unique(np.stack([a[rows], k[rows]]), axis=1, return_inverse=True)
                inverse = inverse.ravel()
                m, s = mu[pairs[0], None], b[pairs[1], None]
                normal = np.exp(-0.5 * ((grid - m) / s) ** 2)
                normal = normal if self.directed else normal + np.exp(-0.5 * ((grid + m) / s) ** 2)
                every = np.arange(len(self.groups.counts))
                products = self.groups._products(self.groups.series[gamma], every, float(t[tau_at]), len(grid))[0]
                for g, product in enumerate(products):
                    cdf = np.cumsum(normal * product, axis=1)
                    cdf /= cdf[:, -1:]
                    flat = (cdf + np.arange(len(cdf))[:, None]).ravel()
                    at = np.searchsorted(flat, rng.random(len(rows)) + inverse) - inverse * len(grid)
                    centres[rows, g] = grid[at.clip(0, len(grid) - 1)]
        order = rng.permutation(size)
        return centres[order], mu[a][order], t[j][order]

    def _draw_overdispersions(self, picked: Array, rng: np.random.Generator) -> Array:
        if len(self.groups.series) == 1:
            return np.zeros(len(picked), int)
        running = np.cumsum(self._shares.reshape(len(self._shares), -1)[:, picked], axis=0)
        return np.minimum((running < rng.random(len(picked))).sum(axis=0), len(running) - 1)


def _normal(value: Array, scale: float) -> Array:
    return np.asarray(-0.5 * (value / scale) ** 2 - np.log(np.sqrt(2 * np.pi) * scale))


def _stratified(weight: Array, size: int, rng: np.random.Generator) -> Array:
    edges = np.cumsum(weight) / weight.sum()
    return np.searchsorted(edges, (np.arange(size) + rng.random(size)) / size).clip(max=len(weight) - 1)
