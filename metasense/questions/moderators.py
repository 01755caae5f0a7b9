"""Does the difference depend on something? The pool with moderators: weeks, doses, kinds of tasters.

A moderator moves the centre of the panels: ``theta_i ~ Normal(mu + x_i beta, tau)``, with a slope of prior
``Normal(0, slope_scale)`` per standard deviation of a numeric moderator, and an effect of the same prior for each
category of words. A dose sent through zero has the centre ``mu x_i / rms(x)`` instead: 0 where nothing was changed,
while panels keep the spread that two like productions have too. Undirected panels tell how large a difference is, not
on which side, so there the centre is kept on one side of 0 over the values seen. Everything is integrated: one
moderator on a grid, several, or one within a level, with quasi-random points (`engine.several`). PyMC samples the same
model on request, and where the integration does not reach its accuracy.

Panels are not randomised to moderators, so every answer here is a comparison of panels that may differ in other ways.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import Verdict, quantity
from metasense.core.core import Core, Tests, protocols_of
from metasense.core.diagnostics import Diagnostics
from metasense.core.draws import Draws
from metasense.engine.distribution import Distribution
from metasense.engine.grid import TOLERANCE, IntegrationError
from metasense.engine.levels import Groups, Levels
from metasense.engine.pointwise import Model
from metasense.engine.posterior import Functional, Posterior, average_p_correct, signed_average
from metasense.engine.priors import Priors
from metasense.engine.several import Several
from metasense.engine.slopes import FEW, Drawn, Sloped
from metasense.engine.spreads import average_d_prime
from metasense.protocols import Protocol, forced_choice
from metasense.questions import sensitivity
from metasense.questions.design import Design, Moderator, level, read_design
from metasense.questions.drawn import drawn, joint
from metasense.questions.leave_one_out import each_left_out
from metasense.questions.prediction import Prediction, where
from metasense.showing import words
from metasense.showing.called import Called, said_value
from metasense.tables.panels import Panels

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[Any]
Engine = Sloped | Levels | Several | Drawn

PRIOR_DRAWS = 20_000  # for what the priors alone say
PATIENCE = 2.0  # seconds after which there is a sign of life
LOOKED = 17  # values of a moderator at which a change of the verdict is looked for


@dataclass(frozen=True, eq=False, repr=False)
class Moderation:
    """The numbers of a pool with moderators; `Moderated`, which people hold, says what each is."""

    core: Core = field(repr=False)
    design: Design = field(repr=False)
    engine: Engine = field(repr=False)
    log_evidence: float
    within: str | None = None
    advice: tuple[str, ...] = ()
    diagnostics: Diagnostics | None = field(default=None, repr=False)

    @classmethod
    def of(
        cls,
        core: Core,
        moderators: Sequence[str],
        through_zero: Sequence[str] = (),
        within: str | None = None,
        interaction: Sequence[str] | None = None,
        *,
        progress: bool = False,
    ) -> Self:
        """Integrate; sample where that is asked for, or where the integration does not reach its accuracy.

        Parameters
        ----------
        core : Core
            The same panels without moderators; its priors and settings are used.
        moderators, through_zero : sequence of str
            Names of columns.
        within : str, optional
            Column of the level that panels are within.
        interaction : (str, str), optional
            Two moderators whose effects may depend on each other.
        progress : bool
            Whether to say how far it is.

        Raises
        ------
        PanelsError
            If the table cannot support the question; says all reasons.
        """
        design = read_design(core.panels, moderators, through_zero, within, interaction)
        engine: Engine | None = None
        evidence = float("nan")
        if core.settings["method"] == "grid" or is_quick(design, within):
            try:
                engine = by_integration(core, design, core.priors, within, watch=_Watch(progress))
                evidence = log_evidence_of(engine)
            except IntegrationError:
                if core.settings["method"] == "mcmc":
                    raise
        if engine is not None and core.settings["method"] == "grid":
            return cls(core, design, engine, evidence, within)
        return cls._sampled(core, design, evidence, within, progress)

    @classmethod
    def _sampled(cls, core: Core, design: Design, evidence: float, within: str | None, progress: bool) -> Self:
        from metasense.engine import sampler

        series, chains, draws = sampler.sample_moderated(
            core.collected.rows,
            core.priors,
            load=design.load,
            columns=design.columns,
            names=design.names,
            clusters=clusters_of(core.panels, within),
            **{name: core.settings[name] for name in ("draws", "chains", "seed")},
            progress=progress,
        )
        drawn = Drawn.of(series, draws, design.columns, one_sided=one_sided(core.directed, design))
        diagnostics = Diagnostics.of(chains)
        advice = diagnostics.advice
        if len(drawn) < FEW:
            advice += (f"Only {len(drawn)} draws have all centres on one side of 0, too few to trust. Sample longer.",)
        return cls(core, design, drawn, evidence, within, advice, diagnostics)

    @property
    def moderators(self) -> tuple[str, ...]:
        """Their names."""
        return tuple(m.name for m in self.design.moderators)

    @property
    def method(self) -> str:
        """``grid`` or ``mcmc``."""
        return "mcmc" if isinstance(self.engine, Drawn) else "grid"

    def at(self, /, **values: Any) -> Prediction:
        """Panels at these values of the moderators; those not named are as in the average panel.

        Parameters
        ----------
        **values : float or str
            A value for each moderator that is named, as in ``at(weeks=5)``.

        Returns
        -------
        Prediction

        Raises
        ------
        ValueError
            Naming each value that is not a moderator's, or that it cannot take.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> round(stored.at(weeks=5).average.median, 2), stored.at(weeks=10).verdict() == "beyond the margin"
        (1.03, True)
        """
        known = tuple(sorted((name, str(value)) for name, value in values.items()))
        return self._known[known] if known in self._known else self._known.setdefault(known, self._at(values))

    @cached_property
    def _known(self) -> dict[tuple[tuple[str, str], ...], Prediction]:
        return {}

    def _at(self, values: Mapping[str, Any]) -> Prediction:
        posterior = self._posterior(self.engine, values)
        values = {name: float(v) if self.design[name].numeric else v for name, v in values.items()}
        called = self.core.called
        notes = tuple(
            f"No panel had {called.name(name)} {'above' if value > high else 'below'} "
            f"{called.value(name, high if value > high else low)}: this goes beyond what was seen."
            for name, value in values.items()
            if self.design[name].numeric
            for low, high in [self.design[name].ends]
            if not low <= value <= high
        )
        assumed = self.design.dose is not None and values.get(self.design.dose.name) == 0
        return Prediction(
            values, posterior, self.core.margin, self.core.protocols, self.core.made, notes, assumed, called
        )

    def _posterior(self, engine: Engine, values: Mapping[str, Any]) -> Posterior:
        load, row = self.design.row(values)
        if not isinstance(engine, Levels):
            return engine.at(load, row)
        only = self.design.moderators[0]
        if not values:
            raise ValueError(f"say which {only.name}: {words.listing(only.categories)}.")
        return engine.group(only.categories.index(str(values[only.name])))

    def slope(self, name: str | None = None, /, **at: Any) -> Distribution:
        """Change of the panels' centre, in d-prime, per unit of a numeric moderator.

        With an interaction it depends on the other moderator, which is average unless its value is given.

        The centre of the average panel counts as positive unless some panel was directed. For a dose through zero this
        is the d-prime per unit of dose.

        Parameters
        ----------
        name : str, optional
            Which moderator of numbers; needed where there are several.
        **at : float or str
            Values of other moderators, as in ``slope("weeks", heated="yes")``.

        Returns
        -------
        Distribution
            In d-prime per unit of the moderator.

        Raises
        ------
        ValueError
            If there is no such moderator of numbers, or several and none is named.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> round(stored.slope().median, 2)
        0.17
        """
        moderator = self._numeric(name)
        if moderator.name in at:
            raise ValueError(f"a slope along {moderator.name} is at values of the others; leave out {moderator.name}=.")
        return self._slope(self.engine, moderator, at)

    def _slope(self, engine: Engine, moderator: Moderator, at: Mapping[str, Any] | None = None) -> Distribution:
        means = self.design.row({})[1]
        load, there = self.design.row(at or {})
        steepness = self.design.steepness(moderator.name, at)

        def value(mu: Array, beta: Array, tau: Array) -> Array:
            side = 1.0 if self.core.directed else np.where(_centre(mu, beta, 1.0, means) < 0, -1.0, 1.0)
            if moderator.through_zero:
                return np.asarray(side * _centre(mu, beta, 1.0, there) / moderator.unit + 0 * tau)
            return np.asarray(side * load * (beta @ steepness) + 0 * tau)

        assert not isinstance(engine, Levels)
        return engine.distribution(value)

    def interaction(self) -> Distribution:
        """By how much the slope of the first moderator of the interaction changes per unit of the second.

        Between its two most frequent words, the other less the most frequent one, where the second has words.

        Returns
        -------
        Distribution
            In d-prime per unit of the one and per unit of the other.

        Raises
        ------
        ValueError
            If the pool has no interaction, or one of words only.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": [f"P{i}" for i in range(12)], "protocol": "tetrad", "tastings": 40,
        ...          "correct": [13, 15, 18, 22, 27, 31, 14, 16, 15, 19, 17, 20], "weeks": [1, 2, 4, 6, 8, 10] * 2,
        ...          "degrees": [20] * 6 + [5] * 6}
        >>> pooled = ms.pool(table, moderators=["weeks", "degrees"], interaction=("weeks", "degrees"))
        >>> round(pooled.interaction().median, 3)
        0.008
        """
        if self.design.interaction is None:
            raise ValueError("there is no interaction in this pool; name two moderators in interaction=.")
        along, other = self._interacting
        low, high = other.categories[:2] if not other.numeric else (other.ends[0], other.ends[0] + 1.0)
        row = self.design.steepness(along.name, {other.name: high})
        row = row - self.design.steepness(along.name, {other.name: low})
        load, means = self.design.row({})

        def value(mu: Array, beta: Array, tau: Array) -> Array:
            side = 1.0 if self.core.directed else np.where(_centre(mu, beta, 1.0, means) < 0, -1.0, 1.0)
            return np.asarray(side * load * (beta @ row) + 0 * tau)

        assert not isinstance(self.engine, Levels)
        return self.engine.distribution(value)

    @property
    def has_slope_of_interaction(self) -> bool:
        """Whether there is an interaction, of which one moderator at least has numbers."""
        both = self.design.interaction
        return both is not None and any(self.design[name].numeric for name in both)

    def _per(self, other: Moderator) -> str:
        """What the second moderator of an interaction changes by, in words."""
        if other.numeric:
            return f"per unit of {other.name}"
        return f"from {other.categories[0]} to {other.categories[1]}"

    @property
    def _interacting(self) -> tuple[Moderator, Moderator]:
        """The moderators of the interaction, one of numbers first."""
        assert self.design.interaction is not None
        one, other = (self.design[name] for name in self.design.interaction)
        if not (one.numeric or other.numeric):
            raise ValueError(f"{one.name} and {other.name} are words and have no slopes; change() compares them.")
        return (one, other) if one.numeric else (other, one)

    def change(self, name: str, start: Any, stop: Any, *, protocol: str | Protocol | None = None) -> Distribution:
        """Change in the average d-prime (or in a protocol's p_d) from one value of a moderator to another.

        Where panels have a direction the d-prime is taken with its sign.

        Parameters
        ----------
        name : str
            The moderator.
        start, stop : float or str
            Its values.
        protocol : str or Protocol, optional
            Give the change in this protocol's p_d rather than in d-prime.

        Returns
        -------
        Distribution

        Raises
        ------
        ValueError
            Naming a moderator or a value that there is not.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> round(stored.change("weeks", 1, 10).median, 2)
        1.54
        >>> round(stored.change("weeks", 1, 10, protocol="tetrad").median, 2)
        0.58
        """
        test = None if protocol is None else forced_choice(protocol)
        functional: Functional = average_d_prime
        if test is not None:
            functional = average_p_correct(test, self.core.directed)
        elif self.core.directed:
            functional = signed_average
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
        return self.core.spread if self._level is None else self._level.spread_total()

    @cached_property
    def _level(self) -> Levels | None:
        """The pool with the level and without the moderators; None without a level."""
        if self.within is None:
            return None
        collected = self.core.collected
        clusters = clusters_of(self.core.panels, self.within)
        assert clusters is not None
        groups = Groups.of(collected.evidence, clusters, collected.index)
        return Levels.integrate(groups, self.core.priors, self.core.posterior)

    @cached_property
    def share(self) -> Distribution:
        """Share of the variance between these panels that goes with the moderators."""
        return self._share(self._joint)

    @cached_property
    def share_before(self) -> float:
        """Median of the same under the priors alone."""
        priors, rng = self.core.priors, np.random.default_rng(self.core.settings["seed"])
        columns = self.design.columns
        draws = {
            "mu": rng.normal(0, priors.centre_scale, PRIOR_DRAWS),
            "beta": rng.normal(0, priors.slope_scale, (PRIOR_DRAWS, columns.shape[1])),
            "tau": np.abs(rng.normal(0, priors.spread_scale, PRIOR_DRAWS)),
        }
        if self.within is not None:  # two spreads, each of scale spread_scale / sqrt(2)
            draws["tau"] = np.hypot(*rng.normal(0, priors.spread_scale / np.sqrt(2), (2, PRIOR_DRAWS)))
        if not self.core.directed:
            draws["mu"] = np.abs(draws["mu"])
        engine = self.engine
        series = engine.groups.series[0] if isinstance(engine, Levels) else engine.series
        return self._share(
            Drawn.kept(series, draws, columns, one_sided=one_sided(self.core.directed, self.design))
        ).median

    def _share(self, engine: Sloped | Several | Drawn) -> Distribution:
        def value(mu: Array, beta: Array, tau: Array) -> Array:
            first = second = np.zeros(())
            for load, row in zip(self.design.load, self.design.columns, strict=True):
                centre = _centre(mu, beta, load, row)
                centre = centre if self.core.directed else np.abs(centre)
                first, second = first + centre, second + centre**2
            n = len(self.design.load)
            varying = np.maximum(second / n - (first / n) ** 2, 0.0)
            return np.asarray(varying / np.maximum(varying + tau**2, 1e-12))

        return engine.distribution(value)

    @property
    def bayes_factor(self) -> float:
        """How many times as probable the panels are with the moderators as without; the level, if any, is in both.

        Not a number where it was not integrated.
        """
        without = self.core.evidences.varying if self._level is None else self._level.box.log_evidence
        return float(np.exp(self.log_evidence - without))

    @cached_property
    def _joint(self) -> Sloped | Several | Drawn:
        """What knows of several values at once; for categories, whose posteriors are single, joint draws of them."""
        if not isinstance(self.engine, Levels):
            return self.engine
        centres, mu, within = self.engine.draw_centres(np.random.default_rng(self.core.settings["seed"]))
        return Drawn(self.engine.groups.series[0], {"mu": mu, "beta": centres - mu[:, None], "tau": within})

    @property
    def draws(self) -> xr.Dataset:
        """Posterior draws of this model: ``average``, ``spread``, ``centre``, ``effect`` and panels' ``d_prime``.

        Dims chain, draw, moderator and panel; effects are per standard deviation of a moderator of numbers. With a
        level also ``between`` and ``within``. Where PyMC sampled, and all centres are kept on one side of 0, these are
        the draws that are, as many of each chain.
        """
        return self._drawn.data

    @cached_property
    def _drawn(self) -> Draws:
        model = self._model
        engine = self.engine if isinstance(self.engine, Several | Drawn) else joint(self.core, model)
        groups = None if self.within is None else list(dict.fromkeys(level(self.core.panels, self.within)))
        return drawn(self.core, engine, model, self.design.names, groups)

    def _each_left_out(self) -> Array:
        model = self._model
        standing = np.column_stack([model.load, model.columns, *([] if model.clusters is None else [model.clusters])])

        def log_evidence(core: Core) -> float:
            return log_evidence_of(by_integration(core, self.design, core.priors, self.within))

        return each_left_out(self.core, list(map(tuple, standing.tolist())), log_evidence)

    def _put_in(self) -> str:
        return self.core.called.listed(self.moderators)

    def _statistics(self) -> xr.Dataset | None:
        return None if self.diagnostics is None else self.diagnostics.statistics

    @property
    def _model(self) -> Model:
        design, core = self.design, self.core
        clusters = clusters_of(core.panels, self.within)
        return Model(
            core.collected.rows, core.priors, design.load, design.columns, clusters, one_sided(core.directed, design)
        )

    def _numeric(self, name: str | None) -> Moderator:
        numeric = [m for m in self.design.moderators if m.numeric]
        if name is None and len(numeric) > 1:
            raise ValueError(f"say whose slope: {words.listing(m.name for m in numeric)}.")
        moderator = self.design[name] if name else numeric[0] if numeric else self.design.moderators[0]
        if not moderator.numeric:
            raise ValueError(f"{moderator.name} is no number, so it has no slope; change() compares its categories.")
        return moderator

    def stated(self, moderator: Moderator) -> Sequence[Any]:
        """The values that are spoken of: the ends, without the zero that a line is sent through; every category."""
        if not moderator.numeric:
            return moderator.categories
        low, high = moderator.ends
        low = float(moderator.values[moderator.values > 0].min()) if moderator.through_zero else low
        return tuple(dict.fromkeys((low, high)))

    def verdicts(self, name: str | None = None) -> pd.DataFrame:
        """The verdict at the lowest and highest value of a moderator (of the first, by default), or in each category.

        Parameters
        ----------
        name : str, optional
            The moderator; the first by default.

        Returns
        -------
        DataFrame
            One row a value: ``value, p_above, p_below, verdict``, other moderators being average.

        Raises
        ------
        ValueError
            If there is no such moderator.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.verdicts()[["value", "verdict"]]
           value            verdict
        0    1.0  within the margin
        1   10.0  beyond the margin
        """
        m = self.design.moderators[0] if name is None else self.design[name]
        found = {value: self._verdict(m, value) for value in self.stated(m)}
        return pd.DataFrame(
            {"value": value, "p_above": v.above, "p_below": v.below, "verdict": v.label} for value, v in found.items()
        )

    def _verdict(self, m: Moderator, value: Any) -> Verdict:
        return self.at(**{m.name: value}).verdict()

    def turns(self, name: str | None = None) -> list[tuple[float, str, str]]:
        """Where the verdict changes along a numeric moderator: the value, the verdict below it and the one above.

        To a five-hundredth of the range of the values; what turns and turns back within a sixteenth may be missed.

        Parameters
        ----------
        name : str, optional
            Which moderator of numbers; needed where there are several.

        Returns
        -------
        list of (float, str, str)

        Raises
        ------
        ValueError
            If the moderator has categories, or is not named where there are several.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> [(round(value), before, after) for value, before, after in stored.turns()]
        [(3, 'within the margin', 'not settled'), (6, 'not settled', 'beyond the margin')]
        """
        m = self._numeric(name)
        if self.core.margin is None:
            return []
        x = np.linspace(self.stated(m)[0], m.ends[1], LOOKED)

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
        named = [(name, self._under(priors)) for name, priors in sensitivity.corners(self.core.priors, self._scales)]
        engines = [(name, engine) for name, engine in named if engine is not None]
        frames = []
        for m in self.design.moderators:
            if m.numeric:
                others = ((name, self._slope(engine, m)) for name, engine in engines)
                slopes = sensitivity.beside(self._slope(self.engine, m), others, None)
                frames.append(slopes.assign(quantity=f"d-prime per unit of {m.name}", at=""))
            for value in self.stated(m):
                at = {m.name: value}
                others = ((name, self._posterior(engine, at).average) for name, engine in engines)
                there = sensitivity.beside(self.at(**at).average, others, self.core.margin)
                frames.append(there.assign(quantity=f"average d-prime at {where(at)}", at=where(at)))
        return pd.concat(frames, ignore_index=True)

    @property
    def _scales(self) -> int:
        """How many prior scales there are: without slopes or categories only those of centre and spread."""
        return 3 if self.design.columns.shape[1] else 2

    def _under(self, priors: Priors) -> Engine | None:
        """The posterior under other priors, by weighing what is there; None where too few draws would count."""
        engine, old = self.engine, self.core.priors
        if (
            isinstance(engine, Levels) and priors.slope_scale != old.slope_scale
        ):  # it fixes how far categories lie apart
            engine, old = self._apart(priors.slope_scale), replace(old, slope_scale=priors.slope_scale)
        other = engine.under(old, priors)
        if isinstance(engine, Drawn) or (isinstance(other, Sloped | Levels) and other.box.error <= TOLERANCE):
            return other
        if isinstance(other, Several):
            return other
        try:
            return by_integration(self.core, self.design, priors, self.within, rough=True)
        except IntegrationError:  # as where too few draws would count
            return None

    def _apart(self, scale: float) -> Levels:
        """The categories with another prior of their deviations."""
        if scale not in self._levels:
            found = by_integration(self.core, self.design, replace(self.core.priors, slope_scale=scale))
            assert isinstance(found, Levels)
            self._levels[scale] = found
        return self._levels[scale]

    @cached_property
    def _levels(self) -> dict[float, Levels]:
        return {}

    def to_frame(self, prob: float = 0.95, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals.
        protocols : str, Protocol or sequence of them, optional
            Whose p_d to give; the pool's ``protocol`` by default.

        Returns
        -------
        DataFrame
            For each moderator its slope per unit (numeric ones), the average d-prime (also with its sign, where panels
            have one), each protocol's p_d and the next panel's d-prime at its lowest and highest value (or in each
            category), the change in average d-prime and p_d between them, then the spread with and without moderators
            and the share of the variance that goes with them;
            columns ``quantity, mean, median, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> stored = ms.pool(table, moderators="weeks", margin=ms.Margin(d_prime=1))
        >>> stored.to_frame()[["quantity", "median"]].round(2).head(3)
                                  quantity  median
        0        d-prime per unit of weeks    0.17
        1     average d-prime at weeks = 1    0.36
        2  next panel d-prime at weeks = 1    0.34
        """
        return self._frame(prob, protocols)

    def _frame(self, prob: float, protocols: Tests | None = None, called: Called | None = None) -> pd.DataFrame:
        """The same, with the moderators under their headings or as they are called."""
        tests = protocols_of(protocols, [self.core.main_protocol])
        rows: dict[str, Distribution] = {}
        for m in self.design.moderators:
            if m.numeric:
                rows[f"d-prime per unit of {m.name if called is None else called.with_unit(m.name)}"] = self.slope(
                    m.name
                )
            stated = self.stated(m)
            for value in stated:
                there = self.at(**{m.name: value})
                place = where({m.name: value}) if called is None else called.where({m.name: value})
                rows[f"average d-prime at {place}"] = there.average
                if self.core.directed:
                    rows[f"signed average d-prime at {place}"] = there.signed
                rows[f"next panel d-prime at {place}"] = there.next_d_prime
                rows |= {f"p_d ({test.name}) at {place}": there.rate(test).p_d for test in tests}
            for other in stated[1:]:
                between = f"from {where({m.name: stated[0]})} to {said_value(other)}"
                if called is not None:
                    between = f"from {called.where({m.name: stated[0]})} to {called.value(m.name, other)}"
                signed = "signed " if self.core.directed else ""
                rows[f"change in {signed}average d-prime {between}"] = self.change(m.name, stated[0], other)
                for test in tests:
                    change = self.change(m.name, stated[0], other, protocol=test)
                    rows[f"change in p_d ({test.name}) {between}"] = change
        if self.has_slope_of_interaction:
            along, other = self._interacting
            rows[f"change in d-prime per unit of {along.name} {self._per(other)}"] = self.interaction()
        rows["spread with moderators"] = self.spread
        if self.within is not None and isinstance(self.engine, Several | Drawn):
            for part in ("between", "within"):
                rows[f"spread with moderators, {part} values of {self.within}"] = self.engine.part(part)
        rows["spread without moderators"] = self.spread_without
        rows["share of the variance with the moderators"] = self.share
        return pd.DataFrame([quantity(name, value, prob) for name, value in rows.items()])

    @property
    def through_zero(self) -> list[str]:
        return [m.name for m in self.design.moderators if m.through_zero]

    @cached_property
    def left_free(self) -> Self | None:
        """The same single dose with a line that need not pass through zero; None beside others or where sampled."""
        alone = len(self.design.moderators) == 1 and self.within is None
        if not alone or not self.through_zero or self.method != "grid":
            return None
        return type(self).of(self.core, self.through_zero, [])


def one_sided(directed: bool, design: Design) -> bool:
    """Whether the panels' centres are kept on one side of 0: undirected panels and a line that may cross it."""
    return not directed and any(m.numeric and not m.through_zero for m in design.moderators)


def clusters_of(panels: Panels, within: str | None) -> Array | None:
    """Each panel's value of the level, counted from 0."""
    return None if within is None else pd.factorize(level(panels, within))[0]


def is_quick(design: Design, within: str | None) -> bool:
    """Whether a grid serves, so that sampled draws can be held against it at no cost."""
    if within is not None:
        return False
    kinds = [m.numeric for m in design.moderators]
    return kinds == [False] or (design.columns.shape[1] < 2 and all(kinds))


def by_integration(
    core: Core,
    design: Design,
    priors: Priors,
    within: str | None = None,
    *,
    rough: bool = False,
    watch: Callable[[int], None] | None = None,
) -> Sloped | Levels | Several:
    """The posterior by integration.

    Raises
    ------
    IntegrationError
        If its own check is not met.
    """
    collected = core.collected
    only = design.moderators[0]
    if not is_quick(design, within):
        return Several.integrate(
            collected.rows,
            priors,
            core.posterior,
            load=design.load,
            columns=design.columns,
            clusters=clusters_of(core.panels, within),
            one_sided=one_sided(core.directed, design),
            rough=rough,
            watch=watch,
        )
    if not only.numeric:
        groups = Groups.of(collected.evidence, only.columns.argmax(axis=1), collected.index)
        return Levels.integrate(groups, priors, core.posterior, between=priors.slope_scale)
    z = design.columns[:, 0] if design.columns.shape[1] else None
    return Sloped.integrate(collected.rows, design.load, z, priors, core.posterior)


def log_evidence_of(engine: Sloped | Levels | Several) -> float:
    """Log evidence of what was integrated."""
    return engine.log_evidence if isinstance(engine, Several) else engine.box.log_evidence


class _Watch:
    """Says what the integration is at, where that was asked for or takes more than two seconds."""

    def __init__(self, progress: bool) -> None:
        self.progress, self.begun = progress, time.monotonic()

    def __call__(self, points: int) -> None:
        if self.progress or time.monotonic() - self.begun > PATIENCE:
            print(f"integrating with {points:,} points ...", file=sys.stderr)


def _centre(mu: Array, beta: Array, load: float, row: Array) -> Array:
    return np.asarray(load * (mu + beta @ row if len(row) else mu), float)
