"""Draws from the posterior of a pool with moderators or a level, for those who work with draws: of its own model."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.core.draws import Draws
from metasense.engine.centres import Centres
from metasense.engine.pointwise import Model, Shared
from metasense.engine.posterior import draw_own
from metasense.engine.several import Several, completed
from metasense.engine.slopes import Drawn
from metasense.engine.spreads import average_d_prime

Array = NDArray[Any]


def joint(core: Core, model: Model) -> Several:
    """All unknowns at once, for a pool that is otherwise answered from a grid."""
    return Several.integrate(
        model.evidence,
        model.priors,
        core.posterior,
        load=model.load,
        columns=model.columns,
        clusters=model.clusters,
        one_sided=model.one_sided,
    )


def drawn(
    core: Core,
    engine: Several | Drawn,
    model: Model,
    names: Sequence[str],
    groups: Sequence[str] | None = None,
) -> Draws:
    """Draws of a pool with moderators or a level.

    Parameters
    ----------
    core : Core
        Whose settings say how many chains of how many draws, and the seed.
    engine : Several or Drawn
    model : Model
    names : sequence of str
        Of the slopes and effects.
    groups : sequence of str, optional
        Values of the level, in the order of the clusters.

    Returns
    -------
    Draws
        Its dataset has ``average`` (of panels at average values), ``spread``, ``centre``, each panel's ``d_prime``;
        ``effect`` of each moderator, in d-prime per standard deviation or for each category; with a level also
        ``between`` and ``within``. Dims chain, draw, and moderator or panel.
    """
    import xarray as xr

    rng = np.random.default_rng(core.settings["seed"])
    kept = None
    if isinstance(engine, Several):
        centres = engine.unknowns.centres
        shape = core.settings["chains"], core.settings["draws"]
        found = engine.draw(shape[0] * shape[1], rng)
    else:
        centres = Centres(model.evidence, model.load, model.columns, model.clusters)
        at = _even(engine.draws["chain"])
        shape, kept = at.shape, (engine.draws["chain"][at], engine.draws["draw"][at])
        found = completed(centres, {name: value[at.ravel()] for name, value in engine.draws.items()}, rng)
    shared = Shared(tuple(centres.series), found["which"], centres.panel, found["centre"], centres.row, found["within"])
    own = _own(shared, rng)
    values = _named(found, model, shape)
    values["d_prime"] = (("chain", "draw", "panel"), own.reshape(*shape, -1))
    coords: dict[str, Any] = {
        "chain": np.arange(shape[0]),
        "draw": np.arange(shape[1]),
        "panel": core.panels.frame["panel"].to_numpy(str),
    }
    if names:
        coords["moderator"] = list(names)
    data = xr.Dataset(values, coords, {"seed": core.settings["seed"], "metasense": version("metasense")})
    return Draws(data, found, model, lambda: shared, groups, kept)


def _named(found: dict[str, Array], model: Model, shape: tuple[int, ...]) -> dict[str, Any]:
    """What all panels share, under its names for people."""
    middle = model.load.mean() * (found["mu"] + found["beta"] @ model.columns.mean(axis=0))
    values: dict[str, Any] = {
        "average": (("chain", "draw"), average_d_prime(middle, found["tau"]).reshape(shape)),
        "spread": (("chain", "draw"), found["tau"].reshape(shape)),
        "centre": (("chain", "draw"), found["mu"].reshape(shape)),
    }
    if model.columns.shape[1]:
        values["effect"] = (("chain", "draw", "moderator"), found["beta"].reshape(*shape, -1))
    if model.clusters is not None:
        for part in ("between", "within"):
            values[part] = (("chain", "draw"), found[part].reshape(shape))
    return values


def _even(chain: Array) -> Array:
    """As many draws of every chain, as places, shape (chains, draws)."""
    places = [np.flatnonzero(chain == one) for one in np.unique(chain)]
    shortest = min(map(len, places), default=0)
    return np.array([one[:shortest] for one in places]).reshape(-1, shortest)


def _own(shared: Shared, rng: np.random.Generator) -> Array:
    """Each panel's own d-prime, shape (draws, panels): signed only for directed panels."""
    out = np.empty((len(shared.which), len(shared.panel)))
    for which in np.unique(shared.which):
        rows = np.flatnonzero(shared.which == which)
        series = shared.series[which]
        for i, (row, panel) in enumerate(zip(shared.row, shared.panel, strict=True)):
            evidence = series.evidence[panel]
            value = draw_own(series, evidence, shared.centre[rows, row], shared.within[rows], 1, rng)[:, 0]
            out[rows, i] = value if series.directed and evidence.protocol.directed else np.abs(value)
    return out
