"""Planned and unplanned looks: against brute force over every sequence of answers, published designs and simulation."""

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy.stats import binom, binomtest

from metasense.binomial import at_least
from metasense.planning.looks import LooksPlan, _best_two_stage, _fewest, cost_of_looks, sequential_plan, two_stage_plan
from metasense.planning.sizes import critical_number, tasters_needed
from metasense.protocols import forced_choice


def every_sequence(plan: LooksPlan, p: float) -> tuple[float, float, float, float]:
    """P(difference), P(similar), P(not settled) and mean tastings by listing all sequences of answers."""
    out = np.zeros(4)
    for answers in product([0, 1], repeat=plan.looks[-1]):
        chance = p ** sum(answers) * (1 - p) ** (len(answers) - sum(answers))
        n, said = plan.follow(answers)
        out[["difference", "similar", "not settled"].index(said)] += chance
        out[3] += chance * n
    return tuple(out)


@pytest.mark.parametrize(
    "plan",
    [
        sequential_plan("triangle", p_d=0.6, alpha=0.1, beta=0.1, most=13),
        sequential_plan("2-AFC", d_prime=1.5, alpha=0.2, beta=0.1, every=3, most=12),
        two_stage_plan("tetrad", (6, 12), p_d=0.7, alpha=0.1, beta=0.2),
        LooksPlan(forced_choice("duo-trio"), 0.5, 0.05, 0.05, (5, 9, 11), (6, 9, 10), (0, -1, 4)),
    ],
    ids=["every taster", "every third", "two stages", "by hand"],
)
def test_chances_are_those_of_listing_every_sequence(plan):
    for p_d in (0.0, 0.25, plan.p_d):
        row = plan.evaluate(p_d=p_d).iloc[0]
        p = float(plan.protocol.p_from_p_d(p_d))
        found = row[["difference", "similar", "not_settled", "expected_tastings"]]
        np.testing.assert_allclose(found, every_sequence(plan, p), atol=1e-12)


@pytest.mark.parametrize(
    ("looks", "similar_to", "difference_from", "p_d", "expected", "stops_early", "alpha", "power"),
    [
        # Simon R (1989), Controlled Clinical Trials 10, 1-10, Table 1 (from memory): two-stage designs for p0 = .1,
        # p1 = .3, alpha .05, beta .2. Optimal r1/n1 = 1/10, r/n = 5/29, E(n | p0) = 15.0, early stop .74.
        # Minimax 1/15, 5/25, E(n | p0) = 19.5, early stop .55. Two-out-of-five has a guess rate of .1.
        ((10, 29), (1, 5), (11, 6), 2 / 9, 15.0, 0.74, 0.05, 0.80),
        ((15, 25), (1, 5), (16, 6), 2 / 9, 19.5, 0.55, 0.05, 0.80),
    ],
)
def test_published_two_stage_designs_have_their_published_properties(
    looks, similar_to, difference_from, p_d, expected, stops_early, alpha, power
):
    plan = LooksPlan(forced_choice("two-out-of-five"), p_d, 0.05, 0.2, looks, difference_from, similar_to)
    null = plan.evaluate(p_d=0).iloc[0]
    assert null["expected_tastings"] == pytest.approx(expected, abs=0.05)
    assert plan.to_frame()["similar_if_guessing"].iloc[0] == pytest.approx(stops_early, abs=0.005)
    assert plan.actual_alpha <= alpha
    assert plan.evaluate(p_d=p_d)["difference"].iloc[0] >= power


def test_unplanned_looks_cost_what_binomial_arithmetic_says():
    # Checked below by simulation; rounded figures: 13 % (every taster, 10 to 45), 9.3 % (every fifth, 20 to 45),
    # 4.3 % (24, then 36: whole counts leave room), 18 % (every taster, 10 to 100).
    for looks, overall in (
        (range(10, 46), 0.130),
        (range(20, 46, 5), 0.093),
        ((24, 36), 0.043),
        (range(10, 101), 0.18),
    ):
        assert cost_of_looks("triangle", looks).overall == pytest.approx(overall, abs=6e-4 if overall < 0.18 else 5e-3)


def test_the_cost_of_looks_is_what_simulated_guessers_show():
    rng = np.random.default_rng(20)
    panels = rng.random((40_000, 45)) < 1 / 3
    counts = np.cumsum(panels, axis=1)
    looks = np.arange(10, 46)
    critical = binom.isf(0.05, looks, 1 / 3) + 1
    alarms = int((counts[:, looks - 1] >= critical).any(axis=1).sum())
    low, high = binomtest(alarms, len(panels)).proportion_ci(0.9999)
    assert low < cost_of_looks("triangle", looks).overall < high


def test_the_strict_level_is_the_largest_that_keeps_the_risk():
    cost = cost_of_looks("triangle", range(20, 46, 5))
    assert cost.strict_overall <= 0.05 < cost.overall
    frame = cost.to_frame()
    assert (frame["strict_number"] >= frame["critical_number"]).all()
    assert frame["risk_so_far"].iloc[-1] == pytest.approx(cost.overall)
    levels = np.unique([binom.sf(x - 1, n, 1 / 3) for n in cost.looks for x in range(n + 1)])
    following = levels[levels > cost.strict_alpha * (1 + 1e-9)][0]
    assert cost_of_looks("triangle", cost.looks, alpha=float(following)).overall > 0.05


def test_one_look_costs_nothing():
    cost = cost_of_looks("duo-trio", [36])
    assert cost.overall == pytest.approx(cost.last_alone, rel=1e-12)
    assert cost.overall == pytest.approx(binom.sf(critical_number("duo-trio", 36) - 1, 36, 0.5))


def test_wald_boundaries_are_the_textbook_lines():
    # Wald (1947): go on while log B < log likelihood ratio < log A, A = (1 - beta) / alpha, B = beta / (1 - alpha).
    plan = sequential_plan("duo-trio", p_d=0.4, alpha=0.05, beta=0.1)
    for n, high, low in zip(plan.looks, plan.difference_from, plan.similar_to, strict=True):
        x = np.arange(n + 1)
        ratio = x * np.log(0.7 / 0.5) + (n - x) * np.log(0.3 / 0.5)
        assert high == np.append(x[ratio >= np.log(0.9 / 0.05)], n + 1)[0]
        assert low == np.append(-1, x[ratio <= np.log(0.1 / 0.95)])[-1]


def test_a_sequential_plan_keeps_its_risks_and_saves_tastings():
    for protocol, p_d, alpha, beta in (
        ("triangle", 0.3, 0.05, 0.05),
        ("tetrad", 0.2, 0.1, 0.05),
        ("2-AFC", 0.5, 0.05, 0.2),
    ):
        plan = sequential_plan(protocol, p_d=p_d, alpha=alpha, beta=beta)
        assert plan.actual_alpha <= alpha
        assert plan.actual_beta <= beta
        fixed = tasters_needed(protocol, p_d=p_d, alpha=alpha, beta=beta).smallest
        assert (plan.evaluate(p_d=[0, p_d])["expected_tastings"] < fixed).all()


def test_expected_tastings_are_near_walds_formula():
    # Wald (1947): E(n) = (P(accept) log B + P(reject) log A) / E(log likelihood ratio), ignoring the overshoot, which
    # can only add tastings.
    plan = sequential_plan("triangle", p_d=0.2, alpha=0.05, beta=0.05, most=4000)
    p0, p1 = 1 / 3, 1 / 3 + 0.2 * 2 / 3
    for p, frame in ((p0, plan.evaluate(p_d=0)), (p1, plan.evaluate(p_d=0.2))):
        row = frame.iloc[0]
        gain = p * np.log(p1 / p0) + (1 - p) * np.log((1 - p1) / (1 - p0))
        wald = (row["similar"] - row["difference"]) * np.log(0.05 / 0.95) / gain
        assert wald <= row["expected_tastings"] < 1.1 * wald


def test_a_two_stage_plan_is_the_cheapest_that_keeps_both_risks():
    first, total, p_d, alpha, beta = 8, 18, 0.6, 0.05, 0.1
    plan = two_stage_plan("triangle", (first, total), p_d=p_d, alpha=alpha, beta=beta)
    test = forced_choice("triangle")

    def cost(candidate):
        return candidate.evaluate(p_d=[0, p_d])["expected_tastings"].mean()

    assert plan.actual_alpha <= alpha
    assert plan.actual_beta <= beta
    cheapest = np.inf
    for low in range(-1, first):
        for high in range(low + 1, first + 2):
            for last in range(total + 2):
                one = LooksPlan(test, p_d, alpha, beta, (first, total), (high, last), (low, last - 1))
                if one.actual_alpha <= alpha and one.actual_beta <= beta:
                    cheapest = min(cheapest, cost(one))
    assert cost(plan) == pytest.approx(cheapest, rel=1e-12)


@pytest.mark.parametrize(
    ("protocol", "p_d", "beta"),
    [("2-AFC", 0.3, 0.05), ("duo-trio", 0.4, 0.1), ("tetrad", 0.3, 0.2), ("triangle", 0.4, 0.1)],
)
def test_a_two_stage_plan_takes_the_smallest_total_that_works(protocol, p_d, beta):
    plan = two_stage_plan(protocol, p_d=p_d, beta=beta)
    assert plan.actual_alpha <= 0.05
    assert plan.actual_beta <= beta
    total = plan.looks[1]
    assert total <= tasters_needed(protocol, p_d=p_d, beta=beta).smallest
    test = forced_choice(protocol)
    for fewer in range(2, total):  # every smaller one was tried, or could not have been
        assert _best_two_stage(test.guess, float(test.p_from_p_d(p_d)), fewer // 2, fewer, 0.05, beta) is None


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"every": 0}, "every .* is a whole number from 1 to 132; got 0"),
        ({"every": 2.5}, "got 2.5"),
        ({"every": "x"}, "got 'x'"),
        ({"every": 60, "most": 50}, "from 1 to 50; got 60"),
        ({"most": 0}, "most .* is a whole number from 1; got 0"),
    ],
)
def test_looks_that_cannot_be_taken_are_refused(wrong, message):
    with pytest.raises(ValueError, match=message):
        sequential_plan("triangle", p_d=0.3, **wrong)


def test_looks_too_few_to_keep_both_risks_are_refused_with_a_total_that_works():
    with pytest.raises(ValueError, match=r"33 and 66 tastings do"):
        two_stage_plan("triangle", (12, 24), p_d=0.3)
    with pytest.raises(ValueError, match="the first look comes before the last"):
        two_stage_plan("triangle", (24, 24), p_d=0.3)


def test_answers_are_followed_up_to_the_look_that_ends_the_panel():
    plan = two_stage_plan("triangle", (12, 24), p_d=0.6, alpha=0.05, beta=0.05)
    high, low = plan.difference_from[0], plan.similar_to[0]
    assert plan.follow([1] * high + [0] * 20) == (12, "difference")
    assert plan.follow([1] * max(low, 0) + [0] * 20)[1] == "similar"
    assert plan.follow([1, 0, 1]) == (3, "go on")
    with pytest.raises(ValueError, match="does not look after 13"):
        plan.decide(13, 2)


def test_a_plan_that_cannot_be_is_refused():
    test = forced_choice("triangle")
    with pytest.raises(ValueError, match="increasing order"):
        LooksPlan(test, 0.3, 0.05, 0.05, (24, 12), (10, 10), (2, 2))
    with pytest.raises(ValueError, match="must lie below"):
        LooksPlan(test, 0.3, 0.05, 0.05, (12,), (5,), (5,))
    with pytest.raises(ValueError, match="together must stay below 1"):
        sequential_plan("triangle", p_d=0.3, alpha=0.6, beta=0.5)


def test_text_and_html_say_the_same_and_figures_use_the_axes_given():
    import matplotlib.pyplot as plt

    plan = two_stage_plan("triangle", p_d=0.4)
    assert plan.statement() in repr(plan)
    assert plan.statement() in plan._repr_html_().replace("\u00a0", " ")
    cost = cost_of_looks("triangle", [24, 36])
    assert cost.statement() in repr(cost)
    assert cost.statement() in cost._repr_html_().replace("\u00a0", " ")
    figure, ax = plt.subplots()
    assert plan.plot(ax=ax) is ax
    assert len(ax.lines) == 3
    plt.close(figure)


def test_following_only_counts_still_in_play_changes_no_chance():
    # against the whole table of counts, step by step
    plan = sequential_plan("duo-trio", p_d=0.3)
    truth = np.array([0.5, 0.65])
    whole = np.zeros((2, plan.looks[-1] + 2))
    whole[:, 0] = 1
    for k in range(len(plan.looks)):
        whole[:, 1:] = whole[:, 1:] * (1 - truth[:, None]) + whole[:, :-1] * truth[:, None]
        whole[:, 0] *= 1 - truth
        high, low = plan.difference_from[k], plan.similar_to[k]
        shown = plan.to_frame().iloc[k] if k in (5, 40, len(plan.looks) - 1) else None
        if shown is not None:
            assert shown["difference_if_guessing"] == pytest.approx(whole[0, high:].sum(), abs=1e-14)
            assert shown["similar_if_p_d"] == pytest.approx(whole[1, : low + 1].sum(), abs=1e-14)
        whole[:, high:] = 0
        whole[:, : low + 1] = 0


def test_more_looks_than_can_be_followed_are_refused_with_a_remedy():
    with pytest.raises(ValueError, match="State a larger difference"):
        sequential_plan("triangle", p_d=0.1, most=10**6)
    with pytest.raises(ValueError, match="State a larger difference"):
        two_stage_plan("triangle", (20_000, 60_000), p_d=0.01)


def test_a_level_that_is_just_the_risk_is_kept():
    # both of 2 triangles right by guessing: 1/9, exactly the risk asked for, and one look costs nothing
    risk = float(at_least(2, 2, 1 / 3))
    cost = cost_of_looks("triangle", [2], alpha=risk)
    assert (cost.overall, cost.strict_alpha) == (pytest.approx(1 / 9), risk)


@pytest.mark.parametrize(("first", "total"), [(19, 20), (8, 12), (4, 5)])
def test_the_last_count_can_still_go_either_way_when_the_panel_goes_on(first, total):
    # whoever goes on has more than `similar` correct: a final number at or below that would be reached already
    for guess in (0.1, 1 / 3, 1 / 2):
        found = _best_two_stage(guess, 0.9, first, total, 0.2, 0.5)
        if found is not None:
            (stop, final), (similar, end) = found
            assert similar < final == end + 1
            assert similar < stop
    assert _best_two_stage(0.1, 0.9, first, total, 0.2, 0.5) is not None


BY_HAND = LooksPlan(forced_choice("duo-trio"), 0.5, 0.05, 0.05, (20, 40), (17, 27), (10, 26))


@pytest.mark.parametrize(
    ("tastings", "correct", "said"),
    [(20, 10, "similar"), (20, 11, "go on"), (20, 16, "go on"), (20, 17, "difference"), (20, 0, "similar"),
     (20, 20, "difference"), (40, 26, "similar"), (40, 27, "difference")],
)  # fmt: skip
def test_a_look_decides_from_its_counts_on(tastings, correct, said):
    assert BY_HAND.decide(tastings, correct) == said


def test_a_last_look_between_its_counts_settles_nothing():
    open_ = LooksPlan(forced_choice("duo-trio"), 0.5, 0.05, 0.05, (20, 40), (17, 28), (10, 25))
    assert [open_.decide(40, x) for x in (25, 26, 27, 28)] == ["similar", "not settled", "not settled", "difference"]
    assert "It ends without an answer in up to" in open_._paragraph()
    assert "It always ends by 40 tastings." in BY_HAND._paragraph()
    assert open_.follow([1, 0] * 10 + [1] * 5) == (20, "similar")
    assert BY_HAND.follow([1] * 14 + [0] * 6 + [1] * 12) == (32, "go on")
    assert BY_HAND.follow([1] * 14 + [0] * 5) == (19, "go on") and BY_HAND.follow([]) == (0, "go on")
    assert BY_HAND.follow([1] * 14 + [0] * 6 + [1] * 20 + [0] * 9) == (40, "difference")


@pytest.mark.parametrize(
    ("looks", "high", "low", "words"),
    [((), (), (), "at least one look"), ((20, 40), (17,), (10, 26), "one count of each kind for every look"),
     ((20, 20), (17, 27), (10, 26), "increasing order"), ((0, 20), (17, 27), (10, 26), "increasing order"),
     ((20, 40), (17, 26), (10, 26), "must lie below the count for a difference")],
)  # fmt: skip
def test_a_plan_whose_counts_cannot_be_is_refused(looks, high, low, words):
    with pytest.raises(ValueError, match=words):
        LooksPlan(forced_choice("duo-trio"), 0.5, 0.05, 0.05, looks, high, low)
    with pytest.raises(ValueError, match=r"does not look after 30 tastings; it does after 20 and 40"):
        BY_HAND.decide(30, 12)
    for wrong in (-1, 21):
        with pytest.raises(ValueError, match=f"{wrong} correct of 20 tastings cannot be"):
            BY_HAND.decide(20, wrong)


def test_the_words_of_a_plan_give_its_real_risks_beside_those_asked_for():
    at_guessing, at_p_d = (row for _, row in BY_HAND.evaluate(p_d=[0.0, 0.5]).iterrows())
    assert (BY_HAND.actual_alpha, BY_HAND.actual_beta) == (at_guessing["difference"], at_p_d["similar"])
    assert BY_HAND.d_prime == pytest.approx(float(forced_choice("duo-trio").d_prime_from_p_d(0.5)))
    said = BY_HAND._paragraph()
    alpha, beta = f"{100 * BY_HAND.actual_alpha:.1f} %", f"{100 * BY_HAND.actual_beta:.1f} %"
    assert f"Real alpha-risk {alpha} (5 % asked for), real beta-risk {beta} (5 % asked for)." in said
    assert "duo-trio with 2 planned looks from 20 to 40 tastings, for a p_d of 50 %" in said
    takes = [f"{row['expected_tastings']:.0f}" for row in (at_guessing, at_p_d)]
    assert f"it takes {takes[0]} tastings when all guess and {takes[1]} at the stated difference." in said
    assert BY_HAND._line().endswith(
        f"up to 40 tastings, for a p_d of 50 %: real alpha-risk {alpha}, real beta-risk {beta}."
    )
    by_distance = BY_HAND.evaluate(d_prime=1.0).iloc[0]
    assert by_distance["d_prime"] == 1.0
    assert by_distance["p_d"] == pytest.approx(float(forced_choice("duo-trio").p_d(1.0)))
    assert BY_HAND.evaluate(p_d=0.2)["p_d"].item() == 0.2


def test_looks_at_which_nothing_can_happen_are_left_out_of_the_sheet():
    plan = LooksPlan(forced_choice("triangle"), 0.5, 0.05, 0.05, (2, 5, 9), (3, 5, 7), (-1, -1, 3))
    shown = plan.when_to_stop().to_text()
    assert [line.split()[0] for line in shown.splitlines() if line.strip() and line.split()[0].isdigit()] == ["5", "9"]
    axes = plan.plot(ax=Figure())
    assert "go on between them" in " ".join([axes.get_title(loc="left"), axes.get_title(), axes.get_title(loc="right")])


@pytest.mark.parametrize(
    ("asked", "words"),
    [({"alpha": 0.5, "beta": 0.5}, "together must stay below 1"), ({"p_d": 1.0}, "needs no sequential plan"),
     ({"most": 300_001}, "more than can be followed one by one"), ({"every": 0}, "every .* is a whole number from 1 to"),
     ({"most": 0}, "most .* is a whole number from 1;"), ({"every": 11, "most": 10}, "from 1 to 10; got 11"),
     ({"most": 2.5}, "whole number from 1; got 2.5")],
)  # fmt: skip
def test_a_sequential_plan_that_cannot_be_is_refused(asked, words):
    with pytest.raises(ValueError, match=words):
        sequential_plan("triangle", **({"p_d": 0.3} | asked))


def test_a_sequential_plan_looks_as_often_and_as_long_as_it_was_told():
    plan = sequential_plan("triangle", p_d=0.4, every=5, most=23)
    assert plan.looks == (5, 10, 15, 20) and plan.p_d == 0.4
    assert all(-1 <= low < high <= n + 1 for n, high, low in zip(plan.looks, plan.difference_from, plan.similar_to, strict=True))  # fmt: skip
    usual = sequential_plan("triangle", d_prime=1.5)
    assert usual.looks[-1] == 2 * tasters_needed("triangle", d_prime=1.5).smallest and usual.looks[0] == 1
    assert usual.p_d == pytest.approx(float(forced_choice("triangle").p_d(1.5)))


def test_looks_that_keep_no_risks_are_answered_with_some_that_do():
    with pytest.raises(
        ValueError, match=r"no counts at 4 and 8 tastings keep an alpha-risk of 5 % .*; \d+ and \d+ tastings do\."
    ) as caught:
        two_stage_plan("triangle", (4, 8), p_d=0.4)
    first, total = (int(n) for n in str(caught.value).rsplit("; ", 1)[1].split(" tastings")[0].split(" and "))
    assert two_stage_plan("triangle", (first, total), p_d=0.4).looks == (first, total)
    for wrong in ((8, 8), (9, 8)):
        with pytest.raises(ValueError, match="the first look comes before the last"):
            two_stage_plan("triangle", wrong, p_d=0.4)
    with pytest.raises(ValueError, match=r"5,001 tastings are more than a plan with one look"):
        two_stage_plan("triangle", (100, 5001), p_d=0.4)


def test_no_rule_keeps_both_risks_with_fewer_tastings_than_are_tried():
    for p_d, beta in ((0.4, 0.1), (0.6, 0.2)):
        share = float(forced_choice("triangle").p_from_p_d(p_d))
        fixed = tasters_needed("triangle", p_d=p_d, beta=beta).smallest
        least = _fewest(1 / 3, share, 0.05, beta, fixed)
        for n, enough in ((least, True), (least - 1, False)):
            critical = int(critical_number("triangle", n))
            spare = (0.05 - binom.sf(critical - 1, n, 1 / 3)) / binom.pmf(critical - 1, n, 1 / 3)
            reached = binom.sf(critical - 1, n, share) + spare * binom.pmf(critical - 1, n, share)
            assert (reached >= 1 - beta) == enough  # the most powerful rule of Neyman and Pearson
        assert two_stage_plan("triangle", p_d=p_d, beta=beta).looks[1] >= least


def test_the_cost_of_looks_is_said_with_its_remedy():
    within = cost_of_looks("triangle", (24, 36))._paragraph()
    assert within.startswith(
        "triangle: stopping at the first of 2 looks (24 to 36 tastings) at which p is 0.05 or less"
    )
    assert within.endswith("That is within 5 %: whole counts leave room for it.")
    cost = cost_of_looks("triangle", range(20, 46, 5))
    said = cost._paragraph()
    assert f"(p of about {cost.strict_alpha:.2g} or less at every look) would have kept it at" in said
    assert f"one look at the end gives {100 * cost.last_alone:.1f} %." in said
    assert "the first of 1 look (24 tastings)" in cost_of_looks("triangle", [24])._paragraph()
    none = cost_of_looks("duo-trio", range(1, 13), alpha=0.0005)
    hopeless = replace(none, overall=0.1, strict_alpha=0.0)
    assert hopeless._paragraph().endswith("No stricter level keeps it within that at every one of these looks.")
    assert hopeless.to_frame()["strict_number"].isna().all()
    assert cost._line().startswith(
        "triangle: stopping at the first of 6 looks at which p is 0.05 or less gives a false"
    )
    few, full = (cost.look_by_look(few=few).headers for few in (True, False))
    assert "risk at this look alone" in full and "risk at this look alone" not in few
    frame = cost_of_looks("triangle", [2, 24]).to_frame()
    assert frame["critical_number"].tolist() == [pd.NA, 13]  # two of two has chance 1/9
    assert frame["actual_alpha"].iloc[1] == pytest.approx(binom.sf(12, 24, 1 / 3))
