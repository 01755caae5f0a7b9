"""One forced-choice panel on its own: exact test, critical number, what it could have found, three scales."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import betaincc, betainccinv, betaln, xlogy

from metasense.alone.beliefs import ON_D_PRIME, ON_P_D, forced_choice_log_likelihood, p_d_posterior
from metasense.alone.panel import OnePanel, ends, plain_row
from metasense.binomial import at_least, at_most, exact_interval, largest_count, profile_interval, smallest_count
from metasense.engine.distribution import Distribution
from metasense.protocols import Protocol
from metasense.showing import figures, words
from metasense.showing.glance import cut

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class ForcedChoicePanel(OnePanel):
    """One forced-choice panel: `correct` right answers of `tastings`.

    Examples
    --------
    >>> from metasense.alone.single import one_panel
    >>> from metasense.margins import Margin
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
            plain_row("p_value", self.p_value, "exact, one-sided"),
            *(
                []
                if self.p_value_two_sided is None
                else [plain_row("p_value", self.p_value_two_sided, "exact, two-sided")]
            ),
            plain_row("critical_number", self.critical_number, f"alpha {self.alpha:g}"),
            plain_row("actual_alpha", self.actual_alpha, "at the critical number"),
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
                rows.append(row | ends(posterior, self.prob))
        if self.margin is not None:
            rows.append(plain_row("similarity_limit", self.similarity_limit, f"the margin, beta {self.beta:g}"))
            rows.append(plain_row("power", self.power_at_margin, "if the difference is exactly the margin"))
        rows.append(plain_row("p_d found in 4 of 5", self.detectable_p_d, f"{n} tastings, alpha {self.alpha:g}"))
        return rows

    def _beliefs(self) -> dict[str, NDArray[Any]]:
        flat = np.asarray(self.protocol.d_prime_from_p_d(self.p_d_posterior.quantile(figures.LEVELS)), float)
        return {
            "flat prior: every p_d equally likely": flat,
            "pooling's prior: small differences likelier": self.d_prime_posterior.quantile(figures.LEVELS),
        }

    def _counted(self) -> str:
        test, n, x = self.protocol, self.tastings, self.correct
        against = "at or below" if x / n <= test.guess else "against"
        return (
            f"{self._label}{test.name}, {x} of {n} answers correct ({words.percent(x / n)}), {against} the "
            f"{words.percent(test.guess)} that guessing gives"
        )

    def _seen(self) -> str:
        name = f"in {cut(self.panel)} " if self.panel else ""
        return f"{name}{self.correct} of {self.tastings} {self.protocol.name} answers were right"

    def _by_luck(self) -> str:
        chance = words.percent(self.p_value)
        said = f"Luck does as well in {chance} of panels"
        if self.critical_number > self.tastings:
            return f"{said}; in so few answers no count is statistically significant."
        return f"{said}; {self.critical_number} is statistically significant."

    def _believed(self, test: Protocol) -> dict[str, tuple[float, float, float]]:
        flat = self.p_d_posterior.map(self.protocol.d_prime_from_p_d).map(test.p_correct)
        return {ON_P_D: (flat.median, *flat.interval(self.prob))} | super()._believed(test)

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

    @cached_property
    def _all_rows(self) -> pd.DataFrame:
        return pd.DataFrame(self._rows())

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
        rows = self._all_rows
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
        return figures.icons(self.answers(), ax=ax)

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        if kind != "answers":
            return super()._alt(kind, how)
        return f"Answers: {', '.join(f'{count} {group}' for group, count in self.answers().items())}."

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
        if x < round(n * g):
            return {f"correct, fewer than the {round(n * g)} that guessing gives on average": x, "wrong": n - x}
        return {
            f"correct beyond guessing ({low:.0f} to {high:.0f} fit the counts)": beyond,
            "correct as guessing gives on average": x - beyond,
            "wrong": n - x,
        }
