"""Words as they are typed: slips are mended, and the mended line comes back."""

import argparse
import shlex

import pytest

from metasense.cli import main
from metasense.cli.commands import make_parser
from metasense.cli.parser import as_typed, decimal, odds, share, with_whole_odds


@pytest.mark.parametrize(
    ("words", "mended"),
    [
        (["pol", "panels.csv"], "metasense pool panels.csv"),
        (["Check", "my panels.csv"], "metasense check 'my panels.csv'"),
        (["pool", "panels.csv", "--margn", "0.2", "triangle"], "metasense pool panels.csv --margin '0.2 triangle'"),
        (["pool", "panels.csv", "--moderators=weeks"], "metasense pool panels.csv --moderator=weeks"),
        (["plan", "triangle", "--sequental"], "metasense plan triangle --sequential"),
        (["serve", "triangle", "24", "evening", "--alergens"], "metasense serve triangle 24 evening --allergens"),
        (["card", "chek", "card.toml"], "metasense card check card.toml"),
        (["pol", "panels.csv", "--detials"], "metasense pool panels.csv --details"),
    ],
)
def test_a_slip_gets_the_line_back_put_right(words, mended, capsys):
    assert main(words) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.endswith(f"Did you mean this?\n  {mended}\n")


def test_what_is_like_nothing_is_named_with_where_to_look(capsys):
    assert main(["xyzzy"]) == 2
    assert "there is no command 'xyzzy'. metasense --help lists what there is." in capsys.readouterr().err
    assert main(["pool", "panels.csv", "--qqq"]) == 2
    assert "there is no option --qqq for metasense pool. metasense pool --help" in capsys.readouterr().err


def test_a_beginning_of_an_option_is_no_slip():
    assert make_parser().slip(["pool", "panels.csv", "--marg", "0.2 triangle"]) == ""


def test_every_command_and_option_has_a_line_of_help():
    parser = make_parser()
    for one in [*parser.under.values(), *parser.under["card"].under.values()]:
        for action in one._actions:
            assert action.help, (one.prog, action.dest)


@pytest.mark.parametrize("name", [*make_parser().under, "card write", "card seal", "card check"])
def test_help_is_one_screen(name, capsys):
    assert main([*name.split(), "--help"]) == 0
    lines = capsys.readouterr().out.rstrip("\n").split("\n")
    assert len(lines) <= 25 and max(map(len, lines)) <= 80


@pytest.mark.parametrize("name", make_parser().under)
def test_help_of_seldom_options_is_printed_where_there_are_such(name, capsys):
    code = main([name, "--help", "--details"])
    said = capsys.readouterr()
    assert (code == 0 and "--" in said.out) or (code == 2 and "there is no option --details" in said.err)


def test_metasense_alone_lists_its_commands_in_the_order_of_the_job(capsys):
    assert main([]) == 0
    lines = capsys.readouterr().out.rstrip("\n").split("\n")
    listed = [line.split()[0] for line in lines if line.startswith("  ")]
    assert listed == list(make_parser().under)
    assert listed.index("start") < listed.index("plan") < listed.index("serve") < listed.index("answers")
    assert listed.index("answers") < listed.index("check") < listed.index("pool") < listed.index("next")
    assert len(lines) <= 25 and max(map(len, lines)) <= 80 and "Then type: metasense start" in lines[-1]


def test_a_line_is_typed_with_the_quotation_marks_it_needs():
    assert as_typed(["pool", "a b.csv", "--margin", "d'=1"]) == "pool 'a b.csv' --margin \"d'=1\""
    assert as_typed(["claim", "It's $5"]) == "claim 'It'\"'\"'s $5'"


def test_shares_and_numbers_that_are_none_are_named():
    assert share("20 %") == share("0,2") == 0.2 and decimal("1,5") == 1.5
    for read, text in ((share, "some"), (decimal, "inf")):
        with pytest.raises(argparse.ArgumentTypeError, match=text):
            read(text)


@pytest.mark.parametrize(
    ("words", "ours"),
    [
        ("one Dreieckstest 12 24", "one triangle 12 24"),
        ("one Dreieckstest 12 24 --margin 0.2 Dreieckstest", "one triangle 12 24 --margin '0.2 triangle'"),
        ("one triangle 12 24 --margin '0,2 Essai triangulaire'", "one triangle 12 24 --margin '0.2 triangle'"),
        ("plan Dreieckstest 24 --margin 20 % Dreieckstest", "plan triangle 24 --margin '0.2 triangle'"),
        ("plan 'prueba triangular' 24 --margin 'd-prime 1'", "plan triangle 24 --margin 'd-prime 1'"),
    ],
)
def test_a_protocol_named_in_another_language_of_tables_is_read_by_its_name_here(words, ours, capsys):
    assert main(shlex.split(ours)) in (0, 1)
    wanted = capsys.readouterr().out
    assert main(shlex.split(words)) in (0, 1)
    out, err = capsys.readouterr()
    assert out.partition("Then type")[0] == wanted.partition("Then type")[0]
    assert "was read as triangle (" in err


def test_a_protocol_that_no_language_of_tables_has_is_refused_as_it_was_typed(capsys):
    assert main(["one", "Viereckstest", "12", "24"]) == 2
    assert "there is no protocol called 'Viereckstest'" in capsys.readouterr().err
    assert main(["one", "triangle", "12", "24", "--margin", "0.2", "Viereckstest"]) == 2
    assert "Viereckstest" in capsys.readouterr().err


def test_words_of_one_name_get_the_line_back_in_quotation_marks(capsys):
    assert main(["start", "Lab", "im", "Ziegenkaese"]) == 2
    err = capsys.readouterr().err
    assert err.endswith("put it in quotation marks:\n  metasense start 'Lab im Ziegenkaese'\n")
    assert main(["show", "my", "pool.nc", "--details"]) == 2
    assert "metasense show 'my pool.nc' --details" in capsys.readouterr().err
    assert main(["card", "check", "card.toml", "-x"]) == 2
    assert "quotation marks" not in capsys.readouterr().err


@pytest.mark.parametrize(
    "typed",
    ["8 1 1", "8:1:1", "8 : 1 : 1", "8/1/1", "8; 1; 1", "8,1,1", "0.8,0.1,0.1", "0.8, 0.1, 0.1", "0,8 0,1 0,1",
     "0,8; 0,1; 0,1", "0,8, 0,1, 0,1", "80% 10% 10%", "80 %, 10 %, 10 %", "80%,10%,10%", "80 10 10"],
)  # fmt: skip
def test_odds_are_read_however_they_are_written(typed):
    assert odds(typed) == pytest.approx((0.8, 0.1, 0.1))


def test_four_odds_have_some_as_the_last():
    assert odds("2 1 1 1") == pytest.approx((0.4, 0.2, 0.2, 0.2))


@pytest.mark.parametrize("typed", ["8 1", "even", "0 0 0", "1 2 -3", "1 1 1 1 1", "", "0,8,0,1,0,1", "8,1 1"])
def test_what_is_no_odds_gets_back_what_to_write(typed):
    with pytest.raises(argparse.ArgumentTypeError, match="write three or four numbers, such as 8 1 1, 60% 20% 20% or"):
        odds(typed)


def test_odds_need_no_quotation_marks_and_take_no_file():
    line = ["ask", "averaged", "--odds", "60%", "0,2", "20%", "2026.csv", "--details"]
    assert with_whole_odds(line) == [*line[:3], "60% 0,2 20%", *line[6:]]
    for line in (["ask", "averaged", "a.csv", "--odds", "even"], ["ask", "averaged", "--odds"], ["pool", "a.csv"]):
        assert with_whole_odds(line) == line
