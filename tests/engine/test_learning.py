"""The level above variables, against sums over all allocations, direct pooling and the recovery of known shelves."""

from itertools import product
from math import factorial, lgamma

import numpy as np
import pytest
from scipy.special import logsumexp

from metasense.engine import batch, learning
from metasense.engine.common import Common
from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, Repeats
from metasense.engine.priors import Priors
from metasense.protocols import protocol

TRIANGLE, TWO = protocol("triangle"), protocol("2-AFC")
ASKED = batch.Asked(Priors(), 0.8, TRIANGLE)
FEW = [
    [Counts(TRIANGLE, 30, 11), Counts(TRIANGLE, 24, 7)],
    [Counts(TRIANGLE, 30, 19), Counts(protocol("tetrad"), 24, 14)],
    [Counts(TWO, 20, 15), Counts(TRIANGLE, 36, 12)],
    [Repeats(TRIANGLE, ((1, 1, 6), (1, 0, 8), (2, 2, 3)))],
]


def gathered(panels):
    distinct = list(dict.fromkeys(e for one in panels for e in one))
    return batch.Variables(tuple(distinct), tuple(np.array([distinct.index(e) for e in one]) for one in panels))


@pytest.fixture(scope="module")
def few():
    laid = learning.Shelf(gathered(FEW))
    return laid, learning.learn(laid)


def test_evidences_under_other_scales_are_those_of_pools_of_their_own(few):
    _, learned = few
    scales = learned.evidences.scales
    for i, panels in enumerate(FEW):
        for a, b in product((0, learning.SCALES - 1), repeat=2):  # the four corners
            priors = Priors(float(scales.centre[a]), float(scales.spread[b]))
            found = integrate(tuple(panels), np.ones(len(panels)), priors)[1]
            pair = a * learning.SCALES + b
            assert learned.evidences.none[i] == pytest.approx(found.none, abs=1e-9)
            assert learned.evidences.same[i, pair] == pytest.approx(found.same, abs=2e-5)
            assert learned.evidences.varying[i, pair] == pytest.approx(found.varying, abs=5e-5)


def test_shares_and_explanations_are_sums_over_all_allocations(few):
    # With Dirichlet(1, 1, 1) shares an allocation of n0, n1, n2 variables has probability 2 n0! n1! n2! / (V + 2)!
    _, learned = few
    evidences, size = learned.evidences, len(FEW)
    logs, given = [], []
    for allocation in product(range(3), repeat=size):
        counts = np.bincount(allocation, minlength=3)
        prior = np.log(2.0) + sum(lgamma(n + 1) for n in counts) - np.log(factorial(size + 2))
        each = [(evidences.none[i], evidences.same[i], evidences.varying[i])[z] for i, z in enumerate(allocation)]
        logs.append(logsumexp(np.log(evidences.scales.weight) + prior + sum(each)))
        given.append((allocation, (counts + 1) / (size + 3)))
    whole = logsumexp(logs)
    weight = np.exp(np.array(logs) - whole)
    assert learned.log_evidence == pytest.approx(whole, abs=1e-5)
    assert learned.shares == pytest.approx(sum(w * mean for w, (_, mean) in zip(weight, given, strict=True)), abs=1e-5)
    for i in range(size):
        expected = [sum(w for w, (z, _) in zip(weight, given, strict=True) if z[i] == kind) for kind in range(3)]
        assert learned.explanations[0][i] == pytest.approx(expected, abs=1e-5)


def test_one_variable_alone_gets_the_average_over_explanations_and_scales():
    laid = learning.Shelf(gathered(FEW[:1]))
    learned = learning.learn(laid)
    scales = learned.evidences.scales
    found = learning.shrunken(laid, learned, ASKED)
    probability, joint = learned.explanations
    above = 0.0
    copies = np.ones(2)
    for pair, priors in enumerate(scales.pairs):
        if joint[0, :, pair].sum() > 1e-4:
            posterior = integrate(tuple(FEW[0]), copies, priors)[0]
            common = Common(FEW[0], copies, priors)
            above += joint[0, 1, pair] * posterior.average.above(0.8)
            above += joint[0, 0, pair] * common.weight[:, common.theta > 0.8].sum()
    assert probability.sum(axis=1) == pytest.approx([1.0])
    assert found.above[0] == pytest.approx(above, abs=3e-3)


def test_a_variable_with_nodes_of_its_own_gives_the_same(few):
    laid, learned = few
    own = learning.Shelf(gathered(FEW))
    own.singles = {i: learning.Single.of(own.variables.some([i])) for i in range(len(FEW))}
    there = own.evidences(learned.evidences.scales)
    assert there.varying == pytest.approx(learned.evidences.varying, abs=5e-5)
    assert there.same == pytest.approx(learned.evidences.same, abs=5e-5)
    one, other = (learning.shrunken(which, learned, ASKED) for which in (laid, own))
    assert one.above == pytest.approx(other.above, abs=2e-3)
    assert one.average == pytest.approx(other.average, abs=6e-3)
    assert one.rate == pytest.approx(other.rate, abs=6e-3)


def test_draws_of_all_averages_have_the_probabilities_that_were_summed(few):
    laid, learned = few
    draws = learning.draw_averages(laid, learned, hyper=512, each=16)
    found = learning.shrunken(laid, learned, ASKED)
    assert (draws == 0).mean(axis=0) == pytest.approx(found.probability[:, 0], abs=0.02)
    assert (draws > 0.8).mean(axis=0) == pytest.approx(found.above, abs=0.02)


def test_draws_of_a_variable_with_nodes_of_its_own_are_those_of_its_own_nodes():
    # one of large panels, which the shared nodes do not suit, beside small ones; the margin cuts through it
    large = [Counts(TRIANGLE, 20_000, 9_200), Counts(TRIANGLE, 20_000, 9_240)]
    own = learning.Shelf(gathered([large, *FEW]))
    learned = learning.learn(own)
    assert 0 in own.singles
    margin = batch.Asked(ASKED.priors, 1.26, ASKED.test)
    found, draws = learning.shrunken(own, learned, margin), learning.draw_averages(own, learned, hyper=256, each=16)
    assert (draws > 1.26).mean(axis=0) == pytest.approx(found.above, abs=0.03)
    below = [(draws[:, 0] < value).mean() for value in found.average[0, [0, 5, 10, 15, 20]]]
    assert below == pytest.approx(batch.MARKS[[0, 5, 10, 15, 20]], abs=0.015)


def simulated(rng, size, shares, centre, spread):
    """A shelf with these true shares, of triangles of 15 to 40 in two to four panels, and its explanations."""
    kinds = rng.choice(3, size, p=shares)
    panels = []
    for kind in kinds:
        mu = abs(rng.normal(0, centre)) if kind else 0.0
        tau = abs(rng.normal(0, spread)) if kind == 2 else 0.0
        sizes = rng.integers(15, 41, rng.integers(2, 5))
        panels.append(
            [
                Counts(TRIANGLE, int(n), int(rng.binomial(n, TRIANGLE.p_correct(abs(rng.normal(mu, tau))))))
                for n in sizes
            ]
        )
    return gathered(panels), kinds


def test_a_large_shelf_gives_its_shares_and_scales_back():
    variables, _ = simulated(np.random.default_rng(2), 600, (0.5, 0.2, 0.3), 1.2, 0.4)
    learned = learning.learn(learning.Shelf(variables))
    low, _, high = learned.share_ranges().T
    assert ((low < [0.5, 0.2, 0.3]) & (high > [0.5, 0.2, 0.3])).all()
    assert learned.shares[0] == pytest.approx(0.5, abs=0.12)
    low, _, high = learned.scale_ranges().T
    assert ((low < [1.2, 0.4]) & (high > [1.2, 0.4])).all()
    assert np.all(high - low < [0.8, 0.8])


@pytest.mark.slow
def test_a_very_large_shelf_is_learned_and_is_right():
    variables, kinds = simulated(np.random.default_rng(5), 3000, (0.5, 0.2, 0.3), 1.2, 0.4)
    learned = learning.learn(learning.Shelf(variables))
    low, _, high = learned.share_ranges().T
    true = np.bincount(kinds, minlength=3) / len(kinds)
    assert ((low < true) & (true < high)).all() and (high - low < 0.35).all()
    assert learned.error < 1e-3


def test_a_spread_that_is_nowhere_needs_no_nodes_of_its_own():
    rng = np.random.default_rng(3)
    panels = [[Counts(TRIANGLE, 40, int(x)) for x in rng.binomial(40, 0.55, 3)] for _ in range(80)]
    laid = learning.Shelf(gathered(panels))
    learned = learning.learn(laid)
    assert not laid.singles
    assert learned.evidences.scales.spread[0] > learning.NARROWEST["spread_scale"]
    assert learned.shares[0] < 0.1


def test_a_shelf_of_strong_differences_leaves_nothing_to_nothing():
    learned = learning.learn(learning.Shelf(gathered([[Counts(TRIANGLE, 36, 30), Counts(TRIANGLE, 36, 29)]] * 12)))
    assert learned.explanations[0][:, 0].max() < 1e-6
    assert learned.shares[0] < 0.15
