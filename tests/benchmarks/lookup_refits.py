"""How fast a new outcome is pooled by looking up, beside pooling it again from the table: refits a second.

Run with ``python tests/benchmarks/lookup_refits.py``; set OMP_NUM_THREADS=1 for one core.
"""

import time

import numpy as np
import pandas as pd

import metasense as ms
from metasense.engine.grid import NODES
from metasense.questions import outlook, reweighting
from metasense.questions.plan import Plan

POOLS = {
    "4 triangles of 40": {"panel": list("ABCD"), "protocol": "triangle", "tastings": 40, "correct": [13, 12, 15, 13]},
    "9 panels, repeats": "datasets/cider_fining.csv",
}
PLANS = (Plan("triangle", 40, 4), Plan("tetrad", 40, 12), Plan("3-AFC", 24, 4))


def refits() -> pd.DataFrame:
    """One row a pool and plan."""
    rows = []
    for name, table in POOLS.items():
        pooled = ms.pool(table, margin=ms.Margin(d_prime=0.5))
        started = time.process_time()
        for _ in range(3):
            assert ms.pool(table).average.mean > 0
        full = 3 / (time.process_time() - started)
        known = reweighting.Known.of(pooled.core, pooled.margin)
        for plan in PLANS:
            nodes = known.nodes(NODES, plan.protocol.directed and not known.directed)
            job = outlook.Job(known, plan, None, 10_000, 1)
            started = time.process_time()
            tables = outlook.tables_of(job, nodes, range(plan.tasters + 1))
            made = time.process_time() - started
            rng = np.random.default_rng(1)
            drawn = outlook.draw(nodes.predicting, tables, plan.panels, 10_000, rng)
            outcomes = np.unique(np.sort(drawn, axis=1), axis=0)
            counts = np.zeros((len(outcomes), plan.tasters + 1))
            np.add.at(counts, (np.arange(len(outcomes))[:, None], outcomes), 1)
            took = []
            for _ in range(3):
                started = time.process_time()
                nodes.refit(tables, counts)
                took.append(time.process_time() - started)
            rows.append((name, plan.name, len(outcomes), 1000 * made, len(outcomes) / min(took), full))
    columns = ["pool", "plan", "outcomes", "table (ms)", "refits a second", "full pools a second"]
    return pd.DataFrame(rows, columns=columns)


if __name__ == "__main__":
    print(refits().round(0).to_string(index=False))
