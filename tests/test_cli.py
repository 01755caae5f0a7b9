"""The command line: its commands, their exit codes, and no traceback whatever the file."""

import ctypes
import importlib
import os
import re
import signal
import subprocess
import sys
import threading
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main

GOOD = "panel,protocol,tastings,correct\nA,triangle,24,12\nB,triangle,60,28\nC,triangle,60,27\nD,triangle,60,29\n"


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "panels.csv"
    path.write_text(GOOD)
    return path


def test_pool_prints_the_answer_and_writes_the_page(table, tmp_path, capsys):
    page = tmp_path / "page.html"
    assert main(["pool", str(table), "--margin", "0.2 triangle", "--report", str(page)]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Not settled: of 100 triangle answers about ") and "margin" in out and err == ""
    assert main(["pool", str(table), "--details"]) == 0
    assert "average d-prime" in capsys.readouterr().out
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_pool_takes_the_margin_from_the_question_card_and_says_where_it_departs(table, tmp_path, capsys):
    card = ms.Card(
        question="Can tasters tell the new malt?",
        decision="Switch if within the margin.",
        margin=ms.Margin(p_d=0.2, protocol="triangle"),
        protocols="triangle",
        date="2025-03-01",
        tastings=60,
    )
    path = card.save(tmp_path / "card.toml")
    assert main(["pool", str(table), "--card", str(path)]) == 0
    out, err = capsys.readouterr()
    departures = card.departures(ms.read_panels(table), margin=card.margin, priors=ms.Priors())
    assert departures and not err and "the margin" in out
    assert departures[0].split(". ")[0] in " ".join(out.split())
    assert main(["pool", str(table), "--card", str(path), "--details"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert all(departure in out for departure in departures)
    assert main(["pool", str(table), "--card", str(table)]) == 2
    assert "question card" in capsys.readouterr().err
    assert main(["pool", str(table), "--card", str(tmp_path / "none.toml")]) == 2
    assert "none.toml" in capsys.readouterr().err


def test_every_command_says_what_it_does(capsys):
    for command in ("check", "pool", "plan", "serve", "answers", "claim", "rerun"):
        assert main([command, "--help"]) == 0
        out = capsys.readouterr().out
        usage, says = out.split("\n\n")[:2]
        assert usage.startswith(f"usage: metasense {command}")
        assert says[0].isupper() and says.rstrip().endswith(".")


def test_check_says_what_was_read(table, capsys):
    assert main(["check", str(table)]) == 0
    assert "12 of 24" in capsys.readouterr().out


@pytest.mark.parametrize("row", ["E,triangle,60,5,,,,", "E,2-AFC,60,10,,,,", "E,A-not-A,,,20,3,20,16"])
def test_answer_with_a_warning_that_matters_is_exit_code_1(row, tmp_path, capsys):
    head, *rows = GOOD.strip().split("\n")
    path = tmp_path / "reversed.csv"
    path.write_text("\n".join([f"{head},signal,hits,noise,false_alarms", *(f"{r},,,," for r in rows), row]))
    for command in ("check", "pool"):  # the same table, the same warning
        assert main([command, str(path)]) == 1
        said = " ".join(capsys.readouterr().out.split())
        assert re.search(r"in E(: a reversal or coding error|\.)", said) and re.search("[cC]heck the key", said)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "panel,protocol,tastings,correct\n",
        "panel,protocol,tastings\nA,triangle,24\n",
        "panel,protocol,tastings,correct\nA,triangle,24,25\n",
    ],
)
def test_what_cannot_be_answered_is_exit_code_2_and_a_reason(content, tmp_path, capsys):
    path = tmp_path / "bad.csv"
    path.write_text(content)
    for command in ("check", "pool"):
        assert main([command, str(path)]) == 2
        out, err = capsys.readouterr()
        assert out == "" and err.strip() and "Traceback" not in err


@pytest.mark.parametrize(
    "words",
    [
        ["0.2 triangle"],
        ["0.2", "triangle"],
        ["20", "%", "triangle"],
        ["46.6667", "of", "100", "correct", "triangle"],
        ["d-prime", "1.2944"],
    ],
)
def test_a_margin_needs_no_quotation_marks_wherever_it_stands(words, table, capsys):
    for arguments in (
        ["pool", "--margin", *words, str(table)],
        ["pool", str(table), "--margin", *words],
        ["pool", f"--margin={words[0]}", *words[1:], str(table)],
    ):
        assert main(arguments) in (0, 1)
        assert "the margin is 47" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["0.2"], 'If in a triangle, write "0.2 triangle"'),
        (["0.2", "trianlge"], "there is no protocol called 'trianlge'"),
        (["30", "%", "correct", "triangle"], "a margin is more than guessing gives"),
    ],
)
def test_a_margin_without_quotation_marks_that_is_none_is_explained(words, says, table, capsys):
    assert main(["pool", "--margin", *words, str(table)]) == 2
    assert says in capsys.readouterr().err


def test_a_margin_that_is_none_is_explained(table, capsys):
    assert main(["pool", str(table), "--margin", "small"]) == 2
    assert "is not a margin" in capsys.readouterr().err


def test_a_page_that_cannot_be_written_is_said(table, tmp_path, capsys):
    assert main(["pool", str(table), "--report", str(tmp_path / "no" / "such" / "page.html")]) == 2
    assert "page.html" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        # the numbers behind these are checked against published tables in test_sizes.py
        (["triangle", "--margin", "0.3 triangle"], "66 tastings"),
        (["triangle", "--p-d", "0.3"], "66 tastings"),
        (["triangle", "--margin", "30% triangle", "--beta", "0.2"], "40 tastings"),
        (["triangle", "--p-d", "0.3", "--similarity"], "run for similarity"),
        (["triangle", "--tasters", "24"], "13 or more correct of 24"),
        (["triangle", "24"], "13 or more correct of 24"),
        (["24", "--margin", "0.3 triangle"], "At the margin 55 % of panels find it."),
        (["triangle", "--tasters", "24", "--p-d", "0.3"], "At the margin 55 % of panels find it."),
        (
            ["triangle", "--tasters", "24", "--p-d", "0.3"],
            "8 or fewer correct of 24 speak for similarity; a difference at the margin leaves so few in 3.9 % of panels.",
        ),
        (
            ["triangle", "24", "--p-d", "0.3"],
            "66 tastings are asked for and 24 are there: 3 such evenings pooled have 72.",
        ),
        (["triangle", "--p-d", "0.3", "--purpose", "similarity"], "run for similarity"),
        (["triangle", "--tasters", "2", "--p-d", "0.1"], "Not even 0 correct would speak for similarity"),
        (["triangle", "--tasters", "2"], "Not even 2 correct of 2"),
        (["--margin", "d'=1"], "What the same difference costs (alpha-risk 5 %, beta-risk 5 %)"),
        (["--d-prime", "1"], "What the same difference costs (alpha-risk 5 %, beta-risk 5 %)"),
        (["triangle", "--looks", "12", "24"], "false alarm in 3.9 %"),
        (["triangle", "--p-d", "0.4", "--looks", "19", "38"], "2 planned looks from 19 to 38"),
        (["duo-trio", "--p-d", "0.5", "--sequential"], "planned looks"),
    ],
)
def test_plan_answers_the_common_questions(words, said, capsys):
    assert main(["plan", *words]) == 0
    out, err = capsys.readouterr()
    assert said in " ".join(out.split()) and err == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name a protocol"),
        (["triangle"], "say the difference that matters (--margin)"),
        (["triangle", "--tasters", "24", "--sequential"], "--sequential needs the difference that matters: --margin"),
        (["triangle", "--p-d", "3"], "p_d is a share"),
        (["sniffing", "--p-d", "0.3"], "no protocol called 'sniffing'"),
        (["triangle", "--p-d", "0.3", "--looks", "10", "20", "30"], "--looks takes two numbers"),
    ],
)
def test_plan_says_what_it_needs(words, said, capsys):
    assert main(["plan", *words]) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err


def test_serve_then_answers_then_pool(tmp_path, capsys):
    folder, panels = tmp_path / "plan", tmp_path / "panels.csv"
    words = ["serve", "triangle", "18", str(folder), "--samples", "old", "new", "--allergens", "--hazards"]
    assert main(words) == 0
    assert "18 tasters" in capsys.readouterr().out and (folder / "sealed" / "key.csv").is_file()
    sheet = pd.read_csv(folder / "answers.csv", dtype=str)
    key = pd.read_csv(folder / "sealed" / "key.csv", dtype=str)
    rare = key.groupby("tray")["sample"].transform(lambda s: s.map(s.value_counts())) == 1
    odd = key[rare].sort_values("tray", key=lambda tray: tray.astype(int))["code"].tolist()
    sheet["answer"] = odd[:12] + [cups.split()[0] for cups in sheet["cups"][12:]]
    sheet.to_csv(folder / "answers.csv", index=False)
    assert (
        main(["answers", str(folder), str(folder / "answers.csv"), "--blind", "double", "--panels", str(panels)]) == 0
    )
    assert "Served: 18 of 18 sets" in capsys.readouterr().out
    assert main(["check", str(panels)]) == 0
    correct = 12 + sum(a == b for a, b in zip(odd[12:], sheet["answer"][12:], strict=True))
    assert f"{correct} of 18" in capsys.readouterr().out


@pytest.fixture(scope="module")
def answered(tmp_path_factory):
    """Two served panels with typed answers: their folders."""
    base = tmp_path_factory.mktemp("answered")
    for name, seed in (("x1", 1), ("x2", 2)):
        folder = base / name
        plan = ms.serve(
            "triangle",
            6,
            samples=("old", "new"),
            panel=name,
            date="2026-01-0" + name[1],
            allergens=[],
            hazards=[],
            seed=seed,
        )
        sheet = plan.answer_sheet()
        sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
        plan.save(folder)
        sheet.to_csv(folder / "answers.csv", index=False)
    return base


def answers(folder, *words):
    return main(["answers", str(folder), str(folder / "answers.csv"), *map(str, words)])


@pytest.mark.parametrize("what", ["answers.csv", "sealed/key.csv"])
def test_typed_answers_and_keys_are_never_replaced_by_totals(what, answered, tmp_path, capsys):
    target = answered / "x1" / what
    copy = tmp_path / "copy.csv"
    copy.write_bytes(target.read_bytes())
    for path in (target, copy):
        before = path.read_bytes()
        assert answers(answered / "x1", "--panels", path) == 2
        assert "exists" in capsys.readouterr().err
        assert answers(answered / "x1", "--panels", path, "--append") == 2
        out, err = capsys.readouterr()
        assert out == "" and path.name in err
        assert path.read_bytes() == before


def test_panels_are_added_to_a_table_one_by_one_and_each_only_once(answered, tmp_path, capsys):
    table = tmp_path / "panels.csv"
    assert answers(answered / "x1", "--panels", table) == 0
    first = table.read_bytes()
    assert answers(answered / "x2", "--panels", table) == 2
    assert "say --append to add the panel to that table" in capsys.readouterr().err
    assert table.read_bytes() == first
    assert answers(answered / "x2", "--panels", table, "--append") == 0
    assert "Added the panel to" in capsys.readouterr().out
    both = table.read_bytes()
    assert both.startswith(first)
    for name in ("x1", "x2"):
        assert answers(answered / name, "--panels", table, "--append") == 0
        assert "holds this panel already" in capsys.readouterr().out
    assert table.read_bytes() == both
    assert ms.read_panels(table).frame["panel"].tolist() == ["x1", "x2"]


def test_a_table_kept_by_hand_keeps_its_columns_names_and_cells(answered, tmp_path, capsys):
    table = tmp_path / "mine.csv"
    typed = (
        '\ufeffPanel;Test;N;Right;weeks;notes\r\nSpring;Triangle;24;13;2;"sunny; warm"\r\nSummer;duo-trio;30;19;4;\r\n'
    )
    table.write_bytes(typed.replace("Test", "Protocol").encode())
    before = ms.read_panels(table).frame
    assert answers(answered / "x1", "--panels", table, "--append") == 0
    lines = table.read_bytes().decode("utf-8-sig").split("\r\n")
    assert lines[0].startswith("Panel;Protocol;N;Right;weeks;notes;") and '"sunny; warm"' in lines[1]
    after = ms.read_panels(table)
    assert after.frame.iloc[:2][list(before.columns)].to_csv() == before.to_csv()
    assert after.frame["panel"].iloc[2] == "x1" and after.frame["tastings"].iloc[2] == 6


def test_another_panel_of_the_same_name_is_not_added(answered, tmp_path, capsys):
    table = tmp_path / "panels.csv"
    table.write_text("panel,protocol,tastings,correct\nX1,triangle,40,11\n")
    assert answers(answered / "x1", "--panels", table, "--append") == 2
    assert "already has a panel 'x1', and it says something else" in capsys.readouterr().err
    assert table.read_text().count("\n") == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--panels", "x.xlsx"], "Name a file that ends in .csv"),
        (["--panels", "x.xlsx", "--append"], "Name a file that ends in .csv"),
        (["--append"], "--append goes with --panels"),
        (["--panels", "no/such/x.csv"], "there is no folder"),
    ],
)
def test_where_counts_cannot_go_is_said_before_anything_is_printed(
    words, said, answered, tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    assert answers(answered / "x1", *words) == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and list(tmp_path.iterdir()) == []


def test_a_table_with_one_row_a_tasting_takes_no_counts(answered, tmp_path, capsys):
    table = tmp_path / "tastings.csv"
    table.write_text("panel,protocol,taster,correct\nA,triangle,T1,1\nA,triangle,T2,0\n")
    assert answers(answered / "x1", "--panels", table, "--append") == 2
    assert "one row a tasting" in capsys.readouterr().err


@pytest.mark.parametrize("report", ["no/such/page.html", "panels.csv", ".", "", "pipe.html"])
def test_a_page_that_has_no_place_is_refused_before_the_work(report, table, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe.html")
    monkeypatch.setattr("metasense.results.pooling.pool", lambda *_, **__: pytest.fail("the work was begun"))
    before = table.read_bytes()
    assert main(["pool", str(table), "--report", report]) == 2
    out, err = capsys.readouterr()
    assert out == "" and (report in err) and len(err) > 25 and table.read_bytes() == before


@pytest.mark.parametrize(
    "fault",
    [KeyError("x"), MemoryError(), RecursionError("too deep"), SystemExit(1), AssertionError(), StopIteration()],
)
def test_a_fault_of_metasense_never_passes_for_an_answer(fault, table, monkeypatch, capsys):
    def fail(*_, **__):
        raise fault

    monkeypatch.setattr("metasense.tables.panels.read_table", fail)
    monkeypatch.delenv("METASENSE_TRACEBACK", raising=False)
    assert main(["check", str(table)]) == 3
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("metasense failed, and this is no answer") and len(err.splitlines()) == 1
    assert type(fault).__name__ in err and "report it" in err
    monkeypatch.setenv("METASENSE_TRACEBACK", "1")
    assert main(["check", str(table)]) == 3
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    "work",
    [
        lambda: np.ones(2) + np.ones(3),
        lambda: np.linalg.inv(np.zeros((2, 2))),
        lambda: b"\xff".decode("utf-8"),
        lambda: int("x"),
        lambda: 1 / 0,
        lambda: importlib.import_module("no_such_library"),
        lambda: ctypes.CDLL("no_such_library.so"),
        lambda: exec("int('x')", {"__name__": "metasense.results.pooling"}),
        lambda: exec("1 / 0", {"__name__": "metasense.results.pooling"}),
        lambda: exec("import no_such_library", {"__name__": "metasense.results.pooling"}),
    ],
)
def test_an_error_that_nobody_raised_on_purpose_is_a_fault_however_ordinary_its_kind(work, table, monkeypatch, capsys):
    monkeypatch.setattr("metasense.results.pooling.pool", lambda *_, **__: work())
    assert main(["pool", str(table)]) == 3
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("metasense failed, and this is no answer") and len(err.splitlines()) == 1


@pytest.mark.parametrize(
    "work",
    [
        lambda: exec("raise ValueError(\n 'in words'\n)", {"__name__": "metasense.results.pooling"}),
        lambda: exec("raise OSError('in words')", {"__name__": "metasense.results.pooling"}),
        lambda: exec("try: int('x')\nexcept ValueError: raise ImportError('in words') from None",
                     {"__name__": "metasense.results.pooling"}),
        lambda: ms.read_panels("panel,protocol\nin words,triangle\n"),
        lambda: os.stat("in words"),
    ],
)  # fmt: skip
def test_what_was_raised_on_purpose_and_a_file_that_the_system_refuses_are_said(work, table, monkeypatch, capsys):
    monkeypatch.setattr("metasense.results.pooling.pool", lambda *_, **__: work())
    assert main(["pool", str(table)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and ("in words" in err or "there is no column" in err) and "metasense failed" not in err


@pytest.mark.lab
@pytest.mark.parametrize(
    "broken", ["numpy", "pandas", "metasense.showing.words", "metasense.tables.opening", "metasense.tables.panels"]
)
@pytest.mark.parametrize("raises", ["ImportError", "AttributeError"])
def test_an_installation_that_does_not_work_never_passes_for_an_answer(broken, raises, table):
    code = (
        "import sys\n"
        "class Broken:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {broken!r}: raise {raises}('broken')\n"
        "sys.meta_path.insert(0, Broken())\n"
        "from metasense.cli import main\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "check", str(table)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 3 and "Traceback" not in done.stderr and done.stderr.strip() and not done.stdout


@pytest.mark.lab
@pytest.mark.parametrize("broken", ["metasense.cli", "argparse"])
@pytest.mark.parametrize("raises", ["ImportError", "SyntaxError", "AttributeError"])
def test_a_command_that_cannot_even_be_started_ends_with_3(broken, raises, table):
    code = (
        "import sys\n"
        "class Broken:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {broken!r}: raise {raises}('broken')\n"
        "sys.meta_path.insert(0, Broken())\n"
        f"sys.modules.pop({broken!r}, None)\n"
        "from metasense.__main__ import main\n"
        f"sys.argv[1:] = ['check', {str(table)!r}]\n"
        "sys.exit(main())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 3 and "cannot be started" in done.stderr and len(done.stderr.splitlines()) == 1
    made = tomllib.loads(Path("pyproject.toml").read_text())["project"]["scripts"]
    assert made == {"metasense": "metasense.__main__:main"}  # what the installed command runs


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no full device here")
def test_an_answer_that_cannot_be_printed_is_no_answer(table):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "metasense", "check", str(table)],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2 and "No space left" in done.stderr and len(done.stderr.splitlines()) == 1


@pytest.mark.lab
def test_a_reader_that_goes_away_leaves_the_page_written_and_no_noise(table, tmp_path):
    page = tmp_path / "page.html"
    reading, writing = os.pipe()
    os.close(reading)
    words = [sys.executable, "-m", "metasense", "pool", str(table), "--report", str(page)]
    done = subprocess.run(words, stdout=writing, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writing)
    assert done.stderr == "" and page.is_file()


def test_what_options_swallowed_is_said(tmp_path, capsys):
    assert main(["serve", "--allergens", "milk", "--hazards", "triangle", "24", str(tmp_path / "plan")]) == 2
    err = capsys.readouterr().err
    assert "Put them before --allergens, --hazards and --beside, which take every word that follows" in err


def test_a_place_that_is_taken_is_said_before_a_plan_is_made(tmp_path, monkeypatch, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    monkeypatch.setattr("metasense.planning.serving.serve", lambda *_, **__: pytest.fail("the work was begun"))
    assert main(["serve", "triangle", "6", str(tmp_path)]) == 2
    assert "the folder is not empty" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--p-d", "1e-9"], ["--d-prime", "1e-6"], ["--p-d", "1e-9", "--sequential"]])
def test_a_difference_too_small_for_any_panel_is_refused_in_words(words, capsys):
    assert main(["plan", "triangle", *words]) == 2
    assert "may take more than 2,000,000 tastings; state a larger one" in capsys.readouterr().err


def test_a_plan_of_a_hundred_thousand_looks_is_answered_without_its_list(capsys):
    assert main(["plan", "triangle", "--p-d", "0.01", "--sequential"]) == 0
    out = capsys.readouterr().out
    # Wald's bounds: real risks stay within (and near) those asked for when steps are small
    said = " ".join(out.split())
    assert (
        "difference when all guess) 4.9 % (5 % asked for), real beta-risk (of missing the stated difference) 5.0 %"
        in said
    )
    assert len(out.splitlines()) < 14


def test_serve_warns_with_exit_code_1_and_never_overwrites(tmp_path, capsys):
    words = ["serve", "triangle", "6", str(tmp_path / "plan")]
    assert main(words) == 1
    assert "allergens are not stated" in capsys.readouterr().out
    assert main(words) == 2
    assert "already holds a plan" in capsys.readouterr().err
    assert main(["serve", "2-AFC", "6", str(tmp_path / "other")]) == 2
    assert "give it as a noun" in capsys.readouterr().err and not (tmp_path / "other").exists()


@pytest.mark.lab
@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(("name", "step"), [("SIGTERM", 1), ("SIGHUP", 2), ("SIGTERM", 9)])
def test_a_plan_whose_making_is_ended_by_a_signal_leaves_nothing_behind(name, step, tmp_path):
    code = (
        "import os, signal, sys\n"
        "from metasense.cli import main\n"
        "steps = 0\n"
        "def watch(event, arguments):\n"
        "    global steps\n"
        "    if event in ('open', 'os.mkdir') and '.part' in str(arguments[0]):\n"
        "        steps += 1\n"
        f"        if steps == {step}: os.kill(os.getpid(), signal.{name}), os.kill(os.getpid(), signal.SIGTERM)\n"
        "sys.addaudithook(watch)\n"
        "sys.exit(main(sys.argv[1:]))"
    )
    words = [sys.executable, "-c", code, "serve", "triangle", "6", str(tmp_path / "plan"), "--allergens", "--hazards"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 128 + getattr(signal, name) and done.stdout == "" and done.stderr == "Stopped.\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("former", [signal.SIG_DFL, signal.SIG_IGN, lambda *_: None])
def test_the_command_line_leaves_handlers_of_signals_as_they_were(former, table, monkeypatch):
    seen = []
    monkeypatch.setattr("metasense.tables.panels.read_table", lambda *_, **__: seen.append(signal.getsignal(1)))
    before = signal.signal(signal.SIGHUP, former)
    try:
        main(["check", str(table)])
        assert signal.getsignal(signal.SIGHUP) == former
    finally:
        signal.signal(signal.SIGHUP, before)
    assert (set(seen) == {former}) == (former != signal.SIG_DFL)  # one ignored, as by nohup, stays so


def test_the_command_line_runs_in_a_thread_too(table):
    codes = []
    thread = threading.Thread(target=lambda: codes.append(main(["check", str(table)])))
    thread.start()
    thread.join()
    assert codes == [0]


def test_a_second_plan_of_the_session_shares_no_code_with_the_first(tmp_path):
    for name, beside in (("first", []), ("second", [str(tmp_path / "first")])):
        main(["serve", "triangle", "150", str(tmp_path / name), "--allergens", "--hazards", "--beside", *beside])
    first, second = (pd.read_csv(tmp_path / name / "sealed" / "key.csv")["code"] for name in ("first", "second"))
    assert len(first) == len(second) == 450 and not set(first) & set(second)


def test_answers_without_their_key_are_refused(tmp_path, capsys):
    main(["serve", "triangle", "6", str(tmp_path / "plan")])
    capsys.readouterr()
    assert main(["answers", str(tmp_path / "plan" / "answers.csv"), str(tmp_path / "plan" / "answers.csv")]) == 2
    assert "this is the sheet of answers, not the key" in capsys.readouterr().err


def test_the_installed_command_runs_as_a_script(table):
    done = subprocess.run(
        [sys.executable, "-m", "metasense", "check", str(table)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    missing = subprocess.run(
        [sys.executable, "-m", "metasense", "pool", "nowhere.csv"], capture_output=True, text=True, check=False
    )
    assert missing.returncode == 2 and "Traceback" not in missing.stderr and "nowhere.csv" in missing.stderr


def test_a_table_of_tastings_is_checked_pooled_and_held_against_a_claim(capsys):
    file = "datasets/cider_tastings.csv"
    assert main(["check", file]) == 0 and main(["pool", file]) == 0
    assert main(["claim", "There is no difference.", file, "--panel", "Guild tetrad"]) == 1
    out, err = capsys.readouterr()
    assert "204 tastings by 177 people" in out and "of 100 triangle answers" in out and err == ""


@pytest.mark.parametrize("share", ["0.2", "0,2", "20%", "20 %"])
def test_a_share_is_read_as_people_write_it(share, capsys):
    assert main(["plan", "triangle", "--p-d", share]) == 0
    assert "at a p_d (correct answers beyond guessing, from 0 to 100 %) of 20 %" in " ".join(
        capsys.readouterr().out.split()
    )


def test_a_stopping_plan_is_printed_to_its_end_where_details_are_asked_for(capsys):
    assert main(["plan", "duo-trio", "--p-d", "0.4", "--sequential"]) == 0
    assert "more rows not shown" in capsys.readouterr().out
    assert main(["plan", "duo-trio", "--p-d", "0.4", "--sequential", "--details"]) == 0
    out = capsys.readouterr().out
    rows = out.partition("Then type")[0].rstrip().splitlines()
    assert "not shown" not in out and rows[-1].split()[0] == "134"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--d-prime", "1", "--similarity"], "need a protocol"),
        (["triangle", "--tasters", "20", "--similarity"], "--purpose similarity needs the difference"),
        (["triangle", "--p-d", "0.3", "--looks", "20", "40", "--similarity"], "a plan with looks says when"),
        (["triangle", "--p-d", "0.3", "--sequential", "--tasters", "40"], "a plan with looks says when"),
        (["triangle", "--p-d", "some"], "'some' is not a share"),
        (["--d-prime", "some"], "'some' is no number"),
    ],
)
def test_what_plan_cannot_use_is_refused(words, said, capsys):
    assert main(["plan", *words]) == 2
    assert said in capsys.readouterr().err


def test_a_panel_run_for_similarity_is_told_its_limit_and_no_critical_number(capsys):
    assert main(["plan", "triangle", "--tasters", "20", "--p-d", "0.2", "--similarity"]) == 0
    # binom.cdf(5, 20, 1/3 + 2/3 * 0.2) = 0.041, by SciPy
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(
        "5 or fewer correct of 20 speak for similarity; a difference at the margin leaves so few in 4.1 % of panels."
    )
    assert "or more correct" not in said


def test_decimal_commas_are_read_and_the_columns_of_the_comparison_explained(capsys):
    assert main(["plan", "--d-prime", "1,5", "--beta", "0,2", "--details"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert (
        "beta-risk 20 %" in out and "tastings / triangle's" in out and "Even at d-prime:" in out and "ratio" not in out
    )


def test_advice_is_for_the_terminal_and_every_problem_is_listed(tmp_path, capsys):
    assert main(["serve", "2-AFC", "6", str(tmp_path / "plan"), "--samples", "old", "new", "--attribute", "salt"]) == 2
    assert "--more 'old' or --more 'new'" in capsys.readouterr().err
    path = tmp_path / "bad.csv"
    path.write_text("panel,protocol,tastings,correct\n" + "".join(f"P{i},triangle,5,9\n" for i in range(40)))
    assert main(["check", str(path)]) == 2
    err = capsys.readouterr().err
    assert "to_frame" not in err and "'P7'" in err and "'P8'" not in err  # eight are printed, the rest counted
    assert "... and 32 more; metasense check FILE --details lists them all" in err
    assert main(["check", str(path), "--details"]) == 2
    assert "'P39'" in capsys.readouterr().err
    path.write_text("panel,protocol,tastings,correct\nA,triangle,24,9\n")
    assert main(["claim", "Some could.", str(path), "--panel", "Fair"]) == 2
    assert capsys.readouterr().err.startswith("there is no panel 'Fair' in bad.csv.")


def test_an_answer_sheet_on_which_nothing_was_typed_makes_no_table(tmp_path, capsys):
    plan = tmp_path / "plan"
    counts = tmp_path / "counts.csv"
    assert main(["serve", "triangle", "6", str(plan), "--allergens", "--hazards"]) in (0, 1)
    assert main(["answers", str(plan), str(plan / "answers.csv"), "--panels", str(counts)]) == 2
    assert "no answer is typed yet" in capsys.readouterr().err and not counts.exists()


CLAIM = ["claim", "Half the tasters could tell."]


@pytest.mark.lab
@pytest.mark.parametrize(
    ("command", "way"),
    [
        (["check"], "< {}"),
        (["check"], "< <(cat {})"),
        (["check"], "<(cat {})"),
        (["pool"], "< <(cat {})"),
        (CLAIM, "<(cat {})"),
    ],
)
def test_a_table_may_come_from_the_shell(command, way, table):
    handed = way.format(table)
    words = f"/dev/stdin {handed}" if handed.startswith("< ") else handed
    line = f'{sys.executable} -m metasense "$@" {words}'
    done = subprocess.run(["bash", "-c", line, "bash", *command], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1) and done.stdout and not done.stderr


@pytest.mark.lab
def test_a_saved_pool_that_comes_through_a_pipe_is_named_as_one(table, tmp_path):
    saved = ms.pool(table).save(tmp_path / "pool.nc")
    words = [sys.executable, "-m", "metasense", "claim", "Half the tasters could tell.", "/dev/stdin"]
    done = subprocess.run(words, input=saved.read_bytes(), capture_output=True, check=False)
    assert done.returncode == 2 and b"a netCDF file, such as a saved pool, not a table" in done.stderr


def test_a_page_changed_by_hand_is_replaced_only_when_that_is_said(table, tmp_path, capsys):
    page = tmp_path / "page.html"
    words = ["pool", str(table), "--report", str(page)]
    assert main(words) in (0, 1)
    assert main(words) in (0, 1)  # by its own kind, unchanged
    written = page.read_bytes()
    page.write_bytes(written.replace(b"\n", b"\r\n"))  # as a mail program may
    assert main(words) in (0, 1) and page.read_bytes() == written
    mine = written.replace(b"</main>", b"<p>What we decided: brew it again.</p></main>")
    assert mine != written
    page.write_bytes(mine)
    capsys.readouterr()
    assert main(words) == 2 and page.read_bytes() == mine
    said = "was changed by hand since. Name a new one, or say --overwrite to replace it."
    assert said in capsys.readouterr().err
    assert main([*words, "--overwrite"]) in (0, 1) and page.read_bytes() == written


def test_a_page_of_other_panels_is_replaced_only_when_that_is_said(table, tmp_path, capsys):
    page = tmp_path / "page.html"
    assert main(["pool", str(table), "--report", str(page)]) in (0, 1)
    capsys.readouterr()
    other = tmp_path / "other.csv"
    other.write_text(GOOD.replace("A,", "E,"))
    words = ["pool", str(other), "--report", str(page)]
    assert main(words) == 2
    assert (
        "of panels not all in this pool. Name a new one, or say --overwrite to replace it." in capsys.readouterr().err
    )
    assert main([*words, "--overwrite"]) in (0, 1)


@pytest.mark.parametrize("name", ["rep.pdf", "rep.docx", "rep.txt"])
def test_a_page_is_not_written_under_the_name_of_another_kind(name, table, tmp_path, capsys):
    assert main(["pool", str(table), "--report", str(tmp_path / name)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and "pages are written as HTML. Name a file that ends in .html or .htm." in err


def test_counts_are_not_added_to_a_table_of_shares(answered, tmp_path, capsys):
    table = tmp_path / "shares.csv"
    table.write_text("panel,protocol,tastings,% correct\nA,triangle,24,50\n")
    assert answers(answered / "x1", "--panels", table, "--append") == 2
    assert "holds shares under '% correct' and no counts" in capsys.readouterr().err
    assert table.read_text().count("\n") == 2


def test_a_card_changed_after_it_was_sealed_is_a_warning(table, tmp_path):
    card = tmp_path / "card.toml"
    ms.Card(
        question="Q?", decision="D.", margin=ms.Margin(d_prime=1), protocols="triangle", date="2025-01-01", tastings=24
    ).save(card)
    assert main(["pool", str(table), "--card", str(card)]) == 0
    card.write_text(card.read_text().replace('"D."', '"Another."'))
    assert main(["pool", str(table), "--card", str(card)]) == 1
