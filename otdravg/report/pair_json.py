"""A pair's report as one JSON object; its schema is ``docs/pair.schema.json``."""

from __future__ import annotations

import json
from typing import Any

from otdravg import __version__
from otdravg.findings import Finding
from otdravg.fit.reading import SectionReading
from otdravg.fit.side import Axis, SpanStart
from otdravg.pair.measure import Measurement
from otdravg.pair.same_glass import Glass
from otdravg.pair.visible import SEEN_SHARE, DirectionLimit, detection_limits
from otdravg.quantities import Quantity, distance_text, number
from otdravg.report.answer import answer_lines, doubts_about
from otdravg.report.budget import budget_object, budgets_of
from otdravg.report.shot_json import (
    fields_object,
    finding_object,
    response_object,
    shot_object,
    statement_object,
)
from otdravg.verdict.judge import Judged, PairReport
from otdravg.verdict.verdicts import SpliceVerdict
from otdravg.words.catalogue import told
from otdravg.words.statements import (
    caution_statement,
    findings_by_source,
    limit_statement,
    rule_statement,
    span_start_statement,
)

#: Name and version of the layout; the number rises when a field changes its meaning.
SCHEMA_NAME = "otdravg.pair/2"


def pair_json(report: PairReport, *, indent: int | None = 2) -> str:
    """Return the report as JSON text, ASCII only, so that no terminal can spoil it.

    Without ``indent`` it is one line, for a list of many pairs.
    """
    return json.dumps(pair_object(report), indent=indent, allow_nan=False) + "\n"


def pair_object(report: PairReport) -> dict[str, Any]:
    """Return the report as plain lists, dictionaries, texts and numbers.

    Losses are dB (a loss positive), distances metres from the span's A end. ``None``
    where something was not measured; the object's ``reason`` says why.
    """
    measurement = report.measurement
    return {
        "schema": SCHEMA_NAME,
        "program_version": __version__,
        "exit_status": report.exit_status,
        "needs_work": report.needs_work,
        "verdict": report.answer.value,
        "answer": [told(one) for one in answer_lines(report)],
        "doubts": [_doubt(about, finding) for about, finding in doubts_about(report)],
        "ends": {
            "a": told(report.ends.a),
            "b": told(report.ends.b),
            "direction_by": report.ends.basis.value,
        },
        "shots": {
            "ab": shot_object(measurement.ab),
            "ba": shot_object(measurement.ba),
        },
        "response": {
            "ab": response_object(measurement.detection_ab.shot),
            "ba": response_object(measurement.detection_ba.shot),
        },
        "glass": _glass(measurement.glass),
        "limits": _limits(report),
        "axis": _axis(measurement.axis),
        "splices": [_splice(judged) for judged in report.splices],
        "whole_fibre": [
            {
                "figure": _plain(rule.figure),
                "expanded_uncertainty": _plain(rule.expanded_u),
                **_verdict(rule),
            }
            for rule in report.rules
        ],
        "sections": [
            fields_object(one, "start_m", "end_m") | _attenuation(one)
            for one in measurement.sections
        ],
        "totals": _totals(report, measurement),
        "detection_limit": [_detection_limit(one) for one in detection_limits(measurement)],
        "findings": [
            {"about": about, **finding_object(finding)}
            for about, finding in findings_by_source(report)
        ],
        "next_steps": [told(step) for step in report.next_steps],
        "steps": [statement_object(step) for step in report.next_steps],
        "budgets": [budget_object(budget) for budget in budgets_of(measurement)],
        "caution": caution_statement(),
    }


def _doubt(about: str, finding: Finding) -> dict[str, Any]:
    """Return why the pair is in doubt, and what would settle it."""
    said = finding_object(finding)
    names = {"code": "code", "values": "values", "sentence": "text", "settled_by": "done"}
    return {"about": about, **{name: said[own] for name, own in names.items()}}


def _glass(glass: Glass) -> dict[str, Any]:
    """Return the odds that both shots are of one fibre and from its two ends, and by what."""
    names = ("prior_odds", "factor_of_waveforms", "odds")
    return {
        "headers": glass.headers.value,
        "places": glass.places,
        "opposite_ends": dict(zip(names, glass.ends, strict=True)),
        "one_fibre": dict(zip(names, glass.one_fibre, strict=True)),
    }


def _splice(judged: Judged) -> dict[str, Any]:
    reading = judged.reading
    return {
        **fields_object(
            reading, "number", "kind", "coverage", "distance_m", "distance_from_b_m", "loss_ab_db",
            "loss_ba_db", "loss_db", "expanded_uncertainty_db",
        ),
        "u_loss_ab_db": number(reading.u_ab_db, Quantity.STANDARD_UNCERTAINTY_DB),
        "u_loss_ba_db": number(reading.u_ba_db, Quantity.STANDARD_UNCERTAINTY_DB),
        "u_loss_db": number(reading.u_loss_db, Quantity.STANDARD_UNCERTAINTY_DB),
        **fields_object(reading, "backscatter_step_db"),
        "u_backscatter_step_db": number(reading.u_step_db, Quantity.STANDARD_UNCERTAINTY_DB),
        "mode_field_ratio_estimate": number(reading.mode_field_ratio, Quantity.RATIO),
        "mismatch_loss_estimate_db": _plain(judged.mismatch_loss_db),
        "apparent_gain_from": judged.gain_seen_from,
        "reflectance_db": number(reading.reflectance_db, Quantity.REFLECTANCE_DB),
        **fields_object(reading, "detected_ab", "detected_ba"),
        **_verdict(judged),
    }  # fmt: skip


def _plain(value: object) -> float | None:
    return None if value is None else float(str(value))


def _limits(report: PairReport) -> dict[str, Any]:
    return {
        "limit_db": _plain(report.limit_db),
        "is_default": not report.limit_is_stated,
        "statement": limit_statement(report),
        "rule": report.limits.rule.value,
        "rule_statement": rule_statement(report),
        "stated_db_by_wavelength_nm": {
            str(nm): float(limit_db)
            for nm, limit_db in sorted(report.limits.by_wavelength_nm.items())
        },
        "profile": report.profile.name if report.by_profile else None,
        "not_applied": [
            {"keys": list(one.keys), "why": told(one.why), "is_open": one.is_open}
            for one in report.not_applied
        ],
    }


def _verdict(judged: SpliceVerdict) -> dict[str, Any]:
    return {
        **fields_object(judged, "limit_db", "verdict", "rule", "near_limit", "action"),
        "reason": told(judged.reason),
        "because": statement_object(judged.reason),
    }


def _axis(axis: Axis) -> dict[str, Any]:
    return {
        **fields_object(axis, "group_index", "length_m"),
        "u_length_m": number(axis.u_length_m, Quantity.U_DISTANCE_M),
        "start_in_ab_m": number(axis.start_a_m, Quantity.DISTANCE_M),
        "start_in_ab_by": axis.basis_a.value,
        "start_in_ab_basis": _basis(axis, axis.basis_a, axis.start_a_m),
        "start_in_ba_m": number(axis.start_b_m, Quantity.DISTANCE_M),
        "start_in_ba_by": axis.basis_b.value,
        "start_in_ba_basis": _basis(axis, axis.basis_b, axis.start_b_m),
        "matched_events": axis.matched,
        "residuals_m": [number(r, Quantity.DISTANCE_M) for r in axis.residuals_m],
    }


def _basis(axis: Axis, basis: SpanStart, start_m: float) -> str:
    """Say what told where the span begins, with the launch fibre's length where there is one."""
    statement = span_start_statement(axis, basis)
    if basis in (SpanStart.FRONT_PANEL, SpanStart.LONE_CONNECTOR):
        return statement
    return f"{statement}, {distance_text(start_m, km=False)}"


def _detection_limit(limit: DirectionLimit) -> dict[str, Any]:
    return {
        "direction": limit.direction.value,
        "false_alarm_rate": limit.false_alarm_rate,
        "seen_share": SEEN_SHARE,
        "worst_distance_m": number(limit.worst_m, Quantity.DISTANCE_M),
        "worst_step_db": number(limit.worst_db, Quantity.STANDARD_UNCERTAINTY_DB),
        "blind_at_m": [number(z, Quantity.DISTANCE_M) for z in limit.blind_m],
        "curve": [
            {
                "distance_m": number(float(z), Quantity.DISTANCE_M),
                "step_db": number(float(step), Quantity.STANDARD_UNCERTAINTY_DB),
            }
            for z, step in zip(limit.distance_m, limit.step_db, strict=True)
        ],
    }


def _totals(report: PairReport, measurement: Measurement) -> dict[str, Any]:
    return {
        "splice_loss_sum_db": _plain(report.sum_db),
        "splice_loss_sum_count": report.sum_count,
        "splice_loss_mean_db": _plain(report.mean_db),
        "splice_loss_mean_count": report.mean_count,
        "span_length_m": number(measurement.axis.length_m, Quantity.DISTANCE_M),
        **_attenuation(measurement),
    }


def _attenuation(fibre: SectionReading | Measurement) -> dict[str, Any]:
    return {
        **fields_object(fibre, "attenuation_db_per_km"),
        "u_attenuation_db_per_km": number(
            fibre.u_attenuation_db_per_km, Quantity.U_ATTENUATION_DB_PER_KM
        ),
    }
