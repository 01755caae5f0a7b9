"""Where the right cup stood, and what guessers pick: the estimates, the adjusted answer and the cautions."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import metasense as ms
from metasense.questions import habits
from metasense.questions.habits import Counted
from metasense.showing.words import banned

HABIT = (0.6, 0.2, 0.2)
EVEN = (1 / 3, 1 / 3, 1 / 3)


def tastings(served, guesses, d_prime=0.0, panels=6, size=24, seed=5, **columns):
    """Triangles: the odd cup stands at each place in these shares, and who cannot tell picks places in those."""
    rng = np.random.default_rng(seed)
    p_d = float(ms.protocol("triangle").p_d(d_prime))
    rows = []
    for panel in range(panels):
        right = rng.choice(3, size, p=served) + 1
        picked = np.where(rng.random(size) < p_d, right, rng.choice(3, size, p=guesses) + 1)
        for taster, (at, said) in enumerate(zip(right.tolist(), picked.tolist(), strict=True)):
            row = {"panel": f"P{panel}", "protocol": "triangle", "taster": f"T{panel}.{taster}"}
            rows.append(row | {"served": at, "answer": said})
    return ms.read_tastings(rows)


@pytest.fixture(scope="module")
def leaning():
    return ms.pool(tastings(HABIT, HABIT), margin="d'=0.5")


def test_habits_agree_with_plain_sums_over_a_grid():
    # the posterior on a fine grid of the simplex: prior uniform, likelihood as the file states it
    served = np.array([[14, 6, 4], [9, 9, 6]])
    wrong = np.array([[5, 6, 4], [8, 3, 3]])
    steps = np.arange(0.5, 200) / 200
    first, second = np.meshgrid(steps, steps, indexing="ij")
    inside = first + second < 1
    b = np.stack([first[inside], second[inside], 1 - first[inside] - second[inside]], axis=1)
    log = np.log(b) @ wrong.sum(axis=0)
    for places, missed in zip(served, wrong, strict=True):
        log -= missed.sum() * np.log(places.sum() - b @ places)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    found = Counted("triangle", ("A", "B"), served.astype(float), wrong.astype(float), np.zeros(2))
    drawn, share = found.habits()
    assert share @ drawn == pytest.approx(weight @ b, abs=0.004)
    spread = np.sqrt(share @ drawn**2 - (share @ drawn) ** 2)
    assert spread == pytest.approx(np.sqrt(weight @ b**2 - (weight @ b) ** 2), abs=0.004)


def test_even_serving_leaves_the_guess_rate_whatever_the_habit():
    served, wrong = np.full((1, 3), 40.0), np.array([[60.0, 10.0, 10.0]])
    found = Counted("triangle", ("A",), served, wrong, np.zeros(1))
    drawn, weight = found.habits()
    assert found.guess_rates(drawn) == pytest.approx(1 / 3)
    assert weight @ drawn[:, 0] > 0.6


def test_two_places_tell_a_habit_where_both_are_served():
    # guessers pick the first of two cups in 80 %: of 300 guesses each way round, 60 and 240 are wrong
    found = Counted("2-AFC", ("A",), np.array([[300.0, 300.0]]), np.array([[240.0, 60.0]]), np.zeros(1))
    drawn, weight = found.habits()
    assert weight @ drawn[:, 0] == pytest.approx(0.8, abs=0.03)


def test_the_guess_rate_is_what_guessers_reach(leaning):
    # sum of s_k b_k with the shares that were served and the habit that was simulated
    frame = leaning.habits().to_frame()
    whole = frame[frame["panel"] == "all triangle panels"]
    assert whole["guess"].iloc[0] == pytest.approx(whole["share"] @ np.array(HABIT), abs=0.05)
    assert whole["habit"].to_numpy() == pytest.approx(HABIT, abs=0.12)


def test_the_answer_with_habits_is_the_pool_at_that_guess_rate(leaning):
    # one panel alone against plain integration over centre and spread on a grid, with its own guess rate
    from scipy.stats import binom

    one = ms.pool(tastings(HABIT, HABIT, panels=1))
    rate = one.habits().to_frame()["guess"].iloc[0]
    x, n = (int(one.panels.frame[name].iloc[0]) for name in ("correct", "tastings"))
    mu, tau = np.meshgrid(np.linspace(0, 7, 141), np.linspace(0.0125, 3, 120), indexing="ij")
    nodes, weights = np.polynomial.hermite_e.hermegauss(31)
    theta = np.abs(mu[..., None] + tau[..., None] * nodes)
    p = rate + (1 - rate) * ms.protocol("triangle").p_d(theta)
    density = (binom.pmf(x, n, p) @ weights) * np.exp(-0.5 * (mu / 1.5) ** 2 - 0.5 * (tau / 0.5) ** 2)
    average = theta @ weights / weights.sum()
    mean = (density * average).sum() / density.sum()
    assert habits.under_habits(one.core).mean == pytest.approx(mean, abs=0.02)
    assert habits.under_habits(leaning.core).median < leaning.average.median - 0.1


def test_even_guesses_leave_the_answer_nearly_as_it_is():
    pooled = ms.pool(tastings(EVEN, EVEN, d_prime=1.0))
    assert habits.under_habits(pooled.core).median == pytest.approx(pooled.average.median, abs=0.05)
    assert habits.cautions(pooled.core) == ()


def test_a_habit_beside_uneven_serving_is_a_caution_of_the_first_screen(leaning):
    (said,) = habits.cautions(leaning.core)
    assert said.startswith("Serving was uneven and guessers have a habit, which can pass for a difference.")
    assert said in leaning.warnings
    assert "Serving was uneven" in " ".join(repr(leaning).split())
    assert banned(said) == []


@pytest.mark.parametrize("model", [{"moderators": "weeks"}, {"within": "batch_pair"}])
def test_beside_a_moderator_or_a_level_a_habit_is_said_without_the_plain_answer(leaning, model):
    frame = leaning.panels.frame[["panel", "protocol", "tastings", "correct"]]
    frame = frame.assign(weeks=[1, 2, 3, 4, 6, 9], batch_pair=list("AABBCC"))
    pooled = ms.pool(frame, tastings=leaning.core.tastings, margin="d'=0.5", **model)
    said = [note for note in pooled.warnings if note.startswith("Serving was uneven")]
    assert len(said) == 1 and said[0].endswith("not 33 %.") and said[0] in pooled.notes
    assert leaning.warnings[0].startswith(said[0]) and "With that guess rate" in leaning.warnings[0]
    assert [note for note in pooled.notes if note.startswith("How the cups were served probably mattered")]


def test_a_habit_that_avoids_the_right_cup_hides_a_difference():
    pooled = ms.pool(tastings((0.7, 0.15, 0.15), (0.05, 0.475, 0.475), d_prime=1.0))
    assert "can hide a difference" in habits.cautions(pooled.core)[0]


def test_a_cup_that_never_moved_is_said_to_leave_habits_open():
    (said,) = habits.cautions(ms.pool(tastings((0, 1, 0), (0.3, 0.4, 0.3))).core)
    assert "at place 2 in 100 %" in said and "cannot be told" in said


def test_habits_are_a_case_of_sensitivity_where_places_are_known(leaning):
    cases = leaning.sensitivity().about("habit")
    assert cases["case"].tolist() == ["if guessers kept to their habits"]
    assert cases["median"].iloc[0] == habits.under_habits(leaning.core).median
    assert not len(ms.pool(leaning.panels).sensitivity().about("habit"))


@pytest.mark.parametrize(
    ("row", "places"),
    [
        ({"protocol": "triangle", "served": "2", "answer": "3"}, (2, 3)),
        ({"protocol": "triangle", "served": "left", "answer": "right"}, (1, 3)),
        ({"protocol": "3-AFC", "served": "middle", "answer": "left"}, (2, 1)),
        ({"protocol": "2-AFC", "served": "left", "answer": "right"}, (1, 2)),
        ({"protocol": "triangle", "order": "ABB", "correct": 0}, (1, None)),
        ({"protocol": "triangle", "order": "ABB", "position": 3, "correct": 0}, (1, 3)),
        ({"protocol": "triangle", "order": "417-862-305", "served": "862", "answer": "305"}, (2, 3)),
        ({"protocol": "duo-trio", "order": "ABA", "correct": 0}, (2, 1)),
        ({"protocol": "duo-trio", "order": "417-862-305", "served": "862", "answer": "305"}, (1, 2)),
        ({"protocol": "3-AFC", "served": "third", "answer": "first"}, (3, 1)),
        ({"protocol": "3-AFC", "served": "2nd", "answer": "3rd"}, (2, 3)),
        ({"protocol": "3-AFC", "served": "c", "answer": "r"}, (2, 3)),
        ({"protocol": "2-AFC", "served": "r", "answer": "l"}, (2, 1)),
        ({"protocol": "2-AFC", "served": "right", "correct": 0}, (2, 1)),
        ({"protocol": "2-AFC", "served": "1st", "answer": "1st"}, (1, 1)),
        ({"protocol": "triangle", "order": "AAB", "correct": 0}, (3, None)),
        ({"protocol": "triangle", "order": "BAB", "correct": 1}, (2, 2)),
        ({"protocol": "duo-trio", "order": "AAB", "correct": 0}, (1, 2)),
    ],
)
def test_places_are_read_from_places_words_codes_and_orders(row, places):
    found = habits.placed(ms.read_tastings([{"panel": "A", "taster": "T1"} | row]))
    right, picked = found[["right", "picked"]].iloc[0]
    assert right == places[0]
    assert pd.isna(picked) if places[1] is None else picked == places[1]


def test_uneven_panels_whose_picks_are_not_known_are_said_to_be_unchecked():
    orders = ["ABB"] * 20 + ["BAB"] * 4
    rows = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "order": order, "correct": i % 2}
        for i, order in enumerate(orders)
    ]
    pooled = ms.pool(ms.read_tastings(rows))
    assert habits.unchecked(pooled.core) == ("A",)
    assert any(note.startswith("Unchecked for habits: A.") for note in pooled.notes)
    assert not any("Unchecked for habits" in note for note in ms.pool(pooled.panels).notes)  # there it cannot be known


def test_without_places_the_message_says_what_to_record():
    table = {"panel": "A", "protocol": "triangle", "taster": ["T1", "T2"], "correct": [1, 0]}
    with pytest.raises(ValueError, match="place of the right cup under served"):
        ms.pool(ms.read_tastings(table)).habits()


def test_cautions_seldom_fire_where_guessers_have_no_habit():
    # 60 sets with the right cup at place 1 in 60 %: 1.5 % of 200 were called when this was measured
    rng = np.random.default_rng(2)
    fired = 0
    for _ in range(60):
        right = rng.choice(3, 144, p=HABIT)
        picked = rng.choice(3, 144)
        served, wrong = np.bincount(right, minlength=3), np.bincount(picked[picked != right], minlength=3)
        found = Counted("triangle", ("A",), served[None].astype(float), wrong[None].astype(float), np.zeros(1))
        drawn, weight = found.habits()
        rates = found.guess_rates(drawn)[:, 0]
        fired += max(weight @ (rates > 1 / 3 + habits.SHIFT), weight @ (rates < 1 / 3 - habits.SHIFT)) > habits.SURE
    assert fired <= 4


def test_tastings_of_other_protocols_only_have_no_places():
    rows = [{"panel": "A", "protocol": "tetrad", "taster": t, "served": "1+2/3+4", "answer": "1+2"} for t in range(12)]
    pooled = ms.pool(ms.read_tastings(rows), margin="0.2 triangle")
    assert habits.placed(pooled.core.tastings).empty and pooled.plain_answer()


def given(monkeypatch, served, wrong, unknown=0.0, test="triangle"):
    """One panel whose places are counted out."""
    found = Counted(test, ("A",), np.array([served], float), np.array([wrong], float), np.array([float(unknown)]))
    monkeypatch.setattr(habits, "counted", lambda core: {test: found})
    return found


POOL = SimpleNamespace(panels=["A"])


@pytest.mark.parametrize(
    ("served", "said"),
    [([0, 12, 0], "2 in 100 %"), ([0, 11, 0], None), ([18, 1, 1], None), ([2, 1, 47], "3 in 94 %")],
)
def test_a_place_that_hardly_changed_is_said_from_twelve_tastings_and_more_than_nine_in_ten_on(
    served, said, monkeypatch
):
    given(monkeypatch, served, [1, 1, 1])
    found = " ".join(habits._cautions(POOL, False))
    assert ("cannot be told. Serve the places in turn." in found) == (said is not None)
    assert said is None or f"In the triangle tastings the right cup stood at place {said}: whether people" in found


def test_a_habit_is_said_with_its_place_its_shares_and_the_guess_rate(monkeypatch):
    served, wrong = [60, 30, 30], [40, 12, 12]
    found = given(monkeypatch, served, wrong)
    drawn, weight = found.habits()
    habit = weight @ drawn
    guess = habit @ np.array([0.5, 0.25, 0.25])  # shares that were served
    (said,) = habits._cautions(POOL, False)
    # named in 40 of the 60 tastings in which it was wrong, the others in 12 of 90 each: 5 of 7 guesses, about
    assert habit[0] == pytest.approx(5 / 7, abs=0.04)
    assert guess > 1 / 3 + 0.01 and habit.argmax() == 0
    assert "can pass for a difference. In the triangle tastings the right cup stood at place 1 in 50 %, and " in said
    assert f"and {100 * habit[0]:.0f} % of guesses go there." in said
    assert said.endswith(f"Guessing was then right in about {100 * guess:.0f} %, not 33 %.")
    given(monkeypatch, [30, 30, 60], [70, 20, 1])  # the place that guessers like was seldom right
    assert "can hide a difference" in habits._cautions(POOL, False)[0]
    given(monkeypatch, [40, 40, 40], [70, 10, 10])  # even serving: whatever the habit
    assert habits._cautions(POOL, False) == ()


@pytest.mark.parametrize("served", [[20, 4, 6], [14, 10, 12], [9, 9, 9]])
def test_how_uneven_serving_is_is_a_chi_square_test(served, monkeypatch):
    from scipy.stats import chisquare

    found = given(monkeypatch, served, [1, 1, 1])
    assert found.uneven == pytest.approx(chisquare(served).pvalue)
    assert found.shares[0] == pytest.approx(np.array(served) / sum(served))


@pytest.mark.parametrize(
    ("served", "wrong", "unknown", "panels", "said"),
    [
        ([20, 4, 6], [1, 1, 0], 3, 1, ("A",)),
        ([20, 4, 6], [1, 1, 1], 3, 1, ()),  # as many known as not
        ([20, 4, 6], [1, 1, 0], 3, 40, ()),  # one of forty panels so uneven is no wonder: p = 0.0006 against 0.01 / 40
        ([14, 8, 8], [0, 0, 0], 9, 1, ()),
    ],
)
def test_uneven_panels_are_unchecked_where_most_picks_are_unknown(served, wrong, unknown, panels, said, monkeypatch):
    given(monkeypatch, served, wrong, unknown)
    assert habits.unchecked(SimpleNamespace(panels=["A"] * panels)) == said


def test_rows_and_sentence_hold_what_was_counted(leaning):
    found = leaning.habits()
    frame, tastings = found.to_frame(), leaning.panels.frame
    assert frame["panel"].unique().tolist() == [*tastings["panel"], "all triangle panels"]
    sums = frame.groupby("panel", sort=False)[["served", "wrong", "share", "habit"]].sum()
    assert sums["served"].tolist() == [24] * 6 + [144]
    assert sums["wrong"].iloc[:6].tolist() == (24 - tastings["correct"].astype(int)).tolist()
    assert sums["share"].to_numpy() == pytest.approx(1) and sums["habit"].to_numpy() == pytest.approx(1)
    assert (frame["usual"] == 1 / 3).all() and (frame["prob"] == 0.95).all()
    assert (frame["lower"] < frame["habit"]).all() and (frame["habit"] < frame["upper"]).all()
    narrow = habits.Habits.of(leaning.core, prob=0.5).frame
    assert (narrow["prob"] == 0.5).all() and (narrow["upper"] < frame["upper"]).all()
    each = frame[frame["place"] == 1]["guess"]  # as many tastings in each
    assert each.iloc[6] == pytest.approx(each.iloc[:6].mean())
    whole = frame.iloc[-3:]
    share, habit = whole["share"].tolist(), whole["habit"].tolist()
    said = found.sentences()[0]
    assert said.startswith(f"triangle: the right cup stood at place 1 in {100 * share[0]:.0f} %, 2 in ")
    assert f"By the wrong answers, guesses go {100 * habit[0]:.0f} % to 1, {100 * habit[1]:.0f} % to 2" in said
    assert said.endswith(f"right in {100 * whole['guess'].iloc[0]:.0f} %, where even guessing is in 33 %.")
    medians = habits.under_habits(leaning.core).median, leaning.average.median
    assert found.said[0].endswith("d-prime is {:.2f} in place of {:.2f}.".format(*medians))


def test_a_panel_with_a_place_that_cannot_be_is_left_out():
    rows = [{"panel": p, "protocol": "2-AFC", "taster": f"{p}{i}", "served": 1 + i % 2, "correct": i % 3 == 0} for p in "AB" for i in range(4)]  # fmt: skip
    rows[2]["served"] = 3
    assert habits.placed(ms.read_tastings(rows))["panel"].unique().tolist() == ["B"]
    rows[2]["served"] = None
    assert habits.placed(ms.read_tastings(rows))["panel"].unique().tolist() == ["B"]
