"""Preference: the mixture with luck taken out against direct integration, several panels, pairs, placebo, and words."""

import html
import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit, logit

import metasense as ms
from metasense.alone.beliefs import p_d_posterior
from metasense.engine.distribution import Distribution
from metasense.protocols import forced_choice
from metasense.questions.asked import Asked
from metasense.questions.luck import fit, not_luck
from metasense.questions.preference import _preferred, preference
from metasense.showing.words import banned

TRIANGLE = forced_choice("triangle")
HERE = Path(__file__).parents[1]
ONE = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}


def panel(tastings, correct, new, old, none=None, **more):
    row = ONE | {"tastings": tastings, "correct": correct, "prefer_new": new, "prefer_old": old} | more
    return row if none is None else row | {"no_preference": none}


def asked(new, old, none=0, offered=False, **more):
    return Asked("A", 0, new, old, none, offered, **more)


# --- the mixture ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("tastings", "correct", "new", "old"), [(24, 12, 8, 4), (24, 13, 10, 3), (36, 20, 15, 5)])
def test_joint_posterior_with_a_flat_p_d_is_that_of_multinomial_counts(tastings, correct, new, old):
    # The same mixture written as one table of three kinds of tasters (wrong, right and new, right and old), with p_d
    # and the preference uniform: summed over a fine grid of both with SciPy's multinomial, no step in common with ours.
    rate, rho = ((np.arange(n) + 0.5) / n for n in (400, 500))
    right = 1 / 3 + 2 / 3 * rate[:, None]
    for_new = rate[:, None] * rho + (1 - rate[:, None]) / 6  # told apart and prefer it, or guessed right and by a coin
    chances = np.stack(np.broadcast_arrays(1 - right, for_new, right - for_new), axis=-1)
    density = stats.multinomial.pmf([tastings - correct, new, old], tastings, chances).sum(axis=0)
    cdf = np.cumsum(density) / density.sum()
    p_d = p_d_posterior(TRIANGLE, tastings, correct).quantile((np.arange(100) + 0.5) / 100)
    share, _ = fit([asked(new, old)], [p_d / TRIANGLE.p_from_p_d(p_d)])
    assert share.interval() == pytest.approx(np.interp([0.025, 0.975], cdf, rho), abs=0.006)
    assert share.above(0.5) == pytest.approx(density[rho > 0.5].sum() / density.sum(), abs=0.006)


@pytest.mark.parametrize(("tastings", "correct", "new", "old"), [(24, 12, 8, 4), (24, 13, 10, 3), (36, 20, 15, 5)])
def test_mixture_over_the_pool_s_own_d_prime_by_direct_integration(tastings, correct, new, old):
    table = [panel(tastings, correct, new, old)]
    found = preference(ms.pool(table))
    own = ms.pool(table).panel("A")
    d, weight = (own.x[1:] + own.x[:-1]) / 2, np.diff(own.cdf)
    w = TRIANGLE.p_d(d) / TRIANGLE.p_correct(d)
    rho = (np.arange(1000) + 0.5) / 1000
    chance = np.multiply.outer(rho, w) + (1 - w) / 2
    density = (chance**new * (1 - chance) ** old) @ weight
    cdf = np.cumsum(density) / density.sum()
    assert found.beyond_luck.interval() == pytest.approx(np.interp([0.025, 0.975], cdf, rho), abs=0.006)
    assert found.beyond_luck.above(0.5) == pytest.approx(density[rho > 0.5].sum() / density.sum(), abs=0.006)
    assert found.not_luck.mean == pytest.approx(w @ weight, abs=1e-4)


def test_naive_share_dilution_and_sign_test():
    found = preference([panel(24, 12, 8, 4)])
    assert found.naive_share == pytest.approx(2 / 3)  # 8 of 12
    assert found.undiluted == pytest.approx(
        5 / 6
    )  # p_d 1/4 of p_c 1/2: half the answers are luck, 1/2 + (2/3 - 1/2) * 2
    assert found.sign_test == pytest.approx(stats.binomtest(8, 12).pvalue)
    row = found.to_frame().set_index("quantity").loc["prefer new, naive"]
    exact = stats.binomtest(8, 12).proportion_ci(method="exact")
    assert (row["lower"], row["upper"]) == pytest.approx((exact.low, exact.high), abs=1e-9)
    assert row["kind"] == "exact"


@pytest.mark.parametrize(
    ("p_d", "share"),
    # p_d / p_c of a triangle by hand: 0.1 / 0.4, 0.25 / 0.5, 0.5 / (2/3)
    [(0.1, 0.25), (0.25, 0.5), (0.5, 0.75)],
)
def test_share_of_correct_answers_that_is_not_luck(p_d, share):
    d = TRIANGLE.d_prime_from_p_d(p_d)
    sharp = Distribution(np.array([d - 1e-6, d + 1e-6]), np.array([0.0, 1.0]))
    assert not_luck(sharp, "triangle").median == pytest.approx(share, abs=1e-5)


def test_below_the_guess_rate_every_correct_answer_is_luck():
    below = Distribution(np.array([-2.0, -1.0]), np.array([0.0, 1.0]))
    assert not_luck(below, "2-AFC").interval() == (0.0, 0.0)


def test_without_luck_it_is_the_plain_beta_posterior():
    share, _ = fit([asked(14, 6)], [np.ones(1)])
    assert share.interval() == pytest.approx(stats.beta(15, 7).ppf([0.025, 0.975]), abs=2e-3)
    assert share.mean == pytest.approx(15 / 22, abs=1e-4)


def test_thousands_of_answers_are_still_resolved():
    share, _ = fit([asked(6100, 3900, 2000, offered=True)], [np.ones(1)])
    assert share.interval() == pytest.approx(stats.beta(6101, 3901).ppf([0.025, 0.975]), abs=2e-4)


def test_with_nothing_but_luck_the_prior_is_all_there_is():
    share, _ = fit([asked(40, 2, 3, offered=True)], [np.zeros(1)])
    assert share.interval() == pytest.approx((0.025, 0.975), abs=1e-6)


def test_no_preference_does_not_move_the_preference_of_those_who_have_one():
    plain, _ = fit([asked(14, 6)], [np.ones(1)])
    offered, _ = fit([asked(14, 6, 30, offered=True)], [np.ones(1)])
    assert offered.interval() == pytest.approx(plain.interval(), abs=1e-6)


def test_guessers_without_preference_are_told_from_tasters_who_have_one():
    # If guessers mostly have no preference, those stated among the correct come from telling apart.
    w = [np.full(1, 0.4)]
    silent, _ = fit([asked(9, 1, 12, offered=True, wrong_new=1, wrong_old=1, wrong_none=30)], w)
    talking, _ = fit([asked(9, 1, 12, offered=True, wrong_new=15, wrong_old=15, wrong_none=2)], w)
    assert silent.mean > talking.mean + 0.02
    by_placebo, _ = fit([asked(9, 1, 12, offered=True)], w, placebo=(2, 30))
    assert by_placebo.interval() == pytest.approx(silent.interval(), abs=1e-9)  # both tell how guessers answer


def test_three_answers_by_direct_integration():
    new, old, none, w = 9, 4, 6, np.array([0.3, 0.6])
    grid = (np.arange(200) + 0.5) / 200
    r, q, e = np.ix_(grid, grid, grid)
    like = 0
    for share in w:
        luck = (1 - share) * (1 - e) / 2
        like = (
            like
            + (share * (1 - q) * r + luck) ** new
            * (share * (1 - q) * (1 - r) + luck) ** old
            * (share * q + (1 - share) * e) ** none
        )
    density = like.sum(axis=(1, 2))
    cdf = np.cumsum(density) / density.sum()
    found, _ = fit([asked(new, old, none, offered=True)], [w])
    assert found.interval() == pytest.approx(np.interp([0.025, 0.975], cdf, grid + 1 / 400), abs=2e-3)


# --- several panels -------------------------------------------------------------------------------------------------


def test_several_panels_by_weighted_draws():
    counts = [(9, 3), (5, 8), (12, 4)]
    found, own = fit([asked(*c) for c in counts], [np.ones(1)] * 3)
    rng, size = np.random.default_rng(4), 1_000_000
    rho, sd = rng.random(size), np.abs(rng.normal(0, 0.5, size))
    each = expit(logit(rho)[:, None] + sd[:, None] * rng.normal(size=(size, 3)))
    weight = np.prod([each[:, i] ** n * (1 - each[:, i]) ** o for i, (n, o) in enumerate(counts)], axis=0)
    assert found.mean == pytest.approx(np.average(rho, weights=weight), abs=0.004)
    assert found.above(0.5) == pytest.approx(np.average(rho > 0.5, weights=weight), abs=0.008)
    for i, panel_own in enumerate(own):
        assert panel_own.mean == pytest.approx(np.average(each[:, i], weights=weight), abs=0.004)


@pytest.mark.parametrize(("panels", "correct", "old", "near"), [(12, 9, 4, 0.004), (6, 16, 5, 0.004)])
def test_what_panels_know_of_one_another_s_luck_is_counted(panels, correct, old, near):
    # equal panels by one plain sum over centre, spread, own d-prime, typical preference, its spread and own preference
    triangle = ms.protocol("triangle")
    asked_all = {"panel": [f"P{i}" for i in range(panels)], "protocol": "triangle", "tastings": 24, "correct": correct}
    found = ms.preference(asked_all | {"asked": "correct", "prefer_new": correct - old, "prefer_old": old})
    d = (np.arange(300) + 0.5) * 0.025
    p = triangle.p_correct(d)
    w = triangle.p_d(d) / p
    rho, sd = (np.arange(150) + 0.5) / 150, (np.arange(12) + 0.5) * 0.15
    z, height = np.polynomial.hermite_e.hermegauss(21)
    each = expit(logit(rho)[:, None, None] + sd[:, None] * z)  # rho, sd, own
    new = w[:, None, None, None] * each + (1 - w[:, None, None, None]) / 2
    preferred = (new ** (correct - old) * (1 - new) ** old) @ height
    mu, tau = (a.ravel() for a in np.meshgrid((np.arange(90) + 0.5) * 0.06, (np.arange(40) + 0.5) * 0.05))
    folded = np.exp(-0.5 * ((d - mu[:, None]) / tau[:, None]) ** 2) + np.exp(
        -0.5 * ((d + mu[:, None]) / tau[:, None]) ** 2
    )
    folded /= folded.sum(axis=1, keepdims=True)
    one = folded @ ((p**correct * (1 - p) ** (24 - correct))[:, None] * preferred.reshape(len(d), -1))
    one = (one / one.max()) ** panels
    prior = np.exp(-0.5 * (mu / 1.5) ** 2 - 0.5 * (tau / 0.5) ** 2)
    mass = (prior @ one).reshape(len(rho), len(sd)) @ np.exp(-0.5 * (sd / 0.5) ** 2)
    cdf = np.cumsum(mass) / mass.sum()
    low, high = np.interp([0.025, 0.975], cdf, rho + 1 / 300)
    assert found.beyond_luck.interval() == pytest.approx((low, high), abs=2.5 * near)
    assert found.beyond_luck.mean == pytest.approx(mass @ rho / mass.sum(), abs=near)


def test_one_preference_everywhere_adds_the_counts_up():
    many, _ = fit([asked(9, 3), asked(5, 8)], [np.ones(1)] * 2, spread=0)
    one, _ = fit([asked(14, 11)], [np.ones(1)])
    assert many.interval() == pytest.approx(one.interval(), abs=1e-6)


def test_panels_that_disagree_pull_the_answer_apart():
    alike, _ = fit([asked(10, 10), asked(10, 10)], [np.ones(1)] * 2)
    apart, _ = fit([asked(18, 2), asked(2, 18)], [np.ones(1)] * 2)
    assert np.diff(apart.interval()) > np.diff(alike.interval())


# --- who was asked --------------------------------------------------------------------------------------------------


def test_everyone_separate_pairs_and_the_correct_are_kept_apart():
    table = [panel(24, 12, 8, 4, 0), panel(30, 14, 15, 9, 6, panel="B", asked="all")]
    found = preference(table, pairs=[{"panel": "Later", "prefer_new": 20, "prefer_old": 11, "no_preference": 4}])
    assert [a.panel for a in found.correct] == ["A"]
    assert [a.panel for a in found.everyone] == ["B", "Later"]
    frame = found.panels_frame()
    assert frame["asked"].tolist() == ["correct", "all", "pair"]
    assert frame["not_luck"].isna().tolist() == [False, True, True]  # nothing to take out of everybody's answer
    assert "100 %" not in found.to_markdown()
    assert found.naive == (8, 12)
    typical, _ = fit(found.everyone, [np.ones(1)] * 2)
    assert found.among_everyone.interval() == typical.interval()
    assert any("perhaps about the very cups" in note for note in found.notes)


def test_single_answers_tell_the_preferences_of_the_wrong():
    rows = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "correct": int(i < 12), "preference": p}
        for i, p in enumerate(["new"] * 8 + ["old"] * 3 + ["none"] + ["new"] * 4 + ["old"] * 5 + ["none"] * 3)
    ]
    found = ms.pool(ms.read_tastings(rows)).preference()
    (a,) = found.correct
    assert (a.new, a.old, a.none, a.wrong_new, a.wrong_old, a.wrong_none) == (8, 3, 1, 4, 5, 3)
    assert (found.everyone[0].new, found.everyone[0].old, found.everyone[0].none) == (12, 8, 4)


def test_wrong_tasters_who_lean_cast_doubt_on_the_coin():
    rows = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "correct": int(i < 10), "preference": p}
        for i, p in enumerate(["new"] * 7 + ["old"] * 3 + ["new"] * 13 + ["old"])
    ]
    assert any(
        "Tasters who were wrong lean one way too (13 new, 1 old" in n for n in preference(ms.read_tastings(rows)).notes
    )


def test_placebo_pair_is_set_beside_the_real_one():
    found = preference([panel(30, 14, 15, 9, 6, asked="all")], placebo=(9, 8, 3))
    text = " ".join(found.sentences())
    assert "Between two identical samples 17 of 20 stated a preference;" in text
    more = stats.beta(25, 7).rvs(200_000, random_state=1) > stats.beta(18, 4).rvs(200_000, random_state=2)
    said = int(re.search(r"on the real pair is (\d+) %", text)[1])
    assert said == pytest.approx(100 * more.mean(), abs=1)


def test_the_placebo_is_compared_only_where_no_preference_could_be_said():
    forced = preference([panel(30, 14, 8, 4)], pairs={"prefer_new": 20, "prefer_old": 10}, placebo=(10, 8, 12))
    text = repr(forced.details())
    assert "more people state one" not in text
    assert "On the placebo pair 18 of 30 stated a preference. Nothing here can be compared with it" in text
    alone = repr(preference([panel(24, 12, 8, 4)], placebo=(10, 8, 12)).details())
    assert "On the placebo pair 18 of 30 stated a preference. Nothing here" in alone
    used = repr(preference([panel(24, 12, 7, 4, 1)], placebo=(10, 8, 12)).details())
    assert "On the placebo pair 18 of 30 stated a preference. It tells how lucky guessers answer." in used
    both = [{"prefer_new": 20, "prefer_old": 10, "panel": "X"}]
    some = preference([panel(30, 14, 15, 9, 6, asked="all")], pairs=both, placebo=(9, 8, 3))
    alike = preference([panel(30, 14, 15, 9, 6, asked="all")], placebo=(9, 8, 3))
    assert some.sentences()[-1] == alike.sentences()[-1]  # the forced pair says nothing on habit


def test_a_separate_blind_pair_is_asked_of_everybody_and_brings_its_own_placebo():
    row = panel(24, 12, 15, 5, 4, asked="pair", placebo_stated=9, placebo_none=15, tasters=24)
    found = ms.pool([row]).preference()
    assert found.correct == () and found.placebo == (9, 15)
    text = repr(found.details())
    assert text.startswith("Among everyone asked on a separate blind pair, 15 of 20 with a preference prefer the new")
    assert "Between two identical samples 9 of 24 stated a preference" in text
    assert "Next time" not in text and "luck" not in text and "very cups" not in text
    assert found.among_everyone.mean == pytest.approx(16 / 22, abs=1e-3)  # Beta(16, 6)
    yes_no = {"panel": "B", "protocol": "A-not-A", "signal": 12, "hits": 8, "noise": 12, "false_alarms": 5}
    liked = {"asked": "pair", "prefer_new": 15, "prefer_old": 5, "no_preference": 4}
    assert preference([yes_no | liked]).among_everyone.mean == pytest.approx(16 / 22, abs=1e-3)
    twice = preference([panel(48, 20, 15, 5, 4, asked="pair", tasters=24)])  # two triangles, but one pair, a person
    assert not any("answered more than once" in note for note in twice.notes)
    assert "serve a placebo pair" in " ".join(twice.notes) and "ask everyone" not in " ".join(twice.notes)


def test_the_share_that_was_not_luck_may_be_none():
    reversed_ = preference([panel(24, 3, 2, 1, protocol="2-AFC")])
    assert "all of their correct answers may have been luck, and" in " ".join(reversed_.sentences())
    assert "three cups" not in repr(reversed_.details())


def test_nobody_with_a_preference_is_said_so():
    plain = {"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]}
    found = preference(plain, pairs={"prefer_new": 0, "prefer_old": 0, "no_preference": 12})
    assert found.sentences() == [
        "Among everyone asked on a separate blind pair, nobody stated a preference (12 had none)."
    ]
    assert "sign test p" not in repr(found.details())


def test_a_pool_and_its_panels_give_the_same_answer():
    panels = ms.read_panels([panel(24, 12, 8, 4), panel(30, 16, 9, 5, panel="B")])
    assert preference(panels).beyond_luck.interval() == ms.pool(panels).preference().beyond_luck.interval()


# --- words ----------------------------------------------------------------------------------------------------------


def test_too_small_a_difference_is_called_not_identifiable():
    table = [panel(30, x, 5, 3, panel=f"P{x}") for x in (9, 10, 8, 11)]
    found = preference(table)
    assert not found.identifiable
    assert found.sentences()[0].startswith("Not identifiable here: the average d-prime is below 0.5 with probability")
    assert "little more than the prior" in found.sentences()[0]
    assert preference([panel(30, 25, 15, 5)]).identifiable


def test_words_are_plain_and_the_advice_is_given():
    found = preference([panel(24, 12, 8, 4, 0), panel(30, 16, 9, 5, 2, panel="B", asked="all")], placebo=(3, 4, 13))
    text, page = repr(found.details()), html.unescape(found._repr_html_()).replace("\N{NO-BREAK SPACE}", " ")
    assert "Naively, 8 of the 12 who were correct" in text
    assert "67 %, sign test p = 0.39" in text
    assert "Next time ask everyone, later, on a separate blind pair." in text
    assert "bookkeeping" in text and "three cups favours the odd one" in text
    assert "answers of" in text and "everybody" in text
    assert [part for part in text.split("\n\n") if "\n" not in part and part not in page] == []
    assert not banned(text)
    assert "SD" not in text


def test_repeat_tasters_in_a_preference_are_pointed_out():
    found = preference([panel(24, 12, 8, 4, tasters=8)])
    assert any("answered more than once in A" in note for note in found.notes)


def test_nothing_asked_and_bad_counts_are_refused_with_a_way_out():
    plain = {"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]}
    with pytest.raises(ValueError, match="nobody was asked for a preference"):
        preference(plain)
    with pytest.raises(ValueError, match="there is no prefer_old"):
        preference(plain, pairs={"prefer_new": 3})
    with pytest.raises(ValueError, match="pair 'separate pair' has -1 as a count"):
        preference(plain, pairs={"prefer_new": 3, "prefer_old": -1})
    with pytest.raises(ValueError, match="placebo holds three counts"):
        preference([panel(24, 12, 8, 4)], placebo=(3, 4))
    for spread in (-1, "x", np.nan):
        with pytest.raises(ValueError, match="from 0"):
            preference([panel(24, 12, 8, 4)], spread=spread)
    for placebo in (5, "abc"):
        with pytest.raises(ValueError, match=f"placebo holds three counts.*got {placebo!r}"):
            preference([panel(24, 12, 8, 4)], placebo=placebo)
    with pytest.raises(ValueError, match="pair 'separate pair' has 'x' as a count"):
        preference(plain, pairs={"prefer_new": "x", "prefer_old": 3})
    with pytest.raises(ValueError, match="pairs is a DataFrame, a dict or a list of dicts"):
        preference(plain, pairs=5)
    only = preference(plain, pairs={"prefer_new": [3], "prefer_old": [5]})
    with pytest.raises(ValueError, match="nobody asked the correct tasters"):
        _ = only.beyond_luck
    assert only.among_everyone.mean == pytest.approx(0.4, abs=1e-3)


def test_pair_tables_come_in_any_shape():
    shapes = [
        {"prefer_new": 12, "prefer_old": 8},
        {"prefer_new": [12], "prefer_old": [8]},
        [{"prefer_new": 12, "prefer_old": 8}],
        pd.DataFrame({"prefer_new": [12], "prefer_old": [8]}),
    ]
    answers = {preference([panel(24, 12, 8, 4)], pairs=s).among_everyone.interval() for s in shapes}
    assert len(answers) == 1


def test_figure_has_every_panel_and_the_typical_one():
    from matplotlib.figure import Figure

    found = preference([panel(24, 12, 8, 4), panel(30, 16, 9, 5, panel="B")])
    axes = found.plot(ax=Figure())
    assert [t.get_text() for t in axes.get_yticklabels()] == ["A", "B", "typical, luck taken out"]


# --- coverage -------------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_naive_interval_misses_the_preference_that_the_mixture_holds():
    # The whole table comes from tests/calibration/preference_coverage.py; one row of it, small.
    spec = importlib.util.spec_from_file_location(
        "preference_coverage", HERE / "calibration" / "preference_coverage.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    row = module.table(10, cases=((1.5, 0.9, 0.0),)).iloc[0]
    assert row["luck taken out"] >= 0.9
    assert row["all answers"] >= 0.9
    assert row["naive"] < 0.7


def test_taking_luck_out_is_no_other_answer_because_everybody_was_asked_and_right():
    # The same answers by two questions: of the correct, some of whom guessed; and of everyone, who did not guess.
    rows = [{"panel": "A", "protocol": "triangle", "taster": i, "correct": 1, "preference": "new" if i < 9 else "old"} for i in range(12)]  # fmt: skip
    tastings = ms.read_tastings(rows)
    found = preference([panel(12, 12, 9, 3, asked="all")], tastings=tastings)
    counts = [[replace(one, served=0) for one in asked] for asked in (found.correct, found.everyone)]
    assert counts[0] == counts[1]  # the same, and yet two questions
    middles = (np.arange(24) + 0.5) / 24
    d_prime = ms.pool(tastings).posterior.panels([0])[0]
    direct, _ = fit(found.correct, [np.asarray(not_luck(d_prime, "triangle").quantile(middles))], None)
    plain, _ = fit(found.everyone, [np.ones(1)], None)
    assert direct.median - plain.median > 0.01
    frame = found.to_frame().set_index("quantity")["median"]
    assert frame["prefer new, guessing taken out"] == pytest.approx(direct.median, abs=1e-9)
    assert frame["prefer new, everyone"] == pytest.approx(plain.median, abs=1e-9)
    assert found.panels_frame()["asked"].tolist() == ["correct", "all"]


@pytest.mark.parametrize(("new", "old", "said"), [(7, 3, False), (8, 3, False), (12, 2, True)])
def test_a_lean_among_those_who_were_wrong_is_said_where_a_sign_test_finds_it(new, old, said):
    assert (stats.binomtest(new, new + old).pvalue < 0.05) == said
    found = preference([panel(40, 12, 8, 4)])
    lean = replace(found, correct=tuple(replace(a, wrong_new=new, wrong_old=old) for a in found.correct))
    assert any("who were wrong lean one way" in note for note in lean.notes) == said


@pytest.mark.parametrize(
    ("more", "said"),
    [(0.951, "More than half like the new one better"), (0.95, "Which is liked better is not settled"),
     (0.5, "Which is liked better is not settled"), (1 - 0.95, "Which is liked better is not settled"),
     (0.049, "More than half like the old one better")],
)  # fmt: skip
def test_which_product_is_preferred_is_settled_above_ninety_five_in_a_hundred(more, said):
    assert _preferred(more) == said


def test_rows_of_the_answer_hold_counts_and_exact_tests():
    rows = [panel(24, 12, 8, 4), panel(30, 16, 9, 2, 5, panel="B", asked="all")]
    found = preference(rows)
    frame = found.to_frame(0.8).set_index("quantity")
    names = ["prefer new, guessing taken out", "correct answers not luck", "prefer new, naive", "prefer new, everyone"]
    assert frame.index.tolist() == names and (frame["prob"] == 0.8).all()
    naive = frame.loc["prefer new, naive"]
    ends = stats.binomtest(8, 12).proportion_ci(0.8, method="exact")
    assert [naive["mean"], naive["lower"], naive["upper"]] == pytest.approx([8 / 12, ends.low, ends.high])
    assert naive["p_value"] == pytest.approx(stats.binomtest(8, 12).pvalue) and naive["kind"] == "exact"
    everyone = frame.loc["prefer new, everyone"]
    assert (everyone["new"], everyone["stated"]) == (9, 11)
    assert everyone["p_value"] == pytest.approx(stats.binomtest(9, 11).pvalue)
    assert everyone["p_above_half"] == pytest.approx(stats.beta(10, 3).sf(0.5), abs=2e-3)
    assert np.isnan(frame.loc["prefer new, guessing taken out", "p_value"])
    silent = preference([panel(24, 12, 0, 0, 5)]).to_frame().set_index("quantity")
    assert silent.loc["prefer new, naive", ["lower", "upper"]].tolist() == [0.0, 1.0]
    panels = found.panels_frame(0.8)
    assert panels[["panel", "asked", "new", "old", "none"]].values.tolist() == [["A", "correct", 8, 4, 0], ["B", "all", 9, 2, 5]]  # fmt: skip
    assert panels["naive"].tolist() == pytest.approx([8 / 12, 9 / 11])
    assert panels["not_luck"].notna().tolist() == [True, False] and (panels["prob"] == 0.8).all()
    assert panels.loc[0, "not_luck"] == pytest.approx(found.not_luck.median)


def test_dilution_undone_by_arithmetic_is_said_only_where_it_is_a_share():
    # 12 of 24 triangles: 6 beyond luck of 12, so 8 of 12 for the new product become .5 + .1667 * 12 / 6
    found = preference([panel(24, 12, 8, 4)])
    assert found.undiluted == pytest.approx(0.5 + (8 / 12 - 0.5) * 12 / 6)
    assert "Undoing that dilution by arithmetic alone would give 83 %." in found.sentences()[1]
    beyond = preference([panel(24, 10, 9, 1)])
    assert beyond.undiluted > 1
    assert "leads beyond 0 to 100 %: too few answers for that." in beyond.sentences()[1]
    none = preference([panel(24, 8, 5, 3)])
    assert np.isnan(none.undiluted) and "Undoing" not in none.sentences()[1]
    assert np.isnan(preference([panel(24, 12, 0, 0, 5)]).naive_share)
    silent = preference([panel(24, 12, 0, 0, 5)]).sentences()[1]
    assert silent.startswith("None of the correct tasters stated a preference. But of their correct answers only")


def test_methods_name_what_was_asked_of_whom():
    correct, everyone = panel(24, 12, 8, 4), panel(24, 12, 8, 4, 2, panel="B", asked="all")
    one = " ".join(preference([correct])._methods())
    assert "Asked of the correct" in one and "Asked of everybody" not in one and "half-normal" not in one
    pair = " ".join(preference([panel(24, 12, 8, 4, 2, asked="pair")], placebo=(3, 4, 5))._methods())
    assert "Asked of everybody, on a separate blind pair: binomial" in pair and "real and the placebo pair" in pair
    both = " ".join(preference([correct, everyone])._methods())
    assert "Asked of everybody: binomial" in both and "half-normal" not in both and "placebo" not in both
    two = preference([correct, panel(24, 12, 8, 4, panel="C")])
    assert "half-normal(0.5) prior on the SD" in " ".join(two._methods())
    assert any("Panels may differ in preference" in note for note in two.notes)
    flat = preference([correct, panel(24, 12, 8, 4, panel="C")], spread=0)
    assert not any("Panels may differ" in note for note in flat.notes)
    assert not any("Panels may differ" in note for note in preference([correct]).notes)
    for wrong in (-0.1, 3.1, "wide", None):
        with pytest.raises(ValueError, match="spread is in log odds"):
            preference([correct], spread=wrong)
    assert preference([correct], spread=3).spread == 3


def test_what_to_do_next_time_is_what_was_not_done():
    said = preference([panel(24, 12, 8, 4)])
    asks = "Next time ask everyone, later, on a separate blind pair, let them say that they have no preference and serve a placebo pair"
    assert any(note.startswith(asks) for note in said.notes)
    assert said._next_step().startswith("ask everyone, later, on a separate blind pair")
    offered = preference([panel(24, 12, 8, 4, 0)])
    assert not any("let them say" in note for note in offered.notes)
    forced = preference([panel(24, 12, 8, 4, asked="pair")], placebo=(3, 4, 5))
    assert any(note == "Next time let them say that they have no preference." for note in forced.notes)
    done = preference([panel(24, 12, 8, 4, 2, asked="pair")], placebo=(3, 4, 5))
    assert not any(note.startswith("Next time") for note in done.notes)
    assert done._next_step() == "ask more people in the same way, if more has to be known."
    same_cups = preference([panel(24, 12, 8, 4, 2, asked="all")])
    assert any(
        note.startswith("Asked of everyone, perhaps about the very cups of the test, which answers then echo: A.")
        for note in same_cups.notes
    )
    assert not any("very cups" in note for note in done.notes)


def test_the_first_screen_counts_people_asked_before_right_answers():
    both = preference([panel(24, 12, 8, 4), panel(30, 16, 22, 2, 5, panel="B", asked="all")])
    text = " ".join(repr(both).split())
    share, luck = both.among_everyone, both.not_luck
    low, high = (round(100 * end) for end in share.interval())
    assert f"of 100 people asked about {100 * share.median:.0f} would go to the new one ({low} to {high})." in text
    assert text.startswith("More than half like the new one better: of 100 people asked")
    assert f"Of 100 right answers about {100 * luck.median:.0f} were more than luck" in text
    alone = " ".join(repr(preference([panel(24, 12, 8, 4)])).split())
    assert "of 100 right answers that were not luck about" in alone
    few = preference([panel(30, x, 5, 3, panel=f"P{x}") for x in (9, 10, 8, 11)])
    assert few._cautions()[0] == "Most correct answers may be luck."
    assert both._cautions()[0] != "Most correct answers may be luck."
    assert "luck" not in repr(preference([panel(24, 12, 8, 4, 2, asked="pair")], placebo=(3, 4, 5)))


def test_pairs_without_answers_without_preferences_or_with_fewer_than_were_served_are_noted():
    told = [
        {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct", "prefer_new": 5, "prefer_old": 4},
        {"panel": "B", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "all"},
        {"panel": "C", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "none"},
    ]  # fmt: skip
    pairs = [
        {"panel": "late", "prefer_new": 0, "prefer_old": 0, "no_preference": 7},
        {"panel": "later", "prefer_new": 3, "prefer_old": 2, "no_preference": 0},
        {"panel": "last", "prefer_new": 0, "prefer_old": 0, "no_preference": 0},
    ]
    found = ms.preference(told, pairs=pairs)
    notes = " ".join(found.notes)
    assert "No answer is written down in B and last, which says nothing" in notes
    assert "Nobody stated a preference in late (7 answers)" in notes
    assert "Fewer answered than could in A (9 of 12)." in notes and "C" not in re.findall(r"\b[A-Z]\b", notes)
    assert found.panels_frame()["panel"].tolist() == ["A", "late", "later"] and found.silent == ("B", "last")
    without = ms.preference(told, pairs=pairs[:2])  # an empty pair is no pair
    pd.testing.assert_frame_equal(found.to_frame(), without.to_frame())


def test_where_all_answered_and_some_have_a_preference_nothing_is_noted_of_it():
    told = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct", "prefer_new": 8,
            "prefer_old": 4}  # fmt: skip
    notes = " ".join(ms.preference([told]).notes)
    assert "answered than could" not in notes and "written down" not in notes and "Nobody stated" not in notes


def test_nobody_who_answered_is_nobody_asked():
    told = [{"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12}]
    with pytest.raises(ValueError, match="nobody was asked for a preference"):
        ms.preference(told, pairs=[{"prefer_new": 0, "prefer_old": 0}])


def test_people_who_were_asked_twice_are_counted_and_said_first():
    who = ["Ann", "Bob", "Cai"]
    rows = [
        {"panel": panel, "protocol": "triangle", "taster": t, "correct": 1, "preference": "new", "asked": "pair"}
        for panel in ("Friday", "Sunday")
        for t in (*who, f"guest of {panel}")
    ]
    tastings = ms.read_tastings(rows)
    for source in (ms.pool(tastings), tastings):
        found = ms.preference(source)
        assert found.again == (3, 5, 8)
        assert "Caution: 3 people of 5 were asked in more than one panel" in str(found)
        assert "8 answers of 5 people" in " ".join(str(found.details()).split())
    once = tastings.where(lambda frame: frame["taster"].isin(["Ann"]) & (frame["panel"] == "Friday"))
    assert ms.preference(once).again is None


def test_the_share_that_was_not_luck_weighs_panels_by_their_answers():
    found = preference([panel(24, 10, 4, 2, 1), panel(40, 30, 20, 8, 0, panel="B")])
    own = [found._shares[a].mean for a in found.correct]
    assert own[1] > own[0] + 0.1
    assert found.not_luck.mean == pytest.approx((7 * own[0] + 28 * own[1]) / 35, abs=1e-4)


def test_where_all_were_right_nothing_is_diluted_and_a_share_of_all_or_none_is_still_a_share():
    found = preference([panel(6, 6, 0, 6)])
    assert "Undoing that dilution by arithmetic alone would give 0 %." in found.sentences()[1]
    for n, new in ((6, 0), (24, 0), (24, 24), (24, 6)):
        (one,) = found.correct
        assert replace(found, correct=(replace(one, tastings=n, correct=n, new=new, old=n - new),)).undiluted == new / n


def test_the_figure_tells_who_was_asked_and_everybodys_answer_comes_first():
    from matplotlib.figure import Figure

    rows = [
        panel(24, 12, 8, 4),
        panel(30, 14, 15, 9, panel="B", asked="all"),
        panel(30, 14, 9, 15, panel="C", asked="all"),
    ]
    found = preference(rows, pairs={"panel": "D", "prefer_new": 12, "prefer_old": 8})
    axes = found.plot(ax=Figure())
    names = ["A (the correct)", "B (everyone)", "C (everyone)", "D (everyone, on a separate pair)", "typical, everyone"]
    assert [" ".join(label.get_text().split()) for label in axes.get_yticklabels()] == names
    assert {"8 : 4", "15 : 9", "9 : 15", "12 : 8"} <= {text.get_text() for text in axes.texts}
    assert found._line().startswith("Among everyone asked, 36 of 68 with a preference prefer the new product (")
    assert "had no preference" not in found._line()
    alt = found._picture().alt
    assert alt.index("everyone asked") < alt.index("lucky guesses taken out")
