"""Where a fibre shows something: what either shot saw, put on one axis and told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, note
from otdravg.fit.side import Axis, Place, RoughSide, Sides
from otdravg.shot.detect import Detection, EventKind
from otdravg.shot.ramp import one_ramp

BoolArray = npt.NDArray[np.bool_]


def seen_places(
    seen_ab: Detection, seen_ba: Detection, sides: Sides, axis: Axis
) -> tuple[list[Place], list[Finding]]:
    """All positions inside the span that either shot shows, ghosts left out."""
    slack = sum(s.shot.placing_m for s in sides)
    # z, side, reflective, lossy, u_z, extent
    marks: list[tuple[float, int, bool, bool, float, float]] = []
    findings: list[Finding] = []
    for k, (seen, side) in enumerate(zip((seen_ab, seen_ba), sides, strict=True)):
        for event in seen.events:
            if event.kind is EventKind.END:
                continue
            z = float(side.z(np.array(event.distance_m)))
            if not slack < z < axis.length_m - slack:
                continue  # the connector at an end of the span
            lossy = event.loss_db is not None and abs(event.loss_db) > 4 * (event.u_loss_db or 0)
            if event.kind is EventKind.ECHO:
                lossy = False
            reflects = event.kind in (EventKind.REFLECTION, EventKind.ECHO)
            extent = 0.0
            if event.kind is EventKind.GROUP:
                extent = max(event.clear_m - event.distance_m - side.shot.recovery_m, 1e-3)
                z = z if side.forward else z - extent
            marks.append((z, k, reflects, lossy, event.u_distance_m, extent))
    marks.sort()
    used = [False] * len(marks)
    places: list[Place] = []
    for i, (z, k, reflective, lossy, u_z, extent) in enumerate(marks):
        if used[i]:
            continue
        partner = None
        for j in range(i + 1, len(marks)):
            allowed = slack + 3 * np.hypot(u_z, marks[j][4])
            if not used[j] and marks[j][1] != k and marks[j][0] - z < allowed:
                partner = j
                break
        if partner is None:
            other = (seen_ba, seen_ab)[k]
            if reflective and not lossy and _in_view(other, sides[1 - k], z):
                findings.append(note("ghost", sides[k].shot.trace.identity.direction, at_m=z))
                continue
            places.append(Place(z, z + extent, reflective, members=2 if extent else 1, u_m=u_z))
            continue
        used[partner] = True
        z2, _, reflective2, _, u_z2, extent2 = marks[partner]
        if extent or extent2:
            stop = max(z + extent, z2 + extent2)
            places.append(Place(min(z, z2), stop, reflective or reflective2, 2, u_m=max(u_z, u_z2)))
            continue
        if reflective == reflective2:
            # The receiver delays both views alike: equally sure ones are best averaged plainly.
            at = (z + z2) / 2 if max(u_z, u_z2) < slack / 3 else min((u_z, z), (u_z2, z2))[1]
        else:
            at = z if reflective else z2
        places.append(Place(at, at, reflective or reflective2, u_m=min(u_z, u_z2)))
    places.sort(key=lambda p: p.start_m)
    return places, findings


def _in_view(seen: Detection, side: RoughSide, z: float) -> bool:
    x = float(side.x(z))
    return bool(side.shot.x_m[side.shot.front_clear] < x < seen.end_m - side.shot.pulse_m)


def with_asked(places: list[Place], z: float, sides: Sides) -> list[Place]:
    """Add an asked position unless something was found there already."""
    slack = max(s.shot.placing_m for s in sides)
    near = [p for p in places if abs(p.middle_m - z) < slack]
    if near:
        return [replace(p, asked=True) if p is near[0] else p for p in places]
    return sorted([*places, Place(z, z, asked=True)], key=lambda p: p.start_m)


def grouped(places: list[Place], sides: Sides) -> tuple[Place, ...]:
    """Merge neighbours that a shot cannot part into one place."""
    places = sorted(places, key=lambda p: p.start_m)
    if all_parted(places, sides).all():
        return tuple(places)
    merged: list[Place] = []
    for place in places:
        if merged and not parted(merged[-1], place, sides):
            last = merged.pop()
            apart = place.stop_m - last.start_m
            same = apart < 0.5 * min(s.shot.pulse_m for s in sides) and (
                last.members == place.members == 1
            )
            if same:
                at = place.start_m if place.reflective else last.start_m
                if last.reflective == place.reflective:
                    at = (last.start_m + place.start_m) / 2
                place = replace(
                    last, start_m=at, stop_m=at,
                    reflective=last.reflective or place.reflective,
                    asked=last.asked or place.asked,
                )  # fmt: skip
            elif (single := _one_event(last, place, merged, places, sides)) is not None:
                place = single
            else:
                place = Place(
                    last.start_m, place.stop_m, last.reflective or place.reflective,
                    last.members + place.members, last.asked or place.asked,
                )  # fmt: skip
        merged.append(place)
    return tuple(merged)


def _one_event(
    last: Place, place: Place, before: list[Place], places: list[Place], sides: Sides
) -> Place | None:
    """One splice that explains two places which the shots cannot part, if both shots agree."""
    if last.reflective or place.reflective or last.members > 1 or place.members > 1:
        return None
    if _parting((last, place), sides).any():
        return None  # one shot has clean fibre between them: two
    behind = sorted((p for p in places if p.start_m > place.start_m), key=lambda p: p.start_m)
    found: list[float] = []
    for side in sides:
        alone = [*before[-1:], Place(last.start_m, place.stop_m), *behind[:1]]
        lo, hi = (edge[len(before[-1:])][None] for edge in side.cells_around(alone))
        ends = sorted(float(v) for v in side.x(np.array([last.start_m, place.stop_m])))
        x = one_ramp(side.shot, ends[0], ends[1], lo, hi)
        if x is None:
            return None
        found.append(float(side.z(np.array(x))))
    at = float(np.clip(np.mean(found), last.start_m, place.stop_m))
    return Place(at, at, asked=last.asked or place.asked)


def parted(near: Place, far: Place, sides: Sides) -> bool:
    """Whether every shot that reaches them has clean fibre between two places."""
    return bool(all_parted((near, far), sides)[0])


def all_parted(places: Sequence[Place], sides: Sides) -> BoolArray:
    """For consecutive places whether every shot that reaches them parts them, shape (P − 1,)."""
    return np.asarray(_parting(places, sides).all(axis=0))


def _parting(places: Sequence[Place], sides: Sides) -> BoolArray:
    """Which shot parts consecutive places or does not reach them, shape (2, P − 1)."""
    if len(places) < 2:
        return np.ones((2, 0), dtype=bool)
    needed = [max(4 * s.shot.spacing_m, 0.25 * s.shot.pulse_m) for s in sides]
    return np.stack([s.gaps_m(places) >= n for s, n in zip(sides, needed, strict=True)])
