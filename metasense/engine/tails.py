"""The pool if panels spread with heavier tails than a normal distribution has, so that one may lie far off.

Only three things change: how spread damps a cosine, the average size of a d-prime around its centre, and where the
d-prime axis ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from metasense.engine.distribution import Distribution
from metasense.engine.grid import beside
from metasense.engine.likelihood import REACH, Evidence, Series
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_with_tails, damping_with_tails

Array = NDArray[np.floating[Any]]


class TailedSeries(Series):
    """The series of panels that spread as Student's t with 4 degrees of freedom."""

    DAMPED: ClassVar[float] = 22.0  # frequency times spread at which a cosine is damped below 1e-16
    ENDS: ClassVar[float] = 3 * REACH  # such tails reach far, and what is repeated behind the end must be farther still

    def damping(self, terms: int, tau: Array) -> Array:
        """By what the spread `tau` of panels multiplies each cosine, shape (terms, nodes)."""
        return damping_with_tails(np.multiply.outer(np.arange(float(terms)) * (np.pi / self.width), tau))

    def average(self, mu: Array, tau: Array) -> Array:
        """Mean size of the panels' d-primes around the centre `mu`."""
        return average_with_tails(mu, tau)


def average_under_tails(evidence: Sequence[Evidence], copies: ArrayLike, priors: Priors) -> tuple[Distribution, float]:
    """The average d-prime if panels spread with heavier tails, and the log evidence of that.

    Parameters
    ----------
    evidence : sequence of Evidence
        Distinct panels.
    copies : sequence of int
        How often each stands in the pool.
    priors : Priors
        The scale of the spread is that of the t distribution.

    Raises
    ------
    IntegrationError
        As in `grid.beside`.
    """
    return beside(TailedSeries, evidence, copies, priors)
