"""The lines of a card as somebody wrote them, in a file or as a mapping: made a card, or every slip named at once."""

from __future__ import annotations

import datetime
import difflib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from metasense.card import DECIDED, KINDS, Card, checked
from metasense.showing import words
from metasense.slips import Typed, said_of, slipped, typed_lines
from metasense.tables.languages import with_our_protocol

NEEDED = {
    "question": "what you want to know, in one sentence",
    "decision": "what you will do if the difference is beyond the margin, within it, or not settled",
    "margin": "the smallest difference that matters",
    "protocols": "the test, or several",
    "tastings": "how many a panel will have, or stopping: the rule by which it ends",
}
ANSWERS_LOOK_LIKE = """\
question = "Can pea protein replace isinglass unnoticed?"
decision = "Change the fining if within the margin."
margin = "0.2 triangle"
protocols = ["triangle"]
tastings = 24
"""
NO_TERMINAL = (
    "the questions of the card are asked in a terminal, and this is none. Write the answers into a file and name it "
    f"with --answers. It looks like\n{ANSWERS_LOOK_LIKE}"
)
_MEANT = {  # names that people give to the lines, and the lines
    **dict.fromkeys(("protocol", "test", "tests", "method", "protokoll", "protocole", "protocolo"), "protocols"),
    **dict.fromkeys(("tasting", "tasters", "n", "size", "answers", "verkostungen"), "tastings"),
    **dict.fromkeys(("stop", "stopping_rule", "stop_rule"), "stopping"),
    **dict.fromkeys(("frage", "pregunta", "domanda", "pergunta"), "question"),
    **dict.fromkeys(("entscheidung", "décision", "decisión", "decisione", "decisão", "action"), "decision"),
    **dict.fromkeys(("datum", "day", "fecha", "data"), "date"),
    **dict.fromkeys(("excluded", "left_out", "leave_out"), "exclusions"),
    **dict.fromkeys(("moderator", "columns", "covariates"), "moderators"),
}
_ELSEWHERE = {  # what is said in another place
    "blind": "who was blind is said of each panel, in the column blind of its table: double, single or none",
    "samples": "the samples are named when a panel is served, with --samples OLD NEW",
    "allergens": "allergens are named when a panel is served, with --allergens",
    "hazards": "hazards are named when a panel is served, with --hazards",
}


def what_is_needed(folder: str | os.PathLike[str]) -> str:
    """What is decided before the panels, a line each, and how it is given in a notebook."""
    lines = [f"    {name}: {meaning}" for name, meaning in NEEDED.items()]
    example = [f"    {_in_python(line)}" for line in ANSWERS_LOOK_LIKE.splitlines()]
    return "\n".join([
        "the card of the question is written before the panels, and needs", *lines,
        f"for instance\n\nms.start({json.dumps(os.fspath(folder), ensure_ascii=False)}, {{", *example, "})\n",
        "A margin is what your decision can bear; ms.Margin.help() shows what every count would mean.",
    ])  # fmt: skip


def _in_python(line: str) -> str:
    """A line of the example as one of a dict."""
    name, _, value = line.partition(" = ")
    return f'"{name}": {value},'


def card_of(answers: Card | Mapping[str, Any] | str | os.PathLike[str]) -> Card:
    """The card that the answers make.

    Parameters
    ----------
    answers : Card, mapping, or path of a TOML file
        A card, or its lines.

    Returns
    -------
    Card

    Raises
    ------
    ValueError
        Listing every line that is wrong or missing.

    Examples
    --------
    >>> card_of({"question": "Is it noticed?", "decison": "Change.", "margin": "0.2 triangle", "tastings": 24})
    Traceback (most recent call last):
    ValueError: the answers make no question card yet:
      'decison' is no line of a question card; did you mean 'decision'?
      protocols is missing, as in "protocols": ["triangle"],
    """
    if isinstance(answers, Card):
        return answers
    if isinstance(answers, Mapping):
        return _made(Typed(lines=dict(answers)), "the answers make", _in_python)
    name = repr(os.fspath(answers))
    text = _text_of(answers, name)
    typed = typed_lines(text, KINDS)
    if "seal" in typed.lines:
        return Card.from_text(text, os.fspath(answers))
    if not set(typed.lines) & {*DECIDED, *_MEANT}:
        raise ValueError(f"{name} holds no line of a question card. The lines are written as\n{ANSWERS_LOOK_LIKE}")
    return _made(typed, f"{name} makes")


def _made(typed: Typed, makes: str, form: Callable[[str], str] = str) -> Card:
    lines = {name: value for name, value in typed.lines.items() if name in DECIDED}
    wrong = {name: _strange(name) for name in typed.lines if name not in DECIDED}
    meant = {_nearest(name) for name in wrong} | {slip.name for slip in typed.slips}
    if isinstance(lines.get("protocols"), str):
        lines["protocols"] = [name.strip() for name in lines["protocols"].split(",")]
    if isinstance(lines.get("protocols"), Sequence):
        lines["protocols"] = [_ours(name) for name in lines["protocols"]]
    if isinstance(lines.get("margin"), str):
        lines["margin"] = _ours(lines["margin"])
    decided, bad = checked(lines)
    wrong |= {name: text for name, text in bad.items() if name in lines or name not in meant}
    missing = [name for name in NEEDED if name != "tastings" and name not in lines and name not in meant]
    found = said_of(typed, wrong) + [_lacking(name, form) for name in missing]
    if found:
        raise ValueError(slipped(f"{makes} no question card yet", found))
    return Card(**{"date": datetime.date.today(), **decided})


def _nearest(name: str) -> str:
    """The line of a card that a name probably stands for; empty if none is near."""
    low = name.casefold()
    known = {**{line: line for line in DECIDED}, **_MEANT}
    if low in known:
        return known[low]
    near = difflib.get_close_matches(low, DECIDED, n=1)
    return near[0] if near and low not in _ELSEWHERE else ""


def _strange(name: str) -> str:
    """That a card has no such line, and what may be meant."""
    near = _nearest(name)
    says = f"{name!r} is no line of a question card"
    if near:
        return f"{says}; did you mean {near!r}?"
    if name.casefold() in _ELSEWHERE:
        return f"{says}. Leave it out: {_ELSEWHERE[name.casefold()]}"
    return f"{says}, whose lines are {words.listing(DECIDED)}"


def _lacking(name: str, form: Callable[[str], str]) -> str:
    example = next(line for line in ANSWERS_LOOK_LIKE.splitlines() if line.startswith(name))
    return f"{name} is missing, as in {form(example)}"


def _ours(text: Any) -> Any:
    """What was written, with a protocol of another language of tables by our name."""
    return " ".join(with_our_protocol(text.split())[0]) if isinstance(text, str) else text


def _text_of(path: str | os.PathLike[str], name: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ValueError(f"there is no file {name}. Answers are written as\n{ANSWERS_LOOK_LIKE}") from None
    except UnicodeDecodeError:
        raise ValueError(f"{name} is not in UTF-8. Save it as UTF-8 text first.") from None
