"""Fibres as a whole under the span rules, and the history of what was shot again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

from otdravg.cable.checks.states import is_one_state, one_way_series
from otdravg.cable.lists.facts import PowerReading
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.placing import placed
from otdravg.cable.measure.rows import newest
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import (
    Attempt,
    FibreKey,
    FibreResult,
    History,
    SpliceRow,
)
from otdravg.fit.reading import Kind
from otdravg.verdict.connector import Where, end_event, end_verdicts
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.rules import Profile
from otdravg.verdict.shots import fibre_type_of
from otdravg.verdict.span import PowerLoss, judge_span, span_of
from otdravg.verdict.verdicts import SpliceVerdict

__all__ = ["fibre_results", "history_of"]


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
        verdict = judge_span(profile, span)
        ends = (
            (Where.FIRST, outcome.sketch_ab, axis.start_a_m),
            (Where.LAST, outcome.sketch_ba, axis.start_b_m),
        )
        rules = [_on_doubtful_data(rule, own) for rule in verdict.rules]
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
                None if verdict.mean_db is None else float(verdict.mean_db),
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
