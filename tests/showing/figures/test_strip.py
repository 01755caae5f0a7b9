"""The answer strip: as many marks on each side as it says, each on the side of its value, every text in its place."""

import re

import numpy as np
import pytest
from matplotlib.figure import Figure
from scipy.stats import norm

import metasense as ms
from metasense.alone.panel import scale_of
from metasense.showing import figures, words
from metasense.showing.figures.strip import LARGEST, PILE

MARGIN = ms.Margin(p_d=0.2, protocol="triangle")
TABLE = {"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 10, 15]}
DIRECTED = {"panel": list("ABC"), "protocol": "2-AFC", "tastings": 30, "correct": [20, 17, 22]}
STORED = TABLE | {"weeks_stored": [1, 4, 9]}


def scale(margin=1.29, *, signed=False, test="triangle"):
    return scale_of(ms.protocol(test), ms.Margin(d_prime=margin), signed=signed)


def marks(axes):
    """Where the marks stand, by shape."""
    lines = [line for line in axes.lines if line.get_linestyle() == "None"]
    return {line.get_marker(): np.transpose(line.get_data()) for line in lines}


def texts(axes):
    return [text.get_text() for text in axes.texts]


@pytest.mark.parametrize("sd", [0.0001, 0.004, 0.03, 0.2])
@pytest.mark.parametrize("centre", [0.35, 0.46, 0.9])
def test_marks_are_100_and_stand_on_the_sides_of_their_values(sd, centre):
    shares = np.clip(norm.ppf(figures.LEVELS, centre, sd), 1 / 3, 1)
    on = scale()
    axes = figures.strip({"": shares}, on, ax=Figure())
    found = marks(axes)
    below, above = (len(found.get(shape, ())) for shape in ("o", "^"))
    assert below + above == 100
    assert below == np.sum(shares < on.cuts[0])
    assert all(x < on.cuts[0] for x, _ in found.get("o", ()))
    assert all(x > on.cuts[0] for x, _ in found.get("^", ()))
    everywhere = np.concatenate(list(found.values()))
    assert len({(round(x, 9), round(y, 6)) for x, y in everywhere}) == 100  # none covers another
    assert np.abs(np.sort(everywhere[:, 0]) - np.sort(shares)).max() < LARGEST / 340  # none is far from its value
    assert everywhere[:, 1].max() < PILE + 2


def test_the_counts_are_written_out_and_none_is_never_nought():
    on = scale()
    said = texts(figures.strip({"": np.linspace(0.35, 0.45, 100)}, on, ax=Figure()))
    assert "● more than 99 of 100: smaller than the margin" in said
    assert "▲ fewer than 1 of 100: larger than the margin" in said
    assert "33: guessing" in said
    assert "47: margin" in said  # the number next to its line


@pytest.mark.parametrize(
    ("test", "margin", "signed", "left"),
    [("triangle", 1.29, False, []), ("2-AFC", 0.5, True, ["margin: 36"]), ("triangle", 4.5, False, ["margin: 93"])],
)
def test_lines_are_named_on_their_right_unless_it_is_the_lower_margin_or_there_is_no_room(test, margin, signed, left):
    axes = figures.strip({"": np.linspace(0.52, 0.62, 100)}, scale(margin, signed=signed, test=test), ax=Figure())
    named = [text for text in axes.texts if re.search("(margin|guessing)$|^(margin|guessing)", text.get_text())]
    named = [text for text in named if ":" in text.get_text() and "of 100" not in text.get_text()]
    assert [text.get_text() for text in named if text.get_ha() == "right"] == left
    assert len(named) == 3 if signed else 2


def test_the_same_answer_gives_the_same_picture():
    first, second = (ms.pool(TABLE, margin=MARGIN)._picture().to_html() for _ in range(2))
    assert first == second


def test_marks_beyond_the_margin_are_as_many_as_the_verdict_says():
    for table, margin in ((TABLE, MARGIN), (DIRECTED, ms.Margin(d_prime=0.6)), (TABLE, ms.Margin(d_prime=0.9))):
        pooled = ms.pool(table, margin=margin)
        found = marks(pooled.plot_strip(ax=Figure()))
        beyond = len(found.get("^", ())) + len(found.get("v", ()))
        assert abs(beyond - 100 * pooled.verdict().above) <= 1.0
    assert pooled.verdict().label == "not settled"


def test_a_directed_pool_has_guessing_inside_and_a_margin_on_both_sides():
    axes = ms.pool(DIRECTED, margin=ms.Margin(p_d=0.3, protocol="2-AFC")).plot_strip(ax=Figure())
    said = texts(axes)
    assert {"margin: 35", "65: margin", "50: guessing"} <= set(said)
    assert axes.get_xlim()[0] < 0.01
    assert "▽ 1 of 100: larger, against the expected direction" in said


def test_a_margin_said_in_another_protocol_sets_the_scale():
    assert ms.pool(TABLE, margin=ms.Margin(p_d=0.3, protocol="tetrad")).plot_strip(ax=Figure()).get_xlabel() == (
        "correct of 100 tetrad answers\neach mark: one of 100 equally likely truths"
    )


def test_a_moderated_pool_has_a_row_at_each_end():
    axes = ms.pool(STORED, moderators="weeks_stored", margin=MARGIN).plot_strip(ax=Figure())
    assert {"weeks stored 1", "weeks stored 9"} <= set(texts(axes))
    assert sum(len(points) for points in marks(axes).values()) <= 200
    assert sum(len(line.get_xdata()) for line in axes.lines if line.get_linestyle() == "None") == 200


def test_one_panel_has_a_row_for_each_prior_whose_counts_are_the_probabilities_it_states():
    panel = ms.one_panel("triangle", 24, 10, margin=ms.Margin(p_d=0.3, protocol="triangle"))
    axes = panel.plot_strip(ax=Figure())
    beyond = [len(line.get_xdata()) for line in axes.lines if line.get_marker() == "^"]
    assert len(beyond) == 2
    assert beyond == pytest.approx([100 * chance for chance in panel.beyond.values()], abs=1.0)


def test_a_panel_of_two_counts_is_shown_in_triangle_answers():
    panel = ms.one_panel("A-not-A", signal=40, hits=28, noise=40, false_alarms=15)
    assert panel.plot_strip(ax=Figure()).get_xlabel().startswith("correct of 100 triangle answers")


def test_preference_is_shown_on_its_sides_of_one_half():
    asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 16, "asked": "correct"}
    found = ms.preference([asked | {"prefer_new": 12, "prefer_old": 4}])
    axes = found.plot_strip(ax=Figure())
    new = len(marks(axes)["^"])
    assert new == pytest.approx(100 * found.beyond_luck.above(0.5), abs=1.0)
    assert "50: half" in texts(axes)
    assert f"▲ {new} of 100: most prefer the new product" in texts(axes)


@pytest.mark.parametrize("margin", [None, MARGIN])
def test_the_sentence_for_those_who_cannot_see_it_says_the_counts_and_nothing_banned(margin):
    pooled = ms.pool(TABLE, margin=margin)
    alt = pooled._picture().alt
    assert alt.endswith(".") and words.banned(alt) == []
    assert "guessing gives 33 %" in alt
    if margin is not None:
        assert f"{round(100 * pooled.verdict().below)} of 100 smaller than the margin" in alt


def test_the_first_figure_of_a_cell_is_the_strip():
    pooled = ms.pool(TABLE, margin=MARGIN)
    for result in (pooled, ms.one_panel("triangle", 24, 10), ms.pool(STORED, moderators="weeks_stored")):
        shown = result._repr_html_()
        assert "100 equally likely truths" in shown[shown.index('alt="') :][:60]


def test_a_strip_fits_the_axes_it_is_given():
    given = Figure(figsize=(8, 3)).subplots(1, 2)
    for axes in given:
        assert figures.strip({"": np.linspace(0.35, 0.6, 100)}, scale(), ax=axes) is axes
        assert max(y for points in marks(axes).values() for _, y in points) < axes.get_ylim()[1]
