"""Panels that are more alike, or more often just significant, than chance allows."""

from itertools import product

import numpy as np
import pytest
from scipy.stats import binom, hypergeom

import metasense as ms
from metasense.engine.likelihood import Counts
from metasense.questions.too_good import FEWEST, TooGood, _alike, _just, cautions
from metasense.showing.words import banned

TRIANGLE = ms.protocol("triangle")
JUST = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [13, 13, 13, 14, 13, 13]}


def test_how_seldom_counts_are_this_alike_agrees_with_plain_sums():
    # five panels of 10, 26 right in all: every way the 26 can fall on them, by products of binomial coefficients
    counts = [5, 5, 6, 5, 5]

    def apart(x):
        return sum((y - 5.2) ** 2 for y in x)

    chance = whole = 0.0
    for rest in product(range(11), repeat=4):
        last = 26 - sum(rest)
        if 0 <= last <= 10:
            ways = np.prod([float(binom.pmf(y, 10, 0.5)) for y in (*rest, last)])
            whole += ways
            chance += ways * (apart((*rest, last)) <= apart(counts) + 1e-9)
    expected = chance / whole
    found = _alike([Counts(TRIANGLE, 10, x) for x in counts])
    assert found == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / 4000) + 1 / 4000)


def test_two_panels_fall_as_the_hypergeometric_says():
    # 20 and 22 of 40 and 40: at most as far apart as seen, given 42 of 80
    chance = hypergeom.pmf(np.arange(41), 80, 42, 40)
    expected = chance[[20, 21, 22]].sum()
    assert _alike([Counts(TRIANGLE, 40, 20), Counts(TRIANGLE, 40, 22)]) in (1.0, pytest.approx(expected, abs=0.03))


def test_the_most_that_chance_gives_of_just_significant_panels_is_binomial():
    # 13 and 14 of 24 are significant at 5 % and not at 1 %: of six such panels at the worst share
    share = np.linspace(1 / 3, 1, 2001)
    most = (binom.pmf(13, 24, share) + binom.pmf(14, 24, share)).max()
    p, among = _just([Counts(TRIANGLE, 24, x) for x in JUST["correct"]])
    assert among == 6
    assert p == pytest.approx(most**6, rel=1e-3)


@pytest.mark.parametrize("model", [{"moderators": "weeks"}, {"within": "batch_pair"}])
def test_beside_a_moderator_or_a_level_it_is_said_too_and_the_drawer_is_that_of_the_plain_pool(model):
    frame = JUST | {"weeks": [1, 2, 3, 4, 6, 9], "batch_pair": list("AABBCC")}
    pooled = ms.pool(frame, margin="d'=0.8", **model)
    (said,) = [note for note in pooled.warnings if "too good to be true" in note]
    assert "pooled.plain.drawer() tells more" in said and "never listed" not in said and said in pooled.notes
    assert pooled.plain.drawer().to_frame().shape[0]
    assert "too good to be true" in " ".join(repr(pooled).split()) and banned(said) == []


def test_a_pool_of_just_significant_panels_brings_the_drawer_onto_the_first_screen():
    pooled = ms.pool(JUST, margin="d'=0.8")
    (said,) = cautions(pooled.core)
    assert said in pooled.warnings and banned(said) == []
    screen = " ".join(repr(pooled).split())
    assert "too good to be true (6 of 6 only just statistically significant" in screen
    assert "in the drawer, never listed, the verdict would be not settled." in screen


def test_without_a_margin_the_drawer_is_named_without_a_verdict():
    (said,) = cautions(ms.pool(JUST).core)
    assert "others may lie in the drawer" in said


def test_ordinary_panels_and_few_panels_are_not_suspected():
    assert cautions(ms.pool("datasets/cider_fining.csv", margin="0.2 triangle").core) == ()
    few = {name: value if isinstance(value, (str, int)) else value[: FEWEST - 1] for name, value in JUST.items()}
    assert TooGood.of(ms.pool(few).core) == TooGood(1.0, 1.0, 0, FEWEST - 1)


def test_four_panels_are_enough_to_look_at_and_three_are_not():
    four = {name: value if isinstance(value, (str, int)) else value[:4] for name, value in JUST.items()}
    assert TooGood.of(ms.pool(four).core).among == 4
    assert FEWEST == 4


def test_counts_too_close_together_are_said_with_their_chance():
    # eight triangles of 60 with 30 right each: Pearson's sum is 0 where 7 is expected
    alike = {"panel": list("ABCDEFGH"), "protocol": "triangle", "tastings": 60, "correct": 30}
    (said,) = cautions(ms.pool(alike).core)
    assert said.startswith("The panels look too good to be true (counts so close together, by chance less than 0.1 %)")


def test_panels_listed_as_not_reported_are_no_suspects():
    found = TooGood.of(ms.pool(JUST | {"reported": ["yes"] * 4 + ["no"] * 2}).core)
    assert found.panels == 4


def test_where_all_is_listed_it_seldom_fires():
    # 60 sets of six triangles of 24 that share the d-prime at which just significant counts are commonest
    rng = np.random.default_rng(4)
    fired = 0
    for _ in range(60):
        panels = [Counts(TRIANGLE, 24, int(x)) for x in rng.binomial(24, float(TRIANGLE.p_correct(1.75)), 6)]
        fired += _just(panels)[0] < 0.02 or _alike(panels) < 0.01
    assert fired <= 6
