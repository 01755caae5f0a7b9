"""Rows of totals and averages are told from panels by their names and sums. Tables are invented."""

import pandas as pd
import pytest

from metasense.tables.panels import PanelsError, read_panels
from metasense.tables.totals import are_totals

COUNTS = {"tastings": [24, 30, 28, 82], "correct": [10, 14, 12, 36]}


def table(last, **columns):
    size = len(columns.get("tastings", COUNTS["tastings"]))
    names = [f"P{i}" for i in range(size - 1)]
    return {"panel": [*names, last], "protocol": "triangle"} | COUNTS | columns


@pytest.mark.parametrize(
    "name", ["Total", "TOTAL:", "(sum)", "Grand total", "Sub-total", "mean", "Average of panels", "Total 2024", "Summe",
             "total for all", "Gesamt", "all", "Mean (spring 2024)", "std dev", "Total - all panels", "total march"]
)  # fmt: skip
def test_a_bare_word_for_a_total_is_refused_whatever_it_adds_up_to(name):
    with pytest.raises(
        PanelsError, match=r"looks like a total or average of the rows, not a panel. Remove the row, or give"
    ):
        read_panels(table(name, tastings=[24, 30, 28, 20], correct=[10, 14, 12, 9]))


@pytest.mark.parametrize(("name", "adds", "refused"), [
    ("Total Wine 3", True, True), ("Total Wine 3", False, False), ("Totally new", True, False), ("Meaning", False, False),
])  # fmt: skip
def test_a_name_that_holds_the_word_is_a_total_only_where_its_counts_are_the_sum(name, adds, refused):
    given = table(name) if adds else table(name, tastings=[24, 30, 28, 81])
    if refused:
        with pytest.raises(PanelsError, match=r"looks like a total or average"):
            read_panels(given)
    elif adds:
        with pytest.raises(PanelsError, match=r"adds up to all the other panels"):  # by its counts, not its name
            read_panels(given)
    else:
        assert len(read_panels(given)) == 4


def test_an_unnamed_sum_at_an_end_is_asked_about_and_elsewhere_noted():
    with pytest.raises(PanelsError) as caught:
        read_panels(table("Cellar"))
    (problem,) = caught.value.problems
    assert problem.message == (
        "'Cellar' adds up to all the other panels, as their total does. Remove the row if it is that; if it is a panel, "
        "write no for it in a column 'left_out'."
    )
    assert problem.row == 4  # of a dict of columns, rows are counted from 1
    with pytest.raises(PanelsError, match=r"adds up to all the other panels"):
        read_panels(table("P9", tastings=[82, 24, 30, 28], correct=[36, 10, 14, 12]))
    inside = read_panels(table("P9", tastings=[24, 82, 30, 28], correct=[10, 36, 14, 12]))
    assert "adds up to all the other panels: P1. If it is their total, remove the row." in inside.notes
    kept = read_panels(table("Cellar") | {"left_out": [None, None, None, "no"]})
    assert len(kept) == 4
    off = read_panels(table("Cellar", correct=[10, 14, 12, 35]))
    assert not any("adds up" in note for note in off.notes)


def test_of_few_panels_a_sum_may_be_an_accident():
    two = read_panels(
        {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": [24, 30, 54], "correct": [10, 14, 24]}
    )
    assert "adds up to all the other panels: C. If it is their total, remove the row." in two.notes
    one = read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": 10})
    assert not any("adds up" in note for note in one.notes)


def test_a_total_is_told_by_another_cell_too():
    rows = "when,panel,protocol,tastings,correct\nMay,A,triangle,24,10\nMay,B,triangle,30,14\nTotal,X,triangle,9,4"
    with pytest.raises(
        PanelsError, match=r"the row looks like a total or average of the others, not a panel. Remove it"
    ):
        read_panels(rows)


def test_names_are_parted_into_bare_words_and_those_that_hold_one():
    names = pd.Series(["Total", "Total Wine 3", "A", None, "Sum of panels", "Subtotal"])
    bare, within = are_totals(names)
    assert bare.tolist() == [True, False, False, False, True, True]
    assert within.tolist() == [False, True, False, False, False, False]


def test_sums_of_groups_are_asked_about_under_any_name_and_one_small_one_is_noted():
    counts = {"tastings": [24, 30, 54, 20, 22, 42], "correct": [12, 11, 23, 9, 10, 19]}
    names = {"panel": ["A", "B", "Oak", "C", "D", "Steel"], "protocol": "triangle"}
    with pytest.raises(PanelsError) as caught:
        read_panels(names | counts)
    assert [problem.panel for problem in caught.value.problems] == ["Oak", "Steel"]
    assert "adds up to the panels above it" in caught.value.problems[0].message
    one = read_panels(names | {"tastings": [24, 30, 54, 20, 22, 41], "correct": [12, 11, 23, 9, 10, 19]})
    assert "adds up to the panels above it: Oak. If it is their total, remove the row." in one.notes
    kept = read_panels(names | counts | {"left_out": [None, None, "no", None, None, "no"]})
    assert len(kept) == 6
    three = {"tastings": [24, 30, 10, 64, 42], "correct": [12, 11, 4, 27, 19]}
    with pytest.raises(PanelsError, match="'Oak' adds up to the panels above it"):
        read_panels({"panel": ["A", "B", "C", "Oak", "D"], "protocol": "triangle"} | three)


@pytest.mark.parametrize("name", ["Totale complessivo", "Soma", "Schnitt", "Total général", "Suma", "Ensemble"])
def test_totals_are_told_in_other_languages(name):
    with pytest.raises(PanelsError, match="looks like a total or average"):
        read_panels(table(name, tastings=[24, 30, 28, 82]))


def refused(panels, tastings, correct, **more):
    """The names of the rows that are taken for totals by their name and counts."""
    try:
        read_panels({"panel": panels, "protocol": "triangle", "tastings": tastings, "correct": correct} | more)
    except PanelsError as error:
        return [problem.panel for problem in error.problems if "looks like a total or average" in problem.message]
    return []


def test_a_total_of_some_rows_right_above_it_or_of_all_above_it_is_one():
    # Total Wine is 30 + 28 and 14 + 12, of the two rows right above it
    assert refused(["A", "B", "C", "Total Wine 3", "D"], [24, 30, 28, 58, 40], [10, 14, 12, 26, 15]) == ["Total Wine 3"]
    assert refused(["A", "B", "C", "Total Wine 3", "D"], [24, 30, 28, 28, 40], [10, 14, 12, 12, 15]) == []  # of one
    # of all panels above it, without the total among them, and not of those below
    rows = ["A", "B", "Total red 1", "C", "Total wine 2", "D"]
    assert refused(rows, [24, 30, 54, 28, 82, 40], [10, 14, 24, 12, 36, 15]) == ["Total red 1", "Total wine 2"]
    rows = ["A", "B", "Total red 1", "C", "D", "Total white 2", "E", "Total wine 3", "F"]
    tastings, correct = [24, 30, 54, 28, 20, 48, 22, 124, 26], [10, 14, 24, 12, 9, 21, 8, 53, 11]
    assert refused(rows, tastings, correct) == ["Total red 1", "Total white 2", "Total wine 3"]
    assert refused(["A", "Total Wine 3"], [24, 24], [10, 10]) == []  # like one other is no sum
    assert refused(["A", "B", "Total Wine 3", "C"], [24, 30, 82, 28], [10, 14, 36, 12]) == ["Total Wine 3"]


def test_a_total_may_hold_the_rows_that_are_left_out():
    out = {"left_out": [None, "yes: cold", None, None]}
    assert refused(["A", "B", "C", "Total Wine 3"], [24, 30, 28, 82], [10, 14, 12, 36], **out) == ["Total Wine 3"]
    assert refused(["A", "B", "C", "Total Wine 3"], [24, 30, 28, 52], [10, 14, 12, 22], **out) == ["Total Wine 3"]
    assert refused(["A", "B", "C", "Total Wine 3"], [24, 30, 28, 83], [10, 14, 12, 36], **out) == []
    with pytest.raises(PanelsError, match="adds up to all the other panels, those left out among them, as their total"):
        read_panels(table("Cellar") | out)


def test_four_counts_are_added_up_too():
    def counts(last):
        two = {"signal": [20, 20, 20, 60], "hits": [12, 10, 15, 37], "noise": [20, 18, 20, 58]}
        return {"panel": ["A", "B", "C", "Total Wine 3"], "protocol": "A-not-A", "false_alarms": [6, 5, 7, last]} | two

    with pytest.raises(PanelsError, match="looks like a total or average"):
        read_panels(counts(18))
    assert len(read_panels(counts(17))) == 4


def test_a_panel_like_the_one_after_a_sum_is_no_sum_of_it():
    names = {"panel": ["A", "B", "Oak", "C", "D"], "protocol": "triangle"}
    found = read_panels(names | {"tastings": [24, 30, 54, 20, 20], "correct": [12, 11, 23, 9, 9]})
    assert "adds up to the panels above it: Oak. If it is their total, remove the row." in found.notes


def test_a_sum_of_one_kind_of_count_may_be_an_accident_and_a_sum_of_one_is_a_sum():
    names = {"panel": ["A", "B", "Oak", "C"], "protocol": "triangle"}
    found = read_panels(names | {"tastings": [24, 30, 54, 20], "correct": [0, 0, 0, 5]})
    assert not any("adds up" in note for note in found.notes)
    with pytest.raises(PanelsError, match="'Cellar' adds up to all the other panels"):
        read_panels(table("Cellar", correct=[0, 1, 0, 1]))


def test_panels_that_add_up_to_each_other_beside_empty_ones_are_noted_together():
    rows = {"panel": ["A", "B", "C", "D"], "protocol": "triangle"}
    found = read_panels(rows | {"tastings": [24, 24, 0, 0], "correct": [9, 9, 0, 0]})
    said = "each adds up to all the other panels: A and B. If one is the total of the others, remove its row."
    assert said in found.notes


def test_of_a_row_called_a_total_elsewhere_nothing_else_is_said_and_of_others_all():
    rows = "when,panel,protocol,tastings,correct\nMay,A,triangle,x,10\nMay,B,triangle,30,14\nTotal,X,triangle,y,4"
    with pytest.raises(PanelsError) as caught:
        read_panels(rows)
    assert [(problem.row, problem.column) for problem in caught.value.problems] == [(2, "tastings"), (4, "")]
    assert caught.value.problems[1].message.startswith("the row looks like a total")
    first = "when,panel,protocol,tastings,correct\nTotal,X,triangle,y,4\nMay,A,triangle,24,10\nMay,B,triangle,30,14"
    with pytest.raises(PanelsError) as caught:
        read_panels(first)
    assert [(problem.row, problem.column) for problem in caught.value.problems] == [(2, "")]
