"""Sixty tables of panels from a fixed seed, made without the package, so that it cannot change them.

They take turns at every protocol, at one to twelve panels, and at every column that changes an answer: repeats (as
totals and as single tastings), moderators, batch pairs, unreported panels, plans, looks, blinding, preferences. The
numbers are invented and say nothing about any product; they are only held against themselves.
"""

from __future__ import annotations

import datetime
import random
from dataclasses import dataclass, field
from typing import Any

SEED = 20261128
GUESS = {
    "triangle": 1 / 3,
    "duo-trio": 1 / 2,
    "2-AFC": 1 / 2,
    "3-AFC": 1 / 3,
    "tetrad": 1 / 3,
    "specified tetrad": 1 / 6,
    "two-out-of-five": 1 / 10,
}
TWO_COUNTS = ("A-not-A", "same-different")
PROTOCOLS = (*GUESS, *TWO_COUNTS)
UNDIRECTED = ("triangle", "duo-trio", "tetrad", "two-out-of-five")
DIRECTED = ("2-AFC", "3-AFC", "specified tetrad")
MARGINS = (
    None,
    {"p_d": 0.2, "protocol": "triangle"},
    {"d_prime": 0.5},
    {"d_prime": 1.0},
    {"p_d": 0.3, "protocol": "duo-trio"},
)
PRIORS = (None, None, (0.5, 0.25), (3.0, 1.0))
KINDS = ("plain", "plain", "plain", "number", "plain", "words", "plain", "plain", "dose", "within")


@dataclass(frozen=True)
class Case:
    """One table and how it is pooled; ``rows`` are panels, ``tastings`` single answers or nothing."""

    name: str
    kind: str
    rows: list[dict[str, Any]]
    tastings: list[dict[str, Any]]
    margin: dict[str, Any] | None
    priors: tuple[float, float] | None
    pooling: dict[str, Any] = field(default_factory=dict)


def cases(seed: int = SEED, count: int = 60) -> list[Case]:
    """The tables, always the same for one seed."""
    return [_case(i, random.Random(seed + i)) for i in range(count)]


def _case(i: int, rng: random.Random) -> Case:
    kind = KINDS[i % len(KINDS)]
    size = 1 + i % 12 if kind == "plain" else rng.randint(4, 9)
    names = _protocols(i, kind, rng)
    dated = rng.random() < 0.6
    rows = [_panel(j, names[j % len(names)], rng, dated) for j in range(size)]
    tastings: list[dict[str, Any]] = []
    pooling: dict[str, Any] = {}
    if kind == "plain":
        _awkward(rows, rng)
        tastings = _tastings(rows, rng)
    elif kind == "within":
        pooling = {"within": "batch_pair"}
        for j, row in enumerate(rows):
            row["batch_pair"] = "ABC"[j % rng.choice((2, 3))]
        rows[0]["batch_pair"], rows[1]["batch_pair"] = "A", "B"
    else:
        pooling = _moderated(rows, kind, rng)
    name = f"pool {i:02d} {kind}"
    return Case(name, kind, rows, tastings, MARGINS[i % len(MARGINS)], rng.choice(PRIORS), pooling)


def _protocols(i: int, kind: str, rng: random.Random) -> list[str]:
    """One protocol alone, several without a direction, or several with one among them, in turn."""
    way = i // 2 % 4
    if way == 0:
        return [PROTOCOLS[i % len(PROTOCOLS)]]
    if way == 1:
        return rng.sample(UNDIRECTED, 3)
    if way == 2:
        return [rng.choice(DIRECTED), *rng.sample(PROTOCOLS, 2)]
    return [rng.choice(UNDIRECTED), rng.choice(PROTOCOLS)]


def _panel(j: int, protocol: str, rng: random.Random, dated: bool) -> dict[str, Any]:
    row: dict[str, Any] = {"panel": f"Panel {j + 1}", "protocol": protocol}
    ability = max(rng.gauss(0.25, 0.2), 0.0)
    n = rng.randint(8, 48)
    if protocol in TWO_COUNTS:
        false_alarms = rng.uniform(0.1, 0.5)
        row |= {"signal": n, "hits": _binomial(n, min(false_alarms + ability, 0.95), rng)}
        row |= {"noise": n, "false_alarms": _binomial(n, false_alarms, rng)}
    else:
        guess = GUESS[protocol]
        row |= {"tastings": n, "correct": _binomial(n, guess + (1 - guess) * min(ability, 0.95), rng)}
    if dated:
        row["date"] = str(datetime.date(2025, 1, 6) + datetime.timedelta(days=7 * j))
    return row


def _binomial(n: int, p: float, rng: random.Random) -> int:
    return sum(rng.random() < p for _ in range(n))


def _awkward(rows: list[dict[str, Any]], rng: random.Random) -> None:
    """What a careful reader must be told of: repeats, plans not kept, looks, no blinding, panels put away."""
    for row in rows:
        total = row.get("tastings")
        if total and rng.random() < 0.25:
            row["tasters"] = rng.choice([1, max(total // 4, 2), max(total // 2, 2)])
        elif total and rng.random() < 0.3:
            row["tasters"] = total
        if rng.random() < 0.3:
            row["planned"] = (total or row["signal"] + row["noise"]) + rng.choice([0, 0, 6, -4])
        if rng.random() < 0.3:
            row["looks"] = rng.randint(1, 4)
        if rng.random() < 0.5:
            row["blind"] = rng.choice(["double", "double", "single", "none"])
        if rng.random() < 0.3:
            row["reported"] = rng.choice(["yes", "yes", "no"])
        if rng.random() < 0.4:
            row["batch_pair"] = rng.choice("AB")
        if rng.random() < 0.15:
            row["refused"] = rng.randint(0, 3)
        if total and rng.random() < 0.4:
            _preferences(row, rng)


def _preferences(row: dict[str, Any], rng: random.Random) -> None:
    row["asked"] = (
        rng.choice(["correct", "all"]) if row.get("tasters", row["tastings"]) == row["tastings"] else "correct"
    )
    people = row["correct"] if row["asked"] == "correct" else row["tastings"]
    none = rng.randint(0, people // 4)
    new = _binomial(people - none, 0.4, rng)
    row |= {"prefer_new": new, "prefer_old": people - none - new, "no_preference": none}


def _tastings(rows: list[dict[str, Any]], rng: random.Random) -> list[dict[str, Any]]:
    """Single answers of the first panel whose people tasted repeatedly, on every other such table."""
    found = next((row for row in rows if row.get("tasters", 10**9) < row.get("tastings", 0)), None)
    if found is None or rng.random() < 0.4:
        return []
    right = [1] * found["correct"] + [0] * (found["tastings"] - found["correct"])
    rng.shuffle(right)
    right.sort(
        reverse=rng.random() < 0.5, key=lambda one: one + rng.random() * 1.5
    )  # some people are better than others
    people = found["tasters"]
    each = [len(range(k, len(right), people)) for k in range(people)]
    who = [k for k in range(people) for _ in range(each[k])]
    return [
        {"panel": found["panel"], "protocol": found["protocol"], "taster": f"T{k:02d}", "correct": one}
        for k, one in zip(who, right, strict=True)
    ]


def _moderated(rows: list[dict[str, Any]], kind: str, rng: random.Random) -> dict[str, Any]:
    for j, row in enumerate(rows):
        row["weeks"] = [1, 2, 4, 8, 12][j % 5] + (j // 5)
        row["crowd"] = ["public", "trained", "club"][j % rng.choice((2, 3))]
        row["dose_pct"] = [5, 10, 20][j % 3]
    rows[0]["crowd"], rows[1]["crowd"] = "public", "trained"
    if kind == "number":
        return {"moderators": "weeks"}
    if kind == "words":
        return {"moderators": "crowd"}
    return {"moderators": "dose_pct", "through_zero": "dose_pct"}
