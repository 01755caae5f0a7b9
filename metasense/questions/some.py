"""Only in some panels: how many may have nothing to taste, which they are, and what that leaves for the others.

One centre and one spread cannot describe panels of which half show nothing and half a clear difference: they say
something between that no panel shows. Here each panel has nothing with a probability that is learned from all of them,
and else a d-prime of its own. It is a fourth explanation beside none, same and varying, and is weighed against them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from numbers import Real
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.core.answers import Rate, Verdict, quantity
from metasense.core.core import Core, Tests, protocols_of
from metasense.engine.distribution import Distribution
from metasense.engine.thinned import SomePosterior
from metasense.protocols import Protocol, forced_choice
from metasense.questions.averaged import NAMES, Averaged, numbers
from metasense.questions.hundred import share
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact, cut
from metasense.showing.results import Answered, Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes

EVEN = (0.25, 0.25, 0.25, 0.25)
SPEAKS = 3.0  # times as probable as any other explanation, from which a pool's cautions point here
TOLD = 0.5  # between the panels' probabilities of nothing, from which they are told apart
PERHAPS = "Perhaps only in some panels"  # how that caution begins
IF = {"varying": "every panel has something", "same": "all have the same difference", "none": "no panel has anything"}
BETTER = {"varying": "The pool itself", "same": "The same difference in all", "none": "Nothing in any panel"}
FIRST = 3  # panels named on a first screen
OVER = "over all panels, "  # of which an average is told that describes neither kind
HIDDEN = (  # 400 sets each, by tests/calibration/some_panels.py
    "Few panels seldom tell. In simulations with half the panels at d-prime 0 and half at 1.5, the cautions said so "
    "in 3 of 100 sets of six triangle panels of 30 and in 80 of twelve tetrad panels of 60, and the checks of the fit "
    "objected in 10 and 81: that nothing speaks for it does not mean that every panel has something."
)
FEWEST = 4  # panels from which it is asked unasked: fewer cannot tell a share from a spread


@dataclass(frozen=True, eq=False, repr=False)
class Some(Pictured, Answered):
    """The pool if only some panels have something to taste. Made by `Pooled.some`.

    Attributes
    ----------
    core : Core
        The pool.
    stated : float or None
        The share of panels with nothing, where it is stated and not learned.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABCDEF"), "protocol": "triangle", "tastings": 30,
    ...                   "correct": [10, 22, 9, 24, 11, 23]})
    >>> some = pooled.some()
    >>> some.panels_frame()["p_nothing"].round(2).tolist()
    [0.96, 0.0, 0.97, 0.0, 0.95, 0.0]
    >>> round(some.factor("varying"), 1)
    13.8
    """

    core: Core
    stated: float | None = None

    def __post_init__(self) -> None:
        if self.stated is None:
            return
        if not isinstance(self.stated, Real) or not 0 < self.stated < 1:
            raise ValueError(
                "nothing is the share of panels in which there is nothing to taste, above 0 and below 1; leave it out "
                f"to learn it from the panels. Got {self.stated!r}."
            )

    @property
    def posterior(self) -> SomePosterior:
        """What the answers are read off."""
        return self.core.some(self.stated)

    @property
    def nothing(self) -> Distribution:
        """The share of panels like these that have nothing to taste."""
        return self.posterior.nothing

    @property
    def average(self) -> Distribution:
        """The average d-prime of panels like these, those with nothing counted as 0."""
        return self.posterior.average

    @property
    def size(self) -> Distribution:
        """The average d-prime of the panels that have something to taste."""
        return self.posterior.size

    @property
    def next_d_prime(self) -> Distribution:
        """The size of the next panel's d-prime, exactly 0 where it has nothing."""
        return self.posterior.next_d_prime

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        Rate

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> round(pooled.some().rate("triangle").p_c.median, 2)
        0.52
        """
        kind = forced_choice(test)
        return Rate(kind, self.posterior.average_rate(kind), self.posterior.next_rate(kind), self.core.made)

    def verdict(self) -> Verdict:
        """Whether the average d-prime, zeros counted, is beyond the margin, within it, or not settled.

        Returns
        -------
        Verdict

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]},
        ...                  margin=ms.Margin(d_prime=1))
        >>> pooled.some().verdict().label
        'not settled'
        """
        return Verdict.of(self.average, self.core.margin)

    def factor(self, against: str = "varying") -> float:
        """How many times more probable the panels are under this explanation than under another (Bayes factor).

        Parameters
        ----------
        against : {"varying", "same", "none"}

        Returns
        -------
        float

        Raises
        ------
        ValueError
            If there is no such explanation.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().factor() > 2
        True
        """
        if against not in NAMES[:3]:
            raise ValueError(f"against is {words.listing(map(repr, NAMES[:3]))}; got {against!r}.")
        return float(np.exp(self.posterior.log_evidence - getattr(self.core.evidences, against)))

    def explanations(self, prior: tuple[float, float, float, float] = EVEN) -> pd.DataFrame:
        """The four explanations beside one another.

        Parameters
        ----------
        prior : (float, float, float, float)
            Probabilities of none, same, varying and some before the panels; even by default.

        Returns
        -------
        DataFrame
            Columns ``log_evidence, prior, probability``, indexed by the explanation.

        Raises
        ------
        ValueError
            If `prior` holds no four probabilities that add up to 1.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().explanations()["probability"].round(2).to_dict()["none"]
        0.0
        """
        given = numbers(prior)
        if given.shape != (len(NAMES),):
            raise ValueError(
                "prior holds four numbers here, the probabilities of none, same, varying and some before the panels, "
                f"for instance {EVEN}. Got {prior!r}."
            )
        Averaged(self.core, tuple(given.tolist()))  # refuses what is no such odds
        logs = np.array([*(getattr(self.core.evidences, name) for name in NAMES[:3]), self.posterior.log_evidence])
        weight = np.exp(logs - logs.max()) * given
        columns = {"log_evidence": logs, "prior": given, "probability": weight / weight.sum()}
        return pd.DataFrame(columns, index=pd.Index(NAMES, name="explanation"))

    def to_frame(self, prob: float = 0.95, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.
        protocols : str, Protocol or sequence of them, optional
            Whose rates are given; those of the panels and the margin by default.

        Returns
        -------
        DataFrame
            Columns ``quantity, mean, median, lower, upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().to_frame()["quantity"].tolist()[:3]
        ['share of panels with nothing', 'average d-prime, zeros counted', 'average d-prime where there is something']
        """
        main = {
            "share of panels with nothing": self.nothing,
            "average d-prime, zeros counted": self.average,
            "average d-prime where there is something": self.size,
            "next panel d-prime": self.next_d_prime,
        }
        d_primes = pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols_of(protocols, self.core.protocols)]
        return pd.concat([d_primes, *rates], ignore_index=True)

    def panels_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Each panel: how probable it is that it had nothing to taste, and its own d-prime with that counted.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            One row a panel in the order of the table: ``panel, protocol, tastings, correct, p_nothing, median, lower,
            upper, prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().panels_frame()[["panel", "median"]].round(1).values.tolist()
        [['A', 0.0], ['B', 2.7], ['C', 0.0], ['D', 2.8]]
        """
        frame = self.core.panels.frame[["panel", "protocol", "tastings", "correct"]].reset_index(drop=True)
        index = self.core.collected.index
        own = [(d.median, *d.interval(prob)) for d in self.posterior.panels()]
        sizes = pd.DataFrame(own, columns=["median", "lower", "upper"]).iloc[index].reset_index(drop=True)
        absent = self.posterior.panels_nothing[index]
        kinds = {"prob": prob, "kind": "equal-tailed"}
        return pd.concat([frame.assign(p_nothing=absent), sizes], axis=1).assign(**kinds)

    # --- words and figures ------------------------------------------------------------------------------------------

    def sentence(self) -> str:
        """How many panels may have nothing, what is there in the others, and how that explanation stands.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().sentence()[:62]
        'If only some panels have something to taste, 49 % of panels li'
        """
        if self.stated is None:
            low, high = self.nothing.interval()
            middle, least, most = words.distinct(self.nothing.median, low, high, unit="percent")
            share = f"{middle} of panels like these have nothing ({least} to {most})"
        else:
            share = f"{words.percent(self.stated)} of panels like these have nothing (stated, not learned)"
        size, average = self.size, self.average
        return (
            f"If only some panels have something to taste, {share}, and the others an average d-prime of "
            f"{words.estimate(size.median, *size.interval())}. Zeros counted, the average is "
            f"{words.estimate(average.median, *average.interval())}. {self.compared()}"
        )

    @property
    def best(self) -> str:
        """The likeliest of the other explanations: varying, same or none."""
        return max(IF, key=lambda name: float(getattr(self.core.evidences, name)))

    @property
    def favoured(self) -> bool:
        """Whether the panels speak for this explanation, against each of the others."""
        return self.core.evidences.varying >= self.core.evidences.same and self.factor(self.best) >= SPEAKS

    @property
    def told_apart(self) -> bool:
        """Whether the panels tell which of them have something."""
        return float(np.ptp(self.posterior.panels_nothing)) >= TOLD

    def compared(self) -> str:
        """How probable the panels are under this explanation, beside the likeliest of the others.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().compared()[:40]
        'The panels are 10 times as probable unde'
        """
        factor, other = self.factor(self.best), IF[self.best]
        if factor >= 1:
            return f"The panels are {words.times_as(factor)} as probable under this as if {other}."
        return f"The panels are {words.times_as(1 / factor)} as probable if {other}."

    def next_one(self) -> str:
        """What the next panel faces, in its two parts.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> pooled.some().next_one()[:36]
        'The next panel has nothing to taste '
        """
        something = self.posterior.next_something
        low, high = words.distinct(*something.interval())
        chance = words.probability(self.posterior.next_nothing)
        return (
            f"The next panel has nothing to taste with a probability of {chance}; if it has something, its d-prime is "
            f"expected between {low} and {high} (95 %)."
        )

    def plot(self, *, ax: Any = None) -> Axes:
        """Each panel's probability of having nothing to taste.

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
        >>> pooled = ms.pool({"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [8, 22, 9, 24]})
        >>> from matplotlib.figure import Figure
        >>> pooled.some().plot(ax=Figure()).get_xlabel()
        'probability that the panel has nothing to taste'
        """
        frame = self.panels_frame().sort_values("p_nothing", kind="stable")
        return figures.chances(
            frame["panel"],
            frame["p_nothing"],
            beside=[_counted(row) for row in frame.itertuples()],
            xlabel="probability that the panel has nothing to taste",
            ax=ax,
        )

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        frame = self.panels_frame()
        absent = frame["p_nothing"]
        least, most = frame.loc[absent.idxmin(), "panel"], frame.loc[absent.idxmax(), "panel"]
        return (
            f"Probability that each panel has nothing to taste: from {words.probability(absent.min())} "
            f"({words.one_line(least)}) to {words.probability(absent.max())} ({words.one_line(most)})."
        )

    def _glance(self) -> Glance:
        rate = self.rate(self.core.main_protocol)
        of = share(rate.protocol, rate.p_c, self.core.margin)
        lead = f"{plain.lead(self.verdict().label)} if only some panels have something to taste"
        low, high = self.nothing.interval()
        about = f"about {plain.of_100(self.nothing.median)} ({plain.of_100(low)} to {plain.of_100(high)})"
        if self.stated is not None:
            about = f"{plain.of_100(self.stated)} (as stated)"
        nothing = f"Of 100 such panels {about} would have nothing{self._which()}."
        said: tuple[str, ...] = (of.after(lead, over=OVER), nothing, self.compared())
        if self.factor(self.best) < 1:  # that answer stands, and what this would say comes after it
            often = words.times_as(1 / self.factor(self.best))
            better = f"{BETTER[self.best]} fits better: the panels are then {often} as probable."
            verdict = self.verdict().label
            known = f", {verdict}" if verdict in words.VERDICTS else ""
            said = (better, of.after(f"If only some have{known}", over=OVER), nothing)
        return Glance(said, self._compact(of), (), self._step(), with_step=False)

    def _which(self) -> str:
        """Which panels likely have nothing, where that is told apart."""
        frame = self.panels_frame()
        likely = [cut(name) for name in frame.loc[frame["p_nothing"] > 0.5, "panel"]]
        if not self.told_apart or not likely:
            return ""
        return f"; {words.listing(likely, FIRST)} likely {'do' if len(likely) > 1 else 'does'}"

    def _compact(self, of: plain.Share) -> tables.Table:
        """What there is where there is something, and the two parts of the next panel."""
        kind, nothing = self.core.main_protocol, self.posterior.next_nothing
        chance, rest = words.probability(nothing), words.probability(1 - nothing)
        parts = {
            "panels with something": self.posterior.size_rate(kind),
            f"the next panel: something ({rest})": self.posterior.next_something_rate(kind),
        }
        rows = of.rows({name: (p_c.median, *p_c.interval()) for name, p_c in parts.items()})
        rows.insert(1 + len(parts), (f"the next panel: nothing ({chance})", plain.of_100(kind.guess), ""))
        return compact(of.caption(), plain.HEADERS, rows)

    def _step(self) -> str:
        """What to do: look for the reason where the panels tell which have something, else go on with the pool."""
        if self.favoured and self.told_apart:
            return "look for what the panels with something share, and name it as a moderator."
        if self.factor() < 1:
            return "go on with the pool itself, which fits these panels better."
        if not self.told_apart:
            return "go on with the pool itself; these panels do not tell which have something."
        return "go on with the pool itself; these panels hardly speak for only some."

    def _shown(self) -> Sequence[str | tables.Shown]:
        chance = {"prior": "probability", "probability": "probability"}
        weighed = self.explanations().reset_index()
        answer = self.to_frame().drop(columns="mean")
        kinds = {name: "percent" for name in answer["quantity"] if "p_" in name or name.startswith("share")}
        panels = self.panels_frame().drop(columns=["prob", "kind"])
        return [
            self.sentence(),
            self.next_one(),
            tables.table(
                panels,
                caption="Each panel, with the probability that it had nothing to taste",
                kinds={"p_nothing": "probability"},
                labels={"p_nothing": "P(nothing to taste)", "median": "d-prime"},
                most=60,
            ),
            tables.table(answer, caption="If only some panels have something to taste", kinds=kinds),
            tables.table(
                weighed, caption="Explanations, equally probable beforehand", kinds=chance | {"log_evidence": _log}
            ),
            HIDDEN,
        ]


def _log(value: float) -> str:
    return f"{value:.2f}"


def _counted(row: Any) -> str:
    return "" if pd.isna(row.tastings) else f"{row.correct} of {row.tastings} correct"


def favoured(core: Core) -> Some | None:
    """The pool if only some panels have something to taste, where the panels speak for it."""
    core = core.apart
    if len(core.panels) < FEWEST or core.settings["method"] != "grid":
        return None
    found = Some(core)
    return found if found.favoured else None


def caution(core: Core) -> list[str]:
    """That only some panels may have something to taste, where the panels speak for it."""
    found = favoured(core)
    if found is None:
        return []
    low, high = found.nothing.interval()
    return [
        f"{PERHAPS}: {words.times(found.factor())} times as probable as that every panel has something to taste; see "
        f"pooled.some(). Then {words.percent(low)} to {words.percent(high)} of panels have nothing, and one average "
        "describes neither kind."
    ]


def aside(core: Core) -> list[str]:
    """The same in a sentence, beside explanations without it."""
    found = favoured(core)
    if found is None:
        return []
    return [
        f"The panels are {words.times(found.factor())} times as probable if only some of them have something to taste "
        "as if all of them have."
    ]
