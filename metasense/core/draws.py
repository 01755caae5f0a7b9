"""Draws from the posterior of a pool, for those who work with draws."""

from __future__ import annotations

from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from metasense.core.core import Core
from metasense.engine.posterior import draw_nodes, draw_panels
from metasense.engine.spreads import average_d_prime

if TYPE_CHECKING:
    import xarray as xr

MOST_DRAWS = 20_000_000  # numbers in the exported draws of all panels; more panels get fewer draws


def draws_of(core: Core) -> xr.Dataset:
    """``average``, ``spread``, ``centre`` and each panel's ``d_prime``, with dims chain, draw, panel; drawn once."""
    return core.remember("draws", lambda: _drawn(core))


def _drawn(core: Core) -> xr.Dataset:
    import xarray as xr

    chains, wanted = core.settings["chains"], core.settings["draws"]
    per_chain = max(min(wanted, MOST_DRAWS // (chains * len(core.panels))), 25)
    rng = np.random.default_rng(core.settings["seed"])
    if core.sample is None:
        mu, tau, patch = draw_nodes(core.posterior, chains * per_chain, rng)
    else:
        kept = core.sample.isel(draw=np.linspace(0, wanted - 1, per_chain).astype(int))
        mu, tau, gamma = of_sample(kept)
        patch = np.searchsorted([part.series.gamma for part in core.posterior.patches], gamma)
    own = draw_panels(core.posterior, mu, tau, patch, core.collected.index, rng)
    shape = (chains, per_chain)
    names = core.panels.frame["panel"].to_numpy(str)
    values = {
        "average": (("chain", "draw"), average_d_prime(mu, tau).reshape(shape)),
        "spread": (("chain", "draw"), tau.reshape(shape)),
        "centre": (("chain", "draw"), mu.reshape(shape)),
        "d_prime": (("chain", "draw", "panel"), own.reshape(*shape, len(names))),
    }
    coords = {"chain": np.arange(chains), "draw": np.arange(per_chain), "panel": names}
    return xr.Dataset(values, coords, {"seed": core.settings["seed"], "metasense": version("metasense")})


def of_sample(sample: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread and overdispersion of each draw of the sampler, one chain after the other."""
    mu, tau = sample["mu"].to_numpy().ravel(), sample["tau"].to_numpy().ravel()
    return mu, tau, sample["gamma"].to_numpy().ravel() if "gamma" in sample else np.zeros_like(mu)
