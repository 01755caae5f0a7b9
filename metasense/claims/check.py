"""Hold a sentence that somebody wants to publish against the result it is about.

`check_claim` marks phrasing that no such result supports (the rules are data, in ``rules.py``), numbers that are not
the result's, numbers said more precisely than they are known, a verdict or a direction that is not the result's, and
people that are missing or miscounted; beside each it sets a sentence filled from the result. It reads English, and only
what it has rules and numbers for; what it did not read, it says.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from metasense.claims import rules
from metasense.claims.circumstances import About, circumstances, days_in, said_of
from metasense.claims.facts import (
    ABOVE,
    BAYES,
    BELOW,
    D_PRIME,
    GUESS,
    MARGIN,
    P_C,
    P_D,
    P_VALUE,
    PREFERS,
    PROBABILITY,
    Checkable,
    Facts,
    facts_of,
    names_in,
    own_sentences,
)
from metasense.claims.meant import is_an_end_alone, of_the_panels_meant, of_the_protocol, side_said
from metasense.claims.numbers import Number, blank, counted, levels, numbers, with_points
from metasense.claims.reading import (
    QUOTED,
    asides,
    is_english,
    name_pattern,
    protocols_out,
    sentences,
    unwrapped,
)
from metasense.margins import SETTLED
from metasense.showing import tables, words
from metasense.showing.glance import cut, short
from metasense.showing.results import Result

SHORTLY = 4  # objections on a first screen
_VERDICT = re.compile(
    r"(?P<above>\b(?:beyond|larger than|bigger than|greater than|exceeds?|above|over|outside) (?:the |our |this "
    r")margin\b)|(?P<below>\b(?:within|smaller than|less than|below|under|inside) (?:the |our |this )margin\b|\bno "
    r"difference (?:larger|bigger|greater|beyond|above|that matters))|(?P<open>\b(?:not settled|undecided|"
    r"inconclusive|unsettled|unresolved)\b)",
    re.IGNORECASE,
)
_HEDGE = (
    r"\b(?:probab\w+|chances?|P|likely|likelihood|possib\w+|whether|if|would|could|may|might|neither|side|room|"
    r"open)\b|%"
)
_UNDILUTED = r"naive|luck|dilut|guess"
_ELSE = (
    "irony, pictures and figures, and anything that is neither in the rules nor a number of this result, such as "
    "causes, other products, safety or law"
)
_OTHERS = r"\b(?:without|except|other|others|rest|all|remaining|together|against|versus|beside|unlike)\b"
_CAUSE = re.compile(r"\b(?:because|due to|thanks to|owing to|caused by)\b", re.IGNORECASE)


@dataclass(frozen=True)
class Finding:
    """One thing that the result does not support.

    Attributes
    ----------
    rule : str
        Which rule marked it.
    said : str
        The words, as they stand in the claim; empty where something is missing.
    reason : str
        Why it is not supported.
    instead : str
        A sentence that is, filled from the result.
    start : int
        Where in the claim it stands; its length where something is missing.

    Examples
    --------
    >>> import metasense as ms
    >>> panel = ms.one_panel("triangle", 24, 12)
    >>> check = ms.check_claim("There is no difference.", panel)
    >>> check.findings[0].said
    'no difference'
    """

    rule: str
    said: str
    reason: str
    instead: str
    start: int


@dataclass(frozen=True, eq=False, repr=False)
class ClaimCheck(Result):
    """What came of checking a claim. Made by `check_claim`.

    Attributes
    ----------
    text : str
        The claim.
    findings : tuple of Finding
        What the result does not support, in the order of the claim; empty if there is nothing to object.
    checked, unread : tuple of str
        What was held against the result, and what was not.
    understood : bool
        Whether there was anything in it that could be checked.

    Examples
    --------
    >>> import metasense as ms
    >>> alone = ms.one_panel("triangle", 24, 10)
    >>> check = check_claim("There was no difference.", alone)
    >>> check.ok, [finding.rule for finding in check.findings]
    (False, ['no-difference'])
    """

    text: str
    findings: tuple[Finding, ...]
    checked: tuple[str, ...]
    unread: tuple[str, ...]
    understood: bool = True

    @property
    def ok(self) -> bool:
        """Whether the claim could be checked and there is nothing to object."""
        return self.understood and not self.findings

    def to_frame(self) -> pd.DataFrame:
        """One row a finding: ``rule, said, reason, instead, start``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12)
        >>> check = ms.check_claim("There is no difference.", panel)
        >>> check.to_frame().columns.tolist()
        ['rule', 'said', 'reason', 'instead', 'start']
        """
        return pd.DataFrame([vars(f) for f in self.findings], columns=list(Finding.__dataclass_fields__))

    def sentence(self) -> str:
        """The outcome in one sentence.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12)
        >>> check = ms.check_claim("There is no difference.", panel)
        >>> check.sentence()[:40]
        '1 objection to this claim.'
        """
        if self.findings:
            return f"{words.count(len(self.findings), 'objection')} to this claim."
        return (
            "Nothing to object."
            if self.understood
            else "Nothing in this claim could be held against the result, so nothing was checked; only English is read."
        )

    def in_short(self, known: str) -> Iterator[str]:
        """The first screen: what is objected to, and what can be said instead.

        Parameters
        ----------
        known : str
            The plain answer.

        Returns
        -------
        iterator of str
            A sentence each.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> list(ms.check_claim("They taste the same.", pooled).in_short(pooled.plain_answer()))[0]
        '1 objection to this claim.'
        """
        yield self.sentence()
        few = self.findings[:SHORTLY]
        for finding in few:
            said = f'"{cut(finding.said, 60)}"' if finding.said else "Missing"
            yield short(f"{said}: {finding.reason}")
        if len(self.findings) > len(few):
            yield f"{words.count(len(self.findings) - len(few), 'more objection')} in the details."
        if self.findings:
            yield f"What is known: {known}"
        own = [what for what in self.unread if what != _ELSE]
        if own:
            yield f"Not checked: {words.listing([cut(what, 60) for what in own], SHORTLY)}."

    def _shown(self) -> list[str | tables.Table]:
        parts: list[str | tables.Table] = [self.sentence()]
        shared = Counter(finding.instead for finding in self.findings)
        for finding in self.findings:
            said = f'"{words.one_line(finding.said)}"' if finding.said else "Missing"
            own = f" What can be said: {finding.instead}" if shared[finding.instead] == 1 else ""
            parts.append(f"{said}: {finding.reason}{own}")
        parts += [f"What can be said: {instead}" for instead, times in shared.items() if times > 1]
        if self.understood and self.checked:
            parts.append(f"Checked: {'; '.join(self.checked)}.")
        return [*parts, f"Not checked: {'; '.join(self.unread)}."]


def check_claim(text: str, result: Checkable) -> ClaimCheck:
    """Check a sentence or paragraph, in English, against the result it is about.

    Parameters
    ----------
    text : str
        The claim. Words in double quotation marks are taken as mentioned, not as said.
    result : pool of any kind, OnePanel, Preference or Tasters
        What it is about.

    Returns
    -------
    ClaimCheck

    Raises
    ------
    ValueError
        If there is no text.
    TypeError
        If `result` is something else.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> print(check_claim("25 % of people can taste it.", pooled).findings[0].reason)
    A rate of correct answers is no number of people: guessers are correct too, and nobody is a fixed yes or no.
    >>> check_claim(pooled.statement(), pooled).ok
    True
    """
    if not isinstance(text, str) or not text.strip():
        raise ValueError("there is no claim to check: give the sentence as text.")
    claim = unwrapped(" ".join(words.one_line(text).replace("\u00a0", " ").split()))
    read = with_points(blank(claim, *(m.span() for m in re.finditer(QUOTED, claim))))
    named = [name for name in names_in(result) if name_pattern(name).search(read)]
    read = blank(read, *(m.span() for name in named for m in name_pattern(name).finditer(read)))
    days = days_in(read)
    read = blank(read, *((day.start, day.end) for day in days))
    read, tests = protocols_out(read)
    facts = facts_of(result, tuple(levels(read)) or (0.95,), tuple(tests), tuple(named))
    facts = replace(facts, say=said_of(facts.sittings) | facts.say)
    if not is_english(read):
        why = "all of it: this does not read as English"
        return ClaimCheck(text, (), (), (why,), understood=False)
    found: list[Finding] = []
    checked: list[str] = []
    not_read: list[str] = []
    for start, sentence in sentences(read):
        stop = start + len(sentence)
        about = About(
            sentence,
            tuple(one for one in facts.sittings if one.name and name_pattern(one.name).search(claim[start:stop])),
            tuple(replace(day, start=day.start - start, end=day.end - start) for day in days
                  if start <= day.start < stop),
        )  # fmt: skip
        mine = facts.of_panels(about.named) if about.named and not re.search(_OTHERS, sentence, re.I) else facts
        held: list[str] = []
        loose: list[str] = []
        marks = [
            *((0, f) for f in (*_wording(sentence, facts), *_verdict(sentence, facts, held), *_sides(sentence, facts))),
            *((0, Finding(*said)) for said in circumstances(about, facts, held, loose)),
        ]
        for offset, part in asides(sentence):
            marks += [(offset, finding) for finding in _numbers(part, mine, held, loose)]
        misread = any(finding.rule == "chance-of-the-null" for _, finding in marks)
        held = [what for what in held if not (misread and what == _kind_words(PROBABILITY))]
        checked += held
        not_read += loose
        if not marks and not held and re.search(r"[a-z]", sentence):
            not_read.append(f'"{cut(claim[start:stop].strip(), 80)}"')
        not_read += [
            f'the reason given ("{cut(claim[start:stop][m.start() :], 60)}")' for m in _CAUSE.finditer(sentence)
        ]
        for offset, f in marks:
            at = start + offset + f.start
            found.append(Finding(f.rule, claim[at : at + len(f.said)], f.reason, f.instead, at))
    said_something = bool(checked or found) or any(
        re.search(rule.pattern, read, re.IGNORECASE) for rule in _applying(facts)
    )
    found += _missing(read, facts, tests, named, bool(set(checked) - _NO_SIZES))
    if found or not said_something:
        own = own_sentences(result)
        found = list(_without_our_own(found, claim, own))
        said_something |= all(sentence.strip() in own for _, sentence in sentences(claim))
    tidy = tuple(_without_repeats(sorted(found, key=lambda f: (f.start, -len(f.said)))))
    quotes = ["what stands in quotation marks"] if re.search(QUOTED, claim) else []
    unread = tuple(dict.fromkeys([*not_read, *quotes, _ELSE]))
    wording = f"wording ({len(_applying(facts))} rules)"
    return ClaimCheck(text, tidy, (wording, *_summed(checked)), unread, understood=said_something)


def _without_our_own(found: list[Finding], claim: str, own: frozenset[str]) -> Iterator[Finding]:
    """Findings outside the sentences that are the result's own, word for word."""
    spans = [(start, start + len(sentence), sentence.strip() in own) for start, sentence in sentences(claim)]
    for finding in found:
        if finding.said:
            ours = any(start <= finding.start < end and known for start, end, known in spans)
        else:
            ours = all(known for *_, known in spans)
        if not ours:
            yield finding


# --- wording ----------------------------------------------------------------------------------------------------------


def _applying(facts: Facts) -> list[rules.Rule]:
    return [rule for rule in rules.RULES if facts.result in rule.results and not (rule.undirected and facts.directed)]


def _wording(sentence: str, facts: Facts) -> Iterator[Finding]:
    for rule in _applying(facts):
        for match in rules.marked(rule, sentence):
            start, end = _whole_words(sentence, *match.span())
            said = sentence[start:end].rstrip(" .,;!?")
            yield Finding(rule.id, said, rule.reason, rule.instead.format_map(facts.say), start)


def _whole_words(sentence: str, start: int, end: int) -> tuple[int, int]:
    """The span with the rest of words that it cuts, such as co-op's."""
    for word in re.finditer(r"\w+(?:[-'\u2019]\w+)*", sentence):
        if word.start() < start < word.end():
            start = word.start()
        if word.start() < end < word.end():
            end = word.end()
    return start, end


def _without_repeats(findings: list[Finding]) -> Iterator[Finding]:
    """Each rule once at each place; of rules that mark the same words the one with more of them."""
    end, seen = -1, set()
    for finding in findings:
        stop = finding.start + len(finding.said)
        if (
            finding.said
            and stop <= end
            and finding.rule in ("significant-alone", "no-difference", "number-not-the-result's")
        ):
            continue
        if (finding.rule, finding.start) in seen:
            continue
        seen.add((finding.rule, finding.start))
        end = max(end, stop)
        yield finding


# --- numbers ----------------------------------------------------------------------------------------------------------

_SAID_BY = {
    D_PRIME: "size",
    "spread": "spread",
    P_D: "rate",
    P_C: "rate",
    GUESS: "rate",
    P_VALUE: "significance",
    PREFERS: "preference",
    PROBABILITY: "verdict",
    BAYES: "evidence",
}
_POWER = r"\bpower\b"  # belongs to a plan and a supposed difference, which the result does not hold
HYPOTHETICAL = r"\b(?:next|future|planned?|another|further|would|needs?|wanted|a panel of)\b"


def _numbers(sentence: str, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Finding]:
    hypothetical = bool(re.search(HYPOTHETICAL, sentence, re.IGNORECASE))
    spans = []
    for count in counted(sentence):
        spans.append((count.start, count.end))
        if count.whole is not None:
            yield from _pair(count, sentence, facts, checked, unread)
            if count.share is not None:
                spans.append((count.share.start, count.share.end))
                yield from _share(count, count.share, facts, checked)
        else:
            yield from _count(count, facts, hypothetical, checked, unread)
    power = bool(re.search(_POWER, sentence, re.IGNORECASE))
    for number in numbers(blank(sentence, *spans)):
        if power or not number.kind or (number.kind == P_VALUE and number.compared and not facts.p_value):
            unread.append(f"the number {number.said}")
            continue
        yield from _number(number, sentence, facts, checked, unread)


def _pair(count: Any, sentence: str, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Finding]:
    pair = (count.value, count.whole)
    after = sentence[count.end :]
    if count.noun == "panels" or re.match(r" (?:\w+ ){0,2}panels?\b| (?:was|were|came out) \S*significan", after):
        if count.whole not in facts.counts["panels"]:
            yield _not_ours(count, f"There are {max(facts.counts['panels'])} panels.", facts.say["people"])
        return  # what is counted so is a vote, and a rule of wording
    if facts.total == pair:
        yield Finding(
            "added-counts",
            count.said,
            "Correct answers of protocols with different guess rates do not add up to anything.",
            facts.say["rate"],
            count.start,
        )
    elif pair in facts.pairs:
        if facts.pairs[pair].endswith("naive") and not re.search(_UNDILUTED, sentence, re.IGNORECASE):
            yield _diluted(count.said, count.start, facts)
        elif count.noun == "people" and facts.people is not None and facts.people < count.whole == facts.tastings:
            yield _replicates(count, facts)
        else:
            checked.append("counts")
    elif count.whole <= 10 and pair != (0, 0) and re.search(r"guess|chance|luck", sentence, re.IGNORECASE):
        unread.append(f"the fraction {count.said}")
    else:
        yield _not_ours(count, "No panel of this result has these counts.", facts.say["count"])


def _share(count: Any, share: Number, facts: Facts, checked: list[str]) -> Iterator[Finding]:
    part = count.value / max(count.whole, 1)
    if share.agrees(part):
        checked.append("shares of counts")
    else:
        is_ = f"{count.value} of {count.whole} is {words.percent(part)}"
        yield _not_ours(share, f"That is not the share: {is_}.", facts.say["count"])


def _count(count: Any, facts: Facts, hypothetical: bool, checked: list[str], unread: list[str]) -> Iterator[Finding]:
    if count.noun == "correct":
        yield from _right_answers(count, facts, hypothetical, checked, unread)
        return
    known = facts.counts[count.noun]
    if count.noun == "people":
        if count.value in known:
            checked.append("numbers of people")
        elif count.value in facts.counts["tastings"] and (known or facts.people is not None):
            yield _replicates(count, facts)
        elif not known:
            unread.append(f"whether there were {count.said}: this result does not hold how many people answered")
        elif hypothetical:
            unread.append(f"{count.said}, of a panel that is not in this result")
        else:
            yield _not_ours(count, _have("people", facts), facts.say["people"])
    elif count.value in known:
        checked.append(f"numbers of {count.noun}")
    elif hypothetical or (count.noun == "panels" and count.value == 1):
        unread.append(f"{count.said}, of a panel that is not in this result")
    else:
        yield _not_ours(count, _have(count.noun, facts), facts.say["people"])


def _right_answers(
    count: Any, facts: Facts, hypothetical: bool, checked: list[str], unread: list[str]
) -> Iterator[Finding]:
    """A number of correct answers whose whole is not said beside it."""
    if facts.total is not None and count.value == facts.total[0]:
        yield from _pair(replace(count, whole=facts.total[1]), "", facts, checked, unread)
    elif any(count.value == part for part, _ in facts.pairs):
        checked.append("counts")
    elif hypothetical:
        unread.append(f"{count.said}, of a panel that is not in this result")
    else:
        yield _not_ours(count, "No panel, nor all together, has so many correct answers.", facts.say["count"])


def _have(noun: str, facts: Facts) -> str:
    total = {"panels": max(facts.counts["panels"]), "tastings": facts.tastings, "people": facts.people}[noun]
    return (
        f"The result has {words.whole(total)} {noun}."
        if total is not None
        else f"No panel of the result has so many {noun}."
    )


def _replicates(count: Any, facts: Facts) -> Finding:
    people = f"{words.count(facts.people, 'person')} gave" if facts.people is not None else "fewer people gave"
    reason = f"That is the number of tastings: {people} them. Repeated tastings are not more people."
    return Finding("replicates-as-people", count.said, reason, facts.say["people"], count.start)


def _diluted(said: str, start: int, facts: Facts) -> Finding:
    reason = (
        "Some of those who were correct only guessed, and their preference is a coin toss: the plain share is diluted."
    )
    return Finding("unadjusted-preference", said, reason, facts.say["preference"], start)


def _not_ours(said: Any, reason: str, instead: str) -> Finding:
    return Finding("number-not-the-result's", said.said, reason, instead, said.start)


def _number(number: Number, sentence: str, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Finding]:
    kind = PREFERS if facts.result == rules.PREFERENCE and number.kind in (P_C, P_D, GUESS) else number.kind
    number = replace(number, kind=kind)
    known = of_the_protocol([fact for fact in facts.numbers if fact.kind == kind], number, sentence)
    known = of_the_panels_meant(known, number, sentence) or known
    if not known:
        unread.append(f"the number {number.said}")
        return
    if (
        number.kind == PROBABILITY
        and abs(number.value - SETTLED) < 1e-9
        and re.search(r"\bneither\b|\breach", sentence)
    ):
        return  # the level at which a question counts as settled
    agreeing = [fact for fact in known if number.agrees(fact.value)]
    instead = facts.say[_SAID_BY[number.kind]]
    side = side_said(sentence, number) if kind == PROBABILITY else ""
    other, meant = {ABOVE: BELOW, BELOW: ABOVE}.get(side, ""), {fact.what for fact in agreeing}
    if side and side not in meant and other in meant:
        reason = f"That is the probability of {other}, not of {side}."
        yield Finding("wrong-side", number.said, reason, instead, number.start)
        return
    if not agreeing:
        others = [f for f in facts.numbers if f.kind in (P_C, P_D, D_PRIME) and number.agrees(f.value)]
        near = of_the_protocol([f for f in others if f.kind in (P_C, P_D)], number, sentence)
        also = next(iter([*near, *others]), None) if not number.compared else None
        hint = (
            f" It is the result's {also.what}{f' ({also.test})' if also.test and also.test not in also.what else ''}."
            if also
            else ""
        )
        yield _not_ours(number, f"The result has no such {number.kind}.{hint}", instead)
        return
    if is_an_end_alone(number, agreeing, sentence):
        reason = "That is an end of the interval, not the estimate."
        yield _not_ours(number, reason, instead)
        return
    checked.append(MARGIN if meant == {MARGIN} else _kind_words(number.kind))
    plain = kind == PREFERS and all("naive share" in fact.what for fact in agreeing)
    if plain and not re.search(_UNDILUTED, sentence, re.IGNORECASE):
        yield _diluted(number.said, number.start, facts)
    width = max((fact.width for fact in agreeing if fact.width == fact.width), default=float("nan"))
    house = 0.01
    if number.digits >= 3 and number.step < house * 0.99 and number.step < width / 100:
        said = words.d(number.value) if number.kind in (D_PRIME, "spread") else words.percent(number.value)
        reason = (
            f"The interval is {words.d(width)} wide; more digits than {said} say more than is known."
            if number.kind in (D_PRIME, "spread")
            else f"The interval is {words.percent(width)} wide; more digits than {said} say more than is known."
        )
        yield Finding("too-precise", number.said, reason, instead, number.start)


def _kind_words(kind: str) -> str:
    return {P_VALUE: "p-values", PROBABILITY: "probabilities", PREFERS: "shares that prefer", GUESS: "guess rates"}.get(
        kind, f"{kind} numbers"
    )


def _summed(checked: list[str]) -> list[str]:
    """Each thing checked once, with how often."""
    return [f"{what} ({checked.count(what)})" if checked.count(what) > 1 else what for what in dict.fromkeys(checked)]


# --- verdict and direction --------------------------------------------------------------------------------------------

_OPEN = "a verdict not claimed"
# Checked things that say nothing of how large or how probable anything is.
_NO_SIZES = {
    "numbers of panels", "numbers of tastings", "numbers of people", "counts", "guess rates", "blinding", "protocols",
    "dates", "names of panels", MARGIN, _OPEN,
}  # fmt: skip
_SIDES = {"above": words.VERDICTS[0], "below": words.VERDICTS[1], "open": words.VERDICTS[2]}


def _verdict(sentence: str, facts: Facts, checked: list[str]) -> Iterator[Finding]:
    if facts.result == rules.PREFERENCE:
        return
    for match in _VERDICT.finditer(sentence):
        around = _clause_around(sentence, match)
        if re.search(_HEDGE, around.replace(match[0], " "), re.IGNORECASE):
            continue
        said = _SIDES[str(match.lastgroup)]
        denied = rules.denied(sentence, match.start()) and match.lastgroup != "open"
        known = facts.verdicts or (facts.verdict,)
        if (said in known) == denied:
            if facts.verdicts and denied:
                continue  # at one value of a moderator it may be so
            verdict = f"The verdict is {words.listing(map(repr, known))}{' here and there' * bool(facts.verdicts)}."
            yield Finding(
                "wrong-verdict",
                match[0],
                "There is no verdict without a margin." if facts.verdict == "no margin given" else verdict,
                facts.say["verdict"],
                match.start(),
            )
        else:
            checked.append(_OPEN if match.lastgroup == "open" or denied else "the verdict")


def _clause_around(sentence: str, match: re.Match[str]) -> str:
    start = max((m.end() for m in re.finditer(r"[.;:!?]", sentence[: match.start()])), default=0)
    stop = next((match.end() + m.start() for m in re.finditer(r"[.;:!?]", sentence[match.end() :])), len(sentence))
    return sentence[start:stop]


def _sides(sentence: str, facts: Facts) -> Iterator[Finding]:
    """Directions of one panel's count or significance, and of a preference, that are the wrong way round."""
    if facts.p_value is not None:
        for match in re.finditer(r"\bstatistical(?:ly)?[- ](?P<in>in)?significan\w+", sentence, re.IGNORECASE):
            negative = bool(match["in"]) or rules.denied(sentence, match.start())
            if re.search(rules.CONDITIONAL, sentence[: match.start()], re.IGNORECASE):
                continue
            if negative == (facts.p_value <= facts.alpha):
                reason = (
                    f"With {words.p_value(facts.p_value)} it is the other way round at {words.percent(facts.alpha)}."
                )
                yield Finding("wrong-side", match[0], reason, facts.say["significance"], match.start())
    if facts.below_guessing is not None:
        more = r"\b(?:better|more often|more|above|higher) (?:than )?(?:chance|guess\w*|luck)\b"
        fewer = r"\b(?:worse|less often|fewer|below|lower) (?:than )?(?:chance|guess\w*|luck)\b"
        for pattern, wrong in ((more, facts.below_guessing), (fewer, not facts.below_guessing)):
            for match in re.finditer(pattern, sentence, re.IGNORECASE) if wrong else ():
                if not rules.denied(sentence, match.start()) and not re.search(r"\bno $", sentence[: match.start()]):
                    yield Finding(
                        "wrong-side",
                        match[0],
                        "The count lies on the other side of guessing.",
                        facts.say["count"],
                        match.start(),
                    )
    if facts.result == rules.PREFERENCE:
        most = (
            r"(?:\b(?:most|majority|more than half)\b|^(?:people|tasters|drinkers)\b)[^.;!?]{0,40}?\b(?:prefer\w*|"
            r"like\w*|favou?r\w*)\b[^.;!?]{0,20}?\b(new|old)\b"
        )
        for match in re.finditer(most, sentence, re.IGNORECASE):
            if re.search(r"\bprobab|\bchance", sentence[: match.start()], re.IGNORECASE):
                continue  # a side of which a probability is said
            if (match[1].lower() == "new") != (facts.verdict == "more than half") and not rules.denied(
                sentence, match.start()
            ):
                yield Finding(
                    "wrong-side",
                    match[0],
                    "The other product is the likelier favourite.",
                    facts.say["preference"],
                    match.start(),
                )


# --- what is missing --------------------------------------------------------------------------------------------------


def _missing(claim: str, facts: Facts, tests: list[str], named: list[str], said_numbers: bool) -> Iterator[Finding]:
    end = len(claim)
    if not said_numbers:
        return
    counts = [c for _, sentence in sentences(claim) for c in counted(sentence)]
    people = any(c.noun == "people" for c in counts)
    people = people or bool(re.search(r"number of people is not given|how many people", claim))
    tastings = any(c.noun == "tastings" or c.whole is not None for c in counts)
    if named:  # of one panel its tastings will do, where as many people gave them
        people = people or any(c.whole in facts.counts["people"] for c in counts)
    if not people and not (tastings and (facts.people is None or facts.people == facts.tastings)):
        reason = (
            "A result is as good as the number of people behind it, and the claim does not say how many there were."
        )
        yield Finding("people-missing", "", reason, facts.say["people"], end)
    rates = [n for _, s in sentences(claim) for n in numbers(s) if n.kind == P_D and not re.search(_POWER, s)]
    if rates and not tests:
        reason = "A p_d belongs to the protocol it was found with; the same d-prime gives another p_d in another one."
        yield Finding("protocol-missing", "", reason, facts.say["rate"], end)
