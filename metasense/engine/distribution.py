"""One posterior quantity: a continuous distribution held as its cumulative probabilities on a fine grid.

Everything metasense concludes (the average d-prime, the next panel's p_d, one panel's difference) comes out as a
`Distribution`, whichever way it was computed, so every interval and probability is read off in one and the same way.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from metasense.showing import words

Array = NDArray[np.floating[Any]]

MIXED = 65_536  # points of a mixture


@dataclass(frozen=True, eq=False, repr=False)
class Distribution:
    """Posterior of one number.

    Parameters
    ----------
    x : ndarray, shape (points,)
        Increasing values that carry (almost) all the probability.
    cdf : ndarray, shape (points,)
        P(quantity <= x), non-decreasing from 0 to 1.
    exact_mean : float, optional
        The mean where it is known better than the grid tells.

    Examples
    --------
    >>> import numpy as np
    >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
    >>> [round(end, 6) for end in flat.interval(0.9)]
    [0.05, 0.95]
    >>> round(flat.above(0.2), 6), round(flat.mean, 6)
    (0.8, 0.5)
    >>> flat
    0.50 (0.03 to 0.97; 95 % credible interval, equal-tailed)
    """

    x: Array
    cdf: Array
    exact_mean: float | None = None

    @classmethod
    def from_nodes(
        cls, nodes: ArrayLike, weights: ArrayLike, shares: ArrayLike, ends: tuple[float, float] = (0.0, 1.0)
    ) -> Distribution:
        """Build a smooth distribution from the shares of integration nodes.

        Parameters
        ----------
        nodes, weights : array_like of float, shape (nodes,)
            Of a quadrature between the ends.
        shares : array_like of float, shape (nodes,)
            How probable each node came out.
        ends : (float, float)
            Between which the nodes lie.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> x, w = np.polynomial.legendre.leggauss(8)
        >>> round(Distribution.from_nodes((x + 1) / 2, w / 2, w / 2).quantile(0.25).item(), 6)
        0.25
        """
        at = np.asarray(nodes, float)
        density = np.asarray(shares, float) / np.asarray(weights, float)
        log = np.log(np.maximum(density, 1e-12 * density.max()))
        x = np.linspace(*ends, 401)
        return cls.from_density(x, np.exp(PchipInterpolator(at, log)(np.clip(x, at[0], at[-1]))))

    @classmethod
    def from_density(cls, x: ArrayLike, density: ArrayLike, mean: float | None = None) -> Distribution:
        """Build from values proportional to the density on an increasing grid.

        Parameters
        ----------
        x : array_like of float, shape (points,)
            Increasing values.
        density : array_like of float, shape (points,)
            In proportion to the density there.
        mean : float, optional
            The mean where it is known better than the grid tells.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> from metasense import Distribution
        >>> round(Distribution.from_density([0, 1, 2], [1, 1, 1]).median, 6)
        1.0
        """
        grid, height = np.asarray(x, float), np.maximum(np.asarray(density, float), 0)
        steps = np.diff(grid)
        # Third-order corrected trapezoid: exact for cubics, so that smooth densities lose nothing to the grid.
        slope = np.gradient(height, grid)
        pieces = steps * (height[1:] + height[:-1]) / 2 - steps**2 * np.diff(slope) / 12
        cdf = np.maximum.accumulate(np.concatenate([[0.0], np.cumsum(pieces)]))
        return cls(grid, cdf / cdf[-1], mean)

    @classmethod
    def from_draws(cls, draws: ArrayLike) -> Distribution:
        """Build from posterior draws of any shape, equally weighted.

        Parameters
        ----------
        draws : array_like of float
            Of any shape.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> from metasense import Distribution
        >>> Distribution.from_draws([3, 1, 2]).median
        2.0
        """
        values = np.sort(np.ravel(np.asarray(draws, float)))
        n = len(values)
        return cls(values, (np.arange(n) + 0.5) / n, float(values.mean()))

    @classmethod
    def mixture(cls, parts: list[Distribution], weights: ArrayLike) -> Distribution:
        """Average several distributions, for instance over a nuisance quantity.

        Parameters
        ----------
        parts : list of Distribution
            What is averaged.
        weights : array_like of float, shape (parts,)
            In proportion to their shares.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> round(Distribution.mixture([flat, flat.map(lambda value: value + 1)], [1, 3]).below(1), 6)
        0.25
        """
        share = np.asarray(weights, float) / np.sum(weights)
        if len(parts) == 1:
            return parts[0]
        every = -(-sum(len(p.x) for p in parts) // MIXED)  # many parts on fine grids need not all of their points
        x = np.unique(np.concatenate([np.append(p.x[:-1:every], p.x[-1]) for p in parts]))
        cdf = sum(w * np.interp(x, p.x, p.cdf, left=0.0, right=1.0) for w, p in zip(share, parts, strict=True))
        return cls(x, np.asarray(cdf), float(sum(w * p.mean for w, p in zip(share, parts, strict=True))))

    def with_atom(self, value: float, chance: float) -> Distribution:
        """The quantity if it is exactly `value` with some probability, and as it is here otherwise.

        Parameters
        ----------
        value : float
            In the units of the quantity.
        chance : float
            Probability of exactly that, between 0 and 1.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> half = flat.with_atom(0.0, 0.5)
        >>> half.below(0.0), round(half.median, 6), round(half.quantile(0.75).item(), 6)
        (0.5, 0.0, 0.5)
        """
        if chance >= 1:
            return Distribution(np.full(2, float(value)), np.array([0.0, 1.0]), float(value))
        before, after = self.x < value, self.x > value
        level = self.below(value)
        just_below = [np.nextafter(value, -np.inf)] if before.any() else []
        x = np.concatenate([self.x[before], just_below, [value], self.x[after]])
        left, right = (1 - chance) * self.cdf[before], chance + (1 - chance) * self.cdf[after]
        at = [(1 - chance) * level] * len(just_below) + [chance + (1 - chance) * level]
        mean = chance * value + (1 - chance) * self.mean
        return Distribution(x, np.concatenate([left, at, right]), mean)

    def __repr__(self) -> str:
        return words.estimate(self.median, *self.interval())

    @cached_property
    def mean(self) -> float:
        """Posterior mean."""
        return self._expect(self.x) if self.exact_mean is None else self.exact_mean

    @cached_property
    def sd(self) -> float:
        """Posterior standard deviation."""
        centre = self.mean
        return float(np.sqrt(max(self._expect((self.x - centre) ** 2), 0.0)))

    @property
    def median(self) -> float:
        """Posterior median."""
        return float(self.quantile(0.5))

    @property
    def support(self) -> tuple[float, float]:
        """Smallest and largest value of the grid."""
        return float(self.x[0]), float(self.x[-1])

    def quantile(self, q: ArrayLike) -> Array:
        """Value(s) below which a share `q` of the posterior lies.

        Parameters
        ----------
        q : array_like of float
            Shares between 0 and 1.

        Returns
        -------
        ndarray of float, same shape as `q`

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> flat.quantile([0.25, 0.5]).round(6)
        array([0.25, 0.5 ])
        """
        rising = np.concatenate([[True], np.diff(self.cdf) > 0])
        found = np.interp(np.asarray(q, float), self.cdf[rising], self.x[rising])
        return np.where(np.abs(found) < np.finfo(float).tiny, 0.0, found)  # just below an exact 0 is that 0

    def interval(self, prob: float = 0.95) -> tuple[float, float]:
        """Equal-tailed credible interval that holds `prob` of the posterior, as ``(lower, upper)``.

        Parameters
        ----------
        prob : float
            Share of the posterior inside, between 0 and 1.

        Returns
        -------
        (float, float)

        Raises
        ------
        ValueError
            If `prob` is not such a share.

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> [round(end, 6) for end in flat.interval(0.9)]
        [0.05, 0.95]
        """
        if not 0 < prob < 1:
            raise ValueError(f"prob is the share of the posterior inside the interval, between 0 and 1; got {prob!r}.")
        lower, upper = self.quantile([(1 - prob) / 2, (1 + prob) / 2])
        return float(lower), float(upper)

    def below(self, value: float) -> float:
        """P(quantity < value).

        Parameters
        ----------
        value : float
            In the units of the quantity.

        Returns
        -------
        float
            Between 0 and 1.

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> round(flat.below(0.2), 6)
        0.2
        """
        return float(np.interp(value, self.x, self.cdf, left=0.0, right=1.0))

    def above(self, value: float) -> float:
        """P(quantity > value).

        Parameters
        ----------
        value : float
            In the units of the quantity.

        Returns
        -------
        float
            Between 0 and 1.

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> round(flat.above(0.2), 6)
        0.8
        """
        return 1.0 - self.below(value)

    def density(self, x: ArrayLike) -> Array:
        """Probability density at `x`, zero outside the support.

        Parameters
        ----------
        x : array_like of float
            In the units of the quantity.

        Returns
        -------
        ndarray of float, same shape as `x`

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> flat.density([0.5, 2.0]).round(6)
        array([1., 0.])
        """
        x = np.asarray(x, float)
        return np.where((x >= self.x[0]) & (x <= self.x[-1]), np.maximum(self._density(x), 0.0), 0.0)

    def map(self, function: Callable[[Any], Any]) -> Distribution:
        """Distribution of a non-decreasing function of the quantity, for instance d-prime carried to p_d.

        Parameters
        ----------
        function : callable
            From an array to an array of the same shape, nowhere decreasing.

        Returns
        -------
        Distribution

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> round(flat.map(lambda value: 10 * value).median, 6)
        5.0
        """
        values = np.asarray(function(self.x), float)
        rises = np.diff(values) > 0
        ends = np.concatenate([[True], rises]) | np.concatenate([rises, [True]])  # of a flat stretch, first and last
        return Distribution(values[ends], self.cdf[ends], self._expect(values))

    def sample(self, size: int, rng: np.random.Generator) -> Array:
        """Draw `size` values.

        Parameters
        ----------
        size : int
            How many.
        rng : numpy.random.Generator
            Where chance comes from.

        Returns
        -------
        ndarray of float, shape (size,)

        Examples
        --------
        >>> import numpy as np
        >>> from metasense import Distribution
        >>> flat = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
        >>> flat.sample(3, np.random.default_rng(1)).round(2)
        array([0.51, 0.95, 0.14])
        """
        return self.quantile(rng.random(size))

    @cached_property
    def _density(self) -> Callable[[Array], Array]:
        keep = np.concatenate([[True], np.diff(self.x) > 0])
        x, cdf = self.x[keep], self.cdf[keep]
        if len(x) > 512:  # draws or a very fine grid: the slope of every step would be noise
            grid = np.linspace(x[0], x[-1], 257)
            x, cdf = grid, np.interp(grid, x, cdf)
        return PchipInterpolator(x, cdf, extrapolate=False).derivative()

    def _expect(self, values: Array) -> float:
        first, last = self.cdf[0] * values[0], (1 - self.cdf[-1]) * values[-1]
        return float(np.sum(np.diff(self.cdf) * (values[1:] + values[:-1]) / 2) + first + last)
