"""The model of a pool for those who write models: as PyMC states it, to look at and to extend."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from metasense.core.evidence import Collected, collect, gathered
from metasense.engine.priors import Priors
from metasense.questions.design import read_design
from metasense.questions.moderators import clusters_of
from metasense.results.pooling import names_of, priors_of
from metasense.tables.panels import Panels


def pymc_model(
    panels: Any,
    *,
    tastings: Any = None,
    priors: Priors | None = None,
    moderators: str | Sequence[str] | None = None,
    through_zero: str | Sequence[str] | None = None,
    within: str | None = None,
    interaction: Sequence[str] | None = None,
) -> Any:
    """The PyMC model of a pool: the one that ``pool(..., method="mcmc")`` draws from, to be extended.

    The panels' own d-primes are integrated out, and centre and spread sampled as a distance and an angle (``z`` and
    ``a``), in which the posterior is upright. Add to it inside ``with model:``; `Protocol.p_correct_in_pymc` gives
    rates at any d-prime of the model.

    Parameters
    ----------
    panels, tastings, priors, moderators, through_zero, within, interaction
        As for `pool`. `within` may stand alone.

    Returns
    -------
    pymc.Model
        With ``mu`` and ``tau``, the centre and the spread; with moderators ``beta`` (dims ``moderator``), per standard
        deviation or for each category; with a level ``between`` and ``within``, whose squares make up that of ``tau``.
        The coordinate ``panel`` holds the panels; in a plain pool those with equal counts are one.

    Raises
    ------
    PanelsError
        If a table has problems, or cannot support the question; all of them are listed.
    ValueError
        If an argument cannot be.

    Notes
    -----
    Where d-prime has no sign the posterior has two halves, mirror images of each other; `pool` takes the size of
    ``mu``, turns ``beta`` with it, and with a moderator of numbers keeps the draws in which all panels' centres lie on
    one side of 0. ``z`` has no prior of its own but one that hangs on ``a``, so that PyMC cannot draw from the prior;
    ``pool(...).to_arviz()`` has draws of it.

    Examples
    --------
    >>> import metasense as ms
    >>> table = {"panel": list("ABCD"), "protocol": "triangle", "tastings": 30, "correct": [12, 14, 19, 21],
    ...          "weeks": [1, 2, 4, 8]}
    >>> model = ms.pymc_model(table, moderators="weeks")
    >>> import pymc as pm
    >>> with model:
    ...     p_c = pm.Deterministic("p_c", ms.protocol("triangle").p_correct_in_pymc(model["mu"]))
    >>> [variable.name for variable in model.free_RVs], model.coords["moderator"]
    (['z', 'a', 'beta'], ('weeks',))
    """
    from metasense.engine.sampler import model_of

    table, answers = gathered(panels, tastings)
    priors = priors_of(priors)
    collected = collect(table.frame, answers)
    clusters = clusters_of(table, within)
    if moderators is None and through_zero is None:
        if interaction is not None:
            raise ValueError("interaction names two of the moderators; name them in moderators= as well.")
        if clusters is None:
            return model_of(collected.evidence, collected.copies, priors, panels=_alike(table, collected))
        return model_of(
            collected.rows, np.ones(len(table)), priors, clusters=clusters, panels=table.frame["panel"].tolist()
        )
    design = read_design(table, names_of(moderators), names_of(through_zero), within, interaction)
    return model_of(
        collected.rows,
        np.ones(len(table)),
        priors,
        columns=design.columns,
        names=design.names,
        load=design.load,
        clusters=clusters,
        panels=table.frame["panel"].tolist(),
    )


def _alike(panels: Panels, collected: Collected) -> list[str]:
    """What the distinct panels are called: those with equal counts by all their names."""
    names = panels.frame["panel"].astype(str).to_numpy()
    return [", ".join(names[collected.index == i]) for i in range(len(collected.evidence))]
