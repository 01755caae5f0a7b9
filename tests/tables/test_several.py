"""Several tables as one: nothing is lost, nothing counts twice."""

import pytest

import metasense as ms
from metasense.tables.panels import together

ONE = "panel,protocol,tastings,correct,weeks\nA,triangle,24,12,2\n"
TWO = "panel,protocol,tastings,correct,notes\nB,duo-trio,30,17,warm\n"


def test_panels_of_two_tables_are_one_table_with_all_columns():
    panels, tastings = together([ms.read_panels(ONE, name="one.csv"), ms.read_panels(TWO, name="two.csv")])
    assert tastings is None and panels.source == "one.csv and two.csv"
    frame = panels.to_frame()
    assert frame["panel"].tolist() == ["A", "B"] and frame["correct"].tolist() == [12, 17]
    assert frame["weeks"].tolist()[0] == 2 and frame["notes"].tolist()[1] == "warm"
    assert any(note.endswith(" (In one.csv.)") for note in panels.notes)


def test_one_table_stays_as_it_is():
    panels = ms.read_panels(ONE)
    assert together([panels])[0] is panels


def test_a_panel_in_two_tables_is_named_with_both():
    again = ms.read_panels(ONE.replace("A,", "a,"), name="again.csv")
    with pytest.raises(ms.PanelsError, match=r"panel 'A' is in one\.csv and again\.csv"):
        together([ms.read_panels(ONE, name="one.csv"), again])


def test_panels_and_tastings_are_kept_apart():
    tastings = ms.read_tastings("panel,protocol,taster,correct\nA,triangle,T1,1\nA,triangle,T2,0\n")
    found = together([ms.read_panels(TWO), tastings])
    assert [len(table) for table in found] == [1, 2]


def test_every_panel_that_is_in_two_tables_is_named():
    both = "panel,protocol,tastings,correct\nA,triangle,24,12\nB,triangle,24,9\n"
    with pytest.raises(ms.PanelsError) as caught:
        together([ms.read_panels(both, name="one.csv"), ms.read_panels(both, name="two.csv")])
    assert len(caught.value.problems) == 2 and "cannot be put together" in str(caught.value)


def test_what_a_table_said_already_is_not_said_again():
    first = ms.read_panels(ONE, name="one.csv")
    second = ms.read_panels(ONE.replace("A,", "B,"), name="two.csv")
    panels, _ = together([first, second])
    said = [note.rpartition(" (In ")[0] for note in panels.notes]
    assert [note for note in panels.notes if not note.endswith(("(In one.csv.)", "(In two.csv.)"))] == []
    assert sorted(said) == sorted([*first.notes, *second.notes])


def test_one_source_is_named_once():
    first, second = (ms.read_panels(ONE.replace("A,", f"{name},"), name="same.csv") for name in "AB")
    assert together([first, second])[0].source == "same.csv"


def test_tastings_of_two_tables_are_one_table():
    rows = "panel,protocol,taster,correct\n{0},triangle,T1,1\n{0},triangle,T2,0\n"
    panels, tastings = together([ms.read_tastings(rows.format(name), name=f"{name}.csv") for name in "AB"])
    assert panels is None and len(tastings) == 4
    assert tastings.frame["correct"].tolist() == [True, False, True, False]


EVENING = "panel,protocol,taster,correct,looks,left_out\n{0},triangle,T1,1,2,\n{0},triangle,T2,0,2,\n{0},triangle,T3,1,2,saw it\n"


@pytest.fixture
def evenings():
    return [ms.read_tastings(EVENING.format(name), name=f"{name}.csv") for name in ("Friday", "Sunday")]


def test_several_evenings_are_read_as_one_table_with_the_notes_and_looks_of_all(evenings, tmp_path):
    both = ms.read_tastings(evenings)
    assert both.frame["panel"].tolist() == ["Friday"] * 2 + ["Sunday"] * 2
    assert [note.rpartition(" (In ")[2] for note in both.notes if "saw it" in note] == ["Friday.csv.)", "Sunday.csv.)"]
    assert all(note.startswith("left out") for note in both.notes if "saw it" in note)
    assert both.to_panels().frame["looks"].tolist() == [2, 2]
    files = [evening.to_csv(tmp_path / f"{i}.csv") for i, evening in enumerate(evenings)]
    mixed = ms.read_tastings([files[0], evenings[1]])
    assert mixed.fingerprint == both.fingerprint == (evenings[0] + evenings[1]).fingerprint
    assert ms.read_panels(evenings).frame["correct"].tolist() == [1, 1]


def test_an_evening_given_twice_is_refused_by_its_name(evenings):
    with pytest.raises(ms.PanelsError, match="panel 'Friday' occurs twice"):
        ms.read_tastings([*evenings, evenings[0]])


def test_panels_and_tastings_do_not_add_up_to_one_table(evenings):
    panels = ms.read_panels(ONE)
    with pytest.raises(TypeError, match="Tastings and Panels do not add up"):
        evenings[0] + panels
    with pytest.raises(ms.PanelsError, match="single answers cannot be had from them"):
        ms.read_tastings([evenings[0], panels])


def test_what_is_wrong_with_several_files_is_said_at_once(tmp_path):
    wrong = tmp_path / "wrong.csv"
    wrong.write_text(ONE.replace("12", "25"))
    with pytest.raises(ms.PanelsError) as caught:
        ms.read_panels([wrong, tmp_path / "absent.csv"])
    assert "25 correct of 24" in str(caught.value) and "(In wrong.csv.)" in str(caught.value)
    assert "absent.csv" in str(caught.value)


def test_a_list_of_records_is_one_table():
    rows = [{"panel": name, "protocol": "triangle", "tastings": 24, "correct": 9} for name in "AB"]
    assert len(ms.read_panels(rows)) == 2
