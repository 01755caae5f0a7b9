"""A rate that is carried to a protocol which reads unlike tasters otherwise says so."""

import numpy as np
import pytest

import metasense as ms
from metasense.core import unlike

TABLE = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21]}
SAID = "holds only if tasters are much alike: if 30 % of them had a d-prime of 2.50 and the others tasted nothing, "


def test_where_only_some_taste_it_directed_protocols_read_lower_than_others():
    # simulated on percepts: 30 % of tasters at 2.5, who put the nearest two together or name the strongest
    rng = np.random.default_rng(2)
    able = rng.random(400_000) < unlike.SOME[0]
    percepts = rng.normal(size=(400_000, 3))
    percepts[able, 2] += unlike.SOME[1]
    low, middle, high = np.sort(percepts, axis=1).T
    odd = np.where(high - middle > middle - low, percepts.argmax(axis=1), percepts.argmin(axis=1))
    for name, named in (("triangle", odd), ("3-AFC", percepts.argmax(axis=1))):
        test = ms.protocol(name)
        assert unlike.reads_of_some(test) == pytest.approx(float(test.d_prime((named == 2).mean())), abs=0.02)
    undirected = [unlike.reads_of_some(ms.protocol(name)) for name in ("triangle", "duo-trio", "tetrad")]
    assert max(unlike.reads_of_some(ms.protocol(name)) for name in ("2-AFC", "3-AFC")) < min(undirected) - 0.4


@pytest.mark.parametrize(("made", "asked"), [("triangle", "3-AFC"), ("triangle", "2-AFC"), ("2-AFC", "tetrad")])
def test_every_kind_of_pool_says_what_a_rate_of_another_kind_of_protocol_rests_on(made, asked):
    table = TABLE | {"protocol": made}
    plain, nested = ms.pool(table), ms.pool(table | {"batch_pair": list("xxyy")}, within="batch_pair")
    moderated = ms.pool(table | {"weeks": [1, 2, 3, 4]}, moderators="weeks")
    answers = (plain, nested, moderated.at(weeks=2), nested.on("x"), plain.some(), plain.averaged())
    for answer in answers:
        assert f"This is carried over from {made} panels and {SAID}" in answer.rate(asked).sentence()
        assert "carried over" not in answer.rate(made).sentence()
    said = plain.next_panel(asked, 24).sentence()
    assert said.endswith(".") and f"This is carried over from {made} panels and {SAID}" in said
    assert "carried over" not in plain.next_panel(made, 24).sentence()


def test_nothing_is_said_where_panels_of_the_kind_are_there_or_protocols_read_about_the_same():
    mixed = ms.pool(TABLE | {"protocol": ["triangle", "triangle", "3-AFC", "triangle"]})
    assert "carried over" not in mixed.rate("2-AFC").sentence()
    assert "carried over" not in ms.pool(TABLE).rate("tetrad").sentence()
    two = ms.pool(TABLE | {"protocol": ["triangle", "tetrad", "triangle", "tetrad"]})
    assert "carried over from triangle and tetrad panels and" in two.rate("2-AFC").sentence()


def test_regulars_say_it_too():
    rows = [{"panel": p, "protocol": "triangle", "taster": t, "correct": (p + t) % 2} for p in (1, 2) for t in range(6)]
    same = ms.pool(ms.read_tastings(rows)).regulars()
    assert SAID in same.next_panel("3-AFC").sentence() and SAID not in same.next_panel().sentence()
