"""Options, stated once for all the commands that take them."""

from __future__ import annotations

import argparse
from typing import Any

from metasense.cli.parser import MARGIN, Parser, decimal, in_our_words, is_a_file, odds, remark, share

MARGIN_HELP = "smallest difference that matters: 0.2 triangle"
RISK = "RISK"
UNNAMED = ("A", "B")  # the old product and the new one, where nobody names them


def protocol(action: argparse.Action) -> None:
    """Let a shell that completes words offer the protocols here."""

    def names(**_: Any) -> list[str]:
        from metasense.protocols import PROTOCOLS

        return list(PROTOCOLS)

    action.completer = names  # type: ignore[attr-defined]
    action.type = _our_protocol


def _our_protocol(typed: str) -> str:
    """A protocol by our name where it was typed in another language of tables, and that said; else as it was typed."""
    if is_a_file(typed):
        return typed
    from metasense.tables.languages import with_our_protocol

    words, note = with_our_protocol([typed])
    remark(note)
    return words[0]


def add_margin(parsed: Parser) -> None:
    """The margin."""
    parsed.add_argument(MARGIN, metavar="TEXT", help=MARGIN_HELP)


def add_read(parsed: Parser) -> None:
    """How files are read."""
    parsed.add_argument("--tastings", metavar="FILE", help="single answers of the panels, one row a tasting")
    parsed.add_argument("--sheet", metavar="NAME", help="which sheet of an Excel file, by name or number")


def add_check(check: Parser) -> None:
    """Where a mended copy goes."""
    check.add_argument("--fix", metavar="OUT.xlsx", help="write a copy in which all that is surely damaged is mended")


def add_form(parsed: Parser, forms: tuple[str, ...]) -> None:
    """What is printed."""
    parsed.add_argument("--details", action="store_true", help="all numbers and notes, not the first screen only")
    parsed.add_argument("--format", choices=forms, default="text", metavar="FORM", help=", ".join(forms))


def add_sampling(parsed: Parser) -> None:
    """What pools are worked out with."""
    parsed.add_argument("--card", metavar="FILE", help="the question card written before; its margin is used")
    parsed.rarely("--method", choices=("grid", "mcmc"), default="grid", help="integration (default) or sampling")
    parsed.rarely("--seed", metavar="N", type=int, default=1, help="seed of everything random (1)")
    parsed.rarely("--without", metavar="PANEL", action="append", help="leave this panel out; may be repeated")
    parsed.rarely("--rho", metavar="SHARE", type=share, help="how far people who come again keep their standing (1)")
    parsed.rarely("--prior", metavar="FILE.nc", help="an earlier pool, as the prior of these panels")
    parsed.rarely("--discount", metavar="SHARE", type=share, help="how much of it is believed (1)")
    parsed.rarely("--learned-from", metavar="TABLE", help="a shelf of many variables, as the prior; with --by")
    parsed.rarely("--by", metavar="COLUMN", help="what tells the variables of that shelf apart")


def add_pool(pool: Parser) -> None:
    """What the panels are pooled with, and where the answer goes."""
    add_margin(pool)
    pool.add_argument(
        "--moderator", metavar="COLUMN", action="append", help="what the difference may depend on; may be repeated"
    )
    pool.add_argument("--interaction", nargs=2, metavar=("A", "B"), help="two of them: what A does may depend on B")
    pool.rarely("--name", metavar="COLUMN=WORDS", action="append", help="what to call a column; may be repeated")
    pool.rarely("--unit", metavar="COLUMN=UNIT", action="append", help="unit of its numbers; may be repeated")
    pool.add_argument("--through-zero", metavar="COLUMN", help="a dose, at whose zero there is nothing to taste")
    pool.add_argument("--within", metavar="COLUMN", help="panels of one value belong together: batch_pair")
    pool.add_argument("--save", metavar="FILE.nc", help="keep the pool, to show or rerun later")
    add_page(pool)


def add_ask(ask: Parser) -> None:
    """What single questions take."""
    protocol(ask.add_argument("--protocol", metavar="NAME", help="of rate and counts"))
    ask.add_argument("--tasters", metavar="N", type=int, help="of counts: in the next panel")
    ask.rarely(
        "--odds",
        metavar="TEXT",
        type=odds,
        help="of averaged: none, same, varying beforehand, such as 3 1 1; divided by their sum",
    )
    ask.rarely("--nothing", metavar="SHARE", type=share, help="of some: the share of panels with nothing, not learned")


def add_saved(shown: Parser) -> None:
    """Which saved pool is shown, and where."""
    shown.add_argument("file", metavar="FILE.nc", help="what --save or pooled.save() wrote")
    add_page(shown)


def add_page(pool: Parser) -> None:
    """Whether the answer is written as a page; after `next` the plans stand on it too."""
    pool.add_argument("--report", metavar="PAGE.html", help="write the answer as one self-contained page")
    pool.add_argument("--title", default="", metavar="WORDS", help="heading of that page")
    pool.add_argument("--overwrite", action="store_true", help="replace a page or pool of other panels")


def add_next(following: Parser) -> None:
    """Which plans are compared."""
    protocol(
        following.add_argument("--protocol", metavar="NAME", action="append", help="a protocol to try; may be repeated")
    )
    following.add_argument("--tasters", metavar="N", type=int, nargs="+", help="tasters in each panel")
    following.add_argument("--panels", metavar="K", type=int, nargs="+", help="how many such panels (1)")
    following.add_argument("--same-pair-as", metavar="PANEL", help="a panel whose batch pair is tasted again")
    add_page(following)


def add_preference(liked: Parser) -> None:
    """Preferences that are in no table of panels."""
    liked.add_argument("--pairs", metavar="TABLE", help="separate blind pairs: prefer_new, prefer_old, no_preference")
    liked.add_argument(
        "--placebo", nargs=3, type=int, metavar=("ONE", "OTHER", "NONE"), help="answers to a pair of two alike"
    )


def add_answers(answers: Parser) -> None:
    """Key, answers, and where the counts go."""
    answers.add_argument("key", help="key.csv of the plan, or the folder it was saved in")
    answers.add_argument("answers", help="the filled answers.csv")
    answers.add_argument("--blind", choices=("double", "single", "none"), help="who did not know what was served")
    answers.add_argument("--panels", metavar="OUT.csv", help="write the counts as a new table for the other commands")
    answers.add_argument("--tastings", metavar="OUT.csv", help="write the tastings too, one row each")
    answers.add_argument("--append", action="store_true", help="add to the tables that are there instead")
    answers.add_argument(
        "--details", action="store_true", help="also every note and tasting, and the orders one by one"
    )


def add_plan(plan: Parser) -> None:
    """What a plan is asked for."""
    protocol(plan.add_argument("protocol", nargs="?", help="such as triangle, duo-trio, 2-AFC, tetrad"))
    plan.add_argument("at_hand", nargs="?", type=int, metavar="tasters", help="tasters at hand, one tasting each")
    size = plan.add_mutually_exclusive_group()
    add_margin(size)  # type: ignore[arg-type]
    size.add_argument("--p-d", type=share, help="the same, as a p_d of the protocol")
    size.add_argument("--d-prime", type=decimal, help="the same, as a d-prime")
    plan.add_argument("--tasters", metavar="N", type=int, help="the same as the number after the protocol")
    plan.add_argument("--purpose", choices=("difference", "similarity"), help="what the panel is run for")
    plan.add_argument("--similarity", action="store_true", help=argparse.SUPPRESS)  # older
    early = plan.add_mutually_exclusive_group()
    early.add_argument("--looks", type=int, nargs="*", metavar="N", help="tastings at each look, the last in all")
    early.add_argument("--sequential", action="store_true", help="look after every tasting")
    plan.add_argument(
        "--true",
        metavar="TEXT",
        type=in_our_words,
        help="a true difference, such as d'=0.5: chance of each verdict then",
    )
    plan.add_argument("--alpha", metavar=RISK, type=share, default=0.05, help="of calling a difference by luck (0.05)")
    plan.add_argument("--beta", metavar=RISK, type=share, default=0.05, help="of missing the difference (0.05)")
    add_form(plan, ("text", "markdown", "json", "csv"))


def add_card_lines(write: Parser) -> None:
    """The lines of a card."""
    write.add_argument("--question", metavar="TEXT", help="in one sentence; without it, you are asked")
    write.add_argument("--decision", metavar="TEXT", help="what you will do beyond the margin, within it, or neither")
    add_margin(write)
    protocol(write.add_argument("--protocol", metavar="NAME", action="append", help="may be repeated"))
    write.add_argument("--tastings", metavar="N", type=int, help="of each panel")
    write.add_argument("--stopping", metavar="TEXT", help="when a panel ends, where that is no number of tastings")
    write.add_argument("--panels", metavar="N", type=int, help="how many are planned")
    write.add_argument(
        "--looks", metavar="N", type=int, default=1, help="at the count of a panel, its end included (1)"
    )
    write.add_argument("--exclusions", metavar="TEXT", help="what will be left out, and why")
    write.add_argument("--moderator", metavar="COLUMN", action="append", help="may be repeated")
    write.add_argument("--date", metavar="DAY", help="such as 2026-11-25; today unless given")


def add_serve(serve: Parser) -> None:
    """What is served to whom."""
    serve.greedy = ("--allergens", "--hazards", "--beside")
    protocol(serve.add_argument("protocol", help="such as triangle, duo-trio, 2-AFC, tetrad"))
    serve.add_argument("tasters", type=int, help="how many tasters")
    serve.add_argument("folder", help="a new folder for the sheets")
    serve.add_argument("--samples", nargs=2, default=UNNAMED, metavar=("OLD", "NEW"), help="the two products")
    serve.add_argument("--panel", metavar="NAME", help="name of the sitting (the folder's if left out)")
    serve.add_argument("--date", metavar="DAY", help="day of the sitting, such as 2026-11-25")
    serve.add_argument("--sets", metavar="N", type=int, default=1, help="sets each taster gets (1)")
    serve.add_argument("--attribute", metavar="NOUN", default="", help="what tasters look for, where the test names it")
    serve.add_argument("--more", metavar="SAMPLE", help="the sample expected to have more of it")
    serve.add_argument("--reference", metavar="SAMPLE", help="always the reference (duo-trio) or A (A-not-A)")
    serve.add_argument("--preference", action="store_true", help="a separate pair afterwards: which is liked better?")
    serve.add_argument("--placebo", action="store_true", help="also a pair of two alike")
    serve.add_argument("--certainty", action="store_true", help="ask how sure the taster is")
    serve.add_argument("--allergens", metavar="X", nargs="*", help="of both together; no name means none")
    serve.add_argument("--hazards", metavar="X", nargs="*", help="alcohol, caffeine, hot, additives, gas; or no name")
    serve.add_argument("--beside", nargs="*", default=(), metavar="FOLDER", help="other plans of the same session")
    serve.add_argument("--language", metavar="CODE", default="en", help="of the printed sheets: en, de, fr, es")
    serve.add_argument("--texts", metavar="FILE.toml", help="own wording in place of some of the sheets' texts")
    serve.add_argument(
        "--seed", metavar="N", type=int, help=argparse.SUPPRESS
    )  # for trials: it makes the key guessable
