"""The model of `grid` stated in PyMC: cosine series for the panels, polar coordinates for centre and spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from metasense.engine.likelihood import FLOOR, Series
from metasense.engine.priors import Priors

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Ruler:
    """The map ``log R = middle + z width(a)``: about how far, and how surely, the panels tell R at each angle.

    ``width**2 = own**2 + sin(a)**2 / (panels + 4 sin(a)**2)``: the panels' own uncertainty, and that of a mean of so
    many unlike panels; where few are very unlike, the prior of the spread keeps it down as 4 more would.
    """

    middle: float
    own: float
    panels: float

    def width(self, sine: Any) -> Any:
        return (self.own**2 + sine**2 / (self.panels + 4 * sine**2)) ** 0.5


def build(
    series: list[Series],
    shares: NDArray[np.floating],
    priors: Priors,
    X: Array,
    ruler: Ruler,
    load: Array | float = 1.0,
    clusters: NDArray[np.intp] | None = None,
    *,
    names: Sequence[str] = (),
    panels: Sequence[str] = (),
) -> Any:
    """The model as a ``pymc.Model``, of which chains are drawn and which `metasense.pymc_model` hands out.

    Sampled are ``z`` and ``a``, slopes as ``beta`` (dims moderator), with clusters ``split``; from them follow ``mu``,
    ``tau`` and with clusters ``between`` and ``within``. Panel i has centre ``load_i (mu + X_i beta)``, and within
    clusters the cluster's own deviation, integrated out. `names` are the moderators, `panels` the panels.
    """
    import pymc as pm

    coords: dict[str, Sequence[Any]] = {
        "moderator": list(names) or range(X.shape[1]),
        "panel": list(panels) or range(len(X)),
    }
    with pm.Model(coords=coords) as model:
        _state(series, shares, priors, X, ruler, load, clusters)
    return model


def _state(
    series: list[Series],
    shares: NDArray[np.floating],
    priors: Priors,
    X: Array,
    ruler: Ruler,
    load: Array | float,
    clusters: NDArray[np.intp] | None,
) -> None:
    """State it inside the PyMC model that is open."""
    import pymc as pm
    import pytensor.tensor as pt

    slopes = X.shape[1]
    z = pm.Flat("z")
    # The whole half-circle is open even where d-prime has no sign: the two halves are mirror images, and a chain that
    # may pass mu = 0 does not get caught at a wall there.
    a = pm.Uniform("a", 0, np.pi)
    width = ruler.width(pt.sin(a))
    log_R = ruler.middle + z * width
    R = pm.Deterministic("R", pt.exp(log_R))
    mu = pm.Deterministic("mu", R * pt.cos(a))
    tau = pm.Deterministic("tau", R * pt.sin(a))
    beta = pm.Normal("beta", 0, priors.slope_scale, dims="moderator") if slopes else None
    centres = load * (mu + pt.dot(X, beta) if slopes else mu * np.ones(len(X)))
    at = priors.centre_at
    log_prior = -0.5 * ((mu - at) / priors.centre_scale) ** 2 - 0.5 * (tau / priors.spread_scale) ** 2
    way = priors.way if series[0].directed else 0.5
    if at and way < 1:  # and the mirror image
        mirrored = log_prior - 2 * at * mu / priors.centre_scale**2
        log_prior = pt.logaddexp(log_prior + np.log(max(way, 1e-300)), mirrored + np.log(1 - way))
    if clusters is not None:
        # the spread is that of panels in different clusters; two halves of its variance, one prior for each
        split = pm.Uniform("split", 0, np.pi / 2)
        # d between d within = tau d tau d split
        log_prior += -0.5 * (tau / priors.spread_scale) ** 2 + pt.log(tau)
        within = pm.Deterministic("within", tau * pt.cos(split))
        between = pm.Deterministic("between", tau * pt.sin(split))
        log_likelihood = _of_clusters(series, centres, within, between, clusters)
    else:
        one_centre = mu if not slopes and not np.ndim(load) else None
        log_likelihood = _of_panels(series, centres, tau, one_centre)
    scale = np.array([s.log_scale @ s.copies for s in series])
    pm.Potential("panels", pt.logsumexp(log_likelihood + (scale - scale.max()) + np.log(shares)))
    pm.Potential("prior", log_prior)
    pm.Potential("area", 2 * log_R + pt.log(width))  # d mu d tau = R**2 width dz da


def _of_panels(series: list[Series], centres: Any, tau: Any, one_centre: Any | None) -> Any:
    """Log likelihood at each overdispersion; in one product where all panels have one centre."""
    import pytensor.tensor as pt

    first = series[0]
    w, C = _waves(series)
    damping = pt.exp(-0.5 * w**2 * tau**2)
    if one_centre is None:
        average = (C * (pt.cos((centres[:, None] + first.offset) * w) * damping)).sum(axis=2)
    else:
        waves = pt.cos(w * (one_centre + first.offset)) * damping
        average = pt.dot(C.reshape(-1, len(w)), waves).reshape((len(series), len(first.evidence)))
    return (pt.log(_positive(average)) * first.copies).sum(axis=1)


def _of_clusters(series: list[Series], centres: Any, within: Any, between: Any, clusters: NDArray[np.intp]) -> Any:
    """Log likelihood at each overdispersion, every cluster's own deviation integrated out by the trapezoid rule."""
    import pytensor.tensor as pt

    first = series[0]
    w, C = _waves(series)
    turn = centres[:, None] + first.offset
    damped = C * pt.exp(-0.5 * w**2 * within**2)
    step = _quadrature(first, clusters)
    at = np.arange(-6.0, 6.0 + step / 2, step)
    shift = w[:, None] * (between * at)
    average = pt.dot(damped * pt.cos(turn * w), pt.cos(shift))
    average -= pt.dot(damped * pt.sin(turn * w), pt.sin(shift))
    member = np.equal.outer(np.unique(clusters), clusters) * first.copies
    logs = pt.dot(member, pt.log(_positive(average))).dimshuffle(1, 0, 2)  # overdispersion, cluster, node
    weight = -0.5 * at**2 + np.log(step / np.sqrt(2 * np.pi))
    return pt.logsumexp(logs + weight, axis=2).sum(axis=1)


def _waves(series: list[Series]) -> tuple[NDArray[np.floating], Array]:
    """Frequencies, shape (terms,), and the panels' coefficients, shape (overdispersions, panels, terms)."""
    terms = max(s.terms for s in series)
    w = np.pi * np.arange(terms) / series[0].width
    return w, np.stack([np.pad(s.coefficients, ((0, 0), (0, terms - s.terms))) for s in series])


def _positive(average: Any) -> Any:
    """A likelihood kept off 0 without a kink."""
    import pytensor.tensor as pt

    return 0.5 * (average + pt.sqrt(average**2 + 4 * FLOOR**2))


def _quadrature(series: Series, clusters: NDArray[np.intp]) -> float:
    """Step of the trapezoid over a cluster's deviation (in SDs) that resolves the best known cluster's likelihood."""
    sizes = np.array([e.size for e in series.evidence]) * series.copies
    largest = float(np.max(np.bincount(clusters, sizes)))
    return float(np.clip(2.0 / np.sqrt(largest), 0.05, 0.3))
