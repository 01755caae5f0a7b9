"""A cell is read only where its meaning is sure. Tables are invented; what each cell means is written beside it."""

import datetime as dt
import fractions
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from metasense.tables.checking import plain
from metasense.tables.panels import PanelsError, read_panels, read_tastings


def panels(**columns):
    size = len(next(iter(columns.values())))
    data = {"panel": [f"P{i}" for i in range(size)], "protocol": "triangle", "tastings": 24, "correct": 8} | columns
    return pd.DataFrame({name: pd.Series(cells, index=range(size), dtype=object) for name, cells in data.items()})


def moderator(*cells):
    return read_panels(panels(dose=list(cells)))


@pytest.mark.parametrize("word", ["-A", "~A", "¬A", "A?", "(A)", "≠A", "%A", "!A", "'A'"])
def test_no_sign_is_dropped_from_a_word(word):
    assert plain(word) != plain("A")


@pytest.mark.parametrize("cell", ["-1", "1?", "(1)", "~1", "+1", "¬1"])
def test_a_one_with_a_sign_is_no_right_answer(cell):
    with pytest.raises(PanelsError, match="is not one of yes, no and refused"):
        read_tastings({"panel": "A", "protocol": "triangle", "taster": ["T", "U"], "correct": [cell, "1"]})


def test_a_reported_of_minus_one_is_not_yes():
    with pytest.raises(PanelsError, match="'-1' is not one of yes and no"):
        read_panels(panels(reported=["-1"]))


@pytest.mark.parametrize(
    "header", ["% correct", "correct (%)", "% right", "percent correct", "share correct", "correct rate", "p_correct"]
)
def test_a_column_of_shares_is_not_read_as_counts(header):
    table = panels(correct=[45, 30]).rename(columns={"correct": header})
    with pytest.raises(PanelsError, match="holds shares, not counts") as caught:
        read_panels(table)
    assert len(caught.value.problems) == 1


@pytest.mark.parametrize("header", ["≠correct", "correct?", "-correct", "(correct)"])
def test_a_header_that_is_a_name_but_for_a_sign_is_not_read_as_it(header):
    with pytest.raises(PanelsError, match=r"is 'correct' .* but for the"):
        read_panels(panels(correct=[8]).rename(columns={"correct": header}))


def test_the_opposite_of_a_column_is_never_offered_as_a_slip_of_it():
    with pytest.raises(PanelsError) as caught:
        read_panels(panels(correct=[8]).rename(columns={"correct": "incorrect"}))
    assert "rename it" not in str(caught.value)


@pytest.mark.parametrize("cells", [("500", "750", "1.000", "1.500"), ("1.000", 2000), ("1,000", "1,500")])
def test_thousands_and_decimals_that_nothing_tells_apart_are_refused_with_both(cells):
    with pytest.raises(PanelsError, match=r"could be 1000 or 1, and no other cell of the column shows which"):
        moderator(*cells)


@pytest.mark.parametrize(
    ("cells", "values", "shown"),
    [
        (("1.000", "1.500", "0.250"), [1, 1.5, 0.25], "0.250"),
        (("1,000", "0,5"), [1, 0.5], "0,5"),
        (("1.000.000", "1.500"), [1_000_000, 1500], "1.000.000"),
        (("12.500,5", "1.000"), [12500.5, 1000], "12.500,5"),
        (("1.250", "3", "4"), [1.25, 3, 4], "4"),
    ],
)
def test_other_cells_of_the_column_show_how_it_is_written_and_the_note_names_one(cells, values, shown):
    read = moderator(*cells)
    assert read.frame["dose"].tolist() == values
    assert any(f"as {shown!r} in the same column shows" in note for note in read.notes)


def test_a_decimal_comma_in_another_column_shows_nothing():
    with pytest.raises(PanelsError, match="'1,000' could be 1000 or 1"):
        read_panels(panels(dose=["1,000", "1,500"], ph=["3,5", "3,4"], notes=["0,5", ""]))


@pytest.mark.parametrize("cell", ["1e999", "inf", "-inf", "∞", float("inf"), Decimal("Infinity"), "1e-999"])
def test_what_is_not_finite_is_refused(cell):
    with pytest.raises(PanelsError):
        moderator(cell, "1", "2")


def test_percent_signs_are_read_only_where_every_cell_has_one():
    assert moderator("10%", "17.5 %", "0").frame["dose"].tolist() == [10, 17.5, 0]
    with pytest.raises(PanelsError, match="'10%' has a % sign, and other cells of the column have none"):
        moderator("10%", "5")


@pytest.mark.parametrize("cell", ["13/04/25", "45000", "2025-W10-2", "2025-Q1", "2025-064", 1741046400, 45000.0])
def test_a_day_that_must_be_guessed_is_refused(cell):
    with pytest.raises(PanelsError, match="read without guessing"):
        read_panels(panels(date=[cell]))


def test_a_day_in_eight_digits_or_a_strange_year_is_said():
    read = read_panels(panels(date=["20250304", "1899-01-01"]))
    assert read.frame["date"].tolist() == [pd.Timestamp(2025, 3, 4), pd.Timestamp(1899, 1, 1)]
    assert any("read as year, month and day" in note for note in read.notes)
    assert any("'1899-01-01' lies far from today" in note for note in read.notes)


ODD = [
    Decimal("sNaN"),
    10**5000,
    "a\ud800",
    [1],
    {"a": 10**5000},
    1 + 2j,
    fractions.Fraction(1, 2),
    b"x",
    np.void(b"ab"),
    np.datetime64("12000-01-01"),
]


@pytest.mark.parametrize("cell", ODD, ids=lambda cell: type(cell).__name__)
@pytest.mark.parametrize("column", ["dose", "panel", "correct", "date", "blind", "notes", "left_out"])
def test_an_odd_cell_of_a_frame_is_refused_in_words(cell, column):
    with pytest.raises(PanelsError) as caught:
        read_panels(panels(**{column: [cell]}))
    assert "numpy" not in str(caught.value)


@pytest.mark.parametrize("cell", [np.datetime64("NaT"), np.timedelta64("NaT"), pd.NaT, Decimal("NaN"), pd.NA])
def test_a_cell_that_holds_nothing_is_missing_whatever_its_type(cell):
    read = read_panels(panels(dose=[cell, 1], date=[cell, dt.date(2025, 1, 2)]))
    assert read.frame["date"].isna().tolist() == [True, False]


def test_nested_columns_of_parquet_are_refused_in_words():
    pa = pytest.importorskip("pyarrow")
    table = panels(correct=[8]).assign(dose=pd.Series([[1, 2]], dtype=pd.ArrowDtype(pa.list_(pa.int64()))))
    with pytest.raises(PanelsError, match="holds a list"):
        read_panels(table)


# --- rows left out --------------------------------------------------------------------------------------------------


def test_rows_left_out_are_not_counted_and_said_by_panel():
    table = {"panel": ["A", "A", "A", "B"], "protocol": "triangle", "taster": list("stuv"), "correct": [1, 1, 0, 1],
             "left_out": ["yes", "too cold", "no", ""]}  # fmt: skip
    read = read_tastings(table)
    assert read.frame["taster"].tolist() == ["u", "v"]
    assert "left out, as column 'left_out' says ('yes' and 'too cold'), and not counted: 2 in A." in read.notes
    assert read.to_panels().frame[["tastings", "correct", "tasters"]].to_numpy().tolist() == [[1, 0, 1], [1, 1, 1]]


def test_panels_are_left_out_likewise_and_the_rest_need_not_be_right():
    read = read_panels(panels(left_out=["corked", ""], correct=["?", 8]))
    assert read.frame["panel"].tolist() == ["P1"]
    assert any("('corked'), and not counted: P0" in note for note in read.notes)


def test_an_incident_that_says_so_leaves_the_row_out_and_another_is_listed():
    table = {"panel": "A", "protocol": "triangle", "taster": list("stuv"), "correct": 1,
             "incident": ["left out: cold", "exclude", "spilled", ""]}  # fmt: skip
    read = read_tastings(table)
    assert read.frame["taster"].tolist() == ["u", "v"]
    assert any("'left out: cold' and 'exclude'" in note and "2 in A" in note for note in read.notes)
    assert any("'spilled' (1) does not say that a row is left out" in note for note in read.notes)
    kept = read_tastings(table | {"left_out": "no"})
    assert len(kept) == 4


def test_a_remark_on_a_panel_that_may_mean_a_few_tastings_must_be_decided():
    with pytest.raises(PanelsError, match="can mean the whole panel or a few tastings of it"):
        read_panels(panels(notes=["left out: two latecomers", ""]))
    assert len(read_panels(panels(notes=["excluded: two latecomers", ""], left_out=["no", ""]))) == 2


@pytest.mark.parametrize("cell", ["x", "?!", "2", "not sure", "not cold"])
def test_a_left_out_that_does_not_say_is_refused(cell):
    with pytest.raises(PanelsError, match="whether the row is left out"):
        read_panels(panels(left_out=[cell]))


def test_a_column_of_what_is_included_is_not_passed_over():
    with pytest.raises(PanelsError, match="Write yes for it in a column 'left_out'"):
        read_panels(panels(included=["no", "yes"]))
