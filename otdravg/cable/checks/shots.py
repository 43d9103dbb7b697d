"""The shots of a cable as a set: those unlike their neighbours, and what is said once of all."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from statistics import median

from otdravg.cable.checks.notes import (
    about_fibres,
    about_shot,
    about_shots,
    fibres_of,
    files_of,
)
from otdravg.cable.checks.states import repaired_splices
from otdravg.cable.files.attempts import ODD_TIME, date_of
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, History, ShotRecord, ShotUse, Source
from otdravg.findings import Finding, Scope, Severity, caution, defect, note, says
from otdravg.grouping import grouped
from otdravg.shot.settings import Settings
from otdravg.trade import numbers_text
from otdravg.verdict.rules import Profile
from otdravg.verdict.shots import receive_cord_m, setup_findings

#: Typical attenuation of single-mode fibre in dB/km, only to tell 1310 nm from longer
#: wavelengths where a cable has no other shots to compare with (common practice, no source).
_TYPICAL_DB_PER_KM = {1310: 0.34, 1383: 0.31, 1490: 0.23, 1550: 0.20, 1625: 0.21}
#: Wavelengths whose usual attenuations lie closer than this cannot be told by attenuation, dB/km.
_TOLD_APART_DB_PER_KM = 0.05
#: A shorter shot does not tell its attenuation well enough, m.
_LEAST_LENGTH_M = 1000.0
#: A setting that this share of the shots has is the usual one, and others stand out.
_NEARLY_ALL = 0.8


def set_findings(
    records: Sequence[ShotRecord],
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
    history: Sequence[History],
    profile: Profile,
) -> list[CableFinding]:
    """Findings about the set of shots as a whole."""
    return [
        *_index_oddities(records),
        *_pulse_oddities(records),
        *_clock_oddities(records),
        *_cords_missing(measured),
        *_outside_profile(measured, profile),
        *repaired_splices(history, profile.ribbon_size),
        *(() if profile.stage.is_building else _other_lengths(measured, maps)),
        *_express(maps),
        *_unseen(maps),
    ]


def wrong_labels(measured: Sequence[Measured]) -> list[CableFinding]:
    """Find shots whose attenuation is that of another wavelength.

    Each shot's typical attenuation is held against the medians of its cable at every
    wavelength: nearer to another one's median than to its own is evidence of a wrong label,
    if both medians lie far enough apart.
    """
    by_cable: dict[str, list[tuple[ShotRecord, Sketch]]] = defaultdict(list)
    for one in measured:
        sketches = one.outcome.sketch_ab, one.outcome.sketch_ba
        for record, sketch in zip(one.records, sketches, strict=True):
            if record is not None and sketch is not None:
                by_cable[record.taken_for.cable].append((record, sketch))
    findings = []
    for members in by_cable.values():
        usual = _usual_attenuation(members)
        for record, sketch in members:
            label = record.taken_for.wavelength_nm or 0
            own = usual[label]
            slope = sketch.slope_db_per_km
            nm, other = min(usual.items(), key=lambda item: abs(item[1] - slope))
            if abs(other - own) < _TOLD_APART_DB_PER_KM or nm == label:
                continue
            if sketch.end_m < _LEAST_LENGTH_M:
                continue
            if abs(slope - other) < 0.5 * abs(slope - own):
                said = defect(
                    "wavelength-label", Scope.CABLE, label_nm=label, own_db_per_km=slope,
                    usual_db_per_km=own, like_nm=nm, like_db_per_km=other,
                )  # fmt: skip
                findings.append(about_shot(record, said))
    return findings


def _usual_attenuation(members: Sequence[tuple[ShotRecord, Sketch]]) -> dict[int, float]:
    """Median attenuation by wavelength; typical figures for wavelengths with few shots."""
    slopes: dict[int, list[float]] = defaultdict(list)
    for record, sketch in members:
        slopes[record.taken_for.wavelength_nm or 0].append(sketch.slope_db_per_km)
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
    return {place: _usual(own) for place, own in _by_value(records, _index_of).items()}


def _index_of(settings: Settings) -> float:
    return round(settings.group_index, 5)


def _by_value(
    records: Sequence[ShotRecord], value_of: Callable[[Settings], float]
) -> dict[tuple[str, int], dict[float, list[ShotRecord]]]:
    """Shots that count of each cable and wavelength, by the value of a setting."""
    groups: dict[tuple[str, int], dict[float, list[ShotRecord]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for record in records:
        nm = record.taken_for.wavelength_nm
        if record.settings is not None and nm is not None and record.attempt:
            groups[record.taken_for.cable, nm][value_of(record.settings)].append(record)
    return groups


def _usual(by_value: Mapping[float, Sequence[ShotRecord]]) -> float:
    """The value that most shots have; of several the lowest."""
    return min(by_value, key=lambda value: (-len(by_value[value]), value))


def _index_oddities(records: Sequence[ShotRecord]) -> Iterator[CableFinding]:
    """Find shots taken with another group index than most at their wavelength."""
    for (_, nm), by_index in _by_value(records, _index_of).items():
        usual = _usual(by_index)
        for index, odd in by_index.items():
            if index != usual:
                said = caution(
                    "index-differs", Scope.CABLE, "of-cable", shots=len(odd),
                    fibres=_fibres(odd), at_nm=nm, index=index, usual_index=usual,
                )  # fmt: skip
                yield _of_shots(odd, said, nm)


def _pulse_oddities(records: Sequence[ShotRecord]) -> Iterator[CableFinding]:
    """Find shots taken with another pulse than nearly all at their wavelength.

    Whatever the profile asks for: a setting that one shot alone has was changed by mistake.
    """
    for (_, nm), by_pulse in _by_value(records, lambda settings: settings.pulse_ns).items():
        usual_ns = _usual(by_pulse)
        if len(by_pulse[usual_ns]) < _NEARLY_ALL * sum(map(len, by_pulse.values())):
            continue
        for pulse_ns, odd in by_pulse.items():
            if pulse_ns != usual_ns:
                said = caution(
                    "pulse-differs", Scope.CABLE, shots=len(odd), fibres=_fibres(odd),
                    at_nm=nm, pulse_ns=pulse_ns, usual_ns=usual_ns,
                )  # fmt: skip
                yield _of_shots(odd, said, nm)


def _fibres(members: Sequence[ShotRecord]) -> str:
    return numbers_text(r.taken_for.fibre for r in members if r.taken_for.fibre)


def _of_shots(members: Sequence[ShotRecord], said: Finding, nm: int | None) -> CableFinding:
    """Make a finding about several shots; of a single fibre from one end, name the end."""
    ends = {r.taken_for.direction.value for r in members}
    end = ends.pop() if len(ends) == 1 and len(fibres_of(members)) == 1 else ""
    return about_shots(members, said, wavelength_nm=nm, direction=end)


def _clock_oddities(records: Sequence[ShotRecord]) -> list[CableFinding]:
    """Find shots whose time cannot be right: never set, ahead of today, or years from the others.

    A date that is none harms nobody by itself: no order of shots rests on it.
    """
    counted = (r for r in records if r.identity is not None and r.use is not ShotUse.REPEAT)
    findings = []
    for members in grouped(counted, lambda record: record.taken_for.cable).values():
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


def _cords_missing(measured: Sequence[Measured]) -> list[CableFinding]:
    """Find shots without a launch cord in a cable where most shots have one."""
    by_end: dict[tuple[str, int], list[tuple[ShotRecord, float]]] = defaultdict(list)
    for one in measured:
        if (axis := one.outcome.axis) is not None:
            starts_m = axis.start_a_m, axis.start_b_m
            for side, (record, start_m) in enumerate(zip(one.records, starts_m, strict=True)):
                if record is not None:
                    by_end[one.key.cable, side].append((record, start_m))
    findings = []
    for members in by_end.values():
        with_cord = [start_m for _, start_m in members if start_m > 0]
        if len(with_cord) < 0.5 * len(members):
            continue
        usual_m = median(with_cord)
        for record, start_m in members:
            if start_m <= 0:
                said = caution("cord-missing", Scope.CABLE, usual_m=usual_m)
            elif abs(start_m - usual_m) > max(20.0, 0.05 * usual_m):
                said = caution("cord-differs", Scope.CABLE, length_m=start_m, usual_m=usual_m)
            else:
                continue
            findings.append(about_shot(record, said))
    return findings


def _outside_profile(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
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
    return [
        about_shots(members, said, wavelength_nm=nm, alike=len(members) - 1)
        for (_, said, nm), members in groups.items()
    ]


def measured_findings(measured: Sequence[Measured]) -> list[CableFinding]:
    """Findings of the measurements themselves; equal kinds of one cable are gathered.

    A defect keeps its fibre: nothing measured on that one is graded.
    """
    gathered: dict[tuple[str, str, str, int, str], list[tuple[Measured, Finding]]]
    gathered = defaultdict(list)
    for one in measured:
        for finding in one.outcome.findings:
            if finding.code not in _SAID_FOR_THE_CABLE:
                own = one.key.fibre if finding.severity is Severity.DEFECT else 0
                place = one.key.cable, finding.code, finding.case, own, finding.severity.value
                gathered[place].append((one, finding))
    result = []
    for (cable, *_), members in sorted(gathered.items(), key=lambda item: item[0]):
        fibres = sorted({one.key.fibre for one, _ in members})
        nm, *other_nm = {one.wavelength_nm for one, _ in members}
        result.append(
            about_fibres(
                cable, fibres, members[0][1],
                wavelength_nm=None if other_nm else nm,
                files=files_of(r for one, _ in members for r in one.records),
                alike=len(members) - 1,
            )
        )  # fmt: skip
    return result


#: Findings of single pairs that are said once for the whole cable instead.
_SAID_FOR_THE_CABLE = frozenset({"index-differs", "ends-typed-alike"})


def _other_lengths(
    measured: Sequence[Measured], maps: Mapping[str, CableMap]
) -> list[CableFinding]:
    """Fibres of another length than most of their cable, with what they share with them."""
    findings = []
    for cable, own_map in maps.items():
        main_m = own_map.route_length_m[1]
        by_route = grouped(own_map.route_of, own_map.route_of.__getitem__)
        for route, fibres in sorted(by_route.items()):
            if route == 1:
                continue
            length_m = own_map.route_length_m[route]
            shared = [c.name for c in own_map.closures if {1, route} <= set(c.routes)]
            own = (m for m in measured if m.key.cable == cable and m.key.fibre in fibres)
            said = caution(
                "other-length", Scope.CABLE, "shared" if shared else "",
                fibres=numbers_text(fibres), length_m=length_m, usual_m=main_m,
                closures=", ".join(shared),
            )  # fmt: skip
            files = files_of(r for one in own for r in one.records)
            findings.append(about_fibres(cable, fibres, said, files=files))
    return findings


def _express(maps: Mapping[str, CableMap]) -> list[CableFinding]:
    return [
        CableFinding(
            note("passes-unspliced", Scope.CABLE, ribbon=ribbon, closure=name), cable, closure=name
        )
        for cable, own_map in maps.items()
        for number, ribbon in own_map.express
        for name in (own_map.closure(number).name,)
    ]


def _unseen(maps: Mapping[str, CableMap]) -> list[CableFinding]:
    """Closures that somebody stated, and at which no fibre shows anything.

    One splice can hide from both ends; that those of two fibres do at one closure is seldom, and
    a table whose distances are counted from the other end has all its closures elsewhere.
    """
    return [
        about_fibres(
            cable, one.fibres,
            caution("closure-unseen", Scope.CABLE, fibres=len(one.fibres),
                    distance_m=one.distance_m),
            each=True, closure=one.name,
        )
        for cable, own_map in maps.items()
        for one in own_map.closures
        if one.named_by is Source.MAPPING and not one.seen_in and len(one.fibres) > 1
    ]  # fmt: skip


def unused_findings(
    records: Sequence[ShotRecord], findings: Sequence[CableFinding]
) -> list[CableFinding]:
    """Findings for files that could not be used at all, unless some finding says why already."""
    said = {f for one in findings if one.code == "shots-under-one-name" for f in one.files}
    return [_unused(r) for r in records if r.use in _SAY_WHY and r.path not in said]


_SAY_WHY = (ShotUse.UNREADABLE, ShotUse.UNPLACED, ShotUse.NOT_A_SHOT)


def _unused(record: ShotRecord) -> CableFinding:
    """A finding for a file that could not be used at all."""
    problem = record.remark or says("unknown")
    said = {
        ShotUse.UNREADABLE: defect("file-unreadable", Scope.CABLE, problem=problem),
        ShotUse.UNPLACED: defect("shot-not-placed", Scope.CABLE, problem=problem),
        ShotUse.NOT_A_SHOT: note("not-a-trace-file", Scope.CABLE, problem=problem),
    }[record.use]
    return about_shot(record, said)
