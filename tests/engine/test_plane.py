"""Refits on common nodes against the same integrals laid afresh, and the maps that put nodes where they matter."""

import numpy as np
import pytest

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts
from metasense.engine.plane import Plane, _ends, _stretch, _stretched
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import protocol

PANELS = [Counts(protocol("triangle"), 30, 14), Counts(protocol("tetrad"), 24, 9), Counts(protocol("triangle"), 20, 9)]
PAIRED = [Counts(protocol("2-AFC"), 30, 19), Counts(protocol("triangle"), 24, 11)]
USUAL = Priors()


@pytest.fixture(scope="module", params=["plain", "directed"])
def laid(request):
    panels = PANELS if request.param == "plain" else PAIRED
    return panels, Plane(panels, integrate(panels, np.ones(len(panels)), USUAL)[0])


def test_a_refit_is_the_integral_laid_afresh(laid):
    panels, plane = laid
    for copies, priors in (
        ([1] * len(panels), USUAL),
        ([0, 2, 1][: len(panels)], USUAL),
        ([1] * len(panels), Priors(0.7, 0.8)),
    ):
        found = plane.weigh(np.array(copies, float), priors)
        used = [e for e, n in zip(panels, copies, strict=True) if n]
        if not any(e.protocol.directed for e in used) and plane.regions[0][0].directed:
            continue  # without its directed panel a pool has no sign
        posterior, evidences = integrate(used, [n for n in copies if n], priors)
        assert found.log_evidence == pytest.approx(evidences.varying, abs=1e-6)
        assert found.average.mean == pytest.approx(posterior.average.mean, abs=1e-6)
        for level in (0.025, 0.5, 0.975):
            assert float(found.average.quantile(level)) == pytest.approx(
                float(posterior.average.quantile(level)), abs=1e-5
            )


def test_a_refit_far_from_where_the_nodes_lie_is_worked_out_on_closer_ones():
    panels = [Counts(protocol("triangle"), 3000, 1500), Counts(protocol("triangle"), 30, 11)]
    narrow, each = Priors(0.1, 0.05), np.ones(2)
    found = Plane(panels, integrate(panels, each, USUAL)[0]).weigh(each, narrow)
    posterior, evidences = integrate(panels, each, narrow)
    assert found.log_evidence == pytest.approx(evidences.varying, abs=3e-5)
    assert found.average.mean == pytest.approx(posterior.average.mean, abs=1e-5)


def test_weights_are_probabilities_of_the_nodes(laid):
    panels, plane = laid
    found = plane.weigh(np.ones(len(panels)), USUAL)
    assert sum(w.sum() for w in found.weights) == pytest.approx(1)
    sizes = [average_d_prime(sign * found.plane.mu, found.plane.tau) for _, sign, _ in found.plane.regions]
    assert float(found.expect(sizes)) == pytest.approx(found.average.mean, abs=1e-9)
    assert average_d_prime(plane.mu, plane.tau).reshape(plane.nodes)[:, 0] == pytest.approx(plane.average, abs=1e-9)


def test_a_further_factor_multiplies_the_likelihood(laid):
    panels, plane = laid
    without = np.ones(len(panels))
    without[0] = 0
    by_hand = plane.weigh(without, USUAL, lambda p: [logs[:, 0] for logs in p.logs])
    whole = plane.weigh(np.ones(len(panels)), USUAL)
    assert by_hand.log_evidence == pytest.approx(whole.log_evidence, abs=1e-9)
    assert by_hand.average.mean == pytest.approx(whole.average.mean, abs=1e-9)
    assert plane.finer.nodes == (2 * plane.nodes[0] - 1, 2 * plane.nodes[1] - 1)


def test_nodes_that_stand_closer_together_weigh_as_much_and_mean_the_same(laid):
    panels, plane = laid
    found = plane.weigh(np.ones(len(panels)), USUAL)
    weight = found.weights[0]
    columns = np.stack([weight, weight * found.plane.tau], axis=1)
    mu, tau, closer = found.plane.closer(columns)
    assert len(mu) == len(tau) == len(closer) > 1.5 * len(weight)
    assert closer.sum(axis=0) == pytest.approx(columns.sum(axis=0), abs=1e-9)
    sizes = average_d_prime(mu, tau), average_d_prime(found.plane.mu, found.plane.tau)
    assert closer[:, 0] @ sizes[0] == pytest.approx(weight @ sizes[1], abs=1e-8)
    assert closer[:, 1].sum() == pytest.approx(closer[:, 0] @ tau, abs=1e-8)


def test_the_map_of_nodes_runs_from_end_to_end_with_its_own_slope():
    x = np.linspace(-1, 1, 2001)
    at, slope = _stretched(0.0, 14.0, 1.2, 0.3, x)
    assert (at[0], at[-1]) == pytest.approx((0.0, 14.0)) and (np.diff(at) > 0).all()
    assert slope[1:-1] == pytest.approx(np.gradient(at, x)[1:-1], rel=1e-4)
    assert abs(at[np.argmin(slope)] - 1.2) < 0.02  # finest where it matters
    values = np.random.default_rng(1).normal(3, 0.5, 4000)
    made = _stretch(values, np.ones(4000), 0.0, 14.0)
    _, _, middle, scale = made.args
    assert (middle, scale) == pytest.approx(
        (np.median(values), np.diff(np.quantile(values, [0.16, 0.84]))[0] / 2), abs=1e-3
    )


def test_ends_lie_one_node_outside_what_is_worth_having():
    values = np.linspace(0, 10, 11)
    density = np.array([0, 0, 1e-30, 1e-3, 1, 1e-3, 1e-30, 0, 0, 0, 0])
    assert _ends(values, density) == (2.0, 6.0)
    assert _ends(values, np.ones(11)) == (0.0, 10.0)
