"""What one plan may bring: every outcome, or outcomes drawn, pooled as if it had come in."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations_with_replacement
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

from metasense.binomial import log_chance
from metasense.engine.grid import NODES
from metasense.engine.likelihood import Counts, Evidence, Series
from metasense.protocols import Protocol, TwoCountProtocol
from metasense.questions.plan import Plan
from metasense.questions.reweighting import Array, Known, Nodes

RARE = 1e-10  # probability below which a count is left out of the tables
RESOLVED = 0.001  # mean change of P(below the margin) when every second node is left out
CHECKED = 64  # outcomes, the most probable, that this is looked at for
LEVELS = (NODES, 2 * NODES - 1, 4 * NODES - 3)
DECIMALS = 9  # so that the order in which a linear algebra library adds up does not show


@dataclass(frozen=True, eq=False)
class Job:
    """One plan with all that is needed to work it out somewhere else."""

    known: Known
    plan: Plan
    tasted: Evidence | None
    draws: int
    seed: int


@dataclass(frozen=True)
class Again:
    """A panel together with further tastings of its batch pair, which has one d-prime."""

    first: Evidence
    then: Counts

    @property
    def protocol(self) -> Protocol | TwoCountProtocol:
        """Directed if either is."""
        return self.then.protocol if self.then.protocol.directed else self.first.protocol

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.first.size + self.then.size

    @property
    def repeated(self) -> bool:
        """Whether the overdispersion matters."""
        return self.first.repeated

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster."""
        return self.first.pairs

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Both."""
        return self.first.log_likelihood(theta, gamma) + self.then.log_likelihood(theta, gamma)


def tables_of(job: Job, nodes: Nodes, kinds: Sequence[int]) -> Array:
    """Log likelihood at the nodes of each number of correct answers in `kinds`, shape (kinds, nodes)."""
    plan, first = job.plan, job.tasted
    if first is None:
        evidence: list[Any] = [Counts(plan.protocol, plan.tasters, x) for x in kinds]
        return _log_average(Series.build(evidence, np.ones(len(evidence))), nodes)
    again = [Again(first, Counts(plan.protocol, plan.tastings, x)) for x in kinds]
    total = np.zeros((len(again), len(nodes.mu)))
    for series, share in zip(job.known.series, nodes.by_gamma, strict=True):
        if not first.repeated:
            share = np.ones_like(share)
        before = _log_average(Series.build([first], [1], series.gamma), nodes)
        total += share * np.exp(_log_average(Series.build(again, np.ones(len(again)), series.gamma), nodes) - before)
        if not first.repeated:
            break
    return np.log(total)


def _log_average(series: Series, nodes: Nodes) -> Array:
    """Log likelihoods averaged over Normal(mu, tau), absolute, shape (kinds, nodes)."""
    out = np.empty((len(series.evidence), len(nodes.mu)))
    for start in range(0, len(nodes.mu), 4096):
        part = slice(start, start + 4096)
        out[:, part] = np.log(series.evaluate(nodes.mu[part], nodes.tau[part])).T
    return out + series.log_scale[:, None]


@dataclass(frozen=True, eq=False)
class _Outcomes:
    """What the panels of a plan may bring together: all of it, or what was drawn.

    Attributes
    ----------
    counts : ndarray, shape (outcomes, kinds)
        How many panels gave each count.
    drawn : (ndarray, ndarray) or None
        How often each outcome was drawn from the posterior, and if all guess; None where all outcomes are followed.
    """

    counts: Array
    drawn: tuple[NDArray[np.intp], NDArray[np.intp]] | None

    @classmethod
    def of(cls, job: Job, nodes: Nodes, log_tables: Array, guessing: Array, copies: int) -> _Outcomes:
        """All, where they are as few as the draws asked for; else draws."""
        kinds = len(log_tables)
        drawn = None
        if math.comb(kinds + copies - 1, copies) <= job.draws:
            outcomes = np.array(list(combinations_with_replacement(range(kinds), copies)))
        else:
            rng = np.random.default_rng(_stream(job))
            expected = draw(nodes.predicting, log_tables, copies, job.draws, rng)
            none = rng.choice(kinds, (job.draws, copies), p=np.exp(guessing - logsumexp(guessing)))
            both = np.sort(np.concatenate([expected, none]), axis=1)
            outcomes, place = np.unique(both, axis=0, return_inverse=True)
            first, second = np.split(place.ravel(), 2)
            drawn = np.bincount(first, minlength=len(outcomes)), np.bincount(second, minlength=len(outcomes))
        counts = np.zeros((len(outcomes), kinds))
        np.add.at(counts, (np.arange(len(outcomes))[:, None], outcomes), 1)
        return cls(counts, drawn)

    def chances(self, log_probability: Array, guessing: Array) -> tuple[Array, Array]:
        """Of each outcome, by what is believed and if all guess, each adding up to 1."""
        if self.drawn is not None:
            often, often_none = self.drawn
            return often / often.sum(), often_none / often_none.sum()
        copies = self.counts[0].sum()
        orders = gammaln(copies + 1) - gammaln(self.counts + 1).sum(axis=1)
        chance = np.exp(orders + log_probability)
        chance_none = np.exp(orders + self.counts @ guessing)
        return chance / chance.sum(), chance_none / chance_none.sum()


def work_out(job: Job) -> dict[str, object]:
    """One row of the answer."""
    plan = job.plan
    known = job.known
    both = plan.protocol.directed and not known.directed
    n, copies = (plan.tasters, plan.panels) if job.tasted is None else (plan.tastings, 1)
    kinds = np.arange(n + 1)
    guessing = log_chance(kinds, n, plan.protocol.guess)
    resolved = False
    for level in LEVELS:
        nodes = _laid(known, level, both)
        log_tables = tables_of(job, nodes, kinds.tolist())
        if level == LEVELS[0]:  # counts that will not come need no place in the tables
            keep = (np.exp(log_tables) @ nodes.predicting > RARE) | (np.exp(guessing) > RARE)
            kinds, guessing, log_tables = kinds[keep], guessing[keep], log_tables[keep]
        outcomes = _Outcomes.of(job, nodes, log_tables, guessing, copies)
        log_probability, below, width = nodes.refit(log_tables, outcomes.counts)
        chance, chance_none = outcomes.chances(log_probability, guessing)
        likeliest = np.argsort(-chance, kind="stable")[:CHECKED]
        every_second = _laid(known, (level + 1) // 2, both)  # the same nodes, two of four left out
        again = every_second.refit(_thinned(log_tables, level), outcomes.counts[likeliest])[1]
        moved = np.abs(again - below[likeliest]) @ chance[likeliest]
        resolved = bool(moved <= RESOLVED * chance[likeliest].sum())
        if resolved:
            break
    beyond = 1 - below > known.settled
    within = below > known.settled
    settled = min(float(chance @ (within | beyond)), 1.0)
    numbers = {
        "settled": settled,
        "beyond": float(chance @ beyond),
        "within": float(chance @ within),
        "within_if_none": float(chance_none @ within),
        "error": 0.0 if outcomes.drawn is None else math.sqrt(settled * (1 - settled) / job.draws),
        "width": float(chance @ width),
    }
    return {
        "plan": plan.name,
        "protocol": plan.protocol.name,
        "tasters": plan.tasters,
        "panels": plan.panels,
        "same_pair_as": plan.same_pair_as,
        **{name: round(value, DECIMALS) for name, value in numbers.items()},
        "tastings": plan.tastings,
        "cups": plan.cups,
        "people": plan.tastings,
        "batch_pairs": 0 if plan.same_pair_as is not None else plan.panels,
        "outcomes": len(outcomes.counts),
        "nodes": level,
        "resolved": resolved,
    }


@lru_cache(maxsize=6)
def _laid(known: Known, n: int, both_signs: bool) -> Nodes:
    """The nodes of a pool, laid once for all the plans that are worked out side by side."""
    return known.nodes(n, both_signs)


def _thinned(values: Array, n: int) -> Array:
    """Values at every second node of both axes."""
    grids = values.reshape(len(values), -1, n, n)[:, :, ::2, ::2]
    return np.ascontiguousarray(grids).reshape(len(values), -1)


def draw(predicting: Array, log_tables: Array, copies: int, draws: int, rng: np.random.Generator) -> Array:
    """Counts of `copies` panels for each of `draws` draws of the posterior, shape (draws, copies)."""
    cumulative = np.cumsum(predicting)
    at = np.searchsorted(cumulative, (np.arange(draws) + rng.random(draws)) / draws * cumulative[-1])
    used, which = np.unique(at.clip(max=len(predicting) - 1), return_inverse=True)
    rising = np.cumsum(np.exp(log_tables[:, used]), axis=0)
    rising /= rising[-1]
    out = np.empty((draws, copies), int)
    for copy in range(copies):
        out[:, copy] = (rising[:, which] < rng.random(draws)).sum(axis=0)
    return out


def _stream(job: Job) -> np.random.SeedSequence:
    """Random numbers that depend on the seed and on what the plan is, not on where or when it is worked out."""
    content = f"{job.plan.protocol.name}|{job.plan.tasters}|{job.plan.panels}|{job.plan.same_pair_as!r}"
    return np.random.SeedSequence([job.seed, int.from_bytes(hashlib.sha256(content.encode()).digest()[:16], "big")])
