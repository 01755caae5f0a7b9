"""Commands before and around a panel: their first screens, their exit codes, and sheets in the maker's language."""

import shlex

import pytest

import metasense as ms
from metasense.cli import main

CARD = """\
question = "Is the new yeast noticed?"
decision = "Change if within."
margin = "0.2 triangle"
protocols = "triangle"
tastings = 24
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A project with one panel served and answered."""
    place = tmp_path_factory.mktemp("project")
    (place / "card_lines.toml").write_text(CARD, encoding="utf-8")
    ms.start(place / "yeast", place / "card_lines.toml")
    plan = ms.serve("triangle", 24, samples=("old", "new"), panel="spring", allergens=[], hazards=[], seed=2**70)
    plan.save(place / "yeast" / "panel_1")
    sheet = plan.answer_sheet()
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.to_csv(place / "yeast" / "panel_1" / "answers.csv", index=False)
    return place


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ("start new --answers card_lines.toml", 0),
        ("card write card.toml --question Q? --decision D. --margin '0.2 triangle' --protocol triangle --tastings 24", 0),
        ("card seal card_lines.toml sealed.toml", 0),
        ("card check yeast/card.toml", 0),
        ("serve triangle 24 evening --samples old new --allergens milk --hazards alcohol", 0),
        ("serve triangle 24 open --samples old new --sets 4 --preference", 1),
        ("serve 2-AFC 24 named --samples old new --attribute saltiness --more old --allergens --hazards", 0),
        ("answers yeast/panel_1 yeast/panel_1/answers.csv --blind double", 0),
        ("answers yeast/panel_1 yeast/panel_1/answers.csv --panels yeast/panels.csv --append", 0),
        ("answers yeast/panel_1 none.csv", 2),
        ("serve triangle 24 yeast/panel_1", 2),
    ],
    ids=lambda words: " ".join(str(words).split()[:2]),
)  # fmt: skip
def test_a_first_screen_has_25_lines_of_80_columns_and_ends_with_a_command(words, code, folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    assert main(shlex.split(words)) == code
    out, err = capsys.readouterr()
    if code == 2:
        assert err and not out
        return
    lines = out.rstrip("\n").split("\n")
    assert len(lines) <= 25, out
    assert max(map(len, lines)) <= 80
    assert "Then type: metasense " in " ".join(lines[-4:])


@pytest.mark.parametrize("language", ["en", "de", "fr", "es"])
def test_sheets_are_written_in_the_language_that_is_named(language, tmp_path, capsys):
    words = ["serve", "triangle", "6", str(tmp_path / "plan"), "--samples", "old", "new", "--language", language]
    assert main([*words, "--allergens", "--hazards"]) == 0
    pages = [path.read_text(encoding="utf-8") for path in (tmp_path / "plan").rglob("*.html")]
    assert len(pages) == 7 and all(f'<html lang="{language}">' in page for page in pages)


def test_own_wording_is_laid_over_a_language_and_slips_are_refused(tmp_path, capsys):
    own = tmp_path / "own.toml"
    own.write_text('[ballots]\nrinse = "Erst ein Schluck Wasser."\n', encoding="utf-8")
    words = ["serve", "triangle", "6", str(tmp_path / "plan"), "--language", "de", "--texts", str(own)]
    assert main([*words, "--allergens", "--hazards"]) == 0
    ballots = (tmp_path / "plan" / "ballots.html").read_text(encoding="utf-8")
    assert "Erst ein Schluck Wasser." in ballots and "Welche ist anders?" in ballots
    capsys.readouterr()
    own.write_text('[ballots]\nrins = "Sip."\n', encoding="utf-8")
    words[3] = str(tmp_path / "other")
    assert main(words) == 2
    assert "did you mean 'ballots.rinse'?" in capsys.readouterr().err and not (tmp_path / "other").exists()
    assert main([*words[:4], "--language", "it"]) == 2
    err = capsys.readouterr().err
    assert "no sheets in 'it'" in err and "--texts" in err and "texts=" not in err and "ValueError" not in err


def test_tastings_of_a_served_panel_are_kept_for_the_tasters(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for evening in ("first", "second"):
        plan = ms.serve("triangle", 3, sets=4, panel=evening, allergens=[], hazards=[])
        plan.save(evening)
        sheet = plan.answer_sheet()
        sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
        sheet.to_csv(f"{evening}/answers.csv", index=False)
        words = ["answers", evening, f"{evening}/answers.csv", "--blind", "double"]
        main(words)
        assert "--tastings tastings.csv --append" in " ".join(capsys.readouterr().out.replace("\\\n", "").split())
        assert main([*words, "--panels", "panels.csv", "--tastings", "tastings.csv", "--append"]) in (0, 1)
        out = " ".join(capsys.readouterr().out.replace("\\\n", "").split())
        assert "metasense tasters panels.csv --tastings tastings.csv" in out
        assert "Then type: metasense pool panels.csv --tastings tastings.csv" in out
    kept = ms.read_tastings("tastings.csv").frame
    assert kept["panel"].value_counts().to_dict() == {"first": 12, "second": 12}
    assert set(kept["taster"]) == set(plan.answer_sheet()["taster"])  # codes, as on the sheets
    assert main(["tasters", "panels.csv", "--tastings", "tastings.csv"]) in (0, 1)
    assert "Closest is T" in capsys.readouterr().out


def test_a_sheet_of_codes_is_refused_with_the_command_that_makes_tastings_of_it(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    assert main(["tasters", "yeast/panel_1/answers.csv"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "metasense answers KEY ANSWERS --tastings OUT.csv" in said and "read_answers" not in said


def test_a_card_is_shown_in_its_own_lines(folder, capsys, monkeypatch):
    monkeypatch.chdir(folder)
    assert main(["card", "check", "yeast/card.toml"]) == 0
    lines = capsys.readouterr().out.split("\n")
    assert lines[1].split() == ["item", "says"] and lines[2].split()[0] == "question"


def test_details_of_answers_show_every_note(tmp_path, capsys):
    plan = ms.serve("triangle", 12, panel="evening", allergens=[], hazards=[])
    plan.save(tmp_path / "plan")
    sheet = plan.answer_sheet().astype(object)
    sheet["answer"] = [cups.split()[0] for cups in sheet["cups"]]
    sheet.loc[0, "incident"] = "spilled"
    sheet.loc[1, ["answer", "incident"]] = ["", "absent"]
    sheet.loc[2, "answer"] = ""
    sheet.loc[3, ["cups"]] = [" ".join(reversed(sheet.loc[3, "cups"].split()))]
    sheet.to_csv(tmp_path / "answers.csv", index=False)
    words = ["answers", str(tmp_path / "plan"), str(tmp_path / "answers.csv")]
    main(words)
    assert "more note" in capsys.readouterr().out
    main([*words, "--details"])
    out = capsys.readouterr().out
    notes = ms.read_answers(tmp_path / "plan", tmp_path / "answers.csv").notes
    assert "more note" not in out and out.count("Note: ") >= len(notes) > 2


def test_the_word_that_stands_for_an_attribute_is_not_printed_on_ballots(tmp_path, capsys):
    words = ["serve", "3-AFC", "24", str(tmp_path / "plan"), "--samples", "OLD", "NEW", "--more", "NEW"]
    words = [*words, "--allergens", "--hazards"]
    assert main([*words, "--attribute", "NOUN"]) == 2
    assert "Write the word itself, as in --attribute saltiness" in capsys.readouterr().err
    assert not (tmp_path / "plan").exists()
    assert main([*words, "--attribute", "saltiness"]) == 0


def test_products_that_nobody_named_are_said_to_be_the_old_and_the_new_one(tmp_path, capsys):
    assert main(["serve", "triangle", "6", str(tmp_path / "bare"), "--allergens", "--hazards"]) == 0
    assert "calls the old product A and the new one B" in " ".join(capsys.readouterr().out.split())
    named = ["--samples", "calf", "microbial"]
    assert main(["serve", "triangle", "6", str(tmp_path / "named"), *named, "--allergens", "--hazards"]) == 0
    assert "the old product A" not in " ".join(capsys.readouterr().out.split())
