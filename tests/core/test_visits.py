"""How often people had sat before, counted by hand."""

import pytest

import metasense as ms
from metasense.core.visits import with_visits
from metasense.tables.panels import PanelsError, read_tastings

SAT = {"A": "abc", "B": "bcd", "C": "abe"}  # a, b and c are new in A; b and c come again to B, a and b to C


def tastings(dates=None, extra=None):
    rows = [
        {"panel": p, "protocol": "triangle", "taster": t, "correct": i % 2}
        | ({} if dates is None else {"date": dates[p]})
        | (extra or {})
        for p, people in SAT.items()
        for i, t in enumerate(people)
    ]
    return read_tastings(rows)


def visits(given):
    panels = with_visits(given.to_panels(), given, ["visit"])
    return dict(zip(panels.frame["panel"], panels.frame["visit"], strict=True)), panels.notes[-1]


def test_a_panels_visit_is_the_mean_number_of_panels_its_people_had_sat_in():
    found, note = visits(tastings())
    assert found == pytest.approx({"A": 0, "B": 2 / 3, "C": (1 + 2 + 0) / 3}, abs=0.005)
    assert "by the order of the table" in note and "cannot be told apart" in note


def test_dates_decide_which_was_earlier():
    found, note = visits(tastings({"A": "2025-03-03", "B": "2025-03-02", "C": "2025-03-01"}))
    assert found == pytest.approx({"C": 0, "B": 1 / 3, "A": (1 + 2 + 1) / 3}, abs=0.005)
    assert "by the dates" in note


def test_repeats_in_one_panel_are_one_sitting():
    rows = [{"panel": p, "protocol": "triangle", "taster": "a", "correct": 1} for p in "AABB"]
    assert visits(read_tastings(rows))[0] == {"A": 0, "B": 1}


def test_a_column_of_that_name_is_the_tables_own():
    given = tastings(extra={"visit": 7})
    panels = with_visits(given.to_panels(), given, ["visit"])
    assert panels.frame["visit"].tolist() == [7, 7, 7] and "own column" in panels.notes[-1]


def test_without_people_known_to_come_again_there_is_no_visit():
    with pytest.raises(PanelsError, match="nobody is known to have sat in several"):
        ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 20, "correct": 9}, moderators="visit")
    given = tastings()
    assert with_visits(given.to_panels(), given, ["weeks"]).frame.equals(given.to_panels().frame)


def test_a_pool_takes_it_as_a_moderator_and_keeps_it_when_saved(tmp_path):
    pooled = ms.pool(tastings(), moderators="visit")
    assert pooled.moderators == ("visit",)
    again = ms.load(pooled.save(tmp_path / "pool.nc"))
    assert again.to_frame().equals(pooled.to_frame())
    assert any("cannot be told apart" in note for note in pooled.notes)
