"""PyMC and ArviZ without their logs and announcements, and without a trace of that afterwards."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def quiet() -> Iterator[None]:
    """Keep PyMC's log, a missing compiler's warning and ArviZ's announcement to ourselves; undone on the way out."""
    loggers = [
        logging.getLogger(name)
        for name in ("pymc", "pymc.sampling.mcmc", "pymc.stats.convergence", "pytensor.configdefaults")
    ]
    levels = [logger.level for logger in loggers]
    try:
        for logger in loggers:
            logger.setLevel(logging.CRITICAL + 1)
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", r"\s*ArviZ is undergoing a major refactor", FutureWarning)
            warnings.filterwarnings("ignore", r"np\.dot\(\) is faster on contiguous arrays")
            yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)
