"""The small answers, each side of the thresholds that decide their words; counts against SciPy's binomial."""

import numpy as np
import pytest
from scipy import stats

import metasense as ms
from metasense.core.answers import NextPanel, Rate, Verdict, lean, margin_words, quantity, side
from metasense.engine.distribution import Distribution
from metasense.margins import SETTLED

FLAT = Distribution(np.linspace(0, 1, 101), np.linspace(0, 1, 101))
MARGIN = ms.Margin(d_prime=0.5)
TRIANGLE = ms.protocol("triangle")


def near(value, width=1e-6):
    """A d-prime that is as good as known."""
    return Distribution(np.array([value - width, value + width]), np.array([0.0, 1.0]))


def test_a_row_of_numbers_says_what_its_interval_is():
    row = quantity("share", FLAT, 0.8)
    assert list(row) == ["quantity", "mean", "median", "lower", "upper", "prob", "kind"]
    assert [row["mean"], row["median"], row["lower"], row["upper"]] == pytest.approx([0.5, 0.5, 0.1, 0.9])
    assert (row["quantity"], row["prob"], row["kind"]) == ("share", 0.8, "equal-tailed")


@pytest.mark.parametrize(
    ("way", "said"),
    [
        (0.9501, "in the expected direction"),
        (SETTLED, "its direction not settled"),
        (0.5, "its direction not settled"),
        (1 - SETTLED, "its direction not settled"),
        (0.0499, "against the expected direction"),
    ],
)
def test_which_way_panels_lean_is_said_from_what_is_settled_on(way, said):
    assert lean(way) == said


@pytest.mark.parametrize(
    ("p", "said"),
    [(0.9401, "94.0 %"), (0.9496, "95.0 %"), (0.9599, "96.0 %"), (0.9399, "94 %"), (0.9601, "96 %"), (0.96001, "96 %"),
     (0.5, "50 %"), (1.0, "more than 99 %"), (0.0, "less than 1 %")],
)  # fmt: skip
def test_a_probability_within_a_hundredth_of_settled_has_a_digit_more(p, said):
    assert side(p) == said


@pytest.mark.parametrize(
    ("above", "label"),
    [
        (0.951, "beyond the margin"),
        (SETTLED, "not settled"),
        (0.5, "not settled"),
        (1 - SETTLED, "not settled"),
        (0.049, "within the margin"),
    ],
)
def test_a_verdict_is_given_above_ninety_five_in_a_hundred_and_not_at_it(above, label):
    verdict = Verdict(MARGIN, above, SETTLED if above == 1 - SETTLED else 1 - above)
    assert verdict.label == label and verdict == label and verdict != "no margin given"
    assert verdict.to_frame().iloc[0].to_dict() == {
        "verdict": label,
        "margin_d_prime": 0.5,
        "p_above": above,
        "p_below": verdict.below,
        "threshold": 0.95,
    }
    assert verdict.to_row("old").iloc[0].to_dict() == {
        "value": "old",
        "p_above": above,
        "p_below": verdict.below,
        "verdict": label,
    }


def test_a_verdict_compares_the_whole_distribution_with_the_margin():
    found = Verdict.of(FLAT, ms.Margin(d_prime=0.2))
    assert (found.above, found.below) == pytest.approx((0.8, 0.2))
    none = Verdict.of(FLAT, None)
    assert np.isnan([none.above, none.below]).all() and none == "no margin given"
    assert np.isnan(none.to_frame()["margin_d_prime"].item()) and "there is no verdict" in none.sentence()


def test_verdicts_are_equal_by_label_and_to_nothing_but_verdicts_and_words():
    one, other = Verdict(MARGIN, 0.99, 0.01), Verdict(ms.Margin(d_prime=1), 0.96, 0.04)
    assert one == other and hash(one) == hash(other) == hash("beyond the margin")
    assert one != Verdict(MARGIN, 0.5, 0.5) and one != 0.99


def test_the_sentence_of_a_verdict_states_margin_and_both_sides():
    said = Verdict(MARGIN, 0.7, 0.3).sentence()
    assert margin_words(MARGIN) == MARGIN.sentence().rstrip(".") and margin_words(MARGIN) in said
    assert said.endswith("(P above the margin: 70 %; below: 30 %.)")


def test_a_rate_is_carried_to_p_d_by_abbott_s_formula():
    # Abbott (1925): p_d = (p_c - g) / (1 - g); of a rate evenly spread from 1/3 to 2/3 the medians are 1/2 and 1/4
    half = Distribution(np.linspace(1 / 3, 2 / 3, 101), np.linspace(0, 1, 101))
    whole = Distribution(np.linspace(1 / 3, 1, 101), np.linspace(0, 1, 101))
    rate = Rate(TRIANGLE, half, whole)
    frame = rate.to_frame(0.5)
    names = ["p_c (triangle)", "p_d (triangle)", "next panel p_c (triangle)", "next panel p_d (triangle)"]
    assert frame["quantity"].tolist() == names
    assert frame["median"].tolist() == pytest.approx([1 / 2, 1 / 4, 2 / 3, 1 / 2])
    assert frame["lower"].tolist() == pytest.approx([5 / 12, 1 / 8, 1 / 2, 1 / 4])
    assert (frame["prob"] == 0.5).all()
    said = rate.sentence(0.5)
    assert "would average 50 % (42 % to 58 %; 50 % credible interval, equal-tailed) correct answers" in said
    assert "guessing alone gives 33 %" in said and "p_d of 25 % (12 % to 38 %), the answers beyond guessing" in said
    assert "fewer correct answers" not in said


@pytest.mark.parametrize(("high", "against"), [(0.49, True), (0.5, False), (0.52, False)])
def test_a_rate_is_against_the_expected_direction_where_its_median_lies_below_guessing(high, against):
    rate = Distribution(np.array([high - 0.01, high + 0.01]), np.array([0.0, 1.0]))
    said = Rate(ms.protocol("2-AFC"), rate, rate).sentence()
    assert ("fewer correct answers than guessing gives" in said) == against
    assert ("the answers beyond guessing" in said) != against


def test_the_next_panel_of_a_known_d_prime_is_binomial():
    tetrad = ms.protocol("tetrad")
    panel = NextPanel.of(near(1.2), tetrad, 30)
    expected = stats.binom.pmf(np.arange(31), 30, float(tetrad.p_correct(1.2)))
    assert panel.probability == pytest.approx(expected, abs=1e-6)
    for prob in (0.5, 0.8, 0.95):
        chance = float(tetrad.p_correct(1.2))
        lower, upper = stats.binom.ppf([(1 - prob) / 2, (1 + prob) / 2], 30, chance)
        assert panel.interval(prob) == (lower, upper)


def test_the_next_panel_of_what_may_be_nothing_counts_guessing_as_often_as_that():
    maybe = near(2.0).with_atom(0.0, 0.4)
    nothing, something = (stats.binom.pmf(np.arange(13), 12, float(TRIANGLE.p_correct(d))) for d in (0.0, 2.0))
    found = NextPanel.of(maybe, TRIANGLE, 12).probability
    assert found == pytest.approx(0.4 * nothing + 0.6 * something, abs=1e-6)


def test_the_next_panel_of_a_spread_out_d_prime_averages_binomials():
    wide = Distribution(np.array([0.0, 1.0, 3.0]), np.array([0.0, 0.25, 1.0]))
    panel = NextPanel.of(wide, TRIANGLE, 12)
    low, high = (stats.binom.pmf(np.arange(13), 12, float(TRIANGLE.p_correct(d))) for d in (0.5, 2.0))
    assert panel.probability == pytest.approx(0.25 * low + 0.75 * high, abs=1e-12)


def test_an_interval_of_counts_holds_at_least_its_probability_and_ends_where_the_tails_do():
    panel = NextPanel(TRIANGLE, 4, np.array([0.025, 0.225, 0.5, 0.225, 0.025]))
    assert panel.interval() == (1, 3)  # exactly 2.5 % lie beyond either end
    assert panel.interval(0.96) == (0, 4) and panel.interval(0.6) == (1, 3) and panel.interval(0.5) == (2, 2)


@pytest.mark.parametrize(
    ("tastings", "critical"), [(2, None), (3, 3), (6, 5), (24, 13), (30, 15), (48, 22)]
)  # ISO 4120, table A.1: alpha 5 %; three of three has chance 1/27, two of two 1/9
def test_the_critical_count_is_that_of_the_standard(tastings, critical):
    panel = NextPanel(TRIANGLE, tastings, np.full(tastings + 1, 1 / (tastings + 1)))
    frame = panel.to_frame()
    assert panel.critical == critical
    assert frame["correct"].tolist() == list(range(tastings + 1))
    reached = 0 if critical is None else tastings + 1 - critical
    assert frame["significant"].sum() == reached
    assert panel.chance_significant == pytest.approx(reached / (tastings + 1))
    said = panel.sentence()
    if critical is None:
        assert said.endswith("; no count of so few tastings is statistically significant at 5 %.")
    else:
        assert f"reaches {critical} and is statistically significant on its own (one-sided, 5 %)" in said
    assert f"A next triangle panel of {tastings} tastings would give" in said


def test_a_margin_may_ask_for_another_probability_to_be_settled():
    lenient = ms.Margin(d_prime=0.5, settled=0.9)
    assert Verdict(lenient, 0.901, 0.099).label == "beyond the margin" and Verdict(lenient, 0.9, 0.1) == "not settled"
    assert Verdict(lenient, 0.099, 0.901).label == "within the margin"
    assert Verdict(lenient, 0.905, 0.095).sentence().endswith("(P above the margin: 90.5 %; below: 10 %.)")  # near .9
    assert Verdict(lenient, 0.9, 0.1).to_frame()["threshold"].item() == 0.9
    assert Verdict.of(FLAT, None).to_frame()["threshold"].item() == 0.95


def test_intervals_hold_ninety_five_in_a_hundred_unless_another_share_is_asked_for():
    rate = Rate(TRIANGLE, FLAT, FLAT)
    frame = rate.to_frame()
    assert (frame["prob"] == 0.95).all() and frame["lower"].iloc[0] == pytest.approx(0.025)
    assert "95 % credible interval" in rate.sentence() and rate.sentence() == rate.sentence(0.95)
    panel = NextPanel(TRIANGLE, 4, np.array([0.02, 0.23, 0.5, 0.23, 0.02]))
    assert "would give 1 to 3 correct (95 % predictive interval" in panel.sentence()
    assert "would give 2 to 2 correct (50 % predictive interval" in panel.sentence(0.5)
    assert panel.interval() == panel.interval(0.95)
