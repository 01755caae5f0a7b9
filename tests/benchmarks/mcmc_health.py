"""Every model metasense samples, twenty seeds on three data sets each: did the chains agree, and with integration?

    python tests/benchmarks/mcmc_health.py                       # all models: hours on one core
    python tests/benchmarks/mcmc_health.py --seeds 5 "two moderators" "dose through zero"
    python tests/benchmarks/mcmc_health.py --list

Prints one table for the PyMC that is installed, a row as soon as it is known. `off` is the largest distance of a
posterior mean from the integrated one, in Monte Carlo standard errors, where the model can be integrated: over 20 seeds
of three quantities the largest of 60 is about 2.5 when all is well. The three data sets are panels near chance (the
posterior runs into corners), ordinary panels that differ, and few very large ones (the posterior is a needle) or, with
moderators and levels, panels that are far more unlike than these explain.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import Any

import numpy as np
import pandas as pd

import metasense as ms
from metasense.core.diagnostics import NAMES, R_HAT, Diagnostics
from metasense.engine import sampler as mcmc
from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts, Evidence, RepeatedTotal, Repeats
from metasense.engine.priors import Priors
from metasense.protocols import forced_choice
from metasense.results.moderated import moderate

Means = dict[str, tuple[float, float]]  # of each quantity, mean and Monte Carlo standard error
Exact = dict[str, float]
Fit = Callable[[int], tuple[Diagnostics, Means]]
HEAD = f"{'model':28}  {'data set':11}  divergences  worst R-hat  >= 1.01  least ESS   off  seconds a fit"
ROW = "{model:28}  {name:11}  {divergences:11d}  {r_hat:11.4f}  {bad:7d}  {ess:9.0f}  {off:4.1f}  {seconds:13.1f}"

# --- pools without moderators -----------------------------------------------------------------------------------------


def counts(*panels: tuple[str, int, int]) -> list[Evidence]:
    """Panels as (protocol, tastings, correct)."""
    return [Counts(forced_choice(name), n, x) for name, n, x in panels]


def tasters(test: str, *panels: Sequence[int]) -> list[Evidence]:
    """Panels whose tasters each answered four times: how many had 0, 1, 2, 3 and 4 right."""
    return [Repeats(forced_choice(test), tuple((4, y, m) for y, m in enumerate(panel) if m)) for panel in panels]


POOLS: dict[str, tuple[list[Evidence], ...]] = {
    "pool": (
        counts(*[("triangle", 40, x) for x in (13, 12, 15, 14)]),
        counts(
            ("triangle", 24, 12), ("triangle", 30, 11), ("duo-trio", 28, 17), ("triangle", 33, 10), ("tetrad", 18, 8),
            ("tetrad", 40, 16), ("triangle", 22, 6), ("duo-trio", 36, 20), ("two-out-of-five", 28, 8),
            ("triangle", 60, 25),
        ),
        counts(*[("tetrad", 5000, x) for x in (2475, 2500, 2460, 2490)]),
    ),
    "pool, directed": (
        counts(*[("2-AFC", 40, x) for x in (19, 22, 17, 21)]),
        counts(("2-AFC", 24, 17), ("3-AFC", 30, 14), ("triangle", 28, 12), ("2-AFC", 33, 15), ("specified tetrad", 18, 8)),
        counts(*[("2-AFC", 5000, x) for x in (3075, 2900, 3160, 3090)]),
    ),
    "pool, repeat tasters": (
        tasters("triangle", (3, 4, 3, 1, 0), (2, 5, 2, 1, 0), (2, 4, 4, 0, 1)),
        [*tasters("triangle", (1, 3, 4, 2, 3), (0, 2, 2, 3, 4)), *counts(("tetrad", 30, 17), ("duo-trio", 24, 15))],
        [RepeatedTotal(forced_choice("tetrad"), 100, 400, 195), *tasters("tetrad", (80, 170, 150, 60, 40))],
    ),
}  # fmt: skip


def plain(panels: list[Evidence]) -> tuple[Fit, Exact]:
    """How a pool is sampled, and what integration says of it."""
    posterior = integrate(panels, [1] * len(panels), Priors())[0]
    exact = {
        "mu": posterior.expect(lambda mu, tau: mu),
        "tau": posterior.expect(lambda mu, tau: tau),
        "average": posterior.average.mean,
    }

    def fit(seed: int) -> tuple[Diagnostics, Means]:
        _, chains, _ = mcmc.sample(panels, [1] * len(panels), Priors(), seed=seed)
        diagnostics = Diagnostics.of(chains)
        found = diagnostics.frame[["mean", "mcse"]].itertuples(index=False)
        return diagnostics, {name: tuple(row) for name, row in zip(exact, found, strict=True)}

    return fit, exact


# --- moderators and levels --------------------------------------------------------------------------------------------

WEEKS = (1.0, 2.0, 3.0, 4.0, 6.0, 6.0, 8.0, 8.0, 12.0, 12.0)
TABLES = {  # correct answers of each panel, in the order of the weeks
    "triangle": ((40, (13, 12, 15, 14, 12, 16, 13, 11, 15, 14)), (30, (9, 12, 10, 15, 13, 19, 14, 18, 22, 17))),
    "tetrad": ((60, (19, 52, 24, 20, 57, 33, 22, 59, 41, 21)),),
    "2-AFC": (
        (40, (19, 22, 17, 21, 20, 18, 23, 20, 22, 19)),
        (30, (14, 16, 17, 19, 15, 22, 21, 24, 26, 23)),
        (60, (33, 58, 27, 55, 29, 59, 36, 24, 57, 41)),
    ),
}
UNDIRECTED = [*[("triangle", *one) for one in TABLES["triangle"]], *[("tetrad", *one) for one in TABLES["tetrad"]]]
DIRECTED = [("2-AFC", *one) for one in TABLES["2-AFC"]]
MODELS: dict[str, tuple[list[tuple[str, int, tuple[int, ...]]], dict[str, Any]]] = {
    "one moderator": (UNDIRECTED, {"moderators": "weeks"}),
    "one moderator, directed": (DIRECTED, {"moderators": "weeks"}),
    "dose through zero": (UNDIRECTED, {"moderators": "weeks", "through_zero": "weeks"}),
    "categories": (UNDIRECTED, {"moderators": "roast"}),
    "two moderators": (UNDIRECTED, {"moderators": ["weeks", "tasters_age"]}),
    "two moderators, directed": (DIRECTED, {"moderators": ["weeks", "tasters_age"]}),
    "moderator within batch pairs": (UNDIRECTED, {"moderators": "weeks", "within": "batch_pair"}),
    "panels within batch pairs": (UNDIRECTED, {"within": "batch_pair"}),
}


def table(test: str, tastings: int, correct: Sequence[int]) -> pd.DataFrame:
    """Ten panels with what they may depend on."""
    columns = {"panel": [f"P{i}" for i in range(10)], "protocol": test, "tastings": tastings, "correct": correct}
    columns |= {"weeks": WEEKS, "tasters_age": [31, 44, 25, 38, 52, 29, 47, 33, 41, 26]}
    return pd.DataFrame(columns | {"roast": list("abcabcabca"), "batch_pair": list("qrsqrtstuu")})


def moderated(frame: pd.DataFrame, options: dict[str, Any]) -> tuple[Fit, Exact]:
    """How a pool with moderators is sampled, and what integration says of it if it can be integrated."""
    of_slope = options["moderators"] if isinstance(options["moderators"], str) else options["moderators"][0]

    def quantities(found: Any) -> dict[str, Any]:
        last = {name: frame[name].iloc[-1] for name in found.moderators}
        effect = found.slope(of_slope) if of_slope != "roast" else found.change("roast", "a", "b")
        return {"effect": effect, "spread": found.spread, "average there": found.at(**last).average}

    plain, doses = ms.pool(frame), [options["through_zero"]] if "through_zero" in options else []

    def fit(seed: int) -> tuple[Diagnostics, Means]:
        sampled = replace(plain.core, settings=plain.settings | {"method": "mcmc", "seed": seed})
        found = moderate(sampled, np.atleast_1d(options["moderators"]).tolist(), doses, options.get("within"))
        kept = len(found.engine) / (found.diagnostics.chains * found.diagnostics.draws)
        effective = found.diagnostics.frame[["ess_bulk", "ess_tail"]].min().min() * kept
        return found.diagnostics, {k: (d.mean, d.sd / np.sqrt(effective)) for k, d in quantities(found).items()}

    by_grid = options.get("within") is None and isinstance(options["moderators"], str)
    return fit, {k: d.mean for k, d in quantities(ms.pool(frame, **options)).items()} if by_grid else {}


def nested(frame: pd.DataFrame) -> tuple[Fit, Exact]:
    """Panels within batch pairs, which are integrated by default, sampled."""
    found = ms.pool(frame, within="batch_pair")
    exact = {"tau": found.spread.mean, "between": found.between.mean, "within": found.spread_within.mean}
    panels = [found.plain.collected.evidence[i] for i in found.plain.collected.index]
    clusters, none = found.index, np.empty((len(panels), 0))

    def fit(seed: int) -> tuple[Diagnostics, Means]:
        _, chains, _ = mcmc.sample_moderated(panels, Priors(), columns=none, names=[], clusters=clusters, seed=seed)
        diagnostics = Diagnostics.of(chains)
        rows = diagnostics.frame.set_index("quantity")
        return diagnostics, {k: tuple(rows.loc[NAMES[k], ["mean", "mcse"]]) for k in exact}

    return fit, exact


# --- the table --------------------------------------------------------------------------------------------------------


def sets(model: str) -> tuple[str, str, str]:
    """What its data sets are."""
    return "near chance", "ordinary", "large" if model in POOLS else "unlike"


def cases(model: str) -> list[tuple[Fit, Exact]]:
    """How each data set of a model is fitted, and its integrated means."""
    if model in POOLS:
        return [plain(panels) for panels in POOLS[model]]
    tables, options = MODELS[model]
    frames = [table(*one) for one in tables]
    return [moderated(f, options) if "moderators" in options else nested(f) for f in frames]


def line(fit: Fit, exact: Exact, seeds: Sequence[int]) -> dict[str, float]:
    """How all seeds of one data set went."""
    rows = []
    for seed in seeds:
        start = time.perf_counter()
        diagnostics, means = fit(seed)
        seconds, frame = time.perf_counter() - start, diagnostics.frame
        off = [abs(means[k][0] - exact[k]) / means[k][1] for k in exact]
        ess = frame[["ess_bulk", "ess_tail"]].min().min()
        rows.append((diagnostics.divergences, frame["r_hat"].max(), ess, max(off, default=np.nan), seconds))
    divergences, r_hat, ess, off, seconds = np.array(rows, float).T
    bad = int((~(r_hat < R_HAT)).sum())
    found = {"divergences": int(divergences.sum()), "r_hat": r_hat.max(), "bad": bad, "ess": ess.min()}
    return found | {"off": off.max(), "seconds": float(np.median(seconds))}


def main() -> int:
    every = [*POOLS, *MODELS]
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("models", nargs="*", metavar="model", help="all by default")
    parser.add_argument("--seeds", type=int, default=20, help="how many")
    parser.add_argument("--first", type=int, default=0, metavar="SEED", help="where they begin")
    parser.add_argument("--list", action="store_true", help="name the models")
    chosen = parser.parse_args()
    if chosen.list:
        print("\n".join(every))
        return 0
    unknown = [name for name in chosen.models if name not in every]
    if unknown:
        parser.error(f"there is no model {', '.join(unknown)}; there is {', '.join(every)}")
    seeds = range(chosen.first, chosen.first + chosen.seeds)
    print(f"PyMC {version('pymc')}, ArviZ {version('arviz')}, {len(seeds)} seeds, 4 chains of 1000 draws")
    print(HEAD, flush=True)
    bad = 0
    for model in chosen.models or every:
        for name, case in zip(sets(model), cases(model), strict=True):
            row = line(*case, seeds)
            bad += row["divergences"] + row["bad"]
            print(ROW.format(model=model, name=name, **row).replace("nan", "   "), flush=True)
    print("no divergence, and R-hat below 1.01 in every fit" if not bad else "NOT ALL WELL: see the columns above")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
