"""The two tables everything starts from: `Panels`, one row a panel, and `Tastings`, one row a tasting.

`read_panels` and `read_tastings` take a file or a DataFrame, check it once, and either return a table whose every number can be trusted or
raise one `PanelsError` that lists all that must be put right. What was chosen on the way is in ``.notes``. People and tastings are counted
apart. `Tastings.to_panels` turns answers into counts, so that both roads lead to the same `Panels`.

The columns are listed in `PANEL_COLUMNS` and `TASTING_COLUMNS`, the rules they must keep in `PANEL_RULES`: to add one, add a line there.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from metasense.checking import Checked, Column, check_table, choice, date, distinct, name, no_column, plain, text, whole, yes_no
from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, protocol
from metasense.reading import PanelsError, Problem, listing, open_table
from metasense.showing.tables import Table, block, csv_safe, table

__all__ = ["PANEL_COLUMNS", "Panels", "PanelsError", "read_panels"]

SHOWN_ROWS = 60

_blind = choice(
    double=("double blind", "db", "both"),
    single=("single blind", "sb"),
    none=("no", "not blind", "unblinded", "unblind", "open", "false"),
)
_asked = choice(
    correct=("the correct", "correct only", "correct answers", "right"),
    all=("everyone", "everybody", "all tasters"),
    none=("nobody", "no one", "not asked", "no", 0),
)
_preference = choice(new=("n",), old=("o",), none=("no preference", "nopref", "neither", "equal"))

PANEL_COLUMNS = (
    Column("panel", "a name for the sitting", name, "string", ("id", "panelid", "panelname", "panelno", "panelnumber", "name"), True),
    Column("protocol", "the test that was served", name, "string", ("test", "method", "testtype", "testmethod", "protocolname"), True),
    Column("tastings", "how many answers were given", whole, "Int64",
           ("n", "trials", "ntrials", "answers", "nanswers", "ntastings", "total", "responses", "nresponses")),
    Column("correct", "how many answers were correct", whole, "Int64",
           ("x", "right", "ncorrect", "nright", "correctanswers", "rightanswers", "numbercorrect")),
    Column("signal", "tastings of the learned sample, or of two different cups", whole, "Int64", ("signals", "nsignal", "signaltastings")),
    Column("hits", "'A' or 'different' answered to those", whole, "Int64", ("hit", "nhits")),
    Column("noise", "tastings of the other sample, or of two like cups", whole, "Int64", ("nnoise", "noisetastings")),
    Column("false_alarms", "'A' or 'different' answered to those", whole, "Int64", ("falsealarm", "fa", "nfalsealarms")),
    Column("date", "the day of the sitting", date, "datetime64[s]", ("paneldate", "testdate", "sessiondate", "day")),
    Column("tasters", "how many different people answered", whole, "Int64",
           ("assessors", "people", "persons", "participants", "panelists", "panellists", "volunteers", "ntasters", "nassessors", "npeople")),
    Column("batch_pair", "the two productions compared", name, "string", ("batches", "batchpairid", "batchpairs")),
    Column("blind", "double, single or none", _blind, "string", ("blinding", "blinded", "blindness")),
    Column("planned", "tastings planned beforehand", whole, "Int64", ("plannedn", "nplanned", "plannedtastings")),
    Column("looks", "times the result was looked at before the end", whole, "Int64", ("nlooks", "interimlooks")),
    Column("reported", "was the panel made known? yes or no", yes_no, "boolean", ("published",)),
    Column("asked", "who was asked for a preference: correct, all or none", _asked, "string",
           ("askedof", "prefaskedof", "preferenceasked", "preferenceaskedof")),
    Column("prefer_new", "how many preferred the new product", whole, "Int64", ("prefernew", "prefnew", "preftest", "prefertest")),
    Column("prefer_old", "how many preferred the old product", whole, "Int64", ("preferold", "prefold", "prefcontrol", "prefercontrol")),
    Column("no_preference", "how many had no preference", whole, "Int64", ("nopref", "prefnone", "prefernone", "prefernopreference")),
    Column("refused", "people served who gave no answer; not among the tastings", whole, "Int64", ("refusals", "nrefused", "noanswer")),
    Column("notes", "anything worth keeping", text, "string", ("note", "comment", "comments", "remarks")),
)  # fmt: skip
_BY_NAME = {column.name: column for column in PANEL_COLUMNS}
_FORCED = ("tastings", "correct")
_TWO_COUNTS = ("signal", "hits", "noise", "false_alarms")
_ALWAYS = ("panel", "protocol", "tastings", "correct")


class Rule(NamedTuple):
    """A rule between columns: where ``broken`` is true, ``words`` (filled from the row) say what is wrong and ``remedy`` what to do."""

    column: str
    broken: Callable[[pd.DataFrame], Any]
    words: str
    remedy: str


def _preferences(frame: pd.DataFrame) -> pd.Series:
    return frame[["prefer_new", "prefer_old", "no_preference"]].fillna(0).sum(axis=1)


PANEL_RULES = (
    Rule("correct", lambda f: f.correct > f.tastings, "{correct} correct of {tastings} tastings is impossible",
         "Correct answers cannot outnumber tastings"),
    Rule("hits", lambda f: f.hits > f.signal, "{hits} hits of {signal} signal tastings is impossible", "Hits cannot outnumber signal"),
    Rule("false_alarms", lambda f: f.false_alarms > f.noise, "{false_alarms} false alarms of {noise} noise tastings is impossible",
         "False alarms cannot outnumber noise"),
    Rule("tasters", lambda f: f.tasters > f.given, "{tasters} tasters gave {given} answers",
         "Tasters are different people and each gave at least one answer; tastings are answers"),
    Rule("tasters", lambda f: (f.tasters == 0) & (f.given > 0), "no tasters gave {given} answers", "Write how many people answered"),
    Rule("asked", lambda f: f.asked.isna() & (f.preferences > 0), "preferences are given but not who was asked",
         "Write correct, all or none"),
    Rule("asked", lambda f: (f.asked == "none") & (f.preferences > 0), "{preferences} preferences are given though nobody was asked",
         "Write who was asked, correct or all, or remove the preferences"),
    Rule("asked", lambda f: (f.asked == "correct") & (f.preferences > f.right),
         "{preferences} preferences from {right} correct answers is impossible", "Count one preference for each correct answer, or write all"),
    Rule("asked", lambda f: (f.asked == "all") & (f.preferences > f.given), "{preferences} preferences from {given} answers is impossible",
         "Count one preference for each answer"),
)  # fmt: skip


def _is_known(columns: Sequence[Column]) -> Callable[[str], bool]:
    keys = {plain(column.name) for column in columns} | {alias for column in columns for alias in column.aliases}
    return lambda header: plain(header) in keys


def read_panels(source: Any, *, name: str | None = None, sheet: str | None = None) -> Panels:
    """Read and check a table with one row a panel.

    Parameters
    ----------
    source : path, DataFrame, list of dicts, dict of columns, open file, or the table itself as text
        CSV, TSV, Excel (.xlsx) or Parquet. UTF-8 with or without a byte-order mark; UTF-16 and Windows-1252 are recognised and said.
        Separators ``,`` ``;`` tab and ``|``, and a decimal comma, are recognised and said.
    name : str, optional
        What to call the source in messages.
    sheet : str, optional
        Which worksheet to read; the first visible one otherwise, with a note naming the rest.

    Returns
    -------
    Panels
        Every reading choice is a line in its ``notes``.

    Raises
    ------
    PanelsError
        A ValueError that lists all problems, each with row, panel, column, value and remedy; also for a missing file.

    Examples
    --------
    >>> panels = read_panels("id,test,n,x,style\\nC1,Triangle,24,8,dry\\nC2,duo trio,20,10,sweet")
    >>> panels.frame[["panel", "protocol", "tastings", "correct"]]
      panel  protocol  tastings  correct
    0    C1  triangle        24        8
    1    C2  duo-trio        20       10
    >>> panels.moderators
    ('style',)
    """
    if isinstance(source, Panels):
        return source
    opened = open_table(source, _is_known(PANEL_COLUMNS), name=name, sheet=sheet)
    checked = check_table(opened, PANEL_COLUMNS)
    frame, problems, notes = checked.frame, checked.problems, checked.notes
    if not len(frame) and not problems:
        problems.append(Problem("the table has a header but no rows. Add one row a panel."))
    problem = _Reporter(checked)
    kinds = _check_protocols(checked, problem)
    two = kinds.map(lambda kind: isinstance(kind, TwoCountProtocol)).to_numpy(bool)
    forced = kinds.map(lambda kind: isinstance(kind, Protocol)).to_numpy(bool)
    _check_needed(checked, problem, forced, _FORCED, "")
    _check_needed(checked, problem, two, _TWO_COUNTS, "two-count protocols (A-not-A, same-different) need it")
    for column in _TWO_COUNTS:
        problem(forced & frame[column].notna(), column, f"{{protocol}} has no {column}", "Leave the cell empty, or correct the protocol")
    for column, total in (("tastings", frame.signal + frame.noise), ("correct", frame.hits + frame.noise - frame.false_alarms)):
        problem(two & (frame[column] != total).fillna(False), column, "{value} does not agree with signal, hits, noise and false alarms",
                "Leave the cell empty for this protocol")  # fmt: skip
        frame.loc[two, column] = pd.NA
    _check_names(checked, problem)
    wide = frame.assign(
        given=frame.tastings.fillna(frame.signal + frame.noise),
        right=frame.correct.fillna(frame.hits + frame.noise - frame.false_alarms),
        preferences=_preferences(frame),
    )
    for rule in PANEL_RULES:
        problem(rule.broken(wide).fillna(False).to_numpy(bool), rule.column, rule.words, rule.remedy, rows=wide)
    if problems:
        raise PanelsError(sorted(problems, key=lambda p: p.row is not None), opened.source)
    notes += [note.format(listing(frame.panel[mask.fillna(False)])) for note, mask in _remarks(wide) if mask.fillna(False).any()]
    if "tasters" not in checked.heads:
        notes.append("tasters are not given: every tasting is taken to be another person's.")
    return Panels(frame, opened.source, tuple(notes))


def _remarks(wide: pd.DataFrame) -> Iterator[tuple[str, pd.Series]]:
    """What is allowed but worth knowing, and the panels it is true of."""
    yield "no answers at all, so nothing is learned from {}.", wide.given == 0
    yield "more tastings than planned in {}.", wide.given > wide.planned
    folded = wide.panel.str.casefold()
    yield "names that differ only in capitals are different panels: {}.", folded.duplicated(keep=False)


class _Reporter:
    """Adds a problem for every row of a mask."""

    def __init__(self, checked: Checked):
        self.checked = checked
        self.done: set[tuple[int, str | None]] = set()  # one problem a cell is enough

    def __call__(self, mask: Any, column: str, words: str, remedy: str, *, rows: pd.DataFrame | None = None) -> None:
        rows = self.checked.frame if rows is None else rows
        where = np.flatnonzero(np.asarray(mask, bool))
        if not len(where):
            return
        for i, row in zip(where.tolist(), rows.iloc[where].to_dict("records"), strict=True):
            value = row.get(column)
            panel = None if pd.isna(row.get("panel")) else str(row["panel"])
            message = words.format(**{**row, "value": value})
            self.checked.problems.append(
                Problem(f"{message}. {remedy}.", self.checked.rows[i], panel, self.checked.heads.get(column, column), value)
            )


def _check_protocols(checked: Checked, problem: _Reporter) -> pd.Series:
    """Replace each protocol's name by its own; the protocol objects, None where unknown or missing."""
    codes, names = distinct(checked.frame["protocol"])
    found: list[Any] = []
    for given in names:
        if given is None or given is pd.NA:
            found.append(None)
            continue
        try:
            found.append(protocol(given))
        except ValueError:
            found.append(None)
            close = difflib.get_close_matches(plain(given), {plain(known): known for known in PROTOCOLS}, n=1, cutoff=0.5)
            near = next((f" Did you mean {known!r}?" for known in PROTOCOLS if close and plain(known) == close[0]), "")
            problem(checked.frame["protocol"] == given, "protocol", "{value!r} is not a protocol we know." + near,
                    f"Known are {listing(PROTOCOLS, 12)}")  # fmt: skip
    kinds = pd.Series([found[code] for code in codes], dtype=object)
    own = [None if kind is None else kind.name for kind in found]
    for given, known in zip(names, own, strict=True):
        if known is not None and given != known:
            checked.notes.append(f"protocol {given!r} was read as {known!r}.")
    if "protocol" in checked.heads:
        bad = _bad_rows(checked, "protocol")
        problem(checked.frame["protocol"].isna().to_numpy(bool) & ~bad, "protocol", "the protocol is missing", f"Known are {listing(PROTOCOLS, 12)}")
        checked.frame["protocol"] = pd.Series([own[code] for code in codes], dtype="string")
    return kinds


def _bad_rows(checked: Checked, column: str) -> np.ndarray:
    """Rows of which a problem in this column is already known."""
    head = checked.heads.get(column)
    bad = {problem.row for problem in checked.problems if problem.column == head}
    return np.array([row in bad for row in checked.rows], bool) if bad else np.zeros(len(checked.frame), bool)


def _check_needed(checked: Checked, problem: _Reporter, mask: np.ndarray, columns: Sequence[str], why: str) -> None:
    if not mask.any():
        return
    free = {plain(extra): extra for extra in checked.extras} | {plain(head): head for name_, head in checked.heads.items() if name_ == "hits"}
    for column in columns:
        if column not in checked.heads:
            missing = no_column(_BY_NAME[column], free, [head for head in checked.heads.values()])
            checked.problems.append(missing._replace(message=missing.message + (f" {why.capitalize()}." if why else "")))
            continue
        empty = mask & checked.frame[column].isna().to_numpy(bool)
        if empty.any():
            problem(empty & ~_bad_rows(checked, column), column, "the cell is empty", f"Write {_BY_NAME[column].meaning}")


def _check_names(checked: Checked, problem: _Reporter) -> None:
    if "panel" not in checked.heads:
        return
    panel = checked.frame["panel"]
    problem(panel.isna().to_numpy(bool) & ~_bad_rows(checked, "panel"), "panel", "the panel has no name", "Give it one")
    first = panel.notna() & panel.duplicated(keep=False)
    if first.any():
        rows = {}
        for i in np.flatnonzero(first):
            rows.setdefault(panel[i], []).append(str(checked.rows[i]))
        again = panel.notna() & panel.duplicated()
        for i in np.flatnonzero(again):
            checked.problems.append(Problem(
                f"the name {panel[i]!r} stands in {listing(rows[panel[i]])}. Give every panel a name of its own, for instance with its date.",
                checked.rows[i], str(panel[i]), checked.heads["panel"], panel[i]))  # fmt: skip


# --- panels -----------------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False)
class Panels:
    """Checked panels, one row each. Made by `read_panels` or `Tastings.to_panels`.

    Attributes
    ----------
    frame : DataFrame
        Every column of `PANEL_COLUMNS`, missing where not given, then the moderators. Counts are ``Int64``, yes/no ``boolean``, words
        ``string``, ``date`` ``datetime64``, numeric moderators ``Float64``. A-not-A and same-different have ``signal, hits, noise,
        false_alarms`` and no ``tastings, correct``; the others the reverse. Copy it before changing it.
    source : str
        Where the table came from.
    notes : tuple of str
        What was chosen while reading, and what was left out since.

    Examples
    --------
    >>> panels = read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15],
    ...                       "blind": ["double", "single"], "tasters": [24, 15]})
    >>> panels
    2 panels, 54 tastings by 39 tasters, from the table
    panel  protocol  correct   guess rate
    A      triangle  8 of 24          1/3
    B      triangle  15 of 30         1/3
    >>> len(panels.only(blind="double")), panels["B"].frame["correct"].item(), [row.panel for row in panels]
    (1, 15, ['A', 'B'])
    """

    frame: pd.DataFrame
    source: str = "the table"
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.frame)

    def __iter__(self) -> Iterator[Any]:
        """Rows as named tuples, in the order of the table."""
        return self.frame.itertuples(index=False, name="Panel")

    def __contains__(self, panel: object) -> bool:
        return bool((self.frame["panel"] == panel).any())

    def __getitem__(self, panel: str | Sequence[str]) -> Panels:
        """The panel of that name, or those of several, in the order asked for."""
        names = [panel] if isinstance(panel, str) else list(panel)
        self._known(names)
        return self._kept(pd.Index(self.frame["panel"]).get_indexer(names), f"only {listing(names)} asked for")

    @property
    def moderators(self) -> tuple[str, ...]:
        """Names of the columns beyond the expected ones."""
        return tuple(column for column in self.frame.columns if column not in _BY_NAME)

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the contents; the same for any order of rows and columns, and for CSV, Excel or DataFrame.

        Source and reading notes do not count; all given values do, moderators and the column ``notes`` included.
        """
        return _fingerprint(self.to_frame())

    def where(self, keep: Any, reason: str = "") -> Panels:
        """Panels for which `keep` is true: a mask, or a function of the frame that gives one.

        What is left out is named in ``notes``, with `reason` if given. Where the mask is missing, the panel is left out.

        >>> panels = read_panels("panel,protocol,tastings,correct,weeks\\nK1,triangle,20,6,1\\nK2,triangle,22,6,3")
        >>> panels.where(lambda frame: frame.weeks > 2, "stored long enough").notes[-1]
        'left out K1: not stored long enough.'
        """
        mask = pd.Series(keep(self.frame) if callable(keep) else keep)
        if len(mask) != len(self):
            raise PanelsError(f"the mask has {len(mask)} values for {len(self)} panels. Give one a panel.")
        if mask.isin([True, False]).sum() + mask.isna().sum() < len(mask):
            raise PanelsError("the mask must hold True or False for each panel.")
        return self._kept(np.flatnonzero(mask.fillna(False).astype(bool)), f"not {reason}" if reason else "not selected")

    def only(self, **values: Any) -> Panels:
        """Panels whose columns have these values; a list means any of them.

        Panels in which the column is empty are left out. A column or value that does not occur is an error that names those that do.
        """
        kept: Panels = self
        for column, wanted in values.items():
            if column not in self.frame:
                given = [name_ for name_ in self.to_frame().columns]
                near = difflib.get_close_matches(column, given, n=1)
                raise PanelsError(f"there is no column {column!r}.{f' Did you mean {near[0]!r}?' if near else ''} The columns are {listing(given, 30)}.")
            options = list(wanted) if isinstance(wanted, list | tuple | set | frozenset) else [wanted]
            cells = self.frame[column]
            if column == "protocol":
                options = [protocol(option).name for option in options]
            elif column == "date":
                options = [pd.Timestamp(option) for option in options]
            absent = [option for option in options if not (cells == option).any()]
            if absent:
                there = listing(dict.fromkeys(str(cell) for cell in cells.dropna()), 20) or "nothing"
                raise PanelsError(f"no panel has {listing(map(repr, absent))} in column {column!r}, which holds {there}.")
            words = " or ".join(map(str, options))
            mask = kept.frame[column].isin(options).fillna(False).to_numpy(bool)
            kept = kept._kept(np.flatnonzero(mask), f"{column} is not {words}")
        return kept

    def without(self, *panels: str) -> Panels:
        """All panels but these."""
        self._known(panels)
        return self._kept(np.flatnonzero(~self.frame["panel"].isin(panels)), "set aside by name")

    def to_frame(self) -> pd.DataFrame:
        """A copy of the raw numbers: the columns that hold anything, in canonical order, and the moderators."""
        given = [c for c in self.frame.columns if c in _ALWAYS or c not in _BY_NAME or self.frame[c].notna().any()]
        return self.frame[given].copy()

    def to_csv(self, path: str | os.PathLike[str]) -> Path:
        """Write a CSV (UTF-8) that `read_panels` reads back as the same panels, whole or not at all.

        Cells that a spreadsheet would run as a formula get an apostrophe in front, which `read_panels` takes away again.
        """
        return csv_safe(_plain_cells(self.to_frame()), path)

    def overview(self) -> pd.DataFrame:
        """What is shown of each panel: name, protocol, counts in words, guess rate; one row a panel, in order, to be joined to."""
        frame = self.frame
        counts = [
            f"{row.correct} of {row.tastings}"
            if pd.notna(row.tastings)
            else f"hits {row.hits} of {row.signal}, false alarms {row.false_alarms} of {row.noise}"
            for row in frame[[*_FORCED, *_TWO_COUNTS]].itertuples()
        ]
        return pd.DataFrame(
            {"panel": frame["panel"], "protocol": frame["protocol"], "correct": counts, "guess rate": frame["protocol"].map(_guess)}
        )

    def _known(self, panels: Sequence[str]) -> None:
        unknown = [panel for panel in panels if panel not in self]
        if unknown:
            names = self.frame["panel"].tolist()
            near = [close for panel in unknown for close in difflib.get_close_matches(str(panel), names, n=1)]
            hint = f" Did you mean {listing(map(repr, near))}?" if near else ""
            raise PanelsError(f"there is no panel {listing(map(repr, unknown))}.{hint} The panels are {listing(names, 20)}.", self.source)

    def _kept(self, positions: np.ndarray, reason: str) -> Panels:
        gone = np.setdiff1d(np.arange(len(self)), positions)
        if not len(positions):
            raise PanelsError(f"no panel is left ({reason}).", self.source)
        notes = (*self.notes, f"left out {listing(self.frame['panel'].iloc[gone])}: {reason}.") if len(gone) else self.notes
        return Panels(self.frame.iloc[positions].reset_index(drop=True), self.source, notes)

    def _headline(self) -> str:
        frame = self.frame
        tastings = int(frame["tastings"].fillna(frame["signal"] + frame["noise"]).sum())
        people = f" by {int(frame['tasters'].sum())} tasters" if len(frame) and frame["tasters"].notna().all() else ""
        return f"{_count(len(self), 'panel')}, {_count(tastings, 'tasting')}{people}, from {self.source}"

    def _table(self, rows: slice) -> Table:
        head = Panels(self.frame.iloc[rows], self.source)
        return table(head.overview(), caption=self._headline(), kinds=dict.fromkeys(("panel", "protocol", "correct"), "text"))

    def __repr__(self) -> str:
        more = [f"... and {_count(len(self) - SHOWN_ROWS, 'more panel')}"] if len(self) > SHOWN_ROWS else []
        return "\n".join([self._table(slice(SHOWN_ROWS)).to_text(), *more, *(f"Note: {note}" for note in self.notes)])

    def _repr_html_(self) -> str:
        more = [f"... and {_count(len(self) - SHOWN_ROWS, 'more panel')}"] if len(self) > SHOWN_ROWS else []
        return block(self._table(slice(SHOWN_ROWS)), *more, *(f"Note: {note}" for note in self.notes))


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" + "s" * (n != 1)


@cache
def _guess(known: str) -> str:
    kind = protocol(known)
    return str(Fraction(kind.guess).limit_denominator(1000)) if isinstance(kind, Protocol) else "set by the taster"


def _plain_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells as they are typed: yes and no, ISO dates, nothing where missing."""
    out = frame.copy()
    for column in frame:
        if frame[column].dtype == "boolean" and column in _BY_NAME:
            out[column] = frame[column].map({True: "yes", False: "no"}).astype(object)
        elif pd.api.types.is_datetime64_any_dtype(frame[column].dtype):
            out[column] = frame[column].dt.strftime("%Y-%m-%d")
    return out


def _fingerprint(frame: pd.DataFrame) -> str:
    """SHA-256 over one line a row, ``column=value`` in the order of the column names, the lines sorted."""
    cells = _plain_cells(frame)
    lines = np.full(len(cells), "", object)
    for column in sorted(cells.columns):
        codes, values = distinct(cells[column].astype(object))
        words = np.array(
            ["" if value is None or pd.isna(value) else f"{column}={value}\x1f" for value in values], object
        )
        lines = lines + words[codes]
    digest = hashlib.sha256(b"metasense table 1\n")
    for line in sorted(lines.tolist()):
        digest.update(line.encode("utf-8", "surrogatepass") + b"\n")
    return digest.hexdigest()
