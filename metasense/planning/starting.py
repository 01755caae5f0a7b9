"""A folder for one question: its card, an empty table for the panels, and a notebook from the table to the page.

The folder appears whole or not at all, and nothing that is there is ever written over. What to tell tasters, and what
not to serve them, comes with it.
"""

from __future__ import annotations

import datetime
import json
import os
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.card import Card
from metasense.planning.blank import EXAMPLE_SIZE, blank_table, write_workbook
from metasense.planning.decided import card_of, what_is_needed
from metasense.planning.planned import DIRECTED
from metasense.showing import words
from metasense.showing.files import free_folder, new_folder
from metasense.showing.pages import CAUTIONS
from metasense.showing.results import Result
from metasense.showing.tables import Table, as_csv, table

CARD, BOOK, TEXT, NOTEBOOK = "card.toml", "panels.xlsx", "panels.csv", "answer.ipynb"
PAGE = "answer.html"  # named after the notebook: a page of another pool beside it stays
_HOLDS = {
    CARD: "what was decided before the panels, sealed",
    BOOK: "the empty table for your panels, with choices in its cells",
    TEXT: "the same as plain text, to which evenings are added; keep one",
    NOTEBOOK: "from the table to the answer and its page",
}

_READ = f"""\
found = {{}}
missing = []
for name in ("{TEXT}", "{BOOK}"):
    try:
        found[name] = ms.read_panels(name)
    except (ms.PanelsError, FileNotFoundError) as error:
        missing.append(error)
panels = next(iter(found.values()), None)
if len(found) == 2:
    panels = None
    print("Both {TEXT} and {BOOK} hold panels. Keep all panels in one of them, and delete the other.")
elif not found:
    print(*missing, sep="\\n")
panels"""

_EVENINGS = """\
from pathlib import Path

blind = None  # "double" where neither tasters nor those who served knew what was in a cup
evenings = []
for key in sorted(Path().glob("*/sealed/key.csv")):
    try:
        evenings.append(ms.read_answers(key.parent.parent, blind=blind))
    except ValueError as error:
        print(f"Not pooled: {key.parent.parent}: {error}")
ms.read_tastings(evenings) if evenings else print("No evening is recorded in this folder yet.")"""


@dataclass(frozen=True, eq=False, repr=False)
class Started(Result):
    """A new folder for one question; made by `start`.

    Attributes
    ----------
    folder : Path
    card : Card
        What was decided.

    Examples
    --------
    >>> import tempfile
    >>> made = start(f"{tempfile.mkdtemp()}/fining", {"question": "Is pea protein noticed?", "margin": "0.2 triangle",
    ...              "decision": "Change if within.", "protocols": "triangle", "tastings": 24, "date": "2025-03-01"})
    >>> made.to_frame()["file"].tolist()
    ['card.toml', 'panels.xlsx', 'panels.csv', 'answer.ipynb']
    """

    folder: Path
    card: Card

    def to_frame(self) -> pd.DataFrame:
        """The files, and what each is: columns ``file, holds``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> Started(Path("fining"), None).to_frame().shape
        (4, 2)
        """
        return pd.DataFrame(_HOLDS.items(), columns=["file", "holds"])

    def next_call(self) -> str:
        """The same in a notebook.

        Returns
        -------
        str

        Examples
        --------
        >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin="0.2 triangle",
        ...             protocols="triangle", tastings=24, date="2025-03-01")
        >>> Started(Path("yeast"), card).next_call().partition(", panel=")[0]
        'ms.serve("triangle", 24, samples=("old", "new")'
        """
        test = self.card.protocols[0]
        named = ', attribute="noun", more="new"' if test in DIRECTED else ""
        place = json.dumps((self.folder / "panel_1").as_posix(), ensure_ascii=False)
        people = self.card.tastings or EXAMPLE_SIZE
        day = datetime.date.today()
        served = f'ms.serve("{test}", {people}, samples=("old", "new"){named}, panel="panel 1", date="{day}")'
        return f"{served}.save({place})"

    def next_command(self) -> str:
        """The most useful command to go on with, as it is typed in a terminal; the day is to be that of the panel.

        Returns
        -------
        str

        Examples
        --------
        >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin="0.2 triangle",
        ...             protocols="triangle", tastings=24, date="2025-03-01")
        >>> Started(Path("yeast"), card).next_command().partition(" --date ")[0]
        'metasense serve triangle 24 yeast/panel_1'
        """
        place = shlex.quote((self.folder / "panel_1").as_posix())
        test = self.card.protocols[0]
        named = " --attribute NOUN --more B" if test in DIRECTED else ""
        served = f"metasense serve {shlex.quote(test)} {self.card.tastings or EXAMPLE_SIZE} {place}"
        return f"{served}{named} --date {datetime.date.today()}"

    def _shown(self) -> list[str | Table]:
        margin = self.card.margin.sentence()
        return [
            f"Made {words.one_line(self.folder)}, a folder for one question: {words.one_line(self.card.question)}",
            f"The margin is {margin}.",
            table(self.to_frame(), caption="In it"),
            *(f"Caution: {caution}" for caution in CAUTIONS),
            f"Next: {self.next_call()} prepares the first panel; panels tasted already go into {TEXT} or {BOOK}.",
        ]


def start(
    folder: str | os.PathLike[str], answers: Card | Mapping[str, Any] | str | os.PathLike[str] | None = None
) -> Started:
    """Make a folder for one question: its card, an empty table of panels, and a notebook from the table to the page.

    Parameters
    ----------
    folder : str or path
        A new folder, or an empty one.
    answers : Card, mapping, or path of a TOML file
        What is decided before the panels: a card, or its lines (``question``, ``decision``, ``margin``, ``protocols``,
        and ``tastings`` or ``stopping``; the day is today's unless ``date`` is given). Without them an error lists
        what is needed, with an example.

    Returns
    -------
    Started
        Shows what was made, the cautions for tastings, and what to do next.

    Raises
    ------
    FileExistsError
        If a file, or a folder that is not empty, is there. Nothing is written over.
    ValueError
        If the answers make no card; all that is missing or wrong is listed.
    OSError
        If the folder may not be made, or the disk is full; nothing is there then.

    Examples
    --------
    >>> import tempfile
    >>> made = start(f"{tempfile.mkdtemp()}/yeast", {"question": "Is the new yeast noticed?", "margin": "0.2 triangle",
    ...              "decision": "Change if within.", "protocols": "triangle", "tastings": 24, "date": "2025-03-01"})
    >>> sorted(path.name for path in made.folder.iterdir())
    ['answer.ipynb', 'card.toml', 'panels.csv', 'panels.xlsx']
    """
    free_folder(folder)
    if answers is None:
        raise ValueError(what_is_needed(folder))
    card = card_of(answers)
    blank = blank_table(card)
    texts = {TEXT: as_csv(blank), NOTEBOOK: notebook(card)}
    with new_folder(folder) as scratch:
        card.save(scratch / CARD)
        write_workbook(blank, scratch / BOOK)
        for name, text in texts.items():
            (scratch / name).write_text(text, encoding="utf-8", newline="\n")
        for name in _HOLDS:
            with open(scratch / name, "rb+") as written:
                os.fsync(written.fileno())
    return Started(Path(folder), card)


def notebook(card: Card) -> str:
    """The notebook from the table to the page, which runs however much of the table is filled in.

    Parameters
    ----------
    card : Card
        Its question stands at the top.

    Returns
    -------
    str
        In the notebook format 4.5 (JSON).

    Examples
    --------
    >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin="0.2 triangle",
    ...             protocols="triangle", tastings=24, date="2025-03-01")
    >>> json.loads(notebook(card))["cells"][0]["source"][0]
    '# Is the new yeast noticed?\\n'
    """
    cells = []
    for at, (kind, text) in enumerate(_cells(card)):
        cell: dict[str, Any] = {
            "cell_type": kind,
            "id": f"step-{at}",
            "metadata": {},
            "source": text.strip("\n").splitlines(keepends=True),
        }
        if kind == "code":
            cell |= {"execution_count": None, "outputs": []}
        cells.append(cell)
    about = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
    }
    content = {"cells": cells, "metadata": about, "nbformat": 4, "nbformat_minor": 5}
    return json.dumps(content, ensure_ascii=False, indent=1) + "\n"


def _cells(card: Card) -> list[tuple[str, str]]:
    cautions = "\n".join(f"- {caution}" for caution in CAUTIONS)
    return [
        (
            "markdown",
            f"# {words.one_line(card.question)}\n\nRun the cells from the top, as often as you like: each says what is "
            f"still missing before it can answer.\n\n**Before anybody tastes**\n\n{cautions}",
        ),
        ("markdown", "## What was decided\n\nThe card was written before the panels. It is not changed afterwards."),
        ("code", f'import metasense as ms\n\ncard = ms.Card.load("{CARD}")\ncard'),
        (
            "markdown",
            f"## The panels\n\nPanels known by their counts stand in one table: `{TEXT}`, to which "
            f'`panels.to_csv("{TEXT}", append=True)` adds, or `{BOOK}`, in which you write each panel below the '
            "example, a row each, in a spreadsheet program. Every panel belongs in it, those that found nothing and "
            "those that were abandoned too.",
        ),
        ("code", _READ),
        (
            "markdown",
            "## The evenings recorded here\n\nEvery panel that was served from a plan in this folder, once all of its "
            "ballots are in: single answers, by which people who come again are known. Their counts may stand in the "
            "table as well.",
        ),
        ("code", _EVENINGS),
        ("markdown", "## The answer"),
        (
            "code",
            "tables = [table for table in (panels, *evenings) if table is not None]\n"
            "if not tables or len(found) == 2:\n    pooled = None\n"
            '    print("Still missing: a panel in one of the tables, or an evening. Without one nothing is pooled.")\n'
            "else:\n    pooled = ms.pool(tables, card=card)\npooled",
        ),
        ("markdown", "## What to run next"),
        (
            "code",
            "if pooled is None:\n    plans = None\n"
            '    print("Still missing: an answer to go on from. The first panel is prepared with")\n'
            f"    print({f'plan = ms.serve({card.protocols[0]!r}, {card.tastings or EXAMPLE_SIZE}, ...)'!r})\n"
            "else:\n    plans = ms.plan_next(pooled)\nplans",
        ),
        ("markdown", "## The page, to read and to pass on\n\nIt is written beside this notebook."),
        (
            "code",
            "if pooled is None:\n"
            '    print("Still missing: an answer to write up. Fill in the table, save it, and run this again.")\n'
            f"else:\n    try:\n        print(f\"Wrote {{pooled.report('{PAGE}')}}.\")\n"
            "    except FileExistsError as error:\n        print(error)\n    print(pooled.statement())",
        ),
    ]
