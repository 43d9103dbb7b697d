"""Distances from times, and what of a file ends up in a trace."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timezone

import numpy as np
import pytest
from making import instrument, shot_file, span
from simulated import Label

from otdravg import sor
from otdravg.shot.settings import SPEED_OF_LIGHT_M_PER_S, Direction
from otdravg.shot.trace import Trace, traces_from


def plain(**fixed: object) -> Trace:
    """Give the trace of a file with 200 points and the given settings."""
    settings = {
        "pulse_widths_ns": (100,),
        "data_spacings": (1_000_000,),
        "point_counts": (200,),
        "group_index_1e5": 146_820,
        **fixed,
    }
    points = np.arange(200, dtype=np.uint16)
    made = sor.build(
        revision=200,
        general=sor.GeneralParameters(),
        supplier=sor.SupplierParameters(),
        fixed=sor.FixedParameters(**settings),  # type: ignore[arg-type]
        points=points,
    )
    return traces_from(made)[0]


def test_speed_of_light_is_the_exact_one() -> None:
    assert SPEED_OF_LIGHT_M_PER_S == 299_792_458  # SI, definition of the metre


def test_one_microsecond_of_round_trip_is_102_m() -> None:
    # 299 792 458 m/s · 1 µs / (2 · 1.4682) = 102.0952 m (arithmetic). 1 µs of round trip is
    # 500 ns one way, the time that the file holds.
    trace = plain(data_spacings=(50_000_000,))
    assert trace.spacing_m() == pytest.approx(102.0952, abs=5e-5)


@pytest.mark.parametrize(
    ("pulse_ns", "index", "length_m"),
    # c·W/(2·n), arithmetic; "100 ns is about 10 m" is common practice.
    [(100, 1.4682, 10.2095), (10, 1.4682, 1.0210), (100, 1.4677, 10.2130)],
)
def test_pulse_length(pulse_ns: int, index: float, length_m: float) -> None:
    trace = plain(pulse_widths_ns=(pulse_ns,))
    assert trace.pulse_m(index) == pytest.approx(length_m, abs=5e-5)


def test_index_wrong_by_half_a_thousandth_shifts_20_km_by_7_m() -> None:
    # 20 km · 0.0005/1.4682 = 6.8 m (arithmetic).
    trace = plain()
    time_s = 20_000 * 1.4682 / SPEED_OF_LIGHT_M_PER_S
    shifted = time_s * trace.speed_m_per_s(1.4677) - 20_000
    assert shifted == pytest.approx(6.8, abs=0.05)


def test_distance_axis_begins_at_the_acquisition_offset() -> None:
    # −5000 units of 100 ps are −500 ns one way: −102.095 m (arithmetic).
    trace = plain(acquisition_offset_100ps=-5000)
    distance = trace.distance_m
    assert distance[0] == pytest.approx(-102.0952, abs=5e-5)
    assert np.diff(distance) == pytest.approx(trace.spacing_m(), rel=1e-9)
    assert trace.offset_m() == distance[0]


def test_another_index_stretches_the_axis_and_leaves_the_file_alone() -> None:
    trace = plain()
    assert trace.with_index(1.4692).distance_m == pytest.approx(trace.distance_m * 1.4682 / 1.4692)
    assert trace.settings.group_index == 1.4682


def test_levels_fall_from_zero_and_cannot_be_changed() -> None:
    trace = plain()
    assert trace.level_db[:3] == pytest.approx([0, -0.001, -0.002])
    assert trace.settings.quantum_db == pytest.approx(0.001)
    with pytest.raises(ValueError, match="read-only"):
        trace.level_db[0] = 1.0


def test_identity_and_user_offset_come_from_the_file() -> None:
    glass = span([1000], [])
    label = Label(
        cable="SIM-7",
        fibre="013",
        location_a="North hut",
        location_b="South hut",
        taken=datetime(2024, 5, 14, 9, 30, tzinfo=timezone.utc),
        user_offset_m=152.5,
    )
    made = shot_file(glass, instrument(wavelength_nm=1310.5), 1, label=label, path="x.sor")
    trace = traces_from(made)[0]
    assert trace.identity.cable == "SIM-7"
    assert trace.identity.fibre == "013"
    assert trace.identity.wavelength_nm == pytest.approx(1310.5)
    assert trace.identity.taken == label.taken
    assert trace.identity.direction is Direction.UNKNOWN
    assert trace.user_offset_m() == pytest.approx(152.5, abs=0.02)  # 100 ps are 2 cm
    assert trace.identity.comment.startswith("SIMULATED")
    assert trace.facing(Direction.B_TO_A).identity.direction is Direction.B_TO_A


def test_file_with_two_pulse_widths_gives_two_traces() -> None:
    made = sor.build(
        revision=200,
        general=sor.GeneralParameters(),
        supplier=sor.SupplierParameters(),
        fixed=sor.FixedParameters(pulse_widths_ns=(10, 1000), data_spacings=(100_000, 1_000_000)),
        points=(np.arange(150, dtype=np.uint16), np.arange(150, 200, dtype=np.uint16)),
    )
    first, second = traces_from(made)
    assert (first.level_db.size, second.level_db.size) == (150, 50)
    assert (first.settings.pulse_ns, second.settings.pulse_ns) == (10, 1000)
    assert second.spacing_m() == pytest.approx(10 * first.spacing_m())
    assert second.level_db[0] == pytest.approx(-0.150)


def test_instruments_own_table_is_kept_for_comparison() -> None:
    glass = span([1500, 2000], [0.25])
    trace = traces_from(shot_file(glass, instrument(), 2))[0]
    splice, end = trace.table[0], trace.table[-1]
    assert splice.distance_m(1.4682) == pytest.approx(1500, abs=0.02)
    assert splice.loss_db == pytest.approx(0.25, abs=0.0005)
    assert not splice.is_end
    assert end.is_end
    without = shot_file(glass, instrument(), 2, label=replace(Label(), event_table=False))
    assert traces_from(without)[0].table == ()
