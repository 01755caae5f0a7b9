"""Every panel on its own: rows against SciPy's exact intervals, and against one panel asked alone."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, binomtest, fisher_exact

import metasense as ms
from metasense.alone.panels import panels_alone
from metasense.protocols import protocol

TABLE = {
    "panel": ["A", "B", "C", "D", "E", "F"],
    "protocol": ["triangle", "2-AFC", "triangle", "A-not-A", "triangle", "2-AFC"],
    "tastings": [24, 30, 24, None, 3, 30],
    "correct": [13, 9, 13, None, 1, 21],
    "signal": [None, None, None, 20, None, None],
    "hits": [None, None, None, 14, None, None],
    "noise": [None, None, None, 24, None, None],
    "false_alarms": [None, None, None, 8, None, None],
}


@pytest.fixture(scope="module")
def alone():
    return panels_alone(ms.read_panels(TABLE)).set_index("panel")


def test_rows_stand_in_the_order_of_the_table_with_its_counts(alone):
    assert alone.index.tolist() == list("ABCDEF")
    assert alone["protocol"].tolist() == TABLE["protocol"]
    assert alone["correct"].tolist()[:3] == [13, 9, 13] and pd.isna(alone.loc["D", "correct"])
    assert alone.loc["A"].equals(alone.loc["C"])


def test_forced_choices_have_exact_numbers_cut_at_guessing_where_nothing_lies_below(alone):
    triangle, pair = protocol("triangle"), protocol("2-AFC")
    row = alone.loc["A"]
    interval = binomtest(13, 24).proportion_ci(0.95, method="exact")
    assert row["p_value"] == pytest.approx(binom.sf(12, 24, 1 / 3)) and row["critical_number"] == 13
    assert row[["p_c", "p_c_lower", "p_c_upper"]].tolist() == pytest.approx(
        [13 / 24, max(interval.low, 1 / 3), interval.high]
    )
    assert row["p_d_upper"] == pytest.approx((interval.high - 1 / 3) * 1.5)
    assert row["d_prime"] == pytest.approx(float(triangle.d_prime(13 / 24)))
    assert row["kind"] == "exact" and row["prob"] == 0.95
    below = alone.loc["B"]
    interval = binomtest(9, 30).proportion_ci(0.95, method="exact")
    assert below[["p_c_lower", "p_c_upper"]].tolist() == pytest.approx([interval.low, interval.high])
    assert below["d_prime"] == pytest.approx(float(pair.d_prime(0.3))) and below["d_prime"] < 0
    assert below["p_d"] == pytest.approx(2 * 0.3 - 1)


def test_what_no_count_can_reach_has_no_critical_number(alone):
    # 3 of 3 by guessing: 1 in 27, which is below 5 %; 2 of 2: 1 in 9
    assert alone.loc["E", "critical_number"] == 3
    two = panels_alone(pd.DataFrame({"panel": ["A"], "protocol": ["triangle"], "tastings": [2], "correct": [2]}))
    assert pd.isna(two["critical_number"][0])
    strict = panels_alone(ms.read_panels(TABLE), alpha=0.01)
    assert strict["critical_number"][0] == 15 and pd.isna(strict["critical_number"][4])


def test_yes_and_no_have_fishers_p_a_profile_and_nothing_else(alone):
    row = alone.loc["D"]
    one = ms.one_panel("A-not-A", signal=20, hits=14, noise=24, false_alarms=8)
    assert row["p_value"] == pytest.approx(fisher_exact([[14, 6], [8, 16]], alternative="greater").pvalue)
    assert row[["d_prime", "d_prime_lower", "d_prime_upper"]].tolist() == pytest.approx([one.d_prime, *one.profile])
    assert row["kind"] == "profile" and pd.isna(row["critical_number"]) and pd.isna(row["p_c"])


def test_without_signal_or_noise_there_is_nothing_to_work_out():
    frame = {
        "panel": ["A", "B"],
        "protocol": "A-not-A",
        "signal": [0, 9],
        "hits": [0, 5],
        "noise": [9, 9],
        "false_alarms": 2,
    }
    found = panels_alone(pd.DataFrame(frame).assign(tastings=None, correct=None))
    assert np.isnan(found["p_value"][0]) and found["p_value"][1] < 0.5


def test_other_intervals_can_be_asked_for():
    wide = panels_alone(ms.read_panels(TABLE), prob=0.5)
    interval = binomtest(13, 24).proportion_ci(0.5, method="exact")
    assert wide.loc[0, ["p_c_lower", "p_c_upper"]].tolist() == pytest.approx([interval.low, interval.high])
    assert set(wide["prob"]) == {0.5}


def test_no_panels_are_no_rows_with_the_same_columns(alone):
    empty = panels_alone(pd.DataFrame({"panel": [], "protocol": [], "tastings": [], "correct": []}))
    assert len(empty) == 0 and list(empty) == ["panel", *alone.columns]


def test_a_panel_without_answers_has_no_share():
    found = panels_alone(pd.DataFrame({"panel": ["A"], "protocol": ["triangle"], "tastings": [0], "correct": [0]}))
    assert np.isnan(found["p_c"][0]) and np.isnan(found["d_prime"][0]) and found["p_value"][0] == 1


def test_a_column_that_lacks_is_named():
    with pytest.raises(ValueError, match="the panels have no column 'tastings' and 'correct'"):
        panels_alone(pd.DataFrame({"panel": ["A"], "protocol": ["triangle"]}))
