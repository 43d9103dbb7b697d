"""The owner's own workbook, its named cells filled; everything else in it stays as it is.

Only the cells of its sheets are written anew, part by part of the file: pictures, charts, looks,
checks of input and whatever else lies in it are copied byte for byte.
"""

from __future__ import annotations

import io
import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from functools import partial
from typing import Any
from xml.dom.minidom import parseString
from xml.sax.saxutils import escape, quoteattr
from zipfile import ZipFile

from openpyxl.styles.numbers import is_date_format
from openpyxl.utils.cell import column_index_from_string, get_column_letter

from otdravg import __version__
from otdravg.cable.model import CableReview
from otdravg.closeout.form import Area, Form, FormList, areas_of, in_the_way, opened
from otdravg.closeout.template import Template
from otdravg.closeout.xlsx.book import cell_text
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.tables.csv_file import CLOCK_FORMAT, Cell, worded
from otdravg.tables.figures import figures_by_name
from otdravg.tables.marks import State
from otdravg.tables.splices import review_cells
from otdravg.words.headings import Words

#: The cells of a sheet, and the tag that it begins with (ISO/IEC 29500-1, 18.3.1.80 and 18.3.1.99).
_CELLS = re.compile(rb"<((?:\w+:)?)sheetData\b[^>]*?(?:/>|>.*</\1sheetData\s*>)", re.DOTALL)
_SHEET = re.compile(rb"<((?:\w+:)?)worksheet\b[^>]*>")
#: How large a sheet is: a hint, which need not be there.
_EXTENT = re.compile(rb"<(?:\w+:)?dimension\b[^>]*?(?:/>|>\s*</[^>]*>)")
#: How a book is calculated, or behind what that stands (ISO/IEC 29500-1, 18.2.27).
_CALCULATED = re.compile(rb"<((?:\w+:)?)calcPr\b([^>]*?)/?>(?:</\1calcPr>)?")
_BEFORE_CALCULATED = ("definedNames", "externalReferences", "functionGroups", "sheets")


@dataclass(frozen=True, slots=True)
class _Filling:
    """What one cell gets: a figure, a text, or nothing; and whose look, if it has none itself."""

    value: float | int | str
    like: tuple[int, int]


#: An element of a sheet: what the library says of its own types holds documents too.
Element = Any
#: By row and column.
_Fillings = dict[tuple[int, int], _Filling]


def filled_form(review: CableReview, template: Template, evidence: str) -> bytes:
    """Return the owner's workbook that a template names, filled in.

    What was not measured stands as "–", so that no formula takes an empty cell for 0.
    Results that formulas had are left out: a spreadsheet works them out when it opens the file.

    Raises
    ------
    BadSetting
        If a list is longer than the place for it, or something stands in its way.
    """
    form, words = template.form, template.words
    if form is None:
        raise BadSetting("form.workbook", "", says("template-names-none"))
    reader = opened(form)
    areas = areas_of(form, reader)
    figures: dict[str, Cell] = figures_by_name(review, words) | {
        "company": template.company, "owner": template.owner, "project": template.project,
        "revision": template.revision, "title": template.title or words["closeout"],
        "made_at": template.made_at, "program": f"otdravg {__version__}",
        "evidence_hash": evidence,
    }  # fmt: skip
    sheets: dict[str, _Fillings] = defaultdict(dict)
    for name, figure in form.cells.items():
        area = areas[name]
        value = _value(figures.get(figure), figure, area, area.column, words)
        place = area.row, area.column
        sheets[area.sheet.title][place] = _Filling(value, place)
    tables = review_cells(review, template.language)
    for own in form.lists:
        area, table = areas[own.name], tables.get(own.table)
        rows: list[Mapping[str, Cell]] = []
        if table is not None:
            rows = [dict(zip(table.names, row, strict=True)) for row in table.rows]
        sheets[area.sheet.title].update(_list(own, area, rows, words))
    places = {sheet.name: rel.target for sheet, rel in reader.parser.find_sheets()}
    parts: dict[str, Callable[[bytes], bytes]] = {
        places[sheet.title]: partial(_with_cells, sheets[sheet.title])
        for sheet in reader.wb.worksheets
    }
    return _with_parts(form, parts | {reader.parser.workbook_part_name: _to_calculate})


def _list(
    own: FormList, area: Area, rows: list[Mapping[str, Cell]], words: Words
) -> Iterator[tuple[tuple[int, int], _Filling]]:
    """Fill a list in: from one row downwards, or into several that are there for it."""
    key, is_open = f"form.rows.{own.name}", area.rows == 1
    if not is_open and len(rows) > area.rows:
        more = says("form-rows", count=area.rows, wanted=len(rows))
        raise BadSetting(key, own.name, more)
    for number in range(max(len(rows), area.rows)):
        for place, column in enumerate(own.columns, start=area.column):
            row = area.row + number
            cell = area.sheet.cell(row, place)
            problem = in_the_way(area.sheet, row, place)
            if is_open and number and cell.value is not None:
                problem = problem or says("cell-full", cell=cell.coordinate, wanted=len(rows))
            if problem:
                raise BadSetting(key, own.name, problem)
            value: float | int | str = ""
            if number < len(rows):
                value = _value(rows[number].get(column, ""), column, area, place, words)
            yield (row, place), _Filling(value, (area.row, place))


def _value(cell: Cell, key: str, area: Area, column: int, words: Words) -> float | int | str:
    """Turn a cell into a figure or a text; a date is a figure where the workbook shows dates."""
    cell = worded(key, cell, words)
    if cell is None:
        return State.NOT_MEASURED.sign
    if isinstance(cell, datetime):
        book: Any = area.sheet.parent
        if is_date_format(area.sheet.cell(area.row, column).number_format):
            when = cell.astimezone(timezone.utc).replace(tzinfo=None)
            return float((when - book.epoch) / timedelta(days=1))
        return cell.strftime(CLOCK_FORMAT)
    if isinstance(cell, Decimal):
        return float(cell)
    return cell if isinstance(cell, int) else cell_text(cell)


def _with_parts(form: Form, changed: Mapping[str, Callable[[bytes], bytes]]) -> bytes:
    """Copy an archive entry by entry, with the dates that they have; some of them changed."""
    content = io.BytesIO()
    with ZipFile(io.BytesIO(form.content)) as source, ZipFile(content, "w") as target:
        for info in source.infolist():
            own = source.read(info)
            target.writestr(info, changed[info.filename](own) if info.filename in changed else own)
    return content.getvalue()


def _to_calculate(xml: bytes) -> bytes:
    """Have the workbook calculated in full when it is opened."""
    found = _CALCULATED.search(xml)
    if found:
        own = re.sub(rb'\s(?:fullCalcOnLoad|calcCompleted)="[^"]*"', b"", found[2])
        return b'%b<%bcalcPr%b fullCalcOnLoad="1"/>%b' % (
            xml[: found.start()], found[1], own.rstrip(), xml[found.end() :],
        )  # fmt: skip
    for name in _BEFORE_CALCULATED:
        if end := re.search(rb"</((?:\w+:)?)%b\s*>" % name.encode(), xml):
            own = b'<%bcalcPr fullCalcOnLoad="1"/>' % end[1]
            return xml[: end.end()] + own + xml[end.end() :]
    raise BadSetting("form.workbook", "workbook.xml", says("no-sheet"))


def _with_cells(fillings: _Fillings, xml: bytes) -> bytes:
    """Fill cells of a sheet in, and leave out what its formulas had come to."""
    sheet, cells = _SHEET.search(xml), _CELLS.search(xml)
    if sheet is None or cells is None:
        raise BadSetting("form.workbook", "sheet", says("sheet-not-utf8"))
    if not fillings and not re.search(rb"<(?:\w+:)?f\b", cells[0]):
        return xml
    whole = parseString(sheet[0] + cells[0] + b"</%bworksheet>" % sheet[1])
    data: Element = whole.documentElement and whole.documentElement.firstChild
    prefix = cells[1].decode()
    rows = _numbered(data, lambda place: int(place))
    looks: dict[tuple[int, int], str] = {}
    texts: dict[int, dict[int, str]] = defaultdict(dict)  # the cells of each row, by column
    for number, row in rows.items():
        for column, cell in _numbered(row, _column).items():
            _forget_result(cell)
            looks[number, column] = cell.getAttribute("s")
            texts[number][column] = cell.toxml()
    for (number, column), filling in fillings.items():
        look = looks.get((number, column)) or looks.get(filling.like, "")
        place = f"{get_column_letter(column)}{number}"
        texts[number][column] = _cell(prefix, place, look, filling.value)
    written = [
        f"<{prefix}row {_attributes(rows.get(number), number)}>"
        + "".join(texts[number][column] for column in sorted(texts[number]))
        + f"</{prefix}row>"
        for number in sorted({*rows, *texts})
    ]
    text = f"<{prefix}sheetData>{''.join(written)}</{prefix}sheetData>"
    return _EXTENT.sub(b"", xml[: cells.start()]) + text.encode() + xml[cells.end() :]


def _numbered(parent: Element, number_of: Callable[[str], int]) -> dict[int, Element]:
    """Rows of a sheet, or cells of a row, by their number: one without it follows the last."""
    found: dict[int, Element] = {}
    last = 0
    for child in parent.childNodes:
        if child.localName in ("row", "c"):
            place = child.getAttribute("r")
            last = number_of(place) if place else last + 1
            found[last] = child
    return found


def _column(place: str) -> int:
    return column_index_from_string(place.rstrip("0123456789"))


def _attributes(row: Element | None, number: int) -> str:
    """What a row says of itself, but for a hint at the columns that are in use."""
    own = {"r": str(number)} | (dict(row.attributes.items()) if row else {})
    return " ".join(f"{name}={quoteattr(own[name])}" for name in own if name != "spans")


def _forget_result(cell: Element) -> None:
    """Leave out what the formula of a cell had come to, if it has one."""
    if formulas := cell.getElementsByTagNameNS("*", "f"):
        for child in [child for child in cell.childNodes if child is not formulas[0]]:
            cell.removeChild(child)
        if cell.hasAttribute("t"):
            cell.removeAttribute("t")


def _cell(prefix: str, place: str, look: str, value: float | int | str) -> str:
    """Write a figure as a figure, a text as a text, and nothing for an empty one."""
    head = f'{prefix}c r="{place}"' + (f' s="{look}"' if look else "")
    if value == "":
        return f"<{head}/>"
    if not isinstance(value, str):
        return f"<{head}><{prefix}v>{value}</{prefix}v></{prefix}c>"
    text = f'<{prefix}t xml:space="preserve">{escape(value)}</{prefix}t>'
    return f'<{head} t="inlineStr"><{prefix}is>{text}</{prefix}is></{prefix}c>'
