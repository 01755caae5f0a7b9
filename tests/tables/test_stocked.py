"""A table of many variables: panels are told apart, and every problem names variable and panel."""

import pandas as pd
import pytest

from metasense.tables.panels import read_panels, read_tastings
from metasense.tables.sheets import PanelsError
from metasense.tables.stocked import read_stocked

HEAD = "ingredient,panel,protocol,tastings,correct\n"


def test_panels_of_one_name_are_told_apart_and_keep_their_names():
    found = read_stocked(
        HEAD + "Vanilla,May,triangle,24,9\nSalt,May,triangle,30,12\nVanilla,June,tetrad,20,8", "ingredient"
    )
    assert found.names == ("Vanilla", "Salt")
    assert [rows.tolist() for rows in found.rows] == [[0, 2], [1]]
    panels, tastings = found.of(0)
    assert panels.frame["panel"].tolist() == ["May", "June"] and panels.frame["tastings"].tolist() == [24, 20]
    assert tastings is None and "Vanilla" in panels.source


def test_names_that_differ_already_stay_as_they_are():
    found = read_stocked(HEAD + "Vanilla,A,triangle,24,9\nSalt,B,triangle,30,12", "ingredient")
    assert found.panels.frame["panel"].tolist() == ["A", "B"]


def test_problems_name_the_variable_and_the_panel():
    with pytest.raises(PanelsError) as error:
        read_stocked(HEAD + "Vanilla,May,triangle,24,25\nSalt,May,triangle,-3,1", "ingredient")
    assert "panel 'Vanilla: May'" in str(error.value) and "panel 'Salt: May'" in str(error.value)


def test_one_variable_with_two_panels_of_one_name_is_refused():
    with pytest.raises(PanelsError, match="another panel 'Salt: May' above"):
        read_stocked(HEAD + "Salt,May,triangle,24,9\nSalt,May,triangle,24,10", "ingredient")


def test_panels_without_a_variable_are_named_all_at_once():
    with pytest.raises(PanelsError) as error:
        read_stocked(HEAD + "Vanilla,A,triangle,24,9\n,B,triangle,24,9\n,C,triangle,24,9", "ingredient")
    assert [problem.panel for problem in error.value.problems] == ["B", "C"]
    assert [problem.row for problem in error.value.problems] == [3, 4]
    with pytest.raises(PanelsError, match="row 3, panel 'May'"):  # other variables have a panel of that name
        read_stocked(HEAD + "Vanilla,May,triangle,24,9\n,May,triangle,24,9\nSalt,May,triangle,24,9", "ingredient")


def test_a_column_that_is_not_there_is_said_with_those_that_are():
    with pytest.raises(PanelsError, match=r"no column 'additive'.*'ingredient'"):
        read_stocked(HEAD + "Vanilla,A,triangle,24,9", "additive")
    with pytest.raises(PanelsError, match=r"there is 'ingredient'\. Did you mean 'ingredient'\?"):
        read_stocked(HEAD + "Vanilla,A,triangle,24,9", "Ingredients")
    with pytest.raises(PanelsError, match=r"there is none beyond those every table has\.$"):
        read_stocked(HEAD.removeprefix("ingredient,") + "A,triangle,24,9", "panels")
    with pytest.raises(ValueError, match="name of the column"):
        read_stocked(HEAD + "Vanilla,A,triangle,24,9", "")


def test_the_column_may_be_written_in_another_way_and_hold_numbers():
    frame = pd.DataFrame(
        {"Dose g": [1.5, 2.0], "panel": ["A", "A"], "protocol": "triangle", "tastings": 24, "correct": 9}
    )
    found = read_stocked(frame, "dose_g")
    assert found.names == ("1.5", "2")


def test_panels_that_were_read_already_are_taken():
    panels = read_panels(HEAD + "Vanilla,A,triangle,24,9\nSalt,B,triangle,30,12")
    assert read_stocked(panels, "ingredient").panels is panels


def test_tastings_bring_their_variable_and_their_repeats():
    rows = {
        "panel": ["A", "A", "A", "B"],
        "protocol": "triangle",
        "taster": ["x", "x", "y", "x"],
        "correct": [1, 0, 1, 1],
    }
    found = read_stocked(read_tastings(rows | {"ingredient": ["Salt"] * 3 + ["Milk"]}), "ingredient")
    panels, tastings = found.of(0)
    assert panels.frame["tastings"].tolist() == [3] and panels.frame["tasters"].tolist() == [2]
    assert len(tastings) == 3
    mixed = read_tastings(rows | {"ingredient": ["Salt", "Milk", "Salt", "Milk"]})
    with pytest.raises(PanelsError, match=r"'A'.*more than one ingredient"):
        read_stocked(mixed, "ingredient")


@pytest.mark.parametrize("by", ["panel", "panel_name", "protocol", "tastings", "Correct", "batch_pair", "date"])
def test_a_column_that_every_table_has_tells_no_variables(by):
    with pytest.raises(ValueError, match=rf"names the column of the variables.*'{by}' holds: "):
        read_stocked(HEAD + "Vanilla,A,triangle,24,9\nSalt,B,triangle,30,12", by)
