"""Whether chains of draws agree and tell enough: R-hat, effective sizes and Monte Carlo errors, as numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from metasense.engine.quiet import quiet

VARIABLES = ("mu", "tau", "average_d_prime", "between", "within")  # slopes apart


@dataclass(frozen=True, eq=False)
class Chains:
    """What chains of draws say of themselves, in numbers.

    Attributes
    ----------
    measures : tuple of dict
        One for each quantity: its ``variable``, for a slope its ``moderator`` (else None), and ``mean, sd, r_hat,
        ess_bulk, ess_tail, mcse`` (Monte Carlo standard error of the mean).
    divergences : int
        Draws at which the sampler lost its path.
    chains, draws : int
        Chains, and draws kept from each.
    statistics : Dataset
        What the sampler recorded at each draw, dims chain, draw.
    """

    measures: tuple[dict[str, Any], ...]
    divergences: int
    chains: int
    draws: int
    statistics: xr.Dataset


def measure(draws: xr.Dataset, statistics: xr.Dataset) -> Chains:
    """R-hat, effective sample sizes and Monte Carlo errors of every continuous quantity."""
    with quiet:
        import arviz_stats
    continuous = draws.drop_vars("gamma", errors="ignore")
    with np.errstate(invalid="ignore", divide="ignore"):  # chains that did not move have no R-hat
        measures = {
            "mean": continuous.mean(("chain", "draw")),
            "sd": continuous.std(("chain", "draw")),
            "r_hat": arviz_stats.rhat(continuous),
            "ess_bulk": arviz_stats.ess(continuous, method="bulk"),
            "ess_tail": arviz_stats.ess(continuous, method="tail", prob=(0.05, 0.95)),
            "mcse": arviz_stats.mcse(continuous, method="mean"),
        }
    found = []
    for name in continuous.data_vars:
        for moderator in continuous["moderator"].values if name == "beta" else [None]:
            at = {} if moderator is None else {"moderator": moderator}
            row: dict[str, Any] = {"variable": str(name), "moderator": moderator}
            found.append(row | {key: float(one[name].sel(at)) for key, one in measures.items()})
    divergences = int(statistics["diverging"].sum())
    return Chains(tuple(found), divergences, draws.sizes["chain"], draws.sizes["draw"], statistics)


def effective_size(draws: xr.Dataset) -> float:
    """The number of independent draws that these are worth: the least over quantities, of their middle and tails."""
    with quiet:
        import arviz_stats
    chosen = draws[[name for name in VARIABLES if name in draws]]
    sizes = [arviz_stats.ess(chosen, method="bulk"), arviz_stats.ess(chosen, method="tail", prob=(0.05, 0.95))]
    return min(float(size[name]) for size in sizes for name in chosen.data_vars)
