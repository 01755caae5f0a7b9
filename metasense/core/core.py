"""What is known of one set of panels: what went in, what integration gave, and the few quantities everything needs.

`Core` is what every question is put to and every result is made from. It knows no sentence and no figure. `build` goes
from a checked table to it.
"""

from __future__ import annotations

import typing
from collections import Counter
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from metasense.alone.panels import panels_alone
from metasense.card import Card
from metasense.core.answers import Made, Rate, Verdict, quantity
from metasense.core.evidence import Collected, Crossing, collect, crossing
from metasense.core.recent import following, recently
from metasense.engine import crossed_posterior, grid
from metasense.engine.common import Common
from metasense.engine.distribution import Distribution
from metasense.engine.plane import ENOUGH, Plane, Weighed
from metasense.engine.posterior import Posterior
from metasense.engine.priors import Priors
from metasense.engine.thinned import SomePosterior, weigh_some
from metasense.margins import Margin
from metasense.process import one_thread
from metasense.protocols import Protocol, forced_choice, protocol
from metasense.showing.called import Called
from metasense.tables.panels import Panels, Tastings

if TYPE_CHECKING:
    import xarray as xr

T = TypeVar("T")
SHARED = 50  # distinct panels up to which what was worked out outlives a pool; more take much memory
Tests = str | Protocol | Sequence[str | Protocol]  # one protocol, or several


@dataclass(frozen=True, eq=False)
class Regulars:
    """People who sat in several panels, and the pool that follows them.

    Attributes
    ----------
    crossing : Crossing
        Who sat where.
    found : Crossed
        What integration gave.
    posterior : Posterior
        If they were new people each time.
    evidences : Evidences
        The same.
    """

    crossing: Crossing
    found: crossed_posterior.Crossed
    posterior: Posterior
    evidences: grid.Evidences


@dataclass(frozen=True, eq=False, repr=False)
class Core:
    """One set of panels, pooled: the inputs, the posterior, and what follows from the two. Made by `build`.

    Attributes
    ----------
    panels : Panels
    margin : Margin or None
    priors : Priors
    posterior : Posterior
        The weighted nodes everything is computed from.
    evidences : Evidences
        Log evidences of the explanations.
    collected : Collected
        The distinct panels as likelihoods, and which row of the table is which.
    settings : dict
        Method, seed and size of the draws; for PyMC, what its chains said.
    advice : tuple of str
        What is wrong with the draws, if anything.
    tastings : Tastings or None
        The single answers, where they were given.
    sample : Dataset or None
        The sampler's draws of centre, spread and overdispersion, with dims chain, draw.
    card : Card or None
        The question card, where one was given.
    called : Called
        What the columns of the table are called in sentences and figures.
    regulars : Regulars or None
        Who sat in several panels, and what taking them as the same people gave; None where they are not followed.
    """

    panels: Panels
    margin: Margin | None
    priors: Priors
    posterior: Posterior
    evidences: grid.Evidences
    collected: Collected
    settings: dict[str, Any]
    advice: tuple[str, ...] = ()
    tastings: Tastings | None = None
    sample: xr.Dataset | None = None
    card: Card | None = None
    called: Called = field(default_factory=Called)
    regulars: Regulars | None = None
    _memo: dict[Hashable, Any] = field(default_factory=dict, init=False)

    def remember(self, name: Hashable, work_out: Callable[[], T]) -> T:
        """What `work_out` gives, worked out once for this core under `name`; for what is costly."""
        return _once(self._memo, name, work_out)

    def share(self, name: Hashable, work_out: Callable[[], T]) -> T:
        """The same for every core with this posterior: for what follows from counts and priors alone.

        With another margin, or pooled once more, the same panels have it at once.
        """
        many = len(self.collected.evidence) > SHARED  # what many panels need is not kept longer than their pool
        return _once(self._memo if many else following(self.posterior), name, work_out)

    # --- the few quantities everything needs ------------------------------------------------------------------------

    @property
    def average(self) -> Distribution:
        """Posterior of the average d-prime of panels like these."""
        return self.posterior.average

    @property
    def spread(self) -> Distribution:
        """Posterior of the standard deviation between panels, in d-prime units."""
        return self.posterior.spread

    @property
    def next_d_prime(self) -> Distribution:
        """Posterior of the next panel's d-prime."""
        return self.posterior.next_d_prime

    @property
    def directed(self) -> bool:
        """Whether some panel named an attribute, so that differences have a direction."""
        return self.posterior.directed

    @property
    def expected_way(self) -> float | None:
        """Probability that panels like these lean, on average, the expected way; None where no protocol has one."""
        return self.posterior.expected_way

    @property
    def made(self) -> Made:
        """Protocols of the panels, each once."""
        return tuple(dict.fromkeys(e.protocol for e in self.collected.evidence))

    def rate(self, test: str | Protocol) -> Rate:
        """Correct answers in a protocol, averaged over panels like these and in the next one."""
        kind = forced_choice(test)
        return self.share(("rate", kind), lambda: Rate.of(self.posterior, kind, self.made))

    def verdict(self) -> Verdict:
        """Whether the average d-prime is beyond the margin, within it, or not settled."""
        return Verdict.of(self.average, self.margin)

    @property
    def protocols(self) -> tuple[Protocol, ...]:
        """Forced-choice protocols of the panels, then of the margin, each once."""
        names = [*self.panels.frame["protocol"].unique()]
        if self.margin is not None and self.margin.stated_protocol:
            names.append(self.margin.stated_protocol)
        tests = [protocol(name) for name in dict.fromkeys(names)]
        return tuple(t for t in tests if isinstance(t, Protocol)) or (forced_choice("triangle"),)

    @property
    def main_protocol(self) -> Protocol:
        """The margin's protocol where it has one, else the one most panels used."""
        if self.margin is not None and self.margin.stated_protocol:
            return next(p for p in self.protocols if p.name == self.margin.stated_protocol)
        counts = Counter(self.panels.frame["protocol"])
        return max(self.protocols, key=lambda p: counts[p.name])

    def to_frame(self, prob: float = 0.95, protocols: Tests | None = None) -> pd.DataFrame:
        """The answer as raw numbers: the three d-primes, then the rates of these protocols, or of all that were used.

        Returns
        -------
        DataFrame
            Columns ``quantity, mean, median, lower, upper, prob, kind``.
        """
        main = {"average d-prime": self.average, "next panel d-prime": self.next_d_prime, "spread": self.spread}
        d_primes = pd.DataFrame([quantity(name, value, prob) for name, value in main.items()])
        rates = [self.rate(test).to_frame(prob) for test in protocols_of(protocols, self.protocols)]
        return pd.concat([d_primes, *rates], ignore_index=True)

    def panels_frame(self, prob: float = 0.95) -> pd.DataFrame:
        """Each panel alone beside the same panel given all the others; one row a panel in the order of the table."""
        return self.remember(("panels frame", prob), lambda: self._panels_frame(prob)).copy()

    def _panels_frame(self, prob: float) -> pd.DataFrame:
        own = [(d.median, *d.interval(prob)) for d in self.panel_d_primes]
        pooled = pd.DataFrame(own, columns=["pooled", "pooled_lower", "pooled_upper"]).iloc[self.collected.index]
        columns = ["panel", "protocol", "tastings", "correct", "p_value"]
        named = {"d_prime": "alone", "d_prime_lower": "alone_lower", "d_prime_upper": "alone_upper"}
        frame = panels_alone(self.panels, prob=prob)[[*columns, *named]].rename(columns=named).reset_index(drop=True)
        frame = frame.astype({"tastings": "Int64", "correct": "Int64"})  # missing where a panel has two counts
        kinds = {"alone_kind": "exact", "pooled_kind": "equal-tailed", "prob": prob}
        return pd.concat([frame, pooled.reset_index(drop=True)], axis=1).assign(**kinds)

    # --- what is costly ---------------------------------------------------------------------------------------------

    @property
    def plane(self) -> Plane:
        """Every panel's likelihood on common nodes, from which the answers under other choices are summed."""
        if self.regulars is not None:
            return self.regulars.found.plane
        return self.share("plane", lambda: Plane(self.collected.evidence, self.posterior))

    def weigh(self, copies: np.ndarray, priors: Priors) -> Weighed:
        """The answer if each distinct panel stood so often in the pool, with these priors."""
        if self.regulars is not None:  # from draws, whose own error is larger than that of the nodes
            return self.plane.weigh(copies, priors, tolerance=ENOUGH)
        return self.plane.weigh(copies, priors)

    @property
    def common(self) -> Common:
        """The posterior of one d-prime shared by all panels."""
        if self.regulars is not None:
            return self.regulars.found.common
        return self.share("common", lambda: Common(self.collected.evidence, self.collected.copies, self.priors))

    @property
    def apart(self) -> Core:
        """The same as if everybody were new in every panel: itself where nobody is followed from panel to panel."""
        new = self.regulars
        if new is None:
            return self
        return self.remember(
            "apart", lambda: replace(self, posterior=new.posterior, evidences=new.evidences, regulars=None)
        )

    def some(self, nothing: float | None = None) -> SomePosterior:
        """The posterior if each panel has nothing to taste with a probability: not known, or stated.

        Everybody is taken as new in every panel.
        """
        if self.regulars is not None:
            return self.apart.some(nothing)

        def work_out() -> SomePosterior:
            return weigh_some(self.plane, self.collected.copies, self.priors, nothing)

        return self.share(("some", nothing), work_out)

    @property
    def panel_d_primes(self) -> list[Distribution]:
        """Each distinct panel's own d-prime given all the panels, in the order of ``collected.evidence``."""
        return self.share("panels", self.posterior.panels)

    def panel(self, name: str) -> Distribution:
        """One panel's own d-prime given all the panels.

        Raises
        ------
        PanelsError
            If there is no such panel; lists those there are.
        """
        self.panels[name]  # an unknown name is an error that lists the known ones
        row = int(np.flatnonzero(self.panels.frame["panel"] == name)[0])
        return self.panel_d_primes[self.collected.index[row]]

    # --- which panels -----------------------------------------------------------------------------------------------

    @property
    def unreported(self) -> np.ndarray:
        """Which panels are listed as not reported; shape (panels,)."""
        return self.panels.frame["reported"].eq(False).fillna(False).to_numpy(bool)

    @property
    def departures(self) -> tuple[str, ...]:
        """Where this pool is not what its question card says; empty without a card."""
        if self.card is None:
            return ()
        return self.card.departures(self.panels, margin=self.margin, priors=self.priors)


def _once(memo: dict[Hashable, Any], name: Hashable, work_out: Callable[[], T]) -> T:
    if name not in memo:
        with one_thread:
            memo[name] = work_out()
    found: T = memo[name]
    return found


def build(
    panels: Panels,
    tastings: Tastings | None,
    *,
    margin: Margin | None,
    priors: Priors,
    settings: dict[str, Any],
    card: Card | None = None,
    called: Called | None = None,
    chains: int | None = None,
) -> Core:
    """Integrate over everything that is not known of these panels.

    People who sat in several panels are followed where the settings have a `rho` above 0, by so many `chains`.
    """
    rho = settings.get("rho")
    again = crossing(panels.frame, tastings) if rho else None
    collected = collect(panels.frame, tastings, () if again is None else again.rows.tolist())
    posterior, evidences = integrated(collected, priors)
    known = {"tastings": tastings, "card": card, "called": called or Called()}
    if again is None:
        return Core(panels, margin, priors, posterior, evidences, collected, settings, **known)  # type: ignore[arg-type]
    regulars = follow(again, collected, priors, settings, posterior, evidences, chains)
    found = regulars.found
    return Core(
        panels,
        margin,
        priors,
        found.posterior,
        found.evidences,
        collected,
        settings,
        advice=not_settled(found),
        regulars=regulars,
        **known,  # type: ignore[arg-type]
    )


def integrated(collected: Collected, priors: Priors) -> tuple[Posterior, grid.Evidences]:
    """The posterior of panels whose people are new each time, and the evidences."""
    evidence, copies = tuple(collected.evidence), collected.copies
    return recently((evidence, copies.tobytes(), priors), lambda: grid.integrate(evidence, copies, priors))


def follow(
    again: Crossing,
    collected: Collected,
    priors: Priors,
    settings: dict[str, Any],
    posterior: Posterior,
    evidences: grid.Evidences,
    chains: int | None = None,
) -> Regulars:
    """Take people who sat in several panels as the same people; `posterior` is that of new people each time."""
    rho, seed = float(settings["rho"]), settings["seed"]
    everything = (tuple(collected.evidence), collected.index.tobytes(), priors, again.known, rho, seed, chains)
    found = recently(
        everything,
        lambda: crossed_posterior.integrate(
            again.sitters(collected, rho),
            collected.evidence,
            collected.copies.astype(float),
            collected.index[again.rows],
            priors,
            posterior,
            seed=seed,
            chains=chains,
        ),
    )
    return Regulars(again, found, posterior, evidences)


def not_settled(found: crossed_posterior.Crossed) -> tuple[str, ...]:
    """What is wrong with the draws of the standings, if anything."""
    if found.apart < crossed_posterior.APART:
        return ()
    return (
        "The draws of how people stand to one another, begun from two sides, have not come to agree "
        f"({found.apart:.1f} standard errors apart; {crossed_posterior.APART:.0f} are allowed): do not use these "
        "numbers. Another seed tells whether it lasts; pool(..., regulars=False) gives the answer as if everybody were "
        "new in every panel.",
    )


def protocols_of(asked: Tests | None, usual: Sequence[Protocol]) -> list[Protocol]:
    """The forced-choice protocols that are asked for; the usual ones where none is."""
    if asked is None:
        return list(usual)
    named = [asked] if isinstance(asked, (str, Protocol)) else asked
    return [forced_choice(test) for test in named]


class HasCore(typing.Protocol):
    """A pool, of which only the core is needed."""

    @property
    def core(self) -> Core: ...


def plain_core(pooled: object) -> Core:
    """The core of a plain pool.

    Raises
    ------
    ValueError
        If it is none; says where a pool with moderators or a level keeps its own.
    """
    core = core_of(pooled)
    if core is None:
        raise ValueError(
            "this is asked of a plain pool: pool without moderators= and within=, or give the .plain of such a pool; "
            f"got {type(pooled).__name__}."
        )
    return core


def core_of(result: object) -> Core | None:
    """The core of a plain pool; None for anything else, a pool with moderators or a level included."""
    plain = getattr(result, "plain", result)
    found = result if isinstance(result, Core) else getattr(result, "core", None)
    return found if isinstance(found, Core) and plain is result else None
