"""A cell is read only where its meaning is sure. Tables are invented; what each cell means is written beside it."""

import datetime as dt
import fractions
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from metasense.tables.cells import plain
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
    with pytest.raises(PanelsError, match=r"no whole number of 24 tastings is 45|45' is no share of 0 to 1"):
        read_panels(table)


TABLE = "panel,protocol,tastings,"


@pytest.mark.parametrize(
    ("header", "cells", "counts"),
    [("% correct", ("45", "33.3 %"), [27, 10]), ("share correct", ("0.45", "1"), [27, 30]),
     ("percent correct", ("45.0", "100"), [27, 30])],
)  # fmt: skip
def test_a_share_that_only_one_count_gives_becomes_that_count_and_is_said(header, cells, counts):
    read = read_panels(f"{TABLE}{header}\nA,triangle,60,{cells[0]}\nB,triangle,30,{cells[1]}")
    assert read.frame["correct"].tolist() == counts
    assert f"column {header!r} holds shares" in " ".join(read.notes) and f"{cells[0]} of 60 is 27" in " ".join(
        read.notes
    )


@pytest.mark.parametrize(
    ("cell", "n", "words"),
    [("33", 200, "could be any of 65, 66 and 67 correct"), ("34", 30, "no whole number"), ("1", 100, "could be any of 1 and 100 correct"),
     ("abc", 30, "is not a share"), ("", 30, "the cell is empty")],
)  # fmt: skip
def test_a_share_that_several_counts_or_none_give_is_refused(cell, n, words):
    with pytest.raises(PanelsError, match=words):
        read_panels(f"{TABLE}% correct,style\nA,triangle,{n},{cell},dry")


def test_a_share_beside_the_count_must_agree_and_is_no_moderator():
    table = f"{TABLE}correct,correct (%),style\nA,triangle,60,27,45,dry\nB,triangle,30,10,33.3,dry"
    read = read_panels(table)
    assert read.moderators == ("style",)
    assert "column 'correct (%)' is not used, and agrees with 'correct'." in read.notes
    with pytest.raises(PanelsError, match=r"row 3.*'43.3' is not the share of 10 correct of 30 tastings"):
        read_panels(table.replace("33.3", "43.3"))


@pytest.mark.parametrize("header", ["no. tasters", "No. of tasters", "no of tasters", "# tasters", "number of tasters"])
def test_a_header_that_says_number_of_is_read_and_said(header):
    read = read_panels(f"{TABLE}correct,{header}\nA,triangle,24,9,12")
    assert read.frame["tasters"].tolist() == [12]
    assert f"column read under another name: {header!r} as 'tasters'." in read.notes


@pytest.mark.parametrize("header", ["tasters (count)", "Tasters [n]", "tasters (no.)"])
def test_a_header_that_ends_in_count_is_read_and_said(header):
    read = read_panels(f"{TABLE}correct,{header}\nA,triangle,24,9,12")
    assert read.frame["tasters"].tolist() == [12]
    assert f"{header!r} as 'tasters'" in " ".join(read.notes)


@pytest.mark.parametrize(
    "cells",
    [
        ["3-4", "1/2"],
        ["3?", "4?"],
        ["0x1F", "3-4"],
        ["(5)", "1½"],
        ["1_000", "3-4"],
        ["?", "-"],
        ["about 5", "tbd"],
        ["750 0", "7,50,0"],
        ["7;50", "2;5"],
        ["1/2", "none"],
    ],
)
def test_a_column_of_numbers_that_nobody_is_sure_of_is_said_to_be_kept_as_words(cells):
    read = read_panels(panels(weeks=cells))
    assert f"'weeks' was kept as words, because of {cells[0]!r}" in " ".join(read.notes)


def test_a_unit_under_left_out_does_not_say_that_the_row_is_left_out():
    with pytest.raises(PanelsError, match=r"'\(n\)' does not say for sure whether the row is left out"):
        read_panels(panels(left_out=["(n)", ""]))


@pytest.mark.parametrize("header", ["not correct", "no correct"])
def test_a_header_that_negates_is_not_the_number_of(header):
    with pytest.raises(PanelsError, match="there is no column 'correct'"):
        read_panels(f"{TABLE}{header}\nA,triangle,24,9")


@pytest.mark.parametrize(
    "cells", [("€1000", "20000", "20000"), ("tbd", "3", "4"), ("3-4", "5", "6"), ("3 weeks", "x", "y")]
)
def test_numbers_kept_as_words_because_of_one_cell_are_said(cells):
    rows = "\n".join(f"P{i},triangle,24,9,{cell}" for i, cell in enumerate(cells))
    read = read_panels(f"{TABLE}correct,dose\n{rows}")
    assert any(note.startswith("column 'dose' was kept as words, because of") for note in read.notes)


@pytest.mark.parametrize(
    ("header", "cell"), [("status", "dropped"), ("status", "invalid"), ("valid", "no"), ("counted", "0")]
)
def test_a_row_that_another_column_says_does_not_count_is_refused_until_left_out_decides(header, cell):
    table = f"panel,protocol,taster,{header},left_out,correct\nA,triangle,1,ok,,1\nA,triangle,2,{cell},,0"
    with pytest.raises(PanelsError, match=f"row 3.*{header!r} is {cell!r}: the row may not count"):
        read_tastings(table)
    assert len(read_tastings(table.replace(f"{cell},,", f"{cell},no,"))) == 2


def test_specific_gravities_are_no_thousands_but_other_numbers_may_be():
    table = f"{TABLE}correct,OG\nA,triangle,60,27,1.048\nB,triangle,30,10,1.052"
    assert read_panels(table).frame["OG"].tolist() == [1.048, 1.052]
    assert "as specific gravities are written" in " ".join(read_panels(table).notes)
    with pytest.raises(PanelsError, match=r"Write 1048, or 1.0480"):
        read_panels(table.replace("OG", "dose"))


def test_one_protocol_in_several_spellings_is_one():
    read = read_tastings("panel,protocol,taster,correct\nA,2-AFC,1,1\nA,2 AFC,2,0\nA,2-Afc,3,1")
    assert read.to_panels().frame["tastings"].tolist() == [3]


@pytest.mark.parametrize("word", ["¬A-not-A", "triangle?", "~triangle", "(triangle)"])
def test_a_protocol_with_a_sign_is_not_that_protocol(word):
    with pytest.raises(PanelsError, match="is not a protocol known here"):
        read_panels(f"{TABLE}correct\nA,{word},24,9")


@pytest.mark.parametrize("served", ["745-777", "B.A.B", "066.777.937"])
def test_a_tray_under_served_is_refused_by_row(served):
    table = f"panel,protocol,taster,served,answer\nA,triangle,1,739,739\nA,triangle,2,{served},745"
    with pytest.raises(PanelsError, match=r"row 3.*could be several cups"):
        read_tastings(table)


def test_an_incident_is_no_moderator():
    read = read_tastings("panel,protocol,taster,incident,correct\nA,triangle,1,late,1\nA,triangle,2,,0")
    assert "incident" not in read.moderators and "'late' (1)" in " ".join(read.notes)


def test_an_open_quotation_mark_that_swallows_rows_is_refused():
    rows = 'A,triangle,1,1,"flat\nA,triangle,2,1,\nA,triangle,3,1,flat"\nA,triangle,4,0,\n'
    with pytest.raises(PanelsError, match="row 2: the cell that begins 'flat' runs over 3 lines and holds whole rows"):
        read_tastings("panel,protocol,taster,correct,notes\n" + rows)


def test_so_is_one_where_lines_end_as_on_old_computers():
    lines = [
        "panel,protocol,tastings,correct,notes",
        'A,triangle,24,9,"flat',
        "B,triangle,24,8,",
        'C,triangle,20,7,flat"',
    ]
    with pytest.raises(PanelsError, match="runs over 3 lines and holds whole rows"):
        read_panels("\r".join(lines))


def test_a_row_with_a_cell_too_many_is_refused_even_if_the_last_is_empty():
    rows = "A,triangle,1,1,demi-sec, late,\nA,triangle,2,1,a,b\n"
    with pytest.raises(PanelsError, match="row 2: the row has 7 cells where the header has 6"):
        read_tastings("panel,protocol,taster,correct,style,notes\n" + rows)


@pytest.mark.parametrize("header", ["≠correct", "correct?", "-correct", "(correct)"])
def test_a_header_that_is_a_name_but_for_a_sign_is_not_read_as_it(header):
    with pytest.raises(PanelsError, match=r"is 'correct' .* but for the"):
        read_panels(panels(correct=[8]).rename(columns={"correct": header}))


@pytest.mark.parametrize(
    "header",
    ["incorrect", "% incorrect", "pct_incorrect", "(in)correct", "1-correct", "1 - correct", "1 \u2212 correct", "correct (not)"],
)  # fmt: skip
def test_the_opposite_of_a_column_is_never_offered_as_a_slip_of_it(header):
    with pytest.raises(PanelsError, match="there is no column 'correct'") as caught:
        read_panels(panels(correct=[8]).rename(columns={"correct": header}))
    assert "rename it" not in str(caught.value)


@pytest.mark.parametrize("header", ["corect", "% corect"])
def test_a_slip_of_a_column_is_offered_as_it(header):
    with pytest.raises(PanelsError, match=f"If '{header}' is it, rename it"):
        read_panels(panels(correct=[8]).rename(columns={"correct": header}))


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


@pytest.mark.parametrize("cell", [np.datetime64("NaT", "s"), np.timedelta64("NaT", "s"), pd.NaT, Decimal("NaN"), pd.NA])
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
    with pytest.raises(PanelsError, match="Write yes, or no, for it in a column 'left_out'"):
        read_panels(panels(included=["no", "yes"]))


@pytest.mark.parametrize("header", ["count?", "keep?", "ok", "in analysis", "counts"])
def test_a_column_that_says_a_row_does_not_count_is_never_passed_over(header):
    with pytest.raises(PanelsError, match="Write yes, or no, for it in a column 'left_out'"):
        read_panels(f"panel,protocol,tastings,correct,{header}\nA,triangle,24,9,yes\nB,triangle,24,22,no")


@pytest.mark.parametrize("name", ["D (excluded)", "VOID - C", "left out: D", "E [do not count]"])
def test_a_panel_whose_name_says_that_it_is_left_out_is_refused_until_that_is_decided(name):
    text = f"panel,protocol,tastings,correct\nA,triangle,24,9\n{name},triangle,24,22"
    with pytest.raises(PanelsError, match="may say that the panel is left out"):
        read_panels(text)
    decided = f"panel,protocol,tastings,correct,left_out\nA,triangle,24,9,no\n{name},triangle,24,22,yes"
    assert len(read_panels(decided)) == 1


def test_days_and_months_in_two_orders_in_one_column_are_noted():
    read = read_panels("panel,protocol,tastings,correct,date\nA,triangle,24,9,04/13/2026\nB,triangle,24,9,13/04/2026")
    assert read.frame["date"].nunique() == 1
    assert any("different orders" in note and "'04/13/2026'" in note for note in read.notes)


@pytest.mark.parametrize("word", ["none", "nothing", "fine", "no"])
def test_no_reason_to_leave_a_row_out_leaves_it_in(word):
    text = f"panel,protocol,tastings,correct,exclusion reason\nA,triangle,24,9,{word}\nB,triangle,24,8,spilled"
    assert read_panels(text).frame["panel"].tolist() == ["A"]


def test_a_count_of_people_left_out_takes_no_panel_out():
    text = "panel,protocol,tastings,correct,excluded\nA,triangle,24,9,0\nB,triangle,24,8,1\nC,triangle,24,8,2"
    with pytest.raises(PanelsError, match="may say how many were left out") as refused:
        read_panels(text)
    assert [problem.row for problem in refused.value.problems] == [3, 4]


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


def test_problems_are_listed_by_row_and_within_a_row_by_column():
    table = "correct,tastings,protocol,panel,weeks\n30,x,triangle,A,1\n9,-1,triangle,B,2,3\nz,7.5,tri,C,4"
    with pytest.raises(PanelsError) as caught:
        read_panels(table)
    found = [(problem.row, problem.column) for problem in caught.value.problems]
    wanted = [(2, "tastings"), (3, None), (3, "tastings"), (4, "correct"), (4, "tastings"), (4, "protocol")]
    assert found == wanted


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (("NA", "3"), "column 'weeks': 'NA' was read as missing."),
        (("NA", "n/a"), "column 'weeks': 'NA' and 'n/a' were read as missing."),
        (("NA", "NA "), "column 'weeks': 'NA' was read as missing."),
        (("10%", "20%"), "column 'weeks': '10%' and '20%' were read in per cent."),
    ],
)
def test_a_note_on_one_cell_is_in_the_singular_and_on_several_in_the_plural(rows, says):
    cells = "\n".join(f"P{i},triangle,24,9,{cell}" for i, cell in enumerate(rows))
    assert says in read_panels(f"{TABLE}correct,weeks\n{cells}").notes


def test_what_does_not_say_that_rows_are_left_out_is_said_in_the_plural():
    table = (
        "panel,protocol,taster,correct,incident\nA,triangle,1,1,spilled\nA,triangle,2,1,spilled\nA,triangle,3,1,late"
    )
    said = "'spilled' (2) and 'late' (1) do not say that a row is left out, so the rows were kept."
    assert any(said in note for note in read_tastings(table).notes)


@pytest.mark.parametrize("header", ["state", "status"])
def test_a_state_of_another_kind_refuses_no_row_and_is_noted(header):
    table = f"{TABLE}correct,{header}\nA,triangle,24,9,Ohio\nB,triangle,24,9,out\nC,triangle,24,9,Texas"
    read = read_panels(table)
    assert len(read) == 3
    assert any("'out', 'Ohio' and 'Texas' do not say for sure that a row is left out" in note for note in read.notes)
    for word in ("excluded", "dropped"):  # which mean only that
        with pytest.raises(PanelsError, match=f"'{word}': the row may not count"):
            read_panels(table.replace("out", word))


@pytest.mark.parametrize(("header", "no"), [("used", "0"), ("state", "out")])
def test_a_column_that_may_say_what_counts_can_be_renamed(header, no):
    with pytest.raises(PanelsError, match=r"Write yes, or no, for it in a column 'left_out', or rename this column"):
        read_panels(f"{TABLE}correct,{header}\nA,triangle,24,9,{no}\nB,triangle,24,9,1")


@pytest.mark.parametrize("word", ["nein", "nej", "niet", "nope", "Nee", "não"])
def test_no_in_other_languages_leaves_no_row_out(word):
    if word == "não":
        word = "nao"
    assert len(read_panels(panels(left_out=[word, ""]))) == 2


@pytest.mark.parametrize(
    "word", ["maybe", "tbd", "all good", "see notes", "nobody", "false alarm", "one taster", "Anna"]
)
def test_words_under_left_out_that_say_neither_yes_nor_why_are_asked_about(word):
    with pytest.raises(PanelsError, match="does not say for sure whether the row is left out"):
        read_panels(panels(left_out=[word, ""]))


@pytest.mark.parametrize(
    "word", ["ja", "yes: tired", "cup spilled", "verschüttet", "left early", "had a cold", "wrong tray"]
)
def test_yes_and_what_befell_a_row_leave_it_out(word):
    read = read_panels(panels(left_out=[word, ""]))
    assert len(read) == 1 and f"('{word}')" in " ".join(read.notes)


@pytest.mark.parametrize("header", ["Excluded (y/n)", "left out because", "not used", "cancelled", "invalid", "rejected",
                                    "use?", "used", "outlier", "nicht gültig", "include", "valid"])  # fmt: skip
def test_a_column_by_whose_name_and_cells_rows_may_not_count_is_asked_about(header):
    with pytest.raises(PanelsError, match=r"may say which rows do not count|the row may not count"):
        read_panels(panels(**{header: ["x", ""]}))
    with pytest.raises(PanelsError, match=r"may say which rows do not count|the row may not count"):
        read_panels(panels(**{header: ["yes", "no"]}))
    if header not in ("include", "valid", "used"):
        assert len(read_panels(panels(**{header: ["4.5", "5"]}))) == 2


@pytest.mark.parametrize("name", ["C - left out", "D VOID", "//C", "C (excluded)"])
def test_a_name_that_says_that_the_panel_does_not_count_is_asked_about(name):
    with pytest.raises(PanelsError, match="may say that the panel is left out"):
        read_panels(panels(panel=["A", name]))


def test_shares_of_a_column_are_all_per_cents_or_all_parts():
    with pytest.raises(PanelsError, match=r"no whole number of 24 tastings is '1'|could be"):
        read_panels("panel,protocol,tastings,% correct\nA,triangle,24,37.5\nB,triangle,24,1\n")
    assert read_panels("panel,protocol,tastings,% correct\nA,triangle,24,0.375\nB,triangle,24,0.500\n").frame["correct"].tolist() == [9, 12]  # fmt: skip


def test_a_small_whole_number_does_not_show_that_a_point_divides_off_decimals():
    with pytest.raises(PanelsError, match=r"'1\.250' could be 1250 or 1\.25"):
        moderator("1.250", "3", "4")


def test_wrong_answers_are_compared_row_by_row_even_beside_words():
    with pytest.raises(PanelsError, match="8 correct and 20 incorrect make 28 answers, not 24"):
        read_panels(panels(incorrect=["20", "16 (2 left)"]))


@pytest.mark.parametrize(
    ("header", "word"), [("included", "yes"), ("valid", "ok"), ("outlier", "no"), ("not used", "0")]
)
def test_a_column_that_says_the_same_of_every_row_asks_nothing(header, word):
    assert len(read_panels(panels(**{header: [word, word]}))) == 2


def test_a_row_of_sums_without_a_name_is_asked_for_its_name_alone():
    table = "panel,protocol,tastings,correct\nA,triangle,20,5\nB,triangle,20,7\nC,triangle,10,4\n,triangle,50,16"
    with pytest.raises(PanelsError) as caught:
        read_panels(table)
    assert [problem.message for problem in caught.value.problems] == [
        "the cell is empty. Write a name for the sitting."
    ]


def test_an_example_row_is_passed_over_with_a_note_of_its_own():
    rows = "panel,protocol,tastings,correct,left_out\nExample,triangle,24,11,Example\nMay,triangle,24,12,\n"
    panels = read_panels(rows)
    assert panels.frame["panel"].tolist() == ["May"]
    assert [note for note in panels.notes if "example" in note] == [
        "an example, as column 'left_out' says, and no panel: row 2."
    ]
    both = read_panels(rows + "June,triangle,24,9,spilled\n")
    assert sum(note.startswith("left out") for note in both.notes) == 1  # and it names June alone
    with pytest.raises(PanelsError, match="every row is left out"):
        read_panels(rows.replace("12,\n", "12,yes\n"))
