"""One panel alone: against published examples, SciPy, statsmodels, brute-force integration and every count listed."""

import numpy as np
import pandas as pd
import pytest
from calibration.coverage_single import averaged_over_the_flat_prior, coverage, intervals
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from scipy.integrate import quad
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import beta, binom, binomtest, chi2, chi2_contingency, fisher_exact, norm
from statsmodels.stats.proportion import proportion_confint

import metasense as ms
from metasense.alone.beliefs import ON_D_PRIME, ON_P_D, p_d_posterior
from metasense.alone.forced_choice import ForcedChoicePanel
from metasense.alone.panel import OnePanel
from metasense.alone.panels import panels_alone
from metasense.alone.single import one_panel
from metasense.alone.two_counts import TwoCountPanel
from metasense.binomial import exact_interval, profile_interval
from metasense.margins import Margin
from metasense.planning.sizes import power
from metasense.protocols import PROTOCOLS, Protocol, protocol
from metasense.showing import words
from metasense.tables.panels import read_panels

FORCED = [test for test in PROTOCOLS.values() if isinstance(test, Protocol)]
MARGIN = Margin(p_d=0.3, protocol="triangle")


def rows(panel: OnePanel, quantity: str) -> pd.DataFrame:
    frame = panel.to_frame()
    return frame[frame["quantity"] == quantity].set_index("basis")


# --- worked examples ----------------------------------------------------------------------------------------


def test_the_bitterness_triangle():
    # Hollander, Wolfe & Chicken, Nonparametric Statistical Methods, Example 2.2 (data of Byer & Abrams 1953): 25 of 50.
    # Large-sample statistic 2.5; exact p, d-prime, its standard error and limits recomputed at high precision.
    panel = one_panel("triangle", 50, 25)
    assert panel.p_value == pytest.approx(0.0108266844, abs=1e-9)
    assert (25 - 50 / 3) / np.sqrt(50 / 3 * 2 / 3) == pytest.approx(2.5)
    assert panel.p_value > norm.sf(2.5)  # the normal approximation overstates the evidence
    exact = rows(panel, "d_prime").iloc[0]
    assert exact["estimate"] == pytest.approx(1.46626, abs=1e-5)
    assert (exact["lower"], exact["upper"]) == pytest.approx((0.493591, 2.205440), abs=2e-6)
    assert 1 / np.sqrt(50 * panel.protocol.information(exact["estimate"])) == pytest.approx(0.370872, abs=1e-6)


def test_the_meat_patties_of_the_sequential_standard():
    # GOST ISO 16820-2015 (= ISO 16820:2004), Table A.1, example 2, series B: 19 of 30 in a duo-trio
    assert rows(one_panel("duo-trio", 30, 19), "d_prime")["estimate"].iloc[0] == pytest.approx(1.3212, abs=1e-4)


def test_the_standards_approximate_limit_is_near_the_exact_one():
    # GOST R 53161 (= ISO 5495) Table A.3 note 1: upper limit 2x/n - 1 + 2 z sqrt((nx - x^2)/n^3), 21 of 36, z = 1.645
    n, x = 36, 21
    approximate = 2 * x / n - 1 + 2 * 1.645 * np.sqrt((n * x - x**2) / n**3)
    assert approximate == pytest.approx(0.436999, abs=1e-6)
    exact = rows(one_panel("2-AFC", n, x, prob=0.9), "p_d").iloc[0]
    assert exact["upper"] == pytest.approx(approximate, abs=0.03)


@pytest.mark.parametrize(
    ("name", "correct", "d_prime"),
    # d-primes for 100 tastings, preprints.org 202409.2372 (2024), abstract
    [
        ("2-AFC", 76, 0.9989),
        ("3-AFC", 64, 1.0218),
        ("triangle", 42, 1.0125),
        ("duo-trio", 58, 0.9831),
        ("tetrad", 49, 0.9863),
    ],
)
def test_published_d_primes(name, correct, d_prime):
    assert rows(one_panel(name, 100, correct), "d_prime")["estimate"].iloc[0] == pytest.approx(d_prime, abs=5e-5)


def test_a_not_a_with_its_chi_square_and_fisher_check():
    # Meilgaard, Civille & Carr, Sensory Evaluation Techniques, A-not-A example (from memory): 60 of 100 and 35 of 100,
    # chi-square 12.53. d-prime z(.60) - z(.35), its standard error .180725 and Fisher's p by exact arithmetic.
    panel = one_panel("A-not-A", signal=100, hits=60, noise=100, false_alarms=35)
    assert panel.chi_square == pytest.approx(12.53, abs=0.005)
    assert panel.p_value == pytest.approx(0.00032039602, abs=1e-11)
    assert panel.d_prime == pytest.approx(0.63866757, abs=1e-8)
    assert panel.criterion == pytest.approx(-norm.ppf(0.35))
    lower, upper = panel.profile
    assert (upper - lower) / 2 == pytest.approx(1.96 * 0.180725, rel=0.01)
    assert panel.p_value == pytest.approx(fisher_exact([[60, 40], [35, 65]], "greater").pvalue, rel=1e-12)
    assert panel.chi_square == pytest.approx(chi2_contingency([[60, 40], [35, 65]], correction=False).statistic)


@pytest.mark.parametrize(
    ("signal", "hits", "noise", "false_alarms"), [(7, 7, 5, 0), (100_000, 50_500, 100_000, 50_000), (90_000, 12, 40, 1)]
)
def test_fishers_p_of_small_large_and_lopsided_panels(signal, hits, noise, false_alarms):
    panel = one_panel("A-not-A", signal=signal, hits=hits, noise=noise, false_alarms=false_alarms)
    exact = fisher_exact([[hits, signal - hits], [false_alarms, noise - false_alarms]], "greater").pvalue
    assert panel.p_value == pytest.approx(exact, rel=1e-6)


def test_a_thousand_million_answers_take_neither_the_memory_nor_the_evening():
    many = 10**9
    counts = {"signal": many, "hits": many // 2 + 10_000, "noise": many, "false_alarms": many // 2}
    panel = one_panel("A-not-A", **counts, margin=Margin(d_prime=0.5))
    # so many are normal: z = difference of rates / sqrt(2 p (1 - p) / n)
    assert panel.p_value == pytest.approx(norm.sf(1e4 / np.sqrt(many / 2)), abs=1e-4)
    assert panel.power_at_margin is None and "of cases" not in repr(panel.details())


def test_yes_no_examples():
    # Macmillan & Creelman, Detection Theory, face recognition, chapter 1 (from memory): .69/.31 gives .992, .89/.59
    # gives 1.0; log-linear correction (x + .5)/(n + 1) of 82 and 46 of 100 by arithmetic.
    assert one_panel("A-not-A", signal=100, hits=69, noise=100, false_alarms=31).d_prime == pytest.approx(
        0.992, abs=5e-4
    )
    assert one_panel("A-not-A", signal=100, hits=89, noise=100, false_alarms=59).d_prime == pytest.approx(
        1.0, abs=1.5e-3
    )
    corrected = protocol("A-not-A").estimate(100, 82, 100, 46, add_half=True)
    assert corrected.d_prime == pytest.approx(1.00279269, abs=1e-8)


@pytest.mark.parametrize(
    ("hits", "false_alarms", "d_prime"),
    [(80, 20, 3.0009405), (90, 30, 3.2748995), (70, 10, 3.0675105), (50, 20, 1.7932709)],  # exact inversion of the rule
)
def test_same_different_d_primes(hits, false_alarms, d_prime):
    panel = one_panel("same-different", signal=100, hits=hits, noise=100, false_alarms=false_alarms)
    assert panel.d_prime == pytest.approx(d_prime, abs=1e-6)


def test_same_different_chi_square():
    # Meilgaard et al., simple difference test, barbecue sauce (from memory): 21 of 30 different pairs and 13 of 30 same
    # pairs called different; chi-square 4.34
    panel = one_panel("same-different", signal=30, hits=21, noise=30, false_alarms=13)
    assert panel.chi_square == pytest.approx(4.34, abs=0.005)
    assert panel.p_value == pytest.approx(fisher_exact([[21, 9], [13, 17]], "greater").pvalue, rel=1e-12)


def test_common_misreadings_have_their_numbers():
    # Recomputed here with SciPy's beta distribution cut at 1/3: what a panel that is not statistically significant
    # leaves open, and how small a difference a statistically significant one may show.
    def flat(n, x, q):
        low = beta.cdf(1 / 3, x + 1, n - x + 1)
        return (beta.ppf(low + q * (1 - low), x + 1, n - x + 1) - 1 / 3) * 1.5

    panel = one_panel("triangle", 24, 10, margin=MARGIN)
    limits = panel.p_d_posterior.interval()
    assert limits == pytest.approx((flat(24, 10, 0.025), flat(24, 10, 0.975)), abs=1e-5)
    assert np.round(limits, 2).tolist() == [0.01, 0.43]
    assert round(panel.p_value, 2) == 0.25
    assert round(panel.beyond[ON_P_D], 2) == 0.16
    assert round(p_d_posterior(protocol("triangle"), 24, 8).interval()[1], 2) == 0.34
    for n, x, expected in ((24, 13, (0.06, 0.58)), (100, 45, (0.04, 0.32)), (1000, 390, (0.04, 0.13))):
        assert np.round(p_d_posterior(protocol("triangle"), n, x).interval(), 2) == pytest.approx(expected, abs=0.0101)


@pytest.mark.parametrize(("x", "odds"), [(13, 3.3), (12, 1.5), (8, 1 / 5.3)])
def test_the_bayes_factor_is_the_ratio_of_average_likelihoods(x, odds):
    found = np.exp(one_panel("triangle", 24, x).log_bayes_factor[ON_P_D])
    average = quad(lambda r: binom.pmf(x, 24, 1 / 3 + r * 2 / 3), 0, 1, epsabs=1e-13)[0]
    assert found == pytest.approx(average / binom.pmf(x, 24, 1 / 3), rel=1e-9)
    assert found == pytest.approx(odds, abs=0.05)


# --- p-values, critical numbers, intervals ------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 300), st.floats(0, 1), st.sampled_from([0.5, 0.8, 0.95, 0.99]))
def test_exact_intervals_are_those_of_statsmodels_and_scipy(n, share, prob):
    x = round(share * n)
    found = exact_interval(x, n, prob)
    np.testing.assert_allclose(found, proportion_confint(x, n, alpha=1 - prob, method="beta"), atol=1e-12)
    np.testing.assert_allclose(found, binomtest(x, n).proportion_ci(prob, "exact"), atol=1e-7)


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 200), st.floats(0, 1))
def test_profile_limits_lie_where_the_likelihood_ratio_is_the_quantile(n, share):
    x = round(share * n)
    lower, upper = profile_interval(x, n)
    for limit in (lower, upper):
        if 0 < limit < 1:
            drop = binom.logpmf(x, n, x / n) - binom.logpmf(x, n, limit)
            assert 2 * drop == pytest.approx(chi2.ppf(0.95, 1), rel=1e-6)
    assert (lower == 0) == (x == 0)
    assert (upper == 1) == (x == n)


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(FORCED), st.integers(1, 200), st.floats(0, 1))
def test_p_values_are_those_of_scipy(test, n, share):
    x = round(share * n)
    panel = one_panel(test, n, x)
    assert panel.p_value == pytest.approx(binomtest(x, n, test.guess, "greater").pvalue, rel=1e-9)
    assert panel.p_value_reversed == pytest.approx(binomtest(x, n, test.guess, "less").pvalue, rel=1e-9)
    if test.name == "2-AFC":
        assert panel.p_value_two_sided == pytest.approx(binomtest(x, n, 0.5).pvalue, rel=1e-9)
    else:
        assert panel.p_value_two_sided is None
    assert (panel.p_value <= 0.05) == (x >= panel.critical_number)


def test_what_the_panel_could_have_found_does_not_depend_on_its_answers():
    panels = [one_panel("triangle", 24, x, margin=MARGIN) for x in (6, 12, 20)]
    assert len({panel.power_at_margin for panel in panels}) == 1
    assert panels[0].power_at_margin == pytest.approx(power("triangle", 24, p_d=0.3), rel=1e-12)
    assert power("triangle", 24, p_d=panels[0].detectable_p_d) == pytest.approx(0.8)
    assert panels[0].similarity_limit == 8


def test_intervals_agree_between_the_three_scales():
    for test in FORCED:
        frame = one_panel(test, 40, 25).to_frame()
        for basis in frame.loc[frame["quantity"] == "p_c", "basis"]:
            three = frame[frame["basis"] == basis].set_index("quantity")[["estimate", "lower", "upper"]].astype(float)
            np.testing.assert_allclose(test.p_d_from_p(three.loc["p_c"]), three.loc["p_d"], atol=3e-5)
            np.testing.assert_allclose(test.p_d(three.loc["d_prime"]), three.loc["p_d"], atol=3e-5)


def test_estimates_are_cut_at_guessing_and_say_so():
    frame = one_panel("triangle", 24, 7).to_frame()
    exact = frame[(frame["kind"] == "exact") & (frame["quantity"] != "p_c")]
    assert (exact["estimate"] == 0).all()
    assert exact["basis"].str.endswith("cut at guessing").all()
    signed = rows(one_panel("2-AFC", 24, 7), "d_prime")
    assert signed["estimate"].iloc[0] < 0  # a directed protocol has a direction to lose
    assert not signed.index.str.contains("cut").any()


# --- posteriors ---------------------------------------------------------------------------------------------


def test_a_pool_of_one_panel_gives_the_same_posterior():
    # Reference integration on a 97 x 97 grid of (mu, tau): triangle, 20 of 40, log evidence -3.037413, panel's d-prime
    # 2.5, 50 and 97.5 % quantiles .1925, 1.2926, 2.1008
    panel = one_panel("triangle", 40, 20)
    posterior = panel.d_prime_posterior
    assert posterior.quantile([0.025, 0.5, 0.975]) == pytest.approx([0.1925, 1.2926, 2.1008], abs=1e-3)
    assert panel._integrated[1] == pytest.approx(-3.037413, abs=1e-5)
    # log evidence of guessing, -4.432141, gives the Bayes factor
    assert panel.log_bayes_factor[ON_D_PRIME] == pytest.approx(4.432141 - 3.037413, abs=1e-5)


# --- coverage -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("test", FORCED, ids=lambda test: test.name)
def test_exact_intervals_hold_the_truth_as_often_as_they_promise(test):
    for n in (9, 24):
        x = np.arange(n + 1)
        ends = np.stack(exact_interval(x, n), axis=1)
        limits = test.p_d_from_p(ends if test.directed else np.maximum(ends, test.guess))
        for p_d in np.linspace(0, 1, 41):
            assert coverage(test, n, p_d, limits) >= 0.95 - 1e-9


def test_profile_and_credible_intervals_hold_the_truth_about_as_often_as_they_say():
    limits = intervals(protocol("triangle"), 24)
    found = {kind: np.mean([coverage(protocol("triangle"), 24, p_d, ends) for p_d in np.linspace(0.05, 0.8, 31)])
             for kind, ends in limits.items()}  # fmt: skip
    assert found["exact"] > found["profile"] > 0.93
    assert averaged_over_the_flat_prior(protocol("tetrad"), 24) == pytest.approx(0.95, abs=2e-3)


def test_profile_intervals_of_two_count_panels_hold_the_truth():
    test, d, n = protocol("A-not-A"), 1.0, 15
    hit, alarm = (float(p) for p in test.rates(d, 0.5))
    total = 0.0
    for h in range(n + 1):
        for f in range(n + 1):
            chance = binom.pmf(h, n, hit) * binom.pmf(f, n, alarm)
            if chance > 1e-4:
                lower, upper = one_panel(test, signal=n, hits=h, noise=n, false_alarms=f).profile
                total += chance * (lower <= d <= upper)
    assert 0.925 < total < 0.98


def test_the_profile_of_a_two_count_panel_is_that_of_an_optimiser():
    for name, counts in (("A-not-A", (30, 20, 30, 9)), ("same-different", (40, 30, 40, 15))):
        signal, hits, noise, alarms = counts
        panel = one_panel(name, signal=signal, hits=hits, noise=noise, false_alarms=alarms)

        def best(d, test=panel.protocol, counts=counts):
            signal, hits, noise, alarms = counts

            def loss(c):
                hit, alarm = test.rates(d, c)
                return -binom.logpmf(hits, signal, hit) - binom.logpmf(alarms, noise, alarm)

            return -minimize_scalar(loss, bounds=(0 if not test.directed else -4, 6), method="bounded",
                                    options={"xatol": 1e-9}).fun  # fmt: skip

        cut = best(panel.d_prime) - chi2.ppf(0.95, 1) / 2
        low = brentq(
            lambda d, cut=cut, best=best: best(d) - cut,
            panel.d_prime - 3 if panel.protocol.directed else 1e-6,
            panel.d_prime,
        )
        high = brentq(lambda d, cut=cut, best=best: best(d) - cut, panel.d_prime, panel.d_prime + 4)
        assert panel.profile == pytest.approx((low, high), abs=1e-4)


# --- verdicts -----------------------------------------------------------------------------------------------


def test_there_is_no_verdict_without_a_margin():
    panel = one_panel("triangle", 24, 20)
    assert panel.verdict() is None
    assert panel.beyond == {}
    assert not any(verdict in panel.statement().lower() for verdict in words.VERDICTS)


def test_the_three_verdicts():
    assert one_panel("triangle", 60, 50, margin=MARGIN).verdict() == "beyond the margin"
    assert one_panel("triangle", 60, 20, margin=MARGIN).verdict() == "within the margin"
    assert one_panel("triangle", 24, 10, margin=MARGIN).verdict() == "not settled"


def test_a_verdict_needs_both_priors():
    split = [x for x in range(49) if len({one_panel("triangle", 48, x, margin=MARGIN).beyond[b] < 0.05 for b in (ON_P_D, ON_D_PRIME)}) == 2]  # fmt: skip
    assert split
    assert all(one_panel("triangle", 48, x, margin=MARGIN).verdict() == "not settled" for x in split)


def test_a_strong_difference_the_other_way_is_not_called_similar():
    assert one_panel("2-AFC", 40, 2, margin=Margin(d_prime=0.5)).verdict() != "within the margin"


# --- the true discrimination rate ---------------------------------------------------------------------------


def test_rates_hold_the_intervals_of_d_prime_carried_over():
    panel = one_panel("tetrad", 30, 18)
    frame = panel.rates().to_frame().set_index("protocol")
    lower, upper = panel.d_prime_posterior.interval()
    for name in frame.index:
        expected = protocol(name).p_d([lower, upper])
        assert frame.loc[name, ["lower", "upper"]].astype(float).to_numpy() == pytest.approx(expected, abs=1e-4)
    text = panel.rates().statement("tetrad")
    assert "counts no people" in text
    assert words.banned(text) == []


# --- what is shown ------------------------------------------------------------------------------------------

SHOWN = [
    one_panel("triangle", 24, 10, margin=MARGIN, name="C1"),
    one_panel("triangle", 24, 8),
    one_panel("2-AFC", 30, 8, margin=MARGIN),
    one_panel("tetrad", 20, 20, margin=MARGIN),
    one_panel("duo-trio", 3, 1, margin=MARGIN),
    one_panel("triangle", 30, 1),
    one_panel("triangle", 60, 20, margin=MARGIN),
    one_panel("A-not-A", signal=100, hits=60, noise=100, false_alarms=35, margin=MARGIN, name="<b>&"),
    one_panel("same-different", signal=30, hits=30, noise=30, false_alarms=0),
    one_panel("A-not-A", signal=10, hits=10, noise=10, false_alarms=10),
]


@pytest.mark.parametrize("panel", SHOWN, ids=range(len(SHOWN)))
def test_text_and_html_say_the_same_in_words_we_use(panel):
    import html
    import re

    text, page = repr(panel.details()), panel._repr_html_()
    seen = html.unescape(re.sub("<[^>]+>", " ", page)).replace("\u00a0", " ")
    for sentence in panel._sentences():
        assert sentence in text
        assert " ".join(sentence.split()) in " ".join(seen.split())
    assert words.banned(text) == []
    assert words.banned(panel.statement()) == []
    assert "nan" not in text
    assert "<b>" not in page


@pytest.mark.parametrize("panel", SHOWN, ids=range(len(SHOWN)))
def test_the_frame_names_every_interval(panel):
    frame = panel.to_frame()
    assert list(frame.columns) == ["quantity", "estimate", "lower", "upper", "prob", "kind", "basis"]
    ranged = frame["lower"].notna()
    assert frame.loc[ranged, ["prob", "kind"]].notna().all(axis=None)
    assert (frame.loc[ranged, "lower"] <= frame.loc[ranged, "upper"]).all()
    assert set(frame.loc[ranged, "kind"]) <= {"exact", "profile", "equal-tailed"}


def test_too_few_correct_answers_ask_for_the_key():
    assert any("reversal or coding error?" in note for note in one_panel("triangle", 30, 1).notes)
    assert one_panel("triangle", 21, 3).notes == ()  # P(X <= 3) = .046: bad luck is likely enough
    assert one_panel("triangle", 21, 3).p_value_reversed == pytest.approx(0.046, abs=5e-4)


def test_the_margin_question_is_answered_with_the_sentence_of_its_verdict():
    for panel in SHOWN:
        if panel.margin is not None:
            assert panel.verdict() in panel.statement().lower()


def test_answers_beyond_guessing_are_the_excess_of_correct_ones_with_its_range():
    for test, g in (("triangle", 1 / 3), ("2-AFC", 1 / 2), ("two-out-of-five", 1 / 10)):
        for n, x in ((24, 2), (24, 10), (30, 15), (30, 30)):
            counts = one_panel(test, n, x).answers()
            *right, wrong = counts.values()
            assert (sum(right), wrong) == (x, n - x)
            if x < round(n * g):  # nothing can be called luck beyond what there is
                assert next(iter(counts)) == f"correct, fewer than the {n * g:.0f} that guessing gives on average"
                continue
            beyond = right[0]
            assert beyond == max(x - round(n * g), 0)  # by hand: correct answers less those that guessing gives
            ends = binomtest(x, n).proportion_ci(method="exact")
            low, high = (max(n * (p - g), 0) for p in (ends.low, ends.high))
            assert f"({low:.0f} to {high:.0f} fit the counts)" in next(iter(counts))
    # 15 of 30 triangles: 10 by guessing, 5 beyond; a p_d of 53 % (the upper end) is 10.6 more correct, not 16 people
    assert one_panel("triangle", 30, 15).answers() == {
        "correct beyond guessing (0 to 11 fit the counts)": 5,
        "correct as guessing gives on average": 10,
        "wrong": 15,
    }


def test_figures_are_drawn_on_the_axes_given():
    import matplotlib.pyplot as plt

    for panel in (SHOWN[0], SHOWN[2], SHOWN[7]):
        figure, ax = plt.subplots()
        assert panel.plot(ax=ax) is ax
        texts = " ".join(text.get_text() for text in ax.texts)
        assert "guessing" in ax.get_xlabel()
        assert "prior on d-prime" in ax.get_xlabel()
        assert "margin" in texts
        plt.close(figure)
    figure, ax = plt.subplots()
    assert SHOWN[0].plot_answers(ax=ax) is ax
    plt.close(figure)


# --- the door -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: one_panel("triangle", 24, 25, name="Leeds"), "'Leeds' has correct = 25 and tastings = 24"),
        (lambda: one_panel("triangle", 24), "needs its correct"),
        (lambda: one_panel("A-not-A", 24, 12), "needs its signal and hits"),
        (lambda: one_panel("triangle", 0, 0), "from 1"),
        (lambda: one_panel("triangle", 24, 12.5), "whole"),
        (lambda: one_panel("triangle", "24", 12), "'24'; counts are whole numbers"),
        (lambda: one_panel("triangle", 24, float("nan")), "counts are whole numbers"),
        (lambda: one_panel("triangle", 24, 12, signal=3), "a triangle panel, which has no signal"),
        (
            lambda: one_panel("A-not-A", 24, 12, signal=9, hits=6, noise=9, false_alarms=2),
            "has no tastings and correct",
        ),
        (lambda: one_panel("triangle", 24, 12, settled=0.3), "above 0.5"),
        (lambda: one_panel("triangle", 24, 12, margin=0.3), "margin is a Margin"),
        (lambda: one_panel("triangle", 24, 12, priors=3), "priors are prior scales"),
        (lambda: one_panel("triangle", 24, 12, prob=95), "between 0 and 1"),
        (lambda: one_panel("pentagon", 24, 12), "no protocol called"),
    ],
)
def test_impossible_counts_are_refused_by_name(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_a_row_of_a_table_is_read_with_what_the_table_says_of_it():
    from metasense.tables.panels import read_panels

    panels = read_panels(
        {"panel": ["C7", "C9"], "protocol": "triangle", "tastings": [24, 12], "correct": [10, 7], "tasters": [8, 12],
         "blind": ["double", "none"], "looks": [0, 2]}
    )  # fmt: skip
    first, second = (one_panel(row) for row in panels)
    assert (first.panel, first.tastings, first.correct) == ("C7", 24, 10)
    assert "8 tasters gave 24 answers" in first.statement()
    assert "Not blind" in second.statement()
    assert "Looked at 2 times, the end included" in second.statement()
    assert one_panel(panels["C9"]).p_value == second.p_value
    with pytest.raises(ValueError, match="this table has 2"):
        one_panel(panels)


# --- all panels alone ---------------------------------------------------------------------------------------


def test_all_panels_alone_are_each_panel_alone():
    frame = pd.DataFrame(
        [
            {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 10},
            {"panel": "B", "protocol": "2-AFC", "tastings": 30, "correct": 8},
            {"panel": "C", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 22, "false_alarms": 6},
            {"panel": "D", "protocol": "triangle", "tastings": 24, "correct": 10},
            {"panel": "E", "protocol": "duo-trio", "tastings": 4, "correct": 4},
        ]
    ).convert_dtypes()
    alone = panels_alone(frame)
    assert alone["panel"].tolist() == list("ABCDE")
    for row in alone.itertuples():
        source = frame[frame["panel"] == row.panel].iloc[0]
        panel = one_panel(source)
        assert row.p_value == pytest.approx(panel.p_value, rel=1e-12)
        one = rows(panel, "d_prime").iloc[0]
        numbers = (row.d_prime, row.d_prime_lower, row.d_prime_upper)
        assert numbers == pytest.approx(tuple(one[["estimate", "lower", "upper"]]), rel=1e-9)
        assert (row.prob, row.kind) == (one["prob"], one["kind"])
        if isinstance(panel, ForcedChoicePanel):
            possible = panel.critical_number <= panel.tastings
            assert row.critical_number == panel.critical_number if possible else pd.isna(row.critical_number)
        else:
            assert isinstance(panel, TwoCountPanel)
            assert np.isnan(row.p_c)


def test_a_hundred_thousand_panels_alone_all_have_a_p_value():
    rng = np.random.default_rng(3)
    n = rng.integers(15, 46, 100_000)
    frame = pd.DataFrame(
        {
            "panel": np.arange(len(n)).astype(str),
            "protocol": rng.choice([test.name for test in FORCED], len(n)),
            "tastings": n,
            "correct": rng.binomial(n, 0.4),
        }
    )
    alone = panels_alone(frame)
    assert len(alone) == 100_000
    assert alone["p_value"].notna().all()


def test_a_reversed_yes_or_no_panel_is_questioned():
    reversed_ = one_panel("A-not-A", signal=10, hits=0, noise=10, false_alarms=10, margin=Margin(d_prime=1))
    assert "reversal or coding error" in " ".join(reversed_.notes) and "lean against" in reversed_.statement()
    assert "no upper limit" not in reversed_.statement()
    assert one_panel("A-not-A", signal=10, hits=5, noise=10, false_alarms=5).notes == ()


def test_one_look_at_the_end_is_no_early_look():
    row = {"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12, "looks": 1}
    assert one_panel(read_panels(row)).notes == ()


def test_a_tiny_panel_promises_nothing_of_a_critical_number_it_has_not():
    text = one_panel("triangle", 1, 1, margin=Margin(d_prime=1)).statement()
    assert "not even all correct would be called" in text and "critical number" not in text


@pytest.mark.parametrize(("correct", "said"), [(4, True), (5, True), (6, False), (9, False)])
def test_a_lean_against_the_direction_is_said_from_the_five_percent_tail_on(correct, said):
    assert (binom.cdf(correct, 20, 0.5) < 0.05) == said  # SciPy: 0.0207 at 5, 0.0577 at 6
    panel = one_panel("2-AFC", 20, correct)
    assert any("lean against" in note for note in panel.notes) == said


@pytest.mark.parametrize(("correct", "said"), [(4, True), (5, False)])
def test_a_reversal_is_suspected_below_one_in_a_thousand(correct, said):
    assert (binom.cdf(correct, 40, 1 / 3) < 0.001) == said
    assert any("reversal" in note for note in one_panel("triangle", 40, correct).notes) == said


def test_power_of_two_counts_is_that_of_every_table_tried():
    margin = Margin(d_prime=1.5)
    panel = one_panel("A-not-A", signal=9, hits=6, noise=5, false_alarms=2, margin=margin)
    _, criterion = panel.protocol.estimate(9, 6, 5, 2, add_half=True)
    hit, alarm = panel.protocol.rates(1.5, criterion)
    power = 0.0
    for x in range(10):
        for y in range(6):
            p = fisher_exact([[x, 9 - x], [y, 5 - y]], "greater").pvalue
            if p <= 0.05 * (1 + 1e-9):
                power += binom.pmf(x, 9, hit) * binom.pmf(y, 5, alarm)
    assert panel.power_at_margin == pytest.approx(power, rel=1e-9)


def test_a_panel_knows_how_many_people_it_had_where_the_table_says_so():
    row = {"panel": "A", "protocol": "triangle", "tastings": 30, "correct": 15}
    assert one_panel(read_panels([row | {"tasters": 30}])).tasters == 30
    assert one_panel(read_panels([row | {"tasters": 10}])).tasters == 10
    assert one_panel(read_panels([row])).tasters is None
    assert one_panel("triangle", 30, 15).tasters is None


def test_the_figure_of_a_directed_panel_shows_both_margins_whose_probability_it_states():
    panel = one_panel("2-AFC", 30, 9, margin=Margin(d_prime=0.5))
    ax = panel.plot(ax=Figure())
    beyond = round(100 * panel.beyond[ON_D_PRIME])
    assert ax.get_title(loc="left") == f"{100 - beyond} % smaller than the margin, {beyond} % larger"
    lines = [line.get_xdata()[0] for line in ax.lines if len(set(line.get_xdata())) == 1]
    assert {-0.5, 0.5} <= set(lines)


def test_answers_below_chance_are_not_called_what_guessing_gives():
    # 15 of 30 are expected from guessing in a 2-AFC test
    said = one_panel("2-AFC", 30, 9).answers()
    assert said == {"correct, fewer than the 15 that guessing gives on average": 9, "wrong": 21}


EVENING = "panel,protocol,taster,correct\n{0},triangle,T1,1\n{0},triangle,T2,0\n{0},triangle,T3,1\n"


def test_tastings_of_one_panel_are_read_as_that_panel():
    found = ms.one_panel(ms.read_tastings(EVENING.format("Friday")))
    assert (found.panel, found.tastings, found.correct, found.tasters) == ("Friday", 3, 2, 3)


def test_of_several_panels_it_is_said_which_there_are():
    both = ms.read_tastings([ms.read_tastings(EVENING.format(name)) for name in ("Friday", "Sunday")])
    for table in (both, both.to_panels()):
        with pytest.raises(ValueError, match=r"this table has 2: 'Friday' and 'Sunday'\. .*table\['Friday'\]"):
            ms.one_panel(table)
    assert ms.one_panel(both["Sunday"]).panel == "Sunday"


def test_counts_in_the_wrong_order_come_back_in_the_right_one():
    with pytest.raises(ValueError, match=r'Tastings come first.*one_panel\("triangle", 22, 12\)'):
        ms.one_panel("triangle", 12, 22)
