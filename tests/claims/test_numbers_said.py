"""Numbers in sentences: what each is, how it was rounded, and what it is said of. Sentences are invented."""

import pytest

from metasense.claims.facts import BAYES, D_PRIME, GUESS, P_C, P_D, P_VALUE, PREFERS, PROBABILITY, SPREAD
from metasense.claims.numbers import Number, blank, counted, levels, numbers, with_points


def kinds(sentence):
    return [(n.said, n.kind) for n in numbers(sentence)]


def number(value, step, compared=""):
    return Number(0, 1, "", value, step, "", compared)


def test_a_number_agrees_with_what_would_be_rounded_to_it():
    half = number(0.5, 0.1)
    assert half.agrees(0.55) and half.agrees(0.45) and not half.agrees(0.551) and not half.agrees(0.449)
    exact = number(0.37, 0.01)
    assert exact.agrees(0.375) and not exact.agrees(0.376)


def test_a_bound_agrees_with_all_on_its_side():
    above, below = number(0.5, 0.1, ">"), number(0.5, 0.1, "<")
    assert above.agrees(0.5) and above.agrees(9) and not above.agrees(0.499)
    assert below.agrees(0.5) and below.agrees(-9) and not below.agrees(0.501)


def test_about_is_a_tenth_or_the_last_digit_whichever_is_more():
    about = number(10, 0.1, "~")
    assert about.agrees(11.1) and about.agrees(9.1) and not about.agrees(11.2) and not about.agrees(9.09)
    coarse = number(1, 1, "~")
    assert coarse.agrees(1.5) and coarse.agrees(0.5) and not coarse.agrees(0.49)


@pytest.mark.parametrize(
    ("sentence", "value", "step", "digits"),
    [
        ("a p_d of 13 %", 0.13, 0.01, 2),
        ("a p_d of 13.0 %", 0.13, 0.001, 3),
        ("a p_d of 13 per cent", 0.13, 0.01, 2),
        ("a p_d of 0.13", 0.13, 0.01, 2),
        ("a p_d of .130", 0.13, 0.001, 3),
        ("a p_d of -4 %", -0.04, 0.01, 1),
        ("a p_d of −4 %", -0.04, 0.01, 1),
        ("the probability is 99 %", 0.99, 0.01, 1),  # one digit from the end of the scale
        ("the probability is 99.5 %", 0.995, 0.001, 1),
        ("the probability is 50 %", 0.5, 0.01, 2),
        ("a d-prime of 0", 0, 1, 1),
        ("a Bayes factor of 130", 130, 10, 3),
        ("a Bayes factor of 1,300", 1300, 100, 4),
        ("a Bayes factor of 132", 132, 1, 3),
        ("a Bayes factor of 10", 10, 1, 2),
        ("a Bayes factor of 130.0", 130, 0.1, 4),
    ],
)
def test_a_number_has_its_value_the_size_of_its_last_digit_and_its_digits(sentence, value, step, digits):
    (found,) = numbers(sentence)
    assert (found.value, found.step) == (pytest.approx(value), pytest.approx(step))
    assert found.digits == digits


@pytest.mark.parametrize(
    ("words", "sign"),
    [
        *(("more than ", ">"), ("at least ", ">"), ("above ", ">"), ("> ", ">"), ("≥ ", ">")),
        *(("less than ", "<"), ("at most ", "<"), ("up to ", "<"), ("below ", "<"), ("≤", "<")),
        *(("about ", "~"), ("roughly ", "~"), ("nearly ", "~"), ("~", "~"), ("", ""), ("exactly ", "")),
    ],
)
def test_what_stands_before_a_number_compares_it(words, sign):
    (found,) = numbers(f"a p_d of {words}13 %")
    assert found.compared == sign


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("p = 0.03", [("0.03", P_VALUE)]),
        ("the p-value was 0.2", [("0.2", P_VALUE)]),
        ("a p_d of 13 %", [("13 %", P_D)]),
        ("13 % beyond guessing", [("13 %", P_D)]),
        ("42 % correct answers", [("42 %", P_C)]),
        ("42 % of answers were right", [("42 %", P_C)]),
        ("where guessing alone gives 33 %", [("33 %", GUESS)]),
        ("an SD of 0.4", [("0.4", SPREAD)]),
        ("d-prime 0.95", [("0.95", D_PRIME)]),
        ("d' = 0.95", [("0.95", D_PRIME)]),
        ("a Bayes factor of 3", [("3", BAYES)]),
        ("3 times as probable", [("3", BAYES)]),
        ("62 % preferred it", [("62 %", PREFERS)]),
        ("with a probability of 8 %", [("8 %", PROBABILITY)]),
        ("the year 2024 went well", [("2024", "")]),
        # of a percentage no d-prime can be meant; of what lies above 1 no share
        ("d-prime and share: 42 %", [("42 %", PREFERS)]),
        ("a d-prime of 42 %", [("42 %", "")]),
        ("correct: 42", [("42", "")]),
        ("correct: 1", [("1", P_C)]),
        # with a unit it is of something that no panel measures
        ("a p_d of 13 % after 6 weeks", [("13 %", P_D), ("6", "")]),
        ("d-prime 0.9, at 12 °C", [("0.9", D_PRIME), ("12", "")]),
        # the interval behind an estimate is of its kind
        ("13 % (5 % to 20 %) beyond guessing", [("13 %", P_D), ("5 %", P_D), ("20 %", P_D)]),
        ("p_d 13 % [5, 20]", [("13 %", P_D), ("5", ""), ("20", "")]),
        # of the whole phrase
        ("The probability that the d-prime exceeds the margin is 8 %", [("8 %", PROBABILITY)]),
        ("The chance of so many right is 0.04", [("0.04", P_VALUE)]),
        # what guessing gives was said in another clause
        ("guessing gives 33 %; found 42 %", [("33 %", GUESS), ("42 %", "")]),
        ("guessing gives 33 %, found 42 %", [("33 %", GUESS), ("42 %", GUESS)]),
        # the one named next, if it is near
        ("42 % (of all) correct", [("42 %", P_C)]),
        ("42 % came out in the end, and that was how many were thought to be correct", [("42 %", "")]),
    ],
)
def test_a_number_is_of_the_quantity_named_nearest(sentence, expected):
    assert kinds(sentence) == expected


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("95 % credible interval", [0.95]),
        ("an interval (90 %, exact)", [0.9]),
        ("0.1 to 0.9 (95 %)", [0.95]),
        ("between 0.1 and 0.9 with a probability of 80 %", [0.8]),
        ("95 % interval and 95 % limits, 50 % interval", [0.95, 0.5]),
        ("100 % interval, 0 % interval", []),
        ("95 % of answers", []),
        ("9 of 24 answers (37.5 %)", []),
    ],
)
def test_probabilities_of_intervals_are_read_once_each(text, found):
    assert levels(text) == found


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        ("12 of 24 answers", [(12, 24, "tastings")]),
        ("12 out of 24 tasters", [(12, 24, "people")]),
        ("12/24 trials", [(12, 24, "tastings")]),
        ("three of the nine panels", [(3, 9, "panels")]),
        ("12 answers of 24", [(12, 24, "")]),
        ("12 of 24 %", []),
        ("12 of 24.5", []),
        ("1,204 tastings", [(1204, None, "tastings")]),
        ("24 brave volunteers", [(24, None, "people")]),
        ("24 of the brave", []),
        ("not one taster", []),
        ("one taster", [(1, None, "people")]),
        ("Twelve panels with 30 people", [(12, None, "panels"), (30, None, "people")]),
        ("0.24 answers", []),
    ],
)
def test_counts_are_parts_of_a_whole_or_numbers_of_something(sentence, expected):
    assert [(c.value, c.whole, c.noun) for c in counted(sentence)] == expected


def test_the_share_behind_two_counts_belongs_to_them():
    (found,) = counted("9 of 24 were correct (37.5 %)")
    assert found.share.value == pytest.approx(0.375) and found.share.step == pytest.approx(0.001)
    assert found.share.said == "37.5 %" and found.said == "9 of 24"
    (whole,) = counted("9 of 24 answers (38 %)")
    assert whole.share.value == pytest.approx(0.38) and whole.share.step == pytest.approx(0.01)
    assert whole.said == "9 of 24 answers" and (whole.start, whole.end) == (0, 15)
    (far,) = counted("9 of 24 answers that day were in the end correct (37.5 %)")
    assert far.share is None


def test_decimal_commas_become_points_only_where_they_can_be_nothing_else():
    assert with_points("37,5 and 0,342") == "37.5 and 0.342"
    for kept in ("1,234", "1,2,3", "[36,49]", "12,345,678"):
        assert with_points(kept) == kept


def test_blanks_keep_every_place():
    assert blank("ab 12 cd", (3, 5)) == "ab __ cd"
    assert blank("a-b c", (0, 3), (4, 5)) == "_-_ _"
