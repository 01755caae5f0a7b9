"""Explorers for notebooks: move a slider, and read what changes.

`explore` shows sliders above the sentences and the figure that belong to them: for one panel its counts and the margin,
for a pool the margin and the scales of the priors, for a function of one's own whatever it is given. What is shown are
the words and figures of the results themselves; nothing is worked out here. An answer is renewed when a slider is let
go, not on the way, and stands in the notebook as an output of its own: it is there when the notebook is opened again
without a kernel, or exported.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Any

import pandas as pd

from metasense.alone.beliefs import ON_P_D
from metasense.alone.forced_choice import ForcedChoicePanel
from metasense.alone.single import one_panel
from metasense.engine.priors import LARGEST, Priors
from metasense.margins import Margin, margin_of
from metasense.protocols import PROTOCOLS, Protocol
from metasense.results import first as first_screens
from metasense.results.moderated import Moderated
from metasense.results.nested import Nested
from metasense.results.page import forest_for_cell
from metasense.results.pooled import Pooled
from metasense.results.pooling import pool
from metasense.showing import tables, words
from metasense.showing.figures import Drawing
from metasense.showing.results import Answered, Result
from metasense.tables.panels import Tastings, read_panels

MOST_TASTINGS = 200
NO_MARGIN = (
    "No margin, so no verdict: move its slider to the smallest difference that would matter to you, best before you "
    "look at the counts."
)
TERMS = {"p_d": "p_d", "d_prime": "d-prime"}  # parameters called by terms of the trade, which stay as they are written
_TEXT = "line-height: 1.6; font-size: var(--jp-content-font-size1, inherit)"  # as in any other output
Say = Callable[..., list[str | tables.Shown]]


def explore(subject: Any = None, *, margin: Margin | str | None = None, **sliders: Sequence[Any]) -> Any:
    """Sliders beside the answer they change, for a notebook.

    Parameters
    ----------
    subject : OnePanel, Pooled, Moderated, Nested, Panels, Tastings, function, or anything `read_panels` takes, optional
        A panel of a forced-choice protocol, or nothing: move its counts and the margin, and see what they rule out.
        A pool with moderators or a level: move the margin, and see the answer at each end.
        A function that gives a result, a picture, a sentence or a frame, or several of them: move what it is given.
        Anything else is pooled: move the margin and the scales of the priors, and see whether the verdict holds.
    margin : Margin or str, optional
        Where the margin's slider starts; that of `subject` by default. At 0 there is no margin and no verdict.
    **sliders : sequence
        For a function, what each of its parameters may be: ``(lowest, start, highest)`` or ``(lowest, start, highest,
        step)``, where the highest may be the name of another slider that it may not pass; or a list of words, of
        which the first is chosen.

    Returns
    -------
    ipywidgets.VBox
        Its last child holds the answer.

    Raises
    ------
    ImportError
        If ipywidgets is not installed.
    ValueError
        If the panel has no single count of correct answers (A-not-A, same-different), or sliders are named for
        anything but a function.

    Examples
    --------
    >>> box = explore(one_panel("triangle", 24, 10, margin=Margin(p_d=0.3, protocol="triangle")))
    >>> protocol, tastings, correct, margin, answer = box.children
    >>> correct.value = 18
    >>> "18 of 24 answers correct" in answer.value
    True
    >>> box = explore(lambda n, x: one_panel("triangle", n, x), n=(6, 30, 60), x=(0, 15, "n"))
    >>> box.children[0].value = 12
    >>> box.children[1].max, box.children[1].value
    (12, 12)
    """
    margin = margin_of(margin)
    widgets = _widgets()
    if callable(subject):
        return _function(widgets, subject, sliders)
    if sliders:
        raise ValueError(f"{words.listing(sliders)}: sliders are named only where a function is explored.")
    if subject is None or hasattr(subject, "d_prime_posterior"):
        return _counts(widgets, subject, margin)
    if isinstance(subject, (Moderated, Nested)):
        return _beside(widgets, subject, margin)
    return _pool(widgets, subject, margin)


def _widgets() -> Any:
    try:
        import ipywidgets
    except ImportError as error:
        raise ImportError(
            'ms.explore() needs ipywidgets, which is not installed: pip install "metasense[lab]". Everything it shows '
            "is also in ms.one_panel(...) and ms.pool(...)."
        ) from error
    return ipywidgets


# --- one panel: its counts, and what they rule out --------------------------------------------------------------------


def _counts(widgets: Any, panel: Any, margin: Margin | None) -> Any:
    panel = one_panel("triangle", 24, 10) if panel is None else panel
    if not isinstance(panel, ForcedChoicePanel):
        raise ValueError(
            f"explore() moves a count of correct answers, and {panel.protocol.name} has two counts: use one_panel(...)."
        )
    margin = panel.margin if margin is None else margin
    test, names = panel.protocol.name, [name for name, test in PROTOCOLS.items() if isinstance(test, Protocol)]
    most = max(MOST_TASTINGS, panel.tastings)
    start = 0.0 if margin is None else margin.p_d(panel.protocol)
    controls = {
        "protocol": widgets.Dropdown(options=names, value=test, description="protocol", **_wide(widgets)),
        "tastings": widgets.IntSlider(panel.tastings, 1, most, description="tastings", **_slow(widgets)),
        "correct": widgets.IntSlider(panel.correct, 0, panel.tastings, description="correct answers", **_slow(widgets)),
        "p_d": _share(widgets, start, "margin, as a p_d"),
    }

    def carry(change: Any) -> None:
        """The margin stays the same difference, which is another p_d in another protocol."""
        if controls["p_d"].value:
            there = Margin(p_d=controls["p_d"].value, protocol=change["old"]).p_d(change["new"])
            controls["p_d"].value = min(there, controls["p_d"].max)

    controls["tastings"].observe(partial(_lower, controls["correct"]), "value")
    controls["protocol"].observe(carry, "value")

    def say(protocol: str, tastings: int, correct: int, p_d: float) -> list[str | tables.Shown]:
        stated = Margin(p_d=p_d, protocol=protocol) if p_d else None
        one = one_panel(protocol, tastings, min(correct, tastings), margin=stated, priors=panel.priors, prob=panel.prob)
        assert isinstance(one, ForcedChoicePanel)
        return [*left_open(one), one._picture(), *(one.on_the_margin() or [NO_MARGIN]), one.picture()]

    return _laid_out(widgets, controls, say)


def left_open(panel: ForcedChoicePanel) -> list[str]:
    """What a panel's counts rule out at either end, in two sentences.

    Examples
    --------
    >>> print(left_open(one_panel("triangle", 24, 8))[1])  # doctest: +NORMALIZE_WHITESPACE
    Left open: a p_d up to 34 % (95 % credible interval, equal-tailed, flat prior on p_d: 0.5 % to 34 %). Guessing is
    left open too.
    """
    test, n, x = panel.protocol, panel.tastings, panel.correct
    low, high = words.distinct(*panel.p_d_posterior.interval(panel.prob), unit="percent")
    interval = f"{words.percent(panel.prob)} credible interval, equal-tailed, {ON_P_D}: {low} to {high}"
    rare = panel.p_value < panel.alpha
    return [
        f"{test.name}: {x} of {n} answers correct ({words.percent(x / n)}); guessing alone gives "
        f"{words.percent(test.guess)}, and so many or more in {words.percent(panel.p_value, 1)} of such panels (exact "
        f"one-sided {words.p_value(panel.p_value)}).",
        f"Left open: a p_d {f'of {low} to {high}' if rare else f'up to {high}'} ({interval}). "
        + ("Guessing alone would be a rare accident." if rare else "Guessing is left open too."),
    ]


# --- a pool: the margin, and what was believed before -----------------------------------------------------------------


def _pool(widgets: Any, subject: Any, margin: Margin | None) -> Any:
    first = subject if isinstance(subject, Pooled) else None
    if first is not None:
        panels, tastings, priors = first.panels, first.tastings, first.priors
        margin = first.margin if margin is None else margin
    else:
        tastings = subject if isinstance(subject, Tastings) else None
        panels, priors = (tastings.to_panels() if tastings is not None else read_panels(subject)), Priors()

    @lru_cache(maxsize=32)
    def pooled(centre_scale: float, spread_scale: float) -> Pooled:
        chosen = replace(priors, centre_scale=centre_scale, spread_scale=spread_scale)
        return first if first is not None and chosen == priors else pool(panels, tastings=tastings, priors=chosen)

    test = replace(pooled(priors.centre_scale, priors.spread_scale).core, margin=margin).main_protocol
    start = 0.0 if margin is None else margin.p_d(test)
    controls = {
        "p_d": _share(widgets, start, f"margin, as a {test.name} p_d"),
        "centre_scale": _scale(
            widgets, priors.centre_scale, LARGEST["centre_scale"], 0.25, "typical size believed before"
        ),
        "spread_scale": _scale(
            widgets, priors.spread_scale, LARGEST["spread_scale"], 0.1, "typical spread believed before"
        ),
    }

    def say(p_d: float, centre_scale: float, spread_scale: float) -> list[str | tables.Shown]:
        stated = Margin(p_d=p_d, protocol=test) if p_d else None
        at = Pooled(replace(pooled(centre_scale, spread_scale).core, margin=stated))
        verdict = NO_MARGIN if stated is None else at.verdict().sentence()
        rate = at.rate(at.protocol)
        plainly = " ".join(first_screens.answer(at.core, rate, at.verdict(), at.core.expected_way))
        return [plainly, at._picture(), verdict, at.explanations().sentence(), forest_for_cell(at.core)]

    return _laid_out(widgets, controls, say)


def _beside(widgets: Any, subject: Moderated | Nested, margin: Margin | None) -> Any:
    """A pool with moderators or a level: its margin."""
    margin = subject.margin if margin is None else margin
    test = replace(subject.core, margin=margin).main_protocol
    start = 0.0 if margin is None else margin.p_d(test)
    controls = {"p_d": _share(widgets, start, f"margin, as a {test.name} p_d")}

    def say(p_d: float) -> list[str | tables.Shown]:
        stated = Margin(p_d=p_d, protocol=test) if p_d else None
        at = replace(subject, core=replace(subject.core, margin=stated))
        return [
            " ".join(at._glance().answer),
            at._picture(),
            NO_MARGIN if stated is None else at.headline(),
            at.picture(),
        ]

    return _laid_out(widgets, controls, say)


# --- a function of one's own ------------------------------------------------------------------------------------------


def _function(widgets: Any, function: Callable[..., Any], sliders: Mapping[str, Sequence[Any]]) -> Any:
    controls: dict[str, Any] = {}
    for name, values in sliders.items():
        label = TERMS.get(name, name.replace("_", " "))
        if all(isinstance(value, str) for value in values):
            controls[name] = widgets.Dropdown(options=list(values), description=label, **_wide(widgets))
            continue
        low, start, most, *step = values
        bound = controls[most] if isinstance(most, str) else None
        whole = all(isinstance(value, int) for value in values if not isinstance(value, str))
        slider = widgets.IntSlider if whole else widgets.FloatSlider
        controls[name] = slider(
            start,
            min=low,
            max=most if bound is None else bound.value,
            step=step[0] if step else (1 if whole else 0.05),
            description=label,
            **_slow(widgets),
        )
        if bound is not None:
            bound.observe(partial(_lower, controls[name]), "value")

    def say(**values: Any) -> list[str | tables.Shown]:
        given = function(**values)
        parts: list[str | tables.Shown] = []
        for part in given if isinstance(given, (tuple, list)) else (given,):
            if isinstance(part, Answered):
                picture = part._picture()
                parts += [part.plain_answer()] if picture is None else [part.plain_answer(), picture]
            elif isinstance(part, Result):
                parts += part._shown()
            elif isinstance(part, Drawing):
                parts.append(part)
            elif isinstance(part, pd.DataFrame):
                parts.append(tables.table(part))
            else:
                parts.append(str(part))
        return parts

    return _laid_out(widgets, controls, say)


def _lower(slider: Any, change: Any) -> None:
    slider.max = change["new"]  # a larger value comes down with it


# --- what all share ---------------------------------------------------------------------------------------------------


def _laid_out(widgets: Any, controls: Mapping[str, Any], say: Say) -> Any:
    """The controls above the answer, which is said again whenever one of them changes."""
    answer = widgets.HTML()
    answer.add_class("jp-RenderedHTMLCommon")

    def renew(_: Any = None) -> None:
        try:
            parts = say(**{name: control.value for name, control in controls.items()})
        except (ValueError, ArithmeticError) as error:
            parts = [str(error)]
        answer.value = f'<div style="{_TEXT}">{tables.block(*parts)}</div>'

    renew()
    for control in controls.values():
        control.observe(renew, "value")
    return _explorer(widgets)([*controls.values(), answer])


@lru_cache(maxsize=1)
def _explorer(widgets: Any) -> Any:
    """The kind of box that explorers are."""

    class Explorer(widgets.VBox):  # type: ignore[misc]
        """Controls above an answer, of which the answer stays when the kernel has gone."""

        def _ipython_display_(self) -> None:
            from IPython.display import display

            *controls, answer = self.children
            sliders = widgets.VBox(controls)._repr_mimebundle_()
            moved = words.listing(control.description for control in controls)
            sliders["text/plain"] = f"Run this cell to move: {moved}."  # what stays where there is no kernel
            display(sliders, raw=True)  # type: ignore[no-untyped-call]
            shown = display(_Still(answer.value), display_id=True)  # type: ignore[no-untyped-call]
            answer.observe(lambda change: shown.update(_Still(change["new"])), "value")

    return Explorer


@dataclass(frozen=True)
class _Still:
    """An answer as it stands in the notebook."""

    html: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return words.one_line(html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", self.html)))


def _share(widgets: Any, start: float, description: str) -> Any:
    start = min(start, 0.9)
    options = [(words.percent(share), share) for share in sorted({start, *(n / 100 for n in range(91))})]
    return widgets.SelectionSlider(options=options, value=start, description=description, **_slow(widgets))


def _scale(widgets: Any, start: float, most: float, step: float, description: str) -> Any:
    return widgets.FloatSlider(start, min=step, max=most, step=step, description=description, **_slow(widgets))


def _slow(widgets: Any) -> dict[str, Any]:
    """A slider that tells where it was let go."""
    return _wide(widgets) | {"continuous_update": False}


def _wide(widgets: Any) -> dict[str, Any]:
    return {"style": {"description_width": "initial"}, "layout": widgets.Layout(width="40em", max_width="100%")}
