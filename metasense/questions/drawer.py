"""The drawer: panels that were run and never listed, and what they could do to the answer.

Panels listed with ``reported = no`` are ordinary rows: they are shown, counted and pooled, with the answer from the
reported ones beside it. For panels that nobody listed there is only a what-if. Suppose a statistically significant
panel always comes to light, and any other with probability omega. Then a listed panel i counts as
``L_i / (S_i + omega (1 - S_i))``, where ``S_i`` is its chance of being statistically significant, averaged over the
panel's own d-prime before dividing. Omega is not estimated: the answer is shown for several.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from metasense.core.answers import Verdict, side
from metasense.core.core import Core
from metasense.engine import outcomes
from metasense.engine.likelihood import Evidence, Series
from metasense.engine.outcomes import ALPHA
from metasense.engine.plane import Plane, Weighed
from metasense.questions.regulars import as_new
from metasense.questions.sensitivity import answer, of_panels
from metasense.showing import figures, tables, words
from metasense.showing.results import Pictured

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Array = NDArray[np.floating[Any]]

OMEGAS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.01)
LEAST = 0.001  # smallest omega at which a change of the verdict is looked for


class Selection:
    """A pool whose panels came to light surely if statistically significant, and with probability omega if not.

    Parameters
    ----------
    core : Core
        Panels listed as not reported, and those with two counts, are taken as listed whatever they showed.
    alpha : float
        One-sided level at which a panel counts as statistically significant.
    """

    def __init__(self, core: Core, alpha: float = ALPHA) -> None:
        self.core = core
        collected = core.collected
        usable = np.array([outcomes.counted(e) for e in collected.evidence])
        came_to_light = usable[collected.index] & ~core.unreported
        copies = np.bincount(collected.index[came_to_light], minlength=len(collected.evidence))
        self.chosen = np.flatnonzero(copies)
        self.copies = copies[self.chosen].astype(float)
        panels = [collected.evidence[i] for i in self.chosen]
        critical = [outcomes.critical(e, alpha) for e in panels]
        self._events: list[Evidence] = [outcomes.AtLeast(e, c) for e, c in zip(panels, critical, strict=True)]
        dull = [outcomes.correct(e) < c for e, c in zip(panels, critical, strict=True)]
        self.dull = float(self.copies @ np.array(dull, float)) if len(panels) else 0.0
        self._known: dict[Plane, list[Array]] = {}

    @property
    def panels(self) -> int:
        """Panels to which the what-if applies."""
        return int(self.copies.sum())

    def significant(self, plane: Plane) -> list[Array]:
        """Chance of each chosen panel to be statistically significant at the nodes of each region."""
        if plane not in self._known:
            logs = plane.values(lambda series: Series.build(self._events, np.ones(len(self._events)), series.gamma))
            self._known[plane] = [np.exp(np.minimum(log, 0.0)) for log in logs]
        return self._known[plane]

    def weigh(self, omega: float) -> Weighed:
        """The posterior if this share of the panels that are not statistically significant came to light."""

        def factor(plane: Plane) -> list[Array]:  # that those not significant came to light is as likely at every node
            return [-np.log(s + omega * (1 - s)) @ self.copies for s in self.significant(plane)]

        collected = self.core.collected
        copies = collected.copies.astype(float)
        return self.core.plane.weigh(copies, self.core.priors, factor if self.panels else None)

    def never_listed(self, omega: float, weighed: Weighed) -> float:
        """Panels expected to have been run and never listed, beside those listed."""
        if not self.panels:
            return 0.0
        hidden = [
            ((1 - omega) * (1 - s) / (s + omega * (1 - s))) @ self.copies for s in self.significant(weighed.plane)
        ]
        return float(weighed.expect(hidden))


@dataclass(frozen=True, eq=False, repr=False)
class Drawer(Pictured):
    """What panels that were never listed could do to the answer. Made by `Pooled.drawer`.

    Attributes
    ----------
    what_if : DataFrame
        A row for each omega, the share of panels that are not statistically significant and still came to light:
        ``case, omega``, the number of panels expected to be ``never_listed``, then the average d-prime's ``median,
        lower, upper, prob, kind``, ``p_above, p_below, verdict``.
    panels : int
        Panels to which the what-if applies.
    significant : int
        How many of them are statistically significant.
    unreported : tuple of str
        Panels listed as not reported; they are counted.
    reported_only : DataFrame or None
        The answer with and without these, in the same columns.
    turning : tuple or None
        The largest omega at which the verdict is another, the panels never listed there, and that verdict.
    margin : float or None
    alpha : float
    left_out : int
        Other panels of the pool: with two counts, or listed as not reported.
    as_new : str
        That people are taken as new here, where the pool follows them from panel to panel.

    Examples
    --------
    >>> import metasense as ms
    >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 24, "correct": [13, 14, 13]})
    >>> pooled.drawer().to_frame().set_index("omega")["median"].round(1).to_dict()[0.01]
    0.7
    """

    _depicts = "The average d-prime against the share that came to light of panels not statistically significant."

    what_if: pd.DataFrame
    panels: int
    significant: int
    unreported: tuple[str, ...]
    reported_only: pd.DataFrame | None
    turning: tuple[float, float, str] | None
    margin: float | None
    alpha: float = ALPHA
    left_out: int = 0
    as_new: str = ""

    @classmethod
    def of(cls, core: Core, *, omegas: Sequence[float] = OMEGAS, alpha: float = ALPHA, prob: float = 0.95) -> Drawer:
        """Work it out for a pool.

        Raises
        ------
        ValueError
            If an omega is not above 0 and at most 1.
        """
        if not omegas or not all(0 < omega <= 1 for omega in omegas):
            raise ValueError(
                "omegas are the shares of panels not statistically significant that still came to light: above 0 and "
                f"at most 1, for instance (1, 0.5, 0.1); got {tuple(omegas)!r}."
            )
        said = as_new(core)
        core = core.apart
        frame = core.panels.frame
        hidden = core.unreported
        selection = Selection(core, alpha)
        rows = []
        for omega in omegas:
            weighed = selection.weigh(omega)
            row = {"case": _listed(omega), "omega": omega, "never_listed": selection.never_listed(omega, weighed)}
            rows.append(row | answer(weighed.average, core.margin, prob))
        return cls(
            pd.DataFrame(rows),
            selection.panels,
            round(selection.panels - selection.dull),
            tuple(frame["panel"][hidden]),
            reported_only(core, prob),
            _turning(selection),
            None if core.margin is None else core.margin.d_prime,
            alpha,
            len(frame) - round(selection.panels),
            said,
        )

    def to_frame(self) -> pd.DataFrame:
        """A copy of the what-ifs, a row for each omega.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.drawer().to_frame().columns.tolist()[:3]
        ['case', 'omega', 'never_listed']
        """
        return self.what_if.copy()

    def listed(self) -> str:
        """The panels listed as not reported, in words.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.drawer().listed()[:40]
        'No panel is listed as not reported.'
        """
        return listed(self.unreported, self.reported_only) or "No panel is listed as not reported."

    def sentence(self) -> str:
        """What panels that were never listed could do to the answer, in words.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> pooled.drawer().sentence()[:40]
        'If every panel that was run is listed, t'
        """
        if not self.panels:
            return "The what-if does not apply: no panel is known only because it was reported."
        frame = self.what_if
        first, last = frame.loc[frame["omega"].idxmax()], frame.loc[frame["omega"].idxmin()]
        medians = words.distinct(first["median"], last["median"])
        aside = (
            f" ({words.count(self.left_out, 'other')} taken as listed whatever they showed)" if self.left_out else ""
        )
        dull = "of the panels that are not statistically significant ever came to light"
        start = "every panel that was run is listed" if first["omega"] == 1 else f"{_share(first['omega'])} {dull}"
        these = "this one" if self.panels == 1 else f"these {self.panels}"
        text = (
            f"If {start}, the median of the average d-prime is {medians[0]}. If only {_share(last['omega'])} {dull}, "
            f"it is {medians[1]}; that would mean {_about(last['never_listed'])} never listed beside {these}{aside}."
        )
        turn = "" if self.margin is None else self._turn(first["verdict"])
        return " ".join(filter(None, [text, turn, self.as_new]))

    def _turn(self, verdict: str) -> str:
        if self.turning is None:
            return f"The verdict, {verdict}, stays even then."
        omega, never, other = self.turning
        if omega > 0.95:
            return f"The verdict would turn from {verdict} to {other} as soon as one such panel had not come to light."
        return (
            f"The verdict would turn from {verdict} to {other} once fewer than {_share(omega)} of such panels came to "
            f"light: {_about(never)} never listed."
        )

    def caveats(self) -> tuple[str, ...]:
        """What the what-if cannot do.

        Returns
        -------
        tuple of str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> len(pooled.drawer().caveats()) > 0
        True
        """
        if not self.panels:
            return ()
        medians = self.what_if.sort_values("omega")["median"]
        wrong = "too high"
        if medians.iloc[0] < medians.iloc[-1]:
            wrong = (
                "too low (in simulated sets of six triangle panels of 24 whose true average was 0.6 to 1.5, the one "
                "for 1 in 100 by 0.4 to 1.0)"
            )
        known = (
            "Every panel known from reports is statistically significant, so nothing here tells how many others there "
            "were"
            if self.significant == self.panels
            else "These panels hardly tell how many others there were"
        )
        return (
            f"{known}: this is a what-if, not an estimate. Where everything is listed, only the answer for that holds; "
            f"the others are {wrong}.",
            f"It supposes that only statistical significance ({words.percent(self.alpha)}, one-sided) decided what "
            "came to light, and the numbers never listed are those the fitted model expects beside so many listed "
            "panels, whatever these showed. Listing the panels that were broken off or never reported, as rows with "
            "reported = no, is better than any such correction.",
        )

    def plot(self, *, ax: Any = None) -> Axes:
        """The average d-prime against the share of panels not statistically significant that came to light.

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
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> from matplotlib.figure import Figure
        >>> axes = pooled.drawer().plot(ax=Figure())
        """
        frame = self.what_if.sort_values("omega")
        axes = figures.curve(
            frame["omega"],
            frame["median"],
            lower=frame["lower"],
            upper=frame["upper"],
            level=self.margin,
            level_label="margin",
            xlabel="share that came to light of the panels not statistically significant (right: all are listed)",
            ylabel="average d-prime (median)",
            steps=True,
            prob=float(frame["prob"].iloc[0]),
            ax=ax,
        )
        axes.set_xscale("log")
        axes.set_xticks(frame["omega"], [words.percent(omega) for omega in frame["omega"]])
        axes.minorticks_off()
        axes.set_ylim(bottom=0)
        return axes

    def _alt(self, kind: str, how: Mapping[str, Any]) -> str:
        return f"{self._depicts} {self.sentence()}"

    def _shown(self) -> list[str | tables.Table]:
        if not self.panels:
            return [self.listed(), self.sentence()]
        frame = self.what_if.drop(columns="omega")
        if self.margin is None:
            frame = frame.drop(columns=["p_above", "p_below", "verdict"])
        kinds: dict[str, Any] = {"p_above": side, "p_below": side, "never_listed": lambda v: words.whole(round(v))}
        labels = {
            "case": "of panels not statistically significant, came to light",
            "never_listed": "panels never listed",
        }
        labels |= {"p_above": "P(above margin)", "p_below": "P(below margin)"}
        caption = "The average d-prime if other panels were run and never listed"
        table = tables.table(frame, caption=caption, kinds=kinds, labels=labels)
        return [self.listed(), self.sentence(), table, *self.caveats()]


def turn(core: Core) -> str:
    """What panels in the drawer would do to the verdict, as the end of a sentence."""
    found = Drawer.of(core)
    if not found.panels or found.margin is None:
        return "others may lie in the drawer, never listed"
    if found.turning is None:
        return "even so, panels in the drawer would hardly change the verdict"
    omega, never, other = found.turning
    panels = "one panel" if omega > 0.95 else _about(never)
    return f"with {panels} in the drawer, never listed, the verdict would be {other}"


def reported_only(core: Core, prob: float = 0.95) -> pd.DataFrame | None:
    """The answer from all panels and from the reported ones; None where these are the same or there are none."""
    hidden = core.unreported
    if not hidden.any() or hidden.all():
        return None
    return pd.DataFrame(
        {"case": case, "panels": int(keep.sum())} | answer(of_panels(core, keep)[0], core.margin, prob)
        for case, keep in (("all panels", np.ones(len(hidden), bool)), ("reported panels only", ~hidden))
    )


def listed(unreported: Sequence[str], beside: pd.DataFrame | None) -> str:
    """The panels listed as not reported, and the answer without them, in words; empty where there are none."""
    if not len(unreported):
        return ""
    text = f"Not reported elsewhere, but counted here: {words.listing(map(words.one_line, unreported), most=6)}."
    if beside is None:
        return text
    with_, without = beside.itertuples(index=False)
    medians = words.distinct(with_.median, without.median)
    text += (
        f" From the reported panels only, the median of the average d-prime is {medians[1]} in place of {medians[0]}"
    )
    if with_.verdict == "no margin given":
        return f"{text}."
    return f"{text}, and the verdict {'the same' if with_.verdict == without.verdict else without.verdict}."


def _turning(selection: Selection) -> tuple[float, float, str] | None:
    """The largest omega at which the verdict is another than with every panel listed."""
    margin = selection.core.margin
    if margin is None or not selection.panels:
        return None

    def label(omega: float) -> str:
        return Verdict.of(selection.weigh(omega).average, margin).label

    before, high = label(1.0), 1.0
    for low in np.geomspace(1.0, LEAST, 13)[1:]:
        if label(float(low)) != before:
            break
        high = float(low)
    else:
        return None
    low = float(low)
    while high / low > 1.01:
        middle = float(np.sqrt(high * low))
        low, high = (middle, high) if label(middle) != before else (low, middle)
    weighed = selection.weigh(low)
    return low, selection.never_listed(low, weighed), Verdict.of(weighed.average, margin).label


def _about(panels: float) -> str:
    return f"about {words.count(round(panels), 'panel')}" if panels > 0.5 else "less than one panel"


def _listed(omega: float) -> str:
    return "all" if omega == 1 else _share(omega)


def _share(omega: float) -> str:
    ratio = 1 / omega
    return (
        f"1 in {ratio:.0f}"
        if abs(ratio - round(ratio)) < 0.05 and ratio > 1.5
        else words.percent(omega, 1 if omega < 0.1 else 0)
    )
