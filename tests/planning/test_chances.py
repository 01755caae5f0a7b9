"""How a panel may come out: verdicts added up count by count, power averaged over beliefs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy.integrate import quad
from scipy.stats import beta, binom

import metasense as ms
from metasense.alone.beliefs import p_d_posterior
from metasense.alone.single import one_panel
from metasense.engine.distribution import Distribution
from metasense.margins import Margin
from metasense.planning.chances import assurance, verdict_chances
from metasense.planning.sizes import power
from metasense.protocols import protocol
from metasense.showing import words

MARGIN = Margin(p_d=0.3, protocol="triangle")


def test_verdict_chances_add_up_the_counts_that_give_each_verdict():
    chances = verdict_chances("triangle", 30, MARGIN, d_prime=1.2).frame.iloc[0]
    said = [one_panel("triangle", 30, x, margin=MARGIN).verdict() for x in range(31)]
    p = float(protocol("triangle").p_correct(1.2))
    for column, verdict in zip(("beyond", "within", "not_settled"), words.VERDICTS, strict=True):
        expected = sum(binom.pmf(x, 30, p) for x, one in enumerate(said) if one == verdict)
        assert chances[column] == pytest.approx(expected, abs=1e-12)
    beyond, within = int(chances["beyond_from"]), int(chances["within_to"])
    assert said[beyond] == "beyond the margin" != said[beyond - 1]
    assert said[within] == "within the margin" != said[within + 1]


@pytest.mark.parametrize(
    ("p_d", "n", "alike", "slight"), [(0.4, 24, 0.86, 0.65), (0.3, 48, 0.86, 0.54), (0.2, 96, 0.835, 0.35)]
)
def test_showing_similarity_takes_many_tasters_and_true_likeness(p_d, n, alike, slight):
    margin, tenth = Margin(p_d=p_d, protocol="triangle"), float(protocol("triangle").d_prime_from_p_d(0.1))
    triangle = protocol("triangle")

    def within(truth):
        return verdict_chances("triangle", n, margin, d_prime=truth, prior="p_d").frame["within"].item()

    x = np.arange(n + 1)
    said = beta.sf(triangle.p_from_p_d(p_d), x + 1, n - x + 1) / beta.sf(1 / 3, x + 1, n - x + 1) < 0.05
    assert within(0.0) == pytest.approx(binom.pmf(x, n, 1 / 3) @ said, abs=1e-9)
    assert within(0.0) == pytest.approx(alike, abs=0.005)
    assert within(tenth) == pytest.approx(slight, abs=0.005)


def test_similarity_by_a_margin_gets_better_with_data_and_by_significance_worse():
    # Bi J (2005), on similarity testing: absence of statistical significance rewards small panels (abstract). At a true
    # p_d of .1 the chance of it falls from .89 (24) to .06 (540); that of "within a margin of .3" rises to 1, and stays
    # small when the truth is the margin itself.
    tenth, at_margin = (float(protocol("triangle").d_prime_from_p_d(p)) for p in (0.1, 0.3))
    quiet = 1 - power("triangle", [24, 540], p_d=0.1)
    assert quiet.round(2).tolist() == [0.89, 0.06]
    frame = verdict_chances("triangle", [24, 540], MARGIN, d_prime=tenth, prior="p_d").frame
    assert frame["within"].round(2).tolist() == [0.33, 1.0]
    wrong = verdict_chances("triangle", [24, 96, 540], MARGIN, d_prime=at_margin, prior="p_d").frame["within"]
    assert (wrong < 0.06).all()


def test_assurance_is_power_averaged_over_what_is_believed():
    belief = one_panel("triangle", 40, 20)
    posterior = belief.d_prime_posterior
    mean = quad(
        lambda d: float(power("triangle", 24, d_prime=d)) * float(posterior.density(d)), *posterior.support, limit=200
    )[0]
    assert assurance("triangle", 24, belief) == pytest.approx(mean, abs=2e-3)
    assert assurance("triangle", [24, 48], posterior).shape == (2,)

    class Pool:
        next_d_prime = posterior

    assert assurance("triangle", 24, Pool()) == assurance("triangle", 24, posterior)
    averaged = verdict_chances("triangle", 24, MARGIN, d_prime=Pool()).frame
    assert averaged[["beyond", "within", "not_settled"]].sum(axis=1).item() == pytest.approx(1)
    with pytest.raises(ValueError, match="beliefs are the Distribution of a d-prime"):
        assurance("triangle", 24, "a lot")


def test_six_panels_that_add_up_leave_the_next_one_a_small_chance():
    # 64 of 146 in all, one p_d believed flat: the next panel of 24 reaches statistical significance in 23 % of cases.
    # Integral over SciPy's beta distribution cut at guessing.
    def height(p):
        return beta.pdf(p, 65, 83) * binom.sf(12, 24, p)

    expected = quad(height, 1 / 3, 1)[0] / beta.sf(1 / 3, 65, 83)
    belief = p_d_posterior(protocol("triangle"), 146, 64).map(protocol("triangle").d_prime_from_p_d)
    assert assurance("triangle", 24, belief) == pytest.approx(expected, abs=1e-3)
    assert round(expected, 2) == 0.23


@pytest.mark.parametrize("tastings", [40, 80])
def test_the_count_beyond_from_is_one_above_guessing(tastings):
    # a 2-AFC panel far below one half points to a difference too, the other way: that is not what is planned for
    margin = Margin(d_prime=0.3)
    chances = verdict_chances("2-AFC", tastings, margin, d_prime=1.0, prior="d_prime")
    first = chances.frame["beyond_from"].iloc[0]
    assert one_panel("2-AFC", tastings, 0, margin=margin).beyond["prior on d-prime"] > 0.95
    assert first > tastings / 2
    assert one_panel("2-AFC", tastings, first, margin=margin).beyond["prior on d-prime"] > 0.95
    assert one_panel("2-AFC", tastings, first - 1, margin=margin).beyond["prior on d-prime"] <= 0.95


def test_the_words_give_each_verdict_its_own_chance():
    made = verdict_chances("triangle", [24, 48], MARGIN, d_prime=1.2)
    frame = pd.DataFrame(
        {"tastings": [24, 36, 48], "beyond": [0.11, 0.2, 0.31], "within": [0.22, 0.3, 0.42], "not_settled": [0.67, 0.5, 0.27]}
    )  # fmt: skip
    chances = replace(made, frame=frame)
    assert chances._line() == (
        "triangle, 48 tastings, at a true d-prime of 1.20: beyond the margin 31 %, within it 42 %, not settled 27 %."
    )
    said = chances._paragraph()
    first = "a panel of 24 tastings will say beyond the margin with a chance of 11 %, within the margin 22 %, not settled 67 %"
    last = "a panel of 48 tastings will say beyond the margin with a chance of 31 %, within the margin 42 %, not settled 27 %"
    assert f"at a true d-prime of 1.20: {first}; {last}. A panel is settled when" in said
    assert "exceeds 95 % (flat prior on p_d and prior on d-prime)." in said
    one = replace(made, frame=frame.iloc[:1])
    assert f": {first}. A panel is settled" in one._paragraph()
    assert chances.plot(ax=Figure()).lines[0].get_ydata() == pytest.approx([0.33, 0.5, 0.73])


@pytest.mark.parametrize(("prior", "said"), [("p_d", "flat prior on p_d"), ("d_prime", "prior on d-prime")])
def test_one_prior_alone_decides_where_it_is_asked_for(prior, said):
    chances = verdict_chances("triangle", 30, MARGIN, d_prime=1.2, prior=prior)
    assert chances.prior == said and f"({said}; settled above 95 %)" in chances._methods()[0]
    verdicts = []
    for x in range(31):
        beyond = one_panel("triangle", 30, x, margin=MARGIN).beyond[said]
        verdicts.append("beyond" if beyond > 0.95 else "within" if beyond < 0.05 else "not_settled")
    p = float(protocol("triangle").p_correct(1.2))
    row = chances.frame.iloc[0]
    for name in ("beyond", "within", "not_settled"):
        assert row[name] == pytest.approx(sum(binom.pmf(x, 30, p) for x in range(31) if verdicts[x] == name))
    with pytest.raises(ValueError, match="prior is one of p_d, d_prime and both; got 'all'"):
        verdict_chances("triangle", 30, MARGIN, d_prime=1.2, prior="all")


def test_counts_that_give_no_verdict_are_missing():
    frame = verdict_chances("triangle", 3, MARGIN, d_prime=0.0).frame
    assert frame["within_to"].isna().all() and frame["beyond_from"].isna().all()
    assert frame["not_settled"].item() == pytest.approx(1)
    averaged = verdict_chances("triangle", 24, MARGIN, d_prime=one_panel("triangle", 40, 20))
    assert "averaged over what is now believed" in averaged._paragraph()
    for wrong in (0.5, 1.0):
        with pytest.raises(ValueError, match="and below 1, such as"):
            verdict_chances("triangle", 24, MARGIN, d_prime=1.0, settled=wrong)


def test_assurance_takes_both_tails_of_a_two_sided_test_as_the_critical_number_does():
    sure = Distribution(np.array([1.0, 1.0 + 1e-9]), np.array([0.0, 1.0]))
    assert assurance("2-AFC", 30, sure, two_sided=True) == pytest.approx(
        power("2-AFC", 30, d_prime=1.0, two_sided=True), abs=1e-6
    )
    assert assurance("2-AFC", 30, sure, alpha=0.01) == pytest.approx(
        power("2-AFC", 30, d_prime=1.0, alpha=0.01), abs=1e-6
    )


def test_a_pool_lends_its_sign_to_protocols_that_have_one():
    against = ms.pool({"panel": ["A", "B"], "protocol": "2-AFC", "tastings": [24, 30], "correct": [4, 6]})
    assert float(assurance("2-AFC", 24, against)) < 0.01
    assert float(assurance("2-AFC", 24, against)) == pytest.approx(
        float(assurance("2-AFC", 24, against.posterior.next_theta))
    )
    assert float(assurance("tetrad", 24, against)) == pytest.approx(
        float(assurance("tetrad", 24, against.next_d_prime))
    )
