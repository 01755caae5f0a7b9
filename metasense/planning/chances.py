"""How a panel may come out, for one true d-prime or averaged over what is believed: power, and the three verdicts.

Power says how often a panel calls a difference; a verdict is weighed against a margin, and most small panels settle
nothing. Both are exact sums over the counts a panel can give, one answer a taster.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import binom

from metasense.alone.beliefs import BEYOND, ON_D_PRIME, ON_P_D, WITHIN, chances_beyond, verdicts
from metasense.binomial import at_least
from metasense.engine.distribution import Distribution
from metasense.engine.priors import Priors
from metasense.margins import Margin, level_of, margin_of
from metasense.planning.sizes import checked_sizes, critical_number
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, words
from metasense.showing.results import Pictured, Statement
from metasense.showing.tables import Shown, table

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def assurance(
    protocol: str | Protocol,
    tastings: ArrayLike,
    beliefs: Any,
    *,
    alpha: float = 0.05,
    two_sided: bool = False,
) -> np.ndarray:
    """Chance that a panel reaches its critical number, averaged over what is now believed about the difference.

    Unlike power it needs no true difference: it is what to expect, small as it may be, of the next panel.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    tastings : array_like of int
        Size(s) of the panel.
    beliefs : Distribution, or object with one
        Of the d-prime of the panel to come. Of a pooled result that of the next panel is taken, which is wider than
        the average because panels differ, and signed where the pool and the protocol name a direction.
    alpha, two_sided
        As in `critical_number`.

    Returns
    -------
    float, or ndarray of float

    Examples
    --------
    >>> from metasense.planning.sizes import power
    >>> sure = Distribution(np.array([1.6, 1.6 + 1e-9]), np.array([0.0, 1.0]))
    >>> bool(abs(assurance("triangle", 24, sure) - power("triangle", 24, d_prime=1.6)) < 1e-6)
    True
    """
    test = forced_choice(protocol)
    critical = np.asarray(critical_number(test, tastings, alpha=alpha, two_sided=two_sided))
    truth = test.p_correct(_nodes(beliefs, test))
    reached = at_least(critical[..., None], np.asarray(checked_sizes(tastings))[..., None], truth)
    return np.asarray(reached).mean(axis=-1)[()]


@dataclass(frozen=True, eq=False, repr=False)
class VerdictChances(Pictured, Statement):
    """How a panel may come out against a margin; made by `verdict_chances`.

    Attributes
    ----------
    protocol : Protocol
    margin : Margin
    truth : str
        The difference assumed, in words.
    settled : float
        Posterior probability from which a panel counts as settled.
    prior : str
        The prior, or priors, the verdict of the panel rests on.
    frame : DataFrame
        One row a size: ``tastings, beyond, within, not_settled`` (chances), ``within_to`` and ``beyond_from`` (most
        correct answers for the one verdict, fewest for the other; missing where no count gives it).

    Examples
    --------
    >>> import metasense as ms
    >>> chances = ms.verdict_chances("triangle", [30, 60], ms.Margin(p_d=0.3, protocol="triangle"), d_prime=0.0)
    >>> chances.to_frame().shape
    (2, 6)
    """

    _depicts = "The chance that a panel settles the question, over its size."

    protocol: Protocol
    margin: Margin
    truth: str
    settled: float
    prior: str
    frame: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """A copy of the numbers.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> chances = ms.verdict_chances("triangle", [30, 60], ms.Margin(p_d=0.3, protocol="triangle"), d_prime=0.0)
        >>> chances.to_frame().columns.tolist()
        ['tastings', 'beyond', 'within', 'not_settled', 'within_to', 'beyond_from']
        """
        return self.frame.copy()

    def _line(self) -> str:
        row = self.frame.iloc[-1]
        return (
            f"{self.protocol.name}, {words.count(int(row.tastings), 'tasting')}, {self.truth}: beyond the margin "
            f"{words.percent(row.beyond)}, within it {words.percent(row.within)}, not settled "
            f"{words.percent(row.not_settled)}."
        )

    def _methods(self) -> list[str]:
        return [
            "For every count a panel can give, the posterior probability of a difference larger than the margin "
            f"decides what the panel would say ({self.prior}; settled above {words.percent(self.settled)}); the "
            "chances are the exact binomial probabilities of those counts, "
            f"{self.truth}.",
        ]

    def _paragraph(self) -> str:
        ends = self.frame.iloc[[0] if len(self.frame) == 1 else [0, -1]]
        said = [
            f"a panel of {words.count(int(row.tastings), 'tasting')} will say beyond the margin with a chance of "
            f"{words.percent(row.beyond)}, within the margin {words.percent(row.within)}, not settled "
            f"{words.percent(row.not_settled)}"
            for row in ends.itertuples()
        ]
        return (
            f"{self.protocol.name}, margin {self.margin.sentence()}, {self.truth}: {'; '.join(said)}. A panel is "
            f"settled when the posterior probability of one side of the margin exceeds {words.percent(self.settled)} "
            f"({self.prior})."
        )

    def _table(self) -> Any:
        labels = {"within_to": "within up to (correct)", "beyond_from": "beyond from (correct)"}
        return table(
            self.frame,
            caption="Chance of each verdict",
            kinds=dict.fromkeys(("beyond", "within", "not_settled"), "percent"),
            labels=labels,
        )

    def _shown(self) -> list[str | Shown]:
        return [self._paragraph(), self._table()]

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the chance that the panel settles the question, over its size.

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
        >>> chances = ms.verdict_chances("triangle", [30, 60], ms.Margin(p_d=0.3, protocol="triangle"), d_prime=0.0)
        >>> from matplotlib.figure import Figure
        >>> chances.plot(ax=Figure().subplots()).get_ylabel()
        'chance of a settled verdict'
        """
        n, settles = self.frame["tastings"], 1 - self.frame["not_settled"]
        return figures.curve(
            n,
            settles,
            xlabel="tastings in the panel",
            ylabel="chance of a settled verdict",
            percent=True,
            dots=True,
            ax=ax,
        )


def verdict_chances(
    protocol: str | Protocol,
    tastings: ArrayLike,
    margin: Margin | str,
    *,
    d_prime: Any,
    prior: str = "both",
    settled: float | None = None,
    priors: Priors = Priors(),  # noqa: B008 - frozen
) -> VerdictChances:
    """Chance that a panel of this size, read on its own, gives each of the three verdicts.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    tastings : int or array_like of int
        Size(s) of the panel.
    margin : Margin or str
        The smallest difference that matters.
    d_prime : float, Distribution, or object with one
        The true difference, or what is believed about it (as in `assurance`), over which the chances are averaged.
    prior : {"both", "p_d", "d_prime"}
        What the panel's verdict rests on: a flat prior on p_d, the pooling prior on d-prime, or, as `one_panel` has it,
        the agreement of the two.
    settled : float, optional
        Posterior probability a side of the margin must exceed; the margin's by default.
    priors : Priors
        Scales of the pooling prior.

    Returns
    -------
    VerdictChances

    Examples
    --------
    >>> chances = verdict_chances("triangle", 48, Margin(p_d=0.3, protocol="triangle"), d_prime=0.0, prior="p_d")
    >>> chances.frame[["within", "not_settled", "beyond"]].round(2).values.tolist()
    [[0.86, 0.14, 0.0]]
    """
    test = forced_choice(protocol)
    margin = margin_of(margin)
    if margin is None:
        raise ValueError('a verdict needs a margin, such as "0.2 triangle".')
    settled = margin.settled if settled is None else level_of(settled)
    bases = {"p_d": [ON_P_D], "d_prime": [ON_D_PRIME], "both": [ON_P_D, ON_D_PRIME]}
    if prior not in bases:
        raise ValueError(f"prior is one of {words.listing(bases)}; got {prior!r}.")
    fixed = isinstance(d_prime, (int, float, np.number))
    truth = test.p_correct(np.array([float(d_prime)]) if fixed else _nodes(d_prime, test))
    rows = []
    for n in np.atleast_1d(checked_sizes(tastings)).tolist():
        both = chances_beyond(test, n, margin, priors)
        said = verdicts({basis: both[basis] for basis in bases[prior]}, settled)
        x = np.arange(n + 1)
        average = binom.pmf(x, n, truth[:, None]).mean(axis=0)
        chances = [float(average[said == verdict].sum()) for verdict in words.VERDICTS]
        within, beyond = x[said == WITHIN], x[(said == BEYOND) & (x > n * test.guess)]
        rows.append((n, *chances, max(within, default=pd.NA), min(beyond, default=pd.NA)))
    columns = ["tastings", "beyond", "within", "not_settled", "within_to", "beyond_from"]
    frame = pd.DataFrame(rows, columns=columns).astype({"within_to": "Int64", "beyond_from": "Int64"})
    believed = f"at a true d-prime of {words.d(float(d_prime))}" if fixed else "averaged over what is now believed"
    return VerdictChances(test, margin, believed, settled, " and ".join(bases[prior]), frame)


def _nodes(beliefs: Any, test: Protocol) -> np.ndarray:
    """Equally probable d-primes that stand for a belief about the panel to come."""
    posterior = getattr(beliefs, "posterior", None)
    if test.directed and getattr(posterior, "directed", False):  # its sign counts
        beliefs = getattr(posterior, "next_theta", beliefs)
    for name in ("next_d_prime", "d_prime_posterior"):
        beliefs = getattr(beliefs, name, beliefs)
    if not isinstance(beliefs, Distribution):
        raise ValueError(
            "beliefs are the Distribution of a d-prime, or a result that has one, such as what pool or one_panel "
            f"returns; got {type(beliefs).__name__}."
        )
    return beliefs.quantile((np.arange(1000) + 0.5) / 1000)
