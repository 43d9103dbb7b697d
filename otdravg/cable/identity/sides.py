"""Shots of fibres that pass the same closures, as features from both ends, by wavelength."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from statistics import median

import numpy as np

from otdravg.cable.identity.fingerprint import FloatArray, features_of
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import FibreKey
from otdravg.errors import Refusal
from otdravg.grouping import grouped

#: With fewer fibres the scatter between them cannot be told from the scatter of measurement.
LEAST_FIBRES = 6
#: Pairs refused for these reasons are explained already and would only blur the comparison.
_EXPLAINED = (Refusal.LENGTH, Refusal.SAME_END, Refusal.NO_SIGNAL, Refusal.DAMAGED)

#: A fibre shot from one end ends where the usual one does, within so much. Chosen, not derived:
#: slack that nobody wrote down; fibres that lie otherwise in their tubes.
_NEAR_M, _NEAR_SHARE = 50.0, 0.02

#: Measurements of some fibres at one wavelength.
Members = dict[FibreKey, Measured]


def fibres_by_closures(
    measured: Sequence[Measured], maps: Mapping[str, CableMap]
) -> list[tuple[list[FibreKey], dict[int, Members]]]:
    """Fibres that pass the same closures, with their measurements by wavelength.

    A fibre without a usable pair is taken to be of its cable's most common kind: crossed
    fibres may fail to pair.
    """
    usual = {cable: _common(own_map) for cable, own_map in maps.items()}

    def kind(one: Measured) -> tuple[str, tuple[int, ...]]:
        cable, fibre = one.key.cable, one.key.fibre
        return cable, tuple(maps[cable].passes.get(fibre, usual[cable]))

    groups = []
    mapped = (one for one in measured if one.key.cable in maps)
    for (_, numbers), own in sorted(grouped(mapped, kind).items()):
        if numbers:
            by_nm = grouped(own, lambda one: one.wavelength_nm)
            members = {nm: {one.key: one for one in at} for nm, at in by_nm.items()}
            groups.append((sorted({one.key for one in own}), members))
    return groups


def all_numbers(keys: Sequence[FibreKey], ribbon_size: int | None) -> list[FibreKey]:
    """Numbers without gaps from the beginning of a ribbon on."""
    size = ribbon_size or 1
    first = (keys[0].fibre - 1) // size * size + 1
    return [FibreKey(keys[0].cable, n) for n in range(first, keys[-1].fibre + 1)]


def _common(own_map: CableMap) -> tuple[int, ...]:
    counts = Counter(map(tuple, own_map.passes.values()))
    return max(counts, key=lambda numbers: (counts[numbers], numbers), default=())


def sides_of(
    members: Members, keys: Sequence[FibreKey], own_map: CableMap
) -> tuple[FloatArray, FloatArray]:
    """Features of all shots from A and from B at one wavelength, in the order of the keys.

    Fibres by features; NaN for a shot that is not there, or whose pair is explained already.
    """
    axes = [one.outcome.axis for one in members.values() if one.outcome.axis is not None]
    sketches = [(one.outcome.sketch_ab, one.outcome.sketch_ba) for one in members.values()]
    usual_a, usual_b = (
        median(starts or [s.user_offset_m for s in own if s is not None] or [0.0])
        for starts, own in zip(
            ([axis.start_a_m for axis in axes], [axis.start_b_m for axis in axes]),
            zip(*sketches, strict=True),
            strict=True,
        )
    )
    paired = [own for one, own in zip(members.values(), sketches, strict=True) if one.outcome.axis]
    ends_m = [median(s.end_m for s in own if s) for own in zip(*paired, strict=True)]
    slack_m = own_map.slack_m([key.fibre for key in keys])
    common = _common(own_map)
    usual = {number: own_map.closure(number).distance_m for number in common}
    closures = len(own_map.passes.get(next(iter(members)).fibre, usual))
    sides = np.full((2, len(keys), 3 * closures + 2), np.nan)
    for n, key in enumerate(keys):
        one = members.get(key)
        if one is None or one.outcome.refusal in _EXPLAINED or _ends_elsewhere(one, ends_m):
            continue
        axis = one.outcome.axis
        passes = own_map.passes.get(key.fibre, usual)
        length_m = axis.length_m if axis else own_map.route_length_m[1]
        at_m = np.array([passes[number] for number in sorted(passes)])
        for side, sketch, start_m, closures_m in (
            (0, one.outcome.sketch_ab, axis.start_a_m if axis else usual_a, at_m),
            (1, one.outcome.sketch_ba, axis.start_b_m if axis else usual_b, length_m - at_m[::-1]),
        ):
            if sketch is not None:
                own = features_of(sketch, start_m, closures_m, length_m, from_a=side == 0)
                own[2 * closures + 1 :] -= slack_m.get(key.fibre, 0.0)
                sides[side, n] = own
    return sides[0], sides[1]


def _ends_elsewhere(one: Measured, usual_m: Sequence[float]) -> bool:
    """Whether the only shot of a fibre ends where the usual fibre does not: on a branch, broken.

    ``usual_m`` is where shots from A and from B end, cords and all; empty where nothing tells.
    """
    sketches = one.outcome.sketch_ab, one.outcome.sketch_ba
    if one.outcome.axis is not None or None not in sketches or not usual_m:
        return False
    return any(
        abs(sketch.end_m - end_m) > max(_NEAR_M, _NEAR_SHARE * end_m)
        for sketch, end_m in zip(sketches, usual_m, strict=True)
        if sketch is not None and sketch.end_seen
    )
