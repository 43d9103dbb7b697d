"""Pairs of shots held against a profile: lengths that differ, and shots older than the work."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime

from otdravg.cable.checks.notes import numbers_text
from otdravg.cable.checks.repairs import repaired_splices
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.results import history_of
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, ShotRecord
from otdravg.findings import Severity
from otdravg.fit.side import Axis
from otdravg.trade import ribbon_position
from otdravg.verdict import Profile, ShotNeed
from otdravg.words.bridge import done_of, text_of

__all__ = ["profile_findings", "receive_cord_m"]

#: Both ends of a shot are placed to a few metres: a shorter cord is none.
_NO_CORD_M = 10.0


def profile_findings(
    measured: Sequence[Measured], maps: Mapping[str, CableMap], profile: Profile
) -> list[CableFinding]:
    """List pairs whose data do not meet a profile.

    Parameters
    ----------
    measured : sequence of Measured
        Every fibre at every wavelength, earlier attempts included.
    maps : mapping
        The closures of each cable, by its name.
    profile : Profile
    """
    return [*_lengths(measured, profile), *_before_the_work(measured, maps, profile)]


def receive_cord_m(sketch: Sketch | None, axis: Axis | None, start_m: float | None) -> float | None:
    """How much fibre a shot shows behind the far end of the span, in metres.

    0 is "no cord", ``None`` is "not known": the shot does not show where the fibre ends.
    """
    if sketch is None or axis is None or start_m is None or not sketch.end_seen:
        return None
    behind_m = sketch.end_m - start_m - axis.length_m
    return behind_m if behind_m > _NO_CORD_M else 0.0


def _lengths(measured: Sequence[Measured], profile: Profile) -> list[CableFinding]:
    findings = []
    for one in measured:
        axis = one.outcome.axis
        if axis is None:
            continue
        ab_m = _span_m(one.outcome.sketch_ab, axis, axis.start_a_m, axis.start_b_m)
        ba_m = _span_m(one.outcome.sketch_ba, axis, axis.start_b_m, axis.start_a_m)
        if ab_m is None or ba_m is None:
            continue
        files = tuple(r.path for r in one.records if r is not None)
        findings += [
            CableFinding(
                f.severity, f.code, text_of(f), done_of(f), one.key.cable, one.key.fibre,
                one.wavelength_nm, files=files,
            )
            for f in profile.data_findings(ab_m, ba_m)
        ]  # fmt: skip
    return findings


def _span_m(sketch: Sketch | None, axis: Axis, near_m: float, far_m: float) -> float | None:
    """Length of the span as one shot shows it, whether or not a cord was on its far end."""
    if sketch is None or not sketch.end_seen:
        return None
    seen_m = sketch.end_m - near_m
    return min((seen_m, seen_m - far_m), key=lambda length_m: abs(length_m - axis.length_m))


def _before_the_work(
    measured: Sequence[Measured], maps: Mapping[str, CableMap], profile: Profile
) -> list[CableFinding]:
    """Shots older than work on their fibre, as splices show it that changed in between.

    When the work was done no file says: taken is the middle between the shots before and
    after. A ribbon is cut as a whole, so that its other fibres were worked on too.
    """
    if not profile.completeness.retest_touched:
        return []
    touched = _touched(measured, maps, profile.ribbon_size)
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
        for need in profile.due_again(times, when):
            by_wavelength[need.wavelength_nm].append(need)
        for nm, needs in sorted(by_wavelength.items()):
            findings.append(_due_again(cable, nm, [taken[cable][need] for need in needs]))
    return findings


def _due_again(cable: str, nm: int, records: Sequence[ShotRecord]) -> CableFinding:
    fibres = sorted({r.taken_for.fibre for r in records if r.taken_for.fibre is not None})
    one_fibre, one_shot = len(fibres) == 1, len(records) == 1
    return CableFinding(
        Severity.CAUTION,
        "shot-before-work",
        f"{'1 shot' if one_shot else f'{len(records)} shots'} of "
        f"{'fibre' if one_fibre else 'fibres'} {numbers_text(fibres)} at {nm} nm "
        f"{'is' if one_shot else 'are'} older than the work on "
        f"{'it' if one_fibre else 'them'} or the ribbon: a splice there reads otherwise since",
        "shoot again from both ends, as the profile asks after splicing",
        cable=cable,
        fibre=fibres[0],
        wavelength_nm=nm,
        files=tuple(r.path for r in records),
        other_fibres=tuple(fibres[1:]),
    )


def _touched(
    measured: Sequence[Measured], maps: Mapping[str, CableMap], ribbon_size: int | None
) -> dict[str, dict[int, datetime]]:
    """When each fibre was worked on last, as far as changed splices tell; by cable and fibre."""
    changed = {
        file
        for finding in repaired_splices(history_of(measured, maps), ribbon_size)
        for file in finding.files
    }
    worked: dict[tuple[str, int], datetime] = {}
    for one in measured:
        if any(record is not None and record.path in changed for record in one.records):
            when = _between(one)
            place = one.key.cable, _unit(one.key.fibre, ribbon_size)
            if when is not None and (place not in worked or when > worked[place]):
                worked[place] = when
    touched: dict[str, dict[int, datetime]] = defaultdict(dict)
    for one in measured:
        place = one.key.cable, _unit(one.key.fibre, ribbon_size)
        if place in worked:
            touched[one.key.cable][one.key.fibre] = worked[place]
    return touched


def _unit(fibre: int, ribbon_size: int | None) -> int:
    """What is cut together: the fibre's ribbon, in loose tube the fibre."""
    ribbon, _ = ribbon_position(fibre, ribbon_size)
    return fibre if ribbon is None else ribbon


def _between(one: Measured) -> datetime | None:
    """The middle between the shots before the work and those that stand."""
    before = [r.taken for r in one.stand.pair(1) if r is not None and r.taken is not None]
    after = [r.taken for r in one.records if r is not None and r.taken is not None]
    if not before or not after or max(before) >= min(after):
        return None
    return max(before) + (min(after) - max(before)) / 2
