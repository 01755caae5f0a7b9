"""Counts that are said twice: as a share of the tastings, or by the wrong answers beside the right ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import Wrong, rounded
from metasense.tables.checked import Checked, column_of, combined, distinct
from metasense.tables.columns import PANEL
from metasense.tables.headers import Column, is_known, share_of
from metasense.tables.numbers import counts_of_share, whole
from metasense.tables.sheets import is_empty

_INCORRECT = Column("incorrect", "how many answers were wrong", whole, "Int64",
                    "wrong nincorrect nwrong incorrectanswers wronganswers numberincorrect numberwrong")  # fmt: skip


def check_incorrect(checked: Checked) -> None:
    """Where wrong answers are counted too, they and the right ones must make up the tastings.

    Those who gave no answer may be among the wrong ones, if ``refused`` says how many they were.
    """
    is_incorrect = is_known([_INCORRECT])
    for header in filter(is_incorrect, checked.extras):
        wrong = checked.frame[header]
        if not pd.api.types.is_numeric_dtype(wrong):  # words beside numbers
            wrong = pd.to_numeric(wrong.astype(object), errors="coerce")
        frame = checked.frame.assign(
            wrong=wrong.astype("Float64"), made=checked.frame.correct + wrong.astype("Float64")
        )
        silent = frame.refused.fillna(0)
        among_tastings = (frame.made + silent == frame.tastings) & (silent > 0)
        words = (
            "{correct} correct and {wrong:g} incorrect make {made:g} answers; with {refused} refused they are the "
            "{tastings} tastings. Tastings are answers: write {made:g} there."
        )
        checked.report(among_tastings, header, words, rows=frame)
        words = (
            "{correct} correct and {wrong:g} incorrect make {made:g} answers, not {tastings}. Correct what is wrong, "
            "or rename the column."
        )
        agrees = (frame.made == frame.tastings) | (frame.made == frame.tastings + silent)
        checked.report(~agrees & ~among_tastings, header, words, rows=frame)


def _above_one(cell: object) -> bool:
    """Is it a number above 1, and so in per cent where its header says so?"""
    word = str(cell).strip().removesuffix("%").strip().replace(",", ".")
    try:
        return "%" in str(cell) or float(word) > 1
    except ValueError:
        return False


class Shares:
    """Columns such as "% correct": counts are made of them where there are none, and compared where there are."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.found = [(j, how) for j in checked.shares.get("correct", ())
                      if (how := share_of(checked.sheet.headers[j], PANEL["correct"]))]  # fmt: skip
        self.used = -1  # the place of the column that counts were made of

    def turned_into_counts(self, forced: np.ndarray) -> None:
        """Fill ``correct`` where exactly one whole number of the tastings gives the share as it is written."""
        checked = self.checked
        if "correct" in checked.place or not self.found:
            return
        self.used, how = self.found[0]
        checked.place["correct"] = self.used
        header = checked.sheet.headers[self.used]
        places, rows, sure = self._counts(self.used, how, checked.frame["tastings"])
        counts: list[int | None] = [None] * len(rows)
        messages: dict[int, str] = {}
        for i, (cell, n) in enumerate(rows):
            found = sure[i]
            if isinstance(found, str):
                messages[i] = f"{found}."
            elif len(found) == 1:
                counts[i] = found[0]
            elif found:
                messages[i] = (
                    f"{cell!r} of {n} tastings could be any of {listing(found, 6)} correct. "
                    "Write the count in a column 'correct'."
                )
            elif n is not None and cell is not None:
                messages[i] = (
                    f"no whole number of {n} tastings is {cell!r}. "
                    "Check both, or write the count in a column 'correct'."
                )
        checked.report_each(np.where(forced, places, -1), messages, "correct")
        checked.frame["correct"] = column_of(places, counts, "Int64").where(forced)
        read = [f"{cell} of {n} is {at}" for (cell, n), at in zip(rows, counts, strict=True) if at is not None]
        checked.notes.append(
            f"column {header!r} holds shares, read as the only counts that give them: {listing(map(rounded, read), 4)}."
        )

    def compared(self, given: pd.Series, right: pd.Series) -> None:
        """Refuse rows in which a share does not agree with the count beside it."""
        checked = self.checked
        for j, how in self.found:
            if j == self.used:
                continue
            header = checked.sheet.headers[j]
            places, rows, sure = self._counts(j, how, given)
            whole_, pairs = combined(places, right)
            messages: dict[int, str] = {}
            for i, (at, k) in enumerate(pairs):
                cell, n = rows[at]
                found = sure[at]
                if cell is not None and n is not None and k is not None and (isinstance(found, str) or k not in found):
                    messages[i] = (
                        f"{cell!r} is not the share of {k} correct of {n} tastings. "
                        "Correct one of them, or remove the column."
                    )
            checked.report_each(whole_, messages, header)
            if not messages:
                checked.notes.append(f"column {header!r} is not used, and agrees with 'correct'.")

    def _counts(
        self, j: int, how: str, tastings: pd.Series
    ) -> tuple[np.ndarray, list[tuple[Any, ...]], list[list[int] | str]]:
        """The distinct cells and tastings, with the counts that each can be, or what is wrong with it."""
        cells, values = distinct(self.checked.sheet.columns[j])
        if how == "percent" and not any(map(_above_one, values)):
            how = "either"
        places, pairs = combined(cells, tastings)
        rows = []
        sure: list[list[int] | str] = []
        for at, n in pairs:
            cell = None if is_empty(values[at]) else values[at]
            rows.append((cell, n))
            try:
                sure.append([] if cell is None or n is None else counts_of_share(cell, how, int(n)))
            except Wrong as error:
                sure.append(str(error))
        return places, rows, sure
