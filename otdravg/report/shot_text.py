"""What is in a trace file, for an 80-column terminal."""

from __future__ import annotations

from otdravg.quantities import Quantity, distance_text, in_km, reported
from otdravg.report.page import Page
from otdravg.shot.settings import TableEvent
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.words.catalogue import line
from otdravg.words.statements import response_statement, taken_statement, title_of

__all__ = ["shot_text"]

_COLUMN_WIDTHS = (3, 12, 9, 9, 12)

_FIRST_LETTER = {"0": "no reflection", "1": "reflection", "2": "reflection, saturated"}


def shot_text(
    trace: Trace, shot: Shot | None = None, *, ascii_only: bool = False, colour: bool = False
) -> str:
    """Write one shot's identity, settings, findings and the file's own event table.

    ``shot`` is the trace made ready for measuring; None where it shows no fibre.
    """
    page = Page(ascii_only=ascii_only, colour=colour)
    _identity(page, trace)
    _settings(page, trace, shot)
    _table(page, trace)
    if trace.findings:
        page.line()
        page.line("Findings")
        for finding in trace.findings:
            page.bullet(line(finding))
    return page.text()


def _identity(page: Page, trace: Trace) -> None:
    identity = trace.identity
    page.paragraph(identity.path)
    page.entry("SHA-256", identity.sha256)
    page.entry("Shot", f"{title_of(trace)} ({identity.wavelength_nm:.1f} nm by its header)")
    ends = f"A = {identity.location_a or '?'}, B = {identity.location_b or '?'}"
    page.entry("Ends", f"{ends}, direction {identity.direction.value}")
    by = f" by {identity.operator}" if identity.operator else ""
    page.entry("Taken", f"{taken_statement(identity)}{by}")
    if identity.instrument:
        page.entry("Instrument", identity.instrument)
    if identity.comment:
        page.entry("Comment", identity.comment)


def _settings(page: Page, trace: Trace, shot: Shot | None) -> None:
    settings = trace.settings
    spacing = reported(trace.spacing_m(), Quantity.SPACING_M)
    reach_m = trace.offset_m() + trace.spacing_m() * (trace.level_db.size - 1)
    index = reported(settings.group_index, Quantity.GROUP_INDEX)
    coefficient = reported(settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB)
    user_offset = reported(trace.user_offset_m(), Quantity.DISTANCE_M)
    time_s = reported(settings.averaging_time_s, Quantity.TIME_S)
    page.line()
    page.entry(
        "Pulse",
        f"{settings.pulse_ns:g} ns, {distance_text(trace.pulse_m(), km=False)} long on the trace",
    )
    page.entry("Points", f"{trace.level_db.size}, every {spacing} m, up to {reach_m / 1000:.3f} km")
    page.entry("Index", f"{index} (group index)")
    page.entry("Backscatter", f"coefficient {coefficient} dB for a 1 ns pulse")
    page.entry("Averaging", f"{settings.averages} times, {time_s} s")
    page.entry("Span start", f"{user_offset} m (user offset)" if user_offset else "not set")
    learnt = "no fibre to learn it from" if shot is None else response_statement(shot)
    page.entry("Receiver", learnt)
    page.entry("Format", f"revision {settings.revision / 100:.1f}")


def _table(page: Page, trace: Trace) -> None:
    page.line()
    if not trace.table:
        page.line("The file has no event table of its own.")
        return
    page.line("The file's own event table (shown for comparison, never measured with)")
    page.row(("No", "Distance", "Loss dB", "dB/km", "Reflects dB", "Code"), _COLUMN_WIDTHS)
    page.rule()
    km = in_km(max(event.distance_m(trace.settings.group_index) for event in trace.table))
    for event in trace.table:
        page.row(
            (
                str(event.number),
                distance_text(event.distance_m(trace.settings.group_index), km=km),
                str(reported(event.loss_db, Quantity.LOSS_DB)),
                str(reported(event.slope_db_per_km, Quantity.ATTENUATION_DB_PER_KM)),
                str(reported(event.reflectance_db, Quantity.REFLECTANCE_DB) or "-"),
                _remark(event),
            ),
            _COLUMN_WIDTHS,
        )
    page.rule()


def _remark(event: TableEvent) -> str:
    meaning = _FIRST_LETTER.get(event.code[:1], "")
    parts = [event.code, meaning, "end of fibre" if event.is_end else "", event.comment]
    return "; ".join(part for part in parts if part)
