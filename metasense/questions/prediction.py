"""Panels at stated values of the moderators, or on a known group: what they would show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import pandas as pd

from metasense.core.answers import Made, Rate, Verdict, lean, quantity
from metasense.engine.distribution import Distribution
from metasense.engine.posterior import Posterior
from metasense.margins import Margin
from metasense.protocols import Protocol
from metasense.showing import tables, words
from metasense.showing.called import Called, said_value
from metasense.showing.results import Result


@dataclass(frozen=True, eq=False, repr=False)
class Prediction(Result):
    """Panels at stated values of the moderators.

    Attributes
    ----------
    values : dict
        The values; moderators not named are as in the average panel.
    posterior : Posterior
    margin : Margin or None
    protocols : tuple of Protocol
        Those whose rates are said: of the panels and of the margin.
    made : tuple
        Those of the panels.
    notes : tuple of str
    assumed : bool
        Whether the centre is 0 there because a line was sent through zero.
    called : Called
        What the moderators are called in sentences.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
    >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
    >>> there = pooled.at(weeks=9)
    >>> round(there.average.median, 2)
    1.78
    """

    values: dict[str, Any]
    posterior: Posterior = field(repr=False)
    margin: Margin | None
    protocols: tuple[Protocol, ...]
    made: Made = ()
    notes: tuple[str, ...] = ()
    assumed: bool = False
    called: Called = field(default_factory=Called, repr=False)

    @property
    def average(self) -> Distribution:
        """The average d-prime of such panels, a size."""
        return self.posterior.average

    @cached_property
    def signed(self) -> Distribution:
        """The same with its sign, where panels have a direction; else the size."""
        return self.posterior.signed_average

    @property
    def expected_way(self) -> float | None:
        """Probability that such panels lean, on average, the expected way; None where no protocol has one."""
        return self.posterior.expected_way

    @property
    def next_d_prime(self) -> Distribution:
        """The d-prime of the next such panel."""
        return self.posterior.next_d_prime

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over such panels and in the next one.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        Rate

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
        >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> there = pooled.at(weeks=9)
        >>> round(there.rate("tetrad").p_c.median, 2)
        0.72
        """
        return Rate.of(self.posterior, test, self.made)

    def verdict(self) -> Verdict:
        """Whether the average d-prime there is beyond the margin, within it, or not settled.

        Returns
        -------
        Verdict

        Raises
        ------
        ValueError
            Where a line was sent through zero: that the centre is 0 there was assumed.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
        >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> there = pooled.at(weeks=9)
        >>> there.verdict() == "beyond the margin"
        True
        """
        if self.assumed:
            raise ValueError(f"at {self._there} there is no verdict: the line was sent through zero there.")
        return Verdict.of(self.average, self.margin)

    def to_frame(self, prob: float = 0.95, protocols: Sequence[str | Protocol] | None = None) -> pd.DataFrame:
        """Rows ``average d-prime``, ``next panel d-prime``, then the rates of each protocol; raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.
        protocols : sequence of str or Protocol, optional
            Whose rates to give; those of the panels and of the margin by default.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
        >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> there = pooled.at(weeks=9)
        >>> there.to_frame()[["quantity", "median"]].round(2).head(2)
                     quantity  median
        0     average d-prime    1.78
        1  next panel d-prime    1.79
        """
        main = {"average d-prime": self.average, "next panel d-prime": self.next_d_prime}
        rows = pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols or self.protocols]
        return pd.concat([rows, *rates], ignore_index=True)

    def rates_sentence(self, prob: float = 0.95) -> str:
        """The one d-prime as correct answers in every protocol.

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
        >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
        >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> there = pooled.at(weeks=9)
        >>> there.rates_sentence()[:40]
        'At weeks = 9 the share of correct answer'
        """
        said = []
        for test in self.protocols:
            p_c = self.rate(test).p_c
            middle, low, high = words.distinct(p_c.median, *p_c.interval(prob), unit="percent")
            said.append(
                f"{middle} ({low} to {high}) in {test.name} tests, where guessing alone gives "
                f"{words.percent(test.guess)}"
            )
        return f"At {self._there} the share of correct answers would average {'; '.join(said)}."

    def sentence(self, prob: float = 0.95) -> str:
        """The prediction in words.

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
        >>> table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 40, "correct": [13, 18, 22, 31]}
        >>> pooled = ms.pool(table | {"weeks": [1, 4, 6, 9]}, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> there = pooled.at(weeks=9)
        >>> there.sentence()[:40]
        'At weeks = 9 the average d-prime is 1.78'
        """
        following = words.span(*words.distinct(*self.next_d_prime.interval(prob)))
        following = f"the next such panel's own is expected at {following} ({words.percent(prob)})"
        if self.assumed:
            return (
                f"At {self._there} the line was sent through zero, so that panels average 0 there is assumed, "
                f"not found. Only how much panels differ is known of such a panel: {following}."
            )
        average = words.estimate(self.average.median, *self.average.interval(prob), prob)
        way = "" if self.expected_way is None else f", {lean(self.expected_way)}"
        text = f"At {self._there} the average d-prime is {average}{way}; {following}. {self.rates_sentence(prob)}"
        verdict = [] if self.margin is None else [self.verdict().sentence()]
        return " ".join([text, *verdict, *self.notes])

    @property
    def _there(self) -> str:
        """The values in words."""
        return self.called.where(self.values)

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        if self.assumed:
            frame = frame[frame["quantity"].str.startswith("next")].reset_index(drop=True)
        percents = {q: "percent" for q in frame["quantity"] if "p_" in q}
        return [self.sentence(), tables.table(frame, caption=f"At {self._there}", kinds=percents)]


def where(values: Mapping[str, Any]) -> str:
    """Stated values of moderators, under the headings of the table."""
    if not values:
        return "the average panel"
    return words.listing(f"{name} = {said_value(value)}" for name, value in values.items())
