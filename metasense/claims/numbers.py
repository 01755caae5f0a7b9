"""Read the numbers of a sentence: which are there, what each is said to be, and how precisely it is said.

A number belongs to the quantity that is named nearest to it: right after it, or else before it in the same sentence.
One that stands beside no quantity known here is left unread, and the check says so.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from metasense.claims.facts import BAYES, D_PRIME, GUESS, P_C, P_D, P_VALUE, PREFERS, PROBABILITY, SPREAD
from metasense.claims.rules import NUMBER_WORDS

_PLAIN = r"(?:\d{1,3}(?:,\d{3})+|\d+)(?:\.\d+)?|\.\d+"
_TOKEN = re.compile(rf"(?<![\w.])(?P<sign>[-−+]?)(?P<digits>{_PLAIN})(?![\w])(?P<percent>\s?%|\s?per ?cent\b)?")
# A comma that only a decimal comma can be: 37,5 and 0,342, but not 1,234, nor a list 1,2,3, nor a pair [36,49].
_DECIMAL_COMMA = re.compile(
    r"(?<![\w.,])(?:(?<![\[(])|(?!\d+,\d+[\])])|(?=0,\d\d))(?:0,\d+|\d+,(?:\d{1,2}|\d{4,}))(?!\w|[.,]\d)"
)
_WORDS = "|".join(NUMBER_WORDS)
_COUNT = rf"(?:\d{{1,3}}(?:,\d{{3}})+|\d+|{_WORDS})"
_NOT_ONE = r"(?!(?:(?<=\bnot )|(?<=\bno )|(?<=\beven ))one\b)"  # "not one taster" counts nobody
_COMPARED = (
    (">", r"(?:more|greater|larger|higher) than\s*$|\babove\s*$|\bover\s*$|\bat least\s*$|\bfrom\s*$|>\s*=?\s*$|≥\s*$"),
    ("<", r"(?:less|fewer|smaller|lower) than\s*$|\bbelow\s*$|\bunder\s*$|\bat most\s*$|\bup to\s*$|<\s*=?\s*$|≤\s*$"),
    ("~", r"(?:about|around|roughly|nearly|almost|approximately|some|circa|close to|~|≈)\s*$"),
)
_RIGHT = r"^\S+ (?:correct|right) |(?:answers|tastings|trials) (?:were|are|was) (?:correct|right)\b"
# What a number may be, and the words that say so.
_KEYS = (
    (P_VALUE, r"\bp\s?(?:-?\s?values?)?\s*(?:=|<|>|≤|≥|of\b|is\b|was\b|:)"),
    (P_D, r"\bp_?d\b|\bbeyond guessing\b"),
    (P_C, r"\bp_?c\b|\b(?:correct|right)\b"),
    (GUESS, r"\bguess(?:ing|ers|es)?\b(?: alone)?|\bby (?:luck|chance)\b|\bchance level\b"),
    (SPREAD, r"\bSD\b|\bspread\b|\bstandard deviation\b|\btau\b"),
    (D_PRIME, r"\bd-?\s?prime\b|\bd['′’](?!\w)|\bDelta\b|Δ"),
    (BAYES, r"\bBayes factors?\b|\btimes (?:for|as|more|better|likelier)\b"),
    (PREFERS, r"\bprefer\w*|\bshare\b"),
    (PROBABILITY, r"\bprobab\w+|\bchances?\b|\bP\s?\(|\bP above\b|\blike(?:ly|lihood)\b|\bodds\b|\bsure\b|\bcertain\b"),
)  # fmt: skip
# "The probability that ... is 8 %": of the whole phrase, whatever else is named in it; and the one that is a p-value.
_OF_A_PHRASE = r"\b(?:probability|chance) (?:that|of) [^,;:.()\d]*\b(?:is|was|be|are) (?:only |about )?$"
_SO_MANY = r"\b(?:so|that|this) (?:many|few)\b|\bor (?:more|fewer)\b"
_LEVEL = re.compile(
    r"(\d+(?:\.\d+)?)\s?%\s?(?:(?:equal-tailed|central|credible|confidence|predictive|exact|posterior|uncertainty|"
    r"Bayesian|HDI|CI)\b|interval)|(?:interval|credible|limits?)[^()\d]{0,12}\((\d+(?:\.\d+)?)\s?%|"
    r"\((\d+(?:\.\d+)?)\s?%\)|\bbetween [\d.]+ and [\d.]+ with (?:a )?probability (?:of )?(\d+(?:\.\d+)?)\s?%",
    re.I,
)
_UNITS = (
    r"\s?(?:°|weeks?|days?|months?|years?|hours?|minutes?|degrees?|k?g\b|m[gl]\b|lit(?:re|er)s?|grams?|kilos?|euros?|"
    r"pounds?|dollars?|bottles?|barrels?|batch(?:es)?|cups?|loaves|bags?|sites?|shops?)"
)
# Rates said of every hundred answers, as the plain answer says them: "of 100 answers about 43 would be right".
_HUNDRED = re.compile(r"\b(?:out )?of (?:every |each )?(?:100|(?:a|one) hundred)\b(?!\s?%|[.,]\d)", re.IGNORECASE)
_RATE_WORDS = re.compile(r"\b(?:would|will|margin|averag\w+|expect\w*|every|each)\b", re.IGNORECASE)
_MARGIN_OF = re.compile(r"\bmargin\b[^\d;.]{0,40}$", re.IGNORECASE)
_NOUNS = {
    "panels": r"panels?",
    "tastings": r"tastings?|answers?|trials?",
    "people": r"tasters?|people|persons?|assessors?|panell?ists?|participants?|volunteers?|drinkers|subjects?",
}


@dataclass(frozen=True)
class Number:
    """One number as it is said.

    Attributes
    ----------
    start, end : int
    said : str
    value : float
        Percentages as proportions.
    step : float
        The last digit said.
    kind : str
        What it is said to be; empty if that cannot be told.
    compared : str
        ``>``, ``<``, ``~`` or nothing.
    digits : int
        Significant ones.
    """

    start: int
    end: int
    said: str
    value: float
    step: float
    kind: str = ""
    compared: str = ""
    digits: int = 1

    def agrees(self, fact: float) -> bool:
        """Whether the number could be `fact`, rounded as it is said."""
        if self.compared == ">":
            return fact > self.value - 1e-9
        if self.compared == "<":
            return fact < self.value + 1e-9
        slack = self.step / 2 * (1 + 1e-9) + 1e-12
        return abs(fact - self.value) <= (max(slack, 0.1 * abs(fact)) if self.compared == "~" else slack)


@dataclass(frozen=True)
class Counted:
    """A number of panels, tastings or people, or a part of a whole: ``12 of 24 answers``; share: ``(50 %)`` behind.

    The noun of ``12 answers were correct`` is "correct".
    """

    start: int
    end: int
    said: str
    noun: str
    value: int
    whole: int | None = None
    share: Number | None = None


def levels(text: str) -> list[float]:
    """Probabilities of intervals that a text names.

    Examples
    --------
    >>> levels("0.5 (0.1 to 0.9; 90 % credible interval)")
    [0.9]
    >>> levels("9 of 24 answers (37.5 %)")  # which is the share of these counts
    []
    """
    shares = (count.share for count in counted(text) if count.share is not None)
    text = blank(text, *((share.start, share.end) for share in shares))
    found = [float(next(filter(None, m.groups()))) / 100 for m in _LEVEL.finditer(text)]
    return list(dict.fromkeys(level for level in found if 0 < level < 1))


def with_points(text: str) -> str:
    """The text with a point for every decimal comma, every place kept.

    Examples
    --------
    >>> with_points("37,5 % of 1,200 answers, p = 0,342 (0,1 to 0,9; [36,49])")
    '37.5 % of 1,200 answers, p = 0.342 (0.1 to 0.9; [36,49])'
    """
    return _DECIMAL_COMMA.sub(lambda match: match[0].replace(",", "."), text)


def blank(text: str, *spans: tuple[int, int]) -> str:
    """The text with letters and digits of the spans replaced by underscores, every place kept."""
    for start, end in spans:
        text = text[:start] + re.sub(r"\w", "_", text[start:end]) + text[end:]
    return text


def hundreds(sentence: str) -> list[tuple[int, int]]:
    """Where a sentence says a rate of every hundred answers; a count of a hundred that were given is none.

    Examples
    --------
    >>> hundreds("43 of 100 answers would be right."), hundreds("43 of 100 answers were right.")
    ([(3, 9)], [])
    """
    if not _RATE_WORDS.search(sentence):
        return []
    return [match.span() for match in _HUNDRED.finditer(sentence)]


def counted(sentence: str) -> Iterator[Counted]:
    """Counts in a sentence: parts of a whole first, then numbers of panels, tastings and people.

    Examples
    --------
    >>> [(c.value, c.whole, c.noun) for c in counted("12 of 24 answers by two tasters")]
    [(12, 24, 'tastings'), (2, None, 'people')]
    """
    nouns = "|".join(f"(?P<{name}>{pattern})" for name, pattern in _NOUNS.items())
    between = "|".join(_NOUNS.values())
    pair = (
        rf"(?<![\d.,-])\b{_NOT_ONE}(?P<part>{_COUNT})(?: (?:{between}))?\s?(?:(?:out )?of|/)\s?(?:the |our |all "
        rf")?(?P<whole>{_COUNT})\b(?!\s?%|\.\d)(?: [A-Za-z][\w-]*){{0,2}}?(?: (?:{nouns})\b)?"
    )
    single = (
        rf"(?<![\d.,-])\b{_NOT_ONE}(?P<whole>{_COUNT})"
        r"(?: (?!(?:of|to|and|in|with|from|by|most|many|some|few|all)\b)[A-Za-z]"
        rf"[\w-]*){{0,2}}? (?:{nouns})\b"
    )
    taken = hundreds(sentence)
    for pattern, is_pair in ((pair, True), (single, False)):
        for match in re.finditer(pattern, blank(sentence, *taken), re.IGNORECASE):
            noun = next((name for name in _NOUNS if match[name]), "")
            stop = match.end()
            if is_pair and not noun:
                stop = match.end("whole")
            taken.append((match.start(), stop))
            part = _integer(match["part"]) if is_pair else None
            whole = _integer(match["whole"])
            said = sentence[match.start() : stop]
            if part is None:
                right = noun == "tastings" and re.search(_RIGHT, said + sentence[stop : stop + 20], re.IGNORECASE)
                yield Counted(match.start(), stop, said, "correct" if right else noun, whole)
            else:
                yield Counted(match.start(), stop, said, noun, part, whole, _share_behind(sentence, stop))


def _share_behind(sentence: str, stop: int) -> Number | None:
    """The share in brackets behind two counts, with no more than words between: ``9 of 24 were correct (37.5 %)``."""
    found = re.compile(r"(?: [a-z]+){0,3} ?\((?:=|about|or)? ?(\d+(?:\.(\d+))?) ?%\)", re.I).match(sentence, stop)
    if found is None:
        return None
    step = 10.0 ** -len(found[2] or "") / 100
    return Number(
        found.start(1), found.end() - 1, sentence[found.start(1) : found.end() - 1], float(found[1]) / 100, step
    )


def numbers(sentence: str) -> Iterator[Number]:
    """The other numbers of a sentence, each with what it is said to be.

    Examples
    --------
    >>> [(n.said, n.kind) for n in numbers("In a triangle 42 % (36 % to 49 %) correct answers: a p_d of 13 %.")]
    [('42 %', 'p_c'), ('36 %', 'p_c'), ('49 %', 'p_c'), ('13 %', 'p_d')]
    """
    said = sentence
    rates = hundreds(sentence)
    sentence = blank(sentence, *rates, *(m.span() for m in _LEVEL.finditer(sentence)))
    keys = sorted(
        (
            (m.start(), m.end(), kind)
            for kind, pattern in _KEYS
            for m in re.finditer(pattern, sentence, re.IGNORECASE if kind != PROBABILITY else 0)
        ),
    )
    tokens = list(_TOKEN.finditer(sentence))
    # an estimate and the interval in brackets behind it are of one kind: their key is sought around the whole
    ends = {}
    for match in re.finditer(rf"(?:{_PLAIN})\s?%?\s?[\(\[][^()\[\]]*[\)\]]", sentence):
        for token in tokens:
            if match.start() <= token.start() < match.end():
                ends[token.start()] = (_first(tokens, match.start()), match.end())
    for token in tokens:
        start, stop = ends.get(token.start(), (token.start(), token.end()))
        value = float(token["digits"].replace(",", "")) * (-1 if token["sign"] in "-−" and token["sign"] else 1)
        decimals = len(token["digits"].partition(".")[2])
        scale = 0.01 if token["percent"] else 1.0
        before = sentence[: token.start()]
        compared = next((sign for sign, pattern in _COMPARED if re.search(pattern, before)), "")
        digits = len(token["digits"].replace(",", "").replace(".", "").lstrip("0"))
        if token["percent"] and value > 50:  # near the end of the scale what is said is the distance from it
            digits = min(digits, len(f"{100 - value:.{decimals}f}".replace(".", "").lstrip("0")))
        kind = _kind(sentence, start, stop, keys, bool(token["percent"]))
        end = token.end()
        if rates and not token["percent"]:
            kind, end = _of_a_hundred(kind, token, sentence, rates)
            if end > token.end() or (kind in (P_C, P_D, GUESS) and start > rates[0][1] and value > 1):
                scale = 0.01
        if re.match(_UNITS, sentence[token.end() :]):
            kind = ""  # of something that no panel measures
        if kind in (P_C, P_D, PREFERS, PROBABILITY, GUESS) and scale == 1 and value > 1 and not token["percent"]:
            kind = ""  # a count of something, not a share
        yield Number(
            token.start(),
            end,
            said[token.start() : end].strip(),
            value * scale,
            scale * (10.0**-decimals if kind != BAYES or decimals else 10.0 ** _zeros(token["digits"])),
            kind,
            compared,
            max(digits, 1),
        )


def _of_a_hundred(kind: str, token: re.Match[str], sentence: str, rates: list[tuple[int, int]]) -> tuple[str, int]:
    """What a number is, and where it ends, in a sentence that says rates of a hundred answers."""
    end = next((b for a, b in rates if a > token.end() and not sentence[token.end() : a].strip()), token.end())
    of_the_margin = _MARGIN_OF.search(sentence[: token.start()])
    if of_the_margin or (end > token.end() and kind not in (P_C, P_D, GUESS)):
        kind = P_C
    return kind, end


def _zeros(digits: str) -> int:
    """How many places a factor of two digits was rounded to: 130 may be 132."""
    digits = digits.replace(",", "")
    return max(min(len(digits) - len(digits.rstrip("0")), len(digits) - 2), 0)


def _first(tokens: list[re.Match[str]], start: int) -> int:
    """Start of the first token at or after a place."""
    return next((t.start() for t in tokens if t.start() >= start), start)


def _kind(sentence: str, start: int, stop: int, keys: list[tuple[int, int, str]], percent: bool) -> str:
    """The quantity named right behind a number, else the last one named before it, else the next one named."""
    if asked := re.search(_OF_A_PHRASE, sentence[:start], re.IGNORECASE):
        return P_VALUE if re.search(_SO_MANY, asked[0], re.IGNORECASE) else PROBABILITY
    usable = [key for key in keys if not (percent and key[2] in (D_PRIME, SPREAD))]
    behind = [key for key in usable if key[0] >= stop]
    near = [
        key
        for key in behind
        if re.fullmatch(
            r"[\s)]*(?:(?:of|the|that|all|answers|were|are|chance|units?|triangle|tetrad|\w+-trio|a|an) ?){0,4}",
            sentence[stop : key[0]],
        )
    ]
    if near:
        return near[0][2]
    ahead = [key for key in usable if key[1] <= start and (key[2] != P_VALUE or start - key[1] < 3)]
    back = re.search(r",\s(?:is|was|are)\b[^,]{0,20}$", sentence[:start])
    if (
        ahead and back and ahead[-1][1] <= back.start()
    ):  # "the probability that ..., which ..., is": of what it began with
        return ahead[0][2]
    if ahead and ahead[-1][2] == GUESS and ";" in sentence[ahead[-1][1] : start]:
        return ""  # what guessing gives was said in another clause
    if ahead:
        return ahead[-1][2]
    return behind[0][2] if behind and behind[0][0] - stop < 40 else ""


def _integer(text: str) -> int:
    return NUMBER_WORDS[text.lower()] if text.lower() in NUMBER_WORDS else int(text.replace(",", ""))
