"""What is computed: the demos, the random pools, single panels, plans, serving, claims, errors, commands, saved files."""

from __future__ import annotations

import contextlib
import csv
import io
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from frozen import pools
from frozen.record import ROOT, Record

import metasense as ms
from metasense.cli import main

DATA = ROOT / "datasets"
TESTED = ROOT / "tests" / "data"
MARGIN = {"p_d": 0.2, "protocol": "triangle"}
DEMOS: dict[str, dict[str, Any]] = {
    "cider_fining": {"margin": MARGIN, "moderators": ("weeks_bottled", "experience"), "zero": None},
    "bakery_salt": {
        "margin": {"p_d": 0.25, "protocol": "triangle"},
        "moderators": ("salt_cut_pct", "eaten"),
        "zero": "salt_cut_pct",
    },
    "coffee_bags": {"margin": {"d_prime": 1.0}, "moderators": ("weeks_stored", "brew"), "zero": "weeks_stored"},
}
ATTRIBUTE = {"attribute": "bitterness", "more": "new"}


# --- demos ------------------------------------------------------------------------------------------------------------


def _demo(record: Record, name: str, how: dict[str, Any]) -> None:
    """One data set through everything."""
    margin = ms.Margin(**how["margin"])
    file = DATA / f"{name}.csv"
    tastings = ms.read_tastings(DATA / f"{name.split('_')[0]}_tastings.csv")
    panels = ms.read_panels(file)
    record.add(f"{name} | Panels", panels)
    record.add(f"{name} | Tastings", tastings)
    for row in panels:
        record.add(
            f"{name}, {row.panel} | ForcedChoicePanel",
            ms.one_panel(row, margin=margin),
            cells=row.panel == panels.frame["panel"][0],
        )
    pooled = ms.pool(panels, margin=margin)
    record.add(f"{name} | Pooled", pooled)
    record.add(f"{name}, no margin | Pooled", ms.pool(panels), cells=False)
    record.add(
        f"{name}, tight priors | Pooled", ms.pool(panels, margin=margin, priors=ms.Priors(0.5, 0.2)), cells=False
    )
    people = ms.pool(panels, tastings=tastings, margin=margin)
    record.add(f"{name}, with tastings | Pooled", people, cells=False)
    record.tried(f"{name}, with tastings | Tasters", people.tasters)
    record.tried(f"{name}, with tastings | Tasters.as_if_independent()", lambda: people.tasters().as_if_independent())
    record.add(f"{name}, tastings alone | Pooled", ms.pool(tastings, margin=margin), cells=False)
    record.tried(f"{name} | ServingEffects", lambda: ms.serving_effects(tastings))
    record.tried(
        f"{name}, pairs | Preference",
        lambda: ms.preference(
            panels, pairs=[{"prefer_new": 9, "prefer_old": 14, "no_preference": 3}], placebo=(6, 5, 9)
        ),
    )
    for column in how["moderators"]:
        record.tried(
            f"{name}, {column} | Moderated", lambda column=column: ms.pool(panels, margin=margin, moderators=column)
        )
    if how["zero"]:
        zero = how["zero"]
        record.tried(
            f"{name}, {zero} through zero | Moderated",
            lambda: ms.pool(panels, margin=margin, moderators=zero, through_zero=zero),
        )
    record.tried(f"{name}, batch pairs | Nested", lambda: ms.pool(panels, margin=margin, within="batch_pair"))
    if name == "cider_fining":
        record.add(f"{name} | Plans", ms.plan_next(pooled, draws=100))
    record.add(
        f"{name}, one sort | Plans",
        ms.plan_next(pooled, ms.Plan.every(["triangle", "tetrad"], [24], [1, 2]), draws=100),
    )
    with contextlib.suppress(ImportError):
        record.add(f"{name} | explore", ms.explore(pooled).children[-1].value)
        record.add(
            f"{name} | explore one panel",
            ms.explore(ms.one_panel(next(iter(panels)), margin=margin)).children[-1].value,
        )
    for case, result in {
        "": pooled,
        " with tastings": people,
        " moderated": ms.pool(panels, margin=margin, moderators=how["moderators"][0]),
        " within": ms.pool(panels, margin=margin, within="batch_pair") if name != "bakery_salt" else None,
    }.items():
        if result is not None:
            page(record, f"{name}{case}", result)
            kept(record, f"{name}{case}", result)
    figures(record, name, pooled, panels, margin)
    posterior = pooled.to_arviz()["posterior"]
    for variable in ("average", "spread", "d_prime"):
        record.add(f"{name} | to_arviz[{variable}]", np.asarray(posterior[variable]))


def page(record: Record, name: str, result: Any) -> None:
    """The report, as one page."""
    type_ = type(result).__name__
    record.tried(
        f"{name} | {type_}.report()",
        lambda: Path(result.report(record.folder / "page.html", overwrite=True)).read_text(encoding="utf-8"),
    )


def kept(record: Record, name: str, result: Any) -> None:
    """What comes back from a file, and whether it is worked out again."""
    type_ = type(result).__name__
    file = record.folder / "kept.nc"
    result.save(file, overwrite=True)
    again = ms.load(file)
    record.add(f"{name} | {type_}.load().to_frame", again.to_frame())
    record.add(f"{name} | {type_}.load().repr", repr(again))
    record.add(f"{name} | {type_}.load().methods", again.statement(length="methods"))
    record.add(f"{name} | {type_}.load().notes", again.notes)
    record.add(f"{name} | Rerun", ms.rerun(file))


def figures(record: Record, name: str, pooled: Any, panels: Any, margin: Any) -> None:
    """Every figure, drawn on its own."""
    from matplotlib.figure import Figure

    drawn: dict[str, Callable[[], Any]] = {
        "pool": lambda: pooled.plot(ax=Figure()),
        "pool by estimate": lambda: pooled.plot(order="estimate", ax=Figure()),
        "explanations": lambda: pooled.explanations().plot(ax=Figure()),
        "sensitivity": lambda: pooled.sensitivity().plot(ax=Figure()),
        "path": lambda: pooled.path().plot(ax=Figure()),
        "drawer": lambda: pooled.drawer().plot(ax=Figure()),
        "leak": lambda: pooled.leak().plot(ax=Figure()),
        "disagreement": lambda: pooled.disagreement().plot(ax=Figure()),
        "preference": lambda: ms.preference(panels).plot(ax=Figure()),
        "one panel": lambda: ms.one_panel(next(iter(panels)), margin=margin).plot(ax=Figure()),
        "answers": lambda: ms.one_panel(next(iter(panels)), margin=margin).plot_answers(ax=Figure()),
    }
    for what, draw in drawn.items():
        record.tried(f"{name} | figure[{what}]", draw)


# --- random pools -----------------------------------------------------------------------------------------------------


def random_pools(record: Record, *, share: int = 0, of: int = 1, count: int = 60) -> None:
    """Each made-up table through everything its kind has; or only one share of the tables."""
    for place, case in enumerate(pools.cases(count=count)):
        if place % of == share:
            _random(record, place, case)


def _random(record: Record, place: int, case: pools.Case) -> None:
    panels = record.tried(f"{case.name} | Panels", lambda: ms.read_panels(case.rows), cells=place % 6 == 0)
    if panels is None:
        return
    options: dict[str, Any] = {"draws": 100, **case.pooling}
    if case.margin:
        options["margin"] = ms.Margin(**case.margin)
    if case.priors:
        options["priors"] = ms.Priors(*case.priors)
    if case.tastings:
        options["tastings"] = record.tried(
            f"{case.name} | Tastings", lambda: ms.read_tastings(case.tastings), cells=False
        )
    type_ = {"plain": "Pooled", "within": "Nested"}.get(case.kind, "Moderated")
    pooled = record.tried(f"{case.name} | {type_}", lambda: ms.pool(panels, **options), cells=place % 3 == 0)
    if pooled is None:
        return
    if place % 12 == 5 or place in (3, 9):
        kept(record, case.name, pooled)
    if place in (0, 19, 40):
        page(record, case.name, pooled)
    if place % 10 == 4 and type_ == "Pooled":
        record.tried(
            f"{case.name} | Plans", lambda: ms.plan_next(pooled, [ms.Plan("triangle", 24)], draws=100), cells=False
        )
    for claim in (
        ("There was no difference.", "People can taste it, and 40 % of them discriminate.") if place % 5 == 0 else ()
    ):
        record.tried(f"{case.name} | ClaimCheck", lambda claim=claim: ms.check_claim(claim, pooled), cells=False)


# --- one panel, protocols, margins ------------------------------------------------------------------------------------


def single_panels(record: Record) -> None:
    """Many counts, with and without a margin."""
    margins = (None, ms.Margin(**MARGIN), ms.Margin(d_prime=0.8))
    place = 0
    for name in pools.GUESS:
        for n in (5, 24, 47):
            for x in sorted({0, n // 6, n // 3, n // 2, 2 * n // 3, n}):
                place += 1
                one = ms.one_panel(name, n, x, margin=margins[place % 3])
                _one_panel(record, f"{name}, {x} of {n}", one, place)
    for name in pools.TWO_COUNTS:
        for counts in ((20, 14, 20, 8), (12, 0, 12, 0), (30, 30, 25, 3), (16, 4, 16, 9), (40, 22, 10, 5)):
            place += 1
            named = dict(zip(("signal", "hits", "noise", "false_alarms"), counts, strict=True))
            _one_panel(record, f"{name}, {counts}", ms.one_panel(name, **named, margin=margins[place % 3]), place)
    record.add(
        "other risks | ForcedChoicePanel",
        ms.one_panel(
            "triangle",
            30,
            14,
            alpha=0.1,
            beta=0.2,
            prob=0.8,
            settled=0.9,
            margin=margins[1],
            priors=ms.Priors(0.5, 0.3),
            name="<A & B>",
        ),
    )


def _one_panel(record: Record, case: str, one: Any, place: int) -> None:
    type_ = type(one).__name__
    if place % 9 == 0:
        record.add(f"{case} | {type_}", one, cells=place % 27 == 0)
        return
    record.add(f"{case} | {type_}.to_frame", one.to_frame())
    record.add(f"{case} | {type_}.statement", one.statement())
    record.add(f"{case} | {type_}.headline", one.headline())
    record.add(f"{case} | {type_}.verdict", one.verdict())
    record.add(f"{case} | {type_}.beyond", one.beyond)
    record.add(f"{case} | {type_}.d_prime_posterior", one.d_prime_posterior)


def protocols(record: Record) -> None:
    """The curves, their inverses, simulated answers, and margins carried to each."""
    d = np.linspace(-3, 6, 61)
    margins = {text: ms.Margin.parse(text) for text in ("0.2 triangle", "d'=0.5", "25 % duo-trio", "0,1 2-AFC")}
    for text, margin in margins.items():
        record.add(f"margin {text} | Margin", margin)
    for name in ms.PROTOCOLS:
        test = ms.protocol(name)
        for text, margin in margins.items():
            record.tried(f"margin {text} | Margin.p_d({name})", lambda margin=margin, name=name: margin.p_d(name))
        for field in ("name", "guess", "directed", "cups", "rule", "__repr__"):
            value = getattr(test, field, None)
            record.add(f"{name} | Protocol.{field}", value() if callable(value) else value)
        if name in pools.TWO_COUNTS:
            record.add(f"{name} | Protocol.rates", [np.asarray(r) for r in test.rates(np.abs(d), 0.7)])
            record.add(f"{name} | Protocol.estimate", test.estimate(20, 14, 20, 8))
            record.add(
                f"{name} | Protocol.simulate",
                [np.asarray(r) for r in test.simulate(1.0, 20, 20, 50, np.random.default_rng(1))],
            )
            continue
        p = np.linspace(0, 1, 41)
        for curve in ("p_correct", "p_wrong", "slope", "information", "p_d"):
            record.add(f"{name} | Protocol.{curve}", getattr(test, curve)(d if test.directed else np.abs(d)))
        record.add(f"{name} | Protocol.d_prime", test.d_prime(p))
        record.add(f"{name} | Protocol.p_d_from_p", test.p_d_from_p(p))
        record.add(f"{name} | Protocol.p_from_p_d", test.p_from_p_d(p))
        record.add(f"{name} | Protocol.d_prime_from_p_d", test.d_prime_from_p_d(p))
        record.add(f"{name} | Protocol.simulate", test.simulate(1.0, 100, np.random.default_rng(1)).astype(int))


# --- planning ---------------------------------------------------------------------------------------------------------


def plans(record: Record) -> None:
    """Sizes, chances, looks, protocols compared."""
    n = np.arange(3, 90)
    margin = ms.Margin(**MARGIN)
    for name in pools.GUESS:
        for alpha in (0.01, 0.05, 0.2):
            record.add(f"{name}, {alpha} | critical_number", ms.critical_number(name, n, alpha=alpha))
            record.add(f"{name}, {alpha} | power", ms.power(name, n, p_d=0.25, alpha=alpha))
            record.add(f"{name}, {alpha} | similarity_limit", ms.similarity_limit(name, n, p_d=0.25, beta=alpha))
        record.tried(
            f"{name}, two sided | critical_number", lambda name=name: ms.critical_number(name, n, two_sided=True)
        )
        for purpose in ("difference", "similarity"):
            record.add(
                f"{name} for {purpose} | TastersNeeded",
                ms.tasters_needed(name, p_d=0.35, purpose=purpose),
                cells=name == "triangle",
            )
        record.add(
            f"{name} | VerdictChances",
            ms.verdict_chances(name, [12, 36], margin, d_prime=0.8),
            cells=name == "triangle",
        )
        record.tried(
            f"{name} in two stages | LooksPlan",
            lambda name=name: ms.two_stage_plan(name, (20, 40), p_d=0.5),
            cells=name == "triangle",
        )
    record.add("chosen | LooksPlan", ms.two_stage_plan("triangle", p_d=0.4))
    record.add("each tasting | LooksPlan", ms.sequential_plan("duo-trio", p_d=0.4))
    record.add("every sixth | LooksPlan", ms.sequential_plan("tetrad", d_prime=1.2, alpha=0.1, beta=0.1, every=6))
    record.add("triangle | CostOfLooks", ms.cost_of_looks("triangle", [12, 18, 24]))
    record.add("duo-trio | CostOfLooks", ms.cost_of_looks("duo-trio", range(10, 41), alpha=0.1))
    record.add("same for all | compare_protocols", ms.compare_protocols(1.0))
    record.add(
        "each its own | compare_protocols",
        ms.compare_protocols(
            {"triangle": 1.0, "tetrad": 1.4}, protocols=["triangle", "tetrad"], alpha=0.1, beta=0.2, tastings_each=2
        ),
    )
    pooled = ms.pool(DATA / "cider_fining.csv", margin=margin)
    record.add("cider | assurance", ms.assurance("triangle", [12, 24, 48], pooled.next_d_prime))
    record.add(
        "cider, other truths | VerdictChances",
        ms.verdict_chances("triangle", [24, 48], margin, d_prime=pooled.next_d_prime, prior="p_d"),
    )


def serving(record: Record) -> None:
    """Plans from a seed, their sheets, and their answers typed back in."""
    for place, name in enumerate(ms.PROTOCOLS):
        asked = ATTRIBUTE if name in pools.DIRECTED else {}
        more = {"preference": True, "placebo": place % 2 == 0, "certainty": place % 3 == 0, "sets": 1 + place % 2}
        plan = ms.serve(
            name,
            9,
            samples=("old", "new"),
            panel=f"sitting {place}",
            date="2025-03-01",
            seed=place + 1,
            allergens=["fish"] if place % 2 else [],
            hazards=["alcohol"],
            **asked,
            **more,
        )
        record.add(f"{name} | ServingPlan", plan)
        record.add(f"{name} | ServingPlan.seed", plan.seed)
        sheet = plan.answer_sheet()
        sheet["answer"] = [_pick(row, name, place) for place, row in enumerate(sheet.to_dict("records"))]
        tastings = record.tried(
            f"{name}, answered | Tastings", lambda plan=plan, sheet=sheet: ms.read_answers(plan, sheet, blind="double")
        )
        if tastings is not None:
            record.add(f"{name}, answered | Panels", tastings.to_panels())
            record.add(f"{name}, answered | Balance", plan.balance(tastings))
            record.tried(f"{name}, answered | ServingEffects", lambda tastings=tastings: ms.serving_effects(tastings))
        folder = record.folder / f"served {place}"
        plan.save(folder)
        for file in sorted(folder.rglob("*.csv")):
            record.add(f"{name} | ServingPlan.saved[{file.relative_to(folder)}]", file.read_text(encoding="utf-8"))
        record.add(f"{name}, read back | ServingPlan", type(plan).load(folder).to_frame())


def _pick(row: dict[str, Any], name: str, place: int) -> str:
    cups = str(row["cups"]).split()
    if name == "A-not-A":
        return ("A", "not A")[place % 2]
    if name == "same-different":
        return ("same", "different")[place % 2]
    if name == "two-out-of-five":
        return f"{cups[place % 3]} {cups[3 + place % 2]}"
    if "tetrad" in name:
        return f"{cups[0]} {cups[1 + place % 3]}"
    return cups[place % len(cups)]


# --- claims, the card, files, errors, commands ------------------------------------------------------------------------


def claims(record: Record) -> None:
    """The corpus of sentences against the results they are about, and each result's own words against itself."""
    margin = ms.Margin(**MARGIN)
    cider = ms.pool(DATA / "cider_fining.csv", margin=margin)
    results = {
        "pool": cider,
        "within": ms.pool(DATA / "bakery_salt.csv", margin=margin),
        "beyond": ms.pool(DATA / "cider_fining.csv", margin=ms.Margin(d_prime=0.3)),
        "alone": ms.one_panel("triangle", 24, 10, margin=margin),
        "few": ms.one_panel("triangle", 24, 6),
        "liking": cider.preference(),
    }
    with (TESTED / "claims.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for place, row in enumerate(rows):
        check = ms.check_claim(row["claim"], results[row["result"]])
        case = f"sentence {place} of {row['result']} | ClaimCheck"
        if place % 20 == 0:
            record.add(case, check)
        else:
            record.add(f"{case}.repr", repr(check))
            record.add(f"{case}.to_frame", check.to_frame())
    for name, result in results.items():
        for length in ("line", "paragraph", "methods"):
            said = result.statement(length=length)
            record.add(f"{name}, its own {length} | ClaimCheck.repr", repr(ms.check_claim(said, result)))


def cards(record: Record) -> None:
    """A question card, as text and back, and pools that depart from it."""
    card = ms.Card(
        question="Can pea protein replace isinglass unnoticed?",
        decision="Change the fining if within the margin.",
        margin=ms.Margin(**MARGIN),
        protocols=("triangle", "tetrad"),
        date="2025-03-20",
        tastings=24,
        panels=8,
        looks=1,
        exclusions="Those with a cold.",
        moderators=("experience",),
        priors=ms.Priors(0.8, 0.4),
    )  # fmt: skip
    record.add("card | Card", card)
    record.add("card | Card.text", card.to_text())
    file = record.folder / "card.md"
    card.save(file)
    record.add("card, read | Card", ms.Card.load(file), cells=False)
    file.write_text(file.read_text(encoding="utf-8").replace("unnoticed", "noticed"), encoding="utf-8")
    record.tried("card, edited | Card", lambda: ms.Card.load(file))
    for name in DEMOS:
        pooled = record.tried(
            f"card and {name} | Pooled", lambda name=name: ms.pool(DATA / f"{name}.csv", card=card), cells=False
        )
        record.add(f"card and {name} | Pooled.departures", pooled.departures)
    moderated = ms.pool(DATA / "cider_fining.csv", card=card, moderators="weeks_bottled")
    record.add("card and moderator | Moderated.notes", moderated.notes)
    page(record, "card and demo", ms.pool(DATA / "cider_fining.csv", card=card))


def files(record: Record) -> None:
    """Pools that other versions saved."""
    for file in sorted(TESTED.glob("saved_*.nc")):
        pooled = record.tried(f"{file.name} | Pooled", lambda file=file: ms.load(file), cells=False)
        if pooled is not None and "pymc" not in file.name:
            record.tried(f"{file.name} | Rerun", lambda file=file: ms.rerun(file))


def errors(record: Record) -> None:
    """What is said when something cannot be."""
    good = {"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]}
    tables: dict[str, Any] = {
        "no columns": {"x": [1]},
        "empty": {"panel": [], "protocol": [], "tastings": [], "correct": []},
        "too many correct": good | {"correct": [25, 31]},
        "no number": good | {"correct": ["eight", "15"]},
        "fractions": good | {"tastings": [24.5, 30]},
        "unknown protocol": good | {"protocol": ["triangel", "hexagon"]},
        "same name": good | {"panel": ["A", "A"]},
        "no name": good | {"panel": ["A", ""]},
        "tasters": good | {"tasters": [30, 40]},
        "preferences": good | {"asked": ["correct", "all"], "prefer_new": [9, 9], "prefer_old": [3, 30]},
        "dates": good | {"date": ["01.02.2025", "2025-13-01"]},
        "blind": good | {"blind": ["triple", "?"]},
        "two counts": {"panel": ["A"], "protocol": "A-not-A", "tastings": [20], "correct": [9]},
        "comma decimals": "panel;protocol;tastings;correct;sugar\nA;triangle;24;8;1,5\nB;duo-trio;30;15;2,5",
        "other words": "Panel ID,Test,n,x,Week\nA,Triangle test,24,8,1\nB,duo trio,30,15,2",
    }
    for name, table in tables.items():
        record.tried(
            f"{name} | Panels",
            lambda table=table: ms.read_panels(table),
            cells=False,
        )
    calls: dict[str, Callable[[], Any]] = {
        "method": lambda: ms.pool(good, method="exact"),
        "draws": lambda: ms.pool(good, draws=0),
        "seed": lambda: ms.pool(good, seed=-1),
        "margin": lambda: ms.pool(good, margin=0.2),
        "moderator": lambda: ms.pool(good, moderators="weeks"),
        "within": lambda: ms.pool(good, within="batch_pair"),
        "no file": lambda: ms.read_panels("no_such_file.csv"),
        "no saved pool": lambda: ms.load(DATA / "cider_fining.csv"),
        "priors": lambda: ms.Priors(-1),
        "margin p_d": lambda: ms.Margin(p_d=1.5, protocol="triangle"),
        "margin text": lambda: ms.Margin.parse("some triangle"),
        "protocol": lambda: ms.protocol("hexagon"),
        "one panel": lambda: ms.one_panel("triangle", 10, 11),
        "one panel, two counts": lambda: ms.one_panel("A-not-A", 10, 5),
        "needed": lambda: ms.tasters_needed("triangle", p_d=0.0),
        "needed, two counts": lambda: ms.tasters_needed("A-not-A", p_d=0.3),
        "looks": lambda: ms.cost_of_looks("triangle", []),
        "serve": lambda: ms.serve("2-AFC", 0, samples=("old", "old")),
        "plan": lambda: ms.Plan("triangle", 0),
        "preference": lambda: ms.preference(good),
        "tasters": lambda: ms.pool(good).tasters(),
        "claim": lambda: ms.check_claim("", ms.pool(good)),
        "card": lambda: ms.Card(question="", decision="", margin=None, protocols=(), date="soon"),
        "tastings": lambda: ms.read_tastings(
            {"panel": ["A"], "protocol": ["triangle"], "taster": [""], "correct": ["maybe"]}
        ),
        "explore": lambda: ms.explore(ms.one_panel("A-not-A", signal=20, hits=14, noise=20, false_alarms=8)),
    }
    for name, call in calls.items():
        record.tried(f"{name} | refused", call, cells=False)


def commands(record: Record) -> None:
    """What the command line prints, and its exit codes."""
    saved = record.folder / "saved.nc"
    ms.pool(DATA / "cider_fining.csv", margin=ms.Margin(**MARGIN)).save(saved)
    served = record.folder / "served by command"
    lines: list[list[str]] = [["--help"], ["nonsense"]]
    lines += [[command, "--help"] for command in ("check", "pool", "plan", "serve", "answers", "claim", "rerun")]
    for name in DEMOS:
        file = str(DATA / f"{name}.csv")
        single = str(DATA / f"{name.split('_')[0]}_tastings.csv")
        lines += [
            ["check", file],
            ["check", single],
            ["pool", file, "--margin", "0.2 triangle"],
            ["pool", single, "--seed", "2"],
        ]
        lines += [["claim", "Tasters could not tell them apart.", file, "--margin", "0.2 triangle"]]
    lines += [
        ["pool", str(DATA / "cider_fining.csv"), "--report", str(record.folder / "command.html")],
        ["pool", "nowhere.csv"],
        ["pool", str(DATA / "cider_fining.csv"), "--margin", "much"],
        ["claim", "9 of 24 answers were correct.", str(DATA / "cider_fining.csv"), "--panel", "Cellar door dry"],
        ["claim", "Nobody can taste it.", str(saved)],
        ["rerun", str(saved)],
        ["plan"],
        ["plan", "triangle"],
        ["plan", "triangle", "--p-d", "0.3"],
        ["plan", "tetrad", "--d-prime", "1", "--similarity"],
        ["plan", "triangle", "--tasters", "24"],
        ["plan", "triangle", "--tasters", "24", "--p-d", "30%", "--alpha", "0.1"],
        ["plan", "triangle", "--tasters", "24", "--p-d", "0.3", "--similarity"],
        ["plan", "--d-prime", "1"],
        ["plan", "triangle", "--p-d", "0.4", "--looks", "20", "40"],
        ["plan", "triangle", "--looks", "20", "30", "40"],
        ["plan", "duo-trio", "--p-d", "0.4", "--sequential"],
        ["serve", "triangle", "12", str(served), "--seed", "5", "--samples", "old", "new", "--preference", "--allergens", "--hazards", "alcohol"],
        ["serve", "2-AFC", "6", str(record.folder / "no attribute"), "--seed", "5"],
        ["answers", str(served), str(served / "answers.csv")],
    ]  # fmt: skip
    for line in lines:
        said, wrong = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(wrong):
            code = main(line)
        case = record.clean(f"metasense {' '.join(line)}")
        record.add(f"{case} | command", [f"exit code {code}", said.getvalue(), wrong.getvalue()])


def sampled(record: Record) -> None:
    """One pool sampled in PyMC with a fixed seed, to three digits."""
    pooled = ms.pool(DATA / "cider_fining.csv", method="mcmc", draws=100, chains=2, seed=1)
    for column in ("mean", "median", "lower", "upper"):
        record.add(
            f"sampled | Pooled.to_frame.{column}", [float(f"{value:.3g}") for value in pooled.to_frame()[column]]
        )


SLOW = ("pools 2", "pools 3", "sampled")  # left out of a quick run
PARTS: dict[str, Callable[[Record], None]] = {
    **{name: partial(_demo, name=name, how=how) for name, how in DEMOS.items()},
    **{f"pools {share + 1}": partial(random_pools, share=share, of=3) for share in range(3)},
    "single": single_panels,
    "protocols": protocols,
    "plans": plans,
    "serving": serving,
    "claims": claims,
    "cards": cards,
    "files": files,
    "errors": errors,
    "commands": commands,
    "sampled": sampled,
}
