"""The model of preferences diluted by lucky guesses: a mixture for each panel, on a grid of its preference."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, logit, ndtr, ndtri, xlogy

from metasense.engine.distribution import Distribution
from metasense.engine.posterior import Posterior, draw_panels
from metasense.engine.spreads import average_d_prime
from metasense.protocols import Protocol, protocol
from metasense.questions.asked import Asked

Array = NDArray[np.floating[Any]]
SPREAD = 0.5  # scale of the half-normal prior of how much panels' preferences differ, in log odds
SLICES = 8  # of what panels have in common
DRAWS = 2000  # that tell what they have in common
CELLS = 160  # of the preference's axis, more where there are many answers
Fitted = tuple[Distribution, list[Distribution]]  # the typical preference, and each panel's own


def fit(
    asked: Sequence[Asked],
    shares: Sequence[Array],
    placebo: tuple[int, int] | None = None,
    spread: float = SPREAD,
) -> Fitted:
    """The typical preference for the new product, and each panel's own.

    Parameters
    ----------
    asked : sequence of Asked
    shares : sequence of ndarray, shape (values,) or (slices, values)
        For each, equally probable values of the share of answers that were not luck (1: nobody guessed), in each of
        equally probable slices of what panels have in common.
    placebo : (int, int), optional
        Stated and no preference between identical samples, which tell how guessers answer.
    spread : float
        Prior scale of the SD between panels, in log odds.
    """
    answers = sum(a.new + a.old + a.none + a.wrong_new + a.wrong_old + a.wrong_none for a in asked)
    certain = all(np.all(np.asarray(w) >= 1) for w in shares)  # then who has no preference says nothing on the others
    # a share of n answers is known to about 1 / sqrt(4 n): cells and nodes must be closer together than that
    size = int(np.clip(8 * np.sqrt(answers), CELLS, 1000 if certain else 2 * CELLS))
    edges = np.linspace(0, 1, size + 1)
    rho = (edges[1:] + edges[:-1]) / 2
    none, weight = np.zeros(1), np.ones(1)
    if not certain and any(a.offered for a in asked):
        x, w = np.polynomial.legendre.leggauss(int(np.clip(1.9 * np.sqrt(answers + sum(placebo or ())), 14, 40)))
        none, weight = (x + 1) / 2, w / 2
    nuisance = np.multiply.outer(weight, weight)
    if placebo is not None and len(none) > 1:
        guessers = xlogy(placebo[0], 1 - none) + xlogy(placebo[1], none)
        nuisance = nuisance * np.exp(guessers - guessers.max())
    spreads = np.abs(spread * ndtri(0.5 + (np.arange(8) + 0.5) / 16)) if len(asked) > 1 and spread > 0 else np.zeros(1)
    kernels = [_kernel(rho, edges, sd) for sd in spreads]
    typical, own, scale, peak = np.zeros(size), np.zeros((len(asked), size)), None, None
    for given in zip(*map(np.atleast_2d, shares), strict=True):
        logs = np.stack([_panel(a, w, rho, none) for a, w in zip(asked, given, strict=True)])
        scale = logs.max(axis=(1, 2, 3), keepdims=True) if scale is None else scale
        likelihood = np.exp(logs - scale)  # panels, rho, q, e
        for moves in kernels:
            smooth = np.maximum(moves @ likelihood.reshape(len(asked), size, -1), 1e-300).reshape(likelihood.shape)
            log = np.log(smooth).sum(axis=0)
            peak = log.max() if peak is None else peak
            total = np.exp(log - peak) * nuisance
            typical += total.sum(axis=(1, 2))
            for i in range(len(asked)):
                own[i] += (np.tensordot(moves.T, total / smooth[i], 1) * likelihood[i]).sum(axis=(1, 2))
    return _cells(edges, typical), [_cells(edges, row) for row in own]


def _panel(asked: Asked, shares: Array, rho: Array, none: Array) -> Array:
    """Log likelihood of one panel's preferences at each preference, no-preference rate and guessers' rate."""
    offered = none if asked.offered else np.zeros(1)
    r, q, e = np.ix_(rho, offered, offered)
    total = np.full((len(rho), len(offered), len(offered)), -np.inf)
    for w in np.clip(shares, 0, 1):
        luck = (1 - w) * (1 - e) / 2
        log = xlogy(asked.new, w * (1 - q) * r + luck) + xlogy(asked.old, w * (1 - q) * (1 - r) + luck)
        if len(offered) > 1:
            log = log + xlogy(asked.none, w * q + (1 - w) * e)
        total = np.logaddexp(total, log)
    if len(offered) > 1:
        total = total + xlogy(asked.wrong_new + asked.wrong_old, 1 - offered) + xlogy(asked.wrong_none, offered)
    return np.broadcast_to(total, (len(rho), len(none), len(none)))


def _kernel(rho: Array, edges: Array, sd: float) -> Array:
    """Chance that a panel's preference falls into each cell, from each typical preference; rows add up to 1."""
    if sd == 0:
        return np.eye(len(rho))
    ends = logit(edges)
    return np.diff(ndtr((ends[None, :] - logit(rho)[:, None]) / sd), axis=1)


def _cells(edges: Array, mass: Array) -> Distribution:
    return Distribution(edges, np.concatenate([[0.0], np.cumsum(mass) / mass.sum()]))


def together(posterior: Posterior, rows: Sequence[int]) -> list[Array]:
    """How panels' d-primes go together: their ranks among draws, in slices of the average d-prime.

    What panels tell of one another goes through the centre and the spread that they share: within a slice they are
    nearly independent, and all slices together they are not.

    Parameters
    ----------
    posterior : Posterior
    rows : sequence of int, length panels
        The distinct panel that each panel is.

    Returns
    -------
    list of ndarray, shape (draws, panels) each
        Ranks between 0 and 1; a slice is as probable as another.
    """
    rng = np.random.default_rng(1)
    mu, tau, until = (
        np.concatenate(values)
        for values in zip(*((p.mu, p.tau, p.share * p.weight) for p in posterior.patches), strict=True)
    )
    patch = np.repeat(np.arange(len(posterior.patches)), [len(p.mu) for p in posterior.patches])
    until = np.cumsum(until) / until.sum()
    at = np.searchsorted(until, (np.arange(DRAWS) + 0.5) / DRAWS).clip(max=len(until) - 1)
    at = at[np.argsort(average_d_prime(np.abs(mu[at]), tau[at]), kind="stable")]
    own = draw_panels(posterior, mu[at], tau[at], patch[at], np.asarray(rows), rng)
    ranks = (own.argsort(axis=0).argsort(axis=0) + 0.5) / DRAWS
    return np.split(ranks, SLICES)


def not_luck(d_prime: Distribution, test: str | Protocol) -> Distribution:
    """Posterior of ``w = p_d / p_c``, the share of correct answers that was not luck; 0 below the guess rate."""
    kind = protocol(test)
    assert isinstance(kind, Protocol)

    def share(d: Array) -> Array:
        p = np.asarray(kind.p_correct(d))
        return np.maximum(kind.p_d_from_p(p), 0) / np.maximum(p, 1e-300)

    return d_prime.map(share)


def larger(real: tuple[int, int], placebo: tuple[int, int]) -> float:
    """P(more state a preference on the real pair than on the placebo), uniform priors."""
    x = np.linspace(0, 1, 2001)
    first, second = (betainc(1 + stated, 1 + none, x) for stated, none in (real, placebo))
    return float(np.sum(np.diff(first) * (second[1:] + second[:-1]) / 2))
