"""How points stand against their neighbourhood, where a receiver has recovered, what a tail lifts.

Levels are made by hand, without noise: every figure follows from its definition.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from exact_shots import Glass, exact
from making import INDEX, PULSE_100_NS_M
from scipy.signal import lfilter

from otdravg.shot.detect import _reflectance
from otdravg.shot.noise import NoiseModel
from otdravg.shot.reflections import Contour, _View, clear_after, find_reflections
from otdravg.shot.response import Response
from otdravg.shot.settings import ResponseSource
from otdravg.shot.shot import prepare
from otdravg.shot.tails import Lifted

FloatArray = npt.NDArray[np.float64]

#: 0.2 dB/km, a metre from point to point, and a pulse of twenty.
SLOPE_DB, PULSE = -0.0002, 20.0
COUNT, AT = 6000, 2000


def quiet(sigma_db: float = 1e-5) -> NoiseModel:
    return NoiseModel(sigma_db**2, 0.0, sigma_db**2, 0.0)


def contour(level_db: FloatArray, slack: float = 0.0) -> Contour:
    return Contour.of(level_db, 10 ** (level_db / 5), PULSE, SLOPE_DB, slope_slack=slack)


def fibre(loss_db: float = 0.0) -> FloatArray:
    level = SLOPE_DB * np.arange(COUNT)
    level[AT:] -= loss_db
    return level


def with_reflection(
    height_db: float, pole: float, *, share: float = 0.05, loss_db: float = 0.2
) -> FloatArray:
    """A reflection of one pulse, of which a share dies out with a pole (in pulses) behind it."""
    level = fibre(loss_db)
    over = np.zeros(COUNT)
    over[AT : AT + int(PULSE)] = 10 ** (height_db / 5) - 1
    if pole:
        behind = np.arange(COUNT - AT - int(PULSE)) / (pole * PULSE)
        over[AT + int(PULSE) :] = share * (10 ** (height_db / 5) - 1) * np.exp(-behind)
    return 5 * np.log10(10 ** (level / 5) + over * 10 ** (level[AT - 1] / 5))


class TestContour:
    INNER = slice(100, COUNT - 100)

    @pytest.mark.parametrize("slack", [0.0, 1e-5])
    def test_a_straight_line_stands_nowhere_above_itself(self, slack: float) -> None:
        found = contour(fibre(), slack)
        assert found.rise[self.INNER] == pytest.approx(0.0, abs=1e-9)
        # Slopes that are off by the slack explain as much over what is compared: 27 + 15 points.
        for standing in (found.height, found.depth):
            assert standing[self.INNER] == pytest.approx(-slack * 42, abs=1e-9)
        assert found.inverse_square[3000] == pytest.approx(
            10 ** (-2 * SLOPE_DB * 3000 / 5), rel=1e-6
        )
        assert found.least_square == found.inverse_square.min()

    @pytest.mark.parametrize("loss_db", [0.3, -0.3])
    def test_a_step_stands_on_one_side_alone(self, loss_db: float) -> None:
        found = contour(fibre(loss_db))
        behind = AT  # its side before it lies in front of the step, the one behind it does not
        assert found.rise[behind] == pytest.approx(-loss_db, abs=1e-9)
        assert found.height[behind] == pytest.approx(min(-loss_db, 0.0), abs=1e-9)
        assert found.depth[behind] == pytest.approx(min(loss_db, 0.0), abs=1e-9)

    @pytest.mark.parametrize("height_db", [0.5, 4.0])
    def test_a_reflection_stands_above_both_sides_and_a_dip_below(self, height_db: float) -> None:
        level = fibre()
        level[AT : AT + 20] += height_db
        up, down = contour(level), contour(2 * fibre() - level)
        assert up.rise[AT] == pytest.approx(height_db, abs=1e-9)
        assert up.height[AT] == pytest.approx(height_db, abs=1e-9)
        assert down.depth[AT] == pytest.approx(height_db, abs=1e-9)
        assert up.height.max() == pytest.approx(height_db, abs=1e-9)
        assert up.depth[AT] == pytest.approx(-height_db, abs=1e-9)

    def test_the_highest_points_are_known(self) -> None:
        level = fibre()
        level[2000:2015] = 3.0
        found = contour(level)
        assert found.ceiling_db == 3.0
        assert found.highest == list(range(2000, 2015))

    def test_six_sigmas_of_a_top_less_its_sides(self) -> None:
        # Variances of means: σ²/6 for a top of six points, 2·σ²/15 for both sides; no mean of
        # noise that is alike over many points is noisier than a point (GUM 4.2.3).
        sigma = 2e-3
        place = np.array([1.0])
        for long_run, expected in ((1.0, math.sqrt(1 / 6 + 2 / 15)), (100.0, math.sqrt(3.0))):
            noise = NoiseModel(sigma**2, 0.0, long_run * sigma**2, 0.0)
            view = _View(contour(fibre()), noise, 0, COUNT - 1)
            assert view.six_sigma(place) == pytest.approx(6 * sigma * expected)
            assert view.least() == pytest.approx(6 * sigma * expected)


class TestDeadZone:
    @pytest.mark.parametrize("height_db", [3.0, 10.0, 20.0])
    def test_of_a_reflection_without_a_tail_is_the_pulse(self, height_db: float) -> None:
        found = contour(with_reflection(height_db, 0.0))
        assert clear_after(found, quiet(), AT, COUNT - 1) == AT + 22

    @pytest.mark.parametrize("sigma_db", [1e-5, 1e-3])
    @pytest.mark.parametrize("pole", [0.3, 1.0, 3.0])
    @pytest.mark.parametrize("height_db", [3.0, 10.0, 20.0])
    def test_reaches_as_far_as_a_tail_and_not_twice_as_far(
        self, height_db: float, pole: float, sigma_db: float
    ) -> None:
        level = with_reflection(height_db, pole)
        clear = clear_after(contour(level), quiet(sigma_db), AT, COUNT - 1)
        over = level - fibre(0.2)
        # What is left is within the noise of a mean over some points, and most of a millidecibel.
        assert over[clear] < 7e-4 + 1.3 * sigma_db
        half = AT + 20 + (clear - AT - 20) // 2
        assert over[half] > 9e-3

    def test_of_a_dip_is_found_upside_down(self) -> None:
        level = 2 * fibre(0.2) - with_reflection(3.0, 1.0)
        up = clear_after(contour(with_reflection(3.0, 1.0)), quiet(), AT, COUNT - 1)
        assert clear_after(contour(level), quiet(), AT, COUNT - 1, -1) == pytest.approx(up, abs=3)

    def test_ends_where_the_record_does(self) -> None:
        level = with_reflection(20.0, 3.0)
        assert clear_after(contour(level), quiet(), AT, AT + 200) == AT + 200

    def test_is_not_longer_for_a_step_behind_it(self) -> None:
        level = with_reflection(10.0, 1.0)
        clear = clear_after(contour(level), quiet(), AT, COUNT - 1)
        level[clear + 400 :] -= 0.5
        assert clear_after(contour(level), quiet(), AT, COUNT - 1) == pytest.approx(clear, abs=5)

    def test_of_fibre_steeper_than_the_rest_is_no_tail(self) -> None:
        level = with_reflection(10.0, 0.0)
        level[AT + 20 :] += 2 * SLOPE_DB * np.arange(COUNT - AT - 20)
        clear = clear_after(contour(level), quiet(), AT, COUNT - 1)
        # Six pulses are looked at before a steady fall is taken for fibre.
        assert clear - AT < 9 * PULSE


class TestReflections:
    @pytest.mark.parametrize("height_db", [0.3, 3.0, 15.0])
    def test_begins_half_a_point_before_the_first_that_shows_it(self, height_db: float) -> None:
        level = with_reflection(height_db, 0.0, loss_db=0.0)
        peaks, dips = find_reflections(contour(level), quiet(), 50, 5900)
        assert dips == ()
        (peak,) = peaks
        assert (peak.first, peak.lead, peak.clear) == (AT, AT - 0.5, AT + 22)
        assert peak.height_db == pytest.approx(height_db, abs=0.003)
        assert not peak.saturated

    @pytest.mark.parametrize(("gap", "count"), [(10, 1), (17, 1), (30, 2), (60, 2), (200, 2)])
    def test_a_second_one_counts_beyond_the_pulse(self, gap: int, count: int) -> None:
        level = fibre()
        level[AT : AT + 20] += 3.0
        level[AT + gap : AT + gap + 20] += 3.0
        peaks, _ = find_reflections(contour(level), quiet(), 50, 5900)
        assert [peak.first for peak in peaks] == [AT, AT + gap][:count]

    @pytest.mark.parametrize("depth_db", [0.3, 1.0])
    @pytest.mark.parametrize("loss_db", [0.0, 0.2])
    def test_a_dip_is_over_a_pulse_behind_its_far_edge(
        self, loss_db: float, depth_db: float
    ) -> None:
        # Two splices twelve points apart with darker glass between, seen through the pulse.
        ramp = np.clip((np.arange(COUNT) - AT) / PULSE, 0, 1)
        back = np.clip((np.arange(COUNT) - AT - 12) / PULSE, 0, 1)
        level = SLOPE_DB * np.arange(COUNT) - depth_db * ramp + (depth_db - loss_db) * back
        peaks, (dip,) = find_reflections(contour(level), quiet(), 50, 5900)
        assert peaks == ()
        assert dip.first == pytest.approx(AT, abs=6)
        assert AT + 32 <= dip.clear <= AT + 32 + 1.6 * PULSE
        assert -depth_db < dip.height_db < -0.5 * depth_db


def test_reflectance_is_known_where_all_that_it_is_made_of_is() -> None:
    shot = prepare(exact(Glass((2000.0,))), INDEX)
    settings = shot.trace.settings
    b = settings.backscatter_coefficient_db
    assert b < 0
    # R = B + 10·log10 W + 10·log10(10^(H/5) − 1): 5·log10 2 doubles the power (from memory).
    assert _reflectance(shot, 5 * math.log10(2)) == pytest.approx(b + 20)
    for height_db in (None, 0.0, -1.0):
        assert _reflectance(shot, height_db) is None
    for unknown in ({"pulse_ns": 0.0}, {"backscatter_coefficient_db": 0.0}):
        trace = replace(shot.trace, settings=replace(settings, **unknown))
        assert _reflectance(replace(shot, trace=trace), 3.0) is None


class TestLifted:
    """Straight pieces of a shot that a tail of 1/t lifts by a known share."""

    GLASS = Glass(
        (1500.3, 2200.7, 900.2, 3000.4), (0.25, 0.30, 0.10), (0.0, 0.15, -0.02), (12.0, 0.0, 3.0)
    )
    FROM_M, TO_M = (
        np.array([200.0, 1900.0, 3800.0, 4700.0]),
        np.array([1490.0, 3690.0, 4590.0, 7500.0]),
    )

    @pytest.mark.parametrize("share", [5e-4, 1e-3, 2e-3])
    def test_share_is_what_bends_them(self, share: float) -> None:
        plain = exact(self.GLASS)
        pulses = np.arange(plain.level_db.size) * plain.spacing_m(INDEX) / PULSE_100_NS_M
        kernel = np.exp(-pulses / 120) / np.maximum(pulses, 1)
        kernel *= plain.spacing_m(INDEX) / PULSE_100_NS_M
        kernel[pulses < 1] = 0.0
        power = 10 ** (plain.level_db / 5)
        late = lfilter(share * kernel, [1.0], power)
        shot = prepare(replace(plain, level_db=5 * np.log10(power + late)), INDEX, Response())
        lo, hi = shot.cells.index(self.FROM_M), shot.cells.index(self.TO_M)
        found = Lifted.of(shot, lo, hi)
        assert found.share == pytest.approx(share, rel=2e-3)
        assert 0 < found.u_share < share / 6
        # The line through what is lifted, at both of its ends.
        assert found.ends_db.shape == (4, 2)
        for k, ends in enumerate(found.ends_db):
            here = (shot.x_m >= self.FROM_M[k]) & (shot.x_m < self.TO_M[k]) & ~shot.in_peak
            x, lifted = shot.x_m[here], 5 * np.log10(1 + late[here] / power[here])
            line = np.polynomial.Polynomial.fit(x, lifted, 1)
            at_m = np.array([self.FROM_M[k], self.TO_M[k]])
            assert share * ends == pytest.approx(line(at_m), rel=0.02)
        # Twelve cells are too few to show a bend; so is a piece of nothing.
        few = Lifted.of(shot, lo[:2], np.array([lo[0] + 12, lo[1]]))
        assert (few.share, few.u_share) == (0.0, 0.0)
        assert not few.ends_db.any()

    def test_nothing_is_lifted_where_nothing_shines_late(self) -> None:
        shot = prepare(exact(self.GLASS), INDEX, Response())
        found = Lifted.of(shot, shot.cells.index(self.FROM_M), shot.cells.index(self.TO_M))
        assert (found.share, found.u_share) == (0.0, 0.0)
        assert shot.response.source is ResponseSource.STATED
