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


_WORD = "|".join(sorted(_TOTALS, key=len, reverse=True))
_SEASON = "spring|summer|autumn|fall|winter|frühjahr|frühling|sommer|herbst|printemps|été|automne|hiver"
_MONTH = (
    "jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sept?(ember)?|oct(ober)?|nov(ember)?|"
    "dec(ember)?"
)
_PARTS = "panels?|tests?|tastings?|evenings?|sessions?|rows?|triangles?|duo-?trios?|tetrads?"
_OF_WHAT = re.compile(  # what a total or average is said to be of
    rf"(\d{{4}}\s+)?(grand\s+)?(sub-?\s?)?({_WORD})\b[\s:,(-]*((of|for|over|by)\b.*|(the |all |both )*({_PARTS})\b.*|"
    rf"\d{{1,4}}|(early |late )?({_SEASON}|{_MONTH})(\s+\d{{2,4}})?)?[\s)]*",
    re.IGNORECASE,
)
_SUM = re.compile(r"\W*(grand |sub-?)?(totals?|sum|summe|gesamt|insgesamt|somme|suma|totaal)\W*", re.IGNORECASE)
_SPREADS = among("stdev stddev standarddeviation stdabw standardabweichung ecarttype")


def _is_total(name: str) -> bool:
    """Is the name a word for a total or an average, bare or with no more than what it is of?"""
    word = plain(name.strip("()[]:=*# "))
    return word in _TOTALS or word in _SPREADS or bool(_OF_WHAT.fullmatch(name.strip("()[]:=*# ")))


def are_totals(names: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Which names are a bare word for a total, and which others hold one."""
    places, values = distinct(names)
    within = [isinstance(value, str) and (bool(_TOTAL_WITHIN.search(value)) or plain(value) in _SPREADS)
              for value in values]  # fmt: skip
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
        place = np.arange(len(frame))
        blocks = [(place < i) & (place >= first) for first in range(max(int(i) - 40, 0), int(i) - 1)]
        for mine in (others, above, *blocks):
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
    """Rows called a total or sum in a cell that is no name of a panel: under date, protocol, or in front."""
    found = np.zeros(len(checked.frame), bool)
    places = {checked.place[name] for name in ("date", "protocol") if name in checked.place} | {0}
    for j in places - {checked.place.get("panel")}:
        found |= np.array(
            [isinstance(cell, str) and bool(_SUM.fullmatch(cell)) for cell in checked.sheet.columns[j]], bool
        )
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
