"""How often panels like these give each verdict: against pools made one by one, and exact sums."""

import numpy as np
import pytest
from scipy.stats import binom

import metasense as ms
from metasense.engine.batch import Variables, above_margin
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.questions.operating import Operating, _centre
from metasense.showing import words
from metasense.showing.words import banned

TABLE = {"panel": list("ABC"), "protocol": ["triangle", "tetrad", "triangle"], "tastings": [24, 36, 24], "correct": 12}
MARGIN = "d'=1"


def test_probabilities_above_the_margin_are_those_of_single_pools():
    triangle, two = ms.protocol("triangle"), ms.protocol("2-AFC")
    for test, counts in ((triangle, (9, 14, 30)), (two, (13, 20, 4))):
        evidence = tuple(Counts(test, 30, x) for x in counts)
        sets = [np.array([0, 1, 1]), np.array([2, 2]), np.array([0])]
        found = above_margin(Variables(evidence, tuple(sets)), Priors(), 1.0)
        for got, members in zip(found, sets, strict=True):
            table = {"panel": list("ABC")[: len(members)], "protocol": test.name, "tastings": 30}
            pooled = ms.pool(table | {"correct": [counts[i] for i in members]})
            assert got == pytest.approx(pooled.average.above(1.0), abs=2e-4)


def test_chances_of_one_panel_are_exact_sums_over_its_counts():
    pooled = ms.pool({"panel": "A", "protocol": "tetrad", "tastings": 40, "correct": 20}, margin=MARGIN)
    found = pooled.operating(sets=4000).to_frame().set_index("truth")
    said = [
        ms.pool({"panel": "A", "protocol": "tetrad", "tastings": 40, "correct": x}, margin=MARGIN).verdict().label
        for x in range(41)
    ]
    for truth, d_prime in (("nothing", 0.0), ("the margin", 1.0), ("twice the margin", 2.0)):
        chance = binom.pmf(np.arange(41), 40, ms.protocol("tetrad").p_correct(d_prime))
        for name, label in (("beyond", "beyond the margin"), ("within", "within the margin")):
            exact = chance @ np.array([word == label for word in said], float)
            assert found.loc[truth, name] == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 4000) + 1e-9)


def test_the_chances_add_up_and_move_with_the_truth():
    frame = ms.pool(TABLE, margin=MARGIN).operating(sets=300).to_frame()
    assert frame[["beyond", "within", "not_settled"]].sum(axis=1).to_numpy() == pytest.approx(1)
    assert frame["d_prime"].tolist() == [0, 0.5, 1.0, 1.5, 2.0]
    assert frame["beyond"].is_monotonic_increasing and frame["within"].is_monotonic_decreasing
    assert (frame["error"] <= 0.5 / np.sqrt(300) + 1e-9).all() and (frame["error"] > 0).all()


def test_panels_that_differ_are_drawn_around_the_same_average():
    for truth, spread in ((1.0, 0.5), (0.7, 0.6)):
        centre, tau = _centre(truth, spread)
        assert average_d_prime(np.array([centre]), np.array([tau]))[0] == pytest.approx(truth, abs=1e-9)
    assert _centre(0.0, 0.5) == (0.0, 0.0)
    alike = ms.pool(TABLE, margin=MARGIN).operating(sets=400).to_frame()
    apart = ms.pool(TABLE, margin=MARGIN).operating(sets=400, spread=0.8).to_frame()
    assert apart["beyond"].iloc[2] > alike["beyond"].iloc[2]  # their averages lie further from the margin


def test_repeat_tasters_are_taken_by_their_totals_and_two_counts_left_out():
    two = {"panel": "D", "protocol": "A-not-A", "signal": 20, "hits": 14, "noise": 20, "false_alarms": 8}
    repeats = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "tasters": 8}
    found = ms.pool([repeats, two], margin=MARGIN).operating(sets=20)
    assert len(found.notes) == 2 and "1 panel with two counts left out" in found.notes[0]
    with pytest.raises(ValueError, match="A-not-A or same-different"):
        ms.pool([two], margin=MARGIN).operating()


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="need a margin"):
        ms.pool(TABLE).operating()
    pooled = ms.pool(TABLE, margin=MARGIN)
    for wrong in ({"sets": 0}, {"spread": -1}):
        with pytest.raises(ValueError, match=f"{next(iter(wrong))} is"):
            pooled.operating(**wrong)


def test_the_levels_at_the_margin_are_said():
    found = ms.pool(TABLE, margin=MARGIN).operating(sets=200)
    assert "These are the levels of the two verdicts." in " ".join(found.sentences())
    assert all(banned(text) == [] for text in found.sentences())


def test_an_earlier_pool_enters_on_its_side():
    # directed panels, whose prior centre has a sign
    earlier = ms.pool({"panel": list("AB"), "protocol": "2-AFC", "tastings": 40, "correct": [30, 31]})
    priors = ms.Priors.from_pool(earlier, discount=0.3)
    evidence = (Counts(ms.protocol("2-AFC"), 30, 21),)
    (found,) = above_margin(Variables(evidence, (np.array([0]),)), priors, 1.0)
    pooled = ms.pool({"panel": "C", "protocol": "2-AFC", "tastings": 30, "correct": 21}, priors=priors)
    assert found == pytest.approx(pooled.average.above(1.0), abs=2e-4)


def test_the_table_gives_chances_in_whole_percent_and_their_error_to_a_tenth():
    found = ms.pool(TABLE, margin=MARGIN).operating(sets=100)
    said = " ".join(str(found.details()).split())
    row = found.frame.iloc[2]
    cells = [words.percent(row[name]) for name in ("beyond", "within", "not_settled")]
    assert f"the margin 1.00 {' '.join(cells)} {words.percent(row['error'], 1)}" in said


def with_chances(monkeypatch, table, *chances, **asked):
    """Chances of verdicts where every set of panels gives one of these probabilities above the margin, in turn."""
    give = lambda panels, counts, core, margin: np.resize(np.array(chances), len(counts))  # noqa: E731
    monkeypatch.setattr("metasense.questions.operating._above", give)
    return ms.pool(table, margin=MARGIN).operating(**asked)


@pytest.mark.parametrize(
    ("more", "sets"),
    [({}, 1000), ({"tastings": 1000}, 1000), ({"tastings": [24, 1001, 24]}, 100), ({"tasters": [24, 9, 24]}, 100)],
)
def test_a_thousand_sets_are_drawn_and_a_hundred_where_each_takes_long(more, sets, monkeypatch):
    found = with_chances(monkeypatch, TABLE | more, 0.5)
    assert found.sets == sets and (found.frame["not_settled"] == 1).all()


def test_verdicts_are_counted_above_the_settled_probability_with_the_error_of_so_many_draws(monkeypatch):
    found = with_chances(monkeypatch, TABLE, 0.951, 0.95, 0.5, 0.0501, 0.049, 0.01, 0.96, 0.99, sets=8)
    assert found.frame[["beyond", "within", "not_settled"]].to_numpy() == pytest.approx(np.tile([3, 2, 3], (5, 1)) / 8)
    # binomial standard error of a share, taken as if one of each kind had been drawn besides: 4 of 10
    assert found.frame["error"].to_numpy() == pytest.approx(np.sqrt(0.4 * 0.6 / 8))
    sure = with_chances(monkeypatch, TABLE, 0.99, sets=8).frame
    assert sure["error"].to_numpy() == pytest.approx(np.sqrt(0.9 * 0.1 / 8))


def test_the_sentences_say_each_chance_of_its_own_truth(monkeypatch):
    found = with_chances(monkeypatch, TABLE, 0.5, sets=1)
    frame = found.frame.assign(beyond=[0.01, 0.02, 0.05, 0.4, 0.8], within=[0.7, 0.3, 0.06, 0.03, 0.02], error=0.0123)
    frame["not_settled"] = 1 - frame["beyond"] - frame["within"]
    said = Operating(frame, found.margin, 1200, 0.5, ("A note.",)).sentences()
    assert said == (
        "If there were nothing to taste, panels like these would say within the margin in 70 % of such sets; at twice "
        "the margin, beyond the margin in 80 %.",
        "Exactly at the margin, where neither is right, they would say beyond in 5 % and within in 6 %, and leave it "
        "not settled in 89 %. These are the levels of the two verdicts.",
        "A note.",
        "1,200 sets drawn for each truth; Monte Carlo error up to 1.2 % (standard error). Panels of a set differ by "
        "0.50 (SD between panels, in d-prime).",
    )
    assert found.sentences()[-1].startswith("1 set drawn") and found.sentences()[-1].endswith("share one d-prime.")
    assert found._alt("", {}) == f"{Operating._depicts} {' '.join(found.sentences()[:2])}"
    axes = found.plot()
    assert axes.get_xlabel() == "true average d-prime (the margin is 1.00)"


def test_where_panels_cannot_spread_so_far_they_spread_as_far_as_they_can():
    # the mean of a half-normal is its scale times sqrt(2 / pi)
    assert _centre(0.5, 2.0) == pytest.approx((0.0, 0.5 * np.sqrt(np.pi / 2)))
    assert _centre(1.2, 0.0) == (1.2, 0.0)


@pytest.mark.parametrize("wrong", [{"sets": 1.5}, {"sets": 0}, {"spread": float("inf")}, {"spread": -0.1}])
def test_numbers_of_sets_and_spreads_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match=rf"{next(iter(wrong))} is .*got {next(iter(wrong.values()))!r}"):
        ms.pool(TABLE, margin=MARGIN).operating(**wrong)
