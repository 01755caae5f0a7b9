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
FARTHEST = 8.0  # at which a centre may be expected: nobody is wrong there any more
EVEN = (1 / 3, 1 / 3, 1 / 3)  # nothing to taste, one difference, differences that vary
STORED = {"centre_scale": "mu_scale", "spread_scale": "tau_scale", "slope_scale": "beta_scale"}  # names in files
EARLIER = {"centre_at": "mu_at", "earlier": "earlier"}  # there only with an earlier pool
SMALLEST = 1e-6  # far below anything a taster could tell, far above where the arithmetic would end


@dataclass(frozen=True)
class Priors:
    """Prior scales of the pooled model.

    Panel effects are ``|theta_i|`` with ``theta_i ~ Normal(mu, tau)``. Before the data ``mu`` is half-normal
    (normal, around zero, as soon as one panel is directed) and ``tau``, the spread between panels, is half-normal.
    Where an earlier pool says where to expect the centre, ``mu`` is normal around that, folded where it has no sign.

    Parameters
    ----------
    centre_scale : float
        Scale of the prior of the centre, in d-prime units.
    spread_scale : float
        Scale of the prior of the spread between panels, in d-prime units.
    slope_scale : float
        Standard deviation of the prior of a moderator's slope, in d-prime units per standard deviation of it.
    centre_at : float
        Where the centre is expected, in d-prime units; `Priors.from_pool` takes it from an earlier pool.
    earlier : str
        What `centre_at` comes from, in words; needed where it is not 0.

    Raises
    ------
    ValueError
        If a scale is not a number above 0 and up to 3 (centre, slope) or 1.5 (spread), or `centre_at` none within 8 of
        0, or it is not said what it comes from.

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
    centre_at: float = 0.0
    earlier: str = ""

    odds: ClassVar[tuple[float, float, float]] = EVEN  # of the three explanations beforehand
    learned_from: ClassVar[str] = ""  # other variables, where there are some
    way: ClassVar[float] = 1.0  # probability that the centre has the sign of `centre_at`, where signs count

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

    @staticmethod
    def from_pool(pooled: object, discount: float = 1.0) -> Priors:
        """What an earlier pool says beforehand of new panels of the same comparison.

        The centre is expected where that pool found it, as firmly as `discount` of its evidence says: with 1 the prior
        has the mean and the mean square of its size. Where some of its panels named an attribute, so that differences
        have a direction, that is as probable as it was there, and otherwise either way alike. The spread keeps a
        half-normal prior, with the mean square that the pool found. That there is nothing, one difference, or
        differences that vary is as probable beforehand as that share of its evidence makes it. What it was taken from
        is said wherever these priors are used. The earlier panels must not be among the new ones, where they would
        count twice: that is an
        error.

        Parameters
        ----------
        pooled : Pooled
            A pool of earlier panels, without moderators.
        discount : float
            The share of the pool's evidence to believe in, above 0 and up to 1. Below 1 where recipe, people or method
            may have changed since.

        Returns
        -------
        Priors

        Raises
        ------
        ValueError
            If it is no plain pool, or `discount` no such share.

        Notes
        -----
        An earlier likelihood raised to a power between 0 and 1, here in normal approximation by adding up precisions:
        Ibrahim JG, Chen MH (2000), Power prior distributions for regression models, Statistical Science 15, 46-60 (from
        memory).

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 40, "correct": [22, 25, 20]}
        >>> priors = ms.Priors.from_pool(ms.pool(table), discount=0.5)
        >>> round(priors.centre_at, 1), priors.centre_scale < 1.5
        (1.6, True)
        >>> priors.earlier
        'an earlier pool of 3 panels (the table), half believed'
        """
        core: Any = getattr(pooled, "core", None)
        if core is None or getattr(pooled, "plain", None) is not pooled:
            raise ValueError(
                f"priors are taken from a plain pool, which ms.pool(...) gives; got {type(pooled).__name__}."
            )
        if isinstance(discount, bool) or not isinstance(discount, (int, float)) or not 0 < discount <= 1:
            raise ValueError(f"discount is a share above 0 and up to 1, such as 0.5; got {discount!r}.")
        return earlier_priors(core, float(discount))

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
        at = self.centre_at
        if not (isinstance(at, (int, float)) and abs(at) <= FARTHEST):
            raise ValueError(f"centre_at is a d-prime within {FARTHEST:g} of 0; got {at!r}.")
        if at and not (isinstance(self.earlier, str) and self.earlier.strip()):
            raise ValueError("priors that expect a centre say what that comes from, as earlier=.")

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
        return replace(
            self,
            centre_scale=self.centre_scale * centre,
            spread_scale=self.spread_scale * spread,
            slope_scale=self.slope_scale * slope,
        )

    def stored(self) -> dict[str, Any]:
        """The scales under the names they have in cards and saved pools, the symbols of the model.

        Returns
        -------
        dict of str to float; of learned priors also their odds and what they were learned from, of those of an earlier
        pool also where they expect the centre

        Examples
        --------
        >>> Priors().stored()
        {'mu_scale': 1.5, 'tau_scale': 0.5, 'beta_scale': 0.5}
        """
        scales: dict[str, Any] = {STORED[name]: scale for name, scale in self._scales().items()}
        return scales | {EARLIER[name]: getattr(self, name) for name in EARLIER if getattr(self, name)}

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
        named = {name: scale for scale, name in (STORED | EARLIER).items()}
        found = {named.get(name, name): scale for name, scale in scales.items()}
        if "learned_from" in found:
            return LearnedPriors(**found)
        return EarlierPriors(**found) if "odds" in found else cls(**found)

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
        said = f"{self.centre(directed)}, spread half-normal({self.spread_scale:.4g}) in d-prime units"
        return f"{said}, from {self.earlier}" if self.earlier else said

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
        if self.centre_at and directed and self.way < 1:
            from metasense.showing.words import percent

            size = f"{self.centre_at:.4g}, {self.centre_scale:.4g}"
            return f"centre normal(±{size}), the expected way with {percent(self.way)}"
        if self.centre_at:
            return f"centre {'' if directed else 'folded '}normal({self.centre_at:.4g}, {self.centre_scale:.4g})"
        return f"centre {'normal(0, ' if directed else 'half-normal('}{self.centre_scale:.4g})"

    def __str__(self) -> str:
        return self.describe()


@dataclass(frozen=True)
class InformedPriors(Priors):
    """Priors that also say how probable each explanation is beforehand.

    Parameters
    ----------
    odds : (float, float, float)
        How probable nothing to taste, one difference in all panels, and differences that vary are beforehand.

    Raises
    ------
    ValueError
        If the odds are not three probabilities that add up to 1.

    Examples
    --------
    >>> print(InformedPriors(1.2, 0.4, odds=(0.5, 0.2, 0.3)))
    centre half-normal(1.2), spread half-normal(0.4) in d-prime units; nothing to taste 50 %, one difference 20 %, differences that vary 30 %
    """  # noqa: E501

    odds: tuple[float, float, float] = EVEN  # type: ignore[misc]

    def __post_init__(self) -> None:
        super().__post_init__()
        odds = tuple(self.odds)
        numbers = len(odds) == 3 and all(isinstance(p, float | int) and 0 <= p <= 1 for p in odds)
        if not numbers or abs(sum(odds) - 1) > 1e-6:
            raise ValueError(f"odds are three probabilities that add up to 1; got {self.odds!r}.")
        object.__setattr__(self, "odds", odds)

    def stored(self) -> dict[str, Any]:
        """The scales, and the odds."""
        return super().stored() | {"odds": list(self.odds)}

    def describe(self, directed: bool = False) -> str:
        """Say the priors in one line."""
        from metasense.showing.words import percent

        none, same, varying = (percent(p) for p in self.odds)
        said = f"nothing to taste {none}, one difference {same}, differences that vary {varying}"
        learned = f", learned from {self.learned_from}" if self.learned_from else ""
        return f"{super().describe(directed)}{learned}; {said}"


@dataclass(frozen=True)
class LearnedPriors(InformedPriors):
    """Priors that a shelf of other variables gave. Made by `Priors.learned`.

    Parameters
    ----------
    learned_from : str
        What they were learned from, in words.

    Raises
    ------
    ValueError
        If it is not said what they come from.

    Examples
    --------
    >>> print(LearnedPriors(1.2, 0.4, odds=(0.5, 0.2, 0.3), learned_from="30 spices"))
    centre half-normal(1.2), spread half-normal(0.4) in d-prime units, learned from 30 spices; nothing to taste 50 %, one difference 20 %, differences that vary 30 %
    """  # noqa: E501

    learned_from: str = ""  # type: ignore[misc]

    def __post_init__(self) -> None:
        super().__post_init__()
        if not isinstance(self.learned_from, str) or not self.learned_from.strip():
            raise ValueError("learned priors say what they were learned from.")

    def stored(self) -> dict[str, Any]:
        """The scales, the odds and what they were learned from."""
        return super().stored() | {"learned_from": self.learned_from}


@dataclass(frozen=True)
class EarlierPriors(InformedPriors):
    """Priors that an earlier pool gave. Made by `Priors.from_pool`.

    Parameters
    ----------
    panels : tuple of str
        Marks of its panels, by which they are known if they come again.
    way : float
        Probability that the centre, where it has a sign, lies the expected way: 0.5 where the pool could not tell.

    Examples
    --------
    >>> import metasense as ms
    >>> old = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [8, 8]})
    >>> round(ms.Priors.from_pool(old).odds[0], 2)  # that there is nothing, after those panels
    0.52
    """

    panels: tuple[str, ...] = ()
    way: float = 1.0  # type: ignore[misc]

    def __post_init__(self) -> None:
        super().__post_init__()
        if not (isinstance(self.way, (int, float)) and 0 <= self.way <= 1):
            raise ValueError(f"way is a probability; got {self.way!r}.")
        object.__setattr__(self, "panels", tuple(self.panels))

    def stored(self) -> dict[str, Any]:
        """The scales, the odds, where the centre is expected, and which panels said so."""
        return super().stored() | {"panels": list(self.panels), "way": self.way}


def log_centre(priors: Priors, mu: Array, directed: bool) -> Array:
    """Log prior density of the centre: of its size where it has no sign, which then is not negative.

    >>> log_centre(Priors(2.0), np.array([0.0]), directed=True).round(4)
    array([-1.6121])
    """
    scale, at = priors.centre_scale, priors.centre_at
    height = -np.log(np.sqrt(2 * np.pi) * scale)
    if directed and (not at or priors.way == 1):
        return np.asarray(height - 0.5 * ((mu - at) / scale) ** 2)
    if not at:
        return np.asarray(height + np.log(2) - 0.5 * (mu / scale) ** 2)
    with np.errstate(divide="ignore"):
        sides = np.log([priors.way, 1 - priors.way]) if directed else (0.0, 0.0)
    here, there = (-0.5 * ((mu - side * at) / scale) ** 2 for side in (1, -1))
    return np.asarray(height + np.logaddexp(here + sides[0], there + sides[1]))


def folded(mean: float, mean_square: float) -> tuple[float, float]:
    """Location and scale of the normal whose size has this mean and mean square (Leone et al. 1961, from memory).

    >>> at, scale = folded(2.0, 4.25)
    >>> round(at, 3), round(scale, 3)
    (2.0, 0.5)
    >>> folded(0.7, 1.0)
    (0.0, 1.0)
    """
    from scipy.optimize import brentq
    from scipy.special import erf

    def off(at: float) -> float:
        scale = math.sqrt(max(mean_square - at**2, 1e-300))
        return (
            scale * math.sqrt(2 / math.pi) * math.exp(-0.5 * (at / scale) ** 2)
            + at * float(erf(at / scale / math.sqrt(2)))
            - mean
        )

    if off(0.0) >= 0:
        return 0.0, math.sqrt(mean_square)
    at = float(brentq(off, 0.0, mean))
    return at, math.sqrt(mean_square - at**2)


def earlier_priors(core: Any, discount: float) -> Priors:
    """The priors that a pool of earlier panels gives, with this share of its evidence."""
    from metasense.showing.words import count, one_line, percent

    posterior, before = core.posterior, core.priors
    centre = posterior.distribution(lambda mu, tau: np.abs(mu) + 0.0 * tau)
    squares = posterior.distribution(lambda mu, tau: tau**2 + 0.0 * mu).mean
    at, scale = folded(centre.mean, centre.mean**2 + centre.sd**2)

    def mixed(of: float, default: float) -> float:  # precisions add up
        return float((discount / of**2 + (1 - discount) / default**2) ** -0.5)

    believed = {1.0: "fully believed", 0.5: "half believed"}.get(discount, f"believed to {percent(discount)}")
    panels = count(len(core.panels), "panel")
    where = f"an earlier pool of {panels} ({one_line(core.panels.source)}), {believed}"
    width = mixed(scale, before.centre_scale)
    pull = discount * at / scale**2 + (1 - discount) * before.centre_at / before.centre_scale**2
    spread = mixed(math.sqrt(squares), before.spread_scale)
    narrow = {"centre_scale": min(width, LARGEST["centre_scale"]), "spread_scale": min(spread, LARGEST["spread_scale"])}
    logs = discount * np.array([core.evidences.none, core.evidences.same, core.evidences.varying])
    likely = np.asarray(before.odds) * np.exp(logs - logs.max())
    return EarlierPriors(
        **narrow,
        slope_scale=before.slope_scale,
        centre_at=float(pull * width**2),
        earlier=where,
        odds=tuple((likely / likely.sum()).tolist()),
        way=_believed(posterior.expected_way, discount),
        panels=tuple(dict.fromkeys([*getattr(before, "panels", ()), *core.panels.marks])),
    )


def _believed(way: float | None, discount: float) -> float:
    """Probability of the expected way with this share of the evidence for it; either way alike where there is none."""
    if way is None:
        return 0.5
    there, back = way**discount, (1 - way) ** discount
    return float(there / (there + back))


def log_change(
    old: Priors,
    new: Priors,
    mu: Array,
    tau_squared: Array,
    beta_squared: Array | float = 0.0,
    *,
    spreads: int = 1,
    directed: bool = False,
) -> Array:
    """By how much the log prior of centre, spread(s) and slopes changes from one to the other, but for a constant.

    With `spreads` 2 the spread is made of two, of scale ``spread_scale / sqrt(2)`` each: their squares, added up, count
    twice.
    """

    def looser(name: str) -> float:
        return float(getattr(old, name) ** -2 - getattr(new, name) ** -2) / 2

    if old.centre_at or new.centre_at:
        centre = log_centre(new, mu, directed) - log_centre(old, mu, directed)
    else:
        centre = looser("centre_scale") * mu**2
    change = centre + spreads * looser("spread_scale") * tau_squared
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
