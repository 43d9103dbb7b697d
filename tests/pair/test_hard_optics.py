"""Hard optics: places where a plain reading of a trace goes wrong, each with known truth.

The truth is what was planted in the simulator, which shares no code with the core.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from making import (
    NO_CORDS,
    PULSE_100_NS_M,
    Cords,
    assert_agrees,
    assert_all_true,
    both_ways,
    instrument,
    measured,
    reading_near,
    shot,
    shot_file,
    span,
    summary,
)
from simulated import FloorMode, Label

from otdravg import sor
from otdravg.errors import Refusal, ShotsDoNotPair
from otdravg.fit.reading import Coverage, Kind
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.detect import EventKind, detect
from otdravg.shot.trace import traces_from
from otdravg.simulate.fibre import true_joints
from otdravg.words.catalogue import told


def codes(measurement: Measurement) -> list[str]:
    return [finding.code for finding in measurement.findings]


# Neighbours closer than the pulse


def test_splice_1_2_pulses_behind_a_connector_is_one_group_with_the_summed_loss() -> None:
    near = 1.2 * PULSE_100_NS_M
    glass = span([3000, near, 3000], [0.30, 0.15], reflectances_db={0: -45.0})
    m = measured(glass, seed=11)
    assert len(m.readings) == 1, summary(m)
    reading = m.readings[0]
    assert reading.kind is Kind.GROUP
    assert abs(reading.distance_m - 3000) < 8
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.45, 0.004)


@pytest.mark.parametrize(
    "apart_pulses",
    [
        0.4,
        0.7,
        1.0,
        1.3,
    ],
)
def test_two_splices_closer_than_the_pulse_can_part_are_measured_as_their_sum(
    apart_pulses: float,
) -> None:
    tool = instrument(500, 1.0)
    glass = span([4000, apart_pulses * 5 * PULSE_100_NS_M, 4000], [0.10, 0.20])
    for seed in (12, 512, 1012):
        m = measured(glass, tool, seed=seed)
        assert len(m.readings) == 1, summary(m)
        assert_agrees(m.readings[0].loss_db, m.readings[0].u_loss_db, 0.30, 0.006)


def test_two_splices_two_thirds_of_a_pulse_apart_are_said_to_be_a_group() -> None:
    # The compound ramp is 1.67 pulses long: at this noise nobody could take it for one splice.
    tool = instrument(500, 1.0)
    glass = span([4000, 34, 4000], [0.20, 0.20])
    m = measured(glass, tool, seed=13)
    assert [r.kind for r in m.readings] == [Kind.GROUP], summary(m)


def test_two_splices_of_opposite_reading_within_a_pulse_do_not_vanish() -> None:
    # From A: +0.25 and −0.20, from B: −0.15 and +0.30; half the sum is 0.05 and 0.05.
    tool = instrument(500, 1.0)
    glass = span([4000, 45, 4000], [0.05, 0.05], levels_db=[0.0, -0.20, 0.05])
    m = measured(glass, tool, seed=14)
    assert len(m.readings) == 1, summary(m)
    assert m.readings[0].kind is Kind.GROUP
    assert_agrees(m.readings[0].loss_db, m.readings[0].u_loss_db, 0.10, 0.006)


# Connectors, their dead zones and tails


def test_splice_hidden_in_the_launch_connectors_tail_is_one_way_only() -> None:
    glass = span([40, 4000, 3000], [0.12, 0.08])
    tool = instrument(spacing_m=0.5, tail_fraction=0.003, tail_ns=400)
    tool_b = instrument(spacing_m=0.5, tail_fraction=0.0)
    cords = Cords(500, 500, reflectance_db=-32)
    m = measured(glass, tool, tool_b=tool_b, cords=cords, seed=21)
    hidden = reading_near(m, 40, 8)
    assert hidden.coverage is Coverage.ONLY_BA, summary(m)
    assert hidden.loss_db is None
    assert hidden.loss_ab_db is None
    assert hidden.missing
    # The only view is 30 m of clean fibre before the connector.
    assert_agrees(hidden.loss_ba_db, hidden.u_ba_db, 0.12, 0.02)
    clear = reading_near(m, 4040, 8)
    assert_agrees(clear.loss_db, clear.u_loss_db, 0.08, 0.004)
    assert len(m.readings) == 2, summary(m)


def test_saturated_front_connector_leaves_the_splices_right() -> None:
    glass = span([1200, 2500, 3000], [0.07, 0.11])
    tool = instrument(front_panel_reflectance_db=-22, headroom_db=6, tail_fraction=0.002)
    m = measured(glass, tool, seed=22)
    assert_all_true(m, glass)


def test_saturated_connector_at_the_launch_cord_leaves_the_splices_right() -> None:
    glass = span([1200, 2500, 3000], [0.07, 0.11])
    tool = instrument(front_panel_reflectance_db=-22, headroom_db=6, tail_fraction=0.002)
    m = measured(glass, tool, cords=Cords(600, 600, reflectance_db=-24), seed=23)
    assert m.axis.start_a_m == pytest.approx(600, abs=4)
    assert_all_true(m, glass)


def test_level_clipped_at_the_top_of_the_reflections_is_told_as_saturated() -> None:
    glass = span([1500, 1500, 3000], [0.25, 0.10], reflectances_db={0: -28.0})
    tool = instrument(headroom_db=5)
    m = measured(glass, tool, stated=NO_CORDS, seed=24)
    assert_all_true(m, glass)
    peaks = [e for e in m.detection_ab.events if e.kind is EventKind.REFLECTION]
    assert [e.saturated for e in peaks] == [True]


def test_backscatter_clipped_at_the_top_is_not_measured() -> None:
    # The receiver's gain is too high: the first 2.6 km from either end lie flat at 0 dB.
    glass = span([1200, 4000, 4000, 1200], [0.06, 0.09, 0.12])
    tool = instrument(headroom_db=-0.5, front_panel_reflectance_db=None)
    m = measured(glass, tool, seed=25)
    middle = reading_near(m, 5200, 8)
    assert_agrees(middle.loss_db, middle.u_loss_db, 0.09, 0.005)
    near_a, near_b = reading_near(m, 1200, 8), reading_near(m, 9200, 8)
    assert near_a.coverage is Coverage.ONLY_BA, summary(m)
    assert near_b.coverage is Coverage.ONLY_AB, summary(m)
    assert near_a.loss_db is None
    assert_agrees(near_a.loss_ba_db, near_a.u_ba_db, 0.06, 0.008)
    assert_agrees(near_b.loss_ab_db, near_b.u_ab_db, 0.12, 0.008)
    assert len(m.readings) == 3, summary(m)


def test_slow_receiver_tail_behind_strong_reflections_does_not_move_a_splice() -> None:
    glass = span([2000, 400, 3000, 2500], [0.30, 0.10, 0.05], reflectances_db={0: -32.0})
    tool = instrument(tail_fraction=0.01, tail_ns=300)
    m = measured(glass, tool, cords=Cords(800, 800, reflectance_db=-35), seed=26)
    assert_all_true(m, glass)


def test_ghost_of_a_strong_pair_of_connectors_is_labelled_and_not_counted() -> None:
    reflects = {0: -22.0, 1: -22.0}
    glass = span([1000, 400, 1200, 2500], [0.3, 0.3, 0.08], reflectances_db=reflects)
    tool = instrument(30, 0.5, ghosts=True, headroom_db=25, tail_fraction=0.0001)
    m = measured(glass, tool, stated=NO_CORDS, seed=27)
    assert_all_true(m, glass)
    # 1400 + (1400 − 1000) m from A; from B the same pair echoes at 600 m from A.
    for seen, where in ((m.detection_ab, 1800.0), (m.detection_ba, m.axis.length_m - 600)):
        echoes = [e.distance_m for e in seen.events if e.kind is EventKind.ECHO]
        assert any(abs(at - where) < 4 for at in echoes), (echoes, where)


def test_ghost_behind_the_end_of_the_fibre_does_not_lengthen_it() -> None:
    glass = span([2200, 2000, 1500], [0.08, 0.3], reflectances_db={1: -24.0})
    tool = instrument(50, 0.5, ghosts=True, headroom_db=25, tail_fraction=0.0001)
    m = measured(glass, tool, stated=NO_CORDS, record=2.5, seed=28)
    assert m.axis.length_m == pytest.approx(5700, abs=4)
    assert_all_true(m, glass)


# The far end


@pytest.mark.parametrize("mode", list(FloorMode))
def test_no_reflection_at_the_end_still_gives_the_length(mode: FloorMode) -> None:
    glass = span(
        [1800, 2500, 3000], [0.06, 0.10], end_a_reflectance_db=None, end_b_reflectance_db=None
    )
    m = measured(glass, instrument(floor_mode=mode), seed=31)
    assert m.axis.length_m == pytest.approx(7300, abs=5)
    assert_all_true(m, glass)


def test_open_angled_end_still_gives_the_length() -> None:
    # An open end polished at an angle returns about −60 dB and less (common practice, no source).
    glass = span(
        [1800, 2500, 3000], [0.06, 0.10], end_a_reflectance_db=-65, end_b_reflectance_db=-62
    )
    m = measured(glass, seed=32)
    assert m.axis.length_m == pytest.approx(7300, abs=5)
    assert_all_true(m, glass)


def test_break_in_one_shot_only_is_refused_with_both_lengths() -> None:
    glass = span([2000, 2500, 2500, 3000], [0.10, 0.12, 0.08])
    ab = shot(glass, instrument(), 33)
    ba = shot(glass.reversed().broken_at(4200), instrument(), 34)
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(ab, ba)
    assert caught.value.reason is Refusal.LENGTH
    assert "10000 m" in told(caught.value.evidence)
    assert "4200 m" in told(caught.value.evidence)


def test_break_seen_from_both_ends_is_refused() -> None:
    glass = span([2000, 2500, 2500, 3000], [0.10, 0.12, 0.08])
    ab = shot(glass.broken_at(5800), instrument(), 35)
    ba = shot(glass.reversed().broken_at(4200), instrument(), 36)
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(ab, ba)
    assert caught.value.reason is Refusal.LENGTH


def test_break_in_the_very_middle_is_refused_though_both_lengths_agree() -> None:
    glass = span([2000, 2200, 1600, 2400, 1800], [0.10, 0.12, 0.08, 0.15])
    ab = shot(glass.broken_at(5000), instrument(), 37)
    ba = shot(glass.reversed().broken_at(5000), instrument(), 38)
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(ab, ba)
    assert caught.value.reason is Refusal.PATTERN


def test_very_long_record_behind_the_end() -> None:
    glass = span([2500, 2500, 3000], [0.05, 0.09])
    m = measured(glass, instrument(spacing_m=4), record=20, seed=39)
    assert m.axis.length_m == pytest.approx(8000, abs=8)
    assert_all_true(m, glass)


def test_shot_too_noisy_for_the_far_third_is_one_way_only_there() -> None:
    glass = span([7000, 7000, 9000, 3000, 4000], [0.10, 0.06, 0.12, 0.08])
    tool = instrument(500, 2.5, ripple_db=0.0005)
    # From A the signal is 3.5 σ of the receiver 20 km out and 1.6 σ at 28 km; from B it reaches.
    weak = replace(tool, dynamic_range_db=20 * 0.19 + 0.16 + 5 * np.log10(3.5))
    ab = shot(glass, weak, 41, far_noise_db=None)
    ba = shot(glass.reversed(), tool, 42)
    m = measure(ab, ba)
    truth = true_joints(glass)
    for joint in truth:
        reading = reading_near(m, joint.position_m, 15)
        assert_agrees(reading.loss_ba_db, reading.u_ba_db, joint.loss_db, 0.006)
        if joint.position_m < 15_000:
            assert_agrees(reading.loss_db, reading.u_loss_db, joint.loss_db, 0.02)
        else:
            assert reading.coverage is Coverage.ONLY_BA, summary(m)
            assert reading.loss_db is None
            assert reading.u_loss_db is None
            assert [cause.code for cause in reading.missing] == ["signal-ends"]
    assert len(m.readings) == len(truth), summary(m)
    assert "end-not-seen" in codes(m)


# The near end, cords and settings


def test_cord_shorter_than_the_dead_zone_stated_by_the_crew() -> None:
    glass = span([1500, 2500, 2000], [0.08, 0.12])
    ab, ba = both_ways(glass, cords=Cords(12, 12, reflectance_db=-45), seed=51)
    m = measure(ab, ba, launch_m=12, receive_m=12)
    assert m.axis.length_m == pytest.approx(6000, abs=4)
    assert_all_true(m, glass, tolerance_m=5)


def test_cord_shorter_than_the_dead_zone_not_stated() -> None:
    # Nobody could tell it from the trace: positions shift by the cord, losses stay right.
    glass = span([1500, 2500, 2000], [0.08, 0.12])
    m = measured(glass, cords=Cords(12, 12, reflectance_db=-45), seed=52)
    assert 5990 < m.axis.length_m < 6035
    assert_all_true(m, glass, tolerance_m=20)


def test_negative_acquisition_offset_is_the_instruments_inside() -> None:
    # 400 ns one way before the front panel: 81.7 m of record without fibre.
    glass = span([1500, 2500, 2000], [0.08, 0.12])
    tool = instrument(acquisition_offset_100ps=-4000, internal_fibre_m=10)
    m = measured(glass, tool, seed=53)
    assert m.axis.length_m == pytest.approx(6000, abs=3)
    assert_all_true(m, glass, tolerance_m=3)


def test_user_offset_set_in_one_file_only() -> None:
    glass = span([1500, 2500, 2000], [0.08, 0.12])
    cords = Cords(700, 450)
    ab, ba = both_ways(glass, cords=cords, seed=54)
    with_offset = replace(ab, settings=replace(ab.settings, user_offset_s=700 * 1.4682 / 299792458))
    m = measure(with_offset, ba)
    assert m.axis.start_a_m == pytest.approx(700, abs=0.1)
    assert m.axis.start_b_m == pytest.approx(450, abs=4)
    assert m.axis.length_m == pytest.approx(6000, abs=5)
    assert_all_true(m, glass)
    with_offset = replace(ba, settings=replace(ba.settings, user_offset_s=450 * 1.4682 / 299792458))
    assert_all_true(measure(ab, with_offset), glass)


def test_group_index_wrong_by_a_thousandth_in_one_file() -> None:
    # 0.001 of 1.4682 displaces 20 km by 13.6 m (arithmetic); times know nothing of it.
    glass = span([6000, 6000, 8000], [0.08, 0.12])
    tool = instrument(spacing_m=2)
    m = measured(glass, tool, tool_b=replace(tool, group_index=1.4692), seed=55)
    assert "index-differs" in codes(m)
    assert m.axis.length_m == pytest.approx(20_000, abs=5)
    assert_all_true(m, glass)
    swapped = measured(glass, replace(tool, group_index=1.4692), tool_b=tool, seed=55)
    assert swapped.axis.length_m == pytest.approx(20_000 * 1.4682 / 1.4692, abs=5)
    joints = [replace(j, position_m=j.position_m * 1.4682 / 1.4692) for j in true_joints(glass)]
    assert_all_true(swapped, glass, joints=joints)


@pytest.mark.parametrize("unit", ["mt", "ft", "kf", "mi"])
def test_records_displayed_in_other_units_measure_alike(unit: str) -> None:
    glass = span([1500, 2500, 2000], [0.08, 0.12])
    in_km = [
        shot_file(link, instrument(), seed, label=Label(user_offset_m=0.0))
        for link, seed in ((glass, 56), (glass.reversed(), 57))
    ]
    shown = [sor.replace(f, fixed=replace(f.fixed, distance_unit=sor.Text.of(unit))) for f in in_km]
    reference, other = (measure(*(traces_from(f)[0] for f in files)) for files in (in_km, shown))
    assert [r.loss_db for r in other.readings] == [r.loss_db for r in reference.readings]
    assert_all_true(other, glass)


# Short fibre


def test_span_shorter_than_five_pulses_between_cords() -> None:
    # A 1 µs pulse is 102 m long (arithmetic): the span of 450 m holds 4.4 of them.
    glass = span([220, 230], [0.15])
    tool = instrument(1000, 1.0)
    m = measured(glass, tool, cords=Cords(1500, 1500), far_noise_db=0.002, seed=61)
    assert m.axis.length_m == pytest.approx(450, abs=10)
    reading = reading_near(m, 220, 60)
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.15, 0.03)
    assert len(m.readings) == 1, summary(m)


def test_span_shorter_than_five_pulses_without_cords_knows_how_little_it_knows() -> None:
    # Behind the front panel's dead zone 90 m of fibre are left before the splice.
    glass = span([220, 230], [0.15])
    m = measured(glass, instrument(1000, 1.0), far_noise_db=0.002, record=8, seed=62)
    assert m.axis.length_m == pytest.approx(450, abs=10)
    reading = reading_near(m, 220, 60)
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.15, 0.05)
    assert reading.u_loss_db is not None
    assert reading.u_loss_db > 0.005
    assert len(m.readings) == 1, summary(m)


@pytest.mark.parametrize("seed", [63, 163, 263])
def test_section_too_short_for_its_own_slope_borrows_it_and_says_so(seed: int) -> None:
    # 30 m between two splices hold 15 m of clean fibre at 1 m spacing.
    glass = span([3000, 30, 3000, 3000], [0.10, 0.14, 0.12])
    m = measured(glass, seed=seed)
    assert_all_true(m, glass, limit_u_db=0.015)
    beside_short, clear = m.readings[0], m.readings[2]
    assert beside_short.u_loss_db is not None
    assert clear.u_loss_db is not None
    assert beside_short.u_loss_db > 1.5 * clear.u_loss_db


# Fibre that is not uniform


def test_fibre_type_change_of_half_a_decibel_averages_to_the_true_loss() -> None:
    glass = span([2000, 3000, 2500], [0.05, 0.04], levels_db=[0.0, -0.5, 0.0])
    m = measured(glass, seed=71)
    assert_all_true(m, glass)
    steps = [r.backscatter_step_db for r in m.readings]
    assert steps == pytest.approx([0.5, -0.5], abs=0.01)


def test_attenuation_that_differs_by_section_does_not_leak_into_the_losses() -> None:
    slopes = [0.19, 0.24, 0.18, 0.35, 0.20]
    glass = span(
        [2000, 2500, 1500, 1200, 2500], [0.06, 0.10, 0.05, 0.08], attenuation_db_per_km=slopes
    )
    m = measured(glass, seed=72)
    assert_all_true(m, glass)
    found = [s.attenuation_db_per_km for s in m.sections]
    assert found == pytest.approx(slopes, abs=0.006)


def test_attenuation_change_does_not_read_as_a_one_way_loss() -> None:
    # A point shows the mean of the pulse before it. Read at the ramp's start, a change of
    # 0.2 dB/km under a pulse of 102 m reads as 0.2e-3·51 = 0.010 dB one way (derived).
    glass = span([5000, 5000], [0.10], attenuation_db_per_km=[0.20, 0.40])
    m = measured(glass, instrument(1000, 2.0, ripple_db=0.0003), far_noise_db=0.002, seed=75)
    reading = reading_near(m, 5000, 30)
    assert reading.loss_ab_db == pytest.approx(0.10, abs=0.003)
    assert reading.loss_ba_db == pytest.approx(0.10, abs=0.003)


def test_attenuation_change_under_unequal_pulses_does_not_bias_the_true_loss() -> None:
    # The one-way errors cancel only between equal pulses: (0.1e-3)·(102.1 − 10.2)/4 = 0.0023 dB.
    glass = span([6000, 6000], [0.10], attenuation_db_per_km=[0.20, 0.30])
    tool, tool_b = instrument(1000, 1.0, ripple_db=0.0003), instrument(100, 1.0)
    m = measured(glass, tool, tool_b=tool_b, far_noise_db=0.002, seed=76)
    assert reading_near(m, 6000, 30).loss_db == pytest.approx(0.10, abs=0.001)


def test_point_spacing_coarser_than_the_pulse() -> None:
    # A 10 ns pulse is 1.02 m long (arithmetic), the points are 5 m apart.
    glass = span([1800, 2500, 3000], [0.07, 0.11])
    m = measured(glass, instrument(10, 5.0, ripple_db=0.003), seed=73)
    assert_all_true(m, glass, limit_u_db=0.006, tolerance_m=10)


def test_point_spacing_coarser_than_the_pulse_with_a_connector() -> None:
    # The reflection may fall between two points: the loss counts, not the picture.
    glass = span([1800, 2500, 3000], [0.07, 0.31], reflectances_db={1: -48.0})
    m = measured(glass, instrument(10, 5.0, ripple_db=0.003), seed=74)
    for joint in true_joints(glass):
        reading = reading_near(m, joint.position_m, 10)
        assert_agrees(reading.loss_db, reading.u_loss_db, joint.loss_db, 0.006)
    assert len(m.readings) == 2, summary(m)


def test_detection_names_no_event_on_a_spliceless_fibre() -> None:
    glass = span([8000], [])
    found = [detect(shot(glass, instrument(spacing_m=4), seed)).events for seed in range(80, 86)]
    kinds = [e.kind for events in found for e in events]
    assert kinds == [EventKind.END] * 6
    assert np.isfinite([e.distance_m for events in found for e in events]).all()


def test_slow_receivers_neither_move_a_splice_nor_its_loss() -> None:
    # Long pulses and slow receivers: each shot shows the ramps late in its own direction, by up to
    # a tenth of a kilometre-long pulse, and the clearer shot would drag the place its way. The loss
    # would move by that shift times the change of attenuation, far more than its noise.
    glass = span(
        [20_000, 45_000, 18_000], [0.12, 0.10], attenuation_db_per_km=[0.185, 0.195, 0.185]
    )
    tool = instrument(10_000, 6.0, rise_fraction=0.28, ripple_db=0.0002)
    m = measured(glass, tool, far_noise_db=0.004, seed=3)
    assert len(m.readings) == 2
    for reading, joint in zip(m.readings, true_joints(glass), strict=True):
        assert reading.distance_m == pytest.approx(joint.position_m, abs=25)  # pulse: 1021 m
        assert reading.loss_db == pytest.approx(joint.loss_db, abs=4 * reading.u_loss_db)
        assert reading.u_loss_db < 0.0002
