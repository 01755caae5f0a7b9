"""`mend`: a table as somebody keeps it, written anew so that it can be read; the original is left as it is.

What is sure is put right (``mends.py``) and listed, cell by cell. What is not sure stays as it was, is named, and in a
workbook is marked by a comment. Before the copy is written it is read back: it must say what the original says.
"""

from __future__ import annotations

import datetime as dt
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.showing.files import ready, replacing
from metasense.showing.results import Result
from metasense.showing.tables import Kind, Shown, as_csv, table
from metasense.showing.words import count, listing, one_line
from metasense.tables.cells import as_shown
from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS, refuse_served
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.grids import Change, Grid, open_grid
from metasense.tables.headers import is_known
from metasense.tables.mends import header_at, put_right
from metasense.tables.opening import bytes_of
from metasense.tables.panels import Panels, Tastings, read_table
from metasense.tables.sheets import PanelsError, Problem, is_empty
from metasense.tables.workbook import OURS, cell_name

__all__ = ["Mended", "mend"]

FEW = 10  # changes of a first screen,
FEW_NOTES = 3  # and notes
ENDINGS = (".xlsx", ".csv")


@dataclass(frozen=True, eq=False, repr=False)
class Mended(Result):
    """A table that was mended: what was changed, and what is left to do.

    Attributes
    ----------
    path : Path
        The copy.
    changes : tuple of Change
        ``where`` (a cell, row or column of the original), ``before``, ``after`` and ``why``.
    left : tuple of Problem
        What could not be mended for sure, by row and column of the copy; empty if it can be read.
    table : Panels or Tastings or None
        What the copy says, if it can be read.
    notes : tuple of str
        How the original was opened, and what the copy does not carry.

    Examples
    --------
    >>> import tempfile
    >>> mended = mend("Cider\\npanel,protocol,tastings,correct\\nMay,triangle,24,25\\n", f"{tempfile.mkdtemp()}/a.xlsx")
    >>> mended.left[0].message, mended.table is None
    ('25 correct of 24 tastings is impossible. Check both counts.', True)
    """

    path: Path
    changes: tuple[Change, ...]
    left: tuple[Problem, ...]
    table: Panels | Tastings | None
    notes: tuple[str, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row a change.

        Returns
        -------
        DataFrame
            ``where, before, after, why``.

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> text = "Cider\\npanel,protocol,tastings,correct\\nMay,triangle,24,12\\n"
        >>> ms.mend(text, f"{tempfile.mkdtemp()}/cider.csv").to_frame()
           where before        after                     why
        0  row 1  Cider  (taken out)  stood above the header
        """
        return pd.DataFrame(list(self.changes), columns=list(Change._fields))

    def sentence(self) -> str:
        """What was done, and whether the copy can be read.

        Returns
        -------
        str

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> text = "Cider\\npanel,protocol,tastings,correct\\nMay,triangle,24,12\\n"
        >>> ms.mend(text, f"{tempfile.mkdtemp()}/cider.csv").sentence()[-36:]
        'with 1 change. The copy can be read.'
        """
        if not self.left:
            done = "The copy can be read."
        else:
            those = "problem is" if len(self.left) == 1 else "problems are"
            done = f"{len(self.left)} {those} left, which only you can put right."
        return f"Wrote {one_line(self.path)}, with {count(len(self.changes), 'change')}. {done}"

    def _shown(self) -> Sequence[str | Shown]:
        parts: list[str | Shown] = [self.sentence()]
        if self.changes:
            kinds: dict[str, Kind] = dict.fromkeys(Change._fields, "text")
            parts.append(table(self.to_frame(), caption="What was changed", kinds=kinds))
        return [*parts, *(f"left: {problem}" for problem in self.left), *self.notes]

    def __str__(self) -> str:
        return self._in_short()

    __repr__ = __str__

    def _in_short(self) -> str:
        """The first changes and problems, a line each, and how many more there are."""
        lines = [self.sentence()]
        lines += [f"  {one_line(c.where)}: {c.before!r} -> {c.after!r} ({c.why})" for c in self.changes[:FEW]]
        more = len(self.changes) - FEW
        lines += [f"  ... and {more} more: details(), or --details in a terminal."] if more > 0 else []
        if self.left:
            lines.append(PanelsError(self.left, self.path.name).words(8))
        lines += [f"Note: {one_line(note)}" for note in self.notes[:FEW_NOTES]]
        return "\n".join(lines)


def mend(source: Any, out: str | os.PathLike[str], *, sheet: str | int | None = None) -> Mended:
    """Write a copy of a table in which all that is surely damaged is put right, and list what was changed and is left.

    Put right are titles and remarks around the table, blank rows and columns, a line of units, headers that come again,
    rows of totals and averages that are what they say, cells merged downwards, a table on its side, headers, protocols,
    yes and no in German, French, Spanish, Italian or Portuguese, ticks and crosses, and values written otherwise than
    they are read (``794.0``, spaces, days in words). What could mean two things stays as it was.

    Parameters
    ----------
    source : path, bytes, open file, or the table itself as text
        CSV, TSV or Excel (.xlsx). It is only read.
    out : path
        A new file that ends in ``.xlsx`` or ``.csv``. In a workbook, cells that are left to put right have a comment.
    sheet : str or int, optional
        Which worksheet, by name or number; otherwise the first, or the one that alone looks like a table.

    Returns
    -------
    Mended

    Raises
    ------
    PanelsError
        If the source cannot be opened, or so damaged that a copy would hide it: rows of a text with a cell too many or
        too few; with a ``.csv`` as `out`, cells that are struck out or merged.
    FileExistsError
        If there is a file of the name `out`.
    ValueError
        If `out` ends otherwise.

    Examples
    --------
    >>> import tempfile
    >>> text = "Cider;;;\\nPanel;Verfahren;n;richtig\\nMai;Dreieckstest;24;12\\nJuni;Dreieckstest;30;11\\nGesamt;;54;23\\n"
    >>> mended = mend(text, f"{tempfile.mkdtemp()}/cider.csv")
    >>> mended.to_frame()[["where", "before", "after"]].tail(3)
       where            before        after
    3  row 5  Gesamt | 54 | 23  (taken out)
    4     B3      Dreieckstest     triangle
    5     B4      Dreieckstest     triangle
    >>> mended.table.frame["correct"].tolist(), mended.left
    ([12, 11], ())
    """  # noqa: E501
    target = Path(out)
    if target.suffix.lower() not in ENDINGS:
        raise ValueError(f"cannot write {os.fspath(out)!r}: a mended copy ends in {' or '.join(ENDINGS)}. Name one.")
    ready(out)
    mended, data = _mended(source, target, sheet)
    with replacing(out) as scratch:
        scratch.write_bytes(data)
    return mended


def what_mends(source: Any, out: str | os.PathLike[str], *, sheet: str | int | None = None) -> Mended | None:
    """What `mend` would say, with nothing written; None where it would change nothing that stands in the way.

    Examples
    --------
    >>> what_mends("Cider\\npanel,protocol,tastings,correct\\nMay,triangle,24,12\\n", "cider.xlsx").left
    ()
    >>> what_mends("panel,protocol,tastings,correct\\nMay,triangle,24,25\\n", "cider.xlsx") is None
    True
    """
    try:
        mended, _ = _mended(source, Path(out), sheet)
    except ValueError:
        return None
    return mended if mended.changes else None


def _mended(source: Any, target: Path, sheet: str | int | None) -> tuple[Mended, bytes]:
    """The copy: what is said of it, and the file."""
    ending = target.suffix.lower()
    original, label, _ = bytes_of(source)
    grid = open_grid(original, label, is_known((*PANEL_COLUMNS, *TASTING_COLUMNS, LEFT_OUT)), sheet=sheet)
    refuse_served(grid.first_headers, label)
    put_right(grid)
    _refuse_what_a_copy_would_hide(grid, ending)
    data = _written(grid, ending, ())
    read, left = _read(data, target.name)
    before, _ = _read(original, label, None if grid.separator else grid.tab)
    if before is not None and (read is None or read.fingerprint != before.fingerprint):
        raise PanelsError("it can be read as it is, and a copy would say something else. Use it as it is.", label)
    if left and ending == ".xlsx":
        data = _written(grid, ending, left)
    return Mended(target, tuple(grid.changes), tuple(left), read, tuple(_notes(grid, ending))), data


def _read(data: bytes, name: str, sheet: str | None = None) -> tuple[Panels | Tastings | None, tuple[Problem, ...]]:
    """What a table says, or what is wrong with it."""
    try:
        return read_table(data, name=name, sheet=sheet), ()
    except PanelsError as error:
        return None, error.problems


def _refuse_what_a_copy_would_hide(grid: Grid, ending: str) -> None:
    """Raise where the copy would be read though the original cannot be."""
    if grid.separator:
        width = grid.lengths[header_at(grid) or 0]
        longer = all(length > width for length in grid.lengths[1:])
        problems = [
            Problem(
                f"the row has {count(length, 'cell')} where the header has {width}, so cells may have moved. Add those "
                "that are missing, or put a name or note that holds a separator in quotation marks.",
                number + 1,
            )
            for number, length, row in zip(grid.numbers, grid.lengths, grid.rows, strict=True)
            if length != width
            and not (longer and length == width + 1)
            and sum(not is_empty(cell) for cell in row) > 1  # one cell alone is no row, and refused
        ]
        if problems:
            raise PanelsError(problems, grid.label, "cannot be mended for sure")
    beside = grid.beside
    rows = set(grid.numbers)
    marks = [*beside.struck, *beside.partly_struck, *((top, left) for top, left, _, _ in beside.merged)]
    marks += [(top, left) for top, left, _, _ in beside.may_be_struck]
    named = [cell_name(row, column) for row, column in sorted(set(marks)) if row in rows]
    if ending == ".csv" and named:
        are = "is struck out or merged" if len(named) == 1 else "are struck out or merged"
        words = f"{listing(named, 8)} {are}, which a .csv cannot say. Name a copy that ends in .xlsx."
        raise PanelsError(words, grid.label, "cannot be mended into a .csv")


def _notes(grid: Grid, ending: str) -> list[str]:
    notes = list(grid.notes)
    if ending == ".csv":
        coloured = sorted({row + 1 for row, _ in grid.beside.coloured} & {number + 1 for number in grid.numbers[1:]})
        if coloured:
            notes.append(f"coloured in the original, and not in the copy: row {listing(coloured, 8)}.")
        hidden = [number + 1 for number in grid.beside.hidden_rows if number in set(grid.numbers)]
        if hidden:
            notes.append(f"hidden in the original, and not in the copy: row {listing(hidden, 8)}.")
        said = [cell_name(*place) for place in sorted(grid.beside.comments)]
        if said:
            notes.append(f"the copy has no comments; the original has some at {listing(said, 8)}.")
    return notes


# --- writing --------------------------------------------------------------------------------------------------------


def _written(grid: Grid, ending: str, left: Sequence[Problem]) -> bytes:
    """The copy as a file."""
    if ending == ".xlsx":
        return _as_workbook(grid, left)
    frame = pd.DataFrame(
        {j: pd.Series([row[j] for row in grid.rows[1:]], dtype=object) for j in range(len(grid.places))}
    )
    frame.columns = pd.Index([as_shown(cell) for cell in grid.rows[0]])
    return as_csv(frame).encode()


def _as_workbook(grid: Grid, left: Sequence[Problem]) -> bytes:
    """A workbook of one sheet: values alone, what was struck out, merged, hidden or said of cells, and our comments."""
    from openpyxl import Workbook
    from openpyxl.comments import Comment
    from openpyxl.styles import Font, PatternFill
    from openpyxl.utils.exceptions import IllegalCharacterError

    book = Workbook()
    book.properties.creator = OURS
    sheet = book.active
    sheet.title = grid.tab or "table"
    beside = grid.beside
    struck = {*beside.struck, *beside.partly_struck}
    rows = {number: i for i, number in enumerate(grid.numbers)}
    columns = {place: j for j, place in enumerate(grid.places)}
    for i, row in enumerate(grid.rows):
        for j, value in enumerate(row):
            try:
                cell = sheet.cell(i + 1, j + 1)
                _fill(cell, value)
            except IllegalCharacterError as error:
                words = f"{as_shown(value)!r} holds a control character. Type it again"
                raise PanelsError(Problem(f"{words}.", grid.numbers[i] + 1), grid.label) from error
            colour = beside.coloured.get((grid.numbers[i], grid.places[j]))
            if colour:
                rgb = colour.removeprefix("rgb ")
                cell.fill = PatternFill("solid", fgColor=rgb if rgb != colour else "FFFFE699")
            if (grid.numbers[i], grid.places[j]) in struck:
                cell.font = Font(strike=True)
            elif i == 0:
                cell.font = Font(bold=True)
    for number in beside.hidden_rows:
        if number in rows:
            sheet.row_dimensions[rows[number] + 1].hidden = True
    said = {(rows[row], columns[column]): text for (row, column), text in beside.comments.items()
            if row in rows and column in columns}  # fmt: skip
    for top, first, _, _ in beside.may_be_struck:
        words = "conditional formats of the original may strike cells out from here on; that was not read."
        at = (rows.get(top, 0), columns.get(first, 0))
        said[at] = f"{said[at]} {words}" if at in said else words
    kept = set(said)
    for problem in left:
        at = _place_of(problem, grid)
        said[at] = f"{said[at]} {problem.message}" if at in said else problem.message
    for (i, j), text in said.items():
        sheet.cell(i + 1, j + 1).comment = Comment(
            text, "the original" if (i, j) in kept else OURS, height=100, width=300
        )
    for top, first, bottom, last in beside.merged:
        if {top, bottom} <= set(rows) and {first, last} <= set(columns):
            sheet.merge_cells(
                start_row=rows[top] + 1,
                end_row=rows[bottom] + 1,
                start_column=columns[first] + 1,
                end_column=columns[last] + 1,
            )
    sheet.freeze_panes = "A2"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _fill(cell: Any, value: Any) -> None:
    """Put a value into a cell; a text that looks like a formula, or a number, stays a text."""
    if is_empty(value):
        return
    if isinstance(value, pd.Timestamp):
        value = value.to_pydatetime()
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
    elif isinstance(value, dt.date) and (not isinstance(value, dt.datetime) or value.time() == dt.time()):
        cell.number_format = "yyyy-mm-dd"


def _place_of(problem: Problem, grid: Grid) -> tuple[int, int]:
    """Where a problem of the copy stands in it; the first cell for one of the table as a whole."""
    headers = grid.headers
    row = problem.row - 1 if isinstance(problem.row, int) and 1 <= problem.row <= len(grid.rows) else 0
    return row, headers.index(problem.column) if problem.column in headers else 0
