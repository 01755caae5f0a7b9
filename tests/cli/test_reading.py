"""Files that a command names: tables, sheets, saved pools, and files of ours that are none of these."""

import shlex

import openpyxl
import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main

GOOD = "panel,protocol,tastings,correct\nA,triangle,24,12\nB,triangle,60,28\n"


@pytest.fixture(scope="module")
def ours(tmp_path_factory):
    """Files that metasense itself writes, by name."""
    folder = tmp_path_factory.mktemp("ours")
    plan = folder / "evening"
    main(["serve", "triangle", "6", str(plan), "--allergens", "--hazards"])
    lines = folder / "lines.toml"
    lines.write_text(
        'question = "Is it noticed?"\ndecision = "Change if within."\nmargin = "0.2 triangle"\n'
        'protocols = ["triangle"]\ntastings = 24\ndate = 2025-03-01\n'
    )
    return {
        "key": plan / "sealed" / "key.csv",
        "answers": plan / "answers.csv",
        "trays": plan / "trays.csv",
        "filling": plan / "filling" / "filling.csv",
        "plan": plan,
        "lines": lines,
        "folder": folder,
    }


@pytest.mark.parametrize("command", [["check"], ["pool"], ["next"], ["preference"], ["claim", "Half could tell."]])
@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("key", "this looks like the key of a served panel"),
        ("answers", "this looks like the answers sheet of a served panel"),
        ("trays", "this looks like a list by which a panel is poured or served"),
        ("filling", "this looks like a list by which a panel is poured or served"),
        ("plan", "holds the sheets and the key of a served panel"),
        ("lines", "ends as a question card does, and is no table"),
    ],
)
def test_files_of_ours_are_recognised_and_the_right_command_named(command, name, says, ours, capsys):
    assert main([*command, str(ours[name])]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert ("metasense card check" if name == "lines" else "metasense answers KEY ANSWERS") in err


@pytest.mark.parametrize("sheet", ["2", "gelato", "GELATO"])
def test_a_sheet_is_named_by_number_or_in_any_capitals(sheet, tmp_path, capsys):
    book = tmp_path / "book.xlsx"
    with pd.ExcelWriter(book) as writer:
        pd.DataFrame([["what we planned"]]).to_excel(writer, sheet_name="Plan", index=False)
        ms.read_panels(GOOD).typed().to_excel(writer, sheet_name="Gelato", index=False)
    assert openpyxl.load_workbook(book).sheetnames == ["Plan", "Gelato"]
    assert main(["check", str(book), "--sheet", sheet]) == 0
    assert "2 panels, 84 tastings" in capsys.readouterr().out
    assert main(["check", str(book), "--sheet", "sorbet"]) == 2
    assert "there is no sheet 'sorbet'; the sheets are 'Plan' and 'Gelato'." in capsys.readouterr().err
    assert main(["check", str(book)]) == 2
    err = capsys.readouterr().err
    assert "choose it with --sheet 'Gelato'" in err and "sheet=" not in err


def test_a_panel_in_two_files_is_named_with_both(tmp_path, capsys):
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text(GOOD)
    assert main(["pool", str(tmp_path / "one.csv"), str(tmp_path / "two.csv")]) == 2
    assert "panel 'A' is in one.csv and two.csv. Leave one out" in capsys.readouterr().err


def test_a_card_is_sealed_checked_and_held_beside_its_panels(ours, capsys):
    card = ours["folder"] / "card.toml"
    assert main(["card", "seal", str(ours["lines"]), str(card)]) == 0
    assert f"sealed: {ms.Card.load(card).sha256[:16]}" in " ".join(capsys.readouterr().out.split())
    assert main(["card", "check", str(card)]) == 0
    assert "It is as it was sealed" in capsys.readouterr().out
    table = ours["folder"] / "panels.csv"
    table.write_text(GOOD)
    assert main(["card", "check", str(card), str(table)]) == 1
    departures = ms.Card.load(card).departures(
        ms.read_panels(table), margin=ms.Margin("0.2 triangle"), priors=ms.Priors()
    )
    said = " ".join(capsys.readouterr().out.split())
    assert departures and all(departure in said for departure in departures)
    before = card.read_bytes()
    assert main(["card", "seal", str(ours["lines"]), str(table)]) == 2
    assert table.read_text() == GOOD and card.read_bytes() == before
    card.write_text(card.read_text().replace("Change if within", "Keep it"))
    assert main(["card", "check", str(card)]) == 1
    assert "this card was changed after it was written" in capsys.readouterr().out


def test_a_card_is_written_from_options_and_says_which_are_missing(tmp_path, capsys):
    card = tmp_path / "card.toml"
    words = ["card", "write", str(card), "--question", "Is it noticed?", "--decision", "Change if within."]
    assert main(words) == 2
    assert "a card also needs --margin and --protocol" in capsys.readouterr().err and not card.exists()
    words += ["--margin", "0.2", "triangle", "--protocol", "triangle", "--tastings", "24", "--date", "2025-03-01"]
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "Then type: metasense plan triangle --margin '0.2 triangle'" in out
    written = ms.Card.load(card)
    assert written.margin == ms.Margin("0.2 triangle") and written.tastings == 24 and not written.edited
    assert main(words) == 2  # never written over


def test_a_card_without_options_is_asked_for_and_only_in_a_terminal(tmp_path, capsys):
    assert main(["card", "write", str(tmp_path / "card.toml")]) == 2
    assert "Give --question, --decision, --margin and --protocol." in capsys.readouterr().err


def test_the_folder_of_a_question_names_the_table_in_it(ours, capsys):
    folder = ours["folder"] / "question"
    assert main(["start", str(folder), "--answers", str(ours["lines"])]) == 0
    capsys.readouterr()
    assert main(["check", str(folder)]) == 2
    said = capsys.readouterr().err
    assert "is the folder of one question. Name the table in it" in said and "panels.xlsx" in said


def test_days_in_a_csv_have_no_hour():
    from metasense.showing.tables import as_csv

    assert as_csv(pd.DataFrame({"date": [pd.Timestamp("2025-03-04"), pd.NaT]})) == 'date\n2025-03-04\n""\n'
    assert "18:30" in as_csv(pd.DataFrame({"date": [pd.Timestamp("2025-03-04 18:30")]}))


def test_check_names_the_command_that_mends_what_it_lists(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    old = tmp_path / "old panels.csv"
    old.write_text("Cider,,,\n" + GOOD + "Total,,84,40\n")
    assert main(["check", old.name]) == 2
    said = capsys.readouterr().err
    assert "A copy with what is sure put right (2 changes; it can then be read):" in said
    typed = said.rstrip().split("\n")[-1].strip()
    assert typed == "metasense check 'old panels.csv' --fix 'old panels_mended.xlsx'"
    assert main(shlex.split(typed)[1:]) == 0
    capsys.readouterr()
    assert main(["check", old.name, "--details"]) == 2
    assert "--fix 'old panels_mended_2.xlsx'" in capsys.readouterr().err  # the first copy is there now
    old.write_text("panel,protocol,tastings,correct\nA,triangle,24,25\n")
    assert main(["check", old.name]) == 2
    assert "--fix" not in capsys.readouterr().err  # which would change nothing


def typed_next(capsys):
    """The command that was named last, in words."""
    return shlex.split(capsys.readouterr().out.partition("Then type: metasense ")[2].replace("\\\n", " "))


def test_the_next_command_keeps_what_was_said_and_makes_no_margin_up(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lab").mkdir()
    table = tmp_path / "lab" / "panels.csv"
    table.write_text(
        "panel,protocol,tastings,correct,weeks\nA,triangle,24,12,1\nB,triangle,60,28,3\nC,triangle,30,12,6\n"
    )
    assert main(["check", "lab/panels.csv"]) == 0
    assert typed_next(capsys) == ["pool", "lab/panels.csv"]
    card = (
        "card write lab/card.toml --question Q? --decision D. --protocol triangle --margin '0.3 triangle' --tastings 24"
    )
    assert main(shlex.split(card)) == 0
    capsys.readouterr()
    assert main(["check", "lab/panels.csv"]) == 0
    assert typed_next(capsys) == ["pool", "lab/panels.csv", "--card", "lab/card.toml"]
    assert main(["card", "check", "lab/card.toml"]) == 0
    assert typed_next(capsys) == ["pool", "lab/panels.csv", "--card", "lab/card.toml"]
    main(["pool", "lab/panels.csv", "--card", "lab/card.toml"])
    assert typed_next(capsys)[-2:] == ["--card", "lab/card.toml"]
    main(["pool", "lab/panels.csv", "--margin", "0.3 triangle", "--moderator", "weeks"])
    said = typed_next(capsys)
    assert said[0] == "pool" and said[said.index("--moderator") + 1] == "weeks"
    main(["pool", "lab/panels.csv", "--margin", "0.3 triangle", "--save", "lab.nc"])
    assert "lab.nc" in typed_next(capsys)
