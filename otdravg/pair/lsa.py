"""The classic least-squares approximation (LSA) of a splice loss with hand-placed markers.

A straight line is fitted between two markers before the event and another between two
markers behind it; the loss is the distance of the lines at the event. Nothing is
borrowed from other sections or from the other shot, which makes this a cross-check of
the joint fit: cruder where fibre is short, and never in contradiction.

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
from otdravg.fit.reading import Reading
from otdravg.fit.side import Side
from otdravg.pair.measure import Measurement
from otdravg.shot.noise import DB_PER_RELATIVE_POWER

FloatArray = npt.NDArray[np.float64]

#: Fewest points of a line; with three there is one residual to judge it by. Derived: level and
#: slope take two.
LEAST_POINTS = 3
#: Points noisier than this share of their own power are not used: the logarithm bends there.
#: Derived: the low reading is put right to first order; the next term, 2.171·¾·0.2⁴ dB, is 2.6
#: mdB.
LARGEST_RELATIVE_NOISE = 0.2


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


@dataclass(frozen=True, slots=True)
class LsaComparison:
    """LSA beside the joint fit at one position of a pair.

    ``loss_db`` is half the sum of both ways, ``difference_db`` this less the joint fit,
    ``deviation`` the difference in units of both uncertainties combined. ``None`` where
    one of them is missing.
    """

    number: int
    distance_m: float
    ab: LsaLoss | None
    ba: LsaLoss | None
    loss_db: float | None
    u_loss_db: float | None
    difference_db: float | None
    deviation: float | None


@dataclass(frozen=True, slots=True)
class _Line:
    """A fitted line read at the event: level and its variance, per unit of noise."""

    level_db: float
    variance: float
    slope_db_per_m: float
    residual: float  # weighted sum of squares
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
    before = _line(z_m, level_db, w, start, stop, event)
    after = _line(z_m, level_db, w, restart, end, event)
    points = before.points + after.points
    scale = 1.0 if weight is not None else (before.residual + after.residual) / (points - 4)
    variance = scale * (before.variance + after.variance)
    return LsaLoss(
        before.level_db - after.level_db,
        float(np.sqrt(variance)),
        float(np.sqrt(variance * long_run_factor)),
        before.slope_db_per_m,
        after.slope_db_per_m,
        points,
    )


def _line(
    z_m: FloatArray, level_db: FloatArray, weight: FloatArray, start: float, stop: float, at: float
) -> _Line:
    """Fit the line between two markers and read it at a position."""
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
    return _Line(
        y0 + slope * (at - z0), 1 / total + (at - z0) ** 2 / spread, slope, residual, z.size
    )


def cross_check(measurement: Measurement) -> tuple[LsaComparison, ...]:
    """Measure every position of a pair again by LSA and compare it with the joint fit.

    Markers go to the edges of the clean fibre on both sides of each position, as far as
    the neighbouring positions and the dead zones of each shot allow. A point of a trace shows
    the mean of the pulse length before it, so the event's marker stands half a pulse behind
    the position, in the middle of the ramp; otherwise a change of attenuation there would
    read as a loss of (α₂ − α₁)·pulse/2 one way.

    Parameters
    ----------
    measurement : Measurement
        What :func:`otdravg.pair.measure.measure` returns.

    Returns
    -------
    tuple of LsaComparison
        One for each reading, in its order.

    Notes
    -----
    Both results come from the same points, so that the true scatter of their difference is
    smaller than the combination √(u² + u²) that ``deviation`` is counted in: beyond 2 the
    model and the fibre disagree (a section that is not straight, a borrowed slope that
    does not fit).
    """
    sides = (measurement.side_ab, measurement.side_ba)
    ranges = [side.ranges(measurement.places) for side in sides]
    comparisons = []
    for j, (place, reading) in enumerate(
        zip(measurement.places, measurement.readings, strict=True)
    ):
        ways = []
        for side, (lo, hi) in zip(sides, ranges, strict=True):
            # In its own direction of travel a shot from B meets the section behind first.
            near, far = (j, j + 1) if side.forward else (j + 1, j)
            at = float(side.x(place.middle_m)) + side.shot.pulse_m / 2
            ways.append(
                _side_loss(side, at, (int(lo[near]), int(hi[near])), (int(lo[far]), int(hi[far])))
            )
        comparisons.append(_compared(reading, *ways))
    return tuple(comparisons)


def _side_loss(
    side: Side, at_m: float, before: tuple[int, int], after: tuple[int, int]
) -> LsaLoss | None:
    """Read one shot's loss between two ranges of points; ``None`` where a line is too short."""
    x = side.shot.x_m
    level = side.shot.level_db.copy()
    noise = side.shot.noise
    weight = np.zeros(x.size)
    factors = []
    for lo, hi in (before, after):
        used = np.arange(lo, hi)
        used = used[side.weight[lo:hi] > 0]
        if used.size < LEAST_POINTS:
            return None
        centre = float(x[used].mean())
        expected = np.polynomial.Polynomial.fit(x[used] - centre, level[used], 1)(x[used] - centre)
        receiver_db2 = noise.variance_db2(expected) - noise.constant_db2
        quiet = np.sqrt(receiver_db2) <= LARGEST_RELATIVE_NOISE * DB_PER_RELATIVE_POWER
        used, expected, receiver_db2 = used[quiet], expected[quiet], receiver_db2[quiet]
        if used.size < LEAST_POINTS:
            return None
        # To first order the logarithm of noisy power reads low by half its relative variance.
        level[used] += receiver_db2 / (2 * DB_PER_RELATIVE_POWER)
        variance = noise.variance_db2(expected)
        weight[used] = 1 / variance
        factors.append(float(np.mean(noise.long_run_db2(expected) / variance)))
    markers = (
        float(x[before[0]]),
        min(float(x[before[1] - 1]), at_m),
        at_m,
        max(float(x[after[0]]), at_m),
        float(x[after[1] - 1]),
    )
    return marker_loss(x, level, markers, weight=weight, long_run_factor=max(factors))


def _compared(reading: Reading, ab: LsaLoss | None, ba: LsaLoss | None) -> LsaComparison:
    """Put the LSA of both ways beside a reading."""
    loss = u_loss = difference = deviation = None
    if ab is not None and ba is not None:
        loss = (ab.loss_db + ba.loss_db) / 2
        u_loss = float(np.hypot(ab.u_db, ba.u_db)) / 2
        if reading.loss_db is not None and reading.u_loss_db is not None:
            difference = loss - reading.loss_db
            deviation = difference / float(np.hypot(u_loss, reading.u_loss_db))
    return LsaComparison(
        reading.number, reading.distance_m, ab, ba, loss, u_loss, difference, deviation
    )
