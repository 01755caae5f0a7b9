"""Which cup an answer names and whether it is right, protocol by protocol. Cups and codes are invented."""

import pytest

from metasense.protocols import protocol
from metasense.tables.cells import Wrong
from metasense.tables.cups import (
    Cups,
    _elsewhere,
    _groups,
    _is_word,
    _off_the_tray,
    _order,
    is_right,
    is_signal,
    understood,
)
from metasense.tables.panels import PanelsError, read_tastings

TRIANGLE, TETRAD = protocol("triangle"), protocol("tetrad")


@pytest.mark.parametrize(
    ("test", "served", "answer", "right"),
    [
        ("triangle", "2", "2", True), ("triangle", "2", "02", True), ("triangle", "2", "3", False),
        ("triangle", "left cup", "Left Cup", True), ("triangle", "417", "305", False),
        ("two-out-of-five", "1+4", "4+1", True), ("two-out-of-five", "1+4", "1 4", True), ("two-out-of-five", "1+4", "1+5", False),
        ("specified tetrad", "1+4", "4,1", True), ("specified tetrad", "1+4", "2+3", False),
        ("tetrad", "1+4/2+3", "2+3", True), ("tetrad", "1+4/2+3", "3+2/4+1", True), ("tetrad", "14/23", "14", True),
        ("tetrad", "1+4", "2+3", True), ("tetrad", "1+4", "1+2", False), ("tetrad", "1+4/2+3", "1+2/3+4", False),
        ("tetrad", "417+305/862+190", "862+190", True), ("tetrad", "417+305/862+190", "417+862", False),
        ("A-not-A", "A", "a", True), ("A-not-A", "A", "not A", False), ("A-not-A", "not-A", "Not A", True),
        ("same-different", "same", "different", False), ("same-different", "different", "Different", True),
    ],
)  # fmt: skip
def test_an_answer_is_right_where_it_names_the_cups_that_are(test, served, answer, right):
    assert is_right(protocol(test), served, answer) == right


@pytest.mark.parametrize(
    ("test", "served", "answer", "words"),
    [
        (
            "two-out-of-five",
            "1+4",
            "1",
            "'1' and served '1+4' name different numbers of cups. Join cups by +, as in 1+4",
        ),
        (
            "tetrad",
            "417+305",
            "862+190",
            "'862+190' may be the other two cups of '417+305'. Under served write both groups",
        ),
        (
            "tetrad",
            "417+305/862+190",
            "417+111",
            "'417+111' names a cup that is not in '417+305/862+190'. Check the code",
        ),
        ("tetrad", "417+305", "417+305/862+190", "may be the other two cups of '417+305'. Under served write both"),
        ("A-not-A", "A", "B", "'B' is not A or not A. Write one of these under served and answer"),
        ("same-different", "same", "equal", "'equal' is not same or different"),
    ],
)
def test_cups_that_cannot_be_compared_are_refused(test, served, answer, words):
    with pytest.raises(Wrong) as caught:
        is_right(protocol(test), served, answer)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("test", "word", "column", "words"),
    [
        ("triangle", "ABB", "served", "'ABB' is a whole tray. Under served write the right answer alone"),
        ("triangle", "237/682/967", "served", "is a whole tray"),
        ("triangle", "745-777", "answer", "'745-777' could be several cups, or the name of one. Write one cup alone"),
        (
            "triangle",
            "1+4",
            "answer",
            "'1+4' names 2 cups, where a triangle asks for one. Write its code or place alone",
        ),
        ("triangle", "1/2", "answer", "has groups of cups, which only a tetrad has. Write the one cup alone"),
        (
            "two-out-of-five",
            "1",
            "answer",
            "'1' names 1 cup, where a two-out-of-five asks for two cups. Join cups by +",
        ),
        ("two-out-of-five", "1+2+3", "answer", "names 3 cups, where a two-out-of-five asks for two cups"),
        ("tetrad", "14", "served", "'14' could be cups 1 and 4 or a code. Write 1+4"),
        ("tetrad", "1+4/2", "served", "is not two groups of two cups. Write them as 1+4/2+3"),
        ("tetrad", "1+4/4+3", "answer", "is not two groups of two cups"),
        ("tetrad", "1+2/3+4/1+3", "answer", "is not two groups of two cups"),
        ("tetrad", "1+2+3", "served", "'1+2+3' names 3 cups, where a tetrad asks for two cups. Join cups by +"),
        ("tetrad", "1+2+3+4", "answer", "names 4 cups, where a tetrad asks for two cups"),
        ("triangle", "1++", "answer", "'1++' has a mark too many. Join cups by +, as in 1+4"),
    ],
)
def test_a_word_that_names_no_cup_of_the_protocol_is_refused(test, word, column, words):
    with pytest.raises(Wrong) as caught:
        understood(protocol(test), word, column)
    assert words in str(caught.value)


@pytest.mark.parametrize(("test", "word", "column"), [
    ("triangle", "2", "served"), ("triangle", "left cup", "answer"), ("tetrad", "14", "answer"), ("tetrad", "1+4", "served"),
    ("tetrad", "1+4/2+3", "served"), ("two-out-of-five", "1+4", "answer"), ("duo-trio", "no", "served"), ("tetrad", "741", "served"),
    ("tetrad", "1", "answer"), ("tetrad", "left", "served"),
])  # fmt: skip
def test_a_word_that_names_the_cups_asked_for_is_understood(test, word, column):
    understood(protocol(test), word, column)


def test_cups_are_parted_at_their_marks():
    assert _groups("1+4/2+3") == _groups("14/23") == (frozenset("14"), frozenset("23"))
    assert _groups("left cup") == (frozenset(["left cup"]),) and _groups("007") == (frozenset(["7"]),)
    assert _groups("1 4") == (frozenset("14"),) and _groups("14/24") == (frozenset(["14"]), frozenset(["24"]))
    # letters and other numbers that stand together are a name, of cups only the places 1 to 4 are run together
    assert _groups("ab/cd") == (frozenset(["ab"]), frozenset(["cd"]))
    assert _groups("56/78") == (frozenset(["56"]), frozenset(["78"]))
    assert is_signal("A-not-A", "a") and not is_signal("same-different", "SAME")
    assert _order("ABB") == ["A", "B", "B"] and _order("417-862-305") == ["417", "862", "305"] and _order(None) == []
    assert _is_word("left cup") and not _is_word("1st") and not _is_word("-") and not _is_word("")


@pytest.mark.parametrize(
    ("cups", "choices", "seen", "answers", "strange", "unsure"),
    [
        (3, 3, {"1", "2"}, {"3"}, set(), set()),
        (3, 3, {"1", "2"}, {"4"}, {"4"}, set()),
        (3, 3, {"1", "2"}, {"0"}, {"0"}, set()),
        (3, 2, {"1", "2"}, {"3"}, {"3"}, set()),  # of three places only two are choices
        (3, 3, {"417", "305"}, {"862"}, set(), set()),
        (3, 3, {"417", "305"}, {"86"}, {"86"}, set()),
        (3, 3, {"017", "305"}, {"86"}, set(), set()),  # codes may have lost a zero in front
        (3, 3, {"417"}, {"417?"}, {"417?"}, set()),
        (3, 3, {"left", "right"}, {"middle"}, set(), {"middle"}),
        (3, 3, {"left", "right"}, {"blue"}, {"blue"}, set()),
        (3, 3, {"K7", "M2"}, {"P5"}, set(), set()),
        (3, 3, {"K7", "M2"}, {"P55"}, {"P55"}, set()),
        (3, 3, {"1"}, {"left"}, {"left"}, set()),
        (3, 3, {"oak"}, {"ash"}, set(), set()),
        (3, 3, {"oak"}, {"x"}, {"x"}, set()),
        (
            3,
            3,
            {"oak"},
            {"ash", "elm"},
            {"ash", "elm"},
            set(),
        ),  # of words that say nothing of each other one may be new
        (3, 3, {"417", "K700"}, {"4170"}, {"4170"}, set()),  # a code is as long as another code, not as a word
        (2, 2, {"a"}, {"n"}, set(), set()),  # of two cups one is called a: the other may have any letter
        (3, 3, {"a"}, {"n"}, {"n"}, set()),  # of three they are a, b and c
        (3, 3, {"a"}, {"c"}, set(), set()),
    ],
)
def test_answers_are_cups_as_far_as_those_seen_show(cups, choices, seen, answers, strange, unsure):
    called = Cups(cups, choices, seen)
    assert (called.strange(answers), called.unsure) == (strange, unsure)


@pytest.mark.parametrize(
    ("order", "served", "answer", "column", "words"),
    [
        ("AAA", "1", "1", "order", "served in the order AAA there is no odd cup. Correct the order."),
        ("ABB", "2", "1", "served", "served is cup 2, but in the order ABB cup 1 is the odd one. Correct one."),
        (
            "417-305-862",
            "417",
            "999",
            "answer",
            "answer is '999', which is not among the cups 417, 305 and 862 of its order.",
        ),
        ("417-305-862", "999", "417", "served", "served is '999', which is not among the cups"),
    ],
)
def test_an_order_holds_what_was_right_and_what_was_answered(order, served, answer, column, words):
    found = _off_the_tray(TRIANGLE, _order(order), served, answer)
    assert found[0] == column and words in found[1]
    assert _off_the_tray(TRIANGLE, _order("ABB"), "1", "3") is None
    assert _off_the_tray(TRIANGLE, _order("417-305-862"), "417", "305") is None
    assert _off_the_tray(TRIANGLE, _order("2-1-3"), "417", "305") is None  # samples by number, and codes of cups
    assert _off_the_tray(TRIANGLE, _order("A-1-1"), "2", None) is None  # no letters of two samples


@pytest.mark.parametrize(
    ("order", "position", "answer", "place"),
    [("ABB", 1, "2", 2), ("ABB", 2, "2", 0), ("417-305-862", 1, "862", 3), ("417-305-862", 3, "862", 0), ("", 1, "2", 2),
     ("ABB", None, "2", 0), ("ABB", 1, None, 0), ("ABB", 1, "1+2", 0), ("417-305-862", 1, "2", 0),
     ("417-305-862", 2, "999", 0)],
)  # fmt: skip
def test_the_place_picked_is_that_of_the_answer(order, position, answer, place):
    said = _elsewhere(_order(order), position, answer)
    expected = f"the answer is {answer!r}, which stands at place {place}, not {position}. Correct one of them."
    assert said == (expected if place else "")


def read(test, *rows):
    lines = [f"A,{test},T{number},{row}" for number, row in enumerate(rows)]
    return read_tastings("\n".join(["panel,protocol,taster,served,answer", *lines]))


def test_answers_of_a_panel_are_held_against_what_was_served_in_all_its_rows():
    assert read("triangle", "417,862", "862,862", "305,417").frame["correct"].tolist() == [0, 1, 0]
    with pytest.raises(PanelsError, match=r"'86' is no cup of this panel, where right ones are called '305' and '417'"):
        read("triangle", "417,305", "305,417", "305,86")
    with pytest.raises(PanelsError, match=r"answers such as '2' can never equal '417'"):
        read("triangle", "417,2", "862,3")


def test_two_cups_of_a_tetrad_are_any_of_four_and_one_is_any_of_the_other_three():
    assert read("tetrad", "1+2,3+4", "1+3,2+4", "1+2,1+4").frame["correct"].tolist() == [1, 1, 0]  # the rest is a pair
    with pytest.raises(PanelsError, match=r"'[14]' is no cup of this panel"):
        read("tetrad", "2,3", "3,2", "2,1", "3,4")
    assert read("tetrad", "2,3", "3,2", "2,4").frame["correct"].tolist() == [0, 0, 0]


def ordered(order, position, correct, test="triangle"):
    """What is said of a first row, beside a second one that is right."""
    rows = [f"A,{test},T1,{order},{position},{correct}", f"A,{test},T2,,,1"]
    try:
        read_tastings("\n".join(["panel,protocol,taster,order,position,correct", *rows]))
    except PanelsError as error:
        (problem,) = error.problems
        return f"{problem.row} {problem.column}: {problem.message}"
    return ""


@pytest.mark.parametrize(
    ("order", "position", "correct", "said"),
    [
        ("ABBA", "", 1, "2 order: 'ABBA' has 4 cups; triangle has 3. Correct the order or the protocol."),
        ("AB", "", 1, "2 order: 'AB' has 2 cups; triangle has 3. Correct the order or the protocol."),
        ("A", "", 1, ""),  # a name of an order, not a cup of it
        ("ABB", 4, 1, "2 position: there is no cup 4; triangle has 3. Write the place of the cup picked."),
        ("ABB", 0, 1, "2 position: there is no cup 0; triangle has 3. Write the place of the cup picked."),
        ("AAA", 1, 1, "2 order: served in the order AAA there is no odd cup. Correct the order."),
        ("ABB", 1, 1, ""), ("BAB", 2, 1, ""), ("BBA", 3, 1, ""), ("BBA", 1, 0, ""), ("ABB", 3, 0, ""),
        ("ABB", 1, 0, "2 position: in 'ABB' cup 1 is the odd one, but correct is no. Correct one of the three."),
        ("BBA", 3, 0, "2 position: in 'BBA' cup 3 is the odd one, but correct is no. Correct one of the three."),
        ("ABB", 2, 1, "2 position: in 'ABB' cup 2 is not the odd one, but correct is yes. Correct one of the three."),
        ("417-305-862", 1, 0, ""), ("ABC", 2, 1, ""), ("ABB", 1, "", ""), ("", 3, 0, ""),
    ],
)  # fmt: skip
def test_an_order_its_place_picked_and_the_verdict_agree(order, position, correct, said):
    assert ordered(order, position, correct) == said


def test_only_a_triangle_has_an_odd_cup():
    assert ordered("AAB", 1, 0, "duo-trio") == "" and ordered("ABB", 2, 1, "duo-trio") == ""


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("ABB,2,1,", "2 served: served is cup 2, but in the order ABB cup 1 is the odd one. Correct one."),
        ("ABB,1,2,1", "2 position: the answer is '2', which stands at place 2, not 1. Correct one of them."),
        (
            "417-305-862,417,999,",
            "2 answer: answer is '999', which is not among the cups 417, 305 and 862 of its order.",
        ),
        ("ABB,1,1,1", ""),
    ],
)
def test_a_row_that_contradicts_its_order_is_named_with_the_column(row, said):
    lines = ["panel,protocol,taster,order,served,answer,position", f"A,triangle,T1,{row}"]
    if not said:
        assert read_tastings("\n".join(lines)).frame["correct"].tolist() == [True]
        return
    with pytest.raises(PanelsError) as caught:
        read_tastings("\n".join(lines))
    assert said in [f"{p.row} {p.column}: {p.message}"[: len(said)] for p in caught.value.problems]


def test_each_panel_whose_answers_are_never_what_was_served_is_named_once():
    rows = [f"{panel},triangle,T{taster},{served},2" for panel in "ABC" for taster, served in enumerate((417, 862))]
    with pytest.raises(PanelsError) as caught:
        read_tastings("\n".join(["panel,protocol,taster,served,answer", *rows]))
    assert [(p.row, p.panel, p.column) for p in caught.value.problems] == [
        (2, "A", "served"), (4, "B", "served"), (6, "C", "served"),
    ]  # fmt: skip


def test_cups_that_were_never_right_are_counted_as_wrong_and_said():
    one = read("triangle", "left,left", "right,middle")
    assert one.frame["correct"].tolist() == [True, False]
    words = "read as a wrong answer, though never right: 'middle' in A. If it is no cup, clear the cell."
    assert words in one.notes
    rows = [f"{panel},triangle,T{i},{row}" for panel in "AB" for i, row in enumerate(("left,left", "right,middle"))]
    two = read_tastings("\n".join(["panel,protocol,taster,served,answer", *rows]))
    said = (
        "read as wrong answers, though never right: 'middle' in A and 'middle' in B. If one is no cup, clear the cell."
    )
    assert said in two.notes


@pytest.mark.parametrize(
    ("test", "pair", "said"),
    [
        ("triangle", "4,1", "there is no cup 4; triangle has 3. Write the place or code of a cup."),
        ("triangle", "0,1", "there is no cup 0; triangle has 3. Write the place or code of a cup."),
        ("two-out-of-five", "1+6,1+2", "there is no cup 6; two-out-of-five has 5. Write the place or code of a cup."),
    ],
)
def test_a_place_that_no_cup_has_is_refused_under_served(test, pair, said):
    with pytest.raises(PanelsError) as caught:
        read(test, pair)
    assert said in [problem.message for problem in caught.value.problems if problem.column == "served"]


def test_cups_on_the_tray_are_cups_and_of_a_duo_trio_only_two_are_choices():
    lines = ["panel,protocol,taster,order,served,answer", "A,triangle,T1,417-30-862,417,30", "A,triangle,T2,,862,417"]
    assert read_tastings("\n".join(lines)).frame["correct"].tolist() == [False, False]
    with pytest.raises(PanelsError, match="'30' is no cup of this panel"):
        read_tastings("\n".join([lines[0], lines[1].replace("417-30-862", ""), lines[2]]))
    with pytest.raises(PanelsError, match=r"'[123]' is no cup of this panel"):
        read("duo-trio", "1,1", "2,3")
