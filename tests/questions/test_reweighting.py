"""Nodes that stay while weights change: against normals, and against the pool's own answers."""

import numpy as np
import pytest
from scipy.stats import norm

import metasense as ms
from metasense.engine.grid import Stretch
from metasense.questions.plan import Plan
from metasense.questions.reweighting import Known, Nodes, _around, _running

MARGIN = ms.Margin(d_prime=0.8)


@pytest.fixture(scope="module", params=["triangle", "2-AFC"])
def pooled(request):
    table = {"panel": list("ABC"), "protocol": request.param, "tastings": 30, "correct": [14, 17, 19]}
    return ms.pool(table, margin=MARGIN)


def test_the_nodes_hold_the_pools_posterior(pooled):
    nodes = Known.of(pooled.core, MARGIN).nodes(97, False)
    assert nodes.weight.sum() == pytest.approx(1) and nodes.predicting is nodes.weight
    assert nodes.by_gamma.shape == (1, len(nodes.mu))
    assert nodes.by_gamma[0] == pytest.approx(1.0 * (nodes.weight > 0))  # a node where nothing differs weighs nothing
    assert nodes.weight @ nodes.tau == pytest.approx(pooled.spread.mean, abs=1e-4)
    below = nodes.weight.reshape(-1, nodes.angles).sum(axis=1) @ nodes.ladder
    assert below[0] == pytest.approx(pooled.average.below(0.8), abs=1e-5)
    assert nodes.points[0] == 0.8 and (np.diff(nodes.points[1:]) > 0).all()
    expected = [pooled.average.below(x) for x in nodes.points[1:]]
    assert np.maximum.accumulate(below[1:]) == pytest.approx(expected, abs=1e-4)


def test_nothing_new_leaves_the_answer_as_it_is(pooled):
    nodes = Known.of(pooled.core, MARGIN).nodes(97, False)
    log, below, width = nodes.refit(np.zeros((1, len(nodes.mu))), np.array([[1.0], [3.0]]))
    low, high = pooled.average.interval()
    assert log == pytest.approx([0, 0], abs=1e-9)
    assert below == pytest.approx([pooled.average.below(0.8)] * 2, abs=1e-5)
    assert width == pytest.approx([high - low] * 2, rel=2e-3)


def test_weights_times_a_likelihood_are_weighed_row_by_row():
    rng = np.random.default_rng(1)
    mu, tau = rng.normal(1, 0.3, 12), rng.random(12)  # 4 distances, 3 angles
    weight = rng.dirichlet(np.ones(12))
    ladder = np.triu(np.ones((4, 5)), 1)[:, 1:]
    ladder = np.concatenate([[[1.0], [0.5], [0.0], [0.0]], ladder], axis=1)
    points = np.array([1.5, 1.0, 2.0, 3.0, 4.0])
    nodes = Nodes(mu, tau, weight, weight[::-1].copy(), ladder, points, 3, np.ones((1, 12)))
    tables = rng.normal(0, 1, (2, 12))
    counts = rng.integers(0, 3, (600, 2)).astype(float)  # more than are worked out at a time
    log, below, width = nodes.refit(tables, counts)
    for row in (0, 255, 256, 599):
        likelihood = np.exp(counts[row] @ tables)
        assert log[row] == pytest.approx(np.log(likelihood @ weight[::-1]))
        after = (likelihood * weight).reshape(4, 3).sum(axis=1)
        after /= after.sum()
        cdf = after @ ladder
        assert below[row] == pytest.approx(cdf[0])
        low, high = np.interp([0.025, 0.975], cdf[1:], points[1:])
        assert width[row] == pytest.approx(high - low)


def test_an_undirected_posterior_seen_as_a_directed_one_has_both_signs(pooled):
    known = Known.of(pooled.core, MARGIN)
    if known.directed:
        assert len(known.boxes) == 2
        return
    one, both = known.nodes(49, False), known.nodes(49, True)
    half = len(one.mu)
    assert np.array_equal(both.mu[:half], one.mu) and np.array_equal(both.mu[half:], -one.mu)
    assert np.array_equal(both.tau, np.tile(one.tau, 2))
    assert both.weight == pytest.approx(np.tile(one.weight / 2, 2))
    assert both.predicting[:half] == pytest.approx(one.weight) and (both.predicting[half:] == 0).all()
    assert both.ladder.shape == (2 * len(one.ladder), len(one.points))


def test_the_panel_of_a_plan_is_found_by_name(pooled):
    known = Known.of(pooled.core, MARGIN)
    assert known.tasted(pooled.core, Plan("triangle", 12)) is None
    assert known.tasted(pooled.core, Plan("triangle", 12, 1, "C")).correct == 19
    with pytest.raises(ValueError, match="same_pair_as names a pooled panel; 'X' is not one of A, B and C"):
        known.tasted(pooled.core, Plan("triangle", 12, 1, "X"))
    assert known.margin == 0.8


def test_an_axis_suits_the_middle_and_the_spread_of_weighted_values():
    x = np.linspace(-3, 7, 2001)
    weight = norm.pdf(x, 1, 0.5)
    for order in (np.arange(2001), np.random.default_rng(1).permutation(2001)):
        found = _around([(x[order][:900], weight[order][:900]), (x[order][900:], weight[order][900:])])
        assert (found.lower, found.upper) == (-3, 7)
        assert found.centre == pytest.approx(1, abs=1e-3)
        assert found.scale == pytest.approx(0.5 * norm.ppf(0.84), abs=2e-3)
    assert _around([(np.array([1.0, 1.0]), np.array([1.0, 1.0]))]).scale == 1e-9


def test_weights_at_the_nodes_add_up_to_integrals():
    axis = Stretch(0.0, 6.0, 1.0, 0.4)
    points = np.array([0.3, 1.0, 1.7, 9.0])
    matrix = _running(0.0, 6.0, 1.0, 0.4, 65, points.tobytes())
    assert matrix.shape == (65, 4)
    x = -np.cos(np.pi * np.arange(65) / 64)
    values, slope = axis.at(x)
    from metasense.engine.posterior import chebyshev

    weight = norm.pdf(values, 1, 0.4) * slope * chebyshev(65, 1025)[1]
    expected = norm.cdf(points, 1, 0.4) - norm.cdf(0, 1, 0.4)
    assert weight @ matrix == pytest.approx(expected, abs=1e-6)


def test_each_node_knows_how_probable_every_overdispersion_is():
    table = {"panel": list("AB"), "protocol": "triangle", "tastings": 24, "correct": [14, 10], "tasters": 6}
    pooled = ms.pool(table, margin=MARGIN)
    nodes = Known.of(pooled.core, MARGIN).nodes(65, False)
    possible = nodes.weight > 0  # all but those at no difference, which have no area
    assert nodes.by_gamma.sum(axis=0)[possible] == pytest.approx(np.ones(possible.sum()))
    shares = [patch.share for patch in pooled.posterior.patches]
    assert len(shares) > 3
    assert nodes.by_gamma @ nodes.weight == pytest.approx(shares, abs=1e-4)
