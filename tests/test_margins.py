"""Margins: one form, one distance, the same words everywhere."""

import dataclasses
import html
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import metasense as ms
from metasense.margins import Margin, level, margin_of, whole_margin
from metasense.protocols import PROTOCOLS, Protocol, forced_choice

FORCED = [p for p in PROTOCOLS.values() if isinstance(p, Protocol)]


def test_a_triangle_p_d_of_one_half_is_the_classical_threshold():
    # inverse of the exact function: 2.3214 (triangle), 0.9539 (2-AFC); p_d of 50 % is the usual detection threshold
    assert Margin(p_d=0.5, protocol="triangle").d_prime == pytest.approx(2.3214, abs=5e-5)
    assert Margin(p_d=0.5, protocol="2-AFC").d_prime == pytest.approx(0.9539, abs=5e-5)
    # at d-prime 1 a 2-AFC is .76025 correct (normal distribution), so p_d = 2 * .76025 - 1
    assert Margin(d_prime=1).p_d("2-AFC") == pytest.approx(0.5205, abs=5e-5)


@given(st.floats(1e-6, 0.9999), st.sampled_from(FORCED))
def test_a_margin_is_one_distance_in_every_protocol(p_d, test):
    margin = Margin(p_d=p_d, protocol=test)
    assert margin.p_d(test.name) == p_d
    assert float(test.p_d(margin.d_prime)) == pytest.approx(p_d, abs=1e-12)
    for row in margin.to_frame().itertuples():
        other = forced_choice(row.protocol)
        assert row.d_prime == margin.d_prime
        assert row.p_d == pytest.approx(margin.p_d(other), abs=1e-15)
        assert row.p_c == pytest.approx(other.guess + (1 - other.guess) * row.p_d, abs=1e-12)


def test_the_frame_holds_every_forced_choice_protocol():
    frame = Margin(d_prime=0.5).to_frame()
    assert list(frame) == ["protocol", "p_c", "p_d", "d_prime"]
    assert list(frame["protocol"]) == [p.name for p in FORCED]
    assert frame.drop(columns="protocol").dtypes.eq(float).all()


@given(st.one_of(st.floats(1e-3, 20), st.tuples(st.floats(1e-4, 0.999), st.sampled_from(FORCED))))
def test_text_is_read_back_digit_for_digit(stated):
    margin = Margin(d_prime=stated) if isinstance(stated, float) else Margin(p_d=stated[0], protocol=stated[1])
    assert Margin.parse(margin.text) == margin
    assert hash(Margin.parse(margin.text)) == hash(margin)


@pytest.mark.parametrize(
    ("text", "margin"),
    [
        ("0.2 triangle", Margin(p_d=0.2, protocol="triangle")),
        ("0,2 triangle", Margin(p_d=0.2, protocol="triangle")),
        ("20% triangle", Margin(p_d=0.2, protocol="triangle")),
        ("20 % Triangle test", Margin(p_d=0.2, protocol="triangle")),
        ("20% in the triangle", Margin(p_d=0.2, protocol="triangle")),
        ("p_d of 0.2 in a triangle", Margin(p_d=0.2, protocol="triangle")),
        ("triangle: p_d = 20 %", Margin(p_d=0.2, protocol="triangle")),
        ("12.5% 2-AFC", Margin(p_d=0.125, protocol="2-AFC")),
        ("0.2 2 afc", Margin(p_d=0.2, protocol="2-AFC")),
        ("2-AFC 0.2", Margin(p_d=0.2, protocol="2-AFC")),
        ("0.2 two out of five", Margin(p_d=0.2, protocol="two-out-of-five")),
        ("d'=0.5", Margin(d_prime=0.5)),
        ("d’ = 0,5", Margin(d_prime=0.5)),
        ("d=.5", Margin(d_prime=0.5)),
        ("d_prime=0.5", Margin(d_prime=0.5)),
        (" D-prime 0.5 ", Margin(d_prime=0.5)),
        ("d-prime of 0.5", Margin(d_prime=0.5)),
        # 47 % correct where guessing gives a third: (.47 - 1/3) / (2/3) = .205
        ("47 % correct triangle", Margin(p_d=0.205, protocol="triangle")),
        ("47% correct in a triangle", Margin(p_d=0.205, protocol="triangle")),
        ("47 of 100 correct triangle", Margin(p_d=0.205, protocol="triangle")),
        ("0,47 correct triangle", Margin(p_d=0.205, protocol="triangle")),
        ("triangle: 47 of 100 answers correct", Margin(p_d=0.205, protocol="triangle")),
        ("47 per cent of answers correct in the triangle", Margin(p_d=0.205, protocol="triangle")),
        ("12/24 right, triangle", Margin(p_d=0.25, protocol="triangle")),
        ("60 out of 100 correct 2-AFC", Margin(p_d=0.2, protocol="2-AFC")),
        ("2-AFC 60 % correct", Margin(p_d=0.2, protocol="2-AFC")),
        ("two out of five 19 % correct", Margin(p_d=0.1, protocol="two-out-of-five")),
        ("20 per cent triangle", Margin(p_d=0.2, protocol="triangle")),
    ],
)
def test_margins_are_read_as_people_write_them(text, margin):
    assert Margin(text) == margin
    assert Margin.parse(text) == margin
    assert margin_of(text) == margin


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0.2", "A number alone could be a d-prime or a p_d"),
        ("20 %", "A number alone"),
        ("", "is not a margin"),
        ("small", 'Write a d-prime as "d\'=0.5", or a p_d with its protocol as "0.2 triangle"'),
        ("0.2 square", "no protocol called 'square'"),
        ("0.2 A-not-A", "A-not-A has no share of correct answers"),
        ("20 triangle", "must lie above 0 and below 1; got 20. For 20 % write 0.2"),
        ("120% triangle", "must lie above 0 and below 1; got 1.2"),
        ("-0.2 triangle", "must lie above 0 and below 1; got -0.2"),
        ("d=0", "must be positive and finite"),
        ("d=-1", "must be positive and finite"),
        ("0.2", 'in which one? If in a triangle, write "0.2 triangle"'),
        ("47 of 100 correct", 'In which protocol? If in a triangle, write "47 of 100 correct triangle"'),
        ("47 % correct", "In which protocol?"),
        ("47 correct triangle", "says 47 correct, but not of how many"),
        ("33 of 100 correct triangle", "more than guessing gives, 33 % correct in a triangle"),
        ("24 of 24 correct triangle", "less than all correct"),
        ("5 of 0 correct triangle", "less than all correct"),
        ("47 % correct square", "no protocol called 'square'"),
    ],
)
def test_what_is_not_a_margin_is_refused_with_a_remedy(text, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        Margin.parse(text)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, "exactly one form"),
        ({"text": "d'=1", "d_prime": 1}, "exactly one form"),
        ({"text": 0.2}, "0.2 is not a margin"),
        ({"d_prime": 1, "p_d": 0.2, "protocol": "triangle"}, "exactly one form"),
        ({"d_prime": 1, "protocol": "triangle"}, "the same in every protocol: leave out protocol="),
        ({"p_d": 0.2}, "name one, protocol='triangle'"),
        ({"d_prime": 0}, "positive and finite; got 0"),
        ({"d_prime": np.inf}, "positive and finite; got inf"),
        ({"d_prime": np.nan}, "positive and finite; got nan"),
        ({"d_prime": "much"}, "must be a number; got 'much'"),
        ({"d_prime": 100.5}, "a margin is a d-prime of 100 at most, which nobody misses; got 100.5."),
        ({"p_d": 0, "protocol": "triangle"}, "above 0 and below 1; got 0"),
        ({"p_d": 1, "protocol": "triangle"}, "above 0 and below 1; got 1"),
        ({"p_d": 20, "protocol": "triangle"}, "For 20 % write 0.2"),
        ({"p_d": np.nan, "protocol": "triangle"}, "above 0 and below 1; got nan"),
        ({"p_d": 1e-17, "protocol": "triangle"}, "too close to 0"),
        ({"p_d": 0.2, "protocol": "same-different"}, "no share of correct answers"),
        ({"p_d": 0.2, "protocol": "square"}, "no protocol called 'square'"),
    ],
)
def test_impossible_margins_are_refused_in_plain_words(given, message):
    with pytest.raises(ValueError, match=re.escape(message)):
        Margin(**given)


def test_margins_are_values():
    margin = Margin(p_d=0.2, protocol="Triangle")
    assert margin == Margin(p_d=np.float64(0.2), protocol=forced_choice("triangle"))
    assert len({margin, Margin(p_d=0.2, protocol="triangle"), Margin(d_prime=margin.d_prime)}) == 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        margin.d_prime = 2.0


def test_text_and_html_say_the_same():
    for margin in (
        Margin(p_d=0.125, protocol="tetrad"),
        Margin(d_prime=0.5),
        Margin(d_prime=30),
        Margin(d_prime=0.001),
    ):
        page = html.unescape(re.sub(r"<style.*?</style>|<[^>]+>", " ", margin._repr_html_(), flags=re.DOTALL))
        assert page.split() == repr(margin).split()
        assert margin.sentence() in repr(margin)


def test_words_carry_the_stated_form_and_never_count_people():
    assert Margin(p_d=0.125, protocol="tetrad").sentence().startswith("a tetrad p_d of 12.5 % (42 % of answers correct")
    assert Margin(d_prime=0.5).sentence() == (
        "a d-prime of 0.50 (in a triangle, 36 % of answers correct where guessing alone gives 33 %)"
    )
    for margin in (Margin(p_d=0.2, protocol="triangle"), Margin(d_prime=30), Margin(d_prime=0.001)):
        said = repr(margin)
        assert not re.search(r"people|tasters|assessors|can taste|100 %|\b0 %", said)


@given(st.sampled_from(FORCED), st.integers(1, 99))
def test_a_share_correct_is_the_p_d_that_gives_it(test, percent):
    share = percent / 100
    if not test.guess < share:
        return
    margin = Margin(f"{percent} of 100 correct {test.name}")
    assert float(test.p_correct(margin.d_prime)) == pytest.approx(share, abs=1e-9)
    assert Margin(f"{percent} % correct {test.name}") == margin


def test_every_margin_of_the_library_takes_a_text():
    table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [30, 36], "correct": [12, 11]}
    margin = Margin("47 of 100 correct triangle")
    pooled = ms.pool(table, margin="47 of 100 correct triangle")
    assert pooled.margin == margin
    assert ms.one_panel("triangle", 24, 12, margin="47 of 100 correct triangle").margin == margin
    assert ms.plan_next(pooled, ms.Plan("triangle", 24), margin="47 of 100 correct triangle").margin == margin
    assert ms.verdict_chances("triangle", 24, "47 of 100 correct triangle", d_prime=0.0).margin == margin
    card = ms.Card(question="Q?", decision="D.", margin="47 of 100 correct triangle", protocols="triangle", tastings=24,
                   date="2025-03-01")  # fmt: skip
    assert card.margin == margin
    for call in (
        lambda: ms.pool(table, margin="0.2"),
        lambda: ms.one_panel("triangle", 24, 12, margin="0.2"),
        lambda: ms.plan_next(pooled, margin="0.2"),
        lambda: ms.verdict_chances("triangle", 24, "0.2", d_prime=0.0),
        lambda: ms.Card(
            question="Q?", decision="D.", margin="0.2", protocols="triangle", tastings=24, date="2025-03-01"
        ),
    ):
        with pytest.raises(ValueError, match=re.escape('write "0.2 triangle"')):
            call()


def test_help_turns_a_count_into_the_margin_in_every_protocol():
    # 12 of 24 in a triangle is half correct: (1/2 - 1/3) / (2/3) = 1/4, by hand
    asked = Margin.help("triangle", tastings=24, correct=12)
    assert asked.margin == Margin(p_d=0.25, protocol="triangle")
    frame = asked.to_frame().set_index("protocol")
    for test in FORCED:
        assert frame.loc[test.name, "correct_of_100"] == pytest.approx(100 * test.p_correct(asked.margin.d_prime))
        assert frame.loc[test.name, "guessing_of_100"] == pytest.approx(100 * test.guess)
    assert 'margin="0.25 triangle"' in repr(asked)
    # binomial(24, 1/2): P(X <= 7) = .032, P(X <= 8) = .076, by symmetry 8 to 16; standard tables of the binomial
    assert "8 to 16 right of 24 in at least 90 of 100 panels" in repr(asked)


def test_help_without_a_count_lists_every_count_above_guessing():
    asked = Margin.help("triangle", tastings=24)
    assert asked.margin is None
    assert asked.to_frame()["correct"].tolist() == list(range(9, 24))  # 8 is what guessing gives, 24 is no margin
    chosen = Margin.help("triangle", tastings=24, correct=13).margin
    row = asked.to_frame().set_index("correct").loc[13]
    assert row["p_d"] == chosen.stated_p_d
    assert row["d_prime"] == pytest.approx(chosen.d_prime, abs=1e-12)
    assert row["correct_of_100"] == pytest.approx(1300 / 24)
    assert "Of 24 triangle answers, how many right" in repr(asked) and "Guessing alone gives 8 right" in repr(asked)
    assert len(Margin.help("triangle", tastings=1).to_frame()) == 0  # of one answer, one right is all of them


@pytest.mark.parametrize(
    ("protocol", "tastings", "correct", "message"),
    [
        ("triangle", 24, 8, "more than guessing gives"),
        ("triangle", 24, 24, "less than all correct"),
        ("triangle", 24, 25, "correct is how many of 24 answers"),
        ("triangle", 0, None, "a whole number from 1"),
        ("triangle", 24, 0, "more than guessing gives"),
        ("triangle", 24, -1, "correct is how many of 24 answers"),
        ("same-different", 24, 12, "no share of correct answers"),
    ],
)
def test_help_refuses_a_count_that_is_no_margin(protocol, tastings, correct, message):
    with pytest.raises(ValueError, match=message):
        Margin.help(protocol, tastings=tastings, correct=correct)


@pytest.mark.parametrize(
    "text", ["0.2 triangle, settled at 90 %", "20% triangle; settled above 0.9", "0,2 triangle settled from 90%"]
)
def test_a_margin_says_from_which_probability_it_is_settled(text):
    margin = Margin(text)
    assert margin == Margin(p_d=0.2, protocol="triangle", settled=0.9) != Margin("0.2 triangle")
    assert Margin(margin.text) == margin
    assert Margin("d'=0.5, settled at 0.8").settled == 0.8
    assert Margin("0.2 triangle", settled="90 %") == Margin(p_d=0.2, protocol="triangle", settled="0,9") == margin
    assert Margin("d'=0.5").settled_at(0.8) == Margin("d'=0.5, settled at 0.8")


@pytest.mark.parametrize("level", [0.5, 1, 95, "much", True, float("nan")])
def test_a_level_that_both_sides_or_none_could_reach_is_refused(level):
    with pytest.raises(ValueError, match="settled is a probability above"):
        Margin(d_prime=1, settled=level)


@pytest.mark.parametrize("level", ["90 %", "0.9"])
def test_a_level_without_its_words_is_asked_for_with_them(level):
    with pytest.raises(ValueError, match=f'write "0.2 triangle, settled at {level}"'):
        Margin(f"0.2 triangle, {level}")
    with pytest.raises(ValueError, match="is not a margin") as error:
        Margin(f"trinagle, {level}")
    assert "settled at" not in str(error.value)


def test_verdicts_plans_and_panels_go_by_the_margins_own_level():
    table = {"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [14, 15, 16]}
    usual = ms.pool(table, margin="0.3 triangle")
    below = usual.verdict().below
    assert 0.7 < below < 0.9 and usual.verdict() == "not settled"
    low = ms.pool(table, margin="0.3 triangle", settled=below - 0.01)
    assert low.verdict() == "within the margin" and low.margin.settled == below - 0.01
    assert ms.pool(table, margin="0.3 triangle", settled=below + 0.01).verdict() == "not settled"
    asked = ms.pool(table, margin="0.3 triangle, settled at 90 %")
    assert "above 90 % settles it" in " ".join(asked.plain_answer().split())
    assert "90 %" in asked.verdict().sentence()
    plans = [ms.plan_next(pool, ms.Plan.every(["triangle"], [30], [1])).frame["settled"][0] for pool in (usual, asked)]
    assert plans[1] > plans[0]
    assert ms.one_panel("triangle", 30, 14, margin="0.3 triangle, settled at 80 %").settled == 0.8
    assert ms.one_panel("triangle", 30, 14, margin="0.3 triangle", settled=0.7).settled == 0.7
    with pytest.raises(ValueError, match="settled belongs to a margin"):
        ms.pool(table, settled=0.9)


def test_a_card_and_a_saved_pool_keep_the_level(tmp_path):
    known = {"question": "Is it noticed?", "decision": "Change if within.", "protocols": "triangle", "tastings": 30}
    card = ms.Card(**known, date="2025-03-01", margin="0.2 triangle, settled at 90 %")
    assert ms.Card.load(card.save(tmp_path / "card.toml")) == card
    assert "more than 90 %" in card.sentences["within the margin"]
    panels = ms.read_panels({"panel": ["A"], "protocol": "triangle", "tastings": 30, "correct": 12})
    pooled = ms.pool(panels, card=card)
    assert ms.load(pooled.save(tmp_path / "pool.nc")).margin.settled == pooled.margin.settled == 0.9
    said = " ".join(card.departures(panels, margin=card.margin.settled_at(0.8), priors=card.priors))
    assert "the margin used is 0.2 triangle, settled at 0.8" in said


@pytest.mark.parametrize(
    ("d", "said"), [(0.094, "0.094"), (0.0949, "0.095"), (0.1, "0.10"), (0.0123, "0.012"), (2, "2.00"), (100, "100.00")]
)
def test_a_small_d_prime_keeps_two_figures_and_others_two_decimals(d, said):
    assert Margin(d_prime=d).sentence().startswith(f"a d-prime of {said} ")


@pytest.mark.parametrize(
    ("p_d", "said"),
    [
        (0.0994, "9.9 %"),
        (0.0996, "10 %"),
        (0.012, "1.2 %"),
        (0.994, "99 %"),
        (0.995, "more than 99 %"),
        (0.996, "more than 99 %"),
    ],
)
def test_percents_are_whole_from_ten_on_and_never_a_hundred(p_d, said):
    (row,) = [
        line for line in repr(Margin(p_d=p_d, protocol="triangle")).splitlines() if line.strip().startswith("triangle")
    ]
    assert f" {said} " in row and "100 %" not in row


def test_one_correct_without_of_how_many_is_all_of_them():
    with pytest.raises(ValueError, match="less than all correct; got 100 %"):
        Margin("1 correct triangle")


@pytest.mark.parametrize(
    ("words", "joined"),
    [
        (["--margin", "0.2", "triangle"], ["--margin", "0.2 triangle"]),
        (["--margin=20%", "triangle", "a.csv"], ["--margin", "20% triangle", "a.csv"]),
        (["--margin", "0.2", "triangle", "--seed", "1"], ["--margin", "0.2 triangle", "--seed", "1"]),
        (["x", "--margin", "0.2 triangle"], ["x", "--margin", "0.2 triangle"]),
        (["--margin", "d'=0.5", "a.csv", "b.csv"], ["--margin", "d'=0.5", "a.csv", "b.csv"]),
        # eight words are the most that one has, of which this takes all
        (["--margin", *["60", "out", "of", "100", "correct", "in", "the", "2-AFC"], "a.csv"], ["--margin", "60 out of 100 correct in the 2-AFC", "a.csv"]),
    ],
)  # fmt: skip
def test_a_margin_without_its_quotation_marks_is_put_together(words, joined):
    assert whole_margin(words, "--margin") == (joined, "")


def test_words_that_are_no_margin_stay_with_the_reason_and_a_file_is_no_part_of_it():
    words = ["--margin", "0.2", "square", "panels.csv"]
    stayed, why = whole_margin(words, "--margin")
    assert stayed == words and "no protocol called 'square'" in why and "panels" not in why
    stayed, why = whole_margin(["--margin", "20%", "panels.csv"], "--margin")
    assert stayed == ["--margin", "20%", "panels.csv"] and why.startswith("'20%' is not a margin. A number alone")


def test_without_a_margin_the_usual_level_holds():
    assert level(None) == 0.95 == level(Margin(d_prime=1)) and level(Margin(d_prime=1, settled=0.8)) == 0.8
    assert Margin(d_prime=1, settled=0.8).text == "d'=1.0, settled at 0.8" and Margin(d_prime=1).text == "d'=1.0"
    with pytest.raises(ValueError, match="margin is a Margin"):
        margin_of(0.2)
