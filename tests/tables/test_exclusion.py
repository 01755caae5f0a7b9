"""Which rows a table leaves out, and which it must be asked about. Tables are invented."""

import pytest

from metasense.tables.cells import Reading, Wrong
from metasense.tables.exclusion import LEFT_OUT
from metasense.tables.panels import PanelsError, read_panels

ROWS = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 24, "correct": [8, 11, 9]}


def read(**columns):
    return read_panels(ROWS | columns)


def kept(**columns):
    return read(**columns).frame["panel"].tolist()


@pytest.mark.parametrize(
    ("cell", "value"),
    [("yes", "yes"), ("Y", "Y"), (1, "yes"), (0, "no"), (True, "yes"), ("no", "no"), ("kept", "no"), ("none", "no"), ("nothing", "no"),
     ("", None), (None, None), ("?", None), ("yes: cold", "yes: cold"), ("ja - krank", "ja - krank"),
     ("spilled", "spilled"), ("had  a cold", "had a cold"), ("excluded", "excluded"), ("left out because late", "left out because late"),
     ("no-show", "no-show"), ("used", "no"), ("final", "no")],
)  # fmt: skip
def test_a_cell_says_whether_a_row_is_left_out(cell, value):
    assert LEFT_OUT.kind(cell, Reading()) == value


@pytest.mark.parametrize("cell", ["maybe", "not late", "never ill", 2, 0.5, "blue"])
def test_a_cell_that_does_not_say_for_sure_is_refused(cell):
    with pytest.raises(
        Wrong, match=r"not say (for sure )?whether the row is left out\. Write|left out\. Write yes, no, or why"
    ):
        LEFT_OUT.kind(cell, Reading())


def test_rows_are_left_out_by_their_column_and_noted_with_why():
    found = read(left_out=["yes: cold", None, "no"])
    assert found.frame["panel"].tolist() == ["B", "C"]
    assert "left out, as column 'left_out' says ('yes: cold'), and not counted: A." in found.notes
    assert not any("left out" in note for note in read(left_out=[None, "no", ""]).notes)


def test_an_incident_that_begins_so_leaves_out_and_others_are_noted():
    found = read(incident=["excluded: spilled", "late start", None])
    assert found.frame["panel"].tolist() == ["B", "C"]
    assert any(
        "column 'incident': 'late start' (1) does not say that a row is left out, so the row was kept." in note
        for note in found.notes
    )
    two = read(incident=["late start", "late start", "noise"])
    assert any(
        "'late start' (2) and 'noise' (1) do not say that a row is left out, so the rows were kept." in note
        for note in two.notes
    )
    assert kept(incident=["excluded: spilled", None, None], left_out=["no", None, None]) == ["A", "B", "C"]


def test_a_remark_leaves_a_panel_out_only_if_it_says_nothing_else():
    assert kept(notes=["excluded", None, None]) == ["B", "C"] and kept(notes=["excluded.", None, None]) == ["B", "C"]
    with pytest.raises(
        PanelsError, match=r"can mean the whole panel or a few tastings of it. Write yes or no under left_out"
    ):
        read(notes=["excluded: two cups", None, None])
    assert kept(notes=["excluded: two cups", None, None], left_out=["no", None, None]) == ["A", "B", "C"]
    spilt = read(notes=["one cup spilled", None, None])
    assert any("does not say that a row is left out" in note for note in spilt.notes)
    assert not any("left out" in note for note in read(notes=["a warm evening", None, None]).notes)


@pytest.mark.parametrize("name", ["A (left out)", "A - excluded", "excluded: A", "A VOID", "// A", "A [void]"])
def test_a_name_that_may_say_so_is_asked_about_unless_it_is_decided(name):
    with pytest.raises(PanelsError, match=r"may say that the panel is left out. Write yes or no under left_out"):
        read(panel=[name, "B", "C"])
    assert kept(panel=[name, "B", "C"], left_out=["no", None, None]) == [name, "B", "C"]
    assert kept(panel=[name, "B", "C"], left_out=["yes", None, None]) == ["B", "C"]


@pytest.mark.parametrize(
    ("header", "cells"),
    [("status", ["rejected", "ok", "ok"]), ("valid", ["no", "yes", "yes"]), ("counts?", ["0", "1", "1"]),
     ("status", ["void", "final", "final"])],
)  # fmt: skip
def test_a_column_by_whose_words_a_row_may_not_count_is_asked_about(header, cells):
    with pytest.raises(PanelsError) as caught:
        read(**{header: cells})
    assert f"{header!r} is {cells[0]!r}: the row may not count. Write yes, or no, for it in a column 'left_out'" in str(
        caught.value
    )
    assert kept(**{header: cells, "left_out": ["yes", None, None]}) == ["B", "C"]


def test_a_column_that_says_the_same_of_all_rows_says_nothing():
    assert kept(valid=["yes", "yes", "yes"]) == ["A", "B", "C"] and kept(status=["ok", "ok", "ok"]) == ["A", "B", "C"]
    with pytest.raises(
        PanelsError, match=r"may say which rows do not count. Write yes or no for each in a column 'left_out'"
    ):
        read(outlier=["x", None, None])
    places = read(state=["Ohio", "Ohio", "Iowa"])
    assert len(places) == 3
    assert any(
        "column 'state': 'Ohio' and 'Iowa' do not say for sure that a row is left out" in note for note in places.notes
    )


def test_a_number_under_excluded_may_count_people():
    with pytest.raises(PanelsError, match=r"3 under 'excluded' may say how many were left out, or that the panel is"):
        read(excluded=[3, 0, 0])
    assert kept(excluded=[0, 0, 0]) == ["A", "B", "C"]
    assert kept(left_out=[1, 0, 0]) == ["B", "C"]  # of our own name it is yes and no


def test_of_many_incidents_six_are_named():
    rows = {"panel": [f"P{i}" for i in range(8)], "protocol": "triangle", "tastings": 24, "correct": 8}
    notes = read_panels(rows | {"incident": [f"noise {i}" for i in range(8)]}).notes
    (said,) = [note for note in notes if "column 'incident'" in note]
    assert "'noise 5' (1)" in said and "'noise 6'" not in said and "and 2 others" in said


def test_an_example_is_no_panel_and_is_not_said_to_be_left_out():
    rows = "panel,protocol,tastings,correct,left_out\nA,triangle,24,9,{}\nB,triangle,24,8,{}\nC,triangle,24,9,\n"
    found = read_panels(rows.format("example", "yes: cold"))
    assert found.frame["panel"].tolist() == ["C"]
    assert "an example, as column 'left_out' says, and no panel: row 2." in found.notes
    assert "left out, as column 'left_out' says ('yes: cold'), and not counted: B." in found.notes
    assert not any("example" in note for note in read_panels(rows.format("yes", "")).notes)


def test_of_what_is_left_out_four_reasons_and_eight_panels_are_named():
    rows = {"panel": [f"P{i}" for i in range(12)], "protocol": "triangle", "tastings": 24, "correct": 8}
    found = read_panels(rows | {"left_out": [f"yes: {i}" for i in range(10)] + [None, None]})
    why = "'yes: 0', 'yes: 1', 'yes: 2', 'yes: 3' and 6 others"
    said = f"left out, as column 'left_out' says ({why}), and not counted: P0, P1, P2, P3, P4, P5, P6, P7 and 2 others."
    assert said in found.notes


def test_of_a_long_remark_the_first_sixty_characters_are_repeated():
    remark = "excluded: " + "x" * 80
    with pytest.raises(PanelsError) as caught:
        read(notes=[remark, None, None])
    assert f"{remark[:60]!r} can mean the whole panel or a few tastings of it." in str(caught.value)


def test_out_is_asked_about_among_states_of_a_row_and_noted_among_others():
    with pytest.raises(PanelsError, match="'state' is 'out': the row may not count"):
        read(state=["out", "fresh", "ok"])
    with pytest.raises(PanelsError, match="'status' is 'out': the row may not count"):
        read(status=["out", "ok", "final"])
    noted = read(state=["out", "fresh", "ripe"])
    assert len(noted) == 3
    assert any(note.startswith("column 'state': 'out', 'fresh' and 'ripe' do not say for sure") for note in noted.notes)


def test_only_rows_that_are_not_decided_are_asked_about():
    assert kept(valid=["yes", "no", "no"], left_out=[None, "no", "no"]) == ["A", "B", "C"]
    assert kept(valid=["no", "yes", "yes"], left_out=["no", None, None]) == ["A", "B", "C"]
    with pytest.raises(PanelsError) as caught:
        read(valid=["no", "no", "yes"], left_out=["no", None, None])
    assert [problem.panel for problem in caught.value.problems] == ["B"]


def test_words_that_leave_open_whether_a_row_counts_are_asked_about_and_other_words_are_none():
    with pytest.raises(PanelsError, match="column 'valid' may say which rows do not count"):
        read(valid=["perhaps", "yes", "yes"])
    assert kept(outlier=["x", "blue", None]) == ["A", "B", "C"]  # blue is no mark: the column is of another kind


def test_a_row_left_out_takes_its_problems_along_and_the_others_keep_their_numbers():
    table = "panel,protocol,tastings,correct,left_out\nA,triangle,24,x,yes\nB,triangle,24,y,\nC,triangle,24,9,\n"
    with pytest.raises(PanelsError) as caught:
        read_panels(table)
    assert [(problem.row, problem.panel) for problem in caught.value.problems] == [(3, "B")]
    twice = "panel,protocol,tastings,correct,left_out,oak,oak\nA,triangle,24,9,yes,1,1\nB,triangle,24,9,,1,1\nC,triangle,24,9,,1,1"
    with pytest.raises(PanelsError, match="more than one column is called 'oak'") as caught:
        read_panels(twice)
    assert [problem.row for problem in caught.value.problems] == [None]  # of the whole table, and of no row
