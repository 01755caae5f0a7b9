"""Panels within batch pairs, or within experimenters: how much is the pair, how much the panel?

Many tasters on one batch pair describe that pair. With a level in between, panels on pair g are
``theta_i ~ Normal(phi_g, within)`` and pairs ``phi_g ~ Normal(mu, between)``; both spreads have half-normal priors of
scale ``tau_scale / sqrt(2)``, so that two panels on different pairs are expected to differ as much as panels of the
plain pool. It is integrated, whatever the number of pairs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense import report as pages
from metasense.pooling import sensitivity, writing
from metasense.pooling.answers import Rate, Verdict, quantity
from metasense.pooling.design import level, spelling
from metasense.pooling.distribution import Distribution
from metasense.pooling.grid import TOLERANCE
from metasense.pooling.levels import Groups, Levels
from metasense.pooling.moderators import Prediction, times_as
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, tables, words
from metasense.showing.files import PAGE, POOL, ready
from metasense.showing.results import Statement

if TYPE_CHECKING:
    import os
    import pathlib

    from matplotlib.axes import Axes

    from metasense.pooling.pooled import Pooled


def nest(plain: Pooled, within: str) -> Nested:
    """Put a level between the panels and their average; see `pool`.

    Parameters
    ----------
    plain : Pooled
        The same panels without the level; its priors are used.
    within : str
        Column that names each panel's batch pair, experimenter or the like.

    Raises
    ------
    PanelsError
        If there is only one group, or every panel is one of its own; says so.
    """
    column = level(plain.panels, within)
    index, names = pd.factorize(column)
    groups = Groups.of(plain.collected.evidence, index, plain.collected.index)
    levels = Levels.integrate(groups, plain.priors, plain.posterior)
    return Nested(plain, within, tuple(map(str, names)), index, levels)


@dataclass(frozen=True, eq=False, repr=False)
class Nested(Statement):
    """A pool with a level between panels and their average. Made by `pool`.

    Attributes
    ----------
    plain : Pooled
        The same panels, margin and priors without the level.
    within : str
        The column.
    groups : tuple of str
        Its values, in the order of the table.
    index : ndarray of int, shape (panels,)
        Each panel's group.
    levels : Levels
        The posterior.
    """

    _inside = frozenset({"corners", "index", "levels", "noun"})

    plain: Pooled
    within: str
    groups: tuple[str, ...]
    index: np.ndarray = field(repr=False)
    levels: Levels = field(repr=False)

    if not TYPE_CHECKING:

        def __getattr__(self, name):
            raise writing.elsewhere(self, name, {})

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def noun(self) -> str:
        """What a group is, in words."""
        return self.within.replace("_", " ")

    @property
    def protocol(self) -> Protocol:
        """The protocol whose rates are said: the margin's, or the commonest."""
        return writing.main_protocol(self.plain)

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
    def bayes_factor(self) -> float:
        """How many times as probable the panels are with the level as without."""
        return float(np.exp(self.levels.box.log_evidence - self.plain.evidences.varying))

    def on(self, group: str) -> Prediction:
        """Panels on one of the known groups: its average d-prime and its next panel."""
        if str(group) not in self.groups:
            raise ValueError(f"there is no {self.within} {group!r}; there is {words.listing(self.groups, most=20)}.")
        posterior = self.levels.group(self.groups.index(str(group)))
        return Prediction({self.within: str(group)}, posterior, self.plain.margin, self.plain.protocols)

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over groups and panels, and in the next panel on a new group."""
        test = forced_choice(test)
        return Rate(test, self.levels.new_group.average_rate(test), self.levels.new_group.next_rate(test))

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled."""
        return Verdict.of(self.average, self.plain.margin)

    def to_frame(self, prob: float = 0.95, protocol: str | Protocol | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Returns
        -------
        DataFrame
            The average d-prime, the next panel's on a new group, the spreads between groups, within them and both
            together, the share of the variance between groups, and the rates of a protocol; columns ``quantity, mean,
            median, lower, upper, prob, kind``.
        """
        rows = {
            "average d-prime": self.average,
            f"next panel d-prime, new {self.noun}": self.next_d_prime,
            f"spread between {words.plural_of(self.noun)}": self.between,
            f"spread within {words.a(self.noun)}": self.spread_within,
            "spread, both together": self.spread,
            f"share of the variance between {words.plural_of(self.noun)}": self.share,
        }
        frame = pd.DataFrame([quantity(name, value, prob) for name, value in rows.items()])
        return pd.concat([frame, self.rate(protocol or self.protocol).to_frame(prob)], ignore_index=True)

    def groups_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """One row a group: its name, ``panels``, ``pooled`` (median of its average d-prime, with its sign where panels
        have one, ``pooled_lower``, ``pooled_upper``) and the size of its next panel's ``next, next_lower,
        next_upper``."""
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
        for name, priors in sensitivity.corners(self.plain.priors):
            levels = self.levels.under(self.plain.priors, priors)
            if levels.box.error > TOLERANCE:
                levels = Levels.integrate(self.levels.groups, priors, self.plain.posterior)
            others.append((name, levels.new_group.average))
        return sensitivity.beside(self.average, others, self.plain.margin)

    # --- words and figures ------------------------------------------------------------------------------------------

    def _line(self) -> str:
        counted = f"{words.count(len(self.index), 'panel')} from {words.count(len(self.groups), self.noun)}"
        text = f"Over {counted} the average d-prime is {words.estimate(self.average.median, *self.average.interval())}"
        if self.plain.directed:
            text += f", {writing.lean(self.levels.new_group.expect(lambda mu, tau: (mu > 0) + 0.0 * tau))}"
        verdict = self.verdict()
        if verdict.margin is None:
            return f"{text}."
        said = {words.VERDICTS[2]: "not settled against the margin"}.get(verdict.label, verdict.label)
        return f"{text}: {said} of {words.d(verdict.margin.d_prime)}."

    def variation(self) -> str:
        """How much lies between groups and how much within, and what the next panel would face on each kind."""
        between, within, share = (
            words.estimate(d.median, *d.interval(), unit=unit)
            for d, unit in ((self.between, "d"), (self.spread_within, "d"), (self.share, "percent"))
        )
        new = words.span(*words.distinct(*self.next_d_prime.interval()))
        known = [(words.one_line(name), self.on(name).next_d_prime.interval()) for name in self.groups]
        narrowest, interval = min(known, key=lambda pair: pair[1][1] - pair[1][0])
        return (
            f"One {self.noun} differs from another by an SD of {between} in d-prime, and panels from the same "
            f"{self.noun} by {within}; {share} of the variance lies between. The next panel's own d-prime is expected "
            f"at {new} (95 %) from a new {self.noun}, and, of those known, most narrowly at "
            f"{words.span(*words.distinct(*interval))} from {narrowest}."
        )

    def evidence(self) -> str:
        """Whether the panels speak for a level at all, and the priors."""
        factor = self.bayes_factor
        sides = ("with", "without") if factor >= 1 else ("without", "with")
        scale = self.plain.priors.tau_scale / np.sqrt(2)
        prior = self.plain.priors.centre(self.plain.directed)
        times = max(factor, 1 / factor)
        return (
            f"The panels are {times_as(times)} as probable {sides[0]} the level as {sides[1]} (Bayes factor; {prior}, "
            f"both spreads half-normal({scale:.3g}) in d-prime units, together as wide as the plain pool's)."
        )

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What limits the answer."""
        counts = np.bincount(self.index)
        found = []
        if len(self.groups) < 5:
            found.append(
                f"Only {words.count(len(self.groups), self.noun)}: how much one differs from another rests largely on "
                "the prior."
            )
        alone = [self.groups[k] for k in np.flatnonzero(counts == 1)]
        if alone:
            each = f"each of the {words.plural_of(self.noun)}" if len(alone) > 1 else self.noun
            found.append(f"A single panel stands for {each} {words.listing(alone, most=6)}.")
        found += spelling(self.noun, self.groups)
        found += [*sensitivity.prior_warnings(self.corners), sensitivity.prior_range(self.corners)]
        plain = self.plain
        return (*found, *plain.departures, *writing.on_the_data(plain), *writing.on_the_table(plain))

    def _paragraph(self) -> list[str]:
        said = [writing.pooled_what(self.plain), self._line(), self.rate(self.protocol).sentence(), self.variation()]
        return [*said, self.verdict().sentence(), self.evidence()]

    def _methods(self) -> list[str]:
        return [
            f"Each panel i from {self.noun} g has a d-prime {writing.size_of(self.plain)} "
            f"with theta_i ~ Normal(phi_g, within) and phi_g ~ Normal(mu, between). {writing.ANSWERS}",
            f"Priors: {self.plain.priors.describe(self.plain.directed)}; both spreads half-normal, together as wide "
            "as the spread of a pool without the level.",
            f"Computed by integration over a grid. {writing.INTERVALS}",
            writing.DECISION,
        ]

    def save(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the pool and its level as one netCDF file, which ``ms.load`` reads back; returns the path."""
        ready(path, POOL)
        return self.plain.save_with(path, self.verdict(), self.to_frame(), within=self.within)

    def report(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the answer and the plain pool's as one self-contained HTML page; returns the path."""
        from matplotlib.figure import Figure

        ready(path, PAGE)
        shown = self._forest(0.95)
        drawn = pages.picture(figures.forest(**shown, ax=Figure()), alt=figures.alt_forest(**shown))
        title = f"With panels within {words.plural_of(self.noun)}"
        return writing.report_with(self, self.plain, path, drawn, title, self.verdict().label)

    def plot(self, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """Every group given all panels, the average, and the next panel on a new group. Returns the Axes."""
        return figures.forest(**self._forest(prob), ax=ax)

    def _forest(self, prob: float) -> dict[str, Any]:
        frame = self.groups_frame(prob)
        (low, high), (next_low, next_high) = self.average.interval(prob), self.next_d_prime.interval(prob)
        return {
            "panels": frame.rename(columns={self.within: "panel"})[["panel", "pooled", "pooled_lower", "pooled_upper"]],
            "average": (low, self.average.median, high),
            "next_panel": (next_low, self.next_d_prime.median, next_high),
            "margin": None if self.plain.margin is None else self.plain.margin.d_prime,
            "prob": prob,
            "noun": self.noun,
            "signed": self.plain.directed,
        }

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        percents = {q: "percent" for q in frame["quantity"] if q.startswith(("p_", "next panel p_", "share"))}
        answer = tables.table(frame, caption=f"With panels within {words.plural_of(self.noun)}", kinds=percents)  # type: ignore[arg-type]
        groups = tables.table(
            self.groups_frame(),
            caption=f"Each {self.noun} given all panels, as d-prime",
            labels={"pooled": "average with its sign" if self.plain.directed else "average", "next": "next panel"},
        )
        parts: list[str | tables.Table] = [self.headline(), answer, self.variation(), self.verdict().sentence(), groups]
        return [*parts, self.evidence(), *(f"Note: {note}" for note in self.notes)]
