"""Panels known by their totals that the same people may have tasted: which they are, and what it would change.

A table of totals does not say who sat. Its column `people` may: panels with one name in it were tasted by the same
people, as far as their numbers allow. Where it is empty, equally many tasters in panel after panel are asked about.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from metasense.core.core import Core
from metasense.engine.crossed_totals import Group, as_same
from metasense.engine.distribution import Distribution
from metasense.protocols import Protocol
from metasense.showing import words

ALIKE = 3  # panels with equally many tasters from which it is asked whether they were the same
LISTED = 6  # panels named in a note before the rest are counted
MANY = 1000  # tastings in a panel from which it is not worked out what the same people would change
ANSWERS = "their single answers, one row a tasting with the same code for a person in every panel, would tell"


@dataclass(frozen=True)
class Club:
    """Panels of the same people: what the table calls them (empty: it does not say), the panels, their rows."""

    name: str
    panels: tuple[str, ...]
    group: Group


def stated(core: Core) -> tuple[Club, ...]:
    """The clubs that the column `people` names, of panels of which only totals are known."""
    frame = _totals(core)
    named = frame[frame["people"].notna()]
    parts = [part for _, part in named.groupby("people", sort=False) if len(part) > 1]
    return tuple(_club(str(part["people"].iloc[0]), part) for part in parts)


def suspected(core: Core) -> Club | None:
    """At least three panels, and most of those of which it is not said who tasted, with equally many tasters."""
    frame = _totals(core)
    unsaid = frame[frame["people"].isna() & (frame["tasters"] > 1).fillna(False)]
    if unsaid.empty:
        return None
    alike = unsaid[unsaid["tasters"] == unsaid["tasters"].mode().iloc[0]]
    return _club("", alike) if len(alike) >= ALIKE and 2 * len(alike) > len(unsaid) else None


def _totals(core: Core) -> pd.DataFrame:
    """The forced-choice panels of which only totals are known."""
    frame = core.panels.frame.reset_index(drop=True)
    known = set() if core.tastings is None else set(core.tastings.frame["panel"])
    forced = np.array([isinstance(e.protocol, Protocol) and e.size > 0 for e in core.collected.rows])
    return frame[forced & ~frame["panel"].isin(known).to_numpy(bool)]


def _club(name: str, part: pd.DataFrame) -> Club:
    tasters = part["tasters"].fillna(part["tastings"]).astype(int)
    return Club(name, tuple(part["panel"]), Group(tuple(part.index.tolist()), tuple(tasters.tolist())))


def average(core: Core, clubs: Sequence[Club]) -> Distribution | None:
    """The average d-prime if the panels of each club were of the same people; None where it is not worked out.

    Nor is it where other people are followed by name, where the pool was sampled, or where panels are very large.
    """
    plain = core.regulars is None and core.settings["method"] == "grid"
    evidence = core.collected.rows
    if not plain or len(evidence) > MANY or max(e.size for e in evidence) > MANY:
        return None
    groups = tuple(club.group for club in clubs)
    return core.share(("clubs", groups), lambda: as_same(evidence, groups, core.priors, core.posterior).average)


def warning(core: Core, *, plain: bool = True) -> list[str]:
    """What it means that panels known by totals are stated to be of the same people; `plain`: for the average."""
    clubs = stated(core)
    if not clubs:
        return []
    instead = _instead(core, clubs) if plain else ""
    of = "; ".join(f"{_named(club.panels)} ({words.one_line(club.name)})" for club in clubs)
    return [
        f"The same people, as the table says: {of}. Only totals are known of them, so they are counted as new people, "
        f"and the interval may be too narrow{instead}. {ANSWERS[0].upper()}{ANSWERS[1:]} it exactly."
    ]


def question(core: Core) -> list[str]:
    """Whether people known by number only may have come again, and what that would change."""
    club = suspected(core)
    if club is None:
        return []
    count = words.count(club.group.tasters[0], "taster")
    return [
        f"Were they the same {count} each time: {_named(club.panels)}? They are counted as new people; if they were "
        f"the same, the interval may be too narrow{_instead(core, [club])}. Say so by one name for them in a column "
        f"people, or by several names if they were not; {ANSWERS} exactly."
    ]


def _instead(core: Core, clubs: Sequence[Club]) -> str:
    """The two intervals, as far as totals tell."""
    same = average(core, clubs)
    if same is None:
        return ""
    (low, high), (new_low, new_high) = same.interval(), core.average.interval()
    return (
        f": as far as totals tell, the average d-prime is then {words.d(low)} to {words.d(high)} in place of "
        f"{words.d(new_low)} to {words.d(new_high)} (95 % intervals)"
    )


def _named(panels: Sequence[str]) -> str:
    return words.listing(map(words.one_line, panels), most=LISTED)
