"""The simulated signal against published and derived values."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter
from simulate_lines import one_way_loss_db
from simulated import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Section,
    backscatter_power,
    mode_field_level_db,
    point_count_for,
    point_distances_m,
    pulse_length_m,
    reflected_power,
    return_loss_db,
    spacing_counts_for,
)

from otdravg.errors import BadSetting

SPEED_OF_LIGHT_M_PER_S = 299_792_458  # exact, SI
IDEAL = Instrument(
    rise_fraction=0.0, tail_fraction=0.0, front_panel_reflectance_db=None, headroom_db=60
)


def sampled(instrument: Instrument, spacing_m: float, record_m: float) -> Instrument:
    counts = spacing_counts_for(spacing_m, 1.4682)
    return replace(
        instrument, spacing_counts=counts, point_count=point_count_for(record_m, counts, 1.4682)
    )


def level_of(fibre: Fibre, instrument: Instrument) -> tuple[np.ndarray, np.ndarray]:
    z_m = point_distances_m(fibre, instrument)
    lit = (z_m > pulse_length_m(fibre, instrument.pulse_ns)) & (z_m < fibre.length_m)
    power = backscatter_power(fibre, instrument) + reflected_power(fibre, instrument)
    return z_m[lit], 5 * np.log10(power[lit])


@pytest.mark.parametrize(
    ("pulse_ns", "index", "length_m"),
    [
        # c·W/(2n), c exact by SI; anyone can redo it.
        (1000, 1.4682, 102.0952),
        (100, 1.4682, 10.2095),
        (10, 1.4682, 1.0210),
        (100, 1.4677, 10.2130),
    ],
)
def test_pulse_covers_half_its_flight(pulse_ns: float, index: float, length_m: float) -> None:
    fibre = Fibre((Section(100),), group_index=index)
    assert pulse_length_m(fibre, pulse_ns) == pytest.approx(length_m, abs=5e-5)


def test_splice_is_a_ramp_one_pulse_long_and_straight_in_power() -> None:
    # Derived: half way through the pulse, half the light comes from each side.
    fibre = Fibre((Section(100, 0.0), Section(100, 0.0)), (Joint(0.3),))
    instrument = sampled(IDEAL, 0.05, 210)
    z_m = point_distances_m(fibre, instrument)
    power = backscatter_power(fibre, instrument) / instrument.launch_power
    after = 10 ** (-0.3 / 5)
    before_event = (z_m > 10.21) & (z_m <= 100)
    behind_ramp = (z_m >= 110.21) & (z_m < 200)
    on_ramp = (z_m > 100) & (z_m < 110.2095)
    np.testing.assert_allclose(power[before_event], 1, rtol=1e-9)
    np.testing.assert_allclose(power[behind_ramp], after, rtol=1e-9)
    share_m = (z_m[on_ramp] - 100) / 10.20948
    np.testing.assert_allclose(power[on_ramp], 1 - share_m * (1 - after), rtol=1e-5)


def test_attenuation_slopes_the_level_in_one_way_decibels() -> None:
    z_m, level_db = level_of(Fibre((Section(20_000, 0.19),)), sampled(IDEAL, 5, 20_000))
    assert np.polyfit(z_m * 1e-3, level_db, 1)[0] == pytest.approx(-0.19, abs=1e-9)


@pytest.mark.parametrize(
    ("levels_db", "loss_db", "ab_db", "ba_db"),
    [
        # Coefficients −82 and −82.16 dB count 10·log10 of power, a trace 5·log10: a step of
        # 0.08 dB, so 0.04 + 0.08 from one end and 0.04 − 0.08 from the other (derived).
        ((-82.0 / 2, -82.16 / 2), 0.04, 0.12, -0.04),
        # Field 9.2 → 9.6 µm, true 0.05: derived from step = 10·log10(w₂/w₁).
        ((mode_field_level_db(9.2), mode_field_level_db(9.6)), 0.05, 0.2348, -0.1348),
        ((mode_field_level_db(8.6), mode_field_level_db(9.2)), 0.0, 0.2929, -0.2929),
        ((mode_field_level_db(9.2), mode_field_level_db(10.4)), 0.1, 0.6325, -0.4325),
    ],
)
def test_both_directions_read_loss_plus_and_minus_the_step(
    levels_db: tuple[float, float], loss_db: float, ab_db: float, ba_db: float
) -> None:
    sections = (Section(2000, 0.19, levels_db[0]), Section(3000, 0.20, levels_db[1]))
    fibre = Fibre(sections, (Joint(loss_db),))
    instrument = sampled(Instrument(front_panel_reflectance_db=None), 1, 5100)
    readings = []
    for seen, event_m in ((fibre, 2000.0), (fibre.reversed(), 3000.0)):
        z_m, level_db = level_of(seen, instrument)
        readings.append(
            one_way_loss_db(
                z_m, level_db, event_m, (100, event_m - 1), (event_m + 200, seen.length_m)
            )
        )
    assert readings == [pytest.approx(ab_db, abs=2e-4), pytest.approx(ba_db, abs=2e-4)]
    assert sum(readings) / 2 == pytest.approx(loss_db, abs=1e-4)


@pytest.mark.parametrize(
    ("coefficient_db", "pulse_ns", "height_db", "reflectance_db"),
    [
        # R = B + 10·log10(W) + 10·log10(10^(H/5) − 1): formula from memory, values derived.
        (-81.0, 10, 10.0, -51.04),
        (-81.5, 100, 5.0, -51.96),
        (-80.0, 10, 20.0, -30.00),
    ],
)
def test_reflection_stands_as_high_as_its_reflectance_says(
    coefficient_db: float, pulse_ns: float, height_db: float, reflectance_db: float
) -> None:
    joint = Joint(0.0, reflectance_db, JointKind.CONNECTOR)
    fibre = Fibre((Section(500, 0.0), Section(500, 0.0)), (joint,))
    instrument = replace(IDEAL, pulse_ns=pulse_ns, backscatter_coefficient_db=coefficient_db)
    z_m, level_db = level_of(fibre, sampled(instrument, 0.1, 1050))
    near = (z_m > 490) & (z_m < 530)
    height = level_db[near].max() - level_db[z_m < 490].mean()
    assert height == pytest.approx(height_db, abs=0.005)
    at_half = near & (level_db > level_db[near].max() - 0.1)
    assert np.count_nonzero(at_half) * 0.1 == pytest.approx(
        SPEED_OF_LIGHT_M_PER_S * pulse_ns * 1e-9 / 2 / 1.4682, abs=0.11
    )


def test_clean_cleave_reflects_what_fresnel_says() -> None:
    # Fresnel: 10·log10(((n−1)/(n+1))²) at n = 1.4682 is −14.44 dB (derived).
    assert pytest.approx(-14.44, abs=0.005) == FRESNEL_REFLECTANCE_DB


def test_reflection_behind_loss_is_weakened_both_ways() -> None:
    joint = Joint(1.0, -40.0, JointKind.CONNECTOR)
    fibre = Fibre((Section(1000, 2.0), Section(1000, 2.0)), (joint,), end_b_reflectance_db=-30.0)
    power = reflected_power(fibre, sampled(IDEAL, 1, 2100))
    # One way 2 dB to the joint and 5 dB to the end: twice that in power (10·log10).
    assert 10 * math.log10(power[995:1020].max()) == pytest.approx(-44.0, abs=1e-6)
    assert 10 * math.log10(power[1995:2020].max()) == pytest.approx(-40.0, abs=1e-6)


def test_receiver_agrees_with_a_numerical_convolution() -> None:
    # Independent way: densities on a 2 cm grid, poles by scipy.signal.lfilter, pulse by sums.
    sections = (Section(150, 0.3), Section(120, 0.3, -0.2), Section(90, 0.3, 0.15))
    fibre = Fibre(sections, (Joint(0.1), Joint(0.25)), end_b_reflectance_db=None)
    instrument = sampled(
        replace(IDEAL, rise_fraction=0.5, tail_fraction=0.05, tail_ns=300), 0.7, 420
    )
    step_m = 0.005
    u_m = np.arange(0, 430, step_m) + step_m / 2
    losses_db = 0.3e-3 * u_m + 0.1 * (u_m > 150) + 0.25 * (u_m > 270)
    levels_db = np.select([u_m < 150, u_m < 270], [0.0, -0.2], 0.15)
    density = np.where(u_m < 360, 10 ** ((levels_db - losses_db) / 5), 0.0)
    metres_per_ns = 0.102095244
    received = np.zeros(u_m.size)
    for share, constant_ns in ((0.95, 50 / math.log(9)), (0.05, 300)):
        held = math.exp(-step_m / (constant_ns * metres_per_ns))
        received += share * lfilter([1 - held], [1, -held], density)
    received = np.concatenate(([0.0], np.cumsum(received) * step_m))
    edges_m = np.arange(received.size) * step_m
    z_m = point_distances_m(fibre, instrument)
    pulse_m = 10.2095244
    expected = np.interp(z_m, edges_m, received) - np.interp(z_m - pulse_m, edges_m, received)
    power = backscatter_power(fibre, instrument) / instrument.launch_power
    np.testing.assert_allclose(power, expected / pulse_m, atol=3e-4)


def test_coarse_points_are_points_of_the_fine_record() -> None:
    fibre = Fibre((Section(700), Section(900, 0.2, 0.1)), (Joint(0.2, -50.0),))
    instrument = Instrument(pulse_ns=10, point_count=8000, spacing_counts=100_000)
    coarse = replace(instrument, point_count=500, spacing_counts=1_600_000)  # 3 pulses apart
    for power in (backscatter_power, reflected_power):
        np.testing.assert_allclose(
            power(fibre, coarse), power(fibre, instrument)[::16], rtol=1e-9, atol=1e-20
        )


def test_precision_holds_at_the_end_of_a_lossy_fibre() -> None:
    z_m, level_db = level_of(Fibre((Section(120_000, 0.35),)), sampled(IDEAL, 8, 120_000))
    line_db = np.polyval(np.polyfit(z_m, level_db, 1), z_m)
    assert np.abs(level_db - line_db).max() < 1e-8  # 42 dB one way


def test_echoes_lie_at_sums_of_positions() -> None:
    joint = Joint(0.0, -20.0, JointKind.CONNECTOR)
    fibre = Fibre((Section(1000, 0.0), Section(1500, 0.0)), (joint,), end_b_reflectance_db=-15.0)
    instrument = sampled(replace(IDEAL, front_panel_reflectance_db=-25.0), 1, 7600)
    plain = reflected_power(fibre, instrument)
    extra = reflected_power(fibre, replace(instrument, ghosts=True)) - plain
    rising = np.flatnonzero((extra[1:] > 0) & (extra[:-1] == 0)) + 1
    assert [round(at) for at in rising] == [2000, 3500, 4000, 5000]
    # Out, back, out and home between panel and end; the path over joint and end has two orders.
    assert 10 * math.log10(extra[5005]) == pytest.approx(-15 - 25 - 15, abs=1e-6)
    assert 10 * math.log10(extra[3505]) == pytest.approx(-20 - 25 - 15 + 3.0103, abs=1e-4)


def test_points_before_the_panel_hold_internal_fibre_or_nothing() -> None:
    fibre = Fibre((Section(500),))
    instrument = replace(IDEAL, acquisition_offset_100ps=-4900, point_count=1000)  # −100 m
    z_m = point_distances_m(fibre, instrument)
    assert z_m[0] == pytest.approx(-100.05, abs=0.01)
    assert not backscatter_power(fibre, instrument)[z_m <= 0].any()
    recorded = backscatter_power(fibre, replace(instrument, internal_fibre_m=60))
    assert not recorded[z_m <= -60].any()
    inside = (z_m > -49) & (z_m < 0)
    np.testing.assert_allclose(recorded[inside], instrument.launch_power, rtol=1e-9)


def test_return_loss_adds_up_reflection_and_scattering() -> None:
    alone = Fibre((Section(1.0, 0.0),), end_b_reflectance_db=-14.44)
    assert return_loss_db(alone, IDEAL) == pytest.approx(14.44, abs=0.01)
    # Derived: a long fibre without reflections sends back s/(2α), here per metre of trace.
    long = Fibre((Section(200_000, 0.19),), end_b_reflectance_db=None)
    per_m = 10 ** (-81.5 / 10) / (SPEED_OF_LIGHT_M_PER_S * 1e-9 / 2 / 1.4682)
    per_m_attenuation = 0.19e-3 * math.log(10) / 5
    assert return_loss_db(long, IDEAL) == pytest.approx(
        -10 * math.log10(per_m / per_m_attenuation), abs=1e-3
    )


def test_reversed_fibre_is_the_same_glass() -> None:
    sections = (Section(100, 0.2, 0.1), Section(200, 0.3, -0.1), Section(300, 0.4))
    fibre = Fibre(sections, (Joint(0.1), Joint(0.2, -45.0)), None, -14.0)
    back = fibre.reversed()
    assert back.joint_positions_m == (300.0, 500.0)
    assert back.backscatter_steps_db == tuple(-s for s in fibre.backscatter_steps_db[::-1])
    assert back.loss_db == pytest.approx(fibre.loss_db, abs=1e-12)
    assert back.end_b_reflectance_db is None
    assert back.reversed() == fibre


def test_broken_fibre_ends_at_the_break() -> None:
    fibre = Fibre((Section(100), Section(200)), (Joint(0.1),))
    assert fibre.broken_at(250.0).length_m == pytest.approx(250)
    assert fibre.broken_at(100.0).joints == ()
    assert fibre.broken_at(250.0, -30.0).end_b_reflectance_db == -30.0
    with pytest.raises(BadSetting, match="distance_m"):
        fibre.broken_at(300.0)


def test_impossible_settings_are_refused_by_name() -> None:
    with pytest.raises(BadSetting, match="joints"):
        Fibre((Section(1.0), Section(1.0)))
    with pytest.raises(BadSetting, match="length_m"):
        Section(0.0)
    with pytest.raises(BadSetting, match="attenuation"):
        Section(1.0, -0.2)
    with pytest.raises(BadSetting, match="smoothing_points"):
        Instrument(smoothing_points=2)
