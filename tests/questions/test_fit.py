"""The fit: predictions against refits, the mixture against a plain sum, and what is caught and what is not."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from calibration.fit_power import most, study
from scipy import stats

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.questions.fit import FAVOURED, Fit, Mixture, predicted_counts
from metasense.showing.words import banned

PLAIN = {"panel": ["A", "B", "C", "D"], "protocol": ["triangle", "tetrad", "triangle", "duo-trio"]}
PLAIN |= {"tastings": [40, 22, 30, 28], "correct": [13, 14, 15, 17]}
HALVES = {"panel": list("ABCDEFGH"), "protocol": "tetrad", "tastings": 60, "correct": [20, 38, 19, 40, 21, 37, 20, 39]}


def test_surprise_is_that_of_the_count_predicted_by_the_other_panels():
    pooled = ms.pool(PLAIN)
    frame = pooled.fit().to_frame()
    for i, panel in enumerate("ABCD"):
        others = ms.pool(pooled.panels.without(panel))
        n, x = PLAIN["tastings"][i], PLAIN["correct"][i]
        chance = others.next_panel(PLAIN["protocol"][i], n).probability
        tail = chance[x + 1 :].sum() + chance[x] / 2
        assert frame.loc[i, "surprise"] == pytest.approx(2 * min(tail, 1 - tail), abs=1e-4)
        assert frame.loc[i, "expected"] == pytest.approx(chance @ np.arange(n + 1) / n, abs=1e-4)


def test_mixture_is_the_formula_summed_plainly():
    table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [10, 20, 9]}
    pooled = ms.pool(table)
    triangle = ms.protocol("triangle")
    mu, tau = np.meshgrid((np.arange(100) + 0.5) * 0.06, (np.arange(60) + 0.5) * 0.04, indexing="ij")
    z, w = np.polynomial.hermite_e.hermegauss(41)
    d = np.abs(mu[..., None] + tau[..., None] * z)
    prior = 4 * stats.norm.pdf(mu, 0, 1.5) * stats.norm.pdf(tau, 0, 0.5) * 0.06 * 0.04
    size = stats.foldnorm.mean(mu / tau, scale=tau)
    total = average = 0.0
    rest = [np.tensordot(stats.binom.pmf(x, 30, triangle.p_correct(d)), w / w.sum(), (-1, 0)) for x in table["correct"]]
    shares, steps = np.polynomial.legendre.leggauss(30)
    for share, step in zip((shares + 1) / 2, steps / 2, strict=True):
        both = [
            share * stats.binom.pmf(x, 30, 1 / 3) + (1 - share) * r for x, r in zip(table["correct"], rest, strict=True)
        ]
        density = prior * np.prod(both, axis=0) * step
        total += density.sum()
        average += (density * size).sum() * (1 - share)
    found = Mixture.of(pooled.core)
    assert found.log_evidence == pytest.approx(np.log(total), abs=1e-3)  # the plain sum is coarse
    assert found.average.mean == pytest.approx(average / total, abs=1e-3)


def test_half_the_panels_at_guessing_and_half_far_above_is_caught_and_said():
    pooled = ms.pool(HALVES)
    found = pooled.fit()
    assert found.favour > FAVOURED
    assert found.mixture.nothing == pytest.approx(0.5, abs=0.1)
    assert found.mixture.average.median < pooled.average.median
    assert any("Perhaps only in some panels" in note for note in pooled.warnings)  # which says it with more
    assert not any(pooled.fit().mixed == note for note in pooled.warnings)
    assert found.warnings[0] == found.mixed and found.mixed in repr(found)


@pytest.mark.parametrize(("margin", "hangs"), [("d'=1", "would be within the margin"), ("d'=2.9", "stays")])
def test_what_hangs_on_a_panel_far_off_stands_on_the_first_screen(margin, hangs):
    table = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 40, "correct": [13, 14, 12, 15, 39]}
    pooled = ms.pool(table, margin=margin)
    without = ms.pool(pooled.panels.without("E"), margin=margin).verdict()
    assert hangs == ("stays" if without.label == pooled.verdict().label else f"would be {without.label}")
    screen = " ".join(repr(pooled).split())
    assert f"Caution: E does not go with the others, and without it the verdict {hangs}:" in screen


def test_panels_alike_raise_no_objection():
    pooled = ms.pool(HALVES | {"correct": [30, 28, 32, 29, 31, 27, 30, 33]})
    assert pooled.fit().warnings == ()
    assert "None of the checks objects" in repr(pooled.fit())
    assert not any("mixture" in note for note in pooled.notes)


def test_an_outlier_is_named_with_what_the_others_predict():
    table = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 40, "correct": [13, 14, 12, 15, 39]}
    found = ms.pool(table).fit()
    others = ms.pool({name: value if isinstance(value, (str, int)) else value[:4] for name, value in table.items()})
    medians = others.average.median, ms.pool(table).average.median
    said = "E does not go with the others, and without it the average d-prime would be {:.2f}, not {:.2f}: 39 correct of 40"
    assert any(text.startswith(said.format(*medians)) for text in found.warnings)
    assert any(text.startswith(found.stray) for text in found.warnings)
    assert any("further apart than the fitted model allows" in text for text in found.warnings)
    assert found.panels["surprise"].idxmin() == 4


def test_most_surprising_of_many_counts_how_many_there_are():
    # Sidak: 1 - (1 - p)^k
    found = ms.pool(PLAIN).fit()
    assert found.most_surprising == pytest.approx(1 - (1 - found.panels["surprise"].min()) ** 4)


def test_surprise_of_a_directed_panel_with_more_wrong_than_right():
    table = {"panel": ["A", "B", "C"], "protocol": "2-AFC", "tastings": 30, "correct": [20, 19, 5]}
    frame = ms.pool(table).fit().to_frame()
    assert frame["surprise"].idxmin() == 2 and frame.loc[2, "surprise"] < 0.05
    assert frame.loc[0, "expected"] < frame.loc[2, "expected"]


def test_repeats_are_simulated_person_by_person():
    table = {
        "panel": ["A", "B", "C"],
        "protocol": "triangle",
        "tastings": 24,
        "correct": [10, 13, 12],
        "tasters": [8, 24, 6],
    }
    found = ms.pool(table).fit()
    assert 0 < found.spread <= 1 and found.panels["surprise"].between(0, 1).all()


def test_one_panel_and_panels_of_two_counts():
    one = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12}).fit()
    assert one.warnings == () and "compared with the prior" in one.sentence()
    two = {"panel": ["two"], "protocol": "A-not-A", "signal": 20, "hits": 15, "noise": 20, "false_alarms": 7}
    found = ms.pool(two).fit()
    assert "cannot be checked" in found.sentence() and found.left_out == ("two",)
    assert "cannot be checked" in repr(found)


def test_the_seed_repeats():
    pooled = ms.pool(PLAIN)
    assert (
        Fit.of(pooled.core, seed=3).spread
        == Fit.of(pooled.core, seed=3).spread
        == pytest.approx(Fit.of(pooled.core, seed=4).spread, abs=0.08)
    )


def test_words_figure_and_html():
    found = ms.pool(HALVES).fit()
    assert not banned(repr(found))
    for word in ("mixture", "standard error", "Small panels hide much"):
        assert word in repr(found) and word in found._repr_html_().replace("\xa0", " ")
    assert len(found.plot().get_yticklabels()) == 8


def test_how_often_it_objects():
    # the whole table: python tests/calibration/fit_power.py
    caught = study("half 0, half 1.5", "tetrad", 12, 60, sets=10)
    assert caught["mixture"] > 0.5 and caught["error"] > 0.08 > abs(caught["error of mixture"])
    assert study("centre 1, spread 0.3", "tetrad", 12, 60, sets=10)["mixture"] < 0.2


@pytest.mark.parametrize(
    ("size", "said"), [(("triangle", 12, 30), 17), (("tetrad", 12, 30), 56), (("tetrad", 12, 60), 91)]
)
def test_what_the_best_possible_check_would_see_is_what_the_caveat_says(size, said):
    found = most("half 0, half 1.5", *size)
    assert 100 * found["best possible"] == pytest.approx(said, abs=1.5) and 0.03 < found["wrongly"] <= 0.05
    assert "in 17, 56 and 91 of 100 sets of twelve" in ms.pool(HALVES).fit().caveat()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("size", "said"),
    [(("triangle", 6, 30), 3), (("triangle", 12, 30), 5), (("tetrad", 12, 30), 40), (("tetrad", 12, 60), 83)],
)
def test_what_it_recognises_is_what_the_caveat_says(size, said):
    found = study("half 0, half 1.5", *size, sets=300, seed=31)["mixture"]
    assert abs(100 * found - said) < 3 * np.sqrt(said * (100 - said) / 300)
    words = (
        "in 3 of 100 sets of six triangle panels of 30, in 5 of twelve, in 40 of twelve tetrad panels of 30 and in 83"
    )
    assert words in ms.pool(HALVES).fit().caveat()


@pytest.mark.slow
@pytest.mark.parametrize(
    "truth", ["nothing to taste", "centre 0.5, spread 0.2", "centre 1, spread 0.6", "centre 1.5, spread 0.5"]
)
@pytest.mark.parametrize("size", [("triangle", 6, 30), ("tetrad", 12, 60)])
def test_false_objections_are_rare(truth, size):
    found = study(truth, *size, sets=200)
    assert found["mixture"] < 0.08 and found["spread"] < 0.05 and found["one panel"] < 0.12


@pytest.mark.parametrize("correct", [[10, 9, 10, 8, 10, 9], [16, 15, 17, 16, 15, 16]])
def test_the_mixture_is_held_against_the_best_of_the_three_explanations(correct):
    pooled = ms.pool({"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 30, "correct": correct})
    none, same, varying = pooled.explanations().log_evidence
    assert max(none, same) > varying + 0.2
    fit = pooled.fit()
    assert fit.favour == pytest.approx(np.exp(fit.mixture.log_evidence - max(none, same)), rel=1e-6)


def made(surprise=(0.4, 0.9), spread=0.5, favour=1.0, sets=1000, **more):
    """A fit whose numbers are made up."""
    count = len(surprise)
    panels = pd.DataFrame({"panel": list("ABCDE")[:count], "protocol": "triangle", "tastings": 30, "correct": 12})
    panels = panels.assign(expected=0.5, surprise=list(surprise))
    average = Distribution(np.array([0.5, 1.5]), np.array([0.0, 1.0]))
    return Fit(panels, spread, sets, 1, Mixture(-10.0, 0.4, average), favour, **more)


@pytest.mark.parametrize(("favour", "said"), [(2.99, False), (3.0, True)])
def test_a_mixture_is_named_from_three_times_as_probable_on(favour, said):
    warned = " ".join(made(favour=favour).warnings)
    assert ("look like a mixture of about 40 % with nothing to taste" in warned) == said
    if said:
        assert "3 times as probable" in warned and "it would be 1.00 (0.53 to 1.48)" in warned


@pytest.mark.parametrize(
    ("surprise", "said"), [((0.026, 0.9), False), ((0.025, 0.9), True), ((0.9, 0.025), True), ((0.001,), False)]
)  # Sidak: 1 - (1 - 0.0253)^2 = 0.05
def test_a_panel_is_named_where_the_most_surprising_of_so_many_is_rarer_than_one_in_twenty(surprise, said):
    warned = " ".join(made(surprise).warnings)
    name = "A" if surprise[0] < 0.5 else "B"
    assert (f"{name} does not go with the others: 12 correct of 30, where they predict about 15." in warned) == said
    assert ("of sets of 2 panels. Check its record." in warned) == said


@pytest.mark.parametrize(("spread", "said"), [(0.05, False), (0.049, True), (float("nan"), False)])
def test_counts_are_too_far_apart_below_one_set_in_twenty(spread, said):
    warned = " ".join(made(spread=spread).warnings)
    assert ("The counts are further apart than the fitted model allows: 5 % of the sets" in warned) == said


def test_every_objection_is_made_and_none_is_said_to_be_made_only_of_several_panels():
    assert len(made((0.001, 0.9), 0.01, 9.0).warnings) == 3 and made().warnings == ()
    assert "None of the checks objects." in repr(made()) and "None of the checks" not in repr(made((0.4,)))
    assert "what the other panels predict for it" in repr(made())
    assert "what the prior predicts for it" in repr(made((0.4,)))


def test_the_sentence_gives_the_error_of_the_simulated_share():
    # binomial standard error: sqrt(.5 * .5 / 1000) = 1.6 %; of none of 100 as if one had been: sqrt(.01 / 100) = 1 %
    assert "(simulated; standard error 1.6 %)" in made().sentence()
    assert "(simulated; standard error 1.0 %)" in made(spread=0.0, sets=100).sentence()
    said = made((0.9, 0.4)).sentence()
    assert "what the others predict is B; one at least this far off turns up in 64 % of sets of 2 panels." in said
    assert "is about as probable as the best" in said and "average d-prime would be 1.00 (0.53 to 1.48)." in said
    assert made(left_out=("two", "three")).sentence().endswith(" Left out, having two counts each: two and three.")
    assert not made().sentence().endswith("three.")


def test_without_panels_nothing_is_surprising():
    assert made(()).most_surprising == 1.0 and "cannot be checked" in made(()).sentence()
    with pytest.raises(ValueError, match=r"made without its pool; use pooled\.fit\(\)"):
        made().plot()
    frame = made().to_frame()
    frame["surprise"] = 0.0
    assert made().to_frame()["surprise"].tolist() == [0.4, 0.9]


def test_larger_pools_get_fewer_sets_and_never_less_than_a_hundred(monkeypatch):
    core = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [9, 12]}).core
    assert Fit.of(core, sets=150).sets == 150 and Fit.of(core).sets == 1000
    monkeypatch.setattr("metasense.questions.fit.MOST_COUNTS", 260)
    assert Fit.of(core).sets == 130
    monkeypatch.setattr("metasense.questions.fit.MOST_COUNTS", 150)
    assert Fit.of(core).sets == 100


def test_what_the_others_predict_are_the_intervals_of_the_next_panel_of_a_pool_of_the_others():
    pooled = ms.pool(PLAIN)
    found = predicted_counts(pooled.core, [0, 3, 0], prob=0.8)
    assert found[0] == found[2]
    for i, (low, high) in zip((0, 3), found, strict=False):
        others = ms.pool(pooled.panels.without("ABCD"[i]))
        chance = others.next_panel(PLAIN["protocol"][i], PLAIN["tastings"][i]).probability
        cdf = np.cumsum(chance)
        assert cdf[low] > 0.1 >= cdf[low - 1] - 2e-3 and cdf[high] > 0.9 - 2e-3 and cdf[high - 1] < 0.9 + 2e-3


def test_the_most_surprising_panels_are_drawn_first_on_what_the_others_predict():
    axes = ms.pool(HALVES).fit().plot()
    frame = ms.pool(HALVES).fit().to_frame().sort_values("surprise", kind="stable")
    assert [label.get_text().split("\n")[0].split(" ")[0] for label in axes.get_yticklabels()] == frame[
        "panel"
    ].tolist()
    first = frame.iloc[0]
    said = " ".join(text.get_text() for text in axes.texts)
    assert f"{first['correct']} of 60; predicted" in said


def test_the_table_holds_forty_panels_with_the_counts_to_expect_and_the_rest_by_number():
    # 0.5 of 30 are 15
    row = made((0.4,)).panels
    found = replace(made(), panels=pd.concat([row.assign(panel=f"P{i}") for i in range(41)], ignore_index=True))
    shown = repr(found)
    assert "1 more row not shown here" in shown and shown.count("about 15") == 40


def test_all_but_the_forty_most_surprising_panels_are_left_out_of_the_figure():
    table = {"panel": [f"P{i}" for i in range(41)], "protocol": "triangle", "tastings": 12}
    fit = ms.pool(table | {"correct": [5] * 40 + [9]}).fit()
    labels = [label.get_text().split()[0] for label in fit.plot().get_yticklabels()]
    assert len(labels) == 40 and labels[0] == "P40"


def test_an_only_panel_does_not_stray_and_two_may():
    assert made((0.001,)).stray == "" and made((0.001, 0.9)).stray.startswith("A does not go with the others: 12")
    assert replace(made(), panels=made().panels.assign(surprise=1 - np.sqrt(0.95))).stray == ""  # one in twenty itself
