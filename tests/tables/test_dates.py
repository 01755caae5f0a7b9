"""Days in cells: read only where they can be one day. The calendar is Python's own."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from metasense.tables.cells import Reading, Wrong
from metasense.tables.checked import read_cells
from metasense.tables.dates import EARLIEST, LATEST, date, order_of_days

APRIL = dt.date(2025, 4, 3)
MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


@pytest.mark.parametrize(
    ("cell", "note"),
    [
        ("2025-04-03", ""),
        ("2025/4/3", ""),
        ("2025.04.03", ""),
        ("2025-04-03 00:00:00", ""),
        ("2025-04-03T00:00", ""),
        ("2025-04-03 18:30", "was read without the time of day"),
        ("2025-04-03T18:30:00.5Z", "was read without the time of day"),
        ("20250403", "was read as year, month and day"),
        (20250403, "was read as year, month and day"),
        (20250403.0, "was read as year, month and day"),
        ("3 April 2025", ""),
        ("3rd Apr 2025", ""),
        ("April 3, 2025", ""),
        ("apr-3-2025", ""),
        (APRIL, ""),
        (dt.datetime(2025, 4, 3), ""),
        (dt.datetime(2025, 4, 3, 18), "was read without the time of day"),
        (np.datetime64("2025-04-03"), ""),
        (pd.Timestamp("2025-04-03 18:00"), "was read without the time of day"),
    ],
)
def test_the_third_of_april_is_read_however_it_is_written(cell, note):
    reading = Reading()
    assert date(cell, reading) == APRIL
    assert list(reading.earned) == ([note] if note else [])


@pytest.mark.parametrize(("number", "name"), list(enumerate(MONTHS, 1)))
def test_every_month_is_read_by_its_name_and_its_first_three_letters(number, name):
    for written in (name, name.lower(), name[:3], name[:4]):
        assert date(f"7 {written} 2025", Reading()) == dt.date(2025, number, 7)
        assert date(f"{written} 7 2025", Reading()) == dt.date(2025, number, 7)


def test_sept_is_september_and_other_letters_are_no_month():
    assert date("7 sept 2025", Reading()) == dt.date(2025, 9, 7)
    for cell in ("7 ma 2025", "7 juxe 2025", "7 septe 2025x"):
        with pytest.raises(Wrong, match="is not a date that can be read without guessing"):
            date(cell, Reading())


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("13/04/2025", dt.date(2025, 4, 13)),
        ("04/13/2025", dt.date(2025, 4, 13)),
        ("12/13/2025", dt.date(2025, 12, 13)),
        ("13.12.2025", dt.date(2025, 12, 13)),
        ("04-04-2025", dt.date(2025, 4, 4)),
        ("12/12/2025", dt.date(2025, 12, 12)),
    ],
)
def test_a_day_that_can_only_be_one_is_read_by_itself(cell, day):
    assert date(cell, Reading()) == day


@pytest.mark.parametrize(("cell", "one", "other"), [
    ("03/04/2025", "2025-04-03", "2025-03-04"), ("12/11/2025", "2025-11-12", "2025-12-11"),
    ("11.12.2025", "2025-12-11", "2025-11-12"),
])  # fmt: skip
def test_a_day_that_could_be_two_is_read_only_as_others_of_its_mark_show(cell, one, other):
    with pytest.raises(Wrong) as caught:
        date(cell, Reading())
    assert str(caught.value) == f"{cell!r} could be {one} or {other}. Write year-month-day, such as 2025-04-03"
    mark = cell[2]
    for first, day in ((True, one), (False, other)):
        reading = Reading(day_first={mark: (first, "13/04/2025")})
        assert str(date(cell, reading)) == day
        which = "day" if first else "month"
        assert list(reading.earned) == [f"was read with the {which} first, as '13/04/2025' in the same column must be"]
    with pytest.raises(Wrong, match="could be"):
        date(cell, Reading(day_first={"-": (True, "13-04-2025")}))


@pytest.mark.parametrize("cell", ["2025-02-29", "31/04/2025", "13/13/2025", "2025-13-01", "31 June 2025", "20251301"])
def test_a_day_that_no_calendar_has_is_refused(cell):
    with pytest.raises(Wrong, match=r"is not a day of the calendar\. Write year-month-day, such as 2025-04-03"):
        date(cell, Reading())


@pytest.mark.parametrize("cell", ["03/04/25", "spring", "2025", 7, 7.5, "1/2", "2025-04", "18990403"])
def test_what_could_be_many_days_is_refused(cell):
    with pytest.raises(Wrong, match="is not a date that can be read without guessing"):
        date(cell, Reading())


@pytest.mark.parametrize("cell", [None, "", "n/a", "unknown", pd.NaT, np.datetime64("NaT", "D")])
def test_no_day_is_none(cell):
    assert date(cell, Reading()) is None


@pytest.mark.parametrize(("year", "noted"), [(1949, True), (1950, False), (2100, False), (2101, True)])
def test_years_far_from_today_are_noted(year, noted):
    assert (EARLIEST, LATEST) == (1950, 2100)
    reading = Reading()
    assert date(f"{year}-04-03", reading).year == year
    assert (list(reading.earned) == ["lies far from today: check the year"]) == noted


def test_a_column_shows_which_comes_first_by_each_mark_where_its_days_agree():
    assert order_of_days(["13/04/2025", "03/04/2025", None, 5]) == ({"/": (True, "13/04/2025")}, [])
    assert order_of_days(["04/13/2025"]) == ({"/": (False, "04/13/2025")}, [])
    assert order_of_days(["03/04/2025", "12/12/2025", "13/13/2025"]) == ({}, [])
    assert order_of_days(["12-13-2025", "13.12.2025"]) == (
        {"-": (False, "12-13-2025"), ".": (True, "13.12.2025")},
        [],
    )
    assert order_of_days(["13/04/2025", "04/13/2025"]) == ({}, ["13/04/2025", "04/13/2025"])
    assert order_of_days(["13 04  2025"]) == ({" ": (True, "13 04 2025")}, [])


@pytest.mark.parametrize(("header", "language"), [("Datum", "German"), ("jour", "French"), ("Fecha", "Spanish"),
                                                  ("Giorno", "Italian")])  # fmt: skip
def test_under_a_header_whose_language_writes_the_day_first_it_comes_first_with_a_note(header, language):
    # day, month, year in German, French, Spanish and Italian: common practice, no source
    days, wrong, notes = read_cells(["06.12.2025", "03/04/2025"], date, header)
    assert [str(day) for day in days] == ["2025-12-06", "2025-04-03"] and not wrong
    assert f"were read with the day first, as in {language}" in " ".join(notes)
    _, wrong, _ = read_cells(["06.12.2025"], date, "date")
    assert "could be 2025-12-06 or 2025-06-12" in wrong[0]
    for other in ("12/13/2025", "12.13.2025"):  # shows the month first
        days, wrong, _ = read_cells(["03-04-2025", other], date, header)
        assert "could be" in wrong[0]
