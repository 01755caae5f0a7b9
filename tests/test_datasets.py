"""The demo data: they regenerate, their tables agree, and their tasters answer as the protocols say.

The data are invented; only their making is tested here.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import metasense as ms

FOLDER = Path(__file__).parents[1] / "datasets"
spec = importlib.util.spec_from_file_location("make_datasets", FOLDER / "make_datasets.py")
make_datasets = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make_datasets)

scenarios = pytest.mark.parametrize(
    "scenario", make_datasets.SCENARIOS, ids=lambda scenario: scenario.panels_file.removesuffix(".csv")
)


def test_every_table_is_rewritten_byte_for_byte(tmp_path):
    make_datasets.write(tmp_path)
    names = {path.name for path in FOLDER.glob("*.csv")}
    assert names == {path.name for path in tmp_path.iterdir()}
    assert [name for name in sorted(names) if (FOLDER / name).read_bytes() != (tmp_path / name).read_bytes()] == []


@scenarios
def test_tastings_add_up_to_the_panels(scenario):
    panels = pd.read_csv(FOLDER / scenario.panels_file).set_index("panel")
    raw = pd.read_csv(FOLDER / scenario.tastings_file)
    assert ((raw.served == raw.answer) == (raw.correct == 1)).all()
    assert not raw.duplicated(["taster", "trial"]).any()
    group = raw.groupby("panel", sort=False)
    assert panels.index.tolist() == list(group.groups)
    assert (panels.tastings == group.size()).all()
    assert (panels.correct == group.correct.sum()).all()
    assert (panels.tasters == group.taster.nunique()).all()
    for column, said in {"prefer_new": "new", "prefer_old": "old", "no_preference": "none"}.items():
        asked = panels.asked != "none"
        assert (panels[column][asked] == (raw.preference == said).groupby(raw.panel).sum()[panels.index[asked]]).all()
        assert panels[column][~asked].isna().all()
    assert (raw.preference.notna() <= raw.panel.map(panels.asked != "none")).all()
    assert (raw.preference.notna() & raw.panel.map(panels.asked == "correct") <= (raw.correct == 1)).all()


@scenarios
def test_orders_are_balanced_and_say_what_was_correct(scenario):
    raw = pd.read_csv(FOLDER / scenario.tastings_file)
    for (_, protocol), rows in raw.groupby(["panel", "protocol"]):
        counts = rows.order.value_counts().reindex(make_datasets.ORDERS[protocol], fill_value=0)
        assert counts.sum() == len(rows)
        assert counts.max() - counts.min() <= 1
    assert (raw.served == [make_datasets.best_answer(*row) for row in zip(raw.protocol, raw.order, strict=True)]).all()


@pytest.mark.parametrize(
    ("protocol", "order", "best"),
    [
        ("triangle", "NNO", 3),
        ("triangle", "ONN", 1),
        ("duo-trio", "ONO", 2),
        ("duo-trio", "NNO", 1),
        ("2-AFC", "NO", 2),
        ("tetrad", "NOON", 4),
        ("tetrad", "OONN", 2),
    ],
)
def test_with_a_huge_difference_every_taster_gives_the_right_position(protocol, order, best):
    assert make_datasets.best_answer(protocol, order) == best
    assert make_datasets.answer(protocol, order, 50.0, np.random.default_rng(1)) == best


@pytest.mark.parametrize("protocol", list(make_datasets.ORDERS))
def test_simulated_tasters_are_right_as_often_as_the_psychometric_function_says(protocol):
    rng, n = np.random.default_rng(7), 8000
    orders = rng.choice(make_datasets.ORDERS[protocol], n)
    right = np.mean(
        [make_datasets.answer(protocol, o, 1.2, rng) == make_datasets.best_answer(protocol, o) for o in orders]
    )
    expected = float(ms.protocol(protocol).p_correct(1.2))
    assert right == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / n))


@scenarios
def test_panel_tables_are_read_without_a_problem(scenario):
    panels = ms.read_panels(FOLDER / scenario.panels_file)
    assert panels.frame.panel.tolist() == [panel.panel for panel in scenario.panels]
    assert panels.moderators == tuple(scenario.panels[0].moderators)


@scenarios
def test_tasting_tables_lead_to_the_same_counts(scenario):
    panels = ms.read_panels(FOLDER / scenario.panels_file)
    counted = ms.read_tastings(FOLDER / scenario.tastings_file).to_panels()
    columns = [
        "panel",
        "protocol",
        "tastings",
        "correct",
        "tasters",
        "asked",
        "prefer_new",
        "prefer_old",
        "no_preference",
    ]
    left, right = (table.frame[columns].set_index("panel").fillna(0) for table in (panels, counted))
    pd.testing.assert_frame_equal(left, right.loc[left.index], check_dtype=False)


def test_the_stories_told_in_the_notes_are_true():
    raw = pd.read_csv(FOLDER / "cider_tastings.csv")
    first_fifteen = raw[raw.panel == "Allotment club"].head(15)
    # Critical number of 15 triangles at 5 % risk, by the binomial formula: P(X >= 9) = .031, P(X >= 8) = .088.
    assert first_fifteen.correct.sum() == 8


def test_the_shelf_is_read_as_thirty_ingredients_and_its_truths_are_stated():
    shelf = ms.pool_each(FOLDER / "ice_cream_shelf.csv", by="ingredient", margin="0.2 triangle")
    truths = pd.read_csv(FOLDER / "ice_cream_truths.csv").set_index("ingredient")
    assert sorted(shelf.names) == sorted(truths.index) and len(truths) == 30
    counts = truths["truth"].value_counts().to_dict()
    assert counts == {"nothing": 15, "differences that vary": 9, "one difference": 6}
    nothing = shelf.panels.frame["ingredient"].map(truths["truth"]).eq("nothing").to_numpy()
    assert (shelf.stock.significant() & nothing).sum() == 2  # as the dictionary says


def test_the_dictionary_names_every_column_and_seed():
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    for path in FOLDER.glob("*.csv"):
        assert f"`{path.name}`" in text
        if path.name != "truths.csv":
            assert [name for name in pd.read_csv(path).columns if f"`{name}`" not in text] == []
    assert all(f"(seed {scenario.seed})" in text for scenario in make_datasets.SCENARIOS)
