"""Build the reference site: every public name with its docstring, and the notebooks as they are stored.

    python .github/site.py            # into site/, which git ignores
    python .github/site.py elsewhere

It needs the extra `docs`. The pages can be read from the disk or put on any web server.
"""

import html
import sys
from pathlib import Path

import nbformat
import pdoc
import pdoc.doc
import pdoc.render
from nbconvert.exporters import HTMLExporter

import metasense as ms

HERE = Path(__file__).parent
INDEX = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>metasense {version}</title>
<style>
body {{ font: 1rem/1.6 system-ui, sans-serif; max-width: 42rem; margin: 3rem auto; padding: 0 1rem; }}
</style>
</head>
<body>
<h1>metasense {version}</h1>
<p>{about}</p>
<p><a href="metasense.html">Reference</a>: every public name, with examples.</p>
<h2>Notebooks</h2>
<ul>
{notebooks}
</ul>
</body>
</html>
"""


def members(kind: pdoc.doc.Class) -> list[pdoc.doc.Doc[object]]:
    """What a class can do, wherever it is written, without what only the package uses."""
    hidden = getattr(kind.obj, "_inside", ())
    ours = (member for member in kind.members.values() if member.taken_from[0].startswith("metasense"))
    return [member for member in ours if member.name not in hidden]


def reference(into: Path) -> None:
    """Write the pages of the public names."""
    pdoc.doc.Class.own_members = property(members)  # a reader looks for plot() under Pooled, not under its bases
    pdoc.doc.Class.inherited_members = property(lambda kind: {})
    pdoc.render.configure(docformat="numpy", show_source=False, footer_text=f"metasense {ms.__version__}")
    pdoc.pdoc("metasense", r"!metasense\..*", output_directory=into)


def notebook(path: Path, into: Path) -> str:
    """Write a notebook as a page, and return its title."""
    book = nbformat.read(path, as_version=4)
    page, _ = HTMLExporter().from_notebook_node(book, {"metadata": {"name": path.stem}})
    (into / f"{path.stem}.html").write_text(page, encoding="utf-8")
    heading = next(cell.source for cell in book.cells if cell.cell_type == "markdown").splitlines()[0]
    return heading.lstrip("# ")


def build(into: Path) -> None:
    """Write the whole site."""
    (into / "notebooks").mkdir(parents=True, exist_ok=True)
    reference(into)
    items = []
    for path in sorted((HERE.parent / "notebooks").glob("*.ipynb")):
        title = notebook(path, into / "notebooks")
        items.append(f'<li><a href="notebooks/{path.stem}.html">{html.escape(title)}</a></li>')
        print(title)
    about = html.escape((ms.__doc__ or "").split("\n")[0])
    page = INDEX.format(version=ms.__version__, about=about, notebooks="\n".join(items))
    (into / "index.html").write_text(page, encoding="utf-8")
    print(f"Open {into / 'index.html'}.")


if __name__ == "__main__":
    build(Path(sys.argv[1] if len(sys.argv) > 1 else HERE.parent / "site"))
