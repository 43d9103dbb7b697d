"""Sheets of a workbook: safe texts, number formats, headings that stay in view, printing."""

from __future__ import annotations

import io
import math
import os
import re
import textwrap
from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timezone
from decimal import Decimal
from typing import Any
from unicodedata import east_asian_width

from xlsxwriter import Workbook
from xlsxwriter.exceptions import FileCreateError
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from otdravg.system.printable import printable
from otdravg.tables.csv_file import Cell, worded
from otdravg.words.headings import Words

#: A cell of the format holds no more (ECMA-376 leaves it open, spreadsheets do not).
_LONGEST_TEXT = 32_000
_SHEET_NAME_LENGTH = 31
_PERCENT = re.compile(r"(\d+(?:\.(\d))?) %")
#: Columns whose texts are shares such as "12 %": numbers in a workbook.
_SHARES = frozenset({"single_fibre_failure_rate", "chance_all_pass"})

#: Columns whose texts run over several lines.
_LONG_TEXT_WIDTH = {
    "reason": 44,
    "evidence": 60,
    "what_to_do": 44,
    "choice": 70,
    "because": 44,
    "failing": 44,
    "files": 40,
    "remark": 40,
    "decided_by": 36,
    "missing_because": 36,
    "decision": 36,
    "findings": 30,
    "what_stands_out": 60,
    "where_to_look": 44,
}
#: A line of text and the highest row that the format has, points; letters in the width of a digit,
#: which columns are measured in (read off LibreOffice: 1.3 in bold headings, 1.7 in texts).
_LINE_PT, _HIGHEST_PT, _LETTERS_PER_DIGIT = 13.5, 409.0, 1.25
#: Width that one page shows legibly, in characters.
_PAGE_WIDTH = 190
_WIDTHS = {"sha256": 66, "points_sha256": 66, "taken": 19}
#: Rows looked at for the width of a column.
_ROWS_FOR_WIDTH = 300


class Book:
    """A workbook with its formats, each made once."""

    def __init__(self, path: str, words: Words, *, title: str, author: str, made_at: datetime):
        self.words = words
        self.title = title
        # Packed in memory: when the disk is full, the library's archive can still be ended. Its
        # sheets go through files beside the target all the same.
        self._path, self._packed = path, io.BytesIO()
        self._book = Workbook(
            self._packed,
            {
                "constant_memory": True,
                "tmpdir": os.path.dirname(path),
                "strings_to_formulas": False,
                "strings_to_numbers": False,
                "strings_to_urls": False,
            },
        )
        created = made_at.astimezone(timezone.utc).replace(tzinfo=None)
        self._book.set_properties(
            {"title": printable(title), "author": printable(author), "created": created}
        )
        self._formats: dict[tuple[tuple[str, Any], ...], Format] = {}
        self._sheet_names: set[str] = set()

    def close(self) -> None:
        """Write the file."""
        try:
            self._book.close()
        except FileCreateError as error:
            # What the system said, without the library's frames: they hold an archive, which
            # the collector would else end when its bytes are gone, and complain.
            cause: OSError = error.args[0]
            raise cause.with_traceback(None) from None
        with open(self._path, "wb") as stream:
            stream.write(self._packed.getbuffer())

    def form(self, **properties: Any) -> Format:
        """Return the format with these properties."""
        key = tuple(sorted(properties.items()))
        if key not in self._formats:
            base = {"font_name": "Arial", "font_size": 9, "valign": "top"}
            self._formats[key] = self._book.add_format(base | properties)
        return self._formats[key]

    def heading(self, align: str = "left") -> Format:
        """Return the format of a table's headings."""
        indent = 1 if align == "left" else 0
        return self.form(
            bold=True, text_wrap=True, bg_color="#E4E7EA", bottom=1, align=align, indent=indent
        )

    def number(self, cell: Decimal, sign: str | None = None, **properties: Any) -> Format:
        """Return the format that shows a figure with the decimals that it has.

        ``sign`` stands behind the figure as part of the format, so that the cell stays a
        number; an empty one leaves the room for it.
        """
        exponent = cell.as_tuple().exponent
        places = max(-exponent, 0) if isinstance(exponent, int) else 0
        pattern = "0." + "0" * places if places else "0"
        if sign is not None:
            pattern += f'" {sign or " "}"'
        return self.form(num_format=pattern, **properties)

    def sheet(self, name: str, *, landscape: bool = True) -> Worksheet:
        """Add a sheet, with paper and footer set."""
        sheet = self._book.add_worksheet(self._free_name(name))
        if landscape:
            sheet.set_landscape()
        sheet.set_paper(9)  # A4
        sheet.set_margins(left=0.4, right=0.4, top=0.6, bottom=0.6)
        sheet.fit_to_pages(1, 0)
        page = self.words["page_of"].format(page="&P", pages="&N")
        left = printable(self.title).replace("&", "&&")[:120]
        sheet.set_footer(f"&L&8 {left}&C&8&A&R&8{page}")
        return sheet

    def _free_name(self, name: str) -> str:
        """Make a name that a sheet can have and no other has."""
        plain = re.sub(r"[\[\]:*?/\\]", "_", printable(name)).strip("'")[:_SHEET_NAME_LENGTH]
        candidate, number = plain or "_", 1
        while candidate.casefold() in self._sheet_names:
            number += 1
            tail = f" {number}"
            candidate = plain[: _SHEET_NAME_LENGTH - len(tail)] + tail
        self._sheet_names.add(candidate.casefold())
        return candidate


def put(sheet: Worksheet, row: int, column: int, value: Cell | float, form: Format) -> None:
    """Write a figure as a figure, a text as a text whatever it begins with, else the look alone."""
    if value is None or value == "":
        sheet.write_blank(row, column, None, form)
    elif isinstance(value, str):
        sheet.write_string(row, column, cell_text(value), form)
    elif isinstance(value, datetime):
        when = value.astimezone(timezone.utc).replace(tzinfo=None)
        sheet.write_datetime(row, column, when, form)
    else:
        sheet.write_number(row, column, float(value), form)


def cell_text(text: str) -> str:
    """Make a text safe for a cell; what is too long for one ends in "…"."""
    safe = printable(text)
    return safe if len(safe) <= _LONGEST_TEXT else safe[:_LONGEST_TEXT] + "…"


def write_cell(
    book: Book, sheet: Worksheet, row: int, column: int, key: str, cell: Cell, **look: Any
) -> None:
    """Write one cell: numbers as numbers, texts as texts and never as formulas."""
    cell = worded(key, cell, book.words)
    value: Cell | float = cell
    if cell is None or cell == "":
        if not look:
            return
        form = book.form(**look)
    elif isinstance(cell, Decimal):
        form = book.number(cell, **look)
    elif isinstance(cell, int):
        form = book.form(num_format="0", **look)
    elif isinstance(cell, datetime):
        form = book.form(num_format="yyyy-mm-dd hh:mm:ss", **look)
    elif key == "chance_of_luck" and not cell.startswith("<"):
        value, form = float(cell), book.form(num_format="0.0E+0", **look)
    elif key in _SHARES and (share := _PERCENT.fullmatch(cell)):
        shown = "0.0 %" if share[2] else "0 %"
        value, form = Decimal(share[1]) / 100, book.form(num_format=shown, **look)
    else:
        wrapped: dict[str, Any] = {"text_wrap": True} if key in _LONG_TEXT_WIDTH else {}
        if "align" not in look:
            wrapped |= {"align": "left", "indent": 1}  # off the figure in the column before
        form = book.form(**wrapped, **look)
    put(sheet, row, column, value, form)


def make_room(sheet: Worksheet, row: int, texts: Iterable[tuple[str, float]]) -> None:
    """Make a row as high as its texts, wrapped to their widths in characters.

    Not every program does that by itself. To be called before the row is written.
    """
    lines = 1
    for text, width in texts:
        room = int(_LETTERS_PER_DIGIT * width)
        broad = "".join(sign * (1 + (east_asian_width(sign) in "WF")) for sign in text)
        if len(broad) > room:
            lines = max(lines, len(textwrap.wrap(broad, room)))
    if lines > 1:
        sheet.set_row(row, min(lines * _LINE_PT, _HIGHEST_PT))


def write_list(
    book: Book,
    sheet: Worksheet,
    names: Sequence[str],
    rows: Sequence[Sequence[Cell]],
    *,
    frozen_columns: int = 0,
    bold: Collection[int] = (),
    empty: str = "",
) -> None:
    """Write a table with headings in view, a filter, widths and printing set.

    Parameters
    ----------
    names : sequence of str
        Keys of the columns; their headings are taken from the book's words.
    rows : sequence of sequences
    frozen_columns : int
        Columns that stay in view.
    bold : collection of int
        Numbers of the rows that stand out.
    empty : str
        What to say where there is no row.
    """
    widths = []
    for column, key in enumerate(names):
        cells = [row[column] for row in rows[:_ROWS_FOR_WIDTH]]
        widths.append(_width(book, key, cells))
        sheet.set_column(column, column, widths[-1])
    headings = [cell_text(book.words.heading(key)) for key in names]
    make_room(sheet, 0, zip(headings, widths, strict=True))
    for column, heading in enumerate(headings):
        cells = [row[column] for row in rows[:_ROWS_FOR_WIDTH]]
        is_figure = any(isinstance(cell, int | Decimal) for cell in cells)
        form = book.heading("right" if is_figure else "left")
        put(sheet, 0, column, heading, form)
    for number, row in enumerate(rows, start=1):
        look = {"bold": True} if number - 1 in bold else {}
        wrapped = (n for n, key in enumerate(names) if key in _LONG_TEXT_WIDTH and row[n])
        make_room(sheet, number, ((cell_text(str(row[n])), widths[n]) for n in wrapped))
        for column, (key, cell) in enumerate(zip(names, row, strict=True)):
            write_cell(book, sheet, number, column, key, cell, **look)
    if not rows and empty:
        put(sheet, 1, 0, empty, book.form(italic=True))
    last = max(len(rows), 1)
    sheet.freeze_panes(1, frozen_columns)
    sheet.autofilter(0, 0, last, len(names) - 1)
    sheet.fit_to_pages(math.ceil(sum(widths) / _PAGE_WIDTH), 0)
    sheet.repeat_rows(0)
    if frozen_columns:
        sheet.repeat_columns(0, frozen_columns - 1)
    sheet.print_area(0, 0, last, len(names) - 1)


def _width(book: Book, key: str, cells: Sequence[Cell]) -> float:
    if key in _LONG_TEXT_WIDTH:
        return _LONG_TEXT_WIDTH[key]
    if key in _WIDTHS:
        return _WIDTHS[key]
    longest_word = max((len(word) for word in book.words.heading(key).split()), default=0)
    longest = max((len(str(cell)) for cell in cells if cell is not None), default=0)
    return min(max(longest_word + 3, longest + 2, 7), 44)
