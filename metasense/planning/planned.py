"""A serving plan in memory: its cups, the tables made of them, what to put right, and how evenly it is balanced."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from metasense import pseudonyms
from metasense.planning.orders import Balance, Orders
from metasense.planning.texts import Texts, sheet_texts
from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol
from metasense.showing import words
from metasense.showing.results import Statement
from metasense.tables.cells import plain
from metasense.tables.panels import Tastings

CODES = range(100, 1000)
HAZARDS = ("alcohol", "caffeine", "hot", "additives", "gas")
MOST_SETS = 3  # sets a person in one session before palates tire; common practice, no source
DIRECTED = tuple(name for name, kind in PROTOCOLS.items() if isinstance(kind, Protocol) and kind.directed)
TASTING_PART, PREFERENCE, PLACEBO = "tasting", "preference", "placebo"
SECOND = "second part"
CUP_COLUMNS = ("tray", "taster", "trial", "part", "place", "code", "sample")
CUP_TYPES = dict.fromkeys(CUP_COLUMNS, object) | dict.fromkeys(("tray", "trial", "place"), int)


@dataclass(frozen=True, eq=False, repr=False)
class Planned(Statement):
    """A panel planned cup by cup. Showing it does not show the key.

    Attributes
    ----------
    protocol : Protocol or TwoCountProtocol
    samples : (str, str)
        The old and the new product; A and B in orders.
    cups : DataFrame
        The key: one row a cup with ``tray, taster, trial, part, place, code, sample``; place 0 is a marked reference.
    panel, date, attribute, more, reference, certainty, allergens, hazards, seed
        As given to `serve`; `seed` also when it was drawn.
    texts : Texts
        What the sheets say, in one language.
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
    texts: Texts = field(default_factory=sheet_texts)

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
        said = sheet_texts()
        for name, values in self._session_warnings():
            text = said(f"warnings.{name}", **values)
            more = f" Or name them with hazards= (--hazards): {', '.join(HAZARDS)}." if name == "hazards_open" else ""
            yield text[0].lower() + text[1:] + more
        if self.seed is not None and self.seed < 2**64:
            yield "this seed can be guessed, and with it the key rebuilt: for a real panel leave seed out."
        told = [s for s in self.samples if len(plain(s)) > 1 and plain(s) in plain(f"{self.panel} {self.attribute}")]
        if told:
            yield f"every ballot would show {words.listing(map(repr, told))}: choose other words for the panel."
        if people := pseudonyms.warning(self.tasters):
            yield people

    def _session_warnings(self) -> Iterator[tuple[str, dict[str, int]]]:
        """Those about the session, which stand on the run sheet too and name no sample: which, and its numbers."""
        rounds = self.sets + self.pairs
        if "alcohol" in (self.hazards or ()) and rounds > 1:
            yield "alcohol_rounds", {"rounds": rounds}
        if rounds > MOST_SETS:
            yield "many_rounds", {"rounds": rounds, "most": MOST_SETS}
        if self.sets > 1:
            yield "repeats", {"sets": self.sets}
        if self.allergens is None:
            yield "allergens_open", {}
        if self.hazards is None:
            yield "hazards_open", {}

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
        order = lines.assign(second=lines["round"].eq(SECOND), product=lines["sample"].map(self.samples.index),
                             coded=lines["code"].str.isdigit())  # fmt: skip
        order = order.sort_values(["second", "round", "product", "coded", "code"])
        return lines.loc[order.index].reset_index(drop=True)

    def _rounds(self) -> list[str]:
        """What is poured at one time, cup by cup."""
        first = "set {}" if self.sets > 1 else "all sets"
        return [
            first.format(trial) if part == TASTING_PART else SECOND
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
        return [
            self._line(),
            self.balance().sentence(),
            *(f"Warning: {w}" for w in self.warnings),
            'Next: plan.save("a_new_folder") writes the sheets; ms.record("a_new_folder") then takes the ballots.',
        ]
