"""What is believed of one panel's d-prime, before its counts and after them, by integration.

Two beliefs from before the panel stand side by side, because on so few answers they matter: every p_d equally probable,
and the prior on d-prime that pooling uses.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincc, betainccinv, expit, gammaln, xlogy

from metasense.engine.distribution import Distribution
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.protocols import Protocol
from metasense.showing import words

Array = NDArray[np.float64]

REACH = 14.0  # end of the d-prime axis
BEYOND, WITHIN, OPEN = words.VERDICTS
ON_D_PRIME, ON_P_D = "prior on d-prime", "flat prior on p_d"


def prior_density(d: Any, priors: Priors = Priors(), *, directed: bool = False) -> Array:  # noqa: B008 - frozen
    """What the pooling prior says of one panel's d-prime, its centre and spread averaged out.

    A panel's ``theta`` is ``Normal(mu, tau)``, ``mu`` normal (or half-normal: the size is the same) around
    `priors.centre_at` with scale `priors.centre_scale` and ``tau`` half-normal with scale `priors.spread_scale`; ``d``
    is ``|theta|`` unless directed.

    Examples
    --------
    >>> prior_density([0.0, 1.0, 3.0]).round(3)
    array([0.508, 0.414, 0.082])
    """
    d = np.asarray(d, float)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    tau = 4 * priors.spread_scale * (nodes + 1)  # eight scales hold all of a half-normal
    weights = weights * np.exp(-0.5 * (tau / priors.spread_scale) ** 2)
    sd = np.hypot(priors.centre_scale, tau)

    def height(around: float) -> Array:
        shape = np.exp(-0.5 * ((d[..., None] - around) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
        return np.asarray(shape @ (weights / weights.sum()))

    at = priors.centre_at
    if directed:
        return priors.way * height(at) + (1 - priors.way) * height(-at)
    return np.asarray(np.where(d >= 0, height(at) + height(-at) if at else 2 * height(0.0), 0.0))


def d_prime_posterior(
    log_likelihood: Callable[[Array], Array], prior: Callable[[Array], Array], *, directed: bool = False
) -> tuple[Distribution, float]:
    """Posterior of a d-prime by integration on a grid that closes in on where it is.

    Parameters
    ----------
    log_likelihood, prior : callable
        Of an array of d-primes; the prior as a density.
    directed : bool
        Whether d-prime has a sign; otherwise it starts at 0.

    Returns
    -------
    posterior : Distribution
    log_evidence : float
        Log of the likelihood averaged over the prior.

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> triangle = protocol("triangle")
    >>> flat, _ = d_prime_posterior(lambda d: forced_choice_log_likelihood(triangle, 50, 20, d), np.ones_like)
    >>> round(flat.mean, 4)
    0.7876
    """
    with np.errstate(divide="ignore"):
        return _closing_in(lambda d: log_likelihood(d) + np.log(prior(d)), -REACH if directed else 0.0, REACH)


def _closing_in(log_density: Callable[[Array], Array], low: float, high: float) -> tuple[Distribution, float]:
    """A distribution and the log of its area, on a grid that is narrowed twice to where the density is."""
    for points in (2801, 513, 2049):
        x = np.linspace(low, high, points)
        height = log_density(x)
        inside = np.flatnonzero(height > height.max() - 40)
        low, high = x[max(inside[0] - 1, 0)], x[min(inside[-1] + 1, points - 1)]
    top, step = height.max(), x[1] - x[0]
    density = np.exp(height - top)
    slope = np.gradient(density, x)
    area = step * (density.sum() - (density[0] + density[-1]) / 2) - step**2 * (slope[-1] - slope[0]) / 12
    return Distribution.from_density(x, density), float(top + np.log(area))


def forced_choice_log_likelihood(protocol: Protocol, tastings: int, correct: int, d: Array) -> Array:
    """Log probability of the count at each d-prime; both tails keep their digits."""
    chosen = gammaln(tastings + 1) - gammaln(correct + 1) - gammaln(tastings - correct + 1)
    return chosen + xlogy(correct, protocol.p_correct(d)) + xlogy(tastings - correct, protocol.p_wrong(d))


def p_d_posterior(protocol: Protocol, tastings: int, correct: int) -> Distribution:
    """Posterior of p_d when before the panel every p_d from 0 to 1 was equally probable: a beta cut at the guess rate.

    References
    ----------
    Bayarri S et al. (2008), Food Quality and Preference: the same truncated beta.

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> p_d_posterior(protocol("triangle"), 24, 10).interval()  # doctest: +ELLIPSIS
    (0.01..., 0.43...)
    """
    a, b, g = correct + 1, tastings - correct + 1, protocol.guess
    allowed = betaincc(a, b, g)
    if allowed < 1e-250:  # thousands of tastings far below guessing: the beta tail has run out of digits
        with np.errstate(divide="ignore"):
            return _closing_in(lambda r: xlogy(a - 1, g + (1 - g) * r) + xlogy(b - 1, (1 - g) * (1 - r)), 0.0, 1.0)[0]
    q = np.unique(np.concatenate([np.linspace(0, 1, 1001)[1:-1], expit(np.linspace(-28, 28, 401))]))
    p = np.clip(betainccinv(a, b, (1 - q) * allowed), g, 1 - 1e-16)
    rates = np.concatenate([[0.0], protocol.p_d_from_p(p)])
    keep = np.concatenate([[True], np.diff(rates) > 0])
    mean = a / (a + b) * betaincc(a + 1, b, g) / allowed
    return Distribution(rates[keep], np.concatenate([[0.0], q])[keep], float(protocol.p_d_from_p(mean)))


def size(signed: Distribution) -> Distribution:
    """Distribution of the absolute value."""
    if signed.support[0] >= 0:
        return signed
    x = np.unique(np.abs(np.concatenate([[0.0], signed.x])))
    cdf = np.interp(x, signed.x, signed.cdf, left=0, right=1) - np.interp(-x, signed.x, signed.cdf, left=0, right=1)
    return Distribution(x, np.maximum.accumulate(cdf))


def chances_beyond(
    protocol: Protocol,
    tastings: int,
    margin: Margin,
    priors: Priors = Priors(),  # noqa: B008 - frozen
) -> dict[str, Array]:
    """Posterior probability of a difference larger than the margin, for every count a panel could give.

    Returns
    -------
    dict of ndarray, shape (tastings + 1,)
        For each prior; what `OnePanel.beyond` says of each count.

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> both = chances_beyond(protocol("triangle"), 24, Margin(p_d=0.3, protocol="triangle"))
    >>> both["flat prior on p_d"][[8, 10, 16]].round(2)
    array([0.05, 0.16, 0.9 ])
    """
    x, at = np.arange(tastings + 1), margin.d_prime
    a, b = x + 1, tastings - x + 1
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = betaincc(a, b, protocol.p_correct(at)) / betaincc(a, b, protocol.guess)
    edges = [-REACH, -at, at, REACH] if protocol.directed else [0.0, at, REACH]
    mass = []
    for low, high in pairwise(edges):
        d = np.linspace(low, high, 2 * int(np.ceil((high - low) * 64 * max(1, np.sqrt(tastings / 1000)))) + 65)
        weight = np.full(len(d), 2.0)  # Simpson's rule
        weight[1::2] = 4
        weight[[0, -1]] = 1
        weight *= (high - low) / (3 * (len(d) - 1)) * prior_density(d, priors, directed=protocol.directed)
        mass.append(
            np.concatenate(
                [
                    _likelihoods(protocol, tastings, part, d) @ weight
                    for part in np.array_split(x, len(x) * len(d) // 4_000_000 + 1)
                ]
            )
        )
    inside = mass[-2]
    outside = sum(mass) - inside
    return {ON_P_D: np.nan_to_num(flat), ON_D_PRIME: outside / (inside + outside)}


def _likelihoods(protocol: Protocol, tastings: int, x: NDArray[np.int64], d: Array) -> Array:
    """Likelihood of each count at each d-prime, relative to what is best for that count."""
    share = x / tastings if protocol.directed else np.maximum(x / tastings, protocol.guess)
    best = xlogy(x, share) + xlogy(tastings - x, 1 - share)
    log = xlogy(x[:, None], protocol.p_correct(d)) + xlogy((tastings - x)[:, None], protocol.p_wrong(d))
    return np.exp(log - best[:, None])


def verdicts(beyond: dict[str, Any], settled: float) -> np.ndarray:
    """Verdicts from the probability of a larger difference under each prior: settled only where all priors agree.

    Examples
    --------
    >>> verdicts({"one prior": [0.97, 0.97, 0.01], "another": [0.99, 0.60, 0.04]}, 0.95).tolist()
    ['beyond the margin', 'not settled', 'within the margin']
    """
    chances = np.array(list(beyond.values()), float)
    return np.select([(chances > settled).all(axis=0), (chances < 1 - settled).all(axis=0)], [BEYOND, WITHIN], OPEN)
