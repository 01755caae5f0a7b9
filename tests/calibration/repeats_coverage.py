"""How often 95 % intervals hold the truth when a few people taste often: tasters kept apart, or counted as a crowd.

Run ``python tests/calibration/repeats_coverage.py [runs]`` for the tables. Every design has 36 triangle answers each:
36 people once, 12 three times, 6 six times, 4 nine times. Tasters are either all-or-nothing (each is always right, or
guesses; overdispersion 1) or graded (overdispersion 0.3). The wrong way counts every answer as another person's; its
prior is the same, so that the counting is all that differs.

First one panel by itself with a p_d of 0.3 and a flat prior on p_d. Then three panels pooled: the average d-prime with
tasters kept apart, the same model with every answer another person's, and, cruder still, all answers added up as if
they were one panel.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Counts, Evidence, Repeats
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import forced_choice

TRIANGLE = forced_choice("triangle")
DESIGNS = ((36, 1), (12, 3), (6, 6), (4, 9))  # people, tastings each
KINDS = {"all-or-nothing": 1.0, "graded": 0.3}  # overdispersion
P_D = 0.3  # of the single panel
MARGIN = 0.3  # a panel is wrongly called similar if P(p_d < margin) > 95 %
PANELS = 3  # of a pool
TRUTHS = ((1.0, 0.3), (1.63, 0.0))  # centre and spread of their d-primes; 1.63 is a triangle p_d of 0.3


def answers(p_d: float, people: int, each: int, gamma: float, rng: np.random.Generator) -> np.ndarray:
    """Correct answers of each person, shape (people,)."""
    if gamma == 1:
        rate = (rng.random(people) < p_d).astype(float)
    else:
        prior = (1 - gamma) / gamma
        rate = rng.beta(prior * p_d, prior * (1 - p_d), people) if 0 < p_d < 1 else np.full(people, p_d)
    return rng.binomial(each, TRIANGLE.guess + (1 - TRIANGLE.guess) * rate)


def kept_apart(correct: np.ndarray, each: int) -> Evidence:
    """The panel as what it is."""
    values, tasters = np.unique(correct, return_counts=True)
    return Repeats(TRIANGLE, tuple((each, int(y), int(m)) for y, m in zip(values, tasters, strict=True)))


def as_a_crowd(correct: np.ndarray, each: int) -> Evidence:
    """The panel as if every answer came from another person."""
    return Counts(TRIANGLE, each * len(correct), int(correct.sum()))


RATES = np.linspace(0, 1, 401)


def alone(panel: Evidence) -> Distribution:
    """Posterior of the p_d of one panel with a flat prior on p_d, the overdispersion integrated out."""
    d = np.minimum(TRIANGLE.d_prime_from_p_d(RATES), 14.0)
    gammas, weights = grid.overdispersions([panel])
    likelihood = sum(w * np.exp(panel.log_likelihood(d, float(g))) for g, w in zip(gammas, weights, strict=True))
    return Distribution.from_density(RATES, likelihood)


def one_panel(runs: int, seed: int = 1, designs: tuple = DESIGNS) -> pd.DataFrame:
    """Coverage of the p_d of one panel, and how often it is wrongly called similar."""
    rng, rows, known = np.random.default_rng(seed), [], {}
    for kind, gamma in KINDS.items():
        for people, each in designs:
            hits = np.zeros(6)
            for _ in range(runs):
                correct = answers(P_D, people, each, gamma, rng)
                both = []
                for panel in (kept_apart(correct, each), as_a_crowd(correct, each)):
                    if panel not in known:
                        posterior = alone(panel)
                        known[panel] = (*posterior.interval(), posterior.below(MARGIN) > 0.95)
                    both.append(known[panel])
                hits += [
                    *(_holds(answer[:2], P_D) for answer in both),
                    *(answer[2] for answer in both),
                    *(answer[1] - answer[0] for answer in both),
                ]
            rows.append([kind, f"{people} x {each}", *(hits / runs)])
    return pd.DataFrame(rows, columns=_named("coverage", "called similar", "mean width"))


def pool_of_panels(runs: int, seed: int = 2, designs: tuple = DESIGNS[1:], truths: tuple = TRUTHS) -> pd.DataFrame:
    """Coverage of the average d-prime behind several panels, three ways."""
    rng, rows, priors = np.random.default_rng(seed), [], Priors()
    for kind, gamma in KINDS.items():
        for people, each in designs:
            for mu, tau in truths:
                truth, hits = float(average_d_prime(np.array(mu), np.array(tau))), np.zeros(5)
                for _ in range(runs):
                    d = np.abs(rng.normal(mu, tau, PANELS))
                    correct = [answers(float(p), people, each, gamma, rng) for p in TRIANGLE.p_d(d)]
                    found = [
                        grid.integrate([way(x, each) for x in correct], [1] * PANELS, priors)[0].average.interval()
                        for way in (kept_apart, as_a_crowd)
                    ]
                    crowd = alone(as_a_crowd(np.concatenate(correct), each)).interval()
                    found.append(tuple(TRIANGLE.d_prime_from_p_d(np.array(crowd)).tolist()))
                    hits += [*(_holds(i, truth) for i in found), *(i[1] - i[0] for i in found[:2])]
                rows.append([kind, f"{people} x {each}", mu, tau, *(hits / runs)])
                print(*rows[-1], file=sys.stderr, flush=True)
    ways = ["kept apart", "wrong way", "added up"]
    names = ["tasters", "people x tastings", "centre", "spread", *ways, "mean width", "mean width, wrong way"]
    return pd.DataFrame(rows, columns=names)


def _named(*columns: str) -> list[str]:
    return ["tasters", "people x tastings", *(f"{c}{w}" for c in columns for w in ("", ", wrong way"))]


def _holds(interval: tuple[float, float], truth: float) -> bool:
    return interval[0] <= truth <= interval[1]


if __name__ == "__main__":
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    error = 100 * (0.0475 / size) ** 0.5
    print(f"One panel, true p_d {P_D}: coverage of its p_d, {10 * size} runs a row")
    print(one_panel(10 * size).round(3).to_string(index=False))
    print(f"\n{PANELS} panels: coverage of the average d-prime, {size} runs a row")
    print(f"(standard error of a coverage of 95 %: {error:.1f} points)")
    print(pool_of_panels(size).round(3).to_string(index=False))
