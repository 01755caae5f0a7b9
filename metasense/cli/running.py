"""Run one command, and turn what happens into an exit code and words: an answer, a refusal, a fault, a signal."""

from __future__ import annotations

import os
import signal
import sys
import threading
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from opcode import opmap
from typing import NoReturn

from metasense import __version__
from metasense.cli.commands import make_parser, overview
from metasense.cli.parser import Parser, with_whole_margin, with_whole_odds
from metasense.cli.printing import complain, in_the_terminal

FINE, WARNED, FAILED, FAULT = 0, 1, 2, 3
CUT_OFF = 141  # what a shell says of a program whose reader went away before it had finished
TRACEBACK = "METASENSE_TRACEBACK"


class _Ended(BaseException):
    """A signal asked for the end; ``args[0]`` is its number."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Examples
    --------
    >>> main(["check", "no_such_file.csv"])
    2
    """
    try:
        with _ending_orderly():
            return _main(arguments)
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return FAILED
    except _Ended as end:
        _mute()
        with suppress(OSError):  # the terminal may be gone
            print("Stopped.", file=sys.stderr)
        return 128 + int(end.args[0])
    except BaseException as fault:  # whatever it is, Python's own exit code for it means an answer here
        return _fault(fault)


@contextmanager
def _ending_orderly() -> Iterator[None]:
    """Let the system's request to end, and a terminal that is closed, clear away what was begun."""
    taken: list[signal.Signals] = []

    def end(number: int, _: object) -> NoReturn:
        for each in taken:
            signal.signal(each, signal.SIG_IGN)  # a second one must not cut the clearing away short
        raise _Ended(number)

    if threading.current_thread() is threading.main_thread():  # no other may
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)  # Windows knows no SIGHUP
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:  # nohup's, or a host's own, stays
                taken.append(number)
                signal.signal(number, end)
    try:
        yield
    finally:
        for number in taken:
            signal.signal(number, signal.SIG_DFL)


def _main(arguments: Sequence[str] | None) -> int:
    parser = make_parser()
    _complete(parser)
    words = sys.argv[1:] if arguments is None else list(arguments)
    code = CUT_OFF
    try:
        with in_the_terminal():
            code = _run(parser, words)
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _mute()
        return code
    except (ValueError, ArithmeticError, OSError, ImportError) as error:
        if not _is_said(error):
            raise
        _mute()
        complain(_said(error))
        return FAILED
    return code


def _run(parser: Parser, words: list[str]) -> int:
    """Do what the words ask for."""
    if not words:
        print(overview(parser))
        return FINE
    if words == ["--version"]:
        print(f"metasense {__version__}")
        return FINE
    slip = parser.slip(words)
    if slip:
        from metasense.showing.words import one_line

        complain("\n  ".join(map(one_line, f"metasense: {slip}".split("\n  "))))
        return FAILED
    try:
        words, parser.margin = with_whole_margin(with_whole_odds(words))
        if parser.margin:
            complain(f"metasense: {parser.margin}")
            return FAILED
        for each in (parser, *parser.under.values()):
            each.line = words
        chosen = parser.parse_args(words)
    except SystemExit as end:  # argparse has said why, or shown its help
        return int(end.code or 0)
    return int(chosen.run(chosen))


def _complete(parser: Parser) -> None:
    """Offer what may be typed next to a shell that asks, where the library for it is installed."""
    if "_ARGCOMPLETE" not in os.environ:
        return
    with suppress(ImportError):
        import argcomplete

        argcomplete.autocomplete(parser)


def _mute() -> None:
    """Print what is still waiting; if that cannot be, drop it, or Python would try again on its way out."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _fault(fault: BaseException) -> int:
    """Say in one line that metasense failed and how to report it; with the environment's leave, where."""
    try:
        _mute()
        what = " ".join(f"{type(fault).__name__}: {fault}".split())[:300].rstrip(": ")
        remedy = "The memory did not suffice; close other programs or use a smaller table. " * isinstance(
            fault, MemoryError
        )
        print(
            f"metasense failed, and this is no answer ({what}). {remedy}Please report it with the command and, if you "
            f"may, the table; with {TRACEBACK}=1 set it also says where it failed.",
            file=sys.stderr,
        )
        if os.environ.get(TRACEBACK):
            traceback.print_exception(fault)
    except BaseException:  # not even that can be said: the exit code still is
        return FAULT
    return FAULT


def _is_said(error: Exception) -> bool:
    """Did metasense raise it, or the system refuse a file? The same error out of Python or a library is a fault."""
    if type(error).__module__.startswith("metasense."):
        return True
    if isinstance(error, OSError) and error.filename is not None:
        return True
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    if place is None:
        return False
    where = place.tb_frame.f_globals.get("__name__")
    if str(where).startswith("metasense.cli.") and isinstance(error, OSError):
        return True  # the answer could not be printed
    raised = place.tb_frame.f_code.co_code[place.tb_lasti] == opmap["RAISE_VARARGS"]  # by a raise, and not by 1 / 0
    return raised and str(where).startswith("metasense.")


def _said(error: Exception) -> str:
    from metasense.cli.phrases import in_options
    from metasense.showing.words import one_line

    if isinstance(error, OSError) and error.strerror:
        return one_line(f"{error.filename or 'the file'}: {error.strerror}.")
    lines = in_options(str(error)).split("\n")
    return "\n".join(" " * (len(line) - len(line.lstrip())) + one_line(line) for line in lines)  # and no escape codes
