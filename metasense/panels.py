"""The two tables everything starts from: `Panels`, one row a panel, and `Tastings`, one row a tasting.

`read_panels` and `read_tastings` take a file or a DataFrame, check it once, and either return a table whose every number
can be trusted or raise one `PanelsError` that lists all that must be put right. What was chosen on the way is in
``notes``. People and tastings are counted apart. `Tastings.to_panels` turns answers into counts, so that both roads
lead to the same `Panels`.

The columns are listed in `PANEL_COLUMNS` and `TASTING_COLUMNS`, the rules between them in `PANEL_RULES`: to add one, add
a line there.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import numpy as np
import pandas as pd

from metasense.checking import (
    Checked,
    Column,
    Reading,
    Wrong,
    check_table,
    choice,
    column_of,
    date,
    distinct,
    is_known,
    label,
    no_column,
    plain,
    text,
    whole,
    yes_no,
)
from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, protocol
from metasense.reading import PanelsError, open_table
from metasense.showing.tables import block, csv_safe, table
from metasense.showing.words import count, listing, one_line

__all__ = ["PANEL_COLUMNS", "TASTING_COLUMNS", "Panels", "PanelsError", "Tastings", "read_panels", "read_tastings"]

SHOWN = 60  # rows printed; all of them are in to_frame()

# --- the columns ----------------------------------------------------------------------------------------------------

_blind = choice(double="doubleblind db both", single="singleblind sb", none="no notblind unblinded unblind open false")
_asked = choice(
    correct="thecorrect correctonly correctanswers right",
    all="everyone everybody alltasters",
    none="nobody noone notasked no",
)
_preference = choice(new="n", old="o", none="nopreference nopref neither equal")
_state = choice(yes="y true 1 right correct", no="n false 0 wrong incorrect", refused="noanswer skipped declined none")


def _correct(cell: object, reading: Reading) -> bool | None:
    """Was the answer correct? None for no answer."""
    word = _state(cell, reading)
    return None if word in (None, "refused") else word == "yes"


def _answer(cell: object, reading: Reading) -> str | None:
    word = label(cell, reading)
    return None if plain(word) in ("none", "refused", "noanswer", "skipped", "declined", "missing", "na") else word


# fmt: off
_SITTING = (  # what is the same throughout a panel
    Column("date", "the day of the sitting", date, "datetime64[s]", "paneldate testdate sessiondate day"),
    Column("batch_pair", "the two productions compared", text, "string", "batches batchpairid batchpairs"),
    Column("blind", "double, single or none", _blind, "string", "blinding blinded blindness"),
    Column("planned", "tastings planned beforehand", whole, "Int64", "plannedn nplanned plannedtastings"),
    Column("looks", "times the result was looked at before the end", whole, "Int64", "nlooks interimlooks"),
    Column("reported", "was the panel made known? yes or no", yes_no, "boolean", "published"),
)
PANEL_COLUMNS = (
    Column("panel", "a name for the sitting", label, "string", "id panelid panelname panelno panelnumber name", True),
    Column("protocol", "the test that was served", label, "string", "test method testtype testmethod protocolname", True),
    Column("tastings", "how many answers were given", whole, "Int64",
           "n trials ntrials answers nanswers ntastings total responses nresponses"),
    Column("correct", "how many answers were correct", whole, "Int64",
           "x right ncorrect nright correctanswers rightanswers numbercorrect numberright"),
    Column("signal", "tastings of the learned sample A, or of two different cups", whole, "Int64",
           "signals nsignal signaltastings"),
    Column("hits", "answers 'A' or 'different' to those", whole, "Int64", "hit nhits"),
    Column("noise", "tastings of the other sample, or of two cups alike", whole, "Int64", "nnoise noisetastings"),
    Column("false_alarms", "answers 'A' or 'different' to those", whole, "Int64", "falsealarm fa nfalsealarms"),
    _SITTING[0],
    Column("tasters", "how many different people answered", whole, "Int64",
           "assessors people persons participants panelists panellists volunteers ntasters nassessors npeople"),
    *_SITTING[1:],
    Column("asked", "who was asked for a preference: correct, all or none", _asked, "string",
           "askedof prefasked prefaskedof preferenceasked preferenceaskedof"),
    Column("prefer_new", "how many preferred the new product", whole, "Int64", "prefnew preftest prefertest"),
    Column("prefer_old", "how many preferred the old product", whole, "Int64", "prefold prefcontrol prefercontrol"),
    Column("no_preference", "how many had no preference", whole, "Int64", "nopref prefnone prefernone"),
    Column("refused", "people served who gave no answer, not among the tastings", whole, "Int64", "refusals nrefused"),
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
TASTING_COLUMNS = (
    replace(PANEL_COLUMNS[0], dtype="category", aliases="panelid panelname panelno panelnumber"),
    replace(PANEL_COLUMNS[1], dtype="category"),
    Column("taster", "a code for the person", label, "category",
           "tasterid tastercode assessor assessorid person personid participant participantid panelist panellist", True),
    Column("correct", "was the answer correct? 1 or 0, yes or no", _correct, "boolean", "right iscorrect result"),
    Column("served", "the right answer: code or position of the odd or matching cup", label, "category",
           "rightanswer correctanswer target odd oddcup"),
    Column("answer", "the taster's answer, in the same words as served", _answer, "category",
           "response chosen picked choice"),
    Column("trial", "1, 2, 3 ... for the tastings of one person", whole, "Int64", "trialno trialnumber repeat replicate rep"),
    Column("order", "the cups in the order served, such as ABB", label, "category", "servingorder servedorder"),
    Column("position", "place of the cup picked, 1 for the first", whole, "Int64", "answerposition positionpicked"),
    Column("preference", "new, old or none", _preference, "category", "prefers preferred"),
    *_SITTING,
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
# fmt: on
_PANEL = {column.name: column for column in PANEL_COLUMNS}
_TASTING = {column.name: column for column in TASTING_COLUMNS}
_FORCED = ("tastings", "correct")
_TWO_COUNTS = ("signal", "hits", "noise", "false_alarms")


class Rule(NamedTuple):
    """A rule between columns: where `broken` is true, `words`, filled from the row, say what is wrong and what to do."""

    column: str
    broken: Callable[[pd.DataFrame], pd.Series]
    words: str


# Seen by the rules beside the columns: given (answers), right (correct answers) and preferences (their sum).
PANEL_RULES = (
    Rule("correct", lambda f: f.correct > f.tastings,
         "{correct} correct of {tastings} tastings is impossible. Check both counts."),
    Rule("hits", lambda f: f.hits > f.signal, "{hits} hits of {signal} signal tastings is impossible. Check both counts."),
    Rule("false_alarms", lambda f: f.false_alarms > f.noise,
         "{false_alarms} false alarms of {noise} noise tastings is impossible. Check both counts."),
    Rule("tasters", lambda f: f.tasters > f.given,
         "{tasters} tasters gave {given} answers. Tasters are the different people who answered, each at least once."),
    Rule("tasters", lambda f: (f.tasters == 0) & (f.given > 0),
         "no tasters gave {given} answers. Write how many people answered."),
    Rule("asked", lambda f: f.asked.isna() & (f.preferences > 0),
         "there are preferences but it is not said who was asked. Write correct or all."),
    Rule("asked", lambda f: (f.asked == "none") & (f.preferences > 0),
         "there are {preferences} preferences though nobody was asked. Write correct or all, or remove them."),
    Rule("asked", lambda f: (f.asked == "correct") & (f.preferences > f.right),
         "{preferences} preferences of {right} tasters who were correct is impossible. If all were asked, write all."),
    Rule("asked", lambda f: (f.asked == "all") & (f.preferences > f.given),
         "{preferences} preferences of {given} answers is impossible. Check the counts."),
)  # fmt: skip


# --- reading panels -------------------------------------------------------------------------------------------------


def read_panels(source: Any, *, name: str | None = None, sheet: str | None = None) -> Panels:
    """Read and check a table with one row a panel.

    Parameters
    ----------
    source : path, DataFrame, list of dicts, dict of columns, open file, or the table itself as text
        CSV, TSV, Excel (.xlsx) or Parquet. UTF-8 with or without a byte-order mark is expected, UTF-16 and Windows-1252
        are recognised and noted, as are the separators ``,`` ``;`` tab and ``|``, and a decimal comma. Headers may be
        written in capitals, with spaces, hyphens or underscores, or as one of the `PANEL_COLUMNS` aliases.
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
    >>> panels = read_panels("id,test,n,x,style\\nC1,triangle,24,8,dry\\nC2,duo trio,20,10,sweet")
    >>> panels.frame[["panel", "protocol", "tastings", "correct", "style"]]
      panel  protocol  tastings  correct  style
    0    C1  triangle        24        8    dry
    1    C2  duo-trio        20       10  sweet
    >>> read_panels("panel,protocol,tastings,correct\\nC1,triangle,24,25")
    Traceback (most recent call last):
        ...
    metasense.reading.PanelsError: the text cannot be used as it is: row 2, panel 'C1', column 'correct': 25 correct of 24 tastings is impossible. Check both counts.
    """  # noqa: E501
    if isinstance(source, Panels):
        return source
    checked = check_table(open_table(source, is_known(PANEL_COLUMNS), name=name, sheet=sheet), PANEL_COLUMNS)
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    forced = np.array([isinstance(kind, Protocol) for kind in kinds], bool)[codes]
    _need(checked, np.ones(len(frame), bool), _PANEL, ("panel", "protocol"))
    _need(checked, forced, _PANEL, _FORCED)
    _need(checked, two, _PANEL, _TWO_COUNTS, ", which A-not-A and same-different need")
    for column in _TWO_COUNTS if set(_FORCED) <= set(checked.heads) else ():
        words = f"{{protocol}} has no {column}. Leave the cell empty, or correct the protocol."
        checked.report(frame[column].notna() & forced, column, words)
    given, right = frame.signal + frame.noise, frame.hits + frame.noise - frame.false_alarms
    for column, value in zip(_FORCED, (given, right), strict=True):
        words = f"{{value}} {column} does not agree with signal, hits, noise and false alarms. Leave the cell empty."
        checked.report((frame[column] != value) & two, column, words)
        frame[column] = frame[column].mask(two)
    again = frame.panel.duplicated() & frame.panel.notna()
    checked.report(
        again, "panel", "there is another panel {panel!r} above. Give each its own name, such as with its date."
    )
    wide = frame.assign(
        given=frame.tastings.fillna(given),
        right=frame.correct.fillna(right),
        preferences=sum(frame[column].fillna(0) for column in ("prefer_new", "prefer_old", "no_preference")),
    )
    for rule in PANEL_RULES:
        checked.report(rule.broken(wide), rule.column, rule.words, rows=wide)
    _raise(checked, "one row a panel")
    notes = checked.notes
    for words, mask in (
        ("no answers, so nothing is learned from it: {}.", wide.given == 0),
        ("more tastings than planned: {}.", wide.given > wide.planned),
        (
            "names that differ only in capitals are different panels: {}.",
            frame.panel.str.casefold().duplicated(keep=False),
        ),
    ):
        if mask.fillna(False).any():
            notes.append(words.format(listing(frame.panel[mask.fillna(False)], 8)))
    if frame.tasters.isna().any():
        missing = "" if frame.tasters.isna().all() else f" for {listing(frame.panel[frame.tasters.isna()], 8)}"
        notes.append(f"the number of tasters is not given{missing}: each tasting is taken to be another person's.")
    return Panels(frame, checked.sheet.source, tuple(notes))


def _checked_protocols(checked: Checked) -> tuple[np.ndarray, list[Protocol | TwoCountProtocol | None]]:
    """Put each protocol's own name into the frame; place and list of the protocols, None where there is none."""
    codes, names = distinct(checked.frame["protocol"])
    kinds: list[Protocol | TwoCountProtocol | None] = []
    for i, given in enumerate(names):
        kind = None
        if not (given is None or given is pd.NA or given != given):
            try:
                kind = protocol(given)
            except ValueError:
                near = difflib.get_close_matches(plain(given), list(map(plain, PROTOCOLS)), n=1, cutoff=0.5)
                hint = "".join(f" Did you mean {known!r}?" for known in PROTOCOLS if plain(known) in near)
                words = f"{{value!r}} is not a protocol known here.{hint} Known are {listing(PROTOCOLS)}."
                checked.report(codes == i, "protocol", words)
            else:
                if plain(kind.name) != plain(given):
                    checked.notes.append(f"the protocol {given!r} was read as {kind.name!r}.")
        kinds.append(kind)
    own = [None if kind is None else kind.name for kind in kinds]
    checked.frame["protocol"] = column_of(codes, own, str(checked.frame["protocol"].dtype))
    return codes, kinds


def _need(checked: Checked, mask: np.ndarray, columns: dict[str, Column], names: Sequence[str], why: str = "") -> None:
    """A problem for each of these columns that is missing, or empty in a row of `mask`."""
    for column in map(columns.__getitem__, names):
        if column.name in checked.heads:
            checked.report(mask & checked.frame[column.name].isna().to_numpy(bool), column.name,
                           f"the cell is empty. Write {column.meaning}.")  # fmt: skip
        elif mask.any() and not column.required:
            checked.add(-1, no_column(checked, column, why))


def _raise(checked: Checked, wanted: str) -> None:
    if not len(checked.frame) and not checked.problems():
        checked.add(-1, f"the table has a header but no rows. Write {wanted}.")
    if problems := checked.problems():
        raise PanelsError(problems, checked.sheet.source)


# --- what the two tables share --------------------------------------------------------------------------------------

_Self = TypeVar("_Self", bound="_Rows")


@dataclass(frozen=True, eq=False, repr=False)
class _Rows:
    """A checked frame that can be filtered, shown and saved; a filter notes what it leaves out."""

    frame: pd.DataFrame
    source: str = "the table"
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def moderators(self) -> tuple[str, ...]:
        """Names of the columns beyond the expected ones."""
        return tuple(column for column in self.frame.columns if column not in self._columns())

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the contents: the same for any order of rows and columns and for any kind of file.

        Every value given counts, moderators and the column ``notes`` included; source and reading notes do not.
        """
        cells = _typed(self.to_frame())
        lines = np.full(len(cells), "", object)
        for column in sorted(cells.columns):
            codes, values = distinct(cells[column].astype(object))
            words = ["" if pd.isna(value) else f"{column!r}={value!r}\x1f" for value in values]
            lines += np.array(words, object)[codes]
        digest = hashlib.sha256(f"{type(self).__name__} 1\n".encode())
        digest.update("\n".join(sorted(lines)).encode())
        return digest.hexdigest()

    def where(self: _Self, keep: Any, reason: str = "") -> _Self:
        """The rows for which `keep` is true: a mask, or a function of the frame that gives one.

        What is left out is said in ``notes``, with `reason` if given; where the mask is missing, the row is left out.

        Examples
        --------
        >>> panels = read_panels("panel,protocol,tastings,correct,weeks\\nK1,triangle,20,6,1\\nK2,triangle,22,6,3")
        >>> panels.where(lambda frame: frame.weeks > 2, "stored for two weeks").notes[-1]
        'left out K1: not stored for two weeks.'
        """
        mask = pd.Series(keep(self.frame) if callable(keep) else keep)
        if len(mask) != len(self) or not (mask.isna() | mask.isin([True, False])).all():
            raise PanelsError(f"the mask must be one True or False for each of the {len(self)} rows.", self.source)
        chosen = mask.fillna(False).to_numpy(bool)
        return self._kept(np.flatnonzero(chosen), f"not {reason}" if reason else "not selected")

    def only(self: _Self, **values: Any) -> _Self:
        """The rows whose columns hold these values, as in ``only(blind="double")``; a list means any of them.

        Where the column is empty, the row is left out. A column or value that does not occur is a `PanelsError` that
        names those that do.
        """
        kept = self
        for column, wanted in values.items():
            if column not in self.frame:
                near = difflib.get_close_matches(column, list(self.frame.columns), n=1)
                hint = f" Did you mean {near[0]!r}?" if near else ""
                raise PanelsError(
                    f"there is no column {column!r}.{hint} {_have(self.to_frame().columns)}.", self.source
                )
            options = list(wanted) if isinstance(wanted, list | tuple | set | frozenset) else [wanted]
            if column == "protocol":
                options = [protocol(option).name for option in options]
            elif column == "date":
                options = [pd.Timestamp(option) for option in options]
            cells = self.frame[column]
            absent = [option for option in options if not (cells == option).fillna(False).any()]
            if absent:
                there = cells.dropna().unique().tolist()
                words = f"nothing has {listing(map(repr, absent))} in column {column!r}. {_have(there)}."
                raise PanelsError(words, self.source)
            chosen = kept.frame[column].isin(options).fillna(False).to_numpy(bool)
            kept = kept._kept(np.flatnonzero(chosen), f"{column} is not {' or '.join(map(str, options))}")
        return kept

    def without(self: _Self, *panels: str) -> _Self:
        """Everything but these panels."""
        self._require(panels)
        return self._kept(np.flatnonzero(~self.frame["panel"].isin(panels).to_numpy(bool)), "set aside by name")

    def to_frame(self) -> pd.DataFrame:
        """A copy of the raw numbers: the columns that hold anything, in canonical order, and the moderators."""
        always = {"panel", "protocol", *_FORCED, *self.moderators}
        return self.frame[[c for c in self.frame.columns if c in always or self.frame[c].notna().any()]].copy()

    def to_csv(self, path: str | os.PathLike[str]) -> Path:
        """Write a CSV (UTF-8) that reads back as the same table, whole or not at all.

        Cells that a spreadsheet would run as a formula get an apostrophe in front, which reading takes away again.
        """
        return csv_safe(_typed(self.to_frame()), path)

    def __contains__(self, panel: object) -> bool:
        return bool((self.frame["panel"] == panel).any())

    def __getitem__(self: _Self, panel: str | Sequence[str]) -> _Self:
        """The rows of that panel, or of several in the order asked for."""
        names = [panel] if isinstance(panel, str) else list(panel)
        self._require(names)
        places = pd.Series(range(len(names)), index=pd.Index(names, dtype=object))
        if not places.index.is_unique:
            raise PanelsError(f"a panel is named twice: {listing(names)}.", self.source)
        at = self.frame["panel"].astype(object).map(places).fillna(-1).to_numpy(int)
        chosen = np.flatnonzero(at >= 0)
        return self._kept(chosen[np.argsort(at[chosen], kind="stable")], f"only {listing(names, 8)} asked for")

    def _require(self, panels: Sequence[str]) -> None:
        names = [str(panel) for panel in self.frame["panel"].unique()]
        unknown = [panel for panel in panels if panel not in set(names)]
        if unknown:
            near = [close for panel in unknown for close in difflib.get_close_matches(str(panel), names, n=1)]
            hint = f" Did you mean {listing(map(repr, near))}?" if near else ""
            raise PanelsError(f"there is no panel {listing(map(repr, unknown))}.{hint} {_have(names)}.", self.source)

    def _kept(self: _Self, positions: np.ndarray, reason: str) -> _Self:
        if not len(positions):
            raise PanelsError(f"nothing is left: {reason}.", self.source)
        gone = np.setdiff1d(np.arange(len(self)), positions)
        notes = (*self.notes, f"left out {self._named(gone)}: {reason}.") if len(gone) else self.notes
        return replace(self, frame=self.frame.iloc[positions].reset_index(drop=True), notes=notes)

    def _columns(self) -> dict[str, Column]:
        raise NotImplementedError

    def _named(self, positions: np.ndarray) -> str:
        raise NotImplementedError

    def _said(self) -> tuple[str, ...]:
        return tuple(f"Note: {one_line(note)}" for note in self.notes)


def _have(items: Any) -> str:
    return f"There is {listing(map(repr, map(str, items)), 20)}" if len(items) else "It is empty"


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells as one would type them: yes and no, and ISO dates."""
    out = frame.copy()
    for column in frame:
        if frame[column].dtype == "boolean" and (column in _PANEL or column in _TASTING):
            out[column] = frame[column].astype(object).map({True: "yes", False: "no"})
        elif frame[column].dtype.kind == "M":
            out[column] = frame[column].dt.strftime("%Y-%m-%d")
    return out


# --- panels ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False)
class Panels(_Rows):
    """Checked panels, one row each. Made by `read_panels` or `Tastings.to_panels`.

    Attributes
    ----------
    frame : DataFrame
        Every one of `PANEL_COLUMNS`, missing where not given, then the moderators. Counts are ``Int64``, yes/no
        ``boolean``, words ``string``, ``date`` ``datetime64``, numeric moderators ``Float64``. A-not-A and
        same-different have ``signal, hits, noise, false_alarms`` and no ``tastings, correct``; the others the reverse.
        Use `to_frame` for a copy to change.
    source : str
        Where the table came from.
    notes : tuple of str
        What was chosen while reading, and what was left out since.

    Examples
    --------
    >>> panels = read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15],
    ...                       "blind": ["double", "single"], "tasters": [24, 15]})
    >>> panels
    2 panels, 54 tastings, from the table
    panel  protocol  correct   tasters  guess rate
    A      triangle  8 of 24        24  1/3
    B      triangle  15 of 30       15  1/3
    >>> len(panels.only(blind="double")), panels["B"].frame["correct"].tolist(), [row.panel for row in panels]
    (1, [15], ['A', 'B'])
    """

    def __iter__(self) -> Iterator[Any]:
        """Rows as named tuples, in the order of the table."""
        return self.frame.itertuples(index=False, name="Panel")

    def overview(self) -> pd.DataFrame:
        """What is shown: panel, protocol, counts in words, tasters, guess rate; one row a panel, in order."""
        frame = self.frame
        columns: dict[str, Any] = {"panel": frame["panel"], "protocol": frame["protocol"]}
        columns["correct"] = [
            f"{row.correct} of {row.tastings}"
            if pd.notna(row.tastings)
            else f"hits {row.hits} of {row.signal}, false alarms {row.false_alarms} of {row.noise}"
            for row in frame[[*_FORCED, *_TWO_COUNTS]].itertuples()
        ]
        if frame["tasters"].notna().any():
            columns["tasters"] = frame["tasters"]
        columns["guess rate"] = frame["protocol"].map({name: _guess_rate(name) for name in frame["protocol"].unique()})
        return pd.DataFrame(columns)

    def _columns(self) -> dict[str, Column]:
        return _PANEL

    def _named(self, positions: np.ndarray) -> str:
        return listing(self.frame["panel"].iloc[positions], 8)

    def _shown(self) -> list[Any]:
        tastings = int(self.frame["tastings"].fillna(self.frame["signal"] + self.frame["noise"]).sum())
        caption = f"{count(len(self), 'panel')}, {count(tastings, 'tasting')}, from {self.source}"
        rest = len(self) - SHOWN
        shown = table(
            replace(self, frame=self.frame.iloc[:SHOWN]).overview(),
            caption=caption,
            kinds={"panel": "text", "protocol": "text", "correct": "text"},
            note=f"{count(rest, 'more panel')} not shown here; to_frame() holds them all." if rest > 0 else "",
        )
        return [shown, *self._said()]

    def __repr__(self) -> str:
        return "\n".join(map(str, self._shown()))

    def _repr_html_(self) -> str:
        return block(*self._shown())


def _guess_rate(name: str) -> str:
    kind = protocol(name)
    return str(Fraction(kind.guess).limit_denominator(1000)) if isinstance(kind, Protocol) else "set by the taster"


# --- tastings -------------------------------------------------------------------------------------------------------


def read_tastings(source: Any, *, name: str | None = None, sheet: str | None = None) -> Tastings:
    """Read and check a table with one row a tasting, that is one answer by one taster.

    Either ``correct`` says whether the answer was right, or it is derived from ``served`` and ``answer``: ``served`` is
    the right answer (the code or the position of the odd cup, of the match, of the strongest) and ``answer`` what the
    taster said, in the same words. Several cups are joined by ``+`` and groups divided by ``/``: a tetrad served as
    ``1+4/2+3`` is answered rightly by ``2+3`` or ``4+1``. In A-not-A both are ``A`` or ``not A``, in same-different
    ``same`` or ``different``, and both columns are needed. With both ``correct`` and ``answer``, they must agree.

    An empty answer, or one such as "refused", is no answer: it is kept, counted and said, and is not a tasting.

    Parameters
    ----------
    source, name, sheet
        As for `read_panels`.

    Returns
    -------
    Tastings

    Raises
    ------
    PanelsError
        A ValueError that lists all problems.

    Examples
    --------
    >>> tastings = read_tastings("panel,protocol,taster,served,answer\\nA,triangle,T1,417,417\\nA,triangle,T2,305,862")
    >>> tastings.frame["correct"].tolist()
    [True, False]
    >>> tastings.to_panels()
    1 panel, 2 tastings, from the text
    panel  protocol  correct  tasters  guess rate
    A      triangle  1 of 2         2  1/3
    """
    if isinstance(source, Tastings):
        return source
    opened = open_table(source, is_known(TASTING_COLUMNS), name=name, sheet=sheet)
    checked = check_table(opened, TASTING_COLUMNS, keep_empty=False)
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    _need(checked, np.ones(len(frame), bool), _TASTING, ("panel", "protocol", "taster"))
    panels = distinct(frame["panel"])[0]
    first = pd.Series(codes).groupby(panels).transform("first").to_numpy(int)
    words = "panel {panel!r} has another protocol above. A panel has one protocol; name the panels apart."
    checked.report((codes != first) & frame["panel"].notna().to_numpy(bool), "protocol", words)
    _judge(checked, codes, kinds)
    if "trial" in frame:
        again = frame["trial"].notna().to_numpy(bool) & frame.duplicated(["panel", "taster", "trial"]).to_numpy(bool)
        checked.report(
            again, "trial", "taster {taster!r} has trial {trial} above already. Number a person's tastings apart."
        )
    _check_orders(checked, codes, kinds)
    _raise(checked, "one row a tasting")
    return Tastings(frame, opened.source, tuple([*checked.notes, *_remarks(frame)]))


def _remarks(frame: pd.DataFrame) -> Iterator[str]:
    silent = frame["correct"].isna()
    if silent.any():
        each = frame["panel"][silent].value_counts(sort=False)
        where = listing([f"{n} in {panel}" for panel, n in each.items() if n], 8)
        yield f"no answer (refused or missing), and so not counted as a tasting: {where}."
    people = frame.loc[~silent, ["panel", "taster"]]
    repeats = people[people.duplicated()].drop_duplicates()
    if len(repeats):
        unsure = "" if "trial" in frame else "; without a column 'trial' a row entered twice looks like a repeat"
        yield f"tasted more than once in a panel: {count(len(repeats), 'person')}{unsure}."


def _combined(*columns: Any) -> tuple[np.ndarray, list[tuple]]:
    """Each row's place in the list of distinct combinations of the columns' cells, and that list."""
    codes = np.zeros(len(columns[0]), np.int64)
    levels = []
    for column in columns:
        place, values = distinct(column)
        levels.append([None if pd.isna(value) else value for value in values])
        codes = codes * len(values) + place
    found, inverse = np.unique(codes, return_inverse=True)
    rows = []
    for code in found.tolist():
        row: list[Any] = []
        for values in reversed(levels):
            code, place = divmod(code, len(values))
            row.insert(0, values[place])
        rows.append(tuple(row))
    return inverse, rows


def _judge(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Fill ``correct`` from ``served`` and ``answer`` where it is not given, and see that they agree where it is."""
    frame = checked.frame
    pair = {"served", "answer"} <= set(checked.heads)
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    if "correct" not in checked.heads and not pair:
        checked.add(-1, no_column(checked, _TASTING["correct"], "; columns 'served' and 'answer' would do instead"))
    elif two.any() and not pair:
        checked.add(
            -1, "A-not-A and same-different need the columns 'served' and 'answer' (A or not A, same or different)."
        )
    given = frame["correct"] if "correct" in frame else pd.Series(pd.NA, index=frame.index, dtype="boolean")
    if pair:
        places, rows = _combined(codes, frame["served"], frame["answer"])
        verdicts: list[bool | None] = []
        for i, (code, served, answer) in enumerate(rows):
            verdict = None
            kind = kinds[code]
            if kind is not None and answer is not None:
                try:
                    verdict = _is_right(kind, served, answer)
                except Wrong as error:
                    if served is not None or isinstance(kind, TwoCountProtocol):
                        checked.report(places == i, "answer", f"{str(error).replace('{', '{{').replace('}', '}}')}.")
                    else:
                        checked.report(given.isna() & (places == i), "served", f"{error}.")
            verdicts.append(verdict)
        derived = column_of(places, verdicts, "boolean")
        words = "correct is {value} but served is {served!r} and answer {answer!r}. Correct one of them."
        checked.report(given.notna() & derived.notna() & (given != derived), "correct", words)
        given = given.fillna(derived)
        _check_shapes(checked, two)
    frame["correct"] = given
    at = [c for c in _TASTING if c in frame]
    checked.frame = frame[[*at, *(c for c in frame.columns if c not in _TASTING)]]


def _is_right(kind: Protocol | TwoCountProtocol, served: str | None, answer: str) -> bool:
    """Does the answer name what was served as right? Raises Wrong if the two cannot be compared."""
    if isinstance(kind, TwoCountProtocol):
        return _is_signal(kind, served) == _is_signal(kind, answer)
    if served is None:
        raise Wrong("there is an answer but not what was served. Write the right answer under served")
    right, said = _groups(served), _groups(answer)
    if {len(group) for group in said} - {len(group) for group in right}:
        raise Wrong(f"{answer!r} and served {served!r} name different numbers of cups. Join cups by +, as in 1+4")
    return said <= right


def _is_signal(kind: TwoCountProtocol, word: str | None) -> bool:
    ways = _SIDES[kind.name]
    if word is None or plain(word) not in ways:
        raise Wrong(
            f"{word or 'an empty cell'!r} is not one of {listing(['A', 'not A'] if 'a' in ways else ['same', 'different'])}"
        )
    return ways[plain(word)]


_SIDES = {"A-not-A": {"a": True, "nota": False}, "same-different": {"different": True, "same": False}}


def _groups(word: str) -> frozenset[frozenset[str]]:
    """Cups named in a cell: ``1+4/2+3`` is {{1, 4}, {2, 3}}."""
    parts = (re.split(r"[+,&\s]+", part.strip(" +,&")) for part in re.split(r"[/|]", word.casefold()))
    return frozenset(frozenset(part) for part in parts)


def _check_shapes(checked: Checked, two: np.ndarray) -> None:
    """If no answer of a panel looks like anything served (ABB and 2, 417 and 2), the columns hold different things."""
    frame = checked.frame
    places, rows = _combined(frame["panel"], frame["served"], frame["answer"])
    shapes: dict[str, tuple[set[str], set[str], int]] = {}
    for i, (panel, served, answer) in enumerate(rows):
        if panel is not None and served is not None and answer is not None:
            seen = shapes.setdefault(panel, (set(), set(), i))
            for k, word in enumerate((served, answer)):
                seen[k].update(re.sub(r"[^\W\d_]", "a", re.sub(r"\d", "9", cup)) for cup in set().union(*_groups(word)))
    for served_shapes, answer_shapes, i in shapes.values():
        mask = (places == i) & ~two
        if mask.any() and not served_shapes & answer_shapes:
            only_first = np.zeros(len(mask), bool)
            only_first[mask.argmax()] = True
            words = (
                "answers such as {answer!r} can never equal {served!r}. Under served write the code or position of the "
                "right cup, as the answers do; the order of the cups belongs under order."
            )
            checked.report(only_first, "served", words)


def _check_orders(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Serving orders have as many cups as the protocol, and in a triangle the cup picked agrees with ``correct``."""
    frame = checked.frame
    if "order" not in frame and "position" not in frame:
        return
    empty = pd.Series(pd.NA, index=frame.index, dtype="string")
    columns = [frame[column] if column in frame else empty for column in ("order", "position")]
    places, rows = _combined(codes, *columns, frame["correct"])
    for i, (code, order, position, correct) in enumerate(rows):
        kind = kinds[code]
        if kind is None:
            continue
        cups = [c for c in re.split(r"[\W_]+", order or "") if c]
        cups = list(cups[0]) if len(cups) == 1 and cups[0].isalpha() else cups
        if len(cups) > 1 and len(cups) != kind.cups:
            checked.report(places == i, "order", f"{{value!r}} has {len(cups)} cups; {kind.name} has {kind.cups}.")
        elif position is not None and not 1 <= position <= kind.cups:
            checked.report(places == i, "position", f"there is no cup {{value}}; {kind.name} has {kind.cups}.")
        elif kind.name == "triangle" and position is not None and correct is not None and len(set(cups)) == 2:
            if (cups.count(cups[int(position) - 1]) == 1) != correct:
                words = "in {order!r} cup {position} is " + ("not " if correct else "") + "the odd one, but correct is "
                checked.report(places == i, "position", words + ("yes." if correct else "no."))


@dataclass(frozen=True, eq=False, repr=False)
class Tastings(_Rows):
    """Checked tastings, one row each: one answer by one taster. Made by `read_tastings`.

    Attributes
    ----------
    frame : DataFrame
        Those of `TASTING_COLUMNS` that were given, then the moderators. ``correct`` is ``boolean`` and missing where
        there was no answer; panel, protocol, taster and other words are ``category``.
    source : str
        Where the table came from.
    notes : tuple of str
        What was chosen while reading, and what was left out since.

    Examples
    --------
    >>> tastings = read_tastings({"panel": "A", "protocol": "duo-trio", "taster": ["T1", "T1", "T2", "T3"],
    ...                           "trial": [1, 2, 1, 1], "correct": [1, 0, 1, "refused"]})
    >>> tastings.counts()
      panel  protocol taster  r  y
    0     A  duo-trio     T1  2  1
    1     A  duo-trio     T2  1  1
    >>> tastings.to_panels().frame[["tastings", "correct", "tasters", "refused"]]
       tastings  correct  tasters  refused
    0         3        2        2        1
    """

    def counts(self) -> pd.DataFrame:
        """Tastings ``r`` and correct answers ``y`` of each taster in each panel, in order of appearance."""
        frame = self.frame[self.frame["correct"].notna()]
        panel, panels = distinct(frame["panel"])
        taster, tasters = distinct(frame["taster"])
        pairs, first, inverse = np.unique(panel * len(tasters) + taster, return_index=True, return_inverse=True)
        order = np.argsort(first)
        r = np.bincount(inverse, minlength=len(pairs))
        y = np.bincount(inverse, weights=frame["correct"].to_numpy(float), minlength=len(pairs)).astype(int)
        return pd.DataFrame({
            "panel": column_of(panel[first[order]], panels, "string"),
            "protocol": frame["protocol"].iloc[first[order]].astype("string").to_numpy(),
            "taster": column_of(taster[first[order]], tasters, "string"),
            "r": r[order],
            "y": y[order],
        })  # fmt: skip

    def to_panels(self) -> Panels:
        """The panels these tastings make up; what is the same throughout a panel is carried along, the rest is noted.

        ``tastings`` counts answers, ``tasters`` the different people who gave them, ``refused`` the rows without answer.
        If tasters who were wrong gave a preference too, ``asked`` is "all", else "correct".
        """
        frame, notes = self.frame, list(self.notes)
        codes, panels = distinct(frame["panel"])
        size = len(panels)
        answered = frame["correct"].notna().to_numpy(bool)
        right = frame["correct"].fillna(False).to_numpy(bool)

        def tally(mask: np.ndarray) -> np.ndarray:
            return np.bincount(codes[mask], minlength=size)

        groups = frame.groupby(codes, sort=True, observed=True)
        data: dict[str, Any] = {"panel": panels, "protocol": groups["protocol"].first().astype("string").tolist()}
        data |= {"tastings": tally(answered), "correct": tally(answered & right)}
        people, who = distinct(frame["taster"])
        pairs = np.unique(codes[answered] * len(who) + people[answered])
        data["tasters"] = np.bincount(pairs // max(len(who), 1), minlength=size)
        if not answered.all():
            data["refused"] = tally(~answered)
        data |= self._two_counts(tally, answered, data["protocol"])
        if "preference" in frame:
            stated = {word: answered & (frame["preference"] == word).to_numpy(bool) for word in ("new", "old", "none")}
            data |= {"prefer_new": tally(stated["new"]), "prefer_old": tally(stated["old"])}
            data["no_preference"] = tally(stated["none"])
            any_, of_all = tally(sum(stated.values()) > 0), tally((sum(stated.values()) > 0) & ~right)
            data["asked"] = np.where(any_ == 0, "none", np.where(of_all > 0, "all", "correct"))
            notes.append("who was asked for a preference was read off the answers: all if any who were wrong gave one.")
        varying = []
        for column in (*(column.name for column in _SITTING), *self.moderators):
            if column in frame:
                same = (groups[column].nunique() <= 1).to_numpy(bool)
                data[column] = groups[column].first().astype(object).where(same, None).tolist()
                if not same.all():
                    varying.append(
                        f"{column} (in {listing([p for p, s in zip(panels, same, strict=True) if not s], 4)})"
                    )
        if varying:
            notes.append(f"left empty because it varies within a panel: {listing(varying)}.")
        read = read_panels(pd.DataFrame(data), name=self.source)
        return Panels(read.frame, self.source, tuple(notes))

    def _two_counts(self, tally: Callable[[np.ndarray], np.ndarray], answered: np.ndarray, names: list[str]) -> dict:
        """Signal, hits, noise and false alarms of the panels that have them; tastings and correct follow from these."""
        two = {name for name in names if name in _SIDES}
        if not two:
            return {}
        places, rows = _combined(self.frame["protocol"], self.frame["served"], self.frame["answer"])
        signal, yes = np.zeros((2, len(rows)), bool)
        for i, (name, served, answer) in enumerate(rows):
            if name in two and answer is not None:
                kind = protocol(name)
                signal[i], yes[i] = _is_signal(kind, served), _is_signal(kind, answer)
        has = answered & self.frame["protocol"].isin(two).to_numpy(bool)
        signal, yes = signal[places], yes[places]
        masks = {"signal": signal, "hits": signal & yes, "noise": ~signal, "false_alarms": ~signal & yes}
        mine = np.isin(names, list(two))
        return {
            key: pd.array(np.where(mine, tally(has & mask), -1), "Int64").replace(-1, pd.NA)
            for key, mask in masks.items()
        }

    def _columns(self) -> dict[str, Column]:
        return _TASTING

    def _named(self, positions: np.ndarray) -> str:
        return count(len(positions), "tasting")

    def _shown(self) -> list[Any]:
        people = self.frame["taster"].nunique()
        answers = int(self.frame["correct"].notna().sum())
        panels = self.to_panels()
        head = f"{count(answers, 'tasting')} by {count(people, 'person')} in {count(len(panels), 'panel')}, from {self.source}"
        return [replace(panels._shown()[0], caption=one_line(head)), *self._said()]

    def __repr__(self) -> str:
        return "\n".join(map(str, self._shown()))

    def _repr_html_(self) -> str:
        return block(*self._shown())
