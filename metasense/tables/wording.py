"""Words in cells: names, codes, remarks, and one of a few words."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from decimal import Decimal

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import (
    EXCEL_ERRORS,
    NO_ANSWER,
    NOT_AVAILABLE,
    NOT_KNOWN,
    Kind,
    Reading,
    Wrong,
    is_missing,
    no_answer,
    plain,
    tidy,
)
from metasense.tables.languages import YES_NO, Catalogue, by_word, folded, of_languages
from metasense.tables.sheets import is_empty


def label(cell: object, reading: Reading) -> str | None:
    """Words on one line that name a person or thing; NA is a name like any other."""
    word = _words(cell, reading)
    if word and re.search(r"[\x00-\x1f\x7f-\x9f]", word):
        raise Wrong(f"{word!r} holds a line break or control character. Write the name on one line")
    return word


def person(cell: object, reading: Reading) -> str | None:
    """A code for a person; None where a mark or word says that there is none. NA may be somebody's initials."""
    if not isinstance(cell, str):
        return None if is_empty(cell) else coded(cell, reading)
    if cell.isascii() and cell.isalnum() and cell.lower() not in _NO_CODES:
        return cell  # as most are, and a million of them may be different
    word = tidy(cell)
    if word.casefold() in _NAMES and word not in ("n/a", "nan", "NaN", "NaT"):
        reading.note("was read as a person's code", word)
    elif no_answer(cell, Reading(), NO_ANSWER - _NAMES):
        return None
    return coded(cell, reading)


_NAMES = frozenset({"na", "nan", "nat", "dk", "skip"})  # which people are called, or may have as initials
_NO_CODES = _NAMES | NO_ANSWER | NOT_KNOWN


def text(cell: object, reading: Reading) -> str | None:
    """Words, kept as written but for spaces around them."""
    return None if is_missing(cell, reading, NOT_AVAILABLE) else _words(cell, reading)


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
    word = tidy(cell)
    if word != cell and word:
        reading.note("was read without spaces at its ends, or with accents joined", word)
    if word in EXCEL_ERRORS:
        raise Wrong(f"{word} is an error of the spreadsheet. Correct the formula and save again")
    unguarded = _GUARD.sub(r"\1", word)
    if unguarded != word:
        reading.note("was read without the apostrophe that keeps spreadsheets from running formulas", unguarded)
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


def choice(abroad: Catalogue | None = None, /, **ways: str) -> Kind:
    """One of a few words; ``choice(yes="y true 1", no="n false 0")`` lists the `plain` ways of writing each.

    `abroad` holds the words of other languages, which are read with a note.
    """
    foreign = {word: meanings for word, meanings in by_word(abroad or {}).items() if len(meanings) == 1}
    meaning = {way: word for word, others in ways.items() for way in (plain(word), *others.split())}

    def read(cell: object, reading: Reading) -> str | None:
        if is_empty(cell):
            return None
        if isinstance(cell, float | np.floating | Decimal) and cell in (0, 1):
            cell = int(cell)
        if isinstance(cell, str):
            cell = _MADE_DECIMAL.sub(r"\1", cell)
        word = meaning.get(plain(cell))
        if word is None and isinstance(cell, str) and folded(cell) in foreign:
            ((word, tongues),) = foreign[folded(cell)].items()
            reading.note(f"was read as {word}, in {of_languages(tongues)}", tidy(cell))
        if word is not None or is_missing(cell, reading):
            return word
        close = difflib.get_close_matches(plain(cell), meaning, n=1) if plain(cell).isalpha() else []
        hint = f". Did you mean {meaning[close[0]]}?" if close else ""
        raise Wrong(f"{tidy(cell)[:60]!r} is not one of {listing(ways)}{hint}")

    return read


_yes_or_no = choice(YES_NO, yes="y true 1", no="n false 0")


def yes_no(cell: object, reading: Reading) -> bool | None:
    """Yes or no, however written."""
    word = _yes_or_no(cell, reading)
    return None if word is None else word == "yes"
