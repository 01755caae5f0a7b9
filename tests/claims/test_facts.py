"""What a result says, as numbers and sentences: each against the result's own methods, counts by hand."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binomtest

import metasense as ms
from metasense.claims.facts import (
    ABOVE,
    BAYES,
    BELOW,
    D_PRIME,
    GUESS,
    MARGIN,
    P_C,
    P_D,
    P_VALUE,
    PREFERS,
    PROBABILITY,
    SPREAD,
    _people_of_pool,
    _row_of_structure,
    facts_of,
    names_in,
    own_sentences,
)
from metasense.showing import words

HALF = ms.Margin(d_prime=0.5)
TABLE = {"panel": list("ABC"), "protocol": ["triangle", "triangle", "duo-trio"], "tastings": [24, 30, 20]}
TABLE |= {"correct": [14, 9, 12], "tasters": [24, 30, 20]}


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(TABLE, margin=HALF)


@pytest.fixture(scope="module")
def facts(pooled):
    return facts_of(pooled, (0.95, 0.8), ("tetrad",), ("A",))


def values(facts, kind, what=None, test=None):
    return [f.value for f in facts.numbers if f.kind == kind and what in (None, f.what) and test in (None, f.test)]


def test_counts_of_a_pool_are_those_of_its_table(facts):
    assert (facts.result, facts.tastings, facts.people) == ("pool", 74, 74)
    # two triangles and one duo-trio; A alone is statistically significant (13 of 24 are), two are not
    assert facts.counts["panels"] == {3, 2, 1}
    assert facts.counts["tastings"] == {74, 24, 30, 20}
    assert facts.counts["people"] == {74, 24, 30, 20}
    assert facts.pairs == {(14, 24): "", (9, 30): "", (12, 20): ""} and facts.total == (35, 74)
    assert facts.tests == ("triangle", "duo-trio") and not facts.directed and facts.verdict == "not settled"


def test_added_counts_mean_something_where_guessing_gives_the_same_everywhere():
    alike = facts_of(ms.pool(TABLE | {"protocol": "triangle", "tasters": [24, None, 20]}))
    assert alike.pairs[35, 74] == "added over panels" and alike.total is None
    assert alike.people is None and alike.counts["people"] == {24, 20}
    one = facts_of(ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9}))
    assert one.pairs == {(9, 24): "added over panels"} and one.total is None and one.verdict == "no margin given"


def test_intervals_of_every_level_and_rates_of_every_protocol_may_be_quoted(pooled, facts):
    average = pooled.average
    for prob in (0.95, 0.8):
        assert set(average.interval(prob)) <= set(values(facts, D_PRIME))
        assert set(pooled.spread.interval(prob)) <= set(values(facts, SPREAD))
        assert set(pooled.rate("tetrad").p_d.interval(prob)) <= set(values(facts, P_D, test="tetrad"))
    assert not set(average.interval(0.5)) & set(values(facts, D_PRIME))
    assert {average.median, average.mean} <= set(values(facts, D_PRIME))
    widths = {f.width for f in facts.numbers if f.value == average.median and f.kind == D_PRIME}
    assert {round(w, 9) for w in widths} == {
        round(float(np.subtract(*average.interval(p)[::-1])), 9) for p in (0.95, 0.8)
    }
    assert pooled.rate("triangle").p_c.median in values(facts, P_C, test="triangle")


def test_probabilities_and_factors_are_those_of_verdict_and_explanations(pooled, facts):
    verdict = pooled.verdict()
    assert values(facts, PROBABILITY, ABOVE) == [verdict.above] and values(facts, PROBABILITY, BELOW) == [verdict.below]
    found = pooled.explanations()
    assert values(facts, PROBABILITY, "none (nothing to taste)") == [found.probability[0]]
    assert values(facts, PROBABILITY, "same") == [found.probability[1]]
    assert values(facts, PROBABILITY, "prior probability") == list(found.prior)
    factors = found.bayes_factors()["factor"].tolist()
    assert values(facts, BAYES) == pytest.approx([x for f in factors for x in (f, 1 / f)])


def test_the_margin_is_told_in_every_protocol_quoted(facts):
    triangle, tetrad = ms.protocol("triangle"), ms.protocol("tetrad")
    assert values(facts, D_PRIME, MARGIN) == [0.5]
    assert values(facts, P_D, MARGIN, "tetrad") == [pytest.approx(float(tetrad.p_d(0.5)))]
    assert values(facts, P_C, MARGIN, "triangle") == [pytest.approx(float(triangle.p_correct(0.5)))]
    assert set(values(facts, GUESS, "guessing in duo-trio")) == {0.5}
    without = facts_of(ms.pool(TABLE))
    assert values(without, D_PRIME, MARGIN) == [] and values(without, PROBABILITY, ABOVE) == []


def test_a_named_panel_adds_its_own_numbers(pooled, facts):
    alone = pooled.panels_frame().set_index("panel").loc["A"]
    assert values(facts, P_VALUE, "p alone of A") == [pytest.approx(alone["p_value"])]
    assert values(facts, P_C, "share correct of A") == [14 / 24]
    assert values(facts, P_C, "A alone") == [pytest.approx(14 / 24)]
    interval = binomtest(14, 24).proportion_ci(0.95, method="exact")
    assert values(facts, P_D, "A alone, upper") == [pytest.approx((interval.high - 1 / 3) * 1.5)]
    assert values(facts, P_C, "A alone, lower") == [pytest.approx(interval.low)]
    given = pooled.panel("A")
    assert set(values(facts, D_PRIME, "A given all panels")) == {given.median, given.mean, *given.interval()}
    assert values(facts, P_VALUE, "p alone of B") == []


def test_the_share_that_luck_accounts_for_is_what_guessing_leaves_of_the_correct(pooled, facts):
    rate = pooled.rate(pooled.protocol)
    lucky = 1 - rate.p_d.median / rate.p_c.median
    assert values(facts, GUESS, "share of the correct answers that guessing accounts for") == [pytest.approx(lucky)]
    assert f"about {words.percent(lucky)} (triangle)" in facts.say["preference"]
    assert f"The average d-prime is {words.d(pooled.average.median)} (" in facts.say["size"]
    assert facts.say["interval"].startswith("Credible interval (95 %, equal-tailed): the average d-prime is")
    against = facts_of(ms.pool({"panel": ["A"], "protocol": "2-AFC", "tastings": 30, "correct": 5}))
    assert values(against, GUESS, "share of the correct answers that guessing accounts for") == [1.0]
    assert values(against, PROBABILITY, "the expected way")[0] < 0.05 and against.directed


def test_one_panel_says_its_counts_and_its_rates():
    panel = ms.one_panel("triangle", 24, 13, margin=HALF)
    facts = facts_of(panel)
    assert (facts.result, facts.tastings, facts.people, facts.pairs) == ("panel", 24, None, {(13, 24): ""})
    assert facts.counts == {"panels": {1}, "tastings": {24}, "people": set()}
    assert facts.p_value == panel.p_value and facts.alpha == 0.05 and facts.below_guessing is False
    assert facts_of(ms.one_panel("triangle", 24, 8)).below_guessing is True
    assert "statistically significant at 5 %" in facts.say["significance"]
    assert "not statistically" not in facts.say["significance"]
    assert "not statistically significant" in facts_of(ms.one_panel("triangle", 24, 12)).say["significance"]
    assert values(facts, P_VALUE, "alpha") == [0.05] and values(facts, P_VALUE, "so few or fewer among guessers")
    above = values(facts, PROBABILITY, ABOVE)
    assert set(panel.beyond.values()) <= set(above)
    assert [1 - p for p in above] == pytest.approx(values(facts, PROBABILITY, BELOW))
    assert values(facts, P_C, "share correct") == [13 / 24]
    p_d = panel.p_d_posterior.median
    lucky = 1 - p_d / (1 / 3 + 2 / 3 * p_d)
    assert values(facts, GUESS, "share of the correct answers that guessing accounts for") == [pytest.approx(lucky)]
    assert facts.say["count"].startswith(
        "13 of 24 triangle answers were correct (54 %), where guessing alone gives 33 %"
    )
    assert "No margin was given" in facts_of(ms.one_panel("triangle", 24, 12)).say["verdict"]


def test_two_counts_of_yes_are_pairs_of_their_own():
    facts = facts_of(ms.one_panel("A-not-A", signal=20, hits=14, noise=24, false_alarms=8))
    assert facts.tastings == 44 and facts.pairs == {(14, 20): "", (8, 24): ""} and facts.below_guessing is None
    assert facts.say["count"] == "The answer was yes in 14 of 20 and in 8 of 24 tastings."
    assert facts.say["significance"].startswith("Fisher's exact one-sided p")
    assert values(facts, D_PRIME, "criterion")
    assert values(facts, GUESS, "share of the correct answers that guessing accounts for") == [0.5]


def test_a_preference_may_be_told_from_either_side():
    row = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 13, "asked": "correct"}
    result = ms.preference(ms.read_panels([row | {"prefer_new": 8, "prefer_old": 4, "no_preference": 1}]))
    facts = facts_of(result)
    main = result.beyond_luck
    assert (facts.result, facts.people, facts.verdict) == ("preference", 13, "more than half")
    assert {main.median, 1 - main.median} <= {f.value for f in facts.numbers if f.kind == PREFERS}
    assert {(8, 12), (4, 12)} <= set(facts.pairs)
    assert {13, 12, 1, 8, 4} <= facts.counts["people"] and facts.counts["panels"] == {0, 1}
    assert "with lucky guesses taken out" in facts.say["size"]
    both = sum(values(facts, PROBABILITY, "new preferred") + values(facts, PROBABILITY, "old preferred"))
    assert both == pytest.approx(len(values(facts, PROBABILITY, "new preferred")))


def test_sittings_hold_one_pair_of_counts_or_of_yes_two():
    row = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 13, "tasters": 24, "date": "2025-03-01"}
    yes = {"panel": "B", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 24, "false_alarms": 8}
    one, two = facts_of(ms.pool([row, yes])).sittings
    assert (one.name, one.test, one.tastings, one.pairs, one.people) == ("A", "triangle", 24, ((13, 24),), 24)
    assert str(one.date) == "2025-03-01" and two.date is None and two.people is None
    assert (two.name, two.tastings, two.pairs) == ("B", 44, ((14, 20), (8, 24)))


def test_results_are_named_by_their_panels(pooled):
    assert names_in(pooled) == ("A", "B", "C")
    assert names_in(ms.one_panel("triangle", 24, 9)) == ()
    assert names_in(ms.one_panel(pooled.panels["B"])) == ("B",)
    assert names_in("else") == ()


def test_a_results_own_sentences_are_known_at_every_length(pooled):
    own = own_sentences(pooled)
    assert pooled.headline() in own or any(part in own for part in pooled.headline().split(". "))
    assert "No margin was given, so there is no verdict." not in own
    assert any(sentence.startswith("Model: each panel i") for sentence in own)
    assert any(sentence.startswith("Not settled: of 100") for sentence in own)


@pytest.mark.parametrize(
    ("quantity", "kind", "test"),
    [
        ("d-prime at weeks = 2", D_PRIME, ""), ("change per week", D_PRIME, ""),
        ("spread", SPREAD, ""), ("sd between kitchens", SPREAD, ""), ("the spread left", SPREAD, ""),
        ("p_d (triangle)", P_D, "triangle"), ("change of p_d (duo-trio)", P_D, "duo-trio"), ("share of variance", P_D, ""),
        ("p_c (2-AFC)", P_C, "2-AFC"), ("d-prime (style dry)", D_PRIME, ""),
    ],
)  # fmt: skip
def test_a_row_of_a_pool_with_moderators_is_told_by_its_words(quantity, kind, test):
    row = {"quantity": quantity, "mean": 0.4, "median": 0.3, "lower": -0.1, "upper": 0.8}
    found = list(_row_of_structure(row))
    assert [(f.kind, f.test, f.what, f.value) for f in found] == [
        (kind, test, quantity, x) for x in (0.4, 0.3, -0.1, 0.8)
    ]
    assert all(f.width == pytest.approx(0.9) for f in found)
    assert [f.value for f in _row_of_structure(row | {"mean": float("nan")})] == [0.3, -0.1, 0.8]


def test_of_some_panels_their_own_counts_hold_and_those_of_all_together(facts):
    a, b, _ = facts.sittings
    some = facts.of_panels([a, b])
    assert some.pairs == {(14, 24): "", (9, 30): ""} and facts.pairs[12, 20] == ""
    assert some.counts == {"panels": {1, 2, 3}, "tastings": {24, 30, 74}, "people": {24, 30, 74}}
    assert facts.of_panels([]).counts["people"] == facts.counts["people"]  # nobody was counted there: all may be said
    alike = facts_of(ms.pool(TABLE | {"protocol": "triangle", "tasters": [24, None, 20]}))
    uncounted = alike.of_panels([alike.sittings[0]])
    assert uncounted.pairs == {(35, 74): "added over panels", (14, 24): ""} and uncounted.counts["people"] == {24}
    assert alike.of_panels([alike.sittings[1]]).counts["people"] == {24, 20}


def test_a_person_who_sat_in_two_panels_is_one_of_all_and_one_who_sat_in_several():
    rows = [("A", "T1", 1), ("A", "T2", 0), ("A", "T3", 1), ("B", "T1", 1), ("B", "T4", 0)]
    tastings = ms.read_tastings([{"panel": p, "protocol": "triangle", "taster": t, "correct": c} for p, t, c in rows])
    panels = tastings.to_panels()
    # four people, one of them in both panels, in five seats; of the table of panels alone only the seats are known
    assert _people_of_pool(SimpleNamespace(panels=panels, tastings=tastings)) == (4, {5, 4, 1})
    assert _people_of_pool(SimpleNamespace(panels=panels, tastings=None)) == (5, {5})
    assert _people_of_pool(SimpleNamespace(panels=panels, tastings=tastings["A"])) == (5, {5})
    unknown = ms.read_panels(
        {"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": 9, "tasters": [24, None]}
    )
    assert _people_of_pool(SimpleNamespace(panels=unknown, tastings=None)) == (None, set())


def test_only_results_are_checked_against():
    with pytest.raises(TypeError, match=r"a claim is checked against a pool of any kind, one panel, .*; got dict"):
        facts_of({})


def test_one_panel_names_its_people_its_levels_and_its_evidence():
    row = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": [13], "tasters": 20}
    panel = ms.one_panel(ms.read_panels(row), alpha=0.1, margin=HALF)
    facts = facts_of(panel)
    assert facts.people == 20 and facts.counts["people"] == {20} and facts.sittings[0].people == 20
    assert (
        facts.alpha == 0.1 == values(facts, PROBABILITY, "alpha")[0]
        and "significant at 10 %" in facts.say["significance"]
    )
    logs = list(panel.log_bayes_factor.values())
    assert sorted(values(facts, BAYES)) == pytest.approx(sorted(np.exp([s * x for x in logs for s in (1, -1)])))
    assert (
        facts.sittings[0].tastings == 24 and facts.sittings[0].pairs == ((13, 24),) and facts.verdict == panel.verdict()
    )
    assert values(facts, D_PRIME, "found in 4 of 5") == [
        pytest.approx(float(panel.protocol.d_prime_from_p_d(panel.detectable_p_d)))
    ]
    assert "Not settled: the probability that the difference is larger is" in facts.say["verdict"]
    assert facts_of(ms.one_panel("triangle", 24, 13)).verdict == "no margin given"
