"""The answers sheet of a served panel, joined with its key. Tables are invented."""

import re

import pytest

import metasense as ms
from metasense.planning.served import read_answers
from metasense.planning.serving import serve
from metasense.tables.panels import PanelsError


@pytest.fixture
def served():
    plan = serve("triangle", 6, seed=1)
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    return plan, sheet


def test_codes_that_a_spreadsheet_gave_decimals_are_found_in_the_key(served):
    plan, sheet = served
    sheet["answer"] = [f"{answer}.0" for answer in sheet["answer"]]
    read = read_answers(plan, sheet)
    assert read.frame["correct"].notna().all()
    assert any("without the .0" in note for note in read.notes)


def test_marks_and_rows_left_out_are_not_counted(served):
    plan, sheet = served
    sheet.loc[0, "answer"] = "-"
    sheet.loc[1, "incident"] = "left out: cold"
    sheet.loc[2, "incident"] = "spilled"
    read = read_answers(plan, sheet)
    assert len(read) == 5
    assert read.frame["correct"].isna().sum() == 1
    assert any("'left out: cold'" in note for note in read.notes)
    assert any("'spilled' (1) does not say that a row is left out" in note for note in read.notes)
    assert not any("without a row" in note for note in read.notes)


def test_a_code_with_a_sign_is_no_code(served):
    plan, sheet = served
    code = sheet.loc[0, "answer"]
    sheet.loc[0, "answer"] = f"{code}?"
    with pytest.raises(PanelsError, match=re.escape(f"'{code}?' is not one of the codes on the tray")):
        read_answers(plan, sheet)


def test_cups_of_a_row_left_out_are_used_all_the_same():
    plan = serve("triangle", 4, samples=("old", "new"), seed=1)
    sheet = plan.answer_sheet()
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.loc[1, "left_out"] = "cold"
    assert len(read_answers(plan, sheet)) == 3
    sheet.loc[2, ["cups", "answer"]] = sheet.loc[1, ["cups", "answer"]].tolist()
    with pytest.raises(PanelsError, match="was served on a row that is left out"):
        read_answers(plan, sheet)


def test_a_sheet_on_which_nothing_was_typed_is_no_panel():
    plan = serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=1)
    with pytest.raises(PanelsError, match="no answer is typed yet"):
        read_answers(plan, plan.answer_sheet())


@pytest.mark.parametrize(("column", "word"), [("incident", "not here"), ("notes", "did not come"),
                                              ("notes", "Didn't come."), ("incident", "abwesend"),
                                              ("incident", "nicht erschienen"), ("notes", "absente"),
                                              ("incident", "No vino"), ("incident", "assente")])  # fmt: skip
def test_who_was_not_there_is_not_served_wherever_that_was_typed(column, word):
    plan = serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=1)
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.loc[2, "answer"] = ""
    sheet.loc[2, column] = word
    read = read_answers(plan, sheet)
    assert len(read) == 5 and any(
        note == f"not served, and so not counted: {sheet.loc[2, 'taster']}." for note in read.notes
    )


def test_who_was_served_and_gave_no_answer_is_named():
    plan = serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=1)
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.loc[[1, 4], "answer"] = ""
    said = " ".join(read_answers(plan, sheet).notes)
    assert f"served, and no answer typed: {sheet.loc[1, 'taster']} and {sheet.loc[4, 'taster']}." in said


@pytest.mark.parametrize("word", ["weiss nicht", "weiß nicht", "je ne sais pas", "no sé", "non so", "não sei"])
def test_who_does_not_know_gave_no_answer_in_any_language(word):
    plan = serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=1)
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.loc[1, "answer"] = word
    read = read_answers(plan, sheet)
    assert len(read) == 6 and read.frame["correct"].isna().sum() == 1
    assert f"served, and no answer typed: {sheet.loc[1, 'taster']}." in " ".join(read.notes)


def test_the_sheet_of_answers_in_place_of_the_key_is_told_in_one_sentence():
    plan = serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=1)
    with pytest.raises(PanelsError, match="this is the sheet of answers, not the key") as caught:
        read_answers(plan.answer_sheet(), plan.key())
    assert len(caught.value.problems) == 1


def test_the_key_of_another_panel_is_refused_once(served):
    plan, sheet = served
    other = serve("triangle", 6, seed=2)
    with pytest.raises(PanelsError) as refused:
        read_answers(other, sheet)
    said = str(refused.value)
    assert said.count("key") <= 3 and "none of the 6 sets under 'cups' is in this key" in said
    sheet.loc[0, "cups"] = "1 2 3"  # one slip is no other key
    with pytest.raises(PanelsError, match="is no code of a set in this key"):
        read_answers(plan, sheet)


def test_pairs_without_a_preference_are_named():
    plan = serve("triangle", 6, preference=True, seed=1)
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet["preferred_1"] = [pair.split()[0] for pair in sheet["pair_1"]]
    assert not any("no preference typed" in note for note in read_answers(plan, sheet).notes)
    sheet.loc[[1, 2], "preferred_1"] = [None, "none"]
    (note,) = [note for note in read_answers(plan, sheet).notes if "no preference typed" in note]
    assert (
        note
        == f"a pair served, and no preference typed: {sheet.loc[1, 'taster']}. For somebody who has none, write none."
    )


def test_answers_are_found_beside_their_key_once_all_ballots_are_in(tmp_path):
    folder = ms.serve("triangle", 2, allergens=[], hazards=[], seed=1).save(tmp_path / "panel_1")
    with pytest.raises(ms.PanelsError, match="no answer is typed yet"):
        ms.read_answers(folder)
    night = ms.Recording.open(folder)
    night.put("T01", night.cups("T01").split()[0])
    with pytest.raises(ms.PanelsError, match="1 of 2 ballots are recorded"):
        ms.read_answers(folder)
    night.put("T02", night.cups("T02").split()[0])
    assert len(ms.read_answers(folder)) == len(ms.read_answers(folder / "sealed" / "key.csv")) == 2
    with pytest.raises(ValueError, match="a plan alone holds no answers"):
        ms.read_answers(ms.ServingPlan.load(folder))
