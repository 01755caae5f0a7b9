"""A shelf as people hold it: a first screen, a row a variable, the pool of each, and what must be said once."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

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
def shelf():
    return ms.pool_each(table(), by="ingredient", margin="0.2 triangle")


def test_the_first_screen_fits_a_terminal(shelf):
    lines = str(shelf).split("\n")
    assert len(lines) <= 25 and max(map(len, lines)) <= 80
    assert len(str(ms.pool_each(table(), by="ingredient")).split("\n")) <= 25


def test_the_plain_answer_counts_the_verdicts_of_the_frame(shelf):
    counts = shelf.to_frame()["verdict"].value_counts()
    said = shelf.plain_answer()
    lead = f"Of the 30 ingredients, each on its own, {counts['beyond the margin']} are beyond the margin"
    assert said.startswith(f"{lead}, ") and shelf.headline().startswith(f"{lead} (")  # the table names the three
    assert f"{counts['not settled']} not settled" in said
    doubtful = (shelf.to_frame()["p_none"] >= 0.5).sum()
    assert f"In {doubtful} ingredients there is more likely nothing to taste than something." in said


def test_what_is_said_holds_nothing_that_must_not_be_said(shelf):
    for text in (
        str(shelf),
        str(shelf.details()),
        *(shelf.statement(length=n) for n in ("line", "paragraph", "methods")),
    ):
        assert banned(" ".join(text.split())) == []


def test_a_note_stands_once_for_all_of_them(shelf):
    details = str(shelf.details())
    assert details.count("Blinding not stated") == 1 and len(shelf.notes) < 8
    assert f"{len(shelf.panels)} of {len(shelf.panels)} panels" in " ".join(shelf.notes)


def test_a_variable_is_its_own_pool(shelf):
    one = shelf.variable("Ingredient 7")
    frame = table()
    own = frame[frame["ingredient"] == "Ingredient 7"].drop(columns="ingredient")
    assert one.panels.frame["panel"].tolist() == own["panel"].tolist()
    again = ms.pool(own, margin="0.2 triangle")
    assert one.average.median == pytest.approx(again.average.median, abs=1e-12)
    with pytest.raises(ValueError, match="no ingredient 'Ingredient 77'"):
        shelf.variable("Ingredient 77")


def test_an_executor_gives_the_same(shelf):
    with ThreadPoolExecutor(2) as pool:
        again = ms.pool_each(table(), by="ingredient", margin="0.2 triangle", executor=pool)
    pd.testing.assert_frame_equal(shelf.to_frame(), again.to_frame())


def test_progress_is_said_on_the_error_output(capsys):
    ms.pool_each(table(3), by="ingredient", progress=True)
    assert capsys.readouterr().err.strip().endswith("3 of 3 pooled")


def test_the_figure_has_a_row_a_variable_and_a_sentence(shelf):
    axes = shelf.plot(ax=Figure())
    names = [label.get_text() for label in axes.get_yticklabels()]
    ranked = shelf.to_frame().sort_values(["p_above", "median"], ascending=False)["variable"].tolist()
    assert names == ranked
    assert "30 rows" in shelf.picture().alt and ranked[0] in shelf.picture().alt
    assert "<img" in shelf._repr_html_()


def test_without_a_margin_there_are_sizes_and_no_verdicts():
    shelf = ms.pool_each(table(4), by="ingredient")
    assert "no verdicts without a margin" in shelf.plain_answer() and "say what difference would matter" in str(shelf)
    assert "verdict" not in str(shelf._compact())


def test_a_panel_that_looks_reversed_is_named():
    frame = pd.concat([table(3), pd.DataFrame([("Odd", "May", "triangle", 40, 2)], columns=table(1).columns)])
    notes = ms.pool_each(frame, by="ingredient", margin="0.2 triangle").notes
    assert any("Odd: May" in note and "Check the key" in note for note in notes)


def test_a_difference_the_other_way_is_said():
    rows = [("Sugar", "A", "2-AFC", 40, 8), ("Sugar", "B", "2-AFC", 40, 10), ("Salt", "A", "2-AFC", 40, 33)]
    shelf = ms.pool_each(pd.DataFrame(rows, columns=table(1).columns), by="ingredient", margin="0.2 triangle")
    assert any(note.startswith("Against the expected direction: Sugar.") for note in shelf.notes)
    ways = shelf.to_frame()["p_expected_way"]
    pooled = shelf.variable("Sugar")
    assert ways[0] == pytest.approx(pooled.expected_way, abs=1e-4) and ways[1] > 0.95


def test_the_frame_leaves_as_a_table(shelf, tmp_path):
    path = shelf.to_csv(tmp_path / "shelf.csv")
    assert pd.read_csv(path)["variable"].tolist() == list(shelf.names)


def test_names_are_shown_as_text_and_never_run(tmp_path):
    hostile = '=HYPERLINK("x")<script>alert(1)</script> $x$ |a|'
    rows = [(name, "May", "triangle", 30, correct) for name, correct in ((hostile, 25), ("Salt", 9))]
    shelf = ms.pool_each(pd.DataFrame(rows, columns=table(1).columns), by="ingredient", margin="0.2 triangle")
    for result in (shelf, shelf.together()):
        page = result._repr_html_()
        assert "<script>" not in page and "&lt;script&gt;" in page
        assert "<script>" not in result.picture()._repr_html_()
        lines = result.to_csv(tmp_path / "out.csv", overwrite=True).read_text(encoding="utf-8").splitlines()
        assert not any(line.startswith(("=", '"=')) for line in lines)
    assert shelf.variable(hostile).panels.frame["panel"].tolist() == ["May"]


def test_names_that_only_capitals_or_blanks_tell_apart_are_named():
    few = {"ingredient": ["Smoked tea", "smokedtea", "Salt"], "panel": list("ABC"), "protocol": "triangle"}
    few |= {"tastings": 24, "correct": [9, 12, 15]}
    shelf = ms.pool_each(few, by="ingredient")
    assert len(shelf) == 3 and "tell them apart: 'Smoked tea' and 'smokedtea'" in shelf.notes[0]
    others = ms.pool_each(few | {"ingredient": ["Smoked tea", "Tea", "Salt"]}, by="ingredient")
    assert not any("capitals" in note for note in others.notes)


def test_what_is_no_executor_and_no_priors_is_refused_in_a_sentence(shelf):
    few = {"ingredient": ["Tea"], "panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": [9]}
    with pytest.raises(ValueError, match=r"executor is a concurrent\.futures\.Executor"):
        ms.pool_each(few, by="ingredient", executor=2)
    for given, its in ((shelf, "Shelf"), (shelf.together(), "Together"), (shelf.variable("Ingredient 7"), "Pooled")):
        for call in (lambda: ms.pool(few, priors=given), lambda: ms.pool_each(few, by="ingredient", priors=given)):  # noqa: B023
            with pytest.raises(ValueError, match=rf"this is a {its}. Take Priors.from_pool\(pool\)") as error:
                call()
            assert "Priors.learned(shelf)" in str(error.value) and "\n" not in str(error.value)


def test_priors_that_hold_odds_are_said_and_are_of_each_variable_on_its_own(shelf):
    learned = ms.Priors.learned(shelf)
    other = ms.pool_each(table(), by="ingredient", margin="0.2 triangle", priors=learned)
    doubtful = (other.to_frame()["p_none"] >= 0.5).sum()
    said = f"In {doubtful} ingredients there is more likely nothing to taste than something"
    assert f"{said} ({learned.odds[0]:.0%}".replace("%", " % beforehand for nothing).") in other.plain_answer()
    assert "What to expect beforehand was learned from 30 ingredients" in other.plain_answer()
    assert f"Priors of each ingredient on its own: {learned}." in " ".join(other.statement(length="methods").split())
    assert len(str(other).splitlines()) <= 25 and max(map(len, str(other).splitlines())) <= 80
    assert "beforehand" not in shelf.plain_answer()
    with pytest.raises(ValueError, match=r"would not use the priors that were stated. Call pool_each without priors="):
        other.together()
    assert "Next: pool_each without priors=, then together(), tells" in str(other)


@pytest.mark.parametrize(("correct", "more"), [(4, " There is more likely nothing to taste than something."), (20, "")])
def test_one_variable_alone_is_said_as_one(correct, more):
    one = {"ingredient": ["Tea"], "panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": [correct]}
    shelf = ms.pool_each(one, by="ingredient", margin="0.2 triangle")
    verdict = shelf.to_frame()["verdict"].item()
    assert shelf.plain_answer().startswith(f"The one ingredient is {verdict}.{more} Next: ")
    assert "The one ingredient gets no verdict without a margin." in str(ms.pool_each(one, by="ingredient"))


def _fails():
    raise OSError("no memory")


def test_an_executor_that_no_longer_works_is_refused_with_the_way_out():
    few = {"ingredient": ["Tea"], "panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": [9]}
    ended, broken = ThreadPoolExecutor(1), ThreadPoolExecutor(1, initializer=_fails)
    ended.shutdown()
    with broken:
        for executor in (ended, broken):
            with pytest.raises(ValueError, match=r"executor stopped working .* leave out executor= to work here"):
                ms.pool_each(few, by="ingredient", executor=executor)
