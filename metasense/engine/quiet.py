"""PyMC and ArviZ without their logs and announcements, and without a trace of that afterwards."""

from __future__ import annotations

import logging
import threading
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

_LOGGERS = ("pymc", "pymc.sampling.mcmc", "pymc.stats.convergence", "pytensor.configdefaults")
_lock = threading.Lock()
_undo = ExitStack()
_users = 0  # threads that want it quiet: levels and filters belong to all of them


@contextmanager
def quiet() -> Iterator[None]:
    """Keep PyMC's log, a missing compiler's warning and ArviZ's announcement to ourselves; undone on the way out.

    Of several threads the first silences and the last undoes it.
    """
    global _users
    with _lock:
        if _users == 0:
            _silence()
        _users += 1
    try:
        yield
    finally:
        with _lock:
            _users -= 1
            if _users == 0:
                _undo.close()


def _silence() -> None:
    for name in _LOGGERS:
        logger = logging.getLogger(name)
        _undo.callback(logger.setLevel, logger.level)
        logger.setLevel(logging.CRITICAL + 1)
    _undo.enter_context(warnings.catch_warnings())
    warnings.filterwarnings("ignore", r"\s*ArviZ is undergoing a major refactor", FutureWarning)
    warnings.filterwarnings("ignore", r"np\.dot\(\) is faster on contiguous arrays")
