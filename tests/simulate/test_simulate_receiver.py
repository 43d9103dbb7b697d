"""Noise, ripple, saturation and digits of a simulated shot."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from simulated import (
    Fibre,
    FloorMode,
    Instrument,
    Joint,
    JointKind,
    Section,
    backscatter_power,
    pulse_length_m,
    shoot,
    with_far_end_noise,
)

from otdravg.errors import BadSetting

FLAT = Fibre((Section(20_000, 0.2),), end_b_reflectance_db=None)
FINE_DIGITS = Instrument(scale_1000=250, front_panel_reflectance_db=None, point_count=45_000)


def detrended(z_m: np.ndarray, level_db: np.ndarray) -> np.ndarray:
    return level_db - np.polyval(np.polyfit(z_m, level_db, 1), z_m)


@pytest.mark.parametrize("smoothing_points", [1, 5])
def test_noise_in_decibels_grows_as_the_level_falls(smoothing_points: int) -> None:
    # σ_dB = (5/ln 10)·σ_P/P: white noise in power; 4 dB one way is a factor 10^(4/5) in power.
    instrument = replace(FINE_DIGITS, smoothing_points=smoothing_points)
    instrument = with_far_end_noise(instrument, FLAT, 0.02)
    shot = shoot(FLAT, instrument, np.random.default_rng(5))
    z_m, level_db = shot.distance_m, shot.level_db
    for low_m, high_m, sigma_db in (
        (19_000, 19_990, 0.02 * 10 ** (-0.1 / 5)),
        (500, 1_500, 0.02 * 10 ** (-3.8 / 5)),
    ):
        inside = (z_m > low_m) & (z_m < high_m)
        measured = detrended(z_m[inside], level_db[inside]).std()
        assert measured == pytest.approx(sigma_db, rel=0.08)


def test_dynamic_range_is_where_noise_equals_signal() -> None:
    instrument = with_far_end_noise(FINE_DIGITS, FLAT, 5 / math.log(10))
    assert instrument.dynamic_range_db == pytest.approx(4.0, abs=1e-12)  # 20 km at 0.2 dB/km
    assert math.isinf(with_far_end_noise(instrument, FLAT, 0).dynamic_range_db)
    with pytest.raises(BadSetting, match="sigma_db"):
        with_far_end_noise(instrument, FLAT, -0.01)


def test_ripple_is_constant_in_decibels_and_correlated_over_the_pulse() -> None:
    # Autocorrelation of light averaged over a rectangular pulse: a triangle (derived).
    instrument = replace(FINE_DIGITS, pulse_ns=200, ripple_db=0.02)
    shot = shoot(FLAT, instrument, np.random.default_rng(6))
    inside = (shot.distance_m > 100) & (shot.distance_m < 19_900)
    ripple_db = detrended(shot.distance_m[inside], shot.level_db[inside])
    third = ripple_db.size // 3
    assert ripple_db[:third].std() == pytest.approx(0.02, rel=0.1)
    assert ripple_db[-third:].std() == pytest.approx(0.02, rel=0.1)
    spacing_m = shot.distance_m[1] - shot.distance_m[0]
    lag = round(pulse_length_m(FLAT, 200) / spacing_m)
    for pulses, expected in ((0.5, 0.5), (1.0, 0.0), (2.0, 0.0)):
        shift = round(lag * pulses)
        found = np.corrcoef(ripple_db[shift:], ripple_db[:-shift])[0, 1]
        assert found == pytest.approx(expected, abs=0.06)


def test_ripple_of_points_wider_apart_than_the_pulse_is_white() -> None:
    instrument = replace(FINE_DIGITS, pulse_ns=3, ripple_db=0.02, spacing_counts=500_000)
    shot = shoot(FLAT, instrument, np.random.default_rng(7))
    inside = (shot.distance_m > 100) & (shot.distance_m < 19_900)
    ripple_db = detrended(shot.distance_m[inside], shot.level_db[inside])
    assert ripple_db.std() == pytest.approx(0.02, rel=0.05)
    assert np.corrcoef(ripple_db[1:], ripple_db[:-1])[0, 1] == pytest.approx(0, abs=0.03)


def test_ripple_is_drawn_anew_for_every_shot() -> None:
    instrument = replace(FINE_DIGITS, ripple_db=0.02)
    rng = np.random.default_rng(8)
    first, second = (shoot(FLAT, instrument, rng).level_db[100:30_000] for _ in range(2))
    assert abs(np.corrcoef(np.diff(first), np.diff(second))[0, 1]) < 0.03


def test_same_seed_gives_the_same_shot_and_another_seed_does_not() -> None:
    instrument = with_far_end_noise(replace(FINE_DIGITS, ripple_db=0.01), FLAT, 0.01)
    one, two, other = (shoot(FLAT, instrument, np.random.default_rng(s)).raw for s in (1, 1, 2))
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


def test_noise_free_points_are_the_power_rounded_to_the_step() -> None:
    instrument = replace(FINE_DIGITS, scale_1000=1000)
    shot = shoot(FLAT, instrument, np.random.default_rng(1))
    power = backscatter_power(FLAT, instrument)
    exact_db = 5 * np.log10(power[100:39_000] / power.max())
    assert np.abs(shot.level_db[100:39_000] - exact_db).max() <= 0.0005 + 1e-9
    assert shot.raw.dtype == np.uint16
    assert shot.raw.min() == 0


def test_strong_reflection_saturates_at_the_top() -> None:
    joint = Joint(0.2, -14.0, JointKind.CONNECTOR)
    fibre = Fibre((Section(1000), Section(1000)), (joint,), end_b_reflectance_db=None)
    instrument = replace(FINE_DIGITS, headroom_db=8, point_count=5000)
    shot = shoot(fibre, instrument, np.random.default_rng(1))
    top_m = shot.distance_m[shot.raw == 0]
    assert 1000 <= top_m.min() < 1000.6
    # The pulse, then a single pole's fall down to saturation, with τ = 15 ns/ln 9 and 0.1021 m
    # of trace per ns (derived).
    over_db = -14.0 + 81.5 - 20 - 2 * 8 - 2 * 0.19
    fall_m = over_db / 10 * math.log(10) * 15 / math.log(9) * 0.10209524
    assert top_m.max() - top_m.min() == pytest.approx(10.21 + fall_m, abs=0.6)
    launch_db = shot.level_db[(shot.distance_m > 50) & (shot.distance_m < 52)].mean()
    assert launch_db == pytest.approx(-8.01, abs=0.01)


def test_points_beyond_the_end_are_clipped_or_rectified_noise() -> None:
    wide = replace(FINE_DIGITS, scale_1000=1000, floor_raw=60_000)
    instrument = with_far_end_noise(wide, FLAT, 0.02)
    clipped = shoot(FLAT, instrument, np.random.default_rng(3))
    rectified = shoot(
        FLAT, replace(instrument, floor_mode=FloorMode.RECTIFIED), np.random.default_rng(3)
    )
    beyond = clipped.distance_m > 20_050
    assert np.mean(clipped.raw[beyond] == 60_000) == pytest.approx(0.5, abs=0.02)
    assert np.mean(rectified.raw[beyond] == 60_000) < 0.01
    both = beyond & (clipped.raw < 60_000)
    assert np.array_equal(clipped.raw[both], rectified.raw[both])


def test_record_without_light_is_refused() -> None:
    instrument = replace(FINE_DIGITS, acquisition_offset_100ps=-2_000_000, point_count=100)
    with pytest.raises(BadSetting, match="no light"):
        shoot(FLAT, instrument, np.random.default_rng(1))
