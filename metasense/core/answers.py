"""The small answers a pool gives: the verdict against a margin, the rate in a protocol, the next panel's counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from metasense.binomial import smallest_count
from metasense.core import unlike
from metasense.engine.distribution import Distribution
from metasense.engine.posterior import Posterior
from metasense.margins import SETTLED, Margin, level
from metasense.protocols import Protocol, TwoCountProtocol, forced_choice
from metasense.showing import tables, words
from metasense.showing.results import Result

Made = tuple[Protocol | TwoCountProtocol, ...]


def quantity(name: str, value: Distribution, prob: float) -> dict[str, object]:
    """One row of a results frame: raw numbers, and what the interval is."""
    lower, upper = value.interval(prob)
    row: dict[str, object] = {"quantity": name, "mean": value.mean, "median": value.median}
    return row | {"lower": lower, "upper": upper, "prob": prob, "kind": "equal-tailed"}


def margin_words(margin: Margin) -> str:
    """The margin for use inside a sentence."""
    return margin.sentence().rstrip(".")


def lean(way: float) -> str:
    """Which way panels lean that do so the expected way with this probability."""
    if way > SETTLED:
        return "in the expected direction"
    return "against the expected direction" if way < 1 - SETTLED else "its direction not settled"


def side(p: float, settled: float = SETTLED) -> str:
    """A probability beside the margin, with a digit more where whole percents would hide whether it is settled."""
    return words.percent(p, 1) if abs(p - settled) < 0.01 else words.probability(p)


@dataclass(frozen=True, eq=False, repr=False)
class Verdict(Result):
    """Where the average d-prime lies relative to the margin.

    Attributes
    ----------
    margin : Margin or None
    above, below : float
        Posterior probabilities that the average d-prime is above and below the margin; not a number without one.
    label : str
        ``beyond the margin``, ``within the margin``, ``not settled``, or ``no margin given``.

    Notes
    -----
    A verdict equals its label, and every other verdict of that label.

    Examples
    --------
    >>> import metasense as ms
    >>> verdict = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]},
    ...                   margin=ms.Margin(d_prime=1)).verdict()
    >>> verdict == "not settled", round(verdict.above, 2)
    (True, 0.4)
    """

    margin: Margin | None
    above: float
    below: float

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Verdict):
            return self.label == other.label
        return self.label == other if isinstance(other, str) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.label)

    @classmethod
    def of(cls, average: Distribution, margin: Margin | None) -> Verdict:
        """Compare a posterior with a margin."""
        if margin is None:
            return cls(None, float("nan"), float("nan"))
        below = average.below(margin.d_prime)
        return cls(margin, 1 - below, below)

    @property
    def label(self) -> str:
        """The verdict in a few words."""
        if self.margin is None:
            return "no margin given"
        beyond, within, unsettled = words.VERDICTS
        if self.above > self.margin.settled:
            return beyond
        return within if self.below > self.margin.settled else unsettled

    def sentence(self) -> str:
        """The verdict as one of the three sentences fixed before the data, with both probabilities.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.verdict().sentence()[-50:]
        'ther way. (P above the margin: 79 %; below: 21 %.)'
        """
        if self.margin is None:
            return (
                "No margin was given, so there is no verdict. Decide the smallest difference that would matter and "
                'pass it, for instance margin=ms.Margin(p_d=0.2, protocol="triangle") or --margin "0.2 triangle".'
            )
        settled = self.margin.settled
        said = words.verdict_sentences(margin_words(self.margin), settled)[self.label]
        return f"{said} (P above the margin: {side(self.above, settled)}; below: {side(self.below, settled)}.)"

    def to_frame(self) -> pd.DataFrame:
        """One row: ``verdict, margin_d_prime, p_above, p_below, threshold``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.verdict().to_frame()[["verdict", "p_above", "threshold"]].round(2)
               verdict  p_above  threshold
        0  not settled     0.79       0.95
        """
        margin = float("nan") if self.margin is None else self.margin.d_prime
        row = {"verdict": self.label, "margin_d_prime": margin, "p_above": self.above, "p_below": self.below}
        return pd.DataFrame([row | {"threshold": level(self.margin)}])

    def to_row(self, value: object = None) -> pd.DataFrame:
        """One row: ``value, p_above, p_below, verdict``, with the value of a moderator that it is given at.

        Parameters
        ----------
        value : float or str, optional
            Of the moderator, where there is one.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.verdict().to_row()["verdict"].item()
        'not settled'
        """
        row = {"value": value, "p_above": self.above, "p_below": self.below, "verdict": self.label}
        return pd.DataFrame([row])

    def _shown(self) -> list[str | tables.Shown]:
        return [self.sentence()]


@dataclass(frozen=True, eq=False, repr=False)
class Rate(Result):
    """Correct answers in one protocol: averaged over panels like these, and in the next one.

    Attributes
    ----------
    protocol : Protocol
    p_c, next_p_c : Distribution
        Chance of a correct answer, on average and in the next panel.
    made : tuple
        Protocols of the panels it is worked out from; where all of them read tasters who are not alike otherwise, the
        sentence says so.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
    >>> rate = pooled.rate("triangle")
    >>> rate.p_c, round(rate.next_p_d.median, 2)
    (0.48 (0.37 to 0.61; 95 % credible interval, equal-tailed), 0.21)
    """

    protocol: Protocol
    p_c: Distribution
    next_p_c: Distribution
    made: Made = ()

    @classmethod
    def of(cls, posterior: Posterior, test: str | Protocol, made: Made = ()) -> Rate:
        """Of panels with this posterior, made with these protocols."""
        test = forced_choice(test)
        return cls(test, posterior.average_rate(test), posterior.next_rate(test), made)

    @property
    def p_d(self) -> Distribution:
        """The average p_d of this protocol."""
        return self.p_c.map(self.protocol.p_d_from_p)

    @property
    def next_p_d(self) -> Distribution:
        """The next panel's p_d of this protocol."""
        return self.next_p_c.map(self.protocol.p_d_from_p)

    def to_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Rows ``p_c, p_d, next panel p_c, next panel p_d``, each followed by the protocol's name.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.rate("triangle").to_frame()[["quantity", "median"]].round(2)
                            quantity  median
        0             p_c (triangle)    0.48
        1             p_d (triangle)    0.22
        2  next panel p_c (triangle)    0.47
        3  next panel p_d (triangle)    0.21
        """
        named = {"p_c": self.p_c, "p_d": self.p_d, "next panel p_c": self.next_p_c, "next panel p_d": self.next_p_d}
        return pd.DataFrame([quantity(f"{name} ({self.protocol.name})", value, prob) for name, value in named.items()])

    def sentence(self, prob: float = 0.95) -> str:
        """The rate in words that do not turn it into a number of people.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.rate("triangle").sentence()[:52]
        'In a triangle test, panels like these would average '
        """
        name, guess = self.protocol.name, self.protocol.guess
        p_c = words.estimate(self.p_c.median, *self.p_c.interval(prob), prob, "percent")
        p_d, low, high = words.distinct(self.p_d.median, *self.p_d.interval(prob), unit="percent")
        scale = "the answers beyond guessing on a scale from 0 to 100 %"
        if self.p_d.median < 0:
            scale = "fewer correct answers than guessing gives: they lean against the expected direction"
        text = (
            f"In {words.a(name)} test, panels like these would average {p_c} correct answers, where guessing "
            f"alone gives {words.percent(guess)}; that is a p_d of {p_d} ({low} to {high}), {scale}. It is a rate of "
            "this protocol, not a number of people: the same "
            "d-prime gives another p_d in another protocol."
        )
        return f"{text} {unlike.carried(self.made, self.protocol)}".rstrip()

    def _table(self) -> tables.Table:
        frame = self.to_frame().drop(columns="mean")
        return tables.table(frame, caption="Rates", kinds=dict.fromkeys(frame["quantity"], "percent"))

    def _shown(self) -> list[str | tables.Shown]:
        return [self.sentence(), self._table()]


@dataclass(frozen=True, eq=False, repr=False)
class NextPanel(Result):
    """What one more panel would show.

    Attributes
    ----------
    protocol : Protocol
    tastings : int
    probability : ndarray, shape (tastings + 1,)
        Of each number of correct answers.
    alpha : float
        Level of the classical test in the comparison.
    made : tuple
        Protocols of the panels it is worked out from, as in `Rate`.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
    >>> expected = pooled.next_panel("triangle", 30)
    >>> expected.critical, round(expected.chance_significant, 2)
    (15, 0.47)
    """

    protocol: Protocol
    tastings: int
    probability: np.ndarray
    alpha: float = 0.05
    made: Made = ()

    @classmethod
    def of(cls, theta: Distribution, protocol: Protocol, tastings: int, made: Made = ()) -> NextPanel:
        """Average the binomial over the next panel's d-prime."""
        from scipy.stats import binom

        middles = np.append(theta.x[0], (theta.x[1:] + theta.x[:-1]) / 2)
        share = np.diff(theta.cdf, prepend=0.0)  # what stands at the first point is exactly there, such as a 0
        counts = np.arange(tastings + 1)[:, None]
        keep = share > 1e-12
        chances = binom.pmf(counts, tastings, protocol.p_correct(middles[keep])[None, :]) @ share[keep]
        return cls(protocol, tastings, chances / chances.sum(), made=made)

    @property
    def critical(self) -> int | None:
        """Correct answers needed for a one-sided p-value of at most `alpha`; None where none suffices."""
        needed = smallest_count(self.tastings, self.protocol.guess, self.alpha)
        return int(needed) if needed <= self.tastings else None

    @property
    def chance_significant(self) -> float:
        """Chance that the panel alone is statistically significant."""
        return float(self.probability[self.critical :].sum()) if self.critical is not None else 0.0

    def interval(self, prob: float = 0.95) -> tuple[int, int]:
        """Counts between which the panel falls with at least `prob`, equal-tailed.

        Parameters
        ----------
        prob : float
            Probability inside the interval, between 0 and 1.

        Returns
        -------
        (int, int)

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.next_panel("triangle", 30).interval(0.8)
        (9, 20)
        """
        cdf = np.cumsum(self.probability)
        lower, upper = np.searchsorted(cdf, [(1 - prob) / 2 + 1e-12, (1 + prob) / 2 - 1e-12])
        return int(lower), int(min(upper, self.tastings))

    def to_frame(self) -> pd.DataFrame:
        """One row a count: ``correct, probability, significant``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.next_panel("triangle", 30).to_frame().shape
        (31, 3)
        """
        counts = np.arange(self.tastings + 1)
        significant = counts >= (self.tastings + 1 if self.critical is None else self.critical)
        return pd.DataFrame({"correct": counts, "probability": self.probability, "significant": significant})

    def sentence(self, prob: float = 0.95) -> str:
        """What to expect, in words.

        Parameters
        ----------
        prob : float
            Probability inside the interval, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.next_panel("triangle", 30).sentence()[:59]
        'A next triangle panel of 30 tastings would give 7 to 23 cor'
        """
        low, high = self.interval(prob)
        name = self.protocol.name
        text = (
            f"A next {name} panel of {words.count(self.tastings, 'tasting')} would give {low} to {high} correct "
            f"({words.percent(prob)} predictive interval, equal-tailed)"
        )
        if self.critical is None:
            text += f"; no count of so few tastings is statistically significant at {words.percent(self.alpha)}."
        else:
            text += (
                f"; the chance that it reaches {self.critical} and is statistically significant on its own "
                f"(one-sided, {words.percent(self.alpha)}) is {words.percent(self.chance_significant)}."
            )
        return f"{text} {unlike.carried(self.made, self.protocol)}".rstrip()

    def _shown(self) -> list[str | tables.Shown]:
        return [self.sentence()]
