"""Which product do people prefer, once lucky guesses are taken out?

Asked of those who picked the right cup only, a preference is diluted: some of them guessed, and a guesser's preference
is a coin toss. If a panel's d-prime gives a rate p_c of correct answers and p_d of answers beyond guessing, the share
``w = p_d / p_c`` of the correct answers was not luck. Those prefer the new product with probability `rho`, or state no
preference with probability `q`; the lucky ones split evenly and state none with probability `e`. `preference`
integrates over each panel's d-prime (the preferences do not feed back to it) and over `rho`, `q` and `e` with uniform
priors.

Asked of everybody, best on a separate blind pair, there is nothing to take out; a placebo pair (the same product twice)
shows how many state a preference where there can be none. Several panels have preferences of their own around a typical
one. Luck and telling apart are bookkeeping: nobody can say which of the correct answers were which.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from metasense.binomial import exact_interval
from metasense.core.answers import quantity
from metasense.core.core import core_of
from metasense.core.evidence import collect, joined
from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.posterior import Posterior
from metasense.engine.priors import Priors
from metasense.margins import SETTLED
from metasense.protocols import Protocol, protocol
from metasense.questions.asked import (
    ANSWERS,
    Asked,
    answers_of,
    asked_again,
    pairs_of,
    placebo_of,
    served_placebo,
    silent_in,
)
from metasense.questions.luck import SPREAD, Fitted, fit, larger, not_luck, together
from metasense.showing import figures, plain, tables, words
from metasense.showing.glance import Glance, compact
from metasense.showing.results import Answered, Pictured, Statement
from metasense.tables.panels import Tastings, read_panels

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from metasense.tables.panels import Panels


SMALL = 0.5  # average d-prime below which correct answers are mostly luck
SHARES = 24  # values of w for each panel, equally probable
NEXT_TIME = "Next time"  # begins the note on what to do then
WHOM = {"correct": "the correct", "all": "everybody", "pair": "everybody, on a separate blind pair"}


def preference(
    source: Panels | Tastings | Any,
    *,
    tastings: Tastings | None = None,
    pairs: Any = None,
    placebo: Sequence[int] | None = None,
    spread: float = SPREAD,
) -> Preference:
    """What is known about people's preference between the new and the old product.

    Parameters
    ----------
    source : Pooled, Panels, Tastings, or anything `read_panels` takes
        Panels with ``prefer_new, prefer_old, no_preference`` and ``asked``, or tastings with ``preference``, such as
        `read_answers` gives. A pool lends its posterior of each panel's d-prime; panels are pooled first, with the
        usual priors.
    tastings : Tastings, optional
        Single answers of some of the panels; a pool brings its own.
    pairs : DataFrame, dict or list of dicts, optional
        Separate blind pairs, one row each: ``prefer_new, prefer_old``, ``no_preference`` where offered, ``panel``.
    placebo : (int, int, int), optional
        Answers to a pair of identical samples: preferred one, preferred the other, had no preference. Unless given,
        those of the panels (``placebo_stated, placebo_none``).
    spread : float
        Scale of the half-normal prior of the SD between panels' preferences, in log odds; 0 for one preference
        everywhere. With a single panel it is not used.

    Returns
    -------
    Preference

    Raises
    ------
    ValueError
        If there is no preference anywhere, or a count is none.

    Examples
    --------
    >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct",
    ...          "prefer_new": 8, "prefer_old": 4}
    >>> found = preference([asked])
    >>> round(found.naive_share, 3), found.beyond_luck.interval()[0] < 0.25, found.beyond_luck.above(0.5) < 0.85
    (0.667, True, True)
    """
    if not (isinstance(spread, (int, float, np.number)) and 0 <= spread <= 3):
        raise ValueError(f"spread is in log odds, from 0 (the same preference everywhere) to 3; got {spread!r}.")
    given = None if placebo is None else placebo_of(placebo)
    core = core_of(source)
    if core is not None:
        core = core.apart
        panels, tastings, posterior, index = core.panels, core.tastings, core.posterior, core.collected.index
    else:
        if isinstance(source, Tastings):
            panels, tastings = source.to_panels(), source
        else:
            panels = read_panels(source)
            panels = panels if tastings is None else joined(panels, tastings)
        collected = collect(panels.frame, tastings)
        posterior, index = grid.integrate(collected.evidence, collected.copies, Priors())[0], collected.index
    correct, everyone = answers_of(panels.frame, tastings)
    apart = pairs_of(pairs)
    everyone += [pair for pair in apart if pair.answers]
    silent = [*silent_in(panels.frame), *(pair.panel for pair in apart if not pair.answers)]
    if not correct and not everyone:
        raise ValueError(
            "nobody was asked for a preference: fill in prefer_new, prefer_old and no_preference, and asked (correct, "
            "all, or pair for all on a separate blind pair); or give separate blind pairs as pairs=."
        )
    served = served_placebo(panels.frame) if given is None else given
    again = asked_again(tastings, correct, everyone)
    return Preference(tuple(correct), tuple(everyone), posterior, tuple(index), served, spread, tuple(silent), again)


@dataclass(frozen=True, eq=False, repr=False)
class Preference(Pictured, Answered, Statement):
    """The preference for the new product, guessing taken out and among everyone. Made by `preference`.

    Attributes
    ----------
    correct, everyone : tuple of Asked
        Panels in which the correct (or, by single answers, all) were asked; panels and pairs in which everybody was.
    posterior : Posterior
        Of the pool, for each panel's d-prime.
    index : tuple of int
        Which distinct panel of the pool each row is.
    placebo : (int, int) or None
        Preferences stated and not stated between identical samples.
    spread : float
        Prior scale of the SD between panels, log odds.
    silent : tuple of str
        Panels and pairs in which people were asked, and not one answer is written down.
    again : (int, int, int) or None
        People whose preference counts in more than one panel, people in all, and their answers, as far as single
        answers tell; None where nobody came again.

    Examples
    --------
    >>> import metasense as ms
    >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
    >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
    >>> round(found.naive_share, 2)
    0.67
    """

    _depicts = "Each panel's plain share beside its preference given all, and the typical one."

    correct: tuple[Asked, ...]
    everyone: tuple[Asked, ...]
    posterior: Posterior
    index: tuple[int, ...]
    placebo: tuple[int, int] | None
    spread: float
    silent: tuple[str, ...] = ()
    again: tuple[int, int, int] | None = None

    # --- numbers ----------------------------------------------------------------------------------------------------

    @property
    def beyond_luck(self) -> Distribution:
        """Share preferring the new product, of the preferences that did not come with a lucky guess."""
        return _asked_at_all(self._fit_correct, "the correct tasters of a panel")[0]

    @property
    def among_everyone(self) -> Distribution:
        """Share preferring the new product, of everybody with a preference, in a typical panel."""
        return _asked_at_all(self._fit_everyone, "everybody")[0]

    @cached_property
    def not_luck(self) -> Distribution:
        """Share of the correct answers that was not luck, over the panels asked."""
        shares = [self._shares[a] for a in self.correct]
        return Distribution.mixture(shares, [max(a.new + a.old + a.none, 1e-9) for a in self.correct])

    @property
    def naive(self) -> tuple[int, int]:
        """Preferences for the new product and stated preferences of all who were correct, lucky or not."""
        return sum(a.new for a in self.correct), sum(a.new + a.old for a in self.correct)

    @property
    def naive_share(self) -> float:
        """Their plain share."""
        new, stated = self.naive
        return new / stated if stated else float("nan")

    @property
    def sign_test(self) -> float:
        """Two-sided sign test of the plain share against one half."""
        return _sign_test(*self.naive)

    @property
    def undiluted(self) -> float:
        """The plain share with the raw dilution undone by arithmetic, which may pass 0 or 1; nan if all may be luck."""
        right = sum(a.correct for a in self.correct)
        beyond = sum((a.correct - g * a.tastings) / (1 - g) for a in self.correct for g in [_guess(a)])
        if not right or beyond <= 0:
            return float("nan")
        return round(0.5 + (self.naive_share - 0.5) * right / beyond, 12) + 0.0  # 0 and 1 are exact, and no -0

    @property
    def identifiable(self) -> bool:
        """Whether there is enough of a difference for the correct to carry a preference at all."""
        return self.posterior.average.below(SMALL) <= 0.5

    def to_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """The answers as raw numbers.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            Rows ``prefer new, guessing taken out``, ``correct answers not luck``, ``prefer new, naive``, ``prefer new,
            everyone``, as far as asked; columns ``quantity, mean, median, lower, upper, prob, kind, p_above_half, new,
            stated``. The naive row has its exact interval and, as ``p_value``, the sign test.

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
        >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
        >>> found.to_frame()["quantity"].head(2).tolist()
        ['prefer new, guessing taken out', 'correct answers not luck']
        """
        rows = []
        for name, asked, fitted in (
            ("prefer new, guessing taken out", self.correct, self._fit_correct),
            ("prefer new, everyone", self.everyone, self._fit_everyone),
        ):
            if fitted is None:
                continue
            share = fitted[0]
            new, stated = sum(a.new for a in asked), sum(a.new + a.old for a in asked)
            row = quantity(name, share, prob) | {"p_above_half": share.above(0.5), "new": new, "stated": stated}
            tested = fitted is self._fit_everyone and stated
            rows.append(row | {"p_value": _sign_test(new, stated)} if tested else row)
            if fitted is self._fit_correct:
                rows.append(quantity("correct answers not luck", self.not_luck, prob))
                low, high = (float(np.squeeze(v)) for v in exact_interval(new, stated, prob)) if stated else (0.0, 1.0)
                naive = {"quantity": "prefer new, naive", "mean": self.naive_share, "median": self.naive_share}
                naive |= {"lower": low, "upper": high, "prob": prob, "kind": "exact", "new": new, "stated": stated}
                rows.append(naive | {"p_value": self.sign_test})
        columns = [
            "quantity",
            "mean",
            "median",
            "lower",
            "upper",
            "prob",
            "kind",
            "p_above_half",
            "new",
            "stated",
            "p_value",
        ]
        return pd.DataFrame(rows).reindex(columns=columns)

    def panels_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Each panel: counts, plain share, and the preference given all panels.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        DataFrame
            ``panel``, ``asked`` ("correct", "all", or "pair": all, on a separate blind pair), ``new, old, none,
            naive``, ``not_luck`` (median share of the correct answers that was not luck; missing where everybody was
            asked), ``median, lower, upper`` of the panel's own preference, ``prob, kind``.

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
        >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
        >>> found.panels_frame().columns[:4].tolist()
        ['panel', 'asked', 'new', 'old']
        """
        rows = []
        for asked, fitted in ((self.correct, self._fit_correct), (self.everyone, self._fit_everyone)):
            of_correct = fitted is self._fit_correct
            for a, own in zip(asked, fitted[1] if fitted else (), strict=True):
                lower, upper = own.interval(prob)
                everybody = "pair" if a.row is None else "all"
                rows.append({
                    "panel": a.panel, "asked": "correct" if of_correct else everybody,
                    "new": a.new, "old": a.old, "none": a.none,
                    "naive": a.new / (a.new + a.old) if a.new + a.old else np.nan,
                    "not_luck": self._shares[a].median if of_correct else np.nan,
                    "median": own.median, "lower": lower, "upper": upper, "prob": prob, "kind": "equal-tailed",
                })  # fmt: skip
        return pd.DataFrame(rows)

    @property
    def _pairs(self) -> tuple[Asked, ...]:
        return tuple(a for a in self.everyone if a.row is None)

    @property
    def _offered(self) -> tuple[Asked, ...]:
        """Where everybody could say that they have no preference, as on the placebo pair."""
        return tuple(a for a in self.everyone if a.offered)

    # --- words and figure -------------------------------------------------------------------------------------------

    def sentences(self, prob: float = 0.95) -> list[str]:
        """The answer in plain words.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.

        Returns
        -------
        list of str

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
        >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
        >>> found.sentences()[0][:40]
        'With lucky guesses taken out, the share '
        """
        return [*self._among_correct(prob), *self._among_everyone(prob)]

    def _line(self) -> str:
        """Everybody's answer first: nothing has to be taken out of it."""
        return [*self._among_everyone(0.95), *self._among_correct(0.95)][0]

    def _paragraph(self) -> list[str]:
        return [*self.sentences(), *self.notes]

    def _methods(self) -> list[str]:
        said = []
        if self.correct:
            said.append(
                "Asked of the correct: if p_c of the answers are correct and p_d beyond guessing, the share p_d / p_c "
                "of the correct was not luck. Those prefer the new product with an unknown probability; lucky guessers "
                "split evenly. Integrated over each panel's d-prime given all panels and over the shares that state no "
                "preference, with uniform priors."
            )
        if self.everyone:
            where = ", on a separate blind pair" if self._pairs == self.everyone else ""
            said.append(
                f"Asked of everybody{where}: binomial, with a uniform prior on the share; sign test two-sided, exact."
            )
        if self.placebo is not None and self._offered:
            said.append(
                "The rates at which a preference is stated on the real and the placebo pair are compared with uniform "
                "priors, as if by different people."
            )
        if max(len(self.correct), len(self.everyone)) > 1 and self.spread:
            said.append(
                f"Panels have preferences around a typical one, normal in log odds with a half-normal({self.spread:g}) "
                "prior on the SD."
            )
        return [*said, "Medians and credible intervals (95 %, equal-tailed)."]

    def _among_correct(self, prob: float) -> list[str]:
        if not self.correct:
            return []
        share, (new, stated), luck = self.beyond_luck, self.naive, self.not_luck
        small = self.posterior.average.below(SMALL)
        answer = (
            "With lucky guesses taken out, the share that prefers the new product is "
            f"{words.estimate(share.median, *share.interval(prob), prob, 'percent')}; the probability that it is more "
            f"than half is {words.probability(share.above(0.5))}."
        )
        if not self.identifiable:
            answer = (
                f"Not identifiable here: the average d-prime is below {SMALL:g} with probability "
                f"{words.probability(small)}, so most correct answers may be luck and say nothing about preference. "
                f"{answer} That is little more than the prior."
            )
        said = (
            f"Naively, {words.whole(new)} of the {words.whole(stated)} who were correct and stated a preference prefer "
            f"the new product: {words.percent(self.naive_share)}, sign test {words.p_value(self.sign_test)}. "
            if stated
            else "None of the correct tasters stated a preference. "
        )
        low, high = words.distinct(*luck.interval(prob), unit="percent")
        undone = self.undiluted
        more = ""
        if 0 <= undone <= 1:
            more = f" Undoing that dilution by arithmetic alone would give {words.percent(undone)}."
        elif undone == undone:
            more = " Undoing that dilution by arithmetic alone leads beyond 0 to 100 %: too few answers for that."
        beyond = f"of their correct answers only {words.percent(luck.median)} ({low} to {high}) were more than luck"
        if luck.median == 0:
            most = "" if high == words.percent(0) else f" (at most {high} were more than that)"
            beyond = f"all of their correct answers may have been luck{most}"
        return [answer, f"{said}But {beyond}, and a lucky guesser's preference is a coin toss.{more}"]

    def _among_everyone(self, prob: float) -> list[str]:
        if not self.everyone:
            return []
        share = self.among_everyone
        new = sum(a.new for a in self.everyone)
        stated = new + sum(a.old for a in self.everyone)
        none = sum(a.none for a in self.everyone)
        whom = " on a separate blind pair" if self._pairs == self.everyone else ""
        if not stated:
            return [f"Among everyone asked{whom}, nobody stated a preference ({words.whole(none)} had none)."]
        silent = f"; {words.whole(none)} had no preference" if self._offered else ""
        found = [
            f"Among everyone asked{whom}, {words.whole(new)} of {words.whole(stated)} with a preference prefer the new "
            f"product (sign test {words.p_value(_sign_test(new, stated))}{silent}); the share is "
            f"{words.estimate(share.median, *share.interval(prob), prob, 'percent')}, more than half with probability "
            f"{words.probability(share.above(0.5))}."
        ]
        if self.placebo is not None and self._offered:
            p_stated, p_none = self.placebo
            stated = sum(a.new + a.old for a in self._offered)
            none = sum(a.none for a in self._offered)
            more = larger((stated, none), self.placebo)
            found.append(
                f"Between two identical samples {words.whole(p_stated)} of {words.whole(p_stated + p_none)} stated a "
                f"preference; the probability that more people state one on the real pair is "
                f"{words.probability(more)}. Where it is not high, preferences here are mostly habit."
            )
        return found

    def _advice(self) -> list[str]:
        """What to do next time, the most useful first."""
        advice = [] if self._pairs else ["ask everyone, later, on a separate blind pair"]
        if (self.everyone and not self._offered) or not (self.everyone or any(a.offered for a in self.correct)):
            advice.append("let them say that they have no preference")
        if self.placebo is None:
            advice.append("serve a placebo pair (the same product twice) too, to see how much of a preference is habit")
        return advice

    @property
    def notes(self) -> tuple[str, ...]:
        """What limits the answer, and what to do next time."""
        found = []
        if self.again is not None:
            again, people, answers = self.again
            found.append(
                f"{words.count(again, 'person')} of {people} were asked in more than one panel, so the interval may be "
                f"too narrow. Each time counts as another person's: {words.count(answers, 'answer')} of "
                f"{words.count(people, 'person')}."
            )
        if self.correct:
            odd = any(a.protocol == "triangle" for a in self.correct)
            found.append(
                "Nobody can say which correct answers were luck: the split is bookkeeping."
                + (" A choice among three cups favours the odd one." if odd else "")
            )
        advice = self._advice()
        if advice:
            found.append(f"{NEXT_TIME} {words.listing(advice)}.")
        if self.placebo is not None and not self._offered:
            stated, none = self.placebo
            use = (
                "It tells how lucky guessers answer."
                if any(a.offered for a in self.correct)
                else 'Nothing here can be compared with it, because "no preference" could not be answered.'
            )
            found.append(
                f"On the placebo pair {words.whole(stated)} of {words.whole(stated + none)} stated a preference. {use}"
            )
        wrong = [sum(getattr(a, f"wrong_{k}") for a in self.correct) for k in ANSWERS]
        p = _sign_test(wrong[0], wrong[0] + wrong[1])
        if p < 0.05:
            found.append(
                f"Tasters who were wrong lean one way too ({wrong[0]} new, {wrong[1]} old; {words.p_value(p)}), though "
                "the model takes them to toss a coin: read the answer with guessing taken out with care."
            )
        together = [a for a in self.everyone if a.row is not None]
        if together:
            found.append(
                f"Asked of everyone, perhaps about the very cups of the test, which answers then echo: "
                f"{words.listing((a.panel for a in together), most=6)}. A separate pair is better."
            )
        found += self._unanswered()
        several = [a.panel for a in {*self.correct, *self.everyone} if a.repeated]
        if several:
            found.append(
                f"Some people answered more than once in {words.listing(sorted(several), most=6)}: their preferences "
                "count as so many people's, so the intervals are too narrow."
            )
        if max(len(self.correct), len(self.everyone)) > 1 and self.spread:
            found.append(
                "Panels may differ in preference: the share is a typical panel's. How much they differ has a "
                f"half-normal prior ({self.spread:g}, log odds)."
            )
        return tuple(found)

    def _unanswered(self) -> list[str]:
        """Where nobody answered, nobody had a preference, or fewer answered than could."""
        found = []
        asked = list(dict.fromkeys([*self.correct, *self.everyone]))
        if self.silent:
            found.append(
                f"No answer is written down in {words.listing(self.silent, most=6)}, which says nothing of what is "
                "liked."
            )
        none = [f"{a.panel} ({words.count(a.none, 'answer')})" for a in asked if a.answers and not a.new + a.old]
        if none:
            found.append(
                f"Nobody stated a preference in {words.listing(none, most=6)}: that says how often there is none, and "
                "not which is liked better."
            )
        fewer = [f"{a.panel} ({a.answers} of {a.served})" for a in asked if a.answers < a.served]
        if fewer:
            found.append(
                f"Fewer answered than could in {words.listing(fewer, most=6)}. Those without an answer are not "
                "counted; somebody who has no preference counts only where that is written down."
            )
        return found

    def _picture(self) -> figures.Drawing | None:
        asked = {"everyone asked": self._fit_everyone, "lucky guesses taken out": self._fit_correct}
        rows = {name: fitted[0].quantile(figures.LEVELS) for name, fitted in asked.items() if fitted is not None}
        if not rows:
            return None
        scale = figures.Scale.of_preference()
        return figures.Drawing(lambda empty: figures.strip(rows, scale, ax=empty), figures.alt_strip(rows, scale))

    def plot_strip(self, *, ax: Any = None) -> Axes:
        """The typical preference as 100 equally likely truths, on their sides of one half.

        Parameters
        ----------
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Raises
        ------
        ValueError
            If nobody was asked.

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
        >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
        >>> from matplotlib.figure import Figure
        >>> axes = found.plot_strip(ax=Figure())
        """
        picture = self._picture()
        if picture is None:
            raise ValueError("nobody was asked for a preference here.")
        return picture.draw(ax)

    def plot(self, *, prob: float = 0.95, ax: Any = None) -> Axes:
        """Each panel's plain share beside its preference given all, and the typical one.

        Parameters
        ----------
        prob : float
            Probability inside the intervals, between 0 and 1.
        ax : Axes or Figure, optional
            Where to draw; a new figure by default.

        Returns
        -------
        Axes

        Examples
        --------
        >>> import metasense as ms
        >>> asked = {"panel": "A", "protocol": "triangle", "tastings": 24, "correct": 12, "asked": "correct"}
        >>> found = ms.preference([asked | {"prefer_new": 8, "prefer_old": 4}])
        >>> from matplotlib.figure import Figure
        >>> axes = found.plot(ax=Figure())
        """
        frame = self.panels_frame(prob).rename(columns={"panel": "name", "naive": "raw"})
        if frame["asked"].nunique() > 1:
            whom = {"correct": " (the correct)", "all": " (everyone)", "pair": " (everyone, on a separate pair)"}
            frame["name"] += frame["asked"].map(whom)
        frame["beside"] = [f"{n} : {o}" for n, o in zip(frame["new"], frame["old"], strict=True)]
        for name, fitted in (
            ("typical, luck taken out", self._fit_correct),
            ("typical, everyone", self._fit_everyone),
        ):
            if fitted is not None and len(fitted[1]) > 1:
                share = fitted[0]
                lower, upper = share.interval(prob)
                row = {
                    "name": name,
                    "median": share.median,
                    "lower": lower,
                    "upper": upper,
                    "raw": np.nan,
                    "beside": "",
                }
                frame = pd.concat([frame, pd.DataFrame([row])], ignore_index=True)
        return figures.ranges(
            frame,
            xlabel="share that prefers the new product",
            estimate="with lucky guesses taken out" if self.correct else "given all panels",
            level=0.5,
            level_label="half",
            prob=prob,
            ax=ax,
        )

    def _glance(self) -> Glance:
        found = self._found()
        whom, share = next(iter(found.items()))
        low, high = share.interval()
        said = [
            f"{_preferred(share.above(0.5))}: of 100 {whom} about {plain.of_100(share.median)} would go to the new "
            f"one ({plain.of_100(low)} to {plain.of_100(high)})."
        ]
        if self.correct:
            luck = self.not_luck
            span = " to ".join(map(plain.of_100, luck.interval()))
            said.append(f"Of 100 right answers about {plain.of_100(luck.median)} were more than luck ({span}).")
        rows = [
            (
                whom,
                plain.of_100(d.median),
                " to ".join(map(plain.of_100, d.interval())),
                words.probability(d.above(0.5)),
            )
            for whom, d in found.items()
        ]
        headers = ("of 100", *plain.HEADERS[1:], "chance of over 50")
        small = compact("How many would choose the new product", headers, rows)
        return Glance(tuple(said), small, self._cautions(), self._next_step())

    def _found(self) -> dict[str, Distribution]:
        """The shares that prefer the new product, everybody's first."""
        found = {}
        if self.everyone:
            found["people asked"] = self.among_everyone
        if self.correct:
            found["right answers that were not luck"] = self.beyond_luck
        return found

    def _cautions(self) -> tuple[str, ...]:
        """Whether an answer can be had at all, then the notes."""
        luck = () if not self.correct or self.identifiable else ("Most correct answers may be luck.",)
        return (*luck, *(note for note in self.notes if not note.startswith(NEXT_TIME)))

    def _next_step(self) -> str:
        """What to do another time."""
        advice = self._advice()
        return f"{advice[0]}." if advice else "ask more people in the same way, if more has to be known."

    def _tables(self) -> list[tables.Table]:
        frame = self.to_frame().drop(columns=["mean", "new", "stated"])
        frame["p_value"] = [words.p_value(p) if p == p else "" for p in frame["p_value"]]
        frame["p_above_half"] = [words.probability(p) if p == p else "" for p in frame["p_above_half"]]
        answers = tables.table(
            frame,
            caption="Preference for the new product",
            kinds=dict.fromkeys(frame["quantity"], "percent"),
            labels={"p_above_half": "P(more than half)", "p_value": "sign test"},
        )
        panels = self.panels_frame()
        panels["asked"] = panels["asked"].map(WHOM)
        kinds = dict.fromkeys(("naive", "not_luck", "median", "lower", "upper"), "percent")
        if not self.correct:
            panels = panels.drop(columns="not_luck")
        labels = {
            "not_luck": "correct answers not luck",
            "median": "given all",
            "none": "no preference",
            "asked": "answers of",
        }
        return [answers, tables.table(panels, caption="Each panel", kinds=kinds, labels=labels, most=40)]

    def _shown(self) -> list[str | tables.Table]:
        return [*self.sentences(), *self._tables(), *(f"Note: {note}" for note in self.notes)]

    # --- computing --------------------------------------------------------------------------------------------------

    @cached_property
    def _shares(self) -> dict[Asked, Distribution]:
        """Of each panel asked of the correct: the share of its correct answers that was not luck."""
        kinds = sorted({self.index[a.row] for a in self.correct if a.row is not None})
        own = dict(zip(kinds, self.posterior.panels(kinds), strict=True)) if kinds else {}
        return {a: not_luck(own[self.index[a.row]], a.protocol) for a in self.correct if a.row is not None}

    @cached_property
    def _fit_correct(self) -> Fitted | None:
        """With lucky guesses taken out: the typical preference and each panel's own; None where none were asked."""
        if not self.correct:
            return None
        middles = (np.arange(SHARES) + 0.5) / SHARES
        each = [self._shares[a] for a in self.correct]
        if len(each) == 1:
            return fit(self.correct, [each[0].quantile(middles)], self.placebo, self.spread)
        ranks = together(self.posterior, [self.index[a.row] for a in self.correct if a.row is not None])
        levels = np.array([np.quantile(part, middles, axis=0) for part in ranks])  # slices, values, panels
        shares = [np.asarray(found.quantile(levels[..., i])) for i, found in enumerate(each)]
        return fit(self.correct, shares, self.placebo, self.spread)

    @cached_property
    def _fit_everyone(self) -> Fitted | None:
        """The same of all who were asked, who were not chosen by luck."""
        if not self.everyone:
            return None
        return fit(self.everyone, [np.ones(1)] * len(self.everyone), None, self.spread)


def _preferred(more: float) -> str:
    """Which product more than half prefer, by the probability that it is the new one."""
    if more > SETTLED:
        return "More than half like the new one better"
    return "More than half like the old one better" if more < 1 - SETTLED else "Which is liked better is not settled"


def _asked_at_all(fitted: Fitted | None, whom: str) -> Fitted:
    if fitted is None:
        raise ValueError(f"nobody asked {whom} for a preference here.")
    return fitted


def _sign_test(new: int, stated: int) -> float:
    from scipy.stats import binomtest  # which takes a while to load

    return float(binomtest(new, stated).pvalue) if stated else 1.0


def _guess(asked: Asked) -> float:
    kind = protocol(asked.protocol)
    assert isinstance(kind, Protocol)
    return kind.guess
