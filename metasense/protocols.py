"""What a taster does in each protocol, and how often it comes out right.

Every cup is taken to leave a percept: a number on a line, normally distributed with standard deviation 1. Cups of one
product are centred on 0, cups of the other on *d-prime*, so d-prime is the distance between the products in units of
their common spread. A protocol is a rule that turns the percepts of one tasting into an answer. From the rule follows
the *psychometric function*: the probability of a correct answer at each d-prime. It starts at the guess rate and rises
to 1, quickly in some protocols (3-AFC, tetrad) and slowly in others (triangle, duo-trio), which is why the same
difference can be plain in one and hidden in another, and why results are compared on d-prime.

Two families live here. In a *forced choice* (:class:`Protocol`) each answer is right or wrong. In A-not-A and
same-different (:class:`TwoCountProtocol`) tasters also bring a criterion of their own, and two counts are needed.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.fft import dct
from scipy.special import erf, erfinv, gammaln, log_ndtr, ndtr, ndtri, owens_t

__all__ = ["PROTOCOLS", "CriterionEstimate", "Protocol", "TwoCountProtocol", "forced_choice", "protocol"]

Array = NDArray[np.floating]
Pair = tuple[Array, Array]
Tails = Pair  # probability of a correct and of a wrong answer, each accurate where it is tiny

_REACH = 24.0  # d-prime at which every protocol is certain to rounding, and flat
_NEVER = 1e-12  # least probability in a model of PyMC
_SQRT2, _SQRT3, _SQRT6 = 2**0.5, 3**0.5, 6**0.5


def _phi(x: Array) -> Array:
    """Standard normal density."""
    return np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi)


# --------------------------------------------------------------------------------------------------------------------
# Forced choice
# --------------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, repr=False)
class Protocol:
    r"""A forced-choice protocol: its guess rate, its psychometric function and its tasters' rule.

    With ``g`` the guess rate and ``f(d)`` the probability of a correct answer, ``p_d = (f - g) / (1 - g)`` rescales the
    excess over guessing to 0..1. It is bookkeeping that belongs to one protocol, not a head count of people.

    Attributes
    ----------
    name : str
        The protocol as the trade names it.
    guess : float
        Probability of a correct answer when the products are alike.
    directed : bool
        True when tasters are told what to look for ("the saltier one"). Then d-prime has a sign, and below 0 answers
        are worse than guessing. Otherwise the function is even in d-prime and flat at 0.
    cups : int
        Samples in front of a taster in one tasting.
    rule : str
        How percepts become an answer.

    Examples
    --------
    >>> triangle = protocol("triangle")
    >>> triangle
    triangle: guess rate 1/3, 3 cups, undirected
    >>> triangle.p_correct([0, 1, 2]).round(4)
    array([0.3333, 0.418 , 0.6048])
    >>> round(float(triangle.d_prime(25 / 50)), 4)
    1.4663
    """

    name: str
    guess: float
    directed: bool
    cups: int
    rule: str
    _tails: Callable[[Array], Tails] = field(compare=False)
    _slope: Callable[[Array], Array] = field(compare=False)
    _correct: Callable[[Array], NDArray[np.bool_]] = field(compare=False)  # percepts (..., cups) -> right or wrong
    _different: tuple[int, ...] = field(compare=False)  # which cups hold the other product

    @property
    def named(self) -> int:
        """How many cups an answer names: as many as hold the other product.

        Examples
        --------
        >>> protocol("triangle").named, protocol("two-out-of-five").named
        (1, 2)
        """
        return len(self._different)

    def p_correct(self, d: ArrayLike) -> Array:
        """Probability of a correct answer at d-prime `d`; same shape as `d`.

        Absolute error below 1e-12, and relatively accurate where it is tiny (directed protocols far below 0).

        Parameters
        ----------
        d : array_like of float
            d-primes.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> import metasense as ms
        >>> ms.protocol("triangle").p_correct([0, 1, 2]).round(3)
        array([0.333, 0.418, 0.605])
        """
        return self._tails(np.asarray(d, float))[0][()]

    def p_correct_in_pymc(self, d: Any) -> Any:
        """Probability of a correct answer at d-prime `d`, as an expression of PyTensor for use in a model of PyMC.

        A sum of some 100 cosines, which is :meth:`p_correct` to 1e-12 up to a d-prime of 24 on either side, but kept
        1e-12 away from 0 and 1, so that no likelihood is infinite. Only elementary functions are in it, so that
        PyTensor has its gradient, and samplers compiled in any way take it.

        Parameters
        ----------
        d : TensorVariable or array_like of float
            d-primes, within 24 of 0.

        Returns
        -------
        TensorVariable, same shape as `d`

        Examples
        --------
        >>> import metasense as ms
        >>> p_c = ms.protocol("triangle").p_correct_in_pymc([0.0, 1.0, 2.0])
        >>> p_c.eval().round(4)
        array([0.3333, 0.418 , 0.6048])
        """
        w, coefficients = _cosines(self)
        import pytensor.tensor as pt

        d = pt.as_tensor_variable(d)
        turned = (d + (_REACH if self.directed else 0.0))[..., None] * w
        return pt.clip((pt.cos(turned) * coefficients).sum(axis=-1), _NEVER, 1 - _NEVER)

    def p_wrong(self, d: ArrayLike) -> Array:
        """Probability of a wrong answer, ``1 - p_correct``, computed directly so that it is accurate where it is tiny.

        Parameters
        ----------
        d : array_like of float
            d-primes.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> f"{1 - protocol('2-AFC').p_correct(14):.3g} {protocol('2-AFC').p_wrong(14):.3g}"
        '0 2.09e-23'
        """
        return self._tails(np.asarray(d, float))[1][()]

    def slope(self, d: ArrayLike) -> Array:
        """Derivative of :meth:`p_correct` with respect to d-prime, by formula; 0 at 0 when undirected.

        Parameters
        ----------
        d : array_like of float
            d-primes.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> import metasense as ms
        >>> ms.protocol("triangle").slope([0, 1, 2]).round(3)
        array([0.   , 0.156, 0.197])
        """
        return self._slope(np.asarray(d, float))[()]

    def information(self, d: ArrayLike) -> Array:
        """Fisher information about d-prime in one answer, ``slope**2 / (p_correct * p_wrong)``.

        Its inverse is the *variance factor* of the delta method: n times the approximate variance of an estimated
        d-prime (Gourevitch & Galanter 1967; Bi, Ennis & O'Mahony 1997; from memory). It vanishes at 0 in undirected
        protocols, so normal approximations are worthless there.

        Parameters
        ----------
        d : array_like of float
            d-primes.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> round(float(1 / protocol("triangle").information(1.0)), 4)
        9.9983
        """
        d = np.asarray(d, float)
        correct, wrong = self._tails(d)
        variance = correct * wrong
        return np.divide(self._slope(d) ** 2, variance, out=np.zeros_like(variance), where=variance > 0)[()]

    def d_prime(self, p_correct: ArrayLike) -> Array:
        """D-prime at which a share `p_correct` of answers is correct: the inverse of :meth:`p_correct`.

        At or below the guess rate it is 0 when undirected and negative when directed; at 1 it is infinite.

        Parameters
        ----------
        p_correct : array_like of float
            Shares of correct answers, between 0 and 1.

        Returns
        -------
        ndarray of float, same shape as `p_correct`

        Raises
        ------
        ValueError
            If a share lies outside 0..1.

        Examples
        --------
        >>> protocol("2-AFC").d_prime([0.24, 0.5, 0.76, 1]).round(4)
        array([-0.9989,  0.    ,  0.9989,     inf])
        """
        p = _share(p_correct, "a share of correct answers")
        out = np.zeros(p.shape)
        out[p == 1] = np.inf
        if self.directed:
            out[p == 0] = -np.inf
        inside = (p > (0 if self.directed else self.guess)) & (p < 1)
        if inside.any():
            out[inside] = self._invert(p[inside])
        return out[()]

    def _invert(self, p: Array) -> Array:
        """Newton steps on the logarithm of the smaller tail, kept inside a shrinking bracket.

        The logarithm keeps the steps good far out, where the function itself is flat. An undirected protocol is even in
        d and flat at 0: there the steps are taken in d squared, in which it rises from 0 at once.
        """
        start = np.linspace(-8 if self.directed else 0, 8, 161)
        d = np.interp(p, self.p_correct(start), start)
        low, high = np.full(p.shape, -64.0 if self.directed else 0.0), np.full(p.shape, 64.0)
        sign = np.where(p > 0.5, -1.0, 1.0)
        target = np.log(np.where(p > 0.5, 1 - p, p))
        todo = np.arange(p.size)
        for _ in range(200):
            x, up = d[todo], sign[todo] > 0
            tail = np.where(up, *self._tails(x))
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                excess = sign[todo] * (np.log(tail) - target[todo])  # rises with d, 0 at the answer
                scale = tail / self._slope(x)
                low[todo], high[todo] = np.where(excess <= 0, x, low[todo]), np.where(excess >= 0, x, high[todo])
                new = x - excess * scale if self.directed else np.sqrt(x * (x - 2 * excess * scale))
            new = np.where((new >= low[todo]) & (new <= high[todo]), new, (low[todo] + high[todo]) / 2)
            d[todo] = new
            todo = todo[~(np.abs(new - x) <= 1e-14 * (1 + np.abs(x)) + 4e-16 * scale)]  # as near as rounding allows
            if not todo.size:
                break
        return d

    def p_d_from_p(self, p_correct: ArrayLike) -> Array:
        """``(p_correct - guess) / (1 - guess)`` (Abbott's formula); negative below guessing.

        Parameters
        ----------
        p_correct : array_like of float
            Shares of correct answers, between 0 and 1.

        Returns
        -------
        ndarray of float, same shape as `p_correct`

        References
        ----------
        Abbott WS (1925). J. Econ. Entomol. 18(2), 265-267.

        Examples
        --------
        >>> round(float(protocol("triangle").p_d_from_p(0.5)), 4)
        0.25
        """
        return (np.asarray(p_correct, float) - self.guess) / (1 - self.guess)

    def p_from_p_d(self, p_d: ArrayLike) -> Array:
        """``guess + (1 - guess) * p_d``: the share of correct answers at a given `p_d`.

        Parameters
        ----------
        p_d : array_like of float
            The protocol's p_d.

        Returns
        -------
        ndarray of float, same shape as `p_d`

        Examples
        --------
        >>> import metasense as ms
        >>> round(float(ms.protocol("triangle").p_from_p_d(0.25)), 4)
        0.5
        """
        return self.guess + (1 - self.guess) * np.asarray(p_d, float)

    def p_d(self, d: ArrayLike) -> Array:
        """P_d at d-prime `d`: the probability of a correct answer, rescaled so that guessing is 0 and certainty is 1.

        Parameters
        ----------
        d : array_like of float
            d-primes.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> [round(float(protocol(name).p_d(1.0)), 3) for name in ("triangle", "tetrad", "3-AFC")]
        [0.127, 0.241, 0.451]
        """
        return self.p_d_from_p(self.p_correct(d))

    def d_prime_from_p_d(self, p_d: ArrayLike) -> Array:
        """D-prime at which the protocol's p_d is `p_d`.

        Parameters
        ----------
        p_d : array_like of float
            The protocol's p_d, up to 1.

        Returns
        -------
        ndarray of float, same shape as `p_d`

        Raises
        ------
        ValueError
            If one cannot be a p_d of this protocol.

        Examples
        --------
        >>> round(float(protocol("triangle").d_prime_from_p_d(0.5)), 4)
        2.3214
        """
        return self.d_prime(np.clip(self.p_from_p_d(_share(p_d, "p_d", below=-self.guess / (1 - self.guess))), 0, 1))

    def simulate(self, d: ArrayLike, size: int | tuple[int, ...], rng: np.random.Generator) -> NDArray[np.bool_]:
        """Draw `size` tastings at d-prime `d`: percepts for every cup, then the tasters' rule. True where correct.

        `d` is a number or an array that broadcasts to `size`. The psychometric function is not used.

        Parameters
        ----------
        d : array_like of float
            A d-prime, or an array of them that broadcasts to `size`.
        size : int or tuple of int
            How many tastings.
        rng : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        ndarray of bool, shape `size`

        Examples
        --------
        >>> import metasense as ms
        >>> import numpy as np
        >>> answers = ms.protocol("triangle").simulate(2.0, 1000, np.random.default_rng(1))
        >>> bool(abs(answers.mean() - ms.protocol("triangle").p_correct(2.0)) < 0.05)
        True
        """
        percepts = rng.standard_normal((*np.atleast_1d(size), self.cups))
        percepts[..., self._different] += np.asarray(d, float)[..., None]
        return self._correct(percepts)

    def __repr__(self) -> str:
        return (
            f"{self.name}: guess rate 1/{round(1 / self.guess)}, {self.cups} cups, "
            f"{'directed' if self.directed else 'undirected'}"
        )


@lru_cache(maxsize=16)
def _cosines(protocol: Protocol) -> Pair:
    """Frequencies and coefficients of the cosines through the psychometric function, which is flat at both ends."""
    points = 512 if protocol.directed else 256
    width = 2 * _REACH if protocol.directed else _REACH
    at = (np.arange(points) + 0.5) * width / points - (_REACH if protocol.directed else 0.0)
    coefficients = dct(protocol.p_correct(at), type=2) / points
    coefficients[0] /= 2
    heard = np.flatnonzero(np.abs(coefficients) > 1e-15)[-1] + 1
    return np.pi * np.arange(heard) / width, coefficients[:heard]


def _share(value: ArrayLike, what: str, below: float = 0.0) -> Array:
    """`value` as an array, or an error that says which entry cannot be a share."""
    share = np.asarray(value, float)
    bad = ~((share >= below) & (share <= 1))
    if bad.any():
        raise ValueError(f"{what} must lie between 0 and 1 (0 % and 100 %); got {share[bad].flat[0]:g}.")
    return share


# In the docstrings below, Phi and phi are the standard normal distribution function and density, f is p_correct, and
# T is Owen's function, T(h, a) = 1/(2 pi) * integral over t in [0, a] of exp(-h**2 (1 + t**2) / 2) / (1 + t**2)
# (Owen 1956, Ann. Math. Stat. 27, 1075; from memory). T is positive and small in the tail, so 4 T or 8 T is the
# probability of a wrong answer without cancellation.


def _two_afc_tails(d: Array) -> Tails:
    """f = Phi(d / sqrt 2)."""
    return ndtr(d / _SQRT2), ndtr(-d / _SQRT2)


def _two_afc_slope(d: Array) -> Array:
    return _phi(d / _SQRT2) / _SQRT2


def _three_afc_tails(d: Array) -> Tails:
    """f = Phi(a) - 2 T(a, 1/sqrt 3), a = d / sqrt 2, the closed form of the integral of phi(x - d) Phi(x)**2.

    The integral is in Hacker & Ratcliff 1979, Percept. Psychophys. 26, 168 (from memory). Below 0
    the difference cancels. There the bivariate normal with correlation 1/2 is used as an integral of positive
    terms, ``Phi(a)**2 + 1/(2 pi) * integral of exp(-a**2 / (1 + sin t)) over t in [0, pi/6]``.
    """
    a = d / _SQRT2
    wrong = ndtr(-a) + 2 * owens_t(a, 1 / _SQRT3)
    correct, low = 1 - wrong, d < 0
    if low.any():
        nodes, weights = _gauss(20)
        sine = 1 + np.sin((nodes + 1) * np.pi / 12)
        rest = np.exp(-(a[low][..., None] ** 2) / sine) @ weights / 24
        correct = np.array(correct)
        correct[low] = ndtr(a[low]) ** 2 + rest
    return correct, wrong


def _three_afc_slope(d: Array) -> Array:
    return _SQRT2 * _phi(d / _SQRT2) * ndtr(d / _SQRT6)


@lru_cache(maxsize=2)
def _gauss(order: int) -> Pair:
    """Nodes on [-1, 1] and weights of the Gauss-Legendre rule."""
    return np.polynomial.legendre.leggauss(order)


def _strongest(percepts: Array) -> NDArray[np.bool_]:
    return percepts[..., -1] > percepts[..., :-1].max(-1)


def _triangle_tails(d: Array) -> Tails:
    """f = 1 - 4 T(d / sqrt 6, sqrt 3).

    Closed form of 2 * integral over x > 0 of [Phi(-sqrt 3 x + d sqrt(2/3)) + Phi(-sqrt 3 x - d sqrt(2/3))] phi(x)
    (Frijters 1979, Br. J. Math. Stat. Psychol. 32, 229; Ennis 1993, J. Sens. Stud. 8, 353; from memory).
    """
    wrong = 4 * owens_t(d / _SQRT6, _SQRT3)
    return 1 - wrong, wrong


def _triangle_slope(d: Array) -> Array:
    return 2 / _SQRT6 * _phi(d / _SQRT6) * erf(d / 2)


def _triangle_correct(percepts: Array) -> NDArray[np.bool_]:
    a, b, odd = percepts[..., 0], percepts[..., 1], percepts[..., 2]
    return np.abs(a - b) < np.minimum(np.abs(a - odd), np.abs(b - odd))


def _duo_trio_tails(d: Array) -> Tails:
    """f = 1/2 + 2 (Phi(u) - 1/2)(Phi(v) - 1/2), u = d / sqrt 2, v = d / sqrt 6: right twice or wrong twice.

    The difference and the sum of the two unmarked percepts, measured from the reference, are independent, and the
    answer is right when they have the same sign (Ennis 1993, J. Sens. Stud. 8, 353; from memory).
    """
    u, v = ndtr(-np.abs(d) / _SQRT2), ndtr(-np.abs(d) / _SQRT6)
    return (1 - u) * (1 - v) + u * v, u * (1 - v) + v * (1 - u)


def _duo_trio_slope(d: Array) -> Array:
    return (_phi(d / _SQRT2) * erf(d / np.sqrt(12)) / _SQRT2) + _phi(d / _SQRT6) * erf(d / 2) / _SQRT6


def _duo_trio_correct(percepts: Array) -> NDArray[np.bool_]:
    reference, match, other = percepts[..., 0], percepts[..., 1], percepts[..., 2]
    return np.abs(match - reference) < np.abs(other - reference)


def _tetrad_tails(d: Array) -> Tails:
    """f = 1 - 8 T(d / sqrt 2, 1/sqrt 3), closed form of 1 - 2 * integral of phi(x) [2 Phi(x) Phi(x-d) - Phi(x-d)**2].

    The integral is in Ennis, Ennis, Palen & O'Mahony 2014, J. Sens. Stud. 29 (from memory).
    """
    wrong = 8 * owens_t(d / _SQRT2, 1 / _SQRT3)
    return 1 - wrong, wrong


def _tetrad_slope(d: Array) -> Array:
    return 4 / _SQRT2 * _phi(d / _SQRT2) * erf(d / np.sqrt(12))


def _two_strongest(percepts: Array) -> NDArray[np.bool_]:
    return percepts[..., :2].max(-1) < percepts[..., 2:].min(-1)


def _two_and_two(percepts: Array) -> NDArray[np.bool_]:
    return _two_strongest(percepts) | _two_strongest(-percepts)


@lru_cache(maxsize=1)
def _weaker_pair() -> Pair:
    """Nodes and weights for an average over the stronger of two percepts: the trapezoid rule on 2 phi(x) Phi(x)."""
    x = 0.35 * np.arange(-70, 71)
    return x, 0.35 * 2 * _phi(x) * ndtr(x)


def _specified_tetrad_tails(d: Array) -> Tails:
    """f = integral of 2 phi(x) Phi(x) Phi(d - x)**2: both strong cups exceed x, the stronger of the two weak ones.

    (Ennis, Ennis, Palen & O'Mahony 2014, J. Sens. Stud. 29; from memory.)
    The smaller tail is integrated (positive terms only); the trapezoid rule is exact to rounding for such integrands.
    """
    x, weight = _weaker_pair()
    near = np.abs(x) < 9.5  # the side where the weight, rather than the other factor, ends the integral
    up, down = near | (x > 0), near | (x < 0)
    tail = np.empty(d.shape)
    high = d >= 0
    tail[high] = _average(d[high], x[up], weight[up], _either_below)
    tail[~high] = _average(d[~high], x[down], weight[down], _both_above)
    return np.where(high, 1 - tail, tail), np.where(high, tail, 1 - tail)


def _specified_tetrad_slope(d: Array) -> Array:
    """2 sqrt(2) phi(d / sqrt 2) (Phi(v) - 2 T(v, sqrt 2)), v = d / sqrt 6; far below 0 the integral that it equals."""
    v = d / _SQRT6
    slope = np.array(2 * _SQRT2 * _phi(d / _SQRT2) * (ndtr(v) - 2 * owens_t(v, _SQRT2)))
    low = d < -1
    if low.any():
        t = 0.25 * np.arange(-26, 27)
        half = d[low][..., None] / 2
        slope[low] = 0.25 * 4 * _phi(d[low] / _SQRT2) * ((ndtr(half + t) * ndtr(half - t)) @ _phi(_SQRT2 * t))
    return slope


def _both_above(t: Array) -> Array:
    """Probability that two percepts exceed a point t above their mean."""
    return ndtr(-t) ** 2


def _either_below(t: Array) -> Array:
    """Its complement, ``1 - Phi(-t)**2``, without cancellation."""
    below = ndtr(t)
    return below * (2 - below)


def _both_above_slope(t: Array) -> Array:
    return 2 * ndtr(-t) * _phi(t)


def _average(d: Array, x: Array, weight: Array, kernel: Callable[[Array], Array]) -> Array:
    """Weighted sum of ``kernel(x - d)`` over the nodes `x`, in blocks that fit the cache."""
    flat, out = d.ravel(), np.empty(d.size)
    for start in range(0, d.size, 512):
        block = slice(start, start + 512)
        out[block] = kernel(x - flat[block, None]) @ weight
    return out.reshape(d.shape)


@lru_cache(maxsize=1)
def _three_alike() -> Pair:
    """Nodes and weights for an average over ``s = largest + (largest - second)`` of the three cups that are alike.

    Two other cups above s are further from the largest of the three than the second is, so it stays with its own kind.
    """
    s = 0.3 * np.arange(-24, 105)
    nodes, weights = _gauss(256)
    gap, weights = 12 * (nodes + 1), 12 * weights  # widest useful gap: 3 s / 5 and a few standard deviations
    second = s[:, None] - 2 * gap
    density = (_phi(s[:, None] - gap) * _phi(second) * ndtr(second)) @ weights
    return s, density / density.sum()


def _two_out_of_five_tails(d: Array) -> Tails:
    """f = P(d) + P(-d), P(d) = probability that the two lie above the three and the middle cup joins its own kind."""
    s, weight = _three_alike()
    d = np.abs(d)
    below = s < 9.5
    wrong = _average(d, s, weight, _either_below) - _average(-d, s[below], weight[below], _both_above)
    return 1 - wrong, wrong


def _two_out_of_five_slope(d: Array) -> Array:
    s, weight = _three_alike()
    far, below = np.abs(d), s < 9.5
    rise = _average(far, s, weight, _both_above_slope) - _average(-far, s[below], weight[below], _both_above_slope)
    return np.sign(d) * rise


def _two_out_of_five_correct(percepts: Array) -> NDArray[np.bool_]:
    order = np.argsort(percepts, axis=-1)
    x = np.take_along_axis(percepts, order, -1)
    two = np.where((x[..., 2] - x[..., 1] < x[..., 3] - x[..., 2])[..., None], order[..., 3:], order[..., :2])
    return np.asarray((two >= 3).all(-1))


# --------------------------------------------------------------------------------------------------------------------
# Two counts and a criterion
# --------------------------------------------------------------------------------------------------------------------


class CriterionEstimate(NamedTuple):
    """Maximum-likelihood d-prime of one panel, and the criterion its tasters seem to have used.

    Examples
    --------
    >>> import metasense as ms
    >>> found = ms.protocol("A-not-A").estimate(30, 21, 30, 9)
    >>> round(found.d_prime, 2)
    1.05
    """

    d_prime: float
    criterion: float


@dataclass(frozen=True, repr=False)
class TwoCountProtocol:
    """A protocol whose tasters answer yes or no against a criterion of their own, so that two counts are needed.

    ``signal`` tastings held the other product (A-not-A: the learned sample A; same-different: two different cups) and
    drew ``hits`` answers "A" or "different"; ``noise`` tastings did not, and drew ``false_alarms`` such answers.

    A-not-A: ``hit = Phi(d - c)``, ``false alarm = Phi(-c)``. Same-different, differencing rule: "different" when two
    percepts are more than t apart, ``hit = Phi((d - t)/sqrt 2) + Phi((-d - t)/sqrt 2)``,
    ``false alarm = 2 Phi(-t/sqrt 2)`` (Macmillan & Creelman, Detection Theory; from memory).

    The criterion says nothing about the products. Its prior makes every rate of answering yes to products that are
    alike equally likely: ``c = d/2 + z`` (A-not-A, centred half-way between the products) and ``t = sqrt(2) |z|``
    (same-different) with z standard normal.

    Examples
    --------
    >>> a_not_a = protocol("A-not-A")
    >>> round(a_not_a.estimate(100, 60, 100, 35).d_prime, 6)
    0.638668
    >>> a_not_a.log_likelihood([0, 0.64, 2], 100, 60, 100, 35).round(2)
    array([-13.76,  -7.4 , -34.57])
    """

    name: str
    directed: bool
    cups: int
    rule: str
    _log_rates: Callable[[Array, Array], tuple[Array, Array, Array, Array]] = field(compare=False)
    _criterion: Callable[[Array, Array], Array] = field(compare=False)  # d, z -> criterion in percept units
    _yes: Callable[[Array, Array], NDArray[np.bool_]] = field(compare=False)  # percepts, criterion -> answers
    _estimate: Callable[[float, float], CriterionEstimate] = field(compare=False)
    _rates: Callable[[Array, Array], Pair] = field(compare=False)

    def rates(self, d: ArrayLike, criterion: ArrayLike) -> Pair:
        """Probability of a hit and of a false alarm at d-prime `d` and a criterion in percept units.

        Parameters
        ----------
        d : array_like of float
            d-primes.
        criterion : array_like of float
            The tasters' criterion, in the units of d-prime.

        Returns
        -------
        (ndarray of float, ndarray of float)
            Of hits, and of false alarms.

        Examples
        --------
        >>> hit, false_alarm = protocol("A-not-A").rates(1.0, 0.5)
        >>> round(float(hit), 3), round(float(false_alarm), 3)
        (0.691, 0.309)
        """
        return self._rates(np.asarray(d, float), np.asarray(criterion, float))

    def log_likelihood(self, d: ArrayLike, signal: int, hits: int, noise: int, false_alarms: int) -> Array:
        """Log probability of the two counts at each d-prime, the criterion integrated out under its prior.

        Even in `d` for same-different. The integral is taken on the logarithmic scale over the region that matters at
        each `d`, found by closing in on it, so that counts of 0, all, or many thousands are safe.

        Parameters
        ----------
        d : array_like of float
            d-primes.
        signal, hits, noise, false_alarms : int
            The four counts.

        Returns
        -------
        ndarray of float, same shape as `d`

        Examples
        --------
        >>> import metasense as ms
        >>> import numpy as np
        >>> d = np.linspace(0, 3, 31)
        >>> round(float(d[ms.protocol("A-not-A").log_likelihood(d, 30, 21, 30, 9).argmax()]), 1)
        1.1
        """
        _check_counts(self.name, signal, hits, noise, false_alarms)
        d = np.asarray(d, float)
        counts = (hits, signal - hits, false_alarms, noise - false_alarms)
        blocks = np.array_split(d.ravel(), d.size // 512 + 1)  # blocks that fit the cache
        log = np.concatenate([self._integrate(block, counts) for block in blocks]).reshape(d.shape)
        return (log + _log_choose(signal, hits) + _log_choose(noise, false_alarms))[()]

    def _integrate(self, d: Array, counts: tuple[int, ...]) -> Array:
        """Trapezoid rule over z: close in, at each d, on where the integrand is within e**-42 of its peak."""

        def log_integrand(nodes: int) -> Pair:
            z = low + (high - low) * np.linspace(0, 1, nodes)
            value = -0.5 * z * z - 0.5 * np.log(2 * np.pi)
            for count, log_rate in zip(counts, self._log_rates(d, z), strict=True):
                if count:  # 0 * log 0 is 0
                    value = value + count * log_rate
            return z, value

        d = d[:, None]
        low, high = -12 - np.abs(d), 12 + np.abs(d)
        for _ in range(20):
            z, value = log_integrand(33)
            inside = value > value.max(1, keepdims=True) - 42
            first = np.maximum(inside.argmax(1) - 1, 0)[:, None]
            last = np.minimum(33 - inside[:, ::-1].argmax(1), 32)[:, None]
            low, high = np.take_along_axis(z, first, 1), np.take_along_axis(z, last, 1)
            if (last - first > 26).all():
                break
        _, value = log_integrand(97)
        top = value.max(1, keepdims=True)
        return (top + np.log(np.exp(value - top).sum(1, keepdims=True) * (high - low) / 96))[:, 0]

    def estimate(
        self, signal: int, hits: int, noise: int, false_alarms: int, *, add_half: bool = False
    ) -> CriterionEstimate:
        """D-prime and criterion by maximum likelihood from one panel's counts.

        Rates of 0 or 1 send them to infinity. With `add_half` each rate is (count + 1/2) / (total + 1) instead, which
        keeps them finite (log-linear correction; common practice).

        Parameters
        ----------
        signal, hits : int
            Samples that held the difference (A, or different pairs), and how many of them were called so.
        noise, false_alarms : int
            The others, and how many of them were called so.
        add_half : bool
            Whether to add half an answer to each kind, so that no rate is 0 or 1.

        Returns
        -------
        CriterionEstimate

        Examples
        --------
        >>> round(float(protocol("same-different").estimate(100, 80, 100, 20).d_prime), 4)
        3.0009
        """
        _check_counts(self.name, signal, hits, noise, false_alarms)
        if not (add_half or (signal and noise)):
            raise ValueError(f"{self.name}: an estimate needs tastings of both kinds; got {signal} and {noise}.")
        extra = 0.5 if add_half else 0.0
        hit = (hits + extra) / (signal + 2 * extra)
        false_alarm = (false_alarms + extra) / (noise + 2 * extra)
        if not self.directed and hit <= false_alarm:  # d-prime is 0, so both kinds tell of the same rate
            hit = false_alarm = (hits + false_alarms + 2 * extra) / (signal + noise + 4 * extra)
        return self._estimate(hit, false_alarm)

    def simulate(
        self,
        d: ArrayLike,
        signal: int,
        noise: int,
        size: int | tuple[int, ...],
        rng: np.random.Generator,
        *,
        criterion: ArrayLike | None = None,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Draw `size` panels: percepts for every tasting, compared with the criterion. Returns hits, false alarms.

        `criterion` is in percept units; None draws one for each panel from the prior.

        Parameters
        ----------
        d : array_like of float
            A d-prime, or an array of them that broadcasts to `size`.
        signal, noise : int
            Samples of each kind in a panel.
        size : int or tuple of int
            How many panels.
        rng : numpy.random.Generator
            Where chance comes from.
        criterion : array_like of float, optional
            The tasters' criterion; without a bias by default.

        Returns
        -------
        (ndarray of int, ndarray of int), shape `size` each
            Hits, and false alarms.

        Examples
        --------
        >>> import metasense as ms
        >>> import numpy as np
        >>> hits, alarms = ms.protocol("A-not-A").simulate(2.0, 30, 30, 500, np.random.default_rng(1))
        >>> hits.shape, bool(hits.mean() > alarms.mean())
        ((500,), True)
        """
        shape = tuple(np.atleast_1d(size))
        d = np.broadcast_to(np.asarray(d, float), shape)
        limit = self._criterion(d, rng.standard_normal(shape)) if criterion is None else np.asarray(criterion, float)
        limit = np.broadcast_to(limit, shape)[..., None]
        with_signal = rng.standard_normal((*shape, signal, self.cups))
        with_signal[..., -1] += d[..., None]
        without = rng.standard_normal((*shape, noise, self.cups))
        return self._yes(with_signal, limit).sum(-1), self._yes(without, limit).sum(-1)

    def __repr__(self) -> str:
        return f"{self.name}: two counts and a criterion, {'directed' if self.directed else 'undirected'}"


def _check_counts(name: str, signal: int, hits: int, noise: int, false_alarms: int) -> None:
    if not (0 <= hits <= signal and 0 <= false_alarms <= noise):
        raise ValueError(
            f"{name}: {hits} hits of {signal} and {false_alarms} false alarms of {noise} cannot be. "
            "A count lies between 0 and its total."
        )


def _log_choose(n: int, k: int) -> float:
    return float(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def _a_not_a_log_rates(d: Array, z: Array) -> tuple[Array, Array, Array, Array]:
    return log_ndtr(d / 2 - z), log_ndtr(z - d / 2), log_ndtr(-d / 2 - z), log_ndtr(d / 2 + z)


def _a_not_a_criterion(d: Array, z: Array) -> Array:
    return d / 2 + z


def _a_not_a_yes(percepts: Array, criterion: Array) -> NDArray[np.bool_]:
    return percepts[..., 0] > criterion


def _a_not_a_rates(d: Array, criterion: Array) -> Pair:
    return ndtr(d - criterion), ndtr(-criterion)


def _a_not_a_estimate(hit: float, false_alarm: float) -> CriterionEstimate:
    criterion = -ndtri(false_alarm)
    return CriterionEstimate(0.0 if hit == false_alarm else float(criterion + ndtri(hit)), float(criterion))


def _same_different_limit(z: Array) -> Array:
    """x = t / sqrt 2 such that the false-alarm rate 2 Phi(-x) equals Phi(z), a uniform rate when z is normal."""
    return np.where(z > 0, _SQRT2 * erfinv(ndtr(-z)), -ndtri(ndtr(z) / 2))


def _same_different_log_rates(d: Array, z: Array) -> tuple[Array, Array, Array, Array]:
    x, delta = _same_different_limit(z), np.abs(d) / _SQRT2
    near, far = log_ndtr(x - delta), log_ndtr(-x - delta)
    with np.errstate(divide="ignore"):
        miss = near + np.log(-np.expm1(np.minimum(far - near, 0)))
    return np.logaddexp(log_ndtr(delta - x), far), miss, log_ndtr(z), log_ndtr(-z)


def _same_different_criterion(d: Array, z: Array) -> Array:
    return _SQRT2 * np.abs(z)


def _same_different_yes(percepts: Array, criterion: Array) -> NDArray[np.bool_]:
    return np.abs(percepts[..., 1] - percepts[..., 0]) > criterion


def _same_different_rates(d: Array, criterion: Array) -> Pair:
    return ndtr((d - criterion) / _SQRT2) + ndtr((-d - criterion) / _SQRT2), 2 * ndtr(-criterion / _SQRT2)


def _same_different_estimate(hit: float, false_alarm: float) -> CriterionEstimate:
    criterion = float(-_SQRT2 * ndtri(false_alarm / 2))
    if hit == false_alarm:
        return CriterionEstimate(0.0, criterion)
    if false_alarm == 0 or hit == 1:
        return CriterionEstimate(np.inf, criterion)
    low, high = 0.0, criterion + _SQRT2 * (1 + max(0.0, float(ndtri(hit))))  # the far term only adds to the rate
    while low < (d := (low + high) / 2) < high:
        low, high = (d, high) if _same_different_rates(np.asarray(d), np.asarray(criterion))[0] < hit else (low, d)
    return CriterionEstimate(d, criterion)


# --------------------------------------------------------------------------------------------------------------------
# The protocols by name
# --------------------------------------------------------------------------------------------------------------------

PROTOCOLS: dict[str, Protocol | TwoCountProtocol] = {
    p.name: p
    for p in (
        Protocol(
            "triangle", 1 / 3, False, 3,
            "Two cups are alike; the taster puts the two nearest percepts together and names the third cup as odd.",
            _triangle_tails, _triangle_slope, _triangle_correct, (2,),
        ),
        Protocol(
            "duo-trio", 1 / 2, False, 3,
            "A marked reference and two cups; the taster names as its match the cup whose percept is nearer to it "
            "(constant or balanced reference alike).",
            _duo_trio_tails, _duo_trio_slope, _duo_trio_correct, (2,),
        ),
        Protocol(
            "2-AFC", 1 / 2, True, 2,
            "Two cups; the taster names the one with more of a stated attribute.",
            _two_afc_tails, _two_afc_slope, _strongest, (1,),
        ),
        Protocol(
            "3-AFC", 1 / 3, True, 3,
            "Three cups, two alike; the taster names the one with most of a stated attribute.",
            _three_afc_tails, _three_afc_slope, _strongest, (2,),
        ),
        Protocol(
            "tetrad", 1 / 3, False, 4,
            "Four cups, two and two; the taster puts the two weakest percepts together and the two strongest together.",
            _tetrad_tails, _tetrad_slope, _two_and_two, (2, 3),
        ),
        Protocol(
            "specified tetrad", 1 / 6, True, 4,
            "Four cups, two and two; the taster names the two with most of a stated attribute.",
            _specified_tetrad_tails, _specified_tetrad_slope, _two_strongest, (2, 3),
        ),
        Protocol(
            "two-out-of-five", 1 / 10, False, 5,
            "Five cups, three and two; with the percepts in order, the middle one joins its nearer neighbour, and the "
            "two at the other end are named. A taster who instead makes both groups as tight as possible "
            "(least squares) is correct slightly more often: by up to .02.",
            _two_out_of_five_tails, _two_out_of_five_slope, _two_out_of_five_correct, (3, 4),
        ),
        TwoCountProtocol(
            "A-not-A", True, 1,
            "One cup at a time; the taster says A when its percept exceeds a criterion.",
            _a_not_a_log_rates, _a_not_a_criterion, _a_not_a_yes, _a_not_a_estimate, _a_not_a_rates,
        ),
        TwoCountProtocol(
            "same-different", False, 2,
            "Two cups at a time; the taster says different when the percepts are further apart than a criterion.",
            _same_different_log_rates, _same_different_criterion, _same_different_yes, _same_different_estimate,
            _same_different_rates,
        ),
    )
}  # fmt: skip

_ALIASES = {
    "duo-trio": ("duotrio constant reference", "duotrio balanced reference"),
    "2-AFC": ("paired comparison", "directional difference", "two afc", "2 alternative forced choice"),
    "3-AFC": ("three afc", "3 alternative forced choice"),
    "triangle": ("triangular",),
    "tetrad": ("unspecified tetrad", "tetrad unspecified"),
    "specified tetrad": ("tetrad specified", "directed tetrad"),
    "two-out-of-five": ("2 out of 5", "two of five"),
    "A-not-A": ("yes no",),
    "same-different": ("simple difference",),
}


def _plain(name: str) -> str:
    """The name without case, spaces, the word "test", and marks between words; any other sign makes it another name.

    A kind may follow in brackets, as in "tetrad (specified)".
    """
    word = re.sub(r"(?<=[a-z0-9])\s*\(([^()]*)\)$", r" \1", name.casefold().strip())
    word = re.sub(r"(?<=[a-z0-9])[-_.,/\s\u2010-\u2015]+(?=[a-z0-9])", "", word)
    return word.replace("test", "")


_BY_NAME = {_plain(alias): PROTOCOLS[name] for name in PROTOCOLS for alias in (name, *_ALIASES.get(name, ()))}


def protocol(name: str | Protocol | TwoCountProtocol) -> Protocol | TwoCountProtocol:
    """The protocol called `name`; case, spaces, hyphens and the word "test" do not matter.

    Parameters
    ----------
    name : str or Protocol
        Its name, in capitals or not, with spaces or hyphens: ``"triangle"``, ``"2-AFC"``, ``"a-not-a"``.

    Returns
    -------
    Protocol or TwoCountProtocol

    Raises
    ------
    ValueError
        If no protocol has that name; the message lists those that exist.

    Examples
    --------
    >>> protocol("Duo trio test").guess
    0.5
    >>> protocol("paired comparison").name
    '2-AFC'
    """
    if isinstance(name, (Protocol, TwoCountProtocol)):
        return name
    found = _BY_NAME.get(_plain(str(name)))
    if found is None:
        raise ValueError(f"there is no protocol called {name!r}. Known: {', '.join(PROTOCOLS)}.")
    return found


def forced_choice(name: str | Protocol | TwoCountProtocol) -> Protocol:
    """As :func:`protocol`, for places where only a share of correct answers makes sense.

    >>> forced_choice("same-different")
    Traceback (most recent call last):
    ValueError: same-different has no share of correct answers: it depends on the tasters' criterion. Name one of \
triangle, duo-trio, 2-AFC, 3-AFC, tetrad, specified tetrad, two-out-of-five.
    """
    found = protocol(name)
    if isinstance(found, Protocol):
        return found
    known = ", ".join(p.name for p in PROTOCOLS.values() if isinstance(p, Protocol))
    raise ValueError(
        f"{found.name} has no share of correct answers: it depends on the tasters' criterion. Name one of {known}."
    )
