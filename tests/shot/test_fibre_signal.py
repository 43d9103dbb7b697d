"""Noise floor, end of fibre, smoothing and reflections of single shots."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from making import INDEX, PULSE_100_NS_M, instrument, shot, span
from simulated import Fibre, FloorMode, Instrument

from otdravg.errors import Refusal, ShotsDoNotPair
from otdravg.shot.noise import linear_power
from otdravg.shot.reflections import centred_mean, final_fall, find_end, noise_floor, running_mean
from otdravg.shot.shot import Shot, prepare
from otdravg.shot.trace import Trace


def prepared(glass: Fibre, tool: Instrument, seed: int, **how: object) -> Shot:
    return prepare(shot(glass, tool, seed, **how), INDEX)


def peak_positions(found: Shot) -> list[float]:
    return [float(found.x_m[0] + p.lead * found.spacing_m) for p in found.peaks]


def test_running_means_against_plain_averages() -> None:
    values = np.random.default_rng(1).standard_normal(50)
    ahead = [values[i : i + 6].mean() for i in range(50)]
    around = [values[max(i - 3, 0) : i + 4].mean() for i in range(50)]
    assert running_mean(values, 6) == pytest.approx(ahead)
    assert centred_mean(values, 6) == pytest.approx(around)


@pytest.mark.parametrize("width", [1, 2, 7, 64, 1000, 5000])
def test_a_mean_of_noise_keeps_its_digits_behind_a_strong_signal(width: int) -> None:
    # Exact sums by math.fsum; the power falls by eight decades, as along a fibre into noise.
    falling = np.logspace(0, -8, 3000) * np.random.default_rng(2).uniform(0.9, 1.1, 3000)
    ahead = [math.fsum(falling[i : i + width]) / min(width, 3000 - i) for i in range(3000)]
    assert running_mean(falling, width) == pytest.approx(ahead, rel=1e-13, abs=0)


@pytest.mark.parametrize("mode", list(FloorMode))
@pytest.mark.parametrize("smoothing", [1, 5])
def test_receiver_noise_is_read_behind_the_fibre(mode: FloorMode, smoothing: int) -> None:
    # Clipped or rectified at zero power: one sigma is still in the distribution's upper half.
    glass = span([6000], [])
    tool = instrument(floor_mode=mode, smoothing_points=smoothing)
    taken = shot(glass, tool, 2, far_noise_db=0.02, record=3)
    floor = noise_floor(taken.level_db, -0.25 * taken.spacing_m(INDEX) / 1000)
    assert floor.is_noise
    # 0.02 dB at the far end is 0.02·ln 10/5 of the power there (derivative of 5·log10).
    end_level = np.median(taken.level_db[5900:5990])
    sigma = 0.02 * np.log(10) / 5 * 10 ** (end_level / 5)
    assert floor.sigma_power == pytest.approx(sigma, rel=0.1)


def test_record_that_stops_on_the_fibre_has_no_floor() -> None:
    glass = span([9000], [])
    taken = shot(glass, instrument(point_count=5000), 3)
    floor = noise_floor(taken.level_db, -0.25 * taken.spacing_m(INDEX) / 1000)
    assert not floor.is_noise
    assert find_end(linear_power(taken.level_db), floor, 10) == 4999
    assert final_fall(linear_power(taken.level_db), floor, 4999, 10) is None


@pytest.mark.parametrize("reflectance_db", [-14.4, -45.0, None])
@pytest.mark.parametrize("far_noise_db", [0.001, 0.02])
def test_abrupt_end_is_an_end(reflectance_db: float | None, far_noise_db: float) -> None:
    glass = span([5000], [], end_b_reflectance_db=reflectance_db)
    found = prepared(glass, instrument(), 4, far_noise_db=far_noise_db)
    assert found.fall is not None
    # The last signal lies behind the end by the pulse and the receiver's tail.
    assert 5000 - 5 < found.signal_end_m < 5000 + 15 * PULSE_100_NS_M


@pytest.mark.parametrize("points", [9200, 9400, 9800])
def test_record_hardly_longer_than_the_fibre_shows_its_end(points: int) -> None:
    # Behind the fibre are left 20, 40 or 80 pulses: less than the share looked at for the floor.
    found = prepared(span([9000], []), instrument(point_count=points), 4)
    assert found.fall is not None
    assert 9000 - 15 < found.fall * found.spacing_m < 9000 + 15


def test_record_that_stops_in_the_tail_of_the_end_still_shows_it() -> None:
    glass = span([5000], [], end_b_reflectance_db=-14.4)
    tool = instrument(2000, 4.0, tail_fraction=0.003, tail_ns=2000, point_count=1500)
    found = prepared(glass, tool, 4)
    assert found.fall is not None
    assert found.fall * found.spacing_m == pytest.approx(5000, abs=2.5 * 20 * PULSE_100_NS_M)


def test_sinking_into_the_noise_is_not_an_end() -> None:
    glass = span([40_000], [])
    tool = instrument(500, 4.0, dynamic_range_db=4.0)
    found = prepared(glass, tool, 5, far_noise_db=None)
    assert found.fall is None
    # One point's signal equals its noise 4.0/0.19 = 21 km out and is four times as large at
    # 5.2 km (arithmetic); where to stop between them is a matter of care.
    assert 5200 < found.signal_end_m < 21_100


@pytest.mark.parametrize("smoothing", [1, 3, 5, 9])
def test_makers_smoothing_is_read_from_the_noise(smoothing: int) -> None:
    tool = instrument(200, 0.5, smoothing_points=smoothing)
    found = prepared(span([3000], []), tool, 6, far_noise_db=0.01, record=2)
    # Noise 8 points apart shares a ninth of an average over 9, hardly more than chance shows.
    assert found.smoothing == pytest.approx(smoothing, abs=0 if smoothing < 9 else 1)


def test_reflections_lie_where_they_were_planted() -> None:
    reflects = {0: -45.0, 1: -52.0, 2: -60.0}
    glass = span([1000.3, 800.4, 1500.1, 2000], [0.3, 0.2, 0.2], reflectances_db=reflects)
    found = prepared(glass, instrument(spacing_m=0.5), 7)
    at = peak_positions(found)
    # The last one is the open end. A receiver that rises in 15 % of the pulse delays an edge.
    assert at == pytest.approx([1000.3, 1800.7, 3300.8, 5300.8], abs=1.0)
    assert [p.saturated for p in found.peaks[:3]] == [False] * 3


def test_height_of_a_reflection_gives_its_reflectance() -> None:
    # H = 5·log10(1 + 10^((R − B)/10)/W), the inverse of R = B + 10·log10 W + 10·log10(10^(H/5) − 1)
    # (from memory): B −81.5, W 100, R −50 → 5·log10(1 + 14.1) = 5.90 dB.
    glass = span([2000, 2000], [0.0], reflectances_db={0: -50.0})
    tool = instrument(spacing_m=0.5, rise_fraction=0.02, tail_fraction=0.0)
    peak = prepared(glass, tool, 8).peaks[0]
    height = 5 * np.log10(1 + 10 ** ((-50 + 81.5) / 10) / 100)
    assert height == pytest.approx(5.90, abs=0.005)
    assert peak.height_db == pytest.approx(height, abs=0.05)


def test_a_plain_splice_is_no_reflection_whichever_way_it_reads() -> None:
    glass = span([1500, 1500, 2000], [0.6, 0.05], levels_db=[0, 0, 0.5], end_b_reflectance_db=None)
    assert prepared(glass, instrument(), 9).peaks == ()


@pytest.mark.parametrize("tail_ns", [100, 400])
def test_dead_zone_reaches_as_far_as_the_receivers_tail(tail_ns: float) -> None:
    glass = span([1500, 4000], [0.2], reflectances_db={0: -35.0})
    tool = instrument(tail_fraction=0.005, tail_ns=tail_ns)
    found = prepared(glass, tool, 10)
    clear = found.x_m[found.peaks[0].clear] - 1500
    # Height of the tail right behind the pulse, over the backscatter, and its fall from there.
    over = 10 ** ((-35 + 81.5) / 10) / 100 * 0.005 * (1 - np.exp(-100 / tail_ns))
    length_m = tail_ns * PULSE_100_NS_M / 100
    left_db = 5 * np.log10(1 + over * np.exp(-(clear - PULSE_100_NS_M) / length_m))
    assert left_db < 0.02
    assert PULSE_100_NS_M < clear < PULSE_100_NS_M + 12 * length_m


@pytest.mark.parametrize("slopes", [[0.35, 0.20], [0.22, 0.19]])
def test_fibre_steeper_than_the_rest_is_no_receiver_tail(slopes: list[float]) -> None:
    # A tail dies away; fibre goes on falling at its own rate.
    glass = span([3000, 6000], [0.10], attenuation_db_per_km=slopes)
    for seed in (20, 21, 22):
        found = prepared(glass, instrument(), seed, far_noise_db=0.002)
        assert found.x_m[found.front_clear] < 200


def test_record_without_signal_is_refused_with_advice() -> None:
    glass = span([60], [], end_b_reflectance_db=None)
    dark = shot(glass, instrument(1000, 2.0, tail_fraction=0.0), 11, record=40)
    with pytest.raises(ShotsDoNotPair) as caught:
        prepare(dark, INDEX)
    assert caught.value.reason is Refusal.NO_SIGNAL
    assert caught.value.advice.code == "shorter-pulse-or-clean"


@pytest.mark.parametrize("inside_ns", [0, 2250])
def test_record_of_noise_alone_is_refused(inside_ns: int) -> None:
    # With 2.25 µs of record before the panel nothing at all lies behind it above the noise.
    glass = span([60], [], end_b_reflectance_db=None)
    tool = instrument(1000, 2.0, tail_fraction=0.0, acquisition_offset_100ps=-10 * inside_ns)
    lit = shot(glass, tool, 11, record=40)
    noise = np.random.default_rng(5).normal(size=lit.level_db.size)
    dark = replace(lit, level_db=-15 + 5 * np.log10(np.maximum(noise, 1e-3)))
    with pytest.raises(ShotsDoNotPair) as caught:
        prepare(dark, INDEX)
    assert caught.value.reason is Refusal.NO_SIGNAL


def test_negative_offset_keeps_the_inside_of_the_instrument_out() -> None:
    glass = span([2500], [])
    tool = instrument(acquisition_offset_100ps=-4000, internal_fibre_m=20)
    found = prepared(glass, tool, 12)
    assert isinstance(found.trace, Trace)
    assert found.x_m[0] == pytest.approx(-81.68, abs=0.01)  # 400 ns·c/1.4682 (arithmetic)
    assert found.x_m[found.front_clear] > PULSE_100_NS_M
    assert found.in_peak[: found.front_clear].all()
