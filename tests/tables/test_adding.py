"""Panels and tastings added to tables that are kept as CSV. Tables are invented."""

import codecs

import pytest

from metasense.tables.panels import read_panels, read_tastings

SPRING = "panel,protocol,taster,correct\nSpring,triangle,T1,yes\nSpring,triangle,T1,no\n"


def rows(panel, right):
    return read_tastings([{"panel": panel, "protocol": "triangle", "taster": "T2", "correct": r} for r in right])


def test_tastings_come_as_rows_at_the_end_and_what_stood_there_stays(tmp_path):
    table = tmp_path / "tastings.csv"
    table.write_text(SPRING, encoding="utf-8")
    assert rows("Autumn", [1, 0, 1]).add_to(table)
    assert table.read_text(encoding="utf-8").startswith(SPRING)
    read = read_tastings(table).frame
    assert read["panel"].tolist() == ["Spring"] * 2 + ["Autumn"] * 3
    assert read["correct"].tolist() == [True, False, True, False, True]


def test_tastings_that_are_there_are_not_added_again_and_others_of_that_panel_are_refused(tmp_path):
    table = tmp_path / "tastings.csv"
    table.write_text(SPRING, encoding="utf-8")
    rows("Autumn", [1, 0, 1]).add_to(table)
    before = table.read_bytes()
    assert not rows("Autumn", [1, 0, 1]).add_to(table)
    with pytest.raises(ValueError, match="already has other tastings of a panel 'Autumn'"):
        rows("Autumn", [1, 1, 1]).add_to(table)
    assert table.read_bytes() == before


def test_a_table_of_panels_takes_no_tastings(tmp_path):
    table = tmp_path / "panels.csv"
    table.write_text("panel,protocol,tastings,correct\nSpring,triangle,24,12\n", encoding="utf-8")
    with pytest.raises(ValueError, match="holds no rows of single tastings"):
        rows("Autumn", [1, 0]).add_to(table)


def panels(*names):
    return read_panels([{"panel": name, "protocol": "triangle", "tastings": 24, "correct": 9} for name in names])


def test_the_message_of_a_table_that_is_there_names_adding_before_replacing(tmp_path):
    table = panels("Spring").to_csv(tmp_path / "panels.csv")
    with pytest.raises(FileExistsError, match="append=True to add to that table, or overwrite=True to replace it"):
        panels("Autumn").to_csv(table)
    assert read_panels(table).frame["panel"].tolist() == ["Spring"]


def test_appending_keeps_what_is_there_and_adds_each_panel_once(tmp_path):
    table = tmp_path / "panels.csv"
    assert panels("Spring").to_csv(table, append=True) == table  # made where there is none
    panels("Spring", "Summer", "Autumn").to_csv(table, append=True)
    before = table.read_bytes()
    panels("Autumn").to_csv(table, append=True)
    assert table.read_bytes() == before
    assert read_panels(table).frame["panel"].tolist() == ["Spring", "Summer", "Autumn"]


def test_another_panel_of_a_name_that_is_there_is_refused_and_nothing_is_added(tmp_path):
    table = panels("Spring").to_csv(tmp_path / "panels.csv")
    before = table.read_bytes()
    other = read_panels({"panel": ["Winter", "Spring"], "protocol": "triangle", "tastings": 24, "correct": [8, 12]})
    with pytest.raises(ValueError, match="already has a panel 'Spring', and it says something else"):
        other.to_csv(table, append=True)
    with pytest.raises(ValueError, match="choose one of them"):
        other.to_csv(table, append=True, overwrite=True)
    assert table.read_bytes() == before


def test_tastings_of_several_panels_are_added_together(tmp_path):
    table = tmp_path / "tastings.csv"
    table.write_text(SPRING, encoding="utf-8")
    (rows("Autumn", [1, 0]) + rows("Winter", [1, 1])).to_csv(table, append=True)
    assert read_tastings(table).frame["panel"].tolist() == ["Spring"] * 2 + ["Autumn"] * 2 + ["Winter"] * 2


@pytest.mark.parametrize("mark", [b"", codecs.BOM_UTF8])
def test_a_column_the_table_has_not_stands_behind_the_others_and_is_empty_for_the_old_rows(tmp_path, mark):
    table = tmp_path / "tastings.csv"
    table.write_bytes(mark + SPRING.encode())
    sure = {"panel": "Autumn", "protocol": "triangle", "taster": "T2", "correct": 1, "certainty": "sure"}
    assert read_tastings([sure]).add_to(table)
    old = "Spring,triangle,T1,yes,\nSpring,triangle,T1,no,\n"
    new = f"panel,protocol,taster,correct,certainty\n{old}Autumn,triangle,T2,yes,sure\n"
    assert table.read_bytes() == mark + new.encode()
