"""A saved pool: one netCDF file that holds the data, what was assumed, what came out, and the draws.

Any program that reads netCDF or HDF5 can open it. Its groups are ``panels`` and ``tastings`` (the tables as they were
pooled), ``answer`` (the numbers as stored), ``draws`` and, where PyMC sampled, ``sample``; margin, priors, settings,
seed and versions are attributes in plain text or JSON. Nothing in it is ever executed. A file is written whole or not
at all, carries the SHA-256 of its contents, and is checked before it is believed: one that is cut short, changed,
somebody else's or of a later format is refused by name.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.panels import Panels, Tastings
from metasense.showing.files import POOL, replacing
from metasense.showing.words import one_line

if TYPE_CHECKING:
    import xarray as xr

FORMAT = 1  # raised when an older metasense could no longer read what is written
DIGEST = "contents_sha256"
NUMBERS = ("Int64", "Float64", "boolean", "datetime64[s]")
_MISSING = np.iinfo(np.int64).min  # in columns of whole numbers, dates and yes or no
SMALL = 512  # numbers in a variable up to which packing would take more room than it saves
_HDF5 = b"\x89HDF\r\n\x1a\n"
_OTHERS = (  # first bytes, what it is, what to do
    (b"CDF", "a netCDF file of the classic kind", ""),
    (b"\x80", "a Python pickle, which can run code when it is opened", ""),
    (b"PK", "a zip archive or a workbook", " A workbook of panels is read with ms.read_panels."),
    (b"PAR1", "a Parquet table", " A table of panels is read with ms.read_panels."),
)


class ArchiveError(ValueError):
    """A file that is not a whole saved pool, or that this metasense is too old to read."""


@dataclass(frozen=True, eq=False)
class Archive:
    """What a saved pool holds.

    Attributes
    ----------
    panels : Panels
    tastings : Tastings or None
    record : dict
        ``margin`` (as `Margin.parse` reads it, empty for none), ``priors``, ``settings``, ``evidences``, ``verdict``,
        ``advice``, ``card``, ``structure`` (moderators and levels) and ``versions``: numbers, texts, lists, dicts.
    answer : DataFrame
        The numbers of the answer when it was saved.
    draws : Dataset
        Posterior draws.
    sample : Dataset or None
        What PyMC drew, where it did.
    """

    panels: Panels
    tastings: Tastings | None
    record: dict[str, Any]
    answer: pd.DataFrame
    draws: xr.Dataset | None
    sample: xr.Dataset | None = None
    source: str = field(default="the file", repr=False)

    def write(self, path: str | os.PathLike[str]) -> Path:
        """Write the file, whole or not at all.

        Raises
        ------
        OSError
            If the folder is missing or may not be written to, or the disk is full; a file there stays as it was.
        """
        data = self._bytes()
        try:
            with replacing(path, POOL) as scratch:
                scratch.write_bytes(data)
        except OSError as error:
            if error.errno is None:  # said in full already
                raise
            kept = " The file that was there is as it was." if Path(path).exists() else ""
            why = {"ENOSPC": "the disk is full", "EACCES": "the folder may not be written to"}.get(
                _errno_name(error), str(error.strerror).lower()
            )
            raise type(error)(f"cannot write {os.fspath(path)!r}: {why}.{kept}") from error
        return Path(path)

    def _bytes(self) -> bytes:
        import netCDF4

        stored: Any = netCDF4.Dataset("pool.nc", "w", format="NETCDF4", memory=65536)
        stored.title = "Sensory panels, pooled by metasense"
        stored.metasense_format = FORMAT
        stored.metasense = self.record["versions"]["metasense"]
        for name, value in self.record.items():
            stored.setncattr(name, json.dumps(value, allow_nan=True))
        for name, table in (("panels", self.panels), ("tastings", self.tastings)):
            if table is not None:
                group = _write_frame(stored, name, table.frame)
                about = {"source": table.source, "notes": table.notes, "fingerprint": table.fingerprint}
                group.setncatts({key: json.dumps(value) for key, value in about.items()})
        _write_frame(stored, "answer", self.answer)
        for name, dataset in (("draws", self.draws), ("sample", self.sample)):
            if dataset is not None:
                _write_dataset(stored, name, dataset)
        stored.setncattr(DIGEST, _digest(stored))
        data = bytes(stored.close())
        return data[: _stated_size(data)]


def versions(*more: str) -> dict[str, str]:
    """Python's version and those of the packages that the numbers depend on."""
    names = ("metasense", "numpy", "scipy", "pandas", "netCDF4", *more)
    return {"Python": platform.python_version()} | {name: version(name) for name in names}


# --- reading --------------------------------------------------------------------------------------------------------


def read(path: str | os.PathLike[str]) -> Archive:
    """Read a saved pool back, after checking that it is one and that it is whole.

    Raises
    ------
    ArchiveError
        If it is not a saved pool, is damaged, or was written by a later metasense in a format unknown here.
    OSError
        If there is no such file or it may not be read.
    """
    import netCDF4

    name = repr(one_line(os.fspath(path)))
    if Path(path).is_dir():
        raise IsADirectoryError(f"{name} is a folder. Name the file in it that was saved.")
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError as error:
        raise FileNotFoundError(f"there is no file {name}.") from error
    except PermissionError as error:
        raise PermissionError(f"{name} may not be read: permission denied.") from error
    _recognise(data, name)
    again = "Copy it again from where it was saved, or pool the panels again."
    if len(data) < _stated_size(data):
        raise ArchiveError(f"{name} is cut short: {len(data):,} of its {_stated_size(data):,} bytes are here. {again}")
    try:
        stored: Any = netCDF4.Dataset("pool.nc", "r", memory=data)
    except (OSError, RuntimeError) as error:
        raise ArchiveError(f"{name} is damaged and cannot be opened. {again}") from error
    try:
        stored.set_auto_maskandscale(False)
        if "metasense_format" not in stored.ncattrs():
            raise ArchiveError(
                f"{name} is a netCDF or HDF5 file, but not a pool saved by metasense. ms.load reads what pooled.save "
                "wrote."
            )
        if stored.metasense_format > FORMAT:
            raise ArchiveError(
                f"{name} was saved by metasense {one_line(stored.metasense)} in format {stored.metasense_format}; this "
                f"is metasense {version('metasense')}, which reads formats up to {FORMAT}. Update it: pip install "
                "--upgrade metasense."
            )
        if stored.getncattr(DIGEST) != _digest(stored):
            raise ArchiveError(
                f"{name} was changed or damaged after it was saved: its contents do not have its sum. {again}"
            )
        return _unpacked(stored, name)
    except ArchiveError:
        raise
    except (OSError, RuntimeError, AttributeError, KeyError, IndexError, TypeError, ValueError) as error:
        raise ArchiveError(
            f"{name} is damaged: a part of it cannot be read ({type(error).__name__}). {again}"
        ) from error
    finally:
        stored.close()


def is_archive(path: str | os.PathLike[str]) -> bool:
    """Whether a file begins as a saved pool does, and so is to be loaded rather than read as a table."""
    try:
        with open(path, "rb") as file:
            return file.read(len(_HDF5)) == _HDF5
    except OSError:
        return False


def _recognise(data: bytes, name: str) -> None:
    """Refuse what is not HDF5 (a netCDF of today's kind is one), saying what it is."""
    if data.startswith(_HDF5):
        return
    what, remedy = next(((what, remedy) for start, what, remedy in _OTHERS if data.startswith(start)), ("", ""))
    if not data:
        what = "an empty file"
    elif not what:
        text = data[:4096].decode("utf-8", "ignore")
        readable = text.isprintable() or sum(c.isprintable() or c in "\r\n\t" for c in text) > 0.95 * len(text) > 0
        what = "a text file" if readable and len(text) else "a file of another kind"
        remedy = " A table of panels is read with ms.read_panels." if readable else ""
    raise ArchiveError(
        f"{name} is {what}, not a pool saved by metasense.{remedy} ms.load reads what pooled.save wrote."
    )


def _stated_size(data: bytes) -> int:
    """The number of bytes that an HDF5 file says it has: the end-of-file address of its superblock.

    References
    ----------
    HDF5 File Format Specification, version 3.0, section II.A (superblock, versions 0 to 3).
    """
    at = {0: 40, 1: 44, 2: 28, 3: 28}.get(data[8] if len(data) > 8 else 0, 28)
    return int.from_bytes(data[at : at + 8], "little") if len(data) >= at + 8 else at + 8


def _unpacked(stored: Any, name: str) -> Archive:
    own = {"title", "metasense_format", "metasense", DIGEST}
    record = {key: json.loads(stored.getncattr(key)) for key in stored.ncattrs() if key not in own}
    tables: dict[str, Any] = {"panels": None, "tastings": None}
    for key, kind in (("panels", Panels), ("tastings", Tastings)):
        if key in stored.groups:
            group = stored.groups[key]
            source, notes, fingerprint = (json.loads(group.getncattr(a)) for a in ("source", "notes", "fingerprint"))
            tables[key] = kind(_read_frame(group), source, tuple(notes))
            if tables[key].fingerprint != fingerprint:
                raise ArchiveError(
                    f"{name}: the table of {key} is not the one it was saved with. Pool the panels again."
                )
    draws, sample = (_read_dataset(stored.groups[k]) if k in stored.groups else None for k in ("draws", "sample"))
    answer = _read_frame(stored.groups["answer"])
    return Archive(tables["panels"], tables["tastings"], record, answer, draws, sample, name)


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
    for name in sorted(set(owner.ncattrs()) - {DIGEST}):
        yield f"{name}={owner.getncattr(name)}".encode()


# --- tables and draws as groups ---------------------------------------------------------------------------------------


def _write_frame(stored: Any, name: str, frame: pd.DataFrame) -> Any:
    """A frame as a group with one variable a column, in order; what a variable cannot be called is in ``column``."""
    group = stored.createGroup(name)
    group.createDimension("row", len(frame))
    for place, (column, cells) in enumerate(frame.items()):
        kind = str(cells.dtype)
        label = column if str(column).isidentifier() and str(column).isascii() else f"column_{place}"
        attributes = {"column": json.dumps(str(column)), "place": place, "kept_as": kind}
        if kind == "category":
            words = [str(word) for word in cells.cat.categories]
            group.createDimension(f"{label}_words", len(words))
            _text(group, f"{label}_words", (f"{label}_words",), words)
            codes = cells.cat.codes.to_numpy(np.int32)
            _number(group, label, ("row",), codes, attributes | {"words": f"{label}_words"}, fill=-1)
        elif kind in ("Float64", "float64"):
            _number(group, label, ("row",), cells.to_numpy(float, na_value=np.nan), attributes)
        elif kind in NUMBERS or kind == "int64":
            there = cells.notna().to_numpy()
            whole = np.full(len(cells), _MISSING)
            whole[there] = cells[there].astype("int64").to_numpy()
            if kind == "datetime64[s]":
                attributes["units"] = "seconds since 1970-01-01"
            _number(group, label, ("row",), whole, attributes, fill=_MISSING)
        else:
            there = cells.notna().to_numpy()
            words = [str(cell) if known else "" for cell, known in zip(cells, there, strict=True)]
            if any(known and not word for word, known in zip(words, there, strict=True)):
                attributes["empty"] = [int(i) for i in np.flatnonzero(there) if not words[i]]
            _text(group, label, ("row",), words, attributes)
    return group


def _read_frame(group: Any) -> pd.DataFrame:
    found = {v.place: v for v in group.variables.values() if "place" in v.ncattrs()}
    columns: dict[str, Any] = {}
    for _, variable in sorted(found.items()):
        name, kind, values = json.loads(variable.column), variable.kept_as, variable[...]
        if kind == "category":
            words = pd.Index(_strings(group.variables[variable.words]), dtype="str")
            columns[name] = pd.Series(pd.Categorical.from_codes(values, words))
        elif kind in ("Float64", "float64"):
            columns[name] = pd.Series(pd.array(values, dtype="Float64") if kind == "Float64" else values)
        elif kind in NUMBERS or kind == "int64":
            columns[name] = _whole_numbers(values, kind)
        else:
            words = _strings(variable)
            empty = set(np.atleast_1d(variable.empty).tolist()) if "empty" in variable.ncattrs() else set()
            cells = [word if word or i in empty else None for i, word in enumerate(words)]
            columns[name] = pd.Series(cells, dtype=kind if kind in ("string", "str", "object") else "string")
    return pd.DataFrame(columns, index=pd.RangeIndex(group.dimensions["row"].size))


def _whole_numbers(values: np.ndarray, kind: str) -> pd.Series:
    missing = values == _MISSING
    if kind == "datetime64[s]":
        return pd.Series(np.where(missing, np.datetime64("NaT", "s"), values.astype("datetime64[s]")))
    if kind == "boolean":
        return pd.Series(pd.arrays.BooleanArray((values == 1) & ~missing, missing))
    if kind == "int64":
        return pd.Series(values)
    return pd.Series(pd.arrays.IntegerArray(np.where(missing, 1, values), missing))


def _write_dataset(stored: Any, name: str, dataset: xr.Dataset) -> None:
    group = stored.createGroup(name)
    group.setncatts({key: json.dumps(value) for key, value in dataset.attrs.items()})
    for dimension, size in dataset.sizes.items():
        group.createDimension(str(dimension), size)
    for label, array in dataset.variables.items():
        values = array.to_numpy()
        if values.dtype.kind in "OUT":
            _text(group, str(label), array.dims, [str(v) for v in values.ravel()])
        else:
            _number(group, str(label), array.dims, values)


def _read_dataset(group: Any) -> xr.Dataset:
    import xarray as xr

    read_ = {
        name: (v.dimensions, np.array(_strings(v), str) if v.dtype is str else np.asarray(v[...]))
        for name, v in group.variables.items()
    }
    coordinates = {name: value for name, value in read_.items() if name in group.dimensions}
    values = {name: value for name, value in read_.items() if name not in group.dimensions}
    return xr.Dataset(values, coordinates, {key: json.loads(group.getncattr(key)) for key in group.ncattrs()})


def _number(
    group: Any, label: str, dims: tuple, values: np.ndarray, attributes: Mapping[str, Any] = {}, fill: int | None = None
) -> None:
    packed = {"compression": "zlib", "complevel": 4} if values.size > SMALL else {}
    variable = group.createVariable(label, values.dtype, dims, fill_value=fill, **packed)
    variable.setncatts(dict(attributes))
    variable[...] = values


def _text(group: Any, label: str, dims: tuple, words: list[str], attributes: Mapping[str, Any] = {}) -> None:
    """Words as they are; as JSON where one of them has what a netCDF string cannot hold."""
    odd = any("\0" in word or (not word.isascii() and _unsendable(word)) for word in words)
    variable = group.createVariable(label, str, dims)
    variable.setncatts(dict(attributes) | ({"written_as": "JSON"} if odd else {}))
    if words:
        variable[...] = np.array([json.dumps(word) for word in words] if odd else words, object)


def _strings(variable: Any) -> list[str]:
    words = [str(word) for word in np.atleast_1d(variable[...])]
    return [json.loads(word) for word in words] if "written_as" in variable.ncattrs() else words


def _unsendable(word: str) -> bool:
    try:
        word.encode()
    except UnicodeEncodeError:
        return True
    return False


def _errno_name(error: OSError) -> str:
    import errno

    return errno.errorcode.get(error.errno or 0, "")
