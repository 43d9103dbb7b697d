"""Where signal ends, on records made by hand: powers that are known point by point.

Expected places follow from the definitions in the docstrings and constants of
``shot/reflections.py``; noise is drawn with a known standard deviation.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from otdravg.shot.noise import linear_power
from otdravg.shot.reflections import (
    Floor,
    fall_by_and_by,
    fall_into_tail,
    final_fall,
    find_end,
    first_blank,
    noise_floor,
)

FloatArray = npt.NDArray[np.float64]

#: 0.2 dB/km, a metre from point to point; and what is assumed of fibre before it is measured.
SLOPE_DB, GUESS_DB = -0.0002, -0.00025
NO_FLOOR = Floor(False, 0.0, 0.0)
#: Points of a pulse.
PULSE = 10.0


def fibre(count: int, top_db: float = 0.0) -> FloatArray:
    return top_db + SLOPE_DB * np.arange(count)


def db(power: FloatArray) -> FloatArray:
    return 5 * np.log10(np.maximum(power, 1e-12))


def noisy(sigma: float, count: int = 10_000, mean: float = 0.0) -> FloatArray:
    return mean + sigma * np.random.default_rng(4).standard_normal(count)


class TestFloor:
    """Behind 6 km of fibre: noise as receivers write it."""

    SIGMA = 1e-3

    def floor(self, behind: FloatArray) -> Floor:
        return noise_floor(np.concatenate([fibre(6000), db(behind)]), GUESS_DB)

    @pytest.mark.parametrize("count", [1000, 4000, 20_000])
    def test_noise_that_is_clipped_at_zero(self, count: int) -> None:
        floor = self.floor(np.maximum(noisy(self.SIGMA, count), 1e-9))
        assert (floor.is_noise, floor.mean_power, floor.masked) == (True, 0.0, False)
        # The quantile of n points at one sigma is known to 1.3·σ/√n (order statistics).
        used = 0.08 * (6000 + count)
        assert floor.sigma_power == pytest.approx(self.SIGMA, rel=4 * 1.33 / np.sqrt(used))
        # Clipped noise has a mean of σ/√(2π) (from its density).
        assert floor.dark_power == pytest.approx(self.SIGMA / np.sqrt(2 * np.pi), rel=0.25)

    @pytest.mark.parametrize("count", [1000, 4000, 20_000])
    def test_noise_that_is_rectified(self, count: int) -> None:
        floor = self.floor(np.abs(noisy(self.SIGMA, count)))
        assert (floor.is_noise, floor.mean_power, floor.masked) == (True, 0.0, False)
        used = 0.08 * (6000 + count)
        assert floor.sigma_power == pytest.approx(self.SIGMA, rel=5 * 1.33 / np.sqrt(used))

    @pytest.mark.parametrize("mean", [0.01, 0.1])
    def test_noise_on_an_offset(self, mean: float) -> None:
        floor = self.floor(noisy(self.SIGMA, mean=mean))
        assert floor.is_noise
        assert floor.mean_power == floor.dark_power == pytest.approx(mean, rel=0.01)
        assert floor.sigma_power == floor.noise_power == pytest.approx(self.SIGMA, rel=0.1)

    def test_noise_that_is_blanked(self) -> None:
        # All but one in twenty points at the bottom of the scale: the lowest of these is no noise
        # of less than two sigmas, and nobody knows how much less.
        rng = np.random.default_rng(3)
        behind = np.full(10_000, 1e-12)
        shown = rng.choice(10_000, 500, replace=False)
        behind[shown] = rng.uniform(1e-4, 2e-4, 500)
        floor = self.floor(behind)
        assert floor.is_noise
        assert floor.masked
        assert floor.sigma_power == pytest.approx(behind[shown].min())
        assert floor.noise_power == 0.0

    def test_a_floor_that_is_blanked_all_through_is_as_low_as_it_is(self) -> None:
        floor = self.floor(np.full(10_000, 1e-12))
        assert floor.is_noise
        assert floor.masked
        assert 0 < floor.sigma_power < 1e-11

    def test_fibre_is_no_floor_however_noisy(self) -> None:
        for sigma in (0.0, 1e-4, 1e-3):
            level = fibre(10_000, -2.0) + noisy(0.5 * sigma * 1e3)
            assert not noise_floor(level, GUESS_DB).is_noise

    def test_too_few_points_are_none(self) -> None:
        level = db(np.maximum(noisy(1e-3, 7), 1e-9))
        assert noise_floor(level, GUESS_DB) == NO_FLOOR

    @pytest.mark.parametrize("share", [0.75, 0.55, 0.35])
    def test_a_long_end_far_below_that_does_not_fall_is_a_floor_though_it_is_smooth(
        self, share: float
    ) -> None:
        # Smoothed over 60 points, in dB: neither rough nor, in its last part, flat.
        count = 10_000
        behind = int(share * count)
        noise = db(np.abs(noisy(1e-3, behind + 59)))
        smooth = np.convolve(noise, np.full(60, 1 / 60), "valid")
        floor = noise_floor(np.concatenate([fibre(count - behind), smooth]), GUESS_DB)
        assert floor.is_noise
        # Mean of 5·log10|N| in power is above the median of the noise (0.674 σ) and below σ.
        assert 0.3e-3 < floor.dark_power < 1.2e-3

    @pytest.mark.parametrize("loss_db", [6.0, 9.0])
    def test_fibre_behind_a_break_that_still_falls_is_no_floor(self, loss_db: float) -> None:
        level = np.concatenate([fibre(3000), fibre(7000, -0.6 - loss_db)])
        assert not noise_floor(level + noisy(1e-3), GUESS_DB).is_noise


def test_the_first_blanked_point_lies_behind_the_first_light() -> None:
    level = fibre(5000)
    level[[20, 3000, 3500]] = -40.0
    assert first_blank(level, 0) == 3000
    assert first_blank(level, 2950) == 3500  # a fiftieth of the record, 100 points, is passed over
    # The lowest point of a record without any blank is its own blank.
    assert first_blank(fibre(5000), 0) == 4999


class TestLastSignal:
    FLOOR = Floor(True, 0.0, 1e-4)

    @pytest.mark.parametrize("pulse", [1.0, 5.0, 10.0, 33.4])
    @pytest.mark.parametrize("last", [400, 401, 777])
    def test_signal_reaches_to_its_last_point(self, last: int, pulse: float) -> None:
        power = np.full(2000, 1e-9)
        power[: last + 1] = 0.5
        assert find_end(power, self.FLOOR, pulse) == last

    @pytest.mark.parametrize("pulse", [10.0, 20.0])
    def test_signal_is_over_after_four_pulses_without(self, pulse: float) -> None:
        # Means over a pulse are looked at: five pulses less a point are four of them dark.
        longest = int(5 * pulse) - 2
        for dark, end in ((longest, 1899), (longest + 1, 999)):
            power = np.full(3000, 1e-9)
            power[:1000] = power[1000 + dark : 1900] = 0.5
            assert find_end(power, self.FLOOR, pulse) == end

    def test_of_short_pulses_four_and_twenty_points(self) -> None:
        # Five points are averaged at least, so that 28 in the dark are 24 means.
        for dark, end in ((27, 1899), (28, 999)):
            power = np.full(3000, 1e-9)
            power[:1000] = power[1000 + dark : 1900] = 0.5
            assert find_end(power, self.FLOOR, 1.0) == end

    def test_a_record_without_a_floor_is_signal_to_its_end(self) -> None:
        assert find_end(np.full(100, 0.5), NO_FLOOR, 5.0) == 99

    def test_nothing_is_signal_where_all_is_dark(self) -> None:
        assert find_end(np.full(100, 1e-9), self.FLOOR, 5.0) == 0

    @pytest.mark.parametrize("pulse", [100.0, 64.0])
    @pytest.mark.parametrize("factor", [0.9, 1.1])
    def test_signal_exceeds_the_dark_by_six_sigmas_of_a_mean(
        self, factor: float, pulse: float
    ) -> None:
        # Of so many points four are alike: six sigmas over the root of a fourth of them.
        floor = self.FLOOR
        sure = 6 * 1e-4 / np.sqrt(pulse / 4)
        power = np.full(3000, floor.dark_power + factor * sure)
        power[:1000] = power[2000:2500] = 0.5
        power[2500:] = 1e-9
        assert find_end(power, floor, pulse) == (2499 if factor > 1 else 999)

    def test_few_points_are_all_alike(self) -> None:
        assert self.FLOOR.surely_above(3) == pytest.approx(6e-4)
        assert self.FLOOR.surely_above(16) == pytest.approx(3e-4)


class TestFall:
    """A fall for good: levels that drop by so many decibels a pulse, from a known point on."""

    FLOOR = Floor(True, 0.0, 1e-5)

    def record(self, rate_db: float, at: int, *, deep_db: float = 12.0) -> FloatArray:
        """Fibre to a point, then down by a rate per pulse to a floor so far below."""
        level = fibre(4000)
        fall = -rate_db / PULSE * np.arange(4000 - at)
        level[at:] = level[at - 1] + np.maximum(fall, -deep_db)
        return linear_power(level)

    def last(self, power: FloatArray) -> int:
        return find_end(power, self.FLOOR, PULSE)

    @pytest.mark.parametrize("at", [2000, 2003, 2009])
    @pytest.mark.parametrize("rate_db", [0.95, 3.0, 8.0])
    def test_begins_in_the_pulse_in_which_it_begins(self, rate_db: float, at: int) -> None:
        power = self.record(rate_db, at, deep_db=40.0)
        found = final_fall(power, self.FLOOR, self.last(power), PULSE)
        assert found is not None
        # The mean of a pulse is lower than the one before by less than the rate in the first.
        assert at - 2 * PULSE < found <= at + PULSE / 2

    def test_less_than_eight_tenths_of_a_decibel_a_pulse_is_none(self) -> None:
        power = self.record(0.7, 2000, deep_db=40.0)
        assert final_fall(power, self.FLOOR, self.last(power), PULSE) is None

    @pytest.mark.parametrize(("deep_db", "is_fall"), [(2.8, False), (3.2, True)])
    def test_takes_the_level_down_by_three_decibels(self, deep_db: float, is_fall: bool) -> None:
        # Signal ends where the fall does: then there is nothing.
        power = self.record(30.0, 2000, deep_db=deep_db)
        power[2015:] = power[2014]
        found = final_fall(power, self.FLOOR, 2010, PULSE)
        assert (found is not None) is is_fall

    def test_a_bump_on_the_way_down_does_not_end_it(self) -> None:
        power = self.record(1.5, 2000, deep_db=40.0)
        bump = 2040 + (self.last(power) + 1) % 10  # pulses are counted from the last signal
        power[bump : bump + 10] *= 3.0
        found = final_fall(power, self.FLOOR, self.last(power), PULSE)
        assert found is not None
        assert 1980 < found <= 2005

    def test_signal_that_is_hardly_any_falls_nowhere(self) -> None:
        power = np.full(3000, 1e-9)
        power[:2000] = 3e-5
        assert final_fall(power, self.FLOOR, 1999, PULSE) is None

    @pytest.mark.parametrize("at", [2000, 2004])
    def test_of_a_record_that_stops_on_the_way_is_where_the_level_leaves_the_line(
        self, at: int
    ) -> None:
        for beyond in (20, 40):
            power = self.record(3.0, at, deep_db=40.0)[: at + beyond]
            found = final_fall(power, NO_FLOOR, power.size - 1, PULSE)
            assert found is not None
            # A pulse is left in front of where it is half a decibel below.
            assert at - 1.5 * PULSE < found < at + 0.5 * PULSE

    def test_of_a_record_that_stops_on_fibre_is_none(self) -> None:
        for loss_db in (0.0, 0.5, 2.5):
            level = np.concatenate([fibre(3000), fibre(40, -0.6 - loss_db)])
            assert final_fall(linear_power(level), NO_FLOOR, level.size - 1, PULSE) is None


class TestSlowTails:
    """What a receiver leaves behind the end for many pulses, and fibre behind a loss does not."""

    FLOOR = Floor(True, 0.0, 1e-9)

    def tail_or_none(self, behind_db: FloatArray) -> int | None:
        power = linear_power(np.concatenate([fibre(3000), -0.6 + behind_db]))
        return fall_into_tail(power, self.FLOOR, 0, power.size - 1, PULSE, SLOPE_DB)

    @pytest.mark.parametrize("drop_db", [5.6, 8.0, 15.0])
    def test_one_over_t_behind_a_drop_is_no_fibre(self, drop_db: float) -> None:
        pulses = np.arange(1000) / PULSE
        found = self.tail_or_none(-drop_db - 5 * np.log10(1 + pulses))
        # Two pulses are compared, so that the fall may begin in either.
        assert found is not None
        assert 3000 - 2 * PULSE <= found <= 3000

    def test_a_drop_that_a_splice_may_have_is_none(self) -> None:
        pulses = np.arange(1000) / PULSE
        assert self.tail_or_none(-2.0 - 1.0 * np.log10(1 + pulses)) is None

    @pytest.mark.parametrize("drop_db", [5.6, 8.0, 15.0])
    def test_fibre_behind_a_drop_is_fibre(self, drop_db: float) -> None:
        assert self.tail_or_none(-drop_db + fibre(1000)) is None
        assert self.tail_or_none(-drop_db + 3 * fibre(1000)) is None

    def test_what_comes_back_up_is_fibre(self) -> None:
        pulses = np.arange(1000) / PULSE
        behind = -8.0 - 5 * np.log10(1 + pulses)
        behind[500:] = -1.0 + fibre(500)
        assert self.tail_or_none(behind) is None

    @pytest.mark.parametrize("behind", [40, 90])
    def test_hardly_a_tail_is_as_good_as_an_end(self, behind: int) -> None:
        found = self.tail_or_none(np.full(behind, -8.0))
        assert found is not None
        assert 3000 - 2 * PULSE <= found <= 3000

    def test_too_short_a_record_tells_nothing(self) -> None:
        power = linear_power(np.concatenate([fibre(100), np.full(90, -8.0)]))
        assert fall_into_tail(power, self.FLOOR, 0, 189, PULSE, SLOPE_DB) is None

    @pytest.mark.parametrize("pole", [5.0, 8.0, 15.0])
    def test_an_even_fall_for_many_pulses_is_a_poles(self, pole: float) -> None:
        # 2.17 dB in the length of a pole: 0.43, 0.27 and 0.14 dB a pulse.
        behind = np.maximum(-2.171 / pole * np.arange(3000) / PULSE, -30.0)
        power = linear_power(np.concatenate([fibre(3000), -0.6 + behind]))
        floor = Floor(True, 0.0, 1e-5)
        last = find_end(power, floor, PULSE)
        found = fall_by_and_by(power, floor, 0, last, PULSE, SLOPE_DB)
        assert found is not None
        assert 3000 - 2 * PULSE <= found <= 3000 + 3 * PULSE

    def test_fibre_with_its_splices_does_not_fall_evenly(self) -> None:
        level = fibre(6000, 0.0) * 4
        for at in range(500, 6000, 700):
            level[at:] -= 0.5
        power, floor = linear_power(level), Floor(True, 0.0, 1e-6)
        assert fall_by_and_by(power, floor, 0, 5999, PULSE, 4 * SLOPE_DB) is None
        assert fall_by_and_by(np.full(6000, 1e-9), floor, 0, 5999, PULSE, SLOPE_DB) is None
