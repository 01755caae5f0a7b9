"""Between a pool and its file: what of it is kept, and the pool again from what was kept."""

from __future__ import annotations

import itertools
import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense import pseudonyms
from metasense.card import Card
from metasense.core.answers import Verdict
from metasense.core.core import Core, follow, integrated
from metasense.core.draws import draws_of, of_sample
from metasense.core.evidence import Collected, collect, crossing
from metasense.engine import grid
from metasense.engine.likelihood import Series
from metasense.engine.posterior import Patch, Posterior
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.results import archive
from metasense.showing import words
from metasense.showing.called import Called
from metasense.showing.files import POOL, Kind
from metasense.tables.panels import Panels, Tastings

if TYPE_CHECKING:
    import xarray as xr

CALLED = ("names", "units")  # what columns are called, beside moderators and level


def save(
    path: str | os.PathLike[str],
    core: Core,
    verdict: Verdict,
    answer: pd.DataFrame,
    structure: dict[str, Any],
    kind: Kind = POOL,
) -> Path:
    """Write a pool, its answer and verdict, and what was put into the plain pool; returns the path.

    ``kind`` says which saved pools may be replaced there. Tasters who look like people get codes in place of names.
    """
    panels, tastings = _without_names(core.panels, core.tastings)
    said = {name: None if value != value else value for name, value in verdict.to_frame().iloc[0].to_dict().items()}
    record = {
        "margin": "" if core.margin is None else core.margin.text,
        "priors": core.priors.stored(),
        "settings": core.settings,
        "structure": structure | core.called.stored(),
        "evidences": vars(core.evidences),
        "verdict": said,
        "advice": core.advice,
        "card": None if core.card is None else {"text": core.card.to_text(), "edited": core.card.edited},
        "versions": archive.versions(*(["pymc"] if core.sample is not None else [])),
    }
    return archive.Archive(panels, tastings, record, answer, draws_of(core), core.sample).write(path, kind)


def _without_names(panels: Panels, tastings: Tastings | None) -> tuple[Panels, Tastings | None]:
    """The tables with codes for tasters who look like people, in order of appearance, and a note in both."""
    if tastings is None:
        return panels, None
    tasters = tastings.frame["taster"].astype(str).unique().tolist()
    people = pseudonyms.personal(tasters)
    if not people:
        return panels, tastings
    free = (code for code in map("T{}".format, itertools.count(1)) if code not in tasters)
    codes = dict(zip(people, free, strict=False))
    are = "taster is" if len(people) == 1 else "tasters are"
    note = (
        f"{len(people)} {are} called by a code of this file ({words.listing(codes.values(), 2)}), as the table it came "
        "from may hold names, addresses or numbers."
    )
    frame = tastings.frame.assign(taster=tastings.frame["taster"].cat.rename_categories(codes))
    return (
        replace(panels, notes=(*panels.notes, note)),
        replace(tastings, frame=frame, notes=(*tastings.notes, note)),
    )


def restored(saved: archive.Archive) -> Core:
    """The core that was saved, with the draws of its file."""
    record = saved.record
    margin = Margin.parse(record["margin"]) if record["margin"] else None
    priors = Priors.of_stored(record["priors"])
    settings = dict(record["settings"])
    again = crossing(saved.panels.frame, saved.tastings) if settings.get("rho") else None
    collected = collect(saved.panels.frame, saved.tastings, () if again is None else again.rows.tolist())
    regulars = None
    if saved.sample is None:
        posterior, evidences = integrated(collected, priors)
    else:
        posterior = _of_draws(saved.sample, collected)
    if again is not None and saved.sample is None:
        regulars = follow(again, collected, priors, settings, posterior, evidences)
        posterior = regulars.found.posterior
    core = Core(
        saved.panels,
        margin,
        priors,
        posterior,
        grid.Evidences(**record["evidences"]),
        collected,
        settings,
        tuple(record["advice"]),
        saved.tastings,
        saved.sample,
        _card(record["card"]),
        Called(**{part: said for part, said in record["structure"].items() if part in CALLED}),
        regulars,
    )
    core.remember("draws", lambda: saved.draws)
    return core


def _of_draws(sample: xr.Dataset, collected: Collected) -> Posterior:
    mu, tau, gamma = of_sample(sample)
    patches = []
    for g in np.unique(gamma):
        here = gamma == g
        series = Series.build(collected.evidence, collected.copies, float(g))
        weight = np.full(here.sum(), 1 / here.sum())
        patches.append(Patch(series, float(here.mean()), mu[here], tau[here], weight))
    return Posterior(tuple(patches), "mcmc")


def _card(kept: dict[str, Any] | None) -> Card | None:
    if kept is None:
        return None
    card = Card.from_text(kept["text"])
    return replace(card, edited=card.edited or kept["edited"])
