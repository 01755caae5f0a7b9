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
from typing import NamedTuple

import numpy as np
import pandas as pd

from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, protocol
from metasense.showing.words import count, listing
from metasense.tables.checking import (
    Checked,
    Column,
    Reading,
    Wrong,
    choice,
    column_of,
    combined,
    date,
    distinct,
    is_known,
    label,
    no_column,
    plain,
    text,
    whole,
    yes_no,
)
from metasense.tables.opening import PanelsError

# --- the columns ----------------------------------------------------------------------------------------------------

_blind = choice(double="doubleblind db both", single="singleblind sb", none="no notblind unblinded unblind open false")
_asked = choice(
    correct="thecorrect correctonly correctanswers right",
    all="everyone everybody alltasters",
    pair="separatepair blindpair separateblindpair",
    none="nobody noone notasked no",
)
_placebo = choice(stated="new old", none="nopreference nopref neither equal")
_preference = choice(new="n", old="o", none="nopreference nopref neither equal")
_state = choice(yes="y true 1 right correct", no="n false 0 wrong incorrect", refused="noanswer skipped declined none")


def _correct(cell: object, reading: Reading) -> bool | None:
    """Was the answer correct? None for no answer."""
    word = _state(cell, reading)
    return None if word in (None, "refused") else word == "yes"


def _answer(cell: object, reading: Reading) -> str | None:
    word = label(cell, reading)
    return None if plain(word) in ("none", "refused", "noanswer", "skipped", "declined", "missing", "na") else word


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
           "x right ncorrect nright correctanswers rightanswers numbercorrect numberright"),
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
    Column("taster", "a code for the person", label, "category",
           "tasterid tastercode assessor assessorid person personid participant participantid panelist panellist",
           True),
    Column("correct", "was the answer correct? 1 or 0, yes or no", _correct, "boolean", "right iscorrect result"),
    Column("served", "the right answer: code or position of the odd or matching cup", label, "category",
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


def check_panels(checked: Checked) -> None:
    """Check a table of panels against everything above; raises one PanelsError, or leaves notes."""
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    forced = np.array([isinstance(kind, Protocol) for kind in kinds], bool)[codes]
    _need(checked, np.ones(len(frame), bool), PANEL, ("panel", "protocol"))
    if one_row_a_tasting(checked.sheet.headers):
        words = "this looks like one row a tasting. Read it with read_tastings(...).to_panels()."
        raise PanelsError(words, checked.sheet.source)  # all else would be about columns it need not have
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
    return codes, kinds


def _need(checked: Checked, mask: np.ndarray, columns: dict[str, Column], names: Sequence[str], why: str = "") -> None:
    """A problem for each of these columns that is missing, or empty in a row of `mask`."""
    for column in map(columns.__getitem__, names):
        if column.name in checked.heads:
            checked.report(mask & checked.frame[column.name].isna().to_numpy(bool), column.name,
                           f"the cell is empty. Write {column.meaning}.")  # fmt: skip
        elif mask.any() and not column.required:
            checked.add(-1, no_column(checked, column, why))


# --- checking tastings ----------------------------------------------------------------------------------------------


def check_tastings(checked: Checked) -> None:
    """Check a table of tastings and fill in ``correct``; raises one PanelsError, or leaves notes."""
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    if "taster" not in checked.heads and {"tastings", "n"} & set(map(plain, checked.extras)):
        checked.add(-1, "this looks like one row a panel. Read it with read_panels.")
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
    if "correct" not in checked.heads and not pair:
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
        wrong = {}
        for i, (code, served, answer) in enumerate(rows):
            kind = kinds[code]
            if kind is not None and served is not None and answer is not None:
                try:
                    verdicts[i] = _is_right(kind, served, answer)
                except Wrong as error:
                    wrong[i] = f"{error}."
        checked.report_each(places, wrong, "answer")
        derived = column_of(places, verdicts, "boolean")
        words = "correct is {value} but served is {served!r} and answer {answer!r}. Correct one of them."
        checked.report(given != derived, "correct", words)
        given = given.fillna(derived)
        _check_shapes(checked, two)
    frame["correct"] = given
    at = [c for c in TASTING if c in frame]
    checked.frame = frame[[*at, *(c for c in frame.columns if c not in TASTING)]]


def _is_right(kind: Protocol | TwoCountProtocol, served: str, answer: str) -> bool:
    """Does the answer name what was served as right? Raises Wrong if the two cannot be compared."""
    if isinstance(kind, TwoCountProtocol):
        return is_signal(kind.name, served) == is_signal(kind.name, answer)
    right, said = _groups(served), _groups(answer)
    if {len(group) for group in said} - {len(group) for group in right}:
        raise Wrong(f"{answer!r} and served {served!r} name different numbers of cups. Join cups by +, as in 1+4")
    return said <= right


def is_signal(protocol: str, word: str) -> bool:
    """Does `word` mean A, or different?"""
    side = SIDES[protocol].get(plain(word))
    if side is None:
        ways = "A or not A" if protocol == "A-not-A" else "same or different"
        raise Wrong(f"{word!r} is not {ways}. Write one of these under served and answer")
    return side


SIDES = {"A-not-A": {"a": True, "nota": False}, "same-different": {"different": True, "same": False}}


@lru_cache(maxsize=10_000)
def _groups(word: str) -> frozenset[frozenset[str]]:
    """Cups named in a cell: ``1+4/2+3`` is {{1, 4}, {2, 3}}."""
    parts = (re.split(r"[+,&\s]+", part.strip(" +,&")) for part in re.split(r"[/|]", word.casefold()))
    return frozenset(frozenset(re.sub(r"^0+(?=\d)", "", cup) for cup in part) for part in parts)


def _check_shapes(checked: Checked, two: np.ndarray) -> None:
    """If no answer of a panel looks like anything served (ABB and 2, 417 and 2), the columns hold different things."""
    frame = checked.frame
    shapes: list[dict[str, set[str]]] = []
    for column in ("served", "answer"):
        seen: dict[str, set[str]] = {}
        for panel, word in combined(frame["panel"], frame[column])[1]:
            if panel is not None and word is not None:
                seen.setdefault(panel, set()).update(map(_shape, set().union(*_groups(word))))
        shapes.append(seen)
    served, answered = shapes
    panels = [panel for panel in served if panel in answered and not served[panel] & answered[panel]]
    both = frame["panel"].isin(panels) & frame["served"].notna() & frame["answer"].notna() & ~two
    words = (
        "answers such as {answer!r} can never equal {value!r}. Under served write the code or position of the right "
        "cup, as the answers do; the order of the cups belongs under order."
    )
    checked.report(both & ~frame["panel"].where(both).duplicated(), "served", words)


def _shape(cup: str) -> str:
    """What a cup's name looks like: one digit, several digits, or letters."""
    return re.sub(r"[^\W\d]+", "a", re.sub(r"\d", "9", re.sub(r"\d\d+", "99", cup)))


def _check_orders(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Serving orders have as many cups as the protocol, and in a triangle the cup picked agrees with ``correct``."""
    frame = checked.frame
    if "order" not in frame and "position" not in frame:
        return
    empty = pd.Series(pd.NA, index=frame.index, dtype="string")
    columns = [frame.get(column, empty) for column in ("order", "position")]
    places, rows = combined(codes, *columns, frame["correct"])
    orders, positions = {}, {}
    for i, (code, order, position, correct) in enumerate(rows):
        kind = kinds[code]
        if kind is None:
            continue
        cups = [c for c in re.split(r"[\W_]+", order or "") if c]
        cups = list(cups[0]) if len(cups) == 1 and cups[0].isalpha() else cups
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
