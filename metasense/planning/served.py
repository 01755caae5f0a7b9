"""What was served: typed answers joined with the key, as `Tastings` to pool.

The answer sheet holds codes and no products. `read_answers` looks up in the key what stood under each code, in the
order in which it was really served, works out the right answer and leaves the judging to `read_tastings`. Anything that
cannot be right (an unknown code, a cup served twice, an answer that was not on the tray) is listed, all at once.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metasense.planning.key import RECORDED, folder_of
from metasense.planning.planned import PLACEBO, PREFERENCE, TASTING_PART
from metasense.planning.serving import ServingPlan
from metasense.planning.sheets import CHOICES, TICKED, said
from metasense.planning.texts import LANGUAGES, Texts, sheet_texts
from metasense.protocols import Protocol
from metasense.showing import words
from metasense.tables.cells import NO_ANSWER, Reading, Wrong, no_answer, plain
from metasense.tables.checked import Checked
from metasense.tables.checking import check_table
from metasense.tables.columns import TASTING
from metasense.tables.cups import is_signal
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.headers import Column, is_known
from metasense.tables.languages import is_nobody
from metasense.tables.opening import open_table
from metasense.tables.panels import Tastings, read_tastings
from metasense.tables.sheets import PanelsError, Problem, Sheet, is_empty
from metasense.tables.wording import choice, coded, text

__all__ = ["read_answers"]

_sure = choice(  # as in the sheets of every language
    sure="certain yes 3 sicher mucha",
    **{"fairly sure": "fairly fairlysure 2 ziemlichsicher assezcertain bastante"},
    guessed="guess no 1 geraten deviné adiviné",
)
FEW_SETS = 3  # served sets from which not one of this key is another panel's answers, and no slip
_NONE_LIKED = ("none", "nopreference", "neither", "no", "keinelieber", "sanspréférence", "sinpreferencia")


def _liked(cell: object, reading: Reading) -> str | None:
    """The code preferred, or none; None where nothing was said."""
    return None if no_answer(cell, reading, NO_ANSWER - {"none"}) else coded(cell, reading)


ANSWER_COLUMNS = (
    *(replace(TASTING[name], dtype="string", required=name in ("panel", "taster"))
      for name in ("panel", "protocol", "taster")),
    TASTING["trial"],
    Column("cups", "codes on the tray from left to right", coded, "string", "codes samples", True),
    replace(TASTING["answer"], dtype="string", required=True),
    Column("certainty", "sure, fairly sure or guessed", _sure, "string", "sure"),
    *(Column(f"{name}_{i}", meaning, kind, "string") for i in (1, 2) for name, meaning, kind in (
        ("pair", "codes of a pair", coded), ("preferred", "code preferred, or none", _liked))),
    Column("incident", "anything that went wrong; absent if nobody sat there", text, "string", "incidents"),
    TASTING["date"],
    TASTING["looks"],
    TASTING["notes"],
)  # fmt: skip


def read_answers(
    key: ServingPlan | Any,
    answers: Any = None,
    *,
    blind: str | None = None,
    filled: Mapping[int | str, str] | None = None,
) -> Tastings:
    """Join typed answers with the key.

    What was served is taken from the codes typed under ``cups``, not from the plan: if a taster got another's tray, or
    the order was changed, the codes say so. Rows without answer count as no answer given, or as not served if the
    incident says ``absent``. Sets that, as served, are none of the protocol's (a swapped cup made three alike) are left
    out with a note. So are rows with yes, or a reason, in a column ``left_out``, and those with an incident that
    begins with such words ("left out: cold", "excluded"); other incidents are kept, and listed in a note.

    Parameters
    ----------
    key : ServingPlan, path of ``key.csv`` or of the folder it was saved in, or a DataFrame of it
    answers : path, DataFrame, or anything `read_tastings` takes, optional
        The filled ``answers.csv``. For the folder of a plan, what was recorded there by default, once all ballots are
        in, or else the ``answers.csv`` in it.
    blind : {"double", "single", "none"}, optional
        Who did not know what was served: neither tasters nor server, tasters only, nobody.
    filled : mapping of code to sample, optional
        Cups that held something else than the filling list says.

    Returns
    -------
    Tastings
        With ``served`` and ``answer`` as codes, ``order`` in letters (A the old sample, B the new), ``position`` of the
        cup picked, ``preference``, ``planned``, and ``placebo``: stated or none, where two cups alike were compared.
        Where the plan has a pair for preference, ``asked`` is "pair": everybody, on a separate blind pair.

    Raises
    ------
    PanelsError
        A ValueError that lists every code, answer or row that cannot be right.

    Examples
    --------
    >>> from metasense.planning.serving import serve
    >>> plan = serve("2-AFC", 2, samples=("old", "new"), attribute="saltiness", more="old", seed=1)
    >>> sheet = plan.answer_sheet()
    >>> sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]  # both pick what stands on the left
    >>> int(read_answers(plan, sheet).frame["correct"].sum())  # the saltier one stands on the left for one of them
    1
    """
    plan = key if isinstance(key, ServingPlan) else ServingPlan.load(key)
    if answers is None:
        answers = _in_the_folder(plan, key)
    inside = dict(zip(plan.cups["code"], plan.cups["sample"], strict=True))
    for code, sample in (filled or {}).items():
        if str(code) not in inside or sample not in plan.samples:
            raise PanelsError(
                f"filled says {code!r}: {sample!r}; it needs a code of this key and one of {plan.samples}."
            )
        inside[str(code)] = sample
    opened = open_table(answers, is_known((*ANSWER_COLUMNS, LEFT_OUT)))
    checked = check_table(opened, ANSWER_COLUMNS, leaving_out="tasting")
    join = _Join(plan, checked, inside)
    join.mark_left_out(opened)
    if not checked.left_out and not checked.frame[["answer", "incident", "notes"]].notna().any(axis=None):
        raise PanelsError("no answer is typed yet. Type what the ballots say under 'answer'.", checked.sheet.source)
    join.refuse_another_key()
    rows = [row for i in range(len(checked.frame)) if (row := join.row(i)) is not None]
    join.report_repeats()
    checked.raise_any("Write one row a tasting")
    if not rows:
        raise PanelsError("nobody was served, or nothing served was a set of the protocol.", checked.sheet.source)
    frame = pd.DataFrame(rows).assign(planned=len(plan.tasters) * plan.sets, blind=blind)
    frame = frame[[c for c in frame.columns if frame[c].notna().any() or c == "answer"]].assign(left_out="no")
    tastings = read_tastings(frame, name=checked.sheet.source)
    return replace(tastings, notes=(*checked.notes, *join.notes(), *tastings.notes))


def _in_the_folder(plan: ServingPlan, key: Any) -> Path:
    """The answers that stand beside a key: those recorded ballot by ballot, if all are in, or the sheet of answers."""
    if not isinstance(key, (str, os.PathLike)):
        raise ValueError("a plan alone holds no answers: name the file they were typed into, or the plan's folder.")
    folder = folder_of(key)
    recorded = folder / RECORDED
    if not recorded.exists():
        return folder / "answers.csv"
    there = len(open_table(recorded, is_known((*ANSWER_COLUMNS, LEFT_OUT))).rows)
    planned = len(plan.answer_sheet())
    if there < planned:
        raise PanelsError(
            f"{there} of {planned} ballots are recorded. The answers are joined with the key when all are in, those of "
            "tasters who were absent as well; to look before, name the file: read_answers(folder, file).",
            os.fspath(recorded),
        )
    return recorded


def problems_of(plan: ServingPlan, sheet: pd.DataFrame) -> list[str]:
    """What cannot be right in typed answers, in words that say nothing of what was served.

    Parameters
    ----------
    plan : ServingPlan
    sheet : DataFrame
        Rows as of its answer sheet, filled in.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from metasense.planning.serving import serve
    >>> plan = serve("triangle", 6, samples=("old", "new"), seed=1)
    >>> problems_of(plan, plan.answer_sheet().head(1).assign(answer="none of them"))[0][:45]
    "'none of them' is not one of the codes on the"
    """
    checked = check_table(open_table(sheet, is_known(ANSWER_COLUMNS)), ANSWER_COLUMNS)
    join = _Join(plan, checked, dict(zip(plan.cups["code"], plan.cups["sample"], strict=True)))
    for i in range(len(checked.frame)):
        join.row(i)
    join.report_repeats()
    return [problem.message for problem in (*checked.sheet.problems, *(problem for _, problem in checked.found))]


class _Join:
    """Reads the answer sheet row by row against the codes; problems go to `checked`, what is left out to notes."""

    def __init__(self, plan: ServingPlan, checked: Checked, inside: dict[str, str]) -> None:
        self.plan, self.checked, self.inside = plan, checked, inside
        self.part = dict(zip(plan.cups["code"], plan.cups["part"], strict=True))
        self.seen: dict[str, int] = {}
        self.again: list[tuple[int, str, str, bool]] = []
        self.absent: list[str] = []
        self.silent: list[str] = []
        self.broken: list[str] = []
        self.undecided: list[str] = []
        self.changed: list[str] = []
        self.called = dict(zip(plan.samples, ("old", "new"), strict=True))
        planned = plan.answer_sheet()
        self.planned = {(row.taster, row.trial): row.cups for row in planned.itertuples()}

    def mark_left_out(self, opened: Sheet) -> None:
        """The cups of rows that are left out were served: no other row can have them."""
        heads = {name: j for name, j in self.checked.place.items() if name == "cups" or name.startswith("pair_")}
        absent = self.checked.place.get("incident")
        for at in self.checked.gone:
            if absent is not None and is_nobody(str(opened.columns[absent].iloc[at])):
                continue
            for column, j in heads.items():
                cell = opened.columns[j].iloc[at]
                for code in () if is_empty(cell) else codes_in(coded(cell, Reading()) or ""):
                    if code in self.seen:
                        words_ = f"code {code} was served to somebody above. A cup is served once; check both rows."
                        problem = Problem(words_, opened.rows[at], self.plan.panel, column, cell, opened.word)
                        self.checked.found.append((-1, problem))
                    self.seen[code] = -1

    def refuse_another_key(self) -> None:
        """Say once that the key is another panel's, where it holds not one of several sets, instead of row by row."""
        served = [codes for cell in self.checked.frame["cups"].dropna() if (codes := codes_in(str(cell)))]
        if len(served) < FEW_SETS or any(all(code in self.part for code in codes) for codes in served):
            return
        raise PanelsError(
            f"none of the {len(served)} sets under 'cups' is in this key, which is that of {self.plan.panel!r}. "
            "Take the key that was written with these answers, in the folder they were served from.",
            self.checked.sheet.source,
        )

    def wrong(self, i: int, column: str, message: str) -> None:
        mask = np.arange(len(self.checked.frame)) == i
        self.checked.report(mask, column, "{error}", error=message)

    def row(self, i: int) -> dict[str, Any] | None:
        cells = {c: None if pd.isna(v) else v for c, v in self.checked.frame.iloc[i].items()}
        taster = cells["taster"]
        incident = is_nobody(cells["incident"])
        if cells["answer"] is None:
            incident = incident or is_nobody(cells["notes"])
        if taster is None:
            mask = np.arange(len(self.checked.frame)) == i
            self.checked.lacking(mask, "taster", "Write the taster's code.")
        if cells["panel"] != self.plan.panel:
            self.wrong(i, "panel", f"the key is that of {self.plan.panel!r}. Join each panel with its own key.")
        named = cells["protocol"] is None or plain(cells["protocol"]) == plain(self.plan.protocol.name)
        if not named:
            self.wrong(i, "protocol", f"the key is that of a {self.plan.protocol.name}. Join it with its own key.")
        if cells["cups"] is None or incident:
            if cells["answer"] is not None:
                lack = (
                    "nothing stands under cups" if cells["cups"] is None else f"the incident is {cells['incident']!r}"
                )
                self.wrong(i, "answer", f"there is an answer though {lack}. Correct one of them.")
            self.absent.append(str(taster))
            return None
        cups = self.codes(i, "cups", cells["cups"], self.plan.protocol.cups, (TASTING_PART,))
        if cups is None:
            return None
        letters = "".join("AB"[self.plan.samples.index(self.inside[code])] for code in cups)
        right = self.plan.orders.right(letters)
        answer, place = self.answer(i, cells["answer"], cups, right)
        if cells["answer"] is None:
            self.silent.append(str(taster))
        trial = 1 if cells["trial"] is None else int(cells["trial"])
        if " ".join(cups) != self.planned.get((str(taster), trial)):
            self.changed.append(str(taster))
        if right is None:
            self.broken.append(f"{taster} ({' '.join(cups)} held {letters})")
            return None
        remarks = [f"incident: {cells['incident']}" if cells["incident"] else None, cells["notes"]]
        return {
            "panel": self.plan.panel,
            "protocol": self.plan.protocol.name,
            "taster": taster,
            "trial": cells["trial"],
            "served": said(right, cups),
            "answer": answer,
            "order": letters,
            "position": place,
            **self.liking(i, cells),
            "asked": "pair" if self.plan.pairs else None,
            "date": self.plan.date if cells["date"] is None else str(cells["date"].date()),
            "certainty": cells["certainty"],
            "looks": cells["looks"],
            "notes": "; ".join(filter(None, remarks)) or None,
        }

    def codes(self, i: int, column: str, cell: str, size: int, parts: tuple[str, ...]) -> list[str] | None:
        """The codes in a cell, if they are cups of this key, as many as belong there, and not met before."""
        codes = codes_in(cell)
        strange = [code for code in codes if self.part.get(code) not in parts]
        if strange:
            what = "a set" if parts == (TASTING_PART,) else "a pair"
            self.wrong(i, column, f"{words.listing(strange)} is no code of {what} in this key. Write the codes served.")
            return None
        if len(codes) != size or len(set(codes)) != size:
            self.wrong(i, column, f"{cell!r} should be {size} different codes, from left to right.")
            return None
        if column == "cups" and self.plan._marked and not (codes[0][0] == "R" and all(map(str.isdigit, codes[1:]))):
            self.wrong(i, column, f"{cell!r} should be the reference (R and a number) and then two codes.")
            return None
        for code in codes:
            if code in self.seen:
                self.again.append((i, column, code, self.seen[code] < 0))
            self.seen[code] = i
        return codes

    def answer(self, i: int, word: str | None, cups: list[str], right: Any) -> tuple[str | None, int | None]:
        """The answer as typed codes or word, and the place of a single cup picked."""
        name = self.plan.protocol.name
        if word is None:
            return None, None
        if name in CHOICES:
            try:
                yes, no = ("A", "not A") if name == "A-not-A" else ("different", "same")
                return (yes if is_signal(name, _typed(word, self.plan.texts)) else no), None
            except Wrong:
                self.wrong(
                    i, "answer", f"{word!r} is not {CHOICES[name][0]} or {CHOICES[name][1]}. Write one of these."
                )
                return None, None
        picks = codes_in(word)
        kind = self.plan.protocol
        size = kind.named if isinstance(kind, Protocol) else 1
        on = [code for code in cups if not (self.plan._marked and code == cups[0])]
        if len(picks) != size or len(set(picks)) != size or not set(picks) <= set(on):
            which = "one of" if size == 1 else "two of"
            self.wrong(i, "answer", f"{word!r} is not {which} the codes on the tray, {words.listing(on)}. "
                                    "Check the ballot.")  # fmt: skip
            return None, None
        return "+".join(picks), cups.index(picks[0]) + 1 if size == 1 else None

    def liking(self, i: int, cells: dict[str, Any]) -> dict[str, str | None]:
        out: dict[str, str | None] = {"preference": None, "placebo": None}
        for number in range(1, self.plan.pairs + 1):
            pair, liked = cells[f"pair_{number}"], cells[f"preferred_{number}"]
            if liked is None:
                self.undecided += [str(cells["taster"])] if pair is not None else []
                continue
            if pair is None:
                self.wrong(
                    i, f"preferred_{number}", "there is a preference but not between which cups. Write the pair."
                )
                continue
            cups = self.codes(i, f"pair_{number}", pair, 2, (PREFERENCE, PLACEBO))
            if cups is None:
                continue
            none = plain(liked) in _NONE_LIKED or plain(liked) == plain(self.plan.texts("ballots.no_preference"))
            if not none and (len(codes_in(liked)) != 1 or codes_in(liked)[0] not in cups):
                choices = f"{cups[0]}, {cups[1]} or none"
                self.wrong(i, f"preferred_{number}", f"{liked!r} is not {choices}. Check the ballot.")
                continue
            held = [self.inside[code] for code in cups]
            if held[0] == held[1]:
                out["placebo"] = "none" if none else "stated"
            else:
                out["preference"] = "none" if none else self.called[self.inside[codes_in(liked)[0]]]
        return out

    def report_repeats(self) -> None:
        for i, column, code, left_out in self.again:
            where = "on a row that is left out" if left_out else "to somebody above"
            self.wrong(i, column, f"code {code} was served {where}. A cup is served once; check both rows.")

    def notes(self) -> Iterator[str]:
        if self.changed:
            yield f"served other than planned, and read as served: {words.listing(self.changed, 12)}."
        if self.absent:
            yield f"not served, and so not counted: {words.listing(self.absent, 12)}."
        if self.silent:
            yield (
                f"served, and no answer typed: {words.listing(self.silent, 12)}. If somebody did not come, write "
                "absent under incident."
            )
        if self.undecided:
            who = words.listing(dict.fromkeys(self.undecided), 12)
            yield f"a pair served, and no preference typed: {who}. For somebody who has none, write none."
        if self.broken:
            yield f"left out, as what was served is no {self.plan.protocol.name}: {words.listing(self.broken, 12)}."
        unused = len(self.planned) - len(self.checked.frame) - self.checked.left_out
        if unused > 0:
            yield f"planned but without a row: {words.count(unused, 'set')}."


def _typed(word: str, texts: Texts) -> str:
    """The word that is typed for one that was ticked, in the words of the plan or of any of our languages."""
    for each in (texts, *map(sheet_texts, LANGUAGES)):
        for typed, name in TICKED.items():
            if plain(each(name)) == plain(word):
                return typed
    return word


def codes_in(cell: str) -> list[str]:
    """Codes in a cell, however divided; a spreadsheet may have run two together, 417,305 into 417305.

    A sign at a code (417?) stays with it, so that it is no code of the key.
    """
    parts = [part.upper() for part in _DIVIDED.split(str(cell)) if part]
    return [
        one
        for part in parts
        for one in (re.findall("...", part) if part.isdigit() and len(part) > 3 and len(part) % 3 == 0 else [part])
    ]


_DIVIDED = re.compile(r"[\s,;+/|&]+|(?<=\w)[-\u2010-\u2015._](?=\w)")
