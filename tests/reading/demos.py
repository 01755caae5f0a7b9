"""Everything the demos print, where it is printed: results at every length, pages, sheets, commands, notebooks.

    python tests/reading/demos.py sentences.txt

writes it into one file to be read whole, as a sceptical practitioner would, and lists what `faults` finds on the way.
"""

from __future__ import annotations

import contextlib
import html
import io
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import metasense as ms
from metasense.cli import main
from metasense.showing import words
from metasense.showing.results import Answered, Statement

ROOT = Path(__file__).parents[2]
DATA = ROOT / "datasets"
MARGINS = {
    "cider_fining": ms.Margin(p_d=0.2, protocol="triangle"),
    "bakery_salt": ms.Margin(p_d=0.25, protocol="triangle"),
    "coffee_bags": ms.Margin(d_prime=1.0),
}
MODERATORS = {"cider_fining": "weeks_bottled", "bakery_salt": "salt_cut_pct", "coffee_bags": "weeks_stored"}
PLAIN = ", in plain words"
RAW = ("rerun", "protocols compared")  # frames, and stored numbers compared digit by digit
SLIPS = {  # what no sentence of ours should hold, whatever it says
    "a number that is none": r"\b(?:nan|NaN|inf|None(?! of)|True|False|NaT|<NA>)\b",
    "raw digits": r"\d\.\d{6,}|\d[eE][+-]\d",
    "a plural of one": r"(?<![\d.,])1 (?:panels|tasters|tastings|people|cups|answers|plans|looks|persons|groups)\b",
    "a number rounded to nothing": r"(?<![\d.,:])-?0\.0+(?![\d.])",
    "a share without its space": r"\d%(?!\s*triangle)",
    "a minus of another kind": r"[−–](?=\d)",
    "a doubled word": r"(?i)\b(?!that\b|had\b)([a-z]{2,}) \1\b",
    "doubled or stray punctuation": r"(?<!\.)\.\.(?!\.)|,,|;;| [,;](?= )|\( | \)|\.;|;\.|,\.",
    "a placeholder": r"\{[a-z_.]+\}|\bT[O]DO\b|\bFIX[M]E\b|<[a-z_]+ object at",
}


TERMS = (  # of the trade and of statistics, which no plain answer holds
    "d-prime", "p_d", "p_c", "equal-tailed", "credible", "posterior", "prior", "interval", "median", "SD", "p-value",
    "likelihood", "binomial", "Bayes", "confidence", "parameter", "moderator", "log", "alpha", "beta", "significant",
)  # fmt: skip


def grade(text: str) -> float:
    """The grade of the American school at which a text can be read.

    0.39 words a sentence + 11.8 syllables a word - 15.59: Kincaid JP, Fishburne RP, Rogers RL, Chissom BS (1975),
    Research Branch Report 8-75, Naval Technical Training Command (formula from memory). A number is counted as a word of one
    syllable, as programs that measure it do (common practice, no source).
    """
    sentences = [part for part in re.split(r"[.?!](?:\s|$)", text) if re.search(r"\w", part)]
    found = re.findall(r"[A-Za-z'-]+|\d[\d.,]*", text)
    return 0.39 * len(found) / len(sentences) + 11.8 * sum(map(syllables, found)) / len(found) - 15.59


def syllables(word: str) -> int:
    """Groups of vowels, without an e that ends the word silently; at least one."""
    if word[0].isdigit():
        return 1
    small = word.casefold()
    groups = len(re.findall(r"i(?=a)|[aeiouy]+", small))
    silent = re.search(r"[^aeiouyl]e$|[^aeiouydtl]ed$|ll(?:e|ed)$", small)
    return max(1, groups - bool(silent))


def faults(text: str, *, raw: bool = False) -> list[str]:
    """What is wrong with a printed text, as far as a machine can tell; `raw` where frames are shown as they are."""
    flat = re.sub(r"\s+", " ", re.sub(r"\n| {2,}", " | ", text))  # lines and columns of tables kept apart
    slips = [] if raw else [(what, m[0]) for what, pattern in SLIPS.items() for m in re.finditer(pattern, flat)]
    said = words.banned(re.sub(r"\s+", " ", text))
    return [*(f"{what}: {found!r}" for what, found in slips), *(f"not our words: {phrase}" for phrase in said)]


def plain(page: str) -> str:
    """The words of a page, its alternative texts among them."""
    page = re.sub(r"<(style|script|head)\b.*?</\1>", " ", page, flags=re.S)
    page = re.sub(r'<img[^>]*\balt="([^"]*)"[^>]*>', r"[figure: \1]", page)
    page = re.sub(r"</t[dh]>", " | ", page)
    page = re.sub(r"</(?:p|li|h\d|tr|caption|div|dt|dd|section)>", "\n", page)
    page = html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\u00a0", " ")
    return "\n".join(line for line in (" ".join(row.split()) for row in page.splitlines()) if line)


def at_all_lengths(name: str, result: object) -> Iterator[tuple[str, str]]:
    """What a result shows, then its statements."""
    yield name, str(result)
    if isinstance(result, Answered):
        yield f"{name}{PLAIN}", result.plain_answer()
        yield f"{name}, its details", str(result.details())
    if isinstance(result, Statement):
        for length in ("line", "methods", "paragraph"):
            yield f"{name}, as {length}", result.statement(length=length)


def tried(name: str, make: Callable[[], object]) -> Iterator[tuple[str, str]]:
    """The same, or why it is refused."""
    try:
        yield from at_all_lengths(name, make())
    except ValueError as refused:
        yield f"{name}, refused", str(refused)


@cache
def panels_of(name: str) -> ms.Panels:
    """The panels of one data set, read once for all."""
    return ms.read_panels(DATA / f"{name}.csv")


@cache
def tastings_of(name: str) -> ms.Tastings:
    """The single answers that go with it."""
    return ms.read_tastings(DATA / f"{name.split('_')[0]}_tastings.csv")


@cache
def pool_of(name: str, kind: str = "plain") -> Any:
    """One data set pooled in one of the `KINDS`, once for all, so that what is costly is worked out once."""
    return ms.pool(panels_of(name), **KINDS[kind](name))


KINDS: dict[str, Callable[[str], dict[str, Any]]] = {
    "plain": lambda name: {"margin": MARGINS[name]},
    "without a margin": lambda name: {},
    "moderated": lambda name: {"margin": MARGINS[name], "moderators": MODERATORS[name]},
    "nested": lambda name: {"margin": MARGINS[name], "within": "batch_pair"},
    "with tastings": lambda name: {"margin": MARGINS[name], "tastings": tastings_of(name)},
}


def results(name: str, *, page: bool = True) -> Iterator[tuple[str, str]]:
    """All that one data set's results say; without its page if only its sentences are wanted."""
    margin, panels = MARGINS[name], panels_of(name)
    pooled = pool_of(name)
    yield from at_all_lengths("panels", panels)
    yield from at_all_lengths("margin", margin)
    for panel in panels:
        yield from at_all_lengths(f"panel {panel.panel}", ms.one_panel(panel, margin=margin))
    yield from at_all_lengths("pool", pooled)
    if name == "coffee_bags":
        yield from at_all_lengths("pool without a margin", pool_of(name, "without a margin"))
    for part in (
        "verdict",
        "explanations",
        "sensitivity",
        "path",
        "disagreement",
        "drawer",
        "leak",
        "operating",
        "fit",
        "leave_one_out",
    ):
        yield from at_all_lengths(part, getattr(pooled, part)())
    for test in pooled.protocols:
        yield from at_all_lengths(f"rate in {test.name}", pooled.rate(test))
        yield from at_all_lengths(f"next panel, {test.name}", pooled.next_panel(test, 30))
    yield from at_all_lengths("with a moderator", pool_of(name, "moderated"))
    yield from tried("within batch pairs", lambda: pool_of(name, "nested"))
    yield from at_all_lengths("plans for the next panel", ms.plan_next(pooled, draws=200))
    yield from tried("preference", lambda: ms.preference(panels))
    single = tastings_of(name)
    yield from at_all_lengths("tastings", single)
    people = pool_of(name, "with tastings")
    yield from tried("tasters", people.tasters)
    yield from tried("habits", people.habits)
    yield from tried("the wrong way", lambda: people.tasters().as_if_independent())
    yield from tried("serving effects", lambda: ms.serving_effects(single))
    with tempfile.TemporaryDirectory() as folder:
        if page:
            written = pooled.report(Path(folder) / "page.html").read_text(encoding="utf-8")
            yield "the page", plain(written)
        if name == "coffee_bags":
            pooled.save(Path(folder) / "pool.nc")
            yield from at_all_lengths("rerun", ms.rerun(Path(folder) / "pool.nc"))
    for claim in (
        pooled.statement(),
        "There was no difference. 40 % of people can taste it (3 of 9 panels were significant, p = 0.04).",
    ):
        yield from at_all_lengths("claim", ms.check_claim(claim, pooled))


def shelf() -> Iterator[tuple[str, str]]:
    """What many variables say, each on its own and as one."""
    found = ms.pool_each(DATA / "ice_cream_shelf.csv", by="ingredient", margin="0.2 triangle")
    yield from at_all_lengths("each", found)
    yield from at_all_lengths("without a margin", ms.pool_each(found.panels, by="ingredient"))
    yield from at_all_lengths("together", found.together())
    learned = ms.Priors.learned(found)
    new = {"panel": ["May", "June"], "protocol": "triangle", "tastings": 22, "correct": [11, 7]}
    yield from at_all_lengths("with what was learned", ms.pool(new, margin="0.2 triangle", priors=learned))


def plans() -> Iterator[tuple[str, str]]:
    """What planning says, apart from any data."""
    margin = MARGINS["cider_fining"]
    for name, result in {
        "tasters needed": ms.tasters_needed("triangle", p_d=0.3),
        "tasters needed for similarity": ms.tasters_needed("tetrad", d_prime=1.0, purpose="similarity"),
        "verdict chances": ms.verdict_chances("triangle", [24, 48, 96], margin=margin, d_prime=0.5),
        "two stages": ms.two_stage_plan("triangle", p_d=0.4),
        "sequential": ms.sequential_plan("duo-trio", p_d=0.4),
        "cost of looks": ms.cost_of_looks("triangle", [12, 18, 24]),
        "protocols compared": ms.compare_protocols(d_prime=1.0),
        "serving": ms.serve("triangle", tasters=24, samples=("old", "new"), preference=True, placebo=True, seed=1),
    }.items():
        yield from at_all_lengths(name, result)
    for protocol in ms.PROTOCOLS:
        plan = ms.serve(protocol, tasters=8, samples=("old", "new"), seed=1, **_asked(protocol))
        for sheet, page in plan.pages().items():
            yield f"{protocol}: {sheet}", plain(page)


def _asked(protocol: str) -> dict[str, str]:
    return {"attribute": "bitterness", "more": "new"} if protocol in ("2-AFC", "3-AFC", "specified tetrad") else {}


@cache
def commands() -> tuple[tuple[str, str], ...]:
    """What the command line prints."""
    answers = []
    file = str(DATA / "cider_fining.csv")
    for line in (
        ["--help"], *([c, "--help"] for c in ("check", "pool", "plan", "serve", "answers", "claim", "rerun")),
        ["check", file], ["pool", file, "--margin", "0.2 triangle"], ["plan", "triangle", "--margin", "0.3 triangle"],
        ["plan", "triangle", "--tasters", "24"], ["plan", "--d-prime", "1"],
        ["plan", "triangle", "--margin", "0.4 triangle", "--looks", "20", "40"],
        ["claim", "Tasters could not tell them apart.", file, "--margin", "0.2 triangle"],
    ):  # fmt: skip
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.suppress(SystemExit):
            main(line)
        answers.append((f"metasense {' '.join(Path(word).name for word in line)}", said.getvalue()))
    return tuple(answers)


def notebooks() -> Iterator[tuple[str, str]]:
    """What the notebooks say and show, cell by cell."""
    import nbformat

    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        notebook = nbformat.read(path, as_version=4)
        for number, cell in enumerate(notebook.cells, 1):
            said = [cell.source] if cell.cell_type == "markdown" else [_output(o) for o in cell.outputs]
            yield from ((f"{path.name}, cell {number}", text) for text in said if text.strip())


def _output(output: dict) -> str:
    data = output.get("data", {})
    return plain(data["text/html"]) if "text/html" in data else output.get("text", data.get("text/plain", ""))


def everything() -> Iterator[tuple[str, str]]:
    """All of it, a heading and a text at a time."""
    for name in MARGINS:
        yield from ((f"{name}: {where}", text) for where, text in results(name))
    yield from ((f"shelf: {where}", text) for where, text in shelf())
    yield from plans()
    yield from commands()
    yield from notebooks()


if __name__ == "__main__":
    target = Path(sys.argv[1])
    texts = wrong = 0
    with target.open("w", encoding="utf-8") as file:
        for where, text in everything():
            file.write(f"\n=== {where}\n{text}\n")
            texts += 1
            for fault in faults(text, raw=where.endswith(RAW) or ".ipynb" in where):
                wrong += 1
                print(f"{where}: {fault}")
    print(f"{texts} texts written, {wrong} faults found by machine; now read {target}.")
    sys.exit(bool(wrong))
