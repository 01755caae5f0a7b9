"""A rate beside guessing and the margin."""

import numpy as np
import pytest
from scipy.stats import norm

import metasense as ms
from metasense.engine.distribution import Distribution
from metasense.protocols import forced_choice
from metasense.questions.hundred import share


def rates(low, high):
    return Distribution(np.linspace(low, high, 101), np.full(101, 1 / 101))


def test_the_margin_stands_on_the_side_to_which_the_panels_lean():
    # 2-AFC: P(correct) = Phi(d-prime / sqrt 2), by SciPy's normal distribution
    test, margin = forced_choice("2-AFC"), ms.Margin(d_prime=0.5)
    assert share(test, rates(0.6, 0.7), margin).margin == pytest.approx(norm.cdf(0.5 / np.sqrt(2)))
    assert share(test, rates(0.3, 0.4), margin).margin == pytest.approx(norm.cdf(-0.5 / np.sqrt(2)))


def test_without_a_margin_only_guessing_stands_beside_it():
    found = share(forced_choice("triangle"), rates(0.4, 0.5), None)
    assert found.margin is None and found.guess == pytest.approx(1 / 3)
    assert found.beside() == "guessing gives 33"
