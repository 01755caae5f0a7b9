"""Figures: what is drawn where, what is said in words beside it, and settings that are given back."""

import base64
import math
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest
from hypothesis import strategies as st
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
    assert names == [*(words.one_line(p) for p in made(n)["panel"]), "average of panels", "next panel"]
    assert not any(t.get_parse_math() for t in ax.get_yticklabels())
    marks = sorted(len(line.get_xdata()) for line in ax.lines if line.get_marker() == "o")
    assert marks == [n, n]
    text = all_text(ax)
    assert text.count("triangle, 8 of 24") == n
    assert "0.93 (0.48 to 1.43)" in text
    assert "d-prime (0 is pure guessing)\nlines: credible interval (95 %, equal-tailed)" in text
    assert any("smaller than the margin, 0.90" in t for t in text)


def test_a_forest_grows_with_its_panels():
    heights = [
        figures.forest(made(n), average=AVERAGE, ax=Figure()).figure.get_figheight() for n in (1, 9, 60, 150, 300)
    ]
    assert heights == sorted(heights)
    assert len(set(heights)) == 5


def test_a_forest_can_be_ordered_by_estimate():
    ax = figures.forest(made(9), average=AVERAGE, order="estimate", ax=Figure())
    pooled = next(line for line in ax.lines if line.get_marker() == "o" and line.get_markerfacecolor() == figures.BLUE)
    assert list(pooled.get_xdata()) == sorted(pooled.get_xdata())


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


def test_labels_of_points_on_one_spot_stand_beside_one_another():
    points = pd.DataFrame({"x": [1, 1, 1, 2], "y": [0.0, 0.01, 2.0, 0.0], "label": ["A", "B", "C", "D"]})
    axes = figures.curve([0, 2], [0, 2], points=points, ax=Figure())
    assert [text.get_text() for text in axes.texts] == ["A and B", "C", "D"]


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
    assert "61 % below the margin, 39 % above" in text
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
