"""The same people again: who sat in several panels, what that does to the answer, and what new people would bring.

Where the same tasters come to every panel, panels repeat what these people can do, and not only what there is to taste.
A pool follows them from panel to panel (`engine/crossed.py` states the model); here is what came of it beside the pool
as if everybody were new each time, and the next panel with the same people and with new ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import NextPanel, quantity
from metasense.core.core import Core
from metasense.engine.crossed import answers_table
from metasense.engine.distribution import Distribution
from metasense.protocols import Protocol, forced_choice
from metasense.questions import inviting
from metasense.questions.hundred import share
from metasense.showing import plain, tables, words
from metasense.showing.glance import Glance, compact
from metasense.showing.results import Answered

NEXT = 4  # next panels drawn for each draw of the standings
LITTLE = 0.1  # share of the variance up to which it does not matter who people are
KINDS = ((1, 0), (1, 1))  # one answer, wrong or right


@dataclass(frozen=True, eq=False, repr=False)
class SamePeople(Answered):
    """What comes of people who sat in several panels. Made by `Pooled.regulars`.

    Attributes
    ----------
    core : Core
        The pool.

    Examples
    --------
    >>> import metasense as ms
    >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
    >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
    ...         for i in range(3) for t in answers]
    >>> same = ms.pool(ms.read_tastings(rows)).regulars()
    >>> same.people, same.sittings
    (4, 12)
    """

    core: Core

    def __post_init__(self) -> None:
        if self.core.regulars is None:
            raise ValueError(
                "nobody is followed from panel to panel here: that takes single answers (tastings) in which the same "
                "taster, under one name or code, sat in several panels, in a plain pool with regulars=True and rho "
                "above 0."
            )

    @property
    def _known(self) -> Any:
        return self.core.regulars

    @property
    def people(self) -> int:
        """People who sat in more than one panel."""
        return len(self._known.crossing.tasters)

    @property
    def sittings(self) -> int:
        """How often they sat down together."""
        return int(self._known.crossing.sittings)

    @property
    def rho(self) -> float:
        """How far people are taken to keep their rank from panel to panel."""
        return float(self._known.found.sitters.rho)

    @property
    def new_each_time(self) -> Distribution:
        """The average d-prime if everybody had been new in every panel."""
        return self.core.apart.average

    @property
    def wider(self) -> float:
        """Width of the 95 % interval of the average d-prime, as a multiple of that with new people each time."""
        low, high = self.core.average.interval()
        apart_low, apart_high = self.new_each_time.interval()
        return (high - low) / (apart_high - apart_low)

    @property
    def overdispersion(self) -> Distribution:
        """How unlike one another tasters are: 0 all alike, near 1 some always right and the others guessing."""
        found = self._known.found
        x, w = np.polynomial.legendre.leggauss(len(found.gammas))
        width = (found.gammas[-1] - found.gammas[0]) / (x[-1] - x[0])  # nodes of a quadrature between two ends
        middle = (found.gammas[0] + found.gammas[-1]) / 2
        seen = np.bincount(found.which, minlength=len(x))
        shares = np.maximum(seen, 0.1)  # a node without draws is seldom, not impossible
        return Distribution.from_nodes(found.gammas, w, shares, (max(0.0, middle - width), min(1.0, middle + width)))

    @property
    def about_them(self) -> float:
        """Share of the variance of the average d-prime that is left to who these people are."""
        return float(min(1.0, self._known.found.pinned**2 / self.core.average.sd**2))

    def next_rate(self, test: str | Protocol | None = None) -> Distribution:
        """Share of correct answers in a next panel of the same people.

        Parameters
        ----------
        test : str or Protocol, optional
            A forced-choice protocol; the pool's main one by default.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
        >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        ...         for i in range(3) for t in answers]
        >>> 0.4 < ms.pool(ms.read_tastings(rows)).regulars().next_rate("triangle").median < 0.7
        True
        """
        return Distribution.from_draws(self._chances(self._test(test)).mean(axis=1))

    def next_panel(self, test: str | Protocol | None = None) -> NextPanel:
        """The number of correct answers in a next panel in which each of the same people tastes once.

        Parameters
        ----------
        test : str or Protocol, optional
            A forced-choice protocol; the pool's main one by default.

        Returns
        -------
        NextPanel

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
        >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        ...         for i in range(3) for t in answers]
        >>> ms.pool(ms.read_tastings(rows)).regulars().next_panel("triangle").tastings
        4
        """
        kind = self._test(test)
        chances = self._chances(kind)
        totals = np.zeros((len(chances), chances.shape[1] + 1))
        totals[:, 0] = 1
        for right in chances.T:
            totals[:, 1:] = totals[:, 1:] * (1 - right)[:, None] + totals[:, :-1] * right[:, None]
            totals[:, 0] *= 1 - right
        mean = totals.mean(axis=0)
        return NextPanel(kind, chances.shape[1], mean / mean.sum(), made=self.core.made)

    def invite_others(
        self, test: str | Protocol | None = None, *, panels: int = 1, outcomes: int = inviting.OUTCOMES, seed: int = 1
    ) -> pd.DataFrame:
        """What the next panels bring with the same people, and with as many new ones.

        Parameters
        ----------
        test : str or Protocol, optional
            A forced-choice protocol; the pool's main one by default.
        panels : int
            How many, on new batch pairs. With more than one of the same people, mind ``standings``.
        outcomes : int
            How many are drawn, 20 or more.
        seed : int
            Of the draws.

        Returns
        -------
        DataFrame
            A row for either kind of ``people``: ``settled``, the chance that the question is then settled, and its
            Monte Carlo standard error ``error``; the expected ``width`` of the 95 % interval of the average d-prime,
            and ``width_error``; ``below``, the mean probability below the margin, which no plan should move;
            ``standings``, how many of the draws of how people stand bear the weight of the worst outcome: with fewer
            than 20 the row is only roughly right.

        Raises
        ------
        ValueError
            If the pool has no margin, or a number is none.

        Examples
        --------
        >>> import metasense as ms
        >>> rows = [{"panel": p, "protocol": "triangle", "taster": t, "correct": (p + t) % 2}
        ...         for p in (1, 2) for t in range(8)]
        >>> again = ms.pool(ms.read_tastings(rows), margin="0.2 triangle").regulars()
        >>> again.invite_others(outcomes=20)["people"].tolist()
        ['the same people again', 'new people']
        """
        if self.core.margin is None:
            raise ValueError('settling needs a margin: pool(..., margin="0.2 triangle").')
        for name, value, least in (("panels", panels, 1), ("outcomes", outcomes, 20), ("seed", seed, 0)):
            if not isinstance(value, (int, np.integer)) or isinstance(value, bool) or value < least:
                raise ValueError(f"{name} is a whole number, {least} or more; got {value!r}.")
        kind = self._test(test)
        return inviting.compared(self.core, self.core.margin, kind, panels, outcomes=outcomes, seed=seed)

    def _test(self, test: str | Protocol | None) -> Protocol:
        return self.core.main_protocol if test is None else forced_choice(test)

    def _chances(self, kind: Protocol) -> NDArray[np.floating[Any]]:
        """Chance of each person to be right in a next panel, shape (draws, people); worked out once."""
        return self.core.remember(("same people", kind), lambda: self._worked_out(kind))

    def _worked_out(self, kind: Protocol) -> NDArray[np.floating[Any]]:
        found = self._known.found
        rng = np.random.default_rng(self.core.settings["seed"])
        sitters = found.sitters
        order = np.repeat(np.arange(len(found.which)), NEXT)
        theta = found.mu[order] + found.tau[order] * rng.normal(size=len(order))
        if not (sitters.signed and kind.directed):
            theta = np.abs(theta)
        lower, part = sitters.at(theta)
        out = np.empty((len(order), found.standing.shape[1]))
        for g in np.unique(found.which):
            rows = np.flatnonzero(found.which[order] == g)
            gamma = float(found.gammas[g])
            table = answers_table(kind, KINDS, gamma, sitters.rho, sitters.points, sitters.signed, sitters.nodes)
            right = np.exp(table[:, 1])
            low, share = lower[rows, None], part[rows, None]
            at = found.standing[order[rows]]
            out[rows] = right[low, at] * (1 - share) + right[low + 1, at] * share
        return out

    def to_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """The average d-prime with the people followed and as if new each time, and the next panel of either kind.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            Columns ``quantity, mean, median, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
        >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        ...         for i in range(3) for t in answers]
        >>> ms.pool(ms.read_tastings(rows)).regulars().to_frame()["quantity"].tolist()[:2]
        ['average d-prime', 'average d-prime, if people were new each time']
        """
        name = self.core.main_protocol.name
        rows = {
            "average d-prime": self.core.average,
            "average d-prime, if people were new each time": self.new_each_time,
            f"p_c ({name})": self.core.rate(name).p_c,
            f"p_c ({name}), if people were new each time": self.core.apart.rate(name).p_c,
            f"next panel p_c ({name}), new people": self.core.rate(name).next_p_c,
            f"next panel p_c ({name}), the same people": self.next_rate(),
            "overdispersion between tasters": self.overdispersion,
        }
        return pd.DataFrame([quantity(label, value, prob) for label, value in rows.items()])

    def sentence(self) -> str:
        """How many people in how many sittings, what it does to the interval, and what new people would bring.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
        >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        ...         for i in range(3) for t in answers]
        >>> ms.pool(ms.read_tastings(rows)).regulars().sentence()[:53]
        '4 people sat in more than one panel, in 12 sittings, '
        """
        return f"{self.followed()} {self.invite()}"

    def followed(self) -> str:
        """How many people in how many sittings, and what following them does to the interval.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> rows = [{"panel": p, "protocol": "triangle", "taster": t, "correct": (p + t) % 2}
        ...         for p in (1, 2) for t in range(8)]
        >>> again = ms.pool(ms.read_tastings(rows)).regulars()
        >>> again.followed()[:40]
        '8 people sat in more than one panel, in '
        """
        apart = words.estimate(self.new_each_time.median, *self.new_each_time.interval())
        rank = "keep their rank from panel to panel"
        if self.rho < 1:
            rank = f"{rank} in part (rho = {self.rho:g}, as stated)"
        return (
            f"{words.count(self.people, 'person')} sat in more than one panel, in {words.whole(self.sittings)} "
            f"sittings, and are taken to {rank}. As new people each time they would give an average d-prime of "
            f"{apart}; the interval of this pool is {_compared(self.wider)}."
        )

    def invite(self) -> str:
        """What new people would bring that the same people cannot.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> rows = [{"panel": p, "protocol": "triangle", "taster": t, "correct": (p + t) % 2}
        ...         for p in (1, 2) for t in range(8)]
        >>> again = ms.pool(ms.read_tastings(rows)).regulars()
        >>> again.invite()[-44:]
        'that share; other people would take it away.'
        """
        share = words.percent(round(self.about_them, 2))
        return (
            f"About {share} of the variance that is left lies in who these people are. More sittings of the same "
            "people do little about that share; other people would take it away."
        )

    def _glance(self) -> Glance:
        name = self.core.main_protocol.name
        margin = self.core.margin
        again, apart = self.core.rate(name), self.core.apart.rate(name)
        followed = share(again.protocol, again.p_c, margin)
        new = share(apart.protocol, apart.p_c, margin)
        who = (
            f"{words.count(self.people, 'person')} sat in more than one panel, in {words.whole(self.sittings)} sittings"
        )
        beside = "Taken as new people each time, the same answers give about "
        beside += f"{plain.of_100(new.middle)}{new.between()}."
        rows = {
            "these people followed": followed,
            "as new people each time": new,
            "a next panel, the same people": share(again.protocol, self.next_rate(), margin),
            "a next panel, new people": share(again.protocol, again.next_p_c, margin),
        }
        ranged = plain.ranges({what: (one.middle, one.low, one.high) for what, one in rows.items()})
        lies = (
            f"About {words.percent(round(self.about_them, 2))} of what is still unknown lies in who these people are."
        )
        step = "invite other people: more sittings of the same do little about that share."
        if self.core.verdict().label in words.VERDICTS[:2]:
            step = "decide as planned: that the same people came again is in the range above."
        elif self.about_them < LITTLE:
            step = "go on as planned: the same people may come again."
        table = compact(followed.caption(), plain.HEADERS, ranged)
        return Glance((followed.after(who), beside, lies), table, (SOME_OTHERS,), step, with_step=False)

    def _shown(self) -> Sequence[str | tables.Shown]:
        frame = self.to_frame().drop(columns="mean")
        kinds = {name: "percent" for name in frame["quantity"] if "p_c" in name}
        error = self._known.found
        checked = (
            f"Computed from {words.whole(len(error.mu))} draws of how people stand to one another, each with an exact "
            f"answer: the mean of the average d-prime is known to {words.d(max(error.error, 1e-4), 4)} (Monte Carlo "
            f"standard error), and moves by {words.d(max(error.quadrature, 1e-6), 5)} with twice the nodes of a "
            "standing."
        )
        return [self.sentence(), tables.table(frame, caption="The same people again", kinds=kinds), checked, OTHERWISE]


SOME_OTHERS = "Some other answers take everybody as new each time; the details say which."
OTHERWISE = (
    "Taken as if everybody were new each time, for want of an exact answer: the fit, how panels disagree, the drawer, "
    "tasters who knew, habits of guessers, only some panels, single tasters, preference, how often panels like these "
    "would give each verdict, and plans of next panels."
)


def as_new(core: Core) -> str:
    """What to say beside an answer that takes people as new in a pool that follows them; empty where it does not."""
    if core.regulars is None:
        return ""
    followed, new = words.distinct(core.average.median, core.apart.average.median)
    return (
        "This takes people who sat in several panels as new in each, for want of an exact answer; the pool itself "
        f"follows them, and has a median of {followed} where new people would give {new}."
    )


def _compared(ratio: float) -> str:
    """How wide an interval is beside another."""
    if ratio >= 1.005:
        return f"{words.percent(round(ratio - 1, 2))} wider than that"
    if ratio <= 0.995:
        return f"{words.percent(round(1 - ratio, 2))} narrower than that"
    return "as wide as that"
