"""One moderator, read at its values: every quantile against quadrature that knows where its corners are."""

from functools import cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq
from scipy.special import erf
from scipy.stats import binom, norm

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.engine.slopes import Sloped
from metasense.protocols import forced_choice

PRIORS = Priors()
WEEKS = np.array([-1.4, -1.0, -0.6, -0.2, 0.1, 0.5, 0.9, 1.7])
Z = (WEEKS - WEEKS.mean()) / WEEKS.std()
LEVELS = (0.025, 0.5, 0.975)
TABLES = {
    "rising": (30, (9, 12, 10, 15, 13, 19, 14, 18)),
    "nothing": (30, (9, 11, 10, 12, 9, 10, 11, 10)),
    "large": (1000, (380, 420, 410, 470, 450, 520, 500, 610)),
}


ALLOWED = {"rising": 2e-3, "nothing": 2e-3, "large": 3.5e-3}  # of an SD


def legendre(nodes, low, high):
    x, w = np.polynomial.legendre.leggauss(nodes)
    half = (np.asarray(high) - low) / 2
    return np.asarray(low)[..., None] + half[..., None] * (x + 1), half[..., None] * w


D = np.linspace(-30, 33, 25201)


@cache
def alone(n, correct):
    """Chance of the count at every d-prime."""
    return binom.pmf(correct, n, forced_choice("triangle").p_correct(np.abs(D)))


@cache
def averaged(n, correct, tau):
    """Chance of the count for thetas drawn from Normal(centre, tau), by a plain sum; a spline over the centres."""
    centres, z = np.linspace(-6, 9, 601), np.linspace(-7, 7, 71)
    chance = np.interp(np.add.outer(centres, tau * z), D, alone(n, correct))
    return CubicSpline(centres, chance @ (norm.pdf(z) * 0.2))


def mean_size(centre, tau):
    return centre * erf(centre / tau / np.sqrt(2)) + tau * np.sqrt(2 / np.pi) * np.exp(-0.5 * (centre / tau) ** 2)


def share(table, reach, row=0.0, value=None):
    """Integral where panels at `row` average less than `value`: in pieces without corners, centre, slope and spread.

    Just below the spread at which a centre of 0 gives `value`, the centre there at most goes as a square root.
    """
    n, counts = table
    (low, high), top, spread = reach
    total = 0.0
    widest = spread if value is None else value / np.sqrt(2 / np.pi)
    if widest < spread:
        u, weights = legendre(28, 0.0, 1.0)
        taus, weights = widest * (1 - u**2), 2 * widest * u * weights
    else:
        taus, weights = legendre(28, 0.0, spread)
    for tau, weight in zip(taus, weights, strict=True):
        first, last, most = low, high, np.inf
        if value is not None:  # the centre there at most; none is left beyond these slopes
            most = brentq(lambda c, tau=tau: mean_size(c, tau) - value, 0, value + 1, xtol=1e-12)
            first = max(first, -most / (Z.max() - row)) if Z.max() > row else first
            last = min(last, most / (row - Z.min())) if row > Z.min() else last
        for a, b in ((first, min(last, 0.0)), (max(first, 0.0), last)):
            if b <= a:
                continue
            slopes, w = legendre(28, a, b)
            bound = np.maximum(-slopes * Z.max(), -slopes * Z.min())
            upper = np.minimum(np.maximum(bound + 1e-3, top), most - row * slopes)
            mu, w_mu = legendre(40, bound, np.maximum(upper, bound))
            likelihood = norm.pdf(mu, 0, PRIORS.centre_scale) * w_mu
            for count, z in zip(counts, Z, strict=True):
                likelihood *= averaged(n, count, float(tau))(mu + (z * slopes)[:, None])
            inner = likelihood.sum(axis=1) @ (w * norm.pdf(slopes, 0, PRIORS.slope_scale))
            total += weight * norm.pdf(tau, 0, PRIORS.spread_scale) * inner
    return total


@pytest.mark.parametrize(
    "name", ["rising", *(pytest.param(name, marks=pytest.mark.slow) for name in ("nothing", "large"))]
)
def test_the_average_at_a_value_has_the_quantiles_of_plain_quadrature(name):
    n, counts = TABLES[name]
    panels = [Counts(forced_choice("triangle"), n, x) for x in counts]
    start = integrate(panels, [1] * 8, PRIORS)[0]
    found = Sloped.integrate(panels, np.ones(8), Z, PRIORS, start)
    slope = found.distribution(lambda mu, beta, tau: beta[..., 0] + 0 * tau)
    centre = found.at(1.0, np.zeros(1)).average
    reach = (
        (slope.mean - 8 * slope.sd, slope.mean + 8 * slope.sd),
        centre.mean + 8 * centre.sd,
        min(3.0, 2 * found.spread.quantile(0.999)),
    )
    whole = share(TABLES[name], reach)
    for row in (-1.0, 0.0, float(Z.max())):
        average = found.at(1.0, np.array([row])).average
        for level in LEVELS:
            below = share(TABLES[name], reach, row, float(average.quantile(level))) / whole
            nearby = np.diff(average.quantile([level - 0.01, level + 0.01]))[0] / 0.02
            off = (below - level) * nearby / average.sd
            assert abs(off) < ALLOWED[name]
