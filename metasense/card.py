"""The question card: what was decided before the panels, in a small file that a person can read.

It names the question and what hangs on it, the margin, the protocol, how many tastings or when to stop, what may be
left out and which moderators will be looked at, and holds the three sentences of which one will be printed. A hash over
its content stands at its end, so that a later change shows; and a pool that is given the card says where it departs
from it. A departure is no fault, only something a reader should know.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.engine.priors import Priors
from metasense.margins import Margin, margin_of
from metasense.protocols import protocol
from metasense.showing import words
from metasense.showing.files import holds, replacing
from metasense.showing.results import Result
from metasense.showing.tables import Table, table
from metasense.slips import DAY, LIST, NUMBER, said_of, slipped, typed_lines
from metasense.tables.panels import Panels

DEPARTS = "Departs from the question card: "
LISTED = 6  # panels named in a departure before the rest are counted
_NEEDED = ("question", "decision")
KINDS = {"protocols": LIST, "moderators": LIST, "tastings": NUMBER, "panels": NUMBER, "looks": NUMBER, "date": DAY}
_SEAL = "sha256"
_CHANGED = "changed"  # stands in place of the seal of a card that was edited, and stays
_IN_WORDS = "margin_in_words"
_HEAD = (
    "# Question card: what was decided before the panels. Keep it as it is; a change shows in the seal.",
    "# The seal guards against slips, not against someone who makes a new one: send a dated copy to somebody.",
)


@dataclass(frozen=True, repr=False, kw_only=True)
class Card(Result):
    """What was decided before the panels.

    Parameters
    ----------
    question : str
        What is asked, in a sentence.
    decision : str
        What will be done if the answer is beyond the margin, within it, or not settled.
    margin : Margin or str
        The smallest difference that matters, such as "0.2 triangle".
    protocols : str, Protocol or sequence of them
        How the panels will be served.
    date : str or datetime.date
        Day on which this was decided, as ``2025-03-01``.
    tastings : int, optional
        In each panel. Give this, or `stopping`, or both.
    stopping : str
        The rule by which a panel, or the whole, ends.
    panels : int, optional
        How many are planned.
    looks : int
        Times a panel's count will be looked at, its end included.
    exclusions : str
        What will be left out, and why.
    moderators : str or sequence of str
        Columns that will be looked at as moderators.
    priors : Priors
        Prior scales the pool will have.
    sentences : dict of str
        The three sentences by verdict, one of which will be printed; written from the margin unless given.
    edited : bool
        Whether a card that was read does not fit its seal.

    Raises
    ------
    ValueError
        If something is missing or out of range; all of it is listed.

    Examples
    --------
    >>> card = Card(question="Can pea protein replace isinglass unnoticed?", decision="Change the fining if within.",
    ...             margin=Margin(p_d=0.2, protocol="triangle"), protocols="triangle", tastings=30, panels=4,
    ...             date="2025-03-01")
    >>> card.date.isoformat(), len(card.sha256), card.sentences["within the margin"][:17]
    ('2025-03-01', 64, 'Within the margin')
    """

    question: str
    decision: str
    margin: Margin
    protocols: tuple[str, ...]
    date: datetime.date
    tastings: int | None = None
    stopping: str = ""
    panels: int | None = None
    looks: int = 1
    exclusions: str = "none planned"
    moderators: tuple[str, ...] = ()
    priors: Priors = field(default_factory=Priors)
    sentences: dict[str, str] = field(default_factory=dict)
    edited: bool = field(default=False, compare=False)

    _inside = frozenset({"read", "write"})  # older names

    def __post_init__(self) -> None:
        decided, wrong = checked({name: getattr(self, name) for name in DECIDED})
        if wrong:
            raise ValueError(f"this question card cannot be: {'; '.join(wrong.values())}.")
        for name, value in decided.items():
            object.__setattr__(self, name, value)
        object.__setattr__(self, "sentences", dict(self.sentences) or self._printed())

    def summary(self) -> str:
        """The card's day and hash, for a page.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> card.summary()[:40]
        'of 2025-03-01, SHA-256 22dec1c6b703ac7bf'
        """
        return f"of {self.date}, SHA-256 {self.sha256}{'; changed after it was written' if self.edited else ''}"

    def _printed(self) -> dict[str, str]:
        return words.verdict_sentences(self.margin.sentence(), self.margin.settled)

    @property
    def sha256(self) -> str:
        """Hash of the content: the same wherever and however the card is kept."""
        return _hash(self._content())

    def _content(self) -> dict[str, Any]:
        """What stands in the file above the seal, in order."""
        plan = {"tastings": self.tastings, "panels": self.panels}
        return {
            "question": self.question,
            "decision": self.decision,
            "date": self.date,
            "margin": self.margin.text,
            _IN_WORDS: self.margin.sentence(),
            "protocols": list(self.protocols),
            **{name: number for name, number in plan.items() if number is not None},
            "stopping": self.stopping,
            "looks": self.looks,
            "exclusions": self.exclusions,
            "moderators": list(self.moderators),
            "priors": {n: float(v) if isinstance(v, int) else v for n, v in self.priors.stored().items()},
            "sentences": self.sentences,
        }

    # --- the file ---------------------------------------------------------------------------------------------------

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the card as a TOML file; a card already there is never replaced by another.

        A card that was changed after it was written is not sealed anew: its file goes on saying so. ``write`` is
        an older name of the same.

        Parameters
        ----------
        path : str or path
            File to write, such as ``card.toml``.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        FileExistsError
            If another card, or anything else, is at `path`.

        Examples
        --------
        >>> import tempfile
        >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin=Margin(d_prime=0.8),
        ...             protocols="triangle", tastings=30, date="2025-03-01")
        >>> Card.load(card.save(f"{tempfile.mkdtemp()}/card.toml")) == card
        True
        """
        target = Path(path)
        text = self.to_text()
        try:
            if holds(path, text.encode()):
                return target
        except FileExistsError as error:
            raise FileExistsError(f"{error} A card is not rewritten: write the new one beside it.") from None
        with replacing(path) as scratch:
            scratch.write_text(text, encoding="utf-8", newline="\n")
        return target

    write = save

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Card:
        """Read a card that was saved. If its content is not what was sealed, ``edited`` is true and the card says so.

        ``read`` is an older name of the same.

        Parameters
        ----------
        path : str or path
            The file.

        Returns
        -------
        Card

        Raises
        ------
        ValueError
            If the file is not a question card.

        Examples
        --------
        >>> Card.load("no such card.toml")
        Traceback (most recent call last):
            ...
        ValueError: there is no question card 'no such card.toml'.
        """
        if not isinstance(path, (str, os.PathLike)):
            raise ValueError(f"a question card is a Card, or the path of the file it was written to; got {path!r}.")
        name = os.fspath(path)
        try:
            return cls.from_text(Path(path).read_text(encoding="utf-8-sig"), name)
        except FileNotFoundError:
            raise ValueError(f"there is no question card {name!r}.") from None
        except UnicodeDecodeError as error:
            raise ValueError(f"{name!r} cannot be read as a question card: {error}.") from None

    read = load

    @classmethod
    def from_text(cls, text: str, name: str = "the text") -> Card:
        """The card that a file's text holds; `name` is what messages call it.

        Parameters
        ----------
        text : str
            What the file holds.
        name : str
            What messages call it.

        Returns
        -------
        Card

        Raises
        ------
        ValueError
            If it is not a question card.

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> ms.Card.from_text(card.to_text()) == card
        True
        """
        typed = typed_lines(text, KINDS)
        if typed.slips:
            raise ValueError(slipped(f"{name!r} cannot be read as a question card", said_of(typed)))
        content = typed.lines
        seal = content.pop("seal", {})
        known = [f for f in cls.__dataclass_fields__ if f in content and f not in ("priors", "margin", "edited")]
        missing = {"question", "decision", "date", "margin", "protocols"} - set(content)
        if missing:
            raise ValueError(f"{name!r} is not a question card: it has no {words.listing(sorted(missing))}.")
        try:
            margin = Margin(content["margin"])
        except ValueError as error:
            raise ValueError(f"{name!r} is not a question card: {str(error).rstrip('.')}.") from None
        try:
            card = cls(
                margin=margin,
                priors=Priors.of_stored(content.get("priors", {})),
                edited=seal != {_SEAL: _hash(content)},
                **{field: content[field] for field in known},
            )
        except (TypeError, AttributeError) as error:
            raise ValueError(f"{name!r} is not a question card: {error}.") from None
        remarks = set(_comments(text)) - {*_HEAD, f"# {card.margin.sentence()}"}
        return replace(card, edited=True) if remarks and not card.edited else card

    def to_text(self) -> str:
        """The file as text: TOML with the seal at its end, or that the card was changed.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> card.to_text().splitlines()[2]
        'question = "Is the new yeast noticed?"'
        """
        lines = list(_HEAD)
        for name, value in self._content().items():
            if isinstance(value, dict):
                keys = [key if key.isidentifier() else _toml(key) for key in value]
                lines += [
                    "",
                    f"[{name}]",
                    *(f"{key} = {_toml(v)}" for key, v in zip(keys, value.values(), strict=True)),
                ]
            else:
                lines.append(f"{name} = {_toml(value)}")
        seal = f"{_SEAL} = {_toml(self.sha256)}"
        if self.edited:
            seal = f"{_CHANGED} = {_toml('after it was written; make a new card to seal what it says now')}"
        return "\n".join([*lines, "", "[seal]", seal, ""])

    # --- against a pool ---------------------------------------------------------------------------------------------

    def departures(self, panels: Panels, *, margin: Margin | None, priors: Priors) -> tuple[str, ...]:
        """Where a pool of these panels is not what the card says, each in a sentence.

        Parameters
        ----------
        panels : Panels
        margin, priors
            Those of the pool.

        Returns
        -------
        tuple of str
            Empty if nothing was found.

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> panels = ms.read_panels([{"panel": "A", "protocol": "tetrad", "tastings": 30, "correct": 12}])
        >>> card.departures(panels, margin=card.margin, priors=card.priors)[0][:30]
        'Departs from the question card'
        """
        return tuple(f"{DEPARTS}{text}" for text in self._departures(panels, margin, priors))

    def unnamed(self, moderators: Iterable[str]) -> tuple[str, ...]:
        """That moderators are used which the card does not name, in a sentence; empty if it names them.

        Parameters
        ----------
        moderators : iterable of str
            Columns that a pool has as moderators.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> card.unnamed(["weeks"])[0][:40]
        'Departs from the question card: moderato'
        """
        names = [name for name in moderators if name not in self.moderators]
        if not names:
            return ()
        return (
            f"{DEPARTS}moderators not named on it: {words.listing(names, LISTED)}. What they seem to show is a "
            "suggestion to test on new panels.",
        )

    def _departures(self, panels: Panels, margin: Margin | None, priors: Priors) -> Iterator[str]:
        frame = panels.frame

        def named(mask: Any, say: Any = None) -> str:
            rows = frame[pd.Series(mask, index=frame.index).fillna(False).astype(bool)]
            said = [row.panel if say is None else f"{row.panel} ({say(row)})" for row in rows.itertuples()]
            return words.listing(said, LISTED)

        if self.edited:
            yield "the card itself was changed after it was written; its seal does not fit its content."
        if margin is None or (margin.d_prime, margin.settled) != (self.margin.d_prime, self.margin.settled):
            used = "none was used" if margin is None else f"the margin used is {margin.text}"
            yield f"it names a margin of {self.margin.text}; {used}."
        if priors != self.priors:
            yield f"it names other priors ({self.priors}); used are: {priors}."
        if self.sentences != self._printed():
            yield "its three sentences are not worded as those printed now."
        other = ~frame["protocol"].isin(self.protocols)
        if other.any():
            served = named(other, lambda row: row.protocol)
            yield f"it names {words.listing(self.protocols)}; served otherwise: {served}."
        given = frame["tastings"].fillna(frame["signal"] + frame["noise"])
        size = given.where(~(given < frame["planned"]).fillna(False), frame["planned"])  # absent, left out: not a plan
        if self.tastings is not None and (size != self.tastings).any():
            sizes = given.to_dict()
            yield (
                f"it plans {words.count(self.tastings, 'tasting')} a panel; of another size: "
                f"{named(size != self.tastings, lambda row: sizes[row.Index])}."
            )
        if self.panels is not None and len(frame) != self.panels:
            yield f"it plans {words.count(self.panels, 'panel')}; {len(frame)} are pooled."
        looked = frame["looks"] > self.looks
        if looked.fillna(False).any():
            yield (
                f"it allows {words.count(self.looks, 'look')} at a panel's count; looked at more often: "
                f"{named(looked, lambda row: words.count(int(row.looks), 'look'))}."
            )
        for note in panels.notes:
            if note.startswith("left out"):
                yield f"{note} Exclusions on the card: {self.exclusions.rstrip('.')}."
        absent = [name for name in self.moderators if name not in panels.moderators]
        if absent:
            yield f"moderators named on it that the table does not have: {words.listing(absent, LISTED)}."
        early = frame["date"] < pd.Timestamp(self.date)
        if early.any():
            yield f"it is dated {self.date}; tasted before that: {named(early)}."
        if frame["date"].isna().any():
            yield f"without a date it cannot be seen whether they came after the card: {named(frame['date'].isna())}."

    # --- showing itself ---------------------------------------------------------------------------------------------

    def to_frame(self) -> pd.DataFrame:
        """What the card says: columns ``item, says``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> card = ms.Card(question="Is the new yeast noticed?", decision="Change if within.", protocols="triangle",
        ...                margin=ms.Margin(d_prime=0.8), tastings=30, date="2025-03-01")
        >>> card.to_frame().columns.tolist()
        ['item', 'says']
        """
        rows = [
            (name.replace("_", " "), _said(value)) for name, value in self._content().items() if name != "sentences"
        ]
        rows += list(self.sentences.items())
        return pd.DataFrame([*rows, (_SEAL, self.sha256)], columns=["item", "says"])

    def _shown(self) -> list[str | Table]:
        shown: list[str | Table] = [table(self.to_frame(), caption=f"Question card of {self.date}")]
        return [*shown, "Note: this card was changed after it was written."] if self.edited else shown


def checked(lines: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """The lines of a card as it keeps them, and what is wrong with each, by the line's name.

    Parameters
    ----------
    lines : mapping of str to object
        Those of `DECIDED` that are there.

    Returns
    -------
    tuple of (dict, dict of str to str)

    Examples
    --------
    >>> checked({"tastings": 24, "looks": "2"})[1]
    {'looks': 'looks is a whole number from 1, without quotation marks: 2'}
    """
    good: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for name, value in lines.items():
        try:
            good[name] = _CHECKS[name](name, value)
        except (ValueError, TypeError) as error:
            wrong[name] = str(error).rstrip(".")
    if lines.get("tastings") is None and not str(lines.get("stopping", "")).strip():
        wrong["tastings"] = "say how many tastings each panel has, or the stopping rule"
    return good, wrong


def _text(name: str, value: Any) -> str:
    if not isinstance(value, str) or (name in _NEEDED and not value.strip()):
        raise ValueError(f"{name} is a text; got {value!r}")
    return value


def _margin(_: str, value: Any) -> Margin:
    margin = margin_of(value)
    if margin is None:
        raise ValueError('margin is the smallest difference that matters, such as "0.2 triangle"; it is missing')
    return margin


def _tests(_: str, value: Any) -> tuple[str, ...]:
    names = tuple(protocol(each).name for each in _several(value))
    if not names:
        raise ValueError("protocols names at least one protocol")
    return names


def _day(_: str, value: Any) -> datetime.date:
    try:
        day = value if isinstance(value, datetime.date) else datetime.date.fromisoformat(str(value))
    except ValueError:
        raise ValueError(f"date is a day as 2025-03-01; got {value!r}") from None
    return day.date() if isinstance(day, datetime.datetime) else day


def _columns(name: str, value: Any) -> tuple[Any, ...]:
    columns = tuple(_several(value))
    if not all(isinstance(column, str) for column in columns):
        raise ValueError(f"{name} are names of columns; got {value!r}")
    return columns


def _whole(name: str, value: Any) -> int | None:
    if value is None and name != "looks":
        return None
    if type(value) is int and value >= 1:
        return value
    if isinstance(value, str) and value.isdecimal():
        raise ValueError(f"{name} is a whole number from 1, without quotation marks: {int(value)}")
    raise ValueError(f"{name} is a whole number from 1; got {value!r}")


_CHECKS = {
    "question": _text,
    "decision": _text,
    "margin": _margin,
    "protocols": _tests,
    "date": _day,
    "tastings": _whole,
    "stopping": _text,
    "panels": _whole,
    "looks": _whole,
    "exclusions": _text,
    "moderators": _columns,
}
DECIDED = tuple(_CHECKS)


def _several(value: Any) -> Sequence[Any]:
    return tuple(value) if isinstance(value, Iterable) and not isinstance(value, str) else (value,)


def _said(value: Any) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name.replace('_', ' ')} {part:g}" for name, part in value.items())
    if isinstance(value, list):
        return words.listing(value)
    return str(value) or "none given"


def _toml(value: Any) -> str:
    """A value in TOML, of which JSON's texts, numbers and lists are a part."""
    if isinstance(value, datetime.date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comments(text: str) -> list[str]:
    """The comments of a TOML text: what follows a ``#`` outside all strings."""
    multiline = r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\''
    string = rf"{multiline}|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*'"
    found = re.findall(rf"(?s:{string})|(#[^\r\n]*)", text)
    return [comment.rstrip() for comment in found if comment]


def _hash(content: dict[str, Any]) -> str:
    """SHA-256 of the content in one canonical form, whatever the order or layout of the file."""
    canonical = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"), default=str)
    return hashlib.sha256(canonical.encode()).hexdigest()
