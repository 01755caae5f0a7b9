"""Saved pools of the first format: HDF5, opened by a process of its own and written anew in today's format.

The library that reads HDF5 can be sent round in circles, or made to ask for all memory, by a damaged or hostile file,
and nothing in the process it runs in can stop it. So it runs elsewhere: what a file asks for is looked at before
anything is read, memory and processor time are limited where the system can, and what comes back is checked like any
other file. Only :func:`converted` runs in the user's process.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from metasense.results import container
from metasense.results.container import Variable

MAGIC = b"\x89HDF\r\n\x1a\n"
LEAST = 0.1  # seconds of processor time for reading; else as much as starting took here, and more for larger files
PATIENCE = 10.0  # seconds of waiting, which on a busy machine are longer, and more for larger files
ROOM = 256 * 2**20  # bytes of memory beyond what the libraries take
MOST_GROUPS = 5
MOST_THINGS = 60_000  # variables, axes and attributes
_MISSING = np.iinfo(np.int64).min  # in columns of whole numbers, dates and yes or no
_DIGEST = "contents_sha256"
_START = "import sys; sys.path[:] = sys.argv[1:]; from metasense.results.older import main; main()"


REASONS = {  # what a file is in place of a saved pool, and what to do about it where that is not the usual
    "damaged": ("is damaged and cannot be opened", ""),
    "short": ("is cut short: {found:,} of its {stated:,} bytes are here", ""),
    "sum": ("was changed or damaged after it was saved: its contents do not have its sum", ""),
    "large": ("asks for far more than a saved pool holds", ""),
    "other": (
        "is a netCDF or HDF5 file, but not a pool saved by metasense",
        "ms.load reads what pooled.save wrote.",
    ),
    "library": (
        "was saved by metasense 0.1, and netCDF4, which opens such files, cannot be imported",
        "Install it: pip install netCDF4.",
    ),
    "process": (
        "was saved by metasense 0.1 and is opened in a process of its own, which cannot be started here",
        "Load and save it once where it can be.",
    ),
}


class Refused(ValueError):
    """The file is no saved pool of the first format, or cannot be opened here; says why, and has a `remedy`."""

    def __init__(self, reason: str, **numbers: int) -> None:
        what, self.remedy = REASONS[reason]
        super().__init__(what.format(**numbers))
        self.reason = reason


def converted(data: bytes) -> bytes:
    """The same pool in today's format.

    Raises
    ------
    Refused
        If it cannot be had.
    """
    if len(data) < _stated_size(data):
        raise Refused("short", found=len(data), stated=_stated_size(data))
    paths = [str(Path(__file__).parents[2]), *filter(os.path.isabs, sys.path)]
    quiet = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    try:
        done = subprocess.run(
            [sys.executable, "-I", "-c", _START, *paths],
            input=data,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=PATIENCE + len(data) / 1e6,
            env=os.environ | quiet,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise Refused("damaged") from error
    except (OSError, ValueError, TypeError) as error:  # no Python to start, or none may be started
        raise Refused("process") from error
    if done.returncode or not done.stdout.startswith(container.MAGIC):
        reason = done.stdout[:20].decode("ascii", "replace")
        raise Refused(reason if reason in REASONS else "damaged")
    return done.stdout


def _stated_size(data: bytes) -> int:
    """The number of bytes that an HDF5 file says it has: the end-of-file address of its superblock.

    References
    ----------
    HDF5 File Format Specification, version 3.0, section II.A (superblock, versions 0 to 3).
    """
    at = {0: 40, 1: 44, 2: 28, 3: 28}.get(data[8] if len(data) > 8 else 0, 28)
    return int.from_bytes(data[at : at + 8], "little") if len(data) >= at + 8 else at + 8


# --- in the process of its own ----------------------------------------------------------------------------------------


def main() -> None:
    """Read the old file from standard input, write the new one, or the reason against it, to standard output."""
    data = sys.stdin.buffer.read()
    try:
        import netCDF4
    except ImportError:
        answer = b"library"
    else:
        _limit(len(data))
        try:
            answer = _translated(netCDF4, data)
        except Refused as error:
            answer = error.reason.encode()
        except BaseException:
            answer = b"damaged"
    sys.stdout.buffer.write(answer)
    sys.stdout.buffer.flush()
    os._exit(0)  # a library that holds a damaged file open is not asked to close it


def _limit(size: int) -> None:
    """Let the system end this process when it takes more than such a file can need; as far as the system can."""
    import signal

    try:
        import resource
    except ImportError:  # Windows: the caller's patience and the look at the sizes remain
        return
    signal.signal(signal.SIGPROF, signal.SIG_DFL)
    started = max(time.process_time(), LEAST)  # a good file of this size takes an eighth of it, on any machine
    signal.setitimer(signal.ITIMER_PROF, started * (1 + size / 5e6))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
    except (OSError, ValueError):
        return
    most = pages * resource.getpagesize() + ROOM + 12 * size
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _translated(netCDF4: Any, data: bytes) -> bytes:
    stored = netCDF4.Dataset("pool.nc", "r", memory=data)
    if "metasense_format" not in stored.ncattrs() or stored.metasense_format != 1:
        raise Refused("other")
    _look_at_sizes(stored, len(data))
    if stored.getncattr(_DIGEST) != _digest(stored):
        raise Refused("sum")
    about = {"title": str(stored.title), "metasense_format": "1", "metasense": str(stored.metasense)}
    about |= {name: str(stored.getncattr(name)) for name in stored.ncattrs() if name not in {*about, _DIGEST}}
    variables: dict[str, Variable] = {}
    for group, held in stored.groups.items():
        about |= {f"{group}_{name}": str(held.getncattr(name)) for name in held.ncattrs()}
        frame = group in ("panels", "tastings", "answer")
        places = {v: int(v.place) for v in held.variables.values() if "place" in v.ncattrs()} if frame else {}
        rest = [v for v in held.variables.values() if v not in places]
        for variable in [*sorted(places, key=places.__getitem__), *rest]:
            variables[f"{group}_{variable.name}"] = _variable(group, variable, frame)
    return container.pack(about, variables)


def _look_at_sizes(stored: Any, size: int) -> None:
    """Refuse what asks for more than a saved pool holds, before anything is read."""
    groups = [stored, *stored.groups.values()]
    if len(groups) > MOST_GROUPS + 1 or any(group.groups for group in groups[1:]):
        raise Refused("large")
    things = total = 0
    for group in groups:
        things += len(group.variables) + len(group.dimensions) + len(group.ncattrs())
        if things > MOST_THINGS:
            raise Refused("large")
        for variable in group.variables.values():
            things += len(variable.ncattrs())
            wide = 64 if variable.dtype is str else np.dtype(variable.dtype).itemsize
            count = 1
            for length in variable.shape:
                count *= int(length)
            total += count * wide
    if things > MOST_THINGS or total > 2**25 + 8 * size:
        raise Refused("large")


def _variable(group: str, variable: Any, frame: bool) -> Variable:
    name = f"{group}_{variable.name}"
    axes = tuple(f"{group}_{axis}" for axis in variable.dimensions)
    values = variable[...]
    keep = [key for key in variable.ncattrs() if key in ("column", "kept_as", "units")]
    about = {key: str(variable.getncattr(key)) for key in keep}
    if variable.dtype is str:
        words = [str(word) for word in np.atleast_1d(values)]
        if "written_as" in variable.ncattrs():
            words = [json.loads(word) for word in words]
        if "empty" in variable.ncattrs():
            about["empty"] = json.dumps(np.atleast_1d(variable.empty).tolist())
        return container.of_words(name, axes[0], words, about if frame else {"kept_as": "str"})
    if not frame:
        return Variable(axes, np.asarray(values, float), {"kept_as": str(values.dtype)})
    if about.get("kept_as") == "category":
        return Variable(axes, np.asarray(values, np.int32), {**about, "words": f"{group}_{variable.words}"})
    numbers = np.asarray(values)
    if numbers.dtype.kind == "i":
        numbers = np.where(numbers == _MISSING, np.nan, numbers.astype(float))
    return Variable(axes, numbers.astype(float), about)


def _digest(stored: Any) -> str:
    """SHA-256 of everything the file holds: attributes, then every variable of every group, by name."""
    total = hashlib.sha256()
    for part in _parts(stored):
        total.update(len(part).to_bytes(8, "little") + part)
    return total.hexdigest()


def _parts(group: Any) -> Iterator[bytes]:
    yield from _attributes(group)
    for name in sorted(group.variables):
        variable = group.variables[name]
        variable.set_auto_maskandscale(False)
        values = np.asarray(variable[...])
        yield f"{name} {variable.dimensions} {values.shape} {values.dtype.kind}".encode()
        yield from _attributes(variable)
        yield "\0".join(values.ravel()).encode() if values.dtype.kind in "OU" else values.tobytes()
    for name in sorted(group.groups):
        yield name.encode()
        yield from _parts(group.groups[name])


def _attributes(owner: Any) -> Iterator[bytes]:
    for name in sorted(set(owner.ncattrs()) - {_DIGEST}):
        yield f"{name}={owner.getncattr(name)}".encode()
