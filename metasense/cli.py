"""The command line: ``metasense check FILE`` and ``metasense pool FILE``, thin around what notebooks use.

Exit code 0: fine. 1: answered, with warnings that matter. 2: cannot be answered; the reason is on stderr.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

FINE, WARNED, FAILED = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Examples
    --------
    >>> main(["check", "no_such_file.csv"])
    2
    """
    parser = _parser()
    try:
        chosen = parser.parse_args(arguments)
    except SystemExit as end:  # argparse has said why, or shown its help
        return int(end.code or 0)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a narrow terminal encoding must not cost the answer
    try:
        return int(chosen.run(chosen))
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return FAILED
    except (ValueError, ArithmeticError, OSError, ImportError) as error:  # PanelsError and IntegrationError included
        print(_said(error), file=sys.stderr)
        return FAILED


def _said(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return f"{error.filename or 'the file'}: {error.strerror}."
    return str(error)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="metasense",
        description="Pool sensory panels on one variable and say what is now known.",
        epilog="exit code: 0 fine, 1 answered with warnings that matter, 2 cannot be answered",
    )
    commands = parser.add_subparsers(required=True, metavar="command")

    check = commands.add_parser("check", help="read a table of panels and say what is in it")
    check.set_defaults(run=_check)

    pooling = commands.add_parser("pool", help="pool the panels of a table and give the answer")
    pooling.add_argument(
        "--margin", metavar="TEXT", help='smallest difference that matters, e.g. "0.2 triangle" (a p_d) or "d\'=0.5"'
    )
    pooling.add_argument("--report", metavar="PAGE.html", help="write the answer as one self-contained page")
    pooling.add_argument("--method", choices=("grid", "mcmc"), default="grid", help="integration (default) or sampling")
    pooling.add_argument("--seed", type=int, default=1, help="seed of everything random (default 1)")
    pooling.set_defaults(run=_pool)

    for command in (check, pooling):
        command.add_argument("file", help="CSV, TSV, Excel or Parquet, one row a panel")
        command.add_argument("--sheet", help="which sheet of an Excel file")
    return parser


def _check(chosen: argparse.Namespace) -> int:
    from metasense.panels import read_panels

    panels = read_panels(chosen.file, sheet=chosen.sheet)
    print(panels)
    return FINE


def _pool(chosen: argparse.Namespace) -> int:
    from metasense.margins import Margin
    from metasense.panels import read_panels
    from metasense.pooling.pooled import pool

    margin = None if chosen.margin is None else Margin.parse(chosen.margin)
    panels = read_panels(chosen.file, sheet=chosen.sheet)
    pooled = pool(panels, margin=margin, method=chosen.method, seed=chosen.seed, progress=sys.stderr.isatty())
    print(pooled)
    if chosen.report:
        print(f"\nWrote {pooled.report(chosen.report)}.")
    return WARNED if pooled.warnings else FINE
