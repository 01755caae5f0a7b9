"""What the two tables hold: the columns, what each means, and the rules between them.

`PANEL_COLUMNS` and `TASTING_COLUMNS` list the columns, `PANEL_RULES` what must be true of a panel's counts: to add a
column or a rule, add a line. `check_panels` and `check_tastings` take a table whose cells have been read and gather
everything that must be put right; nothing is changed but protocols (to their own names) and derived answers.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, protocol
from metasense.showing.words import count, listing
from metasense.tables.checking import (
    NO_ANSWER,
    Checked,
    Column,
    Reading,
    Wrong,
    among,
    choice,
    coded,
    column_of,
    combined,
    counts_of_share,
    date,
    distinct,
    is_known,
    label,
    no_answer,
    no_column,
    plain,
    share_of,
    text,
    whole,
    yes_no,
)
from metasense.tables.opening import PanelsError, is_empty

# --- the columns ----------------------------------------------------------------------------------------------------

_blind = choice(double="doubleblind db both", single="singleblind sb", none="no notblind unblinded unblind open false")
_asked = choice(
    correct="thecorrect correctonly correctanswers right",
    all="everyone everybody alltasters",
    pair="separatepair blindpair separateblindpair",
    none="nobody noone notasked no",
)
_stated = choice(stated="new old", none="nopreference nopref neither equal")
_liked = choice(new="n", old="o", none="nopreference nopref neither equal")
_state = choice(yes="y true 1 right correct", no="n false 0 wrong incorrect", refused="none")


def _correct(cell: object, reading: Reading) -> bool | None:
    """Was the answer correct? None for no answer."""
    if no_answer(cell, reading):
        return None
    word = _state(cell, reading)
    return None if word in (None, "refused") else word == "yes"


def _answer(cell: object, reading: Reading) -> str | None:
    """The cup or word answered; None where a mark or word says that there was no answer."""
    return None if no_answer(cell, reading) else coded(cell, reading)


def _preference(cell: object, reading: Reading) -> str | None:
    """None means that nothing was said, "none" that there is no preference."""
    return None if no_answer(cell, reading, NO_ANSWER - {"none"}) else _liked(cell, reading)


def _placebo(cell: object, reading: Reading) -> str | None:
    return None if no_answer(cell, reading, NO_ANSWER - {"none"}) else _stated(cell, reading)


# fmt: off
SITTING = (  # what is the same throughout a panel
    Column("date", "the day of the sitting", date, "datetime64[s]", "paneldate testdate sessiondate day"),
    Column("batch_pair", "the two productions compared", text, "string", "batches batchpairid batchpairs"),
    Column("blind", "double, single or none", _blind, "string", "blinding blinded blindness"),
    Column("planned", "tastings planned beforehand", whole, "Int64", "plannedn nplanned plannedtastings"),
    Column("looks", "times the count was looked at, the final one included", whole, "Int64", "nlooks interimlooks"),
    Column("reported", "was the panel made known? yes or no", yes_no, "boolean", "published"),
)
PANEL_COLUMNS = (
    Column("panel", "a name for the sitting", label, "string", "id panelid panelname panelno panelnumber name", True),
    Column("protocol", "the test that was served", label, "string", "test method testtype testmethod", True),
    Column("tastings", "how many answers were given", whole, "Int64",
           "n trials ntrials answers nanswers ntastings total responses nresponses"),
    Column("correct", "how many answers were correct", whole, "Int64",
           "x right ncorrect nright correctanswers rightanswers numbercorrect numberright", of="tastings"),
    Column("signal", "tastings of the learned sample A, or of two different cups", whole, "Int64",
           "signals nsignal signaltastings"),
    Column("hits", "answers 'A' or 'different' to those", whole, "Int64", "hit nhits"),
    Column("noise", "tastings of the other sample, or of two cups alike", whole, "Int64", "nnoise noisetastings"),
    Column("false_alarms", "answers 'A' or 'different' to those", whole, "Int64", "falsealarm fa nfalsealarms"),
    SITTING[0],
    Column("tasters", "how many different people answered", whole, "Int64",
           "assessors people persons participants panelists panellists volunteers ntasters nassessors npeople"),
    *SITTING[1:],
    Column("asked", "who was asked for a preference: correct, all, pair (all, on a separate blind pair) or none",
           _asked, "string", "askedof prefasked prefaskedof preferenceasked preferenceaskedof"),
    Column("prefer_new", "how many preferred the new product", whole, "Int64", "prefnew preftest prefertest"),
    Column("prefer_old", "how many preferred the old product", whole, "Int64", "prefold prefcontrol prefercontrol"),
    Column("no_preference", "how many had no preference", whole, "Int64", "nopref prefnone prefernone"),
    Column("placebo_stated", "how many stated a preference between two cups alike", whole, "Int64", "placebopref"),
    Column("placebo_none", "how many had none between two cups alike", whole, "Int64", "placebonopref"),
    Column("refused", "people served who gave no answer, not among the tastings", whole, "Int64", "refusals nrefused"),
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
TASTING_COLUMNS = (
    replace(PANEL_COLUMNS[0], dtype="category", aliases="panelid panelname panelno panelnumber"),
    replace(PANEL_COLUMNS[1], dtype="category"),
    Column("taster", "a code for the person", coded, "category",
           "tasterid tastercode assessor assessorid person personid participant participantid panelist panellist",
           True),
    Column("correct", "was the answer correct? 1 or 0, yes or no", _correct, "boolean", "right iscorrect result"),
    Column("served", "the right answer: code or position of the odd or matching cup", _answer, "category",
           "rightanswer correctanswer target odd oddcup"),
    Column("answer", "the taster's answer, in the same words as served", _answer, "category",
           "response chosen picked choice"),
    Column("trial", "1, 2, 3 ... for the tastings of one person", whole, "Int64",
           "trialno trialnumber repeat replicate rep"),
    Column("order", "the cups in the order served, such as ABB", label, "category", "servingorder servedorder"),
    Column("position", "place of the cup picked, 1 for the first", whole, "Int64", "answerposition positionpicked"),
    Column("preference", "new, old or none", _preference, "category", "prefers preferred"),
    Column("asked", "who was asked for it: correct, all, pair or none", _asked, "category", "askedof"),
    Column("placebo", "between two cups alike: stated or none", _placebo, "category", "placebopair"),
    *SITTING,
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
# fmt: on
PANEL = {column.name: column for column in PANEL_COLUMNS}
TASTING = {column.name: column for column in TASTING_COLUMNS}
FORCED = ("tastings", "correct")
TWO_COUNTS = ("signal", "hits", "noise", "false_alarms")


class Rule(NamedTuple):
    """A rule between columns: where `broken`, `words` filled from the row say what is wrong and what to do."""

    column: str
    broken: Callable[[pd.DataFrame], pd.Series]
    words: str


# Seen by the rules beside the columns: given (answers), right (correct answers) and preferences (their sum).
PANEL_RULES = (
    Rule("correct", lambda f: f.correct > f.tastings,
         "{correct} correct of {tastings} tastings is impossible. Check both counts."),
    Rule("hits", lambda f: f.hits > f.signal,
         "{hits} hits of {signal} signal tastings is impossible. Check both counts."),
    Rule("false_alarms", lambda f: f.false_alarms > f.noise,
         "{false_alarms} false alarms of {noise} noise tastings is impossible. Check both counts."),
    Rule("tasters", lambda f: f.tasters > f.given,
         "{tasters} tasters gave {given} answers. Tasters are the different people who answered, each at least once."),
    Rule("tasters", lambda f: (f.tasters == 0) & (f.given > 0),
         "no tasters gave {given} answers. Write how many people answered."),
    Rule("asked", lambda f: f.asked.isna() & (f.preferences > 0),
         "there are preferences but it is not said who was asked. Write correct, all, or pair (all, on a separate "
         "blind pair)."),
    Rule("asked", lambda f: (f.asked == "none") & (f.preferences > 0),
         "there are {preferences} preferences though nobody was asked. Write who was, or remove them."),
    Rule("asked", lambda f: (f.asked == "correct") & (f.preferences > f.right),
         "{preferences} preferences of {right} tasters who were correct is impossible. If all were asked, write all "
         "or pair."),
    Rule("asked", lambda f: (f.asked == "all") & (f.preferences > f.given),
         "{preferences} preferences of {given} answers is impossible. Check the counts."),
)  # fmt: skip


# --- checking panels ------------------------------------------------------------------------------------------------


def check_panels(checked: Checked, *, typed: bool = True) -> None:
    """Check a table of panels against everything above; raises one PanelsError, or leaves notes.

    Rows that look like totals are refused only where somebody `typed` the table: of a part of one they tell nothing.
    """
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    forced = np.array([isinstance(kind, Protocol) for kind in kinds], bool)[codes]
    if one_row_a_tasting(checked.sheet.headers):
        words = "this looks like one row a tasting. Read it with read_tastings(...).to_panels()."
        raise PanelsError(words, checked.sheet.source)  # all else would be about columns it need not have
    if typed:
        _refuse_totals(checked)
    shares = _Shares(checked)
    shares.turned_into_counts(forced)
    _need(checked, np.ones(len(frame), bool), PANEL, ("panel", "protocol"))
    _need(checked, forced, PANEL, FORCED)
    _need(checked, two, PANEL, TWO_COUNTS, ", which A-not-A and same-different need")
    for column in TWO_COUNTS if set(FORCED) <= set(checked.heads) else ():
        words = f"{{protocol}} has no {column}. Leave the cell empty, or correct the protocol."
        checked.report(frame[column].notna() & forced, column, words)
    given, right = frame.signal + frame.noise, frame.hits + frame.noise - frame.false_alarms
    for column, value in zip(FORCED, (given, right), strict=True):
        words = f"{{value}} {column} does not agree with signal, hits, noise and false alarms. Leave the cell empty."
        checked.report((frame[column] != value) & two, column, words)
        frame[column] = frame[column].mask(two)
    again = frame.panel.duplicated() & frame.panel.notna()
    checked.report(
        again, "panel", "there is another panel {panel!r} above. Give each its own name, such as with its date."
    )
    wide = frame.assign(
        given=frame.tastings.fillna(given),
        right=frame.correct.fillna(right),
        preferences=sum(frame[column].fillna(0) for column in ("prefer_new", "prefer_old", "no_preference")),
    )
    shares.compared(wide.given, wide.right)
    for rule in PANEL_RULES:
        checked.report(rule.broken(wide), rule.column, rule.words, rows=wide)
    checked.raise_any("Write one row a panel")
    notes = checked.notes
    for words, mask in (
        ("no answers, so nothing is learned: {}.", wide.given == 0),
        ("more tastings than planned: {}.", wide.given > wide.planned),
        (
            "names that differ only in capitals are different panels: {}.",
            frame.panel.str.casefold().duplicated(keep=False),
        ),
    ):
        if mask.fillna(False).any():
            notes.append(words.format(listing(frame.panel[mask.fillna(False)], 8)))
    if frame.tasters.isna().any():
        missing = "" if frame.tasters.isna().all() else f" for {listing(frame.panel[frame.tasters.isna()], 8)}"
        notes.append(f"the number of tasters is not given{missing}: each tasting is taken to be another person's.")


class _Shares:
    """Columns such as "% correct": counts are made of them where there are none, and compared where there are."""

    def __init__(self, checked: Checked) -> None:
        self.checked = checked
        self.found = [(j, how) for j in checked.shares.get("correct", ())
                      if (how := share_of(checked.sheet.headers[j], PANEL["correct"]))]  # fmt: skip
        self.used = -1  # the place of the column that counts were made of

    def turned_into_counts(self, forced: np.ndarray) -> None:
        """Fill ``correct`` where exactly one whole number of the tastings gives the share as it is written."""
        checked = self.checked
        if "correct" in checked.place or not self.found:
            return
        self.used, how = self.found[0]
        checked.place["correct"] = self.used
        header = checked.sheet.headers[self.used]
        places, rows, sure = self._counts(self.used, how, checked.frame["tastings"])
        counts: list[int | None] = [None] * len(rows)
        messages: dict[int, str] = {}
        for i, (cell, n) in enumerate(rows):
            found = sure[i]
            if isinstance(found, str):
                messages[i] = f"{found}."
            elif len(found) == 1:
                counts[i] = found[0]
            elif found:
                messages[i] = (
                    f"{cell!r} of {n} tastings could be {listing(found, 6)} correct. "
                    "Write the count in a column 'correct'."
                )
            elif n is not None and cell is not None:
                messages[i] = (
                    f"no whole number of {n} tastings is {cell!r}. "
                    "Check both, or write the count in a column 'correct'."
                )
        checked.report_each(np.where(forced, places, -1), messages, "correct")
        checked.frame["correct"] = column_of(places, counts, "Int64").where(forced)
        shown = [f"{cell} of {n} is {at}" for (cell, n), at in zip(rows, counts, strict=True) if at is not None]
        checked.notes.append(
            f"column {header!r} holds shares, read as the only counts that give them: {listing(shown, 4)}."
        )

    def compared(self, given: pd.Series, right: pd.Series) -> None:
        """Refuse rows in which a share does not agree with the count beside it."""
        checked = self.checked
        for j, how in self.found:
            if j == self.used:
                continue
            header = checked.sheet.headers[j]
            places, rows, sure = self._counts(j, how, given)
            whole_, pairs = combined(places, right)
            messages: dict[int, str] = {}
            for i, (at, k) in enumerate(pairs):
                cell, n = rows[at]
                found = sure[at]
                if cell is not None and n is not None and k is not None and (isinstance(found, str) or k not in found):
                    messages[i] = (
                        f"{cell!r} is not the share of {k} correct of {n} tastings. "
                        "Correct one of them, or remove the column."
                    )
            checked.report_each(whole_, messages, header)
            if not messages:
                checked.notes.append(f"column {header!r} is not used, and agrees with 'correct'.")

    def _counts(
        self, j: int, how: str, tastings: pd.Series
    ) -> tuple[np.ndarray, list[tuple[Any, ...]], list[list[int] | str]]:
        """The distinct cells and tastings, with the counts that each can be, or what is wrong with it."""
        cells, values = distinct(self.checked.sheet.columns[j])
        places, pairs = combined(cells, tastings)
        rows = []
        sure: list[list[int] | str] = []
        for at, n in pairs:
            cell = None if is_empty(values[at]) else values[at]
            rows.append((cell, n))
            try:
                sure.append([] if cell is None or n is None else counts_of_share(cell, how, int(n)))
            except Wrong as error:
                sure.append(str(error))
        return places, rows, sure


def refuse_served(headers: Sequence[str], source: str) -> None:
    """Say in one problem that a table belongs to a served panel: its answers before they are joined, or its key."""
    names = set(map(plain, headers))
    served = "Join the two with read_answers(key, answers), or in a terminal with: metasense answers KEY ANSWERS"
    if {"code", "sample", "tray"} <= names:
        words = f"this looks like the key of a served panel, which holds no answers. {served}."
    elif {"cups", "answer", "taster"} <= names and not {"served", "correct"} & names:
        words = (
            f"this looks like the answers sheet of a served panel, which holds codes and not what is right. {served}."
        )
    else:
        return
    raise PanelsError(words, source)


# --- rows of totals -------------------------------------------------------------------------------------------------

_TOTALS = among(
    "total totals sum sums subtotal subtotals grandtotal mean means average averages avg median overall all allpanels "
    "pooled combined everything σ summe gesamt gesamtsumme insgesamt zwischensumme mittelwert mittel durchschnitt "
    "somme totaux totale moyenne totaal gemiddelde suma totalgeneral promedio media somma"
)
_TOTAL_WITHIN = re.compile(rf"(?<!\w)(grand|sub-|{'|'.join(sorted(_TOTALS))})(?!\w)", re.IGNORECASE)


def _is_total(name: str) -> bool:
    """Is the name a bare word for a total or an average?"""
    return plain(name.strip("()[]:=*# ")) in _TOTALS


def _are_totals(names: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Which names are a bare word for a total, and which others hold one."""
    places, values = distinct(names)
    within = [isinstance(value, str) and bool(_TOTAL_WITHIN.search(value)) for value in values]
    bare = [hit and _is_total(value) for hit, value in zip(within, values, strict=True)]
    return np.array(bare, bool)[places], (np.array(within, bool) & ~np.array(bare, bool))[places]


def _refuse_totals(checked: Checked) -> None:
    """Refuse rows of totals or averages: those called so and no more, and those called so that add the others up.

    A panel called "Total Wine 3" is one, unless its counts are the sum of those above it.
    """
    frame = checked.frame
    bare, begins = _are_totals(frame["panel"])
    others = ~bare & ~begins
    adds = np.zeros(len(frame), bool)
    counts = [frame[column].fillna(0).to_numpy(float) for column in (*FORCED, *TWO_COUNTS)]
    for i in np.flatnonzero(begins):
        above = others & (np.arange(len(frame)) < i)
        for mine in (others, above):
            adds[i] |= mine.sum() > 1 and any(c[i] for c in counts) and all(c[i] == c[mine].sum() for c in counts)
    _refuse_rows(checked, bare | adds, "panel")
    twice = ~(bare | adds) & (len(frame) > 2) & (sum(counts) > 0)
    for each in counts:
        twice &= 2 * each == each.sum()
    if twice.any():
        same = listing(frame["panel"][twice])
        checked.notes.append(f"adds up to all the other panels: {same}. If it is their total, remove the row.")


def _refuse_rows(checked: Checked, mask: np.ndarray, column: str) -> None:
    if not mask.any():
        return
    words = "{value!r} looks like a total or average of the rows, not a %s. Remove the row, or give it another name."
    checked.report(mask, column, words % column)
    for other in checked.heads:  # nothing else about such a row is worth saying
        checked.bad[other] = checked.bad.get(other, np.zeros(len(mask), bool)) | mask


def one_row_a_tasting(headers: Sequence[str]) -> bool:
    """Do the headers name who tasted and what came of it, and no counts of a panel?

    Examples
    --------
    >>> one_row_a_tasting(["panel", "protocol", "taster", "correct"])
    True
    >>> one_row_a_tasting(["panel", "protocol", "tastings", "correct"])
    False
    """
    tasting = [is_known([TASTING[name]]) for name in ("taster", "correct", "answer")]
    person, *outcome = (any(map(known, headers)) for known in tasting)
    counts = is_known([PANEL[name] for name in ("tastings", *TWO_COUNTS)])
    return person and any(outcome) and not any(map(counts, headers))


def _checked_protocols(checked: Checked) -> tuple[np.ndarray, list[Protocol | TwoCountProtocol | None]]:
    """Put each protocol's own name into the frame; place and list of the protocols, None where there is none."""
    codes, names = distinct(checked.frame["protocol"])
    kinds: list[Protocol | TwoCountProtocol | None] = [None] * len(names)
    unknown = {}
    for i, given in enumerate(names):
        if given is None or pd.isna(given):
            continue
        try:
            kinds[i] = kind = protocol(given)
        except ValueError:
            near = difflib.get_close_matches(plain(given), list(map(plain, PROTOCOLS)), n=1, cutoff=0.5)
            hint = "".join(f" Did you mean {known!r}?" for known in PROTOCOLS if plain(known) in near)
            unknown[i] = f"{given!r} is not a protocol known here.{hint} Known are {listing(PROTOCOLS)}."
        else:
            if plain(kind.name) != plain(given):
                checked.notes.append(f"the protocol {given!r} was read as {kind.name!r}.")
    checked.report_each(codes, unknown, "protocol")
    own = [None if kind is None else kind.name for kind in kinds]
    checked.frame["protocol"] = column_of(codes, own, str(checked.frame["protocol"].dtype))
    at: dict[str, int] = {}
    alike = [i if name is None else at.setdefault(name, i) for i, name in enumerate(own)]
    return np.array(alike, np.intp)[codes], kinds


def _need(checked: Checked, mask: np.ndarray, columns: dict[str, Column], names: Sequence[str], why: str = "") -> None:
    """A problem for each of these columns that is missing, or empty in a row of `mask`."""
    for column in map(columns.__getitem__, names):
        if column.name in checked.heads:
            checked.report(mask & checked.frame[column.name].isna().to_numpy(bool), column.name,
                           f"the cell is empty. Write {column.meaning}.")  # fmt: skip
        elif mask.any() and not column.required and column.name not in checked.almost:
            checked.add(-1, no_column(checked, column, why))


# --- checking tastings ----------------------------------------------------------------------------------------------


def check_tastings(checked: Checked) -> None:
    """Check a table of tastings and fill in ``correct``; raises one PanelsError, or leaves notes."""
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    if "taster" not in checked.heads and {"tastings", "n"} & set(map(plain, checked.extras)):
        checked.add(-1, "this looks like one row a panel. Read it with read_panels.")
    for column in ("panel", "taster"):
        if column in frame:
            _refuse_rows(checked, _are_totals(frame[column])[0], column)
    _need(checked, np.ones(len(frame), bool), TASTING, ("panel", "protocol", "taster"))
    panels = distinct(frame["panel"])[0]
    first = pd.Series(codes).groupby(panels).transform("first").to_numpy(int)
    words = "panel {panel!r} has another protocol above. A panel has one protocol; name the panels apart."
    checked.report((codes != first) & frame["panel"].notna().to_numpy(bool), "protocol", words)
    _judge(checked, codes, kinds)
    if "trial" in frame:
        again = frame["trial"].notna().to_numpy(bool) & frame.duplicated(["panel", "taster", "trial"]).to_numpy(bool)
        checked.report(
            again, "trial", "taster {taster!r} has trial {trial} above already. Number a person's tastings apart."
        )
    _check_orders(checked, codes, kinds)
    checked.raise_any("Write one row a tasting")
    checked.notes += _remarks(checked.frame)


def _remarks(frame: pd.DataFrame) -> Iterator[str]:
    silent = frame["correct"].isna()
    if silent.any():
        each = frame["panel"][silent].value_counts(sort=False)
        where = listing([f"{n} in {panel}" for panel, n in each.items() if n], 8)
        yield f"no answer (refused or missing), and so not counted as a tasting: {where}."
    people = frame.loc[~silent, ["panel", "taster"]]
    repeats = people[people.duplicated()].drop_duplicates()
    if len(repeats):
        unsure = "" if "trial" in frame else "; without a column 'trial' a row entered twice looks like a repeat"
        yield f"tasted more than once in a panel: {count(len(repeats), 'person')}{unsure}."


def _judge(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Fill ``correct`` from ``served`` and ``answer`` where it is not given, and see that they agree where it is."""
    frame = checked.frame
    pair = {"served", "answer"} <= set(checked.heads)
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    if "correct" not in checked.heads and not pair and "correct" not in checked.almost:
        checked.add(-1, no_column(checked, TASTING["correct"], "; columns 'served' and 'answer' would do instead"))
    elif two.any() and not pair:
        checked.add(
            -1, "A-not-A and same-different need the columns 'served' and 'answer' (A or not A, same or different)."
        )
    given = frame["correct"] if "correct" in frame else pd.Series(pd.NA, index=frame.index, dtype="boolean")
    if pair:
        answered, unknown = frame["answer"].notna().to_numpy(bool), frame["served"].isna().to_numpy(bool)
        words = "there is an answer but not what was served. Write the right answer under served."
        checked.report(answered & unknown & (two | given.isna().to_numpy(bool)), "served", words)
        places, rows = combined(codes, frame["served"], frame["answer"])
        verdicts: list[bool | None] = [None] * len(rows)
        wrong: dict[str, dict[int, str]] = {"served": {}, "answer": {}}
        for i, (code_, served, answer) in enumerate(rows):
            kind = kinds[code_]
            if kind is None:
                continue
            for column, word in (("served", served), ("answer", answer)):
                try:
                    if word is not None:
                        _understood(kind, word, column)
                except Wrong as error:
                    wrong[column][i] = f"{error}."
            if served is None or answer is None or i in wrong["served"] or i in wrong["answer"]:
                continue
            try:
                verdicts[i] = _is_right(kind, served, answer)
            except Wrong as error:
                wrong["answer"][i] = f"{error}."
        for column, messages in wrong.items():
            checked.report_each(places, messages, column)
        _check_cups(checked, codes, kinds, two)
        derived = column_of(places, verdicts, "boolean")
        words = "correct is {value} but served is {served!r} and answer {answer!r}. Correct one of them."
        checked.report(given != derived, "correct", words)
        given = given.fillna(derived)
    frame["correct"] = given
    at = [c for c in TASTING if c in frame]
    checked.frame = frame[[*at, *(c for c in frame.columns if c not in TASTING)]]


def _understood(kind: Protocol | TwoCountProtocol, word: str, column: str) -> None:
    """Raise Wrong if `word` cannot be a right answer, or an answer, in this protocol."""
    if isinstance(kind, TwoCountProtocol):
        is_signal(kind.name, word)
        return
    if column == "served" and _is_tray(kind, word):
        raise Wrong(f"{word!r} is a whole tray. Under served write the right answer alone, as the answers are written; "
                    "the order of the cups belongs under order")  # fmt: skip
    if _JOINED.fullmatch(word) and len({len(cup) for cup in re.split(r"\W", word)}) == 1:
        raise Wrong(f"{word!r} could be several cups, or the name of one. Write one cup alone; where an answer names "
                    "several, join them by +, as in 1+4")  # fmt: skip
    groups = _groups(word)
    if "" in frozenset().union(*groups):
        raise Wrong(f"{word!r} has a mark too many. Join cups by +, as in 1+4")
    if kind.name == "tetrad":
        if column == "served" and _pair_or_code(groups):
            first = word.strip()[0]
            second = word.strip()[1]
            raise Wrong(f"{word!r} could be cups {first} and {second} or a code. Write {first}+{second}")
        sizes = [len(group) for group in groups]
        if len(groups) > 2 or (len(groups) == 2 and (sizes != [2, 2] or groups[0] & groups[1])):
            raise Wrong(f"{word!r} is not two groups of two cups. Write them as 1+4/2+3")
    elif len(groups) > 1:
        raise Wrong(f"{word!r} has groups of cups, which only a tetrad has. Write the {_cups_named(kind)} alone")
    elif len(groups[0]) not in NAMED.get(kind.name, (1,)):
        n = count(len(groups[0]), "cup")
        raise Wrong(f"{word!r} names {n}, where {_a(kind)} asks for {_cups_named(kind)}. Join cups by +, as in 1+4"
                    if NAMED.get(kind.name) else
                    f"{word!r} names {n}, where {_a(kind)} asks for one. Write its code or place alone")  # fmt: skip


_JOINED = re.compile(r"\d+([-.\u2010-\u2015]\d+)+|[^\W\d_]([-.\u2010-\u2015][^\W\d_])+")  # 745-777, B.A.B
NAMED = {"tetrad": (1, 2), "specified tetrad": (2,), "two-out-of-five": (2,)}  # how many cups an answer names
ORDERS = ("ab", "no", "xy")  # letters of two samples, as orders of cups are written


def _cups_named(kind: Protocol) -> str:
    return "two cups" if kind.name in NAMED else "one cup"


def _a(kind: Protocol) -> str:
    return f"a {kind.name}"


def _is_tray(kind: Protocol, word: str) -> bool:
    """Does `word` hold as many cups as are served, as ABB, A/B/B or 237/682/967 do?"""
    letters = word.casefold()
    if len(letters) == kind.cups and len(set(letters)) == 2 and any(set(letters) == set(pair) for pair in ORDERS):
        return letters != "no" and letters != "on"
    groups = _groups(word)
    return kind.cups > 2 and len(groups) == kind.cups and all(len(group) == 1 for group in groups)


def _is_right(kind: Protocol | TwoCountProtocol, served: str, answer: str) -> bool:
    """Does the answer name what was served as right? Raises Wrong if the two cannot be compared."""
    if isinstance(kind, TwoCountProtocol):
        return is_signal(kind.name, served) == is_signal(kind.name, answer)
    right, said = _groups(served), _groups(answer)
    if kind.name == "tetrad" and len(right[0]) == 2 and _pair_or_code(said):
        said = (frozenset(answer.strip()),)
    if {len(group) for group in said} - {len(group) for group in right}:
        raise Wrong(f"{answer!r} and served {served!r} name different numbers of cups. Join cups by +, as in 1+4")
    if kind.name == "tetrad" and len(right[0]) == 2:
        return _same_grouping(right, said, served, answer)
    return set(said) <= set(right)


def _pair_or_code(groups: Groups) -> bool:
    """Is it two different digits of 1 to 4 written together, as in 14?"""
    cup = min(groups[0])
    return len(groups) == len(groups[0]) == 1 and bool(re.fullmatch(r"([1-4])(?!\1)[1-4]", cup))


def _same_grouping(right: Groups, said: Groups, served: str, answer: str) -> bool:
    """Of four cups: is it the same two and two? One pair tells the other where places are written."""
    pair, other = right[0], right[-1]
    if len(right) == 1:
        places = {"1", "2", "3", "4"}
        if pair < places:
            other = frozenset(places - pair)
        elif any(not group & pair for group in said):
            raise Wrong(f"{answer!r} may be the other two cups of {served!r}. Under served write both groups, as in "
                        "417+305/862+190")  # fmt: skip
    if not frozenset().union(*said) <= pair | other and len(right) == 2:
        raise Wrong(f"{answer!r} names a cup that is not in {served!r}. Check the code")
    return all(group in (pair, other) for group in said)


def is_signal(protocol: str, word: str) -> bool:
    """Does `word` mean A, or different?"""
    side = SIDES[protocol].get(plain(word))
    if side is None:
        ways = "A or not A" if protocol == "A-not-A" else "same or different"
        raise Wrong(f"{word!r} is not {ways}. Write one of these under served and answer")
    return side


SIDES = {"A-not-A": {"a": True, "nota": False}, "same-different": {"different": True, "same": False}}


Groups = tuple[frozenset[str], ...]


@lru_cache(maxsize=10_000)
def _groups(word: str) -> Groups:
    """Cups named in a cell: ``1+4/2+3`` is {1, 4} and {2, 3}, and so is ``14/23``."""
    groups = tuple(frozenset(map(_unpadded, _cups_in(part))) for part in re.split(r"[/|]", word.casefold()))
    run_together = len(groups) == 2 and all(re.fullmatch(r"[1-4]{2}", "".join(group)) for group in groups)
    if run_together and len(set("".join(frozenset().union(*groups)))) == 4:
        return tuple(frozenset("".join(group)) for group in groups)
    return groups


def _cups_in(part: str) -> list[str]:
    """The cups joined in part of a cell; words with a space in them ("left cup") are one."""
    cups: list[str] = []
    for piece in re.split(r"[+,&;]", part):
        words = piece.split()
        several = len(words) > 1 and all(len(word) == 1 or any(c.isdigit() for c in word) for word in words)
        cups += words if several else [" ".join(words)]
    return cups


def _unpadded(cup: str) -> str:
    return re.sub(r"^0+(?=\d)", "", cup)


def _check_cups(
    checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None], two: np.ndarray
) -> None:
    """Each answer must be one of the cups, as far as served and order show what the cups of a panel are called."""
    frame = checked.frame
    forced = frame["panel"].notna().to_numpy(bool) & ~two
    panel, names = distinct(frame["panel"])
    trays: dict[int, set[str]] = {}
    kind_of: dict[int, Protocol] = {}
    if "order" in frame:
        for at, code_, order in combined(panel[forced], codes[forced], frame["order"][forced])[1]:
            kind = kinds[code_]
            cups = _order(order)
            if kind is not None and len(cups) == kind.cups:
                trays.setdefault(at, set()).update(map(str.casefold, cups))
    places, rows = combined(panel, codes, frame["served"], frame["answer"])
    served: dict[int, set[str]] = {}
    answers: dict[int, set[str]] = {}
    pairs: set[int] = set()  # panels whose right answers name more than one cup
    skip = np.zeros(len(rows), bool)
    for i, (at, code_, right, answer) in enumerate(rows):
        kind = kinds[code_]
        if names[at] is None or not isinstance(kind, Protocol):
            skip[i] = True
            continue
        kind_of[at] = kind
        for word, into in ((right, served), (answer, answers)):
            if word is not None:
                into.setdefault(at, set()).update(_all_cups(word))
        if right is not None and len(_all_cups(right)) > 1:
            pairs.add(at)
    bad = checked.bad.get("served", np.zeros(len(frame), bool)) | checked.bad.get("answer", np.zeros(len(frame), bool))
    strange: dict[int, set[str]] = {}
    unsure: list[str] = []
    for at, kind in kind_of.items():
        if at in served:
            choices = 2 if kind.name == "duo-trio" else 3 if kind.name == "tetrad" and at not in pairs else kind.cups
            called = Cups(kind.cups, choices, served[at] | trays.get(at, set()))
            strange[at] = called.strange(answers.get(at, set()))
            if called.unsure:
                unsure.append(f"{listing(map(repr, sorted(called.unsure)))} in {names[at]}")
    lost = {at for at in strange if answers.get(at) and strange[at] == answers[at]}
    both = np.isin(panel, list(lost)) & frame["served"].notna().to_numpy(bool) & frame["answer"].notna().to_numpy(bool)
    both &= ~bad & ~two
    words = (
        "answers such as {answer!r} can never equal {value!r}. Under served write the code or position of the right "
        "cup, as the answers do; the order of the cups belongs under order."
    )
    checked.report(both & ~pd.Series(np.where(both, panel, -1)).duplicated().to_numpy(bool), "served", words)
    outside: dict[int, str] = {}
    no_cup: dict[int, str] = {}
    for i, (at, _, right, answer) in enumerate(rows):
        if skip[i]:
            continue
        kind = kind_of[at]
        for cup in filter(_is_place, _all_cups(right or "")):
            if cup not in trays.get(at, ()) and not 1 <= int(cup) <= kind.cups:
                outside[i] = f"there is no cup {cup}; {kind.name} has {kind.cups}. Write the place or code of a cup."
        if answer is not None and at not in lost and at in strange:
            odd = [cup for cup in _all_cups(answer) if cup in strange[at]]
            if odd:
                like = listing(map(repr, sorted(served[at])), 4)
                remedy = "Write the cup as it was called, or leave the cell empty if there was no answer"
                no_cup[i] = f"{answer!r} is no cup of this panel, where right ones are called {like}. {remedy}."
    checked.report_each(places, outside, "served")
    checked.report_each(places, no_cup, "answer")
    if unsure:
        never = listing(unsure, 8)
        checked.notes.append(f"read as wrong answers, though never right: {never}. If one is no cup, clear the cell.")


def _all_cups(word: str) -> list[str]:
    return [cup for part in re.split(r"[/|]", word.casefold()) for cup in _cups_in(part)]


class Cups:
    """What the cups of a panel can be called, going by those that were right and by the orders."""

    def __init__(self, cups: int, choices: int, seen: set[str]) -> None:
        self.cups, self.choices, self.seen = cups, choices, seen
        self.plain = {_unpadded(cup) for cup in seen}
        self.unsure: set[str] = set()

    def strange(self, answers: set[str]) -> set[str]:
        """Those of `answers` that can be none of the cups; ``unsure`` then holds those that may be."""
        new = {cup for cup in answers if _unpadded(cup) not in self.plain}
        bad = {cup for cup in new if not self._like_those_seen(cup)}
        for kind in (_is_place, _is_word):
            fresh = {cup for cup in new - bad if kind(cup)}
            if fresh and len({cup for cup in self.seen if kind(cup)} | fresh) > self.choices:
                bad |= fresh
        self.unsure = {cup for cup in new - bad if _is_word(cup) and len(self.seen) > 1}
        if len({cup for cup in new - bad if _is_word(cup)}) > 1 and not self._vocabulary():
            bad |= {cup for cup in new if _is_word(cup)}
        return bad

    def _like_those_seen(self, cup: str) -> bool:
        if _is_place(cup):
            return any(map(_is_place, self.seen)) and 1 <= int(cup) <= self.cups
        if _DIGITS.fullmatch(cup):
            lengths = {len(seen) for seen in self.seen if _DIGITS.fullmatch(seen) and not _is_place(seen)}
            padded = any(seen.startswith("0") and len(seen) > 1 for seen in self.seen)
            return len(cup) in lengths or (padded and len(cup) < max(lengths, default=0))
        if not _is_word(cup):
            return _shape(cup) in set(map(_shape, self.seen))
        words = {seen for seen in self.seen if _is_word(seen)}
        if cup in _MARKS or not words:
            return False
        known = self._vocabulary()
        return cup in known if known else len(words) == 1

    def _vocabulary(self) -> frozenset[str]:
        """The words for places among which are all that were seen."""
        words = {cup for cup in self.seen if _is_word(cup)}
        for known in _PLACES:
            if words <= known and (len(words) > 1 or len(min(words)) > 1 or self.cups > 2):
                return known
        return frozenset()


_DIGITS = re.compile(r"[0-9]+")
_PLACES = tuple(
    frozenset(words.split())
    for words in ("left middle centre center right", "first second third fourth fifth", "1st 2nd 3rd 4th 5th",
                  "top middle bottom", "l m r", "l c r", "a b c d e")
)  # fmt: skip
_MARKS = among("x xx xxx × ✗ ✘ ✓ ✔ v ok yes no true false right wrong correct incorrect") - {"right"}


def _is_place(cup: str) -> bool:
    return len(cup) == 1 and bool(_DIGITS.fullmatch(cup))


def _is_word(cup: str) -> bool:
    """Letters only, perhaps in several words."""
    return all(c.isalpha() or c in " -'’." for c in cup) and any(c.isalpha() for c in cup) and cup[0].isalpha()


def _shape(cup: str) -> str:
    """What a cup's name looks like: every digit is one, letters are letters."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"[0-9]", "9", cup))


def _order(word: str | None) -> list[str]:
    """The cups of an order such as ABB, A-B-B or 417-862-305."""
    cups = [cup for cup in re.split(r"[\W_]+", word or "") if cup]
    return list(cups[0]) if len(cups) == 1 and cups[0].isalpha() else cups


def _check_orders(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Serving orders have as many cups as the protocol, and in a triangle the cup picked agrees with ``correct``."""
    frame = checked.frame
    if "order" not in frame and "position" not in frame:
        return
    empty = pd.Series(pd.NA, index=frame.index, dtype="string")
    columns = [frame.get(column, empty) for column in ("order", "position")]
    places, rows = combined(codes, *columns, frame["correct"])
    orders, positions = {}, {}
    for i, (at, order, position, correct) in enumerate(rows):
        kind = kinds[at]
        if kind is None:
            continue
        cups = _order(order)
        if len(cups) > 1 and len(cups) != kind.cups:
            orders[i] = (
                f"{order!r} has {len(cups)} cups; {kind.name} has {kind.cups}. Correct the order or the protocol."
            )
        elif position is not None and not 1 <= position <= kind.cups:
            positions[i] = (
                f"there is no cup {position}; {kind.name} has {kind.cups}. Write the place of the cup picked."
            )
        elif kind.name == "triangle" and position is not None and correct is not None and len(set(cups)) == 2:
            odd = cups.count(cups[int(position) - 1]) == 1
            if odd != correct:
                said = f"is {'' if odd else 'not '}the odd one, but correct is {'yes' if correct else 'no'}"
                positions[i] = f"in {order!r} cup {position} {said}. Correct one of the three."
    checked.report_each(places, orders, "order")
    checked.report_each(places, positions, "position")
