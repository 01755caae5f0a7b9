"""Several tables as one: nothing is lost, nothing counts twice."""

import pytest

import metasense as ms
from metasense.tables.several import together

ONE = "panel,protocol,tastings,correct,weeks\nA,triangle,24,12,2\n"
TWO = "panel,protocol,tastings,correct,notes\nB,duo-trio,30,17,warm\n"


def test_panels_of_two_tables_are_one_table_with_all_columns():
    panels, tastings = together([ms.read_panels(ONE, name="one.csv"), ms.read_panels(TWO, name="two.csv")])
    assert tastings is None and panels.source == "one.csv and two.csv"
    frame = panels.to_frame()
    assert frame["panel"].tolist() == ["A", "B"] and frame["correct"].tolist() == [12, 17]
    assert frame["weeks"].tolist()[0] == 2 and frame["notes"].tolist()[1] == "warm"
    assert any(note.startswith("one.csv: ") for note in panels.notes)


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
