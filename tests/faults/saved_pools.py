"""Saved pools that were damaged, and such as somebody might send to do harm.

Damage is zeroed sectors of 512 bytes, flipped bits, bytes overwritten, pieces moved and cut. The hostile ones carry the
right sum: what they hold could not have been saved.
"""

from __future__ import annotations

import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np

import metasense as ms
from metasense.results import archive, container, older

SECTOR = 512
OLD = Path(__file__).parents[1] / "data" / "saved_grid_python313.nc"


def today(path: Path) -> bytes:
    """A stored file in today's format."""
    data = path.read_bytes()
    return older.converted(data) if data.startswith(older.MAGIC) else data


@dataclass(frozen=True)
class Damaged:
    """How many cases were tried, how many of them did no harm, and the seconds that each took."""

    tried: int
    harmless: int
    seconds: list[float]

    def __str__(self) -> str:
        took = f"{min(self.seconds):.2f}, {median(self.seconds):.2f}, {max(self.seconds):.2f} s"
        return f"{self.tried} tried, {self.harmless} harmless; least, median and most {took}"


def damaged(folder: Path, path: Path, *, sectors: int | None = None, others: int = 5000, seed: int = 1) -> Damaged:
    """Load a file with every sector of it zeroed, or so many, and with other damage; raises for all but a refusal."""
    data = path.read_bytes()
    whole = json.dumps(_everything(path))
    rng = np.random.default_rng(seed)
    places = range(0, len(data), SECTOR)
    if sectors is not None:
        places = sorted(rng.choice(len(places), sectors, replace=False) * SECTOR)
    harmless = 0
    seconds = []
    target = folder / "damaged.nc"
    cases = [lambda at=at: _zeroed(data, at) for at in places]
    cases += [lambda: _damage(data, rng) for _ in range(others)]
    for make in cases:
        bytes_ = make()
        if bytes_ == data:  # written over by the same
            continue
        target.write_bytes(bytes_)
        start = time.perf_counter()
        try:
            archive.read(target)
        except archive.ArchiveError:
            pass
        else:
            harmless += 1
            assert json.dumps(_everything(target)) == whole, "damage passed for data"
        seconds.append(time.perf_counter() - start)
    return Damaged(len(seconds), harmless, seconds)


def most_memory() -> str:
    """The largest that this process and those it started have been, in words; empty where the system does not say."""
    try:
        import resource
    except ImportError:  # Windows
        return ""
    peaks = [resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return f"most memory: {peaks[0]:.0f} MB here, {peaks[1]:.0f} MB elsewhere"


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


HOSTILE_HDF5: dict[str, Callable[[Path], None]] = {
    "300,000,000 unwritten numbers": _unwritten(3 * 10**8),
    "1,000,000,000 unwritten numbers": _unwritten(10**9),
    "many groups": _many_groups,
    "deep groups": _deep_groups,
    "a group that holds itself": _cycle,
}


def _new(folder: Path) -> Path:
    return ms.load(OLD).save(folder / "new.nc")


def damage_of_today(folder: Path, *, others: int = 5000, sectors: int | None = None) -> tuple[int, int]:
    """Cases and refusals of damage to a file of today."""
    found = damaged(folder, _new(folder), others=others, sectors=sectors)
    print(f"    today's format: {found}")
    return found.tried, found.tried - found.harmless


def damage_of_old(folder: Path, *, others: int = 500, sectors: int | None = None) -> tuple[int, int]:
    """The same of a file of 0.1: every sector of 512 bytes zeroed, then other damage."""
    swept = damaged(folder, OLD, others=0, sectors=sectors)
    print(f"    sectors of a file of 0.1: {swept}")
    found = damaged(folder, OLD, others=others, sectors=0)
    print(f"    other damage to it: {found}")
    return swept.tried + found.tried, swept.tried - swept.harmless + found.tried - found.harmless


def hostile(folder: Path, *, share: float = 1.0) -> tuple[int, int]:
    """Every file that somebody might send, or a share of them; each must be refused."""
    about, variables = container.unpack(today(OLD))
    every = [*HOSTILE, *HOSTILE_HDF5]
    times = {}
    for what in every[:: round(1 / share)]:
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
        except archive.ArchiveError:
            times[what] = time.perf_counter() - start
        else:
            raise AssertionError(f"{what} was let in")
        path.unlink()
    worst = max(times, key=times.__getitem__)
    print(f"    slowest hostile file: {worst}, {times[worst]:.2f} s")
    return len(times), len(times)


CHECKS: dict[str, tuple[Callable[..., tuple[int, int]], dict[str, Any]]] = {  # the check, and what makes it small
    "damaged saved pools": (damage_of_today, {"others": 100, "sectors": 10}),
    "damaged pools of 0.1": (damage_of_old, {"others": 4, "sectors": 4}),
    "hostile saved pools": (hostile, {"share": 0.1}),
}


def main() -> None:
    """All of them."""
    for name, (check, _) in CHECKS.items():
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            cases, refused = check(Path(folder))
        print(f"{name}: {cases} cases, {refused} refused, {time.perf_counter() - start:.0f} s")
    print(most_memory())


if __name__ == "__main__":
    main()
