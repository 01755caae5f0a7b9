"""Faults of what is put in: extreme counts, priors and margins that cannot be, tables wide, foreign and odd.

Each ends in an answer without a stray nan, inf or None in what it shows, or in one error in words. Each check returns
how many cases it tried and how many of them were refused, and raises AssertionError with the first fault.
"""

from __future__ import annotations

import contextlib
import io
import math
import re
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from faults import damage, truth_tables

import metasense as ms
from metasense.cli import main

STRAY = re.compile(r"\bnan\b|\b-?inf\b|\bNone\b|\bNaT\b|<NA>|Traceback|object at 0x")
Result = tuple[int, int]  # cases, of them refused


def shown(value: Any) -> None:
    """The result shows itself in both ways without anything stray."""
    for text in (repr(value), value._repr_html_() if hasattr(value, "_repr_html_") else ""):
        stray = STRAY.search(text)
        assert not stray, f"...{text[max(stray.start() - 80, 0) : stray.end() + 40]!r}"


def tried(what: str, make: Callable[[], Any], *, refused: bool | None = None) -> int:
    """1 if `make` ends in a refusal in words, 0 if in an answer that shows itself; anything else is a fault."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            shown(make())
        except (ValueError, ArithmeticError, OSError) as error:
            words = str(error)
            assert len(words) > 25 and not re.search(r"Traceback|object at 0x|dtype|numpy|broadcast", words), (
                f"{what}: {words}"
            )
            assert refused is not False, f"{what} was refused: {words}"
            return 1
        except AssertionError as fault:
            raise AssertionError(f"{what}: {fault}") from None
        except Exception as error:
            raise AssertionError(f"{what}: {type(error).__name__}: {error}") from error
    assert not refused, f"{what} was accepted"
    return 0


def command(*words: str) -> tuple[int, str, str]:
    """Exit code and what the command line printed."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(list(words))
    return code, out.getvalue(), err.getvalue()


def as_meant(folder: Path, *, tables: int = 20_000) -> Result:
    """Tables of known truth, written as people and spreadsheets write them: read as meant, said, or refused."""
    tally = truth_tables.run(tables)
    first = next(iter(tally.faults.values()), [0])[0]
    assert not tally.faulty, f"{tally.kinds()}\n{truth_tables.described(truth_tables.SEED, first)}"
    return tally.endings.total(), tally.endings["refused"]


def damaged(folder: Path, *, tables: int = 10_500) -> Result:
    """Damaged CSV and Excel files, at random."""
    counts, faults = damage.run(tables)
    assert not faults, faults[0]
    return sum(c.total() for c in counts.values()), sum(c["refused"] for c in counts.values())


FORCED = ("triangle", "2-AFC", "two-out-of-five")
TWO_COUNTS = ("A-not-A", "same-different")
SIZES = (1, 2, 3, 30, 1000, 20_000, 100_001, 10**6, 10**9)


def counts(folder: Path, *, sizes: tuple[int, ...] = SIZES, tests: tuple[str, ...] = FORCED) -> Result:
    """From 1 to 1e9 tastings: none, few, as guessed, and all correct; table, one panel, pool and command line."""
    cases = refused = 0
    for test in tests:
        for n in sizes:
            for x in sorted({0, n // 20, int(n * ms.protocol(test).guess), n}):
                table = {"panel": ["A"], "protocol": [test], "tastings": [n], "correct": [x]}
                file = folder / "extreme.csv"
                file.write_text(f"panel,protocol,tastings,correct\nA,{test},{n},{x}\n")
                what = f"{x} correct of {n} in a {test}"
                refused += tried(f"table: {what}", lambda t=table: ms.read_panels(t), refused=False)
                refused += tried(f"one panel: {what}", lambda t=test, n=n, x=x: ms.one_panel(t, n, x), refused=False)
                cases += 2
                if n <= 1000 or (test == "triangle" and (x in (0, n) or n > 100_000)):
                    refused += tried(f"pool: {what}", lambda t=table: ms.pool(t), refused=n > 100_000)
                    code, out, err = command("pool", str(file))
                    assert code == (2 if n > 100_000 else code) and not STRAY.search(out + err), f"{what}: {out}{err}"
                    assert bool(out) == (code < 2) and bool(err) == (code == 2), f"{what}: {code} {out} {err}"
                    cases, refused = cases + 2, refused + (code == 2)
    return cases, refused


def two_counts(
    folder: Path,
    *,
    sizes: tuple[int, ...] = (1, 40, 5000, 50_000, 10**9),
    tests: tuple[str, ...] = TWO_COUNTS,
    patterns: int = 5,
) -> Result:
    """A-not-A and same-different with none, all, or only false alarms, and with rates that leave something to tell."""
    cases = refused = 0
    margin = ms.Margin(d_prime=0.5)
    for test in tests:
        for n in sizes:
            for hits, alarms in ((n, 0), (0, n), (0, 0), (n, n), (n - n // 10, n // 3))[:patterns]:
                row = {"signal": n, "hits": hits, "noise": n, "false_alarms": alarms}
                table = {"panel": ["A"], "protocol": [test]} | {k: [v] for k, v in row.items()}
                what = f"{hits} hits and {alarms} false alarms of {n} in {test}"
                refused += tried(
                    f"alone: {what}", lambda t=test, r=row: ms.one_panel(t, **r, margin=margin), refused=False
                )
                refused += tried(f"in a table: {what}", lambda t=table: ms.read_panels(t), refused=False)
                refused += tried(f"pool: {what}", lambda t=table: ms.pool(t, margin=margin), refused=2 * n > 100_000)
                cases += 3
    return cases, refused


ODD = (math.nan, math.inf, -math.inf, -1.0, 0.0, 1e300, 1e-320, "much", None, True, 1j, [1.0])


def priors(folder: Path) -> Result:
    """Prior scales that are no numbers, negative, zero or huge; the smallest and largest allowed give answers."""
    cases = refused = 0
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [24, 11]}
    for name in ("centre_scale", "spread_scale", "slope_scale"):
        for value in ODD:
            refused += tried(f"{name}={value!r}", lambda n=name, v=value: ms.pool(table, priors=ms.Priors(**{n: v})))
            cases += 1
    assert refused >= cases - 6, "scales that cannot be were accepted"
    for scales in ((0.01, 0.01), (3.0, 1.5), (3.0, 0.001), (0.01, 1.5)):
        refused += tried(f"scales {scales}", lambda s=scales: ms.pool(table, priors=ms.Priors(*s)), refused=False)
        cases += 1
    return cases, refused


TEXTS = ("", " ", "nan", "inf triangle", "0.2", "triangle", "0.2 0.3 triangle", "d'=-1", "d'=nan", "d'=1e300")
TEXTS += ("p_d=0.2 d'=0.5", "\u0000", "9" * 5000)


def margins(folder: Path) -> Result:
    """Margins that are no numbers, out of range, in two forms at once, or for no protocol; texts that are none."""
    cases = refused = 0
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [12, 11]}
    wrong: list[tuple[str, Callable[[], Any]]] = []
    for value in ODD:
        if value != 1e-320:
            wrong += [(f"d_prime={value!r}", lambda v=value: ms.Margin(d_prime=v))]
        wrong += [(f"p_d={value!r}", lambda v=value: ms.Margin(p_d=v, protocol="triangle"))]
    for value in (1.0, 1.0000001, 20, -0.2):
        wrong.append((f"p_d={value!r}", lambda v=value: ms.Margin(p_d=v, protocol="triangle")))
    wrong += [
        ("two forms", lambda: ms.Margin(d_prime=0.5, p_d=0.2, protocol="triangle")),
        ("no form", lambda: ms.Margin()),
        ("a p_d of no protocol", lambda: ms.Margin(p_d=0.2)),
        ("a d-prime of a protocol", lambda: ms.Margin(d_prime=0.2, protocol="triangle")),
        ("a protocol of two counts", lambda: ms.Margin(p_d=0.2, protocol="A-not-A")),
        ("an unknown protocol", lambda: ms.Margin(p_d=0.2, protocol="\u202egnp")),
        ("a number", lambda: ms.pool(table, margin=0.5)),  # type: ignore[call-overload]
        *((repr(text), lambda text=text: ms.Margin.parse(text)) for text in TEXTS),
    ]
    for what, make in wrong:
        refused += tried(f"margin {what}", make, refused=None if "True" in what else True)
        cases += 1
    for value in (1e-6, 1e-3, 8.0, 100.0):
        refused += tried(f"margin {value}", lambda v=value: ms.pool(table, margin=ms.Margin(d_prime=v)), refused=False)
        cases += 1
    return cases, refused


NAMES = (
    *("\u05e4\u05d0\u05e0\u05dc \u05d0", "\u0644\u0648\u062d\u0629 1", "\u202etriangle"),
    *(
        "\U0001f37a panel \U0001f468\u200d\U0001f469\u200d\U0001f467",
        "e\u0301te\u0301",
        "a\u0300\u0301\u0302\u0303\u0304",
    ),
    *("zero\u200bwidth", "\ufeffbom", "Stra\u00dfe", "\u1e9e", "\u4e2d\u6587", "x" * 300),
    *("<script>alert(1)</script>", "=1+1", "{value} %s", "\\N{x}", "$x_1$ ^_&%"),
)


def names(folder: Path) -> Result:
    """Panels named right to left, in emoji, with combining and invisible characters, markup and formulas."""
    table = {
        "panel": list(NAMES),
        "protocol": "triangle",
        "tastings": 24,
        "correct": [8 + i % 9 for i in range(len(NAMES))],
    }
    panels = ms.read_panels(table)
    assert len(panels) == len(NAMES)
    pooled = ms.pool(panels)
    shown(pooled)
    assert "<script>alert" not in pooled._repr_html_()
    page = pooled.report(folder / "names.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert page.lower().replace("&lt;script", "").count("<script") == 2  # our own: what the margin moves over, and how
    back = ms.read_panels(panels.to_csv(folder / "names.csv"))
    assert list(back.frame["panel"]) == list(panels.frame["panel"]), "names changed on the way through a CSV"
    again = ms.load(pooled.save(folder / "names.nc"))
    assert list(again.panels.frame["panel"]) == list(panels.frame["panel"]), "names changed on the way through netCDF"
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.filterwarnings("ignore", message=r"Glyph|.*missing from font", category=UserWarning)
        pooled.plot().figure.savefig(io.BytesIO(), format="svg")
    return len(NAMES), 0


def line_ends(folder: Path) -> Result:
    """Windows and old Mac line ends, with and without a byte order mark, mean the same table."""
    text = 'panel,protocol,tastings,correct,notes\nA,triangle,24,12,"two\nlines"\nB,duo-trio,30,18,\n'
    frames = []
    for end in ("\n", "\r\n", "\r"):
        for mark in (b"", b"\xef\xbb\xbf"):
            (folder / "ends.csv").write_bytes(mark + text.replace("\n", end).encode())
            frames.append(ms.read_panels(folder / "ends.csv").frame.drop(columns="notes"))
    assert all(frame.equals(frames[0]) for frame in frames[1:]), "line ends changed the table"
    return len(frames), 0


def wide(folder: Path, *, columns: int = 10_000) -> Result:
    """A table with thousands of columns."""
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [12, 11]}
    table |= {f"extra {i}": [i, i + 1] for i in range(columns)}
    panels = ms.read_panels(table)
    assert len(panels.frame.columns) >= columns
    shown(panels)
    pooled = ms.pool(panels)
    shown(pooled)
    assert np.isfinite(pooled.average.mean)
    return 1, 0


CHECKS: dict[str, tuple[Callable[..., Result], dict[str, Any]]] = {  # the check, and what makes it small
    "tables of known truth": (as_meant, {"tables": 60}),
    "damaged tables": (damaged, {"tables": 80}),
    "extreme counts": (counts, {"sizes": (1, 30, 10**9)}),
    "extreme yes and no": (two_counts, {"sizes": (12,), "tests": ("A-not-A",), "patterns": 3}),
    "priors that cannot be": (priors, {}),
    "margins that cannot be": (margins, {}),
    "names of all kinds": (names, {}),
    "line ends": (line_ends, {}),
    "10,000 columns": (wide, {"columns": 2000}),
}
