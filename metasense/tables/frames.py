"""Tables of Python and of Parquet: frames of any library, records, dicts of columns."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.sheets import PanelsError, Problem, Sheet, blank_rows
from metasense.tables.workbook import CELLS


def from_parquet(data: bytes, known: Callable[[str], bool], label: str) -> Sheet:
    try:
        from pyarrow.parquet import read_metadata

        about = read_metadata(io.BytesIO(data))
        if about.num_rows * about.num_columns > CELLS:
            raise PanelsError(f"the table has more than {CELLS:,} cells. Keep only the columns needed.", label)
        try:
            frame = pd.read_parquet(io.BytesIO(data))
        except (ValueError, OverflowError):  # a date beyond the year 9999, which then is named by its row
            frame = pd.read_parquet(io.BytesIO(data), dtype_backend="pyarrow")
    except ImportError as error:
        raise PanelsError("Parquet needs the package pyarrow. Install it, or save the table as .csv.", label) from error
    except (PanelsError, MemoryError):
        raise
    except Exception as error:  # each Parquet engine has its own errors for a damaged file
        what = f"the Parquet file is damaged ({type(error).__name__})"
        raise PanelsError(f"{what}. Write it again, or as .csv.", label) from error
    return from_frame(frame, known, label)


def from_records(source: Any, known: Callable[[str], bool], label: str) -> Sheet:
    """A list of dicts, a dict of columns, or one dict of plain values, which is one row; rows are counted from 1."""
    if isinstance(source, Mapping) and source and not any(np.ndim(value) for value in source.values()):
        source = [source]
    try:
        frame = pd.DataFrame(source)
    except UnicodeEncodeError:  # half a character, which then is named by its row
        try:
            frame = pd.DataFrame(source, dtype=object)
        except UnicodeEncodeError:
            words = "the name of a column holds half a character, which was lost before it came here. Type it again."
            raise PanelsError(words, label) from None
    except (ValueError, TypeError) as error:
        raise PanelsError(f"the columns do not form a table: {error}.", label) from error
    frame.index = pd.RangeIndex(1, len(frame) + 1)
    return from_frame(frame, known, label, word="row")


def from_other_frame(source: Any, known: Callable[[str], bool], label: str) -> Sheet:
    """A table of another library, by its columns: they have names, and give their cells as a list."""
    try:
        if hasattr(source, "column_names"):
            headers = list(source.column_names)
            lists = [column.to_pylist() for column in source.columns]
        else:
            headers = list(source.columns)
            lists = [source[header].to_list() for header in headers]
        frame = pd.concat([pd.Series(cells, dtype=object) for cells in lists], axis=1)
        frame.columns = headers
    except Exception as error:  # whatever another library raises
        raise PanelsError(
            f"a table cannot be read from {type(source).__name__}. Give it as a pandas DataFrame (its to_pandas() or "
            "collect() may make one), a list of records or a dict of columns.",
            label,
        ) from error
    frame.index = pd.RangeIndex(1, len(frame) + 1)
    return from_frame(frame, known, label, word="row")


def from_frame(frame: pd.DataFrame, known: Callable[[str], bool], label: str, word: str = "index") -> Sheet:
    if frame.columns.nlevels > 1:
        raise PanelsError("the DataFrame has headers on several levels. Flatten them to one name a column.", label)
    notes: list[str] = []
    taken = [str(level) for level in frame.index.names if level is not None and known(str(level))]
    taken = [level for level in taken if level not in frame.columns]
    rows = frame.index
    if taken:
        frame = frame.reset_index(level=taken)
        was = "was read as a column" if len(taken) == 1 else "were read as columns"
        notes.append(f"the index {listing(map(repr, taken))} {was}.")
    problems: list[Problem] = []
    columns = []
    for j, header in enumerate(frame.columns):
        column = frame.iloc[:, j].reset_index(drop=True)
        columns.append(_cells_of(column, str(header), rows, word, problems))
    blank = blank_rows(columns, len(frame))
    if blank.any() and columns:
        skipped = "blank row" if blank.sum() == 1 else "blank rows"
        notes.append(f"{skipped} skipped: {listing((f'{word} {at}' for at in rows[blank]), 8)}.")
        columns = [column[~blank].reset_index(drop=True) for column in columns]
        rows = rows[~blank]
    if not columns:
        raise PanelsError("the table is empty.", label)
    return Sheet([str(header).strip() for header in frame.columns], columns, rows, label, notes, problems, word)


def _cells_of(column: pd.Series, header: str, rows: Any, word: str, problems: list[Problem]) -> pd.Series:
    """A column whose every cell can be looked at; a problem for each date out of the calendar's range."""
    dtype = column.dtype
    if isinstance(dtype, np.dtype | pd.DatetimeTZDtype) and dtype.kind == "M":
        days = column.to_numpy("datetime64[s]")
        bad = (days < np.datetime64("0001-01-01", "s")) | (days > np.datetime64("9999-12-30", "s"))
        bad &= ~np.isnat(days)
        cells = column
    elif isinstance(dtype, pd.ArrowDtype):
        try:
            return pd.Series(column.tolist(), dtype=object)
        except (ValueError, OverflowError):
            cells = pd.Series([None] * len(column), dtype=object)
            bad = np.zeros(len(column), bool)
            for i in range(len(column)):
                try:
                    cells.iloc[i] = column.iloc[i]
                except (ValueError, OverflowError):
                    bad[i] = True
    else:
        return column
    for at in rows[bad]:
        words = "the date or time is out of range. Write a day as year-month-day."
        problems.append(Problem(words, at, column=header, word=word))
    return cells.mask(bad, None) if bad.any() else cells
