"""How numbers are said. Expected texts follow from the rules stated in the docstrings."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from metasense.showing import words

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "a & b",
    "$x$",
    "\x1b[31mred",
    "one\ntwo",
    "|pipe|",
]
finite = st.floats(-1e3, 1e3)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.4576, "0.46"),
        (0.0, "0"),
        (-0.0, "0"),
        (0.006, "0.01"),
        (0.0049, "less than 0.01"),
        (-0.001, "more than -0.01"),
        (12.346, "12.35"),
        (math.inf, "no upper limit"),
        (-math.inf, "no lower limit"),
        (math.nan, "not known"),
    ],
)
def test_a_plain_number_is_said_with_two_decimals(value, said):
    assert words.d(value) == said


@given(st.floats(0, 1))
def test_a_probability_is_never_said_to_be_certain(p):
    assert words.probability(p) not in ("0 %", "100 %")
    if 0 < p < 1:
        assert words.percent(p) not in ("0 %", "100 %")


def test_a_counted_share_may_be_all_or_nothing():
    assert (words.percent(15 / 15), words.percent(0 / 15)) == ("100 %", "0 %")


@given(st.floats(0, 1))
def test_a_percentage_is_right_within_rounding(p):
    text = words.percent(p)
    number = float(re.search(r"\d+", text)[0]) / 100
    if text.startswith("less"):
        assert p < number
    elif text.startswith("more"):
        assert p > number
    else:
        assert abs(p - number) <= 0.005 + 1e-12


@pytest.mark.parametrize("p", [1.1, -0.1])
def test_what_is_no_probability_is_refused(p):
    with pytest.raises(ValueError, match="not a probability"):
        words.probability(p)


@given(st.floats(0, 1))
def test_a_p_value_is_never_rounded_onto_the_line(p):
    said = float(words.p_value(p).split()[-1])
    if p != 0.05 and abs(p - 0.05) > 1e-8:
        assert said != 0.05
        assert (said < 0.05) == (p < 0.05)


@given(finite, finite, finite)
def test_an_estimate_is_never_printed_equal_to_a_bound_it_does_not_equal(a, b, c):
    lower, value, upper = sorted([a, b, c])
    middle, low, high = words.distinct(value, lower, upper)
    for x, y, said in ((lower, value, low == middle), (value, upper, middle == high), (lower, upper, low == high)):
        if said:
            assert abs(x - y) <= 2e-6


def test_values_get_as_many_digits_as_tell_them_apart_up_to_six():
    assert words.distinct(0.17, 0.18) == ("0.17", "0.18")
    assert words.distinct(0.12341, 0.12342) == ("0.12341", "0.12342")
    assert words.distinct(0.123411, 0.123412) == ("0.123411", "0.123412")
    assert words.distinct(0.1234111, 0.1234112) == ("0.123411", "0.123411")
    assert words.distinct(0.123411, 0.123412, unit="percent") == ("12.3411 %", "12.3412 %")


def test_an_interval_names_its_kind_and_probability():
    assert words.estimate(0.5, 0.0812, 0.9533) == "0.50 (0.08 to 0.95; 95 % credible interval, equal-tailed)"
    assert "(0.3 % to 36 %; 95 %" in words.estimate(0.1, 0.003, 0.36, unit="percent")
    assert "(0.10 and up; 90 % credible interval" in words.estimate(0.5, 0.1, math.inf, 0.9)
    assert "(0.20 to 0.40; 95 % confidence interval, exact binomial)" in words.estimate(0.3, 0.2, 0.4, kind="exact")
    # the estimate 17 with interval 17 to 18 of the classic complaint
    assert words.estimate(0.174, 0.171, 0.18, unit="percent").startswith("17.4 % (17.1 % to 18.0 %;")


def test_a_paragraph_is_text_that_a_notebook_sets_as_one():
    text = words.Paragraph("<b>Salt</b> & $pepper$")
    assert text == str(text) == repr(text) == f"{text}" == "<b>Salt</b> & $pepper$"
    assert "<b>" not in text._repr_html_() and "mathjax_ignore" in text._repr_html_()
    assert type(text + "!") is str


def test_counts_and_listings_read_as_english():
    assert words.count(1, "panel") == "1 panel"
    assert words.count(1200, "tasting") == "1,200 tastings"
    assert words.count(2, "person") == "2 people"
    assert words.listing(["a", "b", "c"]) == "a, b and c"
    assert words.listing(list("abcdef"), most=2) == "a, b and 4 others"
    assert words.listing(list("abc"), most=2) == "a, b and c"  # "1 other" would save nothing


def test_the_verdict_sentences_name_the_margin_and_keep_our_own_vocabulary():
    margin = "a d-prime of 1.30"
    sentences = words.verdict_sentences(margin)
    assert tuple(sentences) == words.VERDICTS
    for sentence in sentences.values():
        assert margin in sentence
        assert "95 %" in sentence
        assert words.banned(sentence) == []


def test_the_glossary_keeps_our_own_vocabulary():
    for term in (
        "d-prime",
        "p_d",
        "p_c",
        "margin",
        "spread",
        "credible interval",
        "panel",
        "taster",
        "batch pair",
        "drawer",
    ):
        assert words.GLOSSARY[term]
    # 2-AFC at d-prime 1 and 2 is Phi(d / sqrt 2) = erfc(-d / 2) / 2, from the error function of the standard library
    assert re.findall(r"\d\d %", words.GLOSSARY["d-prime"]) == [words.percent(math.erfc(-d / 2) / 2) for d in (1, 2)]
    for term, meaning in words.GLOSSARY.items():
        assert words.banned(meaning) == [], term


@pytest.mark.parametrize(
    ("text", "phrases"),
    [
        ("There is no difference.", ["no difference"]),
        ("We saw no\ndetectable differences", ["no detectable differences"]),
        ("25 % of tasters can taste it", ["25 % of tasters can taste"]),
        ("1 in 5 people could tell", ["1 in 5 people could tell"]),
        ("This proved it.", ["proved"]),
        ("so we accept the null", ["accept the null"]),
        ("95 % confidence interval 0.1 to 0.4", ["confidence"]),
        ("The result is significant", ["significant"]),
        ("it was not significant; significantly so", ["significant", "significantly"]),
        ("8 discriminators", ["discriminators"]),
        ("the interval excludes zero", ["interval excludes zero"]),
        ("a trend towards a difference", ["trend towards"]),
        ("post-hoc power was 15 %", ["post-hoc power"]),
        ("The panel failed.", ["panel failed"]),
    ],
)
def test_a_phrase_we_do_not_use_is_found(text, phrases):
    assert words.banned(text) == phrases


@pytest.mark.parametrize(
    "text",
    [
        "The panel was not statistically significant.",
        "statistical significance is a courtesy line",
        "0.2 to 0.4 (95 % confidence interval, exact binomial)",
        "three significant figures",
        'Not statistically significant is not "no difference".',
        "the average difference is within the margin",
        "A p-value does not prove anything. See provenance.",
        "A taster judges a pair same or different.",
        "47 % correct where guessing alone gives 33 %",
    ],
)
def test_what_may_be_said_is_not_found(text):
    assert words.banned(text) == []


def test_every_phrase_pattern_finds_something_and_says_why():
    for phrase in words.BANNED:
        re.compile(phrase.pattern)
        re.compile(phrase.unless)
        assert phrase.why
        assert words.banned(f'"{phrase.instead}"') == []


@given(st.text())
def test_one_line_is_one_line_that_can_be_written(text):
    line = words.one_line(text)
    assert line.splitlines() in ([], [line])
    assert "\x1b" not in line
    line.encode("utf-8")
