"""Panels and tastings added to tables that are kept as CSV. Tables are invented."""

import pytest

from metasense.planning.adding import add_tastings
from metasense.tables.panels import read_tastings

SPRING = "panel,protocol,taster,correct\nSpring,triangle,T1,yes\nSpring,triangle,T1,no\n"


def rows(panel, right):
    return read_tastings([{"panel": panel, "protocol": "triangle", "taster": "T2", "correct": r} for r in right])


def test_tastings_come_as_rows_at_the_end_and_what_stood_there_stays(tmp_path):
    table = tmp_path / "tastings.csv"
    table.write_text(SPRING, encoding="utf-8")
    assert add_tastings(rows("Autumn", [1, 0, 1]), table)
    assert table.read_text(encoding="utf-8").startswith(SPRING)
    read = read_tastings(table).frame
    assert read["panel"].tolist() == ["Spring"] * 2 + ["Autumn"] * 3
    assert read["correct"].tolist() == [True, False, True, False, True]


def test_tastings_that_are_there_are_not_added_again_and_others_of_that_panel_are_refused(tmp_path):
    table = tmp_path / "tastings.csv"
    table.write_text(SPRING, encoding="utf-8")
    add_tastings(rows("Autumn", [1, 0, 1]), table)
    before = table.read_bytes()
    assert not add_tastings(rows("Autumn", [1, 0, 1]), table)
    with pytest.raises(ValueError, match="already has other tastings of a panel 'Autumn'"):
        add_tastings(rows("Autumn", [1, 1, 1]), table)
    assert table.read_bytes() == before


def test_a_table_of_panels_takes_no_tastings(tmp_path):
    table = tmp_path / "panels.csv"
    table.write_text("panel,protocol,tastings,correct\nSpring,triangle,24,12\n", encoding="utf-8")
    with pytest.raises(ValueError, match="holds no rows of single tastings"):
        add_tastings(rows("Autumn", [1, 0]), table)
