"""What goes wrong around metasense, and what it does then. One command, one table.

    python tests/faults/run.py                 # all of it: about half an hour on one core
    python tests/faults/run.py "full disk"     # some checks by name
    python tests/faults/run.py --small         # fewer cases in each
    python tests/faults/run.py --list

"cases" were tried, "refused" of them ended in one error in words, the others in a right answer. "fault" is anything
else: a traceback, a stray nan, a lost row, half a file, an answer that depends on the surroundings.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from faults import inputs, saved_pools, surroundings, writers  # noqa: E402 - found once the path is set

CHECKS = {**inputs.CHECKS, **surroundings.CHECKS, **surroundings.SAMPLING, **writers.CHECKS, **saved_pools.CHECKS}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("checks", nargs="*", metavar="check", help="all by default")
    parser.add_argument("--small", action="store_true", help="fewer cases in each check")
    parser.add_argument("--list", action="store_true", help="name the checks")
    chosen = parser.parse_args()
    if chosen.list:
        print("\n".join(CHECKS))
        return 0
    unknown = [name for name in chosen.checks if name not in CHECKS]
    if unknown:
        parser.error(f"there is no check {', '.join(unknown)}; there is {', '.join(CHECKS)}")
    faults = 0
    print(f"{'what':<26}{'cases':>8}{'refused':>9}  {'outcome':<8}{'s':>6}")
    for name in chosen.checks or CHECKS:
        check, small = CHECKS[name]
        start, said, cases, refused = time.perf_counter(), "", 0, 0
        with tempfile.TemporaryDirectory() as folder:
            try:
                cases, refused = check(Path(folder), **(small if chosen.small else {}))
                outcome = "ok"
            except surroundings.Impossible as reason:
                outcome, said = "untried", str(reason)
            except Exception as fault:
                outcome, said = "FAULT", f"{type(fault).__name__}: {fault}"
                faults += 1
        print(f"{name:<26}{cases:>8}{refused:>9}  {outcome:<8}{time.perf_counter() - start:>6.0f}", flush=True)
        if said:
            print(f"    {said}")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
