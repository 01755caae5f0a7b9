"""Plain text as tables: encodings, separators and quotation marks. Tables are invented; bytes are those of the standards."""

import pytest

from metasense.tables.columns import PANEL_COLUMNS
from metasense.tables.delimited import CHARACTERS, from_text
from metasense.tables.headers import is_known
from metasense.tables.sheets import PanelsError

KNOWN = is_known(PANEL_COLUMNS)
TEXT = "panel,protocol,tastings,correct\nCafé,triangle,24,9\nB,tetrad,30,14\n"


def opened(data):
    return from_text(data if isinstance(data, bytes) else data.encode(), KNOWN, "table.csv")


def cells(sheet):
    return [list(column) for column in sheet.columns]


EXPECTED = [["Café", "B"], ["triangle", "tetrad"], ["24", "30"], ["9", "14"]]


@pytest.mark.parametrize(
    ("mark", "codec", "name"),
    [
        (b"", "utf-8", None),
        (b"\xef\xbb\xbf", "utf-8", "UTF-8 with a byte-order mark"),
        (b"\xff\xfe", "utf-16-le", "UTF-16"),
        (b"\xfe\xff", "utf-16-be", "UTF-16"),
        (b"\xff\xfe\x00\x00", "utf-32-le", "UTF-32"),
        (b"\x00\x00\xfe\xff", "utf-32-be", "UTF-32"),
    ],
)
def test_every_encoding_that_says_what_it_is_is_read_and_named(mark, codec, name):
    sheet = opened(mark + TEXT.encode(codec))
    assert sheet.headers == ["panel", "protocol", "tastings", "correct"] and cells(sheet) == EXPECTED
    assert sheet.notes == ([] if name is None else [f"the text is {name}."])


def test_an_encoding_that_is_not_what_it_says_is_refused_with_the_place():
    with pytest.raises(PanelsError, match="says it is UTF-8 with a byte-order mark but byte 5 is not"):
        opened(b"\xef\xbb\xbfa\xff")


def test_the_old_encoding_of_windows_is_read_and_asked_about():
    sheet = opened(TEXT.encode("cp1252"))
    assert cells(sheet) == EXPECTED
    assert (
        sheet.notes
        == [
            "line 2 holds the byte 0xE9, which is not UTF-8; read as Windows-1252 it says 'Café,triangle'. If that is wrong, "
            "save the file as CSV UTF-8."
        ]
        or "'Café,triangle" in sheet.notes[0]
    )
    with pytest.raises(
        PanelsError, match="line 1 holds the byte 0x81, which is not UTF-8, nor is the file Windows-1252"
    ):
        opened(b"\x81panel,protocol\n")


def test_damage_is_named_by_its_line():
    with pytest.raises(PanelsError, match="line 3 holds a NUL byte"):
        opened("panel,protocol\nA,triangle\nB\0,triangle\n")
    lost = opened("panel,protocol,tastings,correct\nA,triangle,24,9\nB\ufffd,triangle,24,9\n")
    assert "line 3 holds a character that was lost" in lost.notes[0]


@pytest.mark.parametrize(("separator", "name"), [(";", "semicolons"), ("\t", "tabs"), ("|", "upright bars"), (",", "")])
def test_the_separator_is_the_one_that_makes_known_headers(separator, name):
    sheet = opened(TEXT.replace(",", separator))
    assert cells(sheet) == EXPECTED
    assert sheet.notes == ([f"columns are separated by {name}."] if name else [])


def test_the_separator_may_be_named_by_the_first_line():
    sheet = opened("sep=;\n" + TEXT.replace(",", ";"))
    assert [column[-2:] for column in cells(sheet)] == EXPECTED
    assert sheet.notes[:2] == [
        "columns are separated by semicolons.",
        "the first line, 'sep=;', names the separator and is not data.",
    ]


def test_a_title_above_does_not_hide_the_separator():
    with pytest.raises(PanelsError, match=r"row 1 \('Spring, all of it'\) is no header; row 2 looks like one"):
        opened("Spring, all of it\n" + TEXT.replace(",", ";"))


@pytest.mark.parametrize(
    "text",
    [
        TEXT.replace("B,", '"B",'),
        TEXT.replace("\n", "\r\n"),
        TEXT.replace("\n", "\r"),
        TEXT + "\n\n",
        TEXT.rstrip("\n"),
        TEXT.replace(",", ", "),
    ],
)
def test_both_roads_lead_to_the_same_cells(text):
    assert [[str(cell).strip() for cell in column] for column in cells(opened(text))] == EXPECTED


def test_rows_are_counted_as_the_file_has_them():
    assert list(opened(TEXT).numbers if hasattr(opened(TEXT), "numbers") else opened(TEXT).rows) == [2, 3]


def test_a_quotation_mark_left_open_is_named_by_row_and_line():
    with pytest.raises(PanelsError, match="a quotation mark is left open or stands in the middle of a cell") as caught:
        opened(TEXT + '"C,triangle,24,9\n')
    assert "4" in str(caught.value)


def test_a_cell_may_hold_so_many_characters_and_no_more():
    def table(size):
        return f"panel,protocol,tastings,correct,notes\nA,triangle,24,9,{'x' * size}\nB,triangle,24,9,\n"

    assert len(cells(opened(table(CHARACTERS)))[4][0]) == CHARACTERS
    with pytest.raises(PanelsError, match="a cell is longer than 131 072 characters"):
        opened(table(CHARACTERS + 1))
