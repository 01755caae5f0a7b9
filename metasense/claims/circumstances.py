"""What a sentence says of the panels themselves: how they were blinded, with which protocol, when, and their names.

Each reader takes one sentence, yields what the result's panels contradict, and adds what it held against them to
``checked`` and what it could not to ``unread``. It reads the sentence with the names of panels and dates blanked out:
these are found in the whole claim first.
"""

from __future__ import annotations

import calendar
import datetime as dt
import itertools
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from metasense.claims.facts import Facts, Sitting
from metasense.claims.rules import NUMBER_WORDS, denied
from metasense.protocols import PROTOCOLS
from metasense.showing import words

LETTERS = str.maketrans("0123456789", "abcdefghij")  # a protocol's name without its digits, as claims are read
Said = tuple[str, str, str, str, int]  # rule, words, reason, instead, start
_COUNT = rf"(?:\d+|{'|'.join(NUMBER_WORDS)})"
_PANELS = r"(?:panels?|tests?|sittings?|sessions?|evenings?)"
_LATER = r"\b(?:next|future|planned?|will|would|another|further|should|going to)\b"


@dataclass(frozen=True)
class About:
    """One sentence, with what was found in it before it was blanked.

    Attributes
    ----------
    sentence : str
    named : tuple of Sitting
        The panels it names.
    days : tuple of Day
        Its dates; ``start`` counts from its beginning.
    """

    sentence: str
    named: tuple[Sitting, ...]
    days: tuple[Day, ...]

    @property
    def later(self) -> bool:
        """Whether it speaks of panels that are still to come."""
        return bool(re.search(_LATER, self.sentence, re.IGNORECASE))


def circumstances(about: About, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Said]:
    """Everything that is said of the panels themselves and is not so."""
    if not about.later:
        yield from _protocols(about, facts, checked)
    yield from _blinding(about, facts, checked, unread)
    yield from _dates(about, facts, checked, unread)
    yield from _strangers(about, facts, checked, unread)


# --- how many of them -------------------------------------------------------------------------------------------------

_HOW_MANY = re.compile(
    rf"\b(?:(?P<part>{_COUNT}|all|both|most|half|some|several|none|many|neither|each)(?: but {_COUNT})? (?:out )?of "
    rf"(?:the |our |these |those |all )*(?:{_COUNT} )?(?:[\w-]+ ){{0,2}}?{_PANELS}\b|"
    rf"(?P<all>all|every|each|both|half)(?: the| our| these| those)*(?: {_COUNT})?(?: [\w-]+){{0,3}}? {_PANELS}\b|"
    rf"(?P<no>no|not one|not a single)(?: [\w-]+){{0,3}}? {_PANELS}\b|"
    rf"(?P<some>some|several|a few|many|an?|most)(?: [\w-]+){{0,3}}? {_PANELS}\b|"
    rf"(?P<count>{_COUNT})(?: [\w-]+){{0,3}}? {_PANELS}\b)",
    re.IGNORECASE,
)


_JUST_BEFORE = re.compile(
    rf"\b(?P<but>all but )?(?P<n>{_COUNT})(?: of (?:them|these|those))?(?: (?:was|were|is|are))? $", re.IGNORECASE
)


def _agrees(sentence: str, at: int, held: int, size: int) -> bool:
    """Whether as many panels have a property as the words before it say; all of them where nothing is said."""
    if close := _JUST_BEFORE.search(sentence[:at]):
        number = close["n"].lower()
        wanted = NUMBER_WORDS[number] if number in NUMBER_WORDS else int(number)
        return held == (size - wanted if close["but"] else wanted)
    found = [match for match in _HOW_MANY.finditer(sentence) if match.start() <= at]
    if not found:
        return held == size
    match = found[-1]
    word = next(str(value) for value in match.groups() if value).lower()
    if word in ("all", "both", "every", "each"):
        return held == size
    if word in ("no", "none", "neither", "not one", "not a single"):
        return held == 0
    if word in ("most", "half"):
        return held * 2 > size if word == "most" else held * 2 == size
    if word in ("some", "several", "a few", "many", "a", "an"):
        return held >= 1
    return held == (NUMBER_WORDS[word] if word in NUMBER_WORDS else int(word))


# --- blinding ---------------------------------------------------------------------------------------------------------

_BLIND = re.compile(
    r"\b(?:(?P<double>double)|(?P<single>single)|(?P<none>un|non|not|never|neither))?[- ]?"
    r"blind(?:ed|ing|ly)?\b(?![- ](?:spots?|pairs?|luck|chance))",
    re.IGNORECASE,
)
_KNEW = re.compile(
    r"\b(?P<who>tasters?|people|they|drinkers|panell?ists?|guests|volunteers|servers?|nobody|no one|pourers?)"
    r"(?: [\w'’-]+){0,3}? (?:(?:did|could)(?: not|n['’]t) |never )?kn(?:ow|ew) (?:what|which|the codes?)\b",
    re.IGNORECASE,
)
_MANY = r"\b(?:panels|tests|sittings|sessions|evenings|tastings|each|every|no panel|all)\b"  # not some one panel
_WAYS = {"double": "double-blind", "single": "single-blind", "none": "not blinded"}


def _blinding(about: About, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Said]:
    for match in _KNEW.finditer(about.sentence):
        unread.append(f'who knew what was served ("{match[0]}")')
    for match in _BLIND.finditer(about.sentence):
        kind = str(match.lastgroup or "")
        meant = _meant(about, facts)
        known = [sitting.blind for sitting in meant if sitting.blind]
        one = len(meant) > 1 and not about.named and not re.search(_MANY, about.sentence, re.IGNORECASE)
        if about.later or one or not meant or len(known) < len(meant):
            unread.append(f'blinding ("{match[0].strip()}")')
            continue
        held = sum(blind == kind if kind else blind != "none" for blind in known)
        no = denied(about.sentence, match.start()) and kind != "none"
        if no and 0 < held < len(meant):
            unread.append(f'blinding ("{match[0].strip()}")')
        elif held == 0 if no else _agrees(about.sentence, match.start(), held, len(meant)):
            checked.append("blinding")
        else:
            how = _WAYS.get(kind, "blind")
            which = words.listing(repr(one.name) for one in about.named) if about.named else ""
            reason = f"{held} of {words.count(len(meant), 'panel')} {'was' if held == 1 else 'were'} {how}."
            if which and len(meant) == 1:
                reason = f"{which} was {_WAYS.get(str(known[0]), str(known[0]))}."
            yield "wrong-blinding", match[0].strip(), reason, facts.say["blinding"], match.start()


def _meant(about: About, facts: Facts) -> Sequence[Sitting]:
    """The panels a sentence is about: those it names, those of the protocol it names before "panels", or all."""
    if about.named:
        return about.named
    for match in _TEST_PANELS.finditer(about.sentence):
        of_it = [sitting for sitting in facts.sittings if sitting.test == _test(match["test"])]
        if of_it and not _ALL_ARE.search(about.sentence):
            return of_it
    return facts.sittings


# --- protocols --------------------------------------------------------------------------------------------------------


def _spelled(name: str) -> str:
    return r"[- ]?".join(map(re.escape, re.split("[- ]", name.translate(LETTERS))))


_NAMES = {name: re.compile(_spelled(name), re.IGNORECASE) for name in PROTOCOLS}
_TEST = "|".join(_spelled(name) for name in sorted(PROTOCOLS, key=len, reverse=True))
_TEST_PANELS = re.compile(rf"(?<![\w-])(?P<test>{_TEST}) {_PANELS}\b", re.IGNORECASE)
_SO_MANY = re.compile(
    rf"(?<![\w.,/-])(?P<n>{_COUNT}|all|both|every|each|the|our|these|those)(?: (?:of )?(?:the|our|these))?"
    rf"(?: (?P<also>{_COUNT}))?(?: (?!of\b|and\b|in\b)[\w-]+)? (?P<test>{_TEST})(?P<what> {_PANELS}|s)\b"
    r"(?! (?:answers?|tastings?))",
    re.IGNORECASE,
)
_ALL_ARE = re.compile(
    rf"\b(?:all|every|each|the|our|these)(?: of)?(?: the| our| these)?(?: {_COUNT})?(?: [\w-]+)? {_PANELS}\b"
    rf"[^.;!?,]{{0,20}}?\b(?:was|were|used|ran|are|is)(?: all| only| run as| done as)*(?: an?| the)?(?: [\w-]+)? "
    rf"(?P<test>{_TEST})s?\b",
    re.IGNORECASE,
)
_IS_ONE = re.compile(rf"_\s*(?:was|were|used|ran|is)(?: an?| the)?(?: [\w-]+)? (?P<test>{_TEST})s?\b", re.IGNORECASE)


def _test(said: str) -> str:
    return next(name for name, pattern in _NAMES.items() if pattern.fullmatch(said))


def _protocols(about: About, facts: Facts, checked: list[str]) -> Iterator[Said]:
    if not facts.sittings:
        return
    for match in _SO_MANY.finditer(about.sentence):
        test, number = _test(match["test"]), match["n"].lower()
        of_it = [sitting for sitting in facts.sittings if sitting.test == test]
        number = (match["also"] or number).lower() if number not in NUMBER_WORDS and not number.isdigit() else number
        wanted = NUMBER_WORDS.get(number, int(number) if number.isdigit() else None)
        answers = sum(sitting.tastings for sitting in of_it)
        alone = match["what"] == "s" or "test" in match["what"].lower()
        right = bool(of_it) if wanted is None else wanted == len(of_it) or (alone and wanted == answers)
        if about.named and wanted == 1:
            continue
        if right:
            checked.append("protocols")
        else:
            yield _wrong_test(match, f"{_so_many(len(of_it), test)}.", facts)
    for pattern, meant in ((_ALL_ARE, about.named or facts.sittings), (_IS_ONE, about.named)):
        for match in pattern.finditer(about.sentence) if meant else ():
            test = _test(match["test"])
            if pattern is _ALL_ARE and len(meant) > 1 and not re.search(_MANY, match[0], re.IGNORECASE):
                continue  # which panel is meant, is not said
            held = sum(sitting.test == test for sitting in meant)
            if _agrees(about.sentence, match.start("test"), held, len(meant)):
                checked.append("protocols")
            elif not denied(about.sentence, match.start("test")):
                one = f"{meant[0].name!r} was a {meant[0].test}." if len(meant) == 1 else f"{_so_many(held, test)}."
                yield _wrong_test(match, one, facts)


def _so_many(held: int, test: str) -> str:
    """``no panel was a tetrad``, ``1 panel was a tetrad``, ``7 panels were triangle tests``."""
    if held == 0:
        return f"No panel was a {test} test"
    return f"1 panel was a {test} test" if held == 1 else f"{held} panels were {test} tests"


def _wrong_test(match: re.Match[str], reason: str, facts: Facts) -> Said:
    return "wrong-protocol", match[0].strip("_ "), reason, facts.say["protocols"], match.start()


# --- dates ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Day:
    """A day, month or year as it is said."""

    start: int
    end: int
    said: str
    year: int | None = None
    month: int | None = None
    day: int | None = None

    def holds(self, date: dt.date) -> bool:
        """Whether a date is the one that is said, as far as it is said."""
        pairs = ((self.year, date.year), (self.month, date.month), (self.day, date.day))
        return all(said is None or said == own for said, own in pairs)


_MONTHS = {name: i for i, name in enumerate(calendar.month_name) if name}
_MONTHS |= {name: i for i, name in enumerate(calendar.month_abbr) if name} | {"Sept": 9}
_MONTH = rf"(?P<month>{'|'.join(sorted(_MONTHS, key=len, reverse=True))})\b\.?"
_DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th)?(?!\d)"
_YEAR = r"(?P<year>(?:19|20)\d\d)\b"
_BEFORE = r"(?<![\w])(?:[Ii]n|[Ss]ince|[Ff]rom|[Tt]o|[Uu]ntil|[Tt]ill|[Oo]f|[Bb]etween|[Dd]uring|[Bb]y|and|early|late) "
_DAYS = tuple(
    re.compile(pattern)
    for pattern in (
        r"\b(?P<year>\d{4})-(?P<month>\d\d)-(?P<day>\d\d)\b",
        rf"\b{_DAY}(?: of)? {_MONTH}(?:,? {_YEAR})?",
        rf"\b{_MONTH} {_DAY}(?:,? {_YEAR})?",
        rf"\b{_MONTH},? {_YEAR}",
        rf"{_BEFORE}(?P<said>{_MONTH})(?! \w+ (?:be|have)\b)",
        rf"{_BEFORE}(?P<said>{_YEAR})(?! ?%| (?:people|tasters?|tastings?|answers?|panels?|tests?|drinkers)\b)",
    )
)
_UNSURE = re.compile(
    r"\b\d{1,2}[./]\d{1,2}[./](?:\d{4}|\d\d)\b|\b(?:last|this) (?:spring|summer|autumn|fall|winter|week|month|year|"
    r"night)\b|\byesterday\b",
    re.IGNORECASE,
)
_OF_PANELS = r"\b(?:panels?|tast(?:ed|ings?|ers?)|tests?|sittings?|sessions?|served|evenings?|held|ran|met|people)\b|_"


def days_in(text: str) -> list[Day]:
    """The days, months and years of a text.

    Examples
    --------
    >>> [(day.said, day.year, day.month, day.day) for day in days_in("From 3 March to October 2025, or 2025-04-01.")]
    [('3 March', None, 3, 3), ('October 2025', 2025, 10, None), ('2025-04-01', 2025, 4, 1)]
    """
    found: list[Day] = []
    for pattern in _DAYS:
        for match in pattern.finditer(text):
            parts = match.groupdict()
            start, end = match.span("said") if "said" in parts else match.span()
            if any(day.start < end and start < day.end for day in found):
                continue
            month = parts.get("month")
            number = int(month) if month and month.isdigit() else _MONTHS.get(month or "")
            year, day = parts.get("year"), parts.get("day")
            if (number is not None and not 1 <= number <= 12) or (day and not 1 <= int(day) <= 31):
                continue
            found.append(Day(start, end, text[start:end], year and int(year), number, day and int(day)))  # type: ignore[arg-type]
    return sorted(found, key=lambda day: day.start)


def _dates(about: About, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Said]:
    unread += [f'the date "{match[0]}"' for match in _UNSURE.finditer(about.sentence)]
    meant = about.named or facts.sittings
    known = [sitting.date for sitting in meant if sitting.date is not None]
    of_panels = bool(re.search(_OF_PANELS, about.sentence, re.IGNORECASE)) and not about.later
    for day, pick in _which(about):
        if not known or not of_panels or pick is None:
            unread.append(f'the date "{day.said}"')
        elif any(map(day.holds, pick(known))):
            checked.append("dates")
        elif len(known) < len(meant):
            unread.append(f'the date "{day.said}"')
        else:
            reason = f"No panel of this result was held then ({day.said})."
            if len(meant) == 1:
                reason = f"{meant[0].name!r} was held on {known[0]}."
            elif len(pick(known)) == 1:
                reason = f"The panels were held from {min(known)} to {max(known)}."
            yield "wrong-date", day.said, reason, facts.say["dates"], day.start


Pick = Callable[[list[dt.date]], list[dt.date]]


def _which(about: About) -> Iterator[tuple[Day, Pick | None]]:
    """Each date, with which of the panels' dates it is to be: any, the first, the last; None where that is unclear."""
    days = about.days
    ends: dict[int, Pick] = {}
    for first, last in itertools.pairwise(days):
        between = about.sentence[first.end : last.start]
        opened = re.search(r"(?:\bfrom|\bbetween)\s(?:the )?$", about.sentence[: first.start], re.IGNORECASE)
        if opened and re.fullmatch(r"\s?(?:to|and|until|till|through|[-–])\s?(?:the )?", between):
            ends[first.start], ends[last.start] = _first, _last
    for day in days:
        before = about.sentence[: day.start]
        if re.search(r"\b(?:before|after|by)\s(?:the )?$", before, re.IGNORECASE):
            yield day, None
        elif re.search(r"\bsince\s(?:the )?$", before, re.IGNORECASE):
            yield day, _first
        elif re.search(r"\b(?:until|till)\s(?:the )?$", before, re.IGNORECASE):
            yield day, _last
        else:
            yield day, ends.get(day.start, list)


def _first(dates: list[dt.date]) -> list[dt.date]:
    return [min(dates)]


def _last(dates: list[dt.date]) -> list[dt.date]:
    return [max(dates)]


# --- names ------------------------------------------------------------------------------------------------------------

_NO_NAMES = {
    "The", "Our", "A", "An", "This", "That", "These", "Those", "Each", "Every", "All", "Both", "No", "One", "Two", "In",
    "At", "On", "Of", "And", "But", "Blind", "Sensory", "Taste", "Tasting", "Test", "Next", "First", "Second", "Last",
    "ISO", "Most", "Some", "Several", "Half", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven",
    "Twelve", "Pooled", "Later", "Further", "Many", "Few", "Only", "Across", "Over", "From", "With", "Double", "Single",
    "English", "French", "German", "Spanish", "Italian", "Past", "Earlier", "Repeat", "Repeated", "Other", "Same",
    "Trained", "Untrained", "Expert", "Public", "Small", "Large", "Big", "Whole", "Consumer", "Home", "Local", "Panel",
    "Not",
}  # fmt: skip
_CALLED = re.compile(
    r"(?:(?:\b[Tt]he|\b[Oo]ur|\b[Aa]t|\b[Ii]n) (?P<before>[A-Z][\w'’]*(?: [A-Z][\w'’]*){0,3}) panel\b|"
    r"\b[Pp]anel (?P<behind>[A-Z][\w'’]*(?: [A-Z\d][\w'’]*){0,2}|\d+)\b(?! ?%| of\b))"
)
_WHERE = re.compile(r"\bpanels? (?:at|in|of) (?:the |our )?(?P<where>[A-Z][\w'’]+(?: [A-Z][\w'’]+)*)")


def _strangers(about: About, facts: Facts, checked: list[str], unread: list[str]) -> Iterator[Said]:
    """Panels that are named and are none of the result's."""
    checked += ["names of panels"] * len(about.named)
    known = " ".join(sitting.name for sitting in facts.sittings).casefold()
    tests = {part.casefold() for name in PROTOCOLS for part in re.split("[- ]", name.translate(LETTERS))}
    for match in _CALLED.finditer(about.sentence):
        group = "before" if match["before"] else "behind"
        name = match[group]
        parts = [part for part in name.split() if part not in _NO_NAMES and part.casefold() not in tests]
        if not parts or any(part in _MONTHS for part in parts) or "_" in name:
            continue
        if not known or about.later:
            unread.append(f"whether there is a panel {name!r}")
        elif any(re.search(rf"(?<!\w){re.escape(part.casefold())}(?!\w)", known) for part in parts):
            checked.append("names of panels")
        else:
            reason = f"No panel of this result is called {name!r}."
            yield "wrong-panel", name, reason, facts.say["panels"], match.start(group)
    unread += [f'which panel is meant ("{match[0]}")' for match in _WHERE.finditer(about.sentence)]


def said_of(sittings: Sequence[Sitting]) -> dict[str, str]:
    """The supported sentences about the panels themselves, by what they are about."""
    size = len(sittings)
    blind = [sitting.blind for sitting in sittings if sitting.blind]
    kinds: list[Any] = [(way, blind.count(kind)) for kind, way in _WAYS.items()]
    of = f"of {words.count(size, 'panel')}"
    parts = [f"{number} {of} {'was' if number == 1 else 'were'} {way}" for way, number in kinds if number]
    blinding = f"{'; '.join(parts)}." if len(blind) == size and parts else "How the panels were blinded is not given."
    tests = list(dict.fromkeys(sitting.test for sitting in sittings))
    dates = [sitting.date for sitting in sittings if sitting.date is not None]
    held = "When the panels were held is not given."
    if len(dates) == size and dates:
        held = f"The panels were held from {min(dates)} to {max(dates)}."
        if min(dates) == max(dates):
            held = f"{'The panel was' if size == 1 else 'The panels were'} held on {min(dates)}."
    said = [f"{_so_many(sum(sitting.test == test for sitting in sittings), test)}" for test in tests]
    named = [sitting.name for sitting in sittings if sitting.name]
    return {
        "blinding": blinding,
        "protocols": f"{'; '.join(said)}.",
        "dates": held,
        "panels": f"The panels are {words.listing(map(repr, named), 12)}." if named else "The panels have no names.",
    }
