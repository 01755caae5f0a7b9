"""How often the checks of fit object: to a mixture they should see, and to panels that follow the model.

Half the panels at d-prime 0 and half at 1.5 (or 2.5) is the mixture that no spread of a normal imitates. Beside it
stand panels with nothing to taste and panels drawn from the model. Run with
``python tests/calibration/fit_power.py [sets]``.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.stats import binom, norm

import metasense as ms
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol
from metasense.questions.fit import FAVOURED, SURPRISING

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
                "any": bool(fit.warnings),
                "covered": low <= target <= high,
                "error": pooled.average.median - target,
                "covered by mixture": mix_low <= target <= mix_high,
                "error of mixture": fit.mixture.average.median - target,
            }
        )
    return {"protocol": test, "panels": panels, "tastings": tastings, "truth": truth} | pd.DataFrame(
        rows
    ).mean().to_dict()


def most(truth: str, test: str, panels: int, tastings: int, *, sets: int = 20_000, seed: int = 1) -> dict[str, object]:
    """Share of sets in which the most powerful test at 5 % (Neyman and Pearson's) recognises the mixture.

    It knows the two halves, and weighs them against the centre and spread that come closest to them: a check that has
    to learn them from the panels can do no better at that level. ``wrongly`` is its share among sets from these.
    """
    rng, kind, x = np.random.default_rng(seed), protocol(test), np.arange(tastings + 1)
    halves = np.array([binom.pmf(x, tastings, kind.p_correct(d)) for d in TRUTHS[truth]])
    z = np.linspace(-8, 8, 321)

    def model(at: np.ndarray) -> np.ndarray:
        chances = kind.p_correct(np.abs(at[0] + abs(at[1]) * z))
        return binom.pmf(x[:, None], tastings, chances) @ (norm.pdf(z) / norm.pdf(z).sum())

    mixture = halves.mean(axis=0)
    starts = ([0.7, 0.5], [0.2, 1.0], [1.0, 0.1])
    found = [minimize(lambda at: -mixture @ np.log(model(at)), start, method="Nelder-Mead") for start in starts]
    closest = model(min(found, key=lambda fit: fit.fun).x)
    ratio = np.log(mixture / closest)
    each = [ratio[rng.choice(x, p=halves[i % 2], size=sets)] for i in range(panels)]
    other = ratio[rng.choice(x, p=closest / closest.sum(), size=(sets, panels))].sum(axis=1)
    limit = np.quantile(other, 0.95)
    rightly, wrongly = (float((total > limit).mean()) for total in (np.sum(each, axis=0), other))
    return {"protocol": test, "panels": panels, "tastings": tastings, "best possible": rightly, "wrongly": wrongly}


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(pd.DataFrame([most("half 0, half 1.5", *size) for size in SIZES]).round(3).to_string(index=False))
    for size in SIZES:
        table = pd.DataFrame([study(truth, *size, sets=sets) for truth in TRUTHS])
        print(table.round(2).to_string(index=False), flush=True)
    print(
        f"{sets} sets each; standard error of a share of 0.05: {np.sqrt(0.05 * 0.95 / sets):.3f}, of 0.5: "
        f"{np.sqrt(0.25 / sets):.3f}"
    )
