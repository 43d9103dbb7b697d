"""Shots that do not look like their neighbours: wavelength label, index, clock, cords, set-up."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from otdravg.cable.checks.notes import about_shot, numbers_text
from otdravg.cable.files.attempts import ODD_TIME, date_of
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse
from otdravg.findings import Severity
from otdravg.shot.settings import Settings
from otdravg.verdict.rules import Profile
from otdravg.verdict.shots import receive_cord_m, setup_findings
from otdravg.words.bridge import done_of, text_of

__all__ = [
    "clock_oddities",
    "cords_missing",
    "index_oddities",
    "outside_profile",
    "pulse_oddities",
    "usual_indices",
    "wrong_labels",
]

#: Typical attenuation of single-mode fibre in dB/km, only to tell 1310 nm from longer
#: wavelengths where a cable has no other shots to compare with (common practice, no source).
_TYPICAL_DB_PER_KM = {1310: 0.34, 1383: 0.31, 1490: 0.23, 1550: 0.20, 1625: 0.21}
#: Wavelengths whose usual attenuations lie closer than this cannot be told by attenuation, dB/km.
_TOLD_APART_DB_PER_KM = 0.05
#: A shorter shot does not tell its attenuation well enough, m.
_LEAST_LENGTH_M = 1000.0
#: A setting that this share of the shots has is the usual one, and others stand out.
_NEARLY_ALL = 0.8


@dataclass(frozen=True, slots=True)
class _Seen:
    record: ShotRecord
    sketch: Sketch


def _seen(measured: Sequence[Measured]) -> list[_Seen]:
    return [
        _Seen(record, sketch)
        for one in measured
        for record, sketch in zip(
            one.records, (one.outcome.sketch_ab, one.outcome.sketch_ba), strict=True
        )
        if record is not None and sketch is not None
    ]


def wrong_labels(measured: Sequence[Measured]) -> list[CableFinding]:
    """Find shots whose attenuation is that of another wavelength.

    Each shot's typical attenuation is held against the medians of its cable at every
    wavelength: nearer to another one's median than to its own is evidence of a wrong label,
    if both medians lie far enough apart.
    """
    by_cable: dict[str, list[_Seen]] = defaultdict(list)
    for seen in _seen(measured):
        by_cable[seen.record.taken_for.cable].append(seen)
    findings = []
    for members in by_cable.values():
        usual = _usual_attenuation(members)
        for seen in members:
            label = seen.record.taken_for.wavelength_nm or 0
            own = usual[label]
            slope = seen.sketch.slope_db_per_km
            nm, other = min(usual.items(), key=lambda item: abs(item[1] - slope))
            if abs(other - own) < _TOLD_APART_DB_PER_KM or nm == label:
                continue
            if seen.sketch.end_m < _LEAST_LENGTH_M:
                continue
            if abs(slope - other) < 0.5 * abs(slope - own):
                findings.append(
                    about_shot(
                        seen.record,
                        Severity.DEFECT,
                        "wavelength-label",
                        f"labelled {label} nm, but it loses {slope:.3f} dB/km: other shots at "
                        f"{label} nm lose {own:.3f}, at {nm} nm {other:.3f} dB/km",
                        f"left out of the measurement; if it is a {nm} nm shot, say so in a "
                        f"mapping table, and look for the {label} nm shot",
                    )
                )
    return findings


def _usual_attenuation(members: Sequence[_Seen]) -> dict[int, float]:
    """Median attenuation by wavelength; typical figures for wavelengths with few shots."""
    slopes: dict[int, list[float]] = defaultdict(list)
    for seen in members:
        slopes[seen.record.taken_for.wavelength_nm or 0].append(seen.sketch.slope_db_per_km)
    usual = {
        nm: median(values) if len(values) >= 5 else _TYPICAL_DB_PER_KM.get(nm, median(values))
        for nm, values in slopes.items()
    }
    if len(usual) == 1:
        label = next(iter(usual))
        usual |= {nm: typical for nm, typical in _TYPICAL_DB_PER_KM.items() if nm != label}
    return usual


def usual_indices(records: Sequence[ShotRecord]) -> dict[tuple[str, int], float]:
    """Return the group index that most shots of each cable and wavelength carry."""
    counts: dict[tuple[str, int], Counter[float]] = defaultdict(Counter)
    for _, settings, place in _counted(records):
        counts[place][round(settings.group_index, 5)] += 1
    return {
        place: min(own, key=lambda index: (-own[index], index)) for place, own in counts.items()
    }


def index_oddities(
    records: Sequence[ShotRecord], usual: Mapping[tuple[str, int], float]
) -> list[CableFinding]:
    """Find shots taken with another group index than most at their wavelength."""
    groups: dict[tuple[str, int, float], list[ShotRecord]] = defaultdict(list)
    for record, settings, (cable, nm) in _counted(records):
        index = round(settings.group_index, 5)
        if index != usual[cable, nm]:
            groups[cable, nm, index].append(record)
    return [
        _setting_finding(
            "index-differs",
            f"group index {index:.5f} in {_shots_at(members, nm)}, {usual[cable, nm]:.5f} in most",
            f"all were put on {usual[cable, nm]:.5f}, so the file's own distances differ from "
            "these; set the cable's index on the instrument",
            members,
        )
        for (cable, nm, index), members in sorted(groups.items())
    ]


def pulse_oddities(records: Sequence[ShotRecord]) -> list[CableFinding]:
    """Find shots taken with another pulse than nearly all at their wavelength.

    Whatever the profile asks for: a setting that one shot alone has was changed by mistake.
    """
    groups: dict[tuple[str, int], dict[float, list[ShotRecord]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for record, settings, place in _counted(records):
        groups[place][settings.pulse_ns].append(record)
    findings = []
    for (_, nm), by_pulse in sorted(groups.items()):
        usual_ns = min(by_pulse, key=lambda pulse_ns: (-len(by_pulse[pulse_ns]), pulse_ns))
        if len(by_pulse[usual_ns]) < _NEARLY_ALL * sum(map(len, by_pulse.values())):
            continue
        findings += [
            _setting_finding(
                "pulse-differs",
                f"pulse of {pulse_ns:g} ns in {_shots_at(members, nm)}, {usual_ns:g} ns in most",
                "measured all the same, with the dead zones of its own pulse; shoot again if "
                "the contract names a pulse",
                members,
            )
            for pulse_ns, members in sorted(by_pulse.items())
            if pulse_ns != usual_ns
        ]
    return findings


def _counted(
    records: Sequence[ShotRecord],
) -> Iterator[tuple[ShotRecord, Settings, tuple[str, int]]]:
    """Go over the shots that count, with their settings, cable and wavelength."""
    for record in records:
        nm = record.taken_for.wavelength_nm
        if record.settings is not None and nm is not None and record.attempt:
            yield record, record.settings, (record.taken_for.cable, nm)


def _shots_at(members: Sequence[ShotRecord], nm: int) -> str:
    """How many shots at a wavelength, and of which fibres."""
    fibres = {r.taken_for.fibre for r in members if r.taken_for.fibre}
    shots = "1 shot" if len(members) == 1 else f"{len(members)} shots"
    noun = "fibre" if len(fibres) == 1 else "fibres"
    return f"{shots} at {nm} nm ({noun} {numbers_text(fibres)})"


def _setting_finding(
    code: str, evidence: str, what_to_do: str, members: Sequence[ShotRecord]
) -> CableFinding:
    """Say once what several shots have in common; of a single fibre, name it."""
    one = members[0].taken_for
    fibres = sorted({r.taken_for.fibre for r in members if r.taken_for.fibre is not None})
    same_fibre = len(fibres) == 1
    ends = {r.taken_for.direction.value for r in members}
    return CableFinding(
        Severity.CAUTION,
        code,
        evidence,
        what_to_do,
        cable=one.cable,
        fibre=one.fibre if same_fibre else None,
        wavelength_nm=one.wavelength_nm,
        direction=ends.pop() if len(ends) == 1 and same_fibre else "",
        files=tuple(r.path for r in members),
        other_fibres=() if same_fibre else tuple(fibres),
    )


def clock_oddities(records: Sequence[ShotRecord]) -> list[CableFinding]:
    """Find shots whose time cannot be right: never set, ahead of today, or years from the others.

    A date that is none harms nobody by itself: no order of shots rests on it.
    """
    by_cable: dict[str, list[ShotRecord]] = defaultdict(list)
    for record in records:
        if record.identity is not None and record.use is not ShotUse.REPEAT:
            by_cable[record.taken_for.cable].append(record)
    findings = []
    for members in by_cable.values():
        dates = [date_of(record) for record in members]
        times = sorted(date for date in dates if date is not None)
        undated = [r for r, date in zip(members, dates, strict=True) if date is None]
        if undated:
            findings.append(_undated(undated))
        groups: dict[str, list[ShotRecord]] = defaultdict(list)
        for record, date in zip(members, dates, strict=True):
            middle = times[(len(times) - 1) // 2] if times else None
            if date is not None and middle is not None and abs(date - middle) > ODD_TIME:
                years = (date - middle).days / 365.25
                way = "before" if years < 0 else "after"
                text = f"taken {abs(years):.1f} years {way} most shots of the cable"
                groups[f"{text} ({date:%Y-%m-%d} against {middle:%Y-%m-%d})"].append(record)
        findings += [
            _clock_finding(
                Severity.CAUTION,
                "clock-odd",
                f"{text}: {_files(odd)}",
                "check that they are of this job; set the instrument's clock",
                odd,
            )
            for text, odd in sorted(groups.items())
        ]
    return findings


def _undated(records: Sequence[ShotRecord]) -> CableFinding:
    clocks = sorted({f"{r.taken:%Y-%m-%d}" for r in records if r.taken is not None})
    shown = f" (the clock shows {clocks[0]}{' and more' if len(clocks) > 1 else ''})"
    return _clock_finding(
        Severity.NOTE,
        "date-unknown",
        f"date unknown: {_files(records)}{shown if clocks else ''}",
        "no order of shots was taken from these dates; set the instrument's clock",
        records,
    )


def _files(records: Sequence[ShotRecord]) -> str:
    """Write how many files some records are."""
    return "1 file" if len(records) == 1 else f"{len(records)} files"


def _clock_finding(
    severity: Severity, code: str, evidence: str, what_to_do: str, odd: Sequence[ShotRecord]
) -> CableFinding:
    one = odd[0].taken_for
    fibres = sorted({r.taken_for.fibre for r in odd if r.taken_for.fibre is not None})
    same_fibre = len(fibres) == 1
    ends = {r.taken_for.direction.value for r in odd}
    return CableFinding(
        severity,
        code,
        evidence,
        what_to_do,
        cable=one.cable,
        fibre=one.fibre if same_fibre else None,
        direction=ends.pop() if len(ends) == 1 and same_fibre else "",
        files=tuple(r.path for r in odd),
        other_fibres=() if same_fibre else tuple(fibres),
    )


def cords_missing(measured: Sequence[Measured]) -> list[CableFinding]:
    """Find shots without a launch cord in a cable where most shots have one."""
    by_end: dict[tuple[str, int], list[tuple[ShotRecord, float]]] = defaultdict(list)
    for one in measured:
        axis = one.outcome.axis
        if axis is None:
            continue
        for side, (record, start_m) in enumerate(
            zip(one.records, (axis.start_a_m, axis.start_b_m), strict=True)
        ):
            if record is not None:
                by_end[one.key.cable, side].append((record, start_m))
    findings = []
    for members in by_end.values():
        with_cord = [start_m for _, start_m in members if start_m > 0]
        if len(with_cord) < 0.5 * len(members):
            continue
        usual_m = median(with_cord)
        findings += [
            about_shot(
                record,
                Severity.CAUTION,
                "cord-missing",
                f"no launch fibre shows, others from this end have {usual_m:.0f} m",
                "the first splice may lie in the dead zone; shoot again with the launch fibre, or "
                "set the span's start on the instrument",
            )
            for record, start_m in members
            if start_m <= 0
        ]
        findings += [
            about_shot(
                record,
                Severity.CAUTION,
                "cord-differs",
                f"launch fibre of {start_m:.0f} m, others from this end have {usual_m:.0f} m",
                "distances were counted from its end; check that it is its",
            )
            for record, start_m in members
            if start_m > 0 and abs(start_m - usual_m) > max(20.0, 0.05 * usual_m)
        ]
    return findings


def outside_profile(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    """List settings outside the profile, equal ones gathered into one finding."""
    groups: dict[tuple[str, Severity, str, str, str, int | None], list[ShotRecord]] = defaultdict(
        list
    )
    for one in measured:
        axis = one.outcome.axis
        starts = (None, None) if axis is None else (axis.start_a_m, axis.start_b_m)
        sketches = one.outcome.sketch_ab, one.outcome.sketch_ba
        for side, record in enumerate(one.records):
            if record is None or record.identity is None or record.settings is None:
                continue
            sketch, start_m = sketches[side], starts[side]
            end_m = sketch.end_m if sketch is not None and sketch.end_seen else None
            cord_m = None
            if axis is not None and start_m is not None:
                cord_m = receive_cord_m(end_m, start_m, axis.length_m)
            for finding in setup_findings(
                profile,
                record.identity,
                record.settings,
                fibre_length_m=None if axis is None else axis.length_m,
                launch_m=start_m,
                receive_m=cord_m,
            ):
                place = (
                    one.key.cable,
                    finding.severity,
                    finding.code,
                    text_of(finding),
                    done_of(finding),
                    record.taken_for.wavelength_nm,
                )
                groups[place].append(record)
    findings = []
    for (cable, severity, code, text, done, nm), members in groups.items():
        fibres = sorted({r.taken_for.fibre for r in members if r.taken_for.fibre is not None})
        findings.append(
            CableFinding(
                severity,
                code,
                text + (f" ({len(members)} shots)" if len(members) > 1 else ""),
                done,
                cable=cable,
                fibre=fibres[0] if len(fibres) == 1 else None,
                wavelength_nm=nm,
                files=tuple(r.path for r in members),
                other_fibres=tuple(fibres) if len(fibres) > 1 else (),
            )
        )
    return findings
