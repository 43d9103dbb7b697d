"""Pairs of simulated shots for the tests of the core, in few words.

Everything physical comes from ``otdravg.simulate``; this module only spares the tests
the repetition of records, seeds and file building.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from simulated import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Instrument,
    Joint,
    Label,
    Section,
    point_count_for,
    shoot,
    sor_file,
    spacing_counts_for,
    with_far_end_noise,
)

from otdravg.fit.reading import Kind, Reading
from otdravg.pair.budget import Budget, budget_of
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.trace import Trace, traces_from
from otdravg.simulate.fibre import TrueJoint, true_joints
from otdravg.sor import SorFile

#: Group index of the simulated glass; instruments are set to it unless a test says otherwise.
INDEX = 1.4682
#: One-way length of a 100 ns pulse at that index, m (arithmetic from c, SI).
PULSE_100_NS_M = 10.2095


def span(
    lengths_m: list[float],
    losses_db: list[float],
    *,
    levels_db: list[float] | None = None,
    attenuation_db_per_km: float | list[float] = 0.19,
    reflectances_db: dict[int, float] | None = None,
    end_a_reflectance_db: float | None = FRESNEL_REFLECTANCE_DB,
    end_b_reflectance_db: float | None = FRESNEL_REFLECTANCE_DB,
) -> Fibre:
    """Build a span; ``reflectances_db`` makes a connector of the joints it numbers (from 0)."""
    count = len(lengths_m)
    levels = levels_db or [0.0] * count
    slopes = (
        attenuation_db_per_km
        if isinstance(attenuation_db_per_km, list)
        else [attenuation_db_per_km] * count
    )
    reflects = reflectances_db or {}
    return Fibre(
        tuple(Section(*each) for each in zip(lengths_m, slopes, levels, strict=True)),
        tuple(Joint(loss, reflects.get(k)) for k, loss in enumerate(losses_db)),
        end_a_reflectance_db=end_a_reflectance_db,
        end_b_reflectance_db=end_b_reflectance_db,
        group_index=INDEX,
    )


def instrument(pulse_ns: float = 100, spacing_m: float = 1.0, **settings: object) -> Instrument:
    """Set up an ordinary instrument; the record length follows the link in :func:`shot_file`."""
    base = Instrument(
        pulse_ns=pulse_ns,
        spacing_counts=spacing_counts_for(spacing_m, INDEX),
        point_count=2,
        ripple_db=0.001,
        tail_ns=pulse_ns,
    )
    return replace(base, **settings)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Cords:
    """Launch and receive cord of a link, seen from A; ``None`` = none or not stated."""

    launch_m: float | None = None
    receive_m: float | None = None
    loss_db: float = 0.2
    reflectance_db: float | None = -50.0


#: Stated where the first connector is the span's own and no cord is in use.
NO_CORDS = Cords(0.0, 0.0)


def with_cords(link: Fibre, cords: Cords) -> Fibre:
    """Put cords to both ends of a span."""

    def cord(length_m: float | None) -> Section | None:
        return None if length_m is None else Section(length_m)

    connector = Joint(cords.loss_db, cords.reflectance_db)
    return link.with_cords(cord(cords.launch_m), cord(cords.receive_m), connector)


def shot_file(
    link: Fibre,
    tool: Instrument,
    seed: int,
    *,
    far_noise_db: float | None = 0.004,
    record: float = 1.3,
    label: Label | None = None,
    path: str = "simulated.sor",
) -> SorFile:
    """Shoot a link from its A end; ``far_noise_db=None`` keeps the tool's own dynamic range.

    The record is ``record`` times as long as the link, unless the tool states its points.
    """
    if tool.point_count == 2:
        points = point_count_for(record * link.length_m + 300, tool.spacing_counts, INDEX)
        tool = replace(tool, point_count=points)
    if far_noise_db is not None:
        tool = with_far_end_noise(tool, link, far_noise_db)
    shot = shoot(link, tool, np.random.default_rng(seed))
    return sor_file(shot, label or Label(), path)


def shot(link: Fibre, tool: Instrument, seed: int, **how: object) -> Trace:
    """Shoot a link from its A end and give the trace (see :func:`shot_file`)."""
    return traces_from(shot_file(link, tool, seed, **how))[0]  # type: ignore[arg-type]


def both_ways(
    glass: Fibre,
    tool: Instrument | None = None,
    *,
    tool_b: Instrument | None = None,
    cords: Cords | None = None,
    seed: int = 1,
    **how: object,
) -> tuple[Trace, Trace]:
    """Shoot a span from both ends; cords stay where they are."""
    tool = tool or instrument()
    link = with_cords(glass, cords or Cords())
    return (
        shot(link, tool, 2 * seed, path="simulated_A.sor", **how),
        shot(link.reversed(), tool_b or tool, 2 * seed + 1, path="simulated_B.sor", **how),
    )


def measured(
    glass: Fibre,
    tool: Instrument | None = None,
    *,
    stated: Cords | None = None,
    **how: object,
) -> Measurement:
    """Shoot a span from both ends and measure it, with the cord lengths ``stated`` by the crew."""
    ab, ba = both_ways(glass, tool, **how)  # type: ignore[arg-type]
    told = stated or Cords()
    return measure(ab, ba, launch_m=told.launch_m, receive_m=told.receive_m)


def reading_near(measurement: Measurement, z_m: float, tolerance_m: float) -> Reading:
    """Give the only reading at a place."""
    near = [r for r in measurement.readings if abs(r.distance_m - z_m) <= tolerance_m]
    assert len(near) == 1, f"{len(near)} readings at {z_m:.0f} m: {summary(measurement)}"
    return near[0]


def budget_at(measurement: Measurement, number: int) -> Budget:
    """Give the budget of a reading that has one."""
    budget = budget_of(measurement, number)
    assert budget is not None
    return budget


def summary(measurement: Measurement) -> str:
    """Say in one line what was measured, for messages."""
    return "; ".join(
        f"{r.kind.name} {r.distance_m:.1f} m {r.coverage.name}"
        f" ab {r.loss_ab_db} ba {r.loss_ba_db} loss {r.loss_db} u {r.u_loss_db}"
        for r in measurement.readings
    )


def assert_agrees(value: float | None, u: float | None, truth: float, limit_u: float) -> None:
    """Check a reading against truth: within 3.5 u (one in 2000 by chance) and u small enough."""
    assert value is not None
    assert u is not None
    assert u <= limit_u, f"uncertainty {u:.4f} dB is above {limit_u} dB"
    assert abs(value - truth) <= 3.5 * u + 2e-4, f"{value:.4f} ± {u:.4f} dB, true {truth:.4f} dB"


def assert_all_true(
    measurement: Measurement,
    glass: Fibre,
    *,
    limit_u_db: float = 0.006,
    tolerance_m: float = 8.0,
    joints: list[TrueJoint] | None = None,
) -> None:
    """Check that every joint is measured both ways, right, and nothing else is reported."""
    truth = list(true_joints(glass)) if joints is None else joints
    for joint in truth:
        reading = reading_near(measurement, joint.position_m, tolerance_m)
        assert_agrees(reading.loss_db, reading.u_loss_db, joint.loss_db, limit_u_db)
        assert_agrees(reading.loss_ab_db, reading.u_ab_db, joint.loss_ab_db, 2 * limit_u_db)
        assert_agrees(reading.loss_ba_db, reading.u_ba_db, joint.loss_ba_db, 2 * limit_u_db)
        expected = Kind.SPLICE if joint.reflectance_db is None else Kind.CONNECTOR
        assert reading.kind is expected
    assert len(measurement.readings) == len(truth), summary(measurement)
