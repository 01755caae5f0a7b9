"""The beta-binomial behind repeat tasters, on three open data sets with answers known from elsewhere.

What is checked of ours: `taster_probability`, with no guessing and several sizes, as the likelihood of a hierarchical
beta-binomial; and `Distribution`. What is not: the cosine series, the pool and its priors, for these data have no
d-prime. The priors are those of the sources, and integrated here on a plain grid. The James-Stein numbers that the
baseball data are famous for exercise nothing of metasense and are left out.

Beside the reference values stands how often intervals hold what was seen later or left out: each rat experiment
predicted from the other 70, and each player's rest of the season from his first 45 times at bat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import betabinom

from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import taster_probability

DATA = Path(__file__).parents[1] / "data"
RATE: Any = SimpleNamespace(guess=0.0, p_correct=lambda p: p, p_wrong=lambda p: 1 - p)  # a "protocol" without guessing
PROBS = (0.5, 0.8, 0.95)


def log_likelihoods(counts: Iterable[tuple[int, int]], means: np.ndarray, size: float) -> np.ndarray:
    """Log beta-binomial probability of each ``(n, y)`` at each mean, with a + b = `size`; shape (means, counts)."""
    counts = list(counts)
    out = np.empty((len(means), len(counts)))
    for n in {n for n, _ in counts}:
        which = [i for i, (m, _) in enumerate(counts) if m == n]
        table = taster_probability(RATE, means, 1 / (size + 1), n)
        out[:, which] = np.log(table[:, [counts[i][1] for i in which]])
    return out


def posterior(
    counts: list[tuple[int, int]], means: np.ndarray, sizes: np.ndarray, log_prior: Callable[..., np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Weight of each mean and size (shape (sizes, means)), and each count's own log likelihood there."""
    each = np.stack([log_likelihoods(counts, means, float(size)) for size in sizes])
    logs = each.sum(axis=2) + log_prior(means[None, :], sizes[:, None])
    weight = np.exp(logs - logs.max())
    return weight / weight.sum(), each


def most_likely(counts: list[tuple[int, int]], weights: np.ndarray) -> tuple[float, float, float]:
    """Maximum likelihood a and b, and the log likelihood."""

    def lack(at: np.ndarray) -> float:
        return -float(log_likelihoods(counts, np.array([expit(at[0])]), float(np.exp(at[1])))[0] @ weights)

    best = minimize(lack, [logit(sum(y for _, y in counts) / sum(n for n, _ in counts)), 3.0], method="Nelder-Mead",
                    options={"xatol": 1e-8, "fatol": 1e-9})  # fmt: skip
    mean, size = expit(best.x[0]), np.exp(best.x[1])
    return float(mean * size), float((1 - mean) * size), -best.fun


def _column(name: str, *columns: str) -> list[tuple[int, int]]:
    frame = pd.read_csv(DATA / name)
    return list(frame[list(columns)].itertuples(index=False, name=None))


def rats() -> tuple[dict[str, float], dict[str, float]]:
    """Answers to compare with the references, and shares of experiments inside what the others predict."""
    counts = _column("rat_tumours.csv", "rats", "tumours")
    x, z = np.round(np.arange(-2.3, -1.295, 0.01), 2), np.round(np.arange(1, 5.005, 0.01), 2)
    x, z = x[1::2], z[::2]  # every second point of the grid of 0.01, among them the published mode

    def log_prior(mean: np.ndarray, size: np.ndarray) -> np.ndarray:
        return np.log(mean * (1 - mean)) + 2 * np.log(size) - 2.5 * np.log(size)  # (a+b)^-5/2 in log(a/b), log(a+b)

    means, sizes = expit(x), np.exp(z)
    weight, each = posterior(counts, means, sizes, log_prior)
    a, b = sizes[:, None] * means, sizes[:, None] * (1 - means)
    row, column = np.unravel_index(weight.argmax(), weight.shape)
    found = {
        "mode of log(a/b)": float(x[column]),
        "mode of log(a+b)": float(z[row]),
        "mean of a": float((weight * a).sum()),
        "mean of b": float((weight * b).sum()),
        "first 70: a by maximum likelihood": most_likely(counts[:70], np.ones(70))[0],
    }
    inside = []
    for i, (n, y) in enumerate(counts):
        without = weight * np.exp(-(each[:, :, i] - each[:, :, i].min()))
        inside.append(_inside(without / without.sum(), a, b, n, y))
    return found, _shares(inside)


def baseball() -> tuple[dict[str, float], dict[str, float]]:
    """Answers to compare with the references, and shares of players whose rest of the season was predicted."""
    frame = pd.read_csv(DATA / "baseball.csv")
    counts = list(frame[["at_bats", "hits"]].itertuples(index=False, name=None))
    means, log_size = np.linspace(0.17, 0.40, 47), np.linspace(0.0, np.log(1e6), 111)
    sizes = np.exp(log_size)
    # P(kappa) ~ kappa^-2.5 for kappa > 1; kappa^-1.5 in its logarithm
    weight, _ = posterior(counts, means, sizes, lambda mean, size: 0 * mean - 1.5 * np.log(size))
    a, b = sizes[:, None] * means, sizes[:, None] * (1 - means)
    own = {
        name: float((weight * (y + a) / (n + a + b)).sum())
        for name, (n, y) in zip(frame["player"], counts, strict=True)
    }
    typical = Distribution.from_density(means, weight.sum(axis=0))
    found = {
        "mean of the typical rate": typical.mean,
        "mean rate of Clemente (18 of 45)": own["Clemente"],
        "mean rate of Alvis (7 of 45)": own["Alvis"],
    }
    inside = []
    for player, (n, y) in zip(frame.itertuples(index=False), counts, strict=True):
        if player.player == "Williams":  # the public file has another Williams' rest of the season
            continue
        later = round(player.rest_at_bats_file * player.rest_average_file)
        inside.append(_inside(weight, a + y, b + n - y, player.rest_at_bats_file, later))
    return found, _shares(inside)


def saxony() -> tuple[dict[str, float], dict[str, float]]:
    """Answers to compare with the references, and shares of families inside the fitted intervals."""
    families = pd.read_csv(DATA / "saxony_sexes.csv")
    counts = [(12, int(y)) for y in families["males_of_12"]]
    weights = families["families"].to_numpy(float)
    a, b, log_likelihood = most_likely(counts, weights)
    share = weights @ families["males_of_12"] / weights.sum() / 12
    binomial = float(np.log(taster_probability(RATE, np.array([share]), 0.0, 12)[0]) @ weights)
    found = {"AIC beta-binomial": 4 - 2 * log_likelihood, "AIC binomial": 2 - 2 * binomial}
    inside = np.array([_inside(np.ones((1, 1)), np.array([[a]]), np.array([[b]]), n, y) for n, y in counts])
    return found, {f"in {p:.0%}": float(weights @ inside[:, i] / weights.sum()) for i, p in enumerate(PROBS)}


def _inside(weight: np.ndarray, a: np.ndarray, b: np.ndarray, n: int, y: int) -> list[float]:
    """Whether y lies in the predictive intervals: 1 or 0, or where it is at an end, the share that belongs inside."""
    matter = weight > 1e-7
    w, a, b = weight[matter] / weight[matter].sum(), (a + 0 * weight)[matter], (b + 0 * weight)[matter]
    below, upto = (float(w @ betabinom.cdf(k, n, a, b)) for k in (y - 1, y))
    out = []
    for prob in PROBS:
        low, high = (1 - prob) / 2, (1 + prob) / 2
        out.append(max(0.0, min(upto, high) - max(below, low)) / (upto - below))
    return out


def _shares(inside: list[list[float]]) -> dict[str, float]:
    return {f"in {prob:.0%}": float(share) for prob, share in zip(PROBS, np.mean(inside, axis=0), strict=True)}


SETS = {"rat tumours": rats, "baseball": baseball, "Saxony sexes": saxony}


def tables() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Reference values beside ours, and coverage."""
    reference = pd.read_csv(DATA / "open_data_reference.csv")
    answers, covered = {}, []
    for name, work in SETS.items():
        found, shares = work()
        answers |= {(name, quantity): value for quantity, value in found.items()}
        covered.append({"data": name} | shares)
    ours = [answers[key] for key in zip(reference["data"], reference["quantity"], strict=True)]
    reference = reference.assign(ours=ours, agrees=np.abs(ours - reference["value"]) <= reference["tolerance"])
    return reference[["data", "quantity", "value", "ours", "agrees", "how_known"]], pd.DataFrame(covered)
