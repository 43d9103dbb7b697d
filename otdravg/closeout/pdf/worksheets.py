"""Work sheets for the crew: one or more pages per closure, a block per ribbon to remake."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from reportlab.lib.colors import HexColor

from otdravg.cable.model import SpliceRow
from otdravg.cable.resplice.model import Choice, Unit
from otdravg.closeout.pdf.job import Job, loss_figure
from otdravg.closeout.pdf.paper import BOLD, INK, PALE, PLAIN, QUIET, RULE, Area
from otdravg.quantities import Quantity, reported
from otdravg.tables.marks import State, sign_of, state_of
from otdravg.tables.places import place_text
from otdravg.trade import fibre_colour
from otdravg.verdict.decision import Action

#: Inks that come near the colours of TIA-598; the name beside each is what counts.
_INKS = {
    "blue": "#1f5fbf",
    "orange": "#f08a24",
    "green": "#2e9e4f",
    "brown": "#7a4a21",
    "slate": "#7d8790",
    "white": "#ffffff",
    "red": "#d22f2f",
    "black": "#111111",
    "yellow": "#f2d21f",
    "violet": "#7e4bb3",
    "rose": "#f29bb2",
    "aqua": "#6fd3d6",
}

_ROW = 12.5
_HEAD = 52.0
_SIZE = 8.0
#: What is ticked for each fibre: of a ribbon that is cut, and of one that is only dressed again.
_BOXES = ("box_cut", "box_spliced", "box_tray")
_DRESS_BOXES = ("box_dressed", "box_tray")


def work_sheets(job: Job) -> None:
    """Print the sheets in the order of the route from A."""
    plan = job.review.plan
    units = plan.units if plan is not None else ()
    words = job.words
    if not units:
        job.paper.page(words["sheet_resplice"], words["no_resplice"],
                       outline=words["sheet_resplice"])  # fmt: skip
        return
    by_closure: dict[tuple[str, int], list[Unit]] = defaultdict(list)
    for unit in units:
        by_closure[unit.cable, unit.closure_number].append(unit)
    rows = _rows_by_place(job)
    outline: str | None = words["sheet_resplice"]
    for (cable, number), own in sorted(by_closure.items()):
        body = _sheet(job, own[0], outline)
        outline = None
        y = body.top - 8
        for unit in own:
            height = _HEAD + _ROW * len(unit.fibres)
            if y - height < body.bottom + 40 and y < body.top - 8:
                _signed(job, body)
                body = _sheet(job, own[0], None, again=True)
                y = body.top - 8
            y = _unit(job, Area(body.left, body.bottom, body.width, y - body.bottom), unit,
                      rows.get((cable, number), {})) - 16  # fmt: skip
        _signed(job, body)


Rows = dict[tuple[int, int], SpliceRow]  # by fibre and wavelength


def _rows_by_place(job: Job) -> dict[tuple[str, int], Rows]:
    places: dict[tuple[str, int], Rows] = defaultdict(dict)
    for row in job.review.rows:
        if row.closure_number is not None:
            places[row.cable, row.closure_number][row.fibre, row.wavelength_nm] = row
    return places


def _sheet(job: Job, unit: Unit, outline: str | None, *, again: bool = False) -> Area:
    """Begin a sheet for one closure."""
    words = job.words
    place = job.closure(unit.cable, unit.closure_number, is_named=False)
    heading = f"{words['work_sheet']}: {', '.join(filter(None, (unit.cable, place)))}"
    if outline is not None:
        body = job.paper.page(heading, words["site_caution"], outline=outline)
    else:
        entry = None if again else place
        body = job.paper.page(heading, words["site_caution"], outline=entry, level=1)
    return Area(body.left, body.bottom, body.width, body.height - 10)


def _unit(job: Job, area: Area, unit: Unit, rows: Rows) -> float:
    """Print one ribbon: advice, then a line per fibre with boxes; return the edge below."""
    paper, words = job.paper, job.words
    name = words["ribbon_number"].format(ribbon=unit.ribbon) if unit.ribbon is not None else (
        f"{words['fibre']} {unit.fibres[0]}"
    )  # fmt: skip
    y = area.top
    paper.text(area.left, y, name, size=11, font=BOLD)
    advised = words.value(unit.advised.value)
    place = place_text(unit.place, words)
    text = f"{place}. " if place else ""
    text += f"{words['advice']}: {advised}. {words.told(unit.because)}"
    if unit.advised is Choice.REDO:
        text += " " + words["chance_note"].format(fibres=len(unit.fibres))
    y = paper.paragraph(area.left + 90, y, text, area.width - 90, size=_SIZE) - 6
    wavelengths = sorted({nm for fibre, nm in rows if fibre in unit.fibres})
    # A bend is undone by hand: nothing is cut, and the other fibres stay as they are.
    dress = all(fibre.verdict.action is Action.RE_DRESS for fibre in unit.failing)
    boxes = _DRESS_BOXES if dress else _BOXES
    columns = _columns(area, wavelengths, boxes)
    y = _headings(job, area, columns, y)
    failing = {fibre.fibre for fibre in unit.failing}
    for fibre in sorted(failing) if dress else unit.fibres:
        figures = {nm: rows.get((fibre, nm)) for nm in wavelengths}
        _fibre(job, area, columns, y, fibre, fibre in failing, figures)
        y -= _ROW
    return y + 4


def _columns(
    area: Area, wavelengths: Sequence[int], boxes: Sequence[str]
) -> list[tuple[str, int, float]]:
    """Columns with their left edges: what it holds, the wavelength or 0, and where it starts."""
    kinds = [("position", 0, 44.0), ("colour", 0, 92.0), ("fibre", 0, 44.0)]
    kinds += [("value_before", nm, 86.0) for nm in wavelengths]
    kinds += [(box, 0, 52.0) for box in boxes]
    kinds += [("value_after", nm, 72.0) for nm in wavelengths]
    kinds += [("initials", 0, 60.0)]
    squeeze = min(area.width / sum(width for *_, width in kinds), 1.25)
    left, columns = area.left, []
    for kind, nm, width in kinds:
        columns.append((kind, nm, left))
        left += width * squeeze
    return columns


def _headings(job: Job, area: Area, columns: list[tuple[str, int, float]], y: float) -> float:
    paper, words = job.paper, job.words
    paper.box(Area(area.left, y - 18, area.width, 24), fill=PALE)
    ends = [left for *_, left in columns[1:]] + [area.right]
    for (kind, nm, left), end in zip(columns, ends, strict=True):
        paper.text(left + 3, y - 3, words[kind], size=7, font=BOLD, within=end - left - 5)
        if nm:
            paper.text(left + 3, y - 13, f"{nm} nm", size=7, colour=QUIET)
    return y - 29


def _fibre(
    job: Job,
    area: Area,
    columns: list[tuple[str, int, float]],
    y: float,
    fibre: int,
    fails: bool,
    figures: dict[int, SpliceRow | None],
) -> None:
    """Print one fibre with what it reads now and room for what it reads after."""
    paper, words = job.paper, job.words
    ends = [left for *_, left in columns[1:]] + [area.right]
    size = job.review.ribbon_size
    colour = fibre_colour(fibre, size, job.review.expected.colours)
    font = BOLD if fails else PLAIN
    for (kind, nm, left), end in zip(columns, ends, strict=True):
        if kind == "position":
            place = (fibre - 1) % size + 1 if size else 1
            paper.text(left + 3, y, str(place), size=_SIZE, font=font)
        elif kind == "fibre":
            paper.text(left + 3, y, str(fibre), size=_SIZE, font=font)
        elif kind == "colour":
            swatch = Area(left + 3, y - 2, 18, 9)
            paper.box(swatch, fill=HexColor(_INKS[colour.partition("/")[0]]), stroke=INK)
            if "/" in colour:  # the second twelve carry a tracer
                paper.line(swatch.left, y + 2.5, swatch.right, y + 2.5, width=1.4)
            shown = paper.fitted(words.cell("colour", colour), end - left - 28, _SIZE)
            paper.text(left + 26, y, shown, size=_SIZE, font=font)
        elif kind == "value_before":
            _before(job, left, y, figures[nm])
        elif kind.startswith("box_"):
            paper.box(Area(left + 8, y - 1.5, 8.5, 8.5), stroke=INK, width=0.8)
        else:
            paper.line(left + 3, y - 3, end - 8, y - 3, width=0.4, dashes=(1, 1.5))
    paper.line(area.left, y - 3.6, area.right, y - 3.6, width=0.25, colour=RULE)


def _before(job: Job, left: float, y: float, row: SpliceRow | None) -> None:
    paper, words = job.paper, job.words
    if row is None:
        paper.text(left + 3, y, _said(job, State.NOT_SHOT), size=_SIZE)
        return
    figure = loss_figure(words, row.loss_db)
    if not figure:
        paper.text(left + 3, y, _said(job, state_of(row)), size=_SIZE, within=82)
        return
    u_db = words.decimal(reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB))
    text = f"{figure} ± {u_db} {sign_of(row)}".rstrip()
    paper.text(left + 3, y, text, size=_SIZE, font=BOLD if sign_of(row) else PLAIN)


def _said(job: Job, state: State) -> str:
    """A state without a figure, as in every other output: its word and its sign."""
    return f"{job.words.value(state.value)} {state.sign}"


def _signed(job: Job, body: Area) -> None:
    """Room for who did it and when, at the foot of a sheet."""
    paper, words = job.paper, job.words
    y = body.bottom + 4
    width = body.width / 3
    for index, key in enumerate(("work_done", "signed_on", "signature")):
        left = body.left + index * width
        paper.text(left, y, words[key], size=_SIZE, colour=QUIET)
        paper.line(left + 80, y - 2, left + width - 14, y - 2, width=0.4)
