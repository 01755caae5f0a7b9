"""What a shelf of many variables costs: processor milliseconds a variable, memory, and how both grow.

Run with ``python tests/benchmarks/shelf_of_many.py [most]`` (10 000 variables of three panels by default). Threads of
linear algebra are kept to one, so that processor time is what one core needs. With two processes, and on a Dask cluster
of two where Dask is installed, it tells how much faster they are and what is sent to and fro. Speed-ups are by the
clock, and say little on a machine that has other work.
"""
# ruff: noqa: E402 - threads are settled before NumPy is loaded

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import pickle
import resource
import sys
import time
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor

import numpy as np
import pandas as pd

import metasense as ms
from metasense.engine import batch
from metasense.engine.priors import Priors
from metasense.protocols import protocol

ASKED = batch.Asked(Priors(), 0.8, protocol("triangle"))
TESTS = ("triangle", "triangle", "duo-trio", "tetrad")


def table(size: int, panels: int = 3, seed: int = 1) -> pd.DataFrame:
    """So many variables with so many panels of 15 to 45 each."""
    rng = np.random.default_rng(seed)
    n = size * panels
    tests = rng.choice(TESTS, n)
    tastings = rng.integers(15, 46, n)
    centre = np.repeat(np.where(rng.random(size) < 0.5, 0.0, np.abs(rng.normal(0, 1.2, size))), panels)
    chance = np.empty(n)
    for test in set(TESTS):
        chance[tests == test] = protocol(test).p_correct(centre[tests == test])
    return pd.DataFrame(
        {
            "variable": np.repeat([f"V{i}" for i in range(size)], panels),
            "panel": [f"V{i // panels} P{i % panels}" for i in range(n)],
            "protocol": tests,
            "tastings": tastings,
            "correct": rng.binomial(tastings, chance),
        }
    )


def seconds(run: Callable[[], object]) -> tuple[float, float]:
    """Of the processor, and by the clock."""
    started, clock = time.process_time(), time.perf_counter()
    run()
    return time.process_time() - started, time.perf_counter() - clock


def growth(sizes: tuple[int, ...]) -> pd.DataFrame:
    """One row a size: milliseconds a variable of the call, of it the pooling, and of what together needs; memory."""
    ms.pool_each(table(8), by="variable", margin="0.2 triangle")  # lay the nodes
    rows = []
    for size in sizes:
        frame = table(size)
        found: list[ms.Shelf] = []
        whole = seconds(lambda: found.append(ms.pool_each(frame, by="variable", margin="0.2 triangle")))[0]  # noqa: B023
        stock = found[0].stock
        pooling = seconds(lambda: batch.pool_many(stock.variables, ASKED))[0]  # noqa: B023
        learned = seconds(lambda: stock.learned)[0]  # noqa: B023
        shrunken = seconds(lambda: stock.shrunken)[0]  # noqa: B023
        drawn = seconds(lambda: stock.draws)[0]  # noqa: B023
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        rows.append(
            {
                "variables": size,
                "ms a variable": 1000 * whole / size,
                "of it pooling": 1000 * pooling / size,
                "together": 1000 * learned / size,
                "each beside the others": 1000 * shrunken / size,
                "draws": 1000 * drawn / size,
                "peak MB": memory,
                "singly": int(stock.pools.singly.sum()),
            }
        )
    return pd.DataFrame(rows)


def exponent(found: pd.DataFrame, column: str) -> float:
    """Of the growth of the time with the number of variables."""
    size = np.log(found["variables"])
    return float(np.polyfit(size, np.log(found[column] * found["variables"]), 1)[0])


def spread_over(executor: Executor, size: int) -> dict[str, float]:
    """By the clock: how much faster two processes are, and what is sent to and fro."""
    stock = ms.pool_each(table(size), by="variable", margin="0.2 triangle").stock
    list(executor.map(_warm, range(4)))
    load = os.getloadavg()[0]
    here, there, found = [], [], []
    for _ in range(3):  # side by side, as other work comes and goes
        here.append(seconds(lambda: found.append(batch.pool_many(stock.variables, ASKED)))[1])
        there.append(seconds(lambda: found.append(batch.pool_many(stock.variables, ASKED, executor=executor)))[1])
    same = all(np.array_equal(one.average, found[0].average) for one in found)
    parts = [stock.variables.some(which) for which in stock.variables.chunks()]
    sent = sum(len(pickle.dumps((part, ASKED))) for part in parts)
    back = len(pickle.dumps(found[0]))
    return {
        "speed-up": float(np.median(np.divide(here, there))),
        "bytes sent a variable": sent / size,
        "bytes back a variable": back / size,
        "the same numbers": float(same),
        "load of the machine": load,
    }


def on_dask(size: int) -> dict[str, float] | None:
    """The same on a Dask cluster of two processes on this machine; None without Dask."""
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        return None
    cluster = LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with cluster, Client(cluster) as client:
        return spread_over(client.get_executor(), size)


def _warm(_: int) -> None:
    batch.pool_many(batch.Variables(TWO.evidence, TWO.members), ASKED)


TWO = batch.Variables((batch.Unseen(protocol("triangle"), 20, 11),), (np.array([0]),))


if __name__ == "__main__":
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    found = growth(tuple(size for size in (100, 300, 1_000, 3_000, 10_000) if size <= most))
    print(found.round(3).to_string(index=False))
    for column in ("ms a variable", "of it pooling", "together", "each beside the others", "draws"):
        print(f"exponent of {column}: {exponent(found, column):.2f}")
    size = min(most, 3_000)
    with ProcessPoolExecutor(2) as two:
        found_by = {"two processes": spread_over(two, size), "a Dask cluster of two": on_dask(size)}
    for name, numbers in found_by.items():
        print(f"{name}:", {k: round(v, 2) for k, v in numbers.items()} if numbers else "Dask is not installed")
