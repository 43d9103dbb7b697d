"""Hold what the reader returned against the bytes of the file, by independent means.

The field lists are written out once more here, from the format's description, for ``struct``;
nothing of the package's own layout is used.
"""

from __future__ import annotations

import math
import struct
from dataclasses import fields, is_dataclass
from decimal import Decimal
from enum import Enum
from typing import Any

import numpy as np
from campaign import Broken

from otdravg import sor
from otdravg.shot.trace import traces_from

__all__ = ["check_file", "check_finite"]

# z: text up to a zero byte; a number: so many characters; other letters as in struct;
# capital field names exist in revision 2 only.
_GENERAL = (
    "language:2 cable_id:z fibre_id:z FIBRE_TYPE:H nominal_wavelength_nm:H location_a:z "
    "location_b:z cable_code:z build_condition:2 user_offset_100ps:i USER_OFFSET_DISTANCE:i "
    "operator:z comment:z"
)
_SUPPLIER = (
    "supplier:z mainframe_id:z mainframe_serial:z module_id:z module_serial:z "
    "software_revision:z other:z"
)
_FIXED_START = (
    "timestamp_s:I distance_unit:2 wavelength_0p1nm:H acquisition_offset_100ps:i "
    "ACQUISITION_OFFSET_DISTANCE:i"
)
_FIXED_END = (
    "group_index_1e5:I backscatter_0p1db:H averages:I AVERAGING_TIME_0P1S:H range_100ps:I "
    "RANGE_DISTANCE:i front_panel_offset_100ps:i noise_floor_mdb:H noise_floor_scale:h "
    "power_offset_mdb:H loss_threshold_mdb:H reflectance_threshold_mdb:H end_threshold_mdb:H "
    "TRACE_TYPE:2"
)
_EVENT = (
    "number:H time_100ps:I slope_mdb_per_km:h loss_mdb:h reflectance_mdb:i code:8 "
    "M0:I M1:I M2:I M3:I M4:I comment:z"
)
_TOTALS = (
    "total_loss_mdb:i total_loss_start_100ps:i total_loss_finish_100ps:I return_loss_mdb:H "
    "return_loss_start_100ps:i return_loss_finish_100ps:I"
)


class _Short(Exception):
    """The bytes of a block ended."""


class _Walk:
    """Takes fields out of a block; after its end everything is zero or empty."""

    def __init__(self, body: bytes, long_form: bool) -> None:
        self.body, self.at, self.long_form, self.short = body, 0, long_form, False

    def take(self, form: str) -> Any:
        is_text = form == "z" or form.isdigit()
        if self.short:
            return b"" if is_text else 0
        if form == "z":
            end = self.body.find(b"\0", self.at)
            self.short = end < 0
            start, self.at = self.at, end + 1
            return self.body[start:] if self.short else self.body[start:end]
        size = int(form) if is_text else struct.calcsize("<" + form)
        if self.at + size > len(self.body):
            self.short = True
            return b"" if is_text else 0
        start, self.at = self.at, self.at + size
        found = self.body[start : self.at]
        return found if is_text else struct.unpack("<" + form, found)[0]

    def fields(self, listed: str) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for entry in listed.split():
            name, form = entry.split(":")
            if name.isupper() and not self.long_form:
                found[name.lower()] = b"" if form.isdigit() else 0
            else:
                found[name.lower()] = self.take(form)
        return found

    def row(self, form: str, count: int) -> tuple[int, ...]:
        """As many of ``count`` numbers as are there in full."""
        if self.short:
            return ()
        size = struct.calcsize("<" + form)
        there = min(count, (len(self.body) - self.at) // size)
        values = struct.unpack_from(f"<{there}{form}", self.body, self.at)
        self.at += there * size
        self.short = there < count
        return values


def check_file(file: sor.SorFile, data: bytes) -> None:
    """Raise :class:`Broken` unless all that was returned stands in the bytes.

    Numbers are those at their places in the blocks or 0 where the block has ended, texts
    likewise, points lie in the file in order behind their scale factor, and nothing is NaN
    or infinite.
    """
    if sor.encode(file) != data:
        raise Broken("writing back what was read gives other bytes")
    _check_points(file, data)
    _check_block(file, "GenParams", file.general, _GENERAL)
    _check_block(file, "SupParams", file.supplier, _SUPPLIER)
    _check_fixed(file)
    _check_events(file)
    traces = traces_from(file)
    if len(traces) != len(file.waveforms) or not traces:
        raise Broken("the number of traces is another than the number of waveforms")
    for trace in traces:
        check_finite(trace, "trace")
        if not (trace.settings.spacing_s > 0 and trace.level_db.size):
            raise Broken("a trace without points or spacing")


def check_finite(value: Any, where: str) -> None:
    """Raise :class:`Broken` if a number inside a value is NaN or infinite."""
    if isinstance(value, float):
        if not math.isfinite(value):
            raise Broken(f"{where} is {value}")
    elif isinstance(value, np.ndarray):
        if not np.isfinite(value).all():
            raise Broken(f"{where} holds NaN or infinity")
    elif isinstance(value, Decimal):
        if not value.is_finite():
            raise Broken(f"{where} is {value}")
    elif isinstance(value, (str, bytes, int, Enum)) or value is None:
        return
    elif isinstance(value, dict):
        for key, item in value.items():
            check_finite(item, f"{where}.{key}")
    elif isinstance(value, (tuple, list, frozenset)):
        for item in value:
            check_finite(item, where)
    elif is_dataclass(value):
        for own in fields(value):
            check_finite(getattr(value, own.name), f"{where}.{own.name}")


def _check_points(file: sor.SorFile, data: bytes) -> None:
    at = 0
    for run in file.data.runs:
        points = run.raw.tobytes()
        scales = [run.scale_1000] if run.scale_1000 != 1000 else [1000, 0]  # 0 is read as 1000
        found = [data.find(struct.pack("<H", scale) + points, at) for scale in scales]
        places = [place for place in found if place >= 0]
        if not places:
            raise Broken("points were returned that do not stand in the file")
        at = min(places) + 2 + len(points)
        low = float(run.raw.max()) * run.scale_1000 / 1e6
        if abs(run.level_db.min() + low) > 1e-9 or run.level_db.max() > 0:
            raise Broken("levels are not minus the points times their scale")
    dealt = b"".join(waveform.raw.tobytes() for waveform in file.waveforms)
    whole = b"".join(run.raw.tobytes() for run in file.data.runs)
    if len(dealt) > len(whole) or any(w.raw.tobytes() not in whole for w in file.waveforms):
        raise Broken("a trace holds points that the file does not")


def _body(file: sor.SorFile, name: str) -> tuple[bytes, bool] | None:
    """The first block of that name without its own name, and which field list it has."""
    content = next((b.content for b in file.blocks if b.name.text == name), None)
    if content is None:
        return None
    own = name.encode() + b"\0"
    body = content[len(own) :] if content.startswith(own) else content
    odd = any(f.code == "layout-disagrees" and f.where == name for f in file.findings)
    return body, (file.revision >= 200) != odd


def _same(block: str, found: Any, expected: dict[str, Any]) -> None:
    for name, value in expected.items():
        own = getattr(found, name)
        if (own.raw if isinstance(value, bytes) else own) != value:
            raise Broken(f"{block}.{name} is not what stands in the file")


def _check_block(file: sor.SorFile, name: str, found: Any, listed: str) -> None:
    placed = _body(file, name)
    if placed is not None:
        _same(name, found, _Walk(*placed).fields(listed))


def _check_fixed(file: sor.SorFile) -> None:
    placed = _body(file, "FxdParams")
    if placed is None:
        raise Broken("read without FxdParams")
    walk = _Walk(*placed)
    _same("FxdParams", file.fixed, walk.fields(_FIXED_START))
    count = walk.take("H")
    rows = (walk.row("H", count), walk.row("I", count), walk.row("I", count))
    if (file.fixed.pulse_widths_ns, file.fixed.data_spacings, file.fixed.point_counts) != rows:
        raise Broken("pulse widths, spacings or point counts are not what stands in the file")
    _same("FxdParams", file.fixed, walk.fields(_FIXED_END))


def _check_events(file: sor.SorFile) -> None:
    placed = _body(file, "KeyEvents")
    if placed is None or file.events is None:
        if file.events is not None or placed is not None:
            raise Broken("an event table without its block, or the other way round")
        return
    walk = _Walk(*placed)
    for number in range(walk.take("H")):
        expected = walk.fields(_EVENT)
        if walk.short:
            if number != file.events.event_count:
                raise Broken("number of events is not what stands in the file")
            break
        if number >= file.events.event_count:
            raise Broken("an event of the file is missing")
        event = file.events.events[number]
        markers = tuple(expected.pop(f"m{n}") for n in range(5))
        _same("KeyEvents", event, expected)
        if event.markers_100ps != markers:
            raise Broken("markers of an event are not what stands in the file")
    _same("KeyEvents", file.events, walk.fields(_TOTALS))
