"""Loss tables of the workbook: fibres down, closures across, one sheet per wavelength."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from xlsxwriter.worksheet import Worksheet

from otdravg.cable.model import CableReview, Closure, SpliceRow
from otdravg.closeout.xlsx.book import Book, cell_text
from otdravg.quantities import Quantity, reported
from otdravg.tables.marks import Mark, mark_of, sign_of
from otdravg.tables.summary import figures_of

__all__ = ["write_loss_sheets"]

_TONES = {
    Mark.QUARTER: "#F1F4F7",
    Mark.HALF: "#D6E0E9",
    Mark.MOST: "#AEC3D4",
    Mark.FULL: "#88A6BE",
}
_SHARES = ((Mark.QUARTER, "0.25"), (Mark.HALF, "0.5"), (Mark.MOST, "0.75"), (Mark.FULL, "1"))
_OVER = {"bg_color": "#1D2329", "font_color": "#FFFFFF", "bold": True}
_NO_SPLICE = {"bg_color": "#ECECEC", "border": 1, "border_color": "#C8CCD0"}
#: Crossed out, so that a copier keeps it apart from a grey cell.
_NOT_MEASURED = {
    "diag_type": 3,
    "diag_border": 1,
    "diag_color": "#6A7076",
    "border": 1,
    "border_color": "#C8CCD0",
}
_GRID = {"border": 1, "border_color": "#C8CCD0"}
_LOOK = {"border": 2, "border_color": "#1D2329"}

_TITLE, _LIMIT, _DISTANCE, _HEADING, _FIRST = range(5)
_KEYS = ("ribbon", "position", "colour", "fibre")


@dataclass(frozen=True, slots=True)
class _Table:
    """One cable at one wavelength."""

    cable: str
    wavelength_nm: int
    closures: Sequence[Closure]
    fibres: Sequence[SpliceRow]  # one row of each fibre, for its place in the cable
    rows: dict[tuple[int, int], SpliceRow]  # by fibre and number of the closure
    limit_db: Decimal | None  # most frequent among its splices


def write_loss_sheets(book: Book, review: CableReview) -> None:
    """Add one sheet for every cable and wavelength."""
    several = len(review.cables) > 1
    groups: dict[tuple[str, int], list[SpliceRow]] = defaultdict(list)
    for row in review.rows:
        groups[row.cable, row.wavelength_nm].append(row)
    for (cable, nm), rows in sorted(groups.items()):
        table = _table(cable, nm, rows, [c for c in review.closures if c.cable == cable])
        name = book.words["sheet_losses"].format(wavelength_nm=nm)
        _write(book, book.sheet(f"{name} {cable}" if several else name), table)


def _table(
    cable: str, wavelength_nm: int, rows: Sequence[SpliceRow], closures: Sequence[Closure]
) -> _Table:
    limits = Counter(r.verdict.limit_db for r in rows if r.verdict.limit_db is not None)
    return _Table(
        cable,
        wavelength_nm,
        sorted(closures, key=lambda closure: closure.number),
        sorted({row.fibre: row for row in rows}.values(), key=lambda row: row.fibre),
        {(r.fibre, r.closure_number): r for r in rows if r.closure_number is not None},
        limits.most_common(1)[0][0] if limits else None,
    )


def _write(book: Book, sheet: Worksheet, table: _Table) -> None:
    words, first = book.words, len(_KEYS)
    last_column = first + len(table.closures) - 1
    last_row = _FIRST + len(table.fibres) - 1
    legend_column = last_column + 2
    sheet.set_column(0, first - 1, 9)
    sheet.set_column(first, max(last_column, first), 11)
    sheet.set_column(last_column + 1, last_column + 1, 3)
    sheet.set_column(legend_column, legend_column, 9)
    sheet.set_column(legend_column + 1, legend_column + 1, 44)
    title = words.loss_table_title(table.cable, table.wavelength_nm)
    title_form = book.form(bold=True, font_size=12)
    sheet.write_string(_TITLE, 0, cell_text(title), title_form)
    sheet.write_string(_LIMIT, 0, words.heading("limit_db"), book.form(bold=True))
    if table.limit_db is not None:
        sheet.write_number(_LIMIT, 1, float(table.limit_db), book.number(table.limit_db, bold=True))
    sheet.write_string(_DISTANCE, 0, words.heading("distance_m"), book.form(italic=True))
    for column, closure in enumerate(table.closures, start=first):
        distance = reported(closure.distance_m, Quantity.DISTANCE_M)
        if distance is not None:
            sheet.write_number(
                _DISTANCE, column, float(distance), book.number(distance, italic=True)
            )
    for column, key in enumerate(_KEYS):
        align = "left" if key == "colour" else "center"
        sheet.write_string(_HEADING, column, words.heading(key), book.heading(align))
    for column, closure in enumerate(table.closures, start=first):
        name = f"{words['closure']} {closure.name}"
        sheet.write_string(_HEADING, column, cell_text(name), book.heading("right"))
    legend = dict(enumerate(_legend(book, table.limit_db), start=_HEADING))
    _write_legend(book, sheet, legend.get(_HEADING), _HEADING, legend_column)
    totals = dict(enumerate(_totals(table), start=last_row + 2))
    bottom = max(*legend, *totals)
    # Row by row: in this mode a row that has been left is written and gone.
    for row in range(_FIRST, bottom + 1):
        if row <= last_row:
            _write_fibre(book, sheet, row, table.fibres[row - _FIRST], table)
        _write_total(book, sheet, row, totals.get(row))
        _write_legend(book, sheet, legend.get(row), row, legend_column)
    if table.limit_db is not None and table.closures and table.fibres:
        _add_fill(book, sheet, (_FIRST, first, last_row, last_column))
    sheet.freeze_panes(_FIRST, first)
    if table.fibres:
        sheet.autofilter(_HEADING, 0, last_row, max(last_column, first - 1))
    sheet.repeat_rows(_TITLE, _HEADING)
    sheet.print_area(0, 0, bottom, legend_column + 1)


def _write_fibre(book: Book, sheet: Worksheet, row: int, fibre: SpliceRow, table: _Table) -> None:
    # A heavier line between ribbons.
    new_ribbon = fibre.ribbon is not None and fibre.position == 1 and row > _FIRST
    line = {"top": 1} if new_ribbon else {}
    for column, key in enumerate(_KEYS):
        value = getattr(fibre, key)
        if isinstance(value, int):
            form = book.form(num_format="0", align="center", **line)
            sheet.write_number(row, column, value, form)
        elif value:
            sheet.write_string(row, column, book.words.cell(key, value), book.form(**line))
        else:
            sheet.write_blank(row, column, None, book.form(**line))
    for column, closure in enumerate(table.closures, start=len(_KEYS)):
        splice = table.rows.get((fibre.fibre, closure.number))
        loss_db = None if splice is None else reported(splice.loss_db, Quantity.LOSS_DB)
        if splice is None:
            sheet.write_blank(row, column, None, book.form(**_NO_SPLICE))
        elif loss_db is None:
            sheet.write_blank(row, column, None, book.form(**_NOT_MEASURED))
        else:
            sheet.write_number(row, column, float(loss_db), _form_of(book, splice, loss_db))


def _form_of(book: Book, splice: SpliceRow, loss_db: Decimal) -> Any:
    """Return the format of a splice's figure: what its verdict says, in signs and lines."""
    mark, sign = mark_of(splice), sign_of(splice)
    look: dict[str, Any] = dict(_LOOK if mark in (Mark.OVER, Mark.LOOK) else _GRID)
    if mark is Mark.OVER:
        look["bold"] = True
    if splice.verdict.near_limit:
        look["italic"] = True
    return book.number(loss_db, sign=sign, **look)


def _add_fill(book: Book, sheet: Worksheet, area: tuple[int, int, int, int]) -> None:
    """Fill by share of the limit that stands at the top: change it there and the fill follows."""
    corner = _cell_name(area[0], area[1])
    limit = f"$B${_LIMIT + 1}"
    sheet.conditional_format(*area, _rule(f"ISBLANK({corner})", None))
    sheet.conditional_format(*area, _rule(f"{corner}>{limit}", book.form(**_OVER)))
    for mark, share in _SHARES:
        form = book.form(bg_color=_TONES[mark])
        sheet.conditional_format(*area, _rule(f"{corner}<={share}*{limit}", form))


def _rule(condition: str, form: Any) -> dict[str, Any]:
    own = {"type": "formula", "criteria": f"={condition}", "stop_if_true": True}
    return own if form is None else own | {"format": form}


def _cell_name(row: int, column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return f"{letters}{row + 1}"


Legend = tuple[Decimal | None, Any, str]  # sample figure, its format, what it means


def _legend(book: Book, limit_db: Decimal | None) -> list[Legend]:
    words, sample = book.words, Decimal("0.123")
    entries: list[Legend] = [(None, None, words["legend"])]
    if limit_db is not None:
        entries += [
            (None, book.form(bg_color=_TONES[mark], **_GRID), words["legend_share"].format(
                percent=int(Decimal(share) * 100)))
            for mark, share in _SHARES
        ]  # fmt: skip
    over = book.number(sample, sign="!", **_LOOK, **_OVER)
    entries.append((sample, over, words["legend_over"]))
    near = book.number(sample, sign="?", italic=True, **_GRID)
    entries.append((sample, near, words["legend_close"]))
    entries.append((sample, book.number(sample, sign="*", **_LOOK), words["legend_doubt"]))
    entries.append((None, book.form(**_NOT_MEASURED), words["legend_missing"]))
    entries.append((None, book.form(**_NO_SPLICE), words["legend_no_splice"]))
    return entries


def _write_legend(
    book: Book, sheet: Worksheet, entry: Legend | None, row: int, column: int
) -> None:
    if entry is None:
        return
    figure, form, text = entry
    if figure is not None:
        sheet.write_number(row, column, float(figure), form)
    elif form is not None:
        sheet.write_blank(row, column, None, form)
    sheet.write_string(row, column + 1, text, book.form(bold=form is None))


Total = tuple[str, list[Decimal | None]]  # key of the label, a figure for every closure


def _totals(table: _Table) -> list[Total]:
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
    sheet.write_string(row, 0, book.words[label], book.form(bold=True))
    for column, figure in enumerate(figures, start=len(_KEYS)):
        if figure is not None:
            sheet.write_number(row, column, float(figure), book.number(figure, bold=True))
