"""Tables that cannot be used: each is refused in words that name row, panel, column, value and remedy.

Every case is a file somebody could send. No other kind of error than `PanelsError` may come out.
"""

import io
import pickle
import re
import sys
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from metasense.tables.panels import PanelsError, read_panels, read_tastings

HEAD = "panel,protocol,tastings,correct\n"
GOOD = "A,triangle,24,8\n"


def refused(source, read=read_panels, **options):
    """The error that reading `source` raises."""
    with pytest.raises(PanelsError) as caught:
        read(source, **options)
    assert str(caught.value)
    return caught.value


def with_cell(column, cell):
    """The error of a table whose third row has this cell in this column, the first being good."""
    data = {"panel": "B", "protocol": "triangle", "tastings": "30", "correct": "9", "tasters": "30"}
    good = {column: ""} | data | {"panel": "A"}
    return refused(pd.DataFrame([good, data | {column: cell}], dtype=object).to_csv(index=False))


# --- one cell -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("correct", "31", r"31 correct of 30 tastings is impossible"),
        ("correct", "-3", r"-3 is negative"),
        ("correct", "9.5", r"9.5 is not a whole number"),
        ("correct", "nine", r"'nine' is not a number\. Write it in digits"),
        ("correct", "12/30", r"two numbers in one cell\. Put 12 and 30 in columns of their own"),
        ("correct", "12 of 30", r"two numbers in one cell"),
        ("correct", "40%", r"'40%' is a percentage\. Write the count itself"),
        ("correct", "", r"the cell is empty\. Write how many answers were correct"),
        ("correct", "NA", r"'NA' says nothing here"),
        ("correct", "inf", r"'inf' is not a number"),
        ("correct", "TRUE", r"'TRUE' is not a number"),
        ("correct", "٣", r"'٣' is not a number"),
        ("correct", "1_0", r"'1_0' is not a number"),
        ("correct", "0x1F", r"'0x1F' is not a number"),
        ("tastings", "1,000", r"'1,000' could be 1000 or 1\. Write it without a separator of thousands"),
        ("tastings", "1.000", r"'1.000' could be 1000 or 1\."),
        ("tastings", "1 000", r"separators of thousands"),
        ("tastings", "1,000,000", r"separators of thousands"),
        ("tastings", "1'000", r"separators of thousands"),
        ("tastings", "9" * 40, r"too large for a count"),
        ("tastings", "1e300", r"too large for a count"),
        ("tastings", "1e-3", r"not a whole number"),
        ("tastings", "#DIV/0!", r"#DIV/0! is an error of the spreadsheet"),
        (
            "protocol",
            "tringle",
            r"'tringle' is not a protocol known here\. Did you mean 'triangle'\? Known are triangle, duo-trio",
        ),
        ("protocol", "", r"the cell is empty\. Write the test that was served"),
        ("panel", "", r"the cell is empty\. Write a name"),
        ("panel", "A", r"there is another panel 'A' above\. Give each its own name, such as with its date"),
        ("panel", "B\nC", r"holds a line break"),
        ("panel", "#REF!", r"error of the spreadsheet"),
        ("tasters", "31", r"31 tasters gave 30 answers\."),
        ("tasters", "0", r"no tasters gave 30 answers"),
        ("date", "03/04/2025", r"could be 2025-04-03 or 2025-03-04\. Write year-month-day, such as 2025-04-03"),
        ("date", "13/04/25", r"cannot? be read without guessing|that can be read without guessing"),
        ("date", "2025-02-30", r"not a day of the calendar"),
        ("date", "31.02.2025", r"not a day of the calendar"),
        ("date", "45000", r"read without guessing"),
        ("date", "yesterday", r"read without guessing"),
        ("date", "Ma 3, 2025", r"read without guessing"),
        ("blind", "yes", r"'yes' is not one of double, single and none"),
        ("blind", "dubble", r"'dubble' is not one of double, single and none\. Did you mean double\?$"),
        ("reported", "nope", r"'nope' is not one of yes and no\. Did you mean no\?$"),
        ("reported", "perhaps", r"'perhaps' is not one of yes and no"),
        ("asked", "some", r"'some' is not one of correct, all, pair and none"),
        ("planned", "thirty", r"'thirty' is not a number"),
        ("looks", "1.5", r"not a whole number"),
        ("weeks", "1,500", r"'1,500' could be 1500 or 1\.5"),
        ("hits", "3", r"triangle has no hits\. Leave the cell empty, or correct the protocol"),
    ],
)
def test_a_bad_cell_is_named_with_row_panel_column_and_remedy(column, cell, words):
    error = with_cell(column, cell)
    assert re.search(words, str(error))
    (problem,) = error.problems
    assert problem.row == 3
    assert problem.column == column
    assert problem.panel == ("B" if column != "panel" else "A" if cell == "A" else None)
    assert str(error).startswith("the text cannot be used as it is: row 3")


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (pd.Timestamp("2025-12-30"), r"spreadsheet turns fractions such as 12/30 into dates"),
        (True, r"TRUE is not a number"),
        (float("inf"), r"inf is not a finite number"),
        ([1, 2], r"is not a number"),
        (2.5, r"2.5 is not a whole number"),
        (b"8", r"is not a number"),
    ],
)
def test_a_bad_cell_of_a_frame_is_named_by_its_index(cell, words):
    table = pd.DataFrame({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30]}, index=["x", "y"])
    table["correct"] = pd.Series([8, cell], index=table.index, dtype=object)
    error = refused(table, name="my table")
    assert re.search(words, str(error))
    assert "index y, panel 'B', column 'correct'" in str(error)
    assert str(error).startswith("my table cannot")


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"asked": "", "prefer_new": 3}, r"it is not said who was asked"),
        ({"asked": "none", "prefer_old": 3}, r"3 preferences though nobody was asked"),
        (
            {"asked": "correct", "prefer_new": 6, "prefer_old": 2, "no_preference": 1},
            r"9 preferences of 8 tasters who were correct",
        ),
        ({"asked": "all", "prefer_new": 20, "no_preference": 5}, r"25 preferences of 24 answers"),
    ],
)
def test_preferences_must_fit_who_was_asked(columns, words):
    data = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 8}
    assert re.search(words, str(refused([data | columns])))
    allowed = {"asked": "correct", "prefer_new": 6, "prefer_old": 1, "no_preference": 1}
    assert len(read_panels([data | allowed])) == 1


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"hits": 51}, r"51 hits of 50 signal tastings"),
        ({"false_alarms": 41}, r"41 false alarms of 40 noise"),
        ({"hits": ""}, r"the cell is empty\. Write answers 'A' or 'different' to those"),
        ({"tasters": 91}, r"91 tasters gave 90 answers"),
        ({"tastings": 30}, r"30 tastings does not agree with signal"),
        ({"correct": 3}, r"3 correct does not agree"),
    ],
)
def test_two_count_protocols_are_checked_likewise(columns, words):
    data = {"panel": "A", "protocol": "A-not-A", "signal": 50, "hits": 30, "noise": 40, "false_alarms": 15}
    assert re.search(words, str(refused([data | columns])))
    # 30 hits and 40 - 15 rejections are right: 55 of 90
    assert len(read_panels([data | {"tastings": 90, "correct": 55}])) == 1


def test_two_count_protocols_without_their_columns_say_which():
    error = refused(HEAD + "A,same-different,24,8\n")
    assert [re.search(r"no column '(\w+)'", str(problem))[1] for problem in error.problems] == [
        "signal",
        "hits",
        "noise",
        "false_alarms",
    ]
    assert "which A-not-A and same-different need" in str(error)


def test_all_problems_are_reported_at_once_in_the_order_of_the_rows():
    text = HEAD + "A,tringle,24,30\nA,triangle,12/30,8\n,triangle,-3,4\nB,triangle,9,10\nC,triangle,9,3\n"
    error = refused(text)
    assert [(p.row, p.column) for p in error.problems] == [
        (2, "protocol"),
        (2, "correct"),
        (3, "panel"),
        (3, "tastings"),
        (4, "panel"),
        (4, "tastings"),
        (5, "correct"),
    ]
    assert "7 problems" in str(error)
    assert error.to_frame()["value"].tolist()[:4] == ["tringle", 30, "A", "12/30"]


def test_many_problems_are_cut_in_print_but_kept():
    error = refused(HEAD + "".join(f"P{i},triangle,9,10\n" for i in range(1000)))
    assert len(error.problems) == 1000
    assert "and 992 more" in str(error)
    assert len(str(error).splitlines()) < 30


def test_the_error_is_a_value_error_and_can_be_sent_between_processes():
    error = refused(HEAD + "A,triangle,9,10\n")
    assert isinstance(error, ValueError)
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.problems) == (str(error), error.problems)


# --- the table ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (HEAD, r"a header but no rows\. Write one row a panel"),
        (" \n\n \n", r"is empty"),
        (
            "panel,protocol,tastings,corect\nA,triangle,24,8\n",
            r"no column 'correct' \(how many answers were correct\)\. If 'corect' is it, rename it",
        ),
        ("panel,protocol,tastings,hits\nA,triangle,24,8\n", r"no column 'correct'.*If 'hits' is it, rename it"),
        (
            "sample,kind,a,b\nA,triangle,24,8\n",
            r"no column 'panel'.*\n.*no column 'protocol'.*'sample', 'kind', 'a' and 'b'",
        ),
        (
            "panel,protocol,n,tastings,trials,x,right\nA,triangle,24,24,24,8,8\n",
            r"columns 'x' and 'right' could each be 'correct'",
        ),
        (HEAD.strip() + ",Correct\nA,triangle,24,8,8\n", r"columns 'correct' and 'Correct' could each be 'correct'"),
        (HEAD.strip() + ",correct\nA,triangle,24,8,x\n", r"columns 'correct' and 'correct' could each be 'correct'"),
        (HEAD.strip() + ",ph,PH\nA,triangle,24,8,3,4\n", r"more than one column is called 'PH'"),
        (HEAD.strip() + ",\nA,triangle,24,8,9\n", r"column 5 has no header but holds values, the first '9' in row 2"),
        (
            "Our panels 2025\n" + HEAD + GOOD,
            r"row 1 \('Our panels 2025'\) is no header; row 2 looks like one\. Delete the rows above it",
        ),
        ("Our panels,,,\n\n,,,\n" + HEAD + GOOD, r"row 4 looks like one"),
        (HEAD + "A,triangle,24\n", r"row 2: the row has 3 cells where the header has 4\. Add the missing ones"),
        (
            HEAD + "A,triangle,24,8,late, cold\n",
            r"row 2: the row has 6 cells where the header has 4\. A name or note that holds a separator",
        ),
        (HEAD + "A,triangle,24,7,5\n", r"decimal comma must stand in quotation marks"),
        (HEAD + 'A,"triangle,24,8\n' + GOOD, r"row 2 \(line 3\): a quotation mark is left open"),
        (HEAD + 'A,"tri"angle,24,8\n', r"row 2 \(line 2\): a quotation mark"),
        (HEAD + GOOD + "B,tri\0angle,24,8\n", r"line 3 holds a NUL byte"),
        ("panel,protocol,taster,correct\nA,triangle,T1,1\n", r"one row a tasting\. Read it with read_tastings"),
    ],
)
def test_a_table_of_the_wrong_form_is_explained(text, words):
    assert re.search(words, str(refused(text)), re.S)


@pytest.mark.parametrize(
    "text", [HEAD + GOOD + ",,,\n\n", HEAD + "A,triangle,24,8,,\n", "\n" + HEAD + GOOD, "sep=,\n" + HEAD + GOOD]
)
def test_harmless_oddities_are_read(text):
    assert read_panels(text).frame["correct"].tolist() == [8]


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ([], "the table is empty"),
        ({}, "the table is empty"),
        (pd.DataFrame(), "the table is empty"),
        (b"", "the file is empty"),
        (pd.DataFrame(columns=["panel", "protocol", "tastings", "correct"]), "no rows"),
        (None, "read from NoneType"),
        (5, "read from int"),
        ({"panel": ["A", "B"], "protocol": ["triangle"]}, "do not form a table"),
        ([1, 2], "read from int"),
        ("https://example.org/panels.csv", "an address on the web"),
        (b"%PDF-1.7 ...", "a PDF document"),
        (b"\x1f\x8b\x08", "compressed"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old Excel"),
        (b"\xd0\xcf\x11\xe0" + "EncryptedPackage".encode("utf-16-le"), "has a password"),
        (b"PK\x03\x04 nonsense", "damaged"),
        (b"PAR1 nonsense PAR1", "Parquet file is damaged"),
        ("p\0.csv\n", "NUL byte"),
        ("no\0file.csv", "cannot be opened|no file"),
        ("a" * 5000, "cannot be opened"),
        (
            pd.DataFrame([[1, 2]], columns=pd.MultiIndex.from_tuples([("a", "b"), ("a", "c")])),
            "headers on several levels",
        ),
    ],
)
def test_what_is_no_table_is_said_to_be_none(source, words):
    assert re.search(words, str(refused(source)))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (
            b"panel,protocol,tastings,correct\nA\x81,triangle,24,8\n",
            r"line 2 holds the byte 0x81, which is not UTF-8.*Save it as CSV UTF-8",
        ),
        (b"\xef\xbb\xbfpanel,protocol\nA\xff", r"says it is UTF-8 with a byte-order mark but byte 20 is not"),
        ((HEAD + GOOD).encode("utf-16-le"), r"line 1 holds a NUL byte"),
        (b"\xff\xfea", r"says it is UTF-16 but byte"),
    ],
)
def test_bytes_that_are_no_text_are_located(data, words):
    assert re.search(words, str(refused(data)))


# --- files ----------------------------------------------------------------------------------------------------------


def test_a_missing_file_names_those_like_it(tmp_path):
    (tmp_path / "cider_fining.csv").write_text(HEAD + GOOD)
    assert "Did you mean 'cider_fining.csv'?" in str(refused(tmp_path / "cider_finning.csv"))
    assert "holds cider_fining.csv" in str(refused(tmp_path / "quite_another.xlsx"))
    assert "There is no folder" in str(refused(tmp_path / "nowhere" / "a.csv"))


def test_a_folder_and_an_unknown_ending_are_explained(tmp_path):
    (tmp_path / "table.csv").write_text(HEAD + GOOD)
    assert re.search(r"is a folder: give the path of one file\. It holds table.csv", str(refused(tmp_path)))
    for ending in (".xls", ".ods", ".docx", ".json"):
        path = tmp_path / f"table{ending}"
        path.write_bytes(b"x")
        assert re.search(
            rf"ends in '{ending}', which is not read\. Save the table as \.xlsx or \.csv", str(refused(path))
        )


@pytest.mark.skipif(sys.platform == "win32", reason="permissions differ")
def test_a_file_that_may_not_be_read_is_explained(tmp_path, monkeypatch):
    path = tmp_path / "a.csv"
    path.write_text(HEAD + GOOD)

    def deny(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", deny)
    assert "cannot be opened: Permission denied" in str(refused(path))


def test_an_open_file_that_cannot_be_read_is_explained(tmp_path):
    closed = io.StringIO(HEAD + GOOD)
    closed.close()
    assert "cannot be read" in str(refused(closed))
    path = tmp_path / "a.csv"
    path.write_bytes("panel,protocol,tastings,correct\nCafé,triangle,24,8\n".encode("cp1252"))
    with open(path, encoding="utf-8") as file:
        assert "Give its path instead" in str(refused(file))


# --- workbooks ------------------------------------------------------------------------------------------------------


def workbook(rows, change=None):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if change:
        change(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


ROWS = [["panel", "protocol", "tastings", "correct"], ["A", "triangle", 24, 8], ["B", "triangle", 30, 9]]


def test_a_title_merged_over_the_table_is_explained():
    data = workbook([["Salt cut, all panels"], [], *ROWS], lambda book: book.active.merge_cells("A1:D1"))
    assert "row 1 ('Salt cut, all panels') is no header; row 3 looks like one" in str(refused(data))


def test_a_header_merged_over_two_columns_is_explained():
    rows = [["panel", "protocol", "counts", None], ["A", "triangle", 24, 8]]
    words = str(refused(workbook(rows, lambda book: book.active.merge_cells("C1:D1"))))
    assert "column 4 has no header but holds values, the first 8 in row 2" in words
    assert "split a header merged over several cells" in words


def test_formulas_without_results_are_named_by_cell():
    rows = [ROWS[0], ["A", "triangle", "=20+4", "=4+4"]]
    assert "results of the formulas in C2 and D2" in str(refused(workbook(rows)))


def test_spreadsheet_errors_and_dates_made_of_fractions_are_explained():
    import datetime

    rows = [ROWS[0], ["A", "triangle", 24, "#N/A"], ["B", "triangle", datetime.datetime(2025, 12, 30), 8]]
    words = str(refused(workbook(rows)))
    assert "row 2, panel 'A', column 'correct'" in words
    assert "turns fractions such as 12/30 into dates" in words


def test_a_wrong_sheet_names_those_there_are():
    data = workbook(ROWS, lambda book: book.create_sheet("Plan"))
    assert "there is no sheet 'Panels'; the sheets are 'Sheet' and 'Plan'" in str(refused(data, sheet="Panels"))
    assert "the table is empty" in str(refused(data, sheet="Plan"))
    assert "only Excel workbooks have sheets" in str(refused(HEAD + GOOD, sheet="Plan"))
    first_is_empty = workbook([], lambda book: book.create_sheet("Panels"))
    assert "the sheets are 'Sheet' and 'Panels'; choose with sheet= (--sheet)" in str(refused(first_is_empty))


def test_a_damaged_or_other_zip_file_is_explained():
    data = workbook(ROWS)
    assert "damaged" in str(refused(data[: len(data) // 2]))
    other = io.BytesIO()
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("content.xml", "x")
    assert "a zip file but no Excel workbook" in str(refused(other.getvalue()))
    broken = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(broken, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name)[:40])
    assert "the Excel file is damaged" in str(refused(broken.getvalue()))


def test_rows_of_a_workbook_are_numbered_as_shown_there():
    rows = [ROWS[0], ROWS[1], [], [], ["C", "triangle", 9, 10]]
    assert [problem.row for problem in refused(workbook(rows)).problems] == [5]


# --- tastings -------------------------------------------------------------------------------------------------------


def tastings(rows, head="panel,protocol,taster,trial,served,answer"):
    return head + "\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (tastings(["A,triangle,T1,1,2,2", "A,triangle,T1,1,2,3"]), r"row 3.*taster 'T1' has trial 1 above already"),
        (tastings(["A,triangle,T1,1,2,2", "A,tetrad,T2,1,1+2,1+2"]), r"row 3.*panel 'A' has another protocol above"),
        (tastings(["A,triangle,,1,2,2"]), r"column 'taster': the cell is empty\. Write a code for the person"),
        (tastings(["A,triangle,T1,1,,2"]), r"column 'served': there is an answer but not what was served"),
        (
            tastings(["A,triangle,T1,1,ABB,1", "A,triangle,T2,1,BAB,3"]),
            r"'ABB' is a whole tray\. Under served write the right answer.*belongs under order",
        ),
        (tastings(["A,triangle,T1,1,417,2", "A,triangle,T2,1,862,3"]), r"answers such as '2' can never equal '417'"),
        (tastings(["A,tetrad,T1,1,1+4,1"]), r"'1' and served '1\+4' name different numbers of cups\. Join cups by \+"),
        (tastings(["A,A-not-A,T1,1,A,B"]), r"'B' is not A or not A"),
        (tastings(["A,same-different,T1,1,AB,same"]), r"'AB' is not same or different"),
        (tastings(["A,A-not-A,T1,1"], "panel,protocol,taster,correct"), r"need the columns 'served' and 'answer'"),
        (
            tastings(["A,triangle,T1"], "panel,protocol,taster"),
            r"no column 'correct'.*'served' and 'answer' would do instead",
        ),
        (tastings(["A,triangle,1"], "panel,protocol,correct"), r"no column 'taster' \(a code for the person\)"),
        (
            tastings(["A,triangle,24,8"], "panel,protocol,tastings,correct"),
            r"one row a panel\. Read it with read_panels",
        ),
        (
            tastings(["A,triangle,T1,2,2,0"], "panel,protocol,taster,served,answer,correct"),
            r"correct is False but served is '2' and answer '2'",
        ),
        (
            tastings(["A,triangle,T1,maybe"], "panel,protocol,taster,correct"),
            r"'maybe' is not one of yes, no and refused",
        ),
        (tastings(["A,triangle,T1,2"], "panel,protocol,taster,correct"), r"'2' is not one of"),
        (
            tastings(["A,triangle,T1,1,ABBA"], "panel,protocol,taster,correct,order"),
            r"'ABBA' has 4 cups; triangle has 3",
        ),
        (
            tastings(["A,triangle,T1,1,4"], "panel,protocol,taster,correct,position"),
            r"there is no cup 4; triangle has 3",
        ),
        (
            tastings(["A,triangle,T1,1,ABB,2"], "panel,protocol,taster,correct,order,position"),
            r"in 'ABB' cup 2 is not the odd one, but correct is yes",
        ),
        (
            tastings(["A,triangle,T1,0,ABB,1"], "panel,protocol,taster,correct,order,position"),
            r"in 'ABB' cup 1 is the odd one, but correct is no",
        ),
        (
            tastings(["A,triangle,T1,1,better"], "panel,protocol,taster,correct,preference"),
            r"'better' is not one of new, old and none",
        ),
        (tastings([], "panel,protocol,taster,correct"), r"a header but no rows\. Write one row a tasting"),
    ],
)
def test_a_bad_tasting_is_explained(text, words):
    assert re.search(words, str(refused(text, read_tastings)), re.S)


def test_odd_cups_that_agree_are_accepted():
    text = tastings(
        ["A,triangle,T1,1,ABB,1", "A,triangle,T2,0,ABB,3", "A,triangle,T3,1,417-862-305,2"],
        "panel,protocol,taster,correct,order,position",
    )
    assert read_tastings(text).frame["correct"].tolist() == [True, False, True]


@pytest.mark.parametrize(("row", "words"), [
    ("Mai,triangle,24", "3 cells where the header has 4. Add the missing ones"),
    ("Mai, Haus,triangle,24,12", "5 cells where the header has 4. A name or note"),
    ("Mai,triangle,24,12,", "5 cells where the header has 4, so cells may have moved"),
])  # fmt: skip
def test_a_row_with_more_or_fewer_cells_is_named_as_a_text_editor_counts_it(row, words):
    text = f"panel,protocol,tastings,correct\nApril,triangle,24,11\nMarch,triangle,24,9\n{row}\n"
    with pytest.raises(PanelsError, match=words) as caught:
        read_panels(text)
    assert {problem.row for problem in caught.value.problems} == {4}
