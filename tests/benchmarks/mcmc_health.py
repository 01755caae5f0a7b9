"""Twenty seeds of the sampler on three data sets: divergences, R-hat, effective draws, seconds, distance from the grid.

    python tests/benchmarks/mcmc_health.py [seeds]

Prints one table for the PyMC that is installed. `off` is the largest distance of a posterior mean from the integrated
one, in Monte Carlo standard errors: over 20 seeds of three quantities the largest of 60 is about 2.5 when all is well.
"""

import sys
import time
from importlib.metadata import version

import pandas as pd

from metasense.pooling import mcmc
from metasense.pooling.grid import integrate
from metasense.pooling.likelihood import Counts
from metasense.pooling.priors import Priors
from metasense.protocols import protocol

SETS = {
    "4 triangles near chance": [Counts(protocol("triangle"), 40, x) for x in (13, 12, 15, 14)],
    "10 mixed panels": [
        Counts(protocol(name), n, x)
        for name, n, x in [
            ("triangle", 24, 12), ("triangle", 30, 11), ("duo-trio", 28, 17), ("triangle", 33, 10), ("tetrad", 18, 8),
            ("tetrad", 40, 16), ("triangle", 22, 6), ("duo-trio", 36, 20), ("2-AFC", 28, 19), ("triangle", 60, 25),
        ]
    ],
    "4 tetrads of 5000": [Counts(protocol("tetrad"), 5000, x) for x in (2475, 2500, 2460, 2490)],
}  # fmt: skip


def one(panels: list[Counts], exact: list[float], seed: int) -> dict[str, float]:
    """Sample once and say how it went."""
    start = time.perf_counter()
    _, diagnostics, _ = mcmc.sample(panels, [1] * len(panels), Priors(), seed=seed)
    frame = diagnostics.frame
    return {
        "divergences": diagnostics.divergences,
        "r_hat": frame["r_hat"].max(),
        "ess_bulk": frame["ess_bulk"].min(),
        "ess_tail": frame["ess_tail"].min(),
        "off": ((frame["mean"] - exact).abs() / frame["mcse"]).max(),
        "seconds": time.perf_counter() - start,
    }


def main(seeds: int) -> None:
    rows = []
    for name, panels in SETS.items():
        posterior = integrate(panels, [1] * len(panels), Priors())[0]
        exact = [posterior.expect(lambda mu, tau: mu), posterior.expect(lambda mu, tau: tau), posterior.average.mean]
        runs = pd.DataFrame([one(panels, exact, seed) for seed in range(seeds)])
        rows.append(
            {
                "data set": name,
                "divergences": int(runs["divergences"].sum()),
                "largest R-hat": runs["r_hat"].max(),
                "runs with R-hat >= 1.01": int((runs["r_hat"] >= mcmc.R_HAT).sum()),
                "smallest bulk ESS": runs["ess_bulk"].min(),
                "smallest tail ESS": runs["ess_tail"].min(),
                "largest off": runs["off"].max(),
                "median seconds": runs["seconds"].median(),
                "longest": runs["seconds"].max(),
            }
        )
    print(f"PyMC {version('pymc')}, ArviZ {version('arviz')}, {seeds} seeds, 4 chains of 1000 draws")
    print(pd.DataFrame(rows).set_index("data set").T.round(3).to_string())


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
