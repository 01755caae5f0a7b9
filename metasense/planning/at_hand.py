"""What the tasters at hand can find: in one evening, in each protocol, and over several evenings pooled.

Where a panel is as large as the room, the question is not how many tasters are needed but what so many find. A panel
finds a difference of some size if it reaches its critical number with a chance of at least 1 - beta. Several evenings
of the same protocol, if the difference is the same on each, are one panel of all their tastings: that is the most that
pooling them can find. Where evenings differ they find less, and the pool says how much.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from metasense.binomial import at_least, at_most
from metasense.margins import Margin, margin_of
from metasense.planning.sizes import (
    checked_risk,
    critical_number,
    found_with,
    risk_percent,
    similarity_limit,
    tasters_needed,
    true_share,
)
from metasense.protocols import PROTOCOLS, Protocol, forced_choice
from metasense.questions.plan import MOST_TASTERS, is_count
from metasense.showing import words
from metasense.showing.glance import compact
from metasense.showing.results import Statement
from metasense.showing.tables import Shown, Table

EVENINGS = (1, 2, 3, 4)
PURPOSES = ("difference", "similarity")


@dataclass(frozen=True, eq=False, repr=False)
class TastersAtHand(Statement):
    """What so many tasters find; made by `tasters_at_hand`.

    Attributes
    ----------
    tasters : int
    protocol : Protocol
    margin : Margin or None
    alpha, beta : float
    purpose : {"difference", "similarity"}
    frame : DataFrame
        As `to_frame` describes.

    Examples
    --------
    >>> import metasense as ms
    >>> found = ms.tasters_at_hand(24, "triangle", margin="0.3 triangle")
    >>> found.needed, found.evenings_needed
    (66, 3)
    """

    tasters: int
    protocol: Protocol
    margin: Margin | None
    alpha: float
    beta: float
    purpose: str
    frame: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """One row for each protocol in one evening, and for each number of evenings of the protocol at hand.

        Returns
        -------
        DataFrame
            ``protocol, evenings, tastings, cups``; ``critical_number`` with its ``actual_alpha``, or
            ``similarity_limit`` with its ``actual_beta``, missing where no count would do; ``chance``, of reaching the
            critical number at the margin, or of staying at the limit if there is nothing to taste; ``finds``, the
            d-prime found with a chance of 1 - beta (missing for similarity).

        Examples
        --------
        >>> import metasense as ms
        >>> found = ms.tasters_at_hand(24, "triangle", margin="0.3 triangle").to_frame()
        >>> found.loc[found["protocol"] == "triangle", ["tastings", "critical_number", "chance"]].round(2).head(2)
           tastings  critical_number  chance
        5        24               13    0.55
        7        48               22    0.88
        """
        return self.frame.copy()

    @property
    def needed(self) -> int | None:
        """Tastings that keep both risks at the margin; None without a margin."""
        if self.margin is None:
            return None
        size = _size_of(self.protocol, self.margin)
        return tasters_needed(self.protocol, **size, alpha=self.alpha, beta=self.beta, purpose=self.purpose).smallest

    @property
    def evenings_needed(self) -> int | None:
        """Evenings of so many tasters that have as many tastings as are needed; None without a margin."""
        needed = self.needed
        return None if needed is None else -(-needed // self.tasters)

    def _mine(self) -> pd.DataFrame:
        return self.frame[self.frame["protocol"] == self.protocol.name]

    def _line(self) -> str:
        one = self._mine().iloc[0]
        n = self.tasters
        if self.purpose == "similarity":
            if pd.isna(one["similarity_limit"]):
                return f"Not even 0 correct would speak for similarity at a beta-risk of {risk_percent(self.beta)}."
            return _similar(int(one["similarity_limit"]), n, one["actual_beta"])
        if pd.isna(one["critical_number"]):
            return (
                f"Not even {words.whole(n)} correct of {words.whole(n)} would speak for a difference at an alpha-risk "
                f"of {risk_percent(self.alpha)}."
            )
        real = words.percent(one["actual_alpha"], 1)
        return (
            f"{int(one['critical_number'])} or more correct of {words.whole(n)} speak for a difference; guessing gives "
            f"so many in {real} of panels."
        )

    def _enough(self) -> list[str]:
        """What is asked for beside what is there."""
        needed = self.needed
        if needed is None or self.margin is None:
            return []
        one = self._mine().iloc[0]
        chance = words.percent(one["chance"])
        if self.purpose == "similarity":
            said = [f"If there is nothing to taste, {chance} of panels say so."]
        else:
            said = [f"At the margin {chance} of panels find it.", *self._similarity()]
        room = words.whole(self.tasters)
        if needed <= self.tasters:
            return [*said, f"{words.whole(needed)} tastings are asked for, and {room} are there."]
        evenings = -(-needed // self.tasters)
        return [
            *said,
            f"{words.whole(needed)} tastings are asked for and {room} are there: {words.whole(evenings)} such evenings "
            f"pooled have {words.whole(evenings * self.tasters)}.",
        ]

    def _similarity(self) -> list[str]:
        """The count that speaks for similarity, of a panel run for a difference."""
        assert self.margin is not None
        size = _size_of(self.protocol, self.margin)
        limit = int(similarity_limit(self.protocol, self.tasters, **size, beta=self.beta))
        if limit < 0:
            return ["Not even 0 correct would speak for similarity."]
        truth = float(true_share(self.protocol, size["p_d"], size["d_prime"]))
        return [_similar(limit, self.tasters, float(at_most(limit, self.tasters, truth)))]

    def _paragraph(self) -> list[str]:
        return [self._line(), *self._enough(), _CAUTION]

    def _methods(self) -> list[str]:
        return [
            "Exact binomial tails, one answer a taster. Evenings are counted as one panel of all their tastings, as if "
            "the difference were the same on each."
        ]

    @property
    def _counted(self) -> str:
        return "critical_number" if self.purpose == "difference" else "similarity_limit"

    def _words(self, row: Any) -> list[str]:
        count = getattr(row, self._counted)
        said = ["none" if pd.isna(count) else words.whole(count)]
        if self.margin is not None or self.purpose == "similarity":
            said.append(words.percent(row.chance))
        if self.purpose == "difference":
            said.append("none" if np.isnan(row.finds) else words.d(row.finds))
        return said

    def _headers(self) -> list[str]:
        if self.purpose == "similarity":
            return ["similar up to", "says so if alike"]
        power = [] if self.margin is None else ["finds the margin"]
        return ["difference from", *power, "d-prime it finds"]

    def _protocols(self) -> Table:
        one = self.frame[self.frame["evenings"] == 1]
        rows = [[_starred(row.protocol), *self._words(row), words.whole(row.cups)] for row in one.itertuples()]
        caption = (
            f"What {words.count(self.tasters, 'taster')} find in one evening (* needs an attribute named beforehand)"
        )
        return compact(caption, ["protocol", *self._headers(), "cups"], rows)

    def _evenings(self) -> Table:
        rows = [
            [words.whole(row.evenings), words.whole(row.tastings), *self._words(row)]
            for row in self._mine().itertuples()
        ]
        caption = f"What such evenings find pooled ({self.protocol.name})"
        return compact(caption, ["evenings", "tastings", *self._headers()], rows)

    def _shown(self) -> list[str | Shown]:
        answer = " ".join([self._line(), *self._enough()])
        note = "As if evenings did not differ; where they do, less is found."
        if self.purpose == "difference":
            note = (
                f"It finds: in {risk_percent(1 - self.beta)} of panels, if evenings do not differ; where they do, less."
            )
        return [answer, self._protocols(), self._evenings(), note]


def _starred(name: str) -> str:
    """The protocol, with a star if tasters are told what to look for."""
    return f"{name} *" if forced_choice(name).directed else name


_CAUTION = "Evenings count as if the difference were the same on each; where they differ, they find less."


def _similar(limit: int, tastings: int, risk: float) -> str:
    return (
        f"{limit} or fewer correct of {words.whole(tastings)} speak for similarity; a difference at the margin leaves "
        f"so few in {words.percent(risk, 1)} of panels."
    )


def _size_of(test: Protocol, margin: Margin) -> dict[str, Any]:
    """The margin as a p_d of the protocol it was stated in, else as d-prime."""
    if margin.stated_protocol == test.name:
        return {"p_d": margin.stated_p_d, "d_prime": None}
    return {"p_d": None, "d_prime": margin.d_prime}


def tasters_at_hand(
    tasters: int,
    protocol: str | Protocol = "triangle",
    *,
    margin: Margin | str | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    purpose: str = "difference",
    evenings: Iterable[int] = EVENINGS,
) -> TastersAtHand:
    """What so many tasters find, one tasting each: in every protocol, and over several evenings pooled.

    Parameters
    ----------
    tasters : int
        At hand in one evening.
    protocol : str or Protocol
        The forced-choice protocol of the evenings that are pooled.
    margin : Margin or str, optional
        The smallest difference that matters; needed for similarity.
    alpha, beta : float
        The two risks.
    purpose : {"difference", "similarity"}
        What the panels are run for.
    evenings : iterable of int
        How many evenings are pooled; the first is one.

    Returns
    -------
    TastersAtHand

    Raises
    ------
    ValueError
        If a number is none, or similarity is asked for without a margin.

    Notes
    -----
    Exact binomial tails, as in the tables of ISO 4120 and ISO 10399.

    Examples
    --------
    >>> found = tasters_at_hand(20, "triangle")
    >>> int(found.to_frame().query("protocol == 'triangle'")["critical_number"].iloc[0])
    11
    """
    test = forced_choice(protocol)
    margin = margin_of(margin)
    counts = sorted({1, *evenings})
    if not is_count(tasters, MOST_TASTERS) or not all(is_count(k, 1000) for k in counts):
        raise ValueError(
            f"tasters is a whole number from 1 to {words.whole(MOST_TASTERS)}, and so are evenings; got {tasters!r} "
            f"and {words.listing(counts)}."
        )
    if purpose not in PURPOSES:
        raise ValueError(f"purpose is {words.listing(map(repr, PURPOSES))}, one of them; got {purpose!r}.")
    if purpose == "similarity" and margin is None:
        raise ValueError('similarity needs the difference that matters, such as margin="0.2 triangle".')
    checked_risk("alpha", alpha)
    checked_risk("beta", beta)
    tests = [one for one in PROTOCOLS.values() if isinstance(one, Protocol)]
    asked = [(one, 1) for one in tests]
    asked += [(test, int(k)) for k in counts if k > 1]
    rows = [_row(one, int(tasters), k, margin, alpha, beta, purpose) for one, k in asked]
    frame = pd.DataFrame(rows)
    first = frame.iloc[: len(tests)].sort_values(
        ["finds", "chance"] if purpose == "difference" else ["chance"],
        ascending=[True, False] if purpose == "difference" else [False],
        kind="stable",
    )
    frame = pd.concat([first, frame.iloc[len(tests) :]], ignore_index=True)
    for name in ("critical_number", "similarity_limit"):
        if name in frame:
            frame[name] = frame[name].astype("Int64")
    return TastersAtHand(int(tasters), test, margin, float(alpha), float(beta), purpose, frame)


def _row(
    test: Protocol, tasters: int, evenings: int, margin: Margin | None, alpha: float, beta: float, purpose: str
) -> dict[str, Any]:
    """One protocol and number of evenings."""
    n = tasters * evenings
    row: dict[str, Any] = {
        "protocol": test.name, "evenings": evenings, "tastings": n, "cups": n * test.cups,
    }  # fmt: skip
    size: dict[str, Any] = {"p_d": None, "d_prime": None} if margin is None else _size_of(test, margin)
    if purpose == "similarity":
        limit = int(similarity_limit(test, n, **size, beta=beta))
        truth = float(true_share(test, size["p_d"], size["d_prime"]))
        none = limit < 0
        return row | {
            "similarity_limit": pd.NA if none else limit,
            "actual_beta": np.nan if none else float(at_most(limit, n, truth)),
            "chance": 0.0 if none else float(at_most(limit, n, test.guess)),
            "finds": np.nan,
        }
    critical = int(critical_number(test, n, alpha=alpha))
    none = critical > n
    chance = np.nan
    if margin is not None:
        chance = float(at_least(critical, n, true_share(test, size["p_d"], size["d_prime"])))
    return row | {
        "critical_number": pd.NA if none else critical,
        "actual_alpha": np.nan if none else float(at_least(critical, n, test.guess)),
        "chance": chance,
        "finds": found_with(1 - beta, test, n, alpha),
    }
