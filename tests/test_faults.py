"""What is put in, and what surrounds the program: small versions of ``python tests/faults/run.py``."""

import os
import re

import pytest
from faults import inputs, surroundings, writers

import metasense as ms

QUICK = ("read-only folder", "full disk", "warnings are errors", "no network", "same seed, same draws")
CHECKS = surroundings.CHECKS | surroundings.SAMPLING


def tried(check, **options):
    try:
        cases, _ = check(**options)
    except surroundings.Impossible as reason:
        pytest.skip(str(reason))
    assert cases > 0


@pytest.fixture(scope="session")
def base(tmp_path_factory):
    return tmp_path_factory.mktemp("faults")


@pytest.mark.parametrize("name", [name for name in inputs.CHECKS if name != "extreme counts"])
def test_odd_input_is_answered_or_refused_in_words(name, tmp_path):
    check, small = inputs.CHECKS[name]
    tried(check, folder=tmp_path, **small)


def test_extreme_counts_are_answered_or_refused_in_words(tmp_path):
    tried(inputs.counts, folder=tmp_path, sizes=(1, 10**9))


@pytest.mark.skipif(os.name != "posix", reason="rights, signals and memory disks of POSIX")
@pytest.mark.parametrize("name", QUICK)
def test_odd_surroundings_change_nothing(name, base):
    check, small = surroundings.CHECKS[name]
    (base / name).mkdir()
    tried(check, base=base / name, **small)


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
def test_a_kill_while_saving_leaves_a_whole_file(tmp_path):
    tried(surroundings.killed, base=tmp_path, rounds=10, files=("pool.nc",))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
@pytest.mark.parametrize("name", writers.CHECKS)
def test_nothing_is_half_written_lost_or_written_over(name, tmp_path):
    check, small = writers.CHECKS[name]
    tried(check, base=tmp_path, **small)


@pytest.mark.slow
@pytest.mark.timeout(1200)
@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks the writers")
@pytest.mark.parametrize("name", writers.CHECKS)
def test_nothing_is_ever_half_written_lost_or_written_over(name, tmp_path):
    tried(writers.CHECKS[name][0], base=tmp_path)


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="rights, signals and memory disks of POSIX")
@pytest.mark.parametrize("name", [name for name in CHECKS if name not in QUICK])
def test_every_other_fault_is_met(name, base):
    check, _ = CHECKS[name]
    (base / name).mkdir()
    tried(check, base=base / name)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(inputs.CHECKS))
def test_all_odd_input_is_answered_or_refused_in_words(name, tmp_path):
    tried(inputs.CHECKS[name][0], folder=tmp_path)


def test_a_stray_nan_or_a_silent_acceptance_counts_as_a_fault():
    class Strange:
        def __repr__(self):
            return "the average is nan"

    with pytest.raises(AssertionError, match="nan"):
        inputs.tried("a strange result", Strange)
    with pytest.raises(AssertionError, match="was accepted"):
        inputs.tried("a margin of 1", lambda: ms.Margin(d_prime=1.0), refused=True)
    with pytest.raises(AssertionError, match="KeyError"):
        inputs.tried("a lost key", lambda: {}["key"])


def test_a_result_that_depends_on_its_surroundings_counts_as_a_fault(tmp_path, monkeypatch):
    monkeypatch.setattr(surroundings, "plain", lambda base, method: "one thing")
    monkeypatch.setattr(surroundings, "evening", lambda *args, **odd: "another")
    with pytest.raises(AssertionError, match=re.escape("'another' instead of 'one thing'")):
        surroundings.same(tmp_path, "odd")
