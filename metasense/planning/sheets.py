"""The sheets of a serving plan as pages to print, each with what its reader may know and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from metasense.planning.orders import Right
from metasense.planning.planned import PLACEBO, PREFERENCE, Planned
from metasense.showing.pages import CAUTIONS, templates

HAZARDS = {
    "alcohol": "The samples contain alcohol. Take part only if you are of legal drinking age here. Do not take part if "
    "you are or may be pregnant, are breastfeeding, take medicine that does not go with alcohol, should not or do not "
    "wish to drink, or will drive, cycle or handle machines afterwards. You may spit out every sample. Water and food "
    "are at hand.",
    "caffeine": "The samples contain caffeine. Think twice if you are pregnant, have a heart condition, take medicine "
    "that does not go with caffeine, or sleep badly.",
    "hot": "The samples are served hot and can scald. Test carefully, and wait if in doubt.",
    "additives": "Something may have been added to a sample or used in making it, within what is permitted for this "
    "product here. What matters for allergies is in the list above.",
}


def pages_of(plan: Planned) -> dict[str, str]:
    """Every sheet as one self-contained HTML page, by file name."""
    filling = plan.filling()
    common = _common(plan)
    rounds = [
        (name, [(sample, lines.to_dict("records")) for sample, lines in part.groupby("sample", sort=False)])
        for name, part in filling.groupby("round", sort=False)
    ]
    labels = [
        (name, [line["code"] for line in sorted(part.to_dict("records"), key=_by_number) for _ in range(line["cups"])])
        for name, part in filling.groupby("round", sort=False)
    ]
    key = {
        "samples": plan.samples,
        "rows": _key_rows(plan),
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


def _common(plan: Planned) -> dict[str, Any]:
    """What may stand on any sheet: it says nothing of what is in a cup."""
    trays = plan.trays()
    later = trays["tray"] > len(plan.tasters) * plan.sets
    heads = [c for c in trays.columns if c == "marked" or c.startswith("place")]
    return {
        "panel": plan.panel,
        "date": plan.date or "",
        "test": plan.protocol.name,
        "sets": plan.sets,
        "pairs": plan.pairs,
        "trays": trays[~later].to_dict("records"),
        "later": trays[later].to_dict("records"),
        "heads": [h for h in heads if (trays.loc[~later, h] != "").any()],
        "reference": plan._marked,
        "learned": plan.protocol.name == "A-not-A",
        "certainty": plan.certainty,
        "task": _task(plan.protocol.name, plan.attribute),
        "allergens": plan.allergens,
        "hazards": list(HAZARDS.values()) if plan.hazards is None else [HAZARDS[h] for h in plan.hazards],
        "hazards_stated": plan.hazards is not None,
        "cautions": _cautions(plan.hazards),
        "alcohol": plan.hazards is None or "alcohol" in plan.hazards,
        "samples_each": len(plan.cups) // len(plan.tasters),
        "warnings": [w[0].upper() + w[1:] for w in plan._session_warnings()],
    }


def _key_rows(plan: Planned) -> list[dict[str, Any]]:
    rows = []
    for tray, cups in plan.cups.groupby("tray"):
        first = cups.iloc[0]
        shown = cups[["code", "sample"]].to_dict("records")
        inside = cups[plan._marked | (cups["place"] > 0)]
        right = {PREFERENCE: "preference", PLACEBO: "two alike"}.get(str(first["part"]))
        if right is None:
            letters = "".join("AB"[plan.samples.index(sample)] for sample in inside["sample"])
            right = said(plan.orders.right(letters), inside["code"].tolist())
        rows.append({"tray": tray, "taster": first["taster"], "cups": shown, "right": right})
    return rows


def said(right: Right | None, codes: Sequence[str]) -> str:
    """The right answer as it is typed: ``417``, ``417+305`` or ``417+305/862+190``, or the word."""
    if isinstance(right, tuple):
        return "/".join("+".join(codes[i] for i in group) for group in right)
    return right or ""


def _by_number(line: dict[str, Any]) -> tuple[bool, str]:
    return not line["code"].isdigit(), line["code"]


def _cautions(hazards: tuple[str, ...] | None) -> list[str]:
    """What the run sheet says to take care of: of alcohol nothing if there is none, and with an if while it is open."""
    start = "Alcohol: "
    if hazards is None:
        return [caution.replace(start, "If there is alcohol in the samples: ") for caution in CAUTIONS]
    if "alcohol" in hazards:
        return list(CAUTIONS)
    return [caution.replace("alcohol, ", "") for caution in CAUTIONS if not caution.startswith(start)]


# What tasters are asked: what they are told, and the question.
_WORDS = {
    "triangle": (
        "Two of these three samples are alike, and one is different.",
        "Which one is different? Tick its code.",
    ),
    "duo-trio": (
        "The sample marked R is the reference. One of the other two is the same as the reference.",
        "Which one is the same as the reference? Tick its code.",
    ),
    "2-AFC": ("Compare these two samples.", "Which one has more {attribute}? Tick its code."),
    "3-AFC": ("Compare these three samples.", "Which one has most {attribute}? Tick its code."),
    "tetrad": (
        "These four samples are two and two alike. Sort them into the two pairs.",
        "Tick the codes of the two samples of one pair. Either pair will do.",
    ),
    "specified tetrad": (
        "Two of these four samples have more {attribute} than the other two.",
        "Which two have more {attribute}? Tick both codes.",
    ),
    "two-out-of-five": (
        "Three of these five samples are alike. The other two are also alike, but different from the three.",
        "Which are the two? Tick both codes.",
    ),
    "A-not-A": (
        "Taste the sample marked A first, and remember it. Then taste the coded sample.",
        "Is the coded sample A? Tick one.",
    ),
    "same-different": ("Compare these two samples.", "Are they the same or different? Tick one."),
}
CHOICES = {"A-not-A": ("A", "not A"), "same-different": ("same", "different")}


def _task(name: str, attribute: str) -> dict[str, Any]:
    setting, question = (text.format(attribute=attribute) for text in _WORDS[name])
    return {"setting": setting, "question": question, "choices": CHOICES.get(name, ())}
