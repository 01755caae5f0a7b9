"""The page of a pool: the answer first, then what it rests on, what would change it, and how to repeat it."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import Any

import pandas as pd

from metasense.core.answers import margin_words
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.posterior import Posterior
from metasense.questions import leak
from metasense.questions.averaged import Averaged
from metasense.questions.disagreement import Disagreement
from metasense.questions.drawer import Drawer
from metasense.questions.explanations import Explanations, explain
from metasense.questions.fit import fit_of
from metasense.questions.path import Path
from metasense.questions.sensitivity import Sensitivity, sensitivity_of
from metasense.results import notes, sentences, strips
from metasense.showing import figures, pages, tables, words
from metasense.showing.plain import MENTIONED

MANY_STEPS = 60  # panels up to which the answer after each is drawn
DRAWN = 200  # panels in the figure of a cell
PROB, HALF = 0.95, 0.5


def answer_table(core: Core, *, every: bool = False) -> tables.Table:
    """The answer in words: the three d-primes, then the rates of the main protocol (or of every protocol)."""
    frame = core.to_frame(protocols=None if every else [core.main_protocol.name])
    percents = dict.fromkeys(frame["quantity"][3:], "percent")
    return tables.table(frame.drop(columns="mean"), caption="What is now known", kinds=percents)


def panels_table(core: Core, most: int | None = 40) -> tables.Table:
    """Each panel alone beside pooled."""
    frame = core.panels_frame()
    frame.insert(2, "answers", core.panels.overview()["correct"])
    return tables.table(
        frame.drop(columns=["tastings", "correct"]),
        caption="Each panel by itself and given all panels, as d-prime",
        kinds={"answers": "text"},
        labels={"answers": "correct", "p_value": "p alone", "alone": "alone", "pooled": "pooled"},
        most=most,
    )


def forest(core: Core, prob: float = PROB, order: str = "estimate") -> figures.Drawing:
    """Every panel alone and pooled, the average, the next panel and the margin."""
    inner = pd.DataFrame(
        [d.interval(HALF) for d in core.panel_d_primes], columns=["pooled_lower_half", "pooled_upper_half"]
    )
    halves = inner.iloc[core.collected.index].reset_index(drop=True)
    shown: dict[str, Any] = {
        "panels": pd.concat([core.panels_frame(prob), halves], axis=1),
        "average": strips.ranged(core.average, prob),
        "next_panel": strips.ranged(core.next_d_prime, prob),
        "answers": strips.answers(core),
        "margin": None if core.margin is None else core.margin.d_prime,
        "prob": prob,
        "signed": core.directed,
    }
    return figures.Drawing(lambda empty: figures.forest(**shown, order=order, ax=empty), figures.alt_forest(**shown))


def forest_for_cell(core: Core) -> str | tables.Shown:
    """The same, unless panels are so many that a cell could not hold it."""
    if len(core.panels) > DRAWN:
        return f"The figure of {words.count(len(core.panels), 'panel')} is long: plot() draws it."
    return forest(core)


def page(core: Core) -> pages.Page:
    """Everything that stands on the page of a plain pool."""
    verdict = core.verdict()
    card = core.card
    return pages.Page(
        title="What the panels say together" if card is None else card.question,
        answer=sentences.headline(core),
        movable=strips.movable(core, {"": core.posterior}),
        marks=core.panels.marks,
        paragraphs=(
            *_opening(core),
            sentences.size(core),
            sentences.variation(core),
            verdict.sentence(),
            explain(core).sentence(),
            *sentences.averaged(core),
        ),
        notes=(*core.departures, *notes.on_the_answer(core)),
        sentences={}
        if core.margin is None
        else words.verdict_sentences(margin_words(core.margin), core.margin.settled),
        verdict=verdict.label,
        figure=pages.drawn(forest(core)),
        tables=(panels_table(core, most=None),),
        sections=(pages.Section("The answer in numbers", (answer_table(core, every=True),)), *_choices(core)),
        methods=sentences.plain_methods(core),
        changes=changes(core),
        checks=checks(core),
        provenance=provenance(core),
    )


def _choices(core: Core) -> tuple[pages.Section, ...]:
    """What else was believed or could have been chosen."""
    return (beside_the_prior(core), *if_nothing(core), other_choices(core))


def if_nothing(core: Core) -> tuple[pages.Section, ...]:
    """How the answer moves with what was believed of nothing to taste, where there may well be nothing."""
    found = Averaged(core, core.priors.odds)
    if found.nothing < MENTIONED:
        return ()
    return (pages.Section("If there may be nothing to taste", (_drawn(found),)),)


def _opening(core: Core) -> tuple[str, ...]:
    """What was decided beforehand, if anything was, and what was pooled."""
    if core.card is None:
        return (sentences.pooled_what(core),)
    return f"Decided on {core.card.date}, before the answer: {core.card.decision}", sentences.pooled_what(core)


def beside_the_prior(core: Core) -> pages.Section:
    """What was believed before the panels and what is now, in one figure."""
    explanations = explain(core)
    return pages.Section("Before and after the panels", (explanations.on_the_prior(), _drawn(explanations)))


def other_choices(core: Core) -> pages.Section:
    """The answer under other priors and without single panels, experimenters or batch pairs."""
    found = sensitivity_of(core)
    drawn = [_drawn(found)] if len(found.cases) <= DRAWN else []
    path = Path.of(core)
    if path.steps["date"].notna().all() and 1 < len(path.steps) <= MANY_STEPS:
        drawn.append(_drawn(path, caption="After each panel, in date order"))
    return pages.Section("The answer under other choices", (*drawn, found._table()))


def _drawn(found: Averaged | Explanations | Sensitivity | Path, caption: str = "") -> pages.Picture:
    from matplotlib.figure import Figure

    return pages.picture(found.plot(ax=Figure()), alt=found._alt("", {}), caption=caption)


def changes(core: Core) -> tuple[str, ...]:
    """What would change the answer: other priors and panels, panels in the drawer, tasters who knew, one difference."""
    hidden = Drawer.of(core)
    apart: tuple[str, ...] = ()
    if len(core.panels) > 1 and notes.quick(core):
        apart = (Disagreement.of(core, seed=core.settings["seed"]).sentence(),)
    knew = leak.turn(core) if any(map(outcomes.counted, core.collected.rows)) else ""
    *first, last = sensitivity_of(core).sentences()  # that of the prior scales is always there
    return (*first, f"{last} {knew}".rstrip(), *apart, hidden.sentence(), *hidden.caveats())


def checks(core: Core) -> tuple[str, ...]:
    """What the answer rests on, and whether the model fits."""
    fit = (fit_of(core).sentence(), fit_of(core).caveat()) if notes.quick(core) else ()
    return (sentences.basis(core), explain(core).on_the_scales(), *fit)


def provenance(core: Core) -> dict[str, object]:
    """Data, seed and versions, so that another person can repeat it."""
    names = ("metasense", "numpy", "scipy", "pandas", *(("pymc",) if core.settings["method"] == "mcmc" else ()))
    return {
        "data": core.panels.source,
        **({"read": " ".join(notes.on_the_table(core))} if notes.on_the_table(core) else {}),
        "fingerprint of the data (SHA-256)": core.panels.fingerprint,
        "margin": "none given" if core.margin is None else core.margin.text,
        **({} if core.card is None else {"question card": core.card.summary()}),
        "priors": str(core.priors.describe(core.directed)),
        "method": core.settings["method"],
        "seed": core.settings["seed"],
        "versions": ", ".join([f"Python {platform.python_version()}", *(f"{n} {version(n)}" for n in names)]),
    }


def beside_plain(
    core: Core,
    *,
    title: str,
    headline: str,
    parts: Sequence[Any],
    own_notes: tuple[str, ...],
    own_methods: Sequence[str],
    figure: figures.Drawing,
    rows: Mapping[str, Posterior],
    verdict: str = "",
) -> pages.Page:
    """The page of a pool with moderators or a level: its own answer first, then the plain pool's as one part.

    Without a `verdict` the sentences that were written before the data are left out.
    """
    whole = page(core)
    opening = _opening(core)
    left = [note for note in notes.on_the_answer(core) if note not in own_notes]
    without = pages.Section(
        "The same panels pooled plainly",
        (
            whole.answer,
            *whole.paragraphs[len(opening) :],
            *(f"Note: {note}" for note in left),
            *filter(None, [whole.figure]),
            *whole.tables,
            *whole.changes,
            *whole.checks,
        ),
    )
    rest = (replace(section, title=f"Pooled plainly: {section.title}") for section in whole.sections)
    return replace(
        whole,
        answer=headline,
        movable=strips.movable(core, rows),
        paragraphs=opening,
        notes=own_notes,
        sentences=whole.sentences if verdict else {},
        verdict=verdict,
        figure=pages.drawn(figure),
        tables=(),
        sections=(pages.Section(title, tuple(parts)), without, *rest),
        changes=(),
        checks=(),
        methods=(*own_methods, "The plain pool beside it has one centre for all panels, and the same priors."),
    )
