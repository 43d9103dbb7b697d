"""Sentences that every output of a pair repeats in the same words."""

from __future__ import annotations

from otdravg.findings import Finding
from otdravg.fit.side import Axis, SpanStart
from otdravg.pair.same_glass import Glass
from otdravg.shot.settings import Identity, ResponseSource
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.verdict.judge import PairReport
from otdravg.words.catalogue import Language, say

_ENGLISH = Language.ENGLISH


def caution_statement(language: Language = _ENGLISH) -> str:
    """Say what to mind before anybody touches a fibre or a splicer."""
    return say("screen", "caution", language)


def limit_statement(report: PairReport, language: Language = _ENGLISH) -> str:
    """Say which limit was used and whose it is."""
    key = "no-limit" if report.limit_db is None else "limit"
    limit = say("pair", key, language, limit_db=report.limit_db)
    if report.by_profile:
        limit += say("pair", "of-profile", language, profile=report.profile.name)
    return limit if report.limit_is_stated else limit + say("pair", "is-default", language)


def rule_statement(report: PairReport, language: Language = _ENGLISH) -> str:
    """Say how a loss is compared with the limit."""
    return say("rule", report.limits.rule.value, language)


def span_start_statement(axis: Axis, basis: SpanStart, language: Language = _ENGLISH) -> str:
    """Say what told where the span begins in a shot."""
    return say("span-start", basis.value, language, connector_m=axis.lone_connector_m or 0.0)


def glass_statement(glass: Glass, language: Language = _ENGLISH) -> str:
    """Say how sure it is that both shots are of one fibre and from its two ends, and by what."""
    prior, factor, odds = glass.ends
    of_one = glass.one_fibre
    return say(
        "pair", "glass", language,
        prior_odds=prior, factor=factor, odds=odds,
        prior_odds_fibre=of_one[0], factor_fibre=of_one[1], odds_fibre=of_one[2],
        places=glass.places,
    )  # fmt: skip


def response_statement(shot: Shot, language: Language = _ENGLISH) -> str:
    """Say how the instrument answers, and what told so."""
    response = shot.response
    source = say(
        "response", response.source.value, language,
        edges=response.edges, misfit=float(response.misfit),
    )  # fmt: skip
    if response.source is ResponseSource.NONE:
        return source + say("response", "not-held", language)
    if not response.poles and response.smoothing == 1:
        return say("response", "immediate", language) + source
    width, u_width = response.width_pulses(shot.pulse_m / shot.spacing_m)
    answer = say(
        "response", "width", language,
        width_pulses=width, expanded_pulses=2 * u_width, smoothing=response.smoothing,
    )  # fmt: skip
    return answer + source


def taken_statement(identity: Identity, language: Language = _ENGLISH) -> str:
    """Say when a shot was taken; whether the instrument's clock was right nobody knows."""
    if identity.taken is None:
        return say("screen", "no-date", language)
    return say("screen", "taken", language, when=f"{identity.taken:%Y-%m-%d %H:%M}")


def title_of(trace: Trace, language: Language = _ENGLISH) -> str:
    """Name the fibre of a shot as its header does, with the wavelength."""
    identity = trace.identity
    key = "fibre" if identity.fibre else "nameless"
    fibre = say("pair", key, language, fibre=identity.fibre)
    if identity.cable:
        fibre = say("pair", "of-cable", language, cable=identity.cable, fibre=fibre)
    return f"{fibre}, {identity.nominal_wavelength_nm} nm"


def findings_by_source(report: PairReport) -> tuple[tuple[str, Finding], ...]:
    """Every finding with what it is about: the pair or one of the shots."""
    measurement = report.measurement
    own = (*report.doubts, *report.notes, *report.breaches)
    found = [("pair", f) for f in (*own, *(f for f in measurement.findings if f not in own))]
    for about, trace, detection in (
        ("shot A→B", measurement.ab, measurement.detection_ab),
        ("shot B→A", measurement.ba, measurement.detection_ba),
    ):
        found += [(about, finding) for finding in trace.findings]
        # The measurement has taken over what detection found, unless it is hand-made.
        found += [(about, f) for f in detection.findings if f not in measurement.findings]
    return tuple(found)
