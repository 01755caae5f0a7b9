"""A trend of the panels with their dates, said unasked."""

import numpy as np
import pytest
from scipy.stats import permutation_test, spearmanr

import metasense as ms
from metasense.questions import trend
from metasense.showing.words import banned

RISING = {
    "panel": list("ABCDEF"),
    "protocol": "triangle",
    "tastings": 24,
    "correct": [7, 9, 10, 12, 14, 16],
    "date": [f"2025-0{month}-10" for month in range(1, 7)],
}


def test_the_correlation_and_its_p_value_are_those_of_scipy():
    counts = [9, 8, 12, 11, 15, 13]
    found = trend.against_dates(ms.pool(RISING | {"correct": counts}).core)
    assert found[0] == pytest.approx(spearmanr(range(6), counts).statistic)

    def statistic(x):
        return spearmanr(x, range(6)).statistic

    exact = permutation_test((counts,), statistic, permutation_type="pairings", n_resamples=np.inf)
    assert found[1] == pytest.approx(exact.pvalue)


def test_many_panels_are_held_against_drawn_orders():
    counts = [8, 9, 8, 10, 11, 10, 12, 11, 13, 14]
    table = {"panel": list("ABCDEFGHIJ"), "protocol": "triangle", "tastings": 24, "correct": counts}
    dates = [f"2025-{month:02d}-01" for month in range(1, 11)]
    correlation, p, _ = trend.against_dates(ms.pool(table | {"date": dates}).core)
    assert correlation == pytest.approx(spearmanr(range(10), counts).statistic)
    assert p < 0.001


def test_panels_that_rise_with_their_dates_are_a_note_and_no_caution_before_others():
    pooled = ms.pool(RISING, margin="d'=1")
    (said,) = trend.note(pooled.core)
    assert said.startswith("Later panels came out higher: a d-prime of about 0.3") and banned(said) == []
    assert said in pooled.notes and said not in pooled.warnings


def test_panels_within_a_level_that_rise_are_said_to():
    pooled = ms.pool(RISING | {"batch_pair": list("ABCABC")}, within="batch_pair")
    (said,) = trend.note(pooled.core, asked="pooled.plain.path()")
    assert said in pooled.notes and said.endswith("pooled.plain.path() shows it.")


def test_panels_that_fall_are_said_to():
    (said,) = trend.note(ms.pool(RISING | {"correct": RISING["correct"][::-1]}).core)
    assert said.startswith("Later panels came out lower")


@pytest.mark.parametrize(
    "change",
    [{"date": ["2025-01-10"] * 6}, {"correct": [10, 12, 9, 11, 10, 12]}, {"correct": 10}, {"date": [None] * 6}],
)
def test_without_a_trend_or_dates_nothing_is_said(change):
    assert trend.note(ms.pool(RISING | change).core) == []


def test_protocols_are_compared_on_d_prime():
    # the duo-trio's higher shares are no rise: its guess rate is higher
    table = RISING | {"protocol": ["triangle"] * 3 + ["duo-trio"] * 3, "correct": [9, 8, 9, 13, 12, 13]}
    assert trend.note(ms.pool(table).core) == []


def test_without_enough_dates_or_with_panels_alike_the_correlation_is_nought_and_nothing_rare():
    undated = trend.against_dates(ms.pool(RISING | {"date": RISING["date"][:4] + [None] * 2}).core)
    assert undated[:2] == (0.0, 1.0) and undated[2].size == 0
    alike = trend.against_dates(ms.pool(RISING | {"correct": 12}).core)
    # 12 of 24, half a panel's guess added to keep it off the ends: the d-prime of (12 + 1/6) / 24.5
    expected = float(ms.protocol("triangle").d_prime((12 + 1 / 6) / 24.5))
    assert alike[:2] == (0.0, 1.0) and alike[2] == pytest.approx([expected] * 6)
