"""One A-not-A or same-different panel on its own: Fisher's test of its counts, d-prime beside the criterion."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from metasense.alone.beliefs import ON_D_PRIME
from metasense.alone.panel import OnePanel, ends, plain_row
from metasense.alone.yes_no import MOST_TABLES, binomial_chances, fisher, profile_d_prime, tables_with
from metasense.showing import words
from metasense.showing.glance import cut

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False, repr=False, kw_only=True)
class TwoCountPanel(OnePanel):
    """One A-not-A or same-different panel: `hits` of `signal` and `false_alarms` of `noise`.

    Examples
    --------
    >>> from metasense.alone.single import one_panel
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
            plain_row("p_value", self.p_value, "Fisher, exact, one-sided"),
            plain_row("chi-square", self.chi_square, "Pearson, 1 degree of freedom"),
            plain_row("p_value", float(chdtrc(1, self.chi_square)), "chi-square, two-sided"),
            {"quantity": "d_prime", "estimate": self.d_prime, "lower": lower, "upper": upper, "prob": self.prob,
             "kind": "profile", "basis": "maximum likelihood, likelihood ratio"},
            {"quantity": "d_prime", "estimate": posterior.median, "basis": f"posterior, {ON_D_PRIME}"}
            | ends(posterior, self.prob),
            plain_row("criterion", self.criterion, "maximum likelihood"),
        ]  # fmt: skip
        if self.power_at_margin is not None:
            rows.append(plain_row("power", self.power_at_margin, "if the difference is exactly the margin"))
        return rows

    def _counted(self) -> str:
        yes = "A" if self.protocol.directed else "different"
        return (
            f"{self._label}{self.protocol.name}, answered {yes!r} in {self.hits} of {self.signal} tastings that were "
            f"and in {self.false_alarms} of {self.noise} that were not"
        )

    def _seen(self) -> str:
        name = f"in {cut(self.panel)} " if self.panel else ""
        said, what = ("'A'", "cups") if self.protocol.directed else ("'different'", "pairs")
        return (
            f"{name}tasters said {said} of {self.hits} of {self.signal} {what} that were so and of "
            f"{self.false_alarms} of {self.noise} that were not"
        )

    def _by_luck(self) -> str:
        chance = words.percent(self.p_value)
        return f"Luck does as well in {chance} of panels."

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
