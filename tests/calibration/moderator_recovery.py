"""How often a moderator's 95 % intervals hold the truth, for panels simulated from a known slope.

Run with ``python tests/calibration/moderator_recovery.py [sets]``. In the first designs the truth is drawn anew from
the priors for every set of panels, so coverage must be 95 % up to Monte Carlo error whatever the design; in the last
ones it is fixed, which shows what the priors do to a plausible truth. Answers are drawn by each protocol's chance at
the panel's own d-prime.
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
QUANTITIES = ("effect", "average there", "next panel there")


@dataclass(frozen=True)
class Case:
    """Panels, and where the truth comes from."""

    name: str
    protocols: tuple[str, ...]
    tastings: int
    values: tuple[object, ...]
    through_zero: bool = False
    truth: tuple[float, float, float] | None = None  # centre, slope per SD (or largest effect), spread

    @property
    def numeric(self) -> bool:
        return not isinstance(self.values[0], str)

    @property
    def directed(self) -> bool:
        return any(protocol(name).directed for name in self.protocols)


WEEKS = tuple(float(w) for w in (1, 2, 3, 4, 6, 6, 8, 8, 12, 12))
CASES = (
    Case("10 triangles of 30, truth from the priors", ("triangle",), 30, WEEKS),
    Case("8 tetrads of 24, truth from the priors", ("tetrad",), 24, (1.0, 1.0, 2.0, 3.0, 5.0, 8.0, 8.0, 9.0)),
    Case(
        "12 of three protocols, one directed, truth from the priors",
        ("triangle", "duo-trio", "2-AFC"),
        28,
        (*WEEKS, 4.0, 7.0),
    ),
    Case("10 triangles of 30, dose through zero, truth from the priors", ("triangle",), 30, WEEKS, through_zero=True),
    Case("9 triangles of 30 in three categories, truth from the priors", ("triangle",), 30, tuple("aaabbbccc")),
    Case(
        "12 triangles of 30, centre 1, slope .4, spread .2",
        ("triangle",),
        30,
        (*WEEKS, 4.0, 7.0),
        truth=(1.0, 0.4, 0.2),
    ),
    Case("12 tetrads of 30, centre 1, no slope, spread .3", ("tetrad",), 30, (*WEEKS, 4.0, 7.0), truth=(1.0, 0.0, 0.3)),
    Case(
        "12 2-AFCs of 30, centre .8, slope -.3, spread .2", ("2-AFC",), 30, (*WEEKS, 4.0, 7.0), truth=(0.8, -0.3, 0.2)
    ),
)


def centres(case: Case, rng: np.random.Generator) -> tuple[np.ndarray, float, float]:
    """The true centre of each panel, the true effect, and the true spread."""
    fixed = case.truth
    tau = fixed[2] if fixed else abs(rng.normal(0, PRIORS.spread_scale))
    mu = fixed[0] if fixed else rng.normal(0, PRIORS.centre_scale)
    mu = mu if case.directed else abs(mu)
    if not case.numeric:
        names = sorted(set(map(str, case.values)))
        effects = dict(zip(names, mu + rng.normal(0, PRIORS.slope_scale, len(names)), strict=True))
        change = average_d_prime(np.array([effects["b"]]), np.array([tau])) - average_d_prime(
            np.array([effects["a"]]), np.array([tau])
        )
        return np.array([effects[str(v)] for v in case.values]), float(change[0]), tau
    x = np.array(case.values, float)
    if case.through_zero:
        unit = float(np.sqrt(np.mean(x**2)))
        return mu * x / unit, mu / unit, tau
    z = (x - x.mean()) / x.std()
    beta = fixed[1] if fixed else rng.normal(0, PRIORS.slope_scale)
    while not fixed and not case.directed and (mu + beta * z < 0).any():  # the side of 0 is not in undirected panels
        mu, beta = abs(rng.normal(0, PRIORS.centre_scale)), rng.normal(0, PRIORS.slope_scale)
    return mu + beta * z, float(beta / x.std()), tau


def posteriors(case: Case, rng: np.random.Generator) -> dict[str, tuple[Distribution, float]]:
    """Simulate and analyse one set of panels: of each quantity, its posterior and the truth."""
    centre, effect, tau = centres(case, rng)
    theta = rng.normal(centre, tau)
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
            "x": list(case.values),
        }
    )
    moderated = ms.pool(table, moderators="x", through_zero="x" if case.through_zero else None)
    last = case.values[-1]
    there = moderated.at(x=last)
    found = {
        "effect": moderated.slope() if case.numeric else moderated.change("x", "a", "b"),
        "average there": there.average,
        "next panel there": there.next_d_prime,
    }
    truths = {
        "effect": effect,
        "average there": float(average_d_prime(centre[-1:], np.array([tau]))[0]),
        "next panel there": abs(rng.normal(centre[-1], tau)),
    }
    return {name: (value, truths[name]) for name, value in found.items()}


def one(case: Case, rng: np.random.Generator) -> dict[str, bool]:
    """Which 95 % intervals of one simulated set hold the truth."""
    found = {name: (*value.interval(), truth) for name, (value, truth) in posteriors(case, rng).items()}
    return {name: bool(low <= truth <= high) for name, (low, high, truth) in found.items()}


def study(case: Case, sets: int, seed: int = 1) -> dict[str, object]:
    """Coverage of the three quantities."""
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
