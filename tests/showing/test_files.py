"""Files appear whole or not at all, under the rights they had, and never in the place of another kind."""

import errno
import os
import stat

import pandas as pd
import pytest
from hypothesis import strategies as st

from metasense.showing.files import PAGE, PAGE_MARK, POOL, TEXT, holds, marked, new_folder, ready, replacing
from metasense.showing.tables import write_csv

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "a & b",
    "$x$",
    "\x1b[31mred",
    "one\ntwo",
    "|pipe|",
]
finite = st.floats(-1e3, 1e3)


def test_a_csv_is_replaced_only_when_that_is_said(tmp_path):
    first = pd.DataFrame({"panel": ["A"], "correct": [1]})
    second = pd.DataFrame({"panel": ["B"], "correct": [2]})
    path = write_csv(first, tmp_path / "t.csv")
    before = os.stat(path)
    assert write_csv(first, path) == path  # the same again changes nothing
    assert os.stat(path).st_ino == before.st_ino and os.stat(path).st_mtime_ns == before.st_mtime_ns
    with pytest.raises(FileExistsError, match=r"t\.csv.*Name a new one.*overwrite=True"):
        write_csv(second, path)
    assert path.read_text() == "panel,correct\nA,1\n"
    write_csv(second, path, overwrite=True)
    assert path.read_text() == "panel,correct\nB,2\n"


TABLE = pd.DataFrame({"panel": ["A"], "correct": [1]})


@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf", b"\n\n", b"sep=;\r\n"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_a_table_however_it_is_written_is_replaced_when_that_is_said(start, separator, tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(start + separator.join(["panel", "protocol", "tastings", "sample", "answer"]).encode() + b"\nA")
    write_csv(TABLE, path, overwrite=True)
    assert path.read_text() == "panel,correct\nA,1\n"


@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf", b"\n\n", b"sep=;\r\n"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize(
    "columns",
    [
        ["tray", "taster", "trial", "part", "place", "code", "sample", "panel"],
        ["panel", "protocol", "date", "taster", "trial", "Cups", '"answer"', "notes"],
    ],
)
def test_a_key_or_typed_answers_are_never_replaced(columns, separator, start, tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(before := start + separator.join(columns).encode() + b"\r\n1")
    with pytest.raises(FileExistsError, match="not a table of counts or results in plain text"):
        write_csv(TABLE, path, overwrite=True)
    assert path.read_bytes() == before


@pytest.mark.parametrize("text", ["PK\x03\x04\0\0,", "Dear diary\nmilk, eggs\n", "\n\nnotes of the evening", " \n"])
def test_what_is_no_table_is_never_replaced_by_one(text, tmp_path):
    path = tmp_path / "diary.csv"
    path.write_text(text)
    with pytest.raises(FileExistsError, match="not a table of counts or results in plain text"):
        write_csv(TABLE, path, overwrite=True)
    assert path.read_text() == text


@pytest.mark.parametrize("name", ["t.xlsx", "t.csv.gz", "t.tsv", "t"])
def test_a_csv_is_not_written_under_the_name_of_another_kind(name, tmp_path):
    with pytest.raises(ValueError, match=r"Name a file that ends in \.csv"):
        write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="devices and pipes of POSIX")
def test_devices_pipes_and_what_leads_to_them_stay_what_they_are(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "link.csv").symlink_to(tmp_path / "pipe.csv")
    reading, writing = os.pipe()
    for path in (tmp_path / "pipe.csv", tmp_path / "link.csv", f"/dev/fd/{writing}"):
        with pytest.raises(FileExistsError, match="a device or a pipe"), replacing(path, TEXT) as scratch:
            scratch.write_text("a")
    with pytest.raises(FileExistsError, match="a device or a pipe"):
        ready("/dev/zero", TEXT)  # asked only: were the refusal broken, no device may be written over
    os.close(reading)
    os.close(writing)
    assert stat.S_ISFIFO(os.stat(tmp_path / "pipe.csv").st_mode) and (tmp_path / "link.csv").is_symlink()


def test_a_file_protected_against_writing_is_left_alone(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("panel,correct")
    path.chmod(0o444)
    with pytest.raises(PermissionError, match=r"t\.csv.*protected against writing"), replacing(path, TEXT):
        pass


def test_of_two_who_make_one_new_file_the_second_is_told(tmp_path):
    path = tmp_path / "t.csv"

    def second():
        with replacing(path) as scratch:
            scratch.write_text("second")
            path.write_text("first")

    with pytest.raises(FileExistsError, match="a file of that name exists"):
        second()
    assert path.read_text() == "first" and [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_no_error_names_the_scratch_file(tmp_path, monkeypatch):
    def refuse(path, *_, **__):  # as a disk that may not be written to does, even where there is nothing to remove
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), os.fspath(path))

    monkeypatch.setattr("os.open", refuse)
    monkeypatch.setattr("os.unlink", refuse)
    with pytest.raises(OSError, match="the disk may not be written to") as caught, replacing(tmp_path / "a.txt"):
        pass
    assert "a.txt" in str(caught.value) and ".part" not in str(caught.value)


@pytest.mark.skipif(os.name != "posix", reason="locks of POSIX")
def test_what_a_killed_writer_left_goes_and_what_a_living_one_holds_stays(tmp_path):
    import fcntl

    dead, alive, other = (
        tmp_path / name for name in (".a.csv.00000000.part", ".a.csv.11111111.part", ".b.csv.0a0a0a0a.part")
    )
    for path in (dead, alive, other):
        path.write_text("half")
    with open(alive) as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / "a.csv")
        assert not dead.exists() and alive.exists() and other.exists()
    write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / "a.csv")  # nothing to write, but something to clear away
    assert not alive.exists()


def test_folders_made_for_a_new_one_that_fails_go_again_and_those_of_others_stay(tmp_path, monkeypatch):
    def fill(step):
        with new_folder(tmp_path / "mine" / "deep" / "er" / "plan") as scratch:
            (scratch / "a.txt").write_text("half")
            step()

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (tmp_path / "mine").mkdir()
    with pytest.raises(OSError, match="the disk is full"):
        fill(full)
    assert [path.name for path in tmp_path.rglob("*")] == ["mine"]
    with pytest.raises(OSError, match="the disk is full"):
        fill(lambda: (tmp_path / "mine" / "deep" / "other.txt").touch() or full())
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["deep", "mine", "other.txt"]
    monkeypatch.setattr("os.rename", full)
    with pytest.raises(OSError, match="the disk is full"):
        fill(lambda: None)
    monkeypatch.undo()
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["deep", "mine", "other.txt"]
    fill(lambda: None)
    assert (tmp_path / "mine" / "deep" / "er" / "plan" / "a.txt").read_text() == "half"


def test_a_scratch_folder_whose_making_is_stopped_goes_again(tmp_path, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("metasense.showing.files._same", stop)
    with pytest.raises(KeyboardInterrupt), new_folder(tmp_path / "deep" / "plan"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_crash_leaves_the_old_file_whole(tmp_path):
    target = tmp_path / "kept.txt"
    target.write_text("panel,correct")

    def write():
        with replacing(target, TEXT) as scratch:
            scratch.write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write()
    assert target.read_text() == "panel,correct"
    assert list(tmp_path.iterdir()) == [target]


def test_a_missing_folder_is_named(tmp_path):
    with (
        pytest.raises(FileNotFoundError, match=r"there is no folder .*absent.*Make it first"),
        replacing(tmp_path / "absent" / "x"),
    ):
        pass
    with pytest.raises(IsADirectoryError, match="Name a file in it"), replacing(tmp_path):
        pass


SHOWN, OTHER = "0123456789abcdef", "fedcba9876543210"


@pytest.mark.parametrize(("kind", "start"), [(PAGE, f"<head>{PAGE_MARK}"), (POOL, "CDF\x02\0\0\0\0 metasense_format")])
def test_a_file_of_ours_that_shows_more_than_is_written_stays_until_overwriting_is_said(kind, start, tmp_path):
    path = tmp_path / f"old{kind.endings[0]}"
    path.write_text(f'{start} {"x" * 2**20} content="{marked([SHOWN])}">')
    assert ready(path, kind.of(OTHER, SHOWN)) == path  # the same, and one more
    with pytest.raises(
        FileExistsError, match=r"old\..*of panels not all in this pool\. Name a new one, or say overwrite="
    ):
        ready(path, kind.of(OTHER))
    path.write_text(f'{start} content="{marked([SHOWN, OTHER])}">')
    with pytest.raises(FileExistsError, match="not all in this pool"):
        ready(path, kind.of(SHOWN))
    assert ready(path, kind) == path


@pytest.mark.parametrize("at", [2**20 - 13, 2**20, 2**22 - 3, 2**22])
def test_of_a_file_without_a_list_of_panels_the_sum_of_its_data_is_found_wherever_it_stands(at, tmp_path):
    path = tmp_path / "old.html"
    page = bytearray(f"<head>{PAGE_MARK}".encode().ljust(5 * 2**20, b" "))
    page[at : at + len(SHOWN)] = SHOWN.encode()
    path.write_bytes(page)
    assert ready(path, PAGE.of(OTHER, SHOWN)) == path
    with pytest.raises(FileExistsError, match="not all in this pool"):
        ready(path, PAGE.of(OTHER))


def test_no_more_of_a_file_is_read_than_tells_what_it_is(tmp_path):
    path = tmp_path / "old.html"
    path.write_text(f"<head>{PAGE_MARK}" + "x" * 10**6)
    with open(path, "rb") as file:
        assert PAGE.tells(file) and file.tell() < 10_000
    path.write_bytes(b"\0" + b"x" * 10**7)
    with open(path, "rb") as file:
        assert not TEXT.tells(file) and file.tell() < 2 * 2**20


def test_a_page_of_the_first_version_is_known_though_it_has_no_mark(tmp_path):
    head = (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
        "form-action 'none'\">\n"
    )
    path = tmp_path / "first.html"
    path.write_text(f"{head}<dt>fingerprint of the data (SHA-256)</dt>\n<dd>{SHOWN}</dd>")
    assert ready(path, PAGE.of(SHOWN)) == path
    path.write_text(f"{head}<p>somebody's own</p>")
    with pytest.raises(FileExistsError, match="not a page that metasense wrote"):
        ready(path, PAGE)


@pytest.mark.parametrize(
    ("kind", "name", "says"),
    [
        (PAGE, "rep.pdf", r"pages are written as HTML. Name a file that ends in .html or .htm"),
        (PAGE, "rep.docx", r"\.html or \.htm"),
        (PAGE, "rep.txt", r"\.html or \.htm"),
        (POOL, "pool.csv", r"pools are saved as netCDF. Name a file that ends in .nc"),
        (POOL, "pool.xlsx", r"ends in \.nc"),
    ],
)
def test_a_name_that_promises_another_kind_of_file_is_refused(kind, name, says, tmp_path):
    with pytest.raises(ValueError, match=f"{name}.*{says}"):
        ready(tmp_path / name, kind)
    for fine in (*kind.endings, kind.endings[0].upper(), ""):
        assert ready(tmp_path / f"rep{fine}", kind)


@pytest.mark.parametrize("name", ["a\0b", "half \ud800 a character", "n" * 400, "n" * 400 + "/a"])
def test_a_name_that_no_file_can_have_is_refused_in_words(name, tmp_path):
    def folder():
        with new_folder(tmp_path / name):
            pass

    for write in (lambda: ready(tmp_path / name, PAGE), lambda: holds(tmp_path / name, b""), folder):
        with pytest.raises(OSError, match=r"^cannot write '.*(name is too long|no file can have that name)"):
            write()
