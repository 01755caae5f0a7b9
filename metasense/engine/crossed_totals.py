"""Panels of the same people of which only the totals are known: as far as totals can tell.

The model is that of `crossed` with rho = 1: a taster's rate above guessing is beta distributed around the panel's, and
people keep their rank. Of all these rates totals show only the mean over the people. It is taken as beta distributed
too, with the panel's mean and the variance that the mean of so many people has: that of t people of overdispersion
gamma has the overdispersion gamma / t. People who keep their ranks keep that of their mean, so the panels of one group
share a single standing. Given it panels are independent, and a total is that of tasters who differ as much as their
mean leaves them to: two halves, one above the mean and one below. How unlike tasters are cannot be told from totals, so
gamma is averaged over its uniform prior and over what little the totals do say. Where fewer people were there, they are
taken to stand to others as all of them do. People very unlike one another, at d-primes far apart, share their mean's
standing less than this takes them to, and what they tell is then a little more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import expit, gammaln, ndtr, ndtri, xlog1py, xlogy

from metasense.engine.crossed import COARSE, Rule, quantile_logits
from metasense.engine.likelihood import REACH, Evidence, Series
from metasense.engine.plane import ENOUGH, Plane, Weighed
from metasense.engine.posterior import Posterior, draw_nodes
from metasense.engine.priors import Priors
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]

GAMMAS = 5  # nodes of the overdispersion
STANDINGS = 12  # equally probable standings of a group; normal scores of variance 1
DRAWS = 2000  # of centre and spread, around which the nodes lie
NODES = (65, 25)


@dataclass(frozen=True)
class Total:
    """`correct` right answers in `tastings` by `tasters` people of whom their group's standing is known.

    Attributes
    ----------
    protocol : Protocol
    tasters, tastings, correct : int
    standing : int
        Of the mean of these people among the means of groups as large: which of so many equally probable ones.
    """

    protocol: Protocol
    tasters: int
    tastings: int
    correct: int
    standing: int
    repeated = True
    pairs = 1.0

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.tastings

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Log probability of the total at each d-prime."""
        low, high = _halves(self.protocol, self.tasters, self.standing, theta.tobytes(), gamma)
        few, many = self.tastings // 2, self.tastings - self.tastings // 2
        ways = [(low, high)] if few == many else [(low, high), (high, low)]
        both = [_of_two(self.correct, few, one, many, other) for one, other in ways]
        return np.asarray(np.log(np.maximum(np.mean(both, axis=0), 1e-300)))


@lru_cache(maxsize=32)
def _halves(protocol: Protocol, tasters: int, standing: int, theta: bytes, gamma: float) -> tuple[Array, Array]:
    """Rates at each d-prime of the two halves of a group, which differ as its people do around their mean."""
    d = np.frombuffer(theta)
    mirrored = (d < 0) & protocol.directed
    mean, guess = np.empty(len(d)), np.where(mirrored, 1 - protocol.guess, protocol.guess)
    for here, way in ((~mirrored, False), (mirrored, True)):
        if here.any():
            mean[here] = expit(_means(protocol, gamma / tasters, way)[standing](np.abs(d[here])))
    left = gamma * (1 - 1 / tasters) / (1 - gamma / tasters)  # overdispersion around their mean
    right = guess + (1 - guess) * mean
    apart = np.minimum((1 - guess) * np.sqrt(left * mean * (1 - mean)), 1 - right)
    low, high = right - apart, right + apart
    return np.where(mirrored, 1 - low, low), np.where(mirrored, 1 - high, high)


@lru_cache(maxsize=64)
def _means(protocol: Protocol, gamma: float, mirrored: bool) -> tuple[PchipInterpolator, ...]:
    """Logit of the mean rate of a group of each standing, as a function of the size of the d-prime."""
    few = np.unique(np.concatenate([[0.0], np.linspace(0, 1, COARSE) ** 2])) * REACH
    guess = protocol.guess
    if mirrored:
        p = protocol.p_correct(-few)
        mean, rest = (guess - p) / guess, p / guess
    else:
        mean, rest = (protocol.p_correct(few) - guess) / (1 - guess), protocol.p_wrong(few) / (1 - guess)
    score = ndtri((np.arange(STANDINGS) + 0.5) / STANDINGS)
    score /= score.std()
    at = Rule(ndtr(score), ndtr(-score), np.full(STANDINGS, 1 / STANDINGS))
    logits = quantile_logits(np.clip(mean, 0, 1), np.clip(rest, 0, 1), gamma, at)
    return tuple(PchipInterpolator(few, column) for column in logits.T)


def _of_two(correct: int, few: int, low: Array, many: int, high: Array) -> Array:
    """Probability of so many right by two groups with a rate each."""
    k = np.arange(max(0, correct - many), min(few, correct) + 1)[:, None]
    return np.asarray(np.exp(_log_binomial(k, few, low) + _log_binomial(correct - k, many, high)).sum(axis=0))


def _log_binomial(k: Any, n: int, p: Array) -> Array:
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return np.asarray(ways + xlogy(k, p) + xlog1py(n - k, -p))


@dataclass(frozen=True)
class Group:
    """Panels of the same people: which rows, and how many people were in each."""

    rows: tuple[int, ...]
    tasters: tuple[int, ...]


def as_same(evidence: Sequence[Evidence], groups: Sequence[Group], priors: Priors, today: Posterior) -> Weighed:
    """The answer if the panels of each group were of the same people.

    Parameters
    ----------
    evidence : sequence of Evidence
        Of every panel, as if everybody were new each time.
    groups : sequence of Group
        Their panels are of forced-choice protocols.
    priors : Priors
    today : Posterior
        Of `evidence`, around which the nodes lie.
    """
    rng = np.random.default_rng(1)
    mu, tau, *_ = draw_nodes(today, DRAWS, rng)
    x, w = np.polynomial.legendre.leggauss(GAMMAS)
    regions = []
    for gamma, share in zip((x + 1) / 2, w / 2 / STANDINGS, strict=True):
        each = [np.arange(STANDINGS), *(rng.permutation(STANDINGS) for _ in groups[1:])]
        for standings in zip(*(order.tolist() for order in each), strict=True):
            panels: list[Any] = list(evidence)
            for group, standing in zip(groups, standings, strict=True):
                for row, people in zip(group.rows, group.tasters, strict=True):
                    one: Any = evidence[row]
                    panels[row] = Total(one.protocol, people, one.size, one.correct, standing)
            kinds = dict.fromkeys(panels)
            copies = np.array([panels.count(kind) for kind in kinds], float)
            series = Series.build(tuple(kinds), copies, float(gamma))
            regions += [(series, s, float(np.log(share))) for s in ((1.0, -1.0) if series.directed else (1.0,))]
    return Plane.around(regions, mu, tau, NODES).weigh(copies, priors, tolerance=ENOUGH)
