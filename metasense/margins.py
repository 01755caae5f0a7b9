"""The margin: the smallest difference that would matter to the decision, fixed before the panels are seen.

A margin can be said as a d-prime, as the p_d it would have in one protocol ("a triangle p_d of 20 %"), or as the share
of correct answers there ("47 of 100 correct"). However it is said, it is one distance between two products, so it can
be carried to every other protocol. It is the reader's to choose; nothing here suggests one. Wherever a margin is taken,
`margin_of` reads it.
"""

from __future__ import annotations

import html
import math
import os
import re
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, overload

import pandas as pd

from .protocols import PROTOCOLS, Protocol, TwoCountProtocol, forced_choice
from .showing.results import Result
from .showing.tables import Table, table

SETTLED = 0.95  # posterior probability on one side of the margin from which a question is called settled
_WORDS = 8  # the most words a margin has in a terminal
LARGEST = 100.0  # d-prime; a margin a few units wide is never missed by anyone

_NUMBER = r"(?P<number>[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:e[-+]?\d+)?)"
_PERCENT = r"(?P<percent>%|per\s?cent\b)"
_P_D_OF = r"(?:p_?d\s*(?:[=:]|of)?\s*)?"
_IN = r"(?:(?:in|of|for)\s+)?(?:an?\s+|the\s+)?(?P<protocol>.+)"
_SHARE = (
    rf"{_NUMBER}\s*(?:{_PERCENT}|(?:/|(?:out\s+of|of|in)\s)\s*(?P<whole>\d+))?\s*"
    r"(?:of\s+(?:the\s+|all\s+)?)?(?:answers\s+)?(?:correct|right)(?:\s+answers)?"
)
_D_PRIME = re.compile(rf"d\s*(?:['’′´`]|[-_ ]?prime)?\s*(?:[=:]|of|\s)?\s*{_NUMBER}", re.IGNORECASE)
_FORMS = (  # the share of correct answers first, whose "correct" would else be taken for a protocol's
    re.compile(rf"{_SHARE}[\s:,]+{_IN}", re.IGNORECASE),
    re.compile(rf"(?P<protocol>.+?)[\s:,]+{_SHARE}", re.IGNORECASE),
    re.compile(rf"{_P_D_OF}{_NUMBER}\s*(?:{_PERCENT}|\s)\s*{_IN}", re.IGNORECASE),
    re.compile(rf"(?P<protocol>.+?)[\s:,]+{_P_D_OF}{_NUMBER}\s*{_PERCENT}?", re.IGNORECASE),
)
_NO_PROTOCOL = re.compile(rf"{_P_D_OF}{_NUMBER}\s*{_PERCENT}?", re.IGNORECASE)
_SETTLED_AT = re.compile(rf"(?P<margin>.+?)[\s,;]+settled\s+(?:at|from|above)\s+{_NUMBER}\s*{_PERCENT}?", re.IGNORECASE)
_LEVEL_AFTER = re.compile(rf"(?P<margin>.+?)[\s,;]+(?P<level>{_NUMBER}\s*{_PERCENT}?)", re.IGNORECASE)
_SHARE_ALONE = re.compile(_SHARE, re.IGNORECASE)
_WRITE = (
    'Write a d-prime as "d\'=0.5", or a p_d with its protocol as "0.2 triangle" or "20% triangle", or the answers that '
    'would be correct as "47 of 100 correct triangle".'
)


@dataclass(frozen=True, init=False, repr=False)
class Margin:
    """The smallest difference that matters, as a d-prime or as the p_d of one protocol.

    Give exactly one form. Margins are equal when they were stated alike.

    Parameters
    ----------
    text : str, optional
        A d-prime as ``d'=0.5``; a p_d with its protocol as ``0.2 triangle`` or ``20 % triangle``; or the correct
        answers it would give there, ``47 % correct triangle`` or ``47 of 100 correct triangle``. A decimal comma is
        understood. ``, settled at 90 %`` may follow.
    d_prime : float, optional
        Positive and finite.
    p_d : float, optional
        Above 0 and below 1; with `protocol`, the forced-choice protocol it belongs to.
    settled : float or str, optional
        Posterior probability that one side of the margin must exceed for the question to be settled, above 0.5 and
        below 1, as ``0.9`` or ``"90 %"``; 0.95 unless stated. Choose it before the panels, as the margin.

    Raises
    ------
    ValueError
        If no form or several are given, a value is out of range, or the text is not a margin; the message shows what
        one looks like.

    Examples
    --------
    >>> margin = Margin("0.2 triangle")
    >>> margin == Margin(p_d=0.2, protocol="triangle")
    True
    >>> margin.sentence()
    'a triangle p_d of 20 % (47 % of answers correct where guessing alone gives 33 %), which is a d-prime of 1.29'
    >>> round(margin.p_d("3-AFC"), 3)
    0.569
    >>> Margin("d'=0.5").sentence()
    'a d-prime of 0.50 (in a triangle, 36 % of answers correct where guessing alone gives 33 %)'
    """

    d_prime: float
    stated_p_d: float | None
    stated_protocol: str | None
    settled: float

    def __init__(
        self,
        text: str | None = None,
        *,
        d_prime: float | None = None,
        p_d: float | None = None,
        protocol: str | Protocol | TwoCountProtocol | None = None,
        settled: float | str | None = None,
    ) -> None:
        if text is not None:
            if not (d_prime is None and p_d is None and protocol is None):
                raise ValueError(f"a margin is stated in exactly one form: {text!r} alone, or in numbers.")
            text, said = _settled_at(text)
            settled = said if settled is None else settled
            d_prime, p_d, protocol = _read(text)
        if (d_prime is None) == (p_d is None):
            raise ValueError(
                "a margin is stated in exactly one form: Margin(d_prime=0.5), or Margin(p_d=0.2, protocol='triangle')."
            )
        if (p_d is None) != (protocol is None):
            raise ValueError(
                "a d-prime is the same in every protocol: leave out protocol=."
                if p_d is None
                else f"a p_d of {p_d} means different things in different protocols: name one, protocol='triangle'."
            )
        name = None
        if d_prime is not None:
            distance = _number(d_prime, "the margin's d-prime")
            if not 0 < distance < math.inf:
                raise ValueError(f"the margin's d-prime must be positive and finite; got {distance:g}.")
            if distance > LARGEST:
                raise ValueError(
                    f"a margin is a d-prime of {LARGEST:g} at most, which nobody misses; got {distance:g}."
                )
        elif p_d is not None and protocol is not None:
            test, p_d = forced_choice(protocol), _number(p_d, "the margin's p_d")
            if not 0 < p_d < 1:
                hint = f" For {p_d:g} % write {p_d / 100:g}." if 1 < p_d < 100 else ""
                raise ValueError(f"the margin's p_d must lie above 0 and below 1; got {p_d:g}.{hint}")
            name, distance = test.name, float(test.d_prime_from_p_d(p_d))
            if not 0 < distance < math.inf:
                raise ValueError(f"a p_d of {p_d!r} is too close to {round(p_d)} to be a margin.")
        object.__setattr__(self, "d_prime", distance)
        object.__setattr__(self, "stated_p_d", p_d)
        object.__setattr__(self, "stated_protocol", name)
        object.__setattr__(self, "settled", SETTLED if settled is None else level_of(settled))

    @classmethod
    def parse(cls, text: str) -> Margin:
        """The margin that a line of text states; a decimal comma is understood.

        Parameters
        ----------
        text : str
            As `Margin` takes it.

        Returns
        -------
        Margin

        Raises
        ------
        ValueError
            If the text is not a margin; the message shows what one looks like.

        Examples
        --------
        >>> for text in ("20% triangle", "0,2 triangle", "2-AFC: p_d = 0.2", "d-prime 0.5", "60 of 100 correct 2-AFC"):
        ...     print(Margin.parse(text).text)
        0.2 triangle
        0.2 triangle
        0.2 2-AFC
        d'=0.5
        0.2 2-AFC
        """
        return cls(text)

    @staticmethod
    def help(
        protocol: str | Protocol | TwoCountProtocol = "triangle", *, tastings: int = 24, correct: int | None = None
    ) -> MarginHelp:
        """What a margin would mean: of so many answers, how many right would make you worry?

        Parameters
        ----------
        protocol : str or Protocol
            The forced-choice protocol in which you picture the answers.
        tastings : int
            How many answers.
        correct : int, optional
            How many of them would have to be right, panel after panel, for the difference to matter. Unless given, all
            counts above guessing are listed to choose from.

        Returns
        -------
        MarginHelp
            Its ``margin`` is the one to use.

        Raises
        ------
        ValueError
            If so many are no more than guessing gives, or all of them; or a number is no count.

        Examples
        --------
        >>> asked = Margin.help("triangle", tastings=24, correct=12)
        >>> asked.margin.text
        '0.25 triangle'
        >>> asked.to_frame()[["protocol", "correct_of_100"]].round().head(3).values.tolist()
        [['triangle', 50.0], ['duo-trio', 66.0], ['2-AFC', 85.0]]
        """
        test = forced_choice(protocol)
        if not (isinstance(tastings, int) and tastings >= 1):
            raise ValueError(f"tastings is how many answers, a whole number from 1; got {tastings!r}.")
        if correct is None:
            return MarginHelp(test, tastings, None, None)
        if not (isinstance(correct, int) and 0 <= correct <= tastings):
            raise ValueError(f"correct is how many of {tastings} answers, a whole number; got {correct!r}.")
        margin = Margin(p_d=p_d_of_share(correct / tastings, test), protocol=test)
        return MarginHelp(test, tastings, correct, margin)

    def settled_at(self, probability: float) -> Margin:
        """The same margin, settled from another posterior probability on.

        Parameters
        ----------
        probability : float
            Above 0.5 and below 1.

        Returns
        -------
        Margin

        Raises
        ------
        ValueError
            If it is no such probability.

        Examples
        --------
        >>> Margin("0.2 triangle").settled_at(0.9).text
        '0.2 triangle, settled at 0.9'
        """
        if self.stated_p_d is None:
            return Margin(d_prime=self.d_prime, settled=probability)
        return Margin(p_d=self.stated_p_d, protocol=self.stated_protocol, settled=probability)

    @property
    def text(self) -> str:
        """The margin as :meth:`parse` reads it back, digit for digit."""
        text = f"d'={self.d_prime!r}" if self.stated_p_d is None else f"{self.stated_p_d!r} {self.stated_protocol}"
        return text if self.settled == SETTLED else f"{text}, settled at {self.settled!r}"

    def p_d(self, protocol: str | Protocol | TwoCountProtocol) -> float:
        """The margin as a p_d of a forced-choice protocol.

        Parameters
        ----------
        protocol : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        float
            Its p_d, between 0 and 1.

        Raises
        ------
        ValueError
            If the protocol is not known or not forced-choice.

        Examples
        --------
        >>> import metasense as ms
        >>> round(ms.Margin(p_d=0.2, protocol="triangle").p_d("tetrad"), 2)
        0.37
        """
        test = forced_choice(protocol)
        if self.stated_p_d is not None and test.name == self.stated_protocol:
            return self.stated_p_d
        return float(test.p_d(self.d_prime))

    def to_frame(self) -> pd.DataFrame:
        """The margin in every forced-choice protocol: columns ``protocol, p_c, p_d, d_prime``.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Margin(d_prime=0.8).to_frame()[["protocol", "p_d"]].round(2).head(2)
           protocol   p_d
        0  triangle  0.08
        1  duo-trio  0.11
        """
        tests = [test for test in PROTOCOLS.values() if isinstance(test, Protocol)]
        return pd.DataFrame(
            {
                "protocol": [test.name for test in tests],
                "p_c": [float(test.p_correct(self.d_prime)) for test in tests],
                "p_d": [self.p_d(test) for test in tests],
                "d_prime": self.d_prime,
            }
        )

    def sentence(self) -> str:
        """The margin in words, to be set after "the margin is".

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> ms.Margin(d_prime=0.8).sentence()
        'a d-prime of 0.80 (in a triangle, 39 % of answers correct where guessing alone gives 33 %)'
        """
        test = forced_choice(self.stated_protocol or "triangle")
        correct = (
            f"{_percent(float(test.p_correct(self.d_prime)))} of answers correct where guessing alone gives "
            f"{_percent(test.guess)}"
        )
        if self.stated_p_d is None:
            return f"a d-prime of {_figures(self.d_prime)} (in a triangle, {correct})"
        p_d = f"a {test.name} p_d of {100 * self.stated_p_d:.6g} %"
        return f"{p_d} ({correct}), which is a d-prime of {_figures(self.d_prime)}"

    def __repr__(self) -> str:
        return f"Margin: {self.sentence()}.\n\n{self.to_frame().to_string(index=False, formatters=_IN_WORDS)}"

    def _repr_html_(self) -> str:
        table = self.to_frame().to_html(index=False, border=0, formatters=_IN_WORDS)
        return f"<p>Margin: {html.escape(self.sentence())}.</p>\n{table}"


@dataclass(frozen=True, eq=False, repr=False)
class MarginHelp(Result):
    """What so many correct answers would mean as a margin; made by `Margin.help`.

    Attributes
    ----------
    protocol : Protocol
    tastings : int
    correct : int or None
        How many right would matter; None where the counts are listed to choose from.
    margin : Margin or None
        The margin this is; None where none was chosen.

    Examples
    --------
    >>> Margin.help("2-AFC", tastings=20).to_frame()["correct"].tolist()
    [11, 12, 13, 14, 15, 16, 17, 18, 19]
    """

    protocol: Protocol
    tastings: int
    correct: int | None
    margin: Margin | None

    def to_frame(self) -> pd.DataFrame:
        """The margin in every forced-choice protocol, or the counts to choose from.

        Returns
        -------
        DataFrame
            With a margin one row a protocol, ``protocol, correct_of_100, guessing_of_100, p_d``; without one a row for
            each count above guessing, ``correct, correct_of_100, p_d, d_prime``.

        Examples
        --------
        >>> Margin.help("triangle", tastings=24, correct=12).to_frame().columns.tolist()
        ['protocol', 'correct_of_100', 'guessing_of_100', 'p_d']
        """
        if self.margin is not None:
            rates = self.margin.to_frame()
            guessing = [100 * forced_choice(name).guess for name in rates["protocol"]]
            return pd.DataFrame(
                {
                    "protocol": rates["protocol"],
                    "correct_of_100": 100 * rates["p_c"],
                    "guessing_of_100": guessing,
                    "p_d": rates["p_d"],
                }
            )
        counts = [x for x in range(1, self.tastings) if x > self.tastings * self.protocol.guess]
        rates = [p_d_of_share(x / self.tastings, self.protocol) for x in counts]
        return pd.DataFrame(
            {
                "correct": counts,
                "correct_of_100": [100 * x / self.tastings for x in counts],
                "p_d": rates,
                "d_prime": [float(self.protocol.d_prime_from_p_d(rate)) for rate in rates],
            }
        )

    def sentence(self) -> str:
        """What so many correct answers are as a margin, or the question to answer.

        Returns
        -------
        str

        Examples
        --------
        >>> Margin.help("triangle", tastings=24, correct=12).sentence()[:51]
        'If 12 of 24 triangle answers right would worry you,'
        """
        answers = f"{self.tastings} {self.protocol.name} answers"
        guessed = f"Guessing alone gives {self.tastings * self.protocol.guess:.3g} right on average"
        if self.margin is None:
            return f"Of {answers}, how many right, panel after panel, would make you worry? {guessed}."
        return (
            f"If {self.correct} of {answers} right would worry you, the margin is {self.margin.sentence()}. {guessed}."
        )

    def _shown(self) -> list[str | Table]:
        kinds: dict[str, Any] = {"correct_of_100": _rounded, "guessing_of_100": _rounded, "p_d": "percent"}
        labels = {"correct_of_100": "correct of 100", "guessing_of_100": "by guessing", "p_d": "p_d"}
        if self.margin is None:
            return [
                self.sentence(),
                table(self.to_frame(), caption="Counts to choose from", kinds=kinds, labels=labels),
                "A margin is what your decision can bear, whatever the panels say: choose before you look at any.",
            ]
        low, high = self._counts_to_expect()
        return [
            self.sentence(),
            f"A difference of just this size gives {low} to {high} right of {self.tastings} in at least 90 of 100 "
            "panels: the margin is about many panels, and one count alone does not tell.",
            table(self.to_frame(), caption="The same difference in every protocol", kinds=kinds, labels=labels),
            f'To use it: margin="{self.margin.text}" (--margin "{self.margin.text}").',
        ]

    def _counts_to_expect(self) -> tuple[int, int]:
        """Between which counts at least nine of ten panels end where the difference is just the margin."""
        from scipy.stats import binom

        assert self.correct is not None
        low, high = binom.interval(0.9, self.tastings, self.correct / self.tastings)
        return int(low), int(high)


@overload
def margin_of(margin: Margin | str) -> Margin: ...
@overload
def margin_of(margin: None) -> None: ...
@overload
def margin_of(margin: Margin | str | None) -> Margin | None: ...
def margin_of(margin: Any) -> Margin | None:
    """The margin that was given as one, or as a text that states one; None where none was.

    >>> margin_of("20 % triangle").text
    '0.2 triangle'
    >>> margin_of(0.5)
    Traceback (most recent call last):
    ValueError: margin is a Margin, for instance ms.Margin("0.2 triangle") or ms.Margin("d'=0.5"), or such a text; \
got 0.5.
    """
    if margin is None or isinstance(margin, Margin):
        return margin
    if isinstance(margin, str):
        return Margin(margin)
    raise ValueError(
        'margin is a Margin, for instance ms.Margin("0.2 triangle") or ms.Margin("d\'=0.5"), or such a text; '
        f"got {margin!r}."
    )


def level_of(settled: object) -> float:
    """The probability from which a question is called settled.

    >>> level_of(0.5)
    Traceback (most recent call last):
    ValueError: settled is a probability above 0.5, so that one side only can reach it, and below 1, such as 0.95; got 0.5.
    """  # noqa: E501
    if isinstance(settled, str) and (found := re.fullmatch(rf"\s*{_NUMBER}\s*{_PERCENT}?\s*", settled, re.IGNORECASE)):
        settled = _level(found)
    if isinstance(settled, bool) or not isinstance(settled, (int, float)) or not 0.5 < settled < 1:
        raise ValueError(
            "settled is a probability above 0.5, so that one side only can reach it, and below 1, such as 0.95; got "
            f"{settled!r}."
        )
    return float(settled)


def level(margin: Margin | None) -> float:
    """The probability from which a question with this margin, or with none, is called settled.

    >>> level(None), level(Margin("0.2 triangle", settled=0.9))
    (0.95, 0.9)
    """
    return SETTLED if margin is None else margin.settled


def _settled_at(text: object) -> tuple[Any, float | None]:
    """A text without what it says on when the question is settled, and that as a probability.

    >>> _settled_at("0.2 triangle, settled at 90 %")
    ('0.2 triangle', 0.9)
    """
    found = _SETTLED_AT.fullmatch(" ".join(text.split())) if isinstance(text, str) else None
    if found is None:
        return text, None
    return found["margin"], level_of(_level(found))


def _level(found: re.Match[str]) -> float:
    """The probability that was written, as such or in percent."""
    level = _decimal(found["number"])
    return round(level / 100, 12) if found["percent"] else level


def whole_margin(words: list[str], option: str) -> tuple[list[str], str]:
    """The words of a command with those after `option` in one, where its quotation marks were left out.

    Where no words after it are a margin, they stay, and why they are none comes with them.

    >>> whole_margin(["pool", "--margin", "47", "of", "100", "correct", "triangle", "panels.csv"], "--margin")
    (['pool', '--margin', '47 of 100 correct triangle', 'panels.csv'], '')
    """
    words = [part for word in words for part in (word.split("=", 1) if word.startswith(f"{option}=") else [word])]
    start = words.index(option) + 1
    end = start
    while end < len(words) and end - start < _WORDS and not words[end].startswith("--"):
        end += 1
    why = ""
    for stop in range(end, start, -1):  # the longest that is one: what follows it is something else
        text = " ".join(words[start:stop])
        try:
            Margin(text)
        except ValueError as error:
            if not why and not os.path.splitext(words[stop - 1])[1]:  # a name of a file is no part of it
                why = str(error)
        else:
            return [*words[:start], text, *words[stop:]], ""
    return words, why


def _read(text: object) -> tuple[float | None, float | None, Protocol | None]:
    """What a text states: a d-prime, or a p_d and its protocol."""
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a margin. {_WRITE}")
    stated = " ".join(text.split())
    if found := _D_PRIME.fullmatch(stated):
        return _decimal(found["number"]), None, None
    unknown = ""
    for pattern in _FORMS:
        if found := pattern.fullmatch(stated):
            try:
                test = forced_choice(found["protocol"])
            except ValueError as error:
                unknown = unknown or f" ({error})"
                continue
            share = _decimal(found["number"]) / (100 if found["percent"] else 1)
            if "whole" in found.groupdict():
                share = _p_d_of_correct(found, share, test)
            return None, share, test
    raise ValueError(f"{text!r} is not a margin.{_lacks(stated)} {_WRITE}{unknown}")


def _lacks(stated: str) -> str:
    """What a text that is no margin lacks to be one."""
    if found := _LEVEL_AFTER.fullmatch(stated):
        with suppress(ValueError):
            _read(found["margin"])
            return f' To say when it is settled, write "{found["margin"]}, settled at {found["level"]}".'
    if _NO_PROTOCOL.fullmatch(stated):
        return (
            " A number alone could be a d-prime or a p_d, and a p_d means something else in every protocol: in which "
            f'one? If in a triangle, write "{stated} triangle".'
        )
    if _SHARE_ALONE.fullmatch(stated):
        return f' In which protocol? If in a triangle, write "{stated} triangle".'
    return ""


def _p_d_of_correct(found: re.Match[str], share: float, test: Protocol) -> float:
    """The p_d at which so many answers are correct."""
    if found["whole"] is not None:
        share /= max(int(found["whole"]), 1)
    elif not found["percent"] and share > 1:
        raise ValueError(
            f'{found[0]!r} says {share:g} correct, but not of how many. Write "{share:g} of 100 correct" or so.'
        )
    return p_d_of_share(share, test)


def p_d_of_share(share: float, test: Protocol) -> float:
    """The p_d at which this share of answers is correct; an error in words where that is no margin."""
    if not test.guess < share < 1:
        raise ValueError(
            f"a margin is more than guessing gives, {_percent(test.guess)} correct in a {test.name}, and less than all "
            f"correct; got {100 * share:.4g} %."
        )
    return round((share - test.guess) / (1 - test.guess), 12)  # 47 % in a triangle is 0.205, and no less


def _number(value: object, what: str) -> float:
    try:
        return float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise ValueError(f"{what} must be a number; got {value!r}.") from None


def _decimal(text: str) -> float:
    return float(text.replace(",", "."))


def _rounded(value: float) -> str:
    return f"{value:.0f}"


def _figures(d: float) -> str:
    """Two decimals, or more where two would not tell it from 0."""
    return f"{d:.2f}" if d >= 0.095 else f"{d:.2g}"


def _percent(share: float) -> str:
    """Whole percents, two figures below 10 %, and never rounded onto 100 %."""
    percent = 100 * share
    return "more than 99 %" if percent >= 99.5 else f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


_IN_WORDS = {"p_c": _percent, "p_d": _percent, "d_prime": _figures}
