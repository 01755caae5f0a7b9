"""How long it takes to read and check large tables, beside only parsing the same text: processor seconds and ratio.

Run with ``python tests/benchmarks/reading_tables.py``.
"""

import io
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

import metasense as ms


def long(n: int) -> str:
    """Text of `n` tastings."""
    rng = np.random.default_rng(0)
    data = pd.DataFrame({"panel": rng.integers(0, 40, n), "taster": np.arange(n), "correct": rng.integers(0, 2, n)})
    return data.assign(protocol="triangle").to_csv(index=False)


def panels(n: int) -> str:
    """Text of `n` panels."""
    data = pd.DataFrame({"panel": [f"P{i}" for i in range(n)], "protocol": "triangle", "tastings": 40, "correct": 15})
    return data.assign(weeks=np.random.default_rng(0).random(n).round(3)).to_csv(index=False)


def wide(n: int) -> str:
    """Text of four panels with `n` moderators."""
    known = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 24, "correct": 9}
    more = pd.DataFrame(np.arange(4 * n).reshape(4, n) % 100).add_prefix("m_")
    return pd.concat([pd.DataFrame(known), more], axis=1).to_csv(index=False)


TABLES: dict[str, tuple[Callable[[int], str], Callable[[str], object], int]] = {
    "tastings": (long, lambda text: ms.read_tastings(text).to_panels(), 1_000_000),
    "panels": (panels, ms.read_panels, 100_000),
    "columns": (wide, ms.read_panels, 20_000),
}


def times(share: float = 1.0) -> pd.DataFrame:
    """One row a table: processor seconds to read and check it, and how many times those of parsing the text."""
    rows = []
    for name, (made, read, size) in TABLES.items():
        text = made(int(size * share))
        started = time.process_time()
        pd.read_csv(io.StringIO(text), dtype=object)
        parsed = time.process_time()
        read(text)
        checked = time.process_time() - parsed
        rows.append(
            {"table": name, "size": int(size * share), "seconds": checked, "ratio": checked / (parsed - started)}
        )
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(times().round(2).to_string(index=False))
