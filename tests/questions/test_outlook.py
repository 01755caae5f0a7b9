"""Outcomes of a plan: all of them with their chances, or draws that have the same; against sums over every case."""

from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom, norm

import metasense as ms
from metasense.engine.likelihood import Counts, RepeatedTotal, Series
from metasense.protocols import protocol
from metasense.questions import reweighting
from metasense.questions.outlook import Again, Job, _Outcomes, _stream, _thinned, draw, tables_of, work_out
from metasense.questions.plan import Plan

TRIANGLE, PAIR = protocol("triangle"), protocol("2-AFC")
P = np.array([0.4, 0.7])  # chance of a correct answer at two nodes
WEIGHT = np.array([0.25, 0.75])
TABLES = binom.logpmf(np.arange(4)[:, None], 3, P)  # of 0 to 3 right of 3
GUESSING = binom.logpmf(np.arange(4), 3, 1 / 3)
NODES = SimpleNamespace(predicting=WEIGHT)


def job(draws, plan=None):
    return Job(None, plan or Plan("triangle", 3, 2), None, draws, 1)


def test_a_panel_with_further_tastings_has_one_likelihood_and_the_direction_of_either():
    first, then = RepeatedTotal(TRIANGLE, 3, 9, 5), Counts(PAIR, 10, 7)
    both = Again(first, then)
    theta = np.array([0.2, 1.0])
    expected = first.log_likelihood(theta, 0.3) + then.log_likelihood(theta, 0.3)
    assert both.log_likelihood(theta, 0.3) == pytest.approx(expected)
    assert (both.size, both.repeated, both.protocol) == (19, True, PAIR)
    assert Again(Counts(PAIR, 9, 5), Counts(TRIANGLE, 10, 7)).protocol == PAIR
    assert not Again(Counts(PAIR, 9, 5), Counts(TRIANGLE, 10, 7)).repeated


def test_where_outcomes_are_as_few_as_draws_all_are_followed_with_their_chances():
    # two panels of 3: 10 pairs of counts, order apart
    found = _Outcomes.of(job(10), NODES, TABLES, GUESSING, 2)
    assert found.drawn is None and found.counts.shape == (10, 4)
    assert (found.counts.sum(axis=1) == 2).all() and len(np.unique(found.counts, axis=0)) == 10
    chance, none = found.chances(np.log(np.exp(found.counts @ TABLES) @ WEIGHT), GUESSING)
    expected = dict.fromkeys(map(tuple, found.counts.astype(int).tolist()), 0.0)
    guessed = dict(expected)
    for a, b in product(range(4), repeat=2):
        row = tuple(int(n) for n in np.bincount([a, b], minlength=4))
        expected[row] += sum(w * binom.pmf(a, 3, p) * binom.pmf(b, 3, p) for w, p in zip(WEIGHT, P, strict=True))
        guessed[row] += binom.pmf(a, 3, 1 / 3) * binom.pmf(b, 3, 1 / 3)
    assert chance == pytest.approx([expected[tuple(map(int, row))] for row in found.counts])
    assert none == pytest.approx([guessed[tuple(map(int, row))] for row in found.counts])
    assert chance.sum() == pytest.approx(1) and none.sum() == pytest.approx(1)


def test_where_there_are_more_they_are_drawn_as_often_as_they_are_probable():
    assert _Outcomes.of(job(9), NODES, TABLES, GUESSING, 2).drawn is not None
    # twenty panels of 3 can bring 1,771 sets of counts
    assert _Outcomes.of(job(1771), NODES, TABLES, GUESSING, 20).drawn is None
    found = _Outcomes.of(job(1770), NODES, TABLES, GUESSING, 20)
    assert [often.sum() for often in found.drawn] == [1770, 1770]
    chance, none = found.chances(np.zeros(len(found.counts)), GUESSING)
    assert chance.sum() == pytest.approx(1) and none.sum() == pytest.approx(1)
    right = found.counts @ np.arange(4) / 20
    assert chance @ right == pytest.approx(3 * WEIGHT @ P, abs=0.015)
    assert chance @ right**2 == pytest.approx(WEIGHT @ (9 * P**2 + 3 * P * (1 - P) / 20), abs=0.06)
    assert none @ right == pytest.approx(1, abs=0.015)
    assert none @ (right - 1) ** 2 == pytest.approx(3 * (2 / 9) / 20, abs=0.006)


@pytest.mark.parametrize("first", [None, Counts(TRIANGLE, 20, 9), RepeatedTotal(TRIANGLE, 4, 16, 9)])
def test_the_tables_are_likelihoods_averaged_over_what_is_left_open(first):
    # at every node, also where they are worked out in parts; of a pair tasted again, given what it showed
    mu, tau = np.linspace(0.2, 2.0, 4100), np.full(4100, 0.4)
    at = [0, 1, 4095, 4096, 4099]
    gammas = [0.1, 0.6] if first is not None and first.repeated else [0.0]
    weights = np.array([0.25, 0.75])[: len(gammas)][:, None] * np.ones((len(gammas), 4100))
    series = tuple(Series.build([first or Counts(TRIANGLE, 3, 1)], [1], gamma) for gamma in gammas)
    known = SimpleNamespace(series=series)
    plan = Plan("triangle", 3, 1, "A" if first is not None else None)
    nodes = SimpleNamespace(mu=mu, tau=tau, by_gamma=weights)
    found = np.exp(tables_of(Job(known, plan, first, 10, 1), nodes, [0, 2, plan.tastings]))
    z = np.linspace(-7.5, 7.5, 61)
    w = norm.pdf(z) * 0.25
    for node in at:
        theta = np.abs(mu[node] + 0.4 * z)
        for row, x in zip(found, (0, 2, plan.tastings), strict=True):
            then = binom.pmf(x, plan.tastings, TRIANGLE.p_correct(theta))
            expected = 0.0
            for gamma, share in zip(gammas, (0.25, 0.75) if len(gammas) > 1 else (1.0,), strict=True):
                before = np.ones(61) if first is None else np.exp(first.log_likelihood(theta, gamma))
                expected += share * (before * then) @ w / (before @ w)
            assert row[node] == pytest.approx(expected, rel=1e-6)


def test_drawn_panels_of_one_truth_hang_together():
    found = draw(WEIGHT, TABLES, 2, 60_000, np.random.default_rng(1))
    assert found.shape == (60_000, 2) and found.min() == 0 and found.max() == 3
    mean = 3 * WEIGHT @ P
    assert found.mean(axis=0) == pytest.approx([mean, mean], abs=0.02)
    assert (found[:, 0] * found[:, 1]).mean() == pytest.approx(9 * WEIGHT @ P**2, abs=0.05)


def test_every_second_node_of_both_axes_is_kept():
    values = np.arange(2 * 2 * 9.0).reshape(2, 18)  # two signs of 3 by 3 nodes
    assert _thinned(values, 3).tolist() == [[0, 2, 6, 8, 9, 11, 15, 17], [18, 20, 24, 26, 27, 29, 33, 35]]


def test_random_numbers_depend_on_the_seed_and_on_all_of_the_plan():
    plans = [Plan("triangle", 12, 2), Plan("tetrad", 12, 2), Plan("triangle", 13, 2), Plan("triangle", 12, 3)]
    plans.append(Plan("triangle", 12, 2, "A"))
    jobs = [job(10, plan) for plan in plans] + [Job(None, plans[0], None, 10, 2)]
    states = {tuple(_stream(one).generate_state(2).tolist()) for one in jobs}
    assert len(states) == 6
    again = _stream(job(99, plans[0])).generate_state(2)
    assert again.tolist() == _stream(jobs[0]).generate_state(2).tolist()


def test_what_a_plan_brings_is_summed_over_its_outcomes():
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 40, "correct": [13, 14, 15]}
    margin = ms.Margin(d_prime=0.9)
    pooled = ms.pool(table, margin=margin)
    known = reweighting.Known.of(pooled.core, margin)
    row = work_out(Job(known, Plan("triangle", 40), None, 1000, 1))
    assert row["settled"] == pytest.approx(row["beyond"] + row["within"], abs=1e-8)
    assert row["within"] > 0.01 and row["error"] == 0 and row["resolved"]
    assert (row["tasters"], row["panels"], row["same_pair_as"]) == (40, 1, None)
    assert (row["tastings"], row["cups"], row["people"], row["batch_pairs"]) == (40, 120, 40, 1)
    # every count that may come, pooled anew: the chance of it from the next panel's prediction
    chance = pooled.next_panel("triangle", 40).probability
    none = binom.pmf(np.arange(41), 40, 1 / 3)
    labels = []
    for x in range(41):
        more = {
            name: [*([v] * 3 if np.ndim(v) == 0 else v), new]
            for (name, v), new in zip(table.items(), ("D", "triangle", 40, x), strict=True)
        }
        labels.append(ms.pool(more, margin=margin).verdict().label if max(chance[x], none[x]) > 1e-4 else "")
    within = np.array([label == "within the margin" for label in labels])
    assert row["within"] == pytest.approx(chance @ within, abs=2e-3)
    assert row["within_if_none"] == pytest.approx(none @ within, abs=2e-3)
    again = work_out(
        Job(known, Plan("triangle", 40, 1, "A"), known.tasted(pooled.core, Plan("triangle", 40, 1, "A")), 1000, 1)
    )
    assert again["batch_pairs"] == 0 and again["same_pair_as"] == "A"
    drawn = work_out(Job(known, Plan("triangle", 40, 3), None, 200, 1))
    assert drawn["error"] == pytest.approx(np.sqrt(drawn["settled"] * (1 - drawn["settled"]) / 200), abs=1e-8)
