"""Whether draws can be trusted, in words: what is wrong with them, if anything, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import xarray as xr

from metasense.engine.chains import Chains
from metasense.showing.results import Result

R_HAT = 1.01  # above it the chains disagree
ENOUGH = 100  # effective draws a chain below which an interval is not worth printing
NAMES = {"mu": "the centre", "tau": "the spread between panels", "average_d_prime": "the average d-prime"}
NAMES |= {"between": "the spread between clusters", "within": "the spread within clusters"}
MEASURES = ("mean", "sd", "r_hat", "ess_bulk", "ess_tail", "mcse")


@dataclass(frozen=True, eq=False, repr=False)
class Diagnostics(Result):
    """Whether the draws can be trusted, in numbers and in words.

    Attributes
    ----------
    frame : DataFrame
        One row a quantity: `quantity`, `mean`, `sd`, `r_hat`, `ess_bulk`, `ess_tail`, `mcse` (Monte Carlo standard
        error of the mean).
    divergences : int
        Draws at which the sampler lost its path.
    chains, draws : int
        Chains, and draws kept from each.
    statistics : Dataset
        What the sampler recorded at each draw, dims chain, draw.

    Examples
    --------
    >>> import pandas as pd
    >>> import xarray as xr
    >>> numbers = {"mean": 0.9, "sd": 0.3, "r_hat": 1.2, "ess_bulk": 20.0, "ess_tail": 20.0, "mcse": 0.1}
    >>> found = Diagnostics(pd.DataFrame([{"quantity": "the centre"} | numbers]), 0, 4, 1000, xr.Dataset())
    >>> found.advice[0][:44]
    'The 4 chains do not agree on the centre (R-h'
    """

    frame: pd.DataFrame
    divergences: int
    chains: int
    draws: int
    statistics: xr.Dataset

    @classmethod
    def of(cls, chains: Chains) -> Diagnostics:
        """The numbers of the sampler with the quantities' names."""
        rows = []
        for measured in chains.measures:
            name = NAMES.get(measured["variable"], f"the slope of {measured['moderator']}")
            rows.append({"quantity": name} | {key: measured[key] for key in MEASURES})
        return cls(pd.DataFrame(rows), chains.divergences, chains.chains, chains.draws, chains.statistics)

    @cached_property
    def advice(self) -> tuple[str, ...]:
        """What is wrong with the draws and what to do about it; empty when all is well."""
        advice, longer = [], f"pool again with draws={4 * self.draws}, in Python"
        apart = self.frame[~(self.frame["r_hat"] < R_HAT)]
        if len(apart):
            worst = apart["r_hat"].max()
            advice.append(
                f"The {self.chains} chains do not agree on {', '.join(apart['quantity'])} "
                f"({'they did not move' if np.isnan(worst) else f'R-hat up to {worst:.3f}, should be below {R_HAT}'}): "
                f"do not use these numbers. Sample longer ({longer}); if that does not help, leave out a moderator."
            )
        if self.divergences:
            advice.append(
                f"The sampler lost its path at {self.divergences} of {self.chains * self.draws} draws, so a corner of "
                f"the posterior may be missing. Sample longer, which tunes the sampler longer too ({longer}), or use "
                "method='grid' where it applies."
            )
        effective = self.frame[["ess_bulk", "ess_tail"]].min(axis=1)
        few = self.frame[~(effective >= ENOUGH * self.chains)]
        if len(few) and not len(apart):
            advice.append(
                f"Only about {effective.min():.0f} independent draws tell of {', '.join(few['quantity'])}; "
                f"{ENOUGH * self.chains} are needed for steady interval limits. Sample longer ({longer})."
            )
        return tuple(advice)

    def to_frame(self) -> pd.DataFrame:
        """The numbers, one row a quantity.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import pandas as pd
        >>> import xarray as xr
        >>> from metasense import Diagnostics
        >>> numbers = {"mean": 0.9, "sd": 0.3, "r_hat": 1.0, "ess_bulk": 3000.0, "ess_tail": 3000.0, "mcse": 0.01}
        >>> found = Diagnostics(pd.DataFrame([{"quantity": "the centre"} | numbers]), 0, 4, 1000, xr.Dataset())
        >>> found.to_frame()["r_hat"].item()
        1.0
        """
        return self.frame.copy()

    def sentence(self) -> str:
        """All that needs saying, as one paragraph.

        Returns
        -------
        str

        Examples
        --------
        >>> import pandas as pd
        >>> import xarray as xr
        >>> from metasense import Diagnostics
        >>> numbers = {"mean": 0.9, "sd": 0.3, "r_hat": 1.0, "ess_bulk": 3000.0, "ess_tail": 3000.0, "mcse": 0.01}
        >>> found = Diagnostics(pd.DataFrame([{"quantity": "the centre"} | numbers]), 0, 4, 1000, xr.Dataset())
        >>> found.sentence()[:40]
        '4 chains of 1000 draws. The chains agree'
        """
        start = f"{self.chains} chains of {self.draws} draws."
        if self.advice:
            return " ".join([start, *self.advice])
        effective = self.frame[["ess_bulk", "ess_tail"]].min().min()
        return (
            f"{start} The chains agree (R-hat at most {self.frame['r_hat'].max():.3f}), no draw diverged, and each "
            f"quantity has at least {effective:.0f} independent draws' worth of information."
        )

    def _shown(self) -> list[str]:
        return [self.sentence()]
