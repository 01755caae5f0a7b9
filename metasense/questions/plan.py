"""A plan for the next panels: a protocol, tasters, panels, and whose batch pair is tasted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product

import numpy as np

from metasense.protocols import Protocol, forced_choice
from metasense.showing import words

MOST_TASTERS, MOST_PANELS = 2000, 50


@dataclass(frozen=True)
class Plan:
    """Panels that could be run next.

    Parameters
    ----------
    protocol : Protocol or str
        A forced-choice protocol.
    tasters : int
        In each panel; every taster answers once.
    panels : int
        How many such panels.
    same_pair_as : str, optional
        A panel already pooled whose batch pair is tasted again; without it every panel has a new batch pair.

    Raises
    ------
    ValueError
        If the protocol is not forced-choice, or a number is not a whole number in its range.

    Examples
    --------
    >>> plan = Plan("tetrad", 24, panels=2)
    >>> plan.name, plan.cups
    ('tetrad, 2 panels of 24, new pairs', 192)
    """

    protocol: Protocol
    tasters: int
    panels: int = 1
    same_pair_as: str | None = None

    def __init__(
        self, protocol: Protocol | str, tasters: int, panels: int = 1, same_pair_as: str | None = None
    ) -> None:
        numbers = {"tasters": (tasters, MOST_TASTERS), "panels": (panels, MOST_PANELS)}
        wrong = [f"{name} = {n!r} (1 to {most})" for name, (n, most) in numbers.items() if not is_count(n, most)]
        if wrong:
            raise ValueError(f"a plan has a whole number of tasters and panels; got {', '.join(wrong)}.")
        for name, value in (("protocol", forced_choice(protocol)), ("tasters", int(tasters)), ("panels", int(panels))):
            object.__setattr__(self, name, value)
        object.__setattr__(self, "same_pair_as", same_pair_as)

    @classmethod
    def every(
        cls,
        protocols: Iterable[Protocol | str],
        tasters: Iterable[int],
        panels: Iterable[int] = (1,),
        same_pair_as: Iterable[str | None] = (None,),
    ) -> tuple[Plan, ...]:
        """Every combination, for instance ``Plan.every(["triangle", "tetrad"], [24, 36], [1, 2, 4])``.

        Parameters
        ----------
        protocols : iterable of str or Protocol
            Forced-choice protocols.
        tasters : iterable of int
            In each panel.
        panels : iterable of int
            How many panels.
        same_pair_as : iterable of str or None
            Panels whose batch pair is tasted again; None for new pairs.

        Returns
        -------
        tuple of Plan

        Examples
        --------
        >>> import metasense as ms
        >>> [plan.name for plan in ms.Plan.every(["triangle", "tetrad"], [24])]
        ['triangle, 1 panel of 24, new pair', 'tetrad, 1 panel of 24, new pair']
        """
        return tuple(cls(*chosen) for chosen in product(protocols, tasters, panels, same_pair_as))

    @property
    def tastings(self) -> int:
        """Answers in all."""
        return self.tasters * self.panels

    @property
    def cups(self) -> int:
        """Samples poured in all."""
        return self.tastings * self.protocol.cups

    @property
    def name(self) -> str:
        """The plan in a few words."""
        size = f"1 panel of {self.tasters}" if self.panels == 1 else f"{self.panels} panels of {self.tasters}"
        pair = ("new pair" if self.panels == 1 else "new pairs") if self.same_pair_as is None else "same pair as "
        return f"{self.protocol.name}, {size}, {pair}{words.one_line(self.same_pair_as or '')}"


def is_count(value: object, most: int) -> bool:
    return isinstance(value, (int, float, np.integer, np.floating)) and bool(1 <= value <= most and value == int(value))
