"""Are the posteriors, intervals and verdicts of metasense as sure as they say? One command, one table.

    python tests/calibration/run.py                    # all of it: some hours on one core
    python tests/calibration/run.py pool truths        # some suites by name
    python tests/calibration/run.py --runs 100         # fewer simulated data sets in each
    python tests/calibration/run.py --list

The first part draws truths from the priors: the position of the truth in each posterior must be spread evenly over
[0, 1]. "mean off" is the error of its mean (0 is right), "in SEs" the same in standard errors, KS the distance from
even with its p-value, and "in 95%" the share of truths inside the equal-tailed interval. The others fix the truth:
coverage and warnings (``truths``), wrong verdicts (``verdicts``), moderators, batch pairs, repeat tasters, preferences and one panel alone
(``moderator-truths`` and so on), unlisted panels (``drawer``), panels of which some have nothing (``some-truths``) or
all have (``null-truths``), panels that break what a pool takes for granted (``violations``), the check of fit
(``fit``), many variables together (``shelf``); or they take open data whose answers are known (``open-data``).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from calibration import (  # noqa: E402 - found once the path is set
    coverage_single,
    drawer_coverage,
    fit_power,
    moderator_recovery,
    nesting_recovery,
    null_truths,
    open_data,
    preference_coverage,
    ranks,
    repeats_coverage,
    sbc,
    shelf_recovery,
    some_panels,
    truths,
    violations,
)


def simulated(name: str, runs: int | None) -> pd.DataFrame:
    """Positions of the truths in one kind of posterior."""
    study = sbc.STUDIES[name]
    return ranks.table(study.name, ranks.positions(study.one, min(runs or study.runs, study.runs), seed=1))


def fixed_truths(runs: int | None) -> pd.DataFrame:
    """Coverage, bias and warnings at fixed truths."""
    sets = runs or 150
    rows = [
        truths.coverage(truth, *design, sets=sets, checked=max(sets // 3, 10))
        for design in truths.DESIGNS
        for truth in truths.TRUTHS
    ]
    return pd.DataFrame(rows)


def wrong_verdicts(runs: int | None) -> pd.DataFrame:
    """How often verdicts are wrong."""
    return pd.DataFrame([
        row for test in ("triangle", "tetrad") for panels in truths.SIZES
        for row in truths.wrong_verdicts(test, panels, 30, sets=runs or 75)
    ])  # fmt: skip


def recovered(module: ModuleType, runs: int | None) -> pd.DataFrame:
    """Coverage of the 95 % intervals where the truth is fixed."""
    return pd.DataFrame([module.study(case, runs or 200) for case in module.CASES if case.truth])


def repeat_tasters(runs: int | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Coverage of one panel's p_d and of a pool's average d-prime, tasters kept apart or not."""
    return repeats_coverage.one_panel(5 * (runs or 200)), repeats_coverage.pool_of_panels(runs or 200)


def alone(runs: int | None) -> pd.DataFrame:
    """Coverage of each kind of interval of one panel, by listing its counts: its least and its mean over true p_d."""
    kinds = list(coverage_single.KINDS)
    found = coverage_single.table(("triangle", "duo-trio", "tetrad", "2-AFC"))
    found = found[found["p_d"] > 0].groupby(["protocol", "tastings"], sort=False)[kinds]
    return pd.concat({"least": found.min(), "mean": found.mean()}, axis=1).reset_index()


def unlisted(runs: int | None) -> pd.DataFrame:
    """Coverage and bias of the average d-prime when panels that showed nothing are kept back."""
    cases = [(*truth, omega) for omega in (0.0, 0.1, 1.0) for truth in drawer_coverage.TRUTHS]
    return pd.concat([drawer_coverage.study(*case, sets=runs or 300) for case in cases])


def objections(runs: int | None) -> pd.DataFrame:
    """How often the check of fit objects, to what it should object to and to what it should not."""
    cases = [(truth, *size) for size in fit_power.SIZES for truth in fit_power.TRUTHS]
    return pd.DataFrame([fit_power.study(*case, sets=runs or 50) for case in cases])


SUITES: dict[str, Callable[[int | None], pd.DataFrame | tuple[pd.DataFrame, ...]]] = {
    **{name: (lambda runs, name=name: simulated(name, runs)) for name in sbc.STUDIES},
    "truths": fixed_truths,
    "verdicts": wrong_verdicts,
    "moderator-truths": lambda runs: recovered(moderator_recovery, runs),
    "nesting-truths": lambda runs: recovered(nesting_recovery, runs),
    "single-truths": alone,
    "repeats-truths": repeat_tasters,
    "preference-truths": lambda runs: preference_coverage.table(runs or 50),
    "drawer": unlisted,
    "fit": objections,
    "some-truths": lambda runs: some_panels.table(runs or 200),
    "null-truths": lambda runs: null_truths.table(runs or 200),
    "violations": lambda runs: violations.table(runs or 200),
    "shelf": lambda runs: (*shelf_recovery.shelves(runs or 100), *shelf_recovery.ranked(runs or 500)),
    "open-data": lambda runs: open_data.tables(),
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("suites", nargs="*", metavar="suite", help="all by default")
    parser.add_argument("--runs", type=int, help="simulated data sets in each suite, at most the full number")
    parser.add_argument("--list", action="store_true", help="name the suites")
    chosen = parser.parse_args()
    if chosen.list:
        print("\n".join(SUITES))
        return 0
    unknown = [name for name in chosen.suites if name not in SUITES]
    if unknown:
        parser.error(f"there is no suite {', '.join(unknown)}; there is {', '.join(SUITES)}")
    smallest, tests = 1.0, 0
    for name in chosen.suites or SUITES:
        start = time.perf_counter()
        found = SUITES[name](chosen.runs)
        seconds = time.perf_counter() - start
        for table in found if isinstance(found, tuple) else (found,):
            print(table.round(4).to_string(index=False, na_rep=""))
            if "p" in table:
                smallest, tests = min(smallest, table["p"].min()), tests + len(table)
        print(f"-- {name}: {seconds:.0f} s\n", flush=True)
    if tests:
        print(
            f"smallest of {tests} p-values: {smallest:.4f}; by chance alone it is below {0.05 / tests:.5f} "
            "in one run of 20"
        )
        return int(smallest < 1e-3 / tests)
    return 0


if __name__ == "__main__":
    sys.exit(main())
