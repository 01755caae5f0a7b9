"""Seeming disagreement: exact numbers against scipy and brute force, averages against simulated tasters."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from scipy import stats

import metasense as ms
from metasense.core.evidence import collect
from metasense.engine import outcomes
from metasense.engine.likelihood import Repeats
from metasense.questions.disagreement import verdict_counts
from metasense.showing.words import banned

SIX = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [9, 13, 10, 14, 8, 11]}


@pytest.mark.parametrize(("p_d", "mixed"), [(0.2, 0.88), (0.25, 0.96), (0.3, 0.96)])
def test_six_panels_of_24_on_one_difference_nearly_always_give_mixed_verdicts(p_d, mixed):
    chances = verdict_counts(ms.protocol("triangle").d_prime_from_p_d(p_d), "triangle", [24] * 6)
    # all alike: a plain binomial of binomial tails, 13 of 24 being the critical number of the published triangle tables
    significant = stats.binom.sf(12, 24, 1 / 3 + p_d * 2 / 3)
    assert chances == pytest.approx(stats.binom.pmf(np.arange(7), 6, significant), abs=1e-12)
    assert 1 - chances[0] - chances[-1] == pytest.approx(mixed, abs=0.005)


@pytest.mark.parametrize("alpha", [2, 1, 0, -0.05, float("nan")])
def test_a_level_that_is_no_risk_is_refused(alpha):
    with pytest.raises(ValueError, match="alpha is a risk between 0 and 1"):
        ms.pool(SIX).disagreement(alpha=alpha)
    with pytest.raises(ValueError, match="alpha is a risk between 0 and 1"):
        verdict_counts(1.0, "triangle", [24] * 6, alpha=alpha)


def test_number_of_successes_is_the_sum_over_all_outcomes():
    p = np.array([0.1, 0.7, 0.35, 0.9])
    expected = np.zeros(5)
    for outcome in itertools.product([0, 1], repeat=4):
        expected[sum(outcome)] += np.prod(np.where(outcome, p, 1 - p))
    assert outcomes.number_of_successes(p[None])[0] == pytest.approx(expected, abs=1e-15)


def test_panels_of_different_protocols_keep_their_own_chances():
    chances = verdict_counts(1.0, ["triangle", "2-AFC"], [24, 24])
    a, b = stats.binom.sf(12, 24, 0.41804667471463920), stats.binom.sf(16, 24, 0.76024993890652330)
    assert chances == pytest.approx([(1 - a) * (1 - b), a + b - 2 * a * b, a * b], abs=1e-12)
    with pytest.raises(ValueError, match="one for each of the 2 panels"):
        verdict_counts(1.0, ["triangle"] * 3, [24, 24])


def test_averages_over_the_common_d_prime_agree_with_simulated_tasters():
    pooled = ms.pool(SIX)
    found = pooled.disagreement()
    rng = np.random.default_rng(3)
    d = pooled.core.common.size.sample(1500, rng)
    triangle = ms.protocol("triangle")
    counts = np.stack([[triangle.simulate(float(each), 24, rng).sum() for _ in range(6)] for each in d])
    number = (counts >= 13).sum(axis=1)
    assert found.significant == 2
    assert found.mixed == pytest.approx(np.mean(np.minimum(number, 6 - number) >= 2), abs=0.045)
    assert found.any_mixed == pytest.approx(np.mean((number > 0) & (number < 6)), abs=0.045)
    # panels alike: how far apart the counts are is ordered much as their variance is, so the shares must be near
    wide = counts.var(axis=1) >= np.var(SIX["correct"])
    assert found.spread == pytest.approx(wide.mean(), abs=0.1)


def test_repeats_change_the_chance_of_counts_but_not_the_critical_number():
    evidence = collect(
        ms.read_panels(
            {"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [10], "tasters": [8]}
        ).frame
    ).evidence[0]
    assert outcomes.critical(evidence) == 13
    chances = outcomes.probabilities(evidence, np.array([1.5]), 0.4)[0]
    drawn = outcomes.simulate(evidence, np.full(40_000, 1.5), np.full(40_000, 0.4), np.random.default_rng(1))
    assert chances.sum() == pytest.approx(1, abs=1e-12)
    assert np.bincount(drawn, minlength=25) / 40_000 == pytest.approx(chances, abs=0.01)
    each = Repeats(evidence.protocol, ((3, 2, 2), (3, 1, 6)))  # the same shape, the people known one by one
    assert outcomes.correct(each) == 10
    assert outcomes.probabilities(each, np.array([1.5]), 0.4)[0] == pytest.approx(chances, abs=1e-12)
    assert outcomes.simulate(each, np.full(9, 1.5), np.full(9, 0.4), np.random.default_rng(1)).max() <= 24


def test_panels_that_differ_are_said_to_and_the_like_are_not():
    far = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [10, 20, 9, 22]})
    assert far.disagreement().spread < 0.02
    assert "seldom looks like this" in far.disagreement().sentence()
    near = ms.pool(SIX).disagreement()
    assert "One constant difference looks like this in panels" in near.sentence()
    assert "2 of 6 panels are statistically significant" in near.sentence()


def test_agreeing_verdicts_are_said_as_such():
    found = ms.pool(SIX | {"correct": [8] * 6}).disagreement()
    assert "None of the 6 panels" in found.sentence()
    assert found.mixed == pytest.approx(1)
    assert "All of the 6 panels" in ms.pool(SIX | {"correct": [20] * 6}).disagreement().sentence()


def test_a_triangle_and_a_2_afc_panel_on_one_difference_are_one_statement():
    table = {"panel": list("ABCD"), "protocol": ["triangle", "triangle", "2-AFC", "2-AFC"], "tastings": 24}
    found = ms.pool(table | {"correct": [9, 8, 19, 18]}).disagreement()
    by = found.to_frame().groupby("protocol")["chance"].mean()
    assert by["2-AFC"] > 3 * by["triangle"]
    assert "Protocols find the same d-prime more or less often" in found.sentence()
    assert found.spread > 0.2


def test_one_panel_and_panels_of_two_counts():
    assert (
        "nothing to disagree"
        in ms.pool({k: v[:1] if isinstance(v, list) else v for k, v in SIX.items()}).disagreement().sentence()
    )
    table = {"panel": ["two", "B", "C"], "protocol": ["A-not-A", "triangle", "triangle"], "signal": [20, None, None]}
    table |= {"hits": [12, None, None], "noise": [20, None, None], "false_alarms": [7, None, None]}
    found = ms.pool(table | {"tastings": [None, 20, 20], "correct": [None, 8, 12]}).disagreement()
    assert found.left_out == ("two",) and "two counts each: two" in found.sentence()
    assert len(found.probability) == 3


def test_the_seed_repeats_and_the_error_is_stated():
    pooled = ms.pool(SIX)
    first, again = pooled.disagreement(), pooled.disagreement()
    assert first.spread == again.spread
    assert first.spread_error == pytest.approx(np.sqrt(first.spread * (1 - first.spread) / first.sets))
    assert "standard error" in first.sentence()


def test_figure_and_words():
    found = ms.pool(SIX).disagreement()
    axes = found.plot()
    rows, bars = axes.child_axes
    assert any("these panels" in label.get_text() for label in bars.get_yticklabels())
    assert len(rows.get_yticklabels()) == 13
    place = "ABCDEFGHIJKLM".index(rows.get_xlabel().removesuffix(".")[-1])
    filled = {(x, y) for x, y in rows.lines[0].get_xydata().tolist()}
    assert [(i, place) in filled for i in range(len(found.panels))] == found.panels["significant"].tolist()
    assert "which row?" in found.plot(reveal=False).child_axes[0].get_xlabel()
    assert found.probability.sum() == pytest.approx(1)
    assert found.sentence().split(".")[0] in found._repr_html_().replace("\xa0", " ")
    assert not banned(repr(found))


def test_each_row_holds_its_exact_p_value_and_what_the_common_d_prime_lets_expect():
    pooled = ms.pool(SIX)
    frame = pooled.disagreement().to_frame()
    tails = stats.binom.sf(np.array(SIX["correct"]) - 1, 24, 1 / 3)
    assert frame["p_value"].to_numpy() == pytest.approx(tails, abs=1e-12)
    assert frame["significant"].tolist() == [x >= 13 for x in SIX["correct"]]  # 13 of 24 as in the published tables
    size = pooled.core.common.size
    chance = ms.protocol("triangle").p_correct(size.quantile((np.arange(1000) + 0.5) / 1000))
    assert frame["expected"].to_numpy() == pytest.approx(chance.mean(), abs=1e-3)
    assert frame["chance"].to_numpy() == pytest.approx(stats.binom.sf(12, 24, chance).mean(), abs=1e-3)


def test_another_level_has_another_critical_number():
    # exact tails of 24 at 1/3: .0677 from 12 on, .1401 from 11 on (SciPy)
    assert stats.binom.sf([11, 10], 24, 1 / 3) == pytest.approx([0.0677, 0.1401], abs=5e-5)
    pooled = ms.pool(SIX)
    assert pooled.disagreement(alpha=0.15).significant == 3
    assert pooled.disagreement(alpha=0.13).significant == 2


def test_one_panel_alone_is_never_mixed():
    alone = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9}).disagreement()
    assert alone.any_mixed == 0 and np.isnan(alone.spread)
    assert len(alone.probability) == 2 and alone.probability.sum() == pytest.approx(1)


def test_a_share_of_none_of_the_simulated_sets_has_an_error_too():
    found = ms.pool(SIX).disagreement()
    assert replace(found, spread=0.0).spread_error == replace(found, spread=1.0).spread_error == 1 / found.sets


def test_more_panels_than_can_be_weighed_together_are_refused(monkeypatch):
    pooled = ms.pool(SIX)
    monkeypatch.setattr("metasense.questions.disagreement.MOST", 5)
    with pytest.raises(ValueError, match="6 panels are more than the 5 whose verdicts"):
        pooled.disagreement(alpha=0.04)
    monkeypatch.setattr("metasense.questions.disagreement.MOST", 6)
    assert pooled.disagreement(alpha=0.04).alpha == 0.04


@pytest.mark.parametrize(
    ("spread", "mixed", "said"),
    [
        (0.049, 0.9, "seldom looks like this"),
        (0.9, 0.049, "seldom looks like this"),
        (0.05, 0.9, "can look like this, though not often"),
        (0.9, 0.05, "can look like this, though not often"),
        (0.099, 0.9, "can look like this, though not often"),
        (0.9, 0.099, "can look like this, though not often"),
        (0.1, 0.9, "looks like this now and then"),
        (0.9, 0.1, "looks like this now and then"),
        (0.249, 0.9, "looks like this now and then"),
        (0.9, 0.249, "looks like this now and then"),
        (0.25, 0.25, "One constant difference looks like this in panels"),
    ],
)
def test_the_rarer_what_was_seen_the_more_is_made_of_it(spread, mixed, said):
    number = np.array([1 - mixed, 0, mixed, 0, 0, 0, 0])
    found = replace(ms.pool(SIX).disagreement(), spread=spread, probability=number)
    assert found.mixed == pytest.approx(mixed) and said in found.sentence()


def test_two_panels_can_be_mixed_and_one_beside_panels_of_two_counts_cannot():
    two = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [9, 13]}).disagreement()
    assert two.any_mixed == pytest.approx(two.probability[1]) and 0.2 < two.any_mixed < 0.6
    assert two.mixed == pytest.approx(two.any_mixed)
    table = {"panel": ["two", "B"], "protocol": ["A-not-A", "triangle"], "signal": [20, None], "hits": [12, None]}
    table |= {"noise": [20, None], "false_alarms": [7, None], "tastings": [None, 20], "correct": [None, 8]}
    assert "Left out, having two counts each: two." in ms.pool(table).disagreement().sentence()


def test_each_panel_stands_in_the_table_and_each_protocol_with_its_chances():
    table = {"panel": list("ABC"), "protocol": ["triangle", "triangle", "2-AFC"], "tastings": [24, 48, 24]}
    found = ms.pool(table | {"correct": [9, 21, 15]}).disagreement()
    low, high = found.to_frame()["chance"][:2].tolist()
    assert f"{100 * low:.0f}" in found.sentence() and f"{100 * high:.0f} % (triangle)" in found.sentence()
    lines = repr(found).splitlines()
    assert [sum(line.split()[:1] == [name] for line in lines) for name in "ABC"] == [1, 1, 1]


@pytest.mark.parametrize(
    ("spread", "said"),
    [
        (0.049, "seldom looks like this"),
        (0.05, "rather far apart"),
        (0.099, "rather far apart"),
        (0.1, "no further apart"),
    ],
)
def test_of_agreeing_verdicts_only_how_far_apart_the_counts_are_is_told(spread, said):
    found = replace(ms.pool(SIX | {"correct": [8] * 6}).disagreement(), spread=spread)
    assert said in found.sentence()


def test_the_figure_has_every_number_worth_a_bar_and_that_of_these_panels():
    found = ms.pool(SIX).disagreement()
    likely = replace(found, probability=np.array([0, 0.0019, 0.3, 0.4, 0.294, 0.0021, 0.002]))  # 2 are significant
    unlikely = replace(found, probability=np.array([0, 0, 0, 0, 0.3, 0.7, 0]))
    wide = replace(found, probability=np.array([0.1, 0.2, 0.3, 0.4, 0, 0, 0]))
    for one, first, last in ((likely, 2, 5), (unlikely, 2, 5), (wide, 0, 3)):
        labels = sorted(label.get_text() for label in one._bars(Figure()).get_yticklabels())
        assert [int(label[0]) for label in labels] == list(range(first, last + 1))
        assert [label for label in labels if "these panels" in label] == ["2 of 6 (these panels)"]


def test_an_answer_equals_itself_alone_and_can_be_a_key():
    pooled = ms.pool(SIX)
    found = pooled.disagreement()
    assert found in {found: 1} and replace(found) not in {found: 1}


def test_a_first_screen_says_how_mixed_it_is_and_what_to_report():
    mixed = ms.pool(SIX).disagreement()
    assert str(mixed).startswith(f"Alone, {mixed.significant} of 6 panels did clearly better than guessing")
    assert "Next: report what the panels say together" in str(mixed)
    none = ms.pool(SIX | {"correct": [8] * 6}).disagreement()
    assert none.plain_answer().startswith(
        "Alone, none of 6 panels did clearly better than guessing: their verdicts agree."
    )
    far = replace(mixed, spread=0.03)
    assert "Next: see which panels fit the others badly" in str(far)
    one = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9}).disagreement()
    assert str(one).startswith("Fewer than two panels")


@pytest.fixture(scope="module")
def six():
    return ms.pool(SIX).disagreement()


def of_six(six, significant, chance=0.3, **changes):
    """Six panels of which these are significant on their own, with chances made up."""
    panels = six.panels.assign(significant=[name in significant for name in "ABCDEF"], chance=chance)
    return replace(six, panels=panels, **changes)


@pytest.mark.parametrize(
    ("significant", "said", "plain"),
    [
        ("A", "1 of 6 panels is statistically significant on its own (one-sided, 5 %) and 5 are not.", "1 of 6 panels did clearly better than guessing, 5 did not."),
        ("ABCDE", "5 of 6 panels are statistically significant on their own (one-sided, 5 %) and 1 is not.", "5 of 6 panels did clearly better than guessing, 1 did not."),
        ("ABCDEF", "All of the 6 panels are statistically significant on their own (one-sided, 5 %), so the", "all 6 panels did clearly better than guessing: their verdicts agree."),
        ("", "None of the 6 panels is statistically significant on its own (one-sided, 5 %), so the", "none of 6 panels did clearly better than guessing: their verdicts agree."),
    ],
)  # fmt: skip
def test_panels_that_are_significant_on_their_own_are_counted(six, significant, said, plain):
    found = of_six(six, significant)
    assert found.sentence().startswith(said) and found._counted() == f"Alone, {plain}"
    two = replace(found, panels=found.panels.iloc[[0, 5]])
    expected = {"A": "1 of 2 panels did", "ABCDEF": "both panels did", "": "neither of 2 panels did"}
    if significant in expected:
        assert two._counted().startswith(f"Alone, {expected[significant]} clearly better than guessing")


def test_the_least_expected_verdicts_are_the_three_of_a_first_screen(six):
    chance = [0.1, 0.2, 0.9, 0.6, 0.3, 0.4]  # expected of B 0.2, of A 0.9, C 0.1, D 0.6, E 0.7, F 0.6
    small = of_six(six, "BD", chance)._small().to_text()
    assert "Clearly better than guessing, and how probable that was, the 3 least expected of 6" in small
    rows = [line.split() for line in small.splitlines() if line.split()[:1] and line.split()[0] in "ABCDEF"]
    assert [row[0] for row in rows] == ["C", "B", "D"]
    assert rows[0][1:] == ["10", "of", "24", "no", "90", "%"] and rows[1][4:] == ["yes", "20", "%"]
    three = of_six(six, "BD", chance)
    assert "least expected" not in replace(three, panels=three.panels.iloc[:3])._small().to_text()


@pytest.mark.parametrize(("spread", "mixed", "alike"), [(0.1, 0.1, True), (0.099, 0.5, False), (0.5, 0.099, False)])
def test_what_is_not_usual_sends_one_to_the_panels_that_fit_badly(six, spread, mixed, alike):
    found = of_six(six, "AB", spread=spread, probability=np.array([1 - mixed, 0, mixed, 0, 0, 0, 0]))
    step = "report what the panels say together, not one by one."
    other = "see which panels fit the others badly, and look for what was different there."
    assert found._step() == (step if alike else other)
    agreeing = of_six(six, "", spread=spread, probability=np.array([1.0, 0, 0, 0, 0, 0, 0]))
    assert agreeing._step() == (step if spread >= 0.1 else other)


@pytest.mark.parametrize(("some", "hardly"), [(0.049, True), (0.05, False)])
def test_panels_too_small_to_be_significant_are_not_said_to_agree_by_merit(six, some, hardly):
    number = np.array([1 - some, some, 0, 0, 0, 0, 0])
    said = of_six(six, "", probability=number)._how_often()
    assert (said == ("So few tastings can hardly do better, whatever there is to taste.",)) == hardly
    every = of_six(six, "ABCDEF", probability=number[::-1], spread=0.5)._how_often()
    assert every[0] == "From one and the same difference, counts this far apart come in 50 % of such sets of panels."


def test_a_protocol_has_a_range_of_chances_only_where_its_panels_differ_in_it(six):
    mixed = six.panels.assign(protocol=["triangle"] * 3 + ["tetrad"] * 3, chance=[0.2, 0.2, 0.2, 0.5, 0.4, 0.6])
    said = replace(six, panels=mixed)._protocols()
    assert said.endswith("chance of statistical significance there: 20 % (triangle) and 40 % to 60 % (tetrad).")
    assert six._protocols() == ""


@pytest.mark.parametrize(("wide", "parts"), [(6, 2), (5, 0)])
def test_sets_are_drawn_only_where_their_panels_have_room(six, wide, parts, monkeypatch):
    monkeypatch.setattr("metasense.questions.disagreement.WIDE", wide)
    assert len(six.plot(ax=Figure()).child_axes) == parts
