"""The command line: the two commands, their exit codes, and no traceback whatever the file."""

import subprocess
import sys

import pytest

from metasense.cli import main

GOOD = "panel,protocol,tastings,correct\nA,triangle,24,12\nB,triangle,30,11\n"


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "panels.csv"
    path.write_text(GOOD)
    return path


def test_pool_prints_the_answer_and_writes_the_page(table, tmp_path, capsys):
    page = tmp_path / "page.html"
    assert main(["pool", str(table), "--margin", "0.2 triangle", "--report", str(page)]) == 0
    out, err = capsys.readouterr()
    assert "average d-prime" in out and "margin" in out and err == ""
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


def test_check_says_what_was_read(table, capsys):
    assert main(["check", str(table)]) == 0
    assert "12 of 24" in capsys.readouterr().out


def test_answer_with_a_warning_that_matters_is_exit_code_1(tmp_path, capsys):
    path = tmp_path / "reversed.csv"
    path.write_text(GOOD + "C,triangle,60,5\n")
    assert main(["pool", str(path)]) == 1
    assert "coding error" in capsys.readouterr().out


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


def test_a_margin_that_is_none_is_explained(table, capsys):
    assert main(["pool", str(table), "--margin", "small"]) == 2
    assert "is not a margin" in capsys.readouterr().err


def test_a_page_that_cannot_be_written_is_said(table, tmp_path, capsys):
    assert main(["pool", str(table), "--report", str(tmp_path / "no" / "such" / "page.html")]) == 2
    assert "page.html" in capsys.readouterr().err


def test_the_installed_command_runs_as_a_script(table):
    done = subprocess.run(
        [sys.executable, "-m", "metasense", "check", str(table)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    missing = subprocess.run(
        [sys.executable, "-m", "metasense", "pool", "nowhere.csv"], capture_output=True, text=True, check=False
    )
    assert missing.returncode == 2 and "Traceback" not in missing.stderr and "nowhere.csv" in missing.stderr
