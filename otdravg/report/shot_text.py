"""What is in a trace file, for an 80-column terminal."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from otdravg.quantities import Quantity, distance, in_km, reported
from otdravg.report.page import Page
from otdravg.shot.settings import TableEvent
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.words.catalogue import Language, line
from otdravg.words.headings import Words
from otdravg.words.statements import response_statement, taken_statement, title_of

_COLUMN_WIDTHS = (3, 12, 9, 9, 12)


def shot_text(
    trace: Trace,
    shot: Shot | None = None,
    *,
    ascii_only: bool = False,
    colour: bool = False,
    language: Language = Language.ENGLISH,
) -> str:
    """Write one shot's identity, settings, findings and the file's own event table.

    ``shot`` is the trace made ready for measuring; None where it shows no fibre.
    """
    page, words = Page(ascii_only=ascii_only, colour=colour), Words(language)
    page.paragraph(trace.identity.path)
    for label, text in _identity(trace, words):
        page.entry(words.say("show", f"label-{label}"), text)
    page.line()
    for label, text in _settings(trace, shot, words):
        page.entry(words.say("show", f"label-{label}"), text)
    _table(page, trace, words)
    if trace.findings:
        page.line()
        page.line(words.say("show", "findings"))
        for finding in trace.findings:
            page.bullet(line(finding, language=language))
    return page.text()


def _identity(trace: Trace, words: Words) -> Iterator[tuple[str, str]]:
    """Labels with what a shot says of itself."""
    identity = trace.identity
    yield "hash", identity.sha256
    title = title_of(trace, words.language)
    nm = float(identity.wavelength_nm)
    yield "shot", words.say("show", "shot", title=title, wavelength_nm=nm)
    yield "ends", words.say(
        "show", "ends", a=identity.location_a or "?", b=identity.location_b or "?",
        direction=identity.direction.value,
    )  # fmt: skip
    taken, operator = taken_statement(identity, words.language), identity.operator
    yield (
        "taken",
        words.say("show", "taken-by", taken=taken, operator=operator) if operator else taken,
    )
    if identity.instrument:
        yield "instrument", identity.instrument
    if identity.comment:
        yield "comment", identity.comment


def _settings(trace: Trace, shot: Shot | None, words: Words) -> Iterator[tuple[str, str]]:
    """Labels with the settings of a shot."""
    settings = trace.settings
    reach_m = trace.offset_m() + trace.spacing_m() * (trace.level_db.size - 1)
    user_offset_m = reported(trace.user_offset_m(), Quantity.DISTANCE_M)
    said = partial(words.say, "show")
    yield "pulse", said("pulse", pulse_ns=settings.pulse_ns, length_m=trace.pulse_m())
    yield "points", said(
        "points", points=trace.level_db.size, reach_km=reach_m / 1000,
        spacing=reported(trace.spacing_m(), Quantity.SPACING_M),
    )  # fmt: skip
    yield "index", said("index", index=settings.group_index)
    yield (
        "backscatter",
        said(
            "backscatter",
            coefficient=reported(settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB),
        ),
    )
    yield (
        "averaging",
        said("averaging", averages=settings.averages, time_s=settings.averaging_time_s),
    )
    yield (
        "start",
        (said("user-offset", offset_m=user_offset_m) if user_offset_m else said("not-set")),
    )
    yield (
        "receiver",
        (said("no-fibre") if shot is None else response_statement(shot, words.language)),
    )
    yield "format", said("format", revision=f"{settings.revision / 100:.1f}")


def _table(page: Page, trace: Trace, words: Words) -> None:
    page.line()
    if not trace.table:
        page.line(words.say("show", "no-table"))
        return
    page.line(words.say("show", "table"))
    page.row(words.say("show", "heads").split("|"), _COLUMN_WIDTHS)
    page.rule()
    index = trace.settings.group_index
    km = in_km(max(event.distance_m(index) for event in trace.table))
    for event in trace.table:
        figures = (
            (event.loss_db, Quantity.LOSS_DB),
            (event.slope_db_per_km, Quantity.ATTENUATION_DB_PER_KM),
            (event.reflectance_db, Quantity.REFLECTANCE_DB),
        )
        page.row(
            (
                str(event.number),
                words.told(distance(event.distance_m(index), km=km)),
                *(words.decimal(reported(value, what)) or "-" for value, what in figures),
                _remark(event, words),
            ),
            _COLUMN_WIDTHS,
        )
    page.rule()


def _remark(event: TableEvent, words: Words) -> str:
    letter = event.code[:1]
    parts = [event.code, words.say("show", f"letter-{letter}") if letter in ("0", "1", "2") else ""]
    parts += [words.say("show", "end-of-fibre") if event.is_end else "", event.comment]
    return "; ".join(part for part in parts if part)
