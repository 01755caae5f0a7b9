"""Simulation-based calibration of every posterior metasense gives.

Each study draws a truth from the prior, lets tasters answer by the rule of their protocol (percepts are drawn and
compared; the formulas for the chance of a correct answer are not used), and asks where the truth lies in the
posterior. Answers must be spread evenly whatever the design, so protocols, sizes and numbers of panels vary at random.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from calibration import moderator_recovery, nesting_recovery
from calibration.ranks import Found
from scipy.special import expit, logit, ndtri

import metasense as ms
from metasense.engine import grid
from metasense.engine.distribution import Distribution
from metasense.engine.likelihood import Counts, Evidence, RepeatedTotal, TwoCounts
from metasense.engine.plane import Plane
from metasense.engine.posterior import Posterior
from metasense.engine.thinned import weigh_some
from metasense.protocols import Protocol, forced_choice, protocol
from metasense.questions.asked import Asked
from metasense.questions.luck import fit, not_luck
from metasense.questions.tasters import overdispersion

Rng = np.random.Generator
PRIORS = ms.Priors()
UNDIRECTED = ("triangle", "duo-trio", "tetrad", "two-out-of-five")
Z = ndtri((np.arange(4000) + 0.5) / 4000)  # equally probable standard normals
EVEN = Distribution(np.array([0.0, 1.0]), np.array([0.0, 1.0]))  # of a position that is worked out already
DIRECTED = ("2-AFC", "3-AFC", "specified tetrad")


@dataclass(frozen=True)
class Study:
    """One posterior under test: what it is, one simulated data set, and how many make a full run."""

    name: str
    one: Callable[[Rng], Found]
    runs: int


def centre_and_spread(rng: Rng, directed: bool) -> tuple[float, float]:
    """Drawn from the prior of a pool."""
    mu, tau = rng.normal(0, PRIORS.centre_scale), abs(rng.normal(0, PRIORS.spread_scale))
    return (mu if directed else abs(mu)), tau


def average(mu: float, tau: float) -> float:
    """The average d-prime by brute force: the mean of |theta| over equally probable theta."""
    return float(np.abs(mu + tau * Z).mean())


def counted(test: Protocol, d: float, n: int, rng: Rng) -> Counts:
    """A panel of `n` tasters who answer by their protocol's rule."""
    return Counts(test, n, int(test.simulate(d, n, rng).sum()))


# --- pools ------------------------------------------------------------------------------------------------------------


def _panels(mu: float, tau: float, names: tuple[str, ...], two: str, rng: Rng) -> tuple[list[Evidence], np.ndarray]:
    """Panels of random protocols and sizes, the first of the first kind, and their d-primes; few ask yes or no."""
    panels: list[Evidence] = []
    theta = rng.normal(mu, tau, int(rng.integers(1, 8)))
    for i, d in enumerate(theta):
        n = int(rng.integers(10, 60))
        if i and rng.random() < 0.05:
            kind = protocol(two)
            hits, false_alarms = kind.simulate(d, n, n, 1, rng)
            panels.append(TwoCounts(kind, n, int(hits[0]), n, int(false_alarms[0])))
        else:
            panels.append(counted(forced_choice(names[0] if i == 0 else rng.choice(names)), d, n, rng))
    return panels, theta


def _pooled(posterior: Posterior, mu: float, tau: float, theta: np.ndarray, rng: Rng, *, directed: bool) -> Found:
    evidence = posterior.patches[0].series.evidence
    test = forced_choice("2-AFC" if directed else "triangle")
    following = rng.normal(mu, tau)
    found = {
        "average d-prime": (posterior.average, average(mu, tau)),
        "spread": (posterior.spread, tau),
        "next panel": (posterior.next_d_prime, abs(following)),
        f"average p_c, {test.name}": (posterior.average_rate(test), float(test.p_correct(mu + tau * Z).mean())),
        "next p_d": (posterior.next_rate(test).map(test.p_d_from_p), float(test.p_d(following))),
    }
    which = [0, *([1 + int(rng.integers(len(theta) - 1))] if len(theta) > 1 else [])]
    for name, i, own in zip(("first panel", "another panel"), which, posterior.panels(which), strict=False):
        signed = directed and evidence[i].protocol.directed
        kind = f"{name}'s own" if i == 0 or not directed else f"{name}, {'directed' if signed else 'undirected'}"
        found[kind] = (own, float(theta[i]) if signed else abs(float(theta[i])))
    return found


def pool(rng: Rng) -> Found:
    """Undirected panels of mixed protocols, by integration."""
    mu, tau = centre_and_spread(rng, False)
    panels, theta = _panels(mu, tau, UNDIRECTED, "same-different", rng)
    return _pooled(grid.integrate(panels, [1] * len(panels), PRIORS)[0], mu, tau, theta, rng, directed=False)


def pool_directed(rng: Rng) -> Found:
    """A directed panel and others of any protocol, by integration."""
    mu, tau = centre_and_spread(rng, True)
    panels, theta = _panels(mu, tau, ("2-AFC", *DIRECTED[1:], *UNDIRECTED), "A-not-A", rng)
    return _pooled(grid.integrate(panels, [1] * len(panels), PRIORS)[0], mu, tau, theta, rng, directed=True)


def some(rng: Rng) -> Found:
    """Panels of which each has nothing to taste with a probability drawn from 0 to 1."""
    mu, tau = centre_and_spread(rng, False)
    nothing = float(rng.random())
    theta = np.array([0.0 if rng.random() < nothing else rng.normal(mu, tau) for _ in range(int(rng.integers(1, 9)))])
    test = forced_choice("triangle")
    panels = [counted(forced_choice(rng.choice(UNDIRECTED)), d, int(rng.integers(10, 60)), rng) for d in theta]
    plane = Plane(panels, grid.integrate(panels, [1] * len(panels), PRIORS)[0])
    found = weigh_some(plane, [1] * len(panels), PRIORS)
    following = 0.0 if rng.random() < nothing else abs(rng.normal(mu, tau))
    rate = nothing * test.guess + (1 - nothing) * float(test.p_correct(mu + tau * Z).mean())
    return {
        "share with nothing": (found.nothing, nothing),
        "average d-prime": (found.average, (1 - nothing) * average(mu, tau)),
        "average where there is something": (found.size, average(mu, tau)),
        f"average p_c, {test.name}": (found.average_rate(test), rate),
        "next panel": (EVEN, _placed(found.next_d_prime, following, rng)),
        "first panel's own": (EVEN, _placed(found.panels()[0], abs(float(theta[0])), rng)),
    }


def _placed(found: Distribution, truth: float, rng: Rng) -> float:
    """Where the truth lies in a distribution; somewhere in the jump, where it is exactly 0."""
    return found.below(truth) * (rng.random() if truth == 0 else 1.0)


def sampled(rng: Rng) -> Found:
    """The first study's panels, sampled in PyMC."""
    from metasense.engine import sampler as mcmc

    mu, tau = centre_and_spread(rng, False)
    panels, theta = _panels(mu, tau, UNDIRECTED, "same-different", rng)
    seed = int(rng.integers(2**31))
    posterior, _, _ = mcmc.sample(panels, [1] * len(panels), PRIORS, draws=500, tune=500, chains=2, seed=seed)
    found = _pooled(posterior, mu, tau, theta, rng, directed=False)
    return {name: found[name] for name in ("average d-prime", "spread", "next panel", "first panel's own")}


# --- one panel alone --------------------------------------------------------------------------------------------------


def single(rng: Rng) -> Found:
    """One forced-choice panel under each of its two priors."""
    found: Found = {}
    for kind, names in (("undirected", UNDIRECTED), ("directed", DIRECTED)):
        test, n = forced_choice(rng.choice(names)), int(rng.integers(8, 60))
        d = float(rng.normal(*centre_and_spread(rng, True)))
        d = d if test.directed else abs(d)
        alone = ms.one_panel(test, n, counted(test, d, n, rng).correct)
        found[f"d-prime, {kind}"] = (alone.d_prime_posterior, d)
        p_d = float(rng.random())
        alone = ms.one_panel(test, n, counted(test, float(test.d_prime_from_p_d(p_d)), n, rng).correct)
        found[f"p_d under a flat prior, {kind}"] = (alone.p_d_posterior, p_d)
    return found


def single_two_counts(rng: Rng) -> Found:
    """One panel that answers yes or no, the criterion drawn from its prior."""
    found = {}
    for name in ("A-not-A", "same-different"):
        test = protocol(name)
        signal, noise = (int(n) for n in rng.integers(10, 50, 2))
        d = float(rng.normal(*centre_and_spread(rng, True)))
        hits, alarms = (int(k[0]) for k in test.simulate(d, signal, noise, 1, rng))
        alone = ms.one_panel(name, signal=signal, hits=hits, noise=noise, false_alarms=alarms)
        found[f"d-prime, {name}"] = (alone.d_prime_posterior, d if test.directed else abs(d))
    return found


# --- repeat tasters ---------------------------------------------------------------------------------------------------


def _tasters(test: Protocol, d: float, gamma: float, answers: np.ndarray, rng: Rng) -> tuple[np.ndarray, np.ndarray]:
    """Correct answers of each taster and everybody's own rate above guessing (a beta; mirrored below guessing)."""
    p_d = float(test.p_d(d))
    below = p_d < 0
    mean, guess = (p_d, test.guess) if not below else (-p_d * (1 - test.guess) / test.guess, 1 - test.guess)
    prior = (1 - gamma) / gamma
    rate = rng.beta(max(prior * mean, 1e-300), max(prior * (1 - mean), 1e-300), len(answers))
    right = rng.binomial(answers, guess + (1 - guess) * rate)
    return (answers - right, -rate * test.guess / (1 - test.guess)) if below else (right, rate)


def repeats(rng: Rng) -> Found:
    """Panels with repeat tasters whose answers are known one by one, the overdispersion integrated out."""
    return _repeats(rng, ("triangle", "duo-trio", "tetrad"), directed=False)


def repeats_directed(rng: Rng) -> Found:
    """The same with a 2-AFC panel among them."""
    return _repeats(rng, ("2-AFC", "triangle"), directed=True)


def _repeats(rng: Rng, names: tuple[str, ...], *, directed: bool) -> Found:
    (mu, tau), gamma = centre_and_spread(rng, directed), float(rng.random())
    theta = rng.normal(mu, tau, int(rng.integers(1, 4)))
    rows, rate = [], float("nan")
    for i, d in enumerate(theta):
        answers = np.sort(rng.choice([1, 2, 4, 6], int(rng.integers(3, 12))))[::-1]
        answers[0] = max(answers[0], 2)
        test = forced_choice(names[0] if i == 0 else rng.choice(names))
        right, rates = _tasters(test, float(d), gamma, answers, rng)
        rate = float(rates[0]) if i == 0 else rate
        for k, (r, y) in enumerate(zip(answers, right, strict=True)):
            rows += [(f"P{i}", test.name, f"T{i}.{k}", int(j < y)) for j in range(r)]  # new people in every panel
    pooled = ms.pool(ms.read_tastings(pd.DataFrame(rows, columns=["panel", "protocol", "taster", "correct"])))
    people = ms.tasters(pooled)
    own = people.rate("P0", "T0.0")
    return {
        "average d-prime": (pooled.average, average(mu, tau)),
        "first panel's own": (pooled.panel("P0"), float(theta[0]) if directed else abs(float(theta[0]))),
        "overdispersion": (people.overdispersion, gamma),
        "one taster's rate": (own, _within_cell(own, rate, rng)),
    }


def _within_cell(posterior: Distribution, truth: float, rng: Rng) -> float:
    """A value drawn evenly from the cell of the posterior's grid that holds the truth.

    Tasters who are all-or-nothing have rates of 0 and 1 to many digits, where a whole cell is as fine as it gets.
    """
    at = int(np.clip(np.searchsorted(posterior.x, truth), 1, len(posterior.x) - 1))
    return float(rng.uniform(posterior.x[at - 1], posterior.x[at]))


def totals(rng: Rng) -> Found:
    """Panels with repeat tasters of which only the totals are known."""
    (mu, tau), gamma = centre_and_spread(rng, False), float(rng.random())
    theta = rng.normal(mu, tau, int(rng.integers(1, 4)))
    panels = []
    for d in theta:
        test, people, tastings = (
            forced_choice(rng.choice(UNDIRECTED[:3])),
            int(rng.integers(2, 8)),
            int(rng.integers(9, 30)),
        )
        answers = tastings // people + (np.arange(people) < tastings % people)
        right = int(_tasters(test, float(d), gamma, answers, rng)[0].sum())
        panels.append(RepeatedTotal(test, people, tastings, right))
    posterior = grid.integrate(panels, [1] * len(panels), PRIORS)[0]
    return {
        "average d-prime": (posterior.average, average(mu, tau)),
        "first panel's own": (posterior.panels([0])[0], abs(float(theta[0]))),
        "overdispersion": (overdispersion(posterior), gamma),
    }


# --- preference -------------------------------------------------------------------------------------------------------


def preference(rng: Rng) -> Found:
    """Preferences of the correct tasters (guessing taken out), and of everybody on a separate pair.

    The counts of correct answers alone tell of d-prime (a cut posterior), so these positions need not be exactly even.
    """
    count = int(rng.integers(1, 5))
    typical, none, guessers_none = rng.random(3)
    sd = abs(rng.normal(0, 0.5)) if count > 1 else 0.0
    own = expit(rng.normal(logit(typical), sd, count))
    mu, tau = centre_and_spread(rng, False)
    test, n = forced_choice(rng.choice(UNDIRECTED[:3])), int(rng.integers(20, 60))
    d = np.abs(rng.normal(mu, tau, count))
    right = test.simulate(d[:, None], (count, n), rng).sum(axis=1)
    apart = rng.binomial(right, np.asarray(test.p_d(d) / test.p_correct(d)))

    def split(people: int, rho: float, q: float) -> np.ndarray:
        return rng.multinomial(people, [(1 - q) * rho, (1 - q) * (1 - rho), q])

    asked = []
    for i in range(count):
        new, old, nothing = split(apart[i], own[i], none) + split(right[i] - apart[i], 0.5, guessers_none)
        asked.append(Asked(f"P{i}", i, int(new), int(old), int(nothing), offered=True, protocol=test.name, tastings=n))
    posterior = grid.integrate([Counts(test, n, int(x)) for x in right], [1] * count, PRIORS)[0]
    middles = (np.arange(24) + 0.5) / 24
    shares = [not_luck(kind, test).quantile(middles) for kind in posterior.panels()]
    guessing_out, each = fit(asked, shares)
    pairs = []
    for i in range(count):
        new, old, nothing = split(n, own[i], none)
        pairs.append(Asked(f"Q{i}", None, int(new), int(old), int(nothing), offered=True))
    everyone, every = fit(pairs, [np.ones(1)] * count)
    return {
        "typical, guessing taken out": (guessing_out, float(typical)),
        "first panel's, guessing taken out": (each[0], float(own[0])),
        "typical, everybody": (everyone, float(typical)),
        "first panel's, everybody": (every[0], float(own[0])),
    }


# --- moderators and levels --------------------------------------------------------------------------------------------


def _moderated(case: moderator_recovery.Case) -> Callable[[Rng], Found]:
    return lambda rng: moderator_recovery.posteriors(case, rng)


def _nested(rng: Rng) -> Found:
    found = nesting_recovery.posteriors(nesting_recovery.CASES[int(rng.integers(4))], rng)
    del found["plain pool's average"]  # which is there for comparison, and too sure
    return found


def _several(rng: Rng, *, interaction: bool = False, pairs: bool = False, method: str = "grid") -> Found:
    """Two moderators at once, also with an interaction; or one of numbers, with panels within pairs."""
    x, y = np.array(moderator_recovery.WEEKS), np.array([3.0, 1, 4, 1, 5, 9, 2, 6, 5, 3])
    z = np.stack([(v - v.mean()) / v.std() for v in (x, y)])[: 1 if pairs else 2]
    if interaction:
        z = np.concatenate([z, z[:1] * z[1:]])
    pair = np.array([0, 1, 2, 3, 4, 4, 3, 2, 1, 0])
    centre = np.full(10, -1.0)
    while (centre < 0).any():  # undirected panels do not tell the side of 0
        mu, tau = centre_and_spread(rng, False)
        beta = rng.normal(0, PRIORS.slope_scale, len(z))
        centre = mu + beta @ z
    between = 0.0
    if pairs:
        tau, between = np.abs(rng.normal(0, PRIORS.spread_scale / np.sqrt(2), 2)).tolist()
    theta = rng.normal(centre + between * rng.normal(size=5)[pair], tau)
    test = forced_choice("tetrad")
    correct = [counted(test, float(d), 30, rng).correct for d in np.abs(theta)]
    frame = {"panel": [f"P{i}" for i in range(10)], "protocol": test.name, "tastings": 30, "correct": correct}
    frame |= {"x": x, "y": y, "pair": [f"pair {k}" for k in pair]}
    asked: dict[str, Any] = {"moderators": ["x"] if pairs else ["x", "y"], "method": method}
    asked |= {"within": "pair"} if pairs else {}
    asked |= {"interaction": ("x", "y")} if interaction else {}
    found = ms.pool(frame, draws=500, chains=2, seed=int(rng.integers(2**31)), **asked)
    there = found.at(x=float(x[0])) if pairs else found.at(x=float(x[0]), y=float(y[0]))
    whole = float(np.hypot(tau, between))
    out = {
        "slope of the first": (found.slope("x"), float(beta[0] / x.std())),
        "average there": (there.average, average(float(centre[0]), whole)),
        "spread": (found.spread, whole),
    }
    if pairs:
        out |= {"between pairs": (found.engine.part("between"), between)}
    if interaction:
        out |= {"interaction": (found.interaction(), float(beta[2] / x.std() / y.std()))}
    return out


def sampled_moderators(rng: Rng) -> Found:
    """Two moderators at once, by PyMC."""
    return _several(rng, method="mcmc")


CASES = moderator_recovery.CASES
STUDIES = {
    "pool": Study("pool, undirected", pool, 1000),
    "pool-directed": Study("pool, with a directed panel", pool_directed, 1000),
    "some": Study("only in some panels", some, 1000),
    "single": Study("one panel alone", single, 1000),
    "two-counts": Study("one panel alone, yes or no", single_two_counts, 1000),
    "repeats": Study("repeat tasters, answers known", repeats, 400),
    "repeats-directed": Study("repeat tasters, 2-AFC among them", repeats_directed, 200),
    "totals": Study("repeat tasters, totals only", totals, 500),
    "preference": Study("preference", preference, 500),
    "moderator": Study("moderator, triangles", _moderated(CASES[0]), 500),
    "moderator-directed": Study("moderator, a directed protocol among three", _moderated(CASES[2]), 500),
    "dose": Study("dose through zero", _moderated(CASES[3]), 500),
    "category": Study("moderator of three categories", _moderated(CASES[4]), 500),
    "nesting": Study("panels within batch pairs", _nested, 500),
    "two-moderators": Study("two moderators", _several, 1000),
    "interaction": Study("two moderators and their interaction", partial(_several, interaction=True), 1000),
    "number-in-pairs": Study("a number within batch pairs", partial(_several, pairs=True), 1000),
    "mcmc": Study("pool, sampled (2 chains of 500)", sampled, 30),
    "mcmc-moderators": Study("two moderators, sampled (2 chains of 500)", sampled_moderators, 20),
}
