"""Settings of the process that are there while somebody needs them, and as they were afterwards."""

import gc
import threading

import numpy as np
import pytest
from threadpoolctl import threadpool_info

import metasense as ms
from metasense.core.core import Core
from metasense.process import Together, no_collecting, one_thread


def threads():
    """Of NumPy's and SciPy's linear algebra."""
    return [library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"]


@pytest.fixture
def two_threads():
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=2, user_api="blas"):
        yield threads()


def test_products_are_on_one_thread_inside_and_as_before_outside(two_threads):
    with one_thread, one_thread:
        assert set(threads()) == {1}
    assert threads() == two_threads


def test_a_pool_and_its_questions_work_on_one_thread_and_leave_the_others_as_they_were(two_threads, monkeypatch):
    seen = []
    remember = Core.remember

    def watched(self, name, work_out):
        return remember(self, name, lambda: (seen.append(set(threads())), work_out())[1])

    monkeypatch.setattr(Core, "remember", watched)
    pooled = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 15]})
    pooled.panels_frame()
    assert seen and all(found == {1} for found in seen)
    assert threads() == two_threads


def test_what_fails_at_its_beginning_or_inside_is_undone():
    log = []

    def begin(undo):
        undo.callback(log.append, "undone")
        if not log:
            raise KeyError

    setting = Together(begin)
    with pytest.raises(KeyError), setting:
        pass
    with pytest.raises(ZeroDivisionError), setting:
        1 / 0  # noqa: B018
    assert log == ["undone", "undone"]


@pytest.mark.parametrize("leaving", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_of_several_threads_the_last_to_leave_undoes_it(leaving):
    log = []

    def begin(undo):
        log.append("begun")
        undo.callback(log.append, "undone")

    setting = Together(begin)
    entered = [threading.Event() for _ in leaving]
    leave = [threading.Event() for _ in leaving]

    @setting
    def work(number):
        entered[number].set()
        assert leave[number].wait(10)

    workers = [threading.Thread(target=work, args=(number,)) for number in range(len(leaving))]
    for worker, inside in zip(workers, entered, strict=True):
        worker.start()
        assert inside.wait(10)
    for number in leaving:
        assert log == ["begun"]
        leave[number].set()
        workers[number].join()
    assert log == ["begun", "undone"]


def test_numbers_do_not_hang_on_the_threads(two_threads):
    table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 15, 9]}
    together = ms.pool(table).average
    with one_thread:
        alone = ms.pool(table).average
    assert np.array_equal(together.cdf, alone.cdf)


def test_collecting_is_paused_and_then_as_it_was():
    assert gc.isenabled()
    with no_collecting, no_collecting:
        assert not gc.isenabled()
    assert gc.isenabled()
    gc.disable()
    try:
        with no_collecting:
            assert not gc.isenabled()
        assert not gc.isenabled()
    finally:
        gc.enable()
