"""A whole shelf in one figure: what is drawn is what was handed in."""

import numpy as np
import pandas as pd
from matplotlib.colors import same_color
from matplotlib.figure import Figure

from metasense.showing import figures

ROWS = pd.DataFrame({"name": ["Salt $x$", "Milk"], "beside": ["beyond", "within"], "middle": [0.6, 0.36]})
MARKS = np.array([[0.4, 0.55, 0.6, 0.7], [0.34, 0.35, 0.36, 0.5]])


def drawn(**known):
    return figures.rows_of_truths(
        ROWS, MARKS, label="correct of 100 triangle answers", guess=1 / 3, **known, ax=Figure()
    )


def test_each_stroke_stands_at_its_truth_and_has_the_colour_of_its_side():
    axes = drawn(margin=0.47)
    strokes = {}
    for lines in axes.collections:
        for path, color in zip(lines.get_paths(), np.tile(lines.get_color(), (99, 1)), strict=False):
            (x, y0), (_, y1) = path.vertices[:2]
            if y0 != y1:
                strokes[round(float(x), 3), round(float(y0 + y1) / 2)] = color
    assert sorted(strokes) == sorted((round(float(x), 3), row) for row, values in enumerate(MARKS) for x in values)
    assert all(same_color(c, figures.ORANGE if x > 0.47 else figures.BLUE) for (x, _), c in strokes.items())


def test_names_and_texts_stand_beside_their_rows():
    axes = drawn()
    assert [label.get_text() for label in axes.get_yticklabels()] == ["Salt $x$", "Milk"]
    assert {"beyond", "within"} <= {text.get_text() for text in axes.texts}
    assert axes.yaxis_inverted()


def test_many_rows_do_not_make_an_endless_figure():
    n = 1000
    rows = pd.DataFrame({"name": [f"V{i}" for i in range(n)], "beside": "", "middle": 0.4})
    figure = Figure()
    figures.rows_of_truths(rows, np.full((n, 4), 0.4), label="correct", guess=1 / 3, ax=figure)
    assert figure.get_size_inches()[1] < 300


def test_the_sentence_names_both_ends():
    text = figures.alt_rows_of_truths(ROWS, label="correct of 100 triangle answers", guess=1 / 3, margin=0.47)
    assert text == (
        "2 rows by correct of 100 triangle answers, guessing at 33 %, the margin at 47 %; from Salt $x$ (60 %; beyond) to "
        "Milk (36 %; within)."
    )
