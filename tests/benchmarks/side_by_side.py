"""Pooling side by side: our integration, our sampler, and the model one would write by hand in PyMC, in one run.

    python tests/benchmarks/side_by_side.py            # everything: about half an hour on two cores
    python tests/benchmarks/side_by_side.py --quick    # two data sets, one seed
    python tests/benchmarks/side_by_side.py --scaling  # only growth with the number of panels, imports, look-ups

Times are ratios worth comparing only within one run. The hand-written model is the textbook one: non-centred, an effect
for every panel, default settings. The reference is our integration with four times the nodes.
"""

from __future__ import annotations

import argparse
import logging
import resource
import subprocess
import sys
import time
import warnings

import numpy as np
import pandas as pd

import metasense as ms
from metasense.pooling import grid
from metasense.pooling.evidence import collect

SEEDS = (1, 2, 3)


def data(name: str) -> ms.Panels:
    """Triangle panels: the hand-written model knows only those."""
    rng = np.random.default_rng(7)

    def panels(count: int, low: int, high: int, centre: float, spread: float) -> ms.Panels:
        theta = np.abs(rng.normal(centre, spread, count))
        n = rng.integers(low, high + 1, count)
        x = rng.binomial(n, ms.protocol("triangle").p_correct(theta))
        return ms.read_panels(
            {"panel": [f"P{i}" for i in range(count)], "protocol": "triangle", "tastings": n, "correct": x}
        )

    made = {
        "null": lambda: panels(6, 24, 36, 0.0, 0.0),
        "small": lambda: panels(4, 20, 40, 1.0, 0.4),
        "10": lambda: panels(10, 20, 60, 1.0, 0.4),
        "50": lambda: panels(50, 20, 60, 1.0, 0.4),
        "500": lambda: panels(500, 20, 60, 1.0, 0.4),
        "large n": lambda: panels(4, 5000, 5000, 1.0, 0.05),
    }
    return made[name]()


def by_hand(panels: ms.Panels, seed: int, sampler: str) -> tuple[np.ndarray, np.ndarray, int]:
    """Average d-prime and spread, shape (chain, draw), and divergences, from the textbook model."""
    import pymc as pm
    import pytensor.tensor as pt

    n, x = (panels.frame[c].to_numpy(int) for c in ("tastings", "correct"))
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    weights = weights / weights.sum()
    with pm.Model():
        mu, tau = pm.HalfNormal("mu", 1.5), pm.HalfNormal("tau", 0.5)
        z = pm.Normal("z", 0, 1, shape=len(n))
        d = pt.abs(mu + tau * z)
        # chance in a triangle: both like cups on the same side of the odd one, averaged over the mean of the like ones
        a, b = nodes[None, :] * np.sqrt(3), d[:, None] * np.sqrt(2 / 3)
        half = (nodes > 0) * 2.0
        cdf = lambda v: 0.5 * pt.erfc(-v / np.sqrt(2))  # noqa: E731
        p = ((cdf(-a + b) + cdf(-a - b)) * (half * weights)[None, :]).sum(axis=1)
        pm.Binomial("x", n=n, p=pt.clip(p, 1e-9, 1 - 1e-9), observed=x)
        kept = pm.sample(random_seed=seed, nuts_sampler=sampler, progressbar=False, cores=1)
    post, stats = kept["posterior"], kept["sample_stats"]
    mu_draws, tau_draws = np.asarray(post["mu"]), np.asarray(post["tau"])
    return grid.average_d_prime(mu_draws, tau_draws), tau_draws, int(np.asarray(stats["diverging"]).sum())


def ours(panels: ms.Panels, seed: int, sampler: str) -> tuple[np.ndarray, np.ndarray, int]:
    """The same from ``method="mcmc"``."""
    from metasense.pooling import mcmc

    found = collect(panels.frame)
    _, diagnostics, draws = mcmc.sample(found.evidence, found.copies, ms.Priors(), seed=seed)
    return draws["average_d_prime"].to_numpy(), draws["tau"].to_numpy(), diagnostics.divergences


METHODS = {
    "by hand": (by_hand, "pymc"),
    "by hand, nutpie": (by_hand, "nutpie"),
    "metasense mcmc": (ours, "pymc"),
}


def compare(names: list[str], seeds: tuple[int, ...]) -> pd.DataFrame:
    """One row a data set and method: seconds, ratio to the grid, diagnostics, error in posterior standard deviations."""
    from arviz_stats import ess, rhat

    rows = []
    for name in names:
        panels = data(name)
        found = collect(panels.frame)
        reference, exact = grid.integrate(found.evidence, found.copies, ms.Priors(), nodes=4 * grid.NODES - 3)
        levels = [0.025, 0.5, 0.975]
        truth, sd = reference.average.quantile(levels), reference.average.sd

        ms.pool(panels).to_frame(protocols=["triangle"])
        times = []
        for _ in range(7):
            start = time.perf_counter()
            pooled = ms.pool(panels)
            pooled.to_frame(protocols=["triangle"])
            times.append(time.perf_counter() - start)
        base = min(times)
        error = np.abs(pooled.average.quantile(levels) - truth).max() / sd
        evidence_error = abs(pooled.evidences.varying - exact.varying)
        rows.append(
            {
                "data": name,
                "method": "metasense grid",
                "seconds": base,
                "ratio": 1.0,
                "error_sd": error,
                "log_evidence_error": evidence_error,
            }
        )
        for method, (run, sampler) in METHODS.items():
            if sampler == "nutpie" and not _installed("nutpie"):
                continue
            seconds, divergences, hats, sizes, errors = [], 0, [], [], []
            for seed in seeds:
                start = time.perf_counter()
                average, spread, diverged = run(panels, seed, sampler)
                seconds.append(time.perf_counter() - start)
                divergences += diverged
                hats.append(max(float(rhat(average)), float(rhat(spread))))
                sizes.append(min(float(ess(average)), float(ess(spread))) / seconds[-1])
                errors.append(np.abs(np.quantile(average, levels) - truth).max() / sd)
            rows.append(
                {
                    "data": name,
                    "method": method,
                    "seconds": np.median(seconds),
                    "ratio": np.median(seconds) / base,
                    "divergences": divergences,
                    "worst_rhat": max(hats),
                    "ess_per_second": np.median(sizes),
                    "error_sd": max(errors),
                }
            )
            print(f"  {name}: {method} done", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def fresh(code: str) -> float:
    """Seconds of a fresh Python that runs `code`."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    return time.perf_counter() - start


def scaling() -> pd.DataFrame:
    """Growth with the number of panels and of tastings, fresh processes, imports."""
    rng = np.random.default_rng(3)
    rows = []
    for count in (10, 100, 1000, 10_000, 100_000):
        n = rng.integers(20, 61, count)
        test = np.array(["triangle", "duo-trio", "tetrad"])[rng.integers(0, 3, count)]
        x = np.empty(count, int)
        for name in np.unique(test):
            mask = test == name
            x[mask] = rng.binomial(n[mask], ms.protocol(name).p_correct(np.abs(rng.normal(0.8, 0.4, mask.sum()))))
        panels = ms.read_panels(
            {"panel": [f"P{i}" for i in range(count)], "protocol": test, "tastings": n, "correct": x}
        )
        ms.pool(panels)
        start = time.perf_counter()
        ms.pool(panels)
        rows.append({"what": f"pool {count:,} panels, warm", "seconds": time.perf_counter() - start})
    growth = np.polyfit(np.log([1000, 10_000, 100_000]), np.log([r["seconds"] for r in rows[2:]]), 1)[0]
    rows.append({"what": "growth exponent from 1 000 to 100 000 panels", "seconds": growth})

    tasters = np.arange(1_000_000)
    table = pd.DataFrame(
        {
            "panel": np.char.add("P", (tasters // 25).astype(str)),
            "protocol": "triangle",
            "taster": np.char.add("T", (tasters % 5000).astype(str)),
            "correct": rng.integers(0, 2, len(tasters)),
        }
    )
    start = time.perf_counter()
    ms.read_tastings(table).to_panels()
    rows.append({"what": "1 000 000 tastings read, checked and summarised", "seconds": time.perf_counter() - start})

    panels = "ms.read_panels('datasets/cider_fining.csv')"
    bare, with_pandas, with_us = fresh("pass"), fresh("import pandas"), fresh("import metasense")
    rows += [
        {"what": "import pandas, fresh, less bare Python", "seconds": with_pandas - bare},
        {"what": "import metasense, fresh, less bare Python", "seconds": with_us - bare},
        {"what": "first answer, fresh process", "seconds": fresh(f"import metasense as ms; print(ms.pool({panels}))")},
        {
            "what": "peak memory of this process, GiB",
            "seconds": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        },
    ]
    return pd.DataFrame(rows)


def _installed(name: str) -> bool:
    import importlib.util

    return importlib.util.find_spec(name) is not None


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--scaling", action="store_true")
    chosen = parser.parse_args()
    logging.getLogger("pymc").setLevel(logging.ERROR)
    warnings.filterwarnings("ignore")
    pd.set_option("display.width", 200)
    if not chosen.scaling:
        names = ["10", "null"] if chosen.quick else ["null", "small", "10", "50", "500", "large n"]
        print(compare(names, SEEDS[:1] if chosen.quick else SEEDS).round(6).to_string(index=False))
    if not chosen.quick:
        print(scaling().round(4).to_string(index=False))
