"""One result as one page: a single HTML file to read, print, mail and keep.

The page holds everything it needs (figures are embedded, styles are inline, nothing is fetched), reads in order without
sight or mouse, in light and dark and on paper, and escapes every text it is given. The one script on it is ours, moves
the margin, and is named to the browser by its digest, so that no other can run; without it the page
reads the same. What goes on it is a :class:`Page` of words, tables and pictures; what they say is worked out elsewhere.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import words
from .figures import Drawing, figure_to_data_uri
from .files import PAGE, PAGE_MARK, UNSEALED, Kind, marked, ready, replacing, sealed
from .movable import Movable
from .results import Answered, Result
from .tables import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FIRST_NOTES = 2  # that stand open; the others are folded
CAUTIONS = (
    "Tell tasters what is in the cups before they taste: allergens, alcohol, caffeine, and anything added or used in "
    "making it. Anyone may decline or stop without giving a reason.",
    "Alcohol: adults only, small pours, water and food at hand, and nobody drives afterwards.",
    "Additives and processing aids: only what is permitted for that product where it is made and sold, and no more.",
    "Hot liquids scald, and gas cylinders, carbon dioxide and nitrogen can suffocate: trained people handle them.",
    "A taste panel says nothing about safety, shelf life or legality. Local codes, the product's own food-safety plan "
    "and licensed practice come first.",
)


@dataclass(frozen=True)
class Picture:
    """A figure ready to embed: a data URI, the sentence that stands in for it, and a caption."""

    source: str
    alt: str
    caption: str = ""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"data:image/(svg\+xml|png);base64,[A-Za-z0-9+/=]+", self.source):
            raise ValueError("a picture on the page must be an embedded SVG or PNG; make it with picture(ax, alt=...).")


def picture(ax: Axes, *, alt: str, caption: str = "") -> Picture:
    """The figure of `ax`, with the sentence that says what it shows."""
    return Picture(figure_to_data_uri(ax), alt, caption)


def drawn(drawing: Drawing, caption: str = "") -> Picture:
    """The same from a figure that has not been drawn yet."""
    from matplotlib.figure import Figure

    return picture(drawing.draw(Figure()), alt=drawing.alt, caption=caption)


def parts(result: Result) -> tuple[str | Table | Picture, ...]:
    """What a result shows of itself, ready for a page."""
    ready: list[str | Table | Picture] = []
    shown = list(result._shown())
    if isinstance(result, Answered):
        picture = result._picture()
        shown = [result.plain_answer(), *([] if picture is None else [picture]), *shown]
    for part in shown:
        if isinstance(part, (str, Table)):
            ready.append(part)
        elif isinstance(part, Drawing):
            ready.append(drawn(part))
        else:
            ready.append(part.to_text())
    return tuple(ready)


@dataclass(frozen=True)
class Section:
    """A further part of the page: paragraphs, tables and pictures in the order given."""

    title: str
    parts: tuple[str | Table | Picture, ...]


@dataclass(frozen=True, kw_only=True)
class Page:
    """What stands on the page, in plain words; empty parts are left out.

    Attributes
    ----------
    title, question : str
        The heading, and what was asked.
    answer, next_step : str
        The answer in a few plain sentences, and what would help most now.
    movable : Movable, optional
        The answer as dots, with a margin that the reader may move.
    marks : tuple of str
        By which the page is known to show some panel.
    paragraphs : tuple of str
        The answer at more length.
    notes : tuple of str
        What a reader must know before relying on it, such as an unblinded panel; the first stand open.
    sentences : dict of str
        The verdict sentences as written before the data, by verdict; `verdict` names the one that holds.
    figure : Picture, optional
    tables : tuple of Table
        Panel by panel, then any others.
    also, sections : tuple of Section
        What was asked besides, open; and anything more, folded.
    changes, checks, methods, cautions : tuple of str
        What would change the answer; fit and numerical checks; the methods note; what to take care of.
    provenance : dict of str
        Data, versions, seed, hash, and so on, by name.
    glossary : dict of str
        Words explained.
    """

    title: str
    answer: str
    question: str = ""
    next_step: str = ""
    movable: Movable | None = None
    marks: tuple[str, ...] = ()
    paragraphs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sentences: Mapping[str, str] = field(default_factory=dict)
    verdict: str = ""
    figure: Picture | None = None
    tables: tuple[Table, ...] = ()
    also: tuple[Section, ...] = ()
    sections: tuple[Section, ...] = ()
    changes: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    methods: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    provenance: Mapping[str, object] = field(default_factory=dict)
    glossary: Mapping[str, str] = field(default_factory=lambda: words.GLOSSARY)

    def to_html(self) -> str:
        """The whole page as text."""
        environment = templates()
        environment.filters["line"] = lambda text: re.sub(r"(?<=\d) %", "\u00a0%", words.one_line(text))
        environment.filters["a"] = words.a
        environment.tests["table"] = lambda part: isinstance(part, Table)
        environment.tests["picture"] = lambda part: isinstance(part, Picture)
        script = environment.get_template("movable.js").render()
        strip = ""
        if self.movable is not None:
            strip = environment.get_template("movable.html.j2").render(movable=self.movable)
        written = environment.get_template("page.html.j2").render(
            page=self,
            first_notes=FIRST_NOTES,
            mark=PAGE_MARK,
            marked=marked(self.marks),
            unsealed=UNSEALED,
            strip=strip,
            script=script,
            script_sum=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        )
        return sealed(written)


@cache
def templates() -> Any:
    """Where our pages are kept: whatever is put into one is escaped, and nothing may be left out."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("metasense"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["line"] = words.one_line
    return environment


def write_report(page: Page, path: str | os.PathLike[str], *, kind: Kind = PAGE) -> Path:
    """Write the page, whole or not at all: if anything goes wrong, a page already at `path` stays as it was.

    Parameters
    ----------
    page : Page
    path : path
        Of a file that ends in ``.html`` or ``.htm``, or has no ending.
    kind : Kind
        Which pages may be replaced there: any of ours, or with ``PAGE.of(*marks)`` those that show no more than these.

    Raises
    ------
    FileNotFoundError
        When the folder does not exist.
    FileExistsError
        When something else than such a page is there.
    ValueError
        When the name ends in another way.
    """
    ready(path, kind)
    text = page.to_html()
    with replacing(path, kind) as scratch:
        scratch.write_text(text, encoding="utf-8", newline="\n")
    return Path(path)
