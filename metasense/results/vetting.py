"""What must be true of a saved pool before it is believed.

A file with a right sum may still have been made by a stranger. Each function takes one part as read, and raises a
ValueError that says what cannot be.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.core.evidence import joined
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.protocols import protocol
from metasense.questions.design import level, read_design
from metasense.results.container import MOST_ENTRIES, MOST_WORDS, Variable, entries, to_words
from metasense.showing.called import called_of
from metasense.tables.cells import Reading
from metasense.tables.checked import Checked
from metasense.tables.columns import PANEL, TASTING
from metasense.tables.cups import SIDES, is_signal
from metasense.tables.headers import Column
from metasense.tables.numbers import MOST
from metasense.tables.panels import Panels, Tastings
from metasense.tables.rules import check_panels
from metasense.tables.sheets import Sheet
from metasense.tables.wording import text

if TYPE_CHECKING:
    import xarray as xr

MOST_SEED = 2**128  # of the random numbers; as much as their generator takes by itself
MOST_CARD = 100_000  # characters of a question card
SPARE = 2**24  # characters that names of unlike lengths may take beyond their own
MOST_DOTS = 1000  # in it, outside its texts
_QUOTED = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_EXTRAS = ("Float64", "string", "boolean")  # how columns beyond the expected ones are kept
_CHOICES = ("blind", "asked", "preference", "placebo")  # columns of one of a few words
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_LEVELS = ("mean", "median", "lower", "upper")


def need(holds: Any, says: str) -> None:
    """Raise what `says`, unless it holds."""
    if not holds:
        raise ValueError(says)


def texts(*values: object) -> None:
    """Each is a text."""
    need(all(isinstance(value, str) for value in values), "a name or note is not a text")


def words_in(variables: Mapping[str, Variable]) -> None:
    """No more words than fit into memory."""
    tables = [variable.values for variable in variables.values() if variable.values.dtype.kind == "S"]
    count = sum(len(table) for table in tables if table.ndim > 1)
    need(count <= MOST_WORDS, f"its tables hold {count:,} words, and a file holds at most {MOST_WORDS:,}")


def even(words: Sequence[str]) -> None:
    """Words that fit into an array, in which each takes as much room as the longest."""
    full = len(words) * max(map(len, words), default=0)
    need(full <= 8 * sum(map(len, words)) + SPARE, "one of its names is far too long")


def readable(card: str) -> None:
    """A question card that takes no reader minutes."""
    need(len(card) <= MOST_CARD, f"its question card is longer than {MOST_CARD:,} characters")
    bare = _QUOTED.sub("", card)  # names in names in names ... take a reader of TOML minutes
    need(bare.count(".") <= MOST_DOTS, f"its question card has more than {MOST_DOTS:,} dots outside its texts")


def fits(about: Mapping[str, str], variables: Mapping[str, Variable], card: object) -> None:
    """A pool to be saved is not too large to be loaded."""
    count = entries(about, variables)
    need(count <= MOST_ENTRIES, f"its columns take {count:,} entries, and a file holds at most {MOST_ENTRIES:,}")
    words_in(variables)
    for group in ("draws", "sample"):
        for name, variable in variables.items():
            if name.startswith(f"{group}_") and variable.values.dtype.kind == "S":
                even(to_words(variable))
    if isinstance(card, str):
        readable(card)


# --- margin, priors, settings and the rest ----------------------------------------------------------------------------


def record(record: Mapping[str, Any]) -> None:
    """All parts are there, and each is of its kind."""
    for name in ("margin", "priors", "settings", "structure", "evidences", "verdict", "advice", "card", "versions"):
        need(name in record, f"it has no {name}")
    margin = record["margin"]
    texts(margin, *record["advice"])
    need(isinstance(record["advice"], list), "its advice is no list")
    if margin:
        need(Margin.parse(margin).text == margin, "its margin is not as it is written")
    _priors(record["priors"])
    Priors.of_stored(record["priors"])
    _numbers(record["evidences"], "evidences", ("none", "same", "varying", "error"))
    _settings(record["settings"])
    _structure(record["structure"])
    _verdict(record["verdict"], bool(margin))
    versions = record["versions"]
    need(isinstance(versions, dict) and "metasense" in versions, "its versions are not there")
    texts(*versions, *versions.values())
    card = record["card"]
    if card is not None:
        need(isinstance(card, dict) and set(card) == {"text", "edited"}, "its question card is none")
        texts(card["text"])
        readable(card["text"])
        need(isinstance(card["edited"], bool), "its question card is none")


def _priors(part: Any) -> None:
    """Three scales; of learned priors also odds, and what they were learned from; of an earlier pool, where it was."""
    need(isinstance(part, dict), "its priors are none")
    rest = dict(part)
    if "mu_at" in rest:
        need(_finite(rest.pop("mu_at")), "its priors expect no centre")
    if "earlier" in rest:
        texts(rest.pop("earlier"))
    if "learned_from" in rest:
        texts(rest.pop("learned_from"))
        need("odds" in rest, "its priors have no odds")
    if "odds" in rest:
        odds = rest.pop("odds")
        need(isinstance(odds, list) and len(odds) == 3 and all(map(_finite, odds)), "its priors have no odds")
    if "way" in rest:
        need(_finite(rest.pop("way")), "its priors have no way")
    if "panels" in rest:
        panels = rest.pop("panels")
        need(isinstance(panels, list), "its priors name no panels")
        texts(*panels)
    _numbers(rest, "priors", ("mu_scale", "tau_scale", "beta_scale"))


def _numbers(part: Any, name: str, keys: tuple[str, ...]) -> None:
    need(isinstance(part, dict) and set(part) == set(keys), f"its {name} are not {', '.join(keys)}")
    for key, value in part.items():
        need(_finite(value), f"its {name} have {key} = {value!r:.40}")


def _finite(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300


def _settings(settings: Any) -> None:
    need(isinstance(settings, dict), "its settings are none")
    rest = dict(settings)
    need(rest.pop("method", None) in ("grid", "mcmc"), "its method is none known here")
    for name, least, most in (("draws", 1, 10**9), ("chains", 1, 10**6), ("seed", 0, MOST_SEED)):
        value = rest.pop(name, None)
        need(type(value) is int and least <= value <= most, f"its {name} cannot be {value!r:.40}")
    rho = rest.pop("rho", 0.0)
    need(_finite(rho) and 0 <= rho <= 1, f"its rho cannot be {rho!r:.40}")
    texts(rest.pop("chains_said", ""))
    need(not rest, f"its settings hold {next(iter(rest), '')!r:.40}, which is unknown here")


def _structure(structure: Any) -> None:
    need(isinstance(structure, dict), "its moderators are none")
    known = {"moderators", "through_zero", "within", "interaction", "names", "units"}
    need(set(structure) <= known, "it holds a kind of structure unknown here")
    for part in ("names", "units"):
        given = structure.get(part, {})
        need(isinstance(given, dict), f"its {part} of columns are none")
        texts(*given, *given.values())
    for name in ("moderators", "through_zero"):
        names = structure.get(name, [])
        need(isinstance(names, list), "its moderators are no list of names")
        texts(*names)
        need(len(set(names)) == len(names), "its moderators are named twice")
    if "interaction" in structure:
        both = structure["interaction"]
        need(isinstance(both, list) and len(both) == 2, "its interaction is not one of two moderators")
        texts(*both)
        need(bool(structure.get("moderators")), "it holds an interaction and no moderator")
    if structure.get("within") is not None:
        texts(structure["within"])
    if set(structure) - {"names", "units"}:
        need(structure.get("moderators") or structure.get("within"), "it holds no moderator and no level")


def _verdict(verdict: Any, margin: bool) -> None:
    need(isinstance(verdict, dict), "its verdict is none")
    texts(verdict.get("verdict"))
    above = verdict.get("p_above")
    need(above is None or (_finite(above) and 0 <= above <= 1), "its verdict has no probability")
    need(above is not None or not margin, "its verdict has no probability")


# --- the tables -------------------------------------------------------------------------------------------------------


def panels(frame: pd.DataFrame) -> None:
    """A table of panels as the door lets it in."""
    need(list(frame.columns[: len(PANEL)]) == list(PANEL), "its table of panels has not the columns of one")
    _cells(frame, PANEL)
    names = [str(column) for column in frame]
    columns = [frame[name].astype(object) for name in names]
    sheet = Sheet(names, columns, range(1, len(frame) + 1), "its table of panels", [], [])
    checked = Checked(frame.copy(), sheet, {name: i for i, name in enumerate(names)}, (), [], [], {})
    check_panels(checked, typed=False)


def tastings(frame: pd.DataFrame) -> None:
    """A table of tastings, or a part of one, as the door lets it in."""
    for name in ("panel", "protocol", "taster", "correct"):
        need(name in frame, f"its tastings have no {name}")
    _cells(frame, TASTING)
    need(not frame[["panel", "protocol", "taster"]].isna().any(axis=None), "its tastings have an empty cell")
    kinds = frame["protocol"].astype("string")
    for name in kinds.unique():
        need(protocol(name).name == name, f"{name!r:.40} is not a protocol known here")
    each = frame.groupby(frame["panel"].astype("string"), observed=True)["protocol"]
    need((each.nunique() == 1).all(), "a panel of its tastings has two protocols")
    for name in SIDES:
        rows = frame[(kinds == name).to_numpy(bool) & frame["correct"].notna().to_numpy(bool)]
        if len(rows):
            need({"served", "answer"} <= set(frame), f"its tastings of {name} lack what was served")
            pairs = rows[["served", "answer"]].drop_duplicates()
            need(pairs.notna().all(axis=None), f"its tastings of {name} lack what was served")
            for word in pairs.to_numpy().ravel():
                is_signal(name, word)


def structure(said: Mapping[str, Any], panels: Panels) -> None:
    """The moderators and the level are columns that can be such, before anything is integrated."""
    called_of(said.get("names"), said.get("units"), panels.frame)
    said = {name: value for name, value in said.items() if name not in ("names", "units")}
    if "moderators" in said:
        within = said.get("within")
        read_design(panels, said["moderators"], said.get("through_zero", ()), within, said.get("interaction"))
        if within is not None:
            level(panels, within)
    elif said:
        need(set(said) == {"within"}, "it holds a dose and no moderator")
        level(panels, said["within"])


def together(panels: Panels, tastings: Tastings | None) -> None:
    """Both tables say the same of the panels that are in both."""
    if tastings is not None:
        need(len(joined(panels, tastings)) == len(panels), "its tastings are of panels that it does not have")


def _cells(frame: pd.DataFrame, known: Mapping[str, Column]) -> None:
    """Each column is kept in its own way, and holds what its cells can be read as."""
    for name in frame:
        column, cells = known.get(name), frame[name]
        kind = str(cells.dtype)
        texts(name)
        need(kind == column.dtype if column else kind in _EXTRAS, f"column {name!r:.40} is not of its kind")
        there = cells.dropna()
        if kind == "Float64":
            need(np.isfinite(there.to_numpy(float)).all(), f"column {name!r:.40} holds what is no number")
        elif kind == "Int64":
            need(there.between(0, MOST).all(), f"column {name!r:.40} holds what is no count")
        elif kind in ("string", "category"):
            _words(name, column, there.unique())


def _words(name: str, column: Column | None, found: Iterable[str]) -> None:
    if column is None or column.kind is text:
        return
    for word in found:
        if name in _CHOICES:
            need(column.kind(word, Reading()) == word, f"column {name!r} cannot hold {word!r:.40}")
        else:
            need(word and not _CONTROL.search(word), f"{word!r:.40} is no name")


# --- numbers ----------------------------------------------------------------------------------------------------------


def answer(frame: pd.DataFrame) -> None:
    """Named quantities, each with its numbers."""
    need({"quantity", *_LEVELS} <= set(frame), "its answer has not the columns of one")
    texts(*frame["quantity"])
    for name in _LEVELS:
        need(frame[name].dtype == float, "its answer holds what is no number")


def draws(found: xr.Dataset, sample: xr.Dataset | None, settings: Mapping[str, Any], panels: Panels) -> None:
    """Finite numbers of the size that is stated, for the panels that are there."""
    need({"average", "spread", "centre", "d_prime"} == set(found.data_vars), "its draws are not those of a pool")
    need(found["panel"].to_numpy().tolist() == panels.frame["panel"].tolist(), "its draws are of other panels")
    for name, values in found.data_vars.items():
        need(values.dims[:2] == ("chain", "draw"), "its draws have other axes")
        need(values.dims[2:] == (("panel",) if name == "d_prime" else ()), "its draws have other axes")
    need(found.sizes["chain"] == settings["chains"], "its draws are not of the chains stated")
    need(found.sizes["draw"] <= max(settings["draws"], 25), "its draws are more than those stated")
    need((sample is not None) == (settings["method"] == "mcmc"), "it has no sample, or one that nothing drew")
    parts = [found]
    if sample is not None:
        size = (settings["chains"], settings["draws"])
        need({"mu", "tau"} <= set(sample.data_vars) <= {"mu", "tau", "gamma", "average_d_prime"}, "its sample is none")
        need(
            all(v.dims == ("chain", "draw") and v.shape == size for v in sample.data_vars.values()),
            "its sample is none",
        )
        need((sample["tau"] >= 0).all(), "its sample has a spread below 0")
        need("gamma" not in sample or ((sample["gamma"] >= 0) & (sample["gamma"] < 1)).all(), "its sample is none")
        parts.append(sample)
    for part in parts:
        for values in part.data_vars.values():
            need(values.dtype == float and np.abs(values.to_numpy()).max() < 1e6, "its draws hold what is no number")
