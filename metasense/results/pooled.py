"""A pool as people hold it: what a set of panels says together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from metasense.core.answers import NextPanel, Rate, Verdict
from metasense.core.core import Core, Tests
from metasense.core.draws import Draws, all_draws, draws_of
from metasense.core.evidence import Collected
from metasense.engine.distribution import Distribution
from metasense.engine.grid import Evidences
from metasense.engine.posterior import Posterior
from metasense.engine.priors import EVEN
from metasense.protocols import Protocol, forced_choice
from metasense.questions import preference as preferences
from metasense.questions import sensitivity as choices
from metasense.questions import tasters as people
from metasense.questions.averaged import Averaged
from metasense.questions.disagreement import Disagreement
from metasense.questions.drawer import Drawer
from metasense.questions.explanations import Explanations, explain
from metasense.questions.fit import Fit, fit_of
from metasense.questions.habits import Habits
from metasense.questions.leak import SHARES, Leak
from metasense.questions.operating import Operating
from metasense.questions.path import Path
from metasense.questions.regulars import SamePeople
from metasense.questions.some import Some
from metasense.results import first, notes, page, sentences
from metasense.results.base import PROB, Pool
from metasense.showing import figures, pages, tables
from metasense.showing.glance import Glance

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

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.to_frame(protocols="triangle")[["quantity", "median"]].round(2)
                            quantity  median
        0            average d-prime    1.32
        1         next panel d-prime    1.32
        2                     spread    0.39
        3             p_c (triangle)    0.48
        4             p_d (triangle)    0.22
        5  next panel p_c (triangle)    0.47
        6  next panel p_d (triangle)    0.21
        """
        return self.core.to_frame(prob, protocols)

    def panels_frame(self, prob: float = PROB) -> pd.DataFrame:
        """Each panel alone beside the same panel given all the others.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            One row a panel in the order of the table: ``panel, protocol, tastings, correct``, the exact one-sided
            ``p_value``, its d-prime ``alone`` (maximum likelihood, ``alone_lower``, ``alone_upper`` exact) and
            ``pooled`` (posterior median, ``pooled_lower``, ``pooled_upper`` equal-tailed credible), ``prob`` and kinds.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.panels_frame()[["panel", "p_value", "alone", "pooled"]].round(2)
          panel  p_value  alone  pooled
        0     A     0.28   0.88    1.17
        1     B     0.09   1.29    1.29
        2     C     0.00   2.15    1.62
        """
        return self.core.panels_frame(prob)

    def panel(self, name: str) -> Distribution:
        """One panel's own d-prime given all the panels.

        Parameters
        ----------
        name : str
            The panel's name in the table.

        Returns
        -------
        Distribution
            Of the size of its d-prime; with its sign in a directed protocol.

        Raises
        ------
        PanelsError
            If there is no such panel.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> round(pooled.panel("C").median, 2)
        1.62
        """
        return self.core.panel(name)

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        Rate
            Shares of correct answers, ``p_c``, and ``p_d``, on average and in the next panel.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> round(pooled.rate("triangle").p_c.median, 2), round(pooled.rate("tetrad").p_d.median, 2)
        (0.48, 0.38)
        """
        return self.core.rate(test)

    def next_panel(self, test: str | Protocol, tastings: int) -> NextPanel:
        """What one more panel of this protocol and size would show.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.
        tastings : int
            Answers in that panel, 1 or more.

        Returns
        -------
        NextPanel
            The probability of each count of correct answers.

        Raises
        ------
        ValueError
            If `tastings` is no such number.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.next_panel("triangle", 30).interval()
        (7, 23)
        """
        test = forced_choice(test)
        if int(tastings) != tastings or tastings < 1:
            raise ValueError(f"tastings is the number of answers in the next panel, 1 or more; got {tastings!r}.")
        signed = self.directed and test.directed
        theta = self.posterior.next_theta if signed else self.next_d_prime
        return NextPanel.of(theta, test, int(tastings), self.core.made)

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled.

        Returns
        -------
        Verdict
            It equals its word, and has the probabilities ``above`` and ``below`` the margin.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.verdict() == "not settled", round(pooled.verdict().above, 2)
        (True, 0.79)
        """
        return self.core.verdict()

    # --- how far the answer holds -----------------------------------------------------------------------------------

    def explanations(self, prior: tuple[float, float, float] | None = None) -> Explanations:
        """Nothing to taste, one d-prime in all panels, or panels that differ: evidences and probabilities.

        Parameters
        ----------
        prior : (float, float, float), optional
            How probable each was before the panels, in that order; even by default, or as learned priors have it.

        Returns
        -------
        Explanations

        Raises
        ------
        ValueError
            If `prior` is not three numbers of 0 or more that add up to 1.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.explanations().to_frame()["probability"].round(2).to_dict()
        {'none': 0.01, 'same': 0.44, 'varying': 0.55}
        """
        return explain(self.core, prior)

    def averaged(self, prior: tuple[float, ...] | None = None) -> Averaged:
        """The answer averaged over the explanations: an exact 0 where there may be nothing to taste.

        Parameters
        ----------
        prior : (float, float, float) or (float, float, float, float)
            Probabilities before the panels of none, same and varying, and as a fourth of some (only some panels have
            something to taste); the first three by default, even unless the priors are learned.

        Returns
        -------
        Averaged

        Raises
        ------
        ValueError
            If `prior` is no such probabilities.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().average.median, round(pooled.average.median, 2)
        (0.0, 0.55)
        """
        found = Averaged(self.core, self.priors.odds if prior is None else prior)
        return found if len(found.prior) == len(EVEN) else replace(found, core=self.core.apart)

    def some(self, nothing: float | None = None) -> Some:
        """The answer if only some panels have something to taste: how many, which, and what there is in the others.

        Parameters
        ----------
        nothing : float, optional
            The share of panels with nothing to taste, above 0 and below 1; learned from the panels unless stated.

        Returns
        -------
        Some

        Raises
        ------
        ValueError
            If `nothing` is no such share.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().panels_frame()["p_nothing"].round(1).tolist()
        [1.0, 0.0, 1.0, 0.0]
        """
        return Some(self.core.apart, nothing)

    def disagreement(self, *, alpha: float = 0.05) -> Disagreement:
        """How often one constant d-prime would give verdicts at least this mixed and counts at least this far apart.

        Parameters
        ----------
        alpha : float
            Alpha-risk at which a single panel is called statistically significant, between 0 and 1.

        Returns
        -------
        Disagreement

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.disagreement().to_frame()[["panel", "significant", "chance"]].round(2).values.tolist()
        [['A', False, 0.51], ['B', False, 0.51], ['C', True, 0.51]]
        """
        return Disagreement.of(self.core, alpha=alpha, seed=self.settings["seed"])

    def sensitivity(self, *, by: str | Sequence[str] | None = None, prob: float = PROB) -> choices.Sensitivity:
        """The answer under other priors, without each panel, with careful panels only, without each group of `by`.

        Parameters
        ----------
        by : str or sequence of str, optional
            Columns whose groups are left out one at a time.
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        Sensitivity
            The pool itself comes first.

        Raises
        ------
        PanelsError
            If a column of `by` is not in the table.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.sensitivity().to_frame()[["case", "median"]].round(2).head(3)
                                                case  median
        0                                 all panels    1.32
        1  prior scales 0.75 (centre), 0.25 (spread)    1.18
        2     prior scales 0.75 (centre), 1 (spread)    1.13
        """
        return choices.Sensitivity.of(self.core, by=by, prob=prob)

    def path(self, *, prob: float = PROB) -> Path:
        """The answer after each panel, in date order; it ends at this pool.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        Path

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19],
        ...          "date": ["2025-01-10", "2025-02-07", "2025-03-07"]}
        >>> ms.pool(table).path().to_frame().columns[:4].tolist()
        ['panel', 'date', 'panels', 'median']
        """
        return Path.of(self.core, prob=prob)

    def drawer(self, *, prob: float = PROB) -> Drawer:
        """What panels that were never listed could do to the answer, and what the listed unreported ones do.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        Drawer

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.drawer().to_frame().columns[:3].tolist()
        ['case', 'omega', 'never_listed']
        """
        return Drawer.of(self.core, prob=prob)

    def leak(self, shares: Sequence[float] | None = None, *, prob: float = PROB) -> Leak:
        """What tasters who knew the answer by other means could do to it, and from which share on the verdict changes.

        Parameters
        ----------
        shares : sequence of float, optional
            Shares of tasters who knew, from 0 to less than 1; 0 to 30 % by default.
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        Leak

        Raises
        ------
        ValueError
            If a share is out of range, or no panel is a forced choice.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": ["A", "B"], "protocol": "tetrad", "tastings": 36, "correct": [24, 26]},
        ...                  margin="d'=1")
        >>> share, verdict = pooled.leak().turning
        >>> round(share, 2), verdict
        (0.05, 'not settled')
        """
        return Leak.of(self.core, shares=SHARES if shares is None else tuple(shares), prob=prob)

    def operating(self, *, sets: int | None = None, spread: float = 0.0) -> Operating:
        """How often panels like these would give each verdict, if the truth were at nothing, the margin, or around it.

        Parameters
        ----------
        sets : int, optional
            Sets of panels drawn for each truth; 1000 by default, 100 where tasters repeat.
        spread : float
            Standard deviation of the panels' d-primes around the truth; 0 unless stated.

        Returns
        -------
        Operating

        Raises
        ------
        ValueError
            If there is no margin, no panel is a forced choice, or a number cannot be.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]},
        ...                  margin="d'=1")
        >>> pooled.operating(sets=100).to_frame()["truth"].tolist()[2]
        'the margin'
        """
        return Operating.of(self.core, sets=sets, spread=spread, seed=self.settings["seed"])

    def habits(self, *, prob: float = PROB) -> Habits:
        """Where the right cups stood, which places guessers pick, and how often guessing was then right.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        Habits

        Raises
        ------
        ValueError
            If no table of tastings tells where the right cups stood.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool(ms.read_tastings("datasets/cider_tastings.csv"))
        >>> pooled.habits().to_frame()["protocol"].unique().tolist()
        ['triangle', 'duo-trio']
        """
        return Habits.of(self.core, prob=prob)

    def fit(self) -> Fit:
        """Whether the model fits: each panel against the others, how far apart the counts are, and a mixture.

        Returns
        -------
        Fit

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> pooled = ms.pool(table, margin=ms.Margin(d_prime=1))
        >>> pooled.fit().warnings
        ()
        """
        return fit_of(self.core)

    # --- people -----------------------------------------------------------------------------------------------------

    def tasters(self, *, threshold: float = people.THRESHOLD) -> people.Tasters:
        """What single tasters who tasted repeatedly can do, and how unlike one another they are.

        Parameters
        ----------
        threshold : float
            Rate above guessing, between 0 and 1, from which a taster counts as better than guessing.

        Returns
        -------
        Tasters

        Raises
        ------
        ValueError
            If nobody tasted more than once in any panel.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1, 1, 1, 1], "Bob": [0, 1, 0, 0, 1, 0]}
        >>> kind = {"panel": "A", "protocol": "triangle"}
        >>> rows = [kind | {"taster": name, "correct": right} for name in answers for right in answers[name]]
        >>> pooled = ms.pool(ms.read_tastings(rows))
        >>> pooled.tasters().to_frame()[["taster", "mean"]].round(2)
          taster  mean
        0    Ann  0.89
        1    Bob  0.08
        """
        return people.tasters(self, threshold=threshold)

    def regulars(self) -> SamePeople:
        """People who sat in several panels: what following them does to the answer, and the next panel of them.

        Returns
        -------
        SamePeople

        Raises
        ------
        ValueError
            If nobody is followed from panel to panel.

        Examples
        --------
        >>> import metasense as ms
        >>> answers = {"Ann": [1, 1, 1], "Bob": [0, 1, 0], "Cai": [0, 0, 1], "Dee": [1, 1, 0]}
        >>> rows = [{"panel": f"evening {i}", "protocol": "triangle", "taster": t, "correct": answers[t][i]}
        ...         for i in range(3) for t in answers]
        >>> ms.pool(ms.read_tastings(rows)).regulars().people
        4
        """
        return SamePeople(self.core)

    def preference(self, *, pairs: Any = None, placebo: Sequence[int] | None = None) -> preferences.Preference:
        """Which product people prefer, with lucky guesses taken out, and among everyone; see `ms.preference`.

        Parameters
        ----------
        pairs : DataFrame, dict or list of dicts, optional
            Separate blind pairs, as in `ms.preference`.
        placebo : (int, int, int), optional
            Answers to a pair of identical samples: preferred one, the other, neither.

        Returns
        -------
        Preference

        Raises
        ------
        ValueError
            If there is no preference anywhere, or a count is none.

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct",
        ...          "prefer_new": 8, "prefer_old": 4}
        >>> round(ms.pool([asked]).preference().naive_share, 2)
        0.67
        """
        return preferences.preference(self, pairs=pairs, placebo=placebo)

    # --- draws ------------------------------------------------------------------------------------------------------

    @property
    def draws(self) -> xr.Dataset:
        """Posterior draws: ``average``, ``spread`` and each panel's ``d_prime``, with dims chain, draw, panel."""
        return draws_of(self.core)

    def _all_draws(self) -> Draws:
        return all_draws(self.core)

    def _statistics(self) -> xr.Dataset | None:
        return self.core.remember("statistics", lambda: None)

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
        return sentences.paragraph(self.core, checked=notes.quick(self.core))

    def _methods(self) -> tuple[str, ...]:
        return sentences.plain_methods(self.core)

    def _glance(self) -> Glance:
        return first.of_plain(self.core, self._cautions())

    def _repr_html_(self) -> str:
        if len(self.panels) <= page.DRAWN:
            self.panels_frame()  # first: the next panel, of which everything speaks, is worked out with the panels
        return super()._repr_html_()

    def _parts(self) -> list[str | tables.Shown]:
        core = self.core
        said: list[str | tables.Shown] = [page.answer_table(core), core.verdict().sentence()]
        said += [self.explanations().sentence(), *sentences.averaged(core)]
        return [*said, page.forest_for_cell(core), page.panels_table(core)]

    def _rows(self, name: str | None = None) -> dict[str, Posterior]:
        self._without_moderators(name)
        return {"": self.core.posterior}

    def _drawing(self, prob: float, *, name: str | None = None, order: str | None = None) -> figures.Drawing:
        self._without_moderators(name)
        return page.forest(self.core, prob, order or "estimate")

    def _page(self) -> pages.Page:
        return page.page(self.core)
