"""What is believed before any panel: three scales, all in d-prime units, named in every output."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

# The engine's d-prime axis ends at 14; wider beliefs would reach beyond it, and have no use about a food or a drink.
LARGEST = {"centre_scale": 3.0, "spread_scale": 1.5, "slope_scale": 3.0}
EVEN = (1 / 3, 1 / 3, 1 / 3)  # nothing to taste, one difference, differences that vary
STORED = {"centre_scale": "mu_scale", "spread_scale": "tau_scale", "slope_scale": "beta_scale"}  # names in files
SMALLEST = 1e-6  # far below anything a taster could tell, far above where the arithmetic would end


@dataclass(frozen=True)
class Priors:
    """Prior scales of the pooled model.

    Panel effects are ``|theta_i|`` with ``theta_i ~ Normal(mu, tau)``. Before the data ``mu`` is half-normal
    (normal, around zero, as soon as one panel is directed) and ``tau``, the spread between panels, is half-normal.

    Parameters
    ----------
    centre_scale : float
        Scale of the prior of the centre, in d-prime units.
    spread_scale : float
        Scale of the prior of the spread between panels, in d-prime units.
    slope_scale : float
        Standard deviation of the prior of a moderator's slope, in d-prime units per standard deviation of it.

    Raises
    ------
    ValueError
        If a scale is not a number above 0 and up to 3 (centre, slope) or 1.5 (spread).

    Examples
    --------
    >>> Priors().scaled(centre=2).centre_scale
    3.0
    >>> print(Priors())
    centre half-normal(1.5), spread half-normal(0.5) in d-prime units
    """

    centre_scale: float = 1.5
    spread_scale: float = 0.5
    slope_scale: float = 0.5

    odds: ClassVar[tuple[float, float, float]] = EVEN  # of the three explanations beforehand
    learned_from: ClassVar[str] = ""  # other variables, where there are some

    def _scales(self) -> dict[str, float]:
        return {name: getattr(self, name) for name in STORED}

    @staticmethod
    def learned(shelf: object) -> Priors:
        """What a shelf of other variables says beforehand of a further one like them.

        Their scales, and how probable nothing, one difference and differences that vary are among them. What was
        learned from is said wherever these priors are used.

        Parameters
        ----------
        shelf : Shelf or Together
            What ``pool_each`` gave, or its ``together()``.

        Returns
        -------
        Priors

        Raises
        ------
        ValueError
            If it is something else.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"dose": [1, 2], "panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [9, 22]}
        >>> priors = ms.Priors.learned(ms.pool_each(table, by="dose"))
        >>> priors.learned_from
        '2 doses (2 panels, the table)'
        """
        whole: Any = shelf.together() if hasattr(shelf, "together") else shelf
        if not all(hasattr(whole, name) for name in ("scales", "odds", "learned_from")):
            raise ValueError(
                f"priors are learned from a shelf, which ms.pool_each(...) gives; got {type(shelf).__name__}."
            )
        centre, spread = whole.scales
        return LearnedPriors(centre, spread, odds=whole.odds, learned_from=whole.learned_from)

    def __post_init__(self) -> None:
        wrong = [
            f"{name} = {value!r}"
            for name, value in self._scales().items()
            if not (isinstance(value, (int, float)) and math.isfinite(value) and SMALLEST <= value <= LARGEST[name])
        ]
        if wrong:
            limits = ", ".join(f"{name} up to {limit:g}" for name, limit in LARGEST.items())
            raise ValueError(
                f"prior scales are d-prime units above 0: {limits}; got {', '.join(wrong)}. Leave them out for the "
                "defaults (1.5, 0.5, 0.5)."
            )

    def scaled(self, centre: float = 1.0, spread: float = 1.0, slope: float = 1.0) -> Priors:
        """The same priors with the scales of the centre, the spread and the slope multiplied.

        Parameters
        ----------
        centre, spread, slope : float
            What to multiply the scales of the centre, the spread and the slope by.

        Returns
        -------
        Priors

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Priors().scaled(spread=2).spread_scale
        1.0
        """
        return Priors(self.centre_scale * centre, self.spread_scale * spread, self.slope_scale * slope)

    def stored(self) -> dict[str, Any]:
        """The scales under the names they have in cards and saved pools, the symbols of the model.

        Returns
        -------
        dict of str to float; of learned priors also their odds and what they were learned from

        Examples
        --------
        >>> Priors().stored()
        {'mu_scale': 1.5, 'tau_scale': 0.5, 'beta_scale': 0.5}
        """
        return {STORED[name]: scale for name, scale in self._scales().items()}

    @classmethod
    def of_stored(cls, scales: Mapping[str, Any]) -> Priors:
        """The priors again from what `stored` gave.

        Parameters
        ----------
        scales : mapping of str to float
            Scales under the names they have in files.

        Returns
        -------
        Priors

        Raises
        ------
        TypeError
            If a name is none of them.

        Examples
        --------
        >>> Priors.of_stored({"mu_scale": 1.0, "tau_scale": 0.5, "beta_scale": 0.5}).centre_scale
        1.0
        """
        named = {name: scale for scale, name in STORED.items()}
        found = {named.get(name, name): scale for name, scale in scales.items()}
        return LearnedPriors(**found) if "learned_from" in found else cls(**found)

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
        return f"{self.centre(directed)}, spread half-normal({self.spread_scale:g}) in d-prime units"

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
        return f"centre {'normal(0, ' if directed else 'half-normal('}{self.centre_scale:g})"

    def __str__(self) -> str:
        return self.describe()


@dataclass(frozen=True)
class LearnedPriors(Priors):
    """Priors that a shelf of other variables gave. Made by `Priors.learned`.

    Parameters
    ----------
    odds : (float, float, float)
        How probable nothing to taste, one difference in all panels, and differences that vary are beforehand.
    learned_from : str
        What they were learned from, in words.

    Raises
    ------
    ValueError
        If the odds are not three probabilities that add up to 1, or it is not said what they come from.

    Examples
    --------
    >>> print(LearnedPriors(1.2, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices"))
    centre half-normal(1.2), spread half-normal(0.4) in d-prime units, learned from 30 spices; nothing to taste 50 %, one difference 20 %, differences that vary 30 %
    """  # noqa: E501

    odds: tuple[float, float, float] = EVEN  # type: ignore[misc]
    learned_from: str = ""  # type: ignore[misc]

    def __post_init__(self) -> None:
        super().__post_init__()
        odds = tuple(self.odds)
        numbers = len(odds) == 3 and all(isinstance(p, float | int) and 0 <= p <= 1 for p in odds)
        if not numbers or abs(sum(odds) - 1) > 1e-6:
            raise ValueError(f"odds are three probabilities that add up to 1; got {self.odds!r}.")
        if not isinstance(self.learned_from, str) or not self.learned_from.strip():
            raise ValueError("learned priors say what they were learned from.")
        object.__setattr__(self, "odds", odds)

    def scaled(self, centre: float = 1.0, spread: float = 1.0, slope: float = 1.0) -> Priors:
        """The same with the scales multiplied."""
        other = super().scaled(centre, spread, slope)
        return replace(
            self,
            centre_scale=other.centre_scale,
            spread_scale=other.spread_scale,
            slope_scale=other.slope_scale,
        )

    def stored(self) -> dict[str, Any]:
        """The scales, the odds and what they were learned from."""
        return super().stored() | {"odds": list(self.odds), "learned_from": self.learned_from}

    def describe(self, directed: bool = False) -> str:
        """Say the priors in one line."""
        from metasense.showing.words import percent

        none, same, varying = (percent(p) for p in self.odds)
        said = f"nothing to taste {none}, one difference {same}, differences that vary {varying}"
        return f"{super().describe(directed)}, learned from {self.learned_from}; {said}"


def log_change(
    old: Priors, new: Priors, mu: Array, tau_squared: Array, beta_squared: Array | float = 0.0, *, spreads: int = 1
) -> Array:
    """By how much the log prior of centre, spread(s) and slopes changes from one to the other, but for a constant.

    With `spreads` 2 the spread is made of two, of scale ``spread_scale / sqrt(2)`` each: their squares, added up, count
    twice.
    """

    def looser(name: str) -> float:
        return float(getattr(old, name) ** -2 - getattr(new, name) ** -2) / 2

    change = looser("centre_scale") * mu**2 + spreads * looser("spread_scale") * tau_squared
    return np.asarray(change + looser("slope_scale") * beta_squared)


def stated(priors: object) -> Priors:
    """`priors`, the defaults for None.

    >>> stated(0.5)
    Traceback (most recent call last):
    ValueError: priors are prior scales, for instance ms.Priors(centre_scale=1.5, spread_scale=0.5); got 0.5.
    """
    if priors is None or isinstance(priors, Priors):
        return priors or Priors()
    raise ValueError(
        f"priors are prior scales, for instance ms.Priors(centre_scale=1.5, spread_scale=0.5); got {priors!r}."
    )
