"""What opening a table must not cost, and what is no table, as a user meets it."""

import io
import os
import subprocess
import sys
import tracemalloc
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pytest

from metasense.tables.panels import PanelsError, read_panels

CSV = "panel,protocol,tastings,correct\nA,triangle,24,8\nB,triangle,30,9\n"


def refused(source):
    with pytest.raises(PanelsError) as caught:
        read_panels(source)
    return str(caught.value)


def test_a_file_larger_than_any_table_is_refused_without_taking_it_into_memory(tmp_path):
    path = tmp_path / "large.csv"
    with open(path, "w") as file:
        file.write(CSV)
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


def book():
    made = openpyxl.Workbook()
    for line in CSV.split():
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
    data = rewritten(book(), lambda text: text.replace("</sheetData>", f"</sheetData><!--{'x' * 60_000_000}-->"))
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
    words = refused(rewritten(book(), change))
    assert "damaged" in words or "declares a document type or entities of its own" in words


class OtherColumn:
    def __init__(self, cells):
        self._cells = cells

    def to_list(self):
        return self._cells


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
    done = check("/dev/stdin", input=CSV)
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


def test_a_card_nested_deeply_ends_with_2_or_3_and_not_as_an_answer_with_warnings(tmp_path):
    table = tmp_path / "panels.csv"
    table.write_text(CSV)
    card = tmp_path / "card.toml"
    card.write_text("x = " + "[" * 100_000)
    words = [sys.executable, "-m", "metasense", "pool", str(table), "--card", str(card)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode in (2, 3) and "Traceback" not in done.stderr
