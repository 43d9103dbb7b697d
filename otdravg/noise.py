"""How uncertain one point of a shot is, and how much neighbours share.

Two sources are told apart by how they depend on the level:

* receiver noise, white in linear power, so that in dB it grows as the level falls:
  σ_dB = (5/ln 10)·σ_P/P;
* coherence ripple (fading) and quantisation, constant in dB.

Each has its own correlation between neighbouring points (receiver bandwidth, the
maker's smoothing, the pulse), so N points are not N independent readings. What counts
for a fitted line is the long-run variance: the variance of a mean of N points tends to
``long_run / N``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, optimize

__all__ = ["DB_PER_RELATIVE_POWER", "NoiseModel", "linear_power", "noise_from_residuals", "rough_noise"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: d(5·log10 P)/d(ln P): a relative power change of 1 % is 0.0217 dB one way.
DB_PER_RELATIVE_POWER = 5.0 / np.log(10.0)

#: Median of a squared standard normal variable; turns a median of squares into a variance.
MEDIAN_OF_SQUARE = 0.4549364


def linear_power(level_db: FloatArray) -> FloatArray:
    """Return linear power relative to the 0 dB level, 10^(level/5), same shape."""
    return np.exp(level_db / DB_PER_RELATIVE_POWER)


@dataclass(frozen=True, slots=True)
class NoiseModel:
    """Variance of a point as a function of its level: constant + receiver / P².

    All in dB² (one way). ``…_db2`` is per point, ``…_long_run_db2`` the variance that a
    mean over N ≫ 1 points has, times N. Receiver values are at level 0 dB (P = 1).
    """

    constant_db2: float
    receiver_db2: float
    constant_long_run_db2: float
    receiver_long_run_db2: float

    def variance_db2(self, level_db: FloatArray) -> FloatArray:
        """Variance of single points at the given noise-free level, dB²."""
        return self.constant_db2 + self.receiver_db2 * np.exp(
            level_db * (-2 / DB_PER_RELATIVE_POWER)
        )

    def long_run_db2(self, level_db: FloatArray) -> FloatArray:
        """Long-run variance per point at the given noise-free level, dB²."""
        return self.constant_long_run_db2 + self.receiver_long_run_db2 * np.exp(
            level_db * (-2 / DB_PER_RELATIVE_POWER)
        )

    @property
    def correlation_points(self) -> float:
        """Number of points that count as one reading, the larger of the two sources."""
        ratios = [
            long_run / short
            for long_run, short in (
                (self.constant_long_run_db2, self.constant_db2),
                (self.receiver_long_run_db2, self.receiver_db2),
            )
            if short > 0
        ]
        return max(ratios, default=1.0)

    @property
    def receiver_sigma_power(self) -> float:
        """Standard deviation of receiver noise in linear power, relative to level 0 dB."""
        return float(np.sqrt(self.receiver_db2) / DB_PER_RELATIVE_POWER)


def rough_noise(
    level_db: FloatArray, usable: BoolArray, lag: int, quantum_db: float
) -> NoiseModel:
    """Estimate noise before any event is known, from second differences.

    Parameters
    ----------
    level_db : array, shape (n,)
        Levels of cells (means over a few points) along the fibre.
    usable : array of bool, shape (n,)
        Cells that carry fibre signal outside reflections.
    lag : int
        Distance of the differenced cells, about a pulse, so that they are independent.
    quantum_db : float
        Quantisation step of the cells' points.

    Notes
    -----
    y[i−lag] − 2·y[i] + y[i+lag] has no mean on a straight line and six times the variance
    of a cell. Medians keep the few differences that straddle a splice from counting.
    """
    floor = quantum_db**2 / 12
    good = usable[lag:-lag] & usable[: -2 * lag] & usable[2 * lag :]
    middle = level_db[lag:-lag]
    squares = (level_db[: -2 * lag] - 2 * middle + level_db[2 * lag :]) ** 2 / 6
    squares, middle = squares[good], middle[good]
    if squares.size < 8:
        return NoiseModel(floor, 0.0, floor, 0.0)
    order = np.argsort(middle)
    groups = np.array_split(order, int(np.clip(squares.size // 40, 1, 24)))
    inverse_power_2 = np.array(
        [np.mean(np.exp(middle[g] * (-2 / DB_PER_RELATIVE_POWER))) for g in groups]
    )
    variance = np.array([np.median(squares[g]) for g in groups]) / MEDIAN_OF_SQUARE
    variance = np.maximum(variance, floor)
    design = np.column_stack([np.ones_like(variance), inverse_power_2]) / variance[:, None]
    scale = np.linalg.norm(design, axis=0)
    solution, _ = optimize.nnls(design / scale, np.ones_like(variance))
    constant, receiver = solution / scale
    constant = max(constant, floor)
    return NoiseModel(constant, receiver, constant, receiver)


def noise_from_residuals(
    residual_db: FloatArray,
    level_db: FloatArray,
    usable: BoolArray,
    *,
    max_lag: int,
    quantum_db: float,
    parameters: int,
    start: NoiseModel,
) -> NoiseModel:
    """Estimate variance and correlation of both sources from the residuals of a fit.

    Parameters
    ----------
    residual_db, level_db : array, shape (n,)
        Residuals of equally spaced points and the fitted level there.
    usable : array of bool, shape (n,)
        Points that took part in the fit.
    max_lag : int
        Longest correlation looked for, in points (somewhat more than a pulse).
    quantum_db : float
        Quantisation step, a floor for the constant part.
    parameters : int
        Number of fitted parameters; residuals are that much too small.
    start : NoiseModel
        Weights to begin with.

    Notes
    -----
    At each lag k the products r[i]·r[i+k] are regressed, weighted by 1/(σ²[i]·σ²[i+k]), on
    1 and 1/(P[i]·P[i+k]): the two autocovariances. All sums are autocorrelations and come
    from one FFT each. The long-run variance adds the lags up to the first that is not
    significantly positive.
    """
    floor = quantum_db**2 / 12
    count = int(np.count_nonzero(usable))
    if count < 16 or count <= 2 * parameters:
        return start
    inverse_power = np.exp(np.where(usable, level_db, 0.0) * (-1 / DB_PER_RELATIVE_POWER))
    variance = start.variance_db2(np.where(usable, level_db, 0.0))
    weight = usable / variance
    sigma = np.sqrt(variance)
    residual = np.where(usable, np.clip(residual_db, -5 * sigma, 5 * sigma), 0.0)
    max_lag = int(min(max_lag, residual.size // 4))
    reference = float(np.median(inverse_power[usable]))
    q = inverse_power / reference
    parts = np.stack(
        [weight, weight * q, weight * q * q, weight * residual, weight * q * residual]
    )
    size = fft.next_fast_len(residual.size + max_lag + 1, real=True)
    spectrum = fft.rfft(parts, size, axis=1)
    acf = fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=1)[:, : max_lag + 1]
    n11, n12, n22 = acf[0], acf[1], acf[2]
    r1, r2 = acf[3], acf[4]
    freedom = count / (count - parameters)

    # Lag 0: both variances, neither negative.
    design = np.array([[n11[0], n12[0]], [n12[0], n22[0]]])
    level_range = n11[0] * n22[0] / n12[0] ** 2
    if level_range < 1.002:
        # One level throughout: the sources cannot be told apart and need not be.
        constant0, receiver0 = r1[0] / n11[0], 0.0
    else:
        root = np.linalg.cholesky(design)
        solution, _ = optimize.nnls(root.T, np.linalg.solve(root, np.array([r1[0], r2[0]])))
        constant0, receiver0 = float(solution[0]), float(solution[1])

    use_both = constant0 > 0 and receiver0 > 0
    if use_both:
        det = n11 * n22 - n12**2
        with np.errstate(invalid="ignore", divide="ignore"):
            constant = (n22 * r1 - n12 * r2) / det
            receiver = (n11 * r2 - n12 * r1) / det
            se_constant = np.sqrt(n22 / det)
            se_receiver = np.sqrt(n11 / det)
    else:
        with np.errstate(invalid="ignore", divide="ignore"):
            constant, se_constant = r1 / n11, np.sqrt(1 / n11)
            receiver, se_receiver = r2 / n22, np.sqrt(1 / n22)
    constant_sum = _long_run(constant0, constant, se_constant) if constant0 > 0 else 0.0
    receiver_sum = _long_run(receiver0, receiver, se_receiver) if receiver0 > 0 else 0.0
    per_section = max(count / max(parameters, 1), 1.0)

    def widened(long_run: float, short: float) -> float:
        # Lines fitted through short sections also swallow slow noise.
        if short <= 0:
            return 0.0
        return long_run * (1 + min(long_run / short / per_section, 1.0))

    return NoiseModel(
        constant_db2=max(constant0 * freedom, floor),
        receiver_db2=receiver0 * freedom / reference**2,
        constant_long_run_db2=max(widened(constant_sum * freedom, constant0), floor),
        receiver_long_run_db2=widened(receiver_sum * freedom, receiver0) / reference**2,
    )


def _long_run(lag0: float, lags: FloatArray, standard_error: FloatArray) -> float:
    """Sum an autocovariance up to its first lag that is not significantly positive."""
    quiet = np.flatnonzero(~(lags[1:] > 1.5 * standard_error[1:]))
    stop = int(quiet[0]) + 1 if quiet.size else lags.size
    return float(max(lag0 + 2 * np.sum(lags[1:stop]), 0.25 * lag0))
