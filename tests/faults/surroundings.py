"""Faults around the program: killed, crowded, without rights, room, display, compiler or network, in another language.

`main_path.py` does all that a user does in one evening; in odd surroundings it must print what it prints in plain ones.
Each check returns how many cases it tried and how many of them ended in an error in words, and raises AssertionError
with the first fault. Those that cannot be tried on this machine raise `Impossible`.
"""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
TABLE = """panel,protocol,tastings,correct,date,blind,reported,notes
Spring,triangle,24,13,2025-03-04,double,yes,fine
Summer,duo-trio,30,19,2025-06-01,double,yes,
Autumn,tetrad,22,9,2025-10-30,single,no,"cold, late"
Winter,triangle,28,11,2025-12-02,double,yes,
"""
LIMIT = 300  # seconds for one child
Result = tuple[int, int]


class Impossible(Exception):
    """This machine does not allow the fault to be tried; says why."""


def child(
    code: list[str] | str,
    *arguments: str,
    cwd: Path | None = None,
    options: tuple[str, ...] = (),
    **environment: str | None,
) -> subprocess.CompletedProcess[str]:
    """Run Python in a process of its own; a string is code, a list words for Python. None unsets a variable."""
    own = {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1", "MPLBACKEND": None} | environment
    env = {k: v for k, v in {**os.environ, **own}.items() if v is not None}
    words = ["-c", textwrap.dedent(code)] if isinstance(code, str) else code
    return subprocess.run(
        [sys.executable, *options, *words, *arguments], env=env, cwd=cwd, capture_output=True, text=True, timeout=LIMIT,
        encoding="utf-8", check=False,
    )  # fmt: skip


def evening(folder: Path, method: str = "grid", *, before: str = "", **odd: Any) -> str:
    """What `main_path.py` prints after the code of `before`; a failure is a fault."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "panels.csv").write_text(TABLE, encoding="utf-8")
    start = f"""
        import runpy, sys
        {textwrap.indent(textwrap.dedent(before), " " * 8).strip()}
        sys.argv = ["main_path.py", {str(folder)!r}, {method!r}]
        runpy.run_path({str(HERE / "main_path.py")!r}, run_name="__main__")
    """
    done = child("\n".join(line[8:] for line in start.splitlines()), **odd)
    assert done.returncode == 0, f"exit {done.returncode}: {done.stderr[-1500:]}"
    assert "Traceback" not in done.stderr, done.stderr[-1500:]
    if method != "mcmc":
        assert (folder / "page.html").read_text(encoding="utf-8").startswith("<!doctype html>"), "no page"
    assert not list(folder.glob(".*.part")), "a scratch file was left"
    return done.stdout.replace(str(folder), "FOLDER")


@cache
def plain(base: Path, method: str = "grid") -> str:
    """What is printed in plain surroundings."""
    return evening(base / f"plain {method}", method)


def same(base: Path, name: str, method: str = "grid", **odd: Any) -> Result:
    """The evening in odd surroundings prints what it prints in plain ones."""
    found, expected = evening(base / name, method, **odd), plain(base, method)
    if found != expected:
        pairs = zip(found.splitlines(), expected.splitlines(), strict=False)
        raise AssertionError(next((f"{a!r} instead of {b!r}" for a, b in pairs if a != b), "more or fewer lines"))
    return 1, 0


# --- surroundings that must not matter --------------------------------------------------------------------------------


def no_display(base: Path) -> Result:
    """Neither a display nor a matplotlib backend named."""
    return same(base, "no display", DISPLAY=None, WAYLAND_DISPLAY=None)


def hash_seeds(base: Path, *, seeds: tuple[str, ...] = ("0", "1", "4242", "random")) -> Result:
    """Sets and dicts in another order."""
    for seed in seeds:
        same(base, f"hash {seed}", PYTHONHASHSEED=seed)
    return len(seeds), 0


def optimised(base: Path) -> Result:
    """Assertions and docstrings stripped."""
    return same(base, "optimised", options=("-OO",))


def warnings_as_errors(base: Path) -> Result:
    """Any warning of NumPy, pandas or ours stops the evening."""
    return same(base, "warnings", options=("-W", "error"))


def elsewhere(base: Path) -> Result:
    """Another working directory, which is gone by the time the work starts."""
    (base / "away").mkdir(exist_ok=True)
    # not on the search path: there, Python 3.13 by itself cannot even import NumPy once the folder is gone
    return same(base, "elsewhere", cwd=base / "away", options=("-P",), before="import os\nos.rmdir(os.getcwd())")


def odd_paths(base: Path) -> Result:
    """Folders with spaces, quotes, accents, emoji and a percent sign."""
    for name in ("with space", "it's 100 % 'ours'", "caf\u00e9 \U0001f37a", "\u4e2d\u6587 [1] #2"):
        same(base, name)
    return 4, 0


def decimal_comma(base: Path) -> Result:
    """A German locale with a decimal comma, switched on for everything."""
    locales = base / "locales"
    locales.mkdir(exist_ok=True)
    made = locales / "de_DE.UTF-8"
    if not made.exists():
        if shutil.which("localedef") is None:
            raise Impossible("no localedef to make a German locale with")
        done = subprocess.run(
            ["localedef", "-i", "de_DE", "-f", "UTF-8", str(made)], capture_output=True, text=True, check=False
        )
        if not made.exists():
            raise Impossible(f"no German locale: {done.stderr.strip()[:80]}")
    before = "import locale\nlocale.setlocale(locale.LC_ALL, '')\nassert locale.localeconv()['decimal_point'] == ','"
    return same(base, "comma", before=before, LOCPATH=str(locales), LC_ALL="de_DE.UTF-8")


def ascii_terminal(base: Path) -> Result:
    """A terminal that knows ASCII only: the command line answers."""
    (base / "panels.csv").write_text(TABLE.replace("Spring", "Fr\u00fchling \U0001f337"), encoding="utf-8")
    narrow = {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = child(["-m", "metasense"], "pool", str(base / "panels.csv"), **narrow)
    assert done.returncode in (0, 1) and "would be right" in done.stdout and not done.stderr, done.stderr[-500:]
    return 1, 0


# A wall that does not rely on the program's manners: every connection and every look-up of a name is an error.
NO_NETWORK = """
def wall(event, arguments):
    if event in ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.bind", "urllib.Request"):
        print("network touched:", event, arguments, file=sys.stderr, flush=True)
        import os; os._exit(9)
sys.addaudithook(wall)
"""


def no_network(base: Path) -> Result:
    """Reading, pooling, figures, page, saving and loading never reach for the network."""
    done = child("import sys, socket\n" + NO_NETWORK + "socket.socket().connect(('127.0.0.1', 9))")
    assert done.returncode == 9, "the wall is not there"
    return same(base, "no network", before=NO_NETWORK)


def no_network_sampling(base: Path) -> Result:
    """Nor does sampling."""
    return same(base, "no network, sampled", "mcmc", before=NO_NETWORK)


def no_compiler(base: Path) -> Result:
    """Sampling without any C compiler, and with an empty cache of compiled code."""
    empty, cache_ = base / "no programs", base / "new cache"
    empty.mkdir(exist_ok=True)
    return same(
        base, "no compiler", "mcmc", PATH=str(empty), CC=None, CXX=None, PYTENSOR_FLAGS=f"base_compiledir={cache_}"
    )


def no_nutpie(base: Path) -> Result:
    """Sampling without the optional faster sampler gives the draws it gives with it there."""
    return same(base, "no nutpie", "mcmc", before="sys.modules['nutpie'] = None")


def same_seed(base: Path) -> Result:
    """The same seed gives the same draws in two processes, and another seed gives others."""
    code = """
        import sys, hashlib, metasense as ms
        for seed in sys.argv[2:]:
            pooled = ms.pool(sys.argv[1], seed=int(seed))
            print(hashlib.sha256(pooled.draws["d_prime"].to_numpy().tobytes()).hexdigest())
    """
    (base / "panels.csv").write_text(TABLE, encoding="utf-8")
    first, other = child(code, str(base / "panels.csv"), "5", "6").stdout.splitlines()
    second = child(code, str(base / "panels.csv"), "5").stdout.strip()
    assert first == second and len(first) == 64, "the same seed gave other draws"
    assert other != first, "another seed gave the same draws"
    return 3, 0


def same_seed_sampling(base: Path) -> Result:
    """The same seed gives the same sample in two processes with other hash seeds."""
    return same(base, "sampled again", "mcmc", PYTHONHASHSEED="77")


# --- writing files ----------------------------------------------------------------------------------------------------

WRITERS = {
    "pool.nc": "pooled.save(path, overwrite=True)",
    "page.html": "pooled.report(path, overwrite=True)",
    "panels.csv": "pooled.panels.to_csv(path, overwrite=True)",
}
_WRITING = """
    import os, random, signal, sys, time
    from pathlib import Path
    import metasense as ms
    folder, rounds, workers = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    counts = {{"protocol": "triangle", "tastings": 24, "correct": [8 + i % 3 for i in range(200)]}}
    tables = [{{"panel": [f"{{side}}{{i}}" for i in range(200)]}} | counts for side in "AB"]
    pools = [ms.pool(table, seed=1) for table in tables]
    for pooled in pools:  # once for all, so that a child only writes
        pooled.draws, pooled.notes
    path, whole = folder / {name!r}, set()
    for pooled in pools:
        {write}
        whole.add(len(path.read_bytes()))

    def is_whole():
        if path.suffix == ".nc":
            return {{name[0] for name in ms.load(path).panels.frame["panel"]}} in ({{"A"}}, {{"B"}})
        if path.suffix == ".csv":
            names = ms.read_panels(path).frame["panel"]
            return len(names) == 200 and {{name[0] for name in names}} in ({{"A"}}, {{"B"}})
        text = path.read_text(encoding="utf-8")
        return text.rstrip().endswith("</html>") and (">A199<" in text) != (">B199<" in text)

    assert is_whole()
    left = killed_writing = 0
    for turn in range(rounds):
        children = []
        for worker in range(workers):
            pid = os.fork()
            if pid == 0:
                devnull = os.open(os.devnull, os.O_WRONLY)
                os.dup2(devnull, 2)
                while True:
                    for pooled in pools[worker % 2 :] + pools[: worker % 2]:
                        {write}
            children.append(pid)
        end = time.time() + random.Random(turn).uniform(*{wait})
        while time.time() < end:
            if workers > 1:
                assert is_whole(), "a reader met half a file"
            time.sleep(0.002)
        end = time.time() + 3 * (workers == 1 and turn % 2)
        while time.time() < end and not list(folder.glob(".*.part")):
            pass  # every second time right into a write
        for pid in children:
            os.kill(pid, signal.SIGKILL)
            assert os.WIFSIGNALED(os.waitpid(pid, 0)[1]), "a writer ended by itself"
        scratch = list(folder.glob(".*.part"))
        killed_writing += bool(scratch)
        for old in scratch:
            old.unlink()
        assert is_whole(), f"after kill {{turn}} the file is not whole"
    print(rounds * workers, killed_writing)
"""


def _written(base: Path, rounds: int, workers: int, files: tuple[str, ...]) -> Result:
    cases = caught = 0
    for name in files:
        folder = base / f"{workers} writers of {name}"
        folder.mkdir()
        wait = (0.05, 1.2) if name == "page.html" else (0.001, 0.2)
        code = _WRITING.format(name=name, write=WRITERS[name], wait=wait)
        done = child(code, str(folder), str(rounds), str(workers))
        assert done.returncode == 0, f"{name}: {done.stderr[-600:]}"
        tried, in_the_middle = map(int, done.stdout.split())
        cases, caught = cases + tried, caught + in_the_middle
    assert caught or workers > 1, "no kill fell into a write; the check says nothing"
    return cases, 0


def killed(base: Path, *, rounds: int = 60, files: tuple[str, ...] = tuple(WRITERS)) -> Result:
    """Killed at a random moment while saving, reporting or exporting: the file there is whole, the old or the new."""
    return _written(base, rounds, 1, files)


def two_writers(base: Path, *, rounds: int = 12, files: tuple[str, ...] = ("pool.nc", "panels.csv")) -> Result:
    """Two processes write one file without end; a reader never meets half of one."""
    return _written(base, rounds, 2, files)


_REFUSED = """
    import os, sys
    from pathlib import Path
    import metasense as ms
    from metasense.cli import main
    folder = Path(sys.argv[1])
    pooled = ms.pool(folder / "panels.csv")
    pooled.report(folder / "page.html"), pooled.save(folder / "pool.nc"), pooled.panels.to_csv(folder / "again.csv")
    card = ms.Card(question="Can they tell?", decision="Keep it.", margin=ms.Margin(d_prime=0.5), protocols="triangle",
                   date="2025-03-01", tastings=24)
    plan = ms.serve("triangle", 24, seed=1, allergens=[], hazards=[])
    before = {{p.name: p.read_bytes() for p in folder.iterdir()}}
    {fault}
    refused = 0
    writers = {{"pool.nc": pooled.save, "page.html": pooled.report, "again.csv": lambda path: pooled.panels.to_csv(path, overwrite=True)}}
    new = {{f"new {{name}}": write for name, write in writers.items()}}
    for target, write in (writers | new | {{"new card.toml": card.write, "new plan": plan.save}}).items():
        try:
            write(folder / target)
        except OSError as error:
            said = str(error)
            assert target in said and len(said) > 20, said
            refused += 1
        else:
            raise AssertionError(f"{{target}} was written all the same")
    assert not (folder / "new plan").exists(), "half a plan"
    assert main(["pool", str(folder / "panels.csv"), "--report", str(folder / "cli.html")]) == 2
    after = {{p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}}
    assert after == before, f"changed: {{set(after) ^ set(before) or 'contents'}}"
    print("refused", refused + 1)
"""


def _refused(folder: Path, fault: str) -> Result:
    (folder / "panels.csv").write_text(TABLE, encoding="utf-8")
    done = child(_REFUSED.format(fault=fault), str(folder))
    assert done.returncode == 0 and "Traceback" not in done.stderr, done.stderr[-1200:]
    assert len(done.stderr.strip().splitlines()) == 1, f"the command line said {done.stderr!r}"
    count = int(re.findall(r"refused (\d+)", done.stdout)[0])
    return count, count


def read_only(base: Path) -> Result:
    """A folder in which the user may not write."""
    if os.name != "posix":
        raise Impossible("rights work otherwise here")
    folder = base / "read only"
    folder.mkdir()
    # root passes every mode: give its capabilities away (an empty capability set, header of version 3)
    drop = """
    if os.getuid() == 0:
        import ctypes
        head, nothing = (ctypes.c_uint32 * 2)(0x20080522, 0), (ctypes.c_uint32 * 6)()
        assert ctypes.CDLL(None).capset(head, nothing) == 0"""
    try:
        return _refused(folder, f"os.chmod(folder, 0o555){drop}")
    finally:
        os.chmod(folder, 0o755)


def full_disk(base: Path) -> Result:
    """A disk without room: a small memory disk filled to the brim, or else a limit on the size of files."""
    folder = base / "full"
    folder.mkdir()
    mounted = os.name == "posix" and os.getuid() == 0 and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(folder)], capture_output=True, check=False
    ).returncode == 0  # fmt: skip
    if not mounted:
        limit = "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        return _refused(folder, limit + "resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))")
    try:
        fill = """
    with open(folder / "filler", "wb", buffering=0) as filler:
        try:
            while True:
                filler.write(bytes(4096))
        except OSError:
            pass
    before["filler"] = (folder / "filler").read_bytes()"""
        return _refused(folder, fill.strip())
    finally:
        subprocess.run(["umount", str(folder)], check=False)


# --- interrupted ------------------------------------------------------------------------------------------------------


def interrupted(base: Path, *, times: int = 6) -> Result:
    """Ctrl-C while PyMC samples: one word, exit code 2, and no file."""
    table = base / "panels.csv"
    table.write_text(TABLE, encoding="utf-8")
    code = """
        import signal, sys
        signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs start without it
        from metasense.engine import sampler as mcmc
        run = mcmc._run
        def told(*args, **kwargs):
            print("sampling", flush=True)
            return run(*args, **kwargs)
        mcmc._run = told
        from metasense.cli import main
        sys.exit(main(sys.argv[1:]))
    """
    stopped = 0
    for i in range(times):
        page = base / f"interrupted {i}.html"
        words = [
            sys.executable,
            "-c",
            textwrap.dedent(code),
            "pool",
            str(table),
            "--method",
            "mcmc",
            "--report",
            str(page),
        ]
        env = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}
        run = subprocess.Popen(words, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        assert run.stdout is not None and run.stdout.readline() == "sampling\n", run.communicate()[1][-800:]
        time.sleep(random.Random(i).uniform(0.05, 3.0))
        if run.poll() is None:
            run.send_signal(signal.SIGINT)
        out, err = run.communicate(timeout=LIMIT)
        if run.returncode in (0, 1) or "Wrote" in out:  # it was faster; Python itself may die of Ctrl-C on its way out
            assert page.exists(), f"exit {run.returncode} and no page: {(out + err)[-800:]}"
            assert page.read_text(encoding="utf-8").rstrip().endswith("</html>"), "half a page"
            continue
        assert run.returncode == 2, f"exit {run.returncode}: {err[-800:]}"
        assert err.strip() == "Stopped.", f"said {err[-800:]!r}"
        assert not out and not page.exists(), "something was answered or written"
        stopped += 1
    assert not list(base.glob(".*.part")), "a scratch file was left"
    assert stopped, "no interrupt came in time"
    return times, stopped


CHECKS: dict[str, tuple[Callable[..., Result], dict[str, Any]]] = {  # the check, and what makes it small
    "killed while writing": (killed, {"rounds": 12, "files": ("pool.nc", "panels.csv")}),
    "two processes, one file": (two_writers, {"rounds": 3, "files": ("pool.nc",)}),
    "read-only folder": (read_only, {}),
    "full disk": (full_disk, {}),
    "no display": (no_display, {}),
    "warnings are errors": (warnings_as_errors, {}),
    "python -OO": (optimised, {}),
    "hash seeds": (hash_seeds, {"seeds": ("7",)}),
    "same seed, same draws": (same_seed, {}),
    "working directory gone": (elsewhere, {}),
    "odd paths": (odd_paths, {}),
    "decimal comma": (decimal_comma, {}),
    "ASCII terminal": (ascii_terminal, {}),
    "no network": (no_network, {}),
}
SAMPLING: dict[str, tuple[Callable[..., Result], dict[str, Any]]] = {
    "no network, sampling": (no_network_sampling, {}),
    "no compiler": (no_compiler, {}),
    "no nutpie": (no_nutpie, {}),
    "same seed, same sample": (same_seed_sampling, {}),
    "sampling interrupted": (interrupted, {"times": 2}),
}
