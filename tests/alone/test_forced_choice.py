"""One forced-choice panel: its words at and around the critical number, and its numbers against SciPy's binomial."""

import numpy as np
import pytest
from scipy import stats

from metasense.alone.single import one_panel
from metasense.margins import Margin
from metasense.protocols import protocol

MARGIN = Margin(p_d=0.3, protocol="triangle")


@pytest.mark.parametrize(("correct", "said"), [(12, "not reached."), (13, "reached."), (14, "reached.")])
def test_the_critical_number_is_reached_from_itself_on(correct, said):
    # ISO 4120, table A.1: 13 of 24 at alpha 5 %
    panel = one_panel("triangle", 24, correct)
    assert panel.critical_number == 13
    assert panel.actual_alpha == pytest.approx(stats.binom.sf(12, 24, 1 / 3))
    opening = panel._opening()[1]
    called = f"A difference is called from 13 (real alpha-risk {100 * panel.actual_alpha:.1f} %), which this panel has"
    assert f"{called} {said}" in opening
    assert "two-sided" not in opening and panel.p_value_two_sided is None
    assert panel._by_luck().endswith("; 13 is statistically significant.")


def test_where_no_count_is_significant_nothing_is_promised():
    panel = one_panel("triangle", 2, 2, margin=MARGIN)
    assert panel.critical_number == 3 and np.isnan(panel.detectable_p_d) and panel.power_at_margin == 0
    assert "In a panel of 2 not even all correct would be called a difference." in panel._opening()[1]
    assert panel._by_luck().endswith("; in so few answers no count is statistically significant.")
    assert len(panel._closing()) == 1
    least = one_panel("triangle", 3, 3, margin=MARGIN)  # 1/27 is below 5 %
    assert least.detectable_p_d == pytest.approx((0.8 ** (1 / 3) - 1 / 3) / (2 / 3))
    assert len(least._closing()) == 3 and least._closing()[0].startswith("Had the difference been exactly the margin")
    assert least.critical_number == 3 and "which this panel has reached." in least._opening()[1]
    assert least._by_luck().endswith("; 3 is statistically significant.")


@pytest.mark.parametrize(("correct", "against"), [(7, "at or below"), (8, "at or below"), (9, "against")])
def test_a_share_is_set_beside_guessing(correct, against):
    said = one_panel("triangle", 24, correct, name="A")._counted()
    assert said.startswith(f"A: triangle, {correct} of 24 answers correct (")
    assert said.endswith(f"{against} the 33 % that guessing gives")


def test_both_tails_and_both_sides_are_those_of_scipy():
    for correct in (3, 15, 20, 27):
        panel = one_panel("2-AFC", 30, correct)
        assert panel.p_value == pytest.approx(stats.binom.sf(correct - 1, 30, 0.5))
        assert panel.p_value_reversed == pytest.approx(stats.binom.cdf(correct, 30, 0.5))
        assert panel.p_value_two_sided == pytest.approx(stats.binomtest(correct, 30, 0.5).pvalue)
        frame = panel.to_frame()
        assert frame["basis"].tolist()[:2] == ["exact, one-sided", "exact, two-sided"]
        assert "(two-sided p" in panel._opening()[1]


def test_risks_and_power_at_the_margin_are_binomial_tails():
    panel = one_panel("tetrad", 40, 20, margin=Margin(d_prime=1.0), beta=0.1, alpha=0.01)
    share = float(protocol("tetrad").p_correct(1.0))
    critical = panel.critical_number
    assert stats.binom.sf(critical - 1, 40, 1 / 3) <= 0.01 < stats.binom.sf(critical - 2, 40, 1 / 3)
    limit = panel.similarity_limit
    assert stats.binom.cdf(limit, 40, share) <= 0.1 < stats.binom.cdf(limit + 1, 40, share)
    assert panel.power_at_margin == pytest.approx(stats.binom.sf(critical - 1, 40, share))
    chance = float(protocol("tetrad").p_from_p_d(panel.detectable_p_d))
    assert stats.binom.sf(critical - 1, 40, chance) == pytest.approx(0.8)
    rows = panel.to_frame().set_index(["quantity", "basis"])["estimate"]
    assert rows["similarity_limit", "the margin, beta 0.1"] == limit
    assert rows["critical_number", "alpha 0.01"] == critical
    assert rows["power", "if the difference is exactly the margin"] == panel.power_at_margin
    assert rows["p_d found in 4 of 5", "40 tastings, alpha 0.01"] == panel.detectable_p_d
    bare = one_panel("tetrad", 40, 20)
    assert bare.similarity_limit is None and bare.power_at_margin is None
    assert not {"similarity_limit", "power"} & set(bare.to_frame()["quantity"])
    closing = panel._closing()
    assert closing[0].endswith(f"critical number in {100 * panel.power_at_margin:.0f} % of cases.")
    assert closing[1].startswith("A panel of 40 reaches its critical number in four cases out of five from a p_d of ")
    assert "(d-prime " in closing[1] and len(closing) == 3 and len(bare._closing()) == 2
    assert "keeps it to 1 %" in panel._worked_out()[0] and "keeps it to 5 %" in bare._worked_out()[0]


@pytest.mark.parametrize(
    ("test", "correct", "cut"), [("triangle", 6, True), ("triangle", 20, False), ("2-AFC", 6, False)]
)
def test_estimates_are_cut_at_guessing_only_where_a_difference_has_no_direction(test, correct, cut):
    panel = one_panel(test, 24, correct)
    share = panel.to_frame_of("p_c")
    exact = share[share["kind"] == "exact"].iloc[0]
    ends = stats.binomtest(correct, 24).proportion_ci(method="exact")
    floor = 1 / 3 if cut else 0.0
    expected = [max(p, floor) for p in (correct / 24, ends.low, ends.high)]
    assert [exact["estimate"], exact["lower"], exact["upper"]] == pytest.approx(expected)
    assert exact["basis"].endswith(", cut at guessing") == cut
    own = protocol(test)
    rates = panel.to_frame_of("p_d")
    first = rates[rates["kind"] == "exact"].iloc[0]
    assert first["upper"] == pytest.approx(float(own.p_d_from_p(expected[2])))
    assert panel.to_frame_of("d_prime")["quantity"].unique().tolist() == ["d_prime"]


def test_the_flat_belief_is_a_beta_cut_at_guessing():
    panel = one_panel("triangle", 24, 12, margin=MARGIN)
    share = float(protocol("triangle").p_correct(MARGIN.d_prime))
    beta = stats.beta(13, 13)
    assert panel.beyond["flat prior on p_d"] == pytest.approx(beta.sf(share) / beta.sf(1 / 3))
    allowed = beta.sf(1 / 3) * np.exp(stats.beta(1, 1).logpdf(0.5))
    average = allowed / 25 / stats.binom.pmf(12, 24, 0.5) * stats.binom.pmf(12, 24, 0.5) / (1 - 1 / 3)
    expected = np.log(average / stats.binom.pmf(12, 24, 1 / 3))  # a uniform p_c gives each count a chance of 1/25
    assert panel.log_bayes_factor["flat prior on p_d"] == pytest.approx(expected)
    none = one_panel("triangle", 20_000, 3000, margin=MARGIN)  # so few that the beta has run out of digits
    assert none.beyond["flat prior on p_d"] == 0.0


def test_a_panel_is_seen_as_counts_with_its_name():
    named, nameless = one_panel("triangle", 24, 12, name="Cellar"), one_panel("triangle", 24, 12)
    assert named._seen() == "in Cellar 12 of 24 triangle answers were right"
    assert nameless._seen() == "12 of 24 triangle answers were right"
    believed = named._believed(protocol("triangle"))
    assert list(believed) == ["flat prior on p_d", "prior on d-prime"]
    flat = named.p_d_posterior
    middle, low, high = believed["flat prior on p_d"]
    assert [middle, low, high] == pytest.approx(
        [1 / 3 + 2 / 3 * p for p in (flat.median, *flat.interval(0.95))], abs=1e-4
    )


@pytest.mark.parametrize(
    ("correct", "first"),
    [
        (7, "correct, fewer than the 8 that guessing gives on average"),
        (8, "correct beyond guessing (0 to 5 fit the counts)"),
    ],
)
def test_answers_are_counted_from_what_guessing_gives(correct, first):
    panel = one_panel("triangle", 24, correct)
    groups = panel.answers()
    assert next(iter(groups)) == first and sum(groups.values()) == 24 and groups["wrong"] == 24 - correct
    assert panel._alt("answers", {}) == f"Answers: {', '.join(f'{count} {group}' for group, count in groups.items())}."
    assert "d-prime of this panel" in panel._alt("", {})


@pytest.mark.parametrize(("test", "correct", "prob"), [("triangle", 16, 0.95), ("2-AFC", 10, 0.8)])
def test_profile_ends_are_as_far_below_the_best_as_chi_square_says(test, correct, prob):
    panel = one_panel(test, 24, correct, prob=prob)
    frame = panel.to_frame_of("p_c").set_index("kind")
    low, high = frame.loc["profile", ["lower", "upper"]].astype(float)
    best = stats.binom.logpmf(correct, 24, correct / 24)
    fall = [2 * (best - stats.binom.logpmf(correct, 24, p)) for p in (low, high)]
    assert fall == pytest.approx([stats.chi2.ppf(prob, 1)] * 2, abs=1e-6) and low < correct / 24 < high
    assert frame.loc["profile", "prob"] == prob and "cut" not in frame.loc["profile", "basis"]


def test_each_belief_has_its_own_rows_marks_and_words():
    panel = one_panel("triangle", 24, 12)
    flat, pooling = panel.p_d_posterior, panel.d_prime_posterior
    assert flat.median > float(protocol("triangle").p_d(pooling.median)) + 0.03  # pooling expects less
    for quantity, middles in (
        ("p_d", (flat.median, protocol("triangle").p_d(pooling.median))),
        ("p_c", (1 / 3 + 2 / 3 * flat.median, protocol("triangle").p_correct(pooling.median))),
        ("d_prime", (protocol("triangle").d_prime_from_p_d(flat.median), pooling.median)),
    ):
        rows = panel.to_frame_of(quantity).set_index("basis")["estimate"]
        found = [rows["posterior, flat prior on p_d"], rows["posterior, prior on d-prime"]]
        assert found == pytest.approx([float(m) for m in middles], abs=1e-4)
    marks = panel._beliefs()
    assert list(marks) == ["flat prior: every p_d equally likely", "pooling's prior: small differences likelier"]
    assert np.median(marks["flat prior: every p_d equally likely"]) > np.median(list(marks.values())[1]) + 0.1
    middles = [f"{100 * float(m):.0f} % (" for m in (flat.median, protocol("triangle").p_d(pooling.median))]
    first, second = panel._opening()[3].split(" with a flat prior on p_d, ")
    assert first.startswith(f"p_d in triangle: {middles[0]}") and second.startswith(middles[1])
    assert " with a prior on d-prime; " in second
