"""Open a table wherever it is kept, and say how it was opened.

A table may be a CSV or TSV file, an Excel workbook, a Parquet file, a DataFrame, a list of records, or text pasted into a cell. `open_table`
turns any of them into a `Sheet`: headers, columns of untouched cells, the row number a person would point at, and a note for every choice
made on the way (encoding, separator, sheet, skipped rows). What the cells mean is decided in ``columns.py``; nothing here converts a number.

Whatever is wrong with the contents is raised as one `PanelsError`, a ValueError that lists every problem with row, column, value and remedy.
A missing or unreadable file is a `PanelsError` too, so that there is one thing to catch.
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

SHOWN = 25  # problems printed in full; all of them stay in PanelsError.problems
EXCEL_ROWS = 1_048_576  # the most rows a worksheet can have
UNPACKED_BYTES = 2_000_000_000  # a workbook that unpacks to more than this is refused
TEXT_ENDINGS = (".csv", ".tsv", ".tab", ".txt")
ENDINGS = {**dict.fromkeys(TEXT_ENDINGS, "text"), ".xlsx": "excel", ".xlsm": "excel", ".parquet": "parquet", ".pq": "parquet"}
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright bars"}
REFUSED = (  # first bytes, what it is
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a compressed (gzip) file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{\\rtf", "a word-processor document"),
    (b"SQLite format 3", "a database"),
)


class Problem(NamedTuple):
    """One thing to put right, where it is, and how."""

    message: str
    row: object = None
    panel: str | None = None
    column: str | None = None
    value: object = None

    def __str__(self) -> str:
        at = [str(self.row)] if self.row is not None else []
        at += [f"panel {self.panel!r}"] if self.panel is not None else []
        at += [f"column {self.column!r}"] if self.column is not None else []
        return ", ".join(at) + ": " + self.message if at else self.message


class PanelsError(ValueError):
    """A table that cannot be used as it is; lists every problem found, not only the first.

    Attributes
    ----------
    problems : tuple of Problem
        ``message, row, panel, column, value``; ``to_frame()`` gives them as a table.
    source : str
        What was being read.
    """

    def __init__(self, problems: str | Problem | Iterable[str | Problem], source: str = ""):
        listed = [problems] if isinstance(problems, str | Problem) else list(problems)
        self.problems = tuple(Problem(p) if isinstance(p, str) else p for p in listed)
        self.source = source
        lines = [str(problem) for problem in self.problems[:SHOWN]]
        if len(self.problems) > SHOWN:
            lines.append(f"... and {len(self.problems) - SHOWN} more (all are in the error's .problems)")
        head = f"{source} cannot be used as it is: " if source else ""
        super().__init__(head + (lines[0] if len(lines) == 1 else f"{len(self.problems)} problems\n  " + "\n  ".join(lines)))

    def __reduce__(self):
        return type(self), (self.problems, self.source)

    def to_frame(self) -> pd.DataFrame:
        """One row a problem."""
        return pd.DataFrame(list(self.problems), columns=list(Problem._fields))


@dataclass(frozen=True, eq=False)
class Sheet:
    """Cells as found: ``columns[j]`` holds the cells under ``headers[j]``, ``rows`` how a person would point at each row."""

    headers: list[str]
    columns: list[Any]
    rows: Sequence[object]
    source: str
    notes: list[str]
    problems: list[Problem]


def listing(items: Iterable[object], limit: int = 8) -> str:
    """Words for a list: ``"a, b, c and 4 more"``.

    Examples
    --------
    >>> listing(range(5), limit=3)
    '0, 1, 2 and 2 more'
    """
    items = [str(item) for item in items]
    return ", ".join(items[:limit]) + (f" and {len(items) - limit} more" if len(items) > limit else "")


def open_table(source: Any, known: Callable[[str], bool], *, name: str | None = None, sheet: str | None = None) -> Sheet:
    """Open `source`, whatever it is, as a `Sheet`.

    Parameters
    ----------
    source : path, str, bytes, open file, DataFrame, list of dicts, or dict of columns
        A str that holds a line break is read as the table itself.
    known : callable
        Says whether a header is one of the expected names; used to recognise the separator and a title above the header.
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
    if isinstance(source, Mapping) or (isinstance(source, list | tuple) and all(isinstance(item, Mapping) for item in source)):
        return _from_records(source, known, name or "the table")
    data, label, ending = _bytes_of(source)
    label = name or label
    try:
        kind = _kind_of(data, ending, label)
        opened = {"excel": _from_excel, "parquet": _from_parquet, "text": _from_bytes}[kind](data, known, label, sheet)
    except (MemoryError, RecursionError) as error:
        raise PanelsError("the file is damaged or too large to read.", label) from error
    expected = ENDINGS.get(ending, kind)
    if kind != expected:
        opened.notes.insert(0, f"the file is called {ending} but holds {_KIND_WORDS[kind]}; read as that.")
    if sheet is not None and kind != "excel":
        raise PanelsError(f"sheet={sheet!r} was given, but only Excel workbooks have sheets.", label)
    return opened


_KIND_WORDS = {"excel": "an Excel workbook", "parquet": "a Parquet table", "text": "text (comma-separated or the like)"}


def _bytes_of(source: Any) -> tuple[bytes, str, str]:
    """The bytes of `source`, what to call it, and the ending of its name."""
    if isinstance(source, bytes | bytearray):
        return bytes(source), "the table", ""
    if isinstance(source, str) and ("\n" in source or "\r" in source):
        return source.encode("utf-8", "surrogatepass"), "the text", ""
    if hasattr(source, "read"):
        data = source.read()
        label = str(getattr(source, "name", "the file"))
        return (data.encode("utf-8", "surrogatepass") if isinstance(data, str) else data), Path(label).name, ""
    if not isinstance(source, str | os.PathLike):
        raise PanelsError(
            f"cannot read a table from {type(source).__name__}. Give the path of a CSV, TSV, Excel or Parquet file, a DataFrame, "
            "a list of records or a dict of columns."
        )
    if isinstance(source, str) and re.match(r"\w+://", source):
        raise PanelsError(f"{source!r} is an address on the web: download the file first and give its path.")
    path = Path(source)
    try:
        if path.is_dir():
            tables = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in ENDINGS)
            inside = f" It holds {listing(tables)}." if tables else ""
            raise PanelsError(f"{str(path)!r} is a folder: give the path of one file.{inside}")
        ending = path.suffix.lower()
        if ending and ending not in ENDINGS and path.exists():
            remedy = "Save it as .xlsx or .csv" if ending in (".xls", ".ods", ".numbers") else "Save the table as .csv or .xlsx"
            raise PanelsError(f"{path.name!r} ends in {ending!r}, which is not read. {remedy}; {listing(ENDINGS, 9)} are read.")
        return path.read_bytes(), path.name, ending
    except FileNotFoundError as error:
        raise PanelsError(f"there is no file {str(path)!r}.{_similar_files(path)}") from error
    except (OSError, ValueError) as error:  # no permission, a name the system refuses, a NUL in the path
        if isinstance(error, PanelsError):
            raise
        raise PanelsError(f"{str(path)!r} cannot be opened: {getattr(error, 'strerror', None) or error}.") from error


def _similar_files(path: Path) -> str:
    try:
        tables = sorted(entry.name for entry in path.parent.iterdir() if entry.is_file() and entry.suffix.lower() in ENDINGS)
    except OSError:
        return f" There is no folder {str(path.parent)!r} either."
    close = difflib.get_close_matches(path.name, tables, n=3, cutoff=0.5)
    if close:
        return f" Did you mean {' or '.join(map(repr, close))}?"
    return f" That folder holds {listing(tables)}." if tables else f" The folder {str(path.parent.resolve())!r} holds no tables."


def _kind_of(data: bytes, ending: str, label: str) -> str:
    """What the bytes are, whatever the name says."""
    if not data.strip():
        raise PanelsError("the file is empty.", label)
    for start, words in REFUSED:
        if data.startswith(start):
            raise PanelsError(f"this is {words}, not a table. Save the table as .csv or .xlsx.", label)
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise PanelsError("the workbook is protected with a password. Open it, remove the password, and save it again.", label)
        raise PanelsError("this is an old Excel (.xls) workbook or another Office document. Save it as .xlsx or .csv.", label)
    if data.startswith(b"PAR1"):
        return "parquet"
    if data.startswith(b"PK\x03\x04") or data.startswith(b"PK\x05\x06"):
        try:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                names, size = archive.namelist(), sum(entry.file_size for entry in archive.infolist())
        except Exception as error:  # a damaged archive can fail in many ways
            raise PanelsError("the Excel file is damaged: its contents cannot be unpacked. Save it again or as .csv.", label) from error
        if size > UNPACKED_BYTES:
            raise PanelsError(f"the workbook unpacks to {size / 1e9:.1f} GB, too much to be a table of panels.", label)
        if not any(entry.startswith("xl/") for entry in names):
            raise PanelsError("this is a packed (zip) file but not an Excel workbook. Save the table as .xlsx or .csv.", label)
        return "excel"
    return "text"


# --- text -------------------------------------------------------------------------------------------------------------------------------


def _from_bytes(data: bytes, known: Callable[[str], bool], label: str, sheet: str | None) -> Sheet:
    notes: list[str] = []
    text = _decode(data, label, notes)
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise PanelsError(f"line {line} holds a NUL byte: the file is damaged, or is not plain text. Save it as CSV UTF-8.", label)
    hint = re.match(r"sep=(.)\r?\n", text)
    separator = hint[1] if hint else _separator(text, known)
    if separator != ",":
        notes.append(f"columns are separated by {SEPARATORS.get(separator, repr(separator))}.")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True, skipinitialspace=True)
    rows: list[Any] = []
    try:
        rows.extend(reader)
    except csv.Error as error:
        remedy = "a quotation mark is opened and not closed, or stands in the middle of a cell. Close it, or remove it"
        if "field larger" in str(error):
            remedy = "a cell is longer than 131 072 characters; a quotation mark may have been left open. Shorten or close it"
        raise PanelsError(Problem(f"{remedy}.", f"row {len(rows) + 1} (line {reader.line_num})"), label) from error
    if hint:
        rows[0] = []
        notes.append(f"the first line, 'sep={separator}', names the separator and is not data.")
    return _sheet(rows, known, label, notes, short_is_wrong=True, separator=separator)


def _decode(data: bytes, label: str, notes: list[str]) -> str:
    """Text of `data`; anything but plain UTF-8 is said in `notes`."""
    for mark, encoding, words in (
        (b"\xef\xbb\xbf", "utf-8-sig", "UTF-8 with a byte-order mark"),
        (b"\xff\xfe\x00\x00", "utf-32", "UTF-32"),
        (b"\x00\x00\xfe\xff", "utf-32", "UTF-32"),
        (b"\xff\xfe", "utf-16", "UTF-16"),
        (b"\xfe\xff", "utf-16", "UTF-16"),
    ):
        if data.startswith(mark):
            try:
                text = data.decode(encoding)
            except UnicodeDecodeError as error:
                raise PanelsError(f"the file says it is {words} but byte {error.start + 1} is not. Save it as CSV UTF-8.", label) from error
            notes.append(f"the text is {words}.")
            return text
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        byte, line = data[error.start], data.count(b"\n", 0, error.start) + 1
        where = f"line {line} holds the byte 0x{byte:02X}, which is not UTF-8"
        try:
            text = data.decode("cp1252")
            begin = data.rfind(b"\n", 0, error.start) + 1
            at = error.start - begin  # one byte is one character in Windows-1252
            word = re.search(r"\S*$", text[begin : begin + at])[0] + re.match(r"\S*", text[begin + at :])[0]  # type: ignore[index]
            if all(character.isprintable() or character in "\r\n\t" for character in set(text)):
                word = re.split(r"[,;\t|\"]", word[: len(word)])
                shown = next((part for part in word if not part.isascii()), "")
                notes.append(f"{where}; the file was read as Windows-1252, which gives {shown!r}. If that is wrong, save it as CSV UTF-8.")
                return text
        except UnicodeDecodeError:
            pass
        raise PanelsError(f"{where}, and the file does not read as Windows-1252 either. Save it as CSV UTF-8.", label) from error


def _separator(text: str, known: Callable[[str], bool]) -> str:
    """The separator under which the first lines hold most known headers; failing that, the commonest in the first line."""
    lines = [line for line in text[:20_000].splitlines()[:20] if line.strip()]

    def score(separator: str) -> tuple[int, int]:
        recognised = [len({cell.strip('" ') for cell in line.split(separator) if known(cell.strip('" '))}) for line in lines]
        return max(recognised, default=0), lines[0].count(separator) if lines else 0

    return max(SEPARATORS, key=score)  # the first, a comma, on a tie


def _sheet(
    rows: list[Any], known: Callable[[str], bool], label: str, notes: list[str], *, short_is_wrong: bool = False, separator: str = ""
) -> Sheet:
    """Header and columns out of a list of rows, which is row 1, 2, 3 ... of the file."""
    blank = [i for i, row in enumerate(rows) if not row or (_is_empty(row[0]) and all(map(_is_empty, row)))]
    blanks = set(blank)
    first = next((i for i in range(len(rows)) if i not in blanks), None)
    if first is None:
        raise PanelsError("the table is empty.", label)
    found = {i: sum(known(str(cell)) for cell in rows[i] if cell is not None) for i in range(first, min(first + 20, len(rows)))}
    best = max(found, key=lambda i: found[i])
    if found[first] < 2 <= found[best] and best != first:
        title = next(str(cell) for cell in rows[first] if not _is_empty(cell))
        raise PanelsError(
            f"row {first + 1} ({title!r}) is not a header; row {best + 1} looks like it. Delete the rows above row {best + 1}.", label
        )
    headers = ["" if cell is None else str(cell).strip().lstrip("\ufeff") for cell in rows[first]]
    while headers and not headers[-1] and all(len(row) < len(headers) or _is_empty(row[len(headers) - 1]) for row in rows[first + 1 :]):
        headers.pop()
    width, body, numbers = len(headers), rows[first + 1 :], np.arange(first + 2, len(rows) + 1)
    keep = [i for i in blank if i > first]
    last = len(rows) - 1
    while keep and keep[-1] == last:  # blank rows at the very end are nothing to speak of
        last, _ = last - 1, keep.pop()
    skipped = [i + 1 for i in blank if i < first and i + 1 != 1 or i > first and i in set(keep)]
    if skipped:
        notes.append(f"blank row{'s' * (len(skipped) > 1)} skipped: {listing(skipped)}.")
    if len(blanks) > 0:
        body = [row for i, row in enumerate(rows[first + 1 :], first + 1) if i not in blanks]
        numbers = np.array([i + 1 for i in range(first + 1, len(rows)) if i not in blanks], int)
    problems: list[Problem] = []
    lengths = np.fromiter(map(len, body), int, len(body))
    for i in np.flatnonzero(lengths != width):
        row = body[i]
        extra = [cell for cell in row[width:] if not _is_empty(cell)]
        if extra:
            hint = " or a number with a decimal comma" if separator == "," else ""
            problems.append(Problem(
                f"has {len(row)} cells where the header has {width}. A name or note that holds a separator{hint} must stand in "
                "quotation marks.", f"row {numbers[i]}", value=extra[0]))  # fmt: skip
        elif len(row) < width and short_is_wrong:
            problems.append(Problem(
                f"has {len(row)} cells where the header has {width}. Add the missing cells; leave them empty where nothing is known.",
                f"row {numbers[i]}"))  # fmt: skip
        body[i] = (list(row) + [None] * (width - len(row)))[:width]
    cells = list(zip(*body, strict=True)) if body else [()] * width
    columns = [pd.Series(column, dtype=object) for column in cells]
    return Sheet(headers, columns, [f"row {n}" for n in numbers] if len(numbers) < 1000 else _Rows(numbers), label, notes, problems)


class _Rows(Sequence):
    """``"row 7"`` for the seventh line, written only when asked for."""

    def __init__(self, numbers: np.ndarray):
        self.numbers = numbers

    def __len__(self) -> int:
        return len(self.numbers)

    def __getitem__(self, i):
        return f"row {self.numbers[i]}"


def _is_empty(cell: object) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


# --- workbooks, Parquet, frames ---------------------------------------------------------------------------------------------------------


def _from_excel(data: bytes, known: Callable[[str], bool], label: str, sheet: str | None) -> Sheet:
    notes: list[str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of charts and styles it does not read; we need neither
        try:
            import openpyxl

            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True)
            names = [tab.title for tab in book.worksheets]
            chosen = _choose_sheet(book, sheet, label, notes)
            rows, formulas = _worksheet_rows(book[chosen], label)
            stored = []
            if formulas:
                stored, _ = _worksheet_rows(openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)[chosen], label)
        except PanelsError:
            raise
        except Exception as error:  # openpyxl lets many kinds through for a damaged file
            raise PanelsError(f"the Excel file is damaged ({type(error).__name__}). Open it and save it again, or as .csv.", label) from error
    unknown = [(r, c) for r, c in formulas if r >= len(stored) or c >= len(stored[r]) or stored[r][c] is None]
    for r, c in formulas:
        rows[r][c] = None if (r, c) in set(unknown) else stored[r][c]
    if unknown:
        cells = listing(_cell_name(r, c) for r, c in unknown)
        raise PanelsError(
            f"these cells hold formulas whose results are not stored in the file: {cells}. Open the workbook, save it again, or paste "
            "the values over the formulas.", label)  # fmt: skip
    if formulas:
        notes.append(f"the stored results of formulas were read from {listing(_cell_name(r, c) for r, c in formulas)}.")
    try:
        return _sheet(rows, known, label, notes)
    except PanelsError as error:
        if len(names) > 1:
            raise PanelsError([*error.problems, f"the workbook's sheets are {listing(map(repr, names))}; choose with sheet=."], label) from error
        raise


def _choose_sheet(book: Any, sheet: str | None, label: str, notes: list[str]) -> str:
    names = [tab.title for tab in book.worksheets]
    if not names:
        raise PanelsError("the workbook has no worksheet.", label)
    if sheet is not None:
        if sheet not in names:
            raise PanelsError(f"there is no sheet {sheet!r}; the sheets are {listing(map(repr, names))}.", label)
        return sheet
    visible = [tab.title for tab in book.worksheets if tab.sheet_state == "visible"] or names
    if len(names) > 1:
        others = listing(repr(name) for name in names if name != visible[0])
        notes.append(f"sheet {visible[0]!r} was read; not read: {others} (choose with sheet=).")
    return visible[0]


def _worksheet_rows(tab: Any, label: str) -> tuple[list[list[Any]], list[tuple[int, int]]]:
    """Cells of a worksheet as lists, and the (row, column) of each formula, both counted from 0."""
    tab.reset_dimensions()  # the size written in the file may be wrong
    rows: list[list[Any]] = []
    formulas = []
    for r, row in enumerate(tab.iter_rows()):
        if r >= EXCEL_ROWS:
            raise PanelsError(f"the worksheet claims more than {EXCEL_ROWS} rows: the file is damaged. Save it as .csv.", label)
        formulas += [(r, c) for c, cell in enumerate(row) if cell.data_type == "f"]
        rows.append([str(cell.value) if type(cell.value).__name__ == "CellRichText" else cell.value for cell in row])
    while rows and all(map(_is_empty, rows[-1])):
        rows.pop()
    return rows, [(r, c) for r, c in formulas if r < len(rows)]


def _cell_name(row: int, column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def _from_parquet(data: bytes, known: Callable[[str], bool], label: str, sheet: str | None) -> Sheet:
    try:
        frame = pd.read_parquet(io.BytesIO(data))
    except ImportError as error:
        raise PanelsError("reading Parquet needs the package pyarrow. Install it, or save the table as .csv.", label) from error
    except Exception as error:  # each Parquet engine has its own errors for a damaged file
        raise PanelsError(f"the Parquet file is damaged ({type(error).__name__}). Write it again, or as .csv.", label) from error
    return _from_frame(frame, known, label)


def _from_records(source: Any, known: Callable[[str], bool], label: str) -> Sheet:
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
    inside = [str(level) for level in frame.index.names if level is not None and known(str(level)) and level not in frame.columns]
    if inside:
        frame = frame.reset_index(level=inside)
        notes.append(f"the index {listing(map(repr, inside))} was read as a column.")
    headers = [str(column).strip() for column in frame.columns]
    columns = [frame.iloc[:, j].reset_index(drop=True) for j in range(len(headers))]
    labels = frame.index
    empty = np.ones(len(frame), bool)
    for column in columns:
        if not empty.any():
            break
        empty &= column.isna().to_numpy() | np.array([_is_empty(cell) for cell in column] if column.dtype == object else False)
    if empty.any() and headers:
        notes.append(f"blank rows skipped: {listing(f'{word} {at}' for at in labels[empty])}.")
        columns = [column[~empty].reset_index(drop=True) for column in columns]
        labels = labels[~empty]
    return Sheet(headers, columns, _Labels(labels, word), label, notes, [])


class _Labels(Sequence):
    """``"index 7"`` for the row of a DataFrame labelled 7."""

    def __init__(self, labels: pd.Index, word: str):
        self.labels, self.word = labels, word

    def __len__(self) -> int:
        return len(self.labels)

    def __getitem__(self, i):
        return f"{self.word} {self.labels[i]}"
