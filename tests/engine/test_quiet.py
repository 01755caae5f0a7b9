"""PyMC's logs and ArviZ's announcement are silenced while we sample, and as they were afterwards."""

import logging
import threading
import warnings

import pytest

from metasense.engine.quiet import quiet

NAMES = ("pymc", "pymc.sampling.mcmc", "pymc.stats.convergence", "pytensor.configdefaults")


def state():
    return [logging.getLogger(name).level for name in NAMES], list(warnings.filters)


def announce():
    warnings.warn("ArviZ is undergoing a major refactor", FutureWarning, stacklevel=2)


def test_it_is_quiet_inside_and_afterwards_all_is_as_it_was():
    def fail():
        with quiet, quiet:
            announce()
            assert not any(logging.getLogger(name).isEnabledFor(logging.CRITICAL) for name in NAMES)
            raise KeyError

    before = state()
    with pytest.raises(KeyError):
        fail()
    assert state() == before


@pytest.mark.parametrize("leaving", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_threads_that_overlap_leave_all_as_it_was_and_it_is_quiet_until_the_last_is_done(leaving):
    def work(number):
        with quiet:
            entered[number].set()
            assert leave[number].wait(10)

    before = state()
    entered = [threading.Event() for _ in leaving]
    leave = [threading.Event() for _ in leaving]
    threads = [threading.Thread(target=work, args=(number,)) for number in range(len(leaving))]
    for thread, inside in zip(threads, entered, strict=True):
        thread.start()
        assert inside.wait(10)
    for number in leaving:
        announce()
        assert not logging.getLogger("pymc").isEnabledFor(logging.CRITICAL)
        leave[number].set()
        threads[number].join()
    assert state() == before
