"""What an Excel workbook holds, cell by cell, and what a person sees of it that the bare values do not say.

A workbook is a zip file of XML parts. `Workbook` reads the few that hold a table, as a stream and in one pass: values
and the results stored with formulas, and beside them which rows and columns are hidden, which cells are struck out, by
hand or perhaps by a conditional format, which are merged or shown in per cent, and what comments say. A part is
measured before it is unpacked, document types and entities are refused (defusedxml), and nothing that is the whole
process's, such as its warning filters, is touched.

What makes a workbook unreadable is raised as `Unreadable`; a damaged one lets other exceptions through.
"""

from __future__ import annotations

import contextlib
import io
import posixpath
import re
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from metasense.tables.formats import DURATION, PERCENT, PERCENT_SIGN, colour_of, kind_of_format, per_cent

ROWS, COLUMNS, CHARACTERS = 1_048_576, 16_384, 32_767  # the most a worksheet and one of its cells can hold
CELLS = 25_000_000  # places a table may stretch over, the empty ones included
BYTES = 500_000_000  # of one part, unpacked
SMALL_BYTES = 20_000_000  # of a part that only describes the others
PACKED = 100  # no table packs so many times smaller than it is ...
UNSUSPECTED = 10_000_000  # ... unless it is small anyway

OURS = "metasense"  # who says in a mended copy what is left to put right
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_TRUE = ("1", "true", "on")


class Unreadable(Exception):
    """A workbook that will not be read. The message is for the user: what it is, and what to do."""


class _Enough(Exception):
    """As many rows were read as were asked for."""


@dataclass(frozen=True)
class Tab:
    """One worksheet, as the tabs below a spreadsheet name it."""

    name: str
    part: str
    visible: bool


@dataclass(eq=False)
class Cells:
    """A worksheet: ``rows[i][j]`` is the cell in row i and column j, counted from 0; rows end at their last value."""

    rows: list[Sequence[Any]] = field(default_factory=list)
    formulas: list[tuple[int, int]] = field(default_factory=list)
    unknown: list[tuple[int, int]] = field(default_factory=list)  # formulas without a stored result
    hidden_rows: list[int] = field(default_factory=list)
    filters: list[tuple[int, int, int, int]] = field(default_factory=list)  # top, left, bottom, right
    hidden_columns: list[tuple[int, int]] = field(default_factory=list)  # first and last
    coloured: dict[tuple[int, int], str] = field(default_factory=dict)  # cells with a fill of their own, and its colour
    struck: list[tuple[int, int]] = field(default_factory=list)
    partly_struck: list[tuple[int, int]] = field(default_factory=list)
    percentages: list[tuple[int, int]] = field(default_factory=list)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    may_be_struck: list[tuple[int, int, int, int]] = field(default_factory=list)  # where conditional formats strike
    comments: dict[tuple[int, int], str] = field(default_factory=dict)


def cell_name(row: int, column: int) -> str:
    """The name a spreadsheet gives a cell; row and column are counted from 0.

    Examples
    --------
    >>> cell_name(1, 2), cell_name(0, 26)
    ('C2', 'AA1')
    """
    return f"{column_name(column)}{row + 1}"


def column_name(column: int) -> str:
    """The letters of a column, counted from 0."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _column(letters: str) -> int:
    place = 0
    for letter in letters:
        place = 26 * place + ord(letter) - ord("A") + 1
    if not (1 <= place <= COLUMNS and letters.isascii() and letters.isupper()):
        raise ValueError(f"no column {letters[:10]!r}")
    return place - 1


def _range(words: str) -> tuple[int, int, int, int]:
    """Top, left, bottom and right of a range such as A2:C5, counted from 0."""
    corners = []
    for corner in words.replace("$", "").split(":"):
        letters = corner.rstrip("0123456789")
        corners.append((int(corner[len(letters) :]) - 1, _column(letters)))
    return *corners[0], *corners[-1]


def _number(text: str) -> float:
    return float(text) if "." in text or "e" in text or "E" in text else int(text)


def _unescaped(text: str) -> str:
    """Text with the characters a workbook writes as _x000D_ (ECMA-376, part 1, 22.9.2.19)."""
    if "_x" not in text:
        return text
    text = _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)
    return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")


class Workbook:
    """The worksheets of a workbook (``tabs``); `cells` reads one of them.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    Unreadable
        If a part is too large, or holds a document type or entities, which no spreadsheet program writes.
    """

    def __init__(self, data: bytes) -> None:
        self._archive = zipfile.ZipFile(io.BytesIO(data))
        self._parts = {entry.filename.lower().lstrip("/"): entry for entry in self._archive.infolist()}
        self._size = len(data)
        self._strings: list[str] | None = None
        self._struck_strings: dict[int, bool] = {}  # place of a string -> struck out as a whole?
        self._formats: list[str | None] = []
        self._struck_styles: list[bool] = []
        self._filled_styles: dict[int, str] = {}  # style -> the colour of its fill
        self._struck_rules: set[str] = set()  # formats of conditional formats that strike out
        book = next(target for kind, target in self._related("").values() if kind == "officeDocument")
        if book.endswith(".bin"):
            raise Unreadable("this is a binary Excel workbook (.xlsb). Save it as .xlsx or .csv.")
        related = self._related(book)
        self._others = dict(related.values())
        root = self._root(book)
        settings = root.find("{*}workbookPr")
        self._from_1904 = settings is not None and settings.get("date1904") in _TRUE
        tabs = []
        for element in root.iterfind("{*}sheets/{*}sheet"):
            place = next(value for key, value in element.items() if key.endswith("}id"))
            kind, part = related[place]
            if kind == "worksheet":
                visible = element.get("state", "visible") == "visible"
                tabs.append(Tab(element.get("name", ""), part, visible))
        self.tabs = tuple(tabs)

    def cells(self, tab: Tab, most: int = ROWS) -> Cells:
        """What a worksheet holds, or its first so many rows."""
        if self._strings is None:
            self._read_styles()
            self._read_strings()
        assert self._strings is not None
        reader = _SheetReader(
            self._strings,
            self._struck_strings,
            self._formats,
            self._struck_styles,
            self._filled_styles,
            self._struck_rules,
            self._from_1904,
            most,
        )
        with contextlib.suppress(_Enough):
            self._walk(tab.part, reader.start, reader.end, reader.text)
        if most >= ROWS:
            reader.cells.comments = self._comments(tab)
        return reader.cells

    def _comments(self, tab: Tab) -> dict[tuple[int, int], str]:
        """What is written beside the cells of a worksheet, without the name of who wrote it."""
        if not self._holds(_relations_of(tab.part)):
            return {}
        found: dict[tuple[int, int], str] = {}
        parts = sorted(self._related(tab.part).values(), key=lambda named: named[0] != "comments")
        for kind, part in parts:  # a thread stands in both of its parts, and whole only in its own
            if kind in ("comments", "threadedComment") and self._holds(part):
                found |= _comments_in(self._root(part))
        return found

    # --- parts ---

    def _holds(self, part: str) -> bool:
        return part.lower().lstrip("/") in self._parts

    def _open(self, part: str, most: int) -> Any:
        """A part as a stream of bytes, once it is sure that it is no larger than a table can be."""
        entry = self._parts[part.lower().lstrip("/")]
        if entry.file_size > most:
            raise Unreadable(
                f"a part of the workbook unpacks to {entry.file_size / 1e6:,.0f} MB; up to {most / 1e6:,.0f} MB are "
                "read, which is a million rows of ten columns. Save the table alone, as .csv."
            )
        if entry.file_size > max(UNSUSPECTED, PACKED * min(entry.compress_size, self._size)):
            raise Unreadable(
                f"a part of the workbook unpacks to {entry.file_size / 1e6:,.0f} MB, more than {PACKED} times its "
                "packed size, as no table does. Save the table as .csv."
            )
        return self._archive.open(entry)

    def _root(self, part: str) -> Any:
        """The tree of a small part."""
        from defusedxml.common import DefusedXmlException
        from defusedxml.ElementTree import fromstring

        with self._open(part, SMALL_BYTES) as stream:
            data = stream.read()
        try:
            return fromstring(data, forbid_dtd=True)
        except DefusedXmlException as error:
            raise _forbidden() from error

    def _related(self, part: str) -> dict[str, tuple[str, str]]:
        """The parts another one names (the workbook as a whole: ""): by their mark, what each is and its place."""
        folder = posixpath.dirname(part)
        related = {}
        for element in self._root(_relations_of(part)):
            if element.get("TargetMode") != "External":
                kind = element.get("Type", "").rpartition("/")[2]
                target = posixpath.normpath(posixpath.join("/", folder, element.get("Target", "")))
                related[element.get("Id")] = kind, target.lstrip("/")
        return related

    def _walk(
        self,
        part: str,
        start: Callable[[str, dict[str, str]], None],
        end: Callable[[str], None],
        text: Callable[[str], None],
    ) -> None:
        """Call back for each element of a part, by its name without namespace, and for the text between."""
        from defusedxml.common import DefusedXmlException
        from defusedxml.ElementTree import DefusedXMLParser

        guarded = DefusedXMLParser(forbid_dtd=True)
        expat = guarded.parser  # its guards stay; elements come straight to us, which is several times as fast
        expat.DefaultHandlerExpand = None
        expat.ordered_attributes = False
        expat.buffer_text = True
        expat.StartElementHandler = lambda tag, attributes: start(tag[tag.rfind("}") + 1 :], attributes)
        expat.EndElementHandler = lambda tag: end(tag[tag.rfind("}") + 1 :])
        expat.CharacterDataHandler = text
        with self._open(part, BYTES) as stream:
            try:
                while piece := stream.read(1 << 18):
                    expat.Parse(piece, False)
                expat.Parse(b"", True)
            except DefusedXmlException as error:
                raise _forbidden() from error

    def _read_styles(self) -> None:
        """What each style of a cell makes of a number, and whether it strikes it out."""
        if "styles" not in self._others:
            return
        from openpyxl.styles.numbers import BUILTIN_FORMATS

        root = self._root(self._others["styles"])
        codes = dict(BUILTIN_FORMATS)
        for element in root.iterfind("{*}numFmts/{*}numFmt"):
            codes[int(element.get("numFmtId"))] = element.get("formatCode", "General")
        fills = [colour_of(fill) for fill in root.iterfind("{*}fills/{*}fill")]
        fonts = [_is_on(font.find("{*}strike")) for font in root.iterfind("{*}fonts/{*}font")]
        for place, rule in enumerate(root.iterfind("{*}dxfs/{*}dxf")):
            if _is_on(rule.find("{*}font/{*}strike")):
                self._struck_rules.add(str(place))
        kinds: dict[str, str | None] = {}
        for style in root.iterfind("{*}cellXfs/{*}xf"):
            code = codes.get(int(style.get("numFmtId", 0)), "General")
            if code not in kinds:
                kinds[code] = kind_of_format(code)
            self._formats.append(kinds[code])
            font = int(style.get("fontId", 0))
            self._struck_styles.append(font < len(fonts) and fonts[font])
            fill = int(style.get("fillId", 0))
            if fill < len(fills) and fills[fill]:
                self._filled_styles[len(self._formats) - 1] = fills[fill]

    def _read_strings(self) -> None:
        """The table of strings most cells point to."""
        strings: list[str] = []
        self._strings = strings
        if "sharedStrings" not in self._others:
            return
        words = _Words()

        def start(name: str, attributes: dict[str, str]) -> None:
            if name == "si":
                words.clear()
            else:
                words.start(name, attributes)

        def end(name: str) -> None:
            if name != "si":
                words.end(name)
                return
            if words.struck:
                self._struck_strings[len(strings)] = not words.plain
            strings.append(words.value())
            if len(strings) > CELLS:
                raise Unreadable(f"the workbook has more than {CELLS:,} different texts. Save the table as .csv.")

        self._walk(self._others["sharedStrings"], start, end, words.text)


def _forbidden() -> Unreadable:
    return Unreadable(
        "the workbook declares a document type or entities of its own, which no spreadsheet program does: it is "
        "damaged or made to do harm. Save the table as .csv."
    )


def _relations_of(part: str) -> str:
    """The part that says which others a part names."""
    folder, name = posixpath.split(part)
    return posixpath.join(folder, "_rels", f"{name}.rels")


def _comments_in(root: Any) -> dict[tuple[int, int], str]:
    """The first comment on each cell, out of either kind of part that holds comments."""
    authors = [author.text or "" for author in root.iterfind("{*}authors/{*}author")]
    found: dict[tuple[int, int], str] = {}
    for comment in [*root.iterfind("{*}commentList/{*}comment"), *root.iterfind("{*}threadedComment")]:
        text = _unescaped("".join(piece.text or "" for piece in comment.iterfind(".//{*}t")))
        text = text or comment.findtext("{*}text") or ""
        author = comment.get("authorId", "")
        if author.isdecimal() and int(author) < len(authors):
            if authors[int(author)] == OURS:
                continue  # what we said ourselves of the cell in a mended copy is no news
            text = text.lstrip().removeprefix(f"{authors[int(author)]}:")
        row, column, _, _ = _range(comment.get("ref"))
        found.setdefault((row, column), " ".join(text.split()))
    return found


def _is_on(element: Any) -> bool:
    return element is not None and element.get("val", "1") in _TRUE


class _Words:
    """The text inside a cell or a shared string, its runs joined; which of them are struck out; no phonetic guides."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.pieces: list[str] = []
        self.size = 0
        self.taking = False  # between <t> and </t>, or <v> and </v>
        self.strikes = False  # the run at hand
        self.phonetic = False
        self.struck = False  # some run is struck out
        self.plain = False  # some run is not

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "t" or name == "v":
            self.taking = not self.phonetic
        elif name == "r":
            self.strikes = False
        elif name == "strike":
            self.strikes = attributes.get("val", "1") in _TRUE
        elif name == "rPh":
            self.phonetic = True

    def text(self, words: str) -> None:
        if not self.taking:
            return
        self.pieces.append(words)
        self.size += len(words)
        if self.size > CHARACTERS:
            raise Unreadable(
                f"a cell holds more than the {CHARACTERS:,} characters a worksheet can hold: the workbook is damaged. "
                "Save the table as .csv."
            )
        if words.strip():
            self.struck |= self.strikes
            self.plain |= not self.strikes

    def end(self, name: str) -> None:
        if name == "t" or name == "v":
            self.taking = False
        elif name == "r":
            self.strikes = False
        elif name == "rPh":
            self.phonetic = False

    def value(self) -> str:
        return _unescaped("".join(self.pieces))


class _Rule:
    """A conditional format: where it holds, and whether it strikes out.

    It names a format of the workbook or, where a newer program wrote it, holds its format and place itself.
    """

    def __init__(self, where: str, struck_rules: set[str]) -> None:
        self._where = where
        self._struck_rules = struck_rules
        self._in_place = False
        self._strikes = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "cfRule":
            self._strikes |= attributes.get("dxfId", "") in self._struck_rules
        elif name == "strike":
            self._strikes |= attributes.get("val", "1") in _TRUE
        elif name == "sqref":
            self._in_place = True

    def text(self, words: str) -> None:
        if self._in_place:
            self._where += words

    def end(self, name: str) -> None:
        if name == "sqref":
            self._in_place = False

    def areas(self) -> list[tuple[int, int, int, int]]:
        """The cells that it may strike out."""
        return [_range(area) for area in self._where.split()] if self._strikes else []


class _SheetReader:
    """Takes the elements of a worksheet as they come and fills `cells`."""

    def __init__(
        self,
        strings: list[str],
        struck_strings: dict[int, bool],
        formats: list[str | None],
        struck_styles: list[bool],
        filled_styles: dict[int, str],
        struck_rules: set[str],
        from_1904: bool,
        most: int,
    ) -> None:
        from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900, from_excel, from_ISO8601

        self.cells = Cells()
        self._strings = strings
        self._struck_strings = struck_strings
        self._formats = dict(enumerate(formats))
        self._struck_styles = {i for i, struck in enumerate(struck_styles) if struck}
        self._filled_styles = filled_styles
        self._struck_rules = struck_rules
        self._epoch = CALENDAR_MAC_1904 if from_1904 else CALENDAR_WINDOWS_1900
        self._from_serial = from_excel
        self._from_iso = from_ISO8601
        self._most = most
        self._words = _Words()
        self._columns: dict[str, int] = {}  # letters -> place
        self._row: list[Any] = []
        self._at = -1  # row
        self._column = -1
        self._in_cell = False
        self._type = "n"
        self._style = 0
        self._has_value = False
        self._has_formula = False
        self._places = 0
        self._filter: tuple[int, int, int, int] | None = None
        self._rule: _Rule | None = None  # the conditional format at hand

    def text(self, words: str) -> None:
        if self._in_cell:
            self._words.text(words)
        elif self._rule is not None:
            self._rule.text(words)

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "c":
            self._start_cell(attributes)
        elif self._in_cell:
            if name == "v":
                self._has_value = True
            elif name == "f":
                self._has_formula = True
            self._words.start(name, attributes)
        elif name == "row":
            self._start_row(attributes)
        elif name == "col":
            if attributes.get("hidden") in _TRUE or _is_zero(attributes.get("width")):
                self.cells.hidden_columns.append((int(attributes["min"]) - 1, int(attributes["max"]) - 1))
        elif self._rule is not None:
            self._rule.start(name, attributes)
        elif name == "conditionalFormatting":
            self._rule = _Rule(attributes.get("sqref", ""), self._struck_rules)
        elif name == "mergeCell":
            self.cells.merged.append(_range(attributes["ref"]))
        elif name == "autoFilter":
            self._filter = _range(attributes["ref"])
        elif name == "filterColumn" and self._filter is not None:
            self.cells.filters.append(self._filter)
            self._filter = None

    def end(self, name: str) -> None:
        if name == "c":
            self._end_cell()
        elif self._in_cell:
            self._words.end(name)
        elif name == "row":
            self._end_row()
        elif self._rule is not None:
            self._rule.end(name)
            if name == "conditionalFormatting":
                self.cells.may_be_struck.extend(self._rule.areas())
                self._rule = None

    def _start_row(self, attributes: dict[str, str]) -> None:
        at = int(float(attributes["r"])) - 1 if "r" in attributes else self._at + 1
        if at <= self._at:
            raise ValueError("rows out of order")
        if at >= ROWS:
            raise Unreadable("the worksheet has more rows than a spreadsheet can hold: it is damaged. Save it as .csv.")
        self._at = at
        self._column = -1
        self._row = []
        if attributes.get("hidden") in _TRUE or _is_zero(attributes.get("ht")):
            self.cells.hidden_rows.append(at)

    def _end_row(self) -> None:
        if self._row:
            rows = self.cells.rows
            rows.extend([()] * (self._at - len(rows)))
            rows.append(self._row)
            self._places += len(self._row)
            if self._places > CELLS:
                raise Unreadable(
                    f"the table stretches over more than {CELLS:,} cells, the empty ones included. Delete what stands "
                    "far to the right of it, or save it as .csv."
                )
        if self._at + 1 >= self._most < ROWS:
            raise _Enough

    def _start_cell(self, attributes: dict[str, str]) -> None:
        name = attributes.get("r")
        column = self._column + 1
        if name is not None:
            letters = name.rstrip("0123456789")
            known = self._columns.get(letters)
            if known is None:
                known = self._columns[letters] = _column(letters)
            if known < column:
                raise ValueError("cells out of order")
            column = known
        elif column >= COLUMNS:
            raise ValueError("more columns than a worksheet can have")
        self._column = column
        self._type = attributes.get("t", "n")
        self._style = int(attributes.get("s", 0))
        self._in_cell = True
        self._has_value = self._has_formula = False
        self._words.clear()

    def _end_cell(self) -> None:
        self._in_cell = False
        words = self._words
        place = self._at, self._column
        value = self._value()
        if self._has_formula:
            self.cells.formulas.append(place)
            if value is None:
                self.cells.unknown.append(place)
        if value is None:
            return
        row = self._row
        if len(row) < self._column:
            row.extend([None] * (self._column - len(row)))
        row.append(value)
        if self._style in self._filled_styles:
            self.cells.coloured[place] = self._filled_styles[self._style]
        if self._type == "s" or words.struck or self._style in self._struck_styles:
            self._look_for_strikes(value, place)

    def _look_for_strikes(self, value: Any, place: tuple[int, int]) -> None:
        words = self._words
        whole: bool | None = None  # struck out as a whole, in part, or not at all
        if self._style in self._struck_styles:
            whole = True
        elif self._type == "s":
            whole = self._struck_strings.get(int("".join(words.pieces)))
        elif words.struck:
            whole = not words.plain
        if whole is not None and str(value).strip():
            (self.cells.struck if whole else self.cells.partly_struck).append(place)

    def _value(self) -> Any:
        """The value of the cell at hand; None where it has none."""
        words = "".join(self._words.pieces)
        if self._type == "str" and self._has_value:
            return _unescaped(words)
        if not words:
            return None
        if self._type == "inlineStr":
            return _unescaped(words)
        if self._type == "s":
            return self._strings[int(words)]
        if self._type == "n":
            return self._numeric(_number(words))
        if self._type == "b":
            return words in _TRUE
        return self._from_iso(words) if self._type == "d" else words

    def _numeric(self, number: float) -> Any:
        """A number, or what its format makes of it."""
        kind = self._formats.get(self._style)
        if kind is None:
            return number
        if kind in (PERCENT, PERCENT_SIGN):
            self.cells.percentages.append((self._at, self._column))
            return per_cent(number) if kind == PERCENT else f"{number}%"
        try:
            return self._from_serial(number, self._epoch, timedelta=kind == DURATION)
        except (OverflowError, ValueError):
            return "########"  # as a spreadsheet shows a number that is no date


def _is_zero(size: str | None) -> bool:
    return size is not None and float(size) == 0
