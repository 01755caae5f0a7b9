"""A pool with moderators, as people hold it: its sentences, its tables and its figure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metasense.alone.panels import panels_alone
from metasense.core.answers import Verdict, lean, margin_words, side
from metasense.core.core import Core
from metasense.engine.posterior import Posterior
from metasense.engine.scatter import SCRAMBLES
from metasense.engine.several import Several
from metasense.margins import SETTLED
from metasense.protocols import protocol as find_protocol
from metasense.questions import sensitivity
from metasense.questions.design import ADVISED, Moderator, changed_together, same_within, spelling, with_units
from metasense.questions.hundred import share
from metasense.questions.moderators import Moderation, by_integration, is_quick
from metasense.questions.prediction import where
from metasense.results import first, notes, sentences, strips
from metasense.results.base import PROB
from metasense.results.beside import BesidePlain
from metasense.showing import figures, plain, tables, words
from metasense.showing.called import Called, said_value
from metasense.showing.glance import ROWS, Glance, compact, cut

CURVE = 33  # points of the curve
MOST_ROWS = 6  # categories that each have a row of the strip; of more, the smallest and the largest have
SHORT = 0.1  # d-prime by which the average may change less than the line before that is said


@dataclass(frozen=True)
class _Stands:
    """What is known at one value of a moderator, ready to be said."""

    name: str
    value: str
    at: str
    share: plain.Share
    verdict: Verdict | None
    way: str

    @property
    def word(self) -> str:
        """The verdict's; empty without a margin."""
        return "" if self.verdict is None else self.verdict.label

    @property
    def sure(self) -> float:
        """The probability of the likelier side of the margin."""
        return 0.0 if self.verdict is None else max(self.verdict.above, self.verdict.below)


def moderate(
    core: Core,
    moderators: Sequence[str],
    through_zero: Sequence[str] = (),
    within: str | None = None,
    interaction: Sequence[str] | None = None,
    *,
    progress: bool = False,
) -> Moderated:
    """Put moderators into a pool; see `pool`."""
    return Moderated.of(core, moderators, through_zero, within, interaction, progress=progress)


@dataclass(frozen=True, eq=False, repr=False)
class Moderated(Moderation, BesidePlain):
    """A pool with moderators. Made by `pool`.

    Attributes
    ----------
    core : Core
        The same panels, margin and priors without the moderators; the pool of them is ``plain``.
    design : Design
        Where each panel stands.
    engine : Sloped, Levels, Several or Drawn
        The posterior.
    log_evidence : float
        Log probability of the panels with the moderators, by integration; not a number where that cannot be.
    within : str or None
        The level that panels are within.
    advice : tuple of str
        What is wrong with the draws, if anything.
    diagnostics : Diagnostics or None
        R-hat, effective sample sizes and divergences, where it was sampled.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
    ...          "weeks": [1, 2, 4, 6, 8, 10]}
    >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
    >>> stored.slope()
    0.17 (0.08 to 0.24; 95 % credible interval, equal-tailed)
    >>> round(stored.change("weeks", 1, 10, protocol="tetrad").median, 2)
    0.58
    >>> stored.at(weeks=5).verdict().label
    'not settled'
    >>> stored.verdicts()[["value", "verdict"]]
       value            verdict
    0    1.0  within the margin
    1   10.0  beyond the margin
    >>> [verdict for _, _, verdict in stored.turns()]
    ['not settled', 'beyond the margin']
    """

    _inside = frozenset({"advice", "core", "corners", "design", "engine", "left_free", "log_evidence", "of"}) | {
        "stated",
        "through_zero",
    }
    _instead = {"verdict": "verdicts() gives one for each stated value"}  # noqa: RUF012

    def on_the_priors(self) -> tuple[str, ...]:
        """How much the answer rests on the priors, in words.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.on_the_priors()[0][:44]
        'The answer rests on the prior. With prior sc'
        """
        warned, said = self._on_the_priors()
        return (*warned, said)

    def _on_the_priors(self) -> tuple[tuple[str, ...], str]:
        """Where the answer hangs on the priors, as warnings, and how far it moves."""
        tried = self.corners["case"].nunique() - 1
        of = 2**self._scales
        if not tried:
            return (), "Under other priors too few draws would count, so that how much rests on them is not known."
        said: list[str] = []
        changing: list[str] = []
        warned: list[str] = []
        places = {where(at): self._called.where(at) for m in self.design.moderators for at in self._places(m)}
        for (name, at), cases in self.corners.groupby(["quantity", "at"], sort=False):
            low, high = words.distinct(cases["median"].min(), cases["median"].max())
            what = name.replace(f" at {at}", f" at {places[at]}") if at else self._per_unit(name)
            said.append(f"the {what} {sensitivity.runs(low, high)}")
            at = places.get(at, "")
            if at:
                warned += sensitivity.prior_warnings(cases, f" at {at}")
                changing += [at] if cases["verdict_changes"].any() else []
        verdict = ""
        if self.core.margin is not None:
            verdict = f"; the verdict at {words.listing(changing)} changes" if changing else "; no verdict changes"
        scales = "each prior scale" if self._scales > 2 else "each of the two prior scales"
        cases = words.count(tried, "case") if tried == of else f"{tried} of {of} cases, those that can be computed"
        return tuple(warned), f"With {scales} halved or doubled ({cases}), {'; '.join(said)}{verdict}."

    @property
    def _called(self) -> Called:
        """What the columns are called in sentences and figures."""
        return self.core.called

    def _places(self, m: Moderator) -> list[dict[str, Any]]:
        """The stated values of a moderator, each with its heading."""
        return [{m.name: value} for value in self.stated(m)]

    def _per_unit(self, quantity: str) -> str:
        """A slope's quantity with its moderator as it is called."""
        heading = quantity.removeprefix("d-prime per unit of ")
        return f"d-prime per unit of {self._called.with_unit(heading)}"

    def _line(self) -> str:
        said = [text for m in self.design.moderators for text in (self._effect(m), self._against(m)) if text]
        return words.one_line(" ".join([*sentences.unsettled(self.advice), *said, *self._depending()]))

    def _depending(self) -> list[str]:
        """How far the effect of one moderator depends on another, where that was asked."""
        if not self.has_slope_of_interaction:
            return []
        along, other = self._interacting
        found = self.interaction()
        said = words.estimate(found.median, *found.interval())
        name = self._called.name(along.name)
        grows = words.probability(found.above(0))
        if other.numeric:
            called = self._called.with_unit(other.name)
            return [
                f"Per unit of {called} the change per unit of {self._called.with_unit(along.name)} itself changes by "
                f"{said}; the probability that {name} does more at a higher {self._called.name(other.name)} is {grows}."
            ]
        one, two = (self._called.where({other.name: value}) for value in other.categories[:2])
        return [
            f"Per unit of {self._called.with_unit(along.name)} the line changes by {said} more at {two} than at {one}; "
            f"the probability that it rises more there is {grows}."
        ]

    def _against(self, m: Moderator) -> str:
        """The verdict at each stated value; nothing without a margin."""
        margin = self.core.margin
        if margin is None:
            return ""
        said = []
        for value in self.stated(m):
            verdict = self._verdict(m, value)
            likely, way = max((verdict.above, "above"), (verdict.below, "below"))
            label = verdict.label.replace("the margin", "it")
            said.append(f"{label} at {self._called.where({m.name: value})} ({side(likely)} {way})")
        size = f", {margin_words(margin)}," if m is self.design.moderators[0] else ""
        return f"Against the margin{size} the average d-prime is {words.listing(said)}."

    def _turning(self) -> list[str]:
        """Between which values the verdict changes."""
        found = []
        for m in self.design.moderators:
            turns = self.turns(m.name) if m.numeric else []
            if turns:
                digits = max(0, 1 - math.floor(math.log10((m.ends[1] - m.ends[0]) / 50)))
                near = [(self._called.value(m.name, round(value, digits)), after) for value, _, after in turns]
                changes = words.listing(f"to {after} near {value}" for value, after in near)
                found.append(f"Along {self._called.name(m.name)} the verdict turns from {turns[0][1]} {changes}.")
        return found

    def _effect(self, m: Moderator) -> str:
        averages = []
        for value in self.stated(m):
            there = self.at(**{m.name: value})
            way = "" if there.expected_way is None else f" ({lean(there.expected_way)})"
            average = words.estimate(there.average.median, *there.average.interval())
            averages.append(f"{average} at {self._called.where({m.name: value})}{way}")
        others = "" if len(self.design.moderators) == 1 else ", other moderators being average"
        if not m.numeric:
            text = f"The average d-prime is {words.listing(averages)}{others}."
            first, *following = m.categories
            for other in following:
                change = self.change(m.name, first, other)
                text += (
                    f" The {'signed ' if self.core.directed else ''}difference of {other} from {first} is "
                    f"{words.estimate(change.median, *change.interval())}; the probability that {other} is higher is "
                    f"{words.probability(change.above(0))}."
                )
            return text
        slope = self.slope(m.name)
        called = self._called.name(m.name)
        rising = f"the probability that it rises with {called} is {words.probability(slope.above(0))}"
        if m.through_zero and not self.core.directed:
            rising = f"such a line can only rise with {called}, so that it does is no finding{self._left_free(m)}"
        step = 10.0 if m.ends[1] - m.ends[0] >= 10 and max(map(abs, slope.interval())) < 0.1 else 1.0
        ten = "10 units" if step > 1 else "unit"
        lower, upper = slope.interval()
        said = words.estimate(step * slope.median, step * lower, step * upper)
        zero = ", the difference being taken as 0 on average at dose 0" if m.through_zero else ""
        text = (
            f"Per {ten} of {self._called.with_unit(m.name)} the line through the panels' d-primes changes by "
            f"{said}{zero}; {rising}. The average d-prime is {words.listing(averages)}{others}."
        )
        first, last = self.stated(m)[0], self.stated(m)[-1]
        if abs((last - first) * slope.median) - abs(self.change(m.name, first, last).median) > SHORT:
            text += (
                " Averages are of sizes, to which the spread between panels adds, so they change by less than the line."
            )
        return text

    def _left_free(self, m: Moderator) -> str:
        """What a line left free says of rising."""
        if self.left_free is None:
            return ""
        return (
            f" (left free, it rises with a probability of {words.probability(self.left_free.slope(m.name).above(0))})"
        )

    def explained(self) -> str:
        """How much of the spread goes with the moderators, and the evidence for them.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.explained()[:44]
        'Panels differ by an SD of 0.13 (0.01 to 0.59'
        """
        names = self._called.listed(self.moderators)
        with_, alone, share = self.spread, self.spread_without, self.share
        percents = words.distinct(share.median, *share.interval(), unit="percent")
        text = (
            f"Panels differ by an SD of {words.estimate(with_.median, *with_.interval())} in d-prime with {names} and "
            f"of {words.estimate(alone.median, *alone.interval())} without; {percents[0]} ({percents[1]} to "
            f"{percents[2]}) of the variance between these panels goes with {names}, where the priors alone would say "
            f"{words.percent(self.share_before)}."
        )
        factor = self.bayes_factor
        if np.isnan(factor):
            return f"{text} The evidence for {names} is not computed where PyMC sampled."
        sides = ("with", "without") if factor >= 1 else ("without", "with")
        level = f", both within {self._called.name(self.within)}" if self.within else ""
        return (
            f"{text} The panels are {words.times_as(max(factor, 1 / factor))} as probable {sides[0]} {names} as "
            f"{sides[1]}{level} (Bayes factor; {self.prior()})."
        )

    def prior(self) -> str:
        """The priors of the effects in words.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.prior().split(";")[0]
        'slope normal(0, 0.5) per SD of weeks (3.18)'
        """
        scale = self.core.priors.slope_scale
        said = [
            f"the centre at a dose of {m.unit:.3g} has the prior that all panels' centre has without it"
            if m.through_zero
            else f"slope normal(0, {scale:g}) per SD of {self._called.name(m.name)} ({m.unit:.3g})"
            if m.numeric
            else f"each {self._called.name(m.name)}'s deviation normal(0, {scale:g})"
            for m in self.design.moderators
        ]
        return "; ".join([*said, self.core.priors.describe(self.core.directed)])

    def cautions(self) -> tuple[str, ...]:
        """What no analysis of moderators can leave unsaid.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.cautions()[0][:40]
        'Panels were not randomised to weeks: wha'
        """
        called, panels = self._called, self.core.panels
        others = [*self._others, "protocol", "blind", "batch_pair"]
        others = [name for name in others if name not in self.moderators and name != self.within]
        paired = []
        if "batch_pair" in others:
            paired = [m.name for m in self.design.moderators if same_within(panels, m, "batch_pair")]
        listed = []
        for m in self.design.moderators:
            asked = [name for name in others if name != "batch_pair" or m.name not in paired]
            found = changed_together(panels, m, asked, called.name)
            listed += [f"{words.listing(found)} changed along with {called.name(m.name)}"] if found else []
        text = (
            f"Panels were not randomised to {called.listed(self.moderators)}: what else changed is in these numbers too"
        )
        text += f" (in these panels, {'; '.join(listed)})." if listed else "."
        if paired:
            text += (
                f" All panels from one batch pair have the same {called.listed(paired)}, so chance differences between "
                'batch pairs are in its effect, which is then less certain than it looks; within="batch_pair" allows '
                "for them."
            )
        if len(panels) >= ADVISED * len(self.moderators):
            return (text,)
        return (
            text,
            f"Only {words.count(len(panels), 'panel')}: {ADVISED} for each column asked about are advised. So few "
            "allow one moderator, named before the panels were seen; anything else is a question for new panels.",
        )

    @property
    def _others(self) -> list[str]:
        """Further columns of the table."""
        names = self.core.panels.moderators
        return [name for name in names if name not in self.moderators and name != self.within]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes that question the answer itself."""
        core = self.core
        data = (*notes.in_the_counts(core), *notes.in_the_serving(core))
        return (*self.advice, *data, *self._on_the_priors()[0], *notes.people(core, plain=False))

    def _on_the_answer(self) -> tuple[str, ...]:
        found = [*self.advice]
        if self.left_free is not None and (rises := self.left_free.slope().above(0)) < 0.5:
            found.append(
                f"A line through zero hardly fits: left free, it falls with {self._called.name(self.moderators[0])} "
                f"with a probability of {words.probability(1 - rises)}. Leave out through_zero."
            )
        if self.core.card is not None:
            found += self.core.card.unnamed(self.moderators)
        found += self.cautions()
        if self._others:
            found.append(f"Other columns, seen but not tested: {self._called.listed(self._others)}.")
        for m in self.design.moderators:
            alone = [] if m.numeric else [c for c, n in zip(m.categories, m.columns.sum(axis=0), strict=True) if n == 1]
            if alone:
                each = "each of " if len(alone) > 1 else ""
                found.append(f"A single panel stands for {each}{self._called.name(m.name)} = {words.listing(alone)}.")
            if not m.numeric:
                called = self._called.name(m.name)
                found += [*spelling(called, m.categories), *with_units(called, m.categories)]
        if self.core.directed:
            found.append(
                "Average d-primes are of sizes, whichever way panels lean. In those with a sign, as in the figure, "
                "what leans one way takes from what leans the other."
            )
        if self.protocol.directed and self._leans():
            found.append(
                "A p_d below 0 means fewer correct answers than guessing gives: a lean against the expected direction. "
                "From one direction to the other it can change by more than 100 %."
            )
        if self.diagnostics is not None and not self.advice:
            why = "" if self.core.settings["method"] == "mcmc" else ", as the integration did not reach its accuracy"
            found.append(f"Sampled with PyMC{why}: {self.diagnostics.sentence()}{self._beside_integration()}")
        if isinstance(self.engine, Several):
            found.append(f"Worked out {self._laid()}")
        found += self.on_the_priors()
        return (*found, *self.departures, *notes.on_the_data(self.core))

    def _laid(self) -> str:
        """How several unknowns were integrated, and how closely."""
        assert isinstance(self.engine, Several)
        scatter = self.engine.scatter
        error = f"{scatter.error:.1g}".rstrip("0") if scatter.error >= 0.0005 else "less than 0.001"
        return (
            f"by integration over {scatter.weight.size:,} weighted points that fill the space of all unknowns evenly; "
            f"{SCRAMBLES} independent sets of them agree on quantiles to {error} posterior standard deviations."
        )

    def _leans(self) -> bool:
        """Whether some rate that is spoken of may be below guessing."""
        there = (self.at(**{m.name: v}) for m in self.design.moderators for v in self.stated(m))
        return any(prediction.signed.median < 0 for prediction in there)

    def _beside_integration(self) -> str:
        """The same by integration, where there are few enough unknowns for it."""
        if not is_quick(self.design, self.within):
            return ""
        engine = by_integration(self.core, self.design, self.core.priors)
        said = []
        for m in self.design.moderators:
            for value in self.stated(m):
                at = {m.name: value}
                pair = self._posterior(engine, at).average.median, self.at(**at).average.median
                integrated, sampled = (words.d(v, 3) for v in pair)
                said.append(f"{integrated} at {self._called.where(at)} (sampled: {sampled})")
        return f" By integration of the same model the average d-prime is {words.listing(said)}."

    def _paragraph(self) -> list[str]:
        first = self.design.moderators[0]
        there = self.at(**{first.name: self.stated(first)[-1]})
        said = [sentences.pooled_what(self.core), self._line(), *self._turning(), there.rates_sentence()]
        return [*said, self.explained(), *self.cautions()]

    def _methods(self) -> tuple[str, ...]:
        centre = f"theta_i ~ Normal(mu + x_i beta, tau), x_i being its {self._called.listed(self.moderators)}"
        if self.through_zero:
            centre += "; a dose sent through zero has the centre mu x_i / rms(x)"
        if self.within:
            centre += f"; panels from the same {self._called.name(self.within)} share a deviation of their own"
        if self.design.interaction:
            centre += f"; x_i has the products of {self._called.listed(self.design.interaction)} too"
        found = sentences.methods(
            self.core,
            centre=centre,
            priors=self.prior(),
            computation=self._computed(),
            sensitivity=" ".join(self.on_the_priors()),
        )
        return (*found, *self.cautions())

    def _computed(self) -> str:
        """How the answer was worked out."""
        if self.diagnostics is not None:
            return f"sampled with PyMC. {self.diagnostics.sentence()}"
        return self._laid() if isinstance(self.engine, Several) else "by integration over a grid."

    def _structure(self) -> dict[str, Any]:
        said = {"moderators": list(self.moderators), "through_zero": self.through_zero, "within": self.within}
        if self.design.interaction is not None:
            said["interaction"] = list(self.design.interaction)
        return said

    def _rows(self, name: str | None = None) -> dict[str, Posterior]:
        """The average at each stated value of a moderator: at both ends, or of each category."""
        m = self.design.moderators[0] if name is None else self.design[name]
        column = self._called.name(m.name)
        there = {value: self.at(**{m.name: value}).posterior for value in self.stated(m)}
        if len(there) > MOST_ROWS:
            ranked = sorted(there, key=lambda value: there[value].average.median)
            there = {value: there[value] for value in (ranked[0], ranked[-1])}
        return {f"{column} {self._called.value(m.name, value)}": found for value, found in there.items()}

    def _drawing(self, prob: float, *, name: str | None = None, order: str | None = None) -> figures.Drawing:
        """The average d-prime against a moderator, with every panel alone; a forest of its categories for words."""
        m = self.design.moderators[0] if name is None else self.design[name]
        if not m.numeric:
            rows = self._forest(m, prob)
            return figures.Drawing(
                lambda empty: figures.forest(**rows, order=order or "estimate", ax=empty), figures.alt_forest(**rows)
            )
        if order is not None:
            raise ValueError(f"along {m.name} there are no rows to put in order: leave out order={order!r}.")
        line = self._curve(m, prob)
        alt = figures.alt_curve(**{part: line[part] for part in ("x", "middle", "xlabel", "ylabel")})
        return figures.Drawing(lambda empty: figures.curve(**line, ax=empty), alt)

    def _curve(self, m: Moderator, prob: float) -> dict[str, Any]:
        low, high = m.ends
        x = np.linspace(0.0 if m.through_zero else low, high, CURVE)
        averages = [self.at(**{m.name: float(v)}).signed for v in x]
        lower, upper = np.transpose([d.interval(prob) for d in averages])
        halves = np.transpose([d.interval(0.5) for d in averages])
        alone = panels_alone(self.core.panels, prob=prob)
        names = {"y": "d_prime", "lower": "d_prime_lower", "upper": "d_prime_upper"}
        points = pd.DataFrame({"x": m.values, **{k: alone[name].to_numpy() for k, name in names.items()}})
        points["label"] = alone["panel"].to_numpy()
        frame = self.core.panels.frame
        points["size"] = frame["tastings"].fillna(frame["signal"] + frame["noise"]).to_numpy(float)
        margin, directed = self.core.margin, self.core.directed
        return {
            "x": x,
            "middle": [d.median for d in averages],
            "lower": lower,
            "upper": upper,
            "halves": (halves[0], halves[1]),
            "points": points,
            "level": None if margin is None else margin.d_prime,
            "level_label": "" if margin is None else f"margin, {words.d(margin.d_prime)}",
            "xlabel": f"{self._called.with_unit(m.name)}\n(darker band: middle half; circles: each panel alone, with "
            f"its own interval; area: tastings{self._sizes()})",
            "ylabel": "average d-prime with its sign" if directed else "average d-prime",
            "signed": directed,
            "prob": prob,
        }

    def _sizes(self) -> str:
        """What the sign means, and which circles have none, in a figure of signed d-primes."""
        if not self.core.directed:
            return ""
        names = self.core.panels.frame["protocol"].unique()
        undirected = [name for name in names if not find_protocol(name).directed]
        sizes = (
            f";\nbelow 0: against the expected direction; {words.listing(undirected)}: its size" if undirected else ""
        )
        return sizes or ";\nbelow 0: against the expected direction"

    def _forest(self, m: Moderator, prob: float) -> dict[str, Any]:
        there = [self.at(**{m.name: c}).signed for c in m.categories]
        pooled = pd.DataFrame(
            [(c, d.median, *d.interval(prob)) for c, d in zip(m.categories, there, strict=True)],
            columns=["panel", "pooled", "pooled_lower", "pooled_upper"],
        )
        margin = self.core.margin
        average = self.core.posterior.signed_average
        return {
            "panels": pooled,
            "average": strips.ranged(average, prob),
            "answers": strips.answers(self.core),
            "margin": None if margin is None else margin.d_prime,
            "prob": prob,
            "noun": self._called.name(m.name),
            "signed": self.core.directed,
            "summary": "average with its sign" if self.core.directed else "average of panels",
        }

    def _glance(self) -> Glance:
        stated = [self._stands(m, value) for m in self.design.moderators for value in self.stated(m)]
        said = first.with_nothing(self.core, self._plainly())
        of = stated[0].share
        rows: list[tuple[str, ...]]
        rows = [(f"{s.name} {s.value}", plain.of_100(s.share.middle), s.share.between().strip(" ()"), s.word)
                for s in stated[:ROWS]]  # fmt: skip
        headers: tuple[str, ...] = (*plain.HEADERS, "verdict")
        if len(rows) < 3:  # the answer says both verdicts
            rows = [row[:-1] for row in rows]
            headers = plain.HEADERS
        several = len(self.design.moderators) > 1
        note = "Each row with the other columns at their average." if several else ""
        return Glance(said, compact(of.caption(), headers, rows, note), self._cautions(), self._next_step())

    def _stands(self, m: Moderator, value: Any) -> _Stands:
        """What is known at one value of a moderator."""
        there = self.at(**{m.name: value})
        of = share(self.protocol, there.posterior.average_rate(self.protocol), self.core.margin)
        name = self._called.name(m.name)
        verdict = None if self.core.margin is None else self._verdict(m, value)
        way = plain.direction(there.expected_way, SETTLED, alone=True)
        stated = cut(self._called.value(m.name, value))
        at = f"with {cut(name)} at {stated}" if m.numeric else f"for {cut(name)} {stated}"
        return _Stands(cut(name), stated, at, of, verdict, way)

    def _ends(self) -> tuple[_Stands, ...]:
        """Both ends of the first moderator; of words, the least and the largest difference."""
        m = self.design.moderators[0]
        stated = [self._stands(m, value) for value in self.stated(m)]
        if not m.numeric:
            stated.sort(key=lambda s: s.share.middle)
        return (stated[0], stated[-1]) if len(stated) > 1 else (stated[0],)

    def _plainly(self) -> tuple[str, ...]:
        """The answer at each end, then what it is to be held against and whether it changes."""
        ends = self._ends()
        parts: list[str] = []
        for s in ends:
            about = f"about {plain.of_100(s.share.middle)}"
            between = s.share.between()
            if between and s.way:
                between = f"{between[:-1]}, {s.way})"
            if parts:
                at = s.at.removeprefix(f"with {s.name} ")
                parts.append(f"{s.word} {at}: {about}{between}" if s.word else f"{at}, {about}{between}")
                continue
            lead = first.POOR if self.advice else plain.lead(s.word)
            at = f" {s.at}: of" if s.word and not self.advice else f": {s.at}, of"
            parts.append(f"{lead}{at} 100 {s.share.protocol} answers {about} would be right{between}")
        beside = ends[0].share.beside()
        return (f"{'; '.join(parts)}, where {beside}.", *self._grows(ends))

    def _grows(self, ends: Sequence[_Stands]) -> list[str]:
        """How probable it is that the difference changes along the first column."""
        m = self.design.moderators[0]
        if not m.numeric or len(ends) < 2:
            return []
        if m.through_zero and not self.core.directed:
            return ["It is assumed that the difference starts from nothing at a dose of 0."]
        rises = words.probability(self.slope(m.name).above(0))
        if self.core.directed:
            return [f"It is {rises} probable that it grows the expected way with {ends[0].name}."]
        return [f"It is {rises} probable that the difference grows with {ends[0].name}."]

    def _next_step(self) -> str:
        """Where another panel would tell most."""
        ready = first.at_hand(self.core)
        if self.advice or ready:
            return ready or "sample again with more draws, as details() says."
        ends = self._ends()
        unsettled = [s for s in ends if s.word == words.VERDICTS[2]]
        if unsettled:
            least = min(unsettled, key=lambda s: s.sure)
            return f"serve another panel {least.at}, where the answer is the most open."
        if len({s.word for s in ends}) > 1:
            return f"serve a panel between the two, to see where the verdict turns along {ends[0].name}."
        return f"decide as planned for what was served, not for {ends[0].name} beyond it."

    def _parts(self) -> list[str | tables.Shown]:
        frame = self._frame(PROB, called=self._called).drop(columns="mean")
        percents = {q: "percent" for q in frame["quantity"] if q.startswith(("p_d", "share", "change in p_d"))}
        parts: list[str | tables.Shown] = [tables.table(frame, caption=self._title(), kinds=percents)]
        for m in self.design.moderators if self.core.margin is not None else ():
            parts.append(self._verdict_table(m))
        return [*parts, *self._turning(), self.explained()]

    def _verdict_table(self, m: Moderator) -> tables.Table:
        return tables.table(
            self.verdicts(m.name).rename(columns={"value": m.name}).astype({m.name: object}),
            caption=f"Against the margin, {margin_words(self.core.margin)}",  # type: ignore[arg-type]
            kinds={"p_above": side, "p_below": side, m.name: said_value},
            labels={"p_above": "P(above margin)", "p_below": "P(below margin)", m.name: self._called.with_unit(m.name)},
        )
