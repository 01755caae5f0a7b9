"""What is printed fits any terminal, and says options where the library says arguments."""

import os
import subprocess
import sys

import pytest

import metasense as ms
from metasense.cli import main
from metasense.cli.phrases import in_options
from metasense.cli.printing import complain, serving
from metasense.protocols import protocol
from metasense.showing.words import LINE

CIDER = "datasets/cider_fining.csv"


def run(*words, **environment):
    """A command in a process of its own, and what it printed."""
    return subprocess.run(
        [sys.executable, "-m", "metasense", *words], capture_output=True, check=False, env=os.environ | environment
    )


def test_a_narrow_encoding_gets_plain_characters_and_costs_no_answer():
    done = run("ask", "statement", CIDER, "--margin", "0.2 triangle", PYTHONIOENCODING="ascii")
    assert done.returncode in (0, 1) and not done.stderr
    text = done.stdout.decode("ascii")
    assert "7 x triangle" in text and "?" not in text


@pytest.mark.lab
@pytest.mark.parametrize("environment", [{"TERM": "dumb"}, {"LC_ALL": "C", "PYTHONUTF8": "0"}, {"COLUMNS": "200"}])
def test_a_plain_terminal_gets_the_same_answer_in_80_columns(environment, capsys):
    done = run("pool", CIDER, "--margin", "0.2 triangle", **environment)
    assert main(["pool", CIDER, "--margin", "0.2 triangle"]) == done.returncode
    assert done.stdout.decode("utf-8", "replace") == capsys.readouterr().out and not done.stderr


@pytest.mark.lab
@pytest.mark.skipif(os.name != "posix", reason="a shell of POSIX")
@pytest.mark.parametrize("words", ["pool", "ask panels", "check"])
def test_a_reader_of_the_first_lines_only_gets_no_noise(words):
    line = f'"{sys.executable}" -m metasense {words} {CIDER} --details | head -2'
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=False)
    assert done.stderr == "" and len(done.stdout.splitlines()) == 2


@pytest.mark.lab
@pytest.mark.skipif(os.name != "posix", reason="terminals of POSIX")
@pytest.mark.parametrize("columns", [60, 120])
def test_a_terminal_is_used_as_wide_as_it_is(columns):
    import fcntl
    import pty
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    words = [sys.executable, "-m", "metasense", "ask", "panels", CIDER, "--details"]
    environment = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    with subprocess.Popen(words, stdout=theirs, stderr=subprocess.DEVNULL, env=environment) as running:
        os.close(theirs)
        text = b""
        while chunk := _read(ours):
            text += chunk
    os.close(ours)
    assert running.returncode in (0, 1)
    widths = [len(line) for line in text.decode().replace("\r\n", "\n").split("\n")]
    assert columns - 25 < max(widths) <= columns


def _read(descriptor):
    try:
        return os.read(descriptor, 65536)
    except OSError:  # the other end is closed
        return b""


def test_a_table_too_wide_for_a_terminal_comes_in_blocks_that_each_name_the_rows():
    table = ms.pool(CIDER).fit()._shown()[-2]
    before = LINE.set(60)
    try:
        blocks = table.to_text().split("\n\n")
        assert len(blocks) > 1 and all("Guild tetrad" in block for block in blocks)
        assert max(len(line) for block in blocks for line in block.split("\n")[1:]) <= 60
    finally:
        LINE.reset(before)
    assert "\n\n" not in table.to_text()  # the library's own text stays one table


@pytest.mark.parametrize(
    ("library", "terminal"),
    [
        ("say overwrite=True (--overwrite) to replace it.", "say --overwrite to replace it."),
        ("choose it with sheet='My panels' (--sheet 'My panels').", "choose it with --sheet 'My panels'."),
        ("choose with sheet= (--sheet).", "choose with --sheet."),
        ("say the size one way: p_d=... or d_prime=...", "say the size one way: --p-d or --d-prime"),
        ("pool(..., moderators='weeks') puts it in.", "--moderator 'weeks' puts it in."),
        ("checked when asked for: pooled.fit().", "checked when asked for: metasense ask fit."),
        ("12 more rows not shown here; to_frame() holds them all.",
         "12 more rows not shown here; --details or --format csv gives them all."),
        ("plan_next compares larger plans.", "metasense next compares larger plans."),
        ("as separate blind pairs; or give separate blind pairs as pairs=.",
         "as separate blind pairs; or give a table of separate blind pairs with --pairs."),
        ("Fill it in, or leave those panels out: panels.where(lambda frame: frame['Age, weeks'].notna(), 'Age, weeks "
         "known').", "Fill it in, or leave those panels out with yes in a column left_out."),
        ("serve more panels, and pool them all with pool().", "serve more panels, and pool them all."),
        ("16 more rows in details().", "16 more rows with --details."),
        ("Join the two with read_answers(key, answers), or in a terminal with: metasense answers KEY ANSWERS.",
         "Join the two with metasense answers KEY ANSWERS --tastings OUT.csv."),
        ("got panels = 99 (1 to 50).", "got --panels 99 (1 to 50)."),
        ("panel 'margin=1' has 9 of 5.", "panel 'margin=1' has 9 of 5."),
    ],
)  # fmt: skip
def test_arguments_are_said_as_options(library, terminal):
    assert in_options(library) == terminal


def test_the_command_that_serves_names_both_products_and_a_folder_that_is_not_there(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert serving(protocol("triangle"), 24)[:7] == ("serve", "triangle", 24, "evening", "--samples", "OLD", "NEW")
    (tmp_path / "evening").mkdir()
    (tmp_path / "evening_2").write_text("")
    assert serving(protocol("triangle"), 24)[3] == "evening_3"
    words = serving(protocol("3-AFC"), 24)
    assert words[words.index("--more") + 1] in words[words.index("--samples") + 1 : words.index("--samples") + 3]


def test_errors_are_folded_between_words_on_a_terminal_and_keep_their_lines_elsewhere(capsys, monkeypatch):
    problem = (
        "2 problems\n  row 3, 'correct': "
        + "more correct answers than there were tastings " * 3
        + "in /a/very/long/path.csv"
    )
    complain(problem)
    assert capsys.readouterr().err == f"{problem}\n"
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setattr("shutil.get_terminal_size", lambda _: os.terminal_size((60, 24)))
    complain(problem)
    folded = capsys.readouterr().err.rstrip("\n").split("\n")
    assert max(map(len, folded)) <= 60 and folded[0] == "2 problems" and folded[1].startswith("  row 3")
    assert all(line.startswith("    ") for line in folded[2:])
    assert " ".join(" ".join(folded).split()) == " ".join(problem.split())
