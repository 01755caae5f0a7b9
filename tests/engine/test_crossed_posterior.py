"""The posterior of pools whose panels share people, against plain sums."""

import numpy as np
import pytest
from engine.test_crossed import Sums, sitters

from metasense.engine import crossed_posterior, grid
from metasense.engine.common import Common
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.protocols import forced_choice

TRIANGLE = forced_choice("triangle")


def pooled(found, chains=256, seed=1):
    """The pool of these panels, and that as if everybody were new in every panel."""
    copies = np.ones(len(found.whole))
    today, evidences = grid.integrate(found.whole, copies, Priors())
    which = np.arange(len(found.whole))
    crossed = crossed_posterior.integrate(found, found.whole, copies, which, Priors(), today, seed=seed, chains=chains)
    return crossed, today, evidences


CASES = {
    "two triangles": ([[1, 1], [1, 1], [0, 0], [0, 1]], 1, ["triangle"] * 2, 1.0),
    "two duo-trios": ([[1, 1], [1, 0], [0, 0], [1, 1], [1, 1]], 1, ["duo-trio"] * 2, 1.0),
    "two tetrads": ([[1, 1], [1, 1], [0, 0], [1, 1], [0, 0], [1, 1]], 1, ["tetrad"] * 2, 1.0),
    "two 2-AFC": ([[1, 1], [1, 1], [0, 1], [1, 0], [0, 0], [1, 1]], 1, ["2-AFC"] * 2, 1.0),
    "a triangle and a 2-AFC, thrice": ([[3, 3], [0, 1], [2, 2]], 3, ["triangle", "2-AFC"], 1.0),
    "a tetrad and a duo-trio, twice": ([[2, 2], [0, 1], [1, 2], [2, 2]], 2, ["tetrad", "duo-trio"], 1.0),
    "half kept, two triangles": ([[1, 1], [1, 1], [0, 0], [0, 1]], 1, ["triangle"] * 2, 0.5),
    "half kept, duo-trios of four": ([[4, 4], [2, 1], [1, 3]], 4, ["duo-trio"] * 2, 0.5),
    "half kept, three triangles": ([[1, 1, 1], [1, 1, 0], [0, 0, 0], [0, 1, 0], [1, 1, 1]], 1, ["triangle"] * 3, 0.5),
    "three tetrads, twice": ([[2, 2, 1], [0, 0, 1], [2, 1, 2]], 2, ["tetrad"] * 3, 1.0),
    "three triangles": ([[1, 1, 1], [1, 1, 1], [0, 0, 1], [0, 0, 0]], 1, ["triangle"] * 3, 1.0),
    "nothing kept, triangles of three": ([[3, 3], [0, 1], [1, 1], [3, 2]], 3, ["triangle"] * 2, 0.0),
}


def compare(name, chains, allowed):
    correct, each, protocols, rho = CASES[name]
    answers = np.full_like(np.asarray(correct), each)
    x, cdf, mean, sd = Sums(correct, answers, protocols, rho).average()
    found, _, _ = pooled(sitters(correct, answers, protocols, rho), chains)
    average = found.posterior.average
    assert found.apart < crossed_posterior.APART
    assert average.mean == pytest.approx(mean, abs=allowed * sd)
    for level in (0.025, 0.5, 0.975):
        # a quantile's own Monte Carlo error grows where the density is low
        expected = np.interp(level, cdf, x)
        assert float(average.quantile(level)) == pytest.approx(expected, abs=(2 if level == 0.5 else 4) * allowed * sd)


@pytest.mark.parametrize(
    "name", ["two triangles", pytest.param("a triangle and a 2-AFC, thrice", marks=pytest.mark.lab)]
)
def test_the_answer_is_that_of_plain_sums(name):
    compare(name, chains=512, allowed=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_the_answer_is_that_of_plain_sums_within_a_hundredth_of_its_sd(name):
    compare(name, chains=8192, allowed=0.01)


def test_the_evidence_of_one_d_prime_and_of_nothing_where_nobody_keeps_a_rank_is_todays():
    found = sitters([[3, 3], [0, 1], [1, 1], [3, 2]], np.full((4, 2), 3), rho=0.0)
    crossed, _, evidences = pooled(found)
    assert crossed.evidences.none == pytest.approx(evidences.none, abs=1e-9)
    assert crossed.evidences.same == pytest.approx(evidences.same, abs=2e-3)
    assert crossed.evidences.varying == pytest.approx(evidences.varying, abs=4 * crossed.evidences.error + 2e-3)
    common = Common(found.whole, np.ones(2), Priors())
    assert crossed.common.size.mean == pytest.approx(common.size.mean, abs=2e-3)


def test_it_is_the_same_again_with_the_same_seed_and_within_its_error_with_another():
    found = sitters([[1, 1, 1], [1, 1, 0], [0, 0, 0], [0, 1, 0], [1, 1, 1]])
    first, again, other = pooled(found)[0], pooled(found)[0], pooled(found, seed=2)[0]
    assert np.array_equal(first.posterior.average.cdf, again.posterior.average.cdf)
    apart = abs(first.posterior.average.mean - other.posterior.average.mean)
    assert apart < 4 * np.hypot(first.error, other.error)
    assert abs(first.evidences.varying - other.evidences.varying) < 4 * np.hypot(
        first.evidences.error, other.evidences.error
    )


def test_panels_of_others_and_people_who_came_once_enter_as_ever():
    """One person in common who keeps no rank: today's pool of all panels."""
    answers, correct = np.array([[1, 1]]), np.array([[1, 0]])
    own = (Counts(TRIANGLE, 30, 16), Counts(TRIANGLE, 25, 11))
    whole = (Counts(TRIANGLE, 31, 17), Counts(TRIANGLE, 26, 11))
    others = (Counts(TRIANGLE, 40, 22),)
    found = crossed_posterior.Sitters(
        (TRIANGLE, TRIANGLE), answers, correct, np.array([1]), own, whole, others, np.array([2.0]), 0.0
    )
    evidence, copies = [*whole, *others], np.array([1.0, 1.0, 2.0])
    today, evidences = grid.integrate(evidence, copies, Priors())
    crossed = crossed_posterior.integrate(found, evidence, copies, np.array([0, 1]), Priors(), today, chains=128)
    assert crossed.posterior.average.mean == pytest.approx(today.average.mean, abs=0.05 * today.average.sd)
    assert crossed.evidences.varying == pytest.approx(evidences.varying, abs=0.05)
    panels, before = crossed.posterior.panels(), today.panels()
    for ours, todays in zip(panels, before, strict=True):
        assert ours.median == pytest.approx(todays.median, abs=0.1 * todays.sd)
        assert ours.sd == pytest.approx(todays.sd, rel=0.05)


def test_sittings_of_one_person_do_not_tell_more_than_that_person_can():
    few, many = (pooled(sitters([[1] * k]), chains=128)[0].posterior.average for k in (2, 12))
    low, high = many.interval()
    assert high - low > 0.7 * np.diff(few.interval())[0]
    independent = grid.integrate([Counts(TRIANGLE, 1, 1)], [12], Priors())[0].average
    assert low < independent.interval()[0]


def test_the_pool_worked_out_again_on_its_draws_is_the_pool():
    found = sitters((np.random.default_rng(2).random((10, 4)) < 0.6).astype(int))
    crossed, _, _ = pooled(found)
    again = crossed.plane.weigh(np.ones(4), Priors())
    assert again.log_evidence == pytest.approx(crossed.evidences.varying, abs=1e-3)
    assert again.average.mean == pytest.approx(crossed.posterior.average.mean, abs=0.02 * again.average.sd)


def test_chains_that_have_not_come_to_agree_are_told():
    means = np.random.default_rng(1).normal(1.0, 0.1, (4, 200))
    assert crossed_posterior._apart(means) < crossed_posterior.APART
    means[:, :100] += 0.1
    assert crossed_posterior._apart(means) > crossed_posterior.APART
