"""Turn cells as somebody typed them into typed columns, without guessing.

Each expected column is one line of a table (`Column` in ``headers.py``), and each kind of cell (`whole`, `choice`,
`date`, `text` ...) is one function from a cell to a value, in ``numbers.py``, ``dates.py`` and ``wording.py``.
`check_table` matches headers to columns and applies the kinds. A cell that could mean two things is a problem with a
remedy, never a silent choice; a choice that is safe is a note. Every distinct cell is looked at once, so a million rows
cost little more than their distinct values.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from metasense.tables.cells import Kind, Reading, as_shown, is_missing, tidy
from metasense.tables.checked import Checked, array_of, distinct, is_certain, read_cells
from metasense.tables.exclusion import INCIDENTS, LEFT_OUT, leave_out
from metasense.tables.headers import Column, match_headers
from metasense.tables.numbers import is_numeric, number
from metasense.tables.sheets import Sheet, is_empty
from metasense.tables.wording import text, yes_no


def check_table(
    sheet: Sheet, columns: Sequence[Column], *, keep_empty: bool = True, leaving_out: str | None = None
) -> Checked:
    """Match headers to `columns`, read their cells, and keep every other column as words or numbers.

    Columns that are not there are missing throughout, or with `keep_empty` false are left out. With `leaving_out`,
    "panel" or "tasting" (what a row is), rows that the table says are left out are not read at all.
    """
    checked = Checked(pd.DataFrame(index=range(len(sheet.rows))), sheet, {}, (), list(sheet.notes), [], {})
    passed = INCIDENTS if leaving_out == "tasting" else frozenset()
    extra = match_headers(checked, [*columns, LEFT_OUT] if leaving_out else columns, passed)
    if leaving_out:
        leave_out(checked, leaving_out == "panel")
        sheet = checked.sheet
    n = len(sheet.rows)
    data: dict[str, Any] = {}
    wrong: list[tuple[np.ndarray, dict[int, str], str]] = []

    def read(column: str, j: int, places: np.ndarray, values: Sequence[Any], kind: Kind, dtype: str) -> None:
        out, messages, notes = read_cells(values, kind, sheet.headers[j])
        checked.notes.extend(notes)
        data[column] = array_of(places, out, dtype)
        if messages:
            wrong.append((places, messages, column))

    for column in columns:
        if column.name in checked.place:
            j = checked.place[column.name]
            read(column.name, j, *distinct(sheet.columns[j]), column.kind, column.dtype)
        elif keep_empty or column.required:
            data[column.name] = array_of(np.zeros(n, int), [None], column.dtype)
    for j in extra:
        places, values = distinct(sheet.columns[j])
        read(sheet.headers[j], j, places, values, *_kind_of(values, sheet.headers[j], checked.notes))
        checked.place[sheet.headers[j]] = j
    checked.frame = pd.DataFrame(data, index=range(n))
    for places, messages, column_name in wrong:
        checked.report_each(places, messages, column_name)
    return checked


def _is_hedged(value: Any) -> bool:
    return isinstance(value, str) and _HEDGED.fullmatch(tidy(value)) is not None


def _kind_of(values: Sequence[Any], header: str, notes: list[str]) -> tuple[Kind, str]:
    """How to read a column nobody announced: as true/false or numbers if every cell is one, as words otherwise."""
    if len(values) and all(map(is_certain, values)):
        return number, "Float64"
    trial = Reading()
    filled = [value for value in values if not is_missing(value, trial)]
    if filled and all(isinstance(v, str | bool | np.bool_) and str(v).strip().casefold() in ("true", "false")
                      for v in filled):  # fmt: skip
        return yes_no, "boolean"
    numeric = [is_numeric(value) for value in filled]
    padded = any(isinstance(value, str) and re.fullmatch(r"0\d+", value.strip()) for value in filled)
    if filled and all(numeric) and not padded:
        return number, "Float64"
    odd = None
    written = [value for value in values if not is_empty(value)]
    hedged = [value for value in written if _is_hedged(value)]
    if hedged and all(_is_hedged(value) or str(value).strip().casefold() == "none" for value in written):
        odd = hedged[0]
    elif any(numeric) or any(isinstance(value, str) and _WITH_UNIT.fullmatch(tidy(value)) for value in filled):
        odd = next((value for value, is_number in zip(filled, numeric, strict=True) if not is_number), None)
        if odd is None:
            odd = next(value for value in filled if isinstance(value, str) and re.fullmatch(r"0\d+", value.strip()))
    if odd is not None:
        notes.append(
            f"column {header!r} was kept as words, because of {as_shown(odd)!r}; correct it if it holds numbers."
        )
    return text, "string"


_HEDGED = re.compile(  # 3-4, 1/2, 3?, about 5, 0x1F, (5), 1½, #DIV/0!, and what stands where a number is not known
    r"(about|around|ca\.?|circa|over|under|up to)? ?\W{0,2}\d[\d.,]* ?([-\u2010-\u2015/~?+±≈<>_]|to |or ).*"
    r"|0x[0-9a-f]+|\(\d[\d.,]*\)|\d* ?[\u00bc-\u00be\u2150-\u215e]|#n/a|#[a-z]+(/0)?[!?]"
    r"|[\W_]*\d[\d\W_]*"  # 7,50,0 and whatever else is digits and marks only
    r"|\W+|tbd|tba|x|nil|unknown|(about|around|ca\.?|circa|over|under|up to) ?\d.*",
    re.IGNORECASE,
)
_WITH_UNIT = re.compile(  # 12 weeks, €5, 5 g/L, 4 °C
    r"[^\w\s(]{0,2} ?\d+([.,]\d+)? ?([^\W\d_]{1,12}(/[^\W_]{1,6})?|[%\u2030°]\w?)?"
)
