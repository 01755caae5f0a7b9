"""The question card asked for step by step: what each line is for, a default where one is harmless, and no margin but
the reader's own.

The talking is handed in: `ask` takes a prompt and returns what was typed, `say` shows a line. A terminal gives its own;
anything else may.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import Any, TypeVar

from metasense.card import Card
from metasense.margins import Margin
from metasense.protocols import PROTOCOLS, Protocol, protocol
from metasense.tables.languages import with_our_protocol

Ask = Callable[[str], str]
Say = Callable[[str], None]
_Value = TypeVar("_Value")
USUAL = "triangle"
TASTINGS = 24
_NONE = ("none", "no", "-")


def ask_card(ask: Ask, say: Say, *, date: datetime.date | None = None) -> Card:
    """The question card that somebody answers for, line by line.

    Parameters
    ----------
    ask : callable
        Takes a prompt, returns what was typed.
    say : callable
        Shows a line.
    date : date, optional
        Day of the card; today by default.

    Returns
    -------
    Card

    Examples
    --------
    >>> typed = iter(["Is the new yeast noticed?", "Change if within.", "", "", "12", "", "", "", "", ""])
    >>> card = ask_card(lambda prompt: next(typed), lambda line: None, date=datetime.date(2025, 3, 1))
    >>> card.margin.text, card.protocols, card.tastings
    ('0.25 triangle', ('triangle',), 24)
    """
    say("A question card says what is decided before anybody tastes. Press Enter to take what stands in brackets.")
    say("")
    say("1. The question, in one sentence, such as: Can pea protein replace isinglass unnoticed?")
    question = _until(ask, say, "Question: ", _needed)
    say("2. The decision: what will you do if the difference is beyond your margin, within it, or not settled?")
    decision = _until(ask, say, "Decision: ", _needed)
    say(f"3. The protocol, one or several with commas: {', '.join(PROTOCOLS)}.")
    tests = _until(ask, say, f"Protocol [{USUAL}]: ", _protocols)
    say("4. How many tastings a panel will have: one for each taster, as a rule.")
    tastings = _until(ask, say, f"Tastings [{TASTINGS}]: ", lambda text: _count(text, TASTINGS))
    margin = _margin(ask, say, tests[0], tastings)
    say("6. How many panels are planned. Leave it empty if that is open.")
    panels = _until(ask, say, "Panels []: ", lambda text: _count(text, None))
    say("7. How often a panel's count will be looked at, its end included. Each look is a chance to stop too early.")
    looks = _until(ask, say, "Looks [1]: ", lambda text: _count(text, 1))
    say("8. What will be left out, and why, such as: spilled cups, tasters who saw the bottles.")
    exclusions = ask("Exclusions [none planned]: ").strip() or "none planned"
    say("9. Columns that may explain differences between panels, with commas, such as: weeks, style.")
    moderators = _until(ask, say, "Moderators [none]: ", _names)
    say("")
    return Card(
        question=question,
        decision=decision,
        margin=margin,
        protocols=tests,
        date=date or datetime.date.today(),
        tastings=tastings,
        panels=panels,
        looks=looks or 1,
        exclusions=exclusions,
        moderators=moderators,
    )


def _margin(ask: Ask, say: Say, test: str, tastings: int | None) -> Margin:
    """The margin, as a count that would worry or as it is written; kept once its meaning was seen."""
    size = tastings or TASTINGS
    pictured = test if isinstance(protocol(test), Protocol) else USUAL  # two counts have no share correct
    asked = Margin.help(pictured, tastings=size)
    say(f"5. The margin: the smallest difference that matters. {asked.sentence()}")
    say(
        f'   Type that count; or a margin as "0.2 {pictured}", "47 of 100 correct {pictured}" or "d\'=0.5"; or ? for '
        "what every count would mean. There is no default: it is what your decision can bear."
    )

    def read(text: str) -> Margin | None:
        if text == "?":
            say(repr(asked))
            return None
        if text.isdigit():
            chosen = Margin.help(pictured, tastings=size, correct=int(text))
            assert chosen.margin is not None
            say(repr(chosen))
            return chosen.margin
        margin = Margin(" ".join(with_our_protocol(text.split())[0]))
        say(repr(margin))
        return margin

    while True:
        margin = _until(ask, say, "Margin: ", lambda text: read(_needed(text)))
        if margin is None:
            continue
        if ask("Keep it? [yes]: ").strip().casefold() in ("", "y", "yes"):
            return margin


def _until(ask: Ask, say: Say, prompt: str, read: Callable[[str], _Value]) -> _Value:
    """Ask until the answer can be read; say each time what is wrong with it."""
    while True:
        try:
            return read(ask(prompt).strip())
        except ValueError as error:
            say(f"   {error}")


def _needed(text: str) -> str:
    if not text:
        raise ValueError("this line is needed.")
    return text


def _protocols(text: str) -> tuple[str, ...]:
    typed = [name.strip() for name in (text or USUAL).split(",") if name.strip()]
    names = [with_our_protocol([name])[0][0] for name in typed]
    return tuple(dict.fromkeys(protocol(name).name for name in names)) or (USUAL,)


def _count(text: str, default: Any) -> Any:
    if not text:
        return default
    if not text.isdigit() or int(text) < 1:
        raise ValueError(f"a whole number from 1 is needed; got {text!r}.")
    return int(text)


def _names(text: str) -> tuple[str, ...]:
    names = [name.strip() for name in text.split(",") if name.strip()]
    return () if [name.casefold() for name in names] in [[none] for none in _NONE] else tuple(dict.fromkeys(names))
