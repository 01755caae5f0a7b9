"""Pools by plain sums: slow, dense, and without a line of the engine's.

The chance of a correct answer is written out anew (closed forms with Owen's T, cited from memory and held against
simulated tasters elsewhere), a panel's likelihood is averaged over its d-prime by sums over a fine axis, and centre and
spread are summed along rays ``spread / centre = constant``, on which every d-prime grows in proportion. What is given
of a quantity is the probability up to a value.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from scipy.interpolate import CubicSpline
from scipy.special import erf, gammaln, ndtr, owens_t, stdtr

Array = np.ndarray
REACH = 14.0
DIRECTED = ("2-AFC", "3-AFC")
CENTRE, SPREAD = 1.5, 0.5  # scales of the half-normal priors, stated in the documentation
CUT = 34.0  # log density below the peak at which a ray ends
SHARES = np.polynomial.legendre.leggauss(16)  # of the share with nothing: exact for thirty panels
Z, CHANCE_Z = np.polynomial.hermite_e.hermegauss(41)
CHANCE_Z = CHANCE_Z / CHANCE_Z.sum()
TINY = 1e-300


def chances(protocol: str, d: Array) -> tuple[Array, Array]:
    """Probabilities of a right and of a wrong answer."""
    if protocol == "triangle":
        wrong = 4 * owens_t(d / np.sqrt(6), np.sqrt(3))
    elif protocol == "tetrad":
        wrong = 8 * owens_t(d / np.sqrt(2), 1 / np.sqrt(3))
    elif protocol == "duo-trio":
        wrong = 0.5 - erf(np.abs(d) / 2) * erf(np.abs(d) / np.sqrt(12)) / 2
    elif protocol == "2-AFC":
        wrong = ndtr(-d / np.sqrt(2))
    elif protocol == "3-AFC":
        wrong = ndtr(-d / np.sqrt(2)) + 2 * owens_t(d / np.sqrt(2), 1 / np.sqrt(3))
    else:
        raise ValueError(protocol)
    return 1 - wrong, wrong


@dataclass(frozen=True)
class Panel:
    """So many tastings, so many of them right."""

    protocol: str
    tastings: int
    correct: int

    def log_likelihood(self, d: Array) -> Array:
        """At each d-prime."""
        right, wrong = chances(self.protocol, np.asarray(d, float))
        n, x = self.tastings, self.correct
        choose = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1)
        of_right = x * np.log(np.maximum(right, TINY)) if x else 0.0
        of_wrong = (n - x) * np.log(np.maximum(wrong, TINY)) if n > x else 0.0
        return choose + of_right + of_wrong


@dataclass(frozen=True, eq=False)
class Ray:
    """Nodes at which spread and centre stand in one proportion.

    Attributes
    ----------
    cosine, sine : float
        Of the angle; the cosine is negative where the centre is.
    weight : float
        Of the angle.
    r : ndarray, shape (nodes,)
        Distances from no difference: the centre is ``r cosine``, the spread ``r sine``.
    log_volume : ndarray, shape (nodes,)
        Log of prior density times the area of each node.
    logs : ndarray, shape (nodes, panels)
        Log likelihood of each panel.
    """

    cosine: float
    sine: float
    weight: float
    r: Array
    log_volume: Array
    logs: Array


class Sums:
    """Centre and spread of some panels, summed.

    Parameters
    ----------
    panels : sequence of Panel
    tails : bool
        Whether panels spread as Student's t with 4 degrees of freedom instead of normally.
    pieces : int
        Into which the angles are cut, 16 rays each.
    """

    def __init__(self, panels: Sequence[Panel], *, tails: bool = False, pieces: int = 12) -> None:
        self.panels, self.tails = list(dict.fromkeys(panels)), tails
        self.copies = np.array([panels.count(panel) for panel in self.panels], float)
        self.directed = any(panel.protocol in DIRECTED for panel in panels)
        self.width = 1 / np.sqrt(0.38 * max(max(panel.tastings for panel in panels), 6))  # of the narrowest likelihood
        self.step = self.width / 4
        self.axis = np.arange(-REACH, REACH + self.step, self.step)
        self.rows = np.exp([panel.log_likelihood(self.axis) for panel in self.panels])
        self.none = np.array([float(panel.log_likelihood(np.zeros(1))[0]) for panel in self.panels])
        self._lay(pieces)

    # --- nodes ------------------------------------------------------------------------------------------------------

    def _lay(self, pieces: int) -> None:
        """Rays at the nodes of Gauss and Legendre, piece by piece; on each as many nodes as it needs."""
        x, w = np.polynomial.legendre.leggauss(16)
        ends = np.concatenate([[0.0], np.geomspace(self.width / 40, np.pi / 2, pieces)])
        angles = np.concatenate([low + (high - low) * (x + 1) / 2 for low, high in pairwise(ends)])
        weights = np.concatenate([w / 2 * (high - low) for low, high in pairwise(ends)])
        looks = []
        narrow = self.width / np.sqrt(self.copies.sum())
        for sign in (1, -1) if self.directed else (1,):
            for angle, weight in zip(angles, weights, strict=True):
                cosine, sine = sign * np.cos(angle), np.sin(angle)
                r = np.arange(narrow / 2, 13.0, narrow)
                r = r[(r * sine < 6) & (r * np.abs(cosine) < 13)]
                logs = self.averaged(r * cosine, r * sine)
                looks.append((cosine, sine, weight, r, self._envelope(logs) + self._prior(r * cosine, r * sine)))
        peak = max(height.max() for *_, height in looks)
        self.rays: list[Ray] = []
        for cosine, sine, weight, r, height in looks:
            inside = np.flatnonzero(height > peak - CUT)
            if not len(inside):
                continue
            low = 0.0 if inside[0] == 0 else r[inside[0] - 1]
            high = r[min(inside[-1] + 1, len(r) - 1)]
            fine = np.linspace(low, high, 2 * max(150, int((high - low) / (0.6 * narrow))) + 1)
            simpson = np.full(len(fine), 2.0)
            simpson[1::2] = 4.0
            simpson[[0, -1]] = 1.0
            simpson *= (fine[1] - fine[0]) / 3
            mu, tau = fine * cosine, fine * sine
            with np.errstate(divide="ignore"):
                volume = self._prior(mu, tau) + np.log(simpson * weight * fine)
            self.rays.append(Ray(float(cosine), float(sine), float(weight), fine, volume, self.averaged(mu, tau)))

    def _prior(self, mu: Array, tau: Array) -> Array:
        """Log prior density."""
        normal = -0.5 * (mu / CENTRE) ** 2 - 0.5 * (tau / SPREAD) ** 2 - np.log(2 * np.pi * CENTRE * SPREAD)
        return normal + np.log(2 if self.directed else 4)

    def _envelope(self, logs: Array) -> Array:
        """The largest log likelihood under several shares with nothing."""
        return np.max([self._thinned(logs, share) @ self.copies for share in (0.0, 0.1, 0.5, 0.9)], axis=0)

    def _thinned(self, logs: Array, share: float) -> Array:
        """Log likelihood of panels of which such a share has nothing."""
        with np.errstate(divide="ignore"):
            return np.logaddexp(np.log(share) + self.none, np.log1p(-share) + logs)

    def averaged(self, mu: Array, tau: Array) -> Array:
        """Log likelihood of each panel averaged over its d-prime, shape (nodes, panels)."""
        found = self._over_d_primes(mu, tau, self.rows, lambda d: np.exp([p.log_likelihood(d) for p in self.panels]))
        return np.log(np.maximum(found, TINY))

    def _over_d_primes(self, mu: Array, tau: Array, rows: Array, at: Callable[[Array], Array]) -> Array:
        """Averages over the d-primes at each node of what is known on the axis, shape (nodes, rows)."""
        out = np.empty((len(mu), len(rows)))
        wide = tau >= (2 if self.tails else 1) * self.step  # smooth enough for plain sums along the axis
        for part in np.array_split(np.flatnonzero(wide), 1 + wide.sum() * len(self.axis) // 4_000_000):
            z = (self.axis - mu[part, None]) / tau[part, None]
            chance = _t(z) if self.tails else np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
            out[part] = chance @ rows.T * (self.step / tau[part, None])
            if self.tails:  # beyond the axis a likelihood is what it is at its ends
                low, high = (
                    stdtr(4, z[:, [0]] - self.step / tau[part, None] / 2),
                    stdtr(4, -z[:, [-1]] - self.step / tau[part, None] / 2),
                )
                out[part] += low * rows[:, 0] + high * rows[:, -1]
        if self.tails:
            s = np.arange(-9, 9.01, 0.05)
            z, w = np.sinh(s), _t(np.sinh(s)) * np.cosh(s) * 0.05
        else:
            z, w = Z, CHANCE_Z
        rest = np.flatnonzero(~wide)
        if len(rest):
            out[rest] = (at(np.clip(mu[rest, None] + tau[rest, None] * z, -REACH, REACH)) @ w).T
        return out

    # --- every node with what it weighs -----------------------------------------------------------------------------

    def weigh(self, share: float = 0.0) -> tuple[float, list[Array]]:
        """Log evidence and the probability of each node where such a share of panels has nothing."""
        found = [(self._thinned(ray.logs, share) @ self.copies) + ray.log_volume for ray in self.rays]
        peak = max(part.max() for part in found)
        total = sum(float(np.exp(part - peak).sum()) for part in found)
        return float(peak + np.log(total)), [np.exp(part - peak) / total for part in found]

    @cached_property
    def varying(self) -> tuple[float, Curves]:
        """Log evidence where every panel has a d-prime of its own, and what is known of centre and spread."""
        log_evidence, weights = self.weigh()
        return log_evidence, Curves(self, weights)

    def rates(self, protocol: str) -> list[Array]:
        """Correct answers averaged over panels, at each node of each ray."""
        wrong = chances(protocol, self.axis)[1][None]
        return [
            1 - self._over_d_primes(ray.r * ray.cosine, ray.r * ray.sine, wrong, lambda d: chances(protocol, d)[1][None])[:, 0]
            for ray in self.rays
        ]  # fmt: skip

    def size(self, ray: Ray) -> float:
        """Mean size of the panels' d-primes, at distance 1."""
        ratio = abs(ray.cosine) / ray.sine
        if self.tails:
            outside = 2 * (4 + ratio**2) / 3 * float(_t(np.array(ratio)))
            return ray.sine * outside + abs(ray.cosine) * float(2 * stdtr(4, ratio) - 1)
        normal = ray.sine * np.sqrt(2 / np.pi) * np.exp(-0.5 * ratio**2)
        return float(normal + abs(ray.cosine) * (1 - 2 * ndtr(-ratio)))

    # --- one d-prime in all panels ----------------------------------------------------------------------------------

    @cached_property
    def same(self) -> tuple[float, Array, Array]:
        """Log evidence; d-primes and the probability of each."""
        d = np.linspace(-REACH if self.directed else 0.0, REACH, 40_001)
        logs = sum(n * panel.log_likelihood(d) for n, panel in zip(self.copies, self.panels, strict=True))
        sides = 1 if self.directed else 2
        logs = logs + np.log(sides * (d[1] - d[0])) + stats.norm.logpdf(d, scale=CENTRE)
        logs[[0, -1]] -= np.log(2)
        total = logs.max() + np.log(np.exp(logs - logs.max()).sum())
        return float(total), d, np.exp(logs - total)

    def same_below(self, values: Array, value: float) -> float:
        """Probability that what a common d-prime gives, a value at each, is at most this."""
        ends = np.concatenate([values[:1], (values[1:] + values[:-1]) / 2, values[-1:]])
        return float(self.same[2] @ _part(value, ends[:-1], ends[1:]))

    # --- only in some panels ----------------------------------------------------------------------------------------

    @cached_property
    def _shares(self) -> list[tuple[float, float, float, list[Array]]]:
        """Each share with nothing, its weight, log evidence and the probabilities of the nodes given it."""
        x, w = SHARES
        return [((a + 1) / 2, b / 2, *self.weigh((a + 1) / 2)) for a, b in zip(x.tolist(), w.tolist(), strict=True)]

    @cached_property
    def some(self) -> tuple[float, Array]:
        """Log evidence, and the probability of each share with nothing."""
        logs = np.array([log + np.log(weight) for _, weight, log, _ in self._shares])
        total = logs.max() + np.log(np.exp(logs - logs.max()).sum())
        return float(total), np.exp(logs - total)

    @cached_property
    def something(self) -> Curves:
        """Centre and spread with the probability that a panel has something to taste."""
        weights = [np.zeros(len(ray.r)) for ray in self.rays]
        for chance, (share, _, _, each) in zip(self.some[1].tolist(), self._shares, strict=True):
            for total, part in zip(weights, each, strict=True):
                total += chance * (1 - share) * part
        return Curves(self, weights)

    @cached_property
    def panels_nothing(self) -> Array:
        """Probability that each panel has nothing."""
        total = np.zeros(len(self.panels))
        for chance, (share, _, _, weights) in zip(self.some[1].tolist(), self._shares, strict=True):
            for ray, weight in zip(self.rays, weights, strict=True):
                absent = np.exp(np.log(share) + self.none - self._thinned(ray.logs, share))
                total += chance * (weight @ absent)
        return total

    def share_below(self, value: float) -> float:
        """Probability that at most this share of panels has nothing."""
        x, w = SHARES
        up_to = np.array([self.weigh(value * (a + 1) / 2)[0] for a in x.tolist()])
        return float(value * (w / 2) @ np.exp(up_to - self.some[0]))

    def some_below(self, value: float) -> float:
        """Probability that the average d-prime, zeros counted, is at most this."""
        x, w = SHARES
        total = 0.0
        y, v = np.polynomial.legendre.leggauss(24)
        for ray, everything in zip(self.rays, self._all_shares, strict=True):
            edge = float(np.clip(value / self.size(ray), ray.r[0], ray.r[-1]))
            total += float(everything(edge))
            ends = [edge]
            while ends[-1] < ray.r[-1]:  # beyond it, so many panels have to have nothing: more and more slowly
                ends.append(min(2 * ends[-1] + 0.01, ends[-1] + 8 * self.width, ray.r[-1]))
            if len(ends) == 1:
                continue
            low, high = np.array(ends[:-1])[:, None], np.array(ends[1:])[:, None]
            r, step = (low + (high - low) * (y + 1) / 2).ravel(), ((high - low) / 2 * v).ravel()
            logs = CubicSpline(ray.r, ray.logs)(r)
            volume = self._prior(r * ray.cosine, r * ray.sine) + np.log(step * ray.weight * r) - self.some[0]
            least = np.clip(1 - value / (r * self.size(ray)), 0.0, 1.0)
            scale = np.maximum(logs, self.none)
            own, none = np.exp(logs - scale), np.exp(self.none - scale)
            likely = np.zeros(len(r))
            for a, part in zip(x.tolist(), (w / 2).tolist(), strict=True):
                share = (least + (1 - least) * (a + 1) / 2)[:, None]
                likely += part * (1 - least) * np.prod((share * none + (1 - share) * own) ** self.copies, axis=1)
            total += float(likely @ np.exp(scale @ self.copies + volume))
        return total

    @cached_property
    def _all_shares(self) -> list[Callable[[float], Array]]:
        """Probability up to a distance on each ray, whatever the share with nothing."""
        weights = [np.zeros(len(ray.r)) for ray in self.rays]
        for chance, (_, _, _, each) in zip(self.some[1].tolist(), self._shares, strict=True):
            for total, part in zip(weights, each, strict=True):
                total += chance * part
        return Curves(self, weights).running


class Curves:
    """Probabilities of the nodes of all rays, and what they say of quantities."""

    def __init__(self, sums: Sums, weights: list[Array]) -> None:
        self.sums, self.weights = sums, weights
        self.total = sum(float(weight.sum()) for weight in weights)

    @cached_property
    def running(self) -> list[Callable[[ArrayLike], Array]]:
        """Probability up to a distance on each ray."""
        found = []
        for ray, weight in zip(self.sums.rays, self.weights, strict=True):
            simpson = np.full(len(ray.r), 2.0)
            simpson[1::2] = 4.0
            simpson[[0, -1]] = 1.0
            integral = CubicSpline(ray.r, weight / simpson / (ray.r[1] - ray.r[0]) * 3).antiderivative()
            found.append(partial(_clipped, integral, ray.r[0], ray.r[-1]))
        return found

    def average_below(self, value: float) -> float:
        """Probability that the average d-prime is at most this."""
        pairs = zip(self.sums.rays, self.running, strict=True)
        return sum(float(running(value / self.sums.size(ray))) for ray, running in pairs)

    def next_below(self, value: float) -> float:
        """Probability that the size of the next panel's d-prime is at most this."""
        total = 0.0
        for ray, weight, running in zip(self.sums.rays, self.weights, self.running, strict=True):
            if ray.sine > 0.3 * abs(ray.cosine):
                tau = np.maximum(ray.r * ray.sine, TINY)
                mu = ray.r * ray.cosine
                total += float(weight @ (ndtr((value - mu) / tau) - ndtr((-value - mu) / tau)))
            else:  # a step along the ray, smoothed by its own spread
                total += float(running(value / np.abs(ray.cosine + ray.sine * Z)) @ CHANCE_Z)
        return total

    def below(self, values: list[Array], value: float) -> float:
        """Probability that a quantity, given at every node, is at most this."""
        total = 0.0
        for ray, each, running in zip(self.sums.rays, values, self.running, strict=True):
            fine = np.linspace(ray.r[0], ray.r[-1], 10 * (len(ray.r) - 1) + 1)
            at = CubicSpline(ray.r, each)(fine)
            total += float(np.diff(running(fine)) @ _part(value, at[:-1], at[1:]))
        return total


def _clipped(integral: Callable[[ArrayLike], Array], low: float, high: float, at: ArrayLike) -> Array:
    return np.asarray(integral(np.clip(at, low, high)))


def _part(value: float, first: Array, last: Array) -> Array:
    """Which part of each stretch lies at or below a value."""
    low, high = np.minimum(first, last), np.maximum(first, last)
    return np.clip((value - low) / np.maximum(high - low, TINY), 0.0, 1.0)


def _t(z: Array) -> Array:
    """Density of Student's t with 4 degrees of freedom."""
    return 0.375 * (1 + z**2 / 4) ** -2.5
