"""How well the what-if for unlisted panels does where the truth is known: coverage of the average d-prime, and bias.

Panels are drawn from the model, and come to light if statistically significant (one-sided, 5 %) or else with
probability omega, until enough have. Run with ``python tests/calibration/drawer_coverage.py [sets]``.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

import metasense as ms
from metasense.binomial import smallest_count
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol
from metasense.questions.drawer import Drawer

TRUTHS = ((0.3, 0.2), (0.6, 0.3), (1.0, 0.4), (1.5, 0.5))  # centre and spread
ASSUMED = {"all listed": 1.0, "omega 0.1": 0.1, "omega 0.01": 0.01, "omega 0.001": 0.001}


def listed(
    mu: float, tau: float, omega: float, panels: int, tastings: int, rng: np.random.Generator, test: str = "triangle"
) -> list[int]:
    """Correct answers of the panels that came to light."""
    kind = protocol(test)
    critical = smallest_count(tastings, kind.guess, 0.05)
    found: list[int] = []
    while len(found) < panels:
        x = rng.binomial(tastings, kind.p_correct(abs(rng.normal(mu, tau))))
        if x >= critical or rng.random() < omega:
            found.append(int(x))
    return found


def study(
    mu: float, tau: float, omega: float, *, sets: int, panels: int = 6, tastings: int = 24, seed: int = 1
) -> pd.DataFrame:
    """Coverage (95 %) and mean error of the average d-prime, a row for each assumption about omega."""
    rng = np.random.default_rng(seed)
    truth = float(average_d_prime(np.array([mu]), np.array([tau]))[0])
    rows = []
    for _ in range(sets):
        counts = listed(mu, tau, omega, panels, tastings, rng)
        names = [f"P{i}" for i in range(panels)]
        pooled = ms.pool({"panel": names, "protocol": "triangle", "tastings": tastings, "correct": counts})
        frame = Drawer.of(pooled.core, omegas=tuple(ASSUMED.values())).to_frame()
        for name, assumed in ASSUMED.items():
            row = frame[frame["omega"] == assumed].iloc[0]
            covered = row["lower"] <= truth <= row["upper"]
            rows.append({"assumed": name, "covered": covered, "error": row["median"] - truth})
    out = pd.DataFrame(rows).groupby("assumed", sort=False).agg(coverage=("covered", "mean"), bias=("error", "mean"))
    return out.reset_index().assign(truth=truth, omega=omega, sets=sets)


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    parts = [study(mu, tau, omega, sets=sets) for omega in (0.0, 0.1, 1.0) for mu, tau in TRUTHS]
    table = pd.concat(parts).pivot(index=["omega", "truth"], columns="assumed", values=["coverage", "bias"])
    print(table.reindex(columns=list(ASSUMED), level=1).round(3).to_string())
    print(
        f"{sets} sets of 6 triangle panels of 24; standard error of a coverage of 0.95: "
        f"{np.sqrt(0.95 * 0.05 / sets):.3f}"
    )
