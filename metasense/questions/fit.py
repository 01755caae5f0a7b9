"""Does the model fit these panels? Three checks, each able to say no.

Each panel is compared with what the *other* panels predict for it. The counts together are compared with sets that the
fitted model would produce: are they further apart than those? And the model is weighed against one it cannot imitate,
in which some panels have nothing to taste and the rest a difference: half the panels at guessing and half far above it
pull a pooled average up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from metasense.core.answers import Verdict
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Evidence, Series
from metasense.engine.outcomes import AtLeast
from metasense.engine.plane import Plane
from metasense.engine.posterior import average_p_correct
from metasense.protocols import Protocol
from metasense.questions.sensitivity import of_panels
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.floating[Any]]

SURPRISING = 0.05  # probability below which a check says no; for the panels: of the most surprising of all of them
FAVOURED = 3.0  # how many times better the mixture must describe the counts than the best of none, same and varying
MOST_COUNTS = 5_000_000  # simulated at a time; larger pools get fewer sets
ROUGH = 1e-2  # accuracy of the evidence at each share of such panels: the whole is asked for to a factor of 3
MOST_DRAWN = 40  # panels in the figure
MOST_D_PRIME, CELLS = 12.0, 150  # to which d-prime what the others predict is summed, and in how many steps
SHARES = 16  # Gauss-Legendre nodes over the share of panels with nothing to taste


@dataclass(frozen=True, eq=False, repr=False)
class Mixture:
    """Some panels with nothing to taste, the others varying around a centre; the share is uniform beforehand.

    Attributes
    ----------
    log_evidence : float
    nothing : float
        Expected share of panels with nothing to taste.
    average : Distribution
        Of the average d-prime over both kinds of panel.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
    >>> fit = ms.pool(table).fit()
    >>> 0 < fit.mixture.nothing < 1
    True
    """

    log_evidence: float
    nothing: float
    average: Distribution

    @classmethod
    def of(cls, core: Core) -> Mixture:
        """Integrate over the share, and over centre and spread of the rest."""
        copies = core.collected.copies.astype(float)
        x, w = np.polynomial.legendre.leggauss(SHARES)
        shares, parts = (x + 1) / 2, []

        @lru_cache(maxsize=2)
        def relative(plane: Plane) -> tuple[list[Array], list[Array], list[Array]]:
            """Each panel's larger log likelihood by region, and relative to it with no effect and at the nodes."""
            zero = np.zeros(1)
            none = [
                np.array([float(e.log_likelihood(zero, series.gamma)[0]) for e in series.evidence])
                for series, _, _ in plane.regions
            ]
            scale = [np.maximum(n, logs.max(axis=0)) for n, logs in zip(none, plane.logs, strict=True)]
            return (
                scale,
                [np.exp(n - top) for n, top in zip(none, scale, strict=True)],
                [np.exp(np.maximum(logs - top, -600)) for logs, top in zip(plane.logs, scale, strict=True)],
            )

        for share in shares:

            def factor(plane: Plane, share: float = float(share)) -> list[Array]:
                scale, none, rest = relative(plane)
                return [
                    (np.log(share * a + (1 - share) * b) + top) @ copies
                    for top, a, b in zip(scale, none, rest, strict=True)
                ]

            parts.append(core.plane.weigh(np.zeros(len(copies)), core.priors, factor, tolerance=ROUGH))
        logs = np.array([part.log_evidence for part in parts]) + np.log(w / 2)
        weights = np.exp(logs - logs.max())
        averages = [
            Distribution(part.average.x * (1 - share), part.average.cdf, part.average.mean * (1 - share))
            for part, share in zip(parts, shares, strict=True)
        ]
        total = float(logs.max() + np.log(weights.sum()))
        return cls(total, float(weights @ shares / weights.sum()), Distribution.mixture(averages, weights))


@dataclass(frozen=True, eq=False, repr=False)
class Fit(Pictured):
    """How well the model describes the panels. Made by `Pooled.fit`.

    Attributes
    ----------
    panels : DataFrame
        One row a panel: ``panel, protocol, tastings, correct``, the share of correct answers ``expected`` from the
        other panels, and how rare a count at least this far from what they predict is (``surprise``, two-sided, with
        half the probability of the count itself).
    spread : float
        Share of sets simulated from the fitted model whose counts are at least as far apart as the panels'.
    sets, seed : int
        How many were simulated, and from which seed.
    mixture : Mixture
    favour : float
        How many times more probable the counts are under the mixture than under the best of none, same and varying.
    left_out : tuple of str
        Panels without a single count of correct answers.
    core : Core or None
        The pool they belong to, needed for `plot`.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
    >>> fit = ms.pool(table).fit()
    >>> fit.warnings, fit.to_frame().columns[:2].tolist()
    ((), ['panel', 'protocol'])
    """

    _depicts = "Each panel's share of correct answers on the range that the others predict."

    panels: pd.DataFrame
    spread: float
    sets: int
    seed: int
    mixture: Mixture
    favour: float
    left_out: tuple[str, ...] = ()
    core: Core | None = field(default=None, repr=False)

    @classmethod
    def of(cls, core: Core, *, sets: int = 1000, seed: int = 1) -> Fit:
        """Check a pool."""
        frame, collected = core.panels.frame, core.collected
        usable = np.array([outcomes.counted(e) for e in collected.evidence])
        rows = np.flatnonzero(usable[collected.index])
        found = against_the_others(core) if usable.any() else ()
        index = collected.index[rows]
        panels = frame.loc[rows, ["panel", "protocol", "tastings", "correct"]].reset_index(drop=True)
        expected, surprise = (np.array([getattr(found[i], k) for i in index]) for k in ("expected", "surprise"))
        panels = panels.assign(expected=expected, surprise=surprise)
        mixture = core.share("mixture", lambda: Mixture.of(core))
        best = max(core.evidences.none, core.evidences.same, core.evidences.varying)
        favour = float(np.exp(min(mixture.log_evidence - best, 700.0)))
        sets = max(min(sets, MOST_COUNTS // max(len(index), 1)), 100)
        spread = _spread(core, index, sets, seed) if len(index) > 1 else float("nan")
        left_out = tuple(frame["panel"][~usable[collected.index]])
        return cls(panels, spread, sets, seed, mixture, favour, left_out, core)

    @property
    def most_surprising(self) -> float:
        """How often the most surprising of so many panels would be at least this surprising, taken as independent."""
        return float(1 - (1 - self.panels["surprise"].min()) ** len(self.panels)) if len(self.panels) else 1.0

    def to_frame(self) -> pd.DataFrame:
        """A copy of the rows, one a panel.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> fit = ms.pool(table).fit()
        >>> fit.to_frame().columns[:3].tolist()
        ['panel', 'protocol', 'tastings']
        """
        return self.panels.copy()

    @property
    def mixed(self) -> str:
        """That some panels look as if they had nothing to taste; empty where they do not."""
        if self.favour < FAVOURED:
            return ""
        middle, low, high = words.distinct(self.mixture.average.median, *self.mixture.average.interval())
        return (
            f"These panels look like a mixture of about {words.percent(self.mixture.nothing)} with nothing to taste "
            f"and others with a difference: that is {words.times(self.favour)} times as probable as the best of none, "
            "same and varying. The pooled average is then somewhat too high; with such a mixture it would be "
            f"{middle} ({low} to {high}). Look for what sets the panels apart; see pooled.some()."
        )

    @property
    def stray(self) -> str:
        """The panel that does not go with the others, and what hangs on it; empty where each does."""
        if len(self.panels) < 2 or self.most_surprising >= SURPRISING:
            return ""
        row = self.panels.loc[self.panels["surprise"].idxmin()]
        return (
            f"{words.one_line(row['panel'])} does not go with the others{self._without(row['panel'])}: "
            f"{row['correct']} correct of {row['tastings']}, where they predict about "
            f"{row['expected'] * row['tastings']:.0f}."
        )

    def _without(self, name: str) -> str:
        """What the answer would be without a panel, to go on with; empty where the pool is not at hand."""
        if self.core is None:
            return ""
        without, _ = of_panels(self.core, self.core.panels.frame["panel"].ne(name).to_numpy(bool))
        if self.core.margin is None:
            medians = words.distinct(without.median, self.core.average.median)
            return f", and without it the average d-prime would be {medians[0]}, not {medians[1]}"
        before, after = self.core.verdict().label, Verdict.of(without, self.core.margin).label
        return f", and without it the verdict {'stays' if before == after else f'would be {after}'}"

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the checks object to, in words; empty where they do not."""
        out = [self.mixed] if self.mixed else []
        if self.stray:
            out.append(
                f"{self.stray} A panel this far off turns up in {words.probability(self.most_surprising)} of sets of "
                f"{len(self.panels)} panels. Check its record."
            )
        if self.spread < SURPRISING:
            out.append(
                f"The counts are further apart than the fitted model allows: {words.probability(self.spread)} of the "
                "sets it would produce are as far apart or further. What is said of the next panel is then too narrow."
            )
        return tuple(out)

    def sentence(self) -> str:
        """The three checks in words, whatever they find.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> fit = ms.pool(table).fit()
        >>> fit.sentence()[:40]
        'The panel furthest from what the others '
        """
        if not len(self.panels):
            return "No panel has a single count of correct answers, so the fit cannot be checked." + self._aside()
        if len(self.panels) == 1:
            return (
                "One panel: it can only be compared with the prior, which allows nearly anything. Whether the model "
                f"fits cannot be seen.{self._aside()}"
            )
        row = self.panels.loc[self.panels["surprise"].idxmin()]
        error = words.percent(float(np.sqrt(max(self.spread * (1 - self.spread), 1 / self.sets) / self.sets)), 1)
        mix = self.mixture
        middle, low, high = words.distinct(mix.average.median, *mix.average.interval())
        return (
            f"The panel furthest from what the others predict is {words.one_line(row['panel'])}; one at least this far "
            f"off turns up in {words.probability(self.most_surprising)} of sets of {len(self.panels)} panels. Of sets "
            f"of counts that the fitted model would produce, {words.probability(self.spread)} are at least as far "
            f"apart (simulated; standard error {error}). A mixture of panels with nothing to taste and panels with a "
            f"difference is {words.times_as(self.favour)} as probable as the best of none, same and varying; under "
            f"it the average d-prime would be {middle} ({low} to {high}).{self._aside()}"
        )

    def caveat(self) -> str:
        """What the checks cannot see.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> fit = ms.pool(table).fit()
        >>> fit.caveat()[:40]
        'Small panels hide much. In simulations, '
        """
        return (
            "Small panels hide much. In simulations, half the panels at d-prime 0 and half at 1.5 were recognised as a "
            "mixture in 3 of 100 sets of six triangle panels of 30, in 5 of twelve, in 40 of twelve tetrad panels of "
            "30 and in 83 of twelve tetrad panels of 60; panels that follow the model were taken for one in 5 of 100 "
            "at most. A check that knew this mixture beforehand, and was wrong in 5 of 100, would recognise it in 17, "
            "56 and 91 of 100 sets of twelve: a better one is not to be had. That nothing is found does not mean that "
            "the model is right."
        )

    def plot(self, *, ax: Any = None) -> Axes:
        """Each panel's share of correct answers on the range that the others predict, the most surprising first.

        The 40 most surprising panels are drawn.

        Parameters
        ----------
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
        >>> fit = ms.pool(table).fit()
        >>> from matplotlib.figure import Figure
        >>> axes = fit.plot(ax=Figure())
        """
        if self.core is None:
            raise ValueError("this fit was made without its pool; use pooled.fit().")
        frame = self.panels.sort_values("surprise", kind="stable").head(MOST_DRAWN)
        names = self.core.panels.frame["panel"]
        index = [self.core.collected.index[np.flatnonzero(names == name)[0]] for name in frame["panel"]]
        ends = np.array(predicted_counts(self.core, index), float).reshape(-1, 2)
        n = frame["tastings"].to_numpy(float)
        said = [
            f"{x} of {int(of)}; predicted {low:.0f} to {high:.0f}"
            for x, of, (low, high) in zip(frame["correct"], n, ends, strict=True)
        ]
        shown = pd.DataFrame({"name": frame["panel"], "median": frame["expected"], "raw": frame["correct"] / n})
        return figures.ranges(
            shown.assign(lower=ends[:, 0] / n, upper=ends[:, 1] / n, beside=said),
            xlabel="share of answers correct",
            raw="counted",
            estimate="expected from the other panels",
            kind="predictive",
            ax=ax,
        )

    def _aside(self) -> str:
        left = words.listing(self.left_out, most=6)
        return f" Left out, having two counts each: {left}." if self.left_out else ""

    def _shown(self) -> list[str | tables.Table]:
        said = self.warnings or ("None of the checks objects.",) if len(self.panels) > 1 else ()
        predictor = "the other panels predict" if len(self.panels) > 1 else "the prior predicts"
        counts = [f"about {n:.0f}" for n in self.panels["expected"] * self.panels["tastings"]]
        table = tables.table(
            self.panels.assign(expected=counts),
            caption=f"Each panel against what {predictor} for it",
            kinds={"expected": "text", "surprise": "probability"},
            labels={"expected": "expected correct", "surprise": "as surprising or more"},
            most=40,
        )
        return [*said, self.sentence(), table, self.caveat()]


def fit_of(core: Core) -> Fit:
    """The fit of a pool, worked out once."""
    core = core.apart
    return core.remember("fit", lambda: Fit.of(core, seed=core.settings["seed"]))


class Against(NamedTuple):
    """What the other panels say of one: the log probability of its counts, and where it has a single count the share
    correct that they predict, and the two-sided surprise."""

    log_probability: float
    expected: float
    surprise: float


def against_the_others(core: Core) -> tuple[Against, ...]:
    """Each distinct panel against the others, everybody new in every panel; worked out once.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
    >>> [round(panel.expected, 2) for panel in against_the_others(ms.pool(table).core)]
    [0.52, 0.49, 0.42]
    """
    core = core.apart
    return core.share("against the others", lambda: _against_the_others(core))


def _against_the_others(core: Core) -> tuple[Against, ...]:
    evidence = core.collected.evidence
    events = {i: AtLeast(e, outcomes.correct(e) + 1) for i, e in enumerate(evidence) if outcomes.counted(e)}
    column = {i: k for k, i in enumerate(events)}
    protocols = {e.protocol for e in events.values()}

    @lru_cache(maxsize=2)
    def more(plane: Plane) -> list[Array]:
        """Chance of more correct answers than there were, at the nodes of each region."""
        asked: list[Evidence] = list(events.values())
        return [np.exp(v) for v in plane.values(lambda s: Series.build(asked, np.ones(len(asked)), s.gamma))]

    @lru_cache(maxsize=2)
    def rates(plane: Plane) -> dict[Protocol, list[Array]]:
        out = {}
        for protocol in protocols:
            rate = average_p_correct(protocol, core.directed)
            by_sign = {sign: rate(sign * plane.mu, plane.tau) for sign in {sign for _, sign, _ in plane.regions}}
            out[protocol] = [by_sign[sign] for _, sign, _ in plane.regions]
        return out

    found = []
    copies = core.collected.copies.astype(float)
    for i in range(len(evidence)):
        others = core.plane.weigh(copies, core.priors, without=i)
        equal = float(others.expect([np.exp(logs[:, i]) for logs in others.plane.logs]))
        expected = surprise = float("nan")
        if i in events:
            above = float(others.expect([tail[:, column[i]] for tail in more(others.plane)]))
            expected = float(others.expect(rates(others.plane)[events[i].protocol]))
            tail = above + equal / 2
            surprise = float(np.clip(2 * min(tail, 1 - tail), 0.0, 1.0))
        found.append(Against(float(np.log(equal)), expected, surprise))
    return tuple(found)


def predicted_counts(core: Core, which: Sequence[int], prob: float = 0.95) -> list[tuple[int, int]]:
    """For each of these distinct panels, between which counts it falls with `prob`, given all the others.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": ["A", "B", "C"], "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]}
    >>> predicted_counts(ms.pool(table).core, [0, 2])
    [(8, 24), (6, 21)]
    """
    found: dict[int, tuple[int, int]] = {}
    core = core.apart
    for i in dict.fromkeys(which):
        evidence, copies = core.collected.evidence[i], core.collected.copies.astype(float)
        copies[i] -= 1
        others = core.plane.weigh(copies, core.priors)
        plane = others.plane
        reach = min(float((np.abs(plane.mu) + 4 * plane.tau).max()), MOST_D_PRIME)
        edges = np.linspace(-reach, reach, 2 * CELLS + 1)
        middles = (edges[1:] + edges[:-1]) / 2
        total = np.zeros(outcomes.probabilities(evidence, middles[:1], 0.0).shape[1])
        inside = {
            sign: np.diff(ndtr((edges - sign * plane.mu[:, None]) / np.maximum(plane.tau, 1e-6)[:, None]), axis=1)
            for sign in {sign for _, sign, _ in plane.regions}
        }
        for (series, sign, _), weight in zip(plane.regions, others.weights, strict=True):
            total += (weight @ inside[sign]) @ outcomes.probabilities(evidence, middles, series.gamma)
        cdf = np.cumsum(total) / total.sum()
        low, high = np.searchsorted(cdf, [(1 - prob) / 2, (1 + prob) / 2])
        found[i] = int(low), int(min(high, len(total) - 1))
    return [found[i] for i in which]


def _spread(core: Core, index: NDArray[np.intp], sets: int, seed: int) -> float:
    """Share of sets from the fitted model whose counts are at least as far apart as the panels'."""
    rng, plane = np.random.default_rng(seed), core.plane
    fitted = plane.weigh(core.collected.copies.astype(float), core.priors)
    plane = fitted.plane
    weight = np.concatenate(fitted.weights)
    node = rng.choice(len(weight), size=sets, p=weight / weight.sum())
    region, at = np.divmod(node, len(plane.mu))
    gamma = np.array([series.gamma for series, _, _ in plane.regions])[region]
    mu = np.array([sign for _, sign, _ in plane.regions])[region] * plane.mu[at]
    evidence = {i: core.collected.evidence[i] for i in np.unique(index)}
    tau = plane.tau[at]
    counts = np.stack([outcomes.simulate(evidence[i], rng.normal(mu, tau), gamma, rng) for i in index], axis=1)
    logs, best = outcomes.further_apart(list(evidence.values()), core.directed)
    place = {i: k for k, i in enumerate(evidence)}
    table = np.array([place[i] for i in index])
    seen = np.array([[outcomes.correct(evidence[i]) for i in index]])
    observed = outcomes.apart(logs, best, seen, table)[0]
    return float(np.mean(outcomes.apart(logs, best, counts, table) >= observed - 1e-9))
