"""Headers and the columns they name: `Column` says what a column is called and holds, `match_headers` finds it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from metasense.showing.words import listing
from metasense.tables.cells import Kind, among, as_shown, letters, plain
from metasense.tables.checked import Checked
from metasense.tables.languages import WEAK, asked_of, columns_called, folded, of_languages
from metasense.tables.numbers import is_numeric, whole
from metasense.tables.sheets import PanelsError, is_empty


@dataclass(frozen=True)
class Column:
    """One expected column: ``kind`` reads a cell, pandas keeps it as ``dtype``, ``aliases`` are its other headers."""

    name: str
    meaning: str
    kind: Kind
    dtype: str
    aliases: str = ""
    required: bool = False
    of: str = ""  # for a count: the column it is a part of, so that a share of that can be turned into it
    abroad: str = ""  # its name in the catalogue of languages, where that is another one
    in_words: bool = False  # a header of this name over numbers is another column's

    @property
    def in_catalogue(self) -> str:
        return self.abroad or self.name

    @property
    def other_names(self) -> tuple[str, ...]:
        return tuple(self.aliases.split())

    @property
    def counted(self) -> bool:
        """Does it hold counts?"""
        return self.kind is whole

    def suits(self, cells: Iterable[object]) -> bool:
        """Can what stands below a header of this name be meant?"""
        return not self.in_words or not any(is_numeric(cell) and not is_empty(cell) for cell in cells)


def is_known(columns: Sequence[Column]) -> Callable[[object], bool]:
    """A function that says whether a header is the name of one of `columns`, or another name for it."""
    english = is_english(columns)
    abroad = {column.in_catalogue for column in columns}

    def known(header: object) -> bool:
        if english(header):
            return True
        return folded(header) not in WEAK and not abroad.isdisjoint(columns_called(header))

    return known


def is_english(columns: Sequence[Column]) -> Callable[[object], bool]:
    """As `is_known`, without the words of other languages."""
    names = {plain(column.name) for column in columns} | {name for column in columns for name in column.other_names}
    counted = {name for column in columns if column.counted for name in (plain(column.name), *column.other_names)}
    return lambda header: plain(header) in names or _number_of(header) in counted


def _number_of(header: object) -> str | None:
    """What a header counts that begins "no. ", "number of" or "#", or ends "(count)"; "no correct" counts nothing."""
    word = str(header).strip()
    if word[-1:] in ")]" and (found := _COUNTED.fullmatch(word)):
        return plain(found["what"])
    if word[:1] not in "#nN№":
        return None
    found = _COUNTING.fullmatch(word)
    return plain(found["what"]) if found else None


_COUNTING = re.compile(
    r"(?:#|№|(?:no|nr|num)\.|(?:no\.?|nr\.?|num\.?|number|n)[\s_]+of(?=[\s_]))[\s_]*(?:of[\s_]+)?(?P<what>[^\W\d].*)",
    re.IGNORECASE,
)
_COUNTED = re.compile(r"(?P<what>[^\W\d].*?)\s*[(\[]\s*(counts?|n|no\.?|nr\.?|number|#|№)\s*[)\]]", re.IGNORECASE)


def match_headers(checked: Checked, columns: Sequence[Column], passed: Iterable[str] = ()) -> list[int]:
    """Find which header is which column, say which other names were used; the places of the other headers."""
    heads = checked.sheet.headers
    keys = [plain(header) for header in heads]
    at: dict[str, list[int]] = {}
    for j, key in enumerate(keys):
        at.setdefault(key, []).append(j)
    numbers: dict[str, list[int]] = {}
    for j, header in enumerate(heads):
        if (what := _number_of(header)) is not None:
            numbers.setdefault(what, []).append(j)
    abroad, asked = _in_other_languages(heads, columns)
    place = checked.place
    taken: set[int] = set()
    for column in columns:
        found = at.get(plain(column.name)) or sorted(j for name in column.other_names for j in at.get(name, ()))
        found = [j for j in found if j not in taken and column.suits(checked.sheet.columns[j])]
        if column.counted and not found:
            names = (plain(column.name), *column.other_names)
            found = [j for name in names for j in numbers.get(name, ()) if j not in taken]
        elsewhere = [j for j in abroad.get(column.in_catalogue, ()) if j not in taken]
        if not found:
            found, elsewhere = elsewhere, []
        if len(found) > 1:
            words = listing(repr(heads[j]) for j in found)
            checked.add(-1, f"columns {words} could each be {column.name!r} ({column.meaning}). Keep or rename one.")
        if found:
            place[column.name] = found[0]
            taken.update(found)
            if column.name in ONCE:
                longer = [name for name in column.other_names if len(name) > 1 or name == "n"]  # x and k are any number
                others = sorted({*elsewhere, *(j for name in longer for j in at.get(name, ()))} - taken)
                if others:
                    taken.update(_same_again(checked, column, found[0], others))
    _say_renamed(checked, keys, abroad)
    extra = [j for j in range(len(heads)) if j not in taken and _has_header(checked, j)]
    extra = [j for j in extra if keys[j] not in passed]
    for j in extra:
        if at[keys[j]][0] < j:
            checked.add(-1, f"more than one column is called {heads[j]!r}. Rename or remove all but one.")
    for column in columns:
        if column.of in place:
            checked.shares[column.name] = [j for j in extra if share_of(heads[j], column)]
            extra = [j for j in extra if j not in checked.shares[column.name]]
    checked.extras = tuple(dict.fromkeys(heads[j] for j in extra))
    checked.almost = _almost(checked, columns, extra) | _ask_which(checked, columns, asked)
    for column in columns:
        if column.required and column.name not in place and column.name not in checked.almost:
            checked.add(-1, no_column(checked, column))
    absent = {plain(column.name): column.name for column in columns if column.name not in place}
    unsure = [f"{heads[j]!r} (not read as {absent[near[0]]!r}: rename it if it is)"
              for j in extra if (near := _resembling(keys[j], absent, 0.8))]  # fmt: skip
    if extra:
        moderators = "a possible moderator" if len(extra) == 1 else "possible moderators"
        checked.notes.append(f"kept as {moderators}: {listing(repr(heads[j]) for j in extra)}.")
    if unsure:
        checked.notes.append(f"perhaps misspelt: {listing(unsure)}.")
    return [j for j in extra if at[keys[j]][0] == j]


def _say_renamed(checked: Checked, keys: Sequence[str], abroad: Mapping[str, Mapping[int, tuple[str, ...]]]) -> None:
    """Note which columns were read under another name than their own."""
    tongues = {j: f" ({of_languages(spoken)})" for places in abroad.values() for j, spoken in places.items()}
    renamed = [
        f"{checked.sheet.headers[j]!r} as {name!r}{tongues.get(j, '')}"
        for name, j in checked.place.items()
        if keys[j] != plain(name)
    ]
    if renamed:
        columns = "column" if len(renamed) == 1 else "columns"
        checked.notes.append(f"{columns} read under another name: {listing(renamed)}.")


def _in_other_languages(
    heads: Sequence[str], columns: Sequence[Column]
) -> tuple[dict[str, dict[int, tuple[str, ...]]], dict[int, tuple[str, ...]]]:
    """By column, the places of headers that name it in another language, and the languages; and those to ask about.

    A word that English or another of the languages uses otherwise counts only beside a sure one of its language.
    """
    english = is_english(columns)
    found = {j: called for j, head in enumerate(heads) if not english(head) and (called := columns_called(head))}
    wanted = {column.in_catalogue for column in columns}
    sure: set[str] = set()
    for j, called in found.items():
        if folded(heads[j]) not in WEAK:
            sure.update(tongue for name, tongues in called.items() if name in wanted for tongue in tongues)
    abroad: dict[str, dict[int, tuple[str, ...]]] = {}
    for j, called in found.items():
        for name, tongues in called.items():
            spoken = tuple(tongue for tongue in tongues if tongue in sure)
            if name in wanted and spoken:
                abroad.setdefault(name, {})[j] = spoken
    asked = {j: meant for j, head in enumerate(heads) if not english(head) and (meant := asked_of(head))}
    return abroad, asked


def _ask_which(checked: Checked, columns: Sequence[Column], asked: dict[int, tuple[str, ...]]) -> frozenset[str]:
    """Ask which column a word means that could be two, if one of them is missing; otherwise say that it was not read.

    The names of those columns.
    """
    absent = {column.name for column in columns if column.name not in checked.place}
    said: set[str] = set()
    for j, meant in asked.items():
        every = [column for column in columns if column.name in meant]
        named = [column for column in every if column.name in absent] or every
        header = checked.sheet.headers[j]
        could = " or ".join(repr(column.name) for column in named)
        lacking = {column.name for column in named} & absent & _ASKED_FOR
        if lacking:
            which = ", or ".join(f"{column.name!r} if it holds {column.meaning}" for column in named)
            checked.add(-1, f"column {header!r} could be {could}. Call it {which}.")
            said |= lacking
        elif named:
            checked.notes.append(f"column {header!r} could mean {could}, and was not read as that.")
    return frozenset(said)


_ASKED_FOR = among("panel protocol tastings correct taster answer served")  # of which a table cannot do without most


ONCE = among(  # columns of which there is no second in other words
    "protocol tastings correct tasters left_out refused planned answer served signal hits noise false_alarms "
    "preference prefer_new prefer_old no_preference blind reported asked"
)


def _same_again(checked: Checked, column: Column, mine: int, others: Sequence[int]) -> list[int]:
    """Other columns by another name of one that is there: those that say the same; those that do not are refused."""
    heads = checked.sheet.headers
    cells = [as_shown(cell).strip().casefold() for cell in checked.sheet.columns[mine]]
    same = []
    for j in others:
        if [as_shown(cell).strip().casefold() for cell in checked.sheet.columns[j]] == cells:
            checked.notes.append(f"column {heads[j]!r} is not used, and agrees with {heads[mine]!r}.")
        else:
            words = f"columns {heads[mine]!r} and {heads[j]!r} could each be {column.name!r} ({column.meaning})"
            checked.add(-1, f"{words}, and differ. Keep or rename one.")
        same.append(j)
    return same


def _almost(checked: Checked, columns: Sequence[Column], extra: Sequence[int]) -> frozenset[str]:
    """Say which headers are a column's name but for a sign, or name its share: they cannot be read as it, nor ignored.

    The names of those columns.
    """
    named: dict[str, Column] = {}
    for column in columns:
        if column.name not in checked.place:
            for name in (plain(column.name), *column.other_names):
                named.setdefault(name, column)
    said = set()
    for j in extra:
        header = checked.sheet.headers[j]
        key = letters(header)
        if "%" in plain(header):
            key = re.sub("(in|as)$", "", key)
        counted = _counted(key, named)
        whose = named.get(counted)
        shares = "%" in plain(header) or "\u2030" in plain(header) or counted != key
        if whose is not None and shares and (whose.counted or whose.name == "correct"):
            checked.add(-1, f"column {header!r} holds shares, not counts. Write under {whose.name!r} {whose.meaning}.")
            said.add(whose.name)
        elif (whose := named.get(key)) is not None and len(key) > 1:
            checked.add(-1, f"column {header!r} is {whose.name!r} ({whose.meaning}) but for {_signs(header)}. Call it "
                            f"{whose.name!r} if that is what it holds, or give it another name.")  # fmt: skip
            said.add(whose.name)
    return frozenset(said)


_SHARE = re.compile(r"^(percentages?|percent|pct|proportion|prop|share|fraction|rate)(of)?"
                    r"|(percentages?|percent|pct|proportion|prop|share|fraction|rate|ratio)$")  # fmt: skip
_P = re.compile("^p(?=.{4})")


def _counted(key: str, names: Container[str]) -> str:
    """What a header counts without its words for a share; the p of "planned" is none of them.

    >>> _counted("plannedrate", {"planned"}), _counted("pcorrect", {"correct"}), _counted("percentcorrect", {"correct"})
    ('planned', 'correct', 'correct')
    """
    rest = _SHARE.sub("", key)
    return rest if rest in names else _P.sub("", rest)


def share_of(header: str, column: Column) -> str:
    """Does the header name the share of a count, as "percent" or "part" (of 1)? Empty if it does not.

    Examples
    --------
    >>> correct = Column("correct", "how many answers were correct", whole, "Int64", of="tastings")
    >>> [share_of(header, correct) for header in ("% correct", "correct (%)", "share correct", "incorrect %")]
    ['percent', 'percent', 'part', '']
    """
    key = letters(header)
    percent = "%" in plain(header)
    if percent:
        key = re.sub("(in|as)$", "", key)
    names = plain(column.name), *column.other_names
    rest = _counted(key, names)
    if rest not in names or not (percent or rest != key):
        return ""
    return "percent" if percent or "percent" in key or "pct" in key else "part"


def _signs(header: str) -> str:
    signs = dict.fromkeys(c for c in header if not c.isalnum() and not c.isspace() and c not in "_")
    return f"the {' '.join(signs)}" if signs else "how it is written"


def _resembling(key: str, names: Iterable[str], cutoff: float) -> list[str]:
    """The name that `key` may be a slip of, if any: never one that it negates."""
    least = cutoff / (2 - cutoff)  # of the longer one, for words with so much in common
    size = len(key)
    mine = set(key)
    close = [name for name in names
             if least * size <= len(name) <= size / least
             and 3 * len(_set(name) & mine) >= 2 * len(_set(name))
             and not _opposite(key, name)]  # fmt: skip
    return difflib.get_close_matches(key, close, n=1, cutoff=cutoff) if close else []


@lru_cache(maxsize=1000)
def _set(word: str) -> frozenset[str]:
    return frozenset(word)


def _opposite(key: str, name: str) -> bool:
    """Is one the other with a negation, as incorrect, % incorrect, 1 - correct and correct (not) are of correct?"""
    for long, short in ((key, name), (name, key)):
        before, found, after = long.partition(short) if short else ("", "", "")
        if found and (_TURNED_BEFORE.search(before) or _TURNED_AFTER.match(after)):
            return True
    return False


_TURNED_BEFORE = re.compile(r"(in|un|not|non|no|mis|wrong|^1|^100%?)\W*$")
_TURNED_AFTER = re.compile(r"\W*(not|wrong)\W*$")


def _has_header(checked: Checked, j: int) -> bool:
    """Has column j a header? Without one it must be empty, or only number the rows."""
    sheet = checked.sheet
    if sheet.headers[j] and not re.fullmatch(r"Unnamed: \d+", sheet.headers[j]):
        if re.search("[\ud800-\udfff]", sheet.headers[j]):
            words = f"the header of column {j + 1} holds half a character, which was lost before it came here"
            raise PanelsError(f"{words}. Type it again.", sheet.source)  # pandas makes no table with such a name
        return True
    filled = [i for i, cell in enumerate(sheet.columns[j]) if not is_empty(cell)]
    if not filled:
        return False
    if j == 0 and [str(cell) for cell in sheet.columns[0]] == [str(i) for i in range(len(sheet.rows))]:
        checked.notes.append("the first column has no header and only numbers the rows; it was left out.")
        return False
    first = f"{sheet.columns[j].iloc[filled[0]]!r} in {sheet.word} {sheet.rows[filled[0]]}"
    remedy = "Name the column or clear it; split a header merged over several cells"
    checked.add(-1, f"column {j + 1} has no header but holds values, the first {first}. {remedy}.")
    return False


def no_column(checked: Checked, column: Column, why: str = "") -> str:
    """Words for a column that is missing, with the header that comes nearest."""
    used = {
        head for name, head in checked.heads.items() if name not in ("hits", *checked.extras)
    }  # hits may be correct
    names = (plain(column.name), *column.other_names)
    free = {
        plain(head): head
        for head in checked.sheet.headers
        if head not in used and not any(_opposite(plain(head), name) for name in names)
    }
    near = [key for name in names if len(name) > 2
            for key in _resembling(name, free, 0.7)]  # fmt: skip
    near += ["hits"] if column.name == "correct" and "hits" in free else []
    hint = f" If {free[near[0]]!r} is it, rename it." if near else ""
    heads = listing([repr(head) for head in checked.sheet.headers if head], 20)
    return f"there is no column {column.name!r} ({column.meaning}){why}.{hint} The columns are {heads}."
