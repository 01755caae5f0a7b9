"""Frames as tables to read: HTML for a cell or a page, plain text for a terminal, Markdown and LaTeX, CSV to keep.

:func:`table` turns a frame of raw numbers into a :class:`Table` of words once, so every form of it says the same.
A pair of columns such as ``lower, upper`` or ``alone_lower, alone_upper`` becomes one column, and what kind of interval
it holds is named in the caption. Everything a user typed is escaped for the form it is printed in.
"""

from __future__ import annotations

import datetime
import html
import os
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from . import words
from .files import TEXT, holds, replacing

_KINDS = (
    (r"(^|_)p_value$", "p"),
    (r"^p_c\b|(^|_)p_c$|\bp_[cd] \(|proportion|share", "percent"),
    (r"^P\(|^prob$|(^|_)probability$|^prior$", "probability"),
    (
        r"^(tastings|correct|tasters|people|cups|signal|hits|noise|false_alarms|planned|looks|prefer_\w+|no_preference)$",
        "count",
    ),
    (r"(^|_)date$", "date"),
)
_ESTIMATES = ("mean", "median", "estimate")
_LABELS = {"p_value": "p", "prob": "probability", "d_prime": "d-prime"}
_NO_MATH = "mathjax_ignore tex2jax_ignore"  # so that a notebook does not typeset a panel named $x$
Kind = str | Callable[[Any], str]


@dataclass(frozen=True)
class Table:
    """A table in words, ready for any medium; ``rows`` are tuples of text as long as ``headers``."""

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    row_header: int = 0
    note: str = ""

    def to_html(self, *, ruled: bool = False) -> str:
        """An accessible HTML table that takes its colours from wherever it is put; `ruled` with lines of its own."""
        lines = ";border:1px solid;padding:2px 6px" if ruled else ""

        def cell(text: str, column: int, *, head: bool) -> str:
            tag = "th" if (head and text) or (not head and column == self.row_header) else "td"
            scope = "" if tag == "td" else ' scope="col"' if head else ' scope="row"'
            align = "right" if self.numeric[column] else "left"
            return f'<{tag}{scope} style="text-align:{align}{lines}">{_html(text)}</{tag}>'

        head = "".join(cell(text, i, head=True) for i, text in enumerate(self.headers))
        body = "\n".join(
            "<tr>" + "".join(cell(text, i, head=False) for i, text in enumerate(row)) + "</tr>" for row in self.rows
        )
        body = body or f'<tr><td colspan="{len(self.headers)}">no rows</td></tr>'
        caption = f'<caption style="text-align:left">{_html(self.caption)}</caption>\n' if self.caption else ""
        note = f"\n<p>{_html(self.note)}</p>" if self.note else ""
        rows = f"<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>"
        collapsed = ' style="border-collapse:collapse"' if ruled else ""
        return f'<table class="metasense {_NO_MATH}"{collapsed}>\n{caption}{rows}\n</table>{note}'

    def to_text(self) -> str:
        """The same table as aligned plain text; in a terminal too narrow for it, in blocks of columns."""
        lines = [self.headers, *self.rows]
        widths = [max(_width(line[i]) for line in lines) for i in range(len(self.headers))]

        def aligned(line: tuple[str, ...], columns: list[int]) -> str:
            padded = []
            for i in columns:
                blank = " " * (widths[i] - _width(line[i]))
                padded.append(blank + line[i] if self.numeric[i] else line[i] + blank)
            return "  ".join(padded).rstrip()

        blocks = []
        for columns in _in_blocks(widths, self.row_header, words.LINE.get()):
            body = [aligned(row, columns) for row in self.rows] or ["no rows"]
            blocks.append("\n".join([aligned(self.headers, columns), *body]))
        return "\n".join([*filter(None, [self.caption]), "\n\n".join(blocks), *filter(None, [self.note])])

    def to_markdown(self) -> str:
        """The same table in Markdown (pipes)."""
        rule = ["---:" if right else ":---" for right in self.numeric]
        rows = [f"| {' | '.join(map(markdown, row))} |" for row in self.rows]
        head = f"| {' | '.join(map(markdown, self.headers))} |"
        parts = ["\n".join([head, f"| {' | '.join(rule)} |", *rows])]
        return "\n\n".join(
            [
                *([markdown(self.caption)] if self.caption else []),
                *parts,
                *([markdown(self.note)] if self.note else []),
            ]
        )

    def to_latex(self) -> str:
        """The same table in LaTeX, with no package needed; its label is ``tab:`` and the caption's words."""
        rows = [f"{' & '.join(map(latex, row))} \\\\" for row in self.rows]
        label = re.sub(r"[^a-z0-9]+", "-", self.caption.split(";")[0].casefold()).strip("-")
        lines = [r"\begin{table}", *([rf"\caption{{{latex(self.caption)}}}"] if self.caption else [])]
        lines += [rf"\label{{tab:{label}}}"] if label else []
        lines += [rf"\begin{{tabular}}{{{''.join('r' if right else 'l' for right in self.numeric)}}}", r"\hline"]
        lines += [f"{' & '.join(map(latex, self.headers))} \\\\", r"\hline", *rows, r"\hline", r"\end{tabular}"]
        return "\n".join([*lines, *([rf"\par {latex(self.note)}"] if self.note else []), r"\end{table}"])

    def cut_to(self, rows: int, line: int) -> Table:
        """The columns that stand side by side in so short a line, and the first so many rows."""
        lines = [self.headers, *self.rows]
        widths = [max(_width(one[i]) for one in lines) for i in range(len(self.headers))]
        kept = _in_blocks(widths, self.row_header, line)[0]
        shown = tuple(tuple(row[i] for i in kept) for row in self.rows[:rows])
        headers = tuple(self.headers[i] for i in kept)
        return replace(self, headers=headers, rows=shown, numeric=tuple(self.numeric[i] for i in kept), note="")

    __repr__ = to_text
    _repr_html_ = to_html


def table(
    frame: pd.DataFrame,
    *,
    caption: str = "",
    labels: Mapping[str, str] | None = None,
    kinds: Mapping[str, Kind] | None = None,
    row_header: str | None = None,
    prob: float = 0.95,
    kind: str = "equal-tailed",
    note: str = "",
    most: int | None = None,
) -> Table:
    """A frame of raw numbers as a table of words.

    Parameters
    ----------
    frame : DataFrame
        One row a row. ``prob`` and ``kind`` columns that never change move to the caption.
    caption : str
        What the table shows; the kind of its intervals is added.
    labels : dict, optional
        Column name to heading. ``"lower"`` (or ``"alone_lower"``) names the merged interval column.
    kinds : dict, optional
        Column name, or entry of the ``quantity`` column, to how its numbers are said: ``d``, ``percent``,
        ``probability``, ``p``, ``count``, ``date``, ``text``, or a function of the value. Others go by their name.
    row_header : str, optional
        The column that names the rows; the first by default.
    prob, kind : float, str
        What the intervals are, where the frame has no such columns.
    most : int, optional
        Show at most so many rows, and say how many more there are.

    Examples
    --------
    >>> frame = pd.DataFrame({"quantity": ["average d-prime", "p_c triangle"], "median": [0.457, 0.352],
    ...                       "lower": [0.08, 0.334], "upper": [0.95, 0.41], "prob": 0.95, "kind": "equal-tailed"})
    >>> table(frame, caption="What is known")
    What is known; intervals: credible interval (95 %, equal-tailed)
    quantity         median  95 % interval
    average d-prime    0.46   0.08 to 0.95
    p_c triangle       35 %   33 % to 41 %
    """
    if not isinstance(frame.index, pd.RangeIndex):
        frame = frame.reset_index()
    if most is not None and len(frame) > most:
        hidden = words.count(len(frame) - most, "more row")
        note = " ".join([note, f"{hidden} not shown here; to_frame() holds them all."])
        frame = frame.iloc[:most]
    frame = frame.set_axis([str(name) for name in frame.columns], axis="columns")
    reader = _Reader(frame, dict(kinds or {}), prob, kind)
    columns = [(name, *reader.column(name)) for name in frame.columns if name not in reader.hidden]
    intervals = list(dict.fromkeys(filter(None, map(reader.interval_name, reader.prefixes))))
    if intervals:
        caption = f"{caption}{'; ' if caption else ''}intervals: {words.listing(intervals)}"
    names = [name for name, *_ in columns]
    return Table(
        caption=words.one_line(caption),
        headers=tuple(words.one_line((labels or {}).get(name, heading)) for name, heading, _, _ in columns),
        rows=tuple(zip(*(cells for _, _, cells, _ in columns), strict=True)),
        numeric=tuple(numeric for *_, numeric in columns),
        row_header=names.index(row_header) if row_header in names else 0,
        note=words.one_line(note),
    )


class Shown(Protocol):
    """Anything but plain text that stands in a cell or on a page: a table, a figure."""

    def to_html(self) -> str:
        """For a notebook or a page."""

    def to_text(self) -> str:
        """For a terminal."""


def block(*parts: str | Shown) -> str:
    """Paragraphs of plain text (escaped here), tables and figures as one piece of HTML, for a ``_repr_html_``.

    Examples
    --------
    >>> block("Salt & <b>pepper</b>")
    '<div class="metasense mathjax_ignore tex2jax_ignore">\\n<p>Salt &amp; &lt;b&gt;pepper&lt;/b&gt;</p>\\n</div>'
    """
    shown = [f"<p>{_html(words.one_line(part))}</p>" if isinstance(part, str) else part.to_html() for part in parts]
    return "\n".join([f'<div class="metasense {_NO_MATH}">', *shown, "</div>"])


def document(parts: Sequence[str | Shown]) -> str:
    """Paragraphs and tables as an HTML document of its own, for a word processor; of a figure, its sentence.

    Examples
    --------
    >>> document(["Salt & pepper"]).splitlines()[4]
    '<p>Salt &amp; pepper</p>'
    """
    said = [part.to_text() if not isinstance(part, str | Table) else part for part in parts]
    shown = [p.to_html(ruled=True) if isinstance(p, Table) else f"<p>{_html(words.one_line(p))}</p>" for p in said]
    head = '<!DOCTYPE html>\n<html lang="en">\n<head><meta charset="utf-8"/><title>metasense</title></head>\n<body>'
    return "\n".join([head, *shown, "</body>", "</html>"]) + "\n"


class _Reader:
    """Reads a frame column by column into headings and cells of words."""

    def __init__(self, frame: pd.DataFrame, kinds: dict[str, Kind], prob: float, kind: str) -> None:
        self.data: dict[str, list[object]] = {name: frame[name].tolist() for name in frame.columns}
        self.rows = range(len(frame))
        self.kinds, self.default = kinds, {"prob": prob, "kind": kind}
        stems = [name.removesuffix("lower") for name in self.data if re.search(r"(^|_)lower$", name)]
        self.prefixes = [stem for stem in stems if f"{stem}upper" in self.data]
        self.hidden = {f"{prefix}upper" for prefix in self.prefixes}
        for prefix in self.prefixes:
            self.hidden |= {
                name for part in ("prob", "kind") if (name := self._where(prefix, part)) and self._same(name)
            }

    def column(self, name: str) -> tuple[str, list[str], bool]:
        """The heading of a column, its cells, and whether they are numbers."""
        heading = _LABELS.get(name, name.replace("_", " "))
        owner = next(
            (p for p in self.prefixes if name.startswith(p) and name.removeprefix(p) in (*_ESTIMATES, "lower")), None
        )
        if owner is None and f"{name}_" in self.prefixes:
            owner = f"{name}_"
        if owner is None:
            cells = [_say(value, self._kind(name, row)) for row, value in enumerate(self.data[name])]
            filled = [value for value in self.data[name] if not _missing(value)]
            return heading, cells, all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in filled)
        if not name.endswith("lower"):
            return heading, [self._beside(name, owner, row) for row in self.rows], True
        level = self._part(owner, "prob")
        stem = f"{_LABELS.get(owner[:-1], owner[:-1].replace('_', ' '))}, " if owner else ""
        heading = f"{stem}{words.percent(level)} interval" if isinstance(level, float) else f"{stem}interval"
        return heading, [self._span(owner, row) for row in self.rows], True

    def interval_name(self, prefix: str) -> str:
        level, kind = self._part(prefix, "prob"), self._part(prefix, "kind")
        return "" if level is None or kind is None else words.interval_name(float(str(level)), str(kind))

    def _where(self, prefix: str, part: str) -> str | None:
        return next((name for name in (f"{prefix}{part}", part) if name in self.data), None)

    def _same(self, name: str) -> bool:
        return len(set(map(str, self.data[name]))) <= 1

    def _part(self, prefix: str, part: str) -> object:
        name = self._where(prefix, part)
        if name is None or not self.rows:
            return self.default[part]
        return self.data[name][0] if self._same(name) else None

    def _kind(self, name: str, row: int) -> Kind:
        if name in self.kinds:
            return self.kinds[name]
        if "quantity" in self.data and re.search(r"(^|_)(mean|median|estimate|lower|upper|sd|value)$", name):
            entry = str(self.data["quantity"][row])
            return self.kinds.get(entry) or _kind_of(entry) or "d"
        return _kind_of(name)

    def _numbers(self, prefix: str, row: int) -> tuple[float, float]:
        return _number(self.data[f"{prefix}lower"][row]), _number(self.data[f"{prefix}upper"][row])

    def _beside(self, name: str, prefix: str, row: int) -> str:
        """An estimate with enough digits not to look like a bound it does not equal."""
        value, kind = _number(self.data[name][row]), self._kind(name, row)
        if callable(kind) or value != value:
            return _say(self.data[name][row], kind)
        return words.distinct(value, *self._numbers(prefix, row), unit=_unit(kind))[0]

    def _span(self, prefix: str, row: int) -> str:
        lower, upper = self._numbers(prefix, row)
        if lower != lower or upper != upper:
            return ""
        kind = self._kind(f"{prefix}lower", row)
        if callable(kind):
            return f"{kind(lower)} to {kind(upper)}"
        stem = prefix.removesuffix("_")
        beside = [_number(self.data[n][row]) for n in (stem, *(f"{prefix}{e}" for e in _ESTIMATES)) if n in self.data]
        ranges = [words.distinct(lower, upper, value, unit=_unit(kind))[:2] for value in beside if value == value]
        return words.span(
            *max(ranges or [words.distinct(lower, upper, unit=_unit(kind))], key=lambda r: len("".join(r)))
        )


def _kind_of(name: str) -> str:
    return next((kind for pattern, kind in _KINDS if re.search(pattern, name)), "")


def _unit(kind: str) -> str:
    return "percent" if kind in ("percent", "probability") else "d"


def _number(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else float("nan")


def _missing(value: object) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or value != value


def _say(value: object, kind: Kind) -> str:
    if _missing(value):
        return ""
    if callable(kind):
        return words.one_line(kind(value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (pd.Timestamp, datetime.date)):
        return str(value).removesuffix(" 00:00:00")
    if not isinstance(value, (int, float)) or kind == "text":
        return words.one_line(value)
    say: dict[str, Callable[[float], str]] = {
        "percent": words.percent,
        "probability": words.probability,
        "count": words.whole,
        "p": _bare_p,
    }
    return say.get(kind, words.whole if isinstance(value, int) else words.d)(value)


def _bare_p(p: float) -> str:
    return words.p_value(p).removeprefix("p ").removeprefix("= ")


# --- escaping -------------------------------------------------------------------------------------------------------


def _html(text: str) -> str:
    together = r"(?<=\d) %(?: (?=interval))?|(?<=<) (?=\d)"  # 12 %, 95 % interval, < 0.001: never broken over lines
    return html.escape(re.sub(together, lambda match: match[0].replace(" ", "\u00a0"), text))


def markdown(text: str) -> str:
    return re.sub(r"([\\`*_\[\]|$~#!])", r"\\\1", text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;"))


_LATEX = {c: f"\\{c}" for c in "&%$#_{}"} | {
    "\\": r"\textbackslash{}",
    "~": r"\textasciitilde{}",
    "^": r"\textasciicircum{}",
}
_LATEX |= {"<": r"\textless{}", ">": r"\textgreater{}", "|": r"\textbar{}", "[": "{[}", "*": "{*}", '"': "{''}"}


def latex(text: str) -> str:
    return "".join(_LATEX.get(character, character) for character in text)


def _in_blocks(widths: list[int], first: int, line: int | None) -> list[list[int]]:
    """Columns that stand side by side; where a line is too short for all, in blocks that each begin with the first.

    >>> _in_blocks([10, 8, 8, 8], 0, 30)
    [[0, 1, 2], [0, 3]]
    """
    every = list(range(len(widths)))
    if line is None or sum(widths) + 2 * (len(widths) - 1) <= line:
        return [every]
    blocks = [every[: first + 1]]
    for i in every[first + 1 :]:
        if sum(widths[j] + 2 for j in [*blocks[-1], i]) - 2 > line and len(blocks[-1]) > 1:
            blocks.append([first])
        blocks[-1].append(i)
    return blocks


def _width(text: str) -> int:
    """Columns a text takes on a terminal: wide letters take two, combining marks none."""
    wide = sum(unicodedata.east_asian_width(c) in "WF" for c in text)
    return len(text) + wide - sum(unicodedata.combining(c) > 0 for c in text)


# --- CSV ------------------------------------------------------------------------------------------------------------


OVERWRITE = " Or say overwrite=True to replace a table."


def write_csv(frame: pd.DataFrame, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a frame as CSV (UTF-8) that a spreadsheet will not run, whole or not at all.

    Text that a spreadsheet would take for a formula, in a cell or a heading, gets an apostrophe in front; text that
    is a plain number stays. Numbers are written with all their digits.

    Parameters
    ----------
    frame : DataFrame
    path : path
        Of a file that ends in ``.csv``. One that holds just this table already is left as it is.
    overwrite : bool
        Whether another table of that name may be replaced; a key or a sheet of answers never is.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ValueError
        If the name ends in something else than ``.csv``.
    FileExistsError
        If a file of that name holds something else, unless it is a table and `overwrite` is true.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_csv(pd.DataFrame({"panel": ["=1+1"], "correct": [12]}), f"{folder}/panels.csv")
    ...     print(path.read_text(encoding="utf-8"))
    panel,correct
    '=1+1,12
    <BLANKLINE>
    """
    target = Path(path)
    if target.suffix.lower() != ".csv":
        raise ValueError(f"cannot write {os.fspath(path)!r}: tables are written as CSV. Name a file that ends in .csv.")
    data = as_csv(frame).encode()
    try:
        if not overwrite and holds(path, data):
            return target
    except FileExistsError as error:
        raise FileExistsError(f"{error}{OVERWRITE}") from None
    with replacing(path, TEXT if overwrite else None) as scratch:
        scratch.write_bytes(data)
    return target


def as_csv(frame: pd.DataFrame) -> str:
    """The text that `write_csv` writes."""
    if not isinstance(frame.index, pd.RangeIndex):
        frame = frame.reset_index()
    heads = [str(_inert(str(name))) for name in frame.columns]
    safe = pd.DataFrame({i: [_inert(value) for value in frame.iloc[:, i]] for i in range(len(heads))}, dtype=object)
    return safe.to_csv(index=False, header=heads, lineterminator="\n")


def _is_a_day(moment: datetime.datetime) -> bool:
    return not pd.isna(moment) and moment.tzinfo is None and moment.time() == datetime.time()


def _inert(value: object) -> object:
    if isinstance(value, datetime.datetime) and _is_a_day(value):
        return value.strftime("%Y-%m-%d")  # a day
    if not isinstance(value, str) or re.fullmatch(r"[+-]?\d+([.,]\d+)?", value):
        return value
    value = value.encode("utf-8", "replace").decode("utf-8").replace("\0", "\ufffd")  # what no CSV may hold
    value = re.sub(r"([;\t\r\n]\s*)(?=[=+@\-])", r"\1'", value)  # where ; or a tab divides the cells
    return f"'{value}" if re.match(r"\s*[=+\-@\t\r\uff1d\uff0b\uff0d\uff20]|[\t\r\n]", value) else value
