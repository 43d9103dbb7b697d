"""One shot as plain data: who, when, with what settings, and the file's own table."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum
from typing import Any

from otdravg.findings import Finding, Statement, Value, Values
from otdravg.quantities import Quantity, number, quantity_of
from otdravg.shot.settings import TableEvent
from otdravg.shot.shot import Shot
from otdravg.shot.trace import Trace
from otdravg.words.catalogue import done, place, sentence


def fields_object(thing: object, *names: str) -> dict[str, Any]:
    """Return fields by name: figures rounded by the unit in it, states by their value."""
    return {name: _plain(name, getattr(thing, name)) for name in names}


def shot_object(trace: Trace) -> dict[str, Any]:
    """Return a shot's identity and settings; header texts exactly as the file holds them."""
    identity = trace.identity
    return {
        "file": identity.path,
        **fields_object(
            identity, "sha256", "cable", "fibre", "location_a", "location_b", "direction",
            "nominal_wavelength_nm", "wavelength_nm",
        ),
        # By the instrument's clock, without a zone: nobody knows how it ran.
        "taken": identity.taken and identity.taken.replace(tzinfo=None).isoformat(),
        **fields_object(identity, "operator", "comment", "instrument"),
        "settings": _settings_object(trace),
    }  # fmt: skip


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
        **fields_object(settings, "pulse_ns"),
        "pulse_m": number(trace.pulse_m(), Quantity.DISTANCE_M),
        "spacing_m": number(trace.spacing_m(), Quantity.SPACING_M),
        "points": int(trace.level_db.size),
        "first_point_m": number(trace.offset_m(), Quantity.DISTANCE_M),
        "user_offset_m": number(trace.user_offset_m(), Quantity.DISTANCE_M),
        **fields_object(settings, "group_index"),
        "backscatter_coefficient_db": number(
            settings.backscatter_coefficient_db, Quantity.REFLECTANCE_DB
        ),
        **fields_object(settings, "averages", "averaging_time_s"),
        "range_m": number(settings.range_s * trace.speed_m_per_s(), Quantity.DISTANCE_M),
        "quantum_db": settings.quantum_db,
        "file_revision": settings.revision,
    }


def table_object(event: TableEvent, group_index: float) -> dict[str, Any]:
    """Return one entry of the file's own event table."""
    return {
        "number": event.number,
        "distance_m": number(event.distance_m(group_index), Quantity.DISTANCE_M),
        **fields_object(event, "loss_db"),
        "reflectance_db": number(event.reflectance_db, Quantity.REFLECTANCE_DB),
        **fields_object(event, "slope_db_per_km", "code", "is_end", "comment"),
    }


def finding_object(finding: Finding) -> dict[str, Any]:
    """Return a finding as data: code and values for programs, sentences for people."""
    return {
        **fields_object(finding, "severity", "code", "case"),
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


def _plain(name: str, value: Value | Enum) -> Any:
    if isinstance(value, Enum):
        return value.value
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
