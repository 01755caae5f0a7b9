"""Tasters who tasted more than once: what each of them can do, and how unlike one another they are.

One person's twelve answers are not twelve people's. Within a panel every taster has a rate above guessing of their own
(0: guesses; 1: always right), beta-distributed around the panel's p_d with an overdispersion gamma that all panels
share: 0 where all tasters are alike, near 1 where some are always right and the rest guess. `tasters` reads each
person's rate off the pooled posterior, so a short run of luck is held against what the others did.

`as_if_independent` pools the same tables as if every tasting came from another person. That is wrong, and only there to
show what it would have claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betainc, gammaln, xlogy

from metasense.core.core import Core, HasCore, plain_core
from metasense.core.evidence import collect
from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import RepeatedTotal, Repeats, mixtures
from metasense.engine.posterior import NEGLIGIBLE
from metasense.margins import SETTLED
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured, Result, Statement

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from metasense.engine.posterior import Patch, Posterior

Array = NDArray[np.floating[Any]]

THRESHOLD = 0.1  # rate above guessing from which a taster counts as better than guessing
LIKELY = 0.8  # chance of settling it that "how many more tastings" asks for
MOST = 200  # more tastings than this are not looked at
CELLS = 240  # per side of the guess rate, close together where a beta distribution can be steep
NODES = 40  # d-primes of a panel, of equal probability, at each overdispersion
FIRST = 4  # rows of the table on a first screen
ONLY = "the only taster"  # of a panel given by its total alone


def tasters(pooled: HasCore, *, threshold: float = THRESHOLD) -> Tasters:
    """What single tasters of the panels with repeats can do, given everybody's answers.

    Parameters
    ----------
    pooled : Pooled
        Pooled with its tastings: ``pool(tastings)`` or ``pool(panels, tastings=tastings)``. A panel of one taster needs
        its total only.
    threshold : float
        Rate above guessing, between 0 and 1, from which a taster counts as better than guessing. A rate of exactly 0
        has no probability of its own in this model, so a smallest rate that is worth the name must be stated.

    Returns
    -------
    Tasters

    Raises
    ------
    ValueError
        If nobody tasted more than once in any panel: one answer says next to nothing about a person.

    Examples
    --------
    >>> from metasense import pool, read_tastings
    >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0], "Cai": [0, 0, 1, 0, 0, 1]}
    >>> rows = [{"panel": "A", "protocol": "triangle", "taster": t, "correct": c} for t in answers for c in answers[t]]
    >>> found = tasters(pool(read_tastings(rows)))
    >>> found.to_frame()[["taster", "tastings", "correct", "p_better"]].round(2).to_dict("list")
    {'taster': ['Ann', 'Bob', 'Cai'], 'tastings': [6, 6, 6], 'correct': [6, 2, 2], 'p_better': [0.98, 0.19, 0.19]}
    """
    if not 0 < threshold < 1:
        raise ValueError(
            f"threshold is the smallest rate above guessing that counts as better, between 0 and 1; got {threshold!r}."
        )
    core = plain_core(pooled).apart
    if not any(evidence.repeated for evidence in core.collected.evidence):
        raise ValueError(
            "nobody tasted more than once in any panel, and one answer says next to nothing about a person. One set "
            "each at several panels is no repeat, as panels are computed apart: what was tasted may differ. Let people "
            "repeat in one panel (with rests between), keep one row a tasting, and pool(tastings)."
        )
    return Tasters(core, threshold)


@dataclass(frozen=True, eq=False, repr=False)
class Tasters(Pictured, Answered, Statement):
    """Each repeat taster's rate above guessing, and how unlike one another tasters are. Made by `tasters`.

    Attributes
    ----------
    core : Core
    threshold : float
        Rate above guessing from which a taster counts as better than guessing.

    Examples
    --------
    >>> import metasense as ms
    >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
    >>> kind = {"panel": "A", "protocol": "triangle"}
    >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
    >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
    >>> round(found.rate("A", "Ann").median, 1)
    1.0
    """

    _depicts = "Every taster's counted rate beside the rate given everybody."

    core: Core
    threshold: float = THRESHOLD

    @cached_property
    def people(self) -> pd.DataFrame:
        """Tasters whose own counts are known, in panels with repeats: ``panel, protocol, taster, r, y``."""
        core = self.core
        parts = []
        if core.tastings is not None:
            counts = core.tastings.counts()
            kind = dict(zip(core.panels.frame["panel"], self._evidence, strict=True))
            parts.append(counts[[isinstance(kind.get(name), Repeats) for name in counts["panel"]]])
        frame = core.panels.frame
        alone = [isinstance(e, RepeatedTotal) and e.tasters == 1 for e in self._evidence]
        totals = frame.loc[alone, ["panel", "protocol", "tastings", "correct"]].assign(taster=ONLY)
        totals = totals.rename(columns={"tastings": "r", "correct": "y"})
        parts.append(totals)
        columns = ["panel", "protocol", "taster", "r", "y"]
        whole = pd.concat([part[columns] for part in parts if len(part)] or [totals.reindex(columns=columns)])
        return whole.astype({"r": int, "y": int}).reset_index(drop=True)

    @property
    def overdispersion(self) -> Distribution:
        """How unlike one another tasters are: 0 all alike, near 1 some always right while the rest guess."""
        return overdispersion(self.core.posterior)

    def rate(self, panel: str, taster: str = ONLY) -> Distribution:
        """One taster's rate above guessing in a panel: 0 guesses, 1 always right; negative against the direction.

        Parameters
        ----------
        panel : str
            The panel.
        taster : str
            The taster, where the panel has several.

        Returns
        -------
        Distribution

        Raises
        ------
        ValueError
            If there is no such panel or taster.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> round(found.rate("A", "Bob").median, 1)
        0.0
        """
        row = self._row(panel, taster)
        return self._ability(row).rate

    def more_tastings(self, panel: str, taster: str = ONLY) -> int | None:
        """About how many tastings this person should add to settle whether they do better than guessing.

        Settled means a probability above 95 % on one side of the threshold; so many tastings reach that with a chance
        of 80 %. 0 if it is settled already; None if more than 200 would be needed.

        Parameters
        ----------
        panel : str
            The panel.
        taster : str
            The taster, where the panel has several.

        Returns
        -------
        int or None

        Raises
        ------
        ValueError
            If there is no such panel or taster.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> found.more_tastings("A", "Bob") is None or found.more_tastings("A", "Bob") > 0
        True
        """
        return self._ability(self._row(panel, taster)).more(self.threshold)

    def to_frame(self, prob: float = 0.95, *, order: str = "tastings") -> pd.DataFrame:
        """One row a taster in a panel.

        Parameters
        ----------
        prob : float
            Probability inside the intervals.
        order : {"tastings", "uncertainty", "table"}
            Those who tasted most often first; or the narrowest interval first; or as in the table. There is no order by
            ability: with so few tastings each it would rank luck.

        Returns
        -------
        DataFrame
            ``panel, protocol, taster, tastings, correct``; ``raw`` (rate above guessing as counted, below 0 with fewer
            correct than guessing gives); ``mean, median, lower, upper`` of the rate given everybody; ``p_better``, the
            probability that it is above `threshold`; ``more_tastings`` (missing: more than 200); ``prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> found.to_frame()[["taster", "mean"]].round(2)
          taster  mean
        0    Ann  0.89
        1    Bob  0.08
        """
        if order not in ("tastings", "uncertainty", "table"):
            raise ValueError(f"order is 'tastings', 'uncertainty' or 'table'; got {order!r}.")
        rows = []
        for row in self.people.itertuples(index=False):
            ability, guess = self._ability(row), forced_choice(row.protocol).guess
            lower, upper = ability.rate.interval(prob)
            rows.append({
                "panel": row.panel, "protocol": row.protocol, "taster": row.taster, "tastings": row.r, "correct": row.y,
                "raw": (row.y / row.r - guess) / (1 - guess), "mean": ability.rate.mean, "median": ability.rate.median,
                "lower": lower, "upper": upper, "p_better": ability.rate.above(self.threshold),
                "threshold": self.threshold, "more_tastings": ability.more(self.threshold), "prob": prob,
                "kind": "equal-tailed",
            })  # fmt: skip
        frame = pd.DataFrame(rows, columns=[*_COLUMNS]).astype({"more_tastings": "Int64"})
        first = {"tastings": -frame["tastings"], "uncertainty": frame["upper"] - frame["lower"]}
        return frame.iloc[np.argsort(first[order], kind="stable")].reset_index(drop=True) if order in first else frame

    def as_if_independent(self) -> AsIfIndependent:
        """The WRONG answer, in which every tasting is another person's; for comparison only.

        Returns
        -------
        AsIfIndependent

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> found.as_if_independent().sentence()[:40]
        'The average d-prime is 1.67 (0.47 to 3.4'
        """
        return as_if_independent(self.core)

    # --- words and figures ------------------------------------------------------------------------------------------

    def sentence(self, prob: float = 0.95) -> str:
        """How unlike one another tasters are, in words.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> found.sentence()[:40]
        'How unlike one another tasters are, from'
        """
        gamma = self.overdispersion
        low, high = gamma.interval(prob)
        text = (
            "How unlike one another tasters are, from 0 (all alike) to 1 (some always right, the others guess): "
            f"{words.estimate(gamma.median, low, high, prob)}."
        )
        if high - low > 0.75 * prob:
            before = words.span(words.d((1 - prob) / 2), words.d((1 + prob) / 2))  # uniform
            return f"{text} That is hardly narrower than before the panels ({before}): they say little about it."
        return text

    def _line(self) -> str:
        return f"{self._who()}. {self.sentence()}" if not len(self.people) else f"{self._who()}: {self._settled()}."

    def _who(self) -> str:
        people = self.people
        if people.empty:
            return "Nobody's own answers are known in the panels with repeats"
        names = _people_in(people)
        return (
            f"{words.count(names, 'person')} with {words.count(int(people['r'].sum()), 'tasting')} in "
            f"{words.count(people['panel'].nunique(), 'panel')}"
        )

    def _settled(self) -> str:
        """How many are on each side of the threshold; a person counts once a panel."""
        p = self.to_frame()["p_better"]
        above, below = int((p > SETTLED).sum()), int((p < 1 - SETTLED).sum())
        once = " (a person once a panel)" if self.people.duplicated("taster").any() else ""
        return (
            f"better than guessing with a probability above {words.percent(SETTLED)}: {above}; below "
            f"{words.percent(1 - SETTLED)}: {below}; not settled: {len(p) - above - below}{once}"
        )

    def _paragraph(self) -> list[str]:
        return [self._line(), *([self.sentence()] if len(self.people) else []), *self.notes[:2]]

    def _methods(self) -> list[str]:
        return [
            "Within a panel every taster has a rate of their own above guessing, beta-distributed around the panel's "
            "p_d with an overdispersion that all panels share (uniform prior from 0 to 1).",
            f"Each rate is read off the pooled posterior ({self.core.priors.describe(self.core.directed)}), so it "
            "is shrunken towards the panel's.",
            f"Better than guessing: a rate above {words.percent(self.threshold)} of the way from guessing to always "
            f"right; settled at a probability above {words.percent(SETTLED)} either way. Medians and credible "
            "intervals (95 %, equal-tailed).",
        ]

    @property
    def notes(self) -> tuple[str, ...]:
        """How to read the table, in plain words."""
        share = words.percent(self.threshold)
        test = self.people["protocol"].mode()
        example = ""
        if len(test):
            kind = forced_choice(test[0])
            chance = words.percent(float(kind.p_from_p_d(self.threshold)))
            example = f"{chance} correct in a {kind.name} test. That is "
        found = [
            f"Better than guessing means above {example}{share} of the way from guessing to always right. The rate "
            "is taken to vary smoothly between people, so a smallest rate worth the name has to be stated.",
            "With few tastings most of a striking count is luck. Each rate is therefore pulled towards the panel's.",
            "Order: most tastings first, then as in the table. This is no ranking; let codes stand for people.",
            f"More tastings: how many this person would have to add for a chance of {words.percent(LIKELY)} that it is "
            f"then settled (probability above {words.percent(SETTLED)} either way).",
        ]
        found = found if len(test) else []  # nobody's own answers are known
        people = self.people.groupby("taster")["panel"].nunique()
        again = int((people[people.index != ONLY] > 1).sum())
        if again:
            found.append(
                f"{words.count(again, 'person')} repeated in more than one panel: a row for each panel, but one "
                "person. The panels are computed apart, as what was tasted may differ."
            )
        unknown = [
            name
            for name, e in zip(self.core.panels.frame["panel"], self._evidence, strict=True)
            if isinstance(e, RepeatedTotal) and e.tasters > 1
        ]
        if unknown:
            found.append(f"Only the total is known, so nothing about single tasters: {words.listing(unknown, most=6)}.")
        return tuple(found)

    def plot(self, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """Every taster's counted rate beside the rate given everybody.

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
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> from matplotlib.figure import Figure
        >>> axes = found.plot(ax=Figure())
        """
        frame = self.to_frame(prob)
        several = frame["panel"].nunique() > 1
        named = frame.assign(
            median=frame["mean"],
            name=frame["panel"] + ": " + frame["taster"] if several else frame["taster"],
            beside=[f"{y} of {r}" for y, r in zip(frame["correct"], frame["tastings"], strict=True)],
        )
        return figures.ranges(
            named,
            xlabel="rate above guessing (0 %: guesses, 100 %: always right)",
            level=self.threshold,
            level_label="better than guessing ▸",
            prob=prob,
            ax=ax,
        )

    def _glance(self) -> Glance:
        frame = self.to_frame()
        if frame.empty:
            unknown = f"{self._who()}, so nothing can be said of single people."
            return Glance(
                (unknown,), None, (), "keep the answers one row a tasting, and pool(panels, tastings=tastings)."
            )
        shares = [_share(row) for row in frame.itertuples()]
        best = int(frame["p_better"].to_numpy().argmax())
        names = _in_panels(frame)
        name = names[best]
        share = shares[best]
        said: tuple[str, ...] = (
            f"{self._counted(frame['p_better'].to_numpy(), _people_in(frame))}.",
            f"Closest is {name}: {share.right()}, where {share.beside()}.",
        )
        if len(frame) == 1:
            said = (share.after(_stands(frame["p_better"].iloc[0], name)),)
        rows = [
            (name, f"{row.correct} of {row.tastings}", plain.of_100(share.middle),
             share.between().strip(" ()"), words.probability(row.p_better))
            for row, name, share in zip(frame.head(FIRST).itertuples(), names, shares, strict=False)
        ]  # fmt: skip
        headers = ("taster", "right", *plain.HEADERS[1:], "better than guessing")
        hidden = len(frame) - len(rows)
        first = f", first {len(rows)} of {len(frame)}" if hidden > 0 else ""
        small = compact(f"Right of 100{first}", headers, rows)
        return Glance(said, small, self.notes, self._next_step(frame))

    def _counted(self, p: Array, people: int | None = None) -> str:
        """How many are better than guessing; a person counts once a panel."""
        better = int((p > SETTLED).sum())
        guess = int((p < 1 - SETTLED).sum())
        open_ = len(p) - better - guess
        of = words.count(len(p), "person")
        if people is not None and people < len(p):
            of = f"{words.count(len(p), 'result')} of {words.count(people, 'person')} (one a panel each)"
        if open_ == len(p):
            return f"Not settled for any of {of}"
        return f"Better than guessing: {better} of {of}; no better: {guess}; not settled: {open_}"

    def _next_step(self, frame: pd.DataFrame) -> str:
        """Who could be settled with the fewest tastings."""
        unsettled = frame["p_better"].between(1 - SETTLED, SETTLED)
        more = frame.loc[unsettled, "more_tastings"].dropna()
        if more.empty:
            return f"even {MOST} more tastings would hardly settle it for anybody."
        at = int(more.astype(int).idxmin())
        who = _in_panels(frame)[frame.index.get_loc(at)]
        by = f"{words.count(int(more[at]), 'more tasting')} by {who}"
        return f"{by} would settle it with a chance of {words.percent(LIKELY)}."

    def _table(self) -> tables.Table:
        frame = self.to_frame().drop(columns=["protocol", "threshold", "median"])
        frame["more_tastings"] = [f"more than {MOST}" if pd.isna(m) else str(m) for m in frame["more_tastings"]]
        frame.insert(2, "answers", [f"{y} of {r}" for y, r in zip(frame["correct"], frame["tastings"], strict=True)])
        kinds = dict.fromkeys(("raw", "mean", "lower", "upper"), "percent")
        labels = {"answers": "correct", "raw": "as counted", "mean": "given everybody (mean)"}
        return tables.table(
            frame.drop(columns=["tastings", "correct"]).round({"mean": 3, "lower": 3, "upper": 3}),
            caption="Rate above guessing of each taster",
            kinds=kinds | {"p_better": "probability", "answers": "text", "more_tastings": "text"},
            labels=labels | {"p_better": "P(better than guessing)", "more_tastings": "more tastings to settle"},
            row_header="taster",
            most=60,
        )

    def _shown(self) -> list[str | tables.Table]:
        rows: list[str | tables.Table] = [self._table()] if len(self.people) else []
        return [self.sentence(), *rows, *(f"Note: {note}" for note in self.notes)]

    # --- computing --------------------------------------------------------------------------------------------------

    @property
    def _evidence(self) -> list[Any]:
        return self.core.collected.rows

    @cached_property
    def _known(self) -> dict[tuple[int, int, int], _Ability]:
        return {}

    @cached_property
    def _populations(self) -> dict[int, _Population]:
        return {}

    @cached_property
    def _d_primes(self) -> dict[int, list[Array]]:
        """Of every distinct panel with known people: its d-primes, an array a patch of the posterior."""
        names = set(self.people["panel"])
        here = [name in names for name in self.core.panels.frame["panel"]]
        panels = np.unique(self.core.collected.index[here]).tolist()
        patches = _d_primes(self.core.posterior.patches, panels)
        return {panel: [part[i] for part in patches] for i, panel in enumerate(panels)}

    def _ability(self, row: Any) -> _Ability:
        """Everybody with the same count in panels with the same counts is the same case."""
        at = int(np.flatnonzero(self.core.panels.frame["panel"] == row.panel)[0])
        case = (int(self.core.collected.index[at]), int(row.r), int(row.y))
        if case not in self._known:
            if case[0] not in self._populations:
                self._populations.clear()  # each is large, and a panel's tasters come together
                self._populations[case[0]] = _Population.of(self.core.posterior, case[0], self._d_primes[case[0]])
            self._known[case] = self._populations[case[0]].given(case[1], case[2])
        return self._known[case]

    def _row(self, panel: str, taster: str) -> Any:
        self.core.panels[panel]  # an unknown name is an error that lists the known ones
        rows = self.people[(self.people["panel"] == panel) & (self.people["taster"] == taster)]
        if rows.empty:
            there = self.people.loc[self.people["panel"] == panel, "taster"]
            known = words.listing(map(repr, there), most=20) if len(there) else "nobody whose own answers are known"
            raise ValueError(f"there is no repeat taster {taster!r} in panel {panel!r}; there is {known}.")
        return next(rows.itertuples(index=False))


_COLUMNS = (
    "panel", "protocol", "taster", "tastings", "correct", "raw", "mean", "median", "lower", "upper", "p_better",
    "threshold", "more_tastings", "prob", "kind",
)  # fmt: skip


def overdispersion(posterior: Posterior) -> Distribution:
    """Posterior of the overdispersion between tasters, from the shares of its integration nodes.

    Examples
    --------
    >>> from metasense import pool
    >>> two = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [12, 12], "correct": [12, 4], "tasters": [1, 1]}
    >>> gamma = overdispersion(pool(two).posterior)  # one always right, one guessing: unlike, or two unlike panels
    >>> gamma.above(0.2) > 0.8
    True
    """
    share: dict[float, float] = {}
    for patch in posterior.patches:
        share[patch.series.gamma] = share.get(patch.series.gamma, 0.0) + patch.share
    nodes, weights = grid.overdispersions([e for e in posterior.patches[0].series.evidence])
    return Distribution.from_nodes(nodes, weights, [share.get(float(node), 0.0) for node in nodes])


# --- one taster -----------------------------------------------------------------------------------------------------


def _share(row: Any) -> plain.Share:
    """A taster's rate as right answers in the panel's protocol."""
    test = forced_choice(row.protocol)
    middle, low, high = (float(test.p_from_p_d(rate)) for rate in (row.mean, row.lower, row.upper))
    return plain.Share(test.name, test.guess, middle, low, high)


@dataclass(frozen=True, eq=False)
class _Population:
    """The chance of a correct answer of the tasters of one panel: cells, and their probability at every node.

    A node is a d-prime of the panel with an overdispersion; `mass` has a row a node.
    """

    protocol: Protocol
    edges: Array
    mass: Array
    weight: Array

    @classmethod
    def of(cls, posterior: Posterior, panel: int, d_primes: list[Array]) -> _Population:
        """Everything the pool knows about the tasters of its distinct panel number `panel`."""
        protocol = posterior.patches[0].series.evidence[panel].protocol
        assert isinstance(protocol, Protocol)
        unit = (1 - np.cos(np.pi * np.arange(CELLS + 1) / CELLS)) / 2
        guess = protocol.guess
        edges = np.concatenate([guess * (1 - unit[::-1]), (guess + (1 - guess) * unit)[1:]])
        masses, weights = [], []
        for patch, theta in zip(posterior.patches, d_primes, strict=True):
            p = protocol.p_correct(theta)
            above = p >= guess
            mean = np.clip(np.where(above, (p - guess) / (1 - guess), (guess - p) / guess), 1e-12, 1 - 1e-12)
            prior = (1 - patch.series.gamma) / patch.series.gamma
            cells = np.diff(betainc(prior * mean[:, None], prior * (1 - mean[:, None]), unit), axis=1)
            mass = np.zeros((len(theta), 2 * CELLS))
            mass[above, CELLS:] = cells[above]
            mass[~above, :CELLS] = cells[~above, ::-1]
            masses.append(mass)
            weights.append(np.full(len(theta), patch.share / len(theta)))
        return cls(protocol, edges, np.concatenate(masses), np.concatenate(weights))

    def given(self, answers: int, correct: int) -> _Ability:
        """A taster of this panel who got `correct` of `answers`, these being among what the pool knows."""
        p = (self.edges[1:] + self.edges[:-1]) / 2
        likelihood = p**correct * (1 - p) ** (answers - correct)
        # The nodes' weights hold this taster's answers already: divide them out, put in the cells'.
        share = (self.weight / (self.mass @ likelihood)) @ self.mass * likelihood
        return _Ability(self.protocol, self.edges, share / share.sum())


def _d_primes(patches: Sequence[Patch], panels: list[int]) -> list[list[Array]]:
    """For each patch of a posterior and each panel, d-primes that stand for equal probabilities."""
    middles = (np.arange(NODES) + 0.5) / NODES
    found: list[list[Array]] = [[] for _ in patches]
    refined = [patch.refined for patch in patches]
    alike: dict[int, list[int]] = {}  # patches at the same nodes, of which the cosines are worked out once
    for k, (mu, *_) in enumerate(refined):
        alike.setdefault(id(mu), []).append(k)
    for these in alike.values():
        (mu, tau, _), series = refined[these[0]], [patches[k].series for k in these]
        weights = np.stack([refined[k][2] for k in these], axis=1)
        keep = (weights > NEGLIGIBLE * weights.max(axis=0)).any(axis=1)
        for start in range(0, len(panels), 256):  # bounds the memory of large pools
            part = panels[start : start + 256]
            each = mixtures(series, mu[keep], tau[keep], weights[keep], part)
            for k, one, densities in zip(these, series, each, strict=True):
                for panel, density in zip(part, densities[1:], strict=True):
                    own = one.evidence[panel].log_likelihood(one.axis, one.gamma) - one.log_scale[panel]
                    cdf = np.cumsum(density * np.exp(own))
                    found[k].append(np.interp(middles, cdf / cdf[-1], one.axis))
    return found


@dataclass(frozen=True, eq=False)
class _Ability:
    """Posterior of one taster's chance of a correct answer, as the probability of cells."""

    protocol: Protocol
    edges: Array
    share: Array

    @cached_property
    def rate(self) -> Distribution:
        """Rate above guessing."""
        signed = self.edges if self.share[:CELLS].any() else self.edges[CELLS:]
        cdf = np.concatenate([[0.0], np.cumsum(self.share)])[-len(signed) :]
        return Distribution(self.protocol.p_d_from_p(signed), cdf / cdf[-1])

    def more(self, threshold: float) -> int | None:
        """About the smallest number of further tastings with a good chance to settle the side of the threshold."""
        p = (self.edges[1:] + self.edges[:-1]) / 2
        above = self.protocol.p_d_from_p(p) > threshold
        keep = self.share > 1e-12
        p, above, share = p[keep], above[keep], self.share[keep]

        def enough(extra: int) -> bool:
            y = np.arange(extra + 1)[:, None]
            choose = gammaln(extra + 1) - gammaln(y + 1) - gammaln(extra - y + 1)
            joint = np.exp(choose + xlogy(y, p) + xlogy(extra - y, 1 - p)) * share
            chance, better = joint.sum(axis=1), joint[:, above].sum(axis=1)
            settled = (better > SETTLED * chance) | (better < (1 - SETTLED) * chance)
            return bool(chance[settled].sum() >= LIKELY)

        if enough(0) or not enough(MOST):
            return 0 if enough(0) else None
        too_few, extra = 0, MOST
        while extra - too_few > 1:  # the chance rises in a saw-tooth, so the number found is one of the smallest
            middle = (too_few + extra) // 2
            too_few, extra = (too_few, middle) if enough(middle) else (middle, extra)
        return extra


# --- the wrong way, for comparison ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False)
class AsIfIndependent(Result):
    """The average d-prime as it is, and as it would wrongly look if every tasting were another person's.

    Attributes
    ----------
    right, wrong : Distribution
    tastings, people : int or None
        In the panels with repeats; people counted panel by panel.

    Examples
    --------
    >>> import metasense as ms
    >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
    >>> kind = {"panel": "A", "protocol": "triangle"}
    >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
    >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
    >>> found.as_if_independent().to_frame().columns[:3].tolist()
    ['average d-prime', 'median', 'lower']
    """

    right: Distribution
    wrong: Distribution
    tastings: int
    people: int

    def to_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Rows ``as it is`` and ``WRONG: as if independent``; ``average d-prime`` with its interval.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> len(found.as_if_independent().to_frame())
        2
        """
        named = {"as it is": self.right, "WRONG: as if every tasting were another person's": self.wrong}
        rows = []
        for name, value in named.items():
            lower, upper = value.interval(prob)
            rows.append({"average d-prime": name, "median": value.median, "lower": lower, "upper": upper})
        return pd.DataFrame(rows).assign(prob=prob, kind="equal-tailed")

    def sentence(self, prob: float = 0.95) -> str:
        """Both, with the label that belongs to the wrong one.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> found = ms.tasters(ms.pool(ms.read_tastings(rows)))
        >>> found.as_if_independent().sentence()[:40]
        'The average d-prime is 1.67 (0.47 to 3.4'
        """
        right, wrong = (v.interval(prob) for v in (self.right, self.wrong))
        ratio = (wrong[1] - wrong[0]) / (right[1] - right[0])
        return (
            f"The average d-prime is {words.estimate(self.right.median, *right, prob)}. Counting the "
            f"{words.count(self.tastings, 'tasting')} of {words.count(self.people, 'person')} as so many people would "
            f"have given {words.d(self.wrong.median)} ({' to '.join(words.distinct(*wrong))}), an interval "
            f"{words.percent(ratio)} as wide. That second answer is wrong and not to be reported."
        )

    def _table(self) -> tables.Table:
        return tables.table(self.to_frame(), caption="For comparison only")

    def _shown(self) -> list[str | tables.Shown]:
        return [self.sentence(), self._table()]


def as_if_independent(core: Core) -> AsIfIndependent:
    """Pool again as if every tasting came from another person: WRONG where people repeated, for comparison only.

    Examples
    --------
    >>> from metasense import pool
    >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [36, 30], "correct": [20, 13]}
    >>> both = as_if_independent(pool(table | {"tasters": [4, 30]}))
    >>> right, wrong = both.right.interval(), both.wrong.interval()
    >>> wrong[1] - wrong[0] < right[1] - right[0]
    True
    """
    frame = core.panels.frame
    independent = collect(frame.assign(tasters=frame["tastings"]))
    wrong = grid.integrate(independent.evidence, independent.copies, core.priors)[0]
    repeated = frame[[core.collected.evidence[i].repeated for i in core.collected.index]]
    return AsIfIndependent(core.average, wrong.average, int(repeated["tastings"].sum()), int(repeated["tasters"].sum()))


def _in_panels(frame: pd.DataFrame) -> list[str]:
    """The tasters of rows, with the panel where somebody has more than one row."""
    if not frame["taster"].duplicated().any():
        return [cut(taster) for taster in frame["taster"]]
    return [f"{cut(row.taster)} in {cut(row.panel)}" for row in frame.itertuples()]


def _people_in(frame: pd.DataFrame) -> int:
    """How many people the rows are of; single tasters of panels without names may all be different."""
    unnamed = frame["taster"] == ONLY
    return int(frame.loc[~unnamed, "taster"].nunique() + unnamed.sum())


def _stands(p_better: float, name: str) -> str:
    """How one person stands."""
    if p_better > SETTLED:
        return f"Better than guessing is {name}"
    return f"No better than guessing is {name}" if p_better < 1 - SETTLED else f"Not settled for {name}"
