"""One fibre's result as a document to hand on, the ticket first: PDF or one HTML page."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from markupsafe import Markup
from reportlab.lib.colors import Color

from otdravg import __version__
from otdravg.closeout.closeout import made_at
from otdravg.closeout.html import content_hash, packaged, templates
from otdravg.closeout.pdf.job import Column, print_table
from otdravg.closeout.pdf.lines import DASHES_B, FROM_A, FROM_B, GLASS, Plot, Scale
from otdravg.closeout.pdf.paper import BOLD, INK, QUIET, Area, Paper
from otdravg.draw.curves import envelope, span_curves, value_range
from otdravg.draw.pair import figure_bytes, pair_figure
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.quantities import Quantity, distance, reported
from otdravg.report.ticket import draw_ticket, ticket_of
from otdravg.system.atomic import write_atomic
from otdravg.system.printable import printable
from otdravg.verdict.judge import Judged, PairReport
from otdravg.words.catalogue import Language, line, say, told
from otdravg.words.headings import Words
from otdravg.words.statements import (
    caution_statement,
    findings_by_source,
    limit_statement,
    rule_statement,
    title_of,
)

FloatArray = npt.NDArray[np.float64]

_BINS = 700

_SHARES = (4, 9, 11, 8, 8, 9, 9, 13, 8, 14, 35)
#: Columns that hold numbers.
NUMBER_COLUMNS = frozenset((0, 2, 3, 4, 5, 6, 7, 8))


def check_report_format(path: Path) -> None:
    """Refuse a report file whose ending is neither .pdf nor .html.

    Raises
    ------
    BadSetting
    """
    if path.suffix.lower() not in (".pdf", ".html"):
        raise BadSetting("report", str(path), says("end-in-document"))


def write_pair_report(
    report: PairReport,
    path: Path,
    *,
    overwrite: bool,
    language: Language = Language.ENGLISH,
) -> None:
    """Write the report in the format that the file's ending names, whole or not at all.

    Raises
    ------
    BadSetting
        If the ending names no format.
    OutputRefused
        If the file exists and may not be replaced, or cannot be written.
    """
    check_report_format(path)
    is_pdf = path.suffix.lower() == ".pdf"
    made = pair_report_pdf if is_pdf else pair_report_html
    content = made(report, language)
    write_atomic(path, content, overwrite=overwrite)


def facts_of(report: PairReport, language: Language) -> list[tuple[str, str]]:
    """What the fibre is and what was found, in labelled texts."""
    measurement = report.measurement
    ab, ba = measurement.ab, measurement.ba
    axis = measurement.axis
    words = Words(language)
    length = distance(axis.length_m, km=report.in_km)
    span = say("pair", "span", language, length=length, expanded_m=2 * axis.u_length_m)
    facts = [
        (_word("from-a", language), ab.identity.path),
        (_word("from-b", language), ba.identity.path),
        (_word("limit", language), limit_statement(report, language)),
        (
            _word("rule", language),
            rule_statement(report, language) + say("pair", "rounded", language),
        ),
        (_word("span", language), span),
        (_word("index", language), words.decimal(reported(axis.group_index, Quantity.GROUP_INDEX))),
    ]
    attenuation = reported(measurement.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM)
    if attenuation is not None:
        facts.append((_word("attenuation", language), f"{words.decimal(attenuation)} dB/km"))
    for name, value_db, count in (
        ("sum", report.sum_db, report.sum_count),
        ("mean", report.mean_db, report.mean_count),
    ):
        if value_db is not None:
            of = say("document", "of", language, value_db=value_db, splices=count)
            facts.append((_word(name, language), of))
    return facts


def _word(key: str, language: Language) -> str:
    return say("document", key, language)


def headings_of(language: Language) -> tuple[str, ...]:
    """Headings of the table of losses."""
    return tuple(_word("headings", language).split("/"))


def _row(report: PairReport, judged: Judged, language: Language) -> tuple[str, ...]:
    reading, words = judged.reading, Words(language)
    verdict = words.value(judged.verdict.value)
    if judged.near_limit:
        verdict += f", {say('pair', 'near-limit', language)}"

    def shown(value: float | None, quantity: Quantity = Quantity.LOSS_DB) -> str:
        return words.decimal(reported(value, quantity)) or "–"

    return (
        str(reading.number),
        words.value(reading.kind.value),
        told(distance(reading.distance_m, km=report.in_km), language),
        shown(reading.loss_ab_db),
        shown(reading.loss_ba_db),
        words.decimal(judged.reported_loss_db) or "–",
        shown(reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
        shown(reading.backscatter_step_db),
        words.decimal(judged.limit_db) or "–",
        verdict,
        told(judged.reason, language),
    )


def rows_of(report: PairReport, language: Language) -> list[list[str]]:
    """Cells of the table of losses, safe to show."""
    return [[printable(cell) for cell in _row(report, one, language)] for one in report.splices]


def marks_of(report: PairReport) -> list[str]:
    """Class of each row: what asks for work stands out."""
    return ["over" if one.needs_work else "" for one in report.splices]


def sentences_of(report: PairReport, language: Language) -> list[str]:
    """What to do, and what U holds."""
    steps = [told(step, language) for step in report.next_steps]
    return [*steps, say("screen", "loss-and-u", language)]


def findings_of(report: PairReport, language: Language) -> list[str]:
    """Everything that was noticed, a sentence each."""
    return [
        line(finding, say("about", about, language), language)
        for about, finding in findings_by_source(report)
    ]


def pair_report_html(report: PairReport, language: Language = Language.ENGLISH) -> bytes:
    """Return the report as one UTF-8 page without scripts; its picture is inside."""
    figure = pair_figure(report, language=language)
    picture = base64.b64encode(figure_bytes(figure, ".svg")).decode("ascii")
    style = packaged("style.css")
    page = (
        templates()
        .get_template("pair.html.j2")
        .render(
            title=printable(_title(report, language)),
            ticket=ticket_of(report, language),
            style=Markup(style),
            style_hash=content_hash(style),
            facts=[(label, printable(text)) for label, text in facts_of(report, language)],
            headings=headings_of(language),
            numbers=NUMBER_COLUMNS,
            rows=rows_of(report, language),
            marks=marks_of(report),
            picture=f"data:image/svg+xml;base64,{picture}",
            steps=[printable(sentence) for sentence in sentences_of(report, language)],
            findings=[printable(sentence) for sentence in findings_of(report, language)],
            language=language.value,
            say=partial(_word, language=language),
            program=f"otdravg {__version__}",
        )
    )
    return page.encode("utf-8")


def _title(report: PairReport, language: Language) -> str:
    return say("document", "title", language, fibre=title_of(report.measurement.ab, language))


def pair_report_pdf(report: PairReport, language: Language = Language.ENGLISH) -> bytes:
    """Return the report as PDF: the ticket, the table, the picture, what to do.

    Raises
    ------
    BadSetting
        If ``SOURCE_DATE_EPOCH`` is set and is not a number of seconds.
    """
    title = _title(report, language)
    paper = Paper(
        title=title,
        author="",
        subject=report.measurement.ab.identity.path,
        footer=title,
        page_of=Words(language)["page_of"],
        language=language.value,
        made_at=made_at(),
    )
    columns = [
        Column(heading, share, "right" if index in NUMBER_COLUMNS else "left")
        for index, (heading, share) in enumerate(zip(headings_of(language), _SHARES, strict=True))
    ]
    draw_ticket(paper, report, language)
    rows = [_row(report, judged, language) for judged in report.splices]
    print_table(paper, title, columns, rows, remark=limit_statement(report, language),
                outline=_word("losses", language))  # fmt: skip
    _picture_page(paper, report, language)
    _text_page(paper, report, language)
    return paper.finish()


def _picture_page(paper: Paper, report: PairReport, language: Language) -> None:
    """Both shots, splice losses and backscatter differences, over one axis."""
    body = paper.page(_word("both-shots", language), outline=_word("both-shots", language))
    measurement = report.measurement
    curves = span_curves(measurement)
    margin_km = 0.03 * curves.length_m / 1000
    x = Scale(-margin_km, curves.length_m / 1000 + margin_km)
    low, high = curves.clean_range_db
    room = max(0.12 * (high - low), 0.3)
    z_km = curves.z_m / 1000
    height = (body.height - 3 * 44) / 3
    half_difference = curves.half_difference_db
    panels = (
        (_word("panel-shots", language), Scale(low - room, high + room)),
        (_word("panel-loss", language), _roomy(half_difference)),
        (_word("panel-glass", language), _roomy(curves.half_sum_db)),
    )
    plots = []
    for index, (heading, y) in enumerate(panels):
        bottom = body.top - (index + 1) * (height + 44) + 24
        area = Area(body.left + 32, bottom, body.width - 36, height)
        plot = Plot(paper, area, x, y, str)
        plot.frame(heading, say("ticket", "distance", language), "dB")
        for judged in report.splices:
            at_km = judged.reading.distance_m / 1000
            plot.upright(at_km)
            if index == 0:
                number = str(judged.reading.number)
                paper.text(plot.x(at_km), area.top - 7, number, size=7, font=BOLD, align="centre")
        plots.append(plot)
    shots: tuple[tuple[tuple[FloatArray, FloatArray], Color, Sequence[float]], ...] = (
        (measurement.curve_ab(), FROM_A, ()),
        (measurement.curve_ba(), FROM_B, DASHES_B),
    )
    for (z_m, level_db), colour, dashes in shots:
        thin_m, thin_db = envelope(z_m, level_db, 1000 * x.low, 1000 * x.high, _BINS)
        plots[0].curve(thin_m / 1000, thin_db, colour=colour, dashes=dashes, width=0.8)
    for plot, values, colour in (
        (plots[1], half_difference, INK),
        (plots[2], curves.half_sum_db, GLASS),
    ):
        known = np.isfinite(values)
        plot.curve(z_km[known], values[known], colour=colour, width=1.1)
    legend = _word("legend", language)
    paper.text(body.left + 32, body.bottom - 6, legend, size=7, colour=QUIET)


def _roomy(values: FloatArray) -> Scale:
    """Range of a curve with some room."""
    low, high = value_range(values)
    room = max(0.15 * (high - low), 0.02)
    return Scale(low - room, high + room)


def _text_page(paper: Paper, report: PairReport, language: Language) -> None:
    """What to do next, facts, findings and the caution."""
    body = paper.page(_word("next", language), outline=_word("next", language))
    y = body.top - 4
    for sentence in sentences_of(report, language):
        y = paper.paragraph(body.left, y, f"• {sentence}", 640, size=10) - 3
    y -= 8
    for label, text in facts_of(report, language):
        paper.text(body.left, y, label, size=8.5, colour=QUIET)
        y = paper.paragraph(body.left + 120, y, text, 600, size=8.5, most=2) - 2
    y -= 8
    for sentence in findings_of(report, language):
        if y < body.bottom + 40:
            body = paper.page(_word("findings", language))
            y = body.top - 4
        y = paper.paragraph(body.left, y, sentence, 700, size=8) - 3
    paper.paragraph(
        body.left, body.bottom + 14, caution_statement(language), body.width, size=8.5, font=BOLD
    )
