"""How the d-primes of panels lie around their centre: what spread does to a cosine, and to the average size.

The usual way is a normal distribution. Student's t with 4 degrees of freedom has the same middle and heavier tails, so
that one panel may lie far off without pulling the centre and the spread with it.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import erf, kv, stdtr

Array = NDArray[np.floating[Any]]

FREEDOM = 4  # degrees of freedom of the heavier tails
NOTHING_LEFT = 24.0  # frequency times spread beyond which nothing is left of a cosine under them
STEPS = 4000  # from nothing to that


def average_d_prime(mu: Array, tau: Array) -> Array:
    """Mean of ``|theta|`` for ``theta ~ Normal(mu, tau)``: the average d-prime of panels, spread included.

    Examples
    --------
    >>> import numpy as np
    >>> average_d_prime(np.array([1.0, 0.0]), np.array([0.0, 1.0])).round(4)
    array([1.    , 0.7979])
    """
    mu, tau = np.abs(np.asarray(mu, float)), np.asarray(tau, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(tau > 0, mu / tau, np.inf)
        return tau * np.sqrt(2 / np.pi) * np.exp(-0.5 * ratio**2) + mu * erf(ratio / np.sqrt(2))


def average_with_tails(mu: Array, tau: Array) -> Array:
    """Mean of ``|theta|`` for theta around `mu` as Student's t with 4 degrees of freedom, `tau` its scale.

    Examples
    --------
    >>> import numpy as np
    >>> average_with_tails(np.array([1.0, 0.0]), np.array([0.0, 1.0])).round(4)
    array([1., 1.])
    """
    mu, tau = np.abs(np.asarray(mu, float)), np.asarray(tau, float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = np.where(tau > 0, mu / tau, np.inf)
        # the part of the mean beyond the ratio: (freedom + ratio^2) / (freedom - 1) times the density, on both sides
        outside = 2 * (FREEDOM + ratio**2) / (FREEDOM - 1) * 0.375 * (1 + ratio**2 / FREEDOM) ** -2.5
        outside = np.where(np.isfinite(ratio), outside, 0.0)
    return np.asarray(tau * outside + mu * (2 * stdtr(FREEDOM, ratio) - 1))


def damping_with_tails(frequency: Array) -> Array:
    """Mean of ``cos(frequency t)`` for Student's t with 4 degrees of freedom.

    Examples
    --------
    >>> import numpy as np
    >>> damping_with_tails(np.array([0.0, 1.0, 30.0])).round(4)
    array([1.    , 0.5075, 0.    ])
    """
    cubes, squares, rises, starts = _damping_curve()
    place = np.sqrt(np.minimum(np.abs(np.asarray(frequency, float)), NOTHING_LEFT) * (STEPS**2 / NOTHING_LEFT))
    step = np.minimum(place, STEPS - 1).astype(np.intp)
    place = place - step
    return np.asarray(((cubes[step] * place + squares[step]) * place + rises[step]) * place + starts[step])


@cache
def _damping_curve() -> Array:
    """Cubics over the root of the frequency, as it bends most near 0, from step to step, shape (4, STEPS).

    Exact to 2e-12, so that far tails keep their digits.
    """
    place = np.arange(STEPS + 1.0)
    s = np.sqrt(FREEDOM) * NOTHING_LEFT * (place[1:] / STEPS) ** 2
    return np.asarray(CubicSpline(place, np.concatenate([[1.0], s**2 * kv(2, s) / 2])).c)
