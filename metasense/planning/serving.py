"""Serving one panel: which cup of which product stands where under which code, on sheets for each who needs one.

A plan keeps three people apart. The *filler* knows which product goes under which code and meets nobody. The *server*
carries trays made up by code and does not know what is in them. The *tasters* see codes only. What joins codes and
products is the *key*, sealed until every answer is typed. Codes are three random digits, used once in a session, and
drawn apart from everything else, so that neither a tray nor a ballot says anything about what it holds. All orders of
the protocol are served equally often, or as nearly as the number of tasters allows (``orders.py``).

`serve` makes a `ServingPlan`; its ``save`` writes the sheets: HTML pages to print, CSV files to type into. The way back
from typed answers is in ``served.py``.
"""

from __future__ import annotations

import itertools
import os
import secrets
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metasense import pseudonyms
from metasense.planning.orders import Balance, Orders, Right
from metasense.protocols import Protocol, TwoCountProtocol, protocol
from metasense.showing import words
from metasense.showing.files import free_folder, new_folder
from metasense.showing.pages import CAUTIONS, templates
from metasense.showing.results import Statement
from metasense.showing.tables import as_csv
from metasense.tables.checking import Column, Reading, Wrong, check_table, choice, is_known, label, plain, whole
from metasense.tables.checking import date as as_day
from metasense.tables.opening import PanelsError, open_table
from metasense.tables.panels import Tastings

__all__ = ["HAZARDS", "ServingPlan", "serve"]

CODES = range(100, 1000)
MOST_SETS = 3  # sets a person in one session before palates tire; common practice, no source
DIRECTED = ("2-AFC", "3-AFC", "specified tetrad")
TASTING_PART, PREFERENCE, PLACEBO = "tasting", "preference", "placebo"
_SECOND = "second part"

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
        Day of the sitting, such as ``"2026-11-25"``. One that could be two days, such as 02.04.2026, is refused.
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
    Each of 6 orders is planned 4 times.
    >>> plan.trays().columns.tolist()
    ['tray', 'taster', 'trial', 'place 1', 'place 2', 'place 3']
    """
    names = _taster_names(tasters)
    if seed is not None and (not isinstance(seed, (int, np.integer)) or seed < 0):
        raise ValueError(f"seed is a whole number from 0 on; got {seed!r}.")
    asked = None if hazards is None else tuple(dict.fromkeys(str(hazard).casefold() for hazard in _listed(hazards)))
    plan = ServingPlan(
        protocol=_protocol(protocol),
        samples=tuple(words.one_line(sample) for sample in samples),  # type: ignore[arg-type]
        cups=pd.DataFrame(),
        panel=words.one_line(panel),
        date=date,
        attribute=words.one_line(attribute),
        more=None if more is None else words.one_line(more),
        reference=None if reference is None else words.one_line(reference),
        certainty=certainty,
        allergens=_union(allergens),
        hazards=asked,
        seed=secrets.randbits(128) if seed is None else int(seed),
    )
    problems = list(_problems(plan, names, sets))
    if placebo and not preference:
        problems.append("a placebo pair goes with a preference: say preference=True (--preference) too.")
    try:
        day = as_day(date, Reading())  # as in a table: what could be two days is refused
        plan = replace(plan, date=None if day is None else str(day))
    except Wrong as error:
        problems.append(f"date is a day such as '2026-11-25': {error}.")
    if problems:
        raise ValueError(" ".join(problems))

    orders_rng, codes_rng = np.random.default_rng(plan.seed).spawn(2)  # codes know nothing of orders
    cups = _cups(plan, names, sets, preference, placebo, orders_rng)
    taken = {code for other in beside for code in other.cups["code"]}
    free = [code for code in CODES if str(code) not in taken]
    coded = cups["code"] == ""
    need, each = int(coded.sum()), int(coded.sum()) // len(names)
    if need > len(free):
        raise ValueError(
            f"a session has {len(free)} three-digit codes{' left' if taken else ''}, enough for "
            f"{words.count(len(free) // each, 'taster')} with {words.count(each, 'coded sample')} each; "
            f"{words.count(len(names), 'taster')} need {need}. Divide them over sessions, and make a plan for each."
        )
    cups.loc[coded, "code"] = codes_rng.permutation(free)[:need].astype(str)
    return replace(plan, cups=cups)


_protocol = protocol  # `serve` takes an argument of that name


def _taster_names(tasters: int | Sequence[str]) -> list[str]:
    if isinstance(tasters, (float, np.floating)) or tasters is None:
        raise ValueError(f"tasters is how many there are, a whole number, or a pseudonym for each; got {tasters!r}.")
    if isinstance(tasters, (int, np.integer)):
        return [f"T{i:0{max(2, len(str(tasters)))}d}" for i in range(1, int(tasters) + 1)]
    return [words.one_line(name) for name in _listed(tasters)]


def _problems(plan: ServingPlan, names: list[str], sets: int) -> Iterator[str]:
    test, samples = plan.protocol.name, plan.samples
    if not names:
        yield "tasters is how many there are, 1 or more, or a pseudonym for each."
    alike = Counter(map(str.casefold, names))
    if twice := list(dict.fromkeys(name for name in names if alike[name.casefold()] > 1 or not name)):
        yield f"every taster needs a pseudonym of their own; empty or there twice: {words.listing(map(repr, twice))}."
    if len(samples) != 2 or len({*map(plain, samples)}) != 2 or not all(samples):
        yield f"samples are two different names, the old product's and the new one's; got {samples!r}."
    if not plan.panel:
        yield "panel is the name of the sitting; it is empty."
    if not isinstance(sets, (int, np.integer)) or sets < 1:
        yield f"sets is how many each taster gets, a whole number, 1 or more; got {sets!r}."
    if test in DIRECTED:
        if not plan.attribute:
            yield f"{test} asks for something named: give it as a noun, such as attribute='saltiness' (--attribute)."
        if plan.more not in samples:
            yield f"say which sample should have more of it: more={samples[0]!r} or more={samples[-1]!r} (--more)."
    elif plan.attribute or plan.more:
        yield f"{test} names nothing to look for: leave attribute and more out."
    if plan.reference is not None and test not in ("duo-trio", "A-not-A"):
        yield f"{test} has no reference: leave it out."
    elif plan.reference not in (None, *samples):
        yield f"reference is one of the samples, {samples[0]!r} or {samples[-1]!r}; got {plan.reference!r}."
    for hazard in plan.hazards or ():
        if hazard not in HAZARDS:
            yield f"{hazard!r} is not one of the hazards {words.listing(HAZARDS)}."


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
    plan: ServingPlan, names: list[str], sets: int, preference: bool, placebo: bool, rng: np.random.Generator
) -> pd.DataFrame:
    """Every cup of the session in tray order; the code is empty where one is to be drawn."""
    test, aim = plan.protocol.name, plan.orders.aim
    width = len(str(len(names) * sets))
    trays = itertools.count(1)
    rows: list[tuple[Any, ...]] = []

    def add(taster: str, trial: int, part: str, letters: str) -> None:
        tray, marks = next(trays), [""] * len(letters)
        if part == TASTING_PART and test == "duo-trio":
            marks[0] = f"R{tray:0{width}d}"
        elif part == TASTING_PART and test == "A-not-A":
            marks, letters = ["A", ""], aim + letters
        first = 0 if marks[0] else 1  # a marked sample stands at place 0
        for place, (mark, letter) in enumerate(zip(marks, letters, strict=True), first):
            rows.append((tray, taster, trial, part, place, mark, plan.samples["AB".index(letter)]))

    for name, given in zip(names, plan.orders.assign(len(names), sets, rng), strict=True):
        for trial, letters in enumerate(given, 1):
            add(name, trial, TASTING_PART, letters)
    pairs = [(PREFERENCE, Orders("2-AFC", 2))] * preference + [(PLACEBO, Orders("two alike", 2))] * placebo
    drawn = [(part, orders.assign(len(names), 1, rng)) for part, orders in pairs]
    turned = rng.permutation(np.arange(len(names)) % 2)
    for i, name in enumerate(names):
        for trial, (part, orders) in enumerate(drawn[::-1] if turned[i] else drawn, 1):
            add(name, trial, part, orders[i][0])
    return pd.DataFrame(rows, columns=list(CUP_COLUMNS)).astype(_CUP_TYPES)


# --- what the user holds --------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False)
class ServingPlan(Statement):
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

    Examples
    --------
    >>> import metasense as ms
    >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
    >>> len(plan.cups), plan.samples
    (18, ('old', 'new'))
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

    _inside = frozenset({"read"})  # an older name

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

    def _warnings(self) -> Iterator[str]:
        yield from self._session_warnings()
        if self.seed is not None and self.seed < 2**64:
            yield "this seed can be guessed, and with it the key rebuilt: for a real panel leave seed out."
        told = [s for s in self.samples if len(plain(s)) > 1 and plain(s) in plain(f"{self.panel} {self.attribute}")]
        if told:
            yield f"every ballot would show {words.listing(map(repr, told))}: choose other words for the panel."
        if people := pseudonyms.warning(self.tasters):
            yield people

    def _session_warnings(self) -> Iterator[str]:
        """Those about the session itself, which stand on the run sheet too; they name no sample."""
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
        if self.hazards is None:
            yield "hazards are not stated: strike out on the information sheet what does not apply."

    def _part(self, *parts: str) -> pd.DataFrame:
        return self.cups[self.cups["part"].isin(parts)]

    def _coded(self) -> pd.Series:
        return self.cups["place"] > 0

    @cached_property
    def orders(self) -> Orders:
        """All orders of the protocol, with what is right in each."""
        name = self.protocol.name
        aim = self.more if name in DIRECTED else self.reference or self.samples[0]
        constant = "AB"[self.samples.index(self.reference)] if self.reference and name == "duo-trio" else ""
        return Orders(name, self.protocol.cups, "AB"[self.samples.index(str(aim))], constant)

    def _sets(self) -> pd.DataFrame:
        """The cups a set is made of: with the reference in duo-trio, without the learned sample in A-not-A."""
        tasting = self.cups["part"] == TASTING_PART
        return self.cups[tasting & (self._marked | self._coded())]

    @property
    def _marked(self) -> bool:
        """Does the reference belong to the set, as in duo-trio?"""
        return self.protocol.name == "duo-trio"

    # the tables

    def trays(self) -> pd.DataFrame:
        """What the server sets out: one row a tray, codes from the taster's left to right; no product in it.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.trays().columns.tolist()
        ['tray', 'taster', 'trial', 'place 1', 'place 2', 'place 3']
        """
        wide = self.cups.pivot(index=["tray", "taster", "trial", "part"], columns="place", values="code")
        wide.columns = ["marked" if place == 0 else f"place {place}" for place in wide.columns]
        wide = wide.reset_index()
        first = wide["part"] == TASTING_PART
        shown = wide.drop(columns="part").astype(object).where(wide.drop(columns="part").notna(), "")
        return pd.concat([shown[first], shown[~first]], ignore_index=True)

    def filling(self) -> pd.DataFrame:
        """What the filler pours: one row a code, by round and product in rising order; marked samples come first.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.filling().columns.tolist()
        ['round', 'sample', 'code', 'cups']
        """
        lines = self.cups.assign(round=self._rounds()).groupby(["round", "sample", "code"], sort=False).size()
        lines = lines.rename("cups").reset_index()
        order = lines.assign(second=lines["round"].eq(_SECOND), product=lines["sample"].map(self.samples.index),
                             coded=lines["code"].str.isdigit())  # fmt: skip
        order = order.sort_values(["second", "round", "product", "coded", "code"])
        return lines.loc[order.index].reset_index(drop=True)

    def _rounds(self) -> list[str]:
        """What is poured at one time, cup by cup."""
        first = "set {}" if self.sets > 1 else "all sets"
        return [
            first.format(trial) if part == TASTING_PART else _SECOND
            for part, trial in zip(self.cups["part"], self.cups["trial"], strict=True)
        ]

    def answer_sheet(self) -> pd.DataFrame:
        """The table to type answers into: one row a tasting, ``cups`` as planned, everything after it empty.

        Type what happened: another tray or order, the codes as they stood; somebody did not come, ``absent`` under
        incident; a tasting that is not to count, yes or why under left_out.
        Codes of pairs for preference are on the row of the taster's last set.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.answer_sheet().columns.tolist()
        ['panel', 'protocol', 'date', 'taster', 'trial', 'cups', 'answer', 'incident', 'left_out', 'notes']
        """
        sets = self._sets()
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
        last_ones = ["incident", "left_out", "notes"]
        return sheet.assign(**dict.fromkeys(last_ones, ""))[[*columns, *last_ones]].reset_index(drop=True)

    def to_frame(self) -> pd.DataFrame:
        """The planned balance: one row an order, a place or a product, with how often it is served.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.to_frame().shape
        (11, 3)
        """
        return self.balance().to_frame()

    def balance(self, tastings: Tastings | None = None) -> Balance:
        """How evenly orders, places and products are planned and, with `tastings`, were served.

        Parameters
        ----------
        tastings : Tastings, optional
            What `read_answers` gave: count the orders that were answered.

        Returns
        -------
        Balance

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.balance().to_frame().shape
        (11, 3)
        """
        sets = self._sets()
        letters = sets["sample"].map(dict(zip(self.samples, "AB", strict=True)))
        planned = letters.groupby(sets["tray"]).agg("".join).tolist()
        if tastings is None:
            return Balance.of(self.orders, self.samples, planned)
        frame = tastings.frame
        return Balance.of(
            self.orders,
            self.samples,
            planned,
            frame["order"].astype(str).tolist(),
            [None if pd.isna(right) else bool(right) for right in frame["correct"]],
        )

    # showing

    def _line(self) -> str:
        coded = int(self._coded().sum())
        pairs = ["", ", then a pair", ", then two pairs"][self.pairs]
        return (
            f"Serving plan of {self.panel!r}: {self.protocol.name}, {words.count(len(self.tasters), 'taster')}, "
            f"{words.count(self.sets, 'set')} each{pairs}, {words.count(coded, 'coded sample')}."
        )

    def _paragraph(self) -> list[str]:
        return [self._line(), self.balance().sentence(), *(w[0].upper() + w[1:] for w in self.warnings)]

    def _methods(self) -> list[str]:
        pairs = ["", " A separate pair asks for preference.", " Two separate pairs ask for preference, one of them the "
                 "same product twice."][self.pairs]  # fmt: skip
        return [
            f"Protocol: {self.protocol.name}. {self.protocol.rule}".rstrip(".") + ".",
            "As planned, every sample carries a random three-digit code used once in the session and drawn apart from "
            "the orders; orders are balanced and assigned to trays at random.",
            "Who fills the cups meets no taster, who serves knows codes only, and the key stays sealed until all "
            f"answers are typed.{pairs}",
        ]

    def _shown(self) -> list[str]:
        return [self._line(), self.balance().sentence(), *(f"Warning: {w}" for w in self.warnings)]

    # files

    def pages(self) -> dict[str, str]:
        """Every sheet as one self-contained HTML page, by file name.

        Returns
        -------
        dict of str to str

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> sorted(plan.pages())[:3]
        ['ballots.html', 'filling/filling.html', 'filling/labels.html']
        """
        environment = templates()
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
            "cautions": _cautions(self.hazards),
            "alcohol": self.hazards is None or "alcohol" in self.hazards,
            "samples_each": len(self.cups) // len(self.tasters),
            "warnings": [w[0].upper() + w[1:] for w in self._session_warnings()],
        }
        rounds = [
            (name, [(sample, lines.to_dict("records")) for sample, lines in part.groupby("sample", sort=False)])
            for name, part in filling.groupby("round", sort=False)
        ]
        labels = [
            (
                name,
                [line["code"] for line in sorted(part.to_dict("records"), key=_by_number) for _ in range(line["cups"])],
            )
            for name, part in filling.groupby("round", sort=False)
        ]
        key = {"samples": self.samples, "rows": self._key_rows(), "more": self.more, "attribute": self.attribute,
               "seed": None if self.seed is None else hex(self.seed)}  # fmt: skip
        sheets: list[tuple[str, str, dict[str, Any]]] = [
            ("run.html", "run", open_sheets),
            ("information.html", "information", open_sheets),
            ("trays.html", "trays", open_sheets),
            ("ballots.html", "ballots", {**open_sheets, "second": False}),
            ("filling/filling.html", "filling", {**open_sheets, "samples": self.samples, "rounds": rounds}),
            ("filling/labels.html", "labels", {**open_sheets, "rounds": labels}),
            ("sealed/key.html", "key", {**open_sheets, **key}),
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
            shown = cups[["code", "sample"]].to_dict("records")
            inside = cups[self._marked | (cups["place"] > 0)]
            right = {PREFERENCE: "preference", PLACEBO: "two alike"}.get(str(first["part"]))
            if right is None:
                letters = "".join("AB"[self.samples.index(sample)] for sample in inside["sample"])
                right = said(self.orders.right(letters), inside["code"].tolist())
            rows.append({"tray": tray, "taster": first["taster"], "cups": shown, "right": right})
        return rows

    def save(self, folder: str | os.PathLike[str]) -> Path:
        """Write all sheets into a new folder, the filler's and the key in folders of their own; all of them or none.

        The folders of the filler and of the key open for their owner only, where the system knows owners.

        Parameters
        ----------
        folder : str or path
            A new folder, or an empty one.

        Returns
        -------
        Path
            The folder. In it: ``run.html`` (who does what), ``information.html``, ``trays.html``, ``ballots.html``,
            ``ballots_second.html`` with a preference, ``trays.csv`` and ``answers.csv`` to type into; in ``filling``
            the filling list, checklist and labels; in ``sealed`` the key.

        Raises
        ------
        FileExistsError
            If a plan, or anything else, is there already: its answers or key would be lost.
        OSError
            If the folder may not be made, or the disk is full; nothing is there then.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> import tempfile
        >>> folder = plan.save(f"{tempfile.mkdtemp()}/plan")
        >>> sorted(path.name for path in folder.iterdir())[:3]
        ['answers.csv', 'ballots.html', 'filling']
        """
        place_for_plan(folder)
        sheets = {
            "sealed/key.csv": as_csv(self.key()),  # first: without it the rest is worth nothing
            **self.pages(),
            "trays.csv": as_csv(self.trays()),
            "filling/filling.csv": as_csv(self.filling()),
            "answers.csv": as_csv(self.answer_sheet()),
        }
        with new_folder(folder) as scratch:
            for part in ("sealed", "filling"):
                (scratch / part).mkdir(mode=0o700)
            for name, text in sheets.items():
                opener = _for_the_owner if name.startswith("sealed/") else None
                with open(scratch / name, "x", encoding="utf-8", newline="\n", opener=opener) as sheet:
                    sheet.write(text)
                    sheet.flush()
                    os.fsync(sheet.fileno())
        return Path(folder)

    def key(self) -> pd.DataFrame:
        """The key with everything needed to read the plan again, one row a cup.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.key()["protocol"].unique().tolist()
        ['triangle']
        """
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
    def load(cls, key: Any) -> ServingPlan:
        """The plan back from its key: ``sealed/key.csv``, or the folder it was saved in.

        ``read`` is an older name of the same.

        Parameters
        ----------
        key : path, DataFrame, or anything else a table is read from
            The folder, the key in it, or its rows.

        Returns
        -------
        ServingPlan

        Raises
        ------
        PanelsError
            If it is not a key, or was changed so that codes no longer say one thing.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> import tempfile
        >>> again = ms.ServingPlan.load(plan.save(f"{tempfile.mkdtemp()}/plan"))
        >>> again.cups.equals(plan.cups)
        True
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
        cups = frame[list(CUP_COLUMNS)].astype(_CUP_TYPES)
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

    read = load


def place_for_plan(folder: str | os.PathLike[str]) -> None:
    """Refuse a place where something is already: to ask before a plan is made.

    Raises
    ------
    FileExistsError
        If a plan, or anything else, is there.
    """
    there = [name for name in ("answers.csv", "sealed/key.csv", "run.html") if (Path(folder) / name).exists()]
    if there:
        raise FileExistsError(f"{os.fspath(folder)!r} already holds a plan ({words.listing(there)}). Name another.")
    free_folder(folder)


def _for_the_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


CUP_COLUMNS = ("tray", "taster", "trial", "part", "place", "code", "sample")
_CUP_TYPES = dict.fromkeys(CUP_COLUMNS, object) | dict.fromkeys(("tray", "trial", "place"), int)
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
      for name in ("old", "new", "date", "attribute", "more", "reference", "certainty", "allergens", "hazards",
                   "seed")),
)  # fmt: skip


def said(right: Right | None, codes: Sequence[str]) -> str:
    """The right answer as it is typed: ``417``, ``417+305`` or ``417+305/862+190``, or the word."""
    if isinstance(right, tuple):
        return "/".join("+".join(codes[i] for i in group) for group in right)
    return right or ""


def _by_number(line: dict[str, Any]) -> tuple[bool, str]:
    return not line["code"].isdigit(), line["code"]


def _cautions(hazards: tuple[str, ...] | None) -> list[str]:
    """What the run sheet says to take care of: of alcohol nothing if there is none, and with an if while it is open."""
    start = "Alcohol: "
    if hazards is None:
        return [caution.replace(start, "If there is alcohol in the samples: ") for caution in CAUTIONS]
    if "alcohol" in hazards:
        return list(CAUTIONS)
    return [caution.replace("alcohol, ", "") for caution in CAUTIONS if not caution.startswith(start)]


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
CHOICES = {"A-not-A": ("A", "not A"), "same-different": ("same", "different")}


def _task(name: str, attribute: str) -> dict[str, Any]:
    setting, question = (text.format(attribute=attribute) for text in _WORDS[name])
    return {"setting": setting, "question": question, "choices": CHOICES.get(name, ())}
