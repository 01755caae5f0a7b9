"""A file of lines such as ``question = "Is it noticed?"`` (TOML) that a person typed: what it says, and every slip.

A reader of TOML stops at the first character it does not expect. Here the lines are read one by one, so that each that
cannot be read is named by its number, with the line as it is probably meant; the rest is read all the same.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

TEXT, LIST, NUMBER, DAY = "text", "list", "number", "day"
MOST = 8  # problems of a file that are listed before the rest are counted
SHOWN = 60  # characters of a line that are repeated
LONGEST = 40  # lines of a list, or of a text broken into lines
_OPENING, _CLOSING = "\"'“”„«»‘’‚‹›", "\"'“”«»‘’‹›"
_ASSIGNED = re.compile(r"""\s*(?P<name>"[^"]+"|[^"'\[#=:]+?)\s*(?P<sign>=|:(?!//))\s*(?P<value>.*?)\s*$""", re.S)
_HEADING = re.compile(r"\s*\[[^\[\]=,\"']*(\]\s*(#.*)?)?$|\s*\[([\"']).*\3\]$")


@dataclass(frozen=True)
class Slip:
    """What is wrong with one line.

    Attributes
    ----------
    line : int
        From 1.
    name : str
        Before the sign; that of its heading and a point stand before it. Empty where there is none.
    says : str
        What is wrong, and what to write.
    """

    line: int
    name: str
    says: str


@dataclass
class Typed:
    """What was typed.

    Attributes
    ----------
    lines : dict
        By name; the lines under a heading in a dict of their own. Of a line with a slip, what it probably means.
    slips : list of Slip
        Empty if it is TOML.
    where : dict of str to int
        On which line each name stands.
    """

    lines: dict[str, Any] = field(default_factory=dict)
    slips: list[Slip] = field(default_factory=list)
    where: dict[str, int] = field(default_factory=dict)


def typed_lines(text: str, kinds: Mapping[str, str] | None = None) -> Typed:
    """What the lines of a text say, and what is wrong with those that cannot be read.

    Parameters
    ----------
    text : str
        What the file holds.
    kinds : mapping of str to str, optional
        What stands behind a name where that is no text: `LIST`, `NUMBER` or `DAY`.

    Returns
    -------
    Typed

    Examples
    --------
    >>> typed = typed_lines("margin = 0,2 triangle\\ntastings = 24")
    >>> typed.lines
    {'margin': '0.2 triangle', 'tastings': 24}
    >>> typed.slips[0].says
    'margin = 0,2 triangle: a text stands in quotation marks; write margin = "0.2 triangle"'
    """
    typed = Typed()
    heading = ""
    for number, statement in _statements(text):
        if _HEADING.match(statement):
            heading = _heading(typed, number, statement)
            continue
        _take(typed, heading, number, statement, kinds or {})
    try:
        typed.lines = tomllib.loads(text)
        typed.slips = []
    except tomllib.TOMLDecodeError as error:
        if not typed.slips:
            typed.slips.append(Slip(0, "", f"{error}"))
    return typed


def said_of(typed: Typed, more: Mapping[str, str] | None = None) -> list[str]:
    """Every slip, and `more` that is wrong by the line's name, in the order of the lines.

    Examples
    --------
    >>> said_of(typed_lines("looks = x\\ntastings = '24'"), {"tastings": "tastings is a whole number"})
    ['line 1, looks = x: a text stands in quotation marks; write looks = "x"', 'line 2: tastings is a whole number']
    """
    more = more or {}
    found = [(slip.line, f", {slip.says}") for slip in typed.slips if slip.name not in more or "keep one" in slip.says]
    found += [(typed.where.get(name, 0), f": {text}") for name, text in more.items()]
    return [f"line {line}{text}" if line else text.removeprefix(": ") for line, text in sorted(found)]


def slipped(what: str, wrong: Sequence[str]) -> str:
    """The problems of a file, a line each; the first ones where there are many."""
    shown = [f"  {one}" for one in wrong[:MOST]]
    if len(wrong) > MOST:
        shown.append(f"  ... and {len(wrong) - MOST} more")
    return "\n".join([f"{what}:", *shown])


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """The lines that say something, those that belong together as one, with the number of the first."""
    lines = text.replace("\r\n", "\n").split("\n")
    at = 0
    while at < len(lines):
        first = at
        at += 1
        if not lines[first].strip() or lines[first].lstrip().startswith("#"):
            continue
        at += _continued(lines, first)
        yield first + 1, "\n".join(lines[first:at])


def _continued(lines: list[str], first: int) -> int:
    """How many of the lines that follow belong to this one: of a list, or of a text, that ends further down."""
    found = _ASSIGNED.match(lines[first])
    value = found["value"] if found else ""
    if not value or value[0] not in "[\"'" or _parsed(lines[first]) is not None:
        return 0
    long_text = value.startswith(('"""', "'''"))
    end = len(lines) if long_text else min(len(lines), first + LONGEST)
    for last in range(first + 1, end):
        if not long_text and (_ASSIGNED.match(lines[last]) or _HEADING.match(lines[last])):
            return 0
        whole = "\n".join(lines[first : last + 1])
        ends = lines[last].rstrip().endswith("]" if value[0] == "[" else value[0])
        if _parsed(whole) is not None or (ends and not long_text):
            return last - first
    return 0


def _parsed(statement: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(statement)
    except tomllib.TOMLDecodeError:
        return None


def _heading(typed: Typed, number: int, statement: str) -> str:
    """The name of a heading, whose lines follow."""
    name = statement.strip().removeprefix("[").partition("]")[0].strip().strip("\"'")
    if _parsed(statement) is None:
        name = _key(name)
        wrong = f"{_shown(statement)}: a heading is one word in brackets; write [{name}]"
        typed.slips.append(Slip(number, "", wrong))
    if not isinstance(typed.lines.setdefault(name, {}), dict):
        typed.slips.append(Slip(number, name, f"{name} is a line and a heading; keep one of the two"))
        typed.lines[name] = {}
    return name


def _take(typed: Typed, heading: str, number: int, statement: str, kinds: Mapping[str, str]) -> None:
    """Read one line into `typed`."""
    into = typed.lines[heading] if heading else typed.lines
    stem = f"{heading}." if heading else ""
    read = _parsed(statement)
    slip = ""
    if read is None:
        name, meant, slip = _meant(statement, kinds)
        read = {} if meant is None else {name: meant}
        if not name:
            typed.slips.append(Slip(number, "", slip))
            return
    else:
        name = next(iter(read), "")
    if name in into:
        slip = f"{name} stands in line {typed.where[stem + name]} already; keep one of the two"
        read = {}
    typed.where.setdefault(stem + name, number)
    into.update(read)
    if slip:
        typed.slips.append(Slip(number, stem + name, slip))


def _meant(statement: str, kinds: Mapping[str, str]) -> tuple[str, Any, str]:
    """The name, what probably stands behind it, and what is wrong; no name where the line has none."""
    shown = _shown(statement)
    found = _ASSIGNED.match(statement)
    if found is None:
        return "", None, f'{shown}: a line is a name, the sign = and what is said, as in name = "some words"'
    name = _key(found["name"])
    value = found["value"]
    if not value or value.startswith("#"):
        return name, None, f'{shown}: nothing stands behind it; write {name} = "..." or leave the line out'
    kind = kinds.get(name, TEXT)
    meant: Any = _items(value) if kind == LIST else _bare(value)
    if kind == NUMBER and re.fullmatch(r"0*[1-9]\d*([.,]0*)?", str(meant)):
        meant = int(re.split("[.,]", str(meant))[0])
    if kind == DAY and (day := re.fullmatch(r"(\d{4})-(\d{1,2})-(\d{1,2})", str(meant))):
        meant = f"{day[1]}-{int(day[2]):02}-{int(day[3]):02}"
        return name, meant, f"{shown}: a day has its zeros; write {name} = {meant}"
    return name, meant, f"{shown}: {_why(found, value, kind)}; write {name} = {_written(meant)}"


def _why(found: re.Match[str], value: str, kind: str) -> str:
    """What is wrong with the line, the first thing that a reader would stumble over."""
    if " " in found["name"].strip('"'):
        return "a name is one word"
    if found["sign"] == ":":
        return "between the name and what is said stands the sign ="
    if "\n" in value and kind == TEXT:
        return "a text stands on one line"
    if kind == LIST:
        return "a list stands in brackets, each of its parts in quotation marks"
    if kind == NUMBER:
        return "a number stands alone"
    if set(value[0] + value[-1]) & set("“”„«»‘’‚‹›"):
        return "only straight quotation marks are read"
    if value[0] in "\"'" or value[-1] in "\"'":
        if value[0] != value[-1] or len(value) == 1:
            return "a text has a quotation mark at its beginning and one at its end"
        if "\\" in value:
            return "a backslash is read only between single quotation marks"
        return "there are quotation marks inside the text"
    return "a text stands in quotation marks"


def _bare(value: str) -> str:
    """What is said, without the marks around it and a remark behind it, in one line, a decimal comma as a point."""
    if value[0] not in _OPENING:
        value = re.sub(r"\s+#.*$", "", value)
    text = " ".join(value.split())
    text = text[1:] if text[0] in _OPENING else text
    text = text[:-1] if text and text[-1] in _CLOSING else text
    return re.sub(r"^(\d+),(\d+)(?=[\s%]|$)", r"\1.\2", text.strip())


def _items(value: str) -> list[str]:
    """The parts of a list, however they are marked."""
    inside = re.sub(r"\s#[^\n]*", "", value).strip().removeprefix("[").removesuffix("]")
    return [_bare(part.strip()) for part in re.split(r"[,;\n]", inside) if part.strip()]


def _written(meant: Any) -> str:
    """How it is written: a text with marks or backslashes inside between single ones, where that can be."""
    if isinstance(meant, str) and ('"' in meant or "\\" in meant) and "'" not in meant:
        return f"'{meant}'"
    return json.dumps(meant, ensure_ascii=False)


def _key(name: str) -> str:
    return "_".join(name.strip().strip("\"'").split())


def _shown(statement: str) -> str:
    line = " ".join(statement.split())
    return line if len(line) <= SHOWN else f"{line[:SHOWN]}..."
