"""One moderator by integration: panels whose centre moves along a line.

Panel i has ``theta_i ~ Normal(load_i (mu + z_i beta), tau)``. With ``load = 1`` and `z` standardised, `beta` is the
slope per SD of the moderator. With `load` proportional to a dose, the centre is 0 at dose 0. The slope is one more axis
of a `Box`; at every value of it a panel's likelihood is the damped cosines of `likelihood.Series`, by matrix products.
`Drawn` answers the same questions from the draws of PyMC, for several moderators or moderators among groups.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from metasense.engine.box import NEGLIGIBLE, POINTS, Box, Strips, axis, between, closer, running
from metasense.engine.distribution import Distribution
from metasense.engine.grid import log_prior, overdispersions
from metasense.engine.likelihood import FLOOR, REACH, Evidence, Series
from metasense.engine.posterior import Patch, Posterior
from metasense.engine.priors import Priors, log_change

if TYPE_CHECKING:
    import xarray as xr

Array = NDArray[Any]
Quantity = Callable[[Array, Array, Array], Array]  # of mu, beta (its columns last) and tau

FEW = 400  # draws below which an interval is not worth printing


@dataclass(frozen=True, eq=False)
class Sloped:
    """Integrated posterior of the centre, the slope and the spread.

    Undirected panels tell the size of a difference, not its side, so there all panels' centres are kept on one side of
    0: the prior is that of centre and slope, cut to the lines that are not negative from `ends` to `ends`.

    Attributes
    ----------
    series : Series
    box : Box
        Axes centre, slope, spread; without the slope where the dose alone moves the centre; for undirected panels with
        a slope, the centre halfway between the `ends`, how much it changes from there to the ends relative to
        itself, and the spread.
    ends : tuple of float, optional
        Lowest and highest `z` of the panels, where they are undirected and have a slope.
    """

    series: Series
    box: Box
    ends: tuple[float, float] | None

    @classmethod
    def integrate(
        cls,
        evidence: Sequence[Evidence],
        load: Array,
        z: Array | None,
        priors: Priors,
        start: Posterior,
    ) -> Sloped:
        """Integrate.

        Parameters
        ----------
        evidence : sequence of Evidence, length n
            One for each panel.
        load : ndarray, shape (n,)
        z : ndarray, shape (n,), or None
            None for no slope beyond the load.
        priors : Priors
        start : Posterior
            Of the same panels without the moderator; tells where to look.
        """
        directed = any(e.protocol.directed for e in evidence)
        ends = None if z is None or directed else (float(z.min()), float(z.max()))
        panels = _Panels(evidence, load, np.zeros(len(load)) if z is None else z, ends)
        far, scale = min(REACH, 8 * priors.centre_scale), priors.slope_scale
        constant = -np.log(np.sqrt(2 * np.pi) * scale)
        if ends is not None:  # the share of the prior that is not cut off
            share = sum(np.arctan(priors.centre_scale / (scale * abs(end))) for end in ends) / np.pi
            constant += np.log(2 / (ends[1] - ends[0])) - np.log(share)

        def log_density(first: Array, *rest: Array) -> Array:
            second, tau = rest if z is not None else (np.zeros(1), *rest)
            logs = panels.log_likelihood(first, second, tau)
            mu, beta = _centre_and_slope(first[:, None], second, ends)
            logs = logs + log_prior(mu[:, :, None], tau, priors, directed)
            if z is None:
                return logs[:, 0, :]
            logs += (constant - 0.5 * (beta / scale) ** 2)[:, :, None]
            if ends is not None:  # the area of the coordinates
                with np.errstate(divide="ignore"):
                    logs += np.log(first)[:, None, None]
            return logs

        average, spread = start.average, start.spread
        axes = [axis(-far if directed else 0.0, far, average.mean, average.sd)]
        if ends is not None:
            axes.append(axis(-1.0, 1.0, 0.0, 0.5))
        elif z is not None:
            axes.append(axis(-8 * scale, 8 * scale, 0.0, scale / 2))
        axes.append(axis(0.0, min(REACH, 8 * priors.spread_scale), spread.median, spread.sd))
        return cls(panels.series[0], Box.integrate(log_density, axes), ends)

    @property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return self.series.directed

    def distribution(self, quantity: Quantity) -> Distribution:
        """Posterior of a function of centre, slope and spread that changes with the slope (or centre, if alone)."""
        if self.box.density.ndim == 2:
            return self.box.distribution(lambda mu, tau: quantity(mu, np.zeros((1, 1)), tau))

        def value(first: Array, second: Array, tau: Array) -> Array:
            mu, beta = _centre_and_slope(first, second, self.ends)
            return quantity(mu, beta[:, None], tau)

        return self.box.distribution(value, along=1)

    def under(self, old: Priors, new: Priors) -> Sloped:
        """The same panels under other priors than those they were integrated with."""
        first, *rest = np.meshgrid(*self.box.values, indexing="ij", sparse=True)
        mu, beta = (first, np.zeros(())) if len(rest) == 1 else _centre_and_slope(first, rest[0], self.ends)
        change = log_change(old, new, mu, rest[-1] ** 2, beta**2)
        return replace(self, box=self.box.weighed(np.broadcast_to(change, self.box.density.shape)))

    @cached_property
    def spread(self) -> Distribution:
        """Standard deviation between panels with the same value of the moderator."""
        return self.box.distribution(lambda *axes: axes[-1], along=self.box.density.ndim - 1)

    def at(self, load: float, z: Array) -> Strips:
        """Panels with this load and this value of the moderator, shape (1,) or (0,)."""
        values = self.box.values
        if len(values) == 2:
            edges, mass = self.box.own_cells[0]
            return Strips.of(self.series, edges * load, *closer(self.box.axes[-1], mass))
        edges, mass = self.box.own_cells[0]
        moved = _centres(load, float(z[0]), edges[:, None], values[1], self.ends)
        keep = mass.max(axis=2) > NEGLIGIBLE * mass.max()
        low, high = np.minimum(moved[:-1], moved[1:])[keep], np.maximum(moved[:-1], moved[1:])[keep]
        x = np.linspace(*between(low, high, mass[keep].sum(axis=1)), POINTS // 4)
        cdfs = np.stack([running(low, high, m, x) for m in mass[keep].T], axis=1)
        tau, mass = closer(self.box.axes[-1], np.maximum(np.diff(cdfs, axis=0), 0.0))
        return Strips.of(self.series, x, tau, mass)


def _centres(load: float, z: float, first: Array, second: Array, ends: tuple[float, float] | None) -> Array:
    """Centre of panels at `z`, from the first two axes."""
    if ends is None:
        return np.asarray(load * (first + z * second))
    return np.asarray(load * first * (1 + second * (2 * z - ends[1] - ends[0]) / (ends[1] - ends[0])))


def _centre_and_slope(first: Array, second: Array, ends: tuple[float, float] | None) -> tuple[Array, Array]:
    """The centre where z is 0, and the slope, from the first two axes."""
    slope = second + 0 * first if ends is None else 2 * first * second / (ends[1] - ends[0])
    return _centres(1.0, 0.0, first, second, ends) + 0 * second, slope


class _Panels:
    """The likelihood of all panels on the axes of the box."""

    def __init__(
        self, evidence: Sequence[Evidence], load: Array, z: Array, ends: tuple[float, float] | None = None
    ) -> None:
        self.ends = ends
        gammas, self.shares = overdispersions(evidence)
        distinct = {e: k for k, e in enumerate(dict.fromkeys(evidence))}
        index = np.array([distinct[e] for e in evidence])
        self.series = [Series.build(list(distinct), np.bincount(index).tolist(), float(g)) for g in gammas]
        repeated = np.array([e.repeated for e in distinct])
        self.lines: list[tuple[float, float, Array, Array, Array]] = []
        for line in np.unique(np.stack([load, z]), axis=1).T:
            which, copies = np.unique(index[(load == line[0]) & (z == line[1])], return_counts=True)
            self.lines.append((*line, which, copies.astype(float), repeated[which]))

    def log_likelihood(self, first: Array, second: Array, tau: Array) -> Array:
        """Shape (len(first), len(second), len(tau)); the overdispersion integrated out."""
        logs = np.zeros((len(self.series), len(first) * len(second), len(tau)))
        for g, series in enumerate(self.series):
            damping = np.exp(-0.5 * np.multiply.outer(series.frequencies, tau) ** 2)
            for load, z, which, copies, repeated in self.lines:
                if g and not repeated.any():  # without repeats the overdispersion does not matter
                    continue
                centres = _centres(load, z, first[:, None], second, self.ends).ravel()
                waves = series.waves(centres, np.zeros(len(centres)))
                for panel, n, again in zip(which, copies, repeated, strict=True):
                    if g and not again:
                        continue
                    average = waves @ (series.coefficients[panel][:, None] * damping)
                    part = n * (np.log(np.maximum(average, FLOOR)) + series.log_scale[panel])
                    logs[slice(g, g + 1) if again else slice(None)] += part
        total = logs[0] if len(logs) == 1 else logsumexp(logs, b=self.shares[:, None, None], axis=0)
        return np.asarray(total).reshape(len(first), len(second), len(tau))


@dataclass(frozen=True, eq=False)
class Drawn:
    """The same from draws.

    Attributes
    ----------
    series : Series
    draws : dict of ndarray
        `mu`, `tau`, and with clusters `between` and `within`, of shape (draws,); `beta` of shape (draws, moderators);
        of a sampler also `chain` and `draw`, which each of them was.
    """

    series: Series
    draws: dict[str, Array]

    @classmethod
    def of(cls, series: Series, draws: xr.Dataset, columns: Array, *, one_sided: bool) -> Drawn:
        """All chains in a row; with `one_sided`, the draws in which all panels' centres are on one side of 0."""
        found = {str(name): v.to_numpy().reshape(-1, *v.shape[2:]) for name, v in draws.items()}
        found.setdefault("beta", np.zeros((len(found["mu"]), 0)))
        found["chain"], found["draw"] = np.divmod(np.arange(len(found["mu"])), draws.sizes["draw"])
        return cls.kept(series, found, columns, one_sided=one_sided)

    @classmethod
    def kept(cls, series: Series, found: dict[str, Array], columns: Array, *, one_sided: bool) -> Drawn:
        """As `of`, from arrays."""
        if one_sided:
            centres = found["mu"][:, None] + found["beta"] @ np.unique(columns, axis=0).T
            found = {name: v[(centres >= 0).all(axis=1)] for name, v in found.items()}
        return cls(series, found)

    def __len__(self) -> int:
        return len(self.draws["mu"])

    @property
    def _values(self) -> tuple[Array, Array, Array]:
        return self.draws["mu"], self.draws["beta"], self.draws["tau"]

    def under(self, old: Priors, new: Priors) -> Drawn | None:
        """The same draws weighed by other priors and drawn again; None where only a few would then count."""
        mu, beta, tau = self._values
        spreads = 2 if "between" in self.draws else 1
        change = log_change(old, new, mu, tau**2, (beta**2).sum(axis=1), spreads=spreads)
        weight = np.exp(change - change.max())
        if weight.sum() ** 2 / (weight**2).sum() < max(FEW, len(mu) / 10):
            return None
        at = np.searchsorted(np.cumsum(weight) / weight.sum(), (np.arange(len(mu)) + 0.5) / len(mu))
        return Drawn(self.series, {name: v[at.clip(max=len(mu) - 1)] for name, v in self.draws.items()})

    def distribution(self, quantity: Quantity) -> Distribution:
        """Posterior of a function of centre, slopes and spread."""
        return Distribution.from_draws(quantity(*self._values))

    @cached_property
    def spread(self) -> Distribution:
        """Standard deviation between panels with the same values of the moderators (on different clusters)."""
        return Distribution.from_draws(self._values[2])

    def part(self, name: str) -> Distribution:
        """The spread `between` or `within` clusters."""
        return Distribution.from_draws(self.draws[name])

    def at(self, load: float, z: Array) -> Posterior:
        """Panels with this load and these values of the moderators."""
        mu, beta, tau = self._values
        centre = load * (mu + beta @ z)
        return Posterior((Patch(self.series, 1.0, centre, tau, np.full(len(tau), 1 / len(tau))),), "mcmc")
