"""The classic least-squares approximation (LSA) of a splice loss with hand-placed markers.

A straight line is fitted between two markers before the event and another between two
markers behind it; the loss is the distance of the lines at the event. Nothing is
borrowed from other sections or from the other shot, which makes this a cross-check of
the joint fit (the tests hold it against every kind of place): cruder where fibre is short, and
never in contradiction.

References
----------
The definition of splice loss by the least-squares approximation is that of the OTDR
standards (IEC 61746-1, TIA-455-61; from memory). The variances are those of weighted
least squares for two separate lines, in any text on linear regression.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.errors import BadSetting
from otdravg.findings import plain

FloatArray = npt.NDArray[np.float64]

#: Fewest points of a line; with three there is one residual to judge it by. Derived: level and
#: slope take two.
LEAST_POINTS = 3


@dataclass(frozen=True, slots=True)
class LsaLoss:
    """A one-way loss by LSA, dB, positive = loss, with standard uncertainties (k = 1).

    ``u_white_db`` takes every point as an independent reading, ``u_db`` allows for the
    correlation of neighbours. ``points`` counts both lines.
    """

    loss_db: float
    u_white_db: float
    u_db: float
    slope_before_db_per_m: float
    slope_after_db_per_m: float
    points: int


def marker_loss(
    z_m: FloatArray,
    level_db: FloatArray,
    markers_m: tuple[float, ...],
    *,
    weight: FloatArray | None = None,
    long_run_factor: float = 1.0,
) -> LsaLoss:
    """Read a loss with four or five markers: two lines, both extrapolated to the event.

    Parameters
    ----------
    z_m, level_db : array, shape (n,)
        Positions in metres along the direction of travel and levels in one-way dB.
    markers_m : tuple of four or five floats
        Start and end of the line before the event, the event, start and end of the line
        behind it, ascending; the ends count as part of the lines. With four the event lies where
        the first line ends.
    weight : array, shape (n,), optional
        1/variance of the points in 1/dB²; points with weight 0 do not count. Without it all
        points count alike and their variance is taken from the residuals.
    long_run_factor : float
        Long-run variance over variance of a point: how many points count as one reading.

    Returns
    -------
    LsaLoss

    Raises
    ------
    BadSetting
        When markers are out of order or a line has fewer than three points.

    Notes
    -----
    A line of N points with weights w, read at the event z₀, has the variance
    1/Σw + (z₀ − z̄)²/Σw(z − z̄)². Both lines are independent, so their variances add; noise
    that is correlated over a short distance multiplies them by the long-run factor.
    """
    if list(markers_m) != sorted(markers_m) or len(markers_m) not in (4, 5):
        raise BadSetting("markers", markers_m, plain("give four or five in ascending order"))
    if not long_run_factor > 0:
        raise BadSetting("long-run factor", long_run_factor, plain("more than zero"))
    start, stop, *between, restart, end = markers_m
    event = between[0] if between else stop
    w = np.ones(z_m.size) if weight is None else weight
    lines = [_line(z_m, level_db, w, *ends, event) for ends in ((start, stop), (restart, end))]
    levels, variances, slopes, residuals, points = zip(*lines, strict=True)
    scale = 1.0 if weight is not None else sum(residuals) / (sum(points) - 4)
    variance = scale * sum(variances)
    return LsaLoss(
        levels[0] - levels[1],
        float(np.sqrt(variance)),
        float(np.sqrt(variance * long_run_factor)),
        slopes[0],
        slopes[1],
        sum(points),
    )


def _line(
    z_m: FloatArray, level_db: FloatArray, weight: FloatArray, start: float, stop: float, at: float
) -> tuple[float, float, float, float, int]:
    """Fit the line between two markers and read it at a position.

    Level there and its variance per unit of noise, slope per metre, weighted sum of squared
    residuals, points.
    """
    inside = (z_m >= start) & (z_m <= stop) & (weight > 0)
    z, y, w = z_m[inside], level_db[inside], weight[inside]
    if z.size < LEAST_POINTS:
        raise BadSetting(
            "markers",
            f"{start:g} to {stop:g} m",
            plain(f"a line needs {LEAST_POINTS} points or more"),
        )
    total = float(w.sum())
    z0, y0 = float(w @ z) / total, float(w @ y) / total
    spread = float(w @ (z - z0) ** 2)
    slope = float(w @ ((z - z0) * (y - y0))) / spread
    residual = float(w @ (y - y0 - slope * (z - z0)) ** 2)
    return y0 + slope * (at - z0), 1 / total + (at - z0) ** 2 / spread, slope, residual, z.size
