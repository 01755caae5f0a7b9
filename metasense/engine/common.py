"""One d-prime shared by all panels, which is the explanation *same*; and what the priors say before any panel."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp

from metasense.engine.distribution import Distribution
from metasense.engine.grid import integrate, overdispersions
from metasense.engine.likelihood import REACH, Counts, Evidence
from metasense.engine.priors import Priors, log_centre
from metasense.protocols import forced_choice

Array = NDArray[np.floating[Any]]

FINE = 4097  # points of a distribution


class Common:
    """The posterior of one d-prime that all panels share: the explanation *same*.

    Attributes
    ----------
    theta : ndarray, shape (points,)
        Equally spaced d-primes; from 0 unless some panel is directed.
    gammas : ndarray, shape (gammas,)
        Overdispersions between tasters.
    log_likelihood : ndarray, shape (gammas, points)
        Of all panels, with the prior weight of the overdispersion.
    """

    def __init__(self, evidence: Sequence[Evidence], copies: ArrayLike, priors: Priors) -> None:
        gammas, shares = overdispersions(evidence)
        counted = np.asarray(copies, float)

        def log_likelihood(theta: Array) -> Array:
            each = [sum(c * e.log_likelihood(theta, g) for c, e in zip(counted, evidence, strict=True)) for g in gammas]
            return np.stack(each) + np.log(shares)[:, None]

        self._work_out(priors, any(e.protocol.directed for e in evidence), gammas, log_likelihood)

    def _work_out(
        self, priors: Priors, directed: bool, gammas: Array, log_likelihood: Callable[[Array], Array]
    ) -> None:
        """Find where the posterior is; `log_likelihood` gives it at d-primes, shape (gammas, points)."""
        self.priors, self.directed, self.gammas = priors, directed, gammas
        low, high = -REACH if directed else 0.0, REACH

        for points in (141, 141, 257):  # close in on where the posterior is worth having
            theta = np.linspace(low, high, points)
            logs = log_likelihood(theta)
            total = (logs + self._log_prior(theta, priors)).max(axis=0)
            inside = np.flatnonzero(total > total.max() - 40)
            low, high = theta[max(inside[0] - 1, 0)], theta[min(inside[-1] + 1, points - 1)]
        self.theta, self.log_likelihood = theta, logs

    def _log_prior(self, theta: Array, priors: Priors) -> Array:
        return log_centre(priors, theta, self.directed)

    def log_evidence(self, priors: Priors) -> float:
        """Log evidence with this prior scale of the centre (trapezoid: exact for what is smooth and dies away)."""
        logs = self.log_likelihood + self._log_prior(self.theta, priors)
        step = self.theta[1] - self.theta[0]
        density = np.exp(logs - logs.max())
        density[:, [0, -1]] /= 2
        return float(logs.max() + np.log(density.sum() * step))

    @cached_property
    def weight(self) -> Array:
        """Posterior probability of each overdispersion and d-prime, shape (gammas, points)."""
        logs = self.log_likelihood + self._log_prior(self.theta, self.priors)
        density = np.exp(logs - logs.max())
        density[:, [0, -1]] /= 2
        return np.asarray(density / density.sum())

    @cached_property
    def _log_density(self) -> CubicSpline:
        """Of the common d-prime, between the points as well: a distribution is read off along straight lines."""
        logs = self.log_likelihood + self._log_prior(self.theta, self.priors)
        return CubicSpline(self.theta, logsumexp(logs - logs.max(), axis=0))

    @cached_property
    def signed(self) -> Distribution:
        """Posterior of the common d-prime, with its sign where some panel is directed."""
        x = np.linspace(self.theta[0], self.theta[-1], FINE)
        return Distribution.from_density(x, np.exp(self._log_density(x)))

    @cached_property
    def size(self) -> Distribution:
        """Posterior of the size of the common d-prime."""
        if not self.directed:
            return self.signed
        low, high = float(self.theta[0]), float(self.theta[-1])
        x = np.linspace(0, max(-low, high), FINE)
        density = np.zeros(FINE)
        for theta in (x, -x):
            inside = (theta >= low) & (theta <= high)
            density[inside] += np.exp(self._log_density(theta[inside]))
        return Distribution.from_density(x, density)


@lru_cache(maxsize=32)
def prior_average(priors: Priors, directed: bool = False) -> Distribution:
    """The average d-prime before any panel, by the same integration with a panel of no tastings.

    Examples
    --------
    >>> [round(limit, 2) for limit in prior_average(Priors()).interval()]
    [0.17, 3.36]
    """
    nothing = Counts(forced_choice("2-AFC" if directed else "triangle"), 0, 0)
    return integrate([nothing], [1], priors)[0].average
