"""The file a saved pool is: texts and arrays in the classic netCDF format, which ends in the SHA-256 of all before.

The format is read by every netCDF program, and so plain that a page of code reads it: lists of names and sizes, then
the numbers, nothing packed and nothing pointing anywhere else. What a file can ask for is therefore bounded by its own
length, and a reader cannot be sent round in circles. The last 64 bytes are a variable like any other; they are checked
before anything else is looked at.

References
----------
NetCDF Classic Format Specification (Unidata; OGC 10-092r3), with 64-bit offsets.
"""

from __future__ import annotations

import hashlib
import json
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

MAGIC = b"CDF\x02"
SUM = "contents_sha256"
MOST_ENTRIES = 500_000  # dimensions, variables and attributes together: some 50,000 columns
MOST_BYTES = 200_000_000  # of a file, which is read into memory whole
MOST_AXES = 8
MOST_WORDS = 4_000_000  # cells of words in a file: each takes some sixty bytes once it is read
RAGGED = 8  # times the letters that a table of words may take before they are kept as a list
_DIMENSIONS, _VARIABLES, _ATTRIBUTES = 10, 11, 12
_TYPES = {2: np.dtype("S1"), 4: np.dtype(">i4"), 6: np.dtype(">f8")}
_CODES = {"S": 2, "i": 4, "f": 6}


class Damaged(ValueError):
    """The bytes are not such a file, or not a whole one."""


class CutShort(Damaged):
    """Something would lie beyond the end; ``args[0]`` is the length stated, 0 if not even the header is whole."""


@dataclass(frozen=True, eq=False)
class Variable:
    """An array, what its axes are called, and texts about it."""

    axes: tuple[str, ...]
    values: np.ndarray  # S1, i4 or f8
    about: Mapping[str, str] = field(default_factory=dict)


# --- words and numbers as variables -----------------------------------------------------------------------------------


def of_words(name: str, axis: str, words: Sequence[str], about: Mapping[str, str]) -> Variable:
    """Words as a table of letters, a row each; as one JSON list where they are very uneven or hold odd characters."""
    try:
        letters = [word.encode() for word in words]
    except UnicodeEncodeError:  # half a character
        letters = []
    longest = max([1, *map(len, letters)])
    full = longest * len(words)
    even = full <= RAGGED * sum(map(len, letters)) + 65536
    if not letters or not even or any(b"\0" in word for word in letters):
        listed = json.dumps(list(words)).encode()
        return Variable((f"{name}_letters",), np.frombuffer(listed, "S1"), {**about, "written_as": "JSON"})
    table = np.array(letters, f"S{longest}")
    values = table.view("S1").reshape(len(words), longest)
    return Variable((axis, f"{name}_letters"), values, {**about, "_Encoding": "utf-8"})


def to_words(variable: Variable) -> list[str]:
    """The words that `of_words` put into a variable."""
    values = variable.values
    if values.dtype.kind != "S":
        raise Damaged("numbers in place of words")
    if variable.about.get("written_as") == "JSON":
        words = json.loads(values.tobytes())
        if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
            raise Damaged("a list that is not one of words")
        return words
    if values.ndim != 2:
        raise Damaged("words that are no table of letters")
    rows = np.ascontiguousarray(values).view(f"S{values.shape[1]}").ravel()
    return [word.decode() for word in rows.tolist()]


# --- bytes ------------------------------------------------------------------------------------------------------------


def pack(about: Mapping[str, str], variables: Mapping[str, Variable]) -> bytes:
    """The file.

    Examples
    --------
    >>> data = pack({"title": "Two"}, {"x": Variable(("row",), np.array([1.5, 2.5]))})
    >>> about, variables = unpack(data)
    >>> about, variables["x"].values.tolist()
    ({'title': 'Two'}, [1.5, 2.5])
    """
    seal = Variable(
        (f"{SUM}_letters",), np.zeros(64, "S1"), {"long_name": "SHA-256 of all bytes of the file before these 64"}
    )
    variables = {**variables, SUM: seal}
    sizes: dict[str, int] = {}
    for name, variable in variables.items():
        for axis, size in zip(variable.axes, variable.values.shape, strict=True):
            if size < 1 or sizes.setdefault(axis, size) != size:
                raise ValueError(f"axis {axis!r} of {name!r} cannot be {size} long")
    place = {axis: i for i, axis in enumerate(sizes)}
    kept = [np.ascontiguousarray(v.values, _TYPES[_CODES[v.values.dtype.kind]]) for v in variables.values()]
    padded = [values.nbytes + -values.nbytes % 4 for values in kept]

    def header(start: int) -> bytes:
        parts = [MAGIC, bytes(4), _head(_DIMENSIONS, len(sizes))]
        parts += [_name(axis) + struct.pack(">i", size) for axis, size in sizes.items()]
        parts += [_about(about), _head(_VARIABLES, len(variables))]
        for (name, variable), values, length in zip(variables.items(), kept, padded, strict=True):
            axes = [place[axis] for axis in variable.axes]
            parts += [_name(name), struct.pack(f">i{len(axes)}i", len(axes), *axes), _about(variable.about)]
            code = _CODES[values.dtype.kind]
            parts.append(struct.pack(">iIq", code, min(length, 2**32 - 1), start))
            start += length
        return b"".join(parts)

    body = [header(len(header(0)))]
    for values, length in zip(kept, padded, strict=True):
        body.append(values.tobytes().ljust(length, b"\0"))
    whole = b"".join(body)[:-64]
    return whole + hashlib.sha256(whole).hexdigest().encode()


def entries(about: Mapping[str, str], variables: Mapping[str, Variable]) -> int:
    """How many dimensions, variables and attributes a file of these has, its sum included."""
    axes = {axis for variable in variables.values() for axis in variable.axes}
    texts = sum(len(variable.about) for variable in variables.values())
    return len(axes) + len(about) + len(variables) + texts + 3


def is_whole(data: bytes) -> bool:
    """Whether the bytes end in their own sum."""
    return len(data) > 64 and hashlib.sha256(memoryview(data)[:-64]).hexdigest().encode() == data[-64:]


def unpack(data: bytes) -> tuple[dict[str, str], dict[str, Variable]]:
    """The texts and the variables in a file; the arrays are views of `data`.

    Raises
    ------
    Damaged
        If anything is not as `pack` writes it.
    """
    read = _Reader(data)
    if data[:4] != MAGIC or data[4:8] != bytes(4):
        raise Damaged("not such a file")
    read.at = 8
    axes = [(read.name(), read.whole()) for _ in range(read.head(_DIMENSIONS))]
    if any(size < 1 for _, size in axes):
        raise Damaged("an axis of no length")
    about = read.about()
    described = []
    taken = end = 0
    for _ in range(read.head(_VARIABLES)):
        name, rank = read.name(), read.whole()
        if not 0 < rank <= MOST_AXES:
            raise Damaged("too many axes")
        places = [read.whole() for _ in range(rank)]
        if max(places) >= len(axes):
            raise Damaged("an axis that is not there")
        own = read.about()
        code, _, start = struct.unpack(">iIq", read.take(16))
        if code not in _TYPES or start < 0:
            raise Damaged("a kind of number that is not written")
        count = math.prod(axes[place][1] for place in places)
        taken += count * _TYPES[code].itemsize
        end = max(end, start + count * _TYPES[code].itemsize)
        described.append((name, places, own, code, start, count))
    if end > len(data):
        raise CutShort(end)
    if taken > len(data):
        raise Damaged("variables that overlap")
    variables = {}
    for name, places, own, code, start, count in described:
        values = np.frombuffer(data, _TYPES[code], count, start).reshape([axes[place][1] for place in places])
        values = values if code == 2 else values.astype(values.dtype.newbyteorder("="))
        variables[name] = Variable(tuple(axes[place][0] for place in places), values, own)
    if len(variables) != len(described) or len(dict(axes)) != len(axes):
        raise Damaged("two things of one name")
    del variables[SUM]
    return about, variables


def _head(tag: int, count: int) -> bytes:
    return struct.pack(">ii", tag if count else 0, count)


def _name(name: str) -> bytes:
    data = name.encode()
    return struct.pack(">i", len(data)) + data + bytes(-len(data) % 4)


def _about(about: Mapping[str, str]) -> bytes:
    parts = [_head(_ATTRIBUTES, len(about))]
    for name, text in about.items():
        parts += [_name(name), struct.pack(">i", 2), _name(text)]
    return b"".join(parts)


class _Reader:
    """Goes through the header, never beyond the end."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.entries = 0

    def take(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self.data):
            raise CutShort(0)
        taken = self.data[self.at : end]
        self.at = end
        return taken

    def whole(self) -> int:
        value = int.from_bytes(self.take(4), "big", signed=True)
        if value < 0:
            raise Damaged("a length below 0")
        return value

    def name(self) -> str:
        length = self.whole()
        text = self.take(length).decode()
        self.take(-length % 4)
        return text

    def head(self, tag: int) -> int:
        found, count = self.whole(), self.whole()
        self.entries += count
        if found != (tag if count else 0):
            raise Damaged("something else in place of a list")
        if self.entries > MOST_ENTRIES:
            raise Damaged("too long a list")
        return count

    def about(self) -> dict[str, str]:
        about = {}
        for _ in range(self.head(_ATTRIBUTES)):
            name, code = self.name(), self.whole()
            if code != 2:
                raise Damaged("a number in place of a text")
            about[name] = self.name()
        return about
