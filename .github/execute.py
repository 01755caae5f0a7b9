"""Run the notebooks and store them with what they show, small enough to be read on a web view of the repository.

    python .github/execute.py         # all of them
    python .github/execute.py 02 04   # those whose names begin so

What needs a kernel (sliders) is stored as the sentence that stands in for it. A test runs them again and compares.
"""

import re
import sys
from pathlib import Path

import nbformat
from nbclient import NotebookClient
from nbformat import NotebookNode

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
NEEDS_KERNEL = "application/vnd.jupyter.widget-view+json"
SAMPLED = "sampled"  # the tag of cells whose numbers hang on the generation of PyMC


def run(path: Path, folder: Path = NOTEBOOKS) -> NotebookNode:
    """The notebook after a run in `folder`, as it is to be stored."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(folder)}}, record_timing=False
    ).execute()
    notebook.metadata.pop("widgets", None)
    notebook.metadata["language_info"] = {"name": "python"}  # and no version
    for output in outputs(notebook):
        output.get("data", {}).pop(NEEDS_KERNEL, None)
        for part, text in output.get("data", {}).items():
            text = text.replace(f"{folder.resolve()}/", "")
            output["data"][part] = re.sub(r" at 0x[0-9a-f]+", "", text)  # where an object lay in memory
    return notebook


def outputs(notebook: NotebookNode) -> list[NotebookNode]:
    """All outputs, in order."""
    return [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]


def said(notebook: NotebookNode) -> list[tuple[int, list[str]]]:
    """What every code cell shows, apart from pictures and versions; of sampled cells how many things."""
    cells = []
    for number, cell in enumerate(notebook.cells):
        if cell.cell_type != "code":
            continue
        texts = [text for output in cell.outputs for text in _texts(output)]
        if SAMPLED in cell.metadata.get("tags", []):
            texts = [re.sub(r"[-\d.]+", "0", text) for text in texts]
        cells.append((number, texts))
    return cells


def _texts(output: NotebookNode) -> list[str]:
    data = output.get("data", {"text/plain": output.get("text", "")})
    texts = [f"{part}: {text}" for part, text in sorted(data.items()) if part.startswith("text/")]
    return [re.sub(r'src="data:[^"]+"|\b\d+\.\d+\.\d+\w*', "", re.sub(r"\s+", " ", text)) for text in texts]


if __name__ == "__main__":
    chosen = tuple(sys.argv[1:])
    for book in sorted(NOTEBOOKS.glob("*.ipynb")):
        if book.name.startswith(chosen or ""):
            nbformat.write(run(book), book)
            print(f"{book.name}: {book.stat().st_size / 1024:.0f} kB")
