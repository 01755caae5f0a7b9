"""Damage tables at random, from a seed: bytes, characters, lines, encodings, the parts of a workbook.

What such a file means nobody knows, so nothing is compared: reading it must end in a table whose counts are possible, or
in a `PanelsError` in words. Any other exception, any warning, an empty message is a fault.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from typing import Any

import numpy as np
from faults import truth_tables
from faults.cases import Rng, panels, pick, tastings
from faults.sheets import Sheet, text, workbook

import metasense as ms

CHARACTERS = ('"', ",", ";", "\t", "\n", "\r", "'", "\u00a0", "0", "x", "=", "-", ".", "\u0000", "\u202e", "%")
LINES = ("", "   ", ",,,,,", "Our panels", "sep=;", "#", ",".join("x" * 30), '"', "9" * 40, "1e999,@x,#REF!,\u0663")
CODECS = ("utf-16-le", "utf-32", "latin-1", "mac-roman", "cp1250", "shift-jis", "utf-7")


def characters(table: str, rng: Rng) -> bytes:
    out = list(table)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(len(out)))
        out[at : at + int(rng.integers(0, 2))] = pick(rng, CHARACTERS)
    return "".join(out).encode()


def lines(table: str, rng: Rng) -> bytes:
    out = table.splitlines()
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(len(out)))
        match int(rng.integers(5)):
            case 0:
                out.insert(at, pick(rng, (*LINES, pick(rng, out))))
            case 1:
                out[at] = out[at][: int(rng.integers(len(out[at]) + 1))]
            case 2:
                out[at] += pick(rng, (",", ",,", ",x", '"', ";", " "))
            case 3:
                out[at] = out[at].replace(",", pick(rng, (";", "\t", ", ", " ,")))
            case _:
                if len(out) > 1:
                    del out[at]
    return "\n".join(out).encode()


def encodings(table: str, rng: Rng) -> bytes:
    return table.encode(pick(rng, CODECS), "replace")


def some_bytes(table: str, rng: Rng) -> bytes:
    return _changed(table.encode(pick(rng, ("utf-8", "utf-16", "cp1252")), "replace"), rng)


def _changed(whole: bytes, rng: Rng) -> bytes:
    data = bytearray(whole)
    for _ in range(int(rng.integers(1, 5))):
        at = int(rng.integers(len(data)))
        data[at : at + int(rng.integers(0, 2))] = rng.bytes(int(rng.integers(0, 3)))
    return bytes(data[: int(rng.integers(1, len(data) + 1))] if rng.random() < 0.25 else data)


def _book(table: str) -> bytes:
    return workbook([Sheet([line.split(",") for line in table.splitlines()])])


def workbook_parts(table: str, rng: Rng) -> bytes:
    """Damage the XML inside, or leave a part out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_book(table))) as old, zipfile.ZipFile(out, "w") as new:
        hit = pick(rng, old.namelist())
        for name in old.namelist():
            part = bytearray(old.read(name))
            if name == hit and rng.random() < 0.3:
                continue
            if name == hit or name.endswith("sheet1.xml"):
                at = int(rng.integers(len(part)))
                new_part = pick(rng, (b"", b"9", b"<", b"A1", b"\x00", b"1048577", b's="99"', b"&lol;"))
                part[at : at + int(rng.integers(0, 4))] = new_part
            new.writestr(name, bytes(part))
    return out.getvalue()


def workbook_bytes(table: str, rng: Rng) -> bytes:
    return _changed(_book(table), rng)


KINDS: dict[str, tuple[Callable[[str, Rng], bytes], float]] = {  # damage, share of the tables
    "characters": (characters, 0.3),
    "lines": (lines, 0.25),
    "encodings": (encodings, 0.05),
    "bytes": (some_bytes, 0.2),
    "parts of a workbook": (workbook_parts, 0.12),
    "bytes of a workbook": (workbook_bytes, 0.08),
}


def judged(data: bytes, read: Callable[[Any], Any]) -> tuple[str, str]:
    """("read" | "refused" | "fault", why): what reading this came to."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            table = read(data)
            made = table.to_panels() if isinstance(table, ms.Tastings) else table
        except ms.PanelsError as error:
            words = str(error)
            if len(words) < 20 or truth_tables.STRANGE.search(words):
                return "fault", f"words: {words}"
            return "refused", ""
        except Exception as error:  # the very thing we look for
            return "fault", f"{type(error).__name__}: {error}"
    frame = made.frame
    known = frame["protocol"].isin(list(ms.PROTOCOLS)) & frame["panel"].notna()
    forced = frame[frame["tastings"].notna()]
    possible = (forced["correct"] >= 0) & (forced["correct"] <= forced["tastings"])
    if not known.all() or not possible.all() or frame["panel"].duplicated().any():
        return "fault", "impossible panels or counts"
    return "read", ""


def run(number: int, seed: int = truth_tables.SEED) -> tuple[dict[str, Counter], list[str]]:
    """Damage and read so many tables; counts by kind of damage, and the faults."""
    counts: dict[str, Counter] = {kind: Counter() for kind in KINDS}
    faults = []
    for kind, (damage, share) in KINDS.items():
        for i in range(max(1, round(share * number))):
            rng = np.random.default_rng([seed, i, *kind.encode()])
            case = (tastings if i % 3 else panels)(rng)
            data = damage(text(case.grid()), rng)
            ending, why = judged(data, truth_tables.READERS[case.kind])
            counts[kind][ending] += 1
            if ending == "fault":
                short = re.sub(r"(?<=.{2000}).*", "...", repr(data), flags=re.S)
                faults.append(f"{kind}, seed {seed}, table {i}: {why}\n    {short}")
    return counts, faults
