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
