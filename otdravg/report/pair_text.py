"""A pair's report as a table for an 80-column terminal."""

from __future__ import annotations

from collections.abc import Iterator

from otdravg import __version__
from otdravg.fit.reading import Kind
from otdravg.pair.budget import Budget
from otdravg.pair.visible import DirectionLimit, detection_limits
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.budget import write_budget
from otdravg.report.page import Page, Tone
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.verdict.judge import Judged, PairReport, Verdict
from otdravg.words.catalogue import line, told
from otdravg.words.statements import (
    CAUTION,
    findings_by_source,
    limit_statement,
    rule_statement,
    span_start_statement,
    title_of,
)

__all__ = ["pair_text"]

_COLUMN_WIDTHS = (3, 11, 8, 8, 9, 7)
_ROOM_FOR_VERDICT = 32

_TONES = {
    Verdict.WITHIN: Tone.GOOD,
    Verdict.OVER: Tone.BAD,
    Verdict.TOO_CLOSE: Tone.LOOK,
    Verdict.IMPLAUSIBLE: Tone.BAD,
    Verdict.ONE_WAY: Tone.LOOK,
    Verdict.NOT_MEASURED: Tone.LOOK,
    Verdict.NOT_JUDGED: Tone.QUIET,
}


def pair_text(
    report: PairReport,
    *,
    ascii_only: bool = False,
    colour: bool = False,
    explained: Budget | None = None,
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
    explained : Budget, optional
        Uncertainty budget of one splice, to be added.
    """
    page = Page(ascii_only=ascii_only, colour=colour)
    _heading(page, report)
    _table(page, report)
    _totals(page, report)
    _axis(page, report)
    _detection(page, report)
    _findings(page, report)
    if explained is not None:
        page.line()
        seen = (report.measurement.detection_ab.shot, report.measurement.detection_ba.shot)
        write_budget(page, explained, seen, km=report.in_km)
    page.line()
    page.line("What to do next")
    for step in report.next_steps:
        page.bullet(told(step))
    page.line()
    page.paragraph(CAUTION)
    return page.text()


def _heading(page: Page, report: PairReport) -> None:
    measurement = report.measurement
    identity = measurement.ab.identity
    page.paragraph(f"otdravg {__version__}: true splice loss, {title_of(measurement.ab)}")
    if identity.location_a or identity.location_b:
        page.entry("Ends", f"A = {identity.location_a or '?'}, B = {identity.location_b or '?'}")
    page.entry("A→B", _shot_line(measurement.ab))
    page.entry("B→A", _shot_line(measurement.ba))
    page.entry("Limit", limit_statement(report))
    page.entry("Rule", rule_statement(report))


def _shot_line(trace: Trace) -> str:
    taken = trace.identity.taken
    when = "no date" if taken is None else f"{taken:%Y-%m-%d %H:%M} UTC"
    return f"{trace.identity.path} ({trace.settings.pulse_ns:g} ns pulse, {when})"


def _table(page: Page, report: PairReport) -> None:
    page.line()
    page.row(("No", "Distance", "A→B", "B→A", "True", "±U", ""), _COLUMN_WIDTHS)
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
        page.row(
            cells,
            _COLUMN_WIDTHS,
            room=_ROOM_FOR_VERDICT,
            tone=_TONES.get(judged.verdict, Tone.LOOK),
        )
    if not report.splices:
        page.line("(no splice or connector was found)")
    page.rule()
    if any(judged.gain_seen_from for judged in report.splices):
        page.paragraph(
            "Gain: a reading below zero from one end is no fault and no bonus. The glass behind "
            "the splice scatters more; only the true loss counts."
        )


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
        yield f"gain from {judged.gain_seen_from}"


def _totals(page: Page, report: PairReport) -> None:
    measurement = report.measurement
    km = report.in_km
    page.line()
    if report.sum_db is not None:
        page.entry("Splices", f"sum {report.sum_db} dB ({_counted(report.sum_count)} both ways)")
    if report.mean_db is not None:
        page.entry("", f"mean {report.mean_db} dB ({_counted(report.mean_count)} both ways)")
    axis = measurement.axis
    expanded_m = reported(2 * axis.u_length_m, Quantity.U_DISTANCE_M)
    page.entry("Span", f"{distance_text(axis.length_m, km=km)} ± {expanded_m} m (k = 2)")
    overall = _attenuation(measurement.attenuation_db_per_km, measurement.u_attenuation_db_per_km)
    page.entry("Fibre", f"{overall} (k = 2), without splices")
    for section in measurement.sections:
        ends = f"{distance_text(section.start_m, km=km)} to {distance_text(section.end_m, km=km)}"
        attenuation = _attenuation(section.attenuation_db_per_km, section.u_attenuation_db_per_km)
        page.entry("", f"{ends}: {attenuation}")


def _counted(count: int) -> str:
    return f"{count} place measured" if count == 1 else f"{count} places measured"


def _attenuation(value: float | None, u_value: float | None) -> str:
    attenuation = reported(value, Quantity.ATTENUATION_DB_PER_KM)
    if attenuation is None:
        return "too short to measure"
    expanded = None if u_value is None else 2 * u_value
    return f"{attenuation} ± {reported(expanded, Quantity.U_ATTENUATION_DB_PER_KM)} dB/km"


def _axis(page: Page, report: PairReport) -> None:
    axis = report.measurement.axis
    page.line()
    index = reported(axis.group_index, Quantity.GROUP_INDEX)
    page.entry("Distances", f"group index {index} for both shots ({_index_basis(report)})")
    page.entry("Cord at A", _cord(axis.start_a_m, span_start_statement(axis, axis.basis_a)))
    page.entry("Cord at B", _cord(axis.start_b_m, span_start_statement(axis, axis.basis_b)))
    residuals = [reported(r, Quantity.DISTANCE_M) for r in axis.residuals_m]
    shown = ", ".join(str(r) for r in residuals)
    agreement = f"; residuals in m: {shown}" if residuals else ""
    noun = "event" if axis.matched == 1 else "events"
    page.entry("Both ends", f"{axis.matched} {noun} seen from both ends{agreement}")


def _detection(page: Page, report: PairReport) -> None:
    for k, limit in enumerate(detection_limits(report.measurement)):
        page.entry("" if k else "Detection", _limit_line(limit, km=report.in_km))


def _limit_line(limit: DirectionLimit, *, km: bool) -> str:
    """Say how small a step one shot shows, at its worst place clear of events."""
    end = "A" if limit.direction is Direction.A_TO_B else "B"
    smallest_db = reported(limit.worst_db, Quantity.UNCERTAINTY_DB)
    if limit.worst_m is None or smallest_db is None:
        return f"from {end} no splice can be seen in this shot"
    at = distance_text(limit.worst_m, km=km)
    line = f"from {end} at {at} a splice below {smallest_db} dB cannot be seen in this shot"
    if limit.blind_m:
        places = ", ".join(distance_text(z, km=km) for z in limit.blind_m)
        line += f"; around {places} none can"
    return line


def _cord(length_m: float, basis: str) -> str:
    """Write a cord's length and how it is known."""
    return f"{distance_text(length_m, km=False)} ({basis})"


def _index_basis(report: PairReport) -> str:
    """Say where the common group index comes from."""
    own = {
        "A→B": reported(report.measurement.ab.settings.group_index, Quantity.GROUP_INDEX),
        "B→A": reported(report.measurement.ba.settings.group_index, Quantity.GROUP_INDEX),
    }
    common = reported(report.measurement.axis.group_index, Quantity.GROUP_INDEX)
    same = [name for name, index in own.items() if index == common]
    if len(same) == 2:
        return "as in both files"
    others = ", ".join(f"{name} says {index}" for name, index in own.items() if name not in same)
    return f"{others}"


def _findings(page: Page, report: PairReport) -> None:
    findings = findings_by_source(report)
    if not findings:
        return
    page.line()
    page.line("Findings")
    for about, finding in findings:
        page.bullet(line(finding, about))
