"""One panel on its own, of either kind: beliefs, verdict and words, which both kinds share.

What differs is what was counted: right answers (`forced_choice.py`), or two sorts of yes (`two_counts.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.alone.beliefs import (
    BEYOND,
    ON_D_PRIME,
    ON_P_D,
    OPEN,
    WITHIN,
    d_prime_posterior,
    prior_density,
    size,
    verdicts,
)
from metasense.alone.rates import DiscriminationRates
from metasense.engine.distribution import Distribution
from metasense.engine.priors import Priors, log_centre
from metasense.margins import SETTLED, Margin
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, plain, words
from metasense.showing.glance import Glance, compact
from metasense.showing.results import Answered, Pictured
from metasense.showing.tables import Shown, table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
_SAID = {"d_prime": "d-prime", "p_d": "p_d, above guessing", "p_c": "p_c, share correct", "p_value": "p-value"}
_SAID |= {name: name.replace("_", " ") for name in ("critical_number", "similarity_limit", "actual_alpha")}
_KINDS: dict[str, Any] = {
    "p_value": lambda p: words.p_value(p).removeprefix("p ").removeprefix("= "),
    "p_c": "percent",
    "p_d": "percent",
    "p_d found in 4 of 5": words.percent,
    "power": words.percent,
    "actual_alpha": lambda share: words.percent(share, 1),
    "P(beyond margin)": words.probability,
    "critical_number": words.whole,
    "similarity_limit": lambda count: "none" if count < 0 else words.whole(count),
    "chi-square": words.d,
    "criterion": words.d,
    "Bayes factor": words.times,
    "kind": "text",
}


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class OnePanel(Pictured, Answered):
    """One panel alone; made by `one_panel`. The two kinds differ in their counts and share what is below.

    Attributes
    ----------
    panel : str
        Its name, empty if it has none.
    protocol : Protocol or TwoCountProtocol
    margin : Margin or None
        The smallest difference that matters; without it there is no verdict.
    priors : Priors
        Of pooling; its marginal for one panel is the prior on d-prime here.
    alpha, beta : float
        Risks at which critical number and similarity limit are taken.
    prob : float
        Of every interval.
    settled : float
        Posterior probability from which the margin question counts as settled.
    notes : tuple of str
        What to keep in mind about this panel.
    tasters : int or None
        How many people gave the answers, where the table says so.

    Examples
    --------
    >>> from metasense.alone.single import one_panel
    >>> alone = one_panel("duo-trio", 36, 24, margin=Margin(d_prime=0.5))
    >>> isinstance(alone, OnePanel), alone.verdict()
    (True, 'not settled')
    """

    panel: str
    protocol: Any
    margin: Margin | None
    priors: Priors
    alpha: float
    beta: float
    prob: float
    settled: float
    notes: tuple[str, ...]
    tasters: int | None

    def _log_likelihood(self, d: Array) -> Array:
        raise NotImplementedError

    def _counted(self) -> str:
        raise NotImplementedError

    def _worked_out(self) -> list[str]:
        raise NotImplementedError

    def _opening(self) -> list[str]:
        raise NotImplementedError

    def _closing(self) -> list[str]:
        raise NotImplementedError

    def _rows(self) -> list[dict[str, Any]]:
        raise NotImplementedError

    def _seen(self) -> str:
        """The counts, for the plain answer."""
        raise NotImplementedError

    def _by_luck(self) -> str:
        """How rare the counts are by luck alone, for the first screen."""
        raise NotImplementedError

    @cached_property
    def _integrated(self) -> tuple[Distribution, float]:
        directed = self.protocol.directed
        return d_prime_posterior(
            self._log_likelihood, lambda d: prior_density(d, self.priors, directed=directed), directed=directed
        )

    @property
    def d_prime_posterior(self) -> Distribution:
        """D-prime given this panel and the pooling prior; with its sign if the protocol is directed."""
        return self._integrated[0]

    @property
    def log_bayes_factor(self) -> dict[str, float]:
        """Log of how much better a difference predicts the counts than guessing, for each prior of the difference."""
        return {ON_D_PRIME: self._integrated[1] - float(self._log_likelihood(np.array([0.0]))[0])}

    @property
    def beyond(self) -> dict[str, float]:
        """Posterior probability of a difference larger than the margin, for each prior; empty without a margin."""
        if self.margin is None:
            return {}
        return {ON_D_PRIME: size(self.d_prime_posterior).above(self.margin.d_prime)}

    def verdict(self) -> str | None:
        """``"beyond the margin"``, ``"within the margin"`` or ``"not settled"``; None without a margin.

        Settled only if the posterior probability reaches `settled` under every prior shown.

        Returns
        -------
        str or None

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.verdict()
        'not settled'
        """
        if self.margin is None:
            return None
        return str(verdicts(self.beyond, self.settled))

    def rates(self) -> DiscriminationRates:
        """This panel's difference as the p_d of each protocol (prior on d-prime).

        Returns
        -------
        DiscriminationRates

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.rates().to_frame()["protocol"].head(2).tolist()
        ['triangle', 'duo-trio']
        """
        return DiscriminationRates(self.d_prime_posterior, self.prob)

    def to_frame(self) -> pd.DataFrame:
        """All numbers: ``quantity, estimate, lower, upper, prob, kind, basis``; one row a quantity and its basis.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.to_frame()[["quantity", "basis", "estimate"]].round(2).head(3)
                  quantity                   basis  estimate
        0          p_value        exact, one-sided      0.07
        1  critical_number              alpha 0.05     13.00
        2     actual_alpha  at the critical number      0.03
        """
        columns = ["quantity", "estimate", "lower", "upper", "prob", "kind", "basis"]
        rows = [*self._rows(), *(plain_row("P(beyond margin)", chance, basis) for basis, chance in self.beyond.items())]
        with np.errstate(over="ignore"):  # infinite is as good as 1e308
            rows += [plain_row("Bayes factor", float(np.exp(v)), basis) for basis, v in self.log_bayes_factor.items()]
        return pd.DataFrame(rows, columns=columns)

    @property
    def _label(self) -> str:
        return f"{words.one_line(self.panel)}: " if self.panel else ""

    def _sentences(self) -> list[str]:
        first, *opening = self._opening()
        said = [first, *self.on_the_margin(), *opening, *self._closing()]
        return [*said, self._priors_in_words(), *self.notes]

    def _priors_in_words(self) -> str:
        flat = "every p_d from 0 to 1 equally probable, or " if ON_P_D in self.log_bayes_factor else ""
        return (
            f"Beliefs before the panel: {flat}d-prime as in pooling ({self.priors.describe(self.protocol.directed)})."
        )

    def on_the_margin(self) -> list[str]:
        """The margin, the probability beyond it and the verdict, in two sentences; none without a margin.

        Returns
        -------
        list of str

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.on_the_margin()[0][:40]
        'Margin: a triangle p_d of 30 % (53 % of '
        """
        if self.margin is None:
            return []
        said = [f"{words.probability(chance)} ({basis})" for basis, chance in self.beyond.items()]
        meaning = {
            BEYOND: "Beyond the margin: this panel points to a difference larger than the margin.",
            WITHIN: "Within the margin: a larger difference is improbable; a smaller one may well be there.",
            OPEN: f"Not settled: neither side of the margin has a probability of {words.percent(self.settled)}"
            f"{' under both priors' if len(said) > 1 else ''}. That is too little evidence, not evidence of likeness.",
        }
        return [
            f"Margin: {self.margin.sentence()}. Probability that the difference is larger: {', '.join(said)}.",
            meaning[self.verdict() or OPEN],
        ]

    def _evidence(self) -> str:
        said = []
        for basis, value in self.log_bayes_factor.items():
            with np.errstate(over="ignore"):  # infinite is as good as 1e308
                factor = words.times(np.exp(abs(value)))
            said.append(f"{factor} times {'for a difference' if value > 0 else 'for guessing'} ({basis})")
        return f"Weight of the counts (Bayes factor): {', '.join(said)}. It depends on the prior."

    def _line(self) -> str:
        posterior = self.d_prime_posterior
        text = (
            f"{self._counted()}; d-prime {words.estimate(posterior.median, *posterior.interval(self.prob), self.prob)}"
        )
        if self.margin is None:
            return f"{text}."
        said = "not settled against the margin" if self.verdict() == OPEN else self.verdict()
        return f"{text}: {said} of {words.d(self.margin.d_prime)}."

    def _paragraph(self) -> list[str]:
        return self._sentences()

    def _methods(self) -> list[str]:
        margin = "no margin was named" if self.margin is None else f"margin: {self.margin.sentence()}"
        return [
            *self._worked_out(),
            f"{self._priors_in_words()} Posteriors by integration over d-prime; medians and equal-tailed credible "
            f"intervals ({words.percent(self.prob)}).",
            f"Decision: {margin}; settled when the posterior probability of one side exceeds "
            f"{words.percent(self.settled)} under every prior named.",
        ]

    # --- the first screen -------------------------------------------------------------------------------------------

    def _said_in(self) -> Protocol:
        """The protocol whose answers are counted out: the margin's, or the panel's own."""
        stated = None if self.margin is None else self.margin.stated_protocol
        own = self.protocol.name if isinstance(self.protocol, Protocol) else "triangle"
        return forced_choice(stated or own)

    def _believed(self, test: Protocol) -> dict[str, tuple[float, float, float]]:
        """Median and interval of the chance of a correct answer, from each belief."""
        d = self.d_prime_posterior if test.directed else size(self.d_prime_posterior)
        p_c = d.map(test.p_correct)
        return {ON_D_PRIME: (p_c.median, *p_c.interval(self.prob))}

    def _glance(self) -> Glance:
        test = self._said_in()
        believed = self._believed(test)
        low = min(lower for _, lower, _ in believed.values())
        high = max(upper for _, _, upper in believed.values())
        middle = believed[ON_D_PRIME][0]
        at_margin = None
        if self.margin is not None:
            away = test.directed and middle < test.guess
            at_margin = float(test.p_correct(-self.margin.d_prime if away else self.margin.d_prime))
        share = plain.Share(test.name, test.guess, middle, low, high, at_margin)
        way = None
        if self.protocol.directed:
            way = self.d_prime_posterior.above(0)
        verdict = self.verdict() or ""
        own = test.name == self.protocol.name
        of = "100" if own else f"100 in a {test.name} test"
        said = [
            f"{plain.lead(verdict)}: {self._seen()}, which fits {plain.of_100(low)} to {plain.of_100(high)} of {of}, "
            f"where {share.beside()}{plain.direction(way, self.settled)}."
        ]
        if self.margin is not None:
            said += [self._beside_the_margin(verdict)]
        said = [*plain.with_nothing(said, self._nothing())]
        if self.margin is not None:
            said += [self._beside_a_pool(verdict)]
        names = {ON_D_PRIME: "believed, starting as a pool does", ON_P_D: "believed, starting with every rate alike"}
        rows = share.rows({names[basis]: numbers for basis, numbers in believed.items()})
        small = compact(share.caption(), plain.HEADERS, rows, self._by_luck())
        return Glance(tuple(said), small, self.notes, self._step(verdict), with_step=self.margin is None)

    def _beside_the_margin(self, verdict: str) -> str:
        """How probable the likelier side of the margin is, from each belief."""
        above = list(self.beyond.values())
        larger = sum(above) > len(above) / 2
        chances = sorted(chance if larger else 1 - chance for chance in above)
        least, most = (words.probability(chance) for chance in (chances[0], chances[-1]))
        if chances[0] < 0.5:
            side = "larger" if larger else "smaller"
            return (
                f"It is {least} or {most} probable, by where one starts, that the difference is {side} than the margin."
            )
        said = least if least == most or "than" in least else f"at least {least}"
        return plain.beside_the_margin(verdict, said, said, larger=larger)

    def _nothing(self) -> float:
        """Probability of nothing to taste, as a pool of this panel gives it: even with one size, and with a spread."""
        directed = self.protocol.directed

        def one_size(d: Array) -> Array:
            return np.exp(log_centre(self.priors, d, directed))

        same = d_prime_posterior(self._log_likelihood, one_size, directed=directed)[1]
        none = float(self._log_likelihood(np.array([0.0]))[0])
        logs = np.array([none, same, self._integrated[1]])
        weights = np.exp(logs - logs.max())
        return float(weights[0] / weights.sum())

    def _beside_a_pool(self, verdict: str) -> str:
        """Whether a pool of this panel could come to another verdict, and why."""
        pooled = str(verdicts({ON_D_PRIME: self.beyond[ON_D_PRIME]}, SETTLED))
        if len(self.beyond) > 1:
            could = f"may say {pooled}" if pooled != verdict else "could say otherwise"
            return f"A pool {could}, as it starts from one belief, not two."
        return "A pool could say otherwise, as it asks about panels like this one."

    def _step(self, verdict: str) -> str:
        if any("coding error" in note for note in self.notes):
            return "check the key, the codes and the instructions."
        if self.margin is None:
            return "say what difference would matter (margin=)."
        if verdict == OPEN:
            return "serve more panels of the same two products, and pool them all with pool()."
        return "serve another panel on new batches; one alone speaks for these tasters and cups."

    def _tables(self) -> tuple[Any, Any]:
        frame = self.to_frame()
        frame["quantity"] = frame["quantity"].map(lambda name: _SAID.get(name, name))
        kinds = {_SAID.get(name, name): kind for name, kind in _KINDS.items()}
        ranged = frame["lower"].notna()
        numbers = frame.loc[~ranged, ["quantity", "estimate", "basis"]].reset_index(drop=True)
        ranges = frame[ranged].drop(columns="prob").reset_index(drop=True)
        labels = {"basis": "by", "estimate": "value"}
        return (
            table(ranges, caption="Estimates", kinds=kinds, labels={"basis": "by"}, prob=self.prob),
            table(numbers, caption="What the panel says, and what it could have found", kinds=kinds, labels=labels),
        )

    def _shown(self) -> list[str | Shown]:
        return [*self._sentences(), *self._tables()]

    def _beliefs(self) -> dict[str, NDArray[Any]]:
        """The d-primes that are equally likely now, under each prior by its name; an only one is nameless."""
        return {"": self.d_prime_posterior.quantile(figures.LEVELS)}

    def _picture(self) -> figures.Drawing:
        test = self.protocol if isinstance(self.protocol, Protocol) else forced_choice("triangle")
        if self.margin is not None and self.margin.stated_protocol:
            test = forced_choice(self.margin.stated_protocol)
        signed = self.protocol.directed and test.directed
        scale = scale_of(test, self.margin, signed=signed)
        rows = {}
        for name, believed in self._beliefs().items():
            d_primes = believed if signed else np.sort(np.abs(believed))
            rows[name] = test.p_correct(d_primes)
        return figures.Drawing(lambda empty: figures.strip(rows, scale, ax=empty), figures.alt_strip(rows, scale))

    def plot_strip(self, *, ax: Any = None) -> Axes:
        """The answer as 100 equally likely truths on a scale of correct answers, on their sides of the margin.

        Under each prior each mark is a quantile of the d-prime, as the correct answers it gives in the margin's
        protocol, or in this panel's.

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
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> from matplotlib.figure import Figure
        >>> panel.plot_strip(ax=Figure()).get_xlabel().splitlines()[0]
        'correct of 100 triangle answers'
        """
        return self._picture().draw(ax)

    def plot(self, *, ax: Any = None) -> Axes:
        """Draw the posterior of d-prime beside its prior, with guessing and the margin marked.

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
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> from matplotlib.figure import Figure
        >>> panel.plot(ax=Figure()).get_ylabel()
        ''
        """
        posterior = self.d_prime_posterior
        low, high = posterior.quantile([0.001, 0.999])
        x = np.linspace(min(low - 0.3, 0.0) if self.protocol.directed else 0.0, max(high, 2.0) + 0.3, 601)
        lower, upper = posterior.interval(self.prob)
        ax = figures.posterior_density(
            x,
            posterior.density(x),
            prior_density=prior_density(x, self.priors, directed=self.protocol.directed),
            margin=None if self.margin is None else self.margin.d_prime,
            below=None if self.margin is None else 1 - self.beyond[ON_D_PRIME],
            interval=(lower, posterior.median, upper),
            prob=self.prob,
            unit=f"d-prime of {self.panel or 'this panel'} (0 is pure guessing), with the prior on d-prime",
            signed=self.protocol.directed,
            prior_name="before the panel (prior on d-prime, as in pooling)",
            ax=ax,
        )
        if self.protocol.directed:
            ax.axvline(0, color=figures.QUIET, linewidth=1, linestyle=":")
        return ax

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        if kind:
            return self._picture().alt
        lower, upper = self.d_prime_posterior.interval(self.prob)
        return figures.alt_posterior_density(
            interval=(lower, self.d_prime_posterior.median, upper),
            margin=None if self.margin is None else self.margin.d_prime,
            below=None if self.margin is None else 1 - self.beyond[ON_D_PRIME],
            prob=self.prob,
            unit="d-prime of this panel",
        )


def scale_of(test: Protocol, margin: Margin | None, *, signed: bool) -> figures.Scale:
    """The scale of a strip: correct answers of a protocol, to both sides of guessing where `signed`."""
    d_primes = [d for d in figures.D_PRIMES if signed or d >= 0]
    margins = [] if margin is None else [-margin.d_prime, margin.d_prime] if signed else [margin.d_prime]
    named = dict(zip(d_primes, test.p_correct(np.array(d_primes)).tolist(), strict=True))
    return figures.Scale.of_answers(test.name, test.guess, named, test.p_correct(np.array(margins, float)).tolist())


def ends(posterior: Distribution, prob: float) -> dict[str, Any]:
    lower, upper = posterior.interval(prob)
    return {"lower": lower, "upper": upper, "prob": prob, "kind": "equal-tailed"}


def plain_row(quantity: str, value: float | None, basis: str) -> dict[str, Any]:
    return {"quantity": quantity, "estimate": np.nan if value is None else float(value), "basis": basis}
