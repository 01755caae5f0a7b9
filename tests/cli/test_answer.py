"""Commands that answer from panels give the numbers of the library, on one screen."""

import io
import json
import re

import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main

CIDER = "datasets/cider_fining.csv"
COFFEE = "datasets/coffee_bags.csv"
BAKERY = "datasets/bakery_salt.csv"
TASTINGS = "datasets/cider_tastings.csv"
MARGIN = "0.2 triangle"


@pytest.fixture(scope="module")
def pooled():
    return ms.pool(ms.read_panels(CIDER), margin=MARGIN)


@pytest.fixture(scope="module")
def saved(pooled, tmp_path_factory):
    return pooled.save(tmp_path_factory.mktemp("saved") / "cider.nc")


def said(words, capsys, codes=(0, 1)):
    """What a command prints."""
    assert main([str(word) for word in words]) in codes, capsys.readouterr().err
    out, err = capsys.readouterr()
    assert err == ""
    return out


def numbers(words, capsys):
    """The numbers of a command, as a frame."""
    return pd.read_csv(io.StringIO(said([*words, "--format", "csv"], capsys)))


def assert_same(got, expected):
    """Frames that hold the same numbers and words, whatever their types."""
    if expected.index.name is not None:
        expected = expected.reset_index()
    expected = pd.read_csv(io.StringIO(expected.to_csv(index=False)))
    for frame in (got, expected):
        if "date" in frame:
            frame["date"] = pd.to_datetime(frame["date"])
    pd.testing.assert_frame_equal(got, expected, rtol=1e-12, check_dtype=False)


# The library's answers that README shows, and the command that gives the same numbers.
SAME = {
    "pool": (["pool", CIDER, "--margin", MARGIN], lambda pooled: pooled.to_frame()),
    "panels_frame": (["ask", "panels", CIDER, "--margin", MARGIN], lambda pooled: pooled.panels_frame()),
    "verdict": (["ask", "verdict", CIDER, "--margin", MARGIN], lambda pooled: pooled.verdict().to_frame()),
    "disagreement": (["ask", "disagreement", CIDER], lambda pooled: pooled.disagreement().to_frame()),
    "explanations": (["ask", "explanations", CIDER], lambda pooled: pooled.explanations().to_frame()),
    "sensitivity": (["ask", "sensitivity", CIDER, "--margin", MARGIN], lambda pooled: pooled.sensitivity().to_frame()),
    "path": (["ask", "path", CIDER, "--margin", MARGIN], lambda pooled: pooled.path().to_frame()),
    "drawer": (["ask", "drawer", CIDER, "--margin", MARGIN], lambda pooled: pooled.drawer().to_frame()),
    "fit": (["ask", "fit", CIDER, "--margin", MARGIN], lambda pooled: pooled.fit().to_frame()),
}


@pytest.mark.parametrize("name", SAME)
def test_a_command_gives_the_numbers_of_the_library(name, pooled, capsys):
    words, library = SAME[name]
    assert_same(numbers(words, capsys), library(pooled))


def test_every_answer_that_readme_shows_has_a_command():
    with open("README.md", encoding="utf-8") as file:
        readme = file.read()
    asked = set(re.findall(r"`(?:pooled)?\.(\w+)\(\)", readme)) | set(re.findall(r"^pooled\.(\w+)\(", readme, re.M))
    elsewhere = {
        "details": "--details",
        "statement": "ask statement",
        "report": "pool --report",
        "picture": "pool --report, whose page shows the pictures",
        "plain": "ask, next",
    }
    assert asked - set(SAME) - set(elsewhere) == set()


def test_statement_and_methods_are_those_of_the_library(pooled, capsys):
    for question, length in (("statement", "paragraph"), ("methods", "methods")):
        out = " ".join(said(["ask", question, CIDER, "--margin", MARGIN, "--details"], capsys).split())
        assert out.startswith(" ".join(pooled.statement(length=length).split()))


def test_a_pool_with_a_moderator_and_its_dose_is_that_of_the_library(capsys):
    words = ["pool", COFFEE, "--margin", MARGIN, "--moderator", "weeks_stored", "--through-zero", "weeks_stored"]
    library = ms.pool(COFFEE, margin=MARGIN, moderators="weeks_stored", through_zero="weeks_stored")
    assert_same(numbers(words, capsys), library.to_frame())


def test_a_pool_within_a_level_is_that_of_the_library(capsys):
    library = ms.pool(CIDER, margin=MARGIN, within="batch_pair")
    assert_same(numbers(["pool", CIDER, "--margin", MARGIN, "--within", "batch_pair"], capsys), library.to_frame())


def test_panels_are_pooled_with_their_tastings(capsys):
    library = ms.pool(CIDER, tastings=ms.read_tastings(TASTINGS), margin=MARGIN)
    assert_same(numbers(["pool", CIDER, "--tastings", TASTINGS, "--margin", MARGIN], capsys), library.to_frame())


def test_several_files_of_several_kinds_are_pooled_as_one_table(tmp_path, capsys):
    panels = ms.read_panels(CIDER)
    first, second = tmp_path / "first.csv", tmp_path / "second.xlsx"
    names = panels.frame["panel"].tolist()
    panels[names[:4]].to_csv(first)
    panels[names[4:]].typed().to_excel(second, index=False)
    got = numbers(["pool", first, second, "--margin", MARGIN], capsys)
    assert_same(got, ms.pool(panels, margin=MARGIN).to_frame())


def test_a_saved_pool_is_shown_pooled_anew_and_asked(pooled, saved, capsys):
    shown = said(["show", saved], capsys)
    assert shown.startswith(pooled.plain_answer()[:60])
    assert said(["pool", saved], capsys) == shown
    assert_same(numbers(["ask", "path", saved], capsys), pooled.path().to_frame())
    other = ms.pool(CIDER, margin="d'=0.8")
    assert_same(numbers(["pool", saved, "--margin", "d'=0.8"], capsys), other.to_frame())
    assert "9 panels, 204 tastings" in said(["check", saved], capsys)


def test_a_saved_pool_beside_other_files_is_refused(saved, capsys):
    assert main(["pool", str(saved), CIDER]) == 2
    assert "is a saved pool, which holds its panels and tastings already" in capsys.readouterr().err


def test_save_keeps_a_pool_and_does_not_replace_another(tmp_path, capsys):
    kept = tmp_path / "kept.nc"
    assert f"Wrote {kept}" in said(["pool", CIDER, "--save", kept], capsys).replace("\n", "")
    before = kept.read_bytes()
    assert main(["pool", BAKERY, "--save", str(kept)]) == 2
    assert "--overwrite" in capsys.readouterr().err and kept.read_bytes() == before
    table = tmp_path / "panels.csv"
    table.write_text("panel,protocol,tastings,correct\nA,triangle,24,12\n")
    assert main(["pool", CIDER, "--save", str(table), "--overwrite"]) == 2
    assert table.read_text().count("\n") == 2


def test_one_panel_by_its_counts_and_from_a_table(capsys):
    assert_same(numbers(["one", "triangle", "12", "24"], capsys), ms.one_panel("triangle", 24, 12).to_frame())
    two = ms.one_panel("A-not-A", hits=20, signal=24, false_alarms=5, noise=24)
    assert_same(numbers(["one", "A-not-A", "20", "24", "5", "24"], capsys), two.to_frame())
    from_table = ms.one_panel(ms.read_panels(CIDER)["Guild tetrad"], margin=MARGIN)
    words = ["one", CIDER, "--panel", "Guild tetrad", "--margin", MARGIN]
    assert_same(numbers(words, capsys), from_table.to_frame())


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["triangle", "24", "12"], "24 correct of 12 tastings cannot be"),
        (["triangle", "24"], "triangle takes 2 counts: metasense one triangle CORRECT TASTINGS."),
        (["same-different", "24", "12"], "takes 4 counts: metasense one same-different HITS SIGNAL"),
        ([CIDER], "name the panel of the table with --panel"),
    ],
)
def test_counts_in_another_order_or_number_are_explained(words, says, capsys):
    assert main(["one", *words]) == 2
    assert says in capsys.readouterr().err


def test_tasters_and_preference_are_those_of_the_library(capsys):
    library = ms.tasters(ms.pool(ms.read_tastings(TASTINGS)))
    assert_same(numbers(["tasters", TASTINGS], capsys), library.to_frame())
    assert_same(numbers(["preference", CIDER], capsys), ms.preference(ms.read_panels(CIDER)).to_frame())
    low = ms.tasters(ms.pool(ms.read_tastings(TASTINGS)), threshold=0.2)
    assert_same(numbers(["tasters", TASTINGS, "--threshold", "20 %"], capsys), low.to_frame())


def test_the_next_panel_is_that_of_the_library(pooled, capsys):
    words = ["next", CIDER, "--margin", MARGIN, "--protocol", "tetrad", "--tasters", "24", "36", "--panels", "1", "2"]
    library = ms.plan_next(pooled, ms.Plan.every(["tetrad"], [24, 36], [1, 2]))
    assert_same(numbers(words, capsys), library.to_frame())
    again = numbers([*words[:4], "--protocol", "triangle", "--tasters", "24", "--same-pair-as", "Harvest fair"], capsys)
    assert again["same_pair_as"].tolist() == ["Harvest fair"]


def test_without_a_margin_the_next_panel_names_the_option(capsys):
    assert main(["next", CIDER]) == 2
    err = capsys.readouterr().err
    assert '--margin "0.2 triangle"' in err and "pool(" not in err


def test_json_holds_answer_numbers_and_the_next_command(pooled, capsys):
    got = json.loads(said(["pool", CIDER, "--margin", MARGIN, "--format", "json"], capsys))
    assert got["plain_answer"] == pooled.plain_answer() and got["notes"] == list(pooled.notes)
    assert got["numbers"][0]["median"] == pytest.approx(pooled.average.median, rel=1e-12)
    assert got["then"] == f"metasense next {CIDER} --margin '0.2 triangle'"


def test_markdown_is_that_of_the_library(pooled, capsys):
    assert said(["pool", CIDER, "--margin", MARGIN, "--format", "markdown"], capsys) == f"{pooled.to_markdown()}\n"


def test_the_numbers_of_a_pool_keep_their_columns_in_every_form(pooled, capsys):
    table = numbers(["pool", CIDER, "--margin", MARGIN], capsys)
    records = json.loads(said(["pool", CIDER, "--margin", MARGIN, "--format", "json"], capsys))["numbers"]
    assert list(table.columns) == list(records[0]) == list(pooled.to_frame().columns)


FIRST_SCREENS = [
    ["pool", CIDER, "--margin", MARGIN],
    ["pool", BAKERY, "--margin", MARGIN],
    ["pool", COFFEE, "--margin", "d'=0.8", "--moderator", "weeks_stored", "--through-zero", "weeks_stored"],
    ["pool", CIDER, "--within", "batch_pair", "--margin", MARGIN],
    ["check", CIDER],
    ["check", BAKERY],
    ["check", TASTINGS],
    ["one", "triangle", "12", "24", "--margin", MARGIN],
    ["one", "A-not-A", "20", "24", "5", "24"],
    *([["ask", name, CIDER, "--margin", MARGIN] for name in SAME if name not in ("pool", "panels_frame")]),
    ["ask", "panels", BAKERY],
    ["ask", "statement", CIDER, "--margin", MARGIN],
    ["next", CIDER, "--margin", MARGIN, "--protocol", "triangle", "--protocol", "3-AFC", "--tasters", "24"],
    ["tasters", TASTINGS],
    ["preference", CIDER],
    ["claim", "Half of the tasters could tell.", CIDER, "--margin", MARGIN],
    ["claim", "There is no difference.", CIDER, "--panel", "Guild tetrad"],
]


@pytest.mark.parametrize("words", FIRST_SCREENS, ids=lambda words: " ".join(words[:2]))
def test_a_first_screen_has_25_lines_of_80_columns_and_ends_with_a_command(words, capsys):
    lines = said(words, capsys).rstrip("\n").split("\n")
    assert len(lines) <= 25, "\n".join(lines)
    assert max(map(len, lines)) <= 80
    last = " ".join(line.rstrip("\\").strip() for line in lines[-3:])
    assert "Then type: metasense " in last


def test_details_are_no_wider_than_the_terminal(capsys):
    for words in (["pool", CIDER, "--margin", MARGIN], ["ask", "sensitivity", CIDER], ["check", COFFEE]):
        lines = said([*words, "--details"], capsys).split("\n")
        assert max(map(len, lines)) <= 80
