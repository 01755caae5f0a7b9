"""Panels within batch pairs, or within experimenters: how much is the pair, how much the panel?

Many tasters on one batch pair describe that pair. With a level in between, panels on pair g are
``theta_i ~ Normal(phi_g, within)`` and pairs ``phi_g ~ Normal(mu, between)``; both spreads have half-normal priors of
scale ``spread_scale / sqrt(2)``, so that two panels on different pairs are expected to differ as much as panels of the
plain pool. It is integrated, whatever the number of pairs.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Self

import numpy as np
import pandas as pd

from metasense.core.answers import Rate, Verdict, quantity
from metasense.core.core import Core, Tests, protocols_of
from metasense.core.draws import Draws
from metasense.engine.distribution import Distribution
from metasense.engine.grid import TOLERANCE
from metasense.engine.levels import Groups, Levels
from metasense.engine.pointwise import Model
from metasense.protocols import Protocol
from metasense.questions import sensitivity
from metasense.questions.design import level
from metasense.questions.drawn import drawn, joint
from metasense.questions.leave_one_out import each_left_out
from metasense.questions.prediction import Prediction
from metasense.showing import words

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True, eq=False, repr=False)
class Nesting:
    """The numbers of a pool with a level above its panels; `Nested`, which people hold, says what each is."""

    core: Core = field(repr=False)
    within: str
    groups: tuple[str, ...]
    index: np.ndarray = field(repr=False)
    levels: Levels = field(repr=False)

    @classmethod
    def of(cls, core: Core, within: str) -> Self:
        """Integrate with the level named `within`.

        Raises
        ------
        PanelsError
            If there is only one group, or every panel is one of its own; says so.
        """
        column = level(core.panels, within)
        index, names = pd.factorize(column)
        groups = Groups.of(core.collected.evidence, index, core.collected.index)
        levels = Levels.integrate(groups, core.priors, core.posterior)
        return cls(core, within, tuple(map(str, names)), index, levels)

    @property
    def noun(self) -> str:
        """What a group is, in words."""
        return self.core.called.name(self.within)

    @property
    def average(self) -> Distribution:
        """The average d-prime over groups and panels like these."""
        return self.levels.new_group.average

    @property
    def next_d_prime(self) -> Distribution:
        """The d-prime of the next panel, on a new group."""
        return self.levels.new_group.next_d_prime

    @cached_property
    def between(self) -> Distribution:
        """Standard deviation between groups, in d-prime units."""
        return self.levels.spread_between()

    @cached_property
    def spread_within(self) -> Distribution:
        """Standard deviation between panels of one group."""
        return self.levels.spread_within()

    @cached_property
    def spread(self) -> Distribution:
        """Standard deviation between panels of different groups: both together."""
        return self.levels.spread_total()

    @cached_property
    def share(self) -> Distribution:
        """Share of the variance that lies between groups."""
        return self.levels.share_between()

    @property
    def draws(self) -> xr.Dataset:
        """Posterior draws of this model: ``average``, ``spread``, ``between``, ``within`` and panels' ``d_prime``."""
        return self._drawn.data

    @cached_property
    def _drawn(self) -> Draws:
        return drawn(self.core, joint(self.core, self._model), self._model, [], self.groups)

    def _each_left_out(self) -> np.ndarray:
        def log_evidence(core: Core) -> float:
            groups = Groups.of(core.collected.evidence, self.index, core.collected.index)
            return Levels.integrate(groups, core.priors, core.posterior).box.log_evidence

        return each_left_out(self.core, self.index.tolist(), log_evidence)

    @property
    def _model(self) -> Model:
        return replace(Model.plain(self.core.collected.rows, self.core.priors), clusters=self.index)

    @property
    def bayes_factor(self) -> float:
        """How many times as probable the panels are with the level as without."""
        return float(np.exp(self.levels.box.log_evidence - self.core.evidences.varying))

    def on(self, group: str) -> Prediction:
        """Panels on one of the known groups: its average d-prime and its next panel.

        Parameters
        ----------
        group : str
            The group.

        Returns
        -------
        Prediction

        Raises
        ------
        ValueError
            If there is no such group.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> round(nested.on("P1").average.median, 2)
        1.37
        """
        if str(group) not in self.groups:
            raise ValueError(f"there is no {self.within} {group!r}; there is {words.listing(self.groups, most=20)}.")
        posterior = self.levels.group(self.groups.index(str(group)))
        return Prediction(
            {self.within: str(group)},
            posterior,
            self.core.margin,
            self.core.protocols,
            self.core.made,
            called=self.core.called,
        )

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over groups and panels, and in the next panel on a new group.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        Rate
            Shares of correct answers, ``p_c``, and ``p_d``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> round(nested.rate("triangle").p_c.median, 2)
        0.53
        """
        return Rate.of(self.levels.new_group, test, self.core.made)

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled.

        Returns
        -------
        Verdict

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> nested.verdict() == "not settled"
        True
        """
        return Verdict.of(self.average, self.core.margin)

    def to_frame(self, prob: float = 0.95, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals.
        protocols : str, Protocol or sequence of them, optional
            Whose rates to give; the pool's ``protocol`` by default.

        Returns
        -------
        DataFrame
            The average d-prime, the next panel's on a new group, the spreads between groups, within them and both
            together, the share of the variance between groups, and the rates of each protocol; columns
            ``quantity, mean, median, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> nested.to_frame()[["quantity", "median"]].round(2).head(2)
                                     quantity  median
        0                     average d-prime    1.58
        1  next panel d-prime, new batch pair    1.59
        """
        return self._frame(prob, protocols, self.within.replace("_", " "))

    def _frame(self, prob: float, protocols: Tests | None, noun: str) -> pd.DataFrame:
        """The same, with the word for a group."""
        rows = {
            "average d-prime": self.average,
            f"next panel d-prime, new {noun}": self.next_d_prime,
            f"spread between {words.plural_of(noun)}": self.between,
            f"spread within {words.a(noun)}": self.spread_within,
            "spread, both together": self.spread,
            f"share of the variance between {words.plural_of(noun)}": self.share,
        }
        frame = pd.DataFrame([quantity(name, value, prob) for name, value in rows.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols_of(protocols, [self.core.main_protocol])]
        return pd.concat([frame, *rates], ignore_index=True)

    def groups_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """One row a group: its name, ``panels``, ``pooled`` (median of its average d-prime, with its sign where panels
        have one, ``pooled_lower``, ``pooled_upper``) and the size of its next panel's ``next, next_lower,
        next_upper``.

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
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> nested.groups_frame()[["batch_pair", "panels", "pooled"]].round(2)
          batch_pair  panels  pooled
        0         P1       2    1.37
        1         P2       2    1.91
        """
        rows = []
        for k, name in enumerate(self.groups):
            there = self.on(name)
            row = {self.within: name, "panels": int((self.index == k).sum())}
            for stem, value in (("pooled", there.signed), ("next", there.next_d_prime)):
                lower, upper = value.interval(prob)
                row |= {stem: value.median, f"{stem}_lower": lower, f"{stem}_upper": upper}
            rows.append(row)
        return pd.DataFrame(rows).assign(prob=prob, kind="equal-tailed")

    @cached_property
    def corners(self) -> pd.DataFrame:
        """The answer with the prior scales of centre and spreads halved or doubled, as in ``Pooled.sensitivity()``."""
        others = []
        for name, priors in sensitivity.corners(self.core.priors):
            levels = self.levels.under(self.core.priors, priors)
            if levels.box.error > TOLERANCE:
                levels = Levels.integrate(self.levels.groups, priors, self.core.posterior)
            others.append((name, levels.new_group.average))
        return sensitivity.beside(self.average, others, self.core.margin)
