"""How many tasters, and what a panel of that many could say: exact sizes, power, limits and chances.

A panel *finds a difference* when its correct answers reach the critical number, the smallest count that guessing alone
reaches with at most the alpha-risk; it *finds similarity* when they stay at or below the similarity limit, the largest
count that a difference of the stated size would leave with at most the beta-risk. Both are binomial tails, computed
exactly. Counts are whole numbers, so power does not climb smoothly with the number of tasters: it is a saw-tooth, and
one more taster can make a panel weaker. Sizes therefore come as two numbers: the *smallest* that meets both risks,
which is what published tables print, and the *lasting* one, from which on every larger panel meets them too.

Both risks are 5 % unless given, wherever they are asked for: a panel then speaks as surely for similarity as for a
difference. For a panel that only looks for a difference, a beta-risk of 0.2 is common practice (no source).

Throughout, every taster answers once, so tastings are tasters, and sizes of difference are said either as d-prime or as
p_d of the protocol at hand (p_d has no meaning across protocols).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import betaincinv, rel_entr

from metasense.binomial import at_least, at_most, largest_count, smallest_count
from metasense.protocols import PROTOCOLS, Protocol, forced_choice
from metasense.showing import figures, words
from metasense.showing.results import Pictured, Statement
from metasense.showing.tables import Shown, Table, table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ALPHAS = (0.2, 0.1, 0.05, 0.01, 0.001)
BETAS = (0.2, 0.1, 0.05, 0.01, 0.001)
RATES = (0.5, 0.4, 0.3, 0.2, 0.1)
_LARGEST = 2_000_000  # tastings a search goes through before saying that the difference is too small for any panel
_SLACK = 1 + 1e-12


def critical_number(
    protocol: str | Protocol, tastings: ArrayLike, *, alpha: float = 0.05, two_sided: bool = False
) -> np.ndarray:
    """Fewest correct answers that speak for a difference: the smallest x with ``P(X >= x | guessing) <= alpha``.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    tastings : array_like of int
        Size(s) of the panel.
    alpha : float
        Risk of calling a difference when all answers are guesses.
    two_sided : bool
        For 2-AFC when either product may turn out stronger: half of `alpha` in each tail. The number then counts the
        answers for whichever product has more.

    Returns
    -------
    int, or ndarray of int of the shape of `tastings`
        ``tastings + 1`` where not even a panel without a wrong answer would do.

    Raises
    ------
    ValueError
        For a protocol that is not forced-choice, and for `two_sided` with any protocol but 2-AFC.

    Notes
    -----
    The convention of the tables in ISO 4120, ISO 10399 and ISO 5495.

    Examples
    --------
    >>> int(critical_number("triangle", 24))
    13
    >>> critical_number("2-AFC", [20, 30, 40], two_sided=True)
    array([15, 21, 27])
    """
    test = forced_choice(protocol)
    return smallest_count(checked_sizes(tastings), test.guess, _tail(test, alpha, two_sided))


def actual_alpha(
    protocol: str | Protocol, tastings: ArrayLike, *, alpha: float = 0.05, two_sided: bool = False
) -> np.ndarray:
    """The alpha-risk the critical number really has; at most the `alpha` asked for.

    Examples
    --------
    >>> actual_alpha("triangle", [23, 24]).round(3)
    array([0.048, 0.028])
    """
    test = forced_choice(protocol)
    critical = critical_number(test, tastings, alpha=alpha, two_sided=two_sided)
    return at_least(critical, tastings, test.guess) * (2 if two_sided else 1)


def similarity_limit(
    protocol: str | Protocol,
    tastings: ArrayLike,
    *,
    p_d: ArrayLike | None = None,
    d_prime: ArrayLike | None = None,
    beta: float = 0.05,
) -> np.ndarray:
    """Most correct answers that still speak for similarity: the largest x with ``P(X <= x | p_d) <= beta``.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    tastings : array_like of int
        Size(s) of the panel.
    p_d, d_prime : array_like of float
        The difference that must not be missed, as one or the other.
    beta : float
        Risk of calling similarity when the difference is that large.

    Returns
    -------
    int, or ndarray of int
        ``-1`` where not even a panel without a correct answer would do.

    Examples
    --------
    >>> int(similarity_limit("2-AFC", 126, p_d=0.3, beta=0.05))
    72
    """
    test = forced_choice(protocol)
    return largest_count(checked_sizes(tastings), true_share(test, p_d, d_prime), checked_risk("beta", beta))


def power(
    protocol: str | Protocol,
    tastings: ArrayLike,
    *,
    p_d: ArrayLike | None = None,
    d_prime: ArrayLike | None = None,
    alpha: float = 0.05,
    two_sided: bool = False,
) -> np.ndarray:
    """Chance that a panel reaches its critical number when the difference is truly that large.

    It belongs to plans. For a panel already run, put in a difference chosen without looking at the panel (the margin),
    never its own estimate, which would only say the p-value again.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    tastings : array_like of int
        Size(s) of the panel.
    p_d, d_prime : array_like of float
        The true difference, as one or the other; broadcasts with `tastings`.
    alpha, two_sided
        As in `critical_number`. Only answers in the true direction count.

    Returns
    -------
    float, or ndarray of float

    Examples
    --------
    >>> power("triangle", [24, 25, 26], p_d=0.3).round(2)  # the saw-tooth
    array([0.55, 0.63, 0.56])
    """
    test = forced_choice(protocol)
    critical = critical_number(test, tastings, alpha=alpha, two_sided=two_sided)
    return at_least(critical, tastings, true_share(test, p_d, d_prime, smallest=False))


def critical_table(
    protocol: str | Protocol,
    tastings: Iterable[int] = range(6, 101),
    *,
    alphas: Sequence[float] = ALPHAS,
    two_sided: bool = False,
) -> pd.DataFrame:
    """Critical numbers, one row a panel size and one column an alpha-risk; empty where no count would do.

    Examples
    --------
    >>> critical_table("triangle", alphas=[0.05, 0.01]).loc[24].tolist()
    [13, 15]
    """
    sizes = checked_sizes(tastings)
    test = forced_choice(protocol)
    numbers = smallest_count(sizes[:, None], test.guess, [[_tail(test, alpha, two_sided) for alpha in alphas]])
    frame = pd.DataFrame(numbers, pd.Index(sizes, name="tastings"), pd.Index(alphas, name="alpha"), dtype="Int64")
    return frame.mask(numbers > sizes[:, None])


def similarity_table(
    protocol: str | Protocol,
    tastings: Iterable[int] = range(18, 121, 6),
    *,
    p_d: Sequence[float] = RATES,
    betas: Sequence[float] = BETAS,
) -> pd.DataFrame:
    """Similarity limits, one row a panel size and beta-risk, one column a p_d; empty where no count would do.

    Examples
    --------
    >>> similarity_table("triangle", p_d=[0.2, 0.3], betas=[0.1, 0.05]).loc[36, 0.05].tolist()
    [11, 13]
    """
    sizes = checked_sizes(tastings)
    truth = true_share(forced_choice(protocol), list(p_d), None)
    risks = np.array([checked_risk("beta", beta) for beta in betas])
    limits = largest_count(sizes[:, None, None], truth, risks[:, None]).reshape(-1, len(p_d))
    index = pd.MultiIndex.from_product([sizes, betas], names=["tastings", "beta"])
    return pd.DataFrame(limits, index, pd.Index(p_d, name="p_d"), dtype="Int64").mask(limits < 0)


@dataclass(frozen=True, eq=False, repr=False)
class TastersNeeded(Pictured, Statement):
    """How many tasters meet both risks; made by `tasters_needed`.

    Attributes
    ----------
    protocol : Protocol
    purpose : str
        "difference" or "similarity": which of the two answers the panel is run for.
    p_d, d_prime : float
        The difference at which the beta-risk holds, both ways.
    alpha, beta : float
        The risks asked for.
    two_sided : bool
    smallest, lasting : int
        Smallest size that meets both risks, and the size from which on every larger one does.

    Examples
    --------
    >>> import metasense as ms
    >>> needed = ms.tasters_needed("triangle", p_d=0.3)
    >>> needed.smallest
    66
    """

    _depicts = "Power over the number of tastings, which rises as a saw-tooth."

    protocol: Protocol
    purpose: str
    p_d: float
    d_prime: float
    alpha: float
    beta: float
    two_sided: bool
    smallest: int
    lasting: int

    def to_frame(self) -> pd.DataFrame:
        """The two sizes, one row each: tastings, cups, the deciding count, and the risks it really has.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> needed = ms.tasters_needed("triangle", p_d=0.3)
        >>> needed.to_frame().columns.tolist()
        ['size', 'tastings', 'cups', 'critical_number', 'actual_alpha', 'actual_beta']
        """
        n = np.array([self.smallest, self.lasting])
        test, truth = self.protocol, self.protocol.p_from_p_d(self.p_d)
        if self.purpose == "difference":
            count = smallest_count(n, test.guess, _tail(test, self.alpha, self.two_sided))
            reached = count
        else:
            count = largest_count(n, truth, self.beta)
            reached = count + 1
        return pd.DataFrame(
            {
                "size": ["smallest", "lasting"],
                "tastings": n,
                "cups": n * test.cups,
                "critical_number" if self.purpose == "difference" else "similarity_limit": count,
                "actual_alpha": at_least(reached, n, test.guess) * (2 if self.two_sided else 1),
                "actual_beta": at_most(reached - 1, n, truth),
            }
        )

    def sawtooth(self) -> pd.DataFrame:
        """Power and real alpha-risk at every size from half the smallest to a little above the lasting one.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> needed = ms.tasters_needed("triangle", p_d=0.3)
        >>> needed.sawtooth().columns.tolist()
        ['tastings', 'power', 'actual_alpha']
        """
        n = np.arange(max(1, self.smallest // 2), int(self.lasting * 1.15) + 6)
        return pd.DataFrame(
            {
                "tastings": n,
                "power": power(self.protocol, n, p_d=self.p_d, alpha=self.alpha, two_sided=self.two_sided),
                "actual_alpha": actual_alpha(self.protocol, n, alpha=self.alpha, two_sided=self.two_sided),
            }
        )

    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Draw the saw-tooth of power over the number of tastings, with both sizes marked.

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
        >>> needed = ms.tasters_needed("triangle", p_d=0.3)
        >>> from matplotlib.figure import Figure
        >>> needed.plot(ax=Figure().subplots()).get_xlabel()
        'tastings in the panel'
        """
        frame = self.sawtooth().set_index("tastings")["power"]
        sizes = {self.smallest: "smallest", self.lasting: "lasting"}
        ax = figures.curve(
            frame.index,
            frame.to_numpy(),
            points=pd.DataFrame({"x": sizes.keys(), "y": frame[list(sizes)].to_numpy()}),
            level=1 - self.beta,
            level_label=risk_percent(1 - self.beta),
            xlabel="tastings in the panel",
            ylabel="power",
            percent=True,
            dots=True,
            ax=ax,
        )
        for row, (n, label) in enumerate(sizes.items()):  # below the curve, where a rising saw leaves room
            ax.annotate(
                f" {label}: {n}",
                (n, frame[n]),
                xytext=(n, 0.14 - 0.1 * row),
                textcoords=ax.get_xaxis_transform(),
                color=figures.INK,
                arrowprops={
                    "arrowstyle": "-",
                    "color": figures.QUIET,
                    "linewidth": 0.7,
                    "shrinkB": 4,
                    "relpos": (0, 1),
                },
            )
        ax.set_title(
            f"{self.protocol.name}, p_d {risk_percent(self.p_d)}, alpha-risk {risk_percent(self.alpha)}", loc="left"
        )
        return ax

    def _line(self) -> str:
        same = self.lasting == self.smallest
        every = "every larger size" if same else f"from {words.whole(self.lasting)} on every size"
        return (
            f"{self.protocol.name}, run for {self.purpose}: {words.count(self.smallest, 'tasting')}, and {every}, for "
            f"a p_d of {risk_percent(self.p_d)} with an alpha-risk of {risk_percent(self.alpha)} and a beta-risk of "
            f"{risk_percent(self.beta)}."
        )

    def _methods(self) -> list[str]:
        return [
            "Exact binomial tails, one answer a taster: the critical number is the smallest count that guessing "
            "reaches with at most the alpha-risk, the similarity limit the largest that a difference of the stated p_d "
            "leaves with at most the beta-risk (when run for similarity, the alpha-risk is that of calling similar "
            "products different).",
            "The smallest size is the first that keeps both risks; from the lasting size on every panel does.",
        ]

    def _paragraph(self) -> str:
        smallest, lasting = (row for _, row in self.to_frame().iterrows())
        if self.purpose == "difference":
            count = words.whole(smallest["critical_number"])
            call = f"Call a difference at {count} or more correct of {words.whole(self.smallest)}"
        else:
            count = words.whole(smallest["similarity_limit"])
            call = f"Call it similar at {count} or fewer correct of {words.whole(self.smallest)}"
        if self.smallest == self.lasting:
            rest, more = "Every larger panel does too.", ""
        else:
            lasts = words.whole(self.lasting)
            rest = f"From {lasts} on every panel does; in between some do not, because power is a saw-tooth."
            more = f", {words.whole(lasting['cups'])} for {words.whole(self.lasting)}"
        sides = " (two-sided)" if self.two_sided else ""
        return (
            f"{self.protocol.name}, run for {self.purpose}: {words.count(self.smallest, 'tasting')}, one a taster, is "
            f"the smallest size that keeps the alpha-risk to {risk_percent(self.alpha)}{sides} and the beta-risk to "
            f"{risk_percent(self.beta)} at a p_d of {risk_percent(self.p_d)} (d-prime {words.d(self.d_prime)}). {rest} "
            f"{call} (real alpha-risk {risk_percent(smallest['actual_alpha'])}, real beta-risk "
            f"{risk_percent(smallest['actual_beta'])}). Cups: {words.whole(smallest['cups'])} for "
            f"{words.count(self.smallest, 'tasting')}{more}."
        )

    def _shown(self) -> list[str | Shown]:
        return [self._paragraph(), self.table()]

    def table(self) -> Table:
        """Both sizes with their cups, the count that decides, and the risks kept.

        Returns
        -------
        Table

        Examples
        --------
        >>> import metasense as ms
        >>> ms.tasters_needed("triangle", p_d=0.3).table().headers[:3]
        ('size', 'tastings', 'cups')
        """
        return table(self.to_frame(), kinds=_KINDS, labels=_LABELS)


def tasters_needed(
    protocol: str | Protocol,
    *,
    p_d: float | None = None,
    d_prime: float | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    purpose: str = "difference",
    two_sided: bool = False,
) -> TastersNeeded:
    """How many tasters keep both risks at a stated difference: the smallest size and the lasting one.

    A panel run for a difference holds the alpha-risk at every size and is made large enough for the beta-risk; a panel
    run for similarity is the other way round. The sizes that meet both are the same, the deciding counts are not.

    Parameters
    ----------
    protocol : str or Protocol
        A forced-choice protocol.
    p_d, d_prime : float
        The smallest difference that matters, as one or the other.
    alpha : float
        Risk of calling a difference when all answers are guesses.
    beta : float
        Risk of missing the stated difference; the power is ``1 - beta``.
    purpose : {"difference", "similarity"}
    two_sided : bool
        For 2-AFC run for a difference in either direction: half of `alpha` in each tail.

    Returns
    -------
    TastersNeeded

    Raises
    ------
    ValueError
        If the difference is so small that more than two million tastings could be needed.

    Notes
    -----
    Every size up to a bound is tried. The bound is Chernoff's: at a fixed share correct between guessing and the stated
    difference both tails fall exponentially in the number of tastings, so beyond it no size can fail.

    Examples
    --------
    >>> needed = tasters_needed("triangle", p_d=0.3, alpha=0.05, beta=0.05)
    >>> needed.smallest, needed.lasting
    (66, 73)
    """
    test = forced_choice(protocol)
    if purpose not in ("difference", "similarity"):
        raise ValueError(f'purpose is "difference" or "similarity", not {purpose!r}.')
    if two_sided and purpose == "similarity":
        raise ValueError("a similarity limit has one side; leave two_sided out.")
    truth = float(true_share(test, p_d, d_prime))
    tail = _tail(test, alpha, two_sided)
    (found,) = _smallest_and_lasting(test.guess, truth, tail, [checked_risk("beta", beta)])
    rate = float(test.p_d_from_p(truth)) if p_d is None else float(p_d)
    distance = float(test.d_prime(truth)) if d_prime is None else abs(float(d_prime))
    return TastersNeeded(test, purpose, rate, distance, alpha, beta, two_sided, *found)


def size_table(
    protocol: str | Protocol,
    *,
    p_d: Sequence[float] = RATES,
    alphas: Sequence[float] = ALPHAS,
    betas: Sequence[float] = BETAS,
    two_sided: bool = False,
) -> pd.DataFrame:
    """Sizes for every combination of p_d, alpha-risk and beta-risk, one row each: smallest and lasting size.

    Examples
    --------
    >>> table = size_table("triangle", p_d=[0.3], alphas=[0.05], betas=[0.2, 0.05])
    >>> table[["beta", "smallest", "lasting"]].values.tolist()
    [[0.2, 40.0, 42.0], [0.05, 66.0, 73.0]]
    """
    test = forced_choice(protocol)
    tails = [_tail(test, alpha, two_sided) for alpha in alphas]
    risks = [checked_risk("beta", beta) for beta in betas]
    rows = [
        (rate, alpha, beta, *found)
        for rate in p_d
        for alpha, tail in zip(alphas, tails, strict=True)
        for beta, found in zip(
            betas, _smallest_and_lasting(test.guess, float(true_share(test, rate, None)), tail, risks), strict=True
        )
    ]
    return pd.DataFrame(rows, columns=["p_d", "alpha", "beta", "smallest", "lasting"])


def efficient_sizes(
    protocol: str | Protocol,
    tastings: int,
    *,
    p_d: float | None = None,
    d_prime: float | None = None,
    alpha: float = 0.05,
    two_sided: bool = False,
    within: int = 6,
) -> pd.DataFrame:
    """Sizes near the one in mind, and which of them waste nobody.

    A size is efficient when no smaller panel has as much power: it sits on a tooth of the saw.

    Returns
    -------
    DataFrame
        One row a size within `within` of `tastings`: ``tastings, critical_number, actual_alpha, power, efficient``.

    Examples
    --------
    >>> near = efficient_sizes("triangle", 25, p_d=0.3, within=2)
    >>> near.loc[near["efficient"], "tastings"].tolist()
    [23, 25, 27]
    """
    test = forced_choice(protocol)
    n = np.arange(1, int(tastings) + within + 1)
    reached = power(test, n, p_d=p_d, d_prime=d_prime, alpha=alpha, two_sided=two_sided)
    best_before = np.concatenate([[0.0], np.maximum.accumulate(reached)[:-1]])
    frame = pd.DataFrame(
        {
            "tastings": n,
            "critical_number": critical_number(test, n, alpha=alpha, two_sided=two_sided),
            "actual_alpha": actual_alpha(test, n, alpha=alpha, two_sided=two_sided),
            "power": reached,
            "efficient": reached > best_before,
        }
    )
    return frame[frame["tastings"] >= tastings - within].reset_index(drop=True)


def compare_protocols(
    d_prime: float | Mapping[str, float],
    *,
    alpha: float = 0.05,
    beta: float = 0.05,
    protocols: Iterable[str] | None = None,
    against: str = "triangle",
    tastings_each: int = 1,
) -> pd.DataFrame:
    """What the same perceptual distance costs in each protocol: tastings, cups and people.

    Parameters
    ----------
    d_prime : float or mapping of protocol name to float
        The distance; a mapping where more cups to keep in mind cost some of it.
    alpha, beta : float
        The two risks; the power is ``1 - beta``.
    protocols : iterable of str, optional
        All forced-choice protocols unless given.
    against : str
        The protocol the others are compared with.
    tastings_each : int
        Answers each person gives. Above 1 the sizes hold for finding a difference only, where guessing makes all
        answers independent; they do not hold for similarity.

    Returns
    -------
    DataFrame
        One row a protocol, fewest tastings first: ``protocol, d_prime, p_correct, p_d, smallest, lasting, cups,
        people, ratio, break_even, attribute``. Cups and people are for the lasting size; `ratio` compares lasting
        sizes; `break_even` is the d-prime at which this protocol has the power of `against` at the latter's lasting
        size: if its extra cups blur the difference below that, it is the worse choice; `attribute` says whether the
        difference must be named to the tasters beforehand.

    Examples
    --------
    >>> costs = compare_protocols(1.0, beta=0.2, protocols=["triangle", "tetrad", "2-AFC"])
    >>> costs[["protocol", "smallest", "lasting", "cups"]]
       protocol  smallest  lasting  cups
    0     2-AFC        23       26    52
    1    tetrad        61       65   260
    2  triangle       202      220   660
    """
    if tastings_each < 1:
        raise ValueError(f"tastings_each is the number of answers a person gives, 1 or more; got {tastings_each!r}.")
    tests = [forced_choice(name) for name in protocols or _forced_choice_names()]
    reference = forced_choice(against)
    if isinstance(d_prime, Mapping):
        distances = {forced_choice(name).name: float(value) for name, value in d_prime.items()}
        missing = [test.name for test in (*tests, reference) if test.name not in distances]
        if missing:
            raise ValueError(
                f"d_prime says no distance for {words.listing(missing)}; it has {words.listing(distances)}."
            )
    else:
        distances = {test.name: float(d_prime) for test in (*tests, reference)}

    most = tasters_needed(reference, d_prime=distances[reference.name], alpha=alpha, beta=beta).lasting
    reached = float(power(reference, most, d_prime=distances[reference.name], alpha=alpha))
    rows = []
    for test in tests:
        needed = tasters_needed(test, d_prime=distances[test.name], alpha=alpha, beta=beta)
        rows.append(
            {
                "protocol": test.name,
                "d_prime": needed.d_prime,
                "p_correct": float(test.p_correct(needed.d_prime)),
                "p_d": needed.p_d,
                "smallest": needed.smallest,
                "lasting": needed.lasting,
                "cups": needed.lasting * test.cups,
                "people": -(-needed.lasting // tastings_each),
                "ratio": needed.lasting / most,
                "break_even": found_with(reached, test, most, alpha),
                "attribute": "must be named" if test.directed else "need not be named",
            }
        )
    return pd.DataFrame(rows).sort_values(["lasting", "cups"], ignore_index=True)


COMPARED = {
    "p_correct": "share correct",
    "p_d": "p_d",
    "ratio": "tastings / triangle's",
    "break_even": "even at d-prime",
    "attribute": "what changes",
}
COMPARED_KINDS: dict[str, Any] = {"p_correct": "percent", "p_d": "percent"}
COMPARED_NOTE = (
    "Cups, people and tastings / triangle's are for the lasting size. Even at d-prime: with as many tastings as the "
    "triangle needs, this protocol finds a difference of that d-prime as often as the triangle finds the stated one; "
    "if its cups blur the difference below that, the triangle is the better choice."
)


def compared_table(compared: pd.DataFrame, caption: str, *, in_full: bool = False) -> Table:
    """Protocols side by side, as `compare_protocols` gives them; the columns that decide, or all of them."""
    if in_full:
        return table(compared, caption=caption, labels=COMPARED, kinds=COMPARED_KINDS, note=COMPARED_NOTE)
    few = compared[["protocol", "p_correct", "lasting", "cups", "attribute"]]
    labels = COMPARED | {"lasting": "tastings", "p_correct": "right at this difference", "attribute": "what differs"}
    note = "Tastings, one a taster: from so many on every panel keeps both risks. Cups: for so many tastings."
    return table(few, caption=caption, labels=labels, kinds=COMPARED_KINDS, note=note)


def found_with(chance: float, test: Protocol, tastings: int, alpha: float) -> float:
    """The d-prime that a panel of this size finds with this power; not a number if none is large enough."""
    critical = smallest_count(tastings, test.guess, checked_risk("alpha", alpha))
    if critical > tastings:
        return float("nan")
    return float(test.d_prime(betaincinv(critical, tastings - critical + 1, chance)))


def _forced_choice_names() -> list[str]:
    return [name for name, test in PROTOCOLS.items() if isinstance(test, Protocol)]


def checked_risk(name: str, value: float) -> float:
    if not (isinstance(value, (int, float, np.number)) and 0 < value < 1):
        raise ValueError(f"{name} is a risk between 0 and 1, such as 0.05; got {value!r}.")
    return float(value)


def _tail(test: Protocol, alpha: float, two_sided: bool) -> float:
    if two_sided and test.name != "2-AFC":
        raise ValueError(f"only 2-AFC, where either product may be the stronger, can be two-sided; {test.name} cannot.")
    return checked_risk("alpha", alpha) / (2 if two_sided else 1)


def checked_sizes(tastings: ArrayLike | Iterable[int]) -> np.ndarray:
    n = np.asarray(tastings if np.isscalar(tastings) or hasattr(tastings, "__array__") else list(tastings))  # type: ignore[arg-type]
    if n.dtype.kind not in "iuf" or n.size == 0 or not ((n >= 1) & (n == np.round(n)) & np.isfinite(n)).all():
        raise ValueError(f"tastings are whole numbers from 1; got {tastings!r}.")
    return n.astype(int)


def _number(name: str, value: Any) -> np.ndarray:
    """A difference as numbers, none of them missing."""
    try:
        numbers = np.asarray(value, float)
    except (TypeError, ValueError):
        numbers = np.array(np.nan)
    if np.isnan(numbers).any():
        raise ValueError(f"{name} is a number, or several; got {value!r}.")
    return numbers


def true_share(test: Protocol, p_d: Any, d_prime: Any, *, smallest: bool = True) -> np.ndarray:
    """Chance of a correct answer at the difference stated, which must lie above guessing if `smallest`."""
    if (p_d is None) == (d_prime is None):
        raise ValueError("say the size of the difference one way: p_d=... or d_prime=...")
    if p_d is not None:
        rate = _number("p_d", p_d)
        if not ((rate >= 0) & (rate <= 1)).all():
            raise ValueError(f"p_d is a share between 0 and 1, such as 0.2; got {p_d!r}.")
        truth = np.asarray(test.p_from_p_d(rate))
    else:
        truth = np.asarray(test.p_correct(_number("d_prime", d_prime)))
    none = truth <= test.guess if d_prime is None else (truth <= test.guess) | (_number("d_prime", d_prime) == 0)
    if smallest and none.any():  # at a d-prime of 0 rounding may leave a share above guessing
        raise ValueError(
            f"the difference must be larger than none; got {'p_d' if d_prime is None else 'd_prime'} = "
            f"{(p_d if d_prime is None else d_prime)!r}."
        )
    return truth


def _chernoff(guess: float, truth: float, alpha: float, beta: float) -> int:
    """A number of tastings from which every panel meets both risks."""

    def rate(a: float, p: float) -> float:
        return float(rel_entr(a, p) + rel_entr(1 - a, 1 - p))

    top = min(truth, 1 - 1e-15)
    need_alpha, need_beta = -np.log(alpha), -np.log(beta)
    # near guessing both rates are squares, and differ from each other by rounding alone
    about = 2 * guess * (1 - guess) * (np.sqrt(need_alpha) + np.sqrt(need_beta)) ** 2 / (top - guess) ** 2
    if about > 1000 * _LARGEST:
        return int(about)

    def gap(share: float) -> float:
        a = guess + share * (top - guess)
        return need_alpha * rate(a, top) - need_beta * rate(a, guess)

    a = guess + brentq(gap, 0.0, 1.0) * (top - guess)
    return int(np.ceil(max(need_alpha / rate(a, guess), need_beta / rate(a, top)))) + 1


def _smallest_and_lasting(guess: float, truth: float, alpha: float, betas: Sequence[float]) -> list[tuple[int, int]]:
    """Smallest and lasting size for each beta-risk."""
    bound = _chernoff(guess, truth, alpha, min(betas))
    if bound > _LARGEST:
        size = words.percent((truth - guess) / (1 - guess), 2)
        raise ValueError(
            f"a difference this small (a p_d of {size}) may take more than {_LARGEST:,} tastings; state a larger one, "
            "or use a protocol that shows it better."
        )
    n = np.arange(1, bound + 1)
    missed = at_most(smallest_count(n, guess, alpha) - 1, n, truth)
    found = []
    for beta in betas:
        meets = missed <= beta * _SLACK
        fails = np.flatnonzero(~meets)
        found.append((int(np.argmax(meets)) + 1, int(fails[-1]) + 2 if fails.size else 1))
    return found


def risk_percent(share: float) -> str:
    return words.percent(share, 0 if abs(100 * share - round(100 * share)) < 1e-9 else 1)


_KINDS: dict[str, Any] = {"actual_alpha": risk_percent, "actual_beta": risk_percent}
_LABELS = {"critical_number": "difference from (correct)", "similarity_limit": "similar up to (correct)"}
