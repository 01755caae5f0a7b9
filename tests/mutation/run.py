"""Do the tests notice a small wrong change? Try many, each in a copy of the project, and list those nobody noticed.

    python tests/mutation/run.py engine/grid.py binomial.py --sample 15
    python tests/mutation/run.py --list engine/grid.py       # the mutants, without trying them

A mutant is tried against the doctests of its own file and the test files that mirror it (without sampling, browsers and
refitting): those that reach its line, then the others, quickest first, and no more than two minutes of either. It is
killed by a failing test or by taking far longer than the tests take otherwise; it survives when all pass. Each outcome
is printed as it comes. ``equivalent.toml`` holds the mutants that change nothing, or only an accuracy
that no test should pin, with the reason; they are not counted. The same seed always draws the same sample.

Nothing is ever changed in the working tree: every process has a copy of its own in a temporary folder.
"""

import argparse
import ast
import compileall
import json
import multiprocessing
import os
import py_compile
import queue
import random
import shutil
import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from mutants import Mutant, mutants

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MARKS = "not slow and not mcmc"
NO_TESTS = 5  # exit code of pytest

# A file is mirrored by the test_<its name>.py under tests/. Others that belong to it, by its name, or by its path where
# several have that name (then nothing else mirrors it but the one at its own place):
MIRRORS = {
    "claims/meant": ["check"],
    "claims/circumstances": ["check"],
    "engine/spreads": ["tails", "grid"],
    "core/groups": ["arviz"],
    "tables/formats": ["workbook"],
    "tables/grids": ["mending"],
    "tables/mends": ["mending"],
    "alone/panels": ["panels_alone", "single"],
    "claims/numbers": ["numbers_said", "check"],
    "claims/rules": ["check"],
    "engine/several": ["several_unknowns"],
    "questions/rules": ["tasters_rules"],
    "cli/before": ["cli"],
    "cli/commands": ["cli"],
    "cli/options": ["cli"],
    "cli/phrases": ["cli"],
    "cli/running": ["cli"],
    "cli/said": ["answer", "many"],
    "planning/asking": ["starting"],
    "planning/blank": ["starting"],
    "planning/sheets": ["serving"],
    "showing/figures/panels": ["figures"],
    "tables/numbers": ["checking", "panels"],
    "tables/panels": ["panels", "panels_malformed"],
    "tables/rules": ["columns", "panels", "panels_malformed"],
    "tables/sheets": ["opening", "workbook", "panels_malformed"],
    "adding": ["cli"],
    "answers": ["next_panel", "pooled"],
    "asked": ["preference"],
    "base": ["pooled", "moderators", "nesting"],
    "beside": ["moderators", "nesting"],
    "binomial": ["sizes", "single"],
    "box": ["moderators", "nesting"],
    "cells": ["checking", "columns", "panels"],
    "chains": ["diagnostics", "sampler"],
    "checked": ["checking", "panels", "panels_malformed"],
    "checking": ["panels", "panels_malformed"],
    "columns": ["panels", "panels_malformed"],
    "common": ["explanations"],
    "container": ["archive"],
    "core": ["pooled"],
    "counts": ["figures"],
    "cups": ["columns", "panels"],
    "curves": ["figures"],
    "dates": ["checking", "panels"],
    "delimited": ["opening", "panels_malformed"],
    "density": ["figures"],
    "design": ["moderators"],
    "distribution": ["grid", "pooled"],
    "draws": ["archive", "pooled"],
    "exclusion": ["checking", "panels"],
    "evidence": ["pooled", "disagreement"],
    "facts": ["check"],
    "first": ["base", "pooled"],
    "forced_choice": ["single"],
    "glance": ["base", "pooled"],
    "grid": ["grid", "pooled"],
    "frames": ["opening", "checking"],
    "headers": ["checking", "panels", "panels_malformed"],
    "key": ["serving"],
    "labels": ["figures"],
    "levels": ["nesting"],
    "likelihood": ["grid", "tasters"],
    "look": ["figures"],
    "luck": ["preference"],
    "model": ["sampler"],
    "moderated": ["moderators"],
    "moves": ["figures"],
    "nested": ["nesting"],
    "notes": ["pooled"],
    "older": ["archive"],
    "opening": ["opening", "panels_malformed"],
    "orders": ["serving"],
    "outcomes": ["disagreement", "drawer"],
    "outlook": ["next_panel"],
    "page": ["pooled", "page"],
    "pages": ["page"],
    "panel": ["single"],
    "path": ["sensitivity"],
    "pictures": ["figures"],
    "plan": ["next_panel"],
    "plain": ["base", "pooled"],
    "plane": ["grid", "pooled"],
    "planned": ["serving"],
    "pooling": ["pooled"],
    "posterior": ["grid", "pooled"],
    "prediction": ["moderators"],
    "priors": ["grid"],
    "quiet": ["sampler"],
    "rerun": ["archive"],
    "reweighting": ["next_panel"],
    "saving": ["archive"],
    "sentences": ["pooled"],
    "served": ["serving"],
    "shares": ["checking", "panels"],
    "slopes": ["moderators"],
    "strips": ["figures"],
    "trade": ["figures"],
    "two_counts": ["single"],
    "totals": ["columns", "panels"],
    "vetting": ["archive"],
    "wording": ["checking", "columns", "panels"],
    "worksheets": ["workbook", "opening"],
    "yes_no": ["single"],
}


@dataclass(frozen=True)
class Project:
    """A package and its tests: where they are, and which test files mirror which file."""

    root: Path
    package: str
    mirrors: dict[str, list[str]]
    own: bool = False  # only the test file of its own name, where there is one

    def tests_of(self, file: str) -> list[str]:
        """The file itself, for its doctests, and the test files that mirror it, from the root."""
        name = Path(file).stem
        same = self.root / "tests" / Path(file).with_name(f"test_{name}.py")
        found = [same] if same.exists() else []
        if not (self.own and found):
            by_path = self.mirrors.get(file.removesuffix(".py")) if "/" in file else None
            names = by_path or [name, *self.mirrors.get(name, [])]
            there = {path.stem: path for path in sorted((self.root / "tests").rglob("test_*.py"))}
            found += [there[f"test_{n}"] for n in names if f"test_{n}" in there]
        found = list(dict.fromkeys(found))
        return [f"{self.package}/{file}", *(path.relative_to(self.root).as_posix() for path in found)]

    def copy(self, to: Path) -> Path:
        """A copy that may be spoilt; what is only read is linked. Compiled files are checked by their content."""
        to.mkdir()
        ignored = shutil.ignore_patterns("__pycache__", ".hypothesis")
        for part in self.root.iterdir():
            if part.name in (self.package, "tests"):
                shutil.copytree(part, to / part.name, ignore=ignored)
            elif not part.name.startswith(".") or part.name == ".github":
                (to / part.name).symlink_to(part)
        checked = py_compile.PycInvalidationMode.CHECKED_HASH
        compileall.compile_dir(to / self.package, quiet=2, invalidation_mode=checked)
        (to / "tests_asked.py").write_text(PLUGIN)
        return to


PLUGIN = '''"""Run the tests that are asked for, in that order; or write down which tests share what was set up once."""
import json, os
from pathlib import Path

def pytest_collection_modifyitems(items):
    asked = json.loads(os.environ.get("TESTS_ASKED", "null"))
    if asked is not None:
        place = {name: i for i, name in enumerate(asked)}
        items[:] = sorted((item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid])
        return
    shared = {}
    for item in items:
        fixtures = getattr(getattr(item, "_fixtureinfo", None), "name2fixturedefs", {})
        shared[item.nodeid] = [name for name, found in fixtures.items() if found[-1].scope in ("module", "session")]
    Path("shared.json").write_text(json.dumps(shared))
'''


# Every run starts as a copy of one process that has loaded what takes longest to load, and nothing of the package.
STARTED = multiprocessing.get_context("forkserver")
LOADED = ["scipy.stats", "scipy.optimize", "scipy.interpolate", "pandas", "xarray", "matplotlib.figure", "pytest"]
STARTED.set_forkserver_preload(LOADED)
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def run_tests(
    folder: Path, tests: list[str], asked: list[str] | None, timeout: float, *more: str
) -> tuple[int | None, str]:
    """Run tests in a copy: ``(exit code or None when it took too long, what was printed)``."""
    arguments = ["-x", "-q", "-n", "0", "-m", MARKS, "-p", "no:cacheprovider", "-p", "tests_asked"]
    arguments += ["-o", "python_functions=test_*", "--doctest-modules", "--no-header", "--tb=no", *more, *tests]
    printed = folder / "printed.txt"
    process = STARTED.Process(target=_pytest, args=(folder, arguments, json.dumps(asked), printed))
    process.start()
    process.join(timeout)
    if process.is_alive():
        process.kill()
        process.join()
        return None, ""
    return process.exitcode, printed.read_text()


def _pytest(folder: Path, arguments: list[str], asked: str, printed: Path) -> None:
    """What the process of one run does."""
    with printed.open("w") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    os.chdir(folder)
    os.environ.update(TESTS_ASKED=asked, HYPOTHESIS_PROFILE="ci")
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(folder))
    import pytest

    code = int(pytest.main(arguments))
    sys.stdout.flush()
    os._exit(code)


@dataclass(frozen=True)
class Baseline:
    """One test file as it is: the seconds each test takes, and the tests that reach each line of each file."""

    seconds: dict[str, float]
    reaching: dict[str, dict[int, set[str]]]


def baseline(project: Project, folder: Path, tests: str) -> Baseline:
    """Run one test file on the unchanged package.

    A test reaches a line when it runs it, or when it shares a fixture with a test in whose setting up the line ran.
    """
    from coverage import CoverageData

    settings = folder / "coverage.ini"
    settings.write_text("[run]\n")
    data_file = folder / ".coverage"
    data_file.unlink(missing_ok=True)
    more = [
        f"--cov={project.package}",
        "--cov-context=test",
        f"--cov-config={settings}",
        "--cov-report=",
        "--durations=0",
        "-vv",
    ]
    code, printed = run_tests(folder, [tests], None, 3600, *more)
    if code not in (0, NO_TESTS):
        raise SystemExit(f"{tests} fails before anything is changed.\n{printed[-3000:]}")
    seconds: dict[str, float] = {}
    for line in printed.splitlines():
        words = line.split(maxsplit=2)
        if len(words) == 3 and words[0].endswith("s") and words[1] in ("setup", "call", "teardown"):
            seconds[words[2]] = seconds.get(words[2], 0.0) + float(words[0][:-1])
    shared = json.loads((folder / "shared.json").read_text())
    users: dict[str, set[str]] = {}
    for name, fixtures in shared.items():
        seconds.setdefault(name, 0.0)
        for fixture in fixtures:
            users.setdefault(fixture, set()).add(name)
    reaching: dict[str, dict[int, set[str]]] = {}
    if data_file.exists():
        data = CoverageData(str(data_file))
        data.read()
        for file in data.measured_files():
            lines = reaching.setdefault(Path(file).relative_to(folder / project.package).as_posix(), {})
            for line, contexts in data.contexts_by_lineno(file).items():
                lines[line] = set()
                for context in filter(None, contexts):
                    name, _, phase = context.rpartition("|")
                    lines[line].add(name)
                    if phase == "setup":
                        lines[line].update(*(users[fixture] for fixture in shared.get(name, [])))
    return Baseline(seconds, reaching)


def lines_of(source: bytes, mutant: Mutant) -> set[int]:
    """The lines that run when what is changed matters.

    Those of its statement (of an ``if`` or a loop, its head). What is named once for the file, outside its functions,
    matters wherever the file has that name.
    """
    tree = ast.parse(source)
    inside: list[ast.stmt] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.stmt) and _first_line(node) <= mutant.line <= (node.end_lineno or node.lineno):
            inside.append(node)
    innermost = max(inside, key=lambda node: (node.lineno, -(node.end_lineno or node.lineno)))
    last = innermost.end_lineno or innermost.lineno
    body = getattr(innermost, "body", None)
    if body and not isinstance(innermost, (ast.FunctionDef, ast.ClassDef)):
        last = max(innermost.lineno, body[0].lineno - 1)
    lines = set(range(_first_line(innermost), last + 1))
    if mutant.line < innermost.lineno or any(isinstance(n, ast.FunctionDef) and n is not innermost for n in inside):
        return lines
    names = {node.id for node in ast.walk(innermost) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return lines | {node.lineno for node in ast.walk(tree) if isinstance(node, ast.Name) and node.id in names}


def known_equivalent() -> dict[tuple[str, str, str], str]:
    """``(name of the file, line as it is, line changed): reason`` of the mutants that are not counted."""
    entries = tomllib.loads((HERE / "equivalent.toml").read_text("utf-8")).get("mutant", [])
    return {(e["file"], e["old"], e["new"]): e["reason"] for e in entries}


def sample(found: list[Mutant], size: int | None, seed: int, file: str) -> list[Mutant]:
    """As many as asked, drawn by the seed and the file's name, in the order of the file."""
    if size is None or size >= len(found):
        return found
    return sorted(random.Random(f"{seed} {file}").sample(found, size))


def _first_line(statement: ast.stmt) -> int:
    """The first line of a statement, decorators included."""
    return min([statement.lineno, *(d.lineno for d in getattr(statement, "decorator_list", []))])


class Trial:
    """Copies of a project, and what is known of its test files, each run once."""

    def __init__(self, project: Project, place: str, processes: int = 1, most: float = 120):
        self.project = project
        self.processes = processes
        self.most = most
        self.baselines: dict[str, Baseline] = {}
        self.free: queue.Queue[Path] = queue.Queue()
        for i in range(processes):
            self.free.put(project.copy(Path(place).resolve() / f"copy{i}"))

    def tests_for(self, file: str, source: bytes, mutant: Mutant) -> Iterator[tuple[list[str], float]]:
        """The tests that reach a mutant, then the others, which may hold what an object kept of an earlier test.

        Of either the quickest first, no more than `most` seconds of them, with how many seconds they take.
        """
        seconds: dict[str, float] = {}
        reaching: set[str] = set()
        for tests in self.project.tests_of(file):
            found = self.baselines[tests]
            seconds |= found.seconds
            for line in lines_of(source, mutant):
                reaching |= found.reaching.get(file, {}).get(line, set())
        for names in (reaching, set(seconds)):
            asked = []
            spent = 0.0
            for name in sorted(names, key=lambda name: (seconds.get(name, 0.0), name)):
                spent += seconds.get(name, 0.0)
                if asked and spent > self.most:
                    break
                asked.append(name)
            if asked:
                yield asked, spent

    def run(self, file: str, chosen: list[Mutant], tell: Callable[[str], None]) -> dict[Mutant, str | None]:
        """Which test killed each mutant; None for a survivor. Each outcome is told as it comes."""
        for tests in self.project.tests_of(file):
            if tests not in self.baselines:
                folder = self.free.get()
                self.baselines[tests] = baseline(self.project, folder, tests)
                self.free.put(folder)

        def attempt(mutant: Mutant) -> str | None:
            source = (self.project.root / self.project.package / file).read_bytes()
            folder = self.free.get()
            path = folder / self.project.package / file
            path.write_bytes(mutant.apply(source))
            killer = None
            for asked, spent in self.tests_for(file, source, mutant):
                code, printed = run_tests(folder, files_of(asked), asked, 20 + 4 * spent)
                killer = killer_of(code, printed)
                if killer is not None:
                    break
            path.write_bytes(source)
            self.free.put(folder)
            tell(f"  {'survives' if killer is None else 'noticed'}  {file}:{mutant}")
            return killer

        with ThreadPoolExecutor(self.processes) as pool:
            return dict(zip(chosen, pool.map(attempt, chosen), strict=True))


def killer_of(code: int | None, printed: str) -> str | None:
    """Which test failed, going by how a run ended; None where all passed."""
    if code == 0:
        return None
    if code is None:
        return "took too long"
    failed = [line for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
    return failed[0].split(" - ")[0] if failed else f"exit code {code}"


def files_of(tests: list[str]) -> list[str]:
    """The files of some tests, each once."""
    return list(dict.fromkeys(name.split("::")[0] for name in tests))


def try_mutants(project: Project, file: str, chosen: list[Mutant], processes: int = 1) -> dict[Mutant, str | None]:
    """Which test killed each mutant of one file; None for a survivor."""
    with tempfile.TemporaryDirectory() as place:
        return Trial(project, place, processes).run(file, chosen, lambda line: None)


def say(line: str) -> None:
    """Print at once, so that a run that is cut short loses nothing."""
    print(line, flush=True)


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description="Do the tests notice small wrong changes?")
    parser.add_argument("files", nargs="*", help="files of the package, such as engine/grid.py; all when left out")
    parser.add_argument("--sample", type=int, help="mutants tried in each file; all when left out")
    parser.add_argument("--seed", type=int, default=1, help="seed of the sample")
    parser.add_argument("--processes", type=int, default=1, help="how many at a time")
    parser.add_argument("--own", action="store_true", help="try only the test file of the file's own name: far quicker")
    parser.add_argument("--most", type=float, default=120, help="seconds of tests tried on a mutant, quickest first")
    parser.add_argument("--lines", help="only mutants of these lines, such as 120-180")
    parser.add_argument("--list", action="store_true", help="list the mutants and try none")
    parser.add_argument("--killers", action="store_true", help="name the test that killed each mutant, too")
    asked = parser.parse_args(arguments)
    project = Project(ROOT, "metasense", MIRRORS, asked.own)
    package = ROOT / project.package
    files = asked.files or sorted(str(p.relative_to(package)) for p in package.rglob("*.py") if p.stat().st_size)
    with tempfile.TemporaryDirectory() as place:
        trial = None if asked.list else Trial(project, place, asked.processes, asked.most)
        killed_in_all = 0
        tried_in_all = 0
        for file in files:
            found = possible(package, file, asked.lines)
            chosen = sample(found, asked.sample, asked.seed, file)
            if trial is None:
                print(*(f"{file}:{m}" for m in chosen), sep="\n")
                continue
            results = trial.run(file, chosen, say)
            killed = [m for m, killer in results.items() if killer is not None]
            killed_in_all += len(killed)
            tried_in_all += len(chosen)
            say(f"{file}: {len(killed)} of {len(chosen)} noticed ({len(found)} possible)")
            if asked.killers:
                for mutant in killed:
                    say(f"  {results[mutant]}  {file}:{mutant}")
    if tried_in_all:
        print(f"in all: {killed_in_all} of {tried_in_all} noticed ({killed_in_all / tried_in_all:.0%})")
    return 0


def possible(package: Path, file: str, lines: str | None) -> list[Mutant]:
    """The mutants of a file that count, of some of its lines only where they are given."""
    equivalent = known_equivalent()
    names = {Path(file).name, file}
    found = list(mutants((package / file).read_bytes()))
    found = [m for m in found if not any((name, m.old, m.new) in equivalent for name in names)]
    if lines is None:
        return found
    low, high = lines.split("-")
    return [m for m in found if int(low) <= m.line <= int(high)]


if __name__ == "__main__":
    raise SystemExit(main())
