"""Do the panels rise or fall with their dates? Said unasked where a trend this strong is no chance.

The dates are held against each panel's own d-prime by the rank correlation, and the share of all orders of the panels
(of many drawn ones, where there are too many) that give a correlation at least as strong is the p-value. It needs no
model of how panels differ: only that, without a trend, any order of theirs is as likely as another.
"""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.likelihood import Evidence
from metasense.protocols import Protocol
from metasense.showing import words

Array = NDArray[np.floating[Any]]

STRONG = 0.02  # p-value from which a trend is said
FEWEST = 5  # panels on different dates; fewer orders there are cannot be that rare
ALL = 8  # panels up to which every order is looked at
ORDERS = 20_000  # drawn where there are more panels


def against_dates(core: Core) -> tuple[float, float, Array]:
    """Rank correlation of the panels' d-primes with their dates, its two-sided p-value, and the d-primes by date.

    Without enough dates they are 0, 1 and empty.
    """
    frame = core.panels.frame
    used = frame["date"].notna().to_numpy(bool) & np.array([outcomes.counted(e) for e in core.collected.rows])
    if used.sum() < FEWEST or frame.loc[used, "date"].nunique() < FEWEST:
        return 0.0, 1.0, np.empty(0)
    alone = np.array([_alone(e) for e, use in zip(core.collected.rows, used, strict=True) if use])
    dates = frame.loc[used, "date"].rank().to_numpy(float)
    ranks = pd.Series(alone).rank().to_numpy(float)
    by_date = alone[np.argsort(dates, kind="stable")]
    if np.ptp(ranks) == 0:
        return 0.0, 1.0, by_date
    dates, ranks = dates - dates.mean(), ranks - ranks.mean()
    seen = float(dates @ ranks)
    n = len(ranks)
    if n <= ALL:
        orders = np.array(list(permutations(range(n))))
        drawn = 0
    else:
        rng = np.random.default_rng(1)
        orders = rng.permuted(np.tile(np.arange(n), (ORDERS, 1)), axis=1)
        drawn = 1
    as_strong = np.count_nonzero(np.abs(ranks[orders] @ dates) >= abs(seen) - 1e-9)
    return (
        seen / float(np.sqrt((dates @ dates) * (ranks @ ranks))),
        (as_strong + drawn) / (len(orders) + drawn),
        by_date,
    )


def _alone(panel: Evidence) -> float:
    """The d-prime of a panel's share of correct answers, kept away from the ends of the scale."""
    test = panel.protocol
    assert isinstance(test, Protocol)
    return float(test.d_prime((outcomes.correct(panel) + test.guess / 2) / (panel.size + 0.5)))


def note(core: Core, *, asked: str = "pooled.path()") -> list[str]:
    """A sentence where the panels rise or fall with their dates.

    Measured on 200 simulated sets each without a trend (four to twelve panels, alike and differing by 0.5): fired in 0
    to 3.5 %, 1.8 % on average.
    """
    correlation, p, by_date = against_dates(core)
    if p > STRONG:
        return []
    third = max(len(by_date) // 3, 1)
    early, late = words.distinct(float(np.median(by_date[:third])), float(np.median(by_date[-third:])))
    way = "higher" if correlation > 0 else "lower"
    return [
        f"Later panels came out {way}: a d-prime of about {early} at first and {late} at last, each panel alone. So "
        f"strong a trend comes about by chance in {words.percent(p, 1)} of orders. If tasters learned or the product "
        f"changed, the next panel will be like the last ones and not like the average; {asked} shows it."
    ]
