"""The drawer: the what-if against a plain double sum, simulated publication, and rows that were never hidden."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from calibration.drawer_coverage import study
from scipy import stats

import metasense as ms
from metasense.core.evidence import collect
from metasense.engine import outcomes
from metasense.engine.likelihood import Series
from metasense.engine.outcomes import AtLeast
from metasense.questions.drawer import Drawer, Selection, listed, turn
from metasense.showing.words import banned

SHINY = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13]}
COFFEE = "datasets/coffee_bags.csv"


def averaged(function, mu, tau, points=41):
    """Mean of function(|theta|) over Normal(mu, tau) by Gauss-Hermite quadrature."""
    z, w = np.polynomial.hermite_e.hermegauss(points)
    return np.tensordot(function(np.abs(mu[..., None] + tau[..., None] * z)), w / w.sum(), axes=(-1, 0))


def plain(counts, tastings, critical, omega):
    """Mean average d-prime by a double sum over centre and spread, written from the formula with scipy's binomial."""
    triangle = ms.protocol("triangle")
    mu, tau = np.meshgrid(np.linspace(0.02, 6, 150), np.linspace(0.01, 2.5, 100), indexing="ij")
    log = stats.norm.logpdf(mu, 0, 1.5) + stats.norm.logpdf(tau, 0, 0.5)
    significant = averaged(lambda d: stats.binom.sf(critical - 1, tastings, triangle.p_correct(d)), mu, tau)
    for x in counts:
        chance = averaged(lambda d, x=x: stats.binom.pmf(x, tastings, triangle.p_correct(d)), mu, tau)
        log += np.log(chance) - np.log(significant + omega * (1 - significant))
    weight = np.exp(log - log.max())
    size = tau * np.sqrt(2 / np.pi) * np.exp(-0.5 * (mu / tau) ** 2) + mu * (1 - 2 * stats.norm.cdf(-mu / tau))
    never = 3 * (1 - omega) * (1 - significant) / (significant + omega * (1 - significant))
    return (weight * size).sum() / weight.sum(), (weight * never).sum() / weight.sum()


@pytest.mark.parametrize("omega", [1.0, 0.2, 0.01])
def test_what_if_is_the_formula_summed_plainly(omega):
    selection = Selection(ms.pool(SHINY).core)
    found = selection.weigh(omega)
    mean, never = plain(SHINY["correct"], 24, 13, omega)
    assert found.average.mean == pytest.approx(mean, abs=2e-3)  # the plain sum is coarse
    assert selection.never_listed(omega, found) == pytest.approx(never, rel=5e-3, abs=1e-9)


def test_chance_of_significance_is_averaged_over_panels_exactly():
    evidence = collect(ms.read_panels(SHINY).frame).evidence[0]
    series = Series.build([AtLeast(evidence, 13)], [1])
    mu, tau = np.array([0.0, 0.6, 1.4]), np.array([0.3, 0.2, 0.8])
    found = series.evaluate(mu, tau)[:, 0] * np.exp(series.log_scale[0])
    expected = averaged(lambda d: stats.binom.sf(12, 24, ms.protocol("triangle").p_correct(d)), mu, tau, 101)
    assert found == pytest.approx(expected, abs=1e-10)


def test_chance_of_significance_with_repeats_is_that_of_simulated_tasters():
    table = {"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 10, "tasters": 8}
    evidence = collect(ms.read_panels(table).frame).evidence[0]
    found = np.exp(AtLeast(evidence, 13).log_likelihood(np.array([1.5]), 0.4))[0]
    drawn = outcomes.simulate(evidence, np.full(40_000, 1.5), np.full(40_000, 0.4), np.random.default_rng(2))
    assert found == pytest.approx(np.mean(drawn >= 13), abs=0.01)


@pytest.mark.parametrize("table", [SHINY, COFFEE])
def test_with_everything_listed_it_is_the_pool(table):
    pooled = ms.pool(table, margin=ms.Margin(d_prime=0.5))
    row = pooled.drawer().to_frame().iloc[0]
    assert row["omega"] == 1 and row["never_listed"] == 0
    lower, upper = pooled.average.interval()
    assert [row["median"], row["lower"], row["upper"]] == pytest.approx([pooled.average.median, lower, upper], abs=2e-5)
    assert row["p_below"] == pytest.approx(pooled.verdict().below, abs=5e-6)


def test_the_fuller_the_drawer_the_smaller_the_difference():
    frame = ms.pool(SHINY).drawer().to_frame()
    assert (np.diff(frame["median"]) < 0).all() and (np.diff(frame["never_listed"]) > 0).all()
    assert frame["never_listed"].iloc[0] == 0


def test_where_panels_lean_the_other_way_the_answers_for_a_full_drawer_are_too_high():
    reversed_pair = {"panel": ["A", "B", "C"], "protocol": "2-AFC", "tastings": 30, "correct": [8, 9, 7]}
    found = ms.pool(reversed_pair).drawer()
    medians = found.to_frame()["median"]
    assert medians.iloc[-1] > medians.iloc[0]
    assert "the others are too high" in found.caveats()[0]
    assert "the others are too low" in ms.pool(SHINY).drawer().caveats()[0]


def test_unreported_panels_are_rows_like_any_other_with_the_reported_answer_beside():
    pooled = ms.pool(COFFEE, margin=ms.Margin(d_prime=0.5))
    assert "Week 2 broken off" in pooled.panels_frame()["panel"].tolist()
    found = pooled.drawer()
    assert found.unreported == ("Week 2 broken off",)
    without = ms.pool(pooled.panels.without("Week 2 broken off"), margin=pooled.margin)
    beside = found.reported_only.set_index("case")
    assert beside.loc["reported panels only", "median"] == pytest.approx(without.average.median, abs=2e-6)
    assert beside.loc["all panels", "median"] == pytest.approx(pooled.average.median, abs=2e-6)
    assert found.panels == 9  # they came to light whatever they showed
    assert any(
        "Not reported elsewhere, but counted here: Week 2 broken off. From the reported" in n for n in pooled.notes
    )
    everything = ms.pool(SHINY | {"reported": "no"}).drawer()
    assert everything.reported_only is None and "does not apply" in everything.sentence()
    assert np.ptp(everything.to_frame()["median"]) < 1e-6


def test_what_it_would_take_to_change_the_verdict():
    table = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13, 13, 14]}
    pooled = ms.pool(table, margin=ms.Margin(d_prime=0.5))
    found = pooled.drawer()
    omega, never, other = found.turning
    assert pooled.verdict().label == "beyond the margin" and other == "not settled"
    assert (
        Selection(pooled.core).weigh(min(omega * 1.02, 1)).average.above(0.5)
        > 0.95
        >= Selection(pooled.core).weigh(omega).average.above(0.5)
    )
    assert f"about {round(never)} panel" in found.sentence()
    strong = ms.pool(table | {"correct": [20, 21, 19, 22, 20]}, margin=ms.Margin(d_prime=0.5)).drawer()
    assert strong.turning is None and "stays even then" in strong.sentence()


def test_panels_of_two_counts_are_left_as_they_are():
    table = {"panel": ["two", "B"], "protocol": ["A-not-A", "triangle"], "signal": [20, None], "hits": [15, None]}
    table |= {"noise": [20, None], "false_alarms": [7, None], "tastings": [None, 20], "correct": [None, 12]}
    assert ms.pool(table).drawer().panels == 1
    both = {name: values[:1] for name, values in table.items()}
    neither = ms.pool(both | {"tastings": [None], "correct": [None]}).drawer()
    assert neither.caveats() == () and "does not apply" in repr(neither) and "too high" not in repr(neither)


def test_omegas_must_be_shares():
    with pytest.raises(ValueError, match="above 0 and at most 1"):
        Drawer.of(ms.pool(SHINY).core, omegas=(1.0, 0.0))
    assert (
        Drawer.of(ms.pool(SHINY).core, omegas=(0.5, 0.1)).sentence().startswith("If 1 in 2 of the panels that are not")
    )


def test_words_figure_and_html():
    found = ms.pool(SHINY, margin=ms.Margin(d_prime=0.5)).drawer()
    text = repr(found)
    assert not banned(text)
    for word in ("never listed", "what-if, not an estimate", "reported = no", "1 in 100"):
        assert word in text and word in found._repr_html_().replace("\xa0", " ")
    axes = found.plot()
    assert axes.get_xscale() == "log" and axes.get_ylabel().startswith("average d-prime")
    assert axes.get_xticks().tolist() == [0.01, 0.05, 0.1, 0.2, 0.5, 1.0] and axes.get_ylim()[0] == 0
    assert [label.get_text() for label in axes.get_xticklabels()] == ["1 %", "5 %", "10 %", "20 %", "50 %", "100 %"]


def test_coverage_is_restored_when_only_significant_panels_came_to_light():
    # the whole table: python tests/calibration/drawer_coverage.py
    found = study(1.0, 0.4, 0.0, sets=30).set_index("assumed")
    assert found.loc["all listed", "coverage"] < 0.3
    assert found.loc["omega 0.01", "coverage"] >= 0.9 and found.loc["omega 0.001", "coverage"] >= 0.9
    assert abs(found.loc["omega 0.01", "bias"]) < 0.25 < found.loc["all listed", "bias"]


@pytest.mark.slow
@pytest.mark.parametrize(("mu", "tau"), [(0.3, 0.2), (0.6, 0.3), (1.0, 0.4), (1.5, 0.5)])
def test_coverage_over_many_sets(mu, tau):
    hidden = study(mu, tau, 0.0, sets=300).set_index("assumed")
    best = hidden.loc[["omega 0.01", "omega 0.001"], "coverage"]
    assert best.max() >= 0.93 and best.min() >= 0.88 and hidden.loc["all listed", "coverage"] < 0.5
    listed = study(mu, tau, 1.0, sets=300).set_index("assumed")
    assert listed.loc["all listed", "coverage"] >= 0.92
    assert listed.loc["omega 0.01", "bias"] < listed.loc["all listed", "bias"]  # as stated: too low


@pytest.mark.parametrize(
    ("omega", "said"), [(0.96, "as soon as one"), (0.95, "once fewer than"), (0.6, "once fewer than")]
)
def test_how_many_panels_would_turn_the_verdict_is_said_unless_it_is_the_first(omega, said):
    drawer = ms.pool(SHINY, margin=ms.Margin(d_prime=0.5)).drawer()
    turned = replace(drawer, turning=(omega, 2.0, "not settled"))
    assert said in turned._turn("beyond the margin")


@pytest.mark.parametrize(("omega", "said"), [(0.96, "with one panel in"), (0.95, "with about 2 panels in")])
def test_panels_too_good_to_be_true_are_told_how_many_in_the_drawer_would_turn_the_verdict(omega, said, monkeypatch):
    pooled = ms.pool(SHINY, margin=ms.Margin(d_prime=0.5))
    turned = replace(pooled.drawer(), turning=(omega, 2.0, "not settled"))
    monkeypatch.setattr(Drawer, "of", lambda core: turned)
    assert turn(pooled.core) == f"{said} the drawer, never listed, the verdict would be not settled"


def drawer(rows=((1.0, 0.0, 1.5), (0.2, 3.4, 1.1)), **changes):
    """A drawer whose numbers are made up, of panels of which one is not significant."""
    what_if = pd.DataFrame(rows, columns=["omega", "never_listed", "median"])
    what_if = what_if.assign(
        case="all", lower=0.1, upper=3.0, prob=0.95, kind="equal-tailed", p_above=0.97, p_below=0.03, verdict=FAR
    )
    usual = {"panels": 3, "significant": 2, "unreported": (), "reported_only": None, "turning": None, "margin": None}
    return Drawer(what_if, **(usual | changes))


FAR, OPEN = "beyond the margin", "not settled"


@pytest.mark.parametrize(
    ("omega", "said"),
    [
        (1 / 5, "1 in 5"),
        (0.01, "1 in 100"),
        (1 / 2.04, "1 in 2"),
        (1 / 2.06, "49 %"),
        (1 / 3.96, "1 in 4"),
        (0.64, "64 %"),
        (1 / 1.02, "98 %"),
        (1 / 11.4, "8.8 %"),
        (0.09, "9.0 %"),
        (0.106, "11 %"),
    ],
)
def test_a_share_is_said_as_one_in_so_many_where_it_nearly_is(omega, said):
    text = drawer(((1.0, 0.0, 1.5), (omega, 3.4, 1.1))).sentence()
    assert f"If only {said} of the panels that are not statistically significant ever came to light" in text


@pytest.mark.parametrize(
    ("never", "said"), [(0.5, "less than one panel"), (0.51, "about 1 panel"), (1.6, "about 2 panels")]
)
def test_how_many_were_never_listed_is_rounded_to_panels(never, said):
    assert (
        f"that would mean {said} never listed beside these 3." in drawer(((1.0, 0, 1.5), (0.2, never, 1.1))).sentence()
    )


def test_the_sentence_names_what_it_applies_to_and_what_was_taken_as_listed():
    assert "If every panel that was run is listed, the median of the average d-prime is 1.50." in drawer().sentence()
    assert "beside this one." in drawer(panels=1).sentence()
    assert "beside these 3 (2 others taken as listed whatever they showed)." in drawer(left_out=2).sentence()
    assert "verdict" not in drawer().sentence()
    assert drawer(margin=0.5).sentence().endswith("The verdict, beyond the margin, stays even then.")
    turned = drawer(margin=0.5, turning=(0.25, 2.0, OPEN)).sentence()
    assert turned.endswith("from beyond the margin to not settled once fewer than 1 in 4 of such panels came to light: about 2 panels never listed.")  # fmt: skip


def test_the_largest_and_smallest_share_are_compared_in_whatever_order_they_were_asked():
    mixed = ((0.2, 3.4, 1.1), (1.0, 0.0, 1.5), (0.5, 1.0, 1.3))
    assert "is listed, the median of the average d-prime is 1.50. If only 1 in 5" in drawer(mixed).sentence()


def test_caveats_say_whether_every_panel_was_significant_and_at_which_level():
    some, every = drawer().caveats(), drawer(significant=3, alpha=0.01).caveats()
    assert some[0].startswith("These panels hardly tell how many others there were: this is a what-if")
    assert every[0].startswith("Every panel known from reports is statistically significant, so nothing here tells")
    assert "statistical significance (5 %, one-sided)" in some[1] and "(1 %, one-sided)" in every[1]
    assert "reported = no" in some[1] and drawer(panels=0).caveats() == ()
    assert "the others are too low (in simulated sets of six triangle panels of 24" in some[0]
    level = drawer(((1.0, 0.0, 1.5), (0.2, 3.4, 1.5))).caveats()
    assert "the others are too high" in level[0]


def test_the_table_has_verdicts_only_with_a_margin_and_whole_panels():
    assert "P(above margin)" not in repr(drawer()) and "P(above margin)" in repr(drawer(margin=0.5))
    assert "97.0 %" in repr(drawer(margin=0.5)) or "97 %" in repr(drawer(margin=0.5))
    assert " 3 " in repr(drawer()) and "3.4" not in repr(drawer())  # 3.4 panels never listed are about 3


def beside(with_=FAR, without=FAR):
    return pd.DataFrame({"case": ["all panels", "reported panels only"], "median": [1.2, 1.4], "verdict": [with_, without]})  # fmt: skip


def test_unreported_panels_are_named_with_what_the_others_say():
    assert listed((), None) == "" and drawer().listed() == "No panel is listed as not reported."
    named = listed(("A", "B"), None)
    assert named == "Not reported elsewhere, but counted here: A and B."
    assert "is 1.40 in place of 1.20, and the verdict the same." in listed(("A",), beside())
    assert "is 1.40 in place of 1.20, and the verdict not settled." in listed(("A",), beside(FAR, OPEN))
    none = listed(("A",), beside("no margin given", "no margin given"))
    assert none.endswith("is 1.40 in place of 1.20.")


def test_panels_are_counted_by_whether_they_came_to_light_and_were_significant():
    # critical numbers of ISO 4120, alpha 5 %: 13 of 24, 15 of 30
    table = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": [24, 24, 24, 30, 30]}
    table |= {"correct": [13, 12, 13, 15, 14], "reported": ["yes", "yes", "yes", "yes", "no"]}
    found = Drawer.of(ms.pool(table).core, omegas=[0.1, 1.0])
    assert (found.panels, found.significant, found.left_out, found.unreported) == (4, 3, 1, ("E",))
    assert found.to_frame()["omega"].tolist() == [0.1, 1.0]
    assert found.to_frame()["case"].tolist() == ["1 in 10", "all"] and found.turning is None
    usual = Drawer.of(ms.pool(table).core).to_frame()
    assert usual["omega"].tolist() == [1.0, 0.5, 0.2, 0.1, 0.05, 0.01] and (usual["prob"] == 0.95).all()
    assert usual["case"].tolist() == ["all", "1 in 2", "1 in 5", "1 in 10", "1 in 20", "1 in 100"]
    stricter = Drawer.of(ms.pool(table).core, alpha=0.001, prob=0.8)
    assert (stricter.panels, stricter.significant, stricter.alpha) == (4, 0, 0.001)
    assert (stricter.to_frame()["prob"] == 0.8).all() and (stricter.reported_only["prob"] == 0.8).all()
    assert stricter.reported_only["panels"].tolist() == [5, 4]


@pytest.mark.parametrize("omegas", [(), (0.0,), (1.01,), (0.5, -0.1)])
def test_no_omega_is_nothing_or_more_than_all(omegas):
    with pytest.raises(ValueError, match="at most 1, for instance"):
        Drawer.of(ms.pool(SHINY).core, omegas=omegas)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"margin": None, "turning": (0.5, 2.0, OPEN)}, "others may lie in the drawer, never listed"),
        ({"margin": 0.5, "panels": 0}, "others may lie in the drawer, never listed"),
        ({"margin": 0.5}, "even so, panels in the drawer would hardly change the verdict"),
    ],
)
def test_panels_too_good_to_be_true_promise_nothing_of_a_verdict_that_does_not_turn(changes, said, monkeypatch):
    monkeypatch.setattr(Drawer, "of", lambda core: drawer(**changes))
    assert turn(None) == said


def test_the_figure_in_words_is_what_it_shows_and_the_sentence():
    found = drawer(as_new="People are taken as new here.")
    assert found._alt("", {}) == f"{Drawer._depicts} {found.sentence()}"
    assert found.sentence().endswith("never listed beside these 3. People are taken as new here.")
    nothing = drawer(panels=0)
    assert [type(part) for part in nothing._shown()] == [str, str]
    assert nothing.sentence() == "The what-if does not apply: no panel is known only because it was reported."
