"""Words of a command as they are typed: margins without quotation marks, numbers as people write them, slips mended."""

from __future__ import annotations

import argparse
import difflib
import math
import re
import shlex
import sys
from pathlib import Path
from typing import Any, NoReturn

MARGIN = "--margin"
ODDS = "--odds"
LONGEST = 8  # words of a margin and of what may follow it
UNKNOWN = "unrecognized arguments: "
CLOSE = 0.6  # how alike a word must be to be taken for a slip


class Parser(argparse.ArgumentParser):
    """A parser that says what may be meant where words are missing or mistyped."""

    greedy: tuple[str, ...] = ()  # options that take every word after them
    margin = ""  # why the words after --margin are none
    does = ""  # what the command does, in a line
    under: dict[str, Parser]  # its commands, by name
    line: tuple[str, ...] | list[str] = ()  # all words of the command that is read

    rarer: list[argparse.Action]  # options that stand in the help with --details only

    def __init__(self, *arguments: object, **named: object) -> None:
        self.under = {}
        self.rarer = []
        super().__init__(*arguments, **named)  # type: ignore[arg-type]

    def rarely(self, *names: str, **named: Any) -> argparse.Action:
        """Add an option that few need."""
        action = self.add_argument(*names, **named)
        self.rarer.append(action)
        return action

    def format_help(self) -> str:
        """The help on one screen; with ``--details``, that of the options which few need as well."""
        if not self.rarer or "--details" in self.line:
            return super().format_help()
        kept = [(action, action.help) for action in self.rarer]
        names = ", ".join(action.option_strings[-1] for action in self.rarer)
        self.epilog = f"Rarer: {names}. With them: {self.prog} --help --details"
        try:
            for action in self.rarer:
                action.help = argparse.SUPPRESS
            return super().format_help()
        finally:
            self.epilog = None
            for action, words in kept:
                action.help = words

    def error(self, message: str) -> NoReturn:
        if message.startswith(UNKNOWN):
            message = self.margin or message + self._as_one(message.removeprefix(UNKNOWN).split())
        if self.greedy and "required: " in message:
            message += (
                f". Put them before {', '.join(self.greedy[:-1])} and {self.greedy[-1]}, which take every word that "
                "follows"
            )
        super().error(message)

    def _as_one(self, stray: list[str]) -> str:
        """The line with stray words and the one before them in quotation marks, where they may be one name."""
        line = self.line
        starts = [at for at in range(2, len(line)) if line[at : at + len(stray)] == stray]
        if not starts or any(word.startswith("-") for word in [line[starts[0] - 1], *stray]):
            return ""
        at = starts[0]
        mended = [*line[: at - 1], " ".join(line[at - 1 : at + len(stray)]), *line[at + len(stray) :]]
        return f". If they belong to one name, put it in quotation marks:\n  {as_typed(['metasense', *mended])}"

    def options(self) -> list[str]:
        """Every option in full."""
        return [name for name in self._option_string_actions if name.startswith("--")]

    def slip(self, words: list[str]) -> str:
        """What is wrong with a mistyped command or option, and the line put right; empty if nothing is."""
        mended = list(words)
        said = []
        parser = self
        for at, word in enumerate(words):
            if word == "--":
                break
            if word.startswith("--"):
                name = word.split("=", 1)[0]
                if any(option.startswith(name) for option in parser.options()):
                    continue
                said.append(f"there is no option {name} for {parser.prog}")
                near = difflib.get_close_matches(name, parser.options(), n=1, cutoff=CLOSE)
                if near:
                    mended[at] = near[0] + word.removeprefix(name)
            elif parser.under and not word.startswith("-"):
                if word not in parser.under:
                    said.append(f"there is no command {word!r}")
                    near = difflib.get_close_matches(word.lower(), parser.under, n=1, cutoff=CLOSE)
                    if not near:
                        break
                    mended[at] = near[0]
                parser = parser.under[mended[at]]
        if not said:
            return ""
        if mended == words:
            return f"{'; '.join(said)}. {parser.prog} --help lists what there is."
        whole, _ = with_whole_margin(mended)
        return f"{'; '.join(said)}. Did you mean this?\n  {as_typed(['metasense', *whole])}"


def as_typed(words: list[str]) -> str:
    """The line as one would type it in a terminal.

    >>> print(as_typed(["pool", "my table.csv", "--margin", "d'=1"]))
    pool 'my table.csv' --margin "d'=1"
    """
    return " ".join(_quoted(word) for word in words)


def _quoted(word: str) -> str:
    if "'" in word and not set('"$`\\!') & set(word):
        return f'"{word}"'
    return shlex.quote(word)


def with_whole_margin(words: list[str]) -> tuple[list[str], str]:
    """The words of a command with those of the margin in one; and why they are none, where they are none."""
    if not any(word.split("=")[0] == MARGIN for word in words):
        return words, ""
    from metasense.margins import whole_margin

    whole, why = whole_margin(words, MARGIN)
    if not why:
        return whole, ""
    start = whole.index(MARGIN) + 1
    if start == len(whole):
        return whole, why
    mended, note = _translated(whole, start)
    if not note:
        return whole, why
    mended, still = whole_margin(mended, MARGIN)
    if still:
        return whole, why
    remark(note)
    return mended, ""


def _translated(words: list[str], start: int) -> tuple[list[str], str]:
    """The words with a protocol of another language, after the option or inside quotation marks, by our name."""
    from metasense.tables.languages import with_our_protocol

    end = start
    while end < len(words) and end - start < LONGEST and not words[end].startswith("--"):
        end += 1
    inside, note = with_our_protocol(words[start].split())
    if note:
        return [*words[:start], " ".join(inside), *words[start + 1 :]], note
    after, note = with_our_protocol(words[start:end])
    return [*words[:start], *after, *words[end:]], note


def in_our_words(text: str) -> str:
    """A difference as it is typed, with its protocol by our name."""
    from metasense.tables.languages import with_our_protocol

    words, note = with_our_protocol(text.split())
    remark(note)
    return " ".join(words)


def remark(note: str) -> None:
    """Say how something was read, beside the answer and not in it."""
    if note and sys.stderr is not None:
        print(f"Note: {note}", file=sys.stderr)


def is_a_file(name: str) -> bool:
    """Whether a word names a file that is there."""
    return Path(name).is_file()


def share(text: str) -> float:
    """A share as people write it: 0.2, 0,2 or 20 %."""
    try:
        return decimal(text.strip().removesuffix("%")) / (100 if text.strip().endswith("%") else 1)
    except argparse.ArgumentTypeError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a share between 0 and 1; write 0.2 or 20%") from None


def odds(text: str) -> tuple[float, ...]:
    """Three or four numbers in one text, however they are set apart, divided by their sum.

    >>> odds("8 : 1 : 1"), odds("0.8,0.1,0.1"), odds("0,8 0,1 0,1"), odds("60%, 20 %, 20%")
    ((0.8, 0.1, 0.1), (0.8, 0.1, 0.1), (0.8, 0.1, 0.1), (0.6, 0.2, 0.2))
    """
    parts = re.split(r"[\s:;/]+|,\s+|(?<=%),", text.replace(" %", "%").strip())
    if len(parts) == 1:  # no decimal commas then
        parts = text.split(",")
    try:
        numbers = [share(part) for part in parts]
    except argparse.ArgumentTypeError:
        numbers = []
    total = sum(numbers)
    if len(numbers) not in (3, 4) or min(numbers) < 0 or not total > 0:
        raise argparse.ArgumentTypeError(
            f"{text!r} are no odds of none, same, varying and perhaps some; write three or four numbers, such as 8 1 "
            "1, 60% 20% 20% or 0,8 0,1 0,1"
        )
    return tuple(number / total for number in numbers)


def with_whole_odds(words: list[str]) -> list[str]:
    """The words of a command with the numbers after --odds in one, where their quotation marks were left out.

    >>> with_whole_odds(["ask", "averaged", "--odds", "8", "1", "1", "panels.csv"])
    ['ask', 'averaged', '--odds', '8 1 1', 'panels.csv']
    """
    start = words.index(ODDS) + 1 if ODDS in words else len(words)
    end = start
    while end < len(words) and re.fullmatch(r"[\d.,:;/%]+", words[end]):
        end += 1
    return [*words[:start], " ".join(words[start:end]), *words[end:]] if end > start else words


def decimal(text: str) -> float:
    """A number with a decimal point or comma."""
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 0.5")
    return number
