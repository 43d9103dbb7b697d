"""The owner's own workbook: which of its names are filled with what, and where those names lie."""

from __future__ import annotations

import io
import warnings
import zlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any
from zipfile import BadZipFile, ZipFile

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.tables.figures import FIGURES, OF_SPLICES
from otdravg.tables.splices import TABLES, column_names

if TYPE_CHECKING:
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.worksheet.worksheet import Worksheet

#: Figures of a form that are the template's, or of the package as a whole.
ABOUT = ("company", "owner", "project", "revision", "title", "made_at", "program", "evidence_hash")
#: The whole workbook unpacked. Chosen, not derived: forms take a hundredth of it.
_LARGEST_BYTES = 100_000_000
#: What reading a damaged workbook ends in; the library checks little of what it reads.
_DAMAGES = (BadZipFile, OSError, EOFError, zlib.error, RuntimeError, SyntaxError, LookupError,
            ArithmeticError, ValueError, TypeError, AttributeError)  # fmt: skip
#: What a workbook may hold that does not survive another hand, and what to do about it.
_UNFIT = {
    "vbaProject": says("holds-macros"),
    "_xmlsignatures/": says("is-signed"),
}


@dataclass(frozen=True, slots=True)
class FormList:
    """A table of the closeout that is filled in from a name downwards."""

    name: str  # in the workbook
    table: str
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Form:
    """A workbook, and what its names are filled with."""

    workbook: str  # name of the file
    content: bytes
    cells: Mapping[str, str]  # name in the workbook, name of the figure
    lists: tuple[FormList, ...] = ()


@dataclass(frozen=True, slots=True)
class Area:
    """Where a name of a workbook lies; rows and columns are counted from 1."""

    sheet: Worksheet
    row: int
    column: int
    rows: int
    columns: int


def form_of(
    workbook: str,
    content: bytes,
    cells: Mapping[str, Any],
    rows: Mapping[str, tuple[str, tuple[str, ...]]],
) -> Form:
    """Make a form, everything checked that can be before there are results.

    Raises
    ------
    BadSetting
        Naming the key of the template: a figure, table, column or name that there is not, with
        the nearest that there is; a cell that holds a formula; a file that is no such workbook.
    """
    known = {name for name, _ in FIGURES} | {*ABOUT}
    per_wavelength = [name for name, _ in OF_SPLICES]
    for name, figure in cells.items():
        plain, dot, nm = str(figure).rpartition(".")
        if not (dot and nm.isdecimal() and plain in per_wavelength):
            known_or_nearest(f"form.cells.{name}", figure, known)
    for name, (table, columns) in rows.items():
        known_or_nearest(f"form.rows.{name}.table", table, TABLES)
        for column in columns:
            known_or_nearest(f"form.rows.{name}.columns", column, column_names(table))
    lists = (
        FormList(name, table, columns or column_names(table))
        for name, (table, columns) in rows.items()
    )
    form = Form(workbook, content, dict(cells), tuple(lists))
    areas_of(form, opened(form))
    return form


def known_or_nearest(key: str, value: object, known: Collection[str]) -> None:
    """Refuse what is not known, and name the nearest that is."""
    if value not in known:
        near = get_close_matches(str(value), known, 1, 0.5)
        names = says("known-are", known=", ".join(sorted(known)))
        raise BadSetting(key, value, says("did-you-mean", name=near[0]) if near else names)


def opened(form: Form) -> ExcelReader:
    """Open the workbook of a form: ``.wb`` is the book, ``.parser`` knows where sheets lie."""
    from openpyxl.reader.excel import ExcelReader

    try:
        with ZipFile(io.BytesIO(form.content)) as archive:
            if sum(info.file_size for info in archive.infolist()) > _LARGEST_BYTES:
                raise ValueError("unpacked it is larger than any form")
            for part, advice in _UNFIT.items():
                if any(part in name for name in archive.namelist()):
                    raise BadSetting("form.workbook", form.workbook, advice)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what that library does not read is left as it is
            reader = ExcelReader(io.BytesIO(form.content))
            reader.read()
    except _DAMAGES as error:
        text = says("no-workbook", why=" ".join(str(error).split()))
        raise BadSetting("form.workbook", form.workbook, text) from error
    return reader


def areas_of(form: Form, reader: ExcelReader) -> dict[str, Area]:
    """Find where the names of a form lie, by the name as the template writes it."""
    there: dict[str, list[Area | None]] = {}
    for name, area in _named(reader.wb):
        there.setdefault(name.casefold(), []).append(area)
    found: dict[str, Area] = {}
    taken: dict[tuple[str, int, int], str] = {}
    for key, name, columns in _wanted(form):
        if name.casefold() not in there:
            near = get_close_matches(name.casefold(), there, 1, 0.5)
            wanted = says("no-such-name", workbook=form.workbook)
            if near:
                wanted = says("seen-and-todo", seen=wanted, todo=says("did-you-mean", name=near[0]))
            raise BadSetting(key, name, wanted)
        (area, *more) = there[name.casefold()]
        if area is None or more:
            raise BadSetting(key, name, says("one-place"))
        problem = _problem(area, columns)
        for column in range(area.column, area.column + (columns or 1)):
            other = taken.setdefault((area.sheet.title, area.row, column), name)
            if other != name:
                problem = problem or says("lies-where", other=other)
        if problem:
            raise BadSetting(key, name, problem)
        found[name] = area
    return found


def _wanted(form: Form) -> Iterator[tuple[str, str, int]]:
    """Keys of the template, names, and how many columns each fills; 0 for one cell."""
    for name in form.cells:
        yield f"form.cells.{name}", name, 0
    for own in form.lists:
        yield f"form.rows.{own.name}", own.name, len(own.columns)


def _named(book: Any) -> Iterator[tuple[str, Area | None]]:
    """Every name of a workbook and of its sheets, and every table, which begins below its head."""
    for names in (book.defined_names, *(sheet.defined_names for sheet in book.worksheets)):
        for name, defined in names.items():
            places = [p for p in defined.destinations if p[0] in book.sheetnames]
            yield name, _area(book[places[0][0]], places[0][1]) if len(places) == 1 else None
    for sheet in book.worksheets:
        for table in sheet.tables.values():
            head = 1 if table.headerRowCount is None else table.headerRowCount
            yield table.displayName, _area(sheet, table.ref, head, table.totalsRowCount or 0)


def _area(sheet: Any, cells: str, head: int = 0, foot: int = 0) -> Area | None:
    """Read cells as ``$B$4:$F$20``; None for whole columns or rows, and on a sheet of a chart."""
    from openpyxl.utils.cell import range_boundaries

    bounds = [edge for edge in range_boundaries(cells) if edge is not None]
    if len(bounds) < 4 or not hasattr(sheet, "merged_cells"):
        return None
    left, top, right, bottom = bounds
    return Area(sheet, top + head, left, bottom - foot - top - head + 1, right - left + 1)


def _problem(area: Area, columns: int) -> Statement | None:
    """Why an area cannot be filled; None if it can."""
    if not columns and (area.rows, area.columns) != (1, 1):
        merged = area.sheet.merged_cells.ranges
        own = (area.row, area.column, area.rows, area.columns)
        if own not in [(m.min_row, m.min_col, m.size["rows"], m.size["columns"]) for m in merged]:
            return says("more-than-one-cell")
    if area.columns > 1 and columns > area.columns:
        return says("form-columns", count=area.columns, wanted=columns)
    for row in range(area.row, area.row + (area.rows if columns else 1)):
        for column in range(area.column, area.column + (columns or 1)):
            if text := in_the_way(area.sheet, row, column):
                return text
    return None


def in_the_way(sheet: Worksheet, row: int, column: int) -> Statement | None:
    """What a cell holds that is not written over unasked; None if nothing."""
    from openpyxl.cell.cell import MergedCell

    cell = sheet.cell(row, column)
    if isinstance(cell, MergedCell):
        return says("cell-merged", cell=cell.coordinate)
    return says("cell-formula", cell=cell.coordinate) if cell.data_type == "f" else None
