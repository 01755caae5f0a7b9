"""The package as a whole: what an import costs and touches, which way imports run, what README promises."""

import ast
import builtins
import html
import inspect
import os
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter
from importlib.util import resolve_name
from pathlib import Path

import pandas as pd
import pytest

import metasense
from metasense.cli import main

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "metasense"
README = (ROOT / "README.md").read_text(encoding="utf-8")

# Lowest first; a file imports its own layer or those above it in this list, for types and inside functions too.
LAYERS = [
    {"binomial", "process", "pseudonyms", "showing", "slips"},  # showing knows frames and numbers only
    {"protocols"},
    {"margins"},
    {"engine"},  # numbers only
    {"tables"},  # the door
    {"alone"},  # one panel
    {"card"},
    {"core"},  # what went in and what integration gave
    {"questions"},  # put to the core
    {"results"},  # what people hold
    {"planning"},
    {"claims"},
    {"explorers"},
    {"recording"},
    {"cli"},
    {"__main__"},
]


def run(code: str) -> str:
    """Print-out of `code` in a fresh interpreter with the tree importable."""
    return subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()


def modules() -> dict[str, Path]:
    """Every file of the package by its dotted name, `showing.words` (a folder's `__init__.py` by the folder's name)."""
    return {
        ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix("__init__").rstrip("."): path
        for path in PACKAGE.rglob("*.py")
    }


def imported(path: Path, known: set[str]) -> set[str]:
    """Files of the package that a file imports: at the top, inside functions, and for annotations."""
    package = ".".join(path.relative_to(ROOT).parts[:-1])
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = resolve_name("." * node.level + (node.module or ""), package)
            names |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    names = {name.removeprefix("metasense.") for name in names if name.startswith("metasense.")}
    return {metasense._FILE_OF.get(name, name) for name in names} & known


def layer(name: str) -> int:
    """Which layer a file belongs to, counted from the lowest."""
    return next(number for number, names in enumerate(LAYERS) if name in names or name.split(".")[0] in names)


def test_importing_metasense_loads_no_library_and_no_logging():
    heavy = {"numpy", "pandas", "scipy", "xarray", "matplotlib", "pymc", "arviz", "jinja2", "logging"}
    before = set(run("import sys; print(*sys.modules)").split())
    after = set(run("import sys, metasense; print(*sys.modules)").split())
    assert "metasense" in after
    assert not heavy & (after - before)


@pytest.mark.lab
def test_importing_every_file_touches_no_filter_or_logger_and_leaves_pymc_arviz_matplotlib_and_jinja2_for_later():
    names = ", ".join(f"metasense.{name}" for name in modules() if name)
    state = "[*map(str, warnings.filters)], logging.root.handlers[:], logging.root.level"
    libraries = (
        "logging, warnings, numpy, scipy.interpolate, scipy.optimize, scipy.special, scipy.stats, pandas, xarray"
    )
    code = f"import {libraries}\nbefore = {state}\nimport metasense, {names}\nprint(before == ({state}))"
    same, *loaded = run(f"{code}\nimport sys; print(*sys.modules)").split()
    assert same == "True"
    assert set(names.split(", ")) <= set(loaded)
    assert not {"pymc", "pytensor", "arviz", "arviz_stats", "arviz_base", "matplotlib", "jinja2"} & set(loaded)


def test_imports_run_downwards_only(capsys):
    files = {name: path for name, path in modules().items() if name}
    homeless = [name for name in files if not any(name.split(".")[0] in names for names in LAYERS)]
    assert not homeless, f"give {homeless} a place in LAYERS"
    upward, graph = [], {}
    for name, path in files.items():
        found = imported(path, set(files)) - {name}
        upward += [f"{name} imports {other}" for other in found if layer(other) > layer(name)]
        graph.setdefault(layer(name), set()).update(layer(other) for other in found)
    with capsys.disabled():  # the map of the house, lowest floor last
        for number in sorted(graph, reverse=True):
            below = ", ".join("/".join(sorted(LAYERS[other])) for other in sorted(graph[number] - {number}))
            print(f"\n{'/'.join(sorted(LAYERS[number])):>20} -> {below or 'nothing'}", end="")
    assert not upward


def test_imports_have_no_circle():
    files = modules()
    files.pop("")  # resolves the public names on demand, and no file imports it
    graph = {name: imported(path, set(files)) - {name, name.rpartition(".")[0]} for name, path in files.items()}
    assert len(list(TopologicalSorter(graph).static_order())) == len(files)


def test_a_table_on_its_way_to_the_page_enters_each_layer_once(tmp_path):
    """Each step from file to page is one call into one layer, which calls only those below it.

    What is handed down (a function made on the spot, the way a column of a table is written) may be called from below.
    """
    root = str(PACKAGE) + os.sep
    climbs, entered = set(), []

    def watch(frame, event, _):
        if event != "call" or frame.f_back is None:
            return
        here, caller = (f.f_code.co_filename for f in (frame, frame.f_back))
        if not here.startswith(root) or not here.endswith(".py") or here.endswith("__init__.py"):
            return
        name = here.removeprefix(root).removesuffix(".py").replace(os.sep, ".")
        if not caller.startswith(root) or not caller.endswith(".py"):
            if caller == __file__:  # a step of ours
                entered.append(name.split(".")[0])
            return
        above = caller.removeprefix(root).removesuffix(".py").replace(os.sep, ".")
        handed_down = "<locals>" in frame.f_code.co_qualname or above == "showing.tables"
        if layer(name) > layer(above) and not handed_down:
            climbs.add(f"{above} calls {name}.{frame.f_code.co_name}")

    from metasense.results.pooling import pool
    from metasense.tables.panels import read_panels

    margin = metasense.Margin(d_prime=0.8)
    table = tmp_path / "panels.csv"  # with two protocols, and without repeats, which the watching would make slow
    table.write_text("panel,protocol,tastings,correct\nA,triangle,24,11\nB,tetrad,30,14\nC,triangle,24,9\n")
    sys.setprofile(watch)
    try:
        panels = read_panels(str(table))
        pooled = pool(panels, margin=margin)
        pooled.report(tmp_path / "page.html")
    finally:
        sys.setprofile(None)
    assert entered == ["tables", "results", "results"]
    assert not climbs


MOST_OF_A_FILE = 500  # lines of code, that is without blank lines, comments and docstrings
MOST_OF_A_FUNCTION = 60  # of its whole; more only with a reason: # long: why


def code_lines(text: str) -> tuple[set[int], list[tuple[str, int]]]:
    """Numbers of the lines of code in a file, and the functions of it without a reason to be long, with their lines."""
    tree = ast.parse(text)
    lines = text.splitlines()
    code = {number for number, line in enumerate(lines, 1) if line.strip() and not line.strip().startswith("#")}
    functions = []
    for node in ast.walk(tree):
        if not isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)):
            continue
        if ast.get_docstring(node, clean=False) is not None:
            code -= set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            functions.append(node)
    counted = [
        (node.name, len(code & set(range(node.lineno, node.end_lineno + 1))))
        for node in functions
        if not any(re.search(r"# long: \S", line) for line in lines[max(node.lineno - 2, 0) : node.lineno])
    ]
    return code, counted


def test_lines_of_code_are_counted_without_blank_lines_comments_and_docstrings():
    text = '"""A file."""\n\n# a comment\nx = 1  # code\n\n\ndef f():\n    """Says\n    one."""\n    return x\n'
    assert code_lines(text) == ({4, 7, 10}, [("f", 2)])
    assert code_lines(text.replace("def f():", "def f():  # long: because"))[1] == []
    assert code_lines(text.replace("def f():", "def f():  # long:"))[1] == [("f", 2)]


def test_no_file_and_no_function_is_too_long_to_be_read_in_one_go():
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        code, functions = code_lines(path.read_text(encoding="utf-8"))
        if len(code) > MOST_OF_A_FILE:
            found.append(f"{name}: {len(code)} lines")
        found += [f"{name}, {one}: {n} lines" for one, n in functions if n > MOST_OF_A_FUNCTION]
    assert not found


def test_the_type_checking_block_repeats_the_table_of_public_names():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    seen: dict[str, set[str]] = {}
    for node in block.body:
        assert isinstance(node, ast.ImportFrom)
        assert all(alias.asname == alias.name for alias in node.names)
        seen.setdefault(str(node.module).removeprefix("metasense."), set()).update(alias.name for alias in node.names)
    listed: dict[str, set[str]] = {}
    for name, file in metasense._FILE_OF.items():
        listed.setdefault(file, set()).add(name)
    assert seen == listed


@pytest.mark.lab
def test_a_star_import_hides_nothing_of_the_standard_library():
    assert run(
        "from pathlib import Path\nfrom metasense import *\nprint(Path.__module__.split('.')[0], pool)"
    ).startswith("pathlib <function pool")
    assert not set(metasense.__all__) & {"Path", *dir(builtins), *sys.stdlib_module_names}
    assert metasense.Path.__module__ == "metasense.questions.path"


@pytest.mark.parametrize("name", metasense._FILE_OF)
def test_public_name_resolves_and_shows_how_it_is_used(name):
    value = getattr(metasense, name)
    if callable(value):
        assert value.__module__.startswith("metasense.")
        assert re.search(r"^ *Examples\n *-{8}\n(.*\n)*? *>>> ", inspect.getdoc(value) or "", re.M)


def test_the_tab_key_offers_what_one_starts_with_and_not_every_kind_of_result():
    offered = set(dir(metasense))
    assert offered < {*metasense.__all__, "__version__"}
    assert {"pool", "read_panels", "Margin", "Card", "Plan", "one_panel", "PanelsError"} <= offered
    assert not {"Verdict", "Moderated", "ArchiveError"} & offered


ENGINE = ("engine.", "core.core", "core.evidence", "showing.")  # what results are worked out with and drawn by


def returned(function) -> set[type]:
    """Classes of the package that a function says it returns."""
    stated = getattr(function, "__annotations__", {}).get("return", "")
    home = vars(sys.modules[function.__module__])
    found = (home.get(name) for name in re.findall(r"\w+", str(stated)))
    return {value for value in found if inspect.isclass(value) and value.__module__.startswith("metasense.")}


def functions_of(kind: type) -> list:
    """Public methods and properties of a class, without those that only the package uses."""
    found = []
    for name in dir(kind):
        value = inspect.getattr_static(kind, name)
        for wrapper in ("fget", "func", "__func__"):
            value = getattr(value, wrapper, value)
        if inspect.isfunction(value) and not name.startswith("_") and name not in getattr(kind, "_inside", ()):
            found.append(value)
    return found


def test_every_class_that_is_given_back_and_every_error_has_a_public_name():
    public = {getattr(metasense, name) for name in metasense._FILE_OF if name != "PROTOCOLS"}
    given = set()
    for value in public:
        for function in functions_of(value) if inspect.isclass(value) else [value]:
            given |= returned(function)
    inner = {kind for kind in given if kind.__module__.removeprefix("metasense.").startswith(ENGINE)}
    private = {kind.__name__ for kind in given - public - inner}
    assert private <= {"Orders"}, private  # what a serving plan is drawn from
    raised = {name for file in modules() for name in errors_in(file)}
    assert raised - set(metasense.__all__) == {"Refused", "Damaged"}  # turned into an ArchiveError


def errors_in(file: str) -> set[str]:
    """Errors that a file of the package defines."""
    tree = ast.parse(modules()[file].read_text(encoding="utf-8"))
    kinds = [node for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
    return {node.name for node in kinds if any("Error" in ast.unparse(base) for base in node.bases)}


def test_an_unknown_name_is_refused_by_name():
    with pytest.raises(AttributeError, match="'metasense' has no attribute 'poool'"):
        _ = metasense.poool


def commands() -> list[str]:
    return re.findall(r"^python3 -m venv .*$", README, re.M)


def test_readme_has_two_commands_that_name_what_exists():
    first, second = commands()
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    assert (ROOT / re.search(r"metasense pool (\S+)", first)[1]).is_file()
    assert re.search(r"\.\[(\w+)\]", second)[1] in extras
    assert all(
        command.startswith("python3 -m venv .venv && .venv/bin/python -m pip install") for command in (first, second)
    )


@pytest.mark.lab
def test_readme_example_runs_as_it_stands(tmp_path, monkeypatch):
    shutil.copytree(ROOT / "datasets", tmp_path / "datasets")
    monkeypatch.chdir(tmp_path)
    exec(re.search(r"```python\n(.*?)```", README, re.S)[1], {})
    assert (tmp_path / "cider.html").stat().st_size > 0


def test_readmes_evening_runs_from_serving_to_pooling(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    evening = re.search(r"## A whole evening\n.*?```sh\n(.*?)```(.*?)\n## ", README, re.S)
    lines = [line for line in evening[1].splitlines() if not line.startswith("#")]
    lines += re.findall(r"`(\.venv/bin/metasense [^`]+)`", evening[2])
    asked = [shlex.split(line.removeprefix(".venv/bin/metasense ")) for line in lines]
    assert [words[0] for words in asked] == ["serve", "answers", "pool", "plan"]
    for words in asked:
        if words[0] == "answers":
            pick_the_first_cup(tmp_path / words[2])
        assert main(words) in (0, 1), capsys.readouterr().err
    assert (tmp_path / "yeast.html").stat().st_size > 0
    assert metasense.read_panels("panels.csv").to_frame()[["panel", "tastings"]].values.tolist() == [
        ["Guild, spring", 24]
    ]


def pick_the_first_cup(file: Path) -> None:
    """Fill an answer sheet as tasters would who all pick what stands on the left."""
    sheet = pd.read_csv(file, dtype=str)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.to_csv(file, index=False)


def test_the_picture_in_readme_shows_todays_numbers():
    alt, path = re.search(r"!\[([^]]+)\]\((\S+\.svg)\)", README).groups()
    picture = (ROOT / path).read_text(encoding="utf-8")
    said = runpy.run_path(str(ROOT / ".github" / "picture.py"))["drawing"]().alt
    assert alt == html.unescape(re.search(r"<title>(.*?)</title>", picture)[1]) == said
    assert len(picture) < 150_000 and "<script" not in picture
    assert "picture.py" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "datasets/README.md"])
def test_links_of_the_pages_lead_somewhere(page):
    path = ROOT / page
    links = re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8"))
    assert all((path.parent / link).exists() for link in links if "://" not in link)


def test_no_tracked_file_names_a_machine_a_registry_or_unfinished_work():
    # Letters in brackets keep these lines from finding themselves.
    folders = r"/w[o]rk/|/t[m]p/[a-z]|/r[o]ot/|/o[p]t/|/h[o]me/|\.\./shar[e]d"
    hosts = r"p[y]pi\.org|pythonh[o]sted|npm[j]s|deb\.deb[i]an"
    forbidden = re.compile(f"{folders}|{hosts}|T[O]DO|FIX[M]E")
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True)
    if listing.returncode:
        pytest.skip("not a git clone")
    found = [
        f"{name}: {match[0]}"
        for name in listing.stdout.split("\0")
        if name and (ROOT / name).is_file()
        for match in forbidden.finditer((ROOT / name).read_text(encoding="utf-8", errors="replace"))
    ]
    assert not found


PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEEDS = PROJECT["dependencies"]
EXTRAS = PROJECT["optional-dependencies"]
OF_USERS = [need for name in EXTRAS.keys() - {"test"} for need in EXTRAS[name] if not need.startswith("metasense[")]
# The oldest versions of which a set was found to work with Python 3.11 when each was tried.
WORKING = {
    "numpy": "2.0.0",
    "scipy": "1.13.0",
    "pandas": "2.2.2",
    "xarray": "2024.11.0",
    "matplotlib": "3.8.4",
    "jinja2": "3.1.0",
    "netCDF4": "1.7.1",
    "openpyxl": "3.1.0",
}


def parts(version):
    numbers = [int(number) for number in version.split(".")]
    return numbers + [0] * (3 - len(numbers))


def floor(name):
    (need,) = [need for need in NEEDS if re.split(r"[\[<>=!~;, ]", need)[0] == name]
    found = re.search(r">=\s*([\d.]+)", need)
    assert found, f"{need} has no oldest version"
    return found[1]


@pytest.mark.parametrize("need", [*NEEDS, *sorted(OF_USERS)])
def test_every_library_has_an_oldest_version(need):
    assert ">=" in need


@pytest.mark.parametrize("name", WORKING)
def test_no_version_is_allowed_that_is_older_than_those_that_work(name):
    assert parts(floor(name)) >= parts(WORKING[name])


def test_the_library_that_guards_against_entities_is_asked_for():
    assert floor("defusedxml")


BY_CONTENT = {"Card"}  # which holds texts and numbers alone


def test_results_are_frozen_and_equal_only_to_themselves():
    """Arrays and frames compare element by element, so that results are told apart as things, not by content."""
    import dataclasses
    from importlib import import_module

    from metasense.showing.results import Result

    for path in sorted(PACKAGE.rglob("*.py")):
        if path.name != "__main__.py":
            import_module(".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"))

    def below(kind):
        for child in kind.__subclasses__():
            yield child
            yield from below(child)

    found = [
        kind for kind in below(Result) if dataclasses.is_dataclass(kind) and kind.__module__.startswith("metasense.")
    ]
    assert len(found) > 20
    for kind in found:
        settings = kind.__dataclass_params__
        assert settings.frozen and not settings.repr, kind
        assert kind.__name__ in BY_CONTENT or not settings.eq, kind


def test_intervals_are_of_95_percent_wherever_nothing_else_is_asked_for():
    defaults = set()
    for path in sorted((ROOT / "metasense").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef):
                plain = node.args.posonlyargs + node.args.args
                given = dict(zip([a.arg for a in plain][::-1], node.args.defaults[::-1], strict=False))
                given |= dict(zip([a.arg for a in node.args.kwonlyargs], node.args.kw_defaults, strict=True))
                if given.get("prob") is not None:
                    defaults.add((path.name, node.name, ast.unparse(given["prob"])))
    assert len(defaults) > 50
    assert {default for *_, default in defaults} == {"0.95", "PROB"}
    for path in (ROOT / "metasense").rglob("*.py"):
        for value in re.findall(r"^PROB\b.*= ([\d.]+)", path.read_text("utf-8"), re.MULTILINE):
            assert value == "0.95"
