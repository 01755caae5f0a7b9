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

import difflib
import io
import os
import re
import stat
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.showing.words import listing
from metasense.tables.delimited import from_text
from metasense.tables.frames import from_frame, from_other_frame, from_parquet, from_records
from metasense.tables.sheets import PanelsError, Sheet
from metasense.tables.worksheets import from_excel

BYTES = 100_000_000  # the most a file may hold: some three million tastings
GIVEN = re.compile(r"/dev/(stdin|fd/\d+)|/proc/(self|\d+)/fd/\d+")  # what a shell hands over in place of a file
ENDINGS = {".csv": "text", ".tsv": "text", ".tab": "text", ".txt": "text", ".xlsx": "excel", ".xlsm": "excel"} | {
    ".parquet": "parquet",
    ".pq": "parquet",
}
OURS = {  # files of ours that are no tables, and what they are for
    ".nc": "ends as a saved pool does, and is no table. Open it with ms.load, or in a terminal with: metasense show "
    "FILE",
    ".toml": "ends as a question card does, and is no table. Give it beside the table as card= (--card); in a terminal "
    "it is shown by: metasense card check FILE",
    ".ipynb": "is a notebook, and no table. Name the table that it reads",
    ".html": "is a page, such as an answer or a serving sheet, and no table. Name the table that it belongs to",
}
KINDS = {"excel": "an Excel workbook", "parquet": "a Parquet table", "text": "text"}
REFUSED = (  # first bytes, what it is
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a compressed (gzip) file"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"{\\rtf", "a word-processor document"),
    (b"SQLite format 3", "a database"),
    (b"CDF", "a netCDF file, such as a saved pool"),
    (b"\x89HDF", "an HDF5 file, such as a pool saved by metasense 0.1"),
)


def open_table(
    source: Any, known: Callable[[str], bool], *, name: str | None = None, sheet: str | int | None = None
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
    sheet : str or int, optional
        Which worksheet of a workbook to read, by its name, in capitals or not, or its number; the first visible one
        otherwise.

    Raises
    ------
    PanelsError
        If there is no such file, it is not a table, or it cannot be read without guessing.
    """
    if isinstance(source, Sheet):
        return source
    if isinstance(source, pd.DataFrame):
        return from_frame(source, known, name or "the table")
    if isinstance(source, Mapping) or (
        isinstance(source, list | tuple) and all(isinstance(x, Mapping) for x in source)
    ):
        return from_records(source, known, name or "the table")
    if hasattr(source, "columns"):
        return from_other_frame(source, known, name or "the table")
    data, label, ending = bytes_of(source)
    label = name or label
    if len(data) > BYTES:
        raise _too_large(label)
    kind = kind_of(data, label)
    if sheet is not None and kind != "excel":
        raise PanelsError(f"the sheet {sheet!r} was named, but only Excel workbooks have sheets.", label)
    try:
        if kind == "excel":
            opened = from_excel(data, known, label, sheet)
        else:
            opened = (from_parquet if kind == "parquet" else from_text)(data, known, label)
    except (MemoryError, RecursionError) as error:
        raise PanelsError("the file is damaged or too large to read.", label) from error
    if kind != ENDINGS.get(ending, kind):
        opened.notes.insert(0, f"the file's name ends in {ending} but it holds {KINDS[kind]}, and was read as that.")
    return opened


def bytes_of(source: Any) -> tuple[bytes, str, str]:
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
            if ours := _folder_of_ours(path):
                raise PanelsError(f"{str(path)!r} {ours}")
            tables = sorted(entry.name for entry in path.iterdir() if entry.suffix.lower() in ENDINGS)
            inside = f" It holds {listing(tables, 8)}." if tables else ""
            raise PanelsError(f"{str(path)!r} is a folder: give the path of one file.{inside}")
        if ending and ending not in ENDINGS and path.exists():
            if ending in OURS:
                raise PanelsError(f"{path.name!r} {OURS[ending]}")
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


def _folder_of_ours(path: Path) -> str:
    """What to say of a folder that we made; empty if we did not."""
    key, card = path / "sealed" / "key.csv", path / "card.toml"
    if key.is_file() or ((path / "key.csv").is_file() and path.name == "sealed"):
        return (
            "holds the sheets and the key of a served panel, and no table of panels. Count its answers with "
            "read_answers(key, answers), or in a terminal with: metasense answers KEY ANSWERS"
        )
    tables = [name for name in ("panels.xlsx", "panels.csv") if (path / name).is_file()]
    if card.is_file() and tables:
        return f"is the folder of one question. Name the table in it: {str(path / tables[0])!r}"
    return ""


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


def kind_of(data: bytes, label: str) -> str:
    """What the bytes are, whatever the name says."""
    if not data or data.isspace():
        raise PanelsError("the file is empty.", label)
    for start, words in REFUSED:
        if data.startswith(start):
            remedy = "Save the table as .csv or .xlsx."
            if "saved" in words:
                remedy = (
                    "Open a saved pool with ms.load, or in a terminal with: metasense show FILE; here a .csv or .xlsx "
                    "table is wanted."
                )
            raise PanelsError(f"this is {words}, not a table. {remedy}", label)
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
