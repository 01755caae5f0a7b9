"""Draws of people's standings, and with them of the panels' likelihoods given the standings.

Given the standings the panels are independent and everything `grid` and `plane` do is exact again; given the panels'
d-primes the standings are independent, and drawn at once. Many chains take turns between the two: the overdispersion
(and a shift of all panels together, which standings and panels otherwise follow slowly) with the standings integrated
out; the standings; centre and spread with the panels' d-primes integrated out (cosine series); the d-primes.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct
from scipy.special import logsumexp

from metasense.engine.crossed import BLOCK, Sitters, rule
from metasense.engine.grid import log_prior
from metasense.engine.likelihood import FLOOR, REACH, Series
from metasense.engine.priors import Priors, log_centre

Array = NDArray[np.floating[Any]]
Whole = NDArray[np.intp]

GAMMAS = 16  # nodes of the overdispersion, laid twice: over all there is, then over what was seen
MOVES = 4  # of centre and spread in each turn
HEARD = 1e-10  # share of a panel's largest cosine from which a cosine is kept
FAR = 9.0  # spreads from the centre beyond which no d-prime is drawn
NARROW = 2.0  # spreads, in steps of the axis, below which d-primes are drawn from the spread itself
CANDIDATES = 16  # of these draws, from which the likelihood picks


@dataclass(frozen=True, eq=False)
class Given:
    """What the panels say in each draw, the standings given.

    Attributes
    ----------
    coefficients : ndarray, shape (draws, K, terms)
        Cosine series of each panel's likelihood, relative to `log_scale`.
    log_scale : ndarray, shape (draws, K)
    which : ndarray of int, shape (draws,)
        Which overdispersion.
    same : ndarray, shape (draws,)
        Log of the integral over one d-prime that all panels share, `others` included, less the sum of `log_scale`.
    standing : ndarray of int, shape (draws, people)
        Everybody's node.
    """

    coefficients: Array
    log_scale: Array
    which: Whole
    same: Array
    standing: NDArray[Any]

    def rows(self, rows: Any) -> Given:
        """Some of the draws."""
        return Given(*(getattr(self, part.name)[rows] for part in fields(self)))

    @classmethod
    def together(cls, parts: list[Given]) -> Given:
        """The draws of several turns, one after the other."""
        terms = max(part.coefficients.shape[2] for part in parts)
        wide = [np.pad(p.coefficients, ((0, 0), (0, 0), (0, terms - p.coefficients.shape[2]))) for p in parts]
        rest = [np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)[1:]]
        return cls(np.concatenate(wide), *rest)


class Walk:
    """The state of many chains, and one turn of them.

    Parameters
    ----------
    sitters : Sitters
    priors : Priors
    gammas, shares : ndarray, shape (G,)
        Nodes of the overdispersion and their prior probabilities.
    state : tuple of ndarray
        ``mu, tau, which, theta`` to begin with: shape (chains,), and (chains, K) for theta, with its sign.
    rng : Generator
    """

    def __init__(
        self,
        sitters: Sitters,
        priors: Priors,
        gammas: Array,
        shares: Array,
        state: tuple[Array, Array, Whole, Array],
        rng: np.random.Generator,
    ) -> None:
        self.sitters, self.priors, self.rng = sitters, priors, rng
        self.mu, self.tau, self.which, self.theta = state
        self.axis, self.weight = sitters.axis, rule(sitters.nodes).weight
        self.lay(gammas, shares)

    def lay(self, gammas: Array, shares: Array) -> None:
        """Take these nodes of the overdispersion; `which` must point into them."""
        self.gammas, self.log_shares = gammas, np.log(shares)
        self.tables = [self.sitters.tables(g) for g in gammas]
        repeated = [own is not None and own.repeated for own in self.sitters.own]
        once = self.sitters.own_logs(0.5)
        self.own = [self.sitters.own_logs(float(g)) for g in gammas] if any(repeated) else [once] * len(gammas)
        others, copies = self.sitters.others, self.sitters.other_copies
        self.others: list[Series] = []
        if others:
            several = any(e.repeated for e in others)
            self.others = [Series.build(others, copies, float(g)) for g in (gammas if several else gammas[:1])]

    def turn(self) -> Given:
        """Everything once; what the panels say given the new standings."""
        logs = self._shift()
        given, log_likelihood = self.given(logs)
        self._centre(given)
        self._d_primes(log_likelihood)
        return given

    def beside(self, centre: Array, which: Whole, theta: Array) -> Walk:
        """Other chains with the same tables."""
        other = copy(self)
        other.mu, other.tau, other.which, other.theta = centre, np.zeros(len(centre)), which, theta
        return other

    def of_one_d_prime(self) -> Given:
        """What the panels say given standings drawn from the present d-primes and overdispersions, which stay."""
        return self.given(self._likelihood(self.theta, self.which)[1])[0]

    def given(self, logs: Array) -> tuple[Given, Array]:
        """Draw standings; what the panels say given them, as cosines and on the axis."""
        counts, standing = self._standings(logs)
        return self._panels(counts, standing)

    # --- the overdispersion, and all panels together ----------------------------------------------------------------

    def _likelihood(self, theta: Array, which: Whole) -> tuple[Array, Array]:
        """Log likelihood of each chain, those who came once included, and each person's standings at the nodes."""
        logs = self.sitters.by_standing(theta, self.gammas, which)
        total = np.zeros(len(theta))
        lower, part = self.sitters.at(theta)
        columns = np.arange(theta.shape[1])
        for g in np.unique(which):
            rows = np.flatnonzero(which == g)[:, None]
            low, share = lower[rows[:, 0]], part[rows[:, 0]]
            own = self.own[g][low, columns] * (1 - share) + self.own[g][low + 1, columns] * share
            total[rows[:, 0]] = own.sum(axis=1)
        nodes, pattern = len(self.weight), self.sitters.pattern
        step = max(1, BLOCK // (nodes * len(pattern)))
        for first in range(0, len(theta), step):
            here = slice(first, first + step)
            each = (pattern @ logs[:, here].reshape(len(logs), -1)).reshape(len(pattern), -1, nodes)
            top = each.max(axis=2)
            total[here] += self.sitters.copies @ (np.log(np.exp(each - top[:, :, None]) @ self.weight) + top)
        return total, logs

    def _of_others(self, mu: Array, tau: Array, which: Whole) -> Array:
        """Log likelihood of the panels nobody of these people sat in."""
        if not self.others:
            return np.zeros(len(mu))
        if len(self.others) == 1:
            return self.others[0].log_likelihood(mu, tau)
        out = np.empty(len(mu))
        for g in np.unique(which):
            rows = which == g
            out[rows] = self.others[g].log_likelihood(mu[rows], tau[rows])
        return out

    def _shift(self) -> Array:
        """Move the overdispersion, and half of the time all panels by as much; what the standings say afterwards."""
        rng, chains = self.rng, len(self.mu)
        before, logs = self._likelihood(self.theta, self.which)
        which = self.which + rng.integers(1, 5, chains) * rng.choice([-1, 1], chains)
        inside = (which >= 0) & (which < len(self.gammas))
        which = np.where(inside & (rng.random(chains) < 0.7), which, self.which)
        size = 0.7 * max(float(np.abs(self.theta).mean(axis=1).std()), 0.02)
        by = np.where(rng.random(chains) < 0.5, rng.normal(0, size, chains), 0.0)
        theta, mu = self.theta + by[:, None], self.mu + by
        after, new_logs = self._likelihood(theta, which)
        gain = after - before + self.log_shares[which] - self.log_shares[self.which]
        signed = self.sitters.signed
        gain += log_prior(mu, self.tau, self.priors, signed) - log_prior(self.mu, self.tau, self.priors, signed)
        gain += self._of_others(mu, self.tau, which) - self._of_others(self.mu, self.tau, self.which)
        taken = (np.log(rng.random(chains)) < gain) & (inside | (by != 0))
        self.theta[taken], self.mu[taken], self.which[taken] = theta[taken], mu[taken], which[taken]
        logs[:, taken] = new_logs[:, taken]
        return logs

    # --- standings --------------------------------------------------------------------------------------------------

    def _standings(self, logs: Array) -> tuple[list[Array], NDArray[Any]]:
        """Draw everybody's standing; how many people of each kind of answers are at each node.

        Returns
        -------
        list of ndarray, shape (chains, panels of the group, kinds x nodes)
        ndarray of int, shape (chains, people)
        """
        sitters, nodes = self.sitters, len(self.weight)
        chains, columns = len(self.mu), len(logs)
        counts = np.zeros(columns * chains * nodes)
        person = np.repeat(np.arange(len(sitters.copies)), sitters.copies)
        standing = np.empty((chains, len(person)), np.uint8)
        step = max(1, BLOCK // (nodes * chains))
        log_weight = np.log(self.weight)
        for first in range(0, len(person), step):
            rows = person[first : first + step]
            each = (sitters.pattern[rows] @ logs.reshape(columns, -1)).reshape(len(rows), chains, nodes) + log_weight
            each -= each.max(axis=2, keepdims=True)
            running = np.cumsum(np.exp(each), axis=2)
            target = self.rng.random(running.shape[:2]) * running[:, :, -1]
            at = (running < target[:, :, None]).sum(axis=2)  # people, chains
            standing[:, first : first + step] = at.T
            for j, row in enumerate(rows):
                there = np.flatnonzero(sitters.pattern[row])
                place = (there[:, None] * chains + np.arange(chains)) * nodes + at[j]
                counts[place.ravel()] += 1
        shaped = counts.reshape(columns, chains, nodes)
        out: list[Array] = []
        start = 0
        for group in sitters.groups:
            panels, kinds = len(group.panels), len(group.kinds)
            part = shaped[start : start + panels * kinds].reshape(panels, kinds, chains, nodes)
            out.append(np.ascontiguousarray(part.transpose(2, 0, 1, 3)).reshape(chains, panels, kinds * nodes))
            start += panels * kinds
        return out, standing

    # --- panels, centre and spread ----------------------------------------------------------------------------------

    def _panels(self, counts: list[Array], standing: NDArray[Any]) -> tuple[Given, Array]:
        """Log likelihood of each panel at each d-prime of the axis, and its cosines, given the standings."""
        chains, points = len(self.mu), len(self.axis)
        logs = np.empty((chains, len(self.sitters.protocols), points))
        for g in np.unique(self.which):
            rows = np.flatnonzero(self.which == g)
            own = self.own[g].T
            for group, count, table in zip(self.sitters.groups, counts, self.tables[g], strict=True):
                here = count[rows].reshape(-1, count.shape[2]) @ table.reshape(points, -1).T
                logs[np.ix_(rows, group.panels)] = here.reshape(len(rows), len(group.panels), points)
            logs[rows] += own
        logs += self.sitters.constant[:, None]
        scale = logs.max(axis=2)
        coefficients = dct(np.exp(logs - scale[:, :, None]), type=2, axis=2, overwrite_x=True) / points
        coefficients[:, :, 0] /= 2
        heard = np.abs(coefficients).max(axis=(0, 1)) > HEARD
        terms = int(np.flatnonzero(heard)[-1]) + 1
        same = self._of_one(logs.sum(axis=1)) - scale.sum(axis=1)
        return Given(coefficients[:, :, :terms].copy(), scale, self.which.copy(), same, standing), logs

    def _of_one(self, logs: Array) -> Array:
        """Log of the integral of a likelihood on the axis over one d-prime, with its prior and the other panels."""
        logs = logs + log_centre(self.priors, self.axis, self.sitters.signed)
        if len(self.others) == 1:
            logs += self.others[0].exact_log_likelihood(self.axis)
        elif self.others:
            each = np.stack([series.exact_log_likelihood(self.axis) for series in self.others])
            logs += each[self.which]
        return np.asarray(logsumexp(logs, axis=1)) + np.log(self.axis[1] - self.axis[0])

    def _of_panels(self, given: Given, mu: Array, tau: Array) -> Array:
        """Log likelihood of each chain's panels at its own centre and spread, less `log_scale`."""
        offset = REACH if self.sitters.signed else 0.0
        w = np.pi / (REACH + offset) * np.arange(given.coefficients.shape[2])
        waves = np.cos(np.multiply.outer(mu + offset, w)) * np.exp(-0.5 * np.multiply.outer(tau**2, w**2))
        averaged = np.einsum("nkt,nt->nk", given.coefficients, waves)
        return np.log(np.maximum(averaged, FLOOR)).sum(axis=1)

    def _target(self, given: Given, mu: Array, tau: Array) -> Array:
        prior = log_prior(mu, tau, self.priors, self.sitters.signed)
        return self._of_panels(given, mu, tau) + self._of_others(mu, tau, self.which) + prior

    def _centre(self, given: Given) -> None:
        """Move centre and spread some times; both are reflected at 0 where the likelihood is even in them."""
        chains = len(self.mu)
        wide = max(float(np.abs(self.mu).std()), 0.05), max(float(self.tau.std()), 0.05)
        now = self._target(given, self.mu, self.tau)
        for move in range(MOVES):
            scale = (0.3, 1.0, 2.5)[move % 3]
            mu = self.mu + self.rng.normal(0, scale * wide[0], chains)
            tau = np.abs(self.tau + self.rng.normal(0, scale * wide[1], chains))
            new = self._target(given, mu, tau)
            taken = np.log(self.rng.random(chains)) < new - now
            self.mu[taken], self.tau[taken], now[taken] = mu[taken], tau[taken], new[taken]

    def _d_primes(self, logs: Array) -> None:
        """Draw every panel's d-prime, with its sign, from its likelihood times the spread of panels."""
        step = self.axis[1] - self.axis[0]
        narrow = self.tau < NARROW * step
        rows = np.flatnonzero(~narrow)
        pieces = len(rows) * logs.shape[1] * logs.shape[2] // BLOCK + 1
        for part in np.array_split(rows, pieces) if len(rows) else ():
            self.theta[part] = self._on_the_axis(logs[part], self.mu[part], self.tau[part])
        rows = np.flatnonzero(narrow)
        if len(rows):  # so narrow that the likelihood hardly bends in it: one of some draws, by likelihood
            shape = (CANDIDATES, len(rows), logs.shape[1])
            drawn = self.mu[rows, None] + self.tau[rows, None] * self.rng.normal(size=shape)
            weight = np.stack([self._interpolated(logs[rows], theta) for theta in drawn])
            running = np.cumsum(np.exp(weight - weight.max(axis=0)), axis=0)
            at = (running < self.rng.random(shape[1:]) * running[-1]).sum(axis=0)
            self.theta[rows] = np.take_along_axis(drawn, at[None], axis=0)[0]

    def _interpolated(self, logs: Array, theta: Array) -> Array:
        lower, part = self.sitters.at(theta)
        rows, columns = np.ogrid[: len(theta), : theta.shape[1]]
        return logs[rows, columns, lower] * (1 - part) + logs[rows, columns, lower + 1] * part

    def _on_the_axis(self, logs: Array, mu: Array, tau: Array) -> Array:
        signed = self.sitters.signed
        far = float((np.abs(mu) + FAR * tau).max())
        near = np.flatnonzero(np.abs(self.axis) < max(far, 1.0))
        axis, logs = self.axis[near], logs[:, :, near[0] : near[-1] + 1]
        m, t = mu[:, None], tau[:, None]
        normal = -0.5 * ((axis - m) / t) ** 2
        if not signed:
            normal = np.logaddexp(normal, -0.5 * ((axis + m) / t) ** 2)
        density = logs + normal[:, None, :]
        density -= density.max(axis=2, keepdims=True)
        running = np.cumsum(np.exp(density), axis=2)
        target = self.rng.random(running.shape[:2]) * running[:, :, -1]
        at = (running < target[:, :, None]).sum(axis=2)
        theta = axis[at] + (self.rng.random(at.shape) - 0.5) * (axis[1] - axis[0])
        if signed:
            return theta
        other_way = -2 * m * theta / t**2
        negative = self.rng.random(at.shape) < 1 / (1 + np.exp(np.clip(-other_way, -700, 700)))
        return np.where(negative, -theta, theta)
