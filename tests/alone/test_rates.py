"""The true discrimination rate of every protocol."""

import numpy as np
import pytest

from metasense.alone.rates import DiscriminationRates
from metasense.engine.distribution import Distribution
from metasense.protocols import protocol
from metasense.showing import words


def test_one_d_prime_is_another_p_d_in_every_protocol():
    # d-prime 1: p_d .13 triangle, .17 duo-trio, .24 tetrad, .45 3-AFC, .52 2-AFC (psychometric functions at 30 digits)
    sure = Distribution(np.array([1.0, 1.0 + 1e-9]), np.array([0.0, 1.0]))
    frame = DiscriminationRates(sure).to_frame().set_index("protocol")["estimate"].round(2)
    assert frame[["triangle", "duo-trio", "tetrad", "3-AFC", "2-AFC"]].tolist() == [0.13, 0.16, 0.24, 0.45, 0.52]


def flat(low, high):
    return Distribution(np.linspace(low, high, 401), np.linspace(0, 1, 401))


def test_rates_are_those_of_the_d_prime_quantile_by_quantile():
    found = DiscriminationRates(flat(0.5, 1.5), prob=0.8)
    frame = found.to_frame().set_index("protocol")
    for name in ("triangle", "tetrad", "2-AFC"):
        row = frame.loc[name, ["lower", "estimate", "upper"]].tolist()
        assert row == pytest.approx(protocol(name).p_d(np.array([0.6, 1.0, 1.4])), abs=1e-4)
    assert set(frame["prob"]) == {0.8} and set(frame["kind"]) == {"equal-tailed"} and set(frame["quantity"]) == {"p_d"}


def test_a_d_prime_against_the_direction_lowers_the_rate_of_those_that_have_one_and_not_of_the_others():
    frame = DiscriminationRates(flat(-1.0001, -0.9999)).to_frame().set_index("protocol")["estimate"]
    assert frame["2-AFC"] == pytest.approx(float(protocol("2-AFC").p_d(-1.0)), abs=1e-3) and frame["2-AFC"] < 0
    assert frame["triangle"] == pytest.approx(float(protocol("triangle").p_d(1.0)), abs=1e-3)


@pytest.mark.parametrize(("name", "others"), [("triangle", "tetrad and {} in 3-AFC"), ("tetrad", "triangle and {} in 3-AFC"),
                                              ("3-AFC", "triangle and {} in tetrad"), ("2-AFC", "triangle and {} in tetrad")])  # fmt: skip
def test_the_same_difference_is_told_in_two_other_protocols(name, others):
    found = DiscriminationRates(flat(0.5, 1.5))
    rates = found.to_frame().set_index("protocol")["estimate"]
    second = words.percent(rates[others.rpartition(" ")[2]])
    said = found.explanation(name)
    assert f" in {others.format(second)}, because protocols differ" in said and "(1.00)" in said
    assert found.statement(name).startswith(f"p_d in {name}: {words.percent(rates[name])} (")
