"""Only in some panels: against plain sums over centre, spread and share, which share no code with the engine."""

import numpy as np
import pytest
from scipy import stats
from scipy.interpolate import CubicSpline

from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, Repeats
from metasense.engine.plane import Plane
from metasense.engine.priors import Priors
from metasense.engine.thinned import weigh_some
from metasense.protocols import protocol

TRIANGLE, TETRAD, MORE = (protocol(name) for name in ("triangle", "tetrad", "2-AFC"))
POOLS = {
    "three": ([Counts(TRIANGLE, 24, 8), Counts(TRIANGLE, 30, 20), Counts(TETRAD, 24, 9)], [1, 1, 1]),
    "copies": ([Counts(TRIANGLE, 20, 6), Counts(TRIANGLE, 20, 14)], [3, 2]),
    "one": ([Counts(TRIANGLE, 24, 12)], [1]),
    "all right": ([Counts(TRIANGLE, 10, 10), Counts(TRIANGLE, 12, 4)], [1, 1]),
    "directed": ([Counts(MORE, 24, 12), Counts(MORE, 30, 24), Counts(TRIANGLE, 20, 5)], [1, 1, 1]),
    "against": ([Counts(MORE, 20, 5), Counts(MORE, 20, 10)], [1, 1]),
}


def integrate_some(evidence, copies, priors, nothing=None):
    """As a pool does it."""
    plane = Plane(evidence, integrate(evidence, copies, priors)[0])
    return weigh_some(plane, copies, priors, nothing)


def plain_sums(evidence, copies, priors, points=(0.2, 0.5, 1.0)):
    """Evidence, mean and probabilities of the average, and each panel's probability of nothing, by plain sums."""
    directed = any(e.protocol.directed for e in evidence)
    mu = np.linspace(-9 if directed else 0, 9, 721 if directed else 361)
    s, weight_s = np.polynomial.legendre.leggauss(80)
    s = (s + 1) / 2 * np.sqrt(3.5)
    tau = s**2  # closer together near 0
    z, weight_z = np.polynomial.hermite_e.hermegauss(121)
    weight_z = weight_z / weight_z.sum()
    theta = mu[:, None, None] + tau[None, :, None] * z
    volume = np.full(len(mu), mu[1] - mu[0])
    volume[[0, -1]] /= 2
    prior = volume[:, None] * stats.norm.pdf(mu, scale=priors.centre_scale)[:, None] * (1 if directed else 2)
    prior = prior * weight_s / 2 * np.sqrt(3.5) * 2 * s * 2 * stats.norm.pdf(tau, scale=priors.spread_scale)
    own, zero = [], []
    for e in evidence:
        signed = directed and e.protocol.directed
        fine = np.linspace(-40.0 if signed else 0.0, 40.0, 16_001 if signed else 8_001)
        chance = np.clip(e.protocol.p_correct(fine), 1e-300, 1 - 1e-16)
        likely = CubicSpline(fine, stats.binom.pmf(e.correct, e.tastings, chance))
        own.append(likely(theta if signed else np.abs(theta)) @ weight_z)
        zero.append(stats.binom.pmf(e.correct, e.tastings, e.protocol.guess))
    size = tau * np.sqrt(2 / np.pi) * np.exp(-0.5 * (mu[:, None] / tau) ** 2) + mu[:, None] * (
        1 - 2 * stats.norm.cdf(-mu[:, None] / tau)
    )

    def integral(low):
        """Of likelihood and more over the shares from `low` to 1, at every centre and spread."""
        x, w = np.polynomial.legendre.leggauss(12)
        total, first, absent = 0.0, 0.0, np.zeros((len(evidence), *size.shape))
        for node, chance in zip(x, w, strict=True):
            q = low + (1 - low) * (node + 1) / 2
            each = [q * none + (1 - q) * some for none, some in zip(zero, own, strict=True)]
            likely = np.prod([one**n for one, n in zip(each, copies, strict=True)], axis=0) * chance / 2 * (1 - low)
            total, first = total + likely, first + likely * (1 - q)
            absent += [likely * q * none / one for none, one in zip(zero, each, strict=True)]
        return total, first, absent

    total, first, absent = integral(0.0)
    evidence_ = (total * prior).sum()
    below = {x: (integral(np.clip(1 - x / size, 0, 1))[0] * prior).sum() / evidence_ for x in points}
    return np.log(evidence_), (first * size * prior).sum() / evidence_, below, (absent * prior).sum((1, 2)) / evidence_


@pytest.mark.parametrize("name", POOLS)
def test_evidence_average_and_panels_are_those_of_plain_sums(name):
    evidence, copies = POOLS[name]
    found = integrate_some(evidence, copies, Priors())
    log_evidence, mean, below, absent = plain_sums(evidence, copies, Priors())
    assert found.log_evidence == pytest.approx(log_evidence, abs=1e-5)
    assert found.average.mean == pytest.approx(mean, abs=1e-4)
    assert found.panels_nothing == pytest.approx(absent, abs=1e-4)
    for x, chance in below.items():
        assert found.average.below(x) == pytest.approx(chance, abs=4e-4)


def test_a_stated_share_near_none_is_the_plain_pool_and_near_all_is_nothing():
    evidence, copies = POOLS["three"]
    plain, evidences = integrate(evidence, copies, Priors())
    least = integrate_some(evidence, copies, Priors(), 1e-9)
    assert least.log_evidence == pytest.approx(evidences.varying, abs=1e-6)
    assert least.average.quantile([0.1, 0.5, 0.9]) == pytest.approx(plain.average.quantile([0.1, 0.5, 0.9]), abs=1e-4)
    assert least.panels()[1].median == pytest.approx(plain.panels()[1].median, abs=1e-3)
    most = integrate_some(evidence, copies, Priors(), 1 - 1e-9)
    assert most.log_evidence == pytest.approx(evidences.none, abs=1e-5)
    assert most.average.below(1e-6) > 0.99


def test_the_share_of_one_panel_without_a_word_stays_as_it_was():
    found = integrate_some([Counts(TRIANGLE, 0, 0)], [1], Priors())
    assert found.nothing.quantile([0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9], abs=1e-6)
    assert found.next_nothing == pytest.approx(0.5)
    assert found.panels_nothing == pytest.approx([0.5])


def test_a_curve_of_shares_has_no_comb():
    evidence = [Counts(TETRAD, 400, 250), Counts(TETRAD, 400, 252), Counts(TETRAD, 400, 133), Counts(TETRAD, 400, 134)]
    average = integrate_some(evidence, [1] * 4, Priors()).average
    density = np.diff(average.cdf) / np.diff(average.x)
    rising = np.diff(density[density > 1e-3 * density.max()])
    turns = np.count_nonzero(np.diff(np.sign(rising[np.abs(rising) > 1e-4 * density.max()])))
    assert turns <= 1  # up, then down


def test_many_panels_take_more_shares():
    some = integrate_some([Counts(TRIANGLE, 12, 4), Counts(TRIANGLE, 12, 10)], [30, 30], Priors())
    assert len(some.shares) == 33
    assert some.nothing.mean == pytest.approx(0.5, abs=0.06)


def test_of_a_directed_pool_the_next_panel_has_a_sign_and_an_exact_zero():
    evidence, copies = POOLS["directed"]
    found = integrate_some(evidence, copies, Priors())
    signed = found.next_theta
    before, after = signed.below(-1e-12), signed.below(0.0)
    assert after - before == pytest.approx(found.next_nothing, abs=1e-9)
    assert found.next_d_prime.below(0.0) == pytest.approx(found.next_nothing, abs=1e-9)
    rate = found.next_rate(MORE)
    assert rate.below(0.5 + 1e-9) - rate.below(0.5 - 1e-9) == pytest.approx(found.next_nothing, abs=1e-6)
    assert signed.mean == pytest.approx((1 - found.next_nothing) * float(np.dot(*_continuous(signed))), abs=1e-3)


def _continuous(signed):
    """Middles and shares of a distribution without its jump at 0, the shares adding up to 1."""
    shares, middles = np.diff(signed.cdf), (signed.x[1:] + signed.x[:-1]) / 2
    jump = int(np.argmax(np.where(np.diff(signed.x) < 1e-12, shares, 0)))
    shares[jump] = 0
    return middles, shares / shares.sum()


def test_repeat_tasters_enter_with_their_overdispersion():
    people = Repeats(TRIANGLE, ((4, 4, 3), (4, 1, 5)))
    found = integrate_some([people, Counts(TRIANGLE, 24, 8)], [1, 1], Priors())
    least = integrate_some([people, Counts(TRIANGLE, 24, 8)], [1, 1], Priors(), 1e-9)
    plain = integrate([people, Counts(TRIANGLE, 24, 8)], [1, 1], Priors())[1]
    assert least.log_evidence == pytest.approx(plain.varying, abs=1e-6)
    assert 0 < found.panels_nothing[0] < found.panels_nothing[1] < 1


def test_a_share_that_is_stated_is_the_share_and_of_the_next_panel_too():
    found = integrate_some(*POOLS["copies"], Priors(), 0.3)
    assert found.nothing.quantile([0.05, 0.5, 0.95]) == pytest.approx([0.3, 0.3, 0.3])
    assert found.nothing.mean == found.next_nothing == 0.3
