"""Three explanations of a set of panels, weighed against each other.

*none*: nothing can be tasted, every d-prime is 0. *same*: one d-prime, the same in every panel. *varying*: panels have
d-primes of their own. A pooled average can never come out as zero, so whether there is anything at all is asked here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from metasense.pooling.grid import Evidences
from metasense.showing import tables, words

NAMES = ("none", "same", "varying")
EVEN = (1 / 3, 1 / 3, 1 / 3)


@dataclass(frozen=True, eq=False, repr=False)
class Explanations:
    """Log evidences and probabilities of none, same and varying.

    Attributes
    ----------
    evidences : Evidences
    prior : tuple of float
        Probability of each before the panels.
    """

    evidences: Evidences
    prior: tuple[float, float, float] = EVEN

    def __post_init__(self) -> None:
        values = np.asarray(self.prior, float)
        if values.shape != (3,) or not np.isfinite(values).all() or (values < 0).any() or abs(values.sum() - 1) > 1e-6:
            raise ValueError(
                "prior holds the probabilities of none, same and varying before the panels: three numbers of at least 0 "
                f"that add up to 1, for instance (0.5, 0.25, 0.25). Got {self.prior!r}."
            )

    @property
    def log_evidence(self) -> np.ndarray:
        """Of none, same, varying."""
        return np.array([self.evidences.none, self.evidences.same, self.evidences.varying])

    @property
    def probability(self) -> np.ndarray:
        """Posterior probabilities of none, same, varying."""
        weight = np.exp(self.log_evidence - self.log_evidence.max()) * np.asarray(self.prior)
        return np.asarray(weight / weight.sum())

    def to_frame(self) -> pd.DataFrame:
        """One row an explanation: ``explanation, log_evidence, prior, probability``, indexed by its name."""
        columns = {"log_evidence": self.log_evidence, "prior": self.prior, "probability": self.probability}
        return pd.DataFrame(columns, index=pd.Index(NAMES, name="explanation"))

    def sentence(self) -> str:
        """The probabilities in words, with the prior odds they rest on."""
        none, same, varying = self.probability
        before = "equal prior odds" if np.ptp(self.prior) < 1e-9 else (
            "prior probabilities of " + words.listing(f"{words.percent(p)} ({n})" for p, n in zip(self.prior, NAMES, strict=True))
        )
        return (
            f"With {before}, the panels leave {words.percent(none)} for nothing to taste (none), {words.percent(same)} for one "
            f"d-prime in all panels (same) and {words.percent(varying)} for panels that differ (varying). These numbers rest "
            "on the priors more than the rest of the answer does."
        )

    def _table(self) -> tables.Table:
        kinds = {"log_evidence": lambda v: f"{v:.2f}", "prior": "probability", "probability": "probability"}
        return tables.table(self.to_frame().reset_index(), caption="Explanations", kinds=kinds)  # type: ignore[arg-type]

    def __repr__(self) -> str:
        return f"{self.sentence()}\n{self._table().to_text()}"

    def _repr_html_(self) -> str:
        return tables.block(self.sentence(), self._table())
