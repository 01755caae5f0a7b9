"""The likelihood of tasters who come again: the beta-binomial against published fits and brute force."""

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from metasense.engine.likelihood import (
    Counts,
    RepeatedTotal,
    Repeats,
    Series,
    log_likelihoods,
    mixtures,
    taster_probability,
)
from metasense.protocols import PROTOCOLS, Protocol, forced_choice

TRIANGLE = forced_choice("triangle")
FORCED = [name for name, kind in PROTOCOLS.items() if isinstance(kind, Protocol)]
HERE = Path(__file__).parents[1]


def rows(panel, correct, protocol="triangle"):
    """One row a tasting from ``{taster: [1, 0, ...]}``."""
    return [
        {"panel": panel, "protocol": protocol, "taster": name, "correct": c}
        for name, own in correct.items()
        for c in own
    ]


@dataclass(frozen=True)
class Plain:
    """A binomial without guessing: the axis is the chance itself."""

    guess: float = 0.0

    def p_correct(self, p):
        return np.asarray(p, float)

    def p_wrong(self, p):
        return 1 - np.asarray(p, float)


@given(d=st.floats(-3, 6), gamma=st.floats(0, 0.999), answers=st.integers(1, 12), name=st.sampled_from(FORCED))
def test_probabilities_of_a_taster_add_up_to_one_and_average_to_the_panel(d, gamma, answers, name):
    kind = forced_choice(name)
    p = taster_probability(kind, np.array([d]), gamma, answers)[0]
    assert p.sum() == pytest.approx(1, abs=1e-12)
    assert (p >= 0).all()
    assert p @ np.arange(answers + 1) / answers == pytest.approx(float(kind.p_correct(d)), abs=1e-12)


@given(d=st.floats(0, 6), gamma=st.floats(0, 0.999), name=st.sampled_from(FORCED))
def test_one_answer_is_the_plain_model_whatever_the_overdispersion(d, gamma, name):
    kind = forced_choice(name)
    assert taster_probability(kind, np.array([d]), gamma, 1)[0, 1] == pytest.approx(float(kind.p_correct(d)), abs=1e-13)


def test_value_computed_by_another_program():
    # log P(3 of 4; p_c = 1/2, guess rate 1/3, overdispersion 0.25), from the sum over lucky answers in another program
    d = np.array([TRIANGLE.d_prime(0.5)])
    assert np.log(taster_probability(TRIANGLE, d, 0.25, 4)[0, 3]) == pytest.approx(-1.4542956608845472, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "answers", "p_d", "gamma", "expected"),
    [
        # The published form of the chance-corrected beta-binomial (Bi 2006; Gacula 2009), evaluated exactly and by
        # simulation outside this project.
        ("triangle", 2, 0.3, 0.2, {0: 0.236444444, 1: 0.46044444, 2: 0.30311111}),
        ("duo-trio", 5, 0.4, 0.3, {5: 0.236243378}),
    ],
)
def test_chance_corrected_values(name, answers, p_d, gamma, expected):
    kind = forced_choice(name)
    p = taster_probability(kind, np.array([kind.d_prime_from_p_d(p_d)]), gamma, answers)[0]
    for y, value in expected.items():
        assert p[y] == pytest.approx(value, abs=1e-8)


def fitted(counts, answers):
    """Maximum of the beta-binomial log likelihood of ``counts[y]`` groups: mean, overdispersion, log likelihood."""

    def loss(x):
        mean, gamma = 1 / (1 + np.exp(-x))
        return -counts @ np.log(taster_probability(Plain(), np.array([mean]), gamma, answers)[0])

    best = minimize(loss, [0.0, -3.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-10, "maxiter": 4000})
    return *(1 / (1 + np.exp(-best.x))), -best.fun


def test_boys_among_twelve_children_of_saxon_families():
    # Geissler's Saxony families (Lindsey & Altham 1998), as worked in the encyclopedia article "Beta-binomial
    # distribution": method of moments alpha 34.1350, beta 31.6085; AIC 24989.74 (beta-binomial), 25070.34 (binomial).
    table = pd.read_csv(HERE / "data" / "saxony_sexes.csv")
    counts, y = table["families"].to_numpy(float), table["males_of_12"].to_numpy()
    alpha, beta = 34.1350, 31.6085
    p = taster_probability(Plain(), np.array([alpha / (alpha + beta)]), 1 / (alpha + beta + 1), 12)[0]
    moments = [counts @ y**k / counts.sum() for k in (1, 2)]
    assert [p @ y**k for k in (1, 2)] == pytest.approx(moments, rel=2e-6)
    assert 2 * 2 - 2 * fitted(counts, 12)[2] == pytest.approx(24989.74, abs=0.005)
    share = np.array([counts @ y / counts.sum() / 12])
    binomial = counts @ np.log(taster_probability(Plain(), share, 0.0, 12)[0])
    assert 2 * 1 - 2 * binomial == pytest.approx(25070.34, abs=0.005)


def test_brassica_counts():
    # Skellam 1948, Brassica: 32, 103, 122, 80 of 0..3 (counts from memory); maximum likelihood mean 0.580712,
    # overdispersion 1 / (a + b + 1) = 0.0866675 by another program.
    mean, gamma, _ = fitted(np.array([32, 103, 122, 80.0]), 3)
    assert mean == pytest.approx(0.580712, abs=2e-6)
    assert gamma == pytest.approx(0.0866675, abs=5e-6)


@pytest.mark.parametrize(("tasters", "tastings"), [(3, 6), (3, 8), (1, 5), (4, 4)])
def test_a_total_is_the_sum_of_all_the_ways_it_can_come_about(tasters, tastings):
    d, gamma = np.array([0.0, 0.8, 2.5]), 0.4
    fewer, extra = divmod(tastings, tasters)
    each = [fewer + 1] * extra + [fewer] * (tasters - extra)
    own = [taster_probability(TRIANGLE, d, gamma, r) for r in each]
    for correct in range(tastings + 1):
        ways = [w for w in itertools.product(*(range(r + 1) for r in each)) if sum(w) == correct]
        brute = sum(np.prod([p[:, y] for p, y in zip(own, way, strict=True)], axis=0) for way in ways)
        got = RepeatedTotal(TRIANGLE, tasters, tastings, correct).log_likelihood(d, gamma)
        assert np.exp(got) == pytest.approx(brute, rel=1e-12)


def test_tasters_of_different_lengths_multiply():
    d, gamma = np.linspace(0, 4, 9), 0.35
    people = ((1, 0, 2), (1, 1, 3), (4, 2, 1), (4, 4, 2), (7, 3, 1))
    brute = sum(m * np.log(taster_probability(TRIANGLE, d, gamma, r)[:, y]) for r, y, m in people)
    assert Repeats(TRIANGLE, people).log_likelihood(d, gamma) == pytest.approx(brute, rel=1e-12)
    assert Repeats(TRIANGLE, people).size == 5 + 12 + 7


@pytest.mark.parametrize("gamma", [0.01, 0.5, 0.98])
def test_when_nothing_can_be_tasted_repeats_are_as_good_as_people(gamma):
    # Kunert & Meyners (1999): between identical products all answers are independent, whoever gives them.
    zero = np.zeros(1)
    for correct in (0, 5, 12):
        total = RepeatedTotal(TRIANGLE, 3, 12, correct).log_likelihood(zero, gamma)
        assert total == pytest.approx(stats.binom.logpmf(correct, 12, 1 / 3), abs=1e-10)


def test_long_runs_of_one_person_do_not_overflow():
    p = taster_probability(TRIANGLE, np.array([0.0, 1.0, 5.0]), 0.99, 400)
    assert p.sum(axis=1) == pytest.approx(1, abs=1e-9)


@pytest.mark.parametrize("directed", [False, True])
@pytest.mark.parametrize("far", [False, True])
def test_a_mixture_of_nodes_is_the_sum_of_their_normals(directed, far):
    names = ("2-AFC", "triangle") if directed else ("tetrad", "triangle")
    evidence = [Counts(forced_choice(name), 30, x) for name, x in zip(names, (19, 13), strict=True)]
    series = Series.build(evidence, [1, 1])
    mu, tau = np.array([0.4, 1.1, 1.6]), np.array([0.5, 0.3, 0.9])
    weight = np.array([0.2, 0.5, 0.3])
    axis = series.axis
    each = stats.norm.pdf(axis, mu[:, None], tau[:, None])
    if not directed:
        each = each + stats.norm.pdf(-axis, mu[:, None], tau[:, None])
    z = np.linspace(-9, 9, 2001)
    expected = [weight @ each]
    for i, e in enumerate(evidence):
        theta = mu[:, None] + tau[:, None] * z
        size = theta if directed else np.abs(theta)
        likelihood = np.exp(e.log_likelihood(size.ravel(), 0.0) - series.log_scale[i]).reshape(theta.shape)
        average = likelihood @ stats.norm.pdf(z) * (z[1] - z[0])
        expected.append((weight / average) @ each)
    if far:
        points = np.arange(0, len(axis), 7)
        found = series.mix_far(mu, tau, weight, [1, 0], points)
        assert found == pytest.approx(np.stack(expected[:0:-1])[:, points], abs=2e-6)
    else:
        found = series.mix(mu, tau, weight, [1, 0])
        assert found == pytest.approx(np.stack([expected[0], expected[2], expected[1]]), abs=2e-6)
        assert found[0].sum() * (axis[1] - axis[0]) == pytest.approx(1, abs=1e-9)


def test_nodes_too_sharp_for_the_axis_are_blurred_and_keep_their_probability_and_mean():
    series = Series.build([Counts(TRIANGLE, 30, 13)], [1])
    density = series.mix(np.array([0.8, 1.7]), np.array([0.0, 1e-4]), np.array([0.25, 0.75]))[0]
    step = series.axis[1] - series.axis[0]
    assert density.sum() * step == pytest.approx(1, abs=1e-3)
    assert density @ series.axis * step == pytest.approx(0.25 * 0.8 + 0.75 * 1.7, abs=5e-3)


def test_overdispersions_at_the_same_nodes_are_what_each_is_by_plain_sums():
    evidence = [RepeatedTotal(TRIANGLE, 10, 40, 21), Counts(TRIANGLE, 24, 9)]
    copies = np.array([2.0, 1.0])
    cases = [Series.build(evidence, copies, gamma) for gamma in (0.05, 0.9)]
    assert cases[0].terms != cases[1].terms
    mu, tau = np.array([0.4, 1.1, 1.6]), np.array([0.5, 0.02, 0.9])
    z = np.linspace(-9, 9, 4001)
    normal = stats.norm.pdf(z) * (z[1] - z[0])
    theta = np.abs(mu[:, None] + tau[:, None] * z)
    averages = np.empty((2, 2, 3))
    for c, case in enumerate(cases):
        for i, one in enumerate(evidence):
            averages[c, i] = np.exp(one.log_likelihood(theta.ravel(), case.gamma)).reshape(theta.shape) @ normal
    expected = (np.log(averages) * copies[:, None]).sum(axis=1)
    assert log_likelihoods(cases, mu, tau) == pytest.approx(expected, abs=1e-7)
    weights = np.array([[0.2, 0.7], [0.5, 0.1], [0.3, 0.2]])
    found = list(mixtures(cases, mu, tau, weights, [1]))
    axis = cases[0].axis
    each = stats.norm.pdf(axis, mu[:, None], tau[:, None]) + stats.norm.pdf(-axis, mu[:, None], tau[:, None])
    for c, case in enumerate(cases):
        alone = averages[c, 1] / np.exp(case.log_scale[1])
        assert found[c] == pytest.approx(np.stack([weights[:, c] @ each, (weights[:, c] / alone) @ each]), abs=2e-6)


@pytest.mark.parametrize("correct", [10_020, 15_000, 27_000])
def test_the_rounding_of_many_tastings_is_not_kept_as_detail(correct):
    # a likelihood is as wide as 1 / sqrt(tastings), so a hundred times the tastings need some ten times the cosines
    few, many = (Series.build([Counts(TRIANGLE, n, correct * n // 30_000)], [1]) for n in (300, 30_000))
    assert few.terms < many.terms < 15 * few.terms
