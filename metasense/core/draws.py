"""Draws from the posterior of a pool, for those who work with draws."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.engine.likelihood import Series
from metasense.engine.pointwise import Model, Shared
from metasense.engine.posterior import draw_nodes, draw_panels
from metasense.engine.spreads import average_d_prime

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[Any]
MOST_DRAWS = 20_000_000  # numbers in the exported draws of all panels; more panels get fewer draws


@dataclass(frozen=True, eq=False)
class Draws:
    """Draws from the posterior of a pool, with all that they say of its panels.

    Attributes
    ----------
    data : Dataset
        The draws as people get them.
    unknown : dict of ndarray
        `mu`, `beta`, `tau`, with a level `between` and `within`, of shape (draws, ...), one chain after the other.
    model : Model
    share : callable
        Gives what the panels share in each draw.
    groups : sequence of str, optional
        Values of the level, in the order of the clusters.
    kept : tuple of ndarray, optional
        Which chain and draw of the sampler each is, shape (chains, draws); where it was sampled.
    """

    data: xr.Dataset
    unknown: dict[str, Array]
    model: Model
    share: Callable[[], Shared]
    groups: Sequence[str] | None = None
    kept: tuple[Array, Array] | None = None


def draws_of(core: Core) -> xr.Dataset:
    """``average``, ``spread``, ``centre`` and each panel's ``d_prime``, with dims chain, draw, panel; drawn once."""
    return core.remember("draws", lambda: all_draws(core).data)


def all_draws(core: Core) -> Draws:
    """The same, with what panels share in each draw; drawn once."""
    return core.remember("all draws", lambda: _drawn(core))


def _drawn(core: Core) -> Draws:
    import xarray as xr

    chains, wanted = core.settings["chains"], core.settings["draws"]
    per_chain = max(min(wanted, MOST_DRAWS // (chains * len(core.panels))), 25)
    rng = np.random.default_rng(core.settings["seed"])
    kept = None
    if core.regulars is not None:
        mu, tau, own, share = _of_regulars(core, chains * per_chain, rng)
    else:
        if core.sample is None:
            mu, tau, patch = draw_nodes(core.posterior, chains * per_chain, rng)
        else:
            at = np.linspace(0, wanted - 1, per_chain).astype(int)
            mu, tau, gamma = of_sample(core.sample.isel(draw=at))
            patch = np.searchsorted([part.series.gamma for part in core.posterior.patches], gamma)
            kept = np.repeat(np.arange(chains)[:, None], per_chain, axis=1), np.tile(at, (chains, 1))
        own = draw_panels(core.posterior, mu, tau, patch, core.collected.index, rng)
        share = partial(_shared, core, mu, tau, patch)
    shape = (chains, per_chain)
    names = core.panels.frame["panel"].to_numpy(str)
    values = {
        "average": (("chain", "draw"), average_d_prime(mu, tau).reshape(shape)),
        "spread": (("chain", "draw"), tau.reshape(shape)),
        "centre": (("chain", "draw"), mu.reshape(shape)),
        "d_prime": (("chain", "draw", "panel"), own.reshape(*shape, len(names))),
    }
    coords = {"chain": np.arange(chains), "draw": np.arange(per_chain), "panel": names}
    data = xr.Dataset(values, coords, {"seed": core.settings["seed"], "metasense": version("metasense")})
    unknown = {"mu": mu, "beta": np.zeros((len(mu), 0)), "tau": tau, "within": tau}
    return Draws(data, unknown, Model.plain(core.collected.rows, core.priors), share, kept=kept)


def _shared(core: Core, mu: Array, tau: Array, patch: Array) -> Shared:
    """What panels share in draws of centre, spread and the patch of the posterior that they lie in."""
    series = tuple(part.series for part in core.posterior.patches)
    row = np.zeros(len(core.collected.index), int)
    return Shared(series, patch, core.collected.index, mu[:, None], row, tau)


def _of_regulars(core: Core, size: int, rng: np.random.Generator) -> tuple[Array, Array, Array, Callable[[], Shared]]:
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

    def share() -> Shared:
        """As if everybody were new in every panel, which leaves each panel by itself as it is."""
        collected = core.collected
        series = tuple(Series.build(collected.evidence, collected.copies, float(g)) for g in found.gammas)
        row = np.zeros(len(collected.index), int)
        return Shared(series, found.which[at], collected.index, mu[:, None], row, tau)

    return mu, tau, own, share


def of_sample(sample: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread and overdispersion of each draw of the sampler, one chain after the other."""
    mu, tau = sample["mu"].to_numpy().ravel(), sample["tau"].to_numpy().ravel()
    return mu, tau, sample["gamma"].to_numpy().ravel() if "gamma" in sample else np.zeros_like(mu)
