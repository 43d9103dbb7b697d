"""A simulated shot as a trace file, with the texts and the event table of an instrument.

Every file says in its comment and its supplier block that it is simulated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timezone
from os import PathLike

from otdravg import sor
from otdravg.simulate.fibre import SPEED_OF_LIGHT_M_PER_S
from otdravg.simulate.physics import Shot, pulse_length_m, return_loss_db

#: First word of every comment, so that no simulated file is ever taken for a real one.
SIMULATED = "SIMULATED"

_U16_MAX = 65_535
_I16_MAX = 32_767
_LOSS_THRESHOLD_DB = 0.02
_REFLECTANCE_THRESHOLD_DB = -65.0
_END_THRESHOLD_DB = 5.0


@dataclass(frozen=True, slots=True)
class Label:
    """What the operator typed in, and how the file is written.

    Parameters
    ----------
    cable, fibre : str
        Cable and fibre as the operator names them.
    location_a, location_b : str
        As typed for this shot; operators do or do not swap them for the other direction.
    comment : str
        Added after the word that says the file is simulated.
    operator : str
        Who shot.
    taken : datetime
        When; with a time zone.
    user_offset_m : float
        True distance from the front panel at which the operator sets the span's start.
    nominal_wavelength_nm : int or None
        ``None`` = the instrument's wavelength, rounded.
    averaging_s : float
        Averaging time as displayed; the noise itself belongs to the instrument.
    revision : int
        File revision × 100: 100 to 299.
    event_table : bool
        Whether the instrument's own table is in the file.
    """

    cable: str = ""
    fibre: str = ""
    location_a: str = ""
    location_b: str = ""
    comment: str = ""
    operator: str = ""
    taken: datetime = datetime(2024, 5, 14, 9, 0, tzinfo=timezone.utc)
    user_offset_m: float = 0.0
    nominal_wavelength_nm: int | None = None
    averaging_s: float = 30.0
    revision: int = 200
    event_table: bool = True


def sor_file(shot: Shot, label: Label, path: str | PathLike[str] = "<simulated>") -> sor.SorFile:
    """Make the trace file that an instrument would have stored for a shot.

    Parameters
    ----------
    shot : Shot
        The simulated acquisition.
    label : Label
        Texts, user offset and file revision.
    path : path or str
        Name of the file in messages.

    Raises
    ------
    UnwritableTrace
        If the format cannot hold a value.
    """
    return sor.build(
        revision=label.revision,
        general=_general(shot, label),
        supplier=_supplier(shot),
        fixed=_fixed(shot, label),
        points=shot.raw,
        scale_1000=shot.instrument.scale_1000,
        events=_events(shot, label) if label.event_table else None,
        path=str(path),
    )


def _general(shot: Shot, label: Label) -> sor.GeneralParameters:
    nominal_nm = label.nominal_wavelength_nm
    return sor.GeneralParameters(
        cable_id=sor.Text.of(label.cable),
        fibre_id=sor.Text.of(label.fibre),
        nominal_wavelength_nm=round(shot.instrument.wavelength_nm)
        if nominal_nm is None
        else nominal_nm,
        location_a=sor.Text.of(label.location_a),
        location_b=sor.Text.of(label.location_b),
        user_offset_100ps=_time_100ps(shot, label.user_offset_m),
        operator=sor.Text.of(label.operator),
        comment=sor.Text.of(f"{SIMULATED} {label.comment}".strip()),
    )


def _supplier(shot: Shot) -> sor.SupplierParameters:
    return sor.SupplierParameters(
        supplier=sor.Text.of("simulated instrument"),
        mainframe_id=sor.Text.of("otdravg.simulate"),
        mainframe_serial=sor.Text.of("0"),
        module_id=sor.Text.of(f"simulated {shot.instrument.wavelength_nm:.0f} nm source"),
        module_serial=sor.Text.of("0"),
        software_revision=sor.Text.of("1"),
        other=sor.Text.of("not a real measurement"),
    )


def _fixed(shot: Shot, label: Label) -> sor.FixedParameters:
    instrument = shot.instrument
    range_s = instrument.point_count * instrument.spacing_s
    # Light makes the round trip once per average.
    averages = max(1, int(label.averaging_s / (2 * range_s)))
    return sor.FixedParameters(
        timestamp_s=int(label.taken.timestamp()),
        wavelength_0p1nm=round(instrument.wavelength_nm * 10),
        acquisition_offset_100ps=instrument.acquisition_offset_100ps,
        pulse_widths_ns=(round(instrument.pulse_ns),),
        data_spacings=(instrument.spacing_counts,),
        group_index_1e5=round(instrument.group_index * 1e5),
        backscatter_0p1db=round(-instrument.backscatter_coefficient_db * 10),
        averages=averages,
        averaging_time_0p1s=round(label.averaging_s * 10),
        range_100ps=round(range_s * 1e10),
        noise_floor_mdb=_noise_floor_mdb(shot),
        power_offset_mdb=min(_U16_MAX, round(int(shot.raw[0]) * instrument.scale_1000 / 1000)),
        loss_threshold_mdb=round(_LOSS_THRESHOLD_DB * 1000),
        reflectance_threshold_mdb=min(_U16_MAX, round(-_REFLECTANCE_THRESHOLD_DB * 1000)),
        end_threshold_mdb=round(_END_THRESHOLD_DB * 1000),
    )


def _noise_floor_mdb(shot: Shot) -> int:
    """Give the RMS noise below the top, or the lowest that can be written if there is none."""
    if shot.instrument.noise_power == 0:
        return _U16_MAX
    return min(_U16_MAX, round(5000 * math.log10(shot.top_power / shot.instrument.noise_power)))


def _events(shot: Shot, label: Label) -> sor.KeyEvents:
    """Give the table of a careful instrument: one-way readings, small ones left out."""
    fibre = shot.fibre
    pulse_m = pulse_length_m(fibre, shot.instrument.pulse_ns)
    found: list[tuple[float, float, float | None, float, str]] = []
    for at_m, joint, step_db, before in zip(
        fibre.joint_positions_m,
        fibre.joints,
        fibre.backscatter_steps_db,
        fibre.sections,
        strict=False,
    ):
        reading_db = joint.loss_db + step_db
        seen = joint.reflectance_db
        if seen is not None and seen < _REFLECTANCE_THRESHOLD_DB:
            seen = None
        if abs(reading_db) >= _LOSS_THRESHOLD_DB or seen is not None:
            kind = "0F" if seen is None else "1F"
            found.append((at_m, reading_db, seen, before.attenuation_db_per_km, kind))
    end_db = fibre.end_b_reflectance_db
    slope = fibre.sections[-1].attenuation_db_per_km
    found.append((fibre.length_m, 0.0, end_db, slope, "0E" if end_db is None else "1E"))

    edges_m = [0.0, *(at_m for at_m, *_ in found), fibre.length_m]
    events = []
    for number, (at_m, reading_db, seen, slope, kind) in enumerate(found, start=1):
        dead_m = pulse_m * (1.5 if seen is None else 3)
        previous_end_m = min(at_m, edges_m[number - 1] + dead_m)
        markers_m = (previous_end_m, at_m, at_m + dead_m, edges_m[number + 1], at_m + pulse_m / 2)
        events.append(
            sor.KeyEvent(
                number=number,
                time_100ps=_time_100ps(shot, at_m),
                slope_mdb_per_km=round(slope * 1000),
                loss_mdb=max(-_I16_MAX, min(_I16_MAX, round(reading_db * 1000))),
                reflectance_mdb=0 if seen is None else round(seen * 1000),
                code=sor.Text.of(f"{kind}9999LS"),
                markers_100ps=_five(tuple(_time_100ps(shot, marker) for marker in markers_m)),
            )
        )
    start_100ps = _time_100ps(shot, label.user_offset_m)
    end_100ps = _time_100ps(shot, fibre.length_m)
    return sor.KeyEvents(
        events=tuple(events),
        total_loss_mdb=round((fibre.loss_db + sum(fibre.backscatter_steps_db)) * 1000),
        total_loss_start_100ps=start_100ps,
        total_loss_finish_100ps=end_100ps,
        return_loss_mdb=min(_U16_MAX, round(return_loss_db(fibre, shot.instrument) * 1000)),
        return_loss_start_100ps=0,
        return_loss_finish_100ps=end_100ps,
    )


def _five(times: tuple[int, ...]) -> tuple[int, int, int, int, int]:
    previous_end, start, end, next_start, peak = times
    return previous_end, start, end, next_start, peak


def _time_100ps(shot: Shot, distance_m: float) -> int:
    """Turn a true distance into the file's one-way time from the front panel."""
    return round(distance_m * shot.fibre.group_index / SPEED_OF_LIGHT_M_PER_S * 1e10)
