"""The two-way measurement against published tables and against optics done by quadrature."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from making import (
    assert_agrees,
    both_ways,
    instrument,
    measured,
    reading_near,
    span,
    summary,
)
from scipy import integrate
from simulated import FRESNEL_REFLECTANCE_DB, mode_field_level_db

from otdravg.errors import BadSetting
from otdravg.fit.reading import Coverage, Kind, mode_field_ratio
from otdravg.pair.measure import measure

#: No noise and no ripple; what is left is the file's own step of 0.001 dB.
QUIET = instrument(ripple_db=0.0)


def overlap_loss_db(width_1_um: float, width_2_um: float, offset_um: float = 0.0) -> float:
    """Give the loss between two Gaussian modes by numerical quadrature of their overlap.

    Widths are mode field diameters: the field falls to 1/e at half of them.
    """
    w1, w2 = width_1_um / 2, width_2_um / 2
    reach = 8 * max(w1, w2) + offset_um

    def mode(r2: float, w: float) -> float:
        return math.exp(-r2 / w**2)

    def over_plane(value: object) -> float:
        result, _ = integrate.dblquad(value, -reach, reach, -reach, reach, epsabs=1e-9, epsrel=1e-9)
        return float(result)

    cross = over_plane(lambda y, x: mode(x**2 + y**2, w1) * mode((x - offset_um) ** 2 + y**2, w2))
    own_1 = over_plane(lambda y, x: mode(x**2 + y**2, w1) ** 2)
    own_2 = over_plane(lambda y, x: mode(x**2 + y**2, w2) ** 2)
    return -10 * math.log10(cross**2 / (own_1 * own_2))


# Published and derived tables


def test_gainer_one_way_averages_to_the_true_loss() -> None:
    # Coefficients −82 and −82.16 dB count 10·log10 of power, a trace 5·log10: a step of 0.08 dB, so
    # a true loss of 0.04 reads 0.04 + 0.08 and 0.04 − 0.08 (derived).
    glass = span([2000, 2000], [0.04], levels_db=[0.0, (-82.16 + 82.0) / 2])
    m = measured(glass, QUIET, far_noise_db=0.0005)
    reading = m.readings[0]
    assert reading.loss_ab_db == pytest.approx(0.12, abs=0.001)
    assert reading.loss_ba_db == pytest.approx(-0.04, abs=0.001)
    assert reading.loss_db == pytest.approx(0.04, abs=0.0005)
    assert reading.backscatter_step_db == pytest.approx(0.08, abs=0.001)


def test_readings_of_0_20_and_0_10_average_to_0_15() -> None:
    # l = 0.15 and b = 0.05: l + b and l − b (derived); half of their sum is l again.
    m = measured(span([2000, 2000], [0.15], levels_db=[0.0, -0.05]), QUIET, far_noise_db=0.0005)
    assert m.readings[0].loss_ab_db == pytest.approx(0.20, abs=0.001)
    assert m.readings[0].loss_ba_db == pytest.approx(0.10, abs=0.001)
    assert m.readings[0].loss_db == pytest.approx(0.15, abs=0.0005)


@pytest.mark.parametrize(
    ("before_um", "after_um", "true_db", "ab_db", "ba_db"),
    [
        # Step 10·log10(w₂/w₁), captured fraction ∝ 1/w² (a fibre maker's note, 2001); arithmetic.
        (9.2, 9.6, 0.05, 0.2348, -0.1348),
        (8.6, 9.2, 0.03, 0.03 + 0.2929, 0.03 - 0.2929),
        (9.2, 10.4, 0.08, 0.08 + 0.5325, 0.08 - 0.5325),
    ],
)
def test_mode_field_steps_are_exaggerated_one_way_and_true_both_ways(
    before_um: float, after_um: float, true_db: float, ab_db: float, ba_db: float
) -> None:
    levels = [mode_field_level_db(before_um), mode_field_level_db(after_um)]
    m = measured(span([2000, 2000], [true_db], levels_db=levels), QUIET, far_noise_db=0.0005)
    (reading,) = m.readings
    assert reading.loss_ab_db == pytest.approx(ab_db, abs=0.001)
    assert reading.loss_ba_db == pytest.approx(ba_db, abs=0.001)
    assert reading.loss_db == pytest.approx(true_db, abs=0.0005)
    assert reading.mode_field_ratio == pytest.approx(after_um / before_um, abs=0.0005)


def test_large_to_small_field_looks_like_a_gain() -> None:
    # Seen in the same fibre maker's note: large to small reads as gain, small to large as loss.
    levels = [mode_field_level_db(9.6), mode_field_level_db(8.8)]
    m = measured(span([2000, 2000], [0.03], levels_db=levels), seed=5)
    assert m.readings[0].loss_ab_db is not None
    assert m.readings[0].loss_ab_db < 0


@pytest.mark.parametrize("ratio", [9.6 / 9.2, 8.6 / 9.2, 1.0])
def test_mode_field_ratio_undoes_the_step(ratio: float) -> None:
    assert mode_field_ratio(10 * math.log10(ratio)) == pytest.approx(ratio, rel=1e-12)


@pytest.mark.parametrize(
    ("width_1_um", "width_2_um", "loss_db"),
    # Marcuse, Bell Syst. Tech. J. 56 (1977), −20·log10(2w₁w₂/(w₁² + w₂²)), from memory.
    [(9.2, 8.6, 0.0197), (9.2, 10.4, 0.0651), (9.2, 8.4, 0.0359), (9.2, 9.6, 0.0079)],
)
def test_field_mismatch_loss_is_the_overlap_of_two_gaussian_modes(
    width_1_um: float, width_2_um: float, loss_db: float
) -> None:
    formula = -20 * math.log10(2 * width_1_um * width_2_um / (width_1_um**2 + width_2_um**2))
    assert formula == pytest.approx(loss_db, abs=6e-5)
    assert overlap_loss_db(width_1_um, width_2_um) == pytest.approx(formula, abs=1e-5)


@pytest.mark.parametrize(("offset_um", "loss_db"), [(0.5, 0.0513), (1.0, 0.2053)])
def test_core_offset_loss_is_the_overlap_of_two_gaussian_modes(
    offset_um: float, loss_db: float
) -> None:
    # Marcuse 1977 (from memory): 10·log10(e)·(d/w)² with the field radius w = 4.6 µm.
    formula = 10 * math.log10(math.e) * (offset_um / 4.6) ** 2
    assert formula == pytest.approx(loss_db, abs=1e-4)
    assert overlap_loss_db(9.2, 9.2, offset_um) == pytest.approx(formula, abs=1e-5)


@pytest.mark.parametrize(("index", "reflectance_db"), [(1.4682, -14.44), (1.45, -14.72)])
def test_open_end_reflects_as_fresnel_says(index: float, reflectance_db: float) -> None:
    # 10·log10(((n − 1)/(n + 1))²) (arithmetic).
    assert 20 * math.log10((index - 1) / (index + 1)) == pytest.approx(reflectance_db, abs=0.005)
    assert pytest.approx(-14.44, abs=0.005) == FRESNEL_REFLECTANCE_DB


def test_flat_open_end_is_measured_as_fresnel_says() -> None:
    tool = instrument(10, 0.25, rise_fraction=0.02, tail_fraction=0.0, headroom_db=30)
    m = measured(span([1200], []), tool)
    end = m.detection_ab.events[-1]
    assert end.reflectance_db == pytest.approx(-14.44, abs=0.2)


@pytest.mark.parametrize(
    ("coefficient_db", "pulse_ns", "reflectance_db", "height_db"),
    # R = B + 10·log10 W + 10·log10(10^(H/5) − 1) (from memory; values by arithmetic).
    [(-81.0, 10, -51.04, 10.0), (-81.5, 100, -51.96, 5.0), (-80.0, 10, -30.0, 20.0)],
)
def test_reflectance_from_the_height_of_a_peak(
    coefficient_db: float, pulse_ns: float, reflectance_db: float, height_db: float
) -> None:
    tool = instrument(
        pulse_ns, 0.25, backscatter_coefficient_db=coefficient_db, rise_fraction=0.02,
        tail_fraction=0.0, headroom_db=30,
    )  # fmt: skip
    glass = span([1000, 1000], [0.2], reflectances_db={0: reflectance_db})
    event = measured(glass, tool).detection_ab.events[0]
    assert event.peak_height_db == pytest.approx(height_db, abs=0.05)
    assert event.reflectance_db == pytest.approx(reflectance_db, abs=0.1)


# The measurement


def test_swapping_the_shots_mirrors_the_result() -> None:
    glass = span([1500, 2200, 900, 3000], [0.05, 0.10, 0.30], levels_db=[0.0, 0.15, 0.0, 0.05])
    ab, ba = both_ways(glass, seed=6)
    there, back = measure(ab, ba), measure(ba, ab)
    assert len(there.readings) == len(back.readings) == 3
    for one, other in zip(there.readings, reversed(back.readings), strict=True):
        assert other.distance_m == pytest.approx(one.distance_from_b_m, abs=1.0)
        assert other.loss_db == pytest.approx(one.loss_db, abs=5e-4)
        assert other.loss_ab_db == pytest.approx(one.loss_ba_db, abs=5e-4)
        assert other.backscatter_step_db == pytest.approx(-one.backscatter_step_db, abs=5e-4)


def test_splice_that_only_one_shot_shows_is_measured_in_both() -> None:
    # A→B reads 0.00, B→A 0.16: not found from A is not zero, and here it is zero.
    m = measured(span([2000, 2500], [0.08], levels_db=[0.0, 0.08]), seed=7)
    (reading,) = m.readings
    assert not reading.detected_ab
    assert reading.detected_ba
    assert reading.coverage is Coverage.BOTH
    assert_agrees(reading.loss_ab_db, reading.u_ab_db, 0.0, 0.005)
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.08, 0.003)


def test_one_way_only_is_never_averaged_with_zero() -> None:
    # 14 m behind the front panel: inside its dead zone from A, clear from B.
    m = measured(span([14, 3000], [0.10]), seed=8)
    (reading,) = m.readings
    assert reading.coverage is Coverage.ONLY_BA
    assert reading.loss_db is None
    assert reading.u_loss_db is None
    assert reading.expanded_uncertainty_db is None
    assert reading.backscatter_step_db is None
    assert reading.missing


def test_asked_position_is_measured_where_nothing_was_detected() -> None:
    glass = span([2000, 3000], [0.0])
    ab, ba = both_ways(glass, seed=9)
    assert measure(ab, ba).readings == ()
    m = measure(ab, ba, positions_m=(2000.0,))
    (reading,) = m.readings
    assert reading.kind is Kind.ASKED
    assert reading.distance_m == 2000
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.0, 0.003)


def test_asked_position_where_a_splice_was_found_is_that_splice() -> None:
    glass = span([2000, 3000], [0.10])
    m = measure(*both_ways(glass, seed=10), positions_m=(2003.0,))
    (reading,) = m.readings
    assert reading.kind is Kind.SPLICE
    assert_agrees(reading.loss_db, reading.u_loss_db, 0.10, 0.003)


def test_asked_position_outside_the_span_is_refused() -> None:
    ab, ba = both_ways(span([2000, 3000], [0.10]), seed=11)
    with pytest.raises(BadSetting, match="position"):
        measure(ab, ba, positions_m=(7000.0,))


def test_connectors_are_told_from_splices() -> None:
    glass = span([2000, 1500, 2500], [0.10, 0.30], reflectances_db={1: -50.0})
    m = measured(glass, seed=17)
    assert [r.kind for r in m.readings] == [Kind.SPLICE, Kind.CONNECTOR]
    assert m.readings[0].reflectance_db is None
    assert m.readings[1].reflectance_db == pytest.approx(-50, abs=0.7)


def test_sections_and_overall_attenuation_are_without_the_splices() -> None:
    slopes = [0.19, 0.21, 0.20]
    glass = span([3000, 4000, 5000], [0.10, 0.20], attenuation_db_per_km=slopes)
    m = measured(glass, instrument(spacing_m=2), seed=13)
    for section, slope in zip(m.sections, slopes, strict=True):
        assert section.attenuation_db_per_km is not None
        assert section.u_attenuation_db_per_km is not None
        error = abs(section.attenuation_db_per_km - slope)
        assert error < 3.5 * section.u_attenuation_db_per_km
        assert section.u_attenuation_db_per_km < 0.002
    overall = (3 * 0.19 + 4 * 0.21 + 5 * 0.20) / 12
    assert m.attenuation_db_per_km == pytest.approx(overall, abs=0.001)


def test_curves_lie_on_one_axis() -> None:
    m = measured(span([2000, 3000], [0.30]), seed=14)
    for z, level in (m.curve_ab(), m.curve_ba()):
        assert np.all(np.diff(z) > 0)
        before = np.interp([1900.0], z, level)
        after = np.interp([2100.0], z, level)
        assert abs(before - after) > 0.25


def test_half_sum_and_half_difference_make_up_the_one_way_readings() -> None:
    glass = span([2000, 2000, 2000], [0.07, 0.12], levels_db=[0.0, -0.1, 0.1])
    readings = measured(glass, seed=15).readings
    assert len(readings) == 2
    for reading in readings:
        assert reading.loss_ab_db == pytest.approx(reading.loss_db + reading.backscatter_step_db)
        assert reading.loss_ba_db == pytest.approx(reading.loss_db - reading.backscatter_step_db)
        assert reading.expanded_uncertainty_db == pytest.approx(2 * reading.u_loss_db)


def test_stated_intervals_hold_their_share_of_true_losses() -> None:
    # 20 pairs of 4 splices, k = 2: of 80 intervals 95 % hold; fewer than 69 or a mean
    # square beyond these bounds has a chance below 1 in 1000 (binomial, χ²).
    losses = [0.05, 0.10, 0.03, 0.15]
    glass = span([1200, 800, 1500, 600, 1400], losses, levels_db=[0, -0.1, 0.1, 0.0, 0.05])
    pulls = []
    for seed in range(20):
        m = measured(glass, instrument(spacing_m=2), far_noise_db=0.01, seed=400 + seed)
        for position, loss in zip(glass.joint_positions_m, losses, strict=True):
            reading = reading_near(m, position, 10)
            assert reading.loss_db is not None, summary(m)
            pulls.append((reading.loss_db - loss) / reading.u_loss_db)
    held = np.abs(pulls) < 2
    assert np.count_nonzero(held) >= 69
    assert 0.55 < np.mean(np.square(pulls)) < 1.57


def test_same_points_give_the_same_result() -> None:
    ab, ba = both_ways(span([2000, 3000], [0.10]), seed=16)
    once, again = measure(ab, ba), measure(ab, ba)
    assert once.readings == again.readings
    renamed = replace(ab, identity=replace(ab.identity, path="elsewhere.sor", sha256="0"))
    assert measure(renamed, ba).readings == once.readings
