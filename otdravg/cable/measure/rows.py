"""Every fibre at every closure as a row, and events between closures."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import datetime
from statistics import median

from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Outcome, Sketch
from otdravg.cable.measure.placing import placed
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import (
    ShotRecord,
    SpliceRow,
)
from otdravg.findings import says
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.shot.detect import Event, EventKind
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict import (
    SpliceVerdict,
    Verdict,
)
from otdravg.verdict.decision import Action
from otdravg.words.bridge import causes_of

__all__ = ["newest", "rows_of"]


def rows_of(
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
    ribbon_size: int | None,
) -> list[SpliceRow]:
    """Make a row for every fibre, wavelength and closure, and for events between closures.

    Rows carry no verdict of the profile yet (see :func:`judged_rows`).
    """
    starts = _usual_starts(measured)
    rows: list[SpliceRow] = []
    for one in measured:
        own_map = maps.get(one.key.cable)
        if own_map is None:
            continue
        if one.outcome.axis is not None:
            rows += _measured_rows(one, own_map, ribbon_size)
        else:
            rows += _rows_without_pair(one, own_map, ribbon_size, starts)
    return sorted(rows, key=_order)


def _order(row: SpliceRow) -> tuple[str, int, int, float]:
    return row.cable, row.fibre, row.wavelength_nm, row.distance_m


def _row(
    one: Measured,
    ribbon_size: int | None,
    closure: tuple[str, int | None],
    distance_m: float,
    reading: Reading | None,
    reason: str,
) -> SpliceRow:
    ab, ba = one.records
    fibre = one.key.fibre
    ribbon, position = ribbon_position(fibre, ribbon_size)
    coverage = Coverage.NONE if reading is None else reading.coverage
    return SpliceRow(
        cable=one.key.cable,
        fibre=fibre,
        ribbon=ribbon,
        position=position,
        colour=fibre_colour(fibre, ribbon_size),
        wavelength_nm=one.wavelength_nm,
        closure=closure[0],
        closure_number=closure[1],
        distance_m=distance_m,
        loss_ab_db=None if reading is None else reading.loss_ab_db,
        loss_ba_db=None if reading is None else reading.loss_ba_db,
        loss_db=None if reading is None else reading.loss_db,
        u_loss_db=None if reading is None else reading.u_loss_db,
        backscatter_step_db=None if reading is None else reading.backscatter_step_db,
        u_step_db=None if reading is None else reading.u_step_db,
        kind=Kind.SPLICE if reading is None or reading.kind is Kind.ASKED else reading.kind,
        coverage=coverage,
        verdict=_UNJUDGED,
        attempt=one.attempt,
        file_ab=ab.path if ab else "",
        file_ba=ba.path if ba else "",
        detected=reading is not None and (reading.detected_ab or reading.detected_ba),
        taken=newest(ab, ba),
        reflectance_db=None if reading is None else reading.reflectance_db,
        reason=reason or (causes_of(reading.missing) if reading else ""),
    )


_UNJUDGED = SpliceVerdict(Verdict.NOT_JUDGED, None, False, "Not judged yet.", Action.NONE)


def newest(*records: ShotRecord | None) -> datetime | None:
    """Return the latest time among some shots; None if none has a time."""
    times = [r.taken for r in records if r is not None and r.taken is not None]
    return max(times, default=None)


def _measured_rows(one: Measured, own_map: CableMap, ribbon_size: int | None) -> list[SpliceRow]:
    where = placed(one.outcome, own_map)
    rows = []
    for number, at_m in own_map.passes.get(one.key.fibre, {}).items():
        reading = where.at.get(number)
        closure = own_map.closure(number).name, number
        if reading is None:
            reason = "too near another event or the span's end to be measured apart from it"
            rows.append(_row(one, ribbon_size, closure, at_m, None, reason))
        else:
            rows.append(_row(one, ribbon_size, closure, reading.distance_m, reading, ""))
    rows += [_row(one, ribbon_size, ("", None), r.distance_m, r, "") for r in where.between]
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
        reading = None
        reason = outcome.problem or "the shot from the other end is missing"
        if single:
            sketch, start_m, at_m = (
                (outcome.sketch_ab, start_a, closure.distance_m)
                if outcome.sketch_ab is not None
                else (outcome.sketch_ba, start_b, length_m - closure.distance_m)
            )
            if sketch is not None:
                event = _event_near(sketch, start_m + at_m)
                reading = _one_way(closure.number, closure.distance_m, event, outcome)
        named = closure.name, closure.number
        rows.append(_row(one, ribbon_size, named, closure.distance_m, reading, reason))
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
    number: int, distance_m: float, event: Event | None, outcome: Outcome
) -> Reading | None:
    """A one-way reading from a single shot's event; never half of it, never a loss."""
    if event is None:
        return None
    from_a = outcome.sketch_ab is not None
    return Reading(
        number=number,
        kind=Kind.CONNECTOR if event.kind is EventKind.REFLECTION else Kind.SPLICE,
        coverage=Coverage.ONLY_AB if from_a else Coverage.ONLY_BA,
        distance_m=distance_m,
        distance_from_b_m=0.0,
        loss_ab_db=event.loss_db if from_a else None,
        loss_ba_db=None if from_a else event.loss_db,
        loss_db=None,
        u_ab_db=event.u_loss_db if from_a else None,
        u_ba_db=None if from_a else event.u_loss_db,
        u_loss_db=None,
        backscatter_step_db=None,
        u_step_db=None,
        mode_field_ratio=None,
        reflectance_db=event.reflectance_db,
        detected_ab=from_a,
        detected_ba=not from_a,
        missing=(says("no-partner"),),
    )
