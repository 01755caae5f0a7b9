"""Serving orders: which there are, where the right answer stands, and who gets which."""

from collections import Counter
from itertools import combinations

import numpy as np
import pytest

from metasense.planning.orders import Balance, Orders, _evenest, _times


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


SETS = {  # written out by hand
    "triangle": "AAB ABA BAA ABB BAB BBA",
    "duo-trio": "AAB ABA BAB BBA",
    "tetrad": "AABB ABAB ABBA BAAB BABA BBAA",
    "same-different": "AA AB BA BB",
    "two alike": "AA BB",
    "two-out-of-five": "AAABB AABAB AABBA ABAAB ABABA ABBAA BAAAB BAABA BABAA BBAAA "
    "BBBAA BBABA BBAAB BABBA BABAB BAABB ABBBA ABBAB ABABB AABBB",
}


@pytest.mark.parametrize("name", SETS)
def test_every_set_that_the_protocol_allows_is_one(name):
    cups = len(SETS[name].split()[0])
    assert sorted(Orders(name, cups).all) == sorted(SETS[name].split())


@pytest.mark.parametrize(("aim", "sets"), [("A", ["AB", "BA"]), ("B", ["AB", "BA"])])
def test_one_cup_has_more_of_the_attribute(aim, sets):
    orders = Orders("2-AFC", 2, aim)
    assert sorted(orders.all) == sets
    assert orders.right("AB") == (((0,),) if aim == "A" else ((1,),))
    three = Orders("3-AFC", 3, aim)
    assert sorted(three.all) == (["ABB", "BAB", "BBA"] if aim == "A" else ["AAB", "ABA", "BAA"])
    four = Orders("specified tetrad", 4, aim)
    assert len(four.all) == 6 and four.right("ABBA") == (((0, 3),) if aim == "A" else ((1, 2),))


def test_a_constant_reference_leaves_its_orders_alone():
    assert sorted(Orders("duo-trio", 3, reference="A").all) == ["AAB", "ABA"]
    assert sorted(Orders("duo-trio", 3, reference="B").all) == ["BAB", "BBA"]


def test_the_two_of_five_are_the_fewer_and_what_is_no_set_says_so():
    five = Orders("two-out-of-five", 5)
    assert five.right("ABABA") == ((1, 3),) and five.right("BABAB") == ((1, 3),) and five.right("ABBBB") is None
    assert five.kinds("BABAB") == {"order": "BABAB", "places of the two": "2+4", "the two are": "A"}
    assert five.kinds("ABBBB") == {"order": "ABBBB (not a set)"}
    assert Orders("triangle", 3).kinds("ABB") == {"order": "ABB", "place of the odd sample": "1", "odd sample": "A"}
    assert Orders("duo-trio", 3).kinds("BAB") == {"order": "BAB", "place of the match": "2", "reference": "B"}
    assert Orders("same-different", 2).kinds("AB") == {"order": "AB", "right answer": "different"}
    assert Orders("tetrad", 4).kinds("ABBA") == {"order": "ABBA"}
    learned = Orders("A-not-A", 1, "B")
    assert (learned.right("B"), learned.right("A")) == ("A", "not A") and learned.all == ("A", "B")
    alike = Orders("two alike", 2)
    assert alike.right("AA") == alike.right("BB") == "same" and alike.right("AB") is None
    assert Orders("tetrad", 4).right("ABBA") == ((0, 3), (1, 2)) and Orders("same-different", 2).right("BB") == "same"
    with pytest.raises(ValueError, match="which answer is right in 'ranking' is not known here"):
        Orders("ranking", 3).right("AAB")


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5])
def test_the_choices_left_are_the_evenest_of_all(size):
    """Against every choice, its unevenness counted by hand: place, product, first cup, then the other cups."""
    orders = Orders("triangle", 3)
    every = orders.all
    served = (1, 0, 0, 1, 0, 0)

    def uneven(chosen):
        sets = [s for s, n in zip(every, served, strict=True) for _ in range(n)] + [every[i] for i in chosen]
        total = 0.0
        for weight, trait in (
            (100, orders.right),
            (100, lambda s: s.count("B")),
            (10, lambda s: s[0]),
            (1, lambda s: s[1]),
            (1, lambda s: s[2]),
        ):
            total += weight * sum(n * n for n in Counter(map(trait, sets)).values())
        return total

    fresh = [i for i, n in enumerate(served) if n == 0]
    choices = list(combinations(fresh, size)) if size <= 4 else [(*fresh, i) for i in (0, 3)]
    best = min(map(uneven, choices))
    expected = {frozenset(c) for c in choices if uneven(c) <= best + 1e-9}
    assert {frozenset(row.tolist()) for row in _evenest(orders, served, size)} == expected


def test_balance_counts_what_was_planned_served_answered_and_right():
    orders = Orders("duo-trio", 3)
    planned = ["AAB", "ABA", "BAB", "BBA", "AAB"]
    before = Balance.of(orders, ("old", "new"), planned)
    assert list(before.to_frame()) == ["what", "value", "planned"] and before.even
    frame = before.to_frame().set_index(["what", "value"])["planned"]
    assert frame["order"].to_dict() == {"AAB": 2, "ABA": 1, "BAB": 1, "BBA": 1}
    assert frame["place of the match"].to_dict() == {"1": 3, "2": 2}
    assert frame["reference"].to_dict() == {"old": 3, "new": 2}
    assert before.sentence() == "Each of 4 orders is planned 1 or 2 times, as evenly as the number allows."
    after = Balance.of(orders, ("old", "new"), planned, ["AAB", "AAB", "AAB", "BBA"], [True, False, None, True])
    rows = after.to_frame().set_index(["what", "value"])
    assert rows.loc[("order", "AAB"), ["served", "answered", "correct"]].tolist() == [3, 2, 1]
    assert rows.loc[("order", "ABA"), ["served", "answered", "correct"]].tolist() == [0, 0, 0]
    assert not after.even
    assert "Served: 4 of 5 sets, each order 0 to 3 times. That is less even than it could be." in after.sentence()
    even = Balance.of(orders, ("old", "new"), orders.all, orders.all, [True] * 4)
    assert even.even and "less even" not in even.sentence()
    assert even.sentence().startswith("Each of 4 orders is planned once. Served: 4 of 4 sets, each order once.")


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(0, 0, "never"), (1, 1, "once"), (2, 2, "twice"), (3, 3, "3 times"), (1, 2, "1 or 2 times")],
)
def test_how_often_is_said_in_words(low, high, said):
    assert _times(low, high, "or") == said


@pytest.mark.parametrize(("name", "left"), [("triangle", 1), ("triangle", 2), ("triangle", 4), ("duo-trio", 1)])
def test_over_many_panels_trays_left_over_favour_no_place(name, left):
    # each place would come up in an equal share: chi-squared, whose 99.9 % point is 13.8 with two degrees of freedom
    orders = Orders(name, 3)
    block = len(orders.all)
    places = Counter()
    for seed in range(300):
        for (letters,) in orders.assign(block + left, 1, np.random.default_rng(seed))[block:]:
            places[orders.right(letters)[0][0]] += 1
    even = 300 * left / len({orders.right(letters) for letters in orders.all})
    assert len(places) == len({orders.right(letters) for letters in orders.all})
    assert sum((count - even) ** 2 / even for count in places.values()) < 13.8


@pytest.mark.parametrize("tasters", [8, 10, 14, 20])
def test_trays_left_over_keep_places_and_products_as_even_as_their_number_allows(tasters):
    orders = Orders("triangle", 3)
    for seed in range(20):
        given = [letters for (letters,) in orders.assign(tasters, 1, np.random.default_rng(seed))]
        for count in (Counter(orders.right(s) for s in given), Counter(s.count("A") for s in given)):
            assert max(count.values()) - min(count.values()) <= 1
