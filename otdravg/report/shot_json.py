"""One shot as plain data: who, when, with what settings, and the file's own table."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

from otdravg.findings import Finding, Statement, Value, Values
from otdravg.quantities import Quantity, number, quantity_of
from otdravg.shot.settings import TableEvent
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.words.catalogue import done, place, sentence

__all__ = ["finding_object", "response_object", "shot_object", "statement_object", "table_object"]


def shot_object(trace: Trace) -> dict[str, Any]:
    """Return a shot's identity and settings; header texts exactly as the file holds them."""
    identity = trace.identity
    return {
        "file": identity.path,
        "sha256": identity.sha256,
        "cable": identity.cable,
        "fibre": identity.fibre,
        "location_a": identity.location_a,
        "location_b": identity.location_b,
        "direction": identity.direction.value,
        "nominal_wavelength_nm": identity.nominal_wavelength_nm,
        "wavelength_nm": number(identity.wavelength_nm, Quantity.WAVELENGTH_NM),
        "taken": _by_its_own_clock(identity.taken),
        "operator": identity.operator,
        "comment": identity.comment,
        "instrument": identity.instrument,
        "settings": _settings_object(trace),
    }


def _by_its_own_clock(taken: datetime | None) -> str | None:
    """Write what the instrument's clock said, without a zone: nobody knows how it ran."""
    return None if taken is None else taken.replace(tzinfo=None).isoformat()


def response_object(shot: Shot) -> dict[str, Any]:
    """Return how the instrument answers, as learnt, pooled or stated."""
    response = shot.response
    width, u_width = response.width_pulses(shot.pulse_m / shot.spacing_m)
    return {
        "source": response.source.value,
        "width_pulses": number(width, Quantity.PULSES),
        "u_width_pulses": number(u_width, Quantity.U_PULSES),
        "poles_pulses": [number(pole, Quantity.PULSES) for pole in response.poles],
        "smoothing_points": response.smoothing,
        "smoothing_of": "dB" if response.in_db else "power",
        "edges": response.edges,
        "misfit": number(response.misfit, Quantity.MISFIT),
    }


def _settings_object(trace: Trace) -> dict[str, Any]:
    settings = trace.settings
    return {
        "pulse_ns": number(settings.pulse_ns, Quantity.PULSE_NS),
        "pulse_m": number(trace.pulse_m(), Quantity.DISTANCE_M),
        "spacing_m": number(trace.spacing_m(), Quantity.SPACING_M),
        "points": int(trace.level_db.size),
        "first_point_m": number(trace.offset_m(), Quantity.DISTANCE_M),
        "user_offset_m": number(trace.user_offset_m(), Quantity.DISTANCE_M),
        "group_index": number(settings.group_index, Quantity.GROUP_INDEX),
        "backscatter_coefficient_db": number(
            settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB
        ),
        "averages": settings.averages,
        "averaging_time_s": number(settings.averaging_time_s, Quantity.TIME_S),
        "range_m": number(settings.range_s * trace.speed_m_per_s(), Quantity.DISTANCE_M),
        "quantum_db": settings.quantum_db,
        "file_revision": settings.revision,
    }


def table_object(event: TableEvent, group_index: float) -> dict[str, Any]:
    """Return one entry of the file's own event table."""
    return {
        "number": event.number,
        "distance_m": number(event.distance_m(group_index), Quantity.DISTANCE_M),
        "loss_db": number(event.loss_db, Quantity.LOSS_DB),
        "reflectance_db": number(event.reflectance_db, Quantity.REFLECTANCE_DB),
        "slope_db_per_km": number(event.slope_db_per_km, Quantity.ATTENUATION_DB_PER_KM),
        "code": event.code,
        "is_end": event.is_end,
        "comment": event.comment,
    }


def finding_object(finding: Finding) -> dict[str, Any]:
    """Return a finding as data: code and values for programs, sentences for people."""
    return {
        "severity": finding.severity.value,
        "code": finding.code,
        "case": finding.case,
        "where": place(finding.where),
        "values": _values_object(finding.values),
        "text": sentence(finding),
        "done": done(finding),
    }


def _values_object(values: Values) -> dict[str, Any]:
    """Return values by name, numbers rounded as every output rounds them."""
    return {name: _plain(name, value) for name, value in values}


def statement_object(statement: Statement) -> dict[str, Any]:
    """Return a reason or a next step as data; ``more`` is what is said right behind it."""
    return {
        "code": statement.code,
        "values": _values_object(statement.values),
        "more": [statement_object(one) for one in statement.more],
    }


def _plain(name: str, value: Value) -> Any:
    if isinstance(value, tuple):
        return [_values_object(v) if isinstance(v, tuple) else _plain("", v) for v in value]
    if isinstance(value, Statement):
        return statement_object(value)
    if isinstance(value, Finding):
        return finding_object(value)
    if isinstance(value, Decimal):
        return float(value)
    quantity = quantity_of(name)
    if isinstance(value, float) and quantity is not None:
        return number(value, quantity)
    return value
