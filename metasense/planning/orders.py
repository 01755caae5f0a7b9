"""The orders of a protocol: which there are, what is the right answer to each, and who gets which so that all is even.

One set is written as letters place by place, A for the old sample and B for the new one; in duo-trio the reference
comes first. Every set that the protocol allows is served equally often, or as nearly as the number of tasters allows,
and so are the places of the right answer and the products, because people have habits (the middle cup) and cups have
neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import chain, combinations, product
from math import comb

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from metasense.showing.results import Result
from metasense.showing.tables import Shown, Table, table

__all__ = ["Balance", "Orders"]

MOST = 100.0  # weight of the places of the right answer, and of the odd product or the reference
Right = tuple[tuple[int, ...], ...] | str  # groups of places, counted from 0, or a word

_PLACE = {
    "triangle": "place of the odd sample",
    "duo-trio": "place of the match",
    "2-AFC": "place of the right answer",
    "3-AFC": "place of the right answer",
    "specified tetrad": "places of the right answer",
    "two-out-of-five": "places of the two",
    "same-different": "right answer",
}
_PRODUCT = {"triangle": "odd sample", "duo-trio": "reference", "two-out-of-five": "the two are"}


@dataclass(frozen=True)
class Orders:
    """The sets of one protocol.

    Attributes
    ----------
    name : str
        The protocol, or "two alike" for a pair of one product.
    cups : int
        Letters in a set.
    aim : str
        The letter of the sample with more of the attribute, or of the learned sample in A-not-A.
    reference : str
        Duo-trio: the letter that is always the reference; empty where both take turns.

    Examples
    --------
    >>> Orders("triangle", 3).all
    ('AAB', 'ABA', 'ABB', 'BAA', 'BAB', 'BBA')
    >>> Orders("duo-trio", 3).right("BAB")
    ((2,),)
    """

    name: str
    cups: int
    aim: str = "A"
    reference: str = ""

    @cached_property
    def all(self) -> tuple[str, ...]:
        """Every set, each to be served equally often."""
        sets = ("".join(letters) for letters in product("AB", repeat=self.cups))
        return tuple(s for s in sets if self.right(s) is not None and s.startswith(self.reference))

    def right(self, letters: str) -> Right | None:
        """The right answer to a set, or None if these samples do not make one of the protocol."""
        a, b = (tuple(i for i, c in enumerate(letters) if c == letter) for letter in "AB")
        aimed, fewer = (a if self.aim == "A" else b), min(a, b, key=len)
        match self.name:
            case "A-not-A":
                return "A" if letters == self.aim else "not A"
            case "same-different":
                return "different" if a and b else "same"
            case "duo-trio":
                match = tuple(i for i in (1, 2) if letters[i] == letters[0])
                return (match,) if len(match) == 1 else None
            case "2-AFC" | "3-AFC":
                return (aimed,) if len(aimed) == 1 else None
            case "specified tetrad":
                return (aimed,) if len(a) == len(b) else None
            case "two alike":
                return None if a and b else "same"
            case "tetrad":
                return (a, b) if len(a) == len(b) else None
            case "triangle":
                return (fewer,) if len(fewer) == 1 else None
            case "two-out-of-five":
                return (fewer,) if len(fewer) == 2 else None
        raise ValueError(f"which answer is right in {self.name!r} is not known here.")

    def kinds(self, letters: str) -> dict[str, str]:
        """The order itself, where its right answer stands (places from 1), and the odd product or the reference."""
        right = self.right(letters)
        if right is None:
            return {"order": f"{letters} (not a set)"}
        out = {"order": letters}
        if self.name in _PLACE:
            shift = 0 if self.name == "duo-trio" else 1  # its reference is no place to pick
            out[_PLACE[self.name]] = right if isinstance(right, str) else "+".join(str(i + shift) for i in right[0])
        if self.name in _PRODUCT:
            out[_PRODUCT[self.name]] = letters[0] if self.name == "duo-trio" else min("AB", key=letters.count)
        return out

    def assign(self, tasters: int, sets: int, rng: np.random.Generator) -> list[list[str]]:
        """The sets of each taster.

        Tasters are taken in blocks that see every order once, in random order, so that the panel is balanced whenever
        it stops; the last, shorter block gets the orders that keep it evenest. Where some places of the right answer
        must come up once more, it is drawn by lot which, so that over many panels none is favoured. As far as evenness
        allows, nobody gets one again before having had the others.
        """
        m = len(self.all)
        traits, weights = _traits(self)
        alike = (traits * weights) @ traits.T
        served, had = np.zeros(m, int), np.zeros((tasters, m), int)
        out: list[list[str]] = [[] for _ in range(tasters)]
        for time in range(sets):
            for start in range(0, tasters, m):
                rows = np.arange(start, min(start + m, tasters))
                so_far = tuple((served - served.min()).tolist())
                options = _evenest(self, so_far, len(rows))
                if time == sets - 1 and rows[-1] == tasters - 1:
                    patterns = _left_over(self, so_far, len(rows))
                    options = patterns[rng.integers(len(patterns)) if len(patterns) > 1 else 0]
                chosen = options[rng.integers(len(options))]
                cost = 1e4 * had[rows][:, chosen] + (had[rows] @ alike)[:, chosen]
                seat, pick = linear_sum_assignment(cost + rng.random(cost.shape))
                had[rows[seat], chosen[pick]] += 1
                served[chosen] += 1
                for row, which in zip(rows[seat], chosen[pick], strict=True):
                    out[row].append(self.all[which])
        return out


@lru_cache
def _traits(orders: Orders) -> tuple[np.ndarray, np.ndarray]:
    """What should be even beside the orders themselves, as 0/1 columns, and how much each column matters.

    Most, where the right answer stands and which product is the odd one or the reference; then which product comes
    first; then which product stands at each place.
    """
    every = orders.all
    right = [frozenset(r) if isinstance(r := orders.right(s), tuple) else r for s in every]  # either pair of a tetrad
    made = [s[0] if orders.name == "duo-trio" else s.count("B") for s in every]
    kinds: list[tuple[float, Sequence[object]]] = [(MOST, right), (MOST, made), (10.0, [s[0] for s in every])]
    kinds += [(1.0, [s[i] for s in every]) for i in range(1, orders.cups)]
    columns = [(weight, [v == value for v in values]) for weight, values in kinds for value in dict.fromkeys(values)]
    return np.array([column for _, column in columns], float).T, np.array([weight for weight, _ in columns])


@lru_cache(maxsize=1024)
def _evenest(orders: Orders, served: tuple[int, ...], size: int) -> np.ndarray:
    """All choices of `size` different orders that leave what was served so far as even as can be; one row a choice."""
    choices, totals = _choices(orders, served, size)
    uneven = (totals**2) @ _traits(orders)[1]  # for a fixed total, a sum of squares is least when its parts are equal
    return choices[uneven <= uneven.min() + 1e-9]


@lru_cache(maxsize=1024)
def _left_over(orders: Orders, served: tuple[int, ...], size: int) -> tuple[np.ndarray, ...]:
    """The same for the last trays of a plan, an array of choices for each set of places that may come up once more.

    The evenest choices of all can favour a place: of two triangles left over the odd sample is never first in those in
    which either product comes first once. Over many panels that would be a habit of the plan.
    """
    rights = {orders.right(letters) for letters in orders.all}
    if not all(isinstance(right, tuple) and [len(group) for group in right] == [1] for right in rights):
        return (_evenest(orders, served, size),)  # no single place could be favoured
    choices, totals = _choices(orders, served, size)
    weights = _traits(orders)[1]
    uneven = (totals**2) @ weights
    best = uneven <= uneven.min() + 1e-9
    gravest = (totals**2) @ np.where(weights == MOST, weights, 0)  # places and products
    allowed = gravest <= gravest[best].min() + 1e-9
    pattern = np.unique(totals[:, : len(rights)], axis=0, return_inverse=True)[1].ravel()
    if set(pattern[best]) == set(pattern[allowed]):
        return (choices[best],)
    found = []
    for one in np.unique(pattern[allowed]):
        these = allowed & (pattern == one)
        found.append(choices[these & (uneven <= uneven[these].min() + 1e-9)])
    return tuple(found)


def _choices(orders: Orders, served: tuple[int, ...], size: int) -> tuple[np.ndarray, np.ndarray]:
    """All choices of `size` different orders, those served less often first, and how often each trait then occurs."""
    counts = np.array(served)
    sure: list[int] = []
    pool: list[int] = []
    for rank in sorted(set(served)):  # orders served less often come first
        pool = np.flatnonzero(counts == rank).tolist()
        if len(sure) + len(pool) > size:
            break
        sure, pool = sure + pool, []
    free = size - len(sure)
    some = np.fromiter(chain.from_iterable(combinations(pool, free)), np.intp).reshape(comb(len(pool), free), free)
    choices = np.hstack([np.tile(np.array(sure, np.intp), (len(some), 1)), some])
    traits = _traits(orders)[0]
    # not all at once: there may be 184,756 rows
    return choices, counts @ traits + sum(traits[column] for column in choices.T)


@dataclass(frozen=True, eq=False, repr=False)
class Balance(Result):
    """How evenly orders, places and products were planned and served; made by ``ServingPlan.balance``.

    Attributes
    ----------
    frame : DataFrame
        ``what`` is balanced (order, place, product), its ``value``, and how many sets are ``planned``, were
        ``served``, were ``answered``, and were answered ``correct``.
    after : bool
        Was anything served yet?

    Examples
    --------
    >>> import metasense as ms
    >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
    >>> plan.balance().to_frame().columns.tolist()
    ['what', 'value', 'planned']
    """

    frame: pd.DataFrame
    after: bool

    @classmethod
    def of(
        cls,
        orders: Orders,
        samples: tuple[str, str],
        planned: Sequence[str],
        served: Sequence[str] | None = None,
        correct: Sequence[bool | None] = (),
    ) -> Balance:
        """Count the sets planned and served, and to the latter the answers (None: not any) and the correct ones."""
        counts: dict[tuple[str, str], list[int]] = {}
        answers = [pair for pair in zip(served or (), correct, strict=True) if pair[1] is not None]
        answered, right = [letters for letters, _ in answers], [letters for letters, answer in answers if answer]
        for column, sets in enumerate((orders.all, planned, served or (), answered, right)):
            for letters in sets:
                for pair in orders.kinds(letters).items():
                    counts.setdefault(pair, [0] * 5)[column] += 1
        ranks = {what: i for i, what in enumerate(dict.fromkeys(what for what, _ in counts))}
        products = dict(zip("AB", samples, strict=True))
        named = {_PRODUCT.get(orders.name): products}
        rows = [
            (what, named.get(what, {}).get(value, value), *numbers[1:])
            for (what, value), numbers in sorted(counts.items(), key=lambda item: (ranks[item[0][0]], item[0][1]))
        ]
        columns = ["what", "value", "planned", "served", "answered", "correct"]
        return cls(pd.DataFrame(rows, columns=columns), served is not None)

    def to_frame(self) -> pd.DataFrame:
        """A copy of the numbers; before serving, of what is planned.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> len(plan.balance().to_frame())
        11
        """
        return self.frame.copy() if self.after else self.frame.drop(columns=["served", "answered", "correct"])

    def _orders(self, column: str) -> pd.Series:
        return self.frame.loc[self.frame["what"] == "order", column]

    @property
    def even(self) -> bool:
        """Are all orders as equally frequent, as served (or as planned), as their number allows?"""
        counts = self._orders("served" if self.after else "planned")
        return bool(counts.max() - counts.min() <= 1)

    def sentence(self) -> str:
        """The balance in words.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.balance().sentence()[:50]
        'Each of 6 orders is planned once.'
        """
        planned, served = self._orders("planned"), self._orders("served")
        nearly = ", as evenly as the number allows" if planned.max() - planned.min() == 1 else ""
        said = [f"Each of {len(planned)} orders is planned {_times(planned.min(), planned.max(), 'or')}{nearly}."]
        if self.after:
            often = _times(served.min(), served.max(), "to")
            said.append(f"Served: {served.sum()} of {planned.sum()} sets, each order {often}.")
            if not self.even:
                said.append(
                    "That is less even than it could be. A habit of picking one place, or a product that stands out by "
                    "where it stands, can then pass for correct answers: compare the correct answers by place."
                )
            said.append("With few answers an order or place, only a large bias would show.")
        return " ".join(said)

    def _table(self) -> Table:
        return table(self.to_frame(), kinds={"value": "text"})

    def _shown(self) -> list[str | Shown]:
        return [self.sentence(), self._table()]


def _times(low: int, high: int, between: str) -> str:
    """``once``, ``3 times``, ``3 or 4 times``."""
    if low != high:
        return f"{low} {between} {high} times"
    return {0: "never", 1: "once", 2: "twice"}.get(int(low), f"{low} times")
