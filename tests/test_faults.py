"""What is put in, and what surrounds the program: small versions of ``python tests/faults/run.py``."""

import copy
import itertools
import os
import re
from collections import Counter

import pytest
from faults import damage, inputs, messy_tables, surroundings, truth_tables, writers

import metasense as ms

pytestmark = pytest.mark.lab

QUICK = ("full disk", "no network")
CHECKS = surroundings.CHECKS | surroundings.SAMPLING


def tried(check, **options):
    try:
        cases, _ = check(**options)
    except surroundings.Impossible as reason:
        pytest.skip(str(reason))
    assert cases > 0


@pytest.fixture(scope="session")
def base(tmp_path_factory):
    return tmp_path_factory.mktemp("faults")


@pytest.mark.parametrize("name", [name for name in inputs.CHECKS if name != "extreme counts"])
def test_odd_input_is_answered_or_refused_in_words(name, tmp_path):
    check, small = inputs.CHECKS[name]
    tried(check, folder=tmp_path, **small)


def test_extreme_counts_are_answered_or_refused_in_words(tmp_path):
    tried(inputs.counts, folder=tmp_path, sizes=(1, 10**9), tests=("triangle",))


@pytest.mark.skipif(os.name != "posix", reason="rights, signals and memory disks of POSIX")
@pytest.mark.parametrize("name", QUICK)
def test_odd_surroundings_change_nothing(name, base):
    check, small = surroundings.CHECKS[name]
    (base / name).mkdir()
    tried(check, base=base / name, **small)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
@pytest.mark.parametrize("name", writers.CHECKS)
def test_nothing_is_half_written_lost_or_written_over(name, tmp_path):
    check, small = writers.CHECKS[name]
    tried(check, base=tmp_path, **small)


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
@pytest.mark.parametrize("name", writers.CHECKS)
def test_nothing_is_ever_half_written_lost_or_written_over(name, tmp_path):
    tried(writers.CHECKS[name][0], base=tmp_path)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="rights, signals and memory disks of POSIX")
@pytest.mark.parametrize("name", [name for name in CHECKS if name not in QUICK])
def test_every_other_fault_is_met(name, base):
    check, _ = CHECKS[name]
    (base / name).mkdir()
    tried(check, base=base / name)


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", list(inputs.CHECKS))
def test_all_odd_input_is_answered_or_refused_in_words(name, tmp_path):
    tried(inputs.CHECKS[name][0], folder=tmp_path)


def test_a_stray_nan_or_a_silent_acceptance_counts_as_a_fault():
    class Strange:
        def __repr__(self):
            return "the average is nan"

    with pytest.raises(AssertionError, match="nan"):
        inputs.tried("a strange result", Strange)
    with pytest.raises(AssertionError, match="was accepted"):
        inputs.tried("a margin of 1", lambda: ms.Margin(d_prime=1.0), refused=True)
    with pytest.raises(AssertionError, match="KeyError"):
        inputs.tried("a lost key", lambda: {}["key"])


def test_a_result_that_depends_on_its_surroundings_counts_as_a_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(surroundings, "plain", lambda base, method: "one thing")
    monkeypatch.setattr(surroundings, "evening", lambda *args, **odd: "another")
    with pytest.raises(AssertionError, match=re.escape("'another' instead of 'one thing'")):
        surroundings.same(tmp_path, "odd")


# --- does the search for misread tables find them? ------------------------------------------------------------------


def misread(twist, kind, change, *, wanted=12):
    """How cases of this twist end when they are read as they stand after `change`, a misreading that says nothing."""
    endings = Counter()
    for number in itertools.count():
        case = truth_tables.make(1, number, [twist])
        if not case.twists or (case.kind, case.form["kind"]) != (kind, "text"):
            continue
        wrong = copy.deepcopy(case)
        if change(wrong):
            read = {kind: lambda _, wrong=wrong: truth_tables.READERS[kind](truth_tables.text(wrong.grid()))}
            endings[truth_tables.judge(case, truth_tables.text(case.grid()), read).ending] += 1
        if endings.total() == wanted:
            return endings


def no_answer_is_wrong(case):
    """`-` is a wrong answer."""
    empty = [row for row in case.rows if row.meant["correct"] is None]
    for row in empty:
        if case.column("correct"):
            row.written["correct"] = False
        else:
            row.written["served"], row.written["answer"] = "1", "2"
    return bool(empty) and case.rows[0].meant["way"] in ("correct", "position")


def shares_are_counts(case):
    """`% correct` is `correct`."""
    case.column("correct").header = "correct"
    for row in case.rows:
        row.written["correct"] = min(int(row.written["correct"]), row.true["tastings"])
    return any(row.written["correct"] != row.true["correct"] for row in case.rows)


def thousands_are_decimals(case):
    """`1.000` is 1."""
    large = [
        (row, column.name)
        for column in case.holding("number")
        for row in case.rows
        if row.true[column.name] >= 1000 and row.written[column.name] != row.true[column.name]
    ]
    for row, name in large:
        row.written[name] = row.true[name] / 1000
    for column in case.holding("number", "count"):
        for row in case.rows:
            if (row, column.name) not in large:
                row.written[column.name] = row.true[column.name]
    return bool(large)


def totals_are_panels(case):
    """A row of totals is one more panel."""
    for row in case.rows:
        if row.fate == "none":
            row.written.update(
                dict.fromkeys(row.written), panel="Kiosk 9", protocol="triangle", tastings=31, correct=13
            )
    return True


def last_row_is_lost(case):
    del case.rows[-1]
    return True


def rows_change_places(case):
    """The answers or counts of the first two rows are swapped."""
    first, second = case.rows[:2]
    names = ("tastings", "correct", "signal", "hits", "noise", "false_alarms", "served", "answer", "tasters", "planned")
    for name in names:
        first.written[name], second.written[name] = second.written.get(name), first.written.get(name)
    return first.meant.get("correct") != second.meant.get("correct")


@pytest.mark.parametrize(
    ("twist", "kind", "change"),
    [
        ("marks of no answer", "tastings", no_answer_is_wrong),
        ("headers of shares", "panels", shares_are_counts),
        ("marks of thousands and decimals", "panels", thousands_are_decimals),
        ("total rows", "panels", totals_are_panels),
        ("line ends", "panels", last_row_is_lost),
        ("line ends", "tastings", last_row_is_lost),
        ("line ends", "panels", rows_change_places),
        ("line ends", "tastings", rows_change_places),
    ],
)
def test_a_planted_misreading_counts_as_a_fault(twist, kind, change):
    endings = misread(twist, kind, change)
    assert endings["fault"] >= 8 and not endings["exact"] and not endings["noted"], endings


def test_a_plain_table_that_is_refused_or_ends_in_another_error_or_a_warning_counts_as_a_fault():
    case = truth_tables.make(1, 0, [])
    given = truth_tables.text(case.grid())

    def refuse(_):
        raise ms.PanelsError("the table cannot be used as it is: something is wrong somewhere")

    def crash(_):
        raise KeyError("tastings")

    def warn(given):
        truth_tables.warnings.warn("something odd", stacklevel=1)
        return truth_tables.READERS[case.kind](given)

    assert truth_tables.judge(case, given).ending == "exact"
    reader = case.kind
    for read, kind in (
        (refuse, "plain table refused"),
        (crash, "exception: KeyError"),
        (warn, "exception: UserWarning"),
    ):
        outcome = truth_tables.judge(case, given, {reader: read})
        assert outcome.ending == "fault" and outcome.kind.startswith(kind)
    assert damage.judged(given.encode(), crash)[0] == "fault"


def test_only_a_note_that_names_the_place_and_the_reading_excuses_it():
    row = truth_tables.Row({"panel": "A", "dose": "1.000"}, {"panel": "A", "dose": 1000}, label="A")
    column = truth_tables.Column("dose", "number")
    case = truth_tables.Case("panels", [truth_tables.Column("panel", "label"), column], [row])
    difference = truth_tables.Difference(row, column, "marks", "thousand|decimal", "", ("1.000",), ("1",))

    def said(note):
        return truth_tables.stated(difference, case, (note,))

    assert said("'dose': 1.000 is read as 1.")
    assert said("row 2: '1.000' is read as 1.")
    assert said("points under 'dose' are decimal points.")
    assert not said("kept as a possible moderator: 'dose'.")
    assert not said("numbers have a decimal comma.")
    assert not said("1 panel has no date.")
    assert not said("columns are separated by semicolons.")


def test_the_same_seed_makes_the_same_tables():
    first, again = (truth_tables.run(40, seed=5) for _ in range(2))
    assert first.endings == again.endings and first.by_twist == again.by_twist
    assert min(first.endings[ending] for ending in ("exact", "refused")) > 5


# --- tables as people keep them -------------------------------------------------------------------------------------


def test_a_table_of_every_kind_of_mess_is_read_right_refused_for_the_right_reason_or_mended():
    endings, by_damage, faults = messy_tables.run(len(messy_tables.DAMAGES), seed=1)
    assert not faults, faults
    assert len(messy_tables.DAMAGES) >= 25 and set(by_damage) == set(messy_tables.DAMAGES)
    assert endings["read"] and min(endings[kind] for kind in ("noted", "mended", "refused")) > 4


@pytest.mark.slow
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("seed", range(11, 16))
def test_two_hundred_messy_tables_are_never_read_wrong_without_a_word(seed):
    _, _, faults = messy_tables.run(200, seed=seed)
    assert not faults, faults


@pytest.mark.parametrize(
    "name", ["coloured rows", "a row of totals", "codes such as 794.0", "headers in another language"]
)
def test_a_messy_table_that_is_misread_counts_as_a_fault(name, tmp_path, monkeypatch):
    messy = next(made for made in (messy_tables.make(2, i, [name]) for i in range(200)) if made.damages == [name])
    assert messy_tables.judge(messy, tmp_path).ending != "fault"
    (tmp_path / "mended.xlsx").unlink()
    messy.doubts = [doubt.replace("coloured", "dotted") for doubt in messy.doubts]
    if not messy.doubts:
        messy.truth[-1]["correct"] = not messy.truth[-1]["correct"] if messy.kind == "tastings" else 999
    outcome = messy_tables.judge(messy, tmp_path)
    assert outcome.ending == "fault" and ("meant" in outcome.found or "no note says" in outcome.found)
