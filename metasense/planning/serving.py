"""Serving one panel: which cup of which product stands where under which code, on sheets for each who needs one.

A plan keeps three people apart. The *filler* knows which product goes under which code and meets nobody. The *server*
carries trays made up by code and does not know what is in them. The *tasters* see codes only. What joins codes and
products is the *key*, sealed until every answer is typed. Codes are three random digits, used once in a session, and
drawn apart from everything else, so that neither a tray nor a ballot says anything about what it holds. All orders of
the protocol are served equally often, or as nearly as the number of tasters allows (``orders.py``).

`serve` makes a `ServingPlan`; its ``save`` writes the sheets: HTML pages to print, CSV files to type into. The way back
from typed answers is in ``served.py``.
"""

from __future__ import annotations

import itertools
import json
import os
import secrets
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metasense.planning.key import key_of, read_key
from metasense.planning.orders import Orders
from metasense.planning.planned import (
    CODES,
    CUP_COLUMNS,
    CUP_TYPES,
    DIRECTED,
    HAZARDS,
    PLACEBO,
    PREFERENCE,
    TASTING_PART,
    Planned,
)
from metasense.planning.sheets import pages_of
from metasense.planning.texts import Own, sheet_texts
from metasense.protocols import Protocol, TwoCountProtocol, protocol
from metasense.showing import words
from metasense.showing.files import free_folder, new_folder
from metasense.showing.tables import as_csv, block
from metasense.tables.cells import Reading, Wrong, plain
from metasense.tables.dates import date as as_day


def serve(
    protocol: str | Protocol | TwoCountProtocol,
    tasters: int | Sequence[str],
    *,
    samples: tuple[str, str] = ("A", "B"),
    panel: str = "panel 1",
    date: str | None = None,
    sets: int = 1,
    attribute: str = "",
    more: str | None = None,
    reference: str | None = None,
    preference: bool = False,
    placebo: bool = False,
    certainty: bool = False,
    allergens: Iterable[str] | Mapping[str, Iterable[str]] | None = None,
    hazards: Iterable[str] | None = None,
    beside: Iterable[ServingPlan] = (),
    language: str = "en",
    texts: Own | None = None,
    seed: int | None = None,
) -> ServingPlan:
    """Plan who is served what, in which order, under which code.

    Parameters
    ----------
    protocol : str, Protocol or TwoCountProtocol
    tasters : int or sequence of str
        How many, or a pseudonym for each. Ballots carry them, so use no names.
    samples : (str, str)
        The two products as the filler knows them: the old or familiar one, then the new one.
    panel : str
        Name of the sitting. It stands on every ballot, so it must not give anything away.
    date : str, optional
        Day of the sitting, such as ``"2026-11-25"``. One that could be two days, such as 02.04.2026, is refused.
    sets : int
        Sets each taster gets in the session.
    attribute : str
        For 2-AFC, 3-AFC and specified tetrad: what tasters look for, as a noun ("saltiness").
    more : str, optional
        For these, the sample expected to have more of it; picking it counts as correct.
    reference : str, optional
        Duo-trio: the sample that is always the marked reference; unless given, both take turns. A-not-A: the sample
        tasters learn as A; the first unless given.
    preference : bool
        A separate pair for everybody after all sets, with the question which they like better.
    placebo : bool
        A second such pair of two cups alike, before or after the first: how many state a preference where there is
        nothing to prefer.
    certainty : bool
        Ask after each answer how sure the taster is.
    allergens : iterable of str, or mapping of sample to iterables, optional
        What the samples contain or may contain that anyone may not take. Only the union of both is printed, which
        keeps tasters blind. Empty: none. Unless given, the sheet has a blank to fill by hand.
    hazards : iterable of str, optional
        Any of `HAZARDS`: alcohol, caffeine, hot, additives, gas. The sheets speak of these and of no others. Empty:
        none. Unless given, the sheet has a blank to fill by hand.
    beside : iterable of ServingPlan
        Other plans of the same session, whose codes must not come back.
    language : {"en", "de", "fr", "es"}
        What the printed sheets are written in. Names of columns and of what is typed into them stay as they are.
    texts : path of a TOML file, or mapping, optional
        Own wording in place of single texts, by table and name as in the language files of metasense, such as
        ``{"ballots": {"rinse": "Rinse with still water."}}``. The key keeps it.
    seed : int, optional
        Makes the same plan again. Unless given a secret one is drawn, which the key keeps: whoever can guess the seed
        can rebuild the key.

    Returns
    -------
    ServingPlan

    Raises
    ------
    ValueError
        Listing everything that must be put right; also when a session has too few codes.

    Examples
    --------
    >>> plan = serve("triangle", 24, samples=("isinglass", "pea protein"), allergens=["fish"], hazards=["alcohol"])
    >>> plan
    Serving plan of 'panel 1': triangle, 24 tasters, 1 set each, 72 coded samples.
    Each of 6 orders is planned 4 times.
    Next: plan.save("a_new_folder") writes the sheets; ms.record("a_new_folder") then takes the ballots.
    >>> plan.trays().columns.tolist()
    ['tray', 'taster', 'trial', 'place 1', 'place 2', 'place 3']
    """
    names = _taster_names(tasters)
    if seed is not None and (not isinstance(seed, (int, np.integer)) or seed < 0):
        raise ValueError(f"seed is a whole number from 0 on; got {seed!r}.")
    asked = None if hazards is None else tuple(dict.fromkeys(map(str.casefold, _without_none("hazards", hazards))))
    plan = ServingPlan(
        protocol=_protocol(protocol),
        samples=tuple(words.one_line(sample) for sample in samples),  # type: ignore[arg-type]
        cups=pd.DataFrame(),
        panel=words.one_line(panel),
        date=date,
        attribute=words.one_line(attribute),
        more=None if more is None else words.one_line(more),
        reference=None if reference is None else words.one_line(reference),
        certainty=certainty,
        allergens=_union(allergens),
        hazards=asked,
        seed=secrets.randbits(128) if seed is None else int(seed),
        texts=sheet_texts(language, texts),
    )
    problems = list(_problems(plan, names, sets))
    if placebo and not preference:
        problems.append("a placebo pair goes with a preference: say preference=True (--preference) too.")
    try:
        day = as_day(date, Reading())  # as in a table: what could be two days is refused
        plan = replace(plan, date=None if day is None else str(day))
    except Wrong as error:
        problems.append(f"date is a day such as '2026-11-25': {error}.")
    if problems:
        raise ValueError(" ".join(problems))

    orders_rng, codes_rng = np.random.default_rng(plan.seed).spawn(2)  # codes know nothing of orders
    cups = _cups(plan, names, sets, preference, placebo, orders_rng)
    taken = {code for other in beside for code in other.cups["code"]}
    return replace(plan, cups=_with_codes(cups, len(names), taken, codes_rng))


_protocol = protocol  # `serve` takes an argument of that name


def _taster_names(tasters: int | Sequence[str]) -> list[str]:
    if isinstance(tasters, (float, np.floating)) or tasters is None:
        raise ValueError(f"tasters is how many there are, a whole number, or a pseudonym for each; got {tasters!r}.")
    if isinstance(tasters, (int, np.integer)):
        return [f"T{i:0{max(2, len(str(tasters)))}d}" for i in range(1, int(tasters) + 1)]
    return [words.one_line(name) for name in _listed(tasters)]


def _problems(plan: ServingPlan, names: list[str], sets: int) -> Iterator[str]:
    test, samples = plan.protocol.name, plan.samples
    if not names:
        yield "tasters is how many there are, 1 or more, or a pseudonym for each."
    alike = Counter(map(str.casefold, names))
    if twice := list(dict.fromkeys(name for name in names if alike[name.casefold()] > 1 or not name)):
        yield f"every taster needs a pseudonym of their own; empty or there twice: {words.listing(map(repr, twice))}."
    if len(samples) != 2 or len({*map(plain, samples)}) != 2 or not all(samples):
        yield f"samples are two different names, the old product's and the new one's; got {samples!r}."
    if not plan.panel:
        yield "panel is the name of the sitting; it is empty."
    if not isinstance(sets, (int, np.integer)) or sets < 1:
        yield f"sets is how many each taster gets, a whole number, 1 or more; got {sets!r}."
    if test in DIRECTED:
        if not plan.attribute:
            yield f"{test} asks for something named: give it as a noun, such as attribute='saltiness' (--attribute)."
        if plan.more not in samples:
            yield f"say which sample should have more of it: more={samples[0]!r} or more={samples[-1]!r} (--more)."
    elif plan.attribute or plan.more:
        yield f"{test} names nothing to look for: leave attribute and more out."
    if plan.reference is not None and test not in ("duo-trio", "A-not-A"):
        yield f"{test} has no reference: leave it out."
    elif plan.reference not in (None, *samples):
        yield f"reference is one of the samples, {samples[0]!r} or {samples[-1]!r}; got {plan.reference!r}."
    for hazard in plan.hazards or ():
        if hazard not in HAZARDS:
            yield (
                f"{hazard!r} is not one of the hazards {words.listing(HAZARDS)}, which the sheets have words for. "
                "Leave it out here, and tell tasters of it in words of your own: texts= (--texts), under [information]."
            )


def _listed(items: Iterable[str]) -> list[str]:
    return [items] if isinstance(items, str) else list(items)


def _without_none(what: str, items: Iterable[str]) -> list[str]:
    """The items in one line each; "none" alone is none of them."""
    said = [words.one_line(str(item)) for item in _listed(items)]
    if len(said) == 1 and said[0].casefold() in ("none", "no", "-"):
        return []
    if "none" in map(str.casefold, said):
        raise ValueError(f"{what}: {words.listing(map(repr, said))} says none and others. Leave one out.")
    return said


def _union(allergens: Iterable[str] | Mapping[str, Iterable[str]] | None) -> tuple[str, ...] | None:
    """All of both samples in alphabetical order, so that nothing shows which sample brought what."""
    if allergens is None:
        return None
    parts = allergens.values() if isinstance(allergens, Mapping) else [allergens]
    each = [item for part in parts for item in _without_none("allergens", part)]
    return tuple(sorted({item.casefold(): item for item in each if item}.values(), key=str.casefold))


def _cups(
    plan: ServingPlan, names: list[str], sets: int, preference: bool, placebo: bool, rng: np.random.Generator
) -> pd.DataFrame:
    """Every cup of the session in tray order; the code is empty where one is to be drawn."""
    test, aim = plan.protocol.name, plan.orders.aim
    width = len(str(len(names) * sets))
    trays = itertools.count(1)
    rows: list[tuple[Any, ...]] = []

    def add(taster: str, trial: int, part: str, letters: str) -> None:
        tray, marks = next(trays), [""] * len(letters)
        if part == TASTING_PART and test == "duo-trio":
            marks[0] = f"R{tray:0{width}d}"
        elif part == TASTING_PART and test == "A-not-A":
            marks, letters = ["A", ""], aim + letters
        first = 0 if marks[0] else 1  # a marked sample stands at place 0
        for place, (mark, letter) in enumerate(zip(marks, letters, strict=True), first):
            rows.append((tray, taster, trial, part, place, mark, plan.samples["AB".index(letter)]))

    for name, given in zip(names, plan.orders.assign(len(names), sets, rng), strict=True):
        for trial, letters in enumerate(given, 1):
            add(name, trial, TASTING_PART, letters)
    pairs = [(PREFERENCE, Orders("2-AFC", 2))] * preference + [(PLACEBO, Orders("two alike", 2))] * placebo
    drawn = [(part, orders.assign(len(names), 1, rng)) for part, orders in pairs]
    turned = rng.permutation(np.arange(len(names)) % 2)
    for i, name in enumerate(names):
        for trial, (part, orders) in enumerate(drawn[::-1] if turned[i] else drawn, 1):
            add(name, trial, part, orders[i][0])
    return pd.DataFrame(rows, columns=list(CUP_COLUMNS)).astype(CUP_TYPES)


def _with_codes(cups: pd.DataFrame, tasters: int, taken: set[str], rng: np.random.Generator) -> pd.DataFrame:
    """The cups with a code drawn for each that has none yet, and none of those `taken`."""
    free = [code for code in CODES if str(code) not in taken]
    coded = cups["code"] == ""
    need = int(coded.sum())
    each = need // tasters
    if need > len(free):
        raise ValueError(
            f"a session has {len(free)} three-digit codes{' left' if taken else ''}, enough for "
            f"{words.count(len(free) // each, 'taster')} with {words.count(each, 'coded sample')} each; "
            f"{words.count(tasters, 'taster')} need {need}. Divide them over sessions, and make a plan for each."
        )
    cups.loc[coded, "code"] = rng.permutation(free)[:need].astype(str)
    return cups


@dataclass(frozen=True, eq=False, repr=False)
class ServingPlan(Planned):
    """A panel planned cup by cup, with its sheets; made by `serve` or read from a key.

    Its attributes are those of `Planned`: what was given to `serve`, and `cups`, the key.

    Examples
    --------
    >>> import metasense as ms
    >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
    >>> len(plan.cups), plan.samples
    (18, ('old', 'new'))
    """

    _inside = frozenset({"read"})  # an older name

    def pages(self) -> dict[str, str]:
        """Every sheet as one self-contained HTML page, by file name.

        Returns
        -------
        dict of str to str

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> sorted(plan.pages())[:3]
        ['ballots.html', 'filling/filling.html', 'filling/labels.html']
        """
        return pages_of(self)

    def key(self) -> pd.DataFrame:
        """The key with everything needed to read the plan again, one row a cup.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> plan.key()["protocol"].unique().tolist()
        ['triangle']
        """
        return key_of(self)

    @classmethod
    def load(cls, key: Any) -> ServingPlan:
        """The plan back from its key: ``sealed/key.csv``, or the folder it was saved in.

        ``read`` is an older name of the same.

        Parameters
        ----------
        key : path, DataFrame, or anything else a table is read from
            The folder, the key in it, or its rows.

        Returns
        -------
        ServingPlan

        Raises
        ------
        PanelsError
            If it is not a key, or was changed so that codes no longer say one thing.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> import tempfile
        >>> again = ms.ServingPlan.load(plan.save(f"{tempfile.mkdtemp()}/plan"))
        >>> again.cups.equals(plan.cups)
        True
        """
        return cls(**read_key(key))

    read = load

    def save(self, folder: str | os.PathLike[str]) -> Path:
        """Write all sheets into a new folder, the filler's and the key in folders of their own; all of them or none.

        The folders of the filler and of the key open for their owner only, where the system knows owners.

        Parameters
        ----------
        folder : str or path
            A new folder, or an empty one.

        Returns
        -------
        Path
            The folder. In it: ``run.html`` (who does what), ``information.html``, ``trays.html``, ``ballots.html``,
            ``ballots_second.html`` with a preference, ``trays.csv`` and ``answers.csv`` to type into; in ``filling``
            the filling list, checklist and labels; in ``sealed`` the key.

        Raises
        ------
        FileExistsError
            If a plan, or anything else, is there already: its answers or key would be lost.
        OSError
            If the folder may not be made, or the disk is full; nothing is there then.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=["gluten"], hazards=[], seed=1)
        >>> import tempfile
        >>> folder = plan.save(f"{tempfile.mkdtemp()}/plan")
        >>> sorted(path.name for path in folder.iterdir())[:3]
        ['answers.csv', 'ballots.html', 'filling']
        """
        place_for_plan(folder)
        sheets = {
            "sealed/key.csv": as_csv(self.key()),  # first: without it the rest is worth nothing
            **self.pages(),
            "trays.csv": as_csv(self.trays()),
            "filling/filling.csv": as_csv(self.filling()),
            "answers.csv": as_csv(self.answer_sheet()),
        }
        with new_folder(folder) as scratch:
            for part in ("sealed", "filling"):
                (scratch / part).mkdir(mode=0o700)
            for name, text in sheets.items():
                opener = _for_the_owner if name.startswith("sealed/") else None
                with open(scratch / name, "x", encoding="utf-8", newline="\n", opener=opener) as sheet:
                    sheet.write(text)
                    sheet.flush()
                    os.fsync(sheet.fileno())
        return Saved.at(folder)


class Saved(type(Path())):  # type: ignore[misc]
    """The folder of a plan that was just saved: a path that in a notebook says what comes next."""

    said = ""

    @classmethod
    def at(cls, folder: str | os.PathLike[str]) -> Saved:
        """The folder with its next step; what is made of it, such as a file in it, is a path like any other."""
        made = cls(folder)
        named = json.dumps(made.as_posix(), ensure_ascii=False)
        made.said = (
            f"Wrote {words.one_line(made)}: start with run.html. The key is in the folder sealed. Next: "
            f"ms.record({named}) takes the ballots as they come in; when all are in, ms.read_answers({named}) joins "
            "them with the key."
        )
        return made

    def __repr__(self) -> str:
        return repr(Path(self))

    def _repr_html_(self) -> str | None:
        return block(self.said) if self.said else None


def place_for_plan(folder: str | os.PathLike[str]) -> None:
    """Refuse a place where something is already: to ask before a plan is made.

    Raises
    ------
    FileExistsError
        If a plan, or anything else, is there.
    """
    there = [name for name in ("answers.csv", "sealed/key.csv", "run.html") if (Path(folder) / name).exists()]
    if there:
        raise FileExistsError(f"{os.fspath(folder)!r} already holds a plan ({words.listing(there)}). Name another.")
    free_folder(folder)


def _for_the_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)
