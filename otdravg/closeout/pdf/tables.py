"""Loss tables of the printed closeout: fibres down, closures across."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg.cable.model import Closure, SpliceRow
from otdravg.closeout.pdf.job import Job, loss_figure
from otdravg.closeout.pdf.paper import BOLD, INK, PALE, PLAIN, QUIET, RULE, Area
from otdravg.quantities import Quantity, reported
from otdravg.tables.marks import Mark, mark_of, sign_of

__all__ = ["loss_table"]

_MOST_CLOSURES = 18
_FIBRES_ON_A_PAGE = 36
_SIZE = 7.0
_LABELS = (38.0, 34.0, 58.0)  # fibre, ribbon, colour
_U_WIDTH = 36.0


def loss_table(job: Job, cable: str, wavelength_nm: int, *, level: int) -> None:
    """Print the true losses of one cable at one wavelength."""
    rows = job.rows_of(cable, wavelength_nm)
    closures = [closure for closure in job.review.closures if closure.cable == cable]
    if not closures:
        return
    cells = {(r.fibre, r.closure_number): r for r in rows if r.closure_number is not None}
    fibres = sorted({row.fibre for row in rows})
    outline: str | None = job.title(cable, wavelength_nm)
    for start in range(0, len(fibres), _FIBRES_ON_A_PAGE):
        on_page = fibres[start : start + _FIBRES_ON_A_PAGE]
        for first in range(0, len(closures), _MOST_CLOSURES):
            across = closures[first : first + _MOST_CLOSURES]
            _page(job, cable, wavelength_nm, across, on_page, cells, outline, level)
            outline = None


def _page(
    job: Job,
    cable: str,
    wavelength_nm: int,
    closures: Sequence[Closure],
    fibres: Sequence[int],
    cells: dict[tuple[int, int], SpliceRow],
    outline: str | None,
    level: int,
) -> None:
    """Print one page of the table."""
    paper, words = job.paper, job.words
    heading = words["loss_table"].format(wavelength_nm=wavelength_nm)
    if len(job.review.cables) > 1:
        heading = f"{cable}: {heading}"
    signs = "; ".join(words[key] for key in ("legend_over", "legend_close", "legend_doubt"))
    remark = f"{signs}; –: {words['legend_missing']}. {words['table_u_note']}"
    body = paper.page(heading, remark, outline=outline, level=level)
    width = min((body.width - sum(_LABELS) - _U_WIDTH) / len(closures), 62.0)
    right = body.left + sum(_LABELS) + width * len(closures) + _U_WIDTH
    top = body.top - 14
    paper.box(Area(body.left, top - 24, right - body.left, 24), fill=PALE)
    x = body.left
    for key, own in zip(("fibre", "ribbon", "colour"), _LABELS, strict=True):
        shown = paper.fitted(words[key], own - 4, _SIZE, BOLD)
        paper.text(x + 3, top - 10, shown, size=_SIZE, font=BOLD)
        x += own
    for closure in closures:
        name = paper.fitted(closure.name, width - 4, _SIZE, BOLD)
        paper.text(x + width - 4, top - 10, name, size=_SIZE, font=BOLD, align="right")
        metres = f"{words.decimal(reported(closure.distance_m, Quantity.DISTANCE_M))} m"
        metres = paper.fitted(metres, width - 2, 6)
        paper.text(x + width - 4, top - 19, metres, size=6, colour=QUIET, align="right")
        x += width
    paper.text(right - 4, top - 10, words["u_largest"], size=_SIZE, font=BOLD, align="right")
    y = top - 35
    step = min(11.4, (y - body.bottom) / _FIBRES_ON_A_PAGE)
    for fibre in fibres:
        own_rows = [cells.get((fibre, closure.number)) for closure in closures]
        _line(job, body.left, y, width, right, fibre, own_rows)
        if job.review.ribbon_size is not None and fibre % job.review.ribbon_size == 0:
            paper.line(body.left, y - 2.6, right, y - 2.6, width=0.7)
        else:
            paper.line(body.left, y - 2.6, right, y - 2.6, width=0.2, colour=RULE)
        y -= step


def _line(
    job: Job,
    left: float,
    y: float,
    width: float,
    right: float,
    fibre: int,
    own_rows: Sequence[SpliceRow | None],
) -> None:
    """Print one fibre."""
    paper, words = job.paper, job.words
    known = next((row for row in own_rows if row is not None), None)
    ribbon = "" if known is None or known.ribbon is None else str(known.ribbon)
    colour = "" if known is None else words.cell("colour", known.colour)
    x = left
    for text, own in zip((str(fibre), ribbon, colour), _LABELS, strict=True):
        paper.text(x + 3, y, paper.fitted(text, own - 4, _SIZE), size=_SIZE)
        x += own
    largest: Decimal | None = None
    for row in own_rows:
        if row is not None:
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
    figure = loss_figure(job.words, row.loss_db) or "–"
    over = mark_of(row) is Mark.OVER
    if over:
        paper.box(Area(x + width - 38, y - 2.2, 36, 9.6), stroke=INK, width=0.8)
    font = BOLD if over else PLAIN
    # The sign stands in a place of its own, so that the figures line up.
    text = f"{figure} {sign_of(row)}".rstrip()
    shift = paper.width_of(" !", _SIZE, font)
    x_end = x + width - 5 + (0 if sign_of(row) else -shift)
    paper.text(x_end, y, text, size=_SIZE, font=font, align="right")
