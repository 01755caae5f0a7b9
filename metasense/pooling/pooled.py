"""Pool panels on one variable, and hold what is then known.

`pool` takes a checked table and returns a `Pooled`: the average d-prime, how much panels differ, what the next panel
would show, each panel beside the pool, the verdict against a margin, and the sentences and figures that say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal, overload

import numpy as np
import pandas as pd

from metasense.card import Card
from metasense.margins import Margin
from metasense.margins import stated as stated_margin
from metasense.panels import Panels, Tastings, read_panels
from metasense.people import preference as preferences
from metasense.people import repeats
from metasense.pooling import archive, grid, writing
from metasense.pooling.answers import NextPanel, Rate, Verdict, quantity
from metasense.pooling.disagreement import Disagreement
from metasense.pooling.distribution import Distribution
from metasense.pooling.drawer import Drawer
from metasense.pooling.evidence import Collected, collect, joined
from metasense.pooling.explanations import EVEN, Common, Explanations
from metasense.pooling.fit import Fit
from metasense.pooling.likelihood import Series
from metasense.pooling.moderators import Moderated, moderate
from metasense.pooling.nesting import Nested, nest
from metasense.pooling.plane import Plane
from metasense.pooling.posterior import Patch, Posterior, draw_nodes, draw_panels
from metasense.pooling.priors import Priors
from metasense.pooling.priors import stated as stated_priors
from metasense.pooling.sensitivity import Path, Sensitivity, prior_cases
from metasense.protocols import Protocol, forced_choice, protocol
from metasense.showing import figures, tables, words
from metasense.showing.files import PAGE, POOL, ready
from metasense.showing.results import Statement
from metasense.single import panels_alone

if TYPE_CHECKING:
    import os
    import pathlib

    import xarray as xr
    from matplotlib.axes import Axes

Method = Literal["grid", "mcmc"]
MOST_DRAWS = 20_000_000  # numbers in the exported draws of all panels; more panels get fewer draws


@overload
def pool(panels: Any, *, moderators: None = ..., within: None = ..., **options: Any) -> Pooled: ...
@overload
def pool(panels: Any, *, moderators: str | Sequence[str], within: str | None = ..., **options: Any) -> Moderated: ...
@overload
def pool(panels: Any, *, moderators: None = ..., within: str, **options: Any) -> Nested: ...


def pool(  # type: ignore[misc]  # the further options of the signatures above are those below
    panels: Panels | Tastings | Any,
    *,
    tastings: Tastings | None = None,
    margin: Margin | None = None,
    card: Card | str | os.PathLike[str] | None = None,
    priors: Priors | None = None,
    moderators: str | Sequence[str] | None = None,
    through_zero: str | Sequence[str] | None = None,
    within: str | None = None,
    method: Method = "grid",
    draws: int = 1000,
    chains: int = 4,
    seed: int = 1,
    progress: bool = False,
) -> Pooled | Moderated | Nested:
    """Pool the panels of one comparison.

    Each panel has a d-prime of its own, ``|theta_i|`` with ``theta_i ~ Normal(mu, tau)``; its counts are binomial (with
    repeats: guess-corrected beta-binomial) at the rate its protocol gives at that d-prime, so triangles, duo-trios and
    2-AFCs pool on one scale.

    Parameters
    ----------
    panels : Panels, Tastings, or anything `read_panels` takes
        At least one panel.
    tastings : Tastings, optional
        The single answers of some of the panels, or of panels of their own. Where a panel is in both, its totals must
        agree, and its repeat tasters enter one by one.
    margin : Margin, optional
        The smallest difference that matters; the card's by default. Without one there is no verdict.
    card : Card or path, optional
        The question card written before the panels; where the pool departs from it is said in the notes.
    priors : Priors, optional
        Prior scales; the card's by default, else ``Priors()``.
    moderators : str or sequence of str, optional
        Columns the difference may depend on, of numbers or of words. One is integrated; several, or one together with
        `within`, are sampled with PyMC, which takes some seconds.
    through_zero : str, optional
        Name of the moderator, a dose, at whose zero the panels' centre is 0.
    within : str, optional
        Column of a level in between, such as ``"batch_pair"``: panels of one value have something in common.
    method : {"grid", "mcmc"}
        Integration (exact, milliseconds), or sampling of the same model in PyMC as a cross-check, with what integration
        gives beside it. `within` alone is only integrated.
    draws, chains : int
        Size of the exported draws, and of the sample with ``method="mcmc"``.
    seed : int
        Of everything random: draws and, with ``"mcmc"``, the sampler.
    progress : bool
        Whether the sampler shows its progress.

    Returns
    -------
    Pooled; with `moderators` a Moderated, with `within` alone a Nested
        Each of which holds the plain pool too.

    Raises
    ------
    PanelsError
        If the table has problems, or cannot support the question; all of them are listed.
    ValueError
        If an argument cannot be, or `within` alone is to be sampled.
    IntegrationError
        If the integration, which gives the evidences with either method, cannot reach its accuracy.

    Examples
    --------
    >>> pooled = pool({"panel": ["A", "B", "C"], "protocol": ["triangle", "triangle", "duo-trio"],
    ...                "tastings": [24, 30, 28], "correct": [12, 11, 17]}, margin=Margin(d_prime=0.5))
    >>> pooled.to_frame()[["median", "lower", "upper"]].round(2).iloc[0].tolist()
    [0.89, 0.22, 1.67]
    >>> pooled.verdict().label
    'not settled'
    """
    if method not in ("grid", "mcmc"):
        raise ValueError(f"method is 'grid' (integration) or 'mcmc' (sampling in PyMC); got {method!r}.")
    for name, value, least in (("draws", draws, 1), ("chains", chains, 1), ("seed", seed, 0)):
        if not isinstance(value, (int, np.integer)) or isinstance(value, bool) or value < least:
            raise ValueError(f"{name} is a whole number, {least} or more; got {value!r}.")
    if method == "mcmc" and within is not None and moderators is None and through_zero is None:
        raise ValueError(
            f"panels within {within} are worked out by integration, not by sampling: leave out method='mcmc'."
        )
    margin = None if margin is None else stated_margin(margin)
    card = card if card is None or isinstance(card, Card) else Card.read(card)
    margin = card.margin if margin is None and card is not None else margin
    if isinstance(panels, Tastings):
        tastings = panels
        panels = tastings.to_panels()
    elif tastings is not None:
        panels = joined(read_panels(panels), tastings)
    panels = read_panels(panels)
    priors = stated_priors(priors if priors is not None or card is None else card.priors)
    collected = collect(panels.frame, tastings)
    posterior, evidences = grid.integrate(collected.evidence, collected.copies, priors)
    settings: dict[str, Any] = {"method": method, "draws": draws, "chains": chains, "seed": seed}
    advice: tuple[str, ...] = ()
    sample = None
    if method == "mcmc":
        from metasense.pooling import mcmc

        integrated = posterior.average
        posterior, diagnostics, sample = mcmc.sample(
            collected.evidence, collected.copies, priors, draws=draws, chains=chains, seed=seed, progress=progress
        )
        pair = words.distinct(posterior.average.median, integrated.median)
        beside = f"The median of the average d-prime is {pair[0]}; by integration of the same model it is {pair[1]}."
        advice, settings["chains_said"] = diagnostics.advice, f"{diagnostics.sentence()} {beside}"
    pooled = Pooled(
        panels, margin, priors, posterior, evidences, collected, settings, advice, tastings, sample, card=card
    )
    if moderators is not None or through_zero is not None:
        return moderate(pooled, _names(moderators), _names(through_zero), within, progress=progress)
    return pooled if within is None else nest(pooled, within)


def _names(columns: str | Sequence[str] | None) -> list[str]:
    if isinstance(columns, str) or columns is None:
        return [] if columns is None else [columns]
    if not isinstance(columns, Sequence):
        raise ValueError(f"moderators and through_zero are names of columns; got {columns!r}.")
    return list(columns)


@dataclass(frozen=True, eq=False, repr=False)
class Pooled(Statement):
    """What a set of panels says together. Made by `pool`.

    Attributes
    ----------
    panels : Panels
    margin : Margin or None
    priors : Priors
    posterior : Posterior
        The weighted nodes everything is computed from.
    evidences : Evidences
        Log evidences of the explanations.
    settings : dict
        Method, seed and size of the draws; for PyMC, what its chains said.
    tastings : Tastings or None
        The single answers, where they were given.
    sample : Dataset or None
        The sampler's draws of centre, spread and overdispersion, with dims chain, draw.
    stored : Dataset or None
        The draws that came with the file, for a pool that was loaded.
    card : Card or None
        The question card, where one was given.

    Examples
    --------
    >>> pooled = pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> pooled.explanations().to_frame()["probability"].round(2).tolist()
    [0.27, 0.36, 0.37]
    """

    panels: Panels
    margin: Margin | None
    priors: Priors
    posterior: Posterior = field(repr=False)
    evidences: grid.Evidences
    collected: Collected
    settings: dict[str, Any]
    advice: tuple[str, ...] = ()
    tastings: Tastings | None = None
    sample: xr.Dataset | None = None
    stored: xr.Dataset | None = None
    card: Card | None = None

    _inside = frozenset({"advice", "collected", "common", "corners", "plane", "posterior", "save_with", "stored"})

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def average(self) -> Distribution:
        """Posterior of the average d-prime of panels like these."""
        return self.posterior.average

    @property
    def spread(self) -> Distribution:
        """Posterior of the standard deviation between panels, in d-prime units."""
        return self.posterior.spread

    @property
    def next_d_prime(self) -> Distribution:
        """Posterior of the next panel's d-prime."""
        return self.posterior.next_d_prime

    @property
    def directed(self) -> bool:
        """Whether some panel named an attribute, so that differences have a direction."""
        return self.posterior.directed

    @property
    def expected_way(self) -> float | None:
        """Probability that panels like these lean, on average, the expected way; None where no protocol has one."""
        return self.posterior.expect(lambda mu, tau: (mu > 0) + 0.0 * tau) if self.directed else None

    @property
    def protocols(self) -> tuple[Protocol, ...]:
        """Forced-choice protocols of the panels, then of the margin, each once."""
        names = [*self.panels.frame["protocol"].unique()]
        if self.margin is not None and self.margin.stated_protocol:
            names.append(self.margin.stated_protocol)
        tests = [protocol(name) for name in dict.fromkeys(names)]
        return tuple(t for t in tests if isinstance(t, Protocol)) or (forced_choice("triangle"),)

    def to_frame(self, prob: float = 0.95, protocols: str | Sequence[str] | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals.
        protocols : str or sequence of str, optional
            Which protocols' rates to give; those of the panels and of the margin by default.

        Returns
        -------
        DataFrame
            Rows ``average d-prime``, ``next panel d-prime``, ``spread``, then ``p_c (...)``, ``p_d (...)`` and the next
            panel's of each protocol; columns ``quantity, mean, median, lower, upper, prob, kind``.
        """
        main = {"average d-prime": self.average, "next panel d-prime": self.next_d_prime, "spread": self.spread}
        frames = [pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])]
        protocols = [protocols] if isinstance(protocols, str) else protocols
        chosen = self.protocols if protocols is None else [forced_choice(name) for name in protocols]
        return pd.concat([*frames, *(self.rate(test).to_frame(prob) for test in chosen)], ignore_index=True)

    def panels_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Each panel alone beside the same panel given all the others.

        Returns
        -------
        DataFrame
            One row a panel in the order of the table: ``panel, protocol, tastings, correct``, the exact one-sided
            ``p_value``, its d-prime ``alone`` (maximum likelihood, ``alone_lower``, ``alone_upper`` exact) and
            ``pooled`` (posterior median, ``pooled_lower``, ``pooled_upper`` equal-tailed credible), ``prob`` and kinds.
        """
        alone = panels_alone(self.panels, prob=prob)
        own = [(d.median, *d.interval(prob)) for d in self._own]
        pooled = pd.DataFrame(own, columns=["pooled", "pooled_lower", "pooled_upper"]).iloc[self.collected.index]
        columns = ["panel", "protocol", "tastings", "correct", "p_value"]
        named = {"d_prime": "alone", "d_prime_lower": "alone_lower", "d_prime_upper": "alone_upper"}
        frame = alone[[*columns, *named]].rename(columns=named).reset_index(drop=True)
        frame = frame.astype({"tastings": "Int64", "correct": "Int64"})  # missing where a panel has two counts
        kinds = {"alone_kind": "exact", "pooled_kind": "equal-tailed", "prob": prob}
        return pd.concat([frame, pooled.reset_index(drop=True)], axis=1).assign(**kinds)

    def panel(self, name: str) -> Distribution:
        """One panel's own d-prime given all the panels."""
        self.panels[name]  # an unknown name is an error that lists the known ones
        row = int(np.flatnonzero(self.panels.frame["panel"] == name)[0])
        return self._own[self.collected.index[row]]

    @cached_property
    def _own(self) -> list[Distribution]:
        return self.posterior.panels()

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one."""
        test = forced_choice(test)
        return Rate(test, self.posterior.average_rate(test), self.posterior.next_rate(test))

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
        return Verdict.of(self.average, self.margin)

    def explanations(self, prior: tuple[float, float, float] = EVEN) -> Explanations:
        """Nothing to taste, one d-prime in all panels, or panels that differ: evidences and probabilities."""
        return Explanations(self.evidences, prior, self)

    # --- how far the answer holds -----------------------------------------------------------------------------------

    @cached_property
    def plane(self) -> Plane:
        """Every panel's likelihood on common nodes, from which the answers under other choices are summed."""
        return Plane(self.collected.evidence, self.posterior)

    @cached_property
    def common(self) -> Common:
        """The posterior of one d-prime shared by all panels."""
        return Common(self.collected.evidence, self.collected.copies, self.priors)

    @cached_property
    def corners(self) -> pd.DataFrame:
        """The answer with both prior scales halved or doubled: the pool, then four rows as in ``sensitivity()``."""
        return prior_cases(self)

    def disagreement(self, *, alpha: float = 0.05) -> Disagreement:
        """How often one constant d-prime would give verdicts at least this mixed and counts at least this far apart."""
        return Disagreement.of(self, alpha=alpha, seed=self.settings["seed"])

    def sensitivity(self, *, by: str | Sequence[str] | None = None, prob: float = 0.95) -> Sensitivity:
        """The answer under other priors, without each panel, with careful panels only, without each group of `by`."""
        return Sensitivity.of(self, by=by, prob=prob)

    def path(self, *, prob: float = 0.95) -> Path:
        """The answer after each panel, in date order; it ends at this pool."""
        return Path.of(self, prob=prob)

    def drawer(self, *, prob: float = 0.95) -> Drawer:
        """What panels that were never listed could do to the answer, and what the listed unreported ones do."""
        return Drawer.of(self, prob=prob)

    def fit(self) -> Fit:
        """Whether the model fits: each panel against the others, how far apart the counts are, and a mixture."""
        return self._fit

    @cached_property
    def _fit(self) -> Fit:
        return Fit.of(self, seed=self.settings["seed"])

    # --- people -----------------------------------------------------------------------------------------------------

    def tasters(self, *, threshold: float = repeats.THRESHOLD) -> repeats.Tasters:
        """What single tasters who tasted repeatedly can do, and how unlike one another they are."""
        return repeats.tasters(self, threshold=threshold)

    def preference(self, *, pairs: Any = None, placebo: Sequence[int] | None = None) -> preferences.Preference:
        """Which product people prefer, with lucky guesses taken out, and among everyone; see `ms.preference`."""
        return preferences.preference(self, pairs=pairs, placebo=placebo)

    # --- draws ------------------------------------------------------------------------------------------------------

    @cached_property
    def draws(self) -> xr.Dataset:
        """Posterior draws: ``average``, ``spread`` and each panel's ``d_prime``, with dims chain, draw, panel."""
        import xarray as xr

        if self.stored is not None:
            return self.stored
        chains, wanted = self.settings["chains"], self.settings["draws"]
        per_chain = max(min(wanted, MOST_DRAWS // (chains * len(self.panels))), 25)
        rng = np.random.default_rng(self.settings["seed"])
        if self.sample is None:
            mu, tau, patch = draw_nodes(self.posterior, chains * per_chain, rng)
        else:
            mu, tau, gamma = _drawn(self.sample.isel(draw=np.linspace(0, wanted - 1, per_chain).astype(int)))
            patch = np.searchsorted([part.series.gamma for part in self.posterior.patches], gamma)
        own = draw_panels(self.posterior, mu, tau, patch, self.collected.index, rng)
        shape = (chains, per_chain)
        names = self.panels.frame["panel"].to_numpy(str)
        values = {
            "average": (("chain", "draw"), grid.average_d_prime(mu, tau).reshape(shape)),
            "spread": (("chain", "draw"), tau.reshape(shape)),
            "centre": (("chain", "draw"), mu.reshape(shape)),
            "d_prime": (("chain", "draw", "panel"), own.reshape(*shape, len(names))),
        }
        coords = {"chain": np.arange(chains), "draw": np.arange(per_chain), "panel": names}
        return xr.Dataset(values, coords, {"seed": self.settings["seed"], "metasense": version("metasense")})

    def to_arviz(self) -> Any:
        """The draws as the object the installed ArviZ works with (InferenceData, or a DataTree from ArviZ 1 on)."""
        from metasense.pooling import mcmc

        return mcmc.to_arviz(self.draws)

    def save(self, path: str | os.PathLike[str]) -> pathlib.Path:
        """Write data, margin, priors, settings, seed, versions, numbers and draws as one netCDF file; returns the path.

        `load` reads it back. A file that is there is replaced only once the new one is whole.
        """
        ready(path, POOL)
        return self.save_with(path, self.verdict(), self.to_frame())

    def save_with(
        self, path: str | os.PathLike[str], verdict: Verdict, answer: pd.DataFrame, **structure: Any
    ) -> pathlib.Path:
        """As `save`, for a result that puts moderators or a level into this pool; see their own ``save``."""
        said = {name: None if value != value else value for name, value in verdict.to_frame().iloc[0].to_dict().items()}
        record = {
            "margin": "" if self.margin is None else self.margin.text,
            "priors": vars(self.priors),
            "settings": self.settings,
            "structure": structure,
            "evidences": vars(self.evidences),
            "verdict": said,
            "advice": self.advice,
            "card": None if self.card is None else {"text": self.card.to_text(), "edited": self.card.edited},
            "versions": archive.versions(*(["pymc"] if self.sample is not None else [])),
        }
        return archive.Archive(self.panels, self.tastings, record, answer, self.draws, self.sample).write(path)

    # --- words and figures ------------------------------------------------------------------------------------------

    @cached_property
    def notes(self) -> tuple[str, ...]:
        """What a careful reader should know about these panels, in plain words."""
        return (*self.departures, *writing.notes(self))

    @property
    def departures(self) -> tuple[str, ...]:
        """Where this pool is not what its question card says; empty without a card."""
        if self.card is None:
            return ()
        return self.card.departures(self.panels, margin=self.margin, priors=self.priors)

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """Those of the notes that question the answer itself."""
        return writing.warnings(self)

    def _line(self) -> str:
        return writing.headline(self)

    def _paragraph(self) -> list[str]:
        return writing.paragraph(self)

    def _methods(self) -> tuple[str, ...]:
        return writing.methods(self)

    def plot(self, *, order: str = "table", prob: float = 0.95, ax: Any = None) -> Axes:
        """Every panel alone and pooled, the average, the next panel and the margin. Returns the Axes."""
        return figures.forest(**self._forest(prob), order=order, ax=ax)

    def _forest(self, prob: float) -> dict[str, Any]:
        average, following = self.average, self.next_d_prime
        lower, upper = average.interval(prob)
        next_lower, next_upper = following.interval(prob)
        return {
            "panels": self.panels_frame(prob),
            "average": (lower, average.median, upper),
            "next_panel": (next_lower, following.median, next_upper),
            "margin": None if self.margin is None else self.margin.d_prime,
            "prob": prob,
            "signed": self.directed,
        }

    def report(self, path: str | os.PathLike[str]) -> Any:
        """Write the answer as one self-contained HTML page; returns the path."""
        ready(path, PAGE)
        return writing.report(self, path)

    def _shown(self) -> list[str | tables.Shown]:
        return writing.cell(self)


# --- saved pools ------------------------------------------------------------------------------------------------------


def load(path: str | os.PathLike[str]) -> Pooled | Moderated | Nested:
    """A pool that was saved with ``pooled.save(path)``; it answers as the saved one did, and keeps its draws.

    PyMC is not needed, not even for a pool that it sampled. Moderators and levels are put in again, which takes as long
    as it did at first; several moderators at once are sampled again, with the same seed.

    Raises
    ------
    ArchiveError
        A ValueError: the file is no saved pool, is damaged, or comes from a later metasense that writes another format.

    Examples
    --------
    >>> import tempfile
    >>> pooled = pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> again = load(pooled.save(f"{tempfile.mkdtemp()}/pool.nc"))
    >>> again.headline() == pooled.headline(), again.draws.equals(pooled.draws)
    (True, True)
    """
    return restored(archive.read(path))


def restored(saved: archive.Archive) -> Pooled | Moderated | Nested:
    """The pool that a file held.

    Raises
    ------
    ArchiveError
        If what the file holds, each part of it possible, does not make up a pool.
    """
    structure = saved.record["structure"]
    try:
        plain = _restored(saved)
        if "moderators" in structure:
            return moderate(plain, **structure)
        return nest(plain, **structure) if structure else plain
    except Exception as error:  # a stranger may have put parts together in any way
        raise archive.ArchiveError(f"{saved.source} does not hold one pool: {error}. Pool the panels again.") from error


def plain_pool(result: Pooled | Moderated | Nested) -> Pooled:
    """The pool without moderators or levels that a result rests on; a plain pool itself."""
    return result if isinstance(result, Pooled) else result.plain


def _restored(saved: archive.Archive) -> Pooled:
    record, sample = saved.record, saved.sample
    margin, priors = Margin.parse(record["margin"]) if record["margin"] else None, Priors(**record["priors"])
    collected = collect(saved.panels.frame, saved.tastings)
    if sample is None:
        posterior = grid.integrate(collected.evidence, collected.copies, priors)[0]
    else:
        mu, tau, gamma = _drawn(sample)
        patches = [
            Patch(
                Series.build(collected.evidence, collected.copies, float(g)),
                float(here.mean()),
                mu[here],
                tau[here],
                np.full(here.sum(), 1 / here.sum()),
            )
            for g in np.unique(gamma)
            for here in [gamma == g]
        ]
        posterior = Posterior(tuple(patches), "mcmc")
    kept, card = record["card"], None
    if kept is not None:
        card = Card.from_text(kept["text"])
        card = replace(card, edited=card.edited or kept["edited"])
    return Pooled(
        saved.panels,
        margin,
        priors,
        posterior,
        grid.Evidences(**record["evidences"]),
        collected,
        dict(record["settings"]),
        tuple(record["advice"]),
        saved.tastings,
        sample,
        saved.draws,
        card=card,
    )


def _drawn(sample: xr.Dataset) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centre, spread and overdispersion of each draw, one chain after the other."""
    mu, tau = sample["mu"].to_numpy().ravel(), sample["tau"].to_numpy().ravel()
    return mu, tau, sample["gamma"].to_numpy().ravel() if "gamma" in sample else np.zeros_like(mu)
