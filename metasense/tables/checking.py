"""Turn cells as somebody typed them into typed columns, without guessing.

Each expected column is one line of a table (`Column`: its name, what it means, what kind of cell it holds, what else
people call it), and each kind (`whole`, `choice`, `date`, `text` ...) is one function from a cell to a value.
`check_table` matches headers to columns and applies the kinds. A cell that could mean two things ("1,000", "12/30", or
"03/04/2025" where no other date of the column shows which number is the day) is a problem with a remedy, never a silent
choice; a choice that is safe is a note. No sign is ever dropped: ``-1``, ``1?`` and ``% correct`` are not ``1`` and
``correct``. Every distinct cell is looked at once, so a million rows cost little more than their distinct values.

Rows that the table itself says are left out (`LEFT_OUT`, or words such as "left out: cold" under incident) are taken
out before anything else is read, and said.
"""

from __future__ import annotations

import datetime as dt
import difflib
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from fractions import Fraction
from functools import cache, lru_cache
from string import Formatter
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.opening import PanelsError, Problem, Sheet, is_empty


def among(words: str) -> frozenset[str]:
    """The words of a list written in a line."""
    return frozenset(words.split())


FEW = 64
MOST = 2**53  # the largest count a spreadsheet keeps exactly
LARGEST = 10**308  # the largest whole number that a number with decimals can be
SMALL = 10  # beside whole numbers below this, 1.250 can only be one and a quarter
NOT_AVAILABLE = frozenset({"na", "n/a", "n.a.", "n.a", "n. a.", "#n/a", "nan", "null", "<na>", "nat"})
NOT_KNOWN = NOT_AVAILABLE | among("- -- --- – — ― − _ __ ? ?? ??? . .. ... … nil unknown missing")
NO_ANSWER = among(  # ways to say that somebody gave none, as `plain` writes them
    "none refused refuses refusal refuse noanswer noanswers noresponse unanswered notanswered didnotanswer nothing "
    "skip skips skipped decline declined pass passed spilled spilt spill dropped droppedout absent notserved noshow "
    "didnotcome withdrawn withdrew void blank empty don'tknow don’tknow dontknow dk cancelled canceled"
)
EXCEL_ERRORS = frozenset({"#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"})
SPACES = " \t\r\n\v\f\u00a0\u200b\u2007\u202f\u3000\ufeff"
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)  # one thousand, or one and no thousandths
_GROUPED = re.compile(r"[+-]?\d{1,3}([.,' \u00a0\u202f’]\d{3})+([.,]\d+)?", re.ASCII)
_INFINITE = re.compile(r"[+-]?(inf|infinity|∞)", re.IGNORECASE)
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
    """What holds while a column is read, and which notes were earned by which cells.

    ``marks`` says of a point or comma whether it divides off decimals (True) or thousands (False), and which cell of
    the column shows it. ``percent`` says that every number of the column has a % sign, ``gravities`` that
    all are specific gravities near 1. ``day_first`` says, by the mark
    between the numbers of a date, whether the day comes before the month, and which cell shows it.
    """

    marks: dict[str, tuple[bool, str]] = field(default_factory=dict)
    percent: bool = False
    gravities: bool = False
    day_first: dict[str, tuple[bool, str]] = field(default_factory=dict)
    earned: dict[str, list[str]] = field(default_factory=dict)

    @classmethod
    def of(cls, values: Sequence[Any], kind: Kind) -> Reading:
        """What the cells of a column show about one another; each column speaks for itself alone."""
        if kind is date:
            marks, mixed = _day_first(values)
            reading = cls(day_first=marks)
            for cell in mixed:
                reading.note("have day and month in different orders, each read in the only way it can be", cell)
            return reading
        if kind is number:
            return cls(marks=_marks(values), percent=_all_percent(values))
        return cls()

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
    of: str = ""  # for a count: the column it is a part of, so that a share of that can be turned into it

    @property
    def other_names(self) -> tuple[str, ...]:
        return tuple(self.aliases.split())

    @property
    def counted(self) -> bool:
        """Does it hold counts?"""
        return self.kind is whole


def plain(header: object) -> str:
    """A header or word without what nobody remembers: case, spaces, and hyphens, underscores, dots between words.

    Nothing else is dropped: a sign, a bracket or a question mark can turn the meaning round.

    Examples
    --------
    >>> plain(" Batch-Pair "), plain("false_alarms"), plain("No. correct"), plain("Correct:")
    ('batchpair', 'falsealarms', 'nocorrect', 'correct')
    >>> plain("% correct"), plain("-A"), plain("1?"), plain("≠ correct")
    ('%correct', '-a', '1?', '≠correct')
    """
    return _plain(str(header))


@lru_cache(maxsize=65_536)
def _plain(word: str) -> str:
    word = word.lower() if word.isascii() else unicodedata.normalize("NFC", word).translate(_WIDE).casefold()
    if word.isalnum():
        return word
    return _BETWEEN.sub("", _SPACE.sub("", word).removesuffix(":"))


_SPACE = re.compile(rf"[\s{SPACES}]+")
_BETWEEN = re.compile(r"(?<=[^\W_])[-_.\u2010\u2011]+(?=[^\W_])")
_WIDE = {code: code - 0xFEE0 for code in range(0xFF01, 0xFF5F)}  # full-width letters and signs


def letters(header: object) -> str:
    """Only the letters and digits, for asking what a header resembles; never for reading it.

    Examples
    --------
    >>> letters("≠correct"), letters("tastings (%)")
    ('correct', 'tastings')
    """
    return "".join(c for c in plain(header) if c.isalnum())


def is_known(columns: Sequence[Column]) -> Callable[[object], bool]:
    """A function that says whether a header is the name of one of `columns`, or another name for it."""
    names = {plain(column.name) for column in columns} | {name for column in columns for name in column.other_names}
    counted = {name for column in columns if column.counted for name in (plain(column.name), *column.other_names)}
    return lambda header: plain(header) in names or _number_of(header) in counted


def _number_of(header: object) -> str | None:
    """What a header counts, of those that begin "no. ", "no of", "number of" or "#"; "no correct" counts nothing."""
    word = str(header).strip()
    if word[:1] not in "#nN№":
        return None
    found = _COUNTING.fullmatch(word)
    return plain(found["what"]) if found else None


_COUNTING = re.compile(
    r"(?:#|№|(?:no|nr|num)\.|(?:no\.?|nr\.?|num\.?|number|n)[\s_]+of(?=[\s_]))[\s_]*(?:of[\s_]+)?(?P<what>[^\W\d].*)",
    re.IGNORECASE,
)


# --- kinds of cell --------------------------------------------------------------------------------------------------


def _tidy(cell: object) -> str:
    word = str(cell)
    if word.isalnum() and word.isascii():
        return word
    return (word if word.isascii() else unicodedata.normalize("NFC", word)).strip(SPACES)


def _is_nothing(cell: object) -> bool:
    return is_empty(cell) or (isinstance(cell, np.datetime64 | np.timedelta64) and bool(np.isnat(cell)))


def _missing(cell: object, reading: Reading, words: frozenset[str] = NOT_KNOWN) -> bool:
    """Is the cell empty, or does it say in words that nothing is known?"""
    if not isinstance(cell, str):
        return _is_nothing(cell)
    word = _tidy(cell)
    if word.isdigit():
        return False
    if word.casefold() in words:
        reading.note("was read as missing", word)
        return True
    return not word


def no_answer(cell: object, reading: Reading, words: frozenset[str] = NO_ANSWER) -> bool:
    """Is the cell empty, or does a mark or word in it say that there was no answer?"""
    if _missing(cell, reading):
        return True
    if isinstance(cell, str) and plain(cell) in words:
        reading.note("was read as no answer", _tidy(cell))
        return True
    return False


def _number(cell: object, reading: Reading, *, counting: bool = False) -> Decimal | float:
    """The number in a cell, exactly; raises Wrong if it is not one, or could be one of two."""
    if isinstance(cell, bool | np.bool_):
        raise Wrong(f"{str(cell).upper()} is not a number. Write the number")
    if isinstance(cell, int | np.integer):
        return Decimal(int(cell))
    if isinstance(cell, float | np.floating | Decimal):
        if not math.isfinite(cell):
            raise Wrong(f"{cell} is not a finite number. Write the number")
        return cell if isinstance(cell, Decimal) else float(cell)
    if isinstance(cell, dt.date | dt.time | np.datetime64 | dt.timedelta):
        made = "a spreadsheet turns fractions such as 12/30 into dates. Format the cell as a number and type it again"
        raise Wrong(f"{cell} is a date or time; {made}")
    word = _tidy(cell)
    if word.endswith("%") and not counting:
        word = _without_percent(word, reading)
    if _EITHER.fullmatch(word):
        return Decimal(_decided(word, reading, counting))
    if _COMMA.fullmatch(word):
        if "," in reading.marks and not reading.marks[","][0]:
            raise Wrong(f"{word!r} has a decimal comma, but in {reading.marks[','][1]!r} commas divide thousands. "
                        "Write both without commas")  # fmt: skip
        reading.note("was read with a decimal comma", word)
        word = word.replace(",", ".")
    elif _GROUPED.fullmatch(word) and not _NUMBER.fullmatch(word):
        word = _ungrouped(word, reading, counting)
    if not _NUMBER.fullmatch(word):
        raise Wrong(_no_number(word, counting))
    return Decimal(word)


def _without_percent(word: str, reading: Reading) -> str:
    if not reading.percent:
        raise Wrong(f"{word!r} has a % sign, and other cells of the column have none. Write all of them alike")
    reading.note("was read as a number of percent", word)
    return word.removesuffix("%").rstrip(SPACES)


def _decided(word: str, reading: Reading, counting: bool) -> str:
    """1.000 or 1,000 as the column shows it is meant; raises Wrong with both readings where it does not."""
    mark = "," if "," in word else "."
    thousand, part = word.replace(mark, ""), word.replace(",", ".").rstrip("0").rstrip(".")
    if counting:
        raise Wrong(f"{word!r} could be {thousand} or {part}. Write it without a separator of thousands")
    if reading.gravities:
        reading.note("was read with a decimal point, as specific gravities are written", word)
        return word
    if mark not in reading.marks:
        sure = part if len(part.partition(".")[2]) in (1, 2) else f"{part}0" if "." in part else f"{part}.0"
        raise Wrong(f"{word!r} could be {thousand} or {part}, and no other cell of the column shows which. "
                    f"Write {thousand}, or {sure}")  # fmt: skip
    decimal, shown = reading.marks[mark]
    name = {",": "comma", ".": "point"}[mark]
    if decimal:
        reading.note(f"was read with a decimal {name}, as {shown!r} in the same column shows", word)
        return word.replace(",", ".")
    reading.note(f"was read with a {name} that divides thousands, as {shown!r} in the same column shows", word)
    return thousand


def _ungrouped(word: str, reading: Reading, counting: bool) -> str:
    """1.000.000 or 12.500,5 without the marks that divide thousands, which it can only be."""
    mark = _THOUSANDS.match(word)
    if counting or mark is None or reading.marks.get(mark[1], (True, ""))[0]:
        raise Wrong(f"{word!r} has separators of thousands. Write it without them")
    reading.note("was read without the marks that divide thousands", word)
    return word.replace(mark[1], "").replace(",", ".")


def _no_number(word: str, counting: bool) -> str:
    if m := re.fullmatch(r"(\d+)\s*(?:/|of|out of)\s*(\d+)", word):
        return f"{word!r} is two numbers in one cell. Put {m[1]} and {m[2]} in columns of their own"
    if word.endswith("%"):
        return f"{word!r} is a percentage. Write the count itself" if counting else f"{word!r} has a % sign"
    if word in EXCEL_ERRORS:
        return f"{word} is an error of the spreadsheet. Correct the formula and save again"
    if _INFINITE.fullmatch(word):
        return f"{word!r} is not a number that can be used, as it is infinite. Write it in digits"
    return f"{word[:60]!r} is not a number. Write it in digits"


_GRAVITIES = among("sg og fg gravity specificgravity originalgravity finalgravity startinggravity")


def _all_gravities(values: Sequence[Any]) -> bool:
    """Is every cell of a column of specific gravities near that of water, and so no thousands?"""
    words = [_tidy(cell) for cell in values if not _is_nothing(cell)]
    return all(re.fullmatch(r"0\.[6-9]\d*|1\.[0-3]\d*|1", word) for word in words)


_THOUSANDS = re.compile(r"[+-]?\d{1,3}([.,])\d{3}(?:(?:\1\d{3})+(?:(?!\1)[.,]\d+)?|(?!\1)[.,]\d+)$", re.ASCII)
_DECIMALS = re.compile(r"[+-]?\d*([.,])\d+([eE][+-]?\d{1,3})?", re.ASCII)


def _marks(values: Sequence[Any]) -> dict[str, tuple[bool, str]]:
    """Of point and comma: does it divide off decimals, or thousands? Only where cells show it and none disagrees.

    0.5, 12.25 and 0.250 can only have decimals, 1.000.000 and 12.500,5 only thousands, and 1.000 either. Beside whole
    numbers that are all small (3 and 4), 1.250 with a point can only be one and a quarter: nobody's numbers jump from
    4 to 1250 that way while the rest stay below ten.
    """
    shown: dict[str, dict[bool, str]] = {}
    wholes: list[tuple[float, str]] = []
    for cell in values:
        if isinstance(cell, bool):
            continue
        if not isinstance(cell, str):
            if isinstance(cell, int | float | Decimal) and cell == cell:
                wholes.append((abs(float(cell)), str(cell)))
            continue
        word = _tidy(cell).removesuffix("%")
        if _EITHER.fullmatch(word):
            continue
        if m := _THOUSANDS.fullmatch(word):
            shown.setdefault(m[1], {}).setdefault(False, word)
            if other := {".", ","} - {m[1]} & set(word):
                shown.setdefault(other.pop(), {}).setdefault(True, word)
        elif m := _DECIMALS.fullmatch(word):
            shown.setdefault(m[1], {}).setdefault(True, word)
        elif _NUMBER.fullmatch(word):
            wholes.append((abs(float(word)), word))
    marks = {mark: next(iter(ways.items())) for mark, ways in shown.items() if len(ways) == 1}
    largest = max(wholes, default=(0.0, ""))
    if not shown and 0 < largest[0] < SMALL:
        marks["."] = True, largest[1]
    return marks


def _all_percent(values: Sequence[Any]) -> bool:
    """Has every number of the column a % sign, but for zeros?"""
    if not any(isinstance(cell, str) and "%" in cell for cell in values):
        return False
    filled = [_tidy(cell) for cell in values if not _missing(cell, Reading())]
    return any(word.endswith("%") for word in filled) and all(word.endswith("%") or word == "0" for word in filled)


def number(cell: object, reading: Reading) -> float | None:
    """Any finite number."""
    if _missing(cell, reading):
        return None
    exact = _number(cell, reading)
    value = float(exact)
    if not math.isfinite(value) or (value == 0) != (exact == 0):
        raise Wrong(f"{_tidy(cell)[:40]} is too {'small' if value == 0 else 'large'} to be kept. Check the digits")
    return value


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


def coded(cell: object, reading: Reading) -> str | None:
    """A label that may be a code of digits: 794.0, which a spreadsheet made of 794, is 794."""
    word = label(cell, reading)
    if word is None or "." not in word:
        return word
    whole_ = _MADE_DECIMAL.sub(r"\1", word)
    if whole_ != word:
        reading.note("was read without the .0 that a spreadsheet adds to codes", word)
    return whole_


_MADE_DECIMAL = re.compile(r"(?<![\w.])(\d+)\.0+(?![\w.])", re.ASCII)


def choice(**ways: str) -> Kind:
    """One of a few words; ``choice(yes="y true 1", no="n false 0")`` lists the `plain` ways of writing each."""
    meaning = {way: word for word, others in ways.items() for way in (plain(word), *others.split())}

    def read(cell: object, reading: Reading) -> str | None:
        if is_empty(cell):
            return None
        if isinstance(cell, float | np.floating | Decimal) and cell in (0, 1):
            cell = int(cell)
        if isinstance(cell, str):
            cell = _MADE_DECIMAL.sub(r"\1", cell)
        word = meaning.get(plain(cell))
        if word is not None or _missing(cell, reading):
            return word
        close = difflib.get_close_matches(plain(cell), meaning, n=1) if plain(cell).isalpha() else []
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
    day = _day(cell, reading)
    if not EARLIEST <= day.year <= LATEST:
        reading.note("lies far from today: check the year", str(cell))
    return day


def _day(cell: object, reading: Reading) -> dt.date:
    if isinstance(cell, dt.datetime | np.datetime64):
        stamp = pd.Timestamp(cell)
        if stamp != stamp.normalize():
            reading.note("was read without the time of day", str(cell))
        return stamp.date()
    if isinstance(cell, dt.date):
        return cell
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)
    word = re.sub(r"\s+", " ", _tidy(cell))
    remedy = "Write year-month-day, such as 2025-04-03"
    try:
        if m := _ISO.fullmatch(word):
            if m["time"]:
                reading.note("was read without the time of day", word)
            return dt.date(int(m["y"]), int(m["m"]), int(m["d"]))
        if m := re.fullmatch(r"((?:19|20)\d{2})(\d{2})(\d{2})", word, re.ASCII):
            reading.note("was read as year, month and day", word)
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


EARLIEST, LATEST = 1950, 2100  # years of a tasting that need no second look
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


def _day_first(cells: Sequence[object]) -> tuple[dict[str, tuple[bool, str]], list[str]]:
    """By the mark between the numbers: does the day come first, and a cell that shows it; only where all agree.

    And the cells that do not agree, one of each order.
    """
    shown: dict[str, dict[bool, str]] = {}
    for cell in cells:
        if isinstance(cell, str) and (m := _DAY_AND_MONTH.fullmatch(re.sub(r"\s+", " ", _tidy(cell)))):
            a, b = int(m[1]), int(m[3])
            if (a > 12) != (b > 12):
                shown.setdefault(m[2], {}).setdefault(a > 12, m[0])
    agreed = {mark: next(iter(ways.items())) for mark, ways in shown.items() if len(ways) == 1}
    return agreed, [cell for ways in shown.values() if len(ways) > 1 for cell in ways.values()]


# --- cells of every kind --------------------------------------------------------------------------------------------


def _one_value(cell: Any) -> Any:
    """The cell as None, a bool, number, day, time or word, whatever library it came from; raises Wrong otherwise."""
    if isinstance(cell, str):
        if not cell.strip():
            return None
        if not cell.isascii() and re.search("[\ud800-\udfff]", cell):
            shown = re.sub("[\ud800-\udfff]", "\ufffd", cell)[:60]
            raise Wrong(f"{shown!r} holds half a character, which was lost before it came here. Type it again")
        return str(cell)
    if _is_nothing(cell):
        return None
    if isinstance(cell, bool | np.bool_):
        return bool(cell)
    if isinstance(cell, int | np.integer):
        if not -LARGEST < cell < LARGEST:
            raise Wrong("the number has more than 300 digits, too large to be kept. Check the digits")
        return int(cell)
    if isinstance(cell, float | np.floating):
        return float(cell)
    if isinstance(cell, Decimal):
        if cell.is_snan():
            raise Wrong("a signalling NaN is not a number. Clear the cell, or write the number")
        return None if cell.is_nan() else cell
    if isinstance(cell, dt.datetime | np.datetime64):
        return _day_and_time(cell)
    if isinstance(cell, dt.date | dt.time | dt.timedelta):
        return cell
    kind = next((words for types, words in _NO_CELLS if isinstance(cell, types)), "something")
    raise Wrong(f"the cell holds {kind}, which is not a number, a day or words. Write one of these")


_NO_CELLS: tuple[tuple[Any, str], ...] = (
    ((list, tuple, set, frozenset, np.ndarray), "a list"),
    (dict, "a table within the table"),
    ((bytes, bytearray, memoryview), "raw bytes"),
    ((complex, np.complexfloating), "a complex number"),
)


def _day_and_time(cell: Any) -> pd.Timestamp:
    try:
        stamp = pd.Timestamp(cell)
        stamp.date()
    except (ValueError, OverflowError, NotImplementedError):
        stamp = pd.NaT
    if stamp is pd.NaT:
        raise Wrong("the date lies outside the years 1 to 9999. Write year-month-day, such as 2025-04-03")
    return stamp


# --- rows left out --------------------------------------------------------------------------------------------------


def _left_out(cell: object, reading: Reading) -> str | None:
    """Why the row is left out, or "no" where the cell says that it is not; None where it says nothing."""
    if _missing(cell, reading):
        return None
    if isinstance(cell, int | float | Decimal):
        if cell not in (0, 1):
            raise Wrong(f"{cell} does not say whether the row is left out. Write yes, no, or why")
        return "yes" if cell else "no"
    word = re.sub(r"\s+", " ", _tidy(cell))
    said = plain(word)
    if said in _KEPT | _IS_KEPT or said in ("none", "nothing"):
        return "no"
    if said in _IS_LEFT_OUT or _EXCLUDED.match(word):
        return word
    if len(said) < 3 or not any(c.isalpha() for c in said) or _NEGATED.match(word):
        raise Wrong(f"{word!r} does not say whether the row is left out. Write yes, no, or why in other words")
    return word


LEFT_OUT = Column(
    "left_out",
    "is the row left out, and so not counted? yes, no, or why it is",
    _left_out,
    "string",
    "leftoutwhy leaveout exclude excluded exclusion exclusions excl void voided discard discarded donotcount "
    "notcounted exclusionreason reasonexcluded reasonleftout disqualified skip skipped ignore ignored omit omitted "
    "remove removed drop reject",
)
_KEPT = among("no n false 0 keep kept include included counted count notleftout notexcluded in valid ok")
_IS_LEFT_OUT = among("yes y true 1 noshow notserved noanswer")
_NEGATED = re.compile(r"(no|not|non|never|nothing|isn['’]t|wasn['’]t|don['’]t|doesn['’]t|keep|kept|include|in)\b", re.I)
_EXCLUDED = re.compile(  # words that say so by themselves or before a reason, at the beginning of a remark
    r"(left out|leave (it |this )?out|exclu(de|ded|sion)|excl|omit(ted)?|void(ed)?|"
    r"(do not|don['’]t|not to be) (count|use)(ed)?|not counted|discard(ed)?|disqualified|invalid(ated)?|disregard(ed)?|"
    r"ignored?|removed?|struck out|deleted?)"
    r"(?P<more>\.?$|\.?\s*[:;,.(–—-]|\s+(because|since|as|due|for|by)\b)",
    re.IGNORECASE,
)
_MISHAP = re.compile(
    r"\b(spil|dropp|exclu|left out|leave out|void|invalid|discard|not count|disqualif|omit|ignore|"
    r"wrong (cup|tray|code|sample|glass)|mix(ed)?[ -]?up|swapp)",
    re.IGNORECASE,
)
_OUT_IN_NAME = re.compile(
    r"[(\[]\s*(left out|excluded|omitted|void(ed)?|discarded|not counted|do not count)\s*[)\]]", re.I
)
_ABSENT = among("absent notserved noshow missing didnotcome")
_INCIDENTS = frozenset({"incident", "incidents"})
_REMARKS = frozenset({"notes", "note", "comment", "comments", "remark", "remarks"})
_INCLUDED = among("include included keep kept valid counted count used usable countsin isvalid isincluded accepted "
                  "counts countit keepit ok okay inanalysis analysed analyzed")  # fmt: skip
_STATUS = among("status rowstatus state validity")
_IS_KEPT = among("1.0 used usable accepted good fine complete completed done final normal regular clean")
_DROPPED = among(
    "dropped dropout droppedout rejected reject out bad failed unusable notvalid notused notusable notincluded "
    "notaccepted withdrawn withdrew cancelled canceled scrapped void spoiled spoilt noshow absent outlier leftout"
)


def _without_left_out(checked: Checked, one_row_a_panel: bool) -> np.ndarray:
    """Which rows to read: all but those that the table says are left out; what was decided goes to the notes.

    ``left_out`` decides. Where it is empty or missing, so does an incident (in a table of panels: an incident, or a
    remark that says nothing else) that begins with such words. Other incidents decide nothing; they are listed, so that
    somebody can.
    """
    sheet = checked.sheet
    rows = len(sheet.rows)
    out = np.zeros(rows, bool)
    decided = np.zeros(rows, bool)
    if LEFT_OUT.name in checked.place:
        j = checked.place[LEFT_OUT.name]
        places, values = distinct(sheet.columns[j])
        words, messages, notes = _read(values, LEFT_OUT.kind, sheet.headers[j])
        if one_row_a_panel and plain(sheet.headers[j]) != plain(LEFT_OUT.name):
            messages |= _perhaps_counts(values, sheet.headers[j])
            words = [None if i in messages else word for i, word in enumerate(words)]
        checked.notes.extend(notes)
        checked.report_each(places, messages, LEFT_OUT.name)
        decided = np.array([word is not None for word in words], bool)[places]
        mine = np.array([word not in (None, "no") for word in words], bool)[places]
        out |= mine
        checked.notes.extend(_said_left_out(checked, mine, j, one_row_a_panel))
    if one_row_a_panel and "panel" in checked.place:
        for at, name in enumerate(sheet.columns[checked.place["panel"]]):
            if isinstance(name, str) and not decided[at] and (_EXCLUDED.match(name) or _OUT_IN_NAME.search(name)):
                checked.add(at, f"the name {_shown(name)!r} may say that the panel is left out. Write yes or no under "
                               f"{LEFT_OUT.name}.", "panel")  # fmt: skip
    for j, header in enumerate(sheet.headers):
        key = plain(header)
        if (key.rstrip("?") in _INCLUDED or key in _STATUS) and j not in checked.place.values():
            _refuse_included(checked, j, decided)
        if key not in _INCIDENTS and key not in _REMARKS:
            continue
        places, values = distinct(sheet.columns[j])
        remarks = [_tidy(value) if isinstance(value, str) else "" for value in values]
        matches = [_EXCLUDED.match(remark) for remark in remarks]
        begins = np.array([match is not None for match in matches], bool)[places] & ~decided
        alone = (
            np.array([match is not None and match["more"] in ("", ".") for match in matches], bool)[places] & ~decided
        )
        mine = alone if one_row_a_panel and key in _REMARKS else begins
        out |= mine
        checked.notes.extend(_said_left_out(checked, mine, j, one_row_a_panel))
        for i in np.flatnonzero(begins & ~mine & ~out):
            remark = remarks[places[i]][:60]
            message = f"{remark!r} can mean the whole panel or a few tastings of it. Write yes or no under left_out."
            checked.add(int(i), message, header)
        open_ = [bool(remark) and plain(remark) not in _ABSENT and not match
                 and (key in _INCIDENTS or bool(_MISHAP.search(remark)))
                 for remark, match in zip(remarks, matches, strict=True)]  # fmt: skip
        unsure = np.array(open_, bool)[places] & ~decided & ~out
        if unsure.any():
            said = Counter(places[unsure].tolist())
            cells = listing((f"{remarks[at]!r} ({n})" for at, n in said.items()), 6)
            checked.notes.append(
                f"column {header!r}: {cells} does not say that a row is left out, so it was kept. To leave one out, "
                f"write yes in a column {LEFT_OUT.name!r}."
            )
    return ~out


def _perhaps_counts(values: Sequence[Any], header: str) -> dict[int, str]:
    """In a table of panels, a number under "excluded" may count people: what to say of those that are 1 or more."""
    numbers = {i: str(value).strip().removesuffix(".0") for i, value in enumerate(values) if not is_empty(value)}
    if not all(word.isdigit() for word in numbers.values()):
        return {}
    return {
        i: f"{word} under {header!r} may say how many were left out, or that the panel is. Write yes or no in a column "
        f"{LEFT_OUT.name!r}, or give this column another name."
        for i, word in numbers.items()
        if int(word) > 0
    }


def _said_left_out(checked: Checked, out: np.ndarray, j: int, one_row_a_panel: bool) -> Iterator[str]:
    if not out.any():
        return
    sheet = checked.sheet
    at = np.flatnonzero(out)
    why = listing(dict.fromkeys(repr(_shown(sheet.columns[j].iloc[i])) for i in at), 4)
    if "panel" in checked.place:
        panels = Counter(_shown(cell) for cell in sheet.columns[checked.place["panel"]].iloc[at])
        where = listing(panels if one_row_a_panel else (f"{n} in {panel}" for panel, n in panels.items()), 8)
    else:
        where = listing((f"{sheet.word} {sheet.rows[int(i)]}" for i in at), 8)
    yield f"left out, as column {sheet.headers[j]!r} says ({why}), and not counted: {where}."


def _shown(cell: object) -> str:
    try:
        return _tidy(_one_value(cell) or "")[:60]
    except Wrong:
        return "a cell that cannot be read"


def _refuse_included(checked: Checked, j: int, decided: np.ndarray) -> None:
    """A column that says which rows count is the opposite of ours: not read, but not passed over in silence either.

    Rows for which it says that they do not count are refused, unless ``left_out`` has decided; words that say neither
    are noted.
    """
    header = checked.sheet.headers[j]
    places, values = distinct(checked.sheet.columns[j])
    against: dict[int, str] = {}
    unsure: list[str] = []
    says_yes = plain(header).rstrip("?") in _INCLUDED
    for i, value in enumerate(values):
        word = plain(_shown(value))
        denied = says_yes and word in ("no", "n", "false", "0", "0.0")
        if denied or word in _DROPPED or _EXCLUDED.match(_shown(value)):
            against[i] = (
                f"{header!r} is {_shown(value)!r}: the row may not count. Write yes, or no, for it in a column "
                f"{LEFT_OUT.name!r}."
            )
        elif word and not is_empty(value) and word not in _KEPT | _IS_KEPT:
            unsure.append(repr(_shown(value)))
    if against:
        checked.report_each(np.where(decided, -1, places), against, header)
    elif unsure and not says_yes:
        checked.notes.append(
            f"column {header!r}: {listing(unsure, 4)} does not say that a row is left out, so every row was kept. To "
            f"leave one out, write yes in a column {LEFT_OUT.name!r}."
        )


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
    almost: frozenset[str] = frozenset()  # columns that a header names but for a sign, or whose share it names
    left_out: int = 0  # rows that the table says are not to be counted
    gone: tuple[int, ...] = ()  # where they stood
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
            panel = _shown(self.sheet.columns[self.place["panel"]].iloc[position])
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
        """Raise all problems, those of the table first and then row by row; `wanted` says what an empty table lacks."""
        found = [problem for _, problem in sorted(self.found, key=lambda item: item[0])]
        problems = sorted([*self.sheet.problems, *found], key=lambda problem: problem.row is not None)
        if not problems and not len(self.frame) and self.left_out:
            problems = [Problem("every row is left out, so nothing is counted.")]
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
    return pd.Series(_array_of(codes, values, dtype))


def _array_of(codes: np.ndarray, values: Sequence[Any], dtype: str) -> Any:
    if len(codes) <= FEW:
        return pd.array([values[at] for at in codes.tolist()], dtype=dtype)
    return pd.array([*values, None], dtype=dtype).take(codes)


def check_table(
    sheet: Sheet, columns: Sequence[Column], *, keep_empty: bool = True, leaving_out: str | None = None
) -> Checked:
    """Match headers to `columns`, read their cells, and keep every other column as words or numbers.

    Columns that are not there are missing throughout, or with `keep_empty` false are left out. With `leaving_out`,
    "panel" or "tasting" (what a row is), rows that the table says are left out are not read at all.
    """
    checked = Checked(pd.DataFrame(index=range(len(sheet.rows))), sheet, {}, (), list(sheet.notes), [], {})
    passed = _INCIDENTS if leaving_out == "tasting" else frozenset()
    extra = _matched(checked, [*columns, LEFT_OUT] if leaving_out else columns, passed)
    if leaving_out:
        _leave_out(checked, leaving_out == "panel")
        sheet = checked.sheet
    n = len(sheet.rows)
    data: dict[str, Any] = {}
    wrong: list[tuple[np.ndarray, dict[int, str], str]] = []

    def read(column: str, j: int, places: np.ndarray, values: Sequence[Any], kind: Kind, dtype: str) -> None:
        out, messages, notes = _read(values, kind, sheet.headers[j])
        checked.notes.extend(notes)
        data[column] = _array_of(places, out, dtype)
        if messages:
            wrong.append((places, messages, column))

    for column in columns:
        if column.name in checked.place:
            j = checked.place[column.name]
            read(column.name, j, *distinct(sheet.columns[j]), column.kind, column.dtype)
        elif keep_empty or column.required:
            data[column.name] = _array_of(np.zeros(n, int), [None], column.dtype)
    for j in extra:
        places, values = distinct(sheet.columns[j])
        read(sheet.headers[j], j, places, values, *_kind_of(values, sheet.headers[j], checked.notes))
        checked.place[sheet.headers[j]] = j
    checked.frame = pd.DataFrame(data, index=range(n))
    for places, messages, column_name in wrong:
        checked.report_each(places, messages, column_name)
    return checked


_PLAIN_DIGITS = re.compile(r"0|[1-9]\d{0,14}", re.ASCII)


def _is_certain(value: object) -> bool:
    """Is it a number that can be read in one way only: plain digits, or a number of moderate size?"""
    if isinstance(value, str):
        return _PLAIN_DIGITS.fullmatch(value) is not None
    return type(value) in (int, np.int64, float, np.float64) and abs(value) < MOST  # type: ignore[arg-type]


def _read(values: Sequence[Any], kind: Kind, header: str) -> tuple[list[Any], dict[int, str], list[str]]:
    """Each of the distinct cells as a value, what is wrong with the others, and notes on how they were read."""
    if kind is number and all(map(_is_certain, values)):
        return [float(value) for value in values], {}, []  # nothing to decide, and by far the commonest column
    cells: list[Any] = []
    messages: dict[int, str] = {}
    for i, value in enumerate(values):
        try:
            cells.append(_one_value(value))
        except Wrong as error:
            cells.append(None)
            messages[i] = f"{error}."
    reading = Reading.of(cells, kind)
    reading.gravities = kind is number and plain(header) in _GRAVITIES and _all_gravities(cells)
    out: list[Any] = []
    for i, cell in enumerate(cells):
        try:
            out.append(kind(cell, reading))
        except Wrong as error:
            out.append(None)
            messages[i] = f"{error}."
    return out, messages, reading.notes(header)


def _leave_out(checked: Checked, one_row_a_panel: bool) -> None:
    """Take the rows out of the sheet that it says are left out."""
    keep = _without_left_out(checked, one_row_a_panel)
    at = np.flatnonzero(keep)
    checked.left_out = len(keep) - len(at)
    checked.gone = tuple(np.flatnonzero(~keep).tolist())
    if not checked.left_out:
        return
    sheet = checked.sheet
    new = {old: i for i, old in enumerate(at.tolist())}
    checked.found = [(new.get(position, -1), problem) for position, problem in checked.found
                     if position < 0 or position in new]  # fmt: skip
    checked.bad = {column: known[at] for column, known in checked.bad.items()}
    checked.sheet = replace(
        sheet,
        columns=[column.iloc[at].reset_index(drop=True) for column in sheet.columns],
        rows=[sheet.rows[i] for i in at.tolist()],
    )
    checked.frame = pd.DataFrame(index=range(len(at)))


def _matched(checked: Checked, columns: Sequence[Column], passed: Iterable[str] = ()) -> list[int]:
    """Find which header is which column, say which other names were used; the places of the other headers."""
    heads = checked.sheet.headers
    keys = [plain(header) for header in heads]
    at: dict[str, list[int]] = {}
    for j, key in enumerate(keys):
        at.setdefault(key, []).append(j)
    numbers: dict[str, list[int]] = {}
    for j, header in enumerate(heads):
        if (what := _number_of(header)) is not None:
            numbers.setdefault(what, []).append(j)
    place = checked.place
    taken: set[int] = set()
    for column in columns:
        found = at.get(plain(column.name)) or sorted(j for name in column.other_names for j in at.get(name, ()))
        if column.counted and not found:
            names = (plain(column.name), *column.other_names)
            found = [j for name in names for j in numbers.get(name, ()) if j not in taken]
        if len(found) > 1:
            words = listing(repr(heads[j]) for j in found)
            checked.add(-1, f"columns {words} could each be {column.name!r} ({column.meaning}). Keep or rename one.")
        if found:
            place[column.name] = found[0]
            taken.update(found)
    renamed = [f"{heads[j]!r} as {name!r}" for name, j in place.items() if keys[j] != plain(name)]
    if renamed:
        checked.notes.append(f"columns read under another name: {listing(renamed)}.")
    extra = [j for j in range(len(heads)) if j not in taken and _has_header(checked, j)]
    extra = [j for j in extra if keys[j] not in passed]
    for j in extra:
        if at[keys[j]][0] < j:
            checked.add(-1, f"more than one column is called {heads[j]!r}. Rename or remove all but one.")
    for column in columns:
        if column.of in place:
            checked.shares[column.name] = [j for j in extra if share_of(heads[j], column)]
            extra = [j for j in extra if j not in checked.shares[column.name]]
    checked.extras = tuple(dict.fromkeys(heads[j] for j in extra))
    checked.almost = _almost(checked, columns, extra)
    for column in columns:
        if column.required and column.name not in place and column.name not in checked.almost:
            checked.add(-1, no_column(checked, column))
    absent = {plain(column.name): column.name for column in columns if column.name not in place}
    unsure = [f"{heads[j]!r} (not read as {absent[near[0]]!r}: rename it if it is)"
              for j in extra if (near := _resembling(keys[j], absent, 0.8))]  # fmt: skip
    if extra:
        checked.notes.append(f"kept as possible moderators: {listing(repr(heads[j]) for j in extra)}.")
    if unsure:
        checked.notes.append(f"perhaps misspelt: {listing(unsure)}.")
    return [j for j in extra if at[keys[j]][0] == j]


def _almost(checked: Checked, columns: Sequence[Column], extra: Sequence[int]) -> frozenset[str]:
    """Say which headers are a column's name but for a sign, or name its share: they cannot be read as it, nor ignored.

    The names of those columns.
    """
    named: dict[str, Column] = {}
    for column in columns:
        if column.name not in checked.place:
            for name in (plain(column.name), *column.other_names):
                named.setdefault(name, column)
    said = set()
    for j in extra:
        header = checked.sheet.headers[j]
        key = letters(header)
        if "%" in plain(header):
            key = re.sub("(in|as)$", "", key)
        whose = named.get(_SHARE.sub("", key))
        shares = "%" in plain(header) or "\u2030" in plain(header) or bool(_SHARE.search(key))
        if whose is not None and shares and (whose.counted or whose.name == "correct"):
            checked.add(-1, f"column {header!r} holds shares, not counts. Write under {whose.name!r} {whose.meaning}.")
            said.add(whose.name)
        elif (whose := named.get(key)) is not None and len(key) > 1:
            checked.add(-1, f"column {header!r} is {whose.name!r} ({whose.meaning}) but for {_signs(header)}. Call it "
                            f"{whose.name!r} if that is what it holds, or give it another name.")  # fmt: skip
            said.add(whose.name)
    return frozenset(said)


_SHARE = re.compile(r"^(percentages?|percent|pct|proportion|prop|share|fraction|rate|p(?=.{4}))(of)?"
                    r"|(percentages?|percent|pct|proportion|prop|share|fraction|rate|ratio)$")  # fmt: skip


def share_of(header: str, column: Column) -> str:
    """Does the header name the share of a count, as "percent" or "part" (of 1)? Empty if it does not.

    Examples
    --------
    >>> correct = Column("correct", "how many answers were correct", whole, "Int64", of="tastings")
    >>> [share_of(header, correct) for header in ("% correct", "correct (%)", "share correct", "incorrect %")]
    ['percent', 'percent', 'part', '']
    """
    key = letters(header)
    percent = "%" in plain(header)
    if percent:
        key = re.sub("(in|as)$", "", key)
    rest = _SHARE.sub("", key)
    if rest not in (plain(column.name), *column.other_names) or not (percent or rest != key):
        return ""
    return "percent" if percent or "percent" in key or "pct" in key else "part"


def counts_of_share(cell: object, how: str, whole_: int) -> list[int]:
    """The whole numbers of `whole_` that give the share in `cell` at the digits written; raises Wrong for no share.

    ``how`` is "percent" or "part" as `share_of` says. A bare number up to 1 under percent may be a part of 1 too.

    Examples
    --------
    >>> counts_of_share("45", "percent", 60), counts_of_share("33.3 %", "part", 30)
    ([27], [10])
    >>> counts_of_share("33", "percent", 200)
    [65, 66, 67]
    """
    word = _tidy(cell)
    signed = word.endswith("%")
    word = word.removesuffix("%").rstrip(SPACES)
    if _COMMA.fullmatch(word):
        word = word.replace(",", ".")
    if isinstance(cell, bool | np.bool_) or not _NUMBER.fullmatch(word):
        raise Wrong(f"{_tidy(cell)[:60]!r} is not a share. Write the count itself under a column of its own")
    share = Decimal(word)
    if isinstance(cell, float) and share == int(share):
        share = Decimal(int(share))  # 45.0 is how a spreadsheet keeps 45
    most = 100 if signed or how == "percent" else 1
    if not 0 <= share <= most:
        raise Wrong(
            f"{_tidy(cell)[:60]!r} is no share of 0 to {most}. Write the count itself under a column of its own"
        )
    wholes = {100, 1} if most == 100 and not signed and 0 < share <= 1 else {most}
    return sorted({k for top in wholes for k in _near(share, top, whole_)})


def _near(share: Decimal, top: int, whole_: int) -> list[int]:
    """Which whole numbers of `whole_` make up `share` of `top`, rounded to the digits of the share."""
    exponent = share.as_tuple().exponent
    if top == 1 and share in (0, 1):  # nobody rounds a part of 1 to a whole number
        return [int(share) * whole_]
    half = max(Fraction(10) ** int(exponent) / 2, Fraction(1, 10**9)) if isinstance(exponent, int) else Fraction(0)
    low = (Fraction(share) - half) * whole_ / top
    high = (Fraction(share) + half) * whole_ / top
    return list(range(max(0, math.ceil(low)), min(whole_, math.floor(high)) + 1))


def _signs(header: str) -> str:
    signs = dict.fromkeys(c for c in header if not c.isalnum() and not c.isspace() and c not in "_")
    return f"the {' '.join(signs)}" if signs else "how it is written"


def _resembling(key: str, names: Iterable[str], cutoff: float) -> list[str]:
    """The name that `key` may be a slip of, if any: never one that it negates."""
    least = cutoff / (2 - cutoff)  # of the longer one, for words with so much in common
    size = len(key)
    mine = set(key)
    close = [name for name in names
             if least * size <= len(name) <= size / least
             and 3 * len(_set(name) & mine) >= 2 * len(_set(name))
             and not _opposite(key, name)]  # fmt: skip
    return difflib.get_close_matches(key, close, n=1, cutoff=cutoff) if close else []


@lru_cache(maxsize=1000)
def _set(word: str) -> frozenset[str]:
    return frozenset(word)


def _opposite(key: str, name: str) -> bool:
    """Is one the other with a negation before it, as incorrect and correct are?"""
    return any(a.endswith(b) and a.removesuffix(b) in ("in", "un", "not", "non", "no", "mis", "wrong")
               for a, b in ((key, name), (name, key)) if a != b)  # fmt: skip


def _has_header(checked: Checked, j: int) -> bool:
    """Has column j a header? Without one it must be empty, or only number the rows."""
    sheet = checked.sheet
    if sheet.headers[j] and not re.fullmatch(r"Unnamed: \d+", sheet.headers[j]):
        if re.search("[\ud800-\udfff]", sheet.headers[j]):
            checked.add(-1, f"the header of column {j + 1} holds half a character, which was lost before it came here. "
                            "Type it again.")  # fmt: skip
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
    names = (plain(column.name), *column.other_names)
    free = {
        plain(head): head
        for head in checked.sheet.headers
        if head not in used and not any(_opposite(plain(head), name) for name in names)
    }
    near = [key for name in names if len(name) > 2
            for key in _resembling(name, free, 0.7)]  # fmt: skip
    near += ["hits"] if column.name == "correct" and "hits" in free else []
    hint = f" If {free[near[0]]!r} is it, rename it." if near else ""
    heads = listing([repr(head) for head in checked.sheet.headers if head], 20)
    return f"there is no column {column.name!r} ({column.meaning}){why}.{hint} The columns are {heads}."


def _kind_of(values: Sequence[Any], header: str, notes: list[str]) -> tuple[Kind, str]:
    """How to read a column nobody announced: as true/false or numbers if every cell is one, as words otherwise."""
    if len(values) and all(map(_is_certain, values)):
        return number, "Float64"
    trial = Reading()
    filled = [value for value in values if not _missing(value, trial)]
    if filled and all(isinstance(v, str | bool | np.bool_) and str(v).strip().casefold() in ("true", "false")
                      for v in filled):  # fmt: skip
        return yes_no, "boolean"
    numeric = [_is_numeric(value) for value in filled]
    padded = any(isinstance(value, str) and re.fullmatch(r"0\d+", value.strip()) for value in filled)
    if filled and all(numeric) and not padded:
        return number, "Float64"
    if any(numeric) or any(isinstance(value, str) and _WITH_UNIT.fullmatch(_tidy(value)) for value in filled):
        odd = next((value for value, is_number in zip(filled, numeric, strict=True) if not is_number), None)
        if odd is None:
            odd = next(value for value in filled if isinstance(value, str) and re.fullmatch(r"0\d+", value.strip()))
        notes.append(
            f"column {header!r} was kept as words, because of {_shown(odd)!r}; correct it if it holds numbers."
        )
    return text, "string"


_WITH_UNIT = re.compile(  # 12 weeks, €5, 5 g/L, 4 °C
    r"[^\w\s(]{0,2} ?\d+([.,]\d+)? ?([^\W\d_]{1,12}(/[^\W_]{1,6})?|[%\u2030°]\w?)?"
)


def _is_numeric(value: object) -> bool:
    if isinstance(value, str):
        return _looks_numeric(_tidy(value))
    return isinstance(value, int | float | np.number | Decimal)


@cache
def _looks_numeric(word: str) -> bool:
    word = word.removesuffix("%").rstrip(SPACES)
    return any(pattern.fullmatch(word) for pattern in (_NUMBER, _COMMA, _GROUPED, _INFINITE))
