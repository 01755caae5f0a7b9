"""What columns are called: read off a heading, or as somebody said."""

import pytest

from metasense.showing.called import MOST, Called, called_of


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("weeks_bottled", "weeks bottled", ""),
        ("dose (g/L)", "dose", "g/L"),
        ("residual_sugar_g_l", "residual sugar", "g/L"),
        ("Salt_cut_PCT", "Salt cut", "%"),
        ("_pct", "pct", ""),
        ("(g)", "(g)", ""),
        ("___", "___", ""),
        ("oak ()", "oak", ""),
    ],
)
def test_a_heading_is_read_as_words_and_unit(heading, name, unit):
    assert (Called().name(heading), Called().unit(heading)) == (name, unit)


def test_what_is_said_takes_the_place_of_the_heading():
    called = called_of({"dose (g/L)": "tannin"}, {"salt_pct": "g per loaf"}, ["dose (g/L)", "salt_pct"])
    assert (called.name("dose (g/L)"), called.unit("dose (g/L)")) == ("tannin", "")
    assert called.where({"salt_pct": 2.0}) == "salt = 2 g per loaf"


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [(1.0, "weeks", "1 week"), (1, "batches", "1 batch"), (1.0, "g/L", "1 g/L"), (0.5, "weeks", "0.5 weeks")],
)
def test_one_of_a_unit_is_said_in_the_singular(value, unit, said):
    assert Called(units={"x": unit}).value("x", value) == said


def test_a_word_has_no_unit():
    assert Called(units={"x": "weeks"}).value("x", "cold") == "cold"


def test_all_that_is_wrong_is_said_at_once():
    with pytest.raises(ValueError, match=r"no column 'week' to give a name; there is weeks.*name of 'weeks' is a text"):
        called_of({"week": "time", "weeks": "t" * (MOST + 1)}, {}, ["weeks"])
    with pytest.raises(ValueError, match="units goes from columns to words"):
        called_of(None, "weeks", ["weeks"])  # type: ignore[arg-type]


def test_the_longest_name_is_taken():
    assert called_of({"weeks": "t" * MOST}, None, ["weeks"]).name("weeks") == "t" * MOST


def test_only_what_was_given_is_kept():
    assert Called().stored() == {}
    assert Called(units={"x": "weeks"}).stored() == {"units": {"x": "weeks"}}
