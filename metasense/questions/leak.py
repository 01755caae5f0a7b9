"""Leaks: what tasters who knew the answer by other means could do to the pool.

A taster who was told, saw the key or knew the cup by its look is right whatever is to be tasted. If a share ``s`` of
the tasters knew, an answer is correct with probability ``s + (1 - s) f(d)`` in place of ``f(d)``, and the d-prime is
that of the others. The share is not estimated, since the counts cannot tell it from a difference: the answer is shown
for several, and for the smallest at which the verdict is another.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd
from scipy.optimize import brentq

from metasense.core.answers import Verdict, side
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.distribution import Distribution
from metasense.engine.grid import beside
from metasense.engine.leaks import told
from metasense.engine.likelihood import Series
from metasense.questions.regulars import as_new
from metasense.questions.sensitivity import answer
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHARES = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
MOST = 0.3  # largest share at which a change of the verdict is looked for
NEAR = 0.002  # how closely the share is found at which the verdict changes


def with_told(core: Core, share: float) -> Distribution:
    """The average d-prime of those who were not told, if this share of the tasters was."""
    found = core.collected

    def work_out() -> Distribution:
        if share == 0 and core.regulars is None and core.settings["method"] == "grid":
            return core.average
        return beside(Series, [told(panel, share) for panel in found.evidence], found.copies, core.priors)[0]

    return core.share(("told", share), work_out)


@dataclass(frozen=True, eq=False, repr=False)
class Leak(Pictured):
    """What tasters who knew the answer by other means could do to it. Made by `Pooled.leak`.

    Attributes
    ----------
    what_if : DataFrame
        A row for each share of tasters who knew: ``case, told``, then the others' average d-prime's ``median, lower,
        upper, prob, kind``, ``p_above, p_below, verdict``.
    turning : tuple or None
        The smallest share, up to 30 %, at which the verdict is another, and that verdict.
    margin : float or None
    left_out : int
        Panels with two counts, which are taken as they are.
    as_new : str
        That people are taken as new here, where the pool follows them from panel to panel.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13]},
    ...                  margin="d'=0.8")
    >>> pooled.leak().to_frame().set_index("told")["median"].round(2).to_dict()[0.2]
    0.9
    """

    _depicts = "The average d-prime against the share of tasters who knew the answer by other means."

    what_if: pd.DataFrame
    turning: tuple[float, str] | None
    margin: float | None
    left_out: int = 0
    as_new: str = ""

    @classmethod
    def of(cls, core: Core, *, shares: Sequence[float] = SHARES, prob: float = 0.95) -> Leak:
        """Work it out for a pool.

        Raises
        ------
        ValueError
            If a share is below 0 or not below 1, or no panel is a forced choice.
        """
        if not len(shares) or not all(0 <= share < 1 for share in shares):
            raise ValueError(
                "shares are those of tasters who knew, from 0 to less than 1, for instance (0, 0.05, 0.1, 0.2); got "
                f"{tuple(shares)!r}."
            )
        usable = [outcomes.counted(e) for e in core.collected.rows]
        if not any(usable):
            raise ValueError(
                "who knew is asked of forced choices (triangle, 2-AFC and the like); these panels are A-not-A or "
                "same-different."
            )
        rows = []
        for share in shares:
            average = with_told(core, float(share))
            rows.append({"case": words.percent(share), "told": float(share)} | answer(average, core.margin, prob))
        margin = None if core.margin is None else core.margin.d_prime
        return cls(pd.DataFrame(rows), _turning(core), margin, usable.count(False), as_new(core))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the what-ifs, a row for each share.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.leak().to_frame().columns.tolist()[:3]
        ['case', 'told', 'median']
        """
        return self.what_if.copy()

    def sentence(self) -> str:
        """What tasters who knew could do to the answer, in words.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.leak().sentence()[:36]
        'If nobody knew the answer by other m'
        """
        return " ".join(filter(None, [self._answer(), self.as_new]))

    def _answer(self) -> str:
        frame = self.what_if
        first, last = frame.loc[frame["told"].idxmin()], frame.loc[frame["told"].idxmax()]
        medians = words.distinct(first["median"], last["median"])
        start = "nobody" if first["told"] == 0 else words.percent(first["told"])
        text = f"If {start} knew the answer by other means, the median of the average d-prime is {medians[0]}"
        if len(frame) > 1:
            text += f"; if {words.percent(last['told'])} of the tasters did, it is {medians[1]} for the others"
        if self.margin is None:
            return f"{text}."
        if self.turning is None:
            verdict = frame.loc[frame["told"].idxmin(), "verdict"]
            return f"{text}. The verdict, {verdict}, stays up to {words.percent(MOST)}."
        share, verdict = self.turning
        return f"{text}. From about {words.percent(share)} on, the verdict would be {verdict}."

    def caveats(self) -> tuple[str, ...]:
        """What the what-if cannot do.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> len(pooled.leak().caveats())
        1
        """
        aside = (
            "" if not self.left_out else f" {words.count(self.left_out, 'panel')} with two counts enter as they are."
        )
        return (
            "This is a what-if, not an estimate: the counts cannot tell tasters who knew from a difference that is "
            "tasted. It supposes that such tasters were always right and equally common in every panel. Serving "
            f"double-blind, with codes, is better than any such correction.{aside}",
        )

    def plot(self, *, ax: Any = None) -> Axes:
        """The average d-prime against the share of tasters who knew.

        Parameters
        ----------
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> from matplotlib.figure import Figure
        >>> axes = pooled.leak().plot(ax=Figure())
        """
        frame = self.what_if.sort_values("told")
        axes = figures.curve(
            frame["told"],
            frame["median"],
            lower=frame["lower"],
            upper=frame["upper"],
            level=self.margin,
            level_label="margin",
            xlabel="share of tasters who knew the answer by other means (left: nobody)",
            ylabel="average d-prime of the others (median)",
            steps=True,
            prob=float(frame["prob"].iloc[0]),
            ax=ax,
        )
        axes.set_xticks(frame["told"], [words.percent(share) for share in frame["told"]])
        axes.set_ylim(bottom=0)
        return axes

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return f"{self._depicts} {self.sentence()}"

    def _shown(self) -> list[str | tables.Table]:
        frame = self.what_if.drop(columns="told")
        if self.margin is None:
            frame = frame.drop(columns=["p_above", "p_below", "verdict"])
        table = tables.table(
            frame,
            caption="The average d-prime of the others if some tasters knew the answer",
            kinds={"p_above": side, "p_below": side},
            labels={"case": "tasters who knew", "p_above": "P(above margin)", "p_below": "P(below margin)"},
        )
        return [self.sentence(), table, *self.caveats()]


def turn(core: Core) -> str:
    """From which share of tasters who knew on the verdict is another, in one sentence; empty without a margin.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13]},
    ...                  margin="d'=0.8")
    >>> turn(pooled.core)
    'If about 4 % of the tasters or more knew the answer by other means, the verdict would be not settled.'
    """
    if core.margin is None:
        return ""
    if (found := _turning(core)) is None:
        return f"Even if {words.percent(MOST)} of the tasters knew the answer by other means, the verdict would stay."
    share, verdict = found
    known = f"If about {words.percent(share)} of the tasters or more knew the answer by other means"
    return f"{known}, the verdict would be {verdict}."


def _turning(core: Core) -> tuple[float, str] | None:
    """The smallest share at which the verdict is another than if nobody knew.

    The more knew, the less there is to taste: beyond the margin becomes not settled, and not settled within the margin.
    """
    margin = core.margin
    if margin is None:
        return None
    beyond, within, unsettled = words.VERDICTS
    before = Verdict.of(with_told(core, 0.0), margin).label
    if before == within:
        return None

    def short(share: float) -> float:
        """How far the probability that keeps the verdict, or would bring the next one, is from its level."""
        verdict = Verdict.of(with_told(core, share), margin)
        return verdict.above - margin.settled if before == beyond else margin.settled - verdict.below

    low = 0.0
    for high in SHARES[1:]:
        if short(high) <= 0:
            share = float(brentq(short, low, high, xtol=NEAR, rtol=1e-6))
            return share, unsettled if before == beyond else within
        low = high
    return None
