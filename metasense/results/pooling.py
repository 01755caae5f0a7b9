"""From a table to what is known: `pool` takes checked panels and gives a pool, `load` gives one back from its file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal, overload

import numpy as np

from metasense.card import Card
from metasense.core.core import Core, build
from metasense.core.diagnostics import Diagnostics
from metasense.core.evidence import gathered
from metasense.core.visits import with_visits
from metasense.engine.priors import Priors
from metasense.engine.priors import stated as stated_priors
from metasense.margins import Margin, margin_of
from metasense.process import one_thread
from metasense.results import archive, saving, vetting
from metasense.results.moderated import Moderated, moderate
from metasense.results.nested import Nested, nest
from metasense.results.pooled import Pooled
from metasense.showing import words
from metasense.showing.called import called_of
from metasense.showing.results import Result
from metasense.tables.panels import Panels
from metasense.tables.sheets import PanelsError

if TYPE_CHECKING:
    import os

Method = Literal["grid", "mcmc"]


@overload
def pool(
    panels: Any,
    *,
    tastings: Any = ...,
    margin: Margin | str | None = ...,
    settled: float | None = ...,
    card: Card | str | os.PathLike[str] | None = ...,
    priors: Priors | None = ...,
    moderators: None = ...,
    through_zero: None = ...,
    within: None = ...,
    interaction: None = ...,
    names: Mapping[str, str] | None = ...,
    units: Mapping[str, str] | None = ...,
    regulars: bool = ...,
    rho: float = ...,
    method: Method = ...,
    draws: int = ...,
    chains: int = ...,
    seed: int = ...,
    progress: bool = ...,
) -> Pooled: ...
@overload
def pool(
    panels: Any,
    *,
    tastings: Any = ...,
    margin: Margin | str | None = ...,
    settled: float | None = ...,
    card: Card | str | os.PathLike[str] | None = ...,
    priors: Priors | None = ...,
    moderators: str | Sequence[str],
    through_zero: str | Sequence[str] | None = ...,
    within: str | None = ...,
    interaction: Sequence[str] | None = ...,
    names: Mapping[str, str] | None = ...,
    units: Mapping[str, str] | None = ...,
    regulars: bool = ...,
    rho: float = ...,
    method: Method = ...,
    draws: int = ...,
    chains: int = ...,
    seed: int = ...,
    progress: bool = ...,
) -> Moderated: ...
@overload
def pool(
    panels: Any,
    *,
    tastings: Any = ...,
    margin: Margin | str | None = ...,
    settled: float | None = ...,
    card: Card | str | os.PathLike[str] | None = ...,
    priors: Priors | None = ...,
    moderators: None = ...,
    through_zero: None = ...,
    within: str,
    interaction: None = ...,
    names: Mapping[str, str] | None = ...,
    units: Mapping[str, str] | None = ...,
    regulars: bool = ...,
    rho: float = ...,
    method: Method = ...,
    draws: int = ...,
    chains: int = ...,
    seed: int = ...,
    progress: bool = ...,
) -> Nested: ...
def pool(
    panels: Any,
    *,
    tastings: Any = None,
    margin: Margin | str | None = None,
    settled: float | None = None,
    card: Card | str | os.PathLike[str] | None = None,
    priors: Priors | None = None,
    moderators: str | Sequence[str] | None = None,
    through_zero: str | Sequence[str] | None = None,
    within: str | None = None,
    interaction: Sequence[str] | None = None,
    names: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    regulars: bool = True,
    rho: float = 1.0,
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
    panels : Panels, Tastings, anything `read_panels` takes, or a list of such
        At least one panel. In a list, files may be tables of panels or of tastings.
    tastings : Tastings, anything `read_tastings` takes, or a list of such, optional
        The single answers of some of the panels, or of panels of their own, such as several evenings. Where totals are
        given too, they must agree; repeat tasters enter one by one. No panel may be in two tables of one kind.
    margin : Margin or str, optional
        The smallest difference that matters; the card's by default. Without one there is no verdict.
    settled : float, optional
        Posterior probability that one side of the margin must exceed for a verdict, to be chosen before the panels; the
        margin's by default, which is 0.95 unless it says otherwise.
    card : Card or path, optional
        The question card written before the panels; where the pool departs from it is said in the notes.
    priors : Priors, optional
        Prior scales; the card's by default, else ``Priors()``.
    moderators : str or sequence of str, optional
        Columns the difference may depend on, of numbers or of words; ``"visit"``, where no column is called that, is
        how many panels a panel's people had sat in before, on average, as their codes in tastings tell.
    through_zero : str, optional
        Name of the moderator, a dose, at whose zero the panels' centre is 0.
    within : str, optional
        Column of a level in between, such as ``"batch_pair"``: panels of one value have something in common.
    interaction : (str, str), optional
        Two of the moderators: what the one does may depend on the other.
    names, units : mapping of str to str, optional
        What sentences, tables and figures call a column, and the unit of its numbers, as in
        ``names={"weeks_bottled": "time in the bottle"}, units={"weeks_bottled": "weeks"}``. Without them its heading is
        made readable. Frames keep the heading.
    regulars : bool
        Whether people who sat in several panels, which tastings tell, are followed from panel to panel: they keep
        their standing among tasters. Otherwise, and with moderators, a level or ``method="mcmc"``, everybody is taken
        as new in every panel.
    rho : float
        How far they keep it, from 0 (not at all) to 1.
    method : {"grid", "mcmc"}
        Integration (exact, milliseconds), or sampling of the same model in PyMC as a cross-check, with what integration
        gives beside it. `within` alone is only integrated.
    draws, chains : int
        Size of the exported draws, and of the sample with ``method="mcmc"``.
    seed : int
        Of everything random: draws and, with ``"mcmc"``, the sampler.
    progress : bool
        Whether the sampler, or the integration of several moderators, shows its progress.

    Returns
    -------
    Pooled; with `moderators` a Moderated, with `within` alone a Nested
        Each of which holds the plain pool too.

    Raises
    ------
    PanelsError
        If a table has problems, or cannot support the question; all of them are listed.
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
    _check_numbers(rho, draws, chains, seed)
    if method == "mcmc" and within is not None and moderators is None and through_zero is None:
        raise ValueError(
            f"panels within {within} are worked out by integration, not by sampling: leave out method='mcmc'."
        )
    margin = margin_of(margin)
    card = card if card is None or isinstance(card, Card) else Card.load(card)
    margin = card.margin if margin is None and card is not None else margin
    if settled is not None:
        margin = _settled(margin, settled)
    panels, tastings = gathered(panels, tastings)
    panels = with_visits(panels, tastings, [*names_of(moderators), *names_of(through_zero)])
    called = called_of(names, units, panels.frame)
    priors = priors_of(priors if priors is not None or card is None else card.priors)
    _not_twice(panels, priors)
    if priors.earlier and (moderators is not None or through_zero is not None):
        raise ValueError(
            "priors of an earlier pool are of its average, and with moderators there is none: leave out priors=, or "
            "moderators=."
        )
    settings: dict[str, Any] = {"method": method, "draws": int(draws), "chains": int(chains), "seed": int(seed)}
    if tastings is not None:
        followed = regulars and method == "grid" and (moderators, through_zero, within) == (None, None, None)
        settings["rho"] = float(rho) if followed else 0.0
    if interaction is not None and moderators is None and through_zero is None:
        raise ValueError("interaction names two of the moderators; name them in moderators= as well.")
    with one_thread:
        core = build(panels, tastings, margin=margin, priors=priors, settings=settings, card=card, called=called)
        if method == "mcmc":
            core = _sampled(core, progress)
        if moderators is not None or through_zero is not None:
            return moderate(core, names_of(moderators), names_of(through_zero), within, interaction, progress=progress)
        return Pooled(core) if within is None else nest(core, within)


def priors_of(priors: object) -> Priors:
    """`priors`, the defaults for None; of a pool or a shelf it is said how priors are made."""
    if isinstance(priors, Result):
        raise ValueError(
            f"priors are prior scales, and this is a {type(priors).__name__}. Take Priors.from_pool(pool) of an "
            "earlier pool, Priors.learned(shelf) of a shelf."
        )
    return stated_priors(priors)


def _check_numbers(rho: float, draws: int, chains: int, seed: int) -> None:
    if not isinstance(rho, (int, float, np.number)) or isinstance(rho, bool) or not 0 <= rho <= 1:
        raise ValueError(
            "rho says how far people keep their standing from panel to panel, from 0 (not at all) to 1 (fully); got "
            f"{rho!r}."
        )
    for name, value, least in (("draws", draws, 1), ("chains", chains, 1), ("seed", seed, 0)):
        if not isinstance(value, (int, np.integer)) or isinstance(value, bool) or value < least:
            raise ValueError(f"{name} is a whole number, {least} or more; got {value!r}.")
    if seed > vetting.MOST_SEED:
        raise ValueError(
            "the seed has too many digits, and a pool with it could not be loaded again. Name a smaller one."
        )


def _not_twice(panels: Panels, priors: Priors) -> None:
    """Refuse panels that an earlier pool already made the prior of."""
    known = set(getattr(priors, "panels", ()))
    again = [name for name, mark in zip(panels.frame["panel"], panels.marks, strict=True) if mark in known]
    if again:
        raise PanelsError(
            "Counted already in the earlier pool that is the prior: "
            f"{words.listing(map(words.one_line, again), most=6)}. They would count twice: leave them out here, or "
            "leave out the prior. A panel that only looks the same needs another name."
        )


def _settled(margin: Margin | None, probability: float) -> Margin:
    if margin is None:
        raise ValueError(
            f'settled belongs to a margin: name one, such as margin="0.2 triangle"; got {probability!r} alone.'
        )
    return margin.settled_at(probability)


def _sampled(core: Core, progress: bool) -> Core:
    """The same with what PyMC draws in place of what was integrated, which is set beside it in words."""
    from metasense.engine import sampler

    asked = {name: core.settings[name] for name in ("draws", "chains", "seed")}
    posterior, chains, sample = sampler.sample(
        core.collected.evidence, core.collected.copies, core.priors, **asked, progress=progress
    )
    diagnostics = Diagnostics.of(chains)
    pair = words.distinct(posterior.average.median, core.average.median)
    beside = f"The median of the average d-prime is {pair[0]}; by integration of the same model it is {pair[1]}."
    settings = core.settings | {"chains_said": f"{diagnostics.sentence()} {beside}"}
    found = replace(core, posterior=posterior, settings=settings, advice=diagnostics.advice, sample=sample)
    found.remember("statistics", lambda: chains.statistics)
    return found


def names_of(columns: str | Sequence[str] | None) -> list[str]:
    """Names of columns as a list, of which there may be one or none."""
    if isinstance(columns, str) or columns is None:
        return [] if columns is None else [columns]
    if not isinstance(columns, Sequence):
        raise ValueError(f"moderators and through_zero are names of columns; got {columns!r}.")
    return list(columns)


def load(path: str | os.PathLike[str]) -> Pooled | Moderated | Nested:
    """A pool that was saved with ``pooled.save(path)``; it answers as the saved one did, and keeps its draws.

    PyMC is not needed, not even for a pool that it sampled. Moderators and levels are put in again, which takes as long
    as it did at first; moderators that PyMC sampled are sampled again, with the same seed.

    Parameters
    ----------
    path : str or path
        What ``pooled.save`` wrote.

    Returns
    -------
    Pooled, Moderated or Nested
        As it was saved.

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
    structure = {part: said for part, said in saved.record["structure"].items() if part not in saving.CALLED}
    try:
        core = saving.restored(saved)
        if "moderators" in structure:
            return moderate(core, **structure)
        return nest(core, **structure) if structure else Pooled(core)
    except (MemoryError, ImportError):  # nothing that the file is to blame for
        raise
    except Exception as error:  # a stranger may have put parts together in any way
        raise archive.ArchiveError(f"{saved.source} does not hold one pool: {error}. Pool the panels again.") from error
