"""The small simulated world: glass, instruments, and the files that a crew brings home.

Fibres and shots are those of ``otdravg.simulate``, which shares no code with the part of the
package that measures: linear power, pulse ramps, receiver tails, noise, ripple, quantisation,
reflections at front panel, connectors and ends. Everything is invented, and every file says
that it is simulated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from enum import Enum
from typing import Any

import numpy as np
from simulated import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Label,
    Section,
    point_count_for,
    pulse_length_m,
    shoot,
    sor_file,
    spacing_counts_for,
)

from otdravg import sor
from scenarios.pair.case import Files

__all__ = [
    "CONNECTOR",
    "HUTS",
    "MORNING",
    "NAMES",
    "Headers",
    "draw_losses",
    "draw_places",
    "draw_span",
    "edited",
    "instrument_for",
    "shot_bytes",
    "span_of",
    "spread_levels",
    "two_shots",
    "with_cords",
    "with_level_step",
    "with_loss",
    "with_point",
]

Rng = np.random.Generator

HUTS = ("Alder hut", "Birch hut")
NAMES = ("017_A.sor", "017_B.sor")
MORNING = datetime(2024, 5, 14, 8, 0, tzinfo=timezone.utc)

#: A connector as crews mate it (common practice, no source): 0.3 dB, -50 dB.
CONNECTOR = Joint(0.3, -50.0, JointKind.CONNECTOR)

#: dB/km of ordinary single-mode cable (common practice, no source).
ATTENUATION_DB_PER_KM = {1310: 0.34, 1550: 0.19, 1625: 0.21}
#: Backscatter coefficient for a 1 ns pulse, dB (common practice, no source).
BACKSCATTER_DB = {1310: -79.0, 1550: -81.5, 1625: -82.5}


class Headers(Enum):
    """What the two headers say of the direction."""

    OPPOSITE = "each names its own end first"
    ALIKE = "both name the same end first, as typed once in the morning"
    SILENT = "nothing typed in"

    def ends(self, from_b: bool) -> tuple[str, str]:
        """Give location A and B as typed for one shot."""
        if self is Headers.SILENT:
            return "", ""
        return HUTS[::-1] if from_b and self is Headers.OPPOSITE else HUTS


# -- glass -----------------------------------------------------------------------------


def draw_losses(rng: Rng, count: int, low_db: float = 0.03, high_db: float = 0.11) -> list[float]:
    """Draw true losses of good splices, in steps of 0.001 dB."""
    return [round(float(x), 3) for x in rng.uniform(low_db, high_db, count)]


def draw_places(
    rng: Rng, length_m: float, count: int, gap_m: float = 500.0, lopsided_m: float = 150.0
) -> list[float]:
    """Draw places at least a gap from each other and from both ends.

    They do not mirror: read from the other end, at least one of them (all but the middle one
    of a single place) is further than ``lopsided_m`` from every place.
    """
    room_m = length_m - (count + 1) * gap_m
    if room_m <= 0:
        raise ValueError(f"{count} places {gap_m} m apart do not fit into {length_m} m")
    while True:
        free = np.sort(rng.uniform(0, room_m, count))
        places = free + gap_m * np.arange(1, count + 1)
        mirrored = length_m - places
        if count == 0 or np.abs(places[:, None] - mirrored[None]).min(axis=1).max() > lopsided_m:
            return [float(x) for x in places]


def spread_levels(rng: Rng, count: int, sigma_b_db: float = 0.07) -> list[float]:
    """Draw backscatter levels of sections whose steps have this standard deviation."""
    return [float(x) for x in rng.normal(0, sigma_b_db / np.sqrt(2), count)]


def span_of(
    length_m: float,
    places_m: Sequence[float],
    losses_db: Sequence[float],
    levels_db: Sequence[float],
    *,
    attenuation_db_per_km: float | Sequence[float] = 0.19,
    ends_db: tuple[float | None, float | None] = (FRESNEL_REFLECTANCE_DB, FRESNEL_REFLECTANCE_DB),
) -> Fibre:
    """Build a span from the places, losses and levels given."""
    cuts = [0.0, *places_m, length_m]
    slopes = np.broadcast_to(attenuation_db_per_km, len(levels_db))
    sections = tuple(
        Section(end - start, float(slope), level)
        for start, end, slope, level in zip(cuts, cuts[1:], slopes, levels_db, strict=False)
    )
    joints = tuple(Joint(loss) for loss in losses_db)
    return Fibre(sections, joints, end_a_reflectance_db=ends_db[0], end_b_reflectance_db=ends_db[1])


def draw_span(
    rng: Rng,
    *,
    length_m: float | None = None,
    count: int | None = None,
    losses_db: Sequence[float] | None = None,
    sigma_b_db: float = 0.07,
    nm: int = 1550,
    gap_m: float = 500.0,
    ends_db: tuple[float | None, float | None] = (FRESNEL_REFLECTANCE_DB, FRESNEL_REFLECTANCE_DB),
) -> Fibre:
    """Draw an ordinary good span: 6 to 12 km, three to five splices, places that do not mirror."""
    if count is None:
        count = len(losses_db) if losses_db is not None else int(rng.integers(3, 6))
    if length_m is None:
        length_m = float(rng.uniform(6_000, 12_000))
    slopes = ATTENUATION_DB_PER_KM[nm] + rng.normal(0, 0.001, count + 1)
    return span_of(
        length_m,
        draw_places(rng, length_m, count, gap_m),
        draw_losses(rng, count) if losses_db is None else losses_db,
        spread_levels(rng, count + 1, sigma_b_db),
        attenuation_db_per_km=[float(x) for x in slopes],
        ends_db=ends_db,
    )


def with_loss(
    span: Fibre, index: int, loss_db: float, reflectance_db: float | None = None
) -> Fibre:
    """Return the span with another loss at one of its joints."""
    joints = list(span.joints)
    joints[index] = replace(joints[index], loss_db=loss_db, reflectance_db=reflectance_db)
    return replace(span, joints=tuple(joints))


def with_level_step(span: Fibre, index: int, step_db: float) -> Fibre:
    """Return the span with this backscatter step (before less after, from A) at one joint."""
    shift_db = span.backscatter_steps_db[index] - step_db
    sections = [
        section
        if k <= index
        else replace(section, backscatter_db=section.backscatter_db + shift_db)
        for k, section in enumerate(span.sections)
    ]
    return replace(span, sections=tuple(sections))


def with_point(
    span: Fibre,
    at_m: float,
    loss_db: float,
    *,
    step_db: float = 0.0,
    reflectance_db: float | None = None,
    kind: JointKind = JointKind.SPLICE,
) -> Fibre:
    """Return the span with something more in it: a splice, a connector, a bend."""
    starts = span.boundaries_m[:-1]
    index = max(k for k, start in enumerate(starts) if start < at_m)
    hit = span.sections[index]
    before = replace(hit, length_m=at_m - starts[index])
    after = replace(hit, length_m=hit.length_m - before.length_m)
    joint = Joint(loss_db, reflectance_db, kind)
    whole = replace(
        span,
        sections=(*span.sections[:index], before, after, *span.sections[index + 1 :]),
        joints=(*span.joints[:index], joint, *span.joints[index:]),
    )
    return with_level_step(whole, index, step_db)


def with_cords(
    span: Fibre,
    launch_m: float | None = None,
    receive_m: float | None = None,
    connector: Joint = CONNECTOR,
) -> Fibre:
    """Return the link that is shot: launch fibre at A, receive fibre at B."""
    slope = span.sections[0].attenuation_db_per_km
    return span.with_cords(
        None if launch_m is None else Section(launch_m, slope),
        None if receive_m is None else Section(receive_m, slope),
        connector,
    )


# -- instruments and files -------------------------------------------------------------


def instrument_for(
    way: Fibre,
    *,
    pulse_ns: float = 100.0,
    nm: float = 1550.0,
    dynamic_range_db: float = 20.0,
    points: int = 6_000,
    reach: float = 1.25,
    **settings: Any,
) -> Instrument:
    """Choose range and spacing for a fibre as an operator does: the whole fibre and some noise.

    ``reach`` is the length of the record in fibre lengths.
    """
    index = settings.get("group_index", 1.4682)
    record_m = way.length_m * reach
    pulse_m = pulse_length_m(way, pulse_ns)
    spacing_m = max(record_m / points, pulse_m / 40)
    counts = spacing_counts_for(spacing_m, way.group_index)
    return Instrument(
        pulse_ns=pulse_ns,
        spacing_counts=counts,
        point_count=point_count_for(record_m, counts, way.group_index),
        wavelength_nm=nm,
        backscatter_coefficient_db=BACKSCATTER_DB[min(BACKSCATTER_DB, key=lambda k: abs(k - nm))],
        dynamic_range_db=dynamic_range_db,
        **{"ripple_db": 0.003, **settings, "group_index": index},
    )


def shot_bytes(rng: Rng, way: Fibre, instrument: Instrument, label: Label) -> bytes:
    """Shoot into the near end of a fibre and give the file."""
    return sor.encode(sor_file(shoot(way, instrument, rng), label))


def two_shots(
    rng: Rng,
    way_a: Fibre,
    way_b: Fibre | None = None,
    *,
    headers: Headers = Headers.OPPOSITE,
    names: tuple[str, str] = NAMES,
    settings: Mapping[str, Any] | None = None,
    settings_b: Mapping[str, Any] | None = None,
    label_a: Mapping[str, Any] | None = None,
    label_b: Mapping[str, Any] | None = None,
) -> Files:
    """Shoot one fibre from A and then, two hours later, from B.

    ``way_a`` and ``way_b`` are what the light from either instrument meets; without a
    ``way_b`` it is the same glass from the other end. ``settings`` hold for both
    instruments, ``settings_b`` are put over them for the one at B.
    """
    way_b = way_a.reversed() if way_b is None else way_b
    settings_a = dict(settings or {})
    files = []
    for from_b, way, own, texts in (
        (False, way_a, settings_a, label_a),
        (True, way_b, {**settings_a, **(settings_b or {})}, label_b),
    ):
        near, far = headers.ends(from_b)
        told = {
            "cable": "SIM-12",
            "fibre": "017",
            "location_a": near,
            "location_b": far,
            "operator": "crew 4",
            "taken": MORNING + timedelta(hours=2 if from_b else 0),
            **(texts or {}),
        }
        files.append(
            (names[from_b], shot_bytes(rng, way, instrument_for(way, **own), Label(**told)))
        )
    return tuple(files)


def edited(
    content: bytes,
    *,
    general: Mapping[str, Any] | None = None,
    fixed: Mapping[str, Any] | None = None,
    points: Callable[[np.ndarray[Any, Any]], np.ndarray[Any, Any]] | None = None,
    scale_1000: int | None = None,
) -> bytes:
    """Return a file with other texts, settings or points, well-formed as if saved so."""
    old = sor.decode(content)
    run = old.data.runs[0]
    raw = np.array(run.raw)
    texts: dict[str, Any] = {
        name: sor.Text.of(value) if isinstance(value, str) else value
        for name, value in (general or {}).items()
    }
    return sor.encode(
        sor.build(
            revision=old.revision,
            general=replace(old.general, **texts),
            supplier=old.supplier,
            fixed=replace(old.fixed, **(fixed or {})),
            points=raw if points is None else points(raw),
            scale_1000=run.scale_1000 if scale_1000 is None else scale_1000,
            events=old.events,
        )
    )
