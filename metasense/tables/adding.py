"""More panels for a table of panels, or of tastings, that is kept as a CSV file.

The table is the user's: what stands in it stays as it was typed, to the letter where no column is new. A panel comes
as a row at its end (its tastings as a row each), under the headers that the table uses, and what it says beyond them
in new columns. Before anything is written the new table is read back and must hold what the old one held and what was
added, and nothing else.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.showing.files import TEXT, kept_still, ready, replacing
from metasense.showing.tables import as_csv
from metasense.showing.words import listing
from metasense.tables.cells import plain
from metasense.tables.checking import check_table
from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS, one_row_a_tasting
from metasense.tables.headers import is_known
from metasense.tables.opening import open_table

_SEPARATORS = ",;\t|"


def add_panels(panels: Any, path: str | os.PathLike[str], read: Callable[..., Any]) -> bool:
    """Add panels to the table at `path`, whole or not at all.

    Parameters
    ----------
    panels : Panels
    path : path
        Of a table of panels in CSV (UTF-8).
    read : callable
        `read_panels`.

    Returns
    -------
    bool
        Whether any was added; False if the table holds them all already, and so was left as it is.

    Raises
    ------
    ValueError
        If the file is not such a table, holds shares in place of counts, or another panel of that name. It is left
        as it is.
    OSError
        If the file may not be read or written.

    Examples
    --------
    >>> import tempfile
    >>> from metasense.tables.panels import read_panels
    >>> file = Path(tempfile.mkdtemp()) / "panels.csv"
    >>> _ = file.write_text("Panel,Protocol,N,Right\\nSpring,triangle,24,12\\n")
    >>> add_panels(read_panels("panel,protocol,tastings,correct\\nAutumn,triangle,30,14"), file, read_panels)
    True
    >>> print(file.read_text())
    Panel,Protocol,N,Right
    Spring,triangle,24,12
    Autumn,triangle,30,14
    <BLANKLINE>
    """
    ready(path, TEXT)
    with kept_still(path):
        data = Path(path).read_bytes()
        sheet = open_table(data, is_known(PANEL_COLUMNS), name=os.fspath(path))
        if one_row_a_tasting(sheet.headers):
            raise ValueError(
                f"{os.fspath(path)!r} holds one row a tasting, and a panel's counts are one row a panel. Name a table "
                "of panels, or a new file."
            )
        bare = check_table(sheet, PANEL_COLUMNS, leaving_out="panel")
        old = None if bare.examples and not len(bare.frame) else read(data, name=os.fspath(path))
        new = [name for name in panels.frame["panel"] if old is None or not _is_there(panels[name], old, path)]
        if not new:
            return False
        checked = check_table(sheet, PANEL_COLUMNS)
        names = checked.heads
        if "correct" in checked.shares and "correct" not in checked.place:
            share = sheet.headers[checked.shares["correct"][0]]
            raise ValueError(
                f"{os.fspath(path)!r} holds shares under {share!r} and no counts, so no counts can be added to it. It "
                "was left as it is. Write the counts of its panels in a column 'correct' first."
            )
        added = panels[new]
        whole = _with_rows(data, sheet.headers, names, _cells(added.typed()), path)
        _check(whole, old, added, path, read)
        with replacing(path, TEXT) as scratch:
            scratch.write_bytes(whole)
    return True


def add_tastings(tastings: Any, path: str | os.PathLike[str], read: Callable[..., Any]) -> bool:
    """Add the tastings of panels to the table of tastings at `path`, whole or not at all.

    Parameters
    ----------
    tastings : Tastings
        Tasters are called there as they are called here.
    path : path
        Of a table of tastings in CSV (UTF-8).
    read : callable
        `read_tastings`.

    Returns
    -------
    bool
        Whether any were added; False if the table holds them already, and so was left as it is.

    Raises
    ------
    ValueError
        If the file is not such a table, or holds other tastings of a panel of that name. It is left as it is.
    OSError
        If the file may not be read or written.

    Examples
    --------
    >>> import tempfile
    >>> from metasense.tables.panels import read_tastings
    >>> file = Path(tempfile.mkdtemp()) / "tastings.csv"
    >>> _ = file.write_text("panel,protocol,taster,correct\\nSpring,triangle,T1,yes\\n")
    >>> add_tastings(read_tastings("panel,protocol,taster,correct\\nAutumn,triangle,T1,no"), file, read_tastings)
    True
    >>> print(file.read_text())
    panel,protocol,taster,correct
    Spring,triangle,T1,yes
    Autumn,triangle,T1,no
    <BLANKLINE>
    """
    ready(path, TEXT)
    with kept_still(path):
        data = Path(path).read_bytes()
        sheet = open_table(data, is_known(TASTING_COLUMNS), name=os.fspath(path))
        if not one_row_a_tasting(sheet.headers):
            raise ValueError(
                f"{os.fspath(path)!r} holds no rows of single tastings, so none can be added. Name a table with one "
                "row a tasting, or a new file."
            )
        old = read(data, name=os.fspath(path))
        new = [name for name in tastings.frame["panel"].unique() if not _are_there(tastings[name], name, old, path)]
        if not new:
            return False
        added = tastings[new]
        names = check_table(sheet, TASTING_COLUMNS).heads
        whole = _with_rows(data, sheet.headers, names, _cells(added.typed()), path)
        _check_tastings(whole, old, added, path, read)
        with replacing(path, TEXT) as scratch:
            scratch.write_bytes(whole)
    return True


def _are_there(tastings: Any, name: str, old: Any, path: str | os.PathLike[str]) -> bool:
    """Whether the table holds the tastings of the panel; others of a panel of that name are an error."""
    called = old.frame["panel"].map(plain) == plain(name)
    if not called.any():
        return False
    if _hold(_cells(old.frame[called]), tastings):
        return True
    raise ValueError(
        f"{os.fspath(path)!r} already has other tastings of a panel {name!r}. It was left as it is. If this "
        "was another evening, give it a name of its own; if these are to replace them, take those rows out."
    )


def _hold(found: list[dict[str, str]], tastings: Any) -> bool:
    """Whether rows say what the tastings say, in their order."""
    wanted = _cells(tastings.frame)
    if len(found) != len(wanted):
        return False
    return all(
        row.get(column) == cell
        for row, cells in zip(found, wanted, strict=True)
        for column, cell in cells.items()
        if cell
    )


def _check_tastings(
    new: bytes, old: Any, tastings: Any, path: str | os.PathLike[str], read: Callable[..., Any]
) -> None:
    """Read the new table back: it must hold what the old one held, then the tastings."""
    try:
        found = read(new, name=os.fspath(path)).frame
    except ValueError as error:
        raise ValueError(
            f"the tastings cannot be added to {os.fspath(path)!r}, which was left as it is: {error}"
        ) from None
    before = found.iloc[: len(old.frame)]
    kept = as_csv(before[list(old.frame.columns)]) == as_csv(old.frame)
    if not kept or not _hold(_cells(found.iloc[len(old.frame) :]), tastings):
        raise ValueError(
            f"the tastings cannot be added to {os.fspath(path)!r}: they would not read back as they are. The table was "
            "left as it is. Save it as CSV UTF-8 with commas between the columns."
        )


def _is_there(panel: Any, old: Any, path: str | os.PathLike[str]) -> bool:
    """Whether the table holds the panel; one of that name that says something else is an error."""
    (name,) = panel.frame["panel"]
    called = old.frame["panel"].map(plain) == plain(name)
    if not called.any():
        return False
    wanted, found = _cells(panel.frame)[0], _cells(old.frame[called])
    for row in found:
        if all(row[column] == cell for column, cell in wanted.items() if row.get(column) and cell):
            _refuse_more(name, [column for column in panel.typed() if wanted.get(column) and not row.get(column)], path)
            return True
    raise ValueError(
        f"{os.fspath(path)!r} already has a panel {name!r}, and it says something else. It was left as it is. If "
        "this was another evening, give it a name of its own; if these answers are to replace that row, take it out."
    )


def _refuse_more(name: str, more: Sequence[str], path: str | os.PathLike[str]) -> None:
    """Raise where the panel says what its row in the table does not, such as preferences that were typed later."""
    if more:
        raise ValueError(
            f"{os.fspath(path)!r} has the panel {name!r} already, without {listing(more)}. It was left as it is. Take "
            "that row out of the table, and add the panel again."
        )


def _cells(frame: pd.DataFrame) -> list[dict[str, str]]:
    """Rows as they would stand in a CSV file, by column."""
    return list(csv.DictReader(io.StringIO(as_csv(frame), newline="")))


def _with_rows(
    data: bytes,
    headers: Sequence[str],
    names: dict[str, str],
    typed: list[dict[str, str]],
    path: str | os.PathLike[str],
) -> bytes:
    """The table with rows at its end, given as cells by column."""
    mark = codecs.BOM_UTF8 if data.startswith(codecs.BOM_UTF8) else b""
    try:
        text = data[len(mark) :].decode("utf-8")
    except UnicodeDecodeError:
        raise ValueError(f"{os.fspath(path)!r} is not in UTF-8. Save it as CSV UTF-8 first.") from None
    separator, rows, at = _laid_out(text, headers, path)
    heads = [cell.strip() for cell in rows[at]]
    added = [{names.get(column, column): cell for column, cell in row.items() if cell} for row in typed]
    extra = list(dict.fromkeys(name for cells in added for name in cells if name not in heads))
    end = "\r\n" if "\r\n" in text else "\n"
    last = [[cells.get(name, "") for name in [*heads, *extra]] for cells in added]
    if not extra:
        if not text.endswith(("\n", "\r")):
            text += end
        return mark + (text + _lines(last, separator, end)).encode()
    rows[at] = [*rows[at], *extra]
    for i in range(at + 1, len(rows)):
        if rows[i]:
            rows[i] = rows[i] + [""] * (len(rows[at]) - len(rows[i]))
    return mark + _lines([*rows, *last], separator, end).encode()


def _laid_out(text: str, headers: Sequence[str], path: str | os.PathLike[str]) -> tuple[str, list[list[str]], int]:
    """The separator of the table, its rows, and which of them holds the headers."""
    wanted = {header for header in headers if header}
    for separator in _SEPARATORS:
        try:
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True))
        except csv.Error:
            continue
        for at, row in enumerate(rows):
            if wanted and wanted == {cell.strip() for cell in row if cell.strip()}:
                return separator, rows, at
    raise ValueError(
        f"{os.fspath(path)!r} is laid out in a way that no row can be added to. Save it as CSV UTF-8 with the headers "
        "in one row."
    )


def _lines(rows: Sequence[Sequence[str]], separator: str, end: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(rows)
    return out.getvalue()


def _check(new: bytes, old: Any, panels: Any, path: str | os.PathLike[str], read: Callable[..., Any]) -> None:
    """Read the new table back: it must hold what the old one held, then the panels."""
    the_panel = "the panel" if len(panels) == 1 else "the panels"
    try:
        found = read(new, name=os.fspath(path))
    except ValueError as error:
        raise ValueError(
            f"{the_panel} cannot be added to {os.fspath(path)!r}, which was left as it is: {error}"
        ) from None
    many = len(panels)
    before, last = found.frame.iloc[:-many], _cells(found.frame.iloc[-many:])
    kept = before.empty if old is None else as_csv(before[list(old.frame.columns)]) == as_csv(old.frame)
    wanted = _cells(panels.frame)
    same = len(last) == len(wanted) and all(
        row.get(column) == cell
        for row, cells in zip(last, wanted, strict=True)
        for column, cell in cells.items()
        if cell
    )
    if not kept or not same:
        it = "it" if many == 1 else "they"
        as_it_is = "as it is" if many == 1 else "as they are"
        raise ValueError(
            f"{the_panel} cannot be added to {os.fspath(path)!r}: {it} would not read back {as_it_is}. The table was "
            "left as it is. Save it as CSV UTF-8 with commas between the columns."
        )
