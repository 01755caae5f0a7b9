"""A saved pool: one netCDF file that holds the data, what was assumed, what came out, and the draws.

Any program that reads netCDF can open it. Its variables begin with ``panels_`` and ``tastings_`` (the tables as they
were pooled), ``answer_`` (the numbers as stored), ``draws_`` and, where PyMC sampled, ``sample_``; margin, priors,
settings, seed and versions are attributes in plain text or JSON. Nothing in it is ever executed. A file is written
whole or not at all, ends in the SHA-256 of all its bytes, and is checked before it is believed: the sum before anything
else is looked at, then every table, number and text as if a stranger had written it. One that is cut short, changed,
somebody else's or of a later format is refused by name.

Files of 0.1 (HDF5) hold no sum of their bytes, only one of their contents, which can be compared once the HDF5 library
has read them. Of their bytes only the length is checked first; the library then runs in a process of its own, of
limited memory and time (``older.py``), and what comes back is checked like any other file.
"""

from __future__ import annotations

import json
import os
import platform
import stat
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.results import container, older, vetting
from metasense.results.container import Variable
from metasense.showing.files import POOL, Kind, marked, replacing
from metasense.showing.words import one_line
from metasense.tables.columns import PANEL
from metasense.tables.panels import Panels, Tastings

if TYPE_CHECKING:
    import xarray as xr

FORMAT = 2  # raised when an older metasense could no longer read what is written
TITLE = "Sensory panels, pooled by metasense"
GROUPS = ("panels", "tastings", "answer", "draws", "sample")
NUMBERS = ("Int64", "boolean", "datetime64[s]", "int64")
EXACT = 2**53  # whole numbers up to which a number with a point keeps them
_AGAIN = "Copy it again from where it was saved, or pool the panels again."
_OTHERS = (  # first bytes, what it is, what to do
    (b"CDF", "a netCDF file", ""),
    (b"\x80", "a Python pickle, which can run code when it is opened", ""),
    (b"PK", "a zip archive or a workbook", " A workbook of panels is read with ms.read_panels."),
    (b"PAR1", "a Parquet table", " A table of panels is read with ms.read_panels."),
)


class ArchiveError(ValueError):
    """A file that is not a whole saved pool, or that this metasense is too old to read.

    Examples
    --------
    >>> import metasense as ms
    >>> ms.load("README.md")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    metasense.results.archive.ArchiveError: 'README.md' is a text file, not a pool saved by metasense...
    """


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

    def write(self, path: str | os.PathLike[str], kind: Kind = POOL) -> Path:
        """Write the file, whole or not at all; ``kind`` says which saved pools may be replaced there.

        Raises
        ------
        OSError
            If the folder is missing or may not be written to, or the disk is full; a file there stays as it was.
        ValueError
            If the pool is larger than `read` would let in.
        """
        data = self._bytes()
        with replacing(path, kind) as scratch:
            scratch.write_bytes(data)
        return Path(path)

    def _bytes(self) -> bytes:
        about = {"title": TITLE, "metasense_format": str(FORMAT), "metasense": self.record["versions"]["metasense"]}
        about |= {name: json.dumps(value) for name, value in self.record.items()}
        variables: dict[str, Variable] = {}
        for group, table in (("panels", self.panels), ("tastings", self.tastings)):
            if table is not None:
                said = {"source": table.source, "notes": table.notes, "fingerprint": table.fingerprint}
                said |= {"marks": marked(self.panels.marks)} if group == "panels" else {}
                about |= {f"{group}_{key}": json.dumps(value) for key, value in said.items()}
                variables |= _from_frame(group, table.frame)
        variables |= _from_frame("answer", self.answer)
        for group, dataset in (("draws", self.draws), ("sample", self.sample)):
            if dataset is not None:
                about |= {f"{group}_{key}": json.dumps(value) for key, value in dataset.attrs.items()}
                variables |= _from_dataset(group, dataset)
        card = self.record.get("card")
        try:
            vetting.fits(about, variables, card["text"] if isinstance(card, dict) else None)
        except ValueError as error:
            raise ValueError(
                f"the pool cannot be saved, because it could not be loaded again: {error}. Pool fewer columns or "
                "tastings."
            ) from error
        data = container.pack(about, variables)
        if len(data) > container.MOST_BYTES:
            raise ValueError(
                f"the pool cannot be saved, because it could not be loaded again: it takes {len(data):,} bytes, and a "
                f"file holds at most {container.MOST_BYTES:,}. Pool fewer tastings, or take fewer draws."
            )
        return data


def versions(*more: str) -> dict[str, str]:
    """Python's version and those of the packages that the numbers depend on."""
    names = ("metasense", "numpy", "scipy", "pandas", *more)
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
    name = repr(one_line(os.fspath(path)))
    if not os.fspath(path):
        raise FileNotFoundError("a file without a name cannot be read. Name one.")
    try:
        there = os.stat(path)
        if stat.S_ISDIR(there.st_mode):
            raise IsADirectoryError(f"{name} is a folder. Name the file in it that was saved.")
        if not stat.S_ISREG(there.st_mode):
            raise ArchiveError(f"{name} is a pipe or a device and no file. Save the pool to a file, and load that.")
        data = b""
        if there.st_size <= container.MOST_BYTES:
            with open(path, "rb") as file:
                data = file.read(container.MOST_BYTES + 1)  # the size may be unknown, or have grown
        if max(there.st_size, len(data)) > container.MOST_BYTES:
            most = f"a saved pool holds at most {container.MOST_BYTES:,} bytes"
            raise ArchiveError(f"{name} is too large: {most}. Name the file that pooled.save wrote.")
    except FileNotFoundError as error:
        raise FileNotFoundError(f"there is no file {name}.") from error
    except ArchiveError:
        raise
    except ValueError as error:  # a NUL, or half a character
        raise FileNotFoundError(f"there is no file {name}, and no file can have that name.") from error
    except PermissionError as error:
        raise PermissionError(f"{name} may not be read: permission denied.") from error
    except OSError as error:
        if error.errno is None:  # said in words already
            raise
        raise type(error)(f"{name} cannot be read: {str(error.strerror).lower()}.") from error
    _recognise(data, name)
    if data.startswith(older.MAGIC):
        try:
            data = older.converted(data)
        except older.Refused as error:
            raise ArchiveError(f"{name} {error}. {error.remedy or _AGAIN}") from error
    if not container.is_whole(data):
        raise ArchiveError(_not_whole(data, name))
    try:
        about, variables = container.unpack(data)
    except Exception as error:
        raise ArchiveError(f"{name} has the right sum but is no pool saved by metasense ({error}).") from error
    found = about.get("metasense_format", "")
    if not found.isdecimal() or not found.isascii() or len(found) > 6:
        raise ArchiveError(f"{name} is a netCDF file, {_NOT_OURS}")
    if int(found) > FORMAT:
        raise ArchiveError(
            f"{name} was saved by metasense {one_line(about.get('metasense', ''))} in format {found}; this is "
            f"metasense {version('metasense')}, which reads formats up to {FORMAT}. Update it: pip install --upgrade "
            "metasense."
        )
    try:
        return _unpacked(about, variables, name)
    except Exception as error:  # whatever a stranger may have put in: every such file is refused in the same words
        said = one_line(error)[:300].rstrip(".") if isinstance(error, ValueError) else type(error).__name__
        raise ArchiveError(f"{name} is not a pool that can have been saved: {said}. {_AGAIN}") from error


_NOT_OURS = "but not a pool saved by metasense. ms.load reads what pooled.save wrote."


def _not_whole(data: bytes, name: str) -> str:
    """Why the bytes do not end in their sum."""
    ours = b"metasense_format" in data
    try:
        container.unpack(data)  # safe on any bytes
    except container.CutShort as error:
        stated = error.args[0]
        if stated == 0:
            return f"{name} is cut short: only {len(data):,} bytes are here. {_AGAIN}"
        if ours and stated < 1000 * len(data):  # else a damaged length
            return f"{name} is cut short: {len(data):,} of its {stated:,} bytes are here. {_AGAIN}"
    except Exception:  # the bytes say nothing that could be used
        ours = ours and data.startswith(container.MAGIC)
    if not ours:
        return f"{name} is a netCDF file, {_NOT_OURS}"
    return f"{name} was changed or damaged after it was saved: its contents do not have its sum. {_AGAIN}"


def is_archive(path: str | os.PathLike[str]) -> bool:
    """Whether a file begins as a saved pool does, and so is to be loaded rather than read as a table."""
    try:
        if not Path(path).is_file():  # looking into a pipe would empty it
            return False
        with open(path, "rb", buffering=0) as file:
            at = file.tell()
            start = file.read(len(older.MAGIC))
            file.seek(at)  # a file that a shell hands over may be read on from where it was left
    except OSError:
        return False
    return start.startswith((container.MAGIC, older.MAGIC))


def _recognise(data: bytes, name: str) -> None:
    """Refuse what begins in another way than the files of this or the first metasense, saying what it is."""
    if data.startswith((container.MAGIC, older.MAGIC)):
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


def _unpacked(about: dict[str, str], variables: dict[str, Variable], name: str) -> Archive:
    groups: dict[str, dict[str, Variable]] = {group: {} for group in GROUPS}
    for label, variable in variables.items():
        group, _, rest = label.partition("_")
        groups[group][rest] = variable
    said: dict[str, dict[str, Any]] = {group: {} for group in GROUPS}
    record = {}
    for key, text in about.items():
        group, _, rest = key.partition("_")
        if group in groups and rest:
            said[group][rest] = json.loads(text)
        elif key not in ("title", "metasense_format", "metasense"):
            record[key] = json.loads(text)
    vetting.words_in(variables)
    vetting.record(record)
    panels = _table(Panels, "panels", groups, said)
    tastings = _table(Tastings, "tastings", groups, said) if groups["tastings"] else None
    vetting.together(panels, tastings)
    vetting.structure(record["structure"], panels)
    answer = _to_frame(groups["answer"])
    vetting.answer(answer)
    draws = _to_dataset("draws", groups, said)
    sample = _to_dataset("sample", groups, said) if groups["sample"] else None
    vetting.draws(draws, sample, record["settings"], panels)
    return Archive(panels, tastings, record, answer, draws, sample, name)


def _table(kind: Any, group: str, groups: dict[str, dict[str, Variable]], said: dict[str, dict[str, Any]]) -> Any:
    frame = _to_frame(groups[group])
    source, notes, fingerprint = (said[group][key] for key in ("source", "notes", "fingerprint"))
    vetting.texts(source, *notes)
    if kind is Panels and "people" not in frame:  # saved before there was such a column
        frame.insert(list(PANEL).index("people"), "people", pd.array([pd.NA] * len(frame), dtype="string"))
    (vetting.panels if kind is Panels else vetting.tastings)(frame)
    table = kind(frame, source, tuple(notes))
    if table.fingerprint != fingerprint:
        raise ValueError(f"the table of {group} is not the one it was saved with")
    return table


# --- tables and draws as variables ------------------------------------------------------------------------------------


def _from_frame(group: str, frame: pd.DataFrame) -> dict[str, Variable]:
    """A frame as one variable a column, in order; what a variable cannot be called is in its ``column``."""
    out: dict[str, Variable] = {}
    axis = f"{group}_row"
    for column, cells in frame.items():
        kind = str(cells.dtype)
        label = _label(group, str(column), out)
        about = {"column": json.dumps(str(column)), "kept_as": kind}
        if kind == "category":
            words = [str(word) for word in cells.cat.categories]
            out[label] = Variable((axis,), cells.cat.codes.to_numpy(np.int32), {**about, "words": f"{label}_words"})
            if words:
                out[f"{label}_words"] = container.of_words(f"{label}_words", f"{label}_words", words, {})
        elif kind in ("Float64", "float64"):
            out[label] = Variable((axis,), cells.to_numpy(float, na_value=np.nan), about)
        elif kind in NUMBERS:
            if kind == "datetime64[s]":
                about["units"] = "seconds since 1970-01-01"
            out[label] = Variable((axis,), _as_numbers(cells, str(column)), about)
        else:
            there = cells.notna().to_numpy()
            words = [str(cell) if known else "" for cell, known in zip(cells, there, strict=True)]
            if any(known and not word for word, known in zip(words, there, strict=True)):
                about["empty"] = json.dumps([int(i) for i in np.flatnonzero(there) if not words[i]])
            out[label] = container.of_words(label, axis, words, about)
    return out


def _label(group: str, column: str, taken: dict[str, Variable]) -> str:
    label = f"{group}_{column}" if column.isidentifier() and column.isascii() else f"{group}_column_{len(taken)}"
    while label in taken or f"{label}_words" in taken:
        label += "_"
    return label


def _as_numbers(cells: pd.Series, column: str) -> np.ndarray:
    """Whole numbers, dates (in seconds) and yes or no as numbers with a point, which keep them exactly."""
    there = cells.notna().to_numpy()
    whole = cells[there].astype("int64").to_numpy()
    if len(whole) and (whole.max() > EXACT or whole.min() < -EXACT):
        raise ValueError(f"column {column!r} holds whole numbers above 2^53, which the file does not keep.")
    out = np.full(len(cells), np.nan)
    out[there] = whole
    return out


def _to_frame(group: dict[str, Variable]) -> pd.DataFrame:
    columns: dict[str, Any] = {}
    for variable in group.values():
        about = variable.about
        if "column" not in about:
            continue  # the words of another
        name, kind = json.loads(about["column"]), about["kept_as"]
        vetting.texts(name)
        if name in columns:
            raise ValueError(f"it has two columns {name!r}")
        if kind == "category":
            words_of_it = group.get(about["words"].partition("_")[2])
            known = pd.Index([] if words_of_it is None else container.to_words(words_of_it), dtype="str")
            columns[name] = pd.Series(pd.Categorical.from_codes(_numbers(variable, "i"), known))
        elif kind in ("Float64", "float64"):
            numbers = _numbers(variable, "f")
            masked = pd.arrays.FloatingArray(numbers, np.isnan(numbers))
            columns[name] = pd.Series(masked if kind == "Float64" else numbers)
        elif kind in NUMBERS:
            columns[name] = _whole_numbers(_numbers(variable, "f"), kind)
        elif kind in ("string", "str", "object"):
            words = container.to_words(variable)
            empty = set(json.loads(about.get("empty", "[]")))
            cells = [word if word or i in empty else None for i, word in enumerate(words)]
            columns[name] = pd.Series(cells, dtype=kind)
        else:
            raise ValueError(f"column {name!r} is kept in a way unknown here")
    if len({len(cells) for cells in columns.values()}) != 1:
        raise ValueError("its columns are not of one length")
    return pd.DataFrame(columns)


def _numbers(variable: Variable, kind: str) -> np.ndarray:
    if variable.values.dtype.kind != kind or variable.values.ndim != 1:
        raise ValueError("a column of numbers is not one")
    return variable.values


def _whole_numbers(values: np.ndarray, kind: str) -> pd.Series:
    missing = np.isnan(values)
    known = np.where(missing, 0, values)
    if (np.abs(known) > EXACT).any() or (known != np.floor(known)).any():
        raise ValueError("a column of whole numbers is not one")
    whole = known.astype(np.int64)
    if kind == "datetime64[s]":
        return pd.Series(np.where(missing, np.datetime64("NaT", "s"), whole.astype("datetime64[s]")))
    if kind == "boolean":
        return pd.Series(pd.arrays.BooleanArray(whole == 1, missing))
    if kind == "int64":
        return pd.Series(whole)
    return pd.Series(pd.arrays.IntegerArray(np.where(missing, 1, whole), missing))


def _from_dataset(group: str, dataset: xr.Dataset) -> dict[str, Variable]:
    out = {}
    for name, array in dataset.variables.items():
        label, axes = f"{group}_{name}", tuple(f"{group}_{axis}" for axis in array.dims)
        values = array.to_numpy()
        if values.dtype.kind in "OUT":
            out[label] = container.of_words(label, axes[0], [str(value) for value in values], {"kept_as": "str"})
        else:
            out[label] = Variable(axes, values.astype(float), {"kept_as": str(values.dtype)})
    return out


def _to_dataset(group: str, groups: dict[str, dict[str, Variable]], said: dict[str, dict[str, Any]]) -> xr.Dataset:
    import xarray as xr

    values: dict[str, Any] = {}
    for name, variable in groups[group].items():
        axes = tuple(axis.removeprefix(f"{group}_") for axis in variable.axes)
        kind = variable.about["kept_as"]
        if kind == "str":
            words = container.to_words(variable)
            vetting.even(words)
            values[name] = ((name,), np.array(words, str))
        elif kind in ("float64", "int64", "int32", "bool"):
            values[name] = (axes, variable.values.astype(kind))
        else:
            raise ValueError(f"{name!r} is kept in a way unknown here")
    along = {axis for axes, _ in values.values() for axis in axes}
    coordinates = {name: value for name, value in values.items() if name in along}
    return xr.Dataset({n: v for n, v in values.items() if n not in along}, coordinates, said[group])
