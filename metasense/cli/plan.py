"""The command `plan`: tasters needed, tasters at hand, protocols compared, looks."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

from metasense.cli.printing import ALL, answer, say, serving, show, then
from metasense.cli.reading import FINE
from metasense.showing.results import Result

FEW = 8  # rows of a table on a first screen
LISTED = 5_000  # looks of a plan that are printed
USUAL = "triangle"


@dataclass(frozen=True, eq=False, repr=False)
class _Compared(Result):
    """Protocols side by side."""

    frame: Any
    caption: str

    def to_frame(self) -> Any:
        return self.frame

    def table(self, *, in_full: bool) -> Any:
        from metasense.planning.sizes import compared_table

        return compared_table(self.frame, self.caption, in_full=in_full)

    def _shown(self) -> list[Any]:
        return [self.table(in_full=True)]


def plan(chosen: argparse.Namespace) -> int:
    """Answer what was asked: by whichever of protocol, difference, tasters and looks were given."""
    _sort_out(chosen)
    size = _size(chosen)
    sized = any(value is not None for value in size.values())
    looking = bool(chosen.looks) or (sized and (chosen.looks == [] or chosen.sequential))
    if chosen.true is not None:
        return _chances(chosen, size)
    if chosen.protocol is None and chosen.tasters is None:
        return _compare(chosen, size)
    if looking and (chosen.similarity or chosen.tasters is not None):
        raise ValueError(
            "leave out --purpose similarity and --tasters: a plan with looks says when to stop for a difference and "
            "when for similarity, and the tastings for it."
        )
    if chosen.similarity and not sized:
        raise ValueError("--purpose similarity needs the difference that matters: --margin.")
    if looking or chosen.sequential:
        return _look(chosen, size, sized)
    if chosen.tasters is not None:
        return _at_hand(chosen, size)
    if not sized:
        raise ValueError(
            "say the difference that matters (--margin), the tasters at hand (a number after the protocol), or the "
            "--looks taken."
        )
    return _needed(chosen, size)


def _sort_out(chosen: argparse.Namespace) -> None:
    """Two spellings of one thing as one."""
    if chosen.protocol is not None and str(chosen.protocol).isdecimal() and chosen.at_hand is None:
        chosen.at_hand = int(chosen.protocol)
        chosen.protocol = None
    if chosen.at_hand is not None:
        if chosen.tasters is not None and chosen.tasters != chosen.at_hand:
            raise ValueError(
                f"say the tasters once: {chosen.at_hand} after the protocol, or --tasters {chosen.tasters}."
            )
        chosen.tasters = chosen.at_hand
    if chosen.similarity and chosen.purpose == "difference":
        raise ValueError("--similarity and --purpose difference say two things. Leave one out.")
    chosen.similarity = chosen.similarity or chosen.purpose == "similarity"
    chosen.purpose = "similarity" if chosen.similarity else "difference"
    if chosen.protocol is None and chosen.p_d is not None:
        raise ValueError("a p_d is one of a protocol: name the protocol, or give the difference as --margin.")


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


def _stated(chosen: argparse.Namespace, size: dict[str, Any]) -> list[str]:
    """The difference as it is typed again."""
    if chosen.margin is not None:
        return ["--margin", str(chosen.margin)]
    for name, value in size.items():
        if value is not None:
            return [f"--{name.replace('_', '-')}", f"{value:g}"]
    return []


def _risks(chosen: argparse.Namespace) -> dict[str, Any]:
    return {"alpha": chosen.alpha, "beta": chosen.beta}


def _compare(chosen: argparse.Namespace, size: dict[str, Any]) -> int:
    from metasense.planning import sizes
    from metasense.showing import words
    from metasense.showing.glance import in_lines

    if chosen.looks or chosen.sequential or chosen.similarity:
        raise ValueError("--looks, --sequential and --purpose need a protocol; without one, all are compared.")
    if size["d_prime"] is None:
        raise ValueError("name a protocol, or give --margin alone to compare all protocols.")
    asked = ", ".join(f"{name}-risk {words.percent(risk)}" for name, risk in _risks(chosen).items())
    frame = sizes.compare_protocols(size["d_prime"], **_risks(chosen))
    compared = _Compared(frame, f"What the same difference costs ({asked})")
    unnamed = frame[frame["attribute"] == "need not be named"]["protocol"].iloc[0]
    after = ("plan", unnamed, *_stated(chosen, size))
    if chosen.format != "text":
        answer(compared, chosen, after=after)
        return FINE
    show(in_lines(compared.table(in_full=chosen.details)))
    if not chosen.details:
        print(ALL)
    then(*after)
    return FINE


def _look(chosen: argparse.Namespace, size: dict[str, Any], sized: bool) -> int:
    from metasense.planning import looks

    test = chosen.protocol
    if test is None:
        raise ValueError("--looks and --sequential need a protocol.")
    if chosen.sequential and not sized:
        raise ValueError("--sequential needs the difference that matters: --margin.")
    if chosen.looks and sized and len(chosen.looks) != 2:
        raise ValueError("--looks takes two numbers with a difference: tastings at the first look, and in all.")
    if not sized:
        found: Any = looks.cost_of_looks(test, chosen.looks, alpha=chosen.alpha)
        after: tuple[Any, ...] = ("plan", test, "--looks", *chosen.looks[-2:], "--margin", f"0.3 {test}")
        if len(chosen.looks) < 2:
            after = ("plan", test, chosen.looks[-1])
    elif chosen.looks is not None:
        found = looks.two_stage_plan(test, tuple(chosen.looks) or None, **size, **_risks(chosen))
        after = serving(found.protocol, found.looks[0])
    else:
        found = looks.sequential_plan(test, **size, **_risks(chosen))
        after = serving(found.protocol, 24)
    if chosen.format != "text":
        answer(found, chosen, after=after)
    elif sized:
        _print_stops(found, chosen.details)
        then(*after)
    else:
        _print_cost(found, chosen.details)
        then(*after)
    return FINE


def _print_cost(cost: Any, details: bool) -> None:
    """What looking costs, look by look."""
    say(cost.statement())
    shown = cost.look_by_look() if details else cost.look_by_look(most=FEW, few=True)
    print()
    show(shown.to_text())


def _print_stops(plan: Any, details: bool) -> None:
    """A plan with its counts; all of them where details are asked for, as in a terminal nothing else shows them."""
    say(plan.statement())
    print()
    if len(plan.looks) > LISTED:
        say(
            f"Where to stop is not listed for more than {LISTED:,} looks. State a larger difference, look twice with "
            "--looks, or write the list to a file: --format csv > stops.csv"
        )
        return
    show(plan.when_to_stop(most=None if details else FEW).to_text())


def _at_hand(chosen: argparse.Namespace, size: dict[str, Any]) -> int:
    from metasense.margins import Margin, margin_of
    from metasense.planning.at_hand import tasters_at_hand

    margin = margin_of(chosen.margin)
    if size["p_d"] is not None and margin is None:
        margin = Margin(p_d=size["p_d"], protocol=chosen.protocol)
    elif margin is None and size["d_prime"] is not None:
        margin = Margin(d_prime=size["d_prime"])
    test = chosen.protocol
    if test is None:
        test = margin.stated_protocol if margin is not None and margin.stated_protocol is not None else USUAL
    found = tasters_at_hand(chosen.tasters, test, margin=margin, purpose=chosen.purpose, **_risks(chosen))
    after = serving(found.protocol, chosen.tasters)
    if margin is None:
        after = ("plan", found.protocol.name, chosen.tasters, "--margin", f"0.3 {found.protocol.name}")
    answer(found, chosen, after=after)
    return FINE


def _chances(chosen: argparse.Namespace, size: dict[str, Any]) -> int:
    """Chance of each verdict if the difference is truly so large."""
    from metasense.margins import margin_of
    from metasense.planning.chances import verdict_chances

    margin, true = margin_of(chosen.margin), margin_of(chosen.true)
    if margin is None or true is None or chosen.protocol is None or chosen.tasters is None:
        raise ValueError(
            "--true goes with a protocol, the tasters and the margin: metasense plan triangle 24 --margin '0.3 "
            "triangle' --true \"d'=0.5\"."
        )
    found = verdict_chances(chosen.protocol, chosen.tasters, margin, d_prime=true.d_prime)
    answer(found, chosen, after=serving(found.protocol, chosen.tasters))
    return FINE


def _needed(chosen: argparse.Namespace, size: dict[str, Any]) -> int:
    from metasense.planning.sizes import tasters_needed

    needed = tasters_needed(chosen.protocol, **size, **_risks(chosen), purpose=chosen.purpose)
    purpose = ["--purpose", "similarity"] if chosen.similarity else []
    after: tuple[Any, ...] = ("plan", needed.protocol.name, 24, *_stated(chosen, size), *purpose)
    if needed.smallest <= 24:
        after = serving(needed.protocol, needed.smallest)
    if chosen.format != "text":
        answer(needed, chosen, after=after)
        return FINE
    say(needed.statement())
    print()
    show(needed.table().to_text())
    then(*after)
    return FINE
