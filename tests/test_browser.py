"""The page in this machine's own Chromium: the margin by keyboard, a phone, paper, and without scripts."""

import re
import shutil
from itertools import pairwise

import pytest

import metasense as ms

playwright = pytest.importorskip("playwright.sync_api")
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
PHONE = {"width": 390, "height": 844}
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [pytest.mark.lab, pytest.mark.skipif(not CHROMIUM, reason="no Chromium on this machine")]


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as playing:
        started = playing.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def pooled():
    return ms.pool("datasets/cider_fining.csv", margin=ms.Margin(p_d=0.2, protocol="triangle"))


@pytest.fixture(scope="module")
def address(pooled, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "cider.html"
    return pooled.report(path, title="Does fining change it?").as_uri()


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    folder = tmp_path_factory.mktemp("served") / "sheets"
    asked = {"preference": True, "certainty": True, "placebo": True}
    plan = ms.serve(
        "triangle", 6, samples=("old", "new"), allergens=["sulphites"], hazards=["alcohol"], seed=1, **asked
    )
    plan.save(folder)
    return sorted(folder.rglob("*.html"))


def opened(browser, address, **how):
    page = browser.new_page(**how)
    page.wrong = []
    page.on("console", lambda message: page.wrong.append(message.text))
    page.on("pageerror", lambda error: page.wrong.append(str(error)))
    page.on(
        "request", lambda asked: page.wrong.append(asked.url) if not asked.url.startswith(("file:", "data:")) else 0
    )
    page.goto(address)
    return page


def test_the_margin_moves_by_keyboard_and_the_words_follow(browser, address):
    page = opened(browser, address)
    control = page.get_by_role("slider", name="Margin: correct answers out of 100 in a triangle test")
    assert control.input_value() == "47"
    over = page.locator(".mark.larger").count()
    assert page.locator(".sides .larger").inner_text() == f"▲ {over} of 100: larger than the margin"
    control.focus()
    for _ in range(5):
        page.keyboard.press("ArrowLeft")
    moved = page.locator(".mark.larger").count()
    assert moved > over
    assert page.locator(".sides .larger").inner_text() == f"▲ {moved} of 100: larger than the margin"
    assert page.locator(".margin span").inner_text() == "margin 42"
    assert page.locator("output").inner_text().startswith("If 42 of 100 correct were the margin (d-prime 1.0")
    assert "42 of 100 correct. not settled" in control.get_attribute("aria-valuetext")
    page.keyboard.press("End")
    assert "within this margin" in page.locator("output").inner_text()
    assert page.wrong == []


def test_without_scripts_the_page_reads_as_it_was_written(browser, address):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    assert not page.locator(".control").is_visible()
    assert page.locator(".margin span").inner_text() == "margin 47"
    assert page.locator(".mark").count() == 100
    page.locator("summary", has_text="How it was worked out").click()  # folds open without one
    assert page.get_by_text("To repeat it:").is_visible()
    context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_shows_the_answer_first_and_nothing_sticks_out(browser, address, scheme):
    page = opened(browser, address, viewport=PHONE, color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    assert page.locator(".movable svg").bounding_box()["y"] < 844
    sizes = page.evaluate(
        "[...document.querySelectorAll('.movable *')].filter(e => e.childNodes[0]?.nodeType === 3 &&"
        " e.textContent.trim() && e.checkVisibility()).map(e => parseFloat(getComputedStyle(e).fontSize))"
    )
    assert min(sizes) >= 11
    assert page.wrong == []


def test_the_first_screen_holds_title_answer_and_dots(browser, address):
    page = opened(browser, address, viewport={"width": 1200, "height": 800})
    assert page.get_by_role("heading", level=1).inner_text() == "Does fining change it?"
    assert page.title() == "Does fining change it?"
    box = page.locator(".movable .field").first.bounding_box()
    assert box["y"] + box["height"] < 800


def test_on_paper_every_fold_is_open_and_four_pages_hold_the_cider_pool(browser, address):
    page = opened(browser, address)
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 4


def seriously_wrong(page):
    """What axe-core calls a serious or critical hindrance, with everything unfolded."""
    page.evaluate("document.querySelectorAll('details').forEach(fold => fold.open = true)")
    found = axe.Axe().run(page, options={"resultTypes": ["violations"]}).response
    assert found["testEngine"]["name"] == "axe-core"
    bad = [rule for rule in found["violations"] if rule["impact"] in ("serious", "critical")]
    return [(rule["id"], [node["target"] for node in rule["nodes"]]) for rule in bad]


@pytest.mark.parametrize("how", [{"color_scheme": "dark"}, {"viewport": PHONE}], ids=str)
def test_nothing_on_the_page_hinders_those_who_cannot_see_it(browser, address, how):
    assert seriously_wrong(opened(browser, address, **how)) == []


def test_nothing_on_a_page_whose_margin_was_moved_hinders_those_who_cannot_see_it(browser, address):
    page = opened(browser, address, color_scheme="light")
    page.get_by_role("slider").focus()
    page.keyboard.press("Home")
    assert seriously_wrong(page) == []


def test_what_hinders_is_noticed(browser):
    page = browser.new_page()
    page.set_content("<title>t</title><main><img src='x.png'><p style='color: #eee; background: #fff'>pale</p></main>")
    assert {rule for rule, _ in seriously_wrong(page)} >= {"html-has-lang", "image-alt", "color-contrast"}


def test_nothing_on_the_serving_sheets_hinders_those_who_cannot_see_it(browser, sheets):
    assert len(sheets) > 5
    for sheet in sheets:
        page = opened(browser, sheet.as_uri())
        assert seriously_wrong(page) == [], sheet.name
        page.close()


@pytest.fixture(scope="module")
def cells(pooled):
    stored = ms.pool("datasets/coffee_bags.csv", margin=pooled.margin, moderators="weeks_stored")
    results = (pooled, stored, pooled.preference(), pooled.panels, ms.one_panel("triangle", 30, 14))
    return {type(result).__name__: result._repr_html_() for result in results}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_nothing_in_a_cell_hinders_those_who_cannot_see_it(browser, cells, scheme):
    assert len(cells) == 5
    for name, cell in cells.items():
        page = browser.new_page(color_scheme=scheme)
        page.set_content(f"<html lang='en'><title>cell</title><main><h1>cell</h1>{cell}</main></html>")
        assert seriously_wrong(page) == [], name
        page.close()


def test_on_a_phone_no_caption_is_cut_and_figures_keep_their_lettering(browser, address):
    page = opened(browser, address, viewport=PHONE)
    page.evaluate("document.querySelectorAll('details').forEach(fold => fold.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    captions = page.evaluate("[...document.querySelectorAll('caption')].map(c => c.getBoundingClientRect().right)")
    assert len(captions) >= 3 and max(captions) <= 390
    drawn = page.evaluate("[...document.querySelectorAll('figure img')].map(i => [i.width, i.naturalWidth])")
    assert drawn and all(shown == natural for shown, natural in drawn)
    for scale in (".axis span:not(.second)", ".axis b, .axis .second"):
        words = [box for box in page.locator(f".movable {scale}").all() if box.is_visible()]
        assert len(words) >= 4
        edges = [(box.bounding_box()["x"], box.bounding_box()["width"]) for box in words]
        assert all(x + width <= after for (x, width), (after, _) in pairwise(edges))


def test_marks_stand_clear_of_each_other(browser, address):
    page = opened(browser, address)
    for key in ("", "Home", "End"):
        if key:
            page.get_by_role("slider").press(key)
        moved = page.evaluate("[...document.querySelectorAll('.mark')].map(m => m.getAttribute('transform'))")
        places = sorted({float(re.search(r"\((-?[\d.]+)", text)[1]) for text in moved})
        assert len(moved) == len(set(moved)) == 100
        assert min(b - a for a, b in pairwise(places)) > 0.99
