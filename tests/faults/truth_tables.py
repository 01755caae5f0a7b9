"""Write tables whose true values are known in the many ways people write them, and compare what is read with the truth.

Every case ends in one of four ways. *exact*: every value read is the one meant. *noted*: something was read otherwise
than meant, or could only be guessed, and a note names its column or row and states the reading. *refused*: a
`PanelsError` in words. Anything else is a *fault*: a value read otherwise without such a note, a row lost or found
without one, another exception, a warning; and a refusal or a wrong reading of a table that leaves no doubt.

    python tests/faults/truth_tables.py                          # 20,000 cases and a table of what happened
    python tests/faults/truth_tables.py --seed 1 --case 417      # one case again: what was written, meant and read
"""

from __future__ import annotations

import argparse
import datetime as dt
import math
import re
import sys
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[1])] if __name__ == "__main__" else []

from faults import cases  # noqa: E402 - found once the path is set
from faults.cases import UNSURE, AnyOf, Case, Column, Row, pick  # noqa: E402
from faults.sheets import Cell, Percent, Sheet, letters, text, workbook, written  # noqa: E402
from faults.twists import TWISTS  # noqa: E402

import metasense as ms  # noqa: E402

SEED = 20250304
STRANGE = re.compile(r"object at 0x|Traceback|dtype|<NA>|\bNone\b|\bNaN\b|numpy|pandas")
CHANGES = (0, 1, 1, 1, 2, 2, 3, 4)  # how many twists a case has, each as likely
PLAIN = [name for name, twist in TWISTS.items() if twist.plain]
DOUBTFUL = [name for name, twist in TWISTS.items() if not twist.plain]


# --- making a case --------------------------------------------------------------------------------------------------


def make(seed: int, number: int, names: Iterable[str] | None = None) -> Case:
    """The case of this number: by twists of its own choice, or by those named, as smallest() needs it."""
    rng = np.random.default_rng([seed, number])
    case = (cases.panels if rng.random() < 0.55 else cases.tastings)(rng)
    case.form["kind"] = pick(rng, ("text",) * 13 + ("frame",) * 4 + ("workbook",) * 3)
    size = pick(rng, CHANGES)
    plain = int(rng.integers(0, size + 1))
    order = ([PLAIN[i] for i in rng.permutation(len(PLAIN))], [DOUBTFUL[i] for i in rng.permutation(len(DOUBTFUL))])
    wanted = [plain, size - plain]
    if case.form["kind"] == "workbook" and rng.random() < 0.7:  # first what only a workbook can have
        order = tuple(sorted(one, key=lambda name: TWISTS[name].book, reverse=True) for one in order)
    queue = [name for pair in zip_longest(*order) for name in pair if name] if names is None else list(names)
    for name in queue:
        twist = TWISTS[name]
        if names is None and not wanted[not twist.plain]:
            continue
        if twist.apply(case, np.random.default_rng([seed, number, *name.encode()])):
            case.twists.append(name)
            wanted[not twist.plain] -= 1
            if not twist.plain:
                case.unsure.add(name)
    return case


def source(case: Case, rng: np.random.Generator) -> Any:
    """The table as text, bytes, frame, records, columns or workbook."""
    grid = [list(row) for row in case.grid()]
    pad = case.form.get("pad", "")
    if pad:
        top = len(case.above)
        grid = [
            [pad + v + pad if isinstance(v, str) and v and i != top else v for v in row] for i, row in enumerate(grid)
        ]
    for _ in range(case.form.get("blank columns", 0)):
        grid = [[*row, None] for row in grid]
    blank: list[Any] = [None] * len(grid[-1])
    lines = [grid[case.number(row) - 1] for row in case.rows]
    for _ in range(case.form.get("blank lines", 0)):
        grid.insert(int(rng.integers(len(case.above) + 2, len(grid) + 1)), list(blank))
    match case.form["kind"]:
        case "text":
            out = text(
                grid,
                mark=case.form.get("mark", ","),
                end=case.form.get("end", "\n"),
                quoted=case.form.get("quoted", False),
                bare=case.form.get("bare", False),
            )
            codec = case.form.get("codec")
            if codec is None and rng.random() < 0.4:
                return out
            try:
                return out.encode(codec or "utf-8")
            except UnicodeEncodeError:
                return out.encode("utf-8")
        case "frame":
            return _frame(case, grid, rng)
        case _:
            places = {id(line): i for i, line in enumerate(grid, 1)}
            return _workbook(case, grid, [places[id(line)] for line in lines])


def _frame(case: Case, grid: list[list[Any]], rng: np.random.Generator) -> Any:
    def bare(value: Any) -> Any:
        value = value.value if isinstance(value, Cell) else value
        return str(value) if isinstance(value, Percent) else value

    header = [written(v) for v in grid[0]]
    keep = [i for i, name in enumerate(header) if name]
    header = [header[i] for i in keep]
    body = [[bare(row[i]) for i in keep] for row in grid[1:]]
    way = pick(rng, ("object", "inferred", "records", "columns", "nullable", "category"))
    if len(set(header)) < len(header):
        way = "object"
    if way == "records":
        return [dict(zip(header, row, strict=True)) for row in body]
    if way == "columns":
        return {name: [row[i] for row in body] for i, name in enumerate(header)}
    frame = pd.DataFrame(body, columns=header, dtype=object)
    if way == "inferred":
        return frame.infer_objects()
    if way == "nullable":
        return frame.convert_dtypes()
    if way == "category" and case.column("protocol"):
        at = next(c.header for c in case.columns if c.name == "protocol")
        return frame.assign(**{at: frame[at].astype("category")})
    return frame


def _workbook(case: Case, grid: list[list[Any]], numbers: list[int]) -> bytes:
    """The book; `numbers` says in which line of the grid each row of the case came to stand."""
    for row, number in zip(case.rows, numbers, strict=True):
        if row.struck:
            line = grid[number - 1]
            grid[number - 1] = [Cell(v.value if isinstance(v, Cell) else v, struck=True) for v in line]
    sheet = Sheet(grid, name="Panels")
    sheet.hidden_rows = {number for row, number in zip(case.rows, numbers, strict=True) if row.hidden}
    sheet.hidden_columns = case.form.get("hidden columns", set())
    if case.form.get("filtered"):
        sheet.filtered = f"A{len(case.above) + 1}:{letters(len(case.columns))}{len(grid)}"
    for at, first, last in case.form.get("merged panels", ()):
        name = letters(at + 1)
        sheet.merged.append(f"{name}{numbers[first]}:{name}{numbers[last]}")
    sheets = [*case.form.get("sheets before", []), sheet, *case.form.get("sheets after", [])]
    return workbook(sheets, since_1904=case.form.get("1904", False))


# --- judging what was read ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """ "exact", "noted", "refused" or "fault"; of a fault the kind, to count by, and what was found."""

    ending: str
    kind: str = ""
    found: str = ""


@dataclass(frozen=True)
class Difference:
    """Something read otherwise than meant: of which row and column, by which twist, and what a note may call it."""

    row: Row | None
    column: Column | None
    twist: str
    words: str
    found: str
    cells: tuple[str, ...] = ()
    values: tuple[str, ...] = ()


def squeezed(name: object) -> str:
    return re.sub(r"\W|_", "", str(name)).casefold()


def nothing(value: Any) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))


def same(meant: Any, value: Any) -> bool:
    """Is the value read the one meant? 24 is 24.0, a day is that day at whatever hour."""
    if isinstance(meant, AnyOf):
        return any(same(one, value) for one in meant.values)
    if meant is UNSURE:
        return False
    if meant is None or nothing(value):
        return meant is None and nothing(value)
    if isinstance(meant, bool):
        return isinstance(value, bool | np.bool_) and bool(value) == meant
    if isinstance(meant, dt.date):
        return isinstance(value, dt.date) and (value.year, value.month, value.day) == (
            meant.year,
            meant.month,
            meant.day,
        )
    if isinstance(meant, int | float):
        number = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool | np.bool_)
        return number and math.isclose(float(value), meant, rel_tol=1e-9, abs_tol=1e-12)
    return str(value).strip() == str(meant).strip()


def shown(value: Any) -> tuple[str, ...]:
    """The ways in which a note may show a value."""
    if nothing(value):
        return ("no answer", "no value", "empty", "missing")
    if isinstance(value, bool | np.bool_):
        return ("yes", "correct", "right") if value else ("no", "wrong", "not correct")
    if isinstance(value, dt.date):
        return (value.strftime("%Y-%m-%d"),)
    if isinstance(value, float | np.floating) and math.isfinite(value):
        return (f"{value:g}", f"{value:,g}", f"{value:.15g}", f"{value:.1f}")
    return (str(value),)


def rows_named(note: str) -> set[int]:
    """The numbers of rows that a note names, ranges included."""
    named: set[int] = set()
    note = re.sub(r"\s*\([^()]*\)", "", note)
    for listed in re.findall(r"\b(?:rows?|lines?)\s+((?:\d+(?:\s*(?:,|and|to|-|–)\s*)*)+)", note):
        numbers = [int(n) for n in re.findall(r"\d+", listed)]
        named.update(numbers)
        for first, last in re.findall(r"(\d+)\s*(?:to|-|–)\s*(\d+)", listed):
            named.update(range(int(first), min(int(last), int(first) + 10_000) + 1))
    return named


def word_in(word: str, note: str) -> bool:
    return bool(word) and re.search(rf"(?<![\w.,]){re.escape(word)}(?![\w])", note, re.I) is not None


def stated(difference: Difference, case: Case, notes: tuple[str, ...]) -> bool:
    """Does a note say so?

    It must name the column (its header or its proper name) or the row (its number, its panel or taster), and what was
    read: the value read or the cell as written, either of two characters or more or in quotation marks, or one of the
    twist's own words, outside the header's name. That a column was kept as a moderator says nothing of the kind.
    """
    row, column = difference.row, difference.column
    for note in notes:
        where = False
        rest = note
        if column is not None:
            for name in {column.header.strip(), column.name}:
                if word_in(name, note) or f"'{name}'" in note:
                    where = True
                    rest = rest.replace(f"'{name}'", "").replace(name, "")
        if row is not None:
            names = {row.label, str(row.meant.get("panel", ""))} - {""}
            label = any(f"'{name}'" in note or (len(name) > 1 and word_in(name, note)) for name in names)
            named = rows_named(note)
            others = bool(named) and re.search(r"\band \d+ (?:others|more)\b", note) is not None
            where = where or label or others or case.number(row) in named
        if not where:
            continue
        for word in (*difference.cells, *difference.values):
            if (len(word) > 1 and word_in(word, rest)) or (word and f"'{word}'" in rest):
                return True
            if len(word) > 1 and not word[0].isalnum() and word in rest:
                return True
        if re.search("kept as (a )?possible moderator", rest) and "(" not in rest:
            continue
        if difference.words and re.search(difference.words, rest, re.I):
            return True
    return False


def labels(case: Case, row: Row) -> tuple[str, ...]:
    """What tells the row from the others."""
    names = ("panel",) if case.kind == "panels" else ("panel", "taster", "trial")
    return tuple(str(row.meant.get(name, row.written.get(name, ""))).strip() for name in names)


def aligned(case: Case, frame: pd.DataFrame) -> tuple[list[tuple[Row, Any]], list[Row], list[Any]]:
    """Rows written beside rows read; rows that were not read; rows read that nobody wrote."""
    read = frame.to_dict("records")
    likely = [row for row in case.rows if row.fate == "row"]
    if len(read) == len(case.rows):
        return list(zip(case.rows, read, strict=True)), [], []
    if len(read) == len(likely):
        return list(zip(likely, read, strict=True)), [row for row in case.rows if row.fate != "row"], []
    names = [name for name in (("panel",) if case.kind == "panels" else ("panel", "taster", "trial")) if name in frame]
    where = {tuple(str(one[n]).strip() for n in names): one for one in read}
    pairs, lost = [], []
    for row in case.rows:
        key = tuple(str(row.meant.get(n, row.written.get(n, ""))).strip() for n in names)
        one = where.pop(key, None)
        if one is None:
            lost.append(row)
        else:
            pairs.append((row, one))
    return pairs, lost, list(where.values())


def where_read(case: Case, frame: pd.DataFrame) -> dict[str, Any]:
    """The column of the frame that holds each column of the case."""
    found: dict[str, Any] = {}
    for column in case.columns:
        if column.name in frame.columns and column.holds != "number":
            found[column.name] = column.name
            continue
        for name in frame.columns:
            if squeezed(name) in (squeezed(column.header), squeezed(column.name)):
                found[column.name] = name
    return found


def _excluding(case: Case, row: Row) -> Column | None:
    """The column that says that a row is left out."""
    names = [name for name in ("out", "notes") if case.tags.get((id(row), name), ("",))[0] == "rows left out"]
    return case.column(names[0]) if names else None


def _signs_of(case: Case, row: Row) -> tuple[str, ...]:
    """What a note may call such a row by."""
    column = _excluding(case, row)
    return tuple(written(v) for v in (row.written.get(column.name) if column else None, row.label) if v)


def differences(case: Case, table: Any) -> list[Difference]:
    """All that was read otherwise than meant."""
    frame = table.frame
    out: list[Difference] = []
    pairs, lost, strange = aligned(case, frame)
    for row in lost:
        said = f"row {labels(case, row)} was not read"
        words = row.words or "left out"
        out.append(Difference(row, _excluding(case, row), row.why or "none", words, said, _signs_of(case, row)))
    for one in strange:
        out.append(Difference(None, None, "none", "", f"a row from nowhere: {one}"))
    found = where_read(case, frame)
    for column in case.columns:
        if column.name in found or column.holds in ("answer", "extra") or column.name == "correct":
            continue
        if any(row.meant.get(column.name) is not None for row in case.rows):
            twist, words = case.headers.get(column.name, ("none", "left out|ignored|empty"))
            said = f"no column {column.header!r} in what was read"
            out.append(Difference(None, column, twist, words, said))
    names = [*found, *(["correct"] if case.kind == "tastings" and "correct" not in found else [])]
    for row, one in pairs:
        counted = not (case.kind == "tastings" and same(None, one.get("correct")))
        if row.fate != "row" and counted:
            cells = tuple(written(v) for v in (row.written.get("out"), row.label) if v)
            out.append(
                Difference(
                    row, case.column("out"), row.why, row.words, f"row {labels(case, row)} was read as a row", cells
                )
            )
        if row.fate != "row":
            continue
        for name in names:
            column = case.column(name)
            if column is not None and column.holds in ("answer", "extra"):
                continue
            meant, value = row.meant.get(name), one.get(found.get(name, name))
            if name == "blind" and meant is not None:
                meant = str(meant)
            if same(meant, value):
                continue
            held = column or case.column("answer")
            cell = written(row.written.get(held.name if held else name))
            twist, words = case.tags.get((id(row), name)) or case.tags.get(
                (id(row), held.name if held else name), ("", "")
            )
            if not twist and name in case.headers:
                twist, words = case.headers[name]
            if not twist:
                others = [case.tags[id(r), name] for r in case.rows if (id(r), name) in case.tags]
                twist, words = others[0] if others else ("none", "")
                twist = f"{twist} (beside)" if others else "none"
            if isinstance(value, str) and column is not None and column.holds == "number":
                words = f"{words}|word|text|level".strip("|")
            cells = {written(r.written.get(held.name if held else name)).strip() for r in case.rows}
            cells = {cell.strip()} if column and column.holds == "label" else cells
            kind = type(value).__name__
            if held is not None and held.name == "answer":
                cell = f"{written(row.written.get('served'))} -> {cell}"
            said = f"{name} of {labels(case, row)}: {cell!r} meant {meant!r}, read {value!r} ({kind})"
            out.append(Difference(row, held, twist, words, said, tuple(cells - {""}), shown(value)))
    return out


def counted(frame: pd.DataFrame, case: Case, panels: pd.DataFrame) -> str:
    """What is wrong with the panels made of these tastings, counted anew from the answers as they were read."""
    signals = {
        labels(case, row)[: 3 if "trial" in frame else 2]: row.meant.get("signal") for row in case.rows if row.meant
    }
    made = {str(row["panel"]): row for row in panels.to_dict("records")}
    for name, rows in frame.groupby("panel", observed=True):
        answered = rows[rows["correct"].notna()]
        one = made.get(str(name))
        if one is None:
            if len(answered):
                return f"panel {name!r} was lost on the way to panels"
            continue
        expected: dict[str, int] = {
            "refused": int(rows["correct"].isna().sum()),
            "tasters": answered["taster"].nunique(),
        }
        if pd.notna(one["tastings"]):
            expected |= {"tastings": len(answered), "correct": int(answered["correct"].sum())}
        else:
            keys = ["panel", "taster"] + (["trial"] if "trial" in frame else [])
            signal = [signals.get(tuple(str(v) for v in key)) for key in answered[keys].itertuples(index=False)]
            if None in signal:
                continue
            right = answered["correct"].astype(bool).tolist()
            pairs = list(zip(signal, right, strict=True))
            expected |= {"signal": sum(map(bool, signal)), "hits": sum(bool(s) and r for s, r in pairs)}
            expected |= {"false_alarms": sum(not s and not r for s, r in pairs)}
        for key, count in expected.items():
            got = one[key]
            if key == "refused" and (pd.isna(got) or got <= count):
                got = count if pd.isna(got) and not count else got
                slack = sum(row.fate == "out" for row in case.rows)
                if pd.notna(got) and count - slack <= got <= count:
                    continue
            if pd.isna(got) or int(got) != count:
                return f"to_panels() of panel {name!r}: {key} is {got}, counted {count}"
    return ""


def judge(case: Case, given: Any, readers: dict[str, Callable[[Any], Any]] | None = None) -> Outcome:
    """Read the table and say what it came to."""
    read = (readers or READERS)[case.kind]
    doubt = bool(case.unsure)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            table = read(given)
            panels = table.to_panels() if case.kind == "tastings" else table
        except ms.PanelsError as error:
            words = str(error)
            if len(words) < 20 or STRANGE.search(words):
                return Outcome("fault", "words of a refusal", words)
            if doubt:
                return Outcome("refused", found=words)
            why = re.sub(r"'[^']*'|\d+", "..", words.split("column ")[-1])[:70]
            return Outcome("fault", f"plain table refused: {why}", words)
        except Exception as error:  # any other exception is a fault, whatever it is
            return Outcome("fault", f"exception: {type(error).__name__}: {str(error)[:60]}", repr(error))
        notes = tuple(table.notes)
        if case.kind == "tastings":
            wrong = counted(table.frame, case, panels.frame)
            if wrong:
                return Outcome("fault", "to_panels", wrong)
    found = differences(case, table)
    unsaid = [one for one in found if not (doubt and stated(one, case, notes))]
    if unsaid:
        one = unsaid[0]
        if one.column is None or one.found.startswith("row "):
            what = re.sub(r"\(.*?\) ", "", one.found).split(":")[0]
            return Outcome("fault", f"{one.twist}: {what}", f"{one.found}\nnotes: {notes}")
        kind = re.search(r"read .*\((\w+)\)$", one.found)
        what = f"read as {kind[1]}" if kind else "not read"
        place = "moderator" if one.column.holds == "number" else one.column.name
        return Outcome("fault", f"{one.twist}: {place}: {what}", f"{one.found}\nnotes: {notes}")
    for twist, words in case.needed:
        if not any(re.search(words, note, re.I) for note in notes):
            return Outcome("fault", f"{twist}: no note", f"no note says {words}\nnotes: {notes}")
    return Outcome("noted" if found else "exact")


READERS: dict[str, Callable[[Any], Any]] = {"panels": ms.read_panels, "tastings": ms.read_tastings}


# --- many cases -----------------------------------------------------------------------------------------------------


def one(seed: int, number: int, names: Iterable[str] | None = None, readers: Any = None) -> tuple[Case, Any, Outcome]:
    """Make a case, write it, read it, judge it."""
    case = make(seed, number, names)
    given = source(case, np.random.default_rng([seed, number, 1]))
    return case, given, judge(case, given, readers)


def smallest(seed: int, number: int, kind: str, readers: Any = None) -> list[str]:
    """The fewest of the case's twists that still show a fault of this kind."""
    names = list(make(seed, number).twists)
    for name in list(names):
        fewer = [other for other in names if other != name]
        if one(seed, number, fewer, readers)[2].kind == kind:
            names = fewer
    return names


@dataclass
class Tally:
    """What many cases came to."""

    endings: Counter
    by_twist: dict[str, Counter]
    plain: Counter
    faults: dict[str, list[int]]  # by kind, the numbers of the cases

    @property
    def faulty(self) -> int:
        return self.endings["fault"]

    def kinds(self) -> str:
        """The kinds of fault, the most frequent first."""
        often = sorted(self.faults.items(), key=lambda item: -len(item[1]))
        return "\n".join(f"{len(numbers)} x {kind} (case {numbers[0]})" for kind, numbers in often)

    def table(self) -> str:
        """Shares by ending, by twist."""
        lines = [f"{'':<40}{'cases':>8}{'exact':>8}{'noted':>8}{'refused':>9}{'fault':>8}"]
        whole = [("all", self.endings), ("without doubt", self.plain), *sorted(self.by_twist.items())]
        for name, counts in whole:
            size = sum(counts.values())
            parts = [100 * counts[ending] / max(size, 1) for ending in ("exact", "noted", "refused", "fault")]
            widths = (8, 8, 9, 8)
            lines.append(
                f"{name:<40}{size:>8}" + "".join(f"{p:>{w - 1}.1f}%" for p, w in zip(parts, widths, strict=True))
            )
        return "\n".join(lines)


def run(number: int, seed: int = SEED, *, start: int = 0, readers: Any = None) -> Tally:
    """Judge so many cases."""
    tally = Tally(Counter(), {}, Counter(), {})
    for i in range(start, start + number):
        case, _, outcome = one(seed, i, readers=readers)
        tally.endings[outcome.ending] += 1
        for name in case.twists or ["(as it is)"]:
            tally.by_twist.setdefault(name, Counter())[outcome.ending] += 1
        if not case.unsure:
            tally.plain[outcome.ending] += 1
        if outcome.ending == "fault":
            tally.faults.setdefault(outcome.kind, []).append(i)
    return tally


def described(seed: int, number: int, kind: str | None = None, readers: Any = None) -> str:
    """One case in full: how to repeat it, what was written and meant, what came of it."""
    names = smallest(seed, number, kind, readers) if kind else None
    case, given, outcome = one(seed, number, names, readers)
    lines = [
        f"--seed {seed} --case {number}: {outcome.ending} {outcome.kind}",
        f"twists: {', '.join(case.twists) or 'none'}",
    ]
    if isinstance(given, pd.DataFrame):
        lines += [
            f"frame, {dict(zip(given.columns, map(str, given.dtypes), strict=True))}",
            repr(given.to_dict("list")),
        ]
    elif isinstance(given, bytes) and given[:2] == b"PK":
        lines += ["workbook, of which the cells:", text(case.grid())]
    else:
        lines += [repr(given)]
    lines.append("meant:")
    lines += [f"  {row.fate}: {row.meant or row.label}" for row in case.rows]
    lines.append(outcome.found)
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--case", type=int, help="this case alone, in full")
    parser.add_argument("--shrink", action="store_true", help="show each kind of fault by the fewest twists")
    chosen = parser.parse_args()
    if chosen.case is not None:
        print(described(chosen.seed, chosen.case))
        return 0
    start = time.perf_counter()
    tally = run(chosen.cases, chosen.seed)
    print(tally.table())
    print(f"\n{len(tally.faults)} kinds of fault, seed {chosen.seed}, {time.perf_counter() - start:.0f} s")
    for kind, numbers in sorted(tally.faults.items(), key=lambda item: -len(item[1])):
        print(f"\n## {len(numbers)} x {kind}")
        print(described(chosen.seed, numbers[0], kind if chosen.shrink else None))
    return bool(tally.faulty)


if __name__ == "__main__":
    sys.exit(main())
