"""Turn cells as somebody typed them into typed columns, without guessing.

Each expected column is one line of a table (`Column`: its name, what it means, what kind of cell it holds, what else
people call it), and each kind (`whole`, `choice`, `date`, `text` ...) is one function from a cell to a value.
`check_table` matches headers to columns and applies the kinds. A cell that could mean two things ("1,000", "12/30", or
"03/04/2025" where no other date of the column shows which number is the day) is a problem with a remedy, never a silent
choice; a choice that is safe is a note. Every distinct cell is looked at once, so a million rows cost little more than
their distinct values.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from metasense.reading import PanelsError, Problem, Sheet, is_empty
from metasense.showing.words import listing

MOST = 2**53  # the largest count a spreadsheet keeps exactly
NOT_AVAILABLE = frozenset({"na", "n/a", "#n/a", "nan", "null", "<na>", "nat"})
NOT_KNOWN = NOT_AVAILABLE | {"-", "–", "—", "?", ".", "nil", "unknown", "missing"}
EXCEL_ERRORS = frozenset({"#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"})
SPACES = " \t\r\n\v\f\u00a0\u200b\u2007\u202f\u3000\ufeff"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)  # one thousand, or one and no thousandths
_GROUPED = re.compile(r"[+-]?\d{1,3}([.,' \u00a0\u202f’]\d{3})+([.,]\d+)?", re.ASCII)
_MONTHS: tuple[str, ...] = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
)
_MONTHS += ("november", "december")


class Wrong(Exception):
    """A cell that cannot be read. The message is for the user: what is there, and what to write."""


@dataclass
class Reading:
    """What holds while a column is read: is a comma the decimal mark, and which notes were earned by which cells.

    ``day_first`` says, by the mark between the numbers of a date, whether the day comes before the month, and which
    cell of the column shows it.
    """

    decimal_comma: bool = False
    day_first: dict[str, tuple[bool, str]] = field(default_factory=dict)
    earned: dict[str, list[str]] = field(default_factory=dict)

    def note(self, words: str, cell: object) -> None:
        self.earned.setdefault(words, []).append(repr(cell))

    def notes(self, header: str) -> list[str]:
        return [f"column {header!r}: {listing(cells, 4)} {words}." for words, cells in self.earned.items()]


Kind = Callable[[Any, Reading], Any]  # a cell to its value, None where missing; raises Wrong


@dataclass(frozen=True)
class Column:
    """One expected column: ``kind`` reads a cell, pandas keeps it as ``dtype``, ``aliases`` are its other headers."""

    name: str
    meaning: str
    kind: Kind
    dtype: str
    aliases: str = ""
    required: bool = False

    @property
    def other_names(self) -> tuple[str, ...]:
        return tuple(self.aliases.split())


def plain(header: object) -> str:
    """A header without what nobody remembers: case, spaces, hyphens, underscores, dots.

    Examples
    --------
    >>> plain(" Batch-Pair "), plain("false_alarms"), plain("No. correct")
    ('batchpair', 'falsealarms', 'nocorrect')
    """
    return "".join(c for c in unicodedata.normalize("NFKC", str(header)).casefold() if c.isalnum())


def is_known(columns: Sequence[Column]) -> Callable[[object], bool]:
    """A function that says whether a header is the name of one of `columns`, or another name for it."""
    names = {plain(column.name) for column in columns} | {name for column in columns for name in column.other_names}
    return lambda header: plain(header) in names


# --- kinds of cell --------------------------------------------------------------------------------------------------


def _tidy(cell: object) -> str:
    return unicodedata.normalize("NFC", str(cell)).strip(SPACES)


def _missing(cell: object, reading: Reading, words: frozenset[str] = NOT_KNOWN) -> bool:
    """Is the cell empty, or does it say in words that nothing is known?"""
    if is_empty(cell):
        return True
    if not isinstance(cell, str):
        return False
    word = _tidy(cell)
    if word.casefold() in words:
        reading.note("was read as missing", word)
        return True
    return not word


def _number(cell: object, reading: Reading, *, counting: bool = False) -> Decimal | float:
    """The number in a cell, exactly; raises Wrong if it is not one, or could be one of two."""
    if isinstance(cell, bool | np.bool_):
        raise Wrong(f"{str(cell).upper()} is not a number. Write the number")
    if isinstance(cell, int | np.integer):
        return Decimal(int(cell))
    if isinstance(cell, float | np.floating | Decimal):
        if not np.isfinite(float(cell)):
            raise Wrong(f"{cell} is not a finite number. Write the number")
        return cell if isinstance(cell, Decimal) else float(cell)
    if isinstance(cell, dt.date | dt.time | np.datetime64 | dt.timedelta):
        made = "a spreadsheet turns fractions such as 12/30 into dates. Format the cell as a number and type it again"
        raise Wrong(f"{cell} is a date or time; {made}")
    word = _tidy(cell)
    if _EITHER.fullmatch(word) and (counting or reading.decimal_comma != ("," in word)):
        whole_, part = word.replace(",", "").replace(".", ""), word.replace(",", ".").rstrip("0").rstrip(".")
        raise Wrong(f"{word!r} could be {whole_} or {part}. Write it without a separator of thousands")
    if _COMMA.fullmatch(word):
        reading.note("was read with a decimal comma", word)
        word = word.replace(",", ".")
    elif _GROUPED.fullmatch(word) and not _NUMBER.fullmatch(word):
        raise Wrong(f"{word!r} has separators of thousands. Write it without them")
    if not _NUMBER.fullmatch(word):
        if m := re.fullmatch(r"(\d+)\s*(?:/|of|out of)\s*(\d+)", word):
            raise Wrong(f"{word!r} is two numbers in one cell. Put {m[1]} and {m[2]} in columns of their own")
        if word.endswith("%"):
            raise Wrong(f"{word!r} is a percentage. Write the count itself" if counting else f"{word!r} has a % sign")
        if word in EXCEL_ERRORS:
            raise Wrong(f"{word} is an error of the spreadsheet. Correct the formula and save again")
        raise Wrong(f"{word[:60]!r} is not a number. Write it in digits")
    return Decimal(word)


def number(cell: object, reading: Reading) -> float | None:
    """Any number."""
    return None if _missing(cell, reading) else float(_number(cell, reading))


def whole(cell: object, reading: Reading) -> int | None:
    """A count: 0, 1, 2 ..., also written 30.0 or 1e9."""
    if _missing(cell, reading):
        return None
    value = _number(cell, reading, counting=True)
    shown = str(cell).strip()[:40]
    if value < 0:
        raise Wrong(f"{shown} is negative. A count is 0 or more")
    if value > MOST:
        raise Wrong(f"{shown} is too large for a count. Check the digits")
    if value != int(value):
        raise Wrong(f"{shown} is not a whole number. Write the count itself, not an average or a share")
    return int(value)


def label(cell: object, reading: Reading) -> str | None:
    """Words on one line that name a person or thing; NA is a name like any other."""
    word = _words(cell, reading)
    if word and re.search(r"[\x00-\x1f\x7f-\x9f]", word):
        raise Wrong(f"{word!r} holds a line break or control character. Write the name on one line")
    return word


def text(cell: object, reading: Reading) -> str | None:
    """Words, kept as written but for spaces around them."""
    return None if _missing(cell, reading, NOT_AVAILABLE) else _words(cell, reading)


def _words(cell: object, reading: Reading) -> str | None:
    if is_empty(cell):
        return None
    if not isinstance(cell, str):
        if isinstance(cell, float | np.floating) and np.isfinite(cell) and cell == int(cell):
            return str(int(cell))  # spreadsheets keep 7 as 7.0
        if isinstance(cell, dt.datetime | np.datetime64):
            return str(pd.Timestamp(cell)).removesuffix(" 00:00:00")
        if not isinstance(cell, int | float | np.number | np.bool_ | Decimal | dt.date | dt.time | dt.timedelta):
            raise Wrong(f"holds a {type(cell).__name__}. Write words or a number")
        return str(cell)
    word = _tidy(cell)
    if word != cell and word:
        reading.note("was written without the spaces around it, or with its accents joined", word)
    if word in EXCEL_ERRORS:
        raise Wrong(f"{word} is an error of the spreadsheet. Correct the formula and save again")
    unguarded = _GUARD.sub(r"\1", word)
    if unguarded != word:
        reading.note("was read without the apostrophe that keeps a spreadsheet from running it", unguarded)
    return unguarded or None


_GUARD = re.compile(r"(^|[;\t\r\n]\s*)'(?=\s*[=+\-@\uff1d\uff0b\uff0d\uff20])")


def choice(**ways: str) -> Kind:
    """One of a few words; ``choice(yes="y true 1", no="n false 0")`` lists the `plain` ways of writing each."""
    meaning = {way: word for word, others in ways.items() for way in (plain(word), *others.split())}

    def read(cell: object, reading: Reading) -> str | None:
        if is_empty(cell):
            return None
        if isinstance(cell, float | np.floating) and cell in (0, 1):
            cell = int(cell)
        word = meaning.get(plain(cell))
        if word is not None or _missing(cell, reading):
            return word
        close = difflib.get_close_matches(plain(cell), meaning, n=1)
        hint = f" Did you mean {meaning[close[0]]}?" if close else ""
        raise Wrong(f"{_tidy(cell)[:60]!r} is not one of {listing(ways)}.{hint}".rstrip("."))

    return read


_yes_or_no = choice(yes="y true 1", no="n false 0")


def yes_no(cell: object, reading: Reading) -> bool | None:
    """Yes or no, however written."""
    word = _yes_or_no(cell, reading)
    return None if word is None else word == "yes"


def date(cell: object, reading: Reading) -> dt.date | None:
    """A calendar day, if it can only be one day: by itself, or as the other dates of the column are written."""
    if _missing(cell, reading):
        return None
    if isinstance(cell, dt.datetime | np.datetime64):
        stamp = pd.Timestamp(cell)
        if stamp != stamp.normalize():
            reading.note("was read without the time of day", str(cell))
        return stamp.date()
    if isinstance(cell, dt.date):
        return cell
    word = re.sub(r"\s+", " ", _tidy(cell))
    remedy = "Write year-month-day, such as 2025-04-03"
    try:
        if m := _ISO.fullmatch(word):
            if m["time"]:
                reading.note("was read without the time of day", word)
            return dt.date(int(m["y"]), int(m["m"]), int(m["d"]))
        if m := re.fullmatch(r"((?:19|20)\d{2})(\d{2})(\d{2})", word, re.ASCII):
            return dt.date(int(m[1]), int(m[2]), int(m[3]))
        if m := _DAY_AND_MONTH.fullmatch(word):
            a, b, year = int(m[1]), int(m[3]), int(m[4])
            if a <= 12 and b <= 12 and a != b:
                if m[2] not in reading.day_first:
                    raise Wrong(f"{word!r} could be {dt.date(year, b, a)} or {dt.date(year, a, b)}. {remedy}")
                day_first, shown = reading.day_first[m[2]]
                first = "day" if day_first else "month"
                reading.note(f"was read with the {first} first, as {shown!r} in the same column must be", word)
                return dt.date(year, b, a) if day_first else dt.date(year, a, b)
            return dt.date(year, b, a) if b <= 12 else dt.date(year, a, b)
        if m := _IN_WORDS.fullmatch(word):
            short = (m["month"] or m["month2"]).casefold()
            months = [i for i, name in enumerate(_MONTHS, 1) if name.startswith(short) or (short, i) == ("sept", 9)]
            if len(months) == 1:
                return dt.date(int(m["year"]), months[0], int(m["day"] or m["day2"]))
    except ValueError:
        raise Wrong(f"{word!r} is not a day of the calendar. {remedy}") from None
    raise Wrong(f"{word[:60]!r} is not a date that can be read without guessing. {remedy}")


_DAY_AND_MONTH = re.compile(r"(\d{1,2})([-/. ])(\d{1,2})\2(\d{4})", re.ASCII)
_ISO = re.compile(
    r"(?P<y>\d{4})([-/.])(?P<m>\d{1,2})\2(?P<d>\d{1,2})"
    r"([T ]0?0:00(:00(\.0+)?)?|(?P<time>[T ]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?Z| ?[+-]\d{2}:?\d{2})?))?",
    re.ASCII,
)
_IN_WORDS = re.compile(
    r"(?:(?P<day>\d{1,2})(?:st|nd|rd|th)?[ .-]*(?P<month>[a-z]{3,9})"
    r"|(?P<month2>[a-z]{3,9})[ .-]*(?P<day2>\d{1,2})(?:st|nd|rd|th)?)[ .,-]+(?P<year>\d{4})",
    re.ASCII | re.IGNORECASE,
)


def _day_first(cells: Sequence[object]) -> dict[str, tuple[bool, str]]:
    """By the mark between the numbers: does the day come first, and a cell that shows it; only where all agree."""
    shown: dict[str, dict[bool, str]] = {}
    for cell in cells:
        if isinstance(cell, str) and (m := _DAY_AND_MONTH.fullmatch(re.sub(r"\s+", " ", _tidy(cell)))):
            a, b = int(m[1]), int(m[3])
            if (a > 12) != (b > 12):
                shown.setdefault(m[2], {}).setdefault(a > 12, m[0])
    return {mark: next(iter(ways.items())) for mark, ways in shown.items() if len(ways) == 1}


# --- the table ------------------------------------------------------------------------------------------------------


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
        for i, row in zip(where.tolist(), rows.iloc[where].to_dict("records"), strict=True):
            self.add(i, words.format(**{**row, "value": row.get(column), **more}), column, row.get(column))

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
        panel = self.frame["panel"].iloc[position] if "panel" in self.frame else pd.NA
        if value is None and column in self.place:  # the cell as it was
            value = self.sheet.columns[self.place[column]].iloc[position]
        self.found.append((position, Problem(
            message,
            self.sheet.rows[position],
            None if pd.isna(panel) else str(panel),
            self.heads.get(column or "", column),
            value,
            self.sheet.word,
        )))  # fmt: skip

    def raise_any(self, wanted: str) -> None:
        """Raise all problems, those of the table first and then row by row; `wanted` says what an empty table lacks."""
        found = [problem for _, problem in sorted(self.found, key=lambda item: item[0])]
        problems = sorted([*self.sheet.problems, *found], key=lambda problem: problem.row is not None)
        if not problems and not len(self.frame):
            problems = [Problem(f"the table has a header but no rows. {wanted}.")]
        if self.sheet.advice and any(problem.row is None for problem in problems):
            problems = [Problem(self.sheet.advice), *problems]
        if problems:
            raise PanelsError(problems, self.sheet.source)


def distinct(cells: Any) -> tuple[np.ndarray, list[Any]]:
    """Each cell's place in the list of distinct cells, and that list; True, 1 and "1" stay apart, missing is None.

    Examples
    --------
    >>> distinct(["a", "b", "a", None])
    (array([0, 1, 0, 2]), ['a', 'b', None])
    """
    series = pd.Series(cells)
    if series.dtype == object and pd.api.types.infer_dtype(series, skipna=True) not in ("string", "empty"):
        places: dict[tuple[type, Any], int] = {}
        codes = np.empty(len(series), np.intp)
        values: list[Any] = []
        for i, cell in enumerate(series):
            try:
                key = (type(cell), cell)
                place = places.get(key)
            except TypeError:  # a list, or another thing that cannot be a key
                key = (type(cell), str(cell))
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


def combined(*columns: Any) -> tuple[np.ndarray, list[tuple]]:
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
    return pd.Series(pd.array([*values, None], dtype=dtype).take(codes))


def check_table(sheet: Sheet, columns: Sequence[Column], *, keep_empty: bool = True) -> Checked:
    """Match headers to `columns`, read their cells, and keep every other column as words or numbers.

    Columns that are not there are missing throughout, or with `keep_empty` false are left out.
    """
    n = len(sheet.rows)
    checked = Checked(pd.DataFrame(index=range(n)), sheet, {}, (), list(sheet.notes), [], {})
    extra = _matched(checked, columns)
    cells = {j: distinct(sheet.columns[j]) for j in [*checked.place.values(), *extra]}
    comma = any(_shows_decimal_comma(value) for _, values in cells.values() for value in values)
    data: dict[str, pd.Series] = {}
    wrong: list[tuple[np.ndarray, dict[int, str], str]] = []

    def read(j: int, kind: Kind, dtype: str, column: str) -> None:
        places, values = cells[j]
        reading, out, messages = Reading(comma, _day_first(values) if kind is date else {}), [], {}
        for i, value in enumerate(values):
            try:
                out.append(kind(value, reading))
            except Wrong as error:
                out.append(None)
                messages[i] = f"{error}."
        checked.notes.extend(reading.notes(sheet.headers[j]))
        data[column] = column_of(places, out, dtype)
        wrong.append((places, messages, column))

    for column in columns:
        if column.name in checked.place:
            read(checked.place[column.name], column.kind, column.dtype, column.name)
        elif keep_empty or column.required:
            data[column.name] = column_of(np.zeros(n, int), [None], column.dtype)
    for j in extra:
        read(j, *_kind_of(cells[j][1], sheet.headers[j], comma, checked.notes), sheet.headers[j])
    checked.place |= {sheet.headers[j]: j for j in extra}
    checked.frame = pd.DataFrame(data, index=range(n))
    for places, messages, column_name in wrong:
        checked.report_each(places, messages, column_name)
    return checked


def _matched(checked: Checked, columns: Sequence[Column]) -> list[int]:
    """Find which header is which column, say which other names were used; the places of the other headers."""
    heads = checked.sheet.headers
    keys = [plain(header) for header in heads]
    place = checked.place
    taken: list[int] = []
    for column in columns:
        own = [j for j, key in enumerate(keys) if key == plain(column.name)]
        found = own or [j for j, key in enumerate(keys) if key in column.other_names]
        if len(found) > 1:
            words = listing(repr(heads[j]) for j in found)
            checked.add(-1, f"columns {words} could each be {column.name!r} ({column.meaning}). Keep or rename one.")
        if found:
            place[column.name] = found[0]
            taken += found
    renamed = [f"{heads[j]!r} as {name!r}" for name, j in place.items() if keys[j] != plain(name)]
    if renamed:
        checked.notes.append(f"columns read under another name: {listing(renamed)}.")
    extra = [j for j in range(len(heads)) if j not in taken and _has_header(checked, j)]
    for j in extra:
        if keys[j] in (keys[i] for i in extra if i < j):
            checked.add(-1, f"more than one column is called {heads[j]!r}. Rename or remove all but one.")
    checked.extras = tuple(dict.fromkeys(heads[j] for j in extra))
    for column in columns:
        if column.required and column.name not in place:
            checked.add(-1, no_column(checked, column))
    absent = {plain(column.name): column.name for column in columns if column.name not in place}
    near = {j: difflib.get_close_matches(keys[j], absent, n=1, cutoff=0.8) for j in extra}
    unsure = [
        f"{heads[j]!r} (not read as {absent[close[0]]!r}: rename it if it is)" for j, close in near.items() if close
    ]
    if extra:
        checked.notes.append(f"kept as possible moderators: {listing(repr(heads[j]) for j in extra)}.")
    if unsure:
        checked.notes.append(f"perhaps misspelt: {listing(unsure)}.")
    return [j for j in extra if keys[j] not in (keys[i] for i in extra if i < j)]


def _has_header(checked: Checked, j: int) -> bool:
    """Has column j a header? Without one it must be empty, or only number the rows."""
    sheet = checked.sheet
    if sheet.headers[j] and not re.fullmatch(r"Unnamed: \d+", sheet.headers[j]):
        return True
    filled = [i for i, cell in enumerate(sheet.columns[j]) if not is_empty(cell)]
    if not filled:
        return False
    if j == 0 and [str(cell) for cell in sheet.columns[0]] == [str(i) for i in range(len(sheet.rows))]:
        checked.notes.append("the first column has no header and only numbers the rows; it was left out.")
        return False
    first = f"{sheet.columns[j].iloc[filled[0]]!r} in {sheet.word} {sheet.rows[filled[0]]}"
    remedy = "Name the column or clear it; split a header merged over several cells"
    checked.add(-1, f"column {j + 1} has no header but holds values, the first {first}. {remedy}.")
    return False


def no_column(checked: Checked, column: Column, why: str = "") -> str:
    """Words for a column that is missing, with the header that comes nearest."""
    used = {
        head for name, head in checked.heads.items() if name not in ("hits", *checked.extras)
    }  # hits may be correct
    free = {plain(head): head for head in checked.sheet.headers if head not in used}
    near = [key for name in (plain(column.name), *column.other_names) if len(name) > 2
            for key in difflib.get_close_matches(name, free, n=1, cutoff=0.7)]  # fmt: skip
    near += ["hits"] if column.name == "correct" and "hits" in free else []
    hint = f" If {free[near[0]]!r} is it, rename it." if near else ""
    heads = listing([repr(head) for head in checked.sheet.headers if head], 20)
    return f"there is no column {column.name!r} ({column.meaning}){why}.{hint} The columns are {heads}."


def _shows_decimal_comma(cell: object) -> bool:
    """Can the cell only be a number with a decimal comma: 1,5 or 0,250 but not 1,000?"""
    if not isinstance(cell, str) or "," not in cell:
        return False
    word = _tidy(cell)
    return bool(_COMMA.fullmatch(word)) and not _EITHER.fullmatch(word)


def _kind_of(values: Sequence[Any], header: str, comma: bool, notes: list[str]) -> tuple[Kind, str]:
    """How to read a column nobody announced: as true/false or numbers if every cell is one, as words otherwise."""
    trial = Reading(comma)
    filled = [value for value in values if not _missing(value, trial)]
    if filled and all(str(value).strip().casefold() in ("true", "false") for value in filled):
        return yes_no, "boolean"
    numeric = [isinstance(v, int | float | np.number | Decimal) or _looks_numeric(_tidy(v)) for v in filled]
    if filled and all(numeric) and not any(re.fullmatch(r"0\d+", str(value).strip()) for value in filled):
        return number, "Float64"
    if 2 * sum(numeric) > len(filled) > sum(numeric):
        odd = next(value for value, is_number in zip(filled, numeric, strict=True) if not is_number)
        notes.append(f"column {header!r} was kept as words, because of {_tidy(odd)!r}; correct it if it holds numbers.")
    return text, "string"


@cache
def _looks_numeric(word: str) -> bool:
    return any(pattern.fullmatch(word) for pattern in (_NUMBER, _COMMA, _GROUPED))
