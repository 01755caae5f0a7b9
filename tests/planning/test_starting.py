"""Starting: the folder of one question, from an empty table to the page, whole or not at all."""

import datetime
import io
import json
import os
import pty
import shlex
import subprocess
import sys

import openpyxl
import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main
from metasense.planning import starting
from metasense.planning.asking import ask_card
from metasense.planning.blank import blank_table
from metasense.planning.decided import ANSWERS_LOOK_LIKE
from metasense.planning.starting import start
from metasense.protocols import PROTOCOLS
from metasense.showing.words import banned

ANSWERS = {
    "question": "Is the new yeast noticed?",
    "decision": "Change if within the margin.",
    "margin": "0.2 triangle",
    "protocols": ["triangle"],
    "tastings": 24,
    "date": "2025-03-01",
    "moderators": ["weeks"],
}
FILES = {"card.toml", "panels.xlsx", "panels.csv", "answer.ipynb"}


def run_notebook(folder, monkeypatch, capsys):
    """What its cells print, run in a fresh namespace in the folder."""
    monkeypatch.chdir(folder)
    space = {}
    for cell in json.loads((folder / "answer.ipynb").read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), space)  # the cells that we wrote
    return space, capsys.readouterr().out


def fill(path, *rows):
    """Write panels below the example, as a person does in a spreadsheet program."""
    book = openpyxl.load_workbook(path)
    sheet = book["panels"]
    heads = [cell.value for cell in sheet[1]]
    for at, row in enumerate(rows, 3):
        for name, value in row.items():
            sheet.cell(at, heads.index(name) + 1, value)
    book.save(path)


def test_the_folder_holds_card_tables_and_notebook(tmp_path):
    made = start(tmp_path / "yeast", ANSWERS)
    assert {path.name for path in made.folder.iterdir()} == FILES
    card = ms.Card.load(made.folder / "card.toml")
    assert card == made.card and not card.edited
    assert card.margin == ms.Margin("0.2 triangle")
    says = repr(made)
    assert says.splitlines()[-1].startswith('Next: ms.serve("triangle", 24, samples=("old", "new"), panel="panel 1", ')
    assert "allergens" in says and "Local codes" in says
    assert not banned(says)


@pytest.mark.parametrize("name", ["panels.xlsx", "panels.csv"])
def test_the_fresh_table_says_that_there_is_no_panel_yet(name, tmp_path, capsys):
    made = start(tmp_path / "yeast", ANSWERS)
    with pytest.raises(ms.PanelsError, match="there is no panel yet, only the example"):
        ms.read_panels(made.folder / name)
    assert main(["check", str(made.folder / name)]) == 2
    assert "there is no panel yet" in capsys.readouterr().err


@pytest.mark.parametrize("name", list(PROTOCOLS))
def test_the_example_of_every_protocol_could_be_a_panel_and_is_none(name):
    card = ms.Card(**{**ANSWERS, "protocols": [name, "triangle"], "moderators": ["=weeks"]})
    frame = blank_table(card)
    with pytest.raises(ms.PanelsError, match="there is no panel yet"):
        ms.read_panels(frame)
    panels = ms.read_panels(frame.assign(left_out="no"))
    assert len(panels) == 1


def test_panels_below_the_example_are_read_and_the_example_is_not(tmp_path):
    made = start(tmp_path / "yeast", ANSWERS)
    fill(
        made.folder / "panels.xlsx",
        {"panel": "March", "protocol": "triangle", "tastings": 24, "correct": 9, "weeks": 2, "left_out": "no"},
        {"panel": "April", "protocol": "triangle", "tastings": 24, "correct": 8, "weeks": 4},
    )
    panels = ms.read_panels(made.folder / "panels.xlsx")
    assert panels.frame["panel"].tolist() == ["March", "April"]
    assert "weeks" in panels.moderators
    assert any("an example" in note for note in panels.notes)
    # the example is no exclusion, and so no departure from the card
    said = made.card.departures(panels, margin=made.card.margin, priors=made.card.priors)
    assert not any("left out" in line for line in said)


def test_the_workbook_offers_choices_and_refuses_counts_that_cannot_be(tmp_path):
    made = start(tmp_path / "yeast", ANSWERS)
    sheet = openpyxl.load_workbook(made.folder / "panels.xlsx")["panels"]
    heads = [cell.value for cell in sheet[1]]
    rules = {}
    for rule in sheet.data_validations.dataValidation:
        column = next(iter(rule.sqref.ranges)).min_col
        rules[heads[column - 1]] = rule
    assert set(rules) == set(heads)
    assert set(rules["protocol"].formula1.strip('"').split(",")) == set(PROTOCOLS)
    assert rules["reported"].formula1 == '"yes,no"'
    assert rules["date"].type == "date"
    assert rules["correct"].type == "whole" and rules["tastings"].type == "whole"
    assert sheet[f"{rules['correct'].formula2[0]}1"].value == "tastings"
    assert all(rule.prompt for rule in rules.values())
    assert rules["left_out"].errorStyle == "information"  # a reason may stand there too


@pytest.mark.parametrize("name", ["triangle", "A-not-A", "2-AFC"])
def test_the_notebook_runs_on_the_empty_table_and_says_what_is_missing(name, tmp_path, monkeypatch, capsys):
    made = start(tmp_path / "yeast", {**ANSWERS, "protocols": [name]})
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert space["pooled"] is None
    assert "there is no panel yet" in out
    assert out.count("Still missing") == 3 and out.count("there is no panel yet") == 2  # of both tables
    assert "No evening is recorded in this folder yet" in out
    assert not (made.folder / "answer.html").exists()


@pytest.mark.lab
@pytest.mark.parametrize("name", ["triangle", "A-not-A"])
def test_the_notebook_runs_from_filled_table_to_page(name, tmp_path, monkeypatch, capsys):
    made = start(tmp_path / "yeast", {**ANSWERS, "protocols": [name]})
    counts = {"tastings": 24, "correct": 9}
    if name == "A-not-A":
        counts = {"signal": 20, "hits": 12, "noise": 20, "false_alarms": 9}
    fill(made.folder / "panels.xlsx", {"panel": "March", "protocol": name, **counts})
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert "Still missing" not in out and "there is no panel yet" not in out  # the other table is not in use
    assert len(space["panels"]) == 1
    assert space["pooled"].margin == made.card.margin
    assert "Wrote" in out and (made.folder / "answer.html").stat().st_size > 1000


@pytest.mark.lab
def test_the_notebook_reads_the_table_that_the_terminal_adds_to(tmp_path, monkeypatch, capsys):
    made = start(tmp_path / "yeast", ANSWERS)
    panel = {"protocol": "triangle", "tastings": 24, "correct": 9}
    assert ms.read_panels({"panel": ["March"], **panel}).add_to(made.folder / "panels.csv")
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert space["panels"].frame["panel"].tolist() == ["March"] and "Still missing" not in out
    fill(made.folder / "panels.xlsx", {"panel": "April", **panel})
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert space["pooled"] is None and "Both panels.csv and panels.xlsx hold panels" in out
    (made.folder / "panels.csv").unlink()
    (made.folder / "answer.html").unlink()
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert space["panels"].frame["panel"].tolist() == ["April"]


def test_the_steps_of_a_folder_name_one_table_and_its_card(tmp_path, monkeypatch, capsys):
    """Each command is the one that the command before it ends with."""
    monkeypatch.chdir(tmp_path)
    made = start("yeast", {**ANSWERS, "tastings": 6})
    line = made.next_command()
    assert f"yeast/panel_1 --date {datetime.date.today()}" in line
    tables = []
    for step in range(3):
        assert main([*shlex.split(line)[1:], *(["--allergens", "--hazards"] if " serve " in line else [])]) in (0, 1)
        out = capsys.readouterr().out
        line = " ".join(out[out.index("Then type: ") + len("Then type: ") :].replace("\\\n", " ").split())
        if step == 0:
            sheet = pd.read_csv("yeast/panel_1/answers.csv", dtype=str)
            sheet.assign(answer=sheet["cups"].str[:3]).to_csv("yeast/panel_1/answers.csv", index=False)
        tables += [word for word in shlex.split(line) if word.endswith("panels.csv")]
    assert tables == ["yeast/panels.csv"] * 3
    pooled = ms.pool("yeast/panels.csv", card="yeast/card.toml")
    assert pooled.panels.frame["date"].notna().all() and pooled.card == made.card


def test_the_notebook_has_the_form_of_one(tmp_path):
    nbformat = pytest.importorskip("nbformat")
    made = start(tmp_path / "yeast", ANSWERS)
    nbformat.validate(nbformat.read(made.folder / "answer.ipynb", as_version=4))


def test_nothing_is_written_over(tmp_path, capsys):
    made = start(tmp_path / "yeast", ANSWERS)
    before = {path.name: path.read_bytes() for path in made.folder.iterdir()}
    with pytest.raises(FileExistsError, match="the folder is not empty"):
        start(made.folder, ANSWERS)
    assert main(["start", str(made.folder)]) == 2
    assert "the folder is not empty" in capsys.readouterr().err
    assert {path.name: path.read_bytes() for path in made.folder.iterdir()} == before


def test_the_folder_appears_whole_or_not_at_all(tmp_path, monkeypatch):
    def fail(frame, path):
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr(starting, "write_workbook", fail)
    with pytest.raises(OSError, match="the disk is full"):
        start(tmp_path / "deep" / "yeast", ANSWERS)
    assert list(tmp_path.iterdir()) == []


def test_answers_that_make_no_card_are_refused_in_words_and_leave_nothing(tmp_path, capsys):
    answers = tmp_path / "answers.toml"
    answers.write_text('question = "Q?"\nblind = ja\n', encoding="utf-8")
    assert main(["start", str(tmp_path / "new"), "--answers", str(answers)]) == 2
    assert "line 2: 'blind' is no line of a question card. Leave it out" in capsys.readouterr().err
    assert not (tmp_path / "new").exists()


def test_answers_may_be_a_card_that_was_sealed(tmp_path, capsys):
    card = ms.Card(**ANSWERS)
    card.save(tmp_path / "card.toml")
    assert main(["start", str(tmp_path / "new"), "--answers", str(tmp_path / "card.toml")]) == 0
    assert ms.Card.load(tmp_path / "new" / "card.toml") == card
    assert "Then type: metasense serve triangle" in capsys.readouterr().out.strip()


def test_without_answers_and_terminal_words_say_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert main(["start", str(tmp_path / "new")]) == 2
    err = capsys.readouterr().err
    assert "asked in a terminal, and this is none" in err and "--answers" in err and 'margin = "0.2 triangle"' in err
    assert not (tmp_path / "new").exists()


def test_the_answers_that_are_shown_as_an_example_make_a_card(tmp_path):
    (tmp_path / "answers.toml").write_text(ANSWERS_LOOK_LIKE, encoding="utf-8")
    assert start(tmp_path / "new", tmp_path / "answers.toml").card.protocols == ("triangle",)


def test_every_question_is_asked_again_until_it_is_answered():
    typed = iter([
        "", "Is it noticed?",  # a line that is needed
        "Change if within.",
        "square", "triangle, tetrad",
        "many", "30",
        "", "0.2", "?", "10", "15", "no", "47 of 100 correct triangle", "",  # 10 of 30 is what guessing gives
        "0", "4",
        "",
        "spilled cups",
        "weeks, style",
    ])  # fmt: skip
    said = []
    card = ask_card(lambda prompt: next(typed), said.append)
    assert next(typed, None) is None
    assert card.margin == ms.Margin("47 of 100 correct triangle")
    assert card.protocols == ("triangle", "tetrad")
    assert (card.tastings, card.panels, card.looks) == (30, 4, 1)
    assert (card.exclusions, card.moderators) == ("spilled cups", ("weeks", "style"))
    text = "\n".join(said)
    for part in ("this line is needed", "no protocol called 'square'", "a whole number", "more than guessing gives",
                 "Of 30 triangle answers, how many right", 'write "0.2 triangle"', "Counts to choose from"):  # fmt: skip
        assert part in text
    assert not banned(text)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a terminal of its own")
def test_in_a_terminal_the_card_is_asked_for(tmp_path):
    typed = "Is it noticed?\nChange if within.\n\n\n12\n\n\n\n\n\n"
    outer, inner = pty.openpty()
    try:
        os.write(outer, typed.encode())
        ended = subprocess.run(
            [sys.executable, "-m", "metasense", "start", str(tmp_path / "new")],
            stdin=inner,
            capture_output=True,
            text=True,
            timeout=120,
        )
    finally:
        os.close(outer)
        os.close(inner)
    assert ended.returncode == 0, ended.stderr
    assert ms.Card.load(tmp_path / "new" / "card.toml").margin.text == "0.25 triangle"
    assert "Then type: metasense serve triangle 24" in ended.stdout


def test_a_panel_is_added_to_the_fresh_table(tmp_path):
    made = start(tmp_path / "yeast", ANSWERS)
    panel = ms.read_panels({"panel": ["March"], "protocol": "triangle", "tastings": 24, "correct": 9})
    assert panel.add_to(made.folder / "panels.csv")
    assert not panel.add_to(made.folder / "panels.csv")
    assert ms.read_panels(made.folder / "panels.csv").frame["panel"].tolist() == ["March"]


def test_a_panel_that_says_more_than_its_row_in_the_table_is_not_passed_over(tmp_path):
    table = tmp_path / "panels.csv"
    table.write_text("panel,protocol,tastings,correct\nMay,triangle,24,12\n")
    liked = ms.read_panels("panel,protocol,tastings,correct,prefer_new,prefer_old,asked\nMay,triangle,24,12,9,7,pair\n")
    before = table.read_bytes()
    with pytest.raises(ValueError, match=r"has the panel 'May' already, without .*prefer_new"):
        liked.add_to(table)
    assert table.read_bytes() == before
    liked.to_csv(table, overwrite=True)
    assert not ms.read_panels("panel,protocol,tastings,correct\nMay,triangle,24,12\n").add_to(table)


def evening(folder, panel, seed):
    """A plan saved in a folder, with every answer but one taster's, who was absent, recorded."""
    who = [f"T{i}" for i in range(6)]
    saved = ms.serve("triangle", who, samples=("old", "new"), panel=panel, allergens=[], hazards=[], seed=seed)
    night = ms.Recording.open(saved.save(folder))
    for taster in who[1:]:
        night.put(taster, night.cups(taster).split()[0])
    return night


@pytest.mark.lab
def test_the_notebook_pools_the_evenings_of_its_folder_once_all_ballots_are_in(tmp_path, monkeypatch, capsys):
    made = start(tmp_path / "yeast", ANSWERS)
    nights = [evening(made.folder / f"panel_{i}", f"evening {i}", i) for i in (1, 2)]
    nights[0].put("T0", incident="absent")
    market = {"panel": ["Market"], "protocol": "triangle", "tastings": 24, "correct": 9}
    ms.read_panels(market).to_csv(made.folder / "panels.csv", append=True)
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert "5 of 6 ballots are recorded" in out
    assert space["pooled"].panels.frame["panel"].tolist() == ["Market", "evening 1"]
    nights[1].put("T0", incident="absent")
    page = made.folder / "page.html"
    page.write_text("another page")
    space["evenings"][0].to_panels().to_csv(made.folder / "panels.csv", append=True)  # its counts may stand there too
    space, out = run_notebook(made.folder, monkeypatch, capsys)
    assert space["pooled"].panels.frame["panel"].tolist() == ["Market", "evening 1", "evening 2"]
    assert space["pooled"].core.regulars is not None
    assert page.read_text() == "another page" and (made.folder / "answer.html").exists()


def test_without_answers_everything_that_is_needed_is_listed_with_an_example(tmp_path):
    with pytest.raises(ValueError, match="is written before the panels, and needs") as caught:
        ms.start(tmp_path / "yeast")
    said = str(caught.value)
    for line in ("question: ", "decision: ", "margin: ", "protocols: ", "tastings: ", "ms.start(", '"tastings": 24,'):
        assert line in said
    assert not (tmp_path / "yeast").exists()


def test_an_example_comes_in_the_form_the_answers_were_given_in(tmp_path):
    with pytest.raises(ValueError, match="decision is missing") as caught:
        ms.start(tmp_path / "yeast", {"question": "Q?", "margin": "0.2 triangle"})
    assert 'as in "protocols": ["triangle"],' in str(caught.value)
    assert "say how many tastings" in str(caught.value)
    file = tmp_path / "answers.toml"
    file.write_text('question = "Q?"\n', encoding="utf-8")
    with pytest.raises(ValueError, match="margin is missing") as caught:
        ms.start(tmp_path / "yeast", file)
    assert 'as in protocols = ["triangle"]' in str(caught.value)
