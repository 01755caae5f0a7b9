"""Facts of a table of panels: the chances of its counts with nothing to taste."""

import pytest
from scipy import stats

from metasense.tables.panels import read_panels


def test_tails_of_two_counts_are_fishers_few_first():
    rows = [
        {"panel": "A", "protocol": "A-not-A", "signal": 20, "hits": 15, "noise": 20, "false_alarms": 6},
        {"panel": "B", "protocol": "triangle", "tastings": 24, "correct": 12},
        {"panel": "C", "protocol": "same-different", "signal": 18, "hits": 4, "noise": 16, "false_alarms": 9},
    ]
    few, many = read_panels(rows).tails()
    for i, (hits, missed, alarms, right) in ((0, (15, 5, 6, 14)), (2, (4, 14, 9, 7))):
        table = [[hits, missed], [alarms, right]]
        assert few[i] == pytest.approx(stats.fisher_exact(table, "less").pvalue, rel=1e-12)
        assert many[i] == pytest.approx(stats.fisher_exact(table, "greater").pvalue, rel=1e-12)
    assert [few[1], many[1]] == pytest.approx([stats.binom.cdf(12, 24, 1 / 3), stats.binom.sf(11, 24, 1 / 3)])


def test_a_reversal_is_a_count_with_a_chance_below_one_in_a_thousand():
    # SciPy's binomial: of 40 triangles 4 or fewer come by guessing with a chance of 0.0007, 5 or fewer with 0.0025
    assert stats.binom.cdf([4, 5], 40, 1 / 3) == pytest.approx([0.00065, 0.00251], abs=1e-5)
    panels = read_panels({"panel": ["four", "five"], "protocol": "triangle", "tastings": 40, "correct": [4, 5]})
    assert panels.reversals() == ("four",)
