"""Rows that the table itself says are left out: which are taken out, which are asked about, and what is said of it."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from metasense.showing.words import listing
from metasense.tables.cells import Reading, Wrong, among, as_shown, is_missing, plain, tidy, worded
from metasense.tables.checked import Checked, distinct, read_cells
from metasense.tables.headers import Column
from metasense.tables.languages import folded, is_nobody
from metasense.tables.sheets import is_empty


def _left_out(cell: object, reading: Reading) -> str | None:
    """Why the row is left out, or "no" where the cell says that it is not; None where it says nothing."""
    if is_missing(cell, reading):
        return None
    if isinstance(cell, int | float | Decimal):
        if cell not in (0, 1):
            raise Wrong(f"{cell} does not say whether the row is left out. Write yes, no, or why")
        return "yes" if cell else "no"
    word = re.sub(r"\s+", " ", tidy(cell))
    said = {worded(word), folded(word)}  # sì and não have accents, or none
    if said & (_KEPT | _IS_KEPT | {"none", "nothing"}):
        return "no"
    if said & _IS_LEFT_OUT or _EXCLUDED.match(word):
        return word
    if _YES_AND_WHY.match(word) or (_REASON.search(word) and not _NEGATED.match(word)):
        return word
    words = f"{word!r} does not say for sure whether the row is left out"
    raise Wrong(f"{words}. Write no, yes, or yes and why (yes: cold)")


LEFT_OUT = Column(
    "left_out",
    "is the row left out, and so not counted? yes, no, or why it is",
    _left_out,
    "string",
    "leftoutwhy leaveout exclude excluded exclusion exclusions excl void voided discard discarded donotcount "
    "notcounted exclusionreason reasonexcluded reasonleftout disqualified skip skipped ignore ignored omit omitted "
    "remove removed drop reject",
)
_KEPT = among(
    "no n nein nej nei niet nee non nao nope false 0 keep kept include included counted count notleftout notexcluded "
    "in valid ok"
)
EXAMPLE = "example"  # under `left_out`: a row that shows how the table is filled in
_IS_LEFT_OUT = among(f"yes y ja oui si sim true 1 noshow notserved noanswer {EXAMPLE}")
_YES_AND_WHY = re.compile(r"(yes|y|ja|oui|s[ií]|sim)\s*[:;,.(–—-]", re.I)
_REASON = re.compile(  # what befalls tasters, cups and evenings; other reasons are asked to begin with yes
    r"\b(spil|cold\b|flu\b|ill\b|sick|covid|allerg|smok|perfum|headache|tired|drunk|left\b|late\b|early\b|went home|"
    r"absent|no.?show|did(n['’]t| not) (come|finish|taste|answer|swallow)|not (served|blind|valid|asked|tasted)|"
    r"withdr|refus|drop|brok|crack|leak|lost\b|missing|damag|contamin|burn|cork|flat\b|warm\b|wrong|mix|swap|mistake|"
    r"error|invalid|void|duplicat|twice|excl|pilot|practice|training|rehears|talk|told|saw\b|seen\b|knew|peek|cheat|"
    r"interrupt|incomplete|unfinish|confus|misunder|discard|reject|unusable|cancel|cough|nose\b|outlier|"
    r"verschütt|krank|erkält|falsch|fehl|zu spät|renvers|malade|enrhum|absent|erreur|enferm|resfri|derram|error)",
    re.IGNORECASE,
)
_MAY_SAY = re.compile(  # headers that may say which rows count; those of ours are read or refused elsewhere
    r"(exclu|left.?out|leave.?out|omit|discard|\bvoid|valid|reject|\bdropped\b|\bdrop\b|delete|outlier|cancel+ed|"
    r"disqualif|ausgeschl|g[uü]e?ltig|\bignore|not.?(used?|count|included?)|^use\b|^used\b|\binclude|^keep|^counts?\?)",
    re.IGNORECASE,
)
_MARKED = among("x xx ✓ ✔ ✗ ✘ × * - -- – — yes y no n ja nein oui non si true false 0 1 0.0 1.0 ok")
_NEGATED = re.compile(r"(no|not|non|never|nothing|isn['’]t|wasn['’]t|don['’]t|doesn['’]t|keep|kept|include|in)\b", re.I)
_EXCLUDED = re.compile(  # words that say so by themselves or before a reason, at the beginning of a remark
    r"(left out|leave (it |this )?out|exclu(de|ded|sion)|excl|omit(ted)?|void(ed)?|"
    r"(do not|don['’]t|not to be) (count|use)(ed)?|not counted|discard(ed)?|disqualified|invalid(ated)?|disregard(ed)?|"
    r"ignored?|removed?|struck out|deleted?)"
    r"(?P<more>\.?$|\.?\s*[:;,.(–—-]|\s+(because|since|as|due|for|by)\b)",
    re.IGNORECASE,
)
_MISHAP = re.compile(
    r"\b(spil|dropp|exclu|left out|leave out|void|invalid|discard|not count|disqualif|omit|ignore|"
    r"wrong (cup|tray|code|sample|glass)|mix(ed)?[ -]?up|swapp|not (valid|included|used)|do(n['’]t| not) (include|use)|"
    r"cancel|scrap|key lost)",
    re.IGNORECASE,
)
_OUT_IN_NAME = re.compile(
    r"[(\[,:–—-]\s*(left out|excluded|omitted|void(ed)?|discarded|not counted|do not count)\s*[)\]]?$|[(\[]\s*"
    r"(left out|excluded|omitted|void(ed)?|discarded|not counted|do not count)\s*[)\]]|\bVOID$|^//",
    re.I,
)


def may_be_left_out(words: str) -> bool:
    """May a remark say that something is not to count?

    Examples
    --------
    >>> may_be_left_out("* one cup was spilled"), may_be_left_out("Source: our kitchen notebook")
    (True, False)
    """
    return bool(_EXCLUDED.match(words) or _MISHAP.search(words) or _OUT_IN_NAME.search(words))


INCIDENTS = frozenset({"incident", "incidents"})
_REMARKS = frozenset({"notes", "note", "comment", "comments", "remark", "remarks"})
_INCLUDED = among("include included keep kept valid counted count used usable countsin isvalid isincluded accepted "
                  "counts countit keepit ok okay inanalysis analysed analyzed")  # fmt: skip
_STATUS = among("status rowstatus state validity")
_IS_KEPT = among("1.0 used usable accepted good fine complete completed done final normal regular clean")
_PERHAPS_DROPPED = among("out bad failed reject void cancelled canceled scrapped spoiled spoilt absent")
_DROPPED = _PERHAPS_DROPPED | among(
    "dropped dropout droppedout rejected unusable notvalid notused notusable notincluded notaccepted withdrawn "
    "withdrew noshow outlier leftout"
)


def _without_left_out(checked: Checked, one_row_a_panel: bool) -> np.ndarray:
    """Which rows to read: all but those that the table says are left out; what was decided goes to the notes.

    ``left_out`` decides. Where it is empty or missing, so does an incident (in a table of panels: an incident, or a
    remark that says nothing else) that begins with such words. Other incidents decide nothing; they are listed, so that
    somebody can.
    """
    sheet = checked.sheet
    rows = len(sheet.rows)
    out = np.zeros(rows, bool)
    decided = np.zeros(rows, bool)
    if LEFT_OUT.name in checked.place:
        j = checked.place[LEFT_OUT.name]
        places, values = distinct(sheet.columns[j])
        words, messages, notes = read_cells(values, LEFT_OUT.kind, sheet.headers[j])
        if one_row_a_panel and plain(sheet.headers[j]) != plain(LEFT_OUT.name):
            messages |= _perhaps_counts(values, sheet.headers[j])
            words = [None if i in messages else word for i, word in enumerate(words)]
        checked.notes.extend(notes)
        checked.report_each(places, messages, LEFT_OUT.name)
        decided = np.array([word is not None for word in words], bool)[places]
        mine = np.array([word not in (None, "no") for word in words], bool)[places]
        out |= mine
        shown = np.array([word is not None and plain(word) == EXAMPLE for word in words], bool)[places]
        checked.examples = int(shown.sum())
        checked.notes.extend(_said_left_out(checked, mine & ~shown, j, one_row_a_panel))
        if shown.any():
            checked.notes.append(_said_example(checked, shown, j))
    if one_row_a_panel and "panel" in checked.place:
        _ask_of_names(checked, decided)
    for j, header in enumerate(sheet.headers):
        key = plain(header)
        if j not in checked.place.values():
            _ask_of_column(checked, j, decided)
        if key not in INCIDENTS and key not in _REMARKS:
            continue
        places, values = distinct(sheet.columns[j])
        remarks = [tidy(value) if isinstance(value, str) else "" for value in values]
        matches = [_EXCLUDED.match(remark) for remark in remarks]
        begins = np.array([match is not None for match in matches], bool)[places] & ~decided
        alone = (
            np.array([match is not None and match["more"] in ("", ".") for match in matches], bool)[places] & ~decided
        )
        mine = alone if one_row_a_panel and key in _REMARKS else begins
        out |= mine
        checked.notes.extend(_said_left_out(checked, mine, j, one_row_a_panel))
        for i in np.flatnonzero(begins & ~mine & ~out):
            remark = remarks[places[i]][:60]
            message = f"{remark!r} can mean the whole panel or a few tastings of it. Write yes or no under left_out."
            checked.add(int(i), message, header)
        open_ = [bool(remark) and not is_nobody(remark) and not match
                 and (key in INCIDENTS or bool(_MISHAP.search(remark)))
                 for remark, match in zip(remarks, matches, strict=True)]  # fmt: skip
        unsure = np.array(open_, bool)[places] & ~decided & ~out
        if unsure.any():
            said = Counter(places[unsure].tolist())
            cells = listing((f"{remarks[at]!r} ({n})" for at, n in said.items()), 6)
            does = "does" if len(said) == 1 else "do"
            kept = "the row was" if unsure.sum() == 1 else "the rows were"
            checked.notes.append(
                f"column {header!r}: {cells} {does} not say that a row is left out, so {kept} kept. To leave one out, "
                f"write yes in a column {LEFT_OUT.name!r}."
            )
    return ~out


def _ask_of_names(checked: Checked, decided: np.ndarray) -> None:
    """Panels whose names may say that they do not count, unless ``left_out`` has decided."""
    for at, name in enumerate(checked.sheet.columns[checked.place["panel"]]):
        if isinstance(name, str) and not decided[at] and (_EXCLUDED.match(name) or _OUT_IN_NAME.search(name)):
            message = f"the name {as_shown(name)!r} may say that the panel is left out. Write yes or no under left_out."
            checked.add(at, message, "panel")


def _perhaps_counts(values: Sequence[Any], header: str) -> dict[int, str]:
    """In a table of panels, a number under "excluded" may count people: what to say of those that are 1 or more."""
    numbers = {i: str(value).strip().removesuffix(".0") for i, value in enumerate(values) if not is_empty(value)}
    if not all(word.isdigit() for word in numbers.values()):
        return {}
    return {
        i: f"{word} under {header!r} may say how many were left out, or that the panel is. Write yes or no in a column "
        f"{LEFT_OUT.name!r}, or give this column another name."
        for i, word in numbers.items()
        if int(word) > 0
    }


def _said_example(checked: Checked, shown: np.ndarray, j: int) -> str:
    where = listing((f"{checked.sheet.word} {checked.sheet.rows[int(i)]}" for i in np.flatnonzero(shown)), 8)
    return f"an example, as column {checked.sheet.headers[j]!r} says, and no panel: {where}."


def _said_left_out(checked: Checked, out: np.ndarray, j: int, one_row_a_panel: bool) -> Iterator[str]:
    if not out.any():
        return
    sheet = checked.sheet
    at = np.flatnonzero(out)
    why = listing(dict.fromkeys(repr(as_shown(sheet.columns[j].iloc[i])) for i in at), 4)
    if "panel" in checked.place:
        panels = Counter(as_shown(cell) for cell in sheet.columns[checked.place["panel"]].iloc[at])
        where = listing(panels if one_row_a_panel else (f"{n} in {panel}" for panel, n in panels.items()), 8)
    else:
        where = listing((f"{sheet.word} {sheet.rows[int(i)]}" for i in at), 8)
    yield f"left out, as column {sheet.headers[j]!r} says ({why}), and not counted: {where}."


def _ask_of_column(checked: Checked, j: int, decided: np.ndarray) -> None:
    """A column by whose name rows may not count is not ours to read, but not passed over in silence either.

    Rows of which it says so are refused, unless ``left_out`` has decided. Where its words leave that open, the whole
    column is, or, as a state may be of another kind (Ohio; fresh), noted; one that says the same of all says nothing.
    Where two values of a state or more say neither, a word that means other things too ("out") is only noted.
    """
    header = checked.sheet.headers[j]
    says = _said_by(header)
    if not says:
        return
    places, values = distinct(checked.sheet.columns[j])
    sides: dict[str, list[int]] = {side: [] for side in ("against", "perhaps", "for", "open", "other", "blank")}
    for i, value in enumerate(values):
        sides[_side(value, says)].append(i)
    against, perhaps, other = sides["against"], sides["perhaps"], sides["other"]
    if len(other) < 2:
        against = against + perhaps
        perhaps = []
    if against:
        messages = {
            i: f"{header!r} is {as_shown(values[i])!r}: the row may not count. Write yes, or no, for it in a column "
            f"{LEFT_OUT.name!r}, or rename this column."
            for i in against
        }
        checked.report_each(np.where(decided, -1, places), messages, header)
    elif says == _STATE:
        unsure = [repr(as_shown(values[i])) for i in (*perhaps, *other)]
        if unsure:
            does = "does" if len(unsure) == 1 else "do"
            checked.notes.append(
                f"column {header!r}: {listing(unsure, 4)} {does} not say for sure that a row is left out, so every row "
                f"was kept. To leave one out, write yes in a column {LEFT_OUT.name!r}."
            )
    elif not other and (sides["open"] or sides["blank"]):
        said = {plain(as_shown(value)) for value in values}
        if len(said) > 1:
            checked.add(
                -1,
                f"column {header!r} may say which rows do not count. Write yes or no for each in a column "
                f"{LEFT_OUT.name!r}, and remove this one or give it another name.",
            )


_COUNTS, _STATE, _OPEN = "which rows count", "in what state they are", "that some rows do not count, or that some do"


def _said_by(header: str) -> str:
    """What a header says that its column tells of the rows; empty if nothing of the kind."""
    key = plain(header)
    if key.rstrip("?") in _INCLUDED:
        return _COUNTS
    if key in _STATUS:
        return _STATE
    return _OPEN if _MAY_SAY.search(header) else ""


def _side(value: object, says: str) -> str:
    """What a cell says of its row, in a column that says this of the rows."""
    if is_empty(value):
        return "blank"
    shown = as_shown(value)
    word = plain(shown)
    if says == _OPEN:
        return "open" if word in _MARKED or _REASON.search(shown) else "other"
    if says == _COUNTS and word in ("no", "n", "false", "0", "0.0"):
        return "against"
    if says == _STATE and word in _PERHAPS_DROPPED:
        return "perhaps"
    if word in _DROPPED or _EXCLUDED.match(shown):
        return "against"
    if word in _KEPT | _IS_KEPT or (says == _COUNTS and word in ("yes", "y", "true", "1")):
        return "for"
    return "open" if says == _COUNTS else "other"


def leave_out(checked: Checked, one_row_a_panel: bool) -> None:
    """Take the rows out of the sheet that it says are left out."""
    checked.whole = checked.sheet
    keep = _without_left_out(checked, one_row_a_panel)
    at = np.flatnonzero(keep)
    checked.left_out = len(keep) - len(at)
    checked.gone = tuple(np.flatnonzero(~keep).tolist())
    if not checked.left_out:
        return
    sheet = checked.sheet
    new = {old: i for i, old in enumerate(at.tolist())}
    checked.found = [(new.get(position, -1), problem) for position, problem in checked.found
                     if position < 0 or position in new]  # fmt: skip
    checked.bad = {column: known[at] for column, known in checked.bad.items()}
    checked.sheet = replace(
        sheet,
        columns=[column.iloc[at].reset_index(drop=True) for column in sheet.columns],
        rows=[sheet.rows[i] for i in at.tolist()],
    )
    checked.frame = pd.DataFrame(index=range(len(at)))
