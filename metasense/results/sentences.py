"""A pool in sentences: its headline, what was pooled, how large and how varied the difference is, how it was computed.

Everything here is filled from the numbers of a `Core` and from nothing else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from importlib.metadata import version

import pandas as pd

from metasense.core.answers import lean, margin_words
from metasense.core.core import Core
from metasense.engine.common import prior_average
from metasense.engine.priors import EVEN
from metasense.margins import level
from metasense.questions import some
from metasense.questions.averaged import Averaged
from metasense.questions.explanations import explain
from metasense.questions.fit import fit_of
from metasense.questions.sensitivity import on_priors
from metasense.showing import words
from metasense.showing.plain import MENTIONED

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
DECISION = "A question is called settled when one side of the margin has a posterior probability above"


def headline(core: Core) -> str:
    """The answer: first as correct answers in the main protocol, then as a d-prime with its verdict."""
    average, test, verdict = core.average, core.main_protocol, core.verdict()
    chance = core.rate(test).p_c.median
    text = (
        f"Averaged over panels like {'this one' if len(core.panels) == 1 else f'these {len(core.panels)}'}, "
        f"{words.percent(chance)} of {test.name} answers would be correct, where guessing alone gives "
        f"{words.percent(test.guess)}. Average d-prime: {words.estimate(average.median, *average.interval())}"
        f"{direction(core)}{or_nothing(core)}"
    )
    text = " ".join([*unsettled(core.advice), text])
    if verdict.margin is None:
        return f"{text}; {verdict.label}."
    said = {words.VERDICTS[2]: "not settled against the margin"}.get(verdict.label, verdict.label)
    return f"{text}: {said} of {words.d(verdict.margin.d_prime)}."


def or_nothing(core: Core) -> str:
    """That the average is 0 if there is nothing to taste, where that is probable enough to be said."""
    explained = explain(core)
    none, before = float(explained.probability[0]), explained.prior[0]
    if not none >= MENTIONED:
        return ""
    return (
        " if there is something to taste at all; with a probability of "
        f"{words.probability(none)} ({words.percent(before)} beforehand) there is nothing, and it is 0"
    )


def averaged(core: Core) -> list[str]:
    """The answer that counts a chance of nothing to taste, and how it moves with the odds, where that is probable."""
    found = Averaged(core, core.priors.odds)
    return [found.sentence(), found.on_the_odds()] if found.nothing >= MENTIONED else []


def unsettled(advice: Sequence[str]) -> list[str]:
    """What goes before an answer whose draws are not good enough."""
    return ["Not to be relied on: the sample is not good enough (see the notes)."] if advice else []


def paragraph(core: Core, *, checked: bool = True) -> list[str]:
    """What was pooled, how large the difference is, how much it varies, the verdict, and what that rests on.

    With `checked`, also that perhaps only some panels have something to taste, and which does not go with the others.
    """
    doubts = [*some.aside(core), *filter(None, [fit_of(core).stray])] if checked else []
    return [pooled_what(core), size(core), variation(core), *doubts, core.verdict().sentence(), basis(core)]


def pooled_what(core: Core) -> str:
    """Which panels, with people and tastings counted apart."""
    frame = core.panels.frame
    kinds = [f"{n} × {name}" for name, n in Counter(frame["protocol"]).most_common()]
    tastings = int(frame["tastings"].fillna(frame["signal"] + frame["noise"]).sum())
    linked = sittings(core)
    again = 0 if linked is None else linked[linked > 1].size
    if linked is not None and (again or _all_by_name(core)):
        people = f"{words.count(tastings, 'tasting')}{_by_people(core, linked, again)}"
    elif frame["tasters"].notna().all():
        tasters = words.count(int(frame["tasters"].sum()), "taster")
        people = f"{words.count(tastings, 'tasting')} by {tasters}, counted panel by panel"
    else:
        which = "" if frame["tasters"].isna().all() else " for every panel"
        people = f"{words.count(tastings, 'tasting')}; the number of people is not given{which}"
    return f"Pooled: {words.count(len(frame), 'panel')} ({words.listing(kinds)}; {people})."


def _by_people(core: Core, linked: pd.Series, again: int) -> str:
    """How many people gave the answers, those known by name once each, and who came again."""
    frame = core.panels.frame
    assert core.tastings is not None
    others = frame[~frame["panel"].isin(core.tastings.frame["panel"].unique())]
    followed = " and followed from one to the next" if core.regulars is not None else ""
    more = f", {again} of them in more than one panel (linked by name{followed})" if again else ""
    if others.empty:
        return f" by {words.count(linked.size, 'person')}{more}"
    if others["tasters"].isna().any():
        more = more or ", known by name"
        return f", of them some by {words.count(linked.size, 'person')}{more}; the number of other people is not given"
    total = linked.size + int(others["tasters"].sum())
    names = words.listing(map(words.one_line, others["panel"]), most=6)
    return f" by {words.count(total, 'person')}{more}, if those of {names} are other people"


def _all_by_name(core: Core) -> bool:
    """Whether every panel's answers are known person by person."""
    if core.tastings is None:
        return False
    return bool(core.panels.frame["panel"].isin(core.tastings.frame["panel"].unique()).all())


def sittings(core: Core) -> pd.Series | None:
    """In how many panels each person sat whose answers are known by name; None where nobody's are."""
    return None if core.tastings is None else core.tastings.counts().groupby("taster")["panel"].nunique()


def size(core: Core) -> str:
    """The average difference, as d-prime and as correct answers in the main protocol."""
    average = core.average
    text = f"The average d-prime is {words.estimate(average.median, *average.interval())}{direction(core)}. "
    if core.expected_way is not None:
        text += (
            "It is the average size of the difference; the probability that panels like these lean the expected way "
            f"(towards the answers that count as correct) is {words.probability(core.expected_way)}. "
        )
    return text + core.rate(core.main_protocol).sentence()


def direction(core: Core) -> str:
    """Which way the panels lean, where some named an attribute; the average d-prime is a size."""
    return "" if core.expected_way is None else f", {lean(core.expected_way)}"


def variation(core: Core) -> str:
    """How much panels differ and what the next one would face."""
    spread, following = core.spread, core.next_d_prime
    low, high = words.distinct(*following.interval())
    return (
        f"Panels differ around that average by an SD of {words.estimate(spread.median, *spread.interval())} "
        f"in d-prime, so the next panel's own d-prime is expected between {low} and {high} (95 %)."
    )


def basis(core: Core) -> str:
    """The priors, and the reminder that a pooled average cannot be zero."""
    none = explain(core).probability[0]
    return (
        f"Priors: {core.priors.describe(core.directed)}. A pooled average of this kind cannot come out as zero, so "
        "it is no evidence of a difference by being positive; the probability that there is nothing to taste at all is "
        f"{words.percent(none)} when none, same and varying start out {_odds(core)}."
    )


def _odds(core: Core) -> str:
    """How probable the three explanations are beforehand."""
    odds = core.priors.odds
    return "equally probable" if odds == EVEN else f"{' : '.join(words.percent(p) for p in odds)}, as learned"


def methods(core: Core, *, centre: str, priors: str, computation: str, sensitivity: str) -> tuple[str, ...]:
    """How a pool of any kind was worked out; where a panel's theta is drawn from, and so on, is what differs."""
    return (
        f"Model: each panel i has a d-prime {size_of(core)} with {centre}. {ANSWERS} The average d-prime is the mean "
        "of |theta| over panels like these.",
        f"Priors: {priors}.",
        f"Computation: {computation}",
        INTERVALS,
        f"Decision: {_chosen(core)} {DECISION} {words.percent(level(core.margin))}.",
        f"Sensitivity: {sensitivity}",
        f"To repeat it: metasense {version('metasense')}, data with SHA-256 {core.panels.fingerprint[:12]}..., seed "
        f"{core.settings['seed']}.",
    )


def plain_methods(core: Core) -> tuple[str, ...]:
    """How a plain pool was worked out."""
    return methods(
        core,
        centre="theta_i ~ Normal(mu, tau)",
        priors=f"{core.priors.describe(core.directed)}. {before(core)}".removesuffix("."),
        computation=computed(core),
        sensitivity=on_priors(core),
    )


def _chosen(core: Core) -> str:
    """How the margin came about."""
    if core.margin is None:
        return "no margin was named."
    where = "on a question card" if core.card is not None else "with the pool"
    return f"the smallest difference that matters is {margin_words(core.margin)}, named {where}."


def size_of(core: Core) -> str:
    """How a methods note writes a panel's own d-prime."""
    return "theta_i (with its sign where a direction was stated)" if core.directed else "|theta_i|"


def before(core: Core) -> str:
    """What the priors alone say of the average."""
    low, high = words.distinct(*prior_average(core.priors, core.directed).interval())
    return f"By themselves they put the average d-prime between {low} and {high} (95 %)."


def computed(core: Core) -> str:
    """By which means, and how well."""
    if core.regulars is not None:
        found = core.regulars.found
        return (
            "people who sat in several panels have a standing among tasters, uniform between 0 and 1 and carried from "
            f"panel to panel with correlation {found.sitters.rho:g} (Gaussian copula), at which their rate is a "
            f"quantile of the beta distribution. {words.whole(len(found.mu))} draws of the standings, by Gibbs "
            "sampling with them integrated out where the overdispersion moves, each with everything else integrated; "
            f"Monte Carlo standard error of the mean {words.d(max(found.error, 1e-4), 4)}, of the log evidence of "
            f"varying {words.d(max(core.evidences.error, 1e-3), 3)}."
        )
    if core.settings["method"] == "grid":
        return (
            "by integration over a grid, checked against every second of its nodes: the log evidence moves by "
            f"{words.d(max(core.evidences.error, 1e-9), 5)}."
        )
    return f"sampled with PyMC. {core.settings['chains_said']}"
