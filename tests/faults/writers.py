"""Faults of writing: writers killed at every step and at random, and outputs that are named like an input.

A write that is killed leaves the old file or the new one, whole, and nothing that the next write does not clear away.
An output never takes the place of anything that is not an older output of its own kind. Each check returns how many
cases it tried and how many of them ended in a refusal in words, and raises AssertionError with the first fault.
"""

from __future__ import annotations

import contextlib
import io
import os
import random
import shutil
import signal
import socket
import stat
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import metasense as ms
from metasense.cli import main
from metasense.planning.serving import ServingPlan
from metasense.showing.pages import Page, write_report
from metasense.showing.tables import as_csv

Result = tuple[int, int]
LINES = """question = "Can they tell?"
decision = "Change it if within the margin."
margin = "0.2 triangle"
protocols = ["triangle"]
tastings = 24
"""
MARGIN = ms.Margin(p_d=0.2, protocol="triangle")
START = "panel,protocol,tastings,correct,notes\nSpring,triangle,24,13,fine\nSummer,duo-trio,30,19,\n"


# --- killed -----------------------------------------------------------------------------------------------------------


@dataclass
class Writer:
    """One way of writing: ``write(folder, turn)`` makes a file or adds to one; ``whole`` says what must be true."""

    write: Callable[[Path, int], object]
    whole: Callable[[Path, int], bool]  # after `turn` writes that came to their end, and one that may have


def _page(turn: int) -> Page:
    return Page(title=f"page {turn}", answer=f"{turn} " * 2000)


def _card(turn: int) -> ms.Card:
    return ms.Card(
        question=f"Question {turn}?",
        decision="Keep it.",
        margin=MARGIN,
        protocols="triangle",
        date=date(2025, 3, 1) + timedelta(turn),
        tastings=24,
    )


def _counts(turn: int) -> ms.Panels:
    return ms.read_panels({"panel": [f"P{turn}"], "protocol": "triangle", "tastings": [24], "correct": [8 + turn % 9]})


def writers() -> dict[str, Writer]:
    """All of them, prepared as far as they can be, so that a child does little but write."""
    pools = [ms.pool({"panel": [f"{side}1", f"{side}2"], "protocol": "triangle", "tastings": 24, "correct": [9, 14]}, seed=1) for side in "AB"]  # fmt: skip
    for pooled in pools:
        _ = pooled.draws, pooled.notes
    tables = [pooled.panels.frame for pooled in pools]
    plans = [ms.serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=i) for i in range(3)]
    sheets = {name: page.encode() for name, page in plans[0].pages().items()}
    panels = [_counts(turn) for turn in range(400)]

    def old_or_new(read: Callable[[Path], str], name: str) -> Callable[[Path, int], bool]:
        def whole(folder: Path, turn: int) -> bool:
            path = folder / name
            if not path.exists():
                return turn == 0
            return read(path) in (str(turn - 1), str(turn), str((turn - 1) % 2), str(turn % 2))

        return whole

    def page_turn(path: Path) -> str:
        text = path.read_text(encoding="utf-8")
        assert text.rstrip().endswith("</html>"), "half a page"
        return text.split("<title>page ")[1].split("<")[0]

    def pool_turn(path: Path) -> str:
        return "01"["AB".index(ms.load(path).panels.frame["panel"].iloc[0][0])]

    def table_turn(path: Path) -> str:
        text = path.read_text(encoding="utf-8")
        found = [str(i) for i in (0, 1) if text == as_csv(tables[i])]
        assert found, "half a table"
        return found[0]

    def cards_whole(folder: Path, turn: int) -> bool:
        there = sorted(folder.glob("*.toml"), key=lambda path: int(path.stem))
        return len(there) in (turn, turn + 1) and all(ms.Card.load(p) == _card(int(p.stem)) for p in there[-2:])

    def plans_whole(folder: Path, turn: int) -> bool:
        there = sorted((path for path in folder.glob("plan*")), key=lambda path: int(path.name[4:]))
        for path in there[-2:]:
            plan = ServingPlan.load(path)
            assert plan.cups.equals(plans[int(path.name[4:]) % 3].cups), "another key"
            names = {str(p.relative_to(path)) for p in path.rglob("*") if p.is_file()}
            assert names == {*sheets, "trays.csv", "answers.csv", "filling/filling.csv", "sealed/key.csv"}, names
            assert all((path / name).read_bytes().endswith(b"</html>\n") or (path / name).read_bytes().rstrip().endswith(b"</html>") for name in sheets)  # fmt: skip
            assert stat.S_IMODE((path / "sealed").stat().st_mode) == 0o700
            assert stat.S_IMODE((path / "sealed" / "key.csv").stat().st_mode) == 0o600
        return len(there) in (turn, turn + 1)

    def table_grows(folder: Path, turn: int) -> bool:
        path = folder / "table.csv"
        assert path.read_text(encoding="utf-8").startswith(START), "what was typed has changed"
        names = ms.read_panels(path).frame["panel"].tolist()[2:]
        return names in ([f"P{i}" for i in range(turn)], [f"P{i}" for i in range(turn + 1)])

    def append(folder: Path, turn: int) -> None:
        if not (folder / "table.csv").exists():
            (folder / "table.csv").write_text(START, encoding="utf-8")
        panels[turn].add_to(folder / "table.csv")

    return {
        "page": Writer(lambda f, i: write_report(_page(i), f / "page.html"), old_or_new(page_turn, "page.html")),
        "saved pool": Writer(
            lambda f, i: pools[i % 2].save(f / "pool.nc", overwrite=True), old_or_new(pool_turn, "pool.nc")
        ),
        "csv": Writer(
            lambda f, i: ms.write_csv(tables[i % 2], f / "t.csv", overwrite=True), old_or_new(table_turn, "t.csv")
        ),
        "card": Writer(lambda f, i: _card(i).save(f / f"{i}.toml"), cards_whole),
        "serving plan": Writer(lambda f, i: plans[i % 3].save(f / f"plan{i}"), plans_whole),
        "answers --append": Writer(append, table_grows),
    }


STEPS = ("open", "os.", "fcntl.", "shutil.")


def _child(writer: Writer, folder: Path, first: int, many: int, told: int, step: int | None) -> None:
    """Write again and again and tell after each; or once, and die at that step of it."""
    code = 1
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        if step is not None:
            seen = 0

            def stop(event: str, arguments: Any) -> None:
                nonlocal seen
                if event.startswith(STEPS) and event != "os.kill":
                    seen += 1
                    if seen > step:
                        os.kill(os.getpid(), signal.SIGKILL)

            sys.addaudithook(stop)
        for turn in range(first, first + many):
            writer.write(folder, turn)
            os.write(told, b".")
        code = 0
    finally:
        os._exit(code)


def _kill(writer: Writer, folder: Path, turn: int, rng: random.Random, step: int | None) -> tuple[int, bool, bool]:
    """Writes that came to their end before the kill, whether it was killed, and whether a scratch file was left."""
    told, tell = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(told)
        _child(writer, folder, turn, 1 if step is not None else 60, tell, step)
    os.close(tell)
    if step is None:
        end = time.time() + rng.uniform(0.0, 0.08)
        while time.time() < end:
            time.sleep(0.001)
        end = time.time() + 0.5 * (rng.random() < 0.6)
        while time.time() < end and not any(name.endswith(".part") for name in os.listdir(folder)):
            pass  # right into a write
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    done = b""
    while more := os.read(told, 4096):
        done += more
    os.close(told)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, "a writer failed by itself"
    left = any(name.endswith(".part") for name in os.listdir(folder))
    return len(done), os.WIFSIGNALED(status), left


def killed(base: Path, *, kills: int = 300, names: tuple[str, ...] = (), seed: int = 1) -> Result:
    """Every writer killed at each of its steps in turn, and then at random; returns the kills, and those mid-write."""
    rng = random.Random(seed)
    chosen = {name: writer for name, writer in writers().items() if not names or name in names}
    total = caught = 0
    for name, writer in chosen.items():
        folder = base / f"killed {name}"
        folder.mkdir()
        writer.write(folder, 0)
        turn, step, tries = 1, 0, 0
        steps: int | None = None  # known once a write outlives the step it was to die at
        share = kills // len(chosen)
        while tries < share:
            exact = steps is None and tries < share // 2 + 40
            finished, dead, left = _kill(writer, folder, turn, rng, step if exact else None)
            if exact and not dead:
                steps = step
            step += 1
            tries += dead
            caught += left
            turn += finished
            try:
                assert writer.whole(folder, turn), "something is missing, or too much"
                writer.write(folder, turn)  # what was cut short is written now, or is there
            except FileExistsError:
                pass  # it had come to its end before it could say so
            except AssertionError as fault:
                raise AssertionError(f"{name}, kill {tries}, step {step}: {fault}") from None
            turn += 1
            scratch = [path.name for path in folder.iterdir() if path.name.endswith(".part")]
            assert not scratch, f"{name}, kill {tries}: the next write left {scratch}"
            assert writer.whole(folder, turn - 1), f"{name}, kill {tries}: not whole after the next write"
            if turn > 330:
                turn = _afresh(folder, writer)
        total += tries
    assert caught, "no kill fell into a write; the check says nothing"
    return total, caught


def _afresh(folder: Path, writer: Writer) -> int:
    for path in list(folder.iterdir()):
        shutil.rmtree(path) if path.is_dir() else path.unlink()
    writer.write(folder, 0)
    return 1


def crowded(base: Path, *, each: int = 12, workers: int = 4) -> Result:
    """Several processes add panels to one table at once: none is lost."""
    path = base / "crowded.csv"
    path.write_text(START, encoding="utf-8")
    panels = [_counts(turn) for turn in range(each * workers)]
    pids = []
    for worker in range(workers):
        pid = os.fork()
        if pid == 0:
            code = 1
            try:
                for panel in panels[worker::workers]:
                    panel.add_to(path)
                code = 0
            finally:
                os._exit(code)
        pids.append(pid)
    assert all(os.waitpid(pid, 0)[1] == 0 for pid in pids), "a writer failed"
    names = ms.read_panels(path).frame["panel"].tolist()
    assert sorted(names[2:]) == sorted(f"P{i}" for i in range(len(panels))), "a panel was lost"
    assert not [p for p in base.iterdir() if p.name.endswith(".part")]
    return len(panels), 0


# --- an output named like an input ------------------------------------------------------------------------------------


def _inputs(folder: Path) -> dict[str, Path]:
    """Everything that a command reads, and what else a person may have lying about, by name."""
    panels = ms.read_panels(START)
    pooled = ms.pool(panels, margin=MARGIN, seed=1)
    plan = ms.serve("triangle", 6, samples=("old", "new"), panel="x1", allergens=[], hazards=[], seed=1)
    there = {
        "table": folder / "table.csv",
        "tastings": folder / "tastings.csv",
        "workbook": folder / "table.xlsx",
        "tabs": folder / "table.tsv",
        "saved pool": pooled.save(folder / "pool.nc"),
        "page": pooled.report(folder / "page.html"),
        "lines of a card": folder / "lines.toml",
        "card": _card(0).save(folder / "card.toml"),
        "plan": plan.save(folder / "plan"),
        "key": folder / "plan" / "sealed" / "key.csv",
        "typed answers": folder / "plan" / "answers.csv",
        "copy of the key": folder / "key copy.csv",
        "recorded ballots": folder / "plan" / "recorded.csv",
        "notebook": folder / "answer.ipynb",
        "own wording": folder / "own.toml",
        "somebody's page": folder / "mine.html",
        "somebody's netCDF": folder / "mine.nc",
        "notes": folder / "notes.txt",
        "photograph": folder / "photo.csv",
        "protected table": folder / "protected.csv",
        "folder with a file": folder / "full",
        "pipe": folder / "pipe.csv",
        "socket": folder / "socket.html",
    }
    with contextlib.suppress(
        PermissionError
    ):  # one of our own: were the refusal broken, no real device may be written over
        os.mknod(folder / "device.csv", stat.S_IFCHR | 0o666, os.makedev(1, 3))
        there["device"] = folder / "device.csv"
    there["lines of a card"].write_text(LINES, encoding="utf-8")
    there["table"].write_text(START, encoding="utf-8")
    there["tabs"].write_text(START.replace(",", "\t"), encoding="utf-8")
    rows = "".join(f"A,triangle,T{i},{i % 2}\n" for i in range(12))
    there["tastings"].write_text(f"panel,protocol,taster,correct\n{rows}", encoding="utf-8")
    panels.frame.dropna(axis=1, how="all").to_excel(there["workbook"], index=False)
    sheet = plan.answer_sheet()
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.to_csv(there["typed answers"], index=False)
    there["copy of the key"].write_bytes(there["key"].read_bytes())
    night = ms.Recording.open(there["plan"])
    night.put("T01", night.cups("T01").split()[0])
    there["notebook"].write_text('{"cells": [], "metadata": {}, "nbformat": 4, "nbformat_minor": 5}', encoding="utf-8")
    there["own wording"].write_text('[ballots]\nrinse = "Sip."\n', encoding="utf-8")
    there["somebody's page"].write_text("<!doctype html><title>Mine</title>metasense is fine", encoding="utf-8")
    there["somebody's netCDF"].write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(600))
    there["notes"].write_text("do not lose", encoding="utf-8")
    there["photograph"].write_bytes(b"\xff\xd8\xff\0\0photo")
    there["protected table"].write_text(START, encoding="utf-8")
    there["protected table"].chmod(0o444)
    there["folder with a file"].mkdir()
    (there["folder with a file"] / "in it.txt").write_text("do not lose", encoding="utf-8")
    os.mkfifo(there["pipe"])
    here = os.getcwd()
    os.chdir(folder)  # a socket's name has room for about a hundred letters
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(there["socket"].name)
    os.chdir(here)
    files = {name: path for name, path in there.items() if path.is_file()}
    for name, path in files.items():
        ending = path.suffix
        there[f"link to: {name}"] = folder / f"soft {name}{ending}"
        there[f"link to: {name}"].symlink_to(path)
        there[f"hard link to: {name}"] = folder / f"hard {name}{ending}"
        os.link(path, there[f"hard link to: {name}"])
        there[f"roundabout: {name}"] = folder / "full" / ".." / path.relative_to(folder)
    return there


def _state(folder: Path) -> dict[str, tuple[int, bytes]]:
    """Everything below a folder: what it is, and what is in it."""
    state = {}
    for path in sorted(folder.rglob("*")):
        mode = path.lstat().st_mode
        inside = path.read_bytes() if stat.S_ISREG(mode) else b""
        state[str(path.relative_to(folder))] = (stat.S_IFMT(mode), inside)
    return state


NEXT_WORDS = ("--margin", "0.2 triangle", "--protocol", "triangle", "--tasters", "12")
CARD_WORDS = ("--question", "Q?", "--decision", "D.", "--margin", "0.2 triangle", "--protocol", "triangle",
              "--tastings", "24")  # fmt: skip


def _outputs(there: dict[str, Path]) -> dict[str, Callable[[Path], object]]:
    """Everything that writes, by command or call, with inputs as they are meant."""
    panels = ms.read_panels(START.replace("13", "12"))
    pooled = ms.pool(panels, margin=MARGIN, seed=1)
    plan = ms.serve("triangle", 6, samples=("old", "new"), allergens=[], hazards=[], seed=2)
    page = _page(1)
    answers = ("answers", str(there["plan"]), str(there["typed answers"]))
    alone = ("answers", str(there["copy of the key"]), str(there["typed answers"]))

    def command(*words: str) -> None:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(list(words))
        if code == 2:
            assert err.getvalue().strip() and "Traceback" not in err.getvalue() and ".part" not in err.getvalue()
            raise ValueError(err.getvalue())
        assert code in (0, 1), f"exit {code}: {err.getvalue()}"

    outputs: dict[str, Callable[[Path], object]] = {
        "answers --panels": lambda path: command(*answers, "--panels", str(path)),
        "answers --panels --append": lambda path: command(*answers, "--panels", str(path), "--append"),
        "answers --tastings": lambda path: command(*answers, "--tastings", str(path)),
        "answers --tastings --append": lambda path: command(*answers, "--tastings", str(path), "--append"),
        "card write": lambda path: command("card", "write", str(path), *CARD_WORDS),
        "Recording.open": lambda path: ms.Recording.open(plan, file=path),
        "show --report": lambda path: command("show", str(there["saved pool"]), "--report", str(path)),
        "next --report": lambda path: command("next", str(there["table"]), *NEXT_WORDS, "--report", str(path)),
        "pool --report --overwrite": lambda path: command(
            "pool", str(there["table"]), "--overwrite", "--report", str(path)
        ),
        "pool --save --overwrite": lambda path: command(
            "pool", str(there["table"]), "--overwrite", "--save", str(path)
        ),
        "answers with a copy of the key": lambda path: command(*alone, "--panels", str(path)),
        "serve": lambda path: command("serve", "triangle", "6", str(path), "--allergens", "--hazards"),
        "Pooled.save": pooled.save,
        "write_report": lambda path: write_report(page, path),
        "Panels.to_csv": panels.to_csv,
        "Panels.to_csv, overwrite": lambda path: panels.to_csv(path, overwrite=True),
        "Result.to_csv": pooled.to_csv,
        "write_csv": lambda path: ms.write_csv(pooled.panels_frame(), path),
        "Card.write": _card(1).write,
        "card seal": lambda path: command("card", "seal", str(there["lines of a card"]), str(path)),
        "start": lambda path: command("start", str(path), "--answers", str(there["lines of a card"])),
        "pool --save": lambda path: command("pool", str(there["table"]), "--save", str(path)),
        "ServingPlan.save": plan.save,
        "mend": lambda path: ms.mend(there["workbook"], path),
        "check --fix": lambda path: command("check", str(there["table"]), "--fix", str(path)),
        "check --fix of tastings": lambda path: command("check", str(there["tastings"]), "--fix", str(path)),
    }
    for name in ("table", "tastings", "workbook", "tabs"):
        words = ("pool", str(there[name]), "--card", str(there["card"]), "--report")
        outputs[f"pool of the {name} --report"] = lambda path, words=words: command(*words, str(path))
    return outputs


def _allowed(output: str, name: str, before: bytes, after: bytes) -> bool:
    """The changes that are asked for: an older output of the same kind replaced, a row added, a table on request."""
    kind = name.rpartition(": ")[2]
    if output == "answers --panels --append":
        rows = zip(before.splitlines(), after.splitlines()[:-1], strict=True)
        return kind == "table" and all(new.startswith(old) for old, new in rows)
    if output == "Panels.to_csv, overwrite":
        return kind in ("table", "tastings", "copy of the key", "key", "typed answers")
    if output == "answers --tastings --append":
        rows = list(zip(before.splitlines(), after.splitlines(), strict=False))
        return kind == "tastings" and len(rows) > 12 and all(new.startswith(old) for old, new in rows)
    if output in ("Pooled.save", "pool --save", "pool --save --overwrite"):
        return kind == "saved pool"
    if "report" in output:
        return kind == "page"
    return False


def overwritten(base: Path, *, share: float = 1.0, seed: int = 1) -> Result:
    """Every output aimed at every input, file, link, device and pipe: nothing of the user's is written over."""
    folder = base / "overwritten"
    folder.mkdir()
    there = _inputs(folder)
    pairs = [(output, name) for output in _outputs(there) for name in there]
    if share < 1:
        pairs = random.Random(seed).sample(pairs, int(share * len(pairs)))
    outputs = _outputs(there)
    before = _state(folder)
    device = os.stat(os.devnull).st_mode, os.stat(os.devnull).st_rdev
    refused = 0
    for output, name in pairs:
        try:
            outputs[output](there[name])
        except (ValueError, OSError) as error:
            words = str(error)
            assert len(words) > 20 and ".part" not in words and "Errno" not in words, f"{output} to {name}: {words}"
            refused += 1
        after = _state(folder)
        assert (os.stat(os.devnull).st_mode, os.stat(os.devnull).st_rdev) == device, f"{output} replaced a device"
        new = set(after) - set(before)
        assert not new, f"{output} to {name} made {new}"
        for path in before:
            assert path in after, f"{output} to {name}: {path} is gone"
            if after[path] != before[path]:
                aimed = os.path.realpath(folder / path) == os.path.realpath(there[name])
                right = aimed and after[path][0] == before[path][0]
                right = right and _allowed(output, name, before[path][1], after[path][1])
                assert right, f"{output} to {name} changed {path}"
                (folder / path).chmod(0o644)
                (folder / path).write_bytes(before[path][1])
        before = _state(folder)
    return len(pairs), refused


CHECKS: dict[str, tuple[Callable[..., Result], dict[str, Any]]] = {  # the check, and what makes it small
    "every writer killed": (killed, {"kills": 32}),
    "many add to one table": (crowded, {"each": 3}),
    "outputs over inputs": (overwritten, {"share": 0.06}),
}
