"""What does a pool say where the panels are not as it takes them to be, and does it warn?

A row a way in which panels can break what a pool takes for granted, after rows in which they do not. Of the average
d-prime: does its 95 % interval hold the truth, plain and averaged over explanations? Of the verdict at four margins:
how often is it on the false side (blank where the truth lies on the other)? And how often does the pool, unasked,
speak of what is wrong ("warned": its headline or a note holds one of the words printed below the table), or warn of
anything at all? Where panels are totals they are stated to be double-blind, as those who are mistaken about it would
state them.

    python tests/calibration/violations.py [sets]
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from calibration import regulars
from calibration.null_truths import holds

import metasense as ms
from metasense.binomial import smallest_count
from metasense.core.answers import Verdict
from metasense.protocols import forced_choice

PANELS, SIZE = 6, 24  # triangles, unless a row says otherwise
MARGINS = (0.5, 0.8, 1.0, 1.29)  # d-prime
STATED = 0.8  # the margin that a pool is given, of which its notes speak
TOLD_APART = ("does not go with the others", "further apart than the fitted model", "look like a mixture")
SERVED = ("guessers have a habit", "How the cups were served probably mattered")
Draw = Callable[[np.random.Generator], Any]


@dataclass(frozen=True)
class Violation:
    """One way in which panels are not as a pool takes them to be.

    `truth` is the average d-prime of what the products are like, `draw` a table of panels or tastings, and `words`
    those by which the pool would speak of it; none where nothing is wrong.
    """

    name: str
    truth: float
    draw: Draw
    words: tuple[str, ...] = ()


def violations() -> Iterator[Violation]:
    """The whole table, the dearest rows last."""
    triangle, same_way = forced_choice("triangle"), forced_choice("3-AFC")
    yield Violation("constant 0", 0.0, partial(_constant, 1 / 3), ("there is nothing",))
    for d in (0.3, 0.7, 1.2):
        yield Violation(f"constant {d}", d, partial(_constant, float(triangle.p_correct(d))))
    able = [0.3 * float(test.p_correct(2.5)) + 0.7 * test.guess for test in (triangle, same_way)]
    mixed = float(triangle.d_prime(able[0]))
    yield Violation("30 % of tasters at 2.5, the rest at 0", mixed, partial(_constant, able[0]), ("several protocols",))
    yield Violation("the same, half of the panels 3-AFC", mixed, partial(_two_kinds, able), ("several protocols",))
    for share in (0.1, 0.2):
        right = share + (1 - share) / 3
        yield Violation(
            f"{100 * share:g} % of tasters told, d-prime 0", 0.0, partial(_constant, right), ("double-blind",)
        )
    leaky = np.where(np.arange(PANELS) % 3 == 2, 0.5 + 0.5 / 3, 1 / 3)
    yield Violation("half told in every third panel, d-prime 0", 0.0, partial(_constant, leaky), TOLD_APART)
    yield Violation("neighbours copy in fours", 1.0, partial(_copying, 4, float(triangle.p_correct(1.0))), TOLD_APART)
    for d in (0.0, 0.3, 0.7):
        draw = partial(_reported, 0.2, float(triangle.p_correct(d)))
        yield Violation(f"20 % of the dull panels reported, d-prime {d:g}", d, draw, ("too good to be true",))
    for name, served in (("mostly served first", (0.6, 0.2, 0.2)), ("served in turn", None)):
        habit = partial(_habit, served, (0.6, 0.2, 0.2))
        yield Violation(f"60 % of guesses at place 1, odd cup {name}", 0.0, habit, SERVED)
    one = float(same_way.p_correct(0.8))
    yield Violation("tasters follow one attribute", 0.8, partial(_constant, one), ("by one attribute",))
    learned = np.linspace(0.2, 1.6, PANELS)
    draw = partial(_constant, triangle.p_correct(learned), date=_weeks())
    yield Violation("tasters learn, .2 to 1.6", float(learned.mean()), draw, ("Later panels came out",))
    half = triangle.p_correct(np.where(np.arange(PANELS) % 2 == 0, 0.0, 1.5))
    yield Violation("half 0, half 1.5", 0.75, partial(_constant, half), (*TOLD_APART, "Perhaps only in some panels"))
    for panels, test in ((6, "triangle"), (12, "tetrad")):
        for s in (0.5, 0.8):
            club = regulars.Cell("normal", s, panels, 20, test)
            true = regulars.truth(club, np.random.default_rng(11))
            name = f"20 regulars, |Normal(1, {s})|, {panels} {test}s"
            yield Violation(name, true, partial(regulars.tastings, club), ("The same people again",))


def _table(correct: Any, protocol: Any = "triangle", **columns: Any) -> dict[str, Any]:
    names = [f"P{i}" for i in range(len(correct))]
    return {"panel": names, "protocol": protocol, "tastings": SIZE, "correct": correct, "blind": "double", **columns}


def _weeks() -> list[str]:
    return [str(day.date()) for day in pd.date_range("2025-03-03", periods=PANELS, freq="7D")]


def _constant(right: Any, rng: np.random.Generator, **columns: Any) -> dict[str, Any]:
    """Panels with this chance of a correct answer, one for all or one each."""
    return _table(rng.binomial(SIZE, right, PANELS), **columns)


def _two_kinds(right: list[float], rng: np.random.Generator) -> dict[str, Any]:
    """Triangles and 3-AFC in turn."""
    return _table(rng.binomial(SIZE, np.resize(right, PANELS)), np.resize(["triangle", "3-AFC"], PANELS).tolist())


def _copying(together: int, right: float, rng: np.random.Generator) -> dict[str, Any]:
    """So many neighbours give one answer."""
    return _table(together * rng.binomial(SIZE // together, right, PANELS))


def _reported(share: float, right: float, rng: np.random.Generator) -> dict[str, Any]:
    """Panels are run until six are reported: all that are significant at 5 %, and this share of the others."""
    first, listed = int(smallest_count(SIZE, 1 / 3, 0.05)), []
    while len(listed) < PANELS:
        count = int(rng.binomial(SIZE, right))
        if count >= first or rng.random() < share:
            listed.append(count)
    return _table(listed)


def _habit(served: Any, habit: Any, rng: np.random.Generator) -> ms.Tastings:
    """Nothing to taste; guesses go to places by habit, and the odd cup stands there in these shares or in turn."""
    rows = []
    for panel in range(PANELS):
        turns = np.arange(SIZE) % 3 if served is None else rng.choice(3, SIZE, p=served)
        picked = rng.choice(3, SIZE, p=habit)
        rows += [
            {"panel": f"P{panel}", "protocol": "triangle", "taster": f"T{panel}.{i}", "served": at, "answer": said}
            for i, (at, said) in enumerate(zip((turns + 1).tolist(), (picked + 1).tolist(), strict=True))
        ]
    return ms.read_tastings(rows)


def study(case: Violation, *, sets: int) -> dict[str, object]:
    """Shares of so many sets."""
    rows = []
    for one in range(sets):
        rng = np.random.default_rng([8, round(1000 * case.truth), len(case.name), one])
        pooled = ms.pool(case.draw(rng), margin=ms.Margin(d_prime=STATED))
        rows.append(
            {
                "in 95%": holds(pooled.average, case.truth),
                "in 95%, averaged": holds(pooled.averaged().average, case.truth),
                "median": pooled.average.median,
                **wrong(pooled, case.truth),
                "warned": _speaks(pooled, case.words),
                "any warning": bool(pooled.warnings),
            }
        )
    found = pd.DataFrame(rows).astype(float)
    return {"panels": case.name, "truth": case.truth, "sets": sets, **found.mean()}


def wrong(pooled: ms.Pooled, truth: float) -> dict[str, float]:
    """Whether the verdict is on the false side at each margin; nan where that side is the true one."""
    found = {}
    for side in ("beyond", "within"):
        for margin in MARGINS:
            false = truth < margin if side == "beyond" else truth > margin
            said = Verdict.of(pooled.average, ms.Margin(d_prime=margin)) == f"{side} the margin"
            found[f"{side} {margin:g}"] = float(said) if false else np.nan
    return found


def _speaks(pooled: ms.Pooled, words: tuple[str, ...]) -> float:
    """Whether headline or notes hold one of the words; nan without any."""
    text = " ".join([pooled.headline(), *pooled.notes])
    return float(any(word in text for word in words)) if words else np.nan


def table(sets: int, say: Callable[[str], None] = lambda line: None) -> pd.DataFrame:
    """A row a violation, each said when it is done."""
    rows = []
    for case in violations():
        rows.append(study(case, sets=sets))
        say(pd.DataFrame(rows[-1:]).round(3).to_string(index=False, header=len(rows) == 1, na_rep="-"))
    return pd.DataFrame(rows)


if __name__ == "__main__":
    found = table(int(sys.argv[1]) if len(sys.argv) > 1 else 200, say=partial(print, file=sys.stderr, flush=True))
    print(found.round(3).to_string(index=False, na_rep=""))
    for case in violations():
        if case.words:
            print(f"{case.name}: warned where it says {' or '.join(map(repr, case.words))}")
