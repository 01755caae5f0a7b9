"""Opening tables: pipes, large files, wide files, tables of other libraries, and the right sheet of a workbook."""

import io
import os
import subprocess
import sys
import threading
import tracemalloc
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from metasense.tables import opening as reading
from metasense.tables.opening import open_table
from metasense.tables.panels import Panels, PanelsError, Tastings, read_panels, read_table, read_tastings

TWO = "panel,protocol,tastings,correct\nA,triangle,24,8\nB,triangle,30,9\n"
TASTINGS = "panel,protocol,taster,correct\nA,triangle,T1,1\nA,triangle,T2,0\n"
TABLE = {"panel": ["A", "B"], "protocol": ["triangle"] * 2, "tastings": [24, 30], "correct": [8, 9]}
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="pipes have no path there")


def refused(source, read=read_panels, **options):
    with pytest.raises(PanelsError) as caught:
        read(source, **options)
    return str(caught.value)


# --- pipes and devices ----------------------------------------------------------------------------------------------


@POSIX
@pytest.mark.parametrize(("text", "kind"), [(TWO, Panels), (TASTINGS, Tastings)])
def test_a_pipe_handed_over_by_a_shell_is_read(text, kind):
    out, into = os.pipe()
    os.write(into, text.encode())
    os.close(into)
    try:
        read = read_table(f"/dev/fd/{out}")
    finally:
        os.close(out)
    assert type(read) is kind and len(read) == 2 and read.source == "the input"


@POSIX
@pytest.mark.parametrize("redirected", [True, False])
def test_standard_input_is_read_from_a_pipe_or_a_file(tmp_path, redirected):
    (tmp_path / "a.csv").write_text(TWO)
    code = "from metasense.tables.panels import read_table; print(len(read_table('/dev/stdin')))"
    with open(tmp_path / "a.csv") as file:
        given = {"stdin": file} if redirected else {"input": TWO}
        run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, **given)
    assert run.stdout.strip() == "2"


@POSIX
def test_a_pipe_without_a_writer_and_a_device_are_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    said = []
    thread = threading.Thread(target=lambda: said.append(refused(tmp_path / "pipe.csv")), daemon=True)
    thread.start()
    thread.join(20)
    assert said and "is a pipe or a device and no file" in said[0]
    assert "is a pipe or a device and no file" in refused("/dev/zero")


def test_what_is_open_already_is_not_opened_again():
    opened = open_table(TWO, str.isalpha)
    assert open_table(opened, str.isalpha) is opened
    assert len(read_panels(opened)) == 2


# --- large and wide -------------------------------------------------------------------------------------------------


def test_a_file_larger_than_any_table_is_refused_before_it_is_read(tmp_path):
    with open(tmp_path / "a.csv", "wb") as file:
        file.truncate(reading.BYTES + 1)
    words = refused(tmp_path / "a.csv")
    assert "it holds more than 100 MB, and a million tastings take about 40. Keep only the columns" in words


@pytest.mark.parametrize("source", [bytes, io.BytesIO, str])
def test_what_comes_from_elsewhere_may_be_no_larger(source, monkeypatch):
    monkeypatch.setattr(reading, "BYTES", 40)
    given = TWO if source is str else source(TWO.encode())
    assert "it holds more than" in refused(given)


@POSIX
def test_an_endless_input_is_refused(monkeypatch):
    monkeypatch.setattr(reading, "BYTES", 1_000_000)
    zero = os.open("/dev/zero", os.O_RDONLY)
    try:
        assert "it holds more than 1 MB" in refused(f"/dev/fd/{zero}")
    finally:
        os.close(zero)


@pytest.mark.parametrize("quote", ["", '"'])
def test_an_endless_cell_is_refused_with_or_without_quotation_marks(quote):
    words = refused(f"panel,protocol,tastings,correct,notes\nA,triangle,24,8,{quote}{'x' * 200_000}{quote}\n" + "," * 4)
    assert "a cell is longer than 131 072 characters" in words


@pytest.mark.parametrize("rows", [3, 3_000])
def test_wide_and_long_tables_are_opened_alike(rows):
    wide = pd.DataFrame({**{f"c{i}": np.arange(rows) for i in range(100)}})
    opened = open_table(wide.to_csv(index=False), lambda header: header.startswith("c"))
    assert opened.headers == list(wide)
    assert [int(cell) for cell in opened.columns[99]] == list(range(rows))
    assert list(opened.rows) == list(range(2, rows + 2))


def test_headers_are_compared_once_each_however_wide_the_table():
    asked = []

    def known(header):
        asked.append(header)
        return header in ("panel", "protocol")

    width = 20_000
    head = ",".join(["panel", "protocol", *(f"c{i}" for i in range(width))])
    body = "\n".join("A,triangle" + ",1" * width for _ in range(15))
    open_table(f"{head}\n{body}\n", known)
    assert len(asked) < 3 * width


def test_blank_rows_are_found_among_cells_of_any_kind():
    frame = pd.DataFrame({
        "panel": ["A", None, " ", "B"], "protocol": ["triangle", np.nan, "", "triangle"],
        "tastings": [24, None, None, 30], "correct": [8, pd.NA, pd.NaT, 9], "extra": [[1], None, None, {}],
    })  # fmt: skip
    opened = open_table(frame, str.isalpha)
    assert list(opened.rows) == [0, 3]


# --- tables of other libraries --------------------------------------------------------------------------------------


class OtherColumn:
    def __init__(self, cells):
        self._cells = cells

    def to_list(self):
        return self._cells


class OtherFrame:
    """A table as other libraries make them: names in ``columns``, and a column by its name."""

    def __init__(self, table):
        self.columns = list(table)
        self._table = table

    def __getitem__(self, name):
        return OtherColumn(self._table[name])

    def to_pandas(self):
        raise ModuleNotFoundError("pyarrow")


def test_a_frame_of_another_library_is_read_by_its_columns():
    read = read_panels(OtherFrame({**TABLE, "weeks": [1, None]}))
    assert read.fingerprint == read_panels({**TABLE, "weeks": [1, None]}).fingerprint


def test_an_arrow_table_is_read_and_a_name_that_stands_twice_is_not_lost():
    pa = pytest.importorskip("pyarrow")
    table = pa.table(TABLE)
    assert read_panels(table).fingerprint == read_panels(TABLE).fingerprint
    twice = table.append_column("correct", pa.array([9, 9]))
    assert "columns 'correct' and 'correct' could each be 'correct'" in refused(twice)


def test_a_frame_that_cannot_be_read_is_refused_with_a_remedy():
    class Lazy:
        columns = ("panel", "protocol")

        def collect(self):
            raise AssertionError

    words = refused(Lazy())
    assert "a table cannot be read from Lazy. Give it as a pandas DataFrame (its to_pandas() or collect()" in words


@pytest.mark.parametrize("backend", ["pyarrow", "numpy_nullable"])
def test_columns_of_any_backend_read_alike(backend):
    pytest.importorskip("pyarrow")
    frame = pd.DataFrame({**TABLE, "date": pd.to_datetime(["2025-03-14", None]), "weeks": [0.5, None]})
    assert read_panels(frame.convert_dtypes(dtype_backend=backend)).fingerprint == read_panels(frame).fingerprint


def odd_columns():
    import pyarrow as pa

    return {
        "list": pa.array([[1, 2], [3]]),
        "struct": pa.array([{"a": 1}, {"a": 2}]),
        "map": pa.array([[("a", 1)], [("b", 2)]], pa.map_(pa.string(), pa.int64())),
        "binary": pa.array([b"\xff", b"b"]),
    }


@pytest.mark.parametrize("name", ["list", "struct", "map", "binary"])
@pytest.mark.parametrize("column", ["panel", "correct", "date", "extra"])
@pytest.mark.parametrize("kept", ["parquet", "frame", "arrow"])
def test_odd_kinds_of_columns_are_refused_by_row(name, column, kept):
    assert "'" + column + "'" in refused(kept_as(kept, column, odd_columns, name))


def kept_as(kept, column, columns, name):
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    table = pa.table(TABLE)
    cells = columns()[name]
    if column in table.column_names:
        table = table.set_column(table.column_names.index(column), column, cells)
    else:
        table = table.append_column(column, cells)
    if kept == "arrow":
        return table
    if kept == "frame":
        return table.to_pandas(types_mapper=pd.ArrowDtype)
    out = io.BytesIO()
    parquet.write_table(table, out)
    return out.getvalue()


def far_dates():
    import pyarrow as pa

    late = 253_402_300_800 + 86_400  # the second day of the year 10000, in seconds
    return {
        "second": pa.array([late, 5], pa.timestamp("s")),
        "microsecond": pa.array([late * 10**6, 5], pa.timestamp("us")),
        "day": pa.array([3_000_000, 5], pa.int32()).cast(pa.date32()),
    }


@pytest.mark.parametrize("name", ["second", "microsecond", "day"])
@pytest.mark.parametrize("column", ["panel", "date", "correct", "extra"])
@pytest.mark.parametrize("kept", ["parquet", "frame"])
def test_a_date_beyond_the_year_9999_is_refused_by_row(name, column, kept):
    words = refused(kept_as(kept, column, far_dates, name))
    assert "the date or time is out of range. Write a day as year-month-day." in words


def test_a_parquet_table_with_more_cells_than_a_table_has_is_refused_unread(monkeypatch):
    parquet = pytest.importorskip("pyarrow.parquet")
    import pyarrow as pa

    rows = 10_000_000  # all alike, and so stored in next to nothing
    out = io.BytesIO()
    column = pa.array(np.zeros(rows, np.int8))
    parquet.write_table(pa.table({name: column for name in TABLE}), out)
    assert len(out.getvalue()) < 1_000_000
    monkeypatch.setattr(pd, "read_parquet", None)
    assert "the table has more than 25,000,000 cells" in refused(out.getvalue())


# --- sheets ---------------------------------------------------------------------------------------------------------


def book(**sheets):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        tab = made.create_sheet(name)
        for row in rows:
            tab.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


GOOD = [["panel", "protocol", "tastings", "correct"], ["A", "triangle", 24, 8]]
PLAN = [["panel", "date", "who"], ["A", "2025-03-14", "Rosa"]]
PROSE = [["What we want to know"], ["Is the new gelato the same?"]]


@pytest.mark.parametrize("first", [PLAN, PROSE, []])
def test_if_the_first_sheet_is_no_table_the_one_that_is_gets_named(first):
    words = refused(book(Plan=first, Gelato=GOOD, More=PROSE))
    choose = "the sheet 'Plan' was read, but 'Gelato' looks like the table; choose it with sheet='Gelato' (--sheet 'Gelato')."
    assert choose in words
    assert "sheet 'Plan'," in words.splitlines()[0]


def test_where_several_sheets_could_be_the_table_all_are_named():
    words = refused(book(Plan=PLAN, First=GOOD, Second=GOOD))
    assert "the sheet 'Plan' was read; the sheets are 'Plan', 'First' and 'Second'; choose with sheet=" in words


def test_a_sheet_that_was_chosen_is_not_asked_for_again():
    words = refused(book(First=PROSE, Second=PROSE), sheet="Second")
    assert "sheet 'Second'," in words and "choose" not in words
    words = refused(book(Plan=PLAN, Gelato=GOOD), sheet="Plan")
    assert "but 'Gelato' looks like the table" in words


def test_the_sheet_is_named_where_only_a_cell_is_wrong_and_nothing_else_is_advised():
    words = refused(book(Gelato=[GOOD[0], ["A", "triangle", 24, 25]], Other=GOOD))
    assert "sheet 'Gelato', cannot be used as it is: row 2, panel 'A'" in words
    assert "choose" not in words


def test_a_sheet_is_found_whatever_its_capitals_unless_two_are_alike(monkeypatch):
    data = book(Plan=PLAN, Gelato=GOOD)
    for name in ("gelato", "GELATO", " Gelato "):
        assert len(read_panels(data, sheet=name)) == 1
    assert "there is no sheet 'gelati'; the sheets are 'Plan' and 'Gelato'" in refused(data, sheet="gelati")


@pytest.mark.parametrize("sheet", [2, "2", " 2 "])
def test_a_sheet_is_found_by_its_number(sheet):
    assert len(read_panels(book(Plan=PLAN, Gelato=GOOD), sheet=sheet)) == 1


def test_a_sheet_called_by_a_number_comes_before_the_one_of_that_number():
    data = book(**{"2": GOOD, "Plan": PLAN})
    assert len(read_panels(data, sheet=2)) == 1
    assert "there is no sheet '3'; the sheets are '2' and 'Plan'" in refused(data, sheet="3")


@pytest.mark.parametrize(("ending", "says"), [(".nc", "metasense show"), (".toml", "metasense card check")])
def test_files_of_ours_that_are_no_tables_are_recognised(ending, says, tmp_path):
    path = tmp_path / f"ours{ending}"
    path.write_text("anything")
    words = refused(path)
    assert f"'ours{ending}'" in words and "is no table" in words and says in words


def test_a_table_of_tastings_in_a_workbook_is_recognised():
    rows = [line.split(",") for line in TASTINGS.split()]
    assert read_tastings(book(Data=rows)).frame["correct"].tolist() == [True, False]
    assert type(read_table(book(Data=rows))) is Tastings


def test_a_file_larger_than_any_table_is_refused_without_taking_it_into_memory(tmp_path):
    path = tmp_path / "large.csv"
    with open(path, "w") as file:
        file.write(TWO)
        file.truncate(200_000_000)
    tracemalloc.start()
    try:
        words = refused(path)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < 20_000_000
    assert "MB" in words


def calls(width):
    """How many functions are called while a table of so many columns is opened."""
    rng = np.random.default_rng(1)
    table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 24, "correct": [8, 9, 10]}
    frame = pd.DataFrame(table | {f"c{i}": rng.integers(0, 9, 3) for i in range(width)})
    text = frame.to_csv(index=False)
    count = 0

    def counted(frame, event, argument):
        nonlocal count
        count += event == "call"

    before = sys.getprofile()
    sys.setprofile(counted)
    try:
        read_panels(text)
    finally:
        sys.setprofile(before)
    return count


def test_twice_as_many_columns_take_about_twice_the_work():
    calls(10)  # what is imported on first use
    assert calls(2_000) < 2.4 * calls(1_000)


def small_book():
    made = openpyxl.Workbook()
    for line in TWO.split():
        made.active.append([int(cell) if cell.isdigit() else cell for cell in line.split(",")])
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def rewritten(data, change):
    """The workbook with its worksheet changed by `change`, a function of its text."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name)
            new.writestr(name, change(text.decode()) if name.endswith("sheet1.xml") else text)
    return out.getvalue()


def test_a_small_workbook_that_unpacks_to_much_is_refused_without_unpacking_it():
    data = rewritten(small_book(), lambda text: text.replace("</sheetData>", f"</sheetData><!--{'x' * 60_000_000}-->"))
    assert len(data) < 1_000_000
    tracemalloc.start()
    try:
        words = refused(data)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < 20_000_000
    assert "unpacks to 60 MB" in words


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("<v>24</v>", "<v>&nothing;24</v>"),
        lambda text: '<!DOCTYPE x [<!ENTITY a "24">]>' + text.replace("<v>24</v>", "<v>&a;</v>"),
        lambda text: '<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>' + text,
    ],
    ids=["an undefined entity", "an entity of its own", "an entity elsewhere"],
)
def test_no_entity_of_a_workbook_is_ever_resolved(change):
    words = refused(rewritten(small_book(), change))
    assert "damaged" in words or "declares a document type or entities of its own" in words


@pytest.mark.parametrize("several", [True, False])
def test_half_a_character_in_a_list_or_dict_of_rows_is_refused_by_row(several):
    row = {"panel": "A\ud800", "protocol": "triangle", "tastings": 24, "correct": 8}
    with pytest.raises(PanelsError, match=r"row 1, .*holds half a character"):
        read_panels([row] if several else {name: [cell] for name, cell in row.items()})


@pytest.mark.parametrize("several", [True, False])
def test_half_a_character_in_the_name_of_a_column_is_refused_in_words(several):
    row = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 8, "oak\ud800": 1}
    with pytest.raises(
        PanelsError, match=r"holds half a character, which was lost before it came here\. Type it again"
    ):
        read_panels([row] if several else {name: [cell] for name, cell in row.items()})


def test_a_table_that_needs_another_library_to_become_pandas_is_read_without_it():
    class Other:
        columns = ("panel", "protocol", "tastings", "correct")

        def __getitem__(self, name):
            return OtherColumn({"panel": ["A"], "protocol": ["triangle"], "tastings": [24], "correct": [8]}[name])

        def to_pandas(self):
            raise ModuleNotFoundError("pyarrow")

    assert read_panels(Other()).frame["correct"].tolist() == [8]


# --- from the terminal ----------------------------------------------------------------------------------------------


def check(*words, **options):
    return subprocess.run(
        [sys.executable, "-m", "metasense", "check", *words], capture_output=True, text=True, check=False, **options
    )


@pytest.mark.skipif(not os.path.exists("/dev/stdin"), reason="pipes have no path there")
def test_a_table_is_checked_from_standard_input():
    done = check("/dev/stdin", input=TWO)
    assert done.returncode == 0, done.stderr
    assert "2 panels" in done.stdout


def test_a_date_out_of_reach_in_parquet_ends_with_2_and_not_as_an_answer_with_warnings(tmp_path):
    pa = pytest.importorskip("pyarrow")
    from pyarrow import parquet

    late = 253_402_300_800 + 86_400  # the second day of the year 10000, in seconds
    table = pa.table({"panel": ["A"], "protocol": ["triangle"], "tastings": [24], "correct": [8],
                      "date": pa.array([late], pa.timestamp("s"))})  # fmt: skip
    parquet.write_table(table, tmp_path / "late.parquet")
    done = check(str(tmp_path / "late.parquet"))
    assert done.returncode == 2 and "the date or time is out of range" in done.stderr


@pytest.mark.lab
def test_a_card_nested_deeply_ends_with_2_or_3_and_not_as_an_answer_with_warnings(tmp_path):
    table = tmp_path / "panels.csv"
    table.write_text(TWO)
    card = tmp_path / "card.toml"
    card.write_text("x = " + "[" * 100_000)
    words = [sys.executable, "-m", "metasense", "pool", str(table), "--card", str(card)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode in (2, 3) and "Traceback" not in done.stderr
