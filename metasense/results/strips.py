"""What the figures of every kind of pool share: the answer strip and its scale, ranges, a second scale."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from metasense.alone.panel import scale_of
from metasense.core.core import Core
from metasense.engine.distribution import Array, Distribution
from metasense.engine.posterior import Posterior
from metasense.engine.spreads import average_d_prime
from metasense.margins import level
from metasense.showing import figures
from metasense.showing.movable import Movable, Strip, margins

ROUND = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0)  # d-primes of a second scale


def strip(core: Core, rows: Mapping[str, Posterior], *, note: str = "") -> figures.Drawing:
    """The average of each posterior, by the main protocol's correct answers.

    Where both panels and protocol have a direction, each mark is the average size on the side of its centre, so that
    the marks beyond the margin are as many as the verdict says.
    """
    test = core.main_protocol
    signed = core.directed and test.directed
    scale = scale_of(test, core.margin, signed=signed)
    shares = {name: test.p_correct(_marks(posterior, signed)) for name, posterior in rows.items()}
    return figures.Drawing(
        lambda empty: figures.strip(shares, scale, note=note, ax=empty), figures.alt_strip(shares, scale)
    )


def movable(core: Core, rows: Mapping[str, Posterior]) -> Movable:
    """The same for a page on which the margin can be moved."""
    test = core.main_protocol
    signed = core.directed and test.directed
    d_primes = test.d_prime(np.array(margins(100 * test.guess)) / 100)
    shown = []
    for name, posterior in rows.items():
        values = 100 * test.p_correct(_marks(posterior, signed))
        below = [float(posterior.average.below(d)) for d in d_primes]
        shown.append(Strip(name, tuple(values.tolist()), tuple(below)))
    margin = against = None
    if core.margin is not None:
        margin = 100 * float(test.p_correct(core.margin.d_prime))
        against = 100 * float(test.p_correct(-core.margin.d_prime)) if signed else None
    return Movable(
        protocol=test.name,
        guess=100 * test.guess,
        strips=tuple(shown),
        d_primes=tuple(d_primes.tolist()),
        margin=margin,
        settled=level(core.margin),
        against=tuple((100 * test.p_correct(-d_primes)).tolist()) if signed else (),
        margin_against=against,
        steps=tuple((d, 100 * float(test.p_correct(d))) for d in ROUND),
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
