"""What the formats of a workbook make of what is in its cells: numbers shown as days or in per cent, and colours."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

DATE, DURATION, PERCENT, PERCENT_SIGN = "date", "duration", "percent", "percent sign"
_QUOTED = re.compile(r'"[^"]*"|\\.')
_BRACKETED = re.compile(r"\[[^\]]*\]")


def kind_of_format(code: str) -> str | None:
    """What a number format makes of a number, as far as a table is concerned.

    Examples
    --------
    >>> kind_of_format("0.0%"), kind_of_format('0"%"'), kind_of_format("[$-F800]dddd, d. mmmm yyyy")
    ('percent', 'percent sign', 'date')
    >>> kind_of_format("General"), kind_of_format("0.00")
    (None, None)
    """
    from openpyxl.styles.numbers import is_date_format, is_timedelta_format

    if "%" in _QUOTED.sub("", _BRACKETED.sub("", code)):
        return PERCENT
    if code != "General" and is_date_format(code):
        return DURATION if is_timedelta_format(code) else DATE
    return PERCENT_SIGN if "%" in code else None


def per_cent(number: float) -> str:
    """A number as a cell in per cent shows it, with all its digits.

    Examples
    --------
    >>> per_cent(0.1), per_cent(0.125), per_cent(1), per_cent(0.07)
    ('10%', '12.5%', '100%', '7%')
    """
    return f"{(Decimal(repr(number)) * 100).normalize():f}%"


def colour_of(fill: Any) -> str:
    """The colour of a solid fill that is not white: as it is written there; empty where there is none."""
    pattern = fill.find("{*}patternFill")
    if pattern is None or pattern.get("patternType", "none") in ("none", "gray125"):
        return ""
    colour = pattern.find("{*}fgColor")
    if colour is None:
        return "pattern"
    named = next((f"{kind} {colour.get(kind)}" for kind in ("rgb", "theme", "indexed") if colour.get(kind)), "pattern")
    return "" if named.upper() in ("RGB FFFFFFFF", "RGB 00FFFFFF", "THEME 0", "INDEXED 9", "INDEXED 64") else named
