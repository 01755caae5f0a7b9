"""The names by which everything is reached: the one file to adapt when a name of the package moves or goes.

The keys of these tables stand in the stored answers and stay; the right-hand sides are the package's names of today.
A name that the walk finds by itself needs no line here, unless it was renamed (`RENAMED`) or is left out (`SKIPPED`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import metasense as ms

Reach = Callable[[Any], Any]

# "Type.attribute of today" -> the name under which it is stored.
RENAMED: dict[str, str] = {}

# Left out: what writes files or draws, what only other files of the package use, and the way back to the owner.
SKIPPED = {
    "Details.details", "Details.of",
    "to_csv", "save", "save_with", "report", "write", "plot", "plot_answers", "to_arviz", "posterior", "collected",
    "engine", "levels", "design", "plane", "common", "evidences", "sha256",
    "Pooled.panels", "Pooled.tastings", "Pooled.sample", "Pooled.stored", "Tasters.pooled", "Explanations.pooled",
    "Moderated.plain", "Nested.plain", "Rerun.pooled", "Rerun.versions", "Rerun.stored_versions",
    "ServingEffects.tastings", "ServingPlan.seed", "Panels.tails",
}  # fmt: skip

# What takes long is asked only of results whose cells are recorded too: the demos and every third made-up pool.
HEAVY = {
    "Pooled.drawer", "Pooled.drawer(0.5).to_frame", "Pooled.path(0.5).to_frame", "Pooled.tasters(0.2).to_frame",
    "Pooled.preference(spread).to_frame", "Pooled.explanations(uneven).to_frame", "Pooled.panels_frame(0.8)",
}  # fmt: skip

# Small objects beside the results, whose fields are read too.
OPENED = {"Plan", "Finding", "Asked", "Problem", "Evidences", "Mixture", "Margin", "Priors", "CriterionEstimate"}

# What stands inside another result is named only.
BRIEF: dict[str, Reach] = {
    "Pooled": lambda one: one.headline(),
    "Moderated": lambda one: one.headline(),
    "Nested": lambda one: one.headline(),
    "Panels": lambda one: f"{len(one)} panels {one.fingerprint}",
    "Tastings": lambda one: f"{len(one)} tastings {one.fingerprint}",
    "Protocol": lambda one: one.name,
    "TwoCountProtocol": lambda one: one.name,
    "Margin": lambda one: one.text,
    "Priors": repr,
    "Card": lambda one: one.to_text(),
}


def _first(one: Any) -> str:
    return str(one.panels.frame["panel"].iloc[0])


def _numeric(one: Any) -> str:
    return next(name for name in one.moderators if one.design[name].numeric)


# What needs an argument, by the type of the result: stored name -> how it is reached.
ARGUMENTS: dict[str, dict[str, Reach]] = {
    "Statement": {
        "statement(line)": lambda one: one.statement(length="line"),
        "statement(methods)": lambda one: one.statement(length="methods"),
        "statement(long)": lambda one: one.statement(length="long"),
    },
    "Pooled": {
        "rate(triangle)": lambda one: one.rate("triangle"),
        "rate(2-AFC)": lambda one: one.rate("2-AFC"),
        "rate(two-out-of-five)": lambda one: one.rate("two-out-of-five"),
        "rate(A-not-A)": lambda one: one.rate("A-not-A"),
        "next_panel(triangle, 30)": lambda one: one.next_panel("triangle", 30),
        "next_panel(specified tetrad, 7)": lambda one: one.next_panel("specified tetrad", 7),
        "next_panel(triangle, 0)": lambda one: one.next_panel("triangle", 0),
        "panel(first)": lambda one: one.panel(_first(one)),
        "panel(unknown)": lambda one: one.panel("no such panel"),
        "to_frame(0.5, tetrad)": lambda one: one.to_frame(0.5, "tetrad"),
        "panels_frame(0.8)": lambda one: one.panels_frame(0.8),
        "explanations(uneven).to_frame": lambda one: one.explanations((0.5, 0.3, 0.2)).to_frame(),
        "sensitivity(by batch pair)": lambda one: one.sensitivity(by="batch_pair").to_frame(),
        "path(0.5).to_frame": lambda one: one.path(prob=0.5).to_frame(),
        "drawer(0.5).to_frame": lambda one: one.drawer(prob=0.5).to_frame(),
        "tasters(0.2).to_frame": lambda one: one.tasters(threshold=0.2).to_frame(),
        "preference(spread).to_frame": lambda one: ms.preference(one, spread=0.0).to_frame(),
    },
    "Moderated": {
        "at(first)": lambda one: one.at(**{one.moderators[0]: _values(one)[0]}),
        "at(last)": lambda one: one.at(**{one.moderators[0]: _values(one)[-1]}),
        "at(unknown)": lambda one: one.at(nothing=3),
        "at(far)": lambda one: one.at(**{_numeric(one): 1000}),
        "change(first, last)": lambda one: one.change(one.moderators[0], _values(one)[0], _values(one)[-1]),
        "change(first, last, tetrad)": lambda one: one.change(
            one.moderators[0], _values(one)[0], _values(one)[-1], protocol="tetrad"
        ),
        "to_frame(0.5, duo-trio)": lambda one: one.to_frame(0.5, "duo-trio"),
        "rate, which only the plain pool has": lambda one: one.rate("triangle"),
        "plain": lambda one: one.plain.to_frame(),
    },
    "Nested": {
        "on(first)": lambda one: one.on(one.groups[0]),
        "on(unknown)": lambda one: one.on("no such"),
        "rate(triangle)": lambda one: one.rate("triangle"),
        "groups_frame(0.5)": lambda one: one.groups_frame(0.5),
        "to_frame(0.5, duo-trio)": lambda one: one.to_frame(0.5, "duo-trio"),
        "plain": lambda one: one.plain.to_frame(),
    },
    "Prediction": {"rate(duo-trio)": lambda one: one.rate("duo-trio")},
    "Rate": {"sentence(0.5)": lambda one: one.sentence(0.5)},
    "NextPanel": {"interval(0.5)": lambda one: one.interval(0.5)},
    "Tasters": {
        "rate(first)": lambda one: one.rate(*_person(one)),
        "more_tastings(first)": lambda one: one.more_tastings(*_person(one)),
        "rate(unknown)": lambda one: one.rate("no such panel", "nobody"),
        "to_frame(table)": lambda one: one.to_frame(order="table"),
        "to_frame(uncertainty)": lambda one: one.to_frame(order="uncertainty"),
    },
    "ForcedChoicePanel": {
        "to_frame_of(p_d)": lambda one: one.to_frame_of("p_d"),
        "to_frame_of(p_c)": lambda one: one.to_frame_of("p_c"),
    },
    "DiscriminationRates": {
        "statement(duo-trio)": lambda one: one.statement("duo-trio"),
        "explanation(duo-trio)": lambda one: one.explanation("duo-trio"),
    },
    "LooksPlan": {
        "evaluate(p_d)": lambda one: one.evaluate(p_d=[0.0, 0.1, 0.3, 0.5]),
        "decide(first look)": lambda one: [one.decide(one.looks[0], k) for k in range(one.looks[0] + 1)],
        "follow(all right)": lambda one: one.follow([1] * one.looks[-1]),
        "follow(every third)": lambda one: one.follow([int(k % 3 == 0) for k in range(one.looks[0] + 3)]),
        "when_to_stop(5)": lambda one: one.when_to_stop(most=5),
    },
    "Plan": {},
    "Panels": {
        "where(more than 20)": lambda one: one.where(lambda frame: frame["tastings"] > 20, "small").notes,
        "without(first)": lambda one: one.without(str(one.frame["panel"].iloc[0])).notes,
        "only(blind)": lambda one: one.only(blind="double").notes,
        "rows": lambda one: [str(row) for row in one],
        "[unknown]": lambda one: one["no such panel"],
    },
}


def _values(one: Any) -> list[Any]:
    moderator = one.design.moderators[0]
    return sorted(set(moderator.values.tolist())) if moderator.numeric else list(moderator.categories)


def _person(one: Any) -> tuple[str, str]:
    if not len(one.people):
        return _first(one.pooled), "nobody"
    row = one.people.iloc[0]
    return str(row["panel"]), str(row["taster"])
