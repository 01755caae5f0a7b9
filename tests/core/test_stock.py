"""What is known of every variable on a shelf, beside the pool of each."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import metasense as ms
from metasense.binomial import sum_at_least
from metasense.core.stock import stocked
from metasense.engine.priors import LearnedPriors, Priors
from metasense.tables.stocked import read_stocked

TABLE = pd.DataFrame(
    {
        "ingredient": ["Salt", "Salt", "Milk", "Milk", "Oil"],
        "panel": ["A", "B", "A", "B", "A"],
        "protocol": ["triangle", "duo-trio", "triangle", "tetrad", "2-AFC"],
        "tastings": [24, 30, 36, 20, 30],
        "correct": [9, 16, 22, 15, 24],
    }
)


@pytest.fixture(scope="module")
def stock():
    return stocked(read_stocked(TABLE, "ingredient"), margin=ms.Margin("0.2 triangle"), priors=Priors())


def test_every_number_is_that_of_the_variables_own_pool(stock):
    frame = stock.to_frame()
    for number, row in enumerate(frame.itertuples()):
        own = TABLE[TABLE["ingredient"] == row.variable].drop(columns="ingredient")
        pooled = ms.pool(own, margin="0.2 triangle")
        low, high = pooled.average.interval()
        assert [row.median, row.lower, row.upper] == pytest.approx([pooled.average.median, low, high], abs=1e-3)
        assert row.p_above == pytest.approx(pooled.verdict().above, abs=1e-4)
        assert row.verdict == pooled.verdict()
        assert row.p_none == pytest.approx(pooled.explanations().probability[0], abs=1e-4)
        rate = pooled.rate("triangle").p_c
        assert [row.p_c, row.p_c_lower, row.p_c_upper] == pytest.approx([rate.median, *rate.interval()], abs=1e-3)
        assert row.spread == pytest.approx(pooled.spread.median, abs=2e-3)
        assert row.next_median == pytest.approx(pooled.next_d_prime.median, abs=1e-3)
        corners = pooled.corners.iloc[1:]
        assert stock.pools.corners[number, :, 1] == pytest.approx(corners["p_above"].to_numpy(), abs=1e-3)


def test_answers_that_hang_on_the_priors_are_marked():
    rows = [("Salt", "A", 30, 9), ("Salt", "B", 30, 11)] + [("Milk", name, 300, 150) for name in "ABCDEF"]
    table = pd.DataFrame(rows, columns=["ingredient", "panel", "tastings", "correct"]).assign(protocol="triangle")
    frame = stocked(read_stocked(table, "ingredient"), margin=ms.Margin(d_prime=1.3), priors=Priors()).to_frame()
    assert frame["size_rests_on_prior"].tolist() == [True, False]
    assert frame["verdict_rests_on_prior"].tolist() == [True, False]
    assert frame["verdict"].tolist() == ["within the margin", "beyond the margin"]


def test_counts_and_their_p_value_add_up(stock):
    frame = stock.counts().set_index("variable")
    assert frame.loc["Milk", ["panels", "tastings", "correct"]].tolist() == [2, 56, 37]
    # both protocols guess at 1/3, so that their sum is binomial
    assert frame.loc["Milk", "p_value"] == pytest.approx(binom.sf(36, 56, 1 / 3))


def test_the_sum_of_counts_with_different_guessing_is_that_of_simulated_guesses():
    rng = np.random.default_rng(1)
    drawn = rng.binomial(24, 1 / 3, 400_000) + rng.binomial(30, 1 / 2, 400_000)
    assert sum_at_least([9, 16], [24, 30], [1 / 3, 1 / 2]) == pytest.approx((drawn >= 25).mean(), abs=0.003)


def test_panels_alone_are_tested_one_by_one(stock):
    assert stock.significant().tolist() == [False, False, True, True, True]


def test_the_margins_protocol_is_told_or_else_the_commonest(stock):
    assert stock.test.name == "triangle"
    other = stocked(read_stocked(TABLE, "ingredient"), margin=ms.Margin("0.2 tetrad"), priors=Priors())
    assert other.test.name == "tetrad"
    assert stocked(read_stocked(TABLE, "ingredient"), margin=None, priors=Priors()).test.name == "triangle"


def test_variables_never_written_down_join_the_others(stock):
    from metasense.engine.batch import Unseen

    more = stock.with_unseen(Unseen(ms.protocol("triangle"), 24, 13), 4)
    assert len(more.variables) == 7 and len(more.variables.evidence) == len(stock.variables.evidence) + 1
    # fewer than 13 of 24: a binomial tail
    unseen = more.variables.evidence[-1]
    assert np.exp(unseen.log_likelihood(np.zeros(1))) == pytest.approx(binom.cdf(12, 24, 1 / 3))
    assert more.learned.shares[0] > stock.learned.shares[0]


def test_a_chance_of_nothing_beforehand_counts_as_in_the_variables_own_pool():
    priors = LearnedPriors(1.2, 0.4, odds=(0.7, 0.2, 0.1), learned_from="30 spices")
    frame = stocked(read_stocked(TABLE, "ingredient"), margin=ms.Margin("0.2 triangle"), priors=priors).to_frame()
    for row in frame.itertuples():
        own = TABLE[TABLE["ingredient"] == row.variable].drop(columns="ingredient")
        evidences = ms.pool(own, priors=priors).evidences
        weighed = np.exp([evidences.none, evidences.same, evidences.varying]) * [0.7, 0.2, 0.1]
        assert row.p_none == pytest.approx(weighed[0] / weighed.sum(), abs=1e-4)
