"""From checked tables to what the engine needs: the distinct panels, and how often each occurs.

A table of panels holds totals, a table of tastings who answered what. `joined` sets the two side by side, `collect`
takes the answers of repeat tasters from the tastings where there are any, and from the totals elsewhere.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metasense.engine.crossed import Sitters
from metasense.engine.likelihood import Counts, Evidence, RepeatedTotal, Repeats, TwoCounts
from metasense.protocols import Protocol, TwoCountProtocol, forced_choice, protocol
from metasense.showing import words
from metasense.tables.panels import Panels, Tastings, counted_panels, read_panels, read_table, read_tastings, together
from metasense.tables.several import are_several, each_read
from metasense.tables.sheets import PanelsError, Problem

_KEY = ["protocol", "tastings", "correct", "tasters", "signal", "hits", "noise", "false_alarms"]


@dataclass(frozen=True, eq=False)
class Collected:
    """The evidence of a table.

    Attributes
    ----------
    evidence : tuple of Evidence
        Distinct panels: equal protocol and counts give equal likelihoods, so each is computed once.
    copies : ndarray of int, shape (len(evidence),)
    index : ndarray of int, shape (panels,)
        Which of them each row of the table is.
    """

    evidence: tuple[Evidence, ...]
    copies: np.ndarray
    index: np.ndarray

    @property
    def rows(self) -> list[Evidence]:
        """The evidence of every row of the table."""
        return [self.evidence[i] for i in self.index]


def collect(frame: pd.DataFrame, tastings: Tastings | None = None, apart: Collection[int] = frozenset()) -> Collected:
    """Group the rows of a panels frame into distinct evidence; rows in `apart` are not grouped.

    A panel with fewer tasters than tastings has repeats: its tastings are not as many people. Where `tastings` hold its
    answers, each taster's own count enters; else its total enters as the sum of that many tasters' answers.
    """
    people = repeated_people(tastings)
    apart = frozenset(apart)
    shapes = list(dict.fromkeys(people.values()))
    place = {shape: i for i, shape in enumerate(shapes)}
    counts = {name: frame[name].to_numpy(float, na_value=-1.0) for name in _KEY[1:]}
    counts["tasters"] = np.where(counts["tasters"] < counts["tastings"], counts["tasters"], -1.0)  # somebody repeated
    who = [place.get(people.get(name, ()), -1) for name in frame["panel"]] if people else [-1] * len(frame)
    distinct: dict[tuple[Any, ...], int] = {}  # in a table of few panels, a dict is quicker than grouping a frame
    single = [row if row in apart else -1 for row in range(len(frame))]
    rows = zip(single, frame["protocol"], *(values.tolist() for values in counts.values()), who, strict=True)
    index = np.array([distinct.setdefault(row, len(distinct)) for row in rows])
    evidence = tuple(
        Repeats(forced_choice(name), shapes[who]) if who >= 0 else _one(name, *counts)
        for _, name, *counts, who in distinct
    )
    return Collected(evidence, np.bincount(index, minlength=len(evidence)), index)


def repeated_people(tastings: Tastings | None) -> dict[str, tuple[tuple[int, int, int], ...]]:
    """For each panel in which somebody repeated: ``(answers, correct, how many tasters)``, sorted."""
    if tastings is None:
        return {}
    counts = tastings.counts()
    forced = [name for name in counts["protocol"].unique() if isinstance(protocol(name), Protocol)]
    counts = counts[counts["protocol"].isin(forced) & (counts.groupby("panel")["r"].transform("max") > 1)]
    sizes = counts.groupby(["panel", "r", "y"]).size().reset_index(name="tasters")
    return {
        str(name): tuple(part[["r", "y", "tasters"]].itertuples(index=False, name=None))
        for name, part in sizes.groupby("panel")
    }


MOST_SITTERS = 6_000  # people in more than one panel, times their panels, that are followed from panel to panel


@dataclass(frozen=True, eq=False)
class Crossing:
    """Who sat where, of the people who sat in more than one panel.

    Attributes
    ----------
    rows : ndarray of int, shape (K,)
        The rows of the table that they sat in.
    tasters : tuple of str
        Who they are.
    answers, correct : ndarray of int, shape (people, K)
        What each gave in each of these panels; no answers where they were not there.
    own : tuple of Evidence or None, length K
        The answers of those who sat in that panel only.
    """

    rows: np.ndarray
    tasters: tuple[str, ...]
    answers: np.ndarray
    correct: np.ndarray
    own: tuple[Evidence | None, ...]

    @property
    def known(self) -> tuple[Hashable, ...]:
        """All that is known of them but their names, to tell whether it is the same again."""
        return self.rows.tobytes(), self.answers.shape, self.answers.tobytes(), self.correct.tobytes(), self.own

    @property
    def sittings(self) -> int:
        """How often these people sat down together."""
        return int((self.answers > 0).sum())

    def sitters(self, collected: Collected, rho: float) -> Sitters:
        """As the engine takes it; `collected` has these panels apart from all others."""
        both = np.concatenate([self.answers, self.correct], axis=1)
        patterns, copies = np.unique(both, axis=0, return_counts=True)
        whole = tuple(collected.rows[row] for row in self.rows)
        apart = np.setdiff1d(np.arange(len(collected.evidence)), collected.index[self.rows])
        return Sitters(
            tuple(forced_choice(e.protocol.name) for e in whole),
            patterns[:, : len(self.rows)],
            patterns[:, len(self.rows) :],
            copies,
            self.own,
            whole,
            tuple(collected.evidence[i] for i in apart),
            collected.copies[apart].astype(float),
            rho,
        )


def crossing(frame: pd.DataFrame, tastings: Tastings | None) -> Crossing | None:
    """Who sat in more than one panel, where answers are known by name; None where nobody did, or too many did.

    Examples
    --------
    >>> from metasense.tables.panels import read_tastings
    >>> who = ["Ann", "Ann", "Bob"]
    >>> table = {"panel": ["A", "B", "B"], "protocol": "triangle", "taster": who, "correct": [1, 0, 1]}
    >>> tastings = read_tastings(table)
    >>> found = crossing(tastings.to_panels().frame, tastings)
    >>> found.tasters, found.answers.tolist(), found.own[1].tastings
    (('Ann',), [[1, 1]], 1)
    """
    if tastings is None:
        return None
    counts = tastings.counts()
    forced = [name for name in counts["protocol"].unique() if isinstance(protocol(name), Protocol)]
    counts = counts[counts["protocol"].isin(forced) & counts["panel"].isin(frame["panel"]) & (counts["r"] > 0)]
    counts = counts.assign(panel=counts["panel"].astype(str), taster=counts["taster"].astype(str))
    again = counts.groupby("taster")["panel"].transform("nunique") > 1
    linked = counts[again]
    if linked.empty or len(linked) > MOST_SITTERS:
        return None
    rows = np.flatnonzero(frame["panel"].isin(linked["panel"].unique()).to_numpy(bool))
    names = frame["panel"].iloc[rows].astype(str).tolist()
    tables = [
        linked.pivot(index="taster", columns="panel", values=what).reindex(columns=names).fillna(0).astype(int)
        for what in ("r", "y")
    ]
    once = counts[~again]
    own = tuple(_of_people(once[once["panel"] == name]) for name in names)
    return Crossing(rows, tuple(tables[0].index), tables[0].to_numpy(), tables[1].to_numpy(), own)


def _of_people(counts: pd.DataFrame) -> Evidence | None:
    """What the people of one panel say, given how often each answered and was right."""
    if counts.empty:
        return None
    test = forced_choice(counts["protocol"].iloc[0])
    if counts["r"].max() == 1:
        return Counts(test, len(counts), int(counts["y"].sum()))
    sizes = counts.groupby(["r", "y"]).size().reset_index(name="tasters")
    return Repeats(test, tuple(sizes.itertuples(index=False, name=None)))


def gathered(panels: Any, tastings: Any = None) -> tuple[Panels, Tastings | None]:
    """All that is given to be pooled, as one table of panels, and the single answers where there are any.

    Parameters
    ----------
    panels, tastings : Panels, Tastings, anything `read_panels` or `read_tastings` takes, or a list of such
        Several evenings, tables of totals, or both.

    Raises
    ------
    PanelsError
        If a table cannot be read, two tables of one kind hold the same panel, or totals differ from single answers.

    Examples
    --------
    >>> from metasense.tables.panels import read_tastings
    >>> evening = "panel,protocol,taster,correct\\n{0},triangle,T1,1\\n{0},triangle,T2,0"
    >>> evenings = [read_tastings(evening.format(name), name=name) for name in ("Friday", "Sunday")]
    >>> gathered(evenings)[0].frame["panel"].tolist(), len(gathered(*evenings)[1])
    (['Friday', 'Sunday'], 4)
    """
    given = each_read(panels, read_table) if are_several(panels) else [_as_given(panels)]
    if tastings is not None:
        given += each_read(tastings if are_several(tastings) else [tastings], read_tastings)
    totals, answers = together(given)
    if answers is None:
        assert totals is not None  # something was given
        return totals, None
    return (answers.to_panels() if totals is None else joined(totals, answers)), answers


def _as_given(panels: Any) -> Panels | Tastings:
    return panels if isinstance(panels, Tastings) else read_panels(panels)


def joined(panels: Panels, tastings: Tastings) -> Panels:
    """The panels with those added that are in `tastings` alone; the ones in both must agree.

    Raises
    ------
    PanelsError
        Naming every panel whose totals differ between the two tables, with both totals.

    Examples
    --------
    >>> from metasense.tables.panels import read_panels, read_tastings
    >>> old = read_panels("panel,protocol,tastings,correct\\nA,triangle,24,9")
    >>> new = read_tastings("panel,protocol,taster,correct\\nB,triangle,T1,1\\nB,triangle,T1,0\\nB,triangle,T2,1")
    >>> joined(old, new).frame[["panel", "tastings", "correct", "tasters"]]
      panel  tastings  correct  tasters
    0     A        24        9     <NA>
    1     B         3        2        2
    """
    raw = tastings.to_panels()
    both = panels.frame.merge(raw.frame, on="panel", suffixes=("", "_raw"))
    problems = []
    for name in _KEY:
        there = both[name].notna() | (name != "tasters")  # tasters need not be in the table of totals
        same = (both[name] == both[f"{name}_raw"]) | (both[name].isna() & both[f"{name}_raw"].isna())
        for row in both[there & ~same.fillna(False)].to_dict("records"):
            said = f"{_totals(row)} in the table of panels, {_totals(row, '_raw')} in the tastings"
            problems.append((row["panel"], f"{said}. Correct one of them, or name the panels apart"))
    if problems:
        listed = [Problem(f"{said}.", panel=panel) for panel, said in dict.fromkeys(problems)]
        raise PanelsError(listed, "tastings beside panels")
    frame = panels.frame.copy()
    tasters = frame["panel"].map(raw.frame.set_index("panel")["tasters"])
    frame["tasters"] = frame["tasters"].fillna(tasters.astype("Int64"))
    new = ~raw.frame["panel"].isin(frame["panel"])
    if new.any():
        table = pd.concat([Panels(frame).to_frame().astype(object), raw.frame[new].astype(object)], ignore_index=True)
        frame = counted_panels(table.dropna(axis="columns", how="all")).frame
    source = f"{panels.source} with {tastings.source}" if panels.source != tastings.source else panels.source
    return Panels(frame, source, tuple(dict.fromkeys([*panels.notes, *tastings.notes])))


def _totals(row: dict[str, Any], suffix: str = "") -> str:
    """A panel's totals in words."""
    tastings, correct, tasters, *two = (row[f"{name}{suffix}"] for name in _KEY[1:])
    name = row[f"protocol{suffix}"]
    if pd.isna(tastings):
        return "{}: hits {hits} of {signal}, false alarms {false_alarms} of {noise}".format(
            name, **dict(zip(_KEY[4:], two, strict=True))
        )
    people = "" if pd.isna(tasters) else f" by {words.count(int(tasters), 'taster')}"
    return f"{name}: {correct} correct of {tastings}{people}"


def _one(name: str, *counts: int) -> Evidence:
    tastings, correct, tasters, signal, hits, noise, false_alarms = (int(c) for c in counts)
    test = protocol(name)
    if isinstance(test, TwoCountProtocol):
        return TwoCounts(test, signal, hits, noise, false_alarms)
    if tasters > 0:
        return RepeatedTotal(test, tasters, tastings, correct)
    return Counts(test, tastings, correct)
