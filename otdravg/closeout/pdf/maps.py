"""Heat map of a cable at one wavelength: closures down, fibres across, ribbons set apart.

A tone is the share of the limit that a splice uses up. What asks for work is not a tone but a
sign on solid ink, so that it shows in black and white and to every kind of colour vision.
"""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.colors import HexColor

from otdravg.cable.model import Closure, SpliceRow
from otdravg.closeout.pdf.job import Job
from otdravg.closeout.pdf.paper import BOLD, QUIET, Area, Paper
from otdravg.quantities import Quantity, reported
from otdravg.tables.marks import Mark, mark_of

__all__ = ["TONES", "heat_map"]

TONES = {
    Mark.QUARTER: HexColor("#e6ecf1"),
    Mark.HALF: HexColor("#c6d4e0"),
    Mark.MOST: HexColor("#9fb8cd"),
    Mark.FULL: HexColor("#6f93b0"),
    Mark.PLAIN: HexColor("#efe8d8"),
    Mark.OVER: HexColor("#1d2329"),
    Mark.LOOK: HexColor("#e2ab3f"),
    Mark.BLANK: HexColor("#ffffff"),
}
_WHITE = HexColor("#ffffff")

_FIBRES_IN_A_BAND = 144
_LABELS = 92.0
_RIBBON_GAP = 3.0
_GAP = 0.7
#: Ribbons are set apart by this many fibres where the cable has none, to be easy to count.
_COUNTING_GROUP = 12


def heat_map(job: Job, cable: str, wavelength_nm: int, *, level: int) -> None:
    """Print the map of one cable at one wavelength over as many pages as it takes."""
    rows = job.rows_of(cable, wavelength_nm)
    closures = [closure for closure in job.review.closures if closure.cable == cable]
    cells = {(r.fibre, r.closure_number): r for r in rows if r.closure_number is not None}
    fibres = sorted({row.fibre for row in rows})
    if not closures or not fibres:
        return
    size = job.review.ribbon_size or _COUNTING_GROUP
    bands = _bands(fibres, size)
    across = max((band[-1] - 1) // size - (band[0] - 1) // size + 1 for band in bands)
    heading = f"{job.words['heat_map']}, {job.title(cable, wavelength_nm)}"
    outline: str | None = job.title(cable, wavelength_nm)
    y = -1.0
    row_height = min(18.0, 330.0 / len(closures))
    height = len(closures) * row_height + 34
    body = job.paper.body
    for band in bands:
        if y - height < body.bottom:
            body = job.paper.page(heading, outline=outline, level=level)
            outline = None
            y = _legend(job, body.left, body.top - 6) - 14
        _band(
            job,
            Area(body.left, y - height, body.width, height),
            closures,
            cells,
            band,
            size,
            across,
        )
        y -= height + 12


def _bands(fibres: Sequence[int], size: int) -> list[list[int]]:
    """Split fibre numbers into bands of whole ribbons."""
    in_band = max(_FIBRES_IN_A_BAND // size, 1) * size
    bands: dict[int, list[int]] = {}
    for fibre in fibres:
        bands.setdefault((fibre - 1) // in_band, []).append(fibre)
    return list(bands.values())


def _legend(job: Job, left: float, y: float) -> float:
    """Draw what the tones and signs mean; return the base line below."""
    words, paper = job.words, job.paper
    entries = [
        (Mark.QUARTER, f"{words['quarter']} {words['half_of']}"),
        (Mark.HALF, words["half"]),
        (Mark.MOST, words["most"]),
        (Mark.FULL, words["full"]),
        (Mark.OVER, words["cell_over"]),
        (Mark.LOOK, words["cell_look"]),
        (Mark.PLAIN, words["plain"]),
        (Mark.BLANK, words["legend_missing"]),
    ]
    x = left
    for mark, text in entries:
        _cell(paper, Area(x, y - 1.5, 9, 9), mark)
        paper.text(x + 12, y, text, size=7)
        x += 22 + paper.width_of(text, 7)
    return y - 12


def _cell(paper: Paper, area: Area, mark: Mark) -> None:
    """Draw one cell: a tone, and a sign for what asks for work or is not measured."""
    paper.box(area, fill=TONES[mark])
    middle = area.bottom + area.height / 2
    reach = 0.3 * min(area.width, area.height)
    if mark is Mark.OVER:
        for turn in (1, -1):
            centre = area.left + area.width / 2
            ends = (centre - reach, middle - turn * reach, centre + reach, middle + turn * reach)
            paper.line(*ends, width=0.9, colour=_WHITE)
    elif mark is Mark.LOOK:
        x = area.left + area.width / 2
        paper.line(x, area.bottom + 0.2 * area.height, x, area.top - 0.2 * area.height, width=1)
    elif mark is Mark.BLANK:
        paper.box(area, stroke=QUIET, width=0.3)
        paper.line(area.left, area.bottom, area.right, area.top, width=0.4, colour=QUIET)


def _band(
    job: Job,
    area: Area,
    closures: Sequence[Closure],
    cells: dict[tuple[int, int], SpliceRow],
    fibres: Sequence[int],
    size: int,
    across: int,
) -> None:
    """Draw one band of fibres, ``across`` ribbons wide: numbers above, a row per closure."""
    paper, words = job.paper, job.words
    first = (fibres[0] - 1) // size
    ribbons = (fibres[-1] - 1) // size - first + 1
    room = area.width - _LABELS
    width = min((room - across * _RIBBON_GAP) / (across * size), 14.0)
    top = area.top - 26
    height = (area.height - 34) / len(closures)

    def left_of(fibre: int) -> float:
        ribbon, place = divmod(fibre - 1, size)
        return area.left + _LABELS + (ribbon - first) * (size * width + _RIBBON_GAP) + place * width

    for ribbon in range(first, first + ribbons):
        x = left_of(ribbon * size + 1)
        is_ribbon = job.review.ribbon_size is not None
        name = words["ribbon_number"].format(ribbon=ribbon + 1) if is_ribbon else ""
        paper.text(x, top + 13, paper.fitted(name, size * width, 6.5, BOLD), size=6.5, font=BOLD)
        numbers = f"{ribbon * size + 1}–{ribbon * size + size}"
        paper.text(x, top + 4, paper.fitted(numbers, size * width, 6), size=6, colour=QUIET)
        paper.line(x, top + 1.5, x + size * width, top + 1.5, width=0.8)
    for index, closure in enumerate(closures):
        bottom = top - (index + 1) * height
        metres = words.decimal(reported(closure.distance_m, Quantity.DISTANCE_M))
        name_width = _LABELS - 6 - paper.width_of(f"{metres} m", 6)
        y = bottom + height / 2 - 2.4
        shown = paper.fitted(closure.name, name_width - 6, 7, BOLD)
        paper.text(area.left, y, shown, size=7, font=BOLD)
        right = area.left + _LABELS - 6
        paper.text(right, y, f"{metres} m", size=6, colour=QUIET, align="right")
        for fibre in fibres:
            row = cells.get((fibre, closure.number))
            if row is not None:
                area_of = Area(left_of(fibre), bottom, width - _GAP, height - _GAP)
                _cell(paper, area_of, mark_of(row))
