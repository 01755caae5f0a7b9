"""Names, addresses and numbers of people where codes belong: what is noticed, what is let pass, and that no note repeats
them. The cases are our own; no source says what a code must look like (common practice, no source)."""

import pytest

import metasense as ms
from metasense.showing.words import banned

PEOPLE = [
    "Anna Berg",
    "Berg, Anna",
    "Mary-Jane O'Brien",
    "Ludwig van Beethoven",
    "anna@example.org",
    "Anna <anna.berg@mail.example>",
    "+49 170 1234567",
    "(030) 123 45 67",
    "0170 1234567",
    "555-123-4567",
]
CODES = [
    "T01",
    "1",
    "Ann",
    "Otto",
    "ann berg",
    "AB CD",
    "A. B",
    "Taster One",
    "Guest Two",
    "left 3",
    "P-12",
    "@home",
    "T1@2",
    "20260109",
    "2026-01-09",
    "0000000012",
    "123456789012",
    "12 345 678 901",
]


def table(tasters):
    return {"panel": "A", "protocol": "triangle", "taster": tasters, "correct": [1, *[0] * (len(tasters) - 1)]}


@pytest.mark.parametrize("name", PEOPLE)
def test_a_table_of_tastings_with_a_person_in_it_says_so_and_does_not_repeat_the_name(name):
    tastings = ms.read_tastings(table(["T01", name, name]))
    (note,) = [note for note in tastings.notes if "codes such as T01" in note]
    assert note.startswith("1 of 2 tasters is written as a person") and name not in note and not banned(note)
    assert note in tastings.to_panels().notes  # where it is seen however the table is pooled


def test_codes_first_names_numbers_and_dates_are_let_pass():
    assert ms.read_tastings(table(CODES)).notes == ()


def test_many_people_are_counted():
    (note,) = ms.read_tastings(table([*PEOPLE, "T01"])).notes
    assert note.startswith(f"{len(PEOPLE)} of {len(PEOPLE) + 1} tasters are written as people's names, e-mail")
