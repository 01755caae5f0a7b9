"""The two tables everything starts from: `Panels`, one row a panel, and `Tastings`, one row a tasting.

`read_panels` and `read_tastings` take a file or a DataFrame, check it once, and either return a table whose every
number can be trusted, or raise one `PanelsError` that lists all there is to put right. What was chosen on the way is in
``notes``. People and tastings are counted apart. `Tastings.to_panels` turns answers into counts, so that both roads
lead to the same `Panels`. How files are opened is in ``opening.py``, how cells are read in ``checking.py``, what the
columns are in ``columns.py``, the rules between them in ``rules.py``.
"""

from __future__ import annotations

import difflib
import hashlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from metasense import pseudonyms
from metasense.binomial import at_least, at_most, fisher_tails
from metasense.protocols import Protocol, protocol
from metasense.showing.glance import cut, in_lines, short
from metasense.showing.results import Result
from metasense.showing.tables import OVERWRITE, Table, table, write_csv
from metasense.showing.words import count, listing, one_line, wrapped
from metasense.tables.adding import add_panels, add_tastings
from metasense.tables.cells import Reading, Wrong
from metasense.tables.checked import column_of, combined, distinct
from metasense.tables.checking import check_table
from metasense.tables.columns import (
    FORCED,
    PANEL,
    PANEL_COLUMNS,
    SITTING,
    TASTING,
    TASTING_COLUMNS,
    TWO_COUNTS,
    one_row_a_tasting,
    refuse_served,
)
from metasense.tables.cups import SIDES, is_signal
from metasense.tables.dates import date
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.headers import Column, is_known, share_of
from metasense.tables.opening import open_table
from metasense.tables.rules import check_panels, check_tastings
from metasense.tables.several import are_several, as_one, each_read
from metasense.tables.sheets import PanelsError

__all__ = ["PANEL_COLUMNS", "TASTING_COLUMNS", "Panels", "PanelsError", "Tastings", "read_panels", "read_tastings"]

FEW = 12  # rows of a first screen,
FEW_NOTES = 3  # and notes
SHOWN = 60  # rows printed; all of them are in to_frame()
REVERSED = 0.001  # P(so few correct | guessing) below which a coding error is likelier than bad luck

# --- reading ---


def read_panels(source: Any, *, name: str | None = None, sheet: str | int | None = None) -> Panels:
    """Read and check a table with one row a panel.

    Parameters
    ----------
    source : path, DataFrame, list of dicts, dict of columns, open file, or the table itself as text
        CSV, TSV, Excel (.xlsx) or Parquet. UTF-8 with or without a byte-order mark is expected, UTF-16 and Windows-1252
        are recognised and noted, as are the separators ``,`` ``;`` tab and ``|``, and a decimal comma. Headers may be
        written in capitals, with spaces, hyphens or underscores, or as one of the `PANEL_COLUMNS` aliases. Rows with
        yes, or a reason, under ``left_out`` are not read; a note says which. Rows of totals are refused. A list of such
        sources, Panels and Tastings among them, is read as one table, in which no panel may occur twice.
    name : str, optional
        What to call the source in messages.
    sheet : str or int, optional
        Which worksheet to read, by its name, in capitals or not, or its number, counted from 1; the first visible one
        otherwise, with a note naming the rest.

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
    metasense.tables.sheets.PanelsError: the text cannot be used as it is: row 2, panel 'C1', column 'correct': 25 correct of 24 tastings is impossible. Check both counts.
    """  # noqa: E501
    if are_several(source):
        return _named(as_one(each_read(source, lambda one: read_panels(one, sheet=sheet)), read_panels), name)
    if isinstance(source, Tastings):
        return source.to_panels()
    return source if isinstance(source, Panels) else _read_panels(source, name, sheet)


def counted_panels(frame: pd.DataFrame, name: str | None = None) -> Panels:
    """Panels that were counted, not typed, so that one which adds up to the others is no row of totals."""
    return _read_panels(frame, name, None, typed=False)


def _read_panels(source: Any, name: str | None, sheet: str | int | None, *, typed: bool = True) -> Panels:
    opened = open_table(source, is_known((*PANEL_COLUMNS, LEFT_OUT)), name=name, sheet=sheet)
    refuse_served(opened.headers, opened.source)
    checked = check_table(opened, PANEL_COLUMNS, leaving_out="panel")
    check_panels(checked, typed=typed)
    return Panels(checked.frame, checked.sheet.source, tuple(checked.notes))


def read_tastings(source: Any, *, name: str | None = None, sheet: str | int | None = None) -> Tastings:
    """Read and check a table with one row a tasting, that is one answer by one taster.

    Either ``correct`` says whether the answer was right, or it is derived from ``served`` and ``answer``: ``served`` is
    the right answer (the code or the position of the odd cup, of the match, of the strongest) and ``answer`` what the
    taster said, in the same words. Several cups are joined by ``+``, and the two groups of a tetrad, and only those,
    divided by ``/``: one served as ``1+4/2+3`` is answered rightly by ``2+3`` or ``4+1``. In A-not-A both are ``A`` or
    ``not A``, in same-different ``same`` or ``different``, and both columns are needed. With both ``correct`` and
    ``answer``, they must agree.

    An empty answer, or one such as "refused", "-" or "spilled", is no answer: it is kept, counted and said, and is not
    a tasting. An answer that can be none of the panel's cups is a problem, never a wrong answer. Rows with yes, or a
    reason, under ``left_out``, and those whose ``incident`` begins with such words ("left out: cold"), are not read,
    with a note; other incidents are listed in a note and kept. Another note says how many tasters are not codes but
    people: an e-mail address, a phone number, a first with a last name.

    Parameters
    ----------
    source, name, sheet
        As for `read_panels`. A list of them is read as one table: several evenings, which keep their notes.

    Returns
    -------
    Tastings

    Raises
    ------
    PanelsError
        A ValueError that lists all problems; also if two of several tables hold the same panel.

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
    if are_several(source):
        return _named(as_one(each_read(source, lambda one: read_tastings(one, sheet=sheet)), read_tastings), name)
    if isinstance(source, Tastings):
        return source
    if isinstance(source, Panels):
        raise PanelsError(
            "panels hold totals, and single answers cannot be had from them. pool([...]) takes both.", source.source
        )
    opened = open_table(source, is_known((*TASTING_COLUMNS, LEFT_OUT)), name=name, sheet=sheet)
    refuse_served(opened.headers, opened.source)
    checked = check_table(opened, TASTING_COLUMNS, keep_empty=False, leaving_out="tasting")
    check_tastings(checked)
    people = pseudonyms.note(checked.frame["taster"].dropna().unique().tolist())
    return Tastings(checked.frame, opened.source, (*checked.notes, *filter(None, [people])))


def read_table(source: Any, *, name: str | None = None, sheet: str | int | None = None) -> Panels | Tastings:
    """Read whichever of the two tables it is, by its headers: for a file named in a terminal.

    Examples
    --------
    >>> type(read_table("panel,protocol,taster,correct\\nA,triangle,T1,1\\nA,triangle,T2,0")).__name__
    'Tastings'
    """
    if isinstance(source, Panels | Tastings):
        return source
    opened = open_table(source, is_known((*PANEL_COLUMNS, *TASTING_COLUMNS)), name=name, sheet=sheet)
    read = read_tastings if one_row_a_tasting(opened.headers) else read_panels
    return read(opened)  # once is all that a pipe can be opened


def together(sources: Sequence[Any]) -> tuple[Panels | None, Tastings | None]:
    """The panels and the tastings of several tables, each as one table; None where there are none.

    Parameters
    ----------
    sources : sequence of Panels, Tastings or what `read_table` reads
        A panel may be in one table of panels and in one of tastings, but not twice in the same kind.

    Returns
    -------
    (Panels or None, Tastings or None)

    Raises
    ------
    PanelsError
        If a table cannot be read, a panel is in two tables of one kind, or the tables do not fit together.

    Examples
    --------
    >>> one = read_panels("panel,protocol,tastings,correct\\nA,triangle,24,12\\n", name="a.csv")
    >>> two = read_panels("panel,protocol,tastings,correct,weeks\\nB,duo-trio,30,17,4\\n", name="b.csv")
    >>> together([one, two])[0].to_frame()["panel"].tolist()
    ['A', 'B']
    """
    tables = each_read(sources, read_table)
    panels = [table for table in tables if isinstance(table, Panels)]
    tastings = [table for table in tables if isinstance(table, Tastings)]
    return as_one(panels, read_panels) if panels else None, as_one(tastings, read_tastings) if tastings else None


# --- what the two tables share --------------------------------------------------------------------------------------

_Self = TypeVar("_Self", bound="_Rows")


def _named(table: _Self, name: str | None) -> _Self:
    return table if name is None else replace(table, source=name)


@dataclass(frozen=True, eq=False, repr=False)
class _Rows(Result):
    """A checked frame that can be filtered, shown and saved; a filter notes what it leaves out."""

    frame: pd.DataFrame
    source: str = "the table"
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.frame)

    def __add__(self: _Self, other: object) -> _Self:
        """Both as one table; no panel may be in the two of them."""
        if type(other) is not type(self):
            kinds = f"{type(self).__name__} and {type(other).__name__}"
            raise TypeError(f"{kinds} do not add up to one table. pool([...]) takes panels and tastings together.")
        read: Any = read_panels if isinstance(self, Panels) else read_tastings
        joined: _Self = as_one([self, other], read)
        return joined

    def __iter__(self) -> Iterator[Any]:
        """Rows as named tuples, in the order of the table."""
        return self.frame.itertuples(index=False, name=type(self).__name__.removesuffix("s"))

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

        Parameters
        ----------
        keep : array_like of bool, shape (rows,), or callable
            True for the rows to keep, or a function of the frame that gives that.
        reason : str
            What the rows that are kept have in common, for the notes.

        Returns
        -------
        Panels or Tastings

        Raises
        ------
        PanelsError
            If the mask has another length, or holds something else.

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

        Parameters
        ----------
        **values : value or list of values
            A column, and what it is to hold: ``only(style="dry")``.

        Returns
        -------
        Panels or Tastings

        Raises
        ------
        PanelsError
            If there is no such column, or nothing in it has that value.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> panels.only(style="dry").to_frame()["panel"].tolist()
        ['K1']
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
                options = [pd.Timestamp(self._day(option)) for option in options]
            cells = self.frame[column]
            absent = [option for option in options if not (cells == option).fillna(False).any()]
            if absent:
                there = cells.dropna().unique().tolist()
                words = f"nothing has {listing(map(repr, absent))} in column {column!r}. {_have(there)}."
                raise PanelsError(words, self.source)
            chosen = kept.frame[column].isin(options).fillna(False).to_numpy(bool)
            kept = kept._kept(np.flatnonzero(chosen), f"{column} is not {' or '.join(map(str, options))}")
        return kept

    def _day(self, option: Any) -> Any:
        try:
            return date(option, Reading())
        except Wrong as error:
            raise PanelsError(f"date: {error}.", self.source) from None

    def without(self: _Self, *panels: str) -> _Self:
        """Everything but these panels.

        Parameters
        ----------
        *panels : str
            Names.

        Returns
        -------
        Panels or Tastings

        Raises
        ------
        PanelsError
            If there is no such panel.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> panels.without("K2").to_frame()["panel"].tolist()
        ['K1']
        """
        self._require(panels)
        return self._kept(np.flatnonzero(~self.frame["panel"].isin(panels).to_numpy(bool)), "set aside by name")

    def to_frame(self) -> pd.DataFrame:
        """A copy of the raw numbers: the columns that hold anything, in canonical order, and the moderators.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> panels.to_frame()
          panel  protocol  tastings  correct  style
        0    K1  triangle        20        6    dry
        1    K2  triangle        20       12  sweet
        """
        always = {"panel", "protocol", *FORCED, *self.moderators}
        return self.frame[[c for c in self.frame.columns if c in always or self.frame[c].notna().any()]].copy()

    def to_csv(self, path: str | os.PathLike[str], *, overwrite: bool = False, append: bool = False) -> Path:
        """Write a CSV (UTF-8) that reads back as the same table, or add these panels to one that is there.

        Cells that a spreadsheet would run as a formula get an apostrophe in front, which reading takes away again. The
        file is written whole or not at all.

        Parameters
        ----------
        path : str or path
            File to write, such as ``panels.csv``.
        overwrite : bool
            Whether a table that is there may be replaced; a key or a sheet of answers never is.
        append : bool
            Whether to add what is not there yet to a table that is there, below what stands in it. A panel that it
            holds already is not added again, and one of that name that says something else is refused.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        FileExistsError
            If a file of that name is there that may not be replaced.
        ValueError
            If the name does not end in ``.csv``, or the table that is there cannot take these panels.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> import tempfile
        >>> kept = panels.without("K2").to_csv(f"{tempfile.mkdtemp()}/panels.csv")
        >>> ms.read_panels(panels.to_csv(kept, append=True)).fingerprint == panels.fingerprint
        True
        """
        if append and overwrite:
            raise ValueError("append adds to the table that is there, overwrite replaces it: choose one of them.")
        if append:
            self.add_to(path)
            return Path(path)
        try:
            return write_csv(self.typed(), path, overwrite=overwrite)
        except FileExistsError as error:
            if not str(error).endswith(OVERWRITE):
                raise
            shorter = str(error).removesuffix(OVERWRITE)
            more = "Say append=True to add to that table, or overwrite=True to replace it and all that is in it."
            raise FileExistsError(f"{shorter}{more}") from None

    def add_to(self, path: str | os.PathLike[str]) -> bool:
        """Add these panels to the table at `path`, below what stands in it; the file is made where there is none.

        Parameters
        ----------
        path : str or path
            A CSV file, such as ``panels.csv``.

        Returns
        -------
        bool
            Whether anything was added; False if the table holds all of them already, and so was left as it is.

        Raises
        ------
        FileExistsError
            If a file of that name is no table.
        ValueError
            If the name does not end in ``.csv``, or the table holds another panel of the same name.

        Examples
        --------
        >>> import metasense as ms
        >>> import tempfile
        >>> panels = ms.read_panels({"panel": ["K1"], "protocol": "triangle", "tastings": 20, "correct": [6]})
        >>> file = f"{tempfile.mkdtemp()}/panels.csv"
        >>> panels.add_to(file), panels.add_to(file)
        (True, False)
        """
        if Path(path).suffix.lower() != ".csv" or not os.path.exists(path) or not os.path.getsize(path):
            write_csv(self.typed(), path)
            return True
        if isinstance(self, Panels):
            return add_panels(self, path, read_panels)
        return add_tastings(self, path, read_tastings)

    def typed(self) -> pd.DataFrame:
        """The same with cells as one would type them: yes and no, and ISO dates.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": "K1", "protocol": "triangle", "taster": ["T1", "T2", "T3"], "correct": [1, 0, 1]}
        >>> tastings = ms.read_tastings(table)
        >>> tastings.typed()["correct"].tolist()
        ['yes', 'no', 'yes']
        """
        return _typed(self.to_frame())

    def __contains__(self, panel: object) -> bool:
        return bool((self.frame["panel"] == panel).any())

    def __getitem__(self: _Self, panel: str | Sequence[str]) -> _Self:
        """The rows of that panel, or of several in the order asked for."""
        names: list[Any] = list(dict.fromkeys(panel)) if isinstance(panel, list | tuple) else [panel]
        self._require(names)
        at = self.frame["panel"].astype(object).map({name: i for i, name in enumerate(names)}).fillna(-1).to_numpy(int)
        chosen = np.flatnonzero(at >= 0)
        return self._kept(chosen[np.argsort(at[chosen], kind="stable")], f"only {listing(names, 8)} asked for")

    def _require(self, panels: Sequence[str]) -> None:
        names = [str(panel) for panel in self.frame["panel"].unique()]
        unknown = [panel for panel in panels if panel not in set(names)]
        if unknown:
            near = [close for panel in unknown for close in difflib.get_close_matches(str(panel), names, n=1)]
            hint = f" Did you mean {listing(map(repr, near))}?" if near else ""
            where = f" in {one_line(self.source)}" if self.source else ""
            raise PanelsError(f"there is no panel {listing(map(repr, unknown))}{where}.{hint} {_have(names)}.")

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

    def _table(self, most: int | None) -> Table:
        raise NotImplementedError

    def _said(self) -> tuple[str, ...]:
        return tuple(f"Note: {one_line(note)}" for note in self.notes)

    def _shown(self) -> list[Any]:
        return [self._table(SHOWN), *self._said()]

    def __str__(self) -> str:
        table = self._table(FEW)
        rows = tuple((cut(row[0]), *row[1:]) for row in table.rows)
        said = [short(note) for note in self._said()[:FEW_NOTES]]
        more = len(self._said()) - len(said)
        said += [f"{count(more, 'more note')}: in_full(), or --details in a terminal."] if more else []
        lines = (line for note in said for line in wrapped(note))
        return "\n\n".join(filter(None, [in_lines(replace(table, rows=rows)).to_text(), "\n".join(lines)]))

    def in_full(self) -> str:
        """What is shown, as text and with no panel left out.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> panels.in_full().count("triangle")
        2
        """
        return "\n\n".join(filter(None, [self._table(None).to_text(), "\n".join(self._said())]))


def _have(items: Any) -> str:
    return f"There is {listing(map(repr, map(str, items)), 20)}" if len(items) else "It is empty"


def _typed(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells as one would type them: yes and no, and ISO dates."""
    out = frame.copy()
    for column in frame:
        if frame[column].dtype == "boolean" and (column in PANEL or column in TASTING):
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

    _inside = frozenset({"marks"})

    @property
    def marks(self) -> tuple[str, ...]:
        """A short digest of each panel's name, protocol and counts, by which a file is known to show that panel."""
        counts = self.frame[["panel", "protocol", "tastings", "correct", "signal", "hits", "noise", "false_alarms"]]
        said = ("\x1f".join(map(str, row)) for row in counts.itertuples(index=False))
        return tuple(hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16] for text in said)

    def overview(self) -> pd.DataFrame:
        """What is shown: panel, protocol, counts in words, tasters, guess rate; one row a panel, in order.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> panels.overview()
          panel  protocol   correct guess rate
        0    K1  triangle   6 of 20        1/3
        1    K2  triangle  12 of 20        1/3
        """
        frame = self.frame
        columns: dict[str, Any] = {"panel": frame["panel"], "protocol": frame["protocol"]}
        columns["correct"] = [
            f"{row.correct:,} of {row.tastings:,}"
            if pd.notna(row.tastings)
            else f"hits {row.hits:,} of {row.signal:,}, false alarms {row.false_alarms:,} of {row.noise:,}"
            for row in frame[[*FORCED, *TWO_COUNTS]].itertuples()
        ]
        if frame["tasters"].notna().any():
            columns["tasters"] = frame["tasters"]
        columns["guess rate"] = frame["protocol"].map({name: _guess_rate(name) for name in frame["protocol"].unique()})
        return pd.DataFrame(columns)

    def reversals(self) -> tuple[str, ...]:
        """Panels with so few correct answers (or hits) that a reversed key or a coding error is likelier than bad luck.

        With nothing to taste so few come with a chance below 0.001. Where the protocol names a direction, they can also
        be a difference the other way.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": 40, "correct": [2, 8]}).reversals()
        ('A',)
        """
        return tuple(self.frame["panel"][self.tails()[0] < REVERSED])

    def tails(self) -> tuple[np.ndarray, np.ndarray]:
        """Of each panel the chance of so few correct answers (or hits) and of so many, with nothing to taste.

        Returns
        -------
        (ndarray of float, ndarray of float), shape (panels,) each

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["K1", "K2"], "protocol": "triangle", "tastings": 20, "correct": [6, 12]}
        >>> panels = ms.read_panels(table | {"style": ["dry", "sweet"]})
        >>> [tail.round(3).tolist() for tail in panels.tails()]
        [[0.479, 0.996], [0.703, 0.013]]
        """
        counted = self.frame["tastings"].notna().to_numpy(bool)
        rates = {name: getattr(protocol(name), "guess", np.nan) for name in self.frame["protocol"].unique()}
        guess = self.frame["protocol"][counted].map(rates).to_numpy(float)
        x, n = (self.frame[column][counted].to_numpy(float) for column in ("correct", "tastings"))
        few, many = np.empty(len(self)), np.empty(len(self))
        few[counted], many[counted] = at_most(x, n, guess), at_least(x, n, guess)
        if not counted.all():
            two = [self.frame[column][~counted].to_numpy(float) for column in TWO_COUNTS]
            few[~counted], many[~counted] = fisher_tails(*two)
        return few, many

    def _columns(self) -> dict[str, Column]:
        return PANEL

    def _named(self, positions: np.ndarray) -> str:
        return listing(self.frame["panel"].iloc[positions], 8)

    def _table(self, most: int | None) -> Table:
        tastings = int(self.frame["tastings"].fillna(self.frame["signal"] + self.frame["noise"]).sum())
        caption = f"{count(len(self), 'panel')}, {count(tastings, 'tasting')}, from {self.source}"
        shown = replace(self, frame=self.frame.iloc[:most])
        rest = len(self) - len(shown)
        return table(
            shown.overview(),
            caption=caption,
            kinds={"panel": "text", "protocol": "text", "correct": "text"},
            note=f"{count(rest, 'more panel')} not shown here; to_frame() holds them all." if rest > 0 else "",
        )


def _guess_rate(name: str) -> str:
    kind = protocol(name)
    return str(Fraction(kind.guess).limit_denominator(1000)) if isinstance(kind, Protocol) else "set by the taster"


# --- tastings -------------------------------------------------------------------------------------------------------


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
        """Tastings ``r`` and correct answers ``y`` of each taster in each panel, in order of appearance.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": "K1", "protocol": "triangle", "taster": ["T1", "T2", "T3"], "correct": [1, 0, 1]}
        >>> tastings = ms.read_tastings(table)
        >>> tastings.counts()
          panel  protocol taster  r  y
        0    K1  triangle     T1  1  1
        1    K1  triangle     T2  1  0
        2    K1  triangle     T3  1  1
        """
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
        """The panels these tastings make up; what is the same throughout a panel is carried along, the rest noted.

        ``tastings`` counts answers, ``tasters`` the different people who gave them, ``refused`` rows without answer.
        If tasters who were wrong gave a preference too, ``asked`` is "all", else "correct", unless a column ``asked``
        says otherwise: on a separate blind pair ("pair") people count whether or not they answered the test.

        Returns
        -------
        Panels

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": "K1", "protocol": "triangle", "taster": ["T1", "T2", "T3"], "correct": [1, 0, 1]}
        >>> tastings = ms.read_tastings(table)
        >>> tastings.to_panels().to_frame()[["panel", "tastings", "correct"]]
          panel  tastings  correct
        0    K1         3        2
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
        pairs = pd.unique(codes[answered] * len(who) + people[answered])
        data["tasters"] = np.bincount(pairs // max(len(who), 1), minlength=size)
        if not answered.all():
            data["refused"] = tally(~answered)
        data |= self._two_counts(tally, answered, data["protocol"])
        pair = (frame["asked"] == "pair").to_numpy(bool) if "asked" in frame else np.zeros(len(frame), bool)
        if "placebo" in frame:
            words = {word: (frame["placebo"] == word).to_numpy(bool) for word in ("stated", "none")}
            data |= {f"placebo_{word}": tally(mask) for word, mask in words.items()}
        if "preference" in frame:
            there = answered | pair
            stated = {word: there & (frame["preference"] == word).to_numpy(bool) for word in ("new", "old", "none")}
            data |= {"prefer_new": tally(stated["new"]), "prefer_old": tally(stated["old"])}
            data["no_preference"] = tally(stated["none"])
            any_, of_all = tally(sum(stated.values()) > 0), tally((sum(stated.values()) > 0) & ~right)
            asked = pd.Series(np.where(any_ == 0, "none", np.where(of_all > 0, "all", "correct")), dtype=object)
            if "asked" in frame:
                given = groups["asked"].first().astype(object).where(groups["asked"].nunique() == 1)
                asked = given.fillna(asked)
            data["asked"] = asked.tolist()
            if "asked" not in frame or given.isna().any():
                notes.append(
                    "who was asked for a preference was read off the answers: all if any who were wrong gave one."
                )
        taken = [c for c in self.moderators if is_known(PANEL_COLUMNS)(c) or share_of(c, PANEL["correct"])]
        if taken:
            names = "name" if len(taken) == 1 else "names"
            notes.append(f"left out because panels use the {names} for something else: {listing(taken)}.")
        varying = []
        for column in (*(column.name for column in SITTING), *(c for c in self.moderators if c not in taken)):
            if column in frame:
                same = (groups[column].nunique() <= 1).to_numpy(bool)
                data[column] = groups[column].first().astype(object).where(same, None).tolist()
                if not same.all():
                    varying.append(
                        f"{column} (in {listing([p for p, s in zip(panels, same, strict=True) if not s], 4)})"
                    )
        if varying:
            vary = "it varies" if len(varying) == 1 else "they vary"
            notes.append(f"left empty because {vary} within a panel: {listing(varying)}.")
        read = counted_panels(pd.DataFrame(data), name=self.source)
        return Panels(read.frame, self.source, tuple(notes))

    def _two_counts(
        self, tally: Callable[[np.ndarray], np.ndarray], answered: np.ndarray, names: list[str]
    ) -> dict[str, Any]:
        """Signal, hits, noise and false alarms of the panels that have them; tastings and correct follow from these."""
        two = {name for name in names if name in SIDES}
        if not two:
            return {}
        places, rows = combined(self.frame["protocol"], self.frame["served"], self.frame["answer"])
        signal, yes = np.zeros((2, len(rows)), bool)
        for i, (name, served, answer) in enumerate(rows):
            if name in two and answer is not None:
                signal[i], yes[i] = is_signal(name, served), is_signal(name, answer)
        has = answered & self.frame["protocol"].isin(two).to_numpy(bool)
        signal, yes = signal[places], yes[places]
        masks = {"signal": signal, "hits": signal & yes, "noise": ~signal, "false_alarms": ~signal & yes}
        mine = np.isin(names, list(two))
        return {key: pd.arrays.IntegerArray(tally(has & mask), ~mine) for key, mask in masks.items()}

    def _columns(self) -> dict[str, Column]:
        return TASTING

    def _named(self, positions: np.ndarray) -> str:
        return count(len(positions), "tasting")

    def _table(self, most: int | None) -> Table:
        answered = self.frame["correct"].notna()
        people = count(self.frame.loc[answered, "taster"].nunique(), "person")
        panels = self.to_panels()
        where = f"{count(len(panels), 'panel')}, from {self.source}"
        head = f"{count(int(answered.sum()), 'tasting')} by {people} in {where}"
        return replace(panels._table(most), caption=one_line(head))
