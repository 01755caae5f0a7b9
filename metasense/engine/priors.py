"""What is believed before any panel: three scales, all in d-prime units, named in every output."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

# The engine's d-prime axis ends at 14; wider beliefs would reach beyond it, and have no use about a food or a drink.
LARGEST = {"mu_scale": 3.0, "tau_scale": 1.5, "beta_scale": 3.0}
SMALLEST = 1e-6  # far below anything a taster could tell, far above where the arithmetic would end


@dataclass(frozen=True)
class Priors:
    """Prior scales of the pooled model.

    Panel effects are ``|theta_i|`` with ``theta_i ~ Normal(mu, tau)``. Before the data ``mu`` is half-normal
    (normal, around zero, as soon as one panel is directed) and ``tau``, the spread between panels, is half-normal.

    Parameters
    ----------
    mu_scale : float
        Scale of the prior of the centre, in d-prime units.
    tau_scale : float
        Scale of the prior of the spread between panels, in d-prime units.
    beta_scale : float
        Standard deviation of the prior of a moderator's slope, in d-prime units per standard deviation of it.

    Raises
    ------
    ValueError
        If a scale is not a number above 0 and up to 3 (centre, slope) or 1.5 (spread).

    Examples
    --------
    >>> Priors().scaled(mu=2).mu_scale
    3.0
    >>> print(Priors())
    centre half-normal(1.5), spread half-normal(0.5) in d-prime units
    """

    mu_scale: float = 1.5
    tau_scale: float = 0.5
    beta_scale: float = 0.5

    def __post_init__(self) -> None:
        wrong = [
            f"{name} = {value!r}"
            for name, value in vars(self).items()
            if not (isinstance(value, (int, float)) and math.isfinite(value) and SMALLEST <= value <= LARGEST[name])
        ]
        if wrong:
            limits = ", ".join(f"{name} up to {limit:g}" for name, limit in LARGEST.items())
            raise ValueError(
                f"prior scales are d-prime units above 0: {limits}; got {', '.join(wrong)}. Leave them out for the "
                "defaults (1.5, 0.5, 0.5)."
            )

    def scaled(self, mu: float = 1.0, tau: float = 1.0, beta: float = 1.0) -> Priors:
        """The same priors with the scales of the centre, the spread and the slope multiplied.

        Parameters
        ----------
        mu, tau, beta : float
            What to multiply the scales of the centre, the spread and the slope by.

        Returns
        -------
        Priors

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Priors().scaled(tau=2).tau_scale
        1.0
        """
        return Priors(self.mu_scale * mu, self.tau_scale * tau, self.beta_scale * beta)

    def describe(self, directed: bool = False) -> str:
        """Say the priors in one line.

        Parameters
        ----------
        directed : bool
            Whether differences have a direction.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Priors().describe()
        'centre half-normal(1.5), spread half-normal(0.5) in d-prime units'
        """
        return f"{self.centre(directed)}, spread half-normal({self.tau_scale:g}) in d-prime units"

    def centre(self, directed: bool = False) -> str:
        """Say the prior of the centre.

        Parameters
        ----------
        directed : bool
            Whether differences have a direction.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Priors().centre(directed=True)
        'centre normal(0, 1.5)'
        """
        return f"centre {'normal(0, ' if directed else 'half-normal('}{self.mu_scale:g})"

    __str__ = describe


def log_change(
    old: Priors, new: Priors, mu: Array, tau_squared: Array, beta_squared: Array | float = 0.0, *, spreads: int = 1
) -> Array:
    """By how much the log prior of centre, spread(s) and slopes changes from one to the other, but for a constant.

    With `spreads` 2 the spread is made of two, of scale ``tau_scale / sqrt(2)`` each: their squares, added up, count
    twice.
    """

    def looser(name: str) -> float:
        return float(getattr(old, name) ** -2 - getattr(new, name) ** -2) / 2

    change = looser("mu_scale") * mu**2 + spreads * looser("tau_scale") * tau_squared
    return np.asarray(change + looser("beta_scale") * beta_squared)


def stated(priors: object) -> Priors:
    """`priors`, the defaults for None.

    >>> stated(0.5)
    Traceback (most recent call last):
    ValueError: priors are prior scales, for instance ms.Priors(mu_scale=1.5, tau_scale=0.5); got 0.5.
    """
    if priors is None or isinstance(priors, Priors):
        return priors or Priors()
    raise ValueError(f"priors are prior scales, for instance ms.Priors(mu_scale=1.5, tau_scale=0.5); got {priors!r}.")
