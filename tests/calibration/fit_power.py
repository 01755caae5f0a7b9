"""How often the checks of fit object: to a mixture they should see, and to panels that follow the model.

Half the panels at d-prime 0 and half at 1.5 (or 2.5) is the mixture that no spread of a normal imitates. Beside it
stand panels with nothing to taste and panels drawn from the model. Run with
``python tests/calibration/fit_power.py [sets]``.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

import metasense as ms
from metasense.pooling.fit import FAVOURED, SURPRISING
from metasense.pooling.posterior import average_d_prime
from metasense.protocols import protocol

SIZES = (
    ("triangle", 6, 30),
    ("triangle", 12, 30),
    ("triangle", 12, 60),
    ("tetrad", 6, 30),
    ("tetrad", 12, 30),
    ("tetrad", 12, 60),
)
TRUTHS: dict[str, tuple[float, float]] = {  # two halves, or centre and spread
    "half 0, half 1.5": (0.0, 1.5),
    "half 0, half 2.5": (0.0, 2.5),
    "nothing to taste": (0.0, 0.0),
    "centre 0.5, spread 0.2": (0.5, 0.2),
    "centre 1, spread 0.3": (1.0, 0.3),
    "centre 1, spread 0.6": (1.0, 0.6),
    "centre 1.5, spread 0.5": (1.5, 0.5),
}


def d_primes(truth: str, panels: int, rng: np.random.Generator) -> np.ndarray:
    """The panels' own d-primes."""
    a, b = TRUTHS[truth]
    if truth.startswith("half"):
        return np.where(np.arange(panels) % 2 == 0, a, b)
    return np.abs(rng.normal(a, b, panels))


def average(truth: str) -> float:
    """The true average d-prime."""
    a, b = TRUTHS[truth]
    return (a + b) / 2 if truth.startswith("half") else float(average_d_prime(np.array([a]), np.array([b]))[0])


def study(truth: str, test: str, panels: int, tastings: int, *, sets: int, seed: int = 1) -> dict[str, object]:
    """Shares of simulated sets in which each check objects, and how far the two averages are off."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(sets):
        counts = rng.binomial(tastings, protocol(test).p_correct(d_primes(truth, panels, rng)))
        names = [f"P{i}" for i in range(panels)]
        pooled = ms.pool({"panel": names, "protocol": test, "tastings": tastings, "correct": counts})
        fit, target = pooled.fit(), average(truth)
        (low, high), (mix_low, mix_high) = pooled.average.interval(), fit.mixture.average.interval()
        rows.append(
            {
                "mixture": fit.favour >= FAVOURED,
                "one panel": fit.most_surprising < SURPRISING,
                "spread": fit.spread < SURPRISING,
                "any": bool(fit.warnings()),
                "covered": low <= target <= high,
                "error": pooled.average.median - target,
                "covered by mixture": mix_low <= target <= mix_high,
                "error of mixture": fit.mixture.average.median - target,
            }
        )
    return {"protocol": test, "panels": panels, "tastings": tastings, "truth": truth} | pd.DataFrame(
        rows
    ).mean().to_dict()


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for size in SIZES:
        table = pd.DataFrame([study(truth, *size, sets=sets) for truth in TRUTHS])
        print(table.round(2).to_string(index=False), flush=True)
    print(
        f"{sets} sets each; standard error of a share of 0.05: {np.sqrt(0.05 * 0.95 / sets):.3f}, of 0.5: "
        f"{np.sqrt(0.25 / sets):.3f}"
    )
