"""The ramp that a step becomes under a pulse: where it starts, and whether it is one or two.

A step turns into a ramp one pulse long, on which the linear powers of both sides mix.
All steps of a shot are looked at together: arrays have one row per step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from otdravg.shot.lines import step_between
from otdravg.shot.noise import DB_PER_RELATIVE_POWER
from otdravg.shot.response import LEAST_SHORT
from otdravg.shot.settings import ResponseSource
from otdravg.shot.shot import LARGEST_SPAN_DB, Shot

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Points that a pulse must cover before the shape of its ramp is judged. Chosen, not derived: with
#: fewer no point lies on a ramp alone that begins 0.3 pulses before another one.
POINTS_IN_RAMP = 4
#: Two ramps must leave less than this share of what one ramp leaves to be believed. Chosen, not
#: derived: two more parameters among dozens of points explain a few per cent by chance.
COMPOUND_GAIN = 0.4
#: Squared residual beside a ramp, in units of the noise, that is still noise (chosen, not derived).
MOST_BESIDE = 2.0
#: Squared residuals inside a ramp are larger than those beside it by this many standard deviations
#: of their ratio before it is bent. Chosen, not derived: six never come by chance, though noise
#: that is correlated makes the ratio scatter more.
BENT_SIGMAS = 6.0
#: Ripple makes no more points alike than in so many pulses. Derived: a triangle as long as a pulse
#: on either side has an area of one pulse; its estimate scatters by a third.
MOST_ALIKE_PULSES = 1.3
#: Starts of two ramps that are tried at most (chosen, not derived).
MOST_TRIED = 49
#: Residuals held in memory at once. Chosen, not derived: 8 MB; only speed depends on it.
MOST_AT_ONCE = 1_000_000
#: A real ramp is rounded by the receiver: RMS departure from a straight one, share of its loss.
#: Derived: a pole of 0.3 pulses departs by 0.054 over the dead zone when the straight ramp is put
#: where it fits best, one of 0.1 pulses by 0.012.
RAMP_IMPERFECTION = 0.055
#: The same where the receiver's answer is known and taken out, and where reflections fall so fast
#: that no pole of a tenth of a pulse is left. Chosen, not derived: two pulses in five between two
#: equal splices depart by 0.04; what is left of a pole by a fourth of that to three.
KNOWN_IMPERFECTION, SHARP_IMPERFECTION = 0.03, 0.02
#: The same where a response that was learnt is part of the ramp's shape. Derived: what a pole of
#: 0.1 pulses departs by, which is more than lengths known to a few per cent do.
SHAPED_IMPERFECTION = 0.012


#: Points per pulse of a ramp's table; between them it is close to a straight line (derived: the
#: error is below 1/8 of a squared step, 5e-5).
TABLE_PER_PULSE = 50


@dataclass(frozen=True, slots=True, eq=False)
class RampShape:
    """How a step shows: a straight ramp one pulse long, seen through running means.

    ``share[k]`` is the share of the step that shows at ``first_m + k·step_m`` behind it.
    """

    first_m: float
    step_m: float
    share: FloatArray

    @classmethod
    def of(cls, shot: Shot) -> RampShape:
        """Table of a shot's ramp, the width of its cells among the running means."""
        means = [*shot.means[1:], max(shot.means[0], shot.cells.width)]
        widths = [width * shot.spacing_m for width in means if width > 1] or [shot.spacing_m]
        return cls.through(shot.pulse_m, tuple(widths))

    @classmethod
    @lru_cache(maxsize=16)
    def through(cls, pulse_m: float, widths: tuple[float, ...]) -> RampShape:
        """Table of the ramp of a pulse seen through means over these lengths, in metres."""
        step = pulse_m / TABLE_PER_PULSE
        half = int(np.ceil(sum(widths) / 2 / step)) + 1
        share = np.clip(np.arange(-half, TABLE_PER_PULSE + half + 1) / TABLE_PER_PULSE, 0.0, 1.0)
        index = np.arange(share.size, dtype=float)
        for width in widths:
            # The mean of a function is the difference of its integral.
            integral = np.concatenate(([0.0], np.cumsum((share[1:] + share[:-1]) / 2)))
            reach = width / step / 2
            ends = [
                np.interp(index + away, index, integral)
                + np.maximum(index + away - index[-1], 0.0) * share[-1]
                for away in (reach, -reach)
            ]
            share = (ends[0] - ends[1]) / (2 * reach)
        return cls(-half * step, step, share)

    def at(self, behind_m: FloatArray) -> FloatArray:
        """Share of a step that shows so far behind it, shape as ``behind_m``."""
        place = (behind_m - self.first_m) / self.step_m
        np.clip(place, 0.0, self.share.size - 1.001, out=place)
        index = place.astype(np.intp)
        place -= index
        low = self.share[index]
        return np.asarray(low + place * (self.share[index + 1] - low))


@dataclass(frozen=True, slots=True, eq=False)
class RampWindows:
    """Cells around each step, and the two lines that its ramp joins.

    Arrays have shape (K, W), one row per step; rows are filled up with cells of weight 0.
    """

    cell_m: float  # from cell to cell
    x_m: FloatArray
    level_db: FloatArray
    weight: FloatArray
    within: BoolArray  # cells that belong to the window
    before_db: FloatArray  # line before the step, continued
    drop_db: FloatArray  # line before minus line after
    loss_db: FloatArray  # shape (K,); NaN where a side has no cells, and the row means nothing
    shape: RampShape

    @classmethod
    def around(
        cls,
        shot: Shot,
        at_m: FloatArray,
        margin_m: float,
        lo: IndexArray,
        hi: IndexArray,
    ) -> RampWindows:
        """Windows around steps that start within ``margin_m`` of ``at_m`` (shape (K,)).

        ``lo`` and ``hi``, shape (K,), bound the cells among which each step is alone.
        """
        cells = shot.cells
        reach = margin_m + shot.pulse_m
        edges = np.searchsorted(
            cells.x_m,
            np.stack(
                [
                    at_m - shot.ahead_m - 0.6 * margin_m,
                    at_m + shot.recovery_m + 0.6 * margin_m,
                    at_m - shot.ahead_m - reach,
                    at_m + reach + shot.recovery_m,
                ]
            ),
        )
        left, right = np.maximum(edges[0], lo), np.minimum(edges[1], hi)
        lines = step_between(cells.sums, (lo, left), (right, hi), at_m, shot.slope_prior)
        known = np.isfinite(lines.loss_db)
        before, loss = np.where(known, lines.before_db, 0.0), np.where(known, lines.loss_db, 0.0)
        slope, after = np.where(known, lines.slopes, 0.0)
        change = slope - after
        first, stop = np.maximum(edges[2], lo), np.minimum(edges[3], hi)
        index = first[:, None] + np.arange(max(int((stop - first).max(initial=0)), 1))
        within = index < stop[:, None]
        index = np.minimum(index, cells.x_m.size - 1)
        x = cells.x_m[index]
        away = x - at_m[:, None]
        return cls(
            cells.width * shot.spacing_m,
            x,
            cells.level_db[index],
            np.where(within, cells.weight[index], 0.0),
            within,
            before[:, None] + slope[:, None] * away,
            loss[:, None] + change[:, None] * away,
            lines.loss_db,
            RampShape.of(shot),
        )

    def share(self, starts_m: FloatArray) -> FloatArray:
        """Share of the pulse that is behind a step, for starts (K, G): shape (K, G, W)."""
        return self.shape.at(self.x_m[:, None, :] - starts_m[:, :, None])

    def residual(self, starts_m: FloatArray) -> FloatArray:
        """Weighted residuals of one ramp from each start (K, G): shape (K, G, W).

        The ramp mixes the linear powers of both sides: the pulse lies partly on each.
        """
        # A drop of hundreds of dB leaves nothing, and no rise is larger than a receiver's range.
        drop_db = np.maximum(self.drop_db, -LARGEST_SPAN_DB)
        lost = np.maximum(np.expm1(drop_db * (-1 / DB_PER_RELATIVE_POWER)), -1 + 1e-12)[:, None, :]
        mixed = self.share(starts_m)
        mixed *= lost
        np.log1p(mixed, out=mixed)
        mixed *= -DB_PER_RELATIVE_POWER
        mixed += (self.level_db - self.before_db)[:, None, :]
        mixed *= np.sqrt(self.weight)[:, None, :]
        return mixed

    def cost(self, starts_m: FloatArray) -> FloatArray:
        """Weighted squared residual of one ramp from each start (K, G): shape (K, G).

        Only on the ramp itself the model differs from the two lines; what they leave is summed once
        for all starts.
        """
        count = self.x_m.shape[1]
        over = self.level_db - self.before_db
        squares = np.stack([over, over + self.drop_db])  # from the line before, and behind
        squares *= squares
        squares *= self.weight
        lines = np.zeros((2, over.shape[0], count + 1))
        np.cumsum(squares, axis=2, out=lines[:, :, 1:])
        ramp_m = (self.shape.share.size - 1) * self.shape.step_m
        width = min(math.ceil(ramp_m / self.cell_m) + 1, count)
        first = (starts_m + (self.shape.first_m - self.x_m[:, :1])) * (1 / self.cell_m)
        first = np.ceil(np.minimum(np.maximum(first, 0), count)).astype(np.intp)
        row = np.arange(first.shape[0])[:, None]
        cost = lines[0][row, first]
        cost += lines[1][:, -1:]
        cost -= lines[1][row, np.minimum(first + width, count)]
        here = first[:, :, None] + np.arange(width)
        beyond = here >= count
        here = np.minimum(here, count - 1) + count * row[:, :, None]
        mixed = self.shape.at(self.x_m.take(here) - starts_m[:, :, None])
        lost = np.expm1(np.maximum(self.drop_db, -LARGEST_SPAN_DB) * (-1 / DB_PER_RELATIVE_POWER))
        mixed *= np.maximum(lost, -1 + 1e-12).take(here)
        np.log1p(mixed, out=mixed)
        mixed *= -DB_PER_RELATIVE_POWER
        mixed += over.take(here)
        mixed *= mixed
        weight = self.weight.take(here)
        weight[beyond] = 0.0
        return np.asarray(cost + np.einsum("kgr,kgr->kg", mixed, weight))

    def rows(self, chosen: BoolArray | IndexArray) -> RampWindows:
        """The windows of some steps only."""
        return RampWindows(
            self.cell_m,
            self.x_m[chosen],
            self.level_db[chosen],
            self.weight[chosen],
            self.within[chosen],
            self.before_db[chosen],
            self.drop_db[chosen],
            self.loss_db[chosen],
            self.shape,
        )


def location_cost(shot: Shot, starts_m: FloatArray, lo: IndexArray, hi: IndexArray) -> FloatArray:
    """Weighted squared residual of the ramp model for each start, shape (K, G) as ``starts_m``.

    Each row of starts covers one neighbourhood in equal steps. NaN in rows where a side has no
    points.
    """
    middle = (starts_m[:, 0] + starts_m[:, -1]) / 2
    margin = float(np.abs(starts_m[:, -1] - starts_m[:, 0]).max(initial=0.0)) / 2
    windows = RampWindows.around(shot, middle, margin, lo, hi)
    cost = np.full(starts_m.shape, np.nan)
    known = np.flatnonzero(np.isfinite(windows.loss_db))
    # A long pulse's reach on a short pulse's cells makes wide windows: a few rows at a time.
    rows = max(int(MOST_AT_ONCE // (starts_m.shape[1] * windows.x_m.shape[1])), 1)
    if known.size == starts_m.shape[0] <= rows:
        return windows.cost(starts_m)
    for first in range(0, known.size, rows):
        some = known[first : first + rows]
        cost[some] = windows.rows(some).cost(starts_m[some])
    return cost


def locate_steps(
    shot: Shot, at_m: FloatArray, lo: IndexArray, hi: IndexArray
) -> tuple[FloatArray, FloatArray]:
    """Return the starts of the ramps near ``at_m`` that fit best, and standard uncertainties.

    The uncertainty is the distance over which the weighted squared residual rises by one; a
    pulse length where a side has no points and the position is left as it is.
    """
    margin = shot.pulse_m + 2 * shot.cells.width * shot.spacing_m
    step = grid_step_m(shot)
    starts = at_m[:, None] + np.arange(-margin, margin, step)
    cost = location_cost(shot, starts, lo, hi)
    known = np.isfinite(cost[:, 0])
    cost = np.where(known[:, None], cost, 0.0)
    best, beyond, narrow = lowest(cost)
    width = np.count_nonzero(cost < cost.min(axis=1, keepdims=True) + 1, axis=1)
    u = step * np.where(width > 3, 0.5 * width, np.minimum(narrow, 2.0))
    place = starts[np.arange(at_m.size), best] + step * beyond
    return np.where(known, place, at_m), np.where(known, u, shot.pulse_m)


def grid_step_m(shot: Shot) -> float:
    """Distance of the starts that are tried: between them the cost is close to a parabola."""
    return max(shot.cells.width * shot.spacing_m / 2, shot.pulse_m / 15)


def lowest(cost: FloatArray) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Lowest point of each row, refined by the parabola through it and its neighbours.

    Returns
    -------
    index : array of int, shape (K,)
    beyond : array
        How far the vertex lies behind it, in grid steps, within ±½.
    width : array
        Distance in grid steps over which the parabola rises by one.
    """
    best = np.argmin(cost, axis=1)
    row = np.arange(best.size)
    before = cost[row, np.maximum(best - 1, 0)]
    behind = cost[row, np.minimum(best + 1, cost.shape[1] - 1)]
    # At an end of the grid both neighbours are not there: no vertex.
    inner = (best > 0) & (best < cost.shape[1] - 1) & np.isfinite(before + behind)
    before, behind = np.where(inner, before, 0.0), np.where(inner, behind, 0.0)
    curve = np.where(inner, before - 2 * cost[row, best] + behind, 0.0)
    curve = np.maximum(curve, 1e-12)
    beyond = np.where(inner, np.clip(0.5 * (before - behind) / curve, -0.5, 0.5), 0.0)
    return best, beyond, np.sqrt(2 / curve)


def _not_one_ramp(
    shot: Shot, place_m: FloatArray, lo: IndexArray, hi: IndexArray
) -> tuple[BoolArray, RampWindows]:
    """Steps that one ramp does *not* explain, and the surroundings of all."""
    windows = RampWindows.around(shot, place_m, max(shot.pulse_m, shot.recovery_m / 1.3), lo, hi)
    # Where this shot alone would put the ramp: its receiver's delay is not the other's.
    starts = place_m[:, None] + np.linspace(-0.6, 0.6, 25) * shot.placing_m
    best = np.argmin(windows.cost(starts), axis=1)
    place = starts[np.arange(place_m.size), best][:, None]
    square = windows.residual(place)[:, 0] ** 2
    behind = windows.x_m - place
    inside = windows.within & (behind >= -shot.guard_m) & (behind <= shot.recovery_m)
    outside = windows.within & ~inside
    n_in, n_out = inside.sum(axis=1), outside.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        # What lies beside may be bent, too: noise is no excuse beyond what its weights say.
        most = MOST_BESIDE if shot.response.poles else np.inf
        beside = np.minimum((square * outside).sum(axis=1) / n_out, most)
        weight = (windows.weight * inside).sum(axis=1) / n_in
        excess = (square * inside).sum(axis=1) / n_in
        # A short pole that is left in rounds a ramp, too, as one that is not known may do.
        unlearnt = shot.response.source is ResponseSource.NONE or shot.response.short > 0
        shaped = shot.response.poles or shot.response.smoothing > 1
        sharp = shot.response.at_most < LEAST_SHORT
        plain = SHARP_IMPERFECTION if sharp else KNOWN_IMPERFECTION
        known = SHAPED_IMPERFECTION if shaped else plain
        rounded = RAMP_IMPERFECTION if unlearnt else known
        # Both are means of squares: their ratio scatters by the root of 2 over their points, of
        # which smoothing and ripple make some alike.
        ripple = min(
            shot.noise.correlation_points, MOST_ALIKE_PULSES * shot.pulse_m / shot.spacing_m
        )
        alike = max(max(shot.response.smoothing, ripple) / shot.cells.width, 1.0)
        spread = np.sqrt(2 * alike * (1 / n_in + 1 / n_out))
        most_in = (1 + BENT_SIGMAS * spread) * beside
        bent = excess > most_in + (rounded * windows.loss_db) ** 2 * weight
    return bent & (n_in > 0) & (n_out > 0) & np.isfinite(windows.loss_db), windows


def one_ramp(
    shot: Shot,
    first_m: float,
    second_m: float,
    lo: IndexArray,
    hi: IndexArray,
) -> float | None:
    """Start of a single ramp that explains what looks like two steps, or None.

    One ramp explains them if it leaves no larger residuals inside the dead zone than beside
    it, within three sigma and what the receiver's own rounding of a ramp leaves.
    """
    starts = np.arange(first_m - shot.pulse_m, second_m + shot.pulse_m / 2, grid_step_m(shot))
    cost = location_cost(shot, starts[None, :], lo, hi)
    if not np.isfinite(cost[0, 0]):
        return None
    best, beyond, _ = lowest(cost)
    place = float(starts[best[0]] + grid_step_m(shot) * beyond[0])
    bent, _ = _not_one_ramp(shot, np.array([place]), lo, hi)
    return None if bent[0] else place


def compound_ramps(
    shot: Shot, place_m: FloatArray, lo: IndexArray, hi: IndexArray
) -> dict[int, tuple[float, float]]:
    """Steps whose ramp is really two: index of the step → starts of the two ramps.

    For every pair of starts the share of the first step is a linear parameter with a closed
    form; the pair with the smallest residual wins if it explains most of the excess.
    """
    if shot.pulse_m < POINTS_IN_RAMP * shot.spacing_m or not place_m.size:
        return {}  # too few points to see a shape in
    bent, windows = _not_one_ramp(shot, place_m, lo, hi)
    chosen = np.flatnonzero(bent)
    if not chosen.size:
        return {}
    windows = windows.rows(bent)
    # Two steps that are further apart than this are two to begin with.
    reach = max(1.2 * shot.pulse_m, shot.recovery_m)
    tried = max(25, 2 * round(reach / (0.1 * shot.pulse_m)) + 1)
    starts = place_m[chosen, None] + np.linspace(-reach, reach, min(tried, MOST_TRIED))
    share = windows.share(starts)
    one = windows.residual(starts)
    # e = y − (everything steps at the later start); the earlier step adds −s·(r₁ − r₂).
    first, second = np.triu_indices(starts.shape[1], 3)  # at least 0.3 pulses apart
    d = (share[:, first] - share[:, second]) * np.sqrt(windows.weight)[:, None, :]
    e = one[:, second]
    fit = np.einsum("kpw,kpw->kp", e, d)
    norm = np.einsum("kpw,kpw->kp", d, d)
    cost = np.einsum("kpw,kpw->kp", e, e) - fit**2 / np.maximum(norm, 1e-30)
    best = np.argmin(cost, axis=1)
    row = np.arange(chosen.size)
    enough = cost[row, best] <= COMPOUND_GAIN * np.einsum("kgw,kgw->kg", one, one).min(axis=1)
    return {
        int(chosen[k]): (float(starts[k, first[best[k]]]), float(starts[k, second[best[k]]]))
        for k in np.flatnonzero(enough)
    }
