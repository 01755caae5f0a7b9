"""Moderators and groups as the table gives them: columns into numbers, or the reasons why that cannot be.

A numeric column is centred and counted in standard deviations over the panels; a column of words gives each of its
categories an effect of its own. A question that the table cannot support is refused here, all reasons at once.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.showing import words
from metasense.tables.panels import Panels, PanelsError

Array = NDArray[Any]

FEWEST = 3  # panels from which a moderator can be asked about at all, and for each effect of several
ADVISED = 10  # panels per moderator
COLLINEAR = 0.98  # squared correlation of a moderator with the others above which they cannot be told apart
KNOWN = 0.75  # share of the panels for which another column must be known
CHANGED_TOGETHER = 0.5  # squared correlation from which other columns are named as having changed along
MOST_COLUMNS = 12  # of moderators together: a number has one, words have one each
NO_MODERATORS = {
    *("panel", "tastings", "correct", "signal", "hits", "noise", "false_alarms", "notes"),
    *("prefer_new", "prefer_old", "no_preference", "placebo_stated", "placebo_none", "refused", "asked"),
}


@dataclass(frozen=True, eq=False)
class Moderator:
    """One column.

    Attributes
    ----------
    name : str
    values : ndarray of float or of str, shape (panels,)
    through_zero : bool
        A dose at whose zero the centre is 0.
    """

    name: str
    values: np.ndarray
    through_zero: bool = False

    @property
    def numeric(self) -> bool:
        """Whether it holds numbers."""
        return self.values.dtype.kind == "f"

    @cached_property
    def categories(self) -> tuple[str, ...]:
        """The different words, the most frequent first."""
        found, counts = np.unique(self.values, return_counts=True)
        return tuple(str(found[i]) for i in np.argsort(-counts, kind="stable"))

    @property
    def ends(self) -> tuple[float, float]:
        """Lowest and highest number."""
        return float(self.values.min()), float(self.values.max())

    @property
    def unit(self) -> float:
        """What the slope is per: a standard deviation, or the root mean square of a dose."""
        return float(np.sqrt(np.mean(self.values**2)) if self.through_zero else self.values.std())

    @cached_property
    def columns(self) -> Array:
        """Columns of the design, shape (panels, k); none for a dose, which scales everything."""
        if self.through_zero:
            return np.empty((len(self.values), 0))
        if self.numeric:
            return ((self.values - self.values.mean()) / self.unit)[:, None]
        return (self.values[:, None] == np.array(self.categories)).astype(float)

    @property
    def labels(self) -> list[str]:
        """What its columns are called."""
        if self.through_zero:
            return []
        return [self.name] if self.numeric else [f"{self.name} = {c}" for c in self.categories]

    def at(self, value: Any) -> Array:
        """Its entries for a panel with this value; for the average panel without one."""
        if value is None:
            return np.asarray(self.columns.mean(axis=0))
        if self.through_zero:
            return np.empty(0)
        if self.numeric:
            return np.array([(float(value) - self.values.mean()) / self.unit])
        return (np.array(self.categories) == str(value)).astype(float)


@dataclass(frozen=True, eq=False)
class Design:
    """Where each panel stands.

    Attributes
    ----------
    moderators : tuple of Moderator
    interaction : tuple of str, optional
        Two moderators whose effects may depend on each other: the products of their columns are columns too.
    """

    moderators: tuple[Moderator, ...]
    interaction: tuple[str, str] | None = None

    @property
    def dose(self) -> Moderator | None:
        """The moderator that goes through zero, if one does."""
        return next((m for m in self.moderators if m.through_zero), None)

    @property
    def load(self) -> Array:
        """What each panel's centre is multiplied with: its dose, or 1."""
        panels = len(self.moderators[0].values)
        return np.ones(panels) if self.dose is None else self.dose.values / self.dose.unit

    @cached_property
    def columns(self) -> Array:
        """All columns, shape (panels, P)."""
        own = [m.columns for m in self.moderators]
        if self.interaction is not None:
            one, other = (self[name].columns for name in self.interaction)
            own.append(_products(one, other))
        return np.concatenate(own, axis=1)

    @property
    def names(self) -> list[str]:
        """What the columns are called."""
        own = [label for m in self.moderators for label in m.labels]
        if self.interaction is None:
            return own
        one, other = (self[name].labels for name in self.interaction)
        return [*own, *(f"{a} x {b}" for a in one for b in other)]

    def place(self, moderator: Moderator) -> slice:
        """Where the moderator's columns are."""
        before = sum(m.columns.shape[1] for m in self.moderators[: self.moderators.index(moderator)])
        return slice(before, before + moderator.columns.shape[1])

    def __getitem__(self, name: str) -> Moderator:
        for m in self.moderators:
            if m.name == name:
                return m
        known = [m.name for m in self.moderators]
        near = difflib.get_close_matches(str(name), known, n=1)
        hint = f" Did you mean {near[0]!r}?" if near else f" There is {words.listing(known)}."
        raise ValueError(f"{name!r} is not among the moderators.{hint}")

    def row(self, values: Mapping[str, Any]) -> tuple[float, Array]:
        """Load and columns of a panel with these values; the others are those of the average panel.

        Raises
        ------
        ValueError
            Naming every value that is not a moderator's, or that it cannot take.
        """
        problems = []
        for name, value in values.items():
            try:
                moderator = self[name]
            except ValueError as error:
                problems.append(str(error))
                continue
            if moderator.numeric:
                number = _number(value)
                if number is None:
                    problems.append(f"{name} is a number; got {value!r}.")
                elif moderator.through_zero and number < 0:
                    problems.append(f"{name} is a dose, 0 or more; got {value!r}.")
            elif str(value) not in moderator.categories:
                problems.append(f"{name} is one of {words.listing(moderator.categories)}; got {value!r}.")
        if problems:
            raise ValueError(" ".join(problems))
        load = 1.0
        if self.dose is not None:
            load = float(values.get(self.dose.name, self.dose.values.mean())) / self.dose.unit
        own = [m.at(values.get(m.name)) for m in self.moderators]
        if self.interaction is not None:
            one, other = (self[name].at(values.get(name)) for name in self.interaction)
            own.append(np.outer(one, other).ravel())
        return load, np.concatenate(own)

    def steepness(self, name: str, values: Mapping[str, Any] | None = None) -> Array:
        """What the columns change by along one unit of a moderator of numbers, at values of the others."""
        moderator = self[name]
        if moderator.through_zero:
            return np.zeros(self.columns.shape[1])
        others = dict(values or {})
        return self.row(others | {name: moderator.ends[0] + 1.0})[1] - self.row(others | {name: moderator.ends[0]})[1]


def _products(one: Array, other: Array) -> Array:
    """Each column of the one times each of the other."""
    return (one[:, :, None] * other[:, None, :]).reshape(len(one), -1)


def read_design(
    panels: Panels,
    moderators: Sequence[str],
    through_zero: Sequence[str],
    within: str | None,
    interaction: Sequence[str] | None = None,
) -> Design:
    """The moderators of a table.

    Raises
    ------
    PanelsError
        If the table cannot support the question; says all reasons.
    """
    problems: list[str] = []
    if not moderators:
        problems.append("name at least one column in moderators.")
    wrong = [name for name in through_zero if name not in moderators]
    if wrong:
        problems.append(f"through_zero names {_quoted(wrong)}, which must be among the moderators.")
    if len(through_zero) > 1:
        problems.append(
            "only one moderator can go through zero, since it scales the whole difference; got "
            f"{_quoted(through_zero)}."
        )
    if len(set(moderators)) < len(moderators):
        problems.append(f"a moderator is named twice: {_quoted(moderators)}.")
    if within in moderators:
        problems.append(f"{within!r} cannot be both a moderator and the level that panels are within; choose one.")
    problems += few(panels, "a moderator")
    both = _interacting(interaction, moderators, through_zero, problems)
    found = [_read(panels, name, name in through_zero, problems) for name in dict.fromkeys(moderators)]
    kept = tuple(m for m in found if m is not None)
    design = Design(kept)
    if not problems:
        design = Design(kept, both)
        problems += _together(design, panels, within)
    if problems:
        raise _unanswerable(problems, panels)
    return design


def _interacting(
    interaction: Sequence[str] | None, moderators: Sequence[str], through_zero: Sequence[str], problems: list[str]
) -> tuple[str, str] | None:
    """The two moderators whose effects may depend on each other."""
    if interaction is None:
        return None
    named = [interaction] if isinstance(interaction, str) else list(interaction)
    if len(named) != 2 or len(set(named)) != 2:
        problems.append(f"interaction names two different moderators, as in interaction=('a', 'b'); got {named!r}.")
        return None
    if wrong := [name for name in named if name not in moderators]:
        problems.append(f"interaction names {_quoted(wrong)}, which must be among the moderators.")
    if scaled := [name for name in named if name in through_zero]:
        problems.append(
            f"{_quoted(scaled)} goes through zero and so multiplies the effects of the others already; leave it out "
            "of interaction."
        )
    return named[0], named[1]


def few(panels: Panels, what: str) -> list[str]:
    """The refusal for a table with fewer than 3 panels."""
    if len(panels) >= FEWEST:
        return []
    have = words.count(len(panels), "panel")
    return [f"{have} cannot tell the effect of {what} from the panels' own differences; {FEWEST} are the least."]


def level(panels: Panels, within: str) -> pd.Series:
    """The column that groups the panels.

    Raises
    ------
    PanelsError
        If it is not there, is not complete, or does not group.
    """
    if within not in panels.frame:
        raise _unanswerable([_absent(panels, within)], panels)
    column = panels.frame[within]
    problems = few(panels, f"{within}")
    if within in ("panel", "tastings", "correct"):
        problems.append(
            f"{within!r} is no group that panels could be within; name batch_pair, an experimenter or the like."
        )
    elif column.isna().any():
        problems.append(_missing(panels, within))
    elif column.nunique() == 1:
        problems.append(
            f"all panels have the same {within}, {column.iloc[0]!r}: how much one {within} differs from another is not "
            "in the table. Pool without `within`; the answer is then about this one."
        )
    elif column.nunique() == len(column):
        problems.append(
            f"every panel has {words.a(within)} of its own, so differences between and within cannot be told apart. "
            "Pool without `within`: the spread between panels is then both together."
        )
    if problems:
        raise _unanswerable(problems, panels)
    return column.astype(str)


def _unanswerable(problems: Sequence[str], panels: Panels) -> PanelsError:
    return PanelsError(problems, panels.source, what="cannot answer this")


def _read(panels: Panels, name: str, through_zero: bool, problems: list[str]) -> Moderator | None:
    if name not in panels.frame:
        problems.append(_absent(panels, name))
        return None
    column = panels.frame[name]
    before = len(problems)
    if name in NO_MODERATORS:
        problems.append(f"{name!r} is part of the result, or a name, and no moderator.")
    elif column.isna().any():
        problems.append(_missing(panels, name))
    elif column.dtype.kind == "M":
        problems.append(f"{name!r} holds dates; add a column of numbers, such as weeks since the first panel.")
    elif column.nunique() == 1:
        problems.append(
            f"{name!r} is {column.iloc[0]!s} in every panel, so nothing can be said of other values. Leave it out."
        )
    if len(problems) > before:
        return None
    if _numeric(column):
        values = column.to_numpy(float)
        if through_zero and (values < 0).any():
            problems.append(f"{name!r} has negative values, so it is no dose; leave it out of through_zero.")
        return Moderator(name, values, through_zero)
    if through_zero:
        problems.append(f"{name!r} holds words, and only a number can go through zero.")
    boolean = pd.api.types.is_bool_dtype(column)
    texts = (column.astype(object).map({True: "yes", False: "no"}) if boolean else column).to_numpy(str)
    moderator = Moderator(name, texts.astype(object).astype(str))
    hint = " ".join(["", *_misread(panels, moderator)])
    alone = [c for c in moderator.categories if (texts == c).sum() == 1]
    if len(alone) == len(moderator.categories):
        problems.append(
            f"each {name!r} has a single panel, so its effect cannot be told from that panel's own difference. Group "
            f"the categories, or wait for more panels.{hint}"
        )
    return moderator


def _together(design: Design, panels: Panels, within: str | None) -> list[str]:
    """What stands in the way of telling the moderators apart."""
    problems = []
    n = len(panels)
    moderators = design.moderators
    effects = {m.name: 1 if m.numeric else len(m.categories) - 1 for m in moderators}
    free = sum(effects.values())
    if design.interaction is not None:
        free += effects[design.interaction[0]] * effects[design.interaction[1]]
    if n < FEWEST * free:
        fewer = "Name one moderator." if len(moderators) > 1 else "Join categories, or wait for more panels."
        hints = [hint for m in moderators if not m.numeric for hint in _misread(panels, m)]
        problems.append(
            f"{words.count(n, 'panel')} cannot carry {words.count(free, 'effect')}: that takes at least "
            f"{FEWEST * free}, {FEWEST} for each. {' '.join([fewer, *hints])}"
        )
        return problems
    problems += _too_many(design, within)
    if design.interaction is not None and not problems:
        problems += _no_interaction(design)
    for k, m in enumerate(moderators):
        for other in moderators[:k]:
            if association(m.values, other.values) > COLLINEAR:
                problems.append(
                    f"{other.name!r} and {m.name!r} changed together from panel to panel, so their effects cannot be "
                    "told apart. Name one of them."
                )
        if len(moderators) > 2 and not problems and m.numeric:
            others = [o.values[:, None] if o.numeric else o.columns for o in moderators if o is not m]
            if _explained(m.values, np.concatenate(others, axis=1)) > COLLINEAR:
                problems.append(f"{m.name!r} follows from the other moderators in these panels. Leave one of them out.")
        pair = panels.frame[within or "batch_pair"]
        if m.name != "batch_pair" and pair.notna().all() and pair.nunique() < n and _one_to_one(m, pair.to_numpy(str)):
            problems.append(
                f"each {m.name!r} is one {within or 'batch_pair'} and the other way round, so the moderator cannot be "
                "told from the chance differences between them. Panels on another one with the same value would help."
            )
    return problems


def _too_many(design: Design, within: str | None) -> list[str]:
    """Words with more values than can be asked about together with something else."""
    if len(design.moderators) == 1 and within is None:
        return []
    if design.columns.shape[1] <= MOST_COLUMNS:
        return []
    longest = max(design.moderators, key=lambda m: m.columns.shape[1])
    if longest.numeric:
        return [f"{len(design.moderators)} moderators are too many at once; {MOST_COLUMNS} are the most."]
    instead = (
        f"Take it for the level that panels are within: within={longest.name!r}, without it among the moderators."
        if within is None and design.interaction is None
        else "Join categories, or ask about it alone."
    )
    return [
        f"{longest.name!r} has {len(longest.categories)} different words, too many to have an effect each beside "
        f"something else. {instead}"
    ]


def _no_interaction(design: Design) -> list[str]:
    """Where the products follow from the moderators themselves."""
    assert design.interaction is not None
    one, other = (design[name] for name in design.interaction)
    own = np.column_stack([np.ones(len(one.values)), *(m.columns for m in design.moderators)])
    products = _products(one.columns, other.columns)
    left = products - own @ np.linalg.lstsq(own, products, rcond=None)[0]
    if (left**2).sum() > (1 - COLLINEAR) * ((products - products.mean(axis=0)) ** 2).sum():
        return []
    return [
        f"whether the effect of {one.name!r} depends on {other.name!r} cannot be told from these panels: too few "
        "combinations of their values were served. Leave out interaction."
    ]


def _one_to_one(m: Moderator, pair: np.ndarray) -> bool:
    """Whether values and batch pairs coincide, with too few different values for a line through them."""
    values = m.values.astype(str)
    pairs = len({*zip(values, pair, strict=True)})
    coincide = pairs == len(set(values)) == len(set(pair))
    return coincide and (not m.numeric or len(set(values)) == 2)


def association(one: np.ndarray, other: np.ndarray) -> float:
    """Squared correlation of two columns, of numbers or of words."""
    if one.dtype.kind != "f" and other.dtype.kind == "f":
        one, other = other, one
    if one.dtype.kind == "f":
        return _explained(one, other[:, None] if other.dtype.kind == "f" else _dummies(other))
    return min(_purity(one, other), _purity(other, one))


def _purity(one: np.ndarray, other: np.ndarray) -> float:
    """How well the words of one column tell those of the other: 1 for always, 0 for no better than its commonest."""
    table = pd.crosstab(pd.Series(one), pd.Series(other)).to_numpy()
    commonest = table.sum(axis=0).max()
    total = table.sum()
    return float((table.max(axis=1).sum() - commonest) / max(total - commonest, 1))


def _dummies(values: np.ndarray) -> Array:
    return (values[:, None] == np.unique(values)).astype(float)


def _explained(y: Array, X: Array) -> float:
    """Share of the variance of y that X explains."""
    design = np.column_stack([np.ones(len(y)), X])
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    return float(1 - (left @ left) / max(((y - y.mean()) ** 2).sum(), 1e-300))


def changed_together(
    panels: Panels, moderator: Moderator, others: Sequence[str], called: Callable[[str], str] = str
) -> list[str]:
    """Other columns that changed along with the moderator, in the panels where they are known, as they are called."""
    found = []
    for name in others:
        known = panels.frame[name].notna().to_numpy(bool)
        column, values = panels.frame.loc[known, name], moderator.values[known]
        if len(column) < max(FEWEST, KNOWN * len(panels)) or column.nunique() < 2 or len(np.unique(values)) < 2:
            continue
        if column.dtype.kind == "M":
            continue
        numeric = _numeric(column)
        if not numeric and column.nunique() > len(column) / 2:  # so many categories would follow anything
            continue
        if association(values, column.to_numpy(float if numeric else str)) > CHANGED_TOGETHER:
            found.append(called(name) if known.all() else f"{called(name)} (where it is known)")
    return found


def _misread(panels: Panels, m: Moderator) -> list[str]:
    """What may be wrong with a column of words: numbers with a slip among them, one word spelt in two ways."""
    notes = [note for note in panels.notes if repr(m.name) in note and "kept as words" in note]
    said = (note[0].upper() + note[1:] for note in notes)
    return [*said, *spelling(m.name, m.categories), *with_units(m.name, m.categories)]


def same_within(panels: Panels, moderator: Moderator, column: str) -> bool:
    """Whether panels that share a value of the column (a batch pair, say) share the moderator's too, and some do."""
    values = pd.Series(moderator.values).groupby(panels.frame[column].reset_index(drop=True))
    return bool(values.ngroups > 1 and (values.size() > 1).any() and (values.nunique() == 1).all())


def spelling(name: str, values: Sequence[Any]) -> list[str]:
    """What looks like one category spelt in two ways."""
    different = sorted({str(value) for value in values})
    alike: dict[str, list[str]] = {}
    for value in different:
        alike.setdefault(" ".join(value.casefold().split()), []).append(value)
    return [
        f"{words.listing(map(repr, spelt))} are taken as different values of {name}. If they are one, spell them alike."
        for spelt in alike.values()
        if len(spelt) > 1
    ]


def with_units(name: str, values: Sequence[Any]) -> list[str]:
    """What looks like numbers written with their unit."""
    if not all(re.match(r"\s*[-+]?\d+([.,]\d+)?\s*[^\W\d]\D*$", str(value)) for value in values):
        return []
    return [
        f"{name} holds numbers with words ({values[0]!r}), so each is a category of its own. Numbers alone would "
        "give a slope."
    ]


def _number(value: Any) -> float | None:
    """A finite number, also one written as text."""
    try:
        number = float("nan" if isinstance(value, bool) else value)
    except (TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None


def _numeric(column: pd.Series) -> bool:
    return bool(pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column))


def _absent(panels: Panels, name: str) -> str:
    columns = [c for c in panels.frame if c in panels.moderators or panels.frame[c].notna().any()]
    near = difflib.get_close_matches(str(name), columns, n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    return f"there is no column {name!r}.{hint} Possible moderators: {words.listing(map(repr, panels.moderators))}."


def _missing(panels: Panels, name: str) -> str:
    gone = panels.frame.loc[panels.frame[name].isna(), "panel"]
    if len(gone) == len(panels):
        return f"{name!r} is empty. Possible moderators: {words.listing(map(repr, panels.moderators))}."
    return (
        f"{name!r} is missing for {words.listing(map(repr, map(str, gone)), most=8)}. Fill it in, or leave those "
        f"panels out: panels.where(lambda frame: frame[{name!r}].notna(), '{name} known')."
    )


def _quoted(names: Sequence[str]) -> str:
    return words.listing(map(repr, names))
