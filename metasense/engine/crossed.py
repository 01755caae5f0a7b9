"""Panels that share people: how likely the answers are when a taster keeps a standing from panel to panel.

Within a panel a taster's own rate above guessing is beta distributed around the panel's, with overdispersion gamma, as
for repeats (`likelihood.taster_probability`). Taster j has a standing ``u_j``, uniform between 0 and 1, and in panel i
the rate at the quantile ``v_ij`` of that distribution, where
``Phi^-1(v_ij) = sqrt(rho) Phi^-1(u_j) + sqrt(1 - rho) e_ij``: with rho = 1 people keep their rank, with rho = 0 they
are new people in every panel. The margin of each panel is the same for every rho. Given the standings panels are
independent; given the panels' d-primes people are, so the likelihood is a product over people of integrals over one
standing (`Sitters.log_likelihoods`), by Gauss-Legendre quadrature in t with ``u = t^2 (3 - 2 t)``, which tames the
ends.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import betainc, betaincc, betaln, digamma, expit, gammaln, ndtri, polygamma

from metasense.engine.likelihood import REACH, Counts, Evidence, axis_of
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]
Whole = NDArray[np.intp]

STANDINGS = 32  # nodes of a standing; the quadrature error is about 1e-5 of a log likelihood at moderate gamma
STARTS = 81  # points of a beta distribution between which its quantiles are looked for
ENDS = (-12.0, 30.0)  # logits of a taster's rate beyond which guessing, or a slip, is all that is left
COARSE = 96  # d-primes at which quantiles are worked out, between which their logits are monotone cubics
BLOCK = 2_000_000  # numbers in one piece of work, small enough for the memory of a small machine


@dataclass(frozen=True, eq=False)
class Rule:
    """Nodes of a standing: ``u``, ``1 - u`` and weights that add up to 1, each of shape (nodes,)."""

    u: Array
    rest: Array
    weight: Array


@lru_cache(maxsize=16)
def rule(nodes: int) -> Rule:
    """Gauss-Legendre nodes in t of ``u = t^2 (3 - 2 t)``."""
    x, w = np.polynomial.legendre.leggauss(nodes)
    t = (x + 1) / 2
    return Rule(t**2 * (3 - 2 * t), (1 - t) ** 2 * (1 + 2 * t), 3 * w * t * (1 - t))


def quantile_logits(mean: Array, rest: Array, gamma: float, at: Rule) -> Array:
    """Logits of the quantiles of a beta distribution.

    Parameters
    ----------
    mean, rest : ndarray, shape (points,)
        Its mean, and 1 less the mean.
    gamma : float
        Its overdispersion, between 0 and 1.
    at : Rule
        The probabilities.

    Returns
    -------
    ndarray, shape (points, nodes)
        Between -12 and 30.
    """
    a = np.maximum(mean, 1e-9) * (1 - gamma) / gamma
    b = np.maximum(rest, 1e-9) * (1 - gamma) / gamma
    centre, sd = digamma(a) - digamma(b), np.sqrt(polygamma(1, a) + polygamma(1, b))
    low = np.clip(centre - 14 * sd, ENDS[0] - 1, ENDS[1])
    high = np.clip(centre + 14 * sd, ENDS[0], ENDS[1] + 1)
    y = np.linspace(low, np.maximum(high, low + 1e-6), STARTS, axis=1)
    wanted = np.log(at.u) - np.log(at.rest)
    start = _logit(*_tails(a[:, None], b[:, None], y))
    found = np.stack([np.interp(wanted, f, row) for f, row in zip(start, y, strict=True)])
    step = (y[:, 1] - y[:, 0])[:, None]
    norm = betaln(a, b)[:, None]
    for _ in range(2):  # the logit of a beta distribution is nearly linear in the logit of its argument
        below, above = _tails(a[:, None], b[:, None], found)
        log_slope = -a[:, None] * np.log1p(np.exp(-found)) - b[:, None] * np.logaddexp(0, found) - norm
        slope = np.exp(log_slope - np.log(np.maximum(below, 1e-300)) - np.log(np.maximum(above, 1e-300)))
        move = (wanted - _logit(below, above)) / np.maximum(slope, 1e-12)
        found = np.clip(found + np.clip(move, -step, step), low[:, None], high[:, None])
    return np.clip(found, *ENDS)


def _tails(a: Array, b: Array, logit: Array) -> tuple[Array, Array]:
    """Probability below and above, each without cancellation."""
    x = expit(logit)
    below = betainc(a, b, x)
    above = 1 - below
    high = below > 0.9
    if high.any():
        wide_a, wide_b = np.broadcast_to(a, x.shape), np.broadcast_to(b, x.shape)
        above[high] = betaincc(wide_a[high], wide_b[high], x[high])
    return below, above


def _logit(below: Array, above: Array) -> Array:
    return np.log(np.maximum(below, 1e-300)) - np.log(np.maximum(above, 1e-300))


def shared(rho: float, nodes: int) -> tuple[Rule, Array | None]:
    """The rule at which quantiles are needed, and what each node of a standing makes of them.

    Returns
    -------
    Rule
        Nodes of v.
    ndarray or None, shape (standing nodes, v nodes)
        Probability of each v at each standing; None where v is the standing itself.
    """
    if rho == 1:
        return rule(nodes), None
    fine = rule(int(np.clip(nodes * 1.5 / np.sqrt(1 - rho), nodes, 16 * nodes)))
    u, v = ndtri(rule(nodes).u)[:, None], ndtri(fine.u)
    log_density = -0.5 * np.log1p(-rho) - ((v - np.sqrt(rho) * u) ** 2 / (1 - rho) - v**2) / 2
    each = fine.weight * np.exp(log_density)
    return fine, each / each.sum(axis=1, keepdims=True)


@lru_cache(maxsize=256)
def answers_table(
    protocol: Protocol,
    kinds: tuple[tuple[int, int], ...],
    gamma: float,
    rho: float,
    points: int,
    signed: bool,
    nodes: int,
) -> Array:
    """Log probability that a taster of each standing gets y of r right, at each d-prime.

    Parameters
    ----------
    protocol : Protocol
    kinds : tuple of (r, y)
    gamma, rho : float
    points : int
        Steps of the d-prime axis from 0 to 14.
    signed : bool
        Whether the axis has negative d-primes too.
    nodes : int
        Of a standing.

    Returns
    -------
    ndarray, shape (axis, kinds, nodes)
    """
    at, mixing = shared(rho, nodes)
    axis = axis_of(points, signed)
    above = np.log(_rates(protocol, axis[-points:], gamma, at))
    right, wrong = above
    if signed and protocol.directed:
        mirrored = np.log(_rates(protocol, axis[:points], gamma, at))
        right, wrong = np.concatenate([mirrored[0], right]), np.concatenate([mirrored[1], wrong])
    elif signed:
        right, wrong = np.concatenate([right[::-1], right]), np.concatenate([wrong[::-1], wrong])
    out = np.empty((len(axis), len(kinds), nodes))
    for column, (r, y) in enumerate(kinds):
        logs = gammaln(r + 1) - gammaln(y + 1) - gammaln(r - y + 1) + y * right + (r - y) * wrong
        if mixing is not None:
            top = logs.max(axis=1, keepdims=True)
            logs = np.log(np.exp(logs - top) @ mixing.T) + top
        out[:, column] = logs
    out.setflags(write=False)
    return out


def _rates(protocol: Protocol, d: Array, gamma: float, at: Rule) -> tuple[Array, Array]:
    """Probabilities of a right and of a wrong answer at each d-prime (all on one side of 0) and standing."""
    few = np.unique(np.concatenate([[0.0], np.linspace(0, 1, COARSE) ** 2])) * REACH * (1 if d[-1] > 0 else -1)
    guess = protocol.guess
    right, wrong = protocol.p_correct(few), protocol.p_wrong(few)
    if d[-1] > 0:
        mean, rest = (right - guess) / (1 - guess), wrong / (1 - guess)
    else:  # against the expected direction the answer is the mirror image
        mean, rest = (guess - right) / guess, right / guess
    logits = quantile_logits(np.clip(mean, 0, 1), np.clip(rest, 0, 1), gamma, at)
    fine = PchipInterpolator(np.abs(few), logits, axis=0)(np.abs(d))
    able, unable = expit(fine), expit(-fine)
    if d[-1] > 0:
        return guess + (1 - guess) * able, (1 - guess) * unable
    return guess * unable, 1 - guess + guess * able


@dataclass(frozen=True, eq=False)
class Group:
    """Panels of one protocol among those that share people.

    Attributes
    ----------
    protocol : Protocol
    panels : ndarray of int
        Which of the panels.
    kinds : tuple of (r, y)
        Answers and right answers of a person in one of them, each that occurs.
    """

    protocol: Protocol
    panels: Whole
    kinds: tuple[tuple[int, int], ...]


@dataclass(frozen=True, eq=False)
class Sitters:
    """Panels that share people.

    Attributes
    ----------
    protocols : tuple of Protocol, length K
        Of the panels that somebody sat in who sat in another one too.
    answers, correct : ndarray of int, shape (patterns, K)
        What each person gave in each panel; no answers where they were not there. People alike are one pattern.
    copies : ndarray of int, shape (patterns,)
        How many people have each pattern.
    own : tuple of Evidence or None, length K
        The answers of those who sat in that panel only.
    whole : tuple of Evidence, length K
        The whole panel as it enters where nobody is known to have sat in another.
    others : tuple of Evidence
        Panels without such people.
    other_copies : ndarray, shape (len(others),)
    rho : float
        How far people keep their rank, from 0 to 1.
    nodes : int
        Of a standing.
    """

    protocols: tuple[Protocol, ...]
    answers: Whole
    correct: Whole
    copies: Whole
    own: tuple[Evidence | None, ...]
    whole: tuple[Evidence, ...]
    others: tuple[Evidence, ...] = ()
    other_copies: Array = field(default_factory=lambda: np.zeros(0))
    rho: float = 1.0
    nodes: int = STANDINGS

    @property
    def signed(self) -> bool:
        """Whether some panel has a direction."""
        return any(e.protocol.directed for e in (*self.whole, *self.others))

    @property
    def size(self) -> int:
        """Tastings in the largest panel."""
        return max(e.size for e in (*self.whole, *self.others))

    @cached_property
    def points(self) -> int:
        """Steps of the d-prime axis from 0 to 14."""
        largest = max(e.size for e in self.whole)
        total = sum(e.size for e in self.whole)
        return 64 * int(np.ceil(max(192, 32 * np.sqrt(largest), 5 * np.sqrt(total)) / 64))

    @property
    def axis(self) -> Array:
        """d-primes at which likelihoods are sampled."""
        return axis_of(self.points, self.signed)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """The panels by protocol."""
        found = []
        for protocol in dict.fromkeys(self.protocols):
            panels = np.array([i for i, p in enumerate(self.protocols) if p == protocol])
            r, y = self.answers[:, panels], self.correct[:, panels]
            kinds = sorted(set(zip(r[r > 0].tolist(), y[r > 0].tolist(), strict=True)))
            found.append(Group(protocol, panels, tuple(kinds)))
        return tuple(found)

    @cached_property
    def pattern(self) -> Array:
        """Which kind of answers each pattern has in each panel, shape (patterns, kinds over all panels)."""
        columns = []
        for group in self.groups:
            for i in group.panels:
                columns += [(self.answers[:, i] == r) & (self.correct[:, i] == y) for r, y in group.kinds]
        return np.stack(columns, axis=1).astype(float)

    def tables(self, gamma: float, nodes: int | None = None) -> tuple[Array, ...]:
        """For each group the table of `answers_table` at this overdispersion."""
        return tuple(
            answers_table(
                group.protocol,
                group.kinds,
                float(gamma),
                float(self.rho),
                self.points,
                self.signed,
                nodes or self.nodes,
            )
            for group in self.groups
        )

    @cached_property
    def constant(self) -> Array:
        """Log of in how many ways each panel's answers make up its total, shape (K,).

        What is to be added to the answers of known people, so that rho = 0 is the likelihood of `whole`.
        """
        nothing, out = np.zeros(1), np.zeros(len(self.whole))
        for i, (whole, own) in enumerate(zip(self.whole, self.own, strict=True)):
            out[i] = float(whole.log_likelihood(nothing, 0.5)[0])
            out[i] -= 0.0 if own is None else float(own.log_likelihood(nothing, 0.5)[0])
            there = self.answers[:, i] > 0
            given = zip(self.answers[there, i].tolist(), self.correct[there, i].tolist(), strict=True)
            for people, (r, y) in zip(self.copies[there], given, strict=True):
                out[i] -= people * float(Counts(self.protocols[i], r, y).log_likelihood(nothing)[0])
        return out

    def own_logs(self, gamma: float) -> Array:
        """Log likelihood of those who sat in one panel only, shape (axis, K)."""
        out = np.zeros((len(self.axis), len(self.protocols)))
        for i, own in enumerate(self.own):
            if own is not None:
                out[:, i] = own.log_likelihood(self.axis, gamma)
        return out

    def at(self, theta: Array) -> tuple[Whole, Array]:
        """Between which points of the axis d-primes lie, and how far from the lower one."""
        count = len(self.axis)
        place = np.abs(theta) if not self.signed else theta + REACH
        place = np.clip(place * (self.points / REACH) - 0.5, 0, count - 1.001)
        lower = place.astype(np.intp)
        return lower, place - lower

    def by_standing(self, theta: Array, gammas: Array, which: Whole, nodes: int | None = None) -> Array:
        """Log probability of each kind of answers at each standing.

        Parameters
        ----------
        theta : ndarray, shape (points, K)
        gammas : ndarray, shape (G,)
        which : ndarray of int, shape (points,)
            The overdispersion of each point.

        Returns
        -------
        ndarray, shape (kinds over all panels, points, nodes)
        """
        nodes = nodes or self.nodes
        out = np.empty((self.pattern.shape[1], len(theta), nodes))
        lower, part = self.at(theta)
        for g in np.unique(which):
            rows = np.flatnonzero(which == g)
            start = 0
            for group, table in zip(self.groups, self.tables(gammas[g], nodes), strict=True):
                low, share = lower[np.ix_(rows, group.panels)], part[np.ix_(rows, group.panels)][..., None, None]
                found = table[low] * (1 - share) + table[low + 1] * share  # rows, panels, kinds, nodes
                stop = start + len(group.panels) * len(group.kinds)
                out[start:stop, rows] = found.transpose(1, 2, 0, 3).reshape(stop - start, len(rows), nodes)
                start = stop
        return out

    def log_likelihoods(self, theta: Array, gammas: Array, which: Whole, nodes: int | None = None) -> Array:
        """Log likelihood of all who sat in several panels, everybody's standing integrated out.

        Parameters
        ----------
        theta : ndarray, shape (points, K)
            d-primes of the panels.
        gammas : ndarray, shape (G,)
        which : ndarray of int, shape (points,)
            The overdispersion of each point.
        nodes : int, optional
            Of a standing; twice as many tell the quadrature's error.

        Returns
        -------
        ndarray, shape (points,)
        """
        nodes = nodes or self.nodes
        weight = rule(nodes).weight
        out = np.empty(len(theta))
        step = max(1, BLOCK // (nodes * max(len(self.copies), self.pattern.shape[1])))
        for first in range(0, len(theta), step):
            part = slice(first, first + step)
            logs = self.by_standing(theta[part], gammas, which[part], nodes)
            each = (self.pattern @ logs.reshape(len(logs), -1)).reshape(len(self.pattern), -1, nodes)
            top = each.max(axis=2)
            np.exp(each - top[:, :, None], out=each)
            out[part] = self.copies @ (np.log(each @ weight) + top)
        return out
