"""Open a table wherever it is kept, and say how it was opened.

A table may be a CSV or TSV file, an Excel workbook, a Parquet file, a DataFrame, a list of records, or text pasted
into a cell. `open_table` turns any of them into a `Sheet`: headers, columns of untouched cells, the row number a person
would point at, and a note for every choice made on the way (encoding, separator, sheet, skipped rows). What the cells
mean is decided in ``checking.py``; nothing here converts a number. A source is opened once, so that a pipe will do, and
what is larger than a table can be is refused before it is unpacked.

Whatever is wrong with the contents is raised as one `PanelsError`, a ValueError that lists every problem with row,
column, value and remedy. A missing or unreadable file is a `PanelsError` too, so that there is one thing to catch.
"""

from __future__ import annotations

import csv
import difflib
import io
import os
import re
import stat
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from metasense.showing.words import count, listing, one_line
from metasense.tables.workbook import CELLS, Cells, Tab, Unreadable, Workbook, cell_name, column_name

SHOWN = 25  # problems printed in full; all of them stay in PanelsError.problems
BYTES = 100_000_000  # the most a file may hold: some three million tastings
CHARACTERS = 131_072  # the most a cell of a text may hold
HEADER_WITHIN = 20  # rows in which a header is looked for
GIVEN = re.compile(r"/dev/(stdin|fd/\d+)|/proc/(self|\d+)/fd/\d+")  # what a shell hands over in place of a file
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


def _blank_rows(columns: Sequence[pd.Series], size: int) -> np.ndarray:
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


def open_table(
    source: Any, known: Callable[[str], bool], *, name: str | None = None, sheet: str | None = None
) -> Sheet:
    """Open `source`, whatever it is, as a `Sheet`.

    Parameters
    ----------
    source : path, str, bytes, open file, DataFrame, Arrow table, list of dicts, dict of columns, or Sheet
        A str that holds a line break is read as the table itself; a `Sheet` is open already.
    known : callable
        Says whether a header is one of the expected names; tells the separator, and a title above the header.
    name : str, optional
        What to call the source in messages.
    sheet : str, optional
        Which worksheet of a workbook to read, in capitals or not; the first visible one otherwise.

    Raises
    ------
    PanelsError
        If there is no such file, it is not a table, or it cannot be read without guessing.
    """
    if isinstance(source, Sheet):
        return source
    if isinstance(source, pd.DataFrame):
        return _from_frame(source, known, name or "the table")
    if isinstance(source, Mapping) or (
        isinstance(source, list | tuple) and all(isinstance(x, Mapping) for x in source)
    ):
        return _from_records(source, known, name or "the table")
    if hasattr(source, "columns"):
        return _from_other_frame(source, known, name or "the table")
    data, label, ending = _bytes_of(source)
    label = name or label
    if len(data) > BYTES:
        raise _too_large(label)
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
        if GIVEN.fullmatch(str(path)):
            with open(path, "rb") as file:
                return file.read(BYTES + 1), "the input", ""
        if path.is_dir():
            tables = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in ENDINGS)
            inside = f" It holds {listing(tables, 8)}." if tables else ""
            raise PanelsError(f"{str(path)!r} is a folder: give the path of one file.{inside}")
        if ending and ending not in ENDINGS and path.exists():
            raise PanelsError(
                f"{path.name!r} ends in {ending!r}, which is not read. Save the table as .xlsx or .csv; "
                f"{listing(ENDINGS)} are read."
            )
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise PanelsError(
                f"{str(path)!r} is a pipe or a device and no file. Give the path of a file, or /dev/stdin and send the "
                "table there."
            )
        if about.st_size > BYTES:
            raise _too_large(path.name)
        return path.read_bytes(), path.name, ending
    except FileNotFoundError as error:
        raise PanelsError(f"there is no file {str(path)!r}.{_similar_files(path)}") from error
    except PanelsError:
        raise
    except (OSError, ValueError) as error:  # no permission, or a name the system refuses
        reason = getattr(error, "strerror", None) or error
        raise PanelsError(f"{str(path)!r} cannot be opened: {reason}.") from error


def _too_large(label: str) -> PanelsError:
    return PanelsError(
        f"it holds more than {BYTES / 1e6:.0f} MB, and a million tastings take about 40. Keep only the columns that "
        "are needed, or read it in parts.",
        label,
    )


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
    if not data or data.isspace():
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
            names = archive.namelist()
    except Exception as error:  # a damaged archive can fail in many ways
        raise PanelsError(
            "the Excel file is damaged: it cannot be unpacked. Save it again, or as .csv.", label
        ) from error
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
            longest = f"{CHARACTERS:,}".replace(",", " ")
            remedy = f"a cell is longer than {longest} characters; perhaps a quotation mark is left open. Close it"
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
    marks = np.frombuffer(data.encode("utf-8", "replace"), np.uint8)
    cuts = np.append(np.flatnonzero((marks == 10) | (marks == ord(separator))), len(marks))
    ends = np.append(np.flatnonzero(marks[cuts[:-1]] == 10), len(cuts) - 1)  # which of the cuts end a line
    if np.any(np.diff(ends, prepend=-1) != len(headers)) or np.diff(cuts, prepend=-1).max() > CHARACTERS:
        return None
    if len(headers) > len(ends):  # wide rather than long: no quick road
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
    written = len(rows[first])
    all_longer = all(len(rows[i]) > written for i in at)  # each line ends with a separator
    swallowed = re.compile(re.escape(separator) + r"(?! )") if separator else None
    for i in at:
        row = rows[i]
        for cell in row if swallowed is not None else ():
            if swallowed is not None and "\n" in cell and len(swallowed.findall(cell)) >= max(width - 1, 2):
                words = (
                    f"the cell that begins {cell.partition(chr(10))[0][:40]!r} runs over "
                    f"{cell.count(chr(10)) + 1} lines and holds whole rows. "
                    "A quotation mark is left open: close it, or remove it."
                )
                problems.append(Problem(words, i + 1))
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


# --- workbooks, Parquet, frames -------------------------------------------------------------------------------------


def _from_excel(data: bytes, known: Callable[[str], bool], label: str, sheet: str | None) -> Sheet:
    notes: list[str] = []
    try:
        book = Workbook(data)
        tab = _chosen_tab(book, sheet, label, notes)
        cells = book.cells(tab)
        advice = _other_sheets(book, tab, cells, known)
    except PanelsError:
        raise
    except Unreadable as error:
        raise PanelsError(str(error), label) from error
    except (MemoryError, RecursionError):
        raise
    except Exception as error:  # a damaged file can fail in many ways
        what = f"the Excel file is damaged ({type(error).__name__})"
        raise PanelsError(f"{what}. Open it in a spreadsheet program and save it again, or as .csv.", label) from error
    if advice:
        label = f"{label}, sheet {tab.name!r},"
    if cells.unknown:
        names = listing([cell_name(*place) for place in cells.unknown], 8)
        raise PanelsError(
            f"the file does not hold the results of the formulas in {names}. Open it in a spreadsheet program and save "
            "it again, or paste the values over the formulas.",
            label,
        )
    if cells.formulas:
        names = listing([cell_name(*place) for place in cells.formulas], 8)
        notes.append(f"the results stored with the formulas in {names} were read.")
    try:
        opened = _sheet(cells.rows, known, label, notes)
    except PanelsError as error:
        if not advice:
            raise
        raise PanelsError([*error.problems, advice], label) from error
    _say_what_is_hidden(opened, cells)
    opened.problems.extend([*_struck_out(opened, cells), *_merged(opened, cells)])
    return replace(opened, advice=advice)


def _chosen_tab(book: Workbook, sheet: str | None, label: str, notes: list[str]) -> Tab:
    """The worksheet to read: the one of that name, or the first visible one."""
    if not book.tabs:
        raise PanelsError("the workbook has no worksheet.", label)
    if sheet is not None:
        same = [tab for tab in book.tabs if tab.name == sheet]
        alike = [tab for tab in book.tabs if tab.name.strip().casefold() == sheet.strip().casefold()]
        if not same and len(alike) != 1:
            names = listing(repr(tab.name) for tab in book.tabs)
            raise PanelsError(f"there is no sheet {sheet!r}; the sheets are {names}.", label)
        return (same or alike)[0]
    first = next((tab for tab in book.tabs if tab.visible), book.tabs[0])
    others = [repr(tab.name) for tab in book.tabs if tab is not first]
    if others:
        notes.append(f"the sheet {first.name!r} was read and not {listing(others)}; choose with sheet= (--sheet).")
    return first


def _other_sheets(book: Workbook, chosen: Tab, cells: Cells, known: Callable[[str], bool]) -> str:
    """What to say if the chosen sheet turns out to be no table: the others, and the one that looks like a table."""
    if len(book.tabs) == 1:
        return ""

    def found(rows: Sequence[Sequence[Any]]) -> int:
        return max((sum(known(str(cell)) for cell in row) for row in rows[:HEADER_WITHIN]), default=0)

    least = max(found(cells.rows) + 1, 2)
    better = []
    for tab in book.tabs:
        if tab is not chosen:
            try:
                better += [tab.name] if found(book.cells(tab, HEADER_WITHIN).rows) >= least else []
            except Exception:  # another sheet may be damaged; it was not asked for
                continue
    if len(better) == 1:
        return (
            f"the sheet {chosen.name!r} was read, but {better[0]!r} looks like the table; choose it with "
            f"sheet={better[0]!r} (--sheet {better[0]!r})."
        )
    names = listing(repr(tab.name) for tab in book.tabs)
    return f"the sheet {chosen.name!r} was read; the sheets are {names}; choose with sheet= (--sheet)."


def _say_what_is_hidden(sheet: Sheet, cells: Cells) -> None:
    """Notes on what counts though a person looking at the worksheet may not see it, or sees it otherwise."""
    data = set(sheet.rows)
    hidden = [row for row in cells.hidden_rows if row + 1 in data]
    filtered = {row for row in hidden if any(top <= row <= bottom for top, _, bottom, _ in cells.filters)}
    for how, rows in (
        ("hidden", [row for row in hidden if row not in filtered]),
        ("hidden by a filter", [row for row in hidden if row in filtered]),
    ):
        if rows:
            firsts = (next(cell for cell in cells.rows[row] if not is_empty(cell)) for row in rows)
            named = [f"{row + 1} ({str(first)[:40]!r})" for row, first in zip(rows, firsts, strict=True)]
            one = len(rows) == 1
            sheet.notes.append(
                f"{'row' if one else 'rows'} {listing(named, 8)} {'is' if one else 'are'} {how} in the workbook and "
                f"{'was' if one else 'were'} read. Delete there what is not to count."
            )
    columns = [
        f"{sheet.headers[j]!r} ({column_name(j)})"
        for first, last in cells.hidden_columns
        for j in range(first, min(last + 1, len(sheet.headers)))
    ]
    if columns:
        one = len(columns) == 1
        sheet.notes.append(
            f"{'column' if one else 'columns'} {listing(columns, 8)} {'is' if one else 'are'} hidden in the workbook "
            f"and {'was' if one else 'were'} read."
        )
    if cells.percentages:
        row, column = cells.percentages[0]
        sheet.notes.append(
            f"{count(len(cells.percentages), 'cell')} in per cent: read as shown, such as "
            f"{cells.rows[row][column]!r} in {cell_name(row, column)}."
        )


def _struck_out(sheet: Sheet, cells: Cells) -> list[Problem]:
    """A problem for each row or cell that is struck out: whoever did it may have meant that it does not count."""
    by_row: dict[int, list[int]] = {}
    for row, column in cells.struck:
        by_row.setdefault(row, []).append(column)
    problems = []
    for row, columns in by_row.items():
        filled = [j for j, cell in enumerate(cells.rows[row]) if not is_empty(cell)]
        if len(columns) == len(filled) > 1:
            words = "the row is struck out. Delete it if it is not to count; otherwise undo the strike-through."
            problems.append(Problem(words, row + 1))
            continue
        for column in columns:
            cell = cells.rows[row][column]
            problems.append(
                Problem(
                    f"{str(cell)[:60]!r} in {cell_name(row, column)} is struck out. Clear the cell if it is not to "
                    "count; otherwise undo the strike-through.",
                    row + 1,
                    column=_header_of(sheet, column),
                    value=cell,
                )
            )
    for row, column in cells.partly_struck:
        cell = cells.rows[row][column]
        words = f"{str(cell)[:60]!r} in {cell_name(row, column)} is struck out in part. Write only what holds."
        problems.append(Problem(words, row + 1, column=_header_of(sheet, column), value=cell))
    return problems


def _merged(sheet: Sheet, cells: Cells) -> list[Problem]:
    """A problem for each value that stands for several cells of the table, of which a spreadsheet keeps it in one."""
    first = sheet.rows[0] - 1 if len(sheet.rows) else len(cells.rows)
    problems = []
    for top, left, bottom, right in cells.merged:
        row = cells.rows[top] if top < len(cells.rows) else ()
        value = row[left] if left < len(row) else None
        if bottom < first or is_empty(value) or left >= len(sheet.headers):
            continue
        words = (
            f"the cells {cell_name(top, left)} to {cell_name(bottom, right)} are merged, and only the first of them "
            f"holds {str(value)[:60]!r}. Unmerge them, and fill in the others."
        )
        problems.append(Problem(words, top + 1, column=_header_of(sheet, left), value=value))
    return problems


def _header_of(sheet: Sheet, column: int) -> str | None:
    return sheet.headers[column] if column < len(sheet.headers) else None


def _from_parquet(data: bytes, known: Callable[[str], bool], label: str) -> Sheet:
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


def _from_other_frame(source: Any, known: Callable[[str], bool], label: str) -> Sheet:
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
    problems: list[Problem] = []
    columns = []
    for j, header in enumerate(frame.columns):
        column = frame.iloc[:, j].reset_index(drop=True)
        columns.append(_cells_of(column, str(header), rows, word, problems))
    blank = _blank_rows(columns, len(frame))
    if blank.any() and columns:
        notes.append(f"blank rows skipped: {listing((f'{word} {at}' for at in rows[blank]), 8)}.")
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
