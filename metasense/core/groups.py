"""The groups that ArviZ knows, filled from a pool: draws, what they predict, what was believed, and what was seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.core.draws import Draws
from metasense.engine import outcomes
from metasense.engine.likelihood import Evidence, RepeatedTotal, Repeats, TwoCounts
from metasense.engine.pointwise import Model, simulated
from metasense.engine.spreads import average_d_prime

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[Any]
NAMES = {"mu": "centre", "beta": "effect", "tau": "spread", "between": "between", "within": "within"}
FORCED, TWO = "forced_choice_panel", "two_count_panel"  # dims where a pool has panels of both kinds


def groups_of(core: Core, draws: Draws, statistics: xr.Dataset | None = None) -> dict[str, xr.Dataset]:
    """A dataset for each group.

    Parameters
    ----------
    core : Core
    draws : Draws
        Of the pool's own model.
    statistics : Dataset, optional
        What the sampler recorded at each of its draws.

    Returns
    -------
    dict of str to Dataset
        By ArviZ's names of the groups; what is random in them hangs on the pool's seed alone.
    """
    table, model, shared = _Table(draws), draws.model, draws.share()
    predicted, believed = (np.random.default_rng([core.settings["seed"], k]) for k in (1, 2))
    found = {"posterior": draws.data}
    if any(e.repeated for e in model.evidence):
        found["posterior"] = draws.data.merge(table.over_draws({"overdispersion": shared.gamma}))
    counts = simulated(model.evidence, shared.d_primes(predicted), shared.gamma, predicted)
    found["posterior_predictive"] = table.over_draws(counts)
    if core.regulars is None:  # else panels have people in common, and are not independent given a draw
        found["log_likelihood"] = table.over_draws({"counts" if any(table.two) else "correct": shared.log_likelihood()})
    found["log_prior"] = table.over_draws(_named(model.log_prior(draws.unknown)))
    unknown = model.prior(table.size, believed)
    theta, gamma = model.believed(unknown, believed)
    found["prior"] = table.over_draws(_named(unknown) | _average(unknown, model) | {"d_prime": table.own(theta)})
    found["prior_predictive"] = table.over_draws(simulated(model.evidence, theta, gamma, believed))
    found |= {"observed_data": table.seen(), "constant_data": table.constant(core)}
    if statistics is not None and draws.kept is not None:
        found["sample_stats"] = table.over_draws(
            {str(name): value.to_numpy()[draws.kept].ravel() for name, value in statistics.items() if value.ndim == 2}
        )
    return found


def _named(unknown: dict[str, Array]) -> dict[str, Array]:
    """Unknowns under their names for people; a spread that is all there is goes by that name alone."""
    parts = {"mu", "beta", "tau", "between", *(["within"] if "between" in unknown else [])}
    return {NAMES[name]: value for name, value in unknown.items() if name in parts and value.size}


def _average(unknown: dict[str, Array], model: Model) -> dict[str, Array]:
    """The average d-prime of panels at average values of the moderators."""
    middle = model.load.mean() * (unknown["mu"] + unknown["beta"] @ model.columns.mean(axis=0))
    return {"average": average_d_prime(middle, unknown["tau"])}


class _Table:
    """The panels of a pool as ArviZ's dims, coords and data.

    Parameters
    ----------
    draws : Draws
    """

    def __init__(self, draws: Draws) -> None:
        self.draws, self.evidence = draws, draws.model.evidence
        self.shape = draws.data.sizes["chain"], draws.data.sizes["draw"]
        self.size = self.shape[0] * self.shape[1]
        self.two = [isinstance(e, TwoCounts) for e in self.evidence]
        both = any(self.two) and not all(self.two)
        names, two = draws.data["panel"].to_numpy(), np.array(self.two)
        self.coords = {"panel": names, FORCED: names[~two], TWO: names[two]}
        if draws.model.columns.shape[1]:
            self.coords["moderator"] = draws.data["moderator"].to_numpy()
        two_count = TWO if both else "panel"
        self.dims: dict[str, str | tuple[str, str]]
        self.dims = dict.fromkeys(("hits", "false_alarms", "signal", "noise"), two_count)
        self.dims |= {"correct": FORCED if both else "panel", "effect": "moderator", "design": ("panel", "moderator")}

    def over_draws(self, values: dict[str, Array]) -> xr.Dataset:
        """Values whose first dimension are the draws, one chain after the other."""
        return self._dataset(values, ("chain", "draw"))

    def own(self, theta: Array) -> Array:
        """The panels' d-primes: signed only for directed panels."""
        return np.where([e.protocol.directed for e in self.evidence], theta, np.abs(theta))

    def seen(self) -> xr.Dataset:
        """The counts."""
        forced = [outcomes.correct(e) for e in self.evidence if not isinstance(e, TwoCounts)]
        two = [e for e in self.evidence if isinstance(e, TwoCounts)]
        counts = {"correct": forced, "hits": [e.hits for e in two], "false_alarms": [e.false_alarms for e in two]}
        return self._dataset({name: np.array(values) for name, values in counts.items() if values})

    def constant(self, core: Core) -> xr.Dataset:
        """What was served to whom: all that is known of the panels but their counts."""
        two = [e for e in self.evidence if isinstance(e, TwoCounts)]
        values = {
            "protocol": np.array([e.protocol.name for e in self.evidence]),
            "tastings": np.array([e.size for e in self.evidence]),
            "tasters": np.array([_tasters(e) for e in self.evidence]),
        }
        if two:
            values |= {"signal": np.array([e.signal for e in two]), "noise": np.array([e.noise for e in two])}
        model = self.draws.model
        if model.columns.shape[1]:
            values["design"] = model.columns
        if (model.load != 1).any():
            values["dose"] = model.load
        if self.draws.groups is not None and model.clusters is not None:
            values["group"] = np.array(self.draws.groups)[model.clusters]
        return self._dataset(values)

    def _dataset(self, values: dict[str, Array], first: tuple[str, ...] = ()) -> xr.Dataset:
        import xarray as xr

        found, coords = {}, {"chain": np.arange(self.shape[0]), "draw": np.arange(self.shape[1])} if first else {}
        for name, value in values.items():
            own = value.shape[1:] if first else value.shape
            named = self.dims.get(name, "panel") if own else ()
            dims = (named,) if isinstance(named, str) else named
            found[name] = ((*first, *dims), value.reshape(*(self.shape if first else ()), *own))
            coords |= {dim: self.coords[dim] for dim in dims}
        return xr.Dataset(found, coords)


def _tasters(evidence: Evidence) -> int:
    """How many people answered, as far as the likelihood knows."""
    if isinstance(evidence, RepeatedTotal):
        return evidence.tasters
    return sum(people for _, _, people in evidence.people) if isinstance(evidence, Repeats) else evidence.size
