"""The first page of a report: what to do about one fibre, to be read at arm's length in the sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from reportlab.lib.colors import Color, black, white

from otdravg.closeout.pdf.lines import Plot, Scale
from otdravg.closeout.pdf.paper import BOLD, Area, Paper
from otdravg.draw.curves import SpanCurves, span_curves, value_range
from otdravg.report.answer import answer_lines
from otdravg.system.printable import printable
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import PairReport
from otdravg.words.catalogue import Language, say, told
from otdravg.words.statements import (
    caution_statement,
    limit_statement,
    taken_statement,
    title_of,
)

#: Points: the answer can be read at three metres, the rest at arm's length (chosen).
_ANSWER_PT, _TITLE_PT, _ORDER_PT, _FACT_PT = 50.0, 19.0, 17.0, 11.0
#: What a page has room for beside the picture and the boxes (chosen).
_MOST_ORDER_LINES = 8


@dataclass(frozen=True, slots=True)
class Ticket:
    """Texts of the ticket."""

    answer: str
    is_order: bool  # somebody is sent to cut: told apart without colour, as white on black
    title: str
    lines: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    boxes: tuple[str, ...]  # to be ticked
    blanks: tuple[str, ...]  # to be filled in by hand
    caution: str


def ticket_of(report: PairReport, language: Language = Language.ENGLISH) -> Ticket:
    """Word the ticket of a pair."""
    shots = (report.measurement.ab.identity, report.measurement.ba.identity)
    ends = f"A = {told(report.ends.a, language)}, B = {told(report.ends.b, language)}"
    basis = say("ends", report.ends.basis.value, language)
    taken = [f"{one.direction.value} {taken_statement(one, language)}" for one in shots]
    instruments = dict.fromkeys(
        " ".join(part for part in (one.instrument, one.serial) if part) for one in shots
    )
    facts = (
        (say("ticket", "ends", language), f"{ends} ({basis})"),
        (say("ticket", "taken", language), "; ".join(taken)),
        (say("ticket", "instrument", language), "; ".join(filter(None, instruments)) or "–"),
        (say("ticket", "limit", language), limit_statement(report, language)),
    )
    return Ticket(
        answer=say("answer", report.answer.value, language),
        is_order=report.answer is Answer.CUT,
        title=printable(title_of(report.measurement.ab, language)),
        lines=tuple(printable(told(one, language)) for one in answer_lines(report)),
        facts=tuple((label, printable(text)) for label, text in facts),
        boxes=(say("ticket", "dark", language), say("ticket", "no-traffic", language)),
        blanks=(say("ticket", "initials", language), say("ticket", "date", language)),
        caution=caution_statement(language),
    )


def draw_ticket(paper: Paper, report: PairReport, language: Language) -> None:
    """Write the ticket as a page of its own."""
    ticket = ticket_of(report, language)
    body = paper.page("", outline=ticket.answer)
    top = body.top + 48
    width = paper.width_of(ticket.answer, _ANSWER_PT, BOLD) + 36
    band = Area(body.left, top - 62, width, 62)
    ink, ground = (white, black) if ticket.is_order else (black, white)
    paper.box(band, fill=ground, stroke=black, width=4)
    paper.text(
        band.left + 18, band.bottom + 14, ticket.answer, size=_ANSWER_PT, font=BOLD, colour=ink
    )
    _title(paper, ticket, Area(band.right + 16, band.bottom, body.right - band.right - 16, 62))
    y = _orders(paper, ticket, body, band.bottom - 26, say("ticket", "more", language))
    for label, text in ticket.facts:
        paper.text(body.left, y, label, size=_FACT_PT, font=BOLD, colour=black)
        y = paper.paragraph(
            body.left + 90, y, text, body.width - 90, size=_FACT_PT, colour=black, most=2
        ) - 2  # fmt: skip
    _boxes(paper, ticket, body)
    picture = Area(body.left + 36, body.bottom + 94, body.width - 40, y - body.bottom - 112)
    if picture.height > 60:
        _picture(paper, report, picture, language)
    paper.paragraph(
        body.left, body.bottom + 16, ticket.caution, body.width, size=8, font=BOLD, colour=black
    )


def _title(paper: Paper, ticket: Ticket, area: Area) -> None:
    """Write which fibre it is beside the answer."""
    lines = paper.wrapped(ticket.title, area.width, _TITLE_PT, BOLD)[:2]
    y = area.bottom + 36 if len(lines) > 1 else area.bottom + 22
    for line in lines:
        paper.text(area.left, y, line, size=_TITLE_PT, font=BOLD, colour=black)
        y -= 1.3 * _TITLE_PT


def _orders(paper: Paper, ticket: Ticket, body: Area, y: float, more: str) -> float:
    """Write what to do, as large as it fits; return the next base line."""
    size = _ORDER_PT
    while size > _FACT_PT:
        wrapped = [paper.wrapped(line, body.width, size, BOLD) for line in ticket.lines]
        if sum(map(len, wrapped)) * size <= _MOST_ORDER_LINES * _ORDER_PT:
            break
        size -= 1
    left = int(_MOST_ORDER_LINES * _ORDER_PT / size)
    for line in ticket.lines:
        if left <= 0:
            return paper.paragraph(body.left, y, more, body.width, size=size)
        y = paper.paragraph(
            body.left, y, line, body.width, size=size, font=BOLD, colour=black, most=left
        )
        left -= len(paper.wrapped(line, body.width, size, BOLD))
    return y - 4


def _boxes(paper: Paper, ticket: Ticket, body: Area) -> None:
    """Draw boxes to tick and blanks to fill in along the foot of the page."""
    x, bottom = body.left, body.bottom + 36
    for text in ticket.boxes:
        paper.box(Area(x, bottom, 20, 20), stroke=black, width=2)
        paper.text(x + 27, bottom + 5, text, size=_FACT_PT, font=BOLD, colour=black)
        x += 27 + paper.width_of(text, _FACT_PT, BOLD) + 22
    for text in ticket.blanks:
        label = paper.width_of(text, _FACT_PT, BOLD) + 6
        paper.text(x, bottom + 5, text, size=_FACT_PT, font=BOLD, colour=black)
        paper.box(Area(x + label, bottom - 4, 74, 28), stroke=black, width=2)
        x += label + 74 + 16


def _picture(paper: Paper, report: PairReport, area: Area, language: Language) -> None:
    """Draw the losses along the span: the line falls at every splice by its loss."""
    curves = span_curves(report.measurement)
    plot = loss_plot(paper, curves, area, language)
    end_a, end_b = (
        paper.fitted(f"{end}: {told(name, language)}", area.width / 2, _FACT_PT, BOLD)
        for end, name in (("A", report.ends.a), ("B", report.ends.b))
    )
    paper.text(area.left + 6, area.bottom + 6, end_a, size=_FACT_PT, font=BOLD)
    paper.text(area.right - 6, area.top - 26, end_b, size=_FACT_PT, font=BOLD, align="right")
    for judged in report.splices:
        at_km = judged.reading.distance_m / 1000
        plot.upright(at_km)
        number = str(judged.reading.number)
        if judged.needs_work:
            middle = Area(plot.x(at_km) - 8, area.top - 14, 16, 14)
            paper.box(middle, fill=black)
        colour: Color = white if judged.needs_work else black
        paper.text(
            plot.x(at_km), area.top - 11, number, size=10, font=BOLD, colour=colour, align="centre"
        )


def loss_plot(paper: Paper, curves: SpanCurves, area: Area, language: Language) -> Plot:
    """Draw the average of both directions over the span."""
    length_km = curves.length_m / 1000
    low, high = value_range(curves.half_difference_db)
    room = max(0.15 * (high - low), 0.02)
    x = Scale(-0.03 * length_km, 1.03 * length_km)
    plot = Plot(paper, area, x, Scale(low - room, high + 3 * room), str)
    plot.frame(say("ticket", "picture", language), say("ticket", "distance", language), "dB")
    known = np.isfinite(curves.half_difference_db)
    plot.curve(curves.z_m[known] / 1000, curves.half_difference_db[known], colour=black, width=2.0)
    return plot
