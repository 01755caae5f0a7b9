"""A table of many variables: one column tells which of them each panel was about."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import as_shown, plain
from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.headers import Column, is_known
from metasense.tables.opening import open_table
from metasense.tables.panels import Panels, Tastings, read_panels
from metasense.tables.sheets import PanelsError, Problem, Sheet, is_empty


@dataclass(frozen=True, eq=False)
class Stocked:
    """The panels of several variables.

    Attributes
    ----------
    panels : Panels
        All of them, each named after its variable where names alone would not tell them apart.
    tastings : Tastings or None
    by : str
        The column that tells the variables.
    names : tuple of str
        The variables, in the order of the table.
    rows : tuple of ndarray of int
        Where the panels of each stand.
    short : tuple of str
        What each panel is called among those of its variable.
    """

    panels: Panels
    tastings: Tastings | None
    by: str
    names: tuple[str, ...]
    rows: tuple[np.ndarray, ...]
    short: tuple[str, ...]

    def of(self, number: int) -> tuple[Panels, Tastings | None]:
        """The panels of one variable, under their own names, and what tastings there are of them."""
        rows = self.rows[number]
        frame = self.panels.frame.iloc[rows].reset_index(drop=True)
        long = frame["panel"].tolist()
        short = pd.array([self.short[i] for i in rows.tolist()], dtype="string")
        panels = Panels(frame.assign(panel=short), f"{self.panels.source}, {self.names[number]}")
        if self.tastings is None:
            return panels, None
        own = self.tastings.frame[self.tastings.frame["panel"].isin(long)].reset_index(drop=True)
        if not len(own):
            return panels, None
        renamed = own["panel"].map(dict(zip(long, short, strict=True))).astype("string")
        return panels, replace(self.tastings, frame=own.assign(panel=renamed), notes=())


def read_stocked(source: Any, by: str, *, sheet: str | int | None = None) -> Stocked:
    """Read a table with one row a panel, of which a column says what it was about.

    Panels of different variables may have the same name.

    Raises
    ------
    ValueError
        If `by` is a column of every table, such as the panels' names.
    PanelsError
        If there is no such column, a panel lacks its variable, or the table has problems; these name both.

    Examples
    --------
    >>> table = "ingredient,panel,protocol,tastings,correct\\nVanilla,May,triangle,24,9\\nSalt,May,triangle,24,12"
    >>> found = read_stocked(table, "ingredient")
    >>> found.names, found.panels.frame["panel"].tolist()
    (('Vanilla', 'Salt'), ['Vanilla: May', 'Salt: May'])
    """
    if not isinstance(by, str) or not by.strip():
        raise ValueError(f'by is the name of the column that tells the variables, such as "ingredient"; got {by!r}.')
    _refuse_known(by, TASTING_COLUMNS if isinstance(source, Tastings) else PANEL_COLUMNS)
    tastings = source if isinstance(source, Tastings) else None
    if tastings is not None:
        source = _with_variable(tastings, by)
    before: dict[str, str] = {}
    opened = None
    if not isinstance(source, Panels):
        opened = _named_apart(open_table(source, is_known((*PANEL_COLUMNS, LEFT_OUT)), sheet=sheet), by, before)
        source = read_panels(opened)
    column = _column(source, by)
    cells = source.frame[column]
    missing = source.frame.loc[cells.isna(), "panel"].tolist()
    if missing:
        words = f"there is no {column}. Write what the panel was about."
        numbered = {} if opened is None else _rows_of(opened)
        word = "row" if opened is None else opened.word
        problems = [Problem(words, numbered.get(name), panel=name, column=column, word=word) for name in missing]
        raise PanelsError(problems, source.source)
    codes, values = pd.factorize(cells)
    names = tuple(map(_said, values.tolist()))
    rows = tuple(np.flatnonzero(codes == i) for i in range(len(names)))
    short = tuple(before.get(name, name) for name in source.frame["panel"].tolist())
    return Stocked(source, tastings, column, names, rows, short)


def _refuse_known(by: str, columns: Sequence[Column]) -> None:
    """Say that a column which every table has does not tell variables."""
    for column in columns:
        if is_known([column])(by):
            raise ValueError(
                f'by= names the column of the variables, which says what was changed, such as "ingredient"; {by!r} '
                f"holds: {column.meaning}."
            )


def _said(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _column(panels: Panels, by: str) -> str:
    """The column of that name, written in any way."""
    found = [column for column in panels.frame if plain(str(column)) == plain(by)]
    if not found:
        raise _no_column(by, panels.moderators, panels.source)
    return str(found[0])


def _no_column(by: str, there: Sequence[str], source: str) -> PanelsError:
    usual = is_known((*PANEL_COLUMNS, *TASTING_COLUMNS, LEFT_OUT))
    there = [name for name in there if not usual(name)]
    said = listing(map(repr, there), 12) if there else "none beyond those every table has"
    near = {plain(name): name for name in there}
    close = difflib.get_close_matches(plain(by), near, n=1)
    hint = f" Did you mean {near[close[0]]!r}?" if close else ""
    return PanelsError(f"there is no column {by!r} to tell the variables apart; there is {said}.{hint}", source)


def _rows_of(sheet: Sheet) -> dict[str, Any]:
    """How a person numbers the row of each panel."""
    return {
        as_shown(cell).strip(): row
        for j in _panel_columns(sheet)
        for cell, row in zip(sheet.columns[j].tolist(), sheet.rows, strict=True)
    }


def _panel_columns(sheet: Sheet) -> list[int]:
    """Where the panels' names may stand."""
    names = {plain("panel"), *PANEL_COLUMNS[0].other_names}
    return [j for j, header in enumerate(sheet.headers) if plain(header) in names]


def _named_apart(sheet: Sheet, by: str, before: dict[str, str]) -> Sheet:
    """The sheet with each panel named after its variable, if some panel's name occurs twice."""
    panel = _panel_columns(sheet)
    variable = [j for j, header in enumerate(sheet.headers) if plain(header) == plain(by)]
    if not variable:
        raise _no_column(by, [header for header in sheet.headers if header], sheet.source)
    if len(panel) != 1 or len(variable) != 1:
        return sheet  # which is said by those who read it
    cells = sheet.columns[panel[0]].tolist()
    known = [as_shown(cell).strip().casefold() for cell in cells if not is_empty(cell)]
    if len(set(known)) == len(known):
        return sheet
    columns: list[pd.Series] = list(sheet.columns)
    columns[panel[0]] = pd.Series(_joined(sheet.columns[variable[0]].tolist(), cells, before), dtype=object)
    return replace(sheet, columns=columns)


def _joined(variables: Sequence[Any], cells: Sequence[Any], before: dict[str, str]) -> list[Any]:
    out: list[Any] = []
    for variable, cell in zip(variables, cells, strict=True):
        if is_empty(variable) or is_empty(cell):
            out.append(cell)
            continue
        name = f"{as_shown(variable).strip()}: {as_shown(cell).strip()}"
        before[name] = as_shown(cell).strip()
        out.append(name)
    return out


def _with_variable(tastings: Tastings, by: str) -> Panels:
    """The counts of tastings, with the variable of each panel beside them."""
    panels = tastings.to_panels()
    found = [column for column in tastings.frame if plain(str(column)) == plain(by)]
    if not found:
        return panels
    several = tastings.frame.groupby("panel", sort=False)[found[0]].nunique()
    mixed = several[several > 1].index.tolist()
    if mixed:
        raise PanelsError(
            [Problem(f"the panel has more than one {found[0]}. Name panels apart.", panel=str(p)) for p in mixed],
            tastings.source,
        )
    if found[0] in panels.frame:
        return panels
    first = tastings.frame.groupby("panel", sort=False)[found[0]].first()
    frame = panels.frame.assign(**{str(found[0]): panels.frame["panel"].map(first).array})
    return replace(panels, frame=frame)
