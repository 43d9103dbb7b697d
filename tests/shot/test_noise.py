"""The noise model against simulated noise of known variance and known correlation."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from making import INDEX, instrument, shot, span
from noise_about_a_line import noise_about_a_line
from scipy.ndimage import uniform_filter1d
from simulated import Instrument

from otdravg.shot.detect import detect
from otdravg.shot.noise import (
    DB_PER_RELATIVE_POWER,
    NoiseModel,
    Rounding,
    linear_power,
    rough_noise,
)
from otdravg.shot.shot import Shot

FloatArray = npt.NDArray[np.float64]

#: One step of the file's levels, dB; its rounding error has the variance q²/12.
QUANTUM_DB = 0.001
ROUNDING = Rounding(QUANTUM_DB**2 / 12, QUANTUM_DB**2 / 12)
QUANTUM_DB2 = QUANTUM_DB**2 / 12
#: Noise-free levels along 12 km at 0.2 dB/km, 1 m apart.
LEVEL_DB = np.linspace(-2.0, -4.4, 12_000)


def estimated(residual_db: FloatArray, windows: tuple[int, ...]) -> NoiseModel:
    start = NoiseModel(1e-6, 1e-6, 1e-6, 1e-6)
    for _ in range(3):
        start = noise_about_a_line(
            residual_db, LEVEL_DB, windows=windows, rounding=ROUNDING, start=start
        )
    return start


def test_decibels_per_relative_power() -> None:
    # d(5·log10 P)/d ln P = 5/ln 10 = 2.171 dB (arithmetic).
    step = 5 * math.log10(1.0001)
    assert step / math.log(1.0001) == pytest.approx(DB_PER_RELATIVE_POWER, rel=1e-12)
    assert linear_power(np.array([0.0, -5.0, -10.0])) == pytest.approx([1, 0.1, 0.01])


def test_variance_follows_the_level_as_a_numerical_derivative_says() -> None:
    # σ_dB = (5/ln 10)·σ_P/P: shift the power by a little and read the shift in dB.
    sigma_power, level = 1e-6, np.array([-1.0, -3.0, -8.0])
    model = NoiseModel(0.0, (DB_PER_RELATIVE_POWER * sigma_power) ** 2, 0.0, 0.0)
    power = 10 ** (level / 5)
    shifted = 5 * np.log10(power + sigma_power) - level
    assert np.sqrt(model.variance_db2(level)) == pytest.approx(shifted, rel=1e-4)
    assert model.receiver_sigma_power == pytest.approx(sigma_power)


def test_white_receiver_noise_is_found_and_not_correlated() -> None:
    rng = np.random.default_rng(1)
    sigma = 1e-3 * 10 ** (-LEVEL_DB / 5) * DB_PER_RELATIVE_POWER
    noise = estimated(sigma * rng.standard_normal(LEVEL_DB.size), (1, 5, 10))
    # 12 000 independent squares know a variance to 1.3 %; the long run has 21 lags of scatter.
    assert noise.variance_db2(LEVEL_DB) == pytest.approx(sigma**2, rel=0.08)
    ratio = noise.long_run_db2(LEVEL_DB) / sigma**2
    assert ratio.min() > 0.9
    assert ratio.max() < 1.4


@pytest.mark.parametrize("points", [3, 7])
def test_moving_average_multiplies_the_long_run_variance_by_its_width(points: int) -> None:
    # The mean of N ≫ m averages of m points has the variance σ²·m/N, with σ² = σ₀²/m (derived).
    rng = np.random.default_rng(2)
    averaged = uniform_filter1d(0.02 * rng.standard_normal(LEVEL_DB.size), points)
    noise = estimated(averaged, (points, 2 * points))
    middle = LEVEL_DB[6000:6001]
    assert noise.variance_db2(middle)[0] == pytest.approx(0.02**2 / points, rel=0.1)
    assert noise.long_run_db2(middle)[0] == pytest.approx(0.02**2, rel=0.25)


def test_quantisation_is_a_floor_under_a_noiseless_shot() -> None:
    noise = estimated(np.zeros(LEVEL_DB.size), (1, 5))
    assert noise.constant_db2 == pytest.approx(QUANTUM_DB2)
    assert noise.constant_long_run_db2 == pytest.approx(QUANTUM_DB2)


def test_rough_noise_is_blind_to_slope_and_to_a_splice() -> None:
    rng = np.random.default_rng(3)
    level = LEVEL_DB - 0.5 * (np.arange(LEVEL_DB.size) > 7000)
    level = level + 0.004 * rng.standard_normal(level.size)
    noise = rough_noise(level, slice(0, level.size), np.zeros(0, dtype=int), 15, ROUNDING)
    assert np.sqrt(noise.variance_db2(LEVEL_DB)) == pytest.approx(0.004, rel=0.15)


# Through a whole shot


def found(
    tool: Instrument, seed: int, far_noise_db: float = 0.01, length_m: float = 12_000
) -> Shot:
    glass = span([length_m], [])
    return detect(shot(glass, tool, seed, far_noise_db=far_noise_db), INDEX).shot


def far_level(shot_found: Shot) -> FloatArray:
    """Give the noise-free level at the far end, from a line through the last third."""
    end = int(0.97 * shot_found.end)
    here = slice(int(0.66 * end), end)
    x = np.arange(here.start, here.stop)
    line = np.polynomial.Polynomial.fit(x, shot_found.trace.level_db[here], 1)
    return np.array([line(12_000 / shot_found.spacing_m)])


@pytest.mark.parametrize("seed", range(3))
def test_noise_of_a_shot_at_its_far_end(seed: int) -> None:
    noisy = found(instrument(ripple_db=0.0), seed)
    sigma = np.sqrt(noisy.noise.variance_db2(far_level(noisy)))[0]
    assert sigma == pytest.approx(0.01, rel=0.05)
    assert noisy.noise.long_run_db2(far_level(noisy))[0] == pytest.approx(0.01**2, rel=0.35)


@pytest.mark.parametrize("seed", range(3))
def test_makers_smoothing_is_in_the_long_run_variance_of_a_shot(seed: int) -> None:
    noisy = found(instrument(ripple_db=0.0, smoothing_points=5), 10 + seed)
    assert noisy.smoothing == 5
    long_run = noisy.noise.long_run_db2(far_level(noisy))[0]
    assert long_run == pytest.approx(5 * 0.01**2, rel=0.35)


def test_ripple_is_correlated_over_the_pulse() -> None:
    # A ripple with a triangular correlation one pulse each way has the long-run variance
    # σ²·pulse points (derived: the area of the triangle). One shot holds few independent
    # ripples (12 km of 51 m), so the mean of several is compared.
    ratios = []
    for seed in range(6):
        noisy = found(instrument(500, 2.0, ripple_db=0.004), 20 + seed, far_noise_db=0.001)
        pulse_points = noisy.pulse_m / noisy.spacing_m
        assert np.sqrt(noisy.noise.constant_db2) == pytest.approx(0.004, rel=0.25)
        ratios.append(noisy.noise.constant_long_run_db2 / (0.004**2 * pulse_points))
    assert np.mean(ratios) == pytest.approx(1, rel=0.3)
    assert min(ratios) > 0.5
