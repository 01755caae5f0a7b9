"""Good tables damaged in the ways in which people keep them; is each read right, refused for the right reason, or mended?

A `Messy` table keeps its truth. It is written as a text or a workbook, read at the door, and mended into a copy that is
read again. It ends in one of these ways: *read* as meant without a word; *noted*: read as meant, or otherwise with a
note that states the reading; *mended*: refused, and the copy says what was meant; *refused*, for a reason that names the
damage, before and after mending. Anything else is a *fault*: read or mended into something else without a word, refused
for a reason that does not name the damage, the original touched, another exception.

    python tests/faults/messy_tables.py                        # 200 tables and the shares of each ending
    python tests/faults/messy_tables.py --seed 3 --case 17     # one again: what was written, meant and read
"""

from __future__ import annotations

import argparse
import datetime as dt
import re
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[1])] if __name__ == "__main__" else []

from faults.cases import Rng, pick  # noqa: E402 - found once the path is set
from faults.sheets import Cell, Sheet, letters, text, workbook, written  # noqa: E402

import metasense as ms  # noqa: E402

SEED = 20260101
NAMES = ("Kelter", "Märzfest", "Gilde", "Hof 7", "Keller", "Oct. round", "Café", "Sumac", "Team B", "Åre", "Nr 4 room")
TESTS = ("triangle", "duo-trio", "2-AFC", "tetrad", "two-out-of-five")
ABROAD = {  # column -> the same in German, French, Spanish, Italian, Portuguese
    "panel": ("Panel", "Panel", "Panel", "Panel", "Painel"),
    "protocol": ("Verfahren", "Méthode", "Tipo de prueba", "Metodo", "Método"),
    "tastings": ("Anzahl Antworten", "Nombre de réponses", "Respuestas", "Risposte", "Respostas"),
    "correct": ("Richtige Antworten", "Bonnes réponses", "Aciertos", "Risposte esatte", "Acertos"),
    "tasters": ("Verkoster", "Dégustateurs", "Catadores", "Assaggiatori", "Provadores"),
    "taster": ("Verkoster", "Dégustateur", "Catador", "Assaggiatore", "Provador"),
    "date": ("Datum", "Jour", "Fecha", "Giorno", "Data do teste"),
    "answer": ("Antwort", "Réponse", "Respuesta", "Risposta", "Resposta"),
    "served": ("Richtige Antwort", "Bonne réponse", "Respuesta correcta", "Risposta esatta", "Resposta certa"),
    "is_correct": ("richtig", "juste", "correcto", "corretto", "correto"),
    "notes": ("Bemerkungen", "Remarques", "Observaciones", "Osservazioni", "Observações"),
}
PROTOCOLS = {
    "triangle": ("Dreieckstest", "Essai triangulaire", "Prueba triangular", "Prova triangolare", "Teste triangular"),
    "duo-trio": ("Duo-Trio-Prüfung", "Essai duo-trio", "Prueba dúo-trío", "Prova duo-trio", "Teste duo-trio"),
    "2-AFC": ("Paarvergleich", "Comparaison par paires", "Comparación pareada", "Confronto a coppie", "Comparação pareada"),
    "tetrad": ("Tetradentest", "Test tétrade", "Prueba tétrada", "Prova tetrade", "Teste tétrade"),
    "two-out-of-five": ("Zwei aus fünf", "Deux sur cinq", "Dos de cinco", "Due su cinque", "Dois de cinco"),
}  # fmt: skip
YES_NO = (("ja", "nein"), ("oui", "non"), ("sí", "no"), ("sì", "no"), ("sim", "não"))


@dataclass
class Messy:
    """A table as it is written, and what it means."""

    kind: str  # "panels" or "tastings"
    names: list[str]  # of the columns, as we call them
    heads: list[Any]
    rows: list[list[Any]]
    truth: list[dict[str, Any]]
    book: bool = False
    above: list[list[Any]] = field(default_factory=list)
    below: list[list[Any]] = field(default_factory=list)
    sheet: dict[str, Any] = field(default_factory=dict)  # what only a workbook has, in rows of the file
    sheets: list[Sheet] = field(default_factory=list)  # in front
    mark: str = ","
    turned: bool = False
    ragged: bool = False  # rows of a text end where their cells do
    damages: list[str] = field(default_factory=list)
    reasons: list[str] = field(default_factory=list)  # what a refusal may say
    doubts: list[str] = field(default_factory=list)  # what a note must say where a row may not be meant to count

    def at(self, name: str) -> int | None:
        return self.names.index(name) if name in self.names else None

    def grid(self) -> list[list[Any]]:
        rows = [*self.above, self.heads, *self.rows, *self.below]
        width = 0 if self.ragged else max(map(len, rows))
        rows = [[*row, *[None] * (width - len(row))] for row in rows]
        return [list(column) for column in zip(*rows, strict=True)] if self.turned else rows

    def written(self) -> tuple[bytes, str]:
        """The file, and the ending of its name."""
        if not self.book:
            return text(self.grid(), mark=self.mark).encode(), ".csv"
        sheet = Sheet(self.grid(), name="Panels", **self.sheet)
        return workbook([*self.sheets, sheet]), ".xlsx"


@dataclass(frozen=True)
class Damage:
    name: str
    do: Callable[[Messy, Rng], bool | None]
    reason: str


DAMAGES: dict[str, Damage] = {}


def damage(name: str, reason: str = r"(?!)"):
    """Register a damage; `reason` says by which words a refusal names it (none, where it must be read or mended)."""

    def add(function: Callable[[Messy, Rng], bool | None]) -> Callable[..., Any]:
        DAMAGES[name] = Damage(name, function, reason)
        return function

    return add


# --- good tables ----------------------------------------------------------------------------------------------------


def panels(rng: Rng) -> Messy:
    size = int(rng.integers(4, 9))
    names = ["panel", "protocol", "tastings", "correct"]
    names += [name for name in ("date", "tasters", "weeks", "style") if rng.random() < 0.5]
    if rng.random() < 0.3:
        names.append("notes")
    truth = []
    for i in rng.permutation(len(NAMES))[:size]:
        n = int(rng.integers(14, 49))
        row = {"panel": NAMES[i], "protocol": pick(rng, TESTS[:3]), "tastings": n, "correct": int(rng.integers(4, n))}
        row |= {"date": dt.date(2025, int(rng.integers(1, 13)), int(rng.integers(1, 29))), "tasters": n}
        row |= {"weeks": pick(rng, (0.5, 1.5, 4.0, 12.25)), "style": pick(rng, ("dry", "sweet"))}
        row |= {"notes": pick(rng, (None, "new room", "served at 12 degrees"))}
        truth.append({name: row[name] for name in names})
    return _of(rng, "panels", names, truth)


def tastings(rng: Rng) -> Messy:
    coded = rng.random() < 0.5
    names = ["panel", "protocol", "taster", *(("served", "answer") if coded else ("correct",))]
    names += ["weeks"] if rng.random() < 0.4 else []
    truth = []
    for i in rng.permutation(len(NAMES))[: int(rng.integers(2, 4))]:
        test = pick(rng, ("triangle", "duo-trio"))
        weeks = pick(rng, (0.5, 4.0, 12.25))
        for person in range(int(rng.integers(5, 9))):
            codes = [str(code) for code in rng.choice(np.arange(101, 999), 2, replace=False)]
            right = bool(rng.random() < 0.5)
            row = {"panel": NAMES[i], "protocol": test, "taster": f"T{person + 1:02d}", "served": codes[0]}
            row |= {"answer": codes[0] if right else codes[1], "correct": right, "weeks": weeks}
            truth.append({name: row[name] for name in [*names, "correct"]})
    return _of(rng, "tastings", names, truth)


def _of(rng: Rng, kind: str, names: list[str], truth: list[dict[str, Any]]) -> Messy:
    rows = [[row[name] for name in names] for row in truth]
    rows = [[("yes" if v else "no") if isinstance(v, bool) else v for v in row] for row in rows]
    return Messy(kind, list(names), list(names), rows, truth, book=bool(rng.random() < 0.55))


# --- cells ----------------------------------------------------------------------------------------------------------


def every(messy: Messy, name: str, change: Callable[[Any], Any]) -> bool:
    """Change all cells of a column that hold something."""
    j = messy.at(name)
    if j is None:
        return False
    for row in messy.rows:
        if row[j] is not None:
            row[j] = change(row[j])
    return True


@damage("ja and nein")
def words_for_yes(messy, rng):
    pair = pick(rng, YES_NO)
    return messy.kind == "tastings" and every(messy, "correct", lambda v: pair[0] if v == "yes" else pair[1])


@damage("ticks and crosses", r"is not one of yes")
def ticks(messy, rng):
    if messy.kind != "tastings" or len({row["correct"] for row in messy.truth}) < 2:
        return False
    return every(messy, "correct", lambda v: "✓" if v == "yes" else "✗")


@damage("codes such as 794.0")
def decimal_codes(messy, rng):
    return every(messy, "answer", lambda v: f"{v}.0") and (
        rng.random() < 0.5 or every(messy, "served", lambda v: f"{v}.0")
    )


@damage("whole numbers as 24.0")
def decimal_counts(messy, rng):
    return messy.kind == "panels" and every(messy, "tastings", lambda v: f"{v}.0")


@damage("numbers as text")
def text_numbers(messy, rng):
    messy.book = True
    return messy.kind == "panels" and every(messy, "tastings", str) and every(messy, "correct", str)


@damage("decimal commas")
def commas(messy, rng):
    messy.mark = ";"
    return every(messy, "weeks", lambda v: f"{v:g}".replace(".", ","))


@damage("days as people write them", r"could be \d{4}-\d\d-\d\d or|not a date")
def local_days(messy, rng):
    form = pick(rng, ("%d.%m.%Y", "%d/%m/%Y", "%d %B %Y", "%d. %m. %Y"))
    return every(messy, "date", lambda v: v.strftime(form))


@damage("spaces that do not break")
def spaces(messy, rng):
    pad = pick(rng, ("\u00a0", " ", "\u202f"))
    return every(messy, pick(rng, ("panel", "protocol")), lambda v: f"{v}{pad}")


@damage("counts in two parts", r"two numbers in one cell")
def parts(messy, rng):
    if messy.kind != "panels":
        return False
    for row, truth in zip(messy.rows, messy.truth, strict=True):
        row[messy.at("correct")] = f"{truth['correct']} of {truth['tastings']}"
    return True


@damage("counts with a footnote mark", r"'\d+\*+' is not a number")
def marked_counts(messy, rng):
    if messy.kind != "panels":
        return False
    row = pick(rng, messy.rows)
    row[messy.at("correct")] = f"{row[messy.at('correct')]}*"
    return True


@damage("counts with words", r"is not a number")
def worded_counts(messy, rng):
    return messy.kind == "panels" and every(messy, "tastings", lambda v: f"{v} people")


# --- columns --------------------------------------------------------------------------------------------------------


@damage("headers in another language")
def localised_headers(messy, rng):
    k = int(rng.integers(5))
    for j, name in enumerate(messy.names):
        key = "is_correct" if name == "correct" and messy.kind == "tastings" else name
        if key in ABROAD and messy.heads[j] == name:
            messy.heads[j] = pick(rng, (ABROAD[key][k], ABROAD[key][k].upper(), ABROAD[key][k].lower()))
    return None


@damage("protocols in another language")
def localised_protocols(messy, rng):
    k = int(rng.integers(5))
    change = pick(rng, (str, str.upper, str.lower))
    return every(messy, "protocol", lambda v: change(PROTOCOLS[v.strip()][k]))


@damage("a header that could be two", r"could be 'tastings' or 'tasters'|could be 'tastings'\.")
def doubtful_header(messy, rng):
    j = messy.at("tastings")
    if j is None or messy.heads[j] != "tastings":
        return False
    messy.heads[j] = pick(rng, ("Anzahl", "nombre", "Zahl"))
    return None


@damage("a share beside the count")
def share_beside(messy, rng):
    if messy.kind != "panels":
        return False
    shares = [round(100 * row["correct"] / row["tastings"], 1) for row in messy.truth]
    add_column(messy, len(messy.names), "share", "% correct", shares)
    return None


@damage("a share in place of the count", r"holds shares|more than one count|could be \d+|percent|share")
def share_instead(messy, rng):
    if messy.kind != "panels" or messy.heads[messy.at("correct")] != "correct":
        return False
    j = messy.at("correct")
    messy.heads[j] = "% correct"
    for row, truth in zip(messy.rows, messy.truth, strict=True):
        row[j] = round(100 * truth["correct"] / truth["tastings"], 1)
    return None


@damage("a column twice", r"more than one column is called|could each be")
def column_twice(messy, rng):
    j = int(rng.integers(len(messy.names)))
    add_column(messy, len(messy.names), "again", messy.heads[j], [row[j] for row in messy.rows])
    return None


@damage("a column of remarks without a header", r"has no header but holds")
def nameless_column(messy, rng):
    add_column(messy, len(messy.names), "remarks", None, [pick(rng, (None, "ok", "see sheet 2")) for _ in messy.rows])
    messy.rows[0][-1] = "see sheet 2"
    return None


@damage("a column left_out in another language")
def localised_left_out(messy, rng):
    if messy.kind != "panels":
        return False
    head, yes = pick(
        rng, (("ausgeschlossen", "ja"), ("exclu", "oui"), ("excluido", "sí"), ("escluso", "sì"), ("excluído", "sim"))
    )
    cells: list[Any] = [None] * len(messy.rows)
    i = int(rng.integers(len(cells)))
    cells[i] = yes
    add_column(messy, len(messy.names), "left_out", head, cells)
    del messy.truth[i]
    return None


def add_column(messy: Messy, j: int, name: str, head: Any, cells: list[Any]) -> None:
    messy.names.insert(j, name)
    messy.heads.insert(j, head)
    for row, cell in zip(messy.rows, cells, strict=True):
        row.insert(j, cell)


# --- rows -----------------------------------------------------------------------------------------------------------

TOTAL = r"total|adds up|average"
BARE = (
    "Total",
    "Sum",
    "Gesamt",
    "Summe",
    "Somme",
    "Total:",
    "Grand total",
    "Totale",
    "Suma",
    "Soma",
    "TOTAL",
    "Insgesamt",
)


def sum_of(messy: Messy, rows: list[list[Any]], label: Any, protocol: Any = None, mean: bool = False) -> list[Any]:
    row: list[Any] = [None] * len(messy.names)
    row[messy.at("panel")], row[messy.at("protocol")] = label, protocol
    for name in ("tastings", "correct", "tasters"):
        j = messy.at(name)
        if j is not None:
            numbers = [float(re.sub(r"[^\d.]", "", str(other[j])) or 0) for other in rows]
            row[j] = round(sum(numbers) / len(numbers), 1) if mean else int(sum(numbers))
    return row


def countable(messy: Messy) -> bool:
    """Are there counts that can be added up, and no rows but panels?"""
    return messy.kind == "panels" and len(messy.rows) == len(messy.truth) and all(
        re.fullmatch(r"\d+(\.0)?", str(row[messy.at(name)])) for row in messy.rows for name in ("tastings", "correct")
    )  # fmt: skip


@damage("a row of totals", TOTAL)
def total(messy, rng):
    if not countable(messy):
        return False
    messy.rows.append(
        sum_of(messy, messy.rows, pick(rng, BARE), pick(rng, (None, messy.rows[0][messy.at("protocol")])))
    )
    return None


@damage("totals without a name", TOTAL + "|the cell is empty")
def nameless_total(messy, rng):
    if not countable(messy):
        return False
    messy.rows.append(sum_of(messy, messy.rows, None))
    return None


@damage("totals under another name", TOTAL)
def disguised_total(messy, rng):
    if not countable(messy):
        return False
    row = sum_of(
        messy, messy.rows, pick(rng, ("Cider 2025", "Everyone here", "Haus")), messy.rows[0][messy.at("protocol")]
    )
    messy.rows.append(row)
    return None


@damage("a total after each group", TOTAL)
def subtotals(messy, rng):
    if not countable(messy) or len(messy.rows) < 5:
        return False
    first, second = messy.rows[:3], messy.rows[3:]
    protocol = messy.rows[0][messy.at("protocol")]
    bare = rng.random() < 0.5
    labels = ("Subtotal", "Subtotal") if bare else ("Oak", "Steel")
    messy.rows[:] = [
        *first,
        sum_of(messy, first, labels[0], protocol),
        *second,
        sum_of(messy, second, labels[1], protocol),
    ]
    return None


@damage("a row of averages", r"average|is not a whole number")
def averages(messy, rng):
    if not countable(messy):
        return False
    messy.rows.append(
        sum_of(messy, messy.rows, pick(rng, ("Mean", "Average", "Mittelwert", "Schnitt", "Media")), mean=True)
    )
    return None


@damage("a name above each group", r"the cell is empty")
def group_names(messy, rng):
    if messy.kind != "panels" or len(messy.rows) < 4:
        return False
    blank: list[Any] = [None] * (len(messy.names) - 1)
    messy.rows.insert(2, ["Steel", *blank])
    messy.rows.insert(0, ["Oak", *blank])
    return None


@damage("the header again", r"is not a number|is not a protocol|another panel|is not one of|header")
def header_again(messy, rng):
    messy.rows.insert(int(rng.integers(2, len(messy.rows))), list(messy.heads))
    return None


@damage(
    "a line of units",
    r"the cell is empty|is not a protocol|is not a number|is not one of|is not a date|cannot be one of|is not a code",
)
def units(messy, rng):
    units_of = {"tastings": "(n)", "correct": "(n)", "tasters": "(n)", "weeks": "(weeks)", "panel": "(name)"}
    messy.rows.insert(0, [units_of.get(name) for name in messy.names])
    return "weeks" in messy.names


@damage("the panel in its first row only", r"the cell is empty")
def first_only(messy, rng):
    if messy.kind != "tastings" or len(messy.rows) != len(messy.truth):
        return False
    for i in range(len(messy.rows) - 1, 0, -1):
        for name in ("panel", "protocol"):
            if messy.truth[i]["panel"] == messy.truth[i - 1]["panel"]:
                messy.rows[i][messy.at(name)] = None
    return None


# --- around the table -----------------------------------------------------------------------------------------------


@damage("title rows", r"is no header; row \d+ looks like one")
def titles(messy, rng):
    messy.above = [[pick(rng, ("Our panels 2025", "Cider, fining agent", "Versuche Frühjahr"))]]
    if rng.random() < 0.5:
        messy.above.append([])
    return None


@damage("remarks below", r"the cell is empty|the row has|is not a protocol")
def remarks(messy, rng):
    messy.below = [
        [],
        [pick(rng, ("Source: notebook of the cellar", "* counted twice by two people", "Stand: Mai 2025"))],
    ]
    return None


@damage(
    "a remark below that may leave a row out", r"the cell is empty|the row has|is not a protocol|not to count|left out"
)
def remark_on_a_mishap(messy, rng):
    messy.below = [[pick(rng, ("* one cup was spilled here", "* not counted, wrong tray"))]]
    return None


@damage("blank rows and columns")
def blanks(messy, rng):
    messy.rows.insert(int(rng.integers(1, len(messy.rows))), [None] * len(messy.names))
    add_column(messy, int(rng.integers(1, len(messy.names))), "blank", None, [None] * len(messy.rows))
    return not messy.sheet


@damage("another table beside", r"more than one column|has no header|could each be|no header but")
def beside(messy, rng):
    add_column(messy, len(messy.names), "gap", None, [None] * len(messy.rows))
    for name in ("panel", "protocol"):
        cells = [f"X{i}" if name == "panel" else "triangle" for i in range(len(messy.rows))]
        add_column(messy, len(messy.names), f"other {name}", name, cells)
    return None


@damage(
    "another table below",
    r"is not a number|is not a protocol|the cell is empty|another panel|is not one of|header|looks like",
)
def below(messy, rng):
    j = messy.at("panel")
    other = [[f"{cell} II" if k == j and cell else cell for k, cell in enumerate(row)] for row in messy.rows]
    messy.below = [[], ["The other product"], list(messy.heads), *other]
    return None


@damage("a table on its side", r"there is no column|is no header")
def turned(messy, rng):
    messy.turned = True
    return messy.kind == "panels" and not messy.above and not messy.sheet


@damage("a cell too many", r"cells where the header has|cells may have moved")
def moved(messy, rng):
    if messy.turned or messy.above or messy.below or messy.sheet:
        return False
    messy.book, messy.ragged = False, True
    pick(rng, messy.rows).insert(1, "Haus")
    return None


# --- workbooks ------------------------------------------------------------------------------------------------------


def as_book(messy: Messy) -> bool:
    """Make it a workbook; False where it has what only a text can have."""
    messy.book = True
    return not messy.turned and len({len(row) for row in messy.rows}) == 1


def first_row(messy: Messy) -> int:
    """The number of the first row of data in the file."""
    return len(messy.above) + 2


@damage("merged panel cells", r"are merged")
def merged(messy, rng):
    if messy.kind != "tastings" or len(messy.rows) != len(messy.truth) or not as_book(messy):
        return False
    areas = []
    names = [row["panel"] for row in messy.truth]
    for name in dict.fromkeys(names):
        first, last = names.index(name), len(names) - 1 - names[::-1].index(name)
        for column in ("panel", "protocol"):
            letter = letters(messy.at(column) + 1)
            areas.append(f"{letter}{first_row(messy) + first}:{letter}{first_row(messy) + last}")
            for i in range(first + 1, last + 1):
                messy.rows[i][messy.at(column)] = None
    messy.sheet["merged"] = areas
    return None


@damage("merged counts", r"are merged")
def merged_counts(messy, rng):
    if messy.kind != "panels" or "tasters" not in messy.names or not as_book(messy):
        return False
    letter, top = letters(messy.at("tasters") + 1), first_row(messy)
    messy.rows[1][messy.at("tasters")] = None
    messy.sheet["merged"] = [f"{letter}{top}:{letter}{top + 1}"]
    return None


@damage("hidden rows")
def hidden(messy, rng):
    if not as_book(messy):
        return False
    messy.sheet["hidden_rows"] = {first_row(messy) + int(rng.integers(len(messy.rows)))}
    messy.doubts.append(r"hidden in the workbook")
    return None


@damage("struck-out rows", r"struck out")
def struck(messy, rng):
    if not as_book(messy):
        return False
    i = int(rng.integers(len(messy.rows)))
    messy.rows[i] = [Cell(v, struck=True) for v in messy.rows[i]]
    return None


@damage("coloured rows")
def coloured(messy, rng):
    if not as_book(messy) or any(isinstance(v, Cell) for row in messy.rows for v in row):
        return False
    i = int(rng.integers(len(messy.rows)))
    if all(v is None for v in messy.rows[i]):
        return False
    messy.rows[i] = [Cell(v, filled=True) for v in messy.rows[i]]
    messy.doubts.append(r"coloured in the workbook")
    return None


@damage("another sheet in front", r"looks like the table; choose it")
def sheet_in_front(messy, rng):
    messy.sheets = [Sheet([["What we planned"], ["three evenings, one cider"]], name="Plan")]
    return as_book(messy)


# --- judging --------------------------------------------------------------------------------------------------------


def make(seed: int, number: int, names: list[str] | None = None) -> Messy:
    """The table of this number, with one to three damages of its own choice or those named."""
    every_name = list(DAMAGES)
    for attempt in range(50):  # until there is something to damage
        rng = np.random.default_rng([seed, number, attempt])
        wanted = [every_name[number % len(every_name)]] if names is None else names  # each kind as often as any other
        kind = ONLY.get(wanted[0], pick(rng, ("panels", "panels", "tastings")))
        messy = (panels if kind == "panels" else tastings)(rng)
        chosen = list(wanted)
        more = pick(rng, (0, 0, 0, 1, 1, 2)) if names is None else 0
        for name in (every_name[i] for i in rng.permutation(len(every_name))):
            if len(chosen) < len(wanted) + more and name not in chosen and not _clash(name, chosen):
                chosen.append(name)
        for name in sorted(chosen, key=every_name.index):  # cells first, then rows, then what surrounds them
            copy = deepcopy(messy)
            if DAMAGES[name].do(copy, np.random.default_rng([seed, number, *name.encode()])) is not False:
                messy = copy
                messy.damages.append(name)
                messy.reasons.append(DAMAGES[name].reason)
        if set(wanted) <= set(messy.damages):
            break
    return messy


ONLY = {
    **dict.fromkeys(("ja and nein", "ticks and crosses", "codes such as 794.0", "merged panel cells"), "tastings"),
    "the panel in its first row only": "tastings",
    **dict.fromkeys(
        ("a row of totals", "totals without a name", "totals under another name", "a total after each group",
         "a row of averages", "a name above each group", "a table on its side", "counts in two parts", "merged counts",
         "counts with a footnote mark", "counts with words", "a header that could be two", "a share beside the count",
         "a share in place of the count", "a column left_out in another language", "numbers as text",
         "whole numbers as 24.0", "days as people write them"),
        "panels",
    ),
}  # fmt: skip
_ALONE = (  # no two of one line together: each alone says what the table means
    {"a row of totals", "totals without a name", "totals under another name", "a total after each group",
     "a row of averages", "a name above each group", "a column left_out in another language", "the header again"},
    {"a table on its side", "a cell too many", "another table below", "another table beside", "title rows",
     "remarks below", "a remark below that may leave a row out", "a column of remarks without a header", "a column twice"},
    {"merged panel cells", "merged counts", "hidden rows", "struck-out rows", "coloured rows", "a table on its side",
     "the panel in its first row only", "a row of totals", "a total after each group", "blank rows and columns",
     "the header again", "a name above each group", "a line of units"},
    {"counts in two parts", "counts with a footnote mark", "counts with words", "a share in place of the count",
     "whole numbers as 24.0", "numbers as text", "a row of averages", "a share beside the count"},
    {"a header that could be two", "headers in another language", "a share in place of the count", "a column twice"},
    {"ja and nein", "ticks and crosses"},
    {"a total after each group", "totals under another name", "spaces that do not break", "localised"},
)  # fmt: skip


def _clash(name: str, chosen: list[str]) -> bool:
    return any(name in group and not group.isdisjoint(chosen) for group in _ALONE)


@dataclass(frozen=True)
class Outcome:
    ending: str  # read, noted, mended, refused or fault
    found: str = ""


def differs(messy: Messy, table: Any) -> str:
    """How what was read differs from what was meant; empty if it does not."""
    frame = table.frame
    if len(frame) != len(messy.truth):
        return f"{len(frame)} rows were read, and {len(messy.truth)} meant"
    columns = {re.sub(r" \(.*\)$", "", name): name for name in frame.columns}
    for i, meant in enumerate(messy.truth):
        for name, value in meant.items():
            if name not in columns:
                if value is not None:
                    return f"there is no column {name!r}"
                continue
            read = frame[columns[name]].iloc[i]
            if not same(value, read):
                return f"{name} of row {i + 1}: meant {value!r}, read {read!r}"
    return ""


def same(meant: Any, read: Any) -> bool:
    if meant is None or pd.isna(read):
        return meant is None and bool(pd.isna(read))
    if isinstance(meant, dt.date):
        return str(read)[:10] == meant.isoformat()
    if isinstance(meant, bool):
        return bool(read) == meant
    if isinstance(meant, int | float):
        try:
            return abs(float(read) - meant) < 1e-9
        except (TypeError, ValueError):
            return False
    return str(read) == str(meant)


def judge(messy: Messy, folder: Path) -> Outcome:
    """Read, mend, read again."""
    data, ending = messy.written()
    path = folder / f"table{ending}"
    path.write_bytes(data)
    read = ms.read_panels if messy.kind == "panels" else ms.read_tastings
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            first, said = read(path), ""
        except ms.PanelsError as error:
            first, said = None, error.words()
        if first is not None:
            wrong = _misread(messy, first, first.notes)
            if wrong:
                return Outcome("fault", f"read otherwise: {wrong}\nnotes: {first.notes}")
        elif not any(re.search(reason, said) for reason in messy.reasons):
            return Outcome("fault", f"refused for another reason: {said}")
        try:
            mended = ms.mend(path, folder / "mended.xlsx")
        except ms.PanelsError as error:
            if first is not None:
                return Outcome("fault", f"read, and not mended: {error}")
            if not any(re.search(reason, error.words()) for reason in messy.reasons):
                return Outcome("fault", f"not mended, for another reason: {error.words()}")
            return Outcome("refused", said)
    if path.read_bytes() != data:
        return Outcome("fault", "the original was touched")
    try:
        again = read(folder / "mended.xlsx")
    except ms.PanelsError as error:
        words = error.words()
        if first is not None:
            return Outcome("fault", f"read, and its copy is not: {words}")
        if not any(re.search(reason, words) for reason in messy.reasons):
            return Outcome("fault", f"the copy is refused for another reason: {words}")
        return Outcome("refused", said)
    wrong = _misread(messy, again, (*again.notes, *mended.notes))
    if wrong:
        return Outcome("fault", f"mended otherwise: {wrong}\nnotes: {again.notes}\nchanges: {mended}")
    if first is None:
        return Outcome("mended", said)
    return Outcome("noted" if _speaks(first.notes) else "read")


def _misread(messy: Messy, table: Any, notes: Any) -> str:
    wrong = differs(messy, table)
    if wrong:
        return wrong
    unsaid = [doubt for doubt in messy.doubts if not any(re.search(doubt, note) for note in notes)]
    return f"no note says {unsaid[0]!r}" if unsaid else ""


def _speaks(notes: Any) -> bool:
    """Is there a note on how the table was read, beyond what every table has?"""
    usual = r"number of tasters is not given|kept as (a )?possible moderator|tasted more than once"
    return any(not re.search(usual, note) for note in notes)


def run(number: int, seed: int = SEED) -> tuple[Counter[str], dict[str, Counter[str]], list[tuple[int, str]]]:
    """So many tables: endings, endings by damage, and the faults."""
    endings: Counter[str] = Counter()
    by_damage: dict[str, Counter[str]] = {}
    faults = []
    for i in range(number):
        messy = make(seed, i)
        with tempfile.TemporaryDirectory() as folder:
            outcome = judge(messy, Path(folder))
        endings[outcome.ending] += 1
        for name in messy.damages or ["(none)"]:
            by_damage.setdefault(name, Counter())[outcome.ending] += 1
        if outcome.ending == "fault":
            faults.append((i, f"{', '.join(messy.damages)}: {outcome.found}"))
    return endings, by_damage, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--case", type=int, help="this table alone, in full")
    chosen = parser.parse_args()
    if chosen.case is not None:
        messy = make(chosen.seed, chosen.case)
        print(f"{messy.kind}, {'workbook' if messy.book else 'text'}: {', '.join(messy.damages)}")
        print("\n".join(" | ".join(written(cell) for cell in row) for row in messy.grid()))
        with tempfile.TemporaryDirectory() as folder:
            outcome = judge(messy, Path(folder))
        print(outcome.ending, outcome.found)
        return 0
    endings, by_damage, faults = run(chosen.cases, chosen.seed)
    kinds = ("read", "noted", "mended", "refused", "fault")
    print(f"{'':<42}" + "".join(f"{kind:>9}" for kind in kinds))
    for name, counts in [("all", endings), *((name, by_damage.get(name, Counter())) for name in DAMAGES)]:
        print(f"{name:<42}" + "".join(f"{counts[kind]:>9}" for kind in kinds))
    for i, words in faults:
        print(f"\n## case {i}: {words}")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
