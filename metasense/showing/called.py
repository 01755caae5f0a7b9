"""What people call the columns of a table: words instead of a heading, and the unit of its numbers.

Where nobody said so, both are read off the heading: ``weeks_bottled`` becomes "weeks bottled", ``salt_cut_pct`` a salt
cut in %. Frames keep the headings as they were typed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from . import words

MOST = 60  # characters of a name or a unit
UNITS = {"pct": "%", "percent": "%", "g_l": "g/L", "mg_l": "mg/L", "g_kg": "g/kg", "ml": "mL"}  # as headings end
ONE = re.compile(r"^(day|week|month|year|hour|minute|second|gram|litre|degree|point|batch(?=es))(?:s|es)\b")


@dataclass(frozen=True)
class Called:
    """Names and units by column.

    Attributes
    ----------
    names, units : dict of str to str
        As they were given; of the other columns both are read off the heading.

    Examples
    --------
    >>> called = Called({"weeks_bottled": "time in the bottle"}, {"weeks_bottled": "weeks"})
    >>> called.where({"weeks_bottled": 6.0}), called.where({"salt_cut_pct": 10.0})
    ('time in the bottle = 6 weeks', 'salt cut = 10 %')
    """

    names: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def name(self, column: str) -> str:
        """A column in words.

        >>> Called().name("weeks_bottled"), Called().name("dose (g/L)"), Called().name("residual_sugar_g_l")
        ('weeks bottled', 'dose', 'residual sugar')
        """
        return self.names.get(column) or _read(column)[0]

    def unit(self, column: str) -> str:
        """The unit of its numbers; empty where none is known.

        >>> Called().unit("weeks_bottled"), Called().unit("dose (g/L)"), Called().unit("salt_cut_pct")
        ('', 'g/L', '%')
        """
        if column in self.units:
            return self.units[column]
        return "" if column in self.names else _read(column)[1]

    def with_unit(self, column: str) -> str:
        """Its words, with the unit in brackets."""
        unit = self.unit(column)
        return f"{self.name(column)} ({unit})" if unit else self.name(column)

    def value(self, column: str, value: Any) -> str:
        """One of its values: a number with its unit, or a word.

        >>> called = Called(units={"stored": "weeks"})
        >>> called.value("stored", 1.0), called.value("stored", 12.5), called.value("stored", "cold")
        ('1 week', '12.5 weeks', 'cold')
        """
        said = said_value(value)
        unit = self.unit(column)
        if not unit or not _is_number(value):
            return said
        unit = ONE.sub(r"\1", unit) if value == 1 else unit
        return f"{said} {unit}"

    def where(self, values: Mapping[str, Any]) -> str:
        """Stated values of columns, in words."""
        if not values:
            return "the average panel"
        return words.listing(f"{self.name(column)} = {self.value(column, value)}" for column, value in values.items())

    def listed(self, columns: Iterable[str]) -> str:
        """Several columns in words."""
        return words.listing(map(self.name, columns))

    def stored(self) -> dict[str, dict[str, str]]:
        """What was given, for a file; nothing where nothing was."""
        return {part: given for part, given in (("names", self.names), ("units", self.units)) if given}


def called_of(
    names: Mapping[str, str] | None, units: Mapping[str, str] | None, columns: Iterable[str] | None = None
) -> Called:
    """Names and units as somebody gave them.

    Raises
    ------
    ValueError
        Naming every column that is not there, and every name or unit that is no short text.
    """
    known = None if columns is None else list(columns)
    problems = []
    for part, given in (("names", names), ("units", units)):
        if given is not None and not isinstance(given, Mapping):
            example = {"weeks_bottled": "weeks" if part == "units" else "time in the bottle"}
            problems.append(f"{part} goes from columns to words, as in {part}={example}; got {given!r}.")
            continue
        for column, said in (given or {}).items():
            if known is not None and column not in known:
                problems.append(
                    f"there is no column {column!r} to give a {part[:-1]}; there is {words.listing(known)}."
                )
            if not isinstance(said, str) or not said.strip() or len(said) > MOST or words.one_line(said) != said:
                problems.append(
                    f"the {part[:-1]} of {column!r} is a text of up to {MOST} characters in one line; got {said!r:.80}."
                )
    if problems:
        raise ValueError(" ".join(problems))
    return Called(dict(names or {}), dict(units or {}))


def said_value(value: Any) -> str:
    """One value of a column, in words."""
    return f"{value:.6g}" if _is_number(value) else words.one_line(value)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float, np.number))


def _read(heading: str) -> tuple[str, str]:
    """The words and the unit of a heading."""
    said = words.one_line(heading)
    in_brackets = re.fullmatch(r"(.*\S)\s*\(([^()]*)\)", said)
    if in_brackets:
        return in_brackets[1].replace("_", " "), in_brackets[2].strip()
    for ending, unit in UNITS.items():
        if said.casefold().endswith(f"_{ending}") and len(said) > len(ending) + 1:
            return said[: -len(ending) - 1].replace("_", " "), unit
    return said.replace("_", " ").strip() or said, ""
