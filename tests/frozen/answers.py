"""Every number and every text that the package gives for the demos and for sixty made-up pools, to hold two trees together.

    nice -n 5 python tests/frozen/answers.py write before.json.gz      # in the one tree
    nice -n 5 python tests/frozen/answers.py write after.json.gz       # in the other
    python tests/frozen/answers.py compare before.json.gz after.json.gz

Before files are moved or a name is given up, write; afterwards, write again and compare: nothing may differ. Numbers
differ by more than 1e-12 (of their size where that is above 1), texts by a character; days, places, versions and
identities are taken out of them first, and figures are kept as digests. The exit code is 0 where all agree, else 1.

    --numbers, --texts    compare only these
    --common              where a name was given up or added, list it and compare the others only
    --only claims plans   write these parts only
    --quick               write without PyMC and with every third made-up pool; compare these with --common
    --times               say what took longest
    --jobs 2              share the parts among processes

The files are not kept with the package: they are large, and hold only for one set of versions of NumPy, SciPy, pandas
and matplotlib (`compare` says where these differ). Both must be written on one machine, with one environment. Where a
name moves, adapt ``reach.py`` and leave its keys alone.
"""

from __future__ import annotations

import argparse
import difflib
import gzip
import itertools
import json
import math
import multiprocessing
import os
import sys
import tempfile
import time
import warnings
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

if __name__ == "__main__":  # nothing of this for those who import the file: settings go on to all they start
    for _name in (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
    ):  # sums in one order; before NumPy loads
        os.environ.setdefault(_name, "1")
    os.environ.setdefault("MPLBACKEND", "agg")
    os.environ.setdefault("COLUMNS", "100")  # argparse folds its help to the terminal
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from frozen.record import Record, kind, versions  # noqa: E402 - found once the path is set

TOLERANCE = 1e-12
Answers = dict[str, Any]


def written(parts: list[str] | None = None, *, quick: bool = False, times: bool = False, jobs: int = 1) -> Answers:
    """All answers of this tree, the parts shared among `jobs` processes."""
    from frozen.computed import PARTS, SLOW

    names = [name for name in PARTS if (not parts or name in parts) and not (quick and name in SLOW)]
    if jobs == 1:
        records = [_part(name) for name in names]
    else:
        with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as shared:
            records = list(shared.map(_part, names))
    numbers: dict[str, Any] = {}
    texts: dict[str, Any] = {}
    results: Counter[str] = Counter()
    skipped: Counter[str] = Counter()
    seconds: Counter[str] = Counter()
    for record in records:
        assert not numbers.keys() & record.numbers.keys() and not texts.keys() & record.texts.keys()
        numbers |= record.numbers
        texts |= record.texts
        results += record.results
        skipped += record.skipped
        seconds += record.seconds
    for what, count in sorted(skipped.items()):
        print(f"not recorded, {count} times: {what}", file=sys.stderr)
    for what, spent in seconds.most_common(40 if times else 0):
        print(f"{spent:8.1f} s  {what}", file=sys.stderr)
    about = {"versions": versions(), "results": dict(sorted(results.items()))}
    return {"about": about, "numbers": numbers, "texts": texts}


def _part(name: str) -> Record:
    from frozen.computed import PARTS

    start = time.process_time()
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        record = Record(Path(folder))
        PARTS[name](record)
    print(f"{name}: {time.process_time() - start:.0f} s of the processor", file=sys.stderr, flush=True)
    return record


def keep(answers: Answers, path: Path) -> None:
    """Write JSON with sorted keys, compact; compressed where the name ends in .gz."""
    text = json.dumps(answers, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    data = text.encode("utf-8", "surrogatepass")
    path.write_bytes(gzip.compress(data, 6, mtime=0) if path.suffix == ".gz" else data)


def read(path: Path) -> Answers:
    """What `keep` wrote."""
    data = path.read_bytes()
    return json.loads((gzip.decompress(data) if path.suffix == ".gz" else data).decode("utf-8", "surrogatepass"))


def same_number(one: float, other: float) -> bool:
    """Whether two numbers agree, those that are none with each other."""
    if isinstance(one, int) and isinstance(other, int):
        return one == other
    if math.isnan(one) or math.isnan(other):
        return math.isnan(one) and math.isnan(other)
    if math.isinf(one) or math.isinf(other):
        return one == other
    return abs(one - other) <= TOLERANCE * max(1.0, abs(one), abs(other))


def differing(one: Any, other: Any, *, numbers: bool) -> list[str]:
    """Each number or text of one entry that is not the other's, said in a line or a few."""
    ones = one if isinstance(one, list) else [one]
    others = other if isinstance(other, list) else [other]
    if len(ones) != len(others) or isinstance(one, list) != isinstance(other, list):
        return [f"{len(ones)} values before, {len(others)} after"]
    pairs = enumerate(zip(ones, others, strict=True))
    if numbers:
        return [f"[{i}] {a!r} became {b!r} ({b - a:+.3g})" for i, (a, b) in pairs if not same_number(a, b)]
    return [f"[{i}]\n{_changed(a, b)}" for i, (a, b) in pairs if a != b]


def _changed(one: str, other: str) -> str:
    """The first lines that differ, shortened to where they do."""
    lines = difflib.unified_diff(one.splitlines(), other.splitlines(), lineterm="", n=0)
    gone, come = "", ""
    for line in itertools.islice(lines, 3, 40):
        if line.startswith("-") and not gone:
            gone = line[1:]
        elif line.startswith("+") and not come:
            come = line[1:]
    alike = sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], zip(gone, come, strict=False)))
    start = max(alike - 60, 0)
    return f"      - {gone[start : start + 220]}\n      + {come[start : start + 220]}"


def compare(
    before: Answers, after: Answers, *, sorts: tuple[str, ...] = ("numbers", "texts"), common: bool = False
) -> tuple[str, bool]:
    """All that differs, by kind with counts and an example each; and whether nothing does."""
    lines: list[str] = []
    fine = True
    for name, was in before["about"]["versions"].items():
        now = after["about"]["versions"].get(name)
        if was != now and name != "metasense":
            lines.append(f"note: {name} was {was} and is {now}")
    for sort in sorts:
        one, other = before[sort], after[sort]
        for what, keys in (("gone", one.keys() - other.keys()), ("new", other.keys() - one.keys())):
            lines += _listed(f"{sort} {what}", {key: [] for key in keys})
            fine = fine and (common or not keys)
        found = {
            key: differing(one[key], other[key], numbers=sort == "numbers") for key in sorted(one.keys() & other.keys())
        }
        found = {key: said for key, said in found.items() if said}
        lines += _listed(f"{sort} that differ", found)
        fine = fine and not found
        total = sum(len(value) if isinstance(value, list) else 1 for value in one.values())
        wrong = sum(map(len, found.values()))
        lines.append(f"{sort}: {total} before, in {len(one)} places; {wrong} differ, in {len(found)} places")
    return "\n".join(lines), fine


def _listed(title: str, found: dict[str, list[str]]) -> list[str]:
    groups: dict[str, list[str]] = defaultdict(list)
    for key in sorted(found):
        groups[kind(key)].append(key)
    lines = [f"=== {title}: {len(found)} places of {len(groups)} kinds"] if found else []
    for group, keys in sorted(groups.items(), key=lambda item: (-len(item[1]), item[0])):
        lines.append(f"{len(keys):5d} x {group}\n      e.g. {keys[0]}")
        lines += [f"      {said}" for said in found[keys[0]][:1]]
    return lines


def counted(answers: Answers) -> str:
    """How much there is."""
    totals = {
        sort: sum(len(v) if isinstance(v, list) else 1 for v in answers[sort].values()) for sort in ("numbers", "texts")
    }
    results = sum(answers["about"]["results"].values())
    return f"{totals['numbers']} numbers, {totals['texts']} texts, {results} results taken apart"


def main(arguments: list[str] | None = None) -> int:
    """Write or compare."""
    parser = argparse.ArgumentParser(description="Hold the answers of two trees together.")
    commands = parser.add_subparsers(required=True, dest="command")
    writing = commands.add_parser("write")
    writing.add_argument("file", type=Path)
    writing.add_argument("--only", nargs="+", metavar="PART")
    writing.add_argument("--quick", action="store_true")
    writing.add_argument("--times", action="store_true")
    writing.add_argument("--jobs", type=int, default=1)
    comparing = commands.add_parser("compare")
    comparing.add_argument("before", type=Path)
    comparing.add_argument("after", type=Path)
    which = comparing.add_mutually_exclusive_group()
    which.add_argument("--numbers", action="store_true")
    which.add_argument("--texts", action="store_true")
    comparing.add_argument("--common", action="store_true")
    chosen = parser.parse_args(arguments)
    if chosen.command == "write":
        answers = written(chosen.only, quick=chosen.quick, times=chosen.times, jobs=chosen.jobs)
        keep(answers, chosen.file)
        print(counted(answers))
        return 0
    sorts = ("numbers",) if chosen.numbers else ("texts",) if chosen.texts else ("numbers", "texts")
    said, fine = compare(read(chosen.before), read(chosen.after), sorts=sorts, common=chosen.common)
    print(said)
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main())
