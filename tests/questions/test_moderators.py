"""Pools with moderators: against direct quadrature, against their own symmetries, and on the demo data."""

import html
import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import CubicSpline
from scipy.stats import binom, norm

import metasense as ms
from metasense.engine.slopes import Drawn
from metasense.protocols import protocol
from metasense.results.moderated import Moderated
from metasense.showing import words

PRIORS = ms.Priors()


def table(correct, x, test="triangle", tastings=30, **columns):
    names = [f"P{i}" for i in range(len(correct))]
    return pd.DataFrame({"panel": names, "protocol": test, "tastings": tastings, "correct": correct, "x": x, **columns})


def legendre(nodes, low, high):
    x, w = np.polynomial.legendre.leggauss(nodes)
    return low + (x + 1) / 2 * (high - low), w / 2 * (high - low)


@lru_cache
def averages(test, n, correct, tau):
    """Chance of the count for d-primes drawn from Normal(centre, tau), by a plain sum; a spline over the centres."""
    centres, z, d = np.linspace(-12, 12, 601), np.linspace(-8, 8, 161), np.linspace(-36, 36, 28801)
    chance = np.interp(np.add.outer(centres, tau * z), d, binom.pmf(correct, n, protocol(test).p_correct(d)))
    return CubicSpline(centres, chance @ (norm.pdf(z) * 0.1))


def averaged(test, n, correct, centre, tau):
    return averages(test, n, correct, tau)(centre)


def brute(correct, x, test, *, n=30):
    """Log evidence and mean slope per SD, by direct quadrature over centre, slope and spread."""
    z = (np.array(x, float) - np.mean(x)) / np.std(x)
    tau, w_tau = legendre(24, 0, 3)
    falling, w_falling = legendre(30, -2.5, 0)  # the bound on the centre has a corner at slope 0
    rising, w_rising = legendre(30, 0, 2.5)
    total = moment = held = 0.0
    for b, wb in zip([*falling, *rising], [*w_falling, *w_rising], strict=True):
        low = -11.0 if protocol(test).directed else float((-b * z).max())  # undirected: no panel's centre below 0
        mu, w_mu = legendre(240, low, 11)
        prior = norm.pdf(mu, scale=1.5) * (1 if protocol(test).directed else 2) * norm.pdf(b, scale=0.5) * wb * w_mu
        held += prior.sum()
        likelihood = np.ones((len(mu), len(tau)))
        for i, count in enumerate(correct):
            for k, t in enumerate(tau):
                likelihood[:, k] *= averaged(test, n, count, mu + b * z[i], t)
        part = prior @ likelihood @ (w_tau * 2 * norm.pdf(tau, scale=0.5))
        total, moment = total + part, moment + b * part
    return np.log(total / held), moment / total


@pytest.fixture(scope="module")
def coffee():
    return ms.pool("datasets/coffee_bags.csv", moderators="weeks_stored", through_zero="weeks_stored")


# --- against quadrature ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("test", "correct"), [("triangle", [9, 11, 12, 18]), ("2-AFC", [14, 16, 21, 25])])
def test_one_moderator_equals_direct_quadrature(test, correct):
    x = [1.0, 2.0, 4.0, 8.0]
    moderated = ms.pool(table(correct, x, test), moderators="x")
    evidence, slope = brute(correct, x, test)
    assert moderated.log_evidence == pytest.approx(evidence, abs=2e-5)
    assert moderated.slope().mean * np.std(x) == pytest.approx(slope, abs=2e-5)


def test_a_dose_through_zero_equals_direct_quadrature():
    correct, x = [9, 11, 12, 18], np.array([0.0, 2.0, 4.0, 8.0])
    moderated = ms.pool(table(correct, x), moderators="x", through_zero="x")
    unit = np.sqrt(np.mean(x**2))
    mu, w_mu = legendre(60, 0, 6)
    tau, w_tau = legendre(30, 0, 3)
    likelihood = np.ones((60, 30))
    for count, dose in zip(correct, x, strict=True):
        likelihood *= np.stack([averaged("triangle", 30, count, mu * dose / unit, t) for t in tau], axis=1)
    joint = likelihood * np.outer(w_mu * 2 * norm.pdf(mu, scale=1.5), w_tau * 2 * norm.pdf(tau, scale=0.5))
    assert moderated.log_evidence == pytest.approx(np.log(joint.sum()), abs=1e-5)
    assert moderated.slope().mean == pytest.approx(joint.sum(axis=1) @ mu / joint.sum() / unit, abs=1e-5)


def test_categories_equal_direct_quadrature():
    correct, x = [9, 11, 15, 18], ["plain", "plain", "buttered", "buttered"]
    moderated = ms.pool(table(correct, x), moderators="x")
    mu, w_mu = legendre(40, 0, 6)
    tau, w_tau = legendre(24, 0, 3)
    phi, w_phi = legendre(200, -8, 8)
    total = mean = 0.0
    for t, wt in zip(tau, w_tau, strict=True):
        groups = [
            averaged("triangle", 30, a, phi, t) * averaged("triangle", 30, b, phi, t)
            for a, b in (correct[:2], correct[2:])
        ]
        around = norm.pdf(phi[None, :], mu[:, None], 0.5) * w_phi
        weight = w_mu * 2 * norm.pdf(mu, scale=1.5) * wt * 2 * norm.pdf(t, scale=0.5)
        both = (around @ groups[0]) * (around @ groups[1])
        size = np.abs(phi) * (1 - 2 * norm.sf(np.abs(phi) / t)) + 2 * t * norm.pdf(phi / t)  # E|theta|
        total += weight @ both
        mean += weight @ ((around @ (size * groups[1])) * (around @ groups[0]))
    assert moderated.log_evidence == pytest.approx(np.log(total), abs=1e-5)
    assert moderated.at(x="buttered").average.mean == pytest.approx(mean / total, abs=1e-4)


# --- properties -----------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def weeks():
    return table([9, 8, 12, 14, 13, 19], [1.0, 2.0, 3.0, 5.0, 8.0, 9.0])


def test_order_unit_and_origin_of_the_moderator_do_not_matter(weeks):
    one = ms.pool(weeks, moderators="x")
    days = ms.pool(weeks.iloc[::-1].assign(x=lambda frame: 7 * frame["x"] - 3), moderators="x")
    assert days.log_evidence == pytest.approx(one.log_evidence, abs=1e-9)
    assert days.slope().interval() == pytest.approx(np.array(one.slope().interval()) / 7, abs=1e-6)
    assert days.at(x=11.0).average.median == pytest.approx(one.at(x=2.0).average.median, abs=1e-6)


def test_turning_the_moderator_round_turns_the_slope_round(weeks):
    one, other = ms.pool(weeks, moderators="x"), ms.pool(weeks.assign(x=-weeks["x"]), moderators="x")
    low, high = other.slope().interval()
    assert one.slope().interval() == pytest.approx((-high, -low), abs=2e-3)
    assert one.share.median == pytest.approx(other.share.median, abs=5e-3)


@pytest.mark.parametrize("x", [[1.0, 2.0, 3.0, 5.0, 8.0, 9.0], list("aabbba")])
def test_a_slope_that_cannot_be_leaves_the_plain_pool(weeks, x):
    moderated = ms.pool(weeks.assign(x=x), moderators="x", priors=ms.Priors(slope_scale=0.005))
    there = moderated.at(x=x[0])
    assert moderated.bayes_factor == pytest.approx(1, abs=0.01)
    assert there.average.interval() == pytest.approx(moderated.plain.average.interval(), abs=8e-3)
    assert there.next_d_prime.interval() == pytest.approx(moderated.plain.next_d_prime.interval(), abs=8e-3)


def test_every_scale_tells_the_same(weeks):
    there = ms.pool(weeks, moderators="x").at(x=4)
    triangle = protocol("triangle")
    rate = there.rate("triangle")
    assert rate.next_p_c.quantile(0.8) == pytest.approx(triangle.p_correct(there.next_d_prime.quantile(0.8)), abs=1e-3)
    assert rate.p_d.median == pytest.approx(triangle.p_d_from_p(rate.p_c.median), abs=1e-6)


def test_change_is_the_difference_of_the_averages(weeks):
    moderated = ms.pool(weeks, moderators="x")
    means = [moderated.at(x=v).average.mean for v in (1.0, 9.0)]
    assert moderated.change("x", 1.0, 9.0).mean == pytest.approx(means[1] - means[0], abs=1e-3)
    assert moderated.change("x", 9.0, 1.0).median == pytest.approx(-moderated.change("x", 1.0, 9.0).median, abs=5e-3)
    rates = [moderated.at(x=v).rate("triangle").p_d.mean for v in (1.0, 9.0)]
    assert moderated.change("x", 1.0, 9.0, protocol="triangle").mean == pytest.approx(rates[1] - rates[0], abs=1e-3)


def test_repeat_tasters_enter_once_each():
    frame = table([9, 8, 12, 14, 13, 19], [1.0, 2.0, 3.0, 5.0, 8.0, 9.0], tasters=[30, 30, 30, 30, 30, 5])
    few, many = ms.pool(frame, moderators="x"), ms.pool(frame.drop(columns="tasters"), moderators="x")
    assert few.slope().sd > many.slope().sd


def test_large_panels_give_the_slope_back():
    x = np.arange(1.0, 9.0)
    chance = protocol("tetrad").p_correct(0.3 + 0.2 * x)
    moderated = ms.pool(table(np.round(2000 * chance).astype(int), x, "tetrad", 2000), moderators="x")
    low, high = moderated.slope().interval()
    assert low < 0.2 < high
    assert high - low < 0.04
    assert moderated.bayes_factor > 100
    assert moderated.share.median > 0.95


# --- refusals -------------------------------------------------------------------------------------------------------

GOOD = table([9, 8, 12, 14, 13, 19], [1.0, 2.0, 3.0, 5.0, 8.0, 9.0], style=list("aabbab"), same="dry")


@pytest.mark.parametrize(
    ("frame", "asked", "reason"),
    [
        (GOOD, {"moderators": "style_"}, "no column 'style_'. Did you mean 'style'"),
        (GOOD, {"moderators": "same"}, "'same' is dry in every panel"),
        (GOOD.iloc[:2], {"moderators": "x"}, "2 panels cannot tell .* 3 are the least"),
        (GOOD.assign(x=[1, 2, None, 4, None, 6]), {"moderators": "x"}, r"missing for 'P2' and 'P4'.*panels\.where"),
        (GOOD.assign(style=list("abcdef")), {"moderators": "style"}, "each 'style' has a single panel"),
        (GOOD.assign(y=2 * GOOD["x"] + 1), {"moderators": ["x", "y"]}, "'x' and 'y' changed together"),
        (GOOD.assign(k=list("aaabbb"), j=list("aaabbb")), {"moderators": ["k", "j"]}, "'k' and 'j' changed together"),
        (GOOD.assign(batch_pair=list("uuvvuv")), {"moderators": "style"}, "each 'style' is one batch_pair"),
        (GOOD.iloc[:4], {"moderators": ["x", "style", "y"]}, "no column 'y'"),
        (GOOD.iloc[:4].assign(y=[3, 1, 2, 5]), {"moderators": ["x", "style", "y"]}, "4 panels cannot carry 3 effects"),
        (GOOD.assign(y=[3, 1, 2, 5, 4, 9], z=[1, 1, 7, 3, 2, 2]), {"moderators": ["x", "y", "z"]}, "takes at least 9"),
        (GOOD.assign(k=list("aabcdd")), {"moderators": "k"}, "6 panels cannot carry 3 effects.*Join categories"),
        (GOOD, {"moderators": "correct"}, "'correct' is part of the result"),
        (GOOD, {"moderators": "x", "through_zero": "style"}, "through_zero names 'style', which must be among"),
        (GOOD, {"moderators": "style", "through_zero": "style"}, "only a number can go through zero"),
        (GOOD.assign(x=-GOOD["x"]), {"moderators": "x", "through_zero": "x"}, "negative values, so it is no dose"),
        (GOOD, {"moderators": ["x", "x"]}, "named twice"),
        (GOOD, {"moderators": []}, "name at least one column"),
        (GOOD.assign(date=pd.date_range("2025-01-01", periods=6)), {"moderators": "date"}, "holds dates"),
        (GOOD, {"moderators": "style", "within": "style"}, "cannot be both a moderator and the level"),
    ],
)
def test_a_question_the_table_cannot_answer_is_refused_with_the_reason(frame, asked, reason):
    with pytest.raises(ms.PanelsError, match=reason):
        ms.pool(frame, **asked)


def test_all_reasons_come_at_once():
    with pytest.raises(ms.PanelsError) as caught:
        ms.pool(GOOD, moderators=["same", "nothing", "correct"])
    assert len(caught.value.problems) == 3


def test_values_out_of_place_are_refused_or_marked(coffee):
    with pytest.raises(ValueError, match="'roast' is not among the moderators"):
        coffee.at(roast="light")
    with pytest.raises(ValueError, match="weeks_stored is a dose, 0 or more; got -1"):
        coffee.at(weeks_stored=-1)
    with pytest.raises(ValueError, match="weeks_stored is a number; got 'six'"):
        coffee.at(weeks_stored="six")
    assert "above 12" in coffee.at(weeks_stored=20).sentence()
    assert not coffee.at(weeks_stored=6).notes


def test_categories_have_no_slope_and_must_be_named():
    moderated = ms.pool(GOOD, moderators="style")
    with pytest.raises(ValueError, match="style is no number"):
        moderated.slope("style")
    with pytest.raises(ValueError, match="style is one of a and b; got 'c'"):
        moderated.at(style="c")
    with pytest.raises(ValueError, match="say which style"):
        moderated.at()


# --- several at once -------------------------------------------------------------------------------------------------

BOTH = table(
    [9, 8, 12, 14, 13, 19, 16, 22, 11], [1.0, 2.0, 3.0, 5.0, 8.0, 9.0, 4.0, 7.0, 6.0], y=[3.0, 1, 4, 1, 5, 9, 2, 6, 5]
)
HEATED = BOTH.assign(heated=list("yynnynynn"), pair=list("uvwxuvwxu"))


def test_several_are_integrated_and_say_how_closely():
    moderated = ms.pool(BOTH, moderators=["x", "y"], margin=ms.Margin(d_prime=1))
    assert moderated.method == "grid"
    assert np.isfinite(moderated.bayes_factor)
    text = repr(moderated.details())
    assert re.search(r"integration over [\d,]+\s+weighted\s+points", text)
    assert re.search(r"agree\s+on\s+quantiles\s+to\s+0\.0", text)
    assert "PyMC" not in text
    again = ms.pool(BOTH.iloc[::-1], moderators=["x", "y"], margin=ms.Margin(d_prime=1))
    low, high = moderated.slope("x").interval()
    assert again.slope("x").interval() == pytest.approx((low, high), abs=1e-2 * (high - low))


def test_an_interaction_says_how_a_slope_depends_on_the_other_moderator():
    moderated = ms.pool(BOTH, moderators=["x", "y"], interaction=("x", "y"))
    found = moderated.interaction()
    slopes = [moderated.slope("x", y=value).mean for value in (2.0, 3.0)]
    assert slopes[1] - slopes[0] == pytest.approx(found.mean, abs=1e-6)
    turned = ms.pool(BOTH, moderators=["x", "y"], interaction=("y", "x")).interaction()
    assert turned.mean == pytest.approx(found.mean, abs=0.02 * found.sd)
    assert "change in d-prime per unit of x per unit of y" in moderated.to_frame()["quantity"].tolist()
    assert "the probability that x does more at a higher y is" in moderated.headline()


def test_an_interaction_with_words_compares_slopes():
    frame = HEATED.assign(correct=[9, 12, 8, 10, 19, 11, 14, 13, 12])
    moderated = ms.pool(frame, moderators=["x", "heated"], interaction=("heated", "x"))
    one, two = moderated.design["heated"].categories
    slopes = [moderated.slope("x", heated=value).mean for value in (one, two)]
    assert moderated.interaction().mean == pytest.approx(slopes[1] - slopes[0], abs=1e-6)
    assert f"from {one} to {two}" in " ".join(moderated.to_frame()["quantity"])


def test_a_number_within_a_level_is_held_against_the_level_alone():
    moderated = ms.pool(HEATED, moderators="x", within="pair")
    nested = ms.pool(HEATED, within="pair")
    factor = np.exp(moderated.log_evidence - nested.levels.box.log_evidence)
    assert moderated.bayes_factor == pytest.approx(factor)
    rows = moderated.to_frame()["quantity"].tolist()
    assert "spread with moderators, between values of pair" in rows
    assert "both within pair" in moderated.explained()


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        ({"moderators": ["x", "y"], "interaction": ("x", "x")}, "interaction names two different moderators"),
        ({"moderators": ["x", "y"], "interaction": ("x", "heated")}, "interaction names 'heated', which must be among"),
        (
            {"moderators": ["x", "y"], "through_zero": "x", "interaction": ("x", "y")},
            "'x' goes through zero and so multiplies",
        ),
    ],
)
def test_an_interaction_that_cannot_be_is_refused(asked, reason):
    with pytest.raises(ms.PanelsError, match=reason):
        ms.pool(HEATED, **asked)


def test_words_with_too_many_values_beside_a_number_are_sent_to_the_level():
    size = 60
    frame = table([12] * size, np.arange(size) % 7 * 1.0, supplier=[f"S{i % 15}" for i in range(size)])
    with pytest.raises(ms.PanelsError, match=r"'supplier' has 15 different words.*within='supplier'"):
        ms.pool(frame, moderators=["x", "supplier"])


def test_what_does_not_settle_is_sampled_and_says_so(monkeypatch):
    from metasense.engine.grid import IntegrationError
    from metasense.questions import moderators as questions

    def never(*given, **asked):
        raise IntegrationError("The integration did not settle")

    sampled = []
    monkeypatch.setattr(questions.Several, "integrate", never)
    monkeypatch.setattr(questions.Moderation, "_sampled", lambda *given: sampled.append(given))
    ms.pool(BOTH, moderators=["x", "y"])
    assert len(sampled) == 1


# --- the demo data --------------------------------------------------------------------------------------------------


def test_coffee_gives_its_true_dose_back(coffee):
    # datasets/README.md: d-prime is 0.14 per week of storage
    low, high = coffee.slope().interval()
    assert low < 0.14 < high
    assert coffee.slope().median == pytest.approx(0.14, abs=0.03)
    assert coffee.at(weeks_stored=0).average.median < coffee.at(weeks_stored=6).average.median


def test_bakery_reads_as_one_statement_across_protocols():
    # datasets/README.md: d-prime is 0.05 per percent of salt taken out, 0.6 of that on buttered slices
    bakery = ms.pool("datasets/bakery_salt.csv", moderators="salt_cut_pct", through_zero="salt_cut_pct")
    low, high = bakery.slope().interval()
    assert low < 0.05 < high
    text = bakery.statement()
    assert re.search(
        r"in triangle tests, where guessing alone gives 33 %; .* in 2-AFC tests, where guessing alone gives 50 %", text
    )
    there = bakery.at(salt_cut_pct=25)
    assert there.rate("triangle").p_d.median < 0.25 < there.rate("2-AFC").p_d.median  # one d-prime, two rates


# --- what it shows --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "mentions"), [({"moderators": "x"}, "slope normal(0, 0.5)"), ({"moderators": "style"}, "each style")]
)
def test_words_carry_the_cautions_and_the_priors(asked, mentions):
    moderated = ms.pool(GOOD, **asked)
    text = repr(moderated.details())
    assert "not randomised" in text
    assert "Only 6 panels: 10 for each column asked about are advised. So few allow one moderator, named" in " ".join(
        text.split()
    )
    assert "Bayes factor" in text
    assert mentions in text
    assert "seen but not tested" in text
    assert not words.banned(text)
    assert not words.banned(moderated.statement())


def test_what_changed_along_is_named():
    moderated = ms.pool(GOOD.assign(style=list("aaabbb")), moderators="x")
    assert "style changed along with x" in " ".join(moderated.cautions())


def test_what_changed_along_is_named_for_batch_pairs_and_where_some_values_are_missing():
    frame = table([9, 8, 12, 14, 13, 19], [1.0, 1.0, 4.0, 4.0, 8.0, 8.0])
    paired = ms.pool(frame.assign(batch_pair=list("pprrss")), moderators="x")
    assert "All panels from one batch pair have the same x" in paired.cautions()[0]
    every = table([10, 9, 12, 11, 17, 18, 18, 20], list("xxxxyyyy"), batch_pair=list("aaaabcde"))
    assert "All panels from one batch pair have the same x" in ms.pool(every, moderators="x").cautions()[0]
    across = ms.pool(every.assign(batch_pair=list("abcdabcd")), moderators="x")
    assert "batch pair" not in across.cautions()[0]
    own = ms.pool(every.assign(batch_pair=list("abcdefgh")), moderators="x")  # nothing is shared
    assert "batch pair" not in own.cautions()[0]
    some = ms.pool(frame.assign(style=["a", "a", None, "a", "b", "b"]), moderators="x")
    assert "style (where it is known) changed along with x" in some.cautions()[0]
    assert "changed along" not in ms.pool(frame.assign(style=list("ababab")), moderators="x").cautions()[0]
    few = frame.assign(style=["a", "a", None, None, "b", "b"])  # hardly known
    assert "style" not in ms.pool(few, moderators="x").cautions()[0]


def test_a_moderator_does_not_change_along_with_itself():
    frame = table([9, 8, 12, 14, 13, 19], list("aabbab")).assign(protocol=["triangle", "duo-trio"] * 3)
    assert "protocol changed" not in ms.pool(frame, moderators="protocol").cautions()[0]


def test_the_rule_for_few_panels_is_said_where_it_applies():
    frame = table([9, 8, 12, 14, 13, 19, 10, 11, 12, 15], np.arange(10.0))
    assert len(ms.pool(frame, moderators="x").cautions()) == 1
    assert len(ms.pool(frame.iloc[:9], moderators="x").cautions()) == 2


def test_spellings_and_numbers_with_words_are_asked_about():
    frame = table([9, 8, 12, 14, 13, 19], ["Dark", "dark ", "light", "light", "Dark", "light"])
    assert any("are taken as different values of x. If they are one" in n for n in ms.pool(frame, moderators="x").notes)
    frame = table([9, 8, 12, 14, 13, 19], ["5 g/l", "5 g/l", "10 g/l", "10 g/l", "5 g/l", "10 g/l"])
    assert any("Numbers alone would give a slope" in note for note in ms.pool(frame, moderators="x").notes)
    lots = table([9, 8, 12, 14, 13, 19], np.arange(6.0)).assign(batch_pair=[1, 1, 2, 2, 3, 3])
    assert not any("numbers with words" in note for note in ms.pool(lots, within="batch_pair").notes)


# --- margin, direction, priors --------------------------------------------------------------------------------------


@pytest.mark.lab
def test_a_margin_is_compared_at_every_stated_value_and_the_turn_is_found():
    correct = np.round(60 * protocol("tetrad").p_correct(np.array([0.1, 0.2, 0.6, 1.0, 1.6, 2.2]))).astype(int)
    moderated = ms.pool(
        table(correct, np.arange(1.0, 7.0), "tetrad", 60), moderators="x", margin=ms.Margin(d_prime=1.0)
    )
    found = moderated.verdicts()
    assert found["verdict"].tolist() == ["within the margin", "beyond the margin"]
    for value, above in zip(found["value"], found["p_above"], strict=True):
        assert above == moderated.at(x=value).verdict().above
    (first, before, middle), (second, _, after) = moderated.turns()
    assert (before, middle, after) == ("within the margin", "not settled", "beyond the margin")
    step = 0.02
    assert moderated.at(x=first - step).verdict().below > 0.95 > moderated.at(x=first + step).verdict().below
    assert moderated.at(x=second - step).verdict().above < 0.95 < moderated.at(x=second + step).verdict().above
    for text in (moderated.headline(), moderated.statement(), repr(moderated.details())):
        assert "the average d-prime is within it at x = 1" in text and "beyond it at x = 6" in text
    assert "the verdict turns from within the margin to not settled near" in moderated.statement()
    years = table(correct, np.arange(2015.0, 2021.0), "tetrad", 60)
    turning = ms.pool(years, moderators="x", margin=ms.Margin(d_prime=1.0)).statement()
    assert re.search(r"to not settled near 201\d\.\d\d and to beyond the margin near 20\d\d\.\d\d", turning)
    plain = ms.pool(table(correct, np.arange(1.0, 7.0), "tetrad", 60), moderators="x")
    assert "margin" not in plain.headline() and plain.turns() == []


def test_categories_are_compared_with_the_margin_too():
    moderated = ms.pool(GOOD, moderators="style", margin=ms.Margin(d_prime=0.5))
    assert moderated.verdicts()["value"].tolist() == ["a", "b"]
    assert "at style = a" in moderated.headline().split("Against the margin")[1]


@pytest.fixture(scope="module")
def crossing():
    """2-AFC panels that go from against the expected direction to with it."""
    return ms.pool(table([6, 10, 17, 23, 30, 35], np.arange(1.0, 7.0), "2-AFC", 40), moderators="x")


def test_a_directed_pool_keeps_its_sign(crossing):
    low, high = crossing.at(x=1), crossing.at(x=6)
    assert low.signed.median == pytest.approx(-low.average.median, abs=0.02)
    assert high.signed.median == pytest.approx(high.average.median, abs=0.02)
    assert low.expected_way < 0.01 and high.expected_way > 0.99
    text = crossing.headline()
    assert "at x = 1 (against the expected direction)" in text and "at x = 6 (in the expected direction)" in text
    assert low.sentence().count("against the expected direction") == 1
    change = crossing.change("x", 1, 6)
    assert change.mean == pytest.approx(high.signed.mean - low.signed.mean, abs=1e-3)
    assert change.median == pytest.approx(5 * crossing.slope().median, rel=0.01)  # a straight line with its sign
    frame = crossing.to_frame().set_index("quantity")
    assert frame.loc["signed average d-prime at x = 1", "median"] < -1
    assert frame.loc["p_d (2-AFC) at x = 1", "median"] < 0 < frame.loc["p_d (2-AFC) at x = 6", "median"]
    assert any("A p_d below 0 means fewer correct answers than guessing gives" in note for note in crossing.notes)


def test_the_curve_of_a_directed_pool_runs_through_its_panels(crossing):
    from matplotlib.figure import Figure

    axes = crossing.plot(ax=Figure())
    curve = next(line for line in axes.lines if len(line.get_xdata()) == 33)
    x, y = next(group.get_offsets() for group in axes.collections if len(group.get_offsets()) == 6).T
    at = np.interp(x, curve.get_xdata(), curve.get_ydata())
    assert np.abs(at - y).max() < 0.5  # about a standard error of a panel of 40
    assert curve.get_ydata()[0] < -1 < 1 < curve.get_ydata()[-1]
    assert "with its sign" in axes.get_ylabel() and "below 0: against the expected direction" in axes.get_xlabel()


def test_panels_without_a_limit_end_in_an_arrow_and_equal_values_stand_side_by_side():
    from matplotlib.figure import Figure

    axes = ms.pool(table([30, 9, 12, 14, 13, 30], [1.0, 1.0, 1.0, 5.0, 8.0, 9.0]), moderators="x").plot(ax=Figure())
    arrows = [line for line in axes.lines if line.get_marker() == "^"]
    x, _ = next(group.get_offsets() for group in axes.collections if len(group.get_offsets()) > 1).T
    assert len(arrows) == 1 and len(arrows[0].get_xdata()) == 2
    assert len(x) == 4 and len(set(x)) == 4


def test_notes_are_about_this_answer_and_not_the_plain_pool():
    moderated = ms.pool("datasets/coffee_bags.csv", moderators="weeks_stored", margin=ms.Margin(d_prime=0.7))
    own = [note for note in moderated.plain.warnings if "average d-prime" in note or "verdict" in note]
    prior = next(note for note in moderated.plain.notes if note.startswith("With the prior scales halved or doubled"))
    assert not {*own, prior} & set(moderated.notes)
    resting = ms.pool(table([11, 10, 11, 20, 10, 15], np.arange(6.0)), moderators="x", margin=ms.Margin(d_prime=0.5))
    assert any("The verdict, beyond the margin, rests on the prior" in note for note in resting.plain.notes)
    assert not any("The verdict, beyond" in note for note in resting.notes)
    assert any(note.startswith("Not reported elsewhere, but counted here") for note in moderated.notes)
    assert not any("From the reported panels only" in note for note in moderated.notes)
    assert any(note.startswith("With each prior scale halved or doubled (8 cases)") for note in moderated.notes)


@pytest.mark.parametrize(
    ("asked", "columns"),
    [
        ({"moderators": "x"}, {}),
        ({"moderators": "x"}, {"protocol": "2-AFC"}),
        pytest.param({"moderators": "x"}, {"tasters": 15}, marks=pytest.mark.slow),
        ({"moderators": "x", "through_zero": "x"}, {}),
        pytest.param({"moderators": "style"}, {}, marks=pytest.mark.slow),
        ({"moderators": "style"}, {"protocol": "2-AFC"}),
        pytest.param({"moderators": "style"}, {"tasters": 15}, marks=pytest.mark.slow),
    ],
)
def test_the_corners_are_pools_with_those_priors(asked, columns):
    margin, frame = ms.Margin(d_prime=0.8), GOOD.assign(**columns)
    cases = ms.pool(frame, margin=margin, **asked).corners
    scales = [(0.75, 0.25, 1.0), (3.0, 1.0, 0.25)] if "through_zero" not in asked else [(0.75, 0.25), (3.0, 1.0)]
    assert cases["case"].nunique() == (9 if "through_zero" not in asked else 5)
    for scale in scales:
        said = zip(scale, ("centre", "spread", "effect"), strict=False)
        case = "prior scales " + ", ".join(f"{value:g} ({what})" for value, what in said)
        other = ms.pool(frame, margin=margin, priors=ms.Priors(*scale), **asked).to_frame().set_index("quantity")
        chosen = cases[cases["case"] == case].set_index("quantity")
        assert len(chosen) >= 2
        for quantity, row in chosen.iterrows():
            width = other.loc[quantity, "upper"] - other.loc[quantity, "lower"]
            for end in ("median", "lower", "upper"):
                assert row[end] == pytest.approx(other.loc[quantity, end], abs=0.01 * width)


def test_corners_that_the_nodes_do_not_reach_are_integrated_anew():
    # all but perfect panels: under a wider prior the spread runs against the end of its axis
    frame = table([28, 30, 29, 27, 30, 30, 29, 28], [1.0, 2, 3, 5, 8, 9, 4, 4])
    asked = {"moderators": "x", "through_zero": "x"}
    row = (
        ms.pool(frame, **asked).corners.set_index(["case", "at"]).loc["prior scales 0.75 (centre), 1 (spread)", "x = 1"]
    )
    other = ms.pool(frame, priors=ms.Priors(0.75, 1.0), **asked).at(x=1).average
    assert row["median"] == pytest.approx(other.median, abs=0.02) and row["upper"] == pytest.approx(
        other.interval()[1], abs=0.03
    )


@pytest.mark.parametrize("clusters", [False, True])
def test_draws_weighed_to_other_priors_are_draws_from_those(clusters):
    from metasense.engine.slopes import Drawn

    old, new, n = ms.Priors(1.5, 0.5, 0.5), ms.Priors(1.0, 0.4, 0.3), 200_000
    rng = np.random.default_rng(1)
    draws = {
        "mu": np.abs(rng.normal(0, 1.5, n)),
        "beta": rng.normal(0, 0.5, (n, 2)),
        "tau": np.abs(rng.normal(0, 0.5, n)),
    }
    if clusters:
        draws |= {name: np.abs(rng.normal(0, 0.5 / np.sqrt(2), n)) for name in ("between", "within")}
        draws["tau"] = np.hypot(draws["between"], draws["within"])
    found = Drawn(None, draws).under(old, new).draws
    q = np.array([0.1, 0.5, 0.9])
    assert np.quantile(found["mu"], q) == pytest.approx(norm.ppf((1 + q) / 2), abs=0.02)
    assert np.quantile(found["beta"][:, 1], q) == pytest.approx(0.3 * norm.ppf(q), abs=0.01)
    for name in ("between", "within") if clusters else ("tau",):
        scale = 0.4 / np.sqrt(2) if clusters else 0.4
        assert np.quantile(found[name], q) == pytest.approx(scale * norm.ppf((1 + q) / 2), abs=0.01)


def test_too_few_draws_are_not_weighed():
    from metasense.engine.slopes import Drawn

    rng = np.random.default_rng(1)
    draws = {"mu": np.abs(rng.normal(0, 1.5, 300)), "beta": np.zeros((300, 0)), "tau": np.abs(rng.normal(0, 0.5, 300))}
    assert Drawn(None, draws).under(ms.Priors(), ms.Priors(1.4, 0.5, 0.5)) is None


def test_the_slope_rests_on_its_own_prior_and_that_is_said():
    moderated = ms.pool(GOOD, moderators="x")
    slopes = moderated.corners.query("quantity == 'd-prime per unit of x'").set_index("case")["median"]
    narrow, wide = (slopes[slopes.index.str.contains(rf"\b{s} \(effect")].mean() for s in ("0\\.25", "1"))
    assert narrow < slopes.iloc[0] < wide
    assert f"the d-prime per unit of x runs from {slopes.min():.2f} to {slopes.max():.2f}" in " ".join(moderated.notes)


def test_where_a_line_was_sent_through_zero_nothing_is_found():
    frame = table([11, 20, 12, 22, 24, 31], [0.0, 2.0, 0.0, 2.0, 4.0, 4.0], "2-AFC", 40)
    moderated = ms.pool(frame, moderators="x", through_zero="x", margin=ms.Margin(d_prime=0.5))
    there = moderated.at(x=0)
    assert "panels average 0 there is assumed, not found" in there.sentence()
    assert "50.0000" not in repr(there) and "0.0000001" not in repr(there)
    assert "\naverage d-prime" not in repr(there) and "next panel d-prime" in repr(there)
    with pytest.raises(ValueError, match="there is no verdict: the line was sent through zero there"):
        there.verdict()
    assert moderated.verdicts()["value"].tolist() == [2.0, 4.0]
    assert "at x = 0" not in moderated.headline()


def test_values_may_be_written_as_text_and_slopes_must_be_named(weeks):
    moderated = ms.pool(weeks, moderators="x")
    assert moderated.at(x="5").average.median == moderated.at(x=5).average.median
    with pytest.raises(ValueError, match="style is no number, so it has no slope"):
        ms.pool(GOOD, moderators="style").slope()


def test_the_share_of_the_variance_stands_beside_what_the_priors_alone_would_say():
    # eight panels alike hold nothing to explain: what is said is the prior's, and the reader must be able to see it
    alike = ms.pool(table([11] * 8, np.arange(8.0), tastings=24), moderators="x")
    said = re.search(r"(\d+) % \(.*goes with x, where the priors alone would say (\d+) %", alike.explained())
    assert abs(int(said[1]) - int(said[2])) < 8
    rng = np.random.default_rng(2)  # the same by drawing the model's definition
    mu, beta, tau = (
        np.abs(rng.normal(0, 1.5, 200_000)),
        rng.normal(0, 0.5, 200_000),
        np.abs(rng.normal(0, 0.5, 200_000)),
    )
    z = (np.arange(8) - 3.5) / np.arange(8).std()
    centres = mu[:, None] + beta[:, None] * z
    keep = (centres >= 0).all(axis=1)
    varying = centres[keep].var(axis=1)
    assert alike.share_before == pytest.approx(np.median(varying / (varying + tau[keep] ** 2)), abs=0.01)


def test_what_belongs_to_the_plain_pool_is_pointed_to():
    moderated = ms.pool(GOOD, moderators="x")
    with pytest.raises(
        AttributeError, match=r"no attribute 'sensitivity'; the plain pool in it has: \.plain\.sensitivity"
    ):
        moderated.sensitivity()
    with pytest.raises(AttributeError, match="verdicts\\(\\) gives one for each stated value"):
        moderated.verdict()
    with pytest.raises(AttributeError, match=r"no attribute 'nothing'$"):
        moderated.nothing  # noqa: B018
    assert not hasattr(moderated, "_ipython_canary_method_should_not_exist_")


def test_slips_in_a_column_are_named_when_it_is_refused():
    frame = table([9, 8, 12, 14, 13, 19], ["1", "3", "five", "6", "8", "9"])
    with pytest.raises(ms.PanelsError, match="kept as words, because of 'five'; correct it if it holds numbers"):
        ms.pool(frame, moderators="x")
    frame = table([9, 8, 12, 14, 13, 19], ["Me", "me", "ME", "Ann", "ann", "Ann"])
    with pytest.raises(ms.PanelsError, match=r"'Ann' and 'ann' are taken as different values of x\. If they are one"):
        ms.pool(frame, moderators="x")


def test_names_are_suggested_and_must_be_names():
    with pytest.raises(ValueError, match=r"'week' is not among the moderators\. Did you mean 'weeks'\?"):
        ms.pool(GOOD.rename(columns={"x": "weeks"}), moderators="weeks").at(week=6)
    with pytest.raises(ValueError, match="through_zero are names of columns; got True"):
        ms.pool(GOOD, moderators="x", through_zero=True)


def test_html_says_what_the_text_says(weeks):
    moderated = ms.pool(weeks, moderators="x")
    for shown in (moderated, moderated.at(x=3)):
        text = re.sub(r"<[^>]+>", " ", shown._repr_html_())
        for number in re.findall(r"\d+\.\d+", repr(shown)):
            assert number in text


def test_frame_holds_both_ends_the_change_and_the_spreads(weeks):
    moderated = ms.pool(weeks, moderators="x")
    frame = moderated.to_frame(prob=0.9)
    assert list(frame) == ["quantity", "mean", "median", "lower", "upper", "prob", "kind"]
    wanted = (
        "d-prime per unit of x",
        "average d-prime at x = 1",
        "p_d (triangle) at x = 9",
        "spread without moderators",
    )
    assert set(wanted) <= set(frame["quantity"])
    assert (frame["prob"] == 0.9).all() and (moderated.to_frame()["prob"] == 0.95).all()
    median = frame.set_index("quantity")["median"]
    for value in (1, 9):
        there = moderated.at(x=value)
        assert median[f"average d-prime at x = {value}"] == pytest.approx(there.average.median)
        assert median[f"next panel d-prime at x = {value}"] == pytest.approx(there.next_d_prime.median)
        assert median[f"p_d (triangle) at x = {value}"] == pytest.approx(there.rate("triangle").p_d.median)
    assert median["change in average d-prime from x = 1 to 9"] == pytest.approx(moderated.change("x", 1, 9).median)
    assert median["change in p_d (triangle) from x = 1 to 9"] == pytest.approx(
        moderated.change("x", 1, 9, protocol="triangle").median
    )
    assert (frame["lower"] <= frame["median"]).all()
    assert (frame["median"] <= frame["upper"]).all()


def test_figures_show_panels_on_the_curve_and_categories_as_a_forest(weeks, coffee):
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.use("Agg")
    axes = coffee.plot(ax=Figure())
    assert "weeks stored" in axes.get_xlabel()
    assert any(len(group.get_offsets()) == 10 for group in axes.collections)  # one circle a panel
    labels = [tick.get_text() for tick in ms.pool(GOOD, moderators="style").plot(ax=Figure()).get_yticklabels()]
    assert {"a", "b"} <= set(labels)
    against = ms.pool(table([9, 8, 10, 9, 12, 8], list("aabbab"), "2-AFC"), moderators="x")
    shown = against._forest(against.design.moderators[0], 0.95)
    low, high = shown["panels"]["pooled"].min(), shown["panels"]["pooled"].max()
    assert low - 0.1 < shown["average"][1] < high + 0.1 < 0.1  # among what it averages, below 0


# --- sampled --------------------------------------------------------------------------------------------------------


def agree(grid, mcmc, sds=0.12):
    """Every quantity's median and ends within a small part of its own posterior SD, as Monte Carlo error allows."""
    one, other = grid.to_frame().set_index("quantity"), mcmc.to_frame().set_index("quantity")
    width = (one["upper"] - one["lower"]) / 4
    assert (np.abs(one["median"] - other["median"]) < sds * width).all()
    for end in ("lower", "upper"):
        assert (np.abs(one[end] - other[end]) < 3 * sds * width).all()


@pytest.fixture(scope="module")
def sampled(weeks):
    """Sampled once for all; the margin does not change the draws."""
    return ms.pool(weeks, moderators="x", margin=ms.Margin(d_prime=0.5), method="mcmc", chains=2, draws=1000, seed=6)


@pytest.mark.mcmc
@pytest.mark.lab
def test_sampling_agrees_with_integration_for_one_moderator(weeks, sampled):
    integrated = ms.pool(weeks, moderators="x", margin=ms.Margin(d_prime=0.5))
    agree(integrated, sampled, sds=0.15)
    assert sampled.diagnostics.frame["quantity"].tolist()[-1] == "the slope of x"
    assert sampled.bayes_factor == pytest.approx(integrated.bayes_factor)  # the evidence is integrated either way
    note = next(note for note in sampled.notes if note.startswith("Sampled with PyMC"))
    for x in (1.0, 9.0):
        pair = [f"{m.at(x=x).average.median:.3f}" for m in (integrated, sampled)]
        assert f"{pair[0]} at x = {x:g} (sampled: {pair[1]})" in note


@pytest.mark.mcmc
@pytest.mark.lab
def test_corners_of_a_sample_are_those_of_integration_as_far_as_the_draws_reach(weeks, sampled):
    exact = ms.pool(weeks, moderators="x", margin=ms.Margin(d_prime=0.5)).corners.set_index(["quantity", "case"])
    drawn = sampled.corners
    drawn = drawn[drawn["case"].isin([case for _, case in exact.index])].set_index(["quantity", "case"])
    assert 2 <= drawn.index.get_level_values("case").nunique() <= 9
    for at, row in drawn.iterrows():
        width = exact.loc[at, "upper"] - exact.loc[at, "lower"]
        assert row["median"] == pytest.approx(exact.loc[at, "median"], abs=0.05 * width)


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.parametrize("asked", [{"moderators": "x", "through_zero": "x"}, {"moderators": "style"}])
def test_sampling_agrees_with_integration_for_doses_and_categories(asked):
    agree(ms.pool(GOOD, **asked), ms.pool(GOOD, method="mcmc", draws=2000, **asked))


SAMPLED = {
    "two numbers": {"moderators": ["x", "y"]},
    "a number and words": {"moderators": ["x", "style"]},
    "a dose and words": {"moderators": ["x", "style"], "through_zero": "x"},
    "a number within pairs": {"moderators": "x", "within": "batch_pair"},
}


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("test", ["triangle", "2-AFC"])
@pytest.mark.parametrize("name", SAMPLED)
def test_chains_agree_and_none_diverges(name, test, seed):
    rng = np.random.default_rng(seed)
    x, y = np.arange(1.0, 13.0), rng.normal(20, 2, 12).round(1)
    d = np.abs(0.5 + 0.1 * x + rng.normal(0, 0.3, 12))
    frame = table(rng.binomial(30, protocol(test).p_correct(d)), x, test, y=y, style=list("abcabcabcabc"))
    frame = frame.assign(batch_pair=list("uvwzuvwzuvwz"))
    moderated = ms.pool(frame, seed=seed, **SAMPLED[name])
    assert isinstance(moderated, Moderated)
    assert moderated.method == "mcmc"
    assert moderated.advice == ()  # R-hat below 1.01, no divergence, enough draws


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    from tests.calibration.moderator_recovery import CASES, study

    for case in (CASES[0], CASES[2], CASES[4]):
        found = study(case, 60, seed=7)
        assert all(found[name] >= 0.86 for name in ("effect", "average there", "next panel there"))  # 3 SE below .95


def test_a_dose_line_through_zero_claims_no_rise():
    """Undirected, such a line is positive by construction: falling and even counts must not read as rising."""
    falling, flat, rising = (
        ms.pool(table(correct, [1, 2, 4, 6, 8, 12]), moderators="x", through_zero="x")
        for correct in ([18, 16, 14, 12, 11, 10], [10, 9, 11, 10, 10, 9], [9, 10, 12, 14, 16, 20])
    )
    for moderated in (falling, flat, rising):
        assert "can only rise with x, so that it does is no finding (left free, it rises with a probability of" in (
            moderated.headline()
        )
    assert "A line through zero hardly fits" in falling.notes[0]
    assert "hardly fits" not in " ".join([*flat.notes, *rising.notes])


def test_a_column_may_have_any_name():
    moderated = ms.pool(
        table([18, 16, 14, 12, 11, 10], [1, 2, 4, 6, 8, 12]).rename(columns={"x": "self"}), moderators="self"
    )
    assert "per unit of self" in moderated.headline().lower()


@pytest.mark.lab
def test_moderators_and_levels_have_a_page(tmp_path):
    few = GOOD.rename(columns={"x": "weeks_stored"})
    moderated = ms.pool(few, moderators="weeks_stored")
    page = moderated.report(tmp_path / "coffee.html").read_text(encoding="utf-8")
    assert moderated.headline()[:40] in page and "The same panels pooled plainly" in page
    assert (
        moderated._drawing(0.95).alt.split(";")[0] in html.unescape(page).replace("\xa0", " ")
        and "not randomised to weeks stored" in page
    )
    nested = ms.pool(few.assign(batch_pair=list("uuvvww")), within="batch_pair")
    page = nested.report(tmp_path / "cider.html").read_text(encoding="utf-8")
    assert "With panels within batch pairs" in page and "3 batch pairs, pooled" in page.replace("each ", "")


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("model", ["one moderator", "two moderators", "moderator within batch pairs"])
def test_sampled_moderators_agree_between_chains_and_with_integration(model):
    # the whole table, twenty seeds of every model: python tests/benchmarks/mcmc_health.py
    from benchmarks import mcmc_health

    for case in mcmc_health.cases(model)[:2]:
        found = mcmc_health.line(*case, range(2))
        assert found["divergences"] == found["bad"] == 0
        assert found["ess"] > 400
        assert not found["off"] > 4  # standard errors; not a number where only sampling reaches


@pytest.mark.mcmc
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_two_moderators_equal_truths_from_the_prior_weighted_by_the_panels():
    moderated = ms.pool(
        table([9, 12, 10, 15, 13, 19, 14, 18], [1, 2, 3, 4, 6, 8, 8, 12], y=[31, 44, 25, 38, 52, 29, 47, 33]),
        moderators=["x", "y"],
        draws=2000,
        method="mcmc",
    )
    X, rng, size = moderated.design.columns, np.random.default_rng(1), 400_000
    mu, tau, beta = abs(rng.normal(0, 1.5, size)), abs(rng.normal(0, 0.5, size)), rng.normal(0, 0.5, (size, 2))
    centre = mu[:, None] + beta @ X.T
    possible = (centre >= 0).all(axis=1)
    mu, tau, beta, centre = mu[possible], tau[possible], beta[possible], centre[possible]
    # by simulation, with no series and no sampler: one d-prime for each panel and each truth is enough
    theta = rng.normal(centre, tau[:, None])
    chance = protocol("triangle").p_correct(theta)
    weight = binom.pmf(moderated.plain.panels.frame["correct"].to_numpy(int), 30, chance).prod(axis=1)
    weight /= weight.sum()
    effective = 1 / (weight**2).sum()
    assert effective > 1000
    drawn = dict(zip(("mu", "beta", "tau"), moderated.engine._values, strict=True))
    for name, exact in (("mu", mu[:, None]), ("beta", beta), ("tau", tau[:, None])):
        mean = weight @ exact
        sd = np.sqrt(weight @ (exact - mean) ** 2)
        ours = drawn[name].reshape(len(drawn[name]), -1)
        error = sd * np.sqrt(1 / effective + 1 / 800)  # at least 800 independent draws
        assert (abs(ours.mean(axis=0) - mean) < 4 * error).all(), name


def test_a_value_just_outside_what_was_seen_is_said_to_be():
    pooled = ms.pool(table([14, 15, 19, 20], [1, 2, 3, 4]), moderators="x")
    assert pooled.at(x=4).notes == () and pooled.at(x=1).notes == ()
    assert "No panel had x above 4" in pooled.at(x=4.2).notes[0]
    assert "No panel had x below 1" in pooled.at(x=0.8).notes[0]


def test_two_spreads_are_together_as_wide_as_one_before_the_panels():
    # hypot of two normals of scale spread_scale / sqrt 2 has the mean square of the one half-normal of spread_scale
    pooled = ms.pool(table([14, 15, 19, 20], [1, 2, 3, 4], batch_pair=list("abcd")), moderators="x")
    priors, rng = pooled.plain.priors, np.random.default_rng(5)
    z = np.array([-3, -1, 1, 3]) / np.sqrt(5)
    mu, beta = np.abs(rng.normal(0, priors.centre_scale, 200_000)), rng.normal(0, priors.slope_scale, 200_000)
    seen = np.abs(mu[:, None] + beta[:, None] * z)
    keep = (mu[:, None] + beta[:, None] * z > 0).all(axis=1)
    tau = priors.spread_scale * np.sqrt(rng.chisquare(2, 200_000) / 2)
    variance = seen.var(axis=1)
    share = np.median((variance / (variance + tau**2))[keep])
    within = replace(pooled, within="batch_pair")
    assert within.share_before == pytest.approx(share, abs=0.03)


def test_a_slope_without_direction_is_one_of_the_size():
    # falling answers: the difference shrinks, so the slope is below 0 whichever side the centre is taken to lie
    x = [10, 11, 12, 13, 14]
    falling = ms.pool(table([26, 23, 19, 15, 11], x), moderators="x")
    rising = ms.pool(table([11, 15, 19, 23, 26], x), moderators="x")
    assert falling.slope().above(0) < 0.05
    assert rising.slope().median == pytest.approx(-falling.slope().median, abs=1e-3)


@pytest.mark.parametrize("test", ["triangle", "2-AFC"])
def test_draws_on_either_side_of_zero_are_one_size_unless_the_protocol_tells_the_side(test):
    moderated = ms.pool(table([10, 12, 15, 19], [1, 2, 4, 8], test), moderators="x", through_zero="x")
    rng = np.random.default_rng(3)
    mu, sides = rng.normal(1.0, 0.1, 400), np.repeat([1.0, -1.0], 200)
    rest = {"beta": np.zeros((400, 0)), "tau": np.zeros(400)}
    series, moderator = moderated.plain.posterior.patches[0].series, moderated.design.moderators[0]
    one, mixed = (moderated._slope(Drawn(series, {"mu": m} | rest), moderator) for m in (mu, mu * sides))
    if test == "2-AFC":
        assert one.above(0) == 1 and mixed.above(0) == pytest.approx(0.5, abs=1e-3)
    else:
        assert mixed.quantile([0.1, 0.5, 0.9]) == pytest.approx(one.quantile([0.1, 0.5, 0.9]))


def test_an_interaction_without_direction_is_one_of_sizes():
    moderated = ms.pool(BOTH, moderators=["x", "y"], interaction=("x", "y"))
    rng = np.random.default_rng(4)
    mu, beta = rng.normal(2.0, 0.1, 400), rng.normal(0.3, 0.1, (400, 3))
    sides, series = np.repeat([1.0, -1.0], 200), moderated.plain.posterior.patches[0].series
    one, mixed = (
        replace(moderated, engine=Drawn(series, {"mu": mu * side, "beta": beta * side[:, None], "tau": np.zeros(400)}))
        for side in (np.ones(400), sides)
    )
    assert abs(one.interaction().median) > 0.01
    assert mixed.interaction().quantile([0.1, 0.5, 0.9]) == pytest.approx(one.interaction().quantile([0.1, 0.5, 0.9]))


def test_a_long_integration_gives_a_sign_of_life_and_a_short_one_only_where_it_is_asked_to(capsys):
    from metasense.questions.moderators import _Watch

    _Watch(False)(1200)
    assert capsys.readouterr().err == ""
    _Watch(True)(1200)
    assert capsys.readouterr().err == "integrating with 1,200 points ...\n"
    long = _Watch(False)
    long.begun -= 2.1  # seconds
    long(30)
    assert capsys.readouterr().err == "integrating with 30 points ...\n"
