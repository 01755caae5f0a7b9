"""One result as one page: a single HTML file to read, print, mail and keep.

The page holds everything it needs (figures are embedded, styles are inline, nothing is fetched and nothing runs), reads
in order without sight or mouse, in light and dark and on paper, and escapes every text it is given. What goes on it is
a :class:`Page` of words, tables and pictures; what they say is worked out elsewhere.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from . import words
from .figures import Drawing, light_and_dark
from .files import PAGE, PAGE_MARK, Kind, marked, ready, replacing
from .tables import Table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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

    light: str
    alt: str
    caption: str = ""
    dark: str = ""

    def __post_init__(self) -> None:
        for uri in filter(None, (self.light, self.dark)):
            if not re.fullmatch(r"data:image/(svg\+xml|png);base64,[A-Za-z0-9+/=]+", uri):
                raise ValueError(
                    "a picture on the page must be an embedded SVG or PNG; make it with picture(ax, alt=...)."
                )


def picture(ax: Axes, *, alt: str, caption: str = "") -> Picture:
    """The figure of `ax` for light and for dark pages, with the sentence that says what it shows."""
    light, dark = light_and_dark(ax)
    return Picture(light, alt, caption, dark)


def drawn(drawing: Drawing, caption: str = "") -> Picture:
    """The same from a figure that has not been drawn yet."""
    from matplotlib.figure import Figure

    return picture(drawing.draw(Figure()), alt=drawing.alt, caption=caption)


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
    title, answer : str
        The heading, and the answer in one sentence.
    marks : tuple of str
        By which the page is known to show some panel.
    paragraphs : tuple of str
        The answer at more length, under it.
    notes : tuple of str
        What a reader must know before relying on it, such as an unblinded panel.
    sentences : dict of str
        The verdict sentences as written before the data, by verdict; `verdict` names the one that holds.
    figure : Picture, optional
    tables : tuple of Table
        Panel by panel, then any others.
    sections : tuple of Section
        Anything more, after the tables.
    changes, checks, methods, cautions : tuple of str
        What would change the answer; fit and numerical checks; the methods note; what to take care of.
    provenance : dict of str
        Data, versions, seed, hash, and so on, by name.
    glossary : dict of str
        Words explained.
    """

    title: str
    answer: str
    marks: tuple[str, ...] = ()
    paragraphs: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sentences: Mapping[str, str] = field(default_factory=dict)
    verdict: str = ""
    figure: Picture | None = None
    tables: tuple[Table, ...] = ()
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
        environment.tests["table"] = lambda part: isinstance(part, Table)
        environment.tests["picture"] = lambda part: isinstance(part, Picture)
        return environment.get_template("page.html.j2").render(page=self, mark=PAGE_MARK, marked=marked(self.marks))


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
