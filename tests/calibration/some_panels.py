"""Panels of which some have nothing to taste, and panels of which none has: what the answers say of each.

`halves` has half of the panels at d-prime 0 and half at another: do the intervals of the next panel and of the average
cover under one centre and spread, under *some*, and averaged over the four explanations, and does the caution speak?
`nothing` has one d-prime in all panels, 0 among them: how often is it said that there may be nothing, and where does
the average lie, plain and averaged? Tasters answer by their protocol's rule.

    python tests/calibration/some_panels.py [sets]
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.protocols import forced_choice
from metasense.questions.some import EVEN, caution

DESIGNS = (("triangle", 6, 30), ("triangle", 12, 30), ("tetrad", 6, 60), ("tetrad", 12, 60))
HIGHER = 1.5
CONSTANT = (("triangle", 6, 24), ("tetrad", 12, 60))
TRUTHS = (0.0, 0.3, 0.7, 1.2)
SAID = 0.2  # probability of nothing from which a first screen says it


def _pooled(name: str, d_primes: np.ndarray, tastings: int, rng: np.random.Generator) -> ms.Pooled:
    test = forced_choice(name)
    correct = [int(test.simulate(float(d), tastings, rng).sum()) for d in d_primes]
    panels = [f"P{i}" for i in range(len(correct))]
    table = {"panel": panels, "protocol": name, "tastings": tastings, "correct": correct}
    return ms.pool(table, margin=ms.Margin(d_prime=0.75))


def _holds(found: Distribution, truth: float) -> bool:
    low, high = found.interval()
    return low <= truth <= high


def halves(name: str, panels: int, tastings: int, *, sets: int) -> dict[str, object]:
    """Half of the panels at 0 and half at 1.5: shares of intervals that hold the truth."""
    rng = np.random.default_rng([3, panels, tastings])
    rows = []
    for _ in range(sets):
        d_primes = np.where(np.arange(panels) % 2 == 0, 0.0, HIGHER)
        pooled = _pooled(name, d_primes, tastings, rng)
        some, averaged = pooled.some(), pooled.averaged(EVEN)
        following = float(rng.choice([0.0, HIGHER]))
        rows.append(
            {
                "next, plain": _holds(pooled.next_d_prime, following),
                "next, some": _holds(some.next_d_prime, following),
                "next, averaged": _holds(averaged.next_d_prime, following),
                "average, plain": _holds(pooled.average, HIGHER / 2),
                "average, some": _holds(some.average, HIGHER / 2),
                "average, averaged": _holds(averaged.average, HIGHER / 2),
                "share": _holds(some.nothing, 0.5),
                "caution": bool(caution(pooled.core)),
                "fit warns": bool(pooled.fit().warnings),
            }
        )
    return {"protocol": name, "panels": panels, "tastings": tastings, "sets": sets, **pd.DataFrame(rows).mean()}


def nothing(name: str, panels: int, tastings: int, truth: float, *, sets: int) -> dict[str, object]:
    """One d-prime in all panels: what the first screen says, and where the averages lie."""
    rng = np.random.default_rng([4, panels, round(100 * truth)])
    rows = []
    for _ in range(sets):
        pooled = _pooled(name, np.full(panels, truth), tastings, rng)
        averaged = pooled.averaged()
        rows.append(
            {
                "said": averaged.nothing >= SAID,
                "P(nothing)": averaged.nothing,
                "plain median": pooled.average.median,
                "averaged median": averaged.average.median,
                "holds 0, plain": pooled.average.interval()[0] <= 0,
                "holds 0, averaged": averaged.average.interval()[0] <= 0,
                "covers, plain": _holds(pooled.average, truth),
                "covers, averaged": _holds(averaged.average, truth),
            }
        )
    found = pd.DataFrame(rows).astype(float)
    medians = ["P(nothing)", "plain median", "averaged median"]
    summary = {name: found[name].median() if name in medians else found[name].mean() for name in found}
    return {"protocol": name, "panels": panels, "tastings": tastings, "d-prime": truth, "sets": sets, **summary}


def tables(sets: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Both."""
    mixed = [halves(*design, sets=sets) for design in DESIGNS]
    constant = [nothing(*design, truth, sets=sets) for design in CONSTANT for truth in TRUTHS]
    return pd.DataFrame(mixed), pd.DataFrame(constant)


if __name__ == "__main__":
    for found in tables(int(sys.argv[1]) if len(sys.argv) > 1 else 200):
        print(found.round(3).to_string(index=False))
