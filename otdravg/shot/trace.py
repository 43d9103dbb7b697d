"""One shot as physics sees it: level over one-way distance, with its settings.

A :class:`Trace` is made from a :class:`otdravg.sor.SorFile` and knows nothing of
splices. Distances are always computed from the times in the file and a group
index that is stated, never read from the displayed distances.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timezone
from pathlib import PurePath

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding
from otdravg.shot.settings import (
    SPEED_OF_LIGHT_M_PER_S,
    Direction,
    Identity,
    Settings,
    TableEvent,
)
from otdravg.sor.model import TIME_UNIT_S, KeyEvent, SorFile

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Trace:
    """One shot: level in dB (one way, 0 at the top) at equally spaced times.

    ``level_db`` has shape (n,) and is read-only.
    """

    level_db: FloatArray
    identity: Identity
    settings: Settings
    table: tuple[TableEvent, ...]
    findings: tuple[Finding, ...]

    def __repr__(self) -> str:
        own, name = self.identity, PurePath(self.identity.path).name
        return (
            f"<Trace {name!r}: fibre {own.fibre!r}, {own.wavelength_nm:.0f} nm, "
            f"{self.settings.pulse_ns:g} ns, {self.level_db.size} points, "
            f"{self.level_db.size * self.spacing_m() / 1000:.3f} km>"
        )

    def spacing_m(self, group_index: float | None = None) -> float:
        """Distance between neighbouring points in metres."""
        return self.settings.spacing_s * self.speed_m_per_s(group_index)

    def offset_m(self, group_index: float | None = None) -> float:
        """Position of the first point in metres from the front panel."""
        return self.settings.acquisition_offset_s * self.speed_m_per_s(group_index)

    def user_offset_m(self, group_index: float | None = None) -> float:
        """Where the operator says the span starts, metres from the front panel; 0 = not set."""
        return self.settings.user_offset_s * self.speed_m_per_s(group_index)

    def pulse_m(self, group_index: float | None = None) -> float:
        """One-way length of the pulse on the trace in metres, c·W/(2·n)."""
        return self.settings.pulse_ns * 1e-9 * self.speed_m_per_s(group_index) / 2

    @property
    def distance_m(self) -> FloatArray:
        """One-way distance of every point from the front panel in metres, shape (n,)."""
        return np.asarray(self.offset_m() + np.arange(self.level_db.size) * self.spacing_m(), float)

    def speed_m_per_s(self, group_index: float | None = None) -> float:
        """Group velocity of the light in the fibre."""
        return SPEED_OF_LIGHT_M_PER_S / (group_index or self.settings.group_index)

    def with_index(self, group_index: float) -> Trace:
        """Return the same shot with another group index of the fibre."""
        return replace(self, settings=replace(self.settings, group_index=group_index))

    def facing(self, direction: Direction) -> Trace:
        """Return the same shot with its direction stated."""
        return replace(self, identity=replace(self.identity, direction=direction))


def traces_from(sor_file: SorFile) -> tuple[Trace, ...]:
    """Turn a trace file into shots, one per pulse width in it.

    Parameters
    ----------
    sor_file : SorFile
        A file as :func:`otdravg.sor.read` returns it.

    Returns
    -------
    tuple of Trace
        At least one; the file's findings travel with each of them.
    """
    general, fixed = sor_file.general, sor_file.fixed
    taken = (
        datetime.fromtimestamp(fixed.timestamp_s, tz=timezone.utc) if fixed.timestamp_s else None
    )
    supplier = sor_file.supplier
    identity = Identity(
        path=sor_file.path,
        sha256=sor_file.sha256,
        cable=general.cable_id.text,
        fibre=general.fibre_id.text,
        location_a=general.location_a.text,
        location_b=general.location_b.text,
        wavelength_nm=sor_file.wavelength_nm,
        nominal_wavelength_nm=general.nominal_wavelength_nm,
        taken=taken,
        operator=general.operator.text,
        comment=general.comment.text,
        instrument=" ".join(
            part.text for part in (supplier.supplier, supplier.mainframe_id) if part.text
        ),
        serial=" ".join(
            part.text
            for part in (supplier.mainframe_serial, supplier.module_id, supplier.module_serial)
            if part.text
        ),
        software=supplier.software_revision.text,
        fibre_type=f"G.{general.fibre_type}" if general.fibre_type else "",
    )
    events = sor_file.events.events if sor_file.events else ()
    table = tuple(_table_event(event) for event in events)
    traces = []
    for waveform in sor_file.waveforms:
        level_db = waveform.level_db
        level_db.flags.writeable = False
        settings = Settings(
            pulse_ns=float(waveform.pulse_ns),
            spacing_s=waveform.spacing_s,
            acquisition_offset_s=fixed.acquisition_offset_s,
            user_offset_s=general.user_offset_s,
            group_index=fixed.group_index,
            backscatter_coefficient_db=fixed.backscatter_db,
            averages=fixed.averages,
            averaging_time_s=fixed.averaging_time_0p1s / 10,
            range_s=fixed.range_100ps * TIME_UNIT_S,
            quantum_db=waveform.quantum_db,
            distance_unit=fixed.distance_unit.text,
            revision=sor_file.revision,
        )
        traces.append(Trace(level_db, identity, settings, table, sor_file.findings))
    return tuple(traces)


def _table_event(event: KeyEvent) -> TableEvent:
    """Convert an entry of the file's event table to physical units."""
    code = event.code.text
    return TableEvent(
        number=event.number,
        time_s=event.time_100ps * TIME_UNIT_S,
        loss_db=event.loss_mdb / 1000,
        reflectance_db=event.reflectance_mdb / 1000 if event.reflectance_mdb else None,
        slope_db_per_km=event.slope_mdb_per_km / 1000,
        code=code,
        is_end=len(code) > 1 and code[1] in "ED",
        comment=event.comment.text,
    )
