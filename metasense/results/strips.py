"""What the figures of every kind of pool share: the answer strip and its scale, ranges, a second scale."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metasense.alone.panel import scale_of
from metasense.core.core import Core
from metasense.engine.distribution import Array, Distribution
from metasense.engine.posterior import Posterior, average_d_prime
from metasense.showing import figures


def strip(core: Core, rows: Mapping[str, Posterior] | None = None, *, note: str = "") -> figures.Drawing:
    """The average of each posterior, or the core's own, by the main protocol's correct answers.

    Where both panels and protocol have a direction, each mark is the average size on the side of its centre, so that
    the marks beyond the margin are as many as the verdict says.
    """
    test = core.main_protocol
    signed = core.directed and test.directed
    scale = scale_of(test, core.margin, signed=signed)
    shown = {"": core.posterior} if rows is None else rows
    shares = {name: test.p_correct(_marks(posterior, signed)) for name, posterior in shown.items()}
    return figures.Drawing(
        lambda empty: figures.strip(shares, scale, note=note, ax=empty), figures.alt_strip(shares, scale)
    )


def _marks(posterior: Posterior, signed: bool) -> Array:
    if not signed:
        return posterior.average.quantile(figures.LEVELS)
    return posterior.distribution(lambda mu, tau: np.sign(mu) * average_d_prime(mu, tau)).quantile(figures.LEVELS)


def ranged(value: Distribution, prob: float) -> tuple[float, ...]:
    """Lower bound, lower quarter, median, upper quarter and upper bound."""
    low, high = value.interval(prob)
    return (low, *value.quantile([0.25, 0.5, 0.75]).tolist(), high)


def answers(core: Core) -> figures.Answers:
    """The main protocol, and the d-primes at shares of its correct answers."""
    test = core.main_protocol
    shares = [n / 20 for n in range(1, 20) if n / 20 > test.guess or (core.directed and test.directed)]
    shares = [share for share in shares if abs(share - test.guess) > 0.02]
    named = {test.guess: 0.0} | dict(zip(shares, test.d_prime(shares).tolist(), strict=True))
    return test.name, named
