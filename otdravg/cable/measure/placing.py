"""From single measurements to the closures of a cable, and every fibre at every closure."""

from __future__ import annotations

import operator
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence, Set
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from math import hypot
from typing import Any

import numpy as np

from otdravg.cable.measure.closures import (
    CableMap,
    FibrePlaces,
    KnownClosure,
    find_closures,
    one_each,
)
from otdravg.cable.measure.jobs import Outcome, measure_job, spread
from otdravg.cable.measure.standing import Measured
from otdravg.findings import Scope, defect
from otdravg.fit.reading import Kind, Reading
from otdravg.shot.detect import EventKind

#: A receive cord is at most this much longer than the launch cord (common practice, no source).
_CORD_SHARE = 1.5
#: A position that the reviewer has set is taken at its word, to this many metres.
_MOVED_SLACK_M = 8.0
#: A step that reads no more than this from either end, dB, may lie so many tolerances from where it
#: shows. Chosen, not derived: a step of 0.2 dB is placed to a metre or two, and one of a tenth of
#: that ten times worse.
_WEAK_DB, _WEAK_SLACKS = 0.1, 3.0
#: A shot that reads no more than this shows a splice anywhere near its place, dB. Chosen, not
#: derived: a few times the noise of a reading.
_HARDLY_DB = 0.02


def cable_maps(
    measured: Sequence[Measured],
    ribbon_size: int | None,
    table: Sequence[KnownClosure],
    uncut: Set[tuple[str, int]] = frozenset(),
    *,
    is_building: bool = False,
) -> dict[str, CableMap]:
    """Find the closures of every cable from the measurements that stand."""
    both_ways: dict[str, dict[int, list[Outcome]]] = defaultdict(lambda: defaultdict(list))
    one_way: dict[str, dict[int, FibrePlaces]] = defaultdict(dict)
    for one in measured:
        cable, fibre = one.key.cable, one.key.fibre
        if one.outcome.axis is not None:
            both_ways[cable][fibre].append(one.outcome)
        elif (places := _places_from_one_end(fibre, one.outcome)) is not None:
            one_way[cable].setdefault(fibre, places)
    found = {
        cable: [_places(fibre, outcomes) for fibre, outcomes in sorted(fibres.items())]
        for cable, fibres in both_ways.items()
    }
    # A cable shot from one end only still has closures; beside pairs single shots add nothing.
    for cable, fibres in one_way.items():
        found.setdefault(cable, [places for _, places in sorted(fibres.items())])
    return {
        cable: find_closures(
            cable,
            fibres,
            ribbon_size=ribbon_size,
            table=table,
            uncut=uncut,
            is_building=is_building,
        )
        for cable, fibres in sorted(found.items())
    }


def _places_from_one_end(fibre: int, outcome: Outcome) -> FibrePlaces | None:
    """Events of a fibre that was shot from one end only, counted from A."""
    sketches = [s for s in (outcome.sketch_ab, outcome.sketch_ba) if s is not None]
    if len(sketches) != 1 or outcome.refusal is not None or not sketches[0].end_seen:
        return None
    sketch = sketches[0]
    length_m = sketch.end_m - sketch.user_offset_m
    events = [e for e in sketch.events if e.kind in (EventKind.STEP, EventKind.REFLECTION)]
    if events and events[-1].kind is EventKind.REFLECTION:
        # A connector as far from the end as a cord is long is where the span ends.
        behind_m = sketch.end_m - events[-1].distance_m
        if behind_m < _CORD_SHARE * sketch.user_offset_m:
            length_m -= behind_m
    along = [event.distance_m - sketch.user_offset_m for event in events]
    inside = [x for x in along if sketch.placing_m < x < length_m - sketch.placing_m]
    places = inside if outcome.sketch_ab is not None else [length_m - x for x in inside]
    return FibrePlaces(fibre, length_m, tuple(sorted(places)), sketch.placing_m)


def _places(fibre: int, outcomes: Sequence[Outcome]) -> FibrePlaces:
    lengths = [o.axis.length_m for o in outcomes if o.axis is not None]
    placing = [s.placing_m for o in outcomes for s in (o.sketch_ab, o.sketch_ba) if s is not None]
    places = sorted(r.distance_m for o in outcomes for r in o.readings if r.kind is not Kind.ASKED)
    return FibrePlaces(fibre, float(np.median(lengths)), tuple(places), max(placing, default=5.0))


@dataclass(frozen=True, slots=True)
class PlacedReadings:
    """Readings of one measurement by closure number, and those between closures."""

    at: Mapping[int, Reading]
    between: tuple[Reading, ...]


def placed(outcome: Outcome, own_map: CableMap) -> PlacedReadings:
    """Say which reading belongs to which closure: the nearest, one each.

    A step that the fit of both shots has split in two around a closure is one splice. A small step
    a little off a closure that shows nothing is its splice, badly placed.
    """
    fibre = outcome.job.key.fibre
    passes = own_map.passes.get(fibre, {})
    slack = own_map.tolerance_m.get(fibre, 0.0)
    pairs = sorted(
        (gap_m, number, i)
        for i, reading in enumerate(outcome.readings)
        for number, at_m in passes.items()
        if (gap_m := abs(reading.distance_m - at_m))
        <= (_MOVED_SLACK_M if (fibre, number) in own_map.moved else slack)
    )
    found = one_each(pairs)
    at = {number: outcome.readings[i] for number, i in found.items()}
    used = set(found.values())
    for _, number, i in pairs:
        if i not in used and _one_step(at[number], outcome.readings[i]):
            used.add(i)
            at[number] = _joined(at[number], outcome.readings[i], passes[number])
    # Noise moves a small step a little off its closure.
    weak = one_each(
        (gap_m, number, i)
        for i, reading in enumerate(outcome.readings)
        if i not in used and _is_weak(reading)
        for number, at_m in passes.items()
        if number not in at and (gap_m := abs(reading.distance_m - at_m)) <= _WEAK_SLACKS * slack
    )
    for number, i in weak.items():
        used.add(i)
        # Both ends may place such a step so far apart that it reads as a group.
        at[number] = replace(_moved(outcome.readings[i], passes[number]), kind=Kind.SPLICE)
    rest = tuple(r for i, r in enumerate(outcome.readings) if i not in used)
    return PlacedReadings(dict(sorted(at.items())), rest)


def _is_weak(reading: Reading) -> bool:
    """Whether a step is so small that its place is not known well."""
    if reading.loss_ab_db is None or reading.loss_ba_db is None:
        return False
    least_db, most_db = sorted((abs(reading.loss_ab_db), abs(reading.loss_ba_db)))
    if reading.kind is Kind.GROUP and least_db <= _HARDLY_DB:
        return True  # one end places it well, the other anywhere near
    return reading.kind in (Kind.SPLICE, Kind.GROUP) and most_db <= _WEAK_DB


def _moved(reading: Reading, at_m: float) -> Reading:
    """A reading put where its closure is."""
    from_b_m = reading.distance_from_b_m + reading.distance_m - at_m
    return replace(reading, distance_m=at_m, distance_from_b_m=from_b_m)


def _one_step(one: Reading, other: Reading) -> bool:
    """Whether two places at one closure may be one: neither shows in a shot by itself."""
    return not any(
        r.detected_ab or r.detected_ba or r.kind is not Kind.SPLICE or r.loss_db is None
        for r in (one, other)
    )


def _joined(one: Reading, other: Reading, at_m: float) -> Reading:
    """Add up two places at one closure; their uncertainties as if nothing were shared."""
    added: dict[str, Any] = {"mode_field_ratio": None}
    for add, names in (
        (operator.add, ("loss_ab_db", "loss_ba_db", "loss_db", "backscatter_step_db")),
        (hypot, ("u_ab_db", "u_ba_db", "u_loss_db", "u_step_db")),
    ):
        for name in names:
            both = getattr(one, name), getattr(other, name)
            added[name] = None if None in both else add(*both)
    return replace(_moved(one, at_m), **added)


def measure_at_closures(
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
    executor: Executor | None,
    done: Callable[[int], None],
) -> list[Measured]:
    """Measure again, at the closures where a fibre showed nothing, all that lack one.

    A splice too good to be seen is still measured: its place is known from the others.
    """
    again = {
        outcome: replace(outcome.job, positions_m=unseen)
        for one in measured
        if one.outcome.axis is not None
        for outcome in one.outcomes
        if outcome.axis is not None and (unseen := _unseen(outcome, maps[one.key.cable]))
    }
    found = spread(measure_job, list(again.values()), executor, done)
    after = dict(zip(again, found, strict=True))

    def looked_at(before: Outcome) -> Outcome:
        outcome = after.get(before, before)
        if outcome is not before and outcome.axis is None:
            return replace(before, findings=(*before.findings, _NOT_AGAIN))
        return outcome

    return [one.with_each(looked_at) for one in measured]


#: The only thing that can have happened to files that were measured a moment ago.
_NOT_AGAIN = defect("not-measurable", Scope.CLOSURES)


def _unseen(outcome: Outcome, own_map: CableMap) -> tuple[float, ...]:
    """Own positions of the closures at which a measurement has no reading."""
    assert outcome.axis is not None
    passes = own_map.passes.get(outcome.job.key.fibre, {})
    at = placed(outcome, own_map).at
    length_m = outcome.axis.length_m
    return tuple(z for number, z in passes.items() if number not in at and 0 < z < length_m)
