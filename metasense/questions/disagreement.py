"""Panels that seem to disagree: how mixed would the verdicts be if nothing differed between them?

"One panel worked, one did not" is what small panels on one and the same difference usually look like. Here every panel
is given the same d-prime, the one all panels together suggest (with its uncertainty), and it is worked out how often
sets of panels of these sizes would give verdicts at least this mixed, and counts at least this far apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.binomial import at_least, smallest_count
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.distribution import Distribution
from metasense.engine.outcomes import ALPHA
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, tables, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.floating[Any]]

DRAWN = 12  # simulated sets in the figure
WIDE = 80  # panels up to which they are drawn there
MOST = 2000  # panels whose number of statistically significant ones is worked out exactly
FIRST = 3  # panels on a first screen
USUAL, RARE = 0.10, 0.05  # how often something must happen to be called usual; below what it is called rare
COMMON = 0.25  # from here on it is what one expects


def verdict_counts(
    d_prime: float, protocol: str | Protocol | Sequence[str], tastings: Sequence[int], *, alpha: float = ALPHA
) -> Array:
    """How many panels come out statistically significant when all face one and the same d-prime.

    Parameters
    ----------
    d_prime : float
        The same in all panels.
    protocol : str, Protocol, or one for each panel
    tastings : sequence of int
        Of each panel.
    alpha : float
        One-sided level of each panel's exact test.

    Returns
    -------
    ndarray, shape (panels + 1,)
        Probability of 0, 1, 2, ... statistically significant panels, exact.

    Raises
    ------
    ValueError
        If there is not one protocol for each panel, or `alpha` is no risk between 0 and 1.

    Examples
    --------
    Six triangle panels of 24 at a p_d of 25 %: nearly always some are statistically significant and some are not.

    >>> from metasense.protocols import protocol
    >>> chances = verdict_counts(protocol("triangle").d_prime_from_p_d(0.25), "triangle", [24] * 6)
    >>> round(float(1 - chances[0] - chances[-1]), 2)
    0.96
    """
    _check_risk(alpha)
    each = [protocol] * len(tastings) if isinstance(protocol, (str, Protocol)) else list(protocol)
    tests = [forced_choice(name) for name in each]
    if len(tests) != len(tastings):
        raise ValueError(f"give one protocol, or one for each of the {len(tastings)} panels; got {len(tests)}.")
    chances = [
        float(at_least(smallest_count(n, test.guess, alpha), n, test.p_correct(d_prime)))
        for test, n in zip(tests, tastings, strict=True)
    ]
    return outcomes.number_of_successes(np.array([chances]))[0]


def _check_risk(alpha: float) -> None:
    if not 0 < alpha < 1:
        raise ValueError(f"alpha is a risk between 0 and 1, such as 0.05; got {alpha!r}.")


@dataclass(frozen=True, eq=False, repr=False)
class Disagreement(Pictured, Answered):
    """How mixed verdicts would be if all panels faced one and the same d-prime. Made by `Pooled.disagreement`.

    Attributes
    ----------
    panels : DataFrame
        One row a panel: ``panel, protocol, tastings, correct, p_value, significant``, the ``expected`` share of correct
        answers at the common d-prime, and the ``chance`` of being statistically significant on its own there.
    common : Distribution
        Posterior of the size of the common d-prime.
    probability : ndarray, shape (panels + 1,)
        Of each number of statistically significant panels, exact, averaged over `common`.
    spread : float
        Share of simulated sets whose counts are at least as far apart as the panels'.
    sets, seed : int
        How many were simulated, and from which seed.
    left_out : tuple of str
        Panels without a single count of correct answers.
    alpha : float
        One-sided level of each panel's own test.
    simulated : ndarray of bool, shape (12, panels), or None
        Which panels of the first simulated sets are statistically significant; None for fewer than two panels.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
    >>> pooled.disagreement().to_frame().columns.tolist()
    ['panel', 'protocol', 'tastings', 'correct', 'p_value', 'significant', 'expected', 'chance']
    """

    _depicts = "Sets of panels simulated with one difference, these among them; below, how often each count is."

    panels: pd.DataFrame
    common: Distribution
    probability: Array
    spread: float
    sets: int
    seed: int
    left_out: tuple[str, ...] = ()
    alpha: float = ALPHA
    simulated: NDArray[np.bool_] | None = None

    @classmethod
    def of(cls, core: Core, *, alpha: float = ALPHA, sets: int = 4000, seed: int = 1) -> Disagreement:
        """Work it out for a pool; one panel alone has nothing to disagree with, but its probabilities are there.

        Raises
        ------
        ValueError
            If there are more than 2000 panels, or `alpha` is no risk between 0 and 1.
        """
        _check_risk(alpha)
        core = core.apart
        if len(core.panels) > MOST:
            raise ValueError(
                f"{words.count(len(core.panels), 'panel')} are more than the {words.whole(MOST)} whose verdicts can "
                "be weighed together; pool some of them, for instance with panels.only()."
            )
        frame, collected, common = core.panels.frame, core.collected, core.common
        usable = np.array([outcomes.counted(e) for e in collected.evidence])
        rows = np.flatnonzero(usable[collected.index])
        index = collected.index[rows]
        evidence = {i: collected.evidence[i] for i in np.unique(index)}
        weight, keep = common.weight, common.weight > 1e-9 * common.weight.max()
        nodes = [(g, np.flatnonzero(k)) for g, k in enumerate(keep) if k.any()]
        share = np.concatenate([weight[g, at] for g, at in nodes])
        tables_of = {  # the chance of every count, at every d-prime and overdispersion worth having
            i: np.concatenate([outcomes.probabilities(e, common.theta[at], common.gammas[g]) for g, at in nodes])
            for i, e in evidence.items()
        }
        significant = {i: outcomes.critical(e, alpha) for i, e in evidence.items()}
        chances = {i: table[:, significant[i] :].sum(axis=1) for i, table in tables_of.items()}
        share = share / share.sum()
        ones = np.stack([chances[i] for i in index], axis=1) if len(index) else np.empty((len(share), 0))
        number = share @ outcomes.number_of_successes(ones)
        spread = float("nan")
        simulated = None
        if len(index) > 1:
            rng = np.random.default_rng(seed)
            node = rng.choice(len(share), size=sets, p=share)
            counts = np.stack([_draw(tables_of[i], node, rng) for i in index], axis=1)
            simulated = counts[:DRAWN] >= np.array([significant[i] for i in index])
            which = {i: k for k, i in enumerate(evidence)}
            logs, best = outcomes.further_apart(list(evidence.values()), common.directed)
            tables_at = np.array([which[i] for i in index])
            seen = np.array([[outcomes.correct(evidence[i]) for i in index]])
            observed = outcomes.apart(logs, best, seen, tables_at)[0]
            spread = float(np.mean(outcomes.apart(logs, best, counts, tables_at) >= observed - 1e-9))
        p = [outcomes.p_value(evidence[i]) for i in index]
        expected = {
            i: float(share @ (t @ np.arange(t.shape[1]))) / max(t.shape[1] - 1, 1) for i, t in tables_of.items()
        }
        panels = frame.loc[rows, ["panel", "protocol", "tastings", "correct"]].reset_index(drop=True)
        panels = panels.assign(
            p_value=p,
            significant=[outcomes.correct(evidence[i]) >= significant[i] for i in index],
            expected=[expected[i] for i in index],
            chance=[float(share @ chances[i]) for i in index],
        )
        left_out = tuple(frame["panel"][~usable[collected.index]])
        return cls(panels, common.size, number, spread, sets, seed, left_out, alpha, simulated)

    @property
    def significant(self) -> int:
        """How many panels are statistically significant on their own."""
        return int(self.panels["significant"].sum())

    @property
    def mixed(self) -> float:
        """P(verdicts at least this mixed): at least as many panels on the rarer side, if all face one d-prime."""
        k = np.arange(len(self.probability))
        rarer = np.minimum(k, len(self.panels) - k)
        return float(self.probability[rarer >= min(self.significant, len(self.panels) - self.significant)].sum())

    @property
    def any_mixed(self) -> float:
        """P(some panels statistically significant and some not), if all face one d-prime."""
        return float(1 - self.probability[0] - self.probability[-1]) if len(self.panels) > 1 else 0.0

    @property
    def spread_error(self) -> float:
        """Monte Carlo standard error of `spread`."""
        return float(np.sqrt(max(self.spread * (1 - self.spread), 1 / self.sets) / self.sets))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the rows, one a panel.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.disagreement().to_frame().columns.tolist()
        ['panel', 'protocol', 'tastings', 'correct', 'p_value', 'significant', 'expected', 'chance']
        """
        return self.panels.copy()

    def sentence(self, prob: float = 0.95) -> str:
        """What the mixture of verdicts says, in words.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.disagreement().sentence()[:50]
        '1 of 3 panels is statistically significant on its '
        """
        k, s = len(self.panels), self.significant
        level = f"one-sided, {words.percent(self.alpha)}"
        if k < 2:
            return (
                "Fewer than two panels with a count of correct answers: there is nothing to disagree." + self._aside()
            )
        common = words.estimate(self.common.median, *self.common.interval(prob), prob)
        if 0 < s < k:
            text = (
                f"{s} of {k} panels {'is' if s == 1 else 'are'} statistically significant on "
                f"{'its' if s == 1 else 'their'} own ({level}) and {k - s} {'is' if k - s == 1 else 'are'} not. If all "
                f"had faced one and the same d-prime, {common}, verdicts at least this mixed would still come out in "
                f"{words.probability(self.mixed)} of such sets of panels"
            )
        else:
            which = "All" if s == k else "None"
            text = (
                f"{which} of the {k} panels {'are' if s == k else 'is'} statistically significant on "
                f"{'their' if s == k else 'its'} own ({level}), so the verdicts agree. If all had faced one and the "
                f"same d-prime, {common}, some would have come out either way in {words.probability(self.any_mixed)} "
                "of such sets of panels"
            )
        far = f"{words.probability(self.spread)} (simulated; standard error {words.percent(self.spread_error, 1)})"
        return (
            f"{text}, and counts at least this far apart in {far}. {self._meaning()}{self._protocols()}{self._aside()}"
        )

    def _meaning(self) -> str:
        mixed = self.mixed if 0 < self.significant < len(self.panels) else 1.0
        if self.spread < RARE or mixed < RARE:
            return (
                "One constant difference seldom looks like this: the panels may really differ, or something went wrong "
                "in one of them."
            )
        if self.significant in (0, len(self.panels)):
            return (
                "The counts are no further apart than one constant difference leaves them."
                if self.spread >= USUAL
                else "The counts are rather far apart for one constant difference: a hint, no more, that panels differ."
            )
        if self.spread >= USUAL and mixed >= USUAL:
            if min(self.spread, mixed) < COMMON:
                return (
                    "One constant difference looks like this now and then: little is learnt of whether panels differ."
                )
            return (
                "One constant difference looks like this in panels of these sizes: it tells next to nothing about "
                "whether the panels differ."
            )
        return "One constant difference can look like this, though not often: a hint, no more, that the panels differ."

    def _protocols(self) -> str:
        """Where protocols differ, how much of the mixture is theirs: some find the same difference far more often."""
        by = self.panels.groupby("protocol", sort=False)["chance"].agg(["min", "max"])
        if len(by) < 2:
            return ""
        said = [
            words.span(*words.distinct(low, high, unit="percent")) if high > low else words.probability(low)
            for low, high in by.itertuples(index=False)
        ]
        each = words.listing(f"{chance} ({name})" for name, chance in zip(by.index, said, strict=True))
        return f" Protocols find the same d-prime more or less often; chance of statistical significance there: {each}."

    def _aside(self) -> str:
        left = words.listing(self.left_out, most=6)
        return f" Left out, having two counts each: {left}." if self.left_out else ""

    def plot(self, *, reveal: bool = True, ax: Any = None) -> Axes:
        """Sets of panels simulated with one difference, these panels hidden among them; below, how often each count is.

        Each mark is a panel, filled where it is statistically significant on its own. The bars are exact.

        Parameters
        ----------
        reveal : bool
            Whether the figure says which row is these panels.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> from matplotlib.figure import Figure
        >>> axes = pooled.disagreement().plot(ax=Figure())
        """
        if self.simulated is None or len(self.panels) > WIDE:
            return self._bars(ax)
        place = int(np.random.default_rng([self.seed, DRAWN]).integers(len(self.simulated) + 1))
        rows = np.insert(self.simulated, place, self.panels["significant"].to_numpy(bool), axis=0)
        bars = len(self._counts())
        parts: list[figures.Part] = [
            (0.3, 0.22 * len(rows), 0.6, lambda part: figures.sets(rows, real=place if reveal else None, ax=part)),
            (0.1, 0.26 * bars, 0.7, self._bars),
        ]
        return figures.stacked(parts, ax=ax)

    def _counts(self) -> NDArray[np.intp]:
        """Numbers of statistically significant panels worth a bar: those that happen, and that of these panels."""
        shown = np.flatnonzero(self.probability > 0.002)
        return np.arange(min(shown[0], self.significant), max(shown[-1], self.significant) + 1)

    def _bars(self, ax: Any) -> Axes:
        shown = self._counts()
        names = [f"{i} of {len(self.panels)}{' (these panels)' if i == self.significant else ''}" for i in shown]
        return figures.bars(
            names,
            self.probability[shown].tolist(),
            marked=int(np.flatnonzero(shown == self.significant)[0]),
            xlabel="how often so many panels would be statistically significant\nif all faced one and the same d-prime",
            ax=ax,
        )

    def _table(self) -> tables.Table:
        kinds: dict[str, Any] = {"expected": "percent", "chance": "probability", "significant": "text"}
        frame = self.panels.assign(significant=self.panels["significant"].map({True: "yes", False: "no"}))
        return tables.table(
            frame,
            caption="Each panel alone, and if all faced the same d-prime",
            kinds=kinds,
            labels={
                "p_value": "p alone",
                "significant": "statistically significant",
                "expected": "expected correct",
                "chance": "chance of statistical significance",
            },
            most=40,
        )

    def _glance(self) -> Glance:
        k = len(self.panels)
        aside = (self._aside().strip(),) if self.left_out else ()
        if k < 2:
            alone = "Fewer than two panels with a count of correct answers: there is nothing to disagree."
            return Glance((alone,), None, aside, "serve another panel that gives a count of correct answers.")
        return Glance((self._counted(), *self._how_often()), self._small(), aside, self._step(), with_step=False)

    def _counted(self) -> str:
        """How many panels did better than guessing by themselves."""
        k = len(self.panels)
        s = self.significant
        if 0 < s < k:
            return f"Alone, {s} of {k} panels did clearly better than guessing, {k - s} did not."
        who = f"all {k} panels" if s else f"none of {k} panels"
        if k == 2:
            who = "both panels" if s else "neither of 2 panels"
        return f"Alone, {who} did clearly better than guessing: their verdicts agree."

    def _how_often(self) -> tuple[str, ...]:
        """How often one difference leaves panels like that, and what it means."""
        far = words.probability(self.spread)
        if 0 < self.significant < len(self.panels):
            mixed = words.probability(self.mixed)
            often = (
                f"verdicts at least this mixed come in {mixed} of such sets of panels, counts this far apart in {far}"
            )
        elif not self.significant and self.any_mixed < RARE:
            return ("So few tastings can hardly do better, whatever there is to taste.",)
        else:
            often = f"counts this far apart come in {far} of such sets of panels"
        return f"From one and the same difference, {often}.", self._meaning()

    def _small(self) -> tables.Table:
        """The panels whose verdicts alone were the least expected."""
        panels = self.panels.assign(
            expected=np.where(self.panels["significant"], self.panels["chance"], 1 - self.panels["chance"])
        )
        rows = [
            (
                cut(row.panel),
                f"{row.correct} of {row.tastings}",
                "yes" if row.significant else "no",
                words.probability(row.chance),
            )
            for row in panels.sort_values("expected", kind="stable").head(FIRST).itertuples()
        ]
        which = f", the {FIRST} least expected of {len(panels)}" if len(panels) > FIRST else ""
        caption = f"Clearly better than guessing, and how probable that was{which}"
        return compact(caption, ("panel", "right", "better", "probable"), rows)

    def _step(self) -> str:
        """What to do about it."""
        mixed = self.mixed if 0 < self.significant < len(self.panels) else 1.0
        if min(self.spread, mixed) < USUAL:
            return "see which panels fit the others badly, and look for what was different there."
        return "report what the panels say together, not one by one."

    def _shown(self) -> list[str | tables.Shown]:
        return [self.sentence(), *([self._table()] if len(self.panels) else [])]


def _draw(table: Array, node: NDArray[np.intp], rng: np.random.Generator) -> NDArray[np.intp]:
    """A count from the row of each node."""
    cumulative = np.cumsum(table, axis=1)
    cumulative /= cumulative[:, -1:]
    # rows lie one after another, each in a unit of its own, so that one search serves all
    flat = (cumulative + np.arange(len(table))[:, None]).ravel()
    found = np.searchsorted(flat, node + rng.random(len(node)))
    return np.clip(found - node * table.shape[1], 0, table.shape[1] - 1)
