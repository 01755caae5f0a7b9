"""Psychometric functions against published values, 30-digit quadrature and simulated tasters."""

import pickle
from pathlib import Path

import mpmath as mp
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

from metasense.protocols import PROTOCOLS, Protocol, TwoCountProtocol, forced_choice, protocol

FORCED = [p for p in PROTOCOLS.values() if isinstance(p, Protocol)]
UNDIRECTED = [p for p in FORCED if not p.directed]
DIRECTED = [p for p in FORCED if p.directed]
TWO_COUNTS = [p for p in PROTOCOLS.values() if isinstance(p, TwoCountProtocol)]
PUBLISHED = pd.read_csv(Path(__file__).parent / "data" / "psychometric.csv")  # the source stands beside each value
by_name = {"ids": lambda p: p.name}


def published(quantity):
    rows = PUBLISHED[PUBLISHED["quantity"] == quantity]
    assert len(rows)
    return [(forced_choice(row.protocol), row.at, row.value, row.tolerance) for row in rows.itertuples()]


# --- known answers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", ["p_correct", "slope"])
def test_psychometric_functions_match_the_tables(quantity):
    for test, d, value, tolerance in published(quantity):
        assert getattr(test, quantity)(float(d)) == pytest.approx(value, rel=0, abs=tolerance), (test.name, d)


def test_variance_factors_match_the_tables():
    for test, d, value, tolerance in published("variance_factor"):
        information = test.information(float(d))
        if np.isinf(value):
            assert information == 0
        else:
            assert 1 / information == pytest.approx(value, abs=tolerance), (test.name, d)


def test_published_counts_give_the_published_d_prime():
    for test, share, value, tolerance in published("d_prime"):
        correct, tastings = map(int, share.split("/"))
        assert test.d_prime(correct / tastings) == pytest.approx(value, abs=tolerance), (test.name, share)


def test_p_d_of_one_half_is_the_published_threshold():
    for test, p_d, value, tolerance in published("d_prime_from_p_d"):
        assert test.d_prime_from_p_d(float(p_d)) == pytest.approx(value, abs=tolerance), test.name


def test_the_least_squares_rule_differs_by_no_more_than_two_out_of_five_says():
    gaps = [value - test.p_correct(float(d)) for test, d, value, _ in published("p_correct_least_squares")]
    assert min(gaps) > -1e-8
    assert 0.018 < max(gaps) < 0.02
    assert "up to .02" in protocol("two-out-of-five").rule


def test_near_zero_undirected_functions_are_parabolas():
    # second derivatives at 0: triangle sqrt(3)/(6 pi), duo-trio the same, tetrad twice that (analytic)
    for name, coefficient in (
        ("triangle", 3**0.5 / 6 / np.pi),
        ("duo-trio", 3**0.5 / 6 / np.pi),
        ("tetrad", 3**-0.5 / np.pi),
    ):
        test = forced_choice(name)
        assert test.slope(1e-6) / 2e-6 == pytest.approx(coefficient, rel=1e-10)
        assert (test.p_correct(1e-2) - test.guess) / 1e-4 == pytest.approx(coefficient, rel=2e-5)


def test_near_zero_2_afc_and_3_afc_rise_alike():
    # 1 / (2 sqrt pi) (analytic)
    for name in ("2-AFC", "3-AFC"):
        assert forced_choice(name).slope(0) == pytest.approx(0.5 / np.sqrt(np.pi), abs=1e-15)


def test_the_same_count_means_different_things_in_different_protocols():
    # 16 of 30, then p_d = .25 in five protocols; computed by quadrature, 2 decimals
    assert [round(float(forced_choice(n).d_prime(16 / 30)), 2) for n in ("triangle", "3-AFC")] == [1.64, 0.66]
    names = ("triangle", "duo-trio", "tetrad", "3-AFC", "2-AFC")
    assert [round(float(forced_choice(n).d_prime_from_p_d(0.25)), 2) for n in names] == [1.47, 1.27, 1.02, 0.56, 0.45]


# --- 30-digit quadrature of the decision rules (mpmath), in another form than the one we compute ----------------------


def _integral(f, centre):
    """Over the line, around `centre`, where the integrand peaks; scaled because mpmath's tolerance is absolute."""
    scale = 1 / f(centre)
    return mp.quad(lambda x: scale * f(x), [centre + k for k in (-14, -9, -6, -3, 0, 3, 6, 9, 14)]) / scale


def _wrong(name, d):
    """Probability of a wrong answer at d >= 0, as an integral over the percept of one cup or one difference."""
    P, p, root = mp.ncdf, mp.npdf, mp.sqrt
    if name == "2-AFC":
        return P(-d / root(2))
    if name == "3-AFC":  # Hacker & Ratcliff 1979
        return _integral(lambda x: p(x - d) * P(-x) * (1 + P(x)), d / 2)
    if name == "triangle":  # Frijters 1979, Ennis 1993: one minus their integral, x the difference of the two alike
        far = d * root(mp.mpf(2) / 3)
        return 2 * mp.quad(lambda x: p(x) * (P(root(3) * x - far) - P(-root(3) * x - far)), [0, 1, 2, 4, 6, 9, 14])
    if name == "duo-trio":  # difference and sum of the two unmarked cups have opposite signs
        u, v = d / root(2), d / root(6)
        return P(-u) * P(v) + P(u) * P(-v)
    if name == "tetrad":  # Ennis, Ennis, Palen & O'Mahony 2014 (from memory)
        return 2 * _integral(lambda x: p(x) * (2 * P(x) * P(x - d) - P(x - d) ** 2), d / 2)
    return _integral(lambda x: 2 * p(x) * P(x) * P(x - d) * (1 + P(d - x)), d / 2)


@pytest.mark.parametrize("test", [p for p in FORCED if p.name != "two-out-of-five"], **by_name)
def test_both_tails_agree_with_quadrature(test):
    with mp.workdps(30):
        for d in (0.3, 1.0, 2.5, 5.0, 8.0):
            wrong = _wrong(test.name, mp.mpf(d))
            assert abs(float(test.p_correct(d) - (1 - wrong))) < 1e-15
            assert abs(float(test.p_wrong(d) / wrong - 1)) < 1e-13
        assert abs(float(test.p_wrong(14.0) / _wrong(test.name, mp.mpf(14)) - 1)) < 1e-11  # 1e-8 (triangle) to 1e-23


@pytest.mark.parametrize("name", ["3-AFC", "specified tetrad"])
def test_directed_functions_keep_their_accuracy_far_below_zero(name):
    P, p = mp.ncdf, mp.npdf
    with mp.workdps(30):
        for d in (mp.mpf(-0.5), mp.mpf(-6), mp.mpf(-14)):
            if name == "3-AFC":
                correct = _integral(lambda x, d=d: p(x - d) * P(x) ** 2, d / 3)
                slope = _integral(lambda x, d=d: 2 * p(x - d) * P(x) * p(x), d / 2)
            else:
                correct = _integral(lambda x, d=d: 2 * p(x) * P(x) * P(d - x) ** 2, d / 2)
                slope = _integral(lambda x, d=d: 4 * p(x) * P(x) * P(d - x) * p(d - x), d / 2)
            assert abs(float(forced_choice(name).p_correct(float(d)) / correct - 1)) < 1e-13  # down to 1e-47
            assert abs(float(forced_choice(name).slope(float(d)) / slope - 1)) < 1e-13


@pytest.mark.parametrize("d", [0.0, 0.8, 2.0, 4.5, 8.0])
def test_two_out_of_five_agrees_with_a_double_integral(d):
    # over the largest m and the second m - u of the three alike; both others above m + u, or, mirrored, below
    m, weight = np.polynomial.legendre.leggauss(200)
    m, u = 12 * m, 9 * (m + 1)
    density = 6 * norm.pdf(m)[:, None] * norm.pdf(m[:, None] - u) * norm.cdf(m[:, None] - u)
    exact = sum(12 * weight @ (density * norm.cdf(side - m[:, None] - u) ** 2) @ (9 * weight) for side in (d, -d))
    assert protocol("two-out-of-five").p_correct(d) == pytest.approx(exact, abs=1e-12)


# --- the tasters themselves -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("d", [0.0, 0.5, 1.0, 1.7, 2.5, 4.0])
@pytest.mark.parametrize("test", FORCED, **by_name)
def test_simulated_tasters_are_right_as_often_as_the_function_says(test, d):
    draws = 200_000
    rng = np.random.default_rng([FORCED.index(test), int(10 * d)])
    expected = test.p_correct(d)
    z = (test.simulate(d, draws, rng).sum() - draws * expected) / np.sqrt(draws * expected * (1 - expected))
    assert abs(z) < 4


@pytest.mark.parametrize("test", DIRECTED, **by_name)
def test_tasters_who_have_it_backwards_are_worse_than_guessing(test):
    correct = test.simulate(-1.0, 200_000, np.random.default_rng(5)).mean()
    assert correct == pytest.approx(test.p_correct(-1.0), abs=4 * 0.5 / np.sqrt(200_000))
    assert correct < test.guess


def test_simulation_takes_a_distance_for_every_tasting():
    d = np.array([0.0, 3.0])
    correct = protocol("tetrad").simulate(d, (50_000, 2), np.random.default_rng(1)).mean(0)
    assert correct == pytest.approx(protocol("tetrad").p_correct(d), abs=0.01)
    assert protocol("triangle").simulate(1.0, 7, np.random.default_rng(1)).shape == (7,)


# --- properties -------------------------------------------------------------------------------------------------------

distance = st.floats(-14, 14)
forced = st.sampled_from(FORCED)


@given(forced, distance)
def test_right_and_wrong_exhaust_the_answers_and_both_stay_positive(test, d):
    assert test.p_correct(d) + test.p_wrong(d) == pytest.approx(1, abs=1e-14)
    assert np.isfinite(np.log(test.p_wrong(d)))
    assert np.isfinite(np.log(test.p_correct(d)))


@given(st.sampled_from(UNDIRECTED), distance)
def test_undirected_functions_are_even_and_never_below_guessing(test, d):
    assert test.p_correct(d) == test.p_correct(-d)
    assert test.slope(d) == pytest.approx(-test.slope(-d), abs=1e-15)
    assert test.p_correct(d) >= test.guess - 1e-14


@given(forced, st.floats(0, 8), st.floats(0.01, 2))
def test_more_difference_gives_more_correct_answers(test, d, more):
    assert test.p_wrong(d + more) < test.p_wrong(d)


@given(forced, st.floats(-5, 5))
def test_slope_is_the_derivative(test, d):
    h = 1e-4
    numeric = (
        test.p_correct(d - 2 * h) - 8 * test.p_correct(d - h) + 8 * test.p_correct(d + h) - test.p_correct(d + 2 * h)
    ) / (12 * h)
    assert test.slope(d) == pytest.approx(numeric, abs=1e-10)


@given(forced, st.floats(-6, 6))
def test_d_prime_undoes_p_correct(test, d):
    if not test.directed:
        d = abs(d)
    p = test.p_correct(d)
    found = test.d_prime(p)
    # p itself is only known to about 1e-16 (two-out-of-five: 1e-14), and more is not in it
    rounding = 4e-16 if test.name != "two-out-of-five" else 2e-14
    if test.slope(d) > 1e-5:
        assert abs(found - d) < 1e-10 + rounding / test.slope(d)
    assert test.p_correct(found) == pytest.approx(p, abs=2 * rounding)


@given(st.floats(-14, 14))
def test_an_unspecified_tetrad_is_a_specified_one_from_either_side(d):
    both = protocol("specified tetrad")
    assert protocol("tetrad").p_correct(d) == pytest.approx(both.p_correct(d) + both.p_correct(-d), abs=1e-15)


@given(forced, st.floats(0, 0.999))
def test_p_d_goes_there_and_back(test, p_d):
    assert test.p_d_from_p(test.p_from_p_d(p_d)) == pytest.approx(p_d, abs=1e-15)
    assert test.p_d(test.d_prime_from_p_d(p_d)) == pytest.approx(p_d, abs=1e-13)


@pytest.mark.parametrize("test", FORCED, **by_name)
def test_at_the_edges(test):
    assert test.p_correct(0.0) == pytest.approx(test.guess, abs=1e-14)
    assert test.d_prime(1.0) == np.inf
    assert test.d_prime(test.guess) == pytest.approx(0, abs=1e-15)
    assert test.d_prime(test.guess / 2) < 0 if test.directed else test.d_prime(test.guess / 2) == 0
    assert test.d_prime(0.0) == (-np.inf if test.directed else 0)
    assert np.all(test.information([-40.0, 60.0]) < 1e-12)
    assert test.information(0.0) > 0.28 if test.directed else test.information(0.0) == 0
    assert np.all(np.diff(test.d_prime(np.linspace(0, 1, 2001)[1:-1])) >= 0)
    for share in (-0.01, 1.01, np.nan):
        with pytest.raises(ValueError, match="a share of correct answers must lie between 0 and 1"):
            test.d_prime([0.5, share])


@pytest.mark.parametrize("test", FORCED, **by_name)
def test_shapes_follow_the_input(test):
    d = np.linspace(-2, 2, 6).reshape(2, 3)
    for method in (test.p_correct, test.p_wrong, test.slope, test.information, test.p_d):
        assert method(d).shape == (2, 3)
        assert np.ndim(method(1.0)) == 0
        assert method([]).shape == (0,)
        assert method(d)[1, 2] == pytest.approx(method(float(d[1, 2])), rel=1e-13)
    assert test.d_prime(test.p_correct(d)).shape == (2, 3)


def test_largest_information_decides_the_width_of_a_panel():
    # maxima over d-prime, measured by quadrature to three decimals
    expected = {"triangle": 0.162, "tetrad": 0.380, "duo-trio": 0.136, "2-AFC": 0.318, "3-AFC": 0.380}
    d = np.linspace(0, 6, 601)
    assert {name: round(float(forced_choice(name).information(d).max()), 3) for name in expected} == expected


# --- names ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Triangle", "triangle"),
        ("triangle test", "triangle"),
        ("DUO TRIO", "duo-trio"),
        ("duo-trio (balanced reference)", "duo-trio"),
        ("Duo-trio, constant reference", "duo-trio"),
        ("2AFC", "2-AFC"),
        ("paired comparison", "2-AFC"),
        ("3 afc", "3-AFC"),
        ("tetrad (unspecified)", "tetrad"),
        ("tetrad, specified", "specified tetrad"),
        ("2-out-of-5", "two-out-of-five"),
        ("a not a", "A-not-A"),
        ("Same/different", "same-different"),
    ],
)
def test_names_are_read_generously(written, meant):
    assert protocol(written) is PROTOCOLS[meant]
    assert protocol(PROTOCOLS[meant]) is PROTOCOLS[meant]


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(ValueError, match=r"no protocol called 'square'. Known: triangle, .*same-different"):
        protocol("square")
    with pytest.raises(ValueError, match="A-not-A has no share of correct answers"):
        forced_choice("A-not-A")


@pytest.mark.parametrize("test", list(PROTOCOLS.values()), **by_name)
def test_protocols_can_be_sent_to_another_process(test):
    assert pickle.loads(pickle.dumps(test)) == test
    assert hash(test) == hash(protocol(test.name))


# --- A-not-A and same-different ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "hit", "false_alarm", "d", "tolerance"),
    [
        # Macmillan & Creelman, Detection Theory, face recognition, ch. 1 (from memory)
        ("A-not-A", 69, 31, 0.992, 5e-4),
        ("A-not-A", 89, 59, 1.0, 1.5e-3),
        # Meilgaard, Civille & Carr, A-not-A example (counts from memory); z(.60) - z(.35) is exact
        ("A-not-A", 60, 35, 0.638668, 1e-6),
        # differencing rule inverted exactly
        ("same-different", 80, 20, 3.0009405, 1e-6),
        ("same-different", 90, 30, 3.2748995, 1e-6),
        ("same-different", 70, 10, 3.0675105, 1e-6),
        ("same-different", 50, 20, 1.7932709, 1e-6),
    ],
)
def test_worked_examples_give_their_d_prime(name, hit, false_alarm, d, tolerance):
    estimate = protocol(name).estimate(100, hit, 100, false_alarm)
    assert estimate.d_prime == pytest.approx(d, abs=tolerance)
    rates = protocol(name).rates(*estimate)
    assert [float(rate) for rate in rates] == pytest.approx([hit / 100, false_alarm / 100], abs=1e-12)


def test_log_linear_correction():
    # 82 of 100 and 46 of 100, (x + 1/2) / (n + 1); correction as in Wickens 2002 (from memory), value exact
    assert protocol("A-not-A").estimate(100, 82, 100, 46, add_half=True).d_prime == pytest.approx(1.002793, abs=1e-6)


def test_estimates_at_the_edges():
    a_not_a, same_different = TWO_COUNTS
    assert a_not_a.estimate(20, 20, 20, 0).d_prime == np.inf
    assert a_not_a.estimate(20, 20, 20, 20).d_prime == 0
    assert a_not_a.estimate(20, 5, 20, 15).d_prime < 0
    assert same_different.estimate(20, 20, 20, 5).d_prime == np.inf
    for hits, false_alarms in ((5, 15), (10, 10), (0, 0), (20, 20)):
        d, criterion = same_different.estimate(20, hits, 20, false_alarms)
        assert d == 0
        assert same_different.rates(0.0, criterion)[1] == pytest.approx((hits + false_alarms) / 40)
    for test in TWO_COUNTS:
        assert np.isfinite(test.estimate(20, 20, 20, 0, add_half=True)).all()
        with pytest.raises(ValueError, match=r"21 hits of 20 and 3 false alarms of 20 cannot be"):
            test.estimate(20, 21, 20, 3)
        with pytest.raises(ValueError, match="tastings of both kinds"):
            test.estimate(20, 5, 0, 0)


def _brute_force(test, d, signal, hits, noise, false_alarms):
    """The same integral over the criterion, on 500 stretches of 10 Gauss nodes, with library binomials."""
    node, weight = np.polynomial.legendre.leggauss(10)
    z, weight = (np.arange(-499, 501, 2)[:, None] + node).ravel() / 500, np.tile(weight, 500) / 500
    if test.name == "A-not-A":
        z, weight = 14 * z, 14 * weight
        rates = [norm.cdf(d / 2 - z), norm.cdf(-d / 2 - z)]
    else:  # x = t / sqrt 2, half normal
        z, weight = 7 * (z + 1), 2 * 7 * weight
        rates = [norm.cdf(d / 2**0.5 - z) + norm.cdf(-d / 2**0.5 - z), 2 * norm.cdf(-z)]
    terms = norm.logpdf(z) + binom.logpmf(hits, signal, rates[0]) + binom.logpmf(false_alarms, noise, rates[1])
    return terms.max() + np.log(np.exp(terms - terms.max()) @ weight)


@pytest.mark.parametrize(
    "counts",
    [
        (100, 60, 100, 35),
        (20, 0, 20, 0),
        (20, 20, 20, 20),
        (20, 20, 20, 0),
        (30, 9, 30, 17),
        (0, 0, 10, 4),
        (5000, 40, 5000, 9),
    ],
)
@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_integrating_the_criterion_out_agrees_with_brute_force(test, counts):
    for d in (0.0, 0.5, 1.5, 4.0, 7.0):
        assert test.log_likelihood(d, *counts) == pytest.approx(_brute_force(test, d, *counts), abs=1e-9), d


@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_likelihoods_of_all_outcomes_add_up_to_one(test):
    outcomes = [(hits, false_alarms) for hits in range(5) for false_alarms in range(4)]
    total = sum(np.exp(test.log_likelihood([0.0, 1.0, 5.0], 4, hits, 3, false)) for hits, false in outcomes)
    assert total == pytest.approx(np.ones(3), abs=1e-12)


@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_at_zero_every_total_of_yes_answers_is_equally_likely(test):
    # no difference between the kinds and a uniform rate: each total 0..8 has probability 1/9
    for yes in range(9):
        ways = [(h, yes - h) for h in range(6) if 0 <= yes - h <= 3]
        assert sum(np.exp(test.log_likelihood(0.0, 5, h, 3, f)) for h, f in ways) == pytest.approx(1 / 9, abs=1e-12)


@pytest.mark.parametrize("n", [1, 40, 10_000, 1_000_000])
@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_likelihoods_stay_finite_for_any_count(test, n):
    d = np.linspace(-14, 14, 57)
    for hits in (0, n // 2, n):
        for false_alarms in (0, n // 3, n):
            log = test.log_likelihood(d, n, hits, n, false_alarms)
            assert np.isfinite(log).all()
            mirrored = log if not test.directed else test.log_likelihood(d, n, n - hits, n, n - false_alarms)
            assert mirrored[::-1] == pytest.approx(log, rel=1e-9, abs=1e-7)  # even; or A and not-A swapped


@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_large_panels_put_the_peak_at_the_estimate(test):
    d = np.linspace(0, 4, 1601)
    log = test.log_likelihood(d, 40_000, 24_000, 40_000, 14_000)
    assert d[log.argmax()] == pytest.approx(test.estimate(40_000, 24_000, 40_000, 14_000).d_prime, abs=0.01)


@pytest.mark.parametrize("d", [0.0, 0.5, 1.0, 1.7, 2.5, 4.0])
@pytest.mark.parametrize(("test", "criterion"), list(zip(TWO_COUNTS, (0.4, 1.2), strict=True)))
def test_simulated_answers_follow_the_two_rates(test, criterion, d):
    rng = np.random.default_rng([7, int(10 * d)])
    counts = test.simulate(d, 200_000, 200_000, 1, rng, criterion=criterion)
    for count, rate in zip(counts, test.rates(d, criterion), strict=True):
        assert abs(count[0] - 200_000 * rate) < 4 * np.sqrt(200_000 * rate * (1 - rate))


@pytest.mark.parametrize("d", [0.0, 1.5])
@pytest.mark.parametrize("test", TWO_COUNTS, **by_name)
def test_simulated_panels_follow_the_likelihood_with_the_criterion_drawn_from_its_prior(test, d):
    panels = 200_000
    hits, false_alarms = test.simulate(d, 3, 2, panels, np.random.default_rng(11))
    seen = np.bincount(3 * hits + false_alarms, minlength=12)
    expected = np.exp([test.log_likelihood(d, 3, h, 2, f) for h in range(4) for f in range(3)])
    assert np.all(np.abs(seen - panels * expected) < 4.5 * np.sqrt(panels * expected))


def test_a_rare_false_alarm_is_not_lost_in_the_tail():
    # a uniform rate leaves n tastings without a single yes with probability 1 / (n + 1), exactly
    n = 1_000_000
    for test in TWO_COUNTS:
        assert test.log_likelihood(0.0, 0, 0, n, 0) == pytest.approx(-np.log(n + 1), abs=1e-9)


@pytest.mark.parametrize("test", FORCED, **by_name)
def test_the_inverse_holds_down_to_the_smallest_differences(test):
    p_d = np.concatenate([[0.0, 2.2e-16, 1e-300], np.logspace(-18, -1, 500)])
    assert test.p_d(test.d_prime_from_p_d(p_d)) == pytest.approx(p_d, abs=1e-14)
    assert np.all(test.d_prime_from_p_d(p_d[:3]) < 1e-7)


def test_a_p_d_below_guessing_is_a_d_prime_the_other_way_where_there_is_one():
    forced = protocol("2-AFC")
    assert forced.d_prime_from_p_d([-0.3, -1.0]) == pytest.approx([-forced.d_prime_from_p_d(0.3), -np.inf])
    assert protocol("triangle").d_prime_from_p_d(-0.2) == 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        protocol("triangle").d_prime_from_p_d(-0.51)
