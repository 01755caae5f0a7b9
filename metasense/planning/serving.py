"""Serving one panel: which cup of which product stands where under which code, on sheets for each who needs one.

A plan keeps three people apart. The *filler* knows which product goes under which code and meets nobody. The *server*
carries trays made up by code and does not know what is in them. The *tasters* see codes only. What joins codes and
products is the *key*, sealed until every answer is typed. Codes are three random digits, used once in a session, and
drawn apart from everything else, so that neither a tray nor a ballot says anything about what it holds. All orders of
the protocol are served equally often, or as nearly as the number of tasters allows.

`serve` makes a `ServingPlan`, its ``save`` writes the sheets (HTML pages to print, CSV files to type into), and
`read_answers` joins the typed answers with the key and gives `Tastings`.
"""

from __future__ import annotations

import itertools
import os
import re
import secrets
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from metasense.checking import Checked, Column, Wrong, check_table, choice, is_known, label, plain, text, whole
from metasense.columns import TASTING, is_signal
from metasense.panels import Tastings, read_tastings
from metasense.protocols import Protocol, TwoCountProtocol, protocol
from metasense.reading import PanelsError, open_table
from metasense.report import CAUTIONS
from metasense.showing import words
from metasense.showing.files import replacing
from metasense.showing.tables import block, csv_safe, table

__all__ = ["HAZARDS", "Balance", "ServingPlan", "read_answers", "serve"]

CODES = range(100, 1000)
MOST_SETS = 3  # sets a person in one session before palates tire; common practice, no source
DIRECTED = ("2-AFC", "3-AFC", "specified tetrad")
TASTING_PART, PREFERENCE, PLACEBO = "tasting", "preference", "placebo"

HAZARDS = {
    "alcohol": "The samples contain alcohol. Take part only if you are of legal drinking age here. Do not take part if "
    "you are or may be pregnant, are breastfeeding, take medicine that does not go with alcohol, should not or do not "
    "wish to drink, or will drive, cycle or handle machines afterwards. You may spit out every sample. Water and food "
    "are at hand.",
    "caffeine": "The samples contain caffeine. Think twice if you are pregnant, have a heart condition, take medicine "
    "that does not go with caffeine, or sleep badly.",
    "hot": "The samples are served hot and can scald. Test carefully, and wait if in doubt.",
    "additives": "Something may have been added to a sample or used in making it, within what is permitted for this "
    "product here. What matters for allergies is in the list above.",
}


# --- arrangements ---------------------------------------------------------------------------------------------------
# One set is written as letters, A for the first-named sample and B for the second, place by place; in duo-trio the
# reference comes first.


def _right(name: str, letters: str, aim: str) -> tuple[tuple[int, ...], ...] | str | None:
    """The right answer to a set: groups of places (from 0) or a word; None if the samples do not make such a set.

    `aim` is the letter of the sample with more of the attribute, or of the learned sample in A-not-A.
    """
    places = {letter: tuple(i for i, c in enumerate(letters) if c == letter) for letter in "AB"}
    sizes = sorted(map(len, places.values()))
    smaller = min(places.values(), key=len)
    if name == "A-not-A":
        return "A" if letters == aim else "not A"
    if name == "same-different":
        return "same" if 0 in sizes else "different"
    if name == "duo-trio":
        match = tuple(i for i in (1, 2) if letters[i] == letters[0])
        return (match,) if len(match) == 1 else None
    if name in ("2-AFC", "3-AFC"):
        return (places[aim],) if len(places[aim]) == 1 else None
    if name in ("tetrad", "specified tetrad"):
        return None if sizes != [2, 2] else (places[aim],) if name == "specified tetrad" else (places["A"], places["B"])
    return (smaller,) if sizes == {"triangle": [1, 2], "two-out-of-five": [2, 3]}[name] else None


@lru_cache
def _arrangements(name: str, cups: int, aim: str, reference: str) -> tuple[str, ...]:
    """Every set of the protocol, each to be served equally often."""
    sets = ("".join(letters) for letters in itertools.product("AB", repeat=cups))
    return tuple(s for s in sets if _right(name, s, aim) is not None and s.startswith(reference))


@lru_cache
def _traits(arrangements: tuple[str, ...], name: str, aim: str) -> tuple[np.ndarray, np.ndarray]:
    """What should be even beside the sets themselves, as 0/1 columns, and how much each column matters.

    First where the right answer stands and which product is the odd one or the reference, then which product comes
    first, then which product stands at each place.
    """
    columns, weights = [], []
    kinds: list[tuple[float, list[Any]]] = [
        (100.0, [frozenset(r) if isinstance(r := _right(name, s, aim), tuple) else r for s in arrangements]),
        (100.0, [s[0] if name == "duo-trio" else s.count("B") for s in arrangements]),
        (10.0, [s[0] for s in arrangements]),
        *((1.0, [s[i] for s in arrangements]) for i in range(1, len(arrangements[0]))),
    ]
    for weight, values in kinds:
        for value in dict.fromkeys(values):
            columns.append([v == value for v in values])
            weights.append(weight)
    return np.array(columns, float).T, np.array(weights)


@lru_cache(maxsize=1024)
def _evenest(arrangements: tuple[str, ...], name: str, aim: str, served: tuple[int, ...], size: int) -> np.ndarray:
    """All choices of `size` different sets that leave everything served so far as even as can be; one row a choice."""
    counts = np.array(served)
    ranks = sorted(set(counts))
    sure: list[int] = []
    for rank in ranks:  # sets served less often come first
        pool = np.flatnonzero(counts == rank).tolist()
        if len(sure) + len(pool) > size:
            break
        sure += pool
    else:
        pool = []
    choices = np.array([[*sure, *some] for some in itertools.combinations(pool, size - len(sure))], int)
    traits, weights = _traits(arrangements, name, aim)
    totals = counts @ traits + sum(traits[column] for column in choices.T)  # a column at a time: there may be many rows
    uneven = (totals**2) @ weights  # for a fixed total, a sum of squares is least when the parts are equal
    return choices[uneven <= uneven.min() + 1e-9]


def _assign(arrangements: tuple[str, ...], name: str, aim: str, tasters: int, sets: int, rng: Any) -> np.ndarray:
    """Which arrangement each taster gets in each set, shape (tasters, sets).

    Tasters are taken in blocks that see every arrangement once, in random order, so that the panel is balanced whenever
    it stops; the last, shorter block gets the arrangements that keep it evenest. Nobody gets one again before having
    had the others.
    """
    m = len(arrangements)
    traits, weights = _traits(arrangements, name, aim)
    served = np.zeros(m, int)
    had = np.zeros((tasters, m), int)
    out = np.empty((tasters, sets), int)
    for trial in range(sets):
        for start in range(0, tasters, m):
            rows = np.arange(start, min(start + m, tasters))
            options = _evenest(arrangements, name, aim, tuple((served - served.min()).tolist()), len(rows))
            chosen = options[rng.integers(len(options))]
            again = had[rows][:, chosen] * 1e4 + (had[rows] @ (traits * weights) @ traits.T)[:, chosen]
            seat, pick = linear_sum_assignment(again + rng.random(again.shape))
            out[rows[seat], trial] = chosen[pick]
            had[rows[seat], chosen[pick]] += 1
            served[chosen] += 1
    return out


# --- the plan -------------------------------------------------------------------------------------------------------


def serve(
    protocol: str | Protocol | TwoCountProtocol,
    tasters: int | Sequence[str],
    *,
    samples: tuple[str, str] = ("A", "B"),
    panel: str = "panel 1",
    date: str | None = None,
    sets: int = 1,
    attribute: str = "",
    more: str | None = None,
    reference: str | None = None,
    preference: bool = False,
    placebo: bool = False,
    certainty: bool = False,
    allergens: Iterable[str] | Mapping[str, Iterable[str]] | None = None,
    hazards: Iterable[str] | None = None,
    beside: Iterable[ServingPlan] = (),
    seed: int | None = None,
) -> ServingPlan:
    """Plan who is served what, in which order, under which code.

    Parameters
    ----------
    protocol : str, Protocol or TwoCountProtocol
    tasters : int or sequence of str
        How many, or a pseudonym for each. Ballots carry them, so use no names.
    samples : (str, str)
        The two products as the filler knows them: the old or familiar one, then the new one.
    panel : str
        Name of the sitting. It stands on every ballot, so it must not give anything away.
    date : str, optional
        Day of the sitting, such as ``"2026-11-25"``.
    sets : int
        Sets each taster gets in the session.
    attribute : str
        For 2-AFC, 3-AFC and specified tetrad: what tasters look for, as a noun ("saltiness").
    more : str, optional
        For these, the sample expected to have more of it; picking it counts as correct.
    reference : str, optional
        Duo-trio: the sample that is always the marked reference; unless given, both take turns. A-not-A: the sample
        tasters learn as A; the first unless given.
    preference : bool
        A separate pair for everybody after all sets, with the question which they like better.
    placebo : bool
        A second such pair of two cups alike, before or after the first: how many state a preference where there is
        nothing to prefer.
    certainty : bool
        Ask after each answer how sure the taster is.
    allergens : iterable of str, or mapping of sample to iterables, optional
        What the samples contain or may contain that anyone may not take. Only the union of both is printed, which
        keeps tasters blind. Empty: none. Unless given, the sheet has a blank to fill by hand.
    hazards : iterable of str, optional
        Any of `HAZARDS`: alcohol, caffeine, hot, additives. Empty: none. Unless given, the sheet has all of them to
        strike out.
    beside : iterable of ServingPlan
        Other plans of the same session, whose codes must not come back.
    seed : int, optional
        Makes the same plan again. Unless given a secret one is drawn, which the key keeps: whoever can guess the seed
        can rebuild the key.

    Returns
    -------
    ServingPlan

    Raises
    ------
    ValueError
        Listing everything that must be put right; also when a session has too few codes.

    Examples
    --------
    >>> plan = serve("triangle", 24, samples=("isinglass", "pea protein"), allergens=["fish"], hazards=["alcohol"])
    >>> plan
    Serving plan of 'panel 1': triangle, 24 tasters, 1 set each, 72 coded samples.
    Each of 6 orders is served 4 times.
    >>> plan.trays().columns.tolist()
    ['tray', 'taster', 'trial', 'place 1', 'place 2', 'place 3']
    """
    test = _protocol(protocol)
    names = _taster_names(tasters)
    products = tuple(words.one_line(sample) for sample in samples)
    problems = list(_problems(test, tasters, names, products, panel, sets, attribute, more, reference))
    known = None if hazards is None else [str(hazard).casefold() for hazard in _listed(hazards)]
    problems += [f"{h!r} is not one of the hazards {words.listing(HAZARDS)}." for h in known or () if h not in HAZARDS]
    if placebo and not preference:
        problems.append("a placebo pair goes with a preference: say preference=True too.")
    try:
        day = None if date is None else str(pd.Timestamp(date).date())
    except ValueError:
        problems.append(f"date is a day such as '2026-11-25'; got {date!r}.")
    if problems:
        raise ValueError(" ".join(problems))

    drawn = secrets.randbits(128) if seed is None else int(seed)
    orders_rng, codes_rng = np.random.default_rng(drawn).spawn(2)
    aim = products.index(more if test.name in DIRECTED else reference or products[0])
    cups = _cups(test, names, products, sets, "AB"[aim], reference, preference, placebo, orders_rng)
    taken = {code for plan in beside for code in plan.cups["code"]}
    coded = cups["code"] == ""
    free = [code for code in CODES if str(code) not in taken]
    each = coded.sum() // len(names)
    if coded.sum() > len(free):
        raise ValueError(
            f"a session has {len(free)} three-digit codes{' left' if taken else ''}, enough for "
            f"{words.count(len(free) // each, 'taster')} with {words.count(int(each), 'coded sample')} each; "
            f"{len(names)} tasters need {coded.sum()}. Divide them over sessions, and make a plan for each."
        )
    cups.loc[coded, "code"] = codes_rng.permutation(free)[: coded.sum()].astype(str)
    return ServingPlan(
        protocol=test,
        samples=(products[0], products[1]),
        cups=cups,
        panel=words.one_line(panel),
        date=day,
        attribute=words.one_line(attribute),
        more=more,
        reference=reference,
        certainty=certainty,
        allergens=_union(allergens),
        hazards=None if known is None else tuple(dict.fromkeys(known)),
        seed=drawn,
    )


_protocol = protocol  # `serve` takes an argument of that name


def _taster_names(tasters: int | Sequence[str]) -> list[str]:
    if isinstance(tasters, (int, np.integer)):
        return [f"T{i:0{max(2, len(str(tasters)))}d}" for i in range(1, int(tasters) + 1)]
    return [words.one_line(name) for name in ([tasters] if isinstance(tasters, str) else tasters)]


def _problems(
    test: Protocol | TwoCountProtocol,
    tasters: Any,
    names: list[str],
    products: tuple[str, ...],
    panel: str,
    sets: int,
    attribute: str,
    more: str | None,
    reference: str | None,
) -> Iterable[str]:
    if not names:
        yield f"tasters is how many there are, 1 or more, or a pseudonym for each; got {tasters!r}."
    if twice := [name for name, n in Counter(names).items() if n > 1 or not name]:
        yield f"every taster needs a pseudonym of their own; these are empty or there twice: {words.listing(twice)}."
    if len(products) != 2 or len({*map(plain, products)}) != 2 or not all(products):
        yield f"samples are two different names, the old product's and the new one's; got {products!r}."
    if not words.one_line(panel):
        yield "panel is the name of the sitting; it is empty."
    if sets < 1:
        yield f"sets is how many each taster gets, 1 or more; got {sets!r}."
    if test.name in DIRECTED:
        if not words.one_line(attribute):
            yield f"{test.name} asks for something named: give it as a noun, such as attribute='saltiness'."
        if more not in products:
            yield f"say which sample should have more of it, more={products[0]!r} or more={products[-1]!r}."
    elif attribute or more:
        yield f"{test.name} names nothing to look for: leave attribute and more out."
    if reference is not None and test.name not in ("duo-trio", "A-not-A"):
        yield f"{test.name} has no reference: leave it out."
    elif reference not in (None, *products):
        yield f"reference is one of the samples, {products[0]!r} or {products[-1]!r}; got {reference!r}."


def _listed(items: Iterable[str]) -> list[str]:
    return [items] if isinstance(items, str) else list(items)


def _union(allergens: Iterable[str] | Mapping[str, Iterable[str]] | None) -> tuple[str, ...] | None:
    """All of both samples in alphabetical order, so that nothing shows which sample brought what."""
    if allergens is None:
        return None
    parts = allergens.values() if isinstance(allergens, Mapping) else [allergens]
    each = [words.one_line(item) for part in parts for item in _listed(part)]
    return tuple(sorted({item.casefold(): item for item in each if item}.values(), key=str.casefold))


def _cups(
    test: Protocol | TwoCountProtocol,
    names: list[str],
    products: tuple[str, ...],
    sets: int,
    aim: str,
    reference: str | None,
    preference: bool,
    placebo: bool,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Every cup of the session in tray order; the code is empty where one is to be drawn."""
    constant = "AB"[products.index(reference)] if reference and test.name == "duo-trio" else ""
    kinds = _arrangements(test.name, test.cups, aim, constant)
    parts = [(TASTING_PART, kinds, _assign(kinds, test.name, aim, len(names), sets, rng))]
    pairs = [(PREFERENCE, ("AB", "BA"))] * preference + [(PLACEBO, ("AA", "BB"))] * placebo
    for part, kinds in pairs:
        parts.append((part, kinds, _assign(kinds, "same-different", aim, len(names), 1, rng)))
    placebo_first = rng.permutation(np.arange(len(names)) % 2).astype(bool)
    rows = []
    tray = itertools.count(1)
    width = len(str(len(names) * sets))
    for later in (False, True):
        for i, name in enumerate(names):
            mine = [part for part in parts if (part[0] != TASTING_PART) == later]
            if later and placebo_first[i]:
                mine.reverse()
            trial = itertools.count(1)
            for part, kinds, given in mine:
                for which in given[i]:
                    number, letters = next(tray), kinds[which]
                    marks = [""] * len(letters)
                    if part == TASTING_PART and test.name == "duo-trio":
                        marks[0] = f"R{number:0{width}d}"
                    elif part == TASTING_PART and test.name == "A-not-A":
                        marks, letters = ["A", *marks], aim + letters
                    first = 1 - sum(map(bool, marks))  # a marked sample stands at place 0
                    at = next(trial)
                    rows += [
                        (number, name, at, part, place, mark, products["AB".index(letter)])
                        for place, (mark, letter) in enumerate(zip(marks, letters, strict=True), first)
                    ]
    return pd.DataFrame(rows, columns=["tray", "taster", "trial", "part", "place", "code", "sample"])


# --- what the user holds --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False)
class ServingPlan:
    """A panel planned cup by cup; made by `serve` or read from a key. Showing it does not show the key.

    Attributes
    ----------
    protocol : Protocol or TwoCountProtocol
    samples : (str, str)
        The old and the new product; A and B in orders.
    cups : DataFrame
        The key: one row a cup with ``tray, taster, trial, part, place, code, sample``; place 0 is a marked reference.
    panel, date, attribute, more, reference, certainty, allergens, hazards, seed
        As given to `serve`; `seed` also when it was drawn.
    """

    protocol: Protocol | TwoCountProtocol
    samples: tuple[str, str]
    cups: pd.DataFrame
    panel: str = "panel 1"
    date: str | None = None
    attribute: str = ""
    more: str | None = None
    reference: str | None = None
    certainty: bool = False
    allergens: tuple[str, ...] | None = None
    hazards: tuple[str, ...] | None = None
    seed: int | None = None

    # what is in it

    @property
    def tasters(self) -> tuple[str, ...]:
        """The pseudonyms, in the order they are served."""
        return tuple(self.cups["taster"].unique())

    @property
    def sets(self) -> int:
        """Sets each taster gets, pairs for preference aside."""
        return int(self._part(TASTING_PART)["trial"].max())

    @property
    def pairs(self) -> int:
        """Pairs for preference each taster gets: 0, 1, or 2 with a placebo."""
        return self.cups.loc[self.cups["part"] != TASTING_PART, "part"].nunique()

    @property
    def capacity(self) -> int:
        """Tasters for whom a session has codes."""
        return len(CODES) // (int(self._coded().sum()) // len(self.tasters))

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to put right, or to decide knowingly, before anybody is served."""
        return tuple(self._warnings())

    def _warnings(self) -> Iterable[str]:
        rounds = self.sets + self.pairs
        if "alcohol" in (self.hazards or ()) and rounds > 1:
            yield (
                f"{rounds} rounds with alcohol a person: serve one a session, or let everyone spit. Mind the total, "
                "local rules and the way home."
            )
        if rounds > MOST_SETS:
            yield (
                f"{rounds} rounds a person: palates tire. More than {MOST_SETS} a session are better spread over days."
            )
        if self.sets > 1:
            yield (
                f"{self.sets} sets a person are repeats: they count as tastings, not as people. More tasters with one "
                "set each say more."
            )
        if self.allergens is None:
            yield "allergens are not stated: write them on the information sheet before anybody tastes."
        if self.seed is not None and self.seed < 2**64:
            yield "this seed can be guessed, and with it the key rebuilt: for a real panel leave seed out."
        told = [s for s in self.samples if len(plain(s)) > 1 and plain(s) in plain(f"{self.panel} {self.attribute}")]
        if told:
            yield f"every ballot would show {words.listing(map(repr, told))}: choose other words for the panel."

    def _part(self, *parts: str) -> pd.DataFrame:
        return self.cups[self.cups["part"].isin(parts)]

    def _coded(self) -> pd.Series:
        return self.cups["place"] > 0

    @property
    def _aim(self) -> str:
        aim = self.more if self.protocol.name in DIRECTED else self.reference or self.samples[0]
        return "AB"[self.samples.index(str(aim))]

    @property
    def _marked(self) -> bool:
        """Does the reference belong to the set, as in duo-trio?"""
        return self.protocol.name == "duo-trio"

    # the tables

    def trays(self) -> pd.DataFrame:
        """What the server sets out: one row a tray, codes from the taster's left to right; no product in it."""
        wide = self.cups.pivot(index=["tray", "taster", "trial", "part"], columns="place", values="code")
        wide.columns = ["marked" if place == 0 else f"place {place}" for place in wide.columns]
        wide = wide.reset_index()
        first = wide["part"] == TASTING_PART
        shown = wide.drop(columns="part").astype(object).where(wide.drop(columns="part").notna(), "")
        return pd.concat([shown[first], shown[~first]], ignore_index=True)

    def filling(self) -> pd.DataFrame:
        """What the filler pours: one row a code, each product's codes in rising order; marked samples come first."""
        lines = self.cups.groupby(["sample", "code"], sort=False).size().rename("cups").reset_index()
        lines["coded"] = lines["code"].str.isdigit()
        lines["sample"] = pd.Categorical(lines["sample"], self.samples, ordered=True)
        lines = lines.sort_values(["sample", "coded", "code"], ignore_index=True).drop(columns="coded")
        return lines.astype({"sample": object})

    def answer_sheet(self) -> pd.DataFrame:
        """The table to type answers into: one row a tasting, ``cups`` as planned, everything after it empty.

        Type what happened: another tray or order, the codes as they stood; somebody did not come, ``absent`` under
        incident. Codes of pairs for preference are on the row of the taster's last set.
        """
        sets = self._part(TASTING_PART)
        if not self._marked:
            sets = sets[sets["place"] > 0]
        rows = sets.groupby("tray", sort=True).agg(
            taster=("taster", "first"), trial=("trial", "first"), cups=("code", " ".join)
        )
        sheet = rows.assign(panel=self.panel, protocol=self.protocol.name, date=self.date or "", answer="")
        columns = ["panel", "protocol", "date", "taster", "trial", "cups", "answer"]
        if self.certainty:
            sheet["certainty"], columns = "", [*columns, "certainty"]
        pairs = self._part(PREFERENCE, PLACEBO).groupby(["taster", "trial"])["code"].agg(" ".join).unstack()
        last = sheet["trial"] == self.sets
        for number in range(1, self.pairs + 1):
            sheet[f"pair_{number}"] = sheet["taster"].map(pairs[number]).where(last, "")
            sheet[f"preferred_{number}"] = ""
            columns += [f"pair_{number}", f"preferred_{number}"]
        return sheet.assign(incident="", notes="")[[*columns, "incident", "notes"]].reset_index(drop=True)

    def to_frame(self) -> pd.DataFrame:
        """The planned balance: one row an order, a place or a product, with how often it is served."""
        return self.balance().to_frame()

    def balance(self, tastings: Tastings | None = None) -> Balance:
        """How evenly orders, places and products are planned and, with `tastings`, were served."""
        sets = self._part(TASTING_PART)
        if not self._marked:
            sets = sets[sets["place"] > 0]
        letter = sets["sample"].map({self.samples[0]: "A", self.samples[1]: "B"})
        planned = letter.groupby(sets["tray"]).agg("".join).tolist()
        served, answers = None, None
        if tastings is not None:
            served = tastings.frame["order"].astype(str).tolist()
            answers = tastings.frame["correct"].tolist()
        return Balance(self, *_balance(self, planned, served, answers))

    # showing

    def _lines(self) -> list[str]:
        coded = int(self._coded().sum())
        pairs = ["", ", then a pair", ", then two pairs"][self.pairs]
        head = (
            f"Serving plan of {self.panel!r}: {self.protocol.name}, {words.count(len(self.tasters), 'taster')}, "
            f"{words.count(self.sets, 'set')} each{pairs}, {words.count(coded, 'coded sample')}."
        )
        return [head, self.balance().statement(), *(f"Warning: {w}" for w in self.warnings)]

    def __repr__(self) -> str:
        return "\n".join(self._lines())

    def _repr_html_(self) -> str:
        return block(*self._lines())

    # files

    def pages(self) -> dict[str, str]:
        """Every sheet as one self-contained HTML page, by file name."""
        import jinja2

        environment = jinja2.Environment(
            loader=jinja2.PackageLoader("metasense"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        environment.filters["line"] = words.one_line
        trays, filling = self.trays(), self.filling()
        later = trays["tray"] > len(self.tasters) * self.sets
        heads = [c for c in trays.columns if c == "marked" or c.startswith("place")]
        open_sheets = {
            "panel": self.panel,
            "date": self.date or "",
            "test": self.protocol.name,
            "sets": self.sets,
            "pairs": self.pairs,
            "trays": trays[~later].to_dict("records"),
            "later": trays[later].to_dict("records"),
            "heads": [h for h in heads if (trays.loc[~later, h] != "").any()],
            "reference": self._marked,
            "learned": self.protocol.name == "A-not-A",
            "certainty": self.certainty,
            "task": _task(self.protocol.name, self.attribute),
            "allergens": self.allergens,
            "hazards": list(HAZARDS.values()) if self.hazards is None else [HAZARDS[h] for h in self.hazards],
            "hazards_stated": self.hazards is not None,
            "cautions": CAUTIONS,
            "samples_each": len(self.cups) // len(self.tasters),
        }
        lists = [(s, filling[filling["sample"] == s].to_dict("records")) for s in self.samples]
        secret = {**open_sheets, "samples": self.samples, "lists": lists}
        marks = self.cups.loc[~self._coded(), "code"].tolist()
        labels = {"codes": sorted(self.cups.loc[self._coded(), "code"]), "marks": marks}
        key = {"rows": self._key_rows(), "more": self.more, "seed": self.seed, "attribute": self.attribute}
        sheets: list[tuple[str, str, dict[str, Any]]] = [
            ("run.html", "run", open_sheets),
            ("information.html", "information", open_sheets),
            ("trays.html", "trays", open_sheets),
            ("ballots.html", "ballots", {**open_sheets, "second": False}),
            ("filling/filling.html", "filling", secret),
            ("filling/labels.html", "labels", {**open_sheets, **labels}),
            ("sealed/key.html", "key", {**secret, **key}),
        ]
        if self.pairs:
            sheets.insert(4, ("ballots_second.html", "ballots", {**open_sheets, "second": True}))
        return {
            name: environment.get_template(f"serving_{template}.html.j2").render(**content)
            for name, template, content in sheets
        }

    def _key_rows(self) -> list[dict[str, Any]]:
        rows = []
        for tray, cups in self.cups.groupby("tray"):
            first = cups.iloc[0]
            shown = [f"{code} {sample}" for code, sample in zip(cups["code"], cups["sample"], strict=True)]
            inside = cups if self._marked else cups[cups["place"] > 0]
            codes = inside["code"].tolist()
            right = {PREFERENCE: "preference", PLACEBO: "two alike"}.get(str(first["part"]))
            if right is None:
                letters = "".join("AB"[self.samples.index(sample)] for sample in inside["sample"])
                right = _said(_right(self.protocol.name, letters, self._aim), codes)
            rows.append({"tray": tray, "taster": first["taster"], "cups": shown, "right": right})
        return rows

    def save(self, folder: str | os.PathLike[str]) -> Path:
        """Write all sheets into a new folder, the filler's and the key in folders of their own.

        Returns
        -------
        Path
            The folder. In it: ``run.html`` (who does what), ``information.html``, ``trays.html``, ``ballots.html``,
            ``ballots_second.html`` with a preference, ``trays.csv`` and ``answers.csv`` to type into; in ``filling``
            the filling list, checklist and labels; in ``sealed`` the key.

        Raises
        ------
        FileExistsError
            If a plan is there already: its answers or key would be lost.
        """
        to = Path(folder)
        there = [name for name in ("answers.csv", "sealed/key.csv") if (to / name).exists()]
        if there:
            raise FileExistsError(f"{os.fspath(folder)!r} already holds a plan ({words.listing(there)}). Name another.")
        for part in ("filling", "sealed"):
            (to / part).mkdir(parents=True, exist_ok=True)
        for name, page in self.pages().items():
            with replacing(to / name) as scratch:
                scratch.write_text(page, encoding="utf-8", newline="\n")
        csv_safe(self.trays(), to / "trays.csv")
        csv_safe(self.filling(), to / "filling" / "filling.csv")
        csv_safe(self.key(), to / "sealed" / "key.csv")
        csv_safe(self.answer_sheet(), to / "answers.csv")
        return to

    def key(self) -> pd.DataFrame:
        """The key with everything needed to read the plan again, one row a cup."""
        joined = {
            name: "" if value is None else "; ".join(value) or "none"
            for name, value in (("allergens", self.allergens), ("hazards", self.hazards))
        }
        return self.cups.assign(
            panel=self.panel,
            protocol=self.protocol.name,
            date=self.date or "",
            old=self.samples[0],
            new=self.samples[1],
            attribute=self.attribute,
            more=self.more or "",
            reference=self.reference or "",
            certainty="yes" if self.certainty else "no",
            **joined,
            seed="" if self.seed is None else hex(self.seed),  # letters keep spreadsheets from rounding it
        )

    @classmethod
    def read(cls, key: Any) -> ServingPlan:
        """The plan back from its key: ``sealed/key.csv``, or the folder it was saved in.

        Raises
        ------
        PanelsError
            If it is not a key, or was changed so that codes no longer say one thing.
        """
        if isinstance(key, (str, os.PathLike)) and Path(key).is_dir():
            key = Path(key) / "sealed" / "key.csv"
        checked = check_table(open_table(key, is_known(KEY_COLUMNS)), KEY_COLUMNS)
        frame = checked.frame
        for column in (c.name for c in KEY_COLUMNS if c.required):
            if column in checked.heads:
                checked.report(frame[column].isna(), column, "the cell is empty. Take the key as it was saved.")
        once = [c.name for c in KEY_COLUMNS if c.name not in CUP_COLUMNS]
        for column in once:
            checked.report(
                frame[column].fillna("").ne(frame[column].fillna("").iloc[:1].squeeze()) if len(frame) else False,
                column,
                "{value!r} differs from the first row. One file holds the key of one panel.",
            )
        coded = frame["place"] > 0
        words_ = "code {value} is there twice. Take the key as it was saved."
        checked.report(coded & frame["code"].duplicated(keep="first"), "code", words_)
        words_ = "{value!r} is neither {old!r} nor {new!r}. Take the key as it was saved."
        checked.report(frame["sample"].ne(frame["old"]) & frame["sample"].ne(frame["new"]), "sample", words_)
        checked.raise_any("Take the key as it was saved")
        one = {name: None if pd.isna(value) else str(value) for name, value in frame[once].iloc[0].items()}
        lists = {
            name: None if (value := one[name]) is None else () if value == "none" else tuple(value.split("; "))
            for name in ("allergens", "hazards")
        }
        cups = frame[list(CUP_COLUMNS)].astype({"tray": int, "trial": int, "place": int}).astype(
            dict.fromkeys(("taster", "part", "code", "sample"), object)
        )  # fmt: skip
        try:
            seed = None if one["seed"] is None else int(one["seed"], 0)
            test = protocol(str(one["protocol"]))
        except ValueError as error:
            raise PanelsError(f"{error} Take the key as it was saved.", checked.sheet.source) from error
        return cls(
            protocol=test,
            samples=(str(one["old"]), str(one["new"])),
            cups=cups,
            panel=str(one["panel"]),
            date=one["date"],
            attribute=one["attribute"] or "",
            more=one["more"],
            reference=one["reference"],
            certainty=one["certainty"] == "yes",
            seed=seed,
            **lists,
        )


_parts = choice(tasting="", preference="", placebo="")
KEY_COLUMNS = (
    Column("tray", "number of the tray", whole, "Int64", required=True),
    Column("taster", "a code for the person", label, "string", required=True),
    Column("trial", "number of the set", whole, "Int64", required=True),
    Column("part", "tasting, preference or placebo", _parts, "string", required=True),
    Column("place", "place on the tray, 0 for a marked sample", whole, "Int64", required=True),
    Column("code", "code on the cup", label, "string", required=True),
    Column("sample", "what is in the cup", label, "string", required=True),
    Column("panel", "name of the sitting", label, "string", required=True),
    Column("protocol", "the test", label, "string", required=True),
    *(Column(name, name, label, "string", required=name in ("old", "new"))
      for name in ("date", "old", "new", "attribute", "more", "reference", "certainty", "allergens", "hazards", "seed")),
)  # fmt: skip
CUP_COLUMNS = ("tray", "taster", "trial", "part", "place", "code", "sample")


def _said(right: tuple[tuple[int, ...], ...] | str | None, codes: Sequence[str]) -> str:
    """The right answer as it is typed: ``417``, ``417+305`` or ``417+305/862+190``, or the word."""
    if isinstance(right, tuple):
        return "/".join("+".join(codes[i] for i in group) for group in right)
    return right or ""


# --- what tasters are asked -----------------------------------------------------------------------------------------

_WORDS = {
    "triangle": (
        "Two of these three samples are alike, and one is different.",
        "Which one is different? Tick its code.",
    ),
    "duo-trio": (
        "The sample marked R is the reference. One of the other two is the same as the reference.",
        "Which one is the same as the reference? Tick its code.",
    ),
    "2-AFC": ("Compare these two samples.", "Which one has more {attribute}? Tick its code."),
    "3-AFC": ("Compare these three samples.", "Which one has most {attribute}? Tick its code."),
    "tetrad": (
        "These four samples are two and two alike. Sort them into the two pairs.",
        "Tick the codes of the two samples of one pair. Either pair will do.",
    ),
    "specified tetrad": (
        "Two of these four samples have more {attribute} than the other two.",
        "Which two have more {attribute}? Tick both codes.",
    ),
    "two-out-of-five": (
        "Three of these five samples are alike. The other two are also alike, but different from the three.",
        "Which are the two? Tick both codes.",
    ),
    "A-not-A": (
        "Taste the sample marked A first, and remember it. Then taste the coded sample.",
        "Is the coded sample A? Tick one.",
    ),
    "same-different": ("Compare these two samples.", "Are they the same or different? Tick one."),
}
_CHOICES = {"A-not-A": ("A", "not A"), "same-different": ("same", "different")}


def _task(name: str, attribute: str) -> dict[str, Any]:
    setting, question = (text.format(attribute=attribute) for text in _WORDS[name])
    return {"setting": setting, "question": question, "choices": _CHOICES.get(name, ())}


# --- balance --------------------------------------------------------------------------------------------------------

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


def _kinds_of(plan: ServingPlan, letters: str) -> dict[str, str]:
    """The order of a set, where its right answer stands, and which product is the odd one or the reference."""
    name = plan.protocol.name
    kinds = {"order": letters}
    right = _right(name, letters, plan._aim)
    if right is None:
        return {"order": f"{letters} (not a set)"}
    if name in _PLACE:
        shift = 0 if plan._marked else 1  # the reference of a duo-trio is not counted
        kinds[_PLACE[name]] = right if isinstance(right, str) else "+".join(str(i + shift) for i in right[0])
    if name in _PRODUCT:
        letter = letters[0] if plan._marked else min("AB", key=letters.count)
        kinds[_PRODUCT[name]] = plan.samples["AB".index(letter)]
    return kinds


def _balance(
    plan: ServingPlan, planned: list[str], served: list[str] | None, correct: list[Any] | None
) -> tuple[pd.DataFrame, bool]:
    constant = "AB"[plan.samples.index(plan.reference)] if plan.reference and plan._marked else ""
    every = _arrangements(plan.protocol.name, plan.protocol.cups, plan._aim, constant)
    cells: dict[tuple[str, str], list[int]] = {}
    for column, sets in enumerate((every, planned, served or [])):
        for i, letters in enumerate(sets):
            for pair in _kinds_of(plan, letters).items():
                counts = cells.setdefault(pair, [0, 0, 0, 0])
                counts[column] += 1
                if column == 2 and correct is not None and correct[i] is True:
                    counts[3] += 1
    frame = pd.DataFrame([(*pair, *counts[1:]) for pair, counts in cells.items()],
                         columns=["what", "value", "planned", "served", "correct"])  # fmt: skip
    ranks = {what: i for i, what in enumerate(dict.fromkeys(frame["what"]))}
    frame = frame.sort_values(["what", "value"], key=lambda c: c.map(ranks) if c.name == "what" else c)
    return frame.reset_index(drop=True), served is not None


@dataclass(frozen=True, eq=False, repr=False)
class Balance:
    """How evenly orders, places and products were planned and served; made by `ServingPlan.balance`.

    Attributes
    ----------
    plan : ServingPlan
    frame : DataFrame
        ``what`` is balanced (order, place, product), its ``value``, and how many sets are ``planned``, were ``served``,
        and were answered ``correct``.
    after : bool
        Was anything served yet?
    """

    plan: ServingPlan
    frame: pd.DataFrame
    after: bool

    def to_frame(self) -> pd.DataFrame:
        """A copy of the numbers; before serving, of what is planned."""
        return self.frame.copy() if self.after else self.frame.drop(columns=["served", "correct"])

    @property
    def even(self) -> bool:
        """Are all orders as equally frequent, as served (or planned), as their number allows?"""
        counts = self.frame.loc[self.frame["what"] == "order", "served" if self.after else "planned"]
        return bool(counts.max() - counts.min() <= 1)

    def statement(self) -> str:
        """The balance in words."""
        orders = self.frame[self.frame["what"] == "order"]
        low, high = int(orders["planned"].min()), int(orders["planned"].max())
        times = _times(low) if low == high else f"{low} or {_times(high)}, the nearest to equal that can be"
        said = [f"Each of {len(orders)} orders is served {times}."]
        if self.after:
            low, high = int(orders["served"].min()), int(orders["served"].max())
            total, planned = int(orders["served"].sum()), int(orders["planned"].sum())
            said.append(f"Served: {total} of {planned} sets, each order {_times(low, high)}.")
            if not self.even:
                said.append(
                    "That is less even than it could be: a habit of picking one place, or one product standing out "
                    "by where it stands, can count as correct answers. Compare the correct answers by place below."
                )
            said.append("Correct answers by order or place are few each: only a large bias would show in them.")
        return " ".join(said)

    def __repr__(self) -> str:
        return f"{self.statement()}\n\n{table(self.to_frame(), kinds={'value': 'text'}).to_text()}"

    def _repr_html_(self) -> str:
        return block(self.statement(), table(self.to_frame(), kinds={"value": "text"}))


def _times(low: int, high: int | None = None) -> str:
    if high is None or high == low:
        return {1: "once", 2: "twice"}.get(low, f"{low} times")
    return f"{low} to {high} times"


# --- the way back ---------------------------------------------------------------------------------------------------

_sure = choice(sure="certain yes 3", **{"fairly sure": "fairly fairlysure 2"}, guessed="guess no 1")
ANSWER_COLUMNS = (
    *(replace(TASTING[name], dtype="string", required=name in ("panel", "taster"))
      for name in ("panel", "protocol", "taster")),
    TASTING["trial"],
    Column("cups", "codes on the tray from left to right", label, "string", "codes samples", True),
    replace(TASTING["answer"], dtype="string", required=True),
    Column("certainty", "sure, fairly sure or guessed", _sure, "string", "sure"),
    *(Column(f"{name}_{i}", meaning, label, "string")
      for i in (1, 2) for name, meaning in (("pair", "codes of a pair"), ("preferred", "code preferred, or none"))),
    Column("incident", "anything that went wrong; absent if nobody sat there", text, "string", "incidents"),
    TASTING["date"],
    TASTING["notes"],
)  # fmt: skip
_ABSENT = ("absent", "notserved", "noshow", "missing", "didnotcome")


def read_answers(
    key: ServingPlan | Any,
    answers: Any,
    *,
    blind: str | None = None,
    filled: Mapping[int | str, str] | None = None,
) -> Tastings:
    """Join typed answers with the key.

    What was served is taken from the codes typed under ``cups``, not from the plan: if a taster got another's tray, or
    the order was changed, the codes say so. Rows without answer count as no answer given, or as not served if the
    incident says ``absent``. Sets that, as served, are none of the protocol's (a swapped cup made three alike) are left
    out with a note.

    Parameters
    ----------
    key : ServingPlan, path of ``key.csv`` or of the folder it was saved in, or a DataFrame of it
    answers : path, DataFrame, or anything `read_tastings` takes
        The filled ``answers.csv``.
    blind : {"double", "single", "none"}, optional
        Who did not know what was served: neither tasters nor server, tasters only, nobody.
    filled : mapping of code to sample, optional
        Cups that held something else than the filling list says.

    Returns
    -------
    Tastings
        With ``served`` and ``answer`` as codes, ``order`` in letters (A the old sample, B the new), ``position`` of the
        cup picked, ``preference``, ``planned``, and ``placebo``: stated or none, where two cups alike were compared.

    Raises
    ------
    PanelsError
        A ValueError that lists every code, answer or row that cannot be right.

    Examples
    --------
    >>> plan = serve("2-AFC", 2, samples=("old", "new"), attribute="saltiness", more="old", seed=1)
    >>> sheet = plan.answer_sheet()
    >>> sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]  # both pick what stands on the left
    >>> read_answers(plan, sheet).frame["correct"].tolist()
    [True, False]
    """
    plan = key if isinstance(key, ServingPlan) else ServingPlan.read(key)
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    for code, sample in (filled or {}).items():
        if str(code) not in inside or sample not in plan.samples:
            raise PanelsError(f"filled says {code!r}: {sample!r}; it needs a code of this key and one of {plan.samples}.")
        inside[str(code)] = sample
    checked = check_table(open_table(answers, is_known(ANSWER_COLUMNS)), ANSWER_COLUMNS)
    join = _Join(plan, checked, inside)
    rows = [row for i in range(len(checked.frame)) if (row := join.row(i)) is not None]
    join.report_repeats()
    checked.raise_any("Write one row a tasting")
    if not rows:
        raise PanelsError("nobody was served, or nothing served was a set of the protocol.", checked.sheet.source)
    frame = pd.DataFrame(rows).assign(planned=len(plan.tasters) * plan.sets, blind=blind)
    frame = frame[[c for c in frame.columns if frame[c].notna().any() or c == "answer"]]
    tastings = read_tastings(frame, name=checked.sheet.source)
    return replace(tastings, notes=(*checked.notes, *join.notes(), *tastings.notes))


class _Join:
    """Reads the answer sheet row by row against the codes; problems go to `checked`, what is left out to notes."""

    def __init__(self, plan: ServingPlan, checked: Checked, inside: dict[str, str]) -> None:
        self.plan, self.checked, self.inside = plan, checked, inside
        self.part = dict(zip(plan.cups["code"], plan.cups["part"], strict=True))
        self.seen: dict[str, int] = {}
        self.again: list[tuple[int, str, str]] = []
        self.absent: list[str] = []
        self.broken: list[str] = []
        self.changed: list[str] = []
        planned = plan.answer_sheet()
        self.planned = {(row.taster, row.trial): row.cups for row in planned.itertuples()}

    def wrong(self, i: int, column: str, message: str) -> None:
        mask = np.arange(len(self.checked.frame)) == i
        self.checked.report(mask, column, "{error}", error=message)

    def row(self, i: int) -> dict[str, Any] | None:
        cells = {c: None if pd.isna(v) else v for c, v in self.checked.frame.iloc[i].items()}
        taster, incident = cells["taster"], plain(cells["incident"] or "")
        if taster is None:
            self.wrong(i, "taster", "the cell is empty. Write the taster's code.")
        if cells["panel"] != self.plan.panel:
            self.wrong(i, "panel", f"the key is that of {self.plan.panel!r}. Join each panel with its own key.")
        named = cells["protocol"] is None or plain(cells["protocol"]) == plain(self.plan.protocol.name)
        if not named:
            self.wrong(i, "protocol", f"the key is that of a {self.plan.protocol.name}. Join it with its own key.")
        if cells["cups"] is None or incident in _ABSENT:
            if cells["answer"] is not None:
                lack = "nothing stands under cups" if cells["cups"] is None else f"the incident is {cells['incident']!r}"
                self.wrong(i, "answer", f"there is an answer though {lack}. Correct one of them.")
            self.absent.append(str(taster))
            return None
        cups = self.codes(i, "cups", cells["cups"], self.plan.protocol.cups, (TASTING_PART,))
        if cups is None:
            return None
        letters = "".join("AB"[self.plan.samples.index(self.inside[code])] for code in cups)
        right = _right(self.plan.protocol.name, letters, self.plan._aim)
        answer, place = self.answer(i, cells["answer"], cups, right)
        trial = 1 if cells["trial"] is None else int(cells["trial"])
        if " ".join(cups) != self.planned.get((str(taster), trial)):
            self.changed.append(str(taster))
        if right is None:
            self.broken.append(f"{taster} ({' '.join(cups)} held {letters})")
            return None
        remarks = [f"incident: {cells['incident']}" if cells["incident"] else None, cells["notes"]]
        return {
            "panel": self.plan.panel,
            "protocol": self.plan.protocol.name,
            "taster": taster,
            "trial": cells["trial"],
            "served": _said(right, cups),
            "answer": answer,
            "order": letters,
            "position": place,
            **self.liking(i, cells),
            "date": self.plan.date if cells["date"] is None else str(cells["date"].date()),
            "certainty": cells["certainty"],
            "notes": "; ".join(filter(None, remarks)) or None,
        }

    def codes(self, i: int, column: str, cell: str, size: int, parts: tuple[str, ...]) -> list[str] | None:
        """The codes in a cell, if they are cups of this key, as many as belong there, and not met before."""
        codes = _split(cell)
        strange = [code for code in codes if self.part.get(code) not in parts]
        if strange:
            what = "a set" if parts == (TASTING_PART,) else "a pair"
            self.wrong(i, column, f"{words.listing(strange)} is no code of {what} in this key. Write the codes served.")
            return None
        if len(codes) != size or len(set(codes)) != size:
            self.wrong(i, column, f"{cell!r} should be {size} different codes, from left to right.")
            return None
        if column == "cups" and self.plan._marked and not (codes[0][0] == "R" and all(map(str.isdigit, codes[1:]))):
            self.wrong(i, column, f"{cell!r} should be the reference (R and a number) and then two codes.")
            return None
        for code in codes:
            if code in self.seen:
                self.again.append((i, column, code))
            self.seen[code] = i
        return codes

    def answer(self, i: int, said: str | None, cups: list[str], right: Any) -> tuple[str | None, int | None]:
        """The answer as typed codes or word, and the place of a single cup picked."""
        name = self.plan.protocol.name
        if said is None:
            return None, None
        if name in _CHOICES:
            try:
                yes, no = ("A", "not A") if name == "A-not-A" else ("different", "same")
                return (yes if is_signal(name, said) else no), None
            except Wrong:
                self.wrong(i, "answer", f"{said!r} is not {_CHOICES[name][0]} or {_CHOICES[name][1]}. Write one of these.")
                return None, None
        picks, size = _split(said), 2 if name in ("tetrad", "specified tetrad", "two-out-of-five") else 1
        on = [code for code in cups if not (self.plan._marked and code == cups[0])]
        if len(picks) != size or len(set(picks)) != size or not set(picks) <= set(on):
            which = "one of" if size == 1 else "two of"
            self.wrong(i, "answer", f"{said!r} is not {which} the codes on the tray, {words.listing(on)}. "
                                    "Check the ballot.")  # fmt: skip
            return None, None
        return "+".join(picks), cups.index(picks[0]) + 1 if size == 1 else None

    def liking(self, i: int, cells: dict[str, Any]) -> dict[str, str | None]:
        out: dict[str, str | None] = {"preference": None, "placebo": None}
        for number in range(1, self.plan.pairs + 1):
            pair, said = cells[f"pair_{number}"], cells[f"preferred_{number}"]
            if said is None:
                continue
            if pair is None:
                self.wrong(i, f"preferred_{number}", "there is a preference but not between which cups. Write the pair.")
                continue
            cups = self.codes(i, f"pair_{number}", pair, 2, (PREFERENCE, PLACEBO))
            if cups is None:
                continue
            none = plain(said) in ("none", "nopreference", "neither", "no")
            if not none and (len(_split(said)) != 1 or _split(said)[0] not in cups):
                choices = f"{cups[0]}, {cups[1]} or none"
                self.wrong(i, f"preferred_{number}", f"{said!r} is not {choices}. Check the ballot.")
                continue
            held = [self.inside[code] for code in cups]
            if held[0] == held[1]:
                out["placebo"] = "none" if none else "stated"
            else:
                liked = None if none else self.inside[_split(said)[0]]
                out["preference"] = "none" if none else ("old", "new")[self.plan.samples.index(str(liked))]
        return out

    def report_repeats(self) -> None:
        for i, column, code in self.again:
            self.wrong(i, column, f"code {code} was served to somebody above. A cup is served once; check both rows.")

    def notes(self) -> Iterable[str]:
        if self.changed:
            yield f"served other than planned, and read as served: {words.listing(self.changed, 12)}."
        if self.absent:
            yield f"not served, and so not counted: {words.listing(self.absent, 12)}."
        if self.broken:
            yield f"left out, because what was served is no {self.plan.protocol.name}: {words.listing(self.broken, 12)}."
        unused = len(self.planned) - len(self.checked.frame)
        if unused > 0:
            yield f"planned but without a row: {words.count(unused, 'set')}."


def _split(cell: str) -> list[str]:
    """Codes in a cell, however divided; a spreadsheet may have run two together, 417,305 into 417305."""
    parts = [part.upper() for part in re.split(r"[\W_]+", str(cell)) if part]
    return [
        code
        for part in parts
        for code in (re.findall("...", part) if part.isdigit() and len(part) > 3 and len(part) % 3 == 0 else [part])
    ]
