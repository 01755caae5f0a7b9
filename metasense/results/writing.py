"""A pool in words: its headline, the paragraph to publish, the notes a careful reader needs, the page.

Everything here is filled from the numbers of a `Pooled` and from nothing else.
"""

from __future__ import annotations

import platform
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import pandas as pd

from metasense.core.answers import Verdict, margin_words
from metasense.engine.likelihood import RepeatedTotal
from metasense.margins import SETTLED
from metasense.protocols import Protocol, protocol
from metasense.questions import drawer, sensitivity
from metasense.questions.explanations import prior_average
from metasense.showing import figures, pages, tables, words
from metasense.tables.panels import REVERSED

if TYPE_CHECKING:
    import os
    from pathlib import Path

    from metasense.results.moderated import Moderated
    from metasense.results.nested import Nested
    from metasense.results.pooled import Pooled

MANY_REPEATED = 100  # tastings up to which a panel with repeats is
MANY_STEPS = 60  # panels up to which the answer after each is drawn
DRAWN = 200  # panels in the figure of a cell
MANY = 1000  # panels, and tastings in a panel, up to which fit and seeming disagreement are looked at unasked
SAID_BETTER = ("kept as possible moderators: ", "more tastings than planned: ")  # notes on reading, not on the answer
LISTED = 6  # panels named in a note before the rest are counted

# Sentences of every methods note
ANSWERS = (
    "Its correct answers are binomial with the chance that its protocol gives at that d-prime under the Thurstonian "
    "decision rule; where tasters repeated, guess-corrected beta-binomial with an overdispersion integrated out over a "
    "uniform prior."
)
INTERVALS = (
    "Summaries: medians and credible intervals (95 %, equal-tailed); rates are averaged over panels. The margin is "
    "compared with the average d-prime."
)
DECISION = (
    "A question is called settled when one side of the margin has a posterior probability above "
    f"{words.percent(SETTLED)}."
)


def headline(pooled: Pooled) -> str:
    """The answer: first as correct answers in the main protocol, then as a d-prime with its verdict."""
    average, test, verdict = pooled.average, main_protocol(pooled), pooled.verdict()
    chance = pooled.rate(test).p_c.median
    text = (
        f"Averaged over panels like {'this one' if len(pooled.panels) == 1 else f'these {len(pooled.panels)}'}, "
        f"{words.percent(chance)} of {test.name} answers would be correct, where guessing alone gives "
        f"{words.percent(test.guess)}. Average d-prime: {words.estimate(average.median, *average.interval())}"
        f"{direction(pooled)}"
    )
    text = " ".join([*unsettled(pooled.advice), text])
    if verdict.margin is None:
        return f"{text}; {verdict.label}."
    said = {words.VERDICTS[2]: "not settled against the margin"}.get(verdict.label, verdict.label)
    return f"{text}: {said} of {words.d(verdict.margin.d_prime)}."


def unsettled(advice: Sequence[str]) -> list[str]:
    """What goes before an answer whose draws are not good enough."""
    return ["Not to be relied on: the sample is not good enough (see the notes)."] if advice else []


def paragraph(pooled: Pooled) -> list[str]:
    """What was pooled, how large the difference is, how much it varies, the verdict, and what that rests on."""
    return [pooled_what(pooled), size(pooled), variation(pooled), pooled.verdict().sentence(), basis(pooled)]


def pooled_what(pooled: Pooled) -> str:
    """Which panels, with people and tastings counted apart."""
    frame = pooled.panels.frame
    kinds = [f"{n} × {name}" for name, n in Counter(frame["protocol"]).most_common()]
    tastings = int(frame["tastings"].fillna(frame["signal"] + frame["noise"]).sum())
    linked = _sittings(pooled) if _all_by_name(pooled) else None
    if linked is not None:
        again = linked[linked > 1].size
        more = f", {again} of them in more than one panel (linked by name)" if again else ""
        people = f"{words.count(tastings, 'tasting')} by {words.count(linked.size, 'person')}{more}"
    elif frame["tasters"].notna().all():
        tasters = words.count(int(frame["tasters"].sum()), "taster")
        people = f"{words.count(tastings, 'tasting')} by {tasters}, counted panel by panel"
    else:
        which = "" if frame["tasters"].isna().all() else " for every panel"
        people = f"{words.count(tastings, 'tasting')}; the number of people is not given{which}"
    return f"Pooled: {words.count(len(frame), 'panel')} ({words.listing(kinds)}; {people})."


def _all_by_name(pooled: Pooled) -> bool:
    """Whether every panel's answers are known person by person."""
    if pooled.tastings is None:
        return False
    return bool(pooled.panels.frame["panel"].isin(pooled.tastings.frame["panel"].unique()).all())


def _sittings(pooled: Pooled) -> pd.Series | None:
    """In how many panels each person sat whose answers are known by name; None where nobody's are."""
    return None if pooled.tastings is None else pooled.tastings.counts().groupby("taster")["panel"].nunique()


def size(pooled: Pooled) -> str:
    """The average difference, as d-prime and as correct answers in the main protocol."""
    average = pooled.average
    text = f"The average d-prime is {words.estimate(average.median, *average.interval())}{direction(pooled)}. "
    if pooled.expected_way is not None:
        text += (
            "It is the average size of the difference; the probability that panels like these lean the expected way "
            f"(towards the answers that count as correct) is {words.probability(pooled.expected_way)}. "
        )
    return text + pooled.rate(main_protocol(pooled)).sentence()


def direction(pooled: Pooled) -> str:
    """Which way the panels lean, where some named an attribute; the average d-prime is a size."""
    return "" if pooled.expected_way is None else f", {lean(pooled.expected_way)}"


def lean(way: float) -> str:
    """Which way panels lean that do so the expected way with this probability."""
    if way > SETTLED:
        return "in the expected direction"
    return "against the expected direction" if way < 1 - SETTLED else "its direction not settled"


def variation(pooled: Pooled) -> str:
    """How much panels differ and what the next one would face."""
    spread, following = pooled.spread, pooled.next_d_prime
    low, high = words.distinct(*following.interval())
    return (
        f"Panels differ around that average by an SD of {words.estimate(spread.median, *spread.interval())} "
        f"in d-prime, so the next panel's own d-prime is expected between {low} and {high} (95 %)."
    )


def basis(pooled: Pooled) -> str:
    """The priors, and the reminder that a pooled average cannot be zero."""
    none = pooled.explanations().probability[0]
    return (
        f"Priors: {pooled.priors.describe(pooled.directed)}. A pooled average of this kind cannot come out as zero, so "
        "it is no evidence of a difference by being positive; the probability that there is nothing to taste at all is "
        f"{words.percent(none)} when none, same and varying start out equally probable."
    )


def main_protocol(pooled: Pooled) -> Protocol:
    """The margin's protocol where it has one, else the one most panels used."""
    if pooled.margin is not None and pooled.margin.stated_protocol:
        return next(p for p in pooled.protocols if p.name == pooled.margin.stated_protocol)
    counts = Counter(pooled.panels.frame["protocol"])
    return max(pooled.protocols, key=lambda p: counts[p.name])


# --- notes ----------------------------------------------------------------------------------------------------------


def notes(pooled: Pooled) -> tuple[str, ...]:
    """What limits the answer, each in a sentence that names the panels: first what questions it, then the rest."""
    return (*on_the_answer(pooled), *on_the_table(pooled))


def on_the_answer(pooled: Pooled) -> tuple[str, ...]:
    """What questions the answer, and what limits it."""
    return (*pooled.warnings, sensitivity.prior_range(pooled.corners), *_limits(pooled))


def on_the_data(pooled: Pooled) -> tuple[str, ...]:
    """What limits any answer from these panels, whatever is asked of them."""
    hidden = drawer.listed(_unreported(pooled), None)
    return (*_in_the_counts(pooled), *_again(pooled), *_in_the_panels(pooled), *filter(None, [hidden]))


def on_the_table(pooled: Pooled) -> tuple[str, ...]:
    """How the table was read, as far as it is not said better elsewhere."""
    return tuple(note[0].upper() + note[1:] for note in pooled.panels.notes if not note.startswith(SAID_BETTER))


def warnings(pooled: Pooled) -> tuple[str, ...]:
    """What questions the answer itself."""
    again = " ".join([*_again(pooled), *_in_one_sitting(pooled)])
    return (
        *pooled.advice,
        *_in_the_counts(pooled),
        *_naming(
            pooled,
            pooled.posterior.floored()[pooled.collected.index] > 0.01,
            "So far from the other panels that its distance is at the limit of what the computation resolves: {}. "
            "Check the counts; the answer without it says how much rests on it.",
        ),
        *(pooled.fit().warnings() if _quick(pooled) else ()),
        *sensitivity.prior_warnings(pooled.corners),
        *filter(None, [again]),
    )


def _in_the_counts(pooled: Pooled) -> list[str]:
    """What the counts themselves put in question."""
    frame = pooled.panels.frame
    few, many = pooled.panels.tails()
    signed = frame["protocol"].map(lambda name: protocol(name).directed).to_numpy(bool)
    against, along = (_naming(pooled, signed & (tail < 0.05), "{}") for tail in (few, many))
    several = frame["tasters"].notna() & (frame["tasters"] < frame["signal"] + frame["noise"]).fillna(False)
    return [
        *_naming(
            pooled,
            ~signed & (few < REVERSED),
            "Far fewer correct answers than guessing gives in {}: a reversal or coding error? Check the key before "
            "relying on the pool.",
        ),
        *_naming(
            pooled,
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
            pooled,
            several,
            "Several tastings a person in {}: in A-not-A and same-different all answers are taken as independent, so "
            "the intervals are too narrow.",
        ),
    ]


def _again(pooled: Pooled) -> list[str]:
    """What it means that people came to several panels."""
    linked = _sittings(pooled)
    if linked is None or not (linked > 1).any():
        return []
    return [
        f"{words.count(int((linked > 1).sum()), 'person')} of {linked.size} sat in more than one panel: counted once, "
        "but their answers in different panels are computed as independent, so the interval may be too narrow."
    ]


def _in_one_sitting(pooled: Pooled) -> list[str]:
    """How wide the answer is if these people's answers are taken together."""
    together = sensitivity.in_one_sitting(pooled) if _quick(pooled) else None
    if together is None:
        return []
    low, high = words.distinct(*together.interval())
    same = Verdict.of(together, pooled.margin).label == pooled.verdict().label
    verdict = "" if pooled.margin is None else f", the verdict {'the same' if same else 'another one'}"
    return [f"As if in one sitting, the average d-prime is {words.d(together.median)} ({low} to {high}){verdict}."]


def _limits(pooled: Pooled) -> list[str]:
    found: list[str] = []
    if not _quick(pooled):
        found.append(
            "So many panels, or tastings in a panel, take a while to check against one another, so the fit is checked "
            "when asked for: pooled.fit()."
        )
    if len(pooled.panels) == 1:
        found.append(
            "One panel: how much panels differ is not in the data, so the spread and the next panel rest on the prior."
        )
    hidden = drawer.listed(_unreported(pooled), drawer.reported_only(pooled))
    return [*found, *_in_the_panels(pooled), *filter(None, [hidden])]


def _unreported(pooled: Pooled) -> pd.Series:
    frame = pooled.panels.frame
    return frame.loc[frame["reported"].eq(False).fillna(False).to_numpy(bool), "panel"]


def _in_the_panels(pooled: Pooled) -> list[str]:
    """What the way the panels were served, and what was served, leaves open."""
    frame = pooled.panels.frame
    found: list[str] = []
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
            frame["tasters"] < frame["tastings"],
            "Repeat tasters: {}. People and tastings are counted apart, and tasters may differ among themselves.",
        ),
        (
            [isinstance(e, RepeatedTotal) and e.tasters > 1 for e in pooled.collected.rows],
            "Repeat tasters known by their total only: {}. It is taken as spread evenly over them; their single "
            "answers, as tastings, would say more.",
        ),
        (frame["tasters"] == 1, "A single taster: {}. It tells what that person can do, and enters as one person."),
    ):
        found.extend(_naming(pooled, mask, text))
    if frame["batch_pair"].notna().all() and frame["batch_pair"].nunique() == 1:
        found.append(
            "All panels tasted one batch pair: they describe these two productions, and the recipe only as far as "
            "other batches are like them."
        )
    return found


def _quick(pooled: Pooled) -> bool:
    """Whether all checks take so little time that they need not be asked for."""
    found = pooled.collected.evidence
    return len(pooled.panels) <= MANY and all(e.size <= (MANY_REPEATED if e.repeated else MANY) for e in found)


def _naming(pooled: Pooled, mask: Any, text: str) -> list[str]:
    """The text with the names of the panels in the mask; nothing where there are none."""
    names = pooled.panels.frame.loc[pd.Series(mask).fillna(False).to_numpy(bool), "panel"]
    return [text.format(words.listing(map(words.one_line, names), most=LISTED))] if len(names) else []


# --- what a cell and the page show ----------------------------------------------------------------------------------


def answer_table(pooled: Pooled, *, every: bool = False) -> tables.Table:
    """The answer in words: the three d-primes, then the rates of the main protocol (or of every protocol)."""
    frame = pooled.to_frame(protocols=None if every else [main_protocol(pooled).name])
    percents = dict.fromkeys(frame["quantity"][3:], "percent")
    return tables.table(frame.drop(columns="mean"), caption="What is now known", kinds=percents)  # type: ignore[arg-type]


def panels_table(pooled: Pooled, most: int | None = 40) -> tables.Table:
    """Each panel alone beside pooled."""
    frame = pooled.panels_frame()
    frame.insert(2, "answers", pooled.panels.overview()["correct"])
    return tables.table(
        frame.drop(columns=["tastings", "correct"]),
        caption="Each panel by itself and given all panels, as d-prime",
        kinds={"answers": "text"},
        labels={"answers": "correct", "p_value": "p alone", "alone": "alone", "pooled": "pooled"},
        most=most,
    )


def cell(pooled: Pooled) -> list[str | tables.Shown]:
    """What a notebook cell or a terminal shows."""
    parts: list[str | tables.Shown] = [headline(pooled), answer_table(pooled), pooled.verdict().sentence()]
    parts += [pooled.explanations().sentence(), forest(pooled), panels_table(pooled)]
    return [*parts, *(f"Note: {note}" for note in pooled.notes)]


def forest(pooled: Pooled) -> str | tables.Shown:
    """Every panel in one figure, unless they are so many that a cell could not hold it."""
    if len(pooled.panels) > DRAWN:
        return f"The figure of {words.count(len(pooled.panels), 'panel')} is long: plot() draws it."
    shown = pooled._forest(0.95)
    return figures.Drawing(lambda empty: figures.forest(**shown, ax=empty), figures.alt_forest(**shown))


def methods(pooled: Pooled) -> tuple[str, ...]:
    """How it was worked out: model, priors, computation, summaries, decision rule, sensitivity, how to repeat it."""
    chosen = (
        "no margin was named."
        if pooled.margin is None
        else f"the smallest difference that matters is {margin_words(pooled.margin)}, "
        + ("named on a question card." if pooled.card is not None else "named with the pool.")
    )
    return (
        f"Model: each panel i has a d-prime {size_of(pooled)} with theta_i ~ Normal(mu, tau). {ANSWERS} The average "
        "d-prime is the mean of |theta| over panels like these.",
        f"Priors: {pooled.priors.describe(pooled.directed)}. {before(pooled)}",
        f"Computation: {computed(pooled)}",
        INTERVALS,
        f"Decision: {chosen} {DECISION}",
        f"Sensitivity: {sensitivity.prior_range(pooled.corners)}",
        f"To repeat it: metasense {version('metasense')}, data with SHA-256 {pooled.panels.fingerprint[:12]}..., seed "
        f"{pooled.settings['seed']}.",
    )


def size_of(pooled: Pooled) -> str:
    """How a methods note writes a panel's own d-prime."""
    return "theta_i (with its sign where a direction was stated)" if pooled.directed else "|theta_i|"


def before(pooled: Pooled) -> str:
    """What the priors alone say of the average."""
    low, high = words.distinct(*prior_average(pooled.priors, pooled.directed).interval())
    return f"By themselves they put the average d-prime between {low} and {high} (95 %)."


def computed(pooled: Pooled) -> str:
    """By which means, and how well."""
    if pooled.settings["method"] == "grid":
        return (
            "by integration over a grid, checked against every second of its nodes: the log evidence moves by "
            f"{words.d(max(pooled.evidences.error, 1e-9), 5)}."
        )
    return f"sampled with PyMC. {pooled.settings['chains_said']}"


def elsewhere(result: Moderated | Nested, name: str, instead: Mapping[str, str]) -> AttributeError:
    """The error for a name that a pool with moderators or a level has not, with where it is to be found."""
    kind = type(result).__name__
    text = f"{kind!r} object has no attribute {name!r}"
    hint = instead.get(name)
    if hint is None and not name.startswith("_") and "plain" in vars(result) and hasattr(type(result.plain), name):
        hint = f"the plain pool in it has: .plain.{name}"
    return AttributeError(f"{text}; {hint}" if hint else text, name=name, obj=result)


def report(pooled: Pooled, path: str | os.PathLike[str]) -> Path:
    """Write the page."""
    return pages.write_report(page(pooled), path)


def report_with(
    result: Moderated | Nested,
    plain: Pooled,
    path: str | os.PathLike[str],
    figure: pages.Picture,
    title: str,
    verdict: str = "",
) -> Path:
    """The page of a pool with moderators or a level: its own answer first, then the plain pool's as one part."""
    whole = page(plain)
    parts = tuple(part for part in result._shown() if not (isinstance(part, str) and part.startswith("Note: ")))
    notes = [note for note in on_the_answer(plain) if note not in result.notes]
    without = pages.Section(
        "The same panels pooled plainly",
        (
            whole.answer,
            *whole.paragraphs[1:],
            *(f"Note: {note}" for note in notes),
            *filter(None, [whole.figure]),
            *whole.tables,
            *whole.changes,
            *whole.checks,
        ),
    )
    rest = (replace(section, title=f"Pooled plainly: {section.title}") for section in whole.sections)
    again = replace(
        whole,
        answer=result.headline(),
        paragraphs=(pooled_what(plain),),
        notes=result.notes,
        sentences=whole.sentences if verdict else {},
        verdict=verdict,
        figure=figure,
        tables=(),
        sections=(pages.Section(title, parts[1:]), without, *rest),
        changes=(),
        checks=(),
        methods=(*result._methods(), "Of the plain pool beside it:", *whole.methods),
    )
    return pages.write_report(again, path)


def page(pooled: Pooled) -> pages.Page:
    """Everything that stands on the page."""
    from matplotlib.figure import Figure

    shown = pooled._forest(0.95)
    verdict = pooled.verdict()
    card = pooled.card
    return pages.Page(
        title="What the panels say together" if card is None else card.question,
        answer=headline(pooled),
        paragraphs=(
            *(() if card is None else (f"Decided on {card.date}, before the answer: {card.decision}",)),
            pooled_what(pooled),
            size(pooled),
            variation(pooled),
            verdict.sentence(),
            pooled.explanations().sentence(),
        ),
        notes=(*pooled.departures, *on_the_answer(pooled)),
        sentences={} if pooled.margin is None else words.verdict_sentences(margin_words(pooled.margin), SETTLED),
        verdict=verdict.label,
        figure=pages.picture(figures.forest(**shown, ax=Figure()), alt=figures.alt_forest(**shown)),
        tables=(panels_table(pooled, most=None), answer_table(pooled, every=True)),
        sections=(beside_the_prior(pooled), other_choices(pooled)),
        methods=methods(pooled),
        changes=changes(pooled),
        checks=checks(pooled),
        provenance=provenance(pooled),
    )


def beside_the_prior(pooled: Pooled) -> pages.Section:
    """What was believed before the panels and what is now, in one figure."""
    from matplotlib.figure import Figure

    explanations, (low, high) = pooled.explanations(), pooled.average.interval()
    margin = None if pooled.margin is None else pooled.margin.d_prime
    below = None if margin is None else pooled.average.below(margin)
    alt = figures.alt_posterior_density(interval=(low, pooled.average.median, high), margin=margin, below=below)
    drawn = pages.picture(explanations.plot(ax=Figure()), alt=alt)
    return pages.Section("Before and after the panels", (explanations.on_the_prior(), drawn))


def other_choices(pooled: Pooled) -> pages.Section:
    """The answer under other priors and without single panels, experimenters or batch pairs."""
    from matplotlib.figure import Figure

    found = pooled.sensitivity()
    frame = found.cases.rename(columns={"case": "name"})
    drawn = [pages.picture(found.plot(ax=Figure()), alt=figures.alt_cases(frame))] if len(frame) <= DRAWN else []
    path = pooled.path()
    if path.steps["date"].notna().all() and 1 < len(path.steps) <= MANY_STEPS:
        alt = figures.alt_path(path.steps, margin=path.margin)
        drawn.append(pages.picture(path.plot(ax=Figure()), alt=alt, caption="After each panel, in date order"))
    return pages.Section("The answer under other choices", (*drawn, found._table()))


def changes(pooled: Pooled) -> tuple[str, ...]:
    """What would change the answer: other priors, other panels, panels in the drawer, one constant difference."""
    hidden = pooled.drawer()
    apart = (pooled.disagreement().sentence(),) if len(pooled.panels) > 1 and _quick(pooled) else ()
    return (*pooled.sensitivity().sentences(), *apart, hidden.sentence(), *hidden.caveats())


def checks(pooled: Pooled) -> tuple[str, ...]:
    """What the answer rests on, and whether the model fits."""
    fit = (pooled.fit().sentence(), pooled.fit().caveat()) if _quick(pooled) else ()
    return (basis(pooled), pooled.explanations().on_the_scales(), *fit)


def provenance(pooled: Pooled) -> dict[str, object]:
    """Data, seed and versions, so that another person can repeat it."""
    names = ("metasense", "numpy", "scipy", "pandas", *(("pymc",) if pooled.settings["method"] == "mcmc" else ()))
    return {
        "data": pooled.panels.source,
        **({"read": " ".join(on_the_table(pooled))} if on_the_table(pooled) else {}),
        "fingerprint of the data (SHA-256)": pooled.panels.fingerprint,
        "margin": "none given" if pooled.margin is None else pooled.margin.text,
        **({} if pooled.card is None else {"question card": pooled.card.summary()}),
        "priors": str(pooled.priors.describe(pooled.directed)),
        "method": pooled.settings["method"],
        "seed": pooled.settings["seed"],
        "versions": ", ".join([f"Python {platform.python_version()}", *(f"{n} {version(n)}" for n in names)]),
    }
