"""One d-prime shared by all panels, which is the explanation *same*; and what the priors say before any panel."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metasense.engine.distribution import Distribution
from metasense.engine.grid import integrate, overdispersions
from metasense.engine.likelihood import REACH, Counts, Evidence
from metasense.engine.priors import Priors, log_centre
from metasense.protocols import forced_choice

Array = NDArray[np.floating[Any]]


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
        self.priors, self.directed = priors, any(e.protocol.directed for e in evidence)
        self.gammas, shares = overdispersions(evidence)
        counted = np.asarray(copies, float)
        low, high = -REACH if self.directed else 0.0, REACH

        def log_likelihood(theta: Array) -> Array:
            each = [
                sum(c * e.log_likelihood(theta, g) for c, e in zip(counted, evidence, strict=True)) for g in self.gammas
            ]
            return np.stack(each) + np.log(shares)[:, None]

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
    def signed(self) -> Distribution:
        """Posterior of the common d-prime, with its sign where some panel is directed."""
        logs = self.log_likelihood + self._log_prior(self.theta, self.priors)
        return Distribution.from_density(self.theta, np.exp(logs - logs.max()).sum(axis=0))

    @cached_property
    def size(self) -> Distribution:
        """Posterior of the size of the common d-prime."""
        logs = self.log_likelihood + self._log_prior(self.theta, self.priors)
        density = np.exp(logs - logs.max()).sum(axis=0)
        if not self.directed:
            return Distribution.from_density(self.theta, density)
        x = np.linspace(0, np.abs(self.theta).max(), len(self.theta))
        folded = sum(np.interp(sign * x, self.theta, density, left=0.0, right=0.0) for sign in (1, -1))
        return Distribution.from_density(x, np.asarray(folded))


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
