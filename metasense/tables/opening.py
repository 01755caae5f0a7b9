"""Open a table wherever it is kept, and say how it was opened.

A table may be a CSV or TSV file, an Excel workbook, a Parquet file, a DataFrame, a list of records, or text pasted
into a cell. `open_table` turns any of them into a `Sheet`: headers, columns of untouched cells, the row number a person
would point at, and a note for every choice made on the way (encoding, separator, sheet, skipped rows). What the cells
mean is decided in ``checking.py``; nothing here converts a number.

Whatever is wrong with the contents is raised as one `PanelsError`, a ValueError that lists every problem with row,
column, value and remedy. A missing or unreadable file is a `PanelsError` too, so that there is one thing to catch.
"""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
import warnings
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from metasense.showing.words import count, listing, one_line

SHOWN = 25  # problems printed in full; all of them stay in PanelsError.problems
EXCEL_ROWS = 1_048_576  # the most rows a worksheet can have
UNPACKED_BYTES = 2_000_000_000  # a workbook that unpacks to more than this is refused
ENDINGS = {".csv": "text", ".tsv": "text", ".tab": "text", ".txt": "text", ".xlsx": "excel", ".xlsm": "excel"} | {
    ".parquet": "parquet",
    ".pq": "parquet",
}
KINDS = {"excel": "an Excel workbook", "parquet": "a Parquet table", "text": "text"}
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright bars"}
ENCODINGS = (  # byte-order mark, codec, words
    (b"\xef\xbb\xbf", "utf-8", "UTF-8 with a byte-order mark"),
    (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32"),
    (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32"),
    (b"\xff\xfe", "utf-16-le", "UTF-16"),
    (b"\xfe\xff", "utf-16-be", "UTF-16"),
)
REFUSED = (  # first bytes, what it is
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a compressed (gzip) file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{\\rtf", "a word-processor document"),
    (b"SQLite format 3", "a database"),
)


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
        """All the problems a line each, or the first so many and how many more there are."""
        lines = [str(problem) for problem in self.problems[:most]]
        if len(self.problems) > len(lines):
            lines.append(f"... and {len(self.problems) - len(lines)} more; the error's .to_frame() holds them all")
        head = f"{one_line(self.source)} {self.what}: " if self.source else ""
        return head + (lines[0] if len(lines) == 1 else "\n  ".join([f"{len(self.problems)} problems", *lines]))

    def __reduce__(self) -> tuple[type, tuple]:
        return type(self), (self.problems, self.source, self.what)

    def to_frame(self) -> pd.DataFrame:
        """One row a problem."""
        return pd.DataFrame(list(self.problems), columns=list(Problem._fields))


@dataclass(frozen=True, eq=False)
class Sheet:
    """Cells as found: ``columns[j]`` holds those under ``headers[j]``; ``rows[i]`` is how a person numbers row i."""

    headers: list[str]
    columns: list[pd.Series]
    rows: Sequence[Any]
    source: str
    notes: list[str]
    problems: list[Problem]
    word: str = "row"


def is_empty(cell: object) -> bool:
    """Is there nothing in the cell, or only spaces?"""
    return (
        cell is None
        or cell is pd.NA
        or cell is pd.NaT
        or (isinstance(cell, float | np.floating) and cell != cell)
        or (isinstance(cell, str) and not cell.strip())
    )


def _blank_rows(columns: Sequence[pd.Series], size: int) -> np.ndarray:
    """Which rows have nothing in any column; looks on only at rows that were blank so far."""
    at = np.arange(size)
    for column in columns:
        at = at[[is_empty(cell) for cell in column.iloc[at]]] if len(at) else at
    return np.isin(np.arange(size), at)


def open_table(
    source: Any, known: Callable[[str], bool], *, name: str | None = None, sheet: str | None = None
) -> Sheet:
    """Open `source`, whatever it is, as a `Sheet`.

    Parameters
    ----------
    source : path, str, bytes, open file, DataFrame, list of dicts, or dict of columns
        A str that holds a line break is read as the table itself.
    known : callable
        Says whether a header is one of the expected names; tells the separator, and a title above the header.
    name : str, optional
        What to call the source in messages.
    sheet : str, optional
        Which worksheet of a workbook to read; the first visible one otherwise.

    Raises
    ------
    PanelsError
        If there is no such file, it is not a table, or it cannot be read without guessing.
    """
    if isinstance(source, pd.DataFrame):
        return _from_frame(source, known, name or "the table")
    if isinstance(source, Mapping) or (
        isinstance(source, list | tuple) and all(isinstance(x, Mapping) for x in source)
    ):
        return _from_records(source, known, name or "the table")
    data, label, ending = _bytes_of(source)
    label = name or label
    kind = _kind_of(data, label)
    if sheet is not None and kind != "excel":
        raise PanelsError(f"the sheet {sheet!r} was named, but only Excel workbooks have sheets.", label)
    try:
        if kind == "excel":
            opened = _from_excel(data, known, label, sheet)
        else:
            opened = (_from_parquet if kind == "parquet" else _from_text)(data, known, label)
    except (MemoryError, RecursionError) as error:
        raise PanelsError("the file is damaged or too large to read.", label) from error
    if kind != ENDINGS.get(ending, kind):
        opened.notes.insert(0, f"the file's name ends in {ending} but it holds {KINDS[kind]}, and was read as that.")
    return opened


def _bytes_of(source: Any) -> tuple[bytes, str, str]:
    """The bytes of `source`, what to call it, and the ending of its name."""
    if isinstance(source, bytes | bytearray):
        return bytes(source), "the table", ""
    if isinstance(source, str) and re.search(r"[\r\n]", source):
        return source.encode("utf-8", "replace"), "the text", ""
    if hasattr(source, "read"):
        label = Path(str(getattr(source, "name", "the file"))).name
        try:
            data = source.read()
        except (OSError, ValueError) as error:  # closed, or text opened with the wrong encoding
            raise PanelsError(f"the open file cannot be read: {error}. Give its path instead.", label) from error
        return (data.encode("utf-8", "replace") if isinstance(data, str) else bytes(data)), label, ""
    if not isinstance(source, str | os.PathLike):
        raise PanelsError(
            f"a table cannot be read from {type(source).__name__}. Give the path of a CSV, TSV, Excel or Parquet file, "
            "a DataFrame, a list of records or a dict of columns."
        )
    if re.match(r"\w+://", os.fspath(source)):
        raise PanelsError(f"{os.fspath(source)!r} is an address on the web: download the file and give its path.")
    path = Path(source)
    ending = path.suffix.lower()
    try:
        if path.is_dir():
            tables = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in ENDINGS)
            inside = f" It holds {listing(tables, 8)}." if tables else ""
            raise PanelsError(f"{str(path)!r} is a folder: give the path of one file.{inside}")
        if ending and ending not in ENDINGS and path.exists():
            raise PanelsError(
                f"{path.name!r} ends in {ending!r}, which is not read. Save the table as .xlsx or .csv; "
                f"{listing(ENDINGS)} are read."
            )
        return path.read_bytes(), path.name, ending
    except FileNotFoundError as error:
        raise PanelsError(f"there is no file {str(path)!r}.{_similar_files(path)}") from error
    except PanelsError:
        raise
    except (OSError, ValueError) as error:  # no permission, or a name the system refuses
        reason = getattr(error, "strerror", None) or error
        raise PanelsError(f"{str(path)!r} cannot be opened: {reason}.") from error


def _similar_files(path: Path) -> str:
    try:
        tables = sorted(entry.name for entry in path.parent.iterdir() if entry.suffix.lower() in ENDINGS)
    except OSError:
        return f" There is no folder {str(path.parent)!r} either."
    if close := difflib.get_close_matches(path.name, tables, n=3, cutoff=0.5):
        return f" Did you mean {' or '.join(map(repr, close))}?"
    folder = str(path.parent.resolve())
    return (
        f" The folder {folder!r} holds {listing(tables, 8)}." if tables else f" The folder {folder!r} holds no table."
    )


def _kind_of(data: bytes, label: str) -> str:
    """What the bytes are, whatever the name says."""
    if not data.strip():
        raise PanelsError("the file is empty.", label)
    for start, words in REFUSED:
        if data.startswith(start):
            raise PanelsError(f"this is {words}, not a table. Save the table as .csv or .xlsx.", label)
    if data.startswith(b"\xd0\xcf\x11\xe0"):  # the container of old and of encrypted Office files
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise PanelsError("the workbook has a password. Open it, remove the password, and save it again.", label)
        raise PanelsError("this is an old Excel (.xls) workbook or other document. Save it as .xlsx or .csv.", label)
    if data.startswith(b"PAR1"):
        return "parquet"
    if not data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return "text"
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names, size = archive.namelist(), sum(entry.file_size for entry in archive.infolist())
    except Exception as error:  # a damaged archive can fail in many ways
        raise PanelsError(
            "the Excel file is damaged: it cannot be unpacked. Save it again, or as .csv.", label
        ) from error
    if size > UNPACKED_BYTES:
        raise PanelsError(f"the workbook unpacks to {size / 1e9:.1f} GB, too much for a table of panels.", label)
    if not any(entry.startswith("xl/") for entry in names):
        raise PanelsError("this is a zip file but no Excel workbook. Save the table as .xlsx or .csv.", label)
    return "excel"


# --- text -----------------------------------------------------------------------------------------------------------


def _from_text(data: bytes, known: Callable[[str], bool], label: str) -> Sheet:
    notes: list[str] = []
    text = _decoded(data, label, notes)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise PanelsError(
            f"line {line} holds a NUL byte: the file is damaged or not text. Save it as CSV UTF-8.", label
        )
    if "\ufffd" in text:
        line = text.count("\n", 0, text.index("\ufffd")) + 1
        notes.append(f"line {line} holds a character that was lost before the file came here (\ufffd).")
    hint = re.match(r"sep=([,;|\t])\r?\n", text)
    separator = hint[1] if hint else _separator(text, known)
    if separator != ",":
        notes.append(f"columns are separated by {SEPARATORS.get(separator, repr(separator))}.")
    if hint:
        notes.append(f"the first line, 'sep={separator}', names the separator and is not data.")
    if regular := _regular(text, separator, known, label, notes):
        return regular
    rows: list[Any] = []
    reader = None
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
        rows.extend(reader)
    except (csv.Error, ValueError) as error:
        remedy = "a quotation mark is left open or stands in the middle of a cell. Close it, or remove it"
        if "field larger" in str(error):
            remedy = "a cell is longer than 131 072 characters; perhaps a quotation mark is left open. Close it"
        where = f"{len(rows) + 1} (line {reader.line_num})" if reader else "1"
        raise PanelsError(Problem(f"{remedy}.", where), label) from error
    if hint:
        rows[0] = None
    return _sheet(rows, known, label, notes, separator)


def _decoded(data: bytes, label: str, notes: list[str]) -> str:
    """The text of `data`; anything but plain UTF-8 is said in `notes`, and nothing is decoded into nonsense."""
    for mark, codec, words in ENCODINGS:
        if data.startswith(mark):
            try:
                text = data[len(mark) :].decode(codec)
            except UnicodeDecodeError as error:
                at = f"byte {len(mark) + error.start + 1} is not"
                raise PanelsError(f"the file says it is {words} but {at}. Save it as CSV UTF-8.", label) from error
            notes.append(f"the text is {words}.")
            return text
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        begin, end = data.rfind(b"\n", 0, error.start) + 1, data.find(b"\n", error.start)
        line, place = data.count(b"\n", 0, error.start) + 1, error.start - begin
        where = f"line {line} holds the byte 0x{data[error.start]:02X}, which is not UTF-8"
        text = data.decode("cp1252", "replace")
        if "\ufffd" in text or any(not c.isprintable() and c not in "\r\n\t\u00a0" for c in set(text)):
            raise PanelsError(f"{where}, nor is the file Windows-1252. Save it as CSV UTF-8.", label) from error
        shown = data[begin : end if end >= 0 else None].decode("cp1252")[max(place - 12, 0) : place + 12].strip()
        notes.append(f"{where}; read as Windows-1252 it says {shown!r}. If that is wrong, save the file as CSV UTF-8.")
        return text


def _separator(text: str, known: Callable[[str], bool]) -> str:
    """The separator that yields most known headers in one of the first lines; failing that, the commonest one."""
    lines = [line for line in text[:20_000].splitlines()[:20] if line.strip()] or [""]

    def score(separator: str) -> tuple[int, int]:
        return max(sum(known(cell) for cell in line.split(separator)) for line in lines), lines[0].count(separator)

    return max(SEPARATORS, key=score)  # the first, a comma, on a tie


def _regular(text: str, separator: str, known: Callable[[str], bool], label: str, notes: list[str]) -> Sheet | None:
    """The quick road for a file without quotation marks, blank rows or ragged rows; None if it is not such a file."""
    data = text.replace("\r\n", "\n").rstrip("\n")
    headers = [header.strip() for header in data.partition("\n")[0].split(separator)]
    if '"' in data or "\r" in data or "\n" not in data or not all(headers) or sum(map(known, headers)) < 2:
        return None
    marks = np.frombuffer(data.encode("utf-32-le", "replace"), np.uint32)
    ends = np.append(np.flatnonzero(marks == 10), len(marks))
    if np.any(np.diff(np.searchsorted(np.flatnonzero(marks == ord(separator)), ends), prepend=0) != len(headers) - 1):
        return None
    body = pd.read_csv(
        io.StringIO(data),
        sep=separator,
        header=None,
        skiprows=1,
        names=range(len(headers)),
        index_col=False,
        dtype=object,
        na_filter=False,
        low_memory=False,
        skip_blank_lines=False,
        quoting=csv.QUOTE_NONE,
    )
    columns = [body[j] for j in range(len(headers))]
    blank = _blank_rows(columns, len(body))
    if blank.any() or len(body) != len(ends) - 1:
        return None
    return Sheet(headers, columns, range(2, len(body) + 2), label, notes, [])


def _sheet(rows: list[Any], known: Callable[[str], bool], label: str, notes: list[str], separator: str = "") -> Sheet:
    """Header and columns out of the rows of a file, counted from 1; a worksheet's (no `separator`) may end early."""
    while rows and all(map(is_empty, rows[-1] or [])):  # blank rows at the end are nothing to speak of
        rows.pop()
    blank = {i for i, row in enumerate(rows) if not row or (is_empty(row[0]) and all(map(is_empty, row)))}
    first = next((i for i in range(len(rows)) if i not in blank), None)
    if first is None:
        raise PanelsError("the table is empty.", label)
    found = {i: sum(known(str(cell)) for cell in rows[i]) for i in range(first, min(first + 20, len(rows)))}
    best = max(found, key=lambda i: found[i])
    if found[first] < 2 <= found[best]:
        title = next(str(cell) for cell in rows[first] if not is_empty(cell))
        raise PanelsError(
            f"row {first + 1} ({title!r}) is no header; row {best + 1} looks like one. Delete the rows above it.",
            label,
        )
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
    body, problems = [], []
    width = len(headers)
    for i in at:
        row = rows[i]
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


# --- workbooks, Parquet, frames -------------------------------------------------------------------------------------


def _from_excel(data: bytes, known: Callable[[str], bool], label: str, sheet: str | None) -> Sheet:
    notes: list[str] = []
    stored: list[list[Any]] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of charts and styles it does not read; none matters here
        try:
            import openpyxl

            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
            chosen = _chosen_sheet(book, sheet, label, notes)
            rows, formulas = _worksheet_rows(book[chosen], label)
            if formulas:
                values = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
                stored, _ = _worksheet_rows(values[chosen], label)
        except PanelsError:
            raise
        except Exception as error:  # openpyxl lets many kinds through for a damaged file
            what = f"the Excel file is damaged ({type(error).__name__})"
            raise PanelsError(
                f"{what}. Open it in a spreadsheet program and save it again, or as .csv.", label
            ) from error
    unknown = []
    for r, c in formulas:
        rows[r][c] = stored[r][c] if r < len(stored) and c < len(stored[r]) else None
        if rows[r][c] is None:
            unknown.append(_cell_name(r, c))
    if unknown:
        raise PanelsError(
            f"the file does not hold the results of the formulas in {listing(unknown, 8)}. Open it in a spreadsheet "
            "program and save it again, or paste the values over the formulas.",
            label,
        )
    if formulas:
        cells = listing([_cell_name(r, c) for r, c in formulas], 8)
        notes.append(f"the results stored with the formulas in {cells} were read.")
    try:
        return _sheet(rows, known, label, notes)
    except PanelsError as error:
        names = [repr(tab.title) for tab in book.worksheets]
        if len(names) == 1:
            raise
        raise PanelsError(
            [*error.problems, f"the sheets are {listing(names)}; choose with sheet= (--sheet)."], label
        ) from error


def _chosen_sheet(book: Any, sheet: str | None, label: str, notes: list[str]) -> str:
    names = [tab.title for tab in book.worksheets]
    if not names:
        raise PanelsError("the workbook has no worksheet.", label)
    if sheet is not None:
        if sheet not in names:
            raise PanelsError(f"there is no sheet {sheet!r}; the sheets are {listing(map(repr, names))}.", label)
        return sheet
    first = next((tab.title for tab in book.worksheets if tab.sheet_state == "visible"), names[0])
    if len(names) > 1:
        others = listing(repr(name) for name in names if name != first)
        notes.append(f"the sheet {first!r} was read and not {others}; choose with sheet= (--sheet).")
    return first


def _worksheet_rows(tab: Any, label: str) -> tuple[list[list[Any]], list[tuple[int, int]]]:
    """Cells of a worksheet as lists, and the (row, column) of each formula, both counted from 0."""
    tab.reset_dimensions()  # the size written in the file may be wrong
    rows: list[list[Any]] = []
    formulas = []
    for r, row in enumerate(tab.iter_rows()):
        if r >= EXCEL_ROWS:
            raise PanelsError("the worksheet has more rows than Excel can hold: it is damaged. Save it as .csv.", label)
        formulas += [(r, c) for c, cell in enumerate(row) if cell.data_type == "f"]
        rows.append([cell.value for cell in row])
    return rows, formulas


def _cell_name(row: int, column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


def _from_parquet(data: bytes, known: Callable[[str], bool], label: str) -> Sheet:
    try:
        frame = pd.read_parquet(io.BytesIO(data))
    except ImportError as error:
        raise PanelsError("Parquet needs the package pyarrow. Install it, or save the table as .csv.", label) from error
    except Exception as error:  # each Parquet engine has its own errors for a damaged file
        what = f"the Parquet file is damaged ({type(error).__name__})"
        raise PanelsError(f"{what}. Write it again, or as .csv.", label) from error
    return _from_frame(frame, known, label)


def _from_records(source: Any, known: Callable[[str], bool], label: str) -> Sheet:
    """A list of dicts, a dict of columns, or one dict of plain values, which is one row; rows are counted from 1."""
    if isinstance(source, Mapping) and source and not any(np.ndim(value) for value in source.values()):
        source = [source]
    try:
        frame = pd.DataFrame(source)
    except (ValueError, TypeError) as error:
        raise PanelsError(f"the columns do not form a table: {error}.", label) from error
    frame.index = pd.RangeIndex(1, len(frame) + 1)
    return _from_frame(frame, known, label, word="row")


def _from_frame(frame: pd.DataFrame, known: Callable[[str], bool], label: str, word: str = "index") -> Sheet:
    if frame.columns.nlevels > 1:
        raise PanelsError("the DataFrame has headers on several levels. Flatten them to one name a column.", label)
    notes: list[str] = []
    taken = [str(level) for level in frame.index.names if level is not None and known(str(level))]
    taken = [level for level in taken if level not in frame.columns]
    rows = frame.index
    if taken:
        frame = frame.reset_index(level=taken)
        notes.append(f"the index {listing(map(repr, taken))} was read as a column.")
    columns = [frame.iloc[:, j].reset_index(drop=True) for j in range(frame.shape[1])]
    blank = _blank_rows(columns, len(frame))
    if blank.any() and columns:
        notes.append(f"blank rows skipped: {listing((f'{word} {at}' for at in rows[blank]), 8)}.")
        columns = [column[~blank].reset_index(drop=True) for column in columns]
        rows = rows[~blank]
    if not columns:
        raise PanelsError("the table is empty.", label)
    return Sheet([str(header).strip() for header in frame.columns], columns, rows, label, notes, [], word)
