"""What a panel might have shown instead: every number of correct answers, and whether it would have been significant.

Checks of fit, seeming disagreement and reporting ask how probable other counts of the same panel were. Panels of
A-not-A and same-different have two counts and no single order from weak to strong; they are left out of those
questions, and whoever asks says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.binomial import at_least, smallest_count
from metasense.engine.likelihood import (
    MOST_REMEMBERED,
    Counts,
    Evidence,
    RepeatedTotal,
    Repeats,
    TwoCounts,
    halves,
    taster_probability,
)
from metasense.engine.sums import convolved, of_several
from metasense.protocols import Protocol

Array = NDArray[np.floating[Any]]

ALPHA = 0.05  # one-sided, the level at which panels are commonly reported as statistically significant


def counted(evidence: Evidence) -> bool:
    """Whether the panel is a forced choice, with one count of correct answers."""
    return not isinstance(evidence, TwoCounts)


def correct(evidence: Evidence) -> int:
    """Correct answers of a counted panel."""
    if isinstance(evidence, Repeats):
        return sum(y * m for _, y, m in evidence.people)
    assert isinstance(evidence, (Counts, RepeatedTotal))
    return evidence.correct


def guess(evidence: Evidence) -> float:
    """Guess rate of a counted panel."""
    assert isinstance(evidence.protocol, Protocol)
    return evidence.protocol.guess


def critical(evidence: Evidence, alpha: float = ALPHA) -> int:
    """Fewest correct answers that are statistically significant (one-sided, exact); one more than there are if none is.

    Repeats do not change it: where there is nothing to taste, all answers are independent guesses.
    """
    return int(smallest_count(evidence.size, guess(evidence), alpha))


def p_value(evidence: Evidence) -> float:
    """Exact one-sided p-value."""
    return float(at_least(correct(evidence), evidence.size, guess(evidence)))


def probabilities(evidence: Evidence, theta: Array, gamma: float) -> Array:
    """Chance of each number of correct answers at each d-prime, shape (len(theta), size + 1)."""
    theta = np.array(theta, float)
    if isinstance(evidence, Counts):
        counts = range(evidence.size + 1)
        return np.exp(np.stack([replace(evidence, correct=x).log_likelihood(theta, gamma) for x in counts], axis=1))
    assert isinstance(evidence, (Repeats, RepeatedTotal))
    if len(theta) * evidence.size > MOST_REMEMBERED:
        return _of_repeats(evidence.protocol, answers_of(evidence), theta.tobytes(), gamma)
    return _remembered(evidence.protocol, answers_of(evidence), theta.tobytes(), gamma)


def answers_of(panel: Repeats | RepeatedTotal) -> tuple[tuple[int, int], ...]:
    """How many answers each taster gave, and how many tasters gave so many."""
    if isinstance(panel, RepeatedTotal):
        return panel.answers
    each: Counter[int] = Counter()
    for answers, _, tasters in panel.people:
        each[answers] += tasters
    return tuple(sorted((answers, tasters) for answers, tasters in each.items() if answers and tasters))


def _of_repeats(protocol: Protocol, answers: tuple[tuple[int, int], ...], theta: bytes, gamma: float) -> Array:
    """Chance of each number of correct answers where `answers` holds so many answers of so many tasters."""
    d = np.frombuffer(theta)
    total: Array = np.ones((len(d), 1))
    for each, tasters in answers:
        total = convolved(total, of_several(taster_probability(protocol, d, gamma, each), tasters))
    total.setflags(write=False)  # it is handed out again
    return total


_remembered = lru_cache(maxsize=64)(_of_repeats)  # several questions ask for the same


@dataclass(frozen=True)
class AtLeast:
    """The event that a panel has at least `count` correct answers, as evidence the engine can average over panels."""

    panel: Evidence
    count: int

    @property
    def protocol(self) -> Protocol:
        """How the panel was served."""
        assert isinstance(self.panel.protocol, Protocol)
        return self.panel.protocol

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.panel.size

    @property
    def repeated(self) -> bool:
        """Whether somebody answered more than once."""
        return self.panel.repeated

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster."""
        return self.panel.pairs

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Log probability of the event at each d-prime."""
        if isinstance(self.panel, (Repeats, RepeatedTotal)) and self.repeated:
            tail = halves(
                self.panel.protocol, answers_of(self.panel), np.array(theta, float).tobytes(), gamma
            ).at_least(self.count)
        else:
            tail = at_least(self.count, self.size, self.protocol.p_correct(theta))
        return np.log(np.clip(tail, 1e-300, 1.0))


def number_of_successes(chances: Array) -> Array:
    """Distribution of how many of several independent events happen (Poisson-binomial), exactly.

    Parameters
    ----------
    chances : ndarray, shape (cases, events)

    Returns
    -------
    ndarray, shape (cases, events + 1)

    Examples
    --------
    >>> number_of_successes(np.array([[0.5, 0.5], [1.0, 0.25]]))
    array([[0.25, 0.5 , 0.25],
           [0.  , 0.75, 0.25]])
    """
    out = np.zeros((len(chances), chances.shape[1] + 1))
    out[:, 0] = 1
    for i, p in enumerate(chances.T, start=1):
        p = p[:, None]
        out[:, 1 : i + 1] = out[:, 1 : i + 1] * (1 - p) + out[:, :i] * p
        out[:, :1] *= 1 - p
    return out


def further_apart(evidence: Sequence[Evidence], directed: bool) -> tuple[list[Array], list[Array]]:
    """What the likelihood-ratio statistic of one common d-prime needs, as tables over all counts.

    The statistic is ``sum_i max_d log L_i(d) - max_d sum_i log L_i(d)``: how much better panels with d-primes of their
    own describe the counts than one common d-prime, each panel weighed by its size. It only orders data sets, so
    answers are treated as independent in it.

    Returns
    -------
    logs, best : list of ndarray
        For each panel its log likelihood, shape (size + 1, d-primes), and the largest of each row.
    """
    theta = np.linspace(-6.0 if directed else 0.0, 6.0, 241 if directed else 121)
    logs = []
    for e in evidence:
        assert isinstance(e.protocol, Protocol)
        x = np.arange(e.size + 1.0)[:, None]
        with np.errstate(divide="ignore"):
            right, wrong = np.log(e.protocol.p_correct(theta)), np.log(e.protocol.p_wrong(theta))
        right, wrong = np.maximum(right, -500), np.maximum(wrong, -500)
        logs.append(x * right + (e.size - x) * wrong)
    return logs, [table.max(axis=1) for table in logs]


def apart(logs: list[Array], best: list[Array], counts: NDArray[np.intp], which: NDArray[np.intp]) -> Array:
    """The statistic for each row of counts.

    Parameters
    ----------
    logs, best : list of ndarray
        From `further_apart`.
    counts : ndarray of int, shape (sets, panels)
    which : ndarray of int, shape (panels,)
        The table of each panel.
    """
    together = np.zeros((len(counts), logs[0].shape[1]))
    single = np.zeros(len(counts))
    for k, (log, top) in enumerate(zip(logs, best, strict=True)):
        alike = counts[:, which == k]
        place = np.arange(len(counts))[:, None] * len(top) + alike
        often = np.bincount(place.ravel(), minlength=len(counts) * len(top)).reshape(len(counts), -1).astype(float)
        together += often @ log
        single += often @ top
    return np.maximum(single - together.max(axis=1), 0.0)


def simulate(evidence: Evidence, theta: Array, gamma: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """A number of correct answers at each d-prime and overdispersion, from as many tastings as in the panel."""
    assert isinstance(evidence.protocol, Protocol)
    p, chance = evidence.protocol.p_correct(theta), evidence.protocol.guess
    if not evidence.repeated:
        return np.asarray(rng.binomial(evidence.size, p))
    below = p < chance  # mirrored: the rate lifts the wrong answers above theirs
    floor = np.where(below, 1 - chance, chance)
    mean = np.clip(np.where(below, chance - p, p - chance) / (1 - floor), 1e-9, 1 - 1e-9)
    gamma = np.clip(gamma, 1e-9, 1 - 1e-9)
    total = np.zeros(len(p), int)
    for answers in _answers(evidence):
        own = rng.beta(mean * (1 - gamma) / gamma, (1 - mean) * (1 - gamma) / gamma)
        total += rng.binomial(answers, floor + (1 - floor) * own)
    return np.where(below, evidence.size - total, total)


def _answers(evidence: Evidence) -> list[int]:
    """How many answers each taster of a panel with repeats gave."""
    if isinstance(evidence, Repeats):
        return [r for r, _, people in evidence.people for _ in range(people)]
    assert isinstance(evidence, RepeatedTotal)
    fewer, extra = divmod(evidence.tastings, evidence.tasters)
    return [fewer + 1] * extra + [fewer] * (evidence.tasters - extra)
