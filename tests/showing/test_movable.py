"""The margin a reader may move: the marks are the posterior, and what the script looks up is what a pool would say."""

import json

import numpy as np
import pytest

import metasense as ms
from metasense.results.strips import movable
from metasense.showing.movable import margins

TABLE = {"panel": list("ABCDE"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 11, 16, 9]}


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(TABLE, margin=ms.Margin(p_d=0.2, protocol="triangle"))


@pytest.fixture(scope="module")
def shown(pooled):
    return movable(pooled.core, {"": pooled.posterior})


def test_marks_on_a_side_of_the_margin_are_its_probability(pooled, shown):
    smaller, larger = shown.sides(shown.strips[0])
    assert smaller + larger == 100
    assert smaller / 100 == pytest.approx(pooled.verdict().below, abs=0.5 / 100 + 1e-9)


def test_every_mark_is_an_equally_likely_value_of_the_average(pooled, shown):
    test = ms.protocol("triangle")
    for k in (0, 24, 49, 99):
        d_prime = test.d_prime(shown.strips[0].values[k] / 100)
        assert pooled.average.below(float(d_prime)) == pytest.approx((k + 0.5) / 100, abs=1e-3)


@pytest.mark.parametrize("at", [34, 40, 47, 60, 99])
def test_a_moved_margin_says_what_a_pool_with_that_margin_says(shown, at):
    stated = ms.Margin(p_d=float(ms.protocol("triangle").p_d_from_p(at / 100)), protocol="triangle")
    verdict = ms.pool(TABLE, margin=stated).verdict()
    known = json.loads(shown.to_json())
    assert known["below"][0][at - known["lowest"]] == pytest.approx(verdict.below, abs=1e-4)
    assert known["dPrimes"][at - known["lowest"]] == pytest.approx(stated.d_prime, abs=1e-3)


@pytest.mark.parametrize(("guess", "first"), [(100 / 3, 34), (50, 51), (10, 11), (100 / 6, 17)])
def test_a_margin_stays_above_guessing_and_below_all_right(guess, first):
    assert (margins(guess)[0], margins(guess)[-1]) == (first, 99)


def test_no_two_marks_lie_on_one_another(shown):
    places = [(mark.across, mark.up) for mark in shown.marks(shown.strips[0])]
    assert len(set(places)) == 100
    assert shown.tallest() == max(up for _, up in places)


def test_marks_stand_over_their_values(shown):
    for mark in shown.marks(shown.strips[0]):
        assert abs(mark.value - shown.low - mark.across) <= 0.5 + 1e-9
        assert (mark.across > shown.margin - shown.low) == mark.larger  # on the side of the line that it counts for


def test_the_axis_runs_from_guessing_to_all_right(shown):
    assert shown.across(100 / 3) == pytest.approx(0)
    assert shown.across(100) == pytest.approx(100)
    assert shown.ticks() == [40, 50, 60, 70, 80, 90, 100]


def test_without_a_margin_the_control_stands_half_way_and_no_line_is_drawn():
    pooled = ms.pool(TABLE)
    shown = movable(pooled.core, {"": pooled.posterior})
    assert shown.margin is None
    assert shown.start() == 67
    text = pooled._page().to_html()
    assert '<div class="margin" style="left: 0.00%" hidden>' in text


def test_a_pool_with_a_moderator_has_marks_at_each_of_its_ends():
    pooled = ms.pool(TABLE | {"weeks": [1, 2, 4, 6, 8]}, moderators="weeks", margin=ms.Margin(d_prime=1))
    shown = pooled._page().movable
    assert [strip.name for strip in shown.strips] == ["weeks 1", "weeks 8"]
    at_end = pooled.at(weeks=8).verdict()
    assert shown.sides(shown.strips[1])[0] / 100 == pytest.approx(at_end.below, abs=0.5 / 100 + 1e-9)


def test_a_direction_gives_the_margin_two_sides():
    table = {"panel": list("ABC"), "protocol": "2-AFC", "tastings": 30, "correct": [20, 18, 23]}
    pooled = ms.pool(table, margin=ms.Margin(p_d=0.4, protocol="2-AFC"))
    shown = movable(pooled.core, {"": pooled.posterior})
    assert shown.lines == pytest.approx((30, 70))
    assert (shown.larger(71), shown.larger(50), shown.larger(29)) == (True, False, True)
    assert shown.sides(shown.strips[0])[0] / 100 == pytest.approx(pooled.verdict().below, abs=1 / 100)
    assert (np.diff(shown.strips[0].values) >= 0).all()
    assert shown.ticks() == [0, 10, 20, 30, 40, 60, 70, 80, 90, 100]
