"""Columns of a table as moderators: their numbers by hand, and both sides of every refusal and remark."""

import numpy as np
import pandas as pd
import pytest

import metasense as ms
from metasense.questions.design import (
    Design,
    Moderator,
    association,
    changed_together,
    level,
    read_design,
    same_within,
    spelling,
    with_units,
)

X = Moderator("x", np.array([1.0, 2.0, 4.0, 5.0]))
DOSE = Moderator("dose", np.array([0.0, 3.0, 4.0, 5.0]), through_zero=True)
STYLE = Moderator("style", np.array(["b", "a", "b", "c"]))


def panels(n, **columns):
    names = [f"P{i}" for i in range(n)]
    return ms.read_panels({"panel": names, "protocol": "triangle", "tastings": 30, "correct": 12} | columns)


def test_a_number_is_counted_in_standard_deviations_from_its_mean():
    # 1, 2, 4, 5: mean 3, SD sqrt(10 / 4)
    assert X.numeric and X.ends == (1, 5) and X.unit == pytest.approx(np.sqrt(2.5))
    assert X.columns[:, 0] == pytest.approx(np.array([-2, -1, 1, 2]) / np.sqrt(2.5))
    assert X.at(3 + np.sqrt(2.5)) == pytest.approx([1.0])
    assert X.at(None) == pytest.approx([0.0])


def test_a_dose_scales_and_has_no_column():
    assert DOSE.unit == pytest.approx(np.sqrt(50 / 4)) and DOSE.columns.shape == (4, 0)
    assert DOSE.at(2).shape == (0,) and DOSE.at(None).shape == (0,)


def test_words_have_a_column_each_the_commonest_first():
    assert not STYLE.numeric and STYLE.categories == ("b", "a", "c")
    assert STYLE.columns.tolist() == [[1, 0, 0], [0, 1, 0], [1, 0, 0], [0, 0, 1]]
    assert STYLE.at("a").tolist() == [0, 1, 0]
    assert STYLE.at(None) == pytest.approx([0.5, 0.25, 0.25])


def test_a_design_joins_the_columns_and_knows_where_each_stands():
    design = Design((DOSE, X, STYLE))
    assert design.dose is DOSE and Design((X,)).dose is None
    assert design.load == pytest.approx(DOSE.values / DOSE.unit) and Design((X,)).load.tolist() == [1, 1, 1, 1]
    assert design.columns.shape == (4, 4)
    assert design.names == ["x", "style = b", "style = a", "style = c"]
    assert [design.place(m) for m in (DOSE, X, STYLE)] == [slice(0, 0), slice(0, 1), slice(1, 4)]
    assert design["style"] is STYLE
    with pytest.raises(ValueError, match=r"'styles' is not among the moderators\. Did you mean 'style'\?"):
        design["styles"]
    with pytest.raises(ValueError, match=r"'zzz' is not among the moderators\. There is dose, x and style\."):
        design["zzz"]


def test_a_row_holds_what_is_named_and_averages_the_rest():
    design = Design((DOSE, X, STYLE))
    load, row = design.row({"dose": 2, "style": "c"})
    assert load == pytest.approx(2 / DOSE.unit) and row == pytest.approx([0, 0, 0, 1])
    load, row = design.row({})
    assert load == pytest.approx(3 / DOSE.unit) and row == pytest.approx([0, 0.5, 0.25, 0.25])
    assert Design((X,)).row({"x": 3})[0] == 1.0
    assert design.row({"dose": 0})[0] == 0
    with pytest.raises(ValueError, match=r"x is a number; got 'many'\. dose is a dose, 0 or more; got -1\. style is one "
                       r"of b, a and c; got 'd'\."):  # fmt: skip
        design.row({"x": "many", "dose": -1, "style": "d"})
    for wrong in (True, float("inf"), None):
        with pytest.raises(ValueError, match="x is a number"):
            design.row({"x": wrong})
    assert design.row({"x": "3"})[1][0] == pytest.approx(0)


def test_association_is_the_squared_correlation_of_numbers():
    rng = np.random.default_rng(1)
    x = rng.normal(size=30)
    y = x + rng.normal(size=30)
    assert association(x, y) == pytest.approx(np.corrcoef(x, y)[0, 1] ** 2)
    assert association(x, 3 - 2 * x) == pytest.approx(1)


def test_association_with_words_is_the_share_that_their_means_explain():
    x, kind = np.array([1.0, 2.0, 4.0, 5.0]), np.array(["a", "a", "b", "b"])
    expected = 1 - (0.25 * 4) / 10  # around the groups' means 1.5 and 4.5, of a whole 10
    assert association(x, kind) == pytest.approx(expected) and association(kind, x) == pytest.approx(expected)


def test_association_of_words_is_how_much_better_than_the_commonest_the_worse_of_the_two_tells():
    one, other = np.array(list("aabb")), np.array(list("xxyz"))
    # from one to other: 2 + 1 of 4 right, where the commonest alone has 2; the other way round 4 of 4
    assert association(one, other) == pytest.approx((3 - 2) / (4 - 2))
    assert association(one, np.array(list("xyxy"))) == pytest.approx(0)
    assert association(one, np.array(list("ppqq"))) == 1
    assert association(np.array(list("aaaa")), one) == 0


def test_columns_that_changed_along_are_named_above_half_of_the_variance():
    x = np.arange(8.0)
    moderator = Moderator("x", x)
    rng = np.random.default_rng(4)
    noise = rng.normal(size=8)
    noise -= noise.mean() + (x - x.mean()) * ((x - x.mean()) @ noise) / ((x - x.mean()) @ (x - x.mean()))
    line = (x - x.mean()) / x.std()
    noise /= noise.std()  # now unrelated to x, of the same size
    for share, named in ((0.55, True), (0.45, False)):
        y = np.sqrt(share) * line + np.sqrt(1 - share) * noise
        assert bool(changed_together(panels(8, y=y), moderator, ["y"])) == named


def test_a_column_must_be_known_in_three_quarters_of_the_panels_and_have_few_words():
    x = np.arange(8.0)
    moderator = Moderator("x", x)
    y = pd.Series(2.0 * x)
    assert changed_together(panels(8, y=y), moderator, ["y"]) == ["y"]
    assert changed_together(panels(8, y=y.where(x >= 2)), moderator, ["y"]) == ["y (where it is known)"]
    assert changed_together(panels(8, y=y.where(x >= 3)), moderator, ["y"]) == []
    assert changed_together(panels(8, k=list("aaaabbbb")), moderator, ["k"]) == ["k"]
    assert changed_together(panels(8, k=list("aabbccdd")), moderator, ["k"]) == ["k"]
    assert changed_together(panels(8, k=list("aabbccde")), moderator, ["k"]) == []  # so many would follow anything
    assert changed_together(panels(8, k=["a"] * 8), moderator, ["k"]) == []
    dates = pd.date_range("2025-01-01", periods=8)
    assert changed_together(panels(8, date=dates), moderator, ["date"]) == []


def test_panels_of_one_pair_share_the_moderator_only_if_some_do():
    x = Moderator("x", np.array([1.0, 1, 2, 2]))
    pairs = {"alike": list("ppqq"), "across": list("pqpq"), "single": list("pqrs"), "one": list("pppp")}
    found = {name: same_within(panels(4, batch_pair=pair), x, "batch_pair") for name, pair in pairs.items()}
    assert found == {"alike": True, "across": False, "single": False, "one": False}


def test_one_word_in_two_spellings_is_asked_about_once_for_each():
    assert spelling("x", ["Dark", "dark ", "light"]) == [
        "'Dark' and 'dark ' are taken as different values of x. If they are one, spell them alike."
    ]
    assert len(spelling("x", ["a b", "A  B", "c", "C", "d"])) == 2
    assert spelling("x", ["a", "b", "a"]) == []


@pytest.mark.parametrize(
    ("values", "said"),
    [(["5 g/l", "10 g/l"], True), (["1.5%", "2%"], False), (["5 g", "ten"], False), (["-3 C", "4,5 C"], True)],
)
def test_numbers_with_their_unit_are_asked_about(values, said):
    assert bool(with_units("x", values)) == said


@pytest.mark.parametrize(
    ("asked", "reason"),
    [
        ((["x"], ["x", "y"], None), "through_zero names 'y', which must be among"),
        ((["x", "y"], ["x", "y"], None), "only one moderator can go through zero"),
        ((["x", "x"], [], None), "named twice"),
        (([], [], None), "name at least one column"),
        ((["k"], [], "k"), "cannot be both"),
    ],
)
def test_questions_that_cannot_be_are_refused(asked, reason):
    table = panels(6, x=[1, 2, 3, 4, 5, 6], y=[2, 1, 4, 3, 6, 5], k=list("aabbab"))
    with pytest.raises(ms.PanelsError, match=reason):
        read_design(table, *asked)


def test_three_panels_are_the_least():
    assert read_design(panels(3, x=[1, 2, 4]), ["x"], [], None).moderators[0].numeric
    with pytest.raises(ms.PanelsError, match="2 panels cannot tell the effect of a moderator"):
        read_design(panels(2, x=[1, 2]), ["x"], [], None)


def test_values_that_are_one_pair_each_are_refused_unless_a_line_goes_through_them():
    pairs = {"batch_pair": list("ppqqrr")}
    with pytest.raises(ms.PanelsError, match="each 'k' is one batch_pair and the other way round"):
        read_design(panels(6, k=list("aabbcc"), **pairs), ["k"], [], None)
    with pytest.raises(ms.PanelsError, match="each 'x' is one batch_pair and the other way round"):
        read_design(panels(6, x=[1, 1, 2, 2, 2, 2], batch_pair=list("ppqqqq")), ["x"], [], None)
    assert read_design(panels(6, x=[1, 1, 2, 2, 3, 3], **pairs), ["x"], [], None)
    assert read_design(panels(6, x=[1, 1, 2, 2, 2, 2], **pairs), ["x"], [], None)  # two pairs with one value
    assert read_design(panels(6, k=list("aabbcc"), batch_pair=list("abcdef")), ["k"], [], None)


def test_moderators_that_follow_from_one_another_are_refused_above_a_squared_correlation():
    x = np.arange(12.0)
    zigzag = np.tile([1.0, -1.0, -1.0, 1.0], 3)  # unrelated to x
    line = (x - x.mean()) / x.std()
    for share, refused in ((0.985, True), (0.975, False)):
        y = np.sqrt(share) * line + np.sqrt(1 - share) * zigzag
        table = panels(12, x=x, y=y)
        if refused:
            with pytest.raises(ms.PanelsError, match="'x' and 'y' changed together"):
                read_design(table, ["x", "y"], [], None)
        else:
            assert len(read_design(table, ["x", "y"], [], None).moderators) == 2


def test_a_level_is_a_complete_column_that_groups():
    table = panels(4, batch_pair=list("ppqq"), one=["a"] * 4, gap=["a", None, "b", "b"], own=list("abcd"))
    assert level(table, "batch_pair").tolist() == list("ppqq")
    for name, reason in (
        ("one", "all panels have the same one, 'a'"),
        ("gap", "'gap' is missing for 'P1'"),
        ("own", "every panel has an own of its own"),
        ("correct", "'correct' is no group"),
        ("batch_pairs", "Did you mean 'batch_pair'"),
    ):
        with pytest.raises(ms.PanelsError, match=reason):
            level(table, name)
