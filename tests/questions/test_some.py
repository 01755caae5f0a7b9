"""Only in some panels: which they are, when the cautions say so, and what is refused."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure

import metasense as ms
from metasense.questions.some import SPEAKS, Some, aside, caution, favoured
from metasense.showing import words


def pooled(correct, protocol="triangle", tastings=30):
    names = [f"P{i}" for i in range(len(correct))]
    return ms.pool(
        {"panel": names, "protocol": protocol, "tastings": tastings, "correct": correct}, margin="0.2 triangle"
    )


@pytest.fixture(scope="module")
def halves():
    return pooled([10, 22, 9, 24, 11, 23])


def test_the_panels_at_the_guess_rate_are_those_with_nothing(halves):
    frame = halves.some().panels_frame()
    assert (frame["p_nothing"] > 0.5).tolist() == [True, False] * 3
    assert (frame.loc[frame["p_nothing"] > 0.5, "median"] == 0).all()
    assert (frame.loc[frame["p_nothing"] < 0.5, "lower"] > 1).all()


def test_the_four_explanations_are_weighed_by_their_evidence(halves):
    frame = halves.some().explanations((0.1, 0.2, 0.3, 0.4))
    weight = np.exp(frame["log_evidence"] - frame["log_evidence"].max()) * [0.1, 0.2, 0.3, 0.4]
    assert frame["probability"].to_numpy() == pytest.approx((weight / weight.sum()).to_numpy())
    assert halves.some().factor("same") == pytest.approx(
        np.exp(frame["log_evidence"]["some"] - frame["log_evidence"]["same"])
    )


def test_the_next_panel_has_two_parts(halves):
    some = halves.some()
    nothing = some.posterior.next_nothing
    assert some.next_d_prime.below(0.0) == pytest.approx(nothing)
    assert some.next_d_prime.above(1.0) == pytest.approx((1 - nothing) * some.posterior.next_something.above(1.0))
    assert some.next_one().startswith(f"The next panel has nothing to taste with a probability of {nothing:.0%}"[:-1])


def test_a_pool_that_speaks_for_it_says_so_and_others_do_not(halves):
    assert halves.some().factor() > SPEAKS
    said = caution(halves.core)
    assert len(said) == 1
    assert said[0].startswith("Perhaps only in some panels: 14 times as probable as that every panel has something")
    assert "Perhaps only in some panels" in repr(halves)
    assert any(note.startswith("Perhaps only in some") for note in halves.warnings)
    assert not caution(pooled([14, 15, 13, 16, 14, 15]).core)  # alike
    assert not caution(pooled([10, 22, 9]).core)  # too few to tell a share from a spread


def test_a_stated_share_is_said_to_be_stated(halves):
    some = halves.some(0.3)
    assert some.nothing.interval() == pytest.approx((0.3, 0.3))
    assert "30 % of panels like these have nothing (stated, not learned)" in some.sentence()
    assert some.average.mean == pytest.approx(0.7 * some.size.mean, rel=1e-3)


@pytest.mark.parametrize("share", [0, 1, -0.2, 1.5, "half", True])
def test_a_share_that_is_none_is_refused(halves, share):
    with pytest.raises(ValueError, match="above 0 and below 1"):
        halves.some(share)


def test_an_explanation_that_is_not_there_is_refused(halves):
    with pytest.raises(ValueError, match="against is 'none', 'same' and 'varying'"):
        halves.some().factor("other")


def test_where_every_panel_has_something_the_sentence_turns_round():
    some = pooled([20, 22, 21, 23]).some()
    assert some.factor() < 1
    assert some.best == "same" and "times as probable if all have the same difference" in some.compared()
    assert some._glance().step == "go on with the pool itself, which fits these panels better."


def test_what_the_others_share_is_asked_only_where_the_panels_tell_which_have_something(halves):
    assert halves.some().favoured and halves.some().told_apart
    assert halves.some()._glance().step.startswith("look for what the panels with something share")
    alike = pooled([8, 8, 7, 9, 8], tastings=24).some()  # all at the guess rate
    assert alike.factor() > 1 and alike.best == "none" and not alike.favoured and not alike.told_apart
    assert alike._glance().step.endswith("do not tell which have something.")
    assert str(alike).startswith("Nothing in any panel fits better: the panels are then")


def test_it_is_held_against_the_best_of_the_others():
    for correct in ([10, 22, 9, 24, 11, 23], [8, 8, 7, 9, 8], [20, 22, 21, 23]):
        some = pooled(correct).some()
        assert some.factor(some.best) == min(map(some.factor, ("none", "same", "varying")))


def test_statement_and_explanations_say_it_where_the_cautions_do(halves):
    said = "The panels are 14 times as probable if only some of them have something to taste as if all of them have."
    assert aside(halves.core) == [said]
    assert said in " ".join(halves.statement().split())
    assert f"{said} See pooled.some()." in " ".join(str(halves.explanations()).split())
    alike = pooled([14, 15, 13, 16, 14, 15])
    assert aside(alike.core) == [] and "only some" not in alike.statement() + str(alike.explanations())


def test_the_line_in_the_figure_says_what_it_is(halves):
    axes = halves.some().plot(ax=Figure())
    assert "as likely as not" in [text.get_text() for text in axes.texts]


def test_what_it_prints_is_careful_and_its_figure_is_described(halves):
    some = halves.some()
    assert not words.banned(str(some))
    assert some.picture().alt.startswith("Probability that each panel has nothing to taste: from less than 1 % (P3) to")


def test_rates_and_verdict_count_the_zeros(halves):
    some = halves.some()
    assert some.verdict().below == pytest.approx(some.average.below(halves.margin.d_prime))
    rate = some.rate("triangle").p_c
    assert 1 / 3 <= rate.interval()[0] < rate.median < rate.interval()[1] < 1
    assert set(some.to_frame()["quantity"]) >= {"share of panels with nothing", "p_c (triangle)"}


def test_heavier_tails_are_a_case_of_the_sensitivity(halves):
    frame = halves.sensitivity().to_frame()
    shape = frame[frame["about"] == "shape"]
    assert len(shape) == 1
    assert shape["median"].item() != pytest.approx(frame["median"].iloc[0], abs=1e-3)
    assert any("heavier tails" in sentence for sentence in halves.sensitivity().sentences())


def test_the_first_screen_says_what_is_there_where_something_is_and_both_parts_of_the_next_panel(halves):
    some, kind = halves.some(), ms.protocol("triangle")
    rows = {line[:36].strip(): line[36:].split() for line in str(some).splitlines() if line[:1] in "gpt"}
    # by plain sums: each share's own posterior, weighed; centre and spread of a rate by draws of the panels
    draws = np.random.default_rng(1).choice(some.posterior.next_something.quantile(np.linspace(0, 1, 2001)), 200_000)
    low, middle, high = np.quantile(kind.p_correct(draws), [0.025, 0.5, 0.975]) * 100
    found = [int(rows["the next panel: something (51 %)"][i]) for i in (0, 1, 3)]
    assert found == pytest.approx([middle, low, high], abs=1)
    assert rows["the next panel: nothing (49 %)"] == ["33"] and round(100 * some.posterior.next_nothing) == 49
    assert rows["panels with something"][0] == "74"
    clear = np.array([22, 24, 23]) / 30 * 100  # what the three panels that are sure to have something counted
    assert clear.min() <= 74 <= clear.max()
    assert "would have nothing; P0, P2 and P4 likely do." in some.plain_answer()
    assert "over all panels, of 100 triangle answers about 53" in some.plain_answer()


def test_a_pool_that_speaks_for_it_does_not_go_on_to_a_panel_planned_without_it(halves):
    assert halves._glance().step == "look first for what sets the panels apart; see pooled.some()."
    assert "plan_next" in pooled([14, 15, 13, 16, 14, 15])._glance().step


def test_that_few_panels_seldom_tell_is_said_in_the_details(halves):
    said = " ".join(str(halves.some().details()).split())
    assert "in 3 of 100 sets of six triangle panels of 30 and in 80 of twelve tetrad panels of 60" in said


@pytest.mark.parametrize(
    ("prior", "says"),
    [
        ((0.5, 0.25, 0.25), "prior holds four numbers here"),
        (0.25, "prior holds four numbers here"),
        ("even", "prior holds four numbers here"),
        ((0.5, 0.5, 0.5, -0.5), "numbers of at least 0 that add up to 1"),
    ],
)
def test_odds_that_are_no_four_are_refused(halves, prior, says):
    with pytest.raises(ValueError, match=says):
        halves.some().explanations(prior)


def test_a_panel_with_nothing_has_a_zero_without_a_sign():
    frame = pooled([150, 290, 150, 297], protocol="2-AFC", tastings=300).some().panels_frame()
    ends = frame.loc[frame["p_nothing"] > 0.95, ["median", "lower"]].to_numpy()
    assert len(ends) and (ends == 0).all() and not np.signbit(ends).any()


def test_frames_hold_the_asked_probability_and_even_odds_unless_others_are_given(halves):
    some = halves.some()
    for prob, frames in (
        (0.8, (some.to_frame(0.8), some.panels_frame(0.8))),
        (0.95, (some.to_frame(), some.panels_frame())),
    ):
        main, panels = frames
        assert (main["prob"] == prob).all() and (panels["prob"] == prob).all()
        share = main.set_index("quantity").loc["share of panels with nothing"]
        assert (share["lower"], share["upper"]) == some.nothing.interval(prob)
        second = some.posterior.panels()[halves.core.collected.index[1]]
        assert (panels.loc[1, "lower"], panels.loc[1, "upper"]) == second.interval(prob)
    assert some.explanations()["prior"].tolist() == [0.25] * 4


def fixed(core, factor=10.0, absent=(0.0, 1.0)):
    """The same panels with another strength of evidence, and probabilities of nothing made up."""

    class Fixed(Some):
        posterior = SimpleNamespace(panels_nothing=np.array(absent))

        def factor(self, against="varying"):
            return factor

    return Fixed(core)


@pytest.mark.parametrize(
    ("factor", "absent", "step"),
    [
        (3.0, (0.25, 0.75), "look for what the panels with something share, and name it as a moderator."),
        (2.99, (0.25, 0.75), "go on with the pool itself; these panels hardly speak for only some."),
        (3.0, (0.25, 0.74), "go on with the pool itself; these panels do not tell which have something."),
        (1.0, (0.25, 0.75), "go on with the pool itself; these panels hardly speak for only some."),
        (0.99, (0.25, 0.75), "go on with the pool itself, which fits these panels better."),
    ],
)
def test_the_reason_is_looked_for_from_three_times_as_probable_and_halves_told_apart_on(halves, factor, absent, step):
    assert fixed(halves.core, factor, absent)._step() == step


@pytest.mark.parametrize(
    ("factor", "said"),
    [
        (4.0, "The panels are 4 times as probable under this as if every panel has something."),
        (0.25, "The panels are 4 times as probable if every panel has something."),
    ],
)
def test_the_likelier_explanation_is_named_by_how_many_times(halves, factor, said):
    assert fixed(halves.core, factor).compared() == said


def test_it_is_asked_unasked_of_four_panels_and_of_no_fewer(halves, monkeypatch):
    monkeypatch.setattr("metasense.questions.some.Some.favoured", True)
    four, three = (halves.panels[[f"P{i}" for i in range(n)]] for n in (4, 3))
    assert favoured(replace(halves.core, panels=four)) is not None
    assert favoured(replace(halves.core, panels=three)) is None


def test_the_figure_and_its_words_run_from_the_least_to_the_most_probable(halves):
    some, frame = halves.some(), halves.some().panels_frame()
    axes = some.plot(ax=Figure())
    order = frame.sort_values("p_nothing")["panel"].tolist()
    assert [label.get_text() for label in axes.get_yticklabels()] in (order, order[::-1])
    assert {"10 of 30 correct", "24 of 30 correct"} <= {text.get_text() for text in axes.texts}
    last = frame.loc[frame["p_nothing"].idxmax()]
    assert some.picture().alt.endswith(f" to {words.probability(last['p_nothing'])} ({last['panel']}).")
    assert some._which() == "; P0, P2 and P4 likely do"
