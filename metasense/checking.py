"""Turn cells as somebody typed them into typed columns, without guessing.

Each expected column is one line of a table (`Column`: its name, what it means, what kind of cell it holds, what else people call it), and
each kind (`whole`, `choice`, `date`, `text`) is one function from a cell to a value. `check_table` matches headers to columns and applies
the kinds. A cell that could mean two things ("1,000", "03/04/2025", "12/30") is a problem with a remedy, never a silent choice; a choice
that is safe is a note. Every distinct cell is looked at once, so a million rows cost little more than their distinct values.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from metasense.reading import Problem, Sheet, listing

MOST = 2**53  # the largest count a spreadsheet keeps exactly
MISSING_WORDS = frozenset({"na", "n/a", "nan", "null", "nil", "-", "–", "—", "?", ".", "unknown", "missing", "<na>", "nat"})
EXCEL_ERRORS = frozenset({"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"})
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,4})?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}([.,' \u00a0\u202f’]\d{3})+([.,]\d+)?", re.ASCII)


class _Wrong(Exception):
    """A cell that cannot be read; the message is for the user."""


@dataclass
class Reading:
    """What applies to the whole table while its cells are read: is a comma a decimal mark, and which notes were earned."""

    decimal_comma: bool = False
    seen: dict[str, list[str]] = field(default_factory=dict)  # note -> examples

    def note(self, words: str, example: str) -> None:
        self.seen.setdefault(words, []).append(example)

    def notes(self, where: str) -> list[str]:
        return [f"{where}{words.format(listing(examples, 4))}" for words, examples in self.seen.items()]


Kind = Callable[[Any, Reading], Any]  # a cell to its value, None where missing; raises _Wrong


@dataclass(frozen=True)
class Column:
    """One expected column: ``kind`` reads a cell, ``dtype`` is what pandas keeps, ``aliases`` are other headers for it."""

    name: str
    meaning: str
    kind: Kind
    dtype: str
    aliases: tuple[str, ...] = ()
    required: bool = False


@dataclass(frozen=True, eq=False)
class Checked:
    """A table with typed columns: the expected ones first, then the extra ones, named in `extras`."""

    frame: pd.DataFrame
    rows: Sequence[object]
    heads: dict[str, str]  # column -> header as the user wrote it
    extras: tuple[str, ...]
    notes: list[str]
    problems: list[Problem]


def plain(header: object) -> str:
    """A header without what nobody remembers: case, accents of form, spaces, hyphens, underscores, dots.

    Examples
    --------
    >>> plain(" Batch-Pair "), plain("false_alarms"), plain("N")
    ('batchpair', 'falsealarms', 'n')
    """
    return "".join(c for c in unicodedata.normalize("NFKC", str(header)).casefold() if c.isalnum())


# --- kinds of cell ----------------------------------------------------------------------------------------------------------------------


def _trimmed(cell: object) -> str:
    return unicodedata.normalize("NFC", str(cell)).strip(" \t\r\n\v\f\u00a0\u200b\u2007\u202f\u3000\ufeff")


def _blank(cell: object, reading: Reading) -> bool:
    """Is the cell empty, or does it say that nothing is known?"""
    if cell is None or cell is pd.NaT or cell is pd.NA or (isinstance(cell, float) and cell != cell):
        return True
    if not isinstance(cell, str):
        return False
    word = _trimmed(cell)
    if word.casefold() in MISSING_WORDS:
        reading.note("{} read as missing.", repr(word))
        return True
    return not word


def _number(cell: object, reading: Reading) -> Decimal | float:
    """The number in a cell; Decimal from text, so that nothing is rounded."""
    if isinstance(cell, bool | np.bool_):
        raise _Wrong(f"{str(cell).upper()} is not a number. Write the number")
    if isinstance(cell, int | np.integer):
        return Decimal(int(cell))
    if isinstance(cell, float | np.floating):
        if not np.isfinite(cell):
            raise _Wrong("is infinite. Write the number")
        return float(cell)
    if isinstance(cell, Decimal):
        if not cell.is_finite():
            raise _Wrong("is not a finite number. Write the number")
        return cell
    if isinstance(cell, dt.date | dt.time | np.datetime64 | dt.timedelta):
        raise _Wrong(f"is a date ({cell}); a spreadsheet may have made one of a fraction such as 12/30. Format the cell as a number and type it again")
    text = _trimmed(cell)
    if _THOUSANDS.fullmatch(text) and not (reading.decimal_comma and re.fullmatch(r"[+-]?0,\d+", text)):
        joined, parted = re.sub(r"[^\d+-]", "", text), re.sub(r"[^\d+-]", ".", text)
        reading_of = f"either {joined} or {parted}" if parted.count(".") == 1 and re.search("[.,]", text) else "a number with thousands marked"
        raise _Wrong(f"{text!r} is {reading_of}. Write it without a thousands separator")
    if _COMMA_NUMBER.fullmatch(text):
        if not reading.decimal_comma:
            raise _Wrong(f"{text!r} has a comma where a point is expected. Write {text.replace(',', '.')}")
        reading.note("a decimal comma was read in {}.", repr(text))
        text = text.replace(",", ".")
    if not _NUMBER.fullmatch(text):
        if re.fullmatch(r"\d+\s*(/|of|out of)\s*\d+", text):
            top, bottom = re.findall(r"\d+", text)
            raise _Wrong(f"{text!r} is two numbers in one cell. Put {top} and {bottom} in columns of their own")
        if text.endswith("%"):
            raise _Wrong(f"{text!r} is a percentage. Write the count itself")
        if text in EXCEL_ERRORS:
            raise _Wrong(f"{text!r} is an error of the spreadsheet. Correct the formula and save again")
        raise _Wrong(f"{text!r} is not a number. Write digits only")
    return Decimal(text)


def whole(cell: object, reading: Reading) -> int | None:
    """A count: 0, 1, 2 ..., also written 30.0 or 1e9."""
    if _blank(cell, reading):
        return None
    value = _number(cell, reading)
    if value < 0:
        raise _Wrong(f"{cell} is negative; a count cannot be. Write 0 or more")
    if value > MOST:
        raise _Wrong(f"{str(cell)[:40]} is too large for a count")
    if value != int(value):
        raise _Wrong(f"{cell} is not a whole number; a count must be. Write the count itself, not an average or a share")
    return int(value)


def text(cell: object, reading: Reading) -> str | None:
    """Words, kept as written but for spaces around them."""
    if cell is None or cell is pd.NaT or cell is pd.NA or (isinstance(cell, float) and cell != cell):
        return None
    if isinstance(cell, float | np.floating) and cell == int(cell) if isinstance(cell, float | np.floating) and np.isfinite(cell) else False:
        return str(int(cell))
    if isinstance(cell, dt.datetime | np.datetime64):
        return str(pd.Timestamp(cell)).removesuffix(" 00:00:00")
    word = _trimmed(cell)
    if isinstance(cell, str):
        if word in EXCEL_ERRORS:
            raise _Wrong(f"{word!r} is an error of the spreadsheet. Correct the formula and save again")
        if re.match(r"'[=+\-@\t\r]", word):
            word = word[1:]
            reading.note("the apostrophe that guards {} from being run as a formula was left out.", repr(word))
        elif word and word != cell:
            reading.note("spaces around, or split accents in, {} were tidied.", repr(word))
    return word or None


def name(cell: object, reading: Reading) -> str | None:
    """Words that name a thing, on one line."""
    word = text(cell, reading)
    if word and any(unicodedata.category(c) == "Cc" for c in word):
        raise _Wrong(f"{word!r} holds a line break or a control character. Write the name on one line")
    return word


def choice(**meanings: Iterable[object]) -> Kind:
    """One of a few words; ``choice(yes=("y", True), no=("n", False))`` lists the ways of writing each."""
    ways = {plain(way): word for word, others in meanings.items() for way in (word, *others)}

    def read(cell: object, reading: Reading) -> str | None:
        if isinstance(cell, float | np.floating) and cell == cell and np.isfinite(cell) and cell == int(cell):
            cell = int(cell)
        key = plain(cell) if cell is not None else ""
        if key in ways:
            return ways[key]
        if _blank(cell, reading):
            return None
        close = difflib.get_close_matches(key, ways, n=1)
        hint = f" (did you mean {ways[close[0]]!r}?)" if close else ""
        raise _Wrong(f"{_trimmed(cell)!r} is not one of {listing(meanings)}{hint}")

    return read


_YES = dict(yes=("y", "true", 1), no=("n", "false", 0))


def yes_no(cell: object, reading: Reading) -> bool | None:
    """Yes or no, however written."""
    word = _yes_no(cell, reading)
    return None if word is None else word == "yes"


_yes_no = choice(**_YES)


def date(cell: object, reading: Reading) -> dt.date | None:
    """A calendar day that can only be one day."""
    if _blank(cell, reading):
        return None
    if isinstance(cell, np.datetime64 | dt.datetime):
        stamp = pd.Timestamp(cell)
        if stamp != stamp.normalize():
            reading.note("the time of day was left out of {}.", repr(str(cell)))
        return stamp.date()
    if isinstance(cell, dt.date):
        return cell
    word = re.sub(r"\s+", " ", _trimmed(cell))
    remedy = "Write it as year-month-day, such as 2025-04-03"
    try:
        if m := re.fullmatch(r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})([T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?Z| ?[+-]\d{2}:?\d{2})?)?", word, re.ASCII):
            if m[5] and not re.fullmatch(r"[T ]00?:00(:00(\.0+)?)?", m[5]):
                reading.note("the time of day was left out of {}.", repr(word))
            return dt.date(int(m[1]), int(m[3]), int(m[4]))
        if m := re.fullmatch(r"((?:19|20)\d{2})(\d{2})(\d{2})", word, re.ASCII):
            return dt.date(int(m[1]), int(m[2]), int(m[3]))
        if m := re.fullmatch(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4})", word, re.ASCII):
            first, second, year = map(int, m.groups())
            if first <= 12 and second <= 12 and first != second:
                raise _Wrong(f"{word!r} could be {dt.date(year, second, first)} or {dt.date(year, first, second)}. {remedy}")
            return dt.date(year, second, first) if second <= 12 else dt.date(year, first, second)
        if m := re.fullmatch(r"(?:(\d{1,2})(?:st|nd|rd|th)?[ .-]*([A-Za-z]{3,9})|([A-Za-z]{3,9})[ .-]*(\d{1,2})(?:st|nd|rd|th)?)[ .,-]+(\d{4})", word):
            month = (m[2] or m[3]).casefold()
            found = [i for i, long in enumerate(_MONTHS, 1) if long.startswith(month) or month == "sept" == long[:4]]
            if len(found) == 1:
                return dt.date(int(m[5]), found[0], int(m[1] or m[4]))
    except ValueError as error:
        raise _Wrong(f"{word!r} is not a day of the calendar ({error}). {remedy}") from None
    raise _Wrong(f"{word!r} is not a date that can be read without guessing. {remedy}")


_MONTHS = "january february march april may june july august september october november december".split()


# --- the table --------------------------------------------------------------------------------------------------------------------------


def distinct(cells: Any) -> tuple[np.ndarray, list[Any]]:
    """Each cell's place in the list of distinct cells, and that list; True, 1 and "1" are kept apart, missing is None."""
    series = pd.Series(cells)
    if series.dtype == object and pd.api.types.infer_dtype(series, skipna=True) not in ("string", "empty"):
        keys: dict[tuple[type, Any], int] = {}
        codes = np.empty(len(series), np.intp)
        for i, cell in enumerate(series.array):
            try:
                codes[i] = keys.setdefault((type(cell), cell), len(keys))
            except TypeError:  # a list or another thing that cannot be a key
                codes[i] = keys.setdefault((type(cell), str(cell)), len(keys))
        return codes, [cell for _, cell in keys]
    codes, found = pd.factorize(series)
    values = list(found)
    if len(codes) and codes.min() < 0:
        codes = np.where(codes < 0, len(values), codes)
        values.append(None)
    return codes, values


def read_cells(cells: Any, kind: Kind, reading: Reading) -> tuple[np.ndarray, dict[int, str], list[Any]]:
    """Values of a column as an object array, the message of each row that cannot be read, and the distinct values."""
    codes, values = distinct(cells)
    out = np.empty(len(values), object)
    wrong: dict[int, str] = {}
    for i, value in enumerate(values):
        try:
            out[i] = kind(value, reading)
        except _Wrong as error:
            wrong[i] = f"{error}."
    bad = {}
    if wrong:
        bad = {int(row): wrong[int(codes[row])] for row in np.flatnonzero(np.isin(codes, list(wrong)))}
    return out[codes] if len(out) else np.empty(len(codes), object), bad, values


def check_table(sheet: Sheet, columns: Sequence[Column]) -> Checked:
    """Match headers to `columns`, read their cells, and keep every other column as found.

    Problems are collected, not raised: the caller adds what only it can know and raises them together.
    """
    notes, problems = list(sheet.notes), list(sheet.problems)
    place, extra = _match(sheet, columns, notes, problems)
    data: dict[str, pd.Series] = {}
    heads: dict[str, str] = {}
    reading_comma = _has_decimal_comma(sheet)
    n = len(sheet.rows)
    bad_cells: list[tuple[int, str, str, Any]] = []  # row, header, message, cell
    for column in columns:
        if column.name not in place:
            data[column.name] = pd.Series(pd.NA, index=range(n), dtype=column.dtype)
            continue
        j = place[column.name]
        heads[column.name] = sheet.headers[j]
        reading = Reading(reading_comma)
        values, bad, _ = read_cells(sheet.columns[j], column.kind, reading)
        notes += reading.notes(f"column {sheet.headers[j]!r}: ")
        bad_cells += [(row, sheet.headers[j], message, sheet.columns[j].iloc[row]) for row, message in bad.items()]
        data[column.name] = pd.Series(values, dtype=column.dtype)
    for j in extra:
        header = sheet.headers[j]
        reading = Reading(reading_comma)
        series, bad = _extra(sheet.columns[j], header, reading, notes)
        notes += reading.notes(f"column {header!r}: ")
        bad_cells += [(row, header, message, sheet.columns[j].iloc[row]) for row, message in bad.items()]
        data[header] = series
        heads[header] = header
    frame = pd.DataFrame(data, index=range(n)) if data else pd.DataFrame(index=range(n))
    names = frame["panel"] if "panel" in frame else None
    for row, header, message, cell in sorted(bad_cells, key=lambda item: item[0]):
        panel = None if names is None or pd.isna(names[row]) else str(names[row])
        problems.append(Problem(message, sheet.rows[row], panel, header, cell))
    return Checked(frame, sheet.rows, heads, tuple(sheet.headers[j] for j in extra), notes, problems)


def _match(sheet: Sheet, columns: Sequence[Column], notes: list[str], problems: list[Problem]) -> tuple[dict[str, int], list[int]]:
    """Which header is which column; the positions of the others. Says which aliases were used."""
    keys = [plain(header) for header in sheet.headers]
    place: dict[str, int] = {}
    for column in columns:
        own = [j for j, key in enumerate(keys) if key == plain(column.name)]
        others = [j for j, key in enumerate(keys) if key in column.aliases]
        found = own or others
        if len(found) > 1:
            words = listing(repr(sheet.headers[j]) for j in found)
            problems.append(Problem(f"columns {words} could all be {column.name!r} ({column.meaning}). Rename or remove all but one."))
        if found:
            place[column.name] = found[0]
            if not own:
                notes.append(f"column {sheet.headers[found[0]]!r} was read as {column.name!r}.")
    used = set(place.values())
    extra: list[int] = []
    for j, header in enumerate(sheet.headers):
        if j in used:
            continue
        cells = sheet.columns[j]
        filled = [i for i, cell in enumerate(cells) if not (cell is None or (isinstance(cell, str) and not cell.strip()) or cell is pd.NA)]
        if header and not re.fullmatch(r"Unnamed: \d+", header):
            extra.append(j)
        elif filled and (j > 0 or [str(cell) for cell in cells] != [str(i) for i in range(len(cells))]):
            problems.append(Problem(
                f"column {j + 1} has no header but holds values, the first {cells.iloc[filled[0]]!r}. Name the column or clear it; a "
                "header merged over several cells must be unmerged.", sheet.rows[filled[0]], value=cells.iloc[filled[0]]))  # fmt: skip
        elif filled:
            notes.append("the first column has no header and only numbers the rows; it was left out.")
    repeated = [header for header, times in Counter(keys[j] for j in extra).items() if times > 1]
    for key in repeated:
        words = listing(repr(sheet.headers[j]) for j in extra if keys[j] == key)
        problems.append(Problem(f"columns {words} have the same name. Rename or remove all but one."))
    missing = [column for column in columns if column.required and column.name not in place]
    free = {keys[j]: sheet.headers[j] for j in extra}
    for column in missing:
        problems.append(no_column(column, free, sheet.headers))
    known = {plain(column.name): column.name for column in columns if column.name not in place}
    for j in extra:
        close = difflib.get_close_matches(keys[j], known, n=1, cutoff=0.8)
        hint = f" (not read as {known[close[0]]!r}; rename it if it is)" if close else ""
        notes.append(f"column {sheet.headers[j]!r} was kept as a possible moderator{hint}.")
    if repeated:  # keep the first of each, so that the rest can still be checked
        extra = list({keys[j]: j for j in reversed(extra)}.values())[::-1]
    return place, extra


def no_column(column: Column, free: dict[str, str], headers: Sequence[str]) -> Problem:
    """The problem of a missing column, naming the header that comes nearest."""
    close = difflib.get_close_matches(plain(column.name), free, n=1, cutoff=0.6)
    if not close:
        close = [key for alias in column.aliases for key in difflib.get_close_matches(alias, free, n=1, cutoff=0.8)]
    hint = f" If {free[close[0]]!r} is it, rename it." if close else ""
    return Problem(f"there is no column {column.name!r} ({column.meaning}).{hint} The columns are {listing(map(repr, headers), 20)}.")


def _has_decimal_comma(sheet: Sheet) -> bool:
    """Does any cell show that a comma is the decimal mark: 1,5 or 0,25, not 1,000?"""
    for cells in sheet.columns:
        if cells.dtype != object:
            continue
        for cell in distinct(cells)[1]:
            if isinstance(cell, str) and "," in cell and _COMMA_NUMBER.fullmatch(word := _trimmed(cell)):
                if not _THOUSANDS.fullmatch(word) or re.match(r"[+-]?0,", word):
                    return True
    return False


def _extra(cells: Any, header: str, reading: Reading, notes: list[str]) -> tuple[pd.Series, dict[int, str]]:
    """A column nobody announced: numbers if every cell is one, true/false likewise, words otherwise."""
    codes, values = distinct(cells)
    trial = Reading(reading.decimal_comma)
    filled = [value for value in values if not _blank(value, trial)]
    if filled and all(isinstance(value, bool | np.bool_) or str(value).strip().casefold() in ("true", "false") for value in filled):
        read: Kind = lambda cell, r: None if _blank(cell, r) else str(cell).strip().casefold() == "true"  # noqa: E731
        dtype = "boolean"
    else:
        numbers = [value for value in filled if _is_number(value, trial)]
        padded = any(isinstance(value, str) and re.fullmatch(r"0\d+", value.strip()) for value in filled)
        if filled and len(numbers) == len(filled) and not padded:
            read, dtype = (lambda cell, r: None if _blank(cell, r) else float(_number(cell, r))), "Float64"
        else:
            read, dtype = text, "string"
            unclear = [value for value in filled if isinstance(value, str) and _THOUSANDS.fullmatch(_trimmed(value))]
            if unclear and all(_is_number(value, trial) or value in unclear for value in filled):
                read = lambda cell, r: None if _blank(cell, r) else float(_number(cell, r))  # noqa: E731
                dtype = "Float64"
            elif len(numbers) * 2 > len(filled):
                odd = next(value for value in filled if value not in numbers)
                notes.append(f"column {header!r} was kept as words, because of {_trimmed(odd)!r}; correct it if the column is numeric.")
    out, bad, _ = read_cells(cells, read, reading)
    return pd.Series(out, dtype=dtype), bad


def _is_number(cell: object, reading: Reading) -> bool:
    try:
        value = float(_number(cell, reading))
    except _Wrong:
        return False
    return bool(np.isfinite(value))
