"""Evidences and quantiles of averaged answers, of *some* and of heavier tails against plain sums (`brute.py`).

Evidences agree to 1e-5, quantiles to a thousandth of their standard deviation, on pools that are ordinary, mixed and
directed, and on extremes: everybody right, everybody guessing, one taster, two thousand, one panel, twelve.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from engine.brute import Panel, Sums, chances

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.engine.tails import average_under_tails
from metasense.protocols import protocol
from metasense.questions.some import EVEN


def panels(name: str, *counts: tuple[int, int]) -> list[Panel]:
    """Panels of one protocol."""
    return [Panel(name, tastings, correct) for tastings, correct in counts]


def alike(name: str, tastings: int, *correct: int) -> list[Panel]:
    """Panels of one size."""
    return panels(name, *((tastings, x) for x in correct))


POOLS = {
    "four triangles near guessing": alike("triangle", 40, 13, 12, 15, 13),
    "one panel": alike("triangle", 40, 20),
    "one answer": alike("triangle", 1, 1),
    "all right": alike("tetrad", 20, *[20] * 6),
    "all at guessing": alike("triangle", 24, *[8] * 6),
    "below guessing": alike("triangle", 30, 10, 9, 10, 8, 10, 7),
    "far below guessing": panels("triangle", (30, 2), (24, 3), (30, 12)),
    "panels of one": alike("triangle", 1, 1, 0, 1, 1, 0, 0, 1, 0),
    "2,000 tastings each": alike("tetrad", 2000, 990, 1000, 984, 996),
    "2,000 in one of six": [
        *alike("tetrad", 2000, 900),
        *panels("triangle", (24, 9), (30, 14), (20, 9)),
        Panel("duo-trio", 24, 15),
        Panel("tetrad", 24, 12),
    ],
    "2,000 each, half nothing": alike("triangle", 2000, 660, 1100, 672, 1080),
    "half nothing": alike("triangle", 30, 10, 22, 9, 24, 11, 23),
    "twelve tetrads, half nothing": alike("tetrad", 60, 20, 41, 19, 22, 44, 38, 21, 18, 40, 20, 43, 37),
    "twelve alike": alike("triangle", 24, 10, 11, 9, 12, 10, 11, 10, 9, 12, 10, 11, 8),
    "one wild panel": alike("triangle", 30, 11, 12, 10, 12, 11, 30),
    "four protocols": [
        Panel("triangle", 24, 11),
        Panel("duo-trio", 30, 19),
        Panel("tetrad", 24, 10),
        Panel("triangle", 36, 15),
    ],
    "directed": panels("2-AFC", (24, 17), (30, 22), (20, 13)),
    "directed, the other way": [*panels("2-AFC", (40, 10), (36, 12)), Panel("3-AFC", 30, 5)],
    "directed, both ways": panels("2-AFC", (40, 33), (40, 9), (30, 15)),
    "directed and not": [
        Panel("2-AFC", 24, 18),
        Panel("3-AFC", 30, 18),
        Panel("triangle", 24, 12),
        Panel("tetrad", 30, 9),
    ],
}
QUICK = ("one answer", "one panel", "all right")
LEVELS = (0.025, 0.25, 0.5, 0.75, 0.975)


def off(found: Distribution, below: Callable[[float], float], levels: tuple[float, ...], atom: float = np.nan) -> float:
    """The largest error of a quantile, in standard deviations; where there is an atom, it is not to be smoothed."""
    worst, sd = 0.0, found.sd
    for level in levels:
        value = float(found.quantile(level))
        if abs(value - atom) < 1e-9:
            assert below(value + 1e-9) >= level - 1e-6
            continue
        reach = 0.02 * sd
        if atom < value < atom + reach:
            reach = (value - atom) / 2
        density = (below(value + reach) - below(value - reach)) / (2 * reach)
        worst = max(worst, abs(below(value) - level) / density / sd)
    return worst


def compare(
    name: str, levels: tuple[float, ...] = LEVELS, pieces: int = 12
) -> tuple[dict[str, float], dict[str, float]]:
    """Errors of log evidences and probabilities, and of quantiles."""
    given = POOLS[name]
    columns = {"protocol": [p.protocol for p in given], "tastings": [p.tastings for p in given]}
    names = [f"P{i}" for i in range(len(given))]
    pooled = ms.pool({"panel": names, **columns, "correct": [p.correct for p in given]})
    core, some, averaged = pooled.core, pooled.some(), pooled.averaged(EVEN)
    sums = Sums(given, pieces=pieces)
    log_none, (log_same, d, _), (log_varying, varying), (log_some, _) = (
        float(sums.none @ sums.copies), sums.same, sums.varying, sums.some
    )  # fmt: skip
    logs = np.array([log_none, log_same, log_varying, log_some])
    none, same, apart, partly = np.exp(logs - logs.max()) / np.exp(logs - logs.max()).sum()
    absent = 1 - sums.something.total

    def some_next(value: float) -> float:
        return absent * (value >= 0) + sums.something.next_below(value)

    def average(value: float) -> float:
        one = sums.same_below(np.abs(d), value)
        several = apart * varying.average_below(value) + partly * sums.some_below(value)
        return none * (value >= 0) + same * one + several

    def following(value: float) -> float:
        one = sums.same_below(np.abs(d), value)
        return none * (value >= 0) + same * one + apart * varying.next_below(value) + partly * some_next(value)

    test = protocol(given[0].protocol)
    guess = float(chances(test.name, np.zeros(1))[0][0])
    of_one = chances(test.name, d if sums.directed and test.directed else np.abs(d))[0]
    of_several = sums.rates(test.name)
    without = np.array([none, same, apart]) / (none + same + apart)

    def rate(value: float) -> float:
        known = without[1] * sums.same_below(of_one, value) + without[2] * varying.below(of_several, value)
        return without[0] * (value >= guess - 1e-12) + known

    tailed = Sums(given, tails=True, pieces=pieces)
    found, log_tails = average_under_tails(core.collected.evidence, core.collected.copies, core.priors)
    order = [sums.panels.index(panel) for panel in given]
    evidences = {
        "none": core.evidences.none - log_none,
        "same": core.evidences.same - log_same,
        "varying": core.evidences.varying - log_varying,
        "some": some.posterior.log_evidence - log_some,
        "heavier tails": log_tails - tailed.varying[0],
        "explanations": np.abs(averaged.probability - [none, same, apart, partly]).max(),
        "next has nothing": some.posterior.next_nothing - absent,
        "panels have nothing": np.abs(some.panels_frame()["p_nothing"] - sums.panels_nothing[order]).max(),
    }
    quantiles = {
        "average": off(core.average, varying.average_below, levels),
        "next panel": off(core.next_d_prime, varying.next_below, levels),
        "some: share with nothing": off(some.nothing, sums.share_below, levels),
        "some: average": off(some.average, sums.some_below, levels),
        "some: next panel": off(some.next_d_prime, some_next, levels, 0.0),
        "averaged: average": off(averaged.average, average, levels, 0.0),
        "averaged: next panel": off(averaged.next_d_prime, following, levels, 0.0),
        "averaged: rate": off(pooled.averaged().rate(test).p_c, rate, levels, guess),
        "heavier tails: average": off(found, tailed.varying[1].average_below, levels),
    }
    return evidences, quantiles


def check(evidences: dict[str, float], quantiles: dict[str, float]) -> None:
    """Within what is asked."""
    assert {key: value for key, value in evidences.items() if not abs(value) < 1e-5} == {}
    assert {key: value for key, value in quantiles.items() if not value < 1e-3} == {}


@pytest.mark.lab
@pytest.mark.parametrize("name", QUICK)
def test_a_few_pools_are_those_of_plain_sums(name):
    check(*compare(name, (0.025, 0.5), pieces=8))


@pytest.mark.slow
@pytest.mark.parametrize("name", POOLS)
def test_every_pool_is_that_of_plain_sums(name):
    check(*compare(name))


def test_the_next_panel_of_panels_alike_has_no_blur():
    # 2 of 40 at 13: nodes far apart leave a comb in the next panel's density, which must not be smoothed away
    same = [Panel("triangle", 40, 13)] * 2
    frame = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 40, "correct": 13}
    posterior = ms.pool(frame).some().posterior
    sums = Sums(same, pieces=8)
    for value in (0.2, 0.5, 1.0):
        expected = sums.something.next_below(value) / sums.something.total
        assert posterior.next_something.below(value) == pytest.approx(expected, abs=1e-5)


if __name__ == "__main__":  # the largest errors of all pools
    import pandas as pd

    found = {name: compare(name) for name in POOLS}
    for part in (0, 1):
        frame = pd.DataFrame({name: errors[part] for name, errors in found.items()}).abs()
        print(pd.DataFrame({"largest": frame.max(axis=1), "where": frame.idxmax(axis=1)}).to_string(), "\n")
