"""The first screen of a pool: its plain answer, a small table, what to be careful about, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from metasense.core.answers import Rate, Verdict, side
from metasense.core.core import Core
from metasense.margins import SETTLED
from metasense.questions.averaged import Averaged
from metasense.questions.explanations import explain
from metasense.questions.hundred import share
from metasense.questions.next_panel import plan_next, usual_size
from metasense.questions.plan import Plan
from metasense.questions.some import favoured
from metasense.results import notes
from metasense.showing import plain, words
from metasense.showing.glance import Glance, compact
from metasense.showing.tables import Table

UNLIKELY = 0.05  # chance of settling below which no single panel is advised
POOR = "Not to be relied on, as the sample is not good enough"


def answer(core: Core, rate: Rate, verdict: Verdict, way: float | None, over: str = "") -> tuple[str, ...]:
    """Verdict and size, the side of the margin, and whether there may be nothing at all."""
    of = share(rate.protocol, rate.p_c, core.margin)
    lead = POOR if core.advice else plain.lead(verdict.label)
    said = [of.after(lead, plain.direction(way, SETTLED), over)]
    if verdict.margin is not None:
        needed = verdict.margin.settled
        likely = side(verdict.above, needed), side(verdict.below, needed)
        enough = "" if needed == SETTLED else words.percent(needed)
        larger = verdict.above > verdict.below
        said.append(plain.beside_the_margin(verdict.label, *likely, larger=larger, enough=enough))
    return (*with_nothing(core, said), *plain.beforehand(core.priors.earlier, core.priors.learned_from))


def with_nothing(core: Core, said: Sequence[str]) -> tuple[str, ...]:
    """The sentences with that there may be nothing to taste, where that is probable."""
    return plain.with_nothing(said, float(explain(core).probability[0]), core.priors.odds[0])


def table(core: Core, rate: Rate, next_one: str = "the next such panel", *, zero: bool = False) -> Table:
    """Guessing, the average, the next panel and the margin in the main protocol.

    With `zero`, and where there may well be nothing to taste, the average that counts this stands below the other.
    """
    of = share(rate.protocol, rate.p_c, core.margin)
    following = rate.next_p_c
    count = len(core.panels)
    average = "this panel and others like it" if count == 1 else f"panels like these {count}, on average"
    ranges = {average: (of.middle, of.low, of.high)}
    averaged = Averaged(core, core.priors.odds)
    if zero and averaged.nothing >= plain.MENTIONED:
        counted = averaged.rate(rate.protocol).p_c
        ranges["counting a chance of nothing"] = (counted.median, *counted.interval())
    ranges[next_one] = (following.median, *following.interval())
    rows = of.rows(ranges)
    return compact(of.caption(), plain.HEADERS, rows)


def of_plain(core: Core, cautions: tuple[str, ...]) -> Glance:
    """The first screen of a plain pool."""
    rate = core.rate(core.main_protocol)
    said = answer(core, rate, core.verdict(), core.expected_way)
    return Glance(said, table(core, rate, zero=True), cautions, step(core))


def at_hand(core: Core) -> str:
    """What has to be done before anything else; empty where nothing has."""
    if core.advice:
        return "sample again with more draws, as details() says."
    if any("coding error" in note for note in notes.in_the_counts(core)):
        return "check the key of the panels that lean the wrong way."
    if core.margin is None:
        return "say what difference would matter (margin= or --margin)."
    return ""


def step(core: Core) -> str:
    """The most useful next step of a plain pool."""
    return core.remember("step", lambda: at_hand(core) or _apart(core) or _settling(core))


def _apart(core: Core) -> str:
    """What comes before any plan where only some panels seem to have something: a plan rests on one average of all."""
    return "look first for what sets the panels apart; see pooled.some()." if favoured(core) else ""


def settled(core: Core, verdict: str) -> str:
    """What is left to do where the question is settled."""
    if verdict == words.VERDICTS[0]:
        return "decide as planned, and ask in a panel of its own which product people like better."
    pairs = core.panels.frame["batch_pair"]
    if pairs.notna().all() and pairs.nunique() == 1:
        return "decide as planned; a panel on other batches would show if it holds for them."
    return "decide as planned, and write it up."


@dataclass(frozen=True)
class _Of:
    """What a question is put to."""

    core: Core


def _settling(core: Core) -> str:
    """The panel that would most cheaply settle it."""
    verdict = core.verdict().label
    if verdict != words.VERDICTS[2]:
        return settled(core, verdict)
    if core.settings["method"] != "grid" or not notes.quick(core):
        return "see with plan_next which panels could settle it."
    size = usual_size(core)
    names = dict.fromkeys([core.main_protocol.name, "tetrad"])
    plans = plan_next(_Of(core), Plan.every(names, [size], [1]))
    best = plans.frame.iloc[0]
    if best["settled"] < UNLIKELY:
        return f"no one panel of {size} is likely to settle it; plan_next compares larger plans."
    chance = words.probability(best["settled"])
    return f"one more {best['protocol']} panel of {size} on new batches has {words.a(chance)} chance to settle it."
