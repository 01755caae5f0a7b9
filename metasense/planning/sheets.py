"""The sheets of a serving plan as pages to print, each with what its reader may know and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from metasense.planning.orders import Right
from metasense.planning.planned import HAZARDS, PLACEBO, PREFERENCE, SECOND, Planned
from metasense.planning.texts import Texts
from metasense.showing.pages import templates

TOLD = ("alcohol", "caffeine", "hot", "additives")  # hazards that are the taster's too, and not the filler's alone


def pages_of(plan: Planned) -> dict[str, str]:
    """Every sheet as one self-contained HTML page, by file name."""
    filling = plan.filling()
    say = plan.texts
    common = _common(plan, say)
    rounds = [
        (
            _round(name, say),
            [(sample, lines.to_dict("records")) for sample, lines in part.groupby("sample", sort=False)],
        )
        for name, part in filling.groupby("round", sort=False)
    ]
    labels = [
        (
            _round(name, say),
            [line["code"] for line in sorted(part.to_dict("records"), key=_by_number) for _ in range(line["cups"])],
        )
        for name, part in filling.groupby("round", sort=False)
    ]
    key = {
        "samples": plan.samples,
        "rows": _key_rows(plan, say),
        "more": plan.more,
        "attribute": plan.attribute,
        "seed": None if plan.seed is None else hex(plan.seed),
    }
    sheets: list[tuple[str, str, dict[str, Any]]] = [
        ("run.html", "run", {}),
        ("information.html", "information", {}),
        ("trays.html", "trays", {}),
        ("ballots.html", "ballots", {"second": False}),
        ("filling/filling.html", "filling", {"samples": plan.samples, "rounds": rounds}),
        ("filling/labels.html", "labels", {"rounds": labels}),
        ("sealed/key.html", "key", key),
    ]
    if plan.pairs:
        sheets.insert(4, ("ballots_second.html", "ballots", {"second": True}))
    environment = templates()
    return {
        name: environment.get_template(f"serving_{template}.html.j2").render(**(common | more))
        for name, template, more in sheets
    }


def _common(plan: Planned, say: Texts) -> dict[str, Any]:
    """What may stand on any sheet: it says nothing of what is in a cup."""
    trays = plan.trays()
    later = trays["tray"] > len(plan.tasters) * plan.sets
    heads = [c for c in trays.columns if c == "marked" or c.startswith("place")]
    return {
        "panel": plan.panel,
        "date": plan.date or "",
        "say": say,
        "test": plan.protocol.name,
        "sets": plan.sets,
        "pairs": plan.pairs,
        "trays": trays[~later].to_dict("records"),
        "later": trays[later].to_dict("records"),
        "heads": [h for h in heads if (trays.loc[~later, h] != "").any()],
        "reference": plan._marked,
        "learned": plan.protocol.name == "A-not-A",
        "certainty": plan.certainty,
        "task": task_of(plan, say),
        "allergens": plan.allergens,
        "hazards": plan.hazards,
        "told": [say(f"information.{hazard}") for hazard in TOLD if hazard in (plan.hazards or ())],
        "cautions": _cautions(plan, say),
        "typed": typed_of(plan, say),
        "samples_each": len(plan.cups) // len(plan.tasters),
        "warnings": [say(f"warnings.{name}", **values) for name, values in plan._session_warnings()],
    }


def _round(name: str, say: Texts) -> str:
    """What is poured at one time, in the words of the sheets."""
    if name == SECOND:
        return say("rounds.second")
    number = name.removeprefix("set ")
    return say("rounds.set", number=number) if number != name else say("rounds.all")


def _key_rows(plan: Planned, say: Texts) -> list[dict[str, Any]]:
    rows = []
    for tray, cups in plan.cups.groupby("tray"):
        first = cups.iloc[0]
        shown = cups[["code", "sample"]].to_dict("records")
        inside = cups[plan._marked | (cups["place"] > 0)]
        right = {PREFERENCE: say("key.preference"), PLACEBO: say("key.two_alike")}.get(str(first["part"]))
        if right is None:
            letters = "".join("AB"[plan.samples.index(sample)] for sample in inside["sample"])
            right = said(plan.orders.right(letters), inside["code"].tolist())
            right = say(TICKED[right]) if right in TICKED else right
        rows.append({"tray": tray, "taster": first["taster"], "cups": shown, "right": right})
    return rows


def _cautions(plan: Planned, say: Texts) -> list[str]:
    """What the run sheet says to take care of: nothing of what nobody named."""
    named = [*(["allergens"] if plan.allergens else []), *(plan.hazards or ())]
    kinds = [kind for kind in ("allergens", *HAZARDS) if kind in named]
    return [say(f"run.care_{kind}") for kind in ("tell", *kinds, "codes")]


CHOICES = {"A-not-A": ("A", "not A"), "same-different": ("same", "different")}
TICKED = {"A": "choices.A", "not A": "choices.not_A", "same": "choices.same", "different": "choices.different"}
SURE = {"sure": "ballots.sure", "fairly sure": "ballots.fairly_sure", "guessed": "ballots.guessed"}


def task_of(plan: Planned, say: Texts) -> dict[str, Any]:
    """What tasters are told, the question, and the words to tick where no code is ticked."""
    name = plan.protocol.name
    return {
        "setting": say(f"setting.{name}", attribute=plan.attribute),
        "question": say(f"question.{name}", attribute=plan.attribute),
        "choices": [say(TICKED[word]) for word in CHOICES.get(name, ())],
    }


def typed_of(plan: Planned, say: Texts) -> list[str]:
    """What is typed for the words of a ballot, where these are others."""
    lines = [("run.type_word", word, say(TICKED[word])) for word in CHOICES.get(plan.protocol.name, ())]
    if plan.certainty:
        lines += [("run.type_certainty", word, say(name)) for word, name in SURE.items()]
    out = [say(line, typed=word, ticked=ticked) for line, word, ticked in lines if word != ticked]
    if plan.pairs:
        out.append(say("run.type_preferred", none=say("ballots.no_preference")))
    return out


def said(right: Right | None, codes: Sequence[str]) -> str:
    """The right answer as it is typed: ``417``, ``417+305`` or ``417+305/862+190``, or the word."""
    if isinstance(right, tuple):
        return "/".join("+".join(codes[i] for i in group) for group in right)
    return right or ""


def _by_number(line: dict[str, Any]) -> tuple[bool, str]:
    return not line["code"].isdigit(), line["code"]
