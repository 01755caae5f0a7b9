"""A file of lines that a person typed: what is TOML is read as TOML, and every slip is named by its line."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from metasense.slips import DAY, LIST, MOST, NUMBER, said_of, slipped, typed_lines

KINDS = {"protocols": LIST, "tastings": NUMBER, "date": DAY}


@pytest.mark.parametrize(
    ("line", "write"),
    [
        ("question = Is it noticed?", 'question = "Is it noticed?"'),
        ('question = "Is it noticed?', 'question = "Is it noticed?"'),
        ('question = Is it noticed?"', 'question = "Is it noticed?"'),
        ("question = „Wird es bemerkt?“", 'question = "Wird es bemerkt?"'),
        ("question = «Le goût ?»", 'question = "Le goût ?"'),
        ('question: "Is it noticed?"', 'question = "Is it noticed?"'),
        ("question = Is it sweet: yes or no?", 'question = "Is it sweet: yes or no?"'),
        ('question = "Is the "new" one noticed?"', "question = 'Is the \"new\" one noticed?'"),
        ('question = "C:\\pea"', "question = 'C:\\pea'"),
        ("question = Is it noticed? # as agreed", 'question = "Is it noticed?"'),
        ("the question = Is it noticed?", 'the_question = "Is it noticed?"'),
        ("margin = 0,2 triangle", 'margin = "0.2 triangle"'),
        ("margin = d'=0.5", 'margin = "d\'=0.5"'),
        ("protocols = triangle", 'protocols = ["triangle"]'),
        ("protocols = triangle, duo-trio", 'protocols = ["triangle", "duo-trio"]'),
        ('protocols = "triangle", "duo-trio"', 'protocols = ["triangle", "duo-trio"]'),
        ("protocols = [triangle, 'tetrad']", 'protocols = ["triangle", "tetrad"]'),
        ("protocols = [\n  'triangle',\n  tetrad,\n]", 'protocols = ["triangle", "tetrad"]'),
        ("tastings = 24,0", "tastings = 24"),
        ("tastings = 024", "tastings = 24"),
        ("tastings = many", 'tastings = "many"'),
        ("date = 2025-3-1", "date = 2025-03-01"),
        ('question = "Is it\nnoticed?"', 'question = "Is it noticed?"'),
    ],
)
def test_a_line_that_cannot_be_read_is_given_back_as_it_is_probably_meant(line, write):
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(line)
    text = f'# by hand\nbefore = "first"\n{line}\nafter = "last"\n'
    typed = typed_lines(text, KINDS)
    (slip,) = typed.slips
    assert slip.line == 3 and slip.says.endswith(f"; write {write}")
    name, meant = next(iter(tomllib.loads(write).items()))
    got = typed.lines[name]
    assert got == (str(meant) if name == "date" else meant) and slip.name == name
    assert typed.lines["before"] == "first" and typed.lines["after"] == "last"


def test_all_slips_are_named_with_their_lines_and_headings():
    text = "question = Q\r\n\r\n[ballots]\r\nrinse: Sip.\r\nrinse = 'Again'\r\n[other part]\r\nx = 1\r\nnonsense\r\nempty =\r\n"
    typed = typed_lines(text)
    assert [(slip.line, slip.name) for slip in typed.slips] == [
        (1, "question"), (4, "ballots.rinse"), (5, "ballots.rinse"), (6, ""), (8, ""), (9, "other_part.empty"),
    ]  # fmt: skip
    said = [slip.says for slip in typed.slips]
    assert "stands in line 4 already" in said[2] and said[3].endswith("write [other_part]")
    assert said[4].startswith("nonsense: a line is a name, the sign =") and "nothing stands behind it" in said[5]
    assert typed.lines == {"question": "Q", "ballots": {"rinse": "Sip."}, "other_part": {"x": 1}}


def test_a_name_that_is_a_line_and_a_heading_is_said():
    (slip,) = typed_lines("a = 1\n[a]\nb = 2\n").slips
    assert (slip.line, slip.name) == (2, "a") and "keep one of the two" in slip.says


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a = 1 # one\n[b]\nc = [\n 1,\n 2, # two\n]\n",
        'a = """\nname = no slip\n[nor this]\n"""\nb = 2\n',
        'a.b = 1\na.c = 2\n["x y"]\n"z: w" = true\n[x.y]\nz = 2025-01-01\n[[p]]\nq = 1\n[[p]]\nq = 2\n',
    ],
)
def test_what_is_toml_is_read_as_toml(text):
    typed = typed_lines(text, KINDS)
    assert typed.slips == [] and typed.lines == tomllib.loads(text)


def test_the_line_of_each_name_is_known():
    assert typed_lines("# card\na = 1\n\nb = 2\n[c]\nd = 3\n").where == {"a": 2, "b": 4, "c.d": 6}


pieces = st.sampled_from(
    [*list("\"'[]=:,#\n\\ "), "a", "b = ", "date", "protocols = ", "tastings", "“", "24", "0,2", '"""', "\r\n"]
)


@settings(max_examples=300, deadline=None)
@given(st.lists(pieces, max_size=30).map("".join))
def test_whatever_is_typed_is_read_as_toml_or_has_a_slip(text):
    try:
        meant = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        meant = None
    typed = typed_lines(text, KINDS)
    assert (typed.slips == []) == (meant is not None)
    assert meant is None or typed.lines == meant


def test_the_first_problems_of_a_file_are_listed_and_the_rest_counted():
    assert slipped("card.toml cannot be read", ["one", "two"]) == "card.toml cannot be read:\n  one\n  two"
    many = [f"problem {number}" for number in range(MOST + 3)]
    said = slipped("card.toml cannot be read", many).split("\n")
    assert said[1:] == [*(f"  {one}" for one in many[:MOST]), "  ... and 3 more"]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("the question = Q", "a name is one word"),
        ('question: "Q"', "between the name and what is said stands the sign ="),
        ('question = "Is it\nnoticed?"', "a text stands on one line"),
        ("protocols = triangle", "a list stands in brackets, each of its parts in quotation marks"),
        ("tastings = 24,0", "a number stands alone"),
        ("question = „Q“", "only straight quotation marks are read"),
        ('question = "Q', "a text has a quotation mark at its beginning and one at its end"),
        ("question = Q'", "a text has a quotation mark at its beginning and one at its end"),
        ('question = "', "a text has a quotation mark at its beginning and one at its end"),
        ('question = "C:\\pea"', "a backslash is read only between single quotation marks"),
        ('question = "a "new" one"', "there are quotation marks inside the text"),
        ("question = Q", "a text stands in quotation marks"),
    ],
)
def test_why_a_line_cannot_be_read_is_said_first(line, why):
    (slip,) = typed_lines(line, KINDS).slips
    assert slip.says.partition(": " if ":" not in line else line.replace("\n", " ") + ": ")[2].startswith(
        f"{why}; write "
    )


def test_a_line_is_repeated_up_to_sixty_characters():
    for length, shown in ((60, "x" * 60), (61, "x" * 60 + "...")):
        (slip,) = typed_lines("x" * length).slips
        assert slip.says.startswith(f"{shown}: a line is a name")


def test_a_long_text_over_many_lines_is_one_line_however_long():
    text = 'a = """\n' + "name = no slip\n" * 60 + '"""\nb = a slip\n'
    (slip,) = typed_lines(text).slips
    assert (slip.line, slip.name) == (63, "b")


def test_eight_problems_are_listed_before_the_rest_is_counted():
    assert slipped("x", ["one"] * 8).count("one") == 8 == slipped("x", ["one"] * 9).count("one")
    assert slipped("x", ["one"] * 9).endswith("... and 1 more") and "more" not in slipped("x", ["one"] * 8)


def test_what_else_is_wrong_stands_by_the_line_of_its_name_and_what_has_none_first():
    assert said_of(typed_lines("a = 'x'\n"), {"b": "b is missing"}) == ["b is missing"]
    assert said_of(typed_lines("a = x\n"), {"a": "a is wrong"}) == ["line 1: a is wrong"]
    twice = ["line 1: a is wrong", "line 2, a stands in line 1 already; keep one of the two"]
    assert said_of(typed_lines("a = 1\na = 2\n"), {"a": "a is wrong"}) == twice


def test_what_no_single_line_shows_is_said_as_the_reader_of_toml_says_it():
    (slip,) = typed_lines("[a]\nb = 1\n[a]\nc = 2\n").slips
    assert (slip.line, slip.name) == (0, "") and "twice" in slip.says
