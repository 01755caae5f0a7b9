"""How often the people of a panel had sat before: `visit`, a moderator that no column needs to hold.

Tastings tell by name who came to several panels. A panel's visit is the mean number of earlier panels of the table that
its tasters had sat in: 0 where everybody is new, 3 in the fourth evening of a club that stays together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from metasense.tables.panels import Panels, Tastings
from metasense.tables.sheets import PanelsError

VISIT = "visit"
BY_DATE, BY_ROW = "by the dates of the panels", "by the order of the table, as not every panel has a date"


def with_visits(panels: Panels, tastings: Tastings | None, asked: Sequence[str]) -> Panels:
    """The panels with a column `visit`, if it is asked for and they have none of their own.

    Parameters
    ----------
    panels : Panels
    tastings : Tastings or None
        Who sat where. In panels of which it does not say so, the visit is missing.
    asked : sequence of str
        Moderators.

    Raises
    ------
    PanelsError
        If nobody is known to have sat in several panels.

    Examples
    --------
    >>> from metasense.tables.panels import read_tastings
    >>> table = {"panel": ["A", "A", "B", "B"], "protocol": "triangle", "taster": ["T1", "T2", "T2", "T3"],
    ...          "correct": [1, 0, 1, 1]}
    >>> tastings = read_tastings(table)
    >>> with_visits(tastings.to_panels(), tastings, ["visit"]).frame["visit"].tolist()
    [0.0, 0.5]
    """
    if VISIT not in asked:
        return panels
    if VISIT in panels.frame:
        note = f"{VISIT} is the table's own column of that name, not how often people had sat before."
        return replace(panels, notes=(*panels.notes, note))
    frame = panels.frame.reset_index(drop=True)
    sat = None if tastings is None else tastings.counts()
    if sat is None or sat["taster"].duplicated().sum() == 0:
        raise PanelsError(
            f"{VISIT} is how often the people of a panel had sat before, and nobody is known to have sat in several: "
            "give single answers (tastings) with one code for a person in every panel, or a column of that name.",
            panels.source,
        )
    dated = bool(frame["date"].notna().all())
    order = frame["date"].argsort(kind="stable") if dated else frame.index
    place = dict(zip(frame["panel"].iloc[list(order)], range(len(frame)), strict=True))
    sat = sat[sat["panel"].isin(frame["panel"])]
    sat = sat.assign(place=sat["panel"].map(place)).sort_values("place", kind="stable")
    earlier = sat.groupby("taster").cumcount().groupby(sat["panel"]).mean().round(2)  # no more than can be read
    frame[VISIT] = frame["panel"].map(earlier).astype("Float64").to_numpy()
    frame[VISIT] = frame[VISIT].astype("Float64")
    note = (
        f"{VISIT} is how many panels a panel's people had sat in before, on average, {BY_DATE if dated else BY_ROW}. "
        "It runs with time: practice, tiredness, and products that age cannot be told apart by it."
    )
    return replace(panels, frame=frame, notes=(*panels.notes, note))
