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
    if core.regulars is not None:
        mu, tau, own = _of_regulars(core, chains * per_chain, rng)
    elif core.sample is None:
        mu, tau, patch = draw_nodes(core.posterior, chains * per_chain, rng)
        own = draw_panels(core.posterior, mu, tau, patch, core.collected.index, rng)
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


def _of_regulars(core: Core, size: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread and panels' d-primes as the engine drew them, some more than once where more are asked for."""
    assert core.regulars is not None
    found = core.regulars.found
    at = rng.permutation(np.arange(size) % len(found.mu))
    mu, tau = np.abs(found.mu[at]), found.tau[at]
    if core.directed:
        mu = found.mu[at]
    own = np.empty((size, len(core.panels)))
    crossed = core.regulars.crossing.rows
    apart = np.setdiff1d(np.arange(len(core.panels)), crossed)
    signed = [core.directed and p.directed for p in found.sitters.protocols]
    own[:, crossed] = np.where(signed, found.theta[at], np.abs(found.theta[at]))
    if len(apart):
        patch = np.zeros(size, int)
        own[:, apart] = draw_panels(core.posterior, mu, tau, patch, np.asarray(core.collected.index[apart]), rng)
    return mu, tau, own


def of_sample(sample: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread and overdispersion of each draw of the sampler, one chain after the other."""
    mu, tau = sample["mu"].to_numpy().ravel(), sample["tau"].to_numpy().ravel()
    return mu, tau, sample["gamma"].to_numpy().ravel() if "gamma" in sample else np.zeros_like(mu)
