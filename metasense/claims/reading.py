"""A claim made ready to be read: its sentences, what stands in brackets, and names and digits that are no numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator

from metasense.claims.circumstances import LETTERS
from metasense.claims.facts import SENTENCE_END
from metasense.claims.numbers import blank
from metasense.protocols import PROTOCOLS, Protocol
from metasense.showing import words

QUOTED = r"\"[^\"]{1,200}\"|\u201c[^\u201d]{1,200}\u201d|`[^`]{1,200}`|\u00ab[^\u00bb]{1,200}\u00bb"
_ENGLISH = re.compile(
    r"the|a|an|of|to|in|is|are|was|were|be|that|this|these|those|and|or|not|no|by|with|for|from|on|at|as|it|we|our|"
    r"they|there|than|more|less|panels?|tasters?|people|difference|tastes?|like|can|could|between|if|all"
)
# Digits that are no numbers of a result: dates, standards, prior scales and what they are priors of, ends of a scale.
_NO_NUMBERS = (
    r"\b\d{4}-\d{2}-\d{2}\b|\b(?:ISO|ASTM|EN|AS)\s?E?\d[\d:.-]*|\bnormal\([\d., ]+\)|\bpriors? on (?:p_?d|d-?prime)\b|"
    r"\bms\.\w+\([^()]*\)|\bfrom 0 to (?:1|100 ?%)|\bguessing is 0 % and no mistakes 100 %"
)


def unwrapped(text: str) -> str:
    """The claim without quotation marks around the whole of it."""
    if len(text) > 2 and text[0] + text[-1] in ('""', "\u201c\u201d", "''", "``") and not re.search(QUOTED, text[1:-1]):
        return text[1:-1] if text[0] not in text[1:-1] else text
    return text


def name_pattern(name: str) -> re.Pattern[str]:
    """What finds the name of a panel."""
    return re.compile(rf"(?<!\w){re.escape(words.one_line(name))}(?!\w)", re.IGNORECASE if len(name) > 3 else 0)


def protocols_out(text: str) -> tuple[str, list[str]]:
    """The text with numbers inside protocols' names and dates hidden, and the forced-choice protocols it names."""
    found = []
    for name, kind in PROTOCOLS.items():
        pattern = re.compile(rf"(?<!\w){'[- ]?'.join(map(re.escape, re.split('[- ]', name)))}s?(?!\w)", re.IGNORECASE)
        if pattern.search(text) and isinstance(kind, Protocol):
            found.append(name)
        text = pattern.sub(lambda m: m[0].translate(LETTERS), text)
    return blank(text, *(m.span() for m in re.finditer(_NO_NUMBERS, text, re.IGNORECASE))), found


def is_english(text: str) -> bool:
    """Whether there are enough small English words."""
    seen = re.findall(r"[^\W\d_]+", text.lower())
    return len(seen) < 6 or sum(bool(_ENGLISH.fullmatch(word)) for word in seen) >= 0.12 * len(seen)


def sentences(text: str) -> Iterator[tuple[int, str]]:
    """Each sentence with where it begins."""
    at = 0
    for match in SENTENCE_END.finditer(text):
        yield at, text[at : match.start()]
        at = match.end()
    yield at, text[at:]


def asides(sentence: str) -> Iterator[tuple[int, str]]:
    """What stands in brackets and names something of its own, then the sentence without it; every place kept."""
    rest = sentence
    for match in re.finditer(r"\(([^()]*)\)", sentence):
        if re.search(r"correct|guess|probab|\bP\b|prime|p_d|tasters?|panels?", match[1]):
            yield match.start(1), match[1]
            rest = rest[: match.start(1)] + re.sub(r"[^\s]", "_", match[1]) + rest[match.end(1) :]
    yield 0, rest
