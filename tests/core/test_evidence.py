"""From tables to evidence: who repeated, whose panels share people, and which totals do not agree."""

import pytest

import metasense as ms
from metasense.core.evidence import collect, crossing, gathered, joined, repeated_people
from metasense.tables.panels import PanelsError, read_panels, read_tastings

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


def test_people_who_sat_in_several_panels_are_found_by_name_whatever_the_protocols():
    given = tastings()
    assert crossing(given.to_panels().frame, given) is None  # nobody came to both
    assert crossing(given.to_panels().frame, None) is None
    who, kinds = ["Ann", "Ann", "Bob", "Bob", "Dee"], ["triangle"] * 3 + ["tetrad"] * 2
    given = tastings(taster=who, protocol=kinds)
    found = crossing(given.to_panels().frame, given)
    assert found.tasters == ("Bob",) and found.sittings == 2
    assert (found.answers.tolist(), found.correct.tolist()) == ([[1, 1]], [[1, 1]])
    assert found.own[0].people == ((2, 1, 1),) and (found.own[1].tastings, found.own[1].correct) == (1, 0)


def test_panels_of_strangers_stay_out_and_equal_panels_with_different_people_are_kept_apart():
    table = {"panel": list("AABBCC"), "protocol": "triangle", "correct": [1, 0, 1, 0, 1, 0]}
    given = read_tastings(table | {"taster": ["a", "b", "b", "c", "d", "e"]})
    frame = given.to_panels().frame
    found = crossing(frame, given)
    assert found.rows.tolist() == [0, 1] and found.tasters == ("b",)
    assert collect(frame, given).copies.tolist() == [3]
    apart = collect(frame, given, found.rows.tolist())
    assert apart.copies.tolist() == [1, 1, 1]
    sitters = found.sitters(apart, 0.5)
    assert (len(sitters.whole), len(sitters.others), sitters.rho) == (2, 1, 0.5)
    assert sitters.own[0].tastings == 1


def test_answers_with_two_counts_link_nobody():
    rows = [
        {"panel": p, "protocol": "A-not-A", "taster": t, "served": s, "answer": "A"}
        for p in "AB"
        for t in "xyz"
        for s in ("A", "not A")
    ]
    given = read_tastings(rows)
    assert crossing(given.to_panels().frame, given) is None


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


EVENING = "panel,protocol,taster,correct\n{0},triangle,T1,1\n{0},triangle,T2,0\n{0},triangle,T3,1\n"
TOTALS = "panel,protocol,tastings,correct\nMarket,triangle,24,9\nFriday,triangle,3,2\n"


def two_evenings():
    return [read_tastings(EVENING.format(name), name=f"{name}.csv") for name in ("Friday", "Sunday")]


def test_two_evenings_are_pooled_however_they_are_given():
    first, second = two_evenings()
    for panels, answers in (((first, second), None), (first, second), ([first, second], None)):
        if answers is None:
            panels = list(panels)
        found, single = gathered(panels, answers)
        assert found.frame["panel"].tolist() == ["Friday", "Sunday"] and len(single) == 6
        assert found.frame["correct"].tolist() == [2, 2]


def test_totals_stand_beside_several_evenings():
    totals = read_panels(TOTALS)
    for found, single in (gathered(totals, two_evenings()), gathered([totals, *two_evenings()])):
        assert found.frame["panel"].tolist() == ["Market", "Friday", "Sunday"]
        assert single.frame["panel"].nunique() == 2


def test_an_evening_that_is_given_twice_is_refused_by_name():
    first, second = two_evenings()
    for panels, answers in ((first, first), (first, [second, first]), ([first, second, first], None)):
        with pytest.raises(PanelsError, match="'Friday' occurs twice"):
            gathered(panels, answers)


def test_the_pool_of_two_evenings_follows_who_sat_in_both_and_keeps_the_notes():
    evening = (
        "panel,protocol,taster,correct,left_out\n{0},triangle,T1,1,\n{0},triangle,T2,0,\n{0},triangle,T3,1,saw it\n"
    )
    first, second = (read_tastings(evening.format(name), name=name) for name in ("Friday", "Sunday"))
    pooled = ms.pool(first, tastings=second)
    assert pooled.core.regulars.crossing.tasters == ("T1", "T2")
    said = " ".join(pooled.notes)
    assert "1 in Friday" in said and "1 in Sunday" in said
