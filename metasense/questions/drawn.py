"""Draws from the posterior of a pool with moderators or a level, for those who work with draws: of its own model."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.engine.posterior import draw_own
from metasense.engine.several import Several
from metasense.engine.spreads import average_d_prime

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[Any]


def joint(
    core: Core,
    *,
    load: Array | None = None,
    columns: Array | None = None,
    clusters: Array | None = None,
    one_sided: bool = False,
) -> Several:
    """All unknowns at once, for a pool that is otherwise answered from a grid."""
    panels = len(core.panels)
    return Several.integrate(
        core.collected.rows,
        core.priors,
        core.posterior,
        load=np.ones(panels) if load is None else load,
        columns=np.zeros((panels, 0)) if columns is None else columns,
        clusters=clusters,
        one_sided=one_sided,
    )


def drawn(core: Core, engine: Several, names: Sequence[str], groups: Sequence[str] | None = None) -> xr.Dataset:
    """Draws as a dataset.

    Parameters
    ----------
    core : Core
        Whose settings say how many chains of how many draws, and the seed.
    engine : Several
    names : sequence of str
        Of the slopes and effects.
    groups : sequence of str, optional
        Values of the level, in the order of the clusters.

    Returns
    -------
    Dataset
        ``average`` (of panels at average values), ``spread``, ``centre``, each panel's ``d_prime``; ``effect`` of each
        moderator, in d-prime per standard deviation or for each category; with a level also ``between`` and
        ``within``. Dims chain, draw, and moderator or panel.
    """
    import xarray as xr

    chains, each = core.settings["chains"], core.settings["draws"]
    rng = np.random.default_rng(core.settings["seed"])
    found = engine.draw(chains * each, rng)
    own = _own(engine, found, rng)
    shape = (chains, each)
    mean = engine.unknowns.centres.load[engine.unknowns.centres.row].mean()
    columns = engine.unknowns.centres.columns[engine.unknowns.centres.row].mean(axis=0)
    middle = mean * (found["mu"] + found["beta"] @ columns)
    values: dict[str, Any] = {
        "average": (("chain", "draw"), average_d_prime(middle, found["tau"]).reshape(shape)),
        "spread": (("chain", "draw"), found["tau"].reshape(shape)),
        "centre": (("chain", "draw"), found["mu"].reshape(shape)),
        "d_prime": (("chain", "draw", "panel"), own.reshape(*shape, -1)),
    }
    coords: dict[str, Any] = {
        "chain": np.arange(chains),
        "draw": np.arange(each),
        "panel": core.panels.frame["panel"].to_numpy(str),
    }
    if names:
        values["effect"] = (("chain", "draw", "moderator"), found["beta"].reshape(*shape, -1))
        coords["moderator"] = list(names)
    if groups is not None:
        for part in ("between", "within"):
            values[part] = (("chain", "draw"), found[part].reshape(shape))
    return xr.Dataset(values, coords, {"seed": core.settings["seed"], "metasense": version("metasense")})


def _own(engine: Several, found: dict[str, Array], rng: np.random.Generator) -> Array:
    """Each panel's own d-prime, shape (draws, panels): signed only for directed panels."""
    centres = engine.unknowns.centres
    out = np.empty((len(found["mu"]), len(centres.row)))
    for which in np.unique(found["which"]):
        rows = np.flatnonzero(found["which"] == which)
        series = centres.series[which]
        for i, (row, panel) in enumerate(zip(centres.row, centres.panel, strict=True)):
            evidence = series.evidence[panel]
            value = draw_own(series, evidence, found["centre"][rows, row], found["within"][rows], 1, rng)[:, 0]
            out[rows, i] = value if series.directed and evidence.protocol.directed else np.abs(value)
    return out
