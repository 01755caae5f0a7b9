"""The true discrimination rate: one d-prime as the p_d of each protocol, in words that count no people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from metasense.alone.beliefs import size
from metasense.engine.distribution import Distribution
from metasense.protocols import PROTOCOLS, Protocol, forced_choice
from metasense.showing import words
from metasense.showing.results import Result
from metasense.showing.tables import Shown, table


@dataclass(frozen=True, eq=False, repr=False)
class DiscriminationRates(Result):
    """One d-prime as the p_d it makes in every forced-choice protocol; made by `discrimination_rates`.

    Attributes
    ----------
    d_prime : Distribution
        What is believed about the difference.
    prob : float
        Of the intervals.

    Examples
    --------
    >>> import metasense as ms
    >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
    >>> panel.rates().to_frame()[["protocol", "estimate"]].round(2).head(2)
       protocol  estimate
    0  triangle      0.18
    1  duo-trio      0.23
    """

    d_prime: Distribution
    prob: float = 0.95

    def to_frame(self) -> pd.DataFrame:
        """One row a protocol: ``protocol, quantity, estimate, lower, upper, prob, kind``; estimates are medians.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.rates().to_frame()[["protocol", "estimate"]].round(2).head(2)
           protocol  estimate
        0  triangle      0.18
        1  duo-trio      0.23
        """
        tests = [test for test in PROTOCOLS.values() if isinstance(test, Protocol)]
        numbers = pd.DataFrame([self._row(test) for test in tests], columns=["estimate", "lower", "upper"])
        numbers.insert(0, "quantity", "p_d")
        numbers.insert(0, "protocol", [test.name for test in tests])
        return numbers.assign(prob=self.prob, kind="equal-tailed")

    def statement(self, protocol: str | Protocol = "triangle") -> str:
        """The rate in one protocol, what it is not, and why it is another number elsewhere.

        Parameters
        ----------
        protocol : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.rates().statement("tetrad")[:32]
        'p_d in tetrad: 33 % (0.3 % to 75'
        """
        test = forced_choice(protocol)
        middle, lower, upper = self._row(test)
        said = words.estimate(middle, lower, upper, self.prob, "percent")
        return f"p_d in {test.name}: {said}. {self.explanation(test)}"

    def explanation(self, protocol: str | Protocol = "triangle") -> str:
        """What the rate is not, and what it would be in other protocols.

        Parameters
        ----------
        protocol : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.rates().explanation()[:50]
        'p_d says how far correct answers exceed guessing, '
        """
        names = [name for name in ("triangle", "tetrad", "3-AFC") if name != forced_choice(protocol).name][:2]
        others = [f"{words.percent(self._row(forced_choice(name))[0])} in {name}" for name in names]
        return (
            "p_d says how far correct answers exceed guessing, rescaled so that guessing is 0 % and no mistakes 100 %: "
            "it is about answers in one protocol and counts no people. The same d-prime "
            f"({words.d(self.d_prime.median)}) makes a p_d of {words.listing(others)}, because protocols differ in how "
            "far apart percepts must be before an answer comes out right."
        )

    def _row(self, test: Protocol) -> tuple[float, float, float]:
        rate = (self.d_prime if test.directed else size(self.d_prime)).map(test.p_d)
        return (rate.median, *rate.interval(self.prob))

    def _shown(self) -> list[str | Shown]:
        return [self._table(), self.statement()]

    def _table(self) -> Any:
        kinds = {"p_d": "percent"}
        return table(self.to_frame(), caption="The same difference as a p_d of each protocol", kinds=kinds)
