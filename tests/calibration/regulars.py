"""How often 95 % intervals hold the truth when the same tasters come to every panel, and how wide they are.

Run ``python tests/calibration/regulars.py [sets] [first cell] [cells]`` for the table (all of it: some hours; a cell of
200 sets takes a few minutes). Tasters draw percepts with own d-primes, |Normal(1, s)| or log-normal around 1 with
log-SD s, by the protocol's rule; the truth is the d-prime at which everybody would be right as often as these tasters
are on average. Beside the pool that follows people stand the pool as if everybody were new in every panel, and all
answers taken as one sitting. `wrong` counts verdicts that are false, at margins of d-prime 0.5, 0.8 and 1.29.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from metasense.core.evidence import collect, crossing
from metasense.engine import crossed_posterior, grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Repeats
from metasense.engine.priors import Priors
from metasense.protocols import forced_choice
from metasense.tables.panels import Tastings, read_tastings

MARGINS = (0.5, 0.8, 1.29)
CHAINS = 128  # fewer than a pool takes: their error, some 4 % of a posterior SD, does not show in coverage
POPULATION = 400_000  # tasters from whom the truth is told


@dataclass(frozen=True)
class Cell:
    """One kind of club."""

    kind: str
    s: float
    panels: int
    people: int
    protocol: str = "triangle"
    renewed: float = 0.0  # share of the people of each panel who are new
    spread: float = 0.0  # SD between panels in d-prime
    learning: float = 0.0  # d-prime gained from one panel to the next

    def sensitivities(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Own d-primes of so many tasters."""
        if self.kind == "normal":
            return np.abs(rng.normal(1.0, self.s, count))
        return np.exp(rng.normal(0.0, self.s, count))


def cells() -> Iterator[Cell]:
    """The whole table; the first six are the short one."""
    short = [Cell("normal", s, panels, 20) for s in (0.0, 0.5, 0.8) for panels in (6, 12)]
    yield from short
    kinds = [("normal", s) for s in (0.0, 0.3, 0.5, 0.8)] + [("log-normal", s) for s in (0.3, 0.5, 0.8)]
    for (kind, s), panels, people, protocol in product(kinds, (3, 6, 12), (6, 12, 20, 40), ("triangle", "tetrad")):
        cell = Cell(kind, s, panels, people, protocol)
        if cell not in short:
            yield cell
    for s, panels in product((0.5, 0.8), (6, 12)):
        yield Cell("normal", s, panels, 20, renewed=0.5)
        yield Cell("normal", s, panels, 20, spread=0.3)
        yield Cell("normal", s, panels, 20, learning=0.05)


def truth(cell: Cell, rng: np.random.Generator) -> float:
    """The d-prime of the panels' average rate (without spread and learning)."""
    test = forced_choice(cell.protocol)
    return float(test.d_prime(test.p_correct(cell.sensitivities(POPULATION, rng)).mean()))


def tastings(cell: Cell, rng: np.random.Generator) -> Tastings:
    """The answers of one club."""
    test = forced_choice(cell.protocol)
    regulars = cell.sensitivities(cell.people, rng)
    rows = []
    for panel in range(cell.panels):
        shift = rng.normal(0, cell.spread) + cell.learning * panel
        new = round(cell.renewed * cell.people)
        own = np.concatenate([regulars[: cell.people - new], cell.sensitivities(new, rng)])
        names = [f"T{j}" if j < cell.people - new else f"N{panel}-{j}" for j in range(cell.people)]
        right = test.simulate(np.abs(own + shift), cell.people, rng)
        rows += [
            {"panel": f"P{panel}", "protocol": test.name, "taster": name, "correct": int(is_right)}
            for name, is_right in zip(names, right, strict=True)
        ]
    return read_tastings(rows)


def answers(given: Tastings, seed: int) -> dict[str, Distribution]:
    """The average d-prime in each of the three ways."""
    frame, priors = given.to_panels().frame, Priors()
    again = crossing(frame, given)
    assert again is not None
    collected = collect(frame, given, again.rows.tolist())
    apart = grid.integrate(collected.evidence, collected.copies, priors)[0]
    found = crossed_posterior.integrate(
        again.sitters(collected, 1.0), collected.evidence, collected.copies.astype(float),
        collected.index[again.rows], priors, apart, seed=seed, chains=CHAINS,
    )  # fmt: skip
    counts = given.counts().groupby("taster")[["r", "y"]].sum().value_counts().reset_index(name="people")
    test = forced_choice(frame["protocol"].iloc[0])
    one = Repeats(test, tuple(counts[["r", "y", "people"]].sort_values(["r", "y"]).itertuples(index=False, name=None)))
    together = grid.integrate([one], [1], priors)[0]
    return {"followed": found.posterior.average, "new each time": apart.average, "one sitting": together.average}


def tried(cell: Cell, sets: int, seed: int = 11) -> pd.DataFrame:
    """Coverage, width and false verdicts in each way, one row a way."""
    rng = np.random.default_rng(seed)
    true = truth(cell, rng)
    seen: dict[str, list[tuple[float, ...]]] = {}
    for one in range(sets):
        for way, average in answers(tastings(cell, rng), seed + one).items():
            low, high = average.interval()
            wrong = [_wrong(average, true, margin) for margin in MARGINS]
            seen.setdefault(way, []).append((low <= true <= high, high - low, average.median, *wrong))
    rows = []
    for way, values in seen.items():
        mean = np.mean(values, axis=0)
        row = {"cell": str(cell), "truth": true, "sets": sets, "way": way, "coverage": mean[0], "width": mean[1]}
        rows.append(row | {"median": mean[2]} | {f"wrong at {m}": v for m, v in zip(MARGINS, mean[3:], strict=True)})
    return pd.DataFrame(rows)


def _wrong(average: Distribution, true: float, margin: float) -> bool:
    """Whether the verdict is settled on the false side."""
    below = average.below(margin)
    return (below > 0.95 and true > margin) or (below < 0.05 and true < margin)


def run(sets: int, first: int = 0, count: int | None = None, say: Callable[[str], None] = print) -> pd.DataFrame:
    """Some of the cells, each said when it is done."""
    chosen = list(cells())[first:]
    found = []
    for cell in chosen if count is None else chosen[:count]:
        found.append(tried(cell, sets))
        say(found[-1].round(3).to_string(index=False))
    return pd.concat(found, ignore_index=True)


if __name__ == "__main__":
    run(*[int(value) for value in sys.argv[1:]] or [200])
