"""Running the command: what a shell may complete, and every first screen in a plain terminal."""

import io
import os
import subprocess
import sys

import pytest

from metasense.cli import main

CIDER = "datasets/cider_fining.csv"


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("metasense che", {"check"}),
        ("metasense card s", {"seal"}),
        ("metasense pool panels.csv --mod", {"--moderator"}),
        ("metasense serve tri", {"triangle"}),
        ("metasense plan same", {"same-different"}),
        ("metasense next panels.csv --protocol spec", {"specified tetrad"}),
        ("metasense ask sens", {"sensitivity"}),
        ("metasense pool panels.csv --format j", {"json"}),
    ],
)
def test_a_shell_completes_commands_options_and_protocols(line, offered, tmp_path):
    pytest.importorskip("argcomplete")
    out = tmp_path / "offered"
    asked = {"_ARGCOMPLETE": "1", "_ARGCOMPLETE_IFS": "|", "COMP_LINE": line, "COMP_POINT": str(len(line))}
    asked |= {"_ARGCOMPLETE_STDOUT_FILENAME": str(out), "_ARGCOMPLETE_SHELL": "bash"}
    done = subprocess.run([sys.executable, "-m", "metasense"], env=os.environ | asked, capture_output=True, check=False)
    assert done.returncode == 0 and not done.stdout
    words = {word.strip().replace("\\", "") for word in out.read_text(encoding="utf-8").split("|")}
    assert offered <= words and len(words) <= 3


SCREENS = [
    ["pool", CIDER, "--margin", "0.2 triangle"],
    ["check", CIDER],
    ["one", "triangle", "12", "24", "--margin", "0.2 triangle"],
    ["ask", "disagreement", CIDER],
    ["plan", "triangle", "24", "--margin", "0.3 triangle"],
    ["plan", "triangle", "--sequential", "--margin", "0.3 triangle"],
    ["next", CIDER, "--margin", "0.2 triangle", "--protocol", "tetrad", "--tasters", "24"],
    ["preference", CIDER],
    ["claim", "There is no difference.", CIDER],
    ["ask", "nothing", CIDER],
    ["pool", "no_such_file.csv"],
]


@pytest.mark.parametrize(
    ("words", "encoding"),
    [(words, "ascii") for words in SCREENS] + [(SCREENS[0], "latin-1"), (SCREENS[0], "cp437")],
    ids=lambda part: " ".join(part[:2]) if isinstance(part, list) else part,
)
def test_no_answer_and_no_refusal_is_lost_to_an_encoding(words, encoding, monkeypatch, capsys):
    code = main(words)
    plain = capsys.readouterr()
    streams = {name: io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n") for name in ("stdout", "stderr")}
    for name, stream in streams.items():
        monkeypatch.setattr(sys, name, stream)
    assert main(words) == code
    for name, stream in streams.items():
        stream.flush()
        shown = stream.buffer.getvalue().decode(encoding)
        wanted = plain.out if name == "stdout" else plain.err
        assert shown.count("\n") == wanted.count("\n") and len(shown.split()) == len(wanted.split())
        assert "?" not in shown.replace("?", "", wanted.count("?"))


@pytest.mark.parametrize("words", [SCREENS[0], *SCREENS[-2:]], ids=lambda words: " ".join(words[:2]))
def test_a_terminal_that_can_do_nothing_shows_no_codes_of_control(words, monkeypatch, capsys):
    main(words)
    usual = capsys.readouterr()
    monkeypatch.setenv("TERM", "dumb")
    main(words)
    assert capsys.readouterr() == usual
    assert not any(ord(character) < 32 and character != "\n" for character in usual.out + usual.err)
