"""The posterior of a pool whose panels share people: today's exact answer given the standings, averaged over draws.

In each draw of the standings (`crossed_draws`) the panels are independent, and their likelihoods are summed over common
nodes of centre and spread. What is averaged is thus not draws of the answer but exact answers, which leaves a fraction
of the Monte Carlo error. Chains begin from two sides, the pool as if everybody were new each time and one d-prime in
all panels; that both ends agree is the check. The evidence of the explanation *same* is integrated, that of *varying*
bridged from it through draws of both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct
from scipy.special import logsumexp

from metasense.engine.common import Common
from metasense.engine.crossed import Sitters
from metasense.engine.crossed_draws import GAMMAS, Given, Walk
from metasense.engine.distribution import Distribution
from metasense.engine.grid import Evidences, log_prior
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series
from metasense.engine.plane import Plane, Weighed
from metasense.engine.posterior import Posterior, draw_nodes, draw_panels, folded, on_axis
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime

Array = NDArray[np.floating[Any]]
Whole = NDArray[np.intp]

CHAINS = 3072  # panels times chains; fewer panels get more chains
BURN, SETTLE, KEPT, BETWEEN = 10, 4, 4, 4  # turns before the nodes are laid anew, after that, draws kept, turns between
BRIDGE = 512  # draws of one d-prime in all panels, for the evidence
REGIONS = 2400  # panels times draws that stand for all where every answer is worked out again
FLOORED = 16  # likelihoods multiplied before their log is taken: so many floors still are a number
APART = 4.0  # standard errors between two halves of the chains from which the draws are not relied on
PILOT = 24  # draws that tell which nodes carry nothing
EMPTY = 1e-7  # share of the largest weight below which a node is left out
OWN = 64  # draws from which the panels' own d-primes are told
BLUR = 4.0  # how strongly their cosines are faded out, or the comb of the nodes would be seen
NODES = (65, 25)  # of the average d-prime, and of the angle
PIECE = 8_000_000  # numbers worked on at once


class CommonOfSitters(Common):
    """The posterior of one d-prime in all panels, everybody's standing integrated out."""

    def __init__(self, sitters: Sitters, priors: Priors, gammas: Array, shares: Array) -> None:
        self.sitters = sitters

        def log_likelihood(theta: Array) -> Array:
            every = np.tile(theta, len(gammas))[:, None]
            which = np.repeat(np.arange(len(gammas)), len(theta))
            panels = np.broadcast_to(every, (len(every), len(sitters.protocols)))
            logs = sitters.log_likelihoods(panels, gammas, which).reshape(len(gammas), -1)
            for g, gamma in enumerate(gammas):
                logs[g] += sum(own.log_likelihood(theta, float(gamma)) for own in sitters.own if own is not None)
                apart = zip(sitters.other_copies, sitters.others, strict=True)
                logs[g] += sum(copies * e.log_likelihood(theta, float(gamma)) for copies, e in apart)
            return np.asarray(logs + sitters.constant.sum() + np.log(shares)[:, None])

        self._work_out(priors, sitters.signed, gammas, log_likelihood)


@dataclass(frozen=True, eq=False)
class CrossedPosterior(Posterior):
    """A posterior whose panels share people.

    Attributes
    ----------
    own : ndarray, shape (K, points)
        Unnormalised densities of the d-primes of the panels that share people, on the axis of the cosines.
    crossed : ndarray of int, shape (K,)
        Which of the distinct panels share people.
    """

    own: Array
    crossed: Whole

    def panels(self, which: Sequence[int] | None = None) -> list[Distribution]:
        """Each distinct panel's own d-prime given all panels (signed only for directed panels)."""
        evidence = self.patches[0].series.evidence
        asked = list(range(len(evidence))) if which is None else list(which)
        alone = [i for i in asked if i not in self.crossed]
        found = dict(zip(alone, super().panels(alone), strict=True)) if alone else {}
        for column, i in enumerate(self.crossed.tolist()):
            if i in asked:
                own = on_axis(self.own[column], self.directed)
                found[i] = folded(own) if self.directed and not evidence[i].protocol.directed else own
        return [found[i] for i in asked]

    def floored(self) -> Array:
        """Share of the posterior where a panel's likelihood is below what can be computed: none is told apart here."""
        return np.zeros(len(self.patches[0].series.evidence))


@dataclass(frozen=True, eq=False)
class Crossed:
    """What integration over people who come again gave.

    Attributes
    ----------
    sitters : Sitters
    posterior : CrossedPosterior
    evidences : Evidences
        ``error`` is the Monte Carlo standard error of ``varying``.
    common : CommonOfSitters
    error : float
        Monte Carlo standard error of the mean of the average d-prime.
    apart : float
        How far apart the two halves of the chains are, in standard errors; below 4 all is well.
    quadrature : float
        By how much the mean of the average d-prime moves with twice the nodes of a standing.
    pinned : float
        Standard deviation of the average d-prime that is left to who these people are, the standings known.
    gamma : Distribution
        Overdispersion between tasters.
    mu, tau : ndarray, shape (draws,)
    theta : ndarray, shape (draws, K)
        d-primes of the panels that share people, with the sign of the centre.
    gammas : ndarray, shape (G,)
        Nodes of the overdispersion.
    which : ndarray of int, shape (draws,)
        The overdispersion of each draw.
    standing : ndarray of int, shape (draws, people)
        Everybody's node.
    rows : ndarray of int, shape (len(regions),)
        Some of the draws.
    regions : tuple of Series
        What every distinct panel says in those.
    log_weight : ndarray, shape (len(regions),)
        Log of what each stands for, per unit of likelihood.
    """

    sitters: Sitters
    posterior: CrossedPosterior
    evidences: Evidences
    common: CommonOfSitters
    error: float
    apart: float
    quadrature: float
    pinned: float
    gamma: Distribution
    mu: Array
    tau: Array
    theta: Array
    gammas: Array
    which: Whole
    standing: NDArray[Any]
    rows: Whole
    regions: tuple[Series, ...]
    log_weight: Array

    @cached_property
    def plane(self) -> Plane:
        """Nodes on which the answer is worked out again under other choices; a region a draw."""
        signs = (1.0, -1.0) if self.sitters.signed else (1.0,)
        regions = [(s, sign, float(w)) for s, w in zip(self.regions, self.log_weight, strict=True) for sign in signs]
        return Plane.around(regions, self.mu, self.tau)


def integrate(
    sitters: Sitters,
    evidence: Sequence[Evidence],
    copies: Array,
    crossed: Whole,
    priors: Priors,
    today: Posterior,
    *,
    seed: int = 1,
    chains: int | None = None,
) -> Crossed:
    """Posterior of a pool whose panels share people.

    Parameters
    ----------
    sitters : Sitters
        Panels and people.
    evidence, copies : sequences
        Every distinct panel of the pool as if nobody came twice, and how often it stands in the pool.
    crossed : ndarray of int, shape (K,)
        Which of them are the panels of `sitters`, in its order.
    priors : Priors
    today : Posterior
        Of `evidence`, which is where half of the chains begin.
    seed : int
    chains : int, optional
        An even number; as many as suit the number of panels by default.
    """
    rng = np.random.default_rng(seed)
    count = chains or 2 * int(np.clip(CHAINS // len(crossed), 64, 1024) // 2)
    x, w = np.polynomial.legendre.leggauss(GAMMAS)
    gammas, shares = (x + 1) / 2, w / 2
    common = CommonOfSitters(sitters, priors, gammas, shares)
    walk = Walk(sitters, priors, gammas, shares, _begin(common, today, crossed, count, rng), rng)
    for _ in range(BURN):
        walk.turn()
    if _closer(walk):
        common = CommonOfSitters(sitters, priors, walk.gammas, np.exp(walk.log_shares))
    return _gathered(_draws(walk), walk, common, evidence, copies, crossed)


@dataclass(frozen=True, eq=False)
class _Drawn:
    """What the chains gave: draw after draw of all chains."""

    given: Given
    mu: Array
    tau: Array
    theta: Array


def _draws(walk: Walk) -> _Drawn:
    """Let the chains settle, and keep some turns of them."""
    for _ in range(SETTLE):
        walk.turn()
    kept: list[Given] = []
    states: list[tuple[Array, ...]] = []
    for _ in range(KEPT):
        for _ in range(BETWEEN - 1):
            walk.turn()
        kept.append(walk.turn())
        states.append((walk.mu.copy(), walk.tau.copy(), walk.theta.copy()))
    return _Drawn(Given.together(kept), *(np.concatenate(part) for part in zip(*states, strict=True)))


def _gathered(
    drawn: _Drawn,
    walk: Walk,
    common: CommonOfSitters,
    evidence: Sequence[Evidence],
    copies: Array,
    crossed: Whole,
) -> Crossed:
    """The exact answers given the draws, averaged."""
    given, sitters = drawn.given, walk.sitters
    series = Series.build(evidence, copies, float(walk.gammas[given.which].mean()))
    signs = (1.0, -1.0) if sitters.signed else (1.0,)
    plane = Plane.around([(series, sign, 0.0) for sign in signs], drawn.mu, drawn.tau, NODES)
    averaged = Averaged.over(given, plane, walk)
    beside = Averaged.over(_of_one(common, walk), plane, walk)
    evidences = _evidences(common, evidence, copies, averaged, beside)
    patches = Weighed(0.0, plane, averaged.weights).posterior().patches
    own = _own_densities(given.rows(_spread_out(averaged.means, OWN)), plane, walk, averaged.nodes, series.axis)
    rows = _spread_out(averaged.means, int(np.clip(REGIONS // len(copies), 8, 256)))
    regions, log_weight = _regions(given, rows, averaged, evidence, copies, crossed, walk.gammas)
    means = averaged.means.reshape(KEPT, -1)
    return Crossed(
        sitters,
        CrossedPosterior(patches, "crossed", own, crossed),
        evidences,
        common,
        error=float(means.mean(axis=0).std(ddof=1) / np.sqrt(means.shape[1])),
        apart=_apart(means),
        quadrature=_quadrature(sitters, walk, drawn.theta, given.which, averaged.means),
        pinned=float(averaged.means.std()),
        gamma=Distribution.from_draws(walk.gammas[given.which]),
        mu=drawn.mu,
        tau=drawn.tau,
        theta=drawn.theta,
        gammas=walk.gammas,
        which=given.which,
        standing=given.standing,
        rows=rows,
        regions=regions,
        log_weight=log_weight + evidences.varying,
    )


def _begin(
    common: Common, today: Posterior, crossed: Whole, count: int, rng: np.random.Generator
) -> tuple[Array, Array, Whole, Array]:
    """Half of the chains as if everybody were new each time, half with one d-prime in all panels."""
    mu, tau, patch = draw_nodes(today, count, rng)
    theta = draw_panels(today, mu, tau, patch, crossed, rng)
    which = _draw(common.weight.sum(axis=1), count, rng)
    half = count // 2
    at = _draw(common.weight.sum(axis=0), half, rng)
    mu[:half] = common.theta[at]
    theta[:half] = mu[:half, None]
    tau[:half] = np.abs(rng.normal(0, 0.1, half))
    return mu, tau, which, theta


def _draw(weight: Array, size: int, rng: np.random.Generator) -> Whole:
    edges = np.cumsum(weight)
    return np.searchsorted(edges, rng.random(size) * edges[-1]).clip(max=len(weight) - 1)


def _closer(walk: Walk) -> bool:
    """Lay the nodes of the overdispersion over what was seen, where that is much less than all there is."""
    seen = walk.gammas[walk.which]
    low, high = np.quantile(seen, [0.002, 0.998])
    margin = 0.35 * (high - low) + 0.06
    low, high = max(0.0, low - margin), min(1.0, high + margin)
    if high - low > 0.6:
        return False
    x, w = np.polynomial.legendre.leggauss(GAMMAS)
    gammas = low + (high - low) * (x + 1) / 2
    near = np.clip(
        np.searchsorted((gammas[1:] + gammas[:-1]) / 2, seen + walk.rng.normal(0, 0.02, len(seen))), 0, GAMMAS - 1
    )
    walk.which = near
    walk.lay(gammas, w / 2 * (high - low))
    return True


@dataclass(frozen=True, eq=False)
class Averaged:
    """Nodes weighted by what draws of the standings say.

    Attributes
    ----------
    weights : list of ndarray, shape (nodes,)
        Posterior probability of each node, for each sign of the centre.
    log_varying : ndarray, shape (draws,)
        Log evidence given the standings, less the sum of the draw's `log_scale`.
    log_same : ndarray, shape (draws,)
        The same of one d-prime in all panels.
    means : ndarray, shape (draws,)
        Mean of the average d-prime given the standings.
    nodes : list of ndarray
        Those that carry anything, for each sign of the centre.
    """

    weights: list[Array]
    log_varying: Array
    log_same: Array
    means: Array

    nodes: list[Whole]

    @classmethod
    def over(cls, given: Given, plane: Plane, walk: Walk) -> Averaged:
        """Sum the panels' likelihoods over the nodes that carry anything."""
        pilot = given.rows(slice(None, None, max(1, len(given.which) // PILOT)))
        every = [np.arange(len(plane.mu))] * len(plane.regions)
        seen = [np.zeros(len(plane.mu)) for _ in every]
        for _, dense in _dense(pilot, plane, walk, every):
            for total, weight in zip(seen, dense, strict=True):
                total += weight.sum(axis=0)
        most = max(weight.max() for weight in seen)
        nodes = [np.flatnonzero(weight >= min(EMPTY * most, weight.max())) for weight in seen]  # one at least a sign
        return cls._over(given, plane, walk, nodes)

    @classmethod
    def _over(cls, given: Given, plane: Plane, walk: Walk, nodes: list[Whole]) -> Averaged:
        draws = len(given.which)
        weights: list[Array] = [np.zeros(len(plane.mu)) for _ in nodes]
        varying, means = np.empty(draws), np.zeros(draws)
        average = average_d_prime(plane.mu, plane.tau)
        for part, dense in _dense(given, plane, walk, nodes, varying):
            for total, at, weight in zip(weights, nodes, dense, strict=True):
                total[at] += weight.sum(axis=0) / draws
                means[part] += weight @ average[at]
        return cls(weights, varying, given.same, means, nodes)


def _dense(
    given: Given, plane: Plane, walk: Walk, nodes: list[Whole], varying: Array | None = None
) -> Iterator[tuple[slice, list[Array]]]:
    """A few draws at a time, the posterior probability of each node in each; fills in their log evidences."""
    fixed: list[list[Array]] = []
    waves: list[Array] = []
    for sign, at in _signs(plane, nodes):
        mu, tau = sign * plane.mu[at], plane.tau[at]
        base = plane.log_weight[at] + log_prior(mu, tau, walk.priors, walk.sitters.signed)
        fixed.append([base + others.log_likelihood(mu, tau) for others in walk.others] or [base])
        waves.append(_waves(given.coefficients.shape[2], mu, tau, walk.sitters.signed))
    step = max(1, PIECE // (given.log_scale.shape[1] * max(1, sum(len(at) for at in nodes))))
    for first in range(0, len(given.which), step):
        part = slice(first, first + step)
        logs = []
        for bases, wave in zip(fixed, waves, strict=True):
            which = given.which[part] if len(bases) > 1 else np.zeros_like(given.which[part])
            logs.append(_logs(given.coefficients[part], wave) + np.stack(bases)[which])
        peak = np.max([log.max(axis=1) for log in logs], axis=0)
        dense = [np.exp(log - peak[:, None]) for log in logs]
        whole = np.sum([weight.sum(axis=1) for weight in dense], axis=0)
        if varying is not None:
            varying[part] = peak + np.log(whole)
        yield part, [weight / whole[:, None] for weight in dense]


def _waves(terms: int, mu: Array, tau: Array, signed: bool) -> Array:
    """Damped cosines, shape (terms, nodes)."""
    offset = REACH if signed else 0.0
    w = np.pi / (REACH + offset) * np.arange(terms)
    waves = np.cos(np.multiply.outer(w, mu + offset))
    waves *= np.exp(-0.5 * np.multiply.outer(w**2, tau**2))
    return waves


def _logs(coefficients: Array, waves: Array) -> Array:
    """Log likelihood of each draw's panels at each node, shape (draws, nodes)."""
    draws, panels, terms = coefficients.shape
    each = (coefficients.reshape(-1, terms) @ waves).reshape(draws, panels, -1)
    np.maximum(each, FLOOR, out=each)
    out = np.zeros((draws, waves.shape[1]))
    for first in range(0, panels, FLOORED):
        out += np.log(each[:, first : first + FLOORED].prod(axis=1))
    return out


def _of_one(common: Common, walk: Walk) -> Given:
    """Draws of the standings if all panels have one d-prime."""
    weight, rng = common.weight, walk.rng
    at = _draw(weight.ravel(), BRIDGE, rng)
    which, place = np.divmod(at, weight.shape[1])
    step = common.theta[1] - common.theta[0]
    theta = common.theta[place] + (rng.random(BRIDGE) - 0.5) * step
    panels = np.repeat(theta[:, None], len(walk.sitters.protocols), axis=1)
    return walk.beside(theta, which, panels).of_one_d_prime()


def _evidences(
    common: Common, evidence: Sequence[Evidence], copies: Array, varying: Averaged, same: Averaged
) -> Evidences:
    """Log evidences, that of *varying* by a bridge from *same* (Meng and Wong 1996, cited from memory)."""
    zero = np.zeros(1)
    none = float(sum(c * e.log_likelihood(zero, 0.5)[0] for c, e in zip(copies, evidence, strict=True)))
    of_same = common.log_evidence(common.priors)
    above, beside = varying.log_same - varying.log_varying, same.log_same - same.log_varying
    share = np.log(np.array([len(beside), len(above)]) / (len(beside) + len(above)))
    log_r = float(np.median(np.concatenate([above, beside])))
    for _ in range(50):
        upper = above - np.logaddexp(share[0] + above, share[1] + log_r)
        lower = -np.logaddexp(share[0] + beside, share[1] + log_r)
        new = float(logsumexp(upper) - np.log(len(upper)) - logsumexp(lower) + np.log(len(lower)))
        done, log_r = abs(new - log_r) < 1e-8, new
        if done:
            break
    error = np.hypot(_relative(upper.reshape(KEPT, -1).T), _relative(lower[:, None]))
    return Evidences(none, of_same, of_same - log_r, float(error))


def _relative(logs: Array) -> float:
    """Standard error of the log of a mean; rows are independent."""
    each = np.exp(logs - logs.max()).mean(axis=1)
    return float(each.std(ddof=1) / np.sqrt(len(each)) / each.mean())


def _apart(means: Array) -> float:
    """How far the chains from one side are from those from the other, and the first draws from the last."""
    half = means.shape[1] // 2
    each = means.mean(axis=0)
    sides = each[:half].mean() - each[half:].mean()
    error = np.sqrt(each[:half].var(ddof=1) / half + each[half:].var(ddof=1) / (means.shape[1] - half))
    drift = means[-1] - means[0]
    moved = drift.mean() / max(float(drift.std(ddof=1)) / np.sqrt(len(drift)), 1e-12)
    return float(max(abs(sides / max(error, 1e-12)), abs(moved)))


def _quadrature(sitters: Sitters, walk: Walk, theta: Array, which: Whole, means: Array) -> float:
    """By how much the mean moves when the draws are weighted for twice the nodes of a standing."""
    few = np.arange(0, len(theta), max(1, len(theta) // 200))
    once = sitters.log_likelihoods(theta[few], walk.gammas, which[few])
    twice = sitters.log_likelihoods(theta[few], walk.gammas, which[few], 2 * sitters.nodes)
    weight = np.exp(twice - once - (twice - once).max())
    return float(abs(weight @ means[few] / weight.sum() - means[few].mean()))


def _spread_out(means: Array, count: int) -> Whole:
    """Some draws that together have nearly the mean of all: every so many in the order of their own means."""
    step = max(1, len(means) // count)
    return np.sort(np.argsort(means, kind="stable")[step // 2 :: step])


def _regions(
    given: Given,
    rows: Whole,
    averaged: Averaged,
    evidence: Sequence[Evidence],
    copies: Array,
    crossed: Whole,
    gammas: Array,
) -> tuple[tuple[Series, ...], Array]:
    """Some draws as likelihoods of every distinct panel, each with the log of its weight per unit of likelihood."""
    built = {g: Series.build(evidence, copies, float(gammas[g])) for g in np.unique(given.which[rows])}
    found, weights = [], []
    for row in rows:
        base = built[given.which[row]]
        terms = max(base.terms, given.coefficients.shape[2])
        coefficients = np.pad(base.coefficients, ((0, 0), (0, terms - base.terms)))
        coefficients[crossed] = 0
        coefficients[crossed, : given.coefficients.shape[2]] = given.coefficients[row]
        scale = base.log_scale.copy()
        scale[crossed] = given.log_scale[row]
        found.append(Series(tuple(evidence), base.copies, base.directed, base.gamma, coefficients, scale))
        weights.append(-(averaged.log_varying[row] + given.log_scale[row].sum()) - np.log(len(rows)))
    return tuple(found), np.array(weights)


def _own_densities(given: Given, plane: Plane, walk: Walk, nodes: list[Whole], axis: Array) -> Array:
    """Unnormalised density of every panel's own d-prime on the axis, averaged over draws, shape (K, axis)."""
    _, panels, terms = given.coefficients.shape
    used = min(2 * terms, len(axis))
    blur = np.exp(-0.5 * (BLUR * np.arange(used) / used) ** 2)
    wide = [_waves(used, s * plane.mu[at], plane.tau[at], walk.sitters.signed) for s, at in _signs(plane, nodes)]
    total = np.zeros((panels, len(axis)))
    for part, dense in _dense(given, plane, walk, nodes):
        mixed = np.zeros((len(dense[0]), panels, len(axis)))
        for weight, waves in zip(dense, wide, strict=True):
            each = (given.coefficients[part].reshape(-1, terms) @ waves[:terms]).reshape(-1, panels, waves.shape[1])
            np.maximum(each, FLOOR, out=each)
            np.divide(weight[:, None, :], each, out=each)
            mixed[:, :, :used] += (each.reshape(-1, waves.shape[1]) @ waves.T).reshape(-1, panels, used)
        mixed[:, :, :used] *= blur
        own = np.zeros_like(mixed)
        own[:, :, :terms] = given.coefficients[part]
        own[:, :, 1:terms] /= 2  # the transform counts every cosine but the constant twice
        density = np.maximum(dct(mixed, type=3, axis=2), 0) * np.maximum(dct(own, type=3, axis=2), 0)
        total += (density / density.sum(axis=2, keepdims=True)).sum(axis=0)
    return total


def _signs(plane: Plane, nodes: list[Whole]) -> list[tuple[float, Whole]]:
    return [(sign, at) for (_, sign, _), at in zip(plane.regions, nodes, strict=True)]
