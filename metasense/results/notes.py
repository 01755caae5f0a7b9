"""What a careful reader should know about a pool, in plain words: what questions the answer, and what limits it.

Each note is one sentence that names the panels; those that question the answer itself are warnings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from metasense.core.core import Core
from metasense.engine.likelihood import RepeatedTotal
from metasense.protocols import protocol
from metasense.questions import clubs, drawer, effects, habits, rules, sensitivity, some, too_good, trend
from metasense.questions.fit import fit_of
from metasense.questions.regulars import OTHERWISE, SamePeople
from metasense.results.sentences import sittings
from metasense.showing import words
from metasense.showing.glance import CAUTIONS
from metasense.tables.panels import REVERSED

MANY_REPEATED = 100  # tastings up to which a panel with repeats is
MANY = 1000  # panels, and tastings in a panel, up to which fit and seeming disagreement are looked at unasked
SAID_BETTER = (  # notes on reading, not on the answer
    "kept as possible moderators: ",
    "kept as a possible moderator: ",
    "more tastings than planned: ",
)
INFORMING = (  # notes that tell how an answer was found, and ask for no care
    "With each",
    "With the prior",
    "Other columns, seen but not tested",
    "Sampled with PyMC",
    "So many panels",
    "In this pool, taken as if",
    "With several protocols",
    "Columns are separated by",
    "Column read under another name",
    "Columns read under another name",
)
LISTED = 6  # panels named in a note before the rest are counted


def on_the_answer(core: Core) -> tuple[str, ...]:
    """What questions the answer, and what limits it."""
    return (*warnings(core), sensitivity.on_priors(core), *_limits(core))


def cautions(departures: Sequence[str], warned: Sequence[str], found: Callable[[], Sequence[str]]) -> tuple[str, ...]:
    """Notes by weight: what departs from the card, what questions the answer, then the rest in order.

    Notes that only tell how the answer was found are left out; the rest is asked for only where it is needed.
    """
    first = tuple(dict.fromkeys([*departures, *warned]))
    if len(first) >= CAUTIONS:
        return first
    rest = (note for note in found() if not note.startswith(INFORMING))
    return tuple(dict.fromkeys([*first, *rest]))


def on_the_data(core: Core) -> tuple[str, ...]:
    """What limits any answer from these panels, whatever is asked of them."""
    hidden = drawer.listed(_unreported(core), None)
    questioned = (*in_the_counts(core), *in_the_serving(core), *people(core, plain=False))
    return (*questioned, *_served(core), *_in_the_panels(core), *filter(None, [hidden]))


def on_the_table(core: Core) -> tuple[str, ...]:
    """How the table was read, as far as it is not said better elsewhere."""
    return tuple(note[0].upper() + note[1:] for note in core.panels.notes if not note.startswith(SAID_BETTER))


def warnings(core: Core) -> tuple[str, ...]:
    """What questions the answer itself."""
    return core.remember("warnings", lambda: _warnings(core))


def _warnings(core: Core) -> tuple[str, ...]:
    return (
        *core.advice,
        *in_the_counts(core),
        *habits.cautions(core),
        *too_good.cautions(core),
        *_naming(
            core,
            core.posterior.floored()[core.collected.index] > 0.01,
            "So far from the other panels that its distance is at the limit of what the computation resolves: {}. "
            "Check the counts; the answer without it says how much rests on it.",
        ),
        *(_of_the_fit(core) if quick(core) else ()),
        *sensitivity.prior_warnings(sensitivity.prior_cases(core)),
        *people(core),
    )


def _of_the_fit(core: Core) -> tuple[str, ...]:
    """Where the panels do not fit the model, and that perhaps only some have something to taste, said once."""
    fit, only_some = fit_of(core), some.caution(core)
    return (*(said for said in fit.warnings if not only_some or said != fit.mixed), *only_some)


def in_the_counts(core: Core) -> list[str]:
    """What the counts themselves put in question."""
    frame = core.panels.frame
    few, many = core.panels.tails()
    signed = frame["protocol"].map(lambda name: protocol(name).directed).to_numpy(bool)
    against, along = (_naming(core, signed & (tail < 0.05), "{}") for tail in (few, many))
    several = frame["tasters"].notna() & (frame["tasters"] < frame["signal"] + frame["noise"]).fillna(False)
    return [
        *_naming(
            core,
            ~signed & (few < REVERSED),
            "Far fewer correct answers than guessing gives in {}: a reversal or coding error? Check the key before "
            "relying on the pool.",
        ),
        *_naming(
            core,
            signed & (few < REVERSED),
            "Answers far against the expected direction in {}: a reversal or coding error, or a difference the other "
            "way round? Check the key before relying on the pool.",
        ),
        *(
            f"Panels lean opposite ways: {one} against the expected direction, {other} with it. The average d-prime is "
            "one of sizes, whatever their direction."
            for one in against
            for other in along
        ),
        *_naming(
            core,
            several,
            "Several tastings a person in {}: in A-not-A and same-different all answers are taken as independent, so "
            "the intervals are too narrow.",
        ),
    ]


def in_the_serving(core: Core) -> list[str]:
    """What habits of guessing, and panels too good to be true, put in question in other models than the plain pool."""
    return [*habits.cautions(core, plain=False), *too_good.cautions(core, plain=False)]


def people(core: Core, *, plain: bool = True) -> list[str]:
    """What it means that people came to several panels, where they are not followed from one to the next."""
    linked, said = sittings(core), clubs.warning(core, plain=plain)
    if linked is None or not (linked > 1).any() or core.regulars is not None:
        return said
    return [
        *said,
        f"{words.count(int((linked > 1).sum()), 'person')} of {linked.size} sat in more than one panel, so the "
        "interval may be too narrow. They are counted once, but their answers in different panels are computed as "
        "independent.",
    ]


def followed(core: Core) -> list[str]:
    """How people who came again were taken, and whether people known by number only may have come again."""
    asked = clubs.question(core)
    if core.regulars is not None:
        same = SamePeople(core)
        otherwise = f"In this pool, {OTHERWISE[0].lower()}{OTHERWISE[1:]}"
        return [f"The same people again: {same.sentence()}", otherwise, *asked]
    return asked


def _limits(core: Core) -> list[str]:
    found: list[str] = []
    if core.priors.learned_from:
        found.append(
            f"The priors were learned from {core.priors.learned_from}: right as far as this is a variable like those."
        )
    if core.priors.earlier:
        found.append(
            f"The priors come from {core.priors.earlier}: right as far as nothing else has changed since, and if none "
            "of its panels is among these."
        )
    if not quick(core):
        found.append(
            "So many panels, or tastings in a panel, take a while to check against one another, so the fit is checked "
            "when asked for: pooled.fit()."
        )
    if len(core.panels) == 1:
        found.append(
            "One panel: how much panels differ is not in the data, so the spread and the next panel rest on the prior."
        )
    found += followed(core)
    hidden = drawer.listed(_unreported(core), drawer.reported_only(core))
    return [*found, *_unasked(core), *_in_the_panels(core), *filter(None, [hidden])]


def _unasked(core: Core) -> list[str]:
    """What the table shows beside the answer: serving that mattered, a trend with the dates, rules that may differ."""
    return [*_served(core), *trend.note(core), *rules.note(core)]


def _served(core: Core) -> list[str]:
    """How serving mattered, where it is known and probably did."""
    return [] if core.tastings is None or not quick(core) else effects.likely(core.tastings)


def _unreported(core: Core) -> pd.Series:
    return core.panels.frame.loc[core.unreported, "panel"]


def _in_the_panels(core: Core) -> list[str]:
    """What the way the panels were served, and what was served, leaves open."""
    frame = core.panels.frame
    found: list[str] = []
    by_total = [isinstance(e, RepeatedTotal) and e.tasters > 1 for e in core.collected.rows]
    if (frame["correct"].eq(frame["tastings"]) & frame["tastings"].gt(0)).fillna(False).all():
        found.append(
            "Every answer in every panel was correct: the data give only a lower limit, and how far above it the "
            "difference lies rests on the prior."
        )
    for mask, text in (
        (
            frame["blind"].isna(),
            "Blinding not stated: {}. Only double-blind panels tell what people could taste.",
        ),
        (
            frame["blind"] != "double",
            "Not double-blind: {}. Such a panel tells whether people could tell, by whatever means, not whether they "
            "could taste.",
        ),
        (
            (frame["looks"] > 1) | (frame["tastings"] > frame["planned"]),
            "Looked at or extended before the end: {}. The p-value is then not what it says; the pooled answer suffers "
            "less.",
        ),
        (
            (frame["tasters"] < frame["tastings"]).fillna(False) & ~np.array(by_total, bool),
            "Repeat tasters: {}. People and tastings are counted apart, and tasters may differ among themselves.",
        ),
        (
            by_total,
            "Repeat tasters known by their total only: {}. People and tastings are counted apart, and the total is "
            "taken as spread evenly over people who may differ; their single answers, as tastings, would say more.",
        ),
        (frame["tasters"] == 1, "A single taster: {}. It tells what that person can do, and enters as one person."),
    ):
        found.extend(_naming(core, mask, text))
    if frame["batch_pair"].notna().all() and frame["batch_pair"].nunique() == 1:
        found.append(
            "All panels tasted one batch pair: they describe these two productions, and the recipe only as far as "
            "other batches are like them."
        )
    return found


def quick(core: Core) -> bool:
    """Whether all checks take so little time that they need not be asked for."""
    found = core.collected.evidence
    return len(core.panels) <= MANY and all(e.size <= (MANY_REPEATED if e.repeated else MANY) for e in found)


def _naming(core: Core, mask: Any, text: str) -> list[str]:
    """The text with the names of the panels in the mask; nothing where there are none."""
    names = core.panels.frame.loc[pd.Series(mask).fillna(False).to_numpy(bool), "panel"]
    return [text.format(words.listing(map(words.one_line, names), most=LISTED))] if len(names) else []
