"""Panels at stated values: their words, rows and verdict, read off one posterior."""

import numpy as np
import pytest

import metasense as ms
from metasense.engine.grid import integrate
from metasense.engine.likelihood import Counts
from metasense.engine.priors import Priors
from metasense.protocols import protocol
from metasense.questions.prediction import Prediction, said_value, where

TRIANGLE, PAIRED = protocol("triangle"), protocol("2-AFC")
PLAIN = integrate([Counts(TRIANGLE, 30, 14), Counts(TRIANGLE, 30, 17)], [1, 1], Priors())[0]
DIRECTED = integrate([Counts(PAIRED, 40, 33)], [4], Priors())[0]
MARGIN = ms.Margin(d_prime=0.5)


def at(posterior=PLAIN, margin=None, protocols=(TRIANGLE,), values=None, **more):
    return Prediction({"weeks": 9} if values is None else values, posterior, margin, protocols, **more)


@pytest.mark.parametrize(
    ("values", "said"),
    [({"weeks": 9}, "weeks = 9"), ({"weeks": 2.5, "wood": "oak"}, "weeks = 2.5 and wood = oak"), ({}, "the average panel"),
     ({"dose": 1 / 3}, "dose = 0.333333"), ({"n": np.int64(1234567)}, "n = 1.23457e+06"), ({"x": "a\nb"}, "x = a b")],
)  # fmt: skip
def test_values_are_said_in_six_digits_and_words_on_one_line(values, said):
    assert where(values) == said
    assert said_value(9.0) == "9" and said_value("oak") == "oak"


def test_rows_are_the_posterior_s_own_numbers():
    frame = at(protocols=(TRIANGLE, PAIRED)).to_frame(0.8)
    assert frame["quantity"].tolist()[:3] == ["average d-prime", "next panel d-prime", "p_c (triangle)"]
    assert len(frame) == 2 + 4 * 2 and (frame["prob"] == 0.8).all()
    assert frame["median"].tolist()[:2] == pytest.approx([PLAIN.average.median, PLAIN.next_d_prime.median])
    assert frame["lower"].iloc[1] == pytest.approx(PLAIN.next_d_prime.interval(0.8)[0])
    assert len(at(protocols=(TRIANGLE, PAIRED)).to_frame(0.8, ["tetrad"])) == 6


def test_the_sentence_says_average_next_panel_rates_and_verdict():
    average, following = PLAIN.average, PLAIN.next_d_prime
    said = at().sentence(0.8)
    low, high = average.interval(0.8)
    assert said.startswith(f"At weeks = 9 the average d-prime is {average.median:.2f} ({low:.2f} to {high:.2f}; 80 %")
    low, high = following.interval(0.8)
    assert f"; the next such panel's own is expected at {low:.2f} to {high:.2f} (80 %)." in said
    rate = at().rate("triangle").p_c
    assert f"the share of correct answers would average {100 * rate.median:.0f} %" in said
    assert "in triangle tests, where guessing alone gives 33 %" in said
    assert "direction" not in said and "margin" not in said
    judged = at(margin=MARGIN, notes=("A note.",))
    assert judged.sentence().endswith(f"{judged.verdict().sentence()} A note.")
    assert judged.verdict().below == pytest.approx(average.below(0.5))


def test_a_direction_is_said_where_panels_have_one():
    there = at(DIRECTED, protocols=(PAIRED,))
    assert there.expected_way == pytest.approx(DIRECTED.expected_way)
    assert ", in the expected direction; the next such panel" in there.sentence()
    assert there.signed.mean == pytest.approx(DIRECTED.signed_average.mean)
    assert at().expected_way is None and at().signed.mean == at().average.mean


def test_where_a_line_was_sent_through_zero_nothing_is_found():
    there = at(margin=MARGIN, values={"dose": 0}, assumed=True)
    assert there.sentence().startswith(
        "At dose = 0 the line was sent through zero, so that panels average 0 there is assumed"
    )
    assert "Only how much panels differ is known" in there.sentence() and "average d-prime is" not in there.sentence()
    with pytest.raises(ValueError, match=r"at dose = 0 there is no verdict: the line was sent through zero there\."):
        there.verdict()
    assert "average d-prime" not in repr(there) and "next panel d-prime" in repr(there)
    assert "average d-prime" in repr(at())


def test_shares_are_shown_in_per_cent_and_d_primes_are_not():
    lines = {line.split("  ")[0].strip(): line for line in repr(at()).splitlines()}
    assert "%" in lines["p_c (triangle)"] and "%" in lines["next panel p_d (triangle)"]
    assert "%" not in lines["next panel d-prime"] and f"{PLAIN.average.median:.2f}" in lines["average d-prime"]
