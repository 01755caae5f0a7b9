"""Exact binomial arithmetic for one panel: tails, critical numbers, similarity limits, exact and profile intervals.

Everything here is about a count of correct answers ``x`` out of ``n`` when each answer is correct with chance ``p``. It
knows no protocol; its callers bring the guess rate. Tails are regularised incomplete
beta functions, so they are exact for any ``n``, never a normal approximation. All functions broadcast like NumPy's own.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincc, betaincinv, chdtri, gammaln, ndtri, xlogy

_SLACK = 1 + 1e-12  # a tail equal to the risk in exact arithmetic counts as meeting it


def at_least(x: ArrayLike, n: ArrayLike, p: ArrayLike) -> np.ndarray:
    """Chance of `x` or more correct of `n`.

    Examples
    --------
    >>> at_least(13, 24, 1 / 3).round(4)  # 13 of 24 or more, all guessing in a triangle test
    np.float64(0.0284)
    """
    x, n = np.asarray(x, float), np.asarray(n, float)
    tail = betainc(np.clip(x, 1, np.maximum(n, 1)), np.maximum(n - x, 0) + 1, p)
    return np.where(x <= 0, 1.0, np.where(x > n, 0.0, tail))[()]


def at_most(x: ArrayLike, n: ArrayLike, p: ArrayLike) -> np.ndarray:
    """Chance of `x` or fewer correct of `n`; kept apart from ``1 - at_least`` so that a tiny tail keeps its digits.

    Examples
    --------
    >>> at_most(3, 21, 1 / 3).round(3)
    np.float64(0.046)
    """
    x, n = np.asarray(x, float), np.asarray(n, float)
    tail = betaincc(np.maximum(x, 0) + 1, np.maximum(n - x, 1), p)
    return np.where(x < 0, 0.0, np.where(x >= n, 1.0, tail))[()]


def smallest_count(n: ArrayLike, p: ArrayLike, risk: ArrayLike) -> np.ndarray:
    """Smallest ``x`` with ``P(X >= x | p) <= risk``: ``n + 1`` where not even ``n`` of ``n`` is rare enough.

    Starts at the normal approximation and steps, all numbers together, until the exact tails are right on both sides.

    Examples
    --------
    >>> smallest_count([12, 24, 36], 1 / 3, 0.05)
    array([ 8, 13, 18])
    """
    shape = np.broadcast_shapes(np.shape(n), np.shape(p), np.shape(risk))
    n, p, risk = (np.broadcast_to(np.asarray(value, float), shape).ravel() for value in (n, p, risk))
    x = np.clip(np.ceil(n * p - ndtri(risk) * np.sqrt(n * p * (1 - p)) + 0.5), 0, n + 1)
    limit, todo = risk * _SLACK, np.ones(x.shape, bool)
    while todo.any():
        at, of, chance, rare = x[todo], n[todo], p[todo], limit[todo]
        common = at_least(at, of, chance) > rare
        still_rare = (at > 0) & (at_least(at - 1, of, chance) <= rare)
        step = np.where(common, 1, np.where(still_rare, -1, 0))
        x[todo] = at + step
        todo[todo] = step != 0
    return x.astype(int).reshape(shape)[()]


def largest_count(n: ArrayLike, p: ArrayLike, risk: ArrayLike) -> np.ndarray:
    """Largest ``x`` with ``P(X <= x | p) <= risk``: ``-1`` where not even none correct is rare enough.

    Examples
    --------
    >>> largest_count(36, 1 / 3 + 0.3 * 2 / 3, 0.05)
    np.int64(13)
    """
    return np.asarray(n, int) - smallest_count(n, 1 - np.asarray(p, float), risk)  # counts the wrong answers instead


def exact_interval(x: ArrayLike, n: ArrayLike, prob: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Clopper-Pearson limits of the chance of a correct answer: each tail holds at most half of ``1 - prob``.

    References
    ----------
    Clopper CJ, Pearson ES (1934). Biometrika 26(4), 404-413.

    Examples
    --------
    >>> [round(float(limit), 4) for limit in exact_interval(10, 24)]
    [0.2211, 0.6336]
    """
    x, n = np.asarray(x, float), np.asarray(n, float)
    tail = (1 - prob) / 2
    with np.errstate(invalid="ignore"):
        lower = np.where(x > 0, betaincinv(np.maximum(x, 1), n - x + 1, tail), 0.0)
        upper = np.where(x < n, betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail), 1.0)
    return lower[()], upper[()]


def log_likelihood(x: ArrayLike, n: ArrayLike, p: ArrayLike) -> np.ndarray:
    """Binomial log likelihood of `p` without its constant; ``0 log 0`` is 0."""
    x, n, p = np.asarray(x, float), np.asarray(n, float), np.asarray(p, float)
    return xlogy(x, p) + xlogy(n - x, 1 - p)


def log_chance(x: ArrayLike, n: ArrayLike, p: ArrayLike) -> np.ndarray:
    """Log probability of exactly `x` correct of `n`.

    >>> round(float(np.exp(log_chance(1, 2, 0.5))), 12)
    0.5
    """
    x, n = np.asarray(x, float), np.asarray(n, float)
    ways = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
    return np.asarray(ways + log_likelihood(x, n, p))


def profile_interval(
    x: ArrayLike, n: ArrayLike, prob: float = 0.95, *, floor: ArrayLike = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Chances of a correct answer whose likelihood is not too far below the best, by the likelihood-ratio rule.

    Parameters
    ----------
    x, n : array_like of int
        Correct answers and tastings.
    prob : float
        Nominal coverage: the cut is at half the `prob` quantile of chi-square with one degree of freedom.
    floor : array_like of float
        Smallest chance allowed: the guess rate when nobody can do worse. The best chance at or above it is the
        reference, and the lower limit never falls below it.

    Returns
    -------
    lower, upper : ndarray of float
        Found by bisection to 1e-12.

    Examples
    --------
    >>> [round(float(limit), 4) for limit in profile_interval(10, 24)]
    [0.2354, 0.6148]
    """
    x, n, floor = np.broadcast_arrays(np.asarray(x, float), np.asarray(n, float), np.asarray(floor, float))
    best = np.maximum(np.divide(x, n, out=np.zeros(x.shape), where=n > 0), floor)
    cut = log_likelihood(x, n, best) - chdtri(1, 1 - prob) / 2

    def crossing(inside: np.ndarray, outside: np.ndarray) -> np.ndarray:
        """The last chance still inside the interval between `inside` (it is) and `outside` (it may be)."""
        whole = log_likelihood(x, n, outside) >= cut
        near, far = inside.copy(), outside.copy()
        for _ in range(42):
            middle = (near + far) / 2
            holds = log_likelihood(x, n, middle) >= cut
            near, far = np.where(holds, middle, near), np.where(holds, far, middle)
        return np.where(whole, outside, near)

    return crossing(best, floor.copy())[()], crossing(best, np.ones(x.shape))[()]


def fisher_tails(
    signal: ArrayLike, hits: ArrayLike, noise: ArrayLike, false_alarms: ArrayLike
) -> tuple[np.ndarray, np.ndarray]:
    """Fisher's exact chances of so few hits or fewer, and of so many or more, given how often yes was said in all.

    Parameters
    ----------
    signal, hits, noise, false_alarms : array_like of int
        Tastings of one product and of the other, and how many of each were answered yes.

    Examples
    --------
    >>> few, many = fisher_tails(100, 60, 100, 35)
    >>> float(many.round(5)), float((few + many).round(2))
    (0.00032, 1.0)
    """
    from scipy.stats import hypergeom

    signal, hits, noise, false_alarms = (np.asarray(n, float) for n in (signal, hits, noise, false_alarms))
    yes = hits + false_alarms
    return (
        np.asarray(hypergeom.cdf(hits, signal + noise, signal, yes)),
        np.asarray(hypergeom.sf(hits - 1, signal + noise, signal, yes)),
    )


def sum_at_least(correct: ArrayLike, n: ArrayLike, p: ArrayLike) -> float:
    """Chance that several binomial counts add up to so much or more: exact, by adding one count after another.

    Parameters
    ----------
    correct, n, p : array_like, shape (counts,)
        Counts, of how many, and the chance of each.

    Examples
    --------
    >>> round(sum_at_least([9, 12], [24, 20], [1 / 3, 1 / 2]), 4)
    0.2174
    """
    from scipy.stats import binom

    sizes: dict[float, int] = {}
    for size, chance in zip(np.atleast_1d(n).tolist(), np.atleast_1d(p).tolist(), strict=True):
        sizes[chance] = sizes.get(chance, 0) + int(size)
    total = np.ones(1)
    for chance, size in sizes.items():
        total = np.convolve(total, binom.pmf(np.arange(size + 1), size, chance))
    return float(min(total[int(np.sum(correct)) :].sum(), 1.0))
