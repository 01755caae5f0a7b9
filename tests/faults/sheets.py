"""Tables written out as people's programs write them: text with separators and encodings, workbooks, frames, records.

The workbooks are written here by hand, a part at a time: what matters in them (stored values of formulas, filtered
rows, struck-out cells, number formats, the other calendar) is out of reach of the libraries that read them, and a
workbook costs a fifth of a millisecond.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

# Number formats by name: Excel's own number, or one of ours from 164 on.
FORMATS = {
    "general": 0,
    "whole": 1,
    "thousands": 3,
    "percent": 9,
    "day": 14,
    "day and time": 22,
    "text": 49,
    "weeks": 164,
    "long day": 165,
}
OWN_FORMATS = {164: '0.0" weeks"', 165: "d mmmm yyyy"}
STYLES = [
    *((name, False) for name in FORMATS),
    ("general", True),
    ("general", None),
    ("day", None),
]  # format, struck out; None: coloured


@dataclass(frozen=True)
class Percent:
    """A share in percent: text says ``12 %``, a workbook holds 0.12 in the format of percentages."""

    value: float
    space: bool = False

    def __str__(self) -> str:
        return f"{self.value:g}{' ' if self.space else ''}%"


@dataclass(frozen=True)
class Cell:
    """A cell of a workbook with more to it than its value."""

    value: object
    format: str = "general"
    struck: bool = False
    formula: str | None = None
    filled: bool = False


@dataclass
class Sheet:
    """One tab of a workbook; rows and columns are counted from 1, the header being row 1."""

    rows: list[list[object]]
    name: str = "Sheet1"
    state: str = "visible"
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)
    merged: list[str] = field(default_factory=list)
    filtered: str | None = None


def letters(column: int) -> str:
    """The name of a column: 1 is A, 27 is AA."""
    name = ""
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return name


def serial(day: dt.date, since_1904: bool = False) -> float:
    """A day as workbooks hold it."""
    start = dt.datetime(1904, 1, 1) if since_1904 else dt.datetime(1899, 12, 30)
    moment = day if isinstance(day, dt.datetime) else dt.datetime(day.year, day.month, day.day)
    return (moment - start) / dt.timedelta(days=1)


def _cell(value: object, where: str, shared: dict[str, int], since_1904: bool) -> str:
    cell = value if isinstance(value, Cell) else Cell(value)
    held, kind = cell.value, cell.format
    if isinstance(held, Percent):
        held, kind = held.value / 100, "percent"
    if isinstance(held, dt.date):
        held, kind = serial(held, since_1904), kind if kind != "general" else "day"
    how = None if cell.filled else cell.struck
    style = (
        STYLES.index((kind, how)) if (kind, how) in STYLES else STYLES.index(("general", None if cell.filled else True))
    )
    if held is None and not style:
        return ""
    formula = f"<f>{escape(cell.formula)}</f>" if cell.formula else ""
    if held is None:
        return f'<c r="{where}" s="{style}"/>'
    if isinstance(held, bool):
        return f'<c r="{where}" s="{style}" t="b">{formula}<v>{int(held)}</v></c>'
    if isinstance(held, int | float):
        return f'<c r="{where}" s="{style}">{formula}<v>{held!r}</v></c>'
    text = str(held)
    if formula:
        return f'<c r="{where}" s="{style}" t="str">{formula}<v>{escape(text)}</v></c>'
    if text.startswith("#") and text.endswith(("!", "/A", "?")):
        return f'<c r="{where}" s="{style}" t="e"><v>{escape(text)}</v></c>'
    return f'<c r="{where}" s="{style}" t="s"><v>{shared.setdefault(text, len(shared))}</v></c>'


def _sheet(sheet: Sheet, shared: dict[str, int], since_1904: bool) -> str:
    lines = []
    for number, row in enumerate(sheet.rows, start=1):
        cells = "".join(_cell(v, f"{letters(i)}{number}", shared, since_1904) for i, v in enumerate(row, start=1))
        hidden = ' hidden="1"' if number in sheet.hidden_rows else ""
        lines.append(f'<row r="{number}"{hidden}>{cells}</row>')
    columns = "".join(f'<col min="{c}" max="{c}" width="9" hidden="1"/>' for c in sorted(sheet.hidden_columns))
    filtered = f'<autoFilter ref="{sheet.filtered}"/>' if sheet.filtered else ""
    merged = "".join(f'<mergeCell ref="{area}"/>' for area in sheet.merged)
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>'
        '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
        + (f"<cols>{columns}</cols>" if columns else "")
        + f"<sheetData>{''.join(lines)}</sheetData>{filtered}"
        + (f'<mergeCells count="{len(sheet.merged)}">{merged}</mergeCells>' if merged else "")
        + "</worksheet>"
    )


def workbook(sheets: list[Sheet], *, since_1904: bool = False) -> bytes:
    """A workbook of these tabs, in the form that spreadsheet programs write."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    relations = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"
    head = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>'
    shared: dict[str, int] = {}
    tabs = [_sheet(sheet, shared, since_1904) for sheet in sheets]
    names = "".join(
        f'<sheet name="{escape(s.name)}" sheetId="{i}" r:id="rId{i}"{"" if s.state == "visible" else f""" state="{s.state}" """}/>'
        for i, s in enumerate(sheets, start=1)
    )
    fonts = '<font><sz val="11"/><name val="Calibri"/></font><font><strike/><sz val="11"/><name val="Calibri"/></font>'
    styles = "".join(
        f'<xf numFmtId="{FORMATS[name]}" fontId="{int(bool(struck))}" fillId="{2 if struck is None else 0}" borderId="0" xfId="0" applyNumberFormat="1" applyFont="1"/>'
        for name, struck in STYLES
    )
    own = "".join(
        f'<numFmt numFmtId="{n}" formatCode="{escape(code, {chr(34): "&quot;"})}"/>' for n, code in OWN_FORMATS.items()
    )
    strings = "".join(f'<si><t xml:space="preserve">{escape(text)}</t></si>' for text in shared)
    parts = {
        "[Content_Types].xml": f'{head}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
        f'<Override PartName="/xl/styles.xml" ContentType="{kind}.styles+xml"/>'
        f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}.sharedStrings+xml"/>'
        + "".join(
            f'<Override PartName="/xl/worksheets/sheet{i}.xml" ContentType="{kind}.worksheet+xml"/>'
            for i in range(1, len(tabs) + 1)
        )
        + "</Types>",
        "_rels/.rels": f'{head}<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="rId1" Type="{relations}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'{head}<workbook xmlns="{main}" xmlns:r="{relations}">'
        f'<workbookPr date1904="{int(since_1904)}"/><sheets>{names}</sheets></workbook>',
        "xl/_rels/workbook.xml.rels": f'{head}<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + "".join(
            f'<Relationship Id="rId{i}" Type="{relations}/worksheet" Target="worksheets/sheet{i}.xml"/>'
            for i in range(1, len(tabs) + 1)
        )
        + f'<Relationship Id="rId{len(tabs) + 1}" Type="{relations}/styles" Target="styles.xml"/>'
        f'<Relationship Id="rId{len(tabs) + 2}" Type="{relations}/sharedStrings" Target="sharedStrings.xml"/></Relationships>',
        "xl/styles.xml": f'{head}<styleSheet xmlns="{main}"><numFmts count="{len(OWN_FORMATS)}">{own}</numFmts>'
        f'<fonts count="2">{fonts}</fonts><fills count="3"><fill><patternFill patternType="none"/></fill><fill><patternFill patternType="gray125"/></fill>'
        '<fill><patternFill patternType="solid"><fgColor rgb="FFFFC7CE"/></patternFill></fill></fills>'
        '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
        '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
        f'<cellXfs count="{len(STYLES)}">{styles}</cellXfs>'
        '<cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles></styleSheet>',
        "xl/sharedStrings.xml": f'{head}<sst xmlns="{main}" count="{len(shared)}" uniqueCount="{len(shared)}">{strings}</sst>',
    }
    for i, tab in enumerate(tabs, start=1):
        parts[f"xl/worksheets/sheet{i}.xml"] = tab
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, part in parts.items():
            archive.writestr(zipfile.ZipInfo(name), part)
    return out.getvalue()


def written(value: object) -> str:
    """A value as a program writes it to text where nobody chose otherwise."""
    if value is None:
        return ""
    if isinstance(value, Cell):
        return written(value.value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dt.datetime):
        return value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, float):
        return f"{value:.15g}"
    return str(value)


def text(
    rows: list[list[object]], *, mark: str = ",", end: str = "\n", quoted: bool = False, bare: bool = False
) -> str:
    """Lines of cells divided by `mark`, quoted where they must be, or all of them, or none (`bare`)."""
    lines = []
    for row in rows:
        cells = []
        for value in row:
            cell = written(value)
            if not bare and ((quoted and cell) or mark in cell or '"' in cell or "\n" in cell or "\r" in cell):
                cell = '"' + cell.replace('"', '""') + '"'
            cells.append(cell)
        lines.append(mark.join(cells))
    return end.join(lines) + end
