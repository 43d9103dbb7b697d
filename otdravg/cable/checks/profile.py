"""Pairs of shots held against a profile: lengths that differ, and shots older than the work."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from otdravg.cable.checks.notes import about_fibre, about_shots, fibres_of, files_of
from otdravg.cable.checks.states import repaired_splices
from otdravg.cable.log.held import unit_of
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Confidence, History, IdentityCheck, ShotRecord
from otdravg.findings import Scope, Severity, caution, note, says
from otdravg.trade import numbers_text
from otdravg.verdict.connector import asks_for_ends, end_event, guards_all
from otdravg.verdict.rules import LaunchUse, OneWayCause, Profile, SpanReading
from otdravg.verdict.shots import ShotNeed, data_findings, due_again, span_seen_m


def profile_findings(
    measured: Sequence[Measured], history: Sequence[History], profile: Profile
) -> list[CableFinding]:
    """List pairs whose data do not meet a profile.

    Parameters
    ----------
    measured : sequence of Measured
        Every fibre at every wavelength, earlier attempts included.
    history : sequence of History
        Splices that were shot more than once.
    profile : Profile
    """
    return [
        *_lengths(measured, profile),
        *_before_the_work(measured, history, profile),
        *_ends(measured, profile),
    ]


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


def _before_the_work(
    measured: Sequence[Measured], history: Sequence[History], profile: Profile
) -> list[CableFinding]:
    """Shots older than work on their fibre, as splices show it that changed in between.

    When the work was done no file says: taken is the middle between the shots before and
    after. A ribbon is cut as a whole, so that its other fibres were worked on too.
    """
    if not profile.completeness.retest_touched:
        return []
    touched = _touched(measured, history, profile.ribbon_size)
    taken: dict[str, dict[ShotNeed, ShotRecord]] = defaultdict(dict)
    for one in measured:
        for record in one.records:
            if record is not None and record.taken is not None:
                need = ShotNeed(one.key.fibre, record.taken_for.direction, one.wavelength_nm)
                taken[one.key.cable][need] = record
    findings = []
    for cable, when in touched.items():
        times = {n: r.taken for n, r in taken[cable].items() if r.taken is not None}
        by_wavelength: dict[int, list[ShotNeed]] = defaultdict(list)
        for need in due_again(profile, times, when):
            by_wavelength[need.wavelength_nm].append(need)
        for nm, needs in sorted(by_wavelength.items()):
            findings.append(_due_again(nm, [taken[cable][need] for need in needs]))
    return findings


def _due_again(nm: int, records: Sequence[ShotRecord]) -> CableFinding:
    said = caution(
        "shot-before-work", Scope.CABLE, "asked", shots=len(records),
        fibres=numbers_text(fibres_of(records)), at_nm=nm,
    )  # fmt: skip
    return about_shots(records, said, each=True, wavelength_nm=nm)


def _touched(
    measured: Sequence[Measured], history: Sequence[History], ribbon_size: int | None
) -> dict[str, dict[int, datetime]]:
    """When each fibre was worked on last, as far as changed splices tell; by cable and fibre."""
    changed = {file for finding in repaired_splices(history, ribbon_size) for file in finding.files}
    worked: dict[tuple[str, int], datetime] = {}
    for one in measured:
        if changed.intersection(files_of(one.records)) and (when := _between(one)) is not None:
            place = one.key.cable, unit_of(one.key.fibre, ribbon_size)
            worked[place] = max(when, worked.get(place, when))
    touched: dict[str, dict[int, datetime]] = defaultdict(dict)
    for one in measured:
        place = one.key.cable, unit_of(one.key.fibre, ribbon_size)
        if place in worked:
            touched[one.key.cable][one.key.fibre] = worked[place]
    return touched


def _between(one: Measured) -> datetime | None:
    """The middle between the shots before the work and those that stand."""
    before = [r.taken for r in one.stand.pair(1) if r is not None and r.taken is not None]
    after = [r.taken for r in one.records if r is not None and r.taken is not None]
    if not before or not after or max(before) >= min(after):
        return None
    return max(before) + (min(after) - max(before)) / 2
