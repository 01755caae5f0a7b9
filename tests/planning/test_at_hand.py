"""What the tasters at hand find."""

import numpy as np
import pytest
from scipy.stats import binom

import metasense as ms

# Fewest correct answers at an alpha-risk of 5 %: FAO V7180E, Appendix A (as ISO 4120, Table A.1). The 66 tasters for a
# p_d of 30 % with both risks at 5 %: the sample-size table of ISO 4120, from memory. As in data/sizes_*.csv.
TRIANGLE = {24: 13, 30: 15, 36: 18}


@pytest.mark.parametrize(("tasters", "correct"), TRIANGLE.items())
def test_the_count_that_decides_is_the_published_one(tasters, correct):
    frame = ms.tasters_at_hand(tasters, "triangle").to_frame()
    assert frame.query("protocol == 'triangle' and evenings == 1")["critical_number"].tolist() == [correct]


def test_66_are_asked_for_and_24_are_there():
    found = ms.tasters_at_hand(24, "triangle", margin="0.3 triangle")
    assert (found.needed, found.evenings_needed) == (66, 3)
    assert "66 tastings are asked for and 24 are there: 3 such evenings pooled have 72." in found.statement()
    chances = found.to_frame().query("protocol == 'triangle'").set_index("evenings")["chance"]
    truth = 1 / 3 + 2 / 3 * 0.3
    for evenings, critical in ((1, 13), (2, 22), (3, 32)):  # binomial tails by SciPy
        assert chances[evenings] == pytest.approx(binom.sf(critical - 1, 24 * evenings, truth), rel=1e-10)


def test_each_protocol_faces_the_same_d_prime_and_finds_what_it_says_it_finds():
    found = ms.tasters_at_hand(24, "triangle", margin="d'=1", beta=0.1)
    for row in found.to_frame().itertuples():
        test = ms.protocol(row.protocol)
        power = binom.sf(row.critical_number - 1, row.tastings, test.p_correct(1.0))
        assert row.chance == pytest.approx(power, rel=1e-9)
        assert binom.sf(row.critical_number - 1, row.tastings, test.p_correct(row.finds)) == pytest.approx(
            0.9, abs=1e-6
        )
        assert binom.sf(row.critical_number - 1, row.tastings, test.guess) == pytest.approx(row.actual_alpha, rel=1e-9)


def test_for_similarity_the_limit_and_the_chance_to_say_so_are_given():
    frame = ms.tasters_at_hand(24, "triangle", margin="0.3 triangle", purpose="similarity").to_frame()
    row = frame.query("protocol == 'triangle' and evenings == 1").iloc[0]
    assert row["similarity_limit"] == 8  # binom.cdf(8, 24, 1/3 + 2/3 * 0.3) = 0.0385, of 9 it is 0.083
    assert row["actual_beta"] == pytest.approx(binom.cdf(8, 24, 1 / 3 + 2 / 3 * 0.3))
    assert row["chance"] == pytest.approx(binom.cdf(8, 24, 1 / 3))


def test_too_few_tasters_are_told_so():
    found = ms.tasters_at_hand(2, "triangle")
    assert found.headline().startswith("Not even 2 correct of 2 would speak for a difference")
    alike = ms.tasters_at_hand(2, "triangle", margin="0.1 triangle", purpose="similarity")
    assert alike.headline().startswith("Not even 0 correct would speak for similarity")
    assert np.isnan(found.to_frame().query("protocol == 'triangle'")["finds"].iloc[0])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"tasters": 0}, "tasters is a whole number from 1 to 2,000"),
        ({"tasters": 24, "evenings": [0]}, "and so are evenings"),
        ({"tasters": 24, "purpose": "both"}, "purpose is 'difference' and 'similarity', one of them"),
        ({"tasters": 24, "purpose": "similarity"}, "similarity needs the difference that matters"),
        ({"tasters": 24, "alpha": 5}, "alpha is a risk between 0 and 1"),
    ],
)
def test_what_cannot_be_used_is_named(arguments, says):
    with pytest.raises(ValueError, match=says):
        ms.tasters_at_hand(**arguments)


@pytest.mark.parametrize("purpose", ["difference", "similarity"])
def test_it_is_one_screen(purpose):
    lines = str(ms.tasters_at_hand(2000, "triangle", margin="0.02 triangle", purpose=purpose)).split("\n")
    assert len(lines) <= 24 and max(map(len, lines)) <= 80


def test_protocols_that_need_an_attribute_are_named_beside_what_they_find():
    shown = " ".join(repr(ms.tasters_at_hand(20, "triangle", margin="0.3 triangle")).split())
    assert "in one evening (* needs an attribute named beforehand)" in shown
    for name in ("2-AFC", "3-AFC", "specified tetrad"):
        assert f"{name} * " in shown
    for name in ("triangle", "duo-trio", "two-out-of-five"):
        assert f"{name} * " not in shown
