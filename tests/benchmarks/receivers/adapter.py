"""The only door to the package: a record becomes a trace of a file, a pair becomes plain rows."""

from __future__ import annotations

import time
from dataclasses import dataclass

from benchmarks.receivers.instrument import Record

from otdravg.errors import OtdravgError
from otdravg.pair.measure import measure as measure_pair
from otdravg.shot.trace import Trace, traces_from
from otdravg.sor import build
from otdravg.sor.model import FixedParameters, GeneralParameters, SupplierParameters, Text
from otdravg.words.catalogue import told


@dataclass(frozen=True, slots=True)
class Row:
    """One place as the package reports it; a group reaches from ``start_m`` to ``stop_m``."""

    start_m: float
    stop_m: float
    kind: str
    loss_ab_db: float | None
    loss_ba_db: float | None
    loss_db: float | None
    u_loss_db: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What the package says of a pair: rows, or a refusal."""

    rows: tuple[Row, ...]
    length_m: float
    starts_m: float  # of the span, from the panel at A
    findings: tuple[str, ...]
    refusal: str
    cpu_s: float


def trace_of(record: Record, name: str) -> Trace:
    """Write a record as a trace file and read the file's trace; messages use the name."""
    setup = record.setup
    general = GeneralParameters(
        nominal_wavelength_nm=setup.wavelength_nm,
        location_a=Text.of("A"),
        location_b=Text.of("B"),
        user_offset_100ps=setup.user_offset_100ps,
    )
    fixed = FixedParameters(
        timestamp_s=1_700_000_000,
        wavelength_0p1nm=setup.wavelength_nm * 10,
        acquisition_offset_100ps=setup.first_100ps,
        pulse_widths_ns=(setup.pulse_ns,),
        data_spacings=(setup.spacing_1e14s,),
        group_index_1e5=setup.group_index_1e5,
        averages=65536,
        averaging_time_0p1s=600,
        range_100ps=round(setup.points * setup.spacing_1e14s / 10_000),
    )
    supplier = SupplierParameters(supplier=Text.of("simulated"))
    file = build(
        general=general,
        supplier=supplier,
        fixed=fixed,
        points=record.raw,
        scale_1000=setup.scale_1000,
        path=name,
    )
    return traces_from(file)[0]


def measured(
    ab: Trace,
    ba: Trace,
    launch_m: float | None = None,
    receive_m: float | None = None,
    positions_m: tuple[float, ...] = (),
) -> Answer:
    """Measure a pair; the one function to change when the package's way of calling changes."""
    began = time.process_time()
    try:
        found = measure_pair(
            ab, ba, launch_m=launch_m, receive_m=receive_m, positions_m=positions_m
        )
    except OtdravgError as error:
        return Answer((), 0.0, 0.0, (), str(error), time.process_time() - began)
    spent = time.process_time() - began
    rows = tuple(
        Row(
            place.start_m,
            place.stop_m,
            reading.kind.name.lower(),
            reading.loss_ab_db,
            reading.loss_ba_db,
            reading.loss_db,
            reading.u_loss_db,
            "; ".join(map(told, reading.missing)),
        )
        for reading, place in zip(found.readings, found.places, strict=True)
    )
    codes = tuple(finding.code for finding in found.findings)
    return Answer(rows, found.axis.length_m, found.axis.start_a_m, codes, "", spent)
