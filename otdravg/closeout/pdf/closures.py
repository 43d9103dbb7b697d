"""A sheet for every closure: ribbons by tray, planned beside found, and room for initials."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from pathlib import Path

from otdravg.cable.model import Closure
from otdravg.closeout.attachments import ATTACHED, Attached, attached_of, missing_of
from otdravg.closeout.pdf.job import Job, loss_figure
from otdravg.closeout.pdf.paper import BOLD, PALE, PLAIN, QUIET, RULE, Align, Area
from otdravg.closeout.pdf.thumbnails import thumbnail
from otdravg.tables.places import place_text
from otdravg.tables.sheets import SheetLine, gathered, planned_text, sheet_of
from otdravg.trade import numbers_text

_SIZE, _STEP, _HEAD = 6.8, 10.0, 42.0
#: Room beside the text of a cell, points.
_BESIDE = 6.0
#: What a person writes by hand, at the end of a line: when closed, when checked, initials.
_BY_HAND = 3
#: Of a closure that is parted so many lines stand together. Chosen, not derived.
_LEAST = 8
#: Edge of a picture, points: a tray and its labels can be told. Chosen, not derived.
_PICTURE = 96.0


def closure_sheets(job: Job, folder: Path, attachments: Sequence[Attached]) -> None:
    """Print the closures in order from A, several on a page where they fit.

    Parameters
    ----------
    job : Job
    folder : Path
        Of the closeout.
    attachments : sequence of Attached
        Files that belong to it; those of no closure are named at the end.
    """
    sheets = _Sheets(job)
    attached = attached_of(attachments, job.review.closures)
    missing = missing_of(folder, attachments)

    def add(names: Sequence[str]) -> None:
        area = sheets.room(_PICTURE + 2 * _STEP)
        above = replace(area, height=area.height + 8)
        sheets.y = _attached(job, above, folder / ATTACHED, names, missing)

    for closure in job.review.closures:
        own = [table for table in job.losses if table.cable == closure.cable]
        expected = {fibre.fibre for table in own for fibre in table.fibres}
        lines = gathered(list(sheet_of(job.review, closure, expected)))
        columns, has_plan = _columns(job, lines), _has_plan(lines)
        left = [list(_texts(job, line, closure.closed, has_plan=has_plan)) for line in lines]
        widths = _widths(job, columns, left, job.paper.body.width)
        area = sheets.room(_HEAD + min(len(left), _LEAST) * _STEP)
        while left:
            count = int((area.height - _HEAD) / _STEP)
            sheets.y = _section(job, area, closure, columns, widths, left[:count])
            left = left[count:]
            area = sheets.room(_HEAD + _STEP) if left else area
        if names := attached.get((closure.cable, closure.number)):
            add(names)
    if None in attached:
        add(attached[None])


class _Sheets:
    """Where the next closure is printed."""

    def __init__(self, job: Job) -> None:
        self._job, self._is_first = job, True
        self.y = 0.0

    def room(self, height: float) -> Area:
        """Return what is left of the page, or a new page if that is lower than ``height``."""
        body = self._job.paper.body
        if self._is_first or self.y - height < body.bottom:
            words = self._job.words
            heading, remark = words["closure_sheets"], words["closure_sheets_note"]
            self._job.paper.page(heading, remark, outline=heading if self._is_first else None)
            self._is_first, self.y = False, body.top - 10
        return replace(body, height=self.y - body.bottom)


def _attached(
    job: Job, area: Area, folder: Path, names: Sequence[str], missing: Collection[str]
) -> float:
    """Print the pictures of one closure, as many as fit side by side; name all of them."""
    paper, not_here = job.paper, job.words["not_here"]
    shown = ", ".join(f"{name} ({not_here})" if name in missing else name for name in names)
    text = job.words["attached_of"].format(files=shown)
    y = paper.paragraph(area.left, area.top, text, area.width, size=_SIZE, colour=QUIET, most=2)
    small = (one for name in names if (one := thumbnail(folder / name)) is not None)
    pictures = list(islice(small, int(area.width / _PICTURE)))
    for n, picture in enumerate(pictures):
        left = area.left + n * _PICTURE
        paper.picture(picture, Area(left, y - _PICTURE + 10, _PICTURE - 8, _PICTURE - 8))
    return y - (_PICTURE if pictures else 0) - 10


@dataclass(frozen=True, slots=True)
class _Column:
    """One column: its heading in one or two lines, and where its texts stand."""

    heading: tuple[str, ...]
    align: Align = "left"


def _column(heading: str, align: Align = "left") -> _Column:
    """Part a heading where both lines are shortest."""
    parts = heading.split()
    halves = [(" ".join(parts[:n]), " ".join(parts[n:])) for n in range(1, len(parts))]
    return _Column(min(halves, key=lambda own: max(map(len, own)), default=(heading,)), align)


def _columns(job: Job, lines: Sequence[SheetLine]) -> list[_Column]:
    """Columns of one closure; those of a plan only where there is one."""
    words = job.words
    columns = [_column(words["ribbon"] if job.review.ribbon_size else words["fibre"])]
    if _has_plan(lines):
        columns += [_column(words["place_in_closure"]), _column(words["as_planned"])]
    columns.append(_column(words["measured_of"], "right"))
    for nm in _wavelengths(job):
        columns += [_column(f"{nm} nm: {words['worst_of']}", "right"),
                    _column(words["mean_of"], "right")]  # fmt: skip
    keys = ("attempts_of", "bend_of", "spliced_on", "closed_on", "bend_checked", "initials")
    return [*columns, *(_column(words[key]) for key in keys)]


def _has_plan(lines: Sequence[SheetLine]) -> bool:
    return any(line.planned for line in lines)


def _widths(
    job: Job, columns: Sequence[_Column], texts: Sequence[Sequence[str]], most: float
) -> list[float]:
    """Each column as wide as its longest text; what is left is for what is written by hand."""
    width_of = job.paper.width_of
    wanted = [
        _BESIDE
        + max(
            *(width_of(part, _SIZE, BOLD) for part in column.heading),
            *(width_of(own[n], _SIZE, PLAIN) for own in texts),
        )
        for n, column in enumerate(columns)
    ]
    left = most - sum(wanted)
    if left < 0:
        return [width * most / sum(wanted) for width in wanted]
    hand = len(columns) - _BY_HAND
    return [width + (left / _BY_HAND if n >= hand else 0.0) for n, width in enumerate(wanted)]


def _wavelengths(job: Job) -> list[int]:
    return sorted({row.wavelength_nm for row in job.review.rows})


def _section(
    job: Job,
    area: Area,
    closure: Closure,
    columns: Sequence[_Column],
    widths: Sequence[float],
    texts: Sequence[Sequence[str]],
) -> float:
    """Print one closure, or what of it fits; return the edge below."""
    paper = job.paper
    several = len(job.review.cables) > 1
    name = job.closure(closure.cable, closure.number, is_named=several)
    paper.text(area.left, area.top, name, size=9, font=BOLD, within=area.width)
    y = area.top - 14
    paper.box(Area(area.left, y - 12, area.width, 20), fill=PALE)
    for n in range(2):
        parts = [(*column.heading, " ")[n] for column in columns]
        _cells(job, area.left, y - 8 * n, columns, widths, parts, BOLD)
    y -= 8
    for own in texts:
        y -= _STEP
        _cells(job, area.left, y, columns, widths, own)
        paper.line(area.left, y - 2.6, area.right, y - 2.6, width=0.25, colour=RULE)
    return y - 19


def _cells(
    job: Job,
    left: float,
    y: float,
    columns: Sequence[_Column],
    widths: Sequence[float],
    texts: Sequence[str],
    font: str = PLAIN,
) -> None:
    """Print one line; what is left empty is a line to write on."""
    paper = job.paper
    for column, width, text in zip(columns, widths, texts, strict=True):
        if text:
            x = left + width - 4 if column.align == "right" else left + 2
            paper.text(x, y, text, size=_SIZE, align=column.align, font=font, within=width - 4)
        else:
            paper.line(left + 2, y - 1, left + width - 4, y - 1, width=0.4, colour=QUIET,
                       dashes=(1, 1.5))  # fmt: skip
        left += width


def _texts(job: Job, line: SheetLine, closed: datetime | None, *, has_plan: bool) -> Iterator[str]:
    words = job.words
    numbers = numbers_text(line.fibres)
    ribbons = numbers_text(line.ribbons)
    if len(line.ribbons) > 1 and "," in ribbons:  # the others of them stand on lines of their own
        span = f"{line.ribbons[0]}–{line.ribbons[-1]}"
        yield words["some_of"].format(count=len(line.ribbons), span=span)
    else:
        yield f"{ribbons} ({numbers})" if ribbons else numbers
    if has_plan:
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
