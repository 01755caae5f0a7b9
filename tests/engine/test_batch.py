"""Many variables at once, against each pooled by `grid`: another set of nodes, found for that pool alone."""

import numpy as np
import pytest
from scipy.stats import binom

from metasense.engine import batch
from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, TwoCounts
from metasense.engine.priors import Priors
from metasense.protocols import PROTOCOLS, Protocol, protocol

TRIANGLE = protocol("triangle")
ASKED = batch.Asked(Priors(), 0.8, TRIANGLE)


def gathered(panels):
    """Variables from lists of panels."""
    distinct = list(dict.fromkeys(e for one in panels for e in one))
    return batch.Variables(tuple(distinct), tuple(np.array([distinct.index(e) for e in one]) for one in panels))


def one_panel(rng, names):
    """A panel of any protocol, of tasters who answer once or several times."""
    test = protocol(rng.choice(names))
    n = int(rng.integers(8, 61))
    if not isinstance(test, Protocol):
        return TwoCounts(test, n, int(rng.integers(0, n + 1)), n, int(rng.integers(0, n // 2)))
    theta = rng.normal(rng.uniform(0, 2), 0.4)
    x = int(rng.binomial(n, test.p_correct(theta if test.directed else abs(theta))))
    return Counts(test, n, x)


def random_variables(seed, size, names):
    rng = np.random.default_rng(seed)
    return gathered([[one_panel(rng, names) for _ in range(rng.integers(1, 7))] for _ in range(size)])


def compare(variables, asked=ASKED, *, spread=0.04, rate=0.006):
    """All numbers against those of each variable alone, quantiles in standard deviations."""
    found = batch.pool_many(variables, asked)
    assert not found.singly.any()
    for i in range(len(variables)):
        alone = batch.pool_singly(variables.some([i]), asked)
        assert found.log_evidence[i] == pytest.approx(alone.log_evidence[0], abs=2e-5)
        for name, most in (("average", 1e-3), ("following", 1e-3), ("spread", spread), ("rate", rate)):
            here, there = getattr(found, name)[i], getattr(alone, name)[0]
            sd = (there[-1] - there[0]) / 3.92
            assert np.abs(here - there).max() < most * sd, (i, name)
        assert found.above[i] == pytest.approx(alone.above[0], abs=2e-5)
        assert found.way[i] == pytest.approx(alone.way[0], abs=1e-6, nan_ok=True)
        assert found.corners[i] == pytest.approx(alone.corners[0], abs=1e-3, nan_ok=True)


UNDIRECTED = [name for name in PROTOCOLS if not protocol(name).directed and isinstance(protocol(name), Protocol)]
FORCED = [name for name in PROTOCOLS if isinstance(protocol(name), Protocol)]


@pytest.mark.parametrize("seed", [1, 2])
def test_variables_of_undirected_protocols_agree_with_the_grid(seed):
    compare(random_variables(seed, 12, UNDIRECTED))


def test_variables_with_a_direction_agree_with_the_grid():
    compare(random_variables(3, 12, FORCED))


@pytest.mark.lab
def test_variables_of_two_counts_agree_with_the_grid():
    compare(random_variables(4, 5, ["A-not-A", "same-different", "triangle"]))


def test_variables_whose_tasters_repeated_agree_with_the_grid():
    some = Repeats(TRIANGLE, ((1, 1, 6), (1, 0, 8), (2, 2, 3), (2, 1, 2), (3, 0, 1)))
    total = RepeatedTotal(protocol("tetrad"), 12, 30, 17)
    compare(gathered([[some, Counts(TRIANGLE, 24, 9)], [total, some], [Counts(TRIANGLE, 30, 14)]]))


def test_all_correct_panels_and_panels_at_chance_agree_with_the_grid():
    tetrad = protocol("tetrad")
    compare(
        gathered([[Counts(tetrad, 20, 20)] * 3, [Counts(TRIANGLE, 48, 16)] * 3, [Counts(TRIANGLE, 1, 1)]]), rate=0.03
    )


def test_other_priors_are_used():
    compare(random_variables(5, 6, UNDIRECTED), batch.Asked(Priors(0.6, 0.2), 0.5, protocol("tetrad")))


def test_scales_too_wide_for_the_engine_are_left_out_of_the_comparison():
    found = batch.pool_many(random_variables(6, 2, UNDIRECTED), batch.Asked(Priors(2.0, 0.5), 0.5, TRIANGLE))
    assert np.isnan(found.corners[:, 2:]).all() and np.isfinite(found.corners[:, :2]).all()


def test_a_variable_that_the_nodes_do_not_suit_is_pooled_singly():
    # 5000 tetrads a panel: the likelihood is far narrower than the nodes stand apart
    large = [Counts(protocol("tetrad"), 5000, x) for x in (2475, 2500, 2460, 2490)]
    variables = gathered([[Counts(TRIANGLE, 24, 9)], large, [Counts(TRIANGLE, 24, 12)]])
    found = batch.pool_many(variables, ASKED)
    assert found.singly.tolist() == [False, True, False]
    evidences = integrate(tuple(large), np.ones(4), Priors())[1]
    assert found.log_evidence[1] == pytest.approx([evidences.none, evidences.same, evidences.varying], abs=1e-12)


def test_the_order_of_variables_and_panels_changes_nothing():
    variables = random_variables(7, 6, FORCED)
    turned = batch.Variables(variables.evidence, tuple(m[::-1] for m in variables.members[::-1]))
    found, again = batch.pool_many(variables, ASKED), batch.pool_many(turned, ASKED)
    assert found.average == pytest.approx(again.average[::-1], abs=1e-9)
    assert found.log_evidence == pytest.approx(again.log_evidence[::-1], abs=1e-9)


def test_chunks_hold_every_variable_once_and_only_one_kind():
    variables = random_variables(8, 20, FORCED)
    chunks = list(variables.chunks())
    assert sorted(np.concatenate(chunks).tolist()) == list(range(20))
    assert all(len(set(variables.kinds()[which].tolist())) == 1 for which in chunks)


def test_what_is_told_counts_the_variables_up_to_the_last():
    said = []
    batch.pool_many(random_variables(9, 5, FORCED), ASKED, told=said.append)
    assert said[-1] == 5 and said == sorted(said)


def test_without_a_margin_nothing_is_above_it():
    found = batch.pool_many(random_variables(10, 2, UNDIRECTED), batch.Asked(Priors(), None, TRIANGLE))
    assert np.isnan(found.above).all() and np.isnan(found.corners[:, :, 1]).all()


def test_a_panel_that_was_not_written_down_had_fewer_right_than_the_critical_number():
    # 12 triangles need 8 right at 5 % (ISO 4120, table A.1, from memory): people who guess reach that in .0188
    unseen = batch.Unseen(TRIANGLE, 12, 8)
    theta = np.array([0.0, 1.0, 2.5])
    fewer = binom.pmf(np.arange(8)[:, None], 12, TRIANGLE.p_correct(theta)).sum(axis=0)
    assert np.exp(unseen.log_likelihood(theta)) == pytest.approx(fewer, rel=1e-9)
    assert fewer[0] == pytest.approx(1 - 0.0188, abs=5e-5)
    assert unseen.size == 12 and not unseen.repeated
