"""The answer under other choices equals the answer of a fresh pool that makes them."""

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import metasense as ms
from metasense.engine import grid
from metasense.engine.spreads import average_d_prime
from metasense.questions.path import Path
from metasense.questions.sensitivity import (
    TAILS,
    Sensitivity,
    corners,
    error_of_draws,
    on_draws,
    prior_cases,
    prior_range,
    prior_warnings,
    scaled,
    selections,
)
from metasense.showing import figures
from metasense.showing.words import banned

CIDER = "datasets/cider_fining.csv"
COFFEE = "datasets/coffee_bags.csv"
BAKERY = "datasets/bakery_salt.csv"
MARGIN = ms.Margin(d_prime=0.5)
PLAIN = {"panel": ["A", "B", "C", "D"], "protocol": ["triangle", "tetrad", "triangle", "duo-trio"]}
PLAIN |= {"tastings": [40, 22, 30, 28], "correct": [13, 14, 15, 17]}

# repeat tasters are in COFFEE too, and take many times the work
TABLES = [PLAIN, COFFEE, *(pytest.param(table, marks=pytest.mark.slow) for table in (CIDER, BAKERY))]


def same(row, pooled, tolerance=1e-6):
    lower, upper = pooled.average.interval()
    assert [row["median"], row["lower"], row["upper"]] == pytest.approx(
        [pooled.average.median, lower, upper], abs=tolerance
    )
    verdict = pooled.verdict()
    assert [row["p_above"], row["p_below"]] == pytest.approx([verdict.above, verdict.below], abs=tolerance)
    assert row["verdict"] == verdict.label


@pytest.mark.parametrize("table", TABLES)
def test_leaving_one_panel_out_equals_a_full_refit(table):
    pooled = ms.pool(table, margin=MARGIN)
    cases = pooled.sensitivity().about("panel").set_index("case")
    assert len(cases) == len(pooled.panels)
    for panel in pooled.panels.frame["panel"]:
        same(cases.loc[f"without {panel}"], ms.pool(pooled.panels.without(panel), margin=MARGIN))


@pytest.mark.parametrize("directed", [False, True])
def test_few_panels_of_any_size_left_out_or_added_equal_full_refits_too(directed):
    rng = np.random.default_rng(4)
    tests = ["triangle", "duo-trio", "tetrad", *(["2-AFC", "3-AFC"] if directed else [])]
    for panels in (2, 3, 5):
        chosen, tastings = rng.choice(tests, panels), rng.integers(8, 60, panels)
        d = np.abs(rng.normal(rng.choice([0.0, 1.0, 2.5]), 0.4, panels))
        chance = [float(ms.protocol(test).p_correct(x)) for test, x in zip(chosen, d, strict=True)]
        names = [f"P{i}" for i in range(panels)]
        table = {
            "panel": names,
            "protocol": list(chosen),
            "tastings": tastings,
            "correct": rng.binomial(tastings, chance),
        }
        pooled = ms.pool(table, margin=MARGIN)
        cases, steps = pooled.sensitivity().about("panel").set_index("case"), pooled.path().to_frame()
        for i, name in enumerate(names):
            same(cases.loc[f"without {name}"], ms.pool(pooled.panels.without(name), margin=MARGIN))
            same(steps.iloc[i], ms.pool(pooled.panels[names[: i + 1]], margin=MARGIN))


def test_a_likelihood_with_a_corner_is_followed_by_the_same_cosines_with_and_without_other_panels():
    # repeat tasters in a directed test: what the cosines miss of the corner at guessing is the same in both
    table = {"panel": ["A", "B", "C"], "protocol": ["2-AFC", "triangle", "duo-trio"], "tastings": [12, 16, 60]}
    pooled = ms.pool(table | {"correct": [9, 8, 34], "tasters": [4, 16, 60]}, margin=MARGIN)
    cases = pooled.sensitivity().about("panel").set_index("case")
    for name in "ABC":
        same(cases.loc[f"without {name}"], ms.pool(pooled.panels.without(name), margin=MARGIN))


@pytest.mark.parametrize("table", [PLAIN, COFFEE])
def test_evidence_and_mean_of_a_refit_are_the_same_to_many_digits(table):
    pooled = ms.pool(table)
    for i in (0, 1, len(pooled.collected.evidence) - 1):
        copies = pooled.collected.copies.astype(float)
        copies[i] -= 1
        found = pooled.core.plane.weigh(copies, pooled.priors)
        rest = [e for e, n in zip(pooled.collected.evidence, copies, strict=True) if n]
        posterior, evidences = grid.integrate(rest, copies[copies > 0], pooled.priors)
        assert found.log_evidence == pytest.approx(evidences.varying, abs=1e-8)
        assert found.average.mean == pytest.approx(posterior.average.mean, abs=1e-8)


@pytest.mark.parametrize("table", TABLES)
def test_every_step_of_the_path_is_a_full_refit_and_the_last_is_the_pool(table):
    pooled = ms.pool(table, margin=MARGIN)
    steps = pooled.path().to_frame()
    same(steps.iloc[-1], pooled)
    for k in range(1, len(steps)):
        same(steps.iloc[k - 1], ms.pool(pooled.panels[steps["panel"].iloc[:k].tolist()], margin=MARGIN))


def test_the_end_does_not_depend_on_the_order():
    pooled = ms.pool(COFFEE, margin=MARGIN)
    backwards = ms.pool(pooled.panels[pooled.panels.frame["panel"].tolist()[::-1]], margin=MARGIN)
    here, there = (p.path().to_frame() for p in (pooled, backwards))
    assert here["panel"].tolist() == there["panel"].tolist()  # dates decide, not rows
    numbers = ["median", "lower", "upper", "p_above"]
    assert here[numbers].to_numpy() == pytest.approx(there[numbers].to_numpy(), abs=1e-6)


def test_priors_equal_pools_with_those_priors():
    pooled = ms.pool(PLAIN, margin=MARGIN)
    cases = pooled.sensitivity().about("prior")
    assert len(cases) == 8
    for mu, tau in ((0.75, 0.25), (3.0, 1.0), (1.5, 0.25)):
        row = cases.set_index("case").loc[f"prior scales {mu:g} (centre), {tau:g} (spread)"]
        same(row, ms.pool(PLAIN, margin=MARGIN, priors=ms.Priors(mu, tau)))
    assert pooled.corners["median"].tolist() == pytest.approx([pooled.average.median, *cases["median"][:4]], abs=1e-6)


def test_selections_leave_out_what_they_say():
    pooled = ms.pool(COFFEE, margin=MARGIN)
    cases = pooled.sensitivity().to_frame().set_index("case")
    frame = pooled.panels.frame
    blind = pooled.panels.where(frame["blind"] == "double")
    same(cases.loc["double-blind panels only"], ms.pool(blind, margin=MARGIN))
    same(cases.loc["reported panels only"], ms.pool(pooled.panels.without("Week 2 broken off"), margin=MARGIN))
    same(cases.loc["without repeat tasters"], ms.pool(pooled.panels.without("Week 12 staff"), margin=MARGIN))
    assert cases.loc["without batch pair R2", "panels"] == 8
    assert "without panels looked at or extended before the end" not in cases.index  # there are none
    extended = ms.pool(CIDER).sensitivity().to_frame().set_index("case")
    assert extended.loc["without panels looked at or extended before the end", "panels"] == 8


def test_any_column_can_be_left_out_group_by_group():
    pooled = ms.pool(CIDER, margin=MARGIN)
    groups = pooled.sensitivity(by=["experience"]).about("group")
    assert groups["case"].tolist() == [f"without experience {name}" for name in ("public", "club", "trained")]
    kept = pooled.panels.where(pooled.panels.frame["experience"] != "trained")
    same(groups.iloc[2], ms.pool(kept, margin=MARGIN))
    assert pooled.sensitivity(by="experience").about("group")["case"].tolist() == groups["case"].tolist()
    with pytest.raises(ValueError, match=r"no column 'brewer'; there is panel"):
        pooled.sensitivity(by=["brewer"])


def test_each_experimenter_is_left_out_unasked_where_the_table_names_them():
    pooled = ms.pool(PLAIN | {"experimenter": ["Ann", "Ann", "Ben", "Ben"]}, margin=MARGIN)
    groups = pooled.sensitivity().about("group").set_index("case")
    assert groups.index.tolist() == ["without experimenter Ann", "without experimenter Ben"]
    same(groups.loc["without experimenter Ann"], ms.pool(pooled.panels[["C", "D"]], margin=MARGIN))


def test_a_choice_that_leaves_no_panel_is_said_and_not_answered():
    found = ms.pool(PLAIN | {"blind": "single"}).sensitivity()
    assert any("no panel would be left: double-blind" in note for note in found.notes)
    assert "double-blind panels only" not in set(found.to_frame()["case"])


def test_directed_panels_may_be_left_out_of_a_pool_that_keeps_a_sign():
    table = {
        "panel": ["A", "B", "C"],
        "protocol": ["2-AFC", "triangle", "tetrad"],
        "tastings": 30,
        "correct": [20, 14, 13],
    }
    pooled = ms.pool(table, margin=MARGIN)
    row = pooled.sensitivity().about("panel").set_index("case").loc["without A"]
    same(row, ms.pool(pooled.panels.without("A"), margin=MARGIN))  # which has no directed panel at all


def test_an_outlier_is_answered_on_finer_nodes_not_wrongly():
    table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 40, "correct": [13, 14, 12, 40]}
    pooled = ms.pool(table, margin=MARGIN)
    cases = pooled.sensitivity().about("panel").set_index("case")
    for panel in "AD":
        same(cases.loc[f"without {panel}"], ms.pool(pooled.panels.without(panel), margin=MARGIN), 5e-6)


def test_a_posterior_the_nodes_do_not_suit_is_looked_at_again_and_found():
    pooled = ms.pool(PLAIN)
    copies = pooled.collected.copies.astype(float)

    def elsewhere(plane):
        """A product of normals so narrow and far away that the pool's own nodes miss it."""
        return [-0.5 * ((plane.mu - 3.1) / 1e-3) ** 2 - 0.5 * ((plane.tau - 0.7) / 1e-3) ** 2 for _ in plane.regions]

    found = pooled.core.plane.weigh(0 * copies, pooled.priors, elsewhere)
    assert found.plane is not pooled.core.plane
    assert found.average.mean == pytest.approx(float(average_d_prime(np.array(3.1), np.array(0.7))), abs=1e-5)
    # the prior is as good as constant over so small a place
    expected = np.log(4 * stats.norm.pdf(3.1, 0, 1.5) * stats.norm.pdf(0.7, 0, 0.5) * 2 * np.pi * 1e-6)
    assert found.log_evidence == pytest.approx(expected, abs=1e-3)
    assert sum(w.sum() for w in found.weights) == pytest.approx(1)


def test_a_plane_that_never_settles_raises(monkeypatch):
    monkeypatch.setattr("metasense.engine.plane.MOST_NODES", 200)  # to be told so sooner
    pooled = ms.pool(PLAIN)

    def noise(plane):
        return [np.random.default_rng(1).normal(0, 5, len(plane.mu)) for _ in plane.regions]

    with pytest.raises(grid.IntegrationError, match="under other choices"):
        pooled.core.plane.weigh(pooled.collected.copies.astype(float), pooled.priors, noise)


def test_the_note_on_priors_counts_only_the_scales_that_could_be_tried():
    widest = ms.pool(PLAIN, priors=ms.Priors(3.0, 1.5))
    said = next(note for note in widest.notes if "prior scales halved" in note)
    assert "where they can be (3 of 8 cases)" in said
    assert "Scales above 3 (centre) and 1.5 (spread) are not computed." in said
    sentence = widest.sensitivity().sentences()[0]
    assert "where they can be (3 of 8 cases)" in sentence and "are not computed" in sentence
    assert "where they can be" not in " ".join(ms.pool(PLAIN).notes)


def test_path_places_undated_panels_last_and_says_so():
    some = ms.pool(PLAIN | {"date": ["2025-03-01", None, "2025-01-01", None]}).path()
    assert some.to_frame()["panel"].tolist() == ["C", "A", "B", "D"]
    assert "placed last in the order of the table: B and D" in some.notes[0]
    none = ms.pool(PLAIN).path()
    assert none.to_frame()["panel"].tolist() == list("ABCD") and "No panel has a date" in none.notes[0]
    assert "date" not in repr(none).splitlines()[2]


def test_warns_when_the_answer_rests_on_the_prior_and_only_then():
    everything = ms.pool(
        {"panel": ["A"], "protocol": "2-AFC", "tastings": 20, "correct": 20}, margin=ms.Margin(d_prime=2)
    )
    warned = everything.sensitivity().warnings
    assert any("The answer rests on the prior" in text for text in warned)
    assert set(warned) <= set(everything.sensitivity().sentences()) and set(warned) <= set(everything.warnings) | set(
        warned
    )
    assert any("rests on the prior" in note for note in everything.notes)
    many = {
        "panel": list("ABCDEFGH"),
        "protocol": "tetrad",
        "tastings": 60,
        "correct": [33, 30, 35, 31, 34, 32, 30, 36],
    }
    calm = ms.pool(many, margin=ms.Margin(d_prime=0.4))
    assert calm.sensitivity().warnings == ()
    assert any("halved or doubled" in note and "the verdict stays" in note for note in calm.notes)


def test_changing_verdicts_are_counted_and_named():
    found = ms.pool(CIDER, margin=ms.Margin(p_d=0.2, protocol="triangle")).sensitivity()
    changed = found.to_frame()["verdict_changes"].sum()
    assert changed > 0
    assert f"changes in {changed} of" in " ".join(found.sentences())
    axes = found.plot()
    assert any("another verdict" in text.get_text() for text in axes.get_legend().get_texts())
    assert len(axes.get_yticklabels()) == min(len(found.to_frame()), 14)


def test_without_a_margin_there_is_no_talk_of_verdicts():
    found = ms.pool(PLAIN).sensitivity()
    assert "verdict" not in repr(found) and np.isnan(found.to_frame()["p_above"]).all()
    assert "verdict" not in repr(ms.pool(PLAIN).path())


def test_one_panel_can_be_asked_too():
    one = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12})
    assert one.sensitivity().about("panel", "shape").empty
    assert "no other panel" in one.path().sentence()


def test_words_and_html_say_the_same_and_no_banned_phrase():
    pooled = ms.pool(COFFEE, margin=MARGIN)
    for found in (pooled.sensitivity(), pooled.path()):
        assert not banned(repr(found))
        for word in ("Week 6 tetrad", "not settled"):
            assert word in repr(found) and word in found._repr_html_()
    pooled.path().plot()


def test_the_figure_of_cases_has_words_for_those_who_cannot_see_it():
    found = ms.pool(CIDER, margin=ms.Margin(p_d=0.2, protocol="triangle")).sensitivity().to_frame()
    said = figures.alt_cases(found.rename(columns={"case": "name"}), margin=1.29)
    lowest = found.iloc[1:].sort_values("median").iloc[0]
    assert f"{len(found) - 1} other choices" in said and lowest["case"] in said and not banned(said)
    assert f"{found['verdict_changes'].sum()} cases with another verdict" in said


def test_large_pools_are_looked_at_when_asked_and_say_so():
    rng = np.random.default_rng(1)
    counts = rng.binomial(30, 0.42, 1200)
    pooled = ms.pool(
        {"panel": [f"P{i}" for i in range(1200)], "protocol": "triangle", "tastings": 30, "correct": counts}
    )
    assert any("the fit is checked when asked for: pooled.fit()" in note for note in pooled.notes)
    cases = pooled.sensitivity().about("panel")
    assert len(cases) == 1200 and cases["median"].nunique() <= len(set(counts))  # equal panels are refitted once


def cases(change, verdict, other):
    rows = [
        {"case": "all panels", "about": "all panels", "median": 1.0, "change": 0.0, "verdict": verdict, "verdict_changes": False},
        {"case": "wider", "about": "prior", "median": 1 + change, "change": change, "verdict": other, "verdict_changes": verdict != other},
    ]  # fmt: skip
    return pd.DataFrame(rows)


@pytest.mark.parametrize(("change", "said"), [(0.24, False), (-0.24, False), (0.27, True), (-0.3, True), (0.49, True)])
def test_the_answer_rests_on_the_prior_when_another_moves_it_by_a_quarter(change, said):
    found = " ".join(prior_warnings(cases(change, "not settled", "not settled")))
    assert ("The answer rests on the prior" in found) == said


def test_a_verdict_that_another_prior_undoes_is_a_warning_and_one_it_would_bring_about_is_not():
    undone = " ".join(prior_warnings(cases(0.1, "within the margin", "not settled")))
    assert "The verdict, within the margin, rests on the prior" in undone
    assert prior_warnings(cases(0.1, "not settled", "within the margin")) == ()


def test_a_panel_taken_further_than_planned_was_extended_even_if_nobody_looked():
    table = PLAIN | {"planned": [40, 20, 30, 28], "looks": [1, 1, 1, 2]}
    kept = dict(selections(ms.read_panels(table).frame))
    name = "without panels looked at or extended before the end"
    assert kept[name].tolist() == [True, False, True, False]


def test_a_column_of_one_group_has_none_to_leave_out():
    alike = ms.pool(PLAIN | {"batch_pair": "oak"}).sensitivity()
    assert len(alike.about("group")) == 0
    assert not any("batch pair" in note for note in alike.notes)
    two = ms.pool(PLAIN | {"batch_pair": ["oak", "oak", "ash", "ash"]}).sensitivity()
    assert two.about("group")["case"].tolist() == ["without batch pair oak", "without batch pair ash"]


def test_the_path_says_since_when_the_verdict_has_stood_for_good():
    steps = pd.DataFrame({"panel": list("ABCDE"), "date": pd.NaT, "panels": range(1, 6), "median": 0.5})
    steps = steps.assign(lower=0.1, upper=0.9, prob=0.95, kind="equal-tailed", p_above=0.5, p_below=0.5)
    far, open_ = "beyond the margin", "not settled"
    path = Path(steps.assign(verdict=[open_, far, open_, far, far]), 0.5)
    assert "has stood at beyond the margin since D (panel 4)." in path.sentence()


def whole(*rows, verdict="beyond the margin", **more):
    """Cases whose numbers are made up: the pool at 1.00, then ``(case, about, change, verdict)``."""
    first = ("all panels", "all panels", 0.0, verdict)
    frame = pd.DataFrame([first, *rows], columns=["case", "about", "change", "verdict"])
    frame = frame.assign(panels=3, median=1 + frame["change"], lower=0.1, upper=2.5, prob=0.95, kind="equal-tailed")
    return frame.assign(p_above=0.97, p_below=0.03, verdict_changes=frame["verdict"] != verdict, **more)


FAR, OPEN = "beyond the margin", "not settled"
PRIORS = [(f"prior scales {i}", "prior", change, FAR) for i, change in enumerate([-0.1, 0.1, 0, 0, 0, 0, 0, 0.05])]


def test_the_sentences_name_what_moves_the_answer_most_either_way():
    rows = [
        *PRIORS,
        ("double-blind panels only", "selection", 0.1, FAR),
        ("without batch pair oak", "group", -0.3, FAR),
        ("without A", "panel", 0.2, FAR),
        ("without B", "panel", -0.4, OPEN),
    ]
    said = Sensitivity(whole(*rows), 0.5).sentences()
    assert said[0] == (
        "With the prior scales halved and doubled, together and apart, the median of the average d-prime runs from "
        "0.90 to 1.10; it is 1.00 with the priors used."
    )
    assert said[1] == (
        "Of the selections and groups, the answer moves most without batch pair oak: the median goes from 1.00 to 0.70."
    )
    assert said[2] == "Of the single panels, the answer moves most without B: the median goes from 1.00 to 0.60."
    assert said[3] == "The verdict, beyond the margin, changes in 1 of 12 other cases: without B (not settled)."
    assert said[4:] == ()
    alone = Sensitivity(whole(*PRIORS, ("double-blind panels only", "selection", 0.1, FAR)), 0.5, ("A note.",))
    assert alone.sentences()[1] == (
        "Of the selections and groups, the answer moves most with double-blind panels only: the median goes from 1.00 "
        "to 1.10."
    )
    assert alone.sentences()[2:] == (
        "The verdict, beyond the margin, is the same in all 9 other cases.",
        "A note.",
    )
    assert len(Sensitivity(whole(*rows), None).sentences()) == 3  # no margin, no verdict


def test_cases_are_given_by_kind_and_as_copies():
    found = Sensitivity(whole(*PRIORS, ("without A", "panel", 0.2, FAR)), 0.5)
    assert found.about("panel")["case"].tolist() == ["without A"]
    assert len(found.about("prior", "panel")) == 9 and len(found.about()) == 0
    frame = found.to_frame()
    frame["median"] = 9.0
    assert found.to_frame()["median"].iloc[0] == 1.0


@pytest.mark.parametrize(("change", "said"), [(0.0049, " 0 "), (-0.004, " 0 "), (0.005, "+0.01"), (-0.25, "-0.25")])
def test_a_change_has_its_sign_and_next_to_none_is_zero(change, said):
    shown = repr(Sensitivity(whole(*PRIORS, ("without A", "panel", change, FAR)), 0.5))
    row = next(line for line in shown.splitlines() if line.strip().startswith("without A "))
    assert said in row + " "
    assert "P(above margin)" in shown and "97.0 %" not in row and "97 %" in row
    assert "P(above margin)" not in repr(Sensitivity(whole(*PRIORS), None))


def test_the_table_shows_sixty_cases_and_says_how_many_there_are():
    many = [(f"without P{i}", "panel", 0.01, FAR) for i in range(70)]
    shown = repr(Sensitivity(whole(*PRIORS, *many), 0.5))
    assert "19 more rows not shown here; to_frame() holds them all." in shown


@pytest.mark.parametrize("verdicts", [(FAR, FAR), (FAR, OPEN)])
def test_the_note_on_priors_says_whether_the_verdict_stays(verdicts):
    rows = [("a", "prior", -0.1, verdicts[0]), ("b", "prior", 0.1, verdicts[1]), ("c", "prior", 0, FAR), ("d", "prior", 0, FAR)]  # fmt: skip
    said = prior_range(whole(*rows, ("without A", "panel", 3.0, OPEN)))
    stays = "the verdict stays" if verdicts == (FAR, FAR) else "the verdict changes"
    assert said == (
        "With each of the two prior scales halved or doubled the median of the average d-prime runs from 0.90 to "
        f"1.10; {stays}."
    )
    none = prior_range(whole(*((c, a, m, "no margin given") for c, a, m, _ in rows), verdict="no margin given"))
    assert none.endswith("runs from 0.90 to 1.10.")
    few = prior_range(whole(*rows[:1]))
    assert "halved or doubled where they can be (1 of 4 cases) the median of the average d-prime is 0.90" in few
    assert few.endswith("Scales above 3 (centre) and 1.5 (spread) are not computed.")


def test_a_warning_on_the_prior_names_the_case_that_moves_most_and_where():
    rows = [("small", "prior", -0.4, FAR), ("large", "prior", 0.3, OPEN), ("without A", "panel", 2.0, OPEN)]
    said = prior_warnings(whole(*rows), " at old vines")
    assert said == (
        "The answer rests on the prior. With small, the median of the average d-prime at old vines is 0.60 in place of "
        "1.00. More tastings, or a sharper protocol, would change that.",
        "The verdict at old vines, beyond the margin, rests on the prior. It would be another with large (not settled).",
    )
    assert len(prior_warnings(whole(*rows, verdict=OPEN))) == 1  # what is not settled cannot be undone
    assert prior_warnings(whole(("small", "prior", -0.25, FAR))) == ()  # a quarter itself is not more than a quarter


def test_the_corners_halve_and_double_every_scale_and_the_edges_one_alone():
    named = dict(corners(ms.Priors(1.0, 0.4)))
    assert list(named) == [
        "prior scales 0.5 (centre), 0.2 (spread)",
        "prior scales 0.5 (centre), 0.8 (spread)",
        "prior scales 2 (centre), 0.2 (spread)",
        "prior scales 2 (centre), 0.8 (spread)",
    ]
    assert named["prior scales 2 (centre), 0.2 (spread)"] == ms.Priors(2.0, 0.2)
    three = corners(ms.Priors(1.0, 0.4, 0.3), 3)
    assert len(three) == 8 and three[0] == (
        "prior scales 0.5 (centre), 0.2 (spread), 0.15 (effect)",
        ms.Priors(0.5, 0.2, 0.15),
    )
    assert scaled(ms.Priors(2.0, 0.4), 2.0) is None and scaled(ms.Priors(2.0, 0.4), 0.5) == ms.Priors(1.0, 0.4)
    cases = ms.pool(PLAIN, priors=ms.Priors(1.0, 0.4)).sensitivity().about("prior")["case"].tolist()
    assert cases[:4] == list(named)
    assert cases[4:] == [
        "prior scales 0.5 (centre), 0.4 (spread)",
        "prior scales 2 (centre), 0.4 (spread)",
        "prior scales 1 (centre), 0.2 (spread)",
        "prior scales 1 (centre), 0.8 (spread)",
    ]


def test_each_careful_selection_keeps_the_panels_it_says():
    table = PLAIN | {"blind": ["double", "single", None, "double"], "looks": [1, 2, None, 1]}
    table |= {"tasters": [40, 21, 30, None], "reported": ["yes", "no", None, "yes"], "planned": [40, 22, 31, None]}
    kept = {name: keep.tolist() for name, keep in selections(ms.read_panels(table).frame)}
    assert kept == {
        "double-blind panels only": [True, False, False, True],
        "without panels looked at or extended before the end": [True, False, True, True],
        "without repeat tasters": [True, False, True, True],
        "reported panels only": [True, False, True, True],
    }
    assert "double-blind panels only" not in dict(selections(ms.read_panels(PLAIN).frame))


@pytest.mark.parametrize(("groups", "asked"), [(20, True), (21, False)])
def test_groups_are_left_out_up_to_twenty_of_a_column(groups, asked):
    table = {"panel": [f"P{i}" for i in range(groups)], "protocol": "triangle", "tastings": 24, "correct": 10}
    found = ms.pool(table | {"batch_pair": [f"pair {i}" for i in range(groups)]}).sensitivity()
    assert len(found.about("group")) == (groups if asked else 0)
    assert any("leaving out each batch_pair in turn; there are 21, more than 20." in n for n in found.notes) != asked


def test_panels_are_left_out_up_to_a_thousand_different_ones(monkeypatch):
    monkeypatch.setattr("metasense.questions.sensitivity.MOST", 4)
    assert len(ms.pool(PLAIN).sensitivity().about("panel")) == 4
    monkeypatch.setattr("metasense.questions.sensitivity.MOST", 3)
    found = ms.pool(PLAIN).sensitivity()
    assert found.about("panel").empty and "there are more than 3 different ones." in found.notes[-1]
    one = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12}).sensitivity()
    assert one.notes == ()


def test_the_prior_cases_of_a_pool_are_the_first_rows_of_its_sensitivity():
    pooled = ms.pool(PLAIN, margin=MARGIN)
    rows = Sensitivity.of(pooled.core).to_frame().iloc[:5].reset_index(drop=True)
    found = prior_cases(pooled.core)
    assert found["case"].tolist() == rows["case"].tolist() and found["about"].tolist() == rows["about"].tolist()
    for name in ("median", "lower", "upper", "p_above", "p_below", "change"):
        assert found[name].to_numpy() == pytest.approx(rows[name].to_numpy(), abs=1e-9)
    assert found["verdict_changes"].tolist() == rows["verdict_changes"].tolist()
    assert prior_cases(pooled.core) is found


def test_notes_methods_and_sensitivity_give_one_range_of_prior_scales():
    pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [9, 11, 13]})
    said = [next(n for n in pooled.notes if "prior scales" in n and "runs" in n)]
    said += [pooled.statement(length="methods"), pooled.sensitivity().sentences()[0]]
    ranges = {re.search(r"runs from (\d+\.\d+ to \d+\.\d+)", str(one))[1] for one in said}
    cases = pooled.sensitivity().about("prior")["median"]
    assert ranges == {f"{cases.min():.2f} to {cases.max():.2f}"}


def test_the_error_of_draws_is_that_of_a_weighted_mean():
    # two draws of two by two nodes; nodes of one row share an average; sums written out
    weights = [np.array([0.1, 0.1, 0.2, 0.1]), np.array([0.05, 0.05, 0.1, 0.3])]
    plane = SimpleNamespace(average=np.array([1.0, 3.0]), nodes=(2, 2))
    mean = (0.3 * 1 + 0.7 * 3) / 1.0
    variance = 0.3 * (1 - mean) ** 2 + 0.7 * (3 - mean) ** 2
    off = [0.2 * (1 - mean) + 0.3 * (3 - mean), 0.1 * (1 - mean) + 0.4 * (3 - mean)]
    found = error_of_draws(SimpleNamespace(plane=plane, weights=weights))
    assert found == pytest.approx(np.sqrt(off[0] ** 2 + off[1] ** 2) / np.sqrt(variance))


def test_draws_are_owned_up_to_by_the_worst_of_them():
    assert on_draws([]) == on_draws([0.0, 0.0]) == []
    (said,) = on_draws([0.0, 0.04, 0.02])
    assert said.endswith("their medians are good to about 4 % of a posterior standard deviation.")


def test_other_shapes_tails_and_ways_of_answering_have_a_sentence_each():
    rows = [
        *PRIORS,
        ("prior of another kind", "prior shape", -0.1, FAR),
        ("a flat spread", "prior shape", 0.25, FAR),
        (TAILS, "shape", -0.2, FAR),
        ("if guessers have habits", "habit", 0.0, FAR),
        ("by another rule", "rule", 0.4, OPEN),
    ]
    found = Sensitivity(whole(*rows), 0.5)
    assert found.sentences()[1:5] == (
        "With priors of another shape, the median is 0.90 with the prior of another kind and 1.25 with a flat spread.",
        "If a panel may lie far off the others without pulling them (heavier tails of the spread), the median goes from "
        "1.00 to 0.80.",
        "If guessers have habits, the median would stay at 1.00.",
        "By another rule, the median would go from 1.00 to 1.40.",
    )
    # another rule gives the same share another d-prime, so that it has no place beside the margin
    assert found._drawn()["about"].tolist() == [row for row in found.cases["about"] if row != "rule"]
    assert Sensitivity(whole(*rows), None)._drawn()["about"].tolist() == found.cases["about"].tolist()
    assert "by another rule" not in found._alt("", {}) and "13 other choices" not in found._alt("", {})
    assert "12 other choices" in found._alt("", {})


def test_two_panels_have_every_kind_of_case_in_intervals_of_the_asked_probability():
    two = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [14, 17]}, margin=MARGIN)
    found = Sensitivity.of(two.core, prob=0.8)
    assert (found.cases["prob"] == 0.8).all() and (Sensitivity.of(two.core).cases["prob"] == 0.95).all()
    assert found.about("shape")["case"].tolist() == [TAILS] and len(found.about("panel")) == 2
    assert found.about("rule")["panels"].tolist() == [2]
