"""Which panels known by totals may be of the same people, and what is said of them."""

import pytest

import metasense as ms
from metasense.questions import clubs

TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": [11, 12, 11]}


def core(**more):
    return ms.pool(TABLE | more).core


def test_one_name_in_several_panels_is_said_to_be_the_same_people_with_both_intervals():
    found = core(people=["club", "club", "visitors"])
    (club,) = clubs.stated(found)
    assert (club.name, club.panels, club.group.rows, club.group.tasters) == ("club", ("A", "B"), (0, 1), (20, 20))
    (said,) = clubs.warning(found)
    assert said.startswith("The same people, as the table says: A and B (club). Only totals are known of them")
    assert " in place of " in said and said.endswith("would tell it exactly.")
    (bare,) = clubs.warning(found, plain=False)
    assert "in place of" not in bare
    assert clubs.suspected(found) is None


def test_names_that_differ_say_that_people_do_and_nothing_is_asked():
    found = core(people=["spring", "summer", "autumn"], tasters=20)
    assert clubs.stated(found) == () and clubs.warning(found) == [] and clubs.question(found) == []


@pytest.mark.parametrize(
    ("tasters", "named"),
    [([20, 20, 20], "ABC"), ([20, 20, 19], ""), ([None, None, None], ""), ([1, 1, 1], ""), ([20, 20, None], "")],
)
def test_as_many_tasters_in_three_panels_are_asked_about(tasters, named):
    club = clubs.suspected(core(tasters=tasters))
    assert ("" if club is None else "".join(club.panels)) == named


def test_most_panels_have_to_be_alike():
    table = {"protocol": "triangle", "tastings": 30, "correct": 14}
    six = ms.pool(table | {"panel": list("ABCDEF"), "tasters": [24, 24, 24, 30, 29, 28]}).core
    five = ms.pool(table | {"panel": list("ABCDE"), "tasters": [24, 24, 24, 30, 29]}).core
    assert clubs.suspected(six) is None and clubs.suspected(five).panels == ("A", "B", "C")


def test_the_interval_of_the_same_people_is_wider_and_a_question_names_the_column():
    found = core(tasters=20)
    (low, high), (new_low, new_high) = (
        clubs.average(found, [clubs.suspected(found)]).interval(),
        found.average.interval(),
    )
    assert high - low > new_high - new_low
    (asked,) = clubs.question(found)
    assert "in a column people" in asked and " in place of " in asked


def test_who_is_known_by_name_is_not_asked_about():
    rows = [
        {"panel": p, "protocol": "triangle", "taster": f"{p}{t}", "correct": t % 2} for p in "ABC" for t in range(6)
    ]
    assert clubs.suspected(ms.pool(ms.read_tastings(rows)).core) is None


def test_a_club_is_a_warning_of_every_kind_of_pool():
    more = {"people": "club", "weeks": [1, 2, 3]}
    (said,) = clubs.warning(core(**more))
    assert said in ms.pool(TABLE | more).warnings
    (bare,) = clubs.warning(core(**more), plain=False)
    assert bare in ms.pool(TABLE | more, moderators="weeks").warnings
