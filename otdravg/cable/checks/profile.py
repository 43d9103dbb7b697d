"""Pairs of shots held against a profile, and what it asks that nothing shows."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace

from otdravg.cable.checks.notes import about_fibre, files_of
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Confidence, IdentityCheck
from otdravg.findings import Scope, Severity, caution, note, says
from otdravg.trade import numbers_text
from otdravg.verdict.connector import asks_for_ends, end_event, guards_all
from otdravg.verdict.rules import LaunchUse, OneWayCause, Profile, SpanReading
from otdravg.verdict.shots import data_findings, span_seen_m


def profile_findings(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    """List pairs whose data do not meet a profile."""
    return [*_lengths(measured, profile), *_ends(measured, profile)]


def numbering_asked(
    identities: Sequence[IdentityCheck], findings: Sequence[CableFinding], profile: Profile
) -> list[CableFinding]:
    """Where the profile asks for a proof of the numbering, labels alone are more than a note.

    A decision that acknowledges the finding names the proof, such as a continuity test.
    """
    if not profile.completeness.numbering_proved:
        return list(findings)
    code = "numbering-by-labels"
    result = [
        replace(f, said=replace(f.said, severity=Severity.CAUTION)) if f.code == code else f
        for f in findings
    ]
    untold = Counter(i.key.cable for i in identities if i.confidence is Confidence.NOT_TOLD)
    noted = {f.cable for f in findings if f.code == code}
    return result + [
        CableFinding(
            caution("numbering-by-labels", Scope.CABLE, "asked", fibres=count), cable=cable
        )
        for cable, count in sorted(untold.items())
        if cable not in noted
    ]


def not_applied(profile: Profile, *, is_compared: bool, has_power: bool) -> list[CableFinding]:
    """Say which keys of a profile a review of a cable cannot answer, each with the reason.

    ``is_compared``: with an earlier run; ``has_power``: readings of a power meter are listed.
    """
    keys = []
    if profile.change.increase_limit_db is not None and not is_compared:
        keys.append((caution, "change.increase_limit_db", says("no-earlier-run")))
    if profile.span.reading is SpanReading.POWER and not has_power:
        keys.append((caution, "span.reading", says("no-power-reading")))
    if OneWayCause.NOT_TERMINATED in profile.one_way.reasons:
        keys.append((note, "one_way.reasons", says("cause-unrecorded")))
    if not guards_all(profile):
        keys.append((note, "decision.rule", says("unguarded")))
    return [
        CableFinding(grave("key-not-applied", Scope.CABLE, key=key, why=why))
        for grave, key, why in keys
    ]


def _ends(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    """Connectors at the ends that the profile limits and no shot shows, once for each cable."""
    if not asks_for_ends(profile) or profile.setup.launch is LaunchUse.NONE:
        return []
    hidden: dict[str, list[int]] = defaultdict(list)
    for one in measured:
        axis = one.outcome.axis
        if axis is None:
            continue
        for sketch, start_m in (
            (one.outcome.sketch_ab, axis.start_a_m),
            (one.outcome.sketch_ba, axis.start_b_m),
        ):
            # A launch fibre that the profile requires is missed already.
            if start_m <= 0 and profile.setup.launch is LaunchUse.REQUIRED:
                continue
            if sketch and end_event(sketch.events, start_m, sketch.placing_m) is None:
                hidden[one.key.cable].append(one.key.fibre)
    return [
        CableFinding(
            caution("ends-not-judged", Scope.CABLE, shots=len(fibres), fibres=numbers_text(fibres)),
            cable=cable,
        )
        for cable, fibres in hidden.items()
    ]


def _lengths(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    findings = []
    for one in measured:
        axis, ab, ba = one.outcome.axis, one.outcome.sketch_ab, one.outcome.sketch_ba
        if axis is None or ab is None or ba is None:
            continue
        ends_m = [sketch.end_m if sketch.end_seen else None for sketch in (ab, ba)]
        ab_m = span_seen_m(ends_m[0], axis.start_a_m, axis.start_b_m, axis.length_m)
        ba_m = span_seen_m(ends_m[1], axis.start_b_m, axis.start_a_m, axis.length_m)
        where = {"wavelength_nm": one.wavelength_nm, "files": files_of(one.records)}
        findings += [
            about_fibre(one.key, replace(f, where=Scope.CABLE), **where)
            for f in data_findings(profile, ab_m, ba_m)
        ]
    return findings
