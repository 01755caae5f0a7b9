"""What is known of every variable on a shelf, each on its own: the inputs, and the numbers that pooling gave.

What `Core` is to one set of panels this is to many; it knows no sentence and no figure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from metasense.alone.panels import panels_alone
from metasense.binomial import at_least, smallest_count, sum_at_least
from metasense.core.answers import Verdict
from metasense.core.evidence import collect
from metasense.engine import batch, learning
from metasense.engine.priors import Priors
from metasense.margins import Margin
from metasense.protocols import Protocol, forced_choice, protocol
from metasense.showing.words import VERDICTS
from metasense.tables.stocked import Stocked

if TYPE_CHECKING:
    from concurrent.futures import Executor

T = TypeVar("T")
ALPHA = 0.05  # of a panel's own test, and of a pool's
MOVES = 0.25  # change of a median under other prior scales, as a share of it, at which it is said to rest on them


@dataclass(frozen=True, eq=False, repr=False)
class Stock:
    """Many variables, each pooled on its own. Made by `stocked`.

    Attributes
    ----------
    tables : Stocked
    margin : Margin or None
    priors : Priors
    variables : Variables
        The panels as likelihoods.
    pools : Pools
        What the panels of each say.
    test : Protocol
        Whose correct answers are told: the margin's, else the one most panels used.
    """

    tables: Stocked
    margin: Margin | None
    priors: Priors
    variables: batch.Variables
    pools: batch.Pools
    test: Protocol
    _memo: dict[Hashable, Any] = field(default_factory=dict, init=False)

    def __len__(self) -> int:
        return len(self.tables.names)

    def remember(self, name: Hashable, work_out: Callable[[], T]) -> T:
        """What `work_out` gives, worked out once."""
        if name not in self._memo:
            self._memo[name] = work_out()
        found: T = self._memo[name]
        return found

    @property
    def asked(self) -> batch.Asked:
        """What was asked of every variable."""
        return batch.Asked(self.priors, None if self.margin is None else self.margin.d_prime, self.test)

    def verdict(self, above: float) -> str:
        """The verdict where so much of what is believed is above the margin."""
        return Verdict(self.margin, above, 1 - above).label

    @property
    def alone(self) -> pd.DataFrame:
        """Every panel on its own, in the order of the table."""
        return self.remember("alone", lambda: panels_alone(self.tables.panels))

    def significant(self) -> np.ndarray:
        """Which panels are statistically significant on their own, shape (panels,)."""
        return pd.to_numeric(self.alone["p_value"]).le(ALPHA).fillna(False).to_numpy(bool)

    def by_luck(self) -> int:
        """How many panels would seldom (2.5 %) be exceeded by those that luck alone makes statistically significant.

        Each panel's own chance of it is known, where it has a rate of guessing, and at most 5 % otherwise; their number
        is taken as Poisson, which is a little wider than the number of independent panels is.
        """
        frame = self.tables.panels.frame
        chance = 0.0
        for name, n in zip(frame["protocol"], frame["tastings"], strict=True):
            test = protocol(name)
            if isinstance(test, Protocol):
                chance += float(at_least(smallest_count(int(n), test.guess, ALPHA), int(n), test.guess))
            else:
                chance += ALPHA
        from scipy.stats import poisson  # slow to load

        return int(poisson.ppf(0.975, chance))

    def counts(self) -> pd.DataFrame:
        """One row a variable: panels, tastings, correct answers, and how often guessing gives so many or more.

        Correct answers and p-value are of the panels with a rate of guessing; missing where there is none.
        """
        return self.remember("counts", self._counts).copy()

    def _counts(self) -> pd.DataFrame:
        frame = self.tables.panels.frame
        tests = [protocol(name) for name in frame["protocol"]]
        guess = np.array([test.guess if isinstance(test, Protocol) else np.nan for test in tests])
        two = (frame["signal"].fillna(0) + frame["noise"].fillna(0)).to_numpy(int)
        n, x = (frame[name].fillna(0).to_numpy(int) for name in ("tastings", "correct"))
        rows = []
        for name, at in zip(self.tables.names, self.tables.rows, strict=True):
            of = at[~np.isnan(guess[at])]
            correct, p_value = (None, np.nan)
            if len(of):
                correct, p_value = int(x[of].sum()), sum_at_least(x[of], n[of], guess[of])
            tastings = int(n[at].sum() + two[at].sum())
            rows.append((name, len(at), tastings, correct, p_value))
        found = pd.DataFrame(rows, columns=["variable", "panels", "tastings", "correct", "p_value"])
        return found.astype({"correct": "Int64"})

    def to_frame(self) -> pd.DataFrame:
        """Raw numbers, a row a variable in the order of the table."""
        pools = self.pools
        none = np.exp(pools.log_evidence - pools.log_evidence.max(axis=1, keepdims=True)) * self.priors.odds
        none /= none.sum(axis=1, keepdims=True)
        verdicts = [self.verdict(above) for above in pools.above.tolist()]
        middle = pools.average.shape[1] // 2
        moved = np.abs(pools.corners[:, :, 0] / pools.average[:, [middle]] - 1)
        medians = np.nan_to_num(moved, nan=0.0).max(axis=1) > MOVES
        undone = [self._undone(verdict, corners) for verdict, corners in zip(verdicts, pools.corners, strict=True)]
        frame = self.counts().assign(
            median=pools.average[:, middle],
            lower=pools.average[:, 0],
            upper=pools.average[:, -1],
            prob=0.95,
            kind="equal-tailed",
            p_c=pools.rate[:, 1],
            p_c_lower=pools.rate[:, 0],
            p_c_upper=pools.rate[:, 2],
            spread=pools.spread[:, 1],
            next_median=pools.following[:, 1],
            next_lower=pools.following[:, 0],
            next_upper=pools.following[:, 2],
            p_none=none[:, 0],
            p_expected_way=pools.way,
            p_above=pools.above,
            p_below=1 - pools.above,
            verdict=verdicts,
            size_rests_on_prior=medians,
            verdict_rests_on_prior=undone,
        )
        return frame

    def _undone(self, verdict: str, corners: np.ndarray) -> bool:
        """Whether other prior scales would undo a verdict."""
        if verdict not in VERDICTS[:2]:
            return False
        return any(self.verdict(above) != verdict for above in corners[:, 1].tolist() if above == above)

    # --- as one shelf -----------------------------------------------------------------------------------------------

    @property
    def laid(self) -> learning.Shelf:
        """The likelihoods, for the level above."""
        return self.remember("laid", lambda: learning.Shelf(self.variables))

    @property
    def learned(self) -> learning.Learned:
        """What the variables have in common."""
        return self.remember("learned", lambda: learning.learn(self.laid))

    @property
    def shrunken(self) -> learning.Shrunken:
        """Every variable beside all the others."""
        return self.remember("shrunken", lambda: learning.shrunken(self.laid, self.learned, self.asked))

    @property
    def draws(self) -> np.ndarray:
        """Draws of all the average d-primes together, shape (draws, variables)."""
        hyper = 256 if len(self) <= 2000 else 64
        return self.remember(
            "draws", lambda: learning.draw_averages(self.laid, self.learned, hyper=hyper, each=4096 // hyper)
        )

    def with_unseen(self, unseen: batch.Unseen, number: int) -> Stock:
        """The same shelf, and so many more variables of which a panel each was not worth writing down."""
        members = [*self.variables.members, *[np.array([len(self.variables.evidence)])] * number]
        evidence = (*self.variables.evidence, unseen) if number else self.variables.evidence
        return replace(self, variables=batch.Variables(evidence, tuple(members)))


def stocked(
    tables: Stocked,
    *,
    margin: Margin | None,
    priors: Priors,
    executor: Executor | None = None,
    told: Callable[[int], None] | None = None,
) -> Stock:
    """Pool every variable on its own."""
    collected = collect(tables.panels.frame, tables.tastings)
    members = tuple(collected.index[rows] for rows in tables.rows)
    variables = batch.Variables(collected.evidence, members)
    test = forced_choice("triangle")
    kinds = [name for name in tables.panels.frame["protocol"] if isinstance(protocol(name), Protocol)]
    if margin is not None and margin.stated_protocol:
        test = forced_choice(margin.stated_protocol)
    elif kinds:
        test = forced_choice(Counter(kinds).most_common(1)[0][0])
    asked = batch.Asked(priors, None if margin is None else margin.d_prime, test)
    pools = batch.pool_many(variables, asked, executor=executor, told=told)
    return Stock(tables, margin, priors, variables, pools, test)
