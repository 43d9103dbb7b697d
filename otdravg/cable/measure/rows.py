"""Every fibre at every closure as a row, fibres as a whole, and what was shot again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from math import inf
from statistics import median

from otdravg.cable.checks.states import is_one_state, one_way_series
from otdravg.cable.lists.facts import PowerReading
from otdravg.cable.measure.closures import CableMap, table_slack_m
from otdravg.cable.measure.jobs import Outcome, Sketch
from otdravg.cable.measure.placing import placed
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import (
    Attempt,
    Closure,
    FibreKey,
    FibreResult,
    History,
    ShotRecord,
    SpliceRow,
)
from otdravg.findings import Statement, says
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.grouping import grouped
from otdravg.shot.detect import Event, EventKind
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict.connector import Where, end_event, end_verdicts
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.group import mean_of
from otdravg.verdict.rules import Profile, at_stage
from otdravg.verdict.shots import fibre_type_of
from otdravg.verdict.span import PowerLoss, judge_span, span_of
from otdravg.verdict.splice import judge_reading, with_more
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict

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
    one: Measured, ribbon_size: int | None, closure: Closure | None, reading: Reading, judge: Judge
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
    axes = ((one.key.cable, axis) for one in measured if (axis := one.outcome.axis) is not None)
    return {
        cable: (
            median(axis.start_a_m for _, axis in own),
            median(axis.start_b_m for _, axis in own),
        )
        for cable, own in grouped(axes, lambda one: one[0]).items()
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


def fibre_results(
    measured: Sequence[Measured],
    rows: Sequence[SpliceRow],
    maps: Mapping[str, CableMap],
    profile: Profile,
    power: Sequence[PowerReading] = (),
) -> list[FibreResult]:
    """Sum up every fibre at every wavelength that was measured both ways.

    Of several ``power`` readings of a fibre the highest is its loss.
    """
    read = _read(power)
    own_rows = grouped(rows, lambda row: (row.key, row.wavelength_nm))
    results = []
    for one in measured:
        outcome = one.outcome
        if outcome.axis is None:
            continue
        own = own_rows.get((one.key, one.wavelength_nm), [])
        splices = [r for r in own if r.kind is not Kind.CONNECTOR and r.closure_number is not None]
        axis, attenuation = outcome.axis, outcome.attenuation_db_per_km
        ab, ba = one.records
        span = span_of(
            profile,
            [r.reading for r in own if r.reading is not None],
            [r.reading for r in splices if r.reading is not None],
            one.wavelength_nm,
            axis.length_m,
            (attenuation, outcome.u_attenuation_db_per_km),
            fibre_type=fibre_type_of(*(r.identity if r else None for r in one.records)),
            attempts=max((r.attempt for r in splices), default=1),
            power=read.get((one.key.fibre, one.wavelength_nm)),
        )
        ends = (
            (Where.FIRST, outcome.sketch_ab, axis.start_a_m),
            (Where.LAST, outcome.sketch_ba, axis.start_b_m),
        )
        mean_db, _ = mean_of(span.splices)
        rules = [_on_doubtful_data(rule, own) for rule in judge_span(profile, span)]
        for where, sketch, start_m in ends:
            event = None
            # In a loop the connectors of both fibres are one event.
            if sketch is not None and (where is Where.FIRST or one.stand.loop_m is None):
                event = end_event(sketch.events, start_m, sketch.placing_m)
            rules += [] if event is None else end_verdicts(profile, where, event)
        results.append(
            FibreResult(
                one.key,
                one.wavelength_nm,
                maps[one.key.cable].route_of[one.key.fibre],
                outcome.axis.length_m,
                outcome.axis.u_length_m,
                attenuation,
                outcome.u_attenuation_db_per_km,
                None if mean_db is None else float(mean_db),
                sum(r.loss_db is not None for r in splices),
                tuple(rules),
                ab.path if ab else "",
                ba.path if ba else "",
                one.attempt,
                outcome.axis.group_index,
                outcome.axis.start_a_m,
                outcome.axis.start_b_m,
                span.loss_db,
                span.u_loss_db,
                span.loss_ab_db,
                span.loss_ba_db,
            )
        )
    return results


def _read(readings: Sequence[PowerReading]) -> dict[tuple[int, int], PowerLoss]:
    """The highest reading of each fibre and wavelength; what is below 0 dB is no loss."""
    read: dict[tuple[int, int], PowerLoss] = {}
    for one in sorted(readings, key=lambda one: one.loss_db or 0.0):
        if one.wavelength_nm is not None and one.loss_db is not None and one.loss_db >= 0:
            read[one.fibre, one.wavelength_nm] = PowerLoss(one.loss_db, one.expanded_db)
    return read


def _on_doubtful_data(rule: SpliceVerdict, rows: Sequence[SpliceRow]) -> SpliceVerdict:
    """Where a splice is not gradable, what it is a part of is not either."""
    for row in rows:
        if row.verdict.verdict is Verdict.NOT_GRADABLE:
            return replace(
                rule, verdict=Verdict.NOT_GRADABLE, reason=row.verdict.reason, action=Action.LOOK
            )
    return rule


def history_of(measured: Sequence[Measured], maps: Mapping[str, CableMap]) -> list[History]:
    """Before and after of every splice that was shot more than once."""
    histories = []
    for one in measured:
        if not one.earlier or one.outcome.axis is None:
            continue
        own_map = maps[one.key.cable]
        series = one_way_series(one, own_map)
        attempts = [(*item, placed(item[1], own_map)) for item in one.earlier]
        attempts.append((one.attempt, one.outcome, placed(one.outcome, own_map)))
        for number in own_map.passes.get(one.key.fibre, {}):
            entries = []
            for attempt, _, where in attempts:
                ab, ba = one.stand.pair(attempt)
                reading = where.at.get(number)
                paths = ab.path if ab else "", ba.path if ba else ""
                if not is_one_state(series.get(number, ((), ())), *paths):
                    reading = None  # half the sum is of two different splices
                entries.append(
                    Attempt(
                        attempt,
                        newest(ab, ba),
                        None if reading is None else reading.loss_db,
                        None if reading is None else reading.u_loss_db,
                        *paths,
                    )
                )
            closure = own_map.closure(number).name
            histories.append(History(one.key, one.wavelength_nm, closure, tuple(entries)))
    return histories
