"""Lines of a terminal: as wide as it is and no wider, in its encoding, and the command to go on with."""

from __future__ import annotations

import codecs
import datetime
import json
import os
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from metasense.cli.parser import as_typed
from metasense.cli.phrases import in_options

FORMATS = ("text", "markdown", "json", "csv")
PIPED = 80  # columns where nobody says how many there are
NARROWEST = 40
FIRST_SCREEN = 25  # lines,
LAST_LINES = 3  # of which the last are for what is left out and for the command to go on with
ALL = "All of it: --details."
NOUN = "NOUN"  # stands for what tasters look for, which only the user knows
_PLAIN = {"…": "...", "±": "+/-", "÷": "/", "×": "x", "−": "-", "–": "-", "—": "-", "Δ": "Delta", "≥": ">=", "≤": "<="}
_PLAIN |= {"’": "'", "‘": "'", "“": '"', "”": '"', "\u00a0": " ", "≈": "~", "·": "-"}


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """What stands for a character that the terminal's encoding does not have."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lost = error.object[error.start : error.end]
    return "".join(_PLAIN.get(character, "?") for character in lost), error.end


def columns() -> int:
    """Of the terminal; 80 where the output goes elsewhere."""
    if sys.stdout is None or not sys.stdout.isatty():
        return PIPED
    return max(NARROWEST, shutil.get_terminal_size((PIPED, 24)).columns)


@contextmanager
def in_the_terminal() -> Iterator[None]:
    """Print in lines as wide as the terminal; no character is too much for its encoding."""
    from metasense.showing.words import LINE

    codecs.register_error("metasense", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="metasense")
    before = LINE.set(columns())
    try:
        yield
    finally:
        LINE.reset(before)


def show(text: object) -> None:
    """Print what a result shows, with options where it names arguments, and no line too long."""
    from metasense.showing.glance import MORE
    from metasense.showing.words import wrapped

    said = str(text)
    if said.endswith(MORE):
        said = said.removesuffix(MORE) + ALL
    most = columns()
    for line in in_options(said).split("\n"):
        if len(line) <= most:
            print(line)
        else:
            print("\n".join(wrapped(line)))


def complain(text: str) -> None:
    """Say on stderr why there is no answer: folded between words on a terminal, a line a problem where it is kept."""
    if sys.stderr is None or not sys.stderr.isatty():
        print(text, file=sys.stderr)
        return
    most = max(NARROWEST, shutil.get_terminal_size((PIPED, 24)).columns)
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()))
        look = {"break_long_words": False, "break_on_hyphens": False, "subsequent_indent": f"{indent}  "}
        print("\n".join(textwrap.wrap(line, most, **look) or [""]), file=sys.stderr)  # type: ignore[arg-type]


def say(*texts: str) -> None:
    """Sentences in lines of a terminal, with the terms of the trade explained."""
    from metasense.showing.glance import explained

    for text in explained(texts):
        show(text)


def then(*words: object) -> None:
    """The most useful command to go on with, as it is typed."""
    from metasense.showing.words import one_line

    lines = ["Then type: metasense"]
    for word in words:
        if word is None:
            continue
        part = one_line(as_typed([str(word)]))  # no escape codes out of the name of a file
        if len(lines[-1]) + len(part) + 3 > columns():
            lines[-1] += " \\"
            lines.append(" ")
        lines[-1] += f" {part}"
    print("\n".join(lines))


def _first_screen(result: Any, more: int = 0) -> str:
    """What a result shows, or what of it stands in 25 lines: its sentences, and the beginning of its first table.

    `more` lines follow besides the last ones.
    """
    from metasense.showing.glance import in_lines
    from metasense.showing.results import Answered
    from metasense.showing.tables import Table
    from metasense.showing.words import count, wrapped

    most = FIRST_SCREEN - LAST_LINES - more
    text = str(result)
    if len(text.split("\n")) <= most:
        return text
    if isinstance(result, Answered):  # its plain answer stays first: a caution gives way
        glance = result._glance()
        return str(replace(glance, cautions=glance.cautions[:1]))
    lines: list[str] = []
    for part in result._shown():
        if isinstance(part, str):
            lines += wrapped(part)
            continue
        if isinstance(part, Table):
            shown = in_lines(part).cut_to(0, columns())
            room = most - 2 - len(lines) - len(shown.to_text().split("\n"))
            shown = in_lines(part).cut_to(max(room, 1), columns())
            lines += ["", *shown.to_text().split("\n")]
            left = len(part.rows) - len(shown.rows)
            lines += [f"{count(left, 'more row')}, and more columns: --details."] if left else []
        break
    return "\n".join([*lines[:most], ALL])


def serving(test: Any, tasters: int) -> tuple[object, ...]:
    """The command that serves a panel, in a folder that is not there yet; words in capitals are the user's to fill."""
    named = ("--attribute", NOUN, "--more", "NEW") if test.directed else ()
    samples = ("--samples", "OLD", "NEW")
    return ("serve", test.name, tasters, free_name("evening"), *samples, *named, "--date", datetime.date.today())


def free_name(name: str) -> str:
    """The name of a file or folder, with the first number that makes it a new one where it is there already."""
    stem, ending = os.path.splitext(name)
    tried = name
    number = 1
    while os.path.lexists(tried):
        number += 1
        tried = f"{stem}_{number}{ending}"
    return tried


def say_written(paths: Sequence[object]) -> None:
    """The files that were written, a line each."""
    from metasense.showing.words import one_line

    for path in paths:
        print(f"Wrote {one_line(path)}.")


def answer(
    result: Any, chosen: Any, *, after: tuple[object, ...], wrote: Sequence[object] | None = None, **also: Any
) -> None:
    """Print a result in the form that was asked for."""
    form = chosen.format
    if wrote is not None:
        also["wrote"] = [str(path) for path in wrote]
    if form == "text":
        show(str(result.details()) if chosen.details else _first_screen(result, len(wrote or ())))
        say_written(wrote or ())
        then(*after)
    elif form == "markdown":
        print(result.to_markdown())
    elif form == "csv":
        print(_as_csv(result.to_frame()), end="")
    else:
        print(_as_json(result, also | {"then": as_typed(["metasense", *(str(w) for w in after if w is not None)])}))


def _as_csv(frame: Any) -> str:
    from metasense.showing.tables import as_csv

    return as_csv(_with_its_index(frame))


def _with_its_index(frame: Any) -> Any:
    """The frame with named rows as a column."""
    return frame if frame.index.name is None and frame.index.nlevels == 1 else frame.reset_index()


def _as_json(result: Any, also: dict[str, Any]) -> str:
    """Answer, numbers and notes; what is not known is null."""
    frame = _with_its_index(result.to_frame())
    said = {name: str(getattr(result, name)()) for name in ("plain_answer", "statement") if hasattr(result, name)}
    notes = [str(note) for note in getattr(result, "notes", ())]
    # pandas writes numbers, dates and missing values of every kind
    numbers = json.loads(frame.to_json(orient="records", date_format="iso", double_precision=15))
    return json.dumps({**said, **also, "numbers": numbers, "notes": notes}, ensure_ascii=False, indent=2)


def progress() -> bool:
    """Whether anybody watches the sampler."""
    return bool(sys.stderr is not None and sys.stderr.isatty() and os.environ.get("TERM") != "dumb")
