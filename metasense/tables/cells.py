"""A cell as somebody typed it, before anything is decided about its column: what it holds, and whether that is nothing.

No sign is ever dropped: ``-1``, ``1?`` and ``% correct`` are not ``1`` and ``correct``. `Reading` gathers what was
decided while a column was read, for the notes.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.sheets import is_empty


def among(words: str) -> frozenset[str]:
    """The words of a list written in a line."""
    return frozenset(words.split())


LARGEST = 10**308  # the largest whole number that a number with decimals can be
NOT_AVAILABLE = frozenset({"na", "n/a", "n.a.", "n.a", "n. a.", "#n/a", "nan", "null", "<na>", "nat"})
NOT_KNOWN = NOT_AVAILABLE | among("- -- --- – — ― − _ __ ? ?? ??? . .. ... … nil unknown missing")
NO_ANSWER = among(  # ways to say that somebody gave none, as `worded` writes them
    "none refused refuses refusal refuse noanswer noanswers noresponse unanswered notanswered didnotanswer didntanswer "
    "nothing skip skips skipped decline declined spilled spilt spill dropped droppedout absent notserved noshow "
    "didnotcome didntcome withdrawn withdrew void blank empty dontknow dk cancelled canceled"
)
NOBODY = among(  # ways to say that nobody sat there
    "absent notserved noshow missing didnotcome didntcome didnotshow didntshow nothere notpresent away cancelled "
    "canceled"
)
EXCEL_ERRORS = frozenset({"#DIV/0!", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!", "#SPILL!", "#CALC!"})
SPACES = " \t\r\n\v\f\u00a0\u200b\u2007\u202f\u3000\ufeff"


class Wrong(Exception):
    """A cell that cannot be read. The message, without a stop, is for the user: what is there, and what to write."""

    @property
    def sentence(self) -> str:
        """The message with its end, which a question has already."""
        words = str(self)
        return words if words.endswith("?") else f"{words}."


@dataclass
class Reading:
    """What holds while a column is read, and which notes were earned by which cells.

    ``marks`` says of a point or comma whether it divides off decimals (True) or thousands (False), and which cell of
    the column shows it. ``percent`` says that every number of the column has a % sign, ``gravities`` that
    all are specific gravities near 1. ``day_first`` says, by the mark
    between the numbers of a date, whether the day comes before the month, and which cell shows it; ``day_first_in``,
    where no cell does, the language of the header, if it is one in which the day always comes first.
    """

    marks: dict[str, tuple[bool, str]] = field(default_factory=dict)
    percent: bool = False
    gravities: bool = False
    day_first: dict[str, tuple[bool, str]] = field(default_factory=dict)
    day_first_in: str = ""
    earned: dict[str, list[str]] = field(default_factory=dict)

    def note(self, words: str, cell: object) -> None:
        self.earned.setdefault(words, []).append(repr(cell))

    def notes(self, header: str) -> list[str]:
        """A line each, with its verb, which comes first, in the plural where there are several cells."""
        lines = []
        for words, found in self.earned.items():
            cells = list(dict.fromkeys(map(rounded, found)))
            verb, rest = words.split(" ", 1)
            verb = verb if len(cells) == 1 else _OF_SEVERAL.get(verb, verb)
            lines.append(f"column {header!r}: {listing(cells, 4)} {verb} {rest}.")
        return lines


def rounded(shown: str) -> str:
    """Words about a number, which may have sixteen digits in a cell, with no more of them than people write.

    Examples
    --------
    >>> rounded("33.33333333333333%"), rounded("12.5%"), rounded("0.0000123456789"), rounded("B 12.10")
    ('33.33%', '12.5%', '0.00001235', 'B 12.10')
    """
    return _MANY_DIGITS.sub(lambda found: f"{Decimal(f'{Decimal(found[0]):.4g}'):f}", shown)


_MANY_DIGITS = re.compile(r"(?<![\w.])\d{1,4}\.\d{6,}(?![\w.])", re.ASCII)
_OF_SEVERAL = {"was": "were", "lies": "lie", "does": "do"}
Kind = Callable[[Any, Reading], Any]  # a cell to its value, None where missing; raises Wrong


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


def worded(cell: object) -> str:
    """What a cell says, as `plain` has it, without the stop, exclamation mark or apostrophe that may go with words.

    Examples
    --------
    >>> worded("Absent."), worded("No show!"), worded("didn’t come"), worded("1?"), worded("-1")
    ('absent', 'noshow', 'didntcome', '1?', '-1')
    """
    word = plain(cell)
    if word.isalnum():
        return word
    return plain(_APOSTROPHES.sub("", tidy(cell)).rstrip(" .!"))


_APOSTROPHES = re.compile("(?<=[^\\W_])['’](?=[^\\W_])")


def letters(header: object) -> str:
    """Only the letters and digits, for asking what a header resembles; never for reading it.

    Examples
    --------
    >>> letters("≠correct"), letters("tastings (%)")
    ('correct', 'tastings')
    """
    return "".join(c for c in plain(header) if c.isalnum())


def tidy(cell: object) -> str:
    word = str(cell)
    if word.isalnum() and word.isascii():
        return word
    return (word if word.isascii() else unicodedata.normalize("NFC", word)).strip(SPACES)


def is_nothing(cell: object) -> bool:
    return is_empty(cell) or (isinstance(cell, np.datetime64 | np.timedelta64) and bool(np.isnat(cell)))


def is_missing(cell: object, reading: Reading, words: frozenset[str] = NOT_KNOWN) -> bool:
    """Is the cell empty, or does it say in words that nothing is known?"""
    if not isinstance(cell, str):
        return is_nothing(cell)
    word = tidy(cell)
    if word.isdigit():
        return False
    if word.casefold() in words:
        reading.note("was read as missing", word)
        return True
    return not word


def no_answer(cell: object, reading: Reading, words: frozenset[str] = NO_ANSWER) -> bool:
    """Is the cell empty, or does a mark or word in it say that there was no answer?"""
    if is_missing(cell, reading):
        return True
    if isinstance(cell, str) and worded(cell) in words:
        reading.note("was read as no answer", tidy(cell))
        return True
    return False


def one_value(cell: Any) -> Any:
    """The cell as None, a bool, number, day, time or word, whatever library it came from; raises Wrong otherwise."""
    if isinstance(cell, str):
        if not cell.strip():
            return None
        if not cell.isascii() and re.search("[\ud800-\udfff]", cell):
            shown = re.sub("[\ud800-\udfff]", "\ufffd", cell)[:60]
            raise Wrong(f"{shown!r} holds half a character, which was lost before it came here. Type it again")
        return str(cell)
    if is_nothing(cell):
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


def as_shown(cell: object) -> str:
    try:
        return tidy(one_value(cell) or "")[:60]
    except Wrong:
        return "a cell that cannot be read"
