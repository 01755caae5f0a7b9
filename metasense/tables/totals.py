"""Rows of totals and averages, which are no panels."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import among, plain
from metasense.tables.checked import Checked, distinct
from metasense.tables.columns import FORCED, TWO_COUNTS

_TOTALS = among(
    "total totals sum sums subtotal subtotals grandtotal mean means average averages avg median overall all allpanels "
    "pooled combined everything σ ø summe gesamt gesamtsumme insgesamt zwischensumme mittelwert mittel durchschnitt "
    "somme totaux totale moyenne totaal gemiddelde suma totalgeneral promedio media somma"
)
_TOTAL_WITHIN = re.compile(rf"(?<!\w)(grand|sub-|{'|'.join(sorted(_TOTALS))})(?!\w)", re.IGNORECASE)


def _is_total(name: str) -> bool:
    """Is the name a bare word for a total or an average?"""
    return plain(name.strip("()[]:=*# ")) in _TOTALS


def are_totals(names: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Which names are a bare word for a total, and which others hold one."""
    places, values = distinct(names)
    within = [isinstance(value, str) and bool(_TOTAL_WITHIN.search(value)) for value in values]
    bare = [hit and _is_total(value) for hit, value in zip(within, values, strict=True)]
    return np.array(bare, bool)[places], (np.array(within, bool) & ~np.array(bare, bool))[places]


def refuse_totals(checked: Checked) -> None:
    """Refuse rows of totals or averages: those called so and no more, and those called so that add the others up.

    A panel called "Total Wine 3" is one, unless its counts are the sum of those above it.
    """
    frame = checked.frame
    bare, begins = are_totals(frame["panel"])
    others = ~bare & ~begins
    adds = np.zeros(len(frame), bool)
    counts = [frame[column].fillna(0).to_numpy(float) for column in (*FORCED, *TWO_COUNTS)]
    for i in np.flatnonzero(begins):
        above = others & (np.arange(len(frame)) < i)
        for mine in (others, above):
            adds[i] |= mine.sum() > 1 and any(c[i] for c in counts) and all(c[i] == c[mine].sum() for c in counts)
    elsewhere = _called_total(checked) & ~(bare | adds)
    refuse_rows(checked, bare | adds, "panel")
    refuse_rows(checked, elsewhere, "", anew=True)
    twice = ~(bare | adds) & (len(frame) > 2) & (sum(counts) > 0)
    for each in counts:
        twice &= 2 * each == each.sum()
    if twice.any():
        same = listing(frame["panel"][twice])
        if twice.sum() == 1:
            checked.notes.append(f"adds up to all the other panels: {same}. If it is their total, remove the row.")
        else:
            checked.notes.append(
                f"each adds up to all the other panels: {same}. If one is the total of the others, remove its row."
            )


def _called_total(checked: Checked) -> np.ndarray:
    """Rows with a bare word for a total in some cell that is no name of a panel: under date, protocol, or in front."""
    found = np.zeros(len(checked.frame), bool)
    places = {checked.place[name] for name in ("date", "protocol") if name in checked.place} | {0}
    for j in places - {checked.place.get("panel")}:
        found |= np.array([isinstance(cell, str) and _is_total(cell) for cell in checked.sheet.columns[j]], bool)
    return found


def refuse_rows(checked: Checked, mask: np.ndarray, column: str, *, anew: bool = False) -> None:
    """Refuse the rows as totals, and say nothing else of them; `anew` forgets what was said of them before."""
    if not mask.any():
        return
    if anew:
        checked.found = [(at, problem) for at, problem in checked.found if at < 0 or not mask[at]]
        checked.report(mask, column, "the row looks like a total or average of the others, not a panel. Remove it.")
    else:
        words = (
            "{value!r} looks like a total or average of the rows, not a %s. Remove the row, or give it another name."
        )
        checked.report(mask, column, words % column)
    for other in checked.heads:  # nothing else about such a row is worth saying
        checked.bad[other] = checked.bad.get(other, np.zeros(len(mask), bool)) | mask
