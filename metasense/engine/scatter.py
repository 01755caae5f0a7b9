"""Integration over several unknowns at once by points that fill their space evenly, without a sampler.

The spread within is laid out in levels, at the Gauss-Legendre places of its fitted density's running share. On each
level the other unknowns (slopes, the spread between clusters, the centre) get quasi-random points (scrambled Sobol) in
a density fitted to their posterior there: logistic in each direction, hence with longer tails than any posterior of
this model, and cut where the prior is cut. Every point weighs posterior over fitted density, so that the fit decides
how fast, not what, the answer is. Several independent scrambles tell the error; while it is too large the points are
doubled and the density is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import logsumexp

from metasense.engine.grid import IntegrationError, Stretch

Array = NDArray[Any]

SCRAMBLES = 8  # independent sets of points, whose answers are compared
LEVELS = 128  # of the spread within
POINTS = 8192  # of each scramble, to begin with
MOST_POINTS = 131_072
FINE = 4001  # points at which the fitted density of the spread is added up
NODES = 25  # of the spread while fitting
FITTED = 128  # points a node while fitting
ROUNDS = 16  # of fitting, at most
GOOD = 0.3  # effective share of a node's points at which its fit is good enough
POOR = 0.5  # effective share of the first points below which the density is fitted to them again
NEAR = 32  # one over the share of the levels that a node is fitted to
FLATTEST = 1e-9  # power to which weights may be raised while the fit is far off
WIDER = 1.1  # of what was seen, so that nothing is missed beyond it
WISHED = 8e-3  # error of every quantile checked, in posterior standard deviations
ACCEPTED = 1e-2  # the same with as many points as there may be
CHECKED = (0.025, 0.16, 0.5, 0.84, 0.975)
LOGISTIC = np.pi / np.sqrt(3)  # by which a logistic variable of variance 1 is scaled


class Target(Protocol):
    """What is integrated: unknowns in an order in which each may be bounded below by those before it."""

    @property
    def size(self) -> int:
        """How many unknowns there are beside the spread within."""

    def lowest(self, place: int, before: Array) -> Array | float:
        """Lower bound of the unknown at `place`, given those before it, shape (place, points)."""

    def log_density(self, level: float, values: Array) -> Array:
        """Log of likelihood and prior at values of shape (size, points), the spread within being `level`."""


@dataclass(frozen=True, eq=False)
class Fit:
    """A density of the unknowns at each of some spreads.

    Attributes
    ----------
    stretch : Stretch
        Of the spread; its nodes are evenly spaced.
    logs : ndarray, shape (nodes,)
        Log posterior density of the spread there, with the stretch.
    middle : ndarray, shape (nodes, size)
    root : ndarray, shape (nodes, size, size)
        Lower triangular, a root of the covariance.
    """

    stretch: Stretch
    logs: Array
    middle: Array
    root: Array

    def at(self, spread: Array) -> tuple[Array, Array]:
        """Middle and root at other spreads, between the nodes in a straight line."""
        nodes = self.stretch.at(np.linspace(-1, 1, len(self.logs)))[0]
        place = np.interp(spread, nodes, np.arange(len(nodes)))
        left = np.minimum(place.astype(int), len(nodes) - 2)
        share = place - left
        middle = self.middle[left] * (1 - share)[:, None] + self.middle[left + 1] * share[:, None]
        root = self.root[left] * (1 - share)[:, None, None] + self.root[left + 1] * share[:, None, None]
        return middle, root

    def levels(self, count: int) -> tuple[Array, Array, Array, Array]:
        """Some spreads at Gauss-Legendre places of the fitted density's running share.

        Returns
        -------
        spread, log_weight : ndarray, shape (count,)
            The spreads, and the logs of their weights in an integral over the spread.
        shares, edges : ndarray, shape (count + 1,)
            The shares of the fitted density that the levels stand for, added up, and the spreads there.
        """
        x = np.linspace(-1, 1, len(self.logs))
        fine = np.linspace(-1, 1, FINE)
        logs = PchipInterpolator(x, np.maximum(self.logs - self.logs.max(), -60.0))(fine)
        # a share of it flatter, so that no part of the posterior is missed
        density = 0.85 * _per_unit(np.exp(logs)) + 0.15 * _per_unit(np.exp(0.4 * logs))
        running = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
        running /= running[-1]
        at, weight = np.polynomial.legendre.leggauss(count)
        curve = PchipInterpolator(fine, running)
        place = _inverse(curve, fine, running, (at + 1) / 2)
        spread, slope = self.stretch.at(place)
        height = np.maximum(curve.derivative()(place), 1e-300) / slope
        shares = np.concatenate([[0.0], np.cumsum(weight / 2)])
        shares[-1] = 1.0
        edges = self.stretch.at(_inverse(curve, fine, running, shares))[0]
        return spread, np.log(weight / 2) - np.log(height), shares, edges


def _inverse(curve: PchipInterpolator, x: Array, running: Array, shares: Array) -> Array:
    """Where a rising curve reaches some shares."""
    rising = np.concatenate([[True], np.diff(running) > 0])
    place = np.interp(shares, running[rising], x[rising])
    slope = curve.derivative()
    for _ in range(3):
        step = (curve(place) - shares) / np.maximum(slope(place), 1e-12)
        place = np.clip(place - np.clip(step, -1e-3, 1e-3), x[0], x[-1])
    return np.asarray(place)


def _per_unit(density: Array) -> Array:
    return np.asarray(density / density.sum())


@dataclass(frozen=True, eq=False)
class Scatter:
    """Weighted points of a posterior.

    Attributes
    ----------
    spread : ndarray, shape (levels,)
        The spread within.
    shares, edges : ndarray, shape (levels + 1,)
        Between the levels: the share of the fitted density up to there, and the spread.
    values : ndarray, shape (size, levels, points)
        The other unknowns.
    weight : ndarray, shape (levels, points)
        Adds up to 1.
    log_evidence : float
    error : float
        Of the quantiles of the unknowns, in posterior standard deviations, by the scrambles' agreement.
    evidence_error : float
        Of the log evidence, likewise.
    """

    spread: Array
    shares: Array
    edges: Array
    values: Array
    weight: Array
    log_evidence: float
    error: float
    evidence_error: float

    @classmethod
    def integrate(
        cls,
        target: Target,
        stretch: Stretch,
        start: Callable[[Array], tuple[Array, Array]],
        *,
        wished: float = WISHED,
        points: int = POINTS,
        watch: Callable[[int], None] | None = None,
    ) -> Scatter:
        """Fit, lay out the points, and double them until the scrambles agree.

        Parameters
        ----------
        target : Target
        stretch : Stretch
            Of the spread within.
        start : callable
            Gives a first middle and root at any spreads.
        wished : float
            Error at which no more points are laid.
        points : int
            Of each scramble, to begin with.
        watch : callable, optional
            Told of how many points are about to be laid.

        Raises
        ------
        IntegrationError
            If they do not agree with as many points as there may be.
        """
        fit = fitted(target, stretch, start)
        first = cls._laid(target, fit, points // 8, LEVELS // 8)
        if first.efficiency < POOR:
            fit = first._refit(fit)
        while True:
            if watch is not None:
                watch(points * SCRAMBLES)
            found = cls._laid(target, fit, points)
            if found.error <= wished:
                return found
            points *= 2
            if points > MOST_POINTS:
                break
            fit = found._refit(fit)
        if found.error <= ACCEPTED:
            return found
        raise IntegrationError(
            f"The integration did not settle: its quantiles still move by {found.error:.2g} posterior standard "
            f"deviations with {MOST_POINTS * SCRAMBLES:,} points. With moderators, method='mcmc' samples the same "
            "model."
        )

    @classmethod
    def _laid(cls, target: Target, fit: Fit, points: int, levels: int = LEVELS) -> Scatter:
        spread, log_level, shares, edges = fit.levels(levels)
        middle, root = fit.at(spread)
        uniform = np.concatenate([_even(target.size, points, levels, seed) for seed in range(SCRAMBLES)], axis=2)
        values = np.empty((target.size, levels, uniform.shape[2]))
        logs = np.empty((levels, uniform.shape[2]))
        for k in range(levels):
            values[:, k], log_q = _placed(target, middle[k], root[k], uniform[:, k])
            logs[k] = target.log_density(float(spread[k]), values[:, k]) - log_q + log_level[k]
        parts = np.split(logs, SCRAMBLES, axis=1)
        each = np.array([logsumexp(part) - np.log(part.shape[1]) for part in parts])
        log_evidence = float(logsumexp(each) - np.log(SCRAMBLES))
        weight = np.exp(logs - log_evidence) / logs.shape[1]
        evidence_error = float(each.std(ddof=1) / np.sqrt(SCRAMBLES))
        found = cls(spread, shares, edges, values, weight, log_evidence, 0.0, evidence_error)
        return replace(found, error=found._disagreement())

    @property
    def efficiency(self) -> float:
        """Effective share of the points."""
        return float(1 / (self.weight**2).sum() / self.weight.size)

    def _disagreement(self) -> float:
        """The largest standard error of the unknowns' quantiles, in posterior standard deviations."""
        worst = [0.0]
        weights = np.split(self.weight, SCRAMBLES, axis=1)
        for one in self.values:
            mean = float((self.weight * one).sum())
            sd = np.sqrt(max(float((self.weight * (one - mean) ** 2).sum()), 1e-300))
            found = [
                weighted_quantiles(part, weight, CHECKED)
                for part, weight in zip(np.split(one, SCRAMBLES, axis=1), weights, strict=True)
            ]
            worst.append(float(np.sqrt(np.var(found, axis=0, ddof=1).mean() / SCRAMBLES) / sd))
        return max(worst)

    def _refit(self, fit: Fit) -> Fit:
        """The density that suits the points, at the nodes that were fitted before."""
        nodes = fit.stretch.at(np.linspace(-1, 1, len(fit.logs)))[0]
        middle, root = fit.middle.copy(), fit.root.copy()
        levels = np.arange(len(self.spread))
        for k, node in enumerate(nodes):
            off = (levels - np.interp(node, self.spread, levels)) / len(levels)
            near = np.exp(-0.5 * (NEAR * off) ** 2)
            weight = self.weight * near[:, None]
            if weight.sum() ** 2 > 100 * (weight**2).sum():
                middle[k], root[k] = _moments(self.values.reshape(len(self.values), -1), weight.ravel(), root[k])
        return Fit(fit.stretch, fit.logs, middle, root)


def weighted_quantiles(values: Array, weight: Array, levels: Any) -> Array:
    """Quantiles of weighted points, each weight half before and half after its point."""
    order = np.argsort(values, axis=None)
    sorted_weight = weight.ravel()[order]
    running = np.cumsum(sorted_weight) - sorted_weight / 2
    return np.asarray(np.interp(np.asarray(levels) * sorted_weight.sum(), running, values.ravel()[order]))


def fitted(target: Target, stretch: Stretch, start: Callable[[Array], tuple[Array, Array]]) -> Fit:
    """A density near the posterior at each of some spreads, by looking and fitting in turn.

    Where few points would count, their weights are flattened, so that the density walks to where the posterior is.
    """
    x = np.linspace(-1, 1, NODES)
    lower, upper = stretch.lower, stretch.upper
    spread = stretch.at(x)[0]
    middle, root = start(spread)
    for turn in range(ROUNDS):
        uniform = _even(target.size, NODES * FITTED, NODES, turn)
        slope = stretch.at(x)[1]
        logs, good = np.empty(NODES), np.empty(NODES)
        for k in range(NODES):
            values, log_q = _placed(target, middle[k], root[k], uniform[:, k])
            log_weight = target.log_density(float(spread[k]), values) - log_q
            logs[k] = logsumexp(log_weight) - np.log(len(log_weight)) + np.log(slope[k])
            weight, good[k] = _flattened(log_weight)
            middle[k], root[k] = _moments(values, weight, root[k])
        matters = logs > logs.max() - 8
        weight = np.exp(logs - logs.max())
        new = stretch.refit(x, weight, logs)
        settled = new.near(stretch) and bool((good[matters] >= GOOD).all())
        fit = Fit(stretch, logs, middle, root)
        if settled and turn:
            break
        stretch = Stretch(lower, upper, new.centre, new.scale)
        spread = stretch.at(x)[0]
        middle, root = fit.at(spread)
    return fit


def _even(size: int, points: int, levels: int, seed: int) -> Array:
    """Points in (0, 1) that fill the space evenly, as many on each level, shape (size, levels, points a level)."""
    from scipy.stats import qmc

    total = 2 ** int(np.ceil(np.log2(points)))
    drawn = qmc.Sobol(size + 1, scramble=True, seed=seed).random(total)
    order = np.argsort(drawn[:, 0], kind="stable")
    each = total // levels
    chosen = drawn[order[: each * levels], 1:]
    return np.clip(chosen.T.reshape(size, levels, each), 1e-12, 1 - 1e-12)


def _placed(target: Target, middle: Array, root: Array, uniform: Array) -> tuple[Array, Array]:
    """Values of the unknowns, shape (size, points), and the log of the density they are placed by."""
    values, steps = np.empty_like(uniform), np.empty_like(uniform)
    log_q = np.zeros(uniform.shape[1])
    for k in range(len(uniform)):
        centre = middle[k] + root[k, :k] @ steps[:k]
        scale = root[k, k] / LOGISTIC
        cut = (target.lowest(k, values[:k]) - centre) / scale
        log_kept = -np.logaddexp(0.0, cut)  # log of the share above the cut
        log_above = log_kept + np.log1p(-uniform[k])  # log of the share above the point
        z = np.log(-np.expm1(log_above)) - log_above
        values[k] = np.maximum(centre + scale * z, target.lowest(k, values[:k]))
        steps[k] = z / LOGISTIC
        log_q += -np.abs(z) - 2 * np.log1p(np.exp(-np.abs(z))) - np.log(scale) - log_kept
    return values, log_q


def _flattened(log_weight: Array) -> tuple[Array, float]:
    """Weights that add up to 1, to a power below 1 where few would count; and the effective share of the points."""
    enough = len(log_weight) / 6
    centred = log_weight - log_weight.max()

    def effective(power: float) -> tuple[Array, float]:
        weight = np.exp(power * centred)
        weight /= weight.sum()
        return weight, float(1 / (weight**2).sum())

    weight, size = effective(1.0)
    good = size / len(log_weight)
    if size < enough:
        low, high = FLATTEST, 1.0
        for _ in range(24):
            power = np.sqrt(low * high)
            low, high = (low, power) if effective(power)[1] < enough else (power, high)
        weight = effective(low)[0]
    return weight, good


def _moments(values: Array, weight: Array, before: Array) -> tuple[Array, Array]:
    """Weighted mean and a root of the covariance, kept off zero in every direction."""
    weight = weight / weight.sum()
    mean = values @ weight
    off = values - mean[:, None]
    covariance = WIDER**2 * (off * weight) @ off.T
    floor = 1e-3 * np.diag(before @ before.T)
    covariance[np.diag_indices(len(mean))] += floor
    return mean, np.linalg.cholesky(covariance)
