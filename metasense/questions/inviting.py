"""The same people again, or others? What one design brings with either, in a pool that follows people.

Outcomes are drawn from what the pool knows: a draw of how people stand to one another, a centre and spread, the next
panel's d-prime, and everybody's answer. Each is pooled as if it had come in: every draw of the standings is weighted
anew by how likely it makes the answers of people who are known, and every centre and spread by how likely it makes the
panel. New people stand anywhere, so of them only the total tells. Both kinds are tried on the same draws of the truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from metasense.core.core import Core
from metasense.engine.crossed import Sitters, answers_table
from metasense.engine.plane import Plane, Weighed
from metasense.margins import Margin
from metasense.protocols import Protocol
from metasense.showing import words

Array = NDArray[np.floating[Any]]

OUTCOMES = 200
NODES = (49, 17)  # of the average d-prime, and of the angle
ANY = 1.0  # the nodes stay as they are: outcomes blur what finer ones would tell
ONE = ((1, 0), (1, 1))  # one answer, wrong or right
SAME, NEW = "the same people again", "new people"


@dataclass(frozen=True, eq=False)
class Next:
    """What a panel may bring: all that is needed to draw outcomes and to pool them.

    Attributes
    ----------
    weighed : Weighed
        What is known, a region a draw of the standings (and of the sign).
    standing : ndarray, shape (regions, people)
        Everybody's node of the standing.
    gamma : ndarray, shape (regions,)
    tables : dict
        By overdispersion, log probabilities of a wrong and of a right answer, shape (axis, 2, standings).
    new : ndarray, shape (axis, 2)
        The same of somebody new.
    blur : ndarray, shape (signs, axis, nodes)
        How probable each d-prime of a panel is at each node.
    """

    weighed: Weighed
    standing: NDArray[Any]
    gamma: Array
    tables: dict[float, Array]
    new: Array
    blur: Array

    @classmethod
    def of(cls, core: Core, kind: Protocol) -> Next:
        assert core.regulars is not None
        found = core.regulars.found
        sitters = found.sitters
        plane = Plane.around(found.plane.regions, found.mu, found.tau, NODES)
        weighed = plane.weigh(core.collected.copies.astype(float), core.priors, tolerance=ANY)
        signs = 2 if sitters.signed else 1
        rows = np.repeat(found.rows, signs)
        gamma = found.gammas[found.which[rows]]
        tables = {float(g): _table(sitters, kind, float(g)) for g in np.unique(gamma)}
        axis = sitters.axis if kind.directed else np.abs(sitters.axis)
        plus, minus = kind.p_correct(axis), kind.p_wrong(axis)
        new = np.log(np.maximum(np.stack([minus, plus], axis=1), 1e-300))
        blur = np.stack([_blur(sitters, sign * plane.mu, plane.tau) for sign in (1.0, -1.0)[:signs]])
        return cls(weighed, found.standing[rows], gamma, tables, new, blur)

    def truth(self, panels: int, rng: np.random.Generator) -> tuple[int, list[int]]:
        """A draw of it: which region, and which points of the axis are the panels' d-primes."""
        shares = np.array([weight.sum() for weight in self.weighed.weights])
        region = int(rng.choice(len(shares), p=shares / shares.sum()))
        weight = self.weighed.weights[region]
        node = int(rng.choice(len(weight), p=weight / weight.sum()))
        chance = self.blur[region % len(self.blur)][:, node]
        return region, rng.choice(len(chance), panels, p=chance / chance.sum()).tolist()

    def answers(self, region: int, d: int, people: int | None, rng: np.random.Generator) -> NDArray[np.bool_]:
        """Whether each is right: the people of the draw, or so many new ones."""
        if people is None:
            right = np.exp(self.tables[float(self.gamma[region])][d, 1, self.standing[region]])
        else:
            right = np.full(people, np.exp(self.new[d, 1]))
        return rng.random(len(right)) < right

    def likelihood(self, right: NDArray[np.bool_], new: bool) -> list[Array]:
        """Of the answers of one panel at each node, for each region; up to one factor."""
        if new:
            logs = np.tile((self.new @ [(~right).sum(), right.sum()])[None], (len(self.gamma), 1))
        else:
            logs = np.empty((len(self.gamma), len(self.new)))
            for g, table in self.tables.items():
                rows = np.flatnonzero(self.gamma == g)
                for answer, who in enumerate((~right, right)):
                    seen = np.zeros((len(rows), table.shape[2]))
                    np.add.at(seen, (np.arange(len(rows))[:, None], self.standing[rows][:, who]), 1.0)
                    part = seen @ table[:, answer].T
                    logs[rows] = part if answer == 0 else logs[rows] + part
        each = np.exp(logs - logs.max())
        signs = len(self.blur)
        return [each[r] @ self.blur[r % signs] for r in range(len(each))] if signs > 1 else list(each @ self.blur[0])


def _table(sitters: Sitters, kind: Protocol, gamma: float) -> Array:
    return answers_table(kind, ONE, gamma, sitters.rho, sitters.points, sitters.signed, sitters.nodes)


def _blur(sitters: Sitters, mu: Array, tau: Array) -> Array:
    """Probability of each step of the axis under each centre and spread; sizes where d-prime has no sign."""
    axis = sitters.axis[:, None]
    half, spread = (axis[1, 0] - axis[0, 0]) / 2, np.maximum(tau, 1e-6)

    def within(centre: Array) -> Array:
        return np.asarray(ndtr((axis + half - centre) / spread) - ndtr((axis - half - centre) / spread))

    return within(mu) if sitters.signed else within(mu) + within(-mu)


def compared(
    core: Core,
    margin: Margin,
    kind: Protocol | None = None,
    panels: int = 1,
    *,
    outcomes: int = OUTCOMES,
    seed: int = 1,
) -> pd.DataFrame:
    """Panels of the people who came again, beside as many panels of as many new people.

    Parameters
    ----------
    core : Core
        Of a pool that follows people.
    margin : Margin
    kind : Protocol, optional
        The main one of the pool by default.
    panels : int
        How many, on new batch pairs.
    outcomes : int
        How many are drawn.
    seed : int

    Returns
    -------
    DataFrame
        One row for either kind of people: ``people``; ``settled``, the chance that the question is then settled, and
        ``error``, its Monte Carlo standard error; ``width``, the expected width of the 95 % interval of the average
        d-prime, and ``width_error``; ``below``, the mean probability that the average is below the margin, which no
        plan should move; ``standings``, how many draws of the standings bear the weight at the least.
    """
    kind = core.main_protocol if kind is None else kind
    following = core.remember(("inviting", kind), lambda: Next.of(core, kind))
    rng = np.random.default_rng(seed)
    size = following.standing.shape[1]
    seen: dict[str, list[tuple[float, float, float, float]]] = {SAME: [], NEW: []}
    for _ in range(outcomes):
        region, places = following.truth(panels, rng)
        for who, people in ((SAME, None), (NEW, size)):
            right = [following.answers(region, d, people, rng) for d in places]
            seen[who].append(_pooled(following, [following.likelihood(one, who == NEW) for one in right], margin))
    rows = []
    for who, values in seen.items():
        settled, below, width, standings = np.array(values).T
        share = float(settled.mean())
        rows.append({
            "people": who, "settled": share, "error": float(np.sqrt(share * (1 - share) / outcomes)),
            "width": float(width.mean()), "width_error": float(width.std(ddof=1) / np.sqrt(outcomes)),
            "below": float(below.mean()), "standings": float(standings.min()),
        })  # fmt: skip
    return pd.DataFrame(rows)


def _pooled(following: Next, panels: list[list[Array]], margin: Margin) -> tuple[float, float, float, float]:
    """Whether it is then settled, P(average < margin), width of the interval, draws of the standings that are left."""
    weights = [w * np.prod(each, axis=0) for w, *each in zip(following.weighed.weights, *panels, strict=True)]
    average, rising = following.weighed.plane.cumulative(weights)
    below = float(np.interp(margin.d_prime, average, rising))
    low, high = np.interp([0.025, 0.975], rising, average)
    signs = len(following.blur)
    shares = np.array([w.sum() for w in weights]).reshape(-1, signs).sum(axis=1)
    left = float(shares.sum() ** 2 / (shares @ shares))
    return float(max(below, 1 - below) > margin.settled), below, float(high - low), left


def note(core: Core, margin: Margin, kind: Protocol | None = None) -> str:
    """What one panel of the same people and one of new ones bring, in words."""
    frame = compared(core, margin, kind).set_index("people")
    assert core.regulars is not None
    kind, size = core.main_protocol if kind is None else kind, len(core.regulars.crossing.tasters)

    def chance(who: str) -> str:
        row = frame.loc[who]
        width = f"{words.d(row['width'])} wide (± {words.d(row['width_error'])})"
        return f"{words.percent(row['settled'])} (± {words.percent(row['error'])}), the 95 % interval {width}"

    return (
        f"Invite others? After one more {kind.name} panel of {size} on a new pair the question is settled with a "
        f"chance of {chance(SAME)}, with the same people; of {chance(NEW)}, with as many new ones ({OUTCOMES} drawn "
        "outcomes; ±: Monte Carlo standard errors)."
    )
