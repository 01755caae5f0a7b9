"""A shelf weighed as one: its words and frames agree with one another and with the draws."""

import re

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from scipy.stats import binom

import metasense as ms
from metasense.showing.words import banned

TRIANGLE = ms.protocol("triangle")


def table(size=30, seed=4):
    """So many ingredients, half of them with nothing to taste."""
    rng = np.random.default_rng(seed)
    rows = []
    for v in range(size):
        mu = abs(rng.normal(0, 1.3)) if v % 2 else 0.0
        for i in range(rng.integers(1, 5)):
            n = int(rng.integers(15, 41))
            correct = int(rng.binomial(n, float(TRIANGLE.p_correct(mu))))
            rows.append((f"Ingredient {v}", f"Evening {i}", "triangle", n, correct))
    return pd.DataFrame(rows, columns=["ingredient", "panel", "protocol", "tastings", "correct"])


@pytest.fixture(scope="module")
def whole():
    return ms.pool_each(table(), by="ingredient", margin="0.2 triangle").together()


def test_the_first_screen_fits_a_terminal(whole):
    lines = str(whole).split("\n")
    assert len(lines) <= 25 and max(map(len, lines)) <= 80


def test_the_plain_answer_says_what_the_frames_hold(whole):
    said = whole.plain_answer()
    middle, low, high = whole.nothing()
    assert said.startswith(f"Of the 30 ingredients, about {middle:.0f} ({low:.0f} to {high:.0f}) have nothing to taste")
    middle, low, high = whole.hardly_anything()
    assert f"and {middle:.0f} ({low:.0f} to {high:.0f}) nothing or next to nothing (less than 5 of 100 above" in said
    counts = whole.to_frame()["verdict"].value_counts()
    assert f"Seen together, {counts['beyond the margin']} are beyond the margin" in said
    alarms = whole.false_alarms().iloc[0]
    assert f"Of the {alarms['number']} panels that alone seemed to show a difference" in said


def test_next_to_nothing_is_less_than_five_of_a_hundred_above_guessing(whole):
    # p(correct) of each draw by the protocol's own function, guessing right one in three
    above = ms.protocol("triangle").p_correct(whole.stock.draws) - 1 / 3
    number = (above < 0.05).sum(axis=1)
    assert whole.hardly_anything() == tuple(np.quantile(number, [0.5, 0.025, 0.975], method="inverted_cdf"))
    assert whole.hardly_anything()[0] >= whole.nothing()[0]


def test_luck_alone_seldom_gives_more_than_is_said(whole):
    # each panel's chance of significance under guessing (SciPy), their number by drawing
    frame = whole.stock.tables.panels.frame
    guess = np.array([ms.protocol(name).guess for name in frame["protocol"]])
    size = frame["tastings"].to_numpy(int)
    least = np.array(
        [next(x for x in range(n + 2) if binom.sf(x - 1, n, g) <= 0.05) for n, g in zip(size, guess, strict=True)]
    )
    drawn = (np.random.default_rng(1).binomial(size, guess, (20_000, len(size))) >= least).sum(axis=1)
    said = whole.stock.by_luck()
    assert (drawn > said).mean() <= 0.025 and (drawn > said - 2).mean() > 0.025


def test_probabilities_add_up_and_follow_the_draws(whole):
    frame = whole.to_frame()
    assert frame[["p_none", "p_same", "p_varying"]].sum(axis=1).to_numpy() == pytest.approx(np.ones(30))
    draws = whole.stock.draws
    assert (draws == 0).mean(axis=0) == pytest.approx(frame["p_none"].to_numpy(), abs=0.06)
    assert whole.false_alarms()["expected"].between(0, whole.false_alarms()["number"]).all()


def test_expected_false_alarms_are_sums_of_the_probability_of_nothing(whole):
    frame, shelf = whole.to_frame(), whole.stock
    own = table()
    critical = np.array([ms.critical_number("triangle", n) for n in own["tastings"]], float)
    per = (own["correct"] >= critical).groupby(own["ingredient"], sort=False).sum()
    assert whole.false_alarms().loc[0, "number"] == per.sum()
    assert whole.false_alarms().loc[0, "expected"] == pytest.approx(per.to_numpy() @ frame["p_none"].to_numpy())
    assert len(shelf.tables.panels) == whole.false_alarms().loc[0, "of"]


def test_the_order_is_one_of_ranks(whole):
    order = whole.order()
    assert order["rank"].is_monotonic_increasing and sorted(order["variable"]) == sorted(whole.stock.tables.names)
    assert (order["lower"] <= order["rank"]).all() and (order["rank"] <= order["upper"]).all()
    assert order["p_largest"].sum() == pytest.approx(1, abs=1e-9)


def test_what_was_never_written_down_raises_the_share_of_nothing(whole):
    drawer = whole.drawer([0, 10, 40])
    assert drawer["share"].is_monotonic_increasing and drawer["share"].iloc[-1] > drawer["share"].iloc[0] + 0.05
    first = whole.to_frame()["verdict"].value_counts()
    assert drawer.loc[0, "beyond"] == first["beyond the margin"]
    with pytest.raises(ValueError, match="0 or more"):
        whole.drawer([-1])


def test_a_variable_of_little_leans_on_the_others():
    """One panel of 12 that seems strong counts for less among many with nothing than among many that differ."""
    few = pd.DataFrame([("X", "A", "triangle", 15, 9)], columns=table(1).columns)

    def beside(correct):
        rows = [(f"I{v}", "A", "triangle", 48, correct) for v in range(20)]
        frame = pd.concat([few, pd.DataFrame(rows, columns=few.columns)])
        return ms.pool_each(frame, by="ingredient").together().to_frame().iloc[0]

    nothing, something = beside(16), beside(30)
    assert nothing["p_none"] > something["p_none"] + 0.2
    assert nothing["median"] < something["median"]


def test_what_is_said_holds_nothing_that_must_not_be_said(whole):
    for text in (
        str(whole),
        str(whole.details()),
        *(whole.statement(length=n) for n in ("line", "paragraph", "methods")),
    ):
        assert banned(" ".join(text.split())) == []


def test_the_figure_tells_how_probable_nothing_is(whole):
    axes = whole.plot(ax=Figure())
    assert len(axes.get_yticklabels()) == 30
    assert "nothing:" in whole.picture().alt
    assert "<img" in whole._repr_html_()


def test_few_variables_are_said_to_tell_little():
    notes = ms.pool_each(table(4), by="ingredient", margin="0.2 triangle").together().notes
    assert notes[0].startswith("So few ingredients")


def test_shares_come_with_scales_in_d_prime_units(whole):
    frame = whole.shares().set_index("quantity")
    assert (frame["lower"] < frame["median"]).all() and (frame["median"] < frame["upper"]).all()
    centre, spread = whole.scales
    assert frame.loc["scale of the centre", "lower"] < centre < frame.loc["scale of the centre", "upper"]
    assert frame.loc["scale of the spread", "lower"] < spread < frame.loc["scale of the spread", "upper"]
    assert sum(whole.odds) == pytest.approx(1)


def test_what_was_learned_serves_a_new_variable_and_is_said_wherever_it_is_used(whole, tmp_path):
    priors = ms.Priors.learned(whole)
    assert (priors.centre_scale, priors.spread_scale) == pytest.approx(whole.scales) and priors.odds == whole.odds
    new = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 20, "correct": [8, 7]}
    pooled = ms.pool(new, margin="0.2 triangle", priors=priors)
    origin = f"30 ingredients ({len(whole.stock.tables.panels)} panels, the table)"
    assert origin in pooled.statement(length="methods") and origin in " ".join(pooled.notes)
    assert pooled.explanations().prior == whole.odds
    evidences = pooled.evidences
    weighed = np.exp([evidences.none, evidences.same, evidences.varying]) * whole.odds
    assert pooled.explanations().probability == pytest.approx(weighed / weighed.sum())
    again = ms.load(pooled.save(tmp_path / "new.nc"))
    assert again.priors == priors and again.headline() == pooled.headline()
    card = ms.Card(
        question="Is it noticed?", decision="Change if within.", protocols="triangle", margin=ms.Margin(d_prime=0.8),
        tastings=30, date="2026-03-01", priors=priors,
    )  # fmt: skip
    assert ms.Card.from_text(card.to_text()).priors == priors and not ms.Card.from_text(card.to_text()).edited


def test_priors_may_be_learned_from_the_shelf_itself():
    shelf = ms.pool_each(table(6), by="ingredient")
    assert ms.Priors.learned(shelf) == ms.Priors.learned(shelf.together())


def test_the_plain_answers_are_plain(whole):
    from reading import demos

    shelf = ms.pool_each(table(), by="ingredient", margin="0.2 triangle")
    for answer in (shelf.plain_answer(), whole.plain_answer()):
        assert demos.grade(answer) <= 10, answer
        assert [t for t in demos.TERMS if re.search(rf"(?<![\w-]){re.escape(t)}(?![\w-])", answer)] == [], answer


@pytest.mark.parametrize("unrecorded", [10, "many", [1.5], [-1], ["5"], []])
def test_what_is_no_number_of_variables_is_refused(whole, unrecorded):
    with pytest.raises(ValueError, match=r"numbers of variables, 0 or more, such as \[0, 5, 10\]"):
        whole.drawer(unrecorded)


@pytest.mark.parametrize("tastings", [0, -5, 1.5, float("nan"), "30", True])
def test_what_is_no_size_of_a_panel_is_refused(whole, tastings):
    with pytest.raises(ValueError, match="a whole number of 1 or more; got"):
        whole.drawer([5], tastings=tastings)


def test_one_variable_alone_is_said_as_one():
    one = {"ingredient": ["Tea"], "panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": [14]}
    whole = ms.pool_each(one, by="ingredient", margin="0.2 triangle").together()
    chance = f"{whole.to_frame()['p_none'].item():.0%}".replace("%", " %")
    said = whole.plain_answer()
    assert said.startswith(
        f"The one ingredient has nothing to taste with a probability of {chance}, and nothing or next"
    )
    assert f"It is {whole.to_frame()['verdict'].item()}." in said
    assert said.endswith(
        f"The one panel that alone seemed to show a difference is luck with a probability of {chance}."
    )
