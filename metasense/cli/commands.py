"""The commands in the order of the job, with a line each, and the options they share."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

from metasense.cli import many, options
from metasense.cli.parser import Parser
from metasense.cli.phrases import QUESTIONS
from metasense.cli.printing import FORMATS

ABOUT = "Pool sensory panels on one variable and say what is now known."
CODES = "Exit code: 0 fine, 1 answered with warnings that matter, 2 cannot be answered, 3 metasense failed."


WIDE = 78
TABLE = "a table (CSV, TSV, Excel, Parquet), or a saved pool"
Run = Callable[[argparse.Namespace], int]


class _Help(argparse.HelpFormatter):
    """Help in lines of 78 columns, an option a line where it can be."""

    def __init__(self, prog: str, **named: Any) -> None:
        super().__init__(prog, max_help_position=25, width=WIDE)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        return textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False)

    def _format_usage(self, usage: Any, actions: Any, groups: Any, prefix: Any) -> str:
        needed = [action for action in actions if not action.option_strings]
        text = super()._format_usage(usage, needed, [], prefix)
        return text if len(needed) == len(list(actions)) else text.replace("\n\n", " [options]\n\n")


def make_parser() -> Parser:
    """Every command with its options."""
    parser = Parser(prog="metasense", description=ABOUT, epilog=CODES, formatter_class=_Help)
    parser.add_argument("--version", action="store_true", help="the version, and no more")
    add = parser.add_subparsers(metavar="command", parser_class=Parser)

    def command(name: str, does: str, more: str = "") -> Parser:
        parsed = add.add_parser(
            name,
            help=does,
            description=f"{does[0].upper()}{does[1:]}. {more}".strip(),
            formatter_class=_Help,
            add_help=False,
        )
        parsed.add_argument("-h", "--help", action="help", help=argparse.SUPPRESS)
        parsed.does = does
        parser.under[name] = parsed
        return parsed

    _before(command)
    _of_tables(command)
    return parser


def _before(command: Callable[..., Parser]) -> None:
    start = command("start", "make a folder for one question: card, empty table, notebook")
    start.add_argument("folder", help="a new folder")
    start.add_argument("--answers", metavar="FILE.toml", help="the lines of the card, or a card: nothing is asked then")
    start.set_defaults(run=_late("before", "start"))

    _card(command("card", "write the question card, seal it, or check it"))

    plan = command(
        "plan",
        "how many tasters, what so many find, which protocol, when to look",
        "With a margin: the tasters needed. With tasters: what they find. With neither protocol nor tasters: all "
        "protocols compared.",
    )
    options.add_plan(plan)
    plan.set_defaults(run=_late("plan", "plan"))

    serve = command("serve", "codes, orders, ballots, sheets and a sealed key for one panel")
    options.add_serve(serve)
    serve.set_defaults(run=_late("before", "serve"))

    answers = command("answers", "join typed answers with the key of a served panel")
    options.add_answers(answers)
    answers.set_defaults(run=_late("before", "answers"))


def _card(card: Parser) -> None:
    add = card.add_subparsers(metavar="write|seal|check", required=True, help="one of these", parser_class=Parser)

    def step(name: str, does: str) -> Parser:
        parsed = add.add_parser(name, help=does, description=f"{does[0].upper()}{does[1:]}.", formatter_class=_Help)
        card.under[name] = parsed
        parsed.add_argument("--details", action="store_true", help="the whole card")
        parsed.set_defaults(run=_late("before", f"card_{name}"))
        return parsed

    write = step("write", "write a card, asked for line by line or by options")
    write.add_argument("card", metavar="CARD.toml", help="a new file")
    options.add_card_lines(write)
    seal = step("seal", "seal a card that was written by hand")
    seal.add_argument("lines", metavar="LINES.toml", help="the lines of a card, a question each")
    seal.add_argument("card", metavar="CARD.toml", help="a new file, with the seal at its end")
    check = step("check", "show a card, whether it is as it was sealed, and where panels depart from it")
    check.add_argument("card", metavar="CARD.toml", help="a question card")
    check.add_argument("files", nargs="*", metavar="TABLE", help="the panels, where there are some")
    options.add_read(check)
    options.add_margin(check)


def _add_one(one: Parser) -> None:
    """What `one` takes beside the protocol."""
    one.add_argument(
        "counts", nargs="*", type=int, metavar="CORRECT TASTINGS",
        help="or HITS SIGNAL FALSE_ALARMS NOISE in A-not-A and same-different",
    )  # fmt: skip
    one.add_argument("--panel", metavar="NAME", help="which panel of the table; otherwise what to call this one")
    one.add_argument("--sheet", metavar="NAME", help="which sheet of an Excel file, by name or number")
    one.add_argument("--rates", action="store_true", help="what its difference would give in every protocol")
    one.add_argument("--groups", action="store_true", help="answers beyond guessing, as by guessing, and wrong")
    options.add_margin(one)


def _of_tables(command: Callable[..., Parser]) -> None:
    check = command("check", "read a table of panels and say what is in it", "Exit code 1: a panel looks reversed.")
    options.add_check(check)
    check.set_defaults(run=_late("reading", "check"))

    one = command("one", "one panel by its counts", "Or the panel of a table: one FILE --panel NAME.")
    options.protocol(one.add_argument("protocol", help="such as triangle, duo-trio, 2-AFC, tetrad"))
    _add_one(one)
    one.set_defaults(run=_late("answer", "one"))

    pool = command("pool", "pool the panels of tables and give the answer")
    options.add_pool(pool)
    pool.set_defaults(run=_late("answer", "pool"))

    many.add_shelf(command("shelf", many.DOES), _late("many", "shelf"))

    ask = command("ask", "what stands behind the answer of a pool")
    ask.add_argument("question", choices=tuple(QUESTIONS), metavar="question", help=", ".join(QUESTIONS))
    options.add_ask(ask)
    ask.set_defaults(run=_late("answer", "ask"))

    following = command("next", "the next panel: what may settle the question, and what it costs")
    options.add_next(following)
    following.set_defaults(run=_late("answer", "next_panel"))

    people = command("tasters", "what people who tasted several times can do")
    people.add_argument("--threshold", metavar="SHARE", help="rate above guessing that counts as better (0.1)")
    people.add_argument("--as-if-independent", action="store_true", help="beside it the wrong answer, for comparison")
    people.set_defaults(run=_late("answer", "tasters"))

    liked = command("preference", "which of the two products is preferred, lucky guesses taken out")
    options.add_preference(liked)
    liked.set_defaults(run=_late("answer", "preference"))

    claim = command("claim", "check a sentence you want to publish against the panels")
    claim.add_argument("text", help="the sentence, in quotation marks")
    claim.add_argument("--panel", metavar="NAME", help="the sentence is about this one panel alone")
    claim.add_argument(
        "--about", choices=("pool", "preference", "tasters"), default="pool", metavar="WHAT",
        help="what the sentence is about: pool (unless given), preference, tasters",
    )  # fmt: skip
    claim.set_defaults(run=_late("answer", "claim"))

    shown = command("show", "show a saved pool")
    options.add_saved(shown)
    shown.set_defaults(run=_late("answer", "show_saved"))

    again = command(
        "rerun",
        "work a saved pool out again and compare with its stored numbers",
        "Exit code 0: the stored numbers came out again. 1: they did not.",
    )
    again.add_argument("file", metavar="FILE.nc", help="what --save or pooled.save() wrote")
    again.set_defaults(run=_late("answer", "rerun"))

    for parsed in (check, pool, ask, following, people, liked, claim):
        parsed.add_argument("files", nargs="+", type=Path, metavar="FILE", help=TABLE)
        options.add_read(parsed)
    for parsed in (ask, following, people, claim):
        options.add_margin(parsed)
    for parsed in (ask, following, people, liked, claim, pool):
        options.add_sampling(parsed)
    for parsed in (check, one, pool, ask, following, people, liked, claim, shown, again):
        options.add_form(parsed, FORMATS)


def _late(file: str, name: str) -> Run:
    """The function of that name, imported when its command is given: a broken library is met where that is caught."""

    def run(chosen: argparse.Namespace) -> int:
        from importlib import import_module

        return int(getattr(import_module(f"metasense.cli.{file}"), name)(chosen))

    return run


def overview(parser: Parser) -> str:
    """What there is to type, in the order of the job."""
    lines = [ABOUT, ""]
    for name, one in parser.under.items():
        lines.append(f"  {name:<12}{one.does}")
    lines += ["", "metasense COMMAND --help says more of one. Then type: metasense start FOLDER"]
    return "\n".join(lines)
