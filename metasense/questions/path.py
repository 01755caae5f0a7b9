"""The answer after each panel, in date order; its last step is the pool."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.core.answers import side
from metasense.core.core import Core
from metasense.questions.sensitivity import answer, of_panels, on_draws
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False, repr=False)
class Path(Pictured):
    """The answer after each panel, in date order. Made by `Pooled.path`.

    Attributes
    ----------
    steps : DataFrame
        One row a panel in the order they came: ``panel, date, panels`` (so far), then ``median, lower, upper, prob,
        kind, p_above, p_below, verdict`` of the average d-prime from all panels so far.
    margin : float or None
    notes : tuple of str
        How panels without a date were placed.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
    >>> path = ms.pool(table | {"date": ["2025-01-10", "2025-02-07"]}).path()
    >>> path.to_frame().columns[:3].tolist()
    ['panel', 'date', 'panels']
    """

    steps: pd.DataFrame
    margin: float | None
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, core: Core, *, prob: float = 0.95) -> Path:
        """Add the panels of a pool one by one, oldest first; those without a date come last, as they stand."""
        frame = core.panels.frame
        order = np.argsort(frame["date"].to_numpy(), kind="stable")  # missing dates sort last
        undated = frame["date"].isna().to_numpy(bool)
        notes = []
        if undated.all():
            notes.append("No panel has a date, so they come in the order of the table.")
        elif undated.any():
            notes.append(
                "Without a date, and so placed last in the order of the table: "
                f"{words.listing(frame.loc[undated, 'panel'], most=6)}."
            )
        keep = np.zeros(len(frame), bool)
        rows, errors = [], []
        for count, i in enumerate(order, start=1):
            keep[i] = True
            row = {"panel": frame["panel"].iloc[i], "date": frame["date"].iloc[i], "panels": count}
            average, error = of_panels(core, keep)
            errors.append(error)
            rows.append(row | answer(average, core.margin, prob))
        notes += on_draws(errors)
        return cls(pd.DataFrame(rows), None if core.margin is None else core.margin.d_prime, tuple(notes))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the steps.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> path = ms.pool(table | {"date": ["2025-01-10", "2025-02-07"]}).path()
        >>> len(path.to_frame())
        2
        """
        return self.steps.copy()

    def sentence(self) -> str:
        """Where the answer began, where it stands, and when the verdict last changed.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> path = ms.pool(table | {"date": ["2025-01-10", "2025-02-07"]}).path()
        >>> path.sentence()[:40]
        'After the first panel (A) the average d-'
        """
        first, last = self.steps.iloc[0], self.steps.iloc[-1]
        prob = float(last["prob"])
        text = f"After the first panel ({words.one_line(first['panel'])}) the average d-prime was {_said(first, prob)}"
        if len(self.steps) == 1:
            return f"{text}; there is no other panel."
        text += f"; after {'both' if len(self.steps) == 2 else f'all {len(self.steps)}'} it is {_said(last, prob)}."
        if self.margin is None:
            return text
        changes = np.flatnonzero((self.steps["verdict"] != self.steps["verdict"].shift()).to_numpy()[1:]) + 1
        if not len(changes):
            return f"{text} The verdict was {last['verdict']} from the first panel to the last."
        at = self.steps.iloc[changes[-1]]
        since = f"{words.one_line(at['panel'])} (panel {at['panels']})"
        return f"{text} The verdict has stood at {last['verdict']} since {since}."

    def plot(self, *, ax: Any = None) -> Axes:
        """How the answer moved as the panels came in.

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
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> path = ms.pool(table | {"date": ["2025-01-10", "2025-02-07"]}).path()
        >>> from matplotlib.figure import Figure
        >>> axes = path.plot(ax=Figure())
        """
        frame = self.steps if self.steps["date"].notna().any() else self.steps.drop(columns="date")
        return figures.path(frame, margin=self.margin, prob=float(frame["prob"].iloc[0]), ax=ax)

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return figures.alt_path(self.steps, margin=self.margin)

    def _shown(self) -> list[str | tables.Table]:
        frame = self.steps if self.steps["date"].notna().any() else self.steps.drop(columns="date")
        if self.margin is None:
            frame = frame.drop(columns=["p_above", "p_below", "verdict"])
        table = tables.table(
            frame,
            caption="The average d-prime after each panel",
            kinds={"p_above": side, "p_below": side, "panels": "count"},
            labels={
                "p_above": "P(above margin)",
                "p_below": "P(below margin)",
                "panels": "panels so far",
                "panel": "added",
            },
            most=60,
        )
        return [self.sentence(), *self.notes, table]


def _said(row: pd.Series, prob: float) -> str:
    return words.estimate(row["median"], row["lower"], row["upper"], prob)
