"""Several tables of one kind as one: panels, or evenings, that are kept apart and asked about together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import pandas as pd

from metasense.showing.words import listing
from metasense.tables.sheets import PanelsError, Problem

_Kind = TypeVar("_Kind", bound=Any)


def are_several(source: object) -> bool:
    """Is it a list of tables? A list of records is one table.

    Examples
    --------
    >>> are_several(["a.csv", "b.csv"]), are_several([{"panel": "A"}, {"panel": "B"}]), are_several("a.csv")
    (True, False, False)
    """
    if not isinstance(source, list | tuple) or not source:
        return False
    return not all(isinstance(item, Mapping) for item in source)


def each_read(sources: Sequence[Any], read: Callable[[Any], _Kind]) -> list[_Kind]:
    """Every one of the tables, read.

    Raises
    ------
    PanelsError
        If some cannot be read; lists the problems of all.
    """
    tables: list[_Kind] = []
    failed: list[PanelsError] = []
    for source in sources:
        try:
            tables.append(read(source))
        except PanelsError as error:
            failed.append(error)
    if len(failed) == 1:
        raise failed[0]
    if failed:
        problems = [
            problem._replace(message=f"{problem.message} (In {error.source}.)") if error.source else problem
            for error in failed
            for problem in error.problems
        ]
        named = dict.fromkeys(error.source for error in failed if error.source)
        raise PanelsError(problems, listing(named) if named else "")
    return tables


def as_one(tables: Sequence[_Kind], read: Callable[..., _Kind]) -> _Kind:
    """Tables of one kind as one table, which keeps the notes of all.

    Parameters
    ----------
    tables : sequence of Panels, or of Tastings
        At least one. A table is left as it is where it is alone.
    read : callable
        `read_panels` or `read_tastings`.

    Raises
    ------
    PanelsError
        If a panel is in two of them, or they do not fit together.
    """
    if len(tables) == 1:
        return tables[0]
    sources = listing(dict.fromkeys(table.source for table in tables))
    twice = _in_two(tables)
    if twice:
        raise PanelsError(twice, sources, "cannot be put together")
    cells = [table.typed().astype(object) for table in tables]
    together = pd.concat(cells, ignore_index=True)
    joined = read(together.where(together.notna(), None), name=sources)
    notes: list[str] = []
    for table in tables:
        notes += [note if sources == table.source else f"{note} (In {table.source}.)" for note in table.notes]
    notes = list(dict.fromkeys(notes))
    return replace(joined, notes=(*notes, *(note for note in joined.notes if not _is_said(note, notes))))


def _is_said(note: str, notes: Sequence[str]) -> bool:
    """Whether one of the tables says the same already; of cells in words, each said what there was to say."""
    return note.startswith("column 'notes'") or any(said == note or said.startswith(f"{note} (In ") for said in notes)


def _in_two(tables: Sequence[Any]) -> list[Problem]:
    """A problem for each panel that is in more than one of the tables."""
    where: dict[str, list[str]] = {}
    names: dict[str, str] = {}
    for table in tables:
        for name in table.frame["panel"].unique():
            key = str(name).strip().casefold()
            names.setdefault(key, str(name))
            where.setdefault(key, []).append(table.source)
    found = []
    for key, files in where.items():
        if len(files) > 1:
            places = list(dict.fromkeys(files))
            said = f"is in {listing(places)}"
            if len(places) == 1:
                said = f"occurs {'twice' if len(files) == 2 else f'{len(files)} times'}"
            found.append(Problem(f"panel {names[key]!r} {said}. Leave one out, or give the panel another name there."))
    return found
