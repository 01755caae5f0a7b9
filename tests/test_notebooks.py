"""The notebooks are stored as a run leaves them, say what is true, and answer their question in the first cell."""

import html
import importlib.util
import re
import shutil
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest

import metasense as ms
from metasense.planning import sizes
from metasense.showing.words import banned

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
CIDER = ROOT / "datasets" / "cider_fining.csv"
LARGEST = 600_000  # bytes, so that a web view of the repository shows it
MOST_WORDS = 120  # of the first cell's output, before the fold

each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


@pytest.fixture(scope="module")
def execute():
    spec = importlib.util.spec_from_file_location("execute", ROOT / ".github" / "execute.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Copies to run, whose deliverables do not land in the repository."""
    home = tmp_path_factory.mktemp("run")
    for name in ("notebooks", "datasets"):
        shutil.copytree(ROOT / name, home / name, ignore=shutil.ignore_patterns("deliverables"))
    return home / "notebooks"


def read(path):
    return nbformat.read(path, as_version=4)


def code(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def prose(notebook):
    return [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]


def visible(output):
    """The words one sees before unfolding anything."""
    data = output.get("data", {})
    text = data.get("text/html", data.get("text/markdown", data.get("text/plain", output.get("text", ""))))
    text = re.sub(r"<(style|details|script)\b.*?</\1>", " ", text, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


@pytest.mark.notebook
@pytest.mark.lab
@pytest.mark.timeout(300)
@each_notebook
def test_what_is_stored_is_what_a_run_gives(path, execute, folder):
    again = execute.run(folder / path.name, folder)
    assert not [o for o in execute.outputs(again) if o.output_type == "error" or o.get("name") == "stderr"]
    for (number, then), (_, now) in zip(execute.said(read(path)), execute.said(again), strict=True):
        assert now == then, f"cell {number} differs: python .github/execute.py {path.name[:2]}"


@each_notebook
def test_stored_notebooks_are_small_and_tell_nothing_of_the_machine(path, execute):
    notebook = read(path)
    nbformat.validate(notebook)
    assert path.stat().st_size < LARGEST
    assert [cell.execution_count for cell in code(notebook)] == list(range(1, len(code(notebook)) + 1))
    assert "widgets" not in notebook.metadata
    for output in execute.outputs(notebook):
        assert output.output_type in ("display_data", "execute_result", "stream") and output.get("name") != "stderr"
        assert set(output.get("data", {})) <= {"text/plain", "text/html", "text/markdown"}
        texts = [*output.get("data", {}).values(), output.get("text", "")]
        assert not [t for t in texts if re.search(r"(?<![\w/.])/(?:[a-z]\w*/){2}|[A-Z]:\\|Warning:.*\.py", t)]
        assert not [
            t for t in texts for image in re.findall(r"<img[^>]*>", t) if not re.search('alt="[^"]{20,}"', image)
        ]


@each_notebook
def test_the_first_cell_answers_in_a_picture_or_a_table_and_few_words(path):
    first = code(read(path))[0].outputs
    said = " ".join(visible(output) for output in first)
    assert 15 < len(said.split()) <= MOST_WORDS
    assert any("<img" in o.get("data", {}).get("text/html", "") for o in first) or path.name.startswith("05")


@each_notebook
def test_a_notebook_says_nothing_that_must_not_be_said(path, execute):
    notebook = read(path)
    for text in [*map(visible, execute.outputs(notebook)), *prose(notebook)]:
        assert banned(re.sub(r"\s+", " ", text)) == []


@each_notebook
def test_code_fits_its_cell_and_uses_public_names_only(path):
    cells = [cell.source for cell in code(read(path))]
    assert [line for cell in cells for line in cell.splitlines() if len(line) > 93] == []
    assert re.findall(r"\bmetasense\.\w+|\bms\._\w+|^from metasense\b.*", "\n".join(cells), re.MULTILINE) == []
    assert {name for cell in cells for name in re.findall(r"\bms\.(\w+)", cell)} <= set(ms.__all__)


@each_notebook
def test_notebooks_lead_to_one_another(path):
    links = [link for text in prose(read(path)) for link in re.findall(r"\]\(([^)]+)\)", text)]
    assert [link for link in links if not (path.parent / link).is_file()] == []
    assert [link for link in links if link.endswith(".ipynb")] != [] or path.name.startswith("03")


def test_readme_says_where_pools_within_a_level_and_the_plain_pool_are_shown():
    named = {
        name: "\n".join(cell.source for cell in code(read(path))) for path in NOTEBOOKS for name in [path.name[:2]]
    }
    assert "within=" in named["04"] and ".plain" in named["04"]
    assert "moderators=" in named["09"] and "through_zero=" in named["09"] and ".plain" in named["09"]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "Notebooks\n04 and 09" in readme or "Notebooks 04 and 09" in readme


def test_what_the_prose_says_of_the_cider_panels_is_true():
    panels = ms.read_panels(CIDER)
    days = panels.frame["date"].max() - panels.frame["date"].min()
    assert round(days.days / 30.4) == 7  # notebook 02: over seven months
    assert panels.frame["batch_pair"].nunique() == 3  # notebook 04: on three pairs of batches
    pooled = ms.pool(panels, margin=ms.Margin(p_d=0.2, protocol="triangle"))
    path = pooled.path().to_frame()
    settled = np.flatnonzero(path["verdict"] != "not settled") + 1
    assert settled.tolist() == [2, 4, 5]  # notebook 04: stopping at the second, fourth or fifth
    moves = pooled.sensitivity().about("all panels", "panel")  # notebook 04: the guild's tetrad carries much
    assert moves.loc[moves["median"].idxmin(), "case"] == "without Guild tetrad"
    paired = ms.pool(panels, margin=pooled.margin, within="batch_pair")  # notebook 04: the two answers are close
    assert abs(paired.rate("triangle").p_c.median - pooled.rate("triangle").p_c.median) < 0.02
    plans = ms.plan_next(pooled, ms.Plan.every(["tetrad", "3-AFC"], [24], [1])).to_frame()
    assert plans["cups"].tolist() == [96, 72]  # notebook 07: about the chance of the tetrad, for 72 cups instead of 96
    assert abs(plans["settled"][0] - plans["settled"][1]) < 0.05


def test_what_the_prose_says_of_bread_and_coffee_is_true():
    frame = ms.pool(ROOT / "datasets" / "bakery_salt.csv").disagreement().to_frame()
    assert len(frame) == 11  # notebook 09: eleven panels, no triangle but both 2-AFC statistically significant
    assert not frame.loc[frame["protocol"] == "triangle", "significant"].any()
    assert frame.loc[frame["protocol"] == "2-AFC", "significant"].tolist() == [True, True]
    coffee = ms.read_panels(ROOT / "datasets" / "coffee_bags.csv")
    slopes = [ms.pool(p, moderators="weeks_stored").slope() for p in (coffee, coffee.without("Week 4 bags on show"))]
    assert len(coffee) == 10 and slopes[1].median > slopes[0].median > 0  # steeper without, and neither settles it
    assert max(slope.above(0) for slope in slopes) < 0.95


def test_what_the_prose_says_of_the_ice_cream_is_true():
    shelf = ms.pool_each(ROOT / "datasets" / "ice_cream_shelf.csv", by="ingredient", margin="0.2 triangle")
    assert len(shelf) == 30 and len(shelf.panels) == 95  # notebook 10: twenty-one of ninety-five
    assert shelf.stock.significant().sum() == 21
    truths = pd.read_csv(ROOT / "datasets" / "ice_cream_truths.csv").set_index("ingredient")["truth"]
    frame = shelf.together().to_frame().set_index("variable")
    means = frame["p_none"].groupby(truths).mean()
    assert means.idxmax() == "nothing" and frame["p_none"].max() < 0.9  # lowest where differences are, never certain


def test_what_the_prose_says_of_numbers_is_true():
    assert 0.45 < float(ms.power("triangle", 24, p_d=0.3)) < 0.6  # notebook 01: missed about as often as found
    found = float(ms.power("triangle", 24, p_d=0.25))
    assert round(100 * (1 - found**6 - (1 - found) ** 6)) == 96  # notebook 04: 96 of 100 such sets are mixed
    three = ms.protocol("triangle")
    assert (
        round(float(1 - 0.1 / three.p_from_p_d(0.1)), 2) == 0.75
    )  # notebook 06: at a p_d of 10 %, three quarters luck
    two = ms.protocol("2-AFC")
    ratio = [round(float(two.p_d(d) / three.p_d(d))) for d in (0.5, 2.0)]
    assert ratio == [8, 2]  # notebook 03: two to eight times, which at which d-prime
    near = sizes.efficient_sizes("triangle", 24, p_d=0.3)
    jump = near["critical_number"].diff().shift(-1)[:-1] > 0  # the next size needs one more correct answer
    assert near["efficient"][:-1][jump].all()  # notebook 05: one taster more can lower power
    assert not near["efficient"].shift(-1)[:-1][jump].any()
    pooled = ms.pool(CIDER, margin=ms.Margin(d_prime=0.8))
    plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24, 48], [1, 4]), draws=500)
    frame = plans.to_frame()
    assert not plans.already  # notebook 07: open, but none of these could end within the margin, only beyond it
    assert (frame["within_if_none"] < 0.01).all() and (frame["within"] < 0.01).all() and frame["beyond"].max() > 0.1
