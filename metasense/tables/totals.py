"""Rows of totals and averages, which are no panels: told by their names, and by counts that add up the others'.

Rows that are left out count towards the sums too, since whoever added up the rows may have added those.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import Reading, Wrong, among, as_shown, one_value, plain
from metasense.tables.checked import Checked, all_digits, distinct
from metasense.tables.columns import FORCED, TWO_COUNTS
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.numbers import whole
from metasense.tables.sheets import is_empty

MANY = 3  # panels of which it is no accident that another has all the counts together

_TOTALS = among(
    "total totals sum sums subtotal subtotals grandtotal mean means average averages avg median overall all allpanels "
    "pooled combined everything σ ø summe gesamt gesamtsumme insgesamt zwischensumme mittelwert mittel durchschnitt "
    "somme totaux totale moyenne totaal gemiddelde suma totalgeneral promedio media somma soma médio schnitt "
    "totalgénéral ensemble todos tutti tous alle"
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
_ONE_WORD = _TOTALS | _SPREADS | {"grand"}


def _is_total(name: str) -> bool:
    """Is the name a word for a total or an average, bare or with no more than what it is of?"""
    word = plain(name.strip("()[]:=*# "))
    return word in _TOTALS or word in _SPREADS or bool(_OF_WHAT.fullmatch(name.strip("()[]:=*# ")))


_AVERAGES = among(
    "mean means average averages avg median ø mittelwert mittel durchschnitt schnitt moyenne gemiddelde promedio media "
    "médio"
)


def is_average(name: str) -> bool:
    """Does a word for a total or average say that it is an average?

    Examples
    --------
    >>> is_average("Mean of panels"), is_average("Total")
    (True, False)
    """
    return not _AVERAGES.isdisjoint(re.findall(r"\w+", name.casefold()))


def _holds_total(name: str) -> bool:
    if name.isalnum():  # one word, as the codes of a million tasters are
        return name.casefold() in _ONE_WORD
    return bool(_TOTAL_WITHIN.search(name)) or plain(name) in _SPREADS


def are_totals(names: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Which names are a bare word for a total, and which others hold one."""
    places, values = distinct(names)
    if all_digits(values):  # codes, and there may be a million of them
        return np.zeros(len(names), bool), np.zeros(len(names), bool)
    within = [isinstance(value, str) and _holds_total(value) for value in values]
    bare = [hit and _is_total(value) for hit, value in zip(within, values, strict=True)]
    return np.array(bare, bool)[places], (np.array(within, bool) & ~np.array(bare, bool))[places]


def refuse_totals(checked: Checked) -> None:
    """Refuse rows of totals or averages: those called so and no more, and those that add the others up.

    A panel called "Total Wine 3" is one, unless its counts are the sum of those above it. Under any other name, the
    first or last row is asked about if its counts are the sum of all the others; another row, or one of few, is noted.
    """
    frame = checked.frame
    sums = Sums(checked)
    bare, begins = are_totals(frame["panel"])
    adds = np.array([bool(begins[i]) and sums.adds_some(i) for i in range(len(frame))], bool)
    elsewhere = _called_total(checked) & ~(bare | adds)
    refuse_rows(checked, bare | adds, "panel")
    refuse_rows(checked, elsewhere, "", anew=True)
    decided = _is_decided(checked)
    twice = np.zeros(len(frame), bool)
    said = np.zeros(len(frame), bool)
    for also, rows in (("", sums.kept), (", those left out among them", np.ones_like(sums.kept))):
        adding = sums.add_all(rows) & frame["panel"].notna().to_numpy(bool) & ~(bare | adds)
        asked = adding & sums.at_an_end & sums.several & ~decided & (adding.sum() == 1)
        words = (
            f"{{value!r}} adds up to all the other panels{also}, as their total does. Remove the row if it is that; if "
            f"it is a panel, write no for it in a column {LEFT_OUT.name!r}."
        )
        checked.report(asked, "panel", words)
        twice |= adding & ~asked
        said |= adding
    _ask_of_subtotals(checked, sums, frame["panel"].notna().to_numpy(bool) & ~(bare | adds | said | decided))
    if twice.any():
        same = listing(frame["panel"][twice])
        if twice.sum() == 1:
            checked.notes.append(f"adds up to all the other panels: {same}. If it is their total, remove the row.")
        else:
            checked.notes.append(
                f"each adds up to all the other panels: {same}. If one is the total of the others, remove its row."
            )


def _ask_of_subtotals(checked: Checked, sums: Sums, open_: np.ndarray) -> None:
    """Ask about rows that add up all those above them, or since the last such row: several, or one of many rows."""
    found = [(place, size) for place, size in sums.subtotals() if open_[place]]
    if len(found) > 1 or any(size >= MANY for _, size in found):
        mask = np.zeros(len(open_), bool)
        mask[[place for place, _ in found]] = True
        words = (
            "{value!r} adds up to the panels above it, as their total does. Remove the row if it is that; if it is a "
            f"panel, write no for it in a column {LEFT_OUT.name!r}."
        )
        checked.report(mask, "panel", words)
    elif found:
        name = checked.frame["panel"].iloc[found[0][0]]
        checked.notes.append(f"adds up to the panels above it: {name}. If it is their total, remove the row.")


class Sums:
    """The counts of all rows, those left out included, and which rows add others up."""

    def __init__(self, checked: Checked) -> None:
        frame = checked.frame
        gone = list(checked.gone)
        size = len(frame) + len(gone)
        self.kept = np.ones(size, bool)
        self.kept[gone] = False
        self.counts = np.zeros((size, len(FORCED) + len(TWO_COUNTS)))
        names = np.full(size, "", object)
        names[self.kept] = frame["panel"].fillna("").to_numpy(object)
        for k, column in enumerate((*FORCED, *TWO_COUNTS)):
            self.counts[self.kept, k] = frame[column].fillna(0).to_numpy(float)
            self.counts[gone, k] = [_count(cell) for cell in _of_gone(checked, column)]
        names[gone] = [as_shown(cell) for cell in _of_gone(checked, "panel")]
        bare, begins = are_totals(pd.Series(names))
        self.panels = ~bare & ~begins
        self.at = np.flatnonzero(self.kept)

    def adds_some(self, i: int) -> bool:
        """Are the counts of a row the sum of the other panels', of those above it, or of some right above it?"""
        row = self.at[i]
        place = np.arange(len(self.counts))
        blocks = [(place < row) & (place >= first) for first in range(max(int(row) - 40, 0), int(row) - 1)]
        return any(
            self._is_sum(row, mine & among)
            for mine in (self.panels, self.panels & (place < row), *blocks)
            for among in (self.kept, np.ones_like(self.kept))
        )

    def _is_sum(self, row: int, mine: np.ndarray) -> bool:
        own = self.counts[row]
        return bool(mine.sum() > 1 and own.any() and (own == self.counts[mine].sum(axis=0)).all())

    def add_all(self, rows: np.ndarray) -> np.ndarray:
        """Of the rows that are kept, which have the counts of all the others among `rows` together."""
        own = self.counts[self.at]
        among = rows & (self.panels | self.kept)
        adds = (2 * own == self.counts[among].sum(axis=0)).all(axis=1)
        return own.any(axis=1) & adds & (among.sum() > 2)

    def subtotals(self) -> list[tuple[int, int]]:
        """Rows with the counts of all rows since the last such row, or the first, together; and how many those are."""
        found = []
        total = [0.0] * self.counts.shape[1]
        size = 0
        for place, row in enumerate(self.counts[self.at].tolist()):
            if size > 1 and row == total and sum(n > 0 for n in row) > 1:
                found.append((place, size))
                total = [0.0] * len(row)
                size = 0
                continue
            total = [a + b for a, b in zip(total, row, strict=True)]
            size += 1
        return found

    @property
    def several(self) -> np.ndarray:
        """Whether it is no accident if a row adds the others up: they are not few, and it has counts of two kinds."""
        others = (self.counts[self.panels | self.kept] > 0).any(axis=1).sum() - 1
        return (others >= MANY) & ((self.counts[self.at] > 0).sum(axis=1) > 1)

    @property
    def at_an_end(self) -> np.ndarray:
        """Whether each row that is kept is the first or last of the table."""
        return np.isin(self.at, (0, len(self.counts) - 1))


def _of_gone(checked: Checked, column: str) -> list[Any]:
    """The cells of a column in the rows that are left out."""
    if checked.whole is None or column not in checked.place:
        return [None] * len(checked.gone)
    return checked.whole.columns[checked.place[column]].iloc[list(checked.gone)].tolist()


def _count(cell: object) -> int:
    """The count in a cell that nobody has checked; 0 where it is none."""
    try:
        return whole(one_value(cell), Reading()) or 0
    except Wrong:
        return 0


def _is_decided(checked: Checked) -> np.ndarray:
    """Which rows ``left_out`` says to count."""
    size = len(checked.frame)
    if LEFT_OUT.name not in checked.place:
        return np.zeros(size, bool)
    return np.array([not is_empty(cell) for cell in checked.sheet.columns[checked.place[LEFT_OUT.name]]], bool)


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
