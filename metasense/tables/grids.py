"""The cells of a table as somebody laid them out, before anything is read: what `mend` works on.

A `Grid` remembers for each row and column where it stood in the original, so that a change can be named by the cell it
was made in, and keeps what a workbook says beside its cells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from metasense.tables.cells import as_shown
from metasense.tables.delimited import rows_of_text
from metasense.tables.opening import kind_of
from metasense.tables.sheets import PanelsError, Sheet, is_empty, laid_out
from metasense.tables.workbook import Cells, cell_name, column_name
from metasense.tables.worksheets import cells_of_excel


class Change(NamedTuple):
    """One thing that was mended: where it stood in the original, what was there, what is there now, and why."""

    where: str
    before: str
    after: str
    why: str


@dataclass(eq=False)
class Grid:
    """``rows[i][j]`` is a cell; ``numbers[i]`` and ``places[j]`` are its row and column in the original, from 0."""

    rows: list[list[Any]]
    label: str
    known: Callable[[str], bool]
    notes: list[str] = field(default_factory=list)
    separator: str = ""  # of a text; none of a workbook
    beside: Cells = field(default_factory=Cells)
    tab: str = "table"
    numbers: list[int] = field(default_factory=list)
    places: list[int] = field(default_factory=list)
    lengths: list[int] = field(default_factory=list)  # cells that each row of a text had
    changes: list[Change] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.lengths = [len(row) for row in self.rows]
        width = max(self.lengths, default=0)
        self.rows = [[*row, *[None] * (width - len(row))] for row in self.rows]
        self.numbers = list(range(len(self.rows)))
        self.places = list(range(width))

    @property
    def first_headers(self) -> list[str]:
        """What stands in the first row that holds anything."""
        return next(([as_shown(cell) for cell in row] for row in self.rows if any(not is_empty(c) for c in row)), [])

    @property
    def headers(self) -> list[str]:
        return ["" if is_empty(cell) else str(cell).strip() for cell in self.rows[0]]

    def name(self, i: int, j: int) -> str:
        """What a cell was called in the original."""
        return cell_name(self.numbers[i], self.places[j])

    def change(self, i: int, j: int, after: Any, why: str) -> None:
        """Put something else into a cell."""
        before = self.rows[i][j]
        was = before[:60] if isinstance(before, str) else as_shown(before)
        self.changes.append(Change(self.name(i, j), was, as_shown(after), why))
        self.rows[i][j] = after

    def drop_rows(self, which: Mapping[int, str]) -> None:
        """Take rows out, each for its reason."""
        for i, why in which.items():
            filled = [as_shown(cell) for cell in self.rows[i] if not is_empty(cell)]
            self.changes.append(Change(f"row {self.numbers[i] + 1}", " | ".join(filled), "(taken out)", why))
        keep = [i for i in range(len(self.rows)) if i not in which]
        self.rows = [self.rows[i] for i in keep]
        self.numbers = [self.numbers[i] for i in keep]
        self.lengths = [self.lengths[i] for i in keep]

    def drop_columns(self, which: list[int], why: str) -> None:
        """Take columns out."""
        for j in which:
            before = as_shown(self.rows[0][j]) if self.rows else ""
            self.changes.append(Change(f"column {column_name(self.places[j])}", before, "(taken out)", why))
        keep = [j for j in range(len(self.places)) if j not in set(which)]
        self.rows = [[row[j] for j in keep] for row in self.rows]
        self.places = [self.places[j] for j in keep]

    def sheet(self) -> Sheet:
        """The table as the door takes it."""
        return laid_out([list(row) for row in self.rows], self.known, self.label, [])


def open_grid(data: bytes, label: str, known: Callable[[str], bool], *, sheet: str | int | None = None) -> Grid:
    """The cells of a text or of one sheet of a workbook: the one that alone looks like a table, if none is named.

    Raises
    ------
    PanelsError
        If it is neither text nor a workbook.
    """
    kind = kind_of(data, label)
    notes: list[str] = []
    if kind == "parquet":
        raise PanelsError("a Parquet file is written by programs, so there is nothing to mend by hand in it.", label)
    if kind == "text":
        if sheet is not None:
            raise PanelsError(f"the sheet {sheet!r} was named, but only Excel workbooks have sheets.", label)
        rows, separator = rows_of_text(data, known, label, notes)
        grid = Grid([list(row or ()) for row in rows], label, known, notes, separator)
    else:
        tab, cells, better, _ = cells_of_excel(data, known, label, sheet, notes)
        changes = []
        if sheet is None and len(better) == 1:
            changes.append(Change("the sheet", tab.name, better[0], "of all sheets this one looks like the table"))
            notes = []
            tab, cells, _, _ = cells_of_excel(data, known, label, better[0], notes)
        grid = Grid([list(row) for row in cells.rows], label, known, notes, "", cells, tab.name)
        grid.changes = changes
    if not any(not is_empty(cell) for row in grid.rows for cell in row):
        raise PanelsError("the table is empty.", label)
    return grid
