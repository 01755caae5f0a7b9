"""The first screen of a result: the plain answer, one small table, what to be careful about, and what to do next.

Everything else a result knows is one step away, in its details. A first screen takes 25 lines of 80 columns at most, so
long names are cut here, and here only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from . import words
from .tables import Shown, Table, block

ROWS = 8  # of a table on a first screen
CAUTIONS = 2
WHOLE = 80  # characters up to which a note stands on a first screen whole; of longer ones the first sentence does,
LONG = 110  # and of a long sentence what stands before its last colon
CUT = 235  # and no more than fills three lines,
LINES = 300  # or four with its terms explained
HEADING = 30  # characters of the longest heading before a colon, such as that of a departure from the card
NAME = 30  # characters of a name in a table
MORE = "More: details() or --details."
GLOSSES = {  # said once, where the word first stands
    r"d-primes?": "how far apart the products are, in steps of how much one varies from sip to sip",
    r"priors?": "what was assumed beforehand",
    r"p_d": "correct answers beyond guessing, from 0 to 100 %",
    r"alpha-risk": "of calling a difference when all guess",
    r"beta-risk": "of missing the stated difference",
    r"p-value": "how often pure guessing does as well",
    r"moderators?": "a column that the difference may depend on",
    r"SD": "the usual distance from the average",
    r"(?<=the )spread": "how much panels differ",
    r"[Nn]ot double-blind": "taster or server knew which was which",
    r"batch pairs?": "the two productions compared",
}


@dataclass(frozen=True)
class Glance:
    """What is met first.

    Attributes
    ----------
    answer : tuple of str
        The plain answer, a sentence each.
    table : Table or None
        At most eight rows.
    cautions : tuple of str
        Notes in the order of their weight; the first two are shown.
    step : str
        The most useful next step, a sentence.
    with_step : bool
        Whether the step is the last sentence of the plain answer.

    Examples
    --------
    >>> print(Glance(("Not settled.",), cautions=("One panel: the spread rests on the prior.",), step="Serve another."))
    Not settled.
    <BLANKLINE>
    Caution: One panel: the spread (how much panels differ) rests on the prior (what
    was assumed beforehand).
    Next: Serve another.
    More: details() or --details.
    """

    answer: tuple[str, ...]
    table: Table | None = None
    cautions: tuple[str, ...] = ()
    step: str = ""
    with_step: bool = True

    def in_short(self) -> str:
        """The plain answer in one piece."""
        return " ".join([*self.answer, *([f"Next: {self.step}"] if self.step and self.with_step else [])])

    def said(self) -> list[str]:
        """The cautions and the next step, with their terms explained."""
        shown = [f"Caution: {short(note)}" for note in self.cautions[:CAUTIONS]]
        shown += [f"Next: {self.step}"] if self.step else []
        return [_cut_short(text, LINES) for text in explained(shown)]

    def to_text(self) -> str:
        """For a terminal."""
        parts = ["\n".join(words.wrapped(" ".join(self.answer)))]
        if self.table is not None:
            parts.append(in_lines(self.table).to_text())
        parts.append("\n".join(line for text in (*self.said(), MORE) for line in words.wrapped(text)))
        return "\n\n".join(parts)

    def to_html(self, figures: Sequence[Shown], rest: Sequence[str | Shown]) -> str:
        """For a notebook: the figure between answer and table, the details folded; that opens without a kernel."""
        table = [] if self.table is None else [self.table]
        folded = f"<details><summary>All numbers, tables and notes</summary>\n{block(*rest)}\n</details>"
        first = block(" ".join(self.answer), *figures, *table, *self.said())
        return f"{first.removesuffix('</div>')}{folded}\n</div>"

    __repr__ = to_text


def in_lines(table: Table) -> Table:
    """The table with its caption and note in lines."""
    caption, note = ("\n".join(words.wrapped(text)) for text in (table.caption, table.note))
    return replace(table, caption=caption, note=note)


def cut(name: str, most: int = NAME) -> str:
    """A name with its middle left out where it is long, so that its end still tells it from others.

    >>> cut("Cellar door"), cut("A very long name of a panel that was held in spring")
    ('Cellar door', 'A very long nam…held in spring')
    """
    name = words.one_line(name)
    return name if len(name) <= most else f"{name[: most // 2]}…{name[-(most // 2 - 1) :]}"


def short(note: str, whole: int = WHOLE, most: int = LONG) -> str:
    """A note; its first sentence where it is long, and the first of those it lists where that is long too.

    >>> short(f"Departs from the question card: it plans 24 tastings; of another size: {'a panel, ' * 30}")
    'Departs from the question card: it plans 24 tastings; of another size: a panel, a panel, a panel, a panel, …'
    """
    note = words.one_line(note)
    if len(note) > whole:
        note = re.split(r"(?<=[.?])\s", note, maxsplit=1)[0]
    if len(note) > most and note.rfind(": ") > HEADING:
        head, _, listed = note.rpartition(": ")
        note = _first_of(head, listed, most)
    return _cut_short(note, CUT)


def _first_of(head: str, listed: str, most: int) -> str:
    """A heading with as many of the names it announces as there is room for, at least one.

    >>> _first_of("looked at more often", "Brioche, Tuesday (2 looks)", 30)  # a name may have a comma of its own
    'looked at more often: Brioche, Tuesday (2 looks)'
    """
    comma = "), " if "(" in listed else ", "
    names = listed.split(comma)
    while len(names) > 1 and len(f"{head}: {comma.join(names)}{comma}…") > most:
        names.pop()
    shown = comma.join(names)
    return f"{head}: {shown}" if shown == listed else f"{head}: {shown}{comma}…"


def _cut_short(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 2].rsplit(' ', 1)[0]} …"


def explained(texts: Iterable[str]) -> list[str]:
    """The texts with each term of the trade explained where it first stands.

    >>> explained(["It rests on the prior.", "The prior says so."])
    ['It rests on the prior (what was assumed beforehand).', 'The prior says so.']
    """
    found = list(texts)
    for term, gloss in GLOSSES.items():
        for at, text in enumerate(found):
            match = re.search(rf"(?<![\w.(=]){term}(?![\w=(]|\()", text)
            if match:
                found[at] = f"{text[: match.end()]} ({gloss}){text[match.end() :]}"
                break
    return found


def compact(caption: str, headers: Sequence[str], rows: Iterable[Sequence[str]], note: str = "") -> Table:
    """A small table of words, its first column the names of its rows."""
    cells = tuple(tuple(map(words.one_line, row)) for row in rows)[:ROWS]
    numeric = (False, *(True for _ in headers[1:]))
    return Table(words.one_line(caption), tuple(headers), cells, numeric, note=note)
