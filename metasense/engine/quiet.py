"""PyMC and ArviZ without their logs and announcements, and without a trace of that afterwards."""

from __future__ import annotations

import logging
import warnings
from contextlib import ExitStack

from metasense.process import Together

_LOGGERS = ("pymc", "pymc.sampling.mcmc", "pymc.stats.convergence", "pytensor.configdefaults")


def _silence(undo: ExitStack) -> None:
    for name in _LOGGERS:
        logger = logging.getLogger(name)
        undo.callback(logger.setLevel, logger.level)
        logger.setLevel(logging.CRITICAL + 1)
    undo.enter_context(warnings.catch_warnings())
    warnings.filterwarnings("ignore", r"\s*ArviZ is undergoing a major refactor", FutureWarning)
    warnings.filterwarnings("ignore", r"np\.dot\(\) is faster on contiguous arrays")


quiet = Together(_silence)
