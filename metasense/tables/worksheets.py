"""Tables in workbooks: which sheet, and what counts though a person may not see it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

from metasense.showing.words import count, listing
from metasense.tables.cells import rounded
from metasense.tables.sheets import HEADER_WITHIN, PanelsError, Problem, Sheet, is_empty, laid_out
from metasense.tables.workbook import Cells, Tab, Unreadable, Workbook, cell_name, column_name

SAID = 40  # characters of a comment that a note repeats


def from_excel(data: bytes, known: Callable[[str], bool], label: str, sheet: str | int | None) -> Sheet:
    notes: list[str] = []
    tab, cells, better, advice = cells_of_excel(data, known, label, sheet, notes)
    if advice:
        label = f"{label}, sheet {tab.name!r},"
    if sheet is not None and len(better) != 1:
        advice = ""  # the choice was made, and no other sheet is surely the better one
    try:
        opened = laid_out(cells.rows, known, label, notes)
    except PanelsError as error:
        if not advice:
            raise
        raise PanelsError([*error.problems, advice], label) from error
    _say_what_is_hidden(opened, cells)
    _say_what_stands_beside(opened, cells)
    opened.problems.extend([*_struck_out(opened, cells), *_merged(opened, cells)])
    return replace(opened, advice=advice)


def cells_of_excel(
    data: bytes, known: Callable[[str], bool], label: str, sheet: str | int | None, notes: list[str]
) -> tuple[Tab, Cells, list[str], str]:
    """A worksheet as it stands there, the other sheets that look more like a table, and what to say of them."""
    try:
        book = Workbook(data)
        tab = _chosen_tab(book, sheet, label, notes)
        cells = book.cells(tab)
        better, advice = _other_sheets(book, tab, cells, known)
    except PanelsError:
        raise
    except Unreadable as error:
        raise PanelsError(str(error), label) from error
    except (MemoryError, RecursionError):
        raise
    except Exception as error:  # a damaged file can fail in many ways
        what = f"the Excel file is damaged ({type(error).__name__})"
        raise PanelsError(f"{what}. Open it in a spreadsheet program and save it again, or as .csv.", label) from error
    if advice:
        label = f"{label}, sheet {tab.name!r},"
    if cells.unknown:
        names = listing([cell_name(*place) for place in cells.unknown], 8)
        results = "result of the formula" if len(cells.unknown) == 1 else "results of the formulas"
        raise PanelsError(
            f"the file does not hold the {results} in {names}. Open it in a spreadsheet program and save it again, or "
            "paste the values over the formulas.",
            label,
        )
    if cells.formulas:
        names = listing([cell_name(*place) for place in cells.formulas], 8)
        one = len(cells.formulas) == 1
        results = "result stored with the formula" if one else "results stored with the formulas"
        notes.append(f"the {results} in {names} {'was' if one else 'were'} read.")
    return tab, cells, better, advice


def _chosen_tab(book: Workbook, sheet: str | int | None, label: str, notes: list[str]) -> Tab:
    """The worksheet to read: the one of that name, or of that number, or the first visible one."""
    if not book.tabs:
        raise PanelsError("the workbook has no worksheet.", label)
    if sheet is not None:
        wanted = str(sheet)
        same = [tab for tab in book.tabs if tab.name == wanted]
        alike = [tab for tab in book.tabs if tab.name.strip().casefold() == wanted.strip().casefold()]
        if not same and len(alike) == 1:
            same = alike
        if not same and re.fullmatch(r"\s*[0-9]{1,6}\s*", wanted):
            same = list(book.tabs)[int(wanted) - 1 : int(wanted)] if int(wanted) else []
        if not same:
            names = listing(repr(tab.name) for tab in book.tabs)
            raise PanelsError(f"there is no sheet {wanted!r}; the sheets are {names}.", label)
        return same[0]
    first = next((tab for tab in book.tabs if tab.visible), book.tabs[0])
    others = [repr(tab.name) for tab in book.tabs if tab is not first]
    if others:
        notes.append(f"the sheet {first.name!r} was read and not {listing(others)}; choose with sheet= (--sheet).")
    return first


def _other_sheets(book: Workbook, chosen: Tab, cells: Cells, known: Callable[[str], bool]) -> tuple[list[str], str]:
    """Sheets that look more like a table than the chosen one, and what to say if that turns out to be none."""
    if len(book.tabs) == 1:
        return [], ""

    def found(rows: Sequence[Sequence[Any]]) -> int:
        return max((sum(known(str(cell)) for cell in row) for row in rows[:HEADER_WITHIN]), default=0)

    least = max(found(cells.rows) + 1, 2)
    better = []
    for tab in book.tabs:
        if tab is not chosen:
            try:
                better += [tab.name] if found(book.cells(tab, HEADER_WITHIN).rows) >= least else []
            except Exception:  # another sheet may be damaged; it was not asked for
                continue
    if len(better) == 1:
        return better, (
            f"the sheet {chosen.name!r} was read, but {better[0]!r} looks like the table; choose it with "
            f"sheet={better[0]!r} (--sheet {better[0]!r})."
        )
    names = listing(repr(tab.name) for tab in book.tabs)
    return better, f"the sheet {chosen.name!r} was read; the sheets are {names}; choose with sheet= (--sheet)."


def _say_what_is_hidden(sheet: Sheet, cells: Cells) -> None:
    """Notes on what counts though a person looking at the worksheet may not see it, or sees it otherwise."""
    data = set(sheet.rows)
    hidden = [row for row in cells.hidden_rows if row + 1 in data]
    filtered = {row for row in hidden if any(top <= row <= bottom for top, _, bottom, _ in cells.filters)}
    for how, rows in (
        ("hidden", [row for row in hidden if row not in filtered]),
        ("hidden by a filter", [row for row in hidden if row in filtered]),
    ):
        if rows:
            firsts = (next(cell for cell in cells.rows[row] if not is_empty(cell)) for row in rows)
            named = [f"{row + 1} ({str(first)[:40]!r})" for row, first in zip(rows, firsts, strict=True)]
            one = len(rows) == 1
            sheet.notes.append(
                f"{'row' if one else 'rows'} {listing(named, 8)} {'is' if one else 'are'} {how} in the workbook and "
                f"{'was' if one else 'were'} read. Delete there what is not to count."
            )
    columns = [
        f"{sheet.headers[j]!r} ({column_name(j)})"
        for first, last in cells.hidden_columns
        for j in range(first, min(last + 1, len(sheet.headers)))
    ]
    if columns:
        one = len(columns) == 1
        sheet.notes.append(
            f"{'column' if one else 'columns'} {listing(columns, 8)} {'is' if one else 'are'} hidden in the workbook "
            f"and {'was' if one else 'were'} read."
        )
    if cells.percentages:
        row, column = cells.percentages[0]
        sheet.notes.append(
            f"{count(len(cells.percentages), 'cell')} in per cent: read as shown, such as "
            f"{rounded(cells.rows[row][column])!r} in {cell_name(row, column)}."
        )


def _say_which_are_coloured(sheet: Sheet, cells: Cells) -> None:
    """A note on rows that have a colour, or cells of one, where most have none: somebody may mean something by it."""
    rows = [row - 1 for row in sheet.rows]
    data = set(rows)
    by_row: dict[int, set[str]] = {}
    for (row, column), colour in cells.coloured.items():
        if row in data and column < len(sheet.headers):
            by_row.setdefault(row, set()).add(colour)
    usual = Counter(frozenset(by_row.get(row, ())) for row in rows).most_common(1)
    odd = [i for i, row in enumerate(rows) if frozenset(by_row.get(row, ())) != usual[0][0]] if usual else []
    steps = {b - a for a, b in pairwise(odd)}
    striped = steps == {2} and odd[0] < 2 and odd[-1] > len(rows) - 3
    if not odd or striped or 2 * len(odd) > len(rows) > 2:
        return
    one = len(odd) == 1
    named = listing([rows[i] + 1 for i in odd], 8)
    sheet.notes.append(
        f"{'row' if one else 'rows'} {named} {'is' if one else 'are'} coloured in the workbook otherwise than the "
        "others; colours were not read. What is not to count needs a yes in a column 'left_out'."
    )


def _say_what_stands_beside(sheet: Sheet, cells: Cells) -> None:
    """Notes on what the workbook says about cells of the table without being in them."""
    if not len(sheet.rows):
        return
    _say_which_are_coloured(sheet, cells)
    first, last = sheet.rows[0] - 1, sheet.rows[-1] - 1
    areas = [
        f"{cell_name(top, left)}:{cell_name(min(bottom, last), min(right, len(sheet.headers) - 1))}"
        for top, left, bottom, right in cells.may_be_struck
        if top <= last and bottom >= first and left < len(sheet.headers)
    ]
    if areas:
        sheet.notes.append(
            f"conditional formats of this sheet strike cells out, in {listing(dict.fromkeys(areas), 8)}; whether they "
            "do was not read. Look there, and delete what is not to count."
        )
    data = set(sheet.rows)
    said = [
        f"{row + 1} ({text[: SAID - 3] + '...' if len(text) > SAID else text!r})"
        for (row, _), text in sorted(cells.comments.items())
        if row + 1 in data or row < first
    ]
    if said:
        one = len(said) == 1
        sheet.notes.append(
            f"{'row' if one else 'rows'} {listing(said, 8)} {'has a comment' if one else 'have comments'} in the "
            f"workbook, which {'was' if one else 'were'} not read. Write in the table what is to count."
        )


def _struck_out(sheet: Sheet, cells: Cells) -> list[Problem]:
    """A problem for each row or cell that is struck out: whoever did it may have meant that it does not count."""
    by_row: dict[int, list[int]] = {}
    for row, column in cells.struck:
        by_row.setdefault(row, []).append(column)
    problems = []
    for row, columns in by_row.items():
        filled = [j for j, cell in enumerate(cells.rows[row]) if not is_empty(cell)]
        if len(columns) == len(filled) > 1:
            words = "the row is struck out. Delete it if it is not to count; otherwise undo the strike-through."
            problems.append(Problem(words, row + 1))
            continue
        for column in columns:
            cell = cells.rows[row][column]
            problems.append(
                Problem(
                    f"{str(cell)[:60]!r} in {cell_name(row, column)} is struck out. Clear the cell if it is not to "
                    "count; otherwise undo the strike-through.",
                    row + 1,
                    column=_header_of(sheet, column),
                    value=cell,
                )
            )
    for row, column in cells.partly_struck:
        cell = cells.rows[row][column]
        words = f"{str(cell)[:60]!r} in {cell_name(row, column)} is struck out in part. Write only what holds."
        problems.append(Problem(words, row + 1, column=_header_of(sheet, column), value=cell))
    return problems


def _merged(sheet: Sheet, cells: Cells) -> list[Problem]:
    """A problem for each value that stands for several cells of the table, of which a spreadsheet keeps it in one."""
    first = sheet.rows[0] - 1 if len(sheet.rows) else len(cells.rows)
    problems = []
    for top, left, bottom, right in cells.merged:
        row = cells.rows[top] if top < len(cells.rows) else ()
        value = row[left] if left < len(row) else None
        if bottom < first or is_empty(value) or left >= len(sheet.headers):
            continue
        words = (
            f"the cells {cell_name(top, left)} to {cell_name(bottom, right)} are merged, and only the first of them "
            f"holds {str(value)[:60]!r}. Unmerge them, and fill in the others."
        )
        problems.append(Problem(words, top + 1, column=_header_of(sheet, left), value=value))
    return problems


def _header_of(sheet: Sheet, column: int) -> str | None:
    return sheet.headers[column] if column < len(sheet.headers) else None
