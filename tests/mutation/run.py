"""Do the tests notice a small wrong change? Try many, each in a copy of the project, and list those nobody noticed.

    python tests/mutation/run.py engine/grid.py binomial.py --sample 15
    python tests/mutation/run.py --list engine/grid.py       # the mutants, without trying them

A mutant is tried against the doctests of its own file and the test files that mirror it (without sampling, browsers and
refitting), those tests first that reach its line. It is killed by a failing test or by taking far longer than the tests
take otherwise; it survives when all pass. ``equivalent.toml`` holds the mutants that change nothing, or only an accuracy
that no test should pin, with the reason; they are not counted. The same seed always draws the same sample.

Nothing is ever changed in the working tree: every process has a copy of its own in a temporary folder.
"""

import argparse
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
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from mutants import Mutant, mutants

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
MARKS = "not slow and not mcmc and not lab"

# A file is mirrored by the test_<its name>.py under tests/. Others that belong to it, by its name, or by its path where
# several have that name (which then are all):
MIRRORS = {
    "alone/panels": ["single"],
    "claims/numbers": ["check"],
    "claims/rules": ["check"],
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
    "forced_choice": ["single"],
    "grid": ["grid", "pooled"],
    "frames": ["opening", "checking"],
    "headers": ["checking", "panels", "panels_malformed"],
    "key": ["serving"],
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

    def tests_of(self, file: str) -> list[str]:
        """The file itself, for its doctests, and the test files that mirror it, from the root."""
        name = Path(file).stem
        by_path = self.mirrors.get(file.removesuffix(".py"))
        names = by_path or [name, *self.mirrors.get(name, [])]
        there = {path.stem: path for path in sorted((self.root / "tests").rglob("test_*.py"))}
        found = [there[f"test_{n}"] for n in dict.fromkeys(names) if f"test_{n}" in there]
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
        (to / "tests_first.py").write_text(ORDER)
        return to


ORDER = '''"""Put the tests that reach the changed line first, the quickest of them before the others."""
import json, os

def pytest_collection_modifyitems(items):
    first = json.loads(os.environ.get("TESTS_FIRST", "[]"))
    place = {name: i for i, name in enumerate(first)}
    items.sort(key=lambda item: place.get(item.nodeid, len(place)))
'''


# Every run starts as a copy of one process that has loaded what takes longest to load, and nothing of the package.
STARTED = multiprocessing.get_context("forkserver")
STARTED.set_forkserver_preload(["scipy.stats", "scipy.optimize", "pandas", "xarray", "matplotlib.figure"])
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def run_tests(folder: Path, tests: list[str], first: list[str], timeout: float, *more: str) -> tuple[int | None, str]:
    """Run tests in a copy: ``(exit code or None when it took too long, what was printed)``."""
    arguments = ["-x", "-q", "-n", "0", "-m", MARKS, "-p", "no:cacheprovider", "-p", "tests_first"]
    arguments += ["--doctest-modules", "--no-header", "--tb=no", *more, *tests]
    printed = folder / "printed.txt"
    process = STARTED.Process(target=_pytest, args=(folder, arguments, json.dumps(first), printed))
    process.start()
    process.join(timeout)
    if process.is_alive():
        process.kill()
        process.join()
        return None, ""
    return process.exitcode, printed.read_text()


def _pytest(folder: Path, arguments: list[str], first: str, printed: Path) -> None:
    """What the process of one run does."""
    with printed.open("w") as file:
        os.dup2(file.fileno(), 1)
        os.dup2(file.fileno(), 2)
    os.chdir(folder)
    os.environ.update(TESTS_FIRST=first, HYPOTHESIS_PROFILE="ci")
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(folder))
    import pytest

    code = int(pytest.main(arguments))
    sys.stdout.flush()
    os._exit(code)


@dataclass(frozen=True)
class Baseline:
    """The tests of one file as they are: seconds in all, and the tests that reach each line, quickest first."""

    tests: list[str]
    seconds: float
    reaching: dict[int, list[str]]


def baseline(project: Project, folder: Path, file: str) -> Baseline:
    """Run the tests once on the unchanged file."""
    from coverage import CoverageData

    tests = project.tests_of(file)
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
    started = time.perf_counter()
    code, printed = run_tests(folder, tests, [], 3600, *more)
    seconds = time.perf_counter() - started
    if code != 0:
        raise SystemExit(f"{file}: its tests fail before anything is changed.\n{printed[-3000:]}")
    spent: dict[str, float] = {}
    for line in printed.splitlines():
        words = line.split(maxsplit=2)
        if len(words) == 3 and words[0].endswith("s") and words[1] in ("setup", "call", "teardown"):
            spent[words[2]] = spent.get(words[2], 0.0) + float(words[0][:-1])
    data = CoverageData(str(data_file))
    data.read()
    reaching = {}
    for line, contexts in data.contexts_by_lineno(str(folder / project.package / file)).items():
        names = {context.rpartition("|")[0] for context in contexts if context}
        reaching[line] = sorted(names, key=lambda name: (spent.get(name, 0.0), name))
    return Baseline(tests, seconds, reaching)


def known_equivalent() -> dict[tuple[str, str, str], str]:
    """``(name of the file, line as it is, line changed): reason`` of the mutants that are not counted."""
    entries = tomllib.loads((HERE / "equivalent.toml").read_text("utf-8")).get("mutant", [])
    return {(e["file"], e["old"], e["new"]): e["reason"] for e in entries}


def sample(found: list[Mutant], size: int | None, seed: int, file: str) -> list[Mutant]:
    """As many as asked, drawn by the seed and the file's name, in the order of the file."""
    if size is None or size >= len(found):
        return found
    return sorted(random.Random(f"{seed} {file}").sample(found, size))


def try_mutants(project: Project, file: str, chosen: list[Mutant], processes: int = 1) -> dict[Mutant, str | None]:
    """Which test killed each mutant; None for a survivor."""
    with tempfile.TemporaryDirectory() as place:
        free: queue.Queue[Path] = queue.Queue()
        for i in range(processes):
            free.put(project.copy(Path(place).resolve() / f"copy{i}"))
        folder = free.get()
        before = baseline(project, folder, file)
        free.put(folder)

        def attempt(mutant: Mutant) -> str | None:
            folder = free.get()
            path = folder / project.package / file
            source = path.read_bytes()
            path.write_bytes(mutant.apply(source))
            first = before.reaching.get(mutant.line, [])
            code, printed = run_tests(folder, before.tests, first, 20 + 3 * before.seconds)
            path.write_bytes(source)
            free.put(folder)
            if code == 0:
                return None
            if code is None:
                return "took too long"
            failed = [line for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
            return failed[0].split(" - ")[0] if failed else f"exit code {code}"

        with ThreadPoolExecutor(processes) as pool:
            return dict(zip(chosen, pool.map(attempt, chosen), strict=True))


def main(arguments: list[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description="Do the tests notice small wrong changes?")
    parser.add_argument("files", nargs="*", help="files of the package, such as engine/grid.py; all when left out")
    parser.add_argument("--sample", type=int, help="mutants tried in each file; all when left out")
    parser.add_argument("--seed", type=int, default=1, help="seed of the sample")
    parser.add_argument("--processes", type=int, default=1, help="how many at a time")
    parser.add_argument("--lines", help="only mutants of these lines, such as 120-180")
    parser.add_argument("--list", action="store_true", help="list the mutants and try none")
    parser.add_argument("--killers", action="store_true", help="name the test that killed each mutant, too")
    asked = parser.parse_args(arguments)
    project = Project(ROOT, "metasense", MIRRORS)
    package = ROOT / project.package
    files = asked.files or sorted(str(p.relative_to(package)) for p in package.rglob("*.py") if p.stat().st_size)
    equivalent = known_equivalent()
    killed_in_all = 0
    tried_in_all = 0
    for file in files:
        found = list(mutants((package / file).read_bytes()))
        name = Path(file).name
        found = [m for m in found if (name, m.old, m.new) not in equivalent]
        if asked.lines:
            low, high = asked.lines.split("-")
            found = [m for m in found if int(low) <= m.line <= int(high)]
        chosen = sample(found, asked.sample, asked.seed, file)
        if asked.list:
            print(*(f"{file}:{m}" for m in chosen), sep="\n")
            continue
        results = try_mutants(project, file, chosen, asked.processes)
        survivors = [m for m, killer in results.items() if killer is None]
        killed_in_all += len(chosen) - len(survivors)
        tried_in_all += len(chosen)
        print(f"{file}: {len(chosen) - len(survivors)} of {len(chosen)} noticed ({len(found)} possible)", flush=True)
        for mutant, killer in results.items():
            if killer is None:
                print(f"  survives  {file}:{mutant}", flush=True)
            elif asked.killers:
                print(f"  {killer}  {file}:{mutant}", flush=True)
    if tried_in_all:
        print(f"in all: {killed_in_all} of {tried_in_all} noticed ({killed_in_all / tried_in_all:.0%})")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
