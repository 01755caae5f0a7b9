"""Numbers in cells: what is read, what is refused and with which words. What a cell means is written beside it."""

import datetime as dt
from decimal import Decimal

import numpy as np
import pytest

from metasense.tables.cells import Reading, Wrong
from metasense.tables.numbers import (
    MOST,
    all_gravities,
    all_percent,
    counts_of_share,
    decimal_marks,
    is_numeric,
    number,
    whole,
)

COMMA = {",": (True, "0,5")}
DOTS_GROUP = {".": (False, "12.500,5")}


@pytest.mark.parametrize(
    ("cell", "value"),
    [("12", 12), ("+12", 12), (" 12 ", 12), ("30.0", 30), ("1e3", 1000), (12, 12), (12.0, 12), (np.int64(7), 7),
     (Decimal("7.0"), 7), ("0", 0), (MOST, 2**53), ("", None), (None, None), ("n/a", None), (float("nan"), None)],
)  # fmt: skip
def test_counts_are_read(cell, value):
    assert whole(cell, Reading()) == value
    assert value is None or type(whole(cell, Reading())) is int


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (True, "TRUE is not a number. Write the number"),
        (float("inf"), "inf is not a finite number"),
        (dt.date(2025, 12, 30), "2025-12-30 is a date or time; a spreadsheet turns fractions such as 12/30 into dates"),
        (dt.timedelta(1), "is a date or time"),
        ("-1", "-1 is negative. A count is 0 or more"),
        ("12.5", "12.5 is not a whole number. Write the count itself, not an average or a share"),
        (MOST + 1, "is too large for a count. Check the digits"),
        ("1.000", "'1.000' could be 1000 or 1. Write it without a separator of thousands"),
        ("1,250", "'1,250' could be 1250 or 1.25. Write it without a separator of thousands"),
        ("1.000.000", "'1.000.000' has separators of thousands. Write it without them"),
        ("1 000", "'1 000' has separators of thousands"),
        ("45 %", "'45 %' is a percentage. Write the count itself"),
        ("12/30", "'12/30' is two numbers in one cell. Put 12 and 30 in columns of their own"),
        ("12 out of 30", "is two numbers in one cell. Put 12 and 30"),
        ("#REF!", "#REF! is an error of the spreadsheet. Correct the formula and save again"),
        ("-inf", "'-inf' is not a number that can be used, as it is infinite. Write it in digits"),
        ("twelve", "'twelve' is not a number. Write it in digits"),
        ("x" * 70, f"'{'x' * 60}' is not a number"),
    ],
)
def test_what_is_no_count_is_refused_in_words(cell, words):
    with pytest.raises(Wrong) as caught:
        whole(cell, Reading())
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("cell", "reading", "value", "note"),
    [
        ("0.5", {}, 0.5, ""),
        ("-.5", {}, -0.5, ""),
        ("0,5", {}, 0.5, "was read with a decimal comma"),
        ("1e-3", {}, 0.001, ""),
        ("12,5", {"marks": COMMA}, 12.5, "was read with a decimal comma"),
        ("1,250", {"marks": COMMA}, 1.25, "was read with a decimal comma, as '0,5' in the same column shows"),
        ("1.250", {"marks": DOTS_GROUP}, 1250, "was read with a point that divides thousands, as '12.500,5' in the same column shows"),
        ("1.250", {"marks": {".": (True, "0.5")}}, 1.25, "was read with a decimal point, as '0.5' in the same column shows"),
        ("1.048", {"gravities": True}, 1.048, "was read with a decimal point, as specific gravities are written"),
        ("12.500,5", {"marks": DOTS_GROUP}, 12500.5, "was read without the marks that divide thousands"),
        ("1,250,000.5", {"marks": {",": (False, "1,250,000.5")}}, 1250000.5, "was read without the marks that divide thousands"),
        ("1.000.000", {"marks": DOTS_GROUP}, 1e6, "was read without the marks that divide thousands"),
        ("45 %", {"percent": True}, 45, "was read in per cent"),
        (0.25, {}, 0.25, ""),
        (Decimal("0.25"), {}, 0.25, ""),
    ],
)  # fmt: skip
def test_numbers_are_read_as_their_column_shows_they_are_meant(cell, reading, value, note):
    given = Reading(**reading)
    assert number(cell, given) == pytest.approx(value)
    assert list(given.earned) == ([note] if note else [])


@pytest.mark.parametrize(
    ("cell", "reading", "words"),
    [
        ("1,000", {}, "'1,000' could be 1000 or 1, and no other cell of the column shows which. Write 1000, or 1.0"),
        ("1.500", {}, "'1.500' could be 1500 or 1.5, and no other cell of the column shows which. Write 1500, or 1.5"),
        ("1.250", {}, "Write 1250, or 1.25"),
        ("1.234", {}, "Write 1234, or 1.2340"),
        ("0,5", {"marks": {",": (False, "1,000.5")}}, "'0,5' has a decimal comma, but in '1,000.5' commas divide thousands. Write both without commas"),
        ("1.000.000", {"marks": {".": (True, "0.5")}}, "'1.000.000' has separators of thousands"),
        ("1 000", {}, "'1 000' has separators of thousands. Write it without them"),
        ("45 %", {}, "'45 %' has a % sign, and other cells of the column have none. Write all of them alike"),
        ("1e400", {}, "'1e400' is not a number" ),
        ("1e-350", {}, "1e-350 is too small to be kept. Check the digits"),
        ("1e308", {}, None),
        ("9e308", {}, "9e308 is too large to be kept. Check the digits"),
        (float("-inf"), {}, "-inf is not a finite number"),
    ],
)  # fmt: skip
def test_numbers_that_could_be_two_or_none_are_refused(cell, reading, words):
    if words is None:
        assert number(cell, Reading(**reading)) == 1e308
        return
    if cell == "1e400":
        words = "1e400 is too large to be kept"
    with pytest.raises(Wrong) as caught:
        number(cell, Reading(**reading))
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("values", "found"),
    [
        (["0.5", "1.000"], {".": (True, "0.5")}),
        (["0.250"], {".": (True, "0.250")}),
        (["12.500,5"], {".": (False, "12.500,5"), ",": (True, "12.500,5")}),
        (["1.000.000"], {".": (False, "1.000.000")}),
        (["1,000.5"], {",": (False, "1,000.5"), ".": (True, "1,000.5")}),
        (["1.000"], {}),
        (["0.5", "1.000.000"], {}),  # they disagree
        (["5%", "0,5%"], {",": (True, "0,5")}),
        ([0.5, None, "x"], {}),
        (["1,5e3"], {",": (True, "1,5e3")}),
    ],
)
def test_a_column_shows_what_its_points_and_commas_are_for(values, found):
    assert decimal_marks(values) == found


@pytest.mark.parametrize(
    ("values", "expected"),
    [(["5%", "10 %"], True), (["5%", "0"], True), (["5%", "7"], False), (["5%", None, ""], True), (["5", "0"], False),
     (["0"], False), ([5, 10], False), (["a%b", "0"], False)],
)  # fmt: skip
def test_a_column_is_in_per_cent_where_every_number_but_zero_says_so(values, expected):
    assert all_percent(values) == expected


@pytest.mark.parametrize(
    ("values", "expected"),
    [(["1.048", "0.998", None, "1"], True), (["1.399"], True), (["1.4"], False), (["0.599"], False), (["0.6"], True),
     (["1048"], False), (["2"], False), ([1.05], True)],
)  # fmt: skip
def test_specific_gravities_lie_near_that_of_water(values, expected):
    assert all_gravities(values) == expected


@pytest.mark.parametrize(
    ("cell", "how", "of", "counts"),
    [
        ("45", "percent", 60, [27]),
        ("33.3", "percent", 30, [10]),
        ("33", "percent", 200, [65, 66, 67]),  # 32.5 % to 33.5 % of 200
        ("32.5", "percent", 200, [65]),
        ("0.33", "part", 200, [65, 66, 67]),
        ("45 %", "part", 60, [27]),
        ("0,45", "part", 60, [27]),
        ("1", "part", 30, [30]),
        ("0", "part", 30, [0]),
        ("1", "percent", 100, [1]),
        ("1", "either", 100, [1, 100]),
        ("0.50", "either", 100, [50]),
        ("0.5", "either", 100, list(range(45, 56))),
        ("0", "either", 30, [0]),
        ("50", "either", 30, [15]),
        ("34", "percent", 30, []),
        ("100", "percent", 30, [30]),
        (45.0, "percent", 60, [27]),
        (0.45, "part", 60, [27]),
        ("0.5%", "either", 200, [1]),
        (30.000000000000004, "percent", 10, [3]),  # what a sum of floats makes of 30
        ("30.0000000009", "percent", 10, [3]),
        ("30.0000000012", "percent", 10, []),
    ],
)
def test_a_share_gives_the_counts_that_round_to_it(cell, how, of, counts):
    assert counts_of_share(cell, how, of) == counts


@pytest.mark.parametrize(
    ("cell", "how", "words"),
    [
        ("abc", "percent", "'abc' is not a share. Write the count itself under a column of its own"),
        (True, "part", "'True' is not a share"),
        ("101", "percent", "'101' is no share of 0 to 100"),
        ("1.01", "part", "'1.01' is no share of 0 to 1."),
        ("-1", "percent", "'-1' is no share of 0 to 100"),
        ("101 %", "part", "'101 %' is no share of 0 to 100"),
    ],
)
def test_what_is_no_share_is_refused(cell, how, words):
    with pytest.raises(Wrong) as caught:
        counts_of_share(cell, how, 60)
    assert words in str(caught.value)


def test_numbers_are_recognised_however_they_are_written():
    for cell in ("1", "-0.5", "1,5", "1.000.000", "12 %", "inf", "1e3", 1, 2.5, np.int64(3), Decimal("1"), " 7 "):
        assert is_numeric(cell), cell
    for cell in ("a", "1/2", "12 apples", None, dt.date(2025, 1, 1), "1,2,3"):
        assert not is_numeric(cell), cell
