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

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense import report as pages
from metasense.margins import Margin
from metasense.pooling import sensitivity, writing
from metasense.pooling.answers import Rate, Verdict, margin_words, quantity, side
from metasense.pooling.design import (
    ADVISED,
    Design,
    Moderator,
    changed_together,
    level,
    read_design,
    same_within,
    spelling,
    with_units,
)
from metasense.pooling.distribution import Distribution
from metasense.pooling.grid import TOLERANCE
from metasense.pooling.levels import Groups, Levels
from metasense.pooling.posterior import Functional, Posterior, average_d_prime, average_p_correct
from metasense.pooling.priors import Priors
from metasense.pooling.slopes import FEW, Drawn, Sloped
from metasense.protocols import Protocol, forced_choice
from metasense.protocols import protocol as find_protocol
from metasense.showing import figures, tables, words
from metasense.showing.files import PAGE, POOL, ready
from metasense.showing.results import Result, Statement
from metasense.single import panels_alone

if TYPE_CHECKING:
    import os
    import pathlib

    from matplotlib.axes import Axes

    from metasense.pooling.mcmc import Diagnostics
    from metasense.pooling.pooled import Pooled

Array = NDArray[Any]
Engine = Sloped | Levels | Drawn

LABELLED = 14  # panels whose names are written into the figure
CURVE = 33  # points of the curve
SHORT = 0.1  # d-prime by which the average may change less than the line before that is said
PRIOR_DRAWS = 20_000  # for what the priors alone say
LOOKED = 17  # values of a moderator at which a change of the verdict is looked for


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
    engine = None if within is not None else _integrated(without, design, without.priors)
    evidence = float("nan") if engine is None else engine.box.log_evidence
    if engine is not None and without.settings["method"] == "grid":
        return Moderated(without, design, engine, evidence)
    from metasense.pooling import mcmc

    clusters = None if within is None else pd.factorize(level(without.panels, within))[0]
    series, diagnostics, draws = mcmc.sample_moderated(
        without.collected.rows,
        without.priors,
        load=design.load,
        columns=design.columns,
        names=design.names,
        clusters=clusters,
        **{name: without.settings[name] for name in ("draws", "chains", "seed")},
        progress=progress,
    )
    drawn = Drawn.of(series, draws, design.columns, one_sided=one_sided(without, design))
    advice = diagnostics.advice
    if len(drawn) < FEW:
        advice += (f"Only {len(drawn)} draws have all centres on one side of 0, too few to trust. Sample longer.",)
    return Moderated(without, design, drawn, evidence, within, advice, diagnostics)


def one_sided(without: Pooled, design: Design) -> bool:
    """Whether the panels' centres are kept on one side of 0: undirected panels and a line that may cross it."""
    return not without.directed and any(m.numeric and not m.through_zero for m in design.moderators)


def _integrated(without: Pooled, design: Design, priors: Priors) -> Sloped | Levels | None:
    """The posterior by integration; None where there are too many unknowns for that."""
    collected = without.collected
    only = design.moderators[0] if len(design.moderators) == 1 else None
    if only is not None and not only.numeric:
        groups = Groups.of(collected.evidence, only.columns.argmax(axis=1), collected.index)
        return Levels.integrate(groups, priors, without.posterior, between=priors.beta_scale)
    if design.columns.shape[1] < 2 and all(m.numeric for m in design.moderators):
        z = design.columns[:, 0] if design.columns.shape[1] else None
        return Sloped.integrate(collected.rows, design.load, z, priors, without.posterior)
    return None


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
    assumed : bool
        Whether the centre is 0 there because a line was sent through zero.
    """

    values: dict[str, Any]
    posterior: Posterior = field(repr=False)
    margin: Margin | None
    protocols: tuple[Protocol, ...]
    notes: tuple[str, ...] = ()
    assumed: bool = False

    @property
    def average(self) -> Distribution:
        """The average d-prime of such panels, a size."""
        return self.posterior.average

    @cached_property
    def signed(self) -> Distribution:
        """The same with its sign, where panels have a direction; else the size."""
        if not self.posterior.directed:
            return self.average
        return self.posterior.distribution(_signed)

    @property
    def expected_way(self) -> float | None:
        """Probability that such panels lean, on average, the expected way; None where no protocol has one."""
        return self.posterior.expect(lambda mu, tau: (mu > 0) + 0.0 * tau) if self.posterior.directed else None

    @property
    def next_d_prime(self) -> Distribution:
        """The d-prime of the next such panel."""
        return self.posterior.next_d_prime

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over such panels and in the next one."""
        test = forced_choice(test)
        return Rate(test, self.posterior.average_rate(test), self.posterior.next_rate(test))

    def verdict(self) -> Verdict:
        """Whether the average d-prime there is beyond the margin, within it, or not settled.

        Raises
        ------
        ValueError
            Where a line was sent through zero: that the centre is 0 there was assumed.
        """
        if self.assumed:
            raise ValueError(f"at {_where(self.values)} there is no verdict: the line was sent through zero there.")
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
        following = words.span(*words.distinct(*self.next_d_prime.interval(prob)))
        following = f"the next such panel's own is expected at {following} ({words.percent(prob)})"
        if self.assumed:
            return (
                f"At {_where(self.values)} the line was sent through zero, so that panels average 0 there is assumed, "
                f"not found. Only how much panels differ is known of such a panel: {following}."
            )
        average = words.estimate(self.average.median, *self.average.interval(prob), prob)
        way = "" if self.expected_way is None else f", {writing.lean(self.expected_way)}"
        text = (
            f"At {_where(self.values)} the average d-prime is {average}{way}; {following}. {self.rates_sentence(prob)}"
        )
        verdict = [] if self.margin is None else [self.verdict().sentence()]
        return " ".join([text, *verdict, *self.notes])

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        if self.assumed:
            frame = frame[frame["quantity"].str.startswith("next")].reset_index(drop=True)
        percents = {q: "percent" for q in frame["quantity"] if "p_" in q}
        return [self.sentence(), tables.table(frame, caption=f"At {_where(self.values)}", kinds=percents)]  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False, repr=False)
class Moderated(Statement):
    """A pool with moderators. Made by `pool`.

    Attributes
    ----------
    plain : Pooled
        The same panels, margin and priors without the moderators.
    design : Design
        Where each panel stands.
    engine : Sloped, Levels or Drawn
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

    _inside = frozenset({"advice", "corners", "design", "engine", "log_evidence"})

    plain: Pooled
    design: Design = field(repr=False)
    engine: Engine = field(repr=False)
    log_evidence: float
    within: str | None = None
    advice: tuple[str, ...] = ()
    diagnostics: Diagnostics | None = field(default=None, repr=False)

    if not TYPE_CHECKING:

        def __getattr__(self, name):
            raise writing.elsewhere(self, name, {"verdict": "verdicts() gives one for each stated value"})

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
        return writing.main_protocol(self.plain)

    def at(self, /, **values: Any) -> Prediction:
        """Panels at these values of the moderators; those not named are as in the average panel.

        Raises
        ------
        ValueError
            Naming each value that is not a moderator's, or that it cannot take.
        """
        known = tuple(sorted((name, str(value)) for name, value in values.items()))
        return self._known[known] if known in self._known else self._known.setdefault(known, self._at(values))

    @cached_property
    def _known(self) -> dict[tuple[tuple[str, str], ...], Prediction]:
        return {}

    def _at(self, values: Mapping[str, Any]) -> Prediction:
        posterior = self._posterior(self.engine, values)
        values = {name: float(v) if self.design[name].numeric else v for name, v in values.items()}
        notes = tuple(
            f"No panel had {name} {'above' if value > high else 'below'} {_number(high if value > high else low)}: "
            "this goes beyond what was seen."
            for name, value in values.items()
            if self.design[name].numeric
            for low, high in [self.design[name].ends]
            if not low <= value <= high
        )
        assumed = self.design.dose is not None and values.get(self.design.dose.name) == 0
        return Prediction(values, posterior, self.plain.margin, self.plain.protocols, notes, assumed)

    def _posterior(self, engine: Engine, values: Mapping[str, Any]) -> Posterior:
        load, row = self.design.row(values)
        if not isinstance(engine, Levels):
            return engine.at(load, row)
        only = self.design.moderators[0]
        if not values:
            raise ValueError(f"say which {only.name}: {words.listing(only.categories)}.")
        return engine.group(only.categories.index(str(values[only.name])))

    def slope(self, name: str | None = None) -> Distribution:
        """Change of the panels' centre, in d-prime, per unit of a numeric moderator, other moderators being average.

        The centre of the average panel counts as positive unless some panel was directed. For a dose through zero this
        is the d-prime per unit of dose.
        """
        return self._slope(self.engine, self._numeric(name))

    def _slope(self, engine: Engine, moderator: Moderator) -> Distribution:
        place, means = self.design.place(moderator), self.design.columns.mean(axis=0)
        factor = (1.0 if moderator.through_zero else float(self.design.load.mean())) / moderator.unit

        def value(mu: Array, beta: Array, tau: Array) -> Array:
            centre = _centre(mu, beta, 1.0, means)
            side = 1.0 if self.plain.directed else np.where(centre < 0, -1.0, 1.0)
            return np.asarray(side * factor * (centre if moderator.through_zero else beta[..., place.start]) + 0 * tau)

        assert not isinstance(engine, Levels)
        return engine.distribution(value)

    def change(self, name: str, start: Any, stop: Any, *, protocol: str | Protocol | None = None) -> Distribution:
        """Change in the average d-prime (or in a protocol's p_d) from one value of a moderator to another.

        Where panels have a direction the d-prime is taken with its sign.

        Raises
        ------
        ValueError
            Naming a moderator or a value that there is not.
        """
        test = None if protocol is None else forced_choice(protocol)
        functional: Functional = average_d_prime
        if test is not None:
            functional = average_p_correct(test, self.plain.directed)
        elif self.plain.directed:
            functional = _signed
        scale = 1.0 if test is None else 1 / (1 - test.guess)
        (load_a, row_a), (load_b, row_b) = (self.design.row({name: value}) for value in (start, stop))

        def average(centre: Array, tau: Array) -> Array:
            centre, tau = np.broadcast_arrays(centre, tau)
            return np.asarray(functional(centre.ravel(), tau.ravel())).reshape(centre.shape)

        return self._joint.distribution(
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
    def spread_without(self) -> Distribution:
        """The same without the moderators: of the plain pool, or of the pool with the level alone."""
        if self.within is None:
            return self.plain.spread
        collected = self.plain.collected
        groups = Groups.of(collected.evidence, pd.factorize(level(self.plain.panels, self.within))[0], collected.index)
        return Levels.integrate(groups, self.plain.priors, self.plain.posterior).spread_total()

    @cached_property
    def share(self) -> Distribution:
        """Share of the variance between these panels that goes with the moderators."""
        return self._share(self._joint)

    @cached_property
    def share_before(self) -> float:
        """Median of the same under the priors alone."""
        priors, rng = self.plain.priors, np.random.default_rng(self.plain.settings["seed"])
        columns = self.design.columns
        draws = {
            "mu": rng.normal(0, priors.mu_scale, PRIOR_DRAWS),
            "beta": rng.normal(0, priors.beta_scale, (PRIOR_DRAWS, columns.shape[1])),
            "tau": np.abs(rng.normal(0, priors.tau_scale, PRIOR_DRAWS)),
        }
        if self.within is not None:  # two spreads, each of scale tau_scale / sqrt(2)
            draws["tau"] = np.hypot(*rng.normal(0, priors.tau_scale / np.sqrt(2), (2, PRIOR_DRAWS)))
        if not self.plain.directed:
            draws["mu"] = np.abs(draws["mu"])
        engine = self.engine
        series = engine.groups.series[0] if isinstance(engine, Levels) else engine.series
        return self._share(Drawn.kept(series, draws, columns, one_sided=one_sided(self.plain, self.design))).median

    def _share(self, engine: Sloped | Drawn) -> Distribution:
        def value(mu: Array, beta: Array, tau: Array) -> Array:
            first = second = np.zeros(())
            for load, row in zip(self.design.load, self.design.columns, strict=True):
                centre = _centre(mu, beta, load, row)
                centre = centre if self.plain.directed else np.abs(centre)
                first, second = first + centre, second + centre**2
            n = len(self.design.load)
            varying = np.maximum(second / n - (first / n) ** 2, 0.0)
            return np.asarray(varying / np.maximum(varying + tau**2, 1e-12))

        return engine.distribution(value)

    @property
    def bayes_factor(self) -> float:
        """How many times as probable the panels are with the moderators as without; not a number where not computed."""
        return float(np.exp(self.log_evidence - self.plain.evidences.varying))

    @cached_property
    def _joint(self) -> Sloped | Drawn:
        """What knows of several values at once; for categories, whose posteriors are single, joint draws of them."""
        if not isinstance(self.engine, Levels):
            return self.engine
        centres, mu, within = self.engine.draw_centres(np.random.default_rng(self.plain.settings["seed"]))
        return Drawn(self.engine.groups.series[0], {"mu": mu, "beta": centres - mu[:, None], "tau": within})

    def _numeric(self, name: str | None) -> Moderator:
        numeric = [m for m in self.design.moderators if m.numeric]
        if name is None and len(numeric) > 1:
            raise ValueError(f"say whose slope: {words.listing(m.name for m in numeric)}.")
        moderator = self.design[name] if name else numeric[0] if numeric else self.design.moderators[0]
        if not moderator.numeric:
            raise ValueError(f"{moderator.name} is no number, so it has no slope; change() compares its categories.")
        return moderator

    def _stated(self, moderator: Moderator) -> Sequence[Any]:
        """The values that are spoken of: the ends, without the zero that a line is sent through; every category."""
        if not moderator.numeric:
            return moderator.categories
        low, high = moderator.ends
        low = float(moderator.values[moderator.values > 0].min()) if moderator.through_zero else low
        return tuple(dict.fromkeys((low, high)))

    def verdicts(self, name: str | None = None) -> pd.DataFrame:
        """The verdict at the lowest and highest value of a moderator (of the first, by default), or in each category.

        Returns
        -------
        DataFrame
            One row a value: ``value, p_above, p_below, verdict``, other moderators being average.
        """
        m = self.design.moderators[0] if name is None else self.design[name]
        found = {value: self._verdict(m, value) for value in self._stated(m)}
        return pd.DataFrame(
            {"value": value, "p_above": v.above, "p_below": v.below, "verdict": v.label} for value, v in found.items()
        )

    def _verdict(self, m: Moderator, value: Any) -> Verdict:
        return self.at(**{m.name: value}).verdict()

    def turns(self, name: str | None = None) -> list[tuple[float, str, str]]:
        """Where the verdict changes along a numeric moderator: the value, the verdict below it and the one above.

        To a five-hundredth of the range of the values; what turns and turns back within a sixteenth may be missed.

        Raises
        ------
        ValueError
            If the moderator has categories, or is not named where there are several.
        """
        m = self._numeric(name)
        if self.plain.margin is None:
            return []
        x = np.linspace(self._stated(m)[0], m.ends[1], LOOKED)

        def label(value: float) -> str:
            return self._verdict(m, float(value)).label

        found = []
        for low, end in pairwise(x):
            before, after = label(low), label(end)
            while before != after:  # more than one verdict may lie between
                high = end
                while high - low > (x[-1] - x[0]) / 500:
                    middle = (low + high) / 2
                    low, high = (middle, high) if label(middle) == before else (low, middle)
                found.append((float((low + high) / 2), before, label(high)))
                low, before = high, found[-1][2]
        return found

    # --- how far the answer holds -----------------------------------------------------------------------------------

    @cached_property
    def corners(self) -> pd.DataFrame:
        """The answer with each prior scale halved or doubled.

        Returns
        -------
        DataFrame
            For each slope and each average d-prime that is spoken of (``quantity``; ``at`` which value, empty for a
            slope), first with the priors used, then with others: ``case, about, median, lower, upper, prob, kind,
            p_above, p_below, verdict, change, verdict_changes`` as in ``Pooled.sensitivity()``, a slope having no
            verdict. Priors under which too few draws would count are left out.
        """
        named = [(name, self._under(priors)) for name, priors in sensitivity.corners(self.plain.priors, self._scales)]
        engines = [(name, engine) for name, engine in named if engine is not None]
        frames = []
        for m in self.design.moderators:
            if m.numeric:
                others = ((name, self._slope(engine, m)) for name, engine in engines)
                slopes = sensitivity.beside(self._slope(self.engine, m), others, None)
                frames.append(slopes.assign(quantity=f"d-prime per unit of {m.name}", at=""))
            for value in self._stated(m):
                at = {m.name: value}
                others = ((name, self._posterior(engine, at).average) for name, engine in engines)
                there = sensitivity.beside(self.at(**at).average, others, self.plain.margin)
                frames.append(there.assign(quantity=f"average d-prime at {_where(at)}", at=_where(at)))
        return pd.concat(frames, ignore_index=True)

    @property
    def _scales(self) -> int:
        """How many prior scales there are: without slopes or categories only those of centre and spread."""
        return 3 if self.design.columns.shape[1] else 2

    def _under(self, priors: Priors) -> Engine | None:
        """The posterior under other priors, by weighing what is there; None where too few draws would count."""
        engine, old = self.engine, self.plain.priors
        if isinstance(engine, Levels) and priors.beta_scale != old.beta_scale:  # it fixes how far categories lie apart
            engine, old = self._apart(priors.beta_scale), replace(old, beta_scale=priors.beta_scale)
        other = engine.under(old, priors)
        if other is None or isinstance(other, Drawn) or other.box.error <= TOLERANCE:
            return other
        return _integrated(self.plain, self.design, priors)

    def _apart(self, scale: float) -> Levels:
        """The categories with another prior of their deviations."""
        if scale not in self._levels:
            found = _integrated(self.plain, self.design, replace(self.plain.priors, beta_scale=scale))
            assert isinstance(found, Levels)
            self._levels[scale] = found
        return self._levels[scale]

    @cached_property
    def _levels(self) -> dict[float, Levels]:
        return {}

    def on_the_priors(self) -> tuple[str, ...]:
        """How much the answer rests on the priors, in words."""
        tried = self.corners["case"].nunique() - 1
        of = 2**self._scales
        if not tried:
            return ("Under other priors too few draws would count, so that how much rests on them is not known.",)
        said: list[str] = []
        changing: list[str] = []
        warned: list[str] = []
        for (name, at), cases in self.corners.groupby(["quantity", "at"], sort=False):
            low, high = words.distinct(cases["median"].min(), cases["median"].max())
            said.append(f"the {name} {sensitivity.runs(low, high)}")
            if at:
                warned += sensitivity.prior_warnings(cases, f" at {at}")
                changing += [at] if cases["verdict_changes"].any() else []
        verdict = ""
        if self.plain.margin is not None:
            verdict = f"; the verdict at {words.listing(changing)} changes" if changing else "; no verdict changes"
        scales = "each prior scale" if self._scales > 2 else "each of the two prior scales"
        cases = words.count(tried, "case") if tried == of else f"{tried} of {of} cases, those that can be computed"
        return (*warned, f"With {scales} halved or doubled ({cases}), {'; '.join(said)}{verdict}.")

    def to_frame(self, prob: float = 0.95, protocol: str | Protocol | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Returns
        -------
        DataFrame
            For each moderator its slope per unit (numeric ones), the average d-prime (also with its sign, where panels
            have one), the protocol's p_d and the next panel's d-prime at its lowest and highest value (or in each
            category), the change in average d-prime and p_d between them, then the spread with and without moderators
            and the share of the variance that goes with them;
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
                if self.plain.directed:
                    rows[f"signed average d-prime at {where}"] = there.signed
                rows[f"next panel d-prime at {where}"] = there.next_d_prime
                rows[f"p_d ({test.name}) at {where}"] = there.rate(test).p_d
            for other in stated[1:]:
                between = f"from {_where({m.name: stated[0]})} to {_number(other)}"
                signed = "signed " if self.plain.directed else ""
                rows[f"change in {signed}average d-prime {between}"] = self.change(m.name, stated[0], other)
                rows[f"change in p_d ({test.name}) {between}"] = self.change(m.name, stated[0], other, protocol=test)
        rows["spread with moderators"] = self.spread
        if self.within is not None and isinstance(self.engine, Drawn):
            for part in ("between", "within"):
                rows[f"spread with moderators, {part} values of {self.within}"] = self.engine.part(part)
        rows["spread without moderators"] = self.spread_without
        rows["share of the variance with the moderators"] = self.share
        return pd.DataFrame([quantity(name, value, prob) for name, value in rows.items()])

    # --- words and figures ------------------------------------------------------------------------------------------

    def _line(self) -> str:
        said = [text for m in self.design.moderators for text in (self._effect(m), self._against(m)) if text]
        return words.one_line(" ".join([*writing.unsettled(self.advice), *said]))

    def _against(self, m: Moderator) -> str:
        """The verdict at each stated value; nothing without a margin."""
        margin = self.plain.margin
        if margin is None:
            return ""
        said = []
        for value in self._stated(m):
            verdict = self._verdict(m, value)
            likely, way = max((verdict.above, "above"), (verdict.below, "below"))
            label = verdict.label.replace("the margin", "it")
            said.append(f"{label} at {_where({m.name: value})} ({side(likely)} {way})")
        size = f", {margin_words(margin)}," if m is self.design.moderators[0] else ""
        return f"Against the margin{size} the average d-prime is {words.listing(said)}."

    def _turning(self) -> list[str]:
        """Between which values the verdict changes."""
        found = []
        for m in self.design.moderators:
            turns = self.turns(m.name) if m.numeric else []
            if turns:
                digits = max(0, 1 - math.floor(math.log10((m.ends[1] - m.ends[0]) / 50)))
                changes = words.listing(f"to {after} near {value:.{digits}f}" for value, _, after in turns)
                found.append(f"Along {m.name} the verdict turns from {turns[0][1]} {changes}.")
        return found

    def _effect(self, m: Moderator) -> str:
        averages = []
        for value in self._stated(m):
            there = self.at(**{m.name: value})
            way = "" if there.expected_way is None else f" ({writing.lean(there.expected_way)})"
            average = words.estimate(there.average.median, *there.average.interval())
            averages.append(f"{average} at {_where({m.name: value})}{way}")
        others = "" if len(self.design.moderators) == 1 else ", other moderators being average"
        if not m.numeric:
            text = f"The average d-prime is {words.listing(averages)}{others}."
            first, *following = m.categories
            for other in following:
                change = self.change(m.name, first, other)
                text += (
                    f" The {'signed ' if self.plain.directed else ''}difference of {other} from {first} is "
                    f"{words.estimate(change.median, *change.interval())}; the probability that {other} is higher is "
                    f"{words.probability(change.above(0))}."
                )
            return text
        slope = self.slope(m.name)
        rising = f"the probability that it rises with {m.name} is {words.probability(slope.above(0))}"
        if m.through_zero and not self.plain.directed:
            rising = f"such a line can only rise with {m.name}, so that it does is no finding{self._left_free(m)}"
        step = 10.0 if m.ends[1] - m.ends[0] >= 10 and max(map(abs, slope.interval())) < 0.1 else 1.0
        ten = "10 units" if step > 1 else "unit"
        lower, upper = slope.interval()
        said = words.estimate(step * slope.median, step * lower, step * upper)
        zero = ", the difference being taken as 0 on average at dose 0" if m.through_zero else ""
        text = (
            f"Per {ten} of {m.name} the line through the panels' d-primes changes by {said}{zero}; {rising}. The "
            f"average d-prime is {words.listing(averages)}{others}."
        )
        first, last = self._stated(m)[0], self._stated(m)[-1]
        if abs((last - first) * slope.median) - abs(self.change(m.name, first, last).median) > SHORT:
            text += (
                " Averages are of sizes, to which the spread between panels adds, so they change by less than the line."
            )
        return text

    @cached_property
    def _free(self) -> Moderated | None:
        """The same single dose with a line that need not pass through zero; None where that asks for sampling."""
        if len(self.design.moderators) > 1 or not self._through_zero or self.method != "grid":
            return None
        return moderate(self.plain, self._through_zero, [])

    def _left_free(self, m: Moderator) -> str:
        """What a line left free says of rising."""
        if self._free is None:
            return ""
        return f" (left free, it rises with a probability of {words.probability(self._free.slope(m.name).above(0))})"

    def explained(self) -> str:
        """How much of the spread goes with the moderators, and the evidence for them."""
        names = words.listing(self.moderators)
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
            what = "a moderator within a level" if len(self.moderators) == 1 else "several moderators at once"
            return f"{text} The evidence for {what} is not computed."
        sides = ("with", "without") if factor >= 1 else ("without", "with")
        return (
            f"{text} The panels are {times_as(max(factor, 1 / factor))} as probable {sides[0]} {names} as {sides[1]} "
            f"(Bayes factor; {self.prior()})."
        )

    def prior(self) -> str:
        """The priors of the effects in words."""
        scale = self.plain.priors.beta_scale
        said = [
            f"the centre at a dose of {m.unit:.3g} has the prior that all panels' centre has without it"
            if m.through_zero
            else f"slope normal(0, {scale:g}) per SD of {m.name} ({m.unit:.3g})"
            if m.numeric
            else f"each {m.name}'s deviation normal(0, {scale:g})"
            for m in self.design.moderators
        ]
        return "; ".join([*said, self.plain.priors.describe(self.plain.directed)])

    def cautions(self) -> tuple[str, ...]:
        """What no analysis of moderators can leave unsaid."""
        names, panels = words.listing(self.moderators), self.plain.panels
        others = [*self._others, "protocol", "blind", "batch_pair"]
        others = [name for name in others if name not in self.moderators and name != self.within]
        paired = []
        if "batch_pair" in others:
            paired = [m.name for m in self.design.moderators if same_within(panels, m, "batch_pair")]
        along = {
            m.name: [
                name for name in changed_together(panels, m, others) if name != "batch_pair" or m.name not in paired
            ]
            for m in self.design.moderators
        }
        listed = [f"{words.listing(found)} changed along with {name}" for name, found in along.items() if found]
        text = (
            f"Panels were not randomised to {names}: whatever else changed from panel to panel is in these numbers too"
        )
        text += f" (in these panels, {'; '.join(listed)})." if listed else "."
        if paired:
            text += (
                f" All panels from one batch pair have the same {words.listing(paired)}, so chance differences between "
                'batch pairs are in its effect, which is then less certain than it looks; within="batch_pair" allows '
                "for them."
            )
        if len(panels) >= ADVISED * len(self.moderators):
            return (text,)
        counted = f"{words.count(len(panels), 'panel')}, {words.count(len(self.moderators), 'moderator')}"
        return (
            text,
            f"Below {ADVISED} panels per moderator (here {counted}) only one moderator, named before the panels were "
            "seen, is sensible; anything else is a question for new panels.",
        )

    @property
    def _others(self) -> list[str]:
        """Further columns of the table."""
        names = self.plain.panels.moderators
        return [name for name in names if name not in self.moderators and name != self.within]

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """Cautions, single-panel categories, and the notes of the pool."""
        found = [*self.advice]
        if self._free is not None and (rises := self._free.slope().above(0)) < 0.5:
            found.append(
                f"A line through zero hardly fits: left free, it falls with {self.moderators[0]} with a probability of "
                f"{words.probability(1 - rises)}. Leave out through_zero."
            )
        if self.plain.card is not None:
            found += self.plain.card.unnamed(self.moderators)
        found += self.cautions()
        if self._others:
            found.append(f"Other columns, seen but not tested: {words.listing(self._others)}.")
        for m in self.design.moderators:
            alone = [] if m.numeric else [c for c, n in zip(m.categories, m.columns.sum(axis=0), strict=True) if n == 1]
            if alone:
                each = "each of " if len(alone) > 1 else ""
                found.append(f"A single panel stands for {each}{m.name} = {words.listing(alone)}.")
            found += [] if m.numeric else [*spelling(m.name, m.categories), *with_units(m.name, m.categories)]
        if self.plain.directed:
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
            found.append(f"Sampled with PyMC: {self.diagnostics.sentence()}{self._beside_integration()}")
        found += self.on_the_priors()
        plain = self.plain
        return (*found, *plain.departures, *writing.on_the_data(plain), *writing.on_the_table(plain))

    def _leans(self) -> bool:
        """Whether some rate that is spoken of may be below guessing."""
        there = (self.at(**{m.name: v}) for m in self.design.moderators for v in self._stated(m))
        return any(prediction.signed.median < 0 for prediction in there)

    def _beside_integration(self) -> str:
        """The same by integration, where there are few enough unknowns for it."""
        engine = None if self.within is not None else _integrated(self.plain, self.design, self.plain.priors)
        if engine is None:
            return ""
        said = []
        for m in self.design.moderators:
            for value in self._stated(m):
                at = {m.name: value}
                pair = self._posterior(engine, at).average.median, self.at(**at).average.median
                integrated, sampled = (words.d(v, 3) for v in pair)
                said.append(f"{integrated} at {_where(at)} (sampled: {sampled})")
        return f" By integration of the same model the average d-prime is {words.listing(said)}."

    def _paragraph(self) -> list[str]:
        first = self.design.moderators[0]
        there = self.at(**{first.name: self._stated(first)[-1]})
        said = [writing.pooled_what(self.plain), self._line(), *self._turning(), there.rates_sentence()]
        return [*said, self.explained(), *self.cautions()]

    def _methods(self) -> list[str]:
        names = words.listing(self.moderators)
        sampled = self.diagnostics
        return [
            f"Each panel i has a d-prime {writing.size_of(self.plain)} "
            f"with theta_i ~ Normal(mu + x_i beta, tau), x_i being its {names}"
            + ("; a dose sent through zero has the centre mu x_i / rms(x). " if self._through_zero else ". ")
            + (f"Panels from the same {self.within} share a deviation of their own. " if self.within else "")
            + writing.ANSWERS,
            f"Priors: {self.prior()}.",
            "Computed by integration over a grid." if sampled is None else f"Sampled with PyMC. {sampled.sentence()}",
            writing.INTERVALS,
            *([] if self.plain.margin is None else [writing.DECISION]),
            *self.cautions(),
        ]

    @property
    def _through_zero(self) -> list[str]:
        return [m.name for m in self.design.moderators if m.through_zero]

    def save(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the pool and its moderators as one netCDF file, which ``ms.load`` reads back; returns the path."""
        ready(path, POOL)
        structure = {"moderators": list(self.moderators), "through_zero": self._through_zero, "within": self.within}
        return self.plain.save_with(path, self.plain.verdict(), self.to_frame(), **structure)

    def report(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write the answer and the plain pool's as one self-contained HTML page; returns the path."""
        from matplotlib.figure import Figure

        ready(path, PAGE)
        m = self.design.moderators[0]
        if m.numeric:
            shown = self._curve(m, 0.95)
            alt = figures.alt_curve(**{name: shown[name] for name in ("x", "middle", "xlabel", "ylabel")})
        else:
            alt = figures.alt_forest(**self._forest(m, 0.95))
        drawn = pages.picture(self.plot(m.name, ax=Figure()), alt=alt)
        return writing.report_with(self, self.plain, path, drawn, f"With {words.listing(self.moderators)}")

    def plot(self, name: str | None = None, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """The average d-prime against a moderator, with every panel alone; a forest of its categories for words."""
        m = self.design.moderators[0] if name is None else self.design[name]
        if not m.numeric:
            return figures.forest(**self._forest(m, prob), ax=ax)
        return figures.curve(**self._curve(m, prob), ax=ax)

    def _curve(self, m: Moderator, prob: float) -> dict[str, Any]:
        low, high = m.ends
        x = np.linspace(0.0 if m.through_zero else low, high, CURVE)
        averages = [self.at(**{m.name: float(v)}).signed for v in x]
        lower, upper = np.transpose([d.interval(prob) for d in averages])
        alone = panels_alone(self.plain.panels, prob=prob)
        names = {"y": "d_prime", "lower": "d_prime_lower", "upper": "d_prime_upper"}
        points = pd.DataFrame({"x": m.values, **{k: alone[name].to_numpy() for k, name in names.items()}})
        if len(points) <= LABELLED:
            points["label"] = alone["panel"].to_numpy()
        margin, directed = self.plain.margin, self.plain.directed
        return {
            "x": x,
            "middle": [d.median for d in averages],
            "lower": lower,
            "upper": upper,
            "points": points,
            "level": None if margin is None else margin.d_prime,
            "level_label": "" if margin is None else f"margin, {words.d(margin.d_prime)}",
            "xlabel": f"{m.name}\n(circles: each panel alone, with its own interval{self._sizes()})",
            "ylabel": "average d-prime with its sign" if directed else "average d-prime",
            "signed": directed,
            "prob": prob,
        }

    def _sizes(self) -> str:
        """What the sign means, and which circles have none, in a figure of signed d-primes."""
        if not self.plain.directed:
            return ""
        names = self.plain.panels.frame["protocol"].unique()
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
        margin = self.plain.margin
        average = self.plain.posterior.distribution(_signed) if self.plain.directed else self.plain.average
        lower, upper = average.interval(prob)
        return {
            "panels": pooled,
            "average": (lower, average.median, upper),
            "margin": None if margin is None else margin.d_prime,
            "prob": prob,
            "noun": m.name,
            "signed": self.plain.directed,
            "summary": "average with its sign" if self.plain.directed else "average of panels",
        }

    def _shown(self) -> list[str | tables.Table]:
        frame = self.to_frame().drop(columns="mean")
        percents = {q: "percent" for q in frame["quantity"] if q.startswith(("p_d", "share", "change in p_d"))}
        caption = f"With {words.listing(self.moderators)}"
        parts: list[str | tables.Table] = [self.headline(), tables.table(frame, caption=caption, kinds=percents)]  # type: ignore[arg-type]
        for m in self.design.moderators if self.plain.margin is not None else ():
            parts.append(self._verdict_table(m))
        return [*parts, *self._turning(), self.explained(), *(f"Note: {note}" for note in self.notes)]

    def _verdict_table(self, m: Moderator) -> tables.Table:
        return tables.table(
            self.verdicts(m.name).rename(columns={"value": m.name}).astype({m.name: object}),
            caption=f"Against the margin, {margin_words(self.plain.margin)}",  # type: ignore[arg-type]
            kinds={"p_above": side, "p_below": side, m.name: _number},
            labels={"p_above": "P(above margin)", "p_below": "P(below margin)", m.name: m.name},
        )


def _signed(mu: Array, tau: Array) -> Array:
    """The average d-prime with its sign."""
    return np.asarray(mu + 0.0 * tau, float)


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
