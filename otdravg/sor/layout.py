"""The blocks of the format, field by field: the one list that reader and writer share.

A field list is read top to bottom, as the bytes lie in the file. ``since_2`` marks
the fields that exist in revision 2 only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from struct import Struct
from typing import Any, Generic, TypeVar

from otdravg.sor.model import (
    FixedParameters,
    GeneralParameters,
    KeyEvent,
    KeyEvents,
    SupplierParameters,
)

MAP = "Map"
LINK = "LnkParams"
DATA_POINTS = "DataPts"
CHECKSUM = "Cksum"

T = TypeVar("T")


class Kind(Enum):
    """How a value lies in the file; all numbers low byte first."""

    U16 = "<H"
    I16 = "<h"
    U32 = "<I"
    I32 = "<i"
    C2 = "2s"
    C8 = "8s"
    CSTR = ""  # any length, ended by a zero byte

    # Plain attributes rather than properties: the reader asks for them per field.
    form: Struct
    is_text: bool

    def __init__(self, code: str) -> None:
        self.form = Struct(code)
        self.is_text = code in ("", "2s", "8s")

    @property
    def limits(self) -> tuple[int, int]:
        """Smallest and largest number that a number of this kind can hold."""
        bits = 8 * self.form.size
        signed = self.value.islower()
        return (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of a field list.

    ``times`` is ``None`` for a plain value; a number for a tuple of so many values;
    or the name of the earlier count field that says how many. ``codes`` are the
    values that the format defines, where it defines a closed set.
    """

    name: str
    kind: Kind | Record[Any]
    times: int | str | None = None
    since_2: bool = False
    codes: frozenset[bytes] = frozenset()


@dataclass(frozen=True, slots=True)
class Record(Generic[T]):
    """A field list, and the class whose attributes bear the fields' names."""

    block: str
    make: Callable[..., T]
    fields: tuple[Field, ...]

    @property
    def counts(self) -> frozenset[str]:
        """Names of the fields that only count others; the class derives them."""
        return frozenset(f.times for f in self.fields if isinstance(f.times, str))

    @property
    def differs_by_revision(self) -> bool:
        """Whether the two revisions have different field lists."""
        return any(
            f.since_2 or (isinstance(f.kind, Record) and f.kind.differs_by_revision)
            for f in self.fields
        )


U16, I16, U32, I32, C2, C8, CSTR = (
    Kind.U16,
    Kind.I16,
    Kind.U32,
    Kind.I32,
    Kind.C2,
    Kind.C8,
    Kind.CSTR,
)

GENERAL = Record(
    "GenParams",
    GeneralParameters,
    (
        Field("language", C2),
        Field("cable_id", CSTR),
        Field("fibre_id", CSTR),
        Field("fibre_type", U16, since_2=True),
        Field("nominal_wavelength_nm", U16),
        Field("location_a", CSTR),
        Field("location_b", CSTR),
        Field("cable_code", CSTR),
        Field("build_condition", C2, codes=frozenset({b"BC", b"CC", b"RC", b"OT"})),
        Field("user_offset_100ps", I32),
        Field("user_offset_distance", I32, since_2=True),
        Field("operator", CSTR),
        Field("comment", CSTR),
    ),
)

SUPPLIER = Record(
    "SupParams",
    SupplierParameters,
    (
        Field("supplier", CSTR),
        Field("mainframe_id", CSTR),
        Field("mainframe_serial", CSTR),
        Field("module_id", CSTR),
        Field("module_serial", CSTR),
        Field("software_revision", CSTR),
        Field("other", CSTR),
    ),
)

FIXED = Record(
    "FxdParams",
    FixedParameters,
    (
        Field("timestamp_s", U32),
        Field("distance_unit", C2, codes=frozenset({b"mt", b"km", b"ft", b"kf", b"mi"})),
        Field("wavelength_0p1nm", U16),
        Field("acquisition_offset_100ps", I32),
        Field("acquisition_offset_distance", I32, since_2=True),
        Field("pulse_entries", U16),
        Field("pulse_widths_ns", U16, times="pulse_entries"),
        Field("data_spacings", U32, times="pulse_entries"),
        Field("point_counts", U32, times="pulse_entries"),
        Field("group_index_1e5", U32),
        Field("backscatter_0p1db", U16),
        Field("averages", U32),
        Field("averaging_time_0p1s", U16, since_2=True),
        Field("range_100ps", U32),
        Field("range_distance", I32, since_2=True),
        Field("front_panel_offset_100ps", I32),
        Field("noise_floor_mdb", U16),
        Field("noise_floor_scale", I16),
        Field("power_offset_mdb", U16),
        Field("loss_threshold_mdb", U16),
        Field("reflectance_threshold_mdb", U16),
        Field("end_threshold_mdb", U16),
        Field("trace_type", C2, since_2=True, codes=frozenset({b"ST", b"RT", b"DT", b"RF"})),
        Field("window", I32, times=4, since_2=True),
    ),
)

_KEY_EVENT = Record(
    "KeyEvents",
    KeyEvent,
    (
        Field("number", U16),
        Field("time_100ps", U32),
        Field("slope_mdb_per_km", I16),
        Field("loss_mdb", I16),
        Field("reflectance_mdb", I32),
        Field("code", C8),
        Field("markers_100ps", U32, times=5, since_2=True),
        Field("comment", CSTR),
    ),
)

KEY_EVENTS = Record(
    "KeyEvents",
    KeyEvents,
    (
        Field("event_count", U16),
        Field("events", _KEY_EVENT, times="event_count"),
        Field("total_loss_mdb", I32),
        Field("total_loss_start_100ps", I32),
        Field("total_loss_finish_100ps", U32),
        Field("return_loss_mdb", U16),
        Field("return_loss_start_100ps", I32),
        Field("return_loss_finish_100ps", U32),
    ),
)
