"""Cells at the edge of what can be read without guessing."""

import pytest

from metasense.tables.panels import PanelsError, read_panels


def table(**columns):
    return {"panel": ["A"], "protocol": ["triangle"], "tastings": [30], "correct": [12]} | columns


@pytest.mark.parametrize("cell", ["12/11/2024", "11/12/2024", "01/12/2024", "12.1.2025"])
def test_a_day_and_month_of_up_to_twelve_that_could_be_either_is_asked_about(cell):
    with pytest.raises(PanelsError, match="could be"):
        read_panels(table(date=[cell]))


@pytest.mark.parametrize(("cell", "date"), [("13/12/2024", "2024-12-13"), ("12/12/2024", "2024-12-12")])
def test_a_day_that_cannot_be_a_month_and_a_day_that_equals_it_are_read(cell, date):
    assert str(read_panels(table(date=[cell])).frame["date"].iloc[0])[:10] == date


def test_a_count_beyond_what_a_spreadsheet_keeps_exactly_is_refused_as_such():
    # IEEE 754 doubles hold every whole number up to 2**53; from there on a neighbour may stand for it.
    with pytest.raises(PanelsError) as caught:
        read_panels(table(tastings=[2**53 + 2]))
    with pytest.raises(PanelsError) as other:
        read_panels(table(tastings=[2**54]))
    assert str(2**53 + 2) in str(caught.value).replace(",", "").replace(" ", "")
    assert type(other.value) is PanelsError
