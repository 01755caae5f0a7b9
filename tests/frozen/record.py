"""Takes a result apart into numbers and texts, by asking it for everything public that it has.

`Record.add` walks a result: its public fields, properties and methods that need no argument, and the results those
give, down to numbers and texts. What needs an argument is reached by the tables in `reach.py`.
"""

from __future__ import annotations

import base64
import datetime
import enum
import hashlib
import inspect
import math
import os
import platform
import re
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from frozen.reach import ARGUMENTS, BRIEF, HEAVY, OPENED, RENAMED, SKIPPED

LEVELS = (0.001, 0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975, 0.999)
WHOLE = 130  # arrays up to this size are kept whole, larger ones as shape, quantiles and sums
PLAIN = (bool, int, float, str, datetime.date, enum.Enum, Path, type(None), np.generic)
ROOT = Path(__file__).parents[2]
VERSIONED = ("metasense", "numpy", "scipy", "pandas", "xarray", "pymc", "arviz", "matplotlib", "netCDF4")


class Record:
    """Numbers and texts by where they were found: ``case | Type.name(...).name[...]``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.numbers: dict[str, Any] = {}
        self.texts: dict[str, Any] = {}
        self.results: Counter[str] = Counter()
        self.skipped: Counter[str] = Counter()
        self.seconds: Counter[str] = Counter()

    # --- the walk -----------------------------------------------------------------------------------------------------

    def tried(self, key: str, make: Callable[[], Any], *, cells: bool = True) -> Any:
        """Record what `make` gives, or why it gives nothing; returns it."""
        start = time.process_time()
        try:
            value = make()
        except Exception as error:
            self.texts[key] = self.clean(f"{type(error).__name__}: {error}")
            words = getattr(error, "words", None)
            if callable(words):
                self.texts[f"{key}.words"] = self.clean(words())
            return None
        finally:
            self.seconds[kind(key)] += time.process_time() - start
        self.add(key, value, cells=cells)
        return value

    def add(self, key: str, value: Any, *, cells: bool = True, top: bool = True) -> None:
        """Record anything; `cells` also as HTML, Markdown and LaTeX; `top` unless it is inside another result."""
        name = type(value).__name__
        if isinstance(value, PLAIN):
            self._plain(key, value)
        elif isinstance(value, pd.DataFrame):
            self._frame(key, value)
        elif isinstance(value, (pd.Series, pd.Index)):
            self._cells(key, list(value))
        elif isinstance(value, np.ndarray):
            self._array(key, value)
        elif isinstance(value, Mapping) and name != "Dataset":
            for part, inside in value.items():
                self.add(f"{key}[{part}]", inside, cells=cells, top=False)
        elif isinstance(value, (tuple, list)):
            self._sequence(key, value, cells)
        elif name == "Dataset":
            self._dataset(key, value)
        elif name == "Distribution":
            self._distribution(key, value)
        elif name in BRIEF and not top:
            self.texts[key] = self.clean(BRIEF[name](value))
        elif is_result(value) or name in OPENED:
            self._result(key, value, cells)
        elif callable(getattr(value, "to_text", None)) and callable(getattr(value, "to_html", None)):
            self._table(key, value, cells)
        elif name == "Axes":
            self.texts[f"{key}.svg"] = picture(value)
        else:
            self.skipped[f"{kind(key)}: {name}"] += 1

    def _result(self, key: str, value: Any, cells: bool) -> None:
        self.results[type(value).__name__] += 1
        names = [name for name in dir(value) if not name.startswith("_")]
        owner = type(value).__name__
        for name in names:
            if f"{owner}.{name}" in SKIPPED or name in SKIPPED:
                continue
            if (name in ("to_markdown", "to_latex") or f"{owner}.{name}" in HEAVY) and not cells:
                continue
            where = f"{key}.{RENAMED.get(f'{owner}.{name}', name)}"
            static = inspect.getattr_static(type(value), name, None)
            if isinstance(static, (classmethod, staticmethod)):
                continue
            if not inspect.isfunction(static):
                self._inside(where, lambda name=name: getattr(value, name), cells)
            elif callable_alone(static):
                self._inside(where, lambda name=name: getattr(value, name)(), cells)
        self._inside(f"{key}.repr", lambda: repr(value), cells)
        if cells and hasattr(value, "_repr_html_"):
            self._inside(f"{key}.html", lambda: value._repr_html_(), cells)
        for base in type(value).__mro__:
            for said, reach in ARGUMENTS.get(base.__name__, {}).items():
                if f"{owner}.{said}" in HEAVY and not cells:
                    continue
                self._inside(f"{key}.{said}", lambda reach=reach: reach(value), cells)

    def _inside(self, key: str, make: Callable[[], Any], cells: bool) -> None:
        start = time.process_time()
        try:
            found = make()
        except Exception as error:
            self.texts[key] = self.clean(f"{type(error).__name__}: {error}")
            return
        finally:
            self.seconds[kind(key)] += time.process_time() - start
        if inspect.isgenerator(found):
            found = list(found)
        self.add(key, found, cells=cells, top=False)

    # --- leaves -------------------------------------------------------------------------------------------------------

    def _plain(self, key: str, value: Any) -> None:
        value = value.item() if isinstance(value, np.generic) else value
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            self.numbers[key] = value
        else:
            self.texts[key] = self.clean(value if isinstance(value, str) else str(value))

    def _sequence(self, key: str, value: Any, cells: bool) -> None:
        if all(isinstance(one, PLAIN) for one in value):
            self._cells(key, list(value))
            return
        for place, inside in enumerate(value):
            self.add(f"{key}[{place}]", inside, cells=cells, top=False)

    def _cells(self, key: str, values: list[Any]) -> None:
        """A column: numbers if all are, with nan where missing, else texts."""
        plain = [one.item() if isinstance(one, np.generic) else one for one in values]
        missing = [one is None or one is pd.NA or one is pd.NaT or one != one for one in plain]
        counted = [isinstance(one, (int, float)) and not isinstance(one, bool) for one in plain]
        if plain and any(counted) and all(a or b for a, b in zip(missing, counted, strict=True)):
            self.numbers[key] = [math.nan if gone else one for one, gone in zip(plain, missing, strict=True)]
        elif plain and all(isinstance(one, PLAIN) or gone for one, gone in zip(plain, missing, strict=True)):
            self.texts[key] = [self.clean(str(one)) for one in plain]
        elif plain:
            for place, one in enumerate(plain):
                self.add(f"{key}[{place}]", one, top=False)
        else:
            self.texts[key] = []

    def _frame(self, key: str, frame: pd.DataFrame) -> None:
        self.texts[f"{key}.columns"] = [f"{name}: {kept}" for name, kept in frame.dtypes.items()]
        if not isinstance(frame.index, pd.RangeIndex):
            self._cells(f"{key}.index", list(frame.index))
        for place, name in enumerate(frame.columns):
            self._cells(f"{key}.{name}", list(frame.iloc[:, place]))

    def _array(self, key: str, value: np.ndarray) -> None:
        self.texts[f"{key}.shape"] = f"{value.shape} {value.dtype.kind}"
        if value.dtype.kind not in "fiu":
            self._cells(f"{key}", value.ravel()[:WHOLE].tolist())
        elif value.size <= WHOLE:
            self.numbers[key] = value.ravel().tolist()
        else:
            flat = value.ravel().astype(float)
            spread = np.quantile(flat[np.isfinite(flat)], LEVELS).tolist() if np.isfinite(flat).any() else []
            self.numbers[f"{key}.quantiles"] = spread
            self.numbers[f"{key}.sums"] = [math.fsum(flat), math.fsum(flat**2), math.fsum(flat * np.arange(flat.size))]

    def _dataset(self, key: str, value: Any) -> None:
        for name in sorted(value.data_vars):
            self.texts[f"{key}[{name}].dims"] = str(value[name].dims)
            self._array(f"{key}[{name}]", value[name].to_numpy())
        for name in sorted(value.coords):
            self._array(f"{key}[{name}]", value[name].to_numpy())

    def _distribution(self, key: str, value: Any) -> None:
        self.numbers[f"{key}.moments"] = [value.mean, value.sd, value.median, *value.support]
        self.numbers[f"{key}.quantiles"] = value.quantile(LEVELS).tolist()
        self.numbers[f"{key}.intervals"] = [*value.interval(), *value.interval(0.5)]
        points = np.linspace(*value.support, 9)
        self.numbers[f"{key}.density"] = value.density(points).tolist()
        self.numbers[f"{key}.below"] = [value.below(float(x)) for x in points]
        self.numbers[f"{key}.grid"] = [
            len(value.x),
            math.fsum(value.x),
            math.fsum(value.cdf),
            math.fsum(value.x * value.cdf),
        ]
        self.texts[f"{key}.repr"] = repr(value)

    def _table(self, key: str, value: Any, cells: bool) -> None:
        self.texts[f"{key}.text"] = self.clean(value.to_text())
        if cells:
            self.texts[f"{key}.html"] = self.clean(value.to_html())
        if cells and hasattr(value, "to_latex"):
            self.texts[f"{key}.markdown"] = self.clean(value.to_markdown())
            self.texts[f"{key}.latex"] = self.clean(value.to_latex())

    # --- what differs from one run to the next ------------------------------------------------------------------------

    def clean(self, text: str) -> str:
        """Without places, days, versions and identities; figures inside as digests."""
        text = re.sub(r"data:image/([a-z+]+);base64,([A-Za-z0-9+/=\n]+)", _digest, text)
        for place, word in (
            (str(self.folder), "<folder>"),
            (str(ROOT), "<root>"),
            (os.path.realpath(self.folder), "<folder>"),
        ):
            text = text.replace(place, word)
        text = text.replace(str(self.folder).replace("_", r"\_"), "<folder>")  # as Markdown and LaTeX set it
        text = text.replace(platform.python_version(), "<python>")
        text = re.sub(rf"\b({'|'.join(VERSIONED)})((?:\"|')?:? (?:\"|')?)v?\d+\.[\w.+]+\b", r"\1\2<version>", text)
        text = text.replace(datetime.date.today().isoformat(), "<today>")
        return re.sub(r" at 0x[0-9a-f]{6,}", " at <address>", text)


def kind(key: str) -> str:
    """Where in a result a number or a text stands, whichever result it is."""
    path = key.partition(" | ")[2] or key
    while (shorter := re.sub(r"\[[^\[\]]*\]|\([^()]*\)", "", path)) != path:
        path = shorter
    return path


def is_result(value: Any) -> bool:
    """Whether it shows itself as the package's results do."""
    return any(base.__name__ == "Result" and base.__module__.startswith("metasense") for base in type(value).__mro__)


def callable_alone(function: Any) -> bool:
    """Whether a method needs nothing but the result."""
    needed = list(inspect.signature(function).parameters.values())[1:]
    kinds = (inspect.Parameter.VAR_POSITIONAL, inspect.Parameter.VAR_KEYWORD)
    return not any(one.kind in kinds or one.default is inspect.Parameter.empty for one in needed)


def picture(axes: Any) -> str:
    """A digest of a figure drawn as SVG, that changes with every line of it."""
    import io

    import matplotlib as mpl

    stream = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "frozen", "svg.fonttype": "path"}):
        axes.figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return f"sha256 {hashlib.sha256(stream.getvalue()).hexdigest()}"


def _digest(found: re.Match[str]) -> str:
    data = base64.b64decode(found[2])
    return f"<{found[1]} sha256 {hashlib.sha256(data).hexdigest()[:32]}>"


def versions() -> dict[str, str]:
    """Of everything that could change an answer."""
    found = {"python": sys.version.split()[0]}
    for name in VERSIONED:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "missing"
    return found
