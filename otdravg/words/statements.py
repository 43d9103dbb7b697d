"""Sentences that every output of a pair repeats in the same words."""

from __future__ import annotations

from otdravg.findings import Finding
from otdravg.fit.side import Axis, SpanStart
from otdravg.shot.settings import Identity, ResponseSource
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.verdict.judge import PairReport, Rule
from otdravg.words.catalogue import say

__all__ = [
    "caution_statement",
    "findings_by_source",
    "limit_statement",
    "response_statement",
    "rule_statement",
    "span_start_statement",
    "taken_statement",
    "title_of",
]

_RULES = {
    Rule.PLAIN: "at or below it is within",
    Rule.GUARDED: "guarded: too close to call where it lies inside loss ± U",
}


def caution_statement() -> str:
    """Say what to mind before anybody touches a fibre or a splicer."""
    return say("screen", "caution")


def limit_statement(report: PairReport) -> str:
    """Say which limit was used and whose it is."""
    limit = f"{report.limit_db} dB for each splice"
    if report.limit_is_stated:
        return limit
    return f"{limit}; this is a default, the contract's figure decides"


def rule_statement(report: PairReport) -> str:
    """Say how a loss is compared with the limit."""
    return _RULES[report.limits.rule]


def span_start_statement(axis: Axis, basis: SpanStart) -> str:
    """Say what told where the span begins in a shot."""
    return say("span-start", basis.value, connector_m=axis.lone_connector_m or 0.0)


def response_statement(shot: Shot) -> str:
    """Say how the instrument answers, and what told so."""
    response = shot.response
    source = say(
        "response", response.source.value, edges=response.edges, misfit=float(response.misfit)
    )
    if response.source is ResponseSource.NONE:
        return source + say("response", "not-held")
    if not response.poles and response.smoothing == 1:
        return say("response", "immediate") + source
    width, u_width = response.width_pulses(shot.pulse_m / shot.spacing_m)
    answer = say(
        "response", "width",
        width_pulses=width, expanded_pulses=2 * u_width, smoothing=response.smoothing,
    )  # fmt: skip
    return answer + source


def taken_statement(identity: Identity) -> str:
    """Say when a shot was taken; whether the instrument's clock was right nobody knows."""
    if identity.taken is None:
        return say("screen", "no-date")
    return say("screen", "taken", when=f"{identity.taken:%Y-%m-%d %H:%M}")


def title_of(trace: Trace) -> str:
    """Name the fibre of a shot as its header does, with the wavelength."""
    identity = trace.identity
    cable = f"cable {identity.cable}, " if identity.cable else ""
    fibre = f"fibre {identity.fibre}" if identity.fibre else "fibre without a name"
    return f"{cable}{fibre}, {identity.nominal_wavelength_nm} nm"


def findings_by_source(report: PairReport) -> tuple[tuple[str, Finding], ...]:
    """Every finding with what it is about: the pair or one of the shots."""
    measurement = report.measurement
    own = (*report.doubts, *report.notes)
    found = [("pair", f) for f in (*own, *(f for f in measurement.findings if f not in own))]
    for about, trace, detection in (
        ("shot A→B", measurement.ab, measurement.detection_ab),
        ("shot B→A", measurement.ba, measurement.detection_ba),
    ):
        found += [(about, finding) for finding in trace.findings]
        # The measurement has taken over what detection found, unless it is hand-made.
        found += [(about, f) for f in detection.findings if f not in measurement.findings]
    return tuple(found)
