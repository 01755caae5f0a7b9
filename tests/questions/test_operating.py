"""How often panels like these give each verdict: against pools made one by one, and exact sums."""

import numpy as np
import pytest
from scipy.stats import binom

import metasense as ms
from metasense.engine.batch import Variables, above_margin
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.engine.spreads import average_d_prime
from metasense.questions.operating import _centre
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
