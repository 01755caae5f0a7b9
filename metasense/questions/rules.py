"""The same pool if tasters followed another rule than the protocol's.

D-prime is read from counts by the rule that belongs to a protocol: in a triangle, the cup least like the others is
named. Tasters who know what to look for may go by that one attribute and name the cup with most (or least) of it, as in
the 3-AFC. They are then right more often at the same d-prime, and a d-prime read by the protocol's own rule is too
large. The tetrad's rule, two weakest and two strongest, is the same with one attribute; a directed protocol has no
other.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from metasense.core.core import Core
from metasense.core.unlike import parting, reads_of_some
from metasense.engine.distribution import Distribution
from metasense.engine.grid import beside
from metasense.engine.likelihood import Counts, Evidence, RepeatedTotal, Repeats, Series
from metasense.margins import LARGEST, Margin
from metasense.protocols import Protocol, forced_choice
from metasense.showing import words

KIN = {"triangle": "3-AFC", "duo-trio": "2-AFC"}  # the directed protocol of the same guess rate
OTHER_RULE = "if tasters went by one attribute they knew of"
READS = 1.0  # d-prime at which a note shows what the other rule does


def kin(test: Protocol) -> Protocol:
    """The protocol whose answers these would be, if tasters went by one attribute."""
    return forced_choice(KIN.get(test.name, test.name))


def by_attribute(evidence: Evidence) -> Evidence:
    """A panel as if its tasters had gone by one attribute; itself where that changes nothing."""
    test = evidence.protocol
    if not isinstance(test, Protocol) or test.name not in KIN:
        return evidence
    if isinstance(evidence, Counts):
        return Counts(kin(test), evidence.tastings, evidence.correct)
    if isinstance(evidence, Repeats):
        return Repeats(kin(test), evidence.people)
    assert isinstance(evidence, RepeatedTotal)
    return RepeatedTotal(kin(test), evidence.tasters, evidence.tastings, evidence.correct)


def could_be(core: Core) -> bool:
    """Whether some panel was served in a protocol that has another rule."""
    return any(e.protocol.name in KIN for e in core.collected.evidence)


def under_another_rule(core: Core) -> Distribution:
    """The average d-prime if tasters went by one attribute in all panels where they might have."""
    found = core.collected
    return core.share(
        "another rule",
        lambda: beside(Series, [by_attribute(e) for e in found.evidence], found.copies, core.priors)[0],
    )


def margin_by_rule(margin: Margin | None) -> Margin | None:
    """A margin stated as a share of answers in a protocol that has another rule, read by it; others as they are."""
    if margin is None or margin.stated_protocol not in KIN:
        return margin
    test = forced_choice(margin.stated_protocol)
    d_prime = float(kin(test).d_prime(test.p_correct(margin.d_prime)))
    return Margin(d_prime=min(d_prime, LARGEST), settled=margin.settled)


def note(core: Core) -> list[str]:
    """Sentences on what has to hold for d-primes of several protocols to be comparable."""
    names = list(dict.fromkeys(core.panels.frame["protocol"]))
    return [*(_on_the_rule(core, names) if len(names) > 1 else []), *_on_the_tasters(core.protocols)]


def _on_the_rule(core: Core, names: list[str]) -> list[str]:
    """That tasters follow the rule of each protocol, where one has another rule."""
    mine = [name for name in names if name in KIN]
    if not mine:
        return []
    test = forced_choice(mine[0])
    reads = float(test.d_prime(kin(test).p_correct(np.array(READS))))
    followed = core.regulars is not None  # and this is worked out for people who are new each time
    asked = "pool(..., regulars=False).sensitivity()" if followed else "pooled.sensitivity()"
    return [
        "With several protocols, d-prime compares them only if tasters follow each protocol's own rule. Had they gone "
        f"by one attribute they knew of in {words.a(test.name)}, a d-prime of {words.d(READS)} would read "
        f"{words.d(reads)} there; {asked} has the answer for that."
    ]


def _on_the_tasters(found: Sequence[Protocol]) -> list[str]:
    """That tasters are about alike, where the protocols would tell of other d-primes if they were not."""
    most, least = (choose(found, key=reads_of_some) for choose in (max, min))
    said = parting(most, least)
    return [f"With several protocols, d-primes agree only if tasters are much alike: {said}."] if said else []
