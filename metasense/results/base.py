"""What every kind of pool can do, written once: say itself, show itself, draw itself, be saved, become a page.

A kind of pool (plain, with moderators, within a level) is a `Pool` that says what differs: its own sentences, the parts
of its cell, its figure, and what of it goes into the file besides the panels.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from metasense.card import Card
from metasense.core.answers import Verdict
from metasense.core.core import Core, Tests
from metasense.core.draws import Draws
from metasense.core.groups import groups_of
from metasense.engine.posterior import Posterior
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.process import no_collecting, one_thread
from metasense.protocols import Protocol
from metasense.questions.leave_one_out import LeaveOneOut
from metasense.results import notes, saving, strips
from metasense.showing import figures, pages, tables
from metasense.showing.files import PAGE, POOL, Kind, ready
from metasense.showing.glance import Glance
from metasense.showing.results import Answered, Pictured, Result, Statement
from metasense.tables.panels import Panels, Tastings

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

PROB = 0.95  # inside the intervals of what is shown, saved and reported


class Pool(Pictured, Answered, Statement):
    """A pool of any kind; made by `pool`.

    Attributes
    ----------
    core : Core
        The panels pooled plainly: inputs, posterior and evidences.
    """

    core: Core

    # --- what went in -----------------------------------------------------------------------------------------------

    @property
    def panels(self) -> Panels:
        """The panels."""
        return self.core.panels

    @property
    def tastings(self) -> Tastings | None:
        """The single answers, where they were given."""
        return self.core.tastings

    @property
    def margin(self) -> Margin | None:
        """The smallest difference that matters, where one was named."""
        return self.core.margin

    @property
    def priors(self) -> Priors:
        """The prior scales."""
        return self.core.priors

    @property
    def card(self) -> Card | None:
        """The question card, where one was given."""
        return self.core.card

    @property
    def settings(self) -> dict[str, Any]:
        """Method, seed and size of the draws; for PyMC, what its chains said."""
        return self.core.settings

    @property
    def directed(self) -> bool:
        """Whether some panel named an attribute, so that differences have a direction."""
        return self.core.directed

    @property
    def protocols(self) -> tuple[Protocol, ...]:
        """Forced-choice protocols of the panels, then of the margin, each once."""
        return self.core.protocols

    @property
    def protocol(self) -> Protocol:
        """The protocol whose rates are said: the margin's, or the commonest."""
        return self.core.main_protocol

    @property
    def departures(self) -> tuple[str, ...]:
        """Where this pool is not what its question card says; empty without a card."""
        return self.core.departures

    # --- what differs from kind to kind -----------------------------------------------------------------------------

    def to_frame(self, prob: float = PROB, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers."""
        raise NotImplementedError

    def verdicts(self, name: str | None = None) -> pd.DataFrame:
        """The verdict against the margin: one row, or one for each value of a moderator.

        Parameters
        ----------
        name : str, optional
            Which moderator, in a pool with several; the first by default.

        Returns
        -------
        DataFrame
            ``value, p_above, p_below, verdict``; the probabilities are that the average d-prime is above the margin and
            below it. Without moderators there is one row and no value.

        Raises
        ------
        ValueError
            If there is no moderator of that name.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> ms.pool(table, margin=ms.Margin(d_prime=2.5)).verdicts()["verdict"].tolist()
        ['within the margin']
        """
        self._without_moderators(name)
        return self._verdict_to_keep().to_row()

    @property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes that question the answer itself."""
        raise NotImplementedError

    def _on_the_answer(self) -> Iterable[str]:
        """The notes on the answer and on the panels, the gravest first."""
        raise NotImplementedError

    def _parts(self) -> Sequence[str | tables.Shown]:
        """What a cell shows between headline and notes."""
        raise NotImplementedError

    def _drawing(self, prob: float, *, name: str | None = None, order: str | None = None) -> figures.Drawing:
        """The main figure, and the sentence that stands in for it."""
        raise NotImplementedError

    def _page(self) -> pages.Page:
        """What stands on the page."""
        raise NotImplementedError

    def _verdict_to_keep(self) -> Verdict:
        """The verdict that a saved file states."""
        return self.core.verdict()

    def _structure(self) -> dict[str, Any]:
        """What was put into the plain pool, for the file."""
        return {}

    def _glance(self) -> Glance:
        """The first screen."""
        raise NotImplementedError

    def _each_left_out(self) -> Any:
        """Log probability of each panel's counts given the others, under this pool's own model; None if plain."""
        return None

    def _put_in(self) -> str:
        """What was put into the plain pool, in words; empty if nothing was."""
        return ""

    def _all_draws(self) -> Draws:
        """Draws from the posterior of this pool's own model."""
        raise NotImplementedError

    def _statistics(self) -> xr.Dataset | None:
        """What the sampler recorded at each draw; None where nothing was sampled."""
        return None

    # --- what is the same for all -----------------------------------------------------------------------------------

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a careful reader should know about this answer and these panels, in plain words."""
        return (*self._on_the_answer(), *notes.on_the_table(self.core))

    def _cautions(self) -> tuple[str, ...]:
        """What to be careful about, by weight."""
        return notes.cautions(self.departures, self.warnings, lambda: self.notes)

    def _shown(self) -> list[str | tables.Shown]:
        return [self.headline(), *self._parts(), *(f"Note: {note}" for note in self.notes)]

    def _rows(self, name: str | None = None) -> Mapping[str, Posterior]:
        """What the answer strip has in its rows, by what it is of."""
        raise NotImplementedError

    def _strip(self, name: str | None = None) -> figures.Drawing:
        """The answer as marks on a scale of correct answers."""
        return strips.strip(self.core, self._rows(name))

    def _picture(self) -> figures.Drawing:
        return self._strip()

    def plot_strip(self, name: str | None = None, *, ax: Any = None) -> Axes:
        """The answer as 100 equally likely truths on a scale of correct answers, on their sides of the margin.

        Each mark is a quantile of the average d-prime, as the correct answers it gives in the margin's protocol (or the
        commonest), so that as many marks lie beyond the margin as the verdict says. A pool with a moderator has a row
        for each stated value.

        Parameters
        ----------
        name : str, optional
            Which moderator, in a pool with several; the first by default.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Raises
        ------
        ValueError
            If there is no moderator of that name.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> from matplotlib.figure import Figure
        >>> ms.pool(table).plot_strip(ax=Figure()).get_xlabel().splitlines()[0]
        'correct of 100 triangle answers'
        """
        return self._strip(name).draw(ax)

    def plot(self, name: str | None = None, *, order: str | None = None, prob: float = PROB, ax: Any = None) -> Axes:
        """The answer and what it rests on, in one figure.

        A plain pool draws every panel alone and pooled, the average, the next panel and the margin; a pool within a
        level its groups; a pool with moderators the average along one of them.

        Parameters
        ----------
        name : str, optional
            Which moderator, in a pool with several; the first by default.
        order : {"estimate", "table"}, optional
            Whether rows stand by size, as by default, or as in the table. Along a moderator of numbers there are none.
        prob : float
            Probability inside the intervals.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Raises
        ------
        ValueError
            If there is no moderator of that name, or no such order.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> from matplotlib.figure import Figure
        >>> ms.pool(table).plot(order="estimate", ax=Figure()).get_xlabel()[:7]
        'd-prime'
        """
        return self._drawing(prob, name=name, order=order).draw(ax)

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return self._strip(how.get("name")).alt if kind else self._drawing(**{"prob": PROB, **how}).alt

    def _without_moderators(self, name: str | None) -> None:
        """Refuse the name of a moderator where there are none."""
        if name is not None:
            raise ValueError(
                f"this pool has no moderators, so {name!r} cannot be chosen; pool(..., moderators={name!r}) puts it in."
            )

    def leave_one_out(self) -> LeaveOneOut:
        """How well the pool foretells a panel it has not seen: each panel left out in turn, exactly.

        By integration with the panel and without it, at the pool's priors, and so better than what ``to_arviz`` and
        importance sampling give. A pool with moderators or a level is held against the plain pool of the same panels;
        there it takes as long as pooling anew without each panel.

        Returns
        -------
        LeaveOneOut

        Raises
        ------
        IntegrationError
            If the model cannot be integrated, as where PyMC had to sample it.

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": list("ABCDEF"), "protocol": "tetrad", "tastings": 40, "correct": [13, 15, 18, 22, 27, 31],
        ...          "weeks": [1, 2, 4, 6, 8, 10]}
        >>> left_out = ms.pool(table, moderators="weeks").leave_one_out()
        >>> [round(number, 1) for number in left_out.gain]
        [6.4, 1.3]
        """
        with one_thread:
            return LeaveOneOut.of(self.core, self._each_left_out(), self._put_in())

    def to_arviz(self) -> Any:
        """The pool as the object the installed ArviZ works with (InferenceData, or a DataTree from ArviZ 1 on).

        Panels are the observations, and everything is of the model that was pooled: with its moderators or its level,
        and beta-binomial where tasters repeat. The same seed gives the same numbers.

        Returns
        -------
        InferenceData or DataTree
            With these groups, of dims chain, draw, panel (and moderator):

            ``posterior``
                What ``draws`` holds; where tasters repeat also their ``overdispersion``.
            ``posterior_predictive``, ``prior_predictive``
                Counts of one more panel like each of these, with a d-prime (and a criterion, or tasters) of its own:
                ``correct`` answers; ``hits`` and ``false_alarms`` where panels have two counts. In a pool of both kinds
                these have the dims ``forced_choice_panel`` and ``two_count_panel``.
            ``observed_data``
                The same of the panels themselves.
            ``log_likelihood``
                Of each panel's counts given the centre, the spread and the overdispersion, its own d-prime integrated
                out (with a level: given the centre of its group). That is what is left out with a panel, so that
                leave-one-out by importance sampling works; given the panel's own d-prime, which no other panel knows,
                it would not. `leave_one_out` gives the same without draws, and is to be preferred. It is called
                ``correct``, or ``counts`` where some panels have two. There is none where people are followed from
                panel to panel: panels are not independent then.
            ``log_prior``, ``prior``
                Density of the centre, the spreads and the effects of moderators; draws of them and of the d-primes.
            ``constant_data``
                ``protocol``, ``tastings``, ``tasters``; ``signal`` and ``noise``; the ``design``, ``dose`` and
                ``group`` of the pool.
            ``sample_stats``
                What PyMC recorded, where it sampled; not kept with a saved plain pool.

        References
        ----------
        Vehtari A, Gelman A, Gabry J (2017). Stat. Comput. 27, 1413-1432; from memory.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> data = pooled.to_arviz()
        >>> data["posterior"]["d_prime"].shape, data["log_likelihood"]["correct"].dims
        ((4, 1000, 3), ('chain', 'draw', 'panel'))
        """
        from metasense.engine import sampler

        with one_thread:
            return sampler.to_arviz(**groups_of(self.core, self._all_draws(), self._statistics()))

    def report(
        self,
        path: str | os.PathLike[str],
        *,
        title: str = "",
        also: Mapping[str, Result] | None = None,
        overwrite: bool = False,
    ) -> Path:
        """Write the answer as one self-contained HTML page, on which a reader may move the margin.

        Parameters
        ----------
        path : str or path
            File to write, such as ``cider.html``. A page there that shows no panels but these is
            replaced.
        title : str
            The heading of the page; the question of the card unless given.
        also : mapping of str to result
            What else to show, under its heading, such as ``{"Which one they prefer": pooled.preference()}``.
        overwrite : bool
            Whether a page of other panels may be replaced too.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        OSError
            If the folder is missing or may not be written to, or something else is there.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> import tempfile
        >>> pooled.report(f"{tempfile.mkdtemp()}/page.html").name
        'page.html'
        """
        kind = self._ours(PAGE, overwrite)
        ready(path, kind)
        with one_thread, no_collecting:
            page = self._answered(self._page())
            sections = tuple(pages.Section(heading, pages.parts(result)) for heading, result in (also or {}).items())
            page = replace(page, also=sections)
            if title:
                page = replace(page, title=title, question="" if self.card is None else self.card.question)
            return pages.write_report(page, path, kind=kind)

    def _answered(self, page: pages.Page) -> pages.Page:
        """The page with the plain answer in front, and its notes by weight."""
        glance = self._glance()
        return replace(
            page,
            answer=" ".join(glance.answer),
            next_step=glance.step,
            paragraphs=(self._line(), *page.paragraphs),
            notes=tuple(dict.fromkeys([*glance.cautions, *page.notes])),
        )

    def save(self, path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
        """Write data, margin, priors, settings, seed, versions, numbers and draws as one netCDF file.

        ``ms.load`` reads it back. A file that is there is replaced only once the new one is whole. Tasters who are
        written as people (names, e-mail addresses, phone numbers) are called T1, T2 ... in the file, which a note of
        the loaded pool says; the table they came from is left to say who is who.

        Parameters
        ----------
        path : str or path
            File to write, such as ``cider.nc``. A saved pool there that holds no panels but these is
            replaced.
        overwrite : bool
            Whether a saved pool of other panels may be replaced too.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        OSError
            If the folder is missing or may not be written to, or something else is there.
        ValueError
            If the pool is too large to be loaded again.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> import tempfile
        >>> ms.load(pooled.save(f"{tempfile.mkdtemp()}/pool.nc")).headline() == pooled.headline()
        True
        """
        kind = self._ours(POOL, overwrite)
        ready(path, kind)
        return saving.save(path, self.core, self._verdict_to_keep(), self.to_frame(), self._structure(), kind)

    def _ours(self, kind: Kind, overwrite: bool) -> Kind:
        """What may be replaced: of this kind, those that show no panels but these, or any."""
        return kind if overwrite else kind.of(self.panels.fingerprint, *self.panels.marks)
