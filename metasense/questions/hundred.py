"""An answer in correct answers out of 100: a rate beside what guessing and the margin give in its protocol."""

from __future__ import annotations

from metasense.engine.distribution import Distribution
from metasense.margins import Margin
from metasense.protocols import Protocol
from metasense.showing import plain


def share(test: Protocol, p_c: Distribution, margin: Margin | None) -> plain.Share:
    """A share of correct answers beside what guessing and the margin give; that on the side to which panels lean."""
    middle = p_c.median
    at_margin = None
    if margin is not None:
        d = -margin.d_prime if test.directed and middle < test.guess else margin.d_prime
        at_margin = float(test.p_correct(d))
    low, high = p_c.interval()
    return plain.Share(test.name, test.guess, middle, low, high, at_margin)
