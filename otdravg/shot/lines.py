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

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class LineTerms:
    """w, wz, wz², wy, wzy of every point, to be summed over a few ranges of points.

    Positions are shifted and scaled (``origin_m``, ``unit_m``) so that differences
    of sums keep their digits on long fibres.
    """

    origin_m: float
    unit_m: float
    terms: FloatArray  # shape (5, n)

    @classmethod
    def of(cls, z_m: FloatArray, y_db: FloatArray, weight: FloatArray) -> LineTerms:
        """Build the terms; points with weight 0 do not count, whatever their level."""
        terms = np.empty((5, z_m.size))
        return cls(*_fill(terms, z_m, y_db, weight), terms)

    def moments(self, lo: IndexArray, hi: IndexArray, about_m: FloatArray) -> FloatArray:
        """Sums of w, wx, wx², wy, wxy over lo ≤ i < hi, x = z − ``about_m`` in kilometres.

        Returns
        -------
        array, shape (5, S)
            For S ranges, 0 where a range is empty.
        """
        last = self.terms.shape[1] - 1
        filled = (hi > lo) & (lo <= last)
        # reduceat cannot end at the record's end: the last point is added by hand.
        edges = np.stack([np.minimum(lo, last), np.minimum(hi, last)], axis=1).ravel()
        sums = np.add.reduceat(self.terms, edges, axis=1)[:, ::2]
        whole = (hi > last) & (lo < last)
        sums = np.where(filled, sums + np.where(whole, self.terms[:, -1:], 0.0), 0.0)
        return _about(sums, self.unit_m, self.origin_m - about_m)


def _about(sums: FloatArray, unit_m: float, shift_m: FloatArray) -> FloatArray:
    """Sums of w, wx, wx², wy, wxy in kilometres from other origins."""
    w, x, xx, y, xy = sums
    unit, shift = unit_m / 1000, shift_m / 1000
    moved = np.empty_like(sums)
    moved[0], moved[3] = w, y
    moved[1] = unit * x + shift * w
    moved[2] = unit**2 * xx + shift * (2 * unit * x + shift * w)
    moved[4] = unit * xy + shift * y
    return moved


@dataclass(frozen=True, slots=True, eq=False)
class LineSums:
    """Running sums of w, wz, wz², wy, wzy over points, each of shape (n + 1,)."""

    origin_m: float
    unit_m: float
    sums: FloatArray  # shape (5, n + 1)
    ends: float = 0.0  # points of a line whose ends add as much variance as the line has

    @classmethod
    def of(
        cls, z_m: FloatArray, y_db: FloatArray, weight: FloatArray, ends: float = 0.0
    ) -> LineSums:
        """Build the sums; points with weight 0 do not count, whatever their level."""
        sums = np.zeros((5, z_m.size + 1))
        terms = sums[:, 1:]
        origin_m, unit_m = _fill(terms, z_m, y_db, weight)
        np.cumsum(terms, axis=1, out=terms)
        return cls(origin_m, unit_m, sums, ends)

    def between(self, lo: IndexArray, hi: IndexArray) -> FloatArray:
        """Sums over points lo ≤ i < hi, shape (5,) + lo.shape."""
        found = self.sums.take(hi, axis=1, mode="clip")
        found -= self.sums.take(lo, axis=1, mode="clip")
        return found

    def moments(self, lo: IndexArray, hi: IndexArray, about_m: FloatArray) -> FloatArray:
        """As those of :class:`LineTerms`."""
        return _about(self.between(lo, hi), self.unit_m, self.origin_m - about_m)

    def lines(
        self, lo: IndexArray, hi: IndexArray, at_m: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Level at ``at_m`` and slope, dB/m, of the line through points lo ≤ i < hi.

        NaN where there are not two points that count.
        """
        w, wx, wxx, wy, wxy = self.between(lo, hi)
        with np.errstate(invalid="ignore", divide="ignore"):
            x, y = wx / w, wy / w
            slope = (wxy - wx * y) / (wxx - wx * x)
            level = y + slope * ((at_m - self.origin_m) / self.unit_m - x)
        known = (w > 0) & (wxx > wx * x)
        return np.where(known, level, np.nan), np.where(known, slope / self.unit_m, np.nan)


def _fill(
    terms: FloatArray, z_m: FloatArray, y_db: FloatArray, weight: FloatArray
) -> tuple[float, float]:
    """Write w, wx, wx², wy, wxy into ``terms``; return origin and unit of x."""
    origin_m = float(z_m[0] + z_m[-1]) / 2 if z_m.size else 0.0
    unit_m = max(float(z_m[-1] - z_m[0]), 1e-9) if z_m.size else 1.0
    x = (z_m - origin_m) / unit_m
    terms[0] = weight
    np.multiply(weight, x, out=terms[1])
    np.multiply(terms[1], x, out=terms[2])
    np.multiply(weight, np.where(weight > 0, y_db, 0.0), out=terms[3])
    np.multiply(terms[3], x, out=terms[4])
    return origin_m, unit_m


@dataclass(frozen=True, slots=True)
class SlopePrior:
    """What is known of slopes before a piece is looked at, in dB per metre along the index.

    ``mean`` and ``sd`` describe the slope of any piece of the fibre, ``change_sd`` how much two
    neighbouring pieces differ.
    """

    mean: float
    sd: float
    change_sd: float


@dataclass(frozen=True, slots=True, eq=False)
class StepEstimate:
    """The step between two line pieces at each asked position.

    ``loss_db`` is level before minus level after (positive = loss), ``variance_db2`` its
    variance; NaN where there are no points. The rest is what both lines follow from, those before
    and those after in the first axis.
    """

    loss_db: FloatArray
    variance_db2: FloatArray
    mean_db: FloatArray  # of the points of each piece
    reach: FloatArray  # from their middle to the asked position, in units
    spread: FloatArray  # S + p + q
    product: FloatArray  # T + p·m
    coupling: float  # q
    inverse: FloatArray  # of the determinant
    unit_m: float

    @property
    def slopes(self) -> FloatArray:
        """Slope of both lines, dB/m."""
        slopes = self.spread[::-1] * self.product + self.coupling * self.product[::-1]
        return np.asarray(slopes * (self.inverse / self.unit_m))

    @property
    def before_db(self) -> FloatArray:
        """Level of the first line at the asked position."""
        return np.asarray(self.mean_db[0] + self.slopes[0] * self.unit_m * self.reach[0])

    @property
    def u_db(self) -> FloatArray:
        """Standard uncertainty of the loss."""
        return np.asarray(np.sqrt(self.variance_db2))

    def score(self, allowance_db: FloatArray | float = 0.0, floor_db: float = 0.0) -> FloatArray:
        """Likelihood-ratio statistic (loss/u)², χ² with one degree of freedom; 0 where unknown.

        ``allowance_db`` is taken off the size of the loss first: what something other than a
        splice may feign there. ``floor_db`` is a further standard uncertainty.
        """
        size = np.maximum(np.abs(self.loss_db) - allowance_db, 0.0)
        size *= size
        size /= self.variance_db2 + floor_db * floor_db
        return np.asarray(np.fmax(size, 0.0, out=size))  # not NaN


def step_between(
    sums: LineSums,
    left: tuple[IndexArray, IndexArray],
    right: tuple[IndexArray, IndexArray],
    at_m: FloatArray,
    prior: SlopePrior,
) -> StepEstimate:
    """Estimate the step at ``at_m`` between the lines through two ranges of points.

    Parameters
    ----------
    sums : LineSums
        Running sums of the shot.
    left, right : pair of index arrays
        ``lo, hi`` of the points before and after the candidate (``lo ≤ i < hi``).
    at_m : array
        Where the two lines are compared.
    prior : SlopePrior
        Knowledge of the slopes. It matters only where the pieces are too short to know
        their own.

    Notes
    -----
    Weighted least squares with weights 1/σ². The intercepts are eliminated, which leaves
    two normal equations for the slopes, coupled by the prior on their difference:

        (S_L + p + q)·s_L − q·s_R = T_L + p·m,    (S_R + p + q)·s_R − q·s_L = T_R + p·m

    with S = Σw(x−x̄)², T = Σw(x−x̄)(y−ȳ), p = 1/sd², q = 1/change_sd². Arrays below have both
    pieces in their first axis.
    """
    unit = sums.unit_m
    p, q = 1.0 / (prior.sd * unit) ** 2, 1.0 / (prior.change_sd * unit) ** 2
    lo, hi = np.array([left[0], right[0]]), np.array([left[1], right[1]])
    with np.errstate(invalid="ignore", divide="ignore"):
        w, wx, wxx, wy, wxy = sums.between(lo, hi)
        variance = 1 / w
        centre = wx * variance
        mean = wy * variance
        spread = wxx - wx * centre
        spread += p + q
        product = wxy - wx * mean
        product += p * prior.mean * unit
        reach = (at_m - sums.origin_m) / unit - centre
        inverse = 1 / (spread[0] * spread[1] - q * q)
        lean = spread[::-1] * reach
        lean -= q * reach[::-1]
        loss = mean[0] - mean[1] + (product[0] * lean[0] - product[1] * lean[1]) * inverse
        lean *= reach
        total = variance[0] + variance[1] + (lean[0] + lean[1]) * inverse
    # Rounding may leave less than nothing of sums over no points.
    unknown = ~(np.minimum(w[0], w[1]) > 0)
    loss[unknown] = total[unknown] = np.nan
    if sums.ends:
        total *= 1 + sums.ends / np.maximum(hi - lo, 1).min(axis=0)
    return StepEstimate(loss, total, mean, reach, spread, product, q, inverse, unit)
