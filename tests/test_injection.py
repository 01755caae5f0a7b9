"""Every string a user supplies, through every surface that shows or writes it: shown as text, never run or obeyed.

Hostile text goes into panel names, tasters, batch pairs, notes, moderators and their column names, file names, the
question card and claims. Whatever comes out (cells, the page, figures, sheets, exports, print-outs, errors) is parsed
as its reader would parse it: HTML and SVG by a parser, CSV by a reader of CSV, a terminal's text by looking for control
characters. Spreadsheets run cells that begin with = + - @ (common practice, no source).
"""

import base64
import csv
import io
import json
import re
import unicodedata
import xml.etree.ElementTree as ET
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files

import matplotlib
import netCDF4
import pandas as pd
import pytest

import metasense as ms
from metasense.cli import main
from metasense.showing import figures
from metasense.showing.tables import table, write_csv

matplotlib.use("agg")

MARKUP = (
    "</td></title></style><script>alert(1)</script><img src=x onerror=alert(1)>\"' onload='alert(1)' "
    "&lt; {{7*7}} {% x %}"
)
TEX = "$x$ \\(y\\) \\input{secret} %\\end{table} & # _ ^ ~ \\\\"
MARKDOWN = "|a|b| `code` [link](javascript:alert(1)) ![i](http://example.invalid/x.png) **b** <b>"
FORMULA = '=HYPERLINK("http://example.invalid","x")'
ESCAPES = "\x1b[31mred\x1b]0;title\x07\x9b2J\x08\x7f\r\x00 \u202ertl\u2066 \u2028"

# A panel's and a taster's name is one line, so control characters in it are refused when it is read (tested below).
NAMES = [f"{FORMULA} {MARKUP}", f"+1 {TEX}", f"-1 {MARKDOWN}", "@SUM(1) \u202ertl"]
TEXT = " ".join([FORMULA, MARKUP, TEX, MARKDOWN, ESCAPES])
COLUMN = f"@mod {MARKUP} {TEX} |x| \u202e"

ALLOWED = re.compile(
    "html|head|meta|title|style|body|a|header|main|section|h[1-4]|p|ul|ol|li|div|span|table|caption|thead|tbody|tfoot|tr|"
    "th|td|dl|dt|dd|figure|figcaption|picture|source|img|br|strong|em|b|i|small|hr|footer|nav|article|details|summary|"
    "code|colgroup|col|label|input|time|sub|sup|pre|address|aside|svg|g|circle|path|output|script"
)
OURS = (files("metasense") / "templates" / "movable.js").read_text("utf-8").rstrip("\n")  # what alone runs on a page


class Page(HTMLParser):
    """Tags with their attributes, and the text, as a browser would see them."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.text = [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, attrs))

    def handle_data(self, data):
        self.text.append(data)


def clean_svg(data):
    root = ET.fromstring(data)
    for node in root.iter():
        name = node.tag.rpartition("}")[2]
        assert name not in ("script", "foreignObject", "iframe", "a", "animate", "set", "handler"), name
        for key, value in node.attrib.items():
            assert not key.rpartition("}")[2].lower().startswith("on"), key
            if key.rpartition("}")[2] == "href":
                assert value.startswith(("#", "data:image/png")), value


def clean_html(text, where):
    page = Page(text)
    for tag, attrs in page.tags:
        assert ALLOWED.fullmatch(tag), (where, tag)
        for name, value in attrs:
            assert not name.startswith("on") and name != "srcdoc", (where, tag, name)
            assert not re.search(r"[<>\"'{}=]", name), (where, tag, name)
            if name in ("src", "srcset", "href", "action", "formaction", "data", "poster"):
                assert (value or "").startswith(("data:image/", "#")), (where, tag, name, value)
                for uri in re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", value):
                    clean_svg(base64.b64decode(uri))
            if name == "style":
                assert not re.search(r"url|expression|@import|alert", value or ""), (where, value)
    for kind, inside in re.findall(r"<script\b([^>]*)>(.*?)</script>", text, re.S):
        if kind:  # looked up by our own script, never run
            assert kind == ' type="application/json" id="movable-known"'
            assert set(json.loads(inside)) == {"lowest", "low", "settled", "dPrimes", "against", "below"}
        else:
            assert inside == OURS, where
    style = " ".join(re.findall(r"<style>(.*?)</style>", text, re.S))
    assert "alert" not in style, where
    assert "49" not in re.findall(r"\{\{7\*7\}\}|(49) \{% x", text), where  # no template was filled
    bare(text, where)


def bare(text, where):
    """No character that a terminal or a text editor would obey."""
    for character in text:
        obeyed = unicodedata.category(character) in ("Cc", "Cs") or character in "\u2028\u2029\u200e\u200f\u061c"
        obeyed = obeyed or "\u202a" <= character <= "\u202e" or "\u2066" <= character <= "\u2069"
        assert character == "\n" or not obeyed, (where, character.encode("unicode_escape"), text[:200])


@cache
def hostile():
    """Panels, tastings, card and a pool with hostile text in every place that takes text."""
    n = len(NAMES)
    table_ = {
        "panel": NAMES,
        "protocol": ["triangle", "duo-trio", "triangle", "tetrad"],
        "tastings": [24, 30, 26, 20],
        "correct": [14, 19, 9, 11],
        "tasters": [8, 30, 26, 20],
        "batch_pair": [TEXT, "x", TEXT, "x"],
        "blind": ["none", "single", "double", "double"],
        "planned": [20, 30, 26, 20],
        "looks": [2, 1, 1, 1],
        "reported": ["no", "yes", "yes", "no"],
        "asked": ["correct", "correct", "none", "all"],
        "prefer_new": [3, 8, None, 9],
        "prefer_old": [4, 5, None, 8],
        "no_preference": [1, 1, None, 1],
        "notes": [TEXT] * n,
        "date": ["2025-01-01", "2025-01-02", "2025-01-03", "2025-01-04"],
        COLUMN: [TEXT, TEXT, "plain", "plain"],
        f"weeks {MARKUP}": [1, 2, 3, 4],
    }
    panels = ms.read_panels(table_, name=TEXT)
    words = dict.fromkeys(("question", "decision", "stopping", "exclusions"), TEXT)
    margin = ms.Margin(d_prime=0.5)
    card = ms.Card(**words, moderators=[TEXT], margin=margin, protocols="triangle", tastings=24, date="2025-01-02")
    who = [f"{NAMES[k % 8 % 3]} {k % 8}" for k in range(24)]
    rows = [
        {"panel": NAMES[0], "protocol": "triangle", "taster": name, "correct": int(k < 14), "mood": TEXT}
        for k, name in enumerate(who)
    ]
    tastings = ms.read_tastings(rows, name=TEXT)
    pooled = ms.pool(panels, tastings=tastings, card=card, margin=ms.Margin(p_d=0.2, protocol="triangle"), draws=50)
    return panels, tastings, card, pooled


def results():
    """Everything that shows itself, by name."""
    panels, tastings, card, pooled = hostile()
    groups = next(column for column in panels.moderators if column.startswith("@mod"))
    weeks = next(column for column in panels.moderators if column.startswith("weeks"))
    once = replace(
        panels, frame=panels.frame.assign(tasters=panels.frame["tastings"])
    )  # repeats take many times the work
    found = {
        "panels": panels,
        "tastings": tastings,
        "card": card,
        "pooled": pooled,
        "verdict": pooled.verdict(),
        "rate": pooled.rate("triangle"),
        "next panel": pooled.next_panel("triangle", 24),
        "explanations": pooled.explanations(),
        "disagreement": pooled.disagreement(),
        "sensitivity": pooled.sensitivity(by=("batch_pair", groups)),
        "path": pooled.path(),
        "drawer": pooled.drawer(),
        "leak": pooled.leak((0, 0.1)),
        "fit": pooled.fit(),
        "leave one out": ms.pool(once, within="batch_pair").leave_one_out(),
        "tasters": pooled.tasters(),
        "preference": pooled.preference(),
        "one panel": ms.one_panel(panels[NAMES[0]]),
        "moderated by groups": ms.pool(once, moderators=groups),
        "moderated by weeks": ms.pool(once, moderators=weeks),
        "nested": ms.pool(once, within="batch_pair"),
        "claim": ms.check_claim(f"There is no difference. {TEXT} {NAMES[0]}: 25 % of people can taste it.", pooled),
        "plans": ms.plan_next(pooled, [ms.Plan("triangle", 24)]),
    }
    return found


NAMES_OF_RESULTS = [
    "panels",
    "tastings",
    "card",
    "pooled",
    "verdict",
    "rate",
    "next panel",
    "explanations",
    "disagreement",
    "sensitivity",
    "path",
    "drawer",
    "leak",
    "fit",
    "leave one out",
    "tasters",
    "preference",
    "one panel",
    "moderated by groups",
    "moderated by weeks",
    "nested",
    "claim",
    "plans",
]
RESULTS = cache(results)


@pytest.mark.lab
@pytest.mark.parametrize("name", NAMES_OF_RESULTS)
def test_cells_and_printouts_show_hostile_text_as_text(name):
    result = RESULTS()[name]
    clean_html(result._repr_html_(), name)
    bare(repr(result), name)
    for word in ("statement", "sentence", "headline"):
        if hasattr(result, word):
            bare(getattr(result, word)(), f"{name}.{word}")


def test_every_result_is_looked_at():
    assert set(RESULTS()) == set(NAMES_OF_RESULTS)
    shown = " ".join(repr(result) for result in RESULTS().values())
    assert "<script>" in shown and "HYPERLINK" in shown  # the hostile text does get there


def test_the_page_shows_hostile_text_as_text(tmp_path):
    pooled = hostile()[-1]
    text = pooled.report(tmp_path / "page.html").read_text(encoding="utf-8")
    clean_html(text, "page")
    assert "&lt;script&gt;" in text and "http://example.invalid" in Page(text).text.__repr__()
    assert not [tag for tag, _ in Page(text).tags if tag in ("iframe", "object", "form", "link", "base")]


@pytest.mark.lab
def test_figures_draw_hostile_names_as_text():
    pooled = hostile()[-1]
    drawn = {
        "forest": pooled.plot,
        "tasters": RESULTS()["tasters"].plot,
        "path": RESULTS()["path"].plot,
        "drawer": RESULTS()["drawer"].plot,
        "leak": RESULTS()["leak"].plot,
        "sensitivity": RESULTS()["sensitivity"].plot,
        "fit": RESULTS()["fit"].plot,
        "one panel": RESULTS()["one panel"].plot,
        "explanations": RESULTS()["explanations"].plot,
        "moderated by groups": RESULTS()["moderated by groups"].plot,
        "moderated by weeks": RESULTS()["moderated by weeks"].plot,
        "preference": RESULTS()["preference"].plot,
    }
    for name, plot in drawn.items():
        ax = plot()
        ax.figure.canvas.draw()  # mathtext in a name would fail here
        buffer = io.BytesIO()
        ax.figure.savefig(buffer, format="svg")
        clean_svg(buffer.getvalue())
        uri = figures.figure_to_data_uri(ax)
        clean_svg(base64.b64decode(uri.partition(",")[2]))
        assert name
    matplotlib.pyplot.close("all")


# --- exports ----------------------------------------------------------------------------------------------------------


def inert(path):
    """Cells of a CSV as a spreadsheet splits them, each of which must not run."""
    text = path.read_text(encoding="utf-8")
    for separator in (",", ";", "\t"):
        for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator):
            for cell in row:
                cell = cell.strip()
                runs = cell[:1] in tuple("=+-@\uff1d\uff0b\uff0d\uff20") and not re.fullmatch(
                    r"[+-]?[\d.,]+(e[+-]?\d+)?", cell
                )
                assert not runs, (separator, cell[:80])
    return text


def test_csv_exports_do_not_run_and_read_back(tmp_path):
    panels, tastings, _, pooled = hostile()
    inert(panels.to_csv(tmp_path / "panels.csv"))
    inert(tastings.to_csv(tmp_path / "tastings.csv"))
    assert ms.read_panels(tmp_path / "panels.csv").frame["panel"].tolist() == panels.frame["panel"].tolist()
    for name, result in RESULTS().items():
        if hasattr(result, "to_frame") and not isinstance(result, ms.Panels | ms.Tastings):
            inert(write_csv(result.to_frame(), tmp_path / f"{name}.csv"))
    inert(write_csv(pooled.panels_frame(), tmp_path / "alone.csv"))


def test_markdown_and_latex_are_escaped():
    frame = pd.DataFrame({"panel": [TEXT, *NAMES], COLUMN: [TEXT, *NAMES], "correct": 8})
    shown = table(frame, caption=TEXT, note=TEXT)
    markdown, latex = shown.to_markdown(), shown.to_latex()
    bare(markdown, "markdown")
    bare(latex, "latex")
    assert not re.search(r"(?<!\\)\]\(|(?<!\\)`|<script|(?<!\\)\$", markdown)
    rows = [line for line in markdown.splitlines() if line.startswith("|")]
    assert {len(re.findall(r"(?<!\\)\|", row)) for row in rows} == {4}
    assert "\\input{" not in latex and not re.search(r"(?<!\\)[$%#]", latex)
    assert latex.count("\\end{table}") == 1 and latex.count("\\begin{tabular}") == 1


def test_the_saved_pool_holds_hostile_text_as_data(tmp_path):
    pooled = hostile()[-1]
    path = pooled.save(tmp_path / "pool.nc")
    again = ms.load(path)
    assert again.panels.frame["panel"].tolist() == NAMES
    assert again.panels.moderators == pooled.panels.moderators
    assert again.card == pooled.card
    with netCDF4.Dataset(path) as file:
        names = [*file.variables]
    assert all(name.isidentifier() and name.isascii() for name in names)
    result = ms.rerun(path)
    assert result.same
    clean_html(result._repr_html_(), "rerun")


def test_the_question_card_is_toml_that_reads_back(tmp_path):
    card = hostile()[2]
    clean = ms.Card(
        question=TEXT, decision='"""\nx = 1\n[seal]\nsha256 = "0"', margin=ms.Margin(d_prime=0.5),
        protocols="triangle", stopping="'''\\", date="2025-01-01",
    )  # fmt: skip
    assert ms.Card.load(clean.save(tmp_path / "card.toml")) == clean
    assert not ms.Card.load(tmp_path / "card.toml").edited
    clean_html(card._repr_html_(), "card")


def test_serving_sheets_show_hostile_text_as_text(tmp_path):
    from metasense.planning.serving import serve

    plan = serve("triangle", 6, samples=("old", "new"), panel=NAMES[0], allergens=["milk", NAMES[2]], seed=1)
    folder = plan.save(tmp_path / "sheets")
    clean_html(plan._repr_html_(), "serving plan")
    bare(repr(plan), "serving plan")
    pages = [path for path in folder.rglob("*") if path.suffix == ".html"]
    assert pages
    for path in pages:
        clean_html(path.read_text(encoding="utf-8"), path.name)
    for path in folder.rglob("*.csv"):
        inert(path)


# --- what is said when something is wrong, and the command line -------------------------------------------------------


def panel(**cells):
    """Read a table of one panel with these cells."""
    return ms.read_panels([{"panel": "a", "protocol": "triangle", "tastings": 2, "correct": 1} | cells], name=TEXT)


WRONG = {
    "control characters in a panel's name": lambda: panel(panel=f"a{ESCAPES}"),
    "an unknown protocol": lambda: ms.protocol(TEXT),
    "a protocol in a table": lambda: panel(protocol=TEXT),
    "a count": lambda: panel(tastings=TEXT),
    "an impossible count": lambda: panel(panel=NAMES[0], correct=3),
    "a missing table": lambda: ms.read_panels(f"absent {MARKUP}\x1b[31m\u202e.csv"),
    "a missing pool": lambda: ms.load("absent\x1b[31m\u202e.nc"),
    "a margin": lambda: ms.Margin.parse(TEXT),
    "an unknown panel": lambda: hostile()[0][TEXT],
    "an unknown column": lambda: hostile()[0].only(**{TEXT: 1}),
    "an unknown value": lambda: hostile()[0].only(batch_pair=f"{TEXT}?"),
    "a panel left out": lambda: hostile()[0].without(TEXT),
    "a panel of the pool": lambda: hostile()[-1].panel(TEXT),
    "an unknown moderator": lambda: ms.pool(hostile()[0], moderators=TEXT),
    "a level": lambda: ms.pool(hostile()[0], within=TEXT),
    "a group": lambda: RESULTS()["nested"].on(f"{TEXT}?"),
    "a card": lambda: ms.Card(question=7, decision=TEXT, margin=TEXT, protocols=TEXT, date=TEXT),
    "a method": lambda: ms.pool(hostile()[0], method=TEXT),
}


@pytest.mark.parametrize("what", WRONG)
def test_error_messages_hold_no_control_characters(what):
    with pytest.raises((ValueError, KeyError, OSError)) as caught:
        WRONG[what]()
    bare(str(caught.value), what)


@pytest.mark.parametrize(
    "name",
    ["a\x1b[31mb.csv", "<img src=x onerror=alert(1)>.csv"]
    + [pytest.param(name, marks=pytest.mark.lab) for name in ("=1+1.csv", "\u202evsc.csv", "a\nb.csv")],
)
def test_a_hostile_file_name_is_shown_as_text(name, tmp_path, capsys):
    path = tmp_path / name
    try:
        path.write_text("panel,protocol,tastings,correct\nA,triangle,24,12\nB,triangle,30,11\n")
    except OSError:
        pytest.skip("this system does not allow such a name")
    page = tmp_path / f"{name}.html"
    for command in (
        ["check", str(path)],
        ["pool", str(path), "--report", str(page)],
        ["claim", "No difference.", str(path)],
    ):
        assert main(command) in (0, 1)
        out, err = capsys.readouterr()
        bare(out + err, (command[0], name))
    clean_html(page.read_text(encoding="utf-8"), name)
    path.write_text("panel,protocol\nA,triangle\n")
    for command in ("check", "pool", "rerun"):
        assert main([command, str(path)]) == 2
        out, err = capsys.readouterr()
        bare(out + err, (command, name))
    path.unlink()
    for command in ("check", "pool", "rerun"):
        assert main([command, str(path)]) == 2
        bare("".join(capsys.readouterr()), (command, name))


def test_hostile_arguments_of_the_commands_are_shown_as_text(tmp_path, capsys):
    cider = "datasets/cider_fining.csv"
    for command in (
        ["claim", TEXT.replace("\0", ""), cider],
        ["claim", "No difference.", cider, "--panel", TEXT],
        ["claim", "No difference.", cider, "--margin", TEXT],
        ["pool", cider, "--margin", TEXT],
        ["pool", cider, "--sheet", TEXT],
        ["plan", TEXT, "--d-prime", "1"],
    ):
        main(command)
        bare("".join(capsys.readouterr()), command[:1])
