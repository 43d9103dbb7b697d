"""A pair's report for a terminal: the answer first, then the table, then what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from otdravg import __version__
from otdravg.findings import Finding, Severity
from otdravg.fit.reading import Kind
from otdravg.pair.visible import DirectionLimit, detection_limits
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.answer import answer_lines, later_steps
from otdravg.report.budget import budgets_of, write_budget
from otdravg.report.page import COLUMNS, Page, Tone, counted
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import Judged, PairReport, Verdict
from otdravg.words.catalogue import line, say, told
from otdravg.words.statements import (
    caution_statement,
    findings_by_source,
    limit_statement,
    response_statement,
    rule_statement,
    span_start_statement,
    taken_statement,
    title_of,
)

__all__ = ["ANSWER_TONES", "pair_line", "pair_text"]

_COLUMN_WIDTHS = (3, 11, 8, 8, 9, 7)

_TONES = {
    Verdict.WITHIN: Tone.GOOD,
    Verdict.OVER: Tone.BAD,
    Verdict.TOO_CLOSE: Tone.LOOK,
    Verdict.IMPLAUSIBLE: Tone.BAD,
    Verdict.ONE_WAY: Tone.LOOK,
    Verdict.NOT_MEASURED: Tone.LOOK,
    Verdict.NOT_JUDGED: Tone.QUIET,
}
#: How the answers are tinted.
ANSWER_TONES = {
    Answer.CUT: Tone.BAD,
    Answer.CHECK: Tone.LOOK,
    Answer.SHOOT_AGAIN: Tone.LOOK,
    Answer.LEAVE: Tone.GOOD,
}


def pair_text(
    report: PairReport,
    *,
    ascii_only: bool = False,
    colour: bool = False,
    columns: int = COLUMNS,
    details: bool = False,
) -> str:
    """Write the report as a person reads it.

    Parameters
    ----------
    report : PairReport
        What to show.
    ascii_only : bool
        Spell arrows and plus-minus in ASCII, for a terminal that lacks them.
    colour : bool
        Tint the verdicts; their words say the same without it.
    columns : int
        Width of the terminal, 80 at least.
    details : bool
        Add sections, residuals, detection limits, receivers, uncertainty budgets and notes.
    """
    page = Page(ascii_only=ascii_only, colour=colour, columns=columns)
    _answer(page, report)
    _table(page, report)
    _bullets(page, say("screen", "to-do"), [told(step) for step in later_steps(report)])
    _measured(page, report)
    noticed, notes = _findings(report)
    _bullets(page, say("screen", "findings"), noticed)
    if details:
        _details(page, report)
        _bullets(page, say("screen", "notes"), notes)
    page.line()
    if not details:
        page.paragraph(say("screen", "more", notes=counted(len(notes), "note")))
    page.paragraph(caution_statement())
    return page.text()


def pair_line(report: PairReport) -> tuple[str, str]:
    """Return the answer in one word and in one line, for a list of many fibres."""
    first, *others = answer_lines(report)
    cuts = [one for one in others if one.code == first.code]
    return say("answer", report.answer.value), " ".join(told(one) for one in (first, *cuts))


def _answer(page: Page, report: PairReport) -> None:
    label, tone = say("answer", report.answer.value), ANSWER_TONES[report.answer]
    for one in answer_lines(report):
        page.entry(label, told(one), tone)
        label = ""


def _measured(page: Page, report: PairReport) -> None:
    """Say what was measured, and by what limit it was judged."""
    measurement = report.measurement
    page.line()
    page.line(say("screen", "measured"))
    ends = report.ends
    basis = say("ends", ends.basis.value)
    page.entry("Ends", f"A = {told(ends.a)}, B = {told(ends.b)} ({basis})")
    page.entry("A→B", _shot_line(measurement.ab))
    page.entry("B→A", _shot_line(measurement.ba))
    page.entry("Limit", f"{limit_statement(report)} ({rule_statement(report)})")
    axis = measurement.axis
    page.entry("Launch", _lead(axis.start_a_m, span_start_statement(axis, axis.basis_a)))
    page.entry("Receive", _lead(axis.start_b_m, span_start_statement(axis, axis.basis_b)))
    totals = [distance_text(axis.length_m, km=report.in_km)]
    if report.sum_db is not None:
        totals.append(
            f"sum of the losses {report.sum_db} dB ({counted(report.sum_count, 'event')})"
        )
    if report.mean_db is not None:
        totals.append(f"mean {report.mean_db} dB ({counted(report.mean_count, 'splice')})")
    page.entry("Span", ", ".join(totals))


def _shot_line(trace: Trace) -> str:
    pulse_ns = f"{trace.settings.pulse_ns:g} ns pulse"
    return f"{trace.identity.path} ({pulse_ns}, {taken_statement(trace.identity)})"


def _lead(length_m: float, basis: str) -> str:
    """Write the length of a launch or receive fibre and how it is known."""
    return f"{distance_text(length_m, km=False)} ({basis})"


def _table(page: Page, report: PairReport) -> None:
    page.line()
    page.paragraph(title_of(report.measurement.ab))
    page.row(("No", "Distance", "A→B", "B→A", "Splice", "±U", ""), _COLUMN_WIDTHS)
    page.row(("", "from A", "dB", "dB", "loss dB", "k = 2", "Verdict"), _COLUMN_WIDTHS)
    page.rule()
    for judged in report.splices:
        reading = judged.reading
        cells = (
            str(reading.number),
            distance_text(reading.distance_m, km=report.in_km),
            _figure(reading.loss_ab_db, Quantity.LOSS_DB),
            _figure(reading.loss_ba_db, Quantity.LOSS_DB),
            _figure(reading.loss_db, Quantity.LOSS_DB),
            _figure(reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
            "; ".join(_remarks(judged)),
        )
        page.row(cells, _COLUMN_WIDTHS, tone=_TONES[judged.verdict])
    if not report.splices:
        page.line(say("screen", "nothing-found"))
    page.rule()
    if report.splices:
        page.paragraph(say("screen", "loss-and-u"))
    if any(judged.gain_seen_from for judged in report.splices):
        page.paragraph(say("screen", "gainer"))


def _figure(value: float | None, quantity: Quantity) -> str:
    decimal = reported(value, quantity)
    return "-" if decimal is None else str(decimal)


def _remarks(judged: Judged) -> Iterator[str]:
    """The verdict in words, after what stands there if it is no plain splice."""
    kind = judged.reading.kind
    yield judged.verdict.value if kind is Kind.SPLICE else f"{kind.value}: {judged.verdict.value}"
    if judged.near_limit and judged.verdict is not Verdict.TOO_CLOSE:
        yield "near limit"
    if judged.gain_seen_from:
        yield f"gainer from {judged.gain_seen_from}"


def _bullets(page: Page, heading: str, sentences: Sequence[str]) -> None:
    if not sentences:
        return
    page.line()
    page.line(heading)
    for sentence in sentences:
        page.bullet(sentence)


def _findings(report: PairReport) -> tuple[list[str], list[str]]:
    """What asks for a look and is said nowhere else, and what is merely worth knowing."""
    said: list[Finding] = [f for step in report.next_steps for _, f in step.values
                           if isinstance(f, Finding)]  # fmt: skip
    noticed: list[str] = []
    notes: list[str] = []
    for about, finding in findings_by_source(report):
        if finding not in said:
            is_note = finding.severity is Severity.NOTE and finding not in report.notes
            (notes if is_note else noticed).append(line(finding, about))
    return noticed, notes


def _details(page: Page, report: PairReport) -> None:
    """Add what only those want who check the measurement itself."""
    measurement, km = report.measurement, report.in_km
    page.line()
    page.line(say("screen", "details"))
    axis = measurement.axis
    u_m = reported(2 * axis.u_length_m, Quantity.U_DISTANCE_M)
    page.entry("Span", f"{distance_text(axis.length_m, km=km)} ± {u_m} m (k = 2)")
    overall = _attenuation(measurement.attenuation_db_per_km, measurement.u_attenuation_db_per_km)
    page.entry("Fibre", f"{overall} (k = 2), without splices")
    for section in measurement.sections:
        ends = f"{distance_text(section.start_m, km=km)} to {distance_text(section.end_m, km=km)}"
        attenuation = _attenuation(section.attenuation_db_per_km, section.u_attenuation_db_per_km)
        page.entry("", f"{ends}: {attenuation}")
    index = reported(axis.group_index, Quantity.GROUP_INDEX)
    page.entry("Distances", f"group index {index} for both shots ({_index_basis(report)})")
    residuals = ", ".join(str(reported(r, Quantity.DISTANCE_M)) for r in axis.residuals_m)
    agreement = f"; residuals in m: {residuals}" if residuals else ""
    page.entry("Both ends", f"{counted(axis.matched, 'event')} seen from both ends{agreement}")
    label = "Detection"
    for limit in detection_limits(measurement):
        page.entry(label, _limit_line(limit, km=km))
        label = ""
    label = "Receiver"
    for detection in (measurement.detection_ab, measurement.detection_ba):
        shot = detection.shot
        page.entry(label, f"{shot.trace.identity.direction.value}: {response_statement(shot)}")
        label = ""
    for budget in budgets_of(measurement):
        page.line()
        write_budget(page, budget, km=km)
    page.line()
    page.line(f"otdravg {__version__}")


def _attenuation(value: float | None, u_value: float | None) -> str:
    attenuation = reported(value, Quantity.ATTENUATION_DB_PER_KM)
    if attenuation is None:
        return "too short to measure"
    expanded = None if u_value is None else 2 * u_value
    return f"{attenuation} ± {reported(expanded, Quantity.U_ATTENUATION_DB_PER_KM)} dB/km"


def _limit_line(limit: DirectionLimit, *, km: bool) -> str:
    """Say how small a step one shot shows, at its worst place clear of events."""
    end = "A" if limit.direction is Direction.A_TO_B else "B"
    smallest_db = reported(limit.worst_db, Quantity.UNCERTAINTY_DB)
    if limit.worst_m is None or smallest_db is None:
        return f"from {end} no splice can be seen in this shot"
    at = distance_text(limit.worst_m, km=km)
    sentence = f"from {end} at {at} a splice below {smallest_db} dB cannot be seen in this shot"
    if limit.blind_m:
        places = ", ".join(distance_text(z, km=km) for z in limit.blind_m)
        sentence += f"; around {places} none can"
    return sentence


def _index_basis(report: PairReport) -> str:
    """Say where the common group index comes from."""
    own = {
        "A→B": reported(report.measurement.ab.settings.group_index, Quantity.GROUP_INDEX),
        "B→A": reported(report.measurement.ba.settings.group_index, Quantity.GROUP_INDEX),
    }
    common = reported(report.measurement.axis.group_index, Quantity.GROUP_INDEX)
    others = [f"{name} says {index}" for name, index in own.items() if index != common]
    return ", ".join(others) or "as in both files"
