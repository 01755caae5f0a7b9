"""What to run next: for each plan the chance that it settles the question, and what it costs in cups and people.

A plan is a protocol, a number of tasters and a number of panels, on new batch pairs or again on one already tasted.
What it may bring is drawn from what the pool now knows, and each outcome is pooled as if it had come in. That is not
done by fitting again: the posterior's nodes stay where they are and only their weights change, by the likelihood of the
new counts, which is looked up in a table made once a plan. One panel is followed through every count it can give; so
are several where the combinations are few; otherwise combinations are drawn, and the error of drawing is stated.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import Verdict, margin_words
from metasense.core.core import Core, HasCore, plain_core
from metasense.engine.likelihood import Counts
from metasense.margins import Margin, margin_of
from metasense.questions import inviting
from metasense.questions.outlook import LEVELS, Job, work_out
from metasense.questions.plan import MOST_TASTERS, Plan, is_count
from metasense.questions.reweighting import Known
from metasense.showing import figures, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured, Statement
from metasense.showing.tables import Table, table

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from matplotlib.axes import Axes


HOPELESS = 0.01  # a plan with a smaller chance than this is said not to settle the question
DRAWS = 4000  # combinations of counts drawn where there are more than so many
CANNOT, CANNOT_BOUND = "cannot settle it", "cannot end within the margin"
SHOWN = 12  # plans in a table and in the figure
FIRST = 4  # and on a first screen
LIKELY = 0.5  # a plan with at least this chance is said to be likely to settle the question
LARGER = (8, 16, 32)  # panels that are tried where no plan is likely to
ROUGHLY = 1000  # combinations drawn for those
SAME_PAIR = "The same pair as"
NEEDED = "Needs an attribute named beforehand"
ONE_SIDE = ("beyond", "within")  # of the margin, where nearly all of the chance lies
COLUMNS = (
    "Settled: chance that the answer is then beyond or within the margin, and how much of it is each; ± (SE): error of "
    "drawing outcomes. Expected width: of the 95 % interval of the average d-prime. People: if nobody comes twice. "
    "Cups ÷ chance: cups for each question settled, were there many such questions."
)
COLUMNS_ALREADY = (
    "Still settled: chance that the answer is then beyond or within the margin, and how much of it is each; ± (SE): "
    "error of drawing outcomes. Expected width: of the 95 % interval of the average d-prime. People: if nobody comes "
    "twice."
)


@dataclass(frozen=True, eq=False, repr=False)
class Plans(Pictured, Answered, Statement):
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
    job : Job or None
        What the chances were worked out from, for larger plans.
    attribute : bool
        Whether some panel of the pool names an attribute, so that plans may be asked to as well.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
    >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
    >>> plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24]))
    >>> plans.best.name
    'triangle, 1 panel of 24, new pair'
    """

    _depicts = "Each plan's gain against its cups."

    margin: Margin
    now: Verdict
    width: float
    plans: tuple[Plan, ...]
    frame: pd.DataFrame = field(repr=False)
    notes: tuple[str, ...] = ()
    job: Job | None = field(default=None, repr=False)
    attribute: bool = False

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

    @cached_property
    def larger(self) -> tuple[Plan, float] | None:
        """Where none of the plans is likely to settle the question: a larger one that is, and its chance.

        Worked out when it is first asked for, from fewer outcomes than the plans; None where even 32 panels as large as
        the largest of the plans are not likely to, or where a plan is.
        """
        if self.already or self.job is None or self.frame["settled"].max() >= LIKELY:
            return None
        likeliest = self.frame.loc[self.frame["settled"].idxmax()]
        for panels in LARGER:
            if panels <= likeliest["panels"]:
                continue
            plan = Plan(likeliest["protocol"], int(self.frame["tasters"].max()), panels)
            row = work_out(replace(self.job, plan=plan, tasted=None, draws=ROUGHLY))
            chance = float(row["settled"])  # type: ignore[arg-type]
            if chance >= LIKELY:
                return plan, chance
        return None

    @property
    def named_first(self) -> Plan:
        """The plan that the plain answer names first, which is the next step.

        Of those likely to settle the question the one with the fewest cups; where none is, the likeliest, or the larger
        one where hardly any could; the first of all where the question is settled already.
        """
        chance = self.frame["settled"].to_numpy()
        if self.already:
            return self.best
        if chance.max() < HOPELESS and self.larger is not None:
            return self.larger[0]
        return self.plans[self._place_of_likely()]

    def _place_of_likely(self) -> int:
        """Which row is likely to settle the question with the fewest cups, or else is the likeliest."""
        chance = self.frame["settled"].to_numpy()
        likely = chance >= LIKELY
        if not likely.any():
            return int(np.where(self._served, chance, -1.0).argmax())
        if (likely & self._served).any():  # one that needs an attribute is advised only where no other will do
            likely &= self._served
        return int(np.where(likely, self.frame["cups"], np.inf).argmin())

    @property
    def _served(self) -> NDArray[np.bool_]:
        """Which plans can be served as they are: all, where an attribute is named or every plan needs one."""
        return ~_needing(self.plans, self.attribute)

    def _step(self) -> str:
        """What to do next, in agreement with the plain answer."""
        if self.already:
            return "decide as planned, and write it up."
        plan = self.named_first
        if self.frame["settled"].max() >= LIKELY:
            return f"serve {plan.name}, if it is in reach."
        return f"serve {plan.name}, if it is in reach; the question may well stay open."

    def _first_rows(self) -> pd.DataFrame:
        """Rows of a first screen: the best for their cups, with the one named first and the likeliest among them."""
        if self.already:
            return self.frame.iloc[:FIRST]
        free = np.flatnonzero(self._served)
        likeliest = int(free[self.frame["settled"].to_numpy()[free].argmax()])
        wanted = dict.fromkeys([0, self._place_of_likely(), likeliest, *range(1, len(self.frame))])
        return self.frame.iloc[sorted([*wanted][:FIRST])]

    def _likely(self) -> list[str]:
        """Whether anything in reach is likely to settle the question, and what it would take."""
        frame = self.frame
        how_many = words.count(len(frame), "plan")
        if self.already:
            best = frame.iloc[0]
            return [
                f"The question is settled already, {self.now.label}: more panels can narrow the answer or unsettle it.",
                f"Narrowing it most for its cups: {best['plan']}.",
            ]
        row = frame.iloc[self._place_of_likely()]
        if row["settled"] >= LIKELY:
            return [
                f"With the fewest cups, this is more likely than not to settle it: {row['plan']}.",
                f"It has {self._how_likely(row)}.",
            ]
        among = f"of these {how_many}" if self._served.all() else "that needs no attribute"
        which = f"The likeliest {among}" if len(frame) > 1 else "This plan"
        said = [f"Nothing here is likely to settle it. {which}: {row['plan']}: {self._how_likely(row)}."]
        if self.larger is not None:
            plan, chance = self.larger
            said.append(
                f"An even chance or better takes about {words.count(plan.panels, 'panel')} of "
                f"{words.whole(plan.tasters)} ({plan.protocol.name}): {words.percent(chance)} for "
                f"{words.count(plan.cups, 'cup')}."
            )
        elif self.job is not None:
            said.append(
                f"Not even {LARGER[-1]} such panels would be: the difference may be too near the margin to tell."
            )
        return said

    def _how_likely(self, row: Any) -> str:
        where = next((f", {label} the margin" for label in ONE_SIDE if row[label] > 0.95 * row["settled"]), "")
        chance = words.probability(row["settled"])
        return f"a chance of {chance}{where}, for {words.count(row['cups'], 'cup')}"

    def _glance(self) -> Glance:
        frame = self._first_rows()
        settles = "still settled" if self.already else "settles it"
        rows = [
            [cut(row.plan, 46), words.probability(row.settled), words.whole(row.cups)] for row in frame.itertuples()
        ]
        first = "narrowing most for their cups" if self.already else "best for their cups"
        caption = f"{words.count(len(rows), 'plan')} of {len(self.frame)}, {first} (new pair: batches not tasted yet)"
        shown = compact(caption, ["plan", settles, "cups"], rows)
        return Glance(tuple(self._likely()), shown, self._on(frame["plan"]), self._step(), with_step=False)

    def _on(self, shown: pd.Series) -> tuple[str, ...]:
        """The notes that concern the plans shown."""
        spared = [NEEDED] * (not any(self.plans[i].protocol.directed for i in shown.index))
        spared += [SAME_PAIR] * (not shown.str.contains("same pair as", regex=False).any())
        return tuple(note for note in self.notes if not note.startswith(tuple(spared)))

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
            f"Settled: a posterior probability above {words.percent(self.margin.settled)} on one side of the margin, "
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

    def plot(self, *, ax: Any = None) -> Axes:
        """Chance of settling against cups: the recommended plan and those that no cheaper one beats by name.

        Of a question that is settled already, how much each plan narrows the 95 % interval of the average d-prime.

        Parameters
        ----------
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
        frame = self.frame
        gain = self.width - frame["width"] if self.already else frame["settled"]
        narrowing = "narrowing of the 95 % interval\nof the average d-prime"
        return figures.trade(
            frame["cups"],
            gain,
            frame["plan"].tolist(),
            best=0,
            xlabel="cups",
            ylabel=narrowing if self.already else "chance of settling the question",
            percent=not self.already,
            ax=ax,
        )

    def _table(self) -> Table:
        names = ["plan", "settled", "beyond", "within", "error", "width", "cups", "people", "cups_by_chance", "says"]
        frame = self._ranked()[names].copy()
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
        return table(frame, caption=caption, labels=labels, kinds=kinds, most=SHOWN, note=self._columns())

    def _columns(self) -> str:
        """What the columns of the table are."""
        if self.already:
            return COLUMNS_ALREADY
        return COLUMNS

    def _ranked(self, most: int = SHOWN) -> pd.DataFrame:
        """The rows with the plan that settles it likeliest among the first so many, as the last of them."""
        likely = int(self.frame["settled"].to_numpy().argmax())
        if self.already or likely < most:
            return self.frame
        order = [*range(most - 1), likely, *(i for i in range(most - 1, len(self.frame)) if i != likely)]
        return self.frame.iloc[order]

    def _shown(self) -> list[str | Table]:
        return [self._paragraph(), self._table(), *(f"Note: {note}" for note in self.notes)]


def plan_next(
    pooled: HasCore,
    candidates: Plan | Iterable[Plan] | None = None,
    *,
    margin: Margin | str | None = None,
    draws: int = DRAWS,
    seed: int = 1,
    executor: Executor | None = None,
) -> Plans:
    """Compare plans for the next panels by their chance of settling the question.

    Settled means that the average d-prime has more than 95 % of its posterior on one side of the margin, or more than
    the margin asks for.

    Parameters
    ----------
    pooled : Pooled
        What is known. A pool by sampling is integrated again, since its posterior is reweighted on a grid.
    candidates : Plan or iterable of Plan, optional
        By default: the protocols of the pool, tetrad and 3-AFC, as 1, 2 and 4 panels of the usual size and as one of
        twice that on new batch pairs, and once more on the batch pair of the latest panel. Where the pool follows
        people, a note then compares one more panel of the same people with one of new ones.
    margin : Margin or str, optional
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
    whole = plain_core(pooled)
    core = whole.apart
    margin = core.margin if margin is None else margin_of(margin)
    if margin is None:
        raise ValueError('settling needs a margin: pool(..., margin=...) or plan_next(..., margin="0.2 triangle").')
    if isinstance(candidates, Plan):
        candidates = [candidates]
    plans = _usual(core) if candidates is None else tuple(candidates) if isinstance(candidates, Iterable) else ()
    if not plans or not all(isinstance(plan, Plan) for plan in plans):
        raise ValueError('candidates are plans, at least one: Plan.every(["triangle", "tetrad"], [24, 36], [1, 2]).')
    unasked = candidates is None and whole.regulars is not None
    plans = tuple(dict.fromkeys(plans))
    if not is_count(draws, 10_000_000) or draws < 100:
        raise ValueError(f"draws is a whole number from 100 on; got {draws!r}.")
    if not isinstance(seed, (int, np.integer)) or seed < 0:
        raise ValueError(f"seed is a whole number from 0 on; got {seed!r}.")
    known = Known.of(core, margin)
    jobs = [Job(known, plan, known.tasted(core, plan), int(draws), seed) for plan in plans]
    run = map if executor is None else executor.map
    rows = list(run(work_out, jobs))
    frame = pd.DataFrame(rows)
    lower, upper = core.average.interval()
    now = Verdict.of(core.average, margin)
    needing = _needing(plans, core.directed)  # those come last, but before what cannot settle it
    hopeless, bounded = frame["settled"] < HOPELESS, frame["within_if_none"] < HOPELESS
    if now.label == words.VERDICTS[2]:
        with np.errstate(divide="ignore"):
            frame["cups_by_chance"] = frame["cups"] / frame["settled"].to_numpy()
        frame["says"] = np.where(hopeless, CANNOT, np.where(bounded, CANNOT_BOUND, ""))
        order = np.lexsort((frame["cups"], frame["cups_by_chance"], needing, hopeless))
    else:  # a plan that hardly says anything keeps it settled best, so the chance ranks nothing
        frame["cups_by_chance"], frame["says"] = np.nan, ""
        order = np.lexsort((frame["cups"], -(upper - lower - frame["width"]) / frame["cups"], needing))
    ranked = tuple(plans[i] for i in order)
    frame = frame.iloc[order].reset_index(drop=True)
    others = [inviting.note(whole, margin)] if unasked else []
    notes = (*others, *_notes(core, ranked, frame))
    one = replace(jobs[0], tasted=None)
    return Plans(margin, now, upper - lower, ranked, frame, notes, one, attribute=core.directed)


def _needing(plans: Sequence[Plan], attribute: bool) -> NDArray[np.bool_]:
    """Which plans need an attribute that nobody has named: none where all would."""
    needing = np.array([plan.protocol.directed and not attribute for plan in plans])
    return needing & ~needing.all()


def usual_size(core: Core) -> int:
    """The usual size of the panels, in whole sets of serving orders."""
    frame = core.panels.frame
    sizes = frame["tastings"].fillna(frame["signal"] + frame["noise"]).to_numpy(float)
    return int(min(max(6, 6 * round(float(np.median(sizes)) / 6)), MOST_TASTERS // 2))


def _usual(core: Core) -> tuple[Plan, ...]:
    """Plans worth a first look."""
    frame = core.panels.frame
    size = usual_size(core)
    protocols = dict.fromkeys([*(test.name for test in core.protocols), "tetrad", "3-AFC"])
    shapes = ((size, 1), (2 * size, 1), (size, 2), (size, 4))  # larger ones take long, and are tried where none will do
    plans = tuple(Plan(name, tasters, panels) for name in protocols for tasters, panels in shapes)
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
        few = "" if core.directed else " If only some tasters can taste it, they are too high."
        yield (
            f"{NEEDED}: {words.listing(named)}, which asks which cup has more of it. The "
            "chances hold if the products differ in that attribute and the panels already pooled found that same "
            f"difference.{few}"
        )
    for panel in dict.fromkeys(plan.same_pair_as for plan in plans if plan.same_pair_as is not None):
        pair = core.panels[panel].frame["batch_pair"].iloc[0]
        yield (
            f"{SAME_PAIR} {words.one_line(panel)}{'' if pd.isna(pair) else f' ({words.one_line(pair)})'}: further "
            "tastings tell mostly of that pair. It is taken to keep the d-prime it had in that panel, and of the "
            "average they tell only through it. New batch pairs also show how much batches differ."
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
