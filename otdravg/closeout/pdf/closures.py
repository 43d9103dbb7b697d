"""A sheet for every closure: ribbons by tray, planned beside found, and room for initials."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import islice

from otdravg.cable.model import Closure
from otdravg.closeout.pdf.job import Column, Job, loss_figure
from otdravg.closeout.pdf.paper import BOLD, PALE, PLAIN, QUIET, RULE, Area
from otdravg.tables.places import place_text
from otdravg.tables.sheets import SheetLine, gathered, planned_text, sheet_of
from otdravg.trade import numbers_text

__all__ = ["closure_sheets"]

_SIZE, _STEP, _HEAD = 6.8, 10.0, 34.0
#: Of a closure that is parted so many lines stand together. Chosen, not derived.
_LEAST = 8


def closure_sheets(job: Job) -> None:
    """Print the closures in order from A, several on a page where they fit."""
    body: Area | None = None
    y = 0.0
    for closure in job.review.closures:
        own = [table for table in job.losses if table.cable == closure.cable]
        expected = {fibre.fibre for table in own for fibre in table.fibres}
        lines = gathered(list(sheet_of(job.review, closure, expected)))
        columns = _columns(job, lines)
        left = iter(lines)
        room = 0 if body is None else int((y - _HEAD - body.bottom) / _STEP)
        if body is None or room < min(len(lines), _LEAST):
            first = body is None
            body = _page(job, first=first)
            y = body.top - 10
        while part := list(islice(left, max(int((y - _HEAD - body.bottom) / _STEP), 1))):
            y = _section(job, Area(body.left, body.bottom, body.width, y - body.bottom), closure,
                         columns, part)  # fmt: skip
            if len(part) < len(lines) and part[-1] is not lines[-1]:
                body = _page(job, first=False)
                y = body.top - 10


def _page(job: Job, *, first: bool) -> Area:
    words = job.words
    heading = words["closure_sheets"]
    return job.paper.page(heading, words["closure_sheets_note"], outline=heading if first else None)


def _columns(job: Job, lines: Sequence[SheetLine]) -> list[Column]:
    """Columns of one closure; those of a plan only where there is one."""
    words = job.words
    has_plan = any(line.planned for line in lines)
    columns = [Column(words["ribbon"] if job.review.ribbon_size else words["fibre"], 13)]
    if has_plan:
        columns += [Column(words["place_in_closure"], 20), Column(words["as_planned"], 16)]
    columns.append(Column(words["measured_of"], 8, "right"))
    for nm in _wavelengths(job):
        columns += [Column(f"{nm} nm: {words['worst_of']}", 15, "right"),
                    Column(words["mean_of"], 8, "right")]  # fmt: skip
    keys = ("attempts_of", "bend_of", "spliced_on", "closed_on", "bend_checked", "initials")
    return [*columns, *(Column(words[key], 11) for key in keys)]


def _wavelengths(job: Job) -> list[int]:
    return sorted({row.wavelength_nm for row in job.review.rows})


def _section(
    job: Job, area: Area, closure: Closure, columns: Sequence[Column], lines: Sequence[SheetLine]
) -> float:
    """Print one closure, or what of it fits; return the edge below."""
    paper = job.paper
    several = len(job.review.cables) > 1
    name = job.closure(closure.cable, closure.number, is_named=several)
    paper.text(area.left, area.top, paper.fitted(name, area.width, 9, BOLD), size=9, font=BOLD)
    widths = [area.width * c.share / sum(c.share for c in columns) for c in columns]
    y = area.top - 14
    paper.box(Area(area.left, y - 4, area.width, 12), fill=PALE)
    _cells(job, area.left, y, columns, widths, [c.heading for c in columns], BOLD)
    for line in lines:
        y -= _STEP
        _cells(job, area.left, y, columns, widths, list(_texts(job, line, columns, closure.closed)))
        paper.line(area.left, y - 2.6, area.right, y - 2.6, width=0.25, colour=RULE)
    return y - 19


def _cells(
    job: Job,
    left: float,
    y: float,
    columns: Sequence[Column],
    widths: Sequence[float],
    texts: Sequence[str],
    font: str = PLAIN,
) -> None:
    """Print one line; what is left empty is a line to write on."""
    paper = job.paper
    for column, width, text in zip(columns, widths, texts, strict=True):
        if text:
            shown = paper.fitted(text, width - 4, _SIZE, font=font)
            x = left + width - 4 if column.align == "right" else left + 2
            paper.text(x, y, shown, size=_SIZE, align=column.align, font=font)
        else:
            paper.line(left + 2, y - 1, left + width - 4, y - 1, width=0.4, colour=QUIET,
                       dashes=(1, 1.5))  # fmt: skip
        left += width


def _texts(
    job: Job, line: SheetLine, columns: Sequence[Column], closed: datetime | None
) -> Iterator[str]:
    words = job.words
    numbers = numbers_text(line.fibres)
    ribbons = numbers_text(line.ribbons)
    if len(line.ribbons) > 1 and "," in ribbons:  # the others of them stand on lines of their own
        span = f"{line.ribbons[0]}–{line.ribbons[-1]}"
        yield words["some_of"].format(count=len(line.ribbons), span=span)
    else:
        yield f"{ribbons} ({numbers})" if ribbons else numbers
    if columns[1].heading == words["place_in_closure"]:
        yield place_text(line.place, words) or "–"
        yield planned_text(line, words) or "–"
    if not line.is_spliced:
        yield words["runs_through"]
        yield from ["–"] * (2 * len(_wavelengths(job)) + 6)
        return
    measured = {row.fibre for row in line.rows if row.loss_db is not None}
    yield f"{len(measured)} / {len(line.fibres)}"
    for nm in _wavelengths(job):
        figures, sign = line.figures(nm)
        yield f"{loss_figure(words, figures.largest_db) or '–'} {sign}".rstrip()
        yield loss_figure(words, figures.mean_db) or "–"
    yield str(line.attempts or "–")
    yield words["bend_seen"].format(fibres=", ".join(map(str, line.bent))) if line.bent else (
        words["bend_none"] if line.is_compared else "–"
    )  # fmt: skip
    logged = line.logged
    yield "" if logged is None else ", ".join([f"{logged.last:%Y-%m-%d}", *logged.people])
    yield "" if closed is None else f"{closed:%Y-%m-%d}"
    yield "" if line.bend_checked is None else f"{line.bend_checked:%Y-%m-%d}"
    yield ""
