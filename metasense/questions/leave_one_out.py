"""How well a pool foretells a panel it has not seen: each panel left out in turn, exactly.

The probability that the others gave a panel's counts is the ratio of two evidences, with the panel and without it. The
log of it, summed over panels, is the expected log predictive density (elpd) by which two models of the same panels are
compared. Nothing is drawn. A panel is left out by taking its counts away and leaving its place: moderators keep their
scale, and the prior stays the same.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.core.evidence import Collected
from metasense.engine.grid import IntegrationError
from metasense.engine.likelihood import Counts, Evidence, TwoCounts
from metasense.questions.fit import against_the_others
from metasense.showing import tables, words
from metasense.showing.results import Result

Array = NDArray[np.floating[Any]]


@dataclass(frozen=True, eq=False, repr=False)
class LeaveOneOut(Result):
    """How probable each panel's counts were to a pool of the others. Made by ``pooled.leave_one_out()``.

    Attributes
    ----------
    panels : DataFrame
        One row a panel: ``panel, protocol, tastings, correct`` and ``elpd``, the log of the probability that the other
        panels gave its counts; of a pool with moderators or a level also ``elpd_plain``, without them.
    put_in : str
        The moderators or the level, in words; empty for a plain pool.
    followed : bool
        Whether the pool follows people from panel to panel, who are taken as new in every panel here.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
    >>> left_out = ms.pool(table).leave_one_out()
    >>> round(left_out.elpd, 2), round(left_out.error, 2)
    (-8.88, 1.33)
    """

    panels: pd.DataFrame
    put_in: str = ""
    followed: bool = False

    @classmethod
    def of(cls, core: Core, own: Array | None = None, put_in: str = "") -> LeaveOneOut:
        """Of a plain pool, or of one with `own` log probabilities and what was put into it."""
        found = against_the_others(core)
        plain = np.array([found[i].log_probability for i in core.collected.index])
        panels = core.panels.frame[["panel", "protocol", "tastings", "correct"]].reset_index(drop=True)
        if own is None:
            return cls(panels.assign(elpd=plain), followed=core.regulars is not None)
        return cls(panels.assign(elpd=own, elpd_plain=plain), put_in)

    @property
    def elpd(self) -> float:
        """The sum over panels."""
        return float(self.panels["elpd"].sum())

    @property
    def error(self) -> float:
        """Standard error of the sum, the panels being taken as a sample; not a number for one panel."""
        return _error(self.panels["elpd"])

    @property
    def gain(self) -> tuple[float, float] | None:
        """By how much `elpd` is higher than the plain pool's, and the standard error; None of a plain pool."""
        if "elpd_plain" not in self.panels:
            return None
        more = self.panels["elpd"] - self.panels["elpd_plain"]
        return float(more.sum()), _error(more)

    def to_frame(self) -> pd.DataFrame:
        """A copy of the rows, one a panel.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> ms.pool(table).leave_one_out().to_frame()[["panel", "elpd"]].round(2).values.tolist()
        [['A', -2.67], ['B', -2.38], ['C', -3.83]]
        """
        return self.panels.copy()

    def sentence(self) -> str:
        """How probable a panel's counts were to the others, and whether what was put in helped.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> ms.pool(table).leave_one_out().sentence()[:62]
        'Each panel left out in turn, its counts had a probability of 5'
        """
        panels = len(self.panels)
        text = (
            "Each panel left out in turn, its counts had a probability of "
            f"{words.percent(float(np.exp(self.elpd / panels)), 1)} (geometric mean) to a pool of the others; log "
            f"predictive density {words.d(self.elpd)} over {words.count(panels, 'panel')}"
        )
        text += "." if panels == 1 else f" (standard error {words.d(self.error)})."
        if self.followed:
            text += " Everybody is taken as new in every panel here."
        if self.gain is None:
            return text
        more, error = self.gain
        way = "better" if more > 0 else "worse"
        told = "; that may be chance" if abs(more) < 2 * error else ""
        return (
            f"{text} With {self.put_in} panels are foretold {way} than without, by {words.d(abs(more))} (standard "
            f"error {words.d(error)}){told}."
        )

    def _shown(self) -> list[str | tables.Table]:
        beside = {"elpd_plain": "without"} if self.gain is not None else {}
        table = tables.table(
            self.panels,
            caption="Log probability of each panel's counts, given the other panels",
            labels={"elpd": f"with {self.put_in}" if beside else "log probability"} | beside,
            most=40,
        )
        return [self.sentence(), table]


def _error(values: pd.Series) -> float:
    """Standard error of a sum of independent terms (Vehtari, Gelman & Gabry 2017, from memory)."""
    return float(np.sqrt(len(values)) * values.std(ddof=1))


def each_left_out(core: Core, places: Sequence[Hashable], log_evidence: Callable[[Core], float]) -> Array:
    """Log probability of each panel's counts given the others, under a model with an evidence.

    Parameters
    ----------
    core : Core
    places : sequence, length panels
        What else tells panels apart: where each stands among the moderators and the groups.
    log_evidence : callable
        Gives the log evidence of the panels of a core.

    Returns
    -------
    ndarray, shape (panels,)

    Raises
    ------
    IntegrationError
        If an evidence cannot be integrated; says what to ask instead.
    """
    rows = core.collected.rows
    keys = list(zip(rows, places, strict=True))
    try:
        whole = log_evidence(core)
        found = {key: whole - log_evidence(_without(core, keys.index(key))) for key in dict.fromkeys(keys)}
    except IntegrationError:
        raise IntegrationError(
            "The model without one of the panels cannot be integrated to its accuracy. to_arviz() has the log "
            "likelihoods from which ArviZ tells the same approximately."
        ) from None
    return np.array([found[key] for key in keys])


def _without(core: Core, row: int) -> Core:
    """The same with the counts of one panel taken away, its place being left."""
    rows = core.collected.rows
    rows[row] = nothing(rows[row])
    distinct = {e: k for k, e in enumerate(dict.fromkeys(rows))}
    index = np.array([distinct[e] for e in rows])
    return replace(core, collected=Collected(tuple(distinct), np.bincount(index), index))


def nothing(evidence: Evidence) -> Evidence:
    """A panel of the same protocol in which nobody tasted, which every d-prime explains alike.

    Examples
    --------
    >>> from metasense.protocols import protocol
    >>> nothing(Counts(protocol("triangle"), 30, 12)).log_likelihood(np.array([0.0, 2.0]), 0.5)
    array([0., 0.])
    """
    if isinstance(evidence, TwoCounts):
        return TwoCounts(evidence.protocol, 0, 0, 0, 0)
    return Counts(evidence.protocol, 0, 0)  # type: ignore[arg-type]
