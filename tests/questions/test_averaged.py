"""Averaged over explanations: mixtures by hand, an exact 0 where there may be nothing, and what is said of it."""

from itertools import pairwise

import numpy as np
import pytest

import metasense as ms
from metasense.results.page import if_nothing
from metasense.showing import words


@pytest.fixture(scope="module")
def nothing():
    """As many right answers as guessing gives."""
    table = {"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 7, 9, 8, 8]}
    return ms.pool(table, margin="0.2 triangle")


@pytest.fixture(scope="module")
def plain_difference():
    table = {"panel": list("ABCD"), "protocol": "tetrad", "tastings": 60, "correct": [40, 44, 38, 45]}
    return ms.pool(table, margin="0.2 tetrad")


def test_every_quantity_is_the_mixture_that_its_three_parts_give_by_hand(nothing):
    core, averaged = nothing.core, nothing.averaged((0.5, 0.3, 0.2))
    logs = np.array([core.evidences.none, core.evidences.same, core.evidences.varying])
    weight = np.exp(logs - logs.max()) * [0.5, 0.3, 0.2]
    weight /= weight.sum()
    assert averaged.probability == pytest.approx(weight)
    for x in (0.0, 0.1, 0.5, 1.0, 1.29):
        by_hand = weight[0] + weight[1] * core.common.size.below(x) + weight[2] * core.average.below(x)
        assert averaged.average.below(x) == pytest.approx(by_hand, abs=1e-6)
        following = weight[0] + weight[1] * core.common.size.below(x) + weight[2] * core.next_d_prime.below(x)
        assert averaged.next_d_prime.below(x) == pytest.approx(following, abs=1e-6)
    same, varying = core.common.size.mean, core.average.mean
    assert averaged.average.mean == pytest.approx(weight[1] * same + weight[2] * varying, abs=1e-9)


def test_the_guess_rate_itself_has_the_probability_of_nothing(nothing):
    averaged = nothing.averaged()
    rate = averaged.rate("triangle")
    for p_c in (rate.p_c, rate.next_p_c):
        assert p_c.below(1 / 3) == pytest.approx(averaged.nothing, abs=1e-6)
    assert rate.p_d.below(0.0) == pytest.approx(averaged.nothing, abs=1e-6)


def test_of_a_directed_pool_the_jump_stands_between_the_two_sides():
    table = {"panel": list("ABC"), "protocol": "2-AFC", "tastings": 24, "correct": [12, 11, 13]}
    averaged = ms.pool(table).averaged()
    p_c = averaged.rate("2-AFC").p_c
    jump = p_c.below(0.5) - p_c.below(0.5 - 1e-9)
    assert jump == pytest.approx(averaged.nothing, abs=1e-6)
    assert 0 < p_c.below(0.5 - 1e-9) < 0.5
    assert averaged.average.below(0.0) == pytest.approx(averaged.nothing, abs=1e-6)


def test_exactly_as_many_as_guessing_gives_does_not_read_as_a_difference(nothing):
    assert nothing.average.interval()[0] > 0  # the plain average cannot be 0
    assert nothing.averaged().average.interval()[0] == 0
    assert "with a probability of 61 % (33 % beforehand) there is nothing, and it is 0" in nothing.headline()
    assert "counting a chance of nothing" in repr(nothing)
    assert "61 % that there is nothing to taste (33 % before tasting)" in nothing.plain_answer()
    assert not words.banned(str(nothing.averaged()))


def test_beside_the_pool_it_is_said_and_drawn_how_the_answer_moves_with_the_odds(nothing, plain_difference):
    moves = nothing.averaged().on_the_odds()
    assert moves in " ".join(str(nothing.details()).split())
    (section,) = if_nothing(nothing.core)
    assert section.parts[0].alt == moves
    assert if_nothing(plain_difference.core) == ()


def test_where_nothing_is_improbable_nothing_is_added(plain_difference):
    averaged = plain_difference.averaged()
    assert averaged.nothing < 1e-6
    for text in (plain_difference.headline(), repr(plain_difference), str(plain_difference.details())):
        assert "may be nothing" not in text
        assert "there is nothing" not in text
    assert averaged.average.median == pytest.approx(
        np.median([plain_difference.core.common.size.median, averaged.average.median, plain_difference.average.median])
    )
    assert "beforehand, less than" not in str(averaged)  # no curve where nothing beforehand moves it


def test_the_verdict_of_the_pool_stays_and_the_averaged_one_counts_the_zero(nothing):
    averaged, margin = nothing.averaged(), nothing.margin.d_prime
    assert averaged.verdict().below == pytest.approx(averaged.average.below(margin))
    assert averaged.verdict().below > nothing.verdict().below
    assert nothing.verdict().below == pytest.approx(nothing.average.below(margin))


def test_the_odds_that_were_used_are_said(nothing):
    said = nothing.averaged((0.6, 0.2, 0.2)).sentence()
    assert "The odds beforehand were 60 % none, 20 % same and 20 % varying." in said


def test_the_curve_runs_from_few_to_many_beliefs_and_passes_through_the_answer(nothing):
    curve = nothing.averaged().curve()
    assert curve["nothing"].is_monotonic_increasing
    assert curve["median"].is_monotonic_decreasing
    halves = nothing.averaged((0.5, 0.25, 0.25))
    row = curve.set_index("before").loc[0.5]
    assert (row["nothing"], row["median"]) == pytest.approx((halves.nothing, halves.average.median))


def test_certain_that_there_is_nothing_the_answer_is_zero(nothing):
    averaged = nothing.averaged((1.0, 0.0, 0.0))
    assert averaged.average.interval() == (0.0, 0.0)
    assert averaged.rate("triangle").p_c.median == pytest.approx(1 / 3)


def test_a_panel_of_its_own_is_averaged_too(nothing):
    averaged = nothing.averaged()
    core = nothing.core
    none, same, varying = averaged.probability
    own = core.panel("D")
    by_hand = none + same * core.common.size.below(0.8) + varying * own.below(0.8)
    assert averaged.panel("D").below(0.8) == pytest.approx(by_hand, abs=1e-6)
    with pytest.raises(ms.PanelsError):
        averaged.panel("Z")


def test_a_fourth_number_lets_some_panels_have_nothing(nothing):
    averaged = nothing.averaged((0.25, 0.25, 0.25, 0.25))
    some = nothing.some()
    none, same, varying, partly = averaged.probability
    assert partly / varying == pytest.approx(np.exp(some.posterior.log_evidence - nothing.evidences.varying))
    by_hand = none + same * nothing.core.common.size.below(0.5) + varying * nothing.average.below(0.5)
    assert averaged.average.below(0.5) == pytest.approx(by_hand + partly * some.average.below(0.5), abs=1e-4)
    assert "25 % varying and 25 % some" in averaged.sentence()


@pytest.mark.parametrize(
    "prior",
    [(0.5, 0.5), (0.5, 0.5, 0.5), (1.2, -0.1, -0.1), (float("nan"), 0.5, 0.5), (1, 0, 0, 0, 0), (8, 1, 1), 2, "even"],
)
def test_odds_that_are_none_are_refused(nothing, prior):
    with pytest.raises(ValueError, match=r"three or four numbers of at least 0 that add up to 1.*divide others by"):
        nothing.averaged(prior)


def test_the_answer_without_a_chance_of_nothing_is_called_the_pools(nothing):
    row = next(line for line in str(nothing.averaged()).splitlines() if line.startswith("the pool itself"))
    low, high = nothing.rate("triangle").p_c.interval()
    assert row.split()[3:] == [
        f"{100 * nothing.rate('triangle').p_c.median:.0f}",
        f"{100 * low:.0f}",
        "to",
        f"{100 * high:.0f}",
    ]


def test_figure_and_sentence_of_it_say_the_same(nothing):
    from matplotlib.figure import Figure

    averaged = nothing.averaged()
    axes = averaged.plot(ax=Figure())
    assert next(tick.get_text() for tick in axes.get_xticklabels()) == "5 %\n14 %"
    assert averaged.picture().alt == averaged.on_the_odds()
    assert "the odds used: 33 %" in [text.get_text() for text in axes.texts]


def test_in_the_figure_no_line_ends_at_the_top_and_no_label_covers_another(plain_difference):
    from matplotlib.figure import Figure

    figure = Figure()
    axes = plain_difference.averaged().plot(ax=figure)
    assert axes.get_ylim()[1] > 1.05 * plain_difference.averaged().curve()["upper"].max()
    figure.canvas.draw()
    boxes = [label.get_window_extent() for label in axes.get_xticklabels()]
    assert not any(one.overlaps(other) for one, other in pairwise(boxes))


def test_where_nothing_is_not_the_cause_the_two_verdicts_are_told_apart_by_what_is(plain_difference):
    """By hand: with something for certain, the mixture of same and varying says another verdict than the pool."""
    table = {"panel": ["A"], "protocol": "triangle", "tastings": 40, "correct": [28]}
    pooled = ms.pool(table, margin="0.2 triangle")
    averaged, d = pooled.averaged(), pooled.margin.d_prime
    _, same, varying = averaged.probability
    mixed = same * pooled.core.common.size.above(d) + varying * pooled.average.above(d)
    assert averaged.nothing < 0.01 and mixed / (same + varying) > 0.95 > pooled.average.above(d)
    assert averaged.plain_answer().startswith("Beyond the margin, averaged over the explanations: of 100 triangle")
    assert averaged._glance().step == (
        "say both verdicts: averaged over the explanations it is beyond the margin; the pool alone, which lets panels "
        "differ, is not settled."
    )
    assert plain_difference.averaged()._glance().step.startswith("go on as the pool itself says")


def test_where_nothing_is_the_cause_it_is_said_to_be():
    pooled = ms.pool(
        {"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [9, 9]}, margin="0.2 triangle"
    )
    averaged = pooled.averaged()
    assert averaged.plain_answer().startswith("Within the margin if there may be nothing to taste: of 100 triangle")
    assert averaged._glance().step == "say both verdicts: without a chance of nothing it is not settled."
    assert ms.pool(pooled.panels, margin="0.2 triangle").averaged((1, 0, 0)).panel("A").median == 0


def test_frames_hold_the_asked_probability(nothing):
    averaged = nothing.averaged()
    for frame, prob in ((averaged.to_frame(0.8), 0.8), (averaged.to_frame(), 0.95)):
        assert (frame["prob"] == prob).all()
        row = frame.set_index("quantity").loc["next panel d-prime"]
        assert (row["lower"], row["upper"]) == averaged.next_d_prime.interval(prob)


def test_beliefs_that_leave_nothing_else_are_varied_as_if_the_others_were_even(nothing):
    certain, even = nothing.averaged((1.0, 0.0, 0.0)).curve(), nothing.averaged((0.2, 0.4, 0.4)).curve()
    assert certain["median"].tolist() == pytest.approx(even["median"].tolist())
    assert certain["before"].iloc[[0, -1]].tolist() == [0.05, 0.95]
    uneven = nothing.averaged((0.5, 0.4, 0.1)).curve()  # four to one
    row = nothing.averaged((0.2, 0.64, 0.16)).average
    assert uneven.set_index("before").loc[0.2, "median"] == pytest.approx(row.median)


def test_what_the_odds_do_to_the_verdict_is_said_with_a_margin_only(nothing):
    averaged = nothing.averaged()
    labels = list(dict.fromkeys(averaged.curve()["verdict"]))
    end = f"the verdict is {labels[0]} throughout." if len(labels) == 1 else f"from {labels[0]} to {labels[-1]}."
    assert averaged.on_the_odds().endswith(end)
    one = ms.pool(nothing.panels).averaged()
    assert "verdict" not in one.on_the_odds() and one.on_the_odds().endswith(".")
    assert "verdict" not in one.sentence() and "P(above" not in str(one.details())
    assert one._glance().step == "say what difference would matter (margin= or --margin)."


def test_the_averaged_verdict_stays_or_would_be_another(nothing, plain_difference):
    stays = plain_difference.averaged().sentence()
    assert "Averaged so, the verdict stays beyond the margin (more than 99 % above the margin, less than 1 % below)." in stays  # fmt: skip
    pool, averaged = nothing.verdict().label, nothing.averaged()
    how = "stays" if averaged.verdict().label == pool else "would be"
    assert f"Averaged so, the verdict {how} {averaged.verdict().label} (" in averaged.sentence()
    certain = nothing.averaged((1.0, 0.0, 0.0))
    assert "would be within the margin" in certain.sentence() or pool == "within the margin"
