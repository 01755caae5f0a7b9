"""Does the difference depend on something? The pool with moderators: weeks, doses, kinds of tasters.

A moderator moves the centre of the panels: ``theta_i ~ Normal(mu + x_i beta, tau)``, with a slope of prior
``Normal(0, beta_scale)`` per standard deviation of a numeric moderator, and an effect of the same prior for each
category of words. A dose sent through zero has the centre ``mu x_i / rms(x)`` instead: 0 where nothing was changed,
while panels keep the spread that two like productions have too. Undirected panels tell how large a difference is, not
on which side, so there the centre is kept on one side of 0 over the values seen. One moderator is integrated; several
are sampled with PyMC.

Panels are not randomised to moderators, so every answer here is a comparison of panels that may differ in other ways.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense import report as pages
from metasense.margins import Margin
from metasense.pooling import writing
from metasense.pooling.answers import Rate, Verdict, quantity
from metasense.pooling.design import ADVISED, Design, Moderator, changed_together, level, read_design
from metasense.pooling.distribution import Distribution
from metasense.pooling.levels import Groups, Levels
from metasense.pooling.posterior import Posterior, average_d_prime, average_p_correct
from metasense.pooling.slopes import Drawn, Sloped
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, tables, words
from metasense.showing.results import Result, Statement
from metasense.single import panels_alone

if TYPE_CHECKING:
    import os
    import pathlib

    from matplotlib.axes import Axes

    from metasense.pooling.mcmc import Diagnostics
    from metasense.pooling.pooled import Pooled

Array = NDArray[Any]

FEW = 400  # draws below which an interval is not worth printing
LABELLED = 14  # panels whose names are written into the figure
CURVE = 33  # points of the curve


def moderate(
    without: Pooled,
    moderators: Sequence[str],
    through_zero: Sequence[str] = (),
    within: str | None = None,
    *,
    progress: bool = False,
) -> Moderated:
    """Put moderators into a pool; see `pool`.

    Parameters
    ----------
    without : Pooled
        The same panels without moderators; its priors and settings are used.
    moderators, through_zero : sequence of str
        Names of columns.
    within : str, optional
        Column of the level that panels are within.

    Raises
    ------
    PanelsError
        If the table cannot support the question; says all reasons.
    """
    design = read_design(without.panels, moderators, through_zero, within)
    collected, priors = without.collected, without.priors
    panels = collected.rows
    only = design.moderators[0] if len(design.moderators) == 1 else None
    if without.settings["method"] == "grid" and within is None:
        if only is not None and not only.numeric:
            counts = np.zeros((len(only.categories), len(collected.evidence)))
            np.add.at(counts, (only.columns.argmax(axis=1), collected.index), 1)
            groups = Groups(collected.evidence, counts)
            levels = Levels.integrate(groups, priors, without.posterior, between=priors.beta_scale)
            return Moderated(without, design, levels, levels.box.log_evidence)
        if design.columns.shape[1] < 2 and all(m.numeric for m in design.moderators):
            z = design.columns[:, 0] if design.columns.shape[1] else None
            sloped = Sloped.integrate(panels, design.load, z, priors, without.posterior)
            return Moderated(without, design, sloped, sloped.log_evidence)
    from metasense.pooling import mcmc

    clusters = None if within is None else pd.factorize(level(without.panels, within))[0]
    series, diagnostics, draws = mcmc.sample_moderated(
        panels,
        priors,
        load=design.load,
        columns=design.columns,
        names=design.names,
        clusters=clusters,
        **{name: without.settings[name] for name in ("draws", "chains", "seed")},
        progress=progress,
    )
    one_sided = not without.directed and any(m.numeric and not m.through_zero for m in design.moderators)
    drawn, advice = Drawn.of(series, draws, design.columns, one_sided=one_sided), diagnostics.advice
    if drawn.keep.sum() < FEW:
        advice += (
            f"Only {drawn.keep.sum()} draws have all centres on one side of 0, too few to trust. Sample longer.",
        )
    return Moderated(without, design, drawn, float("nan"), within, advice, diagnostics)


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
    notes : tuple of str
    """

    values: dict[str, Any]
    posterior: Posterior = field(repr=False)
    margin: Margin | None
    protocols: tuple[Protocol, ...]
    notes: tuple[str, ...] = ()

    @property
    def average(self) -> Distribution:
        """The average d-prime of such panels."""
        return self.posterior.average

    @property
    def next_d_prime(self) -> Distribution:
        """The d-prime of the next such panel."""
        return self.posterior.next_d_prime

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over such panels and in the next one."""
        test = forced_choice(test)
        return Rate(test, self.posterior.average_rate(test), self.posterior.next_rate(test))

    def verdict(self) -> Verdict:
        """Whether the average d-prime there is beyond the margin, within it, or not settled."""
        return Verdict.of(self.average, self.margin)

    def to_frame(self, prob: float = 0.95, protocols: Sequence[str | Protocol] | None = None) -> pd.DataFrame:
        """Rows ``average d-prime``, ``next panel d-prime``, then the rates of each protocol; raw numbers."""
        main = {"average d-prime": self.average, "next panel d-prime": self.next_d_prime}
        rows = pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols or self.protocols]
        return pd.concat([rows, *rates], ignore_index=True)

    def rates_sentence(self, prob: float = 0.95) -> str:
        """The one d-prime as correct answers in every protocol."""
        said = []
        for test in self.protocols:
            p_c = self.rate(test).p_c
            middle, low, high = words.distinct(p_c.median, *p_c.interval(prob), unit="percent")
            said.append(
                f"{middle} ({low} to {high}) in {test.name} tests, where guessing alone gives "
                f"{words.percent(test.guess)}"
            )
        return f"At {_where(self.values)} the share of correct answers would average {'; '.join(said)}."

    def sentence(self, prob: float = 0.95) -> str:
        """The prediction in words."""
        average = words.estimate(self.average.median, *self.average.interval(prob), prob)
        following = words.span(*words.distinct(*self.next_d_prime.interval(prob)))
        text = (
            f"At {_where(self.values)} the average d-prime is {average}; the next such panel's own is expected at "
            f"{following} "
            f"({words.percent(prob)}). {self.rates_sentence(prob)}"
        )
        verdict = [] if self.margin is None else [self.verdict().sentence()]
        return " ".join([text, *verdict, *self.notes])

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        percents = dict.fromkeys(frame["quantity"][2:], "percent")
        return [self.sentence(), tables.table(frame, caption=f"At {_where(self.values)}", kinds=percents)]  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False, repr=False)
class Moderated(Statement):
    """A pool with moderators. Made by `pool`.

    Attributes
    ----------
    without : Pooled
        The same panels, margin and priors without the moderators.
    design : Design
        Where each panel stands.
    engine : Sloped, Levels or Drawn
        The posterior.
    log_evidence : float
        Log probability of the panels with the moderators; not a number where it was sampled.
    within : str or None
        The level that panels are within.
    advice : tuple of str
        What is wrong with the draws, if anything.
    diagnostics : Diagnostics or None
        R-hat, effective sample sizes and divergences, where it was sampled.
    """

    _inside = frozenset({"advice", "design", "engine", "log_evidence"})

    without: Pooled
    design: Design = field(repr=False)
    engine: Sloped | Levels | Drawn = field(repr=False)
    log_evidence: float
    within: str | None = None
    advice: tuple[str, ...] = ()
    diagnostics: Diagnostics | None = field(default=None, repr=False)

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def moderators(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(m.name for m in self.design.moderators)

    @property
    def method(self) -> str:
        """``grid`` or ``mcmc``."""
        return "mcmc" if isinstance(self.engine, Drawn) else "grid"

    @property
    def protocol(self) -> Protocol:
        """The protocol whose rates are said: the margin's, or the commonest."""
        return writing.main_protocol(self.without)

    def at(self, /, **values: Any) -> Prediction:
        """Panels at these values of the moderators; those not named are as in the average panel.

        Raises
        ------
        ValueError
            Naming each value that is not a moderator's, or that it cannot take.
        """
        load, row = self.design.row(values)
        if isinstance(self.engine, Levels):
            only = self.design.moderators[0]
            if not values:
                raise ValueError(f"say which {only.name}: {words.listing(only.categories)}.")
            posterior: Posterior = self.engine.group(only.categories.index(str(values[only.name])))
        else:
            posterior = self.engine.at(load, row)
        notes = tuple(
            f"No panel had {name} {'above' if value > high else 'below'} {_number(high if value > high else low)}: "
            "this goes "
            "beyond what was seen."
            for name, value in values.items()
            if self.design[name].numeric
            for low, high in [self.design[name].ends]
            if not low <= value <= high
        )
        return Prediction(dict(values), posterior, self.without.margin, self.without.protocols, notes)

    def slope(self, name: str | None = None) -> Distribution:
        """Change of the panels' centre, in d-prime, per unit of a numeric moderator, other moderators being average.

        The centre of the average panel counts as positive unless some panel was directed. For a dose through zero this
        is the d-prime per unit of dose.
        """
        moderator = self._numeric(name)
        place, means = self.design.place(moderator), self.design.columns.mean(axis=0)
        factor = (1.0 if moderator.through_zero else float(self.design.load.mean())) / moderator.unit

        def value(mu: Array, beta: Array, tau: Array) -> Array:
            centre = _centre(mu, beta, 1.0, means)
            side = 1.0 if self.without.directed else np.where(centre < 0, -1.0, 1.0)
            return np.asarray(side * factor * (centre if moderator.through_zero else beta[..., place.start]) + 0 * tau)

        assert not isinstance(self.engine, Levels)
        return self.engine.distribution(value)

    def change(self, name: str, start: Any, stop: Any, *, protocol: str | Protocol | None = None) -> Distribution:
        """Change in the average d-prime (or in a protocol's p_d) from one value of a moderator to another."""
        test = None if protocol is None else forced_choice(protocol)
        functional = average_d_prime if test is None else average_p_correct(test, self.without.directed)
        scale = 1.0 if test is None else 1 / (1 - test.guess)
        (load_a, row_a), (load_b, row_b) = (self.design.row({name: value}) for value in (start, stop))

        def average(centre: Array, tau: Array) -> Array:
            centre, tau = np.broadcast_arrays(centre, tau)
            return np.asarray(functional(centre.ravel(), tau.ravel())).reshape(centre.shape)

        if isinstance(self.engine, Levels):
            averages, centres, within = self._draws
            a, b = (self.design[name].categories.index(str(value)) for value in (start, stop))
            if test is None:
                return Distribution.from_draws(averages[:, b] - averages[:, a])
            return Distribution.from_draws(scale * (average(centres[:, b], within) - average(centres[:, a], within)))
        return self.engine.distribution(
            lambda mu, beta, tau: (
                scale
                * (average(_centre(mu, beta, load_b, row_b), tau) - average(_centre(mu, beta, load_a, row_a), tau))
            )
        )

    @property
    def spread(self) -> Distribution:
        """Standard deviation between panels with the same values of the moderators, in d-prime units."""
        return self.engine.spread_within() if isinstance(self.engine, Levels) else self.engine.spread

    @cached_property
    def share(self) -> Distribution:
        """Share of the variance between these panels that goes with the moderators."""
        if isinstance(self.engine, Levels):
            _, centres, within = self._draws
            centres = centres if self.without.directed else np.abs(centres)
            counts = self.design.columns.sum(axis=0)
            mean = centres @ counts / counts.sum()
            varying = (centres - mean[:, None]) ** 2 @ counts / counts.sum()
            return Distribution.from_draws(varying / np.maximum(varying + within**2, 1e-12))

        def value(mu: Array, beta: Array, tau: Array) -> Array:
            first = second = np.zeros(())
            for load, row in zip(self.design.load, self.design.columns, strict=True):
                centre = _centre(mu, beta, load, row)
                centre = centre if self.without.directed else np.abs(centre)
                first, second = first + centre, second + centre**2
            n = len(self.design.load)
            varying = np.maximum(second / n - (first / n) ** 2, 0.0)
            return np.asarray(varying / np.maximum(varying + tau**2, 1e-12))

        return self.engine.distribution(value)

    @property
    def bayes_factor(self) -> float:
        """How many times as probable the panels are with the moderators as without; not a number where sampled."""
        return float(np.exp(self.log_evidence - self.without.evidences.varying))

    @cached_property
    def _draws(self) -> tuple[Array, Array, Array]:
        assert isinstance(self.engine, Levels)
        return self.engine.draw_averages(np.random.default_rng(self.without.settings["seed"]))

    def _numeric(self, name: str | None) -> Moderator:
        numeric = [m for m in self.design.moderators if m.numeric]
        if name is None and len(numeric) == 1:
            return numeric[0]
        moderator = self.design[str(name)]
        if not moderator.numeric:
            raise ValueError(f"{name} is no number, so it has no slope; change() compares its categories.")
        return moderator

    def _stated(self, moderator: Moderator) -> Sequence[Any]:
        return moderator.ends if moderator.numeric else moderator.categories

    def to_frame(self, prob: float = 0.95, protocol: str | Protocol | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Returns
        -------
        DataFrame
            For each moderator its slope per unit (numeric ones), the average d-prime, the protocol's p_d and the next
            panel's d-prime at its lowest and highest value (or in each category), the change in average d-prime and p_d
            between them, then the spread with and without moderators and the share of the variance that goes with them;
            columns ``quantity, mean, median, lower, upper, prob, kind``.
        """
        test = forced_choice(protocol or self.protocol)
        rows: dict[str, Distribution] = {}
        for m in self.design.moderators:
            if m.numeric:
                rows[f"d-prime per unit of {m.name}"] = self.slope(m.name)
            stated = self._stated(m)
            for value in stated:
                there, where = self.at(**{m.name: value}), _where({m.name: value})
                rows[f"average d-prime at {where}"] = there.average
                rows[f"next panel d-prime at {where}"] = there.next_d_prime
                rows[f"p_d ({test.name}) at {where}"] = there.rate(test).p_d
            for other in stated[1:]:
                between = f"from {_where({m.name: stated[0]})} to {_number(other)}"
                rows[f"change in average d-prime {between}"] = self.change(m.name, stated[0], other)
                rows[f"change in p_d ({test.name}) {between}"] = self.change(m.name, stated[0], other, protocol=test)
        rows["spread with moderators"] = self.spread
        if self.within is not None and isinstance(self.engine, Drawn):
            for part in ("between", "within"):
                rows[f"spread with moderators, {part} values of {self.within}"] = self.engine.part(part)
        rows["spread without moderators"] = self.without.spread
        rows["share of the variance with the moderators"] = self.share
        return pd.DataFrame([quantity(name, value, prob) for name, value in rows.items()])

    # --- words and figures ------------------------------------------------------------------------------------------

    def _line(self) -> str:
        return words.one_line(" ".join(self._effect(m) for m in self.design.moderators))

    def _effect(self, m: Moderator) -> str:
        stated = self._stated(m)
        ends = [(v, self.at(**{m.name: v}).average) for v in stated]
        averages = [f"{words.estimate(d.median, *d.interval())} at {_where({m.name: v})}" for v, d in ends]
        others = "" if len(self.design.moderators) == 1 else ", other moderators being average"
        if not m.numeric:
            text = f"The average d-prime is {words.listing(averages)}{others}."
            for other in stated[1:]:
                change = self.change(m.name, stated[0], other)
                text += (
                    f" The difference of {_number(other)} from {_number(stated[0])} is "
                    f"{words.estimate(change.median, *change.interval())}; the probability that {_number(other)} is "
                    "higher is "
                    f"{words.probability(change.above(0))}."
                )
            return text
        slope = self.slope(m.name)
        rising = f"the probability that it rises with {m.name} is {words.probability(slope.above(0))}"
        if m.through_zero and not self.without.directed:
            rising = f"such a line can only rise with {m.name}, so that it does is no finding{self._left_free(m)}"
        step = 10.0 if m.ends[1] - m.ends[0] >= 10 and max(map(abs, slope.interval())) < 0.1 else 1.0
        ten = "10 units" if step > 1 else "unit"
        lower, upper = slope.interval()
        said = words.estimate(step * slope.median, step * lower, step * upper)
        zero = ", the difference being taken as 0 on average at dose 0" if m.through_zero else ""
        return (
            f"Per {ten} of {m.name} the d-prime changes by {said}{zero}; {rising}. The average d-prime is "
            f"{words.listing(averages)}{others}."
        )

    @cached_property
    def _free(self) -> Moderated | None:
        """The same single dose with a line that need not pass through zero; None where that asks for sampling."""
        if len(self.design.moderators) > 1 or not self._through_zero or self.method != "grid":
            return None
        return moderate(self.without, self._through_zero, [])

    def _left_free(self, m: Moderator) -> str:
        """What a line left free says of rising."""
        if self._free is None:
            return ""
        return f" (left free, it rises with a probability of {words.probability(self._free.slope(m.name).above(0))})"

    def explained(self) -> str:
        """How much of the spread goes with the moderators, and the evidence for them."""
        names = words.listing(self.moderators)
        with_, alone, share = self.spread, self.without.spread, self.share
        percents = words.distinct(share.median, *share.interval(), unit="percent")
        text = (
            f"Panels differ by an SD of {words.estimate(with_.median, *with_.interval())} in d-prime with {names} and "
            "of "
            f"{words.estimate(alone.median, *alone.interval())} without; {percents[0]} ({percents[1]} to "
            f"{percents[2]}) of the "
            f"variance between these panels goes with {names}."
        )
        factor = self.bayes_factor
        if np.isnan(factor):
            return f"{text} The evidence for several moderators at once is not computed; name one to have it."
        sides = ("with", "without") if factor >= 1 else ("without", "with")
        return (
            f"{text} The panels are {times_as(max(factor, 1 / factor))} as probable {sides[0]} {names} as {sides[1]} "
            "(Bayes "
            f"factor; {self.prior()})."
        )

    def prior(self) -> str:
        """The priors of the effects in words."""
        scale = self.without.priors.beta_scale
        said = [
            f"the centre at a dose of {words.d(m.unit)} has the prior that all panels' centre has without it"
            if m.through_zero
            else f"slope normal(0, {scale:g}) per SD of {m.name} ({words.d(m.unit)})"
            if m.numeric
            else f"each {m.name}'s deviation normal(0, {scale:g})"
            for m in self.design.moderators
        ]
        return "; ".join([*said, self.without.priors.describe(self.without.directed)])

    def cautions(self) -> tuple[str, ...]:
        """What no analysis of moderators can leave unsaid."""
        names, panels = words.listing(self.moderators), self.without.panels
        others = [name for name in panels.moderators if name not in self.moderators and name != self.within]
        along = {m.name: changed_together(panels, m, [*others, "protocol", "blind"]) for m in self.design.moderators}
        listed = [f"{words.listing(found)} changed along with {name}" for name, found in along.items() if found]
        text = (
            f"Panels were not randomised to {names}: whatever else changed from panel to panel is in these numbers too"
        )
        text += f" (in these panels, {'; '.join(listed)})." if listed else "."
        counted = f"{words.count(len(panels), 'panel')}, {words.count(len(self.moderators), 'moderator')}"
        rule = (
            f"Below {ADVISED} panels per moderator (here {counted}) only one moderator, named before the panels were "
            "seen, "
            "is sensible; anything else is a question for new panels."
        )
        seen = [f"Other columns, seen but not tested: {words.listing(others)}."] if others else []
        return (text, rule, *seen)

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Cautions, single-panel categories, and the notes of the pool."""
        found = [*self.advice]
        if self._free is not None and (rises := self._free.slope().above(0)) < 0.5:
            found.append(
                f"A line through zero hardly fits: left free, it falls with {self.moderators[0]} with a probability of "
                f"{words.probability(1 - rises)}. Leave out through_zero."
            )
        if self.without.card is not None:
            found += self.without.card.unnamed(self.moderators)
        found += self.cautions()
        for m in self.design.moderators:
            alone = [] if m.numeric else [c for c, n in zip(m.categories, m.columns.sum(axis=0), strict=True) if n == 1]
            if alone:
                each = "each of " if len(alone) > 1 else ""
                found.append(f"A single panel stands for {each}{m.name} = {words.listing(alone)}.")
        if self.diagnostics is not None and not self.advice:
            found.append(f"Sampled with PyMC: {self.diagnostics.sentence()}")
        return (*found, *self.without.notes)

    def _paragraph(self) -> list[str]:
        first = self.design.moderators[0]
        there = self.at(**{first.name: self._stated(first)[-1]})
        said = [writing.pooled_what(self.without), self._line(), there.rates_sentence(), self.explained()]
        return [*said, *self.cautions()[:2]]

    def _methods(self) -> list[str]:
        names = words.listing(self.moderators)
        sampled = self.diagnostics
        return [
            f"Each panel i has a d-prime {writing.size_of(self.without)} "
            f"with theta_i ~ Normal(mu + x_i beta, tau), x_i being its {names}"
            + ("; a dose sent through zero has the centre mu x_i / rms(x). " if self._through_zero else ". ")
            + (f"Panels on the same {self.within} share a deviation of their own. " if self.within else "")
            + writing.ANSWERS,
            f"Priors: {self.prior()}.",
            "Computed by integration over a grid." if sampled is None else f"Sampled with PyMC. {sampled.sentence()}",
            writing.INTERVALS,
            *self.cautions()[:2],
        ]

    @property
    def _through_zero(self) -> list[str]:
        return [m.name for m in self.design.moderators if m.through_zero]

    def save(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the pool and its moderators as one netCDF file, which ``ms.load`` reads back; returns the path."""
        structure = {"moderators": list(self.moderators), "through_zero": self._through_zero, "within": self.within}
        return self.without.save_with(path, self.without.verdict(), self.to_frame(), **structure)

    def report(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the answer and the plain pool's as one self-contained HTML page; returns the path."""
        from matplotlib.figure import Figure

        m = self.design.moderators[0]
        if m.numeric:
            shown = self._curve(m, 0.95)
            alt = figures.alt_curve(**{name: shown[name] for name in ("x", "middle", "xlabel", "ylabel")})
        else:
            alt = figures.alt_forest(**self._forest(m, 0.95))
        drawn = pages.picture(self.plot(m.name, ax=Figure()), alt=alt)
        return writing.report_with(self, self.without, path, drawn, f"With {words.listing(self.moderators)}")

    def plot(self, name: str | None = None, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """The average d-prime against a moderator, with every panel alone; a forest of its categories for words."""
        m = self.design.moderators[0] if name is None else self.design[name]
        if not m.numeric:
            return figures.forest(**self._forest(m, prob), ax=ax)
        return figures.curve(**self._curve(m, prob), ax=ax)

    def _curve(self, m: Moderator, prob: float) -> dict[str, Any]:
        low, high = m.ends
        x = np.linspace(0.0 if m.through_zero else low, high, CURVE)
        averages = [self.at(**{m.name: float(v)}).average for v in x]
        lower, upper = np.transpose([d.interval(prob) for d in averages])
        alone = panels_alone(self.without.panels, prob=prob)
        top = 1.6 * max(upper.max(), np.nanmax(alone["d_prime"].replace(np.inf, np.nan)))
        bounds = {
            k: alone[f"d_prime{s}"].clip(upper=top) for k, s in (("y", ""), ("lower", "_lower"), ("upper", "_upper"))
        }
        points = pd.DataFrame({"x": m.values, **{k: v.to_numpy() for k, v in bounds.items()}})
        if len(points) <= LABELLED:
            points["label"] = alone["panel"].to_numpy()
        margin = self.without.margin
        return {
            "x": x,
            "middle": [d.median for d in averages],
            "lower": lower,
            "upper": upper,
            "points": points,
            "level": None if margin is None else margin.d_prime,
            "level_label": "" if margin is None else "margin",
            "xlabel": f"{m.name} (circles: each panel alone, with its own interval)",
            "ylabel": "average d-prime",
            "prob": prob,
        }

    def _forest(self, m: Moderator, prob: float) -> dict[str, Any]:
        there = [self.at(**{m.name: c}).average for c in m.categories]
        pooled = pd.DataFrame(
            [(c, d.median, *d.interval(prob)) for c, d in zip(m.categories, there, strict=True)],
            columns=["panel", "pooled", "pooled_lower", "pooled_upper"],
        )
        average, margin = self.without.average, self.without.margin
        lower, upper = average.interval(prob)
        return {
            "panels": pooled,
            "average": (lower, average.median, upper),
            "margin": None if margin is None else margin.d_prime,
            "prob": prob,
            "noun": m.name,
        }

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        percents = {q: "percent" for q in frame["quantity"] if q.startswith(("p_d", "share", "change in p_d"))}
        caption = f"With {words.listing(self.moderators)}"
        parts: list[str | tables.Table] = [self.headline(), tables.table(frame, caption=caption, kinds=percents)]  # type: ignore[arg-type]
        return [*parts, self.explained(), *(f"Note: {note}" for note in self.notes)]


def _centre(mu: Array, beta: Array, load: float, row: Array) -> Array:
    return np.asarray(load * (mu + beta @ row if len(row) else mu), float)


def _where(values: Mapping[str, Any]) -> str:
    return (
        words.listing(f"{name} = {_number(value)}" for name, value in values.items()) if values else "the average panel"
    )


def _number(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, (int, float, np.number)) else words.one_line(value)


def times_as(factor: float) -> str:
    """A Bayes factor of at least 1, for use before "as probable"."""
    if factor < 1.05:
        return "about"
    return f"{words.times(factor)} times"
