"""A cell before anything is decided: what is nothing, what is no answer, and what cannot be in a table."""

import datetime as dt
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from metasense.tables.cells import (
    LARGEST,
    NO_ANSWER,
    NOBODY,
    NOT_AVAILABLE,
    NOT_KNOWN,
    Reading,
    Wrong,
    as_shown,
    is_missing,
    is_nothing,
    letters,
    no_answer,
    one_value,
    plain,
    rounded,
    tidy,
    worded,
)
from metasense.tables.languages import is_nobody


def test_notes_of_a_column_name_each_cell_once_in_the_singular_or_plural():
    reading = Reading()
    for cell in ("0,5", "0,5", "1,5"):
        reading.note("was read with a decimal comma", cell)
    reading.note("lies far from today: check the year", "1800-01-01")
    assert reading.notes("dose") == [
        "column 'dose': '0,5' and '1,5' were read with a decimal comma.",
        "column 'dose': '1800-01-01' lies far from today: check the year.",
    ]
    many = Reading()
    for i in range(9):
        many.note("lies far away", f"cell {i}")
    assert many.notes("x")[0].startswith("column 'x': 'cell 0', 'cell 1', 'cell 2', 'cell 3' and 5 others lie far away")


def test_a_message_ends_with_one_stop_or_its_question_mark():
    assert Wrong("It is wrong").sentence == "It is wrong." and Wrong("Is it?").sentence == "Is it?"


@pytest.mark.parametrize(
    ("shown", "said"),
    [("33.333333", "33.33"), ("33.33333", "33.33333"), ("1234.5678901", "1235"), ("0.0000123456789", "0.00001235"),
     ("12345.678901", "12345.678901"), ("x33.333333", "x33.333333")],
)  # fmt: skip
def test_six_decimals_and_more_are_rounded_to_four_digits(shown, said):
    assert rounded(shown) == said


@pytest.mark.parametrize(
    ("header", "word"),
    [(" Batch-Pair ", "batchpair"), ("batch__pair", "batchpair"), ("Batch pair:", "batchpair"), ("-A", "-a"),
     ("A-", "a-"), ("1?", "1?"), ("\uff21\uff22", "ab"), ("Straße", "strasse"), ("e\u0301", "é"), ("_x", "_x")],
)  # fmt: skip
def test_headers_are_alike_but_for_case_spaces_and_hyphens(header, word):
    assert plain(header) == word


def test_words_may_end_with_a_stop_and_hold_an_apostrophe_and_numbers_keep_their_signs():
    assert [worded(w) for w in ("Absent.", "No show!", "didn’t come", "DK")] == ["absent", "noshow", "didntcome", "dk"]
    assert [worded(w) for w in ("1?", "-1", "'A'")] == ["1?", "-1", "'a'"]
    assert letters("≠ correct (%)") == "correct" and letters("A-1") == "a1"
    assert tidy("\u00a0 x \ufeff") == "x" and tidy(7) == "7" and tidy("cafe\u0301") == "café"


@pytest.mark.parametrize(
    "cell", [None, "", "  ", pd.NA, pd.NaT, float("nan"), np.datetime64("NaT", "D"), np.timedelta64("NaT", "D")]
)
def test_nothing_is_missing_without_a_note(cell):
    reading = Reading()
    assert is_missing(cell, reading) and not reading.earned
    if not isinstance(cell, str):
        assert is_nothing(cell)


@pytest.mark.parametrize("word", sorted(NOT_KNOWN))
def test_words_for_not_known_are_missing_and_noted(word):
    reading = Reading()
    assert is_missing(word, reading) and reading.earned == {"was read as missing": [repr(word)]}
    assert is_missing(word.upper(), Reading())
    assert is_missing(word, Reading(), NOT_AVAILABLE) == (word in NOT_AVAILABLE)


@pytest.mark.parametrize("cell", ["0", "7", 0, False, "none", "no", np.datetime64("2025-01-01"), "x"])
def test_what_says_something_is_not_missing(cell):
    assert not is_missing(cell, Reading())


@pytest.mark.parametrize("word", sorted(NO_ANSWER))
def test_words_for_no_answer_are_noted_as_such_and_those_for_nobody_among_them_mean_nobody(word):
    reading = Reading()
    assert no_answer(word.title(), reading) and list(reading.earned) == ["was read as no answer"]
    assert no_answer(f"{word}.", Reading())
    assert is_nobody(word) == (word in NOBODY)
    assert not no_answer("none", Reading(), NO_ANSWER - {"none"})


@pytest.mark.parametrize("cell", ["yes", "1", 0, 1.0, "refuses to say"])
def test_an_answer_is_one(cell):
    assert not no_answer(cell, Reading()) and not is_nobody(cell)
    assert no_answer("?", Reading()) and no_answer(None, Reading())


@pytest.mark.parametrize(
    ("cell", "value"),
    [("x", "x"), (" x", " x"), ("  ", None), (None, None), (pd.NaT, None), (np.bool_(True), True), (np.int64(3), 3),
     (np.float32(0.5), 0.5), (Decimal("1.5"), Decimal("1.5")), (Decimal("nan"), None), (LARGEST - 1, LARGEST - 1),
     (1 - LARGEST, 1 - LARGEST), (dt.time(18), dt.time(18)), (dt.date(2025, 1, 1), dt.date(2025, 1, 1)),
     (np.datetime64("2025-01-01"), pd.Timestamp("2025-01-01"))],
)  # fmt: skip
def test_a_cell_is_a_plain_value_whatever_it_came_from(cell, value):
    found = one_value(cell)
    assert found == value and type(found) is type(value)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (LARGEST, "the number has more than 300 digits, too large to be kept. Check the digits"),
        (-LARGEST, "the number has more than 300 digits"),
        (Decimal("sNaN"), "a signalling NaN is not a number. Clear the cell, or write the number"),
        ("a\ud800b", "'a\ufffdb' holds half a character, which was lost before it came here. Type it again"),
        ([1], "the cell holds a list, which is not a number, a day or words. Write one of these"),
        (np.array([1]), "the cell holds a list"),
        ({"a": 1}, "the cell holds a table within the table"),
        (b"x", "the cell holds raw bytes"),
        (1j, "the cell holds a complex number"),
        (object, "the cell holds something"),
        (np.datetime64("20000-01-01"), "the date lies outside the years 1 to 9999"),
    ],
)
def test_what_cannot_be_in_a_table_is_said(cell, words):
    with pytest.raises(Wrong) as caught:
        one_value(cell)
    assert words in str(caught.value)
    assert as_shown(cell) == "a cell that cannot be read"


def test_a_cell_is_shown_in_sixty_characters_at_most():
    assert as_shown("x" * 70) == "x" * 60 and as_shown(None) == "" and as_shown(7) == "7"
