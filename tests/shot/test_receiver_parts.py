"""What takes a receiver out of a record, and what a ramp looks like through it, part by part.

Held against plain sums, numerical integrals and drawn noise; nothing of the package's own shapes.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from exact_shots import Glass, exact
from making import INDEX
from scipy.signal import lfilter

from otdravg.shot.noise import Rounding
from otdravg.shot.ramp import RampShape, RampWindows, lowest
from otdravg.shot.response import (
    LINE_PULSES,
    LITTLE_DB,
    Record,
    Response,
    blind_zones,
    equalised,
    noise_width,
    slow_tail,
    without_slow_tail,
)
from otdravg.shot.shape import Shape, ramp_share
from otdravg.shot.shot import level_step, prepare
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]


def through(values: FloatArray, pole_points: float) -> FloatArray:
    a = math.exp(-1 / pole_points)
    return np.asarray(lfilter([1 - a], [1, -a], values))


class TestEqualised:
    PULSE = 30.0

    @pytest.mark.parametrize("poles", [(0.4,), (1.0,), (0.8, 0.3)])
    def test_is_the_running_mean_of_what_came_before_the_poles(
        self, poles: tuple[float, ...]
    ) -> None:
        # y[i] = a·y[i−1] + (1−a)·p[i] gives p = y + a/(1−a)·Δy: exact, and a mean of it telescopes.
        rng = np.random.default_rng(1)
        power = np.exp(-np.arange(900) / 300) * rng.uniform(0.5, 1.5, 900)
        slow = power
        for pole in poles:
            slow = through(slow, pole * self.PULSE)
        found, widths, _ = equalised(slow, Response(poles), self.PULSE, 1e-3)
        expected = power
        for width in widths:
            padded = expected
            expected = np.array(
                [padded[max(i - width // 2, 0) : i - width // 2 + width].mean() for i in range(900)]
            )
        inner = slice(80, -80)  # at the ends windows are shorter
        assert found[inner] == pytest.approx(expected[inner], rel=1e-9)
        assert len(widths) == len(poles)

    def test_nothing_is_averaged_beyond_the_noise_of_a_point(self) -> None:
        # √2·a/(1−a) points: the difference of two points over as many is one point's noise.
        for pole in (0.3, 1.0, 3.0):
            a = math.exp(-1 / (pole * self.PULSE))
            _, (width,), white = equalised(np.ones(2000), Response((pole,)), self.PULSE, 1.0)
            assert width == math.ceil(math.sqrt(2) * a / (1 - a))
            assert white == 1.0
            _, (least,), _ = equalised(np.ones(2000), Response((pole,)), self.PULSE, 0.0)
            assert least == math.ceil(self.PULSE / 8)

    def test_the_level_a_line_reaches_gains_half_a_thousandth_at_most(self) -> None:
        # Drawn: what equalising adds to the level at the end of a line of ten pulses.
        pole, sigma = 1.0, 2e-3
        count = round(LINE_PULSES * self.PULSE)
        rng = np.random.default_rng(2)
        gain = 1 / math.expm1(1 / (pole * self.PULSE))
        # So little noise that the width lies between its bounds.
        _, (width,), _ = equalised(np.ones(100), Response((pole,)), self.PULSE, sigma)
        assert self.PULSE / 8 < width < math.sqrt(2) * gain
        x = np.linspace(-1, 1, count)
        ends = []
        for _ in range(1500):
            noise = sigma * rng.standard_normal(count + 400)
            out, _, _ = equalised(noise, Response((pole,)), self.PULSE, sigma)
            line = np.polynomial.polynomial.polyfit(x, out[200 : 200 + count], 1)
            ends.append(5 / math.log(10) * (line[0] + line[1]))
        plain_db2 = (5 / math.log(10) * sigma) ** 2 * 4 / count
        added_db = math.sqrt(np.var(ends) - plain_db2)
        assert added_db == pytest.approx(LITTLE_DB, rel=0.12)

    @pytest.mark.parametrize("pole", [0.5, 1.0])
    def test_white_noise_stays_as_it_was_over_many_points(self, pole: float) -> None:
        # The long-run variance is that of the noise itself; a point's is larger.
        noise = np.random.default_rng(3).standard_normal(400_000)
        out, _, white = equalised(noise, Response((pole,)), self.PULSE, 1e-3)
        assert white < 0.5
        assert white * np.var(out) == pytest.approx(1.0, rel=0.15)


class TestSlowTail:
    @pytest.mark.parametrize("reach", [60.0, 250.0])
    def test_is_a_sum_over_all_that_shone_before(self, reach: float) -> None:
        # share/t from one pulse on, dying out over the reach: its definition, summed plainly.
        pulse = 7.0
        power = np.random.default_rng(4).uniform(0, 1, 800)
        behind = np.arange(800) / pulse
        weight = np.where(behind < 1, 0, np.exp(-behind / reach) / np.maximum(behind, 1) / pulse)
        expected = [weight[: i + 1] @ power[i::-1] for i in range(800)]
        assert slow_tail(power, pulse, reach) == pytest.approx(expected, rel=1e-9, abs=1e-12)

    def test_ends_after_a_thousand_pulses(self) -> None:
        power = np.zeros(4000)
        power[10] = 1.0
        tail = slow_tail(power, 2.0, 1000.0)
        assert tail[10 + 1999] == pytest.approx(math.exp(-0.9995) / 999.5 / 2, rel=1e-6)
        assert tail[10 + 2000 :] == pytest.approx(np.zeros(1990), abs=1e-12)

    @pytest.mark.parametrize("share", [2e-4, 1e-3])
    def test_is_taken_out_as_it_came_in(self, share: float) -> None:
        pulse, start = 8.0, 20
        power = np.exp(-np.arange(6000) / 4000)
        power[:start] = 0.0
        for _ in range(40):  # the tail follows from what is shown, itself included
            shown = power + share * slow_tail(power, pulse, 120.0)
        response = Response(slow=share, u_slow=1e-5)
        left, found = without_slow_tail(shown, response, start, 5999, pulse)
        # A tail of the tail is of second order.
        assert left[start:] == pytest.approx(power[start:], abs=30 * share**2)
        assert (found.slow, found.u_slow) == (share, 1e-5)

    def test_is_no_larger_than_what_is_left_of_the_light(self) -> None:
        # Behind a dark stretch the tail of what shone before would leave less than nothing.
        pulse = 8.0
        power = np.concatenate([np.full(2000, 1.0), np.full(1000, 1e-4)])
        left, found = without_slow_tail(power, Response(slow=0.003, u_slow=1e-4), 0, 2999, pulse)
        assert 0 < found.slow < 0.003
        assert found.u_slow == pytest.approx(0.003 - found.slow)
        assert left.min() >= 0


class TestRamp:
    FINE = 1e-3

    def expected(self, poles: tuple[float, ...], mean: float, behind: FloatArray) -> FloatArray:
        """A ramp through poles and a mean, by sums over a thousandth of a pulse."""
        grid = np.arange(-4.0, 16.0, self.FINE)
        share = np.clip(grid, 0.0, 1.0)
        for pole in poles:
            share = through(share, pole / self.FINE)
        if mean:
            count = round(mean / self.FINE)
            share = np.convolve(share, np.full(count, 1 / count), "same")
        return np.interp(behind, grid, share)

    @pytest.mark.parametrize(
        ("poles", "mean"),
        [
            ((), 0.0), ((0.3,), 0.0), ((1.5,), 0.0), ((0.8, 0.3), 0.0), ((0.5, 0.5), 0.0),
            ((), 0.4), ((), 2.0), ((0.6,), 1.0), ((0.7, 0.4), 0.5),
        ],
    )  # fmt: skip
    def test_is_the_pulse_seen_through_the_receiver(
        self, poles: tuple[float, ...], mean: float
    ) -> None:
        behind = np.array([-1.5, -0.3, 0.05, 0.3, 0.8, 1.0, 1.2, 2.5, 4.0, 7.0])
        found = ramp_share(Shape(poles, mean), behind)
        # A pole of which the second differs by 3 % stands for two equal ones.
        within = 7e-3 if len(set(poles)) < len(poles) else 1e-3
        assert found == pytest.approx(self.expected(poles, mean, behind), abs=within)

    @pytest.mark.parametrize("widths_m", [(1.0,), (3.0, 8.0), (15.0,)])
    def test_through_running_means_is_symmetric_about_its_middle(
        self, widths_m: tuple[float, ...]
    ) -> None:
        pulse_m = 20.0
        shape = RampShape.through(pulse_m, widths_m)
        behind_m = np.linspace(-20, 40, 121)
        fine_m = 0.01
        grid = np.arange(-60.0, 80.0, fine_m)
        share = np.clip(grid / pulse_m, 0, 1)
        for width_m in widths_m:
            count = round(width_m / fine_m) | 1
            padded = np.pad(share, count // 2, mode="edge")
            share = np.convolve(padded, np.full(count, 1 / count), "valid")
        found = shape.at(behind_m.copy())
        # A table of a fiftieth of the pulse passes over a kink between two of its points.
        assert found == pytest.approx(np.interp(behind_m, grid, share), abs=1e-3)
        assert found + shape.at(pulse_m - behind_m) == pytest.approx(np.ones(121), abs=1e-9)

    @pytest.mark.parametrize(("pulse_ns", "spacing_m"), [(100.0, 1.0), (300.0, 1.0), (30.0, 0.5)])
    def test_the_cost_of_a_start_is_the_sum_of_its_squared_residuals(
        self, pulse_ns: float, spacing_m: float
    ) -> None:
        # Two ways to one figure: points one by one, and lines summed once for all starts.
        glass = Glass((800.2, 900.3, 900.0), (0.2, 3.0), (0.1, 0.0))
        shot = prepare(exact(glass, pulse_ns=pulse_ns, spacing_m=spacing_m), INDEX)
        at_m = np.array([800.2, 1700.5])
        lo = shot.cells.index(np.array([300.0, 1100.0]))
        hi = shot.cells.index(np.array([1500.0, 2400.0]))
        windows = RampWindows.around(shot, at_m, 1.5 * shot.pulse_m, lo, hi)
        starts = at_m[:, None] + np.linspace(-1.5, 1.5, 61) * shot.pulse_m
        squares = (windows.residual(starts) ** 2).sum(axis=2)
        assert windows.cost(starts) == pytest.approx(squares, rel=1e-9, abs=1e-9)
        one = windows.rows(np.array([1]))
        assert one.cost(starts[1:]) == pytest.approx(squares[1:], rel=1e-9, abs=1e-9)

    def test_the_lowest_of_a_parabola_is_its_vertex(self) -> None:
        grid = np.arange(12.0)
        vertex, curve = np.array([3.3, 7.0, 5.49, 0.0]), np.array([2.0, 0.5, 8.0, 1.0])
        index, beyond, width = lowest(curve[:, None] * (grid - vertex[:, None]) ** 2)
        assert (index + beyond)[:3] == pytest.approx(vertex[:3])
        # Rises by one where c·d² = 1.
        assert width[:3] == pytest.approx(1 / np.sqrt(curve[:3]))
        # At the edge of the grid there is none.
        assert (index[3], beyond[3]) == (0, 0.0)
        assert width[3] > 1e3


class TestRounding:
    STEP = 0.01

    def harmonic(self, k: int, sigma: float) -> float:
        """Share of the variance in the k-th harmonic of rounding under Gaussian noise."""
        phase = np.linspace(-0.5, 0.5, 2000, endpoint=False)
        noise = np.linspace(-6, 6, 1201) * sigma
        density = np.exp(-(np.linspace(-6, 6, 1201) ** 2) / 2)
        density /= density.sum()
        value = phase[:, None] + noise[None, :]
        error = (np.rint(value) - value) @ density  # its mean at each phase
        line = np.mean(error * np.exp(-2j * np.pi * k * phase))
        return float(2 * abs(line) ** 2 * 12)

    @pytest.mark.parametrize("sigma", [0.05, 0.1, 0.2])
    @pytest.mark.parametrize(("k", "fall"), [(1, 0.97), (2, 0.52), (3, 0.66)])
    def test_a_line_beats_with_the_steps(self, k: int, fall: float, sigma: float) -> None:
        # Each harmonic, by integration over all phases, repeats over 1/|k·f − round(k·f)| points;
        # that of the case repeats for longest.
        point = self.STEP**2 / 12
        found = Rounding.of(self.STEP, fall * self.STEP, sigma * self.STEP)
        assert found.point_db2 == pytest.approx(point)
        beats = [1 / abs(n * fall - round(n * fall)) for n in (1, 2, 3)]
        assert beats[k - 1] == max(beats)
        expected = max(
            point * (1 + (beat - 1) * self.harmonic(n, sigma)) for n, beat in enumerate(beats, 1)
        )
        # A slow line repeats over one step and its fraction, which is never less.
        left = math.exp(-((2 * math.pi * sigma) ** 2))
        slow = point * (1 + (1 / fall - 1) * left)
        assert found.long_run_db2 == pytest.approx(max(expected, slow), rel=6e-3)

    @pytest.mark.parametrize("fall", [0.02, 0.1, 0.4])
    def test_a_slow_line_repeats_its_error_over_a_step(self, fall: float) -> None:
        found = Rounding.of(self.STEP, fall * self.STEP, 0.0)
        assert found.long_run_db2 == pytest.approx(self.STEP**2 / 12 / fall)

    def test_noise_makes_every_point_a_reading_of_its_own(self) -> None:
        found = Rounding.of(self.STEP, 0.01 * self.STEP, self.STEP)
        assert found.long_run_db2 == pytest.approx(self.STEP**2 / 12)


class TestLevelStep:
    @staticmethod
    def with_levels(level_db: FloatArray) -> Trace:
        trace = exact(Glass((1000.0,)))
        return type(trace)(level_db, trace.identity, trace.settings, (), ())

    @pytest.mark.parametrize(("steps", "found"), [(1, 1), (2, 1), (3, 3), (5, 5), (50, 50)])
    def test_wider_steps_than_the_files_show(self, steps: int, found: int) -> None:
        rng = np.random.default_rng(7)
        level = -0.0002 * np.arange(20_000) + 0.001 * steps * rng.standard_normal(20_000)
        trace = self.with_levels(np.rint(level / (0.001 * steps)) * 0.001 * steps)
        assert trace.settings.quantum_db == pytest.approx(0.001)
        assert level_step(trace) == pytest.approx(found * 0.001)

    def test_a_few_small_steps_are_no_finer_scale(self) -> None:
        # Less than one in fifty neighbours: written by a filter here and there, not by the scale.
        level = np.rint(np.random.default_rng(8).standard_normal(20_000)) * 0.01
        level[np.arange(0, 20_000, 400)] += 0.001
        assert level_step(self.with_levels(level)) == pytest.approx(0.01, rel=0.11)

    def test_levels_that_hardly_change_tell_nothing(self) -> None:
        level = np.repeat([0.0, -0.1, -0.2], 500)
        assert level_step(self.with_levels(level)) == pytest.approx(0.001)


@pytest.mark.parametrize("width", [1, 4, 9, 20])
def test_noise_behind_the_fibre_shows_a_running_mean(width: int) -> None:
    # Its correlation is a triangle that ends at its width (textbook).
    noise = np.random.default_rng(9).standard_normal(8000 + width - 1)
    power = 1.0 + 1e-3 * np.convolve(noise, np.full(width, 1 / width), "valid")
    assert noise_width(power, 0.0, 20.0) == pytest.approx(width, abs=0.15 * width)
    assert noise_width(power[:199], 0.0, 20.0) == 1  # too few points
    assert noise_width(np.ones(5000), 0.0, 20.0) == 1  # no noise


def test_noise_through_a_pole_is_no_running_mean() -> None:
    noise = through(np.random.default_rng(10).standard_normal(8000), 8.0)
    assert noise_width(noise, 0.0, 20.0) == 1


class TestBlindZones:
    def record(self, height_db: float, pole: float, pulse: float = 20.0) -> Record:
        level = -0.0002 * np.arange(6000)
        power = 10 ** (level / 5)
        peak = np.zeros(6000)
        peak[2000 : 2000 + int(pulse)] = 10 ** (height_db / 5) - 1
        power += through(peak, pole * pulse) * power[2000]
        return Record(5 * np.log10(power), power, pulse, -0.0002, 0, 5999, None, 0.0, 1e-9)

    @pytest.mark.parametrize("u", [0.002, 0.02])
    @pytest.mark.parametrize("pole", [0.5, 1.5])
    def test_end_where_what_is_left_of_the_tail_is_a_thousandth_of_the_fibre(
        self, pole: float, u: float
    ) -> None:
        # A pole off by a share u leaves u·(x/λ)·e^(−x/λ) of the crest (derivative of e^(−x/λ)).
        record = self.record(12.0, pole)
        ((foot, clear),) = blind_zones(record, Response((pole,), u_poles=u))
        assert foot == pytest.approx(2000, abs=1)
        decays = (clear - 2020) / (pole * 20.0)
        crest = float(record.power.max() / record.power[1990])
        left = crest * u * decays * math.exp(-decays)
        assert 0.3e-3 < left < 1.1e-3

    def test_of_a_pole_that_is_known_well_are_as_long_as_the_reflection(self) -> None:
        ((foot, clear),) = blind_zones(self.record(12.0, 0.5), Response((0.5,), u_poles=1e-6))
        assert foot == pytest.approx(2000, abs=1)
        assert 2019 <= clear <= 2024

    def test_of_a_fast_receiver_are_none(self) -> None:
        assert blind_zones(self.record(12.0, 0.5), Response()) == ()
