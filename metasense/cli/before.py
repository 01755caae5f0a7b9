"""Commands before and around a panel: the folder, the card, the sheets, the answers."""

from __future__ import annotations

import argparse
import os
import shlex
import sys
from pathlib import Path
from typing import Any

from metasense.cli.options import UNNAMED
from metasense.cli.parser import as_typed
from metasense.cli.printing import ALL, NOUN, say, show, then
from metasense.cli.reading import FINE, WARNED, card_beside


def start(chosen: argparse.Namespace) -> int:
    """Make the folder of one question."""
    from metasense.planning.starting import start as begin
    from metasense.showing.files import free_folder

    free_folder(chosen.folder)  # before anybody answers questions
    made = begin(chosen.folder, _asked() if chosen.answers is None else chosen.answers)
    said, _, _ = str(made).rpartition("\nNext: ")  # which the last line says so that it can be typed
    show(said)
    then(*shlex.split(made.next_command())[1:])
    return FINE


def _asked() -> Any:
    """The card that somebody at the terminal answers for."""
    from metasense.planning.asking import ask_card
    from metasense.planning.decided import NO_TERMINAL

    if sys.stdin is None or not sys.stdin.isatty():
        raise ValueError(NO_TERMINAL)
    try:
        card = ask_card(input, print)
    except EOFError:
        raise ValueError("the answers ended before the last question, so nothing was made.") from None
    print()
    return card


def card_write(chosen: argparse.Namespace) -> int:
    """Write a card from the options, or ask for it where there are none."""
    from metasense.planning.decided import card_of
    from metasense.showing.files import ready

    ready(chosen.card)
    lines = {
        "question": chosen.question,
        "decision": chosen.decision,
        "margin": chosen.margin,
        "protocols": chosen.protocol,
        "tastings": chosen.tastings,
        "stopping": chosen.stopping,
        "panels": chosen.panels,
        "exclusions": chosen.exclusions,
        "moderators": chosen.moderator,
        "date": chosen.date,
    }
    given = {name: value for name, value in lines.items() if value is not None}
    if given:
        lacking = [f"--{name}" for name in ("question", "decision", "margin", "protocol") if not getattr(chosen, name)]
        if lacking:
            from metasense.showing.words import listing

            raise ValueError(f"a card also needs {listing(lacking)}. Without any of them you are asked line by line.")
        card = card_of({"looks": chosen.looks, **given})
    else:
        card = _asked_for_a_card()
    return _written(card, chosen)


def _asked_for_a_card() -> Any:
    if sys.stdin is None or not sys.stdin.isatty():
        raise ValueError(
            "the questions of the card are asked in a terminal, and this is none. Give --question, --decision, "
            "--margin and --protocol."
        )
    return _asked()


def card_seal(chosen: argparse.Namespace) -> int:
    """Seal a card written by hand, in a new file."""
    from metasense.planning.decided import card_of
    from metasense.showing.files import ready

    ready(chosen.card)
    return _written(card_of(chosen.lines), chosen)


def _written(card: Any, chosen: argparse.Namespace) -> int:
    from metasense.showing.words import one_line

    written = card.save(chosen.card)
    _show_card(card, chosen.details)
    print(f"\nWrote {one_line(written)}, sealed: {card.sha256[:16]}")
    then("plan", card.protocols[0], "--margin", card.margin.text)
    return WARNED if card.edited else FINE


def _show_card(card: Any, details: bool) -> None:
    """The card, or the lines of it that were decided: how each verdict would read is worked out from these."""
    if details:
        show(card)
        return
    from metasense.showing.tables import table
    from metasense.showing.words import VERDICTS

    frame = card.to_frame()
    decided = frame[~frame["item"].isin([*VERDICTS, "margin in words", "priors", "sha256"])].reset_index(drop=True)
    show(table(decided, caption=f"Question card of {card.date}").to_text())
    if card.edited:
        show("Note: this card was changed after it was written.")
    print(ALL)


def card_check(chosen: argparse.Namespace) -> int:
    """Show a card, whether it is as it was sealed, and where panels depart from it."""
    from metasense.card import Card
    from metasense.margins import margin_of

    card = Card.load(chosen.card)
    _show_card(card, chosen.details)
    if not card.edited:
        show(f"It is as it was sealed: {card.sha256[:16]}")
    departures: tuple[str, ...] = ()
    beside = Path(chosen.card).parent / "panels.csv"
    files = list(chosen.files) or [beside.as_posix() if beside.exists() else "panels.csv"]
    if chosen.files:
        from metasense.cli.reading import named
        from metasense.core.evidence import joined

        read = named(chosen)
        panels = read.panels if read.saved is None else read.saved.panels
        if read.tastings is not None:
            panels = read.tastings.to_panels() if panels is None else joined(panels, read.tastings)
        margin = margin_of(chosen.margin) or card.margin
        departures = card.departures(panels, margin=margin, priors=card.priors)
        print()
        for departure in departures or ("The panels are as the card says.",):
            show(departure)
    then("pool", *files, "--card", chosen.card)
    return WARNED if card.edited or departures else FINE


def serve(chosen: argparse.Namespace) -> int:
    """Write the sheets of one panel."""
    from metasense.planning.serving import ServingPlan, place_for_plan
    from metasense.planning.serving import serve as plan_for
    from metasense.showing.words import one_line

    place_for_plan(chosen.folder)
    if chosen.attribute == NOUN:
        raise ValueError(
            f"{NOUN} stands for what tasters are to look for, and would be printed on every ballot. Write the word "
            "itself, as in --attribute saltiness."
        )
    skipped = ("run", "folder", "protocol", "tasters", "version")
    wanted = {name: value for name, value in vars(chosen).items() if name not in skipped}
    wanted["panel"] = chosen.panel or Path(chosen.folder).resolve().name or "panel 1"
    wanted["beside"] = [ServingPlan.load(folder) for folder in chosen.beside]  # none of their codes comes back
    plan = plan_for(chosen.protocol, chosen.tasters, **wanted)
    folder = plan.save(chosen.folder)
    show(str(plan).rpartition("\nNext: ")[0])
    if chosen.samples == UNNAMED:
        show("The filling list calls the old product A and the new one B: no --samples OLD NEW were named.")
    print(f"\nWrote {one_line(folder)}: start with run.html. The key is in the folder sealed.")
    sheet = Path(folder) / "answers.csv"
    kept = ["--tastings", _table_beside(folder, "tastings.csv")] if plan.sets > 1 else []
    then("answers", folder, sheet, "--blind", "double", "--panels", _table_beside(folder), *kept, "--append")
    return WARNED if plan.warnings else FINE


def _table_beside(plan: str | Path, name: str = "panels.csv") -> str:
    """The table of the question that a plan belongs to: beside it where there is a card or a table, else here."""
    around = Path(plan).parent
    there = (around / "card.toml").exists() or (around / "panels.csv").exists()
    return (around / name).as_posix() if there else name


def answers(chosen: argparse.Namespace) -> int:
    """Count typed answers by their key."""
    from metasense.planning.served import read_answers
    from metasense.planning.serving import ServingPlan

    places = {"--panels": chosen.panels, "--tastings": chosen.tastings}
    places = {option: path for option, path in places.items() if path is not None}
    if chosen.append and not places:
        raise ValueError("--append goes with --panels or --tastings, which name the table to add to.")
    if len(places) == 2 and os.path.abspath(chosen.panels) == os.path.abspath(chosen.tastings):
        raise ValueError(f"--panels and --tastings both name {chosen.panels!r}. Name two files: counts are one row a "
                         "panel, tastings one row each.")  # fmt: skip
    for option, path in places.items():
        _place_for_counts(option, path, chosen.append)
    plan = ServingPlan.load(chosen.key)
    tastings = read_answers(plan, chosen.answers, blind=chosen.blind)
    balance = plan.balance(tastings)
    repeated = bool(tastings.frame["taster"].duplicated().any())
    written = []
    if chosen.tastings is not None:
        written.append(_write_tastings(tastings, chosen.tastings, chosen.append))
    if chosen.panels is not None:
        written.append(_write_counts(tastings.to_panels(), chosen.panels, chosen.append))
    show(tastings.in_full() if chosen.details else tastings)
    print()
    if chosen.details:
        show(balance)
    else:
        say(balance.sentence(), ALL)
    missing = int(tastings.frame["correct"].isna().sum())
    if missing:
        print(f"Warning: {missing} of {len(tastings)} sets have no answer.")
    if repeated and chosen.tastings is None:
        show("Some tasters answered more than once: --tastings OUT.csv keeps who did, for metasense tasters.")
    if places:
        print("\n" + "\n".join(written))
        table = next(iter(places.values()))
        held = [table] if len(places) == 1 else [table, "--tastings", chosen.tastings]
        if repeated and chosen.tastings is not None:
            show(f"What each taster can do: {as_typed(['metasense', 'tasters', *held])}")
        then("pool", *held, *card_beside(table))
    else:
        table = _table_beside(chosen.key)
        kept = ["--tastings", _table_beside(chosen.key, "tastings.csv")] if repeated else []
        blind = chosen.blind or "double"
        then("answers", chosen.key, chosen.answers, "--blind", blind, "--panels", table, *kept, "--append")
    return FINE if balance.even and not missing else WARNED


def _place_for_counts(option: str, path: str, append: bool) -> None:
    """Refuse, before the work, a place where the counts or the tastings cannot go."""
    from metasense.showing.files import TEXT, ready

    if Path(path).suffix.lower() != ".csv":
        raise ValueError(f"{option} writes CSV, and {path!r} ends otherwise. Name a file that ends in .csv.")
    try:
        ready(path, TEXT if append else None)
    except FileExistsError as error:
        if append or not os.path.isfile(path):
            raise
        raise ValueError(f"{error} Or say --append to add the panel to that table.") from None


def _write_tastings(tastings: Any, path: str, append: bool) -> str:
    """Write the tastings of a panel, and say what was done."""
    from metasense.showing.words import count, one_line

    name = one_line(path)
    many = count(len(tastings), "tasting")
    if not append or not os.path.exists(path) or not os.path.getsize(path):
        tastings.to_csv(path)
        return f"There was no {name}; it is made, and holds {many}." if append else f"Wrote {many} to {name}."
    if tastings.add_to(path):
        return f"Added {many} to {name}."
    return f"{name} holds these tastings already, and was left as it is."


def _write_counts(panels: Any, path: str, append: bool) -> str:
    """Write the counts of a panel, and say what was done."""
    from metasense.showing.words import one_line

    name = one_line(path)
    if not append or not os.path.exists(path) or not os.path.getsize(path):
        panels.to_csv(path)
        return f"There was no {name}; it is made, and holds this panel." if append else f"Wrote {name}."
    if panels.add_to(path):
        return f"Added the panel to {name}."
    return (
        f"{name} holds this panel already, and was left as it is. If this was another evening, give it a name of its "
        "own under panel in its key and answers (serve --panel names it)."
    )
