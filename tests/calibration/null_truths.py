"""Nothing to taste, or next to nothing: how does the first screen of a pool read?

Six triangles of 24 and twelve tetrads of 60 at one d-prime, 0 among them. Of each first screen: does its first
paragraph say that there may be nothing, does its range hold what guessing gives, which verdict stands there, and does
it read as a difference (a range away from guessing or a verdict beyond the margin, and no word that there may be
nothing)? Beside that, the probability of nothing, and where the average d-prime lies, plain and averaged over
explanations. Tasters answer with the chance that their protocol gives.

    python tests/calibration/null_truths.py [sets]
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[2])]

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.protocols import forced_choice
from metasense.results.first import answer

DESIGNS = (("triangle", 6, 24), ("tetrad", 12, 60))
TRUTHS = (0.0, 0.3, 0.7, 1.2)
MARGIN = 0.75
VERDICTS = ("beyond the margin", "within the margin", "not settled")
RANGE = re.compile(r"\((\d+) to (\d+)\), where guessing gives (\d+)")


def first_screen(first: str) -> dict[str, object]:
    """What the first paragraph of a first screen says."""
    seen = RANGE.search(first)
    nothing = "nothing to taste" in first
    verdict = next(word for word in VERDICTS if word in first.lower())
    holds = seen is not None and int(seen[1]) <= int(seen[3]) <= int(seen[2])
    return {
        "says nothing": nothing,
        "range holds guessing": holds,
        **{word: verdict == word for word in VERDICTS},
        "reads as a difference": not nothing and (not holds or verdict == VERDICTS[0]),
    }


def study(name: str, panels: int, tastings: int, truth: float, *, sets: int) -> dict[str, object]:
    """Shares of the first screens of so many sets."""
    rng = np.random.default_rng([4, panels, round(100 * truth)])
    chance = float(forced_choice(name).p_correct(truth))
    rows = []
    for _ in range(sets):
        table = {"panel": [f"P{i}" for i in range(panels)], "protocol": name, "tastings": tastings}
        pooled = ms.pool(table | {"correct": rng.binomial(tastings, chance, panels)}, margin=ms.Margin(d_prime=MARGIN))
        averaged = pooled.averaged()
        rows.append(
            first_screen(" ".join(answer(pooled.core, pooled.rate(pooled.protocol), pooled.verdict(), None)))
            | {
                "P(nothing)": averaged.nothing,
                "plain": pooled.average.median,
                "averaged": averaged.average.median,
                "plain holds it": holds(pooled.average, truth),
                "averaged holds it": holds(averaged.average, truth),
            }
        )
    found = pd.DataFrame(rows)
    middle = {f"{name}, median": found.pop(name).median() for name in ("P(nothing)", "plain", "averaged")}
    shares = found.astype(float).mean()
    return {"protocol": name, "panels": panels, "d-prime": truth, "sets": sets, **shares, **middle}


def holds(found: Distribution, truth: float) -> bool:
    """Whether the 95 % interval holds the truth."""
    low, high = found.interval()
    return low <= truth <= high


def table(sets: int) -> pd.DataFrame:
    """A row a design and truth."""
    return pd.DataFrame([study(*design, truth, sets=sets) for design in DESIGNS for truth in TRUTHS])


if __name__ == "__main__":
    print(table(int(sys.argv[1]) if len(sys.argv) > 1 else 200).round(3).to_string(index=False))
