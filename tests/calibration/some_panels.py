"""Panels of which half have nothing to taste and half a clear difference.

Do the intervals of the next panel and of the average cover under one centre and spread, under *some*, and averaged over
the four explanations, and does the caution speak? Tasters answer by their protocol's rule. Of the next panel both are
asked: its d-prime, and how many of its answers are correct. An interval of d-primes that begins at an exact 0 holds
every 0, and one of whole numbers holds more than it says; so besides what is stated, ``drawn`` counts with the jump
at such a value taken at random, as one does to judge discrete forecasts (Czado, Gneiting and Held, Biometrics 65,
2009, 1254-1261). Of the next d-prime that is the chance, over the jump and over both values it can have, which has no
luck of its own in it.

    python tests/calibration/some_panels.py [sets]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from calibration.null_truths import holds

import metasense as ms
from metasense.core.answers import NextPanel
from metasense.engine.distribution import Distribution
from metasense.protocols import forced_choice
from metasense.questions.some import EVEN, caution

DESIGNS = (("triangle", 6, 30), ("triangle", 12, 30), ("tetrad", 6, 60), ("tetrad", 12, 60))
HIGHER = 1.5


def _pooled(name: str, d_primes: np.ndarray, tastings: int, rng: np.random.Generator) -> ms.Pooled:
    test = forced_choice(name)
    correct = [int(test.simulate(float(d), tastings, rng).sum()) for d in d_primes]
    panels = [f"P{i}" for i in range(len(correct))]
    table = {"panel": panels, "protocol": name, "tastings": tastings, "correct": correct}
    return ms.pool(table, margin=ms.Margin(d_prime=0.75))


def halves(name: str, panels: int, tastings: int, *, sets: int) -> dict[str, object]:
    """Half of the panels at 0 and half at 1.5: shares of intervals that hold the truth."""
    rng = np.random.default_rng([3, panels, tastings])
    test = forced_choice(name)
    rows = []
    for _ in range(sets):
        d_primes = np.where(np.arange(panels) % 2 == 0, 0.0, HIGHER)
        pooled = _pooled(name, d_primes, tastings, rng)
        some, averaged = pooled.some(), pooled.averaged(EVEN)
        following = float(rng.choice([0.0, HIGHER]))
        correct = int(test.simulate(following, tastings, rng).sum())
        asked = {"plain": pooled, "some": some, "averaged": averaged}
        row = {}
        for how, answer in asked.items():
            row[f"next, {how}"] = holds(answer.next_d_prime, following)
            row[f"next, {how}, drawn"] = np.mean([_drawn(answer.next_d_prime, d) for d in (0.0, HIGHER)])
            expected = NextPanel.of(answer.next_d_prime, test, tastings)
            row[f"answers, {how}"] = expected.interval()[0] <= correct <= expected.interval()[1]
            row[f"answers, {how}, drawn"] = _drawn_count(expected, correct, rng)
            row[f"average, {how}"] = holds(answer.average, HIGHER / 2)
        row |= {
            "share": holds(some.nothing, 0.5),
            "caution": bool(caution(pooled.core)),
            "fit warns": bool(pooled.fit().warnings),
        }
        rows.append(row)
    return {"protocol": name, "panels": panels, "tastings": tastings, "sets": sets, **pd.DataFrame(rows).mean()}


def _drawn(found: Distribution, truth: float) -> float:
    """Chance that the truth lies between 2.5 and 97.5 %, an exact 0 anywhere in the jump there.

    An interval that begins at an exact 0 holds all of them; this counts as many as it would without the jump.
    """
    place = float(found.below(truth))
    if truth > 0 or place == 0:
        return float(0.025 <= place <= 0.975)
    return max(min(place, 0.975) - 0.025, 0.0) / place


def _drawn_count(expected: NextPanel, correct: int, rng: np.random.Generator) -> bool:
    """The same of a number of correct answers."""
    below = expected.probability[:correct].sum()
    return bool(0.025 <= below + rng.random() * expected.probability[correct] <= 0.975)


def table(sets: int) -> pd.DataFrame:
    """A row a design."""
    return pd.DataFrame([halves(*design, sets=sets) for design in DESIGNS])


if __name__ == "__main__":
    print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 200).round(3).T.to_string(header=False))
