"""What every part of the printed closeout works with: paper, review, pictures, words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from otdravg.cable.model import CableReview, FibreKey, SpliceRow
from otdravg.closeout.pdf.paper import (
    BOLD,
    INK,
    PALE,
    PLAIN,
    QUIET,
    RULE,
    Align,
    Area,
    Paper,
)
from otdravg.closeout.sketches import PairSketch
from otdravg.quantities import Quantity, reported
from otdravg.tables.losses import LossTable
from otdravg.words.headings import Words


@dataclass(frozen=True, slots=True)
class Job:
    """One closeout on its way to paper."""

    paper: Paper
    review: CableReview
    pairs: Mapping[tuple[FibreKey, int], PairSketch]
    words: Words
    losses: Sequence[LossTable]

    def rows_of(self, cable: str, wavelength_nm: int) -> list[SpliceRow]:
        """Splices of one cable at one wavelength."""
        return [
            row
            for row in self.review.rows
            if row.cable == cable and row.wavelength_nm == wavelength_nm
        ]

    def pair_of(self, row: SpliceRow) -> PairSketch | None:
        """Both shots of a splice; None if they could not be drawn."""
        return self.pairs.get((row.key, row.wavelength_nm))

    def closure(self, cable: str, number: int, *, is_named: bool = True) -> str:
        """Where a closure is: its name, the distance from A, the marks on its sheaths."""
        words = self.words
        (own,) = (c for c in self.review.closures if (c.cable, c.number) == (cable, number))
        metres = words.decimal(reported(own.distance_m, Quantity.DISTANCE_M))
        place = words["at_distance"].format(closure=own.name, distance_m=metres)
        marks = [
            f"{words[key]} {mark.text}"
            for key, mark in (("mark_in", own.mark_in), ("mark_out", own.mark_out))
            if mark is not None
        ]
        return ", ".join([*([cable] if is_named and cable else []), place, *marks])

    def title(self, cable: str, wavelength_nm: int) -> str:
        """Name of a cable and a wavelength; the cable only where there are several."""
        several = len(self.review.cables) > 1
        return f"{cable}, {wavelength_nm} nm" if several else f"{wavelength_nm} nm"


def loss_figure(words: Words, value_db: float | Decimal | None) -> str:
    """Write a loss as every output reports it."""
    known = None if value_db is None else float(value_db)
    return words.decimal(reported(known, Quantity.LOSS_DB))


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a printed table; ``share`` of the width that is left by the others."""

    heading: str
    share: float
    align: Align = "left"


_SIZE = 7.0
_LEADING = 9.2
_PAD = 4.0
#: Room that a table needs to begin below another one: headings and a few rows.
_LEAST_BELOW = 130.0


def print_table(
    paper: Paper,
    heading: str,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    remark: str = "",
    outline: str | None = None,
) -> None:
    """Print a table over as many pages as it takes; cells wrap, headings repeat.

    Parameters
    ----------
    heading, remark : str
        Above the table, on each of its pages.
    columns : sequence of Column
    rows : sequence of sequence of str
        Texts, one per column.
    outline : str, optional
        Entry in the outline for the first page.
    """
    filled = [n for n in range(len(columns)) if not rows or any(row[n] for row in rows)]
    columns = [columns[n] for n in filled]  # a column that says nothing is not printed
    rows = [[row[n] for n in filled] for row in rows]
    body = paper.body
    widths = _widths(paper, columns)
    edge = paper.free_below
    if edge is not None and edge - _LEAST_BELOW > body.bottom:
        below = paper.section(edge, heading, remark, outline)
        y = _head(paper, below, columns, widths)
    else:
        y = _begin(paper, heading, remark, outline, columns, widths)
    for row in rows:
        cells = [
            paper.wrapped(text, width - 2 * _PAD, _SIZE) or [""]
            for text, width in zip(row, widths, strict=True)
        ]
        count = max(map(len, cells))
        if y - count * _LEADING - 2.4 < body.bottom:
            y = _begin(paper, heading, remark, None, columns, widths)
        first = 0
        while first < count:  # more than once only for a row that is higher than a page
            if first:
                y = _begin(paper, heading, remark, None, columns, widths)
            room = max(1, int((y - 3 - body.bottom) / _LEADING))
            left = body.left
            for lines, column, width in zip(cells, columns, widths, strict=True):
                for index, line in enumerate(lines[first : first + room]):
                    _cell(paper, left, y - index * _LEADING, line, column.align, width)
                left += width
            y -= min(room, count - first) * _LEADING + 2.4
            first += room
        paper.line(body.left, y + 7.4, body.right, y + 7.4, width=0.3, colour=RULE)
    paper.free_below = y


def _widths(paper: Paper, columns: Sequence[Column]) -> list[float]:
    """Share the width; no word of a heading is broken as long as there is room elsewhere."""
    total = sum(column.share for column in columns)
    shared = [paper.body.width * column.share / total for column in columns]
    least = [
        2 * _PAD + max(paper.width_of(word, _SIZE, BOLD) for word in column.heading.split())
        for column in columns
    ]
    spare = [max(own - low, 0.0) for own, low in zip(shared, least, strict=True)]
    lacking = sum(max(low - own, 0.0) for own, low in zip(shared, least, strict=True))
    if lacking > sum(spare):
        return shared
    given = lacking / sum(spare) if lacking else 0.0
    return [
        max(own, low) - more * given for own, low, more in zip(shared, least, spare, strict=True)
    ]


def _begin(
    paper: Paper,
    heading: str,
    remark: str,
    outline: str | None,
    columns: Sequence[Column],
    widths: Sequence[float],
) -> float:
    """Begin a page of a table; return the base line of its first row."""
    body = paper.page(heading, remark, outline=outline)
    return _head(paper, body.top, columns, widths)


def _head(paper: Paper, top: float, columns: Sequence[Column], widths: Sequence[float]) -> float:
    """Print the headings of a table; return the base line of its first row."""
    body = paper.body
    headings = [
        paper.wrapped(column.heading, width - 2 * _PAD, _SIZE, BOLD)
        for column, width in zip(columns, widths, strict=True)
    ]
    height = max(map(len, headings)) * _LEADING + 5
    paper.box(Area(body.left, top - height, body.width, height), fill=PALE)
    left = body.left
    for lines, column, width in zip(headings, columns, widths, strict=True):
        for index, line in enumerate(lines):
            y = top - 9 - index * _LEADING
            _cell(paper, left, y, line, column.align, width, font=BOLD)
        left += width
    return top - height - 10


def _cell(
    paper: Paper,
    left: float,
    y: float,
    text: str,
    align: Align,
    width: float,
    *,
    font: str = PLAIN,
) -> None:
    x = {"left": left + _PAD, "right": left + width - _PAD, "centre": left + width / 2}[align]
    paper.text(x, y, text, size=_SIZE, font=font, align=align, colour=INK if text else QUIET)
