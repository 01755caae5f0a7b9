"""The pooled posterior by integration: exact to many digits in milliseconds, no sampling.

The plane of ``(mu, tau)`` is covered in the coordinates ``(t, angle)``, where ``t`` is the average d-prime itself and
``angle`` tells how much of it is spread: ``mu = t cos(angle) / h``, ``tau = t sin(angle) / h`` with
``h(angle) = E|theta|`` at distance 1 from the origin. The headline is then a coordinate, its posterior a plain
one-dimensional curve, and every other quantity grows along rays. Both axes are stretched around the bulk of the
posterior by ``sinh``, which serves sharp peaks and heavy tails alike, and integrated by the nested Clenshaw-Curtis
rule, whose every second node checks the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import logsumexp

from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Evidence, Series, log_likelihoods
from metasense.engine.posterior import Patch, Posterior, chebyshev
from metasense.engine.priors import Priors, log_centre

Array = NDArray[np.floating[Any]]

NODES = 65  # per axis; 33 of them make the check
ROUGH = 33  # the same where 1e-3 is enough
CUT = 26.0  # log density below the peak at which the box ends
TOLERANCE = 1e-3  # of the log evidence between the rule and its every second node
WISHED = 1e-6  # the same, for an average good to 1e-6; worth one more round
NEAR = 0.25 ** np.arange(1, 9)  # a small spread allows wide angles only much closer to the origin than the other nodes
FINE = 1025
REFINED = 4
GAMMAS = 14  # overdispersions at which panels with repeats are integrated
FEW_GAMMAS = 8  # as good to 1e-7 where the panels say little of the overdispersion
ROUGH_GAMMAS = 5  # the same, to 1e-4
FEW_PAIRS = 200  # pairs of answers of one taster up to which they say little


class IntegrationError(ArithmeticError):
    """The integration could not reach its accuracy; no answer is better than a wrong one.

    Examples
    --------
    >>> import metasense as ms
    >>> issubclass(ms.IntegrationError, ArithmeticError)
    True
    """


@dataclass(frozen=True, eq=False)
class Evidences:
    """Log evidences of the three explanations: none (all d-primes 0), same (no spread), varying."""

    none: float
    same: float
    varying: float
    error: float


@dataclass(frozen=True)
class Stretch:
    """The map ``value = centre + scale sinh(s)`` of an interval."""

    lower: float
    upper: float
    centre: float
    scale: float

    def at(self, x: Array) -> tuple[Array, Array]:
        """Values and derivatives at x in [-1, 1]."""
        a, b = np.arcsinh((np.array([self.lower, self.upper]) - self.centre) / self.scale)
        s = (a + b) / 2 + (b - a) / 2 * x
        values = np.clip(self.centre + self.scale * np.sinh(s), self.lower, self.upper)
        return values, self.scale * np.cosh(s) * (b - a) / 2

    def refit(self, x: Array, weight: Array, density: Array) -> Stretch:
        """The map that suits the weights seen at x: median, spread and where the log density is worth having."""
        values, _ = self.at(x)
        inside = np.flatnonzero(density > density.max() - CUT)
        first, last = max(inside[0] - 1, 0), min(inside[-1] + 1, len(x) - 1)
        cumulative = np.cumsum(weight) - weight / 2
        low, middle, high = np.interp(np.array([0.16, 0.5, 0.84]) * weight.sum(), cumulative, values)
        return Stretch(float(values[first]), float(values[last]), float(middle), float(max((high - low) / 2, 1e-9)))

    def joined(self, other: Stretch) -> Stretch:
        """An interval that holds both, stretched as the wider of them."""
        lower, upper = min(self.lower, other.lower), max(self.upper, other.upper)
        return Stretch(lower, upper, (self.centre + other.centre) / 2, max(self.scale, other.scale))

    def near(self, other: Stretch) -> bool:
        return abs(self.centre - other.centre) < self.scale and 0.6 < self.scale / other.scale < 1.7


@dataclass(frozen=True, eq=False)
class Region:
    """One sign of mu, under several overdispersions: the log density of each in ``(t, angle)``.

    Attributes
    ----------
    cases : tuple of Series, length C
        Of the same panels.
    priors : Priors
    sign : float
    """

    cases: tuple[Series, ...]
    priors: Priors
    sign: float

    def rays(self, angle: Array) -> tuple[Array, Array, Array]:
        """``mu`` and ``tau`` along each ray, per unit of average d-prime; and that average at distance 1."""
        cosine, sine = np.clip(np.cos(angle), 0, None), np.sin(angle)
        h = self.cases[0].average(cosine, sine)
        return self.sign * cosine / h, sine / h, h

    def log_density(self, t: Array, angle: Array) -> tuple[Array, Array, Array]:
        """Log of likelihood x prior x Jacobian on the product grid, (C, len(t), len(angle)); with mu and tau there."""
        ray_mu, ray_tau, h = self.rays(angle)
        mu, tau = np.multiply.outer(t, ray_mu), np.multiply.outer(t, ray_tau)
        likelihood = log_likelihoods(self.cases, mu.ravel(), tau.ravel()).reshape(-1, *mu.shape)
        with np.errstate(divide="ignore"):
            jacobian = np.log(t)[:, None] - 2 * np.log(h)
        return likelihood + (log_prior(mu, tau, self.priors, self.cases[0].directed) + jacobian), mu, tau

    def locate(self) -> tuple[Stretch, Stretch]:
        """Where the posteriors of all cases lie: between those of the first and the last, and as wide as the wider."""
        first = replace(self, cases=self.cases[:1])._locate(None)
        if len(self.cases) == 1:
            return first
        last = replace(self, cases=self.cases[-1:])._locate(first)
        return first[0].joined(last[0]), first[1].joined(last[1])

    def _locate(self, guess: tuple[Stretch, Stretch] | None) -> tuple[Stretch, Stretch]:
        """Find the bulk of the posterior by repeated coarse looks, each stretched around what the last one saw."""
        far = min(14.0, abs(self.priors.centre_at) + 8.0 * max(self.priors.centre_scale, self.priors.spread_scale))
        t, angle = guess or (Stretch(0, 0, far / 2, far), Stretch(0, 0, np.pi / 4, np.pi))
        x = np.linspace(-1, 1, 25)
        for _ in range(30):
            # every look covers the whole axes: what a coarse look misses must not be cut off for good
            t, angle = replace(t, lower=0.0, upper=far), replace(angle, lower=0.0, upper=np.pi / 2)
            (tv, tj), (av, aj) = t.at(x), angle.at(x)
            density = self.log_density(np.concatenate([tv, tv[1] * NEAR]), av)[0][0] + np.log(aj)
            close = density[len(x) :] + np.log(tv[1] * NEAR)[:, None]
            density = density[: len(x)] + np.log(tj)[:, None]
            weight = np.exp(density - density.max())
            new_t = t.refit(x, weight.sum(axis=1), density.max(axis=1))
            new_angle = angle.refit(x, weight.sum(axis=0), np.maximum(density.max(axis=0), close.max(axis=0)))
            settled = new_t.near(t) and new_angle.near(angle)
            t, angle = new_t, new_angle
            if settled:
                break
        return t, angle


def log_prior(mu: Array, tau: Array, priors: Priors, directed: bool) -> Array:
    """Log prior density of ``(mu, tau)`` with ``tau >= 0`` and, unless `directed`, ``mu >= 0``."""
    spread = np.log(2 / (np.sqrt(2 * np.pi) * priors.spread_scale)) - 0.5 * (tau / priors.spread_scale) ** 2
    return log_centre(priors, mu, directed) + spread


@dataclass(frozen=True, eq=False)
class Refinement:
    """Nodes of a region that stand closer together on the rays with little spread.

    Attributes
    ----------
    region : Region
    t : Stretch
        Of the average d-prime.
    nodes : int
        Along each ray before.
    angles, weights : ndarray, shape (rays,)
        The rays with little spread, and what each weighs.
    logs : ndarray, shape (C,)
        Of the integral of each case.
    mu, tau : ndarray, shape (nodes,)
        Of the nodes that stay as they are.
    rest : ndarray, shape (C, nodes)
        Their weights.
    """

    region: Region
    t: Stretch
    nodes: int
    angles: Array
    weights: Array
    logs: Array
    mu: Array
    tau: Array
    rest: Array

    @cached_property
    def all(self) -> tuple[Array, Array, Array]:
        """``mu``, ``tau`` and, of each case, the weights, (C, nodes)."""
        finer, finer_w = chebyshev(REFINED * (self.nodes - 1) + 1, FINE)[:2]
        values, slope = self.t.at(finer)
        density, mu, tau = self.region.log_density(values, self.angles)
        density += np.log(np.multiply.outer(slope * finer_w, self.weights)) - self.logs[:, None, None]
        near = np.exp(density).reshape(len(density), -1)
        return (
            np.concatenate([self.mu, mu.ravel()]),
            np.concatenate([self.tau, tau.ravel()]),
            np.concatenate([self.rest, near], axis=1),
        )

    def of(self, case: int) -> tuple[Array, Array, Array]:
        """The same of one case."""
        mu, tau, weights = self.all
        return mu, tau, weights[case]


def _cover(region: Region, t: Stretch, angle: Stretch, nodes: int) -> tuple[Array, Array, list[dict[str, Any]]]:
    """Log integral over the region in each case, the same from every second node, and what patches need."""
    x, w, fine_x, integrals = chebyshev(nodes, FINE)
    half_w = chebyshev((nodes + 1) // 2, FINE)[1]
    (tv, tj), (av, aj) = t.at(x), angle.at(x)
    density, mu, tau = region.log_density(tv, av)
    density += np.log(np.multiply.outer(tj, aj))
    peak = density.max(axis=(1, 2))
    scaled = np.exp(density - peak[:, None, None])
    whole = w @ scaled @ w
    check = np.maximum(half_w @ scaled[:, ::2, ::2] @ half_w, 1e-300)
    weight = scaled * np.multiply.outer(w, w) / whole[:, None, None]
    running = (integrals @ scaled) * w / whole[:, None, None]
    ray_mu, ray_tau, _ = region.rays(av)
    # Rays with little spread would leave a comb in the mixtures of panels: there their nodes are set closer together.
    close = ray_tau * t.centre < 0.12 * tj[nodes // 2]
    refined = None
    if close.any():
        rest = weight[:, :, ~close].reshape(len(weight), -1)
        logs = peak + np.log(whole)
        sparse = mu[:, ~close].ravel(), tau[:, ~close].ravel()
        refined = Refinement(region, t, nodes, av[close], (aj * w)[close], logs, *sparse, rest)
    same = {
        "mu": mu.ravel(), "tau": tau.ravel(), "fine": t.at(fine_x)[0], "ray_mu": ray_mu, "ray_tau": ray_tau,
        "fine_tau": region.rays(angle.at(fine_x)[0])[1],
    }  # fmt: skip
    parts = [
        same | {"weight": one.ravel(), "running": run, "refine": None if refined is None else partial(refined.of, case)}
        for case, (one, run) in enumerate(zip(weight, running, strict=True))
    ]
    return peak + np.log(whole), peak + np.log(check), parts


def _same(region: Region) -> float:
    """Log evidence when all panels share one d-prime: the same stretch in one dimension, for an only case."""
    series, priors = region.cases[0], region.priors

    def log_density(mu: Array) -> Array:
        return series.exact_log_likelihood(region.sign * mu) + log_centre(priors, region.sign * mu, series.directed)

    far = min(14.0, abs(priors.centre_at) + 8.0 * priors.centre_scale)
    stretch = Stretch(0.0, far, far / 2, far)
    x = np.linspace(-1, 1, 41)
    for _ in range(30):
        values, slope = stretch.at(x)
        density = log_density(values) + np.log(slope)
        new = stretch.refit(x, np.exp(density - density.max()), density)
        settled, stretch = new.near(stretch), new
        if settled:
            break
    points, w, *_ = chebyshev(2 * NODES - 1, FINE)
    values, slope = stretch.at(points)
    density = log_density(values)
    return float(density.max() + np.log(w @ (np.exp(density - density.max()) * slope)))


def overdispersions(evidence: Sequence[Evidence], few: int = FEW_GAMMAS) -> tuple[Array, Array]:
    """Gauss-Legendre nodes and weights for gamma ~ Uniform(0, 1); only 0 where nobody repeated.

    There are `few` where the panels say so little of it that a few do as well.
    """
    if not any(e.repeated for e in evidence):
        return np.zeros(1), np.ones(1)
    x, w = np.polynomial.legendre.leggauss(few if sum(e.pairs for e in evidence) <= FEW_PAIRS else GAMMAS)
    return np.asarray((x + 1) / 2, float), np.asarray(w / 2, float)


@dataclass(frozen=True, eq=False)
class Covered:
    """What integration over some cases gave.

    Attributes
    ----------
    patches : tuple of Patch
        Of each case and sign that is left with some probability.
    log_evidence : float
        Of all cases together.
    error : float
        By how much it moves when every second node is left out.
    """

    patches: tuple[Patch, ...]
    log_evidence: float
    error: float


def cover(
    cases: Sequence[Series],
    shares: Array,
    priors: Priors,
    *,
    nodes: int = NODES,
    doublings: int = 3,
    wished: float = WISHED,
) -> Covered:
    """Integrate over ``(mu, tau)`` in each of several cases, at the same nodes in all.

    Parameters
    ----------
    cases : sequence of Series
        Of the same panels, such that one is much like the next.
    shares : ndarray, shape (cases,)
        How probable each was before the panels.
    priors : Priors
    nodes, doublings : int
        As in `integrate`.
    wished : float
        Error of the log evidence at which the first nodes are enough.

    Raises
    ------
    IntegrationError
        As in `integrate`.
    """
    regions = _regions(cases, priors)
    stretches = [region.locate() for region in regions]
    log_shares = np.log(shares)
    for done in range(doublings + 1):
        covers = [_cover(region, *stretch, nodes) for region, stretch in zip(regions, stretches, strict=True)]
        logs = np.array([found[0] for found in covers]) + log_shares
        total = float(logsumexp(logs))
        error = abs(total - float(logsumexp(np.array([found[1] for found in covers]) + log_shares)))
        if error <= (wished if done == 0 < doublings else TOLERANCE):
            break
        nodes = 2 * nodes - 1
    else:
        raise IntegrationError(
            f"The integration did not settle: its log evidence still moves by {error:.2g} at {nodes // 2 + 1} nodes an "
            "axis, and no answer is better than a wrong one. One panel with far more tastings than the others is the "
            "likeliest cause: check its count. If it is right, please report the panels."
        )
    patches = []
    for case, series in enumerate(cases):
        for (_, _, parts), log in zip(covers, logs[:, case], strict=True):
            share = float(np.exp(log - total))
            if share > 1e-14:
                patches.append(Patch(series, share, **parts[case]))
    return Covered(tuple(patches), total, error)


def _regions(cases: Sequence[Series], priors: Priors) -> list[Region]:
    """One a sign of the centre."""
    signs = (1.0, -1.0) if cases[0].directed else (1.0,)
    return [Region(tuple(cases), priors, sign) for sign in signs]


def beside(
    kind: type[Series], evidence: Sequence[Evidence], copies: ArrayLike, priors: Priors
) -> tuple[Distribution, float]:
    """The average d-prime and the log evidence under a model that stands beside the answer, good to 1e-3.

    Parameters
    ----------
    kind : type
        Of series: how the panels spread.
    evidence : sequence of Evidence
        Distinct panels.
    copies : sequence of int
        How often each stands in the pool.
    priors : Priors

    Raises
    ------
    IntegrationError
        As in `integrate`.
    """
    gammas, shares = overdispersions(evidence, ROUGH_GAMMAS)
    cases = [kind.build(evidence, copies, float(gamma)) for gamma in gammas]
    covered = cover(cases, shares, priors, nodes=ROUGH, wished=TOLERANCE)
    return Posterior(covered.patches, "grid").average, covered.log_evidence


def integrate(
    evidence: Sequence[Evidence],
    copies: ArrayLike,
    priors: Priors,
    *,
    nodes: int = NODES,
    doublings: int = 3,
) -> tuple[Posterior, Evidences]:
    """Posterior of ``(mu, tau)`` and the log evidences, by integration.

    Parameters
    ----------
    evidence : sequence of Evidence
        Distinct panels.
    copies : sequence of int
        How often each stands in the pool.
    priors : Priors
    nodes : int
        Nodes per axis to begin with, odd.
    doublings : int
        How often the nodes may be doubled until the check is met; once for an accuracy beyond it.

    Raises
    ------
    IntegrationError
        If the log evidence still moves by more than 1e-3 when every second node is left out.
    """
    gammas, shares = overdispersions(evidence)
    cases = [Series.build(evidence, copies, float(gamma)) for gamma in gammas]
    covered = cover(cases, shares, priors, nodes=nodes, doublings=doublings)
    none = logsumexp([float(case.exact_log_likelihood(np.zeros(1))[0]) for case in cases], b=shares)
    same = logsumexp([[_same(region) for region in _regions([case], priors)] for case in cases], b=shares[:, None])
    evidences = Evidences(float(none), float(same), covered.log_evidence, covered.error)
    return Posterior(covered.patches, "grid"), evidences
