"""Numbers into words: how metasense rounds, ranges, hedges and names things.

Frames hold raw numbers; everything a person reads passes through here. Three rules: a number is printed no more
precisely than it is known, an estimate is never printed equal to a bound it does not equal, and a probability that is
not exactly so is never called 0 % or 100 %. The phrases this project does not use are listed at the end as data, so
that our own output can be checked against them.
"""

from __future__ import annotations

import html
import math
import re
import textwrap
import unicodedata
from collections.abc import Callable, Iterable
from contextvars import ContextVar
from dataclasses import dataclass

NOT_KNOWN = "not known"
USUAL_LINE = 80
LINE: ContextVar[int | None] = ContextVar("LINE", default=None)  # columns of a terminal, while a command prints into it
VERDICTS = ("beyond the margin", "within the margin", "not settled")


# --- single numbers -------------------------------------------------------------------------------------------------


def d(value: float, digits: int = 2) -> str:
    """A d-prime, or any other number on a plain scale: ``0.4576`` -> ``0.46``.

    Zero is said as ``0``; a value too small for the digits as ``less than 0.01`` (``more than -0.01``); infinity as
    ``no upper limit`` (all answers correct: the data put no bound on the difference).

    Examples
    --------
    >>> d(0.4576), d(0), d(0.0004), d(-0.31), d(float("inf"))
    ('0.46', '0', 'less than 0.01', '-0.31', 'no upper limit')
    """
    value = float(value)
    if math.isnan(value):
        return NOT_KNOWN
    if math.isinf(value):
        return "no upper limit" if value > 0 else "no lower limit"
    if value == 0:
        return "0"
    if 0 < value < 0.5 * 10**-digits:
        return f"less than {10**-digits:.{digits}f}"
    if -0.5 * 10**-digits < value < 0:
        return f"more than -{10**-digits:.{digits}f}"
    return _fixed(value, digits)


def percent(proportion: float, digits: int = 0) -> str:
    """A proportion as a percentage: ``0.123`` -> ``12 %``; exactly 0 and exactly 1 may be said, nothing close to them.

    Examples
    --------
    >>> percent(0.123), percent(0.004), percent(0.997), percent(15 / 15), percent(0)
    ('12 %', 'less than 1 %', 'more than 99 %', '100 %', '0 %')
    """
    proportion = float(proportion)
    if math.isnan(proportion):
        return NOT_KNOWN
    step = 10**-digits
    if 0 < proportion < 0.01 * step:
        return f"less than {step:.{digits}f} %"
    if -0.005 * step < proportion < 0:
        return f"more than -{step:.{digits}f} %"
    if 1 - 0.01 * step < proportion < 1:
        return f"more than {100 - step:.{digits}f} %"
    return f"{_fixed(100 * proportion, digits)} %"


def probability(p: float) -> str:
    """A probability that is believed, not counted: as :func:`percent`, but never certain.

    A computed 0.0 or 1.0 has only run out of digits, so it is said as less than 1 % or more than 99 %.

    Examples
    --------
    >>> probability(0.612), probability(1.0), probability(0.0)
    ('61 %', 'more than 99 %', 'less than 1 %')
    """
    p = float(p)
    if math.isnan(p):
        return NOT_KNOWN
    if not -1e-6 <= p <= 1 + 1e-6:
        raise ValueError(f"{p} is not a probability; it must lie between 0 and 1.")
    return percent(min(max(p, 1e-9), 1 - 1e-9))


def times(factor: float) -> str:
    """How many times as probable: a Bayes factor with two digits, for use before "times".

    Examples
    --------
    >>> times(2.14), times(25.4), times(1234), times(1e9), times(0.004)
    ('2.1', '25', '1,200', 'more than 10,000', '0.004')
    """
    if not 1e-4 <= factor <= 1e4:
        return "more than 10,000" if factor > 1 else "less than 0.0001"
    rounded = float(f"{factor:.2g}")
    return f"{rounded:,.0f}" if rounded >= 10 else f"{rounded:.2g}"


def times_as(factor: float) -> str:
    """A Bayes factor, for use before "as probable".

    >>> times_as(1.02), times_as(25.4), times_as(0.3)
    ('about', '25 times', '0.3 times')
    """
    if 0.95 < factor < 1.05:
        return "about"
    return f"{times(factor)} times"


def p_value(p: float) -> str:
    """A p-value: three decimals below 0.1, two above, never rounded onto 0.05.

    Examples
    --------
    >>> p_value(0.0431), p_value(0.2188), p_value(2e-5), p_value(0.04996), p_value(1)
    ('p = 0.043', 'p = 0.22', 'p < 0.001', 'p = 0.04996', 'p = 1')
    """
    p = float(p)
    if math.isnan(p):
        return f"p {NOT_KNOWN}"
    if p < 0.001:
        return "p < 0.001"
    if p == 1:
        return "p = 1"
    if p >= 0.995:
        return "p > 0.99"
    digits = 3 if p < 0.1 else 2
    while p != 0.05 and digits < 8 and round(p, digits) == 0.05:
        digits += 1
    return f"p = {p:.{digits}f}"


def whole(value: float) -> str:
    """A count, with thousands marked: ``12000`` -> ``12,000``."""
    if not math.isfinite(value):
        return d(value)
    return f"{value:,.0f}" if value == int(value) else f"{value:,g}"


_PLURALS = {"person": "people", "is": "are", "was": "were", "has": "have", "pass": "passes", "taste": "tastes"}


def how_often(number: int) -> str:
    """How often, in words.

    >>> how_often(1), how_often(2), how_often(5)
    ('once', 'twice', '5 times')
    """
    return {1: "once", 2: "twice"}.get(number, f"{whole(number)} times")


def count(n: int, noun: str, plural: str | None = None) -> str:
    """A number of things: ``count(3, "panel")`` -> ``3 panels``.

    Examples
    --------
    >>> count(1, "batch pair"), count(0, "panel"), count(2, "person"), count(1200, "tasting"), count(2, "battery")
    ('1 batch pair', '0 panels', '2 people', '1,200 tastings', '2 batteries')
    """
    if n == 1:
        return f"1 {noun}"
    if plural is None:
        plural = _PLURALS.get(noun) or plural_of(noun)
    return f"{whole(n)} {plural}"


def a(noun: str) -> str:
    """The noun, or a percentage, with its article.

    >>> a("oven"), a("batch pair"), a("A-not-A"), a("unit"), a("18 %"), a("8 %"), a("1 %")
    ('an oven', 'a batch pair', 'an A-not-A', 'a unit', 'an 18 %', 'an 8 %', 'a 1 %')
    """
    vowel = re.match(r"(?!uni|use|eu|one)[aeiou]|8|1[18]\b", noun.lower())
    return f"{'an' if vowel else 'a'} {noun}"


def plural_of(noun: str) -> str:
    """The regular plural.

    >>> plural_of("battery"), plural_of("batch"), plural_of("cup")
    ('batteries', 'batches', 'cups')
    """
    if re.search(r"[^aeiou]y$", noun):
        return f"{noun[:-1]}ies"
    return f"{noun}es" if re.search(r"(?:ch|sh|s|x|z)$", noun) else f"{noun}s"


def listing(items: Iterable[object], most: int | None = None) -> str:
    """Things in a row: ``["a", "b", "c"]`` -> ``a, b and c``; with `most`, the rest are counted.

    Examples
    --------
    >>> listing(["C1", "C2", "C3"]), listing(["C1"]), listing([]), listing("abcdef", most=3)
    ('C1, C2 and C3', 'C1', 'none', 'a, b, c and 3 others')
    """
    names = [one_line(item) for item in items]
    if most is not None and len(names) > most + 1:
        names = [*names[:most], count(len(names) - most, "other")]
    if len(names) < 2:
        return names[0] if names else "none"
    return f"{', '.join(names[:-1])} and {names[-1]}"


def one_line(text: object) -> str:
    """Text safe to print inside a line: breaks become spaces, control and direction characters a visible mark."""
    shown = (" " if c in "\t\r\n\v\f\x85\u2028\u2029" else "\ufffd" if _unprintable(c) else c for c in str(text))
    return " ".join("".join(shown).split())


def wrapped(text: str, width: int | None = None) -> list[str]:
    """Text in lines of a terminal, 80 columns wide where it is not known; a number stays with its percent sign.

    Examples
    --------
    >>> wrapped("It is 92 % probable.", 12)
    ['It is 92 %', 'probable.']
    """
    width = width or LINE.get() or USUAL_LINE
    together = re.sub(r"(?<=\d) %", "\u00a0%", text)
    return [line.replace("\u00a0%", " %") for line in textwrap.wrap(together, width, break_on_hyphens=False)]


# --- estimates with their intervals ---------------------------------------------------------------------------------

_INTERVALS = {
    "equal-tailed": ("credible interval", "equal-tailed"),
    "predictive": ("predictive interval", "equal-tailed"),
    "exact": ("confidence interval", "exact binomial"),
    "profile": ("confidence interval", "profile likelihood"),
}


def interval_name(prob: float = 0.95, kind: str = "equal-tailed") -> str:
    """What an interval is, for a caption or an axis.

    Examples
    --------
    >>> interval_name(), interval_name(0.9, "exact")
    ('credible interval (95 %, equal-tailed)', 'confidence interval (90 %, exact binomial)')
    """
    noun, how = _INTERVALS.get(kind, ("credible interval", kind))
    return f"{noun} ({_level(prob)}, {one_line(how)})"


def distinct(*values: float, unit: str = "d") -> tuple[str, ...]:
    """The values in words, with as many digits as it takes for different values to look different (at most six).

    `unit` is ``"d"`` for plain numbers and ``"percent"`` for proportions.

    Examples
    --------
    >>> distinct(0.17, 0.174, 0.18), distinct(0.46, 0.08, 0.95)
    (('0.170', '0.174', '0.180'), ('0.46', '0.08', '0.95'))
    >>> distinct(0.171, 0.174, 0.18, unit="percent"), distinct(0.0, 0.0, 0.3)
    (('17.1 %', '17.4 %', '18.0 %'), ('0', '0', '0.30'))
    >>> distinct(0.5, 0.5 + 1e-12, 0.5 - 1e-12, unit="percent")
    ('50 %', '50 %', '50 %')
    """
    say: Callable[[float, int], str] = percent if unit == "percent" else d
    first = 2 if unit == "d" else 0
    values = tuple(round(float(v), 9) for v in values)  # what differs by rounding alone is one value
    for digits in range(first, 7):
        texts = tuple(_bound(v, digits, say) for v in values)
        if len(set(texts)) == len(set(values)):
            return texts
    return texts


def estimate(
    value: float, lower: float, upper: float, prob: float = 0.95, unit: str = "d", *, kind: str = "equal-tailed"
) -> str:
    """An estimate with its interval; digits are added until no two of the three numbers look the same.

    Examples
    --------
    >>> estimate(0.4576, 0.0812, 0.9533)
    '0.46 (0.08 to 0.95; 95 % credible interval, equal-tailed)'
    >>> estimate(0.174, 0.171, 0.18, unit="percent")
    '17.4 % (17.1 % to 18.0 %; 95 % credible interval, equal-tailed)'
    """
    middle, low, high = distinct(value, lower, upper, unit=unit)
    return f"{middle} ({span(low, high)}; {_said(prob, kind)})"


def span(lower: str, upper: str) -> str:
    """Two said numbers as a range: ``0.08 to 0.95``; an open end is said as ``0.08 and up``."""
    if upper == "no upper limit":
        return "no limit either way" if lower == "no lower limit" else f"{lower} and up"
    return f"up to {upper}" if lower == "no lower limit" else f"{lower} to {upper}"


# --- text to keep ---------------------------------------------------------------------------------------------------


class Paragraph(str):
    """Text to paste; shown without quotation marks, and set as a paragraph by a notebook.

    Examples
    --------
    >>> Paragraph("Salt & pepper."), Paragraph("Salt & pepper.").upper()
    (Salt & pepper., 'SALT & PEPPER.')
    """

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)

    def _repr_html_(self) -> str:
        together = re.sub(r"(?<=\d) %", "\u00a0%", self)
        return f'<p class="metasense mathjax_ignore tex2jax_ignore">{html.escape(together)}</p>'


# --- margin and verdict ---------------------------------------------------------------------------------------------


def verdict_sentences(margin_text: str, threshold: float = 0.95) -> dict[str, str]:
    """The three sentences, one of which will be printed; written so that they can be read before the data are in.

    Parameters
    ----------
    margin_text : str
        The margin in words, as from :func:`margin`.
    threshold : float
        Posterior probability at which the question counts as settled.

    Returns
    -------
    dict of str
        Keys ``beyond the margin``, ``within the margin``, ``not settled``.

    Examples
    --------
    >>> print(verdict_sentences("a d-prime of 0.50")["within the margin"])
    Within the margin: given these panels and the stated priors, the probability that the average d-prime is below the margin, a d-prime of 0.50, is more than 95 %. A smaller difference may well be there.
    """  # noqa: E501
    level, text = _level(threshold), one_line(margin_text)
    given = "given these panels and the stated priors, the probability that the average d-prime is"
    return {
        "beyond the margin": f"Beyond the margin: {given} above the margin, {text}, is more than {level}. "
        "How many people would care is another question.",
        "within the margin": f"Within the margin: {given} below the margin, {text}, is more than {level}. "
        "A smaller difference may well be there.",
        "not settled": f"Not settled: given these panels and the stated priors, neither side of the margin, {text}, "
        f"reaches a probability of {level}. This is not evidence that the products taste alike; it is too little "
        "evidence either way.",
    }


# --- words explained ------------------------------------------------------------------------------------------------

GLOSSARY: dict[str, str] = {
    "taster": "A person taking part; standards say assessor.",
    "tasting": "One answer by one taster to one set of cups. One taster may give several.",
    "panel": "One sitting of one comparison: these tasters, this protocol, this day.",
    "batch pair": "The two productions compared, such as one barrel of each. Many tasters on one batch pair describe "
    "that pair, not the recipe.",
    "protocol": "What a taster is asked to do, such as pick the odd one of three (triangle).",
    "guess rate": "How often a taster who notices nothing is correct by luck: 1 in 3 in a triangle test.",
    "d-prime": "How far apart two products are, counted in units of how much one product varies from sip to sip. "
    "0 is pure guessing; at 1, a taster who knows what to look for picks the right one of two cups (2-AFC) 76 % of the "
    "time, at 2, 92 %. It does not depend on the protocol.",
    "p_c": "The probability of a correct answer in a stated protocol.",
    "p_d": "Correct answers beyond guessing, rescaled so that 0 is pure guessing and 1 is always correct. It belongs "
    "to its protocol and is not a number of people.",
    "margin": "The smallest difference that would matter to the decision, chosen before the panels are seen.",
    "average d-prime": "The average size of the difference over panels like these, also written Delta.",
    "spread": "How much the true difference varies from panel to panel, as a standard deviation in d-prime.",
    "next panel": "What one more panel of the same kind would face: wider than the average, because panels differ.",
    "credible interval": "The range that holds the true value with the stated probability, given the data, the model "
    "and the priors. Equal-tailed: the value is as likely to lie below the range as above it.",
    "prior": "What was assumed before the panels were seen. Changing it shows how much the answer rests on it.",
    "posterior": "What is known after the panels: the prior updated by the data.",
    "p-value": "How often pure guessing would give at least this many correct answers. It is not the probability that "
    "the products are alike.",
    "drawer": "Panels that were run and never reported. If the dull ones stay in the drawer, the rest exaggerate.",
    "settled": "The probability on one side of the margin has passed the stated level.",
}


# --- phrases this project does not use ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Phrase:
    """A phrase to avoid: its pattern, why, what to say instead, and wording in the same sentence that excuses it."""

    pattern: str
    why: str
    instead: str
    unless: str = r"(?!)"


_PERCEIVE = r"(?:taste|tell|detect|notice|perceive|discriminate|distinguish)"
_ABLE = r"(?:can|could|(?:are|were|is|was) able to)(?:not| not)?"

BANNED: tuple[Phrase, ...] = (
    Phrase(
        r"\b(?:no|zero) (?:[a-z]+ )?differences?\b|\bno different\b|\bindistinguishable\b",
        "panels can bound a difference, not rule out any",
        "within the margin, or not settled",
    ),
    Phrase(
        r"\btastes? (?:exactly )?the same\b|\bnobody can " + _PERCEIVE,
        "panels can bound a difference, not rule out any",
        "within the margin, or not settled",
    ),
    Phrase(
        r"(?:\b\d+ ?%|\b\d+ per ?cent|\b\d+ (?:in|of|out of) \d+)(?: of [a-z -]{1,30}?| [a-z]+)? "
        + _ABLE
        + " "
        + _PERCEIVE,
        "p_d is bookkeeping for guessing, not a headcount of people",
        "the percentage correct, beside the guess rate",
    ),
    Phrase(
        r"\b(?:dis)?proved\b|\b(?:dis)?proves\b|\bproven\b|\bproof that\b",
        "data shift probabilities",
        "shows, with its probability",
    ),
    Phrase(r"\baccept(?:s|ed|ing)? the null\b", "a large p-value is not support", "not statistically significant"),
    Phrase(
        r"\bconfiden(?:ce|t)\b",
        "confidence belongs to another kind of interval than the posterior's",
        "credible interval, or probability",
        unless=r"exact|Clopper|binomial|profile|likelihood",
    ),
    Phrase(
        r"(?<!statistically )(?<!statistically-)(?<!statistical )\b(?:in)?significan(?:t|tly|ce)\b",
        "it reads as important",
        "statistically significant, with the p-value",
        unless=r"significant (?:figure|digit)s?",
    ),
    Phrase(
        r"\b(?:non-)?discriminators?\b|\bdistinguishers?\b",
        "nobody is a fixed yes or no",
        "correct answers beyond guessing",
    ),
    Phrase(r"\bsuper-?tasters?\b", "a label for people that these data cannot give", "the taster's own tastings"),
    Phrase(
        r"\btrend(?:s|ed|ing)? towards?\b", "it dresses up a p-value above the line", "the estimate and its interval"
    ),
    Phrase(
        r"\b(?:interval|limit|bound)\b[^.;]{0,40}\b(?:excludes?|does not (?:include|contain)|(?:is|stays) above) "
        r"(?:0\b|zero)",
        "a d-prime that cannot be negative always does",
        "the probability beyond the margin",
    ),
    Phrase(
        r"\b(?:observed|post-?hoc) power\b|\bpower was \d", "power after the fact repeats the p-value", "the interval"
    ),
    Phrase(r"\b(?:the|our|\d+) judges?\b", "judges belong to competitions", "tasters"),
    Phrase(
        r"\b(?:panels?|tasters?|products?) (?:passed|failed)\b|\bpass/fail\b", "a panel is a measurement", "the verdict"
    ),
    Phrase(r"\bvalidated\b", "it promises more than a check against stated values", "checked against, and what"),
)


def banned(text: str) -> list[str]:
    """The phrases in `text` that this project does not use, in the order they stand.

    Words between double quotation marks or backticks are mentioned rather than used, and are passed over.

    Examples
    --------
    >>> banned("We proved that 25 % of tasters can taste it; the result is significant.")
    ['proved', '25 % of tasters can taste', 'significant']
    >>> banned('A statistically significant result never licenses "no difference".')
    []
    """
    text = re.sub(r"\s+", " ", text)
    quoted = r"\"[^\"]{1,80}\"|\u201c[^\u201d]{1,80}\u201d|`[^`]{1,80}`"
    text = re.sub(quoted, lambda m: " " * len(m[0]), text)
    found = []
    for phrase in BANNED:
        for match in re.finditer(phrase.pattern, text, re.IGNORECASE):
            if not re.search(phrase.unless, _sentence_around(text, match), re.IGNORECASE):
                found.append((match.start(), match[0]))
    return [words for _, words in sorted(found)]


def _sentence_around(text: str, match: re.Match[str]) -> str:
    start = max((m.end() for m in re.finditer(r"[.!?]\s", text[: match.start()])), default=0)
    stop = re.search(r"[.!?](?:\s|$)", text[match.end() :])
    return text[start : match.end() + (stop.start() if stop else len(text))]


def _unprintable(character: str) -> bool:
    return unicodedata.category(character) in (
        "Cc",
        "Cs",
    ) or character in "\u200e\u200f\u202a\u202b\u202c\u202d\u202e" + ("\u2066\u2067\u2068\u2069\ufeff")


def _bound(value: float, digits: int, say: Callable[[float, int], str] = d) -> str:
    """A number among others; one its digits would hide gets up to two more, a percentage one: ``0.004``, ``0.4 %``."""
    texts = [say(value, digits + more) for more in range(2 if say is percent else 3)]
    return next((text for text in texts if not text.startswith(("less", "more"))), texts[-1])


def _fixed(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if not text.strip("-0.") else text  # no minus zero


def _level(prob: float) -> str:
    return f"{100 * prob:.10g} %"


def _said(prob: float, kind: str) -> str:
    noun, how = _INTERVALS.get(kind, ("credible interval", kind))
    return f"{_level(prob)} {noun}, {one_line(how)}"
