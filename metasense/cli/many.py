"""The command for many variables at once: shelf."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from metasense.cli.options import add_form, add_margin
from metasense.cli.parser import Parser
from metasense.cli.printing import FORMATS, answer, progress
from metasense.cli.reading import FINE, WARNED

DOES = "many variables at once, each on its own or weighed as one"


def add_shelf(parsed: Parser, run: Callable[[argparse.Namespace], int]) -> None:
    """Which table, and what tells the variables."""
    parsed.set_defaults(run=run)
    parsed.add_argument(
        "table", metavar="TABLE", help="a table (CSV, TSV, Excel, Parquet), one row a panel or a tasting"
    )
    parsed.add_argument("--by", metavar="COLUMN", required=True, help="what tells the variables apart: ingredient")
    parsed.add_argument("--together", action="store_true", help="weigh them as one: what matters, and what is luck")
    parsed.add_argument("--sheet", metavar="NAME", help="which sheet of an Excel file, by name or number")
    add_margin(parsed)
    add_form(parsed, FORMATS)


def shelf(chosen: argparse.Namespace) -> int:
    """Pool every variable of a table on its own, or weigh all of them as one."""
    from metasense.results.shelf import pool_each

    watched = progress() and chosen.format == "text"
    found = pool_each(_read(chosen), by=chosen.by, margin=chosen.margin, progress=watched)
    again = [chosen.table, "--by", chosen.by, *(("--sheet", chosen.sheet) if chosen.sheet else ())]
    if found.margin is None:
        again += ["--margin", f"0.2 {found.protocol.name}"]
    else:
        again += ["--margin", chosen.margin, "--together"]
        again += ["--details"] if chosen.together else []
    answer(found.together() if chosen.together else found, chosen, after=("shelf", *again))
    return WARNED if found.panels.reversals() else FINE


def _read(chosen: argparse.Namespace) -> Any:
    """Single answers, or the table as it stands: panels of different variables may have one name there."""
    from metasense.results.archive import is_archive
    from metasense.tables.columns import PANEL_COLUMNS, TASTING_COLUMNS, one_row_a_tasting
    from metasense.tables.headers import is_known
    from metasense.tables.opening import open_table
    from metasense.tables.panels import read_tastings

    if is_archive(chosen.table):
        raise ValueError(f"{chosen.table!r} is a saved pool, which is of one variable. Name the table of all of them.")
    opened = open_table(chosen.table, is_known((*PANEL_COLUMNS, *TASTING_COLUMNS)), sheet=chosen.sheet)
    return read_tastings(opened) if one_row_a_tasting(opened.headers) else opened
