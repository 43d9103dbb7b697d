"""Heat map of a cable at one wavelength: closures down, fibres across, ribbons set apart.

A tone is the share of the limit that a splice uses up. What asks for work is not a tone but a
sign on solid ink, so that it shows in black and white and to every kind of colour vision.
"""

from __future__ import annotations

from collections.abc import Sequence

from reportlab.lib.colors import HexColor

from otdravg.closeout.pdf.job import Job
from otdravg.closeout.pdf.paper import BOLD, INK, QUIET, Area, Paper
from otdravg.quantities import Quantity, reported
from otdravg.tables.losses import LossTable
from otdravg.tables.marks import Mark, legend

TONES = {
    Mark.QUARTER: HexColor("#e6ecf1"),
    Mark.HALF: HexColor("#c6d4e0"),
    Mark.MOST: HexColor("#9fb8cd"),
    Mark.FULL: HexColor("#6f93b0"),
    Mark.PLAIN: HexColor("#efe8d8"),
    Mark.OVER: HexColor("#1d2329"),
    Mark.LOOK: HexColor("#e2ab3f"),
    Mark.ONE_WAY: HexColor("#f6e3b9"),
    Mark.BLANK: HexColor("#ffffff"),
    Mark.MISSING: HexColor("#ffffff"),
}
_WHITE = HexColor("#ffffff")

_FIBRES_IN_A_BAND = 144
#: Height of a row, and a lower one where more bands than these would take pages.
_ROW, _LOW_ROW, _FEW_BANDS = 13.0, 9.5, 2
_LABELS = 92.0
_RIBBON_GAP = 3.0
_GAP = 0.7
#: Ribbons are set apart by this many fibres where the cable has none, to be easy to count.
_COUNTING_GROUP = 12


def heat_maps(job: Job) -> None:
    """Print the map of every cable at every wavelength, as many on a page as there is room for."""
    words, paper = job.words, job.paper
    y, body = -1.0, paper.body
    across_all = sum(-(-len(table.fibres) // _FIBRES_IN_A_BAND) for table in job.losses)
    row_height = _ROW if across_all <= _FEW_BANDS else _LOW_ROW
    outline: str | None = words["heat_map"]
    for table in job.losses:
        fibres = [fibre.fibre for fibre in table.fibres]
        if not table.closures or not fibres:
            continue
        size = job.review.ribbon_size or _COUNTING_GROUP
        bands = _bands(fibres, size)
        across = max((band[-1] - 1) // size - (band[0] - 1) // size + 1 for band in bands)
        height = len(table.closures) * min(row_height, 330.0 / len(table.closures)) + 34
        for band in bands:
            if y - height - 14 < body.bottom:
                body = paper.page(words["heat_map"], outline=outline)
                outline = None
                y = _legend(job, body.left, body.top - 6) - 8
            title = job.title(table.cable, table.wavelength_nm)
            paper.text(body.left, y, title, size=9, font=BOLD)
            area = Area(body.left, y - height, body.width, height)
            _band(job, area, table, band, size, across)
            y -= height + 14


def _bands(fibres: Sequence[int], size: int) -> list[list[int]]:
    """Split fibre numbers into bands of whole ribbons."""
    in_band = max(_FIBRES_IN_A_BAND // size, 1) * size
    bands: dict[int, list[int]] = {}
    for fibre in fibres:
        bands.setdefault((fibre - 1) // in_band, []).append(fibre)
    return list(bands.values())


def _legend(job: Job, left: float, y: float) -> float:
    """Draw what the tones and signs mean; return the base line below."""
    paper = job.paper
    x = left
    for mark, sign, text in legend(job.words):
        if x + 22 + paper.width_of(text, 7) > paper.body.right:
            x, y = left, y - 13
        _cell(paper, Area(x, y - 1.5, 9, 9), mark, sign)
        paper.text(x + 12, y, text, size=7)
        x += 22 + paper.width_of(text, 7)
    return y - 12


def _cell(paper: Paper, area: Area, mark: Mark, sign: str) -> None:
    """Draw one cell: a tone, and the sign that its figure has in the tables."""
    paper.box(area, fill=TONES[mark])
    if mark in (Mark.ONE_WAY, Mark.BLANK, Mark.MISSING):
        paper.box(area, stroke=QUIET, width=0.3)
    if sign:
        size = min(area.height, 1.5 * area.width, 8.0)
        middle, y = area.left + area.width / 2, area.bottom + area.height / 2 - 0.36 * size
        colour = _WHITE if mark is Mark.OVER else INK
        paper.text(middle, y, sign, size=size, font=BOLD, colour=colour, align="centre")


def _band(
    job: Job,
    area: Area,
    table: LossTable,
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
    closures = table.closures
    height = (area.height - 34) / len(closures)

    def left_of(fibre: int) -> float:
        ribbon, place = divmod(fibre - 1, size)
        return area.left + _LABELS + (ribbon - first) * (size * width + _RIBBON_GAP) + place * width

    for ribbon in range(first, first + ribbons):
        x = left_of(ribbon * size + 1)
        is_ribbon = job.review.ribbon_size is not None
        name = words["ribbon_number"].format(ribbon=ribbon + 1) if is_ribbon else ""
        paper.text(x, top + 13, name, size=6.5, font=BOLD, within=size * width)
        numbers = f"{ribbon * size + 1}–{ribbon * size + size}"
        paper.text(x, top + 4, numbers, size=6, colour=QUIET, within=size * width)
        paper.line(x, top + 1.5, x + size * width, top + 1.5, width=0.8)
    for index, closure in enumerate(closures):
        bottom = top - (index + 1) * height
        metres = words.decimal(reported(closure.distance_m, Quantity.DISTANCE_M))
        name_width = _LABELS - 6 - paper.width_of(f"{metres} m", 6)
        y = bottom + height / 2 - 2.4
        paper.text(area.left, y, closure.name, size=7, font=BOLD, within=name_width - 6)
        right = area.left + _LABELS - 6
        paper.text(right, y, f"{metres} m", size=6, colour=QUIET, align="right")
        for fibre in fibres:
            mark = table.mark(fibre, closure)
            if mark is not None:
                area_of = Area(left_of(fibre), bottom, width - _GAP, height - _GAP)
                _cell(paper, area_of, mark, table.sign(fibre, closure))
