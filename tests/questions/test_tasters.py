"""Repeat tasters: the beta-binomial against published fits and brute force, the pool, and what each taster can do."""

import html
import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import metasense as ms
from metasense.alone.beliefs import p_d_posterior
from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Counts, RepeatedTotal, Repeats, taster_probability
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.protocols import PROTOCOLS, Protocol, forced_choice
from metasense.questions.tasters import (
    CELLS,
    FIRST,
    ONLY,
    AsIfIndependent,
    Tasters,
    _Ability,
    _people_in,
    _stands,
    overdispersion,
)
from metasense.showing.words import banned

TRIANGLE = forced_choice("triangle")
FORCED = [name for name, kind in PROTOCOLS.items() if isinstance(kind, Protocol)]
HERE = Path(__file__).parents[1]


def rows(panel, correct, protocol="triangle"):
    """One row a tasting from ``{taster: [1, 0, ...]}``."""
    return [
        {"panel": panel, "protocol": protocol, "taster": name, "correct": c}
        for name, own in correct.items()
        for c in own
    ]


# --- the pool -------------------------------------------------------------------------------------------------------


def test_single_answers_of_different_people_are_the_plain_pool():
    plain = ms.pool(
        {"panel": ["A", "B"], "protocol": "triangle", "tastings": [6, 5], "correct": [4, 2], "tasters": [6, 5]}
    )
    a = rows("A", {f"T{i}": [int(i < 4)] for i in range(6)})
    b = rows("B", {f"U{i}": [int(i < 2)] for i in range(5)})
    single = ms.pool(ms.read_tastings(a + b))
    assert single.average.interval() == plain.average.interval()
    assert vars(single.evidences) == vars(plain.evidences)
    assert single.tastings is not None and plain.tastings is None


REPEATED = {"a": [1, 1, 1, 1], "b": [0, 0, 1, 0], "c": [1, 0, 0, 1]}


def test_both_roads_and_both_together_lead_to_the_same_pool():
    old = {"panel": "Old", "protocol": "duo-trio", "tastings": 24, "correct": 15}
    tastings = ms.read_tastings(rows("New", REPEATED))
    table = ms.read_panels([old, {"panel": "New", "protocol": "triangle", "tastings": 12, "correct": 7}])
    together = ms.pool(table, tastings=tastings)  # replaces the totals of New
    appended = ms.pool(ms.read_panels([old]), tastings=tastings)  # brings New along
    assert together.average.interval() == appended.average.interval()
    assert together.panels.frame["tasters"].tolist() == [pd.NA, 3]
    assert appended.panels.frame["panel"].tolist() == ["Old", "New"]
    totals = ms.pool(table.frame.assign(tasters=[24, 3]))
    assert together.average.interval() != totals.average.interval()  # who was right is known
    assert isinstance(together.collected.evidence[1], Repeats)
    assert isinstance(totals.collected.evidence[1], RepeatedTotal)


def test_totals_that_disagree_are_named_with_both_totals_all_at_once():
    tastings = ms.read_tastings(rows("A", REPEATED) + rows("B", REPEATED))
    panels = [
        {"panel": "A", "protocol": "triangle", "tastings": 12, "correct": 8, "tasters": 3},
        {"panel": "B", "protocol": "tetrad", "tastings": 12, "correct": 7, "tasters": 3},
    ]
    with pytest.raises(ms.PanelsError) as caught:
        ms.pool(panels, tastings=tastings)
    text = str(caught.value)
    assert "panel 'A': triangle: 8 correct of 12 by 3 tasters in the table of panels" in text
    assert "triangle: 7 correct of 12 by 3 tasters in the tastings" in text
    assert "panel 'B': tetrad" in text
    assert len(caught.value.problems) == 2


def test_a_person_in_several_panels_is_counted_once_and_linked_by_name():
    tastings = ms.read_tastings(rows("A", {"x": [1], "y": [0]}) + rows("B", {"x": [1], "z": [1]}))
    text = ms.pool(tastings).statement()
    assert (
        "4 tastings by 3 people, 1 of them in more than one panel (linked by name and followed from one to the next)"
        in text
    )
    new = ms.pool(tastings, regulars=False)  # not followed, and so warned of
    assert any("1 person of 3 sat in more than one panel" in note for note in new.warnings)


def test_one_person_repeated_enters_as_one_taster_and_is_said():
    alone = {"panel": ["Maker"], "protocol": "triangle", "tastings": [12], "correct": [9]}
    one = ms.pool(alone | {"tasters": [1]})
    crowd = ms.pool(alone | {"tasters": [12]})
    assert np.diff(one.average.interval()) > np.diff(crowd.average.interval())
    assert any("A single taster: Maker" in note for note in one.notes)


def test_wrong_way_is_narrower_for_few_people_and_says_that_it_is_wrong():
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 36, "correct": [20, 17], "tasters": 4}
    pooled = ms.pool(table)
    both = pooled.tasters().as_if_independent()
    plain = ms.pool(pd.DataFrame(table).drop(columns="tasters"))
    assert both.wrong.interval() == plain.average.interval()
    assert np.diff(both.wrong.interval()) < np.diff(both.right.interval())
    for row, average in zip(both.to_frame().itertuples(), (both.right, both.wrong), strict=True):
        tails = average.below(row.lower), average.above(row.upper)
        assert tails == pytest.approx((0.025, 0.025), abs=1e-4)  # 95 % unless another is asked for
    for text in (repr(both.details()), both._repr_html_()):
        assert "WRONG" in text and "not to be reported" in text
    assert "72 tastings of 8 people" in both.sentence()
    assert not banned(repr(both))


# --- single tasters -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def people():
    correct = {"a": [1] * 6, "b": [1, 0, 0, 1, 0, 0], "c": [0, 1, 0, 0, 1, 1], "d": [1]}
    return ms.pool(ms.read_tastings(rows("P", correct))).tasters()


def test_a_taster_agrees_with_weighted_draws_from_the_prior(people):
    rng, size, gamma_mean = np.random.default_rng(5), 2_000_000, {}
    theta = rng.normal(np.abs(rng.normal(0, 1.5, size)), np.abs(rng.normal(0, 0.5, size)))
    gamma = rng.random(size)
    table = np.linspace(0, 14, 4001)
    p_d = np.interp(np.abs(theta), table, TRIANGLE.p_d(table))
    prior = (1 - gamma) / gamma
    seen = {"a": (6, 6), "b": (6, 2), "c": (6, 3), "d": (1, 1)}
    keep = (p_d > 1e-9) & (p_d < 1 - 1e-9)
    p_d, prior, gamma = p_d[keep], prior[keep], gamma[keep]
    weight, rates = np.ones(len(p_d)), {}
    for name, (r, y) in seen.items():
        rates[name] = rng.beta(np.maximum(prior * p_d, 1e-12), np.maximum(prior * (1 - p_d), 1e-12))
        chance = 1 / 3 + 2 / 3 * rates[name]
        weight *= chance**y * (1 - chance) ** (r - y)
    for name in seen:
        rate = people.rate("P", name)
        assert rate.mean == pytest.approx(np.average(rates[name], weights=weight), abs=0.006)
        assert rate.above(0.1) == pytest.approx(np.average(rates[name] > 0.1, weights=weight), abs=0.012)
    gamma_mean = np.average(gamma, weights=weight)
    assert people.overdispersion.mean == pytest.approx(gamma_mean, abs=0.01)


def test_frame_sets_the_count_beside_the_shrunken_rate(people):
    frame = people.to_frame()
    assert frame["taster"].tolist() == ["a", "b", "c", "d"]  # most tastings first, then as in the table
    assert frame["raw"].tolist() == pytest.approx([1, 0, 0.25, 1])
    assert frame.loc[0, "median"] < 1  # pulled towards the others
    assert frame["p_better"].between(0, 1).all()
    assert people.to_frame(order="table")["taster"].tolist() == ["a", "b", "c", "d"]
    widths = people.to_frame(order="uncertainty").eval("upper - lower")
    assert widths.is_monotonic_increasing
    with pytest.raises(ValueError, match="'tastings', 'uncertainty' or 'table'"):
        people.to_frame(order="rate")


def test_more_tastings_settle_it_as_often_as_they_say():
    answers = {"a": [1, 1, 1, 0], "b": [1, 1, 0, 1], "c": [1, 1, 1, 1]}
    people = ms.pool(ms.read_tastings(rows("P", answers, "tetrad"))).tasters()
    extra = people.more_tastings("P", "a")
    assert 0 < extra < 60
    rate, rng = people.rate("P", "a"), np.random.default_rng(2)
    middles, share = (rate.x[1:] + rate.x[:-1]) / 2, np.diff(rate.cdf)

    def chance(more):
        settled = 0
        true = rate.sample(4000, rng)
        for y in np.unique(drawn := rng.binomial(more, 1 / 3 + 2 / 3 * true)):
            p = 1 / 3 + 2 / 3 * middles
            now = share * p**y * (1 - p) ** (more - y)
            better = now[middles > 0.1].sum() / now.sum()
            settled += (drawn == y).sum() * (better > 0.95 or better < 0.05)
        return settled / 4000

    assert chance(extra) > 0.77
    assert chance(extra // 2) < 0.8


def test_what_is_settled_needs_no_more():
    sure = ms.pool(ms.read_tastings(rows("P", {"a": [1] * 30, "b": [1] * 30}))).tasters()
    assert sure.more_tastings("P", "a") == 0
    assert sure.rate("P", "a").above(0.1) > 0.99


def test_unlike_tasters_are_seen_as_unlike_and_like_ones_as_alike():
    unlike = {f"T{i}": [1] * 10 if i < 5 else [1, 0, 0, 1, 0, 0, 1, 0, 0, 0] for i in range(12)}
    alike = {f"T{i}": [1, 1, 0, 1, 1, 0, 1, 1, 0, 1] for i in range(12)}
    apart, together = (ms.pool(ms.read_tastings(rows("P", w))).tasters().overdispersion for w in (unlike, alike))
    assert apart.interval()[0] > together.interval()[1]


def test_overdispersion_without_news_is_its_uniform_prior():
    # two answers of one taster, one right: next to nothing about how unlike tasters are
    pooled = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": [2], "correct": [1], "tasters": [1]})
    gamma = overdispersion(pooled.posterior)
    assert gamma.interval() == pytest.approx((0.025, 0.975), abs=0.03)
    assert gamma.mean == pytest.approx(0.5, abs=0.04)
    assert "than before the panels (0.10 to 0.90)" in pooled.tasters().sentence(0.8)  # of a uniform prior, 80 %


def test_a_single_taster_needs_a_total_only():
    pooled = ms.pool(
        {"panel": ["Maker", "Staff"], "protocol": "triangle", "tastings": 12, "correct": 9, "tasters": [1, 4]}
    )
    found = pooled.tasters()
    assert found.people["taster"].tolist() == [ONLY]
    assert found.rate("Maker").above(0.1) > 0.8
    assert any("Only the total is known, so nothing about single tasters: Staff" in note for note in found.notes)
    with pytest.raises(ValueError, match="nobody whose own answers are known"):
        found.rate("Staff", "Ann")


@pytest.mark.parametrize(
    ("tastings", "correct", "lower", "upper"), [(12, 8, 0.10, 0.79), (12, 7, 0.05, 0.71), (20, 14, 0.22, 0.78)]
)
def test_a_makers_own_run_tells_of_the_maker_and_little_of_others(tastings, correct, lower, upper):
    # The person alone, flat prior on p_d (reference: a prototype outside this project, two digits) ...
    person = p_d_posterior(TRIANGLE, tastings, correct)
    assert person.interval() == pytest.approx((lower, upper), abs=0.006)
    # ... and what the same run says of people like them, one taster among others unseen: far less.
    own = {"panel": ["Maker"], "protocol": "triangle", "tastings": [tastings], "correct": [correct]}
    others, crowd = (ms.pool(own | {"tasters": [n]}).panel("Maker").map(TRIANGLE.p_d) for n in (1, tastings))
    assert others.interval()[0] < crowd.interval()[0] < crowd.interval()[1] < others.interval()[1]


def test_only_totals_still_tell_how_unlike_tasters_are():
    found = ms.pool(
        {"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12], "tasters": [8]}
    ).tasters()
    assert found.to_frame().empty
    assert "How unlike one another tasters are" in repr(found.details())


def test_a_taster_below_chance_in_a_directed_protocol_has_a_negative_rate():
    wrong = {f"T{i}": [0] * 8 for i in range(4)}
    found = ms.pool(ms.read_tastings(rows("P", wrong, "2-AFC"))).tasters()
    assert found.rate("P", "T0").interval()[1] < 0
    assert found.to_frame()["p_better"].max() < 0.01


def test_nobody_repeated_or_nobody_known_is_refused_with_a_way_out():
    plain = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": [24], "correct": [12]})
    with pytest.raises(ValueError, match="nobody tasted more than once"):
        plain.tasters()
    pooled = ms.pool(ms.read_tastings(rows("P", REPEATED)))
    with pytest.raises(ValueError, match="there is no repeat taster 'zoe' in panel 'P'; there is 'a', 'b' and 'c'"):
        pooled.tasters().rate("P", "zoe")
    with pytest.raises(ValueError, match="between 0 and 1; got 1"):
        pooled.tasters(threshold=1)


def test_cell_and_text_say_the_same_in_our_words(people):
    text, page = repr(people.details()), html.unescape(people._repr_html_()).replace("\N{NO-BREAK SPACE}", " ")
    assert "Better than guessing means" in text
    assert "no ranking" in text
    assert [line for line in text.splitlines() if line.startswith(("Note", "How")) and line not in page] == []
    assert not banned(text)


def test_figure_has_a_row_for_every_taster(people):
    from matplotlib.figure import Figure

    axes = people.plot(ax=Figure())
    assert [label.get_text() for label in axes.get_yticklabels()] == ["a", "b", "c", "d"]
    assert "rate above guessing" in axes.get_xlabel()


# --- coverage and speed ---------------------------------------------------------------------------------------------


def calibration(name):
    spec = importlib.util.spec_from_file_location(name, HERE / "calibration" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_counting_repeats_as_people_loses_coverage_and_keeping_them_apart_does_not():
    # The whole table comes from tests/calibration/repeats_coverage.py; one row of it, small.
    table = calibration("repeats_coverage").one_panel(250, designs=((4, 9),)).set_index("tasters")
    row = table.loc["all-or-nothing"]
    assert row["coverage"] > 0.87
    assert row["coverage, wrong way"] < 0.8
    assert row["called similar, wrong way"] > 0.1 > row["called similar"]
    assert table.loc["graded", "coverage"] > 0.93


@pytest.mark.slow
def test_pooled_coverage_of_few_people_who_taste_often():
    table = (
        calibration("repeats_coverage")
        .pool_of_panels(80, designs=((4, 9),), truths=((1.63, 0.0),))
        .set_index("tasters")
    )
    assert (table["kept apart"] > 0.88).all()
    assert table.loc["all-or-nothing", "added up"] < 0.85


@pytest.mark.parametrize("known", [True, False])
def test_fifty_panels_of_twenty_repeat_tasters_pool_in_a_second(known):
    rng = np.random.default_rng(1)
    evidence = []
    for _ in range(50):
        p_d = TRIANGLE.p_d(abs(rng.normal(1, 0.4)))
        values, tasters = np.unique(
            rng.binomial(3, 1 / 3 + 2 / 3 * rng.beta(2 * p_d, 2 - 2 * p_d, 20)), return_counts=True
        )
        people = tuple((3, int(y), int(m)) for y, m in zip(values, tasters, strict=True))
        total = sum(y * m for _, y, m in people)
        evidence.append(Repeats(TRIANGLE, people) if known else RepeatedTotal(TRIANGLE, 20, 60, total))
    posterior, _ = grid.integrate(evidence, [1] * 50, Priors())
    assert posterior.average.below(0.5) < 0.05


@pytest.mark.slow
def test_a_million_tastings_are_read_checked_and_summed_up():
    rng, n = np.random.default_rng(1), 1_000_000
    frame = pd.DataFrame({
        "panel": np.char.add("P", np.repeat(np.arange(2000), 500).astype(str)), "protocol": "triangle",
        "taster": np.char.add("T", rng.integers(0, 5000, n).astype(str)), "correct": rng.integers(0, 2, n),
    })  # fmt: skip
    tastings = ms.read_tastings(frame)
    panels, counts = tastings.to_panels(), tastings.counts()
    assert panels.frame["tastings"].sum() == counts["r"].sum() == n


@pytest.mark.parametrize(
    "evidence",
    [
        [Repeats(TRIANGLE, ((9, 9, 1), (9, 3, 2), (9, 8, 1))), Repeats(TRIANGLE, ((6, 2, 5), (6, 6, 1)))],
        [Repeats(TRIANGLE, ((20, 10, 6), (20, 11, 6), (20, 12, 4)))],  # so much alike that gamma lies close to 0
    ],
)
def test_nodes_of_the_overdispersion_are_enough(evidence):
    # more than twice the Gauss-Legendre nodes change neither evidence nor average
    copies = [1] * len(evidence)
    posterior, found = grid.integrate(evidence, copies, Priors())
    x, w = np.polynomial.legendre.leggauss(40)
    logs, means = [], []
    for gamma in (x + 1) / 2:
        series = grid.Series.build(evidence, copies, float(gamma))
        mu = (np.arange(200) + 0.5) * 0.05
        tau = (np.arange(80) + 0.5) * 0.04
        m, t = (a.ravel() for a in np.meshgrid(mu, tau))
        log = series.log_likelihood(m, t) + grid.log_prior(m, t, Priors(), False) + np.log(0.05 * 0.04)
        logs.append(np.logaddexp.reduce(log))
        means.append(np.exp(log - logs[-1]) @ average_d_prime(m, t))
    share = w / 2 * np.exp(np.array(logs) - max(logs))
    assert found.varying == pytest.approx(max(logs) + np.log(share.sum()), abs=2e-3)
    assert posterior.average.mean == pytest.approx(share @ means / share.sum(), abs=2e-3)


def test_counts_of_strangers_and_of_repeaters_group_apart():
    table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 12, "correct": 7, "tasters": [12, 3, 3]}
    found = ms.pool(table).collected
    assert found.index.tolist() == [0, 1, 1]
    assert [type(e) for e in found.evidence] == [Counts, RepeatedTotal]


@pytest.mark.parametrize("name", ["triangle", "2-AFC"])
def test_single_counts_equal_the_table_of_all(name):
    d = np.linspace(-2 if name == "2-AFC" else 0, 3, 40)
    table = taster_probability(forced_choice(name), d, 0.3, 9)
    assert np.allclose(taster_probability(forced_choice(name), d, 0.3, 9, [2, 7]), table[:, [2, 7]], rtol=1e-13)


@pytest.mark.parametrize("answers", [40, 41])  # either side of where only the counts that occurred are worked out
def test_long_runs_of_answers_are_told_alike(answers):
    d, evidence = np.array([0.3, 1.2]), Repeats(forced_choice("triangle"), ((answers, 15, 2), (answers, 20, 1)))
    table = np.log(taster_probability(forced_choice("triangle"), d, 0.2, answers))
    assert np.allclose(evidence.log_likelihood(d, 0.2), 2 * table[:, 15] + table[:, 20], rtol=1e-12)


def test_people_in_several_panels_are_noticed_beside_panels_known_by_totals():
    answers = [
        {"panel": panel, "protocol": "triangle", "taster": f"T{t}", "correct": int(t < 3)}
        for panel in ("A", "B")
        for t in range(8)
    ]
    old = {"panel": ["old"], "protocol": "triangle", "tastings": [24], "correct": [11]}
    pooled = ms.pool(old, tastings=ms.read_tastings(answers), regulars=False)
    assert any("8 people of 8 sat in more than one panel" in warning for warning in pooled.warnings)
    assert (
        "8 of them in more than one panel (linked by name); the number of other people is not given"
        in pooled.statement()
    )


def test_further_tastings_can_settle_that_somebody_guesses():
    # Two chances only: guessing (94 %) or nearly always right (6 %). By Bayes' rule, written out, the side is settled
    # when a count leaves the better one below 5 %; the number found is enough, and one tasting less is not.
    guess = 1 / 3
    edges = np.concatenate(
        [guess * np.linspace(0, 1, CELLS + 1), guess + (1 - guess) * np.linspace(0, 1, CELLS + 1)[1:]]
    )
    middle = (edges[1:] + edges[:-1]) / 2
    share = np.zeros(2 * CELLS)
    share[CELLS], share[-20] = 0.94, 0.06

    def settled(extra):
        y = np.arange(extra + 1)
        low = 0.94 * stats.binom.pmf(y, extra, middle[CELLS])
        high = 0.06 * stats.binom.pmf(y, extra, middle[-20])
        better = high / (low + high)
        return (low + high)[(better > 0.95) | (better < 0.05)].sum()

    found = _Ability(TRIANGLE, edges, share).more(0.2)
    assert found is not None
    assert settled(found) >= 0.8
    assert settled(found - 1) < 0.8


@pytest.mark.parametrize(("half", "said"), [(0.15, False), (0.37, False), (0.38, True)])
def test_how_unlike_tasters_are_is_called_unknown_only_where_it_is(half, said):
    known = Distribution(np.array([0.5 - half, 0.5 + half]), np.array([0.0, 1.0]))

    class Known(Tasters):
        overdispersion = known

    text = Known(
        ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": [10], "tasters": 8})
    ).sentence()
    assert ("hardly narrower than before" in text) == said


def test_how_many_are_settled_is_counted_above_and_below_the_probability(people):
    assert people._counted(np.array([0.951, 0.95, 0.5, 1 - 0.95, 0.049])) == (
        "Better than guessing: 1 of 5 people; no better: 1; not settled: 3"
    )
    assert people._counted(np.array([0.95, 0.05000001])) == ("Not settled for any of 2 people")
    p = people.to_frame()["p_better"]
    above, below = int((p > 0.95).sum()), int((p < 0.05).sum())
    said = f"better than guessing with a probability above 95 %: {above}; below 5 %: {below}; not settled: {4 - above - below}"
    assert people._settled() == said
    assert people._line() == f"4 people with 19 tastings in 1 panel: {said}."


@pytest.mark.parametrize(
    ("p", "more", "said"),
    [
        (
            [0.5, 0.6, 0.99],
            [40, 12, 0],
            "12 more tastings by b would settle it with a chance",
        ),
        ([0.951, 0.6, 0.01], [0, 1, 0], "1 more tasting by b would settle it"),
        ([0.95, 0.6, 0.01], [3, 12, 0], "3 more tastings by a would settle it"),
        ([0.951, 0.6, 0.01], [0, None, 0], "even 200 more tastings would hardly settle it for anybody"),
    ],
)
def test_the_next_step_is_whoever_is_settled_soonest(people, p, more, said):
    frame = pd.DataFrame({"taster": list("abc"), "p_better": p, "more_tastings": pd.array(more, "Int64")})
    found = people._next_step(frame)
    assert found.startswith(said)
    assert "with a chance of 80 %." in found or more[1] is None


def test_notes_explain_the_threshold_in_the_protocol_that_most_used(people):
    first, pulled, order, more = people.notes
    assert first.startswith(
        "Better than guessing means above 40 % correct in a triangle test. That is 10 % of the way f"
    )
    assert "Each rate is therefore pulled towards the panel's" in pulled and "This is no ranking" in order
    assert "for a chance of 80 % that it is then settled (probability above 95 % either way)" in more
    assert people._methods()[2].startswith("Better than guessing: a rate above 10 % of the way")
    wide = Tasters(people.core, 0.25)
    assert "above 50 % correct in a triangle test" in wide.notes[0]


def test_people_in_two_panels_and_panels_of_totals_are_noted():
    single = ms.read_tastings(rows("P", REPEATED) + rows("Q", REPEATED))
    total = ms.read_panels({"panel": ["R"], "protocol": "triangle", "tastings": 24, "correct": 12, "tasters": 8})
    found = ms.pool(total, tastings=single).tasters()
    assert any("repeated in more than one panel: a row for each panel, but one person." in note for note in found.notes)
    assert found.notes[-1] == "Only the total is known, so nothing about single tasters: R."
    assert found._settled().endswith(" (a person once a panel)")
    labels = [label.get_text() for label in found.plot().get_yticklabels()]
    assert labels == [f"{panel}: {name}" for panel in "PQ" for name in "abc"]
    alone = ms.pool(ms.read_tastings(rows("P", REPEATED))).tasters()
    assert not any("more than one panel" in n or "Only the total" in n for n in alone.notes)
    assert "once a panel" not in alone._settled()
    with pytest.raises(ValueError, match="there is nobody whose own answers are known"):
        found.rate("R", "a")


def test_the_first_screen_names_the_likeliest_and_counts_the_rows_that_are_hidden(people):
    frame = people.to_frame()
    text = " ".join(repr(people).split())
    best = frame.loc[frame["p_better"].idxmax()]
    right = TRIANGLE.p_from_p_d(best["mean"])
    assert f"Closest is {best['taster']}: of 100 triangle answers about {100 * right:.0f}" in text
    assert "in details()." not in text and "Right of 100, first" not in text
    many = {f"T{i:02}": [1, 0, 1, 0] for i in range(FIRST + 2)}
    shown = repr(ms.pool(ms.read_tastings(rows("P", many))).tasters())
    assert shown.count("\nT0") == FIRST and "Not settled for any of 6 people" in shown
    assert "Right of 100, first 4 of 6" in shown


def test_the_wrong_answer_is_set_beside_the_right_one_with_its_width():
    right = Distribution(np.array([0.0, 2.0]), np.array([0.0, 1.0]))
    wrong = Distribution(np.array([1.0, 2.0]), np.array([0.0, 1.0]))
    said = AsIfIndependent(right, wrong, 24, 8).sentence(0.5)
    assert "The average d-prime is 1.00 (0.50 to 1.50; 50 %" in said
    assert "Counting the 24 tastings of 8 people as so many people would have given 1.50 (1.25 to 1.75)" in said
    assert "an interval 50 % as wide. That second answer is wrong and not to be reported." in said
    frame = AsIfIndependent(right, wrong, 24, 8).to_frame(0.5)
    assert frame["median"].tolist() == pytest.approx([1.0, 1.5]) and frame["upper"].tolist() == pytest.approx(
        [1.5, 1.75]
    )
    assert (frame["prob"] == 0.5).all()


@pytest.mark.parametrize("threshold", [0, 1, -0.1, 1.5])
def test_a_threshold_is_a_rate_between_guessing_and_always_right(people, threshold):
    with pytest.raises(ValueError, match="between 0 and 1; got"):
        ms.pool(ms.read_tastings(rows("P", REPEATED))).tasters(threshold=threshold)


@pytest.mark.parametrize(
    ("correct", "said"),
    [(4, "Not settled for T1: of 100"), (12, "Better than guessing is T1: of 100")],
)
def test_a_single_person_is_called_by_name_and_not_counted(correct, said):
    rows = [{"panel": "A", "protocol": "triangle", "taster": "T1", "correct": int(i < correct)} for i in range(12)]
    told = ms.pool(ms.read_tastings(rows)).tasters().plain_answer()
    assert told.startswith(said)
    assert "person" not in told and "Closest" not in told


def test_a_person_of_two_panels_is_named_with_the_panel():
    tastings = ms.read_tastings([*rows("Friday", REPEATED), *rows("Sunday", REPEATED | {"a": [0, 1, 0, 0]})])
    said = ms.tasters(ms.pool(tastings))
    assert "Not settled for any of 6 results of 3 people (one a panel each)." in said.plain_answer()
    assert "Closest is a in Friday" in said.plain_answer()
    assert "a in Sunday" in repr(said) and "a in Friday" in repr(said)


def test_regulars_of_several_panels_are_told_that_only_repeats_in_one_panel_count():
    tastings = ms.read_tastings([*rows("Friday", {"a": [1], "b": [0]}), *rows("Sunday", {"a": [1], "b": [1]})])
    with pytest.raises(ValueError, match="One set each at several panels is no repeat"):
        ms.tasters(ms.pool(tastings))


def test_the_paragraph_ends_with_what_better_than_guessing_means_and_how_rates_are_pulled(people):
    said = people._paragraph()
    assert said[-2:] == list(people.notes[:2]) and len(said) == 4


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.951, "Better than guessing is Ann"),
        (0.95, "Not settled for Ann"),
        (1 - 0.95, "Not settled for Ann"),
        (0.049, "No better than guessing is Ann"),
    ],
)
def test_one_person_stands_on_a_side_only_above_the_settled_probability(p, said):
    assert _stands(p, "Ann") == said


def test_people_on_a_side_are_those_above_the_settled_probability(people):
    class Fixed(Tasters):
        def to_frame(self, prob=0.95, *, order="tastings"):
            return pd.DataFrame({"p_better": [0.951, 0.95, 0.5, 1 - 0.95, 0.049, 0.01]})

    said = Fixed(people.core)._settled()
    assert said == "better than guessing with a probability above 95 %: 1; below 5 %: 2; not settled: 3"


def test_single_tasters_of_totals_may_all_be_different_people():
    assert _people_in(pd.DataFrame({"taster": [ONLY, ONLY, "a", "a", "b"]})) == 4
    assert _people_in(pd.DataFrame({"taster": ["a", "a"]})) == 1


def test_rows_come_as_in_the_table_where_that_is_asked_and_by_tastings_otherwise():
    found = ms.pool(ms.read_tastings(rows("P", {"once": [1], "often": [1, 0, 1], "twice": [0, 1]}))).tasters()
    assert found.to_frame(order="table")["taster"].tolist() == ["once", "often", "twice"]
    assert found.to_frame()["taster"].tolist() == ["often", "twice", "once"]
    table = " ".join(found._table().to_text().split())
    assert "2 of 3" in table and "Rate above guessing of each taster" in table
