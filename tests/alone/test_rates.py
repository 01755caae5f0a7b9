"""The true discrimination rate of every protocol."""

import numpy as np

from metasense.alone.rates import DiscriminationRates
from metasense.engine.distribution import Distribution


def test_one_d_prime_is_another_p_d_in_every_protocol():
    # d-prime 1: p_d .13 triangle, .17 duo-trio, .24 tetrad, .45 3-AFC, .52 2-AFC (psychometric functions at 30 digits)
    sure = Distribution(np.array([1.0, 1.0 + 1e-9]), np.array([0.0, 1.0]))
    frame = DiscriminationRates(sure).to_frame().set_index("protocol")["estimate"].round(2)
    assert frame[["triangle", "duo-trio", "tetrad", "3-AFC", "2-AFC"]].tolist() == [0.13, 0.16, 0.24, 0.45, 0.52]
