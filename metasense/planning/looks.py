"""Looking before the panel is complete: plans that allow for it, and what it costs when nothing was planned.

A plan names the numbers of tastings at which the count is looked at and, for each, the count from which a difference is
called and the count down to which similarity is. Between the two, tasting goes on. Wald's sequential test gives such
counts for a look after every taster; a two-stage plan has one look half-way. Whatever the plan, its real risks and the
tastings it takes are found exactly, by following the probability of every count that is still in play from tasting to
tasting; no normal approximation and no simulation.

Looking without a plan and stopping as soon as p is below alpha raises the risk of a false alarm: `cost_of_looks` says
by how much, and which stricter counts would have kept it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import binom

from metasense.binomial import at_least, smallest_count
from metasense.planning.sizes import checked_risk, checked_sizes, risk_percent, tasters_needed, true_share
from metasense.protocols import Protocol, forced_choice
from metasense.showing import figures, words
from metasense.showing.results import Pictured, Statement
from metasense.showing.tables import Shown, Table, table

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_MOST_LOOKS = 300_000  # some ten seconds of following counts
_MOST_TWO_STAGE = 5_000  # tastings up to which every pair of counts is tried: the memory grows with their square


@dataclass(frozen=True, eq=False, repr=False)
class LooksPlan(Pictured, Statement):
    """When to look, and what to say at each look; made by `sequential_plan` or `two_stage_plan`, or by hand.

    Attributes
    ----------
    protocol : Protocol
    p_d : float
        The difference at which the beta-risk is meant to hold.
    alpha, beta : float
        The risks asked for; `actual_alpha` and `actual_beta` are what the plan really has.
    looks : tuple of int
        Numbers of tastings, increasing.
    difference_from : tuple of int
        Fewest correct answers, at each look, that stop the panel for a difference.
    similar_to : tuple of int
        Most correct answers, at each look, that stop it for similarity; ``-1`` where none do.

    Examples
    --------
    >>> plan = LooksPlan(forced_choice("duo-trio"), 0.5, 0.05, 0.05, (20, 40), (17, 27), (10, 26))
    >>> plan.decide(20, 13), plan.decide(40, 28)
    ('go on', 'difference')
    """

    _depicts = "Correct answers over tastings, with the region in which tasting goes on."

    protocol: Protocol
    p_d: float
    alpha: float
    beta: float
    looks: tuple[int, ...]
    difference_from: tuple[int, ...]
    similar_to: tuple[int, ...]

    def __post_init__(self) -> None:
        if not self.looks or len({len(self.looks), len(self.difference_from), len(self.similar_to)}) != 1:
            raise ValueError("a plan needs at least one look, and one count of each kind for every look.")
        if any(np.diff((0, *self.looks)) < 1):
            raise ValueError(f"looks are numbers of tastings in increasing order; got {self.looks}.")
        if any(low >= high for low, high in zip(self.similar_to, self.difference_from, strict=True)):
            raise ValueError("at every look the count for similarity must lie below the count for a difference.")

    @property
    def d_prime(self) -> float:
        """The d-prime at which the beta-risk is meant to hold."""
        return float(self.protocol.d_prime_from_p_d(self.p_d))

    def evaluate(self, *, p_d: ArrayLike | None = None, d_prime: ArrayLike | None = None) -> pd.DataFrame:
        """What the plan does when the true difference is this large.

        Parameters
        ----------
        p_d, d_prime : array_like of float
            One or several true differences, as one or the other; 0 is guessing.

        Returns
        -------
        DataFrame
            One row a difference: ``d_prime, p_d, difference, similar, not_settled`` (chances, adding to 1) and
            ``expected_tastings``.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> plan.evaluate(p_d=[0, 0.4]).round(2).columns.tolist()
        ['d_prime', 'p_d', 'difference', 'similar', 'not_settled', 'expected_tastings']
        """
        truth = np.atleast_1d(true_share(self.protocol, p_d, d_prime, smallest=False))
        high, low = _stopping(self.looks, self.difference_from, self.similar_to, truth)
        ended = high + low
        rest = 1 - ended.sum(axis=1)
        rates = np.where(truth == self.protocol.guess, 0.0, self.protocol.p_d_from_p(truth))
        return pd.DataFrame(
            {
                "d_prime": self.protocol.d_prime(truth) if d_prime is None else np.atleast_1d(d_prime).astype(float),
                "p_d": rates if p_d is None else np.atleast_1d(p_d).astype(float),
                "difference": high.sum(axis=1),
                "similar": low.sum(axis=1),
                "not_settled": np.where(np.abs(rest) < 1e-12, 0.0, rest),
                "expected_tastings": ended @ np.array(self.looks) + rest * self.looks[-1],
            }
        )

    @cached_property
    def _at_ends(self) -> pd.DataFrame:
        return self.evaluate(p_d=[0.0, self.p_d])

    @property
    def actual_alpha(self) -> float:
        """Chance that the plan calls a difference when all answers are guesses."""
        return float(self._at_ends["difference"].iloc[0])

    @property
    def actual_beta(self) -> float:
        """Chance that the plan calls similarity when the difference is as large as `p_d`."""
        return float(self._at_ends["similar"].iloc[1])

    def decide(self, tastings: int, correct: int) -> str:
        """What a look says: ``"difference"``, ``"similar"``, ``"go on"``, or ``"not settled"`` at the last look.

        Parameters
        ----------
        tastings : int
            Answers so far: one of the planned looks.
        correct : int
            Correct ones among them.

        Returns
        -------
        str

        Raises
        ------
        ValueError
            If no look is planned there, or there are more correct answers than tastings.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> plan.decide(20, 14)
        'difference'
        """
        if tastings not in self.looks:
            raise ValueError(
                f"the plan does not look after {tastings} tastings; it does after {words.listing(self.looks, 8)}."
            )
        if not 0 <= correct <= tastings:
            raise ValueError(f"{correct} correct of {tastings} tastings cannot be.")
        k = self.looks.index(tastings)
        if correct >= self.difference_from[k]:
            return "difference"
        if correct <= self.similar_to[k]:
            return "similar"
        return "not settled" if k == len(self.looks) - 1 else "go on"

    def follow(self, answers: Sequence[int]) -> tuple[int, str]:
        """Read answers (1 correct, 0 wrong) in the order they came, up to the look that ends the panel.

        Parameters
        ----------
        answers : sequence of int
            1 for a correct answer, 0 for a wrong one, in the order in which they came.

        Returns
        -------
        tastings, decision
            ``"go on"`` if the answers run out before the plan stops.

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> plan.follow([1, 1, 1, 0] * 5)
        (20, 'difference')
        """
        counts = np.concatenate([[0], np.cumsum(np.asarray(answers, int))])
        for n in self.looks:
            if n >= len(counts):
                break
            if (said := self.decide(n, int(counts[n]))) != "go on":
                return n, said
        return len(counts) - 1, "go on"

    def to_frame(self) -> pd.DataFrame:
        """One row a look: the counts, and the chances of stopping there under guessing and at the stated difference.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> plan.to_frame().columns[:3].tolist()
        ['tastings', 'similar_to', 'difference_from']
        """
        truth = self.protocol.p_from_p_d(np.array([0.0, self.p_d]))
        high, low = _stopping(self.looks, self.difference_from, self.similar_to, truth)
        return pd.DataFrame(
            {
                "tastings": self.looks,
                "similar_to": self.similar_to,
                "difference_from": self.difference_from,
                "difference_if_guessing": high[0],
                "similar_if_guessing": low[0],
                "difference_if_p_d": high[1],
                "similar_if_p_d": low[1],
            }
        )

    def _line(self) -> str:
        return (
            f"{self.protocol.name} with {words.count(len(self.looks), 'planned look')} up to "
            f"{words.count(self.looks[-1], 'tasting')}, for a p_d of {risk_percent(self.p_d)}: real alpha-risk "
            f"{risk_percent(self.actual_alpha)}, real beta-risk {risk_percent(self.actual_beta)}."
        )

    def _methods(self) -> list[str]:
        return [
            "The counts at which to stop are fixed before the first tasting. Risks and expected tastings are exact: "
            "the probability of every count still in play is followed from look to look, when all guess and at the "
            "stated difference.",
        ]

    def _paragraph(self) -> str:
        guessing, differing = (row for _, row in self._at_ends.iterrows())
        left = max(guessing["not_settled"], differing["not_settled"])
        most = words.count(self.looks[-1], "tasting")
        end = f"It ends without an answer in up to {risk_percent(left)} of panels, at {most}."
        if left < 5e-4:
            end = f"It always ends by {most}."
        first = words.whole(self.looks[0])
        last = words.whole(self.looks[-1])
        planned = words.count(len(self.looks), "planned look")
        return (
            f"{self.protocol.name} with {planned} from {first} to {last} tastings, "
            f"for a p_d of {risk_percent(self.p_d)} (d-prime {words.d(self.d_prime)}). Real "
            f"alpha-risk {risk_percent(self.actual_alpha)} ({risk_percent(self.alpha)} asked for), real beta-risk "
            f"{risk_percent(self.actual_beta)} ({risk_percent(self.beta)} asked for). {end} "
            f"On average it takes {words.whole(round(guessing['expected_tastings']))} tastings when all guess and "
            f"{words.whole(round(differing['expected_tastings']))} at the stated difference."
        )

    def when_to_stop(self, *, most: int | None = None) -> Table:
        """The looks at which something can happen, to have at hand while tasting; at most so many of them.

        Parameters
        ----------
        most : int, optional
            Looks to show; all of them by default.

        Returns
        -------
        Table

        Examples
        --------
        >>> import metasense as ms
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> len(plan.when_to_stop().to_text().splitlines()) > 2
        True
        """
        frame = self.to_frame()[["tastings", "similar_to", "difference_from"]].astype("Int64")
        frame = frame.mask(frame.lt(0) | frame.gt(frame["tastings"], axis=0))
        frame = frame.dropna(subset=["similar_to", "difference_from"], how="all").reset_index(drop=True)
        labels = {"similar_to": "similar up to (correct)", "difference_from": "difference from (correct)"}
        return table(frame, caption="When to stop, and what for", labels=labels, most=most)

    def _shown(self) -> list[str | Shown]:
        return [self._paragraph(), self.when_to_stop(most=24)]

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the region in which tasting goes on, between the two sets of counts.

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
        >>> plan = ms.two_stage_plan("triangle", (20, 40), p_d=0.4)
        >>> from matplotlib.figure import Figure
        >>> plan.plot(ax=Figure().subplots()).get_xlabel()
        'tastings so far'
        """
        n, low, high = np.array(self.looks), np.array(self.similar_to, float), np.array(self.difference_from, float)
        high[high > n] = np.nan
        low[low < 0] = np.nan
        title = f"{self.protocol.name}: go on between them"
        return figures.corridor(n, high, low, guess=self.protocol.guess, title=title, ax=ax)


def sequential_plan(
    protocol: str | Protocol,
    *,
    p_d: float | None = None,
    d_prime: float | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    every: int = 1,
    most: int | None = None,
) -> LooksPlan:
    """Wald's sequential test of guessing against a stated difference, looked at after every so many tastings.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    p_d, d_prime : float
        The difference that matters, as one or the other.
    alpha, beta : float
        Risk of calling a difference when all guess, and of calling similarity when the difference is that large.
    every : int
        Tastings between looks.
    most : int, optional
        Tastings after which the panel ends without an answer. Twice the smallest size of a panel of fixed size
        with the same risks unless given.

    Returns
    -------
    LooksPlan
        Its real risks are computed, not taken from Wald's approximation (they are usually a little smaller).

    References
    ----------
    Wald A (1947). Sequential Analysis. The layout (difference, similarity, continue; alpha, beta, p0, p1) is that of
    ISO 16820.

    Examples
    --------
    >>> plan = sequential_plan("triangle", p_d=0.3, alpha=0.05, beta=0.05)
    >>> plan.actual_alpha < 0.05 and plan.actual_beta < 0.05
    True
    """
    test = forced_choice(protocol)
    truth, guess = float(true_share(test, p_d, d_prime)), test.guess
    alpha, beta = checked_risk("alpha", alpha), checked_risk("beta", beta)
    if alpha + beta >= 1:
        raise ValueError(f"alpha and beta together must stay below 1; got {alpha} and {beta}.")
    if truth == 1:
        raise ValueError("a difference that everybody always finds (p_d = 1) needs no sequential plan.")
    rate = float(test.p_d_from_p(truth)) if p_d is None else float(p_d)
    if most is None:
        most = 2 * tasters_needed(test, p_d=rate, alpha=alpha, beta=beta).smallest
    most = _whole("most (tastings after which the panel ends)", most)
    every = _whole("every (looks are that many tastings apart)", every, most)
    if most > _MOST_LOOKS:
        raise ValueError(
            f"a difference of {rate:.2g} as p_d takes up to {most:,} tastings, more than can be followed one by one "
            f"({_MOST_LOOKS:,}). State a larger difference, or end earlier with most=."
        )
    looks = np.arange(every, most + 1, every)
    per_correct = np.log(truth * (1 - guess) / (guess * (1 - truth)))
    drift = looks * np.log((1 - guess) / (1 - truth))
    high = np.ceil((drift + np.log((1 - beta) / alpha)) / per_correct - 1e-9).astype(int)
    low = np.floor((drift + np.log(beta / (1 - alpha))) / per_correct + 1e-9).astype(int)
    return LooksPlan(
        test,
        rate,
        alpha,
        beta,
        tuple(looks.tolist()),
        tuple(np.minimum(high, looks + 1).tolist()),
        tuple(np.maximum(low, -1).tolist()),
    )


def two_stage_plan(
    protocol: str | Protocol,
    looks: tuple[int, int] | None = None,
    *,
    p_d: float | None = None,
    d_prime: float | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> LooksPlan:
    """One look before the end: the counts that keep both risks and take fewest tastings on average.

    Every pair of counts for the first look is tried. The last look always decides, by the smallest count that keeps the
    alpha-risk of the whole plan. Of the plans whose beta-risk holds too, the one with the smallest expected number of
    tastings (averaged over guessing and the stated difference) is returned.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    looks : (int, int), optional
        Tastings at the first look and in all. Unless given, the smallest total that works with a look half-way.
    p_d, d_prime, alpha, beta
        As in `sequential_plan`.

    Returns
    -------
    LooksPlan

    Raises
    ------
    ValueError
        If no counts keep both risks at these looks; says a total that does.

    Examples
    --------
    >>> plan = two_stage_plan("triangle", p_d=0.4, alpha=0.05, beta=0.1)
    >>> plan.looks[1], plan.actual_alpha <= 0.05, plan.actual_beta <= 0.1
    (30, True, True)
    """
    test = forced_choice(protocol)
    truth = float(true_share(test, p_d, d_prime))
    alpha, beta = checked_risk("alpha", alpha), checked_risk("beta", beta)
    rate = float(test.p_d_from_p(truth)) if p_d is None else float(p_d)
    if looks is not None:
        first, total = (int(n) for n in checked_sizes(looks))
        found = _best_two_stage(test.guess, truth, first, total, alpha, beta)
        if found is not None:
            return LooksPlan(test, rate, alpha, beta, (first, total), *found)
    fixed = tasters_needed(test, p_d=rate, alpha=alpha, beta=beta)
    for total in range(_fewest(test.guess, truth, alpha, beta, fixed.smallest), 2 * fixed.lasting + 2):
        found = _best_two_stage(test.guess, truth, total // 2, total, alpha, beta)
        if found is not None:
            break
    assert found is not None  # a look that never stops anything leaves the fixed panel, which meets both at `lasting`
    if looks is not None:
        raise ValueError(
            f"no counts at {looks[0]} and {looks[1]} tastings keep an alpha-risk of {risk_percent(alpha)} and a "
            f"beta-risk of {risk_percent(beta)} at a p_d of {risk_percent(rate)}; {total // 2} and {total} tastings do."
        )
    return LooksPlan(test, rate, alpha, beta, (total // 2, total), *found)


def _fewest(guess: float, truth: float, alpha: float, beta: float, most: int) -> int:
    """Tastings below which no rule at all keeps both risks, looks or none.

    By the lemma of Neyman and Pearson no rule has more power than to call a difference from the critical number on,
    and one answer below it as often as the alpha-risk still allows; more tastings never have less of it.
    """
    n = np.arange(1, most + 1)
    critical = smallest_count(n, guess, alpha)
    spare = (alpha - at_least(critical, n, guess)) / binom.pmf(critical - 1, n, guess)
    reached = at_least(critical, n, truth) + spare * binom.pmf(critical - 1, n, truth)
    return max(2, most - int(np.count_nonzero(reached >= (1 - beta) * (1 - 1e-12))) + 1)


def _whole(name: str, value: Any, most: int | None = None) -> int:
    fits = isinstance(value, (int, float, np.number)) and 1 <= value == np.floor(value) and np.isfinite(value)
    if not fits or (most is not None and value > most):
        raise ValueError(f"{name} is a whole number from 1{'' if most is None else f' to {most}'}; got {value!r}.")
    return int(value)


def _best_two_stage(
    guess: float, truth: float, first: int, total: int, alpha: float, beta: float
) -> tuple[tuple[int, int], tuple[int, int]] | None:
    """Counts (difference, similar) of the cheapest plan that keeps both risks, or None."""
    if not 1 <= first < total:
        raise ValueError(f"the first look comes before the last; got {first} and {total} tastings.")
    if total > _MOST_TWO_STAGE:
        raise ValueError(
            f"{total:,} tastings are more than a plan with one look before the end is worked out for "
            f"({_MOST_TWO_STAGE:,}). State a larger difference or larger risks, or look after every tasting."
        )
    x, last = np.arange(first + 1), np.arange(total + 2)
    later = total - first

    def reach(p: float) -> tuple[np.ndarray, np.ndarray]:
        """Chance of each first count; cumulated over it, the chance of also ending at each final count or above."""
        chance = binom.pmf(x, first, p)
        final = chance[:, None] * at_least(last - x[:, None], later, p)
        return chance, np.vstack([np.zeros(total + 2), np.cumsum(final, axis=0)])

    (chance0, ending0), (chance1, ending1) = reach(guess), reach(truth)
    until0, until1 = (np.concatenate([[0.0], np.cumsum(chance)]) for chance in (chance0, chance1))
    best, answer = np.inf, None
    for similar in range(-1, first):
        stop = np.arange(similar + 2, first + 2)  # the count that stops for a difference; first + 1 never does
        called = 1 - until0[stop][:, None] + ending0[stop] - ending0[similar + 1]
        allowed = called <= alpha * (1 + 1e-12)
        final = np.argmax(allowed, axis=1)  # the smallest count allowed; more correct answers are always rarer
        missed = until1[stop] - (ending1[stop, final] - ending1[similar + 1, final])
        goes_on = (until0[stop] - until0[similar + 1] + until1[stop] - until1[similar + 1]) / 2
        good = allowed.any(axis=1) & (missed <= beta * (1 + 1e-12)) & (final > similar)
        if good.any():
            k = np.flatnonzero(good)[np.argmin(goes_on[good])]
            if goes_on[k] < best - 1e-12:
                best = goes_on[k]
                answer = (int(stop[k]), int(final[k])), (similar, int(final[k]) - 1)
    return answer


@dataclass(frozen=True, eq=False, repr=False)
class CostOfLooks(Statement):
    """What looking several times does to the risk of a false alarm; made by `cost_of_looks`.

    Attributes
    ----------
    protocol : Protocol
    alpha : float
        The level at which a difference is called at every look.
    looks : tuple of int
    overall : float
        Chance of at least one false alarm when all answers are guesses.
    last_alone : float
        The same with the last look only.
    strict_alpha : float
        Largest level for every look that keeps the overall risk within `alpha`; 0 where none does.
    strict_overall : float
        The overall risk at that level.

    Examples
    --------
    >>> import metasense as ms
    >>> cost = ms.cost_of_looks("triangle", [12, 24])
    >>> cost.to_frame().shape
    (2, 5)
    """

    protocol: Protocol
    alpha: float
    looks: tuple[int, ...]
    overall: float
    last_alone: float
    strict_alpha: float
    strict_overall: float

    def to_frame(self) -> pd.DataFrame:
        """One row a look: critical number, its real risk alone, the risk so far, and the stricter critical number.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> cost = ms.cost_of_looks("triangle", [12, 24])
        >>> cost.to_frame().columns.tolist()
        ['tastings', 'critical_number', 'actual_alpha', 'risk_so_far', 'strict_number']
        """
        n = np.array(self.looks)
        critical = smallest_count(n, self.protocol.guess, self.alpha)
        so_far = np.cumsum(_alarms(self.protocol.guess, self.looks, critical))
        strict = smallest_count(n, self.protocol.guess, self.strict_alpha) if self.strict_alpha else n + 1
        frame = pd.DataFrame(
            {
                "tastings": n,
                "critical_number": critical,
                "actual_alpha": at_least(critical, n, self.protocol.guess),
                "risk_so_far": so_far,
                "strict_number": strict,
            }
        )
        counts = frame[["critical_number", "strict_number"]].astype("Int64")
        frame[["critical_number", "strict_number"]] = counts.mask(counts.gt(frame["tastings"], axis=0))
        return frame

    def _line(self) -> str:
        return (
            f"{self.protocol.name}: stopping at the first of {words.count(len(self.looks), 'look')} at which p is "
            f"{self.alpha:g} or less gives a false alarm in {risk_percent(self.overall)} of panels in which all guess."
        )

    def _methods(self) -> list[str]:
        return [
            "Exact: the probability of every count of correct answers that has not yet stopped the panel is followed "
            "from look to look while everybody guesses. The stricter level is the largest p that keeps the overall "
            "risk when it is used at every look.",
        ]

    def _paragraph(self) -> str:
        many = len(self.looks) > 1
        span = (
            f"{words.whole(self.looks[0])} to {words.whole(self.looks[-1])} tastings"
            if many
            else words.count(self.looks[0], "tasting")
        )
        if self.overall <= self.alpha:
            advice = f"That is within {risk_percent(self.alpha)}: whole counts leave room for it."
        elif self.strict_alpha:
            advice = (
                f"The stricter counts listed (p of about {self.strict_alpha:.2g} or less at every look) would have "
                f"kept it at {risk_percent(self.strict_overall)}."
            )
        else:
            advice = "No stricter level keeps it within that at every one of these looks."
        looks = f"{words.count(len(self.looks), 'look')} ({span})"
        return (
            f"{self.protocol.name}: stopping at the first of {looks} at which p is {self.alpha:g} or less gives a "
            f"false alarm in {risk_percent(self.overall)} of panels in which all guess; one look at the end gives "
            f"{risk_percent(self.last_alone)}. {advice}"
        )

    def _shown(self) -> list[str | Shown]:
        return [self._paragraph(), self.look_by_look(most=24)]

    def look_by_look(self, *, most: int | None = None, few: bool = False) -> Table:
        """The counts and risks at each look, or at most so many of them.

        Parameters
        ----------
        most : int, optional
            Looks to show; all of them by default.
        few : bool
            Whether the risk at each look alone is left out, so that the table fits a narrow terminal.

        Returns
        -------
        Table

        Examples
        --------
        >>> import metasense as ms
        >>> cost = ms.cost_of_looks("triangle", [12, 24])
        >>> len(cost.look_by_look().to_text().splitlines()) > 2
        True
        """
        kinds: dict[str, Any] = dict.fromkeys(("actual_alpha", "risk_so_far"), risk_percent)
        labels = {
            "critical_number": "difference from (correct)",
            "actual_alpha": "risk at this look alone",
            "strict_number": "with the stricter level",
        }
        frame = self.to_frame()
        if few:
            frame = frame.drop(columns=["actual_alpha"])
        return table(frame, caption="Look by look", kinds=kinds, labels=labels, most=most)


def cost_of_looks(protocol: str | Protocol, looks: Iterable[int], *, alpha: float = 0.05) -> CostOfLooks:
    """The real risk of a false alarm when a panel stops at the first look with ``p <= alpha``.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    looks : iterable of int
        Numbers of tastings at which the count was, or would be, looked at.
    alpha : float
        Level at which a difference is called.

    Returns
    -------
    CostOfLooks

    Examples
    --------
    >>> cost = cost_of_looks("triangle", range(10, 46))
    >>> round(cost.overall, 2)
    0.13
    """
    test, alpha = forced_choice(protocol), checked_risk("alpha", alpha)
    sizes = np.unique(checked_sizes(looks))
    times = tuple(sizes.tolist())

    def overall(level: float) -> float:
        return float(_alarms(test.guess, times, smallest_count(sizes, test.guess, level)).sum())

    levels = np.unique(np.concatenate([at_least(np.arange(n + 1), n, test.guess) for n in times]))
    levels = levels[levels <= alpha]
    keep, lost = -1, len(levels)  # the largest level whose overall risk stays within alpha, by halving
    while lost - keep > 1:
        middle = (keep + lost) // 2
        keep, lost = (middle, lost) if overall(levels[middle]) <= alpha else (keep, middle)
    strict = float(levels[keep]) if keep >= 0 else 0.0
    last = at_least(smallest_count(sizes[-1], test.guess, alpha), sizes[-1], test.guess)
    return CostOfLooks(test, alpha, times, overall(alpha), float(last), strict, overall(strict) if strict else 0.0)


def _alarms(guess: float, looks: Sequence[int], critical: np.ndarray) -> np.ndarray:
    """Chance of the first alarm at each look when all answers are guesses."""
    never = np.full(len(looks), -1)
    return _stopping(looks, critical, never, np.array([guess]))[0][0]


def _stopping(
    looks: Sequence[int], difference_from: ArrayLike, similar_to: ArrayLike, truth: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Chance of stopping for a difference, and for similarity, at each look.

    Parameters
    ----------
    truth : ndarray, shape (P,)
        Chances of a correct answer.

    Returns
    -------
    difference, similar : ndarray, shape (P, looks)
    """
    high, low = np.asarray(difference_from), np.asarray(similar_to)
    p = truth[:, None]
    state = np.zeros((len(truth), looks[-1] + 2))  # chance of each count so far, among panels still going on
    state[:, 0] = 1
    difference, similar = np.zeros((2, len(truth), len(looks)))
    tasted, least, most = 0, 0, 0  # counts below `least` and above `most` have ended the panel
    for k, n in enumerate(looks):
        for _ in range(tasted, n):
            most += 1
            stays = state[:, least : most + 1] * (1 - p)
            stays[:, 1:] += state[:, least:most] * p
            state[:, least : most + 1] = stays
        tasted = n
        difference[:, k] = state[:, high[k] : most + 1].sum(axis=1)
        similar[:, k] = state[:, least : low[k] + 1].sum(axis=1)
        state[:, high[k] : most + 1] = 0
        state[:, least : low[k] + 1] = 0
        least, most = max(least, low[k] + 1), min(most, high[k] - 1)
        if least > most:
            break
    return difference, similar
