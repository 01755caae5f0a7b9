"""Two counts of yes: Fisher's test and the profile of a d-prime, against SciPy and direct search."""

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import binom, chi2, fisher_exact, hypergeom, norm

from metasense.alone.yes_no import binomial_chances, fisher, profile_d_prime, tables_with
from metasense.protocols import protocol


@pytest.mark.parametrize("p", [0.0, 0.3, 1.0])
def test_chances_of_every_count_are_binomial(p):
    assert binomial_chances(12, p) == pytest.approx(binom.pmf(np.arange(13), 12, p), abs=1e-14)


@pytest.mark.parametrize(("signal", "noise", "yes"), [(20, 30, 12), (5, 40, 30), (40, 5, 30), (7, 7, 14), (6, 9, 0)])
def test_tables_with_one_total_are_hypergeometric(signal, noise, yes):
    hits, log = tables_with(signal, noise, yes)
    assert (hits[0], hits[-1]) == (max(0, yes - noise), min(signal, yes))
    chance = np.exp(log - log.max())
    assert chance / chance.sum() == pytest.approx(hypergeom.pmf(hits, signal + noise, signal, yes))


def test_of_very_large_tables_what_no_number_can_say_is_left_out():
    hits, log = tables_with(1_000_000, 1_000_000, 1_000_000)
    # 40 times sqrt(10^6 / 4) and 400 either side of the middle
    assert (hits[0], hits[-1]) == (500_000 - 20_400, 500_000 + 20_400)
    assert log.argmax() == 20_400 and log[0] - log.max() < -745


def test_every_one_sided_p_is_fishers():
    found = fisher(9, 13, np.array([0, 4, 15, 22]))
    assert found.shape == (4, 10)
    for row, yes in zip(found, (0, 4, 15, 22), strict=True):
        for hits in range(10):
            alarms = yes - hits
            if 0 <= alarms <= 13:
                table = [[hits, 9 - hits], [alarms, 13 - alarms]]
                assert row[hits] == pytest.approx(fisher_exact(table, alternative="greater").pvalue)


def likelihood_at(d, signal, hits, noise, alarms):
    """Highest over the criterion of A-not-A: yes where a percept is above it."""

    def lost(c):
        p = np.clip(norm.sf(np.array([c - d, c])), 1e-300, 1 - 1e-16)
        return -(hits * np.log(p[0]) + (signal - hits) * np.log1p(-p[0])) - (
            alarms * np.log(p[1]) + (noise - alarms) * np.log1p(-p[1])
        )

    return -minimize_scalar(lost, bounds=(-6, 8), method="bounded", options={"xatol": 1e-9}).fun


@pytest.mark.parametrize("prob", [0.95, 0.8])
def test_the_profile_ends_where_the_likelihood_has_fallen_by_the_quantile_of_chi_square(prob):
    counts = (20, 14, 24, 8)
    peak = norm.ppf(14 / 20) - norm.ppf(8 / 24)
    cut = likelihood_at(peak, *counts) - chi2.ppf(prob, 1) / 2
    expected = [
        brentq(lambda d: likelihood_at(d, *counts) - cut, *ends) for ends in ((peak - 3, peak), (peak, peak + 3))
    ]
    assert profile_d_prime(protocol("A-not-A"), counts, prob) == pytest.approx(expected, abs=1e-5)


def test_what_the_counts_do_not_bound_has_no_end():
    low, high = profile_d_prime(protocol("A-not-A"), (20, 20, 20, 0), 0.95)
    assert high == np.inf and 1 < low < 4
    low, high = profile_d_prime(protocol("A-not-A"), (20, 0, 20, 20), 0.95)
    assert low == -np.inf and -4 < high < -1


def test_alike_products_of_no_direction_begin_at_zero():
    low, high = profile_d_prime(protocol("same-different"), (20, 9, 20, 9), 0.95)
    assert low == 0 and 0.5 < high < 4
    low, high = profile_d_prime(protocol("same-different"), (40, 36, 40, 4), 0.95)
    assert 0 < low < high
