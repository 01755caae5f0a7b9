"""Did the serving matter? Correct answers by serving order, by place, and by which product was odd.

A fair serving gives every order about equally often, so that a habit (picking the middle cup, say) helps nobody.
Whether it did can only be seen in single answers. `serving_effects` compares each group of tastings with all others of
the same protocol: the share correct in each has a uniform prior, and the difference a posterior. With the few dozen
tastings of an ordinary table most of these differences cannot be told, and then that is what is said.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from metasense.engine.distribution import Distribution
from metasense.protocols import Protocol, protocol
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured, Statement
from metasense.tables.panels import Tastings, read_tastings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ALIKE = 0.1  # difference in the share correct below which serving does not matter
STANDS_OUT = 0.975  # probability of one direction from which a difference stands out
LABELS = ("stands out", "alike", "too few to tell")
LIKELY = 0.02  # p-value, times the comparisons, below which an effect is said unasked
STEPS = 200  # quantiles of each share that make a difference


def serving_effects(tastings: Tastings | Any, *, alike: float = ALIKE) -> ServingEffects:
    """Compare the share of correct answers between serving orders, places, odd products and repeats.

    Parameters
    ----------
    tastings : Tastings, or anything `read_tastings` takes
        With at least one of ``order``, ``served`` (as places 1, 2, 3) and ``trial``.
    alike : float
        Difference in the share correct, between 0 and 1, within which groups count as alike.

    Returns
    -------
    ServingEffects

    Raises
    ------
    ValueError
        If no serving was recorded, or it was the same throughout.

    Examples
    --------
    >>> rows = [{"panel": "A", "protocol": "triangle", "taster": f"T{i}", "order": ["ABB", "BAA"][i % 2], "correct": i % 3 > 0}
    ...         for i in range(24)]
    >>> serving_effects(rows).to_frame()[["factor", "group", "tastings", "correct", "label"]].head(2)
              factor group  tastings  correct            label
    0  serving order   ABB        12        8  too few to tell
    1  serving order   BAA        12        8  too few to tell
    """  # noqa: E501
    if not 0 < alike < 1:
        raise ValueError(f"alike is a difference in the share correct, between 0 and 1; got {alike!r}.")
    tastings = read_tastings(tastings)
    effects = ServingEffects(tastings, alike)
    if effects.to_frame().empty:
        raise ValueError(
            "how the cups were served is not in the table, or was the same throughout. Record the order of the cups "
            "(order, such as ABB), the place of the right one (served, such as 2) or the number of a person's tasting "
            "(trial)."
        )
    return effects


@dataclass(frozen=True, eq=False, repr=False)
class ServingEffects(Pictured, Statement):
    """Correct answers by how the cups were served. Made by `serving_effects`.

    Attributes
    ----------
    tastings : Tastings
    alike : float
        Difference in the share correct within which groups count as alike.

    Examples
    --------
    >>> import metasense as ms
    >>> kind = {"panel": "A", "protocol": "triangle"}
    >>> rows = [kind | {"taster": f"T{i}", "order": ["ABB", "BAA"][i % 2], "correct": i % 3 > 0} for i in range(24)]
    >>> effects = ms.serving_effects(rows)
    >>> effects.to_frame()[["factor", "group", "label"]].head(2)
              factor group            label
    0  serving order   ABB  too few to tell
    1  serving order   BAA  too few to tell
    """

    _depicts = "The share of correct answers in every group."

    tastings: Tastings
    alike: float = ALIKE

    def to_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """One row a group.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            ``protocol, factor, group, tastings, correct``; ``expected``, those correct if only panels differed;
            ``median, lower, upper`` of the group's share correct; ``difference`` from the other groups with
            ``difference_lower, difference_upper``; ``p_higher``, the probability that it is above 0; ``label``:
            ``stands out`` (one direction has a probability above 97.5 %), ``alike`` (the interval of the difference is
            within `alike` either way) or ``too few to tell``; ``prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": f"T{i}", "order": ["ABB", "BAA"][i % 2], "correct": i % 3 > 0} for i in range(24)]
        >>> effects = ms.serving_effects(rows)
        >>> effects.to_frame()[["factor", "group", "label"]].head(2)
                  factor group            label
        0  serving order   ABB  too few to tell
        1  serving order   BAA  too few to tell
        """
        rows = []
        for test, factor, group in self._factors:
            right = self._answers.loc[group.index, "correct"].to_numpy(float)
            usual = self._answers.loc[group.index, "usual"].to_numpy(float)
            codes, names = pd.factorize(group, sort=True)
            n, x, expected = (np.bincount(codes, w) for w in (np.ones(len(codes)), right, usual))
            for j, name in enumerate(names):
                share, rest = _share(x[j], n[j]), _share(x.sum() - x[j], n.sum() - n[j])
                apart = Distribution.from_draws(np.subtract.outer(share, rest))
                lower, upper = apart.interval(prob)
                p, tail = apart.above(0.0), (1 - prob) / 2
                low, median, high = betaincinv(1 + x[j], 1 + n[j] - x[j], [tail, 0.5, 1 - tail])
                label = LABELS[2]
                if max(p, 1 - p) > STANDS_OUT:
                    label = LABELS[0]
                elif -self.alike < lower and upper < self.alike:
                    label = LABELS[1]
                rows.append({
                    "protocol": test, "factor": factor, "group": str(name), "tastings": int(n[j]), "correct": int(x[j]),
                    "expected": expected[j], "median": median, "lower": low, "upper": high,
                    "difference": apart.median, "difference_lower": lower, "difference_upper": upper, "p_higher": p,
                    "label": label, "prob": prob, "kind": "equal-tailed",
                })  # fmt: skip
        return pd.DataFrame(rows)

    # --- words and figure -------------------------------------------------------------------------------------------

    def sentences(self) -> list[str]:
        """What can be said of each factor, in plain words.

        Returns
        -------
        list of str

        Examples
        --------
        >>> import metasense as ms
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": f"T{i}", "order": ["ABB", "BAA"][i % 2], "correct": i % 3 > 0} for i in range(24)]
        >>> effects = ms.serving_effects(rows)
        >>> effects.sentences()[0][:40]
        'triangle, serving order: too few to tell'
        """
        found = []
        frame = self.to_frame()
        for (test, factor), part in frame.groupby(["protocol", "factor"], sort=False):
            out = part[part["label"] == LABELS[0]]
            if len(part) == 2:
                out = out[:1]  # the other one says the same the other way round
            sizes = f"{words.count(len(part), 'group')} of {_between(part['tastings'])} tastings"
            if len(out):
                said = words.listing(map(_outlier, out.itertuples()))
                found.append(f"{test}, {factor}: {said} ({sizes}).")
            elif (part["label"] == LABELS[1]).all():
                found.append(f"{test}, {factor}: alike within {_points(self.alike)} points ({sizes}).")
            else:
                most = part[["difference_lower", "difference_upper"]].abs().to_numpy().max()
                found.append(f"{test}, {factor}: too few to tell; {_points(most)} points apart is possible ({sizes}).")
        return found

    def _line(self) -> str:
        labels = self.to_frame()["label"]
        return (
            f"{words.count(len(labels), 'group')} of tastings by how they were served: {words.listing(_tally(labels))}."
        )

    def _paragraph(self) -> list[str]:
        return [*self.sentences(), *self.notes]

    def _methods(self) -> list[str]:
        return [
            "The share correct of each group has a uniform prior and is compared with that of all other tastings of "
            "the same protocol.",
            f"A group stands out when one direction has a posterior probability above {words.percent(STANDS_OUT, 1)}; "
            f"groups are alike when the credible interval (95 %, equal-tailed) of the difference lies within "
            f"{_points(self.alike)} points; no correction for the number of comparisons.",
        ]

    @property
    def notes(self) -> tuple[str, ...]:
        """How to read the comparisons."""
        frame = self.to_frame()
        sizes = frame.groupby(["protocol", "factor"]).size()
        comparisons = int(sizes.where(sizes > 2, 1).sum())  # two groups are one comparison
        found = [
            f"{words.count(comparisons, 'comparison')}: even if serving never mattered, about "
            f"{words.d(comparisons * 2 * (1 - STANDS_OUT), 1)} would stand out by chance."
        ]
        shift = (frame["expected"] - frame["tastings"] * self._overall(frame)).abs()
        uneven = frame.loc[shift > 0.02 * frame["tastings"] + 0.5, "factor"].unique()
        if len(uneven):
            found.append(
                f"Not balanced within panels: {words.listing(uneven)}. Part of such a difference may be one between "
                "panels; compare correct with expected."
            )
        counts = self.tastings.counts()
        if (counts["r"] > 1).any():
            found.append(
                "Some people answered more than once. Each answer counts here, so this looks surer than it is."
            )
        return tuple(found)

    def plot(self, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """The share correct of every group.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": f"T{i}", "order": ["ABB", "BAA"][i % 2], "correct": i % 3 > 0} for i in range(24)]
        >>> effects = ms.serving_effects(rows)
        >>> from matplotlib.figure import Figure
        >>> axes = effects.plot(ax=Figure())
        """
        frame = self.to_frame(prob)
        several = frame["protocol"].nunique() > 1
        frame["name"] = (frame["protocol"] + ", " if several else "") + frame["factor"] + ": " + frame["group"]
        frame["raw"] = frame["correct"] / frame["tastings"]
        frame["beside"] = [f"{x} of {n}" for x, n in zip(frame["correct"], frame["tastings"], strict=True)]
        return figures.ranges(frame, xlabel="share correct", estimate="posterior", prob=prob, ax=ax)

    def _table(self) -> tables.Table:
        frame = self.to_frame()
        frame["expected"] = [words.d(value, 1) for value in frame["expected"]]
        kinds = dict.fromkeys(("median", "lower", "upper"), "percent")
        points = dict.fromkeys(("difference", "difference_lower", "difference_upper"), _signed)
        return tables.table(
            frame,
            caption="Correct answers by serving",
            kinds=kinds | points | {"p_higher": "probability", "expected": "text"},
            labels={
                "median": "share",
                "difference": "against the rest, points",
                "p_higher": "P(higher)",
                "label": "so far",
            },
            row_header="group",
        )

    def _shown(self) -> list[str | tables.Table]:
        return [*self.sentences(), self._table(), *(f"Note: {note}" for note in self.notes)]

    # --- computing --------------------------------------------------------------------------------------------------

    @cached_property
    def _answers(self) -> pd.DataFrame:
        """Tastings with an answer; ``usual`` is the share correct of their panel."""
        frame = self.tastings.frame
        frame = frame[frame["correct"].notna()].copy()
        frame["correct"] = frame["correct"].astype(bool)
        frame["usual"] = frame.groupby(frame["panel"].astype(str))["correct"].transform("mean")
        return frame

    @cached_property
    def _factors(self) -> list[tuple[str, str, pd.Series]]:
        """Protocol, factor, and the group of each tasting for which it is known; at least two groups each."""
        frame, found = self._answers, []
        for test, part in frame.groupby(frame["protocol"].astype(str), sort=False):
            kind = protocol(test)
            if isinstance(kind, Protocol):
                seen: list[list[int]] = []
                for factor, group in _factors(kind, part):
                    group = group.dropna()
                    codes = pd.factorize(group)[0].tolist()
                    if group.nunique() > 1 and codes not in seen:  # the same groups under another name say nothing new
                        found.append((str(test), factor, group))
                        seen.append(codes)
        return found

    @staticmethod
    def _overall(frame: pd.DataFrame) -> pd.Series:
        groups = frame.groupby(["protocol", "factor"])
        return groups["correct"].transform("sum") / groups["tastings"].transform("sum")


def likely(tastings: Tastings) -> list[str]:
    """Sentences on groups of tastings that were right more or less often than their panels explain.

    Within each panel, how many answers of a group are right follows from the panel's totals (hypergeometric), if
    serving does not matter; over panels these add up. A group is said where a sum at least this far off has a two-sided
    p-value below 2 % when multiplied by the number of comparisons.

    Measured on 200 simulated sets in which serving did not matter (six triangles of 24 at a d-prime of 1, all six
    orders): fired in 1 %.
    """
    effects = ServingEffects(tastings)
    found: list[tuple[float, str]] = []
    comparisons = 0
    for test, factor, group in effects._factors:
        part = effects._answers.loc[group.index]
        names = sorted(group.unique())
        comparisons += 1 if len(names) == 2 else len(names)
        for name in names[:1] if len(names) == 2 else names:
            mine = (group == name).to_numpy()
            right, chances = _by_panels(part["panel"].astype(str).to_numpy(), part["correct"].to_numpy(bool), mine)
            tail = min(chances[: right + 1].sum(), chances[right:].sum())
            expected = float(chances @ np.arange(len(chances)))
            way = "more" if right > expected else "less"
            said = (
                f"{test}, {factor}: {name!r} correct {way} often ({right} of {int(mine.sum())}, where the panels give "
                f"about {words.d(expected, 0)})"
            )
            found.append((2 * float(tail), said))
    out = [said for p, said in sorted(found) if p * comparisons < LIKELY]
    if not out:
        return []
    return [
        f"How the cups were served probably mattered. {words.listing(out[:2])}. serving_effects() compares all orders "
        "and places."
    ]


def _by_panels(panel: np.ndarray, correct: np.ndarray, mine: np.ndarray) -> tuple[int, np.ndarray]:
    """Right answers of a group, and the chance of each number of them given the totals of every panel."""
    from scipy.stats import hypergeom

    chances = np.ones(1)
    for name in np.unique(panel):
        here = panel == name
        size, right, group = int(here.sum()), int(correct[here].sum()), int(mine[here].sum())
        chances = np.convolve(chances, hypergeom.pmf(np.arange(group + 1), size, right, group))
    return int(correct[mine].sum()), chances


def _signed(share: float) -> str:
    """A difference between two shares, in points."""
    return f"{round(100 * share):+d}" if round(100 * share) else "0"


def _tally(labels: pd.Series) -> list[str]:
    """How many groups have each label, those that have any."""
    return [
        f"{n} {label.replace('stands', 'stand') if n > 1 else label}"
        for label in LABELS
        if (n := int((labels == label).sum()))
    ]


def _factors(kind: Protocol, part: pd.DataFrame) -> Iterator[tuple[str, pd.Series]]:
    if "order" in part:
        cups = part["order"].astype(object).map(_cups, na_action="ignore")
        yield (
            "serving order",
            cups.map(lambda row: ("" if all(len(c) == 1 for c in row) else "-").join(row), na_action="ignore"),
        )
        if kind.name == "duo-trio":
            yield "marked reference", cups.map(lambda row: row[0], na_action="ignore")
        if kind.name == "triangle":
            odd = cups.map(_odd, na_action="ignore")
            yield "odd product", odd.map(lambda at: at[1], na_action="ignore")
            yield "place of the odd cup", odd.map(lambda at: str(at[0] + 1), na_action="ignore")
    if "served" in part and not (kind.name == "triangle" and "order" in part):
        places = pd.to_numeric(part["served"].astype(object), errors="coerce")
        places = places.where((places >= 1) & (places <= kind.cups) & (places % 1 == 0))
        if kind.name != "tetrad" and places.notna().all():
            yield "place of the right cup", places.astype(int).astype(str)
    if "trial" in part:
        again = part.duplicated(["panel", "taster"], keep=False)  # who tasted once says nothing on first against later
        trial = part.loc[again, "trial"].astype(object)
        yield "tasting number", trial.map(lambda t: str(t) if t < 4 else "4 and later", na_action="ignore")


def _cups(order: str) -> list[str]:
    """The cups of a serving order: ``ABB``, ``A-B-B`` and ``417 305 305`` alike."""
    cups = [cup for cup in re.split(r"[\W_]+", order) if cup]
    return list(cups[0]) if len(cups) == 1 and cups[0].isalpha() else cups


def _odd(cups: list[str]) -> tuple[int, str] | None:
    single = [(i, cup) for i, cup in enumerate(cups) if cups.count(cup) == 1]
    return single[0] if len(single) == 1 else None


def _share(x: float, n: float) -> np.ndarray:
    """Equally probable values of a share with a uniform prior."""
    return np.asarray(betaincinv(1 + x, 1 + n - x, (np.arange(STEPS) + 0.5) / STEPS))


def _outlier(row: Any) -> str:
    way = "more" if row.p_higher > 0.5 else "less"
    span = f"{_points(row.difference_lower)} to {_points(row.difference_upper)} points from the rest"
    return f"{row.group!r} correct {way} often ({row.correct} of {row.tastings}; {span})"


def _between(sizes: pd.Series) -> str:
    return str(sizes.min()) if sizes.min() == sizes.max() else f"{sizes.min()} to {sizes.max()}"


def _points(difference: float) -> str:
    return f"{100 * difference:.0f}".replace("-0", "0")
