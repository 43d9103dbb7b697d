"""Loss tables of the workbook: fibres down, closures across, one sheet per wavelength."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from xlsxwriter.worksheet import Worksheet

from otdravg.cable.model import CableReview, SpliceRow
from otdravg.closeout.xlsx.book import Book, cell_text, make_room, put
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import worded
from otdravg.tables.losses import Fibre, LossTable, loss_tables
from otdravg.tables.marks import CLOSE, Mark, legend, sign_of
from otdravg.tables.summary import figures_of

_GRID = {"border": 1, "border_color": "#C8CCD0"}
_FRAME = {"border": 2, "border_color": "#1D2329"}
_NO_SPLICE = {"bg_color": "#ECECEC", **_GRID}
#: How a cell looks in each state: the row has been judged, and nothing is compared here.
_LOOKS: Mapping[Mark, Mapping[str, Any]] = {
    Mark.QUARTER: {"bg_color": "#F1F4F7", **_GRID},
    Mark.HALF: {"bg_color": "#D6E0E9", **_GRID},
    Mark.MOST: {"bg_color": "#AEC3D4", **_GRID},
    Mark.FULL: {"bg_color": "#88A6BE", **_GRID},
    Mark.PLAIN: _GRID,
    Mark.OVER: {"bg_color": "#1D2329", "font_color": "#FFFFFF", "bold": True, **_FRAME},
    Mark.LOOK: _FRAME,
    Mark.ONE_WAY: {"bg_color": "#F6E3B9", **_GRID},
    Mark.BLANK: _GRID,
    Mark.MISSING: _GRID,
}
#: Marks of cells that hold a figure; the others hold a sign alone.
_WITH_FIGURE = frozenset(Mark) - {Mark.ONE_WAY, Mark.BLANK, Mark.MISSING}

#: Width of the column of a closure, characters.
_CLOSURE_WIDTH = 11
_TITLE, _LIMIT, _DISTANCE, _HEADING, _FIRST = range(5)
_KEYS = ("ribbon", "position", "colour", "fibre")


def write_loss_sheets(book: Book, review: CableReview) -> None:
    """Add one sheet for every cable and wavelength."""
    several = len(review.cables) > 1
    for table in loss_tables(review):
        name = book.words["sheet_losses"].format(wavelength_nm=table.wavelength_nm)
        _write(book, book.sheet(f"{name} {table.cable}" if several else name), table)


def _limits(table: LossTable) -> list[Decimal]:
    """The limits that judged the splices of a table, the most frequent first."""
    limits = Counter(row.verdict.limit_db for row in table.rows.values())
    return [limit for limit, _ in limits.most_common() if limit is not None]


def _write(book: Book, sheet: Worksheet, table: LossTable) -> None:
    words, first = book.words, len(_KEYS)
    last_column = first + len(table.closures) - 1
    last_row = _FIRST + len(table.fibres) - 1
    legend_column = last_column + 2
    sheet.set_column(0, first - 1, 9)
    sheet.set_column(first, max(last_column, first), _CLOSURE_WIDTH)
    sheet.set_column(last_column + 1, last_column + 1, 3)
    sheet.set_column(legend_column, legend_column, 9)
    sheet.set_column(legend_column + 1, legend_column + 1, 44)
    title = words.loss_table_title(table.cable, table.wavelength_nm)
    put(sheet, _TITLE, 0, title, book.form(bold=True, font_size=12))
    put(sheet, _LIMIT, 0, words.heading("limit_db"), book.form(bold=True))
    limits = _limits(table)
    for column, limit_db in enumerate(limits, start=1):
        put(sheet, _LIMIT, column, limit_db, book.number(limit_db, bold=True))
    put(sheet, _DISTANCE, 0, words.heading("distance_m"), book.form(italic=True))
    for column, closure in enumerate(table.closures, start=first):
        distance = reported(closure.distance_m, Quantity.DISTANCE_M)
        if distance is not None:
            put(sheet, _DISTANCE, column, distance, book.number(distance, italic=True))
    names = [cell_text(f"{words['closure']} {closure.name}") for closure in table.closures]
    make_room(sheet, _HEADING, ((name, _CLOSURE_WIDTH) for name in names))
    for column, key in enumerate(_KEYS):
        align = "left" if key == "colour" else "center"
        put(sheet, _HEADING, column, words.heading(key), book.heading(align))
    for column, name in enumerate(names, start=first):
        put(sheet, _HEADING, column, name, book.heading("right"))
    entries = dict(enumerate(_legend(book, is_judged=bool(limits)), start=_HEADING))
    _write_legend(book, sheet, entries.get(_HEADING), _HEADING, legend_column)
    totals = dict(enumerate(_totals(table), start=last_row + 2))
    bottom = max(*entries, *totals)
    # Row by row: in this mode a row that has been left is written and gone.
    for row in range(_FIRST, bottom + 1):
        if row <= last_row:
            _write_fibre(book, sheet, row, table.fibres[row - _FIRST], table)
        _write_total(book, sheet, row, totals.get(row))
        _write_legend(book, sheet, entries.get(row), row, legend_column)
    sheet.freeze_panes(_FIRST, first)
    if table.fibres:
        sheet.autofilter(_HEADING, 0, last_row, max(last_column, first - 1))
    sheet.repeat_rows(_TITLE, _HEADING)
    sheet.print_area(0, 0, bottom, legend_column + 1)


def _write_fibre(book: Book, sheet: Worksheet, row: int, fibre: Fibre, table: LossTable) -> None:
    # A heavier line between ribbons.
    new_ribbon = fibre.ribbon is not None and fibre.position == 1 and row > _FIRST
    line = {"top": 1} if new_ribbon else {}
    for column, key in enumerate(_KEYS):
        value = worded(key, getattr(fibre, key), book.words)
        figure = {"num_format": "0", "align": "center"} if isinstance(value, int) else {}
        put(sheet, row, column, value, book.form(**figure, **line))
    for column, closure in enumerate(table.closures, start=len(_KEYS)):
        splice, mark = table.row(fibre.fibre, closure), table.mark(fibre.fibre, closure)
        loss_db = None if splice is None else reported(splice.loss_db, Quantity.LOSS_DB)
        if mark is None:
            put(sheet, row, column, None, book.form(**_NO_SPLICE))
        elif splice is None or loss_db is None:
            sign = table.sign(fibre.fibre, closure)
            put(sheet, row, column, sign, book.form(align="center", **_LOOKS[mark]))
        else:  # the format says what its row was judged, in fill, sign and line
            near = {"italic": True} if splice.verdict.near_limit else {}
            form = book.number(loss_db, sign=sign_of(splice), **_LOOKS[mark], **near)
            put(sheet, row, column, loss_db, form)


Legend = tuple[Decimal | str | None, Any, str]  # sample, its format, what it means


def _legend(book: Book, *, is_judged: bool) -> list[Legend]:
    words, sample = book.words, Decimal("0.123")
    entries: list[Legend] = [(None, None, words["legend"])]
    for mark, sign, text in legend(words, shares=is_judged):
        look = {**_LOOKS[mark], **({"italic": True} if sign == CLOSE[1] else {})}
        entries.append((sample, book.number(sample, sign=sign, **look), text)
                       if mark in _WITH_FIGURE else
                       (sign, book.form(align="center", **look), text))  # fmt: skip
    entries.append((None, book.form(**_NO_SPLICE), words["legend_no_splice"]))
    return entries


def _write_legend(
    book: Book, sheet: Worksheet, entry: Legend | None, row: int, column: int
) -> None:
    if entry is None:
        return
    figure, form, text = entry
    if form is not None:
        put(sheet, row, column, figure, form)
    put(sheet, row, column + 1, text, book.form(bold=form is None))


Total = tuple[str, list[Decimal | None]]  # key of the label, a figure for every closure


def _totals(table: LossTable) -> list[Total]:
    """Count, mean and largest loss of every closure."""
    by_closure: dict[int, list[SpliceRow]] = {c.number: [] for c in table.closures}
    for (_, number), row in table.rows.items():
        by_closure.setdefault(number, []).append(row)
    figures = [figures_of(by_closure[closure.number]) for closure in table.closures]
    return [
        ("number_measured", [Decimal(own.measured) for own in figures]),
        ("mean", [own.mean_db for own in figures]),
        ("largest", [own.largest_db for own in figures]),
    ]


def _write_total(book: Book, sheet: Worksheet, row: int, total: Total | None) -> None:
    if total is None:
        return
    label, figures = total
    put(sheet, row, 0, book.words[label], book.form(bold=True))
    for column, figure in enumerate(figures, start=len(_KEYS)):
        if figure is not None:
            put(sheet, row, column, figure, book.number(figure, bold=True))
