"""Typing ballots as they come in: one at a time, checked against the key, saved before the next.

`Recording` is the work without a form: the file beside the key is all it knows, so that a notebook that is restarted
goes on where it was. `record` is the form on top, for a notebook. Neither says what was in a cup, nor how many answers
are correct, before all ballots are in, unless somebody asks; and that is counted as a look, for looking and then
stopping finds differences that are not there.
"""

from __future__ import annotations

import csv
import html
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO

import pandas as pd

from metasense.planning.key import RECORDED as FILE
from metasense.planning.key import folder_of
from metasense.planning.served import codes_in, problems_of, read_answers
from metasense.planning.serving import ServingPlan
from metasense.planning.sheets import SURE, task_of, typed_of
from metasense.showing import words
from metasense.showing.files import Kind, kept_still, ready, replacing
from metasense.showing.pages import CAUTIONS
from metasense.showing.results import Result
from metasense.showing.tables import as_csv, block
from metasense.tables.cells import Reading, Wrong
from metasense.tables.exclusion import LEFT_OUT

NAMED = 12  # ballots still to come that are named before the rest are counted
ABSENT = "absent"
_LOOKS = "looks"


def _is_recorded(file: BinaryIO) -> bool:
    heads = file.readline().decode("utf-8", "replace").strip().split(",")
    return {"taster", "cups", "answer", _LOOKS} <= set(heads)


RECORDED = Kind("a file of recorded ballots", _is_recorded, (".csv",), "ballots are recorded as CSV")


@dataclass(frozen=True, eq=False, repr=False)
class Recording(Result):
    """The ballots of one panel as they are typed; made by `Recording.open`.

    Attributes
    ----------
    plan : ServingPlan
        Whose key the codes are checked against.
    file : Path
        Where every ballot is saved, as `read_answers` reads it.
    key : str
        Where the key is: the folder of the plan; empty for a plan that was not named by its place.

    Examples
    --------
    >>> import tempfile
    >>> import metasense as ms
    >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
    >>> night = Recording.open(folder)
    >>> code = night.cups("T01").split()[0]
    >>> print(night.put("T01", code)[:14])
    Saved: T01 say
    >>> night
    1 of 3 ballots recorded; still to come: T02 and T03. The count was not looked at.
    """

    plan: ServingPlan
    file: Path
    key: str = ""

    @cached_property
    def _sheet(self) -> pd.DataFrame:
        """The ballots as planned, with nothing typed."""
        return self.plan.answer_sheet()

    @classmethod
    def open(cls, key: Any, *, file: str | os.PathLike[str] | None = None) -> Recording:
        """Begin recording, or go on where it was left.

        Parameters
        ----------
        key : ServingPlan, path of the folder a plan was saved in, or of its ``key.csv``
        file : str or path, optional
            Where ballots are saved; ``recorded.csv`` in the plan's folder by default. A plan that was not saved needs
            one.

        Returns
        -------
        Recording

        Raises
        ------
        ValueError
            If the key is none, there is no telling where to save, or the file holds ballots of another panel.
        FileExistsError
            If something else is at `file`.

        Examples
        --------
        >>> import metasense as ms
        >>> Recording.open(ms.serve("triangle", 3, seed=1))
        Traceback (most recent call last):
            ...
        ValueError: this plan was not saved, so there is no place beside its key. Save it first with plan.save(folder) \
and record from that folder, or say file="recorded.csv".
        """
        plan = key if isinstance(key, ServingPlan) else ServingPlan.load(key)
        if file is None:
            file = _beside(key)
        place = folder_of(key).as_posix() if isinstance(key, (str, os.PathLike)) else ""
        night = cls(plan, Path(file), place)
        if not night.file.is_file():
            ready(night.file, RECORDED)  # a folder, a pipe, or a place where nothing can be
        if not night.file.exists() or night.file.stat().st_size == 0:
            night._save([], 0)
        night._rows()  # refuses a file of another panel now, and not at the first ballot
        return night

    # --- what is there ----------------------------------------------------------------------------------------------

    def to_frame(self) -> pd.DataFrame:
        """The ballots typed so far, a row each, as they stand in the file; nothing in it says which are correct.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> Recording.open(folder).to_frame().shape
        (0, 11)
        """
        return pd.DataFrame(self._rows()[0], columns=self._columns(), dtype=object)

    @property
    def looks(self) -> int:
        """How often the count was looked at before all ballots were in."""
        return self._rows()[1]

    def missing(self) -> tuple[str, ...]:
        """The ballots still to come, by the taster's code, with the set where each has several.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> Recording.open(folder).missing()
        ('T01', 'T02', 'T03')
        """
        return tuple(map(self._label, self._open()))

    def _ballots(self) -> list[tuple[str, int]]:
        """All ballots of the plan as taster and set, in the order of the trays."""
        return [(str(row.taster), int(row.trial)) for row in self._sheet.itertuples()]

    def _open(self) -> list[tuple[str, int]]:
        """Those still to come."""
        there = {_place(row) for row in self._rows()[0]}
        return [ballot for ballot in self._ballots() if ballot not in there]

    def _label(self, ballot: tuple[str, int]) -> str:
        """What a ballot is called."""
        taster, trial = ballot
        return f"{taster}, set {trial}" if self.plan.sets > 1 else taster

    def cups(self, taster: str, trial: int = 1) -> str:
        """The codes planned for a ballot, from left to right.

        Parameters
        ----------
        taster : str
            The code on the ballot.
        trial : int
            Which set, where each taster has several.

        Returns
        -------
        str

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> len(Recording.open(folder).cups("T02").split())
        3
        """
        return str(self._blank((taster, trial))["cups"])

    def sentence(self) -> str:
        """How far it is, and what is missing.

        Returns
        -------
        str

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 1, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> Recording.open(folder).sentence()
        '0 of 1 ballots recorded; still to come: T01. The count was not looked at.'
        """
        rows, looks = self._rows()
        absent = sum(row["incident"] == ABSENT for row in rows)
        gone = f", of them {absent} absent" if absent else ""
        missing = self.missing()
        rest = f"; still to come: {words.listing(missing, NAMED)}" if missing else ": all are in"
        seen = f"looked at {words.how_often(looks)}" if looks else "not looked at"
        return f"{len(rows)} of {len(self._ballots())} ballots recorded{gone}{rest}. The count was {seen}."

    def _shown(self) -> list[str]:
        return [self.sentence(), *([] if self.missing() else [self._next()])]

    def _next(self) -> str:
        file = self.file.as_posix()
        beside = bool(self.key) and self.file == Path(self.key) / FILE
        named = f'"{self.key}"' if beside else f'{repr(self.key) if self.key else "plan"}, "{file}"'
        return (
            f'Next: counted = ms.read_answers({named}, blind="double") joins them with the key, if neither tasters nor '
            "those who served knew what was in the cups; then ms.pool(counted), or with other evenings and panels "
            "ms.pool([panels, counted])."
        )

    # --- what is done -----------------------------------------------------------------------------------------------

    def put(
        self,
        taster: str,
        answer: str | int = "",
        *,
        trial: int = 1,
        cups: str = "",
        certainty: str = "",
        preferred: Sequence[str | int] = (),
        incident: str = "",
        left_out: str = "",
        notes: str = "",
        replace: bool = False,
    ) -> str:
        """Check one ballot and save it; it is on the disk when this returns.

        Parameters
        ----------
        taster : str
            The code on the ballot.
        answer : str or int
            The code ticked, two with a space where two are asked for, or the word.
        trial : int
            Which set, where each taster has several.
        cups : str
            The codes on the tray from left to right, where another tray or order was served than planned.
        certainty : str
            sure, fairly sure or guessed, where the ballot asks.
        preferred : sequence
            The code preferred, or none, of each pair in the order of the ballot.
        incident : str
            Anything that went wrong; ``absent`` if nobody sat there.
        left_out : str
            Why the tasting is not to count, if so.
        notes : str
        replace : bool
            Whether a ballot that is recorded already may be corrected.

        Returns
        -------
        str
            That it was saved, and how far it is. Nothing in it says whether the answer is correct.

        Raises
        ------
        ValueError
            Listing what cannot be right. Nothing is saved then.

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> Recording.open(folder).put("T09", 417)
        Traceback (most recent call last):
            ...
        ValueError: there is no taster 'T09' in this plan. Still to come: T01, T02 and T03.
        """
        row = self._blank((str(taster).strip(), int(trial)))
        given = {"answer": answer, "certainty": certainty, "incident": incident, "left_out": left_out, "notes": notes}
        given |= {f"preferred_{number}": liked for number, liked in enumerate(preferred, 1)}
        row |= {name: words.one_line(str(cell)).strip() for name, cell in given.items() if name in row}
        row["cups"] = words.one_line(cups).strip() or row["cups"]
        if row["incident"].casefold().strip(" .!") == ABSENT:
            row["incident"] = ABSENT
        if not row["answer"] and not row["incident"] and not row["left_out"]:
            raise ValueError(f"{taster}: type the answer, or {ABSENT} under incident if nobody sat there.")
        with kept_still(self.file):
            rows, looks = self._rows()
            others = [other for other in rows if _place(other) != _place(row)]
            if len(others) < len(rows) and not replace:
                raise ValueError(
                    f"the ballot of {self._label(_place(row))} is recorded already. If this one is right, say that it "
                    "corrects the other (replace=True)."
                )
            self._check(row, others)
            self._save([*others, row], looks)
        says = row["answer"] or row["incident"] or "left out"
        liked = [row[f"preferred_{number}"] for number in range(1, self.plan.pairs + 1)]
        prefers = f" and prefers {words.listing(liked)}" if any(liked) else ""
        return f"Saved: {self._label(_place(row))} says {says}{prefers}. {self.sentence()}"

    def look(self) -> str:
        """The count of correct answers. Before all ballots are in this is a look, and is counted.

        Returns
        -------
        str

        Raises
        ------
        ValueError
            If nothing is recorded yet.

        Examples
        --------
        >>> import tempfile
        >>> import metasense as ms
        >>> folder = ms.serve("triangle", 1, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
        >>> Recording.open(folder).look()
        Traceback (most recent call last):
            ...
        ValueError: no ballot is recorded yet, so there is no count to look at.
        """
        with kept_still(self.file):
            rows, looks = self._rows()
            if not any(row["answer"] for row in rows):
                raise ValueError("no ballot is recorded yet, so there is no count to look at.")
            early = bool(self.missing())
            if early:
                looks += 1
                self._save(rows, looks)
        correct = read_answers(self.plan, self.file).frame["correct"].dropna()
        count = f"{int(correct.sum())} of {words.count(len(correct), 'answer')} correct"
        if not early:
            return words.Paragraph(f"All ballots are in: {count}. {self._next()}")
        return words.Paragraph(
            f"So far {count}. This was look {looks} before the end, and it is kept with the ballots: whoever looks and "
            "then stops finds differences by chance more often. ms.cost_of_looks says how much more often."
        )

    # --- the file ---------------------------------------------------------------------------------------------------

    def _columns(self) -> list[str]:
        return [*self._sheet.columns, _LOOKS]

    def _blank(self, ballot: tuple[str, int]) -> dict[str, str]:
        """The ballot as planned, with nothing typed."""
        sheet = self._sheet
        mine = sheet[(sheet["taster"].astype(str) == ballot[0]) & (sheet["trial"].astype(int) == ballot[1])]
        if mine.empty:
            known = ballot[0] in set(sheet["taster"].astype(str))
            what = f"set {ballot[1]} of taster {ballot[0]!r}" if known else f"taster {ballot[0]!r}"
            missing = self.missing()
            rest = f" Still to come: {words.listing(missing, NAMED)}." if missing else ""
            raise ValueError(f"there is no {what} in this plan.{rest}")
        return {str(name): str(cell) for name, cell in mine.iloc[0].items()} | {_LOOKS: ""}

    def _check(self, row: dict[str, str], others: list[dict[str, str]]) -> None:
        """Refuse a ballot that cannot be, in words that give nothing away."""
        mine = set(codes_in(row["cups"]))
        if row["incident"] != ABSENT:
            for other in others:
                if other["incident"] != ABSENT and (shared := sorted(mine & set(codes_in(other["cups"])))):
                    raise ValueError(
                        f"{words.listing(shared)} {'is' if len(shared) == 1 else 'are'} on the ballot of "
                        f"{self._label(_place(other))}, which is recorded already. A cup is served once: check both "
                        "ballots, or type the codes that stood on this tray."
                    )
        wrong = []
        try:
            LEFT_OUT.kind(row[LEFT_OUT.name], Reading())
        except Wrong as error:
            wrong.append(error.sentence)
        wrong += problems_of(self.plan, pd.DataFrame([row], columns=self._columns()[:-1]))
        if wrong:
            raise ValueError(
                f"the ballot of {self._label(_place(row))} was not saved: {' '.join(dict.fromkeys(wrong))}"
            )

    def _rows(self) -> tuple[list[dict[str, str]], int]:
        """The ballots in the file, and how often the count was looked at before the end."""
        try:
            text = self.file.read_text(encoding="utf-8-sig")
        except UnicodeDecodeError:
            text = ""
        reader = csv.DictReader(io.StringIO(text, newline=""))
        name = os.fspath(self.file)
        if reader.fieldnames is None or list(reader.fieldnames) != self._columns():
            raise ValueError(
                f"{name!r} does not hold ballots of this plan as they were recorded: another plan's, or a program "
                "changed its columns. Name another place with file=."
            )
        rows = [{name: cell or "" for name, cell in row.items() if name is not None} for row in reader]
        if any(row["panel"] != self.plan.panel for row in rows):
            raise ValueError(
                f"{name!r} holds ballots of another panel than {self.plan.panel!r}. Name another place with file=."
            )
        looks = [int(row[_LOOKS]) for row in rows if row[_LOOKS].isdigit()]
        return rows, max(looks, default=1) - 1  # the final look is among those in the file

    def _save(self, rows: list[dict[str, str]], looks: int) -> None:
        """Put the ballots in the file in the order of the trays, whole or not at all."""
        order = {ballot: at for at, ballot in enumerate(self._ballots())}
        rows = sorted(rows, key=lambda row: order.get(_place(row), len(order)))
        frame = pd.DataFrame(rows, columns=self._columns(), dtype=object)
        frame[_LOOKS] = str(looks + 1)
        with replacing(self.file, RECORDED) as scratch:
            scratch.write_bytes(as_csv(frame).encode())


def _beside(key: Any) -> Path:
    """Where ballots go: the folder of the plan, or that of the key where it stands alone."""
    if not isinstance(key, (str, os.PathLike)):
        raise ValueError(
            "this plan was not saved, so there is no place beside its key. Save it first with plan.save(folder) and "
            f'record from that folder, or say file="{FILE}".'
        )
    return folder_of(key) / FILE


def _place(row: dict[str, str]) -> tuple[str, int]:
    return row["taster"], int(row["trial"])


# --- the form ---------------------------------------------------------------------------------------------------------


def record(key: Any, *, file: str | os.PathLike[str] | None = None) -> Any:
    """A form for typing the ballots of a panel as they come in, for a notebook.

    Every ballot is checked against the key, without saying what is in a cup, and saved before the next: after a restart
    of the kernel the same line goes on where it was left. The count of correct answers stays hidden until all ballots
    are in; asking for it earlier counts as a look, which is kept with the ballots.

    Parameters
    ----------
    key : ServingPlan, path of the folder a plan was saved in, or of its ``key.csv``
    file : str or path, optional
        Where ballots are saved; ``recorded.csv`` in the plan's folder by default.

    Returns
    -------
    ipywidgets.VBox
        Its first child says how far it is, its last what became of the last ballot.

    Raises
    ------
    ImportError
        If ipywidgets is not installed.
    ValueError, FileExistsError
        As for `Recording.open`.

    Examples
    --------
    >>> import tempfile
    >>> import metasense as ms
    >>> folder = ms.serve("triangle", 3, allergens=[], hazards=[], seed=1).save(f"{tempfile.mkdtemp()}/plan")
    >>> form = ms.record(folder)
    >>> "0 of 3 ballots recorded" in form.children[0].value
    True
    """
    try:
        import ipywidgets
    except ImportError as error:
        raise ImportError(
            'ms.record() needs ipywidgets, which is not installed: pip install "metasense[lab]". Without a form, '
            "ms.Recording.open(key).put(taster, answer) does the same, and answers.csv takes the ballots in a "
            "spreadsheet program."
        ) from error
    return _Form(ipywidgets, Recording.open(key, file=file)).box


class _Form:
    """The widgets over a `Recording`; all that is decided is decided there."""

    def __init__(self, widgets: Any, night: Recording) -> None:
        self.night = night
        plan = night.plan
        wide = {"style": {"description_width": "11em"}, "layout": widgets.Layout(width="34em", max_width="100%")}
        self.progress = widgets.HTML()
        self.said = widgets.HTML()
        self.correcting = widgets.Checkbox(False, description="correct a ballot that is recorded", indent=False)
        self.ballot = widgets.Dropdown(description="ballot of", **wide)
        self.cells = {"cups": widgets.Text(description="codes on the tray", **wide)}
        self.asked = task_of(plan, plan.texts)
        asks = " or ".join(self.asked["choices"]) or "the code or codes ticked"
        self.cells["answer"] = widgets.Text(description="answer", placeholder=asks, **wide)
        if plan.certainty:
            levels = [("", ""), *((plan.texts(name), word) for word, name in SURE.items())]
            self.cells["certainty"] = widgets.Dropdown(options=levels, description="certainty", **wide)
        for number in range(1, plan.pairs + 1):
            name = f"preferred_{number}"
            self.cells[name] = widgets.Text(
                description=f"preferred, pair {number}", placeholder="code, or none", **wide
            )
        hints = {"incident": f"what went wrong; {ABSENT} if nobody came", "left_out": "why it is not to count, if so"}
        for name, hint in (hints | {"notes": ""}).items():
            self.cells[name] = widgets.Text(description=name.replace("_", " "), placeholder=hint, **wide)
        self.save = widgets.Button(description="Save this ballot", button_style="primary")
        self.look = widgets.Button(description="Show the count (a look)", layout=widgets.Layout(width="16em"))
        self.filling = False
        self.over = False  # whether what is said belongs to a ballot that is done with
        for cell in self.cells.values():
            cell.on_msg(self._entered)
            cell.observe(self._typed, "value")
        self.save.on_click(self._save)
        self.look.on_click(self._look)
        self.ballot.observe(self._another, "value")
        self.correcting.observe(self._renew, "value")
        buttons = widgets.HBox([self.save, self.look])
        self.box = widgets.VBox([self.progress, self.correcting, self.ballot, *self.cells.values(), buttons, self.said])
        self._renew()

    def _progress(self) -> None:
        night = self.night
        cautions = "".join(f"<li>{html.escape(caution)}</li>" for caution in CAUTIONS)
        before = f"<details><summary>Before anybody tastes</summary><ul>{cautions}</ul></details>"
        typed = [f"The ballots ask: {self.asked['question']}", *typed_of(night.plan, night.plan.texts)]
        self.progress.value = f"{block(night.sentence(), *typed)}{before}"

    def _renew(self, _: Any = None) -> None:
        """Say how far it is, and offer the ballots that may be typed."""
        self._progress()
        night = self.night
        still = night._open()
        offered = [ballot for ballot in night._ballots() if ballot not in still] if self.correcting.value else still
        self.ballot.options = [(night._label(ballot), ballot) for ballot in offered]
        self.ballot.value = offered[0] if offered else None
        self.save.disabled = not offered
        self._chosen()

    def _entered(self, _: Any, content: Any, __: Any) -> None:
        """Enter in a cell saves the ballot."""
        if isinstance(content, dict) and content.get("event") == "submit" and not self.save.disabled:
            self._save()

    def _typed(self, _: Any = None) -> None:
        """What was said of the last ballot goes when the next is typed."""
        if self.over and not self.filling:
            self._say("")

    def _another(self, _: Any = None) -> None:
        self._say("")
        self._chosen()

    def _chosen(self, _: Any = None) -> None:
        """Empty the cells for the ballot chosen, or fill in what is recorded of it."""
        chosen = self.ballot.value
        frame = self.night.to_frame()
        there: dict[str, str] = {}
        if chosen is not None:
            there = {"cups": self.night.cups(*chosen)}
            mine = [row for row in frame.to_dict("records") if _place(row) == chosen]
            there |= mine[0] if mine else {}
        self.filling = True
        for name, cell in self.cells.items():
            cell.value = there.get(name, "")
        self.filling = False

    def _save(self, _: Any = None) -> None:
        taster, trial = self.ballot.value
        typed = {name: cell.value for name, cell in self.cells.items() if not name.startswith("preferred_")}
        liked = [cell.value for name, cell in self.cells.items() if name.startswith("preferred_")]
        try:
            said = self.night.put(taster, trial=trial, preferred=liked, replace=self.correcting.value, **typed)
        except (ValueError, OSError) as error:
            self._say(str(error), wrong=True)
            return
        if self.correcting.value:
            self.correcting.value = False  # which renews the form; the next ballot is a new one
        else:
            self._renew()
        self._say(said.split(". ", 1)[0] + ".")
        self.over = True
        self.ballot.focus()

    def _look(self, _: Any = None) -> None:
        try:
            self._say(self.night.look())
        except (ValueError, OSError) as error:
            self._say(str(error), wrong=True)
        self._progress()

    def _say(self, text: str, *, wrong: bool = False) -> None:
        self.over = False
        weight = "font-weight: bold" if wrong else ""
        self.said.value = f'<div role="status" style="{weight}">{block(text) if text else ""}</div>'
