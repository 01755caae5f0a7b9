"""What was integrated last, so that the same panels with another margin need not be integrated again.

Whoever pools one table several times in a session, with another margin, with and without moderators, or from a form
whose sliders move, waits once. Only inputs that are equal in every count and prior are taken as the same.
"""

from __future__ import annotations

import threading
import weakref
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")

KEPT = 4  # integrations
_found: OrderedDict[Hashable, Any] = OrderedDict()
_lock = threading.Lock()
_following: weakref.WeakKeyDictionary[object, dict[Hashable, Any]] = weakref.WeakKeyDictionary()


def recently(asked: Hashable, integrate: Callable[[], T]) -> T:
    """What `integrate` gives, or gave not long ago for the same question.

    Parameters
    ----------
    asked : hashable
        All that the answer depends on.
    integrate : callable

    Examples
    --------
    >>> forget()
    >>> recently("six", lambda: print("worked out") or 6), recently("six", lambda: print("again") or 6)
    worked out
    (6, 6)
    """
    with _lock:
        if asked in _found:
            _found.move_to_end(asked)
            known: T = _found[asked]
            return known
    found = integrate()
    with _lock:
        _found[asked] = found
        while len(_found) > KEPT:
            _found.popitem(last=False)
    return found


def following(found: object) -> dict[Hashable, Any]:
    """What was worked out from an integration alone, by name; it is gone when nobody holds the integration any more.

    Parameters
    ----------
    found : object
        What was integrated; two are told apart by which they are, not by what they hold.

    Examples
    --------
    >>> class Found: pass
    >>> one = Found()
    >>> following(one)["twice"] = 12
    >>> following(one), following(Found())
    ({'twice': 12}, {})
    """
    with _lock:
        return _following.setdefault(found, {})


def forget() -> None:
    """Integrate anew whatever is asked next: for whoever checks that the same comes out."""
    with _lock:
        _found.clear()
        _following.clear()
