"""What holds for a whole process while somebody needs it: the first of several threads begins it, the last ends it."""

from __future__ import annotations

import gc
import threading
from collections.abc import Callable
from contextlib import ContextDecorator, ExitStack
from functools import cache
from typing import Any

from threadpoolctl import ThreadpoolController


class Together(ContextDecorator):
    """A setting of the process, to be used as ``with setting:`` or as a decorator, also within itself.

    Parameters
    ----------
    begin : callable
        Changes the setting, and leaves on the stack it is given how to undo that.

    Examples
    --------
    >>> log = []
    >>> def begin(undo):
    ...     log.append("begun")
    ...     undo.callback(log.append, "undone")
    >>> setting = Together(begin)
    >>> with setting, setting:
    ...     log.append("inside")
    >>> log
    ['begun', 'inside', 'undone']
    """

    def __init__(self, begin: Callable[[ExitStack], Any]) -> None:
        self._begin = begin
        self._undo = ExitStack()
        self._lock = threading.Lock()
        self._users = 0

    def __enter__(self) -> None:
        with self._lock:
            if self._users == 0:
                with ExitStack() as undo:  # a beginning that fails is undone
                    self._begin(undo)
                    self._undo = undo.pop_all()
            self._users += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                self._undo.close()


@cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()


# Our products are of a few hundred nodes with a few panels: sharing them out costs more than it gives.
one_thread = Together(lambda undo: undo.enter_context(_libraries().limit(limits=1, user_api="blas")))


def _pause(undo: ExitStack) -> None:
    if gc.isenabled():
        gc.disable()
        undo.callback(gc.enable)


# Figures make many small things that are soon gone, and looking for rings among all that is loaded takes longer still.
no_collecting = Together(_pause)
