"""Loss tables of the printed closeout: fibres down, closures across."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg.cable.model import Closure, SpliceRow
from otdravg.closeout.pdf.job import Job, loss_figure
from otdravg.closeout.pdf.paper import BOLD, INK, PALE, PLAIN, QUIET, RULE, Area
from otdravg.quantities import Quantity, reported
from otdravg.tables.losses import Fibre, LossTable
from otdravg.tables.marks import State, sign_of, signs_line, state_of

_MOST_CLOSURES = 18
_FIBRES_ON_A_PAGE = 60
_SIZE = 6.6
_LABELS = (38.0, 34.0, 58.0)  # fibre, ribbon, colour
_U_WIDTH = 36.0


def loss_table(job: Job, table: LossTable) -> None:
    """Print the true losses of one cable at one wavelength."""
    outline: str | None = job.title(table.cable, table.wavelength_nm)
    for start in range(0, len(table.fibres), _FIBRES_ON_A_PAGE):
        on_page = table.fibres[start : start + _FIBRES_ON_A_PAGE]
        for first in range(0, len(table.closures), _MOST_CLOSURES):
            across = table.closures[first : first + _MOST_CLOSURES]
            _page(job, table, across, on_page, outline)
            outline = None


def _page(
    job: Job,
    table: LossTable,
    closures: Sequence[Closure],
    fibres: Sequence[Fibre],
    outline: str | None,
) -> None:
    """Print one page of the table."""
    paper, words = job.paper, job.words
    heading = words["loss_table"].format(wavelength_nm=table.wavelength_nm)
    if len(job.review.cables) > 1:
        heading = f"{table.cable}: {heading}"
    remark = f"{signs_line(words)} {words['table_u_note']}"
    body = paper.page(heading, outline=outline, level=1)
    paper.paragraph(body.left, body.bottom + 9, remark, body.width, size=6.5, colour=QUIET, most=2)
    width = min((body.width - sum(_LABELS) - _U_WIDTH) / len(closures), 62.0)
    right = body.left + sum(_LABELS) + width * len(closures) + _U_WIDTH
    top = body.top + 12  # no remark stands above the table
    paper.box(Area(body.left, top - 24, right - body.left, 24), fill=PALE)
    x = body.left
    for key, own in zip(("fibre", "ribbon", "colour"), _LABELS, strict=True):
        paper.text(x + 3, top - 10, words[key], size=_SIZE, font=BOLD, within=own - 4)
        x += own
    for closure in closures:
        metres = f"{words.decimal(reported(closure.distance_m, Quantity.DISTANCE_M))} m"
        paper.text(
            x + width - 4,
            top - 10,
            closure.name,
            size=_SIZE,
            font=BOLD,
            align="right",
            within=width - 4,
        )
        paper.text(
            x + width - 4, top - 19, metres, size=6, colour=QUIET, align="right", within=width - 2
        )
        x += width
    paper.text(right - 4, top - 10, words["u_largest"], size=_SIZE, font=BOLD, align="right")
    y = top - 32
    step = min(11.0, (y - body.bottom - 18) / max(len(fibres), 30))
    for fibre in fibres:
        _line(job, body.left, y, width, right, table, fibre, closures)
        size = job.review.ribbon_size
        ends = size is not None and fibre.fibre % size == 0
        line = {"width": 0.7} if ends else {"width": 0.2, "colour": RULE}
        paper.line(body.left, y - 2.2, right, y - 2.2, **line)
        y -= step


def _line(
    job: Job,
    left: float,
    y: float,
    width: float,
    right: float,
    table: LossTable,
    fibre: Fibre,
    closures: Sequence[Closure],
) -> None:
    """Print one fibre, shot or not."""
    paper, words = job.paper, job.words
    ribbon = "" if fibre.ribbon is None else str(fibre.ribbon)
    x = left
    for text, own in zip(
        (str(fibre.fibre), ribbon, words.cell("colour", fibre.colour)), _LABELS, strict=True
    ):
        paper.text(x + 3, y, text, size=_SIZE, within=own - 4)
        x += own
    largest: Decimal | None = None
    for closure in closures:
        row = table.row(fibre.fibre, closure)
        if row is None:
            sign = table.sign(fibre.fibre, closure)
            paper.text(x + width - 5, y, sign, size=_SIZE, align="right")
        else:
            _figure(job, x, y, width, row)
            u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
            if u_db is not None:
                largest = u_db if largest is None else max(largest, u_db)
        x += width
    text = words.decimal(largest)
    paper.text(right - 4, y, text, size=_SIZE, colour=QUIET, align="right")


def _figure(job: Job, x: float, y: float, width: float, row: SpliceRow) -> None:
    """Print one true loss with its sign; over the limit bold in a frame."""
    paper = job.paper
    figure = loss_figure(job.words, row.loss_db)
    over = state_of(row) is State.OVER
    if over:
        paper.box(Area(x + width - 38, y - 2.0, 36, 8.0), stroke=INK, width=0.8)
    font = BOLD if over else PLAIN
    # The sign stands in a place of its own, so that the figures line up.
    text = f"{figure} {sign_of(row)}".strip()
    shift = paper.width_of(" !", _SIZE, font)
    x_end = x + width - 5 + (0 if sign_of(row) else -shift)
    paper.text(x_end, y, text, size=_SIZE, font=font, align="right")
