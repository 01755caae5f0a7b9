"""How much less many sizes, or many panels alone, take together than one at a time: processor milliseconds of each.

Run with ``python tests/benchmarks/many_at_once.py``.
"""

import time
from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd

from metasense.alone.panels import panels_alone
from metasense.planning.sizes import size_table, tasters_needed


def panels(n: int) -> pd.DataFrame:
    """So many triangles of 15 to 45 tastings."""
    rng = np.random.default_rng(3)
    tastings = rng.integers(15, 46, n)
    names = np.arange(n).astype(str)
    return pd.DataFrame(
        {"panel": names, "protocol": "triangle", "tastings": tastings, "correct": rng.binomial(tastings, 0.4)}
    )


def milliseconds(run: Callable[[], object]) -> float:
    """Of the processor."""
    started = time.process_time()
    run()
    return 1000 * (time.process_time() - started)


def compared(size: int = 100_000, single: int = 20) -> pd.DataFrame:
    """One row a job: how many together, milliseconds of each together and alone, and their ratio."""
    frame = panels(size)
    rows = [frame.iloc[[i]].reset_index(drop=True) for i in range(single)]
    table = size_table("triangle")
    needed = [
        partial(tasters_needed, "triangle", p_d=row.p_d, alpha=row.alpha, beta=row.beta) for row in table.itertuples()
    ]
    jobs = {
        "panels alone": (size, partial(panels_alone, frame), [partial(panels_alone, row) for row in rows]),
        "sizes": (len(table), partial(size_table, "triangle"), needed),
    }
    out = []
    for job, (count, together, each) in jobs.items():
        apart = milliseconds(lambda each=each: [run() for run in each]) / len(each)
        beside = milliseconds(together) / count
        out.append({"job": job, "together": count, "ms together": beside, "ms alone": apart, "ratio": apart / beside})
    return pd.DataFrame(out)


if __name__ == "__main__":
    print(compared().to_string(index=False, float_format="{:.3g}".format))
