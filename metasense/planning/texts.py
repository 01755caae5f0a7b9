"""The words of the printed sheets: one file a language, and a user's own wording on top.

A file is TOML: a table a sheet, a line a text. What stands in braces is filled in when a sheet is made, and every
wording of a text has the same ones. `sheet_texts` reads a language, lays own wording over it, and refuses what the
sheets would not use, so that a slip shows before anything is printed.
"""

from __future__ import annotations

import difflib
import os
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from metasense.showing import words
from metasense.slips import said_of, slipped, typed_lines

LANGUAGES = ("en", "de", "fr", "es")
CODE = "language"
Entry = str | tuple[str, ...]
Own = Mapping[str, Any] | str | os.PathLike[str]


@dataclass(frozen=True)
class Texts:
    """Every text of the sheets, by a name such as ``ballots.rinse``.

    Attributes
    ----------
    entries : dict of str to str or tuple of str
        ``language`` is what a browser is told.
    base : str
        The language of what is ours.
    own : dict of str to str or tuple of str
        Own wording, which is in `entries` as well.

    Examples
    --------
    >>> sheet_texts("de")("ballots.set", number=1, all=2)
    'Satz 1 von 2'
    """

    entries: dict[str, Entry]
    base: str = "en"
    own: dict[str, Entry] = field(default_factory=dict)

    def __call__(self, name: str, **values: object) -> str:
        text = self.entries[name]
        assert isinstance(text, str)
        return _one_line(text.format(**values))

    def lines(self, name: str) -> tuple[str, ...]:
        """A text that is a list."""
        entry = self.entries[name]
        assert not isinstance(entry, str)
        return tuple(map(_one_line, entry))

    @property
    def language(self) -> str:
        """The code of the language."""
        return str(self.entries[CODE])


def _one_line(text: str) -> str:
    """Safe to print inside a line; spaces that no line is broken at stay."""
    return "\u00a0".join(map(words.one_line, text.split("\u00a0")))


def sheet_texts(language: str = "en", own: Own | None = None) -> Texts:
    """The words of a language, with own wording in place of some.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.
    own : path of a TOML file, or mapping, optional
        Own wording, by table and name as in the files of metasense.

    Raises
    ------
    ValueError
        If there is no such language, or the wording has a name, a placeholder or a kind of text that the sheets do not
        use; all that is wrong is listed.

    Examples
    --------
    >>> sheet_texts("fr", {"ballots": {"rinse": "Buvez une gorgée."}})("ballots.rinse")
    'Buvez une gorgée.'
    >>> sheet_texts("en", {"ballots": {"rins": "Sip."}})
    Traceback (most recent call last):
    ValueError: own wording: there is no text 'ballots.rins'; did you mean 'ballots.rinse'?
    """
    code = str(language).casefold()
    if code not in LANGUAGES:
        raise ValueError(
            f"there are no sheets in {language!r}; language is one of {words.listing(map(repr, LANGUAGES))}. For "
            "another, give every wording with texts= (--texts)."
        )
    entries = _ours(code)
    if own is None:
        return Texts(entries, code)
    name = "own wording" if isinstance(own, Mapping) else repr(os.fspath(own))
    given = _flat(own if isinstance(own, Mapping) else _read(own))
    problems = [problem for entry in given for problem in _problems(entry, given[entry], entries)]
    if problems:
        raise ValueError(f"{name}: {words.listing(problems, 8)}.".replace("?.", "?"))
    return Texts(entries | given, code, given)


@lru_cache
def _ours(code: str) -> dict[str, Entry]:
    text = files("metasense").joinpath("languages", f"{code}.toml").read_text(encoding="utf-8")
    return _flat(tomllib.loads(text))


def _read(path: str | os.PathLike[str]) -> dict[str, Any]:
    name = repr(os.fspath(path))
    try:
        text = Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ValueError(f"there is no file {name}.") from None
    except UnicodeDecodeError:
        raise ValueError(f"{name} is not in UTF-8. Save it as UTF-8 text first.") from None
    typed = typed_lines(text)
    if typed.slips:
        raise ValueError(slipped(f"{name} cannot be read", said_of(typed)))
    return typed.lines


def _flat(tables: Mapping[str, Any], stem: str = "") -> dict[str, Any]:
    """Texts by name, those of a table with its name and a point before theirs."""
    out: dict[str, Any] = {}
    for name, value in tables.items():
        if isinstance(value, Mapping):
            out |= _flat(value, f"{stem}{name}.")
        else:
            out[f"{stem}{name}"] = tuple(value) if isinstance(value, list) else value
    return out


def _problems(name: str, value: object, ours: dict[str, Entry]) -> list[str]:
    """What is wrong with one wording."""
    if name not in ours:
        near = difflib.get_close_matches(name, ours, n=1)
        return [f"there is no text {name!r}{f'; did you mean {near[0]!r}?' if near else ''}"]
    if isinstance(ours[name], str):
        if not isinstance(value, str) or not value.strip():
            return [f"{name!r} is a text in quotation marks, and not empty"]
    elif not isinstance(value, tuple) or not value or not all(isinstance(line, str) for line in value):
        return [f"{name!r} is a list of texts in quotation marks"]
    try:
        said = placeholders(value)
    except ValueError as error:
        return [f"{name!r} has a brace too many or too few ({error}); a brace to be printed is written twice"]
    wanted = placeholders(ours[name])
    if said != wanted:
        braces = words.listing(f"{{{one}}}" for one in sorted(wanted)) if wanted else "nothing"
        return [f"{name!r} has {braces} in braces, to be filled in"]
    return []


def placeholders(entry: Entry) -> set[str]:
    """What is filled into a text.

    >>> sorted(placeholders("set {number} of {all}"))
    ['all', 'number']
    """
    if not isinstance(entry, str):
        return set().union(*map(placeholders, entry))
    return {field for _, field, _, _ in string.Formatter().parse(entry) if field is not None}
