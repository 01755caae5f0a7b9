"""A pool as people hold it: what a set of panels says together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from metasense.core.answers import NextPanel, Rate, Verdict
from metasense.core.core import Core, Tests
from metasense.core.draws import draws_of
from metasense.core.evidence import Collected
from metasense.engine.distribution import Distribution
from metasense.engine.grid import Evidences
from metasense.engine.posterior import Posterior
from metasense.protocols import Protocol, forced_choice
from metasense.questions import preference as preferences
from metasense.questions import sensitivity as choices
from metasense.questions import tasters as people
from metasense.questions.disagreement import Disagreement
from metasense.questions.drawer import Drawer
from metasense.questions.explanations import EVEN, Explanations, explain
from metasense.questions.fit import Fit, fit_of
from metasense.questions.path import Path
from metasense.results import notes, page, sentences
from metasense.results.base import PROB, Pool
from metasense.showing import figures, pages, tables

if TYPE_CHECKING:
    import xarray as xr


@dataclass(frozen=True, eq=False, repr=False)
class Pooled(Pool):
    """What a set of panels says together. Made by `pool`.

    Attributes
    ----------
    core : Core
        The panels, margin, priors, card and settings, the posterior and the evidences.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> pooled.explanations().to_frame()["probability"].round(2).tolist()
    [0.27, 0.36, 0.37]
    """

    core: Core = field(repr=False)

    _inside = frozenset({"advice", "collected", "core", "corners", "posterior"})

    @property
    def plain(self) -> Pooled:
        """The pool without moderators or a level: this one."""
        return self

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def average(self) -> Distribution:
        """Posterior of the average d-prime of panels like these."""
        return self.core.average

    @property
    def spread(self) -> Distribution:
        """Posterior of the standard deviation between panels, in d-prime units."""
        return self.core.spread

    @property
    def next_d_prime(self) -> Distribution:
        """Posterior of the next panel's d-prime."""
        return self.core.next_d_prime

    @property
    def expected_way(self) -> float | None:
        """Probability that panels like these lean, on average, the expected way; None where no protocol has one."""
        return self.core.expected_way

    @property
    def posterior(self) -> Posterior:
        """The weighted nodes everything is computed from."""
        return self.core.posterior

    @property
    def evidences(self) -> Evidences:
        """Log evidences of the explanations."""
        return self.core.evidences

    @property
    def collected(self) -> Collected:
        """The distinct panels as likelihoods."""
        return self.core.collected

    @property
    def advice(self) -> tuple[str, ...]:
        """What is wrong with the draws, if anything."""
        return self.core.advice

    @property
    def sample(self) -> xr.Dataset | None:
        """The sampler's draws of centre, spread and overdispersion, with dims chain, draw; None where integrated."""
        return self.core.sample

    @property
    def corners(self) -> pd.DataFrame:
        """The answer with both prior scales halved or doubled: the pool, then four rows as in ``sensitivity()``."""
        return choices.prior_cases(self.core)

    def to_frame(self, prob: float = PROB, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals.
        protocols : str, Protocol or sequence of them, optional
            Whose rates to give; those of the panels and of the margin by default.

        Returns
        -------
        DataFrame
            Rows ``average d-prime``, ``next panel d-prime``, ``spread``, then ``p_c (...)``, ``p_d (...)`` and the next
            panel's of each protocol; columns ``quantity, mean, median, lower, upper, prob, kind``.
        """
        return self.core.to_frame(prob, protocols)

    def panels_frame(self, prob: float = PROB) -> pd.DataFrame:
        """Each panel alone beside the same panel given all the others.

        Returns
        -------
        DataFrame
            One row a panel in the order of the table: ``panel, protocol, tastings, correct``, the exact one-sided
            ``p_value``, its d-prime ``alone`` (maximum likelihood, ``alone_lower``, ``alone_upper`` exact) and
            ``pooled`` (posterior median, ``pooled_lower``, ``pooled_upper`` equal-tailed credible), ``prob`` and kinds.
        """
        return self.core.panels_frame(prob)

    def panel(self, name: str) -> Distribution:
        """One panel's own d-prime given all the panels."""
        return self.core.panel(name)

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one."""
        return self.core.rate(test)

    def next_panel(self, test: str | Protocol, tastings: int) -> NextPanel:
        """What one more panel of this protocol and size would show."""
        test = forced_choice(test)
        if int(tastings) != tastings or tastings < 1:
            raise ValueError(f"tastings is the number of answers in the next panel, 1 or more; got {tastings!r}.")
        signed = self.directed and test.directed
        theta = self.posterior.next_theta if signed else self.next_d_prime
        return NextPanel.of(theta, test, int(tastings))

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled."""
        return self.core.verdict()

    # --- how far the answer holds -----------------------------------------------------------------------------------

    def explanations(self, prior: tuple[float, float, float] = EVEN) -> Explanations:
        """Nothing to taste, one d-prime in all panels, or panels that differ: evidences and probabilities."""
        return explain(self.core, prior)

    def disagreement(self, *, alpha: float = 0.05) -> Disagreement:
        """How often one constant d-prime would give verdicts at least this mixed and counts at least this far apart."""
        return Disagreement.of(self.core, alpha=alpha, seed=self.settings["seed"])

    def sensitivity(self, *, by: str | Sequence[str] | None = None, prob: float = PROB) -> choices.Sensitivity:
        """The answer under other priors, without each panel, with careful panels only, without each group of `by`."""
        return choices.Sensitivity.of(self.core, by=by, prob=prob)

    def path(self, *, prob: float = PROB) -> Path:
        """The answer after each panel, in date order; it ends at this pool."""
        return Path.of(self.core, prob=prob)

    def drawer(self, *, prob: float = PROB) -> Drawer:
        """What panels that were never listed could do to the answer, and what the listed unreported ones do."""
        return Drawer.of(self.core, prob=prob)

    def fit(self) -> Fit:
        """Whether the model fits: each panel against the others, how far apart the counts are, and a mixture."""
        return fit_of(self.core)

    # --- people -----------------------------------------------------------------------------------------------------

    def tasters(self, *, threshold: float = people.THRESHOLD) -> people.Tasters:
        """What single tasters who tasted repeatedly can do, and how unlike one another they are."""
        return people.tasters(self, threshold=threshold)

    def preference(self, *, pairs: Any = None, placebo: Sequence[int] | None = None) -> preferences.Preference:
        """Which product people prefer, with lucky guesses taken out, and among everyone; see `ms.preference`."""
        return preferences.preference(self, pairs=pairs, placebo=placebo)

    # --- draws ------------------------------------------------------------------------------------------------------

    @property
    def draws(self) -> xr.Dataset:
        """Posterior draws: ``average``, ``spread`` and each panel's ``d_prime``, with dims chain, draw, panel."""
        return draws_of(self.core)

    def to_arviz(self) -> Any:
        """The draws as the object the installed ArviZ works with (InferenceData, or a DataTree from ArviZ 1 on)."""
        from metasense.engine import sampler

        return sampler.to_arviz(self.draws)

    # --- words and figures ------------------------------------------------------------------------------------------

    @property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes that question the answer itself."""
        return notes.warnings(self.core)

    def _on_the_answer(self) -> tuple[str, ...]:
        return (*self.departures, *notes.on_the_answer(self.core))

    def _line(self) -> str:
        return sentences.headline(self.core)

    def _paragraph(self) -> list[str]:
        return sentences.paragraph(self.core)

    def _methods(self) -> tuple[str, ...]:
        return sentences.methods(self.core)

    def _parts(self) -> list[str | tables.Shown]:
        core = self.core
        said: list[str | tables.Shown] = [page.answer_table(core), core.verdict().sentence()]
        return [*said, self.explanations().sentence(), page.forest_for_cell(core), page.panels_table(core)]

    def _drawing(self, prob: float, *, name: str | None = None, order: str = "table") -> figures.Drawing:
        self._without_moderators(name)
        return page.forest(self.core, prob, order)

    def _page(self) -> pages.Page:
        return page.page(self.core)
