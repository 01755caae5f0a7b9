"""From a checked table to what the engine needs: the distinct panels, and how often each occurs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from metasense.pooling.likelihood import Counts, Evidence, RepeatedTotal, TwoCounts
from metasense.protocols import TwoCountProtocol, protocol

_KEY = ["protocol", "tastings", "correct", "tasters", "signal", "hits", "noise", "false_alarms"]


@dataclass(frozen=True, eq=False)
class Collected:
    """The evidence of a table.

    Attributes
    ----------
    evidence : tuple of Evidence
        Distinct panels: equal protocol and counts give equal likelihoods, so each is computed once.
    copies : ndarray of int, shape (len(evidence),)
    index : ndarray of int, shape (panels,)
        Which of them each row of the table is.
    """

    evidence: tuple[Evidence, ...]
    copies: np.ndarray
    index: np.ndarray


def collect(frame: pd.DataFrame) -> Collected:
    """Group the rows of a panels frame into distinct evidence.

    A panel with fewer tasters than tastings has repeats: its tastings are not as many people, and its total enters as
    the sum of that many tasters' answers.
    """
    keys = frame[_KEY].copy()
    keys["tasters"] = keys["tasters"].where(keys["tasters"] < keys["tastings"])  # matters only where somebody repeated
    keys = keys.fillna({name: -1 for name in _KEY[1:]})
    index, distinct = pd.factorize(pd.MultiIndex.from_frame(keys))
    evidence = tuple(_one(*row) for row in distinct)
    return Collected(evidence, np.bincount(index, minlength=len(evidence)), index)


def _one(name: str, *counts: int) -> Evidence:
    tastings, correct, tasters, signal, hits, noise, false_alarms = (int(c) for c in counts)
    test = protocol(name)
    if isinstance(test, TwoCountProtocol):
        return TwoCounts(test, signal, hits, noise, false_alarms)
    if tasters > 0:
        return RepeatedTotal(test, tasters, tastings, correct)
    return Counts(test, tastings, correct)
