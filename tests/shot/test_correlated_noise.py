"""Noise of known correlation, by statsmodels: the estimate of variance and of long-run variance.

The long-run variance is what the mean of N ≫ 1 points has, times N. For x[i] = Σ ψ[k]·e[i−k] it is
σ²·(Σψ)²: (1 + Σθ)²σ² for a moving average, σ²/(1 − φ)² for an autoregression (derived; Hamilton,
*Time Series Analysis*, 1994, chapter 7, from memory).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from noise_about_a_line import noise_about_a_line
from statsmodels.tsa.arima_process import ArmaProcess

from otdravg.shot.noise import DB_PER_RELATIVE_POWER, NoiseModel, Rounding

FloatArray = npt.NDArray[np.float64]

POINTS = 20_000
#: A fibre that falls by 8 dB: receiver noise grows forty times in dB from end to end.
LEVEL_DB = np.linspace(-2.0, -10.0, POINTS)
START = NoiseModel(1e-6, 1e-9, 1e-6, 1e-9)
FLOOR_DB2 = 0.001**2 / 12
ROUNDING = Rounding(FLOOR_DB2, FLOOR_DB2)


def estimated(
    residual_db: FloatArray,
    windows: tuple[int, ...],
    *,
    level_db: FloatArray = LEVEL_DB,
    usable: npt.NDArray[np.bool_] | None = None,
    pieces: int = 1,
    start: NoiseModel = START,
    rounds: int = 4,
    **how: float,
) -> NoiseModel:
    """Estimate as the detector does: again with the weights that the last estimate gives."""
    for _ in range(rounds):
        start = noise_about_a_line(
            residual_db, level_db, usable=usable, windows=windows, rounding=ROUNDING, start=start,
            pieces=pieces, **how,
        )  # fmt: skip
    return start


def steady(ar: list[float], ma: list[float], sigma_db: float, seed: int) -> FloatArray:
    """Noise that is constant in dB, with the coefficients φ and θ of its process."""
    process = ArmaProcess(np.r_[1, -np.array(ar)], np.r_[1, np.array(ma)])
    rng = np.random.default_rng(seed)
    return np.asarray(
        process.generate_sample(POINTS, sigma_db, distrvs=rng.standard_normal, burnin=200)
    )


def receiver(noise: FloatArray) -> FloatArray:
    """The same noise in linear power: in dB it grows as the level falls, 1 at level 0 dB."""
    return noise * np.exp(-LEVEL_DB / DB_PER_RELATIVE_POWER)


def long_run(ar: list[float], ma: list[float], sigma_db: float) -> float:
    return float((sigma_db * (1 + sum(ma)) / (1 - sum(ar))) ** 2)


#: φ, θ, windows that reach over the correlation, and how well ten shots know the result.
PROCESSES = [
    ([], [], (3, 10), 0.12),
    ([0.5], [], (4, 12), 0.12),
    ([0.8], [], (10, 30), 0.15),
    ([], [1.0, 1.0, 1.0, 1.0], (5, 12), 0.12),  # the maker's smoothing over five points
    ([], [0.6, 0.3], (3, 9), 0.12),
]


@pytest.mark.parametrize(("ar", "ma", "windows", "within"), PROCESSES)
def test_ripple_of_known_correlation(
    ar: list[float], ma: list[float], windows: tuple[int, ...], within: float
) -> None:
    found = [estimated(steady(ar, ma, 0.01, seed), windows) for seed in range(10)]
    variance = ArmaProcess(np.r_[1, -np.array(ar)], np.r_[1, np.array(ma)]).acovf(1)[0] * 1e-4
    assert np.mean([n.constant_db2 for n in found]) == pytest.approx(variance, rel=0.04)
    whole = np.mean([n.constant_long_run_db2 for n in found])
    assert whole == pytest.approx(long_run(ar, ma, 0.01), rel=within)
    # None of it is taken for receiver noise, which at the far end would be as large as any.
    far = np.exp(-2 * LEVEL_DB[-1] / DB_PER_RELATIVE_POWER)
    assert np.mean([n.receiver_db2 for n in found]) * far < 0.1 * variance


@pytest.mark.parametrize(("ar", "ma", "windows", "within"), PROCESSES)
def test_receiver_noise_of_known_correlation(
    ar: list[float], ma: list[float], windows: tuple[int, ...], within: float
) -> None:
    found = [estimated(receiver(steady(ar, ma, 0.001, seed)), windows) for seed in range(20, 30)]
    variance = ArmaProcess(np.r_[1, -np.array(ar)], np.r_[1, np.array(ma)]).acovf(1)[0] * 1e-6
    assert np.mean([n.receiver_db2 for n in found]) == pytest.approx(variance, rel=0.05)
    whole = np.mean([n.receiver_long_run_db2 for n in found])
    assert whole == pytest.approx(long_run(ar, ma, 0.001), rel=within)
    # None of it is taken for ripple, which at the near end would be as large as any.
    near = variance * np.exp(-2 * LEVEL_DB[0] / DB_PER_RELATIVE_POWER)
    assert np.mean([n.constant_db2 for n in found]) < 0.2 * near


def test_two_sources_with_correlations_of_their_own_are_told_apart() -> None:
    found = [
        estimated(steady([0.8], [], 0.003, s) + receiver(steady([], [], 3e-4, s + 50)), (10, 30))
        for s in range(10)
    ]
    assert np.mean([n.constant_db2 for n in found]) == pytest.approx(9e-6 / (1 - 0.64), rel=0.1)
    assert np.mean([n.receiver_db2 for n in found]) == pytest.approx(9e-8, rel=0.1)
    assert np.mean([n.constant_long_run_db2 for n in found]) == pytest.approx(9e-6 * 25, rel=0.25)
    assert np.mean([n.receiver_long_run_db2 for n in found]) == pytest.approx(9e-8, rel=0.8)


def test_noise_that_alternates_is_not_said_to_average_out_better_than_white_noise() -> None:
    # φ = −0.5: σ²/(1 + 0.5)² is less than the variance of a point. The larger is stated: cautious.
    found = [estimated(steady([-0.5], [], 0.01, seed), (3, 10)) for seed in range(5)]
    for noise in found:
        assert noise.constant_long_run_db2 > 0.95 * noise.constant_db2
        assert noise.constant_long_run_db2 < 1.1 * noise.constant_db2


@pytest.mark.parametrize("pieces", [1, 3, 7])
def test_what_a_fit_has_swallowed_is_given_back(pieces: int) -> None:
    # s² = Σr²/(n − p) is unbiased for a fit with p parameters (textbook). 300 fits of 60 points
    # know it to 1 %.
    rng = np.random.default_rng(pieces)
    columns = np.polynomial.legendre.legvander(np.linspace(-1, 1, 60), 2 * pieces - 1)
    hat = columns @ np.linalg.pinv(columns)
    noise = 0.01 * rng.standard_normal((300, 60))
    level = np.full(60, -3.0)
    found = [
        estimated(r, (1,), level_db=level, pieces=pieces, rounds=1,
                  start=NoiseModel(1e-4, 0.0, 1e-4, 0.0))
        for r in noise - noise @ hat
    ]  # fmt: skip
    assert np.mean([n.variance_db2(level[:1]) for n in found]) == pytest.approx(1e-4, rel=0.05)


def of_few(points: int, pieces: int) -> NoiseModel:
    residual = np.random.default_rng(1).standard_normal(points)
    return estimated(residual, (2,), level_db=np.full(points, -3.0), pieces=pieces)


@pytest.mark.parametrize(("points", "pieces"), [(15, 1), (40, 10)])
def test_too_few_points_say_nothing(points: int, pieces: int) -> None:
    assert of_few(points, pieces) == START


@pytest.mark.parametrize(("points", "pieces"), [(16, 1), (41, 10)])
def test_just_enough_points_say_something(points: int, pieces: int) -> None:
    assert of_few(points, pieces) != START


def test_points_of_which_none_is_used_say_nothing() -> None:
    none = np.zeros(200, dtype=bool)
    assert estimated(np.ones(200), (2,), level_db=np.full(200, -3.0), usable=none) == START


def test_points_that_are_not_used_have_no_say() -> None:
    # A reflection in every tenth stretch of 200 points, and nonsense powers there.
    noise = steady([0.5], [], 0.01, 3)
    usable = (np.arange(POINTS) // 200) % 10 != 0
    wild, none = (np.where(usable, noise, other) for other in (17.0, 0.0))
    found = estimated(wild, (4, 12), usable=usable)
    assert found == estimated(none, (4, 12), usable=usable)


@pytest.mark.parametrize(("length", "window"), [(40, 20), (40, 5), (12, 30), (1, 4)])
def test_stretches_have_ends_and_what_they_share_counts_in_full(length: int, window: int) -> None:
    # One offset per stretch: all lags within a stretch have the same covariance σ², so the sum
    # over lags from −w to w is (2w + 1)·σ², though near its ends a point has fewer neighbours.
    usable = np.arange(POINTS) % 80 < length
    found = []
    for seed in range(10):
        offsets = 0.01 * np.random.default_rng(seed).standard_normal(POINTS // 80)
        residual = np.where(usable, np.repeat(offsets, 80), 0.0)
        found.append(estimated(residual, (window,), usable=usable, level_db=np.full(POINTS, -3.0)))
    of_points = np.mean([n.variance_db2(np.array([-3.0])) for n in found])
    over_window = np.mean([n.long_run_db2(np.array([-3.0])) for n in found])
    assert of_points == pytest.approx(1e-4, rel=0.1)
    assert over_window == pytest.approx((2 * window + 1) * 1e-4, rel=0.12)


def test_gaps_between_short_stretches_do_not_dilute_the_correlation() -> None:
    # Ten points share their noise, stretches have forty. What the ends miss is made up for as if
    # all lags had lost alike: too much where near lags share most, which is cautious.
    usable = np.arange(POINTS) % 80 < 40
    found = [
        estimated(np.where(usable, steady([], [1.0] * 9, 0.01, seed), 0.0), (20,), usable=usable)
        for seed in range(20)
    ]
    assert np.mean([n.constant_db2 for n in found]) == pytest.approx(10e-4, rel=0.05)
    whole = np.mean([n.constant_long_run_db2 for n in found])
    assert 0.95 < whole / long_run([], [1.0] * 9, 0.01) < 1.4


def test_a_spike_counts_as_five_sigma_and_no_more() -> None:
    # E[min(z², 25)] of a normal variable is 1 to 1e-5: clipping costs nothing. One point in a
    # hundred at 50 σ would make 26 of the variance, clipped it makes 1.24.
    noise = steady([], [], 0.01, 4)
    noise[::100] = 0.5
    found = noise_about_a_line(
        noise, LEVEL_DB, windows=(3,), rounding=ROUNDING, start=NoiseModel(1e-4, 0.0, 1e-4, 0.0)
    )
    assert found.variance_db2(LEVEL_DB[:1])[0] == pytest.approx(1.24e-4, rel=0.1)


def test_a_noiseless_shot_has_the_noise_of_its_quantum() -> None:
    found = estimated(np.zeros(POINTS), (3, 10))
    assert found.constant_db2 == pytest.approx(FLOOR_DB2)  # GUM 4.3.7: q²/12
    assert found.constant_long_run_db2 == pytest.approx(FLOOR_DB2)
    # Powers are known to the rounding of a double: 2e-16 of a level of 2 dB.
    assert max(found.receiver_db2, found.receiver_long_run_db2) < 1e-30


class TestNoiseBehindTheFibre:
    """Along a short fibre the level hardly changes: the tail alone tells the two sources apart."""

    LEVEL_DB = np.full(4000, -5.0)

    def found(self, tail_db2: float | None, **how: float) -> NoiseModel:
        rng = np.random.default_rng(5)
        # At −5 dB the power is a tenth: a receiver variance of 1e-6 makes 1e-4 there.
        noise = 0.01 * rng.standard_normal(4000) + 0.01 * rng.standard_normal(4000)
        return estimated(noise, (2,), level_db=self.LEVEL_DB, tail_db2=tail_db2, **how)

    def test_with_it_both_sources_are_as_they_were_made(self) -> None:
        found = self.found(1e-6)
        assert found.receiver_db2 == pytest.approx(1e-6, rel=0.1)
        assert found.constant_db2 == pytest.approx(1e-4, rel=0.15)

    def test_it_may_be_wrong_by_its_trust_and_the_sum_still_stands(self) -> None:
        for tail_db2 in (0.85e-6, 1.15e-6):
            found = self.found(tail_db2)
            assert found.receiver_db2 == pytest.approx(tail_db2, rel=0.1)
            assert found.variance_db2(self.LEVEL_DB[:1])[0] == pytest.approx(2e-4, rel=0.1)

    def test_more_of_it_than_there_is_noise_leaves_no_ripple(self) -> None:
        found = self.found(5e-6)
        assert found.constant_db2 == pytest.approx(FLOOR_DB2)

    @pytest.mark.parametrize("nothing", [None, 0.0])
    def test_without_it_the_sum_is_all_that_is_known(self, nothing: float | None) -> None:
        found = self.found(nothing)
        assert found.variance_db2(self.LEVEL_DB[:1])[0] == pytest.approx(2e-4, rel=0.1)

    def test_smoothing_makes_the_tails_noise_that_much_larger_over_a_run(self) -> None:
        # Smoothing over four points: the long-run variance is four times the variance (derived).
        rng = np.random.default_rng(6)
        smooth = np.convolve(rng.standard_normal(4003), np.full(4, 0.5), "valid")  # variance 1
        found = estimated(0.01 * smooth, (4, 8), level_db=self.LEVEL_DB, tail_db2=1e-6, smoothing=4)
        assert found.receiver_db2 == pytest.approx(1e-6, rel=0.1)
        assert found.receiver_long_run_db2 == pytest.approx(4e-6, rel=0.2)


@pytest.mark.parametrize("tail_db2", [None, 1e-8, 4e-8])
def test_both_variances_are_a_weighted_regression_of_the_squares(tail_db2: float | None) -> None:
    # r² has the mean c + d/P² and the variance 2σ⁴; what the tail tells of d is one more value,
    # known to 15 %. Solved here by weighted least squares of statsmodels.
    level = np.linspace(-2.0, -8.0, 400)
    inverse_square = np.exp(-2 * level / DB_PER_RELATIVE_POWER)
    start = NoiseModel(3e-5, 2e-8, 3e-5, 2e-8)
    variance = start.constant_db2 + start.receiver_db2 * inverse_square
    residual = np.sqrt(variance) * np.random.default_rng(8).standard_normal(400)
    rows = np.column_stack([np.ones(400), inverse_square])
    squares, weights = residual**2, 1 / (2 * variance**2)
    if tail_db2 is not None:
        rows = np.vstack([rows, [0.0, 1.0]])
        squares, weights = np.append(squares, tail_db2), np.append(weights, (0.15 * tail_db2) ** -2)
    constant, receiver = sm.WLS(squares, rows, weights=weights).fit().params
    assert min(constant, receiver) > 0
    found = estimated(residual, (1,), level_db=level, start=start, rounds=1, tail_db2=tail_db2)
    freedom = 400 / 398
    assert found.constant_db2 == pytest.approx(constant * freedom, rel=1e-6)
    assert found.receiver_db2 == pytest.approx(receiver * freedom, rel=1e-6)


@pytest.mark.parametrize("points", [2000, 20_000, 70_000])
def test_a_splice_that_the_model_leaves_out_does_not_make_a_shot_noisy(points: int) -> None:
    # Sixty points in a row are off by ten sigmas: clipped at five they would make up the long-run
    # variance of 2000 points ten times over (60²·5²/2000 = 45 σ², arithmetic).
    level, start = np.full(points, -3.0), NoiseModel(1e-4, 0.0, 1e-4, 0.0)
    quiet = 0.01 * np.random.default_rng(9).standard_normal(points)
    disturbed = quiet.copy()
    disturbed[points // 2 : points // 2 + 60] += 0.1
    both = [
        estimated(r, (5, 20), level_db=level, start=start, rounds=2) for r in (quiet, disturbed)
    ]
    of_points = [float(n.variance_db2(level[:1])[0]) for n in both]
    over_window = [float(n.long_run_db2(level[:1])[0]) for n in both]
    assert of_points[1] == pytest.approx(of_points[0], rel=0.15)
    assert over_window[1] == pytest.approx(over_window[0], rel=0.5)
    assert of_points[0] == pytest.approx(1e-4, rel=0.1)


@pytest.mark.parametrize("points", [17_000, 19_000, 120_000])
def test_long_records_are_as_well_known_by_their_spread_out_stretches(points: int) -> None:
    # Ten points share their noise: 10 σ₀² for a point, 100 σ₀² in the long run (derived).
    found = []
    for seed in range(5):
        white = np.random.default_rng(seed).standard_normal(points + 9)
        smooth = 0.01 * np.convolve(white, np.ones(10), "valid")
        level = np.linspace(-2.0, -10.0, points)
        found.append(estimated(smooth, (10, 20), level_db=level))
    assert np.mean([n.constant_db2 for n in found]) == pytest.approx(1e-3, rel=0.06)
    assert np.mean([n.constant_long_run_db2 for n in found]) == pytest.approx(1e-2, rel=0.15)


def test_windows_longer_than_a_quarter_of_the_record_are_cut_to_it() -> None:
    noise = steady([0.5], [], 0.01, 7)[:400]
    level = LEVEL_DB[:400]
    assert estimated(noise, (5000,), level_db=level) == estimated(noise, (100,), level_db=level)


def test_receiver_sigma_is_that_of_the_power() -> None:
    # dB = 5·log10 P: a small change of the power by σ at P = 1 is 5/ln 10·σ dB.
    model = NoiseModel(0.0, (5 / math.log(10) * 1e-3) ** 2, 0.0, 0.0)
    assert model.receiver_sigma_power == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("model", "points"),
    [
        (NoiseModel(1.0, 1.0, 3.0, 5.0), 5.0),  # the larger of both
        (NoiseModel(1.0, 2.0, 4.0, 2.0), 4.0),
        (NoiseModel(1.0, 0.0, 2.0, 7.0), 2.0),  # a source that is not there has no correlation
        (NoiseModel(0.0, 0.0, 0.0, 0.0), 1.0),
    ],
)
def test_so_many_points_count_as_one_reading(model: NoiseModel, points: float) -> None:
    assert model.correlation_points == points
