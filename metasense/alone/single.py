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

from typing import Any

import numpy as np
import pandas as pd

from metasense.alone.forced_choice import ForcedChoicePanel
from metasense.alone.two_counts import TwoCountPanel
from metasense.binomial import at_most, fisher_tails
from metasense.engine.priors import Priors
from metasense.engine.priors import stated as stated_priors
from metasense.margins import Margin, level, level_of, margin_of
from metasense.protocols import TwoCountProtocol
from metasense.protocols import protocol as find_protocol
from metasense.showing import words
from metasense.tables.panels import REVERSED, Panels, Tastings

COUNTS = ("tastings", "correct", "signal", "hits", "noise", "false_alarms")


def one_panel(
    panel: Any,
    tastings: int | None = None,
    correct: int | None = None,
    *,
    signal: int | None = None,
    hits: int | None = None,
    noise: int | None = None,
    false_alarms: int | None = None,
    margin: Margin | str | None = None,
    priors: Priors = Priors(),  # noqa: B008 - frozen
    alpha: float = 0.05,
    beta: float = 0.05,
    prob: float = 0.95,
    settled: float | None = None,
    name: str = "",
) -> ForcedChoicePanel | TwoCountPanel:
    """Read one panel on its own.

    Parameters
    ----------
    panel : str, Protocol, Panels or Tastings of one panel, or a row of a Panels
        The protocol, when counts follow; otherwise the panel with its counts.
    tastings, correct : int
        For a forced-choice protocol.
    signal, hits, noise, false_alarms : int
        For A-not-A and same-different.
    margin : Margin or str, optional
        The smallest difference that matters. Without it there is no verdict.
    priors : Priors
        Scales of the pooling prior, whose marginal for one panel is the prior on d-prime.
    alpha, beta : float
        Risks of critical number and similarity limit.
    prob : float
        Of every interval.
    settled : float, optional
        Posterior probability at which the margin question counts as settled; the margin's by default.
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
    if isinstance(panel, Tastings):
        panel = panel.to_panels()
    if isinstance(panel, Panels):
        panel = _the_only(panel)
    if hasattr(panel, "protocol"):
        row, panel = panel, panel.protocol
        name = name or str(row.panel)
        counts = (getattr(row, key, None) for key in COUNTS)
        tastings, correct, signal, hits, noise, false_alarms = (None if pd.isna(n) else int(n) for n in counts)  # type: ignore[arg-type]
        people = getattr(row, "tasters", None)
        tasters = None if people is None or pd.isna(people) else int(people)
        notes = tuple(_remarks(row, tastings if tastings is not None else (signal or 0) + (noise or 0)))
    for what, value in (("alpha", alpha), ("beta", beta), ("prob", prob)):
        if not 0 < value < 1:
            raise ValueError(
                f"{what} lies between 0 and 1, such as 0.05 for a risk or 0.95 for a probability; got {value!r}."
            )
    margin = margin_of(margin)
    settled = level(margin) if settled is None else level_of(settled)
    test = find_protocol(panel)
    common: dict[str, Any] = {
        "panel": name, "protocol": test, "margin": margin,
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
    if not name:
        _refuse_turned(test.name, tastings, correct)
    tastings, correct = _pair(label, "tastings", tastings, "correct", correct)
    _without(label, test, signal=signal, hits=hits, noise=noise, false_alarms=false_alarms)
    notes += _against(float(at_most(correct, tastings, test.guess)), test.directed)
    return ForcedChoicePanel(**common, notes=notes, tastings=tastings, correct=correct)


def _the_only(panels: Panels) -> Any:
    """The row of a table of one panel."""
    if len(panels) == 1:
        return next(iter(panels))
    names = [str(name) for name in panels.frame["panel"]]
    raise ValueError(
        f"one_panel reads one panel; this table has {len(panels)}: {words.listing(map(repr, names), most=8)}. Choose "
        f"one by its name, as in table[{names[0]!r}], and give that."
    )


def _refuse_turned(protocol: str, tastings: Any, correct: Any) -> None:
    """Say so where the two counts may stand in each other's place."""
    whole = all(isinstance(count, (int, np.integer)) and not isinstance(count, bool) for count in (tastings, correct))
    if whole and 0 < tastings < correct:
        raise ValueError(
            f"{correct} correct of {tastings} tastings cannot be. Tastings come first, then how many were correct: "
            f'one_panel("{protocol}", {correct}, {tastings}), if that is what was meant.'
        )


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
            f"Ranges are too narrow: {words.count(int(tasters), 'taster')} gave {words.count(tastings, 'answer')}, "
            "taken as independent. The p-value holds if all guess; intervals and probabilities say too much."
        )
    if (blind := given("blind")) in ("single", "none"):
        out.append(
            "Not blind: what was seen or said may have decided."
            if blind == "none"
            else "Single blind only: the server knew."
        )
    if (looks := given("looks")) is not None and looks > 1:
        out.append(f"Looked at {int(looks)} times, the end included: luck does as well more often than is said.")
    return out
