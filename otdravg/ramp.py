"""The ramp that a step becomes under a pulse: where it starts, and whether it is one or two.

A step turns into a ramp one pulse long, on which the linear powers of both sides mix.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.lines import LineSums, step_between
from otdravg.noise import DB_PER_RELATIVE_POWER
from otdravg.shot import Shot

__all__ = ["RampWindow", "compound_ramp", "locate_step", "location_cost", "one_ramp", "ramp_window"]

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Points that a pulse must cover before the shape of its ramp is judged.
POINTS_IN_RAMP = 10
#: Two ramps must leave less than this share of what one ramp leaves to be believed.
COMPOUND_GAIN = 0.4
#: A real ramp is rounded by the receiver: RMS departure from a straight one, share of its loss.
RAMP_IMPERFECTION = 0.055


@dataclass(frozen=True, slots=True, eq=False)
class RampWindow:
    """Cells around a step and the two lines that its ramp joins."""

    x_m: FloatArray
    level_db: FloatArray
    weight: FloatArray
    before_db: FloatArray  # line before the step, continued
    drop_db: FloatArray  # line before minus line after
    loss_db: float
    pulse_m: float
    smoothing_m: float  # width of the moving average that the shot went through

    def share(self, starts_m: FloatArray) -> FloatArray:
        """Share of the pulse that is behind a step at each start, shape (starts, cells).

        A straight ramp one pulse long, averaged over the width of the smoothing: the mean of
        a function is the difference of its integral, here t²/2 up to one pulse and t − ½ on.
        """
        behind = (self.x_m[None, :] - starts_m[:, None]) / self.pulse_m
        half = self.smoothing_m / self.pulse_m / 2
        return np.asarray(
            (_ramp_integral(behind + half) - _ramp_integral(behind - half)) / (2 * half)
        )

    def residual(self, starts_m: FloatArray) -> FloatArray:
        """Weighted residuals of one ramp from each start, shape (starts, cells).

        The ramp mixes the linear powers of both sides: the pulse lies partly on each.
        """
        ratio = np.exp(-self.drop_db / DB_PER_RELATIVE_POWER)
        mixed = DB_PER_RELATIVE_POWER * np.log1p(self.share(starts_m) * (ratio - 1))
        return np.asarray((self.level_db - self.before_db - mixed) * np.sqrt(self.weight))


def _ramp_integral(t: FloatArray) -> FloatArray:
    """Integral of a unit ramp clipped to 0…1."""
    inside = np.clip(t, 0.0, 1.0)
    return np.asarray(inside**2 / 2 + np.maximum(t - 1.0, 0.0))


def ramp_window(
    shot: Shot, sums: LineSums, at: float, margin_m: float, lo: IndexArray, hi: IndexArray
) -> RampWindow | None:
    """Lines beside a step that starts within ``margin_m`` of ``at``, and the cells around it."""
    cells = shot.cells

    def index(x_m: float) -> IndexArray:
        return np.searchsorted(cells.x_m, np.array([x_m])).astype(np.intp)

    left_hi = np.maximum(index(at - 0.6 * margin_m), lo)
    right_lo = np.minimum(index(at + shot.recovery_m + 0.6 * margin_m), hi)
    sides = step_between(sums, (lo, left_hi), (right_lo, hi), np.array([at]), shot.slope_prior)
    if not np.isfinite(sides.loss_db[0]):
        return None
    i0 = max(int(index(at - margin_m - shot.pulse_m)[0]), int(lo[0]))
    i1 = min(int(index(at + margin_m + shot.recovery_m + shot.pulse_m)[0]), int(hi[0]))
    x = cells.x_m[i0:i1]
    return RampWindow(
        x,
        cells.level_db[i0:i1],
        cells.weight[i0:i1],
        sides.before_db + sides.slope_before * (x - at),
        sides.loss_db + (sides.slope_before - sides.slope_after) * (x - at),
        float(sides.loss_db[0]),
        shot.pulse_m,
        max(shot.smoothing, cells.width) * shot.spacing_m,
    )


def location_cost(
    shot: Shot,
    sums: LineSums,
    starts_m: FloatArray,
    lo: IndexArray,
    hi: IndexArray,
) -> FloatArray | None:
    """Weighted squared residual of the ramp model for each of the starts (one neighbourhood).

    The ramp mixes the linear powers of the two sides (the pulse lies partly on each).
    ``None`` where a side has no points.
    """
    middle = float(starts_m[0] + starts_m[-1]) / 2
    window = ramp_window(shot, sums, middle, float(np.ptp(starts_m)) / 2, lo, hi)
    return None if window is None else np.asarray((window.residual(starts_m) ** 2).sum(axis=1))


def locate_step(
    shot: Shot, sums: LineSums, at: float, lo: IndexArray, hi: IndexArray
) -> tuple[float, float]:
    """Return the start of the ramp near ``at`` that fits best, and its standard uncertainty.

    The uncertainty is half the width over which the weighted residual rises by one.
    """
    margin = shot.pulse_m + 2 * shot.cells.width * shot.spacing_m
    step = max(shot.cells.width * shot.spacing_m / 4, shot.pulse_m / 60)
    starts = np.arange(at - margin, at + margin, step)
    cost = location_cost(shot, sums, starts, lo, hi)
    if cost is None:
        return at, shot.pulse_m
    near = cost < cost.min() + 1
    width = max(int(np.count_nonzero(near)), 1)
    return float(starts[np.argmin(cost)]), 0.5 * step * width


def _ramp_excess(
    shot: Shot, sums: LineSums, place: float, lo: IndexArray, hi: IndexArray
) -> RampWindow | None:
    """The surroundings of a step if one ramp does *not* explain them, else None."""
    window = ramp_window(shot, sums, place, shot.pulse_m, lo, hi)
    if window is None:
        return None
    # Where this shot alone would put the ramp: its receiver's delay is not the other's.
    starts = place + np.linspace(-0.6, 0.6, 25) * shot.placing_m
    residuals = window.residual(starts)
    best = int(np.argmin((residuals**2).sum(axis=1)))
    place, residual = float(starts[best]), residuals[best]
    inside = (window.x_m >= place - shot.guard_m) & (window.x_m <= place + shot.recovery_m)
    if not inside.any() or inside.all():
        return None
    beside = float(np.mean(residual[~inside] ** 2))
    imperfect = (RAMP_IMPERFECTION * window.loss_db) ** 2 * float(np.mean(window.weight[inside]))
    excess = float(np.mean(residual[inside] ** 2))
    return window if excess > 9 * beside + imperfect else None


def one_ramp(
    shot: Shot,
    sums: LineSums,
    first_m: float,
    second_m: float,
    lo: IndexArray,
    hi: IndexArray,
) -> float | None:
    """Start of a single ramp that explains what looks like two steps, or None.

    One ramp explains them if it leaves no larger residuals inside the dead zone than beside
    it, within three sigma and what the receiver's own rounding of a ramp leaves.
    """
    grid_step = max(shot.cells.width * shot.spacing_m / 4, shot.pulse_m / 60)
    starts = np.arange(first_m - shot.pulse_m, second_m + shot.pulse_m / 2, grid_step)
    cost = location_cost(shot, sums, starts, lo, hi)
    if cost is None:
        return None
    place = float(starts[np.argmin(cost)])
    if _ramp_excess(shot, sums, place, lo, hi) is not None:
        return None
    return place


def compound_ramp(
    shot: Shot, sums: LineSums, place: float, lo: IndexArray, hi: IndexArray
) -> tuple[float, float] | None:
    """Starts of two ramps that together explain what one cannot, or None.

    For every pair of starts the share of the first step is a linear parameter with a closed
    form; the pair with the smallest residual wins if it explains most of the excess.
    """
    if shot.pulse_m < POINTS_IN_RAMP * shot.spacing_m:
        return None  # too few points to see a shape in
    window = _ramp_excess(shot, sums, place, lo, hi)
    if window is None:
        return None
    starts = np.linspace(place - 1.2 * shot.pulse_m, place + 1.2 * shot.pulse_m, 25)
    share = window.share(starts)
    one = window.residual(starts)
    # e = y − (everything steps at the later start); the earlier step adds −s·(r₁ − r₂).
    first, second = np.triu_indices(starts.size, 3)  # at least 0.3 pulses apart
    d = (share[first] - share[second]) * np.sqrt(window.weight)
    e = one[second]
    fit = (e * d).sum(axis=1)
    norm = (d * d).sum(axis=1)
    cost = (e * e).sum(axis=1) - fit**2 / np.maximum(norm, 1e-30)
    best = int(np.argmin(cost))
    if cost[best] > COMPOUND_GAIN * float((one**2).sum(axis=1).min()):
        return None
    return float(starts[first[best]]), float(starts[second[best]])
