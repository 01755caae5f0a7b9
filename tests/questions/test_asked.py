"""Who was asked and what they said, out of every kind of table that can hold it."""

import numpy as np
import pandas as pd
import pytest

from metasense.questions.asked import Asked, answers_of, pairs_of, placebo_of, served_placebo
from metasense.tables.panels import read_panels, read_tastings

ROW = {"protocol": "triangle", "tastings": 24, "correct": 12, "prefer_new": 8, "prefer_old": 4}


def read(*rows):
    return answers_of(read_panels([{"panel": f"P{i}"} | ROW | row for i, row in enumerate(rows)]).frame, None)


def test_the_correct_everybody_and_pairs_go_to_their_own_answers():
    correct, everyone = read(
        {"asked": "correct"}, {"asked": "all"}, {"asked": "pair"}, {"prefer_new": 0, "prefer_old": 0}
    )
    usual = {"new": 8, "old": 4, "none": 0, "offered": False}
    panel = {"correct": 12, "tastings": 24, "protocol": "triangle"}
    assert correct == [Asked("P0", 0, **usual, **panel, served=12)]
    assert everyone == [Asked("P1", 1, **usual, **panel, served=24), Asked("P2", None, **usual)]


def test_no_preference_is_offered_where_the_table_counts_it_even_if_nobody_had_none():
    (first, second, third), _ = read(
        {"asked": "correct", "no_preference": 0}, {"asked": "correct", "no_preference": None},
        {"asked": "correct", "no_preference": 4, "prefer_new": 0, "prefer_old": 0},
    )  # fmt: skip
    assert (first.offered, second.offered, third.offered, third.none) == (True, False, True, 4)


@pytest.mark.parametrize(("asked", "tasters", "repeated"), [
    ("correct", 23, True), ("correct", 24, False), ("all", 8, True), ("pair", 11, True), ("pair", 12, False),
    ("correct", None, False),
])  # fmt: skip
def test_people_repeat_where_they_are_fewer_than_their_answers(asked, tasters, repeated):
    correct, everyone = read({"asked": asked, "tasters": tasters})
    assert [a.repeated for a in (*correct, *everyone)] == [repeated]


def test_panels_of_two_counts_tell_of_everybody_on_a_pair_alone():
    counts = {"panel": "A", "protocol": "A-not-A", "signal": 12, "hits": 8, "noise": 12, "false_alarms": 5}
    liked = {"prefer_new": 3, "prefer_old": 2}
    for asked, found in (("all", 0), ("pair", 1)):
        correct, everyone = answers_of(read_panels([counts | liked | {"asked": asked}]).frame, None)
        assert (len(correct), len(everyone)) == (0, found)


def test_single_answers_part_the_right_from_the_wrong():
    table = {"panel": "A", "protocol": "triangle", "taster": list("abcdef"), "correct": [1, 1, 1, 0, 0, 0]}
    given = read_tastings(table | {"preference": ["new", "new", "old", "old", "new", None]})
    correct, everyone = answers_of(given.to_panels().frame, given)
    assert [(a.new, a.old, a.none, a.wrong_new, a.wrong_old, a.wrong_none) for a in correct] == [(2, 1, 0, 1, 1, 0)]
    assert not correct[0].offered and len(everyone) <= 1
    offered = read_tastings(table | {"preference": ["new", "new", "old", "old", "new", "none"]})
    (a,), _ = answers_of(offered.to_panels().frame, offered)
    assert a.offered and a.wrong_none == 1


def test_separate_pairs_come_as_a_dict_a_list_or_a_frame():
    assert pairs_of(None) == []
    one = [Asked("separate pair", None, 20, 10, 0, False)]
    assert pairs_of({"prefer_new": 20, "prefer_old": 10}) == pairs_of([{"prefer_new": 20.0, "prefer_old": 10}]) == one
    two = pairs_of({"prefer_new": [20, 3], "prefer_old": [10, 4], "no_preference": [5, 6]})
    assert [(a.panel, a.new, a.old, a.none, a.offered) for a in two] == [
        ("separate pair 1", 20, 10, 5, True),
        ("separate pair 2", 3, 4, 6, True),
    ]
    named = pairs_of(pd.DataFrame({"panel": ["oak"], "prefer_new": [1], "prefer_old": [2]}))
    assert named[0].panel == "oak" and named[0].row is None
    with pytest.raises(ValueError, match="needs the columns prefer_new and prefer_old; there is no prefer_old"):
        pairs_of({"prefer_new": 3})
    with pytest.raises(ValueError, match=r"one row a pair; got 7\."):
        pairs_of(7)
    for wrong in (-1, 2.5, np.inf, "3", None):
        with pytest.raises(ValueError, match=r"pair 'separate pair' has .* as a count of answers"):
            pairs_of({"prefer_new": wrong, "prefer_old": 1})


def test_the_placebo_pair_counts_stated_and_not_stated():
    assert placebo_of((3, 4, 13)) == (7, 13) and placebo_of(np.array([0, 0, 2])) == (0, 2)
    for wrong in ((3, 4), "345", (1, 2, 3, 4)):
        with pytest.raises(ValueError, match="placebo holds three counts"):
            placebo_of(wrong)
    with pytest.raises(ValueError, match="the placebo pair has -1 as a count"):
        placebo_of((3, -1, 2))
    served = read_panels(
        [{"panel": "A"} | ROW | {"asked": "all", "placebo_stated": 3, "placebo_none": 5}, {"panel": "B"} | ROW | {"asked": "all", "placebo_stated": 4}]
    )  # fmt: skip
    assert served_placebo(served.frame) == (7, 5)
    assert served_placebo(read_panels([{"panel": "A"} | ROW | {"asked": "all"}]).frame) is None
