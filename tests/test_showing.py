"""How numbers look: words, tables, figures and files. Expected texts follow from the rules stated in the docstrings."""

import base64
import csv
import datetime
import errno
import io
import math
import os
import re
import stat
import sys
from concurrent.futures import ThreadPoolExecutor
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure

from metasense.showing import figures, words
from metasense.showing.files import TEXT, ready, replacing
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


# --- words ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.4576, "0.46"),
        (0.0, "0"),
        (-0.0, "0"),
        (0.006, "0.01"),
        (0.0049, "less than 0.01"),
        (-0.001, "0.00"),
        (12.346, "12.35"),
        (math.inf, "no upper limit"),
        (-math.inf, "no lower limit"),
        (math.nan, "not known"),
    ],
)
def test_a_plain_number_is_said_with_two_decimals(value, said):
    assert words.d(value) == said


@given(st.floats(0, 1))
def test_a_probability_is_never_said_to_be_certain(p):
    assert words.probability(p) not in ("0 %", "100 %")
    if 0 < p < 1:
        assert words.percent(p) not in ("0 %", "100 %")


def test_a_counted_share_may_be_all_or_nothing():
    assert (words.percent(15 / 15), words.percent(0 / 15)) == ("100 %", "0 %")


@given(st.floats(0, 1))
def test_a_percentage_is_right_within_rounding(p):
    text = words.percent(p)
    number = float(re.search(r"\d+", text)[0]) / 100
    if text.startswith("less"):
        assert p < number
    elif text.startswith("more"):
        assert p > number
    else:
        assert abs(p - number) <= 0.005 + 1e-12


@pytest.mark.parametrize("p", [1.1, -0.1])
def test_what_is_no_probability_is_refused(p):
    with pytest.raises(ValueError, match="not a probability"):
        words.probability(p)


@given(st.floats(0, 1))
def test_a_p_value_is_never_rounded_onto_the_line(p):
    said = float(words.p_value(p).split()[-1])
    if p != 0.05 and abs(p - 0.05) > 1e-8:
        assert said != 0.05
        assert (said < 0.05) == (p < 0.05)


@given(finite, finite, finite)
def test_an_estimate_is_never_printed_equal_to_a_bound_it_does_not_equal(a, b, c):
    lower, value, upper = sorted([a, b, c])
    middle, low, high = words.distinct(value, lower, upper)
    for x, y, said in ((lower, value, low == middle), (value, upper, middle == high), (lower, upper, low == high)):
        if said:
            assert abs(x - y) <= 2e-6


def test_an_interval_names_its_kind_and_probability():
    assert words.estimate(0.5, 0.0812, 0.9533) == "0.50 (0.08 to 0.95; 95 % credible interval, equal-tailed)"
    assert "(0.3 % to 36 %; 95 %" in words.estimate(0.1, 0.003, 0.36, unit="percent")
    assert "(0.10 and up; 90 % credible interval" in words.estimate(0.5, 0.1, math.inf, 0.9)
    assert "(0.20 to 0.40; 95 % confidence interval, exact binomial)" in words.estimate(0.3, 0.2, 0.4, kind="exact")
    # the estimate 17 with interval 17 to 18 of the classic complaint
    assert words.estimate(0.174, 0.171, 0.18, unit="percent").startswith("17.4 % (17.1 % to 18.0 %;")


def test_a_paragraph_is_text_that_a_notebook_sets_as_one():
    text = words.Paragraph("<b>Salt</b> & $pepper$")
    assert text == str(text) == repr(text) == f"{text}" == "<b>Salt</b> & $pepper$"
    assert "<b>" not in text._repr_html_() and "mathjax_ignore" in text._repr_html_()
    assert type(text + "!") is str


def test_counts_and_listings_read_as_english():
    assert words.count(1, "panel") == "1 panel"
    assert words.count(1200, "tasting") == "1,200 tastings"
    assert words.count(2, "person") == "2 people"
    assert words.listing(["a", "b", "c"]) == "a, b and c"
    assert words.listing(list("abcdef"), most=2) == "a, b and 4 others"
    assert words.listing(list("abc"), most=2) == "a, b and c"  # "1 other" would save nothing


def test_the_verdict_sentences_name_the_margin_and_keep_our_own_vocabulary():
    margin = "a d-prime of 1.30"
    sentences = words.verdict_sentences(margin)
    assert tuple(sentences) == words.VERDICTS
    for sentence in sentences.values():
        assert margin in sentence
        assert "95 %" in sentence
        assert words.banned(sentence) == []


def test_the_glossary_keeps_our_own_vocabulary():
    for term in (
        "d-prime",
        "p_d",
        "p_c",
        "margin",
        "spread",
        "credible interval",
        "panel",
        "taster",
        "batch pair",
        "drawer",
    ):
        assert words.GLOSSARY[term]
    # 2-AFC at d-prime 1 and 2 is Phi(d / sqrt 2) = erfc(-d / 2) / 2, from the error function of the standard library
    assert re.findall(r"\d\d %", words.GLOSSARY["d-prime"]) == [words.percent(math.erfc(-d / 2) / 2) for d in (1, 2)]
    for term, meaning in words.GLOSSARY.items():
        assert words.banned(meaning) == [], term


@pytest.mark.parametrize(
    ("text", "phrases"),
    [
        ("There is no difference.", ["no difference"]),
        ("We saw no\ndetectable differences", ["no detectable differences"]),
        ("25 % of tasters can taste it", ["25 % of tasters can taste"]),
        ("1 in 5 people could tell", ["1 in 5 people could tell"]),
        ("This proved it.", ["proved"]),
        ("so we accept the null", ["accept the null"]),
        ("95 % confidence interval 0.1 to 0.4", ["confidence"]),
        ("The result is significant", ["significant"]),
        ("it was not significant; significantly so", ["significant", "significantly"]),
        ("8 discriminators", ["discriminators"]),
        ("the interval excludes zero", ["interval excludes zero"]),
        ("a trend towards a difference", ["trend towards"]),
        ("post-hoc power was 15 %", ["post-hoc power"]),
        ("The panel failed.", ["panel failed"]),
    ],
)
def test_a_phrase_we_do_not_use_is_found(text, phrases):
    assert words.banned(text) == phrases


@pytest.mark.parametrize(
    "text",
    [
        "The panel was not statistically significant.",
        "statistical significance is a courtesy line",
        "0.2 to 0.4 (95 % confidence interval, exact binomial)",
        "three significant figures",
        'Not statistically significant is not "no difference".',
        "the average difference is within the margin",
        "A p-value does not prove anything. See provenance.",
        "A taster judges a pair same or different.",
        "47 % correct where guessing alone gives 33 %",
    ],
)
def test_what_may_be_said_is_not_found(text):
    assert words.banned(text) == []


def test_every_phrase_pattern_finds_something_and_says_why():
    for phrase in words.BANNED:
        re.compile(phrase.pattern)
        re.compile(phrase.unless)
        assert phrase.why
        assert words.banned(f'"{phrase.instead}"') == []


@given(st.text())
def test_one_line_is_one_line_that_can_be_written(text):
    line = words.one_line(text)
    assert line.splitlines() in ([], [line])
    assert "\x1b" not in line
    line.encode("utf-8")


# --- tables ---------------------------------------------------------------------------------------------------------


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


# --- files ----------------------------------------------------------------------------------------------------------


def test_a_csv_is_replaced_only_when_that_is_said(tmp_path):
    path = write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / "t.csv")
    before = os.stat(path)
    assert write_csv(pd.DataFrame({"panel": ["A"]}), path) == path  # the same again changes nothing
    assert os.stat(path).st_ino == before.st_ino and os.stat(path).st_mtime_ns == before.st_mtime_ns
    with pytest.raises(FileExistsError, match=r"t\.csv.*Name a new one.*overwrite=True"):
        write_csv(pd.DataFrame({"panel": ["B"]}), path)
    assert path.read_text() == "panel\nA\n"
    write_csv(pd.DataFrame({"panel": ["B"]}), path, overwrite=True)
    assert path.read_text() == "panel\nB\n"
    path.write_bytes(b"PK\x03\x04\0\0")
    with pytest.raises(FileExistsError, match="not a table in plain text"):
        write_csv(pd.DataFrame({"panel": ["B"]}), path, overwrite=True)


@pytest.mark.parametrize("name", ["t.xlsx", "t.csv.gz", "t.tsv", "t"])
def test_a_csv_is_not_written_under_the_name_of_another_kind(name, tmp_path):
    with pytest.raises(ValueError, match=r"Name a file that ends in \.csv"):
        write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / name)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="devices and pipes of POSIX")
def test_devices_pipes_and_what_leads_to_them_stay_what_they_are(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "link.csv").symlink_to(tmp_path / "pipe.csv")
    reading, writing = os.pipe()
    for path in (tmp_path / "pipe.csv", tmp_path / "link.csv", f"/dev/fd/{writing}"):
        with pytest.raises(FileExistsError, match="a device or a pipe"), replacing(path, TEXT) as scratch:
            scratch.write_text("a")
    with pytest.raises(FileExistsError, match="a device or a pipe"):
        ready("/dev/zero", TEXT)  # asked only: were the refusal broken, no device may be written over
    os.close(reading)
    os.close(writing)
    assert stat.S_ISFIFO(os.stat(tmp_path / "pipe.csv").st_mode) and (tmp_path / "link.csv").is_symlink()


def test_a_file_protected_against_writing_is_left_alone(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("old")
    path.chmod(0o444)
    with pytest.raises(PermissionError, match=r"t\.csv.*protected against writing"), replacing(path, TEXT):
        pass


def test_of_two_who_make_one_new_file_the_second_is_told(tmp_path):
    path = tmp_path / "t.csv"

    def second():
        with replacing(path) as scratch:
            scratch.write_text("second")
            path.write_text("first")

    with pytest.raises(FileExistsError, match="a file of that name exists"):
        second()
    assert path.read_text() == "first" and [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_no_error_names_the_scratch_file(tmp_path, monkeypatch):
    def refuse(path, *_, **__):  # as a disk that may not be written to does, even where there is nothing to remove
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), os.fspath(path))

    monkeypatch.setattr("os.open", refuse)
    monkeypatch.setattr("os.unlink", refuse)
    with pytest.raises(OSError, match="the disk may not be written to") as caught, replacing(tmp_path / "a.txt"):
        pass
    assert "a.txt" in str(caught.value) and ".part" not in str(caught.value)


@pytest.mark.skipif(os.name != "posix", reason="locks of POSIX")
def test_what_a_killed_writer_left_goes_and_what_a_living_one_holds_stays(tmp_path):
    import fcntl

    dead, alive, other = (
        tmp_path / name for name in (".a.csv.00000000.part", ".a.csv.11111111.part", ".b.csv.0a0a0a0a.part")
    )
    for path in (dead, alive, other):
        path.write_text("half")
    with open(alive) as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / "a.csv")
        assert not dead.exists() and alive.exists() and other.exists()
    write_csv(pd.DataFrame({"panel": ["A"]}), tmp_path / "a.csv")  # nothing to write, but something to clear away
    assert not alive.exists()


def test_a_crash_leaves_the_old_file_whole(tmp_path):
    target = tmp_path / "kept.txt"
    target.write_text("old")

    def write():
        with replacing(target, TEXT) as scratch:
            scratch.write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write()
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_missing_folder_is_named(tmp_path):
    with (
        pytest.raises(FileNotFoundError, match=r"there is no folder .*absent.*Make it first"),
        replacing(tmp_path / "absent" / "x"),
    ):
        pass
    with pytest.raises(IsADirectoryError, match="Name a file in it"), replacing(tmp_path):
        pass


# --- figures --------------------------------------------------------------------------------------------------------


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
        with figures._settings({"font.size": 9.5}):
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
    dark = base64.b64decode(figures.figure_to_data_uri(ONE_OF_EACH[name](Figure()), dark=True).split(",")[1]).decode()
    assert figures.PAPER in svg
    assert figures.PAPER not in dark
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
        for a, b in ((paper, text), (figures._DARK[paper], figures._DARK[text])):
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
