"""The mixture with lucky guesses, against beta distributions and sums of SciPy's."""

import numpy as np
import pytest
from scipy import stats

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.protocols import protocol
from metasense.questions.asked import Asked
from metasense.questions.luck import _kernel, fit, larger, not_luck, together


def asked(new, old, none=0, offered=False, **more):
    return Asked("A", 0, new, old, none, offered, **more)


def summed(a, shares, placebo=None, points=400):
    """Mean preference by a plain sum over preference and, where no preference was offered, both rates of it."""
    rho = (np.arange(points) + 0.5) / points
    rates = (np.arange(60) + 0.5) / 60 if a.offered else np.zeros(1)
    r, q, e = np.ix_(rho, rates, rates)
    total = 0.0
    for w in shares:
        new, old = (w * (1 - q) * side + (1 - w) * (1 - e) / 2 for side in (r, 1 - r))
        height = new**a.new * old**a.old
        if a.offered:
            height = height * (w * q + (1 - w) * e) ** a.none
        total = total + height
    if a.offered:
        total = total * (1 - e) ** (a.wrong_new + a.wrong_old) * e**a.wrong_none
        if placebo:
            total = total * (1 - e) ** placebo[0] * e ** placebo[1]
    weight = np.broadcast_to(total, (points, len(rates), len(rates))).sum(axis=(1, 2))
    return weight @ rho / weight.sum()


@pytest.mark.parametrize(
    ("a", "shares", "placebo"),
    [
        (asked(8, 4), [0.5], None),
        (asked(8, 4), [0.2, 0.5, 0.9], None),
        (asked(7, 3, 2, True), [0.3, 0.7], None),
        (asked(7, 3, 2, True), [0.3, 0.7], (6, 10)),
        (asked(7, 3, 2, True, wrong_new=5, wrong_old=3, wrong_none=4), [0.4], None),
        (asked(8, 4), [1.4], None),
    ],
)
def test_a_panel_s_preference_is_that_of_a_plain_sum(a, shares, placebo):
    typical, (own,) = fit([a], [np.array(shares)], placebo)
    expected = summed(a, np.clip(shares, 0, 1), placebo)
    assert typical.mean == pytest.approx(expected, abs=2e-3)
    assert own.mean == pytest.approx(typical.mean, abs=1e-9)  # one panel is the typical one


def test_without_luck_it_is_a_beta_and_with_nothing_else_it_is_flat():
    typical, _ = fit([asked(8, 4)], [np.ones(1)])
    assert typical.interval() == pytest.approx(stats.beta(9, 5).interval(0.95), abs=2e-3)
    flat, _ = fit([asked(8, 4)], [np.zeros(1)])
    assert flat.interval() == pytest.approx((0.025, 0.975), abs=1e-6)


def test_panels_are_pooled_around_a_typical_preference():
    panels, certain = [asked(16, 4), asked(6, 14)], [np.ones(1), np.ones(1)]
    typical, (first, second) = fit(panels, certain)
    assert first.mean > typical.mean > second.mean
    assert first.mean < 16 / 20 and second.mean > 6 / 20
    added, same = fit(panels, certain, spread=0)
    assert added.mean == pytest.approx(23 / 42, abs=1e-3)  # Beta(23, 19): the counts added up
    assert [d.mean for d in same] == pytest.approx([added.mean, added.mean], abs=1e-9)
    wide, _ = fit(panels, certain, spread=2.0)
    assert wide.sd > typical.sd > added.sd


@pytest.mark.parametrize("sd", [0.0, 0.3, 1.5])
def test_a_panel_falls_into_cells_by_the_normal_in_log_odds(sd):
    edges = np.linspace(0, 1, 41)
    rho = (edges[1:] + edges[:-1]) / 2
    moves = _kernel(rho, edges, sd)
    assert moves.sum(axis=1) == pytest.approx(np.ones(40))
    if sd:
        low, high = np.log(edges[25] / (1 - edges[25])), np.log(edges[26] / (1 - edges[26]))
        centre = np.log(rho[10] / (1 - rho[10]))
        assert moves[10, 25] == pytest.approx(stats.norm.cdf(high, centre, sd) - stats.norm.cdf(low, centre, sd))
    else:
        assert moves.tolist() == np.eye(40).tolist()


def test_the_share_of_correct_answers_that_is_not_luck_is_p_d_of_p_c():
    d = Distribution(np.array([1.0, 1.0 + 1e-9]), np.array([0.0, 1.0]))
    triangle = protocol("triangle")
    p = float(triangle.p_correct(1.0))
    assert not_luck(d, "triangle").median == pytest.approx((p - 1 / 3) / (2 / 3) / p)
    below = Distribution(np.array([-1.0, -1.0 + 1e-9]), np.array([0.0, 1.0]))
    assert not_luck(below, "2-AFC").median == 0


@pytest.mark.parametrize(("real", "placebo"), [((17, 3), (9, 11)), ((5, 5), (5, 5)), ((0, 4), (3, 1))])
def test_which_rate_is_larger_is_that_of_two_betas(real, placebo):
    x = (np.arange(4000) + 0.5) / 4000
    chance = stats.beta(1 + real[0], 1 + real[1]).pdf(x) @ stats.beta(1 + placebo[0], 1 + placebo[1]).cdf(x) / 4000
    assert larger(real, placebo) == pytest.approx(chance, abs=1e-4)


def test_slices_hold_every_rank_of_a_panel_once_and_rise_for_all_panels_together():
    pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [9, 10, 11]})
    parts = together(pooled.posterior, pooled.collected.index.tolist())
    assert len({part.shape for part in parts}) == 1
    ranks = np.concatenate(parts)
    assert np.sort(ranks, axis=0) == pytest.approx(np.tile((np.arange(len(ranks)) + 0.5) / len(ranks), (3, 1)).T)
    middles = np.array([part.mean(axis=0) for part in parts])
    assert (np.diff(middles[[0, len(parts) // 2, -1]], axis=0) > 0.1).all()
