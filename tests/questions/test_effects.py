"""Serving effects: shares and differences against Beta distributions, which groups are made, and when it is too few."""

import html

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import metasense as ms
from metasense.questions import effects as of_serving
from metasense.showing import words
from metasense.showing.words import banned


def served(counts, protocol="triangle", panel="A", **more):
    """One row a tasting from ``{order: (correct, tastings)}``, each by another person."""
    return [
        {"panel": panel, "protocol": protocol, "taster": f"{panel}{order}{i}", "order": order, "correct": int(i < x)}
        | more
        for order, (x, n) in counts.items()
        for i in range(n)
    ]


ORDERS = {"ABB": (6, 12), "BAB": (4, 12), "BBA": (5, 12), "BAA": (4, 12), "ABA": (4, 12), "AAB": (4, 12)}


@pytest.fixture(scope="module")
def effects():
    return ms.serving_effects(served(ORDERS))


def test_shares_are_beta_posteriors_of_the_counts(effects):
    frame = effects.to_frame().set_index(["factor", "group"])
    row = frame.loc[("serving order", "ABB")]
    assert (row["tastings"], row["correct"]) == (12, 6)
    beta = stats.beta(7, 7)
    assert row[["lower", "median", "upper"]].tolist() == pytest.approx(beta.ppf([0.025, 0.5, 0.975]), abs=1e-9)
    place = frame.loc[("place of the odd cup", "1")]
    assert (place["tastings"], place["correct"]) == (24, 10)  # ABB and BAA
    odd = frame.loc[("odd product", "A")]
    assert (odd["tastings"], odd["correct"]) == (36, 15)  # ABB, BAB, BBA


def test_differences_agree_with_draws(effects):
    row = effects.to_frame().set_index(["factor", "group"]).loc[("odd product", "A")]
    rng = np.random.default_rng(1)
    apart = rng.beta(16, 22, 400_000) - rng.beta(13, 25, 400_000)  # 15 of 36 and 12 of 36
    bounds = np.quantile(apart, [0.025, 0.5, 0.975])
    assert row[["difference_lower", "difference", "difference_upper"]].tolist() == pytest.approx(bounds, abs=0.004)
    assert row["p_higher"] == pytest.approx((apart > 0).mean(), abs=0.004)


def test_a_few_dozen_tastings_are_too_few_and_that_is_said(effects):
    assert set(effects.to_frame()["label"]) == {"too few to tell"}
    assert effects.sentences()[0].startswith("triangle, serving order: too few to tell;")


def test_a_large_effect_stands_out_and_many_alike_are_alike():
    out = ms.serving_effects(served({"ABB": (30, 40), "BAA": (10, 40)}))
    assert set(out.to_frame()["label"]) == {"stands out"}
    assert "'ABB' correct more often (30 of 40" in out.sentences()[0]
    same = ms.serving_effects(served({"ABB": (400, 1000), "BAA": (405, 1000)}))
    assert set(same.to_frame()["label"]) == {"alike"}
    assert "alike within 10 points" in same.sentences()[0]
    stricter = ms.serving_effects(served({"ABB": (400, 1000), "BAA": (405, 1000)}), alike=0.01)
    assert set(stricter.to_frame()["label"]) == {"too few to tell"}


def test_no_difference_between_orders_has_no_sign():
    level = ms.serving_effects(served({"ABB": (400, 1000), "BAA": (400, 1000)}))
    cells = [line for line in repr(level.details()).splitlines() if "400" in line]
    assert cells and not any(sign in " ".join(cells) for sign in ("+0", "-0"))


def test_chance_alone_stands_out_about_as_often_as_the_note_says():
    rng, stood, compared = np.random.default_rng(3), 0, 0
    for _ in range(30):
        found = ms.serving_effects(served({order: (rng.binomial(20, 0.4), 20) for order in ORDERS})).to_frame()
        orders = found[found["factor"] == "serving order"]
        stood, compared = stood + (orders["label"] == "stands out").sum(), compared + len(orders)
    assert 0.01 < stood / compared < 0.09  # 5 % on average


def test_panels_that_differ_are_not_taken_for_an_effect_of_unbalanced_orders():
    # the easy panel was served in one order only: all of the difference is the panels'
    rows = served({"ABB": (27, 30)}, panel="easy") + served({"BAA": (10, 30)}, panel="hard")
    found = ms.serving_effects(rows)
    frame = found.to_frame()
    assert frame["expected"].tolist() == pytest.approx(frame["correct"].tolist())
    assert any("Not balanced within panels" in note for note in found.notes)


def test_factors_that_make_the_same_groups_are_given_once():
    rows = [
        row | {"served": "1" if row["order"] == "AB" else "2"}
        for row in served({"AB": (9, 12), "BA": (8, 12)}, "2-AFC")
    ]
    assert ms.serving_effects(rows).to_frame()["factor"].unique().tolist() == ["serving order"]


def test_first_tastings_are_compared_within_those_who_repeated():
    once = [{"panel": "A", "protocol": "triangle", "taster": f"S{i}", "trial": 1, "correct": 1} for i in range(9)]
    twice = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "trial": t, "correct": t - 1}
        for i in range(5)
        for t in (1, 2)
    ]
    found = ms.serving_effects(once + twice)
    frame = found.to_frame()
    assert frame["tastings"].tolist() == [5, 5]
    assert frame["correct"].tolist() == [0, 5]
    assert any("Each answer counts here" in note for note in found.notes)


def test_duo_trio_is_compared_by_its_reference():
    found = ms.serving_effects(
        served({"AAB": (5, 9), "ABA": (6, 9), "BAB": (4, 9), "BBA": (7, 9)}, "duo-trio")
    ).to_frame()
    reference = found[found["factor"] == "marked reference"].set_index("group")
    assert reference["correct"].to_dict() == {"A": 11, "B": 11}


def test_codes_with_hyphens_are_read_as_cups():
    found = ms.serving_effects(served({"new-old-old": (3, 8), "old-new-new": (4, 8)})).to_frame()
    assert set(found.loc[found["factor"] == "serving order", "group"]) == {"new-old-old", "old-new-new"}
    mixed = ms.serving_effects(served({"A-B2-B2": (3, 8), "B2-A-A": (4, 8)})).to_frame()
    assert set(mixed.loc[mixed["factor"] == "serving order", "group"]) == {"A-B2-B2", "B2-A-A"}


def test_no_answer_is_no_tasting():
    rows = served(ORDERS)
    rows[0]["correct"] = "refused"
    assert ms.serving_effects(rows).to_frame()["tastings"].iloc[0] in (11, 12)
    assert ms.serving_effects(rows).to_frame().query("factor == 'serving order'")["tastings"].sum() == 71


def test_without_a_record_of_the_serving_there_is_nothing_to_compare():
    rows = pd.DataFrame(served(ORDERS)).drop(columns="order")
    with pytest.raises(ValueError, match="how the cups were served is not in the table"):
        ms.serving_effects(rows)
    with pytest.raises(ValueError, match="between 0 and 1"):
        ms.serving_effects(served(ORDERS), alike=2)


def test_words_and_figure(effects):
    from matplotlib.figure import Figure

    text, page = repr(effects), html.unescape(effects._repr_html_()).replace("\N{NO-BREAK SPACE}", " ")
    assert [line for line in effects.sentences() if line not in text or line not in page] == []
    assert "would stand out by chance" in text
    assert not banned(text)
    axes = effects.plot(ax=Figure())
    assert len(axes.get_yticklabels()) == len(effects.to_frame())
    assert axes.get_yticklabels()[0].get_text() == "serving order: AAB"


def test_two_groups_are_one_comparison_and_more_are_one_each():
    # two orders: one comparison of orders, one of places, one of odd products; six orders: 6 + 3 + 1
    few = ms.serving_effects(served({"AB": (15, 30), "BA": (17, 30)}, "2-AFC"))
    factors = few.to_frame().groupby("factor").size()
    assert set(factors) == {2}
    assert few.notes[0].startswith(words.count(len(factors), "comparison") + ":")
    many = ms.serving_effects(served(ORDERS))
    sizes = many.to_frame().groupby("factor").size()
    assert many.notes[0].startswith(f"{sum(1 if size == 2 else size for size in sizes)} comparisons:")


def test_protocols_come_in_the_order_of_the_table():
    pairs = {"AAB": (6, 12), "ABA": (5, 12), "BAB": (7, 12), "BBA": (5, 12)}
    found = ms.serving_effects([*served(ORDERS), *served(pairs, "duo-trio", "B")])
    assert found.to_frame()["protocol"].drop_duplicates().tolist() == ["triangle", "duo-trio"]


def test_places_are_compared_only_where_all_are_known():
    rows = [row | {"served": 1 + i % 2} for i, row in enumerate(served({"AB": (9, 12), "BA": (8, 12)}, "2-AFC"))]
    known = ms.serving_effects(rows).to_frame()
    assert known.loc[known["factor"] == "place of the right cup", "group"].tolist() == ["1", "2"]
    rows[5]["served"] = None
    some = ms.serving_effects(rows).to_frame()
    assert some["factor"].unique().tolist() == ["serving order"]


def by_order(rates, panels=4, size=24, seed=1):
    """Triangles whose share correct depends on the order."""
    rng = np.random.default_rng(seed)
    orders = ("ABB", "BAB", "BBA", "BAA", "ABA", "AAB")
    return ms.read_tastings([
        {"panel": f"P{k}", "protocol": "triangle", "taster": f"{k}.{i}", "order": orders[i % 6],
         "correct": int(rng.random() < rates.get(orders[i % 6], 0.4))}
        for k in range(panels) for i in range(size)
    ])  # fmt: skip


def test_orders_that_are_easier_are_said_by_the_pool_unasked():
    tastings = by_order({"BAB": 0.9, "ABA": 0.9})
    (said,) = of_serving.likely(tastings)
    assert "place of the odd cup: '2' correct more often" in said
    assert said in ms.pool(tastings).notes


def test_even_orders_are_not_mentioned():
    assert of_serving.likely(by_order({})) == []


def test_right_answers_of_a_group_are_hypergeometric_in_every_panel():
    # two panels by plain counting of all subsets
    from itertools import combinations

    panel = np.array(["A"] * 4 + ["B"] * 3)
    correct = np.array([1, 1, 0, 0, 1, 0, 0], bool)
    mine = np.array([1, 1, 0, 0, 1, 0, 0], bool)
    right, chances = of_serving._by_panels(panel, correct, mine)
    ways = [
        sum(correct[list(one)]) + sum(correct[4:][list(two)])
        for one in combinations(range(4), 2)
        for two in combinations(range(3), 1)
    ]
    assert right == 3
    assert chances == pytest.approx([ways.count(x) / len(ways) for x in range(4)])


def test_panels_that_differ_are_no_effect_of_orders_that_went_to_some_of_them():
    rows = [
        {"panel": p, "protocol": "triangle", "taster": f"{p}{i}", "order": order, "correct": int(i % 10 < right)}
        for p, right, often in (("A", 9, 5), ("B", 3, 1))
        for i, order in enumerate(["ABB"] * often * 5 + ["BAA"] * (30 - often * 5))
    ]
    assert of_serving.likely(ms.read_tastings(rows)) == []


def test_another_probability_has_other_intervals(effects):
    row = effects.to_frame(0.8).iloc[0]
    assert row["prob"] == 0.8 and (effects.to_frame()["prob"] == 0.95).all()
    assert row[["lower", "upper"]].tolist() == pytest.approx(stats.beta(5, 9).ppf([0.1, 0.9]))  # AAB: 4 of 12
    assert row["difference_lower"] > effects.to_frame().iloc[0]["difference_lower"]


def test_groups_sizes_and_what_would_stand_out_by_chance_are_counted(effects):
    # six orders, three places and two odd products are 6 + 3 + 1 comparisons, of which one in twenty stands out
    assert effects._line() == "11 groups of tastings by how they were served: 11 too few to tell."
    assert effects.notes == ("10 comparisons: even if serving never mattered, about 0.5 would stand out by chance.",)
    assert effects.sentences()[0].endswith("points apart is possible (6 groups of 12 tastings).")
    uneven = ms.serving_effects(served({"ABB": (6, 12), "BAB": (5, 10), "BBA": (6, 14)}))
    assert uneven.sentences()[0].endswith("(3 groups of 10 to 14 tastings).")
    most = effects.to_frame().query("factor == 'serving order'")[["difference_lower", "difference_upper"]].abs()
    assert f"too few to tell; {100 * most.to_numpy().max():.0f} points apart" in effects.sentences()[0]
    assert "above 97.5 %" in effects._methods()[1] and "lies within 10 points" in effects._methods()[1]


def test_a_group_that_stands_out_is_said_with_its_way_and_span():
    found = ms.serving_effects(served({"ABB": (4, 40), "BAB": (22, 40), "BBA": (22, 40)}))
    row = found.to_frame().query("group == 'ABB'").iloc[0]
    low, high = (f"{100 * row[name]:.0f}" for name in ("difference_lower", "difference_upper"))
    assert f"'ABB' correct less often (4 of 40; {low} to {high} points from the rest)" in found.sentences()[0]
    two = ms.serving_effects(served({"AB": (30, 40), "BA": (10, 40)}, "2-AFC"))
    assert two.sentences()[0].count("often") == 1  # the other says the same the other way round
    assert two._line() == "2 groups of tastings by how they were served: 2 stand out."


def test_later_tastings_are_counted_as_one_group_from_the_fourth_on():
    rows = [
        {"panel": "A", "protocol": "triangle", "taster": f"T{i}", "trial": t, "correct": (i + t) % 2}
        for i in range(4)
        for t in range(1, 6)
    ]
    frame = ms.serving_effects(rows).to_frame()
    assert frame[["group", "tastings"]].to_numpy().tolist() == [["1", 4], ["2", 4], ["3", 4], ["4 and later", 8]]


def test_figures_name_the_protocol_only_where_there_are_several():
    from matplotlib.figure import Figure

    both = ms.serving_effects(
        [*served({"ABB": (3, 6), "BAA": (2, 6)}), *served({"AB": (3, 6), "BA": (4, 6)}, "2-AFC", "B")]
    )
    labels = [label.get_text() for label in both.plot(ax=Figure()).get_yticklabels()]
    assert "triangle, serving order: ABB" in labels and "2-AFC, serving order: AB" in labels


def test_serving_is_called_unbalanced_where_panels_would_shift_a_group():
    # an easy panel mostly served one way round and a hard one the other
    rows = served({"ABB": (9, 10), "BAA": (18, 20)}, panel="easy") + served({"ABB": (4, 20), "BAA": (2, 10)}, panel="hard")  # fmt: skip
    (note,) = (note for note in ms.serving_effects(rows).notes if "Not balanced" in note)
    assert note.startswith("Not balanced within panels: serving order")
    even = ms.serving_effects(served(ORDERS, panel="A") + served(ORDERS, panel="B")).notes
    assert not any("Not balanced" in note for note in even)
