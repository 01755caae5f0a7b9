"""The command line, thin around notebooks: ``metasense start | check | pool | plan | serve | answers | claim | rerun``.

Exit code 0: fine. 1: answered, with warnings that matter. 2: cannot be answered; the reason is on stderr. 3: a fault of
metasense itself. 128 and the number of a signal: ended by it, with nothing left half done. Nothing but the standard
library is imported before a fault would be caught, so that an installation that does not work cannot pass for an answer
either.
"""

from __future__ import annotations

import argparse
import math
import os
import signal
import sys
import threading
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from opcode import opmap
from pathlib import Path
from typing import Any, NoReturn

FINE, WARNED, FAILED, FAULT = 0, 1, 2, 3
CUT_OFF = 141  # what a shell says of a program whose reader went away before it had finished
TRACEBACK = "METASENSE_TRACEBACK"
FEW = 8  # rows of a table on a first screen
ALL = "All of it: --details."
LISTED = 5_000  # looks of a plan that are printed
MARGIN = "--margin"
MARGIN_HELP = 'smallest difference that matters: "0.2 triangle" (a p_d), "47 of 100 correct triangle" or "d\'=0.5"'


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
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a narrow terminal encoding must not cost the answer
    parser = _parser()
    words = sys.argv[1:] if arguments is None else list(arguments)
    try:
        if any(word.split("=")[0] == MARGIN for word in words):
            from metasense.margins import whole_margin

            words, parser.margin = whole_margin(words, MARGIN)
        chosen = parser.parse_args(words)
    except SystemExit as end:  # argparse has said why, or shown its help
        return int(end.code or 0)
    code = CUT_OFF
    try:
        code = int(chosen.run(chosen))
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _mute()
        return code
    except (ValueError, ArithmeticError, OSError, ImportError) as error:
        if not _is_said(error):
            raise
        _mute()
        print(_said(error), file=sys.stderr)
        return FAILED
    return code


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
    if where == __name__ and isinstance(error, OSError):
        return True  # the answer could not be printed
    raised = place.tb_frame.f_code.co_code[place.tb_lasti] == opmap["RAISE_VARARGS"]  # by a raise, and not by 1 / 0
    return raised and str(where).startswith("metasense.")


def _said(error: Exception) -> str:
    from metasense.showing.words import one_line
    from metasense.tables.sheets import PanelsError

    if isinstance(error, OSError) and error.strerror:
        return one_line(f"{error.filename or 'the file'}: {error.strerror}.")
    text = error.words() if isinstance(error, PanelsError) else str(error)  # all problems: nothing else shows them
    lines = text.split("\n")
    return "\n".join(" " * (len(line) - len(line.lstrip())) + one_line(line) for line in lines)  # and no escape codes


class _Parser(argparse.ArgumentParser):
    """A parser that says what may be meant where words are missing."""

    greedy: tuple[str, ...] = ()  # options that take every word after them
    margin = ""  # why the words after --margin are none

    def error(self, message: str) -> NoReturn:
        if self.margin and message.startswith("unrecognized"):
            message = self.margin
        if self.greedy and "required: " in message:
            message += (
                f". Put them before {', '.join(self.greedy[:-1])} and {self.greedy[-1]}, which take every word that "
                "follows"
            )
        super().error(message)


def _parser() -> _Parser:
    parser = _Parser(
        prog="metasense",
        description="Pool sensory panels on one variable and say what is now known.",
        epilog="exit code: 0 fine, 1 answered with warnings that matter, 2 cannot be answered, 3 metasense failed",
    )
    commands = parser.add_subparsers(required=True, metavar="command")

    def command(name: str, does: str, more: str = "") -> _Parser:
        return commands.add_parser(name, help=does, description=f"{does[0].upper()}{does[1:]}. {more}")

    begin = command(
        "start",
        "make a folder for one question: its card, an empty table, a notebook",
        "In a terminal the card is asked for line by line. Nothing that is there is written over.",
    )
    begin.add_argument("folder", help="a new folder")
    begin.add_argument("--answers", metavar="FILE.toml", help="the lines of the card, or a card, instead of questions")
    begin.set_defaults(run=_start)

    check = command(
        "check",
        "read a table of panels and say what is in it",
        "Exit code 0: it can be pooled. 1: it can, but a panel looks reversed. 2: it cannot; the reasons are listed.",
    )
    check.set_defaults(run=_check)

    pooling = command("pool", "pool the panels of a table and give the answer")
    _add_pool(pooling)

    planning = command(
        "plan",
        "how many tasters, which count decides, which protocol, when to look",
        "With a protocol and a difference: the tasters needed. With --tasters: the count that decides, and its "
        "power. With --looks or --sequential: a plan for stopping early. With a d-prime and no protocol: all "
        "protocols compared.",
    )
    _add_plan(planning)
    _add_serve(command("serve", "codes, orders, ballots, sheets and a sealed key for one panel"))
    _add_answers(command("answers", "join typed answers with the key of a served panel"))
    claim = command(
        "claim",
        "check a sentence you want to publish against the panels",
        "Exit code 0: nothing to object. 1: something to change. 2: the sentence or the table cannot be used.",
    )
    claim.add_argument("text", help="the sentence, in quotation marks")
    claim.add_argument(MARGIN, metavar="TEXT", help=MARGIN_HELP)
    claim.add_argument("--panel", metavar="NAME", help="the sentence is about this one panel alone")
    claim.set_defaults(run=_claim)
    again = command(
        "rerun",
        "work a saved pool out again and compare with its stored numbers",
        "Exit code 0: the stored numbers came out again. 1: they did not. 2: the file cannot be used.",
    )
    again.add_argument("file", help="what pooled.save() wrote")
    again.set_defaults(run=_rerun)

    table = "CSV, TSV, Excel or Parquet, one row a panel or one row a tasting"
    for parsed, file in ((check, table), (pooling, table), (claim, f"{table}; or a saved pool")):
        parsed.add_argument("file", type=Path, help=file)
        parsed.add_argument("--sheet", metavar="NAME", help="which sheet of an Excel file")
    for parsed in (check, pooling, planning, claim):
        parsed.add_argument("--details", action="store_true", help="all numbers and notes, not the first screen only")
    return parser


def _add_pool(pooling: argparse.ArgumentParser) -> None:
    pooling.add_argument("--margin", metavar="TEXT", help=MARGIN_HELP)
    pooling.add_argument(
        "--card", metavar="FILE", help="the question card written before the panels; its margin is used"
    )
    pooling.add_argument("--report", metavar="PAGE.html", help="write the answer as one self-contained page")
    pooling.add_argument("--title", default="", help="heading of that page")
    pooling.add_argument("--overwrite", action="store_true", help="replace a page of other panels that is there")
    pooling.add_argument("--method", choices=("grid", "mcmc"), default="grid", help="integration (default) or sampling")
    pooling.add_argument("--seed", metavar="N", type=int, default=1, help="seed of everything random (default 1)")
    pooling.set_defaults(run=_pool)


def _add_answers(answers: argparse.ArgumentParser) -> None:
    answers.add_argument("key", help="key.csv of the plan, or the folder it was saved in")
    answers.add_argument("answers", help="the filled answers.csv")
    answers.add_argument("--blind", choices=("double", "single", "none"), help="who did not know what was served")
    answers.add_argument("--panels", metavar="OUT.csv", help="write the counts as a new table for the other commands")
    answers.add_argument("--append", action="store_true", help="add them to the table that --panels names instead")
    answers.set_defaults(run=_answers)


def _add_plan(plan: argparse.ArgumentParser) -> None:
    plan.add_argument("protocol", nargs="?", help="such as triangle, duo-trio, 2-AFC, tetrad")
    size = plan.add_mutually_exclusive_group()
    size.add_argument("--margin", metavar="TEXT", help=MARGIN_HELP)
    size.add_argument("--p-d", type=_share, help=argparse.SUPPRESS)  # the same in other words: a p_d of the protocol
    size.add_argument("--d-prime", type=_decimal, help=argparse.SUPPRESS)
    plan.add_argument("--tasters", metavar="N", type=int, help="tasters at hand, one tasting each")
    early = plan.add_mutually_exclusive_group()
    early.add_argument(
        "--looks", type=int, nargs="+", metavar="N", help="tastings after which to look, the last in all"
    )
    early.add_argument("--sequential", action="store_true", help="look after every tasting")
    plan.add_argument(
        "--alpha", metavar="RISK", type=_share, default=0.05, help="risk of calling a difference when all guess (0.05)"
    )
    plan.add_argument(
        "--beta",
        metavar="RISK",
        type=_share,
        default=0.05,
        help="risk of missing the difference, or of calling it similar (0.05; 0.2 is common practice for a panel that "
        "only looks for a difference)",
    )
    plan.add_argument("--similarity", action="store_true", help="run for similarity rather than for a difference")
    plan.set_defaults(run=_plan)


def _add_serve(serve: _Parser) -> None:
    serve.greedy = ("--allergens", "--hazards", "--beside")
    serve.add_argument("protocol", help="such as triangle, duo-trio, 2-AFC, tetrad")
    serve.add_argument("tasters", type=int, help="how many tasters")
    serve.add_argument("folder", help="a new folder for the sheets")
    serve.add_argument("--samples", nargs=2, default=("A", "B"), metavar=("OLD", "NEW"), help="the two products")
    serve.add_argument(
        "--panel", metavar="NAME", help="name of the sitting, on every ballot (the folder's if left out)"
    )
    serve.add_argument("--date", metavar="DAY", help="day of the sitting, such as 2026-11-25")
    serve.add_argument("--sets", metavar="N", type=int, default=1, help="sets each taster gets (1)")
    serve.add_argument(
        "--attribute", metavar="NOUN", default="", help="what tasters look for, as a noun, where the test names it"
    )
    serve.add_argument("--more", metavar="SAMPLE", help="the sample expected to have more of it")
    serve.add_argument(
        "--reference", metavar="SAMPLE", help="the sample that is always the reference (duo-trio) or A (A-not-A)"
    )
    serve.add_argument("--preference", action="store_true", help="a separate pair afterwards: which is liked better?")
    serve.add_argument("--placebo", action="store_true", help="also a pair of two alike")
    serve.add_argument("--certainty", action="store_true", help="ask how sure the taster is")
    serve.add_argument(
        "--allergens", metavar="NAME", nargs="*", help="of both samples together; nothing after it means none"
    )
    serve.add_argument(
        "--hazards", metavar="NAME", nargs="*", help="any of alcohol, caffeine, hot, additives; nothing means none"
    )
    serve.add_argument("--beside", nargs="*", default=(), metavar="FOLDER", help="other plans of the same session")
    serve.add_argument("--seed", metavar="N", type=int, help="makes the same plan again; leave it out for a real panel")
    serve.set_defaults(run=_serve)


def _start(chosen: argparse.Namespace) -> int:
    from metasense.planning.asking import ask_card
    from metasense.planning.starting import NO_TERMINAL, start
    from metasense.showing.files import free_folder

    free_folder(chosen.folder)  # before anybody answers questions
    answers = chosen.answers
    if answers is None:
        if sys.stdin is None or not sys.stdin.isatty():
            raise ValueError(NO_TERMINAL)
        try:
            answers = ask_card(input, print)
        except EOFError:
            raise ValueError("the answers ended before the last question, so nothing was made.") from None
    print(start(chosen.folder, answers))
    return FINE


def _check(chosen: argparse.Namespace) -> int:
    from metasense.showing.words import listing, one_line
    from metasense.tables.panels import Tastings, read_table

    read = read_table(chosen.file, sheet=chosen.sheet)
    if chosen.details:
        print(read.in_full())
    else:
        print(read)
    reversed_ = (read.to_panels() if isinstance(read, Tastings) else read).reversals()
    if reversed_:
        _say(
            f"Warning: far fewer correct answers than guessing gives in {listing(map(one_line, reversed_), 8)}: a "
            "reversal or coding error, or, where a direction is named, a difference the other way round? Check the key "
            "before pooling."
        )
    return WARNED if reversed_ else FINE


def _pool(chosen: argparse.Namespace) -> int:
    from metasense.margins import margin_of
    from metasense.results.pooling import pool
    from metasense.showing.files import PAGE, ready
    from metasense.showing.words import one_line
    from metasense.tables.panels import read_table

    if chosen.report is not None:
        ready(chosen.report, PAGE)
    margin = margin_of(chosen.margin)
    pooled = pool(
        read_table(chosen.file, sheet=chosen.sheet),
        margin=margin,
        card=chosen.card,
        method=chosen.method,
        seed=chosen.seed,
        progress=sys.stderr.isatty(),
    )
    page = (
        pooled.report(chosen.report, title=chosen.title, overwrite=chosen.overwrite)
        if chosen.report is not None
        else None
    )  # before printing, which a reader may cut short
    print(pooled.details() if chosen.details else pooled)
    if page:
        print(f"\nWrote {one_line(page)}.")
    changed = pooled.card is not None and pooled.card.edited
    return WARNED if pooled.warnings or changed else FINE


def _claim(chosen: argparse.Namespace) -> int:
    from metasense.alone.single import one_panel
    from metasense.claims.check import check_claim
    from metasense.margins import margin_of
    from metasense.results.archive import is_archive
    from metasense.results.pooling import load, pool
    from metasense.tables.panels import Tastings, read_table

    margin = margin_of(chosen.margin)
    saved = load(chosen.file).plain if is_archive(chosen.file) else None
    read = read_table(chosen.file, sheet=chosen.sheet) if saved is None else saved.panels
    if chosen.panel is not None:
        margin = saved.margin if margin is None and saved is not None else margin
        panels = read.to_panels() if isinstance(read, Tastings) else read
        result: Any = one_panel(panels[chosen.panel], margin=margin)
    else:
        tastings = None if saved is None else saved.tastings
        result = saved if saved is not None and margin is None else pool(read, tastings=tastings, margin=margin)
    check = check_claim(chosen.text, result)
    if chosen.details or not check.understood:
        print(check)
    else:
        _say(*check.in_short(result.plain_answer()), ALL)
    return WARNED if check.findings else FINE if check.understood else FAILED


def _rerun(chosen: argparse.Namespace) -> int:
    from metasense.results.rerun import rerun

    result = rerun(chosen.file, progress=sys.stderr.isatty())
    print(result)
    return FINE if result.same else WARNED


def _plan(chosen: argparse.Namespace) -> int:
    from metasense.planning import looks, sizes
    from metasense.showing import words
    from metasense.showing.glance import in_lines

    test, risks = chosen.protocol, {"alpha": chosen.alpha, "beta": chosen.beta}
    size = _size(chosen)
    sized = any(value is not None for value in size.values())
    if test is None:
        if size["d_prime"] is None:
            raise ValueError("name a protocol, or give --margin alone to compare all protocols.")
        if chosen.tasters is not None or chosen.looks or chosen.sequential or chosen.similarity:
            raise ValueError(
                "--tasters, --looks, --sequential and --similarity need a protocol; without one, all are compared."
            )
        asked = ", ".join(f"{name}-risk {words.percent(risk)}" for name, risk in risks.items())
        compared = sizes.compare_protocols(size["d_prime"], **risks)
        caption = f"What the same difference costs ({asked})"
        shown = in_lines(sizes.compared_table(compared, caption, in_full=chosen.details))
        print(shown if chosen.details else f"{shown}\n{ALL}")
    elif (chosen.looks or (chosen.sequential and sized)) and (chosen.similarity or chosen.tasters is not None):
        raise ValueError(
            "leave out --similarity and --tasters: a plan with looks says when to stop for a difference and when for "
            "similarity, and the tastings for it."
        )
    elif chosen.similarity and not sized:
        raise ValueError("--similarity needs the difference that matters: --margin.")
    elif chosen.looks and not sized:
        cost = looks.cost_of_looks(test, chosen.looks, alpha=chosen.alpha)
        _print_cost(cost, chosen.details)
    elif chosen.looks:
        if len(chosen.looks) != 2:
            raise ValueError("--looks takes two numbers with a difference: tastings at the first look, and in all.")
        _print_stops(looks.two_stage_plan(test, tuple(chosen.looks), **size, **risks), chosen.details)
    elif chosen.sequential:
        if not sized:
            raise ValueError("--sequential needs the difference that matters: --margin.")
        _print_stops(looks.sequential_plan(test, **size, **risks), chosen.details)
    elif chosen.tasters is not None:
        _say(*_for_tasters(chosen, size, sized))
    elif not sized:
        raise ValueError("say the difference that matters (--margin), the --tasters at hand, or the --looks taken.")
    else:
        purpose = "similarity" if chosen.similarity else "difference"
        needed = sizes.tasters_needed(test, **size, **risks, purpose=purpose)
        _say(needed.statement())
        print(f"\n{needed.table().to_text()}")
    return FINE


def _for_tasters(chosen: argparse.Namespace, size: dict[str, Any], sized: bool) -> list[str]:
    """What the tasters at hand can decide."""
    from metasense.planning import sizes
    from metasense.showing import words

    test, n, alpha = chosen.protocol, chosen.tasters, chosen.alpha
    if chosen.similarity:
        return [_limit(test, n, size, chosen.beta)]
    count = int(sizes.critical_number(test, n, alpha=alpha))
    if count > n:
        said = [f"Not even {n} correct of {n} would speak for a difference at an alpha-risk of {alpha:.4g}."]
    else:
        real = words.percent(float(sizes.actual_alpha(test, n, alpha=alpha)), 1)
        said = [f"{count} or more correct of {n} speak for a difference (real alpha-risk {real})."]
    if sized:
        found = words.percent(float(sizes.power(test, n, **size, alpha=alpha)))
        said += [f"Power at the stated difference: {found}.", _limit(test, n, size, chosen.beta)]
    return said


def _print_cost(cost: Any, details: bool) -> None:
    """What looking costs, look by look."""
    _say(cost.statement())
    shown = cost.look_by_look() if details else cost.look_by_look(most=FEW, few=True)
    print(f"\n{shown.to_text()}")


def _print_stops(plan: Any, details: bool) -> None:
    """A plan with its counts; all of them where details are asked for, as in a terminal nothing else shows them."""
    _say(plan.statement())
    if len(plan.looks) > LISTED:
        print()
        _say(
            f"Where to stop is not listed for more than {LISTED:,} looks. State a larger difference, look twice with "
            '--looks, or write the list in Python: sequential_plan(...).to_csv("stops.csv").'
        )
        return
    stops = plan.when_to_stop(most=None if details else FEW)
    print(f"\n{stops.to_text()}")
    if len(stops.rows) == FEW:
        print(ALL)


def _say(*texts: str) -> None:
    """Sentences in lines of a terminal, with the terms of the trade explained."""
    from metasense.showing.glance import explained
    from metasense.showing.words import wrapped

    for text in explained(texts):
        print("\n".join(wrapped(text)))


def _size(chosen: argparse.Namespace) -> dict[str, Any]:
    """The difference that matters, as a p_d of the planned protocol where it was said so, else as d-prime."""
    from metasense.margins import margin_of
    from metasense.protocols import forced_choice

    if chosen.margin is None:
        return {"p_d": chosen.p_d, "d_prime": chosen.d_prime}
    margin = margin_of(str(chosen.margin))
    if chosen.protocol is not None and forced_choice(chosen.protocol).name == margin.stated_protocol:
        return {"p_d": margin.stated_p_d, "d_prime": None}
    return {"p_d": None, "d_prime": margin.d_prime}


def _limit(test: str, n: int, size: dict[str, float | None], beta: float) -> str:
    """How many correct answers of so many speak for similarity, and the risk of that count."""
    from metasense.binomial import at_most
    from metasense.planning import sizes
    from metasense.protocols import forced_choice
    from metasense.showing import words

    limit = int(sizes.similarity_limit(test, n, **size, beta=beta))
    at = f"for similarity at a beta-risk of {words.percent(beta)}"
    if limit < 0:
        return f"Not even 0 correct would speak {at}."
    truth = sizes.true_share(forced_choice(test), size["p_d"], size["d_prime"])
    return f"{limit} or fewer correct speak {at} (real beta-risk {words.percent(float(at_most(limit, n, truth)), 1)})."


def _share(text: str) -> float:
    """A share as people write it: 0.2, 0,2 or 20 %."""
    try:
        return _decimal(text.strip().removesuffix("%")) / (100 if text.strip().endswith("%") else 1)
    except argparse.ArgumentTypeError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a share between 0 and 1; write 0.2 or 20%") from None


def _decimal(text: str) -> float:
    """A number with a decimal point or comma."""
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise argparse.ArgumentTypeError(f"{text!r} is no number; write one such as 0.5")
    return number


def _serve(chosen: argparse.Namespace) -> int:
    from metasense.planning.serving import ServingPlan, place_for_plan, serve
    from metasense.showing.words import one_line

    place_for_plan(chosen.folder)
    wanted = {
        name: value for name, value in vars(chosen).items() if name not in ("run", "folder", "protocol", "tasters")
    }
    wanted["panel"] = chosen.panel or Path(chosen.folder).resolve().name or "panel 1"
    wanted["beside"] = [ServingPlan.load(folder) for folder in chosen.beside]  # none of their codes comes back
    plan = serve(chosen.protocol, chosen.tasters, **wanted)
    folder = plan.save(chosen.folder)
    print(plan)
    print(f"\nWrote {one_line(folder)}: start with run.html. The key is in the folder sealed.")
    return WARNED if plan.warnings else FINE


def _answers(chosen: argparse.Namespace) -> int:
    from metasense.planning.served import read_answers
    from metasense.planning.serving import ServingPlan

    if chosen.append and chosen.panels is None:
        raise ValueError("--append goes with --panels, which names the table to add to.")
    if chosen.panels is not None:
        _place_for_counts(chosen.panels, chosen.append)
    plan = ServingPlan.load(chosen.key)
    tastings = read_answers(plan, chosen.answers, blind=chosen.blind)
    balance = plan.balance(tastings)
    written = _write_counts(tastings.to_panels(), chosen.panels, chosen.append) if chosen.panels else ""
    print(tastings, balance, sep="\n\n")
    missing = int(tastings.frame["correct"].isna().sum())
    if missing:
        print(f"Warning: {missing} of {len(tastings)} sets have no answer.")
    if written:
        print(f"\n{written}")
    return FINE if balance.even and not missing else WARNED


def _place_for_counts(path: str, append: bool) -> None:
    """Refuse, before the work, a place where the counts cannot go."""
    from metasense.showing.files import TEXT, ready

    if Path(path).suffix.lower() != ".csv":
        raise ValueError(f"--panels writes CSV, and {path!r} ends otherwise. Name a file that ends in .csv.")
    try:
        ready(path, TEXT if append else None)
    except FileExistsError as error:
        if append or not os.path.isfile(path):
            raise
        raise ValueError(f"{error} Or say --append to add the panel to that table.") from None


def _write_counts(panels: Any, path: str, append: bool) -> str:
    """Write the counts of a panel, and say what was done."""
    from metasense.planning.adding import add_panel
    from metasense.showing.words import one_line

    name = one_line(path)
    if not append or not os.path.exists(path) or not os.path.getsize(path):
        panels.to_csv(path)
        return f"There was no {name}; it is made, and holds this panel." if append else f"Wrote {name}."
    if add_panel(panels, path):
        return f"Added the panel to {name}."
    return (
        f"{name} holds this panel already, and was left as it is. If this was another evening, give it a name of its "
        "own under panel in its key and answers (serve --panel names it)."
    )
