"""What the answer rests on: the pool again under other priors, without one panel, with the careful panels only.

Every case is the same model on the same likelihoods, refitted from a common `Plane`, so that all of them together cost
little more than the pool itself. `Sensitivity` lists the cases and says which moves the answer most and whether any
changes the verdict. `Path` is the answer after each panel in date order; its last step is the pool.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import Verdict, side
from metasense.core.core import Core, build
from metasense.core.evidence import crossing
from metasense.engine.distribution import Distribution
from metasense.engine.plane import Weighed
from metasense.engine.priors import LARGEST, Priors
from metasense.engine.tails import average_under_tails
from metasense.margins import Margin
from metasense.questions import habits, rules, shapes
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Mask = NDArray[np.bool_]

MOVES = 0.25  # change of the median under other priors, as a share of it, at which the answer is said to rest on them
FOLLOWED = 0.06  # error in posterior SDs from which a pool that follows people is worked out anew for some panels
CHAINS = 128  # by which that is done
MOST = 1000  # distinct panels up to which leaving each out is worth while
GROUPED = ("batch_pair", "experimenter")  # columns whose groups are left out one at a time unasked
GROUPS = 20  # groups of a column up to which each is left out
EDGES = [(0.5, 1.0), (2.0, 1.0), (1.0, 0.5), (1.0, 2.0)]
ALL_SCALES = 4 + len(EDGES)  # cases of prior scales, both together and each alone
KINDS = ("all panels", "prior", "selection", "group", "panel", "shape", "prior shape", "habit", "rule")
TAILS = "heavier tails of the spread (Student's t)"  # one panel may lie far off


def answer(average: Distribution, margin: Margin | None, prob: float = 0.95) -> dict[str, Any]:
    """One row: the average d-prime and where it lies relative to the margin."""
    lower, upper = average.interval(prob)
    verdict = Verdict.of(average, margin)
    row: dict[str, Any] = {
        "median": average.median,
        "lower": lower,
        "upper": upper,
        "prob": prob,
        "kind": "equal-tailed",
    }
    return row | {"p_above": verdict.above, "p_below": verdict.below, "verdict": verdict.label}


def of_panels(core: Core, mask: Mask) -> tuple[Distribution, float]:
    """The average d-prime from some of the panels, and its error in posterior SDs where it is of draws."""
    collected = core.collected
    copies = np.bincount(collected.index[mask], minlength=len(collected.evidence)).astype(float)
    keep = core.share if core.regulars is None else core.remember
    return keep(("panels", copies.tobytes()), lambda: _of_panels(core, mask, copies))  # equal ones once


def _of_panels(core: Core, mask: Mask, copies: NDArray[np.floating[Any]]) -> tuple[Distribution, float]:
    if core.regulars is None:
        return core.weigh(copies, core.priors).average, 0.0
    if mask.all():
        return core.average, 0.0
    few = replace(core.panels, frame=core.panels.frame[mask].reset_index(drop=True))
    if crossing(few.frame, core.tastings) is None:  # of these panels, nobody sat in two
        return core.apart.weigh(copies, core.priors).average, 0.0
    weighed = core.weigh(copies, core.priors)
    error = error_of_draws(weighed)
    if error <= FOLLOWED:
        return weighed.average, error
    known = {"margin": core.margin, "priors": core.priors, "settings": core.settings, "chains": CHAINS}
    anew = build(few, core.tastings, **known)  # type: ignore[arg-type]
    return anew.average, error_of_draws(anew.weigh(anew.collected.copies.astype(float), anew.priors))


def error_of_draws(weighed: Weighed) -> float:
    """Error of the mean of the average d-prime in posterior SDs, where each region of the plane is one of the draws."""
    average = np.repeat(weighed.plane.average, weighed.plane.nodes[1])
    share = np.array([weight.sum() for weight in weighed.weights])
    sums = np.array([weight @ average for weight in weighed.weights])
    squares = sum(weight @ average**2 for weight in weighed.weights)
    middle = sums.sum()
    return float(np.sqrt(((sums - share * middle) ** 2).sum() / (squares - middle**2)))


def on_draws(errors: Sequence[float]) -> list[str]:
    """How good answers are that are of draws, which they are where people are followed."""
    if not any(errors):
        return []
    return [
        "Answers from some of the panels are of draws where people sat in several of them; their medians are good to "
        f"about {words.percent(max(errors))} of a posterior standard deviation."
    ]


def scaled(priors: Priors, *factors: float) -> Priors | None:
    """The priors with their scales multiplied; None where that is wider than the engine's d-prime axis."""
    try:
        return priors.scaled(*factors)
    except ValueError:
        return None


def corners(priors: Priors, axes: int = 2) -> list[tuple[str, Priors]]:
    """The priors with every one of their first scales halved or doubled, as far as these are computed, by name."""
    found = [scaled(priors, *factors) for factors in product((0.5, 2.0), repeat=axes)]
    return [(_named(p, axes), p) for p in found if p is not None]


def _named(priors: Priors, axes: int = 2) -> str:
    scales = {"centre": priors.centre_scale, "spread": priors.spread_scale, "effect": priors.slope_scale}
    return "prior scales " + ", ".join(f"{scale:g} ({what})" for what, scale in list(scales.items())[:axes])


def under_priors(core: Core, priors: Priors) -> Distribution:
    """The average d-prime from all panels with other priors."""
    return core.share(("priors", priors), lambda: core.weigh(core.collected.copies.astype(float), priors).average)


def under_tails(core: Core) -> Distribution:
    """The average d-prime if panels spread with heavier tails than a normal distribution has."""
    found = core.collected
    return core.share("tails", lambda: average_under_tails(found.evidence, found.copies, core.priors)[0])


def selections(frame: pd.DataFrame) -> Iterator[tuple[str, Mask]]:
    """Which panels a careful reader might set aside: a name for what is left, and the panels it keeps."""

    def where(mask: Any) -> Mask:
        return pd.Series(mask).fillna(False).to_numpy(bool)

    if frame["blind"].notna().any():
        yield "double-blind panels only", where(frame["blind"] == "double")
    extended = where(frame["looks"] > 1) | where(frame["tastings"] > frame["planned"])
    yield "without panels looked at or extended before the end", ~extended
    yield "without repeat tasters", ~where(frame["tasters"] < frame["tastings"])
    yield "reported panels only", ~where(frame["reported"].eq(False))


@dataclass(frozen=True, eq=False, repr=False)
class Sensitivity(Pictured):
    """The pool under other choices. Made by `Pooled.sensitivity`.

    Attributes
    ----------
    cases : DataFrame
        First the pool itself, then one row a case: ``case, about`` ("prior", "prior shape", "shape", "habit", "rule",
        "selection", "group" or "panel"),
        ``panels``, the average d-prime's ``median, lower, upper, prob, kind``, ``p_above, p_below, verdict`` against
        the margin, the ``change`` of the median, and whether the ``verdict_changes``.
    margin : float or None
        d-prime of the margin.
    notes : tuple of str
        What could not be asked of these panels, and why.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": [24, 30, 28],
    ...                   "correct": [12, 11, 17]}, margin=ms.Margin(d_prime=0.5))
    >>> frame = pooled.sensitivity().to_frame()
    >>> frame.loc[frame["about"] == "panel", ["case", "median", "verdict"]].round(2)
             case  median            verdict
    13  without A    1.18  beyond the margin
    14  without B    1.57  beyond the margin
    15  without C    0.86        not settled
    """

    cases: pd.DataFrame
    margin: float | None
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, core: Core, *, by: str | Sequence[str] | None = None, prob: float = 0.95) -> Sensitivity:
        """Refit a pool under every choice that its table can tell apart.

        Parameters
        ----------
        core : Core
        by : str or sequence of str, optional
            Columns whose groups are left out one at a time; batch pairs and, where the table has a column of that name,
            experimenters by default.
        prob : float
            Probability inside the intervals.

        Raises
        ------
        ValueError
            If a column of `by` does not exist.
        """
        frame = core.panels.frame
        by = [name for name in GROUPED if name in frame] if by is None else [by] if isinstance(by, str) else by
        unknown = [name for name in by if name not in frame]
        if unknown:
            raise ValueError(
                f"there is no column {words.listing(map(repr, unknown))}; there is {words.listing(frame.columns)}."
            )
        notes: list[str] = []
        errors: list[float] = []
        everything = np.ones(len(frame), bool)
        rows: list[dict[str, Any]] = []

        def add(case: str, about: str, average: Distribution, panels: int) -> None:
            rows.append({"case": case, "about": about, "panels": panels, **answer(average, core.margin, prob)})

        def add_panels(case: str, about: str, keep: Mask) -> None:
            if keep.all():
                return
            if not keep.any():
                notes.append(f"Not asked, because no panel would be left: {case}.")
                return
            average, error = of_panels(core, keep)
            errors.append(error)
            add(case, about, average, int(keep.sum()))

        add("all panels", KINDS[0], of_panels(core, everything)[0], len(frame))
        for name, average in other_priors(core):
            add(name, "prior", average, len(frame))
        if core.regulars is None:  # these are of people who are new each time
            for name, height in shapes.named(core):
                add(name, "prior shape", shapes.under(core, height), len(frame))
            if len(frame) > 1:
                add(TAILS, "shape", under_tails(core), len(frame))
            rows.extend(_other_ways(core, prob))
        else:
            notes.append(_of_new_people(core))
        for name, keep in selections(frame):
            add_panels(name, "selection", keep)
        for column in by:
            groups = frame[column].dropna().unique()
            if 1 < len(groups) <= GROUPS:
                for group in groups:
                    add_panels(
                        f"without {column.replace('_', ' ')} {words.one_line(group)}",
                        "group",
                        ~frame[column].eq(group).fillna(False).to_numpy(bool),
                    )
            elif len(groups) > GROUPS:
                notes.append(
                    f"Not asked: leaving out each {column} in turn; there are {len(groups)}, more than {GROUPS}."
                )
        if len(frame) > 1 and len(core.collected.evidence) <= MOST:
            for i, panel in enumerate(frame["panel"]):
                add_panels(f"without {words.one_line(panel)}", "panel", np.arange(len(frame)) != i)
        elif len(frame) > 1:
            notes.append(f"Not asked: leaving out each panel in turn; there are more than {MOST} different ones.")
        cases = pd.DataFrame(rows)
        whole = cases.iloc[0]
        cases["change"] = cases["median"] - whole["median"]
        cases["verdict_changes"] = cases["verdict"] != whole["verdict"]
        return cls(cases, None if core.margin is None else core.margin.d_prime, (*notes, *on_draws(errors)))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the cases, the pool itself first.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).sensitivity()
        >>> found.to_frame().columns[:4].tolist()
        ['case', 'about', 'panels', 'median']
        """
        return self.cases.copy()

    def about(self, *kinds: str) -> pd.DataFrame:
        """The cases of some kinds.

        Parameters
        ----------
        *kinds : {"all panels", "prior", "prior shape", "shape", "habit", "rule", "panel", "selection", "group"}
            Which.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).sensitivity()
        >>> found.about("panel")["case"].tolist()
        ['without A', 'without B', 'without C']
        """
        return self.cases[self.cases["about"].isin(kinds)]

    def sentences(self) -> tuple[str, ...]:
        """What moves the answer, and whether a verdict changes, in words.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).sensitivity()
        >>> found.sentences()[0][:40]
        'With the prior scales halved and doubled'
        """
        whole = self.cases.iloc[0]
        out = [self._on_priors(), *self._on_shapes(), *self._on_tails(), *self._on_other_ways()]
        for kinds, what in (
            (("selection", "group"), "Of the selections and groups"),
            (("panel",), "Of the single panels"),
        ):
            cases = self.about(*kinds)
            if len(cases):
                most = cases.loc[cases["change"].abs().idxmax()]
                out.append(
                    f"{what}, the answer moves most {_as_if(most['case'])}: the median goes from "
                    f"{_pair(whole['median'], most['median'])}."
                )
        if self.margin is not None:
            changing = self.cases[self.cases["verdict_changes"]]
            others = words.count(len(self.cases) - 1, "other case")
            if len(changing):
                named = words.listing(
                    (f"{c} ({v})" for c, v in zip(changing["case"], changing["verdict"], strict=True)), most=6
                )
                out.append(f"The verdict, {whole['verdict']}, changes in {len(changing)} of {others}: {named}.")
            else:
                out.append(f"The verdict, {whole['verdict']}, is the same in all {others}.")
        return (*out, *self.warnings, *self.notes)

    def _on_priors(self) -> str:
        cases = self.about("prior")
        low, middle, high = words.distinct(cases["median"].min(), self.cases.iloc[0]["median"], cases["median"].max())
        where, limits = _tried(len(cases), ALL_SCALES)
        return (
            f"With the prior scales halved and doubled, together and apart,{where} the median of the average d-prime "
            f"{runs(low, high)}; it is {middle} with the priors used.{limits}"
        )

    def _on_shapes(self) -> list[str]:
        """What priors of another shape do."""
        cases = self.about("prior shape")
        said = words.listing(
            f"{words.distinct(median, self.cases.iloc[0]['median'])[0]} with {_bare(case)}"
            for case, median in zip(cases["case"], cases["median"], strict=True)
        )
        return [f"With priors of another shape, the median is {said}."] if len(cases) else []

    def _on_other_ways(self) -> list[str]:
        """What other ways of answering than by the protocol's rule and even guesses do."""
        out = []
        for row in self.about("habit", "rule").itertuples(index=False):
            before, after = words.distinct(self.cases.iloc[0]["median"], row.median)
            moves = f"stay at {before}" if before == after else f"go from {before} to {after}"
            out.append(f"{row.case[0].upper()}{row.case[1:]}, the median would {moves}.")
        return out

    def _on_tails(self) -> list[str]:
        """What heavier tails do: whether one panel far off pulls the answer."""
        cases = self.about("shape")
        if not len(cases):
            return []
        return [
            "If a panel may lie far off the others without pulling them (heavier tails of the spread), the median goes "
            f"from {_pair(self.cases.iloc[0]['median'], cases.iloc[0]['median'])}."
        ]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Sentences for when the answer rests on the priors; none if it does not."""
        return prior_warnings(self.cases)

    def plot(self, *, ax: Any = None) -> Axes:
        """Every case beside the pool.

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
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).sensitivity()
        >>> from matplotlib.figure import Figure
        >>> axes = found.plot(ax=Figure())
        """
        frame = self._drawn()
        return figures.cases(frame, margin=self.margin, prob=float(frame["prob"].iloc[0]), ax=ax)

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return figures.alt_cases(self._drawn())

    def _drawn(self) -> pd.DataFrame:
        """The cases that stand on one scale with the margin: by another rule the same share is another d-prime."""
        frame = self.cases.rename(columns={"case": "name"})
        return frame if self.margin is None else frame[frame["about"] != "rule"].reset_index(drop=True)

    def _table(self, most: int | None = 60) -> tables.Table:
        frame = self.cases.drop(columns=["about", "verdict_changes"])
        if self.margin is None:
            frame = frame.drop(columns=["p_above", "p_below", "verdict"])
        return tables.table(
            frame,
            caption="The average d-prime under other choices",
            kinds={"p_above": side, "p_below": side, "change": _signed, "panels": "count"},
            labels={"p_above": "P(above margin)", "p_below": "P(below margin)", "change": "change of median"},
            most=most,
        )

    def _shown(self) -> list[str | tables.Shown]:
        return [*self.sentences(), self._table()]


def sensitivity_of(core: Core) -> Sensitivity:
    """The pool under other choices, worked out once."""
    return core.remember("sensitivity", lambda: Sensitivity.of(core))


def _of_new_people(core: Core) -> str:
    """Which cases are left out where people are followed, and why."""
    names = [name for name, _ in shapes.named(core)]
    names += [TAILS] if len(core.panels) > 1 else []
    names += [habits.HABIT] if habits.could_be(core) else []
    names += [rules.OTHER_RULE] if rules.could_be(core) else []
    return (
        "Not asked, because these are worked out for people who are new in every panel, and this pool follows people "
        f"from panel to panel: {words.listing(names)}. pool(..., regulars=False).sensitivity() has them."
    )


def _other_ways(core: Core, prob: float) -> list[dict[str, Any]]:
    """A row each for guessers with habits, where places are known, and for another rule, where a protocol has one."""
    rows = []
    kept = habits.under_habits(core)
    if kept is not None:
        rows.append({"case": habits.HABIT, "about": "habit"} | answer(kept, core.margin, prob))
    if rules.could_be(core):
        margin = rules.margin_by_rule(core.margin)  # a share of answers stays that share
        rows.append({"case": rules.OTHER_RULE, "about": "rule"} | answer(rules.under_another_rule(core), margin, prob))
    return [{**row, "panels": len(core.panels)} for row in rows]


def prior_cases(core: Core) -> pd.DataFrame:
    """The pool and the four corners of halved and doubled prior scales: the first rows of `Sensitivity.cases`."""
    return core.remember("corners", lambda: _prior_cases(core))


def _prior_cases(core: Core) -> pd.DataFrame:
    found = [(name, under_priors(core, priors)) for name, priors in corners(core.priors)]
    return beside(under_priors(core, core.priors), found, core.margin)


def other_priors(core: Core) -> list[tuple[str, Distribution]]:
    """The average d-prime with the prior scales halved and doubled, together and apart, by name."""

    def work_out() -> list[tuple[str, Distribution]]:
        edges = [scaled(core.priors, *factors) for factors in EDGES]
        tried = [*corners(core.priors), *((_named(p), p) for p in edges if p is not None)]
        return [(name, under_priors(core, priors)) for name, priors in tried]

    return core.share("other priors", work_out)


def on_priors(core: Core) -> str:
    """How far the answer moves with the prior scales, in a sentence for the notes of a pool."""
    return prior_range(beside(core.average, other_priors(core), core.margin), ALL_SCALES)


def beside(average: Distribution, others: Iterable[tuple[str, Distribution]], margin: Margin | None) -> pd.DataFrame:
    """An average d-prime, then the same with other priors, by name; in the columns of `Sensitivity.cases`."""
    rows = [("all panels", KINDS[0], average), *((name, "prior", other) for name, other in others)]
    cases = pd.DataFrame([{"case": n, "about": a} | answer(d, margin) for n, a, d in rows])
    cases["change"] = cases["median"] - cases["median"].iloc[0]
    return cases.assign(verdict_changes=cases["verdict"] != cases["verdict"].iloc[0])


def prior_range(cases: pd.DataFrame, of: int = 4) -> str:
    """What other prior scales say in a sentence, for the notes of a pool; those tried, where it is not all of them."""
    tried = cases[cases["about"] == "prior"]
    low, high = words.distinct(tried["median"].min(), tried["median"].max())
    same = (
        ""
        if tried["verdict"].eq("no margin given").any()
        else ("; the verdict stays" if not tried["verdict_changes"].any() else "; the verdict changes")
    )
    where, limits = _tried(len(tried), of)
    scales = "each of the two prior scales halved or doubled"
    if of == ALL_SCALES:
        scales = "the prior scales halved or doubled, together and apart,"
    return f"With {scales}{where} the median of the average d-prime {runs(low, high)}{same}.{limits}"


def _tried(cases: int, of: int) -> tuple[str, str]:
    """What to add where some of the scales could not be varied: in the middle of the sentence, and after it."""
    if cases == of:
        return "", ""
    largest = "Scales above {centre_scale:g} (centre) and {spread_scale:g} (spread) are not computed".format(**LARGEST)
    return f" where they can be ({cases} of {of} cases)", f" {largest}."


def runs(low: str, high: str) -> str:
    return f"is {low}" if low == high else f"runs from {low} to {high}"


def prior_warnings(cases: pd.DataFrame, where: str = "") -> tuple[str, ...]:
    """Sentences for when the answer rests on the priors; none if it does not. `where` follows the quantity."""
    whole, priors = cases.iloc[0], cases[cases["about"] == "prior"]
    out = []
    if (priors["change"].abs() > MOVES * whole["median"]).any():
        most = priors.loc[priors["change"].abs().idxmax()]
        out.append(
            f"The answer rests on the prior. With {most['case']}, the median of the average d-prime{where} is "
            f"{words.distinct(most['median'], whole['median'])[0]} in place of "
            f"{words.distinct(most['median'], whole['median'])[1]}. More tastings, or a sharper protocol, would change "
            "that."
        )
    changing = priors[priors["verdict_changes"]]
    # a verdict that other priors would undo is a warning; one that they would bring about is only less than that
    if len(changing) and whole["verdict"] != words.VERDICTS[2]:
        named = words.listing(
            f"{case} ({verdict})" for case, verdict in zip(changing["case"], changing["verdict"], strict=True)
        )
        out.append(f"The verdict{where}, {whole['verdict']}, rests on the prior. It would be another with {named}.")
    return tuple(out)


def _pair(before: float, after: float) -> str:
    return " to ".join(words.distinct(before, after))


def _bare(case: str) -> str:
    """A case inside a sentence that names priors already."""
    return f"the {case}" if case.startswith("prior of") else case


def _as_if(case: str) -> str:
    return case if case.startswith("without") else f"with {case}"


def _signed(value: float) -> str:
    return "0" if abs(value) < 0.005 else f"{value:+.2f}"
