"""One d-prime for all panels, against plain quadrature by SciPy."""

import numpy as np
import pytest
from scipy import integrate as quadrature
from scipy import stats

from metasense.engine.common import Common, prior_average
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.protocols import protocol

TRIANGLES = [Counts(protocol("triangle"), 30, 14), Counts(protocol("triangle"), 24, 11)]
PAIRED = [Counts(protocol("2-AFC"), 20, 12), Counts(protocol("triangle"), 24, 9)]

REVERSED = [Counts(protocol("2-AFC"), 40, 8)]  # all of its d-primes lie below 0


def likelihood(evidence, copies, theta):
    chance = 1.0
    for e, n in zip(evidence, copies, strict=True):
        p = float(e.protocol.p_correct(theta if e.protocol.directed else abs(theta)))
        chance *= stats.binom.pmf(e.correct, e.tastings, p) ** n
    return chance


@pytest.mark.parametrize(("evidence", "copies"), [(TRIANGLES, [1, 2]), (PAIRED, [2, 1]), (REVERSED, [1])])
def test_evidence_and_quantiles_are_those_of_quadrature(evidence, copies):
    priors = Priors(1.2, 0.5)
    directed = evidence is not TRIANGLES
    prior = stats.norm(scale=1.2) if directed else stats.halfnorm(scale=1.2)
    common = Common(evidence, copies, priors)
    assert common.directed == directed and (common.theta[0] < 0) == directed

    def density(theta):
        return likelihood(evidence, copies, theta) * prior.pdf(theta)

    def within(low, high):
        return quadrature.quad(density, low, high, epsabs=1e-16, epsrel=1e-9, limit=200)[0]

    total = within(-6 if directed else 0, 0) + within(0, 6) if directed else within(0, 6)
    assert common.log_evidence(priors) == pytest.approx(np.log(total), abs=1e-6)
    wider = Priors(2.4, 0.5)
    shift = common.log_evidence(wider)
    prior = stats.norm(scale=2.4) if directed else stats.halfnorm(scale=2.4)
    again = (within(-6, 0) if directed else 0.0) + within(0, 6)
    assert shift == pytest.approx(np.log(again), abs=1e-6)
    prior = stats.norm(scale=1.2) if directed else stats.halfnorm(scale=1.2)
    for size in (0.5, 1.0, 1.5):
        inside = (within(-size, 0) if directed else 0.0) + within(0, size)
        assert common.size.below(size) == pytest.approx(inside / total, abs=1e-6)
    assert common.weight.sum() == pytest.approx(1)
    mean = float((common.weight @ common.theta).sum())
    positive = quadrature.quad(lambda t: t * density(t), 0, 6, epsabs=1e-16)[0]
    negative = quadrature.quad(lambda t: t * density(t), -6, 0, epsabs=1e-16)[0] if directed else 0.0
    assert mean == pytest.approx((positive + negative) / total, abs=1e-4)


def test_before_any_panel_the_average_d_prime_is_that_of_the_priors():
    # |theta| of theta ~ Normal(mu, tau), mu and tau half-normal: its mean by quadrature over the ray tau / mu
    rng = np.random.default_rng(1)
    mu, tau = np.abs(rng.normal(0, 1.5, 200_000)), np.abs(rng.normal(0, 0.5, 200_000))
    drawn = stats.foldnorm.mean(mu / tau, scale=tau)
    found = prior_average(Priors())
    assert found.mean == pytest.approx(drawn.mean(), abs=4 * drawn.std() / np.sqrt(200_000))
    assert found.interval() == pytest.approx(np.quantile(drawn, [0.025, 0.975]), abs=0.03)
    directed = prior_average(Priors(), directed=True)
    assert directed.mean == pytest.approx(found.mean, abs=1e-4)  # the size of it, whichever way
