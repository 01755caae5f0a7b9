"""The rules between the columns of the two tables.

`PANEL_RULES` lists what must be true of a panel's counts: to add a rule, add a line. `check_panels` and
`check_tastings` take a table whose cells have been read and gather everything that must be put right; nothing is
changed but protocols (to their own names) and derived answers.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, protocol
from metasense.showing.words import count, listing
from metasense.tables.cells import NO_ANSWER, Wrong, as_shown, plain, worded
from metasense.tables.checked import Checked, all_digits, column_of, combined, distinct
from metasense.tables.columns import FORCED, PANEL, TASTING, TWO_COUNTS, one_row_a_tasting
from metasense.tables.cups import check_cups, check_orders, is_right, understood
from metasense.tables.exclusion import INCIDENTS
from metasense.tables.headers import Column, no_column
from metasense.tables.languages import is_nobody, of_languages, protocol_called
from metasense.tables.shares import Shares, check_incorrect
from metasense.tables.sheets import PanelsError, is_empty
from metasense.tables.totals import are_totals, refuse_rows, refuse_totals


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


def check_panels(checked: Checked, *, typed: bool = True) -> None:
    """Check a table of panels against everything above; raises one PanelsError, or leaves notes.

    Rows that look like totals are refused only where somebody `typed` the table: of a part of one they tell nothing.
    """
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    two = np.array([isinstance(kind, TwoCountProtocol) for kind in kinds], bool)[codes]
    forced = np.array([isinstance(kind, Protocol) for kind in kinds], bool)[codes]
    if one_row_a_tasting(checked.sheet.headers):
        words = (
            "this looks like one row a tasting. Read it with read_tastings(...).to_panels(). If a row is a panel, add "
            "how many answers it has, under 'tastings'."
        )
        raise PanelsError(words, checked.sheet.source)  # all else would be about columns it need not have
    if typed:
        refuse_totals(checked)
    shares = Shares(checked)
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
    check_incorrect(checked)
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
            if (called := protocol_called(given)) is not None:
                kinds[i] = protocol(called[0])
                tongues = of_languages(called[1])
                checked.notes.append(f"the protocol {given!r} was read as {called[0]!r} ({tongues}).")
                continue
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
            checked.lacking(mask, column.name, f"Write {column.meaning}.")
        elif mask.any() and not column.required and column.name not in checked.almost:
            checked.add(-1, no_column(checked, column, why))


def check_tastings(checked: Checked) -> None:
    """Check a table of tastings and fill in ``correct``; raises one PanelsError, or leaves notes."""
    codes, kinds = _checked_protocols(checked)
    frame = checked.frame
    if "taster" not in checked.heads and {"tastings", "n"} & set(map(plain, checked.extras)):
        checked.add(-1, "this looks like one row a panel. Read it with read_panels.")
    for column in ("panel", "taster"):
        if column in frame:
            refuse_rows(checked, are_totals(frame[column])[0], column)
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
    check_orders(checked, codes, kinds)
    checked.raise_any("Write one row a tasting")
    checked.notes += _remarks(checked.frame)


def _remarks(frame: pd.DataFrame) -> Iterator[str]:
    names = pd.Series(frame["taster"].unique())
    alike = names[:0] if all_digits(names.tolist()) else names[names.str.casefold().duplicated(keep=False)]
    if len(alike):
        yield f"tasters whose names differ only in capitals are different people: {listing(alike, 8)}."
    silent = frame["correct"].isna()
    if silent.any():
        each = frame["panel"][silent].value_counts(sort=False)
        where = listing([f"{n} in {panel}" for panel, n in each.items() if n], 8)
        as_ = "a tasting" if silent.sum() == 1 else "tastings"
        yield f"no answer (refused or missing), and so not counted as {as_}: {where}."
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
        said = np.array([not is_empty(cell) for cell in checked.sheet.columns[checked.place["answer"]]], bool)
        none_but = "the answer says that there was none, and correct is {correct}. Clear one of them."
        checked.report(said & ~answered & given.notna().to_numpy(bool), "answer", none_but)
        if "correct" in checked.place:
            _refuse_none_beside(checked, answered & given.isna().to_numpy(bool))
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
                        understood(kind, word, column)
                except Wrong as error:
                    wrong[column][i] = error.sentence
            if served is None or answer is None or i in wrong["served"] or i in wrong["answer"]:
                continue
            try:
                verdicts[i] = is_right(kind, served, answer)
            except Wrong as error:
                wrong["answer"][i] = error.sentence
        for column, messages in wrong.items():
            checked.report_each(places, messages, column)
        check_cups(checked, codes, kinds, two)
        derived = column_of(places, verdicts, "boolean")
        words = "correct is {value} but served is {served!r} and answer {answer!r}. Correct one of them."
        checked.report(given != derived, "correct", words)
        given = given.fillna(derived)
    frame["correct"] = given
    _refuse_absent_beside(checked)
    at = [c for c in TASTING if c in frame]
    checked.frame = frame[[*at, *(c for c in frame.columns if c not in TASTING)]]


def _refuse_none_beside(checked: Checked, answered: np.ndarray) -> None:
    """Refuse rows that have an answer, and say under ``correct`` that there was none."""
    places, cells = distinct(checked.sheet.columns[checked.place["correct"]])
    messages = {
        i: f"correct says that there was no answer ({as_shown(cell)!r}), and there is one. Clear one of them."
        for i, cell in enumerate(cells)
        if isinstance(cell, str) and worded(cell) in NO_ANSWER
    }
    checked.report_each(np.where(answered, places, -1), messages, "correct")


def _refuse_absent_beside(checked: Checked) -> None:
    """Refuse rows that have an answer, and an incident that says that nobody sat there."""
    answered = checked.frame["correct"].notna().to_numpy(bool)
    for header, column in zip(checked.sheet.headers, checked.sheet.columns, strict=True):
        if plain(header) in INCIDENTS:
            places, cells = distinct(column)
            messages = {
                i: f"there is an answer though the incident is {as_shown(cell)!r}. Correct one of them."
                for i, cell in enumerate(cells)
                if is_nobody(cell)
            }
            checked.report_each(np.where(answered, places, -1), messages, header)
