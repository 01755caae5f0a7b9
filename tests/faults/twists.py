"""The ways in which people and spreadsheets write a table, one a function.

A twist changes what is written, never what is meant. A plain twist leaves no doubt: the table must be read exactly. Any
other may be read as meant, refused, or read with a note that states the reading; its `words` are what such a note may
say in place of the value. A twist returns False where the case offers nothing to change.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from faults.cases import UNSURE, AnyOf, Case, Column, Rng, Row, pick
from faults.sheets import Cell, Percent, Sheet, serial, written


@dataclass(frozen=True)
class Twist:
    name: str
    apply: Callable[[Case, Rng], bool]
    plain: bool
    book: bool  # needs a workbook


TWISTS: dict[str, Twist] = {}
LEFT_OUT = r"left out|leav\w+ out|exclu|not counted|are counted|is counted|dropped|kept|ignored|skipped"


def twist(name: str, *, plain: bool = False, book: bool = False):
    def add(function: Callable[..., Any]) -> Callable[..., Any]:
        def apply(case: Case, rng: Rng) -> bool:
            if book and case.form["kind"] != "workbook":
                return False
            return function(case, rng) is not False

        TWISTS[name] = Twist(name, apply, plain, book)
        return function

    return add


def some(rng: Rng, rows: list[Row]) -> list[Row]:
    """One row, a few, or all."""
    size = pick(rng, (1, 1, max(1, len(rows) // 3), len(rows)))
    return [rows[i] for i in sorted(rng.permutation(len(rows))[:size])]


def real(case: Case) -> list[Row]:
    return [row for row in case.rows if row.fate == "row"]


def meant(case: Case) -> list[Row]:
    """The rows that are rows, those left out included."""
    return [row for row in case.rows if row.fate != "none"]


def untouched(case: Case, rows: list[Row], name: str) -> list[Row]:
    return [row for row in rows if (id(row), name) not in case.tags]


# --- plain: no doubt about what is meant ----------------------------------------------------------------------------


@twist("spaces around cells", plain=True)
def spaces(case: Case, rng: Rng):
    case.form["pad"] = pick(rng, (" ", "  ", "\u00a0"))


@twist("all cells quoted", plain=True)
def quoted(case: Case, rng: Rng):
    case.form["quoted"] = True


@twist("line ends", plain=True)
def line_ends(case: Case, rng: Rng):
    case.form["end"] = pick(rng, ("\r\n", "\r"))


@twist("encoding", plain=True)
def encoding(case: Case, rng: Rng):
    case.form["codec"] = pick(rng, ("utf-8-sig", "utf-16", "cp1252"))


@twist("separator", plain=True)
def separator(case: Case, rng: Rng):
    case.form["mark"] = pick(rng, (";", "\t", "|"))


@twist("decimal comma", plain=True)
def decimal_comma(case: Case, rng: Rng):
    columns = case.holding("number")
    if not columns or case.form.get("numbers"):
        return False
    case.form["numbers"] = True
    case.form["mark"] = pick(rng, (";", ";", "\t", "|"))
    for column in columns:
        for row in untouched(case, real(case), column.name):
            value = row.written[column.name]
            if isinstance(value, float) and value != int(value):
                case.put(row, column.name, f"{value:.15g}".replace(".", ","), "decimal comma", "decimal")
    return None


HEADERS = {
    "panel": ("Panel", "PANEL", " panel ", "Panel name", "panel_no", "Panel ID"),
    "protocol": ("Protocol", "Test", "test method", "Test_Type", "METHOD"),
    "tastings": ("Tastings", "n", "N", "Trials", "n trials", "answers", "Responses", "n_tastings"),
    "correct": ("Correct", "CORRECT", "right", "n correct", "Correct answers", "number-correct"),
    "date": ("Date", "DATE", "Test date", "day", "session_date"),
    "tasters": ("Tasters", "assessors", "People", "participants", "n tasters"),
    "false_alarms": ("False alarms", "false-alarms", "FALSE ALARMS", "falsealarms"),
    "taster": ("Taster", "Taster code", "assessor", "participant", "Panelist"),
    "served": ("Served", "right answer", "Correct_Answer", "odd cup"),
    "answer": ("Answer", "Response", "chosen", "picked"),
    "trial": ("Trial", "trial no", "Replicate", "rep"),
    "notes": ("Notes", "Comment", "remarks", "note"),
    "batch_pair": ("Batch pair", "batch-pair", "batches"),
    "blind": ("Blind", "blinding"),
    "planned": ("Planned", "planned n"),
    "weeks": ("Weeks", "weeks in bottle", "weeks (stored)"),
    "dose": ("Dose", "dose [mg/L]", "Dosis", "dose_mg"),
}


@twist("headers", plain=True)
def headers(case: Case, rng: Rng):
    for column in case.columns:
        names = HEADERS.get(column.name, (column.name.upper(), column.name.replace("_", " "), column.name.title()))
        if column.name == "correct" and case.kind == "tastings":
            names = ("Correct", "CORRECT", "right", "is correct")
        if column.header == column.name and rng.random() < 0.6:
            column.header = pick(rng, names)


@twist("blank lines and columns", plain=True)
def blanks(case: Case, rng: Rng):
    case.form["blank lines"] = int(rng.integers(1, 3))
    case.form["blank columns"] = int(rng.integers(0, 3))


@twist("whole numbers as 24.0", plain=True)
def floats(case: Case, rng: Rng):
    for column in case.holding("count"):
        if rng.random() < 0.6:
            for row in untouched(case, real(case), column.name):
                if row.written[column.name] is not None:
                    case.put(row, column.name, f"{row.written[column.name]}.0", "whole numbers as 24.0")


@twist("clear dates", plain=True)
def clear_dates(case: Case, rng: Rng):
    if not case.column("date"):
        return False
    form = pick(rng, ("%Y/%m/%d", "%d %B %Y", "%d-%b-%Y", "%B %d, %Y", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"))
    for row in untouched(case, real(case), "date"):
        day = row.written["date"]
        moment = dt.datetime(day.year, day.month, day.day, 18, 30)
        case.put(row, "date", moment.strftime(form), "clear dates")


@twist("yes and no", plain=True)
def yes_no(case: Case, rng: Rng):
    columns = case.holding("yes or no")
    if not columns:
        return False
    pair = pick(rng, (("yes", "no"), ("Yes", "No"), ("y", "n"), ("TRUE", "FALSE"), (1, 0), ("1", "0"), (True, False)))
    for row in untouched(case, real(case), columns[0].name):
        value = row.written[columns[0].name]
        if value is not None:
            case.put(row, columns[0].name, pair[0] if value else pair[1], "yes and no")


@twist("names of protocols", plain=True)
def protocol_names(case: Case, rng: Rng):
    for row in real(case):
        name = row.written["protocol"]
        case.put(row, "protocol", pick(rng, (name.title(), name.upper(), name.replace("-", " "), name)), "protocols")


@twist("empty cells", plain=True)
def empty_cells(case: Case, rng: Rng):
    names = ("date", "tasters", "batch_pair", "blind", "planned", "looks", "refused", "reported", "notes", "style")
    columns = [c for c in case.columns if c.name in names or c.holds == "number"]
    if not columns or case.kind == "tastings":
        return False
    for row in some(rng, real(case)):
        column = pick(rng, columns)
        if (id(row), column.name) not in case.tags:
            row.meant[column.name] = None
            case.put(row, column.name, pick(rng, ("", None, "NA", "n/a")), "empty cells")


@twist("no answer, left empty", plain=True)
def empty_answers(case: Case, rng: Rng):
    if case.kind == "panels":
        return False
    name = "correct" if case.column("correct") else "answer"
    for row in untouched(case, some(rng, real(case))[: len(case.rows) // 2], name):
        row.meant["correct"] = None
        case.put(row, name, pick(rng, ("", "refused", "no answer")), "no answer, left empty", "no answer|refused")


@twist("numbers in the notes", plain=True)
def notes(case: Case, rng: Rng):
    if not case.column("notes"):
        case.columns.append(Column("notes", "words"))
        for row in case.rows:
            row.written["notes"] = row.meant["notes"] = None
    for row in untouched(case, some(rng, real(case)), "notes"):
        row.meant["notes"] = pick(rng, ("0,5", "1,5 g too much", "50%", "3/4 full", "12 of 24 were late", "1.000"))
        case.put(row, "notes", row.meant["notes"], "numbers in the notes")


@twist("taster codes with zeros", plain=True)
def codes(case: Case, rng: Rng):
    if case.kind == "panels":
        return False
    if case.form.get("kind") == "workbook":
        return False
    for row in real(case):
        label = re.sub(r"\D", "", row.meant["taster"]).zfill(3)
        row.meant["taster"] = row.label = label
        case.put(row, "taster", label, "taster codes with zeros")


@twist("odd names of panels", plain=True)
def odd_names(case: Case, rng: Rng):
    counts = [row.meant.get("tastings") for row in meant(case)]
    known = [n if isinstance(n, int) else 0 for n in counts]
    sums = {sum(known[a:b]) for a in range(len(known)) for b in range(a + 2, len(known) + 1)} | {sum(known) / 2}
    if sums & set(known) - {0}:
        return False  # "Average Joe's" that adds some others up may be their total
    new = dict(
        zip(
            dict.fromkeys(row.meant["panel"] for row in meant(case)),
            rng.permutation(["Average Joe's", "=B2", "-20 °C", "1e3", "007", "A, B", "50%", "No", "nan bread"]),
            strict=False,
        )
    )
    for row in real(case):
        row.meant["panel"] = str(new.get(row.meant["panel"], row.meant["panel"]))
        row.label = row.meant["panel"] if case.kind == "panels" else row.label
        case.put(row, "panel", row.meant["panel"], "odd names of panels")


# --- numbers --------------------------------------------------------------------------------------------------------

MARKS = (
    (".", ","),
    (",", "."),
    (".", " "),
    (",", " "),
    (".", "'"),
    (",", "\u00a0"),
    (".", "\u202f"),
    (".", ""),
    (",", ""),
)


@twist("marks of thousands and decimals")
def number_marks(case: Case, rng: Rng):
    columns = [c for c in case.holding("number", "count") if rng.random() < 0.7]
    if not columns or case.form.get("numbers"):
        return False
    case.form["numbers"] = True
    decimal, thousands = pick(rng, MARKS)
    fixed = pick(rng, (None, None, 3))
    touched = False
    for column in columns:
        for row in untouched(case, some(rng, real(case)), column.name):
            value = row.written[column.name]
            if isinstance(value, bool) or not isinstance(value, int | float):
                continue
            plain = f"{value:,.{fixed}f}" if fixed else f"{value:,}"
            plain = plain.removesuffix(".0")
            new = plain.translate({ord(","): thousands, ord("."): decimal})
            if new != str(value):
                case.put(row, column.name, new, "marks of thousands and decimals", r"thousand|decimal")
                touched = True
    return touched


@twist("percent cells")
def percent_cells(case: Case, rng: Rng):
    columns = case.holding("number")
    if case.kind == "panels" and case.column("correct") and rng.random() < 0.4:
        for row in untouched(case, some(rng, real(case)), "correct"):
            share = 100 * row.true["correct"] / row.true["tastings"]
            new = Percent(round(share, int(rng.integers(0, 2))))
            case.put(row, "correct", new, "percent cells", r"percent|%|share")
        return None
    if not columns:
        return False
    column = pick(rng, columns)
    rows = untouched(case, some(rng, real(case)), column.name)
    whole = len(rows) == len(real(case))
    space = rng.random() < 0.5
    for row in rows:
        value = row.true.get(column.name)
        row.meant[column.name] = AnyOf((value, value / 100)) if whole else value
        case.put(row, column.name, Percent(value, space), "percent cells", r"percent|%|share")


@twist("units in cells")
def units(case: Case, rng: Rng):
    columns = case.holding("number")
    if not columns:
        return False
    column = pick(rng, columns)
    form = pick(rng, ("{} weeks", "{}w", "{} g/L", "{}°C", "{:g} mg", "€{}", "{} x"))
    for row in untouched(case, some(rng, real(case)), column.name):
        if isinstance(row.written[column.name], int | float):
            case.put(row, column.name, form.format(row.written[column.name]), "units in cells", "unit|word|text|level")


@twist("odd numbers")
def odd_numbers(case: Case, rng: Rng):
    columns = case.holding("number")
    if not columns:
        return False
    column = pick(rng, columns)
    odd = (
        "1e999",
        "3-4",
        "<1",
        "~3",
        ">10",
        "(5)",
        "½",
        "1½",
        "1/2",
        "3?",
        "٣",
        "inf",
        "0x1F",
        "1_000",
        "#DIV/0!",
        "--5",
    )
    for row in untouched(case, some(rng, real(case)), column.name):
        row.meant[column.name] = UNSURE
        case.put(row, column.name, pick(rng, odd), "odd numbers", "word|text|level")


@twist("unknown numbers")
def unknown_numbers(case: Case, rng: Rng):
    columns = [*case.holding("number"), *(c for c in case.columns if c.name in ("tasters", "planned", "refused"))]
    if not columns:
        return False
    column = pick(rng, columns)
    for row in untouched(case, some(rng, real(case))[: max(1, len(case.rows) - 1)], column.name):
        row.meant[column.name] = None
        mark = pick(rng, ("-", "–", "—", "?", ".", "x", "n.a.", "nil", "unknown", "tbd", "...", "none", "null", "#N/A"))
        case.put(row, column.name, mark, "unknown numbers", r"no value|empty|missing|unknown|word|text|level")


@twist("signs before counts")
def signs(case: Case, rng: Rng):
    columns = [c for c in case.holding("count") if c.name != "trial"]
    if case.kind == "tastings" and case.column("correct"):
        columns = case.holding("yes or no")
    if not columns:
        return False
    column = pick(rng, columns)
    form = pick(
        rng, ("-{}", "({})", "~{}", "{}?", "¬{}", "≈{}", "{}*", "c. {}", "<{}", ">{}", "≠{}", "{} (?)", "−{}", "!{}")
    )
    for row in untouched(case, some(rng, real(case)), column.name):
        value = row.written[column.name]
        if value is None:
            continue
        if isinstance(value, bool):
            value = pick(rng, ((1, 0), ("yes", "no")))[0 if value else 1]
        new = form.format(written(value))
        if new == "-0":
            continue
        row.meant[column.name] = UNSURE
        case.put(row, column.name, new, "signs before counts", "sign|unsure|about")


@twist("counts as parts")
def parts(case: Case, rng: Rng):
    if case.kind == "tastings" or not case.column("correct"):
        return False
    form = pick(rng, ("{}/{}", "{} of {}", "{} / {}", "{} out of {}"))
    for row in untouched(case, some(rng, real(case)), "correct"):
        case.put(row, "correct", form.format(row.true["correct"], row.true["tastings"]), "counts as parts")


# --- text written by hand -------------------------------------------------------------------------------------------


@twist("lone quotation marks")
def lone_quotes(case: Case, rng: Rng):
    if case.form["kind"] != "text" or case.form.get("quoted"):
        return False
    if not case.column("notes"):
        case.columns.append(Column("notes", "words"))
        for row in case.rows:
            row.written["notes"] = row.meant["notes"] = None
    case.form["bare"] = True
    for row in untouched(case, some(rng, real(case)), "notes"):
        row.meant["notes"] = pick(rng, ('5" glass', '"flat', 'said "flat"', 'flat"', '"flat" they said', "'flat"))
        case.put(row, "notes", row.meant["notes"], "lone quotation marks", "quot|line")


@twist("separators left unquoted")
def unquoted(case: Case, rng: Rng):
    columns = case.holding("number", "words")
    if case.form["kind"] != "text" or not columns or case.form.get("quoted"):
        return False
    case.form["bare"] = True
    mark = case.form.setdefault("mark", ",")
    column = pick(rng, columns)
    for row in untouched(case, some(rng, real(case)), column.name):
        value = row.true.get(column.name)
        if isinstance(value, int | float):
            case.put(row, column.name, str(float(value)).replace(".", mark), "separators left unquoted")
        elif value:
            row.meant[column.name] = f"{value}{mark} late"
            case.put(row, column.name, row.meant[column.name], "separators left unquoted")


# --- headers --------------------------------------------------------------------------------------------------------


@twist("headers of shares")
def share_header(case: Case, rng: Rng):
    column = case.column("correct")
    if case.kind == "tastings" or column is None or column.header != "correct":
        return False
    if len(untouched(case, case.rows, "correct")) < len(case.rows):
        return False
    header = pick(
        rng,
        ("% correct", "correct (%)", "correct %", "% right", "percent correct", "correct [%]", "correct_pct", "%correct",
         "Correct in %", "share correct", "proportion correct", "correct (share)", "correct rate", "pct right"),
    )  # fmt: skip
    digits = int(rng.integers(0, 2))
    for row in meant(case):
        share = row.true["correct"] / row.true["tastings"]
        percent = "%" in header or "pct" in header or "percent" in header
        value = round(100 * share, digits) if percent else round(share, 2)
        case.put(row, "correct", int(value) if value == int(value) else value, "headers of shares", "percent|%|share")
    column.header = header


@twist("a share beside the count")
def share_beside(case: Case, rng: Rng):
    if case.kind == "tastings" or not case.column("correct") or case.column("share"):
        return False
    header = pick(rng, ("% correct", "correct (%)", "correct %", "% right", "p correct", "share correct"))
    case.columns.insert(int(rng.integers(2, len(case.columns) + 1)), Column("share", "extra", header))
    for row in meant(case):
        row.written["share"] = round(100 * row.true["correct"] / row.true["tastings"], 1)


@twist("headers of another meaning")
def negated_header(case: Case, rng: Rng):
    column = case.column("correct")
    if column is None or column.header != "correct" or len(untouched(case, case.rows, "correct")) < len(case.rows):
        return False
    column.header = pick(rng, ("≠correct", "not correct", "wrong", "incorrect", "¬correct", "!correct", "in-correct", "correct?not",
                               "non correct", "~correct", "-correct"))  # fmt: skip
    for row in meant(case):
        value = row.true["correct"]
        if value is not None:
            new = (not value) if case.kind == "tastings" else row.true["tastings"] - value
            case.put(row, "correct", new, "headers of another meaning", r"wrong|incorrect|not correct")


@twist("headers with marks")
def marked_header(case: Case, rng: Rng):
    columns = [
        c for c in case.columns if c.header == c.name and c.name in ("tastings", "correct", "tasters", "panel", "date")
    ]
    if not columns:
        return False
    column = pick(rng, columns)
    forms = ["{}?", "{}*", "{}:", "*{}*", "{}.", '"{}"', "({})"]
    if column.holds == "count":
        forms += ["{} (n)", "{} [n]", "#{}", "no. {}", "{} (count)", "n({})", "n of {}"]
    column.header = pick(rng, forms).format(column.name)
    case.headers[column.name] = "headers with marks", r"misspelt|not read as|header"


@twist("counts in percent of another column")
def percent_tastings(case: Case, rng: Rng):
    column = case.column("tastings")
    if column is None or column.header != "tastings" or len(untouched(case, case.rows, "tastings")) < len(case.rows):
        return False
    column.header = pick(rng, ("tastings (%)", "% tastings", "tastings %", "answers %"))
    for row in meant(case):
        served = row.true["tastings"] + int(rng.integers(1, 6))
        case.put(row, "tastings", round(100 * row.true["tastings"] / served), "counts in percent", "percent|%")


# --- rows that are none ---------------------------------------------------------------------------------------------


@twist("total rows")
def totals(case: Case, rng: Rng):
    if case.kind == "tastings" or not case.column("correct"):
        return False
    word = pick(rng, ("Total", "TOTAL", "Sum", "Mean", "Average", "Total:", "Grand total", "Σ", "All", "Totals", "Subtotal",
                      "Gesamt", "Summe", "all panels", "Overall", "Ø", "Pooled", "avg"))  # fmt: skip
    rows = real(case)
    mean = word.lower() in ("mean", "average", "ø", "avg")
    row = Row(
        {c.name: None for c in case.columns}, fate="none", label=word, why="total rows", words=LEFT_OUT + "|total"
    )
    row.written["panel"] = word
    row.written["protocol"] = pick(rng, (rows[0].meant["protocol"], rows[0].meant["protocol"], None, "", "-", "all"))
    for column in case.holding("count"):
        values = [r.meant[column.name] for r in rows if isinstance(r.meant.get(column.name), int)]
        total = sum(values)
        row.written[column.name] = round(total / max(len(values), 1)) if mean else total
    case.rows.insert(pick(rng, (len(case.rows), len(case.rows), 0)), row)


@twist("lines around the table")
def remarks(case: Case, rng: Rng):
    if case.form["kind"] == "frame":
        return False
    words = (
        "Our panels 2025",
        "# made by Kim",
        "Source: kitchen notebook",
        "* one cup was spilled",
        "as of 3 May",
        "Notes:",
    )
    line: list[Any] = [pick(rng, words)]
    if rng.random() < 0.5:
        line += [None] * (len(case.columns) - 1)
    if rng.random() < 0.5:
        case.above.append(line)
        if rng.random() < 0.5:
            case.above.append([None] * len(line))
    else:
        case.below.append(line)
        case.needed.append(("lines around the table", re.escape(str(line[0])[:12]) + r"|line|row \d+"))


@twist("a line of units or subtitles")
def unit_line(case: Case, rng: Rng):
    row = Row({c.name: pick(rng, ("", "n", "-", "(n)", "text")) for c in case.columns}, fate="none", label="row 2")
    row.why, row.words = "a line of units or subtitles", LEFT_OUT
    for column in case.holding("number"):
        row.written[column.name] = "(g/L)"
    if not any(row.written.values()):  # a blank line says no units
        row.written["panel"] = "text"
    case.rows.insert(0, row)


@twist("the header again")
def header_again(case: Case, rng: Rng):
    row = Row({c.name: c.header for c in case.columns}, fate="none", why="the header again")
    row.label = next(c.header for c in case.columns if c.name == "panel")
    row.words = LEFT_OUT + "|header"
    case.rows.insert(int(rng.integers(1, len(case.rows) + 1)), row)


# --- left out by the writer -----------------------------------------------------------------------------------------


@twist("rows left out")
def left_out(case: Case, rng: Rng):
    rows = real(case)
    if len(rows) < 3 or case.column("out"):
        return False
    header, bad, good = pick(
        rng,
        (
            ("left_out", ("cold", "yes", "x", "spilled", "1"), ("", "", "no")),
            ("left out", ("cold", "late", "True"), ("",)),
            ("exclude", ("yes", "1", "x", "TRUE"), ("", "no", "0")),
            ("excluded", ("yes", "ill", "x"), ("", "no")),
            ("incident", ("left out: cold", "exclude", "spilled, do not count", "excluded"), ("",)),
            ("status", ("excluded", "invalid", "dropped", "left out"), ("ok", "valid")),
            ("include", ("no", "0", "FALSE"), ("yes", "1")),
            ("counted", ("no",), ("yes",)),
            ("valid", ("no", "n", "0"), ("yes",)),
            ("notes", ("left out: cold", "excluded, cold", "do not count", "exclude"), ("",)),
        ),
    )
    name = "notes" if header == "notes" else "out"
    calm = pick(rng, good)
    if not case.column(name):
        case.columns.append(Column(name, "extra", header))
        for row in case.rows:
            row.written[name] = calm
    bad_rows = some(rng, rows)[: max(1, len(rows) // 2)]
    word = pick(rng, bad)
    for row in bad_rows:
        row.fate, row.why, row.words = "out", "rows left out", LEFT_OUT
        case.put(row, name, word, "rows left out", LEFT_OUT)
        if name == "notes":
            row.meant["notes"] = word


# --- dates ----------------------------------------------------------------------------------------------------------


@twist("dates to guess")
def dates(case: Case, rng: Rng):
    if not case.column("date"):
        return False
    form = pick(rng, ("%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%d/%m/%y", "%m/%d/%y", "%d.%m.%y", "%d-%m-%Y", "%y-%m-%d", "%Y%m%d",
                      "%b %y", "%B %Y", "%Y", "%d %b", "%G-W%V-%u", "%G-W%V", "%j/%Y", "%H:%M", "%A", "serial", "epoch",
                      "ms", "%d. %B %Y",  "%d %b %y", "%a %d %b %Y", "%Y-%m-%dT23:30-05:00", "Q%m %Y"))  # fmt: skip
    vague = {"%b %y", "%B %Y", "%Y", "%d %b", "%G-W%V", "%H:%M", "%A", "Q%m %Y"}
    for row in untouched(case, some(rng, real(case)), "date"):
        day = row.true["date"]
        row.meant["date"] = day
        moment = dt.datetime(day.year, day.month, day.day, 18, 30)
        new: Any = moment.strftime(form)
        if form == "serial":
            new = int(serial(day))
        elif form == "epoch":
            new = int((moment - dt.datetime(1970, 1, 1)).total_seconds())
        elif form == "ms":
            new = int((moment - dt.datetime(1970, 1, 1)).total_seconds()) * 1000
        elif "%m" in form and form.startswith("%d") and rng.random() < 0.3:
            new = new.lstrip("0").replace("/0", "/").replace(".0", ".")
        if form in vague:
            row.meant["date"] = UNSURE
        case.put(row, "date", new, "dates to guess", r"day first|month first|serial|as the date|year")


# --- yes, no and no answer ------------------------------------------------------------------------------------------


@twist("other words for yes and no")
def other_yes(case: Case, rng: Rng):
    columns = case.holding("yes or no")
    if not columns:
        return False
    pair = pick(rng, (("ja", "nein"), ("oui", "non"), ("✓", "✗"), ("+", "-"), ("-1", "0"), ("t", "f"), ("on", "off"), ("x", ""),
                      ("x", "-"), ("✓", ""), ("2", "1"), ("yes?", "no?"), ("Y*", "N*"), ("sí", "no"), (1.0, 0.0), ("100%", "0%"),
                      ("hit", "miss"), ("R", "W"), ("c", "i"), ("J", "N"), ("ok", "ko")))  # fmt: skip
    rows = untouched(case, real(case), columns[0].name)
    if not pair[1] and not any(row.true[columns[0].name] for row in rows):
        return False  # nothing would be written at all
    for row in rows:
        value = row.true[columns[0].name]
        if pair in (("2", "1"), ("yes?", "no?"), ("Y*", "N*")):
            row.meant[columns[0].name] = UNSURE
        case.put(
            row, columns[0].name, pair[0] if value else pair[1], "other words for yes and no", "yes|correct|wrong|right"
        )


NO_ANSWER = ("-", "–", "—", "?", ".", "x", "nil", "unknown", "nan", "null", "skip", "spilled", "dropped", "n/a", "N/A", "na",
             "none", "missing", "declined", "??", "...", "--", "did not answer", "left", "ill", "X", "/", "*", "#N/A", "dnf",
             "absent", "no", "0", "don't know", "pass", "tie", "both")  # fmt: skip


@twist("marks of no answer")
def no_answer(case: Case, rng: Rng):
    if case.kind == "panels":
        return False
    name = "correct" if case.column("correct") else "answer"
    marks = [m for m in NO_ANSWER if not (name == "correct" and m in ("no", "0", "left", "x", "X", "ill"))]
    mark = pick(rng, marks)
    for row in untouched(case, some(rng, real(case))[: max(1, len(case.rows) // 2)], name):
        row.meant["correct"] = None
        case.put(row, name, mark, "marks of no answer", r"no answer|without an answer|refus|wrong")


@twist("impossible answers")
def impossible(case: Case, rng: Rng):
    if case.kind == "panels" or case.column("correct"):
        return False
    for row in untouched(case, some(rng, real(case))[: max(1, len(case.rows) // 2)], "answer"):
        if row.meant["way"] == "position":
            new = pick(
                rng, ("0", "5", "9", "12", "1.5", "-1", "1,2", "1/2", "1+2", "1?", "4", "1 or 2", "first?", "¬1", "(2)")
            )
        elif row.meant["way"] == "group":
            new = pick(rng, ("1+5", "1", "1+1", "1+2+3", "0+1", "5+6", "1+2?", "1-2", "7"))
        elif row.meant["way"] == "two counts":
            new = pick(rng, ("A?", "C", "1", "0", "maybe", "A or not", "yes", "AB", "different?", "2"))
        else:
            new = pick(rng, (f"{row.written['served']}?", f"-{row.written['served']}", f"~{row.written['served']}", "1+2",
                             f"{row.written['served']} or 111", f"¬{row.written['served']}", f"({row.written['served']})"))  # fmt: skip
        row.meant["correct"] = UNSURE
        case.put(row, "answer", new, "impossible answers", r"no answer|impossible|cannot|wrong")


@twist("a tray under served")
def tray(case: Case, rng: Rng):
    if case.kind == "panels" or case.column("correct"):
        return False
    rows = [r for r in real(case) if r.meant["way"] in ("position", "code")]
    if not rows:
        return False
    mark = pick(rng, "/|,+-. ;")
    for row in untouched(case, some(rng, rows), "served"):
        if (id(row), "answer") in case.tags:
            continue
        if row.meant["way"] == "code":
            codes = {str(row.written["served"]), str(row.written["answer"]), "777"}
            new = mark.join(sorted(codes))
        else:
            new = mark.join(pick(rng, ("ABB", "BAB", "BBA", "123")))
            case.put(row, "answer", pick(rng, ("A", "B", "1", "2", "3")), "a tray under served", "tray|cups|order")
        row.meant["correct"] = UNSURE
        case.tags[id(row), "correct"] = "a tray under served", r"tray|cups|order"
        case.put(row, "served", new, "a tray under served", r"tray|cups|order")


@twist("codes changed by a spreadsheet")
def changed_codes(case: Case, rng: Rng):
    if case.kind == "panels" or case.column("correct"):
        return False
    rows = [r for r in real(case) if r.meant["way"] == "code" and r.meant["correct"] is not UNSURE]
    if not rows:
        return False
    change = pick(rng, (lambda c: f"{int(c)}.0", lambda c: str(int(c)), lambda c: int(c), lambda c: float(c),
                        lambda c: f"'{c}", lambda c: f"{int(c)},0", lambda c: f"{c} ", lambda c: f"#{c}", lambda c: f"{c[0]} {c[1:]}"))  # fmt: skip
    name = pick(rng, ("served", "answer"))
    for row in untouched(case, some(rng, rows), name):
        value = row.written[name]
        if isinstance(value, str) and value.isdigit():
            case.put(row, name, change(value), "codes changed by a spreadsheet", "code|zero")
            case.tags.setdefault((id(row), "correct"), ("codes changed by a spreadsheet", "code|zero"))


@twist("other words for not A")
def not_a(case: Case, rng: Rng):
    if case.kind == "panels":
        return False
    rows = [r for r in real(case) if r.meant["way"] == "two counts"]
    if not rows:
        return False
    words = pick(rng, (("A", "¬A"), ("A", "~A"), ("A", "-A"), ("A", "!A"), ("A", "A'"), ("A", "Ā"), ("A", "non-A"), ("A", "B"), ("A", "≠A"),
                       ("a", "NOT A"), ("A", "not-A"), ("A", "notA"), ("A", "nicht A"), ("A", "not  A"), ("A", "(A)")))  # fmt: skip
    pairs = pick(rng, (("≠", "="), ("diff", "same"), ("Different", "Same"), ("not same", "same"), ("different", "≠different"),
                       ("D", "S"), ("different", "not different"), ("yes", "no"), ("¬same", "same"), ("AB", "AA")))  # fmt: skip
    for row in rows:
        for name in ("served", "answer"):
            if (id(row), name) not in case.tags:
                pair = words if row.meant["protocol"] == "A-not-A" else pairs
                first = row.written[name] in ("A", "different")
                case.put(row, name, pair[0 if first else 1], "other words for not A", "not A|different|sign")


# --- workbooks ------------------------------------------------------------------------------------------------------


@twist("numbers as text in a workbook", plain=True, book=True)
def text_numbers(case: Case, rng: Rng):
    for column in case.holding("count", "number"):
        for row in untouched(case, some(rng, real(case)), column.name):
            if row.written[column.name] is not None:
                case.put(row, column.name, str(row.written[column.name]), "numbers as text in a workbook")


@twist("dates as text in a workbook", plain=True, book=True)
def text_dates(case: Case, rng: Rng):
    if not case.column("date"):
        return False
    for row in untouched(case, some(rng, real(case)), "date"):
        if row.written["date"] is not None:
            case.put(row, "date", str(row.written["date"]), "dates as text in a workbook")


@twist("formulas with stored values", plain=True, book=True)
def formulas(case: Case, rng: Rng):
    for row in untouched(case, some(rng, real(case)), "correct"):
        value = row.written.get("correct")
        if isinstance(value, int) and not isinstance(value, bool):
            case.put(row, "correct", Cell(value, formula=f"SUM({value},0)"), "formulas with stored values")


@twist("the calendar from 1904", plain=True, book=True)
def calendar(case: Case, rng: Rng):
    case.form["1904"] = True


@twist("number formats", plain=True, book=True)
def formats(case: Case, rng: Rng):
    for column in case.holding("number"):
        form = pick(rng, ("weeks", "thousands", "general"))
        for row in untouched(case, real(case), column.name):
            if row.written[column.name] is not None:
                case.put(row, column.name, Cell(row.written[column.name], form), "number formats")
    if case.column("date"):
        form = pick(rng, ("long day", "day and time", "day"))
        for row in untouched(case, real(case), "date"):
            if row.written["date"] is not None:
                case.put(row, "date", Cell(row.written["date"], form), "number formats")


@twist("hidden rows", book=True)
def hidden(case: Case, rng: Rng):
    if len(case.rows) < 3:
        return False
    for row in some(rng, real(case))[: max(1, len(case.rows) // 2)]:
        row.hidden, row.fate, row.why, row.words = True, "out", "hidden rows", "hidden|filter"
    if rng.random() < 0.5:
        case.form["filtered"] = True
    case.needed.append(("hidden rows", "hidden|filter"))


@twist("struck-out rows", book=True)
def struck(case: Case, rng: Rng):
    if len(case.rows) < 3:
        return False
    for row in some(rng, real(case))[: max(1, len(case.rows) // 2)]:
        row.struck, row.fate, row.why, row.words = True, "out", "struck-out rows", "struck|strike|crossed"
    case.needed.append(("struck-out rows", "struck|strike|crossed"))


@twist("hidden columns", book=True)
def hidden_columns(case: Case, rng: Rng):
    case.form["hidden columns"] = {int(rng.integers(1, len(case.columns) + 1))}


@twist("merged cells", book=True)
def merged(case: Case, rng: Rng):
    rows = case.rows
    if case.kind == "panels" or case.above:
        return False
    groups: dict[str, list[int]] = {}
    for i, row in enumerate(rows):
        if row.fate != "row":
            return False
        groups.setdefault(str(row.meant["panel"]), []).append(i)
    at = next(i for i, c in enumerate(case.columns) if c.name == "panel")
    case.form["merged panels"] = [(at, group[0], group[-1]) for group in groups.values() if len(group) > 1]
    for group in groups.values():
        for i in group[1:]:
            case.put(rows[i], "panel", None, "merged cells", "merged|empty")


@twist("several sheets", book=True)
def sheets(case: Case, rng: Rng):
    other = Sheet([["to do"], ["buy cups"]], name="Plan")
    case.form["sheets before"] = []
    case.form["sheets after"] = []
    where = pick(rng, ("after", "before", "hidden before"))
    if where == "hidden before":
        other.state = "hidden"
    if where == "after" and rng.random() < 0.5:
        other = Sheet([["panel", "protocol", "tastings", "correct"], ["Z", "triangle", 20, 11]], name="Old")
    case.form["sheets after" if where == "after" else "sheets before"].append(other)
    case.needed.append(("several sheets", r"sheet|tab|Plan|Old"))


@twist("error cells", book=True)
def errors(case: Case, rng: Rng):
    columns = [*case.holding("number"), *(c for c in case.columns if c.name in ("tasters", "refused", "date"))]
    if not columns:
        return False
    column = pick(rng, columns)
    for row in untouched(case, some(rng, real(case)), column.name):
        row.meant[column.name] = UNSURE
        case.put(row, column.name, pick(rng, ("#DIV/0!", "#REF!", "#VALUE!")), "error cells", "error|#")
