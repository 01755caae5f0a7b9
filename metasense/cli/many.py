"""The command for many variables at once: shelf."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from metasense.cli.options import add_form, add_margin
from metasense.cli.parser import Parser
from metasense.cli.printing import FORMATS, answer, progress
from metasense.cli.reading import FINE, WARNED

PARTS = ("shares", "alarms", "order", "drawer")
DOES = "many variables at once, each on its own or weighed as one"


def add_shelf(parsed: Parser, run: Callable[[argparse.Namespace], int]) -> None:
    """Which table, and what tells the variables."""
    parsed.set_defaults(run=run)
    parsed.add_argument(
        "table", metavar="TABLE", help="a table (CSV, TSV, Excel, Parquet), one row a panel or a tasting"
    )
    parsed.add_argument("--by", metavar="COLUMN", required=True, help="what tells the variables apart: ingredient")
    parsed.add_argument("--together", action="store_true", help="weigh them as one: what matters, and what is luck")
    parsed.add_argument("--variable", metavar="NAME", help="the pool of this one alone")
    parsed.add_argument("--part", choices=PARTS, metavar="PART", help=f"of the whole: {', '.join(PARTS)}")
    parsed.add_argument(
        "--unrecorded", metavar="N", type=int, nargs="+", help="of drawer: variables never written down"
    )
    parsed.add_argument("--sheet", metavar="NAME", help="which sheet of an Excel file, by name or number")
    add_margin(parsed)
    add_form(parsed, FORMATS)
    for name in ("--report", "--save"):  # refused, and not taken for a slip
        parsed.add_argument(name, metavar="FILE", help=argparse.SUPPRESS)


def shelf(chosen: argparse.Namespace) -> int:
    """Pool every variable of a table on its own, or weigh all of them as one."""
    if chosen.unrecorded is not None and chosen.part != "drawer":
        raise ValueError("--unrecorded goes with --part drawer.")
    if chosen.variable is not None and (chosen.together or chosen.part):
        raise ValueError("--variable is one alone; --together and --part are of all of them. Leave one out.")
    if chosen.report is not None or chosen.save is not None:
        raise ValueError(
            "a shelf is not written as a page or saved. Save its table with --format csv > table.csv, or see one alone "
            "with --variable NAME; metasense pool writes pages, of a table of one variable."
        )
    watched = progress() and chosen.format == "text"
    found = shelf_of(chosen.table, chosen.by, sheet=chosen.sheet, margin=chosen.margin, progress=watched)
    again = [chosen.table, "--by", chosen.by, *(("--sheet", chosen.sheet) if chosen.sheet else ())]
    if found.margin is None:
        again += ["--margin", f"0.2 {found.protocol.name}"]
    else:
        again += ["--margin", chosen.margin, "--together"]
        again += ["--details"] if chosen.together else []
    result: Any = found.together() if chosen.together or chosen.part else found
    if chosen.variable is not None:
        result = found.variable(chosen.variable)
    elif chosen.part is not None:
        result = _part(result, chosen)
    answer(result, chosen, after=("shelf", *again))
    return WARNED if found.panels.reversals() else FINE


def shelf_of(
    table: str, by: str, *, sheet: str | None = None, margin: str | None = None, progress: bool = False
) -> Any:
    """Every variable of a table pooled on its own."""
    from metasense.results.shelf import pool_each

    return pool_each(_read(table, sheet), by=by, margin=margin, progress=progress)


def _part(whole: Any, chosen: argparse.Namespace) -> Any:
    """One of the tables that stand behind the whole."""
    from metasense.cli.said import Said
    from metasense.showing.tables import Table, table

    if chosen.part == "drawer":
        frame = whole.drawer() if chosen.unrecorded is None else whole.drawer(chosen.unrecorded)
        percents = dict.fromkeys(("share", "lower", "upper"), "percent")
        caption = "If so many variables were tried and never written down: the share with nothing to taste"
        return Said(table(frame, caption=caption, kinds=percents), frame)
    frame = {"shares": whole.shares, "alarms": whole.false_alarms, "order": whole.order}[chosen.part]()
    shown = [part for part in whole._shown() if isinstance(part, Table)][1:]
    return Said(dict(zip(PARTS, shown, strict=False))[chosen.part], frame)


def _read(table: str, sheet: str | None) -> Any:
    """Single answers, or the table as it stands: panels of different variables may have one name there."""
    from metasense.results.archive import is_archive
    from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS, one_row_a_tasting
    from metasense.tables.headers import is_known
    from metasense.tables.opening import open_table
    from metasense.tables.panels import read_tastings

    if is_archive(table):
        raise ValueError(f"{table!r} is a saved pool, which is of one variable. Name the table of all of them.")
    opened = open_table(table, is_known((*PANEL_COLUMNS, *TASTING_COLUMNS)), sheet=sheet)
    return read_tastings(opened) if one_row_a_tasting(opened.headers) else opened
