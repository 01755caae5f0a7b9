"""An empty table of panels to fill in: the columns that matter, one explained example, and in a workbook the choices.

The example says under ``left_out`` that it is one, and is never counted. The workbook offers what a cell may hold as a
list, says in a few words what belongs there when a cell is chosen, and refuses counts that cannot be.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from metasense.card import Card
from metasense.protocols import PROTOCOLS, Protocol, protocol
from metasense.tables.columns import FORCED, PANEL, TWO_COUNTS
from metasense.tables.exclusion import EXAMPLE, LEFT_OUT

ROWS = 500  # rows of the workbook that offer their choices
EXAMPLE_SIZE = 24  # tastings of the example where the card names no number
EXAMPLE_P_D = 0.2
_BEFORE = ("panel", "date", "protocol")
_AFTER = ("tasters", "people", "batch_pair", "blind", "looks", "reported")
_CHOICES: dict[str, Sequence[str]] = {
    "protocol": tuple(PROTOCOLS),
    "blind": ("double", "single", "none"),
    "reported": ("yes", "no"),
    "left_out": ("no", "yes"),
}
_WHOLE = ("tastings", "correct", "tasters", "looks", *TWO_COUNTS)
_NO_MORE_THAN = {"correct": "tastings", "hits": "signal", "false_alarms": "noise"}
_OPEN = ("left_out",)  # the list is an offer: a reason may stand there too
_FREE = "anything that was measured or noted for every panel, such as weeks or a style"
_WIDTHS = {"panel": 20, "protocol": 16, "notes": 70}


def blank_table(card: Card) -> pd.DataFrame:
    """The empty table for the panels of a card, with its example as the only row.

    Parameters
    ----------
    card : Card
        Its protocols decide which counts are asked for, its moderators have columns of their own.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin="0.2 triangle",
    ...             protocols="triangle", tastings=24, date="2025-03-01")
    >>> blank_table(card)[["panel", "protocol", "tastings", "correct", "left_out"]]
         panel  protocol tastings correct left_out
    0  Example  triangle       24      11  example
    """
    tests = [protocol(name) for name in card.protocols]
    forced = [test for test in tests if isinstance(test, Protocol)]
    counts = [*(FORCED if forced else ()), *(TWO_COUNTS if len(forced) < len(tests) else ())]
    names = [*_BEFORE, *counts, *_AFTER, *card.moderators, LEFT_OUT.name, "notes"]
    row: dict[str, Any] = dict.fromkeys(names, "")
    size = card.tastings or EXAMPLE_SIZE
    row |= {
        "panel": "Example",
        "date": card.date,
        "protocol": tests[0].name,
        "tasters": size,
        "batch_pair": "pair 1",
        "blind": "double",
        "looks": 1,
        "reported": "yes",
        LEFT_OUT.name: EXAMPLE,
    }
    if isinstance(tests[0], Protocol):
        row |= {"tastings": size, "correct": round(size * float(tests[0].p_from_p_d(EXAMPLE_P_D)))}
        says = f"of {size} answers {row['correct']} were correct"
    else:
        half = max(size // 2, 1)
        row |= {"signal": half, "hits": half // 2, "noise": half, "false_alarms": half // 4}
        says = f"{half} tastings of each kind"
    row["notes"] = (
        f"An example: one sitting, {says}. It is never counted, as left_out says. Write your panels below it, a row "
        "each."
    )
    return pd.DataFrame([row], columns=list(dict.fromkeys(names)), dtype=object)


def write_workbook(frame: pd.DataFrame, path: Path) -> None:
    """Write the table as a workbook whose cells offer what they may hold and refuse what cannot be.

    Parameters
    ----------
    frame : DataFrame
        What `blank_table` gave.
    path : Path
        A file that ends in ``.xlsx``.

    Examples
    --------
    >>> import tempfile
    >>> card = Card(question="Is the new yeast noticed?", decision="Change if within.", margin="0.2 triangle",
    ...             protocols="triangle", tastings=24, date="2025-03-01")
    >>> path = Path(tempfile.mkdtemp()) / "panels.xlsx"
    >>> write_workbook(blank_table(card), path)
    >>> path.stat().st_size > 0
    True
    """
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet = book.active
    sheet.title = "panels"
    letters = {name: get_column_letter(at) for at, name in enumerate(frame.columns, 1)}
    for at, name in enumerate(frame.columns, 1):
        head = sheet.cell(1, at)
        _write(head, name)
        head.font = Font(bold=True)
        shown = sheet.cell(2, at)
        _write(shown, frame[name].iloc[0])
        shown.font = Font(italic=True, color="FF707070")
        sheet.column_dimensions[letters[name]].width = _WIDTHS.get(name, 13)
        if name == "date":
            for row in range(2, ROWS + 1):
                sheet.cell(row, at).number_format = "yyyy-mm-dd"
        rule = _rule(name, letters)
        rule.add(f"{letters[name]}2:{letters[name]}{ROWS}")
        sheet.add_data_validation(rule)
    sheet.freeze_panes = "B2"
    book.save(path)


def _write(cell: Any, value: Any) -> None:
    """Fill a cell; a text that looks like a formula stays a text."""
    cell.value = None if value == "" else value
    if isinstance(value, str) and value:
        cell.data_type = "s"


def _rule(name: str, letters: dict[str, str]) -> Any:
    """What a column's cells offer, say and refuse."""
    from openpyxl.worksheet.datavalidation import DataValidation

    meaning = LEFT_OUT.meaning if name == LEFT_OUT.name else PANEL[name].meaning if name in PANEL else _FREE
    if name in _CHOICES:
        rule = DataValidation(type="list", formula1=f'"{",".join(_CHOICES[name])}"')
        rule.error = f"One of: {', '.join(_CHOICES[name])}."
    elif name == "date":
        rule = DataValidation(type="date", operator="greaterThan", formula1="36526")  # days: the year 2000
        rule.error = "A day, such as 2026-11-25."
    elif name in _NO_MORE_THAN and _NO_MORE_THAN[name] in letters:
        most = _NO_MORE_THAN[name]
        rule = DataValidation(type="whole", operator="between", formula1="0", formula2=f"{letters[most]}2")
        rule.error = f"A whole number, no more than {most}."
    elif name in _WHOLE:
        rule = DataValidation(type="whole", operator="greaterThanOrEqual", formula1="0" if name in TWO_COUNTS else "1")
        rule.error = "A whole number."
    else:
        rule = DataValidation()  # says only what belongs there
    rule.allow_blank = True
    rule.showErrorMessage = rule.type is not None and rule.type != "none"
    if name in _OPEN:
        rule.errorStyle = "information"
        rule.error = "no, yes, or yes and why, such as yes: cups mixed up"
    rule.showInputMessage = True
    rule.promptTitle = name[:32]
    rule.prompt = f"{meaning[0].upper()}{meaning[1:]}."[:255]
    return rule
