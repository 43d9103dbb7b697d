"""Shots that do not look like their neighbours: wavelength label, index, clock, cords, set-up."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median

from otdravg.cable.measuring import Sketch
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse
from otdravg.cable.notes import about_shot, numbers_text
from otdravg.cable.standing import Measured
from otdravg.findings import Severity
from otdravg.profile import Profile

__all__ = [
    "clock_oddities",
    "cords_missing",
    "index_oddities",
    "outside_profile",
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
#: Shots of one job lie closer together than this.
_ODD_TIME = timedelta(days=365)
#: A clock that was never set shows a time before this year (common practice, no source).
_FIRST_YEAR = 2000


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
    for record in records:
        taken = record.taken_for
        if record.settings is not None and taken.wavelength_nm is not None and record.attempt:
            counts[taken.cable, taken.wavelength_nm][round(record.settings.group_index, 5)] += 1
    return {
        place: min(own, key=lambda index: (-own[index], index)) for place, own in counts.items()
    }


def index_oddities(
    records: Sequence[ShotRecord], usual: Mapping[tuple[str, int], float]
) -> list[CableFinding]:
    """Find shots taken with another group index than most at their wavelength."""
    groups: dict[tuple[str, int, float], list[ShotRecord]] = defaultdict(list)
    for record in records:
        taken = record.taken_for
        if record.settings is None or taken.wavelength_nm is None or not record.attempt:
            continue
        index = round(record.settings.group_index, 5)
        if index != usual[taken.cable, taken.wavelength_nm]:
            groups[taken.cable, taken.wavelength_nm, index].append(record)
    return [
        CableFinding(
            Severity.CAUTION,
            "index-differs",
            f"group index {index:.5f} in {len(members)} of the shots at {nm} nm (fibres "
            f"{numbers_text(r.taken_for.fibre for r in members if r.taken_for.fibre)}), "
            f"{usual[cable, nm]:.5f} in most",
            f"all were put on {usual[cable, nm]:.5f}, so the file's own distances differ from "
            "these; set the cable's index on the instrument",
            cable=cable,
            wavelength_nm=nm,
            files=tuple(r.path for r in members),
        )
        for (cable, nm, index), members in sorted(groups.items())
    ]


def clock_oddities(records: Sequence[ShotRecord]) -> list[CableFinding]:
    """Find shots whose time cannot be right: never set, or years from the others."""
    by_cable: dict[str, list[ShotRecord]] = defaultdict(list)
    for record in records:
        if record.identity is not None and record.use is not ShotUse.REPEAT:
            by_cable[record.taken_for.cable].append(record)
    findings = []
    for members in by_cable.values():
        groups: dict[str, list[ShotRecord]] = defaultdict(list)
        times = sorted(
            r.taken for r in members if r.taken is not None and r.taken.year >= _FIRST_YEAR
        )
        middle = times[(len(times) - 1) // 2] if times else None
        for record in members:
            taken = record.taken
            if taken is None or taken.year < _FIRST_YEAR:
                groups["the clock was not set"].append(record)
            elif middle is not None and abs(taken - middle) > _ODD_TIME:
                years = (taken - middle).days / 365.25
                way = "before" if years < 0 else "after"
                text = f"taken {abs(years):.1f} years {way} most shots of the cable"
                groups[f"{text} ({taken:%Y-%m-%d} against {middle:%Y-%m-%d})"].append(record)
        findings += [_clock_finding(text, odd) for text, odd in sorted(groups.items())]
    return findings


def _clock_finding(text: str, odd: Sequence[ShotRecord]) -> CableFinding:
    one = odd[0].taken_for
    same_fibre = len({r.taken_for.fibre for r in odd}) == 1
    ends = {r.taken_for.direction.value for r in odd}
    return CableFinding(
        Severity.CAUTION,
        "clock-odd",
        f"{text}: {len(odd)} {'file' if len(odd) == 1 else 'files'}",
        "the order of attempts rests on these times; set the instrument's clock",
        cable=one.cable,
        fibre=one.fibre if same_fibre else None,
        direction=ends.pop() if len(ends) == 1 and same_fibre else "",
        files=tuple(r.path for r in odd),
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
                f"no launch cord shows, others from this end have {usual_m:.0f} m",
                "the first splice may lie in the dead zone; shoot again with the cord, or set "
                "the span's start on the instrument",
            )
            for record, start_m in members
            if start_m <= 0
        ]
        findings += [
            about_shot(
                record,
                Severity.CAUTION,
                "cord-differs",
                f"launch cord of {start_m:.0f} m, others from this end have {usual_m:.0f} m",
                "distances were counted from the cord's end; check that it is the cord's",
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
        for side, record in enumerate(one.records):
            if record is None or record.identity is None or record.settings is None:
                continue
            for finding in profile.setup_findings(
                (record.identity, record.settings),
                fibre_length_m=None if axis is None else axis.length_m,
                launch_m=starts[side],
            ):
                place = (
                    one.key.cable,
                    finding.severity,
                    finding.code,
                    finding.text,
                    finding.done,
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
            )
        )
    return findings
