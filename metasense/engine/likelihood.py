"""What one panel says about its own d-prime, as a cosine series.

A panel's likelihood ``L_i(theta)`` is sampled on a grid of d-primes and written as ``sum_k c_ik cos(w_k theta)``. The
average of a cosine over ``Normal(mu, tau)`` is a damped cosine, so for every spread ``tau >= 0``, zero included,

    L_i(mu, tau) = sum_k c_ik cos(w_k mu) exp(-w_k**2 tau**2 / 2)

without any integration (`Series.evaluate`). The same sum run backwards turns a weighted set of ``(mu, tau)`` into the
density of a panel's own d-prime (`Series.mix`). The grid, PyMC and the planning of a next panel all use this object.

Undirected protocols have even likelihoods and live on [0, 14]; as soon as one panel is directed (its d-prime has a
sign) all panels live on [-14, 14], where the same formulas hold for ``theta + 14``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, ClassVar
from typing import Protocol as Interface

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct
from scipy.special import gammaln, xlogy

from metasense.engine.spreads import average_d_prime
from metasense.engine.sums import Halves
from metasense.protocols import Protocol, TwoCountProtocol

Array = NDArray[np.floating[Any]]

REACH = 14.0  # end of the d-prime axis; the most sensitive protocol is beyond 1 - 1e-15 correct long before
FLOOR = 1e-14  # below this share of a panel's largest likelihood the series is rounding noise
MOST_TASTINGS = 100_000  # in one panel; beyond it the grid of d-primes would need too many points


class Evidence(Interface):
    """Anything that can say how likely its counts are at a given d-prime."""

    @property
    def protocol(self) -> Protocol | TwoCountProtocol:
        """How the panel was served."""

    @property
    def size(self) -> int:
        """Number of tastings."""

    @property
    def repeated(self) -> bool:
        """Whether some taster answered more than once, so that the overdispersion `gamma` matters."""

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster: what there is to tell the overdispersion by."""

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Log probability of the counts at each d-prime in `theta`."""


def _log_choose(n: int, x: int) -> float:
    return float(gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1))


@dataclass(frozen=True)
class Counts:
    """`correct` right answers in `tastings` by as many tasters, each asked once."""

    protocol: Protocol
    tastings: int
    correct: int
    repeated = False
    pairs = 0.0

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.tastings

    def log_likelihood(self, theta: Array, gamma: float = 0.0) -> Array:
        """Binomial log probability at each d-prime."""
        right, wrong = _log_probabilities(self.protocol, theta)
        # not x * log p + ..., which would make 0 * -inf out of a panel without wrong answers
        return (
            _log_choose(self.tastings, self.correct)
            + (self.correct * right if self.correct else np.zeros_like(theta))
            + ((self.tastings - self.correct) * wrong if self.correct < self.tastings else 0.0)
        )


@dataclass(frozen=True)
class TwoCounts:
    """Counts of A-not-A or same-different: `hits` of `signal` and `false_alarms` of `noise`."""

    protocol: TwoCountProtocol
    signal: int
    hits: int
    noise: int
    false_alarms: int
    repeated = False
    pairs = 0.0

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.signal + self.noise

    def log_likelihood(self, theta: Array, gamma: float = 0.0) -> Array:
        """Log probability at each d-prime with the tasters' criterion integrated out."""
        return self.protocol.log_likelihood(theta, self.signal, self.hits, self.noise, self.false_alarms)


@dataclass(frozen=True)
class Repeats:
    """A panel in which tasters answered several times: ``people`` holds ``(answers, correct, how many tasters)``."""

    protocol: Protocol
    people: tuple[tuple[int, int, int], ...]

    @property
    def size(self) -> int:
        """Number of tastings."""
        return sum(r * m for r, _, m in self.people)

    @property
    def repeated(self) -> bool:
        """Whether anyone answered more than once."""
        return any(r > 1 for r, _, _ in self.people)

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster."""
        return sum(m * r * (r - 1) / 2 for r, _, m in self.people)

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Sum over tasters of the guess-corrected beta-binomial log probability."""
        out, key = np.zeros(len(theta)), theta.tobytes()
        for answers in sorted({r for r, _, _ in self.people}):
            correct, tasters = zip(*((y, m) for r, y, m in self.people if r == answers), strict=True)
            if answers > LONG:
                with np.errstate(divide="ignore"):
                    logs = np.log(taster_probability(self.protocol, theta, gamma, answers, correct))
            else:
                logs = _remembered_table(self.protocol, key, gamma, answers)[:, correct]
            out += logs @ np.array(tasters, float)
        return out


@dataclass(frozen=True)
class RepeatedTotal:
    """A panel with repeats of which only the total is known, `tastings` shared as evenly as possible by `tasters`."""

    protocol: Protocol
    tasters: int
    tastings: int
    correct: int
    repeated = True

    @property
    def size(self) -> int:
        """Number of tastings."""
        return self.tastings

    @property
    def pairs(self) -> float:
        """How many pairs of answers came from one taster."""
        return self.tastings * (self.tastings / self.tasters - 1) / 2

    @property
    def answers(self) -> tuple[tuple[int, int], ...]:
        """How many answers tasters gave, and how many gave so many."""
        fewer, extra = divmod(self.tastings, self.tasters)
        each = ((fewer, self.tasters - extra), (fewer + 1, extra))
        return tuple((answers, tasters) for answers, tasters in each if answers and tasters)

    def log_likelihood(self, theta: Array, gamma: float) -> Array:
        """Log probability that the tasters' guess-corrected beta-binomial counts add up to the total."""
        if self.tasters == 1:
            with np.errstate(divide="ignore"):
                return np.log(taster_probability(self.protocol, theta, gamma, self.tastings, [self.correct])[:, 0])
        return log_chance(halves(self.protocol, self.answers, theta.tobytes(), gamma).exactly(self.correct))


LONG = 40  # answers of one taster from which only the counts that occurred are worked out, not a table of all
MOST_REMEMBERED = 100_000  # numbers in a table worth keeping for the next panel of the same shape
MOST_IN_FEW = 2_000_000  # the same where only a few are kept


def log_chance(chance: Array) -> Array:
    """Log probabilities, of what cannot be too.

    >>> log_chance(np.array([0.0, 1.0]))
    array([-inf,   0.])
    """
    with np.errstate(divide="ignore"):  # a directed protocol can be wrong for certain
        return np.asarray(np.log(chance))


@lru_cache(maxsize=256)
def _remembered_table(protocol: Protocol, theta: bytes, gamma: float, answers: int) -> Array:
    """Log probability that one taster is right 0..`answers` times, at each d-prime; kept for the next panel."""
    return log_chance(taster_probability(protocol, np.frombuffer(theta), gamma, answers))


def halves(protocol: Protocol, answers: tuple[tuple[int, int], ...], theta: bytes, gamma: float) -> Halves:
    """Right answers of a panel of repeat tasters at each d-prime, as two sums; kept for the next of the same shape.

    Parameters
    ----------
    protocol : Protocol
    answers : tuple of (int, int)
        How many answers tasters gave, and how many gave so many.
    theta : bytes
        d-primes, as an array's ``tobytes()``.
    gamma : float
    """
    numbers = len(theta) // 8 * sum(each * tasters for each, tasters in answers)
    if numbers < MOST_REMEMBERED:
        return _remembered_halves(protocol, answers, theta, gamma)
    return (_few_halves if numbers < MOST_IN_FEW else _halves)(protocol, answers, theta, gamma)


def _halves(protocol: Protocol, answers: tuple[tuple[int, int], ...], theta: bytes, gamma: float) -> Halves:
    d = np.frombuffer(theta)
    return Halves.of((taster_probability(protocol, d, gamma, each), tasters) for each, tasters in answers)


_remembered_halves = lru_cache(maxsize=256)(_halves)
_few_halves = lru_cache(maxsize=4)(_halves)


def taster_probability(
    protocol: Protocol, theta: Array, gamma: float, answers: int, correct: Sequence[int] | None = None
) -> Array:
    """Probabilities that one taster gets y = 0..`answers` right, for each d-prime.

    The taster's own rate above guessing is Beta distributed with mean ``p_d(theta)`` and overdispersion `gamma`
    (0: all tasters alike; near 1: some always right, the others guess). With one answer the spread between tasters
    cannot be seen and ``P(1) = p_correct(theta)`` whatever `gamma`. A directed protocol below chance is the mirror
    image: the rate lifts the wrong answers above theirs.

    Parameters
    ----------
    protocol : Protocol
    theta : ndarray, shape (points,)
        d-primes.
    gamma : float
        Overdispersion, 0 <= gamma < 1.
    answers : int
        Answers the taster gave in this panel.
    correct : sequence of int, optional
        The numbers right that are asked about; all of them by default.

    Returns
    -------
    ndarray, shape (points, answers + 1) or (points, len(correct))
        With all of them, rows sum to 1.

    References
    ----------
    Chance-corrected beta-binomial: Brockhoff PB (2003), Food Quality and Preference 14, 405-417 (cited from memory).

    Examples
    --------
    >>> import numpy as np
    >>> from metasense.protocols import protocol
    >>> taster_probability(protocol("triangle"), np.array([0.0, 2.0]), 0.3, 2).sum(axis=1).round(12)
    array([1., 1.])
    """
    theta = np.asarray(theta, float)
    p = protocol.p_correct(theta)
    below = p < protocol.guess
    guess = np.where(below, 1 - protocol.guess, protocol.guess)
    # the share of `above guessing`, and its complement, each without cancellation
    down_by = protocol.guess or 1.0  # without guessing nothing is below
    mean = np.where(below, (protocol.guess - p) / down_by, (p - protocol.guess) / (1 - protocol.guess))
    rest = np.where(below, p / down_by, protocol.p_wrong(theta) / (1 - protocol.guess))
    mean = np.clip(mean, 0.0, 1.0)

    def rising(start: Array | float) -> Array:
        """Logs of the products start (start + gamma) (start + 2 gamma) ..., of 0..`answers` factors each."""
        steps = np.add.outer(gamma * np.arange(answers), np.asarray(start) * (1 - gamma))
        with np.errstate(divide="ignore"):  # nobody above guessing, or nobody below certainty
            logs = np.log(steps)
        return np.concatenate([np.zeros((1, *logs.shape[1:])), np.cumsum(logs, axis=0)])

    up, down, both = rising(mean), rising(rest), rising(np.ones(1))
    log_factorial = gammaln(np.arange(1.0, answers + 2))

    def chance(y: int, rows: slice | NDArray[np.bool_]) -> Array:
        """Of y right where chance is exceeded, in the mirror image of y wrong."""
        known = np.arange(y + 1)  # of them came from telling the samples apart, the others by luck
        ways = log_factorial[answers] - log_factorial[answers - y] - log_factorial[known] - log_factorial[y - known]
        terms = up[: y + 1, rows] + down[answers - y, rows] - both[known + answers - y] + ways[:, None]
        terms += xlogy((y - known)[:, None], guess[rows])
        terms += np.multiply.outer(known + answers - y, np.log1p(-guess[rows]))
        return np.asarray(np.exp(terms).sum(axis=0))

    asked = range(answers + 1) if correct is None else correct
    out = np.empty((len(theta), len(asked)))
    for column, y in enumerate(asked):
        if below.any():
            out[~below, column], out[below, column] = chance(y, ~below), chance(answers - y, below)
        else:
            out[:, column] = chance(y, slice(None))
    return out


@lru_cache(maxsize=64)
def axis_of(points: int, directed: bool) -> Array:
    """Midpoints of `points` equal steps of [0, 14], and of [-14, 0] too for pools with a directed panel."""
    axis = (np.arange(points) + 0.5) * (REACH / points)
    axis = np.concatenate([-axis[::-1], axis]) if directed else axis
    axis.setflags(write=False)
    return axis


def _sampling_axis(tastings: float, directed: bool) -> Array:
    """Points close enough together for the likelihood of a panel of so many tastings.

    In few steps, so that a pool and the same without a panel share the points, and with them the little that the
    cosines miss of a likelihood with a corner.
    """
    return axis_of(max(512, 2 ** math.ceil(math.log2(64 * math.sqrt(max(tastings, 1))))), directed)


def _log_probabilities(protocol: Protocol, theta: Array) -> tuple[Array, Array]:
    return _remembered(protocol, theta.tobytes())


@lru_cache(maxsize=64)
def _remembered(protocol: Protocol, theta: bytes) -> tuple[Array, Array]:
    """Every panel of a protocol asks for the same d-primes, and every pool of similar panels asks again."""
    d = np.frombuffer(theta)
    right, wrong = protocol.p_correct(d), protocol.p_wrong(d)
    with np.errstate(divide="ignore"):  # a directed protocol can be wrong for certain
        # near certainty the rounding of a probability, times many tastings, would be heard; its complement's is not
        sure = right > 0.5
        return np.where(sure, np.log1p(-wrong), np.log(right)), np.where(sure, np.log(wrong), np.log1p(-right))


@dataclass(frozen=True, eq=False)
class Series:
    """The cosine series of a group of distinct panels at one overdispersion.

    Attributes
    ----------
    evidence : tuple of Evidence, length U
        The distinct panels.
    copies : ndarray, shape (U,)
        How often each stands in the pool.
    directed : bool
        Whether d-prime keeps its sign here.
    gamma : float
        Overdispersion between tasters (0 where nobody repeated).
    coefficients : ndarray, shape (U, K)
        Of each panel's likelihood, relative to its largest value.
    log_scale : ndarray, shape (U,)
        Log of that largest value.
    """

    evidence: tuple[Evidence, ...]
    copies: Array
    directed: bool
    gamma: float
    coefficients: Array
    log_scale: Array

    DAMPED: ClassVar[float] = 9.0  # frequency times spread at which a cosine is damped below 3e-18
    ENDS: ClassVar[float] = REACH  # of the d-prime axis, behind which the cosines repeat what is before it

    @classmethod
    def build(cls, evidence: Sequence[Evidence], copies: ArrayLike, gamma: float = 0.0) -> Series:
        """Sample the likelihoods and transform them.

        Raises
        ------
        ValueError
            If a panel has more than 100 000 tastings.
        """
        largest = max(e.size for e in evidence)
        if largest > MOST_TASTINGS:
            raise ValueError(
                f"a panel has {largest:,} tastings; pooling handles up to {MOST_TASTINGS:,} in one panel. "
                "Check the count, or split the panel by session."
            )
        directed = any(e.protocol.directed for e in evidence)
        stretched = cls.ENDS / REACH
        axis = _sampling_axis(largest * stretched**2, directed) * stretched
        logs = np.stack([e.log_likelihood(axis, gamma) for e in evidence])
        log_scale = logs.max(axis=1)
        # A step of the sampled maximum below the true one only rescales; both enter every formula together.
        coefficients = dct(np.exp(logs - log_scale[:, None]), type=2, axis=1, overwrite_x=True) / len(axis)
        coefficients[:, 0] /= 2
        # the logs of many tastings are large, and their rounding is noise in every coefficient
        noise = np.finfo(float).eps * np.array([e.size for e in evidence]) * coefficients[:, 0]
        heard = np.abs(coefficients) > np.maximum(FLOOR / 10, noise)[:, None]
        keep = np.flatnonzero(heard.any(axis=0))[-1] + 1
        return cls(
            tuple(evidence), np.asarray(copies, float), directed, gamma, coefficients[:, :keep].copy(), log_scale
        )

    @property
    def terms(self) -> int:
        """Number of cosines."""
        return self.coefficients.shape[1]

    @property
    def offset(self) -> float:
        """Added to a d-prime before the cosines: the end of the axis where d-prime has a sign, else 0."""
        return self.ENDS if self.directed else 0.0

    @property
    def width(self) -> float:
        """Length of the d-prime axis."""
        return self.ENDS + self.offset

    @cached_property
    def frequencies(self) -> Array:
        """``w_k``, shape (K,)."""
        return np.pi * np.arange(self.terms) / self.width

    def waves(self, mu: Array, tau: Array, terms: int | None = None) -> Array:
        """Damped cosines ``cos(w_k mu) exp(-w_k**2 tau**2 / 2)``, shape (nodes, terms)."""
        terms = self.terms if terms is None else terms
        unit = np.pi / self.width
        # cos(16 q + r) from the cosines and sines of 16 q and of r: two products in place of what is a slow function
        coarse = np.multiply.outer(16.0 * np.arange(-(-terms // 16)), unit * (mu + self.offset))[:, None, :]
        fine = np.multiply.outer(np.arange(16.0), unit * (mu + self.offset))[None, :, :]
        out = np.cos(coarse) * np.cos(fine)
        out -= np.sin(coarse) * np.sin(fine)
        out = out.reshape(-1, len(mu))[:terms]
        out *= self.damping(terms, tau)
        return out.T

    def damping(self, terms: int, tau: Array) -> Array:
        """By what the spread `tau` of panels multiplies each cosine, shape (terms, nodes)."""
        return np.exp(np.multiply.outer(np.arange(float(terms)) ** 2, -0.5 * (np.pi / self.width * tau) ** 2))

    def average(self, mu: Array, tau: Array) -> Array:
        """Mean size of the panels' d-primes around the centre `mu`."""
        return average_d_prime(mu, tau)

    def evaluate(self, mu: Array, tau: Array, panels: Sequence[int] | None = None) -> Array:
        """Each panel's likelihood, averaged over ``Normal(mu, tau)``, relative to its largest value.

        Parameters
        ----------
        mu, tau : ndarray, shape (nodes,)
        panels : sequence of int, optional
            Indices into `evidence`; all by default.

        Returns
        -------
        ndarray, shape (nodes, panels)
            At least 1e-14: smaller values would be rounding noise.
        """
        coefficients = self.coefficients if panels is None else self.coefficients[list(panels)]
        out = np.empty((len(mu), len(coefficients)))
        for part, used in self._batches(tau):
            out[part] = np.maximum(self.waves(mu[part], tau[part], used) @ coefficients[:, :used].T, FLOOR)
        return out

    def log_likelihood(self, mu: Array, tau: Array) -> Array:
        """Log likelihood of the whole pool at each node, shape (nodes,)."""
        return log_likelihoods((self,), mu, tau)[0]

    def _batches(self, tau: Array) -> Iterator[tuple[NDArray[np.intp], int]]:
        """Nodes a few at a time, widest spread first, with the number of cosines that such a spread leaves."""
        order = np.argsort(-tau)
        step = max(32, min(256, 4_000_000 // max(len(self.evidence), self.terms)))  # small enough to stay in the cache
        for start in range(0, len(tau), step):
            part = order[start : start + step]
            yield part, min(self.terms, self.undamped(float(tau[part[-1]])))

    def undamped(self, tau: float) -> int:
        """How many cosines are left of any series after an average over this much spread."""
        return int(self.DAMPED / max(tau, 1e-9) * self.width / np.pi) + 2

    def exact_log_likelihood(self, theta: Array) -> Array:
        """Log likelihood of the whole pool when every panel has d-prime `theta` (no spread), shape (len(theta),)."""
        theta = np.array(theta, float)
        return np.asarray(
            sum(c * e.log_likelihood(theta, self.gamma) for c, e in zip(self.copies, self.evidence, strict=True))
        )

    def mix(
        self, mu: Array, tau: Array, weight: Array, panels: Sequence[int] = (), columns: Array | None = None
    ) -> Array:
        """Densities that weighted nodes imply: of the next panel's d-prime, and of chosen panels' own given the others.

        The density of panel i given all data is its likelihood times row i: the nodes' mixture of ``Normal(mu, tau)``
        with the panel's own likelihood divided out.

        Parameters
        ----------
        mu, tau, weight : ndarray, shape (nodes,)
        panels : sequence of int
            Indices into `evidence`.
        columns : ndarray, shape (nodes, 1 + len(panels)), optional
            Weights of the nodes in each of the mixtures, where they are known; by default `weight`, with each panel's
            own likelihood divided out.

        Returns
        -------
        ndarray, shape (1 + len(panels), points)
            Values on `axis`; row 0 is the next panel.
        """
        if columns is None:
            return next(mixtures((self,), mu, tau, weight[:, None], panels))
        order = np.argsort(-tau)
        mu, tau, weight, columns = mu[order], tau[order], weight[order], columns[order]
        terms, blur = self._smoothness(mu, tau, weight)
        out = np.zeros((1 + len(panels), terms))
        for part, waves in self._waves_of(mu, tau, terms, len(panels)):
            out[:, : waves.shape[1]] += columns[part].T @ waves
        return self._summed(out * blur)

    def _waves_of(self, mu: Array, tau: Array, most: int, columns: int) -> Iterator[tuple[slice, Array]]:
        """Cosines of a few nodes at a time, which come widest spread first."""
        step = max(16, min(256, 16_000_000 // max(most, columns, 1)))
        for start in range(0, len(mu), step):
            part = slice(start, start + step)
            yield part, self.waves(mu[part], tau[part], min(most, self.undamped(float(tau[part][-1]))))

    def _summed(self, rows: Array) -> Array:
        """Densities on `axis` from their cosines, shape (rows, points)."""
        padded = np.zeros((len(rows), len(self.axis)))
        # the transform counts every cosine but the constant twice, as a folded density does
        padded[:, : rows.shape[1]] = rows / self.width
        return np.maximum(dct(padded, type=3, axis=1, overwrite_x=True), 0.0)

    def mix_far(
        self,
        mu: Array,
        tau: Array,
        weight: Array,
        panels: Sequence[int],
        points: NDArray[np.intp],
        columns: Array | None = None,
    ) -> Array:
        """As `mix` for panels that lie far in the tail of what the others imply, summed node by node.

        There the cosines of `mix`, exact to many digits of the density's peak, hold no digit of its tail. These are
        sums of positive terms; they take some ten times as long.

        Parameters
        ----------
        mu, tau, weight : ndarray, shape (nodes,)
        panels : sequence of int
            Indices into `evidence`.
        points : ndarray of int
            Where on `axis`.
        columns : ndarray, shape (nodes, columns), optional
            As in `mix`, without the next panel; also those of other series at the same nodes.

        Returns
        -------
        ndarray, shape (columns, len(points))
        """
        if columns is None:
            columns = apart((self,), mu, tau, weight[:, None], [panels])
        theta, step = self.axis[points], self.axis[1] - self.axis[0]
        out = np.zeros((columns.shape[1], len(theta)))
        for at in np.array_split(np.arange(len(mu)), len(mu) // 256 + 1):
            spread = np.maximum(tau[at], step)[:, None]  # what is narrower would fall between the points
            normal = np.exp(-0.5 * ((theta - mu[at, None]) / spread) ** 2)
            if not self.directed:
                normal += np.exp(-0.5 * ((theta + mu[at, None]) / spread) ** 2)
            out += (columns[at] / (spread * np.sqrt(2 * np.pi))).T @ normal
        return out

    def _smoothness(self, mu: Array, tau: Array, weight: Array) -> tuple[int, Array]:
        """How many cosines the nodes' mixture needs, and what to multiply them by.

        They end where the mixture has died out; at higher frequencies only the comb of the nodes would answer. A
        mixture too sharp for the axis is blurred by about its step, which is far below anything that can be tasted.
        """
        most, unit = len(self.axis), np.pi / self.width
        heavy = weight > 1e-10 * weight.max()
        mu, tau, weight = mu[heavy], tau[heavy], weight[heavy] / weight[heavy].sum()
        best, least = most, np.inf
        for terms in np.unique(np.geomspace(48, most, 20).astype(int)):
            w = unit * np.arange(terms - 5, terms)
            near = w[0] * tau < 6.5  # the others are damped below 1e-9
            phase, fade = np.multiply.outer(w, mu[near] + self.offset), np.multiply.outer(-0.5 * w**2, tau[near] ** 2)
            left = np.abs((np.cos(phase) * np.exp(fade)) @ weight[near]).max()
            if left < least:
                best, least = int(terms), left
            if least < 1e-8 or left > 100 * least:
                break
        sharp = least > 1e-5
        return best, np.exp(-0.5 * (6.0 * np.arange(best) / best) ** 2) if sharp else np.ones(best)

    @property
    def own_axis(self) -> Array:
        """d-primes at which the likelihoods are sampled."""
        return _sampling_axis(max(e.size for e in self.evidence), self.directed)

    @property
    def axis(self) -> Array:
        """d-primes at which `mix` gives densities: midpoints of equal steps."""
        return axis_of(max(2048, len(self.own_axis) // (2 if self.directed else 1)), self.directed)


def log_likelihoods(series: Sequence[Series], mu: Array, tau: Array) -> Array:
    """Log likelihood of the whole pool at each node, under several overdispersions.

    Parameters
    ----------
    series : sequence of Series
        Of the same panels; the cosines, which take most of the time, are worked out once for all.
    mu, tau : ndarray, shape (nodes,)

    Returns
    -------
    ndarray, shape (len(series), nodes)
    """
    out = np.empty((len(series), len(mu)))
    for part, averages in _averages(series, mu, tau, [one.coefficients.T for one in series]):
        for row, one, averaged in zip(out, series, averages, strict=True):
            row[part] = np.log(averaged) @ one.copies
    return out + np.array([one.log_scale @ one.copies for one in series])[:, None]


def mixtures(
    series: Sequence[Series], mu: Array, tau: Array, weights: Array, panels: Sequence[int] = ()
) -> Iterator[Array]:
    """What `Series.mix` gives, under several overdispersions at the same nodes, one after another.

    Parameters
    ----------
    series : sequence of Series
        Of the same panels.
    mu, tau : ndarray, shape (nodes,)
    weights : ndarray, shape (nodes, len(series))
    panels : sequence of int

    Yields
    ------
    ndarray, shape (1 + len(panels), points)
    """
    longest = max(series, key=lambda one: one.terms)
    order = np.argsort(-tau)
    mu, tau, weights = mu[order], tau[order], weights[order]
    terms, blur = longest._smoothness(mu, tau, weights.sum(axis=1))
    chosen = [one.coefficients[list(panels)].T for one in series]
    out = np.zeros((len(series), 1 + len(panels), terms))
    most = max(terms, longest.terms if panels else 0)
    for part, waves in longest._waves_of(mu, tau, most, len(panels)):
        used = waves[:, :terms]
        for rows, own, weight in zip(out, chosen, weights[part].T, strict=True):
            alone = np.maximum(waves[:, : len(own)] @ own[: waves.shape[1]], FLOOR)
            here = np.concatenate([weight[:, None], weight[:, None] / alone], axis=1)
            rows[:, : used.shape[1]] += here.T @ used
    for rows in out:
        yield longest._summed(rows * blur)


def apart(series: Sequence[Series], mu: Array, tau: Array, weights: Array, panels: Sequence[Sequence[int]]) -> Array:
    """Weights of the nodes with the own likelihood of chosen panels divided out, under several overdispersions.

    Parameters
    ----------
    series : sequence of Series
        Of the same panels.
    mu, tau : ndarray, shape (nodes,)
    weights : ndarray, shape (nodes, len(series))
    panels : sequence of sequences of int
        Indices into `evidence`, chosen for each series.

    Returns
    -------
    ndarray, shape (nodes, chosen panels of all series one after the other)
    """
    chosen = [one.coefficients[list(these)].T for one, these in zip(series, panels, strict=True)]
    out = np.empty((len(mu), sum(map(len, panels))))
    for part, averages in _averages(series, mu, tau, chosen):
        out[part] = np.repeat(weights[part], list(map(len, panels)), axis=1) / np.concatenate(averages, axis=1)
    return out


def _averages(
    series: Sequence[Series], mu: Array, tau: Array, coefficients: Sequence[Array]
) -> Iterator[tuple[NDArray[np.intp], list[Array]]]:
    """A few nodes at a time: what panels with these cosines, shape (terms, panels), average there, by series."""
    longest = max(series, key=lambda one: one.terms)
    for part, used in longest._batches(tau):
        waves = longest.waves(mu[part], tau[part], used)
        yield part, [np.maximum(waves[:, : len(own)] @ own[:used], FLOOR) for own in coefficients]
