"""Commands that answer from panels: one, pool, ask, next, tasters, preference, claim, show, rerun."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

from metasense.cli.parser import as_typed, is_a_file, share
from metasense.cli.phrases import QUESTIONS
from metasense.cli.printing import ALL, answer, free_name, progress, say, say_written, serving, show, then
from metasense.cli.reading import FAILED, FINE, WARNED, Named, named
from metasense.cli.said import Said

NEXT = "What to run next"  # heading of the plans on a page
SETTLED_ALREADY = ("beyond the margin", "within the margin")


def one(chosen: argparse.Namespace) -> int:
    """One panel by its counts, or one of a table."""
    from metasense.alone.single import one_panel
    from metasense.margins import margin_of
    from metasense.protocols import TwoCountProtocol, protocol
    from metasense.tables.panels import Tastings, read_table

    margin = margin_of(chosen.margin)
    if is_a_file(chosen.protocol):
        if chosen.panel is None:
            raise ValueError("name the panel of the table with --panel.")
        read = read_table(chosen.protocol, sheet=chosen.sheet)
        panels = read.to_panels() if isinstance(read, Tastings) else read
        result: Any = one_panel(panels[chosen.panel], margin=margin)
    else:
        test = protocol(chosen.protocol)
        names = ("correct", "tastings")
        if isinstance(test, TwoCountProtocol):
            names = ("hits", "signal", "false_alarms", "noise")  # type: ignore[assignment]
        typed = " ".join(name.upper() for name in names)
        if len(chosen.counts) != len(names):
            raise ValueError(f"{test.name} takes {len(names)} counts: metasense one {test.name} {typed}.")
        counts = dict(zip(names, chosen.counts, strict=True))
        if "correct" in counts and counts["correct"] > counts["tastings"]:
            raise ValueError(
                f"{counts['correct']} correct of {counts['tastings']} tastings cannot be. The counts stand in this "
                f"order: metasense one {test.name} {typed}."
            )
        result = one_panel(test, **counts, margin=margin, name=chosen.panel or "")
    warned = any("eversal" in note for note in getattr(result, "notes", ()))
    name = result.protocol.name
    n = getattr(result, "tastings", None)
    after: tuple[Any, ...] = ("plan", name, n, "--margin", None if margin is None else margin.text)
    if margin is None and n is not None:
        after = ("one", chosen.protocol, *chosen.counts, *_panel(chosen), "--margin", f"0.2 {name}")
    elif n is None:
        after = ("pool", "panels.csv", "--margin", "d-prime 1" if margin is None else margin.text)
    shown = result
    if chosen.rates:
        shown = result.rates()
    elif chosen.groups:
        shown = _in_groups(result)
    answer(shown, chosen, after=after)
    return WARNED if warned else FINE


def _in_groups(panel: Any) -> Said:
    """The answers beyond guessing, as guessing gives, and wrong; counts of answers, never of people."""
    import pandas as pd

    from metasense.showing.tables import table

    if not hasattr(panel, "answers"):
        raise ValueError(f"--groups is of one count of correct answers; {panel.protocol.name} has two.")
    frame = pd.DataFrame(panel.answers().items(), columns=["group", "answers"])
    return Said(table(frame, caption="The answers in groups"), frame)


def _panel(chosen: argparse.Namespace) -> list[str]:
    return [] if chosen.panel is None else ["--panel", chosen.panel]


def pool(chosen: argparse.Namespace) -> int:
    """Pool the panels, give the answer, and keep it where that is asked for."""
    from metasense.showing.files import PAGE, POOL, ready

    for path, kind in ((chosen.report, PAGE), (chosen.save, POOL)):
        if path is not None:
            ready(path, kind)
    read = named(chosen)
    pooled = _pooled(chosen, read)
    written = []  # before printing, which a reader may cut short
    if chosen.report is not None:
        written.append(pooled.report(chosen.report, title=chosen.title, overwrite=chosen.overwrite))
    if chosen.save is not None:
        written.append(pooled.save(chosen.save, overwrite=chosen.overwrite))
    typed = read if chosen.save is None else Named((str(chosen.save),), saved=pooled)
    after = _after_pool(pooled, typed, _structure(chosen), chosen.card)
    if chosen.report is None and pooled.margin is not None and pooled.plain is not pooled:
        after = ("pool", *_with_margin(pooled, typed, chosen.card), *_structure(chosen), "--report", "answer.html")
    _print_pool(pooled, chosen, after, written)
    return _code(pooled)


def _print_pool(pooled: Any, chosen: argparse.Namespace, after: tuple[object, ...], written: list[Path]) -> None:
    """The answer, the files that were written, and the command to go on with."""
    if chosen.format != "text":
        answer(pooled, chosen, after=after, wrote=written)
        return
    show(pooled.details() if chosen.details else pooled)
    say_written(written)
    then(*after)


def _pooled(chosen: argparse.Namespace, read: Named) -> Any:
    """The pool of what was read: a saved one as it is, unless something else is asked of its panels."""
    from metasense.margins import margin_of
    from metasense.results.pooling import pool as pool_panels

    margin = margin_of(getattr(chosen, "margin", None))
    structure: dict[str, Any] = {
        "moderators": getattr(chosen, "moderator", None),
        "through_zero": getattr(chosen, "through_zero", None),
        "within": getattr(chosen, "within", None),
        "interaction": getattr(chosen, "interaction", None),
    }
    structure |= {part: _called(getattr(chosen, part[:-1], None), part[:-1]) for part in ("names", "units")}
    structure = {name: value for name, value in structure.items() if value is not None}
    how: dict[str, Any] = {"method": chosen.method, "seed": chosen.seed, "progress": progress()}
    if chosen.rho is not None:
        how["rho"] = chosen.rho
    priors = _priors(chosen)
    if read.saved is not None:
        asked = (margin, chosen.card, chosen.rho, chosen.without, priors)
        if chosen.method == "grid" and not structure and all(each is None for each in asked):
            return read.saved
        return _pooled_anew(chosen, read.saved, margin, priors, structure, how)
    tables = _without(chosen.without, (read.panels, read.tastings))
    first = tables[1] if tables[0] is None else tables[0]
    tastings = None if tables[0] is None else tables[1]
    return pool_panels(first, tastings=tastings, margin=margin, card=chosen.card, priors=priors, **structure, **how)


def _pooled_anew(
    chosen: argparse.Namespace, saved: Any, margin: Any, priors: Any, structure: dict[str, Any], how: dict[str, Any]
) -> Any:
    """The panels of a saved pool, pooled as before but for what is asked otherwise."""
    from metasense.results.pooling import pool as pool_panels

    if chosen.card is None:
        margin = margin or saved.margin
    if not set(structure) - {"names", "units"}:
        structure = {name: value for name, value in saved._structure().items() if value is not None} | structure
    if saved.tastings is not None:
        how = {"rho": saved.core.settings.get("rho", 1.0)} | how
    panels, tastings = _without(chosen.without, (saved.panels, saved.tastings))
    return pool_panels(
        panels,
        tastings=tastings,
        margin=margin,
        card=chosen.card or saved.card,
        priors=saved.priors if priors is None and chosen.card is None else priors,
        **(saved.core.called.stored() | structure),
        **how,
    )


def _without(names: list[str] | None, tables: tuple[Any, Any]) -> tuple[Any, Any]:
    """The panels and the tastings but for the panels of these names."""
    if not names:
        return tables
    there: list[str] = []
    left = []
    for table in tables:
        mine = [] if table is None else [name for name in names if name in set(table.frame["panel"])]
        there += mine
        left.append(table.without(*mine) if mine else table)
    unknown = [name for name in names if name not in there]
    if unknown:
        first = tables[0] if tables[0] is not None else tables[1]
        first.without(*unknown)  # which says the panels that there are
    return left[0], left[1]


def _priors(chosen: argparse.Namespace) -> Any:
    """Those of an earlier pool, or learned from a shelf, where one is named."""
    from metasense.engine.priors import Priors

    if chosen.discount is not None and chosen.prior is None:
        raise ValueError("--discount goes with --prior, which names the earlier pool.")
    if (chosen.learned_from is None) != (chosen.by is None):
        raise ValueError("--learned-from names a table of many variables, and --by the column that tells them apart.")
    if chosen.prior is not None and chosen.learned_from is not None:
        raise ValueError("--prior and --learned-from say two things. Leave one out.")
    if chosen.learned_from is not None:
        from metasense.cli.many import shelf_of

        return Priors.learned(shelf_of(chosen.learned_from, chosen.by))
    if chosen.prior is None:
        return None
    from metasense.results.archive import is_archive
    from metasense.results.pooling import load

    if is_a_file(chosen.prior) and not is_archive(chosen.prior):
        table = as_typed(["metasense", "pool", chosen.prior, "--save", free_name("earlier.nc")])
        raise ValueError(f"--prior takes a saved pool, and {chosen.prior!r} is none. Pool it first: {table}")
    earlier = load(chosen.prior)
    if earlier.plain is not earlier:
        raise ValueError(
            f"{chosen.prior!r} holds a pool with moderators or a level, and a prior is taken from a plain pool. Pool "
            "its table without them, --save it, and name that file."
        )
    return Priors.from_pool(earlier, 1.0 if chosen.discount is None else chosen.discount)


def _called(typed: list[str] | None, option: str) -> dict[str, str] | None:
    """What columns are called, as typed."""
    wrong = [text for text in typed or [] if not all(text.partition("="))]
    if wrong:
        raise ValueError(
            f"--{option} is a column and what is said of it, as in --{option} weeks=...; got {wrong[0]!r}."
        )
    return None if typed is None else {text.partition("=")[0]: text.partition("=")[2] for text in typed}


def _code(pooled: Any) -> int:
    changed = pooled.card is not None and pooled.card.edited
    return WARNED if pooled.warnings or changed else FINE


def _structure(chosen: argparse.Namespace) -> list[str]:
    """What the panels are pooled by, as it is typed again."""
    typed: list[str] = []
    for option in ("moderator", "name", "unit"):
        for words in getattr(chosen, option) or []:
            typed += [f"--{option}", words]
    if chosen.interaction is not None:
        typed += ["--interaction", *chosen.interaction]
    for option in ("through_zero", "within"):
        if getattr(chosen, option) is not None:
            typed += [f"--{option.replace('_', '-')}", getattr(chosen, option)]
    return typed


def _with_margin(pooled: Any, read: Named, card: str | None = None) -> list[str]:
    """The files and the margin, or the card that holds it, as they are typed again."""
    if card is not None and read.saved is None and pooled.card is not None and pooled.margin == pooled.card.margin:
        return [*read.words, "--card", str(card)]
    if pooled.margin is None:
        return [*read.words, "--margin", f"0.2 {pooled.protocol.name}"]
    stated = (
        [] if read.saved is not None and read.saved.margin == pooled.margin else ["--margin", _short(pooled.margin)]
    )
    return [*read.words, *stated]


def _short(margin: Any) -> str:
    """The margin as a person would type it, where that is the same margin."""
    from metasense.margins import Margin

    text = margin.text
    if margin.stated_p_d is not None:
        text = f"{margin.stated_p_d:g} {margin.stated_protocol}"
    elif Margin(f"d'={margin.d_prime:g}") == margin:
        text = f"d'={margin.d_prime:g}"
    return text if Margin(text) == margin else str(margin.text)


def _after_pool(
    pooled: Any, read: Named, structure: list[str] | None = None, card: str | None = None
) -> tuple[Any, ...]:
    from metasense.questions.some import PERHAPS

    typed = _with_margin(pooled, read, card)
    if pooled.margin is None:
        return ("pool", *typed, *(structure or []))
    if any(warning.startswith(PERHAPS) for warning in pooled.warnings):
        return ("ask", "some", *typed)
    if pooled.core.verdict().label in SETTLED_ALREADY:
        return ("ask", "statement", *typed)
    return ("next", *typed)


def ask(chosen: argparse.Namespace) -> int:
    """What stands behind the answer."""
    read = named(chosen)
    pooled = _pooled(chosen, read)
    question = chosen.question
    for option, its in (("odds", "averaged"), ("nothing", "some")):
        if getattr(chosen, option) is not None and question != its:
            raise ValueError(f"--{option} is of metasense ask {its}. Leave it out, or ask that.")
    if question in ("statement", "methods"):
        length = "methods" if question == "methods" else "paragraph"
        result: Any = Said(pooled.statement(length=length), pooled.to_frame())
    elif question == "panels":
        result = _each_panel(pooled.plain)
    elif question in _MORE:
        result = _MORE[question](chosen, pooled.plain)
    elif question == "averaged":
        result = pooled.plain.averaged(chosen.odds)
    elif question == "some":
        result = pooled.plain.some(chosen.nothing)
    elif question == "leave-one-out":
        result = pooled.leave_one_out()
    else:
        result = getattr(pooled.plain, question)()
    names = [name for name in QUESTIONS if name not in _MORE]
    typed = _with_margin(pooled, read, chosen.card)
    after: tuple[Any, ...] = ("next", *typed)
    if question in names:
        after = ("ask", names[(names.index(question) + 1) % len(names)], *typed)
    if question in ("statement", "leave-one-out"):
        after = ("pool", *typed, "--report", "answer.html")
    answer(result, chosen, after=after)
    return _code(pooled)


def _rate(chosen: argparse.Namespace, plain: Any) -> Any:
    return plain.rate(chosen.protocol or plain.protocol)


def _counts(chosen: argparse.Namespace, plain: Any) -> Any:
    from metasense.questions.next_panel import usual_size

    return plain.next_panel(chosen.protocol or plain.protocol, chosen.tasters or usual_size(plain.core))


def _effects(_: argparse.Namespace, plain: Any) -> Any:
    from metasense.questions.effects import serving_effects

    if plain.tastings is None:
        raise ValueError("effects are seen in single answers: name a table with one row a tasting, or --tastings.")
    return serving_effects(plain.tastings)


_MORE = {"rate": _rate, "counts": _counts, "effects": _effects}


def _each_panel(pooled: Any) -> Said:
    from metasense.results.page import panels_table

    return Said(panels_table(pooled.core), pooled.panels_frame())


def next_panel(chosen: argparse.Namespace) -> int:
    """What to run next."""
    from metasense.questions.next_panel import plan_next
    from metasense.showing.files import PAGE, ready

    if chosen.report is not None:
        ready(chosen.report, PAGE)
    read = named(chosen)
    pooled = _pooled(chosen, read)
    plain = pooled.plain
    plans = plan_next(plain, _candidates(chosen, plain))
    written = []
    if chosen.report is not None:
        also = {NEXT: plans}
        written.append(pooled.report(chosen.report, title=chosen.title, also=also, overwrite=chosen.overwrite))
    answer(plans, chosen, after=serving(plans.named_first.protocol, plans.named_first.tasters), wrote=written)
    return _code(pooled)


def _candidates(chosen: argparse.Namespace, plain: Any) -> Any:
    """The plans that were named; None for the usual ones."""
    from metasense.questions.next_panel import usual_size
    from metasense.questions.plan import Plan

    if not (chosen.protocol or chosen.tasters or chosen.panels or chosen.same_pair_as):
        return None
    tests = chosen.protocol or [test.name for test in plain.protocols]
    return Plan.every(tests, chosen.tasters or [usual_size(plain.core)], chosen.panels or [1], [chosen.same_pair_as])


def tasters(chosen: argparse.Namespace) -> int:
    """What people who tasted several times can do."""
    read = named(chosen)
    pooled = _pooled(chosen, read)
    named_rate = {} if chosen.threshold is None else {"threshold": share(chosen.threshold)}
    after: tuple[Any, ...] = ("pool", *read.words)  # which says what a margin is, and asks for one
    if pooled.margin is not None:
        after = ("next", *_with_margin(pooled, read, chosen.card))
    elif read.saved is not None:
        after = ("show", read.files[0])
    found = pooled.plain.tasters(**named_rate)
    answer(found.as_if_independent() if chosen.as_if_independent else found, chosen, after=after)
    return _code(pooled)


def preference(chosen: argparse.Namespace) -> int:
    """Which of the two products is preferred."""
    from metasense.questions.preference import preference as preferred

    read = named(chosen)
    more = {"pairs": _pairs(chosen.pairs), "placebo": chosen.placebo}
    if read.saved is not None:
        result: Any = preferred(_pooled(chosen, read).plain, **more)
    elif chosen.card is None and chosen.method == "grid" and not chosen.without and _priors(chosen) is None:
        source = read.tastings if read.panels is None else read.panels
        result = preferred(source, tastings=None if read.panels is None else read.tastings, **more)
    else:
        result = preferred(_pooled(chosen, read).plain, **more)
    after = ("pool", *read.words, "--report", "answer.html")
    test = next((one.protocol for one in (*result.correct, *result.everyone) if one.protocol), "")
    if test and "separate blind pair" in result._glance().step:
        after = ("serve", test, "24", "evening", "--samples", "OLD", "NEW", "--preference")
    answer(result, chosen, after=after)
    return FINE


def _pairs(file: str | None) -> Any:
    """The table of separate blind pairs."""
    if file is None:
        return None
    from metasense.tables.checking import check_table
    from metasense.tables.columns import PANEL_COLUMNS
    from metasense.tables.headers import is_known
    from metasense.tables.opening import open_table

    wanted = ("panel", "prefer_new", "prefer_old", "no_preference")
    columns = [replace(column, required=False) for column in PANEL_COLUMNS if column.name in wanted]
    checked = check_table(open_table(file, is_known(columns)), columns)
    checked.raise_any("Write one row a pair")
    return checked.frame[[name for name in wanted if name in checked.heads]]


def claim(chosen: argparse.Namespace) -> int:
    """Check a sentence against the panels."""
    from metasense.alone.single import one_panel
    from metasense.claims.check import check_claim
    from metasense.margins import margin_of

    read = named(chosen)
    if chosen.panel is not None:
        margin = margin_of(chosen.margin)
        if read.saved is not None:
            panels = read.saved.panels
            margin = margin or read.saved.margin
        else:
            panels = read.tastings.to_panels() if read.panels is None else read.panels
        result: Any = one_panel(panels[chosen.panel], margin=margin)
        after: tuple[Any, ...] = ("one", read.files[0], "--panel", chosen.panel)
        if read.saved is not None:
            after = ("show", read.files[0])
    else:
        pooled = _pooled(chosen, read)
        result = pooled
        if chosen.about != "pool":
            result = getattr(pooled.plain, chosen.about)()
        after = ("ask", "statement", *_with_margin(pooled, read, chosen.card))
    check = check_claim(chosen.text, result)
    if chosen.format != "text":
        answer(check, chosen, after=after)
    elif chosen.details or not check.understood:
        show(check)
    else:
        say(*check.in_short(result.plain_answer()), ALL)
    if chosen.format == "text":
        then(*after)
    if check.findings:
        return WARNED
    return FINE if check.understood else FAILED


def show_saved(chosen: argparse.Namespace) -> int:
    """Show a saved pool."""
    from metasense.results.pooling import load
    from metasense.showing.files import PAGE, ready

    if chosen.report is not None:
        ready(chosen.report, PAGE)
    pooled = load(chosen.file)
    written = []
    if chosen.report is not None:
        written.append(pooled.report(chosen.report, title=chosen.title, overwrite=chosen.overwrite))
    _print_pool(pooled, chosen, _after_pool(pooled, Named((chosen.file,), saved=pooled)), written)
    return _code(pooled)


def rerun(chosen: argparse.Namespace) -> int:
    """Work a saved pool out again."""
    from metasense.results.rerun import rerun as again

    result = again(chosen.file, progress=progress())
    answer(result, chosen, after=("show", chosen.file))
    return FINE if result.same else WARNED
