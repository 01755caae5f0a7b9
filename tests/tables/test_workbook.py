"""Workbooks: what a person sees in them is seen, and what no spreadsheet program writes is refused before it costs."""

import datetime as dt
import io
import re
import sys
import threading
import warnings
import zipfile

import openpyxl
import pytest
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.comments import Comment
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Font, PatternFill
from openpyxl.styles.differential import DifferentialStyle

from metasense.tables import workbook
from metasense.tables.panels import PanelsError, read_panels

ROWS = [
    ["panel", "protocol", "tastings", "correct", "weeks"],
    ["C1", "triangle", 24, 8, 1],
    ["C2", "triangle", 30, 12, 2],
    ["C3", "triangle", 20, 9, 3],
]


def saved(change=None, rows=ROWS):
    """The bytes of a workbook with these rows, after `change` was made to its worksheet."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if change:
        change(book.active)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def rewritten(data, **parts):
    """The workbook with what is in some parts replaced, each by a function of its text."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name).decode()
            change = parts.get(name.rpartition("/")[2].removesuffix(".xml"))
            new.writestr(name, change(text) if change else text)
    return out.getvalue()


def shared(data):
    """The workbook as spreadsheet programs save it: its texts in a table of their own, the cells pointing there."""
    texts = []

    def point(found):
        texts.append(found[1])
        return f't="s"><v>{len(texts) - 1}</v>'

    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name).decode()
            text = re.sub(r't="inlineStr"><is>(.*?)</is>', point, text)
            relation = 'Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings"'
            if name.endswith("workbook.xml.rels"):
                text = text.replace("</Rel", f'<Relationship {relation} Target="sharedStrings.xml" Id="rId99"/></Rel')
            new.writestr(name, text)
        items = "".join(f"<si>{text}</si>" for text in texts)
        main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        new.writestr("xl/sharedStrings.xml", f'<?xml version="1.0"?><sst xmlns="{main}">{items}</sst>')
    assert texts
    return out.getvalue()


def refused(data):
    with pytest.raises(PanelsError) as caught:
        read_panels(data)
    return caught.value


def notes(change):
    return "\n".join(read_panels(saved(change)).notes)


# --- what a person sees ---------------------------------------------------------------------------------------------


def test_hidden_rows_are_read_and_named():
    def hide(tab):
        tab.row_dimensions[3].hidden = True

    flat = rewritten(saved(hide), sheet1=lambda text: text.replace('<row r="4"', '<row r="4" ht="0" customHeight="1"'))
    read = read_panels(flat)
    assert len(read) == 3
    said = "rows 3 ('C2') and 4 ('C3') are hidden in the workbook and were read. Delete there what is not to count."
    assert said in read.notes


def test_rows_hidden_by_a_filter_are_read_and_named():
    def filter_(tab):
        tab.auto_filter.ref = "A1:E4"
        tab.auto_filter.add_filter_column(0, ["C1", "C3"])
        tab.row_dimensions[3].hidden = True

    assert "row 3 ('C2') is hidden by a filter in the workbook and was read." in notes(filter_)


def test_hidden_columns_are_read_and_named():
    def hide(tab):
        tab.column_dimensions["E"].hidden = True

    assert "column 'weeks' (E) is hidden in the workbook and was read." in notes(hide)


def test_rows_hidden_below_the_table_are_nothing_to_speak_of():
    def hide(tab):
        for row in range(5, 90):
            tab.row_dimensions[row].hidden = True

    assert "hidden" not in notes(hide)


def test_a_struck_out_row_is_refused_with_both_remedies():
    def strike(tab):
        for cell in tab[3]:
            cell.font = Font(strike=True)

    problems = refused(saved(strike)).problems
    assert [problem.row for problem in problems] == [3]
    words = "the row is struck out. Delete it if it is not to count; otherwise undo the strike-through."
    assert problems[0].message == words


def test_a_struck_out_cell_is_refused_by_its_name():
    def strike(tab):
        tab["D3"].font = Font(strike=True)

    (problem,) = refused(saved(strike)).problems
    assert (problem.row, problem.column, problem.value) == (3, "correct", 12)
    assert "'12' in D3 is struck out" in problem.message


def ruled(tab, area="A2:E3", **font):
    """Give cells a conditional format, as a person does who wants rows struck out where a cell says so."""
    rule = DifferentialStyle(font=Font(**font))
    tab.conditional_formatting.add(area, Rule(type="expression", dxf=rule, formula=["$E2>1"]))


def test_a_conditional_format_that_strikes_cells_out_is_said_with_its_place():
    said = "conditional formats of this sheet strike cells out, in {}; whether they do was not read."
    assert said.format("A2:E3") in notes(lambda tab: ruled(tab, strike=True))
    assert said.format("A2:E4 and D3:D4") in notes(
        lambda tab: [ruled(tab, area, strike=True) for area in ("A2:ZZ900", "D3:D4")]
    )


def test_a_conditional_format_that_only_colours_or_lies_elsewhere_is_nothing_to_speak_of():
    assert "conditional" not in notes(lambda tab: ruled(tab, color="FF0000"))
    assert "conditional" not in notes(lambda tab: ruled(tab, strike=False))
    assert "conditional" not in notes(lambda tab: ruled(tab, "G2:H9", strike=True))
    assert "conditional" not in notes(lambda tab: ruled(tab, "A7:E9", strike=True))


def test_a_conditional_format_that_keeps_its_own_format_and_place_is_said_too():
    # As written since 2010: ECMA-376 extension list, namespaces x14 and xm.
    rule = (
        '<extLst><ext xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main" uri="{78C0D931}">'
        '<x14:conditionalFormattings><x14:conditionalFormatting xmlns:xm="http://schemas.microsoft.com/office/excel/'
        '2006/main"><x14:cfRule type="expression" id="{1}"><xm:f>$E2&gt;1</xm:f><x14:dxf><font><strike/></font>'
        "</x14:dxf></x14:cfRule><xm:sqref>B2:C3 E4</xm:sqref></x14:conditionalFormatting></x14:conditionalFormattings>"
        "</ext></extLst></worksheet>"
    )
    data = rewritten(saved(), sheet1=lambda text: text.replace("</worksheet>", rule))
    assert "strike cells out, in B2:C3 and E4:E4" in "\n".join(read_panels(data).notes)


def test_comments_on_cells_of_the_table_are_named_by_row_with_their_first_words():
    def comment(tab):
        tab["D4"].comment = Comment("Berta:\nspilled, and tasted again with another cup", "Berta")
        tab["B2"].comment = Comment("late", "me")
        tab["J40"].comment = Comment("far from the table", "me")

    said = (
        "rows 2 ('late') and 4 ('spilled, and tasted again with anothe...') have comments in the workbook, which were "
        "not read."
    )
    assert said in notes(comment)
    assert "row 1 ('counted twice') has a comment in the workbook, which was not read." in notes(
        lambda tab: setattr(tab["D1"], "comment", Comment("counted twice", "me"))
    )
    assert "comment" not in notes(None)


def test_of_a_thread_of_comments_its_own_words_are_said():
    def comment(tab):
        tab["D3"].comment = Comment("[Threaded comment] Your version allows you to read this", "tc={1}")

    data = saved(comment)
    thread = (
        '<ThreadedComments xmlns="http://schemas.microsoft.com/office/spreadsheetml/2018/threadedcomments">'
        '<threadedComment ref="D3" personId="{1}" id="{2}"><text>not sure of this one</text></threadedComment>'
        '<threadedComment ref="D3" personId="{1}" id="{3}" parentId="{2}"><text>why?</text></threadedComment>'
        "</ThreadedComments>"
    )
    kind = "http://schemas.microsoft.com/office/2017/10/relationships/threadedComment"
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name).decode()
            if name.endswith("sheet1.xml.rels"):
                more = f'<Relationship Type="{kind}" Target="../threadedComments/t1.xml" Id="t1"/></Relationships>'
                text = text.replace("</Relationships>", more)
            new.writestr(name, text)
        new.writestr("xl/threadedComments/t1.xml", thread)
    assert "row 3 ('not sure of this one') has a comment" in "\n".join(read_panels(out.getvalue()).notes)


def test_words_struck_out_in_part_are_not_run_together():
    def strike(tab):  # 8 crossed out and 9 written behind it would read 89
        tab["D3"] = CellRichText(TextBlock(InlineFont(strike=True), "8"), TextBlock(InlineFont(), "9"))

    for data in (saved(strike), shared(saved(strike))):
        assert "'89' in D3 is struck out in part. Write only what holds." in str(refused(data))


def test_a_text_whose_every_run_is_struck_out_is_struck_out():
    def strike(tab):
        tab["A3"] = CellRichText(TextBlock(InlineFont(strike=True), "C"), TextBlock(InlineFont(strike=True), "2"))

    for data in (saved(strike), shared(saved(strike))):
        assert "'C2' in A3 is struck out. Clear the cell" in str(refused(data))


def test_shared_texts_are_read_without_phonetic_guides_and_escapes():
    phonetic = "<t>C1</t><rPh sb='0' eb='1'><t>see one</t></rPh>"
    data = rewritten(
        shared(saved()), sharedStrings=lambda text: text.replace("<t>C1</t>", phonetic).replace("C2", "C_x0032_")
    )
    assert read_panels(data).frame["panel"].tolist() == ["C1", "C2", "C3"]


@pytest.mark.parametrize(
    ("area", "names"), [("B2:B4", "B2 to B4"), ("D3:E3", "D3 to E3"), ("E1:E2", "E1 to E2"), ("E2:E4", "E2 to E4")]
)
def test_merged_cells_are_refused_and_never_filled_in(area, names):
    words = str(refused(saved(lambda tab: tab.merge_cells(area))))
    assert f"the cells {names} are merged, and only the first of them holds" in words


def test_merged_cells_without_a_value_are_nothing_to_speak_of():
    read = read_panels(saved(lambda tab: tab.merge_cells("F2:F4")))
    assert len(read) == 3


@pytest.mark.parametrize(
    ("value", "code", "shown"),
    [
        (0.1, "0%", "10%"),
        (0.125, "0%", "12.5%"),
        (0.07, "0.00%", "7%"),
        (1, "0%", "100%"),
        (10, '0"%"', "10%"),
        (0.5, "[Red]0%;-0%", "50%"),
    ],
)
def test_a_cell_in_per_cent_is_handed_on_as_it_is_shown(value, code, shown):
    def in_per_cent(tab):
        tab["D3"].value = value
        tab["D3"].number_format = code

    (problem,) = [p for p in refused(saved(in_per_cent)).problems if p.row == 3]
    assert problem.value == shown
    assert "percentage" in problem.message


def test_a_moderator_in_per_cent_is_said():
    def in_per_cent(tab):
        for row in (2, 3, 4):
            tab.cell(row, 5).value = row / 100
            tab.cell(row, 5).number_format = "0%"

    assert "3 cells in per cent: read as shown, such as '2%' in E2." in notes(in_per_cent)


def test_a_note_on_shares_has_no_more_digits_than_people_write():
    def thirds(tab):
        for row in (2, 3, 4):
            tab.cell(row, 5).value = row / 3
            tab.cell(row, 5).number_format = "0%"

    read = read_panels(saved(thirds))
    assert "such as '66.67%' in E2." in "\n".join(read.notes)
    assert "'66.67%', '100%' and '133.3%' were read in per cent" in "\n".join(read.notes)
    assert read.frame["weeks"].iloc[0] == pytest.approx(200 / 3, abs=1e-12)  # and every digit is kept


@pytest.mark.parametrize(
    "code", ["yyyy-mm-dd", "[$-F800]dddd\\,\\ d.\\ mmmm\\ yyyy", 'd"."m"."yy', "mmm-yy", "[$-409]d-mmm;@"]
)
def test_dates_in_odd_formats_stay_dates(code):
    def dated(tab):
        tab["F1"] = "date"
        tab["F2"].value = dt.datetime(2025, 3, 14)
        tab["F2"].number_format = code

    assert read_panels(saved(dated)).frame["date"].iloc[0] == dt.datetime(2025, 3, 14)


def test_a_date_counted_from_1904_is_the_day_it_shows():
    book = openpyxl.Workbook()
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book.active.append(["panel", "protocol", "tastings", "correct", "date"])
    book.active.append(["A", "triangle", 24, 8, dt.datetime(2025, 3, 14)])
    out = io.BytesIO()
    book.save(out)
    assert read_panels(out.getvalue()).frame["date"].iloc[0] == dt.datetime(2025, 3, 14)


# --- what is refused before it costs --------------------------------------------------------------------------------

BOMB = """<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">%s]>"""
LEVELS = "".join(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True))


@pytest.mark.parametrize("part", ["sheet1", "sharedStrings", "workbook", "styles", "workbook.xml.rels"])
@pytest.mark.parametrize("inside", [LEVELS, '<!ENTITY f SYSTEM "file:///etc/passwd">', ""])
def test_document_types_and_entities_are_refused(part, inside):
    def declare(text):
        return text.replace("?>", f"?>{BOMB % inside}", 1) if "?>" in text else BOMB % inside + text

    assert "declares a document type or entities of its own" in str(
        refused(rewritten(shared(saved()), **{part: declare}))
    )


def test_an_entity_nobody_declared_is_damage():
    data = rewritten(saved(), sheet1=lambda text: text.replace("<v>24</v>", "<v>&nothing;24</v>"))
    assert "the Excel file is damaged" in str(refused(data))


def test_a_small_workbook_that_unpacks_to_much_is_refused_unopened(monkeypatch):
    long = "x" * 30_000_000
    data = rewritten(
        shared(saved()), sharedStrings=lambda text: text.replace("</sst>", f"<si><t>{long}</t></si></sst>")
    )
    assert len(data) < 1_000_000

    def unpacked(*_):
        raise AssertionError("it was unpacked")

    monkeypatch.setattr(workbook.Workbook, "_read_styles", lambda _: None)
    monkeypatch.setattr(zipfile.ZipFile, "read", unpacked)
    assert "unpacks to 30 MB, more than 100 times its packed size, as no table does" in str(refused(data))


def test_a_part_larger_than_a_million_rows_need_is_refused(monkeypatch):
    monkeypatch.setattr(workbook, "BYTES", 1_000)
    assert "unpacks to 0 MB; up to 0 MB are read, which is a million rows of ten columns" in str(refused(saved()))
    assert workbook.BYTES < 2**30


def test_a_cell_longer_than_a_worksheet_can_hold_is_refused():
    long = "x" * 40_000
    data = rewritten(saved(), sheet1=lambda text: text.replace("<v>24</v>", f"<v>{long}</v>"))
    assert "a cell holds more than the 32,767 characters" in str(refused(data))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('<row r="4"', '<row r="1048577"', "more rows than a spreadsheet can hold"),
        ('<row r="4"', '<row r="1"', "damaged"),
        ('r="E4"', 'r="XFE4"', "damaged"),
        ('r="E4"', 'r="A4"', "damaged"),
        ("<v>24</v>", f"<v>{'9' * 5000}</v>", "damaged"),
    ],
)
def test_a_place_no_worksheet_has_is_refused(old, new, words):
    def change(text):
        assert old in text
        return text.replace(old, new)

    assert words in str(refused(rewritten(saved(), sheet1=change)))


def test_cells_far_to_the_right_in_every_row_are_refused():
    rows = "".join(f'<row r="{r}"><c r="XFD{r}"><v>1</v></c></row>' for r in range(5, 2_000))
    data = rewritten(saved(), sheet1=lambda text: text.replace("</sheetData>", f"{rows}</sheetData>"))
    assert "stretches over more than 25,000,000 cells" in str(refused(data))


def test_a_binary_workbook_is_named():
    data = rewritten(saved(), **{".rels": lambda text: text.replace("xl/workbook.xml", "xl/workbook.bin")})
    assert "binary Excel workbook (.xlsb)" in str(refused(data))


# --- what is the whole process's ------------------------------------------------------------------------------------


def test_reading_in_threads_leaves_the_warning_filters_alone(monkeypatch):
    # A part openpyxl warns of: catching that for this thread alone cannot be done, so nothing may warn.
    extension = (
        '<extLst><ext uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}" '
        'xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main"><x14:dataValidations count="0"/>'
        "</ext></extLst></worksheet>"
    )
    data = rewritten(saved(), sheet1=lambda text: text.replace("</worksheet>", extension))
    with pytest.warns(UserWarning, match="extension is not supported"):
        list(openpyxl.load_workbook(io.BytesIO(data), read_only=True).active.rows)
    read_panels(data)  # what is imported on first use
    caught, callers = [], []

    class Spied(warnings.catch_warnings):
        def __init__(self, *args, **options):
            callers.append(sys._getframe(1).f_globals["__name__"])
            super().__init__(*args, **options)

    def read():
        try:
            for _ in range(5):
                assert len(read_panels(data)) == 3
        except BaseException as error:
            caught.append(error)

    with monkeypatch.context() as patched:
        patched.setattr(warnings, "catch_warnings", Spied)
        threads = [threading.Thread(target=read) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert caught == []
    # pandas changes them for a moment wherever it looks at a type; what we read with does not.
    assert [name for name in callers if not name.startswith("pandas.")] == []


def coloured(*rows, colour="FFFFC7CE", whole=True):
    """The notes on colours of a workbook of eight panels in which these rows are coloured."""

    def change(sheet):
        for row in rows:
            for column in "ABCD" if whole else "D":
                sheet[f"{column}{row}"].fill = PatternFill("solid", fgColor=colour)

    many = [ROWS[0], *([f"C{i}", "triangle", 24, 8 + i, i] for i in range(8))]
    return [note for note in read_panels(saved(change, many)).notes if "coloured" in note]


def test_rows_that_are_coloured_otherwise_than_the_others_are_noted():
    assert coloured(4)[0].startswith(
        "row 4 is coloured in the workbook otherwise than the others; colours were not read."
    )
    assert coloured(4, 5)[0].startswith("rows 4 and 5 are coloured") and coloured(3, whole=False)
    assert coloured(*(row for row in range(2, 10) if row != 7))[0].startswith("row 7 is coloured")  # the odd one out


def test_stripes_headers_whole_tables_and_white_say_nothing():
    assert not coloured(2, 4, 6, 8) and not coloured(3, 5, 7, 9)
    assert not coloured(1) and not coloured(*range(2, 10)) and not coloured(4, colour="FFFFFFFF")
