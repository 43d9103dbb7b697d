"""Robust fits and rank tests: bad splices must not bend the picture of the good ones.

Splice losses are skewed, with a few large ones. Ranked within its own ribbon, a fibre's
loss is as likely to come first as last if positions do not matter, whatever that shape.

References
----------
.. [1] P. J. Huber, *Robust Statistics*, Wiley 1981: M-estimates and their covariance
   (equation 6.5, p. 173: the "H1" form).
.. [2] S. Holm, "A simple sequentially rejective multiple test procedure", Scandinavian
   Journal of Statistics 6 (1979).
.. [3] M. Friedman, "The use of ranks to avoid the assumption of normality implicit in the
   analysis of variance", Journal of the American Statistical Association 32 (1937).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: Huber's constant: 95 % as efficient as least squares where the errors are normal.
_TURN = 1.345
#: Median absolute deviation to standard deviation, for normal errors.
_MAD = 0.6744897501960817
#: Readings are reported to 0.001 dB: no scatter is smaller than its rounding.
_LEAST_SCALE_DB = 3e-4
_ROUNDS = 200
#: Share of the largest eigenvalue below which one is nought.
_SINGULAR = 1e-10
_SETTLED = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class TwoWay:
    """y = overall + row + column + rest, rows and columns each summing to zero.

    Effects are NaN for a row or column without any value. The covariances hold for contrasts,
    whose weights sum to zero.
    """

    overall: float
    rows: FloatArray
    columns: FloatArray
    cov_rows: FloatArray
    cov_columns: FloatArray
    residuals: FloatArray  # like y, NaN where y is
    scale: float  # of the residuals, corrected for the fitted effects
    freedom: int  # values less fitted effects; 0 or less: nothing can be said


@dataclass(frozen=True, slots=True)
class Line:
    """Slope of a robust straight line with its standard uncertainty."""

    slope: float
    u_slope: float
    freedom: int


def contrast(weights: FloatArray, effects: FloatArray, cov: FloatArray) -> tuple[float, float]:
    """Return Σ w·effect and its standard uncertainty; weights sum to zero."""
    used = weights != 0
    value = float(weights[used] @ effects[used])
    return value, float(np.sqrt(max(float(weights @ cov @ weights), 0.0)))


def robust_two_way(y: FloatArray) -> TwoWay:
    """Fit rows and columns of a table by Huber's M-estimate.

    Parameters
    ----------
    y : ndarray, shape (rows, columns)
        Values in dB, NaN where there is none.

    Notes
    -----
    Iterated weighted least squares; the scale is the residuals' median absolute value over
    0.6745, renewed in every round. The covariance is Huber's H1 [1]_.
    """
    there = np.isfinite(y)
    used_rows = np.asarray(there.any(axis=1))
    used_columns = np.asarray(there.any(axis=0))
    table = y[np.ix_(used_rows, used_columns)]
    mask = np.isfinite(table)
    values = np.where(mask, table, 0.0)
    count = int(mask.sum())
    fitted = sum(table.shape) - 1
    weights = mask.astype(float)
    rows, columns = _weighted_two_way(values, weights)
    scale = _LEAST_SCALE_DB
    for _ in range(_ROUNDS):
        residuals = values - rows[:, None] - columns
        scale = _scale(residuals[mask])
        weights = mask * _huber_weights(residuals / scale)
        new_rows, new_columns = _weighted_two_way(values, weights)
        moved = max(np.abs(new_rows - rows).max(), np.abs(new_columns - columns).max())
        rows, columns = new_rows, new_columns
        if moved < _SETTLED:
            break
    residuals = values - rows[:, None] - columns
    freedom = count - fitted
    plain = mask.astype(float)
    factor = _h1_factor(residuals[mask] / scale, scale, fitted) if freedom > 0 else float("nan")
    full = np.full(y.shape, np.nan)
    full[np.ix_(used_rows, used_columns)] = np.where(mask, residuals, np.nan)
    return TwoWay(
        overall=float(rows.mean()),
        rows=_spread(rows - rows.mean(), used_rows),
        columns=_spread(columns, used_columns),
        cov_rows=_spread_square(factor * _inverse(_schur(plain.T)), used_rows),
        cov_columns=_spread_square(factor * _inverse(_schur(plain)), used_columns),
        residuals=full,
        scale=scale * float(np.sqrt(count / freedom)) if freedom > 0 else float("nan"),
        freedom=freedom,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Coefficients of a robust fit with their covariance."""

    values: FloatArray
    covariance: FloatArray  # of what the design tells; 0 or less freedom: NaN
    freedom: int


def robust_fit(design: FloatArray, y: FloatArray) -> Fit:
    """Fit a linear model by Huber's M-estimate; the same rules as :func:`robust_two_way`.

    Parameters
    ----------
    design : ndarray, shape (n, coefficients)
        May be short of rank: then the coefficients that it tells are told, and no others.
    y : ndarray, shape (n,)
        Finite values.
    """
    weights: FloatArray = np.ones_like(y)
    beta: FloatArray = np.zeros(design.shape[1])
    scale = _LEAST_SCALE_DB
    for _ in range(_ROUNDS):
        root = np.sqrt(weights)
        new, _, rank, _ = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)
        moved = float(np.abs(new - beta).max())
        beta = np.asarray(new, dtype=np.float64)
        scale = _scale(y - design @ beta)
        if moved < _SETTLED:
            break
        weights = _huber_weights((y - design @ beta) / scale)
    freedom = y.size - int(rank)
    if freedom <= 0:
        return Fit(beta, np.full(2 * beta.shape, np.nan), freedom)
    factor = _h1_factor((y - design @ beta) / scale, scale, int(rank))
    return Fit(beta, factor * _inverse(design.T @ design), freedom)


def robust_line(x: FloatArray, y: FloatArray) -> Line:
    """Fit a straight line (:func:`robust_fit`).

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Finite values, at least two different ``x``.
    """
    fit = robust_fit(np.column_stack([np.ones_like(x), x]), y)
    u_slope = float(np.sqrt(fit.covariance[1, 1])) if fit.freedom > 0 else float("inf")
    return Line(float(fit.values[1]), u_slope, fit.freedom)


def holm(p_values: Sequence[float]) -> FloatArray:
    """Adjust p-values so that the chance of any false alarm among them keeps its level [2]_."""
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    steps = np.minimum(p[order] * np.arange(p.size, 0, -1), 1.0)
    adjusted = np.empty_like(p)
    adjusted[order] = np.maximum.accumulate(steps)
    return adjusted


def _scale(residuals: FloatArray) -> float:
    return max(float(np.median(np.abs(residuals))) / _MAD, _LEAST_SCALE_DB)


def _huber_weights(r: FloatArray) -> FloatArray:
    size = np.abs(r)
    return np.where(size <= _TURN, 1.0, _TURN / np.maximum(size, _TURN))


def _h1_factor(r: FloatArray, scale: float, fitted: int) -> float:
    """Return what the inverse normal matrix is multiplied by, r being residual / scale."""
    inside = (np.abs(r) <= _TURN).astype(float)
    psi = np.clip(r, -_TURN, _TURN)
    mean = float(inside.mean())
    spread = 1 + fitted / r.size * float(inside.var()) / mean**2
    return spread**2 * float(np.sum(psi**2)) * scale**2 / (r.size - fitted) / mean**2


def _weighted_two_way(y: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weighted least squares of rows + columns, columns summing to zero: rows eliminated."""
    row_weight = w.sum(axis=1)
    right = (w * y).sum(axis=0) - w.T @ ((w * y).sum(axis=1) / row_weight)
    columns = _inverse(_schur(w)) @ right
    columns = columns - columns.mean()
    rows = (w * (y - columns)).sum(axis=1) / row_weight
    return rows, columns


def _schur(w: FloatArray) -> FloatArray:
    """Normal matrix of the columns with the rows eliminated."""
    return np.asarray(np.diag(w.sum(axis=0)) - w.T @ (w / w.sum(axis=1)[:, None]))


def _inverse(normal: FloatArray) -> FloatArray:
    """Invert a normal matrix that leaves a common shift of all effects open."""
    return np.asarray(np.linalg.pinv(normal, rcond=_SINGULAR, hermitian=True), dtype=np.float64)


def _spread(values: FloatArray, used: npt.NDArray[np.bool_]) -> FloatArray:
    full = np.full(used.size, np.nan)
    full[used] = values
    return full


def _spread_square(values: FloatArray, used: npt.NDArray[np.bool_]) -> FloatArray:
    full = np.zeros((used.size, used.size))
    full[np.ix_(used, used)] = values
    return full


#: Up to so many rows the distribution is computed exactly, beyond it is normal.
_EXACT_ROWS = 40


def ranks_in_rows(y: FloatArray) -> FloatArray:
    """Rank every row from 1 (smallest), ties shared, NaN kept.

    Parameters
    ----------
    y : ndarray, shape (rows, columns)
    """
    from scipy.stats import rankdata  # half a second: not every command asks for patterns

    return np.asarray(rankdata(y, axis=1, nan_policy="omit"), dtype=np.float64)


def rank_sum_chance(ranks: FloatArray, sizes: npt.NDArray[np.int_]) -> float:
    """Return the chance that ranks drawn by luck sum up to at least the given ones.

    Parameters
    ----------
    ranks : ndarray, shape (n,)
        Rank of one member in each of n rows.
    sizes : ndarray of int, shape (n,)
        How many members each row has.

    Notes
    -----
    Each rank is uniform on 1…size and independent of the others, as in Friedman's test [3]_.
    Up to 40 rows the sum's distribution is their exact convolution; beyond, the normal one
    with the same mean and variance, which is on the safe side since the true tails are
    lighter.
    """
    total = float(ranks.sum())
    if ranks.size > _EXACT_ROWS:
        mean = float(np.sum((sizes + 1) / 2))
        variance = float(np.sum((sizes**2 - 1) / 12))
        return 0.5 * math.erfc((total - 0.5 - mean) / math.sqrt(2 * variance))
    chances = np.ones(1)
    for size in sizes:
        chances = np.convolve(chances, np.full(size, 1 / size))
    # Entry i of the convolution is the sum n + i; a shared rank may make the total a half.
    first = math.ceil(total - ranks.size - 1e-9)
    return float(min(chances[max(first, 0) :].sum(), 1.0))
