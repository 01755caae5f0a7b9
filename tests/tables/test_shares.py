"""Counts said twice, as shares or by the wrong answers, must agree. Tables are invented; shares by hand."""

import pytest

from metasense.tables.panels import PanelsError, read_panels

HEAD = "panel,protocol,tastings,"


def test_wrong_answers_and_right_ones_make_up_the_tastings():
    read = read_panels(f"{HEAD}correct,incorrect\nA,triangle,24,10,14")
    assert read.frame["correct"].tolist() == [10]
    with pytest.raises(
        PanelsError, match=r"10 correct and 13 incorrect make 23 answers, not 24. Correct what is wrong, or rename"
    ):
        read_panels(f"{HEAD}correct,incorrect\nA,triangle,24,10,13")
    with pytest.raises(PanelsError, match=r"10 correct and 15 incorrect make 25 answers, not 24"):
        read_panels(f"{HEAD}correct,wrong\nA,triangle,24,10,15")


def test_those_who_refused_are_not_among_the_tastings():
    assert len(read_panels(f"{HEAD}correct,incorrect,refused\nA,triangle,24,10,16,2")) == 1  # counted as wrong
    assert len(read_panels(f"{HEAD}correct,incorrect,refused\nA,triangle,24,10,14,2")) == 1
    with pytest.raises(
        PanelsError,
        match=r"10 correct and 12 incorrect make 22 answers; with 2 refused they are the 24 tastings. Tastings are answers: write 22 there",
    ):
        read_panels(f"{HEAD}correct,incorrect,refused\nA,triangle,24,10,12,2")
    with pytest.raises(PanelsError, match=r"make 25 answers, not 24"):
        read_panels(f"{HEAD}correct,incorrect,refused\nA,triangle,24,10,15,2")


@pytest.mark.parametrize(
    ("header", "cell", "count"),
    [("% correct", "50", 12), ("% correct", "41.7", 10), ("share correct", "0.500", 12), ("share correct", "0.417", 10),
     ("% correct", "41.7 %", 10)],
)  # fmt: skip
def test_a_share_alone_becomes_the_count_that_gives_it(header, cell, count):
    read = read_panels(
        f"{HEAD}{header}\nA,triangle,24,{cell}\nB,triangle,30,{cell.replace('41.7', '50').replace('0.417', '0.500')}"
    )
    assert read.frame["correct"].tolist() == [count, 15]
    assert any("holds shares, read as the only counts that give them:" in note for note in read.notes)


@pytest.mark.parametrize(("cell", "fits"), [("41.7", True), ("41.6", False), ("42", True), ("45.8", False)])
def test_a_share_beside_its_count_must_round_to_it(cell, fits):
    given = f"{HEAD}correct,% correct\nA,triangle,24,10,{cell}\nB,triangle,30,15,50"
    if fits:
        notes = read_panels(given).notes
        assert any("'% correct' is not used, and agrees with 'correct'" in note for note in notes)
    else:
        with pytest.raises(PanelsError, match=rf"'{cell}' is not the share of 10 correct of 24 tastings"):
            read_panels(given)


@pytest.mark.parametrize(
    ("header", "cell", "says"),
    [
        ("% correct", "41.6", r"no whole number of 24 tastings is '41\.6'\. Check both, or write the count"),
        ("share correct", "0.4", r"'0\.4' of 24 tastings could be any of 9 and 10 correct\. Write the count"),
    ],
)
def test_a_share_alone_that_gives_no_count_or_several_is_refused(header, cell, says):
    with pytest.raises(PanelsError, match=says) as caught:
        read_panels(f"{HEAD}{header}\nA,triangle,24,{cell}\nB,triangle,24,{'50' if header[0] == '%' else '0.500'}")
    assert [problem.row for problem in caught.value.problems] == [2]


def test_shares_below_one_under_a_sign_of_per_cent_are_shares_and_above_one_per_cent():
    read = read_panels(f"{HEAD}% correct\nA,triangle,24,0.500\nB,triangle,24,0.417")
    assert read.frame["correct"].tolist() == [12, 10]
    # 0.5 % beside 50 % is half of one in a hundred, which no count of 24 is
    with pytest.raises(PanelsError, match=r"no whole number of 24 tastings is '0\.5'"):
        read_panels(f"{HEAD}% correct\nA,triangle,24,0.5\nB,triangle,24,50")
