"""Every notebook runs from top to bottom, quickly, without chatter, and answers its question in the first cell."""

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

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
