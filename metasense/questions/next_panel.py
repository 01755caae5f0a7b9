"""What to run next: for each plan the chance that it settles the question, and what it costs in cups and people.

A plan is a protocol, a number of tasters and a number of panels, on new batch pairs or again on one already tasted.
What it may bring is drawn from what the pool now knows, and each outcome is pooled as if it had come in. That is not
done by fitting again: the posterior's nodes stay where they are and only their weights change, by the likelihood of the
new counts, which is looked up in a table made once a plan. One panel is followed through every count it can give; so
are several where the combinations are few; otherwise combinations are drawn, and the error of drawing is stated.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import combinations_with_replacement, product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp
from scipy.stats import binom

from metasense.core.answers import Verdict, margin_words
from metasense.core.core import Core, HasCore, plain_core
from metasense.engine.grid import NODES, Region, Stretch, integrate, overdispersions
from metasense.engine.likelihood import Counts, Evidence, Series
from metasense.engine.posterior import chebyshev
from metasense.engine.priors import Priors
from metasense.margins import SETTLED, Margin, stated
from metasense.protocols import Protocol, TwoCountProtocol, forced_choice
from metasense.showing import figures, words
from metasense.showing.results import Statement
from metasense.showing.tables import Table, table

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from matplotlib.axes import Axes

Array = NDArray[np.floating[Any]]

HOPELESS = 0.01  # a plan with a smaller chance than this is said not to settle the question
DRAWS = 4000  # combinations of counts drawn where there are more than so many
RARE = 1e-10  # probability below which a count is left out of the tables
POINTS = 257  # average d-primes at which a refitted posterior is cumulated for its interval
BATCH = 256  # refits at a time: small enough for the cache, and the same sums whatever runs them
RESOLVED = 0.001  # mean change of P(below the margin) when every second node is left out
CHECKED = 64  # outcomes, the most probable, that this is looked at for
LEVELS = (NODES, 2 * NODES - 1, 4 * NODES - 3)
DECIMALS = 9  # so that the order in which a linear algebra library adds up does not show
MOST_TASTERS, MOST_PANELS = 2000, 50
CANNOT, CANNOT_BOUND = "cannot settle it", "cannot end within the margin"
SHOWN = 12  # plans in a cell and in the figure


@dataclass(frozen=True)
class Plan:
    """Panels that could be run next.

    Parameters
    ----------
    protocol : Protocol or str
        A forced-choice protocol.
    tasters : int
        In each panel; every taster answers once.
    panels : int
        How many such panels.
    same_pair_as : str, optional
        A panel already pooled whose batch pair is tasted again; without it every panel has a new batch pair.

    Raises
    ------
    ValueError
        If the protocol is not forced-choice, or a number is not a whole number in its range.

    Examples
    --------
    >>> plan = Plan("tetrad", 24, panels=2)
    >>> plan.name, plan.cups
    ('tetrad, 2 panels of 24, new pairs', 192)
    """

    protocol: Protocol
    tasters: int
    panels: int = 1
    same_pair_as: str | None = None

    def __init__(
        self, protocol: Protocol | str, tasters: int, panels: int = 1, same_pair_as: str | None = None
    ) -> None:
        numbers = {"tasters": (tasters, MOST_TASTERS), "panels": (panels, MOST_PANELS)}
        wrong = [f"{name} = {n!r} (1 to {most})" for name, (n, most) in numbers.items() if not _counted(n, most)]
        if wrong:
            raise ValueError(f"a plan has a whole number of tasters and panels; got {', '.join(wrong)}.")
        for name, value in (("protocol", forced_choice(protocol)), ("tasters", int(tasters)), ("panels", int(panels))):
            object.__setattr__(self, name, value)
        object.__setattr__(self, "same_pair_as", same_pair_as)

    @classmethod
    def every(
        cls,
        protocols: Iterable[Protocol | str],
        tasters: Iterable[int],
        panels: Iterable[int] = (1,),
        same_pair_as: Iterable[str | None] = (None,),
    ) -> tuple[Plan, ...]:
        """Every combination, for instance ``Plan.every(["triangle", "tetrad"], [24, 36], [1, 2, 4])``.

        Parameters
        ----------
        protocols : iterable of str or Protocol
            Forced-choice protocols.
        tasters : iterable of int
            In each panel.
        panels : iterable of int
            How many panels.
        same_pair_as : iterable of str or None
            Panels whose batch pair is tasted again; None for new pairs.

        Returns
        -------
        tuple of Plan

        Examples
        --------
        >>> import metasense as ms
        >>> [plan.name for plan in ms.Plan.every(["triangle", "tetrad"], [24])]
        ['triangle, 1 panel of 24, new pair', 'tetrad, 1 panel of 24, new pair']
        """
        return tuple(cls(*chosen) for chosen in product(protocols, tasters, panels, same_pair_as))

    @property
    def tastings(self) -> int:
        """Answers in all."""
        return self.tasters * self.panels

    @property
    def cups(self) -> int:
        """Samples poured in all."""
        return self.tastings * self.protocol.cups

    @property
    def name(self) -> str:
        """The plan in a few words."""
        size = f"1 panel of {self.tasters}" if self.panels == 1 else f"{self.panels} panels of {self.tasters}"
        pair = ("new pair" if self.panels == 1 else "new pairs") if self.same_pair_as is None else "same pair as "
        return f"{self.protocol.name}, {size}, {pair}{words.one_line(self.same_pair_as or '')}"


@dataclass(frozen=True, eq=False, repr=False)
class Plans(Statement):
    """Plans compared by what they may settle and what they cost. Made by `plan_next`.

    Attributes
    ----------
    margin : Margin
    now : Verdict
        Where the pool stands before any of them.
    width : float
        Width of the present interval of the average d-prime (95 %, equal-tailed).
    plans : tuple of Plan
        Ranked: first the one with the largest chance of settling per cup; where the question is settled already, the
        one that narrows the interval most per cup.
    frame : DataFrame
        One row a plan, as `to_frame` describes.
    notes : tuple of str

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
    >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
    >>> plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24]))
    >>> plans.best.name
    'triangle, 1 panel of 24, new pair'
    """

    margin: Margin
    now: Verdict
    width: float
    plans: tuple[Plan, ...]
    frame: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """The numbers, one row a plan in rank order.

        Returns
        -------
        DataFrame
            ``plan, protocol, tasters, panels, same_pair_as``; chances ``settled`` and, of it, ``beyond`` and
            ``within``; ``within_if_none``, the chance of ending within the margin if there were nothing to taste in
            any of the new panels; ``error``, the standard error of these chances from drawing (0: every outcome was
            followed); ``width``, the expected width of the 95 % interval of the average d-prime; ``tastings, cups``;
            ``people``, if nobody comes twice; ``batch_pairs``, new ones needed; ``cups_by_chance``, cups divided by the
            chance of settling, missing where it is settled already; ``says``, what the plan cannot do; ``outcomes``,
            how many were pooled; ``nodes`` per axis, and whether they ``resolved`` the posteriors. Of a question that
            is settled already, `settled` is the chance that it still is.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24]))
        >>> plans.to_frame()[["protocol", "settled"]].round(2)
           protocol  settled
        0  triangle      0.0
        1    tetrad      0.0
        """
        return self.frame.copy()

    @property
    def best(self) -> Plan:
        """The first of the ranked plans."""
        return self.plans[0]

    @property
    def already(self) -> bool:
        """Whether the question is settled before any of the plans."""
        return self.now.label != words.VERDICTS[2]

    def _line(self) -> str:
        if (self.frame["says"] == CANNOT).all():
            return self._cannot()
        best = "Narrowing most for its cups" if self.already else "Best for its cups"
        return f"{best if len(self.frame) > 1 else 'The plan'}: {self._chances(self.frame.iloc[0])}"

    def _cannot(self) -> str:
        which = "None of these plans can" if len(self.frame) > 1 else f"This plan ({self.best.name}) cannot"
        return f"{which} settle it: the chance is less than 1 in 100."

    def _methods(self) -> list[str]:
        drawn = (self.frame["error"] > 0).any()
        return [
            "What each plan may bring is predicted from the pooled posterior, the next panel's own d-prime included, "
            "and every outcome is pooled with the panels so far: the posterior's integration nodes are reweighted by "
            "the likelihood of the new counts.",
            f"Settled: a posterior probability above {words.percent(SETTLED)} on one side of the margin, "
            f"{margin_words(self.margin)}.",
            "Plans with few possible outcomes are followed through all of them"
            + ("; for the others outcomes are drawn, and the standard error is stated." if drawn else "."),
        ]

    def _paragraph(self) -> str:
        frame = self.frame
        said = [
            f"Now {self.now.label}: the probability that the average d-prime is below the margin, "
            f"{margin_words(self.margin)}, is {words.probability(self.now.below)}."
        ]
        if self.already:
            said.append(
                "The question is settled already, so there is nothing left for a plan to settle. More panels can "
                "narrow the answer, or unsettle it."
            )
        said.append(self._line())
        if not self.already and not (frame["says"] == CANNOT).all():
            first, likely = frame.iloc[0], frame.loc[frame["settled"].idxmax()]
            if likely["plan"] != first["plan"]:
                said.append(f"Likeliest to settle it: {self._chances(likely)}")
        never = frame["within_if_none"] < HOPELESS
        if never.any() and not self.already:
            if len(frame) == 1:
                which = "this plan has"
            elif never.all():
                which = "each of these plans has"
            else:
                which = f"{int(never.sum())} of these {len(frame)} plans {'has' if never.sum() == 1 else 'have'}"
            said.append(
                f"If there is truly nothing to taste, {which} a chance of less than 1 % to end within the margin."
            )
        return " ".join(said)

    def _chances(self, row: Any) -> str:
        error = f" (Monte Carlo error {words.percent(row['error'], 1)})" if row["error"] else ""
        what = "that it is still settled" if self.already else "of settling it"
        return (
            f"{row['plan']}: chance {what} {words.probability(row['settled'])}{error}, beyond the margin "
            f"{words.probability(row['beyond'])}, within it {words.probability(row['within'])}; the 95 % interval of "
            f"the average d-prime would be {words.d(row['width'])} wide instead of {words.d(self.width)}; "
            f"{words.count(row['cups'], 'cup')} for {words.count(row['people'], 'taster')}."
        )

    def plot(self, *, most: int = SHOWN, ax: Any = None) -> Axes:
        """Chance of settling, plan by plan in rank order: the light part within the margin, the rest beyond it.

        Parameters
        ----------
        most : int
            Plans to draw, the best first.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24]))
        >>> from matplotlib.figure import Figure
        >>> axes = plans.plot(ax=Figure())
        """
        frame = self.frame.iloc[:most]
        names = [f"{row.plan}: {words.count(row.cups, 'cup')}" for row in frame.itertuples()]
        what = "that the question is still settled" if self.already else "of settling the question"
        label = f"chance {what}\nlight: within the margin; dark: beyond it"
        ax = figures.bars(names, frame["settled"], xlabel=label, ax=ax)
        look = {"height": 0.6, "color": figures.WASH, "edgecolor": figures.BLUE, "lw": 0.8}
        ax.barh(np.arange(len(frame)), frame["within"], **look)
        first = "narrowing most per cup" if self.already else "most likely per cup"
        ax.set_title(f"light: within the margin; dark: beyond it; {first} at the top", loc="left", fontsize=9)
        return ax

    def _table(self) -> Table:
        names = ["plan", "settled", "beyond", "within", "error", "width", "cups", "people", "cups_by_chance", "says"]
        frame = self.frame[names].copy()
        frame.loc[frame["says"] == CANNOT, "cups_by_chance"] = np.nan
        labels = {
            "settled": "still settled" if self.already else "settled",
            "error": "± (SE)",
            "width": "expected width",
            "cups_by_chance": "cups ÷ chance",
            "says": "",
        }
        if self.already:
            frame = frame.drop(columns=["cups_by_chance", "says"])
        kinds: dict[str, Any] = dict.fromkeys(["settled", "beyond", "within"], "probability")
        kinds |= dict.fromkeys(["cups", "people"], "count")
        kinds |= {
            "error": lambda se: words.percent(se, 1) if se else "exact",
            "cups_by_chance": lambda c: f"{c:,.0f}",
        }
        what = "that the question is still settled after each plan" if self.already else "of each plan to settle it"
        first = "most narrowing per cup first" if self.already else "fewest cups per chance first"
        caption = f"Chance {what}, {first}; width: of the 95 % interval of the average d-prime"
        return table(frame, caption=caption, labels=labels, kinds=kinds, most=SHOWN)

    def _shown(self) -> list[str | Table]:
        return [self._paragraph(), self._table(), *(f"Note: {note}" for note in self.notes)]


def plan_next(
    pooled: HasCore,
    candidates: Plan | Iterable[Plan] | None = None,
    *,
    margin: Margin | None = None,
    draws: int = DRAWS,
    seed: int = 1,
    executor: Executor | None = None,
) -> Plans:
    """Compare plans for the next panels by their chance of settling the question.

    Settled means that the average d-prime has more than 95 % of its posterior on one side of the margin.

    Parameters
    ----------
    pooled : Pooled
        What is known. A pool by sampling is integrated again, since its posterior is reweighted on a grid.
    candidates : Plan or iterable of Plan, optional
        By default: the protocols of the pool, tetrad and 3-AFC, at the usual size of its panels and at twice that, as
        1, 2 and 4 panels on new batch pairs, and once more on the batch pair of the latest panel.
    margin : Margin, optional
        That of the pool by default.
    draws : int
        Combinations of counts drawn for plans with more combinations than that; for all others the chances are exact.
    seed : int
        Of the draws, 0 or more. Each plan's stream depends on the seed and on the plan alone.
    executor : concurrent.futures.Executor, optional
        Where the plans are worked out, for instance a ``ProcessPoolExecutor`` or a Dask client's ``get_executor()``.
        The answer is the same to the bit with any and with none.

    Returns
    -------
    Plans

    Raises
    ------
    ValueError
        If there is no margin, no plan, a plan names a panel that was not pooled, or a number is none.

    Notes
    -----
    On new batch pairs each panel's d-prime is drawn from the spread between panels. On a batch pair tasted again it is
    that earlier panel's own, so all the answers together tell of one d-prime more exactly and of the average only
    through it. A directed protocol in a pool without one is taken to name the attribute in the direction that the
    difference has on average; when its counts are pooled, either direction is allowed.

    Examples
    --------
    >>> from metasense.results.pooling import pool
    >>> pooled = pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [30, 36], "correct": [12, 11]},
    ...               margin=Margin(d_prime=1.0))
    >>> plans = plan_next(pooled, Plan.every(["triangle", "tetrad"], [36]))
    >>> plans.best.name, plans.to_frame()["settled"].round(2).tolist()
    ('tetrad, 1 panel of 36, new pair', [0.4, 0.11])
    """
    core = plain_core(pooled)
    margin = core.margin if margin is None else margin
    if margin is None:
        raise ValueError(
            "settling needs a margin: pool(..., margin=...) or plan_next(..., margin=ms.Margin(d_prime=0.5))."
        )
    margin = stated(margin)
    if isinstance(candidates, Plan):
        candidates = [candidates]
    plans = _usual(core) if candidates is None else tuple(candidates) if isinstance(candidates, Iterable) else ()
    if not plans or not all(isinstance(plan, Plan) for plan in plans):
        raise ValueError('candidates are plans, at least one: Plan.every(["triangle", "tetrad"], [24, 36], [1, 2]).')
    plans = tuple(dict.fromkeys(plans))
    if not _counted(draws, 10_000_000) or draws < 100:
        raise ValueError(f"draws is a whole number from 100 on; got {draws!r}.")
    if not isinstance(seed, (int, np.integer)) or seed < 0:
        raise ValueError(f"seed is a whole number from 0 on; got {seed!r}.")
    known = _Known.of(core, margin)
    jobs = [_Job(known, plan, known.tasted(core, plan), int(draws), seed) for plan in plans]
    run = map if executor is None else executor.map
    rows = list(run(_work_out, jobs))
    frame = pd.DataFrame(rows)
    lower, upper = core.average.interval()
    now = Verdict.of(core.average, margin)
    hopeless, bounded = frame["settled"] < HOPELESS, frame["within_if_none"] < HOPELESS
    if now.label == words.VERDICTS[2]:
        with np.errstate(divide="ignore"):
            frame["cups_by_chance"] = frame["cups"] / frame["settled"].to_numpy()
        frame["says"] = np.where(hopeless, CANNOT, np.where(bounded, CANNOT_BOUND, ""))
        order = np.lexsort((frame["cups"], frame["cups_by_chance"], hopeless))
    else:  # a plan that hardly says anything keeps it settled best, so the chance ranks nothing
        frame["cups_by_chance"], frame["says"] = np.nan, ""
        order = np.lexsort((frame["cups"], -(upper - lower - frame["width"]) / frame["cups"]))
    ranked = tuple(plans[i] for i in order)
    frame = frame.iloc[order].reset_index(drop=True)
    return Plans(margin, now, upper - lower, ranked, frame, tuple(_notes(core, ranked, frame)))


def _usual(core: Core) -> tuple[Plan, ...]:
    """Plans worth a first look."""
    frame = core.panels.frame
    sizes = frame["tastings"].fillna(frame["signal"] + frame["noise"]).to_numpy(float)
    size = int(min(max(6, 6 * round(float(np.median(sizes)) / 6)), MOST_TASTERS // 2))  # whole sets of serving orders
    protocols = dict.fromkeys([*(test.name for test in core.protocols), "tetrad", "3-AFC"])
    plans = Plan.every(protocols, [size, 2 * size], [1, 2, 4])
    latest = frame.sort_values("date", kind="stable", na_position="first")["panel"].to_list()
    simple = {
        name
        for name, i in zip(frame["panel"], core.collected.index, strict=True)
        if isinstance(core.collected.evidence[i], Counts)
    }
    latest = [name for name in latest if name in simple]
    return plans + (Plan.every(protocols, [size], [1], latest[-1:]) if latest else ())


def _notes(core: Core, plans: Sequence[Plan], frame: pd.DataFrame) -> Iterable[str]:
    named = dict.fromkeys(plan.protocol.name for plan in plans if plan.protocol.directed)
    if named:
        yield (
            f"Needs an attribute named beforehand: {words.listing(named)}. The chances hold if the products differ in "
            "that attribute and the panels already pooled found that same difference."
        )
    for panel in dict.fromkeys(plan.same_pair_as for plan in plans if plan.same_pair_as is not None):
        pair = core.panels[panel].frame["batch_pair"].iloc[0]
        yield (
            f"The same pair as {words.one_line(panel)}{'' if pd.isna(pair) else f' ({words.one_line(pair)})'}: further "
            "tastings tell of that batch pair, taken to keep the d-prime it had in that panel, and of the average only "
            "through it. New batch pairs also show how much batches differ."
        )
    if (frame["panels"] > 1).any():
        yield (
            "Several panels stand for as many batch pairs. On one new batch pair they would tell about as much as one "
            "panel of all the tasters."
        )
    for mask, text in (
        (frame["nodes"] > LEVELS[0], "Worked out on a finer grid, as they would narrow the answer much"),
        (~frame["resolved"], "Beyond what the finest grid resolves, so only roughly right"),
    ):
        if mask.any():
            yield f"{text}: {'; '.join(frame.loc[mask, 'plan'])}."
    yield (
        "People are counted as if nobody came twice. Chances are averaged over what is now believed, so they are no "
        "better than that."
    )


# --- the posterior on nodes that can be reweighted --------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Nodes:
    """One posterior on a product grid of average d-prime and angle, for each sign of the centre.

    Attributes
    ----------
    mu, tau, weight, predicting : ndarray, shape (nodes,)
        `weight` is the posterior that is reweighted, `predicting` the one that new panels are drawn from.
    ladder : ndarray, shape (signs * distances, points)
        Takes a posterior's weights at each distance to its cumulative probability at `points`.
    points : ndarray, shape (points,)
        Average d-primes; the first is the margin.
    angles : int
        Nodes per distance.
    by_gamma : ndarray, shape (gammas, nodes)
        Probability of each overdispersion at each node.
    """

    mu: Array
    tau: Array
    weight: Array
    predicting: Array
    ladder: Array
    points: Array
    angles: int
    by_gamma: Array

    def refit(self, log_tables: Array, counts: Array) -> tuple[Array, Array, Array]:
        """Posteriors after new counts, by looking up.

        Parameters
        ----------
        log_tables : ndarray, shape (kinds, nodes)
            Log likelihood at the nodes of each count a panel can give.
        counts : ndarray, shape (outcomes, kinds)
            How many panels gave each.

        Returns
        -------
        log_probability, below, width : ndarray, shape (outcomes,)
            Log probability of these counts in this order, P(average d-prime < margin), width of its 95 % interval.
        """
        out = np.empty((3, len(counts)))
        for start in range(0, len(counts), BATCH):
            part = slice(start, start + BATCH)
            likelihood = counts[part] @ log_tables
            peak = likelihood.max(axis=1)
            likelihood -= peak[:, None]
            np.exp(likelihood, out=likelihood)
            out[0, part] = np.log(np.maximum(likelihood @ self.predicting, 1e-300)) + peak
            likelihood *= self.weight
            distances = likelihood.reshape(len(likelihood), -1, self.angles).sum(axis=2)
            cdf = distances @ self.ladder / distances.sum(axis=1, keepdims=True)
            out[1, part] = cdf[:, 0]
            for row, rising in enumerate(np.maximum.accumulate(cdf[:, 1:], axis=1)):
                low, high = np.interp([0.025, 0.975], rising, self.points[1:])
                out[2, start + row] = high - low
        return out[0], out[1], out[2]


@dataclass(frozen=True, eq=False)
class _Known:
    """What is needed to lay the nodes of a pool's posterior as densely as a plan asks for."""

    series: tuple[Series, ...]
    gamma_weights: Array
    priors: Priors
    boxes: tuple[tuple[float, Stretch, Stretch], ...]  # sign of the centre, average d-prime, angle
    margin: float

    @classmethod
    def of(cls, core: Core, margin: Margin) -> _Known:
        posterior = core.posterior
        if posterior.patches[0].fine is None:
            posterior = integrate(core.collected.evidence, core.collected.copies, core.priors)[0]
        by_gamma = {p.series.gamma: p.series for p in posterior.patches}
        gammas, weights = overdispersions(core.collected.evidence)
        boxes = []
        for sign in (1.0, -1.0):
            patches = [p for p in posterior.patches if p.ray_mu is not None and sign * p.ray_mu.sum() > 0]
            if patches:
                t = [(p.fine[1:], p.share * np.diff(p.running.sum(axis=1))) for p in patches]  # type: ignore[index, union-attr]
                angle = [(np.arctan2(p.ray_tau, np.abs(p.ray_mu)), p.share * p.weight_of_rays) for p in patches]  # type: ignore[arg-type]
                low = min(float(p.fine[0]) for p in patches)  # type: ignore[index]
                boxes.append((sign, replace(_around(t), lower=low), _around(angle)))
        kept = np.array([float(g) in by_gamma for g in gammas])
        series = tuple(by_gamma[float(g)] for g in gammas[kept])
        return cls(series, weights[kept], core.priors, tuple(boxes), margin.d_prime)

    @property
    def directed(self) -> bool:
        return self.series[0].directed

    def tasted(self, core: Core, plan: Plan) -> Evidence | None:
        """The evidence of the panel whose batch pair is tasted again."""
        if plan.same_pair_as is None:
            return None
        names = core.panels.frame["panel"].to_list()
        if plan.same_pair_as not in names:
            raise ValueError(
                f"same_pair_as names a pooled panel; {plan.same_pair_as!r} is not one of {words.listing(names, 12)}."
            )
        return core.collected.evidence[core.collected.index[names.index(plan.same_pair_as)]]

    def nodes(self, n: int, both_signs: bool) -> _Nodes:
        """Lay `n` by `n` nodes; with `both_signs` an undirected posterior is seen as a directed one."""
        x, w, *_ = chebyshev(n, 1025)
        parts = []
        for sign, t, angle in self.boxes:
            (tv, tj), (av, aj) = t.at(x), angle.at(x)
            logs = []
            for series, share in zip(self.series, self.gamma_weights, strict=True):
                density, mu, tau = Region(series, self.priors, sign).log_density(tv, av)
                logs.append(density.ravel() + np.log(share))
            parts.append((mu.ravel(), tau.ravel(), np.stack(logs), np.multiply.outer(tj * w, aj * w).ravel(), t))
        peak = max(float(logs.max()) for _, _, logs, _, _ in parts)
        weights = [np.exp(logsumexp(logs, axis=0) - peak) * area for _, _, logs, area, _ in parts]
        total = sum(float(weight.sum()) for weight in weights)
        points = np.unique(np.concatenate([t.at(np.linspace(-1, 1, POINTS))[0] for *_, t in parts]))
        points = np.concatenate([[self.margin], points])
        ladders = [_running(t.lower, t.upper, t.centre, t.scale, n, points.tobytes()) for *_, t in parts]
        mu, tau = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
        weight = np.concatenate(weights) / total
        by_gamma = np.concatenate(
            [np.exp(logs - np.maximum(logs.max(axis=0), -1e300)) for _, _, logs, _, _ in parts], axis=1
        )
        by_gamma /= by_gamma.sum(axis=0).clip(min=1e-300)
        ladder, predicting = np.concatenate(ladders), weight
        if both_signs:
            predicting = np.concatenate([weight, np.zeros_like(weight)])
            mu, tau, weight = np.concatenate([mu, -mu]), np.tile(tau, 2), np.tile(weight / 2, 2)
            by_gamma, ladder = np.tile(by_gamma, 2), np.tile(ladder, (2, 1))
        return _Nodes(mu, tau, weight, predicting, ladder, points, n, by_gamma)


def _around(parts: list[tuple[Array, Array]]) -> Stretch:
    """The stretch of an axis that suits weighted values."""
    values = np.concatenate([v for v, _ in parts])
    order = np.argsort(values)
    values, weights = values[order], np.clip(np.concatenate([w for _, w in parts])[order], 0, None)
    cumulative = np.cumsum(weights) - weights / 2
    low, middle, high = np.interp(np.array([0.16, 0.5, 0.84]) * weights.sum(), cumulative, values)
    return Stretch(float(values[0]), float(values[-1]), float(middle), float(max((high - low) / 2, 1e-9)))


@lru_cache(maxsize=16)
def _running(lower: float, upper: float, centre: float, scale: float, n: int, points: bytes) -> Array:
    """Matrix, shape (n, points), from weights at the `n` nodes of an axis to integrals up to each point."""
    x, w, *_ = chebyshev(n, 1025)
    a, b = np.arcsinh((np.array([lower, upper]) - centre) / scale)
    at = np.clip((2 * np.arcsinh((np.frombuffer(points) - centre) / scale) - a - b) / (b - a), -1, 1)
    cheb = np.polynomial.chebyshev
    to_coefficients = np.linalg.inv(cheb.chebvander(x, n - 1))
    return (cheb.chebvander(at, n) @ cheb.chebint(np.eye(n), lbnd=-1) @ to_coefficients / w).T


# --- one plan ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Job:
    """One plan with all that is needed to work it out somewhere else."""

    known: _Known
    plan: Plan
    tasted: Evidence | None
    draws: int
    seed: int


@dataclass(frozen=True)
class _Again:
    """A panel together with further tastings of its batch pair, which has one d-prime."""

    first: Evidence
    then: Counts

    @property
    def protocol(self) -> Protocol | TwoCountProtocol:
        """Directed if either is."""
        return self.then.protocol if self.then.protocol.directed else self.first.protocol

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.first.size + self.then.size

    @property
    def repeated(self) -> bool:
        """Whether the overdispersion matters."""
        return self.first.repeated

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Both."""
        return self.first.log_likelihood(theta, gamma) + self.then.log_likelihood(theta, gamma)


def _log_tables(job: _Job, nodes: _Nodes, kinds: Sequence[int]) -> Array:
    """Log likelihood at the nodes of each number of correct answers in `kinds`, shape (kinds, nodes)."""
    plan, first = job.plan, job.tasted
    if first is None:
        evidence: list[Any] = [Counts(plan.protocol, plan.tasters, x) for x in kinds]
        return _log_average(Series.build(evidence, np.ones(len(evidence))), nodes)
    again = [_Again(first, Counts(plan.protocol, plan.tastings, x)) for x in kinds]
    total = np.zeros((len(again), len(nodes.mu)))
    for series, share in zip(job.known.series, nodes.by_gamma, strict=True):
        if not first.repeated:
            share = np.ones_like(share)
        before = _log_average(Series.build([first], [1], series.gamma), nodes)
        total += share * np.exp(_log_average(Series.build(again, np.ones(len(again)), series.gamma), nodes) - before)
        if not first.repeated:
            break
    return np.log(total)


def _log_average(series: Series, nodes: _Nodes) -> Array:
    """Log likelihoods averaged over Normal(mu, tau), absolute, shape (kinds, nodes)."""
    out = np.empty((len(series.evidence), len(nodes.mu)))
    for start in range(0, len(nodes.mu), 4096):
        part = slice(start, start + 4096)
        out[:, part] = np.log(series.evaluate(nodes.mu[part], nodes.tau[part])).T
    return out + series.log_scale[:, None]


def _work_out(job: _Job) -> dict[str, object]:
    """One row of the answer."""
    plan, known = job.plan, job.known
    both = plan.protocol.directed and not known.directed
    n, copies = (plan.tasters, plan.panels) if job.tasted is None else (plan.tastings, 1)
    guessing = binom.logpmf(np.arange(n + 1), n, plan.protocol.guess)
    kinds = np.arange(n + 1)
    fine_enough = False
    for level in LEVELS:
        nodes = _laid(known, level, both)
        log_tables = _log_tables(job, nodes, kinds.tolist())
        if level == LEVELS[0]:  # counts that will not come need no place in the tables
            keep = (np.exp(log_tables) @ nodes.predicting > RARE) | (np.exp(guessing) > RARE)
            kinds, guessing, log_tables = kinds[keep], guessing[keep], log_tables[keep]
        rng = np.random.default_rng(_stream(job))
        exact = math.comb(len(kinds) + copies - 1, copies) <= job.draws
        if exact:
            outcomes = np.array(list(combinations_with_replacement(range(len(kinds)), copies)))
        else:
            drawn = _draw(nodes.predicting, log_tables, copies, job.draws, rng)
            none = rng.choice(len(kinds), (job.draws, copies), p=np.exp(guessing - logsumexp(guessing)))
            outcomes, place = np.unique(np.sort(np.concatenate([drawn, none]), axis=1), axis=0, return_inverse=True)
            place = place.ravel()
        counts = np.zeros((len(outcomes), len(kinds)))
        np.add.at(counts, (np.arange(len(outcomes))[:, None], outcomes), 1)
        log_probability, below, width = nodes.refit(log_tables, counts)
        if exact:
            orders = gammaln(copies + 1) - gammaln(counts + 1).sum(axis=1)
            chance, chance_none = np.exp(orders + log_probability), np.exp(orders + counts @ guessing)
        else:
            chance, chance_none = (np.bincount(p, minlength=len(outcomes)) for p in np.split(place, 2))
        chance, chance_none = chance / chance.sum(), chance_none / chance_none.sum()
        likeliest = np.argsort(-chance, kind="stable")[:CHECKED]
        every_second = _laid(known, (level + 1) // 2, both)  # the same nodes, two of four left out
        moved = every_second.refit(_thinned(log_tables, level), counts[likeliest])[1] - below[likeliest]
        fine_enough = bool(np.abs(moved) @ chance[likeliest] <= RESOLVED * chance[likeliest].sum())
        if fine_enough:
            break
    within, beyond = below > SETTLED, 1 - below > SETTLED
    settled = min(float(chance @ (within | beyond)), 1.0)
    numbers = {
        "settled": settled,
        "beyond": float(chance @ beyond),
        "within": float(chance @ within),
        "within_if_none": float(chance_none @ within),
        "error": 0.0 if exact else math.sqrt(settled * (1 - settled) / job.draws),
        "width": float(chance @ width),
    }
    return {
        "plan": plan.name,
        "protocol": plan.protocol.name,
        "tasters": plan.tasters,
        "panels": plan.panels,
        "same_pair_as": plan.same_pair_as,
        **{name: round(value, DECIMALS) for name, value in numbers.items()},
        "tastings": plan.tastings,
        "cups": plan.cups,
        "people": plan.tastings,
        "batch_pairs": 0 if plan.same_pair_as is not None else plan.panels,
        "outcomes": len(outcomes),
        "nodes": level,
        "resolved": fine_enough,
    }


@lru_cache(maxsize=6)
def _laid(known: _Known, n: int, both_signs: bool) -> _Nodes:
    """The nodes of a pool, laid once for all the plans that are worked out side by side."""
    return known.nodes(n, both_signs)


def _thinned(values: Array, n: int) -> Array:
    """Values at every second node of both axes."""
    grids = values.reshape(len(values), -1, n, n)[:, :, ::2, ::2]
    return np.ascontiguousarray(grids).reshape(len(values), -1)


def _draw(predicting: Array, log_tables: Array, copies: int, draws: int, rng: np.random.Generator) -> Array:
    """Counts of `copies` panels for each of `draws` draws of the posterior, shape (draws, copies)."""
    cumulative = np.cumsum(predicting)
    at = np.searchsorted(cumulative, (np.arange(draws) + rng.random(draws)) / draws * cumulative[-1])
    used, which = np.unique(at.clip(max=len(predicting) - 1), return_inverse=True)
    rising = np.cumsum(np.exp(log_tables[:, used]), axis=0)
    rising /= rising[-1]
    out = np.empty((draws, copies), int)
    for copy in range(copies):
        out[:, copy] = (rising[:, which] < rng.random(draws)).sum(axis=0)
    return out


def _stream(job: _Job) -> np.random.SeedSequence:
    """Random numbers that depend on the seed and on what the plan is, not on where or when it is worked out."""
    content = f"{job.plan.protocol.name}|{job.plan.tasters}|{job.plan.panels}|{job.plan.same_pair_as!r}"
    return np.random.SeedSequence([job.seed, int.from_bytes(hashlib.sha256(content.encode()).digest()[:16], "big")])


def _counted(value: object, most: int) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and bool(1 <= value <= most and value == int(value))
