"""Every fibre at every closure as a row, and events between closures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from math import inf
from statistics import median

from otdravg.cable.measure.closures import CableMap, table_slack_m
from otdravg.cable.measure.jobs import Outcome, Sketch
from otdravg.cable.measure.placing import placed
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import Closure, FibreKey, ShotRecord, SpliceRow
from otdravg.findings import Statement, says
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.shot.detect import Event, EventKind
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict.decision import Action
from otdravg.verdict.rules import Profile, at_stage
from otdravg.verdict.shots import fibre_type_of
from otdravg.verdict.splice import judge_reading, with_more
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict

__all__ = ["newest", "rows_of"]


#: Judges a reading of a fibre at a closure (None: between closures), and tells how often the
#: splice there was made.
Judge = Callable[[Measured, Reading, Closure | None], tuple[SpliceVerdict, int]]


def rows_of(
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
    profile: Profile,
    doubts: Mapping[tuple[FibreKey, int, str], frozenset[str]],
    attempts: Callable[[Measured, int], int],
) -> list[SpliceRow]:
    """Make a row for every fibre, wavelength and closure, and for events between closures.

    Each is judged by itself; ``doubts`` are the codes of findings that speak against the data,
    by fibre, wavelength and closure (empty: all of the fibre); ``attempts`` tells how often the
    splice at the closure of that number was made.
    """
    none: frozenset[str] = frozenset()

    def judge(
        one: Measured, reading: Reading, closure: Closure | None
    ) -> tuple[SpliceVerdict, int]:
        attempt = 1 if closure is None else attempts(one, closure.number)
        name = "" if closure is None else closure.name
        everywhere = doubts.get((one.key, one.wavelength_nm, ""), none)
        known = Circumstances(
            one.wavelength_nm,
            attempt,
            None if closure is None else closure.method,
            length_m=None if one.outcome.axis is None else one.outcome.axis.length_m,
            fibre_type=fibre_type_of(*(None if r is None else r.identity for r in one.records)),
            finding_codes=everywhere | doubts.get((one.key, one.wavelength_nm, name), none),
        )
        stage = "" if closure is None else closure.stage
        own = at_stage(profile, stage) if stage else profile
        return judge_reading(reading, own, known), attempt

    starts = _usual_starts(measured)
    rows: list[SpliceRow] = []
    for one in measured:
        own_map = maps.get(one.key.cable)
        if own_map is None:
            continue
        if one.outcome.axis is not None:
            rows += _measured_rows(one, own_map, profile.ribbon_size, judge)
        else:
            own = _rows_without_pair(one, own_map, profile.ribbon_size, starts, judge)
            rows += [row for row in own if row.distance_m < _spliced_to(one, profile)]
    return sorted(rows, key=_order)


def _spliced_to(one: Measured, profile: Profile) -> float:
    """How far from A a fibre may have splices, m: under construction not where its shot ends."""
    sketch = one.outcome.sketch_ab
    if not profile.stage.is_building or sketch is None or not sketch.end_seen:
        return inf
    end_m = sketch.end_m - sketch.user_offset_m
    return end_m - table_slack_m(end_m)


def _order(row: SpliceRow) -> tuple[str, int, int, float]:
    return row.cable, row.fibre, row.wavelength_nm, row.distance_m


def _row(
    one: Measured,
    ribbon_size: int | None,
    closure: Closure | None,
    reading: Reading,
    judge: Judge,
) -> SpliceRow:
    ab, ba = one.records
    fibre = one.key.fibre
    ribbon, position = ribbon_position(fibre, ribbon_size)
    verdict, attempt = judge(one, reading, closure)
    if closure is None and verdict.action is Action.RE_SPLICE:
        # Between closures there is no splice to remake: somebody has to look what it is.
        verdict = replace(with_more(verdict, says("between-closures")), action=Action.LOOK)
    return SpliceRow(
        cable=one.key.cable,
        fibre=fibre,
        ribbon=ribbon,
        position=position,
        colour=fibre_colour(fibre, ribbon_size),
        wavelength_nm=one.wavelength_nm,
        closure="" if closure is None else closure.name,
        closure_number=None if closure is None else closure.number,
        distance_m=reading.distance_m,
        loss_ab_db=reading.loss_ab_db,
        loss_ba_db=reading.loss_ba_db,
        loss_db=reading.loss_db,
        u_loss_db=reading.u_loss_db,
        backscatter_step_db=reading.backscatter_step_db,
        u_step_db=reading.u_step_db,
        kind=Kind.SPLICE if reading.kind is Kind.ASKED else reading.kind,
        coverage=reading.coverage,
        verdict=verdict,
        attempt=attempt,
        file_ab=ab.path if ab else "",
        file_ba=ba.path if ba else "",
        detected=reading.detected_ab or reading.detected_ba,
        taken=newest(ab, ba),
        reflectance_db=reading.reflectance_db,
        missing=reading.missing,
        reading=reading,
    )


def newest(*records: ShotRecord | None) -> datetime | None:
    """Return the latest time among some shots; None if none has a time."""
    times = [r.taken for r in records if r is not None and r.taken is not None]
    return max(times, default=None)


def _measured_rows(
    one: Measured, own_map: CableMap, ribbon_size: int | None, judge: Judge
) -> list[SpliceRow]:
    where = placed(one.outcome, own_map)
    rows = []
    for number, at_m in own_map.passes.get(one.key.fibre, {}).items():
        nothing = _one_way(number, at_m, None, one.outcome, says("too-near"))
        reading = where.at.get(number, nothing)
        rows.append(_row(one, ribbon_size, own_map.closure(number), reading, judge))
    rows += [_row(one, ribbon_size, None, r, judge) for r in where.between]
    return rows


def _usual_starts(measured: Sequence[Measured]) -> dict[str, tuple[float, float]]:
    """Where the span usually begins in shots from A and from B, for shots without a partner."""
    starts: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for one in measured:
        if one.outcome.axis is not None:
            starts[one.key.cable].append((one.outcome.axis.start_a_m, one.outcome.axis.start_b_m))
    return {
        cable: (median(a for a, _ in own), median(b for _, b in own))
        for cable, own in starts.items()
    }


def _rows_without_pair(
    one: Measured,
    own_map: CableMap,
    ribbon_size: int | None,
    starts: Mapping[str, tuple[float, float]],
    judge: Judge,
) -> list[SpliceRow]:
    """Rows of a fibre without a usable pair: one-way readings where a single shot shows one."""
    outcome = one.outcome
    single = (outcome.sketch_ab is None) != (outcome.sketch_ba is None) and not all(one.records)
    offsets = [s.user_offset_m for s in (outcome.sketch_ab, outcome.sketch_ba) if s is not None]
    only_end = max(offsets, default=0.0)
    start_a, start_b = starts.get(own_map.cable, (only_end, only_end))
    length_m = own_map.route_length_m[1]
    rows = []
    for closure in own_map.closures:
        if 1 not in closure.routes and one.key.fibre not in closure.fibres:
            continue
        event = None
        cause = outcome.problem or says("no-partner")
        if single:
            sketch, start_m, at_m = (
                (outcome.sketch_ab, start_a, closure.distance_m)
                if outcome.sketch_ab is not None
                else (outcome.sketch_ba, start_b, length_m - closure.distance_m)
            )
            if sketch is not None:
                event = _event_near(sketch, start_m + at_m)
        reading = _one_way(closure.number, closure.distance_m, event, outcome, cause)
        rows.append(_row(one, ribbon_size, closure, reading, judge))
    return rows


def _event_near(sketch: Sketch, x_m: float) -> Event | None:
    """The event of a shot nearest to a position, if it is near enough to be meant."""
    slack = 3 * sketch.placing_m + 2e-3 * x_m
    near = [
        e
        for e in sketch.events
        if abs(e.distance_m - x_m) <= slack
        and e.loss_db is not None
        and e.kind in (EventKind.STEP, EventKind.REFLECTION)
    ]
    return min(near, key=lambda e: abs(e.distance_m - x_m), default=None)


def _one_way(
    number: int, distance_m: float, event: Event | None, outcome: Outcome, cause: Statement
) -> Reading:
    """A one-way reading from a single shot's event, if there is one; never half of it as a loss."""
    is_seen, from_a = event is not None, outcome.sketch_ab is not None
    loss_db, u_db = (None, None) if event is None else (event.loss_db, event.u_loss_db)
    reflects = event is not None and event.kind is EventKind.REFLECTION
    one_way = Coverage.ONLY_AB if from_a else Coverage.ONLY_BA
    return Reading(
        number=number,
        kind=Kind.CONNECTOR if reflects else Kind.SPLICE,
        coverage=one_way if is_seen else Coverage.NONE,
        distance_m=distance_m,
        distance_from_b_m=0.0,
        loss_ab_db=loss_db if from_a else None,
        loss_ba_db=None if from_a else loss_db,
        loss_db=None,
        u_ab_db=u_db if from_a else None,
        u_ba_db=None if from_a else u_db,
        u_loss_db=None,
        backscatter_step_db=None,
        u_step_db=None,
        mode_field_ratio=None,
        reflectance_db=None if event is None else event.reflectance_db,
        detected_ab=is_seen and from_a,
        detected_ba=is_seen and not from_a,
        missing=(cause,),
    )
