"""How often panels like these would give each verdict, for stated truths: the operating characteristics of a pool.

Panels of the same protocols and sizes are drawn again and again from tasters whose d-prime is the stated one, each set
is pooled as this one was, and its verdict is counted. At the margin itself the chances of "beyond" and of "within" are
the levels of these verdicts: how often they are wrong where either is only just wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq

from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.batch import Variables, above_margin
from metasense.engine.likelihood import Counts, Evidence, RepeatedTotal, Repeats
from metasense.engine.spreads import average_d_prime
from metasense.margins import Margin
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.floating[Any]]

TIMES = (0.0, 0.5, 1.0, 1.5, 2.0)  # the truths, in margins
SETS = 1000  # drawn for each truth
FEW = 100  # where each takes long: tasters who repeat, or very many tastings
LONG = 1000  # tastings in a panel from which that is so


@dataclass(frozen=True, eq=False, repr=False)
class Operating(Pictured):
    """How often panels like these would give each verdict. Made by `Pooled.operating`.

    Attributes
    ----------
    frame : DataFrame
        A row for each truth: ``truth`` in words, its average ``d_prime``, the chances of ``beyond``, ``within`` and
        ``not_settled``, and the Monte Carlo ``error`` (standard error) of the least sure of the three.
    margin : Margin
    sets : int
        Drawn for each truth.
    spread : float
        Standard deviation between panels, in d-prime.
    notes : tuple of str
        What was simplified.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "tetrad", "tastings": 40, "correct": [12, 14, 19]},
    ...                  margin="d'=1")
    >>> found = pooled.operating(sets=400)
    >>> found.to_frame()[["truth", "d_prime"]].values.tolist()[:2]
    [['nothing', 0.0], ['half the margin', 0.5]]
    >>> found.to_frame()["beyond"].is_monotonic_increasing
    True
    """

    _depicts = "The chance of each verdict over the true difference, for panels like these."

    frame: pd.DataFrame
    margin: Margin
    sets: int
    spread: float
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, core: Core, *, sets: int | None = None, spread: float = 0.0, seed: int = 1) -> Operating:
        """Draw and pool them.

        Raises
        ------
        ValueError
            If there is no margin, no panel is a forced choice, or a number cannot be.
        """
        margin = core.margin
        if margin is None:
            raise ValueError(
                "chances of verdicts need a margin, the smallest difference that matters: "
                'pool(..., margin="0.2 triangle").'
            )
        if sets is not None and (int(sets) != sets or sets < 1):
            raise ValueError(f"sets is how many sets of panels are drawn, 1 or more; got {sets!r}.")
        if not 0 <= spread < np.inf:
            raise ValueError(f"spread is the standard deviation between panels, 0 or more; got {spread!r}.")
        panels = [e for e in core.collected.rows if outcomes.counted(e)]
        if not panels:
            raise ValueError(
                "chances of verdicts are worked out for forced choices (triangle, 2-AFC and the like); these panels "
                "are A-not-A or same-different."
            )
        if sets is None:
            sets = FEW if any(e.repeated or e.size > LONG for e in panels) else SETS
        truths = [times * margin.d_prime for times in TIMES]
        rng = np.random.default_rng(seed)
        drawn = [_counts(core, panels, truth, spread, int(sets), rng) for truth in truths]
        above = _above(panels, np.concatenate(drawn), core, margin.d_prime).reshape(len(truths), -1)
        rows = []
        for name, truth, chance in zip(_NAMES, truths, above, strict=True):
            beyond = float(np.mean(chance > margin.settled))
            within = float(np.mean(1 - chance > margin.settled))
            three = np.array([beyond, within, 1 - beyond - within])
            likely = (three * sets + 1) / (sets + 2)  # none of so many drawn is not none at all
            error = float(np.sqrt(likely * (1 - likely) / sets).max())
            rows.append({
                "truth": name, "d_prime": truth, "beyond": beyond, "within": within, "not_settled": three[2],
                "error": error,
            })  # fmt: skip
        return cls(pd.DataFrame(rows), margin, int(sets), float(spread), tuple(_notes(core, panels)))

    def to_frame(self) -> pd.DataFrame:
        """A copy of the numbers.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> ms.pool(table, margin="d'=1").operating(sets=50).to_frame().columns.tolist()
        ['truth', 'd_prime', 'beyond', 'within', 'not_settled', 'error']
        """
        return self.frame.copy()

    def sentences(self) -> tuple[str, ...]:
        """What panels like these can tell, in words.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> ms.pool(table, margin="d'=1").operating(sets=50).sentences()[0][:46]
        'If there were nothing to taste, panels like th'
        """
        none, _, at, _, far = self.frame.itertuples(index=False)
        within, beyond, unsettled = (
            words.percent(none.within), words.percent(far.beyond), words.percent(at.not_settled),
        )  # fmt: skip
        wrong = words.percent(at.beyond), words.percent(at.within)
        return (
            f"If there were nothing to taste, panels like these would say within the margin in {within} of such sets; "
            f"at twice the margin, beyond the margin in {beyond}.",
            f"Exactly at the margin, where neither is right, they would say beyond in {wrong[0]} and within in "
            f"{wrong[1]}, and leave it not settled in {unsettled}. These are the levels of the two verdicts.",
            *self.notes,
            f"{words.count(self.sets, 'set')} drawn for each truth; Monte Carlo error up to "
            f"{words.percent(self.frame['error'].max(), 1)} (standard error). {self._alike()}",
        )

    def _alike(self) -> str:
        if self.spread == 0:
            return "All panels of a set share one d-prime."
        return f"Panels of a set differ by {words.d(self.spread)} (SD between panels, in d-prime)."

    def plot(self, *, ax: Any = None) -> Axes:
        """The chance of each verdict over the true difference.

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
        >>> table = {"panel": ["A", "B"], "protocol": "triangle", "tastings": 30, "correct": [12, 14]}
        >>> from matplotlib.figure import Figure
        >>> axes = ms.pool(table, margin="d'=1").operating(sets=50).plot(ax=Figure())
        """
        chances = {name: self.frame[name.replace(" ", "_")] for name in ("beyond", "within", "not settled")}
        return figures.curves(
            self.frame["d_prime"],
            chances,
            xlabel=f"true average d-prime (the margin is {words.d(self.margin.d_prime)})",
            ylabel="chance of the verdict",
            percent=True,
            ax=ax,
        )

    def _alt(self, kind: str, how: Any) -> str:
        return f"{self._depicts} {' '.join(self.sentences()[:2])}"

    def _shown(self) -> list[str | tables.Shown]:
        table = tables.table(
            self.frame,
            caption="Chance of each verdict for panels like these",
            kinds=dict.fromkeys(("beyond", "within", "not_settled"), "percent")
            | {"error": lambda share: words.percent(share, 1)},
            labels={
                "truth": "if the truth were",
                "d_prime": "d-prime",
                "beyond": "beyond the margin",
                "within": "within the margin",
                "not_settled": "not settled",
                "error": "Monte Carlo error",
            },
        )
        return [*self.sentences(), table]


_NAMES = ("nothing", "half the margin", "the margin", "one and a half margins", "twice the margin")


def _notes(core: Core, panels: Sequence[Evidence]) -> list[str]:
    out = []
    left = len(core.panels) - len(panels)
    if left:
        out.append(f"{words.count(left, 'panel')} with two counts left out.")
    if any(e.repeated for e in panels):
        out.append("Panels with repeat tasters are taken by their totals, with tasters as unlike one another as here.")
    return out


def _counts(
    core: Core, panels: Sequence[Evidence], truth: float, spread: float, sets: int, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Correct answers of each panel, shape (sets, panels)."""
    centre, tau = _centre(truth, spread)
    theta = rng.normal(centre, tau, (len(panels), sets))
    patches = core.posterior.patches
    share = np.array([patch.share for patch in patches])
    gamma = rng.choice([patch.series.gamma for patch in patches], sets, p=share / share.sum())
    return np.stack([outcomes.simulate(e, at, gamma, rng) for e, at in zip(panels, theta, strict=True)], axis=1)


def _centre(truth: float, spread: float) -> tuple[float, float]:
    """Centre and spread whose average d-prime is `truth`; with less spread where no centre is small enough."""
    most = truth * np.sqrt(np.pi / 2)
    if spread == 0 or spread >= most:
        return (truth, 0.0) if spread == 0 else (0.0, float(most))

    def off(centre: float) -> float:
        return float(average_d_prime(np.array([centre]), np.array([spread]))[0]) - truth

    return float(brentq(off, 0.0, truth)), spread


def _above(panels: Sequence[Evidence], counts: NDArray[np.intp], core: Core, margin: float) -> Array:
    """Probability above the margin from each set of counts; sets that are alike are pooled once."""
    kinds: dict[Evidence, int] = {}
    for panel in panels:
        kinds.setdefault(_with(panel, 0), len(kinds))
    which = np.array([kinds[_with(panel, 0)] for panel in panels])
    place = which * (counts.max() + 1) + counts
    place.sort(axis=1)
    codes, inverse = np.unique(place, return_inverse=True)
    sets, again = np.unique(inverse.reshape(place.shape), axis=0, return_inverse=True)
    samples = list(kinds)
    evidence = [_with(samples[code // (counts.max() + 1)], int(code % (counts.max() + 1))) for code in codes.tolist()]
    found = above_margin(Variables(tuple(evidence), tuple(sets)), core.priors, margin)
    return np.asarray(found[again.ravel()])


def _with(panel: Evidence, correct: int) -> Evidence:
    """The same panel with another count."""
    if isinstance(panel, Counts):
        return Counts(panel.protocol, panel.tastings, correct)
    if isinstance(panel, Repeats):
        return RepeatedTotal(panel.protocol, sum(m for _, _, m in panel.people), panel.size, correct)
    assert isinstance(panel, RepeatedTotal)
    return RepeatedTotal(panel.protocol, panel.tasters, panel.tastings, correct)
