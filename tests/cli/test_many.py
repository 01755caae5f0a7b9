"""The command for many variables, as it is typed."""

import json
import re
from pathlib import Path

import pytest

import metasense as ms
from metasense.cli import main

TABLE = str(Path(__file__).parents[2] / "datasets" / "ice_cream_shelf.csv")
TYPED = ["shelf", TABLE, "--by", "ingredient", "--margin", "0.2 triangle"]


def test_the_first_screen_ends_with_the_command_that_weighs_them_together(capsys):
    assert main(TYPED) == 0
    said = capsys.readouterr().out
    assert said.startswith("Of the 30 ingredients, each on its own,") and len(said.splitlines()) <= 25
    typed = " ".join(said.replace("\\\n", " ").split())
    assert re.search(
        r"Then type: metasense shelf \S+ --by ingredient --margin '?\"?0.2 triangle'?\"? --together$", typed
    )


def test_together_prints_the_shelf_as_a_whole(capsys):
    assert main([*TYPED, "--together"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "have nothing to taste, and" in said and "--details" in said


@pytest.mark.parametrize("form", ["json", "csv", "markdown"])
def test_the_other_forms_hold_every_variable(form, capsys):
    assert main([*TYPED, "--together", "--format", form]) == 0
    said = capsys.readouterr().out
    names = ms.pool_each(TABLE, by="ingredient").names
    assert all(name in said for name in names)
    if form == "json":
        found = json.loads(said)
        assert len(found["numbers"]) == 30 and found["plain_answer"].startswith("Of the 30")


def test_details_print_every_variable(capsys):
    assert main([*TYPED, "--details"]) == 0
    assert capsys.readouterr().out.count("within the margin") > 10


def test_without_a_margin_one_is_asked_for(capsys):
    assert main(TYPED[:4]) == 0
    assert "--margin" in capsys.readouterr().out.splitlines()[-1]


@pytest.mark.parametrize("option", ["--report", "--save"])
def test_a_shelf_is_no_page_and_no_saved_pool(option, tmp_path, capsys):
    assert main([*TYPED, option, str(tmp_path / "shelf.html")]) == 2
    said = capsys.readouterr().err
    assert "not written as a page or saved" in said and "--format csv" in said and "--variable" in said
    assert not list(tmp_path.iterdir())


def test_a_column_that_is_not_there_is_an_answer_and_no_traceback(capsys):
    assert main(["shelf", TABLE, "--by", "additive"]) == 2
    assert "no column 'additive'" in capsys.readouterr().err


def test_a_panel_that_looks_reversed_is_a_warning(tmp_path, capsys):
    path = tmp_path / "odd.csv"
    path.write_text("ingredient,panel,protocol,tastings,correct\nA,May,triangle,40,2\nB,May,triangle,40,15\n")
    assert main(["shelf", str(path), "--by", "ingredient", "--margin", "0.2 triangle"]) == 1
    assert "Check the key" in capsys.readouterr().out


def test_single_answers_are_taken_too_and_a_saved_pool_is_not(tmp_path, capsys):
    rows = "ingredient,panel,protocol,taster,correct\n"
    rows += "".join(f"{name},{name} May,triangle,T{i},{i % 2}\n" for name in "AB" for i in range(12))
    (tmp_path / "answers.csv").write_text(rows)
    assert main(["shelf", str(tmp_path / "answers.csv"), "--by", "ingredient", "--margin", "0.2 triangle"]) == 0
    pooled = ms.pool({"panel": ["A"], "protocol": "triangle", "tastings": 24, "correct": 9})
    saved = pooled.save(tmp_path / "pool.nc")
    capsys.readouterr()
    assert main(["shelf", str(saved), "--by", "ingredient"]) == 2
    assert "of one variable" in capsys.readouterr().err


def test_the_names_of_the_panels_are_no_variables(capsys):
    assert main(["shelf", TABLE, "--by", "panel"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "--by names the column of the variables" in said and "'panel' holds: a name for the sitting" in said
