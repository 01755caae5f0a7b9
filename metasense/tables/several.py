"""Several tables as one: panels kept in files of their own, pooled at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import pandas as pd

from metasense.showing.words import listing
from metasense.tables.panels import Panels, Tastings, read_panels, read_tastings
from metasense.tables.sheets import PanelsError

Table = Panels | Tastings
_Kind = TypeVar("_Kind", Panels, Tastings)


def together(tables: Sequence[Table]) -> tuple[Panels | None, Tastings | None]:
    """The panels and the tastings of several tables, each as one table; None where there are none.

    Parameters
    ----------
    tables : sequence of Panels or Tastings
        At least one. A panel may be in one table of panels and in one of tastings, but not twice in the same kind.

    Returns
    -------
    (Panels or None, Tastings or None)

    Raises
    ------
    PanelsError
        If a panel is in two tables of one kind, or the tables do not fit together.

    Examples
    --------
    >>> one = read_panels("panel,protocol,tastings,correct\\nA,triangle,24,12\\n", name="a.csv")
    >>> two = read_panels("panel,protocol,tastings,correct,weeks\\nB,duo-trio,30,17,4\\n", name="b.csv")
    >>> together([one, two])[0].to_frame()["panel"].tolist()
    ['A', 'B']
    """
    panels = [table for table in tables if isinstance(table, Panels)]
    tastings = [table for table in tables if isinstance(table, Tastings)]
    return _as_one(panels, read_panels), _as_one(tastings, read_tastings)


def _as_one(tables: Sequence[_Kind], read: Callable[..., _Kind]) -> _Kind | None:
    if len(tables) < 2:
        return tables[0] if tables else None
    sources = listing(dict.fromkeys(table.source for table in tables))
    twice = _in_two(tables)
    if twice:
        raise PanelsError(twice, sources, "cannot be put together")
    cells = [table.typed().astype(object) for table in tables]
    together = pd.concat(cells, ignore_index=True)
    joined: Any = read(together.where(together.notna(), None), name=sources)
    notes: list[str] = [f"{table.source}: {note}" for table in tables for note in table.notes]
    return replace(joined, notes=(*notes, *(note for note in joined.notes if not _is_said(note, notes))))


def _is_said(note: str, notes: Sequence[str]) -> bool:
    """Whether one of the tables says the same already."""
    return any(said.endswith(f": {note}") for said in notes)


def _in_two(tables: Sequence[Table]) -> list[str]:
    """A sentence for each panel that is in more than one of the tables."""
    where: dict[str, list[str]] = {}
    names: dict[str, str] = {}
    for table in tables:
        for name in table.frame["panel"].unique():
            key = str(name).strip().casefold()
            names.setdefault(key, str(name))
            where.setdefault(key, []).append(table.source)
    return [
        f"panel {names[key]!r} is in {listing(files)}. Leave a file out, or give the panel another name there."
        for key, files in where.items()
        if len(files) > 1
    ]
