"""Many variables at once: the panels of each pooled on its own, all on the nodes of `shared`.

What those nodes do not suit (a panel with thousands of tastings) is pooled singly by `grid`, and comes out as the same
numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from metasense.engine.distribution import Distribution
from metasense.engine.grid import integrate, log_prior, overdispersions
from metasense.engine.likelihood import Evidence, Series
from metasense.engine.plane import Plane
from metasense.engine.priors import LARGEST, Priors
from metasense.engine.shared import (
    SIGNS,
    Nodes,
    Scale,
    next_scale,
    nodes_of,
    quantiles,
    rate_scale,
    spread_scale,
)
from metasense.process import one_thread
from metasense.protocols import Protocol

if TYPE_CHECKING:
    from concurrent.futures import Executor

Array = NDArray[np.floating[Any]]
Places = NDArray[np.intp]

REJECTED = 1e-4  # by which a sum over every second node may differ; the whole rule is then good to far more digits
CHUNK = 256  # variables whose likelihoods are in memory together
ENDS = np.array([0.025, 0.5, 0.975])
MARKS = np.sort([*np.arange(20) / 20 + 0.025, 0.5])  # twenty equally likely truths, and the middle of them
FACTORS = ((0.5, 0.5), (0.5, 2.0), (2.0, 0.5), (2.0, 2.0))  # of the prior scales, under which answers are compared


@dataclass(frozen=True)
class Unseen:
    """A panel of which only this is known: it had fewer right answers than `critical`, and was not written down."""

    protocol: Protocol
    tastings: int
    critical: int
    repeated = False
    pairs = 0.0

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.tastings

    def log_likelihood(self, theta: Array, gamma: float = 0.0) -> Array:
        """Log probability of fewer right answers at each d-prime."""
        from scipy.stats import binom

        return np.asarray(binom.logcdf(self.critical - 1, self.tastings, self.protocol.p_correct(theta)))


@dataclass(frozen=True, eq=False)
class Variables:
    """The panels of several variables.

    Attributes
    ----------
    evidence : tuple of Evidence
        Distinct panels.
    members : tuple of ndarray of int
        Which of them each variable has; one that occurs twice stands twice.
    """

    evidence: tuple[Evidence, ...]
    members: tuple[Places, ...]

    def __len__(self) -> int:
        return len(self.members)

    def some(self, which: Sequence[int] | Places) -> Variables:
        """Some of the variables, with no more panels than theirs."""
        members = [self.members[i] for i in which]
        used, place = np.unique(np.concatenate(members), return_inverse=True)
        ends = np.cumsum([len(m) for m in members])[:-1]
        return Variables(tuple(self.evidence[i] for i in used), tuple(np.split(place, ends)))

    def kinds(self) -> NDArray[np.intp]:
        """Of each variable: 1 with a directed panel, and 2 more with tasters who repeated."""
        directed = np.array([e.protocol.directed for e in self.evidence])
        repeated = np.array([e.repeated for e in self.evidence])
        return np.array([int(directed[m].any()) + 2 * int(repeated[m].any()) for m in self.members])

    def chunks(self) -> Iterator[Places]:
        """Variables of one kind, so many at a time."""
        of = self.kinds()
        for kind in range(4):
            which = np.flatnonzero(of == kind)
            for start in range(0, len(which), CHUNK):
                yield which[start : start + CHUNK]


@dataclass(frozen=True, eq=False)
class Laid:
    """Likelihoods of variables of one kind at the shared nodes, relative to the largest of each.

    Attributes
    ----------
    nodes : Nodes
    directed : bool
    varying : tuple of ndarray, each of shape (variables, nodes)
        Times the area of each node, for either sign of the centre where there are two.
    same : tuple of ndarray, each of shape (variables, averages)
        Of one d-prime that all panels share, times the step of each average.
    logs : ndarray, shape (variables, 3)
        Log likelihood of no difference, and logs of what the other two were divided by.
    """

    nodes: Nodes
    directed: bool
    varying: tuple[Array, ...]
    same: tuple[Array, ...]
    logs: Array

    @classmethod
    def of(cls, variables: Variables, nodes: Nodes) -> Laid:
        """Lay them out."""
        owner = np.repeat(np.arange(len(variables)), [len(m) for m in variables.members])
        panel = np.concatenate(variables.members)
        shape = len(variables), len(variables.evidence)
        counts = csr_array((np.ones(len(panel)), (owner, panel)), shape=shape)
        directed = any(e.protocol.directed for e in variables.evidence)
        signs = SIGNS if directed else SIGNS[:1]
        varying: list[Any] = [None] * len(signs)
        same: list[Any] = [None] * len(signs)
        none = np.full(len(variables), -np.inf)
        for gamma, share in zip(*overdispersions(variables.evidence), strict=True):
            log = np.log(share)
            for i, part in enumerate(_averaged(variables.evidence, nodes, signs, float(gamma))):
                varying[i] = _added(varying[i], counts @ part + log)
                same[i] = _added(same[i], counts @ _alike(variables.evidence, signs[i] * nodes.average, gamma) + log)
            none = np.logaddexp(none, (counts @ _alike(variables.evidence, np.zeros(1), gamma))[:, 0] + log)
        with np.errstate(divide="ignore"):
            varying = [part + nodes.log_volume for part in varying]
            same = [part + np.log(nodes.steps) for part in same]
        peaks = [np.max([part.max(axis=1) for part in parts], axis=0) for parts in (varying, same)]
        return cls(
            nodes,
            directed,
            tuple(np.exp(part - peaks[0][:, None]) for part in varying),
            tuple(np.exp(part - peaks[1][:, None]) for part in same),
            np.column_stack([none, peaks[1], peaks[0]]),
        )

    def masses(self, priors: Priors) -> Masses:
        """What the nodes weigh under priors."""
        prior = np.exp(self.nodes.log_prior(priors, self.directed))
        of_same = np.exp(self.nodes.log_prior_of_same(priors, self.directed))
        varying = tuple(part * prior for part in self.varying)
        same = tuple(part * of_same for part in self.same)
        halves = self.nodes.halved
        whole, error = [], np.zeros(len(self.logs))
        for parts, half in zip((varying, same), halves, strict=True):
            total = sum(part.sum(axis=1) for part in parts)
            checked = sum(part @ half for part in parts)
            whole.append(total)
            with np.errstate(divide="ignore", invalid="ignore"):
                error = np.maximum(error, np.abs(checked / total - 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = self.logs + np.log(np.column_stack([np.ones(len(error)), whole[1], whole[0]]))
            varying = tuple(part / whole[0][:, None] for part in varying)
        return Masses(self.nodes, varying, logs, np.where(np.isfinite(error), error, np.inf))


def _added(total: Array | None, more: Array) -> Array:
    """Logs of sums; of the first alone, itself."""
    return more if total is None else np.logaddexp(total, more)


def _averaged(evidence: Sequence[Evidence], nodes: Nodes, signs: Sequence[float], gamma: float) -> list[Array]:
    """Log likelihood of each panel at each node, shape (panels, nodes), for each sign of the centre."""
    kinds = np.array([e.protocol.directed for e in evidence])
    out: list[Array] = [np.empty((len(evidence), len(nodes.mu))) for _ in signs]
    for directed in (False, True):
        which = np.flatnonzero(kinds == directed)
        if not len(which):
            continue
        series = Series.build([evidence[i] for i in which.tolist()], np.ones(len(which)), gamma)
        logs = None
        for sign, part in zip(signs, out, strict=True):
            if logs is None or directed:
                logs = np.log(series.evaluate(sign * nodes.mu, nodes.tau)).T + series.log_scale[:, None]
            part[which] = logs
    return out


def _alike(evidence: Sequence[Evidence], theta: Array, gamma: float) -> Array:
    """Log likelihood of each panel at these d-primes, shape (panels, d-primes)."""
    return np.stack([e.log_likelihood(theta, float(gamma)) for e in evidence])


@dataclass(frozen=True, eq=False)
class Masses:
    """Posteriors of several variables.

    Attributes
    ----------
    nodes : Nodes
    varying : tuple of ndarray, each of shape (variables, nodes)
        Probability of each node, for either sign of the centre where there are two.
    logs : ndarray, shape (variables, 3)
        Log evidences of none, same and varying.
    error : ndarray, shape (variables,)
        By which share an evidence moves when every second node is left out.
    """

    nodes: Nodes
    varying: tuple[Array, ...]
    logs: Array
    error: Array

    @property
    def averages(self) -> Array:
        """Probability of each average, shape (variables, averages)."""
        return np.asarray(sum(part.reshape(len(part), *self.nodes.shape).sum(axis=2) for part in self.varying))

    def along(self, scale: Scale) -> Array:
        """Median and ends of a quantity, shape (variables, 3)."""
        at_levels = sum(part @ sums for part, sums in zip(self.varying, scale.sums, strict=False))
        return ranges(scale.fine, np.asarray(at_levels) @ scale.between)


def ranges(points: Array, cdf: Array, shares: Array = ENDS) -> Array:
    """Lower end, median and upper end of each distribution, or other quantiles, shape (variables, shares)."""
    rising = np.maximum.accumulate(np.clip(cdf, 0.0, None), axis=1)
    return quantiles(points, rising / np.maximum(rising[:, -1:], 1e-300), shares)


@dataclass(frozen=True, eq=False)
class Pools:
    """What the panels of each variable say on their own; a row a variable.

    Attributes
    ----------
    log_evidence : ndarray, shape (variables, 3)
        Of none, same and varying.
    error : ndarray, shape (variables,)
    average : ndarray, shape (variables, 21)
        Of the average d-prime: quantiles at 2.5 %, 7.5 % ... 97.5 %, and the median in their middle.
    spread, following, rate : ndarray, shape (variables, 3)
        Lower end, median and upper end (2.5, 50 and 97.5 %) of the spread, of the next panel's d-prime, and of the
        correct answers of a protocol averaged over panels.
    above : ndarray, shape (variables,)
        Probability that the average d-prime is above the margin; not a number without one.
    way : ndarray, shape (variables,)
        Probability that the centre lies the expected way; not a number where no panel has a direction.
    corners : ndarray, shape (variables, 4, 2)
        Median of the average d-prime and `above` under other prior scales; not numbers where these are too wide.
    singly : ndarray of bool, shape (variables,)
        Which were pooled singly.
    """

    log_evidence: Array
    error: Array
    average: Array
    spread: Array
    following: Array
    rate: Array
    above: Array
    way: Array
    corners: Array
    singly: NDArray[np.bool_]

    @classmethod
    def joined(cls, parts: Sequence[tuple[Places, Pools]]) -> Pools:
        """Parts put together, each at its places."""
        order = np.argsort(np.concatenate([places for places, _ in parts]))
        return cls(*(np.concatenate([getattr(pools, f.name) for _, pools in parts])[order] for f in fields(cls)))


@dataclass(frozen=True)
class Asked:
    """What is asked of every variable: the priors, the margin as a d-prime, and whose correct answers are told."""

    priors: Priors
    margin: float | None
    test: Protocol

    def corners(self) -> list[Priors | None]:
        """The priors under other scales; None where these are wider than the engine goes."""
        found: list[Priors | None] = []
        for centre, spread in FACTORS:
            scales = {
                "centre_scale": centre * self.priors.centre_scale,
                "spread_scale": spread * self.priors.spread_scale,
            }
            wide = any(scale > LARGEST[name] for name, scale in scales.items())
            found.append(None if wide else self.priors.scaled(centre, spread))
        return found


@one_thread
def pool_many(
    variables: Variables,
    asked: Asked,
    *,
    executor: Executor | None = None,
    told: Callable[[int], None] | None = None,
) -> Pools:
    """The panels of each variable pooled on their own.

    Parameters
    ----------
    variables : Variables
    asked : Asked
    executor : Executor, optional
        Where chunks of variables are worked out; here by default. What is sent is counts and numbers.
    told : callable, optional
        Called with how many variables are done.

    Raises
    ------
    IntegrationError
        If a variable that had to be pooled singly does not reach its accuracy.
    """
    places = list(variables.chunks())
    tasks = [variables.some(which) for which in places]
    run: Callable[..., Iterable[Pools]] = map if executor is None else executor.map
    found = run(_pool_chunk, tasks, [asked] * len(tasks))
    parts, done = [], 0
    for which, pools in zip(places, found, strict=True):
        parts.append((which, pools))
        done += len(which)
        if told is not None:
            told(done)
    return Pools.joined(parts)


@one_thread
def _pool_chunk(variables: Variables, asked: Asked) -> Pools:
    """Variables of one kind."""
    pools = _read(Laid.of(variables, nodes_of()), asked)
    rejected = np.flatnonzero(pools.error > REJECTED)
    if not len(rejected):
        return pools
    kept = np.flatnonzero(pools.error <= REJECTED)
    parts = [(np.array([i]), pool_singly(variables.some([i]), asked)) for i in rejected.tolist()]
    return Pools.joined([(kept, _rows(pools, kept)), *parts])


def _rows(pools: Pools, which: Places) -> Pools:
    return Pools(*(getattr(pools, f.name)[which] for f in fields(Pools)))


def _read(laid: Laid, asked: Asked) -> Pools:
    """Everything that is told of variables laid out together."""
    nodes, masses = laid.nodes, laid.masses(asked.priors)
    averages = masses.averages
    above = np.full(len(averages), np.nan)
    if asked.margin is not None:
        above = np.clip(1 - averages @ nodes.up_to(asked.margin), 0.0, 1.0)
    way = masses.varying[0].sum(axis=1) if laid.directed else np.full(len(averages), np.nan)
    return Pools(
        masses.logs,
        masses.error,
        ranges(nodes.fine, averages @ nodes.running, MARKS),
        masses.along(spread_scale(nodes)),
        masses.along(next_scale(nodes)),
        masses.along(rate_scale(nodes, asked.test, laid.directed)),
        above,
        way,
        _corners(laid, asked),
        np.zeros(len(averages), bool),
    )


def _corners(laid: Laid, asked: Asked) -> Array:
    """Median and probability above the margin under other prior scales."""
    nodes = laid.nodes
    out = np.full((len(laid.logs), len(FACTORS), 2), np.nan)
    known = [(i, priors) for i, priors in enumerate(asked.corners()) if priors is not None]
    prior = np.stack([np.exp(nodes.log_prior(priors, laid.directed)) for _, priors in known], axis=1)
    prior = prior.reshape(*nodes.shape, -1)
    summed = 0.0
    for part in laid.varying:
        summed = summed + part.reshape(len(part), *nodes.shape).transpose(1, 0, 2) @ prior
    below = None if asked.margin is None else nodes.up_to(asked.margin)
    for column, (i, _) in enumerate(known):
        averages = summed[:, :, column].T  # type: ignore[index]
        with np.errstate(divide="ignore", invalid="ignore"):
            averages = averages / averages.sum(axis=1, keepdims=True)
        out[:, i, 0] = ranges(nodes.fine, averages @ nodes.running)[:, 1]
        if below is not None:
            out[:, i, 1] = np.clip(1 - averages @ below, 0.0, 1.0)
    return out


def pool_singly(variables: Variables, asked: Asked) -> Pools:
    """One variable by `grid`, as exact as any pool."""
    (member,) = variables.members
    copies = np.bincount(member, minlength=len(variables.evidence)).astype(float)
    posterior, evidences = integrate(variables.evidence, copies, asked.priors)
    plane = Plane(variables.evidence, posterior)
    corners = np.full((1, len(FACTORS), 2), np.nan)
    for i, priors in enumerate(asked.corners()):
        if priors is not None:
            other = plane.weigh(copies, priors).average
            corners[0, i] = other.median, _above(other, asked.margin)
    quantities = (posterior.spread, posterior.next_d_prime, posterior.average_rate(asked.test))
    spread, following, rate = (value.quantile(ENDS)[None] for value in quantities)
    way = posterior.expected_way
    return Pools(
        log_evidence=np.array([[evidences.none, evidences.same, evidences.varying]]),
        error=np.array([evidences.error]),
        average=posterior.average.quantile(MARKS)[None],
        spread=spread,
        following=following,
        rate=rate,
        above=np.array([_above(posterior.average, asked.margin)]),
        way=np.array([np.nan if way is None else way]),
        corners=corners,
        singly=np.ones(1, bool),
    )


def _above(average: Distribution, margin: float | None) -> float:
    return np.nan if margin is None else average.above(margin)


@one_thread
def above_margin(variables: Variables, priors: Priors, margin: float) -> Array:
    """Probability of each variable that its average d-prime is above the margin, shape (variables,).

    Of `pool_many` only this, with every distinct panel laid out once for all variables; they must be of one kind.

    Raises
    ------
    IntegrationError
        If a variable that had to be pooled singly does not reach its accuracy.
    """
    nodes = nodes_of()
    directed = any(e.protocol.directed for e in variables.evidence)
    signs = SIGNS if directed else SIGNS[:1]
    gammas = [(float(g), float(np.log(w))) for g, w in zip(*overdispersions(variables.evidence), strict=True)]
    laid = [(_averaged(variables.evidence, nodes, signs, gamma), log) for gamma, log in gammas]
    with np.errstate(divide="ignore"):
        prior = [log_prior(sign * nodes.mu, nodes.tau, priors, directed) + nodes.log_volume for sign in signs]
    out, error = np.empty(len(variables)), np.empty(len(variables))
    below, half = nodes.up_to(margin), nodes.halved[0]
    for start in range(0, len(variables), CHUNK):
        part = range(start, min(start + CHUNK, len(variables)))
        members = [variables.members[i] for i in part]
        owner = np.repeat(np.arange(len(part)), [len(m) for m in members])
        shape = len(part), len(variables.evidence)
        counts = csr_array((np.ones(len(owner)), (owner, np.concatenate(members))), shape=shape)
        logs: list[Array | None] = [None] * len(signs)
        for tables, log in laid:
            for i, table in enumerate(tables):
                logs[i] = _added(logs[i], counts @ table + (log + prior[i]))
        peak = np.max([log.max(axis=1) for log in logs if log is not None], axis=0)
        mass = np.sum([np.exp(log - peak[:, None]) for log in logs if log is not None], axis=0)
        whole = mass.sum(axis=1)
        averages = mass.reshape(len(part), *nodes.shape).sum(axis=2) / whole[:, None]
        out[start : part.stop] = np.clip(1 - averages @ below, 0.0, 1.0)
        error[start : part.stop] = np.abs(mass @ half / whole - 1)
    for i in np.flatnonzero(~(error <= REJECTED)).tolist():
        one = variables.some([i])
        copies = np.bincount(one.members[0], minlength=len(one.evidence)).astype(float)
        out[i] = integrate(one.evidence, copies, priors)[0].average.above(margin)
    return out
