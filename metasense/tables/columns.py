"""What the two tables hold: the columns, and what each means. To add a column, add a line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from metasense.tables.cells import NO_ANSWER, Reading, no_answer, plain, tidy
from metasense.tables.dates import date
from metasense.tables.headers import Column, is_known
from metasense.tables.languages import BLIND, YES_NO, is_no_answer
from metasense.tables.numbers import whole
from metasense.tables.sheets import PanelsError
from metasense.tables.wording import choice, coded, label, person, text, yes_no

_blind = choice(
    BLIND, double="doubleblind db both", single="singleblind sb", none="no notblind unblinded unblind open false"
)
_asked = choice(
    correct="thecorrect correctonly correctanswers right",
    all="everyone everybody alltasters",
    pair="separatepair blindpair separateblindpair",
    none="nobody noone notasked no",
)
_stated = choice(stated="new old", none="nopreference nopref neither equal")
_liked = choice(new="n", old="o", none="nopreference nopref neither equal")
_state = choice(YES_NO, yes="y true 1 right correct", no="n false 0 wrong incorrect", refused="none")


def _correct(cell: object, reading: Reading) -> bool | None:
    """Was the answer correct? None for no answer."""
    if no_answer(cell, reading) or _none_abroad(cell, reading):
        return None
    word = _state(cell, reading)
    return None if word in (None, "refused") else word == "yes"


def _answer(cell: object, reading: Reading) -> str | None:
    """The cup or word answered; None where a mark or word says that there was no answer."""
    if no_answer(cell, reading) or _none_abroad(cell, reading):
        return None
    return coded(cell, reading)


def _none_abroad(cell: object, reading: Reading) -> bool:
    """Does the cell say in another language that there was no answer?"""
    if not isinstance(cell, str) or not is_no_answer(cell):
        return False
    reading.note("was read as no answer", tidy(cell))
    return True


def _preference(cell: object, reading: Reading) -> str | None:
    """None means that nothing was said, "none" that there is no preference."""
    return None if no_answer(cell, reading, NO_ANSWER - {"none"}) else _liked(cell, reading)


def _placebo(cell: object, reading: Reading) -> str | None:
    return None if no_answer(cell, reading, NO_ANSWER - {"none"}) else _stated(cell, reading)


# fmt: off
SITTING = (  # what is the same throughout a panel
    Column("date", "the day of the sitting", date, "datetime64[s]", "paneldate testdate sessiondate day"),
    Column("batch_pair", "the two productions compared", text, "string", "batches batchpairid batchpairs"),
    Column("blind", "double, single or none", _blind, "string", "blinding blinded blindness"),
    Column("planned", "tastings planned beforehand", whole, "Int64", "plannedn nplanned plannedtastings"),
    Column("looks", "times the count was looked at, the final one included", whole, "Int64", "nlooks interimlooks"),
    Column("reported", "was the panel made known? yes or no", yes_no, "boolean", "published"),
)
# fmt: on
# fmt: off
PANEL_COLUMNS = (
    Column("panel", "a name for the sitting", label, "string", "id panelid panelname panelno panelnumber name", True),
    Column("protocol", "the test that was served", label, "string", "test method testtype testmethod", True),
    Column("tastings", "how many answers were given", whole, "Int64",
           "n trials ntrials answers nanswers ntastings total responses nresponses"),
    Column("correct", "how many answers were correct", whole, "Int64",
           "x right ncorrect nright correctanswers rightanswers numbercorrect numberright", of="tastings"),
    Column("signal", "tastings of the learned sample A, or of two different cups", whole, "Int64",
           "signals nsignal signaltastings"),
    Column("hits", "answers 'A' or 'different' to those", whole, "Int64", "hit nhits"),
    Column("noise", "tastings of the other sample, or of two cups alike", whole, "Int64", "nnoise noisetastings"),
    Column("false_alarms", "answers 'A' or 'different' to those", whole, "Int64", "falsealarm fa nfalsealarms"),
    SITTING[0],
    Column("people", "a name for those who tasted, such as club: the same name for the same people", text, "string",
           "samepeople tastergroup groupoftasters", in_words=True),
    Column("tasters", "how many different people answered", whole, "Int64",
           "assessors people persons participants panelists panellists volunteers ntasters nassessors npeople"),
    *SITTING[1:],
    Column("asked", "who was asked for a preference: correct, all, pair (all, on a separate blind pair) or none",
           _asked, "string", "askedof prefasked prefaskedof preferenceasked preferenceaskedof"),
    Column("prefer_new", "how many preferred the new product", whole, "Int64", "prefnew preftest prefertest"),
    Column("prefer_old", "how many preferred the old product", whole, "Int64", "prefold prefcontrol prefercontrol"),
    Column("no_preference", "how many had no preference", whole, "Int64", "nopref prefnone prefernone"),
    Column("placebo_stated", "how many stated a preference between two cups alike", whole, "Int64", "placebopref"),
    Column("placebo_none", "how many had none between two cups alike", whole, "Int64", "placebonopref"),
    Column("refused", "people served who gave no answer, not among the tastings", whole, "Int64", "refusals nrefused"),
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
# fmt: on
# fmt: off
TASTING_COLUMNS = (
    replace(PANEL_COLUMNS[0], dtype="category", aliases="panelid panelname panelno panelnumber"),
    replace(PANEL_COLUMNS[1], dtype="category"),
    Column("taster", "a code for the person", person, "category",
           "tasterid tastercode assessor assessorid person personid participant participantid panelist panellist",
           True),
    Column("correct", "was the answer correct? 1 or 0, yes or no", _correct, "boolean", "right iscorrect result",
           abroad="is_correct"),
    Column("served", "the right answer: code or position of the odd or matching cup", _answer, "category",
           "rightanswer correctanswer target odd oddcup"),
    Column("answer", "the taster's answer, in the same words as served", _answer, "category",
           "response chosen picked choice"),
    Column("trial", "1, 2, 3 ... for the tastings of one person", whole, "Int64",
           "trialno trialnumber repeat replicate rep"),
    Column("order", "the cups in the order served, such as ABB", label, "category", "servingorder servedorder"),
    Column("position", "place of the cup picked, 1 for the first", whole, "Int64", "answerposition positionpicked"),
    Column("preference", "new, old or none", _preference, "category", "prefers preferred"),
    Column("asked", "who was asked for it: correct, all, pair or none", _asked, "category", "askedof"),
    Column("placebo", "between two cups alike: stated or none", _placebo, "category", "placebopair"),
    *SITTING,
    Column("notes", "anything worth keeping", text, "string", "note comment comments remarks"),
)
# fmt: on
PANEL = {column.name: column for column in PANEL_COLUMNS}
TASTING = {column.name: column for column in TASTING_COLUMNS}
FORCED = ("tastings", "correct")
TWO_COUNTS = ("signal", "hits", "noise", "false_alarms")


def refuse_served(headers: Sequence[str], source: str) -> None:
    """Say in one problem that a table belongs to a served panel: its answers before they are joined, or its key."""
    names = set(map(plain, headers))
    served = "Join the two with read_answers(key, answers), or in a terminal with: metasense answers KEY ANSWERS"
    if {"code", "sample", "tray"} <= names:
        words = f"this looks like the key of a served panel, which holds no answers. {served}."
    elif {"cups", "answer", "taster"} <= names and not {"served", "correct"} & names:
        words = (
            f"this looks like the answers sheet of a served panel, which holds codes and not what is right. {served}."
        )
    elif {"tray", "place1"} <= names or {"round", "sample", "code", "cups"} <= names:
        words = (
            "this looks like a list by which a panel is poured or served, which holds no answers. Type them into the "
            f"answers sheet of the plan. {served}."
        )
    else:
        return
    raise PanelsError(words, source)


def one_row_a_tasting(headers: Sequence[str]) -> bool:
    """Do the headers name who tasted and what came of it, and no counts of a panel?

    Examples
    --------
    >>> one_row_a_tasting(["panel", "protocol", "taster", "correct"])
    True
    >>> one_row_a_tasting(["panel", "protocol", "tastings", "correct"])
    False
    """
    tasting = [is_known([TASTING[name]]) for name in ("taster", "correct", "answer")]
    person, *outcome = (any(map(known, headers)) for known in tasting)
    counts = is_known([PANEL[name] for name in ("tastings", *TWO_COUNTS)])
    return person and any(outcome) and not any(map(counts, headers))
