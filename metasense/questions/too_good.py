"""Are the panels too good to be true: counts more alike than chance allows, or too many that are just significant?

Even if all panels share one d-prime, counts scatter. Given the total of a protocol's panels, that d-prime drops out:
how the correct answers fall on the panels is then known exactly (multivariate hypergeometric), and so is how seldom
they lie as close together as here. Panels that truly differ scatter more, so the check is on the safe side.

And whatever the d-prime of a panel, its count lies among the few that are only just statistically significant (between
1 % and 5 %) with a limited chance. Taking for every panel the d-prime at which that chance is largest gives the most
that could be expected. Where more panels lie there, others were probably run and not listed: the drawer is the question
to ask.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtr

from metasense.binomial import at_least
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.likelihood import Counts
from metasense.questions import drawer
from metasense.showing import words

ALIKE = 0.01  # p-value of the scatter below which counts are too alike
JUST = 0.02  # p-value below which too many panels are just significant
FEWEST = 4  # panels from which either is looked at
STRICT = 0.01  # level down to which a panel that is significant is only just so
SETS = 4000  # drawn to see how counts scatter
HOPELESS = 0.1  # where the chi-squared distribution says so much, no sets are drawn


@dataclass(frozen=True)
class TooGood:
    """How seldom chance gives counts this much alike, and so many panels that are just significant.

    Attributes
    ----------
    alike : float
        P-value of the scatter.
    just : float
        Largest p-value of the number of panels that are just significant.
    among : int
        How many of them are.
    panels : int
        To which this applies: listed as reported, a forced choice, one answer a taster.
    """

    alike: float
    just: float
    among: int
    panels: int

    @classmethod
    def of(cls, core: Core) -> TooGood:
        """Of the panels of a pool."""
        rows = core.collected.rows
        used = [e for e, hidden in zip(rows, core.unreported, strict=True) if isinstance(e, Counts) and not hidden]
        if len(used) < FEWEST:
            return cls(1.0, 1.0, 0, len(used))
        just, among = _just(used)
        return cls(_alike(used), just, among, len(used))


def _alike(panels: list[Counts]) -> float:
    """Chance of counts at most this far apart, given the totals of each protocol."""
    groups: dict[str, list[Counts]] = {}
    for panel in panels:
        groups.setdefault(panel.protocol.name, []).append(panel)
    seen, free, drawn = 0.0, 0, np.zeros(SETS)
    rng = np.random.default_rng(1)
    tables = []
    for group in groups.values():
        size = np.array([panel.tastings for panel in group])
        right = np.array([panel.correct for panel in group])
        if len(group) < 2 or right.sum() in (0, size.sum()):
            continue
        tables.append((size, int(right.sum())))
        seen += float(_apart(right, size)[0])
        free += len(group) - 1
    if not tables or chdtr(free, seen) > HOPELESS:
        return 1.0
    for size, total in tables:
        drawn += _apart(rng.multivariate_hypergeometric(size, total, SETS, method="marginals"), size)
    return float((1 + np.count_nonzero(drawn <= seen + 1e-9)) / (1 + SETS))


def _apart(right: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Pearson's sum of squares around the common share, shape (sets,)."""
    right = np.atleast_2d(right)
    share = right[0].sum() / size.sum()
    return np.asarray(((right - size * share) ** 2 / (size * share * (1 - share))).sum(axis=1))


def _just(panels: list[Counts]) -> tuple[float, int]:
    """Largest chance of so many panels that are just significant, and how many are."""
    chances = []
    among = 0
    for panel in panels:
        first, last = outcomes.critical(panel), outcomes.critical(panel, STRICT)
        share = np.linspace(panel.protocol.guess, 1, 201)
        within = at_least(first, panel.tastings, share) - at_least(last, panel.tastings, share)
        chances.append(float(within.max()))
        among += first <= panel.correct < last
    return float(outcomes.number_of_successes(np.array([chances]))[0, among:].sum()), among


def cautions(core: Core, *, plain: bool = True) -> tuple[str, ...]:
    """Sentences for when the panels are too good to be true; they bring what the drawer says.

    Measured on 200 simulated sets each in which all panels were listed: fired in 0 to 1.5 % (four triangles of 20, six
    of 24, twelve of 36, nine of mixed protocols; d-prime 0 to 1.3), and in 3.5 % of six triangles of 24 at a d-prime of
    2, where counts that are just significant are common. Of six triangles of 24 reported only because they were
    significant, it fired in 85, 80 and 71 % at a d-prime of 0, 0.3 and 0.7.
    """
    return core.remember(("too good", plain), lambda: _cautions(core, plain))


def _cautions(core: Core, plain: bool) -> tuple[str, ...]:
    found = TooGood.of(core)
    said = []
    if found.just < JUST:
        said.append(
            f"{found.among} of {found.panels} only just statistically significant, by chance at most "
            f"{words.percent(found.just, 1)}"
        )
    if found.alike < ALIKE:
        said.append(f"counts so close together, by chance {words.percent(found.alike, 1)}")
    if not said:
        return ()
    turn = f", and {drawer.turn(core)}" if plain else ""
    asked = "pooled.drawer()" if plain else "pooled.plain.drawer()"
    text = f"The panels look too good to be true ({said[0]}){turn}."
    also = [f"Also: {more}." for more in said[1:]]
    check = f"Check that all panels are listed and all counts are as served; {asked} tells more."
    return (" ".join([text, *also, check]),)
