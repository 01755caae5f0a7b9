"""The file of a saved pool: byte for byte as its format says, read back by another reader, refused where it is not so.

Other readers are SciPy's and netCDF4's; the layout is that of the NetCDF Classic Format Specification (OGC 10-092r3).
"""

import hashlib
import json
import struct

import netCDF4
import numpy as np
import pytest
from scipy.io import netcdf_file

from metasense.results import container
from metasense.results.container import CutShort, Damaged, Variable, entries, is_whole, of_words, pack, to_words, unpack

ABOUT = {"title": "Two", "note": "café"}
NUMBERS = Variable(("row", "column"), np.arange(6.0).reshape(2, 3), {"units": "steps"})
WHOLE = Variable(("row",), np.array([3, -4], np.int32))
WORDS = of_words("name", "row", ["a", "café"], {"kept_as": "str"})
DATA = pack(ABOUT, {"x": NUMBERS, "n": WHOLE, "name": WORDS})


def sealed(data):
    """The same with the right sum."""
    return bytes(data[:-64]) + hashlib.sha256(bytes(data[:-64])).hexdigest().encode()


def changed(place, new):
    data = bytearray(DATA)
    data[place : place + len(new)] = new
    return sealed(data)


def test_what_is_packed_comes_back():
    about, variables = unpack(DATA)
    assert about == ABOUT and list(variables) == ["x", "n", "name"]
    assert variables["x"].values.tolist() == NUMBERS.values.tolist() and variables["x"].axes == ("row", "column")
    assert variables["x"].about == {"units": "steps"} and variables["n"].values.tolist() == [3, -4]
    assert variables["x"].values.dtype == float and to_words(variables["name"]) == ["a", "café"]
    assert is_whole(DATA) and not is_whole(DATA[:-1]) and not is_whole(b"") and not is_whole(DATA[-64:])


def test_other_readers_find_the_same(tmp_path):
    path = tmp_path / "two.nc"
    path.write_bytes(DATA)
    with netcdf_file(path, mmap=False) as file:
        assert file.version_byte == 2 and file.title == b"Two"
        assert file.variables["x"][:].tolist() == NUMBERS.values.tolist() and file.variables["x"].units == b"steps"
        assert file.variables["n"][:].tolist() == [3, -4]
    with netCDF4.Dataset(path) as file:
        assert file.variables["name"][:].tolist() == ["a", "café"]  # by the encoding it states
        assert list(file.dimensions) == ["row", "column", "name_letters", "contents_sha256_letters"]


def test_sizes_that_are_not_multiples_of_four_are_filled_up():
    for size in (1, 2, 3, 4, 5):
        word = Variable(("letters",), np.frombuffer(b"abcde"[:size], "S1"))
        _, variables = unpack(pack({"t" * size: "u" * size}, {"v" * size: word, "after": WHOLE}))
        assert variables["v" * size].values.tobytes() == b"abcde"[:size] and variables["after"].values.tolist() == [
            3,
            -4,
        ]


def test_axes_have_one_length_and_some():
    with pytest.raises(ValueError, match="axis 'row' of 'y' cannot be 3 long"):
        pack({}, {"x": NUMBERS, "y": Variable(("row",), np.zeros(3))})
    with pytest.raises(ValueError, match="axis 'row' of 'y' cannot be 0 long"):
        pack({}, {"y": Variable(("row",), np.zeros(0))})


def test_entries_are_counted_as_the_reader_counts_them():
    # axes row, column and name_letters; 2 texts; 3 variables with 1, 0 and 2 texts; the sum with its axis and text
    assert entries(ABOUT, {"x": NUMBERS, "n": WHOLE, "name": WORDS}) == 3 + 2 + 3 + 3 + 3
    read = container._Reader(DATA)
    read.at = 8
    for _ in range(read.head(10)):
        read.name(), read.whole()
    read.about()
    for _ in range(read.head(11)):
        read.name()
        for _ in range(read.whole()):
            read.whole()
        read.about()
        read.take(16)
    assert read.entries == 14


@pytest.mark.parametrize(
    "words", [["a", "bb", ""], ["only"], [""], [], ["a\0b", "c"], ["half \ud800"], ["x" * 70_000, *"yyyyyyyyyy"]]
)
def test_words_come_back_however_odd(words):
    stored = of_words("name", "row", words, {"kept_as": "str"})
    if words:
        _, variables = unpack(pack({}, {"name": stored}))
        stored = variables["name"]
    assert to_words(stored) == words and stored.about["kept_as"] == "str"


def test_words_are_a_table_of_letters_unless_that_takes_eight_times_their_own_room(monkeypatch):
    # of n words, one of m letters and the others of one: m n against 8 (m + n - 1) + 65,536
    def is_table(m, n):
        return of_words("w", "row", ["x" * m, *["y"] * (n - 1)], {}).values.ndim == 2

    assert is_table(1000, 74) and not is_table(1000, 75)
    assert 1000 * 74 <= 8 * 1073 + 65_536 < 1000 * 75


@pytest.mark.parametrize(
    ("variable", "says"),
    [
        (NUMBERS, "numbers in place of words"),
        (Variable(("a",), np.frombuffer(b"abc", "S1")), "no table of letters"),
        (Variable(("a",), np.frombuffer(b'{"a":1}', "S1"), {"written_as": "JSON"}), "not one of words"),
        (Variable(("a",), np.frombuffer(b'["a",1]', "S1"), {"written_as": "JSON"}), "not one of words"),
    ],
)
def test_what_is_no_words_is_refused(variable, says):
    with pytest.raises(Damaged, match=says):
        to_words(variable)
    assert json.loads(b'["a"]') == to_words(Variable(("a",), np.frombuffer(b'["a"]', "S1"), {"written_as": "JSON"}))


@pytest.mark.parametrize("end", [4, 8, 20, 60, 200])
def test_a_header_that_ends_too_soon_is_cut_short(end):
    with pytest.raises((CutShort, Damaged)):
        unpack(DATA[:end])


def test_numbers_that_end_too_soon_are_cut_short_by_what_is_stated():
    with pytest.raises(CutShort) as caught:
        unpack(DATA[:-1])
    assert caught.value.args[0] == len(DATA)


AXIS = DATA.index(b"row\0") + 4  # the length of the first axis
FIRST = DATA.index(b"\0\0\0\x01x\0\0\0")  # the first variable: its name, its axes


@pytest.mark.parametrize(
    ("place", "new", "says"),
    [
        (0, b"CDF\x01", "not such a file"),
        (4, b"\0\0\0\x01", "not such a file"),  # records
        (8, struct.pack(">i", 11), "something else in place of a list"),
        (12, struct.pack(">i", 500_001), "too long a list"),
        (12, struct.pack(">i", -1), "a length below 0"),
        (AXIS, struct.pack(">i", 0), "an axis of no length"),
        (FIRST + 8, struct.pack(">i", 0), "too many axes"),
        (FIRST + 8, struct.pack(">i", 9), "too many axes"),
        (FIRST + 12, struct.pack(">i", 4), "an axis that is not there"),
        (FIRST + 12, struct.pack(">i", -1), "a length below 0"),
        (DATA.index(b"\0\0\0\x05title") + 12, struct.pack(">i", 4), "a number in place of a text"),
        (DATA.index(b"\0\0\0\x01n\0\0\0") + 4, b"x", "two things of one name"),
    ],
)
def test_what_is_not_as_the_format_says_is_refused(place, new, says):
    with pytest.raises(Damaged, match=says) as caught:
        unpack(changed(place, new))
    assert not isinstance(caught.value, CutShort)


def test_variables_may_not_overlap_nor_begin_before_the_file():
    at = DATA.index(struct.pack(">iI", 6, 48)) + 8  # where the numbers of x begin
    start = struct.unpack(">q", DATA[at : at + 8])[0]
    assert DATA[start : start + 48] == NUMBERS.values.astype(">f8").tobytes()
    with pytest.raises(Damaged, match="a kind of number that is not written"):
        unpack(changed(at, struct.pack(">q", -8)))
    with pytest.raises(Damaged, match="a kind of number that is not written"):
        unpack(changed(at - 8, struct.pack(">i", 3)))
    same = {f"v{i}": Variable(("long",), np.zeros(400)) for i in range(3)}
    data = bytearray(pack({}, same))
    first = data.index(struct.pack(">iI", 6, 3200)) + 8
    for _ in range(2):  # all three at the place of the first, and the file as much shorter
        where = data.index(struct.pack(">iI", 6, 3200), first) + 8
        data[where : where + 8] = data[first : first + 8]
        first = where
    del data[-64 - 6400 : -64]
    end = data.index(struct.pack(">iI", 2, 64)) + 8
    data[end : end + 8] = struct.pack(">q", len(data) - 64)
    with pytest.raises(Damaged, match="variables that overlap"):
        unpack(sealed(data))


def test_lists_may_be_so_long_and_no_longer(monkeypatch):
    count = entries(ABOUT, {"x": NUMBERS, "n": WHOLE, "name": WORDS})
    monkeypatch.setattr(container, "MOST_ENTRIES", count)
    assert unpack(DATA)
    monkeypatch.setattr(container, "MOST_ENTRIES", count - 1)
    with pytest.raises(Damaged, match="too long a list"):
        unpack(DATA)
