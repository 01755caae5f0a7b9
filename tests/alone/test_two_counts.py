"""One panel of two counts: Fisher's and Pearson's tests of SciPy, and the words of either protocol."""

import numpy as np
import pytest
from scipy import stats

from metasense.alone.single import one_panel
from metasense.alone.yes_no import binomial_chances, fisher, tables_with
from metasense.margins import Margin

COUNTS = {"signal": 20, "hits": 14, "noise": 18, "false_alarms": 6}
LEARNED = one_panel("A-not-A", **COUNTS, margin=Margin(d_prime=0.5), name="Cellar")
ALIKE = one_panel("same-different", **COUNTS)


def test_p_values_and_chi_square_are_those_of_scipy():
    table = [[14, 6], [6, 12]]
    assert LEARNED.p_value == pytest.approx(stats.fisher_exact(table, alternative="greater").pvalue)
    chi = stats.chi2_contingency(table, correction=False)
    assert LEARNED.chi_square == pytest.approx(chi.statistic)
    frame = LEARNED.to_frame()
    rows = frame.set_index(["quantity", "basis"])["estimate"]
    assert rows["p_value", "chi-square, two-sided"] == pytest.approx(chi.pvalue)
    assert np.isnan(one_panel("A-not-A", signal=20, hits=0, noise=20, false_alarms=0).chi_square)
    assert LEARNED.counts == (20, 14, 18, 6)


def test_d_prime_and_criterion_of_a_not_a_are_normal_quantiles():
    # Green and Swets (1966): d' = z(hits) - z(false alarms), the criterion at -z(false alarms) from the noise
    z = stats.norm.ppf
    assert LEARNED.d_prime == pytest.approx(z(14 / 20) - z(6 / 18), abs=1e-6)
    assert LEARNED.criterion == pytest.approx(-z(6 / 18), abs=1e-6)
    assert np.isinf(one_panel("A-not-A", signal=20, hits=20, noise=20, false_alarms=0).d_prime)


def test_tables_with_so_many_yes_are_hypergeometric():
    hits, log = tables_with(20, 18, 20)
    chance = np.exp(log - log.max())
    expected = stats.hypergeom.pmf(hits, 38, 20, 20)
    assert chance / chance.sum() == pytest.approx(expected, abs=1e-12)
    assert (hits[0], hits[-1]) == (2, 20)  # at least 20 - 18, at most 20
    assert binomial_chances(5, 0.3) == pytest.approx(stats.binom.pmf(np.arange(6), 5, 0.3))
    every = fisher(20, 18, np.array([20, 0, 38]))
    assert every[0, 2:] == pytest.approx(stats.hypergeom.sf(np.arange(2, 21) - 1, 38, 20, 20), abs=1e-12)
    assert every[1, 0] == 1 and every[2, 20] == 1


def test_each_protocol_has_its_words():
    assert LEARNED._counted() == (
        "Cellar: A-not-A, answered 'A' in 14 of 20 tastings that were and in 6 of 18 that were not"
    )
    assert ALIKE._counted().startswith("same-different, answered 'different' in 14 of 20")
    assert LEARNED._seen() == "in Cellar tasters said 'A' of 14 of 20 cups that were so and of 6 of 18 that were not"
    assert ALIKE._seen() == "tasters said 'different' of 14 of 20 pairs that were so and of 6 of 18 that were not"
    assert LEARNED._by_luck() == "Luck does as well in 3 % of panels."


def test_the_criterion_is_said_where_it_is_known_and_power_where_there_is_a_margin():
    assert f"the tasters' criterion seems to have been at {LEARNED.criterion:.2f}." in LEARNED._opening()[2]
    extreme = one_panel("A-not-A", signal=20, hits=20, noise=20, false_alarms=20)
    assert "criterion" not in extreme._opening()[2] and not np.isfinite(extreme.criterion)
    assert LEARNED._closing()[0].endswith(f"a p of 0.05 in {100 * LEARNED.power_at_margin:.0f} % of cases.")
    assert ALIKE.power_at_margin is None and len(ALIKE._closing()) == 1 and len(LEARNED._closing()) == 2
    assert "power" not in ALIKE.to_frame()["quantity"].tolist()
    many = one_panel("A-not-A", signal=4000, hits=2000, noise=4000, false_alarms=1900, margin=Margin(d_prime=0.5))
    assert many.power_at_margin is None


def test_power_at_the_margin_is_the_chance_of_the_tables_that_reach_alpha():
    _, criterion = LEARNED.protocol.estimate(*LEARNED.counts, add_half=True)
    hit, alarm = stats.norm.sf(criterion - 0.5), stats.norm.sf(criterion)
    power = 0.0
    for hits in range(21):
        for alarms in range(19):
            if stats.hypergeom.sf(hits - 1, 38, 20, hits + alarms) <= 0.05:
                power += stats.binom.pmf(hits, 20, hit) * stats.binom.pmf(alarms, 18, alarm)
    assert LEARNED.power_at_margin == pytest.approx(power, abs=1e-9)


@pytest.mark.parametrize(("test", "low"), [("A-not-A", -np.inf), ("same-different", 0.0)])
def test_the_profile_interval_holds_the_estimate_and_may_end_at_infinity(test, low):
    usual = one_panel(test, **COUNTS)
    lower, upper = usual.profile
    assert low < lower < usual.d_prime < upper < np.inf or lower == 0.0
    wider = one_panel(test, **COUNTS, prob=0.99).profile
    assert wider[0] <= lower and wider[1] > upper
    sure = one_panel(test, signal=20, hits=20, noise=20, false_alarms=0)
    assert np.isinf(sure.profile[1]) and sure.profile[0] > 0
