"""Days in cells: one that could be two ("03/04/2025") is read only where other days of its column show which it is."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from metasense.tables.cells import Reading, Wrong, is_missing, tidy
from metasense.tables.languages import columns_called, of_languages

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


def date(cell: object, reading: Reading) -> dt.date | None:
    """A calendar day, if it can only be one day: by itself, or as the other dates of the column are written."""
    if is_missing(cell, reading):
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
    word = re.sub(r"\s+", " ", tidy(cell))
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
                if m[2] not in reading.day_first and reading.day_first_in:
                    reading.note(f"was read with the day first, as in {reading.day_first_in}", word)
                    return dt.date(year, b, a)
                if m[2] not in reading.day_first:
                    raise Wrong(f"{word!r} could be {dt.date(year, b, a)} or {dt.date(year, a, b)}. {remedy}")
                day_first, shown = reading.day_first[m[2]]
                first = "day" if day_first else "month"
                reading.note(f"was read with the {first} first, as {shown!r} in the same column must be", word)
                return dt.date(year, b, a) if day_first else dt.date(year, a, b)
            return dt.date(year, b, a) if b <= 12 else dt.date(year, a, b)
        if m := _IN_WORDS.fullmatch(word):
            short = (m["month"] or m["month2"]).casefold()
            months = [i for i, name in enumerate(_MONTHS, 1) if name.startswith(short)]
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


def language_of_days(header: object, shown: Mapping[str, tuple[bool, str]], mixed: Sequence[str]) -> str:
    """The languages of the header of a column of days, in all of which the day is written first (common practice).

    None where a cell of the column shows the month first, as it was then written by other rules.

    Examples
    --------
    >>> language_of_days("Datum", {}, []), language_of_days("date", {}, [])
    ('German', '')
    """
    if mixed or not all(day_first for day_first, _ in shown.values()):
        return ""
    return of_languages(columns_called(header).get("date", ()))


def order_of_days(cells: Sequence[object]) -> tuple[dict[str, tuple[bool, str]], list[str]]:
    """By the mark between the numbers: does the day come first, and a cell that shows it; only where all agree.

    And the cells that do not agree, one of each order.
    """
    shown: dict[str, dict[bool, str]] = {}
    for cell in cells:
        if isinstance(cell, str) and (m := _DAY_AND_MONTH.fullmatch(re.sub(r"\s+", " ", tidy(cell)))):
            a, b = int(m[1]), int(m[3])
            if (a > 12) != (b > 12):
                shown.setdefault(m[2], {}).setdefault(a > 12, m[0])
    agreed = {mark: next(iter(ways.items())) for mark, ways in shown.items() if len(ways) == 1}
    return agreed, [cell for ways in shown.values() if len(ways) > 1 for cell in ways.values()]
