"""Work a saved pool out again from the data in its file, and compare with the numbers stored beside them.

A number of the integration must come out the same to six digits. What PyMC sampled comes out the same only within its
Monte Carlo error, which is judged from the effective sample sizes of both runs.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from metasense.core import recent
from metasense.engine.distribution import Distribution
from metasense.results import archive
from metasense.results.moderated import Moderated
from metasense.results.nested import Nested
from metasense.results.pooled import Pooled
from metasense.results.pooling import pool, restored
from metasense.showing import tables, words
from metasense.showing.results import Result

TOLERANCE = 5e-6  # of integrated numbers: absolute up to 1, relative above,
ONCE = 5e-3  # but for what pools were once stored with to no more than that:
LESS_EXACT = ("p_c", "p_d", "spread")
ERRORS = 4  # Monte Carlo standard errors that two samples may be apart
_LEVELS = {"median": 0.5, "lower": 0.025, "upper": 0.975}


@dataclass(frozen=True, eq=False, repr=False)
class Rerun(Result):
    """Stored numbers beside the same numbers worked out again; made by `rerun`.

    Attributes
    ----------
    frame : DataFrame
        ``quantity, number, stored, now, difference, allowed, same``; one row a number.
    verdicts : tuple of str
        The verdict stored and the verdict now.
    stored_versions, versions : dict
        Of Python and the packages, when the file was saved and now.
    method : {"grid", "mcmc"}
    source : str
        The file.
    pooled : Pooled, Moderated or Nested
        The pool as worked out now.

    Examples
    --------
    >>> import tempfile
    >>> pooled = pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> rerun(pooled.save(f"{tempfile.mkdtemp()}/pool.nc")).same
    True
    """

    frame: pd.DataFrame
    verdicts: tuple[str, str]
    stored_versions: dict[str, str]
    versions: dict[str, str]
    method: str
    source: str
    pooled: Pooled | Moderated | Nested

    @property
    def same(self) -> bool:
        """Whether every number is within its tolerance and the verdict is the same."""
        return bool(self.frame["same"].all()) and self.verdicts[0] == self.verdicts[1]

    def to_frame(self) -> pd.DataFrame:
        """The comparison, one row a number.

        Returns
        -------
        DataFrame

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> import tempfile
        >>> again = ms.rerun(pooled.save(f"{tempfile.mkdtemp()}/pool.nc"))
        >>> again.to_frame()["same"].all().item()
        True
        """
        return self.frame.copy()

    def sentence(self) -> str:
        """Whether the stored answer came out again, and how closely it was compared.

        Returns
        -------
        str

        Examples
        --------
        >>> import metasense as ms
        >>> pooled = ms.pool({"panel": list("ABC"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19]})
        >>> import tempfile
        >>> again = ms.rerun(pooled.save(f"{tempfile.mkdtemp()}/pool.nc"))
        >>> again.sentence().startswith(again.source)
        True
        """
        off = self.frame[~self.frame["same"]]
        basis = (
            f"to {-round(math.log10(TOLERANCE))} decimals, or digits where they are above 1 (rates and spread to "
            f"{-round(math.log10(ONCE))})"
            if self.method == "grid"
            else f"within {ERRORS} Monte Carlo standard errors of both samples"
        )
        changed = {k: (v, self.versions.get(k)) for k, v in self.stored_versions.items() if v != self.versions.get(k)}
        under = (
            "with the same versions of everything"
            if not changed
            else "with other versions: "
            + words.listing(f"{name} {now or 'missing'} (then {then})" for name, (then, now) in changed.items())
        )
        text = f"{words.one_line(self.source)}, worked out again {under}."
        if len(off):
            worst = (off["difference"] / off["allowed"]).idxmax()
            row = self.frame.loc[worst]
            text += (
                f" It differs: {len(off)} of {words.count(len(self.frame), 'number')} are not the stored ones {basis}; "
                f"furthest off is the {row['number']} of {row['quantity']}, {row['stored']:.6g} stored and "
                f"{row['now']:.6g} now."
            )
        else:
            text += f" All {words.count(len(self.frame), 'number')} agree with the stored ones {basis}."
        before, now = self.verdicts
        return f"{text} The verdict is " + (
            f"the same: {now}." if before == now else f"now {now!r}; it was {before!r}."
        )

    def _shown(self) -> list[str | tables.Shown]:
        off = self.frame[~self.frame["same"]].reset_index(drop=True)
        if off.empty:
            return [self.sentence()]
        exact: Any = lambda value: f"{value:.6g}"  # noqa: E731
        short: Any = lambda value: f"{value:.1g}"  # noqa: E731
        kinds = {"stored": exact, "now": exact, "difference": short, "allowed": short, "same": "text"}
        return [self.sentence(), tables.table(off, caption="Not the stored numbers", kinds=kinds)]


def rerun(path: str | os.PathLike[str], *, progress: bool = False) -> Rerun:
    """Pool the data of a saved file again, with its margin, priors, settings and seed, and compare the numbers.

    Parameters
    ----------
    path : path
        A file written by ``pooled.save(path)``.
    progress : bool
        Whether the sampler shows its progress, where PyMC sampled.

    Returns
    -------
    Rerun

    Raises
    ------
    ArchiveError
        If the file is no whole saved pool.
    ValueError
        If PyMC sampled its moderators.

    Examples
    --------
    >>> import tempfile
    >>> pooled = pool({"panel": ["A", "B"], "protocol": "triangle", "tastings": [24, 30], "correct": [8, 15]})
    >>> rerun(pooled.save(f"{tempfile.mkdtemp()}/pool.nc")).frame["same"].all().item()
    True
    """
    saved = archive.read(path)
    recent.forget()
    structure = saved.record["structure"]
    if _samples_moderators(saved):  # which loading would do again
        raise ValueError(
            f"{saved.source} holds a pool with moderators that PyMC sampled, and such samples are not compared. Pool "
            "the panels again with another seed, and look at both."
        )
    loaded = restored(saved)
    before = loaded.plain
    settings = {k: v for k, v in before.settings.items() if k in ("method", "draws", "chains", "seed", "rho")}
    again = pool(
        before.panels,
        tastings=before.tastings,
        margin=before.margin,
        priors=before.priors,
        progress=progress,
        **settings,
        **structure,
    )
    now = again.plain
    stored, fresh = saved.answer, again.to_frame()
    if stored["quantity"].tolist() != fresh["quantity"].tolist():
        raise archive.ArchiveError(
            f"{saved.source} holds the numbers of other quantities than its panels give. Pool the panels again."
        )
    effective = _effective(before, now) if again is now else None
    rows: list[dict[str, Any]] = []
    for old, new in zip(stored.to_dict("records"), fresh.to_dict("records"), strict=True):
        for number in ("mean", *_LEVELS):
            exact = ONCE if old["quantity"].startswith(LESS_EXACT) else TOLERANCE
            allowed = exact * max(1.0, abs(old[number]))
            if effective is not None:
                allowed = _monte_carlo(_quantity(now, old["quantity"]), number, effective)
            rows.append(_row(old["quantity"], number, old[number], new[number], allowed))
    then, verdict = saved.record["verdict"], (now if isinstance(again, Moderated) else again).verdict()
    if now.margin is not None:
        p, allowed = then["p_above"], TOLERANCE
        if effective is not None:
            allowed = ERRORS * float(np.sqrt(max(p * (1 - p), 1e-4) * sum(1 / e for e in effective)))
        rows.append(_row("average d-prime", "P(above the margin)", p, verdict.above, allowed))
    for name, value in saved.record["evidences"].items():
        if name != "error":
            allowed = TOLERANCE * max(1.0, abs(value))
            if now.core.regulars is not None and name == "varying":
                allowed = ERRORS * np.sqrt(2) * now.evidences.error
            rows.append(_row(f"log evidence, {name}", "value", value, getattr(now.evidences, name), allowed))
    return Rerun(
        pd.DataFrame(rows),
        (then["verdict"], verdict.label),
        saved.record["versions"],
        archive.versions(*(["pymc"] if now.sample is not None else [])),
        settings["method"] if effective is None else "mcmc",
        os.fspath(path),
        again,
    )


def _effective(before: Pooled, now: Pooled) -> list[float] | None:
    """Of how many independent draws as good the numbers of both are; None where they come from no draws."""
    if now.core.regulars is not None:  # another linear algebra library takes the draws elsewhere
        found = now.core.regulars.found
        return [(now.average.sd / max(found.error, 1e-9)) ** 2] * 2
    if now.sample is None:
        return None
    from metasense.engine import chains as mcmc

    return [mcmc.effective_size(part.sample) for part in (before, now) if part.sample is not None]


def _samples_moderators(saved: archive.Archive) -> bool:
    return "moderators" in saved.record["structure"] and saved.record["settings"]["method"] == "mcmc"


def _row(quantity: str, number: str, stored: float, now: float, allowed: float) -> dict[str, Any]:
    difference = abs(now - stored)
    return {
        "quantity": quantity,
        "number": number,
        "stored": stored,
        "now": now,
        "difference": difference,
        "allowed": allowed,
        "same": bool(difference <= allowed),
    }


def _quantity(pooled: Pooled, name: str) -> Distribution:
    """The distribution behind a row of the answer."""
    main = {"average d-prime": pooled.average, "next panel d-prime": pooled.next_d_prime, "spread": pooled.spread}
    if name in main:
        return main[name]
    kind, protocol = name.rstrip(")").split(" (")
    rate = pooled.rate(protocol)
    rates = {"p_c": rate.p_c, "p_d": rate.p_d, "next panel p_c": rate.next_p_c, "next panel p_d": rate.next_p_d}
    return rates[kind]


def _monte_carlo(value: Distribution, number: str, effective: list[float]) -> float:
    """How far a mean or quantile of two samples may be apart."""
    if number == "mean":
        return float(ERRORS * value.sd * np.sqrt(sum(1 / e for e in effective)))
    level = _LEVELS[number]
    error = ERRORS * np.sqrt(sum(1 / e for e in effective) / (level * (1 - level)))  # of the log odds of the level
    low, middle, high = value.quantile(expit(logit(level) + error * np.array([-1, 0, 1])))
    return float(max(high - middle, middle - low))
