"""How often 95 % intervals hold the true preference when only correct tasters were asked: luck taken out, or left in.

Run ``python tests/calibration/preference_coverage.py [runs]`` for the table. Three triangle panels of 30: each taster
tells the cups apart with the panel's p_d, else guesses; those who tell them apart prefer the new product with the
panel's preference, guessers toss a coin; some have no preference. Only the correct are asked. The naive interval is the
exact binomial one around their plain share. "All answers" adds the preferences of the tasters who were wrong.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from metasense.binomial import exact_interval
from metasense.protocols import forced_choice
from metasense.questions.asked import Asked
from metasense.questions.luck import fit, not_luck
from metasense.questions.preference import preference

TRIANGLE = forced_choice("triangle")
PANELS, TASTERS = 3, 30
NONE, GUESSERS_NONE = 0.2, 0.3  # no preference, of those who tell the cups apart and of guessers
CASES = (  # centre of the panels' d-primes, typical preference, SD between panels in log odds
    (1.0, 0.8, 0.0), (1.5, 0.8, 0.0), (2.0, 0.8, 0.0), (2.0, 0.9, 0.0), (2.0, 0.3, 0.0), (2.0, 0.8, 0.5),
    (3.0, 0.8, 0.5),
)  # fmt: skip


def panel(p_d: float, rho: float, rng: np.random.Generator) -> dict[str, int]:
    """Answers of one panel: right, and the preferences of those right and wrong."""
    apart = rng.random(TASTERS) < p_d
    right = apart | (rng.random(TASTERS) < TRIANGLE.guess)
    none = rng.random(TASTERS) < np.where(apart, NONE, GUESSERS_NONE)
    new = rng.random(TASTERS) < np.where(apart, rho, 0.5)
    counts = {"correct": int(right.sum())}
    for side, mask in (("", right), ("wrong_", ~right)):
        counts |= {f"{side}new": int((mask & ~none & new).sum()), f"{side}old": int((mask & ~none & ~new).sum())}
        counts |= {f"{side}none": int((mask & none).sum())}
    return counts


def table(runs: int, seed: int = 3, cases: tuple = CASES) -> pd.DataFrame:
    """Coverage of the three ways, one row a case."""
    rng, rows = np.random.default_rng(seed), []
    for centre, rho, spread in cases:
        hits, naive_mean = np.zeros(5), 0.0
        for _ in range(runs):
            d = np.abs(rng.normal(centre, 0.3, PANELS))
            own = expit(rng.normal(logit(rho), spread, PANELS))
            seen = [panel(float(p), float(r), rng) for p, r in zip(TRIANGLE.p_d(d), own, strict=True)]
            frame = pd.DataFrame({
                "panel": [f"P{i}" for i in range(PANELS)], "protocol": "triangle", "tastings": TASTERS,
                "correct": [s["correct"] for s in seen], "asked": "correct", "prefer_new": [s["new"] for s in seen],
                "prefer_old": [s["old"] for s in seen], "no_preference": [s["none"] for s in seen],
            })  # fmt: skip
            if not frame[["prefer_new", "prefer_old"]].to_numpy().any():
                continue
            found = preference(frame)
            mixture = found.beyond_luck.interval()
            kinds = found.posterior.panels()
            asked = [
                Asked(f"P{i}", i, offered=True, protocol="triangle", tastings=TASTERS, **s) for i, s in enumerate(seen)
            ]
            middles = (np.arange(24) + 0.5) / 24
            shares = [not_luck(kinds[i], "triangle").quantile(middles) for i in found.index]
            everybody = fit(asked, shares)[0].interval()
            new, stated = found.naive
            naive = tuple(float(np.squeeze(v)) for v in exact_interval(new, stated, 0.95))
            naive_mean += new / stated / runs
            for at, interval in enumerate((mixture, everybody, naive)):
                hits[at] += interval[0] <= rho <= interval[1]
            hits[3] += np.diff(mixture)[0]
            hits[4] += np.diff(everybody)[0]
        rows.append([centre, rho, spread, *(hits[:3] / runs), naive_mean, *(hits[3:] / runs)])
        print(*rows[-1], file=sys.stderr, flush=True)
    columns = ["centre d-prime", "true preference", "SD between panels", "luck taken out", "all answers", "naive"]
    return pd.DataFrame(rows, columns=[*columns, "mean naive share", "mean width", "mean width, all answers"])


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(f"{PANELS} triangle panels of {TASTERS}, {size} runs a row; coverage of 95 % intervals")
    print(table(size).round(3).to_string(index=False))
