"""A pool with a level between panels and their average, as people hold it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from metasense.core.answers import Verdict, lean
from metasense.core.core import Core
from metasense.engine.posterior import Posterior
from metasense.questions import sensitivity, trend
from metasense.questions.design import spelling
from metasense.questions.nesting import Nesting
from metasense.results import first, notes, sentences, strips
from metasense.results.base import PROB
from metasense.results.beside import BesidePlain
from metasense.showing import figures, tables, words
from metasense.showing.glance import Glance


def nest(core: Core, within: str) -> Nested:
    """Put a level between the panels and their average; see `pool`."""
    return Nested.of(core, within)


@dataclass(frozen=True, eq=False, repr=False)
class Nested(Nesting, BesidePlain):
    """A pool with a level between panels and their average. Made by `pool`.

    Attributes
    ----------
    core : Core
        The same panels, margin and priors without the level; the pool of them is ``plain``.
    within : str
        The column.
    groups : tuple of str
        Its values, in the order of the table.
    index : ndarray of int, shape (panels,)
        Each panel's group.
    levels : Levels
        The posterior.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
    ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
    >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
    >>> nested.verdict() == "not settled", nested.groups, round(nested.on("P2").average.median, 2)
    (True, ('P1', 'P2'), 1.91)
    """

    _inside = frozenset({"core", "corners", "index", "levels", "noun", "of"})

    def _line(self) -> str:
        counted = f"{words.count(len(self.index), 'panel')} from {words.count(len(self.groups), self.noun)}"
        text = f"Over {counted} the average d-prime is {words.estimate(self.average.median, *self.average.interval())}"
        way = self.levels.new_group.expected_way
        if way is not None:
            text += f", {lean(way)}"
        verdict = self.verdict()
        if verdict.margin is None:
            return f"{text}."
        said = {words.VERDICTS[2]: "not settled against the margin"}.get(verdict.label, verdict.label)
        return f"{text}: {said} of {words.d(verdict.margin.d_prime)}."

    def variation(self) -> str:
        """How much lies between groups and how much within, and what the next panel would face on each kind.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> nested.variation()[:45]
        'One batch pair differs from another by an SD '
        """
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
        """Whether the panels speak for a level at all, and the priors.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
        ...          "batch_pair": ["P1", "P1", "P2", "P2"]}
        >>> nested = ms.pool(table, within="batch_pair", margin=ms.Margin(d_prime=1))
        >>> nested.evidence()[:24]
        'The panels are 1.8 times'
        """
        factor = self.bayes_factor
        sides = ("with", "without") if factor >= 1 else ("without", "with")
        scale = self.core.priors.spread_scale / np.sqrt(2)
        prior = self.core.priors.centre(self.core.directed)
        times = max(factor, 1 / factor)
        return (
            f"The panels are {words.times_as(times)} as probable {sides[0]} the level as {sides[1]} (Bayes factor; "
            f"{prior}, both spreads half-normal({scale:.3g}) in d-prime units, together as wide as the plain pool's)."
        )

    @property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes that question the answer itself."""
        data = (*notes.in_the_counts(self.core), *notes.in_the_serving(self.core))
        return (*data, *sensitivity.prior_warnings(self.corners), *notes.people(self.core, plain=False))

    def _on_the_answer(self) -> tuple[str, ...]:
        counts = np.bincount(self.index)
        found = []
        if len(self.groups) < 5:
            found.append(f"Only {words.count(len(self.groups), self.noun)}: how they differ is largely assumed.")
        alone = [self.groups[k] for k in np.flatnonzero(counts == 1)]
        if alone:
            each = f"each of the {words.plural_of(self.noun)}" if len(alone) > 1 else self.noun
            found.append(f"A single panel stands for {each} {words.listing(alone, most=6)}.")
        found += spelling(self.noun, self.groups)
        found += [*sensitivity.prior_warnings(self.corners), sensitivity.prior_range(self.corners)]
        found += trend.note(self.core, asked="pooled.plain.path()")
        return (*found, *self.departures, *notes.on_the_data(self.core))

    def _paragraph(self) -> list[str]:
        said = [sentences.pooled_what(self.core), self._line(), self.rate(self.protocol).sentence(), self.variation()]
        return [*said, self.verdict().sentence(), self.evidence()]

    def _methods(self) -> tuple[str, ...]:
        return sentences.methods(
            self.core,
            centre=f"theta_i ~ Normal(phi_g, within), g being its {self.noun}, and phi_g ~ Normal(mu, between)",
            priors=f"{self.core.priors.describe(self.core.directed)}; both spreads half-normal, together as wide as "
            "the spread of a pool without the level",
            computation="by integration over a grid.",
            sensitivity=sensitivity.prior_range(self.corners),
        )

    def _structure(self) -> dict[str, Any]:
        return {"within": self.within}

    def _verdict_to_keep(self) -> Verdict:
        return self.verdict()

    def _put_in(self) -> str:
        return f"the level {self.noun}"

    def _title(self) -> str:
        return f"With panels within {words.plural_of(self.noun)}"

    def _one_verdict(self) -> str:
        return self.verdict().label

    def _rows(self, name: str | None = None) -> dict[str, Posterior]:
        self._without_moderators(name)
        return {"": self.levels.new_group}

    def _drawing(self, prob: float, *, name: str | None = None, order: str | None = None) -> figures.Drawing:
        """Every group given all panels, the average, and the next panel on a new group."""
        self._without_moderators(name)
        frame = self.groups_frame(prob)
        shown: dict[str, Any] = {
            "panels": frame.rename(columns={self.within: "panel"})[["panel", "pooled", "pooled_lower", "pooled_upper"]],
            "average": strips.ranged(self.average, prob),
            "next_panel": strips.ranged(self.next_d_prime, prob),
            "answers": strips.answers(self.core),
            "margin": None if self.core.margin is None else self.core.margin.d_prime,
            "prob": prob,
            "noun": self.noun,
            "signed": self.core.directed,
        }
        return figures.Drawing(
            lambda empty: figures.forest(**shown, order=order or "estimate", ax=empty), figures.alt_forest(**shown)
        )

    def _glance(self) -> Glance:
        rate = self.rate(self.protocol)
        verdict = self.verdict()
        over = f"over {words.count(len(self.groups), self.noun)}, "
        said = first.answer(self.core, rate, verdict, self.levels.new_group.expected_way, over)
        small = first.table(self.core, rate, f"the next, from a new {self.noun}")
        if verdict == words.VERDICTS[2]:
            step = f"serve a panel from a new {self.noun}, which tells most."
        else:
            step = first.settled(self.core, verdict.label)
        return Glance(said, small, self._cautions(), first.at_hand(self.core) or step)

    def _parts(self) -> list[str | tables.Shown]:
        frame = self._frame(PROB, None, self.noun).drop(columns="mean")
        percents = {q: "percent" for q in frame["quantity"] if q.startswith(("p_", "next panel p_", "share"))}
        answer = tables.table(frame, caption=self._title(), kinds=percents)
        groups = tables.table(
            self.groups_frame().rename(columns={self.within: self.noun}),
            caption=f"Each {self.noun} given all panels, as d-prime",
            labels={"pooled": "average with its sign" if self.core.directed else "average", "next": "next panel"},
        )
        return [answer, self.variation(), self.verdict().sentence(), groups, self.evidence()]
