"""What a result says, as numbers a sentence can be held against and as sentences to say in its place.

A pool, one panel alone and a preference each become `Facts`: known numbers by kind (d-prime, p_d, probability, counts
of panels, tastings and people ...), and the supported sentences, both taken from the result and from nothing else.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from metasense.alone.forced_choice import ForcedChoicePanel
from metasense.alone.panel import OnePanel
from metasense.alone.panels import panels_alone
from metasense.alone.two_counts import TwoCountPanel
from metasense.claims.rules import PANEL, POOL, PREFERENCE
from metasense.engine.distribution import Distribution
from metasense.margins import Margin
from metasense.protocols import PROTOCOLS, Protocol, forced_choice, protocol
from metasense.questions.explanations import NAMES
from metasense.questions.preference import Preference
from metasense.questions.tasters import Tasters
from metasense.results import sentences
from metasense.results.beside import BesidePlain
from metasense.results.nested import Nested
from metasense.results.pooled import Pooled
from metasense.showing import words

Checkable = Pooled | BesidePlain | OnePanel | Preference | Tasters

D_PRIME = "d-prime"
P_D = "p_d"
P_C = "p_c"
SPREAD = "spread"
PROBABILITY = "probability"
P_VALUE = "p-value"
GUESS = "guess rate"
PREFERS = "preference"
BAYES = "Bayes factor"
SENTENCE_END = re.compile(r"(?<=[.!?])\s+(?=[^a-z])|\n")
ABOVE, BELOW = "above the margin", "below the margin"
MARGIN = "the margin"


@dataclass(frozen=True)
class Fact:
    """One number of the result.

    Attributes
    ----------
    kind : str
        D_PRIME, P_D ...
    value : float
    what : str
        Which number it is, in words.
    test : str
        The protocol it belongs to, if to one.
    width : float
        Of the interval it is an estimate or an end of; nan for numbers without one.
    """

    kind: str
    value: float
    what: str
    test: str = ""
    width: float = float("nan")


@dataclass(frozen=True)
class Sitting:
    """One panel as it was held; ``blind`` is empty and ``date`` None where the result does not hold them."""

    name: str
    test: str
    tastings: int
    pairs: tuple[tuple[int, int], ...] = ()
    people: int | None = None
    date: dt.date | None = None
    blind: str = ""


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What one result says.

    Attributes
    ----------
    result : str
        ``pool``, ``panel`` or ``preference``.
    numbers : tuple of Fact
    counts : dict of str to set of int
        Allowed numbers of ``panels``, ``tastings`` and ``people``.
    pairs : dict
        ``(part, whole)`` to what it counts.
    total : tuple of int, optional
        Correct answers and tastings added over panels of several guess rates, which mean nothing.
    tastings, people : int or None
        All of them; None where people were not counted.
    tests : tuple of str
        Protocols of the panels.
    sittings : tuple of Sitting
        The panels, one by one.
    directed : bool
    verdict : str
    verdicts : tuple of str
        Where there are several, at different values of a moderator; else empty.
    say : dict of str to str
        The supported sentences that rules fill in.
    p_value, alpha : float or None
        Of one panel.
    below_guessing : bool or None
        Whether one panel's share is at or below the guess rate.
    """

    result: str
    numbers: tuple[Fact, ...]
    counts: dict[str, set[int]]
    pairs: dict[tuple[int, int], str]
    total: tuple[int, int] | None = None
    tastings: int
    people: int | None
    tests: tuple[str, ...] = ()
    sittings: tuple[Sitting, ...] = ()
    directed: bool = False
    verdict: str = ""
    verdicts: tuple[str, ...] = ()
    say: dict[str, str] = field(default_factory=dict)
    p_value: float | None = None
    alpha: float = 0.05
    below_guessing: bool | None = None

    def of_panels(self, named: Sequence[Sitting]) -> Facts:
        """The same with the counts of these panels only, and those of all together."""
        all_together = {pair: what for pair, what in self.pairs.items() if what}
        pairs = {pair: "" for sitting in named for pair in sitting.pairs}
        people = {sitting.people for sitting in named if sitting.people is not None}
        counts = {
            "panels": self.counts["panels"] | {len(named)},
            "tastings": {sitting.tastings for sitting in named} | {self.tastings},
            "people": people | ({self.people} if self.people is not None else set()),
        }
        if not people:  # they were not counted there
            counts["people"] = self.counts["people"]
        return replace(self, pairs=all_together | pairs, counts=counts)


def names_in(result: Any) -> tuple[str, ...]:
    """The panels that a result is about."""
    if isinstance(result, (Pooled, BesidePlain, Tasters)):
        return tuple(result.core.panels.frame["panel"])
    if isinstance(result, OnePanel):
        return (result.panel,) if result.panel else ()
    return tuple(a.panel for a in (*result.correct, *result.everyone)) if isinstance(result, Preference) else ()


@lru_cache(maxsize=4)
def own_sentences(result: Checkable) -> frozenset[str]:
    """The sentences that a result says itself, at every length and in its plain answer."""
    texts = [words.one_line(result.statement(length=length)) for length in ("line", "paragraph", "methods")]
    texts.append(result.plain_answer())
    return frozenset(sentence for text in texts for sentence in SENTENCE_END.split(text))


def facts_of(
    result: Any, levels: Sequence[float] = (0.95,), tests: Sequence[str] = (), names: Sequence[str] = ()
) -> Facts:
    """What a result says.

    Parameters
    ----------
    result : Checkable
    levels : sequence of float
        Probabilities of the intervals that a sentence may quote.
    tests : sequence of str
        Further protocols whose rates it may quote.
    names : sequence of str
        Panels whose own numbers it may quote.

    Raises
    ------
    TypeError
        If it is another kind of result; says which are known.
    """
    if isinstance(result, Checkable):
        return _known(result, tuple(levels), tuple(tests), tuple(names))
    raise TypeError(
        f"a claim is checked against a pool of any kind, one panel, a preference or tasters; got "
        f"{type(result).__name__}."
    )


@lru_cache(maxsize=4)  # several sentences about one result
def _known(result: Checkable, levels: tuple[float, ...], tests: tuple[str, ...], names: tuple[str, ...]) -> Facts:
    if isinstance(result, Pooled):
        return _of_pool(result, levels, tests, names)
    if isinstance(result, BesidePlain):
        return _of_structure(result, levels, tests, names)
    if isinstance(result, Tasters):
        return _of_tasters(result, levels, tests, names)
    return _of_panel(result) if isinstance(result, OnePanel) else _of_preference(result, levels)


# --- a pool -----------------------------------------------------------------------------------------------------------


def _of_pool(pooled: Pooled, levels: Sequence[float], tests: Sequence[str], names: Sequence[str]) -> Facts:
    frame = pooled.panels.frame
    own = [test.name for test in pooled.protocols]
    quoted = list(dict.fromkeys([*own, *tests]))
    alone = panels_alone(pooled.panels)
    numbers = [*_numbers_of_pool(pooled, levels, quoted)]
    for name in names:
        numbers += _named_panel(pooled, alone, name)
    rate = pooled.rate(pooled.protocol)
    lucky = 1 - max(rate.p_d.median, 0.0) / rate.p_c.median
    numbers.append(_lucky(lucky))
    sizes = frame["tastings"].fillna(frame["signal"] + frame["noise"]).astype(int)
    people, everybody = _people_of_pool(pooled)
    kinds = frame["protocol"].value_counts().tolist()
    called = int((alone["p_value"] <= 0.05).sum())
    pairs = {
        (int(x), int(n)): "" for x, n in zip(frame["correct"].fillna(-1), frame["tastings"].fillna(-1), strict=True)
    }
    total = (int(frame["correct"].fillna(0).sum()), int(frame["tastings"].fillna(0).sum()))
    one_guess_rate = len({getattr(protocol(name), "guess", None) for name in own}) == 1
    if one_guess_rate:
        pairs[total] = "added over panels"
    return Facts(
        result=POOL,
        numbers=tuple(numbers),
        counts={
            "panels": {len(frame), *kinds, called, len(frame) - called},
            "tastings": {int(sizes.sum()), *sizes.tolist()},
            "people": {*everybody, *frame["tasters"].dropna().astype(int).tolist()},
        },
        pairs=pairs,
        total=None if one_guess_rate or len(frame) < 2 else total,
        tastings=int(sizes.sum()),
        people=people,
        tests=tuple(dict.fromkeys(frame["protocol"])),
        sittings=_sittings(frame),
        directed=pooled.directed,
        verdict=pooled.verdict().label,
        say=_said_of_pool(pooled, lucky),
    )


def _sittings(frame: pd.DataFrame) -> tuple[Sitting, ...]:
    """The panels of a table, as they were held."""
    out = []
    for row in frame.to_dict("records"):
        pairs = [("correct", "tastings"), ("hits", "signal"), ("false_alarms", "noise")]
        counts = tuple((int(row[x]), int(row[n])) for x, n in pairs if pd.notna(row[x]) and pd.notna(row[n]))
        out.append(
            Sitting(
                name=str(row["panel"]),
                test=str(row["protocol"]),
                tastings=sum(n for _, n in counts),
                pairs=counts,
                people=int(row["tasters"]) if pd.notna(row["tasters"]) else None,
                date=row["date"].date() if pd.notna(row.get("date")) else None,
                blind=str(row["blind"]) if pd.notna(row.get("blind")) else "",
            )
        )
    return tuple(out)


def _numbers_of_pool(pooled: Pooled, levels: Sequence[float], quoted: Sequence[str]) -> Iterator[Fact]:
    """The pool's own numbers, on the scales of the protocols that may be quoted."""
    for level in levels:
        for row in pooled.to_frame(level, protocols=quoted).to_dict("records"):
            yield from _row(row["quantity"], row, ("mean", "median", "lower", "upper"))
    if pooled.margin is not None:
        verdict = pooled.verdict()
        yield from _margin(pooled.margin, quoted)
        yield Fact(PROBABILITY, verdict.above, ABOVE)
        yield Fact(PROBABILITY, verdict.below, BELOW)
    explanations = pooled.explanations()
    for name, p in zip(NAMES, explanations.probability.tolist(), strict=True):
        yield Fact(PROBABILITY, p, f"{name} (nothing to taste)" if name == "none" else name)
    if pooled.expected_way is not None:
        yield Fact(PROBABILITY, pooled.expected_way, "the expected way")
    for p in explanations.prior:
        yield Fact(PROBABILITY, p, "prior probability")
    yield from _guesses(quoted)
    for factor in explanations.bayes_factors()["factor"].tolist():
        yield Fact(BAYES, factor, "Bayes factor")
        yield Fact(BAYES, 1 / max(factor, 1e-300), "Bayes factor")


def _people_of_pool(pooled: Pooled) -> tuple[int | None, set[int]]:
    """How many people there were, None if that was not counted; and the numbers that may be said of all panels."""
    frame = pooled.panels.frame
    people = None
    everybody = set()
    if frame["tasters"].notna().all():
        people = int(frame["tasters"].sum())
        everybody = {people}
    if pooled.tastings is not None and frame["panel"].isin(pooled.tastings.frame["panel"].unique()).all():
        sittings = pooled.tastings.counts().groupby("taster")["panel"].nunique()  # the same person may sit in several
        people = len(sittings)
        everybody |= {people, int((sittings > 1).sum())}
    return people, everybody


def _said_of_pool(pooled: Pooled, lucky: float) -> dict[str, str]:
    average = words.estimate(pooled.average.median, *pooled.average.interval())
    rate = pooled.rate(pooled.protocol)
    verdict = pooled.verdict()
    return {
        "size": f"The average d-prime is {average}.",
        "rate": rate.sentence(),
        "count": rate.sentence(),
        "people": sentences.pooled_what(pooled.core),
        "verdict": verdict.sentence(),
        "spread": sentences.variation(pooled.core),
        "significance": verdict.sentence(),
        "evidence": pooled.explanations().sentence(),
        "interval": _capital(f"{words.interval_name()}: the average d-prime is {average}."),
        "preference": "Of correct answers like these, guessing accounts for about "
        f"{words.percent(lucky)} ({rate.protocol.name}). pooled.preference() takes lucky guesses out, "
        "where preferences were asked.",
    }


def _of_structure(pooled: BesidePlain, levels: Sequence[float], tests: Sequence[str], names: Sequence[str]) -> Facts:
    """A pool with moderators or a level: what the plain pool says, what was put in, and its own verdicts."""
    plain = _of_pool(pooled.plain, levels, tests, names)
    numbers = [*plain.numbers]
    for level in levels:
        for row in pooled.to_frame(level).to_dict("records"):
            numbers += _row_of_structure(row)
    verdicts = pooled.verdicts() if pooled.margin is not None else pd.DataFrame({"verdict": []})
    for above, below in zip(verdicts.get("p_above", ()), verdicts.get("p_below", ()), strict=True):
        numbers += [Fact(PROBABILITY, float(above), ABOVE), Fact(PROBABILITY, float(below), BELOW)]
    labels = tuple(dict.fromkeys(verdicts["verdict"]))
    own = pooled.plain_answer()
    say = plain.say | {"verdict": own, "size": own, "rate": own}
    verdict = labels[0] if len(labels) == 1 else plain.verdict
    several = labels if len(labels) > 1 else ()
    if isinstance(pooled, Nested):
        say = plain.say | {"verdict": own, "spread": pooled.variation()}
    return replace(plain, numbers=tuple(numbers), verdict=verdict, verdicts=several, say=say)


def _row_of_structure(row: dict[str, Any]) -> Iterator[Fact]:
    """The numbers of one row of such a pool's frame; changes and slopes are d-primes or p_d too."""
    what = str(row["quantity"])
    test = re.search(r"\((.+?)\)", what)
    own = test[1] if test is not None and test[1] in PROTOCOLS else ""
    kind = D_PRIME
    if what.startswith(("spread", "sd")) or " spread" in what:
        kind = SPREAD
    elif "share of" in what or "p_d" in what:
        kind = P_D
    elif "p_c" in what:
        kind = P_C
    for end in ("mean", "median", "lower", "upper"):
        if row[end] == row[end]:
            yield Fact(kind, float(row[end]), what, own, row["upper"] - row["lower"])


def _of_tasters(found: Tasters, levels: Sequence[float], tests: Sequence[str], names: Sequence[str]) -> Facts:
    """Repeat tasters: what the pool of their panels says, and each person's own counts and rates."""
    pooled = _of_pool(Pooled(found.core), levels, tests, names)
    numbers = [*pooled.numbers]
    pairs = dict(pooled.pairs)
    sizes = set()
    for level in levels:
        for row in found.to_frame(level).to_dict("records"):
            what = f"rate of {row['taster']}"
            numbers += [
                Fact(P_D, float(row[end]), what, str(row["protocol"]), row["upper"] - row["lower"])
                for end in ("median", "lower", "upper")
            ]
            numbers.append(Fact(PROBABILITY, float(row["p_better"]), f"{row['taster']} better than guessing"))
            pairs[int(row["correct"]), int(row["tastings"])] = f"answers of {row['taster']}"
            sizes.add(int(row["tastings"]))
    numbers += [Fact(P_D, found.threshold, "the threshold"), Fact(P_D, found.overdispersion.median, "overdispersion")]
    people = {len(found.people), int(found.people["taster"].nunique())}
    counts = {
        **pooled.counts,
        "people": pooled.counts["people"] | people,
        "tastings": pooled.counts["tastings"] | sizes,
    }
    said = pooled.say | {"rate": found.plain_answer(), "people": found.plain_answer(), "size": found.plain_answer()}
    return replace(pooled, numbers=tuple(numbers), pairs=pairs, counts=counts, say=said)


def _named_panel(pooled: Pooled, alone: pd.DataFrame, name: str) -> Iterable[Fact]:
    row = alone[alone["panel"] == name].iloc[0]
    yield Fact(P_VALUE, float(row["p_value"]), f"p alone of {name}")
    for kind, stem in ((D_PRIME, "d_prime"), (P_C, "p_c"), (P_D, "p_d")):
        lower, upper = float(row[f"{stem}_lower"]), float(row[f"{stem}_upper"])
        for end in ("", "_lower", "_upper"):
            yield Fact(
                kind,
                float(row[f"{stem}{end}"]),
                f"{name} alone{end.replace('_', ', ')}",
                str(row["protocol"]),
                upper - lower,
            )
    share = float(row["correct"]) / float(row["tastings"]) if pd.notna(row["correct"]) else float("nan")
    yield Fact(P_C, share, f"share correct of {name}", str(row["protocol"]))
    yield from _distribution(D_PRIME, pooled.panel(name), f"{name} given all panels")


# --- one panel --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Counts:
    """What the counts of one panel say by themselves, whatever was counted."""

    tastings: int
    pairs: dict[tuple[int, int], str]
    numbers: list[Fact]
    p_value: float
    p_said: str
    sentence: str
    test: Protocol  # in which the rate is said
    below_guessing: bool | None = None


def _of_panel(panel: OnePanel) -> Facts:
    counts = _right_answers(panel) if isinstance(panel, ForcedChoicePanel) else _yes_answers(panel)
    lucky = _lucky_of(panel)
    return Facts(
        result=PANEL,
        numbers=(*_numbers_of_panel(panel), _lucky(lucky), *counts.numbers),
        counts={
            "panels": {1},
            "tastings": {counts.tastings},
            "people": set() if panel.tasters is None else {panel.tasters},
        },
        pairs=counts.pairs,
        tastings=counts.tastings,
        people=panel.tasters,
        tests=(panel.protocol.name,),
        sittings=(
            Sitting(panel.panel, panel.protocol.name, counts.tastings, tuple(counts.pairs), people=panel.tasters),
        ),
        directed=panel.protocol.directed,
        verdict=panel.verdict() or "no margin given",
        say=_said_of_panel(panel, counts, lucky),
        p_value=counts.p_value,
        alpha=panel.alpha,
        below_guessing=counts.below_guessing,
    )


_KIND_OF = {
    "p_value": P_VALUE, "actual_alpha": P_VALUE, "p_c": P_C, "p_d": P_D, "d_prime": D_PRIME,
    "P(beyond margin)": PROBABILITY, "power": PROBABILITY, "p_d found in 4 of 5": P_D,
}  # fmt: skip


def _numbers_of_panel(panel: OnePanel) -> Iterator[Fact]:
    """The numbers that panels of either kind have."""
    for row in panel.to_frame().to_dict("records"):
        kind = _KIND_OF.get(row["quantity"])
        if kind is None:
            continue
        above = row["quantity"] == "P(beyond margin)"
        what = ABOVE if above else f"{row['quantity']}, {row['basis']}"
        own = panel.protocol.name if kind in (P_C, P_D) else ""
        for end in ("estimate", "lower", "upper"):
            if row[end] == row[end]:
                yield Fact(kind, row[end], what, own, row["upper"] - row["lower"])
        if above:
            yield Fact(PROBABILITY, 1 - row["estimate"], BELOW)
    for log in panel.log_bayes_factor.values():
        for sign in (1, -1):
            yield Fact(BAYES, float(np.exp(min(sign * log, 700.0))), "Bayes factor")
    yield Fact(PROBABILITY, panel.alpha, "alpha")
    yield Fact(P_VALUE, panel.alpha, "alpha")
    for row in panel.rates().to_frame().to_dict("records"):
        for end in ("estimate", "lower", "upper"):
            yield Fact(P_D, row[end], "posterior", row["protocol"], row["upper"] - row["lower"])
    if panel.margin is not None:
        yield from _margin(panel.margin, [t.name for t in PROTOCOLS.values() if isinstance(t, Protocol)])


def _right_answers(panel: ForcedChoicePanel) -> _Counts:
    test = panel.protocol
    share = panel.correct / panel.tastings
    numbers = [
        Fact(P_VALUE, panel.p_value_reversed, "so few or fewer among guessers"),
        Fact(P_C, share, "share correct", test.name),
        *_guesses([test.name]),
    ]
    if np.isfinite(panel.detectable_p_d):
        numbers.append(Fact(D_PRIME, float(test.d_prime_from_p_d(panel.detectable_p_d)), "found in 4 of 5"))
    return _Counts(
        tastings=panel.tastings,
        pairs={(panel.correct, panel.tastings): ""},
        numbers=numbers,
        p_value=panel.p_value,
        p_said=f"Exact one-sided {words.p_value(panel.p_value)}",
        sentence=f"{panel.correct} of {panel.tastings} {test.name} answers were correct ({words.percent(share)}), "
        f"where guessing alone gives {words.percent(test.guess)}.",
        test=test,
        below_guessing=share <= test.guess,
    )


def _yes_answers(panel: OnePanel) -> _Counts:
    assert isinstance(panel, TwoCountPanel)
    alarms = f"{panel.false_alarms} of {panel.noise}"
    return _Counts(
        tastings=panel.signal + panel.noise,
        pairs={(panel.hits, panel.signal): "", (panel.false_alarms, panel.noise): ""},
        numbers=[Fact(D_PRIME, panel.criterion, "criterion")],
        p_value=panel.p_value,
        p_said=f"Fisher's exact one-sided {words.p_value(panel.p_value)}",
        sentence=f"The answer was yes in {panel.hits} of {panel.signal} and in {alarms} tastings.",
        test=forced_choice("triangle"),
    )


def _said_of_panel(panel: OnePanel, counts: _Counts, lucky: float) -> dict[str, str]:
    d_prime = panel.d_prime_posterior
    estimate = words.estimate(d_prime.median, *d_prime.interval(panel.prob), panel.prob)
    if panel.margin is None:
        verdict = f"No margin was given, so there is no verdict; the d-prime is {estimate}."
    else:
        larger = [f"{words.probability(p)} ({basis})" for basis, p in panel.beyond.items()]
        verdict = (
            f"Margin: {panel.margin.sentence()}. {(panel.verdict() or '').capitalize()}: the probability that the "
            f"difference is larger is {words.listing(larger)}."
        )
    called = "statistically significant" if counts.p_value <= panel.alpha else "not statistically significant"
    evidence = [f"{float(np.exp(min(v, 700))):.2g} ({basis})" for basis, v in panel.log_bayes_factor.items()]
    return {
        "size": f"The d-prime is {estimate}.",
        "rate": f"{counts.sentence} {panel.rates().statement(counts.test)}",
        "count": counts.sentence,
        "people": counts.sentence,
        "verdict": verdict,
        "spread": "One panel cannot tell how much panels differ.",
        "significance": f"{counts.p_said}: {called} at {words.percent(panel.alpha)}. That is how rare the count is "
        f"among guessers, not how large the difference is: the d-prime is {estimate}.",
        "evidence": "How much better a difference predicts the counts than guessing (Bayes factor): "
        f"{words.listing(evidence)}. It depends on the prior.",
        "interval": _capital(f"{words.interval_name(panel.prob)}: the d-prime is {estimate}."),
        "preference": f"{counts.sentence} About {words.percent(lucky)} of such correct answers may be lucky "
        "guesses. ms.preference takes them out, where preferences were asked.",
    }


def _lucky_of(panel: OnePanel) -> float:
    if not isinstance(panel, ForcedChoicePanel):
        return 0.5
    p_d = panel.p_d_posterior.median
    return float(1 - p_d / panel.protocol.p_from_p_d(p_d))


# --- a preference -----------------------------------------------------------------------------------------------------


def _of_preference(result: Preference, levels: Sequence[float]) -> Facts:
    numbers: list[Fact] = []
    pairs: dict[tuple[int, int], str] = {}
    for level in levels:
        for row in result.to_frame(level).to_dict("records"):
            naive = " naive" if "naive" in row["quantity"] else ""
            width = row["upper"] - row["lower"]
            for end in ("mean", "median", "lower", "upper"):
                numbers.append(Fact(PREFERS, row[end], f"{row['quantity']}{naive and ' share'}", width=width))
                numbers.append(Fact(PREFERS, 1 - row[end], f"{row['quantity']}, the other way", width=width))
            if row["p_above_half"] == row["p_above_half"]:
                numbers += [
                    Fact(PROBABILITY, row["p_above_half"], "new preferred"),
                    Fact(PROBABILITY, 1 - row["p_above_half"], "old preferred"),
                ]
            if row.get("p_value", np.nan) == row.get("p_value", np.nan):
                numbers.append(Fact(P_VALUE, row["p_value"], "sign test"))
            if row["stated"] == row["stated"]:
                new, stated = int(row["new"]), int(row["stated"])
                pairs[new, stated], pairs[stated - new, stated] = row["quantity"], row["quantity"]
    if np.isfinite(result.undiluted):
        numbers.append(Fact(PREFERS, result.undiluted, "undiluted by arithmetic"))
    numbers.append(Fact(PREFERS, 0.5, "half"))
    asked = [*result.correct, *result.everyone]
    people = sum(a.new + a.old + a.none for a in asked)
    main = result.beyond_luck if result.correct else result.among_everyone
    whose = "with lucky guesses taken out" if result.correct else "among everyone asked"
    estimate = words.estimate(main.median, *main.interval(), unit="percent")
    share = f"The share that prefers the new product is {estimate}, {whose}."
    said = " ".join(result.sentences())
    keys = ("size", "rate", "count", "verdict", "spread", "significance", "evidence", "interval", "preference")
    return Facts(
        result=PREFERENCE,
        numbers=tuple(numbers),
        counts={
            "panels": {len(asked), len(result.correct), len(result.everyone)},
            "tastings": {a.tastings for a in asked} | {people},
            "people": {people, *(a.new + a.old + a.none for a in asked), *(a.new + a.old for a in asked)}
            | {a.none for a in asked}
            | {n for pair in pairs for n in pair},
        },
        pairs=pairs,
        tastings=people,
        people=people,
        directed=True,
        verdict="more than half" if main.above(0.5) > 0.5 else "less than half",
        say=dict.fromkeys(keys, share) | {"people": said, "preference": share},
    )


# --- what they share --------------------------------------------------------------------------------------------------


def _lucky(share: float) -> Fact:
    return Fact(GUESS, share, "share of the correct answers that guessing accounts for")


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _row(quantity: str, row: dict[str, Any], ends: Sequence[str]) -> list[Fact]:
    kind, _, test = quantity.removesuffix(")").partition(" (")
    name = {"average d-prime": D_PRIME, "next panel d-prime": D_PRIME, "spread": SPREAD}.get(kind)
    name = name or (P_C if kind.endswith("p_c") else P_D)
    return [Fact(name, row[end], f"{quantity}, {end}", test, row["upper"] - row["lower"]) for end in ends]


def _distribution(kind: str, value: Distribution, what: str) -> list[Fact]:
    lower, upper = value.interval()
    return [Fact(kind, v, what, width=upper - lower) for v in (value.median, value.mean, lower, upper)]


def _margin(margin: Margin, tests: Sequence[str]) -> list[Fact]:
    out = [Fact(D_PRIME, margin.d_prime, MARGIN)]
    for name in dict.fromkeys([*tests, margin.stated_protocol or "triangle"]):
        if isinstance(test := protocol(name), Protocol):
            out += [
                *_guesses([name]),
                Fact(P_D, margin.p_d(test), MARGIN, name),
                Fact(P_C, float(test.p_correct(margin.d_prime)), MARGIN, name),
            ]
    return out


def _guesses(tests: Sequence[str]) -> list[Fact]:
    kinds = [(name, protocol(name)) for name in tests]
    return [Fact(GUESS, kind.guess, f"guessing in {name}", name) for name, kind in kinds if isinstance(kind, Protocol)]
