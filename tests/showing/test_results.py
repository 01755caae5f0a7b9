"""What all results share: three lengths of statement, one set of words in every medium, exports that run nothing."""

import base64
import csv
import html
import re

import pandas as pd
import pytest

import metasense as ms
from metasense.showing import words
from metasense.showing.results import Pictured, Result, Statement
from metasense.showing.tables import Table, table
from metasense.showing.words import banned

MARGIN = ms.Margin(p_d=0.2, protocol="triangle")
CIDER = "datasets/cider_fining.csv"
LENGTHS = ("line", "paragraph", "methods")


@pytest.fixture(scope="module")
def results():
    frame = {
        "panel": ["A", "B", "C", "D"],
        "protocol": ["triangle", "triangle", "tetrad", "triangle"],
        "tastings": [24, 30, 20, 36],
        "correct": [11, 12, 10, 16],
        "tasters": [24, 30, 20, 12],
        "batch_pair": ["1", "1", "2", "2"],
        "weeks": [1, 2, 4, 8],
        "asked": ["correct", "correct", "correct", "none"],
        "prefer_new": [7, 8, 6, None],
        "prefer_old": [3, 4, 3, None],
        "no_preference": [1, 0, 1, None],
    }
    panels = ms.read_panels(frame)
    pooled = ms.pool(panels, margin=MARGIN)
    answers = {"Ann": "111011", "Bob": "010010", "Cai": "001001", "Dee": "011010"}
    rows = [
        {"panel": "R", "protocol": "triangle", "taster": who, "correct": int(c), "order": "ABB" if i % 2 else "BAB"}
        for who, said in answers.items()
        for i, c in enumerate(said)
    ]
    tastings = ms.read_tastings(rows)
    plan = ms.Plan("triangle", tasters=24)
    return {
        "panel": ms.one_panel("triangle", 24, 12, margin=MARGIN),
        "two counts": ms.one_panel("A-not-A", signal=20, hits=14, noise=20, false_alarms=8),
        "pool": pooled,
        "moderated": ms.pool(panels, margin=MARGIN, moderators="weeks"),
        "nested": ms.pool(panels, margin=MARGIN, within="batch_pair"),
        "people": ms.tasters(ms.pool(tastings)),
        "one person": ms.tasters(ms.pool({"panel": ["me"], "protocol": ["triangle"], "tastings": [12], "correct": [9], "tasters": [1]})),
        "preference": ms.preference(panels),
        "serving effects": ms.serving_effects(tastings),
        "needed": ms.tasters_needed("triangle", p_d=0.3),
        "chances": ms.verdict_chances("triangle", [24, 48], margin=MARGIN, d_prime=0.8),
        "looks": ms.two_stage_plan("triangle", p_d=0.4),
        "cost": ms.cost_of_looks("triangle", [12, 18, 24]),
        "next": ms.plan_next(pooled, [plan]),
        "serving": ms.serve("triangle", tasters=12, samples=("old", "new"), seed=1),
    }  # fmt: skip


@pytest.mark.lab
def test_every_result_is_written_up_at_three_lengths(results):
    for name, result in results.items():
        assert isinstance(result, Statement), name
        line, paragraph, methods = (result.statement(length=length) for length in LENGTHS)
        assert paragraph == result.statement() and line == result.headline(), name
        assert len({line, paragraph, methods}) == 3, name
        assert len(line) <= len(paragraph), name
        for text in (line, paragraph, methods):
            assert (
                text[-1] == "." and "\n" not in text and not re.search(r"\.\.(?!\.)|  |nan", text.replace("...", ""))
            ), (name, text)
            assert words.banned(text) == [], (name, words.banned(text))


def test_an_unknown_length_is_refused(results):
    with pytest.raises(ValueError, match="'line', 'paragraph' or 'methods'"):
        results["pool"].statement(length="long")


@pytest.mark.parametrize("name", ["panel", "two counts", "pool", "moderated", "nested", "people"])
def test_a_methods_note_names_priors_computation_and_intervals(results, name):
    text = results[name].statement(length="methods")
    assert "half-normal(" in text and re.search("integrat|read off the pooled posterior", text)
    assert re.search(r"credible intervals? \(95 %(, equal-tailed)?\)", text)


def test_the_methods_note_of_a_pool_covers_what_reporting_guidelines_ask(results):
    """Kruschke (2021), Bayesian analysis reporting guidelines: model, prior, computation, posterior, decision,
    sensitivity, reproducibility."""
    text = results["pool"].statement(length="methods")
    heads = ["Model: ", "Priors: ", "Computation: ", "Summaries: ", "Decision: ", "Sensitivity: ", "To repeat it: "]
    assert [text.index(head) for head in heads] == sorted(text.index(head) for head in heads)
    assert results["pool"].panels.fingerprint[:12] in text and "seed 1" in text


def test_people_and_tastings_are_counted_apart(results):
    assert "110 tastings by 86 tasters" in results["pool"].statement()
    assert "4 people with 24 tastings in 1 panel" in results["people"].statement(length="line")
    assert "1 person with 12 tastings in 1 panel" in results["one person"].statement(length="line")


def test_a_serving_plan_never_tells_its_seed(results):
    plan = ms.serve("triangle", tasters=12, samples=("old", "new"), seed=987654321)
    for text in (*map(lambda length: plan.statement(length=length), LENGTHS), repr(plan), plan.to_markdown()):
        assert "987654321" not in text and hex(987654321) not in text


def test_html_for_a_word_processor_is_well_formed_with_styles_of_its_own_and_no_script(results):
    from xml.etree import ElementTree

    for name, result in results.items():
        text = result.to_html()
        tree = ElementTree.fromstring(text.removeprefix("<!DOCTYPE html>"))
        said = re.sub(r"\W", "", "".join(tree.itertext()))
        for part in result._shown():
            assert not isinstance(part, str) or re.sub(r"\W", "", part) in said, name
        assert {node.tag for node in tree.iter()}.isdisjoint({"script", "link", "style", "img", "svg"}), name
        cells = [node for node in tree.iter() if node.tag in ("th", "td") and "style" in node.attrib]
        assert all("border:1px solid" in cell.attrib["style"] for cell in cells), name
        assert len(list(tree.iter("table"))) == sum(isinstance(part, Table) for part in result._shown()), name


def test_a_table_in_latex_has_a_label_after_its_caption():
    frame = pd.DataFrame({"panel": ["A"], "tastings": [24]})
    said = table(frame, caption="What is known; of 1 panel").to_latex().splitlines()
    assert said[1:3] == [r"\caption{What is known; of 1 panel}", r"\label{tab:what-is-known}"]
    assert "label" not in table(frame).to_latex()


def test_markdown_latex_and_csv_hold_what_the_cell_shows(results, tmp_path):
    for name, result in results.items():
        shown = [re.sub(r"\W", "", part) for part in result._shown() if isinstance(part, str)]
        flat = {"markdown": re.sub(r"\W", "", result.to_markdown().replace("&lt;", "").replace("&gt;", "").replace("&amp;", "")),
                "latex": re.sub(r"\\text\w+\{\}|\W", "", result.to_latex())}  # fmt: skip
        for part in shown:
            assert part in flat["markdown"], name
            assert part.replace("_", "") in flat["latex"].replace("_", ""), name
        where = result.to_csv(tmp_path / f"{name}.csv")
        with open(where, encoding="utf-8", newline="") as file:
            lines = list(csv.reader(file))
        frame = result.to_frame()
        assert len(lines) == len(frame) + 1 and lines[0][-1] == str(frame.columns[-1]), name


def test_what_could_run_elsewhere_is_set_as_text():
    class Nasty(Result):
        def _shown(self):
            return ["\\input{x} <b> $y$ [link](javascript:z)\n# head"]

    assert r"\textbackslash{}input\{x\}" in Nasty().to_latex() and r"\$y\$" in Nasty().to_latex()
    assert r"\[link\]" in Nasty().to_markdown() and "<b>" not in Nasty().to_markdown()
    assert "\n" not in repr(Nasty()) and "&lt;b&gt;" in Nasty()._repr_html_()


@pytest.mark.parametrize("name", ms.__all__)
def test_whatever_has_a_figure_gives_it_as_it_stands_in_a_cell(name):
    kind = getattr(ms, name)
    if isinstance(kind, type) and hasattr(kind, "plot"):
        assert issubclass(kind, Pictured)
        assert kind._depicts or kind._alt is not Pictured._alt


PICTURED = ["disagreement", "explanations", "sensitivity", "path", "drawer", "leak", "operating", "fit"]


@pytest.mark.parametrize("question", PICTURED)
def test_a_picture_follows_the_theme_and_says_what_it_shows(question):
    picture = getattr(ms.pool(CIDER, margin=ms.Margin(p_d=0.2, protocol="triangle")), question)().picture()
    shown = picture._repr_html_()
    said = html.unescape(re.search(r'alt="([^"]+)"', shown)[1])
    assert said == picture.alt == repr(picture) and len(said.split()) > 8
    svg = base64.b64decode(re.search(r'base64,([^"]+)"', shown)[1]).decode()
    assert "prefers-color-scheme: dark" in svg and "data-jp-theme-light" in shown
    assert banned(said) == []


def test_a_picture_takes_what_plot_takes_and_refuses_other_kinds():
    pooled = ms.pool(CIDER)
    assert "d-prime" in pooled.picture(order="table").alt and "equally likely" in pooled.picture("strip").alt
    with pytest.raises(ValueError, match=r"no figure 'answers' here; besides picture\(\) there is 'strip'"):
        pooled.picture("answers")
    with pytest.raises(TypeError, match="ordr"):
        pooled.picture(ordr="table")
