"""The page: what stands on it in which order, that nothing on it runs or is fetched, and that it is written whole."""

import base64
import hashlib
import itertools
import os
import re
import stat
import sys
from concurrent.futures import ThreadPoolExecutor
from html.parser import HTMLParser

import matplotlib as mpl
import pandas as pd
import pytest
from matplotlib.figure import Figure

import metasense as ms
from metasense.showing import figures, words
from metasense.showing.files import PAGE_MARK
from metasense.showing.movable import Movable, Strip
from metasense.showing.pages import CAUTIONS, Page, Picture, Section, picture, write_report
from metasense.showing.tables import table

HOSTILE = "</title></style><script>alert('x')</script>\"><img src=x onerror=alert(1)> {{ 7*7 }} $x$ \x1b[31m"
VOID = {"meta", "img", "input"}


class Read(HTMLParser):
    """Tags in order with their attributes, text by tag, and that every tag is closed in turn."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.text = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if data.strip():
            self.text.append((self.open[-1] if self.open else "", data.replace("\u00a0", " ").strip()))

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]

    def said(self, tag):
        return [text for name, text in self.text if name == tag]


def full(text="plain"):
    frame = pd.DataFrame(
        {
            "panel": [text],
            "tastings": 24,
            "correct": 8,
            "pooled": 0.4,
            "pooled_lower": 0.1,
            "pooled_upper": 0.9,
            text: text,
        }
    )
    ax = figures.forest(frame, average=(0.1, 0.4, 0.9), margin=0.5, ax=Figure())
    drawn = picture(ax, alt=figures.alt_forest(frame, average=(0.1, 0.4, 0.9)), caption=text)
    shown = table(frame, caption=text, note=text)
    return Page(
        title=text,
        answer=text,
        paragraphs=(text, "41 % correct"),
        notes=(text,),
        sentences=words.verdict_sentences(text),
        verdict="not settled",
        figure=drawn,
        tables=(shown,),
        sections=(Section(text, (text, shown, drawn)),),
        also=(Section("besides" if text == "plain" else text, (text, shown)),),
        question=text,
        next_step=text,
        movable=Movable("triangle", 100 / 3, (Strip(text, (34.0, 41.0, 52.0), (0.5,) * 66),), (0.1,) * 66, 47.0, 0.95),
        changes=(text,),
        checks=(text,),
        methods=(text,),
        provenance={text: text, "seed": 1},
        glossary={text: text},
    )


def test_the_page_answers_first_and_explains_last():
    headings = [text for text in Read(full().to_html()).said("h2")]
    assert headings == [
        "The answer",
        "Before you rely on it",
        "Panel by panel",
        "besides",
        "The whole answer in words",
        "What could have been said",
        "plain",
        "What would change it",
        "Fit and numerical checks",
        "How it was worked out",
        "Take care: allergens, alcohol, additives, hot liquids, gas",
        "Data, versions and seed",
        "Words explained",
    ]


def test_headings_do_not_skip_a_level_and_sections_are_named():
    read = Read(full().to_html())
    levels = [int(tag[1]) for tag, _ in read.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    ids = [attrs["id"] for _, attrs in read.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    assert all(section["aria-labelledby"] in ids for section in read.all("section"))


def test_the_page_can_be_read_without_sight_or_mouse():
    read = Read(full().to_html())
    assert read.all("html")[0]["lang"] == "en"
    assert all(len(image["alt"]) > 20 for image in read.all("img"))
    skip = read.all("a")[0]
    assert skip["href"].removeprefix("#") in [attrs.get("id") for _, attrs in read.tags]
    regions = [attrs for attrs in read.all("div") if "wide" in attrs.get("class", "")]
    assert len(regions) == 3 + len(read.all("img"))
    assert all(region["tabindex"] == "0" and region["aria-label"] for region in regions)
    assert all(cell["scope"] in ("row", "col") for cell in read.all("th"))


def test_the_page_suits_phone_paper_and_dark():
    text = full().to_html()
    assert 'name="viewport" content="width=device-width' in text
    assert "@media print" in text
    assert "prefers-color-scheme: dark" in text
    assert "@media print" in text
    assert ":root { color-scheme: light }" in text.partition("@media print")[2]  # on paper figures are light


def test_nothing_on_the_page_is_fetched_and_only_our_own_script_runs():
    text = full(HOSTILE).to_html()
    read = Read(text)
    policy = next(meta["content"] for meta in read.all("meta") if meta.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'unsafe-inline'")
    assert {tag for tag, _ in read.tags}.isdisjoint({"link", "iframe", "object", "embed", "form", "base"})
    data, script = read.all("script")
    assert data == {"type": "application/json", "id": "movable-known"}  # looked up, never run
    assert script == {}
    runs = text.rpartition("<script>")[2].partition("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(runs.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy  # the browser runs this text and no other
    assert "fetch" not in runs
    assert "innerHTML" not in runs
    for _, attrs in read.tags:
        assert not any(name.startswith("on") for name in attrs)
        for name in ("src", "srcset", "href"):
            assert attrs.get(name, "#").startswith(("data:image/", "#"))
    assert "http://" not in text
    assert "https://" not in text
    assert "url(" not in text
    assert "@import" not in text


def test_hostile_text_is_shown_as_text_wherever_it_is_put():
    plain, hostile = Read(full().to_html()), Read(full(HOSTILE).to_html())
    assert [tag for tag, _ in hostile.tags] == [tag for tag, _ in plain.tags]
    seen = " ".join(text for _, text in hostile.text)
    assert "<script>alert('x')</script>" in seen
    assert "{{ 7*7 }}" in seen
    assert "\x1b" not in full(HOSTILE).to_html()


def test_empty_parts_are_left_out():
    read = Read(Page(title="t", answer="a", cautions=(), glossary={}).to_html())
    assert read.said("h2") == ["The answer"]
    assert read.said("h1") == ["t"]
    assert not read.all("img")
    assert not read.all("script")


def test_the_sentence_that_holds_is_marked_once():
    text = full().to_html()
    assert text.count("This one holds.") == 1
    marked = next(t for t in re.findall(r"<li class=\"holds\">(.*?)</li>", text))
    assert marked.startswith("Not settled")


def test_the_page_keeps_our_own_vocabulary_and_shows_the_cautions():
    read = Read(full().to_html())
    for _, text in read.text:
        assert words.banned(text) == []
    items = read.said("li")
    assert all(caution in items for caution in CAUTIONS)
    joined = " ".join(CAUTIONS).lower()
    for risk in ("alcohol", "allergens", "additives", "hot liquids", "gas", "local codes", "licensed practice"):
        assert risk in joined


def test_a_percentage_is_not_broken_over_lines():
    assert "41\u00a0% correct" in full().to_html()


def test_the_same_page_is_the_same_text():
    assert full().to_html() == full().to_html()


@pytest.mark.parametrize(
    "uri", ["https://example.org/x.png", "javascript:alert(1)", "data:text/html;base64,AAAA", 'data:image/png;base64,"']
)
def test_only_embedded_pictures_are_taken(uri):
    with pytest.raises(ValueError, match="embedded SVG or PNG"):
        Picture(uri, "alt")


def test_a_page_is_written_whole(tmp_path):
    where = write_report(full(), tmp_path / "page.html")
    assert where.read_text("utf-8") == full().to_html()
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_a_page_takes_the_place_of_its_own_earlier_one_and_of_nothing_else(tmp_path):
    target = tmp_path / "page.html"
    write_report(full(), target)
    write_report(full("newer"), target)
    assert "newer" in target.read_text("utf-8")
    mine = "<!doctype html><title>My page about metasense</title>"
    target.write_text(mine)
    with pytest.raises(FileExistsError, match=r"page\.html.*is not a page that metasense wrote"):
        write_report(full(), target)
    assert target.read_text() == mine
    target.write_text("")  # nothing is lost with it
    write_report(full(), target)


def test_no_text_of_a_user_passes_for_the_mark_of_our_pages():
    page = Page(title=PAGE_MARK, answer=PAGE_MARK).to_html()
    assert page.count(PAGE_MARK) == 1


def test_a_crash_leaves_the_old_page_whole(tmp_path, monkeypatch):
    target = tmp_path / "page.html"
    write_report(full("old"), target)
    old = target.read_text("utf-8")
    monkeypatch.setattr("os.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_report(full(), target)
    assert target.read_text("utf-8") == old
    assert list(tmp_path.iterdir()) == [target]


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"there is no folder .*Make it first"):
        write_report(full(), tmp_path / "absent" / "page.html")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
@pytest.mark.parametrize("where", ["pipe.html", "link.html"])
def test_a_report_never_takes_the_place_of_a_pipe_or_what_leads_to_one(where, tmp_path):
    os.mkfifo(tmp_path / "pipe.html")
    (tmp_path / "link.html").symlink_to(tmp_path / "pipe.html")  # never a real device: a fault would replace it
    result = ms.pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": 24, "correct": [12, 9]})
    with pytest.raises(FileExistsError, match=where.replace(".", r"\.")):
        result.report(tmp_path / where)
    assert stat.S_ISFIFO(os.stat(tmp_path / "pipe.html").st_mode)
    assert (tmp_path / "link.html").is_symlink()


def test_reports_written_in_eight_threads_leave_no_setting_changed(tmp_path):
    def write(i):
        shown = picture(figures.bars(["a", "b"], [0.3, 0.7], ax=Figure()), alt="bars")
        write_report(Page(title="t", answer="a", sections=(Section("s", (shown,)),)), tmp_path / f"page{i}.html")

    write(0)
    before = dict(mpl.rcParams)
    switch = sys.getswitchinterval()
    sys.setswitchinterval(1e-4)  # threads take turns as often as can be
    try:
        with ThreadPoolExecutor(8) as threads:
            list(threads.map(write, range(1, 9)))
    finally:
        sys.setswitchinterval(switch)
    changed = {name for name, value in mpl.rcParams.items() if before[name] != value}
    mpl.rcParams.update({name: before[name] for name in changed})
    assert changed == set()
