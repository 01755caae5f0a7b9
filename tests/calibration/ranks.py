"""Where truths fall in the posteriors that are meant to hold them.

If truths are drawn from the prior and panels from the truths, a right posterior puts the truth below its q-quantile in
a share q of the cases: its position (probability integral transform, PIT) is uniform on [0, 1] (Talts et al. 2018,
arXiv:1804.06788). `line` compares positions with that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import pandas as pd
from scipy.stats import kstest

from metasense.engine.distribution import Distribution

Found = dict[str, tuple[Distribution, float]]  # of each quantity, its posterior and the truth
PROBS = (0.5, 0.8, 0.95)


def positions(one: Callable[[np.random.Generator], Found], runs: int, seed: int) -> pd.DataFrame:
    """Positions of the truths in `runs` simulated data sets, one row a set; missing where a set lacks the quantity."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame([{name: d.below(truth) for name, (d, truth) in one(rng).items()} for _ in range(runs)])


def line(values: Iterable[float]) -> dict[str, float]:
    """Runs; error of the mean position in standard errors; Kolmogorov-Smirnov distance and p; share in intervals."""
    pit = np.asarray(list(values), float)
    pit = pit[~np.isnan(pit)]
    off = pit.mean() - 0.5
    distance = kstest(pit, "uniform")
    row = {"runs": len(pit), "mean off": off, "in SEs": off * np.sqrt(12 * len(pit))}
    row |= {"KS": distance.statistic, "p": distance.pvalue}
    return row | {f"in {prob:.0%}": float(np.mean(np.abs(pit - 0.5) <= prob / 2)) for prob in PROBS}


def table(title: str, found: pd.DataFrame) -> pd.DataFrame:
    """`line` for every quantity of `found`."""
    return pd.DataFrame([{"posterior": title, "quantity": name} | line(found[name]) for name in found])
