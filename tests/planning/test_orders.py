"""Serving orders: which there are, where the right answer stands, and who gets which."""

import numpy as np
import pytest

from metasense.planning.orders import Orders


@pytest.mark.parametrize("tasters", [1, 4, 5, 7, 13])
def test_where_evenness_allows_nobody_gets_an_order_again_before_having_had_the_others(tasters):
    orders = Orders("triangle", 3)
    for seed in range(20):
        for own in orders.assign(tasters, 12, np.random.default_rng(seed)):
            assert sorted(own[:6]) == sorted(orders.all)
            assert sorted(own[6:]) == sorted(orders.all)


def test_places_are_counted_from_one_and_in_a_duo_trio_from_the_first_after_the_reference():
    assert Orders("triangle", 3).kinds("BAA")["place of the odd sample"] == "1"
    assert Orders("3-AFC", 3, "B").kinds("AAB")["place of the right answer"] == "3"
    for letters, place in (("AAB", "1"), ("ABA", "2"), ("BBA", "1"), ("BAB", "2")):
        assert Orders("duo-trio", 3).kinds(letters)["place of the match"] == place
