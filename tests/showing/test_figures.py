"""Figures: what is drawn where, what is said in words beside it, and settings that are given back."""

import base64
import math
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest
from hypothesis import strategies as st
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure

from metasense.showing import figures, words
from metasense.showing.figures import look

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


def made(n, seed=1):
    rng = np.random.default_rng(seed)
    middle = np.abs(rng.normal(0.9, 0.5, n))
    return pd.DataFrame(
        {
            "panel": [*HOSTILE, *(f"panel {i}" for i in range(n))][:n],
            "protocol": "triangle",
            "tastings": 24,
            "correct": 8,
            "alone": middle,
            "alone_lower": np.maximum(middle - 0.9, 0),
            "alone_upper": middle + 0.9,
            "pooled": middle,
            "pooled_lower": np.maximum(middle - 0.5, 0),
            "pooled_upper": middle + 0.5,
        }
    )


AVERAGE, NEXT = (0.48, 0.93, 1.43), (0.08, 0.9, 2.08)


def all_text(ax):
    return [t.get_text() for t in ax.figure.findobj(lambda a: hasattr(a, "get_text")) if t.get_text()]


@pytest.mark.parametrize("n", [1, 9, 101])
def test_a_forest_has_every_panel_by_name_and_count(n):
    ax = figures.forest(made(n), average=AVERAGE, next_panel=NEXT, margin=0.9, ax=Figure())
    names = [t.get_text() for t in ax.get_yticklabels()]
    ranked = made(n).sort_values("pooled", kind="stable")["panel"]
    assert names == [*(words.one_line(p) for p in ranked), "average of panels", "next panel"]
    assert not any(t.get_parse_math() for t in ax.get_yticklabels())
    at = np.concatenate([group.get_offsets() for group in ax.collections if isinstance(group, PathCollection)])
    assert len(at) == 2 * n + 2  # each alone and pooled, and the two summaries
    text = all_text(ax)
    assert text.count("triangle, 8 of 24") == n
    assert "d-prime 0.93 (0.48 to 1.43)" in text  # two scales are drawn, so each number says which it is of
    assert "d-prime (0 is pure guessing)\nlines: credible interval (95 %, equal-tailed)" in text
    assert "\u25c2 smaller" in text and any(one.endswith("margin, d-prime 0.90 \u25b8") for one in text)


def test_a_forest_grows_with_its_panels():
    heights = [
        figures.forest(made(n), average=AVERAGE, ax=Figure()).figure.get_figheight() for n in (1, 9, 60, 150, 300)
    ]
    assert heights == sorted(heights)
    assert len(set(heights)) == 5


def test_a_forest_can_be_ordered_by_estimate():
    for order, ranked in (("estimate", True), ("table", False)):
        ax = figures.forest(made(9), average=AVERAGE, order=order, ax=Figure())
        pooled = next(group.get_offsets()[:, 0] for group in ax.collections if len(group.get_offsets()) == 9)
        assert (list(pooled) == sorted(pooled)) is ranked


def test_an_interval_without_end_becomes_an_arrow():
    frame = made(3)
    frame.loc[1, "alone_upper"] = math.inf
    ax = figures.forest(frame, average=AVERAGE, ax=Figure())
    arrows = [line for line in ax.lines if line.get_marker() == ">"]
    assert [len(a.get_xdata()) for a in arrows] == [1]
    assert any("goes on beyond the figure" in text for text in all_text(ax))


def test_a_forest_names_each_kind_of_interval_it_draws():
    frame = made(3).assign(alone_kind="exact")
    both = "lines: credible interval (95 %, equal-tailed);\npanels alone: confidence interval (95 %, exact binomial)"
    assert any(both in text for text in all_text(figures.forest(frame, average=AVERAGE, ax=Figure())))
    assert words.one_line(both) in figures.alt_forest(frame, average=AVERAGE)


def test_figures_draw_on_given_axes_and_leave_settings_alone():
    import matplotlib as mpl
    import matplotlib.pyplot as plt

    plt.close("all")  # what other tests left open
    before = dict(mpl.rcParams)
    figure = Figure()
    given_axes = figure.subplots()
    assert figures.forest(made(3), average=AVERAGE, ax=given_axes) is given_axes
    assert plt.get_fignums() == []
    ax = figures.bars(["a", "b"], [0.2, 0.8])
    assert plt.get_fignums() == [ax.figure.number]
    plt.close(ax.figure)
    assert dict(mpl.rcParams) == before


def test_figures_drawn_in_eight_threads_leave_no_setting_changed_and_look_as_drawn_alone():
    import matplotlib as mpl

    def drawn(_):
        ax = figures.bars(["a", "b"], [0.3, 0.7], ax=Figure())
        return figures.figure_to_data_uri(ax)

    before, switch = dict(mpl.rcParams), sys.getswitchinterval()
    alone = drawn(0)
    sys.setswitchinterval(1e-5)  # threads take turns as often as can be
    try:
        with ThreadPoolExecutor(8) as threads:
            together = set(threads.map(drawn, range(24)))
    finally:
        sys.setswitchinterval(switch)
    assert dict(mpl.rcParams) == before
    assert together == {alone}


def test_a_setting_that_the_user_changes_meanwhile_stays_changed():
    import matplotlib as mpl

    with mpl.rc_context():
        with look.with_settings({"font.size": 9.5}):
            mpl.rcParams["lines.linewidth"] = 7.0
        assert mpl.rcParams["lines.linewidth"] == 7.0


@pytest.mark.lab
def test_a_figure_shows_in_every_cell_of_a_notebook_that_draws_one():
    nbformat, nbclient = pytest.importorskip("nbformat"), pytest.importorskip("nbclient")
    draw = "ax = bars(['a', 'b'], [0.2, 0.8])"
    cells = ["from metasense.showing.figures import bars", draw, draw]
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    nbclient.NotebookClient(notebook, timeout=120).execute()
    assert [["image/png" in output.get("data", {}) for output in cell.outputs] for cell in notebook.cells] == [
        [],
        [True],
        [True],
    ]


X = np.linspace(0, 3, 200)
STEPS = pd.DataFrame(
    {
        "panel": HOSTILE[:3],
        "date": ["2026-01-01", None, "2026-03-01"],
        "lower": [0, 0.1, 0.2],
        "median": [0.5, 0.6, 0.6],
    }
)
STEPS["upper"] = [2.0, 1.5, 1.2]


def test_points_far_from_the_curve_are_named_each_off_the_others():
    points = pd.DataFrame({"x": [1, 1, 1, 2], "y": [0.0, 0.01, 2.0, 0.0], "label": ["A", "B", "C", "D"]})
    axes = figures.curve([0, 2], [0, 2], points=points, ax=Figure())
    assert sorted(text.get_text() for text in axes.texts) == ["A", "B", "C", "D"]
    near = points.assign(y=[1.0, 1.01, 2.0, 2.0])
    axes = figures.curve([0, 2], [0, 2], points=near, ax=Figure())
    assert [text.get_text() for text in axes.texts] == ["C"]


ONE_OF_EACH = {
    "posterior_density": lambda ax: figures.posterior_density(
        X, np.exp(-X), prior_density=np.exp(-((X - 1) ** 2)), margin=0.5, below=0.61, interval=(0.1, 0.6, 2.5), ax=ax
    ),
    "path": lambda ax: figures.path(STEPS, margin=0.5, ax=ax),
    "curve": lambda ax: figures.curve(
        X,
        X / 2,
        lower=X / 3,
        upper=X,
        points=pd.DataFrame({"x": [1], "y": [0.5], "label": ["$x$"]}),
        level=1,
        level_label="a $",
        ax=ax,
    ),
    "power": lambda ax: figures.curve(
        range(10, 20), np.linspace(0.1, 0.9, 10), xlabel="tasters $", percent=True, dots=True, ax=ax
    ),
    "bars": lambda ax: figures.bars(["$none$", "same"], [0.2, 1.0], prior=[0.5, 0.5], ax=ax),
    "icons": lambda ax: figures.icons({"right <b>": 13, "$wrong$": 11}, ax=ax),
}


@pytest.mark.parametrize("name", ONE_OF_EACH)
def test_every_figure_can_be_embedded_the_same_every_time(name):
    first, second = (figures.figure_to_data_uri(ONE_OF_EACH[name](Figure())) for _ in range(2))
    assert first == second
    svg = base64.b64decode(first.split(",")[1]).decode()
    assert "<script" not in svg
    assert "<text" not in svg  # letters are outlines
    day, _, night = svg.partition("@media (prefers-color-scheme: dark)")
    assert day.count(figures.PAPER) == 1  # each colour is named once, and stands as a variable where it is used
    assert figures.PAPER not in night
    assert night.count(look.DARK[figures.PAPER]) == 1
    png = base64.b64decode(figures.figure_to_data_uri(ONE_OF_EACH[name](Figure()), form="png").split(",")[1])
    assert png.startswith(b"\x89PNG")


def test_a_density_says_its_probabilities_and_its_interval():
    text = all_text(ONE_OF_EACH["posterior_density"](Figure()))
    assert "61 % smaller than the margin, 39 % larger" in text
    assert "now" in text
    assert "before the panels (prior)" in text
    assert any("median and credible interval (95 %, equal-tailed)" in t for t in text)


def test_icons_draw_one_mark_each():
    ax = ONE_OF_EACH["icons"](Figure())
    assert sorted(len(line.get_xdata()) for line in ax.lines) == [1, 1, 11, 13]


def test_bars_never_call_a_probability_certain():
    text = all_text(ONE_OF_EACH["bars"](Figure()))
    assert "more than 99 %" in text
    assert not {"100 %"} & {t.get_text() for t in ONE_OF_EACH["bars"](Figure()).texts}


def test_alt_sentences_say_the_numbers_in_one_sentence():
    said = [
        figures.alt_forest(made(9), average=AVERAGE, next_panel=NEXT, margin=0.9),
        figures.alt_posterior_density(interval=(0.1, 0.6, 2.5), margin=0.5, below=0.61),
        figures.alt_path(STEPS, margin=0.5),
        figures.alt_curve(X, X / 2, xlabel="weeks", ylabel="d-prime"),
        figures.alt_bars(["none", "same"], [0.2, 1.0], prior=[0.5, 0.5]),
    ]
    for sentence in said:
        assert sentence.endswith(".")
        assert "\n" not in sentence
        assert words.banned(sentence) == []
    assert "9 panels" in said[0]
    assert "0.93 (0.48 to 1.43)" in said[0]


def test_colours_of_light_and_dark_have_enough_contrast():
    # WCAG 2.1, success criterion 1.4.3: text 4.5 : 1; relative luminance as defined there
    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))

    for paper, text in [(figures.PAPER, c) for c in (figures.INK, figures.QUIET, figures.BLUE, figures.ORANGE)]:
        for a, b in ((paper, text), (look.DARK[paper], look.DARK[text])):
            high, low = sorted([luminance(a), luminance(b)], reverse=True)
            assert (high + 0.05) / (low + 0.05) >= 4.5


def test_numbers_that_differ_late_get_the_digits_they_need():
    assert words.distinct(0.1234511, 0.1234519) == ("0.123451", "0.123452")
    assert words.distinct(0.12345, 0.12346) == ("0.12345", "0.12346")


@pytest.mark.parametrize(("share", "said"), [(0.992, "more than 99 %"), (0.9985, "more than 99 %"), (0.99, "99 %")])
def test_a_share_near_one_is_never_said_as_all(share, said):
    assert words.percent(share) == said


@pytest.mark.parametrize("noun", ["unit", "use", "European oak", "one-off"])
def test_a_vowel_that_sounds_as_a_consonant_has_no_n(noun):
    assert words.a(noun) == f"a {noun}"


def test_an_order_that_there_is_not_is_refused():
    panels = pd.DataFrame({"panel": ["A"], "pooled": [0.5], "pooled_lower": [0.1], "pooled_upper": [1.0]})
    with pytest.raises(ValueError, match=r"'table' .* or 'estimate' .*; got 'estimates'"):
        figures.forest(panels, average=(0.1, 0.5, 1.0), order="estimates")


def test_names_are_shortened_by_what_all_share_and_none_is_cut_into_another():
    names = [f"Spring trial of the long cellar, batch {i:02d} of the new fining agent" for i in (7, 8, 12)]
    kept, shared = look.without_shared(names)
    assert kept == ["07", "08", "12"]
    assert shared == "in every name: Spring trial of the long cellar, batch \u2026 of the new fining agent"
    assert look.without_shared(["A", "B"]) == (["A", "B"], "")
    whole, lines = look.wrapped(names)
    assert [" ".join(name.split()) for name in whole] == names
    assert lines == 2
    huge = ["x" * 500 + "1", "x" * 500 + "2"]
    assert len(set(look.wrapped(huge)[0])) == 2


def test_marks_grow_with_tastings_and_are_filled_where_a_panel_is_statistically_significant_alone():
    frame = made(3).assign(tastings=[12, 48, 27], p_value=[0.2, 0.01, 0.6])
    ax = figures.forest(frame, average=AVERAGE, order="table", ax=Figure())
    alone = [g for g in ax.collections if isinstance(g, PathCollection) and len(g.get_offsets()) in (1, 2)]
    filled = {tuple(np.round(g.get_offsets()[:, 1], 1)): len(g.get_offsets()) for g in alone}
    assert (0.8,) in filled and (-0.2, 1.8) in filled  # the second panel apart from the first and the third
    assert "alone, statistically significant (5 %)" in all_text(ax)
    pooled = next(g for g in ax.collections if isinstance(g, PathCollection) and len(g.get_offsets()) == 3)
    assert np.argsort(pooled.get_sizes()).tolist() == [0, 2, 1]


def test_the_margin_is_labelled_on_the_sides_that_the_words_mean():
    for margin in (0.2, 0.9, 2.4):
        ax = figures.forest(made(5), average=AVERAGE, margin=margin, ax=Figure())
        for text in ax.texts:
            if "smaller" in text.get_text() and "\u25c2" in text.get_text():
                assert text.get_ha() == "right" and text.xy[0] == margin
            if "larger" in text.get_text():
                assert text.get_ha() == "left" and text.xy[0] == margin


def test_an_estimate_without_end_stands_apart_from_its_arrow():
    frame = made(3)
    frame.loc[1, ["alone", "alone_upper"]] = math.inf
    ax = figures.forest(frame, average=AVERAGE, order="table", ax=Figure())
    ax.figure.draw_without_rendering()
    arrow = next(line for line in ax.lines if line.get_marker() == ">")
    tip = arrow.get_transform().transform(arrow.get_xydata())[0]
    marks = [g.get_offset_transform().transform(g.get_offsets()) for g in ax.collections if len(g.get_offsets())]
    nearest = min(float(np.hypot(*(points - tip).T).min()) for points in marks if points.size)
    assert nearest > 6 * ax.figure.dpi / 72


def test_bars_fit_their_scale_and_the_marked_one_stands_out():
    ax = figures.bars(["a", "b", "c"], [0.1, 0.2, 0.05], marked=1, ax=Figure())
    assert ax.get_xlim()[1] < 0.3
    assert len({bar.get_facecolor() for bar in ax.patches}) == 2


def test_the_cases_that_move_the_answer_come_first_and_the_others_share_a_line():
    median = [1.0, *(1.0 + 0.01 * i for i in range(1, 20)), 0.2]
    frame = pd.DataFrame({"name": [f"case {i}" for i in range(21)], "median": median})
    frame = frame.assign(lower=frame["median"] - 0.1, upper=frame["median"] + 0.1, verdict_changes=False)
    frame.loc[3, "verdict_changes"] = True
    labels = [tick.get_text() for tick in figures.cases(frame, margin=1.1, ax=Figure()).get_yticklabels()]
    assert labels[:4] == ["case 0", "case 3", "case 20", "case 19"]
    assert labels[-1] == "8 others that move it less: their medians"


def test_a_simulated_set_is_a_row_and_the_real_one_is_told_below():
    rows = np.array([[True, False, True], [False, False, False]])
    axes = figures.sets(rows, real=1, ax=Figure())
    assert sorted(len(line.get_xdata()) for line in axes.lines) == [2, 4]
    assert "row B" in axes.get_xlabel()
    assert "which row?" in figures.sets(rows, ax=Figure()).get_xlabel()
