"""The same panels if answers came right by other ways than the protocol's: told beforehand, or by a habit that helps.

Each function gives a protocol, or a panel's evidence, in which only the probability of a correct answer is another; the
engine integrates over it as over any other.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.engine.likelihood import (
    Counts,
    Evidence,
    RepeatedTotal,
    Repeats,
    TwoCounts,
    log_chance,
    taster_probability,
)
from metasense.engine.outcomes import answers_of
from metasense.engine.sums import Halves
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]


def with_guess_rate(test: Protocol, guess: float) -> Protocol:
    """The protocol with another guess rate and the same p_d at every d-prime.

    Where answers are fewer than guessing gives (directed protocols below 0), their share of the guess rate is kept.

    Parameters
    ----------
    test : Protocol
    guess : float
        Probability of a correct answer where there is nothing to taste, above 0 and below 1.

    Returns
    -------
    Protocol

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> helped = with_guess_rate(protocol("triangle"), 0.4)
    >>> helped.p_correct([0.0, 1.0]).round(3), round(float(helped.p_d(1.0)), 3)
    (array([0.4  , 0.476]), 0.127)
    """
    fewer = (1 - guess) / (1 - test.guess)  # wrong answers, to those of the protocol
    more = guess / test.guess

    def tails(d: Array) -> tuple[Array, Array]:
        right, wrong = test.p_correct(d), test.p_wrong(d)
        below = right < test.guess
        return np.where(below, right * more, 1 - wrong * fewer), np.where(below, 1 - right * more, wrong * fewer)

    def slope(d: Array) -> Array:
        return np.where(test.p_correct(d) < test.guess, more, fewer) * test.slope(d)

    return _altered(test, guess, f"guessing right {guess!r}", tails, slope)


def with_told(test: Protocol, share: float) -> Protocol:
    """The protocol with a share of tasters who are right whatever they taste.

    Parameters
    ----------
    test : Protocol
    share : float
        From 0 to less than 1.

    Returns
    -------
    Protocol
        ``p_correct = share + (1 - share) p_correct(test)`` at every d-prime.

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> with_told(protocol("triangle"), 0.1).p_correct([0.0, 1.0]).round(3)
    array([0.4  , 0.476])
    """

    def tails(d: Array) -> tuple[Array, Array]:
        return share + (1 - share) * test.p_correct(d), (1 - share) * test.p_wrong(d)

    def slope(d: Array) -> Array:
        return np.asarray((1 - share) * test.slope(d))

    return _altered(test, share + (1 - share) * test.guess, f"told {share!r}", tails, slope)


def _altered(
    test: Protocol,
    guess: float,
    how: str,
    tails: Callable[[Array], tuple[Array, Array]],
    slope: Callable[[Array], Array],
) -> Protocol:
    """What is remembered of protocols goes by name, guess rate and rule, so the rule says what is changed."""
    return replace(test, guess=guess, rule=f"{test.rule}; {how}", _tails=tails, _slope=slope)


def guessed(evidence: Evidence, guess: float) -> Evidence:
    """A forced-choice panel whose guessers were right at another rate; one with two counts is left as it is."""
    if isinstance(evidence, (Counts, Repeats, RepeatedTotal)):
        return replace(evidence, protocol=with_guess_rate(evidence.protocol, guess))
    return evidence


def told(evidence: Evidence, share: float) -> Evidence:
    """A forced-choice panel some of whose tasters were right whatever they tasted; one with two counts is left."""
    if share == 0 or isinstance(evidence, TwoCounts):
        return evidence
    if isinstance(evidence, Counts):
        return replace(evidence, protocol=with_told(evidence.protocol, share))
    assert isinstance(evidence, (Repeats, RepeatedTotal))
    return SomeTold(evidence, share)


@dataclass(frozen=True)
class SomeTold:
    """A panel with repeat tasters, each of whom may have been told: then all of their answers are right.

    Attributes
    ----------
    panel : Repeats or RepeatedTotal
    share : float
        Probability that a taster was told.
    """

    panel: Repeats | RepeatedTotal
    share: float

    @property
    def protocol(self) -> Protocol:
        """How the panel was served."""
        return self.panel.protocol

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.panel.size

    @property
    def repeated(self) -> bool:
        """Whether anyone answered more than once."""
        return self.panel.repeated

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster."""
        return self.panel.pairs

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Log probability of the counts, each taster's own one a mixture of told and not told."""
        if isinstance(self.panel, Repeats):
            out = np.zeros(len(theta))
            for answers, correct, tasters in self.panel.people:
                out += tasters * log_chance(self._one(theta, gamma, answers)[:, correct])
            return out
        groups = ((self._one(theta, gamma, answers), people) for answers, people in answers_of(self.panel))
        return log_chance(Halves.of(groups).exactly(self.panel.correct))

    def _one(self, theta: Array, gamma: float, answers: int) -> Array:
        """Probabilities of 0..`answers` right by one taster, shape (points, answers + 1)."""
        chance = (1 - self.share) * taster_probability(self.protocol, theta, gamma, answers)
        chance[:, answers] += self.share
        return np.asarray(chance)
