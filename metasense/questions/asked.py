"""Who was asked for a preference and what they said, read off the tables: of the correct, of everybody, on pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metasense.protocols import Protocol, protocol
from metasense.showing import words
from metasense.tables.panels import Tastings

ANSWERS = ("new", "old", "none")


@dataclass(frozen=True)
class Asked:
    """The preferences of one panel.

    Attributes
    ----------
    panel : str
    row : int or None
        Its row among the panels of the pool; None for a separate blind pair.
    new, old, none : int
        Of the tasters who were right (asked of the correct), or of everybody.
    offered : bool
        Whether "no preference" could be answered.
    wrong_new, wrong_old, wrong_none : int
        Of the tasters who were wrong, where single answers are known.
    correct, tastings : int
        Of the panel.
    repeated : bool
        Whether some people are in it more than once.
    protocol : str
        Of the panel; empty for a separate pair.
    served : int
        How many could have answered; 0 where that is not known.

    Examples
    --------
    >>> import metasense as ms
    >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
    >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
    >>> found.correct[0].new, found.correct[0].old
    (8, 4)
    """

    panel: str
    row: int | None
    new: int
    old: int
    none: int
    offered: bool
    wrong_new: int = 0
    wrong_old: int = 0
    wrong_none: int = 0
    correct: int = 0
    tastings: int = 0
    repeated: bool = False
    protocol: str = ""
    served: int = 0

    @property
    def answers(self) -> int:
        """How many answered, "no preference" included; those who were wrong left out."""
        return self.new + self.old + self.none


def answers_of(frame: pd.DataFrame, tastings: Tastings | None) -> tuple[list[Asked], list[Asked]]:
    """Panels for the answer with guessing taken out, and panels in which everybody was asked."""
    single = _single(tastings)
    correct, everyone = [], []
    for row, panel in enumerate(frame.itertuples(index=False)):
        new, old, none = (_whole(getattr(panel, name)) for name in ("prefer_new", "prefer_old", "no_preference"))
        if not new + old + none:
            continue
        offered = bool(pd.notna(panel.no_preference))
        if panel.asked == "pair":
            again = bool(pd.notna(panel.tasters) and panel.tasters < new + old + none)
            there = _whole(panel.tasters)
            everyone.append(Asked(panel.panel, None, new, old, none, offered, repeated=again, served=there))
            continue
        if not isinstance(protocol(panel.protocol), Protocol):
            continue
        about: dict[str, Any] = {
            "panel": panel.panel, "row": row, "offered": offered,
            "protocol": panel.protocol, "correct": _whole(panel.correct), "tastings": _whole(panel.tastings),
            "repeated": bool(pd.notna(panel.tasters) and panel.tasters < panel.tastings),
        }  # fmt: skip
        if panel.panel in single.index:
            about["offered"] = bool(single.filter(like="none").to_numpy().any())
            correct.append(Asked(**about, **dict(zip(_SIDES, single.loc[panel.panel].tolist(), strict=True))))
        elif panel.asked == "correct":
            correct.append(Asked(**about, new=new, old=old, none=none, served=_whole(panel.correct)))
        if panel.asked == "all":
            everyone.append(Asked(**about, new=new, old=old, none=none, served=_whole(panel.tastings)))
    return correct, everyone


def silent_in(frame: pd.DataFrame) -> list[str]:
    """Panels in which people were asked, and not one answer is written down."""
    answered = frame[["prefer_new", "prefer_old", "no_preference"]].fillna(0).sum(axis=1) > 0
    return frame.loc[frame["asked"].isin(["correct", "all", "pair"]) & ~answered, "panel"].astype(str).tolist()


_SIDES = [f"{side}{kind}" for side in ("", "wrong_") for kind in ANSWERS]


def _single(tastings: Tastings | None) -> pd.DataFrame:
    """Preferences by panel of those who were right (``new, old, none``) and wrong (``wrong_new`` ...)."""
    if tastings is None or "preference" not in tastings.frame:
        return pd.DataFrame(columns=_SIDES)
    frame = tastings.frame[["panel", "correct", "preference"]].dropna()
    side = frame["correct"].map({True: "", False: "wrong_"}).astype(str) + frame["preference"].astype(str)
    return pd.crosstab(frame["panel"].astype(str), side).reindex(columns=_SIDES, fill_value=0)


def asked_again(
    tastings: Tastings | None, correct: Sequence[Asked], everyone: Sequence[Asked]
) -> tuple[int, int, int] | None:
    """People whose preference counts in more than one panel, people in all, and their answers; None where unknown."""
    if tastings is None or "preference" not in tastings.frame:
        return None
    frame = tastings.frame
    stated = frame[frame["preference"].notna() & frame["taster"].notna()]
    right = stated["panel"].isin([a.panel for a in correct]) & stated["correct"].fillna(False).astype(bool)
    counted = stated[right | stated["panel"].isin([a.panel for a in everyone])]
    panels = counted.assign(taster=counted["taster"].astype(str)).groupby("taster")["panel"].nunique()
    again = int((panels > 1).sum())
    return (again, len(panels), len(counted)) if again else None


def pairs_of(source: Any) -> list[Asked]:
    """Separate blind pairs from whatever holds them."""
    if source is None:
        return []
    if not isinstance(source, (pd.DataFrame, dict, list)):
        raise ValueError(f"pairs is a DataFrame, a dict or a list of dicts, one row a pair; got {source!r}.")
    frame = pd.DataFrame([source] if isinstance(source, dict) and not _listed(source) else source)
    missing = [name for name in ("prefer_new", "prefer_old") if name not in frame]
    if missing:
        raise ValueError(f"pairs needs the columns prefer_new and prefer_old; there is no {words.listing(missing)}.")
    offered = "no_preference" in frame
    found = []
    for i, row in enumerate(frame.to_dict("records"), start=1):
        counts = [row["prefer_new"], row["prefer_old"], row["no_preference"] if offered else 0]
        name = str(row.get("panel", "separate pair" if len(frame) == 1 else f"separate pair {i}"))
        new, old, none = _checked(counts, f"pair {name!r}")
        found.append(Asked(name, None, new, old, none, offered))
    return found


def _listed(table: dict[str, Any]) -> bool:
    return any(isinstance(value, list | tuple | np.ndarray | pd.Series) for value in table.values())


def served_placebo(frame: pd.DataFrame) -> tuple[int, int] | None:
    """Preferences stated and not stated between two cups alike, over the panels that served such a pair."""
    counts = frame[["placebo_stated", "placebo_none"]]
    stated, none = counts.fillna(0).sum().astype(int)
    return (int(stated), int(none)) if stated + none else None


def placebo_of(counts: Sequence[int]) -> tuple[int, int]:
    if isinstance(counts, str) or np.shape(counts) != (3,):
        raise ValueError(
            "placebo holds three counts: preferred one of the identical samples, preferred the other, had no "
            f"preference; got {counts!r}."
        )
    first, second, none = _checked(counts, "the placebo pair")
    return first + second, none


def _checked(counts: Sequence[Any], what: str) -> list[int]:
    bad = [c for c in counts if not (isinstance(c, (int, float, np.number)) and 0 <= c < np.inf and c == int(c))]
    if bad:
        raise ValueError(f"{what} has {bad[0]!r} as a count of answers. Counts are whole numbers of at least 0.")
    return [int(c) for c in counts]


def _whole(value: Any) -> int:
    return 0 if pd.isna(value) else int(value)
