"""What becomes of a d-prime that is carried to another protocol where tasters are not alike.

Where only some taste a difference, a protocol's share correct is theirs and the guesses of the others, and the protocol
reads one d-prime off that share. Directed and undirected protocols then read different ones off the same people.
"""

from __future__ import annotations

from collections.abc import Iterable

from metasense.protocols import Protocol
from metasense.showing import words

SOME = (0.3, 2.5)  # share of tasters who taste it, and their d-prime, with which it is shown
APART = 0.25  # difference in d-prime between protocols from which it is said


def reads_of_some(test: Protocol) -> float:
    """The d-prime that a protocol reads where only some of the tasters taste a difference.

    Their answers and the guesses of the others are one share correct, and of that the protocol tells.

    >>> from metasense.protocols import forced_choice
    >>> [round(reads_of_some(forced_choice(name)), 2) for name in ("triangle", "tetrad", "3-AFC")]
    [1.15, 1.01, 0.6]
    """
    share, d_prime = SOME
    return float(test.d_prime(share * test.p_correct(d_prime) + (1 - share) * test.guess))


def parting(one: Protocol, other: Protocol) -> str:
    """What two protocols would read of such tasters, a clause; nothing where that is about the same.

    >>> from metasense.protocols import forced_choice
    >>> parting(forced_choice("triangle"), forced_choice("3-AFC"))[-43:]
    'a triangle would read 1.15 and a 3-AFC 0.60'
    >>> parting(forced_choice("triangle"), forced_choice("tetrad"))
    ''
    """
    reads = [reads_of_some(test) for test in (one, other)]
    if abs(reads[0] - reads[1]) < APART:
        return ""
    share, d_prime = SOME
    return (
        f"if {words.percent(share)} of them had a d-prime of {words.d(d_prime)} and the others tasted nothing, "
        f"{words.a(one.name)} would read {words.d(reads[0])} and {words.a(other.name)} {words.d(reads[1])}"
    )


def carried(made: Iterable[object], test: Protocol) -> str:
    """A sentence for a rate of a protocol unlike all those of the panels it is worked out from; else nothing.

    >>> from metasense.protocols import forced_choice
    >>> carried([forced_choice("triangle")], forced_choice("3-AFC"))[:70]
    'This is carried over from triangle panels and holds only if tasters ar'
    """
    found = [one for one in made if isinstance(one, Protocol)]
    said = [parting(one, test) for one in found]
    if not said or not all(said):
        return ""
    panels = words.listing(list(dict.fromkeys(one.name for one in found)))
    return f"This is carried over from {panels} panels and holds only if tasters are much alike: {said[0]}."
