"""The mutation run itself, on a package of one file: it notices, it reports, and it leaves the original alone."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "mutation"))
import mutants
import run

run.STARTED.set_forkserver_preload(["pytest"])  # a package of one file needs no more

SOURCE = '''"""A file to be spoilt: 1 < 2 here is text."""


def adult(age: int = 0) -> bool:
    """Whether somebody may taste.

    >>> adult(30)
    True
    """
    return age >= 18  # >= 18, and not > 18


def total(a, b):
    if a is None:
        raise ValueError(f"no {1 + 1}")
    return a + b


def verdict(share):
    return "beyond the margin" if share > 0.5 else "not settled"
'''
TESTS = """from small import people


def test_of_age():
    assert people.adult(18)
    assert not people.adult(17)


def test_total():
    assert people.total(2, 3) == 5
"""


@pytest.fixture
def project(tmp_path):
    (tmp_path / "small").mkdir()
    (tmp_path / "tests").mkdir()
    (tmp_path / "small/__init__.py").write_text("")
    (tmp_path / "small/people.py").write_text(SOURCE)
    (tmp_path / "tests/test_persons.py").write_text(TESTS)
    (tmp_path / "pytest.ini").write_text("[pytest]\nmarkers =\n    slow\n    mcmc\n    lab\n")
    return run.Project(tmp_path, "small", {"people": ["persons"]})


def found(text):
    return {str(mutant) for mutant in mutants.mutants(text.encode())}


def test_a_change_of_code_is_made_and_text_types_and_messages_are_left_alone():
    changes = found(SOURCE)
    assert (
        "10: return age >= 18 # >= 18, and not > 18 -> return age > 18 # >= 18, and not > 18".replace(" -> ", "  ->  ")
        in changes
    )
    assert "16: return a + b  ->  return a - b" in changes
    assert "16: return a + b  ->  return a" in changes
    assert any('"within the margin"' in change for change in changes)
    assert {int(change.split(":")[0]) for change in changes} == {4, 10, 14, 15, 16, 20}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("x = a < b", "x = a <= b"),
        ("x = a <= b", "x = a < b"),
        ("x = a == b", "x = a != b"),
        ("x = a not in b", "x = a in b"),
        ("x = a * b", "x = a / b"),
        ("x = (a + b) * c", "x = (a) * c"),
        ("x = a and b", "x = a or b"),
        ("x = not a", "x = a"),
        ("x = -a", "x = a"),
        ("x = 3", "x = 4"),
        ("x = 0.5", "x = 0.55"),
        ("x = 0.5", "x = 0.25"),
        ("x = a if b else c", "x = a if not (b) else c"),
        ("x = f(a, b)", "x = f(b, a)"),
        ("x = a, b", "x = b, a"),
        ("x = [*a, b]", "x = [*(), b]"),
        ("x = max(a)", "x = min(a)"),
        ("x = e.same", "x = e.varying"),
        ("f(a)", "pass"),
        ("x += 1", "pass"),
    ],
)
def test_each_kind_of_change(old, new):
    assert f"1: {old}  ->  {new}" in found(old)


@pytest.mark.parametrize("text", ['"""x < 1"""', "x: int | None = y", 'f"{a < 1}"', "zip(a, strict=True)"])
def test_nothing_else_is_changed(text):
    assert not [change for change in found(text) if not change.endswith("->  pass")]


@pytest.mark.lab
def test_planted_mutants_are_killed_or_reported_and_the_original_stays(project):
    on = {line: [m for m in mutants.mutants(SOURCE.encode()) if m.line == line] for line in (10, 20)}
    chosen = on[10] + on[20][:2]
    results = run.try_mutants(project, "people.py", chosen, processes=2)
    killed = {str(m): killer for m, killer in results.items() if killer is not None}
    survivors = {str(m) for m, killer in results.items() if killer is None}
    assert len(killed) == 2 and all("test_of_age" in killer or "adult" in killer for killer in killed.values())
    assert survivors == {str(m) for m in chosen if m.line == 20}  # no test looks at the verdict
    assert (project.root / "small/people.py").read_text() == SOURCE


@pytest.mark.lab
def test_tests_that_fail_before_anything_is_changed_are_an_error(project):
    (project.root / "tests/test_persons.py").write_text("def test_bad():\n    assert False\n")
    with pytest.raises(SystemExit, match="fails before anything is changed"):
        run.try_mutants(project, "people.py", [])


def test_the_same_seed_draws_the_same_sample():
    every = list(mutants.mutants(SOURCE.encode()))
    first = run.sample(every, 4, 1, "people.py")
    assert first == run.sample(every, 4, 1, "people.py")
    assert first == sorted(first) and len(first) == 4
    assert run.sample(every, None, 1, "people.py") == every
    assert any(first != run.sample(every, 4, seed, "people.py") for seed in range(2, 9))


def test_each_known_equivalent_is_a_mutant_that_there_is():
    """An entry whose line was rewritten says nothing any more: take it out, or write it anew."""
    package = run.ROOT / "metasense"
    files = {path.name: path for path in package.rglob("*.py")}
    files |= {path.relative_to(package).as_posix(): path for path in package.rglob("*.py")}
    changes = {
        name: {(m.old, m.new) for m in mutants.edits(files[name].read_bytes())}
        for name in {name for name, _, _ in run.known_equivalent()}
    }
    for (name, old, new), reason in run.known_equivalent().items():
        assert (old, new) in changes[name], f"{name}: {old}"
        assert reason


def test_every_file_of_the_package_has_tests_that_mirror_it():
    project = run.Project(run.ROOT, "metasense", run.MIRRORS)
    package = run.ROOT / "metasense"
    for path in package.rglob("*.py"):
        if path.name not in ("__init__.py", "__main__.py"):
            assert len(project.tests_of(str(path.relative_to(package)))) > 1, path.name


def test_the_test_file_at_the_place_of_a_file_always_mirrors_it():
    project = run.Project(run.ROOT, "metasense", run.MIRRORS)
    for path in sorted((run.ROOT / "tests").rglob("test_*.py")):
        file = path.relative_to(run.ROOT / "tests").with_name(path.name.removeprefix("test_"))
        if (run.ROOT / "metasense" / file).exists():
            assert path.relative_to(run.ROOT).as_posix() in project.tests_of(file.as_posix()), file
