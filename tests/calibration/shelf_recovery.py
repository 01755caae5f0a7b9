"""Does a shelf know how much of it is luck? Known truths behind many variables, and what `together` says of them.

``shelves`` draws shelves of 20 to 40 variables of which half have nothing, a fifth one difference and the rest
differences that vary, and compares each probability of nothing, the learned share and the expected number of false
alarms with the truth. ``ranked`` draws shares, scales and 20 variables from the priors: the position of each truth in
its posterior must be even (Talts et al. 2018, arXiv:1804.06788), every probability of nothing must be as often right as
it says, and 95 % of sizes must lie in their intervals. Run with
``python tests/calibration/shelf_recovery.py [shelves] [sets]``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from calibration import ranks

from metasense.binomial import at_least, smallest_count
from metasense.engine import batch, learning
from metasense.engine.likelihood import Counts
from metasense.engine.priors import LARGEST, Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol
from metasense.results.together import LITTLE

TRIANGLE = protocol("triangle")
ASKED = batch.Asked(Priors(), 0.8, TRIANGLE)
SHARES = (0.5, 0.2, 0.3)
BINS = (0.0, 0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
ALPHA = 0.05


def simulated(
    rng: np.random.Generator, size: int, shares: np.ndarray, centre: float, spread: float
) -> tuple[batch.Variables, np.ndarray, np.ndarray]:
    """Two to four triangles of 15 to 40 for every variable; its true explanation, and its true average d-prime."""
    kinds = rng.choice(3, size, p=shares)
    mu = np.where(kinds > 0, np.abs(rng.normal(0, centre, size)), 0.0)
    tau = np.where(kinds == 2, np.abs(rng.normal(0, spread, size)), 0.0)
    panels: list[list[Counts]] = []
    for m, t in zip(mu.tolist(), tau.tolist(), strict=True):
        sizes = rng.integers(15, 41, rng.integers(2, 5))
        correct = rng.binomial(sizes, TRIANGLE.p_correct(np.abs(rng.normal(m, t, len(sizes)))))
        panels.append([Counts(TRIANGLE, int(n), int(x)) for n, x in zip(sizes, correct, strict=True)])
    place = {e: i for i, e in enumerate(dict.fromkeys(e for one in panels for e in one))}
    members = tuple(np.array([place[e] for e in one]) for one in panels)
    return batch.Variables(tuple(place), members), kinds, average_d_prime(mu, tau)


def alarms(variables: batch.Variables) -> tuple[np.ndarray, np.ndarray]:
    """Of each variable: how many panels alone, and whether their sum, is statistically significant."""
    alone, summed = [], []
    for member in variables.members:
        found = [variables.evidence[i] for i in member.tolist()]
        n, x = (np.array([getattr(e, name) for e in found]) for name in ("tastings", "correct"))
        alone.append(int((x >= smallest_count(n, 1 / 3, ALPHA)).sum()))
        summed.append(bool(at_least(x.sum(), n.sum(), 1 / 3) <= ALPHA))
    return np.array(alone), np.array(summed)


def one_shelf(rng: np.random.Generator) -> tuple[pd.DataFrame, dict[str, float]]:
    """A shelf with known shares: a row a variable, and what is learned of the whole."""
    variables, kinds, average = simulated(rng, int(rng.integers(20, 41)), np.array(SHARES), 1.2, 0.4)
    laid = learning.Shelf(variables)
    learned = learning.learn(laid)
    found = learning.shrunken(laid, learned, ASKED)
    alone, summed = alarms(variables)
    none = found.probability[:, 0]
    own = batch.pool_many(variables, ASKED)
    evidence = np.exp(own.log_evidence - own.log_evidence.max(axis=1, keepdims=True))
    low, _, high = learned.share_ranges()[0]
    draws = learning.draw_averages(laid, learned, hyper=64, each=8)
    nothing = draws == 0
    rows = pd.DataFrame(
        {
            "none": none,
            "none at even odds": evidence[:, 0] / evidence.sum(axis=1),
            "is none": kinds == 0,
            "above": found.above,
            "is above": average > ASKED.margin,
            "alone": alone,
            "pool": summed,
        }
    )
    whole = {
        "share of nothing": learned.shares[0],
        "covered": low <= np.mean(kinds == 0) <= high,
        "false panels": float((alone * (kinds == 0)).sum()),
        "expected false panels": float(alone @ none),
        "false pools": float((summed & (kinds == 0)).sum()),
        "expected false pools": float(summed @ none),
        "significant panels": float(alone.sum()),
        "significant pools": float(summed.sum()),
    }
    for name, called in (("panels", alone), ("pools", summed.astype(int))):
        number = whole[f"false {name}"]
        whole[f"false {name}, expected less actual"] = whole[f"expected false {name}"] - number
        low, high = np.quantile(nothing.astype(float) @ called, [0.025, 0.975], method="inverted_cdf")
        whole[f"false {name} in their interval"] = low <= number <= high
    little = float(ASKED.test.d_prime(ASKED.test.guess + LITTLE))
    for name, said, number in (
        ("nothing", nothing, (kinds == 0).sum()),
        ("nothing or next to nothing", draws < little, (average < little).sum()),
    ):
        low, high = np.quantile(said.sum(axis=1), [0.025, 0.975], method="inverted_cdf")
        whole[f"number with {name} in its interval"] = low <= number <= high
    return rows, whole


def shelves(runs: int, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Probabilities of nothing in bins beside how often there was nothing; means over shelves; log scores."""
    rng = np.random.default_rng(seed)
    found = [one_shelf(rng) for _ in range(runs)]
    rows = pd.concat([part for part, _ in found], ignore_index=True)
    table = binned(rows)
    whole = pd.DataFrame([one for _, one in found])
    means = pd.DataFrame({"mean": whole.mean(), "standard error": whole.std() / np.sqrt(runs)})
    scores = {}
    for name in ("none", "none at even odds"):
        said = np.where(rows["is none"], rows[name], 1 - rows[name])
        scores[name] = float(-np.log(np.maximum(said, 1e-12)).mean())
    means = means.rename_axis("of a shelf").reset_index()
    return table, means, pd.DataFrame({"said": list(scores), "log score": list(scores.values())})


def binned(rows: pd.DataFrame) -> pd.DataFrame:
    """Variables by their probability of nothing: how often it was so, how often the truth was above the margin."""
    bins = pd.cut(rows["none"], BINS, include_lowest=True)
    return rows.groupby(bins, observed=True).agg(
        variables=("none", "size"), said=("none", "mean"), true=("is none", "mean"), above=("above", "mean"),
        truly_above=("is above", "mean"),
    ).reset_index()  # fmt: skip


def one_ranked(rng: np.random.Generator, size: int = 20) -> tuple[dict[str, float], pd.DataFrame]:
    """Positions of shares, scales and one variable drawn from the priors in their posteriors; a row a variable."""
    shares = rng.dirichlet(np.ones(3))
    truth = {}
    for name, usual in learning.USUAL.items():  # log-normal, cut where the engine's d-prime axis ends
        value = np.inf
        while value > LARGEST[name]:
            value = float(np.exp(rng.normal(np.log(usual), learning.LOOSE[name])))
        truth[name] = value
    variables, kinds, average = simulated(rng, size, shares, *truth.values())
    laid = learning.Shelf(variables)
    learned = learning.learn(laid)
    nodes, weight = learned.simplex.nodes[0], learned.weight.sum(axis=0)
    out = {f"share {name}": _at(nodes[i], weight, shares[i]) for i, name in enumerate(("none", "same", "varying"))}
    pairs, scales = learned.weight.sum(axis=1), learned.evidences.scales
    for axis, (name, value) in enumerate(truth.items()):
        logs = np.log((scales.centre, scales.spread)[axis])
        out[name] = learning.below(logs, scales.along(pairs, axis), float(np.log(value)))
    draws = learning.draw_averages(laid, learned, hyper=64, each=8, seed=int(rng.integers(1 << 30)))[:, 0]
    lower, equal = (draws < average[0]).mean(), (draws == average[0]).mean()
    out["average of a variable"] = float(lower + rng.random() * equal)  # ties, at nothing, broken at random
    found = learning.shrunken(laid, learned, ASKED)
    low, high = found.average[:, 0], found.average[:, -1]
    members = pd.DataFrame(
        {
            "none": found.probability[:, 0],
            "is none": kinds == 0,
            "above": found.above,
            "is above": average > ASKED.margin,
            "covered": (low - 1e-9 <= average) & (average <= high),
        }
    )
    return out, members


def _at(values: np.ndarray, weight: np.ndarray, truth: float) -> float:
    order = np.argsort(values)
    return float(np.interp(truth, values[order], np.cumsum(weight[order]) - weight[order] / 2, left=0.0, right=1.0))


def ranked(runs: int, seed: int = 2) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """`ranks.table` of so many shelves of 20; their variables by the probability of nothing; how many are covered."""
    rng = np.random.default_rng(seed)
    found = [one_ranked(rng) for _ in range(runs)]
    members = pd.concat([part for _, part in found], ignore_index=True)
    covered = members.assign(kind=np.where(members["is none"], "nothing", "something"))
    covered = pd.concat([covered.assign(kind="all"), covered]).groupby("kind")["covered"].agg(["size", "mean"])
    positions = ranks.table("shelf of 20", pd.DataFrame([one for one, _ in found]))
    return positions, binned(members), covered.reset_index()


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    sets = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    for study, times in ((shelves, runs), (ranked, sets)):
        for part in study(times):
            print(part.round(4).to_string(index=False), flush=True)
