"""Shots that do not look like their neighbours: wavelength label, index, clock, cords, set-up."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from statistics import median

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.files.attempts import ODD_TIME, date_of
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse
from otdravg.findings import Finding, Scope, caution, defect, note
from otdravg.shot.settings import Settings
from otdravg.trade import numbers_text
from otdravg.verdict.rules import Profile
from otdravg.verdict.shots import receive_cord_m, setup_findings

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
                        defect(
                            "wavelength-label",
                            Scope.CABLE,
                            label_nm=label,
                            own_db_per_km=slope,
                            usual_db_per_km=own,
                            like_nm=nm,
                            like_db_per_km=other,
                        ),
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
        _of_shots(
            members,
            caution(
                "index-differs",
                Scope.CABLE,
                "of-cable",
                shots=len(members),
                fibres=_fibres(members),
                at_nm=nm,
                index=index,
                usual_index=usual[cable, nm],
            ),
            nm,
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
            _of_shots(
                members,
                caution(
                    "pulse-differs",
                    Scope.CABLE,
                    shots=len(members),
                    fibres=_fibres(members),
                    at_nm=nm,
                    pulse_ns=pulse_ns,
                    usual_ns=usual_ns,
                ),
                nm,
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


def _fibres(members: Sequence[ShotRecord]) -> str:
    return numbers_text(r.taken_for.fibre for r in members if r.taken_for.fibre)


def _of_shots(members: Sequence[ShotRecord], said: Finding, nm: int | None) -> CableFinding:
    """Make a finding about several shots; of a single fibre, name it."""
    one = members[0].taken_for
    fibres = sorted({r.taken_for.fibre for r in members if r.taken_for.fibre is not None})
    same_fibre = len(fibres) == 1
    ends = {r.taken_for.direction.value for r in members}
    return CableFinding(
        said,
        cable=one.cable,
        fibre=one.fibre if same_fibre else None,
        wavelength_nm=nm,
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
        groups: dict[tuple[str, str, Decimal], list[ShotRecord]] = defaultdict(list)
        middle = times[(len(times) - 1) // 2] if times else None
        for record, date in zip(members, dates, strict=True):
            if date is not None and middle is not None and abs(date - middle) > ODD_TIME:
                years = Decimal(f"{(date - middle).days / 365.25:.1f}")
                groups[f"{date:%Y-%m-%d}", f"{middle:%Y-%m-%d}", years].append(record)
        for (day, usual, years), odd in sorted(groups.items()):
            way = "before" if years < 0 else "after"
            said = caution(
                "clock-odd", Scope.CABLE, way,
                years=abs(years), day=day, usual=usual, files=len(odd),
            )  # fmt: skip
            findings.append(_of_shots(odd, said, None))
    return findings


def _undated(records: Sequence[ShotRecord]) -> CableFinding:
    clocks = sorted({f"{r.taken:%Y-%m-%d}" for r in records if r.taken is not None})
    case = ("of-cable", "of-cable-clock", "of-cable-clocks")[min(len(clocks), 2)]
    clock = clocks[0] if clocks else ""
    said = note("date-unknown", Scope.CABLE, case, files=len(records), clock=clock)
    return _of_shots(records, said, None)


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
            about_shot(record, caution("cord-missing", Scope.CABLE, usual_m=usual_m))
            for record, start_m in members
            if start_m <= 0
        ]
        findings += [
            about_shot(
                record, caution("cord-differs", Scope.CABLE, length_m=start_m, usual_m=usual_m)
            )
            for record, start_m in members
            if start_m > 0 and abs(start_m - usual_m) > max(20.0, 0.05 * usual_m)
        ]
    return findings


def outside_profile(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    """List settings outside the profile, equal ones gathered into one finding."""
    groups: dict[tuple[str, Finding, int | None], list[ShotRecord]] = defaultdict(list)
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
                said = replace(finding, where=Scope.CABLE)
                groups[one.key.cable, said, record.taken_for.wavelength_nm].append(record)
    findings = []
    for (cable, said, nm), members in groups.items():
        fibres = sorted({r.taken_for.fibre for r in members if r.taken_for.fibre is not None})
        findings.append(
            CableFinding(
                said,
                cable=cable,
                fibre=fibres[0] if len(fibres) == 1 else None,
                wavelength_nm=nm,
                files=tuple(r.path for r in members),
                other_fibres=tuple(fibres) if len(fibres) > 1 else (),
                alike=len(members) - 1,
            )
        )
    return findings
