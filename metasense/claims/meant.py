"""Which of a result's numbers a number in a sentence means: of which protocol, of what, on which side of the margin."""

from __future__ import annotations

import re

from metasense.claims.circumstances import LETTERS
from metasense.claims.facts import ABOVE, BELOW, D_PRIME, MARGIN, P_C, P_D, Fact
from metasense.claims.numbers import Number, numbers

_SIDE_WORDS = (
    r"\b(?:(?P<above>above|beyond|larger|bigger|greater|exceed\w*)|(?P<below>below|within|smaller|under|inside))\b"
)
_WHOSE = r"\b(?:(?P<average>average)|(?P<next>next)|(?P<margin>margin))\b"
_OF_AN_END = (
    r"\b(?:interval|limits?|bounds?|ends?|range|lower|upper|lowest|highest|up to|as (?:low|high|many|few|large|small)|"
    r"least|most|between|from|could|might|may|possib\w+|not|no|rul\w+ out|exclud\w+)\b"
)


def of_the_protocol(known: list[Fact], number: Number, sentence: str) -> list[Fact]:
    """Those of the protocol that is named nearest to the number, where one is."""
    tests = {fact.test for fact in known if fact.test}
    if len(tests) < 2:
        return known
    clause = max((m.end() for m in re.finditer(r"[;:.]\s", sentence[: number.start])), default=0)
    shown = {test: test.translate(LETTERS) for test in tests}
    ahead = {test: sentence.rfind(s, clause, number.start) for test, s in shown.items()}
    behind = {test: sentence.find(s, number.end, number.end + 24) for test, s in shown.items()}
    close = [
        test
        for test, at in behind.items()
        if at >= 0 and re.fullmatch(r"\s?(?:correct |\()?(?:in |of |for )?(?:a |an |the )?", sentence[number.end : at])
    ]
    if close:
        return [fact for fact in known if fact.test in ("", close[0])]
    best = max(ahead, key=lambda test: ahead[test])
    return [fact for fact in known if fact.test in ("", best)] if ahead[best] >= 0 else known


def is_an_end_alone(number: Number, agreeing: list[Fact], sentence: str) -> bool:
    """Whether a number that is only the end of an interval is said as if it were the estimate."""
    if number.kind not in (P_C, P_D, D_PRIME) or number.compared in ("<", ">"):
        return False
    if not all(fact.what.endswith((", lower", ", upper")) for fact in agreeing):
        return False
    alone = sum(other.kind == number.kind for other in numbers(sentence)) == 1
    return alone and not re.search(_OF_AN_END, sentence, re.IGNORECASE)


def side_said(sentence: str, number: Number) -> str:
    """Which side of the margin the words before a probability name last."""
    before = re.sub(
        r"\b(?:(?:greater|larger|more|less|smaller) than|above|over|below|under)\s*$", "", sentence[: number.start]
    )
    sides = [match.lastgroup for match in re.finditer(_SIDE_WORDS, before, re.IGNORECASE)]
    return {"above": ABOVE, "below": BELOW}[str(sides[-1])] if sides and "margin" in sentence else ""


def of_the_panels_meant(known: list[Fact], number: Number, sentence: str) -> list[Fact]:
    """Those of the average, of the next panel, or of the margin, whichever was named last before the number."""
    named = [match.lastgroup for match in re.finditer(_WHOSE, sentence[: number.start], re.IGNORECASE)]
    if not named or number.kind not in (D_PRIME, P_C, P_D):
        return known
    if named[-1] == "margin":
        return [fact for fact in known if fact.what == MARGIN]
    following = named[-1] == "next"
    return [fact for fact in known if fact.what != MARGIN and fact.what.startswith("next panel") == following]
