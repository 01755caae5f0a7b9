"""Tables and saved pools that a command names, and what `check` says of them."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from metasense.cli.printing import answer, free_name, say, show

FINE, WARNED, FAILED = 0, 1, 2


@dataclass(frozen=True)
class Named:
    """What the files of a command hold: tables, or one saved pool."""

    files: tuple[str, ...]
    panels: Any = None
    tastings: Any = None
    saved: Any = None

    @property
    def words(self) -> list[str]:
        """The files as they are typed again."""
        return list(self.files)


def named(chosen: argparse.Namespace) -> Named:
    """Open the files of a command."""
    from metasense.results.archive import is_archive
    from metasense.tables.panels import read_table, read_tastings, together

    files = tuple(str(file) for file in chosen.files)
    saved = [file for file in chosen.files if is_archive(file)]
    again = (*files, *(("--sheet", chosen.sheet) if chosen.sheet else ()), *_pooled_with(chosen))
    if saved:
        if len(files) > 1 or chosen.tastings is not None:
            raise ValueError(
                f"{str(saved[0])!r} is a saved pool, which holds its panels and tastings already. Name it alone, or "
                "name the tables it was made of."
            )
        from metasense.results.pooling import load

        return Named(again, saved=load(saved[0]))
    tables = [read_table(file, sheet=chosen.sheet) for file in chosen.files]
    if chosen.tastings is not None:
        tables.append(read_tastings(chosen.tastings))
        again = (*again, "--tastings", str(chosen.tastings))
    panels, tastings = together(tables)
    return Named(again, panels, tastings)


def _pooled_with(chosen: argparse.Namespace) -> list[str]:
    """What else the panels are pooled with, as it is typed again."""
    typed = []
    for panel in getattr(chosen, "without", None) or []:
        typed += ["--without", panel]
    for name in ("rho", "prior", "discount", "learned_from", "by"):
        value = getattr(chosen, name, None)
        if value is not None:
            typed += [f"--{name.replace('_', '-')}", f"{value:g}" if isinstance(value, float) else str(value)]
    return typed


def check(chosen: argparse.Namespace) -> int:
    """Say what is in the tables, or in the saved pool."""
    from metasense.core.evidence import joined
    from metasense.showing.words import listing, one_line
    from metasense.tables.sheets import PanelsError

    if chosen.fix is not None:
        return _fix(chosen)
    try:
        read = named(chosen)
        counts = read.panels if read.saved is None else read.saved.panels
        if read.tastings is not None:
            counts = read.tastings.to_panels() if counts is None else joined(counts, read.tastings)
    except PanelsError as error:
        raise ValueError("\n".join([error.words() if chosen.details else str(error), *_mends(chosen)])) from None
    shown = [table for table in (read.panels, read.tastings) if table is not None] or [counts]
    after = ("pool", *read.words, *card_beside(chosen.files[0]))
    if read.saved is not None:
        after = ("show", *read.words)
    for table in shown[:-1]:
        if chosen.format == "text":
            show(table.in_full() if chosen.details else table)
            print()
    reversed_ = counts.reversals()
    warning = ""
    if reversed_:
        warning = (
            f"Warning: far fewer correct answers than guessing gives in {listing(map(one_line, reversed_), 8)}: a "
            "reversal or coding error, or, where a direction is named, a difference the other way round? Check the key "
            "before pooling."
        )
    _show_last(shown[-1], chosen, after, warning)
    return WARNED if reversed_ else FINE


def _mends(chosen: argparse.Namespace) -> list[str]:
    """The command that mends what is surely damaged in a table that cannot be read, where that is worth a copy."""
    from metasense.cli.parser import as_typed
    from metasense.showing.words import count
    from metasense.tables.mending import what_mends

    if len(chosen.files) > 1 or chosen.tastings is not None:
        return []
    (source,) = chosen.files
    copy = free_name(str(source.with_name(f"{source.stem}_mended.xlsx")))
    mended = what_mends(source, copy, sheet=chosen.sheet)
    if mended is None:
        return []
    left = "it can then be read"
    if mended.left:
        left = f"{count(len(mended.left), 'problem')} left to you"
    sheet = ["--sheet", chosen.sheet] if chosen.sheet else []
    typed = as_typed(["metasense", "check", str(source), *sheet, "--fix", copy])
    return ["", f"A copy with what is sure put right ({count(len(mended.changes), 'change')}; {left}):", f"  {typed}"]


def _fix(chosen: argparse.Namespace) -> int:
    """Write a mended copy of one table, and say what was changed and what is left."""
    from metasense.cli.printing import then
    from metasense.results.archive import is_archive
    from metasense.tables.mending import mend

    if len(chosen.files) > 1 or chosen.tastings is not None:
        raise ValueError("--fix mends one table at a time. Name it alone.")
    (source,) = chosen.files
    if is_archive(source):
        raise ValueError(f"{str(source)!r} is a saved pool, in which there is nothing to mend.")
    mended = mend(source, chosen.fix, sheet=chosen.sheet)
    after: tuple[object, ...] = ("check", chosen.fix)
    if chosen.format == "text":
        show(mended.details() if chosen.details else mended)
        then(*after)
    else:
        answer(mended, chosen, after=after, left=[str(problem) for problem in mended.left])
    if mended.table is None:
        return FAILED
    counts = mended.table.to_panels() if hasattr(mended.table, "to_panels") else mended.table
    return WARNED if counts.reversals() else FINE


def _show_last(table: Any, chosen: argparse.Namespace, after: tuple[object, ...], warning: str) -> None:
    """The table, the warning below it, and the command to go on with."""
    if chosen.format != "text":
        answer(table, chosen, after=after, **({"warning": warning} if warning else {}))
        return
    from metasense.cli.printing import then

    show(table.in_full() if chosen.details else table)
    if warning:
        say(warning)
    then(*after)


def card_beside(table: str | Path) -> list[str]:
    """The card of the question, where one stands beside the table; a margin is the user's own, and none is made up."""
    card = Path(table).parent / "card.toml"
    return ["--card", card.as_posix()] if card.exists() else []
