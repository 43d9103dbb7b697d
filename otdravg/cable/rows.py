"""Every fibre at every closure as judged rows, and fibres as a whole."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from math import hypot
from statistics import median

from otdravg.bidirectional import Coverage, Kind, Reading
from otdravg.cable.closures import CableMap
from otdravg.cable.colours import fibre_colour, ribbon_position
from otdravg.cable.identity import NOT_ONE_FIBRE
from otdravg.cable.measuring import Outcome, Sketch
from otdravg.cable.model import (
    Attempt,
    CableFinding,
    FibreKey,
    FibreResult,
    History,
    ShotRecord,
    SpliceRow,
)
from otdravg.cable.notes import about_fibre
from otdravg.cable.placing import placed
from otdravg.cable.standing import Measured
from otdravg.decision import Action
from otdravg.detect import Event, EventKind
from otdravg.findings import Severity
from otdravg.profile import (
    Circumstances,
    PlaceReading,
    Profile,
    Span,
    SpliceVerdict,
    Verdict,
)

__all__ = ["fibre_results", "history_of", "judged_rows", "row_findings", "rows_of"]

#: An event between closures above this is worth a look (common practice, no source).
_WORTH_A_LOOK_DB = 0.05


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
        taken=_newer(ab, ba),
        reflectance_db=None if reading is None else reading.reflectance_db,
        reason=reason or (reading.reason if reading and reading.reason else ""),
    )


_UNJUDGED = SpliceVerdict(Verdict.NOT_JUDGED, None, False, "Not judged yet.", Action.NONE)


def _newer(*records: ShotRecord | None) -> datetime | None:
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
        reason="the shot from the other end is missing",
    )


def judged_rows(
    rows: Sequence[SpliceRow],
    profile: Profile,
    lengths_m: Mapping[tuple[FibreKey, int], float],
    doubts: Mapping[tuple[FibreKey, int], frozenset[str]],
) -> list[SpliceRow]:
    """Judge every row by the profile, wavelengths of one place together.

    Parameters
    ----------
    rows : sequence of SpliceRow
        In any order; returned in the same.
    profile : Profile
    lengths_m, doubts : mapping
        Span length, and codes of findings that speak against the data, by fibre and
        wavelength.
    """
    # Whatever the contract says: half the sum of two fibres' readings is no loss.
    not_gradable = profile.data.not_gradable | NOT_ONE_FIBRE
    profile = replace(profile, data=replace(profile.data, not_gradable=not_gradable))
    judged = []
    for row in rows:
        place = row.key, row.wavelength_nm
        one_way = row.loss_ab_db if row.coverage is Coverage.ONLY_AB else row.loss_ba_db
        verdict = profile.judge_splice(
            row.loss_db,
            row.u_loss_db,
            row.wavelength_nm,
            row.kind,
            row.attempt,
            row.coverage,
            Circumstances(
                one_way_db=None if row.coverage is Coverage.BOTH else one_way,
                one_way_reason=row.reason,
                length_m=lengths_m.get(place),
                finding_codes=doubts.get(place, frozenset()),
            ),
        )
        judged.append(replace(row, verdict=_outside_closures(row, verdict)))
    for members in _by_place(judged).values():
        _judge_together(judged, members, profile)
    return judged


def _outside_closures(row: SpliceRow, verdict: SpliceVerdict) -> SpliceVerdict:
    """Between closures there is no splice to remake: somebody has to look what it is."""
    if row.closure_number is not None or verdict.action is not Action.RE_SPLICE:
        return verdict
    reason = f"{verdict.reason} It lies between closures: find out what it is first."
    return replace(verdict, action=Action.LOOK, reason=reason)


def _by_place(rows: Sequence[SpliceRow]) -> dict[tuple[object, ...], list[int]]:
    """Numbers of the rows of each place, over its wavelengths.

    Events between closures belong together if they are nearer than a few metres.
    """
    places: dict[tuple[object, ...], list[int]] = defaultdict(list)
    loose: dict[FibreKey, list[int]] = defaultdict(list)
    for number, row in enumerate(rows):
        if row.closure_number is not None:
            places[row.key, row.closure_number].append(number)
        else:
            loose[row.key].append(number)
    for key, numbers in loose.items():
        numbers.sort(key=lambda n: rows[n].distance_m)
        last: int | None = None
        for number in numbers:
            at = rows[number]
            same = (
                last is not None
                and at.distance_m - rows[last].distance_m < 8.0 + 1e-3 * at.distance_m
                and at.wavelength_nm != rows[last].wavelength_nm
            )
            if not same:
                start = number
            places[key, "between", start].append(number)
            last = number
    return places


def _judge_together(rows: list[SpliceRow], members: Sequence[int], profile: Profile) -> None:
    """Compare the wavelengths of one place: extra loss at the longer ones points to a bend."""
    measured = sorted(
        (n for n in members if rows[n].loss_db is not None and rows[n].kind is not Kind.GROUP),
        key=lambda n: rows[n].wavelength_nm,
    )
    if len({rows[n].wavelength_nm for n in measured}) < 2:
        return
    readings = {
        rows[n].wavelength_nm: PlaceReading(rows[n].verdict, rows[n].loss_db, rows[n].u_loss_db)
        for n in measured
    }
    verdicts = profile.judge_place(readings).by_wavelength_nm
    short = rows[measured[0]]
    for n in measured[1:]:
        row = rows[n]
        verdict = verdicts[row.wavelength_nm]
        rows[n] = replace(
            row,
            verdict=verdict,
            bend_db=(row.loss_db or 0.0) - (short.loss_db or 0.0),
            u_bend_db=hypot(row.u_loss_db or 0.0, short.u_loss_db or 0.0),
            bend_suspected=verdict.verdict is Verdict.BEND,
        )


def row_findings(rows: Sequence[SpliceRow], maps: Mapping[str, CableMap]) -> list[CableFinding]:
    """Findings that rows give rise to: bends, events between closures, reflecting splices."""
    findings: list[CableFinding] = []
    for members in _by_place(rows).values():
        own = [rows[n] for n in members]
        first = own[0]
        if first.closure_number is None:
            if maps[first.cable].passes.get(first.fibre):
                findings.append(_between(own, maps[first.cable]))
        elif any(row.kind is Kind.CONNECTOR for row in own):
            findings.append(_reflecting(own))
        bent = [row for row in own if row.bend_suspected]
        if bent:
            findings.append(_bend(bent))
    return findings


def _files(rows: Sequence[SpliceRow]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f for row in rows for f in (row.file_ab, row.file_ba) if f))


def _losses(rows: Sequence[SpliceRow]) -> str:
    parts = []
    for row in rows:
        if row.loss_db is not None:
            u_db = row.expanded_uncertainty_db or 0.0
            parts.append(f"{row.loss_db:.3f} ± {u_db:.3f} dB at {row.wavelength_nm} nm")
        else:
            parts.append(f"{row.coverage.value} at {row.wavelength_nm} nm")
    return ", ".join(parts)


def _between(rows: Sequence[SpliceRow], own_map: CableMap) -> CableFinding:
    first = rows[0]
    passes = own_map.passes[first.fibre]
    before = [n for n, z in passes.items() if z < first.distance_m]
    after = [n for n, z in passes.items() if z > first.distance_m]
    left = f"closure {own_map.closure(max(before)).name}" if before else "end A"
    right = f"closure {own_map.closure(min(after)).name}" if after else "end B"
    large = any((row.loss_db or 0.0) >= _WORTH_A_LOOK_DB for row in rows)
    bent = any(row.bend_suspected for row in rows)
    what = " It rises with wavelength as a bend does." if bent else ""
    return about_fibre(
        first.key,
        Severity.CAUTION if large or bent else Severity.NOTE,
        "event-between-closures",
        f"{_losses(rows)} at {first.distance_m:.0f} m, between {left} and {right}.{what}",
        "look at the cable there: a bend, damage, or a splice made in the factory",
        files=_files(rows),
    )


def _reflecting(rows: Sequence[SpliceRow]) -> CableFinding:
    first = rows[0]
    heights = [row.reflectance_db for row in rows if row.reflectance_db is not None]
    height = f" ({max(heights):.1f} dB)" if heights else ""
    return about_fibre(
        first.key,
        Severity.CAUTION,
        "reflection-in-closure",
        f"a reflection{height} at {first.distance_m:.0f} m, {_losses(rows)}",
        "a fusion splice does not reflect: a connector, a mechanical splice, or a crack; look",
        closure=first.closure,
        files=_files(rows),
    )


def _bend(rows: Sequence[SpliceRow]) -> CableFinding:
    worst = max(rows, key=lambda row: row.bend_db or 0.0)
    return about_fibre(
        worst.key,
        Severity.CAUTION,
        "bend-suspected",
        f"{worst.bend_db or 0:.3f} ± {2 * (worst.u_bend_db or 0):.3f} dB more at "
        f"{worst.wavelength_nm} nm than at the shortest wavelength, at {worst.distance_m:.0f} m",
        "open, re-dress the fibre in its tray and shoot again; do not cut",
        wavelength_nm=worst.wavelength_nm,
        closure=worst.closure,
        files=_files(rows),
    )


def fibre_results(
    measured: Sequence[Measured],
    rows: Sequence[SpliceRow],
    maps: Mapping[str, CableMap],
    profile: Profile,
) -> list[FibreResult]:
    """Sum up every fibre at every wavelength that was measured both ways."""
    own_rows: dict[tuple[FibreKey, int], list[SpliceRow]] = defaultdict(list)
    for row in rows:
        own_rows[row.key, row.wavelength_nm].append(row)
    results = []
    for one in measured:
        outcome = one.outcome
        if outcome.axis is None:
            continue
        own = own_rows[one.key, one.wavelength_nm]
        splices = [r for r in own if r.kind is not Kind.CONNECTOR and r.closure_number is not None]
        attenuation = outcome.attenuation_db_per_km
        known = [r.loss_db for r in own if r.loss_db is not None]
        whole = len(known) == len(own) and attenuation is not None
        span = Span(
            one.wavelength_nm,
            [r.loss_db for r in splices],
            [r.u_loss_db for r in splices],
            outcome.axis.length_m,
            sum(known) + (attenuation or 0.0) * outcome.axis.length_m / 1000 if whole else None,
            connectors=sum(r.kind is Kind.CONNECTOR for r in own),
            attenuation_db_per_km=attenuation,
            u_attenuation_db_per_km=outcome.u_attenuation_db_per_km,
            attempts_documented=one.attempt,
        )
        verdict = profile.judge_span(span)
        ab, ba = one.records
        results.append(
            FibreResult(
                one.key,
                one.wavelength_nm,
                maps[one.key.cable].route_of[one.key.fibre],
                outcome.axis.length_m,
                outcome.axis.u_length_m,
                attenuation,
                outcome.u_attenuation_db_per_km,
                None if verdict.mean_db is None else float(verdict.mean_db),
                sum(r.loss_db is not None for r in splices),
                verdict.worst,
                ab.path if ab else "",
                ba.path if ba else "",
                one.attempt,
                outcome.axis.group_index,
                outcome.axis.start_a_m,
                outcome.axis.start_b_m,
            )
        )
    return results


def history_of(measured: Sequence[Measured], maps: Mapping[str, CableMap]) -> list[History]:
    """Before and after of every splice that was shot more than once."""
    histories = []
    for one in measured:
        if not one.earlier or one.outcome.axis is None:
            continue
        own_map = maps[one.key.cable]
        attempts = [(*item, placed(item[1], own_map)) for item in one.earlier]
        attempts.append((one.attempt, one.outcome, placed(one.outcome, own_map)))
        for number in own_map.passes.get(one.key.fibre, {}):
            entries = []
            for attempt, _, where in attempts:
                ab, ba = one.stand.pair(attempt)
                reading = where.at.get(number)
                entries.append(
                    Attempt(
                        attempt,
                        _newer(ab, ba),
                        None if reading is None else reading.loss_db,
                        None if reading is None else reading.u_loss_db,
                        ab.path if ab else "",
                        ba.path if ba else "",
                    )
                )
            closure = own_map.closure(number).name
            histories.append(History(one.key, one.wavelength_nm, closure, tuple(entries)))
    return histories
