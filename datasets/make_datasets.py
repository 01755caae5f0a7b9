"""Make the invented demo scenarios, from tasters with known sensitivity up to the tables a maker would keep.

Run ``python datasets/make_datasets.py`` to rewrite every CSV beside this file, byte for byte. A panel's true d-prime
follows a stated rule (by kind of taster, grams of salt, weeks in the bag) plus a small deviation of its own. Every
tasting is then played out: each served sample evokes a percept, drawn from a normal distribution of standard deviation
1 whose mean is d-prime higher for one of the two products, and the taster answers by the rule of the protocol. The
panel tables are sums over these tastings. `README.md` describes the columns and the truths.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from metasense.protocols import forced_choice

FOLDER = Path(__file__).parent

# N is the new product, O the old. A duo-trio order starts with the marked reference.
ORDERS = {
    "triangle": ("NNO", "NON", "ONN", "OON", "ONO", "NOO"),
    "duo-trio": ("ONO", "OON", "NNO", "NON"),
    "2-AFC": ("NO", "ON"),
    "tetrad": ("NNOO", "NONO", "NOON", "OONN", "ONON", "ONNO"),
}


@dataclass(frozen=True, kw_only=True)
class Panel:
    """What was decided before a panel tasted; the answers come from the simulation."""

    panel: str
    protocol: str
    date: str
    tasters: int
    tastings_each: int = 1
    batch_pair: str
    blind: str = "double"
    planned: int | None = None  # None: as many tastings as were made
    looks: int = 1
    reported: str = "yes"
    asked: str = "none"
    moderators: dict[str, str | float]
    seeing: float = 0.0  # share of tasters who can see which product is which
    notes: str = ""


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """One variable, its panels and the truth about it."""

    panels_file: str
    tastings_file: str
    seed: int
    typical: Callable[[dict], float]  # true d-prime of a panel with these moderators, before its own deviation
    spread: float  # standard deviation of a panel's own deviation in d-prime
    overdispersion: (
        float  # of the tasters within a panel that tasted repeatedly: 0 all alike, 1 always right or guessing
    )
    preferring_new: float = 0.5  # of the discerning tasters with a preference
    undecided: float = 0.2  # of all tasters asked
    panels: tuple[Panel, ...]


def best_answer(protocol: str, order: str) -> int:
    """Position (from 1) of the odd sample, the reference's match, the stronger (old) one or the first one's partner."""
    if protocol == "triangle":
        return 1 + next(i for i, sample in enumerate(order) if order.count(sample) == 1)
    if protocol == "2-AFC":
        return 1 + order.index("O")
    return (1 if protocol == "tetrad" else 0) + order.index(order[0], 1)


def answer(protocol: str, order: str, d_prime: float, rng: np.random.Generator) -> int:
    """Draw one percept a sample and answer by the protocol's rule, as a position counted like `best_answer`."""
    percepts = rng.standard_normal(len(order)) + d_prime * (np.array(list(order)) == "O")
    if protocol == "triangle":  # the two most alike belong together
        gaps = [abs(percepts[1] - percepts[2]), abs(percepts[0] - percepts[2]), abs(percepts[0] - percepts[1])]
        return 1 + int(np.argmin(gaps))
    if protocol == "duo-trio":  # the one nearer to the reference
        return 1 + int(np.argmin(np.abs(percepts[1:] - percepts[0])))
    if protocol == "2-AFC":  # the one with more of the attribute
        return 1 + int(np.argmax(percepts))
    low_pair = set(np.argsort(percepts)[:2])  # tetrad: the two lowest against the two highest
    return 1 + next(i for i in (1, 2, 3) if (i in low_pair) == (0 in low_pair))


def taste(panel: Panel, d_prime: float, scenario: Scenario, rng: np.random.Generator) -> Iterator[dict]:
    """Play out one panel, tasting by tasting."""
    task = forced_choice(panel.protocol)
    everyone = np.full(panel.tasters, abs(d_prime) if not task.directed else d_prime)
    if panel.tastings_each > 1:  # the tasters' own p_d follows a beta distribution around the panel's
        p_d, within = task.p_d(d_prime), scenario.overdispersion
        own = rng.beta(p_d * (1 - within) / within, (1 - p_d) * (1 - within) / within, panel.tasters)
        everyone = np.array([task.d_prime_from_p_d(p) for p in own])
    orders: list[str] = []
    while len(orders) < panel.tasters * panel.tastings_each:  # blocks with every order once, shuffled
        orders += rng.permutation(ORDERS[panel.protocol]).tolist()
    for taster, sensitivity in enumerate(everyone, start=1):
        for trial in range(1, panel.tastings_each + 1):
            order = orders.pop()
            best = best_answer(panel.protocol, order)
            given = best if rng.random() < panel.seeing else answer(panel.protocol, order, sensitivity, rng)
            preference = ""
            if panel.asked == "all" or (panel.asked == "correct" and given == best):
                share = float(task.p_d(sensitivity) / task.p_correct(sensitivity)) if given == best else 0.0
                leaning = scenario.preferring_new if rng.random() < share else 0.5
                preference = "none" if rng.random() < scenario.undecided else "new" if rng.random() < leaning else "old"
            yield {
                "panel": panel.panel,
                "protocol": panel.protocol,
                "taster": taster,
                "trial": trial,
                "order": order,
                "served": best,
                "answer": given,
                "correct": int(given == best),
                "preference": preference,
            }


def simulate(scenario: Scenario) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """One row a panel, one row a tasting, and the truth behind each panel."""
    rng = np.random.default_rng(scenario.seed)
    rows, tastings, truths = [], [], []
    people = 0
    for panel in scenario.panels:
        d_prime = scenario.typical(panel.moderators) + scenario.spread * rng.standard_normal()
        made = [
            tasting | {"taster": f"T{people + tasting['taster']:03d}"}
            for tasting in taste(panel, d_prime, scenario, rng)
        ]
        people += panel.tasters  # nobody sits in two panels
        said = [tasting["preference"] for tasting in made]
        count = {"prefer_new": said.count("new"), "prefer_old": said.count("old"), "no_preference": said.count("none")}
        rows.append(
            {
                "panel": panel.panel,
                "date": panel.date,
                "protocol": panel.protocol,
                "tastings": len(made),
                "correct": sum(tasting["correct"] for tasting in made),
                "tasters": panel.tasters,
                "batch_pair": panel.batch_pair,
                "blind": panel.blind,
                "planned": panel.planned or len(made),
                "looks": panel.looks,
                "reported": panel.reported,
                "asked": panel.asked,
                **{name: number if panel.asked != "none" else "" for name, number in count.items()},
                **panel.moderators,
                "notes": panel.notes,
            }
        )
        tastings += made
        truths.append(
            {
                "table": scenario.panels_file,
                "panel": panel.panel,
                "d_prime": round(abs(d_prime), 3),
                "p_d": round(float(forced_choice(panel.protocol).p_d(d_prime)), 3),
                "overdispersion": scenario.overdispersion if panel.tastings_each > 1 else "",
                "share_seeing": panel.seeing,
            }
        )
    return pd.DataFrame(rows), pd.DataFrame(tastings), pd.DataFrame(truths)


def cider(experience: str, residual_sugar_g_l: float, weeks_bottled: int) -> dict:
    return {"experience": experience, "residual_sugar_g_l": residual_sugar_g_l, "weeks_bottled": weeks_bottled}


def bread(salt_cut_pct: int, served: str, loaf: str, hours_since_bake: int) -> dict:
    return {"salt_cut_pct": salt_cut_pct, "eaten": served, "loaf": loaf, "hours_since_bake": hours_since_bake}


def coffee(weeks_stored: int, brew: str, roast: str) -> dict:
    return {"weeks_stored": weeks_stored, "brew": brew, "roast": roast}


CIDER = Scenario(
    panels_file="cider_fining.csv",
    tastings_file="cider_tastings.csv",
    seed=239439,
    typical=lambda panel: {"public": 0.5, "club": 1.0, "trained": 1.5}[panel["experience"]],
    spread=0.15,
    overdispersion=0.3,
    preferring_new=0.3,
    panels=(
        Panel(
            panel="Cellar door dry",
            protocol="triangle",
            date="2025-03-08",
            tasters=24,
            batch_pair="A",
            asked="correct",
            moderators=cider("public", 4, 6),
            notes="Those who picked the odd cup were asked which they would rather drink.",
        ),
        Panel(
            panel="Cellar door sweet",
            protocol="triangle",
            date="2025-03-22",
            tasters=21,
            planned=24,
            batch_pair="B",
            moderators=cider("public", 28, 8),
            notes="Three people did not turn up.",
        ),
        Panel(
            panel="Cider club spring",
            protocol="triangle",
            date="2025-04-11",
            tasters=30,
            batch_pair="A",
            moderators=cider("club", 4, 11),
        ),
        Panel(
            panel="Cider club duo-trio",
            protocol="duo-trio",
            date="2025-05-09",
            tasters=20,
            batch_pair="A",
            moderators=cider("club", 4, 15),
        ),
        Panel(
            panel="Allotment club",
            protocol="triangle",
            date="2025-05-24",
            tasters=18,
            planned=15,
            looks=2,
            batch_pair="B",
            moderators=cider("club", 28, 17),
            notes="Counted after fifteen tasters, one short of the critical number, then three more were served.",
        ),
        Panel(
            panel="Guild tetrad",
            protocol="tetrad",
            date="2025-06-05",
            tasters=22,
            batch_pair="C",
            moderators=cider("trained", 9, 7),
        ),
        Panel(
            panel="Guild repeats",
            protocol="triangle",
            date="2025-06-19",
            tasters=8,
            tastings_each=3,
            batch_pair="C",
            moderators=cider("trained", 9, 9),
            notes="Eight people, three triangles each with rests between.",
        ),
        Panel(
            panel="Harvest fair",
            protocol="triangle",
            date="2025-09-20",
            tasters=33,
            planned=36,
            batch_pair="C",
            asked="all",
            moderators=cider("public", 9, 22),
            notes="Everyone was asked which they would rather drink.",
        ),
        Panel(
            panel="Cellar master",
            protocol="triangle",
            date="2025-10-02",
            tasters=1,
            tastings_each=12,
            batch_pair="C",
            blind="single",
            moderators=cider("trained", 9, 24),
            notes="The maker alone, over four days; a helper who knew the codes poured.",
        ),
    ),
)

BAKERY = Scenario(
    panels_file="bakery_salt.csv",
    tastings_file="bakery_tastings.csv",
    seed=3479,
    typical=lambda panel: 0.05 * panel["salt_cut_pct"] * {"plain": 1.0, "buttered": 0.6}[panel["eaten"]],
    spread=0.15,
    overdispersion=0.2,
    panels=(
        Panel(
            panel="Tin loaf 10",
            protocol="triangle",
            date="2025-01-14",
            tasters=26,
            batch_pair="T1",
            moderators=bread(10, "plain", "tin", 6),
        ),
        Panel(
            panel="Tin loaf 25",
            protocol="triangle",
            date="2025-01-21",
            tasters=24,
            batch_pair="T2",
            moderators=bread(25, "plain", "tin", 5),
        ),
        Panel(
            panel="Tin loaf 17",
            protocol="triangle",
            date="2025-01-28",
            tasters=30,
            batch_pair="T3",
            moderators=bread(17, "plain", "tin", 6),
        ),
        Panel(
            panel="Tin loaf 17 saltier?",
            protocol="2-AFC",
            date="2025-01-29",
            tasters=28,
            batch_pair="T3",
            moderators=bread(17, "plain", "tin", 28),
            notes="Asked which of the two is saltier; correct is the loaf with the full salt.",
        ),
        Panel(
            panel="Sourdough 17",
            protocol="triangle",
            date="2025-02-11",
            tasters=24,
            batch_pair="S1",
            moderators=bread(17, "plain", "sourdough", 20),
        ),
        Panel(
            panel="Sourdough 10",
            protocol="duo-trio",
            date="2025-02-18",
            tasters=36,
            batch_pair="S2",
            moderators=bread(10, "plain", "sourdough", 22),
        ),
        Panel(
            panel="Bakers' bench",
            protocol="triangle",
            date="2025-02-25",
            tasters=9,
            tastings_each=3,
            batch_pair="T4",
            moderators=bread(17, "plain", "tin", 4),
            notes="Nine of the staff, three triangles each on three mornings.",
        ),
        Panel(
            panel="Buttered 17",
            protocol="triangle",
            date="2025-03-04",
            tasters=28,
            batch_pair="T4",
            moderators=bread(17, "buttered", "tin", 6),
        ),
        Panel(
            panel="Sourdough 25 saltier?",
            protocol="2-AFC",
            date="2025-03-11",
            tasters=24,
            batch_pair="S3",
            moderators=bread(25, "plain", "sourdough", 21),
            notes="Asked which of the two is saltier; correct is the loaf with the full salt.",
        ),
        Panel(
            panel="Buttered 10",
            protocol="triangle",
            date="2025-03-18",
            tasters=42,
            batch_pair="T5",
            moderators=bread(10, "buttered", "tin", 7),
        ),
        Panel(
            panel="Buttered 25",
            protocol="triangle",
            date="2025-03-25",
            tasters=31,
            planned=36,
            batch_pair="T6",
            moderators=bread(25, "buttered", "tin", 6),
            notes="Five people left before tasting.",
        ),
    ),
)

COFFEE = Scenario(
    panels_file="coffee_bags.csv",
    tastings_file="coffee_tastings.csv",
    seed=86610,
    typical=lambda panel: 0.14 * panel["weeks_stored"] * {"black": 1.0, "milk": 0.6}[panel["brew"]],
    spread=0.15,
    overdispersion=0.2,
    preferring_new=0.65,
    panels=(
        Panel(
            panel="Week 1",
            protocol="triangle",
            date="2025-08-30",
            tasters=20,
            batch_pair="R1",
            moderators=coffee(1, "black", "medium"),
        ),
        Panel(
            panel="Week 2 broken off",
            protocol="triangle",
            date="2025-09-06",
            tasters=11,
            planned=24,
            batch_pair="R1",
            reported="no",
            moderators=coffee(2, "black", "medium"),
            notes="The grinder failed; the maker put the sheet away.",
        ),
        Panel(
            panel="Week 3",
            protocol="triangle",
            date="2025-09-13",
            tasters=22,
            batch_pair="R1",
            moderators=coffee(3, "black", "medium"),
        ),
        Panel(
            panel="Week 4 bags on show",
            protocol="triangle",
            date="2025-09-20",
            tasters=15,
            batch_pair="R1",
            blind="none",
            seeing=0.4,
            moderators=coffee(4, "black", "medium"),
            notes="Brewed in front of the tasters, bags on the counter.",
        ),
        Panel(
            panel="Week 6 light roast",
            protocol="triangle",
            date="2025-10-04",
            tasters=18,
            batch_pair="R2",
            moderators=coffee(6, "black", "light"),
        ),
        Panel(
            panel="Week 6 tetrad",
            protocol="tetrad",
            date="2025-10-05",
            tasters=16,
            batch_pair="R1",
            moderators=coffee(6, "black", "medium"),
        ),
        Panel(
            panel="Week 8 duo-trio",
            protocol="duo-trio",
            date="2025-10-18",
            tasters=24,
            batch_pair="R1",
            asked="correct",
            moderators=coffee(8, "black", "medium"),
            notes="Those who matched the reference were asked which they would rather drink.",
        ),
        Panel(
            panel="Week 8 flat white",
            protocol="triangle",
            date="2025-10-19",
            tasters=25,
            batch_pair="R1",
            moderators=coffee(8, "milk", "medium"),
        ),
        Panel(
            panel="Week 12 staff",
            protocol="triangle",
            date="2025-11-15",
            tasters=7,
            tastings_each=4,
            batch_pair="R1",
            moderators=coffee(12, "black", "medium"),
            notes="Seven of the staff, four triangles each over two days.",
        ),
        Panel(
            panel="Week 12 open day",
            protocol="triangle",
            date="2025-11-16",
            tasters=19,
            planned=20,
            batch_pair="R2",
            asked="correct",
            moderators=coffee(12, "black", "light"),
            notes="Those who picked the odd cup were asked which they would rather drink.",
        ),
    ),
)

SCENARIOS = (CIDER, BAKERY, COFFEE)

ICE_CREAM_SEED = 3024
NOTHING = {name: (0.0, 0.0) for name in (
    "Another dairy's milk", "Tapioca starch", "Guar for carob gum", "Organic sugar", "Glucose syrup", "Pectin",
    "Skimmed milk powder", "Longer ageing", "Freezing faster", "Brown eggs", "Inulin", "Filtered water",
    "Another pasteuriser", "Sunflower lecithin", "Paper tubs",
)}  # fmt: skip
ONE_DIFFERENCE = {  # the same in every panel
    "Sea salt, a pinch more": (0.6, 0.0), "Dextrose for some sugar": (0.8, 0.0), "Buttermilk": (1.2, 0.0),
    "Tonka for vanilla": (2.6, 0.0), "Mint oil for leaves": (2.0, 0.0), "Honey for some sugar": (1.5, 0.0),
}  # fmt: skip
VARYING = {  # from batch to batch
    "Vanilla from another island": (0.7, 0.4), "Roasted hazelnuts": (2.2, 0.5), "Coconut for some cream": (1.4, 0.5),
    "Coffee steeped cold": (1.1, 0.4), "Dutch cocoa": (1.8, 0.4), "Brown butter": (1.0, 0.5),
    "Lemon oil": (0.9, 0.4), "Another pistachio": (0.5, 0.3), "Goat's milk, a tenth": (1.6, 0.6),
}  # fmt: skip
ICE_CREAM = NOTHING | ONE_DIFFERENCE | VARYING  # centre and spread of the true d-primes of each ingredient's panels


def ice_cream(seed: int = ICE_CREAM_SEED) -> tuple[pd.DataFrame, pd.DataFrame]:
    """One row a panel of thirty ingredients, in the order they were tasted, and the truth about each ingredient."""
    rng = np.random.default_rng(seed)
    rows, truths = [], []
    for ingredient, (centre, spread) in ICE_CREAM.items():
        for number in range(1, int(rng.integers(2, 5)) + 1):
            protocol = "tetrad" if rng.random() < 0.2 else "triangle"
            tasters = int(rng.integers(15, 39))
            d_prime = abs(centre + spread * rng.standard_normal())
            orders = [ORDERS[protocol][i] for i in rng.integers(0, 6, tasters)]
            right = sum(answer(protocol, order, d_prime, rng) == best_answer(protocol, order) for order in orders)
            week = int(rng.integers(0, 150))
            rows.append(
                {
                    "ingredient": ingredient,
                    "panel": f"Evening {number}",
                    "date": (pd.Timestamp("2022-03-04") + pd.Timedelta(weeks=week)).date().isoformat(),
                    "protocol": protocol,
                    "tastings": tasters,
                    "correct": right,
                    "tasters": tasters,
                    "blind": "double",
                }
            )
        kind = "nothing" if not centre else "one difference" if not spread else "differences that vary"
        truths.append({"ingredient": ingredient, "truth": kind, "centre": centre, "spread": spread})
    panels = pd.DataFrame(rows).sort_values(["date", "ingredient", "panel"], kind="stable", ignore_index=True)
    panels["panel"] = [f"Evening {n}" for n in panels.groupby("ingredient").cumcount() + 1]
    return panels, pd.DataFrame(truths)


def write(folder: Path = FOLDER) -> None:
    """Write every table into `folder`."""
    made = [simulate(scenario) for scenario in SCENARIOS]
    tables = {"truths.csv": pd.concat([truth for _, _, truth in made])}
    for scenario, (panels, tastings, _) in zip(SCENARIOS, made, strict=True):
        tables |= {scenario.panels_file: panels, scenario.tastings_file: tastings}
    tables["ice_cream_shelf.csv"], tables["ice_cream_truths.csv"] = ice_cream()
    for name, table in tables.items():
        table.to_csv(folder / name, index=False, encoding="utf-8", lineterminator="\n")


if __name__ == "__main__":
    write()
