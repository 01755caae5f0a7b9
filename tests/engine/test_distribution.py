"""One posterior number, against distributions of SciPy's and against what can be summed by hand."""

import numpy as np
import pytest
from scipy import stats

from metasense.engine.distribution import Distribution

FLAT = Distribution(np.linspace(0, 1, 201), np.linspace(0, 1, 201))
STEPS = Distribution(np.array([1.0, 2.0, 4.0]), np.array([0.0, 0.25, 1.0]))


def test_moments_of_straight_pieces_are_summed_by_hand():
    # a quarter of it even from 1 to 2, the rest from 2 to 4: mean 1.5 / 4 + 3 * 3 / 4
    assert STEPS.mean == pytest.approx(2.625)
    squares = (0.25 * (1.625**2 + 0.625**2) + 0.75 * (0.625**2 + 1.375**2)) / 2  # trapezoid of the squares
    assert STEPS.sd == pytest.approx(np.sqrt(squares))
    assert STEPS.support == (1.0, 4.0)


def test_what_lies_outside_the_grid_lies_at_its_ends():
    cut = Distribution(np.array([0.0, 1.0]), np.array([0.2, 0.7]))  # a fifth at 0 and three tenths at 1
    assert cut.mean == pytest.approx(0.5 * 0.5 + 0.3)
    assert cut.map(lambda x: 10 * x + 1).mean == pytest.approx(1 + 10 * cut.mean)


def test_the_mean_that_is_known_better_is_the_one_said():
    known = Distribution(FLAT.x, FLAT.cdf, 0.51)
    assert known.mean == 0.51 and FLAT.mean == pytest.approx(0.5)
    assert known.sd == pytest.approx(np.sqrt(1 / 12 + 0.01**2), abs=1e-5)  # about that mean


def test_quantiles_stop_at_a_gap_where_nothing_lies():
    gap = Distribution(np.array([0.0, 1.0, 3.0, 4.0]), np.array([0.0, 0.5, 0.5, 1.0]))
    assert gap.quantile([0.25, 0.5, 0.75]) == pytest.approx([0.5, 1.0, 2.5])  # the near end of the gap
    assert gap.interval(0.5) == pytest.approx((0.5, 2.5))
    assert gap.median == 1.0


def test_below_and_above_are_certain_outside_the_grid():
    assert (STEPS.below(0), STEPS.below(1.5), STEPS.below(9)) == (0.0, 0.125, 1.0)
    assert (STEPS.above(0), STEPS.above(1.5), STEPS.above(9)) == (1.0, 0.875, 0.0)


def test_densities_are_those_of_scipy_and_nothing_outside():
    x = np.linspace(-6, 6, 121)
    found = Distribution(x, stats.norm.cdf(x))
    assert found.density([-1.0, 0.0, 2.0]) == pytest.approx(stats.norm.pdf([-1, 0, 2]), rel=5e-3)
    assert found.density([-6.01, 6.01]).tolist() == [0.0, 0.0]
    assert found.density([-6.0, 6.0]) == pytest.approx([0.0, 0.0], abs=1e-6)
    assert FLAT.density([0.0, 1.0]) == pytest.approx([1.0, 1.0])  # the ends belong to it
    many = Distribution.from_draws(stats.norm.ppf((np.arange(600) + 0.5) / 600))
    assert many.density([0.0])[0] == pytest.approx(stats.norm.pdf(0), rel=0.01)  # smoothed over 257 points


def test_equal_draws_are_a_point_and_have_a_density_elsewhere():
    found = Distribution.from_draws([1, 2, 2, 3])
    assert found.cdf.tolist() == [0.125, 0.375, 0.625, 0.875]
    assert np.isfinite(found.density([1.5, 2.0, 2.5])).all()


def test_a_density_is_integrated_exactly_up_to_cubics_inside_and_never_falls():
    # with its end correction the trapezoid is exact for a parabola, but where the slope at an end is one-sided
    x = np.linspace(0, 1, 11)
    found = Distribution.from_density(x, x**2)
    assert found.cdf[0] == 0 and found.cdf[-1] == 1
    inside = np.diff(found.cdf)[1:-1] / np.diff(x**3)[1:-1]
    assert inside == pytest.approx(np.full(8, inside[0]), rel=1e-9)
    below = Distribution.from_density([0, 1, 2, 3], [1, -5, 1, 1])  # what is below zero counts as nothing
    assert (np.diff(below.cdf) >= 0).all()
    assert below.cdf.tolist() == Distribution.from_density([0, 1, 2, 3], [1, 0, 1, 1]).cdf.tolist()
    assert Distribution.from_density(x, x, mean=0.7).mean == 0.7


def test_a_mixture_has_the_mean_and_the_probabilities_of_its_parts():
    far = FLAT.map(lambda x: x + 3)
    both = Distribution.mixture([FLAT, far], [2, 6])
    assert both.below(2) == pytest.approx(0.25) and both.mean == pytest.approx(0.25 * 0.5 + 0.75 * 3.5)
    assert both.support == (0.0, 4.0) and both.cdf[-1] == pytest.approx(1)
    assert Distribution.mixture([FLAT], [0.3]) is FLAT


def test_a_sample_is_that_of_inverted_uniforms():
    rng = np.random.default_rng(3)
    assert STEPS.sample(5, rng).tolist() == STEPS.quantile(np.random.default_rng(3).random(5)).tolist()


def test_it_shows_its_median_and_interval():
    assert repr(FLAT) == "0.50 (0.03 to 0.97; 95 % credible interval, equal-tailed)"
