"""The lines of a card as people write them: every slip is named at once, by its line and with what to write."""

import datetime

import pytest

import metasense as ms
from metasense.cli import main
from metasense.planning.decided import ANSWERS_LOOK_LIKE, card_of

LINES = {
    "question": "Is it noticed?",
    "decision": "Change if within.",
    "margin": "0.2 triangle",
    "protocols": ["triangle"],
    "tastings": 24,
    "date": "2025-03-01",
}


def refused(text, tmp_path):
    file = tmp_path / "answers.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match="question card") as caught:
        card_of(file)
    return str(caught.value)


def test_every_slip_of_a_file_is_named_by_its_line_at_once(tmp_path):
    said = refused(
        "# our card\nquestion = Is it noticed?\ndecison = 'Change.'\nmargin = 0,2 triangle\nprotocol = dreieck\n"
        'tastings = "24"\nblind = ja\ndate = 1.3.2025\nlooks = zwei\ncolour = "red"\n',
        tmp_path,
    ).split("\n")
    assert said[0].endswith("answers.toml' makes no question card yet:")
    assert [line.strip() for line in said[1:]] == [
        'line 2, question = Is it noticed?: a text stands in quotation marks; write question = "Is it noticed?"',
        "line 3: 'decison' is no line of a question card; did you mean 'decision'?",
        'line 4, margin = 0,2 triangle: a text stands in quotation marks; write margin = "0.2 triangle"',
        "line 5: 'protocol' is no line of a question card; did you mean 'protocols'?",
        "line 6: tastings is a whole number from 1, without quotation marks: 24",
        "line 7: 'blind' is no line of a question card. Leave it out: who was blind is said of each panel, in the column "
        "blind of its table: double, single or none",
        "line 8: date is a day as 2025-03-01; got '1.3.2025'",
        "line 9: looks is a whole number from 1; got 'zwei'",
        "... and 1 more",
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('question = "Q?"\n', "decision is missing, as in decision = "),
        ('question = "Q?"\nmargn = "x"\n', "'margn' is no line of a question card; did you mean 'margin'?"),
        ('question="Q?"\ndecision="D."\nmargin="0.2"\nprotocols="triangle"\ntastings=24\n', 'write "0.2 triangle"'),
        ('question="Q?"\ndecision="D."\nmargin=0,2\nprotocols="triangle"\ntastings=24\n', 'line 3: \'0.2\' is not a margin'),
        ('question="Q?"\ndecision="D."\nmargin="0.2 triangle"\nprotocols="triangle"\n', "say how many tastings"),
        ('question="Q?"\nallergens=["milk"]\n', "named when a panel is served, with --allergens"),
        ('question="Q?"\nquestion="R?"\n', "line 2, question stands in line 1 already; keep one of the two"),
        ("panel,protocol\nA,triangle\n", "holds no line of a question card. The lines are written as\nquestion ="),
        ("", "holds no line of a question card"),
    ],
)  # fmt: skip
def test_a_line_that_is_missing_wrong_or_strange_is_named(text, says, tmp_path):
    assert says in refused(text, tmp_path)


def test_a_line_under_another_name_is_not_missed_as_well(tmp_path):
    said = refused('frage = "Q?"\nentscheidung = "D."\nmargin = "0.2 triangle"\ntest = "triangle"\nn = 24\n', tmp_path)
    assert "missing" not in said and said.count("did you mean") == 4 and "how many tastings" not in said


def test_files_that_are_none_are_said(tmp_path):
    with pytest.raises(ValueError, match="there is no file"):
        card_of(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes("question = 'Spülen'".encode("latin-1"))
    with pytest.raises(ValueError, match="not in UTF-8"):
        card_of(tmp_path / "latin.toml")


def test_lines_of_a_card_may_name_protocols_in_a_language_of_tables():
    card = card_of({**LINES, "margin": "0.2 Dreieckstest", "protocols": ["Dreieckstest", "duo-trio"]})
    assert card.margin.text == "0.2 triangle" and card.protocols == ("triangle", "duo-trio")
    assert card_of({**LINES, "protocols": "Essai triangulaire"}).protocols == ("triangle",)
    assert card_of({**LINES, "protocols": "triangle, tetrad"}).protocols == ("triangle", "tetrad")


def test_lines_without_a_day_are_of_today(tmp_path):
    (tmp_path / "answers.toml").write_text(ANSWERS_LOOK_LIKE, encoding="utf-8")
    assert card_of(tmp_path / "answers.toml").date == datetime.date.today()


def test_a_card_is_taken_as_it_is(tmp_path):
    card = ms.Card(**LINES)
    assert card_of(card) is card
    assert card_of(card.save(tmp_path / "card.toml")) == card


def test_a_sealed_card_with_a_slip_is_refused_by_its_line_wherever_it_is_named(tmp_path, capsys):
    file = ms.Card(**LINES).save(tmp_path / "card.toml")
    file.write_text(file.read_text(encoding="utf-8").replace('margin = "0.2 triangle"', "margin = 0,3 triangle"))
    for words in (["card", "check"], ["card", "seal"], ["pool", "datasets/cider_fining.csv", "--card"]):
        more = [str(tmp_path / "other.toml")] if words[-1] == "seal" else []
        assert main([*words, str(file), *more]) == 2
        err = capsys.readouterr().err
        assert "cannot be read as a question card:\n  line 6, margin = 0,3 triangle:" in err
        assert err.rstrip().endswith('write margin = "0.3 triangle"')
