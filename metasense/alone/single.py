"""One panel on its own: what its counts say, and what they leave open.

`one_panel` takes a row of a `Panels` table, or a protocol with its counts, and answers five questions apart from one
another: how rare such a count is when everybody guesses (the p-value), how large the difference may be (estimates with
intervals, on three scales), how probable it is that it lies beyond the margin, what a panel of this size could have
found at all, and how much the data speak for a difference against guessing. None of them stands in for another: a panel
that is not statistically significant has usually ruled out very little.

Two beliefs from before the panel are shown side by side, because on so few answers they matter: every p_d equally
probable, and the prior on d-prime that pooling uses. A verdict is given only where both lead to the same one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincc, betainccinv, betaln, chdtrc, xlogy

from metasense.alone.beliefs import (
    BEYOND,
    ON_D_PRIME,
    ON_P_D,
    OPEN,
    WITHIN,
    d_prime_posterior,
    forced_choice_log_likelihood,
    p_d_posterior,
    prior_density,
    size,
    verdicts,
)
from metasense.alone.rates import DiscriminationRates
from metasense.alone.yes_no import MOST_TABLES, binomial_chances, fisher, profile_d_prime, tables_with
from metasense.binomial import (
    at_least,
    at_most,
    exact_interval,
    fisher_tails,
    largest_count,
    profile_interval,
    smallest_count,
)
from metasense.engine.distribution import Distribution
from metasense.engine.priors import Priors
from metasense.engine.priors import stated as stated_priors
from metasense.margins import SETTLED, Margin
from metasense.margins import stated as stated_margin
from metasense.protocols import Protocol, TwoCountProtocol
from metasense.protocols import protocol as find_protocol
from metasense.showing import words
from metasense.showing.results import Statement
from metasense.showing.tables import Shown, table
from metasense.tables.panels import REVERSED

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from metasense.tables.panels import Panels

Array = NDArray[np.float64]


def _ends(posterior: Distribution, prob: float) -> dict[str, Any]:
    lower, upper = posterior.interval(prob)
    return {"lower": lower, "upper": upper, "prob": prob, "kind": "equal-tailed"}


# --- one panel --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class OnePanel(Statement):
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
        rows = [*self._rows(), *(_plain("P(beyond margin)", chance, basis) for basis, chance in self.beyond.items())]
        with np.errstate(over="ignore"):  # infinite is as good as 1e308
            rows += [_plain("Bayes factor", float(np.exp(v)), basis) for basis, v in self.log_bayes_factor.items()]
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
        from metasense.showing import figures

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
            unit=f"d-prime of {self.panel or 'this panel'}",
            ax=ax,
        )
        ax.axvline(0, color=figures.INK, linewidth=1, linestyle=":")
        ax.annotate("guessing", (0, 0.9), xycoords=("data", "axes fraction"), xytext=(3, 0), textcoords="offset points",
                    fontsize=8, color=figures.INK)  # fmt: skip
        return ax


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class ForcedChoicePanel(OnePanel):
    """One forced-choice panel: `correct` right answers of `tastings`.

    Examples
    --------
    >>> alone = one_panel("triangle", 24, 10, margin=Margin(p_d=0.3, protocol="triangle"))
    >>> round(alone.p_value, 2), alone.critical_number, alone.verdict()
    (0.25, 13, 'not settled')
    """

    tastings: int
    correct: int

    def _log_likelihood(self, d: Array) -> Array:
        return forced_choice_log_likelihood(self.protocol, self.tastings, self.correct, d)

    @property
    def p_value(self) -> float:
        """Chance of so many correct answers or more when all are guesses (exact, one-sided)."""
        return float(at_least(self.correct, self.tastings, self.protocol.guess))

    @property
    def p_value_two_sided(self) -> float | None:
        """For 2-AFC, where either product may be the stronger: chance of so uneven a count; None elsewhere."""
        if self.protocol.name != "2-AFC":
            return None
        return min(1.0, 2 * min(self.p_value, self.p_value_reversed))

    @property
    def p_value_reversed(self) -> float:
        """Chance of so few correct answers or fewer when all are guesses."""
        return float(at_most(self.correct, self.tastings, self.protocol.guess))

    @property
    def critical_number(self) -> int:
        """Fewest correct answers with a p-value of `alpha` or less; one more than `tastings` if none do."""
        return int(smallest_count(self.tastings, self.protocol.guess, self.alpha))

    @property
    def actual_alpha(self) -> float:
        """The alpha-risk the critical number really has."""
        return float(at_least(self.critical_number, self.tastings, self.protocol.guess))

    @property
    def similarity_limit(self) -> int | None:
        """Most correct answers that a difference as large as the margin leaves with at most the beta-risk."""
        share = self._margin_share
        return None if share is None else int(largest_count(self.tastings, share, self.beta))

    @property
    def power_at_margin(self) -> float | None:
        """Chance that a panel like this reaches its critical number when the difference is exactly the margin.

        It does not depend on the answers given.
        """
        share = self._margin_share
        return None if share is None else float(at_least(self.critical_number, self.tastings, share))

    @property
    def _margin_share(self) -> float | None:
        return None if self.margin is None else float(self.protocol.p_correct(self.margin.d_prime))

    @property
    def detectable_p_d(self) -> float:
        """The p_d from which a panel of this size reaches its critical number in four cases out of five."""
        c, n = self.critical_number, self.tastings
        if c > n:
            return float("nan")
        return float(self.protocol.p_d_from_p(betainccinv(c, n - c + 1, 0.2)))

    @cached_property
    def p_d_posterior(self) -> Distribution:
        """p_d in this protocol when before the panel every p_d was equally probable."""
        return p_d_posterior(self.protocol, self.tastings, self.correct)

    @property
    def log_bayes_factor(self) -> dict[str, float]:
        a, b, g = self.correct + 1, self.tastings - self.correct + 1, self.protocol.guess
        with np.errstate(divide="ignore"):
            average = betaln(a, b) + np.log(betaincc(a, b, g)) - np.log1p(-g)
        guessing = xlogy(self.correct, g) + xlogy(self.tastings - self.correct, 1 - g)
        return {ON_P_D: float(average - guessing)} | super().log_bayes_factor

    @property
    def beyond(self) -> dict[str, float]:
        if self.margin is None:
            return {}
        a, b = self.correct + 1, self.tastings - self.correct + 1
        allowed = betaincc(a, b, self.protocol.guess)
        flat = float(betaincc(a, b, self._margin_share) / allowed) if allowed > 0 else 0.0
        return {ON_P_D: flat} | super().beyond

    def _rows(self) -> list[dict[str, Any]]:
        test, n, x = self.protocol, self.tastings, self.correct
        rows = [
            _plain("p_value", self.p_value, "exact, one-sided"),
            *(
                []
                if self.p_value_two_sided is None
                else [_plain("p_value", self.p_value_two_sided, "exact, two-sided")]
            ),
            _plain("critical_number", self.critical_number, f"alpha {self.alpha:g}"),
            _plain("actual_alpha", self.actual_alpha, "at the critical number"),
        ]
        flat, pooling = self.p_d_posterior, self.d_prime_posterior
        floor = 0.0 if test.directed else test.guess
        exact = exact_interval(x, n, self.prob)
        profile = profile_interval(x, n, self.prob, floor=floor)
        share = x / n
        on: dict[str, Callable[[Any], Any]] = {"p_c": lambda p: p, "p_d": test.p_d_from_p, "d_prime": test.d_prime}
        to = {"p_c": test.p_from_p_d, "p_d": lambda rate: rate, "d_prime": test.d_prime_from_p_d}
        of = {"p_c": test.p_correct, "p_d": test.p_d, "d_prime": lambda d: d}
        for quantity in ("d_prime", "p_d", "p_c"):
            for kind, (lower, upper), basis in (
                ("exact", exact, "maximum likelihood, Clopper-Pearson"),
                ("profile", profile, "maximum likelihood, likelihood ratio"),
            ):
                cut = [float(on[quantity](max(p, floor))) for p in (share, lower, upper)]
                basis += ", cut at guessing" if lower <= floor and not test.directed else ""
                rows.append(dict(zip(("estimate", "lower", "upper"), cut, strict=True))
                            | {"quantity": quantity, "prob": self.prob, "kind": kind, "basis": basis})  # fmt: skip
            for basis, posterior in ((ON_P_D, flat.map(to[quantity])), (ON_D_PRIME, pooling.map(of[quantity]))):
                row = {"quantity": quantity, "estimate": posterior.median, "basis": f"posterior, {basis}"}
                rows.append(row | _ends(posterior, self.prob))
        if self.margin is not None:
            rows.append(_plain("similarity_limit", self.similarity_limit, f"the margin, beta {self.beta:g}"))
            rows.append(_plain("power", self.power_at_margin, "if the difference is exactly the margin"))
        rows.append(_plain("p_d found in 4 of 5", self.detectable_p_d, f"{n} tastings, alpha {self.alpha:g}"))
        return rows

    def _counted(self) -> str:
        test, n, x = self.protocol, self.tastings, self.correct
        against = "at or below" if x / n <= test.guess else "against"
        return (
            f"{self._label}{test.name}, {x} of {n} answers correct ({words.percent(x / n)}), {against} the "
            f"{words.percent(test.guess)} that guessing gives"
        )

    def _worked_out(self) -> list[str]:
        return [
            "The p-value is the exact binomial probability of so many correct answers or more when everybody guesses; "
            f"a difference is called from the smallest count that keeps it to {100 * self.alpha:.3g} %.",
            "d-prime is the Thurstonian distance at which the protocol's decision rule gives the share correct, p_d "
            "the share above guessing, rescaled to 0 to 100 %. Confidence intervals are exact (Clopper-Pearson) and by "
            "profile likelihood.",
        ]

    def _opening(self) -> list[str]:
        test, n, x = self.protocol, self.tastings, self.correct
        two = ""
        if self.critical_number <= n:
            called = f"A difference is called from {self.critical_number}"
            called += f" (real alpha-risk {words.percent(self.actual_alpha, 1)}), which this panel has "
            called += "reached." if x >= self.critical_number else "not reached."
        else:
            called = f"In a panel of {n} not even all correct would be called a difference."
        if self.p_value_two_sided is not None:
            two = f" (two-sided {words.p_value(self.p_value_two_sided)})"
        return [
            f"{self._counted()}.",
            f"Exact one-sided {words.p_value(self.p_value)}{two}. {called} A p-value measures how rare the count is "
            "among guessers, not how large the difference is.",
            f"d-prime: {self._side_by_side('d_prime', 'd')}.",
            f"p_d in {test.name}: {self._side_by_side('p_d', 'percent')}. {self.rates().explanation(test)}",
        ]

    def _side_by_side(self, quantity: str, unit: str) -> str:
        """Posterior median and interval under each prior."""
        frame, said = self.to_frame_of(quantity).set_index("basis"), []
        for basis in (ON_P_D, ON_D_PRIME):
            triple = frame.loc[f"posterior, {basis}", ["estimate", "lower", "upper"]].astype(float)
            middle, lower, upper = words.distinct(*triple, unit=unit)
            said.append(f"{middle} ({words.span(lower, upper)}) with a {basis}")
        return f"{said[0]}, {said[1]}; {words.interval_name(self.prob)}"

    def to_frame_of(self, quantity: str) -> pd.DataFrame:
        """The rows of `to_frame` for one quantity: ``"p_c"``, ``"p_d"`` or ``"d_prime"``.

        Parameters
        ----------
        quantity : {"p_c", "p_d", "d_prime"}
            Which.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.to_frame_of("p_d")[["basis", "estimate"]].round(2)
                                                       basis  estimate
        0  maximum likelihood, Clopper-Pearson, cut at gu...      0.25
        1  maximum likelihood, likelihood ratio, cut at g...      0.25
        2                       posterior, flat prior on p_d      0.26
        3                        posterior, prior on d-prime      0.18
        """
        rows = pd.DataFrame(self._rows())
        return rows[rows["quantity"] == quantity].reset_index(drop=True)

    def _closing(self) -> list[str]:
        n, text = self.tastings, []
        if self.power_at_margin is not None and self.critical_number <= n:
            text.append(
                f"Had the difference been exactly the margin, a panel of {n} would have reached its critical number in "
                f"{words.percent(self.power_at_margin)} of cases."
            )
        if np.isfinite(self.detectable_p_d):
            detectable = float(self.protocol.d_prime_from_p_d(self.detectable_p_d))
            text.append(
                f"A panel of {n} reaches its critical number in four cases out of five from a p_d of "
                f"{words.percent(self.detectable_p_d)}"
                + (f" (d-prime {words.d(detectable)})." if np.isfinite(detectable) else ".")
            )
        return [*text, self._evidence()]

    def plot_answers(self, *, ax: Axes | None = None) -> Axes:
        """Draw one mark an answer: correct beyond guessing, correct as guessing gives, wrong; answers, not people.

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
        >>> axes = panel.plot_answers(ax=Figure())
        """
        from metasense.showing import figures

        return figures.icons(self.answers(), ax=ax)

    def answers(self) -> dict[str, int]:
        """The answers in three groups: counts of answers, never of people.

        Correct answers beyond the number that guessing gives on average, as many as that number, and wrong ones. The
        first group's name holds how many such answers a panel like this gives on average, by the exact interval.

        Returns
        -------
        dict of str to int

        Examples
        --------
        >>> import metasense as ms
        >>> panel = ms.one_panel("triangle", 24, 12, margin=ms.Margin(p_d=0.3, protocol="triangle"))
        >>> panel.answers()
        {'correct beyond guessing (0 to 9 fit the counts)': 4, 'correct as guessing gives on average': 8, 'wrong': 12}
        """
        n, x, g = self.tastings, self.correct, self.protocol.guess
        low, high = (max(float(n * (p - g)), 0) for p in exact_interval(x, n, self.prob))
        beyond = max(x - round(n * g), 0)
        return {
            f"correct beyond guessing ({low:.0f} to {high:.0f} fit the counts)": beyond,
            "correct as guessing gives on average": x - beyond,
            "wrong": n - x,
        }


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class TwoCountPanel(OnePanel):
    """One A-not-A or same-different panel: `hits` of `signal` and `false_alarms` of `noise`.

    Examples
    --------
    >>> alone = one_panel("A-not-A", signal=100, hits=60, noise=100, false_alarms=35)
    >>> round(alone.d_prime, 3), round(alone.chi_square, 2), round(alone.p_value, 5)
    (0.639, 12.53, 0.00032)
    """

    signal: int
    hits: int
    noise: int
    false_alarms: int

    def _log_likelihood(self, d: Array) -> Array:
        return np.asarray(self.protocol.log_likelihood(d, self.signal, self.hits, self.noise, self.false_alarms))

    @property
    def counts(self) -> tuple[int, int, int, int]:
        """``signal, hits, noise, false_alarms``."""
        return self.signal, self.hits, self.noise, self.false_alarms

    @property
    def d_prime(self) -> float:
        """Maximum-likelihood d-prime; infinite if no answer was wrong."""
        return float(self.protocol.estimate(*self.counts).d_prime)

    @property
    def criterion(self) -> float:
        """The criterion the tasters seem to have used, in percept units."""
        return float(self.protocol.estimate(*self.counts).criterion)

    @property
    def p_value(self) -> float:
        """Fisher's exact one-sided p: chance of so many hits, given how often yes was said, if products are alike."""
        hits, log = tables_with(self.signal, self.noise, self.hits + self.false_alarms)
        weight = np.exp(log - log.max())
        return float(weight[hits >= self.hits].sum() / weight.sum())

    @property
    def chi_square(self) -> float:
        """Pearson's chi-square with one degree of freedom, without continuity correction; not a number if undefined."""
        (a, b), (c, d) = (self.hits, self.signal - self.hits), (self.false_alarms, self.noise - self.false_alarms)
        margins = (a + b) * (c + d) * (a + c) * (b + d)
        return (a * d - b * c) ** 2 * (a + b + c + d) / margins if margins else float("nan")

    @cached_property
    def profile(self) -> tuple[float, float]:
        """Profile-likelihood interval of d-prime, the criterion chosen anew at every d-prime."""
        return profile_d_prime(self.protocol, self.counts, self.prob)

    @cached_property
    def power_at_margin(self) -> float | None:
        """Chance that Fisher's test reaches `alpha` at a difference of exactly the margin, with this criterion.

        None without a margin, and where there are too many tables to go through (more than 3000 tastings of each kind).
        """
        if self.margin is None or self.signal * (self.signal + self.noise) > MOST_TABLES:
            return None
        _, criterion = self.protocol.estimate(*self.counts, add_half=True)
        hit, alarm = (float(v) for v in self.protocol.rates(self.margin.d_prime, criterion))
        hits, totals = np.arange(self.signal + 1), np.arange(self.signal + self.noise + 1)
        chance_of_hits, chance_of_alarms = binomial_chances(self.signal, hit), binomial_chances(self.noise, alarm)
        power = 0.0
        for part in np.array_split(
            totals, len(totals) * len(hits) // 4_000_000 + 1
        ):  # bounds the memory of large panels
            alarms = part[:, None] - hits  # more than there are tastings leave no hit to spare: their p is 1
            reached = (fisher(self.signal, self.noise, part) <= self.alpha * (1 + 1e-12)) & (alarms >= 0)
            power += float((reached * chance_of_alarms[np.clip(alarms, 0, self.noise)] @ chance_of_hits).sum())
        return power

    def _rows(self) -> list[dict[str, Any]]:
        lower, upper = self.profile
        posterior = self.d_prime_posterior
        rows = [
            _plain("p_value", self.p_value, "Fisher, exact, one-sided"),
            _plain("chi-square", self.chi_square, "Pearson, 1 degree of freedom"),
            _plain("p_value", float(chdtrc(1, self.chi_square)), "chi-square, two-sided"),
            {"quantity": "d_prime", "estimate": self.d_prime, "lower": lower, "upper": upper, "prob": self.prob,
             "kind": "profile", "basis": "maximum likelihood, likelihood ratio"},
            {"quantity": "d_prime", "estimate": posterior.median, "basis": f"posterior, {ON_D_PRIME}"}
            | _ends(posterior, self.prob),
            _plain("criterion", self.criterion, "maximum likelihood"),
        ]  # fmt: skip
        if self.power_at_margin is not None:
            rows.append(_plain("power", self.power_at_margin, "if the difference is exactly the margin"))
        return rows

    def _counted(self) -> str:
        yes = "A" if self.protocol.directed else "different"
        return (
            f"{self._label}{self.protocol.name}, answered {yes!r} in {self.hits} of {self.signal} tastings that were "
            f"and in {self.false_alarms} of {self.noise} that were not"
        )

    def _worked_out(self) -> list[str]:
        return [
            "The p-value is Fisher's exact one-sided; the chi-square is Pearson's, without continuity correction.",
            "d-prime is the Thurstonian distance that gives both shares with one criterion of the tasters; in the "
            "posterior the criterion is integrated out. The confidence interval is by profile likelihood.",
        ]

    def _opening(self) -> list[str]:
        posterior = self.d_prime_posterior
        (lower, upper), finite = posterior.interval(self.prob), bool(np.isfinite(self.criterion))
        return [
            f"{self._counted()}.",
            f"Fisher's exact one-sided {words.p_value(self.p_value)}. A p-value measures how rare the counts are when "
            "the products are alike, not how large the difference is.",
            f"d-prime: {words.estimate(posterior.median, lower, upper, self.prob)} with a {ON_D_PRIME}"
            + (f"; the tasters' criterion seems to have been at {words.d(self.criterion)}." if finite else "."),
            self.rates().statement(),
        ]

    def _closing(self) -> list[str]:
        if self.power_at_margin is None:
            return [self._evidence()]
        return [
            "Had the difference been exactly the margin and the criterion the same, such a panel would have reached a "
            f"p of {self.alpha:g} in {words.percent(self.power_at_margin)} of cases.",
            self._evidence(),
        ]


_COUNTS = ("tastings", "correct", "signal", "hits", "noise", "false_alarms")
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


def _plain(quantity: str, value: float | None, basis: str) -> dict[str, Any]:
    return {"quantity": quantity, "estimate": np.nan if value is None else float(value), "basis": basis}


def one_panel(
    panel: Any,
    tastings: int | None = None,
    correct: int | None = None,
    *,
    signal: int | None = None,
    hits: int | None = None,
    noise: int | None = None,
    false_alarms: int | None = None,
    margin: Margin | None = None,
    priors: Priors = Priors(),  # noqa: B008 - frozen
    alpha: float = 0.05,
    beta: float = 0.05,
    prob: float = 0.95,
    settled: float = SETTLED,
    name: str = "",
) -> ForcedChoicePanel | TwoCountPanel:
    """Read one panel on its own.

    Parameters
    ----------
    panel : str, Protocol, Panels of one panel, or a row of a Panels
        The protocol, when counts follow; otherwise the panel with its counts.
    tastings, correct : int
        For a forced-choice protocol.
    signal, hits, noise, false_alarms : int
        For A-not-A and same-different.
    margin : Margin, optional
        The smallest difference that matters. Without it there is no verdict.
    priors : Priors
        Scales of the pooling prior, whose marginal for one panel is the prior on d-prime.
    alpha, beta : float
        Risks of critical number and similarity limit.
    prob : float
        Of every interval.
    settled : float
        Posterior probability at which the margin question counts as settled.
    name : str
        What to call the panel.

    Returns
    -------
    OnePanel
        A `ForcedChoicePanel` or a `TwoCountPanel`.

    Raises
    ------
    ValueError
        If counts are missing or impossible; names the panel.

    Examples
    --------
    >>> one_panel("triangle", 24, 13).p_value.__round__(4)
    0.0284
    """
    notes: tuple[str, ...] = ()
    tasters = None
    if hasattr(panel, "frame"):
        if len(panel) != 1:
            raise ValueError(f"one_panel reads one panel; this table has {len(panel)}. Choose one: panels['its name'].")
        panel = next(iter(panel))
    if hasattr(panel, "protocol"):
        row, panel = panel, panel.protocol
        name = name or str(row.panel)
        counts = (getattr(row, key, None) for key in _COUNTS)
        tastings, correct, signal, hits, noise, false_alarms = (None if pd.isna(n) else int(n) for n in counts)  # type: ignore[arg-type]
        people = getattr(row, "tasters", None)
        tasters = None if people is None or pd.isna(people) else int(people)
        notes = tuple(_remarks(row, tastings if tastings is not None else (signal or 0) + (noise or 0)))
    for what, value in (("alpha", alpha), ("beta", beta), ("prob", prob)):
        if not 0 < value < 1:
            raise ValueError(
                f"{what} lies between 0 and 1, such as 0.05 for a risk or 0.95 for a probability; got {value!r}."
            )
    if not 0.5 < settled < 1:
        raise ValueError(f"settled is a probability above 0.5, so that one side only can reach it; got {settled!r}.")
    test = find_protocol(panel)
    common: dict[str, Any] = {
        "panel": name, "protocol": test, "margin": None if margin is None else stated_margin(margin),
        "priors": stated_priors(priors), "alpha": alpha, "beta": beta, "prob": prob,
        "settled": settled, "tasters": tasters,
    }  # fmt: skip
    label = f"panel {name!r}" if name else "the panel"
    if isinstance(test, TwoCountProtocol):
        signal, hits = _pair(label, "signal", signal, "hits", hits)
        noise, false_alarms = _pair(label, "noise", noise, "false_alarms", false_alarms)
        _without(label, test, tastings=tastings, correct=correct)
        few = float(fisher_tails(signal, hits, noise, false_alarms)[0])
        notes += _against(few, test.directed)
        return TwoCountPanel(**common, notes=notes, signal=signal, hits=hits, noise=noise, false_alarms=false_alarms)
    tastings, correct = _pair(label, "tastings", tastings, "correct", correct)
    _without(label, test, signal=signal, hits=hits, noise=noise, false_alarms=false_alarms)
    notes += _against(float(at_most(correct, tastings, test.guess)), test.directed)
    return ForcedChoicePanel(**common, notes=notes, tastings=tastings, correct=correct)


def _against(few: float, directed: bool) -> tuple[str, ...]:
    """What to say of counts as low as these have a chance of `few` to be when nothing can be tasted."""
    lean = (
        "The answers lean against the expected direction. The prior on d-prime allows that; the flat prior on p_d, "
        "which starts at guessing, does not.",
    )
    rare = (
        f"Counts that low are rare even among guessers (chance {few:.1g}): reversal or coding error? Check the key, "
        "the codes and the instructions before reading anything into this panel.",
    )
    return (*(lean if directed and few < 0.05 else ()), *(rare if few < REVERSED else ()))


def _pair(label: str, total: str, n: int | None, part: str, x: int | None) -> tuple[int, int]:
    if n is None or x is None:
        missing = words.listing([key for key, value in ((total, n), (part, x)) if value is None])
        raise ValueError(f"{label} needs its {missing}.")
    if not all(isinstance(value, (int, float, np.number)) and value == value // 1 for value in (n, x)):
        raise ValueError(f"{label} has {part} = {x!r} and {total} = {n!r}; counts are whole numbers.")
    if not 0 <= x <= n or n < 1:
        raise ValueError(f"{label} has {part} = {x} and {total} = {n}; 0 <= {part} <= {total}, and {total} from 1.")
    return int(n), int(x)


def _without(label: str, test: Any, **counts: int | None) -> None:
    if stray := [key for key, value in counts.items() if value is not None]:
        raise ValueError(f"{label} is a {test.name} panel, which has no {words.listing(stray)}; leave them out.")


def _remarks(row: Any, tastings: int) -> list[str]:
    """What the table says of a panel that the counts alone do not show."""
    out = []

    def given(column: str) -> Any:
        value = getattr(row, column, None)
        return None if value is None or pd.isna(value) else value

    if (tasters := given("tasters")) is not None and tasters < tastings:
        out.append(
            f"{words.count(int(tasters), 'taster')} gave {words.count(tastings, 'answer')}: the p-value holds if "
            "all guess, but intervals and probabilities take answers as independent and are too narrow."
        )
    if (blind := given("blind")) in ("single", "none"):
        out.append(
            "Not blind: what was seen or said may have decided."
            if blind == "none"
            else "Single blind only: the server knew."
        )
    if (looks := given("looks")) is not None and looks > 1:
        out.append(f"Looked at {int(looks)} times, the end included, which the p-value does not know.")
    return out


# --- all panels alone -------------------------------------------------------------------------------------------------


def panels_alone(panels: Panels | pd.DataFrame, *, alpha: float = 0.05, prob: float = 0.95) -> pd.DataFrame:
    """Every panel on its own, one row each, by exact arithmetic; equal panels are computed once.

    Parameters
    ----------
    panels : Panels, or DataFrame with its columns
    alpha : float
        Risk of the critical number.
    prob : float
        Of the intervals.

    Returns
    -------
    DataFrame
        ``panel, protocol, correct, tastings, p_value, critical_number``, then ``p_c``, ``p_d`` and ``d_prime``, each
        with ``_lower`` and ``_upper``, then ``prob, kind``. Undirected protocols are cut at guessing. A-not-A and
        same-different have Fisher's p, a d-prime with its profile-likelihood interval, and nothing else. Answers are
        taken as independent: for panels with repeats the p-value holds, the intervals are too narrow.

    Examples
    --------
    >>> frame = {"panel": ["A", "B"], "protocol": ["triangle", "duo-trio"], "tastings": [24, 20], "correct": [10, 15]}
    >>> alone = panels_alone(pd.DataFrame(frame))
    >>> alone[["panel", "p_value", "critical_number", "d_prime", "d_prime_upper"]].round(3)
      panel  p_value  critical_number  d_prime  d_prime_upper
    0     A    0.254               13    0.991          2.147
    1     B    0.021               15    2.020          3.438
    """
    frame = panels if isinstance(panels, pd.DataFrame) else panels.frame
    keys = [key for key in ("protocol", *_COUNTS) if key in frame]
    distinct = frame[keys].drop_duplicates(ignore_index=True)
    parts = [
        _alone(find_protocol(str(name)), rows, alpha, prob) for name, rows in distinct.groupby("protocol", sort=False)
    ]
    columns = ["panel", "protocol", "correct", "tastings", "p_value", "critical_number"]
    columns += [f"{scale}{end}" for scale in ("p_c", "p_d", "d_prime") for end in ("", "_lower", "_upper")] + [
        "prob",
        "kind",
    ]
    if not parts:
        return pd.DataFrame(columns=columns)
    numbers = pd.concat(parts).sort_index()
    code = frame[keys].merge(distinct.assign(_row=np.arange(len(distinct))), how="left", on=keys)["_row"].to_numpy()
    out = pd.concat(
        [frame[["panel", "protocol"]].reset_index(drop=True), numbers.iloc[code].reset_index(drop=True)], axis=1
    )
    for column in ("correct", "tastings"):
        out[column] = frame[column].to_numpy()
    return out.reindex(columns=columns)  # panels of two counts alone have no share of correct answers


def _alone(test: Protocol | TwoCountProtocol, rows: pd.DataFrame, alpha: float, prob: float) -> pd.DataFrame:
    """The numbers of distinct panels of one protocol, on the index of `rows`."""
    if isinstance(test, TwoCountProtocol):
        usable = rows[((rows["signal"] > 0) & (rows["noise"] > 0)).to_numpy(bool)]
        found: dict[str, list[float]] = {"p_value": [], "d_prime": [], "d_prime_lower": [], "d_prime_upper": []}
        for counts in usable[list(_COUNTS[2:])].astype(int).to_dict("records"):
            panel = one_panel(test, prob=prob, **counts)
            assert isinstance(panel, TwoCountPanel)
            for key, value in zip(found, (panel.p_value, panel.d_prime, *panel.profile), strict=True):
                found[key].append(value)
        out = pd.DataFrame(found, usable.index).reindex(rows.index)
        return out.assign(prob=prob, kind="profile", critical_number=pd.array([pd.NA] * len(rows), "Int64"))
    n, x = (rows[key].to_numpy(float) for key in ("tastings", "correct"))
    lower, upper = exact_interval(x, n, prob)
    share = np.divide(x, n, out=np.full(n.shape, np.nan), where=n > 0)
    floor = 0.0 if test.directed else test.guess
    critical = smallest_count(n, test.guess, alpha)
    out = pd.DataFrame({"p_value": at_least(x, n, test.guess)}, rows.index)
    out["critical_number"] = pd.array(critical, "Int64")
    out.loc[critical > n, "critical_number"] = pd.NA
    for end, p in (("", share), ("_lower", lower), ("_upper", upper)):
        cut = np.maximum(p, floor)
        out[f"p_c{end}"] = cut
        out[f"p_d{end}"] = test.p_d_from_p(cut)
        known = ~np.isnan(cut)
        out[f"d_prime{end}"] = np.nan
        out.loc[known, f"d_prime{end}"] = test.d_prime(cut[known])
    return out.assign(prob=prob, kind="exact")
