"""The key of a serving plan: everything needed to read the plan again, one row a cup."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metasense.planning.planned import CUP_COLUMNS, CUP_TYPES, Planned
from metasense.planning.texts import LANGUAGES, Texts, sheet_texts
from metasense.protocols import protocol
from metasense.showing.words import listing
from metasense.tables.cells import plain
from metasense.tables.checked import Checked
from metasense.tables.checking import check_table
from metasense.tables.headers import Column, is_known
from metasense.tables.numbers import whole
from metasense.tables.opening import open_table
from metasense.tables.sheets import PanelsError
from metasense.tables.wording import choice, label

RECORDED = "recorded.csv"  # where ballots are kept as they are typed
_AS_SAVED = "Take the key as it was saved."
_OR_WITHOUT = (
    f"{_AS_SAVED} Where it is lost, empty the columns wording and own_wording: answers are counted all the same, and "
    "sheets made again are in the words of metasense."
)
_parts = choice(tasting="", preference="", placebo="")
KEY_COLUMNS = (
    Column("tray", "number of the tray", whole, "Int64", required=True),
    Column("taster", "a code for the person", label, "string", required=True),
    Column("trial", "number of the set", whole, "Int64", required=True),
    Column("part", "tasting, preference or placebo", _parts, "string", required=True),
    Column("place", "place on the tray, 0 for a marked sample", whole, "Int64", required=True),
    Column("code", "code on the cup", label, "string", required=True),
    Column("sample", "what is in the cup", label, "string", required=True),
    Column("panel", "name of the sitting", label, "string", required=True),
    Column("protocol", "the test", label, "string", required=True),
    *(Column(name, name, label, "string", required=name in ("old", "new"))
      for name in ("old", "new", "date", "attribute", "more", "reference", "certainty", "allergens", "hazards",
                   "seed", "language", "wording")),
    Column("own_wording", "own wording of the sheets, in its first row", lambda cell, _: _as_written(cell), "string"),
)  # fmt: skip


def _as_written(cell: object) -> str | None:
    return cell if isinstance(cell, str) and cell.strip() else None


def key_of(plan: Planned) -> pd.DataFrame:
    """The key as a table. Own wording of the sheets stands once, in its first row, and what it adds up to in all."""
    joined = {
        name: "" if value is None else "; ".join(value) or "none"
        for name, value in (("allergens", plan.allergens), ("hazards", plan.hazards))
    }
    return plan.cups.assign(
        panel=plan.panel,
        protocol=plan.protocol.name,
        date=plan.date or "",
        old=plan.samples[0],
        new=plan.samples[1],
        attribute=plan.attribute,
        more=plan.more or "",
        reference=plan.reference or "",
        certainty="yes" if plan.certainty else "no",
        **joined,
        seed="" if plan.seed is None else hex(plan.seed),  # letters keep spreadsheets from rounding it
        language=plan.texts.base,
        **_own(plan),
    )


def _own(plan: Planned) -> dict[str, Any]:
    """The columns of own wording; none where there is none."""
    if not plan.texts.own:
        return {}
    text = json.dumps(plan.texts.own, sort_keys=True)
    for sign in ";=+@-":  # which a table guards against spreadsheets, and would not give back as they were
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return {"wording": _sum(text), "own_wording": [text, *[""] * (len(plan.cups) - 1)]}


def _sum(text: str) -> str:
    """What a wording adds up to, so that a change shows."""
    return f"sha256:{hashlib.sha256(text.encode()).hexdigest()[:16]}"


def plan_folder(key: Any) -> Any:
    """The folder of the one plan within, where a folder of several things was named; anything else as it is.

    Raises
    ------
    PanelsError
        If there are several plans in it; names them.
    """
    if not isinstance(key, (str, os.PathLike)) or not Path(key).is_dir() or (Path(key) / "sealed").is_dir():
        return key
    plans = sorted(place.parent.parent for place in Path(key).glob("*/sealed/key.csv"))
    if len(plans) > 1:
        named = listing((repr(plan.as_posix()) for plan in plans), 8)
        raise PanelsError(f"there are {len(plans)} plans in {os.fspath(key)!r}: {named}. Name one of them.")
    return plans[0] if plans else key


def folder_of(key: str | os.PathLike[str]) -> Path:
    """The folder of a plan, from it or from the key in it."""
    place = Path(plan_folder(key))
    folder = place if place.is_dir() else place.resolve().parent
    return folder.parent if folder.name == "sealed" else folder


def read_key(key: Any) -> dict[str, Any]:
    """What the plan was made of, by the names of its attributes, from ``sealed/key.csv`` or the folder it was saved in.

    Raises
    ------
    PanelsError
        If it is not a key, or was changed so that codes no longer say one thing.
    """
    key = plan_folder(key)
    if isinstance(key, (str, os.PathLike)) and Path(key).is_dir():
        key = Path(key) / "sealed" / "key.csv"
    opened = open_table(key, is_known(KEY_COLUMNS))
    heads = {plain(header) for header in opened.headers}
    if "code" not in heads and {"cups", "answer"} <= heads:
        words = "this is the sheet of answers, not the key. The key, or the folder of the plan, comes first."
        raise PanelsError(words, opened.source)
    checked = check_table(opened, KEY_COLUMNS)
    once = [column.name for column in KEY_COLUMNS if column.name not in (*CUP_COLUMNS, "own_wording")]
    _check(checked, once)
    one = {name: None if pd.isna(value) else str(value) for name, value in checked.frame[once].iloc[0].items()}
    try:
        seed = None if one["seed"] is None else int(one["seed"], 0)
        test = protocol(str(one["protocol"]))
        texts = _texts(one["language"], checked.frame["own_wording"].dropna().tolist())
    except ValueError as error:
        raise PanelsError(f"{error} {_AS_SAVED}", checked.sheet.source) from error
    return {
        "protocol": test,
        "samples": (str(one["old"]), str(one["new"])),
        "cups": checked.frame[list(CUP_COLUMNS)].astype(CUP_TYPES),
        "panel": str(one["panel"]),
        "date": one["date"],
        "attribute": one["attribute"] or "",
        "more": one["more"],
        "reference": one["reference"],
        "certainty": one["certainty"] == "yes",
        "allergens": _listed(one["allergens"]),
        "hazards": _listed(one["hazards"]),
        "seed": seed,
        "texts": texts,
    }


def _texts(language: str | None, own: list[str]) -> Texts:
    """The words of the sheets."""
    return sheet_texts(language if language in LANGUAGES else "en", json.loads(own[0]) if own else None)


def _check(checked: Checked, once: list[str]) -> None:
    """Report every cell that a key as it was saved cannot hold; `once` are the columns that say one thing."""
    frame = checked.frame
    for column in KEY_COLUMNS:
        if column.required and column.name in checked.heads:
            checked.lacking(np.ones(len(frame), bool), column.name, _AS_SAVED)
    for name in once:
        values = frame[name].fillna("")
        checked.report(
            values.ne(values.iloc[:1].squeeze()) if len(frame) else False,
            name,
            "{value!r} differs from the first row. One file holds the key of one panel.",
        )
    twice = (frame["place"] > 0) & frame["code"].duplicated(keep="first")
    checked.report(twice, "code", "code {value} is there twice. " + _AS_SAVED)
    neither = frame["sample"].ne(frame["old"]) & frame["sample"].ne(frame["new"])
    checked.report(neither, "sample", "{value!r} is neither {old!r} nor {new!r}. " + _AS_SAVED)
    _check_wording(checked)
    checked.raise_any("Take the key as it was saved")


def _check_wording(checked: Checked) -> None:
    """Report own wording that is no longer there, or no longer as it was saved."""
    frame = checked.frame
    own = frame["own_wording"].dropna().tolist()
    sums = frame["wording"].dropna().tolist()
    if not own and not sums:
        return
    says = f"the own wording of the sheets is not here as it was saved. {_OR_WITHOUT}"
    if not own:
        says = f"own wording was printed, and is not in this key. {_OR_WITHOUT}"
    if len(own) != 1 or not sums or _sum(own[0]) != sums[0]:
        checked.report(np.arange(len(frame)) == 0, "wording", says)


def _listed(text: str | None) -> tuple[str, ...] | None:
    """Allergens or hazards as `key_of` joined them; None where they were not stated."""
    if text is None:
        return None
    return () if text == "none" else tuple(text.split("; "))
