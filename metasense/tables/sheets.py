"""A table as it was opened, untouched (`Sheet`), and what can be wrong with one (`Problem`, `PanelsError`)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from metasense.showing.words import count, listing, one_line

SHOWN = 8  # problems printed in full; all of them stay in PanelsError.problems
HEADER_WITHIN = 20  # rows in which a header is looked for


class Problem(NamedTuple):
    """One thing to put right, where it is, and how. ``row`` counts as a spreadsheet does, the header included; for a
    DataFrame it is the index label, and ``word`` is "index"."""

    message: str
    row: object = None
    panel: str | None = None
    column: str | None = None
    value: object = None
    word: str = "row"

    def __str__(self) -> str:
        at = [f"{self.word} {self.row}"] if self.row is not None else []
        at += [f"panel {self.panel!r}"] if self.panel is not None else []
        at += [f"column {self.column!r}"] if self.column is not None else []
        return f"{', '.join(at)}: {self.message}" if at else self.message


class PanelsError(ValueError):
    """A table that cannot be used as it is, or for what is asked of it; lists every problem, not only the first.

    Attributes
    ----------
    problems : tuple of Problem
        ``message, row, panel, column, value, word``; ``to_frame()`` gives them as a table.
    source, what : str
        What was being read, and what is wrong with it.

    Examples
    --------
    >>> error = PanelsError(Problem("-1 is negative. A count is 0 or more.", 3, "C2", "correct", -1))
    >>> print(error)
    row 3, panel 'C2', column 'correct': -1 is negative. A count is 0 or more.
    >>> error.to_frame()[["row", "panel", "column", "value"]]
       row panel   column  value
    0    3    C2  correct     -1
    """

    def __init__(
        self, problems: str | Problem | Iterable[str | Problem], source: str = "", what: str = "cannot be used as it is"
    ) -> None:
        listed = [problems] if isinstance(problems, str | Problem) else list(problems)
        self.problems = tuple(Problem(problem) if isinstance(problem, str) else problem for problem in listed)
        self.source, self.what = source, what
        super().__init__(self.words(SHOWN))

    def words(self, most: int | None = None) -> str:
        """All the problems a line each, or the first so many and how many more there are.

        Parameters
        ----------
        most : int, optional
            Problems to say; all of them by default.

        Returns
        -------
        str

        Examples
        --------
        >>> from metasense import PanelsError
        >>> PanelsError(["row 2 has no panel."], "the table").words()
        'the table cannot be used as it is: row 2 has no panel.'
        """
        lines = [str(problem) for problem in self.problems[:most]]
        if len(self.problems) > len(lines):
            lines.append(f"... and {len(self.problems) - len(lines)} more; the error's .to_frame() holds them all")
        head = f"{one_line(self.source)} {self.what}: " if self.source else ""
        return head + (lines[0] if len(lines) == 1 else "\n  ".join([f"{len(self.problems)} problems", *lines]))

    def __reduce__(self) -> tuple[type, tuple[Any, ...]]:
        return type(self), (self.problems, self.source, self.what)

    def to_frame(self) -> pd.DataFrame:
        """One row a problem.

        Returns
        -------
        DataFrame
            ``row, panel, column, problem``, or those of them that are known.

        Examples
        --------
        >>> from metasense import PanelsError, read_panels
        >>> try:
        ...     panels = read_panels([{"panel": "A", "protocol": "triangle", "tastings": 5, "correct": 9}])
        ... except PanelsError as error:
        ...     print(error.to_frame()["column"].tolist())
        ['correct']
        """
        return pd.DataFrame(list(self.problems), columns=list(Problem._fields))


@dataclass(frozen=True, eq=False)
class Sheet:
    """Cells as found: ``columns[j]`` holds those under ``headers[j]``; ``rows[i]`` is how a person numbers row i.

    ``advice`` is for the case that the columns turn out not to be those of the table: which other sheets there are.
    """

    headers: list[str]
    columns: list[pd.Series]
    rows: Sequence[Any]
    source: str
    notes: list[str]
    problems: list[Problem]
    word: str = "row"
    advice: str = ""


def is_empty(cell: object) -> bool:
    """Is there nothing in the cell, or only spaces?"""
    return (
        cell is None
        or cell is pd.NA
        or cell is pd.NaT
        or (isinstance(cell, float | np.floating) and cell != cell)
        or (isinstance(cell, str) and not cell.strip())
    )


def blank_rows(columns: Sequence[pd.Series], size: int) -> np.ndarray:
    """Which rows have nothing in any column; looks on only at rows that were blank so far."""
    blank = np.zeros(size, bool)
    at = np.arange(size)
    for column in columns:
        at = at[_empty_cells(column.iloc[at].tolist())]
        if not len(at):
            return blank
    blank[at] = True
    return blank


def _empty_cells(cells: list[Any]) -> np.ndarray:
    """Which cells are empty; each distinct one is looked at once."""
    try:
        empty = {cell for cell in set(cells) if is_empty(cell)}
    except TypeError:  # a list, or another thing that cannot be in a set
        return np.array([is_empty(cell) for cell in cells], bool)
    if not empty:
        return np.zeros(len(cells), bool)
    return np.array([cell in empty for cell in cells], bool)


def _header(rows: list[Any], blank: set[int], known: Callable[[str], bool], label: str) -> int:
    """Where the header is: the first row that holds anything; an error where a row below looks like one instead."""
    first = next((i for i in range(len(rows)) if i not in blank), None)
    if first is None:
        raise PanelsError("the table is empty.", label)
    found = {first: sum(known(str(cell)) for cell in rows[first])}
    if found[first] < 2:
        for i in range(first + 1, min(first + HEADER_WITHIN, len(rows))):
            found[i] = sum(known(str(cell)) for cell in rows[i])
    best = max(found, key=lambda i: found[i])
    if found[first] < 2 <= found[best]:
        title = next(str(cell) for cell in rows[first] if not is_empty(cell))
        raise PanelsError(
            f"row {first + 1} ({title!r}) is no header; row {best + 1} looks like one. Delete the rows above it.",
            label,
        )
    return first


def _whole_rows(row: list[Any], separated: re.Pattern[str], width: int) -> list[str]:
    """What is wrong with cells that run over lines and hold whole rows of a table this wide."""
    found = []
    for cell in row:
        lines = re.split(r"\r\n?|\n", cell)
        if len(lines) > 1 and len(separated.findall(cell)) >= max(width - 1, 2):
            found.append(
                f"the cell that begins {lines[0][:40]!r} runs over {len(lines)} lines and holds whole rows. A "
                "quotation mark is left open: close it, or remove it."
            )
    return found


def laid_out(rows: list[Any], known: Callable[[str], bool], label: str, notes: list[str], separator: str = "") -> Sheet:
    """Header and columns out of the rows of a file, counted from 1; a worksheet's (no `separator`) may end early."""
    while rows and all(map(is_empty, rows[-1] or [])):  # blank rows at the end are nothing to speak of
        rows.pop()
    blank = {i for i, row in enumerate(rows) if not row or (is_empty(row[0]) and all(map(is_empty, row)))}
    first = _header(rows, blank, known, label)
    if blank:
        rows_ = "row" if len(blank) == 1 else "rows"
        notes.append(f"blank {rows_} skipped: {listing([i + 1 for i in sorted(blank)], 8)}.")
    at = [i for i in range(first + 1, len(rows)) if i not in blank]
    headers = ["" if is_empty(cell) else str(cell).strip() for cell in rows[first]]
    if not separator:
        headers += [""] * (max((len(rows[i]) for i in at), default=0) - len(headers))
    while (
        headers
        and not headers[-1]
        and all(len(rows[i]) < len(headers) or is_empty(rows[i][len(headers) - 1]) for i in at)
    ):
        headers.pop()
    body: list[list[Any]] = []
    problems: list[Problem] = []
    width = len(headers)
    written = len(rows[first])
    all_longer = all(len(rows[i]) > written for i in at)  # each line ends with a separator
    swallowed = re.compile(re.escape(separator) + r"(?! )") if separator else None
    for i in at:
        row = rows[i]
        if swallowed is not None:
            problems += [Problem(words, i + 1) for words in _whole_rows(row, swallowed, width)]
        if len(row) > written and separator and not all_longer and all(map(is_empty, row[width:])):
            words = (
                f"the row has {count(len(row), 'cell')} where the header has {written}, so cells may have moved. "
                "A name or note that holds a separator must stand in quotation marks; otherwise "
                "remove the separator at the end."
            )
            problems.append(Problem(words, i + 1))
        if len(row) != width:
            extra = [cell for cell in row[width:] if not is_empty(cell)]
            if extra or (separator and len(row) < width):
                hint = "Add the missing ones; leave empty what is not known"
                if extra:
                    comma = " or a number with a decimal comma" if separator == "," else ""
                    hint = f"A name or note that holds a separator{comma} must stand in quotation marks"
                cells = f"{count(len(row), 'cell')} where the header has {width}"
                problems.append(Problem(f"the row has {cells}. {hint}.", i + 1, value=extra[0] if extra else None))
            row = [*row[:width], *[None] * (width - len(row))]
        body.append(row)
    columns = list(zip(*body, strict=True)) if body else [()] * width
    return Sheet(
        headers, [pd.Series(cells, dtype=object) for cells in columns], [i + 1 for i in at], label, notes, problems
    )
