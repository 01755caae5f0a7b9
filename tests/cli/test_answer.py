"""Commands that answer from panels give the numbers of the library, on one screen."""

import inspect
import io
import json
import re
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main
from metasense.cli.phrases import QUESTIONS

CIDER = "datasets/cider_fining.csv"
COFFEE = "datasets/coffee_bags.csv"
BAKERY = "datasets/bakery_salt.csv"
TASTINGS = "datasets/cider_tastings.csv"
ICES = "datasets/ice_cream_shelf.csv"
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


# The library's answers that README and the notebooks show, and the command that gives the same numbers.
ONE = ["one", "triangle", "13", "24", "--margin", MARGIN]
SAME = {
    "pool": (["pool", CIDER, "--margin", MARGIN], lambda pooled: pooled.to_frame()),
    "panels_frame": (["ask", "panels", CIDER, "--margin", MARGIN], lambda pooled: pooled.panels_frame()),
    "verdict": (["ask", "verdict", CIDER, "--margin", MARGIN], lambda pooled: pooled.verdict().to_frame()),
    "disagreement": (["ask", "disagreement", CIDER], lambda pooled: pooled.disagreement().to_frame()),
    "explanations": (["ask", "explanations", CIDER], lambda pooled: pooled.explanations().to_frame()),
    "averaged": (["ask", "averaged", CIDER, "--margin", MARGIN], lambda pooled: pooled.averaged().to_frame()),
    "averaged at other odds": (
        ["ask", "averaged", "--odds", "6:2", "1", "1", CIDER, "--margin", MARGIN],
        lambda pooled: pooled.averaged((0.6, 0.2, 0.1, 0.1)).to_frame(),
    ),
    "some at a stated share": (["ask", "some", CIDER, "--nothing", "0.3"], lambda pooled: pooled.some(0.3).to_frame()),
    "some": (["ask", "some", CIDER, "--margin", MARGIN], lambda pooled: pooled.some().to_frame()),
    "sensitivity": (["ask", "sensitivity", CIDER, "--margin", MARGIN], lambda pooled: pooled.sensitivity().to_frame()),
    "path": (["ask", "path", CIDER, "--margin", MARGIN], lambda pooled: pooled.path().to_frame()),
    "drawer": (["ask", "drawer", CIDER, "--margin", MARGIN], lambda pooled: pooled.drawer().to_frame()),
    "leave_one_out": (
        ["ask", "leave-one-out", CIDER, "--margin", MARGIN], lambda pooled: pooled.leave_one_out().to_frame()
    ),
    "leak": (["ask", "leak", CIDER, "--margin", MARGIN], lambda pooled: pooled.leak().to_frame()),
    "habits": (["ask", "habits", TASTINGS], lambda _: ms.pool(ms.read_tastings(TASTINGS)).habits().to_frame()),
    "operating": (["ask", "operating", CIDER, "--margin", MARGIN], lambda pooled: pooled.operating().to_frame()),
    "fit": (["ask", "fit", CIDER, "--margin", MARGIN], lambda pooled: pooled.fit().to_frame()),
    "rate": (["ask", "rate", CIDER, "--protocol", "tetrad"], lambda pooled: pooled.rate("tetrad").to_frame()),
    "next_panel": (
        ["ask", "counts", CIDER, "--protocol", "tetrad", "--tasters", "24"],
        lambda pooled: pooled.next_panel("tetrad", 24).to_frame(),
    ),
    "serving_effects": (["ask", "effects", TASTINGS], lambda _: ms.serving_effects(ms.read_tastings(TASTINGS)).to_frame()),
    "one_panel": (ONE, lambda _: ms.one_panel("triangle", 24, 13, margin=MARGIN).to_frame()),
    "rates": ([*ONE, "--rates"], lambda _: ms.one_panel("triangle", 24, 13, margin=MARGIN).rates().to_frame()),
    "preference": (["preference", CIDER], lambda pooled: pooled.preference().to_frame()),
    "tasters": (["tasters", TASTINGS], lambda _: ms.pool(ms.read_tastings(TASTINGS)).tasters().to_frame()),
    "plan_next": (
        ["next", CIDER, "--margin", MARGIN, "--protocol", "tetrad", "--tasters", "24", "--panels", "1"],
        lambda pooled: ms.plan_next(pooled, ms.Plan("tetrad", 24)).to_frame(),
    ),
    "check_claim": (
        ["claim", "There is no difference.", CIDER, "--margin", MARGIN],
        lambda pooled: ms.check_claim("There is no difference.", pooled).to_frame(),
    ),
    "read_panels": (["check", CIDER], lambda _: ms.read_panels(CIDER).to_frame()),
    "read_tastings": (["check", TASTINGS], lambda _: ms.read_tastings(TASTINGS).to_frame()),
    "compare_protocols": (
        ["plan", "--margin", "d'=1", "--beta", "0.2"],
        lambda _: ms.compare_protocols(1.0, beta=0.2),
    ),
    "tasters_needed": (
        ["plan", "triangle", "--p-d", "0.3", "--beta", "0.2"],
        lambda _: ms.tasters_needed("triangle", p_d=0.3, beta=0.2).to_frame(),
    ),
    "tasters_at_hand": (
        ["plan", "triangle", "24", "--margin", "0.3 triangle"],
        lambda _: ms.tasters_at_hand(24, "triangle", margin="0.3 triangle").to_frame(),
    ),
    "cost_of_looks": (
        ["plan", "triangle", "--looks", "10", "20", "30"],
        lambda _: ms.cost_of_looks("triangle", [10, 20, 30]).to_frame(),
    ),
    "two_stage_plan": (
        ["plan", "triangle", "--p-d", "0.4", "--beta", "0.1", "--looks"],
        lambda _: ms.two_stage_plan("triangle", p_d=0.4, beta=0.1).to_frame(),
    ),
    "verdict_chances": (
        ["plan", "triangle", "24", "--margin", "0.3 triangle", "--true", "d'=0.5"],
        lambda _: ms.verdict_chances("triangle", 24, "0.3 triangle", d_prime=0.5).to_frame(),
    ),
}  # fmt: skip
SHELF = ["shelf", ICES, "--by", "ingredient", "--margin", MARGIN]
COLD = "Coffee steeped cold"
SHOWN = "Week 4 bags on show"


@cache
def shelf():
    return ms.pool_each(ICES, by="ingredient", margin=MARGIN)


def answers_in_groups(_):
    return pd.DataFrame(ms.one_panel("triangle", 30, 15).answers().items(), columns=["group", "answers"])


SAME |= {
    "pool_each": (SHELF, lambda _: shelf().to_frame()),
    "together": ([*SHELF, "--together"], lambda _: shelf().together().to_frame()),
    "shares": ([*SHELF, "--part", "shares"], lambda _: shelf().together().shares()),
    "false_alarms": ([*SHELF, "--part", "alarms"], lambda _: shelf().together().false_alarms()),
    "order": ([*SHELF, "--part", "order"], lambda _: shelf().together().order()),
    "drawer of the shelf": (
        [*SHELF, "--part", "drawer", "--unrecorded", "0", "10", "30"],
        lambda _: shelf().together().drawer([0, 10, 30]),
    ),
    "variable": ([*SHELF, "--variable", COLD], lambda _: shelf().variable(COLD).to_frame()),
    "learned": (
        ["pool", CIDER, "--margin", MARGIN, "--learned-from", ICES, "--by", "ingredient"],
        lambda _: ms.pool(CIDER, margin=MARGIN, priors=ms.Priors.learned(shelf())).to_frame(),
    ),
    "without": (
        ["pool", COFFEE, "--moderator", "weeks_stored", "--without", SHOWN],
        lambda _: ms.pool(ms.read_panels(COFFEE).without(SHOWN), moderators="weeks_stored").to_frame(),
    ),
    "answers": (["one", "triangle", "15", "30", "--groups"], answers_in_groups),
    "as_if_independent": (
        ["tasters", TASTINGS, "--as-if-independent"],
        lambda _: ms.pool(ms.read_tastings(TASTINGS)).tasters().as_if_independent().to_frame(),
    ),
    "settled": (
        ["pool", CIDER, "--margin", *["0.2", "triangle,", "settled", "at", "90", "%"]],
        lambda _: ms.pool(CIDER, margin=MARGIN, settled=0.9).to_frame(),
    ),
    "plan_next against another margin": (
        ["next", CIDER, "--margin", "d'=0.8", "--protocol", "tetrad", "--tasters", "24", "--panels", "4"],
        lambda pooled: ms.plan_next(pooled, ms.Plan("tetrad", 24, 4), margin="d'=0.8").to_frame(),
    ),
    "rho": (
        ["pool", TASTINGS, "--rho", "50%"],
        lambda _: ms.pool(ms.read_tastings(TASTINGS), rho=0.5).to_frame(),
    ),
}  # fmt: skip
ELSEWHERE = {  # what has no numbers of its own, or another test
    "details": "--details", "plain_answer": "every first screen", "statement": "ask statement", "plain": "ask, next",
    "report": "pool --report", "picture": "pool --report, whose page shows the pictures", "save": "pool --save",
    "to_csv": "--format csv", "write_csv": "--format csv", "to_frame": "--format csv", "load": "show", "rerun": "rerun",
    "serve": "serve", "read_answers": "answers", "record": "a form, for a notebook", "explore": "sliders, likewise",
    "protocol": "no answer, the name of a test", "power": "plan triangle 24 --margin: see the test below",
    "regulars": "ask regulars: see the test below", "mend": "check --fix", "from_pool": "pool --prior: see the test below",
    "slope": "a row of pool --moderator: see the test below", "above": "likewise", "interval": "likewise",
    "about": "rows of ask sensitivity", "every": "next, its options", "to_markdown": "--format markdown",
    "headline": "the first line of every screen", "sentence": "likewise", "sentences": "likewise",
    "answer_sheet": "serve writes it", "trays": "serve writes them", "balance": "answers --details",
    "p_d": "a column of one --rates", "p_from_p_d": "likewise", "d_prime_from_p_d": "likewise",
    "map": "of pandas", "where": "of pandas",
    "to_arviz": "draws for Python's other libraries", "pymc_model": "likewise",
}  # fmt: skip


@pytest.mark.lab
@pytest.mark.parametrize("name", SAME)
def test_a_command_gives_the_numbers_of_the_library(name, pooled, capsys):
    words, library = SAME[name]
    assert_same(numbers(words, capsys), library(pooled))


def callables():
    """Every function of metasense that one calls, and every method of what comes back."""
    found = set()
    for name in ms.__all__:
        one = getattr(ms, name)
        if inspect.isclass(one):
            found |= {name for name in dir(one) if not name.startswith("_") and callable(getattr(one, name, None))}
        elif callable(one):
            found.add(name)
    return found


def test_every_answer_that_readme_and_notebooks_show_has_a_command():
    texts = [Path("README.md").read_text(encoding="utf-8")]
    for path in Path("notebooks").glob("*.ipynb"):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        texts.append("\n".join("".join(cell["source"]) for cell in cells))
    asked = set(re.findall(r"\.([a-z_]+)\(", "\n".join(texts))) & callables()
    assert len(asked) > 50 and asked - set(SAME) - set(ELSEWHERE) == set()


def test_an_earlier_pool_is_the_prior_and_how_much_it_is_believed_is_said(saved, pooled, capsys):
    words = ["pool", COFFEE, "--margin", MARGIN, "--prior", saved]
    half = ms.Priors.from_pool(pooled, discount=0.5)
    assert_same(numbers([*words, "--discount", "50%"], capsys), ms.pool(COFFEE, margin=MARGIN, priors=half).to_frame())
    whole = ms.pool(COFFEE, margin=MARGIN, priors=ms.Priors.from_pool(pooled))
    assert_same(numbers(words, capsys), whole.to_frame())
    got = json.loads(said([*words, "--format", "json"], capsys))
    assert f"--prior {saved}" in got["then"]


def test_a_prior_is_taken_from_a_plain_pool_only(tmp_path, capsys):
    aged = ms.pool(COFFEE, moderators="weeks_stored").save(tmp_path / "aged.nc")
    assert main(["pool", CIDER, "--prior", str(aged)]) == 2
    assert "a prior is taken from a plain pool" in capsys.readouterr().err
    assert main(["pool", CIDER, "--prior", COFFEE]) == 2
    assert f"Pool it first: metasense pool {COFFEE} --save earlier.nc" in capsys.readouterr().err


def test_a_pool_of_which_perhaps_only_some_have_something_goes_on_with_that_question(tmp_path, capsys):
    table = tmp_path / "panels.csv"
    rows = [f"{name},triangle,30,{correct}" for name, correct in zip("ABCDEF", [10, 22, 9, 24, 11, 23], strict=True)]
    table.write_text("\n".join(["panel,protocol,tastings,correct", *rows]))
    words = ["pool", str(table), "--margin", MARGIN]
    first = " ".join(said(words, capsys).replace("\\\n", " ").split())
    assert "every panel has something to taste; see metasense ask some." in first
    assert first.endswith(f"Then type: metasense ask some {table} --margin '0.2 triangle'")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--discount", "0.5"], "--discount goes with --prior"),
        (["--by", "ingredient"], "--learned-from names a table of many variables, and --by"),
        (["--learned-from", ICES], "--learned-from names a table of many variables, and --by"),
        (["--without", "Nobody"], "there is no panel 'Nobody'"),
        (["--rho", "2"], "from 0 (not at all) to 1 (fully)"),
        (["--interaction", "style", "malo"], "name them in --moderator as well"),
    ],
)
def test_options_that_need_another_say_which(words, says, capsys):
    assert main(["pool", CIDER, *words]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.lab
def test_an_interaction_and_the_slope_of_a_moderator_are_those_of_the_library(tmp_path, capsys):
    file = tmp_path / "aged.csv"
    weeks = [2, 3, 4, 6, 8, 2, 5, 6, 8]
    right = [9, 10, 11, 15, 17, 12, 11, 13, 12]
    rows = [(week, "dry" if i < 5 else "sweet", right[i]) for i, week in enumerate(weeks)]
    lines = [f"P{i},triangle,30,{right},{week},{style}" for i, (week, style, right) in enumerate(rows)]
    file.write_text("\n".join(["panel,protocol,tastings,correct,weeks,style", *lines]))
    words = ["pool", file, "--moderator", "weeks", "--moderator", "style"]
    both = ms.pool(file, moderators=["weeks", "style"], interaction=["weeks", "style"])
    assert_same(numbers([*words, "--interaction", "weeks", "style"], capsys), both.to_frame())
    slope = ms.pool(file, moderators="weeks").slope()
    table = numbers(words[:4], capsys)
    row = table[table["quantity"].str.contains("weeks") & (table["median"] - slope.median).abs().lt(1e-12)]
    assert (row["lower"].iloc[0], row["upper"].iloc[0]) == pytest.approx(slope.interval(), rel=1e-12)


@pytest.mark.lab
def test_a_saved_pool_keeps_its_moderators_and_its_people_when_it_is_pooled_anew(tmp_path, capsys):
    kept = ms.pool(COFFEE, moderators="weeks_stored").save(tmp_path / "coffee.nc")
    again = ms.pool(COFFEE, margin=MARGIN, moderators="weeks_stored")
    assert_same(numbers(["pool", kept, "--margin", MARGIN], capsys), again.to_frame())
    club = ms.pool(ms.read_tastings(TASTINGS), rho=0.0).save(tmp_path / "club.nc")
    got = numbers(["pool", club, "--margin", MARGIN], capsys)
    assert_same(got, ms.pool(ms.read_tastings(TASTINGS), rho=0.0, margin=MARGIN).to_frame())
    less = ms.pool(ms.read_panels(COFFEE).without(SHOWN), moderators="weeks_stored")
    assert_same(numbers(["pool", kept, "--without", SHOWN], capsys), less.to_frame())


def test_regulars_are_asked_about_in_a_terminal(tmp_path, capsys):
    file = tmp_path / "club.csv"
    rows = [
        f"{panel},triangle,{who},{int(who in right)}" for panel, right in (("A", "ab"), ("B", "ac")) for who in "abcd"
    ]
    file.write_text("\n".join(["panel,protocol,taster,correct", *rows]))
    assert_same(numbers(["ask", "regulars", file], capsys), ms.pool(ms.read_tastings(file)).regulars().to_frame())
    assert "4 people sat in more than one panel, in 8 sittings" in said(["ask", "regulars", file], capsys)


def test_plan_says_the_power_of_the_library(capsys):
    frame = numbers(["plan", "triangle", "24", "--margin", "0.3 triangle"], capsys)
    power = float(ms.power("triangle", 24, p_d=0.3))
    row = frame[(frame["protocol"] == "triangle") & (frame["tastings"] == 24)].iloc[0]
    assert any(value == pytest.approx(power, rel=1e-9) for value in row if isinstance(value, float))


def test_preferences_of_separate_pairs_and_of_a_placebo_are_those_of_the_library(tmp_path, pooled, capsys):
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("Panel,prefer new,prefer old,no preference\nlate,9,6,5\nlater,4,7,3\n")
    told = [{"panel": "late", "prefer_new": 9, "prefer_old": 6, "no_preference": 5},
            {"panel": "later", "prefer_new": 4, "prefer_old": 7, "no_preference": 3}]  # fmt: skip
    library = ms.preference(ms.read_panels(CIDER), pairs=told, placebo=(5, 4, 3))
    words = ["preference", CIDER, "--pairs", pairs, "--placebo", "5", "4", "3"]
    assert_same(numbers(words, capsys), library.to_frame())
    pairs.write_text("Panel,prefer new\nlate,9\n")
    assert main([str(word) for word in words]) == 2
    assert "prefer_old" in capsys.readouterr().err


@pytest.mark.lab
def test_a_claim_may_be_about_preferences_tasters_or_a_pool_with_a_moderator(tmp_path, capsys):
    liked = said(["claim", "Most tasters prefer the new one.", CIDER, "--about", "preference"], capsys)
    assert "The other product is the likelier favourite" in liked
    assert "objection" in said(["claim", "T1 is a discriminator.", TASTINGS, "--about", "tasters"], capsys)
    pooled = ms.pool(COFFEE, margin=MARGIN, moderators="weeks_stored")
    file = pooled.save(tmp_path / "coffee.nc")
    out = said(["claim", "There is no difference.", file, "--format", "csv"], capsys)
    assert_same(pd.read_csv(io.StringIO(out)), ms.check_claim("There is no difference.", pooled).to_frame())


def test_effects_without_single_answers_say_what_they_need(capsys):
    assert main(["ask", "effects", CIDER]) == 2
    assert "--tastings" in capsys.readouterr().err


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


NEEDING = ("rate", "counts", "effects", "regulars", "habits")  # these take more than panels, below
ASKED = [name for name in QUESTIONS if name not in NEEDING]
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
    *(["ask", name, CIDER, "--margin", MARGIN] for name in ASKED),
    ["ask", "panels", BAKERY],
    ["next", CIDER, "--margin", MARGIN, "--protocol", "triangle", "--protocol", "3-AFC", "--tasters", "24"],
    ["tasters", TASTINGS],
    ["preference", CIDER],
    ["claim", "Half of the tasters could tell.", CIDER, "--margin", MARGIN],
    ["claim", "There is no difference.", CIDER, "--panel", "Guild tetrad"],
    *(
        words
        for name, (words, _) in SAME.items()
        if words[0] in ("one", "plan") or words[1] in ("rate", "counts", "effects")
    ),
    ["plan", "24"],
    ["plan", "triangle", "--sequential", "--margin", "0.3 triangle"],
    ["next", CIDER, "--margin", MARGIN, "--protocol", "tetrad", "--tasters", "12"],
]


@pytest.mark.parametrize("words", FIRST_SCREENS, ids=lambda words: " ".join(words[:2]))
def test_a_first_screen_has_25_lines_of_80_columns_and_ends_with_a_command(words, capsys):
    lines = said(words, capsys).rstrip("\n").split("\n")
    assert len(lines) <= 25, "\n".join(lines)
    assert max(map(len, lines)) <= 80
    last = " ".join(line.rstrip("\\").strip() for line in lines[-3:])
    assert "Then type: metasense " in last


@pytest.mark.parametrize(
    "words",
    [
        ["show", "SAVED"],
        ["rerun", "SAVED"],
        ["ask", "habits", TASTINGS],
        ["tasters", TASTINGS, "--as-if-independent"],
        SHELF,
        [*SHELF, "--together"],
        [*SHELF, "--variable", "Mint oil for leaves"],
    ],
    ids=lambda words: " ".join([words[0], *words[2:]]),
)
def test_screens_of_saved_pools_people_and_shelves_are_as_short(words, saved, capsys):
    lines = said([saved if word == "SAVED" else word for word in words], capsys).rstrip("\n").split("\n")
    assert len(lines) <= 25 and max(map(len, lines)) <= 80, "\n".join(lines)


def test_details_are_no_wider_than_the_terminal(capsys):
    for words in (["pool", CIDER, "--margin", MARGIN], ["ask", "sensitivity", CIDER], ["check", COFFEE]):
        lines = said([*words, "--details"], capsys).split("\n")
        assert max(map(len, lines)) <= 80


def test_what_a_terminal_says_is_no_python(tmp_path, capsys):
    rows = [("A", 9, 1), ("B", 10, 2), ("C", 11, 3), ("D", 9, ""), ("E", 12, 5)]
    table = tmp_path / "aged.csv"
    table.write_text(
        "panel,protocol,tastings,correct,Age in weeks\n" + "".join(f"{a},triangle,24,{b},{c}\n" for a, b, c in rows)
    )
    tastings = tmp_path / "tastings.csv"
    one = "".join(f"A,triangle,T{i},{'yes' if (i + j) % 2 else 'no'}\n" for i in range(12) for j in range(3))
    tastings.write_text("panel,protocol,taster,correct\n" + one)
    commands = [
        ["pool", table, "--moderator", "Age in weeks"],
        ["pool", table, "--margin", "45 of 100 correct triangle"],
        ["one", "triangle", "9", "24", "--margin", MARGIN],
        ["tasters", table],
        ["tasters", tastings],
    ]
    for words in commands:
        main([str(word) for word in words])
        out, err = capsys.readouterr()
        found = re.findall(r"\w+\(\)|\blambda\b|\bplan_next\b|\.where\b|\w+\([a-z]\w+, [a-z]", out + err)
        assert not found, (words, out + err)


def test_a_saved_pool_is_written_as_a_page(pooled, saved, tmp_path, capsys):
    page = tmp_path / "brief page.html"
    shown = said(["show", saved, "--report", str(page), "--title", "Cider"], capsys)
    assert shown.startswith(pooled.plain_answer()[:60]) and f"Wrote {page}." in shown
    assert "<title>Cider" in page.read_text(encoding="utf-8")


def test_plans_stand_on_the_page_that_next_writes(pooled, tmp_path, capsys):
    page = tmp_path / "next.html"
    words = ["next", CIDER, "--margin", MARGIN, "--protocol", "tetrad", "--tasters", "24"]
    out = said([*words, "--report", page, "--title", "Cider"], capsys)
    lines = out.rstrip().split("\n")
    assert f"Wrote {page}." in out.replace("\n", "") and lines[-1].strip() and len(lines) <= 25
    text = page.read_text(encoding="utf-8")
    plans = ms.plan_next(pooled, ms.Plan("tetrad", 24))
    assert "<title>Cider" in text and "What to run next" in text
    same = pooled.report(tmp_path / "library.html", title="Cider", also={"What to run next": plans})
    assert same.read_text(encoding="utf-8") == text
    got = json.loads(said([*words, "--report", page, "--format", "json"], capsys))
    assert got["wrote"] == [str(page)] and len(got["numbers"]) == 1
    mine = tmp_path / "notes.html"
    mine.write_text("ours")
    assert main([*map(str, words), "--report", str(mine), "--overwrite"]) == 2 and mine.read_text() == "ours"


def test_every_command_that_plans_gives_its_numbers_as_json_too(capsys):
    for name in ("plan_next", "compare_protocols", "tasters_needed", "tasters_at_hand", "cost_of_looks", "two_stage_plan",
                 "verdict_chances"):  # fmt: skip
        words, _ = SAME[name]
        got = json.loads(said([*words, "--format", "json"], capsys))
        assert len(got["numbers"]) == len(numbers(words, capsys)) and got["then"].startswith("metasense ")


def test_plans_made_before_panels_can_stand_on_a_page_too(pooled, tmp_path):
    stops = ms.sequential_plan("triangle", p_d=0.4)
    page = pooled.report(
        tmp_path / "page.html", also={"When to stop": stops, "How many": ms.tasters_needed("triangle", p_d=0.3)}
    )
    text = page.read_text(encoding="utf-8")
    assert "When to stop" in text and "66 tastings" in text


def test_a_pair_whose_count_is_no_number_is_refused_with_its_row(tmp_path, capsys):
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("panel,prefer new,prefer old\nlate,nine,6\n")
    assert main(["preference", CIDER, "--pairs", str(pairs)]) == 2
    said = capsys.readouterr().err
    assert "row 2, panel 'late', column 'prefer new': 'nine' is not a number." in said


def test_after_a_preference_the_command_serves_a_pair_only_where_that_is_the_next_step(tmp_path, capsys):
    asked = said(["preference", CIDER], capsys)
    assert "Next: ask everyone, later, on a separate blind pair." in asked and "--preference" in asked.split("type:")[1]
    table = tmp_path / "settled.csv"
    rows = [f"{name},triangle,48,30,44,4,0,pair" for name in "ABC"]
    table.write_text("\n".join(["panel,protocol,tastings,correct,prefer new,prefer old,no preference,asked", *rows]))
    settled = said(["preference", table], capsys)
    assert "separate blind pair" not in settled.split("Next:")[1] and "--report" in settled.split("type:")[1]
