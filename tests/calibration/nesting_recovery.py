"""How often the 95 % intervals of panels within batch pairs hold the truth, for panels simulated from a known truth.

Run with ``python tests/calibration/nesting_recovery.py [sets]``. In the first designs the truth is drawn from the
priors for every set of panels, so coverage must be 95 % up to Monte Carlo error; in the last ones it is fixed. Beside
it stands the plain pool of the same panels, which takes panels on one batch pair for independent.

With truths from the priors positions are even: over two runs of 1000 sets the average's Kolmogorov-Smirnov p was 0.19
and 0.65 and its coverage .958 and .939 (plain pool: .918 and .886). At one fixed truth it need not be 95 %, and with
four pairs that differ by an SD of .5 it is .895 of 600 sets (plain pool: .645): the prior expects half of that, four
pairs can hardly object, and so they are drawn together. It is the prior, not the arithmetic: the same design with
truths from the prior is covered .950 (242 sets), the same truth with a prior twice as wide .978, and with 16 pairs .937.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.engine.spreads import average_d_prime
from metasense.protocols import Protocol, protocol

PRIORS = ms.Priors()
QUANTITIES = (
    "average",
    "plain pool's average",
    "between",
    "within",
    "next, new pair",
    "average, known pair",
    "next, known pair",
)


@dataclass(frozen=True)
class Case:
    """Panels, and where the truth comes from."""

    name: str
    protocols: tuple[str, ...]
    tastings: int
    pairs: tuple[int, ...]  # panels on each batch pair
    truth: tuple[float, float, float] | None = None  # centre, spread between, spread within
    priors: ms.Priors = PRIORS

    @property
    def directed(self) -> bool:
        return any(protocol(name).directed for name in self.protocols)


CASES = (
    Case("5 pairs of 3 triangles of 30, truth from the priors", ("triangle",), 30, (3, 3, 3, 3, 3)),
    Case("8 pairs of 2 tetrads of 24, truth from the priors", ("tetrad",), 24, (2,) * 8),
    Case(
        "6 unequal pairs, three protocols, truth from the priors",
        ("triangle", "duo-trio", "2-AFC"),
        28,
        (4, 3, 2, 1, 1, 1),
    ),
    Case("4 pairs of 5 tetrads of 30, truth from the priors", ("tetrad",), 30, (5,) * 4),
    Case("4 pairs of 5 tetrads of 30, centre 1, .5 between, .1 within", ("tetrad",), 30, (5,) * 4, (1.0, 0.5, 0.1)),
    Case(
        "the same with the prior of the spreads twice as wide",
        ("tetrad",),
        30,
        (5,) * 4,
        (1.0, 0.5, 0.1),
        ms.Priors(spread_scale=2 * PRIORS.spread_scale),
    ),
    Case("16 pairs of 2 tetrads of 30, centre 1, .5 between, .1 within", ("tetrad",), 30, (2,) * 16, (1.0, 0.5, 0.1)),
    Case(
        "6 pairs of 3 triangles of 30, centre .8, .2 between, .2 within", ("triangle",), 30, (3,) * 6, (0.8, 0.2, 0.2)
    ),
)


def posteriors(case: Case, rng: np.random.Generator) -> dict[str, tuple[Distribution, float]]:
    """Simulate and analyse one set of panels: of each quantity, its posterior and the truth."""
    scale = case.priors.spread_scale / np.sqrt(2)
    mu, between, within = case.truth or (
        rng.normal(0, case.priors.centre_scale),
        abs(rng.normal(0, scale)),
        abs(rng.normal(0, scale)),
    )
    mu = mu if case.directed else abs(mu)
    pair = np.repeat(np.arange(len(case.pairs)), case.pairs)
    phi = rng.normal(mu, between, len(case.pairs))
    theta = rng.normal(phi[pair], within)
    tests = [protocol(case.protocols[i % len(case.protocols)]) for i in range(len(theta))]
    correct = []
    for test, d in zip(tests, theta, strict=True):
        assert isinstance(test, Protocol)
        correct.append(rng.binomial(case.tastings, float(test.p_correct(np.array([d]))[0])))
    table = pd.DataFrame(
        {
            "panel": [f"P{i}" for i in range(len(theta))],
            "protocol": [test.name for test in tests],
            "tastings": case.tastings,
            "correct": correct,
            "batch_pair": [f"pair {k}" for k in pair],
        }
    )
    nested = ms.pool(table, within="batch_pair", priors=case.priors)
    there = nested.on("pair 0")
    total = float(np.hypot(between, within))
    average = float(average_d_prime(np.array([mu]), np.array([total]))[0])
    return {
        "average": (nested.average, average),
        "plain pool's average": (nested.plain.average, average),
        "between": (nested.between, between),
        "within": (nested.spread_within, within),
        "next, new pair": (nested.next_d_prime, abs(rng.normal(mu, total))),
        "average, known pair": (there.average, float(average_d_prime(phi[:1], np.array([within]))[0])),
        "next, known pair": (there.next_d_prime, abs(rng.normal(phi[0], within))),
    }


def one(case: Case, rng: np.random.Generator) -> dict[str, bool]:
    """Which 95 % intervals of one simulated set hold the truth."""
    found = {name: (*value.interval(), truth) for name, (value, truth) in posteriors(case, rng).items()}
    return {name: bool(low <= truth <= high) for name, (low, high, truth) in found.items()}


def study(case: Case, sets: int, seed: int = 1) -> dict[str, object]:
    """Coverage of each quantity."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame([one(case, rng) for _ in range(sets)])
    return {"panels": case.name, "sets": sets} | {name: float(frame[name].mean()) for name in QUANTITIES}


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 600
    rows = []
    for case in CASES:
        rows.append(study(case, sets))
        print(pd.DataFrame(rows[-1:]).to_string(index=False, header=len(rows) == 1), flush=True)
    print(f"Monte Carlo standard error at 95 %: {np.sqrt(0.95 * 0.05 / sets):.3f}")
