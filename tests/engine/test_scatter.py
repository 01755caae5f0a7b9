"""Integration by points that fill their space evenly: against normals, whole and cut, whose integrals are known."""

import numpy as np
import pytest
from scipy.stats import norm

from metasense.engine import scatter
from metasense.engine.grid import IntegrationError, Stretch
from metasense.engine.scatter import Scatter, weighted_quantiles


class Normals:
    """A spread with a half-normal density; given it, two normals that follow it, the second cut at `cut`."""

    size = 2

    def __init__(self, cut=-np.inf, scale=0.2):
        self.cut, self.scale = cut, scale

    def lowest(self, place, before):
        return -np.inf if place == 0 else self.cut

    def log_density(self, level, values):
        first = norm.logpdf(values[0], level, self.scale)
        second = norm.logpdf(values[1], 0.5 * values[0], 2 * self.scale)
        return first + second + norm.logpdf(level, 0, 0.5) + np.log(2)


def start(spreads):
    middle = np.column_stack([0 * spreads, 0 * spreads + 0.3])
    return middle, np.broadcast_to(np.eye(2), (len(spreads), 2, 2)).copy()


def laid(target, **how):
    return Scatter.integrate(target, Stretch(0.0, 5.0, 1.0, 1.0), start, **how)


def test_the_evidence_of_normals_is_one_and_their_quantiles_are_known():
    found = laid(Normals())
    assert found.log_evidence == pytest.approx(0.0, abs=3e-4)
    assert found.weight.sum() == pytest.approx(1)
    assert found.error < scatter.WISHED
    rng = np.random.default_rng(1)
    spread = np.abs(rng.normal(0, 0.5, 1_000_000))
    first = spread + 0.2 * rng.normal(size=len(spread))
    second = 0.5 * first + 0.4 * rng.normal(size=len(spread))
    for k, draws in enumerate((first, second)):
        quantiles = weighted_quantiles(found.values[k], found.weight, [0.025, 0.5, 0.975])
        assert quantiles == pytest.approx(np.quantile(draws, [0.025, 0.5, 0.975]), abs=0.012 * draws.std())
    spreads = np.broadcast_to(found.spread[:, None], found.weight.shape)
    assert (spreads * found.weight).sum() == pytest.approx(0.5 * np.sqrt(2 / np.pi), abs=2e-3)


def test_what_a_prior_cuts_off_is_not_there():
    found = laid(Normals(cut=0.4))
    rng = np.random.default_rng(2)
    spread = np.abs(rng.normal(0, 0.5, 2_000_000))
    second = 0.5 * (spread + 0.2 * rng.normal(size=len(spread))) + 0.4 * rng.normal(size=len(spread))
    kept = second > 0.4
    assert np.exp(found.log_evidence) == pytest.approx(kept.mean(), abs=2e-3)
    assert found.values[1].min() >= 0.4
    median = weighted_quantiles(found.values[1], found.weight, 0.5)
    assert median == pytest.approx(np.median(second[kept]), abs=0.012 * second[kept].std())


def test_a_posterior_far_narrower_than_the_start_is_found():
    found = laid(Normals(scale=0.002))
    assert found.log_evidence == pytest.approx(0.0, abs=1e-3)
    assert found.efficiency > 0.5


def test_the_stated_error_is_about_the_scatter_of_independent_answers(monkeypatch):
    target = Normals()
    fit = scatter.fitted(target, Stretch(0.0, 5.0, 1.0, 1.0), start)
    few = Scatter._laid(target, fit, 256)
    many = Scatter._laid(target, fit, 8192)
    assert few.error > 3 * many.error
    sd = np.sqrt((many.weight * (many.values[1] - (many.weight * many.values[1]).sum()) ** 2).sum())
    apart = [weighted_quantiles(one.values[1], one.weight, scatter.CHECKED) for one in (few, many)]
    off = np.sqrt(np.mean((apart[0] - apart[1]) ** 2)) / sd
    assert off < 4 * few.error


def test_points_are_doubled_until_the_scrambles_agree_and_what_never_does_is_an_error(monkeypatch):
    asked = []
    found = laid(Normals(), points=512, wished=0.01, watch=asked.append)
    assert asked == [512 * scatter.SCRAMBLES * 2**k for k in range(len(asked))]
    assert len(asked) > 1
    assert found.error <= 0.01
    monkeypatch.setattr(scatter, "MOST_POINTS", 512)
    with pytest.raises(IntegrationError, match=r"did not settle: its quantiles still move by .* method='mcmc'"):
        laid(Normals(), points=256, wished=1e-6)


def test_levels_integrate_over_the_spread():
    fit = scatter.fitted(Normals(), Stretch(0.0, 5.0, 1.0, 1.0), start)
    spread, log_weight, shares, edges = fit.levels(64)
    assert ((edges[:-1] <= spread) & (spread <= edges[1:])).all()
    assert (np.diff(shares) > 0).all()
    density = 2 * norm.pdf(spread, 0, 0.5)
    assert np.exp(log_weight) @ density == pytest.approx(1, abs=1e-5)
    assert np.exp(log_weight) @ (density * spread) == pytest.approx(0.5 * np.sqrt(2 / np.pi), abs=1e-5)


def test_quantiles_of_weighted_points_are_those_of_points_that_stand_more_often():
    rng = np.random.default_rng(3)
    values, often = rng.normal(size=200), rng.integers(1, 5, 200)
    repeated = np.repeat(values, often)
    assert weighted_quantiles(values, often.astype(float), [0.1, 0.5, 0.9]) == pytest.approx(
        np.quantile(repeated, [0.1, 0.5, 0.9]), abs=0.05
    )


def test_scrambles_that_differ_only_in_the_middle_are_not_taken_to_agree():
    alike = np.tile(np.linspace(-2, 2, 201), scatter.SCRAMBLES)
    moved = np.repeat(np.linspace(-0.2, 0.2, scatter.SCRAMBLES), 201)
    weight = np.full((1, len(alike)), 1 / len(alike))

    def disagreement(values):
        one = Scatter(np.ones(1), np.array([0.0, 1.0]), np.zeros(2), values[None, None], weight, 0.0, 0.0, 0.0)
        return one._disagreement()

    assert disagreement(alike) == pytest.approx(0, abs=1e-12)
    # one quantile of the five moves: the root of a fifth of its variance, over the number of scrambles
    expected = np.std(np.linspace(-0.2, 0.2, 8), ddof=1) / np.sqrt(5 * 8) / alike.std()
    assert disagreement(alike + moved * (np.abs(alike) < 0.5)) == pytest.approx(expected, rel=0.02)
