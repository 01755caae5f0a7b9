"""Pooling side by side: our integration, our sampler, and the model one would write by hand in PyMC, in one run.

    python tests/benchmarks/side_by_side.py            # everything but the last: about a quarter of an hour
    python tests/benchmarks/side_by_side.py --quick    # two data sets, one seed
    python tests/benchmarks/side_by_side.py --scaling  # only growth, imports and look-ups
    python tests/benchmarks/side_by_side.py --clone    # only README's first command from a clean clone (network)

Times are seconds of the processor, compilers included, so that a busy machine changes them little; every process keeps
to one core, and only ratios within one run are worth comparing. The hand-written model is the textbook one: non-centred,
an effect for every panel, PyMC's default settings (4 chains of 1000 draws after 1000 of tuning), the chains one after
another. Each data set and method has a process of its own. `fresh` is from its start to the first answer, the quantiles
(2.5, 50 and 97.5 %) of the average d-prime, and of the slope where there is one, imports and compiling included; `warm`
is the median of the answers after that, `with frame` the same with everything in our frame of the answer. `error` is the
worst distance of a quantile from our integration with far more nodes, over the seeds, in posterior standard deviations.
With a moderator metasense takes the centre to stay on one side of zero in all panels; draws of the others in which it
does not are left out of their quantiles.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
SEEDS = (1, 2, 3)
LEVELS = (0.025, 0.5, 0.975)
ONE_CORE = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "NUMBA_NUM_THREADS": "1"}
Draws = dict[str, np.ndarray]  # each of shape (chain, draw)


# --- the panels -------------------------------------------------------------------------------------------------------


def _panels(count: int, low: int, high: int, centre: float, spread: float, slope: float = 0.0) -> Any:
    """Triangle panels (the hand-written model knows only those), with a storage time that may move them."""
    import metasense as ms

    rng = np.random.default_rng(7)
    weeks = np.arange(count) % 6
    theta = np.abs(rng.normal(centre + slope * (weeks - weeks.mean()), spread))
    n = rng.integers(low, high + 1, count)
    x = rng.binomial(n, ms.protocol("triangle").p_correct(theta))
    names = [f"P{i}" for i in range(count)]
    table = {"panel": names, "protocol": "triangle", "tastings": n, "correct": x}
    return ms.read_panels(table | ({"weeks": weeks} if slope else {}))


DATA: dict[str, tuple[float, ...]] = {
    "null": (6, 24, 36, 0.0, 0.0),
    "small": (4, 20, 40, 1.0, 0.4),
    "10": (10, 20, 60, 1.0, 0.4),
    "50": (50, 20, 60, 1.0, 0.4),
    "500": (500, 20, 60, 1.0, 0.4),
    "large n": (4, 5000, 5000, 1.0, 0.05),
    "moderator": (24, 24, 48, 1.0, 0.3, 0.2),
}


# --- the ways to pool them --------------------------------------------------------------------------------------------


def by_hand(panels: Any, seed: int, sampler: str = "pymc") -> tuple[Draws, int]:
    """Draws, and how many diverged, from the textbook model."""
    import pymc as pm
    import pytensor.tensor as pt

    n, x = (panels.frame[c].to_numpy(int) for c in ("tastings", "correct"))
    z_weeks = _standard(panels)
    with pm.Model():
        mu, tau = pm.HalfNormal("mu", 1.5), pm.HalfNormal("tau", 0.5)
        beta = None if z_weeks is None else pm.Normal("beta", 0, 0.5)
        z = pm.Normal("z", 0, 1, shape=len(n))
        d = pt.abs(mu + tau * z if beta is None else mu + beta * z_weeks + tau * z)
        pm.Binomial("x", n=n, p=triangle(d, pt.exp), observed=x)
        kept = pm.sample(random_seed=seed, nuts_sampler=sampler, progressbar=False, cores=1)
    post = {
        name: np.asarray(kept["posterior"][name]) for name in ("mu", "tau", *(["beta"] if beta is not None else []))
    }
    return _quantities(z_weeks, **post), int(np.asarray(kept["sample_stats"]["diverging"]).sum())


def triangle(d: Any, exp: Callable[[Any], Any]) -> Any:
    """Chance of a correct answer in a triangle, ``1 - 4 T(d / sqrt 6, sqrt 3)``, with Owen's T as a plain integral."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    nodes, weights = (nodes + 1) * np.sqrt(3) / 2, weights * np.sqrt(3) / 2
    owen = exp(-0.5 * (d[:, None] ** 2 / 6) * (1 + nodes**2)) / (1 + nodes**2) / (2 * np.pi)
    return 1 - 4 * (owen * weights).sum(axis=1)


def with_nutpie(panels: Any, seed: int) -> tuple[Draws, int]:
    """The same by another sampler."""
    return by_hand(panels, seed, "nutpie")


def sampled(panels: Any, seed: int) -> tuple[Draws, int]:
    """What ``method="mcmc"`` draws."""
    import metasense as ms
    from metasense.core.evidence import collect
    from metasense.engine import sampler as mcmc

    found, z_weeks = collect(panels.frame), _standard(panels)
    if z_weeks is None:
        _, diagnostics, kept = mcmc.sample(found.evidence, found.copies, ms.Priors(), seed=seed)
        return _quantities(None, kept["mu"].to_numpy(), kept["tau"].to_numpy()), diagnostics.divergences
    every = [found.evidence[i] for i in found.index]
    _, diagnostics, kept = mcmc.sample_moderated(
        every, ms.Priors(), columns=z_weeks[:, None], names=["weeks"], seed=seed
    )
    beta = kept["beta"].isel(moderator=0).transpose("chain", "draw").to_numpy()
    return _quantities(z_weeks, kept["mu"].to_numpy(), kept["tau"].to_numpy(), beta), diagnostics.divergences


SAMPLERS: dict[str, Callable[..., tuple[Draws, int]]] = {
    "metasense, mcmc": sampled,
    "by hand": by_hand,
    "by hand, nutpie": with_nutpie,
}


def integrated(panels: Any) -> tuple[dict[str, Any], float]:
    """What the samplers are asked for, from the default pool; and its log evidence."""
    import metasense as ms

    if "weeks" not in panels.frame:
        pooled = ms.pool(panels)
        return {"average": pooled.average}, pooled.evidences.varying
    moderated = ms.pool(panels, moderators=["weeks"])
    average = moderated.at(weeks=float(panels.frame["weeks"].mean())).average
    return {"average": average, "slope": moderated.slope("weeks")}, moderated.log_evidence


def with_frame(panels: Any) -> None:
    """The default pool with the frame of its answer: next panel, spread and rates too."""
    import metasense as ms

    if "weeks" in panels.frame:
        ms.pool(panels, moderators=["weeks"]).to_frame()
    else:
        ms.pool(panels).to_frame()


def reference(panels: Any) -> tuple[dict[str, Any], float]:
    """The same with several times the nodes on every axis."""
    from unittest import mock

    from metasense.engine import box, grid

    whole = grid.integrate

    def finer(*evidence: Any, **_: Any) -> Any:
        return whole(*evidence, nodes=4 * grid.NODES - 3)

    with mock.patch.object(grid, "integrate", finer), mock.patch.dict(box.NODES, {3: 2 * box.NODES[3] - 1}):
        return integrated(panels)


def _standard(panels: Any) -> np.ndarray | None:
    if "weeks" not in panels.frame:
        return None
    weeks = panels.frame["weeks"].to_numpy(float)
    return (weeks - weeks.mean()) / weeks.std()


def _quantities(z: np.ndarray | None, mu: np.ndarray, tau: np.ndarray, beta: np.ndarray | None = None) -> Draws:
    from metasense.engine.posterior import average_d_prime

    draws = {"average": average_d_prime(mu, tau), "spread": tau}
    if beta is None or z is None:
        return draws
    return draws | {"slope": beta, "kept": (mu + beta * z.min()) * (mu + beta * z.max()) > 0}


# --- one data set and method, in a process of its own -----------------------------------------------------------------


def clock() -> float:
    """Seconds of the processor that this process and its finished children have used."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def work(data: str, method: str, seeds: list[int]) -> dict[str, Any]:
    """Pool once for each seed; times, diagnostics and quantiles."""
    logging.getLogger("pymc").setLevel(logging.ERROR)
    warnings.filterwarnings("ignore")
    panels = _panels(*DATA[data])  # type: ignore[arg-type]
    unit = 1.0 if "weeks" not in panels.frame else 1 / panels.frame["weeks"].to_numpy(float).std()  # slopes per week
    if method in ("metasense", "reference"):
        found, log_evidence = (integrated if method == "metasense" else reference)(panels)
        fresh = clock()
        said = {name: [*d.quantile(list(LEVELS)), d.sd] for name, d in found.items()}
        answer: dict[str, Any] = {"fresh": fresh, "log_evidence": log_evidence, "quantiles": [said]}
        if method == "metasense":
            answer |= {"times": timed(integrated, panels), "framed": float(np.median(timed(with_frame, panels)))}
        return answer
    from arviz_stats import ess, rhat

    times, quantiles, hats, sizes, divergences, fresh = [], [], [], [], 0, 0.0
    for seed in seeds:
        start = clock()
        draws, diverged = SAMPLERS[method](panels, seed)
        kept = draws.pop("kept", np.ones_like(draws["spread"], bool))
        quantiles.append(
            {
                k: list(np.quantile(v[kept], LEVELS) * (unit if k == "slope" else 1))
                for k, v in draws.items()
                if k != "spread"
            }
        )
        times.append(clock() - start)
        fresh = fresh or clock()
        divergences += diverged
        hats.append(max(float(rhat(v)) for v in draws.values()))
        sizes.append(min(float(ess(v)) for v in draws.values()))
    return {
        "fresh": fresh,
        "times": times[1:] or times,
        "divergences": divergences,
        "rhat": max(hats),
        "ess": min(sizes),
        "quantiles": quantiles,
    }


def timed(run: Callable[[Any], Any], panels: Any, times: int = 9) -> list[float]:
    """Seconds of each run."""
    out = []
    for _ in range(times):
        start = clock()
        run(panels)
        out.append(clock() - start)
    return out


def asked(*words: str) -> dict[str, Any]:
    """What a worker answered."""
    command = [sys.executable, __file__, "--worker", *words]
    done = subprocess.run(
        command, env={**os.environ, **ONE_CORE}, cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{words}: {done.stderr[-1500:]}")
    return dict(json.loads(done.stdout.splitlines()[-1]))


def compare(names: list[str], seeds: tuple[int, ...]) -> pd.DataFrame:
    """One row a data set and method."""
    rows = []
    methods = ["metasense", *(m for m in SAMPLERS if "nutpie" not in m or find_spec("nutpie"))]
    for name in names:
        truth = asked(name, "reference", "1")
        exact, base = truth["quantiles"][0], float("nan")
        for method in methods:
            got = asked(name, method, ",".join(map(str, seeds)))
            warm = float(np.median(got["times"]))
            base = warm if method == "metasense" else base
            off = [
                np.abs(np.subtract(said[k][:3], exact[k][:3])).max() / exact[k][3]
                for said in got["quantiles"]
                for k in said
            ]
            row = {"data": name, "method": method, "fresh (s)": got["fresh"], "warm (s)": warm, "ratio": warm / base}
            if method == "metasense":
                row["with frame (s)"] = got["framed"]
                row["log evidence off"] = abs(got["log_evidence"] - truth["log_evidence"])
            else:
                row |= {"divergences": got["divergences"], "R-hat": got["rhat"], "ESS/s": got["ess"] / warm}
            rows.append(row | {"error (sd)": max(off)})
            print(f"  {name}: {method}, {warm:.3g} s", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


# --- growth, imports, look-ups ----------------------------------------------------------------------------------------

_GROWTH = """
import json, resource, time
import numpy as np, pandas as pd
import metasense as ms
rng, size = np.random.default_rng(3), {size}
if {panels}:
    n = rng.integers(20, 61, size)
    test = np.array(["triangle", "duo-trio", "tetrad"])[rng.integers(0, 3, size)]
    x = np.empty(size, int)
    for name in np.unique(test):
        of = test == name
        x[of] = rng.binomial(n[of], ms.protocol(name).p_correct(np.abs(rng.normal(0.8, 0.4, of.sum()))))
    table = {{"panel": [f"P{{i}}" for i in range(size)], "protocol": test, "tastings": n, "correct": x}}
    start = time.process_time()
    read = ms.read_panels(table)
    reading, run = time.process_time() - start, lambda: ms.pool(read)
    run()
else:
    who = np.arange(size)
    table = pd.DataFrame({{
        "panel": np.char.add("P", (who // 25).astype(str)), "protocol": "triangle",
        "taster": np.char.add("T", (who % 5000).astype(str)), "correct": rng.integers(0, 2, size),
    }})
    reading, run = 0.0, lambda: ms.read_tastings(table).to_panels()
times = []
for _ in range(3):
    start = time.process_time()
    run()
    times.append(time.process_time() - start)
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(json.dumps({{"reading": reading, "seconds": min(times), "peak": peak}}))
"""


def fresh(code: str) -> tuple[float, str]:
    """Seconds of a fresh Python that runs `code`, and what it printed."""
    start = clock()
    command = [sys.executable, "-c", code]
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=ROOT, env={**os.environ, **ONE_CORE})
    return clock() - start, done.stdout


def scaling() -> pd.DataFrame:
    """Growth with the number of panels and of tastings; imports; look-ups."""
    rows: list[tuple[str, float, str]] = []
    for panels, sizes, what in (
        (True, (10, 100, 1000, 10_000, 100_000), "pool {:,} panels, warm"),
        (False, (10_000, 100_000, 1_000_000), "{:,} tastings read, checked, summarised"),
    ):
        seconds = []
        for size in sizes:
            got = json.loads(fresh(_GROWTH.format(size=size, panels=panels))[1])
            seconds.append(got["seconds"])
            rows.append((what.format(size), got["seconds"], "s"))
            rows.append(("    peak memory of the process", got["peak"], "MiB"))
        if panels:
            rows.append((f"    {sizes[-1]:,} panels read and checked", got["reading"], "s"))
        exponent = np.polyfit(np.log(sizes[-3:]), np.log(seconds[-3:]), 1)[0]
        rows.append((f"    seconds grow as the size to the power, from {sizes[-3]:,}", float(exponent), ""))
    codes = ("pass", "import pandas", "import metasense")
    bare, with_pandas, with_us = (
        min(times) for times in zip(*([fresh(c)[0] for c in codes] for _ in range(7)), strict=True)
    )
    rows.append(("import pandas, less bare Python", with_pandas - bare, "s"))
    rows.append(("import metasense, less bare Python", with_us - bare, "s"))
    first = "import metasense as ms; print(ms.pool('datasets/cider_fining.csv', margin=ms.Margin(p_d=0.2, protocol='triangle')))"
    rows.append(("first answer of a fresh Python (demo panels, printed)", min(fresh(first)[0] for _ in range(3)), "s"))
    look = "import lookup_refits as l; print(l.refits().to_json(orient='values'))"
    folder = str(Path(__file__).parent)
    for pool, plan, _, _, refits, _ in json.loads(fresh(f"import sys; sys.path.append({folder!r}); {look}")[1]):
        rows.append((f"look-ups: {pool}, {plan}", refits, "refits/s"))
    return pd.DataFrame(rows, columns=["what", "value", "unit"])


def clone() -> pd.DataFrame:
    """README's first command, as it stands there, in a clean clone: from nothing to the answer and the page."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = re.findall(r"```sh\n(.+?)\n```", readme, re.DOTALL)[0]
    with tempfile.TemporaryDirectory() as folder:
        programs, there = Path(folder, "bin"), Path(folder, "clone")
        programs.mkdir()
        (programs / "python3").symlink_to(getattr(sys, "_base_executable", sys.executable))
        env = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV", "PYTHONHOME")}
        start = time.perf_counter()
        subprocess.run(["git", "clone", "--quiet", str(ROOT), str(there)], check=True)
        path = f"{programs}{os.pathsep}{env['PATH']}"
        done = subprocess.run(
            command, shell=True, cwd=there, env={**env, "PATH": path}, capture_output=True, text=True, check=False
        )
        took = time.perf_counter() - start
        assert done.returncode in (0, 1) and (there / "cider.html").exists(), done.stderr[-2000:]
    return pd.DataFrame(
        [("clean clone to the first answer (README's first command)", took, "s")], columns=["what", "value", "unit"]
    )


def bars(compared: pd.DataFrame, scaled: pd.DataFrame) -> pd.DataFrame:
    """What this project set itself, beside what was measured."""
    of = compared.set_index(["data", "method"])
    ours, value = compared[compared["method"] == "metasense"], scaled.set_index("what")["value"]
    chains = compared[compared["method"] == "metasense, mcmc"]
    lookups = value[value.index.str.startswith("look-ups")]
    rows: list[tuple[str, float, bool]] = []

    def bar(what: str, measured: float, met: bool) -> None:
        rows.append((what, measured, bool(met)))

    ten, framed, hand = (
        of["warm (s)"]["10", "metasense"],
        of["with frame (s)"]["10", "metasense"],
        of["ratio"]["10", "by hand"],
    )
    bar("10 panels pooled < 0.015 s", ten, ten < 0.015)
    bar("10 panels pooled, with the frame of the answer, < 0.03 s", framed, framed < 0.03)
    bar("times faster than by hand, 10 panels, >= 200", hand, hand >= 200)
    bar("log evidence off by at most 1e-5", ours["log evidence off"].max(), ours["log evidence off"].max() <= 1e-5)
    plain = ours.loc[ours["data"] != "moderator", "error (sd)"].max()
    bar("quantiles off by at most 1e-3 sd, without moderators", plain, plain <= 1e-3)
    bar("mcmc: divergences, none", chains["divergences"].sum(), chains["divergences"].sum() == 0)
    bar("mcmc: R-hat < 1.01", chains["R-hat"].max(), chains["R-hat"].max() < 1.01)
    for what, limit in (
        ("pool 100,000 panels, warm", 2.0),
        ("1,000,000 tastings read, checked, summarised", 3.0),
        ("import metasense, less bare Python", 0.05),
    ):
        bar(f"{what} < {limit:g} s", value[what], value[what] < limit)
    bar("look-ups a second, the slowest plan, >= 5000", lookups.min(), lookups.min() >= 5000)
    return pd.DataFrame(rows, columns=["bar", "measured", "met"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="two data sets, one seed, nothing else")
    parser.add_argument("--scaling", action="store_true", help="only growth, imports and look-ups")
    parser.add_argument("--clone", action="store_true", help="only README's first command from a clean clone")
    parser.add_argument("--worker", nargs=3, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.worker:
        data, method, seeds = chosen.worker
        print(json.dumps(work(data, method, [int(s) for s in seeds.split(",")])))
        return
    os.environ |= ONE_CORE
    names = " ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas", "pymc"))
    print(f"Python {sys.version.split()[0]}, {names}, {os.cpu_count()} cores, one of them used")
    compared = scaled = None
    if not (chosen.scaling or chosen.clone):
        compared = compare(["10", "null"] if chosen.quick else list(DATA), SEEDS[:1] if chosen.quick else SEEDS)
        print(compared.to_string(index=False, float_format="{:.4g}".format, na_rep=""), flush=True)
    if not (chosen.quick or chosen.clone):
        scaled = scaling()
        print(scaled.to_string(index=False, float_format="{:,.4g}".format), flush=True)
    if chosen.clone:
        print(clone().to_string(index=False, float_format="{:.0f}".format))
    if compared is not None and scaled is not None:
        print(bars(compared, scaled).to_string(index=False, float_format="{:.4g}".format))


if __name__ == "__main__":
    main()
