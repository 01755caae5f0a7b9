"""Tables as people keep them are mended into a copy that says the same; the original is never touched. Tables invented."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest
from openpyxl.styles import Font, PatternFill

import metasense as ms
from metasense.cli import main

HEAD = "panel,protocol,tastings,correct"
GOOD = f"{HEAD}\nMai,triangle,24,12\nJuni,triangle,30,11\nJuli,triangle,28,13\n"


def book(path, rows, **more):
    """A workbook of these rows."""
    made = openpyxl.Workbook()
    sheet = made.active
    for row in rows:
        sheet.append(row)
    for area in more.get("merged", ()):
        sheet.merge_cells(area)
    made.save(path)
    return path


@pytest.fixture
def out(tmp_path):
    return tmp_path / "out.xlsx"


def counts(table):
    return table.frame[["panel", "protocol", "tastings", "correct"]].values.tolist()


def test_what_is_sure_is_put_right_and_listed_by_the_cell_it_stood_in(out):
    text = (
        "Our cider;;;\n;;;\nPanel;Verfahren;Antworten;Richtige Antworten\nMai ;Dreieckstest;24;12\n"
        "Juni;Dreieckstest;30.0;11\nGesamt;;54;23\nQuelle: Kellerbuch;;;\n"
    )
    mended = ms.mend(text, out)
    assert counts(mended.table) == [["Mai", "triangle", 24, 12], ["Juni", "triangle", 30, 11]]
    assert mended.left == ()
    changes = mended.to_frame().set_index("where")
    assert changes.loc[["row 1", "row 6", "row 7"], "after"].tolist() == ["(taken out)"] * 3
    assert changes.loc["B3", ["before", "after"]].tolist() == ["Verfahren", "protocol"]
    assert changes.loc["A4", ["before", "after"]].tolist() == ["Mai ", "Mai"]
    assert changes.loc["C5", ["before", "after"]].tolist() == ["30.0", "30"]
    assert changes.loc["B5", ["before", "after"]].tolist() == ["Dreieckstest", "triangle"]
    assert "row 6: 'Gesamt | 54 | 23' -> '(taken out)' (the total of other rows)" in str(mended)
    assert ms.read_panels(out).fingerprint == mended.table.fingerprint


@pytest.mark.parametrize("ending", [".xlsx", ".csv"])
def test_a_good_table_is_copied_as_it_is(tmp_path, ending):
    mended = ms.mend(GOOD, tmp_path / f"out{ending}")
    assert mended.changes == () and mended.left == ()
    assert mended.table.fingerprint == ms.read_panels(GOOD).fingerprint


def test_the_original_and_any_file_that_is_there_are_left_as_they_are(tmp_path, out):
    path = tmp_path / "panels.csv"
    path.write_text(f"Cider\n{GOOD}")
    before = path.read_bytes()
    ms.mend(path, out)
    assert path.read_bytes() == before
    for taken in (out, path, tmp_path):
        there = taken.read_bytes() if taken.is_file() else None
        with pytest.raises((FileExistsError, IsADirectoryError, ValueError)):
            ms.mend(path, taken)
        assert there is None or taken.read_bytes() == there
    with pytest.raises(ValueError, match=r"a mended copy ends in \.xlsx or \.csv"):
        ms.mend(path, tmp_path / "out.txt")


def test_what_is_not_sure_stays_and_is_marked_in_its_cell(out):
    mended = ms.mend(f"Cider\n{HEAD}\nMai,triangle,24,12*\nJuni,triangle,30,31\n", out)
    assert [problem.row for problem in mended.left] == [2, 3] and mended.table is None
    sheet = openpyxl.load_workbook(out).active
    assert sheet["D2"].value == "12*" and "'12*' is not a number" in sheet["D2"].comment.text
    assert "31 correct of 30" in sheet["D3"].comment.text and sheet["C2"].comment is None
    assert "2 problems are left" in mended.sentence()
    with pytest.raises(ms.PanelsError) as caught:
        ms.read_panels(out)
    assert [problem.message for problem in caught.value.problems] == [problem.message for problem in mended.left]


@pytest.mark.parametrize("column", ["A", "B"])
def test_merged_names_are_filled_in_and_merged_counts_are_not(tmp_path, out, column):
    rows = [["panel", "protocol", "taster", "correct"], ["Mai", "triangle", "T1", 1], [None, None, "T2", 0]]
    mended = ms.mend(book(tmp_path / "a.xlsx", rows, merged=("A2:A3", "B2:B3")), out)
    assert mended.table.frame["panel"].tolist() == ["Mai", "Mai"]
    assert {change.where for change in mended.changes} == {"A3", "B3"}
    rows = [[*HEAD.split(","), "tasters"], ["Mai", "triangle", 24, 12, 40], ["Juni", "triangle", 30, 11, None]]
    kept = ms.mend(book(tmp_path / "b.xlsx", rows, merged=("E2:E3",)), tmp_path / "kept.xlsx")
    assert "are merged" in kept.left[0].message
    with pytest.raises(ms.PanelsError, match=r"E2 is struck out or merged, which a \.csv cannot say"):
        ms.mend(tmp_path / "b.xlsx", tmp_path / "kept.csv")
    assert not (tmp_path / "kept.csv").exists()


def test_totals_and_averages_go_only_where_they_are_what_they_say(out, tmp_path):
    for label, n, right, gone in (
        ("Total", 82, 36, True),
        ("Mean", 27, 12, True),
        ("", 82, 36, True),
        ("Total", 80, 36, False),
        ("Mean", 24, 12, False),
        ("Haus", 82, 36, False),
    ):
        place = tmp_path / f"{label}{n}.xlsx"
        mended = ms.mend(f"{GOOD}{label},{'' if not label else 'triangle'},{n},{right}\n", place)
        assert (mended.table is not None) == gone, (label, n)
        if gone:
            assert mended.table.fingerprint == ms.read_panels(GOOD).fingerprint


def test_a_remark_or_title_that_may_leave_a_row_out_is_kept(out, tmp_path):
    kept = ms.mend(f"{GOOD}* one cup was spilled,,,\n", out)
    assert kept.table is None and kept.left[0].row == 5
    above = ms.mend(f"Not counted: Juni\n{GOOD}", tmp_path / "above.xlsx")
    assert above.table is None and "is no header" in above.left[0].message


def test_a_header_after_a_gap_may_begin_another_table_and_is_kept(out, tmp_path):
    page = ms.mend(f"{HEAD}\nMai,triangle,24,12\n{HEAD}\nJuni,triangle,30,11\n", out)
    assert len(page.table) == 2
    other = ms.mend(f"{HEAD}\nMai,triangle,24,12\n\n{HEAD}\nJuni,triangle,30,11\n", tmp_path / "other.xlsx")
    assert other.table is None


def test_a_panel_that_stands_in_its_first_row_only_is_filled_down_unless_names_come_again(out, tmp_path):
    head = "panel,protocol,taster,correct"
    sure = ms.mend(f"{head}\nMai,triangle,T1,yes\n,,T2,no\nJuni,triangle,T1,no\n,,T2,no\n", out)
    assert sure.table.frame["panel"].tolist() == ["Mai", "Mai", "Juni", "Juni"]
    again = f"{head}\nMai,triangle,T1,yes\n,triangle,T2,no\nMai,triangle,T3,no\n"
    assert ms.mend(again, tmp_path / "again.xlsx").table is None


def test_ticks_and_crosses_are_yes_and_no_only_where_there_are_both(out, tmp_path):
    head = "panel,protocol,taster,correct"
    both = ms.mend(f"{head}\nMai,triangle,T1,✓\nMai,triangle,T2,✗\n", out)
    assert both.table.frame["correct"].tolist() == [True, False]
    assert ms.mend(f"{head}\nMai,triangle,T1,✓\nMai,triangle,T2,✓\n", tmp_path / "one.xlsx").table is None


def test_counts_in_two_parts_are_parted_only_where_the_tastings_agree(out, tmp_path):
    mended = ms.mend(f"{HEAD}\nMai,triangle,24 people,12 of 24\nJuni,triangle,30,11/30\n", out)
    assert counts(mended.table) == [["Mai", "triangle", 24, 12], ["Juni", "triangle", 30, 11]]
    kept = ms.mend(f"{HEAD}\nMai,triangle,24,12 of 25\n", tmp_path / "kept.xlsx")
    assert "two numbers in one cell" in kept.left[0].message


def test_units_move_behind_the_names_of_what_has_some_and_per_cent_is_left(out, tmp_path):
    mended = ms.mend(f"{HEAD},dose\n,,(n),(n),(g/L)\nMai,triangle,24,12,0.5\nJuni,triangle,24,11,1\n", out)
    assert mended.table.moderators == ("dose (g/L)",)
    percent = ms.mend(f"{HEAD}\n,,(n),(%)\nMai,triangle,24,12\nJuni,triangle,24,11\n", tmp_path / "percent.xlsx")
    assert percent.table is None


def test_a_table_on_its_side_is_turned(out):
    mended = ms.mend("panel,Mai,Juni\nprotocol,triangle,triangle\ntastings,24,30\ncorrect,12,11\n", out)
    assert counts(mended.table) == [["Mai", "triangle", 24, 12], ["Juni", "triangle", 30, 11]]


def test_rows_of_a_text_whose_cells_may_have_moved_are_never_copied(out):
    for row in ("Juni,triangle,30", "Juni,Haus,triangle,30,11"):
        with pytest.raises(ms.PanelsError, match="cells may have moved") as caught:
            ms.mend(f"{HEAD}\nMai,triangle,24,12\n{row}\n", out)
        assert caught.value.problems[0].row == 3 and not out.exists()


def test_what_a_workbook_says_beside_its_cells_is_said_by_the_copy_too(tmp_path, out):
    path = book(
        tmp_path / "a.xlsx", [["Cider"], HEAD.split(","), *([f"P{i}", "triangle", 24, 9 + i] for i in range(5))]
    )
    made = openpyxl.load_workbook(path)
    sheet = made.active
    sheet["A3"].comment = openpyxl.comments.Comment("the cold evening", "me")
    sheet["D4"].fill = PatternFill("solid", fgColor="FFFFC7CE")
    sheet.row_dimensions[5].hidden = True
    sheet["D6"].font = Font(strike=True)
    made.save(path)
    mended = ms.mend(path, out)
    assert [(problem.row, "struck out" in problem.message) for problem in mended.left] == [(5, True)]
    made = openpyxl.load_workbook(out)
    made.active["D5"].font = Font()
    made.active["D5"].comment = None
    made.save(tmp_path / "put right.xlsx")
    notes = " ".join(ms.read_panels(tmp_path / "put right.xlsx").notes)
    assert "row 3 is coloured" in notes and "row 4 ('P2') is hidden" in notes and "the cold evening" in notes


def test_values_keep_their_kinds(tmp_path, out):
    rows = [[*HEAD.split(","), "date", "weeks", "code"], ["=B2", "triangle", 24, 12, dt.date(2025, 3, 4), 0.5, "007"]]
    rows.append(["Juni", "triangle", 30, 11, "5.3.2025", 12.25, "008"])
    rows.append(["Juli", "triangle", 30, 11, "25.3.2025", 12.25, "009"])
    path = book(tmp_path / "a.xlsx", [["Cider"], *rows])
    made = openpyxl.load_workbook(path)
    made.active["A3"].data_type = "s"
    made.save(path)
    for place in (out, tmp_path / "out.csv"):
        mended = ms.mend(path, place)
        frame = mended.table.to_frame()
        assert frame["panel"].tolist() == ["=B2", "Juni", "Juli"] and frame["code"].tolist() == ["007", "008", "009"]
        assert frame["date"].tolist() == [pd.Timestamp(2025, 3, day) for day in (4, 5, 25)]
        assert frame["weeks"].tolist() == [0.5, 12.25, 12.25]


def test_the_one_sheet_that_looks_like_a_table_is_taken_or_the_one_that_is_named(tmp_path, out):
    path = tmp_path / "a.xlsx"
    with pd.ExcelWriter(path) as writer:
        pd.DataFrame([["what we planned"]]).to_excel(writer, sheet_name="Plan", index=False)
        ms.read_panels(GOOD).typed().to_excel(writer, sheet_name="Cider", index=False)
    mended = ms.mend(path, out)
    assert mended.changes[0][:3] == ("the sheet", "Plan", "Cider") and len(mended.table) == 3
    assert ms.mend(path, tmp_path / "named.xlsx", sheet=2).changes == ()
    with pytest.raises(ms.PanelsError, match="there is no sheet 'Beer'; the sheets are 'Plan' and 'Cider'"):
        ms.mend(path, tmp_path / "none.xlsx", sheet="Beer")


def test_keys_and_answers_of_a_served_panel_are_not_mended(tmp_path, out):
    with pytest.raises(ms.PanelsError, match="this looks like the answers sheet of a served panel"):
        ms.mend("taster,cups,answer\nT1,101 202 303,101\n", out)


def test_check_fix_writes_the_copy_lists_the_changes_and_ends_with_what_it_found(tmp_path, capsys):
    path = tmp_path / "panels.csv"
    path.write_text(f"Cider,,,\n{GOOD}Total,,82,36\n")
    out = tmp_path / "out.xlsx"
    assert main(["check", str(path), "--fix", str(out)]) == 0
    said = capsys.readouterr().out
    assert "with 2 changes. The copy can be read." in " ".join(said.split())
    assert "row 1: 'Cider' -> '(taken out)' (stood above the header)" in said
    assert said.rstrip().split("\n")[-1].endswith("out.xlsx")
    assert main(["check", str(path), "--fix", str(out)]) == 2
    assert "a file of that name exists" in capsys.readouterr().err
    path.write_text(f"{GOOD}Herbst,triangle,20,21\n")
    assert main(["check", str(path), "--fix", str(tmp_path / "left.xlsx")]) == 2
    assert "21 correct of 20" in " ".join(capsys.readouterr().out.split())
    assert main(["check", str(path), str(path), "--fix", str(tmp_path / "two.xlsx")]) == 2
    assert "one table at a time" in capsys.readouterr().err
    assert main(["check", str(out), "--fix", str(tmp_path / "c.csv"), "--format", "csv"]) == 0
    assert capsys.readouterr().out.startswith("where,before,after,why")


def test_a_first_screen_of_many_changes_counts_the_rest(tmp_path, capsys):
    rows = "".join(f"P{i},Dreieckstest,24,{i}\n" for i in range(2, 20))
    path = tmp_path / "panels.csv"
    path.write_text(f"{HEAD}\n{rows}")
    main(["check", str(path), "--fix", str(tmp_path / "out.xlsx")])
    said = capsys.readouterr().out
    assert len(said.split("\n")) <= 25 and "... and 8 more: --details." in " ".join(said.split())


def test_what_a_mended_copy_says_of_its_cells_is_no_comment_of_the_table(out):
    ms.mend(f"Cider\n{HEAD}\nMai,triangle,24,12*\nJuni,triangle,30,13\n", out)
    book = openpyxl.load_workbook(out)
    sheet = book.active
    assert sheet["D2"].comment.author == "metasense"
    sheet["D2"].value = 12
    sheet["C3"].comment = openpyxl.comments.Comment("one came late", "me")
    book.save(out)
    (note,) = [note for note in ms.read_panels(out).notes if "comment" in note]
    assert note.startswith("row 3 ('one came late')")
