"""Tables in plain text: encodings, separators, quotation marks. Nothing is decoded into nonsense."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from metasense.tables.sheets import PanelsError, Problem, Sheet, blank_rows, laid_out

CHARACTERS = 131_072  # the most a cell of a text may hold
SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "upright bars"}
ENCODINGS = (  # byte-order mark, codec, words
    (b"\xef\xbb\xbf", "utf-8", "UTF-8 with a byte-order mark"),
    (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32"),
    (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32"),
    (b"\xff\xfe", "utf-16-le", "UTF-16"),
    (b"\xfe\xff", "utf-16-be", "UTF-16"),
)


def from_text(data: bytes, known: Callable[[str], bool], label: str) -> Sheet:
    notes: list[str] = []
    text, separator, hint = _divided(data, known, label, notes)
    if regular := _regular(text, separator, known, label, notes):
        return regular
    return laid_out(_rows(text, separator, hint, label), known, label, notes, separator)


def rows_of_text(data: bytes, known: Callable[[str], bool], label: str, notes: list[str]) -> tuple[list[Any], str]:
    """The rows of a text as they stand there, and what divides their cells."""
    text, separator, hint = _divided(data, known, label, notes)
    return _rows(text, separator, hint, label), separator


def _divided(data: bytes, known: Callable[[str], bool], label: str, notes: list[str]) -> tuple[str, str, bool]:
    """The text, what divides its cells, and whether its first line says so."""
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
    return text, separator, bool(hint)


def _rows(text: str, separator: str, hint: bool, label: str) -> list[Any]:
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
    return rows


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
    blank = blank_rows(columns, len(body))
    if blank.any() or len(body) != len(ends) - 1:
        return None
    return Sheet(headers, columns, range(2, len(body) + 2), label, notes, [])
