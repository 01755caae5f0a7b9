"""The notebooks as people use them: run in JupyterLab, in this machine's own Chromium, with sliders moved by keyboard.

One server and one browser serve all of it, on the loopback address only and with settings of their own. Where there is
no Chromium it is skipped; none is ever downloaded. To look at what the browser showed, name a folder:

    METASENSE_SHOTS=shots python -m pytest tests/test_lab.py
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import nbformat
import pytest

from metasense.showing.words import banned

pytest.importorskip("jupyterlab")
playwright = pytest.importorskip("playwright.sync_api")

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
SHOTS = os.environ.get("METASENSE_SHOTS")
LONGEST = 60.0  # seconds a notebook may take from top to bottom on a machine with nothing else to do
pytestmark = [
    pytest.mark.lab,
    pytest.mark.timeout(300),
    pytest.mark.skipif(not CHROMIUM, reason="no Chromium on this machine"),
]

# What Lab knows of the notebook in front, asked of Lab itself; the page only shows it.
READY = """async () => {
  await jupyterapp.restored;
  const panel = jupyterapp.shell.currentWidget;
  await panel.context.ready; await panel.sessionContext.ready;
  await panel.sessionContext.session.kernel.info;
}"""
CONNECTED = "() => jupyterapp.shell.currentWidget.sessionContext.session?.kernel?.connectionStatus === 'connected'"
CELLS = """() => jupyterapp.shell.currentWidget.content.widgets.filter(cell => cell.model.type === 'code')
  .map(cell => ({count: cell.model.executionCount, outputs: cell.model.outputs.toJSON()}))"""
DONE = """() => jupyterapp.shell.currentWidget.sessionContext.session.kernel.status === 'idle' &&
  jupyterapp.shell.currentWidget.content.widgets.every(
    cell => cell.model.type !== 'code' || cell.model.executionState === 'idle' && cell.model.executionCount !== null)"""
PICTURES = """() => [...document.querySelectorAll('.jp-Notebook .jp-OutputArea img')]
  .map(e => ({done: e.complete, width: e.naturalWidth, height: e.naturalHeight, alt: e.alt}))"""
SEEN = """(handle) => {  // the words and pictures beside a slider
  const area = handle.closest('.jp-OutputArea');
  return area.innerText + [...area.querySelectorAll('img')].map(e => e.src).join();
}"""
WATCH = """() => {  // how tall the output is, at every frame that is drawn
  const area = document.querySelector('.jp-Notebook .jp-OutputArea');
  window.heights = [];
  const look = () => { window.heights.push(area.offsetHeight); requestAnimationFrame(look); };
  look();
}"""
WIDER = """() => [...document.querySelectorAll('.jp-Notebook .jp-OutputArea-output')]
  .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.innerText.slice(0, 60))"""
SAID = """() => [...document.querySelectorAll('.jp-Notebook .jp-CodeCell')].map(e => e.innerText)"""
CONTRAST = """() => {  // of our words against whatever lies behind them, as WCAG 2 counts it
  const linear = v => v / 255 <= .03928 ? v / 255 / 12.92 : ((v / 255 + .055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => .2126 * linear(r) + .7152 * linear(g) + .0722 * linear(b);
  const colour = text => text.match(/[\\d.]+/g).map(Number);
  const behind = e => {
    for (; e; e = e.parentElement) {
      const c = colour(getComputedStyle(e).backgroundColor);
      if (c.length < 4 || c[3] > 0) return c;
    }
    return [255, 255, 255];
  };
  return [...document.querySelectorAll('.metasense p, .metasense caption, .metasense th, .metasense td')].map(e => {
    const [a, b] = [colour(getComputedStyle(e).color), behind(e)].map(light).sort((x, y) => y - x);
    return (a + .05) / (b + .05);
  });
}"""


@dataclass
class Lab:
    """A running JupyterLab and a page of the browser on it."""

    address: str
    token: str
    root: Path
    page: Any = None
    page_errors: list[str] = field(default_factory=list)

    def ask(self, path: str, method: str = "GET") -> Any:
        """The server's answer."""
        headers = {"Authorization": f"token {self.token}"}
        request = urllib.request.Request(f"{self.address}/api/{path}", method=method, headers=headers)
        with urllib.request.urlopen(request, timeout=30) as answer:
            body = answer.read()
        return json.loads(body) if body else None

    def open(self, path: str) -> None:
        """Open a notebook alone, its kernel ready."""
        self.page.goto(f"{self.address}/lab/tree/{path}?token={self.token}&reset", wait_until="domcontentloaded")
        self.page.locator(".jp-Notebook .jp-CodeCell").first.wait_for()
        self.page.evaluate(READY)
        self.page.wait_for_function(CONNECTED)

    def new(self, name: str, *cells: str) -> None:
        """Open a notebook made of these cells."""
        self.put(name, *map(nbformat.v4.new_code_cell, cells))
        self.open(f"notebooks/{name}")

    def put(self, name: str, *cells: nbformat.NotebookNode) -> None:
        """Write a notebook of these cells where Lab finds it."""
        for number, cell in enumerate(cells):
            cell.id = f"cell-{number}"  # those of several notebooks would be the same
        notebook = nbformat.v4.new_notebook(cells=list(cells))
        notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
        nbformat.write(notebook, self.root / "notebooks" / name)

    def menu(self, *names: str) -> None:
        """Choose from the menus, as by mouse."""
        for name in names:
            self.page.get_by_role("menuitem", name=name, exact=True).click()

    def run_all(self, timeout: float = 150) -> float:
        """Run every cell; returns the seconds it took."""
        start = time.perf_counter()
        self.menu("Run", "Run All Cells")
        self.page.wait_for_function(DONE, timeout=1000 * timeout)
        return time.perf_counter() - start

    def stop_kernels(self) -> None:
        """One notebook at a time."""
        for session in self.ask("sessions"):
            with contextlib.suppress(urllib.error.HTTPError):
                self.ask(f"sessions/{session['id']}", "DELETE")

    def shoot(self, name: str) -> None:
        """A picture of the whole notebook, if pictures are wanted."""
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            tall = self.page.evaluate("() => document.querySelector('.jp-WindowedPanel-outer').scrollHeight")
            self.page.set_viewport_size({"width": 1200, "height": min(int(tall) + 150, 16_000)})
            self.page.evaluate("() => document.querySelector('.jp-WindowedPanel-outer').scrollTo(0, 0)")
            self.page.wait_for_timeout(500)
            tag = "".join(map(str, sys.version_info[:2]))
            self.page.screenshot(path=str(Path(SHOTS) / f"{name}_{tag}.png"))
            self.page.set_viewport_size({"width": 1200, "height": 900})

    def unwanted(self) -> list[str]:
        """Dialogs and toasts over the page, and errors within it."""
        found = [
            text for css in (".jp-Dialog", ".Toastify__toast") for text in self.page.locator(css).all_inner_texts()
        ]
        # On a busy machine two threads of a kernel can send at once; JupyterLab drops the garbled frame and says so.
        # What a notebook prints is checked cell by cell, so nothing of ours can hide behind that one message.
        return [*found, *(e for e in self.page_errors if "Kernel message validation error" not in e)]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """JupyterLab on copies of the notebooks and data, with nothing of this user's settings."""
    home = tmp_path_factory.mktemp("lab")
    for folder in ("notebooks", "datasets"):
        shutil.copytree(ROOT / folder, home / "root" / folder)
    for extension, settings in {
        "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
        "notebook-extension/tracker": {"windowingMode": "none"},  # all cells in the page, so that all can be looked at
    }.items():
        path = home / "settings" / "@jupyterlab" / f"{extension}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(settings))
    names = {"HOME": "home", "IPYTHONDIR": "ipython", "MPLCONFIGDIR": "mpl", "JUPYTER_CONFIG_DIR": "config"}
    names |= {"JUPYTER_DATA_DIR": "data", "JUPYTER_RUNTIME_DIR": "runtime", "JUPYTERLAB_SETTINGS_DIR": "settings"}
    env = os.environ | {key: str(home / name) for key, name in names.items()}
    env |= {"JUPYTERLAB_WORKSPACES_DIR": str(home / "workspaces"), "PYTHONPATH": str(ROOT)}
    env.pop("MPLBACKEND", None)
    (home / "home").mkdir()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    lab = Lab(f"http://127.0.0.1:{port}", secrets.token_hex(16), home / "root")
    options = ["--no-browser", "--allow-root", "--ServerApp.ip=127.0.0.1", f"--ServerApp.port={port}"]
    options += [
        f"--IdentityProvider.token={lab.token}",
        f"--ServerApp.root_dir={lab.root}",
        "--ServerApp.port_retries=0",
    ]
    options += ["--LabApp.expose_app_in_browser=True", "--LabApp.extension_manager=readonly"]
    with (home / "lab.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "jupyterlab", *options],
            env=env,
            cwd=lab.root,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        try:
            _wait_for(lab, process, home / "lab.log")
            yield lab
            with contextlib.suppress(OSError):
                lab.ask("shutdown", "POST")  # ends its kernels too
        finally:
            _end(process)


def _wait_for(lab: Lab, process: subprocess.Popen[bytes], log: Path, seconds: float = 90) -> None:
    for _ in range(int(seconds / 0.2)):
        with contextlib.suppress(OSError):
            lab.ask("status")
            return
        if process.poll() is not None:
            break
        time.sleep(0.2)
    pytest.fail(f"JupyterLab does not answer:\n{log.read_text(errors='replace')[-3000:]}")


def _end(process: subprocess.Popen[bytes]) -> None:
    """End the server and whatever it started: they are a process group of their own."""
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(10)
    for number in (signal.SIGTERM, signal.SIGKILL):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, number)
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5)


@pytest.fixture(scope="module")
def browser(server: Lab, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """Chromium, without the network."""
    switches = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-quic", "--no-first-run"]
    switches += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]
    with playwright.sync_playwright() as play:
        context = play.chromium.launch_persistent_context(
            str(tmp_path_factory.mktemp("chromium")),
            executable_path=CHROMIUM,
            headless=True,
            args=switches,
            viewport={"width": 1200, "height": 900},
        )
        server.page = context.pages[0] if context.pages else context.new_page()
        server.page.set_default_timeout(60_000)
        server.page.on("pageerror", lambda error: server.page_errors.append(str(error)))
        yield server
        context.close()


@pytest.fixture
def lab(browser: Lab) -> Iterator[Lab]:
    """Each test starts without kernels and without errors of the one before."""
    browser.page_errors.clear()
    yield browser
    browser.stop_kernels()


@pytest.mark.parametrize(
    "path",
    # all of them run in tests/test_notebooks.py; in the browser, one with a slider
    [path if path.name[:2] == "03" else pytest.param(path, marks=pytest.mark.slow) for path in NOTEBOOKS],
    ids=lambda path: path.stem,
)
def test_notebook_runs_in_jupyterlab(lab, path):
    lab.open(f"notebooks/{path.name}")
    seconds = lab.run_all()
    cells = lab.page.evaluate(CELLS)
    outputs = [output for cell in cells for output in cell["outputs"]]
    assert [cell["count"] for cell in cells] == list(range(1, len(cells) + 1))
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    print(f"{path.stem}: {seconds:.0f} s (of {LONGEST:.0f} s on a machine with nothing else to do)")
    assert seconds < 4 * LONGEST  # tests run side by side on machines of every speed; a hang is what this must catch

    lab.page.wait_for_function(f"() => ({PICTURES})().every(picture => picture.done)")
    pictures = lab.page.evaluate(PICTURES)
    assert pictures and all(picture["width"] > 100 and picture["height"] > 60 for picture in pictures)
    assert (
        lab.page.locator(".jp-OutputArea table td").count() > 3 or path.name[:2] == "08"
    )  # which has sentences and files

    sliders = lab.page.locator(".jp-OutputArea .noUi-handle")
    explored = "ms.explore(" in path.read_text(encoding="utf-8")
    assert (sliders.count() > 0) == explored
    for slider in sliders.all():
        _move(lab.page, slider)
    said = "\n".join(lab.page.locator(".jp-OutputArea").all_inner_texts())
    assert banned(re.sub(r"\s+", " ", said)) == []
    wrong = ".jp-OutputArea [data-mime-type='application/vnd.jupyter.stderr'], .jp-OutputArea [data-mime-type*='error']"
    assert lab.page.locator(wrong).all_inner_texts() == []  # those inside a slider's output too
    assert lab.unwanted() == []
    lab.shoot(path.stem)


def _move(page: Any, slider: Any) -> None:
    """Move a slider one step by keyboard and wait until what stands beside it has changed."""
    slider.scroll_into_view_if_needed()
    handle = slider.element_handle()
    before = handle.evaluate(SEEN)
    at_end = slider.get_attribute("aria-valuenow") == slider.get_attribute("aria-valuemax")
    slider.focus()
    slider.press("ArrowLeft" if at_end else "ArrowRight")
    page.wait_for_function(f"([handle, before]) => ({SEEN})(handle) !== before", arg=[handle, before], timeout=30_000)
    page.wait_for_function(DONE)


def test_answers_can_be_read_in_a_light_and_in_a_dark_theme(lab):
    panels = "ms.read_panels('../datasets/cider_fining.csv')"
    lab.new(
        "themes.ipynb", f"import metasense as ms\npanels = {panels}\nms.pool(panels)", "panels", "ms.explore(panels)"
    )
    lab.run_all()
    for theme in ("JupyterLab Light", "JupyterLab Dark"):
        lab.page.evaluate("theme => jupyterapp.commands.execute('apputils:change-theme', {theme})", theme)
        lab.page.wait_for_function(f"() => document.body.dataset.jpThemeName === '{theme}'")
        lab.page.wait_for_timeout(300)
        ratios = lab.page.evaluate(CONTRAST)
        lab.shoot(theme.replace(" ", "_"))
        assert len(ratios) > 50
        assert min(ratios) >= 4.5  # WCAG 2.2, 1.4.3
        shades = [_brightness(image) for image in lab.page.locator("img.metasense").all()]
        assert len(shades) >= 2
        assert min(shades) > 200 if theme.endswith("Light") else max(shades) < 80
    lab.page.evaluate("() => jupyterapp.commands.execute('apputils:change-theme', {theme: 'JupyterLab Light'})")


def _brightness(image: Any) -> float:
    """Of a picture as it is seen, from 0 to 255."""
    from matplotlib.image import imread

    return 255 * float(imread(io.BytesIO(image.screenshot()))[..., :3].mean())


def test_a_reopened_notebook_shows_the_last_answer_and_no_step_changes_its_height(lab):
    lab.new("kept.ipynb", "import metasense as ms\nms.explore()")
    lab.run_all()
    answer = lab.page.locator(".jp-OutputArea-output").last
    lab.page.evaluate(WATCH)
    correct = lab.page.locator(".jp-OutputArea .noUi-handle").nth(1)
    for _ in range(3):
        _move(lab.page, correct)
    playwright.expect(answer).to_contain_text("13 of 24 answers correct", timeout=30_000)
    heights = lab.page.evaluate("() => window.heights")
    assert len(heights) > 3 and min(heights) > 0.9 * max(heights)
    lab.shoot("kept")
    lab.page.evaluate("() => jupyterapp.commands.execute('docmanager:save')")
    lab.page.wait_for_function("() => !jupyterapp.shell.currentWidget.context.model.dirty")
    lab.stop_kernels()
    lab.open("notebooks/kept.ipynb")
    playwright.expect(answer).to_contain_text("13 of 24 answers correct", timeout=30_000)
    assert answer.locator("img.metasense").count() == 2
    said = lab.page.locator(".jp-OutputArea").first.inner_text()
    lab.shoot("kept_reopened")
    assert "Traceback" not in said and "VBox(" not in said
    assert lab.page.locator(".jp-OutputArea [data-mime-type*='error']").count() == 0


def test_no_stored_output_is_wider_than_its_place(lab):
    """All of them in one notebook, which Lab opens far quicker than ten."""
    stored = [(path.stem, cell) for path in NOTEBOOKS for cell in nbformat.read(path, as_version=4).cells]
    stored = [(name, cell) for name, cell in stored if cell.cell_type == "code"]
    lab.put("stored.ipynb", *(cell for _, cell in stored))
    lab.open("notebooks/stored.ipynb")
    lab.page.wait_for_function(f"() => ({PICTURES})().every(picture => picture.done)")
    lab.shoot("stored")
    said = lab.page.evaluate(SAID)
    assert len(said) == len(stored)
    explored = {name for (name, _), text in zip(stored, said, strict=True) if "Run this cell to move" in text}
    assert explored == {path.stem for path in NOTEBOOKS if path.name[:2] not in ("08", "09", "10")}
    assert lab.page.evaluate(WIDER) == []


def _type(lab: Lab, cell: int, text: str) -> None:
    lab.page.locator(".jp-Notebook .jp-CodeCell .cm-content").nth(cell).click()
    lab.page.keyboard.press("ControlOrMeta+End")
    lab.page.keyboard.type(text)


def test_tab_offers_what_users_need_and_shift_tab_explains_it(lab):
    lab.new("tab.ipynb", "import metasense as ms\npooled = ms.pool('../datasets/cider_fining.csv')", "pass", "pass")
    lab.run_all()
    for cell, text, wanted in (
        (1, "\nms.", {"pool", "read_panels", "one_panel", "Margin", "explore", "plan_next", "load"}),
        (2, "\npooled.", {"verdict", "statement", "plot", "report", "save", "to_frame", "panels_frame", "sensitivity"}),
    ):
        _type(lab, cell, text)
        items = lab.page.locator(".jp-Completer:visible .jp-Completer-match")
        for _ in range(20):  # Lab drops an offer that takes the kernel longer than a second
            lab.page.keyboard.press("Tab")
            with contextlib.suppress(playwright.TimeoutError):
                items.first.wait_for(timeout=3000)
                break
        lab.shoot(f"tab_{cell}")
        offered = set(items.all_inner_texts())
        assert {name.rpartition(".")[2] for name in offered} >= wanted
        assert not [name for name in offered if name.startswith("_")]
        lab.page.keyboard.press("Escape")
    _type(lab, 1, "pool(")
    lab.page.keyboard.press("Shift+Tab")
    shown = lab.page.locator(".jp-Tooltip")
    shown.wait_for()
    lab.shoot("shift_tab")
    assert "Pool the panels of one comparison." in shown.inner_text()
    lab.page.keyboard.press("Escape")


@pytest.mark.slow  # a minute, most of it compiling; tests/engine/test_sampler.py interrupts every chain without a browser
def test_sampling_shows_its_progress_and_can_be_interrupted(lab):
    table = "{'panel': ['A', 'B', 'C'], 'protocol': 'triangle', 'tastings': 30, 'correct': [12, 11, 15]}"
    sampling = f"panels = {table}\nsampled = ms.pool(panels, method='mcmc', draws=500_000, progress=True)"
    lab.new("sampling.ipynb", f"import metasense as ms\n{sampling}", "print('still', 'here')")
    lab.page.locator(".jp-Notebook .jp-CodeCell .cm-content").first.click()
    lab.page.keyboard.press("Shift+Enter")
    bar = lab.page.locator(".jp-OutputArea-output", has_text="Progress").first
    bar.wait_for(timeout=90_000)
    moved = "() => /[1-9]\\d*\\s+[\\d.]+ draws/.test(document.querySelector('.jp-OutputArea-output').innerText)"
    lab.page.wait_for_function(moved, timeout=120_000)  # after compiling
    lab.shoot("sampling")
    for key in ("Escape", "i", "i"):  # as Lab's Kernel menu says
        lab.page.keyboard.press(key)
    finished = "() => jupyterapp.shell.currentWidget.content.widgets[0].model.executionCount === 1"
    lab.page.wait_for_function(finished)
    lab.shoot("interrupted")
    outputs = lab.page.evaluate(CELLS)[0]["outputs"]
    (error,) = [output for output in outputs if output["output_type"] == "error"]
    assert (error["ename"], error["evalue"]) == ("KeyboardInterrupt", "Sampling was interrupted; nothing was kept.")
    traceback = "\n".join(error["traceback"])
    assert "site-packages" not in traceback and traceback.count("\n") < 50
    assert not [output for output in outputs if output.get("name") == "stderr"]
    lab.page.locator(".jp-Notebook .jp-CodeCell .cm-content").nth(1).click()
    lab.page.keyboard.press("Shift+Enter")
    lab.page.locator(".jp-OutputArea-output", has_text="still here").wait_for()
