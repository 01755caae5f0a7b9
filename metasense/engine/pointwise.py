"""The pooled model draw by draw: what each panel says given what panels share, and what it might have shown instead.

Given the centre, the slopes, the spreads, the overdispersion and, with a level, the deviations of its groups, panels
are independent: each draws a d-prime of its own from ``Normal(centre_i, within)``, and its counts follow from that. The
likelihood of a panel with its own d-prime integrated out is the damped cosines of `likelihood.Series`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.engine import outcomes
from metasense.engine.likelihood import Evidence, Series, TwoCounts
from metasense.engine.priors import Priors, log_centre

Array = NDArray[Any]
AT_ONCE = 2_000_000  # percepts drawn at a time


@dataclass(frozen=True, eq=False)
class Shared:
    """Draws of all that panels share.

    Attributes
    ----------
    series : tuple of Series
        Of the distinct panels, one for each overdispersion.
    which : ndarray of int, shape (draws,)
        The overdispersion of each draw, an index into `series`.
    panel : ndarray of int, shape (panels,)
        Which of the distinct panels each panel is.
    centre : ndarray, shape (draws, rows)
        Where panels' d-primes lie, panels of one centre sharing a row; a group's deviation included.
    row : ndarray of int, shape (panels,)
    within : ndarray, shape (draws,)
        Standard deviation of panels around their centre.
    """

    series: tuple[Series, ...]
    which: Array
    panel: Array
    centre: Array
    row: Array
    within: Array

    @property
    def evidence(self) -> list[Evidence]:
        """Every panel."""
        return [self.series[0].evidence[i] for i in self.panel]

    @property
    def gamma(self) -> Array:
        """The overdispersion of each draw, shape (draws,)."""
        return np.array([one.gamma for one in self.series])[self.which]

    def log_likelihood(self) -> Array:
        """Log probability of each panel's counts, its own d-prime integrated out, shape (draws, panels)."""
        out = np.empty((len(self.which), len(self.panel)))
        for k, series in enumerate(self.series):
            draws = np.flatnonzero(self.which == k)
            for row in np.unique(self.row) if len(draws) else ():
                columns = np.flatnonzero(self.row == row)
                asked, back = np.unique(self.panel[columns], return_inverse=True)
                value = series.evaluate(self.centre[draws, row], self.within[draws], asked.tolist())
                out[np.ix_(draws, columns)] = (np.log(value) + series.log_scale[asked])[:, back.ravel()]
        return out

    def d_primes(self, rng: np.random.Generator) -> Array:
        """A new d-prime, with its sign, for a panel like each of these, shape (draws, panels)."""
        return np.asarray(rng.normal(self.centre[:, self.row], self.within[:, None]))

    def counts(self, theta: Array, rng: np.random.Generator) -> dict[str, Array]:
        """Counts of panels as large as these at these d-primes, as `simulated` gives them."""
        return simulated(self.evidence, theta, self.gamma, rng)


def simulated(evidence: Sequence[Evidence], theta: Array, gamma: Array, rng: np.random.Generator) -> dict[str, Array]:
    """Counts at d-primes and overdispersions, with as many tastings and tasters as each panel had.

    Parameters
    ----------
    evidence : sequence of Evidence, length n
    theta : ndarray, shape (draws, n)
        With its sign.
    gamma : ndarray, shape (draws,)
    rng : Generator

    Returns
    -------
    dict of ndarray of int
        `correct`, shape (draws, forced choices), and `hits` and `false_alarms`, shape (draws, panels of two counts).
    """
    correct, hits, alarms = [], [], []
    for e, d in zip(evidence, theta.T, strict=True):
        if not isinstance(e, TwoCounts):
            correct.append(outcomes.simulate(e, d, gamma, rng))
            continue
        pieces = np.array_split(d, e.size * e.protocol.cups * len(d) // AT_ONCE + 1)
        both = [e.protocol.simulate(part, e.signal, e.noise, len(part), rng) for part in pieces]
        hits.append(np.concatenate([one for one, _ in both]))
        alarms.append(np.concatenate([other for _, other in both]))
    found = {"correct": correct, "hits": hits, "false_alarms": alarms}
    return {name: np.stack(columns, axis=1) for name, columns in found.items() if columns}


@dataclass(frozen=True, eq=False)
class Model:
    """The model that was pooled: where the centres of panels lie, and what is believed beforehand.

    Attributes
    ----------
    evidence : sequence of Evidence, length n
    priors : Priors
    load : ndarray, shape (n,)
    columns : ndarray, shape (n, P)
    clusters : ndarray of int, shape (n,), or None
    one_sided : bool
        Whether all centres are kept on one side of 0.
    """

    evidence: Sequence[Evidence]
    priors: Priors
    load: Array
    columns: Array
    clusters: Array | None = None
    one_sided: bool = False

    @classmethod
    def plain(cls, evidence: Sequence[Evidence], priors: Priors) -> Model:
        """Panels that share one centre and one spread."""
        return cls(evidence, priors, np.ones(len(evidence)), np.zeros((len(evidence), 0)))

    @cached_property
    def directed(self) -> bool:
        """Whether d-prime keeps its sign."""
        return any(e.protocol.directed for e in self.evidence)

    @property
    def spread_scale(self) -> float:
        """Of the prior of each spread."""
        return float(self.priors.spread_scale * (1.0 if self.clusters is None else np.sqrt(0.5)))

    def centres(self, unknown: dict[str, Array]) -> Array:
        """Where each panel's d-prime lies, without the deviation of its group, shape (draws, n)."""
        return np.asarray(self.load * (unknown["mu"][:, None] + unknown["beta"] @ self.columns.T))

    def prior(self, size: int, rng: np.random.Generator) -> dict[str, Array]:
        """Draws from the prior.

        Returns
        -------
        dict of ndarray
            `mu`, `tau`, `within`, with clusters `between`, all of shape (size,); `beta` of shape (size, P).
        """
        parts = [self._some(size, rng)]
        while sum(len(part["mu"]) for part in parts) < size:
            parts.append(self._some(size, rng))
        return {name: np.concatenate([part[name] for part in parts])[:size] for name in parts[0]}

    def _some(self, size: int, rng: np.random.Generator) -> dict[str, Array]:
        """Those of `size` draws that the prior allows."""
        priors = self.priors
        mu = rng.normal(priors.centre_at, priors.centre_scale, size)
        if not self.directed:
            mu = np.abs(mu)
        elif priors.centre_at:
            mu = np.where(rng.random(size) < priors.way, mu, -mu)
        found = {"mu": mu, "beta": rng.normal(0, priors.slope_scale, (size, self.columns.shape[1]))}
        found["within"] = np.abs(rng.normal(0, self.spread_scale, size))
        found["tau"] = found["within"]
        if self.clusters is not None:
            found["between"] = np.abs(rng.normal(0, self.spread_scale, size))
            found["tau"] = np.hypot(found["within"], found["between"])
        if self.one_sided:
            kept = (self.centres(found) >= 0).all(axis=1)
            found = {name: value[kept] for name, value in found.items()}
        return found

    def log_prior(self, unknown: dict[str, Array]) -> dict[str, Array]:
        """Log prior density of each unknown, `beta` of shape (draws, P); what is cut off is left out."""
        scale = self.priors.slope_scale
        out = {"mu": log_centre(self.priors, unknown["mu"], self.directed)}
        if self.columns.shape[1]:
            out["beta"] = -0.5 * (unknown["beta"] / scale) ** 2 - np.log(np.sqrt(2 * np.pi) * scale)
        for name in ("tau",) if self.clusters is None else ("between", "within"):
            square = (unknown[name] / self.spread_scale) ** 2
            out[name] = -0.5 * square + np.log(2 / (np.sqrt(2 * np.pi) * self.spread_scale))
        return out

    def believed(self, unknown: dict[str, Array], rng: np.random.Generator) -> tuple[Array, Array]:
        """Panels' d-primes with their sign, shape (draws, n), and overdispersions, at draws of the prior."""
        size = len(unknown["mu"])
        centre = self.centres(unknown)
        if self.clusters is not None:
            deviation = rng.normal(0, unknown["between"][:, None], (size, int(self.clusters.max()) + 1))
            centre = centre + deviation[:, self.clusters]
        gamma = rng.random(size) if any(e.repeated for e in self.evidence) else np.zeros(size)
        return rng.normal(centre, unknown["within"][:, None]), gamma
