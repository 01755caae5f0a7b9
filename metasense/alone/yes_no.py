"""Two counts of yes, one for each product: Fisher's exact test, and the profile interval of the d-prime behind them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, gammaln, xlogy

from metasense.alone.beliefs import REACH
from metasense.protocols import TwoCountProtocol

Array = NDArray[np.float64]

MOST_TABLES = 20_000_000  # pairs of hits and of yes in all that power goes through


def binomial_chances(n: int, p: float) -> Array:
    x = np.arange(n + 1)
    return np.exp(gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1) + xlogy(x, p) + xlogy(n - x, 1 - p))


def tables_with(signal: int, noise: int, yes: int) -> tuple[Array, Array]:
    """Hits in tables with so many `yes` in all, and log probabilities if products are alike, up to a constant.

    Hits further than 40 standard deviations and 400 from the mean are left out: less likely than any float can say.
    """
    share = signal / (signal + noise)
    far = 40 * np.sqrt(yes * share * (1 - share)) + 400
    hits = np.arange(
        max(0, yes - noise, int(yes * share - far)), min(signal, yes, int(yes * share + far)) + 1, dtype=float
    )
    alarms = yes - hits
    log = gammaln(hits + 1) + gammaln(signal - hits + 1) + gammaln(alarms + 1) + gammaln(noise - alarms + 1)
    return hits, -log


def fisher(signal: int, noise: int, totals: NDArray[np.int64]) -> Array:
    """One-sided p of every table with so many yes in all: entry (which total, hits), shape (totals, signal + 1)."""
    hits = np.arange(signal + 1)
    alarms = totals[:, None] - hits
    inside = (alarms >= 0) & (alarms <= noise)
    f = np.clip(alarms, 0, noise)
    log = -gammaln(hits + 1) - gammaln(signal - hits + 1) - gammaln(f + 1) - gammaln(noise - f + 1)
    log = np.where(inside, log, -np.inf)
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    above = np.cumsum(weight[:, ::-1], axis=1)[:, ::-1]
    return above / above[:, :1]


def profile_d_prime(test: TwoCountProtocol, counts: tuple[int, int, int, int], prob: float) -> tuple[float, float]:
    signal, hits, noise, alarms = counts

    def best(d: Array) -> Array:
        """Highest log likelihood over the criterion at each d-prime, by closing in on it."""
        lower, upper = (np.full(d.shape, -9.0) + np.minimum(d, 0), 9 + np.maximum(d, 0))
        if not test.directed:
            lower = np.full(d.shape, 0.0)
        grid = np.linspace(0, 1, 41)
        for _ in range(9):
            c = lower[:, None] + (upper - lower)[:, None] * grid
            hit, alarm = (np.clip(p, 1e-300, 1 - 1e-16) for p in test.rates(d[:, None], c))
            value = hits * np.log(hit) + (signal - hits) * np.log1p(-hit)
            value = value + alarms * np.log(alarm) + (noise - alarms) * np.log1p(-alarm)
            at, rows = value.argmax(axis=1), np.arange(len(d))
            lower, upper = c[rows, np.maximum(at - 1, 0)], c[rows, np.minimum(at + 1, 40)]
        return value.max(axis=1)

    low, high = (-REACH if test.directed else 0.0), REACH
    axis = np.linspace(low, high, 281)
    cut = best(axis).max()
    peak = test.estimate(*counts).d_prime
    if np.isfinite(peak):
        cut = max(cut, float(best(np.array([peak]))[0]))
    cut -= chdtri(1, 1 - prob) / 2
    inside = np.flatnonzero(best(axis) >= cut)
    centre = (
        float(np.clip(peak, low, high))
        if np.isfinite(peak) or not len(inside)
        else float(axis[inside[len(inside) // 2]])
    )
    ends = np.array([axis[inside[0]], axis[inside[-1]]]) if len(inside) else np.array([centre, centre])
    outside = np.clip(ends + np.array([-0.1, 0.1]), low, high)
    near, far = ends.copy(), outside.copy()
    whole = best(far) >= cut
    for _ in range(40):
        middle = (near + far) / 2
        holds = best(middle) >= cut
        near, far = np.where(holds, middle, near), np.where(holds, far, middle)
    lower, upper = np.where(whole, outside, near)
    return (-np.inf if lower <= -REACH else float(lower)), (np.inf if upper >= REACH else float(upper))
