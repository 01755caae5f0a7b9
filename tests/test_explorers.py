"""Explorers without a browser: a slider's value is set, and the words and the figure beside it change."""

import base64
import html
import re
import sys

import pandas as pd
import pytest

import metasense as ms
from metasense.showing import words
from metasense.showing.words import banned

MARGIN = ms.Margin(p_d=0.3, protocol="triangle")
PANELS = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": [24, 30, 28], "correct": [12, 11, 17]}


def controls(box):
    return {control.description: control for control in box.children[:-1]}


def said(box):
    """The sentences shown, without the figure."""
    return html.unescape(re.sub(r"<[^>]+>", " ", box.children[-1].value)).replace("\xa0", " ")


def plainly(result):
    """The plain answer without its next step, which no slider waits for."""
    return " ".join(result._glance().answer)


def alt(box):
    return html.unescape(" ".join(re.findall(r'<img [^>]*alt="([^"]*)"', box.children[-1].value)))


def test_moving_the_counts_of_a_panel_says_what_the_panel_says():
    box = ms.explore(ms.one_panel("triangle", 24, 10, margin=MARGIN))
    at = controls(box)
    assert [at[name].value for name in ("protocol", "tastings", "correct answers", "margin, as a p_d")] == [
        "triangle",
        24,
        10,
        0.3,
    ]
    before = said(box)
    at["correct answers"].value = 18
    panel = ms.one_panel("triangle", 24, 18, margin=MARGIN)
    assert said(box) != before
    assert all(" ".join(sentence.split()) in " ".join(said(box).split()) for sentence in panel.on_the_margin())
    assert "(75 %)" in said(box) and "beyond" not in before and panel.verdict() == "beyond the margin"
    assert banned(before) == banned(said(box)) == []


def test_guessing_is_left_open_exactly_when_the_count_is_not_statistically_significant():
    box = ms.explore(ms.one_panel("triangle", 24, 12))  # ISO 4120: 13 of 24 at 5 %
    assert "Guessing is left open too" in said(box) and "up to" in said(box)
    controls(box)["correct answers"].value = 13
    assert "Guessing alone would be a rare accident" in said(box)


def test_fewer_tastings_bring_the_correct_answers_down_with_them():
    box = ms.explore(ms.one_panel("triangle", 24, 20))
    at = controls(box)
    at["tastings"].value = 12
    assert (at["correct answers"].max, at["correct answers"].value) == (12, 12)
    assert "12 of 12 answers correct" in said(box)
    at["protocol"].value = "2-AFC"
    assert said(box).strip().startswith("2-AFC: 12 of 12")


def test_without_a_margin_there_is_no_verdict_and_zero_takes_it_away():
    box = ms.explore()
    assert "No margin" in said(box)
    controls(box)["margin, as a p_d"].value = 0.3
    assert "a triangle p_d of 30 %" in said(box)
    controls(box)["margin, as a p_d"].value = 0
    assert "No margin" in said(box)


def test_moving_margin_and_priors_of_a_pool_says_what_the_pool_says():
    pooled = ms.pool(PANELS, margin=ms.Margin(p_d=0.2, protocol="triangle"))
    box = ms.explore(pooled)
    at = controls(box)
    assert plainly(pooled) in said(box)
    at["margin, as a triangle p_d"].value = 0.6
    moved = ms.pool(PANELS, margin=ms.Margin(p_d=0.6, protocol="triangle"))
    assert plainly(moved) in said(box) and moved.verdict().sentence() in said(box)
    assert moved.verdict().label == "within the margin" != pooled.verdict().label
    at["typical size believed before"].value = 0.5
    other = ms.pool(PANELS, margin=moved.margin, priors=ms.Priors(centre_scale=0.5))
    assert plainly(other) in said(box)
    assert plainly(other) != plainly(moved)
    assert alt(box).startswith(other._picture().alt)


@pytest.mark.parametrize(
    "kind", [pytest.param({"moderators": "weeks"}, marks=pytest.mark.lab), {"within": "batch_pair"}], ids=str
)
def test_moving_the_margin_of_a_pool_with_more_in_it_says_what_that_pool_says(kind):
    table = PANELS | {"panel": list("ABCD"), "tastings": 24, "correct": [8, 9, 13, 17]}
    table |= {"weeks": [1, 2, 6, 9], "batch_pair": ["P", "P", "Q", "Q"]}
    box = ms.explore(ms.pool(table, margin=ms.Margin(p_d=0.2, protocol="triangle"), **kind))
    controls(box)["margin, as a triangle p_d"].value = 0.6
    moved = ms.pool(table, margin=ms.Margin(p_d=0.6, protocol="triangle"), **kind)
    assert plainly(moved) in said(box)
    assert alt(box).startswith(moved._picture().alt)
    controls(box)["margin, as a triangle p_d"].value = 0
    assert "No margin" in said(box)


@pytest.mark.parametrize("subject", [PANELS, ms.read_panels(PANELS)], ids=["table", "panels"])
def test_a_table_is_pooled_with_the_margin_given(subject):
    box = ms.explore(subject, margin=ms.Margin(p_d=0.2, protocol="triangle"))
    assert plainly(ms.pool(PANELS, margin=ms.Margin(p_d=0.2, protocol="triangle"))) in said(box)


def test_tastings_are_pooled_with_their_repeats():
    tastings = ms.read_tastings("datasets/coffee_tastings.csv")
    box = ms.explore(tastings)
    assert plainly(ms.pool(tastings)) in said(box)


def test_the_figure_is_a_picture_that_changes_with_the_sliders():
    box = ms.explore()
    pictures = []
    for correct in (8, 16):
        controls(box)["correct answers"].value = correct
        source = re.search(r'src="data:image/svg\+xml;base64,([^"]+)"', box.children[-1].value)[1]
        pictures.append(base64.b64decode(source))
    assert all(picture.lstrip().startswith(b"<?xml") for picture in pictures) and pictures[0] != pictures[1]


def test_no_slider_asks_on_the_way():
    sliders = [control for control in ms.explore(PANELS).children if hasattr(control, "readout")]
    assert len(sliders) == 3 and not any(slider.continuous_update for slider in sliders)


def test_names_are_shown_as_text():
    box = ms.explore({**PANELS, "panel": ["A", "B", '<script>alert("x")</script>']})  # the highest
    assert "<script" not in box.children[-1].value
    assert "<script>" in alt(box)


def test_a_panel_of_two_counts_is_refused_with_the_way_out():
    with pytest.raises(ValueError, match=r"A-not-A has two counts: use one_panel"):
        ms.explore(ms.one_panel("A-not-A", signal=100, hits=60, noise=100, false_alarms=35))


def test_without_ipywidgets_the_remedy_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "ipywidgets", None)
    with pytest.raises(ImportError, match=r'pip install "metasense\[lab\]"'):
        ms.explore()


def test_a_slider_of_a_function_cannot_state_the_impossible():
    box = ms.explore(lambda tastings, correct: ms.one_panel("triangle", tastings, correct), tastings=(6, 30, 60),
                     correct=(0, 15, "tastings"))  # fmt: skip
    tastings, correct, _ = box.children
    assert correct.max == 30
    tastings.value = 10
    assert (correct.max, correct.value) == (10, 10)
    assert "10 of 10" in said(box)


def test_a_function_may_give_sentences_and_frames():
    box = ms.explore(lambda word, share: (f"{word} {share:.2f}", pd.DataFrame({"of": [word]})), word=["cold", "warm"],
                     share=(0.0, 0.5, 1.0))  # fmt: skip
    assert "cold 0.50" in said(box)
    box.children[0].value = "warm"
    assert "warm 0.50" in said(box) and "<table" in box.children[-1].value


def test_sliders_are_named_for_a_function_only():
    with pytest.raises(ValueError, match="dose: sliders are named only where a function is explored"):
        ms.explore(PANELS, dose=(0, 1, 2))


def test_the_answer_stays_in_the_notebook_as_an_output_of_its_own(monkeypatch):
    import IPython.display

    box = ms.explore()
    stored, changed = [], []

    class Handle:
        update = staticmethod(changed.append)

    def display(shown, display_id=None, raw=False):
        stored.append(shown)
        return Handle if display_id else None

    monkeypatch.setattr(IPython.display, "display", display)
    box._ipython_display_()
    sliders, answer = stored
    assert "application/vnd.jupyter.widget-view+json" in sliders
    assert sliders["text/plain"] == "Run this cell to move: protocol, tastings, correct answers and margin, as a p_d."
    assert answer._repr_html_() == box.children[-1].value
    assert "10 of 24 answers correct" in repr(answer) and "<" not in repr(answer)
    controls(box)["correct answers"].value = 20
    assert "20 of 24 answers correct" in repr(changed[-1])


def test_terms_of_the_trade_keep_their_spelling_above_a_slider():
    box = ms.explore(lambda p_d, d_prime, prefer_new: "", p_d=(0.0, 0.1, 1.0), d_prime=(0, 1, 3), prefer_new=(0, 1, 9))
    assert list(controls(box)) == ["p_d", "d-prime", "prefer new"]


def test_a_function_may_give_a_picture_and_a_result_answers_in_plain_words():
    panel = ms.one_panel("triangle", 24, 12)
    box = ms.explore(lambda tastings: (panel, panel.picture("answers")), tastings=(6, 24, 60))
    assert said(box).split()[:5] == panel.plain_answer().split()[:5]
    assert panel.picture("answers").alt in alt(box) and "equally likely" in alt(box)


def test_a_share_on_a_slider_is_written_as_everywhere_else():
    slider = controls(ms.explore(ms.one_panel("triangle", 24, 10, margin=MARGIN)))["margin, as a p_d"]
    assert slider.label == words.percent(slider.value)
    assert all(" %" in label for label, _ in slider.options)
