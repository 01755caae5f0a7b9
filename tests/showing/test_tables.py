"""Frames as HTML, text, Markdown, LaTeX and CSV: every cell shown as it stands, and nothing run."""

import csv
import datetime
import io
import math
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from hypothesis import strategies as st

from metasense.showing.tables import Table, block, table, write_csv

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


class Cells(HTMLParser):
    """The cells a browser would see, their tags and scopes."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.cells, self.caption, self.here = [], [], "", None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in ("td", "th"):
            self.cells.append("")
        self.here = tag

    def handle_endtag(self, tag):
        self.here = None

    def handle_data(self, data):
        if self.here in ("td", "th"):
            self.cells[-1] += data.replace("\u00a0", " ")
        elif self.here == "caption":
            self.caption += data.replace("\u00a0", " ")


@pytest.fixture
def panels():
    return pd.DataFrame(
        {
            "panel": HOSTILE,
            "tastings": [24, 30, 1200, 20, 21, 22, 23],
            "p_value": [0.58, 0.0431, 1e-9, 1, 0.04996, 0.2, math.nan],
            "alone": [0.2, 1.2, 1.3, 0.0, 0.5, 0.6, math.nan],
            "alone_lower": [0, 0.1, 1.2, 0, 0.4, 0.1, math.nan],
            "alone_upper": [1.2, 2, math.inf, 0.4, 0.6, 0.9, math.nan],
            "prob": 0.95,
            "kind": "equal-tailed",
        }
    )


def test_every_form_of_a_table_says_the_same(panels):
    shown = table(panels, caption="Panels")
    read = Cells(shown.to_html())
    expected = [*shown.headers, *(text for row in shown.rows for text in row)]
    assert read.cells == expected
    for text in filter(None, expected):
        assert text in repr(shown)
    assert repr(shown) == shown.to_text()
    assert shown._repr_html_() == shown.to_html()
    assert shown.to_markdown().count(" |\n") == len(shown.rows) + 1  # headings, rule, and all rows but the last
    assert shown.to_latex().count("\\\\\n") == len(shown.rows) + 1
    assert shown.caption == "Panels; intervals: credible interval (95 %, equal-tailed)"
    assert read.caption == shown.caption


def test_a_table_merges_intervals_and_reads_its_numbers_by_name(panels):
    shown = table(panels)
    assert shown.headers == ("panel", "tastings", "p", "alone", "alone, 95 % interval")
    assert shown.rows[0][1:] == ("24", "0.58", "0.20", "0 to 1.20")
    assert shown.rows[2][1:] == ("1,200", "< 0.001", "1.30", "1.20 and up")
    assert shown.rows[4][2] == "0.04996"
    assert shown.rows[6][2:] == ("", "", "")
    assert shown.numeric == (False, True, True, True, True)


def test_the_estimate_in_a_table_never_equals_a_bound():
    frame = pd.DataFrame(
        {
            "quantity": ["p_c triangle", "spread"],
            "median": [0.174, 0.301],
            "lower": [0.171, 0.299],
            "upper": [0.18, 0.5],
        }
    )
    assert table(frame).rows == (
        ("p_c triangle", "17.4 %", "17.1 % to 18.0 %"),
        ("spread", "0.301", "0.299 to 0.500"),
    )


def test_kinds_that_differ_by_row_stay_in_the_table():
    frame = pd.DataFrame(
        {"quantity": ["a", "b"], "lower": [0.1, 0.2], "upper": [0.3, 0.4], "kind": ["equal-tailed", "exact"]}
    )
    assert table(frame, caption="c").caption == "c"
    assert table(frame).headers == ("quantity", "95 % interval", "kind")


def test_a_table_has_scoped_headers_and_no_colours_of_its_own(panels):
    read = Cells(table(panels, caption="Panels").to_html())
    scopes = [attrs.get("scope") for tag, attrs in read.tags if tag == "th"]
    assert scopes == ["col"] * 5 + ["row"] * 7
    assert {tag for tag, _ in read.tags} == {"table", "caption", "thead", "tbody", "tr", "th", "td"}
    assert not re.search("color|background", table(panels).to_html())


def test_labels_kinds_and_row_headers_can_be_chosen():
    frame = pd.DataFrame({"n": [3], "name": ["x"], "share": [0.5], "when": [datetime.date(2026, 1, 2)], "ok": [True]})
    shown = table(frame, labels={"share": "of all"}, kinds={"n": lambda n: f"{n} cups"}, row_header="name")
    assert shown.rows == (("3 cups", "x", "50 %", "2026-01-02", "yes"),)
    assert shown.headers[2] == "of all"
    assert shown.row_header == 1


def test_a_long_table_says_what_it_leaves_out():
    shown = table(pd.DataFrame({"panel": range(5)}), most=2)
    assert len(shown.rows) == 2
    assert "3 more rows not shown here" in shown.note
    assert "3 more rows" in shown.to_html()
    assert "3 more rows" in repr(shown)


@pytest.mark.parametrize("frame", [pd.DataFrame({"panel": [], "lower": [], "upper": []}), pd.DataFrame({"a": [None]})])
def test_an_empty_frame_makes_a_table(frame):
    assert table(frame).headers[0] == frame.columns[0]
    assert ("no rows" in repr(table(frame))) == frame.empty
    assert Cells(table(frame).to_html()).cells[0] == frame.columns[0]


def test_a_block_escapes_its_paragraphs():
    text = block("a < b", Table("c", ("<h>",), (("<x>",),), (False,)))
    assert "a &lt; b" in text
    assert "&lt;h&gt;" in text
    assert "<x>" not in text


def test_markdown_and_latex_escape_what_they_would_run():
    shown = Table("50 % [*]", ("a_b",), (("$x$ | \\input{x} <b> & #1 ~ ^",),), (False,))
    assert r"\$x\$ \| \\input{x} &lt;b&gt; &amp; \#1 \~ ^" in shown.to_markdown()
    assert r"\$x\$ \textbar{} \textbackslash{}input\{x\}" in shown.to_latex()
    assert r"\caption{50 \% {[}{*}]}" in shown.to_latex()


def test_csv_cells_cannot_be_formulas_and_numbers_keep_their_digits(tmp_path):
    texts = [
        "=1+1",
        "+cmd",
        "-2+3",
        "@SUM(A1)",
        "\t=1",
        " =1",
        "a;=1",
        "-0.5",
        "fine",
        'say "hi", ok',
        "\uff1d1",
        "\ud800",
    ]
    frame = pd.DataFrame({"=head": pd.Series(texts, dtype=object), "number": np.full(len(texts), 1 / 3)})
    where = write_csv(frame, tmp_path / "out.csv")
    rows = list(csv.reader(io.StringIO(where.read_text("utf-8"))))
    assert rows[0] == ["'=head", "number"]
    assert [row[0] for row in rows[1:]] == (
        [
            "'=1+1",
            "'+cmd",
            "'-2+3",
            "'@SUM(A1)",
            "'\t'=1",
            "' =1",
            "a;'=1",
            "-0.5",
            "fine",
            'say "hi", ok',
            "'\uff1d1",
            "?",
        ]
    )
    assert {float(row[1]) for row in rows[1:]} == {1 / 3}
