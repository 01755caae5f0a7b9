"""Saved pools that were damaged, and such as somebody might send to do harm.

Damage is zeroed sectors of 512 bytes, flipped bits, bytes overwritten, pieces moved and cut. The hostile ones carry the
right sum: what they hold could not have been saved.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

import metasense as ms
from metasense.results import archive, container, older

SECTOR = 512


def today(path: Path) -> bytes:
    """A stored file in today's format."""
    data = path.read_bytes()
    return older.converted(data) if data.startswith(older.MAGIC) else data


def damaged(folder: Path, path: Path, *, sectors: int | None = None, others: int = 5000, seed: int = 1) -> tuple:
    """Cases tried, how many of them did no harm, and the seconds of the slowest; raises for anything but a refusal."""
    data = path.read_bytes()
    whole = json.dumps(_everything(path))
    rng = np.random.default_rng(seed)
    places = range(0, len(data), SECTOR)
    if sectors is not None:
        places = sorted(rng.choice(len(places), sectors, replace=False) * SECTOR)
    harmless = 0
    slowest = 0.0
    target = folder / "damaged.nc"
    cases = [lambda at=at: _zeroed(data, at) for at in places]
    cases += [lambda: _damage(data, rng) for _ in range(others)]
    tried = 0
    for make in cases:
        bytes_ = make()
        if bytes_ == data:  # written over by the same
            continue
        tried += 1
        target.write_bytes(bytes_)
        start = time.perf_counter()
        try:
            archive.read(target)
        except archive.ArchiveError:
            pass
        else:
            harmless += 1
            assert json.dumps(_everything(target)) == whole, "damage passed for data"
        slowest = max(slowest, time.perf_counter() - start)
    return tried, harmless, slowest


def _everything(path: Path) -> Any:
    read = archive.read(path)
    draws = {name: values.to_numpy().tolist() for name, values in read.draws.variables.items()}
    return [read.record, read.panels.fingerprint, read.panels.source, read.panels.notes, read.answer.to_csv(), draws]


def _zeroed(data: bytes, at: int) -> bytes:
    out = bytearray(data)
    out[at : at + SECTOR] = bytes(len(out[at : at + SECTOR]))
    return bytes(out)


def _damage(data: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(data)
    kind = rng.integers(5)
    at, other = (int(x) for x in rng.integers(len(out), size=2))
    size = int(2 ** rng.uniform(0, 12))
    if kind == 0:
        out[at] ^= 1 << int(rng.integers(8))
    elif kind == 1:
        out[at : at + size] = rng.bytes(len(out[at : at + size]))
    elif kind == 2:
        out[at : at + size] = out[other : other + len(out[at : at + size])]
    elif kind == 3:
        del out[at : at + size]
    else:
        out[at : at + 8] = (b"\xff" * 8)[: len(out[at : at + 8])]
    return bytes(out)


# --- hostile, in today's format ---------------------------------------------------------------------------------------

Change = Callable[[dict[str, str], dict[str, container.Variable]], None]


def _text(name: str, text: str) -> Change:
    return lambda about, variables: about.update({name: text})


def _part(name: str, **parts: Any) -> Change:
    return lambda about, variables: about.update({name: json.dumps(json.loads(about[name]) | parts)})


def _values(name: str, value: float) -> Change:
    def change(about: dict[str, str], variables: dict[str, container.Variable]) -> None:
        values = variables[name].values.copy()
        values.flat[0] = value
        variables[name] = replace(variables[name], values=values)

    return change


def _about(name: str, **texts: str) -> Change:
    def change(about: dict[str, str], variables: dict[str, container.Variable]) -> None:
        variables[name] = replace(variables[name], about={**variables[name].about, **texts})

    return change


def _without(name: str) -> Change:
    return lambda about, variables: [part.pop(name) for part in (about, variables) if name in part]


DEEP = "[" * 100_000
RECORD = ("margin", "priors", "settings", "structure", "evidences", "verdict", "advice", "card", "versions")
WRONG = {"a number": "7", "a list": "[1]", "a text": '"x y"', "true": "true", "deep": DEEP, "no JSON": "{"}
HOSTILE: dict[str, Change] = {
    f"{name} is {what}": _text(name, text) for name in RECORD for what, text in WRONG.items()
} | {
    "no margin": _without("margin"),
    "an unknown part": _text("extra_part", "{"),
    "extra structure": _text("structure", '{"command": "x"}'),
    "a moderator that is not there": _text("structure", '{"moderators": ["absent"]}'),
    "a level that is not there": _text("structure", '{"within": "absent"}'),
    "priors of nothing": _part("priors", mu_scale=0),
    "priors without end": _text("priors", '{"mu_scale": Infinity, "tau_scale": 0.5, "beta_scale": 0.5}'),
    "draws below 0": _part("settings", draws=-1),
    "a number of 5,000 digits": _text("settings", '{"draws": ' + "9" * 5000 + "}"),
    "an unknown method": _part("settings", method="magic"),
    "a deep card": _text("card", json.dumps({"text": "x = " + "[" * 50_000, "edited": False})),
    "a card of dots": _text("card", json.dumps({"text": "a." * 49_000 + "a = 1", "edited": False})),
    "a card that is none": _text("card", json.dumps({"text": "x = 1", "edited": False})),
    "a long card": _text("card", json.dumps({"text": "#" * 10_000_000, "edited": False})),
    "notes that are numbers": _text("panels_notes", "[1]"),
    "a source that is a list": _text("panels_source", "[]"),
    "more correct than tastings": _values("panels_correct", 25),
    "a count below 0": _values("panels_tastings", -1),
    "half a taster": _values("panels_tasters", 0.5),
    "a count without end": _values("panels_tastings", np.inf),
    "a count too large": _values("panels_tastings", 1e300),
    "an unnoticed change": _values("panels_correct", 10),
    "a number that is none": _values("panels_weeks", np.inf),
    "a date out of reach": _values("panels_date", 1e15),
    "another kind of column": _about("panels_tastings", kept_as="Float64"),
    "an unknown kind of column": _about("panels_tastings", kept_as="pickle"),
    "a column twice": _about("panels_tasters", column='"tastings"'),
    "numbers in place of names": _about("panels_tastings", kept_as="string"),
    "names in place of numbers": _about("panels_panel", kept_as="Int64"),
    "an answer of words": _about("answer_mean", kept_as="string"),
    "draws of words": _about("draws_average", kept_as="str"),
    "draws without end": _values("draws_average", np.inf),
    "draws that are missing": _without("draws_average"),
    "a spread that is missing": _without("draws_spread"),
    "panels that are missing": _without("panels_panel"),
    "an answer that is missing": _without("answer_quantity"),
    "no format": _without("metasense_format"),
    "a format in words": _text("metasense_format", "two"),
    "a format in other digits": _text("metasense_format", "\u00b2"),
}


# --- hostile, in the first format -------------------------------------------------------------------------------------


def _unwritten(count: int) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        import netCDF4

        with netCDF4.Dataset(path, "w") as file:
            _title(file)
            group = file.createGroup("draws")
            group.createDimension("draw", count)
            group.createVariable("average", float, ("draw",), compression="zlib", chunksizes=(10**6,))

    return make


def _title(file: Any) -> None:
    file.title = "Sensory panels, pooled by metasense"
    file.metasense_format = 1
    file.metasense = "0.1.0"
    file.contents_sha256 = "0" * 64


def _many_groups(path: Path) -> None:
    import netCDF4

    with netCDF4.Dataset(path, "w") as file:
        _title(file)
        for i in range(200):
            file.createGroup(f"group{i}")


def _deep_groups(path: Path) -> None:
    import netCDF4

    with netCDF4.Dataset(path, "w") as file:
        _title(file)
        group = file
        for _ in range(60):
            group = group.createGroup("g")


def _cycle(path: Path) -> None:
    """A group that holds itself, by a hard link: stored, since netCDF4 does not make one."""
    path.write_bytes((Path(__file__).parents[1] / "data" / "hostile_cycle.h5").read_bytes())


def _zeroed_old(at: int) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        stored = Path(__file__).parents[1] / "data" / "saved_grid_python313.nc"
        path.write_bytes(_zeroed(stored.read_bytes(), at))

    return make


HOSTILE_HDF5: dict[str, Callable[[Path], None]] = {
    "300,000,000 unwritten numbers": _unwritten(3 * 10**8),
    "1,000,000,000 unwritten numbers": _unwritten(10**9),
    "many groups": _many_groups,
    "deep groups": _deep_groups,
    "a group that holds itself": _cycle,
}


def main() -> None:
    """All sectors and 5,000 other damages of a file of each format, and every hostile file: one line each."""
    import resource
    import tempfile

    data = Path(__file__).parents[1] / "data"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        old = data / "saved_grid_python313.nc"
        new = ms.load(old).save(folder / "new.nc")
        others = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
        for path, count in ((new, others), (old, others // 10)):
            start = time.perf_counter()
            tried, harmless, slowest = damaged(folder, path, others=count)
            took = time.perf_counter() - start
            print(f"{path.name}: {tried} tried, {harmless} harmless, slowest {slowest:.2f} s, {took:.0f} s in all")
        about, variables = container.unpack(today(old))
        times = {}
        for what in [*HOSTILE, *HOSTILE_HDF5]:
            path = folder / "hostile.nc"
            if what in HOSTILE:
                texts, arrays = dict(about), dict(variables)
                HOSTILE[what](texts, arrays)
                path.write_bytes(container.pack(texts, arrays))
            else:
                HOSTILE_HDF5[what](path)
            start = time.perf_counter()
            try:
                ms.load(path)
                raise AssertionError(f"{what} was let in")
            except archive.ArchiveError:
                times[what] = time.perf_counter() - start
        worst = max(times, key=times.get)
        print(f"{len(times)} hostile files refused, slowest {worst}: {times[worst]:.2f} s")
        for who, label in ((resource.RUSAGE_SELF, "here"), (resource.RUSAGE_CHILDREN, "elsewhere")):
            print(f"most memory {label}: {resource.getrusage(who).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
