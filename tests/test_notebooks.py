"""Every notebook runs from top to bottom, quickly, without chatter, and answers its question in the first cell."""

import re
from pathlib import Path

import nbformat
import numpy as np
import pytest
from nbclient import NotebookClient

import metasense as ms
from metasense.planning import sizes
from metasense.showing.words import banned

KINDS = ("text/plain", "text/markdown")
NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_saved_without_output(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None


@pytest.mark.timeout(180)
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path):
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    )
    client.execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    outputs = [output for cell in code for output in cell.outputs]
    assert not [o for o in outputs if o.output_type == "stream" and o.name == "stderr"]
    assert not [o for o in outputs if o.output_type == "error"]
    first = code[0].outputs
    assert any("text/html" in o.get("data", {}) for o in first), "the first cell answers the question"
    said = [text for o in outputs for text in (o.get("text"), *map(o.get("data", {}).get, KINDS)) if text]
    prose = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"]
    for text in [*said, *prose]:
        assert banned(re.sub(r"\s+", " ", text)) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_code_fits_its_cell_and_imports_public_names_where_there_are_any(path):
    code = [cell.source for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert [line for cell in code for line in cell.splitlines() if len(line) > 93] == []
    named = re.findall(r"^from metasense\S* import (.+)$", "\n".join(code), re.MULTILINE)
    assert not {name.strip() for names in named for name in names.split(",")} & set(ms.__all__)


def test_what_the_prose_says_of_the_cider_panels_is_true():
    panels = ms.read_panels(NOTEBOOKS[0].parents[1] / "datasets" / "cider_fining.csv")
    days = panels.frame["date"].max() - panels.frame["date"].min()
    assert round(days.days / 30.4) == 7  # notebook 02: over seven months
    assert panels.frame["batch_pair"].nunique() == 3  # notebook 04: on three pairs of batches
    path = ms.pool(panels, margin=ms.Margin(p_d=0.2, protocol="triangle")).path().to_frame()
    settled = np.flatnonzero(path["verdict"] != "not settled") + 1
    assert settled.tolist() == [2, 4, 5]  # notebook 04: stopping at the second, fourth or fifth


def test_what_the_prose_says_of_numbers_is_true():
    two, three = ms.protocol("2-AFC"), ms.protocol("triangle")
    ratio = [round(float(two.p_d(d) / three.p_d(d))) for d in (0.5, 2.0)]
    assert ratio == [8, 2]  # notebook 03: two to eight times, which at which d-prime
    near = sizes.efficient_sizes("triangle", 24, p_d=0.3)
    jump = near["critical_number"].diff().shift(-1)[:-1] > 0  # the next size needs one more correct answer
    assert near["efficient"][:-1][jump].all()  # notebook 05: sizes just before a jump are good value
    assert not near["efficient"].shift(-1)[:-1][jump].any()  # and just after it they are not
    pooled = ms.pool(NOTEBOOKS[0].parents[1] / "datasets" / "cider_fining.csv", margin=ms.Margin(d_prime=0.8))
    plans = ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24, 48], [1, 4]), draws=500)
    frame = plans.to_frame()
    assert not plans.already  # notebook 07: open, but none of these could end within the margin, only beyond it
    assert (frame["within_if_none"] < 0.01).all() and (frame["within"] < 0.01).all() and frame["beyond"].max() > 0.1
