"""Which cup an answer names: what can be one in a protocol, what is right, and what no cup of the panel is called."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from metasense.protocols import Protocol, TwoCountProtocol
from metasense.showing.words import count, listing
from metasense.tables.cells import Wrong, among, plain
from metasense.tables.checked import Checked, combined, distinct


def understood(kind: Protocol | TwoCountProtocol, word: str, column: str) -> None:
    """Raise Wrong if `word` cannot be a right answer, or an answer, in this protocol."""
    if isinstance(kind, TwoCountProtocol):
        is_signal(kind.name, word)
        return
    if column == "served" and _is_tray(kind, word):
        raise Wrong(f"{word!r} is a whole tray. Under served write the right answer alone, as the answers are written; "
                    "the order of the cups belongs under order")  # fmt: skip
    if _JOINED.fullmatch(word) and len({len(cup) for cup in re.split(r"\W", word)}) == 1:
        raise Wrong(f"{word!r} could be several cups, or the name of one. Write one cup alone; where an answer names "
                    "several, join them by +, as in 1+4")  # fmt: skip
    groups = _groups(word)
    if "" in frozenset().union(*groups):
        raise Wrong(f"{word!r} has a mark too many. Join cups by +, as in 1+4")
    if kind.name == "tetrad":
        if column == "served" and _pair_or_code(groups):
            first = word.strip()[0]
            second = word.strip()[1]
            raise Wrong(f"{word!r} could be cups {first} and {second} or a code. Write {first}+{second}")
        sizes = [len(group) for group in groups]
        if len(groups) > 2 or (len(groups) == 2 and (sizes != [2, 2] or groups[0] & groups[1])):
            raise Wrong(f"{word!r} is not two groups of two cups. Write them as 1+4/2+3")
    elif len(groups) > 1:
        raise Wrong(f"{word!r} has groups of cups, which only a tetrad has. Write the {_cups_named(kind)} alone")
    if len(groups[0]) not in _sizes(kind):
        n = count(len(groups[0]), "cup")
        raise Wrong(f"{word!r} names {n}, where {_a(kind)} asks for {_cups_named(kind)}. Join cups by +, as in 1+4"
                    if kind.named > 1 else
                    f"{word!r} names {n}, where {_a(kind)} asks for one. Write its code or place alone")  # fmt: skip


_JOINED = re.compile(r"\d+([-.\u2010-\u2015]\d+)+|[^\W\d_]([-.\u2010-\u2015][^\W\d_])+")  # 745-777, B.A.B
ORDERS = ("ab", "no", "xy")  # letters of two samples, as orders of cups are written


def _cups_named(kind: Protocol) -> str:
    return "two cups" if kind.named > 1 else "one cup"


def _sizes(kind: Protocol) -> tuple[int, ...]:
    """How many cups an answer may name; in a tetrad the one that goes with the first tells as much as a pair."""
    return (1, 2) if kind.name == "tetrad" else (kind.named,)


def _a(kind: Protocol) -> str:
    return f"a {kind.name}"


def _is_tray(kind: Protocol, word: str) -> bool:
    """Does `word` hold as many cups as are served, as ABB, A/B/B or 237/682/967 do?"""
    letters = word.casefold()
    if len(letters) == kind.cups and len(set(letters)) == 2 and any(set(letters) == set(pair) for pair in ORDERS):
        return letters != "no" and letters != "on"
    groups = _groups(word)
    return kind.cups > 2 and len(groups) == kind.cups and all(len(group) == 1 for group in groups)


def is_right(kind: Protocol | TwoCountProtocol, served: str, answer: str) -> bool:
    """Does the answer name what was served as right? Raises Wrong if the two cannot be compared."""
    if isinstance(kind, TwoCountProtocol):
        return is_signal(kind.name, served) == is_signal(kind.name, answer)
    right, said = _groups(served), _groups(answer)
    if kind.name == "tetrad" and len(right[0]) == 2 and _pair_or_code(said):
        said = (frozenset(answer.strip()),)
    if {len(group) for group in said} - {len(group) for group in right}:
        raise Wrong(f"{answer!r} and served {served!r} name different numbers of cups. Join cups by +, as in 1+4")
    if kind.name == "tetrad" and len(right[0]) == 2:
        return _same_grouping(right, said, served, answer)
    return set(said) <= set(right)


def _pair_or_code(groups: Groups) -> bool:
    """Is it two different digits of 1 to 4 written together, as in 14?"""
    cup = next(iter(groups[0]))
    return len(groups) == len(groups[0]) == 1 and bool(re.fullmatch(r"([1-4])(?!\1)[1-4]", cup))


def _same_grouping(right: Groups, said: Groups, served: str, answer: str) -> bool:
    """Of four cups: is it the same two and two? One pair tells the other where places are written."""
    pair, other = right[0], right[-1]
    if len(right) == 1:
        places = {"1", "2", "3", "4"}
        if pair < places:
            other = frozenset(places - pair)
        elif any(not group & pair for group in said):
            raise Wrong(f"{answer!r} may be the other two cups of {served!r}. Under served write both groups, as in "
                        "417+305/862+190")  # fmt: skip
    if not frozenset().union(*said) <= pair | other and len(right) == 2:
        raise Wrong(f"{answer!r} names a cup that is not in {served!r}. Check the code")
    return all(group in (pair, other) for group in said)


def is_signal(protocol: str, word: str) -> bool:
    """Does `word` mean A, or different?"""
    side = SIDES[protocol].get(plain(word))
    if side is None:
        ways = "A or not A" if protocol == "A-not-A" else "same or different"
        raise Wrong(f"{word!r} is not {ways}. Write one of these under served and answer")
    return side


SIDES = {"A-not-A": {"a": True, "nota": False}, "same-different": {"different": True, "same": False}}
Groups = tuple[frozenset[str], ...]


@lru_cache(maxsize=10_000)
def _groups(word: str) -> Groups:
    """Cups named in a cell: ``1+4/2+3`` is {1, 4} and {2, 3}, and so is ``14/23``."""
    groups = tuple(frozenset(map(_unpadded, _cups_in(part))) for part in re.split(r"[/|]", word.casefold()))
    run_together = len(groups) == 2 and all(re.fullmatch(r"[1-4]{2}", "".join(group)) for group in groups)
    if run_together and len(set("".join(frozenset().union(*groups)))) == 4:
        return tuple(frozenset("".join(group)) for group in groups)
    return groups


def _cups_in(part: str) -> list[str]:
    """The cups joined in part of a cell; words with a space in them ("left cup") are one."""
    cups: list[str] = []
    for piece in re.split(r"[+,&;]", part):
        words = piece.split()
        several = len(words) > 1 and all(len(word) == 1 or any(c.isdigit() for c in word) for word in words)
        cups += words if several else [" ".join(words)]
    return cups


def _unpadded(cup: str) -> str:
    return re.sub(r"^0+(?=\d)", "", cup)


def check_cups(
    checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None], two: np.ndarray
) -> None:
    """Each answer must be one of the cups, as far as served and order show what the cups of a panel are called."""
    frame = checked.frame
    forced = frame["panel"].notna().to_numpy(bool) & ~two
    panel, names = distinct(frame["panel"])
    trays = _trays(panel[forced], codes[forced], frame[forced], kinds)
    places, rows = combined(panel, codes, frame["served"], frame["answer"])
    kind_of: dict[int, Protocol] = {}
    served: dict[int, set[str]] = {}
    answers: dict[int, set[str]] = {}
    for at, code_, right, answer in rows:
        kind = kinds[code_]
        if names[at] is None or not isinstance(kind, Protocol):
            continue
        kind_of[at] = kind
        for word, into in ((right, served), (answer, answers)):
            if word is not None:
                into.setdefault(at, set()).update(_all_cups(word))
    pairs = {at for at, _, right, _ in rows if right and len(_all_cups(right)) > 1}  # panels of answers of two cups
    bad = checked.bad.get("served", np.zeros(len(frame), bool)) | checked.bad.get("answer", np.zeros(len(frame), bool))
    strange: dict[int, set[str]] = {}
    unsure: list[str] = []
    several = False
    for at, kind in kind_of.items():
        if at in served:
            choices = 2 if kind.name == "duo-trio" else 3 if kind.name == "tetrad" and at not in pairs else kind.cups
            called = Cups(kind.cups, choices, served[at] | trays.get(at, set()))
            strange[at] = called.strange(answers.get(at, set()))
            if called.unsure:
                several |= len(called.unsure) > 1 or bool(unsure)
                unsure.append(f"{listing(map(repr, sorted(called.unsure)))} in {names[at]}")
    lost = {at for at in strange if answers.get(at) and strange[at] == answers[at]}
    both = np.isin(panel, list(lost)) & frame["served"].notna().to_numpy(bool) & frame["answer"].notna().to_numpy(bool)
    both &= ~bad & ~two
    words = (
        "answers such as {answer!r} can never equal {value!r}. Under served write the code or position of the right "
        "cup, as the answers do; the order of the cups belongs under order."
    )
    checked.report(both & ~pd.Series(np.where(both, panel, -1)).duplicated().to_numpy(bool), "served", words)
    outside: dict[int, str] = {}
    no_cup: dict[int, str] = {}
    for i, (at, code_, right, answer) in enumerate(rows):
        kind = kinds[code_]
        if names[at] is None or not isinstance(kind, Protocol):
            continue
        if beyond := [cup for cup in _all_cups(right or "") if _is_beyond(cup, kind, trays.get(at, set()))]:
            outside[i] = f"there is no cup {beyond[-1]}; {kind.name} has {kind.cups}. Write the place or code of a cup."
        if answer is not None and at not in lost and at in strange:
            odd = [cup for cup in _all_cups(answer) if cup in strange[at]]
            if odd:
                like = listing(map(repr, sorted(served[at])), 4)
                remedy = "Write the cup as it was called, or leave the cell empty if there was no answer"
                no_cup[i] = f"{answer!r} is no cup of this panel, where right ones are called {like}. {remedy}."
    checked.report_each(places, outside, "served")
    checked.report_each(places, no_cup, "answer")
    if unsure:
        checked.notes.append(_never_right(unsure, several))


def _is_beyond(cup: str, kind: Protocol, tray: set[str]) -> bool:
    """Is it the place of a cup that is not served, and no name of one on the tray?"""
    return _is_place(cup) and cup not in tray and not 1 <= int(cup) <= kind.cups


def _never_right(unsure: list[str], several: bool) -> str:
    wrong = "wrong answers" if several else "a wrong answer"
    one = "one" if several else "it"
    return f"read as {wrong}, though never right: {listing(unsure, 8)}. If {one} is no cup, clear the cell."


def _trays(
    panel: np.ndarray, codes: np.ndarray, frame: pd.DataFrame, kinds: Sequence[Protocol | TwoCountProtocol | None]
) -> dict[int, set[str]]:
    """What the orders of each panel call its cups."""
    trays: dict[int, set[str]] = {}
    if "order" not in frame:
        return trays
    for at, code_, order in combined(panel, codes, frame["order"])[1]:
        kind = kinds[code_]
        cups = _order(order)
        if kind is not None and len(cups) == kind.cups:
            trays.setdefault(at, set()).update(map(str.casefold, cups))
    return trays


def _all_cups(word: str) -> list[str]:
    return [cup for part in re.split(r"[/|]", word.casefold()) for cup in _cups_in(part)]


class Cups:
    """What the cups of a panel can be called, going by those that were right and by the orders."""

    def __init__(self, cups: int, choices: int, seen: set[str]) -> None:
        self.cups, self.choices, self.seen = cups, choices, seen
        self.plain = {_unpadded(cup) for cup in seen}
        self.unsigned = {_unpadded(re.sub(r"\W", "", cup)) for cup in seen}
        self.unsure: set[str] = set()

    def strange(self, answers: set[str]) -> set[str]:
        """Those of `answers` that can be none of the cups; ``unsure`` then holds those that may be."""
        new = {cup for cup in answers if _unpadded(cup) not in self.plain}
        but_for_a_sign = {cup for cup in new if _unpadded(re.sub(r"\W", "", cup)) in self.unsigned}
        bad = but_for_a_sign | {cup for cup in new if not self._like_those_seen(cup)}
        for kind in (_is_place, _is_word):
            fresh = {cup for cup in new - bad if kind(cup)}
            if fresh and len({cup for cup in self.seen if kind(cup)} | fresh) > self.choices:
                bad |= fresh
        self.unsure = {cup for cup in new - bad if _is_word(cup) and len(self.seen) > 1}
        if len({cup for cup in new - bad if _is_word(cup)}) > 1 and not self._vocabulary():
            bad |= {cup for cup in new if _is_word(cup)}
        return bad

    def _like_those_seen(self, cup: str) -> bool:
        if _is_place(cup):
            return any(map(_is_place, self.seen)) and 1 <= int(cup) <= self.cups
        if _DIGITS.fullmatch(cup):
            lengths = {len(seen) for seen in self.seen if _DIGITS.fullmatch(seen) and not _is_place(seen)}
            padded = any(seen.startswith("0") and len(seen) > 1 for seen in self.seen)
            return len(cup) in lengths or (padded and len(cup) < max(lengths, default=0))
        if not _is_word(cup):
            return _shape(cup) in set(map(_shape, self.seen))
        words = {seen for seen in self.seen if _is_word(seen)}
        if cup in _MARKS or not words:
            return False
        known = self._vocabulary()
        return cup in known if known else len(words) == 1

    def _vocabulary(self) -> frozenset[str]:
        """The words for places among which are all that were seen."""
        words = {cup for cup in self.seen if _is_word(cup)}
        for known in _PLACES:
            if words <= known and (len(words) > 1 or len(min(words)) > 1 or self.cups > 2):
                return known
        return frozenset()


_DIGITS = re.compile(r"[0-9]+")
_PLACES = tuple(
    frozenset(words.split())
    for words in ("left middle centre center right", "first second third fourth fifth", "1st 2nd 3rd 4th 5th",
                  "top middle bottom", "l m r", "l c r", "a b c d e")
)  # fmt: skip
_MARKS = among("x xx xxx × ✗ ✘ ✓ ✔ v ok yes no true false right wrong correct incorrect") - {"right"}


def _is_place(cup: str) -> bool:
    return len(cup) == 1 and bool(_DIGITS.fullmatch(cup))


def _is_word(cup: str) -> bool:
    """Letters only, perhaps in several words."""
    return all(c.isalpha() or c in " -'’." for c in cup) and any(c.isalpha() for c in cup) and cup[0].isalpha()


def _shape(cup: str) -> str:
    """What a cup's name looks like: every digit is one, letters are letters."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"[0-9]", "9", cup))


def _order(word: str | None) -> list[str]:
    """The cups of an order such as ABB, A-B-B or 417-862-305."""
    cups = [cup for cup in re.split(r"[\W_]+", word or "") if cup]
    return list(cups[0]) if len(cups) == 1 and cups[0].isalpha() else cups


def check_orders(checked: Checked, codes: np.ndarray, kinds: Sequence[Protocol | TwoCountProtocol | None]) -> None:
    """Serving orders have as many cups as the protocol, and in a triangle the cup picked agrees with ``correct``."""
    frame = checked.frame
    if "order" not in frame and "position" not in frame:
        return
    empty = pd.Series(pd.NA, index=frame.index, dtype="string")
    columns = [frame.get(column, empty) for column in ("order", "position", "served", "answer")]
    places, rows = combined(codes, *columns, frame["correct"])
    orders: dict[int, str] = {}
    positions: dict[int, str] = {}
    off: dict[str, dict[int, str]] = {"order": orders, "served": {}, "answer": {}}
    for i, (at, order, position, right, answer, correct) in enumerate(rows):
        kind = kinds[at]
        if kind is None:
            continue
        cups = _order(order)
        if len(cups) > 1 and len(cups) != kind.cups:
            orders[i] = (
                f"{order!r} has {len(cups)} cups; {kind.name} has {kind.cups}. Correct the order or the protocol."
            )
        elif position is not None and not 1 <= position <= kind.cups:
            positions[i] = (
                f"there is no cup {position}; {kind.name} has {kind.cups}. Write the place of the cup picked."
            )
        elif isinstance(kind, Protocol) and (wrong := _off_the_tray(kind, cups, right, answer)):
            column, words = wrong
            off[column][i] = words
        elif isinstance(kind, Protocol) and (said := _elsewhere(cups, position, answer)):
            positions[i] = said
        elif kind.name == "triangle" and position is not None and correct is not None and len(set(cups)) == 2:
            odd = cups.count(cups[int(position) - 1]) == 1
            if odd != correct:
                said = f"is {'' if odd else 'not '}the odd one, but correct is {'yes' if correct else 'no'}"
                positions[i] = f"in {order!r} cup {position} {said}. Correct one of the three."
    checked.report_each(places, positions, "position")
    for column, messages in off.items():
        checked.report_each(places, messages, column)


def _off_the_tray(kind: Protocol, cups: list[str], right: str | None, answer: str | None) -> tuple[str, str] | None:
    """The column, and what is wrong in it, where the order of the cups does not hold what was right or answered."""
    tray = [_unpadded(cup.casefold()) for cup in cups]
    if kind.name == "triangle" and len(tray) == 3 and len(set(tray)) <= 2 and all(map(str.isalpha, tray)):
        odd = [place for place, cup in enumerate(tray, 1) if tray.count(cup) == 1]
        if not odd:
            return "order", f"served in the order {''.join(cups)} there is no odd cup. Correct the order."
        if right is not None and _is_place(right) and int(right) != odd[0]:
            order = "".join(cups)
            return (
                "served",
                f"served is cup {right}, but in the order {order} cup {odd[0]} is the odd one. Correct one.",
            )
    if len(set(tray)) == len(tray) == kind.cups and all(map(str.isdigit, tray)) and len(min(tray, key=len)) > 1:
        for what, word in (("served", right), ("answer", answer)):
            off = [cup for cup in _all_cups(word or "") if _DIGITS.fullmatch(cup) and _unpadded(cup) not in tray
                   and not _is_place(cup)]  # fmt: skip
            if off:
                on = listing(cups)
                return what, f"{what} is {off[0]!r}, which is not among the cups {on} of its order. Correct one."
    return None


def _elsewhere(cups: list[str], position: Any, answer: str | None) -> str:
    """What is wrong where the place of the cup picked is not that of the answer; else empty."""
    if position is None or answer is None:
        return ""
    named = _all_cups(answer)
    if len(named) != 1:
        return ""
    place = 0
    if _is_place(named[0]) and not (set(map(str.casefold, cups)) - {"a", "b"}):
        place = int(named[0])
    elif named[0] in cups and cups.count(named[0]) == 1 and not _is_place(named[0]):
        place = cups.index(named[0]) + 1
    if place and place != position:
        return f"the answer is {answer!r}, which stands at place {place}, not {position}. Correct one of them."
    return ""
