"""Rules between columns, each at its edge and one beyond; words name the row's own numbers. Tables are invented."""

import pytest

from metasense.tables.panels import PanelsError, read_panels, read_tastings

ROW = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 8}
TWO = {"panel": "A", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 18, "false_alarms": 6}
SAID = {"prefer_new": 5, "prefer_old": 3}


@pytest.mark.parametrize(
    ("fits", "breaks", "column", "words"),
    [
        ({"correct": 24}, {"correct": 25}, "correct", "25 correct of 24 tastings is impossible. Check both counts."),
        (TWO | {"hits": 20}, TWO | {"hits": 21}, "hits", "21 hits of 20 signal tastings is impossible. Check both counts."),
        (TWO | {"false_alarms": 18}, TWO | {"false_alarms": 19}, "false_alarms", "19 false alarms of 18 noise tastings is impossible."),
        ({"tasters": 24}, {"tasters": 25}, "tasters", "25 tasters gave 24 answers. Tasters are the different people who answered"),
        (TWO | {"tasters": 38}, TWO | {"tasters": 39}, "tasters", "39 tasters gave 38 answers."),
        ({"tasters": 1}, {"tasters": 0}, "tasters", "no tasters gave 24 answers. Write how many people answered."),
        (SAID | {"asked": "all"}, SAID, "asked", "there are preferences but it is not said who was asked. Write correct, all, or pair"),
        ({"asked": "none"}, SAID | {"asked": "none"}, "asked", "there are 8 preferences though nobody was asked."),
        (SAID | {"asked": "correct"}, SAID | {"asked": "correct", "prefer_new": 6}, "asked", "9 preferences of 8 tasters who were correct is impossible."),
        (SAID | {"asked": "correct"}, SAID | {"asked": "correct", "no_preference": 1}, "asked", "9 preferences of 8 tasters who were correct"),
        ({"asked": "all", "prefer_new": 20, "prefer_old": 4}, {"asked": "all", "prefer_new": 20, "prefer_old": 5}, "asked", "25 preferences of 24 answers is impossible. Check the counts."),
    ],
)  # fmt: skip
def test_each_rule_holds_up_to_its_edge(fits, breaks, column, words):
    base = {} if "signal" in fits else ROW
    assert len(read_panels([base | fits])) == 1
    with pytest.raises(PanelsError) as caught:
        read_panels([base | breaks])
    (problem,) = caught.value.problems
    assert problem.column == column and words in problem.message and problem.panel == "A"


def test_a_pair_is_asked_of_whoever_was_there_and_not_of_the_answers():
    assert len(read_panels([ROW | {"asked": "pair", "prefer_new": 40, "prefer_old": 20}])) == 1


def test_counts_of_the_other_kind_are_refused():
    with pytest.raises(PanelsError, match=r"triangle has no signal. Leave the cell empty, or correct the protocol"):
        read_panels([ROW | {"signal": 20}])
    assert len(read_panels([TWO | {"tastings": 38, "correct": 26}])) == 1  # 14 hits and 12 correct rejections
    for wrong, said in (
        ({"tastings": 37}, "37 tastings does not agree"),
        ({"tastings": 38, "correct": 25}, "25 correct does not agree"),
    ):
        with pytest.raises(
            PanelsError, match=rf"{said} with signal, hits, noise and false alarms. Leave the cell empty"
        ):
            read_panels([TWO | wrong])


def test_columns_that_are_needed_are_named_with_their_meaning():
    with pytest.raises(PanelsError) as caught:
        read_panels([{"panel": "A", "protocol": "triangle", "tastings": 24}])
    assert "correct" in str(caught.value)
    with pytest.raises(PanelsError) as caught:
        read_panels([{"panel": "A", "protocol": "A-not-A", "signal": 20, "hits": 3, "noise": 20}])
    assert "false_alarms" in str(caught.value) and "which A-not-A and same-different need" in str(caught.value)
    with pytest.raises(PanelsError, match=r"Write how many answers were correct"):
        read_panels([ROW, ROW | {"panel": "B", "correct": None}])


def test_each_panel_has_its_own_name():
    with pytest.raises(
        PanelsError, match=r"there is another panel 'A' above. Give each its own name, such as with its date"
    ):
        read_panels([ROW, ROW])
    notes = read_panels([ROW, ROW | {"panel": "a"}]).notes
    assert "names that differ only in capitals are different panels: A and a." in notes
    assert not any("capitals" in note for note in read_panels([ROW, ROW | {"panel": "b"}]).notes)


def test_what_limits_a_panel_is_noted():
    notes = read_panels([ROW | {"planned": 23}, ROW | {"panel": "B", "planned": 24, "tastings": 0, "correct": 0}]).notes
    assert "more tastings than planned: A." in notes and "no answers, so nothing is learned: B." in notes
    assert not any("planned" in note for note in read_panels([ROW | {"planned": 24}]).notes)
    assert (
        "the number of tasters is not given: each tasting is taken to be another person's." in read_panels([ROW]).notes
    )
    some = read_panels([ROW | {"tasters": 24}, ROW | {"panel": "B"}]).notes
    assert "the number of tasters is not given for B: each tasting is taken to be another person's." in some
    assert not any("not given" in note for note in read_panels([ROW | {"tasters": 24}]).notes)


def test_a_protocol_is_known_by_its_name_or_nearly():
    assert read_panels([ROW | {"protocol": "Triangle"}]).frame["protocol"].item() == "triangle"
    with pytest.raises(
        PanelsError, match=r"'trianlge' is not a protocol known here\. Did you mean 'triangle'\? Known are"
    ):
        read_panels([ROW | {"protocol": "trianlge"}])
    with pytest.raises(PanelsError, match=r"'xyz' is not a protocol known here\. Known are triangle"):
        read_panels([ROW | {"protocol": "xyz"}])


TASTING = {"panel": "A", "protocol": "triangle", "taster": ["T", "U"], "correct": [1, 0]}


def test_tables_of_the_other_kind_are_told_apart():
    with pytest.raises(PanelsError, match=r"this looks like one row a tasting. Read it with read_tastings"):
        read_panels(TASTING)
    with pytest.raises(PanelsError, match=r"this looks like one row a panel. Read it with read_panels"):
        read_tastings({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 1})


def test_a_panel_has_one_protocol_and_a_person_one_tasting_a_trial():
    with pytest.raises(PanelsError, match=r"panel 'A' has another protocol above. A panel has one protocol"):
        read_tastings(TASTING | {"protocol": ["triangle", "tetrad"]})
    twice = TASTING | {"taster": "T"}
    with pytest.raises(PanelsError, match=r"taster 'T' has trial 1 above already. Number a person's tastings apart"):
        read_tastings(twice | {"trial": [1, 1]})
    assert "tasted more than once in a panel: 1 person." in read_tastings(twice | {"trial": [1, 2]}).notes
    unsure = (
        "tasted more than once in a panel: 1 person; without a column 'trial' a row entered twice looks like a repeat."
    )
    assert unsure in read_tastings(twice).notes
    assert not any("more than once" in note for note in read_tastings(TASTING).notes)


def test_remarks_on_tastings_name_people_and_panels():
    notes = read_tastings(TASTING | {"taster": ["Ann", "ann"], "correct": [1, None]}).notes
    assert "tasters whose names differ only in capitals are different people: Ann and ann." in notes
    assert "no answer (refused or missing), and so not counted as a tasting: 1 in A." in notes
    two = read_tastings(TASTING | {"taster": ["Ann", "Bob"], "correct": [None, "refused"]}).notes
    assert any("and so not counted as tastings: 2 in A." in note for note in two)


def test_answers_are_judged_against_what_was_served():
    pair = {
        "panel": "A",
        "protocol": "triangle",
        "taster": ["T", "U", "V"],
        "served": ["1", "2", "3"],
        "answer": ["1", "3", None],
    }
    read = read_tastings(pair)
    assert read.frame["correct"].astype(object).tolist()[:2] == [True, False] and read.frame["correct"].isna().iloc[2]
    with pytest.raises(PanelsError, match=r"correct is False but served is '1' and answer '1'. Correct one of them"):
        read_tastings(pair | {"correct": [0, 0, None]})
    with pytest.raises(
        PanelsError, match=r"there is an answer but not what was served. Write the right answer under served"
    ):
        read_tastings(pair | {"served": ["1", None, "3"]})
    with pytest.raises(PanelsError, match=r"correct says that there was no answer \('refused'\), and there is one"):
        read_tastings(pair | {"correct": ["refused", None, None]})
    with pytest.raises(
        PanelsError, match=r"the answer says that there was none, and correct is True. Clear one of them"
    ):
        read_tastings(pair | {"answer": ["1", "3", "refused"], "correct": [None, None, 1]})
    with pytest.raises(PanelsError, match=r"A-not-A and same-different need the columns 'served' and 'answer'"):
        read_tastings(TASTING | {"protocol": "A-not-A"})


def test_a_missing_protocol_is_missing_and_no_unknown_one():
    with pytest.raises(PanelsError) as caught:
        read_panels([ROW, ROW | {"panel": "B", "protocol": None}])
    (problem,) = caught.value.problems
    assert problem.column == "protocol" and "not a protocol" not in problem.message


def test_a_table_of_tastings_without_answers_says_what_would_do():
    with pytest.raises(PanelsError, match=r"columns 'served' and 'answer' would do instead"):
        read_tastings({"panel": ["A"], "protocol": "triangle", "taster": "T"})
