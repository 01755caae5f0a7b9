"""A table whose cells are being read: what was found of it, its problems and notes; each distinct cell read once."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from string import Formatter
from typing import Any

import numpy as np
import pandas as pd

from metasense.tables.cells import Kind, Reading, Wrong, as_shown, one_value, plain
from metasense.tables.dates import date, language_of_days, order_of_days
from metasense.tables.numbers import GRAVITIES, MOST, all_gravities, all_percent, decimal_marks, number
from metasense.tables.sheets import PanelsError, Problem, Sheet, is_empty
from metasense.tables.wording import person

FEW = 64


@dataclass(eq=False)
class Checked:
    """A table with typed columns, the expected ones first, then the extra ones; problems gather until `raise_any`."""

    frame: pd.DataFrame
    sheet: Sheet
    place: dict[str, int]  # column -> its place in the sheet
    extras: tuple[str, ...]
    notes: list[str]
    found: list[tuple[int, Problem]]  # position of the row (-1: the table as a whole), problem
    bad: dict[str, np.ndarray]  # column -> rows in which a problem is already known
    almost: frozenset[str] = frozenset()  # columns that a header names but for a sign, or whose share it names
    left_out: int = 0  # rows that the table says are not to be counted
    gone: tuple[int, ...] = ()  # where they stood in `whole`
    whole: Sheet | None = None  # the table with them
    examples: int = 0  # of these, rows that show how the table is filled in
    shares: dict[str, list[int]] = field(default_factory=dict)  # column -> the places of headers that name its share

    @property
    def heads(self) -> dict[str, str]:
        """Header of each column, as the user wrote it."""
        return {column: self.sheet.headers[j] for column, j in self.place.items()}

    def report(self, mask: Any, column: str, words: str, *, rows: pd.DataFrame | None = None, **more: object) -> None:
        """A problem for each row of `mask` with none yet in `column`; `words` are filled from the row and `more`."""
        known = self.bad.setdefault(column, np.zeros(len(self.frame), bool))
        if isinstance(mask, pd.Series):
            mask = mask.fillna(False)
        where = np.flatnonzero(np.asarray(mask, bool) & ~known)
        if not len(where):
            return
        known[where] = True
        rows = self.frame if rows is None else rows
        named = {name for _, name, _, _ in Formatter().parse(words) if name} & set(rows.columns)
        cells = rows[[*(named | {column} & set(rows.columns))]].iloc[where].to_dict("records")
        for i, row in zip(where.tolist(), cells or [{}] * len(where), strict=True):
            self.add(i, words.format(**{**row, "value": row.get(column), **more}), column, row.get(column))

    def lacking(self, mask: np.ndarray, column: str, remedy: str) -> None:
        """A problem for each row of `mask` that has no value in `column`: that its cell is empty, or what it holds."""
        lacks = mask & self.frame[column].isna().to_numpy(bool)
        if not lacks.any():
            return
        places, cells = distinct(self.sheet.columns[self.place[column]])
        held = {i: "the cell is empty" if is_empty(cell) else f"{as_shown(cell)!r} says nothing here"
                for i, cell in enumerate(cells)}  # fmt: skip
        self.report_each(np.where(lacks, places, -1), {i: f"{words}. {remedy}" for i, words in held.items()}, column)

    def report_each(self, places: np.ndarray, messages: dict[int, str], column: str) -> None:
        """As `report`, with words that go with the place of the row's cells among the distinct ones."""
        if not messages:
            return
        known = self.bad.setdefault(column, np.zeros(len(self.frame), bool))
        where = np.flatnonzero(np.isin(places, list(messages)) & ~known)
        known[where] = True
        for i in where.tolist():
            self.add(i, messages[places[i]], column)

    def add(self, position: int, message: str, column: str | None = None, value: object = None) -> None:
        """One problem, at a row or (-1) with the table as a whole."""
        if position < 0:
            self.found.append((position, Problem(message)))
            return
        panel: Any = pd.NA
        if "panel" in self.frame:
            panel = self.frame["panel"].iloc[position]
        elif "panel" in self.place:  # before the cells are read
            panel = as_shown(self.sheet.columns[self.place["panel"]].iloc[position])
        if value is None and column in self.place:  # the cell as it was
            value = self.sheet.columns[self.place[column]].iloc[position]
        self.found.append((position, Problem(
            message,
            self.sheet.rows[position],
            None if pd.isna(panel) else str(panel),
            self.sheet.headers[self.place[column]] if column in self.place else column,
            value,
            self.sheet.word,
        )))  # fmt: skip

    def raise_any(self, wanted: str) -> None:
        """Raise all problems, of the table and then by row and column; `wanted` says what an empty table lacks."""
        problems = self._sorted([*self.sheet.problems, *(problem for _, problem in self.found)])
        if not problems and not len(self.frame) and self.left_out == self.examples > 0:
            problems = [Problem(f"there is no panel yet, only the example. {wanted}.")]
        if not problems and not len(self.frame) and self.left_out:
            problems = [Problem("every row is left out, so nothing is counted.")]
        if not problems and not len(self.frame):
            problems = [Problem(f"the table has a header but no rows. {wanted}.")]
        if self.sheet.advice and any(problem.row is None for problem in problems):
            problems = [Problem(self.sheet.advice), *problems]
        if problems:
            raise PanelsError(problems, self.sheet.source)

    def _sorted(self, problems: list[Problem]) -> list[Problem]:
        if not problems:  # and there may be a million rows
            return []
        rows = {row: i for i, row in enumerate(self.sheet.rows)}
        columns = {header: j for j, header in enumerate(self.sheet.headers)}

        def place(problem: Problem) -> tuple[bool, int, int]:
            column = -1 if problem.column is None else columns.get(problem.column, -1)
            return problem.row is not None, rows.get(problem.row, -1), column

        return sorted(problems, key=place)


def distinct(cells: Any) -> tuple[np.ndarray, list[Any]]:
    """Each cell's place in the list of distinct cells, and that list; True, 1 and "1" stay apart, missing is None.

    Examples
    --------
    >>> distinct(["a", "b", "a", None])
    (array([0, 1, 0, 2]), ['a', 'b', None])
    """
    series = cells if isinstance(cells, pd.Series) else pd.Series(cells)
    if isinstance(series.dtype, pd.ArrowDtype):
        series = series.astype(object)  # lists, maps and the like cannot be told apart otherwise
    few = len(series) <= FEW  # for which the quick road is the longer one
    if few or (series.dtype == object and pd.api.types.infer_dtype(series, skipna=True) not in ("string", "empty")):
        places: dict[tuple[type, Any], int] = {}
        codes = np.empty(len(series), np.intp)
        values: list[Any] = []
        for i, cell in enumerate(series.tolist()):
            if is_empty(cell) and not isinstance(cell, str):
                cell = None
            try:
                key = (type(cell), cell)
                place = places.get(key)
            except TypeError:  # a list, or another thing that cannot be a key
                key = (type(cell), _written(cell))
                place = places.get(key)
            if place is None:
                place = places[key] = len(values)
                values.append(cell)
            codes[i] = place
        return codes, values
    codes, found = pd.factorize(series)
    values = list(found)
    if len(codes) and codes.min() < 0:
        codes = np.where(codes < 0, len(values), codes)
        values.append(None)
    return codes, values


def _written(cell: object) -> str:
    try:
        return str(cell)
    except ValueError:  # a number of thousands of digits inside
        return str(id(cell))


def combined(*columns: Any) -> tuple[np.ndarray, list[tuple[Any, ...]]]:
    """Each row's place in the list of distinct combinations of the columns' cells, and that list.

    Examples
    --------
    >>> combined([1, 1, 2, 1], ["a", "b", "a", "a"])
    (array([0, 1, 2, 0]), [(1, 'a'), (1, 'b'), (2, 'a')])
    """
    codes = np.zeros(len(columns[0]), np.int64)
    parts = [distinct(column) for column in columns]
    for place, values in parts:
        codes = np.unique(codes * len(values) + place, return_inverse=True)[1]
    _, first = np.unique(codes, return_index=True)
    cells = [[None if pd.isna(values[at]) else values[at] for at in place[first]] for place, values in parts]
    return codes, list(zip(*cells, strict=True))


def column_of(codes: np.ndarray, values: Sequence[Any], dtype: str) -> pd.Series:
    """The column whose cells are ``values[codes]``."""
    return pd.Series(array_of(codes, values, dtype))


def array_of(codes: np.ndarray, values: Sequence[Any], dtype: str) -> Any:
    if len(codes) <= FEW:
        return pd.array([values[at] for at in codes.tolist()], dtype=dtype)
    return pd.array([*values, None], dtype=dtype).take(codes)


_PLAIN_DIGITS = re.compile(r"0|[1-9]\d{0,14}", re.ASCII)


def is_certain(value: object) -> bool:
    """Is it a number that can be read in one way only: plain digits, or a number of moderate size?"""
    if isinstance(value, str):
        return _PLAIN_DIGITS.fullmatch(value) is not None
    return type(value) in (int, np.int64, float, np.float64) and abs(value) < MOST  # type: ignore[arg-type]


def reading_of(values: Sequence[Any], kind: Kind, header: str) -> Reading:
    """What the cells of a column show about one another; each column speaks for itself alone."""
    if kind is date:
        marks, mixed = order_of_days(values)
        reading = Reading(day_first=marks, day_first_in=language_of_days(header, marks, mixed))
        for cell in mixed:
            reading.note("have day and month in different orders, each read in the only way it can be", cell)
        return reading
    if kind is number:
        return Reading(marks=decimal_marks(values), percent=all_percent(values))
    return Reading()


def all_digits(values: Sequence[Any]) -> bool:
    """Are all cells words of the digits 0 to 9 only?

    >>> all_digits(["1", "02"]), all_digits(["1", ""]), all_digits([1, "2"]), all_digits(["1", "\u0662"])
    (True, False, False, False)
    """
    try:
        joined = "".join(values)
    except TypeError:  # numbers among them
        return False
    return joined.isdigit() and joined.isascii() and "" not in values


def read_cells(values: Sequence[Any], kind: Kind, header: str) -> tuple[list[Any], dict[int, str], list[str]]:
    """Each of the distinct cells as a value, what is wrong with the others, and notes on how they were read."""
    if kind is number and all(map(is_certain, values)):
        return [float(value) for value in values], {}, []  # nothing to decide, and by far the commonest column
    if kind is person and all_digits(values):
        return list(values), {}, []  # nor here, and there may be a million of them
    cells: list[Any] = []
    messages: dict[int, str] = {}
    for i, value in enumerate(values):
        try:
            cells.append(one_value(value))
        except Wrong as error:
            cells.append(None)
            messages[i] = error.sentence
    reading = reading_of(cells, kind, header)
    reading.gravities = kind is number and plain(header) in GRAVITIES and all_gravities(cells)
    out: list[Any] = []
    for i, cell in enumerate(cells):
        try:
            out.append(kind(cell, reading))
        except Wrong as error:
            out.append(None)
            messages[i] = error.sentence
    return out, messages, reading.notes(header)
