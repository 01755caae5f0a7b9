"""What is mended in a table before it is written anew, a function a kind of damage, in the order in which it is done.

Each mend is made only where it is sure: where the cells leave one meaning, and the door would give that same meaning to
the mended table. Everything else stays as it was, for the door to name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd

from metasense.protocols import protocol
from metasense.tables.cells import SPACES, among, as_shown, plain
from metasense.tables.checked import Checked
from metasense.tables.checking import check_table
from metasense.tables.columns import FORCED, PANEL_COLUMNS, TASTING, TASTING_COLUMNS, TWO_COUNTS, one_row_a_tasting
from metasense.tables.exclusion import LEFT_OUT, may_be_left_out
from metasense.tables.grids import Change, Grid
from metasense.tables.headers import Column, is_english, is_known, match_headers
from metasense.tables.languages import BLIND, by_word, columns_called, folded, protocol_called
from metasense.tables.numbers import is_numeric
from metasense.tables.sheets import HEADER_WITHIN, PanelsError, is_empty
from metasense.tables.totals import Sums, are_totals, is_average

LEAST = 3  # headers in a first column by which a table is known to lie on its side


def put_right(grid: Grid) -> None:
    """Do all that is sure."""
    mends: tuple[Callable[[Grid], None], ...] = (
        unmerged,
        upright,
        without_titles,
        without_blanks,
        without_units,
        without_headers_again,
        without_remarks,
        filled_down,
        without_second_columns,
        named_headers,
        ticked,
        parted_counts,
        without_totals,
        written_plainly,
    )
    for mend in mends:
        try:
            mend(grid)
        except PanelsError:  # the door will name it
            return


# --- the shape of the table -----------------------------------------------------------------------------------------


def unmerged(grid: Grid) -> None:
    """Fill in cells merged downwards, where what they hold says the same of each row: a name, a day, no count."""
    header = header_at(grid)
    if header is None:
        return
    heads = [as_shown(cell) for cell in grid.rows[header]]
    counts = _counted(heads)
    left = []
    for area in grid.beside.merged:
        top, first, bottom, last = area
        if bottom <= header:
            continue
        value = grid.rows[top][first] if top < len(grid.rows) and first < len(grid.places) else None
        below = range(top + 1, min(bottom + 1, len(grid.rows)))
        sure = first == last and top > header and not is_empty(value) and heads[first] and first not in counts
        if not sure or any(not is_empty(grid.rows[i][first]) for i in below):
            left.append(area)
            continue
        for i in below:
            grid.change(i, first, value, f"merged with {grid.name(top, first)}")
    grid.beside.merged = left


def upright(grid: Grid) -> None:
    """Turn a table that has its headers in the first column."""
    width = len(grid.places)
    first = [grid.known(str(row[0])) for row in grid.rows if not is_empty(row[0])] if width else []
    known = max((sum(grid.known(str(cell)) for cell in row) for row in grid.rows), default=0)
    if sum(first) < LEAST or sum(first) * 2 < len(first) or known > 1 or _has_marks(grid):
        return
    grid.rows = [list(column) for column in zip(*grid.rows, strict=True)]
    grid.numbers, grid.places = list(range(len(grid.rows))), list(range(len(grid.rows[0])))
    grid.lengths = [len(row) for row in grid.rows]
    grid.changes.append(Change("the table", "headers in a column", "headers in a row", "the table lay on its side"))


def without_titles(grid: Grid) -> None:
    """Take out what stands above the header, unless it may be a table itself."""
    header = header_at(grid)
    if not header:
        return
    above = range(header)
    if any(sum(is_numeric(cell) for cell in grid.rows[i] if not is_empty(cell)) > 1 for i in above):
        return
    said = [i for i in above if any(not is_empty(cell) for cell in grid.rows[i])]
    if any(may_be_left_out(as_shown(cell)) for i in said for cell in grid.rows[i]):
        return
    grid.drop_rows(dict.fromkeys(said, "stood above the header"))


def without_blanks(grid: Grid) -> None:
    """Take out blank rows and columns."""
    blank = [i for i, row in enumerate(grid.rows) if all(map(is_empty, row))]
    grid.drop_rows(dict.fromkeys(blank, "a blank row"))
    empty = [j for j in range(len(grid.places)) if all(is_empty(row[j]) for row in grid.rows)]
    grid.drop_columns(empty, "a blank column")


def without_units(grid: Grid) -> None:
    """Take out a line of units below the header, and put the units behind the names of what has some."""
    if len(grid.rows) < 3 or not _is_header(grid):
        return
    said = {j: as_shown(cell) for j, cell in enumerate(grid.rows[1]) if not is_empty(cell)}
    units = {j: word.strip("()[] ") for j, word in said.items() if _is_unit(word)}
    counts = _counted(grid.headers)
    if not units or len(units) < len(said) or any("%" in word for j, word in units.items() if j in counts):
        return
    if all(word in _NO_UNITS for word in units.values()) and len(units) < len(grid.places) / 2:
        return
    for j, unit in units.items():
        header = grid.headers[j]
        if not grid.known(header) and unit not in _NO_UNITS and unit not in header:
            grid.change(0, j, f"{header} ({unit})", "its unit stood below")
    grid.drop_rows({1: "a line of units"})


_NO_UNITS = frozenset(
    {"n", "-", "–", "text", "name", "count", "date", "yes/no", "no.", "#", "day", "code", "1/0", "0/1"}
)
_UNIT = re.compile(
    r"([µm]?g|kg|m?l|cl|hl|mm|cm|°\s?[cf]|%|ppm|ppb|weeks?|days?|months?|hours?|h|min|s)(\s?/\s?(l|kg|hl|ml|100 ?g))?",
    re.IGNORECASE,
)


def _is_unit(word: str) -> bool:
    bare = word.strip("()[] ")
    bracketed = word[:1] in "([" and word[-1:] in ")]" and not any(c.isdigit() for c in bare) and len(bare) <= 12
    return bracketed or bare.lower() in _NO_UNITS or _UNIT.fullmatch(bare) is not None


def without_headers_again(grid: Grid) -> None:
    """Take out the header where it comes again in the middle of the table, as on every page; not after a gap."""
    heads = [plain(cell) for cell in grid.headers]
    again = [
        i
        for i in range(1, len(grid.rows))
        if [plain(as_shown(cell)) for cell in grid.rows[i]] == heads and grid.numbers[i] == grid.numbers[i - 1] + 1
    ]
    grid.drop_rows(dict.fromkeys(again, "the header again"))


def without_remarks(grid: Grid) -> None:
    """Take out remarks below the table, unless they may say that a row is not to count."""
    end = len(grid.rows)
    while end > 2 and _is_remark(grid.rows[end - 1]):
        end -= 1
    grid.drop_rows(dict.fromkeys(range(end, len(grid.rows)), "a remark below the table"))


def _is_remark(row: Sequence[Any]) -> bool:
    filled = [cell for cell in row if not is_empty(cell)]
    if len(filled) != 1 or not isinstance(filled[0], str):
        return False
    words = filled[0].strip()
    begins = words[:1] in "*#†‡(" or _REMARK.match(words) or len(words.split()) >= 4
    return bool(begins) and not may_be_left_out(words)


_REMARK = re.compile(
    r"(notes?|source|sources|legend|key|as of|quelle|stand|anmerkung|hinweis|fuente|nota|fonte|remarque)\b", re.I
)


def filled_down(grid: Grid) -> None:
    """Of single answers: write panel and protocol in every row, where they stand only in the first of each panel."""
    if not one_row_a_tasting(grid.headers):
        return
    panels = [j for j, name in _columns(grid).items() if name == "panel"]
    if len(panels) != 1:
        return
    starts = [i for i in range(1, len(grid.rows)) if not is_empty(grid.rows[i][panels[0]])]
    names = [as_shown(grid.rows[i][panels[0]]) for i in starts]
    if not starts or starts[0] != 1 or len(set(names)) < len(names) or len(starts) == len(grid.rows) - 1:
        return
    for j, name in _columns(grid).items():
        if name not in ("panel", "protocol", "date"):
            continue
        filled = [i for i in range(1, len(grid.rows)) if not is_empty(grid.rows[i][j])]
        if filled != starts:
            continue
        for i in range(1, len(grid.rows)):
            if i not in set(starts):
                grid.change(i, j, grid.rows[i - 1][j], "stands only in the first row of the panel")


def without_second_columns(grid: Grid) -> None:
    """Take out a column that repeats another, header and cells."""
    seen: dict[tuple[str, ...], int] = {}
    again = []
    for j, header in enumerate(grid.headers):
        cells = tuple([plain(header), *(as_shown(row[j]) for row in grid.rows[1:])])
        if header and cells in seen:
            again.append(j)
        seen.setdefault(cells, j)
    grid.drop_columns(again, "the same column again")


# --- what the cells say ---------------------------------------------------------------------------------------------


def named_headers(grid: Grid) -> None:
    """Call columns by our names where the header is in another language."""
    english = is_english([*_expected(grid), LEFT_OUT])
    for j, name in _columns(grid).items():
        if not english(grid.headers[j]) and columns_called(grid.headers[j]):
            grid.change(0, j, name, "the header in English")


def ticked(grid: Grid) -> None:
    """Write yes and no for ticks and crosses, where a column has both and nothing else."""
    for j, name in _columns(grid).items():
        if name not in ("correct", "reported") or (name == "correct" and not one_row_a_tasting(grid.headers)):
            continue
        said = {as_shown(row[j]) for row in grid.rows[1:] if not is_empty(row[j])}
        if not (said <= _TICKS | _CROSSES and said & _TICKS and said & _CROSSES):
            continue
        for i in range(1, len(grid.rows)):
            if not is_empty(grid.rows[i][j]):
                grid.change(i, j, "yes" if as_shown(grid.rows[i][j]) in _TICKS else "no", "a tick or a cross")


_TICKS, _CROSSES = frozenset("✓✔☑✅"), frozenset("✗✘☒❌")


def parted_counts(grid: Grid) -> None:
    """Write 12 for "12 of 24" where the tastings of the row are 24, and 24 for "24 people"."""
    named = {name: j for j, name in _columns(grid).items()}
    if one_row_a_tasting(grid.headers):
        return
    for name in [name for name in ("tastings", "tasters") if name in named]:
        for i in range(1, len(grid.rows)):
            found = _PEOPLE.fullmatch(as_shown(grid.rows[i][named[name]]))
            if found:
                grid.change(i, named[name], int(found[1]), "the number alone")
    if not set(FORCED) <= set(named):
        return
    for row in range(1, len(grid.rows)):
        found = _PARTED.fullmatch(as_shown(grid.rows[row][named["correct"]]))
        if found and as_shown(grid.rows[row][named["tastings"]]) == found[2]:
            grid.change(row, named["correct"], int(found[1]), "the tastings are in a column of their own")


_PARTED = re.compile(r"(\d{1,6}) ?(?:/|of|out of|von|sur|de|su) ?(\d{1,6})", re.ASCII)
_PEOPLE = re.compile(
    r"(\d{1,6}) ?(?:people|persons|tasters|tastings|answers|pers\.?|personen|verkoster|antworten|personnes|réponses|"
    r"personas|respuestas|persone|risposte|pessoas|respostas)",
    re.IGNORECASE,
)


def without_totals(grid: Grid) -> None:
    """Take out rows of totals and averages that are named so, or nameless, and are what they say."""
    if one_row_a_tasting(grid.headers):
        return
    checked = check_table(grid.sheet(), PANEL_COLUMNS, leaving_out="panel")
    if not len(checked.frame) or "panel" not in checked.frame or not set(FORCED) & set(checked.place):
        return
    sums = Sums(checked)
    panels = checked.frame["panel"]
    bare, within = are_totals(panels)
    nameless = panels.isna().to_numpy(bool) & checked.frame["protocol"].isna().to_numpy(bool)
    out = {}
    for i, row in enumerate(checked.sheet.rows):
        named = bool(bare[i] or within[i] or nameless[i])
        if named and sums.adds_some(i):
            out[row - 1] = "the total of other rows"
        elif bare[i] and is_average(panels.iloc[i]) and _is_mean(checked, i, bare):
            out[row - 1] = "the average of the other rows"
    grid.drop_rows(out)


def _is_mean(checked: Checked, i: int, bare: Any) -> bool:
    """Are the counts of a row the average of those of the panels, to the digits that are written?"""
    agreed = 0
    for name in (*FORCED, *TWO_COUNTS):
        if name not in checked.place:
            continue
        cells = checked.sheet.columns[checked.place[name]]
        mine = _as_number(cells.iloc[i])
        others = [_as_number(cells.iloc[k]) for k in range(len(cells)) if k != i and not bare[k]]
        known = [value for value in others if value is not None]
        if mine is None or len(known) < 2 or abs(mine - sum(known) / len(known)) > 0.5:
            return False
        agreed += 1
    return agreed > 1


def _as_number(cell: object) -> float | None:
    try:
        return float(as_shown(cell).replace(",", "."))
    except ValueError:
        return None


def written_plainly(grid: Grid) -> None:
    """Write the value that the door reads, where the cell says the same in other signs: ja, 794.0, 24 with spaces."""
    tasting = one_row_a_tasting(grid.headers)
    sheet = grid.sheet()
    columns = _expected(grid)
    checked = check_table(sheet, columns, leaving_out="tasting" if tasting else "panel")
    kinds = {column.name: column for column in columns}
    for name, j in checked.place.items():
        if name not in checked.frame or name == LEFT_OUT.name:
            continue
        read = checked.frame[name].astype(object).where(checked.frame[name].notna(), None).tolist()
        for i, value in enumerate(read):
            row = checked.sheet.rows[i] - 1
            cell = grid.rows[row][j]
            after = _plainly(cell, value, kinds.get(name), str(checked.frame[name].dtype))
            if after is not None and as_shown(after) != str(cell):
                grid.change(row, j, after, "written plainly")


def _plainly(cell: object, value: Any, column: Column | None, dtype: str) -> Any:
    """What to write for a cell that is read as `value`; None where it stays as it is."""
    if not isinstance(cell, str) or value is None or not cell.strip():
        return None
    if column is None:
        if dtype == "Float64":
            return None if "%" in cell or _is_float(cell) else _shortest(value)
        return cell.strip(SPACES) if dtype == "string" and str(value) == cell.strip(SPACES) else None
    if dtype == "boolean":
        return None if plain(cell) in _SAID else "yes" if value else "no"
    if dtype == "Int64":
        return None if cell == str(value) else int(value)
    if dtype.startswith("datetime"):
        return None if re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell) else value.date()
    if column.name == "protocol":
        return _protocol_in_english(cell) or _trimmed(cell, value)
    if column.name == "blind":
        return value if folded(cell) in _BLIND else None
    if column.name in ("answer", "served", "taster"):
        return None if cell.startswith("'") else value
    return _trimmed(cell, value)


_SAID = among("yes no y n true false 1 0 right wrong correct incorrect")
_BLIND = frozenset(by_word(BLIND))


def _trimmed(cell: str, value: Any) -> Any:
    return value if value == cell.strip(SPACES) else None


def _is_float(cell: str) -> bool:
    return re.fullmatch(r"-?\d+(\.\d+)?", cell, re.ASCII) is not None


def _shortest(value: float) -> int | float:
    return int(value) if float(value).is_integer() else float(value)


def _protocol_in_english(cell: str) -> str | None:
    try:
        protocol(cell)
    except ValueError:
        called = protocol_called(cell)
        return None if called is None else called[0]
    return None


# --- what is where --------------------------------------------------------------------------------------------------


def header_at(grid: Grid) -> int | None:
    """Where the header is: the first of the rows near the top that name most columns; None if none names two."""
    first = next((i for i, row in enumerate(grid.rows) if not all(map(is_empty, row))), 0)
    known = {
        i: sum(grid.known(str(cell)) for cell in grid.rows[i] if not is_empty(cell))
        for i in range(first, min(first + HEADER_WITHIN, len(grid.rows)))
    }
    best = max(known, key=lambda i: known[i])
    return best if known[best] > 1 else None


def _is_header(grid: Grid) -> bool:
    return header_at(grid) == 0


def _has_marks(grid: Grid) -> bool:
    """Does the workbook say something beside its cells that would have to be turned with them?"""
    beside = grid.beside
    return bool(beside.merged or beside.struck or beside.partly_struck or beside.comments or beside.may_be_struck)


def _columns(grid: Grid) -> dict[int, str]:
    """Which columns of the table are which of ours, by place."""
    sheet = grid.sheet()
    checked = Checked(pd.DataFrame(index=range(len(sheet.rows))), sheet, {}, (), [], [], {})
    match_headers(checked, [*_expected(grid), LEFT_OUT])
    return {j: name for name, j in checked.place.items()}


def _expected(grid: Grid) -> tuple[Column, ...]:
    return TASTING_COLUMNS if one_row_a_tasting(grid.headers) else PANEL_COLUMNS


def _counted(heads: Sequence[str]) -> set[int]:
    """Places of headers that may name counts, the share of some, or what is said of one tasting alone."""
    return {j for j, head in enumerate(heads) if head and (_counts(head) or "%" in head)}


_ALONE = ("correct", "served", "answer", "trial", "order", "position", "preference", "placebo", "notes")
_counts = is_known(
    [*(column for column in PANEL_COLUMNS if column.counted), *(TASTING[name] for name in _ALONE), LEFT_OUT]
)
