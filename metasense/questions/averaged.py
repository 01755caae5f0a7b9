"""The answer averaged over explanations: an exact 0 where there may be nothing, beside one difference or several.

A pooled average is of panels that have something to taste, and never comes out as 0. Here each explanation gives its
own answer and counts with its probability, *none* as an atom: d-prime 0, the guess rate. The probabilities rest on
what was believed beforehand, so the prior odds are said wherever an answer is, and a curve shows how it moves with
them. The verdict of the pool stays as it is; the averaged one is asked for by name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import Rate, Verdict, quantity, side
from metasense.core.core import Core, Tests, protocols_of
from metasense.engine.common import Common
from metasense.engine.distribution import Distribution
from metasense.engine.thinned import SomePosterior
from metasense.protocols import Protocol, forced_choice
from metasense.questions.hundred import share
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact
from metasense.showing.results import Answered, Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.floating[Any]]

NAMES = ("none", "same", "varying", "some")
OPEN = words.VERDICTS[2]
SMALL = 0.01
BEFORE = (0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95)  # probabilities of nothing that are tried


@dataclass(frozen=True, eq=False, repr=False)
class Averaged(Pictured, Answered):
    """The answer as a mixture of the explanations. Made by `Pooled.averaged`.

    Attributes
    ----------
    core : Core
        The pool.
    prior : tuple of float
        Probabilities beforehand of none, same, varying and, as a fourth, some.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]},
    ...                  margin=ms.Margin(d_prime=1))
    >>> averaged = pooled.averaged()
    >>> averaged.average.median, round(averaged.nothing, 2), averaged.verdict().label
    (0.0, 0.52, 'within the margin')
    """

    core: Core
    prior: tuple[float, ...]

    def __post_init__(self) -> None:
        values = numbers(self.prior)
        fits = values.shape in ((3,), (4,)) and np.isfinite(values).all() and (values >= 0).all()
        if not fits or abs(values.sum() - 1) > 1e-6:
            raise ValueError(
                "prior holds the probabilities of none, same, varying and perhaps some before the panels: three or "
                "four numbers of at least 0 that add up to 1, for instance (0.5, 0.25, 0.25); divide others by their "
                f"sum. Got {self.prior!r}."
            )
        object.__setattr__(self, "prior", tuple(values.tolist()))

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def log_evidence(self) -> Array:
        """Of none, same, varying and, where it has a prior, some."""
        found = self.core.evidences
        logs = [found.none, found.same, found.varying]
        return np.array([*logs, self.core.some().log_evidence] if self._with_some else logs)

    @property
    def _with_some(self) -> bool:
        return len(self.prior) == len(NAMES)

    @property
    def probability(self) -> Array:
        """Posterior probabilities of the explanations, in their order."""
        logs = self.log_evidence
        weight = np.exp(logs - logs.max()) * np.asarray(self.prior)
        return np.asarray(weight / weight.sum())

    @property
    def nothing(self) -> float:
        """Probability that no panel has anything to taste."""
        return float(self.probability[0])

    def _mixed(
        self,
        none: float,
        same: Callable[[Common], Distribution],
        varying: Distribution,
        some: Callable[[SomePosterior], Distribution],
    ) -> Distribution:
        """A quantity from its value where there is nothing, and what the other explanations say of it."""
        chances = self.probability
        if chances[0] > 1 - 1e-12:
            return varying.with_atom(none, 1.0)
        parts = [same(self.core.common), varying]
        if self._with_some:
            parts.append(some(self.core.some()))
        return Distribution.mixture(parts, chances[1:]).with_atom(none, float(chances[0]))

    @property
    def average(self) -> Distribution:
        """The average d-prime of panels like these; exactly 0 where there is nothing."""
        return self._kept("average", lambda: self._mixed(0.0, _size, self.core.average, lambda s: s.average))

    @property
    def next_d_prime(self) -> Distribution:
        """The size of the next panel's d-prime."""
        return self._kept("next", lambda: self._mixed(0.0, _size, self.core.next_d_prime, lambda s: s.next_d_prime))

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one.

        Parameters
        ----------
        test : str or Protocol
            A forced-choice protocol.

        Returns
        -------
        Rate
            Exactly the guess rate where there is nothing.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> round(pooled.averaged().rate("triangle").p_c.median, 3)
        0.333
        """
        kind = forced_choice(test)
        return self._kept(("rate", kind), lambda: self._rate(kind))

    def _rate(self, kind: Protocol) -> Rate:
        plain = self.core.rate(kind)
        signed = self.core.directed and kind.directed

        def same(common: Common) -> Distribution:
            return (common.signed if signed else common.size).map(kind.p_correct)

        average = self._mixed(kind.guess, same, plain.p_c, lambda s: s.average_rate(kind))
        following = self._mixed(kind.guess, same, plain.next_p_c, lambda s: s.next_rate(kind))
        return Rate(kind, average, following, self.core.made)

    def panel(self, name: str) -> Distribution:
        """One panel's own d-prime given all the panels.

        Parameters
        ----------
        name : str
            The panel's name in the table.

        Returns
        -------
        Distribution

        Raises
        ------
        PanelsError
            If there is no such panel.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().panel("A").median
        0.0
        """
        self.core.panels[name]
        row = int(np.flatnonzero(self.core.panels.frame["panel"] == name)[0])
        at = int(self.core.collected.index[row])
        kind = self.core.collected.evidence[at].protocol
        signed = self.core.directed and kind.directed

        def same(common: Common) -> Distribution:
            return common.signed if signed else common.size

        return self._mixed(0.0, same, self.core.panel_d_primes[at], lambda s: s.panels()[at])

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled, the exact 0 counted.

        Returns
        -------
        Verdict

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]},
        ...                  margin=ms.Margin(d_prime=1))
        >>> pooled.averaged().verdict() == "within the margin"
        True
        """
        return Verdict.of(self.average, self.core.margin)

    def _kept(self, name: object, work_out: Callable[[], Any]) -> Any:
        return self.core.remember(("averaged", self.prior, name), work_out)

    def curve(self) -> pd.DataFrame:
        """How the answer moves with the probability of nothing to taste beforehand; the others keep their odds.

        Returns
        -------
        DataFrame
            One row a probability ``before``: ``nothing`` (afterwards), the average d-prime's ``median, lower, upper``
            (95 %, equal-tailed), ``p_above, p_below, verdict``.

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().curve()["nothing"].round(2).tolist()[::5]
        [0.1, 0.69, 0.98]
        """
        others = np.asarray(self.prior[1:], float)
        others = others / others.sum() if others.sum() > 0 else np.full(len(others), 1 / len(others))
        rows = []
        for before in BEFORE:
            answer = replace(self, prior=(before, *((1 - before) * others).tolist()))
            lower, upper = answer.average.interval()
            verdict = answer.verdict()
            rows.append(
                {
                    "before": before,
                    "nothing": answer.nothing,
                    "median": answer.average.median,
                    "lower": lower,
                    "upper": upper,
                    "p_above": verdict.above,
                    "p_below": verdict.below,
                    "verdict": verdict.label,
                }
            )
        return pd.DataFrame(rows)

    def to_frame(self, prob: float = 0.95, protocols: Tests | None = None) -> pd.DataFrame:
        """The averaged answer as raw numbers.

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
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().to_frame()["quantity"].tolist()[:3]
        ['average d-prime', 'next panel d-prime', 'p_c (triangle)']
        """
        main = {"average d-prime": self.average, "next panel d-prime": self.next_d_prime}
        d_primes = pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols_of(protocols, self.core.protocols)]
        return pd.concat([d_primes, *rates], ignore_index=True)

    # --- words and figures ------------------------------------------------------------------------------------------

    def sentence(self) -> str:
        """The averaged answer, with the odds it rests on.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().sentence()[:66]
        'Counting that there may be nothing to taste at all (52 % probable,'
        """
        test = self.core.main_protocol
        share = self.rate(test).p_c
        low, high = share.interval()
        middle, least, most = words.distinct(share.median, low, high, unit="percent")
        before = words.listing(f"{words.percent(p)} {n}" for p, n in zip(self.prior, NAMES, strict=False))
        text = (
            f"Counting that there may be nothing to taste at all ({words.probability(self.nothing)} probable, "
            f"{words.percent(self.prior[0])} beforehand), {middle} of {test.name} answers would be correct ({least} to "
            f"{most}), where guessing gives {words.percent(test.guess)}; the average d-prime is "
            f"{words.estimate(self.average.median, *self.average.interval())}. The odds beforehand were {before}."
        )
        verdict = self.verdict()
        if verdict.margin is None:
            return text
        likely = f"{side(verdict.above)} above the margin, {side(verdict.below)} below"
        same = verdict.label == self.core.verdict().label
        return f"{text} Averaged so, the verdict {'stays' if same else 'would be'} {verdict.label} ({likely})."

    def on_the_odds(self) -> str:
        """How the answer moves with what was believed beforehand.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> pooled.averaged().on_the_odds()[:53]
        'With 5 % to 95 % for nothing beforehand, 10 % to 98 %'
        """
        frame = self.curve()
        first, last = frame.iloc[0], frame.iloc[-1]
        text = (
            f"With {words.percent(first['before'])} to {words.percent(last['before'])} for nothing beforehand, "
            f"{words.probability(first['nothing'])} to {words.probability(last['nothing'])} remain for it, and the "
            f"median of the average d-prime runs from {words.d(first['median'])} to {words.d(last['median'])}"
        )
        if self.core.margin is None:
            return f"{text}."
        labels = list(dict.fromkeys(frame["verdict"]))
        if len(labels) == 1:
            return f"{text}; the verdict is {labels[0]} throughout."
        return f"{text}; the verdict runs from {words.listing(labels).replace(' and ', ' to ')}."

    def plot(self, *, ax: Any = None) -> Axes:
        """The average d-prime against the probability of nothing to taste beforehand.

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
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [8, 8, 9]})
        >>> from matplotlib.figure import Figure
        >>> pooled.averaged().plot(ax=Figure()).get_ylabel().splitlines()[0]
        'average d-prime (median)'
        """
        frame = self.curve()
        margin = None if self.core.margin is None else self.core.margin.d_prime
        axes = figures.curve(
            frame["before"],
            frame["median"],
            lower=frame["lower"],
            upper=frame["upper"],
            level=margin,
            level_label="margin",
            xlabel="probability of nothing to taste beforehand (below it: afterwards)",
            ylabel="average d-prime (median)",
            steps=True,
            ax=ax,
        )
        ticks = [0, 2, 5, 8, 10]
        before = [words.percent(value) for value in frame["before"].iloc[ticks]]
        after = [words.probability(value) for value in frame["nothing"].iloc[ticks]]
        after = [text.replace("less than", "<").replace("more than", ">") for text in after]  # side by side
        axes.set_xticks(frame["before"].iloc[ticks], [f"{b}\n{a}" for b, a in zip(before, after, strict=True)])
        axes.set_ylim(0, 1.06 * max(frame["upper"].max(), margin or 0.0, 0.1))
        figures.mark_across(axes, self.prior[0], f"the odds used: {words.percent(self.prior[0])}")
        return axes

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return self.on_the_odds()

    def _glance(self) -> Glance:
        rate = self.rate(self.core.main_protocol)
        verdict = self.verdict()
        of = share(rate.protocol, rate.p_c, self.core.margin)
        moved = self._moved_by_explanations
        how = ", averaged over the explanations" if moved else " if there may be nothing to taste"
        said = [of.after(f"{plain.lead(verdict.label)}{how}")]
        if verdict.margin is not None:
            likely = side(verdict.above), side(verdict.below)
            said.append(plain.beside_the_margin(OPEN, *likely, larger=verdict.above > verdict.below))
        before = words.percent(self.prior[0])
        none = words.probability(self.nothing)
        said.append(f"It is {none} probable that there is nothing to taste ({before} before tasting).")
        ranges = {}
        known = self.core.rate(rate.protocol).p_c
        for name, p_c in (
            ("panels like these", rate.p_c),
            ("the next panel", rate.next_p_c),
            ("the pool itself", known),
        ):
            ranges[name] = (p_c.median, *p_c.interval())
        small = compact(of.caption(), plain.HEADERS, of.rows(ranges))
        return Glance(tuple(said), small, (), self._step(verdict), with_step=False)

    @property
    def _moved_by_explanations(self) -> bool:
        """Whether the verdict is another than the pool's even if it is certain that there is something."""
        pool, others = self.core.verdict().label, sum(self.prior[1:])
        if self.core.margin is None or self.verdict().label == pool or not others:
            return False
        certain = replace(self, prior=(0.0, *(p / others for p in self.prior[1:])))
        return certain.verdict().label != pool

    def _step(self, verdict: Verdict) -> str:
        """What to do with an answer that counts a chance of nothing."""
        if verdict.margin is None:
            return "say what difference would matter (margin= or --margin)."
        pool = self.core.verdict().label
        if self._moved_by_explanations:
            return (
                f"say both verdicts: averaged over the explanations it is {verdict.label}; the pool alone, which lets "
                f"panels differ, is {pool}."
            )
        if verdict.label != pool:
            return f"say both verdicts: without a chance of nothing it is {pool}."
        return "go on as the pool itself says; its verdict is the same."

    def _shown(self) -> Sequence[str | tables.Shown]:
        chances = zip(NAMES, self.prior, self.probability, strict=False)
        moves = self.curve()["nothing"].iloc[-1] > SMALL  # else nothing beforehand could make it probable
        weighed = pd.DataFrame(chances, columns=["explanation", "prior", "probability"])
        frame = self.to_frame().drop(columns="mean")
        kinds = {name: "percent" for name in frame["quantity"] if "p_" in name}
        return [
            self.sentence(),
            tables.table(weighed, caption="Explanations", kinds={"prior": "probability", "probability": "probability"}),
            tables.table(frame, caption="The answer averaged over them", kinds=kinds),
            *((self.on_the_odds(), self._moved()) if moves else ()),
        ]

    def _moved(self) -> tables.Table:
        frame = self.curve().drop(columns=["p_above", "p_below"])
        if self.core.margin is None:
            frame = frame.drop(columns="verdict")
        return tables.table(
            frame,
            caption="The average d-prime with other beliefs beforehand",
            kinds={"before": "probability", "nothing": "probability"},
            labels={"before": "P(nothing) beforehand", "nothing": "P(nothing) afterwards"},
        )


def numbers(values: object) -> Array:
    """What was given as numbers; none where it holds others."""
    try:
        return np.asarray(values, float)
    except (TypeError, ValueError):
        return np.array([])


def _size(common: Common) -> Distribution:
    return common.size
