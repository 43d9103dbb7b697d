"""How the losses are spread, and the largest of them one by one, beside their limit."""

from __future__ import annotations

import math
from collections import Counter

from otdravg.cable.model import SpliceRow
from otdravg.closeout.pdf.job import Job
from otdravg.closeout.pdf.lines import ticks
from otdravg.closeout.pdf.maps import TONES
from otdravg.closeout.pdf.paper import BOLD, PLAIN, QUIET, RULE, Area
from otdravg.quantities import Quantity, reported
from otdravg.tables.marks import Mark, mark_of, sign_of
from otdravg.tables.summary import loss_key

_MOST_SHOWN = 28
_MOST_BARS = 40


def ranking(job: Job, cable: str, wavelength_nm: int) -> None:
    """Print one page: histogram at the left, ranked splices at the right."""
    rows = [row for row in job.rows_of(cable, wavelength_nm) if row.loss_db is not None]
    if not rows:
        return
    title = job.title(cable, wavelength_nm)
    heading = f"{job.words['ranked']}, {title}"
    body = job.paper.page(heading, outline=title, level=1)
    # One line for a limit only where one limit judged them all; each bar has its own.
    limits = {row.verdict.limit_db for row in rows}
    limit = limits.pop() if len(limits) == 1 else None
    limit_db = None if limit is None else float(limit)
    left_width = body.width * 0.42
    histogram_area = Area(body.left + 30, body.bottom + 34, left_width - 40, body.height - 70)
    _histogram(job, histogram_area, rows, limit_db)
    left = body.left + left_width + 20
    ranked = sorted(rows, key=loss_key)
    _ranked(job, Area(left, body.bottom, body.right - left, body.height), ranked, limit_db)


def _bar_width(values: list[float], limit_db: float | None) -> float:
    """Width of a bar: 0.005 dB or a round multiple, so that the limit falls between two bars."""
    spread = max(max(values), limit_db or 0.0) - min(min(values), 0.0)
    return next(w for w in (0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 1e9) if spread / w <= _MOST_BARS)


def _histogram(job: Job, area: Area, rows: list[SpliceRow], limit_db: float | None) -> None:
    """Draw how many splices lose how much; those that were judged over their limit are solid."""
    paper, words = job.paper, job.words
    values = [float(reported(row.loss_db, Quantity.LOSS_DB) or 0) for row in rows]
    width_db = _bar_width(values, limit_db)
    # A value on an edge belongs below it, as a loss at the limit is within.
    index = [math.ceil(value / width_db - 1e-9) - 1 for value in values]
    low = min(index)
    high = max(*index, -1 if limit_db is None else math.ceil(limit_db / width_db))
    counts = Counter(index)
    over = Counter(k for k, row in zip(index, rows, strict=True) if mark_of(row) is Mark.OVER)
    tallest = max(counts.values())
    bar = area.width / (high - low + 1)

    def x_of(loss_db: float) -> float:
        return area.left + (loss_db / width_db - low) * bar

    paper.text(area.left, area.top + 14, words["histogram"], size=9.5, font=BOLD)
    for value in ticks(0, tallest, 5):
        if value == int(value):
            y = area.bottom + value / tallest * area.height
            paper.line(area.left, y, area.right, y, width=0.3, colour=RULE)
            paper.text(area.left - 4, y - 2, str(int(value)), size=6.5, align="right")
    for k, count in counts.items():
        for mark, own in ((Mark.MOST, count), (Mark.OVER, over[k])):
            height = own / tallest * area.height
            bar_area = Area(area.left + (k - low) * bar + 0.5, area.bottom, bar - 1, height)
            if own:
                paper.box(bar_area, fill=TONES[mark])
    paper.line(area.left, area.bottom, area.right, area.bottom, colour=QUIET)
    for value in ticks(low * width_db, (high + 1) * width_db, 6):
        figure = words.decimal(reported(value, Quantity.LOSS_DB))
        paper.text(x_of(value), area.bottom - 10, figure, size=6.5, align="centre")
    paper.text(area.right, area.bottom - 22, words["loss_db"], size=7, colour=QUIET, align="right")
    if limit_db is not None:
        x = x_of(limit_db)
        paper.line(x, area.bottom, x, area.top, width=0.9, dashes=(4, 2))
        text = f"{words['limit_word']} {words.decimal(reported(limit_db, Quantity.LOSS_DB))} dB"
        paper.text(x - 3, area.top - 7, text, size=7, align="right")


def _ranked(job: Job, area: Area, ranked: list[SpliceRow], limit_db: float | None) -> None:
    """Draw the largest losses with their uncertainty, the largest on top."""
    paper, words = job.paper, job.words
    shown = ranked[:_MOST_SHOWN]
    paper.text(area.left, area.top - 22, words["ranked"], size=9.5, font=BOLD)
    note = words["ranked_more"].format(shown=len(shown), count=len(ranked))
    paper.text(area.right, area.top - 22, note, size=7, colour=QUIET, align="right")
    label_width, figure_width = 128.0, 92.0
    left = area.left + label_width
    width = area.width - label_width - figure_width
    most = max([row.loss_db or 0.0 for row in shown] + [limit_db or 0.0]) * 1.05 or 1.0
    step = min(14.0, (area.height - 44) / max(len(shown), 1))
    top = area.top - 34
    bottom = top - step * len(shown)
    if limit_db is not None:
        x = left + limit_db / most * width
        paper.line(x, top, x, bottom, width=0.9, dashes=(4, 2))
    for index, row in enumerate(shown):
        y = top - (index + 0.7) * step
        heading = words["loss_of_cell" if row.closure else "loss_between_closures"]
        name = heading.format(fibre=row.fibre, closure=row.closure)
        paper.text(area.left, y, name, size=7, within=label_width - 6)
        loss_db = row.loss_db or 0.0
        u_db = row.expanded_uncertainty_db or 0.0
        middle = y + 2.4
        mark = mark_of(row)
        end = left + max(loss_db, 0.0) / most * width
        tone = TONES[mark] if mark in (Mark.OVER, Mark.LOOK) else TONES[Mark.MOST]
        paper.box(Area(left, middle - 1.5, end - left, 3), fill=tone)
        reach = [left + max(loss_db + s * u_db, 0.0) / most * width for s in (-1, 1)]
        paper.line(reach[0], middle, reach[1], middle, width=0.5)
        if row.verdict.limit_db is not None and limit_db is None:
            own = left + float(row.verdict.limit_db) / most * width
            paper.line(own, middle - 4, own, middle + 4, width=0.9, dashes=(2, 1))
        for x in reach:
            paper.line(x, middle - 2.5, x, middle + 2.5, width=0.5)
        figure = words.decimal(reported(row.loss_db, Quantity.LOSS_DB))
        u_text = words.decimal(reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB))
        text = f"{figure} ± {u_text} {sign_of(row)}".rstrip()
        font = BOLD if mark is Mark.OVER else PLAIN
        paper.text(left + width + 8, y, text, size=7, font=font)
