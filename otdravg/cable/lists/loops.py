"""Fibres that are looped at the far end: two shots from one end are both directions of both.

Light that goes into fibre x comes back in fibre y, and the other way round. Of the path x, loop, y
the shot into x is the one direction and the shot into y the other: both pass every splice of both
fibres. Each fibre is the first half of the path that begins with it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import hypot, sqrt

from otdravg.cable.files.attempts import Stand, slot_of
from otdravg.cable.files.names import same_text
from otdravg.cable.lists.facts import Loop
from otdravg.cable.model import CableFinding, ShotRecord
from otdravg.errors import BadSetting
from otdravg.findings import Scope, note, says
from otdravg.fit.reading import mean_attenuation
from otdravg.pair.measure import Measurement
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

#: Fibres of one cable are equally long within this share (common practice, no source): half of the
#: path is not quite the length of either.
_ALIKE = 0.002
#: So close to the loop a splice is not told from it, m. Chosen, not derived: pigtails at the end.
_NEAR_M = 10.0


def _others(loops: Iterable[Loop]) -> dict[int, Loop]:
    """Return to each fibre the loop as it is seen from there."""
    return {
        fibre: Loop(fibre, other, loop.length_m)
        for loop in loops
        for fibre, other in ((loop.fibre, loop.other), (loop.other, loop.fibre))
    }


def _is_of(typed: str, cable: str) -> bool:
    return same_text(typed) in ("", same_text(cable))


def looped(stands: Sequence[Stand], loops: Iterable[Loop], cable: str) -> list[Stand]:
    """Give fibres that were not shot from B the shot into the fibre that they are looped to."""
    others = _others(loops)
    by_key = {(stand.key, stand.wavelength_nm): stand for stand in stands}
    result = []
    for stand in stands:
        loop = others.get(stand.key.fibre) if _is_of(stand.key.cable, cable) else None
        far = loop and by_key.get((replace(stand.key, fibre=loop.other), stand.wavelength_nm))
        if loop and far and stand.ab and far.ab and not stand.ba and not far.ba:
            stand = replace(stand, ba=far.ab, loop_m=loop.length_m)
        result.append(stand)
    return result


def unused_loops(stands: Iterable[Stand], loops: Iterable[Loop], cable: str) -> list[CableFinding]:
    """Say which loops tell nothing: their fibres were shot from B, or one was not from A."""
    used = {stand.key.fibre for stand in stands if stand.loop_m is not None}
    unused = [n for loop in loops for n in (loop.fibre, loop.other) if n not in used]
    said = note("loop-unused", Scope.CABLE, fibres=numbers_text(sorted(unused)))
    return [CableFinding(said, cable, other_fibres=tuple(unused))] if unused else []


def with_far_sides(
    records: Sequence[ShotRecord], loops: Iterable[Loop], cable: str
) -> list[ShotRecord]:
    """Count each shot into a looped fibre as one of the other fibre from its far end, too."""
    others = _others(loops)
    result = list(records)
    from_b = {slot_of(r) for r in records if r.taken_for.direction is Direction.B_TO_A}
    for record in records:
        taken = record.taken_for
        loop = others.get(taken.fibre or 0) if _is_of(taken.cable, cable) else None
        if loop is not None and taken.direction is Direction.A_TO_B:
            far = replace(taken, fibre=loop.other, direction=Direction.B_TO_A)
            if slot_of(there := replace(record, taken_for=far)) not in from_b:
                result.append(there)
    return result


def first_half(path: Measurement, loop_m: float) -> Measurement:
    """Return what a measured path says of the fibre that it begins with.

    The loop lies in the middle; its own loss is said and belongs to no fibre.

    Raises
    ------
    BadSetting
        If the cord between both fibres is as long as the path.
    """
    length_m = (path.axis.length_m - loop_m) / 2
    if length_m <= _NEAR_M:
        wanted = says("out-and-back", length_m=path.axis.length_m)
        raise BadSetting("length of a loop", f"{loop_m:.0f} m", wanted)
    u_length_m = hypot(path.axis.u_length_m / 2, _ALIKE * length_m / sqrt(3))
    own = [r for r in path.readings if r.distance_m < length_m - _NEAR_M]
    sections = [
        replace(section, end_m=min(section.end_m, length_m))
        for section in path.sections
        if section.start_m < length_m - _NEAR_M
    ]
    losses_db = [
        r.loss_db or 0.0
        for r in path.readings
        if -_NEAR_M <= r.distance_m - length_m <= loop_m + _NEAR_M
    ]
    mean, u_mean = mean_attenuation(sections) or (None, None)
    return replace(
        path,
        axis=replace(
            path.axis, length_m=length_m, u_length_m=u_length_m,
            start_b_m=path.axis.start_b_m + length_m + loop_m,
        ),
        readings=tuple(replace(r, distance_from_b_m=length_m - r.distance_m) for r in own),
        sections=tuple(sections),
        attenuation_db_per_km=mean,
        u_attenuation_db_per_km=u_mean,
        findings=(
            *path.findings,
            note("fibres-looped", Scope.PAIR, loop_db=sum(losses_db), end_m=length_m),
        ),
    )  # fmt: skip
