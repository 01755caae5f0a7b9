"""Numbers in cells: counts, decimals with point or comma, thousands, percent, and counts that a share gives.

A number that could be two ("1,000") is read only where other cells of its column show which it is.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np

from metasense.tables.cells import EXCEL_ERRORS, SPACES, Reading, Wrong, among, is_missing, is_nothing, tidy

MOST = 2**53  # the largest count a spreadsheet keeps exactly
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d*,\d+", re.ASCII)
_EITHER = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)  # one thousand, or one and no thousandths
_GROUPED = re.compile(r"[+-]?\d{1,3}([.,' \u00a0\u202f’]\d{3})+([.,]\d+)?", re.ASCII)
_INFINITE = re.compile(r"[+-]?(inf|infinity|∞)", re.IGNORECASE)


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
    word = tidy(cell)
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
    reading.note("was read in per cent", word)
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


GRAVITIES = among("sg og fg gravity specificgravity originalgravity finalgravity startinggravity")


def all_gravities(values: Sequence[Any]) -> bool:
    """Is every cell of a column of specific gravities near that of water, and so no thousands?"""
    words = [tidy(cell) for cell in values if not is_nothing(cell)]
    return all(re.fullmatch(r"0\.[6-9]\d*|1\.[0-3]\d*|1", word) for word in words)


_THOUSANDS = re.compile(r"[+-]?\d{1,3}([.,])\d{3}(?:(?:\1\d{3})+(?:(?!\1)[.,]\d+)?|(?!\1)[.,]\d+)$", re.ASCII)
_DECIMALS = re.compile(r"[+-]?\d*([.,])\d+([eE][+-]?\d{1,3})?", re.ASCII)


def decimal_marks(values: Sequence[Any]) -> dict[str, tuple[bool, str]]:
    """Of point and comma: does it divide off decimals, or thousands? Only where cells show it and none disagrees.

    0.5, 12.25 and 0.250 can only have decimals, 1.000.000 and 12.500,5 only thousands, and 1.000 either.
    """
    shown: dict[str, dict[bool, str]] = {}
    for cell in values:
        if not isinstance(cell, str):
            continue
        word = tidy(cell).removesuffix("%")
        if _EITHER.fullmatch(word):
            continue
        if m := _THOUSANDS.fullmatch(word):
            shown.setdefault(m[1], {}).setdefault(False, word)
            if other := {".", ","} - {m[1]} & set(word):
                shown.setdefault(other.pop(), {}).setdefault(True, word)
        elif m := _DECIMALS.fullmatch(word):
            shown.setdefault(m[1], {}).setdefault(True, word)
    return {mark: next(iter(ways.items())) for mark, ways in shown.items() if len(ways) == 1}


def all_percent(values: Sequence[Any]) -> bool:
    """Has every number of the column a % sign, but for zeros?"""
    if not any(isinstance(cell, str) and "%" in cell for cell in values):
        return False
    filled = [tidy(cell) for cell in values if not is_missing(cell, Reading())]
    return any(word.endswith("%") for word in filled) and all(word.endswith("%") or word == "0" for word in filled)


def number(cell: object, reading: Reading) -> float | None:
    """Any finite number."""
    if is_missing(cell, reading):
        return None
    exact = _number(cell, reading)
    value = float(exact)
    if not math.isfinite(value) or (value == 0) != (exact == 0):
        raise Wrong(f"{tidy(cell)[:40]} is too {'small' if value == 0 else 'large'} to be kept. Check the digits")
    return value


def whole(cell: object, reading: Reading) -> int | None:
    """A count: 0, 1, 2 ..., also written 30.0 or 1e9."""
    if is_missing(cell, reading):
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


def counts_of_share(cell: object, how: str, whole_: int) -> list[int]:
    """The whole numbers of `whole_` that give the share in `cell` at the digits written; raises Wrong for no share.

    ``how`` is "percent" or "part" as `share_of` says, or "either" for a bare number up to 1 among no others.

    Examples
    --------
    >>> counts_of_share("45", "percent", 60), counts_of_share("33.3 %", "part", 30)
    ([27], [10])
    >>> counts_of_share("33", "percent", 200)
    [65, 66, 67]
    """
    word = tidy(cell)
    signed = word.endswith("%")
    word = word.removesuffix("%").rstrip(SPACES)
    if _COMMA.fullmatch(word):
        word = word.replace(",", ".")
    if isinstance(cell, bool | np.bool_) or not _NUMBER.fullmatch(word):
        raise Wrong(f"{tidy(cell)[:60]!r} is not a share. Write the count itself under a column of its own")
    share = Decimal(word)
    if isinstance(cell, float) and share == int(share):
        share = Decimal(int(share))  # 45.0 is how a spreadsheet keeps 45
    most = 1 if how == "part" and not signed else 100
    if not 0 <= share <= most:
        raise Wrong(f"{tidy(cell)[:60]!r} is no share of 0 to {most}. Write the count itself under a column of its own")
    wholes = {100, 1} if how == "either" and not signed and 0 < share <= 1 else {most}
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


def is_numeric(value: object) -> bool:
    if isinstance(value, str):
        return _looks_numeric(tidy(value))
    return isinstance(value, int | float | np.number | Decimal)


@cache
def _looks_numeric(word: str) -> bool:
    word = word.removesuffix("%").rstrip(SPACES)
    return any(pattern.fullmatch(word) for pattern in (_NUMBER, _COMMA, _GROUPED, _INFINITE))
