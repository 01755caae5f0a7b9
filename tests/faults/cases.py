"""Tables whose true values are known: who sat, what was served, how many were right, on which day, at which dose.

A `Case` keeps what was meant beside what is written. It starts as plain as a table can be; the ways in which people and
programs write (`twists.py`) then change what is written, and say so where the meaning becomes unsure.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Rng = np.random.Generator


def pick(rng: Rng, items: Any) -> Any:
    return items[int(rng.integers(len(items)))]


class Unsure:
    """Nobody but the writer can know what was meant: reading it as anything must be said, or refused."""

    def __repr__(self) -> str:
        return "unsure"


UNSURE = Unsure()


@dataclass(frozen=True)
class AnyOf:
    """Readings of which each is right."""

    values: tuple[Any, ...]


@dataclass
class Column:
    """A column: the name we know it by, the header it is given, and what it holds."""

    name: str
    holds: str  # "label", "protocol", "count", "number", "words", "date", "yes or no", "choice", "answer"
    header: str = ""

    def __post_init__(self) -> None:
        self.header = self.header or self.name


@dataclass
class Row:
    """One line: what is written, what is meant, and whether it is meant as a row at all.

    `fate` is "row", "out" (left out by the writer; kept without an answer is as good) or "none" (a total, a remark).
    """

    written: dict[str, Any]
    meant: dict[str, Any] = field(default_factory=dict)
    fate: str = "row"
    label: str = ""
    why: str = ""
    words: str = ""
    struck: bool = False
    hidden: bool = False

    def __post_init__(self) -> None:
        self.true = dict(self.meant)  # what happened, whatever of it a reader can still know


@dataclass
class Case:
    """A table, as meant and as written."""

    kind: str  # "panels" or "tastings"
    columns: list[Column]
    rows: list[Row]
    above: list[list[Any]] = field(default_factory=list)  # lines before the header
    below: list[list[Any]] = field(default_factory=list)
    tags: dict[tuple[int, str], tuple[str, str]] = field(default_factory=dict)  # (row, column): twist, its words
    headers: dict[str, tuple[str, str]] = field(default_factory=dict)  # the same for whole columns
    needed: list[tuple[str, str]] = field(default_factory=list)  # twist, words that a note must have if it is read
    twists: list[str] = field(default_factory=list)
    unsure: set[str] = field(default_factory=set)  # twists that allow a refusal
    form: dict[str, Any] = field(default_factory=dict)

    def column(self, name: str) -> Column | None:
        return next((c for c in self.columns if c.name == name), None)

    def holding(self, *kinds: str) -> list[Column]:
        return [c for c in self.columns if c.holds in kinds]

    def put(self, row: Row, name: str, value: Any, twist: str, words: str = "") -> None:
        """Write this into the cell, by this twist."""
        row.written[name] = value
        self.tags[id(row), name] = twist, words

    def grid(self) -> list[list[Any]]:
        """Everything as it stands in the file, header included."""
        body = [[row.written.get(c.name) for c in self.columns] for row in self.rows]
        return [*self.above, [c.header for c in self.columns], *body, *self.below]

    def number(self, row: Row) -> int:
        """The row's number in the file, the first line being 1."""
        return len(self.above) + 2 + next(i for i, other in enumerate(self.rows) if other is row)


NAMES = ("Spring A", "Café 1", "Märzen", "Guild", "Sumac trial", "Meander", "Oct-31", "Kiosk 7", "No. 4", "Ålesund")
FORCED = ("triangle", "duo-trio", "2-AFC", "3-AFC", "tetrad", "specified tetrad", "two-out-of-five")
TWO_COUNTS = ("A-not-A", "same-different")
GUESS = {
    "triangle": 3,
    "duo-trio": 2,
    "2-AFC": 2,
    "3-AFC": 3,
    "tetrad": 3,
    "specified tetrad": 6,
    "two-out-of-five": 10,
}
PLACES = {"triangle": 3, "duo-trio": 2, "2-AFC": 2, "3-AFC": 3}  # protocols whose answer is one cup among so many
NOTES = ("cold, and late", "one cup was spilled", 'they called it "flat"', "fine", "served at 12 degrees", "new room")


def moderators(rng: Rng) -> dict[str, list[float]]:
    """Up to two columns of numbers, by name, each with the values that occur in it."""
    kinds: dict[str, list[float]] = {
        "weeks": [0.5, 1.5, 3, 4.25, 12, 26],
        "dose": [250, 500, 750, 1000, 1500, 2500],
        "ppm": [1, 1.5, 2, 2.25, 0.75],
        "temp_c": [-18, -18.5, 4, 8, 20.5],
        "salt_cut": [5, 10, 12.5, 17, 25],
        "litres": [1000, 12000, 1250000, 20000],
    }
    names = list(kinds)
    chosen = rng.choice(len(names), size=int(rng.integers(0, 3)), replace=False)
    return {names[i]: kinds[names[i]] for i in chosen}


def day(rng: Rng) -> dt.date:
    return dt.date(2023, 1, 1) + dt.timedelta(days=int(rng.integers(0, 1200)))


def panels(rng: Rng) -> Case:
    """One row a panel."""
    two_counts = rng.random() < 0.12
    names = [NAMES[i] for i in rng.permutation(len(NAMES))[: int(rng.integers(2, 6))]]
    if rng.random() < 0.15:
        names = [str(i + 1) for i in range(len(names))]
    numbers = moderators(rng)
    chances = {"date": 0.5, "tasters": 0.4, "batch_pair": 0.2, "blind": 0.3, "planned": 0.2, "looks": 0.1}
    chances |= {"reported": 0.3, "refused": 0.2, "notes": 0.3, "style": 0.3}
    given = {name for name, chance in chances.items() if rng.random() < chance}
    counts = ("signal", "hits", "noise", "false_alarms") if two_counts else ("tastings", "correct")
    columns = [Column("panel", "label"), Column("protocol", "protocol")]
    if "date" in given:
        columns.insert(int(rng.integers(0, 3)), Column("date", "date"))
    columns += [Column(name, "count") for name in counts]
    holds = {"tasters": "count", "planned": "count", "looks": "count", "refused": "count", "reported": "yes or no"}
    holds |= {"batch_pair": "words", "blind": "choice", "notes": "words", "style": "words"}
    columns += [Column(name, kind) for name, kind in holds.items() if name in given]
    columns += [Column(name, "number") for name in numbers]
    rows = []
    large = rng.random() < 0.1
    for name in names:
        n = int(rng.integers(1000, 4000)) if large and rng.random() < 0.7 else int(rng.integers(12, 61))
        protocol = pick(rng, TWO_COUNTS) if two_counts else pick(rng, FORCED)
        meant: dict[str, Any] = {"panel": name, "protocol": protocol}
        if two_counts:
            signal = n // 2
            meant |= {"signal": signal, "noise": n - signal}
            meant |= {"hits": int(rng.binomial(signal, 0.6)), "false_alarms": int(rng.binomial(n - signal, 0.4))}
        else:
            meant |= {"tastings": n, "correct": int(rng.binomial(n, min(1.0, 1 / GUESS[protocol] + rng.random() / 2)))}
        meant |= {"date": day(rng), "tasters": n // int(rng.integers(1, 3)), "planned": n + int(rng.integers(0, 5))}
        meant |= {"looks": int(rng.integers(1, 4)), "refused": int(rng.integers(0, 4)), "reported": rng.random() < 0.8}
        meant |= {"batch_pair": pick(rng, ("B1/B2", "B3/B4", "old 7 and new 7")), "notes": pick(rng, (*NOTES, None))}
        meant |= {"blind": pick(rng, ("double", "single", "none")), "style": pick(rng, ("dry", "sweet", "demi-sec"))}
        meant |= {column: pick(rng, values) for column, values in numbers.items()}
        meant = {column.name: meant[column.name] for column in columns}
        rows.append(Row(dict(meant), meant, label=name))
    return Case("panels", columns, rows)


def tastings(rng: Rng) -> Case:
    """One row an answer by one taster: right or wrong as said, or as served and answered."""
    way = pick(rng, ("correct", "correct", "position", "position", "code", "code", "group", "two counts"))
    names = [NAMES[i] for i in rng.permutation(len(NAMES))[: int(rng.integers(1, 4))]]
    numbers = moderators(rng)
    given = {name for name, chance in {"date": 0.3, "notes": 0.2, "style": 0.2}.items() if rng.random() < chance}
    trials = 2 if rng.random() < 0.3 else 1
    columns = [Column("panel", "label"), Column("protocol", "protocol"), Column("taster", "label")]
    if trials > 1:
        columns.append(Column("trial", "count"))
    columns += [Column("date", "date")] if "date" in given else []
    if way == "correct":
        columns.append(Column("correct", "yes or no"))
    else:
        columns += [Column("served", "answer"), Column("answer", "answer")]
    columns += [Column(name, "words") for name in ("notes", "style") if name in given]
    columns += [Column(name, "number") for name in numbers]
    numbered = rng.random() < 0.3
    rows = []
    for name in names:
        protocol = pick(rng, {"group": ("tetrad",), "two counts": TWO_COUNTS}.get(way, tuple(PLACES)))
        same: dict[str, Any] = {"panel": name, "protocol": protocol, "date": day(rng)}
        same |= {"style": pick(rng, ("dry", "sweet")), **{column: pick(rng, v) for column, v in numbers.items()}}
        for taster in range(int(rng.integers(4, 9))):
            for trial in range(1, trials + 1):
                right = bool(rng.random() < 0.5)
                served, answer, signal = _answered(rng, way, protocol, right)
                meant = same | {"taster": f"{taster + 1}" if numbered else f"T{taster + 1:02d}", "trial": trial}
                meant |= {"correct": right, "notes": pick(rng, (*NOTES, None, None))}
                written = meant | {"served": served, "answer": answer}
                keep = [c.name for c in columns]
                rows.append(
                    Row(
                        {n: written[n] for n in keep},
                        {n: meant[n] for n in (*keep, "correct") if n in meant} | {"signal": signal, "way": way},
                        label=meant["taster"],
                    )
                )
    return Case("tastings", columns, rows)


def _answered(rng: Rng, way: str, protocol: str, right: bool) -> tuple[Any, Any, bool | None]:
    """What was served and answered, and whether that was the signal of a protocol with two counts."""
    if way == "correct":
        return None, None, None
    if way == "position":
        places = PLACES[protocol]
        served = int(rng.integers(1, places + 1))
        return served, served if right else pick(rng, [p for p in range(1, places + 1) if p != served]), None
    if way == "code":
        codes = [f"{code:03d}" for code in rng.choice(np.arange(12, 999), PLACES[protocol], replace=False)]
        return codes[0], codes[0] if right else pick(rng, codes[1:]), None
    if way == "group":
        groups = [("1+2", "3+4"), ("1+3", "2+4"), ("1+4", "2+3")]
        at = int(rng.integers(3))
        other = at if right else (at + int(rng.integers(1, 3))) % 3
        return "/".join(groups[at]), pick(rng, groups[other]), None
    words = ("A", "not A") if protocol == "A-not-A" else ("different", "same")
    at = int(rng.integers(2))
    return words[at], words[at if right else 1 - at], at == 0
