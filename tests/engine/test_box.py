"""Integration over two and three axes: against normals, whose integrals and moments are known in closed form."""

import numpy as np
import pytest
from scipy.stats import norm

from metasense.engine.box import Box, Strips, axis, rebinned, running, spread_out
from metasense.engine.grid import TOLERANCE, IntegrationError
from metasense.engine.likelihood import Counts, Series
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol


def bell(x, y):
    """x is Normal(1, 0.2); y is Normal(0.5 x, 0.3); the integral is that of two normals without their constants."""
    x = x[:, None]
    return -0.5 * ((x - 1) / 0.2) ** 2 - 0.5 * ((y - 0.5 * x) / 0.3) ** 2


def three(x, y, z):
    return bell(x, y)[:, :, None] - 0.5 * ((z - 2) / 0.1) ** 2


AREA = 2 * np.pi * 0.2 * 0.3


@pytest.fixture(scope="module")
def box():
    return Box.integrate(bell, [axis(-5, 5, 0, 1), axis(-6, 4, 0, 1)])


@pytest.fixture(scope="module")
def deep():
    return Box.integrate(three, [axis(-5, 5, 0, 1), axis(-6, 4, 0, 1), axis(0, 5, 1, 0.5)])


def test_the_evidence_of_normals_is_their_area(box, deep):
    assert box.log_evidence == pytest.approx(np.log(AREA), abs=1e-9)
    assert deep.log_evidence == pytest.approx(np.log(AREA * np.sqrt(2 * np.pi) * 0.1), abs=1e-5)
    assert 0 <= box.error < 1e-6 and 0 <= deep.error <= TOLERANCE
    assert box.weight.sum() == pytest.approx(1, abs=1e-12) and deep.weight.sum() == pytest.approx(1, abs=1e-12)


def test_means_and_variances_are_those_of_the_normals(box, deep):
    assert box.expect(lambda x, y: x) == pytest.approx(1, abs=1e-8)
    assert box.expect(lambda x, y: y) == pytest.approx(0.5, abs=1e-8)
    assert box.expect(lambda x, y: (x - 1) * (y - 0.5)) == pytest.approx(0.5 * 0.04, abs=1e-8)
    assert deep.expect(lambda x, y, z: z) == pytest.approx(2, abs=1e-5)
    assert deep.expect(lambda x, y, z: (y - 0.5) ** 2) == pytest.approx(0.09 + 0.25 * 0.04, abs=1e-5)


def test_cells_along_an_axis_are_its_marginal(box, deep):
    edges, mass = box.cells(0)
    assert edges.shape == (257,) and mass.shape == (256, 97)
    assert np.cumsum(mass.sum(axis=1)) == pytest.approx(
        norm.cdf(edges[1:], 1, 0.2) - norm.cdf(edges[0], 1, 0.2), abs=1e-7
    )
    edges, mass = box.cells(1)
    assert np.cumsum(mass.sum(axis=1)) == pytest.approx(norm.cdf(edges[1:], 0.5, np.hypot(0.3, 0.1)), abs=1e-6)
    edges, mass = deep.cells(2)
    assert mass.shape == (256, 33, 33)
    assert np.cumsum(mass.sum(axis=(1, 2))) == pytest.approx(norm.cdf(edges[1:], 2, 0.1), abs=1e-5)
    twice = box.cells(0, 2 * box.density)[1]
    assert twice.sum() == pytest.approx(2)


@pytest.mark.parametrize("along", [0, 1])
def test_a_sum_of_normals_is_normal_along_whichever_axis(box, along):
    # x + y = 1.5 x + e
    found = box.distribution(lambda x, y: x + y, along=along)
    expected = norm(1.5, np.hypot(1.5 * 0.2, 0.3))
    at = [0.025, 0.2, 0.5, 0.8, 0.975]
    assert found.quantile(at) == pytest.approx(expected.ppf(at), abs=2e-3)
    assert found.mean == pytest.approx(1.5, abs=1e-8)


def test_a_difference_that_falls_along_its_axis_is_turned_round(deep):
    found = deep.distribution(lambda x, y, z: z - y, along=1)
    expected = norm(1.5, np.sqrt(0.01 + 0.1))
    assert found.quantile([0.025, 0.5, 0.975]) == pytest.approx(expected.ppf([0.025, 0.5, 0.975]), abs=6e-3)
    assert found.mean == pytest.approx(1.5, abs=1e-5)


def test_other_priors_on_the_same_nodes_are_an_integration_with_those_priors(box):
    # times a normal around 1.2 of SD 0.2: its middle is halfway, its variance half
    x = box.values[0][:, None]
    found = box.weighed(np.broadcast_to(-0.5 * ((x - 1.2) / 0.2) ** 2, box.density.shape))
    assert found.expect(lambda x, y: x) == pytest.approx(1.1, abs=1e-6)
    assert found.expect(lambda x, y: (x - 1.1) ** 2) == pytest.approx(0.02, abs=1e-6)
    assert found.error < 1e-5
    assert found.weight.sum() == pytest.approx(1, abs=1e-12)


def test_what_a_prior_moves_to_an_end_of_the_axes_has_no_accuracy(box):
    x, y = (v[tuple(np.newaxis if k else slice(None) for k in range(2))] for v in box.values)
    everywhere = np.zeros(box.density.shape)
    assert box.weighed(everywhere).error < 1e-6
    assert np.isinf(box.weighed(everywhere + 60 * x).error)  # up to the upper end
    assert np.isinf(box.weighed((everywhere.T + -60 * y).T).error)  # down to the lower end of the other axis


def test_what_lay_at_an_end_before_may_lie_there_still():
    half = Box.integrate(lambda x, y: -0.5 * (x[:, None] / 0.3) ** 2 - 0.5 * (y / 0.3) ** 2, [axis(0, 4, 1, 1)] * 2)
    assert half.log_evidence == pytest.approx(np.log(2 * np.pi * 0.09 / 4), abs=1e-8)
    narrower = -0.5 * np.add.outer((half.values[0] / 0.3) ** 2, 0 * half.values[1])
    assert half.weighed(narrower).error < 1e-5
    wider = 0.5 * 0.99 * np.add.outer((half.values[0] / 0.3) ** 2, 0 * half.values[1])
    assert np.isinf(half.weighed(wider).error)


def test_what_does_not_settle_is_an_error_that_tells_how_far_it_moves():
    rng = np.random.default_rng(1)
    with pytest.raises(IntegrationError, match=r"still moves by .* at 217 nodes an axis\. Please report"):
        Box.integrate(
            lambda x, y: rng.normal(0, 3, (len(x), len(y))), [axis(-1, 1, 0, 1)] * 2
        )  # 97, half more, half more


def test_an_axis_is_never_narrower_than_a_thousandth_of_itself():
    assert axis(0, 10, 1, 1e-9).scale == pytest.approx(0.01)
    assert axis(0, 10, 1, 0.5).scale == 0.5


def test_cells_add_up_along_a_line_as_a_loop_adds_them():
    rng = np.random.default_rng(2)
    x = np.linspace(0, 4, 401)
    ends = np.sort(x[rng.integers(0, 401, (50, 2))], axis=1)
    low, high, mass = ends[:, 0], ends[:, 1], rng.dirichlet(np.ones(50))
    high = np.maximum(high, low + 0.01)
    keep = high <= 4
    low, high, mass = low[keep], high[keep], mass[keep]
    expected = [sum(m * np.clip((v - a) / (b - a), 0, 1) for a, b, m in zip(low, high, mass, strict=True)) for v in x]
    assert running(low, high, mass, x) == pytest.approx(np.array(expected), abs=1e-12)


def test_a_cell_without_width_takes_one_step_around_itself():
    x = np.linspace(0, 1, 11)
    found = running(np.array([0.5]), np.array([0.5]), np.array([1.0]), x)
    assert found == pytest.approx([0, 0, 0, 0, 0, 0.5, 1, 1, 1, 1, 1], abs=0.13)  # where it bends, to half a step
    assert running(np.array([0.45]), np.array([0.55]), np.array([1.0]), x)[[4, 6]] == pytest.approx([0, 1], abs=0.13)
    at_the_start = running(np.array([0.0]), np.array([0.0]), np.array([1.0]), x)
    assert at_the_start[0] == 0 and at_the_start[2:] == pytest.approx(1)  # nothing lies before the first


def test_a_mixture_of_even_cells_has_its_quantiles_whichever_way_they_run():
    # half of it even from 0 to 1, half from 0 to 3, given backwards: P(< 1) = 1/2 + 1/6
    found = spread_out(np.array([0.0, 3.0]), np.array([1.0, 0.0]), np.array([0.5, 0.5]), 1.0)
    assert found.below(1.0) == pytest.approx(2 / 3, abs=2e-3)
    assert found.below(0.5) == pytest.approx(1 / 4 + 1 / 12, abs=2e-3)
    assert found.quantile(5 / 6) == pytest.approx(2, abs=5e-3)
    assert found.mean == 1.0


def test_what_is_negligible_does_not_stretch_a_distribution():
    found = spread_out(np.array([0.0, 1e6]), np.array([1.0, 2e6]), np.array([1.0, 1e-12]))
    assert found.x[-1] == 1.0 and found.median == pytest.approx(0.5, abs=1e-3)


def test_spreads_put_on_a_grid_keep_their_mass_and_mean():
    rng = np.random.default_rng(3)
    tau, mass = rng.gamma(2, 0.3, 500), rng.dirichlet(np.ones(2000)).reshape(4, 500)
    grid, out = rebinned(tau, mass)
    assert grid.shape == (97,) and grid[0] == 0 and grid[-1] == tau.max()
    assert out.shape == (4, 97)
    assert out.sum(axis=1) == pytest.approx(mass.sum(axis=1))
    assert out @ grid == pytest.approx(mass @ tau)
    # each goes to its two neighbours and nowhere else
    one, placed = rebinned(np.array([0.25, 1.0]), np.array([[1.0, 0.0]]), 5)
    assert one.tolist() == [0, 0.25, 0.5, 0.75, 1] and placed.tolist() == [[0, 1, 0, 0, 0]]


@pytest.fixture(scope="module")
def strips():
    edges = np.linspace(-4, 6, 401)
    tau = np.linspace(0, 2, 41)
    mass = np.outer(np.diff(norm.cdf(edges, 1, 0.25)), norm.pdf(tau, 0.8, 0.15))
    series = Series.build([Counts(protocol("2-AFC"), 10, 6)], [1], 0.0)
    return Strips.of(series, edges, tau, 7 * mass)


def test_strips_keep_what_carries_probability_and_add_up_to_one(strips):
    assert strips.mass.sum() == pytest.approx(1)
    assert len(strips.edges) == len(strips.mass) + 1 and len(strips.tau) == strips.mass.shape[1]
    assert -1.5 < strips.edges[0] < 0 and 2 < strips.edges[-1] < 3.5
    patch = strips.patches[0]
    assert patch.weight.sum() == pytest.approx(1) and patch.share == 1
    assert patch.weight @ patch.mu == pytest.approx(1, abs=1e-6)
    assert patch.weight @ patch.tau == pytest.approx(0.8, abs=1e-4)
    assert strips.method == "grid"


def test_a_function_of_centre_and_spread_has_the_distribution_of_its_draws(strips):
    rng = np.random.default_rng(4)
    mu, tau = rng.normal(1, 0.25, 400_000), rng.normal(0.8, 0.15, 400_000)
    at = [0.025, 0.25, 0.5, 0.75, 0.975]
    assert strips.average.quantile(at) == pytest.approx(np.quantile(average_d_prime(mu, tau), at), abs=4e-3)
    centre = strips.distribution(lambda mu, tau: mu + 0 * tau)
    assert centre.quantile(at) == pytest.approx(norm.ppf(at, 1, 0.25), abs=2e-3)
    assert centre.mean == pytest.approx(1, abs=1e-6)
    both = strips.distribution(lambda mu, tau: mu - tau)
    assert both.quantile(at) == pytest.approx(norm.ppf(at, 0.2, np.hypot(0.25, 0.15)), abs=4e-3)


def test_a_bulk_in_a_corner_of_a_wide_box_is_found():
    far = Box.integrate(
        lambda x, y: -0.5 * ((x[:, None] - 27) / 0.01) ** 2 - 0.5 * ((y - 0.02) / 0.01) ** 2,
        [axis(-28, 28, 0, 1), axis(0, 28, 1, 1)],
    )
    upper = norm.sf(-2)  # the other axis is cut at 0
    assert far.log_evidence == pytest.approx(np.log(2 * np.pi * 1e-4 * upper), abs=1e-6)
    assert far.axes[0].lower > 26 and far.axes[1].lower == pytest.approx(0, abs=1e-12)  # what is empty is cut off


def test_the_average_rate_of_strips_is_that_of_its_centres_and_spreads(strips):
    # of a 2-AFC whose d-primes are Normal(mu, tau): Phi(mu / sqrt(2 + tau^2)), a closed form
    rng = np.random.default_rng(6)
    mu, tau = rng.normal(1, 0.25, 400_000), rng.normal(0.8, 0.15, 400_000)
    found = strips.average_rate(protocol("2-AFC"))
    at = [0.025, 0.25, 0.5, 0.75, 0.975]
    assert found.quantile(at) == pytest.approx(np.quantile(norm.cdf(mu / np.sqrt(2 + tau**2)), at), abs=1e-3)
    assert strips.average_rate(protocol("2-AFC")) is found
