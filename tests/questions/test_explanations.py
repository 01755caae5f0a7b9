"""None, same, varying: evidences against other programs, plain integrals and draws from the prior."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

import metasense as ms
from metasense.engine.common import prior_average
from metasense.questions.explanations import Explanations, _range
from metasense.showing.words import banned, probability

TRIANGLES = {"panel": ["A", "B", "C", "D"], "protocol": "triangle", "tastings": 40, "correct": [13, 12, 15, 13]}
MIXED = {
    "panel": ["A", "B", "C"],
    "protocol": ["2-AFC", "triangle", "3-AFC"],
    "tastings": [30, 30, 24],
    "correct": [20, 14, 13],
}
REPEATED = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 24], "correct": [10, 13], "tasters": [8, 24]}


def same_evidence(table, scale):
    """Log evidence of one common d-prime, by adaptive quadrature of binomials over a (half-)normal prior."""
    rows = list(ms.read_panels(table))
    directed = any(ms.protocol(row.protocol).directed for row in rows)

    def integrand(d):
        chances = [stats.binom.pmf(r.correct, r.tastings, float(ms.protocol(r.protocol).p_correct(d))) for r in rows]
        return np.prod(chances) * stats.norm.pdf(d, 0, scale) * (1 if directed else 2)

    return np.log(integrate.quad(integrand, -8 if directed else 0, 8, points=[1.0], epsrel=1e-10)[0])


def test_evidences_are_those_of_a_reference_grid():
    # Reference: the same model integrated on a 97 x 97 grid by another program.
    found = ms.pool(TRIANGLES).explanations().log_evidence
    assert found == pytest.approx([-8.327898, -9.369867, -9.682444], abs=1e-5)


@pytest.mark.parametrize("table", [TRIANGLES, MIXED])
@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_same_under_other_scales_is_a_plain_integral(table, factor):
    pooled = ms.pool(table)
    priors = pooled.priors.scaled(centre=factor)
    assert pooled.core.common.log_evidence(priors) == pytest.approx(same_evidence(table, priors.centre_scale), abs=1e-8)


@pytest.mark.parametrize("table", [TRIANGLES, MIXED, REPEATED])
def test_other_scales_equal_pools_with_those_priors(table):
    frame = ms.pool(table).explanations().under_other_scales()
    assert len(frame) == 9
    for row in frame.iloc[[0, 5, 8]].itertuples():
        again = ms.pool(table, priors=ms.Priors(row.centre_scale, row.spread_scale)).explanations()
        assert [row.none, row.same, row.varying] == pytest.approx(again.probability, abs=1e-7)
        assert row.log_evidence_varying == pytest.approx(again.evidences.varying, abs=1e-7)


def test_scales_wider_than_the_axis_are_left_out_rather_than_refused():
    frame = ms.pool(TRIANGLES, priors=ms.Priors(centre_scale=2.5)).explanations().under_other_scales()
    assert 0 < len(frame) <= 9
    assert frame["centre_scale"].min() == 1.25


def test_prior_odds_weigh_and_bayes_factors_do_not_depend_on_them():
    pooled = ms.pool(TRIANGLES)
    even, doubtful = pooled.explanations(), pooled.explanations(prior=(0.8, 0.1, 0.1))
    factors = even.bayes_factors().set_index("comparison")["factor"]
    assert factors["same against none"] == pytest.approx(np.exp(-9.369867 + 8.327898), rel=1e-4)
    assert doubtful.bayes_factors()["factor"].tolist() == pytest.approx(factors.tolist())
    odds = doubtful.probability[1] / doubtful.probability[0]
    assert odds == pytest.approx(factors["same against none"] / 8)
    assert "80 % (none)" in doubtful.sentence() and "equal prior odds" in even.sentence()


def test_prior_average_is_the_mean_of_draws_from_the_prior():
    rng = np.random.default_rng(1)
    mu, tau = np.abs(rng.normal(0, 1.5, 400_000)), np.abs(rng.normal(0, 0.5, 400_000))
    draws = stats.foldnorm.mean(mu / tau, scale=tau)
    before = prior_average(ms.Priors())
    assert before.mean == pytest.approx(draws.mean(), abs=0.005)
    assert before.interval() == pytest.approx(np.quantile(draws, [0.025, 0.975]), abs=0.03)
    assert prior_average(ms.Priors(), directed=True).interval() == pytest.approx(before.interval(), abs=1e-3)


def test_posterior_of_the_common_d_prime_is_a_plain_ratio_of_integrals():
    size = ms.pool(TRIANGLES).core.common.size

    def density(d):
        p = ms.protocol("triangle").p_correct(d)
        return np.prod([stats.binom.pmf(x, 40, float(p)) for x in TRIANGLES["correct"]]) * stats.norm.pdf(d, 0, 1.5)

    whole, part = (integrate.quad(density, 0, end, epsrel=1e-9)[0] for end in (8, 0.5))
    assert size.below(0.5) == pytest.approx(part / whole, abs=1e-5)


def test_nothing_but_guessing_favours_none_and_plenty_refutes_it():
    chance = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 30, "correct": [10, 9, 10, 11, 10, 10]}
    assert ms.pool(chance).explanations().probability[0] > 0.5
    assert ms.pool(chance | {"correct": [20, 18, 21, 19, 20, 22]}).explanations().probability[0] < 1e-6


def test_figure_shows_prior_beside_posterior():
    pooled = ms.pool(TRIANGLES, margin=ms.Margin(d_prime=0.5))
    axes = pooled.explanations().plot()
    assert "prior" in " ".join(text.get_text() for text in axes.get_legend().get_texts())
    row = pooled.explanations().before_and_after().iloc[0]
    assert row["upper"] < row["prior_upper"]
    assert row["median"] == pooled.average.median


def test_words_give_the_odds_the_factors_and_the_scales_and_use_no_banned_phrase():
    found = ms.pool(TRIANGLES).explanations()
    text, page = repr(found), found._repr_html_()
    for part in ("equal prior odds", "Bayes factor", "halved or doubled", "before the panels"):
        assert part in text and part in page
    assert not banned(text)


def test_without_their_pool_they_still_speak_but_cannot_refit():
    found = Explanations(ms.pool(TRIANGLES).evidences)
    assert "halved or doubled" not in repr(found)
    with pytest.raises(ValueError, match=r"pooled\.explanations"):
        found.under_other_scales()


@pytest.mark.parametrize(
    "prior",
    [
        (0.5, 0.5, 0.5),
        (0.5, 0.25, 0.25 + 1.05e-6),
        (0.4, 0.3, 0.3001),
        (1.2, -0.1, -0.1),
        (np.nan, 0.5, 0.5),
        (0.5, 0.5),
        1.0,
    ],
)
def test_prior_that_is_no_set_of_probabilities_is_refused(prior):
    evidences = ms.pool(TRIANGLES).evidences
    with pytest.raises(ValueError, match="add up to 1"):
        Explanations(evidences, prior)
    assert Explanations(evidences, (0.5, 0.25, 0.25 + 0.95e-6)).probability.sum() == pytest.approx(1)
    assert Explanations(evidences, (1 / 3, 1 / 3, 0.333333)).probability.sum() == pytest.approx(1)


def test_same_or_varying_are_weighed_as_they_were_before_the_panels_and_alike_where_neither_was_possible():
    evidences = ms.pool(TRIANGLES).evidences
    none, same, varying = Explanations(evidences).log_evidence
    for prior, share in (((0.2, 0.6, 0.2), 0.75), ((0.5, 0.0, 0.5), 0.0), ((0.0, 0.5, 0.5), 0.5), ((1, 0, 0), 0.5)):
        found = Explanations(evidences, prior)
        either = np.log(share * np.exp(same) + (1 - share) * np.exp(varying))
        factors = found.bayes_factors().set_index("comparison")
        assert factors.loc["same or varying against none", "log_factor"] == pytest.approx(either - none)
        weights = np.array(prior) * np.exp([none, same, varying])  # Bayes' theorem
        assert found.to_frame()["probability"].tolist() == pytest.approx((weights / weights.sum()).tolist())
        assert found.to_frame()["prior"].tolist() == list(prior)


def test_bayes_factors_are_ratios_of_the_three_evidences_each_against_the_one_named():
    found = ms.pool(TRIANGLES).explanations()
    none, same, varying = found.log_evidence
    logs = found.bayes_factors().set_index("comparison")["log_factor"]
    assert logs["same against none"] == pytest.approx(same - none)
    assert logs["varying against same"] == pytest.approx(varying - same)
    assert logs["same or varying against none"] == pytest.approx(np.logaddexp(same, varying) - np.log(2) - none)


def test_the_sentence_gives_each_probability_to_its_own_explanation():
    evidences = replace(ms.pool(TRIANGLES).evidences, none=np.log(0.2), same=np.log(0.7), varying=np.log(0.1))
    said = Explanations(evidences).sentence()
    assert said.startswith("With equal prior odds, the panels leave 20 % for nothing to taste (none), 70 % for one d-prime in all panels (same) and 10 % for panels that differ (varying).")  # fmt: skip
    weighed = Explanations(evidences, (0.7, 0.1, 0.2)).sentence()
    assert weighed.startswith("With prior probabilities of 70 % (none), 10 % (same) and 20 % (varying), the panels")


def test_ranges_over_the_scales_are_those_of_the_nine_pools():
    found = ms.pool(TRIANGLES).explanations()
    frame = found.under_other_scales()
    assert frame[["centre_scale", "spread_scale"]].values.tolist() == [
        [mu, tau] for mu in (0.75, 1.5, 3.0) for tau in (0.25, 0.5, 1.0)
    ]
    said = found.on_the_scales()
    for name in ("none", "same", "varying"):
        low, high = probability(frame[name].min()), probability(frame[name].max())
        assert f"{name} {low} to {high}" in said
    usual = frame.iloc[4]
    assert [usual["none"], usual["same"], usual["varying"]] == pytest.approx(found.probability, abs=1e-7)
    assert frame["log_evidence_none"].nunique() == 1  # no scale enters where there is nothing to taste


def test_before_and_after_are_the_prior_and_the_pool_at_the_probability_asked_for():
    pooled = ms.pool(TRIANGLES)
    row = pooled.explanations().before_and_after(0.8).iloc[0]
    before, now = prior_average(ms.Priors()), pooled.average
    assert [row["prior_lower"], row["prior_median"], row["prior_upper"]] == pytest.approx(
        [before.interval(0.8)[0], before.median, before.interval(0.8)[1]]
    )
    assert [row["lower"], row["median"], row["upper"]] == pytest.approx(
        [now.interval(0.8)[0], now.median, now.interval(0.8)[1]]
    )
    said = pooled.explanations().on_the_prior(0.8)
    assert "80 % credible interval" in said and f"said {before.median:.2f} ({before.interval(0.8)[0]:.2f} to" in said


def test_the_figure_marks_the_share_below_the_margin_only_with_one():
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
    with_, without = (ms.pool(table, margin=m).explanations().plot() for m in (ms.Margin(d_prime=0.5), None))
    texts = [" ".join(t.get_text() for t in a.get_legend().get_texts()) + " ".join(t.get_text() for t in a.texts) for a in (with_, without)]  # fmt: skip
    assert "margin" in texts[0] and "margin" not in texts[1]
    average, before = ms.pool(table).average, prior_average(ms.Priors())
    drawn = max(line.get_xdata().max() for line in with_.lines if len(line.get_xdata()) > 100)
    widest = min(
        before.quantile(0.98), 2.5 * average.interval()[1]
    )  # the prior up to there, where the answer is narrow
    assert drawn == pytest.approx(max(average.quantile(0.9995), widest))


def test_the_figure_of_a_narrow_answer_ends_at_two_and_a_half_times_its_interval():
    table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 80, "correct": [27, 26, 28, 27]}
    pooled = ms.pool(table)
    upper = pooled.average.interval()[1]
    assert 2.5 * upper < prior_average(ms.Priors()).quantile(0.98)
    axes = pooled.explanations().plot()
    drawn = max(line.get_xdata().max() for line in axes.lines if len(line.get_xdata()) > 100)
    assert drawn == pytest.approx(2.5 * upper)


def test_without_a_word_on_it_the_interval_holds_ninety_five_in_a_hundred():
    found = ms.pool(TRIANGLES).explanations()
    row = found.before_and_after().iloc[0]
    assert row["prob"] == 0.95 and (row["lower"], row["upper"]) == pytest.approx(found.core.average.interval(0.95))
    assert found.on_the_prior() == found.on_the_prior(0.95) and "; 95 % credible interval" in found.on_the_prior()
    assert found._alt("", {}) == found._alt("", {"prob": 0.95}) != found._alt("", {"prob": 0.5})
    low, high = found.core.average.interval(0.5)
    assert f"{low:.2f} to {high:.2f}" in found._alt("", {"prob": 0.5})


def test_a_range_of_one_value_is_said_as_that_value():
    assert _range(pd.Series([0.2, 0.201])) == "20 %" and _range(pd.Series([0.3, 0.2])) == "20 % to 30 %"
