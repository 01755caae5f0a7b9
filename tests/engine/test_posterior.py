"""What is read off the nodes, against integrals by SciPy, draws, and the same quantity by another path."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate as quadrature
from scipy import stats

from metasense.engine.grid import integrate
from metasense.engine.likelihood import REACH, Counts
from metasense.engine.posterior import (
    _between,
    average_p_correct,
    chebyshev,
    draw_nodes,
    draw_panels,
    folded,
    on_axis,
    signed_average,
    smooth,
)
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol


def counts(name, n, x):
    return Counts(protocol(name), n, x)


@pytest.fixture(scope="module")
def plain():
    return integrate([counts("triangle", 30, 14), counts("tetrad", 24, 9)], [2, 1], Priors())[0]


@pytest.fixture(scope="module")
def directed():
    return integrate([counts("2-AFC", 40, 26), counts("triangle", 24, 12)], [1, 1], Priors())[0]


@pytest.fixture(scope="module")
def against():
    return integrate([counts("2-AFC", 40, 14), counts("triangle", 24, 12)], [1, 1], Priors())[0]


def test_the_average_size_is_the_mean_of_a_folded_normal():
    mu, tau = np.array([0.0, 0.4, -0.4, 2.0, 1.3, -1.3]), np.array([0.5, 0.9, 0.9, 0.1, 0.0, 0.0])
    expected = [*stats.foldnorm.mean(np.abs(mu[:4]) / tau[:4], scale=tau[:4]), 1.3, 1.3]
    assert average_d_prime(mu, tau) == pytest.approx(expected, abs=1e-12)
    assert signed_average(mu, tau).tolist() == mu.tolist()


@pytest.mark.parametrize(("name", "signed"), [("triangle", False), ("2-AFC", False), ("2-AFC", True), ("3-AFC", True)])
def test_a_rate_averaged_over_panels_is_an_integral_over_the_normal(name, signed):
    test = protocol(name)
    rate = average_p_correct(test, signed)

    def plainly(mu, tau):
        def height(theta):
            return float(test.p_correct(theta if signed else abs(theta))) * stats.norm.pdf(theta, mu, tau)

        ends = sorted({mu - 9 * tau, 0.0, mu, mu + 9 * tau})
        ends = [e for e in ends if mu - 9 * tau <= e <= mu + 9 * tau]
        return sum(quadrature.quad(height, *pair)[0] for pair in pairwise(ends))

    for mu, tau in ((0.0, 0.6), (-1.0, 0.8), (1.8, 0.3)):
        kink = 2e-3 if test.directed and not signed else 2e-6
        assert rate(np.array([mu]), np.array([tau]))[0] == pytest.approx(plainly(mu, tau), abs=kink)
    many = np.linspace(-2, 2, 600)  # more than are worked out at a time
    one_by_one = [rate(many[i : i + 1], np.array([0.4]))[0] for i in (0, 255, 256, 300, 512, 599)]
    assert rate(many, np.full(600, 0.4))[[0, 255, 256, 300, 512, 599]] == pytest.approx(one_by_one, abs=1e-12)


def test_chebyshev_nodes_integrate_polynomials_exactly():
    x, weights, fine, running = chebyshev(9, 5)
    assert (x[0], x[-1]) == pytest.approx((-1, 1)) and fine.tolist() == [-1, -0.5, 0, 0.5, 1]
    for power in range(9):
        assert weights @ x**power == pytest.approx((1 - (-1) ** (power + 1)) / (power + 1), abs=1e-12)
        expected = (fine ** (power + 1) - (-1) ** (power + 1)) / (power + 1)
        assert running @ x**power == pytest.approx(expected, abs=1e-12)


def test_a_running_integral_is_a_cubic_between_its_points_and_flat_outside():
    fine = np.linspace(0, 1, 6)
    assert smooth(fine, fine**3, np.array([0.33, 0.5])) == pytest.approx([0.33**3, 0.125])
    assert smooth(fine, fine**3, np.array([-1.0, 2.0])).tolist() == [0.0, 1.0]
    assert smooth(fine, 1 - (1 - fine) ** 3, np.array([1.5]))[0] == 1.0
    assert _between(np.array([0.0, 1.0, 4.0]), 2).tolist() == [0.0, 0.5, 1.0, 2.5, 4.0]


def test_probabilities_add_up_and_expectations_agree_with_the_distributions(plain, directed):
    for posterior in (plain, directed):
        assert posterior.expect(lambda mu, tau: 1 + 0 * mu) == pytest.approx(1)
        assert sum(p.share for p in posterior.patches) == pytest.approx(1)
        for p in posterior.patches:
            assert p.weight.sum() == pytest.approx(1)
            assert p.weight_of_rays.sum() == pytest.approx(1, abs=1e-6)
        grid = posterior.distribution(average_d_prime)
        for level in (0.025, 0.5, 0.975):
            assert posterior.average.quantile(level) == pytest.approx(float(grid.quantile(level)), abs=2e-3)
        assert posterior.average.mean == pytest.approx(posterior.expect(average_d_prime))
        known = posterior.average._expect(posterior.average.x)  # from the grid, not the nodes
        assert known == pytest.approx(posterior.average.mean, abs=2e-3)
        assert posterior.spread.mean == pytest.approx(posterior.expect(lambda mu, tau: tau))
        assert posterior.spread._expect(posterior.spread.x) == pytest.approx(posterior.spread.mean, abs=2e-3)


def test_which_way_panels_lean_is_known_only_with_a_direction(plain, directed):
    assert plain.expected_way is None and not plain.directed
    assert plain.signed_average is plain.average
    assert directed.expected_way == pytest.approx(directed.signed_average.above(0), abs=1e-4)
    even = integrate([counts("2-AFC", 40, 20)], [1], Priors())[0]
    assert even.expected_way == pytest.approx(0.5, abs=1e-6)
    assert even.signed_average.mean == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("which", ["plain", "directed"])
def test_the_next_panel_is_drawn_around_centre_and_spread(which, request):
    posterior = request.getfixturevalue(which)
    for z in (-1.0, 0.2, 1.5):  # P(next > z) is the normal tail averaged over the nodes
        above = posterior.expect(lambda mu, tau, z=z: stats.norm.sf(z, mu, np.maximum(tau, 1e-9)))
        below = posterior.expect(lambda mu, tau, z=z: stats.norm.cdf(-z, mu, np.maximum(tau, 1e-9)))
        size = above + below if z > 0 else 1.0
        assert posterior.next_d_prime.above(z) == pytest.approx(size, abs=2e-3)
        if posterior.directed:
            assert posterior.next_theta.above(z) == pytest.approx(above, abs=2e-3)
    assert posterior.next_d_prime.support == (0.0, REACH)
    triangle, paired = protocol("triangle"), protocol("2-AFC")
    assert posterior.next_rate(triangle).median == pytest.approx(
        float(triangle.p_correct(posterior.next_d_prime.median)), abs=1e-4
    )
    asked = posterior.next_theta if posterior.directed else posterior.next_d_prime
    assert posterior.next_rate(paired).quantile(0.1) == pytest.approx(
        float(paired.p_correct(float(asked.quantile(0.1)))), abs=1e-4
    )
    for test in (triangle, paired):
        assert posterior.average_rate(test).mean == pytest.approx(posterior.next_rate(test).mean, abs=2e-4)


@pytest.mark.parametrize("which", ["plain", "directed", "against"])
def test_draws_agree_with_what_is_integrated(which, request):
    posterior = request.getfixturevalue(which)
    size = 20_000
    rng = np.random.default_rng(7)
    mu, tau, patch = draw_nodes(posterior, size, rng)
    for functional in (average_d_prime, signed_average, lambda mu, tau: tau, lambda mu, tau: mu**2):
        drawn = functional(mu, tau)
        assert drawn.mean() == pytest.approx(posterior.expect(functional), abs=4.5 * drawn.std() / np.sqrt(size))
    shares = [p.share for p in posterior.patches]
    assert np.bincount(patch, minlength=len(shares)) / size == pytest.approx(shares, abs=1e-3)  # stratified
    assert abs(np.corrcoef(np.arange(size), mu)[0, 1]) < 0.03  # in random order
    evidence = posterior.patches[0].series.evidence
    index = np.array([1, 0, 1])
    some = slice(0, 4000)
    own = draw_panels(posterior, mu[some], tau[some], patch[some], index, rng)
    assert own.shape == (4000, 3) and not np.array_equal(own[:, 0], own[:, 2])
    for column, distinct in zip(own.T, index, strict=True):
        exact = posterior.panels([distinct])[0]
        assert column.mean() == pytest.approx(exact.mean, abs=4.5 * exact.sd / np.sqrt(4000))
        assert column.std() == pytest.approx(exact.sd, rel=0.06)
        if not (posterior.directed and evidence[distinct].protocol.directed):
            assert column.min() >= 0 and exact.support[0] == 0


def test_panels_are_given_in_the_order_they_are_asked_for(plain):
    every = plain.panels()
    some = plain.panels([1, 0])
    assert [d.mean for d in some] == pytest.approx([every[1].mean, every[0].mean], abs=1e-9)
    assert every[0].mean > every[1].mean  # 14 of 30 twice, and 9 of 24 in a sharper protocol


def test_no_panel_of_a_usual_pool_is_below_what_can_be_computed(plain):
    assert plain.floored().tolist() == [0.0, 0.0]


def test_a_panel_far_from_the_others_has_the_density_of_its_likelihood_around_the_nodes():
    # so far off that the cosine series has lost its digits there, and the nodes are summed one by one
    odd = counts("tetrad", 300, 220)
    posterior = integrate([counts("tetrad", 300, 105), odd], [6, 1], Priors(spread_scale=0.2))[0]
    own = posterior.panels([1])[0]
    axis = np.linspace(0, 6, 1501)
    weight = np.zeros_like(axis)
    for patch in posterior.patches:
        mu, tau, share = patch.refined
        tau = np.maximum(tau, 1e-3)[:, None]
        log = stats.norm.logpdf(axis, mu[:, None], tau) + odd.log_likelihood(axis, 0.0)
        each = np.exp(log - log.max(axis=1, keepdims=True))
        weight += patch.share * share @ (each / each.sum(axis=1, keepdims=True))
    assert own.mean == pytest.approx(weight @ axis / weight.sum(), abs=2e-3)
    assert own.sd == pytest.approx(np.sqrt(weight @ (axis - own.mean) ** 2 / weight.sum()), rel=0.02)


def test_folding_adds_up_both_sides():
    edges = np.linspace(-REACH, REACH, 2801)
    middles = (edges[1:] + edges[:-1]) / 2
    signed = on_axis(3 * stats.norm.pdf(middles, 0.7, 0.9), True)
    assert signed.mean == pytest.approx(0.7, abs=1e-6) and signed.support == (-REACH, REACH)
    size = folded(signed)
    assert size.mean == pytest.approx(stats.foldnorm.mean(0.7 / 0.9, scale=0.9), abs=1e-5)
    for x in (0.2, 1.0, 2.5):
        assert size.below(x) == pytest.approx(stats.foldnorm.cdf(x, 0.7 / 0.9, scale=0.9), abs=2e-4)
    assert on_axis(np.ones(10), False).support == (0.0, REACH)


def test_the_rate_of_panels_that_lean_the_other_way_is_the_mirror_image():
    test = protocol("2-AFC")
    counts = [(40, 10), (36, 12)]
    along, against = (
        integrate([Counts(test, n, x if way else n - x) for n, x in counts], [1, 1], Priors())[0]
        for way in (False, True)
    )
    levels = np.array([0.025, 0.25, 0.5, 0.75, 0.975])
    one, other = along.average_rate(test), against.average_rate(test)
    assert other.quantile(levels) == pytest.approx(1 - one.quantile(1 - levels), abs=2e-5)
