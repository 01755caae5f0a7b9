"""Three explanations of a set of panels, weighed against each other.

*none*: nothing can be tasted, every d-prime is 0. *same*: one d-prime, the same in every panel. *varying*: panels have
d-primes of their own. A pooled average can never come out as zero, so whether there is anything at all is asked here,
with the prior odds stated, under halved and doubled prior scales too, and with the prior drawn beside the posterior.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.core import Core
from metasense.engine.common import prior_average
from metasense.engine.grid import Evidences
from metasense.engine.priors import EVEN
from metasense.questions.averaged import numbers
from metasense.questions.some import aside
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.floating[Any]]

NAMES = ("none", "same", "varying")
SCALES = (0.5, 1.0, 2.0)


def explain(core: Core, prior: tuple[float, float, float] | None = None) -> Explanations:
    """The explanations of a pool."""
    return Explanations(core.evidences, core.priors.odds if prior is None else prior, core)


@dataclass(frozen=True, eq=False, repr=False)
class Explanations(Pictured):
    """Log evidences and probabilities of none, same and varying.

    Attributes
    ----------
    evidences : Evidences
    prior : tuple of float
        Probability of each before the panels.
    core : Core, optional
        The pool they belong to, needed for `under_other_scales` and `plot`.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [8, 13]})
    >>> pooled.explanations().to_frame()["probability"].round(2).tolist()
    [0.24, 0.36, 0.4]
    >>> pooled.explanations().bayes_factors()["factor"].round(2).tolist()
    [1.49, 1.12, 1.58]
    """

    evidences: Evidences
    prior: tuple[float, float, float] = EVEN
    core: Core | None = None

    def __post_init__(self) -> None:
        values = numbers(self.prior)
        if values.shape != (3,) or not np.isfinite(values).all() or (values < 0).any() or abs(values.sum() - 1) > 1e-6:
            raise ValueError(
                "prior holds the probabilities of none, same and varying before the panels: three numbers of at least "
                f"0 that add up to 1, for instance (0.5, 0.25, 0.25). Got {self.prior!r}."
            )

    @property
    def log_evidence(self) -> Array:
        """Of none, same, varying."""
        return np.array([self.evidences.none, self.evidences.same, self.evidences.varying])

    @property
    def probability(self) -> Array:
        """Posterior probabilities of none, same, varying."""
        return _posterior(self.log_evidence, self.prior)

    def to_frame(self) -> pd.DataFrame:
        """One row an explanation: ``explanation, log_evidence, prior, probability``, indexed by its name.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.to_frame()["probability"].round(2).tolist()
        [0.01, 0.44, 0.55]
        """
        columns = {"log_evidence": self.log_evidence, "prior": self.prior, "probability": self.probability}
        return pd.DataFrame(columns, index=pd.Index(NAMES, name="explanation"))

    def bayes_factors(self) -> pd.DataFrame:
        """How many times more probable the panels are under one explanation than under another.

        Returns
        -------
        DataFrame
            Columns ``comparison, factor, log_factor``. "same or varying" weighs the two by their prior probabilities,
            equally where both are 0.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.bayes_factors().columns.tolist()
        ['comparison', 'factor', 'log_factor']
        """
        none, same, varying = self.log_evidence
        shares = np.asarray(self.prior[1:]) if sum(self.prior[1:]) > 0 else np.ones(2)
        with np.errstate(divide="ignore"):
            either = float(np.logaddexp(*np.log(shares / shares.sum()) + np.array([same, varying])))
        logs = {
            "same against none": same - none,
            "varying against same": varying - same,
            "same or varying against none": either - none,
        }
        frame = pd.DataFrame({"comparison": list(logs), "log_factor": list(logs.values())})
        with np.errstate(over="ignore"):
            return frame.assign(factor=np.exp(frame["log_factor"]))[["comparison", "factor", "log_factor"]]

    def under_other_scales(self) -> pd.DataFrame:
        """The same probabilities with the prior scales of centre and spread halved and doubled.

        Returns
        -------
        DataFrame
            Nine rows, fewer where a doubled scale would be too wide: ``centre_scale, spread_scale`` (d-prime units),
            then ``none, same, varying`` (probabilities) and their log evidences.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.under_other_scales().columns[:5].tolist()
        ['centre_scale', 'spread_scale', 'none', 'same', 'varying']
        """
        core = self._pool()
        copies, rows = core.collected.copies.astype(float), []
        for mu in SCALES:
            for tau in SCALES:
                try:
                    priors = core.priors.scaled(mu, tau)
                except ValueError:  # wider than the d-prime axis
                    continue
                varying = core.weigh(copies, priors).log_evidence
                logs = np.array([self.evidences.none, core.common.log_evidence(priors), varying])
                probabilities = dict(zip(NAMES, _posterior(logs, self.prior), strict=True))
                evidences = dict(zip((f"log_evidence_{name}" for name in NAMES), logs, strict=True))
                scales = {"centre_scale": priors.centre_scale, "spread_scale": priors.spread_scale}
                rows.append(scales | probabilities | evidences)
        return pd.DataFrame(rows)

    def before_and_after(self, prob: float = 0.95) -> pd.DataFrame:
        """The average d-prime before and after the panels: one row.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.before_and_after().columns.tolist()
        ['quantity', 'prior_lower', 'prior_median', 'prior_upper', 'lower', 'median', 'upper', 'prob', 'kind']
        """
        core = self._pool()
        before = prior_average(core.priors, core.directed)
        row: dict[str, Any] = {"quantity": "average d-prime"}
        for stem, value in (("prior_", before), ("", core.average)):
            lower, upper = value.interval(prob)
            row |= {f"{stem}lower": lower, f"{stem}median": value.median, f"{stem}upper": upper}
        return pd.DataFrame([row | {"prob": prob, "kind": "equal-tailed"}])

    def sentence(self) -> str:
        """The probabilities in words, with the prior odds they rest on.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.sentence()[:40]
        'With equal prior odds, the panels leave '
        """
        none, same, varying = (words.probability(p) for p in self.probability)
        before = (
            "equal prior odds"
            if np.ptp(self.prior) < 1e-9
            else "prior probabilities of "
            + words.listing(f"{words.percent(p)} ({n})" for p, n in zip(self.prior, NAMES, strict=True))
        )
        return (
            f"With {before}, the panels leave {none} for nothing to taste (none), {same} for one d-prime in all panels "
            f"(same) and {varying} for panels that differ (varying). These numbers rest on the priors more than the "
            "rest of the answer does."
        )

    def on_the_scales(self) -> str:
        """How far the probabilities move when the prior scales are halved and doubled.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.on_the_scales()[:40]
        'With the prior scales of centre and spre'
        """
        frame = self.under_other_scales()
        ranges = [f"{name} {_range(frame[name])}" for name in NAMES]
        return (
            "With the prior scales of centre and spread halved or doubled, together and apart, the probabilities run "
            f"over: {words.listing(ranges)}."
        )

    def on_the_prior(self, prob: float = 0.95) -> str:
        """What was believed of the average d-prime beforehand, beside what is now.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> found.on_the_prior()[:40]
        'The average d-prime is 1.32 (0.59 to 2.0'
        """
        row = self.before_and_after(prob).iloc[0]
        now = words.estimate(row["median"], row["lower"], row["upper"], prob)
        low, middle, high = words.distinct(row["prior_lower"], row["prior_median"], row["prior_upper"])
        return (
            f"The average d-prime is {now}; before the panels the prior alone said {middle} ({low} to {high}). Neither "
            "can come out as zero, so that the range lies above 0 tells nothing."
        )

    def plot(self, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """The average d-prime before and after the panels.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> found = ms.pool(table).explanations()
        >>> from matplotlib.figure import Figure
        >>> axes = found.plot(ax=Figure())
        """
        core = self._pool()
        average, before = core.average, prior_average(core.priors, core.directed)
        lower, upper = average.interval(prob)
        x = np.linspace(0, max(float(average.quantile(0.9995)), min(float(before.quantile(0.98)), 2.5 * upper)), 601)
        margin = None if core.margin is None else core.margin.d_prime
        return figures.posterior_density(
            x,
            average.density(x),
            prior_density=before.density(x),
            margin=margin,
            below=None if margin is None else average.below(margin),
            interval=(lower, average.median, upper),
            prob=prob,
            ax=ax,
        )

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        core = self._pool()
        prob = how.get("prob", 0.95)
        lower, upper = core.average.interval(prob)
        margin = None if core.margin is None else core.margin.d_prime
        return figures.alt_posterior_density(
            interval=(lower, core.average.median, upper),
            margin=margin,
            below=None if margin is None else core.average.below(margin),
            prob=prob,
        )

    def _pool(self) -> Core:
        if self.core is None:
            raise ValueError("these explanations were made without their pool; use pooled.explanations().")
        return self.core

    def _shown(self) -> list[str | tables.Table]:
        kinds: dict[str, Any] = {
            "log_evidence": lambda v: f"{v:.2f}",
            "prior": "probability",
            "probability": "probability",
        }
        factors = self.bayes_factors().drop(columns="log_factor")
        fourth = [] if self.core is None else [f"{said} See pooled.some()." for said in aside(self.core)]
        parts: list[str | tables.Table] = [
            self.sentence(),
            *fourth,
            tables.table(self.to_frame().reset_index(), caption="Explanations", kinds=kinds),
            tables.table(
                factors,
                caption="How many times more probable the panels are under the first than the second (Bayes factor)",
                kinds={"factor": words.times},
            ),
        ]
        return parts if self.core is None else [*parts, self.on_the_scales(), self.on_the_prior()]


def _posterior(log_evidence: Array, prior: Sequence[float]) -> Array:
    weight = np.exp(log_evidence - log_evidence.max()) * np.asarray(prior)
    return np.asarray(weight / weight.sum())


def _range(values: pd.Series) -> str:
    low, high = words.probability(values.min()), words.probability(values.max())
    return low if low == high else f"{low} to {high}"
