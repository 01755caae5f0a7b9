"""Where the right cup stood, and which places guessers pick: a habit that helps passes for a difference.

Who cannot tell guesses, and guessers have habits (the middle cup, say). If the right cup stands at place k in a share
``s_k`` of the tastings, and a guesser picks place k with probability ``b_k``, guessing is right in ``sum_k s_k b_k`` of
the tastings. That is the guess rate of the protocol if either is even, and another one if neither is.

Habits show in the wrong answers alone. Where the right cup stood at place k in ``n_k`` of a panel's ``n`` tastings, a
wrong answer names place j with a probability proportional to ``b_j (n - n_j)``, however many tasters could tell. Given
how many answers were wrong, the habits have the likelihood ``prod_j b_j^W_j / (n - sum_j b_j n_j)^W`` with ``W_j``
wrong answers that named j; their prior is uniform. All panels of one protocol are taken to share them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import chdtrc

from metasense.core.core import Core
from metasense.engine.distribution import Distribution
from metasense.engine.grid import beside
from metasense.engine.leaks import guessed
from metasense.engine.likelihood import Evidence, Series
from metasense.protocols import forced_choice
from metasense.showing import tables, words
from metasense.showing.results import Result
from metasense.tables.panels import Tastings

Array = NDArray[np.floating[Any]]

PLACES = {"triangle": 3, "3-AFC": 3, "duo-trio": 2, "2-AFC": 2}  # protocols whose answer is one place, of so many
DRAWS = 4000  # of the habits
SHIFT = 0.01  # of the guess rate, from which a habit is worth a word
SURE = 0.95  # probability of it from which it is said
UNEVEN = 0.01  # p-value below which serving is not even by chance
ALWAYS = 0.9  # share of one place from which the others hardly tell what guessers do
FEWEST = 12  # tastings from which that is said
HABIT = "if guessers kept to their habits"
_WORDS = {"left": 0, "l": 0, "first": 0, "1st": 0, "right": -1, "r": -1, "third": 2, "3rd": 2, "second": 1, "2nd": 1}
_MIDDLE = ("middle", "m", "centre", "center", "c")


def placed(tastings: Tastings) -> pd.DataFrame:
    """Tastings of which it is known where the right cup stood.

    Returns
    -------
    DataFrame
        ``panel, protocol, right`` (its place, from 1), ``picked`` (not a number where it is not known) and ``correct``.
    """
    frame = tastings.frame
    used = frame["correct"].notna() & frame["protocol"].astype(str).isin(PLACES)
    frame = frame[used]
    cells = [_cells(frame, name) for name in ("served", "answer", "order", "position", "correct")]
    found = [_one(*row) for row in zip(frame["protocol"].astype(str), *cells, strict=True)]
    out = pd.DataFrame(found, columns=["right", "picked"], index=frame.index, dtype=float)
    out.insert(0, "panel", frame["panel"].astype(str))
    out.insert(1, "protocol", frame["protocol"].astype(str))
    out["correct"] = frame["correct"].astype(bool)
    most = out["protocol"].map(PLACES).astype(float)  # of no rows at all, words
    in_place = out["right"].between(1, most) & ~(out["picked"] > most)
    whole = in_place.groupby(out["panel"]).transform("all")  # a panel of which only some places are known is left out
    return out[whole].reset_index(drop=True)


def _cells(frame: pd.DataFrame, name: str) -> list[str]:
    if name not in frame:
        return [""] * len(frame)
    return frame[name].astype(object).where(frame[name].notna(), "").astype(str).str.strip().str.casefold().tolist()


@lru_cache(maxsize=10_000)
def _one(test: str, served: str, answer: str, order: str, position: str, correct: str) -> tuple[float, float]:
    """Where the right cup stood, and which place was picked."""
    tray = [cup for cup in re.split(r"[\W_]+", order) if cup]
    if len(tray) == 1 and tray[0].isalpha():
        tray = list(tray[0])
    right = _place(test, served, tray)
    if np.isnan(right):
        right = _by_order(test, tray)
    if correct == "true":
        return right, right
    picked = _place(test, answer, tray)
    if np.isnan(picked) and test == "triangle" and position:
        picked = float(position)
    if np.isnan(picked) and PLACES[test] == 2:
        picked = 3 - right
    return right, picked if picked != right else np.nan


def _place(test: str, cup: str, tray: Sequence[str]) -> float:
    """The place of a cup by its number, its word or its code among those of the tray."""
    most = PLACES[test]
    if len(set(tray)) == len(tray) > 1 and cup in tray:
        return float(tray.index(cup)) + (test != "duo-trio")  # its reference comes first and is no place to pick
    if re.fullmatch("[1-5]", cup):
        return float(cup)
    if cup in _MIDDLE and most == 3:
        return 2.0
    return float(_WORDS[cup] % most + 1) if cup in _WORDS else np.nan


def _by_order(test: str, tray: Sequence[str]) -> float:
    """The place that the letters of an order tell: of the odd cup, or of the one like the reference."""
    single = [place for place, cup in enumerate(tray, 1) if tray.count(cup) == 1]
    if test == "triangle" and len(tray) == 3 and len(single) == 1:
        return float(single[0])
    if test == "duo-trio" and len(tray) == 3 and len(set(tray)) == 2 and tray.count(tray[0]) == 2:
        return float(tray[1:].index(tray[0]) + 1)
    return np.nan


@dataclass(frozen=True, eq=False)
class Counted:
    """Where right cups stood and what wrong answers named, in the panels of one protocol.

    Attributes
    ----------
    protocol : str
    panels : tuple of str
    served : ndarray, shape (panels, places)
        Tastings with the right cup at each place.
    wrong : ndarray, shape (panels, places)
        Wrong answers that named each place.
    unknown : ndarray, shape (panels,)
        Wrong answers of which the place is not known.
    """

    protocol: str
    panels: tuple[str, ...]
    served: Array
    wrong: Array
    unknown: Array

    @classmethod
    def of(cls, frame: pd.DataFrame) -> dict[str, Counted]:
        """By protocol, from tastings with places."""
        found = {}
        for test, part in frame.groupby("protocol", sort=False):
            most = PLACES[str(test)]
            code, names = pd.factorize(part["panel"])
            shape = (len(names), most)
            served, wrong, unknown = np.zeros(shape), np.zeros(shape), np.zeros(len(names))
            np.add.at(served, (code, part["right"].to_numpy(int) - 1), 1)
            missed = ~part["correct"].to_numpy(bool)
            known = missed & part["picked"].notna().to_numpy(bool)
            np.add.at(wrong, (code[known], part["picked"].to_numpy()[known].astype(int) - 1), 1)
            np.add.at(unknown, code[missed & ~known], 1)
            found[str(test)] = cls(str(test), tuple(map(str, names)), served, wrong, unknown)
        return found

    @property
    def shares(self) -> Array:
        """Of each place among the right ones of each panel, shape (panels, places)."""
        return np.asarray(self.served / self.served.sum(axis=1, keepdims=True))

    def only(self, row: int) -> Counted:
        """One panel of them."""
        at = slice(row, row + 1)
        return Counted(self.protocol, self.panels[at], self.served[at], self.wrong[at], self.unknown[at])

    @property
    def uneven(self) -> float:
        """P-value of serving at least this uneven, if the places had been drawn by lot."""
        total = self.served.sum(axis=0)
        even = total.sum() / len(total)
        return float(chdtrc(len(total) - 1, ((total - even) ** 2 / even).sum()))

    def habits(self, seed: int = 1) -> tuple[Array, Array]:
        """Posterior draws of the guessers' habits, shape (draws, places), and the weight of each.

        Weighted draws: exact up to their number, and repeatable.
        """
        places = self.served.shape[1]
        by_panel = self.served.sum(axis=1)
        named = self.wrong.sum(axis=0)
        free = np.maximum(by_panel.sum() - self.served.sum(axis=0), 1.0)  # tastings in which a place was a wrong one
        draws = np.random.default_rng(seed).dirichlet(1 + named, DRAWS)
        habits = draws / free
        habits /= habits.sum(axis=1, keepdims=True)
        habits = np.clip(habits, 1e-12, 1.0)
        left = by_panel - habits @ self.served.T  # draws, panels
        log = np.log(habits) @ named - np.log(np.maximum(left, 1e-12)) @ self.wrong.sum(axis=1)
        proposal = np.log(np.clip(draws, 1e-300, 1.0)) @ named - places * np.log(habits @ free)
        weight = np.exp(log - proposal - (log - proposal).max())
        return habits, weight / weight.sum()

    def guess_rates(self, habits: Array) -> Array:
        """Share of guesses that are right in each panel, shape (..., panels)."""
        return np.asarray(habits @ self.shares.T)


@dataclass(frozen=True, eq=False, repr=False)
class Habits(Result):
    """Where right cups stood, and which places guessers pick. Made by `Pooled.habits`.

    Attributes
    ----------
    frame : DataFrame
        One row a place of a panel, then of all panels of its protocol: ``panel, protocol, place``; ``served``, the
        tastings with the right cup there, and their ``share``; ``wrong``, the wrong answers that named it; ``habit``,
        the share of guesses that go there, with ``lower, upper, prob, kind`` (posterior mean and interval);
        ``guess``, the guess rate that serving and habits give, and that of the protocol, ``usual``. The guess rate of a
        panel goes by the habits of all panels of its protocol.
    unchecked : tuple of str
        Panels whose right cups stood unevenly, while the places of wrong answers are not in the table.
    said : tuple of str
        Cautions.

    Examples
    --------
    >>> import metasense as ms
    >>> rows = [{"panel": "A", "protocol": "triangle", "taster": f"T{i}", "served": i % 3 + 1, "answer": 1}
    ...         for i in range(24)]
    >>> found = ms.pool(ms.read_tastings(rows)).habits()
    >>> found.to_frame().query("panel == 'A'")[["place", "served", "wrong", "guess"]].round(2).values.tolist()
    [[1.0, 8.0, 16.0, 0.33], [2.0, 8.0, 0.0, 0.33], [3.0, 8.0, 0.0, 0.33]]
    """

    frame: pd.DataFrame
    unchecked: tuple[str, ...]
    said: tuple[str, ...]

    @classmethod
    def of(cls, core: Core, *, prob: float = 0.95) -> Habits:
        """Of the tastings of a pool.

        Raises
        ------
        ValueError
            If no table of tastings tells where the right cups stood.
        """
        by_protocol = counted(core)
        if not by_protocol:
            raise ValueError(
                "where the right cups stood is not in the table. Habits are seen where each tasting has a row: the "
                "place of the right cup under served (1, 2, 3) and the one picked under answer, or the order of the "
                "cups under order."
            )
        rows = []
        for found in by_protocol.values():
            shared = found.habits()
            for i, name in enumerate(found.panels):
                one = found.only(i)
                rows += _rows(name, one, one.habits(), one.shares[0] @ (shared[1] @ shared[0]), prob)
            rates = found.guess_rates(shared[1] @ shared[0])
            mean = float(rates @ found.served.sum(axis=1) / found.served.sum())
            rows += _rows(f"all {found.protocol} panels", found, shared, mean, prob)
        return cls(pd.DataFrame(rows), unchecked(core), cautions(core))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the numbers.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool(ms.read_tastings("datasets/cider_tastings.csv"))
        >>> pooled.habits().to_frame().columns[:5].tolist()
        ['panel', 'protocol', 'place', 'served', 'share']
        """
        return self.frame.copy()

    def sentences(self) -> tuple[str, ...]:
        """What serving and habits come to, for each protocol, in words.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool(ms.read_tastings("datasets/cider_tastings.csv"))
        >>> pooled.habits().sentences()[0][:39]
        'triangle: the right cup stood at place '
        """
        found = []
        together = self.frame["panel"].str.fullmatch("all .* panels")
        for test, part in self.frame[together].groupby("protocol", sort=False):
            shares = words.distinct(*part["share"], unit="percent")
            habits = words.distinct(*part["habit"], unit="percent")
            served = words.listing(f"{place} in {share}" for place, share in zip(part["place"], shares, strict=True))
            guesses = words.listing(f"{habit} to {place}" for place, habit in zip(part["place"], habits, strict=True))
            guess, usual = words.distinct(part["guess"].iloc[0], part["usual"].iloc[0], unit="percent")
            found.append(
                f"{test}: the right cup stood at place {served} of the tastings. By the wrong answers, guesses go "
                f"{guesses}. Guessing would then be right in {guess}, where even guessing is in {usual}."
            )
        return (*found, *self.said)

    def _table(self) -> tables.Table:
        frame = self.frame.drop(columns=["lower", "upper", "prob", "kind"])
        return tables.table(
            frame,
            caption="Where the right cups stood, and what wrong answers named",
            kinds=dict.fromkeys(("share", "habit", "guess", "usual"), "percent")
            | dict.fromkeys(("place", "served", "wrong"), "count"),
            labels={
                "served": "right cup there",
                "wrong": "wrong answers there",
                "habit": "guesses that go there",
                "guess": "guesses right",
                "usual": "if even",
            },
            most=60,
        )

    def _shown(self) -> list[str | tables.Shown]:
        return [*self.sentences(), self._table()]


def _rows(name: str, found: Counted, drawn: tuple[Array, Array], guess: float, prob: float) -> list[dict[str, Any]]:
    """A row for each place."""
    habits, weight = drawn
    served, wrong = found.served.sum(axis=0), found.wrong.sum(axis=0)
    rows = []
    for place in range(len(served)):
        order = np.argsort(habits[:, place])
        lower, upper = np.interp([(1 - prob) / 2, (1 + prob) / 2], np.cumsum(weight[order]), habits[order, place])
        rows.append({
            "panel": name, "protocol": found.protocol, "place": place + 1, "served": int(served[place]),
            "share": served[place] / served.sum(), "wrong": int(wrong[place]),
            "habit": float(weight @ habits[:, place]), "lower": lower, "upper": upper, "prob": prob,
            "kind": "equal-tailed", "guess": float(guess), "usual": 1 / len(served),
        })  # fmt: skip
    return rows


# --- put to a pool ----------------------------------------------------------------------------------------------------


def counted(core: Core) -> Mapping[str, Counted]:
    """Places and wrong answers by protocol; empty where no tastings tell them."""
    if core.tastings is None:
        return {}
    tastings = core.tastings
    return core.remember("places", lambda: Counted.of(placed(tastings)))


def unchecked(core: Core) -> tuple[str, ...]:
    """Panels whose right cups stood unevenly, while the places of wrong answers are not known."""
    found = [
        name
        for one in counted(core).values()
        for i, name in enumerate(one.panels)
        if one.unknown[i] > one.wrong[i].sum() and one.only(i).uneven < UNEVEN / len(core.panels)
    ]
    return tuple(found)


def cautions(core: Core, *, plain: bool = True) -> tuple[str, ...]:
    """Sentences for when a habit helped or hid, or may have and cannot be seen.

    They say what it does to the answer of the plain pool, where that is the one that is read.

    Measured on 200 simulated sets each. Without a habit: 0 % of six triangle panels of 24 were called with places drawn
    by lot (0.5 % of three of 15), and 1 to 1.5 % with the right cup at place 1 in 60 %. With 60 % of guesses there too,
    100 %.
    """
    return core.remember(("habits", plain), lambda: _cautions(core, plain))


def _cautions(core: Core, plain: bool) -> tuple[str, ...]:
    said = []
    for found in counted(core).values():
        total = found.served.sum(axis=0)
        most = int(np.argmax(total))
        share = total[most] / total.sum()
        if total.sum() >= FEWEST and share > ALWAYS:
            said.append(
                f"In the {found.protocol} tastings the right cup stood at place {most + 1} in {words.percent(share)}: "
                "whether people tasted it, or have a habit of picking that place, cannot be told. Serve the places in "
                "turn."
            )
            continue
        habits, weight = found.habits()
        rates = found.guess_rates(habits) @ found.served.sum(axis=1) / found.served.sum()
        usual = forced_choice(found.protocol).guess
        helped, hid = (float(weight @ (side * (rates - usual) > SHIFT)) for side in (1, -1))
        if max(helped, hid) > SURE:
            favourite = int(np.argmax(weight @ habits))
            way = "pass for" if helped > hid else "hide"
            said.append(
                f"Serving was uneven and guessers have a habit, which can {way} a difference. In the {found.protocol} "
                f"tastings the right cup stood at place {favourite + 1} in "
                f"{words.percent(total[favourite] / total.sum())}, and "
                f"{words.percent(float(weight @ habits[:, favourite]))} of guesses go there. Guessing was then right "
                f"in about {words.percent(float(weight @ rates))}, not {words.percent(usual)}."
                f"{_answer(core) if plain else ''}"
            )
    names = unchecked(core)
    if names:
        said.append(
            f"Unchecked for habits: {words.listing(map(words.one_line, names), most=6)}. The right cup stood at some "
            "places more often, and which cups were picked is not in the table."
        )
    return tuple(said)


def _answer(core: Core) -> str:
    """What the pool says with the guess rates that serving and habits give."""
    average = under_habits(core)
    if average is None:
        return ""
    medians = words.distinct(core.average.median, average.median)
    return f" With that guess rate the median of the average d-prime is {medians[1]} in place of {medians[0]}."


def under_habits(core: Core) -> Distribution | None:
    """The average d-prime with the guess rates that serving and habits give; None where no places are known."""
    return core.remember("under habits", lambda: _under_habits(core))


def could_be(core: Core) -> bool:
    """Whether it is known which places wrong answers named."""
    return any(bool(found.wrong.sum()) for found in counted(core).values())


def _under_habits(core: Core) -> Distribution | None:
    rates: dict[str, float] = {}
    for found in counted(core).values():
        if found.wrong.sum():
            habits, weight = found.habits()
            rates |= dict(zip(found.panels, found.guess_rates(weight @ habits).tolist(), strict=True))
    if not rates:
        return None
    distinct: dict[tuple[int, float | None], int] = {}
    for name, which in zip(core.panels.frame["panel"], core.collected.index, strict=True):
        key = int(which), rates.get(name)
        distinct[key] = distinct.get(key, 0) + 1
    evidence: list[Evidence] = []
    for which, rate in distinct:
        panel = core.collected.evidence[which]
        evidence.append(panel if rate is None else guessed(panel, rate))
    return beside(Series, evidence, list(distinct.values()), core.priors)[0]
