"""A level above many variables: how many of them have nothing to taste, and how large the others' differences are.

Every variable has an explanation (none, same or varying), with shares ~ Dirichlet(1, 1, 1) over the shelf. Its centre
and spread have the priors of `Priors`, whose two scales are log-normal and the same for the whole shelf. Given shares
and scales the variables are independent, so the posterior of these four numbers is a product over variables of what the
evidences of each add up to. It is summed over nodes, without sampling: `learn`. `shrunken` gives each variable back.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.engine.batch import MARKS, Asked, Laid, Variables, ranges
from metasense.engine.common import Common
from metasense.engine.grid import IntegrationError, Stretch, integrate, log_prior
from metasense.engine.plane import Plane
from metasense.engine.posterior import average_p_correct, chebyshev
from metasense.engine.priors import LARGEST, Priors
from metasense.engine.shared import CELLS as CELLS_OF_AVERAGES
from metasense.engine.shared import FINE, Nodes, nodes_of, quantiles, rate_scale

Array = NDArray[np.floating[Any]]

USUAL = {"centre_scale": 1.5, "spread_scale": 0.5}  # medians of the scales beforehand,
LOOSE = {"centre_scale": 0.5, "spread_scale": 0.7}  # and the standard deviations of their logs
NARROWEST = {"centre_scale": 0.1, "spread_scale": 0.03}  # what is less could not be told from nothing, or from the same
SCALES = 12  # nodes of each scale
AROUND = 4.5  # standard deviations of its log that they reach to either side
ENDS = 1e-4  # posterior probability of an outermost node above which they reach farther
PASSES = 8
SETTLED = 1e-3  # by which a sum over every second node of the shares may differ; the whole rule is far better than that
SHARES = 25  # nodes of the share of nothing, and as many of that of one difference among the rest
ROUGH = 0.1  # by which a sum over every second node may differ under the narrowest scales; the whole rule by some 1e-4
HELD = 40_000_000  # numbers that are kept in place of laying out likelihoods again
CELLS = 192  # of either, in which a share's distribution is read off
GROUP, LEAST = 4, 1e-70  # logs are taken of products of so many, each at least that: products cost less than logs
TOLD = np.array([0.025, 0.5, 0.975])


# --- the two scales ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Scales:
    """Nodes of the two prior scales.

    Attributes
    ----------
    centre, spread : ndarray, shape (SCALES,)
        In d-prime units.
    weight : ndarray, shape (SCALES * SCALES,)
        Prior probability of each pair, the spread's running fastest.
    """

    centre: Array
    spread: Array
    weight: Array

    @classmethod
    def between(cls, ends: dict[str, tuple[float, float]]) -> Scales:
        """Between ends given as logs, at the nodes of Gauss and Legendre."""
        x, w = np.polynomial.legendre.leggauss(SCALES)
        found, weights = [], []
        for name, (low, high) in ends.items():
            logs = (low + high) / 2 + (high - low) / 2 * x
            z = (logs - np.log(USUAL[name])) / LOOSE[name]
            found.append(np.exp(logs))
            weights.append(w * (high - low) / 2 * np.exp(-0.5 * z**2))
        weight = np.multiply.outer(*weights).ravel()
        return cls(found[0], found[1], weight / weight.sum())

    @cached_property
    def pairs(self) -> list[Priors]:
        """Priors of each pair."""
        return [Priors(float(c), float(s)) for c in self.centre for s in self.spread]

    def along(self, values: Array, axis: int) -> Array:
        """Sums of pairs' values over the other scale: 0 of the centre, 1 of the spread."""
        return np.asarray(values.reshape(SCALES, SCALES).sum(axis=1 - axis))


def _beforehand() -> dict[str, tuple[float, float]]:
    """Between which logs the scales lie before anything is known."""
    return {n: _clipped(n, np.log(m) - 2.5 * LOOSE[n], np.log(m) + 2.5 * LOOSE[n]) for n, m in USUAL.items()}


def _clipped(name: str, low: float, high: float) -> tuple[float, float]:
    """No wider than the engine's d-prime axis allows, and no narrower than could be told."""
    return float(max(low, np.log(NARROWEST[name]))), float(min(high, np.log(LARGEST[name])))


# --- each variable's evidences as functions of them -------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Single:
    """A variable that the shared nodes do not suit, with nodes of its own."""

    plane: Plane
    common: Common
    copies: Array
    none: float

    @classmethod
    def of(cls, variables: Variables) -> Single:
        (member,) = variables.members
        copies = np.bincount(member, minlength=len(variables.evidence)).astype(float)
        widest = Priors()
        posterior, evidences = integrate(variables.evidence, copies, widest)
        common = Common(variables.evidence, copies, widest)
        return cls(Plane(variables.evidence, posterior), common, copies, evidences.none)

    def logs(self, scales: Scales) -> tuple[Array, Array]:
        """Log evidences of same, shape (pairs,), and of varying."""
        same = [self.common.log_evidence(Priors(float(c))) for c in scales.centre]
        varying = [self.plane.weigh(self.copies, priors).log_evidence for priors in scales.pairs]
        return np.repeat(same, SCALES), np.array(varying)


class Shelf:
    """Variables whose likelihoods are laid out, or laid out again whenever they are needed."""

    def __init__(self, variables: Variables, nodes: Nodes | None = None) -> None:
        self.variables = variables
        self.nodes = nodes_of() if nodes is None else nodes
        self._held: list[tuple[NDArray[np.intp], Laid]] | None = None
        self.singles: dict[int, Single] = {}

    def laid(self) -> Iterator[tuple[NDArray[np.intp], Laid]]:
        """The variables that share nodes, some at a time, and where they stand."""
        if self._held is not None:
            yield from self._held
            return
        keep = len(self.variables) * len(self.nodes.mu) <= HELD
        held = []
        for which in self.variables.chunks():
            part = which, Laid.of(self.variables.some(which), self.nodes)
            if keep:
                held.append(part)
            yield part
        if keep:
            self._held = held

    def evidences(self, scales: Scales) -> Evidences:
        """Log evidences of the three explanations under every pair of scales."""
        size, pairs = len(self.variables), len(scales.weight)
        none, same, varying = np.empty(size), np.empty((size, pairs)), np.empty((size, pairs))
        for which, laid in self.laid():
            of_pairs, of_centres = priors_at(laid, scales)
            sums = _sums(laid.varying, of_pairs, self.nodes.halved[0])
            alike = _sums(laid.same, of_centres, self.nodes.halved[1])
            suits = (sums[1] <= ROUGH) & (alike[1] <= ROUGH)
            for i in which[~suits]:
                if int(i) not in self.singles:
                    self.singles[int(i)] = Single.of(self.variables.some([i]))
            none[which] = laid.logs[:, 0]
            same[which] = np.repeat(laid.logs[:, 1, None] + alike[0], SCALES, axis=1)
            varying[which] = laid.logs[:, 2, None] + sums[0]
        for i, single in self.singles.items():
            none[i] = single.none
            same[i], varying[i] = single.logs(scales)
        return Evidences(scales, none, same, varying)


def priors_at(laid: Laid, scales: Scales) -> tuple[Array, Array]:
    """Prior densities: of each pair at the nodes, shape (nodes, pairs), and of each centre at the averages."""
    nodes, directed = laid.nodes, laid.directed
    pairs = np.stack([nodes.log_prior(priors, directed) for priors in scales.pairs], axis=1)
    centres = np.stack([nodes.log_prior_of_same(Priors(float(c)), directed) for c in scales.centre], axis=1)
    return np.exp(pairs), np.exp(centres)


def _sums(parts: Sequence[Array], prior: Array, half: Array) -> tuple[Array, Array]:
    """Log of each variable's sums under each prior, and the most that any moves without every second node."""
    whole = sum(part @ prior for part in parts)
    left = np.flatnonzero(half)
    checked = sum(part[:, left] @ (half[left, None] * prior[left]) for part in parts)
    with np.errstate(divide="ignore", invalid="ignore"):
        moves = np.abs(np.asarray(checked) / whole - 1)
        logs = np.log(whole)
    return np.asarray(logs), np.where(np.isfinite(moves), moves, np.inf).max(axis=1)


@dataclass(frozen=True, eq=False)
class Evidences:
    """Log evidences of every variable as functions of the scales.

    Attributes
    ----------
    scales : Scales
    none : ndarray, shape (variables,)
    same, varying : ndarray, shape (variables, pairs)
    """

    scales: Scales
    none: Array
    same: Array
    varying: Array

    @cached_property
    def peak(self) -> Array:
        """The largest of each variable, shape (variables,)."""
        return np.maximum(self.none, np.maximum(self.same.max(axis=1), self.varying.max(axis=1)))

    def at(self, pair: int) -> Array:
        """Relative to the largest, none, same and varying, shape (variables, 3), under a pair of scales."""
        logs = np.column_stack([self.none, self.same[:, pair], self.varying[:, pair]])
        return np.exp(logs - self.peak[:, None])


# --- shares -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Simplex:
    """Nodes of the three shares.

    Attributes
    ----------
    nothing, one : Stretch
        Of the share of nothing, and of the share of one difference among the rest.
    size : int
        Nodes of each.
    """

    nothing: Stretch
    one: Stretch
    size: int

    @cached_property
    def nodes(self) -> tuple[Array, Array]:
        """Shares, shape (3, nodes), and the prior probability of each node."""
        x, w = chebyshev(self.size, 257)[:2]
        (a, slope_a), (b, slope_b) = self.nothing.at(x), self.one.at(x)
        rest = np.clip(1 - a, 0, None)
        shares = np.stack([np.repeat(a, len(b)), np.outer(rest, b).ravel(), np.outer(rest, 1 - b).ravel()])
        return np.clip(shares, 0, 1), np.outer(2 * rest * slope_a * w, slope_b * w).ravel()

    def cells(self, weight: Array) -> tuple[Array, Array]:
        """Shares in many small cells, shape (3, cells), and what each holds by the polynomial through the nodes."""
        _, w, fine, integrals = chebyshev(self.size, CELLS + 1)
        into = np.diff(integrals, axis=0) / w
        middle = (fine[1:] + fine[:-1]) / 2
        a, b = self.nothing.at(middle)[0], self.one.at(middle)[0]
        rest = 1 - a
        shares = np.stack([np.repeat(a, len(b)), np.outer(rest, b).ravel(), np.outer(rest, 1 - b).ravel()])
        mass = into @ weight.reshape(self.size, self.size) @ into.T
        return shares, np.clip(mass, 0, None).ravel()

    def refit(self, weight: Array) -> Simplex:
        """Nodes that suit the posterior weights of these."""
        found = weight.reshape(self.size, self.size)
        x, w = chebyshev(self.size, 257)[:2]
        stretches = []
        for stretch, axis in ((self.nothing, 1), (self.one, 0)):
            marginal = found.sum(axis=axis)
            with np.errstate(divide="ignore"):
                density = np.log(np.maximum(marginal / w, 0))
            stretches.append(_wider(stretch.refit(x, marginal, density)))
        return Simplex(stretches[0], stretches[1], self.size)


def _wider(stretch: Stretch) -> Stretch:
    """No finer than can be worth while, and inside 0 to 1."""
    return Stretch(max(stretch.lower, 0.0), min(stretch.upper, 1.0), stretch.centre, max(stretch.scale, 1e-4))


def _weigh(evidences: Evidences, simplex: Simplex) -> tuple[float, Array, float]:
    """Log evidence of the shelf, posterior weight of each pair and node, and what leaving out nodes would move."""
    shares, prior = simplex.nodes
    logs = np.empty((len(evidences.scales.weight), len(prior)))
    with np.errstate(divide="ignore"):
        before = np.log(prior)
        of_pair = np.log(evidences.scales.weight)
        for pair in range(len(logs)):
            logs[pair] = _log_products(evidences.at(pair), shares) + before + of_pair[pair]
    peak = logs.max()
    weight = np.exp(logs - peak)
    whole = weight.sum()
    half = np.zeros(simplex.size)
    half[::2] = chebyshev((simplex.size + 1) // 2, 257)[1] / chebyshev(simplex.size, 257)[1][::2]
    checked = float((weight @ np.outer(half, half).ravel()).sum())
    return float(peak + np.log(whole) + evidences.peak.sum()), weight / whole, abs(checked / whole - 1)


def _log_products(relative: Array, shares: Array) -> Array:
    """Log of the product over variables of what their evidences add up to under shares, shape (nodes,)."""
    total = np.zeros(shares.shape[1])
    for start in range(0, len(relative), GROUP):
        mixed = np.maximum(relative[start : start + GROUP] @ shares, LEAST)
        total += np.log(mixed.prod(axis=0))
    return total


# --- learning ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Learned:
    """What a shelf says of its shares and scales.

    Attributes
    ----------
    evidences : Evidences
    simplex : Simplex
    weight : ndarray, shape (pairs, nodes)
        Posterior probability of each pair of scales with each node of the shares.
    log_evidence : float
    error : float
        By which share the evidence moves when every second node of the shares is left out.
    """

    evidences: Evidences
    simplex: Simplex
    weight: Array
    log_evidence: float
    error: float

    @property
    def shares(self) -> Array:
        """Posterior means of the shares of none, same and varying, shape (3,)."""
        return np.asarray(self.simplex.nodes[0] @ self.weight.sum(axis=0))

    def share_ranges(self) -> Array:
        """2.5, 50 and 97.5 % of each share, shape (3, 3)."""
        values, mass = self.simplex.cells(self.weight.sum(axis=0))
        return np.stack([_weighted(share, mass) for share in values])

    def scale_ranges(self) -> Array:
        """2.5, 50 and 97.5 % of the scales of centre and spread, shape (2, 3)."""
        pairs = self.weight.sum(axis=1)
        scales = self.evidences.scales
        logs = [np.log(scales.centre), np.log(scales.spread)]
        return np.exp(np.stack([_smooth(log, scales.along(pairs, i)) for i, log in enumerate(logs)]))

    @cached_property
    def typical_scales(self) -> tuple[float, float]:
        """Geometric means of the scales of centre and spread."""
        pairs = self.weight.sum(axis=1)
        scales = self.evidences.scales
        centre = np.exp(np.log(scales.centre) @ scales.along(pairs, 0))
        return float(centre), float(np.exp(np.log(scales.spread) @ scales.along(pairs, 1)))

    @cached_property
    def explanations(self) -> tuple[Array, Array]:
        """Of each variable: probability of every explanation, shape (variables, 3), and of the other two with a pair.

        The second has shape (variables, 2, pairs).
        """
        shares = self.simplex.nodes[0]
        size, pairs = len(self.evidences.none), len(self.weight)
        none, joint = np.zeros(size), np.zeros((size, 2, pairs))
        for pair in np.flatnonzero(self.weight.sum(axis=1) > 1e-12).tolist():
            relative = self.evidences.at(pair)
            likely = np.flatnonzero(self.weight[pair] > 1e-16)
            mixed = np.maximum(relative @ shares[:, likely], 1e-300)
            each = relative * ((self.weight[pair, likely] / mixed) @ shares[:, likely].T)
            none += each[:, 0]
            joint[:, :, pair] = each[:, 1:]
        return np.column_stack([none, joint.sum(axis=2)]), joint


def _weighted(values: Array, weight: Array) -> Array:
    """2.5, 50 and 97.5 % of nodes that stand close together."""
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(weight[order]) - weight[order] / 2
    return np.interp(TOLD * weight.sum(), cumulative, values[order])


def _smooth(logs: Array, weight: Array) -> Array:
    """2.5, 50 and 97.5 % of a few nodes of Gauss and Legendre."""
    points, cdf = _integrated(logs, weight)
    return quantiles(points, cdf[None], TOLD)[0]


def below(logs: Array, weight: Array, value: float) -> float:
    """Probability below `value` of a few nodes of Gauss and Legendre."""
    points, cdf = _integrated(logs, weight)
    return float(np.interp(value, points, cdf))


def _integrated(logs: Array, weight: Array) -> tuple[Array, Array]:
    """The polynomial through the densities at such nodes, integrated: points, and the probability up to each."""
    legendre = np.polynomial.legendre
    x, w = legendre.leggauss(len(logs))
    coefficients = np.linalg.solve(legendre.legvander(x, len(logs) - 1), weight / w)
    fine = np.linspace(-1, 1, 513)
    cdf = np.maximum.accumulate(np.clip(legendre.legval(fine, legendre.legint(coefficients, lbnd=-1)), 0, None))
    step = (logs[-1] - logs[0]) / (x[-1] - x[0])
    return logs[0] + (fine - x[0]) * step, cdf / cdf[-1]


def learn(shelf: Shelf) -> Learned:
    """The posterior of shares and scales, on nodes that are laid again until they suit it.

    Raises
    ------
    IntegrationError
        If they never do.
    """
    ends = _beforehand()
    around = Stretch(0.0, 1.0, 0.5, 1.0)
    simplex = Simplex(around, around, SHARES)
    for _ in range(PASSES):
        evidences = shelf.evidences(Scales.between(ends))
        for _ in range(3):
            log_evidence, weight, error = _weigh(evidences, simplex)
            if error < SETTLED:
                break
            simplex = simplex.refit(weight.sum(axis=0))
        again = _ends_around(evidences.scales, weight.sum(axis=1), ends)
        if again == ends and error < SETTLED:
            return Learned(evidences, simplex, weight, log_evidence, error)
        ends = again
    raise IntegrationError(
        "What these variables have in common could not be worked out to its accuracy. Please report the table."
    )


def _ends_around(scales: Scales, pairs: Array, ends: dict[str, tuple[float, float]]) -> dict[str, tuple[float, float]]:
    """Ends that suit the posterior of the scales; the same ones where they do already."""
    found = {}
    for axis, (name, values) in enumerate((("centre_scale", scales.centre), ("spread_scale", scales.spread))):
        marginal = scales.along(pairs, axis)
        logs = np.log(values)
        mean = float(logs @ marginal)
        low, high = ends[name]
        # what falls between two nodes is known no better than where these stand
        sd = max(float(np.sqrt((logs - mean) ** 2 @ marginal)), 0.04 * (high - low), 1e-4)
        widest = _clipped(name, -np.inf, np.inf)
        short = marginal[0] > ENDS and low > widest[0], marginal[-1] > ENDS and high < widest[1]
        if not any(short) and high - low < 3 * AROUND * sd:
            found[name] = ends[name]
            continue
        lower = mean - AROUND * sd if not short[0] else min(low - 1.5 * sd, mean - AROUND * sd)
        upper = mean + AROUND * sd if not short[1] else max(high + 1.5 * sd, mean + AROUND * sd)
        found[name] = _clipped(name, lower, upper)
    return found


# --- each variable again ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Shrunken:
    """What is known of each variable beside all the others; a row a variable.

    Attributes
    ----------
    probability : ndarray, shape (variables, 3)
        Of none, same and varying.
    average : ndarray, shape (variables, 21)
        Of the average d-prime, which is 0 where there is nothing: 2.5 %, 7.5 % ... 97.5 %, the median in their middle.
    rate : ndarray, shape (variables, 3)
        2.5, 50 and 97.5 % of the correct answers averaged over panels.
    above : ndarray, shape (variables,)
        Probability that the average d-prime is above the margin.
    """

    probability: Array
    average: Array
    rate: Array
    above: Array


def shrunken(shelf: Shelf, learned: Learned, asked: Asked) -> Shrunken:
    """Every variable under the shares and scales of the shelf, nothing included."""
    probability, joint = learned.explanations
    size = len(probability)
    average, rate, above = np.empty((size, len(MARKS))), np.empty((size, 3)), np.full(size, np.nan)
    for which, laid in shelf.laid():
        kept = np.array([i not in shelf.singles for i in which.tolist()])
        parts = _mixed(laid, learned.evidences, which, joint)
        scale = rate_scale(laid.nodes, asked.test, laid.directed)
        found = _with_nothing(probability[which, 0], parts, laid.nodes, asked, scale)
        average[which[kept]], rate[which[kept]], above[which[kept]] = (value[kept] for value in found)
    for i, single in shelf.singles.items():
        average[i], rate[i], above[i] = _singly(single, learned.evidences, i, float(probability[i, 0]), joint[i], asked)
    return Shrunken(probability, average, rate, above)


Parts = tuple[list[Array], list[Array]]  # masses of one difference, at averages, and of several, at nodes, by sign


def _mixed(laid: Laid, evidences: Evidences, which: NDArray[np.intp], joint: Array) -> Parts:
    """Masses of variables laid out together, which add up to the probability that there is something."""
    of_pairs, of_centres = priors_at(laid, evidences.scales)
    same = joint[:, 0].reshape(len(joint), SCALES, SCALES).sum(axis=2)[which]
    with np.errstate(over="ignore", invalid="ignore"):
        by_centre = same * np.exp(laid.logs[:, 1, None] - evidences.same[which][:, ::SCALES])
        by_pair = joint[which, 1] * np.exp(laid.logs[:, 2, None] - evidences.varying[which])
    alike = np.where(np.isfinite(by_centre), by_centre, 0.0) @ of_centres.T
    apart = np.where(np.isfinite(by_pair), by_pair, 0.0) @ of_pairs.T
    return [part * alike for part in laid.same], [part * apart for part in laid.varying]


def _with_nothing(none: Array, parts: Parts, nodes: Nodes, asked: Asked, scale: Any) -> tuple[Array, Array, Array]:
    """Ranges of average and correct answers, and probability above the margin, with nothing as a part of them."""
    same, varying = parts
    averages = sum(same) + sum(part.reshape(len(part), *nodes.shape).sum(axis=2) for part in varying)
    cdf = none[:, None] + np.asarray(averages) @ nodes.running
    at_levels = sum(part @ sums for part, sums in zip(varying, scale.sums, strict=False))
    at_levels = at_levels + sum(part @ sums for part, sums in zip(same, scale.of_same, strict=False))
    answers = np.asarray(at_levels) @ scale.between + none[:, None] * (scale.fine >= asked.test.guess - 1e-12)
    above = np.full(len(none), np.nan)
    if asked.margin is not None:
        above = np.clip(1 - none - np.asarray(averages) @ nodes.up_to(asked.margin), 0.0, 1.0)
    return ranges(nodes.fine, cdf, MARKS), ranges(scale.fine, answers), above


def _singly(
    single: Single, evidences: Evidences, i: int, none: float, joint: Array, asked: Asked
) -> tuple[Array, Array, float]:
    """The same of a variable with nodes of its own."""
    scales = evidences.scales
    with np.errstate(divide="ignore"):
        of_pairs = np.log(joint[1]) - evidences.varying[i]
    common, base = single.common, Priors()

    def factor(plane: Plane) -> list[Array]:
        out = []
        for series, _, _ in plane.regions:
            usual = log_prior(plane.mu, plane.tau, base, series.directed)
            logs = [
                w + log_prior(plane.mu, plane.tau, p, series.directed)
                for w, p in zip(of_pairs, scales.pairs, strict=True)
            ]
            out.append(np.logaddexp.reduce(logs, axis=0) - usual)
        return out

    weighed = single.plane.weigh(single.copies, base, factor)
    centres = joint[0].reshape(SCALES, SCALES).sum(axis=1)
    theta = np.abs(common.theta)
    logs = common.log_likelihood
    halves = 1.0 if common.directed else 2.0
    same = np.zeros(len(theta))
    for centre, part, log in zip(scales.centre, centres, evidences.same[i][::SCALES], strict=True):
        prior = halves / (np.sqrt(2 * np.pi) * centre) * np.exp(-0.5 * (theta / centre) ** 2)
        same += part * np.exp(logs - log).sum(axis=0) * prior
    same *= centres.sum() / max(same.sum(), 1e-300)
    varying = float(joint[1].sum())
    fine = np.unique(np.concatenate([[0.0], weighed.average.x, theta[same > 1e-12 * same.max()]]))
    cdf = none + varying * np.interp(fine, weighed.average.x, weighed.average.cdf, left=0.0, right=1.0)
    cdf += _cumulative(fine, theta, same)
    values, masses = [np.full(1, asked.test.guess)], [np.full(1, none)]
    for (series, sign, _), weight in zip(weighed.plane.regions, weighed.weights, strict=True):
        rate = average_p_correct(asked.test, series.directed)
        values.append(rate(sign * weighed.plane.mu, weighed.plane.tau))
        masses.append(varying * weight)
    signed = common.directed and asked.test.directed
    values.append(asked.test.p_correct(common.theta if signed else theta))
    masses.append(same)
    above = np.nan
    if asked.margin is not None:
        above = varying * weighed.average.above(asked.margin)
        above += centres.sum() - float(_cumulative(np.array([asked.margin]), theta, same)[0])
    return ranges(fine, cdf[None], MARKS)[0], _weighted(np.concatenate(values), np.concatenate(masses)), above


def _cumulative(points: Array, values: Array, mass: Array) -> Array:
    """Mass up to each point of values that stand close together."""
    order = np.argsort(values, kind="stable")
    sums = np.cumsum(mass[order]) - mass[order] / 2
    return np.interp(points, values[order], sums, left=0.0, right=float(mass.sum()))


# --- the order --------------------------------------------------------------------------------------------------------


def draw_averages(shelf: Shelf, learned: Learned, *, hyper: int = 256, each: int = 16, seed: int = 1) -> Array:
    """Draws of all the average d-primes together, shape (hyper * each, variables); 0 where there is nothing.

    Scales and shares by systematic sampling of their posterior, then every variable given them.
    """
    rng = np.random.default_rng(seed)
    flat = learned.weight.ravel()
    places = np.searchsorted(np.cumsum(flat) / flat.sum(), (np.arange(hyper) + rng.random(hyper)) / hyper)
    pairs, at = np.divmod(np.minimum(places, len(flat) - 1), learned.weight.shape[1])
    shares = learned.simplex.nodes[0]
    out = np.zeros((hyper, each, len(shelf.variables)))
    chance = rng.random((2, *out.shape))
    kind = np.empty(out.shape, np.int8)  # none, same, varying
    for k, (pair, node) in enumerate(zip(pairs.tolist(), at.tolist(), strict=True)):
        edges = np.cumsum(learned.evidences.at(pair) * shares[:, node], axis=1)
        kind[k] = (chance[0, k, :, :, None] > edges[:, :2] / edges[:, 2:]).sum(axis=2)
    scales = learned.evidences.scales
    by_pair = [(pair, np.flatnonzero(pairs == pair)) for pair in np.unique(pairs).tolist()]
    for which, laid in shelf.laid():
        of_pairs, of_centres = priors_at(laid, scales)
        step = (FINE - 1) // CELLS_OF_AVERAGES
        fine, running = laid.nodes.fine[::step], laid.nodes.running[:, ::step]
        for pair, ks in by_pair:
            same = np.asarray(sum(part * of_centres[:, pair // SCALES] for part in laid.same))
            varying = np.asarray(sum(part * of_pairs[:, pair] for part in laid.varying))
            masses = same, varying.reshape(len(which), *laid.nodes.shape).sum(axis=2)
            here = np.ix_(ks, np.arange(each), which)
            for number, mass in enumerate(masses, start=1):
                place, repeat, row = np.nonzero(kind[here] == number)
                chosen = ks[place], repeat, which[row]
                out[chosen] = _inverse(np.maximum.accumulate(mass @ running, axis=1), fine, row, chance[1][chosen])
    for i, single in shelf.singles.items():
        for pair, ks in by_pair:
            average = single.plane.weigh(single.copies, scales.pairs[pair]).average
            mass = np.exp(single.common.log_likelihood - single.common.log_likelihood.max()).sum(axis=0)
            theta = np.abs(single.common.theta)
            order = np.argsort(theta, kind="stable")
            mass = (mass * np.exp(-0.5 * (theta / scales.centre[pair // SCALES]) ** 2))[order]
            drawn, u = kind[ks, :, i], chance[1][ks, :, i]
            alike = np.interp(u, (np.cumsum(mass) - mass / 2) / mass.sum(), theta[order])
            out[ks, :, i] = np.where(drawn == 0, 0.0, np.where(drawn == 1, alike, average.quantile(u)))
    return out.reshape(hyper * each, -1)


def _inverse(cdf: Array, points: Array, row: NDArray[np.intp], chance: Array) -> Array:
    """Values at which rows of cumulative masses at `points` reach these chances, straight lines between the points."""
    level = cdf / np.maximum(cdf[:, -1:], 1e-300)
    width = level.shape[1]
    place = np.searchsorted((level + np.arange(len(level))[:, None]).ravel(), chance + row) - row * width
    right = np.clip(place, 1, width - 1)
    low, high = level[row, right - 1], level[row, right]
    share = np.clip((chance - low) / np.maximum(high - low, 1e-300), 0.0, 1.0)
    return np.asarray(points[right - 1] + share * (points[right] - points[right - 1]))
