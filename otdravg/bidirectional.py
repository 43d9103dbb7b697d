"""One fibre measured from both ends: true loss at every splice, with uncertainty.

At a splice with true loss l and backscatter step b the one-way readings are l + b and
l − b: half their sum is the true loss, half their difference the step. Every position
seen from *either* end is measured in *both* shots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from otdravg.detect import Detection, Event, EventKind, detect
from otdravg.errors import BadSetting
from otdravg.findings import Finding, Severity
from otdravg.joint_fit import JointFit, fit_sections
from otdravg.lines import step_between
from otdravg.pairing import Axis, check_same_fibre_settings, find_axis
from otdravg.ramp import compound_ramps, grid_step_m, location_cost, lowest, one_ramp
from otdravg.search import PLACES_PER_PULSE, threshold_for
from otdravg.sides import Place, Side, pair_sums
from otdravg.table_check import table_findings
from otdravg.trace import Direction, Trace

__all__ = [
    "Axis",
    "Coverage",
    "Kind",
    "PairMeasurement",
    "Reading",
    "SectionReading",
    "all_parted",
    "measure_pair",
    "mode_field_ratio",
    "parted",
]

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]


#: Next to a splice, readings below this share of it within so many pulses are its own remains.
SHADOW_SHARE = 0.06
SHADOW_PULSES = 3.0
#: Starts of a ramp that are tried at once; very unequal pulses take two rounds.
MOST_STARTS = 100
#: So soon behind a dead zone, an apparent loss this small in one shot is the receiver's tail.
TAIL_PULSES = 6.0
TAIL_REMAINS_DB = 0.012
#: Known places on either side from which a new one must be parted: those that can disturb it.
NEIGHBOURS = 3
#: No two glasses differ by more: a mode field ratio of ten.
LARGEST_STEP_DB = 10.0


class Kind(Enum):
    """What stands at a position on the span."""

    SPLICE = "splice"  # no reflection
    CONNECTOR = "connector"  # reflects
    GROUP = "group"  # several events closer than the pulse can part; the loss is their sum
    ASKED = "asked position"  # nothing was detected; measured because the user named it


class Coverage(Enum):
    """From which ends a position could be measured."""

    BOTH = "both ways"
    ONLY_AB = "A→B only"
    ONLY_BA = "B→A only"
    NONE = "not measured"


@dataclass(frozen=True, slots=True)
class Reading:
    """The measurement at one position of the span.

    Losses in dB, a loss positive, an apparent gain negative; ``None`` where not
    measured, with the cause in ``reason``. ``u_…`` are standard uncertainties (k = 1).
    ``backscatter_step_db`` is half the difference of the readings: positive where light
    going from A to B enters glass that scatters less (reads as extra loss from A).
    """

    number: int
    kind: Kind
    coverage: Coverage
    distance_m: float  # from the span's A end
    distance_from_b_m: float
    loss_ab_db: float | None
    loss_ba_db: float | None
    loss_db: float | None
    u_ab_db: float | None
    u_ba_db: float | None
    u_loss_db: float | None
    backscatter_step_db: float | None
    u_step_db: float | None
    mode_field_ratio: float | None  # w after / w before going A to B; an estimate, never a reading
    reflectance_db: float | None
    detected_ab: bool
    detected_ba: bool
    reason: str | None

    @property
    def expanded_uncertainty_db(self) -> float | None:
        """Expanded uncertainty of the true loss, k = 2."""
        return None if self.u_loss_db is None else 2 * self.u_loss_db


@dataclass(frozen=True, slots=True)
class SectionReading:
    """Fibre between two positions: attenuation in dB/km, without splices."""

    start_m: float
    end_m: float
    attenuation_db_per_km: float | None
    u_attenuation_db_per_km: float | None


@dataclass(frozen=True, slots=True, eq=False)
class PairMeasurement:
    """Everything measured on one fibre from two shots."""

    ab: Trace
    ba: Trace
    detection_ab: Detection
    detection_ba: Detection
    axis: Axis
    readings: tuple[Reading, ...]
    sections: tuple[SectionReading, ...]
    attenuation_db_per_km: float | None  # fibre alone, all sections
    u_attenuation_db_per_km: float | None
    findings: tuple[Finding, ...]
    side_ab: Side
    side_ba: Side
    places: tuple[Place, ...]
    fit: JointFit

    def curve_ab(self) -> tuple[FloatArray, FloatArray]:
        """(z_m, level_db) of shot A→B, z from the span's A end, all points."""
        return self.side_ab.z(), self.ab.level_db

    def curve_ba(self) -> tuple[FloatArray, FloatArray]:
        """(z_m, level_db) of shot B→A on the same axis, z ascending."""
        return self.side_ba.z()[::-1], self.ba.level_db[::-1]


def mode_field_ratio(backscatter_step_db: float) -> float:
    """Estimate w_after/w_before for light going A to B from the backscatter step.

    With equal scattering the captured fraction goes as 1/w², so the step is
    10·log10(w₂/w₁) dB. The scattering coefficients of two glasses differ too: an estimate.
    """
    return float(10 ** (backscatter_step_db / 10))


def measure_pair(
    ab: Trace,
    ba: Trace,
    *,
    group_index: float | None = None,
    launch_m: float | None = None,
    receive_m: float | None = None,
    positions_m: tuple[float, ...] = (),
    false_alarm_rate: float = 0.001,
    shot_false_alarm_rate: float = 0.01,
) -> PairMeasurement:
    """Pair two shots of one fibre and measure every position seen from either end.

    Parameters
    ----------
    ab, ba : Trace
        The shot from A and the shot from B.
    group_index : float, optional
        One index for both shots; that of ``ab`` by default.
    launch_m, receive_m : float, optional
        Cord lengths at the A end and at the B end in metres, if known.
    positions_m : tuple of float
        Further positions to measure at, metres from the span's A end.
    false_alarm_rate : float
        Chance of any false splice on a fibre that has none, both shots together.
    shot_false_alarm_rate : float
        The same for the events of one shot, of which the pair keeps what both shots support.

    Returns
    -------
    PairMeasurement

    Raises
    ------
    ShotsDoNotPair
        When the shots do not belong together, with the evidence.
    BadSetting
        When a stated cord length or position does not fit the fibre.
    """
    check_same_fibre_settings(ab, ba)
    index = group_index or ab.settings.group_index
    findings = _setting_findings(ab, ba, index, group_index)
    ab, ba = ab.facing(Direction.A_TO_B), ba.facing(Direction.B_TO_A)
    seen_ab = detect(ab, index, false_alarm_rate=shot_false_alarm_rate)
    seen_ba = detect(ba, index, false_alarm_rate=shot_false_alarm_rate)
    axis, axis_findings = find_axis(seen_ab, seen_ba, launch_m=launch_m, receive_m=receive_m)
    sides = (
        Side.of(seen_ab.shot, axis.start_a_m, axis.length_m, True),
        Side.of(seen_ba.shot, axis.start_b_m, axis.length_m, False),
    )
    found, ghosts = _union(seen_ab, seen_ba, sides, axis)
    for z in positions_m:
        if not 0 < z < axis.length_m:
            raise BadSetting("position", f"{z:g} m", f"give 0 m to {axis.length_m:.0f} m")
        found = _with_asked(found, z, sides)
    threshold = threshold_for(
        false_alarm_rate, axis.length_m, min(s.shot.pulse_m for s in sides), 2
    )
    # Placed before anything is looked for beside them: a misplaced step leaves some of itself over.
    places = _grouped(_located(sides, list(_grouped(found, sides))), sides)
    tried: set[float] = set()
    for _ in range(4):
        kept, fit = _pruned(sides, _grouped(_compounded(sides, places), sides), threshold)
        # What was added before and fell again would only fall once more.
        more = [p for p in _scan(sides, kept, threshold) if p.start_m not in tried]
        if not more and kept == places:
            break
        tried.update(p.start_m for p in more)
        places = _grouped(_located(sides, list(kept) + more), sides)
        fit = _fit(sides, places)
        if not more:
            break
    sides = _reweighted(_renoise(sides, fit, places), fit, places)
    kept, fit = _pruned(sides, places, threshold)
    if kept != places:
        sides = _reweighted(sides, fit, kept)
        places, fit = kept, _fit(sides, kept)
    readings = _readings(sides, places, fit, seen_ab, seen_ba, axis)
    sections, overall, u_overall = _sections(places, fit, axis)
    return PairMeasurement(
        ab, ba, seen_ab, seen_ba, axis, readings, sections, overall, u_overall,
        (
            tuple(findings) + axis_findings + tuple(ghosts) + seen_ab.findings + seen_ba.findings
            + table_findings(seen_ab) + table_findings(seen_ba)
        ),
        sides[0], sides[1], places, fit,
    )  # fmt: skip


Sides = tuple[Side, Side]


def _setting_findings(ab: Trace, ba: Trace, index: float, stated: float | None) -> list[Finding]:
    findings: list[Finding] = []
    if abs(ab.settings.group_index - ba.settings.group_index) > 5e-6:
        findings.append(
            Finding(
                Severity.CAUTION, "index-differs", "pair",
                f"group index {ab.settings.group_index:.5f} in A→B and "
                f"{ba.settings.group_index:.5f} in B→A",
                f"both shots were put on {index:.5f}"
                + ("" if stated else ", the value of A→B; set --index to the cable's own"),
            )
        )  # fmt: skip
    same_a = ab.identity.location_a == ba.identity.location_a
    if same_a and ab.identity.location_a and ab.identity.location_a != ab.identity.location_b:
        findings.append(
            Finding(
                Severity.NOTE, "ends-typed-alike", "pair",
                f"both headers name {ab.identity.location_a!r} as the near end",
                "direction was taken from the order of the files and the event pattern",
            )
        )  # fmt: skip
    return findings


def _union(
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
            along = event.distance_m - side.start_m
            z = along if side.forward else axis.length_m - along
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
                findings.append(
                    Finding(
                        Severity.NOTE, "ghost", sides[k].shot.trace.identity.direction.value,
                        f"a reflection at {z:.0f} m from A has no loss and no partner in the "
                        "other shot",
                        "taken as a ghost (echo) and not counted",
                    )
                )  # fmt: skip
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


def _in_view(seen: Detection, side: Side, z: float) -> bool:
    x = float(side.x(z))
    return bool(side.shot.x_m[side.shot.front_clear] < x < seen.end_m - side.shot.pulse_m)


def _with_asked(places: list[Place], z: float, sides: Sides) -> list[Place]:
    """Add an asked position unless something was found there already."""
    slack = max(s.shot.placing_m for s in sides)
    near = [p for p in places if abs(p.middle_m - z) < slack]
    if near:
        return [replace(p, asked=True) if p is near[0] else p for p in places]
    return sorted([*places, Place(z, z, asked=True)], key=lambda p: p.start_m)


def _grouped(places: list[Place], sides: Sides) -> tuple[Place, ...]:
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
    behind = sorted((p for p in places if p.start_m > place.start_m), key=lambda p: p.start_m)
    found: list[float] = []
    for side in sides:
        alone = [*before[-1:], Place(last.start_m, place.stop_m), *behind[:1]]
        lo, hi = (edge[len(before[-1:])][None] for edge in side.cells_around(alone))
        ends = sorted(float(v) for v in side.x(np.array([last.start_m, place.stop_m])))
        x = one_ramp(side.shot, ends[0], ends[1], lo, hi)
        if x is None:
            return None
        along = x - side.start_m
        found.append(along if side.forward else side.length_m - along)
    at = float(np.clip(np.mean(found), last.start_m, place.stop_m))
    return Place(at, at, asked=last.asked or place.asked)


def parted(near: Place, far: Place, sides: Sides) -> bool:
    """Whether every shot that reaches them has clean fibre between two places."""
    return bool(all_parted((near, far), sides)[0])


def all_parted(places: Sequence[Place], sides: Sides) -> BoolArray:
    """For consecutive places whether every shot that reaches them parts them, shape (P − 1,)."""
    apart = np.ones(max(len(places) - 1, 0), dtype=bool)
    if apart.size:
        for side in sides:
            needed = max(4 * side.shot.spacing_m, 0.25 * side.shot.pulse_m)
            apart &= side.gaps_m(places) >= needed
    return apart


def _fit(sides: Sides, places: tuple[Place, ...]) -> JointFit:
    """Fit the joint model with the sides' present weights."""
    return fit_sections(pair_sums(sides, places))


def _reweighted(sides: Sides, fit: JointFit, places: tuple[Place, ...]) -> Sides:
    """Return the sides with weights and response about the model of a fit."""
    ab, ba = (side.weighted(side.model(fit, places)) for side in sides)
    return ab, ba


def _renoise(sides: Sides, fit: JointFit, places: tuple[Place, ...]) -> Sides:
    return sides[0].renoised(fit, places), sides[1].renoised(fit, places)


def _scores(sides: Sides, fit: JointFit, places: tuple[Place, ...]) -> FloatArray:
    """Likelihood ratio of each place over the directions that see it."""
    readings, covariance = fit.steps(np.array([p.middle_m for p in places]))
    seen = np.stack([flags[:-1] & flags[1:] for flags in (fit.seen_ab, fit.seen_ba)], axis=1)
    # What a direction does not see has no say: reading 0, variance 1, no covariance.
    both = seen[:, :, None] & seen[:, None, :]
    rounding = np.diag([side.shot.rounding_db**2 for side in sides])
    known = np.where(both, covariance + rounding, np.eye(2))
    r = np.where(seen, readings, 0.0)
    return np.asarray(np.einsum("ji,ji->j", r, np.linalg.solve(known, r[:, :, None])[:, :, 0]))


def _pruned(
    sides: Sides, places: tuple[Place, ...], threshold: float
) -> tuple[tuple[Place, ...], JointFit]:
    """Drop the least significant place until all are significant with the others in.

    Returns
    -------
    places : tuple of Place
        Those that stay.
    fit : JointFit
        With these places.
    """
    fit = _fit(sides, places)
    while places:
        scores = _scores(sides, fit, places)
        scores[_in_shadow(sides, fit, places)] = 0.0
        free = np.array([not (p.reflective or p.asked) for p in places])
        scores[~free] = np.inf
        worst = int(np.argmin(scores))
        if scores[worst] > threshold:
            break
        places = places[:worst] + places[worst + 1 :]
        fit = _fit(sides, places)
    return places, fit


def _in_shadow(sides: Sides, fit: JointFit, places: tuple[Place, ...]) -> npt.NDArray[np.bool_]:
    """Places that are no more than what a much larger neighbour leaves over.

    That is the imperfect ramp of a splice, or the last of the receiver's tail behind a
    reflection: a small apparent loss, soon behind the dead zone, in that shot alone.
    """
    z = np.array([p.middle_m for p in places])
    readings, covariance = fit.steps(z)
    size = np.abs(readings)
    reach = SHADOW_PULSES * max(s.shot.pulse_m for s in sides)
    near = (np.abs(z[:, None] - z[None, :]) < reach) & ~np.eye(z.size, dtype=bool)
    smaller = np.all(size[:, None, :] < SHADOW_SHARE * size[None, :, :], axis=2)
    shadow = (near & smaller).any(axis=1)
    for k, side in enumerate(sides):
        shot = side.shot
        ends = np.array([shot.x_m[shot.front_clear], *(shot.x_m[p.clear] for p in shot.peaks)])
        behind = side.x(z)[:, None] - ends[None, :]
        soon = ((behind > -shot.pulse_m) & (behind < TAIL_PULSES * shot.pulse_m)).any(axis=1)
        tail_like = (readings[:, k] > 0) & (readings[:, k] < TAIL_REMAINS_DB)
        other = 1 - k
        unseen = size[:, other] < 3 * np.sqrt(covariance[:, other, other])
        shadow |= soon & tail_like & unseen
    return np.asarray(shadow)


def _scan(sides: Sides, places: tuple[Place, ...], threshold: float) -> list[Place]:
    """Positions where both shots together show a step that is not in the model yet."""
    # A few places per pulse are enough: what is found is placed finely afterwards.
    step = min(max(s.shot.pulse_m / PLACES_PER_PULSE, s.shot.spacing_m) for s in sides)
    # Spacings that differ very much would ask for more places than both shots have points.
    step = max(step, sides[0].length_m / sum(s.shot.x_m.size for s in sides))
    z = np.arange(0.0, sides[0].length_m, step)
    edges = np.array([p.middle_m for p in places])
    section = np.searchsorted(edges, z)
    score = np.zeros(z.size)
    for side in sides:
        begin, stop = side.stretches(places)
        x = side.x(z)
        edges = np.minimum(stop, side.shot.signal_end_m)
        lo, hi = side.cell_index(begin)[section], side.cell_index(edges)[section]
        hi = np.maximum(lo, hi)
        a = np.minimum(np.maximum(side.cell_index(x), lo), hi)
        b = np.minimum(np.maximum(side.cell_index(x + side.shot.recovery_m), lo), hi)
        enough = (a - lo >= 3) & (hi - b >= 3)
        found = step_between(side.shot.cells.sums, (lo, a), (b, hi), x, side.shot.slope_prior)
        score += np.where(enough, found.score(0.0, side.shot.rounding_db), 0.0)
    more: list[Place] = []
    for m in np.unique(section[score > threshold]):
        inside = np.flatnonzero(section == m)
        at = float(z[inside[np.argmax(score[inside])]])
        place = Place(at, at)
        # What cannot be parted from a known place is that place's own imperfect ramp or tail.
        near = slice(max(int(m) - NEIGHBOURS, 0), int(m) + NEIGHBOURS)
        if all(
            parted(other, place, sides) if other.start_m < at else parted(place, other, sides)
            for other in places[near]
        ):
            more.append(place)
    return more


def _located(sides: Sides, places: list[Place]) -> list[Place]:
    """Place each splice where the ramps of both shots together fit best."""
    ordered = sorted(places, key=lambda p: p.start_m)
    chosen = [i for i, p in enumerate(ordered) if not (p.reflective or p.members > 1 or p.asked)]
    if not chosen:
        return ordered
    at = np.array([ordered[i].start_m for i in chosen])
    lower = np.array([0.0, *(p.stop_m for p in ordered)])[chosen]
    upper = np.array([*(p.start_m for p in ordered[1:]), sides[0].length_m])[chosen]
    finest = min(grid_step_m(s.shot) for s in sides)
    reach = max(s.shot.pulse_m + 2 * s.shot.spacing_m for s in sides)
    step = max(finest, 2 * reach / MOST_STARTS)
    while True:
        grid = at[:, None] + np.arange(-reach, reach + 0.5 * step, step)
        allowed = (grid >= lower[:, None] + step) & (grid <= upper[:, None] - step)
        costs = []
        for side in sides:
            lo, hi = (edge[chosen] for edge in side.cells_around(ordered))
            costs.append(np.nan_to_num(location_cost(side.shot, side.x(grid), lo, hi)))
        total = costs[0] + costs[1]
        best, beyond, width = lowest(np.where(allowed, total, np.inf))
        known = total.any(axis=1) & (allowed.sum(axis=1) >= 3)
        at = np.where(known, grid[np.arange(best.size), best] + step * beyond, at)
        if step <= finest:
            break
        reach, step = 2 * step, max(finest, 4 * step / MOST_STARTS)
    slack = max(s.shot.placing_m for s in sides)
    lean, u_lean = _lean_m(grid, allowed, costs, step)
    at = np.clip(at - lean, lower, upper)
    u_m = np.where(known, np.minimum(np.hypot(step * width, u_lean), slack), slack)
    for i, z, u in zip(chosen, at.tolist(), u_m.tolist(), strict=True):
        ordered[i] = replace(ordered[i], start_m=z, stop_m=z, u_m=u)
    return ordered


def _lean_m(
    grid: FloatArray, allowed: BoolArray, costs: list[FloatArray], step: float
) -> tuple[FloatArray, FloatArray]:
    """How much places lean towards the shot that sees them more clearly, and how sure that is, m.

    Receivers show a ramp late: too far from A in the shot from A, too near in the other. All
    places share that difference; the mean of both positions is free of it, their mean weighted
    by the clearness of the ramps is not.
    """
    (at_a, u_a), (at_b, u_b) = (_alone(grid, allowed, cost, step) for cost in costs)
    variance = u_a**2 + u_b**2
    sure = np.isfinite(variance)
    if not sure.any():
        return np.zeros(grid.shape[0]), np.zeros(grid.shape[0])
    late = float(np.average((at_a - at_b)[sure], weights=1 / variance[sure]))
    # A ramp that only one shot shows is left where it was found: it may be none.
    lean = np.zeros(sure.size)
    lean[sure] = (u_b[sure] ** 2 - u_a[sure] ** 2) / variance[sure]
    u_late = 1 / float(np.sqrt((1 / variance[sure]).sum()))
    return lean * late / 2, np.abs(lean) * u_late / 2


def _alone(
    grid: FloatArray, allowed: BoolArray, cost: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Where one shot alone puts each place, and how surely; infinite where it cannot."""
    best, beyond, width = lowest(np.where(allowed, cost, np.inf))
    inner = cost.any(axis=1) & (best > 0) & (best < cost.shape[1] - 1)
    at = grid[np.arange(best.size), best] + step * beyond
    return at, np.where(inner, step * width, np.inf)


def _compounded(sides: Sides, places: tuple[Place, ...]) -> list[Place]:
    """Turn a place into a group where a shot's ramp there is two ramps, not one."""
    result = list(places)
    chosen = [i for i, p in enumerate(places) if not (p.reflective or p.members > 1 or p.asked)]
    starts: dict[int, list[float]] = {}
    for side in sides:
        lo, hi = (edge[chosen] for edge in side.cells_around(places))
        at = side.x(np.array([places[i].start_m for i in chosen]))
        for k, two in compound_ramps(side.shot, at, lo, hi).items():
            along = np.array(two) - side.start_m
            z = along if side.forward else side.length_m - along
            starts.setdefault(chosen[k], []).extend(z.tolist())
    for i, ends in starts.items():
        result[i] = replace(places[i], start_m=min(ends), stop_m=max(ends), members=2)
    return result


def _readings(
    sides: Sides,
    places: tuple[Place, ...],
    fit: JointFit,
    seen_ab: Detection,
    seen_ba: Detection,
    axis: Axis,
) -> tuple[Reading, ...]:
    z = np.array([p.middle_m for p in places])
    values, covariance = fit.steps(z, np.array([p.u_m for p in places]))
    near = [
        _events_near(seen, side, places)
        for seen, side in zip((seen_ab, seen_ba), sides, strict=True)
    ]
    readings: list[Reading] = []
    for j, place in enumerate(places):
        has_ab = bool(fit.seen_ab[j] and fit.seen_ab[j + 1])
        has_ba = bool(fit.seen_ba[j] and fit.seen_ba[j + 1])
        both = has_ab and has_ba
        coverage = {
            (True, True): Coverage.BOTH,
            (True, False): Coverage.ONLY_AB,
            (False, True): Coverage.ONLY_BA,
            (False, False): Coverage.NONE,
        }[has_ab, has_ba]
        ab, ba = float(values[j, 0]), float(values[j, 1])
        cov = covariance[j]
        half_sum = np.array([0.5, 0.5])
        half_difference = np.array([0.5, -0.5])
        step = (ab - ba) / 2
        flags = [bool(events[j]) for events in near]
        if place.members > 1:
            kind = Kind.GROUP
        elif place.reflective:
            kind = Kind.CONNECTOR
        elif place.asked and not any(flags):
            kind = Kind.ASKED
        else:
            kind = Kind.SPLICE
        reasons = [
            _why_not(side, place)
            for side, has in zip(sides, (has_ab, has_ba), strict=True)
            if not has
        ]
        readings.append(
            Reading(
                number=j + 1,
                kind=kind,
                coverage=coverage,
                distance_m=place.start_m,
                distance_from_b_m=axis.length_m - place.start_m,
                loss_ab_db=ab if has_ab else None,
                loss_ba_db=ba if has_ba else None,
                loss_db=(ab + ba) / 2 if both else None,
                u_ab_db=float(np.sqrt(cov[0, 0])) if has_ab else None,
                u_ba_db=float(np.sqrt(cov[1, 1])) if has_ba else None,
                u_loss_db=float(np.sqrt(half_sum @ cov @ half_sum)) if both else None,
                backscatter_step_db=step if both else None,
                u_step_db=float(np.sqrt(half_difference @ cov @ half_difference)) if both else None,
                mode_field_ratio=(
                    mode_field_ratio(step) if both and abs(step) < LARGEST_STEP_DB else None
                ),
                reflectance_db=max(
                    (
                        event.reflectance_db
                        for events in near
                        for event in events[j]
                        if event.reflectance_db is not None
                    ),
                    default=None,
                ),
                detected_ab=flags[0],
                detected_ba=flags[1],
                reason="; ".join(reasons) or None,
            )
        )
    return tuple(readings)


def _events_near(seen: Detection, side: Side, places: tuple[Place, ...]) -> list[list[Event]]:
    """For every place the events that this shot alone shows there."""
    events = [e for e in seen.events if e.kind is not EventKind.END]
    at = np.array([e.distance_m for e in events])
    ends = side.x(np.array([(p.start_m, p.stop_m) for p in places]).reshape(-1, 2))
    slack = side.shot.placing_m
    near = (ends.min(axis=1)[:, None] - slack <= at) & (at <= ends.max(axis=1)[:, None] + slack)
    return [[events[i] for i in np.flatnonzero(row)] for row in near]


def _why_not(side: Side, place: Place) -> str:
    """Why a place could not be measured from this side."""
    direction = side.shot.trace.identity.direction.value
    x = float(side.x(place.middle_m))
    reach = side.shot.signal_end_m
    if x + side.shot.recovery_m >= reach:
        into = max(reach - side.start_m, 0.0)
        return f"{direction}: the shot's signal ends {into:.0f} m into the span"
    return f"{direction}: inside a dead zone, no clean fibre next to it"


def _sections(
    places: tuple[Place, ...], fit: JointFit, axis: Axis
) -> tuple[tuple[SectionReading, ...], float | None, float | None]:
    edges = [0.0, *(p.middle_m for p in places), axis.length_m]
    count = len(edges) - 1
    seen = fit.seen_ab | fit.seen_ba
    index = 4 * np.arange(count) + 2
    alpha = fit.parameters[:, 2]
    covariance = fit.covariance[np.ix_(index, index)]
    sections = tuple(
        SectionReading(
            edges[m],
            edges[m + 1],
            float(alpha[m]) if seen[m] else None,
            float(np.sqrt(covariance[m, m])) if seen[m] else None,
        )
        for m in range(count)
    )
    if not seen.any():
        return sections, None, None
    share = np.diff(edges) * seen
    share = share / share.sum()
    return sections, float(share @ alpha), float(np.sqrt(share @ covariance @ share))
