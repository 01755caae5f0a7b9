"""What both kinds of lone panel share: the words of each verdict, the first screen, what depends on a margin."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import metasense as ms
from metasense.alone.panel import ends, plain_row, scale_of
from metasense.alone.single import one_panel
from metasense.engine.distribution import Distribution
from metasense.margins import Margin

MARGIN = Margin(p_d=0.3, protocol="triangle")
SIDES = {  # 24 triangles lie on neither side of this margin; of 200 and more, 70 and 140 do
    "not settled": one_panel("triangle", 24, 12, margin=MARGIN, name="A"),
    "within the margin": one_panel("triangle", 200, 70, margin=MARGIN),
    "beyond the margin": one_panel("triangle", 200, 140, margin=MARGIN),
}
BARE = one_panel("triangle", 24, 12)
PAIRED = one_panel("2-AFC", 60, 18, margin=Margin(d_prime=0.3))


@pytest.mark.parametrize("verdict", SIDES)
def test_the_verdict_is_said_in_its_own_sentence_line_and_next_step(verdict):
    panel = SIDES[verdict]
    assert panel.verdict() == verdict
    about, meaning = panel.on_the_margin()
    assert about.startswith(f"Margin: {MARGIN.sentence()}. Probability that the difference is larger: ")
    assert "(flat prior on p_d), " in about and about.endswith("(prior on d-prime).")
    expected = {
        "not settled": "Not settled: neither side of the margin has a probability of 95 % under both priors. That is",
        "within the margin": "Within the margin: a larger difference is improbable; a smaller one may well be there.",
        "beyond the margin": "Beyond the margin: this panel points to a difference larger than the margin.",
    }[verdict]
    assert meaning.startswith(expected)
    said = "not settled against the margin" if verdict == "not settled" else verdict
    assert panel._line().endswith(f": {said} of {MARGIN.d_prime:.2f}.")
    step = {"not settled": "pool it with more such panels."}
    other = "serve another panel on new batches."
    assert panel._step(verdict) == step.get(verdict, other)


def test_without_a_margin_there_is_no_verdict_and_the_next_step_is_to_name_one():
    assert BARE.verdict() is None and BARE.on_the_margin() == [] and BARE.beyond == {}
    assert BARE._step("") == "say what difference would matter (margin= or --margin)."
    assert BARE._line().endswith("credible interval, equal-tailed).")
    assert "no margin was named" in BARE._methods()[-1] and MARGIN.sentence() in SIDES["not settled"]._methods()[-1]
    assert "P(beyond margin)" not in BARE.to_frame()["quantity"].tolist()
    reversed_ = one_panel("triangle", 30, 1, margin=MARGIN)
    assert reversed_._step("within the margin") == "check the key, the codes and the instructions."


def test_the_bayes_factor_is_the_average_likelihood_over_that_of_guessing():
    test = ms.protocol("triangle")

    d, step = np.linspace(0, 12, 1201, retstep=True)
    tau, width = np.linspace(0.002, 4, 1000, retstep=True)
    prior = stats.halfnorm.pdf(d[:, None], scale=np.hypot(1.5, tau)) @ stats.halfnorm.pdf(tau, scale=0.5) * width
    height = stats.binom.pmf(12, 24, test.p_correct(d)) * prior
    average = (height.sum() - height[0] / 2) * step
    expected = np.log(average / stats.binom.pmf(12, 24, 1 / 3))
    assert BARE.log_bayes_factor["prior on d-prime"] == pytest.approx(expected, abs=2e-3)
    frame = BARE.to_frame().set_index(["quantity", "basis"])["estimate"]
    assert frame["Bayes factor", "prior on d-prime"] == pytest.approx(np.exp(expected), rel=2e-3)
    assert "times for a difference (prior on d-prime). It depends on the prior." in BARE._evidence()
    assert "times for guessing (prior on d-prime)" in one_panel("triangle", 60, 20)._evidence()


def test_the_chance_of_nothing_to_taste_weighs_three_explanations_alike():
    # none, one size and panels that differ, as a pool of one panel has them
    pooled = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 12})
    assert BARE._nothing() == pytest.approx(pooled.explanations().probability[0], abs=1e-5)
    paired = ms.pool({"panel": ["A"], "protocol": "2-AFC", "tastings": 60, "correct": 33})
    assert one_panel("2-AFC", 60, 33)._nothing() == pytest.approx(paired.explanations().probability[0], abs=1e-5)


def test_the_first_screen_says_which_side_is_likelier_from_both_beliefs():
    said = SIDES["not settled"]._beside_the_margin("not settled")
    smaller = [1 - chance for chance in SIDES["not settled"].beyond.values()]
    assert said == f"It is at least {100 * min(smaller):.0f} % probable that the difference is smaller than the margin."
    far = SIDES["beyond the margin"]._beside_the_margin("beyond the margin")
    assert far == "It is more than 99 % probable that the difference is larger than the margin."
    within = SIDES["within the margin"]._beside_the_margin("within the margin")
    assert within.endswith("that the difference is smaller than the margin, though a small one may be there.")
    split = one_panel("triangle", 10, 6, margin=MARGIN)
    larger = sorted(split.beyond.values())
    assert larger[0] < 0.5 < larger[1]  # one belief says larger and the other smaller
    low, high = (f"{100 * p:.0f} %" for p in larger)
    said = f"It is {low} or {high} probable, by where one starts, that the difference is larger than the margin."
    assert split._beside_the_margin("not settled") == said


def test_the_first_screen_compares_with_a_pool_of_this_panel():
    agree = "A pool could say otherwise, as it expects less."
    assert SIDES["not settled"]._beside_a_pool("not settled") == agree
    split = one_panel("triangle", 24, 3, margin=MARGIN)
    alone, pooled = split.verdict(), split.beyond["prior on d-prime"]
    if pooled < 0.05 and alone == "not settled":
        assert "may say within the margin" in split._beside_a_pool(alone)
    told = SIDES["beyond the margin"]._beside_a_pool("not settled")
    assert told.startswith("A pool may say beyond the margin, as it expects less")
    two = one_panel("A-not-A", signal=20, hits=14, noise=20, false_alarms=6, margin=Margin(d_prime=0.5))
    assert two._beside_a_pool("not settled") == "A pool could say otherwise, as it asks about panels like this one."


def test_the_first_screen_counts_in_the_margins_protocol_where_it_has_one():
    other = one_panel("tetrad", 30, 16, margin=MARGIN)
    assert other._said_in().name == "triangle" and BARE._said_in().name == "triangle"
    said = " ".join(repr(other).split())
    assert "which fits 34 to 55 of 100 in a triangle test, where guessing gives 33 and the margin is 53" in said
    own = one_panel("tetrad", 30, 16, margin=Margin(d_prime=1.0))
    assert own._said_in().name == "tetrad" and "triangle" not in repr(own)
    two = one_panel("A-not-A", signal=20, hits=14, noise=20, false_alarms=6)
    assert two._said_in().name == "triangle"


def test_a_directed_panel_says_which_way_and_shows_the_margin_on_its_side():
    text = " ".join(repr(PAIRED).split())
    assert "it goes against the expected way" in text
    away = float(ms.protocol("2-AFC").p_correct(-0.3))
    assert f"the margin is {100 * away:.0f}" in text
    along = " ".join(repr(one_panel("2-AFC", 60, 42, margin=Margin(d_prime=0.3))).split())
    assert "it goes the expected way" in along and f"the margin is {100 - round(100 * away)}" in along
    assert "which way it goes is not settled" in repr(one_panel("2-AFC", 60, 30)).replace("\n", " ")
    assert "way" not in repr(BARE).split("Right answers")[0]


def test_beliefs_before_the_panel_are_named():
    assert BARE._priors_in_words() == (
        "Beliefs before the panel: every p_d from 0 to 1 equally probable, or d-prime as in pooling (centre "
        "half-normal(1.5), spread half-normal(0.5) in d-prime units)."
    )
    two = one_panel("A-not-A", signal=20, hits=14, noise=20, false_alarms=6)
    assert two._priors_in_words().startswith("Beliefs before the panel: d-prime as in pooling (centre normal(0, 1.5)")


def test_the_picture_holds_both_margins_only_where_the_direction_counts():
    triangle, paired = ms.protocol("triangle"), ms.protocol("2-AFC")
    for test, margin, signed in ((triangle, MARGIN, False), (paired, Margin(d_prime=0.3), True), (paired, None, True)):
        scale = scale_of(test, margin, signed=signed)
        margins = [] if margin is None else [-margin.d_prime, margin.d_prime] if signed else [margin.d_prime]
        assert list(scale.cuts) == pytest.approx(test.p_correct(np.array(margins)).tolist())
    axes = PAIRED.plot()
    assert axes.get_xlim()[0] < 0 and any(line.get_linestyle() == ":" for line in axes.lines)
    plain = BARE.plot()
    assert plain.get_xlim()[0] >= -0.2


def test_rows_of_numbers_hold_what_is_not_known_as_not_a_number():
    assert np.isnan(plain_row("power", None, "x")["estimate"]) and plain_row("p", 1, "x")["estimate"] == 1.0
    flat = Distribution(np.linspace(0, 1, 11), np.linspace(0, 1, 11))
    assert ends(flat, 0.8) == pytest.approx({"lower": 0.1, "upper": 0.9, "prob": 0.8, "kind": "equal-tailed"}) or (
        ends(flat, 0.8)["lower"] == pytest.approx(0.1)
    )
    frame = SIDES["not settled"].to_frame()
    assert isinstance(frame, pd.DataFrame) and (frame["prob"].dropna() == 0.95).all()


def drawn(panel):
    """The d-primes over which a panel's posterior is drawn."""
    return next(line.get_xdata() for line in panel.plot().lines if len(line.get_xdata()) > 500)


def test_the_figure_reaches_a_little_beyond_what_is_believed_and_at_least_to_two():
    for panel in (BARE, PAIRED, SIDES["within the margin"]):
        low, high = panel.d_prime_posterior.quantile([0.001, 0.999])
        x = drawn(panel)
        assert x[-1] == pytest.approx(max(high, 2.0) + 0.3)
        assert x[0] == pytest.approx(min(low - 0.3, 0.0) if panel is PAIRED else 0.0)


def test_the_figure_in_words_has_median_interval_and_the_side_of_the_margin():
    panel = SIDES["not settled"]
    posterior = panel.d_prime_posterior
    low, high = posterior.interval(0.95)
    said = panel._alt("", {})
    for number in (posterior.median, low, high, MARGIN.d_prime):
        assert f"{number:.2f}" in said
    assert f"{100 * posterior.below(MARGIN.d_prime):.0f} %" in said
    assert "margin" not in BARE._alt("", {}) and panel._alt("strip", {}) == panel._picture().alt


def test_each_belief_has_its_row_on_the_first_screen():
    panel = SIDES["not settled"]
    lines = str(panel).splitlines()
    believed = panel._believed(ms.protocol("triangle"))
    for name, basis in (("small differences likelier", "prior on d-prime"), ("all rates alike", "flat prior on p_d")):
        row = next(line for line in lines if line.startswith(name))
        middle, low, high = (f"{100 * p:.0f}" for p in believed[basis])
        assert row.removeprefix(name).split()[:4] == [middle, low, "to", high]


@pytest.mark.parametrize(("tastings", "said"), [(3, "none"), (5, "0"), (24, "8")])
def test_most_answers_that_speak_for_likeness_may_be_none_at_all(tastings, said):
    # at the margin p_c is 1/3 + 2/3 * 0.3; with beta 5 % so few correct must have at most that chance
    chance = stats.binom.cdf(np.arange(tastings + 1), tastings, 1 / 3 + 0.2)
    limit = int((chance <= 0.05).sum()) - 1
    assert said == ("none" if limit < 0 else str(limit))
    panel = one_panel("triangle", tastings, 1, margin=MARGIN)
    numbers = panel._tables()[1].to_text()
    row = next(line for line in numbers.splitlines() if line.strip().startswith("similarity limit"))
    assert row.split()[2] == said


def test_numbers_without_a_range_have_a_table_of_their_own():
    ranges, numbers = (part.to_text() for part in SIDES["not settled"]._tables())
    assert "p-value" in numbers and "critical number" in numbers and "p-value" not in ranges
    assert "d-prime" in ranges and "p_c, share correct" in ranges and "p_d, above guessing" in ranges
    p = stats.binom.sf(11, 24, 1 / 3)
    row = next(line for line in numbers.splitlines() if line.strip().startswith("p-value"))
    assert row.split()[1] == f"{p:.2f}" or row.split()[1] == f"{p:.3f}"
    risk = next(line for line in numbers.splitlines() if line.strip().startswith("actual alpha"))
    assert f"{100 * stats.binom.sf(12, 24, 1 / 3):.1f} %" in risk
