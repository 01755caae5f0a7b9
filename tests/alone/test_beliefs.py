"""What is believed of one panel's d-prime, against quadrature, conjugate posteriors and the pool of one panel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta, binom, halfnorm, norm

from metasense.alone.beliefs import (
    ON_D_PRIME,
    ON_P_D,
    chances_beyond,
    d_prime_posterior,
    forced_choice_log_likelihood,
    p_d_posterior,
    prior_density,
    size,
    verdicts,
)
from metasense.alone.single import one_panel
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.protocols import PROTOCOLS, Protocol, protocol

FORCED = [test for test in PROTOCOLS.values() if isinstance(test, Protocol)]
MARGIN = Margin(p_d=0.3, protocol="triangle")


def test_a_flat_prior_on_d_prime():
    # 20 of 50 in a triangle, the example of a web note of M. Okamoto (2021-22); numbers by high-precision integration.
    triangle = protocol("triangle")
    flat, _ = d_prime_posterior(lambda d: forced_choice_log_likelihood(triangle, 50, 20, d), np.ones_like)
    assert flat.mean == pytest.approx(0.787584732, abs=2e-6)
    assert flat.below(1) == pytest.approx(0.6716, abs=5e-5)
    assert triangle.d_prime(20 / 50) == pytest.approx(0.8791, abs=5e-5)


@pytest.mark.parametrize(("n", "x", "mean"), [(50, 25, 0.501296662), (8, 5, 0.61426146)])
def test_a_uniform_prior_on_the_chance_of_a_correct_answer(n, x, mean):
    # truncated-beta approach of Bayarri et al. (2008), Food Quality and Preference; closed form of the mean
    triangle = protocol("triangle")
    assert triangle.p_from_p_d(p_d_posterior(triangle, n, x).mean) == pytest.approx(mean, abs=1e-8)


def test_the_prior_on_d_prime_is_the_pooling_prior_of_one_panel():
    def density(d, centre_scale, spread_scale):
        def over_tau(tau):
            return halfnorm.pdf(tau, scale=spread_scale) * 2 * norm.pdf(d, 0, np.hypot(centre_scale, tau))

        return quad(over_tau, 0, 8 * spread_scale, epsabs=1e-13)[0]

    for priors in (Priors(), Priors(0.5, 1.5)):
        for d in (0.0, 0.7, 2.5):
            assert prior_density(d, priors) == pytest.approx(
                density(d, priors.centre_scale, priors.spread_scale), rel=1e-9
            )
            assert prior_density(d, priors, directed=True) == pytest.approx(prior_density(d, priors) / 2)
    rng = np.random.default_rng(1)  # the size of theta, simulated from the model's own statement
    mu, tau = np.abs(rng.normal(0, 1.5, 200_000)), np.abs(rng.normal(0, 0.5, 200_000))
    share = (np.abs(rng.normal(mu, tau)) < 1).mean()
    assert quad(prior_density, 0, 1)[0] == pytest.approx(share, abs=5e-3)


@pytest.mark.parametrize(
    "panel",
    [
        one_panel("tetrad", 24, 12),
        one_panel("2-AFC", 30, 12),
        one_panel("triangle", 20, 20),
        one_panel("two-out-of-five", 400, 90),
        one_panel("A-not-A", signal=20, hits=14, noise=22, false_alarms=6),
        one_panel("same-different", signal=15, hits=9, noise=15, false_alarms=5),
    ],
    ids=lambda panel: panel.protocol.name,
)
def test_posteriors_of_d_prime_are_those_of_adaptive_quadrature(panel):
    low = -14 if panel.protocol.directed else 0

    def height(d):
        log = float(panel._log_likelihood(np.array([d]))[0])
        return np.exp(log) * float(prior_density(d, panel.priors, directed=panel.protocol.directed))

    middle = panel.d_prime_posterior.median
    points = [p for p in (middle - 1, middle, middle + 1) if p > low]
    whole = quad(height, low, 14, points=points, limit=400, epsabs=0)[0]
    assert panel._integrated[1] == pytest.approx(np.log(whole), abs=1e-7)
    for cut in (middle - 0.4, middle + 0.7):
        if cut > low:
            part = quad(height, low, cut, points=[p for p in points if p < cut] or None, limit=400, epsabs=0)[0]
            assert panel.d_prime_posterior.below(cut) == pytest.approx(part / whole, abs=2e-5)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(FORCED), st.integers(1, 120), st.floats(0, 1), st.floats(0.01, 0.99))
def test_the_flat_prior_on_p_d_gives_a_beta_cut_at_guessing(test, n, share, q):
    x = round(share * n)
    below = beta.cdf(test.guess, x + 1, n - x + 1)
    if below < 1 - 1e-9:
        found = p_d_posterior(test, n, x).quantile(q)
        expected = test.p_d_from_p(beta.ppf(below + q * (1 - below), x + 1, n - x + 1))
        assert found == pytest.approx(expected, abs=5e-5)


def test_every_count_at_once_is_every_panel_alone():
    for name, n in (("triangle", 24), ("2-AFC", 15), ("two-out-of-five", 12)):
        both = chances_beyond(protocol(name), n, MARGIN)
        for x in range(n + 1):
            alone = one_panel(name, n, x, margin=MARGIN)
            assert both[ON_P_D][x] == pytest.approx(alone.beyond[ON_P_D], abs=1e-12)
            assert both[ON_D_PRIME][x] == pytest.approx(alone.beyond[ON_D_PRIME], abs=2e-5)


def test_a_panel_of_thousands_far_below_guessing_is_still_read():
    both = chances_beyond(protocol("triangle"), 3000, MARGIN)
    assert all(np.isfinite(values).all() for values in both.values())
    panel = one_panel("triangle", 3000, 0, margin=MARGIN)
    assert panel.verdict() == "within the margin"
    assert panel.d_prime_posterior.interval()[1] < 0.2
    # the density falls as (1 - p_d)^3000, so that the upper limit is 1 - .025^(1/3001)
    assert panel.p_d_posterior.interval()[1] == pytest.approx(1 - 0.025 ** (1 / 3001), rel=1e-3)


@pytest.mark.parametrize("way", [1.0, 0.25])
def test_an_earlier_pool_moves_the_prior_to_where_it_found_the_centre(way):
    class Moved(Priors):
        """Priors with a centre that may have either sign."""

    Moved.way = way
    priors = Moved(0.4, 0.3, centre_at=1.2, earlier="six panels of last year")

    def around(d, centre):
        def over_tau(tau):
            return halfnorm.pdf(tau, scale=0.3) * norm.pdf(d, centre, np.hypot(0.4, tau))

        return quad(over_tau, 0, 2.4, epsabs=1e-13)[0]

    for d in (-1.0, 0.0, 0.5, 2.0):
        along, against = around(d, 1.2), around(d, -1.2)
        assert prior_density(d, priors, directed=True) == pytest.approx(way * along + (1 - way) * against, rel=1e-8)
        assert prior_density(d, priors) == pytest.approx(along + against if d >= 0 else 0.0, rel=1e-8)
    assert prior_density(-0.5) == 0.0


def test_the_likelihood_is_the_binomial_probability_with_its_constant():
    d = np.array([0.0, 0.8, 2.5])
    for name, n, x in (("triangle", 24, 11), ("2-AFC", 7, 0), ("tetrad", 9, 9)):
        test = protocol(name)
        found = forced_choice_log_likelihood(test, n, x, d)
        assert found == pytest.approx(binom.logpmf(x, n, test.p_correct(d)))


def test_a_verdict_takes_more_than_the_settled_probability_under_every_prior():
    # 0.75 and 0.25 are exact in binary, so that neither side is exceeded
    assert verdicts({"one": [0.75, 0.25, 0.76, 0.24]}, 0.75).tolist() == [
        "not settled", "not settled", "beyond the margin", "within the margin",
    ]  # fmt: skip
    assert verdicts({"one": [0.8, 0.2], "other": [0.7, 0.3]}, 0.75).tolist() == ["not settled"] * 2


def test_the_size_of_a_signed_difference_folds_both_sides():
    signed = one_panel("2-AFC", 30, 14).d_prime_posterior
    folded = size(signed)
    for at in (0.1, 0.4, 0.9):
        assert folded.below(at) == pytest.approx(signed.below(at) - signed.below(-at), abs=1e-9)
    assert size(folded) is folded
