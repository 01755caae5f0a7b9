"""How often answers are right when the truth is fixed: coverage, the warning of the fit check, and wrong verdicts.

A credible interval promises 95 % on average over its prior, not at every truth. Two places are known where it does not
get there: with nothing to taste at all the equal-tailed interval of a positive average never reaches 0 (which is why no
interval is read as "above 0"), and half the panels at 0 with the rest far above is a mixture that no normal spread
imitates: the average comes out too high, and a next panel at exactly 0 lies in no interval. There the check of fit is
meant to warn, and its mixture to do better. It can do so only if the panels can tell 0 from 1.5: twelve tetrads of 60
can, twelve triangles of 30 mostly cannot.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

import metasense as ms
from metasense.core.answers import Verdict
from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Counts
from metasense.engine.posterior import Posterior
from metasense.engine.spreads import average_d_prime
from metasense.protocols import forced_choice

PRIORS = ms.Priors()
TRUTHS: dict[str, tuple[float, float]] = {  # two halves, or centre and spread
    "nothing to taste": (0.0, 0.0),
    "one d-prime, 0.5": (0.5, 0.0),
    "one d-prime, 1": (1.0, 0.0),
    "one d-prime, 2": (2.0, 0.0),
    "centre 0.5, spread 0.3": (0.5, 0.3),
    "centre 1, spread 0.3": (1.0, 0.3),
    "centre 1, spread 0.6": (1.0, 0.6),
    "half 0, half 1.5": (0.0, 1.5),
}
DESIGNS = (("triangle", 12, 30), ("tetrad", 12, 60))
MARGIN = 1.0  # d-prime
SIZES = (1, 3, 6, 12)  # panels
RATIOS = (0.0, 0.5, 0.8, 0.95, 1.05, 1.25, 1.5, 2.0)  # of the true average to the margin


def own_d_primes(truth: str, panels: int, rng: np.random.Generator) -> np.ndarray:
    """The panels' own d-primes; an odd number of panels has the smaller half at the larger value."""
    a, b = TRUTHS[truth]
    if truth.startswith("half"):
        return np.where(np.arange(panels) % 2 == 0, a, b)
    return np.abs(rng.normal(a, b, panels))


def average_of(truth: str) -> float:
    """The true average d-prime."""
    a, b = TRUTHS[truth]
    return (a + b) / 2 if truth.startswith("half") else float(average_d_prime(np.array(a), np.array(b)))


def integrated(test: str, tastings: int, d: np.ndarray, rng: np.random.Generator) -> tuple[list[int], Posterior, float]:
    """Counts of panels with these d-primes, their pooled posterior, and P(nothing to taste) at even odds."""
    kind = forced_choice(test)
    correct = [int(kind.simulate(one, tastings, rng).sum()) for one in d]
    values, copies = np.unique(correct, return_counts=True)
    panels = [Counts(kind, tastings, int(x)) for x in values]
    posterior, logs = grid.integrate(panels, [int(c) for c in copies], PRIORS)
    weights = np.exp(np.array([logs.none, logs.same, logs.varying]) - max(logs.none, logs.same, logs.varying))
    return correct, posterior, float(weights[0] / weights.sum())


def coverage(truth: str, test: str, panels: int, tastings: int, *, sets: int, checked: int, seed: int = 1) -> dict:
    """Coverage of the 95 % intervals, bias, and (in the first `checked` sets) how often the check of fit warns."""
    rng, target = np.random.default_rng(seed), average_of(truth)
    rows = []
    for i in range(sets):
        d = own_d_primes(truth, panels, rng)
        correct, posterior, none = integrated(test, tastings, d, rng)
        following = float(rng.permutation(own_d_primes(truth, 2, rng))[0])
        row = {
            "average": holds(posterior.average, target),
            "next panel": holds(posterior.next_d_prime, following),
            "bias": posterior.average.median - target,
            "P(none)": none,
        }
        if i < checked:
            names = [f"P{k}" for k in range(panels)]
            fit = ms.pool({"panel": names, "protocol": test, "tastings": tastings, "correct": correct}).fit()
            row |= {"warned": bool(fit.warnings), "by mixture": holds(fit.mixture.average, target)}
            row["bias of mixture"] = fit.mixture.average.median - target
        rows.append(row)
    design = {"truth": truth, "panels": f"{panels} x {test} of {tastings}", "sets": sets, "checked": checked}
    return design | pd.DataFrame(rows).astype(float).mean().to_dict()


def verdicts(ratio: float | None, test: str, panels: int, tastings: int, *, sets: int, seed: int = 1) -> pd.DataFrame:
    """The verdict on each simulated set beside the true average; ratio None draws the truth from the prior."""
    rng, margin, rows = np.random.default_rng(seed), ms.Margin(d_prime=MARGIN), []
    for _ in range(sets):
        if ratio is None:
            mu, tau = abs(rng.normal(0, PRIORS.centre_scale)), abs(rng.normal(0, PRIORS.spread_scale))
        else:
            mu, tau = _centre_of(ratio * MARGIN)
        posterior = integrated(test, tastings, rng.normal(mu, tau, panels), rng)[1]
        rows.append((float(average_d_prime(np.array(mu), np.array(tau))), Verdict.of(posterior.average, margin).label))
    return pd.DataFrame(rows, columns=["average", "verdict"])


def _centre_of(average: float) -> tuple[float, float]:
    """Centre and spread of panels with this average d-prime: the spread is 0.2, or as much as the average allows."""
    tau = min(0.2, 0.9 * average * np.sqrt(np.pi / 2))
    low, high = 0.0, average
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if average_d_prime(np.array(middle), np.array(tau)) < average else (low, middle)
    return (low + high) / 2, tau


def wrong_verdicts(test: str, panels: int, tastings: int, *, sets: int) -> list[dict]:
    """Shares of each verdict at fixed truths, and among all verdicts given when truths come from the prior."""
    rows = []
    for ratio in RATIOS:
        said = verdicts(ratio, test, panels, tastings, sets=sets)["verdict"]
        rows.append({"true average": f"{ratio:g} of the margin", "sets": sets} | _shares(said))
    drawn = verdicts(None, test, panels, tastings, sets=10 * sets)
    within = drawn["average"] < MARGIN
    beyond_said, within_said = (drawn["verdict"] == f"{side} the margin" for side in ("beyond", "within"))
    wrong = {"beyond": (beyond_said & within).sum() / max(beyond_said.sum(), 1)}
    wrong["within"] = (within_said & ~within).sum() / max(within_said.sum(), 1)
    rows.append(
        {"true average": "from the prior", "sets": len(drawn)}
        | _shares(drawn["verdict"])
        | {f"wrong of {k}": v for k, v in wrong.items()}
    )
    return [{"panels": f"{panels} x {test} of {tastings}"} | row for row in rows]


def _shares(said: pd.Series) -> dict[str, float]:
    return {side: float((said == f"{side} the margin").mean()) for side in ("beyond", "within")}


def holds(value: Distribution, truth: float) -> bool:
    """Whether the 95 % interval does."""
    low, high = value.interval()
    return low <= truth <= high
