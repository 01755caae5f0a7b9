"""Sizes, critical numbers and limits against published tables, worked figures and SciPy's binomial.

Each file in ``data/sizes_*.csv`` names a source a row. Where the printed number and exact arithmetic differ, the row
carries both: the exact one is expected, and that the printed one is wrong is checked too.
"""

import inspect
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

import metasense as ms
from metasense.binomial import at_least, at_most, largest_count, smallest_count
from metasense.margins import Margin
from metasense.planning import looks
from metasense.planning.chances import assurance, verdict_chances
from metasense.planning.sizes import (
    actual_alpha,
    compare_protocols,
    compared_table,
    critical_number,
    critical_table,
    efficient_sizes,
    power,
    risk_percent,
    similarity_limit,
    similarity_table,
    size_table,
    tasters_needed,
)
from metasense.protocols import PROTOCOLS, Protocol, protocol

DATA = Path(__file__).parents[1] / "data"
CRITICAL = pd.read_csv(DATA / "sizes_critical.csv")
TASTERS = pd.read_csv(DATA / "sizes_tasters.csv")
SIMILARITY = pd.read_csv(DATA / "sizes_similarity.csv")
FORCED = [test for test in PROTOCOLS.values() if isinstance(test, Protocol)]


def test_critical_numbers_are_the_published_ones_wherever_those_are_exact():
    found = [
        critical_number(row.protocol, row.tastings, alpha=row.alpha, two_sided=row.sides == 2)
        for row in CRITICAL.itertuples()
    ]
    dash = CRITICAL["tastings"] + 1  # an empty cell is a dash in print: not even all correct would do
    assert (found == CRITICAL["exact"].fillna(dash)).all()
    printed_wrong = CRITICAL[CRITICAL["published"].fillna(dash) != CRITICAL["exact"].fillna(dash)]
    # one line of the printed duo-trio table, n = 22, is one too low throughout
    assert printed_wrong[["protocol", "tastings"]].drop_duplicates().values.tolist() == [["duo-trio", 22]]
    for row in printed_wrong.itertuples():
        assert binom.sf(row.published - 1, row.tastings, 0.5) > row.alpha >= binom.sf(row.exact - 1, row.tastings, 0.5)


def test_smallest_sizes_are_the_published_ones_wherever_those_are_exact():
    found = [
        tasters_needed(r.protocol, p_d=r.p_d, alpha=r.alpha, beta=r.beta, two_sided=r.sides == 2)
        for r in TASTERS.itertuples()
    ]
    assert [needed.smallest for needed in found] == TASTERS["smallest"].tolist()
    known = TASTERS["lasting"].notna()
    assert known.sum() > 180
    assert [n.lasting for n, use in zip(found, known, strict=True) if use] == TASTERS.loc[known, "lasting"].tolist()
    # recalled cells that are neither the smallest nor the lasting exact size: exact arithmetic wins
    wrong = TASTERS[TASTERS["published"] != TASTERS["smallest"]]
    assert sorted(wrong["published"]) == [85, 637, 1181, 1540]
    assert (wrong["published"] != wrong["lasting"]).all()


def test_similarity_limits_are_the_published_ones_wherever_those_are_exact():
    found = [similarity_limit(r.protocol, r.tastings, p_d=r.p_d, beta=r.beta) for r in SIMILARITY.itertuples()]
    assert (found == SIMILARITY["exact"]).all()
    for row in SIMILARITY[SIMILARITY["published"] != SIMILARITY["exact"]].itertuples():
        share = protocol(row.protocol).p_from_p_d(row.p_d)
        assert row.published == row.exact - 1  # printed one too cautious
        assert binom.cdf(row.exact, row.tastings, share) <= row.beta < binom.cdf(row.exact + 1, row.tastings, share)


def test_tails_are_those_of_scipy():
    n = np.arange(1, 200)[:, None]
    x = np.arange(-2, 203)[None, :]
    for p in (0.1, 1 / 6, 1 / 3, 0.5, 0.93):
        np.testing.assert_allclose(at_least(x, n, p), binom.sf(x - 1, n, p), rtol=1e-11, atol=1e-300)
        np.testing.assert_allclose(at_most(x, n, p), binom.cdf(x, n, p), rtol=1e-11, atol=1e-300)


@settings(max_examples=300, deadline=None)
@given(st.integers(1, 5000), st.floats(0.01, 0.99), st.floats(1e-6, 0.6))
def test_a_count_is_the_smallest_or_largest_that_keeps_the_risk(n, p, risk):
    x, y = int(smallest_count(n, p, risk)), int(largest_count(n, p, risk))
    assert binom.sf(x - 1, n, p) <= risk * (1 + 1e-9)
    assert x == 0 or binom.sf(x - 2, n, p) > risk * (1 - 1e-9)
    assert binom.cdf(y, n, p) <= risk * (1 + 1e-9)
    assert y == n or binom.cdf(y + 1, n, p) > risk * (1 - 1e-9)


def test_a_tail_equal_to_the_risk_meets_it():
    assert critical_number("duo-trio", 5, alpha=1 / 32) == 5  # (1/2)^5 exactly


def test_no_count_is_rare_enough_in_a_tiny_panel():
    assert critical_number("duo-trio", 4) == 5
    assert similarity_limit("triangle", 2, p_d=0.1) == -1
    assert critical_table("duo-trio", [4, 5], alphas=[0.05])[0.05].tolist() == [pd.NA, 5]
    assert similarity_table("triangle", [2], p_d=[0.1], betas=[0.05]).iloc[0, 0] is pd.NA


def test_tables_hold_the_single_answers():
    table = critical_table("tetrad", range(10, 30))
    assert table.loc[24, 0.05] == critical_number("tetrad", 24)
    limits = similarity_table("duo-trio", [36, 72])
    assert limits.loc[(72, 0.1), 0.2] == similarity_limit("duo-trio", 72, p_d=0.2, beta=0.1)


def test_a_whole_table_of_sizes_holds_the_published_ones():
    for name in ("triangle", "duo-trio"):
        table = size_table(name)
        assert len(table) == 125
        published = TASTERS[(TASTERS["protocol"] == name) & (TASTERS["sides"] == 1)]
        both = published.merge(table, on=["p_d", "alpha", "beta"], suffixes=("", "_found"))
        assert len(both) == len(published)
        assert (both["smallest"] == both["smallest_found"]).all()


@pytest.mark.parametrize("test", FORCED, ids=lambda test: test.name)
@pytest.mark.parametrize(("p_d", "alpha", "beta"), [(0.5, 0.2, 0.2), (0.3, 0.05, 0.1), (0.2, 0.001, 0.05)])
def test_smallest_and_lasting_are_what_trying_every_size_gives(test, p_d, alpha, beta):
    needed = tasters_needed(test, p_d=p_d, alpha=alpha, beta=beta)
    n = np.arange(1, 6 * needed.lasting)
    critical = binom.isf(alpha, n, test.guess).astype(int) + 1
    share = test.guess + (1 - test.guess) * p_d
    enough = binom.sf(critical - 1, n, share) >= 1 - beta
    assert n[enough][0] == needed.smallest
    assert enough[needed.lasting - 1 :].all()
    assert needed.lasting == 1 or not enough[needed.lasting - 2]


def test_similarity_needs_the_same_sizes_with_the_other_count():
    difference = tasters_needed("triangle", p_d=0.3, alpha=0.2, beta=0.05)
    similarity = tasters_needed("triangle", p_d=0.3, alpha=0.2, beta=0.05, purpose="similarity")
    assert (similarity.smallest, similarity.lasting) == (difference.smallest, difference.lasting) == (39, 46)
    row = similarity.to_frame().iloc[0]
    assert row["similarity_limit"] == similarity_limit("triangle", 39, p_d=0.3, beta=0.05)
    assert row["actual_beta"] == pytest.approx(binom.cdf(row["similarity_limit"], 39, 1 / 3 + 0.2))
    assert row["actual_alpha"] == pytest.approx(binom.sf(row["similarity_limit"], 39, 1 / 3))


def test_the_risks_are_the_same_wherever_they_are_not_given():
    said = {
        (name, parameter.default)
        for call in (tasters_needed, compare_protocols, similarity_limit, looks.sequential_plan, looks.two_stage_plan,
                     critical_number, power, assurance)
        for name, parameter in inspect.signature(call).parameters.items()
        if name in ("alpha", "beta")
    }  # fmt: skip
    assert said == {("alpha", 0.05), ("beta", 0.05)}
    one = compare_protocols(1.0, protocols=["triangle"]).iloc[0]
    needed = tasters_needed("triangle", d_prime=1.0)
    assert (one["smallest"], one["lasting"]) == (needed.smallest, needed.lasting)


def test_both_sizes_really_meet_both_risks():
    for frame in (
        tasters_needed("tetrad", d_prime=0.8, alpha=0.05, beta=0.1).to_frame(),
        tasters_needed("2-AFC", p_d=0.5, alpha=0.05, beta=0.05, two_sided=True).to_frame(),
        tasters_needed("duo-trio", p_d=0.3, alpha=0.1, beta=0.05, purpose="similarity").to_frame(),
    ):
        assert (frame["actual_alpha"] <= 0.1).all()
        assert (frame["actual_beta"] <= 0.1).all()


def test_power_is_a_sawtooth():
    # triangle, p_d = .3: .55, .63, .56 at 24, 25, 26 tastings; real alpha .048 at 23 and .028 at 24 (binomial, SciPy)
    n = np.array([23, 24, 25, 26])
    critical = binom.isf(0.05, n, 1 / 3) + 1
    np.testing.assert_allclose(power("triangle", n, p_d=0.3), binom.sf(critical - 1, n, 1 / 3 + 0.2), rtol=1e-12)
    assert power("triangle", [24, 25, 26], p_d=0.3).round(2).tolist() == [0.55, 0.63, 0.56]
    assert actual_alpha("triangle", [23, 24]).round(3).tolist() == [0.048, 0.028]


def test_power_from_d_prime_is_power_from_its_p_d():
    for test in FORCED:
        assert power(test, 30, d_prime=1.2) == pytest.approx(power(test, 30, p_d=float(test.p_d(1.2))), rel=1e-12)


def test_power_without_any_difference_is_the_real_alpha():
    assert power("triangle", 30, p_d=0) == actual_alpha("triangle", 30)


def test_a_pool_that_leans_against_the_direction_promises_no_panel_that_finds_it():
    # both panels found the other product stronger; what the next panel will show is worked out by the pool itself
    pooled = ms.pool({"panel": ["A", "B"], "protocol": "2-AFC", "tastings": [24, 30], "correct": [4, 6]})
    following = pooled.next_panel("2-AFC", 24)
    expected = following.probability[int(critical_number("2-AFC", 24)) :].sum()
    assert float(assurance("2-AFC", 24, pooled)) == pytest.approx(expected, abs=2e-3)
    assert expected < 0.01
    chances = verdict_chances("2-AFC", 24, Margin(d_prime=1), d_prime=pooled).to_frame().iloc[0]
    truth = pooled.posterior.next_theta
    assert chances["beyond"] == verdict_chances("2-AFC", 24, Margin(d_prime=1), d_prime=truth).frame["beyond"].iloc[0]
    assert float(assurance("tetrad", 24, pooled)) > 0.3  # which names no direction


def test_an_efficient_size_has_more_power_than_every_smaller_one():
    frame = efficient_sizes("triangle", 24, p_d=0.3, within=5)
    assert frame["tastings"].tolist() == list(range(19, 30))
    for row in frame.itertuples():
        smaller = power("triangle", np.arange(1, row.tastings), p_d=0.3)
        assert row.efficient == (row.power > smaller.max())
    assert not frame.set_index("tastings").loc[24, "efficient"]


def test_tetrad_needs_a_third_of_the_triangle_and_beats_two_out_of_five():
    # Ennis & Jesionka (2011), abstract: the tetrad needs one third of the triangle's sample size in some cases.
    # Ennis (2013), J. Sens. Stud. 28, 297, abstract: power of tetrad > two-out-of-five > triangle.
    # At d-prime 1, alpha .05, power .8 the exact smallest sizes are 61, 69 and 202.
    frame = compare_protocols(1.0, beta=0.2).set_index("protocol")
    assert frame.loc[["tetrad", "two-out-of-five", "triangle"], "smallest"].tolist() == [61, 69, 202]
    assert frame.loc["tetrad", "ratio"] < 1 / 3
    assert frame.loc["tetrad", "cups"] == frame.loc["tetrad", "lasting"] * 4


def test_the_tetrad_loses_its_edge_where_the_break_even_says():
    frame = compare_protocols(1.0, beta=0.2).set_index("protocol")
    assert frame.loc["triangle", "break_even"] == pytest.approx(1, abs=1e-9)
    # a fourth sample that blurs the difference to about .7 of the triangle's: about as many tastings as the triangle
    assert frame.loc["tetrad", "break_even"] == pytest.approx(0.70, abs=0.01)
    at = {"tetrad": frame.loc["tetrad", "break_even"], "triangle": 1.0}
    blurred = compare_protocols(at, protocols=["tetrad", "triangle"]).set_index("protocol")
    assert blurred.loc["tetrad", "ratio"] == pytest.approx(1, abs=0.05)


def test_people_are_fewer_than_tastings_only_when_they_repeat():
    once = compare_protocols(1.5, protocols=["triangle"]).iloc[0]
    twice = compare_protocols(1.5, protocols=["triangle"], tastings_each=2).iloc[0]
    assert once["people"] == once["lasting"]
    assert twice["people"] == -(-once["lasting"] // 2)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: critical_number("A-not-A", 20), "A-not-A has no share of correct answers"),
        (lambda: critical_number("triangle", 20, two_sided=True), "only 2-AFC"),
        (lambda: critical_number("triangle", 2.5), "whole numbers"),
        (lambda: critical_number("triangle", 20, alpha=5), "alpha is a risk between 0 and 1"),
        (lambda: critical_number("triangle", "24"), "whole numbers from 1; got '24'"),
        (lambda: critical_number("triangle", np.inf), "whole numbers from 1"),
        (lambda: critical_number("triangle", 20, alpha="low"), "alpha is a risk between 0 and 1"),
        (lambda: power("triangle", 20), "p_d=... or d_prime=..."),
        (lambda: power("triangle", 20, d_prime=np.nan), "d_prime is a number, or several; got nan"),
        (lambda: power("triangle", 20, p_d="small"), "p_d is a number, or several; got 'small'"),
        (lambda: verdict_chances("triangle", 24, 0.3, d_prime=1.0), "margin is a Margin, for instance"),
        (lambda: verdict_chances("triangle", 24, Margin(d_prime=1), d_prime=1.0, settled=0.3), "above 0.5, so that"),
        (lambda: power("triangle", 20, p_d=30), "share between 0 and 1"),
        (lambda: tasters_needed("triangle", p_d=0), "larger than none"),
        (lambda: tasters_needed("triangle", d_prime=0), "larger than none; got d_prime = 0"),
        (lambda: tasters_needed("2-AFC", d_prime=-1), "larger than none"),
        (lambda: tasters_needed("triangle", p_d=0.001), "more than 2,000,000"),
        (lambda: tasters_needed("triangle", p_d=0.3, purpose="equality"), "difference"),
        (lambda: compare_protocols({"tetrad": 1.0}), "says no distance for triangle"),
    ],
)
def test_an_impossible_question_is_answered_with_its_remedy(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_the_answer_shows_itself_alike_in_text_and_html():
    needed = tasters_needed("triangle", p_d=0.3, alpha=0.05, beta=0.2)
    assert needed.statement() in repr(needed) and needed.statement() in needed._repr_html_().replace("\u00a0", " ")
    assert "40 tastings" in repr(needed)
    assert "From 42 on" in repr(needed)


def test_the_figure_draws_the_sawtooth_on_the_axes_given():
    import matplotlib.pyplot as plt

    figure, ax = plt.subplots()
    needed = tasters_needed("triangle", p_d=0.3)
    assert needed.plot(ax=ax) is ax
    drawn = ax.lines[0].get_ydata()
    assert (np.diff(drawn) < 0).any()
    assert (np.diff(drawn) > 0).any()
    plt.close(figure)


@pytest.mark.parametrize("each", [1, 3, 4])
def test_enough_people_come_for_all_the_tastings(each):
    costs = compare_protocols(1.0, beta=0.2, tastings_each=each)
    assert (costs["people"] * each >= costs["lasting"]).all()
    assert ((costs["people"] - 1) * each < costs["lasting"]).all()


def test_a_size_at_which_no_count_is_enough_is_not_efficient():
    near = efficient_sizes("triangle", 4, p_d=0.3, within=3).set_index("tastings")
    assert near.loc[[1, 2], "power"].tolist() == [0, 0]  # 3 of 3 has p = 1/27: the first that suffices
    assert not near.loc[[1, 2], "efficient"].any()
    assert near.loc[3, "efficient"]


def test_the_words_of_a_size_are_those_of_its_purpose_and_its_tooth():
    # triangle, p_d .3, alpha 5 %, beta 20 %: 40 and 42, critical number 19 of 40 (exact binomial tails, SciPy)
    difference = tasters_needed("triangle", p_d=0.3, beta=0.2)
    similarity = tasters_needed("triangle", p_d=0.3, beta=0.2, purpose="similarity")
    assert difference._line() == (
        "triangle, run for difference: 40 tastings, and from 42 on every size, for a p_d of 30 % with an alpha-risk of "
        "5 % and a beta-risk of 20 %."
    )
    said = difference._paragraph()
    assert "From 42 on every panel does; in between some do not, because power is a saw-tooth." in said
    alpha, beta = binom.sf(18, 40, 1 / 3), binom.cdf(18, 40, 1 / 3 + 0.2)
    risks = f"(real alpha-risk {100 * alpha:.1f} %, real beta-risk {100 * beta:.1f} %)"
    assert f"Call a difference at 19 or more correct of 40 {risks}. Cups: 120 for 40 tastings, 126 for 42." in said
    assert "alpha-risk to 5 % and the beta-risk to 20 % at a p_d of 30 % (d-prime 1.64)" in said
    assert f"Call it similar at 18 or fewer correct of 40 {risks}" in similarity._paragraph()
    once = tasters_needed("2-AFC", p_d=0.9, beta=0.2, two_sided=True)
    assert once.smallest == once.lasting == 9
    assert "9 tastings, and every larger size, for" in once._line()
    assert "alpha-risk to 5 % (two-sided) and" in once._paragraph()
    assert "Every larger panel does too." in once._paragraph()
    assert once._paragraph().endswith("Cups: 18 for 9 tastings.")
    frame = once.to_frame()
    assert frame["actual_alpha"].iloc[0] == pytest.approx(2 * binom.sf(7, 9, 0.5))
    assert frame["actual_beta"].iloc[0] == pytest.approx(binom.cdf(7, 9, 0.95))
    assert frame.columns.tolist()[3] == "critical_number" and frame["critical_number"].tolist() == [8, 8]
    assert frame["cups"].tolist() == [18, 18] and frame["size"].tolist() == ["smallest", "lasting"]


def test_the_sawtooth_runs_from_half_the_smallest_to_above_the_lasting_size():
    needed = tasters_needed("triangle", p_d=0.3, beta=0.2)
    frame = needed.sawtooth()
    assert frame["tastings"].tolist() == list(range(20, 54))  # 42 * 1.15 + 6 = 54.3
    assert frame.set_index("tastings").loc[40, "power"] == pytest.approx(binom.sf(18, 40, 1 / 3 + 0.2))
    assert frame.set_index("tastings").loc[40, "actual_alpha"] == pytest.approx(binom.sf(18, 40, 1 / 3))
    paired = tasters_needed("2-AFC", p_d=0.9, two_sided=True).sawtooth()
    assert (paired["actual_alpha"] <= 0.05).all() and paired["tastings"].iloc[0] >= 1


def test_both_sides_of_a_two_sided_risk_count():
    n = np.array([9, 20, 30])
    critical = critical_number("2-AFC", n, two_sided=True)
    assert actual_alpha("2-AFC", n, two_sided=True) == pytest.approx(2 * binom.sf(critical - 1, n, 0.5))
    assert actual_alpha("2-AFC", n) == pytest.approx(binom.sf(critical_number("2-AFC", n) - 1, n, 0.5))
    near = efficient_sizes("2-AFC", 20, p_d=0.5, two_sided=True, within=1)
    assert near["tastings"].tolist() == [19, 20, 21]
    assert near["critical_number"].tolist() == critical_number("2-AFC", [19, 20, 21], two_sided=True).tolist()


@pytest.mark.parametrize(
    ("share", "said"), [(0.05, "5 %"), (0.055, "5.5 %"), (0.0004, "less than 0.1 %"), (1.0, "100 %")]
)
def test_a_risk_has_a_decimal_only_where_it_needs_one(share, said):
    assert risk_percent(share) == said


def test_tables_have_the_sizes_and_risks_that_were_asked_for():
    table = critical_table("2-AFC", [20, 30], alphas=[0.1, 0.05], two_sided=True)
    assert table.index.tolist() == [20, 30] and table.columns.tolist() == [0.1, 0.05]
    assert table.loc[30, 0.05] == 21 and table.loc[20, 0.05] == 15  # ISO 5495, two-sided
    sizes = size_table("2-AFC", p_d=[0.5], alphas=[0.05], betas=[0.2, 0.1], two_sided=True)
    needed = [tasters_needed("2-AFC", p_d=0.5, beta=b, two_sided=True) for b in (0.2, 0.1)]
    assert sizes["smallest"].tolist() == [n.smallest for n in needed]
    assert sizes["lasting"].tolist() == [n.lasting for n in needed]
    assert sizes["beta"].tolist() == [0.2, 0.1]


def test_the_distance_is_kept_as_it_was_given_and_worked_out_where_it_was_not():
    by_rate, by_distance = tasters_needed("tetrad", p_d=0.3), tasters_needed("tetrad", d_prime=1.0)
    assert by_rate.p_d == 0.3 and by_rate.d_prime == pytest.approx(float(protocol("tetrad").d_prime_from_p_d(0.3)))
    assert by_distance.d_prime == 1.0 and by_distance.p_d == pytest.approx(float(protocol("tetrad").p_d(1.0)))
    costs = compare_protocols(1.0, protocols=["triangle", "2-AFC"], beta=0.2)
    assert costs["protocol"].tolist() == ["2-AFC", "triangle"]
    assert costs["attribute"].tolist() == ["must be named", "need not be named"]
    assert costs["p_correct"].tolist() == pytest.approx([float(protocol(n).p_correct(1.0)) for n in costs["protocol"]])
    even = compare_protocols(1.0, protocols=["triangle"], against="2-AFC", beta=0.2)
    at = float(even["break_even"].iloc[0])
    most = tasters_needed("2-AFC", d_prime=1.0, beta=0.2).lasting
    assert power("triangle", most, d_prime=at) == pytest.approx(power("2-AFC", most, d_prime=1.0))
    few = compare_protocols(8.0, protocols=["two-out-of-five", "2-AFC"], against="two-out-of-five")
    assert np.isnan(few.set_index("protocol").loc["2-AFC", "break_even"])  # no count of so few is rare in a 2-AFC
    with pytest.raises(ValueError, match="1 or more; got 0"):
        compare_protocols(1.0, tastings_each=0)


def test_the_table_of_protocols_has_few_columns_unless_asked_for_all():
    compared = compare_protocols(1.0, protocols=["triangle", "2-AFC"])
    few, full = compared_table(compared, "c"), compared_table(compared, "c", in_full=True)
    assert few.headers == ("protocol", "right at this difference", "tastings", "cups", "what differs")
    assert "even at d-prime" in full.headers and "tastings / triangle's" in full.headers
    assert "Even at d-prime" in str(full) and "from so many on every panel keeps both risks" in str(few)


def test_differences_that_no_panel_could_find_are_refused_in_numbers():
    with pytest.raises(ValueError, match=r"a difference this small \(a p_d of 0\.10 %\) may take more than 2,000,000"):
        tasters_needed("triangle", p_d=0.001)
    with pytest.raises(ValueError, match="may take more than 2,000,000"):
        tasters_needed("triangle", p_d=1e-9)
    with pytest.raises(ValueError, match="got p_d = 0"):
        tasters_needed("triangle", p_d=0)
    with pytest.raises(ValueError, match="got d_prime = 0"):
        tasters_needed("2-AFC", d_prime=0)
    with pytest.raises(ValueError, match="one way: p_d"):
        tasters_needed("triangle", p_d=0.3, d_prime=1.0)
    with pytest.raises(ValueError, match="leave two_sided out"):
        tasters_needed("2-AFC", p_d=0.3, purpose="similarity", two_sided=True)
    for wrong in (0, 1, -0.1, np.nan):
        with pytest.raises(ValueError, match="beta is a risk between 0 and 1"):
            similarity_limit("triangle", 20, p_d=0.3, beta=wrong)
    for wrong in ([], [0], [1.5], [np.nan]):
        with pytest.raises(ValueError, match="whole numbers from 1"):
            critical_number("triangle", wrong)
    assert critical_number("triangle", [1]) == [2]
