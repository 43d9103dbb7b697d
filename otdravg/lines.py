"""Weighted straight lines from running sums: the one description of a section.

Fibre between events is a straight line in dB. Every fit, bound and detection
statistic of the package comes from the same five running sums of weight, position
and level, so that a scan over all positions costs a few vector operations and a
section costs a subtraction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["LineSums", "StepEstimate", "step_between"]

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class LineSums:
    """Running sums of w, wz, wz², wy, wzy over points, each of shape (n + 1,).

    Positions are shifted and scaled (``origin_m``, ``unit_m``) so that differences
    of sums keep their digits on long fibres.
    """

    origin_m: float
    unit_m: float
    sums: FloatArray  # shape (5, n + 1)

    @classmethod
    def of(cls, z_m: FloatArray, y_db: FloatArray, weight: FloatArray) -> LineSums:
        """Build the sums; points with weight 0 do not count, whatever their level."""
        origin = float(z_m[0] + z_m[-1]) / 2
        unit = max(float(z_m[-1] - z_m[0]), 1e-9)
        x = (z_m - origin) / unit
        wx = weight * x
        y = np.where(weight > 0, y_db, 0.0)
        sums = np.zeros((5, z_m.size + 1))
        np.cumsum(weight, out=sums[0, 1:])
        np.cumsum(wx, out=sums[1, 1:])
        np.cumsum(wx * x, out=sums[2, 1:])
        np.cumsum(weight * y, out=sums[3, 1:])
        np.cumsum(wx * y, out=sums[4, 1:])
        return cls(origin, unit, sums)

    def between(self, lo: IndexArray, hi: IndexArray) -> FloatArray:
        """Sums over points lo ≤ i < hi, shape (5,) + lo.shape."""
        return self.sums[:, hi] - self.sums[:, lo]

    def moments(self, lo: IndexArray, hi: IndexArray, about_m: FloatArray) -> FloatArray:
        """Sums of w, wx, wx², wy, wxy with x = z − ``about_m`` in kilometres."""
        w, x, xx, y, xy = self.between(lo, hi)
        unit = self.unit_m / 1000
        shift = (self.origin_m - about_m) / 1000
        return np.stack(
            [
                w,
                unit * x + shift * w,
                unit**2 * xx + 2 * unit * shift * x + shift**2 * w,
                y,
                unit * xy + shift * y,
            ]
        )


@dataclass(frozen=True, slots=True, eq=False)
class StepEstimate:
    """Step between two line pieces of one slope at each asked position.

    ``loss_db`` is level before minus level after (positive = loss), ``u_db`` its
    standard deviation; both NaN where there are too few points.
    """

    loss_db: FloatArray
    u_db: FloatArray

    @property
    def score(self) -> FloatArray:
        """Likelihood-ratio statistic (loss/u)², χ² with one degree of freedom; 0 where unknown."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.nan_to_num((self.loss_db / self.u_db) ** 2)


def step_between(
    sums: LineSums,
    left: tuple[IndexArray, IndexArray],
    right: tuple[IndexArray, IndexArray],
    slope_db_per_m: float,
    slope_sd_db_per_m: float,
) -> StepEstimate:
    """Estimate the step between point ranges ``left`` and ``right`` that share one slope.

    Parameters
    ----------
    sums : LineSums
        Running sums of the shot.
    left, right : pair of index arrays
        ``lo, hi`` of the points before and after the candidate (``lo ≤ i < hi``).
    slope_db_per_m, slope_sd_db_per_m : float
        Prior knowledge of the slope from the rest of the fibre (level per metre along
        the index direction), as mean and standard deviation. It matters only where the
        pieces are too short to know their own slope.

    Notes
    -----
    With weights 1/σ² the two intercepts and the common slope have the closed-form
    weighted least-squares solution; the variance of the step is
    1/W₁ + 1/W₂ + (x̄₂ − x̄₁)²/(Sxx + 1/σ_slope²). The step is the difference of the two
    lines, which are parallel, so it does not depend on where it is read.
    """
    a = sums.between(*left)
    b = sums.between(*right)
    prior_slope = slope_db_per_m * sums.unit_m
    prior_precision = 1.0 / (slope_sd_db_per_m * sums.unit_m) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        xa, ya, xb, yb = a[1] / a[0], a[3] / a[0], b[1] / b[0], b[3] / b[0]
        sxx = (a[2] - a[1] * xa) + (b[2] - b[1] * xb)
        sxy = (a[4] - a[1] * ya) + (b[4] - b[1] * yb)
        precision = sxx + prior_precision
        slope = (sxy + prior_slope * prior_precision) / precision
        loss = (ya - yb) + slope * (xb - xa)
        u = np.sqrt(1 / a[0] + 1 / b[0] + (xb - xa) ** 2 / precision)
    short = ((left[1] - left[0]) < 1) | ((right[1] - right[0]) < 1) | (a[0] <= 0) | (b[0] <= 0)
    return StepEstimate(np.where(short, np.nan, loss), np.where(short, np.nan, u))
