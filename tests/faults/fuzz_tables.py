"""Damage tables at random, from a seed, and see that nothing wrong gets in and nothing strange comes out.

Whatever is done to a file, reading it must end in one of two ways: a table that accounts for every row of the input, or
a `PanelsError` in words. Any other exception, any warning, a lost row, an impossible count or an empty message is a
fault. Run ``python tests/faults/fuzz_tables.py`` for more than 10 000 inputs and a table of what happened.
"""

from __future__ import annotations

import argparse
import csv
import io
import re
import sys
import time
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from functools import cache

import numpy as np
import openpyxl

from metasense.panels import Panels, PanelsError, read_panels, read_tastings
from metasense.protocols import PROTOCOLS

PANELS = """panel,protocol,tastings,correct,date,tasters,blind,planned,reported,weeks,notes
Spring A,triangle,24,8,2025-03-04,24,double,24,yes,1.5,fine
Spring B,duo-trio,30,17,2025-03-11,30,double,30,yes,3,
Summer,tetrad,22,9,2025-06-01,22,single,24,no,4.25,"cold, and late"
Autumn,2-AFC,28,20,2025-10-30,14,none,28,yes,0,
Caf\u00e9 panel,triangle,18,9,2025-11-02,18,double,20,yes,12,
"""
ORDERS = ("BAA", "ABA", "AAB")  # the odd cup in first, second and third place
TASTINGS = "panel,protocol,taster,trial,served,answer,order\n" + "".join(
    f"P{panel},triangle,T{taster},1,{odd + 1},{1 + taster % 3},{ORDERS[odd]}\n"
    for panel in range(2)
    for taster in range(6)
    for odd in [(panel + taster) % 3]
)
CELLS = (
    *(
        "",
        " ",
        "NA",
        "-1",
        "1e9",
        "1e999",
        "1,000",
        "1.000",
        "12/30",
        "50%",
        "12,5",
        "0,5",
        "12.5",
        "nan",
        "inf",
        "True",
        "7.0",
    ),
    *(
        "03/04/2025",
        "2025-02-30",
        "31.12.2025",
        "=1+1",
        "@x",
        "#REF!",
        "\u0663",
        "\uff11\uff12",
        "9" * 40,
        "a" * 500,
        "\u00a0",
    ),
    *(
        "<b>x</b>",
        "triangel",
        "yes",
        "\u202egnp",
        "x\ny",
        '"',
        '"" ',
        "'=1",
        "\u0000",
        "\ufeff",
        "\U0001f37a",
        "{value}",
        "%s",
        "\x1f",
    ),
)
Rng = np.random.Generator


def pick(rng: Rng, items):
    return items[int(rng.integers(len(items)))]


# --- ways to damage text --------------------------------------------------------------------------------------------


def cell(text: str, rng: Rng) -> str:
    rows = list(csv.reader(io.StringIO(text)))
    for _ in range(int(rng.integers(1, 4))):
        row = pick(rng, rows)
        row[int(rng.integers(len(row)))] = pick(rng, CELLS)
    out = io.StringIO()
    csv.writer(out, lineterminator=pick(rng, ["\n", "\r\n", "\r"]), delimiter=pick(rng, ",,;\t|")).writerows(rows)
    return out.getvalue()


def characters(text: str, rng: Rng) -> str:
    out = list(text)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(len(out)))
        out[at : at + int(rng.integers(0, 2))] = pick(
            rng, ['"', ",", ";", "\t", "\n", "\r", "'", "\u00a0", "0", "x", "=", "-", "."]
        )
    return "".join(out)


def lines(text: str, rng: Rng) -> str:
    out = text.splitlines()
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(out)))
        match int(rng.integers(6)):
            case 0:
                out.insert(at, pick(rng, ["", "   ", ",,,,,", "Our panels", "sep=;", "#", ",".join(["x"] * 30)]))
            case 1:
                out.insert(at, pick(rng, out))
            case 2:
                out[at] = out[at][: int(rng.integers(len(out[at]) + 1))]
            case 3:
                out[at] += pick(rng, [",", ",,", ",x", '"', ";", " "])
            case 4:
                out[at] = out[at].replace(",", pick(rng, [";", "\t", ", ", " ,"]))
            case _:
                if len(out) > 1:
                    del out[at]
    return "\n".join(out) + pick(rng, ["", "\n", "\n\n", "\n \n"])


def header(text: str, rng: Rng) -> str:
    first, _, rest = text.partition("\n")
    names = first.split(",")
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(names)))
        change: Callable[[str], str] = pick(
            rng,
            [
                str.upper,
                lambda s: s.replace("_", " "),
                lambda s: s[:-1],
                lambda s: s + s[-1:],
                lambda _: "",
                lambda _: "n",
                lambda _: "notes",
                lambda _: "x",
                lambda s: f' "{s}" ',
                lambda _: "Unnamed: 3",
                lambda _: pick(rng, names),
            ],
        )
        names[at] = change(names[at])
    return ",".join(names) + "\n" + rest


def encoded(text: str, rng: Rng) -> bytes:
    codec = pick(
        rng,
        [
            "utf-8",
            "utf-8-sig",
            "utf-16",
            "utf-16-le",
            "utf-32",
            "cp1252",
            "latin-1",
            "mac-roman",
            "cp1250",
            "shift-jis",
        ],
    )
    return text.encode(codec, "replace")


def raw(text: str, rng: Rng) -> bytes:
    data = bytearray(text.encode(pick(rng, ["utf-8", "utf-16", "cp1252"])))
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(len(data)))
        data[at : at + int(rng.integers(0, 2))] = rng.bytes(int(rng.integers(0, 3)))
    return bytes(data[: int(rng.integers(1, len(data) + 1))] if rng.random() < 0.2 else data)


# --- ways to damage a workbook --------------------------------------------------------------------------------------


@cache
def workbook(text: str) -> bytes:
    book = openpyxl.Workbook()
    for row in csv.reader(io.StringIO(text)):
        book.active.append([float(c) if re.fullmatch(r"\d+(\.\d+)?", c) else c or None for c in row])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def workbook_cells(text: str, rng: Rng) -> bytes:
    book = openpyxl.load_workbook(io.BytesIO(workbook(text)))
    tab = book.active
    for _ in range(int(rng.integers(1, 4))):
        where = tab.cell(int(rng.integers(1, tab.max_row + 3)), int(rng.integers(1, tab.max_column + 2)))
        try:
            where.value = pick(rng, [*CELLS, 1, 0.5, -3, True, "=SUM(1,2)", None, 45000])
        except openpyxl.utils.exceptions.IllegalCharacterError:
            where.value = "?"
    match int(rng.integers(6)):
        case 0:
            tab.merge_cells(start_row=1, start_column=1, end_row=1, end_column=int(rng.integers(2, 6)))
        case 1:
            tab.insert_rows(1, int(rng.integers(1, 3)))
        case 2:
            book.create_sheet("Other", 0)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def workbook_parts(text: str, rng: Rng) -> bytes:
    """Damage the XML inside, or leave a part out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook(text))) as old, zipfile.ZipFile(out, "w") as new:
        hit = pick(rng, old.namelist())
        for name in old.namelist():
            part = bytearray(old.read(name))
            if name == hit or name.endswith("sheet1.xml"):
                if rng.random() < 0.3 and name == hit:
                    continue
                at = int(rng.integers(len(part)))
                part[at : at + int(rng.integers(0, 4))] = pick(
                    rng, [b"", b"9", b"<", b"A1", b"\x00", b"1048577", b's="99"']
                )
            new.writestr(name, bytes(part))
    return out.getvalue()


def workbook_bytes(text: str, rng: Rng) -> bytes:
    data = bytearray(workbook(text))
    for _ in range(int(rng.integers(1, 5))):
        data[int(rng.integers(len(data)))] = int(rng.integers(256))
    return bytes(data[: int(rng.integers(len(data)))] if rng.random() < 0.3 else data)


KINDS: dict[str, tuple[Callable[[str, Rng], str | bytes], float]] = {  # damage, share of the inputs
    "cells of a CSV": (cell, 0.25),
    "characters of a CSV": (characters, 0.2),
    "lines of a CSV": (lines, 0.15),
    "headers of a CSV": (header, 0.1),
    "encoding of a CSV": (encoded, 0.05),
    "bytes of a CSV": (raw, 0.1),
    "cells of a workbook": (workbook_cells, 0.07),
    "parts of a workbook": (workbook_parts, 0.04),
    "bytes of a workbook": (workbook_bytes, 0.04),
}


# --- what must hold -------------------------------------------------------------------------------------------------


def rows_in(data: bytes, notes: tuple[str, ...]) -> int | None:
    """Rows that are not blank, below the header, counted without metasense; None where that is not possible."""
    if data.startswith(b"PK"):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
            except Exception:  # a part that holds no cells is damaged, such as the theme
                return None
        try:
            cells = [
                [str(c or "" if c is not False else c) for c in row]
                for row in book.worksheets[0].iter_rows(values_only=True)
            ]
        except ValueError:  # rows beyond the last that a sheet can have: openpyxl's own cells cannot be walked
            return None
        return sum(any(c.strip() for c in row) for row in cells) - 1
    for codec in ("utf-8-sig", "utf-32" if data[:4] in (b"\xff\xfe\0\0", b"\0\0\xfe\xff") else "utf-16", "cp1252"):
        try:
            if codec != "utf-16" or data[:2] in (b"\xff\xfe", b"\xfe\xff"):
                text = data.decode(codec)
                break
        except UnicodeDecodeError:
            continue
    else:
        return None
    said = " ".join(notes)
    mark = ";" if "by semicolons" in said else "\t" if "by tabs" in said else "|" if "by upright bars" in said else ","
    rows: list = [re.split(re.escape(mark), line) for line in re.split(r"\r\n|\r|\n", text)]
    if '"' in text:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark, skipinitialspace=True))
    return sum(any(c.strip() for c in row) for row in rows) - 1 - ("names the separator" in said)


def fault(data: bytes, read: Callable) -> tuple[str, str]:
    """("clean" | "refused" | "fault", why): what reading this input came to."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            table = read(data)
        except PanelsError as error:
            words = str(error)
            if len(words) < 20 or re.search(r"object at 0x|Traceback|dtype|<NA>|\bNone\b|numpy|pandas", words):
                return "fault", f"words: {words}"
            return "refused", ""
        except Exception as error:  # the very thing we look for
            return "fault", f"{type(error).__name__}: {error}"
    frame = table.frame
    expected = rows_in(data, table.notes)
    if expected is not None and expected != len(frame):
        return "fault", f"{len(frame)} rows read of {expected}"
    if not set(frame["protocol"]) <= set(PROTOCOLS) or frame["panel"].isna().any():
        return "fault", "a row without panel or protocol"
    if isinstance(table, Panels):
        forced = frame[frame["tastings"].notna()]
        possible = (forced["correct"] >= 0) & (forced["correct"] <= forced["tastings"])
        if not possible.all() or frame["panel"].duplicated().any() or (frame["tasters"] > frame["tastings"]).any():
            return "fault", "impossible counts"
    else:
        panels = table.to_panels()
        if int(panels.frame["tastings"].sum()) != int(frame["correct"].notna().sum()):
            return "fault", "tastings lost on the way to panels"
    return "clean", ""


def run(inputs: int, seed: int) -> tuple[dict[str, Counter], list[str]]:
    """Damage and read `inputs` tables; counts by kind of damage, and the faults."""
    rng = np.random.default_rng(seed)
    counts: dict[str, Counter] = {kind: Counter() for kind in KINDS}
    faults = []
    for kind, (damage, share) in KINDS.items():
        for i in range(max(1, round(share * inputs))):
            text, read = (PANELS, read_panels) if i % 3 else (TASTINGS, read_tastings)
            data = damage(text, rng)
            data = data.encode("utf-8", "replace") if isinstance(data, str) else data
            outcome, why = fault(data, read)
            counts[kind][outcome] += 1
            if outcome == "fault":
                faults.append(f"{kind}: {why}\n    {data[:2000]!r}")
    return counts, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=12_000)
    parser.add_argument("--seed", type=int, default=20250304)
    chosen = parser.parse_args()
    start = time.perf_counter()
    counts, faults = run(chosen.inputs, chosen.seed)
    print(f"{'damage to':<22}{'inputs':>8}{'clean':>8}{'refused':>9}{'faults':>8}")
    for kind, outcomes in [*counts.items(), ("all", sum(counts.values(), Counter()))]:
        numbers = sum(outcomes.values()), outcomes["clean"], outcomes["refused"], outcomes["fault"]
        print(f"{kind:<22}{numbers[0]:>8}{numbers[1]:>8}{numbers[2]:>9}{numbers[3]:>8}")
    print(f"seed {chosen.seed}, {time.perf_counter() - start:.0f} s")
    print("\n".join(faults[:20]))
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
