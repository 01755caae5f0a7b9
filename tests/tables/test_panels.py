"""The two tables: what is read, how it is said, what filters and files keep.

Expected values are written out by hand from the input beside them; rules of writing dates are those of ISO 8601.
"""

import dataclasses
import io
import re

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from metasense.protocols import PROTOCOLS
from metasense.tables.panels import (
    PANEL_COLUMNS,
    Panels,
    PanelsError,
    Tastings,
    read_panels,
    read_table,
    read_tastings,
    together,
)

CSV = """panel,protocol,tastings,correct,date,tasters,batch_pair,blind,planned,looks,reported,weeks,style,notes
C1,triangle,24,8,2025-03-04,24,A,double,24,1,yes,1.5,dry,
C2,duo-trio,20,10,2025-04-01,20,A,double,18,2,no,3,sweet,"late, cold"
C3,tetrad,22,16,,11,B,none,,,,,dry,
"""
TWO_COUNTS = """panel,protocol,signal,hits,noise,false_alarms
A1,A-not-A,50,30,50,18
S1,same-different,40,31,40,20
"""


def csv_of(**columns):
    """A good panel a row, with these columns changed or added."""
    size = len(next(iter(columns.values())))
    data = {"panel": [f"P{i}" for i in range(size)], "protocol": "triangle", "tastings": 24, "correct": 8} | columns
    return pd.DataFrame(data).to_csv(index=False)


@pytest.fixture(scope="module")
def panels():
    return read_panels(CSV)


# --- reading --------------------------------------------------------------------------------------------------------


def test_every_column_has_its_type_and_missing_stays_missing(panels):
    frame = panels.frame
    assert list(frame.columns[: len(PANEL_COLUMNS)]) == [column.name for column in PANEL_COLUMNS]
    assert frame["tastings"].tolist() == [24, 20, 22]
    assert frame["correct"].dtype == frame["planned"].dtype == frame["prefer_new"].dtype == "Int64"
    assert frame["planned"].tolist() == [24, 18, pd.NA]
    assert frame["reported"].dtype == "boolean"
    assert frame["reported"].tolist() == [True, False, pd.NA]
    assert frame["date"].tolist() == [pd.Timestamp(2025, 3, 4), pd.Timestamp(2025, 4, 1), pd.NaT]
    assert frame["weeks"].dtype == "Float64"
    assert frame["weeks"].tolist() == [1.5, 3, pd.NA]
    assert frame["notes"].tolist() == [pd.NA, "late, cold", pd.NA]
    assert frame["asked"].isna().all()
    assert panels.moderators == ("weeks", "style")


def test_a_filled_in_table_needs_no_note_but_on_its_moderators(panels):
    assert panels.notes == (
        "kept as possible moderators: 'weeks' and 'style'.",
        "more tastings than planned: C2.",
    )


def excel(rows, **save):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.mark.parametrize(
    "kind", ["csv", "tsv", "xlsx", "parquet", "frame", "records", "columns", "text", "open file", "bytes"]
)
def test_every_kind_of_source_gives_the_same_panels(kind, panels, tmp_path):
    table = panels.to_frame()
    plain = table.astype(object).where(table.notna(), None)
    path = tmp_path / f"table.{kind}"
    match kind:
        case "csv":
            path.write_text(CSV, encoding="utf-8")
        case "tsv":
            table.to_csv(path, sep="\t", index=False)
        case "xlsx":
            table.to_excel(path, index=False)
        case "parquet":
            pytest.importorskip("pyarrow")
            table.to_parquet(path)
        case "frame":
            path = table
        case "records":
            path = plain.to_dict("records")
        case "columns":
            path = plain.to_dict("list")
        case "text":
            path = CSV
        case "open file":
            path = io.StringIO(CSV)
        case "bytes":
            path = CSV.encode()
    read = read_panels(path)
    pd.testing.assert_frame_equal(read.frame, panels.frame)
    assert read.fingerprint == panels.fingerprint


@pytest.mark.parametrize(
    ("head", "column"),
    [
        ("Panel", "panel"),
        ("ID", "panel"),
        ("panel_id", "panel"),
        ("name", "panel"),
        (" TEST ", "protocol"),
        ("method", "protocol"),
        ("n", "tastings"),
        ("n_trials", "tastings"),
        ("Answers", "tastings"),
        ("X", "correct"),
        ("right", "correct"),
        ("N-correct", "correct"),
        ("assessors", "tasters"),
        ("People", "tasters"),
        ("Batch Pair", "batch_pair"),
        ("published", "reported"),
        ("Prefer-New", "prefer_new"),
        ("comments", "notes"),
        ("No preference", "no_preference"),
    ],
)
def test_other_names_of_a_column_are_understood_and_noted(head, column):
    default = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 8}
    value = default.pop(column, None) or {"reported": "yes", "batch_pair": "A", "notes": "x"}.get(
        column, 0 if "pref" in column else 20
    )
    read = read_panels([default | {head: value}])
    assert read.moderators == ()
    assert str(read.frame[column].item()) == {"yes": "True"}.get(str(value), str(value))
    spelled_out = head.strip().lower().replace(" ", "_").replace("-", "_") == column
    assert any(f"{head.strip()!r} as {column!r}" in note for note in read.notes) != spelled_out


def test_a_full_name_wins_and_the_other_column_is_kept():
    read = read_panels(csv_of(name=["x"]))
    assert read.frame["panel"].tolist() == ["P0"]
    assert read.moderators == ("name",)


def test_x_beside_the_counts_is_a_column_like_any_other():
    assert read_panels(csv_of(x=[1, 2])).moderators == ("x",)


def test_a_second_column_for_one_thing_must_say_the_same():
    read = read_panels(csv_of(n=[24, 24]))
    assert read.moderators == () and "column 'n' is not used, and agrees with 'tastings'." in read.notes
    for other in ({"n": [24, 30]}, {"right": [9, 10]}, {"test": ["duo-trio", "triangle"]}):
        with pytest.raises(PanelsError, match=r"could each be '\w+' .*, and differ. Keep or rename one"):
            read_panels(csv_of(**other))


def test_protocol_names_are_made_their_own():
    read = read_panels(csv_of(protocol=["Triangle test", "DUO TRIO", "tetrad"]))
    assert read.frame["protocol"].tolist() == ["triangle", "duo-trio", "tetrad"]
    assert "the protocol 'Triangle test' was read as 'triangle'." in read.notes
    assert not any("DUO" in note for note in read.notes)  # a matter of capitals only


def test_two_count_protocols_keep_their_four_counts():
    read = read_panels(TWO_COUNTS)
    assert read.frame[["signal", "hits", "noise", "false_alarms"]].to_numpy().tolist() == [
        [50, 30, 50, 18],
        [40, 31, 40, 20],
    ]
    assert read.frame[["tastings", "correct"]].isna().all(axis=None)
    assert "hits 30 of 50, false alarms 18 of 50" in repr(read)
    assert "180 tastings" in repr(read)
    mixed = read_panels(pd.concat([read.to_frame(), read_panels(CSV).to_frame()]))
    assert len(mixed) == 5
    assert mixed.frame["tastings"].isna().tolist() == [True, True, False, False, False]


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_separators_and_line_ends(separator, end, panels):
    text = CSV.replace('"late, cold"', "late and cold").replace(",", separator).replace("\n", end)
    read = read_panels(text)
    pd.testing.assert_frame_equal(read.frame.drop(columns="notes"), panels.frame.drop(columns="notes"))
    assert any("separated by" in note for note in read.notes) == (separator != ",")


@pytest.mark.parametrize(
    ("codec", "words"),
    [
        ("utf-8", None),
        ("utf-8-sig", "byte-order mark"),
        ("utf-16", "UTF-16"),
        ("utf-32", "UTF-32"),
        ("cp1252", "Windows-1252"),
    ],
)
def test_encodings_are_recognised_and_said(codec, words):
    text = "panel,protocol,tastings,correct,place\nCafé,triangle,24,8,Jūra\n".replace("ū", "ü")
    read = read_panels(text.encode(codec))
    assert read.frame["panel"].tolist() == ["Café"]
    assert read.frame["place"].tolist() == ["Jüra"]
    assert sum("UTF" in note for note in read.notes) == (words is not None)
    assert words is None or any(words in note for note in read.notes)
    if codec == "cp1252":
        note = next(note for note in read.notes if words in note)
        assert "line 2" in note
        assert "0xE9" in note  # é in Windows-1252
        assert "Café" in note


def test_a_decimal_comma_is_read_where_it_can_only_be_one():
    read = read_panels(
        "panel;protocol;tastings;correct;ph\nA;triangle;24,0;8;3,5\nB;triangle;30;9;0,125\nC;triangle;30;9;1,250\n"
    )
    assert read.frame["ph"].tolist() == [3.5, 0.125, 1.25]
    assert read.frame["tastings"].tolist() == [24, 30, 30]
    assert "column 'ph': '3,5' and '0,125' were read with a decimal comma." in read.notes
    assert "column 'ph': '1,250' was read with a decimal comma, as '3,5' in the same column shows." in read.notes


@pytest.mark.parametrize(
    ("cell", "count"),
    [
        ("30", 30),
        (" 30 ", 30),
        ("30.0", 30),
        ("+30", 30),
        ("1e9", 10**9),
        ("1E3", 1000),
        ("1000000000", 10**9),
        (30, 30),
        (30.0, 30),
    ],
)
def test_ways_of_writing_a_count(cell, count):
    assert read_panels([{"panel": "A", "protocol": "triangle", "tastings": cell, "correct": 1}]).frame[
        "tastings"
    ].tolist() == [count]


@pytest.mark.parametrize(
    "written",
    [
        "2025-04-03",
        "2025/4/3",
        "20250403",
        "3 April 2025",
        "Apr 3, 2025",
        "3-Apr-2025",
        "2025-04-03 00:00:00",
        pd.Timestamp("2025-04-03"),
    ],
)
def test_ways_of_writing_a_day(written):
    assert read_panels(
        pd.DataFrame({"panel": ["A"], "protocol": "triangle", "tastings": 9, "correct": 3, "date": written})
    ).frame["date"].tolist() == [pd.Timestamp(2025, 4, 3)]


def test_a_day_that_can_only_be_one_is_read_and_a_time_of_day_is_noted():
    read = read_panels(csv_of(date=["31/12/2025", "12/31/2025", "04.04.2025", "2025-12-31T19:30"]))
    assert read.frame["date"].dt.strftime("%m-%d").tolist() == ["12-31", "12-31", "04-04", "12-31"]
    assert any("without the time of day" in note for note in read.notes)


@pytest.mark.parametrize(
    ("cells", "dtype", "values"),
    [
        (["1", "2.5", ""], "Float64", [1, 2.5, pd.NA]),
        (["1", "NA", "-"], "Float64", [1, pd.NA, pd.NA]),
        (["dry", "NA", "-"], "string", ["dry", pd.NA, "-"]),
        (["007", "012", "1"], "string", ["007", "012", "1"]),
        (["TRUE", "false", ""], "boolean", [True, False, pd.NA]),
        (["3", "4", "six"], "string", ["3", "4", "six"]),
        (["1e3", "-2", ".5"], "Float64", [1000, -2, 0.5]),
        (["=1+1", "x", "<b>"], "string", ["=1+1", "x", "<b>"]),
    ],
)
def test_moderators_are_numbers_only_if_every_cell_is_one(cells, dtype, values):
    read = read_panels(csv_of(extra=cells))
    assert read.frame["extra"].dtype == dtype
    assert read.frame["extra"].tolist() == values
    missing = [cell for cell, value in zip(cells, values, strict=True) if value is pd.NA and cell]
    assert all(any(repr(cell) in note and "missing" in note for note in read.notes) for cell in missing)
    assert any("because of 'six'" in note for note in read.notes) == ("six" in cells)


@pytest.mark.parametrize("cell", ["", None, float("nan"), pd.NA, pd.NaT, "NA"])
@pytest.mark.parametrize("column", ["blind", "asked", "reported", "date", "tasters", "notes", "extra"])
def test_a_cell_without_an_answer_is_missing_in_every_column(cell, column):
    good = {
        "blind": "none",
        "asked": "none",
        "reported": "no",
        "date": "2025-01-02",
        "tasters": 9,
        "notes": "x",
        "extra": 1,
    }
    table = pd.DataFrame(
        {
            "panel": ["A", "B"],
            "protocol": "triangle",
            "tastings": 9,
            "correct": 3,
            **{k: [v, v] for k, v in good.items()},
        }
    )
    table[column] = pd.Series([good[column], cell], dtype=object)
    assert read_panels(table).frame[column].isna().tolist() == [False, True]


def test_blank_rows_are_skipped_with_their_numbers():
    rows = CSV.splitlines()
    read = read_panels("\n".join([rows[0], "", rows[1], ",,,,,,,,,,,,,", "  ", rows[2], "", ""]))
    assert read.frame["panel"].tolist() == ["C1", "C2"]
    assert "blank rows skipped: 2, 4 and 5." in read.notes


def test_row_numbers_count_as_a_spreadsheet_does():
    with pytest.raises(PanelsError) as caught:
        read_panels('panel,protocol,tastings,correct,notes\nA,triangle,9,3,"two\nlines"\n\nB,triangle,9,10,\n')
    assert [problem.row for problem in caught.value.problems] == [4]


def test_names_are_tidied_with_a_note_and_otherwise_kept_verbatim():
    odd = ["<script>alert(1)</script>", "Ünïcödé 麦酒", "'quoted'", "100% & more", "NA", "{0}", "A" * 3000]
    read = read_panels(csv_of(panel=[*odd, "  C1\u00a0"]))
    assert read.frame["panel"].tolist() == [*odd, "C1"]
    assert any("'C1'" in note and "spaces" in note for note in read.notes)


def test_one_name_in_two_unicode_forms_is_one_panel():
    with pytest.raises(PanelsError, match="another panel 'Café'"):
        read_panels(csv_of(panel=["Café", "Cafe\u0301"]))


def test_names_that_differ_in_capitals_are_kept_apart_and_noted():
    assert any("capitals" in note for note in read_panels(csv_of(panel=["c1", "C1"])).notes)


def test_a_column_that_only_numbers_the_rows_is_left_out_and_said():
    read = read_panels(pd.read_csv(io.StringIO(CSV)).to_csv())
    assert read.moderators == ("weeks", "style")
    assert any("only numbers the rows" in note for note in read.notes)


def test_the_index_of_a_frame_is_read_when_it_is_a_column():
    read = read_panels(pd.read_csv(io.StringIO(CSV)).set_index("panel"))
    assert read.frame["panel"].tolist() == ["C1", "C2", "C3"]
    assert any("index" in note for note in read.notes)


def test_stored_results_of_formulas_are_read_and_said(tmp_path):
    data = excel([["panel", "protocol", "tastings", "correct"], ["A", "triangle", 24, "=4+4"]])
    with pytest.raises(PanelsError, match=r"result of the formula in D2.*save it again"):
        read_panels(data)
    # As a spreadsheet program stores it: the formula, and beside it the value it came to.
    import zipfile

    old, path = zipfile.ZipFile(io.BytesIO(data)), tmp_path / "formula.xlsx"
    with zipfile.ZipFile(path, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            if name.endswith("sheet1.xml"):
                part = re.sub(rb"<f>4\+4</f><v ?/>|<f>4\+4</f><v></v>", b"<f>4+4</f><v>8</v>", part)
                assert b"<v>8</v>" in part
            new.writestr(name, part)
    read = read_panels(path)
    assert read.frame["correct"].tolist() == [8]
    assert "the result stored with the formula in D2 was read." in read.notes


def test_the_first_visible_sheet_is_read_and_the_others_are_named(tmp_path):
    good = [["panel", "protocol", "tastings", "correct"], ["A", "triangle", 24, 8]]
    book = openpyxl.Workbook()
    hidden, shown, other = book.active, book.create_sheet("Panels"), book.create_sheet("Plan")
    hidden.sheet_state, hidden.title = "hidden", "Key"
    for row in good:
        shown.append(row)
    for row in [good[0], ["B", "tetrad", 20, 9]]:
        other.append(row)
    book.save(tmp_path / "book.xlsx")
    read = read_panels(tmp_path / "book.xlsx")
    assert read.frame["panel"].tolist() == ["A"]
    assert "the sheet 'Panels' was read and not 'Key' and 'Plan'; choose with sheet= (--sheet)." in read.notes
    assert read_panels(tmp_path / "book.xlsx", sheet="Plan").frame["panel"].tolist() == ["B"]


def test_contents_decide_over_the_ending_of_the_name(tmp_path, panels):
    (tmp_path / "a.xlsx").write_text(CSV, encoding="utf-8")
    panels.to_frame().to_excel(tmp_path / "b.xlsx", index=False)
    (tmp_path / "b.xlsx").rename(tmp_path / "b.csv")
    for name, words in (("a.xlsx", "it holds text"), ("b.csv", "an Excel workbook")):
        read = read_panels(tmp_path / name)
        assert read.fingerprint == panels.fingerprint
        assert words in read.notes[0]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**6),
            st.integers(0, 10**6),
            st.sampled_from(sorted(PROTOCOLS)),
            st.dates(),
            st.text(max_size=8),
        ),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from([",", ";", "\t"]),
)
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read(rows, separator):
    rows = [row for row in rows if row[2] not in ("A-not-A", "same-different")]
    if not rows:
        return
    words = [re.sub(r"[^\w .!?<>&-]", "", row[4]).strip() + "x" for row in rows]
    data = pd.DataFrame(
        {
            "panel": [f"{i} {word}" for i, word in enumerate(words)],
            "protocol": [row[2] for row in rows],
            "tastings": [max(row[:2]) for row in rows],
            "correct": [min(row[:2]) for row in rows],
            "date": [row[3].isoformat() for row in rows],
        }
    )
    for read in (read_panels(data), read_panels(data.to_csv(sep=separator, index=False))):
        assert read.frame["tastings"].tolist() == data["tastings"].tolist()
        assert read.frame["correct"].tolist() == data["correct"].tolist()
        assert read.frame["date"].dt.strftime("%Y-%m-%d").str.zfill(10).tolist() == data["date"].tolist()


# --- the object -----------------------------------------------------------------------------------------------------


def test_panels_are_frozen_and_to_frame_is_a_copy(panels):
    with pytest.raises(dataclasses.FrozenInstanceError):
        panels.source = "other"
    copy = panels.to_frame()
    copy.loc[0, "correct"] = 0
    assert panels.frame["correct"].tolist() == [8, 10, 16]
    assert "asked" not in copy
    assert "asked" in panels.frame


def test_length_iteration_and_membership(panels):
    assert len(panels) == 3
    assert [(row.panel, row.correct, row.style) for row in panels] == [
        ("C1", 8, "dry"),
        ("C2", 10, "sweet"),
        ("C3", 16, "dry"),
    ]
    assert "C2" in panels
    assert "C9" not in panels


def test_indexing_by_name_keeps_the_order_asked_for(panels):
    assert panels["C2"].frame["panel"].tolist() == ["C2"]
    assert panels[["C3", "C1"]].frame["panel"].tolist() == ["C3", "C1"]
    assert panels["C2"].notes[-1] == "left out C1 and C3: only C2 asked for."


@pytest.mark.parametrize(
    ("choose", "kept", "note"),
    [
        (lambda p: p.without("C2"), ["C1", "C3"], "left out C2: set aside by name."),
        (lambda p: p.only(blind="double"), ["C1", "C2"], "left out C3: blind is not double."),
        (lambda p: p.only(protocol="Duo Trio"), ["C2"], "left out C1 and C3: protocol is not duo-trio."),
        (lambda p: p.only(style=["dry", "sweet"], reported=True), ["C1"], "left out C2 and C3: reported is not True."),
        (lambda p: p.only(date="2025-04-01"), ["C2"], None),
        (lambda p: p.only(weeks=3), ["C2"], None),
        (lambda p: p.where(lambda f: f.weeks < 2), ["C1"], "left out C2 and C3: not selected."),
        (lambda p: p.where([True, False, True], "blinded"), ["C1", "C3"], "left out C2: not blinded."),
        (lambda p: p.where(lambda f: f.tastings > 0), ["C1", "C2", "C3"], None),
    ],
)
def test_filters_keep_what_they_say_and_note_the_rest(choose, kept, note, panels):
    chosen = choose(panels)
    assert chosen.frame["panel"].tolist() == kept
    assert chosen.frame.index.tolist() == list(range(len(kept)))
    assert chosen.notes[: len(panels.notes)] == panels.notes
    assert note is None or chosen.notes[-1] == note
    assert len(panels) == 3


@pytest.mark.parametrize(
    ("choose", "words"),
    [
        (lambda p: p["C9"], r"no panel 'C9'.*'C1', 'C2' and 'C3'"),
        (lambda p: p[0], r"no panel 0"),
        (lambda p: p.without("c2"), r"no panel 'c2'"),
        (lambda p: p.without("C22"), r"Did you mean 'C2'"),
        (lambda p: p.only(blnd="double"), r"no column 'blnd'.*Did you mean 'blind'"),
        (lambda p: p.only(blind="singel"), r"nothing has 'singel' in column 'blind'.*'double' and 'none'"),
        (lambda p: p.only(asked="all"), r"nothing has 'all' in column 'asked'. It is empty"),
        (lambda p: p.without("C1", "C2", "C3"), r"nothing is left"),
        (lambda p: p.where([True]), r"one True or False for each of the 3 rows"),
        (lambda p: p.where(["x", "y", "z"]), r"one True or False"),
    ],
)
def test_filters_refuse_what_is_not_there(choose, words, panels):
    with pytest.raises(PanelsError, match=words):
        choose(panels)


def test_fingerprint_depends_on_contents_only(panels):
    frame = panels.to_frame()
    shuffled = read_panels(frame.iloc[::-1, ::-1], name="elsewhere")
    assert shuffled.fingerprint == panels.fingerprint
    assert re.fullmatch(r"[0-9a-f]{64}", panels.fingerprint)
    for column, value in (("correct", 9), ("style", "Dry"), ("notes", "late"), ("reported", False), ("weeks", 1.6)):
        changed = frame.copy()
        changed.loc[0, column] = value
        assert read_panels(changed).fingerprint != panels.fingerprint, column


def test_saving_and_reading_gives_the_same_panels(panels, tmp_path):
    panels.to_csv(tmp_path / "p.csv")
    back = read_panels(tmp_path / "p.csv")
    pd.testing.assert_frame_equal(back.frame, panels.frame)
    assert back.fingerprint == panels.fingerprint
    assert [path.name for path in tmp_path.iterdir()] == ["p.csv"]


def test_a_saved_table_runs_no_formula_and_still_reads_back(tmp_path):
    # Characters that start a formula in spreadsheets: OWASP, "CSV Injection" (= + - @, tab, carriage return).
    names = ["=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(1)", "safe; =1", "x"]
    read = read_panels(csv_of(panel=names, **{"=head": ["=1", "\t=1", "-x", "@", "a", "b"]}))
    path = read.to_csv(tmp_path / "p.csv")
    cells = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert not any(
        str(cell).startswith(("=", "+", "-", "@", "\t", "\r")) for cell in [*cells.columns, *cells.to_numpy().ravel()]
    )
    back = read_panels(path)
    assert back.frame["panel"].tolist() == names
    assert any("apostrophe" in note for note in back.notes)


def words_of(html):
    """Text of a piece of HTML, tags taken out and entities undone."""
    import html as entities

    return entities.unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ").split()


def test_text_and_html_say_the_same(panels):
    for shown in (panels, read_panels(TWO_COUNTS), panels.without("C2")):
        assert words_of(shown._repr_html_()) == repr(shown).split()
    assert "8 of 24" in repr(panels)
    assert "1/3" in repr(panels)


def test_names_are_escaped_in_html():
    read = read_panels(csv_of(panel=["<script>alert(1)</script>"]))
    assert "<script>" not in read._repr_html_()
    assert "&lt;script&gt;" in read._repr_html_()


def test_a_long_table_is_cut_and_says_so():
    read = read_panels(csv_of(panel=[f"P{i}" for i in range(500)]))
    assert "440 more panels not shown here" in repr(read)
    assert "440 more panels not shown here" in read._repr_html_()
    assert len(repr(read).splitlines()) < 75


def test_reading_what_was_read_changes_nothing(panels):
    assert read_panels(panels) is panels
    assert isinstance(panels, Panels)


@pytest.mark.lab
def test_a_hundred_thousand_panels_are_read():
    n = 100_000
    rng = np.random.default_rng(0)
    tastings = rng.integers(20, 60, n)
    data = {
        "panel": [f"P{i}" for i in range(n)],
        "tastings": tastings,
        "correct": (tastings * rng.random(n)).astype(int),
    }
    text = pd.DataFrame(data | {"protocol": "triangle", "date": "2025-03-04", "weeks": rng.random(n).round(3)}).to_csv(
        index=False
    )
    read = read_panels(text)
    assert read.frame["tastings"].sum() == tastings.sum()


# --- tastings -------------------------------------------------------------------------------------------------------

SHEET = """panel,protocol,taster,trial,correct,order,preference,weeks,served_by
A,triangle,T1,1,1,ABB,new,2,Jo
A,triangle,T1,2,0,BAA,,2,Mo
A,triangle,T2,1,yes,BAB,none,2,Jo
A,triangle,T3,1,refused,BBA,,2,Jo
B,duo-trio,T1,1,true,AAB,new,5,Jo
B,duo-trio,T2,1,False,ABA,old,5,Jo
"""


def test_tastings_become_panels_with_people_and_tastings_counted_apart():
    tastings = read_tastings(SHEET)
    read = tastings.to_panels()
    assert isinstance(tastings, Tastings)
    assert len(tastings) == 6
    columns = [
        "panel",
        "protocol",
        "tastings",
        "correct",
        "tasters",
        "refused",
        "asked",
        "prefer_new",
        "prefer_old",
        "no_preference",
    ]
    assert read.frame[columns].to_numpy().tolist() == [
        ["A", "triangle", 3, 2, 2, 1, "correct", 1, 0, 1],
        ["B", "duo-trio", 2, 1, 2, 0, "all", 1, 1, 0],
    ]
    assert read.frame["weeks"].tolist() == [2, 5]
    assert read.frame["served_by"].tolist() == [pd.NA, "Jo"]
    assert any("left empty because it varies within a panel: served_by (in A)" in note for note in read.notes)
    assert any("no answer" in note and "1 in A" in note for note in read.notes)
    assert any("tasted more than once in a panel: 1 person." in note for note in read.notes)


def test_a_moderator_of_tastings_never_takes_the_place_of_a_count():
    data = {
        "panel": "A",
        "protocol": "triangle",
        "taster": ["a", "b"],
        "correct": [1, 0],
        "tasters": 9,
        "fa": 1,
        "weeks": 3,
    }
    read = read_tastings(data).to_panels()
    assert read.frame["tasters"].tolist() == [2]
    assert read.moderators == ("weeks",)
    assert "left out because panels use the names for something else: tasters and fa." in read.notes


def test_counts_give_each_taster_in_each_panel():
    counts = read_tastings(SHEET).counts()
    assert counts.columns.tolist() == ["panel", "protocol", "taster", "r", "y"]
    assert counts.to_numpy().tolist() == [
        ["A", "triangle", "T1", 2, 1],
        ["A", "triangle", "T2", 1, 1],
        ["B", "duo-trio", "T1", 1, 1],
        ["B", "duo-trio", "T2", 1, 0],
    ]


@pytest.mark.parametrize(
    ("protocol", "served", "answer", "correct"),
    [
        ("triangle", "417", "417", True),
        ("triangle", "417", "862", False),
        ("triangle", "042", 42, True),
        ("triangle", 2, 2.0, True),
        ("2-AFC", "Left", "left", True),
        ("tetrad", "1+4", "4 + 1", True),
        ("tetrad", "1+4", "1+3", False),
        ("tetrad", "14/23", "23", True),
        ("tetrad", "1+4/2+3", "3,2", True),
        ("tetrad", "1+4/2+3", "1+2", False),
        ("tetrad", "1+4", "2+3", True),
        ("tetrad", "14/23", "41", True),
        ("tetrad", "1+4/2+3", "2+3/1+4", True),
        ("two-out-of-five", "101+202", "202+101", True),
        ("A-not-A", "A", "A", True),
        ("A-not-A", "not A", "A", False),
        ("A-not-A", "not-a", "NOT A", True),
        ("same-different", "same", "different", False),
        ("triangle", "417", "", pd.NA),
        ("triangle", "417", "refused", pd.NA),
    ],
)
def test_an_answer_is_correct_when_it_names_what_was_served_as_right(protocol, served, answer, correct):
    data = {"panel": "A", "protocol": protocol, "taster": "T1", "served": served, "answer": answer}
    assert read_tastings([data]).frame["correct"].tolist() == [correct]


def test_two_count_tastings_become_signal_and_noise():
    rows = [("A", "A")] * 5 + [("A", "not A")] * 3 + [("not A", "A")] * 2 + [("not A", "not A")] * 7 + [("not A", "")]
    data = pd.DataFrame(rows, columns=["served", "answer"]).assign(panel="X", protocol="A not A", taster=range(18))
    other = pd.DataFrame({"panel": "Y", "protocol": "triangle", "taster": ["a"], "served": "2", "answer": "2"})
    read = read_tastings(pd.concat([data, other])).to_panels()
    assert read.frame[["signal", "hits", "noise", "false_alarms"]].iloc[0].tolist() == [8, 5, 9, 2]
    assert read.frame["tastings"].tolist() == [pd.NA, 1]
    assert read.frame["tasters"].tolist() == [17, 1]


def test_tastings_filter_save_and_show_themselves(tmp_path):
    tastings = read_tastings(SHEET)
    assert len(tastings["B"]) == 2
    assert len(tastings.without("A")) == 2
    assert tastings.only(taster="T1").notes[-1] == "left out 3 tastings: taster is not T1."
    assert words_of(tastings._repr_html_()) == repr(tastings).split()
    assert "5 tastings by 2 people in 2 panels" in repr(tastings)
    back = read_tastings(tastings.to_csv(tmp_path / "t.csv"))
    assert back.fingerprint == tastings.fingerprint
    assert read_tastings(pd.read_csv(io.StringIO(SHEET)).iloc[::-1]).fingerprint == tastings.fingerprint
    assert [row.taster for row in tastings][:3] == ["T1", "T1", "T2"]
    assert tastings.moderators == ("weeks", "served_by")


def test_a_counted_panel_that_adds_up_to_the_others_is_a_panel_and_no_row_of_totals():
    answers = [("A", 1), ("A", 1), ("A", 0), ("B", 1), ("C", 1), ("D", 0)]
    rows = [
        {"panel": panel, "protocol": "triangle", "taster": f"T{at}", "correct": right}
        for at, (panel, right) in enumerate(answers)
    ]
    counted = read_tastings(rows).to_panels()
    assert counted.frame["tastings"].tolist() == [3, 1, 1, 1]
    assert counted.frame["correct"].tolist() == [2, 1, 1, 0]


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 4), st.sampled_from([0, 1, ""])), min_size=1, max_size=40))
@settings(max_examples=60, deadline=None)
def test_no_tasting_is_lost_on_the_way_to_panels(rows):
    data = pd.DataFrame(rows, columns=["panel", "taster", "correct"]).assign(protocol="triangle")
    tastings = read_tastings(data)
    read, counts = tastings.to_panels().frame.set_index("panel"), tastings.counts()
    for panel, part in data.groupby("panel"):
        answered = part[part["correct"] != ""]
        row = read.loc[str(panel)]
        assert row["tastings"] == len(answered)
        assert row["correct"] == (answered["correct"] == 1).sum()
        assert row["tasters"] == answered["taster"].nunique()
        mine = counts[counts["panel"] == str(panel)]
        assert (mine["r"].sum(), mine["y"].sum(), len(mine)) == (row["tastings"], row["correct"], row["tasters"])


@pytest.mark.lab
def test_a_million_tastings_are_read_checked_and_summarised(tmp_path):
    n = 1_000_000
    rng = np.random.default_rng(0)
    data = pd.DataFrame(
        {"panel": rng.integers(0, 40, n), "taster": rng.integers(0, 5000, n), "correct": rng.integers(0, 2, n)}
    )
    data["protocol"] = np.where(data["panel"] % 2, "triangle", "duo-trio")
    data["trial"] = data.groupby(["panel", "taster"]).cumcount() + 1
    data["order"] = rng.choice(["ABB", "BAA"], n)
    data.to_csv(tmp_path / "t.csv", index=False)
    read = read_tastings(tmp_path / "t.csv").to_panels()
    assert int(read.frame["tastings"].sum()) == n
    assert int(read.frame["correct"].sum()) == data["correct"].sum()


def test_a_clear_date_decides_how_the_others_of_its_column_are_read():
    text = "panel;protocol;tastings;correct;date\nA;triangle;24;9;02.04.2025\nB;triangle;24;9;14.03.2025\n"
    read = read_panels(text)
    assert read.frame["date"].dt.strftime("%Y-%m-%d").tolist() == ["2025-04-02", "2025-03-14"]
    assert any("day first, as '14.03.2025' in the same column must be" in note for note in read.notes)
    with pytest.raises(PanelsError, match="could be"):
        read_panels(text.replace("14.03.2025", "01.03.2025"))
    with pytest.raises(PanelsError, match="could be"):  # neighbours that disagree decide nothing
        read_panels(text + "C;triangle;24;9;03.14.2025\n")


def test_tails_of_two_counts_are_fishers_few_first():
    rows = [
        {"panel": "A", "protocol": "A-not-A", "signal": 20, "hits": 15, "noise": 20, "false_alarms": 6},
        {"panel": "B", "protocol": "triangle", "tastings": 24, "correct": 12},
        {"panel": "C", "protocol": "same-different", "signal": 18, "hits": 4, "noise": 16, "false_alarms": 9},
    ]
    few, many = read_panels(rows).tails()
    for i, (hits, missed, alarms, right) in ((0, (15, 5, 6, 14)), (2, (4, 14, 9, 7))):
        table = [[hits, missed], [alarms, right]]
        assert few[i] == pytest.approx(stats.fisher_exact(table, "less").pvalue, rel=1e-12)
        assert many[i] == pytest.approx(stats.fisher_exact(table, "greater").pvalue, rel=1e-12)
    assert [few[1], many[1]] == pytest.approx([stats.binom.cdf(12, 24, 1 / 3), stats.binom.sf(11, 24, 1 / 3)])


def test_a_reversal_is_a_count_with_a_chance_below_one_in_a_thousand():
    # SciPy's binomial: of 40 triangles 4 or fewer come by guessing with a chance of 0.0007, 5 or fewer with 0.0025
    assert stats.binom.cdf([4, 5], 40, 1 / 3) == pytest.approx([0.00065, 0.00251], abs=1e-5)
    panels = read_panels({"panel": ["four", "five"], "protocol": "triangle", "tastings": 40, "correct": [4, 5]})
    assert panels.reversals() == ("four",)


# --- what is shown, filtered and put together, in the words a reader sees -------------------------------------------


def many(n, **more):
    return read_panels(
        {"panel": [f"P{i}" for i in range(n)], "protocol": "triangle", "tastings": 24, "correct": 8} | more
    )


def test_the_first_screen_holds_twelve_rows_and_three_notes():
    shown = str(many(14, style="dry", planned=20, date="2025-03-04T19:30", tasters=12))
    assert "P11 " in shown and "P12 " not in shown.partition("Note:")[0]
    assert "2 more panels not shown here; to_frame() holds them all." in shown
    long = many(14, style="dry", planned=20, date="2025-03-04T19:30", tasters=12)
    assert shown.count("Note: ") == min(3, len(long.notes)) == 3
    more = len(long.notes) - 3
    assert (f"{more} more note{'s' if more > 1 else ''}: in_full(), or --details in a terminal." in shown) == (more > 0)
    twelve = str(many(12))
    assert "not shown" not in twelve and "more note" not in twelve and twelve.count("Note: ") == len(many(12).notes)


def test_all_notes_and_sixty_rows_are_in_the_long_form_and_every_row_in_full():
    read = many(61)
    assert "1 more panel not shown here; to_frame() holds them all." in repr(read)
    assert "P59 " in repr(read) and "P60 " not in repr(read) and "P60 " in read.in_full()
    assert "not shown" not in repr(many(60)) and "not shown" not in read.in_full()
    assert all(f"Note: {note}" in read.in_full() and note.split()[0] in repr(read) for note in read.notes)
    assert repr(read).count("Note: ") == len(read.notes) >= 1


def test_counts_of_thousands_have_their_commas_and_tasters_only_where_given():
    two = {"panel": "A", "protocol": "A-not-A", "signal": 2000, "hits": 1200, "noise": 3000, "false_alarms": 1100}
    forced = {"panel": "B", "protocol": "triangle", "tastings": 4000, "correct": 1500}
    shown = read_panels([two, forced]).overview()
    assert shown["correct"].tolist() == ["hits 1,200 of 2,000, false alarms 1,100 of 3,000", "1,500 of 4,000"]
    assert shown["guess rate"].tolist() == ["set by the taster", "1/3"] and "tasters" not in shown
    with_people = read_panels([two, forced | {"tasters": 4000}])
    assert with_people.overview()["tasters"].tolist() == [pd.NA, 4000]
    assert "2 panels, 9,000 tastings, from" in repr(with_people)


def test_marks_are_the_first_sixteen_of_a_digest_of_what_was_counted():
    import hashlib

    read = read_panels({"panel": "A", "protocol": "triangle", "tastings": 24, "correct": [8], "style": "dry"})
    text = "\x1f".join(["A", "triangle", "24", "8", *["<NA>"] * 4])
    assert read.marks == (hashlib.sha256(text.encode()).hexdigest()[:16],)


def test_a_filter_names_eight_of_the_panels_left_out():
    note = many(12).where(lambda frame: frame.index < 2).notes[-1]
    assert note == "left out P2, P3, P4, P5, P6, P7, P8, P9 and 2 others: not selected."
    asked = many(12)[[f"P{i}" for i in (*range(10), 0)]]
    assert asked.frame["panel"].tolist() == [f"P{i}" for i in range(10)]  # asked for twice is there once
    assert asked.notes[-1] == "left out P10 and P11: only P0, P1, P2, P3, P4, P5, P6, P7 and 2 others asked for."
    assert many(3)[["P0", "P1", "P2"]].notes == many(3).notes


def test_a_mask_without_an_answer_leaves_the_row_out(panels):
    assert panels.where(pd.array([True, None, True], "boolean")).frame["panel"].tolist() == ["C1", "C3"]
    with pytest.raises(PanelsError, match=r"nothing is left: not blinded\."):
        panels.where([False] * 3, "blinded")
    with pytest.raises(PanelsError, match=r"there is no column 'qqq'\. There is 'panel', 'protocol'"):
        panels.only(qqq=1)
    with pytest.raises(PanelsError, match=r"^date: |date: .*'soon'"):
        panels.only(date="soon")
    with pytest.raises(PanelsError, match=r"there is no panel 'Q9' in the text\. There is"):
        panels.without("Q9")


def test_what_is_read_already_is_handed_on_and_answers_are_never_made_of_totals(panels):
    tastings = read_tastings(SHEET)
    assert read_table(panels) is panels and read_table(tastings) is tastings and read_tastings(tastings) is tastings
    assert isinstance(read_table(CSV), Panels) and isinstance(read_table(SHEET), Tastings)
    assert read_panels(tastings).frame["correct"].tolist() == [2, 1]
    with pytest.raises(PanelsError, match=r"panels hold totals, and single answers cannot be had from them\. pool"):
        read_tastings(panels)


def test_several_tables_are_one_under_the_name_asked_for(panels):
    other = read_panels("panel,protocol,tastings,correct\nD1,triangle,24,9\n", name="d.csv")
    both = read_panels([panels, other], name="all")
    assert both.source == "all" and both.frame["panel"].tolist() == ["C1", "C2", "C3", "D1"]
    assert read_panels([panels, other]).source == "the text and d.csv"
    head, *rows = SHEET.splitlines()
    halves = ["\n".join([head, *(row for row in rows if row.startswith(panel))]) for panel in ("A,", "B,")]
    tastings = read_tastings(halves, name="evenings")
    assert tastings.source == "evenings" and len(tastings) == 6
    kinds = together([other, *halves])
    assert kinds[0] is other and len(kinds[1]) == 6
    assert (panels + other).frame["panel"].tolist() == both.frame["panel"].tolist()
    assert len(read_tastings(halves[0]) + read_tastings(halves[1])) == 6
    with pytest.raises(TypeError, match=r"Panels and Tastings do not add up to one table\. pool\(\[\.\.\.\]\) takes"):
        panels + tastings


def test_a_table_that_is_there_is_kept_unless_one_says_which_of_two_is_meant(panels, tmp_path):
    path = tmp_path / "p.csv"
    panels["C1"].to_csv(path)
    with pytest.raises(ValueError, match="append adds to the table that is there, overwrite replaces it: choose one"):
        panels.to_csv(path, append=True, overwrite=True)
    with pytest.raises(FileExistsError, match="Say append=True to add to that table, or overwrite=True to replace it"):
        panels.to_csv(path)
    assert len(read_panels(path)) == 1
    assert panels.to_csv(path, append=True) == path and len(read_panels(path)) == 3
    assert len(read_panels(panels["C2"].to_csv(path, overwrite=True))) == 1
    assert panels["C1"].add_to(path) and not panels["C1"].add_to(path)
    (tmp_path / "empty.csv").touch()
    assert panels.add_to(tmp_path / "new.csv") and len(read_panels(tmp_path / "new.csv")) == 3
    with pytest.raises(ValueError, match=r"\.csv"):
        panels.add_to(tmp_path / "p.xlsx")


def test_of_answers_and_preferences_each_is_counted_where_it_belongs():
    rows = [  # correct, preference, placebo
        (1, "new", "stated"), (1, "none", "none"), (0, "old", "stated"), ("refused", "new", "stated"), (1, "new", None),
    ]  # fmt: skip
    data = pd.DataFrame(rows, columns=["correct", "preference", "placebo"])
    data = data.assign(panel="A", protocol="triangle", taster=[f"T{i}" for i in range(5)])
    names = ["prefer_new", "prefer_old", "no_preference", "placebo_stated", "placebo_none", "asked"]
    read = read_tastings(data).to_panels()
    # the one who refused gave no answer, and so is not among those who were asked in the course of the test
    assert read.frame[names].iloc[0].tolist() == [2, 1, 1, 3, 1, "all"]
    assert any(
        note.startswith("who was asked for a preference was read off the answers: all if any") for note in read.notes
    )
    on_a_pair = read_tastings(data.assign(asked="pair")).to_panels()
    assert on_a_pair.frame[names].iloc[0].tolist() == [3, 1, 1, 3, 1, "pair"]
    assert not any("who was asked" in note for note in on_a_pair.notes)
    only_right = read_tastings(data[data["correct"] == 1]).to_panels()
    assert only_right.frame["asked"].tolist() == ["correct"]
    nobody = read_tastings(data.assign(preference=None, asked=["pair", None, None, None, None])).to_panels()
    assert "prefer_new" not in nobody.to_frame() or nobody.frame["prefer_new"].fillna(0).tolist() == [0]


def test_what_varies_within_a_panel_is_left_empty_and_each_panel_of_the_first_four_is_named():
    rows = [
        {"panel": f"P{i}", "protocol": "triangle", "taster": f"T{j}", "correct": 1, "room": j, "heat": j if i else 0}
        for i in range(6)
        for j in range(2)
    ]
    read = read_tastings(rows).to_panels()
    said = "left empty because they vary within a panel: room (in P0, P1, P2, P3 and 2 others) and heat (in P1, P2, P3,"
    assert any(note.startswith(said) and "P0" not in note[len(said) :] for note in read.notes)
    assert read.frame["heat"].tolist() == [0, *[pd.NA] * 5]
    assert read.frame["refused"].isna().all()  # nobody refused, and so nothing is said of it


def test_one_person_is_one_in_the_head_of_tastings():
    one = read_tastings({"panel": "A", "protocol": "triangle", "taster": "T1", "correct": [1]})
    assert "1 tasting by 1 person in 1 panel, from" in repr(one)
    by_name = read_tastings(
        {"panel": "A", "protocol": "triangle", "taster": ["jo@example.org", "T2"], "correct": [1, 0]}
    )
    assert len(by_name.notes) == len(one.notes) + 1 and "1" in by_name.notes[-1]


def test_values_typed_back_are_yes_no_and_iso_days_but_moderators_stay_what_they_are():
    read = read_panels(csv_of(reported=["yes", "no"], date="2025-03-04", oaked=["true", "false"]))
    typed = read.typed()
    assert typed["reported"].tolist() == ["yes", "no"] and typed["date"].tolist() == ["2025-03-04"] * 2
    assert typed["oaked"].tolist() == [True, False]
    assert read.reversals() == () and read.frame["oaked"].dtype == "boolean"


def test_the_kind_of_table_and_the_names_of_columns_are_part_of_a_fingerprint():
    base = csv_of(style=["dry", "sweet"])
    assert read_panels(base).fingerprint != read_panels(base.replace("style", "kind_")).fingerprint
    assert read_panels(base).fingerprint == read_panels(base, name="other").fingerprint
    swapped = read_panels(csv_of(style=["sweet", "dry"]))
    assert swapped.fingerprint != read_panels(base).fingerprint
