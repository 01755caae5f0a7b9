"""Pseudonyms that are none: names, e-mail addresses and phone numbers where a code for a person belongs.

Ballots, keys, tables and saved pools carry what tasters are called, and are passed on. Nothing is refused here; what
looks like a person is pointed out. A name cannot be told from a word for certain, so a word is taken for one if it is
spelt like one: letters alone, the first a capital.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from metasense.showing import words

_MAIL = re.compile(r"\S@\S")
_ADDRESS = re.compile(r"[^\s@]+@[^\s@]+\.[^\W\d_]{2,}")
_DIALLED = re.compile(r"[+(]\d.*|0[1-9].{7,}|\d{3}[ .-]\d{3}[ .-]\d{4}")  # no code of figures alone, and no date
_ROLES = {
    "taster",
    "assessor",
    "panelist",
    "panellist",
    "judge",
    "person",
    "guest",
    "volunteer",
    "member",
    "group",
    "team",
}
_PHONE = re.compile(r"[+(]?\d[\d\s()/.\-]*\d")
_WORD = re.compile(r"[^\W\d_]+(?:['\u2019-][^\W\d_]+)*")


SHORT = 9  # letters and digits of one word that may still be a code


def personal(tasters: Iterable[str]) -> list[str]:
    """Those that look like a person's name, e-mail address or phone number, each once.

    Examples
    --------
    >>> personal(["T01", "b7", "Anna Berg", "anna@example.org", "+49 170 1234567", "Otto", "left 3"])
    ['Anna Berg', 'anna@example.org', '+49 170 1234567', 'Otto']
    """
    return [taster for taster in dict.fromkeys(map(str, tasters)) if _personal(taster)]


def _personal(taster: str) -> bool:
    if _MAIL.search(taster):
        return True
    if _PHONE.fullmatch(taster.strip()):
        return sum(c.isdigit() for c in taster) >= 7
    parts = re.split(r"[\s,.]+", taster.strip(" ."))
    if not all(_WORD.fullmatch(part) for part in parts):
        return False
    if not any(c.isupper() or c.islower() for c in taster):  # a script without capitals
        return len(taster) > 1
    return any(part[0].isupper() and not part.isupper() and len(part) > 2 - (len(parts) > 1) for part in parts)


def surely(tasters: Iterable[str]) -> list[str]:
    """Those that hardly can be codes: e-mail addresses, phone numbers, and a first with a last name, each once.

    A word alone may be a code, so a first name is let pass; so are numbers and dates.

    Examples
    --------
    >>> surely(["T01", "Otto", "Anna Berg", "Berg, Anna", "anna@example.org", "+49 170 1234567", "Taster One", "20260109"])
    ['Anna Berg', 'Berg, Anna', 'anna@example.org', '+49 170 1234567']
    """  # noqa: E501
    every = list(map(str, tasters))
    if "".join(every).isalnum() and max(map(len, every)) < SHORT:
        return []  # as nearly always, and there may be a million of them
    return [taster for taster in dict.fromkeys(every) if _surely(taster.strip())]


def _surely(taster: str) -> bool:
    if taster.isalnum() and len(taster) < SHORT:
        return False  # a code, as most are
    if _ADDRESS.search(taster):
        return True
    if _PHONE.fullmatch(taster):
        return sum(c.isdigit() for c in taster) >= 9 and bool(_DIALLED.fullmatch(taster))
    parts = re.split(r"[\s,]+", taster)
    if not 2 <= len(parts) <= 4 or not all(_WORD.fullmatch(part) and len(part) > 1 for part in parts):
        return False
    named = all(part[0].isupper() and not part.isupper() for part in (parts[0], parts[-1]))
    return named and parts[0].lower() not in _ROLES


def note(tasters: Iterable[str]) -> str:
    """That some surely are people, by their number alone, since notes are passed on; empty if none is.

    Examples
    --------
    >>> note(["T01", "Anna Berg"])
    "1 of 2 tasters is written as a person's name, e-mail address or phone number: use codes such as T01, and keep who is who apart."
    """  # noqa: E501
    tasters = list(tasters)
    found = len(surely(tasters))
    if not found:
        return ""
    every = set(map(str, tasters))
    written = "is written as a person's name" if found == 1 else "are written as people's names"
    kinds = "e-mail address or phone number" if found == 1 else "e-mail addresses or phone numbers"
    who = f"{found:,} of {words.count(len(every), 'taster')} {written}, {kinds}"
    return f"{who}: use codes such as T01, and keep who is who apart."


def warning(tasters: Iterable[str]) -> str:
    """That some look like people, in a sentence; empty if none does.

    Examples
    --------
    >>> warning(["T01", "Anna Berg"])
    "'Anna Berg' may be a person's name, address or number: use codes such as T01, and keep who is who apart."
    >>> warning(["T01", "T02"])
    ''
    """
    found = personal(tasters)
    if not found:
        return ""
    are = (
        "may be a person's name, address or number"
        if len(found) == 1
        else "may be people's names, addresses or numbers"
    )
    return f"{words.listing(map(repr, found), 4)} {are}: use codes such as T01, and keep who is who apart."
