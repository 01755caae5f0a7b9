"""From tables to evidence: who repeated, whose panels share people, and which totals do not agree."""

import pytest

import metasense as ms
from metasense.core.evidence import collect, joined, one_sitting, repeated_people
from metasense.tables.panels import read_panels, read_tastings

TASTINGS = {
    "panel": ["A", "A", "A", "B", "B"],
    "protocol": "triangle",
    "taster": ["Ann", "Ann", "Bob", "Cas", "Dee"],
    "correct": [1, 0, 1, 1, 0],
}


def tastings(**columns):
    return read_tastings(TASTINGS | columns)


def test_panels_in_which_nobody_repeated_need_no_answers_of_each():
    assert repeated_people(None) == {}
    assert repeated_people(tastings()) == {"A": ((1, 1, 1), (2, 1, 1))}  # answers, correct, tasters
    assert repeated_people(tastings(taster=list("vwxyz"))) == {}


def test_answers_of_each_taster_enter_where_they_are_known_and_totals_elsewhere():
    given = tastings()
    frame = given.to_panels().frame
    kinds = [type(e).__name__ for e in collect(frame, given).rows]
    assert kinds == ["Repeats", "Counts"]
    assert [type(e).__name__ for e in collect(frame).rows] == ["RepeatedTotal", "Counts"]
    assert collect(frame).rows[0].tasters == 2 and collect(frame).rows[0].tastings == 3


def test_two_counts_enter_in_their_order():
    frame = read_panels(
        {"panel": ["A"], "protocol": "A-not-A", "signal": [20], "hits": [14], "noise": [18], "false_alarms": [5]}
    ).frame
    one = collect(frame).rows[0]
    assert (one.signal, one.hits, one.noise, one.false_alarms) == (20, 14, 18, 5)


def test_people_who_came_twice_make_their_panels_one_sitting_and_strangers_do_not():
    assert one_sitting(tastings()) is None  # nobody came to both
    met = one_sitting(tastings(taster=["Ann", "Ann", "Bob", "Bob", "Dee"]))
    assert met.counts()[["panel", "taster", "r", "y"]].values.tolist() == [
        ["A", "Ann", 2, 1],
        ["A", "Bob", 2, 2],
        ["A", "Dee", 1, 0],
    ]
    others = tastings(taster=["Ann", "Ann", "Bob", "Bob", "Dee"], protocol=["triangle"] * 3 + ["tetrad"] * 2)
    assert one_sitting(others) is None  # the same people, in another protocol


def test_panels_that_share_people_through_others_become_one():
    table = {"panel": list("AABBCC"), "protocol": "triangle", "correct": 1}
    met = one_sitting(read_tastings(table | {"taster": ["a", "b", "b", "c", "c", "d"]}))
    assert met.frame["panel"].unique().tolist() == ["A"]
    part = one_sitting(read_tastings(table | {"taster": ["a", "b", "c", "d", "d", "e"]}))
    assert part.frame["panel"].unique().tolist() == ["A", "B"]


def test_totals_that_differ_are_all_named_with_both():
    panels = read_panels({"panel": ["A", "B"], "protocol": "triangle", "tastings": [3, 2], "correct": [1, 2]})
    with pytest.raises(ms.PanelsError) as caught:
        joined(panels, tastings())
    said = str(caught.value)
    assert "triangle: 1 correct of 3 in the table of panels, triangle: 2 correct of 3 by 2 tasters in the tastings" in (
        said
    )
    assert "triangle: 2 correct of 2 in the table of panels, triangle: 1 correct of 2" in said
    counted = {"panel": ["A"], "protocol": "A-not-A", "signal": [20], "hits": [14], "noise": [20], "false_alarms": [5]}
    with pytest.raises(ms.PanelsError, match="A-not-A: hits 14 of 20, false alarms 5 of 20 in the table of panels"):
        joined(read_panels(counted), tastings())


def test_totals_that_agree_take_their_tasters_from_the_tastings_and_new_panels_are_added():
    panels = read_panels({"panel": ["Z", "A"], "protocol": "triangle", "tastings": [24, 3], "correct": [9, 2]})
    both = joined(panels, tastings())
    assert both.frame["panel"].tolist() == ["Z", "A", "B"]
    assert both.frame["tasters"].astype("object").fillna(-1).tolist() == [-1, 2, 2]
    assert both.source == panels.source or both.source == f"{panels.source} with {tastings().source}"
    same = joined(panels, read_tastings({k: v[:3] if isinstance(v, list) else v for k, v in TASTINGS.items()}))
    assert same.frame["panel"].tolist() == ["Z", "A"]


def test_a_stated_number_of_tasters_must_agree_too():
    panels = read_panels({"panel": ["A"], "protocol": "triangle", "tastings": [3], "correct": [2], "tasters": [3]})
    with pytest.raises(ms.PanelsError, match="by 3 tasters in the table of panels, triangle: 2 correct of 3 by 2"):
        joined(panels, tastings())
