"""Many variables at once: `pool_each` pools every one on its own, and gives a `Shelf`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from metasense import __version__
from metasense.core.stock import Stock, stocked
from metasense.engine.priors import EVEN, Priors
from metasense.margins import Margin, margin_of
from metasense.protocols import Protocol
from metasense.results.pooled import Pooled
from metasense.results.pooling import pool, priors_of
from metasense.results.reading import FIRST, Reading
from metasense.results.together import Together
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured, Statement
from metasense.tables.panels import Panels
from metasense.tables.stocked import read_stocked

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from matplotlib.axes import Axes


def pool_each(
    panels: Any,
    *,
    by: str,
    margin: Margin | str | None = None,
    priors: Priors | None = None,
    executor: Executor | None = None,
    progress: bool = False,
) -> Shelf:
    """Pool many variables at once, the panels of each on their own.

    Every variable gets the model of `pool`, and the same numbers; `Shelf.together` then weighs all of them as one.

    Parameters
    ----------
    panels : Panels, Tastings, or anything `read_panels` takes
        One row a panel, with a column that says what it was about. Panels of different variables may have one name.
    by : str
        That column, such as ``"ingredient"``.
    margin : Margin or str, optional
        The smallest difference that matters, the same for all. Without one there are no verdicts.
    priors : Priors, optional
        Prior scales, and odds where they hold some; ``Priors()`` by default. They are of each variable on its own:
        ``together()`` learns both from the shelf itself, and is refused where other priors were stated.
    executor : concurrent.futures.Executor, optional
        Where chunks of many variables are worked out, for instance a ``ProcessPoolExecutor`` or a Dask client's
        ``get_executor()``; sent are counts, and numbers come back.
    progress : bool
        Whether to say on the error output how many variables are done.

    Returns
    -------
    Shelf

    Raises
    ------
    PanelsError
        If the table has problems, lacks the column, or a panel lacks its variable; all of them are listed.
    ValueError
        If an argument cannot be, or the executor stops working.
    IntegrationError
        If a variable does not reach its accuracy.

    Examples
    --------
    >>> table = {"ingredient": list("AABBCC"), "panel": ["May", "June"] * 3, "protocol": "triangle", "tastings": 30,
    ...          "correct": [9, 11, 19, 21, 10, 12]}
    >>> shelf = pool_each(table, by="ingredient", margin="0.2 triangle")
    >>> shelf.to_frame()[["variable", "panels", "median", "p_above", "verdict"]].round(2)
      variable  panels  median  p_above            verdict
    0        A       2    0.55     0.03  within the margin
    1        B       2    2.16     0.97  beyond the margin
    2        C       2    0.63     0.06        not settled
    """
    margin = margin_of(margin)
    tables_ = read_stocked(panels, by)
    priors = priors_of(priors)
    if executor is not None and not hasattr(executor, "map"):
        raise ValueError(
            f"executor is a concurrent.futures.Executor, such as ProcessPoolExecutor(2); got {executor!r}. Leave it "
            "out to work here."
        )
    if priors.earlier:
        raise ValueError("priors of an earlier pool are of one variable, and these are many: leave out priors=.")
    told = _teller(len(tables_.names)) if progress else None
    try:
        return Shelf(stocked(tables_, margin=margin, priors=priors, executor=executor, told=told))
    except RuntimeError as error:
        if isinstance(error, BrokenExecutor) or "cannot schedule new futures" in str(error):
            raise ValueError(
                f"the executor stopped working or was shut down ({error}). Give one that still runs, or leave out "
                "executor= to work here."
            ) from error
        raise


def _teller(size: int) -> Any:
    """Says how many are done."""
    import sys

    def say(done: int) -> None:
        print(f"{done} of {size} pooled", file=sys.stderr)

    return say


@dataclass(frozen=True, eq=False, repr=False)
class Shelf(Pictured, Answered, Statement):
    """Many variables, each pooled on its own. Made by `pool_each`.

    Attributes
    ----------
    stock : Stock
        The inputs and the numbers of every variable.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 27]}
    >>> shelf = ms.pool_each(table, by="dose", margin="0.2 triangle")
    >>> len(shelf), shelf.variable("2").verdict().label
    (2, 'beyond the margin')
    """

    stock: Stock = field(repr=False)

    _inside = frozenset({"stock"})
    _depicts = "Every variable on its own:"

    def __len__(self) -> int:
        return len(self.stock)

    @property
    def panels(self) -> Panels:
        """All the panels."""
        return self.stock.tables.panels

    @property
    def names(self) -> tuple[str, ...]:
        """The variables, in the order of the table."""
        return self.stock.tables.names

    @property
    def margin(self) -> Margin | None:
        """The smallest difference that matters, where one was named."""
        return self.stock.margin

    @property
    def priors(self) -> Priors:
        """The prior scales."""
        return self.stock.priors

    @property
    def protocol(self) -> Protocol:
        """The protocol whose correct answers are told: the margin's, or the commonest."""
        return self.stock.test

    @property
    def _reading(self) -> Reading:
        return Reading(self.stock)

    def variable(self, name: str) -> Pooled:
        """One variable as a pool of its own, with everything that can be asked of one.

        Parameters
        ----------
        name : str
            As it stands in the table.

        Returns
        -------
        Pooled

        Raises
        ------
        ValueError
            If there is no such variable; names those that come near.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").variable("2").panels.frame["panel"].tolist()
        ['B']
        """
        stock = self.stock
        if str(name) not in self.names:
            import difflib

            near = difflib.get_close_matches(str(name), self.names, n=1)
            hint = f" Did you mean {near[0]!r}?" if near else ""
            there = words.listing(map(repr, self.names), 8)
            raise ValueError(f"there is no {self._reading.noun} {str(name)!r}.{hint} There is {there}.")
        number = self.names.index(str(name))
        panels, tastings = stock.tables.of(number)
        pooled = pool(panels, tastings=tastings, margin=stock.margin, priors=stock.priors)
        assert isinstance(pooled, Pooled)
        return pooled

    def together(self) -> Together:
        """All of them weighed as one shelf: how many have nothing to taste, and how many results are luck.

        Scales and odds are learned from the shelf itself.

        Returns
        -------
        Together

        Raises
        ------
        ValueError
            If `pool_each` was given other priors than the usual ones, which would not be used here.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").together().to_frame()["variable"].tolist()
        ['1', '2']
        """
        if self.priors != Priors():
            raise ValueError(
                "together() learns scales and odds from the shelf itself and would not use the priors that were "
                "stated. Call pool_each without priors=, then together()."
            )
        return Together(self.stock)

    def to_frame(self) -> pd.DataFrame:
        """One row a variable, in the order of the table.

        Returns
        -------
        DataFrame
            ``variable, panels, tastings, correct, p_value`` (how often guessing gives so many correct or more); the
            average d-prime as ``median, lower, upper, prob, kind``; correct answers of the main protocol as shares
            ``p_c, p_c_lower, p_c_upper``; the ``spread`` (median); the next panel's d-prime as ``next_median,
            next_lower, next_upper``; ``p_none``, the probability of nothing to taste beside one difference and
            differences that vary, which are equally probable beforehand unless the priors say otherwise;
            ``p_expected_way``, that the difference goes the way that was expected, missing where no panel has a
            direction; ``p_above, p_below, verdict`` against the margin; and whether size or verdict would be another
            with prior scales halved or doubled: ``size_rests_on_prior, verdict_rests_on_prior``.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> ms.pool_each(table, by="dose").to_frame()["p_none"].round(2).tolist()
        [0.53, 0.0]
        """
        return self.stock.remember("frame", self.stock.to_frame).copy()

    # --- words ------------------------------------------------------------------------------------------------------

    @property
    def notes(self) -> tuple[str, ...]:
        """What a careful reader should know about these answers, in plain words and once for all of them."""
        reading = self._reading
        return (
            *reading.on_names(),
            *reading.on_reversals(),
            reading.on_many(),
            *reading.on_the_priors(self.to_frame()),
            *reading.on_the_panels(),
        )

    def _answer(self, *, named: bool = True) -> tuple[str, ...]:
        reading = self._reading
        frame = self.to_frame()
        lead = f"Of {reading.these(len(self))}, each on its own,"
        said = [reading.verdicts(lead, frame["verdict"].to_numpy(), named=named)]
        doubtful = int((frame["p_none"] >= 0.5).sum())
        where = f"In {words.count(doubtful, reading.noun, reading.plural)} there"
        if len(self) == 1:
            said, where = [reading.verdict_of_one(f"The one {reading.noun}", frame["verdict"].item())], "There"
        if doubtful:
            odds = self.priors.odds
            before = "" if odds == EVEN else f" ({words.percent(odds[0])} beforehand for nothing)"
            said.append(f"{where} is more likely nothing to taste than something{before}.")
        return (*said, *plain.beforehand("", self.priors.learned_from))

    def _glance(self) -> Glance:
        step = "weigh them together(), to see what is luck."
        if self.priors != Priors():
            step = "pool_each without priors=, then together(), tells what is luck."
        if self.margin is None:
            step = "say what difference would matter (margin= or --margin)."
        named = not self._reading.shows_beyond(self.to_frame())
        return Glance(self._answer(named=named), self._compact(), self.notes, step)

    def _compact(self) -> tables.Table:
        reading = self._reading
        frame = reading.ranked(self.to_frame())
        headers = [reading.noun, "about", "95 % range"]
        headers += ["verdict"] if self.margin is not None else []
        rows = []
        for row in frame.head(FIRST).itertuples():
            between = f"{plain.of_100(row.p_c_lower)} to {plain.of_100(row.p_c_upper)}"
            cells = [cut(row.variable, 26), plain.of_100(row.p_c), between]
            rows.append([*cells, row.verdict] if self.margin is not None else cells)
        return compact(reading.caption(len(frame)), headers, rows)

    def _line(self) -> str:
        return " ".join(self._answer())

    def _paragraph(self) -> Sequence[str]:
        return (*self._answer(), self._reading.on_many())

    def _methods(self) -> Sequence[str]:
        return (*self._reading.methods(), f"metasense {__version__}.")

    def _shown(self) -> list[str | tables.Shown]:
        return [
            *self._answer(),
            self._reading.table(self.to_frame()),
            *(f"Note: {note}" for note in self.notes),
        ]

    # --- figures ----------------------------------------------------------------------------------------------------

    def plot(self, *, ax: Any = None) -> Axes:
        """Every variable as twenty equally likely truths on a scale of correct answers, sorted.

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
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> from matplotlib.figure import Figure
        >>> ms.pool_each(table, by="dose").plot(ax=Figure()).get_xlabel().splitlines()[0]
        'correct of 100 triangle answers'
        """
        return self._picture().draw(ax)

    def _picture(self) -> figures.Drawing:
        frame = self.to_frame()
        beside = (
            frame["verdict"] if self.margin is not None else [f"{words.count(n, 'panel')}" for n in frame["panels"]]
        )
        return self._reading.drawing(frame, self.stock.pools.average, list(beside))

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return self._picture().alt
