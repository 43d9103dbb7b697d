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

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

#: d(5·log10 P)/d(ln P): a relative power change of 1 % is 0.0217 dB one way. Derived: 5·log10 P =
#: 5·ln P / ln 10.
DB_PER_RELATIVE_POWER = 5.0 / np.log(10.0)

#: Lower quartile of a squared standard normal variable; turns a quartile into a variance. Derived:
#: a quarter of all |z| lie below Φ⁻¹(0.625) = 0.31864, the lower quartile of χ² with one degree of
#: freedom is its square.
QUARTILE_OF_SQUARE = 0.1015310

#: Differences that a first, rough estimate looks at: more would not make it less rough. Derived:
#: the quartile of 5000 squares gives their variance to √(3/16/5000) / (1.19·0.1015) = 5 % (1.19:
#: density of χ² there).
ROUGH_SAMPLES = 5000


def linear_power(level_db: FloatArray) -> FloatArray:
    """Return linear power relative to the 0 dB level, 10^(level/5), same shape."""
    return np.asarray(np.exp(level_db / DB_PER_RELATIVE_POWER))


def quantile(values: FloatArray, share: float) -> float:
    """Quantile of values, shape (n,), n > 0, between neighbours along a straight line.

    As numpy's own, which spends more time on what such arrays do not hold.
    """
    place = share * (values.size - 1)
    low = int(place)
    parted = np.partition(values, low)
    below = float(parted[low])
    return below if place == low else below + (place - low) * float(parted[low + 1 :].min() - below)


def median(values: FloatArray) -> float:
    """Median of values, shape (n,), n > 0."""
    return quantile(values, 0.5)


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
        return self.variance_at(_inverse_square(level_db))

    def long_run_db2(self, level_db: FloatArray) -> FloatArray:
        """Long-run variance per point at the given noise-free level, dB²."""
        return self.long_run_at(_inverse_square(level_db))

    def variance_at(self, inverse_square: FloatArray) -> FloatArray:
        """Variance of single points where the linear power is P, for 1/P²; dB²."""
        return np.asarray(self.constant_db2 + self.receiver_db2 * inverse_square)

    def long_run_at(self, inverse_square: FloatArray) -> FloatArray:
        """Long-run variance per point where the linear power is P, for 1/P²; dB²."""
        return np.asarray(self.constant_long_run_db2 + self.receiver_long_run_db2 * inverse_square)

    def alike_over(self, points: float) -> NoiseModel:
        """The same noise of single points, so many of which count as one reading."""
        return replace(
            self,
            constant_long_run_db2=self.constant_db2 * points,
            receiver_long_run_db2=self.receiver_db2 * points,
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


def _inverse_square(level_db: FloatArray) -> FloatArray:
    """1/P² of the linear power P at each level."""
    return np.asarray(np.exp(level_db * (-2 / DB_PER_RELATIVE_POWER)))


@dataclass(frozen=True, slots=True)
class Rounding:
    """What rounding to steps does to the levels: variance of a point and long-run variance, dB²."""

    point_db2: float
    long_run_db2: float

    @classmethod
    def of(cls, step_db: float, fall_db_per_point: float, sigma_db: float) -> Rounding:
        """Rounding of a line that falls by so much per point, under noise of so much.

        Notes
        -----
        A line without noise meets a step every step/fall points, and its rounding errors repeat
        over as many: they are no independent readings. Noise of standard deviation σ takes this
        correlation away by exp(−4π²σ²/q²), the squared first harmonic of the rounding error under
        Gaussian dither (Widrow and Kollár, *Quantization Noise*, 2008, ch. 5; from memory).

        A line that falls by nearly a whole step from point to point, or by nearly a half or a
        third, beats with the steps: its k-th harmonic, 6/(π·k)² of the variance, repeats over
        1/|k·f − round(k·f)| points at a fall of f steps.
        """
        point = step_db**2 / 12
        fall = min(max(abs(fall_db_per_point) / step_db, 1 / MOST_ALIKE), MOST_ALIKE)
        run = max(1 / fall, 1.0)
        left = float(np.exp(-((2 * np.pi * sigma_db / step_db) ** 2)))
        long_run = point * (1 + (run - 1) * left)
        for harmonic in range(1, BEATS + 1) if fall > 0.5 else ():
            beat = max(abs(harmonic * fall - round(harmonic * fall)), 1 / MOST_ALIKE)
            share = 6 / (np.pi * harmonic) ** 2 * left ** (harmonic**2)
            long_run = max(long_run, point * (1 + (1 / beat - 1) * share))
        return cls(point, float(long_run))


#: A level that does not change at all says nothing of how long rounding errors repeat (chosen, not
#: derived).
MOST_ALIKE = 1000.0
#: Harmonics of the rounding error whose beats are looked at. Derived: the fourth has 4 % of the
#: variance.
BEATS = 3


def rough_noise(
    level_db: FloatArray,
    within: slice,
    left_out: IndexArray,
    lag: int,
    rounding: Rounding,
    receiver_db2: float | None = None,
) -> NoiseModel:
    """Estimate noise before any event is known, from second differences.

    Parameters
    ----------
    level_db : array, shape (n,)
        Levels of cells (means over a few points) along the fibre.
    within : slice
        Cells that carry fibre signal.
    left_out : array of int
        Cells among them that do not, in order.
    lag : int
        Distance of the differenced cells, about a pulse, so that they are independent.
    rounding : Rounding
        A floor for what is constant.
    receiver_db2 : float, optional
        Receiver variance of a cell at level 0 dB, if the noise behind the fibre tells it;
        else both sources are found from the levels along the fibre.

    Notes
    -----
    y[i−lag] − 2·y[i] + y[i+lag] has no mean on a straight line and six times the variance
    of a cell. Quartiles keep the differences that straddle a splice from counting, even where
    splices are so close that most of them do.
    """
    floor, least = rounding.point_db2, rounding.long_run_db2
    first, stop = within.start, min(within.stop, level_db.size) - 2 * lag
    stride = max((stop - first) // ROUGH_SAMPLES, 1)
    if stop - first < 8 * stride:
        return NoiseModel(floor, 0.0, least, 0.0)
    three = [slice(first + k * lag, stop + k * lag, stride) for k in range(3)]
    before, middle, behind = (level_db[places] for places in three)
    squares = (before - 2 * middle + behind) ** 2 / 6
    if left_out.size:
        blocked = np.zeros(level_db.size, dtype=bool)
        blocked[left_out] = True
        good = ~(blocked[three[0]] | blocked[three[1]] | blocked[three[2]])
        middle, squares = middle[good], squares[good]
        if middle.size < 8:
            return NoiseModel(floor, 0.0, least, 0.0)
    count = min(max(squares.size // 40, 1), 24)
    size = squares.size // count
    groups = np.argsort(middle)[: count * size].reshape(count, size)
    # Of the middle one: noise takes some points to nothing.
    inverse_power_2 = _inverse_square(middle[groups[:, size // 2]])
    quartile = round((size - 1) / 4)
    variance = np.partition(squares[groups], quartile, axis=1)[:, quartile] / QUARTILE_OF_SQUARE
    variance = np.maximum(variance, floor)
    if receiver_db2 is not None:
        receiver = min(receiver_db2, median(variance / inverse_power_2))
        constant = max(median(variance - receiver * inverse_power_2), floor)
        return NoiseModel(constant, receiver, max(constant, least), receiver)
    # Relative to the variances: a loud group does not count for more than a quiet one.
    parts = np.stack([np.ones(count), inverse_power_2]) / variance
    (n11, n12), (_, n22) = np.einsum("ig,jg->ij", parts, parts).tolist()
    constant, receiver = _two_sources((n11, n12, n22, *parts.sum(axis=1).tolist()), 1, None)
    constant = max(constant, floor)
    return NoiseModel(constant, receiver, max(constant, least), receiver)


#: Residuals beyond this many sigma count as that: they are no noise. Derived: normal noise gets
#: there once in 1.7 million points, more than a shot has.
WILD_SIGMAS = 5.0


#: Points that an estimate of the noise looks at: two parameters are then known to some per cent
#: (derived: √(2·window/points) for a window of half a pulse).
MOST_RESIDUALS = 12_000
#: Blocks of points before any of them is left out, neighbours on either side that say what is usual
#: there, and by how much one has to exceed it (chosen, not derived: the scatter of a block of four
#: windows is nearly its mean).
LEAST_BLOCKS, NEIGHBOUR_BLOCKS, DISTURBED = 9, 3, 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Straight pieces of a shot, in order, in points: piece k holds ``lo[k]`` ≤ i < ``hi[k]``."""

    lo: IndexArray
    hi: IndexArray
    level_db: FloatArray  # at lo
    slope_db: FloatArray  # per point

    def over(self, level_db: FloatArray) -> FloatArray:
        """Levels of a shot, shape (n,), with those of the lines where there is one."""
        model: FloatArray = np.array(level_db)
        for lo, hi, level, slope in zip(
            self.lo.tolist(), self.hi.tolist(), self.level_db.tolist(), self.slope_db.tolist(),
            strict=True,
        ):  # fmt: skip
            model[lo:hi] = level + slope * np.arange(hi - lo)
        return model

    def above(self, level_db: float) -> Lines:
        """The lines as far as they lie above a level."""
        falling = self.slope_db < 0
        reach = np.where(self.level_db > level_db, np.inf, 0.0)
        np.divide(level_db - self.level_db, self.slope_db, out=reach, where=falling)
        hi = np.maximum(np.minimum(self.hi, self.lo + np.maximum(reach, 0.0)), self.lo)
        return Lines(self.lo, hi.astype(np.intp), self.level_db, self.slope_db)

    def spread(self, window: int) -> tuple[IndexArray | slice, FloatArray, BoolArray]:
        """Points that tell of the noise about the lines.

        Returns
        -------
        points : indices or slice
            Of the shot.
        level_db : array
            Of the lines there.
        inside : array of bool
            Whether a point lies on a line and has its neighbours.
        """
        edges = np.maximum.accumulate(np.column_stack([self.lo, self.hi]).ravel())
        lengths, first = np.diff(edges), int(edges[0])
        size = int(edges[-1]) - first
        coefficients = np.zeros((3, lengths.size))
        coefficients[0, ::2] = self.level_db - self.slope_db * (self.lo - first)
        coefficients[1, ::2] = self.slope_db
        coefficients[2, ::2] = 1.0
        level, slope, inside = np.repeat(coefficients, lengths, axis=1)
        slope *= np.arange(size)
        level += slope
        places, whole = _spread_out(size, window)
        inside = (inside[places] > 0) & whole
        if isinstance(places, slice):
            return slice(first, first + size), level, inside
        return places + first, level[places], inside


def noise_about(
    lines: Lines,
    power: FloatArray,
    usable: BoolArray,
    *,
    windows: tuple[int, ...],
    rounding: Rounding,
    start: NoiseModel,
    tail_db2: float | None = None,
    smoothing: int = 1,
    least_white: float = 0.0,
) -> NoiseModel:
    """Estimate the noise of a shot's ``power`` (shape (n,)) about lines fitted to it.

    The residuals are taken of power, as in the fit of both shots: their mean is zero where the
    logarithm would read low.

    Parameters
    ----------
    lines : Lines
        Fitted to the shot, two parameters each: residuals are that much too small.
    power : array, shape (n,)
        Linear power of the shot.
    usable : array of bool, shape (n,)
        Points that take part where a line is.
    windows : tuple of int
        Numbers of lags over which the autocovariance may extend, in points; physics gives
        the smoothing, half a pulse and a pulse.
    rounding : Rounding
        A floor for the constant part.
    start : NoiseModel
        Weights to begin with.
    tail_db2 : float, optional
        Receiver variance at level 0 dB read from the noise behind the fibre, which tells the
        sources apart where the level hardly changes along a short fibre.
    smoothing : int
        Points over which the receiver noise is correlated.
    least_white : float
        Long-run variance of the receiver noise by a point's at least: where poles were taken out, a
        window of a pulse shows less of it than a shorter one.

    Notes
    -----
    At each lag k the products r[i]·r[i+k] are regressed, weighted by 1/(σ²[i]·σ²[i+k]), on
    1 and 1/(P[i]·P[i+k]): the autocovariances of the two sources. Summed over the lags of a
    window, the same two equations give the long-run variances; the largest window result stands,
    since a window that is too short misses correlation and one that is too long only adds scatter.
    """
    places, level, inside = lines.spread(max(windows))
    inside &= usable[places]
    q = np.exp(level * (-1 / DB_PER_RELATIVE_POWER))
    residual = DB_PER_RELATIVE_POWER * (power[places] * q - 1)
    total = int((lines.hi - lines.lo).sum())
    parameters = 2 * lines.lo.size * min(int(np.count_nonzero(inside)) / max(total, 1), 1.0)
    return _noise(
        residual, q, inside, windows, rounding, parameters, start, tail_db2, smoothing, least_white
    )


def _noise(
    residual: FloatArray,
    q: FloatArray,
    usable: BoolArray,
    windows: tuple[int, ...],
    rounding: Rounding,
    parameters: float,
    start: NoiseModel,
    tail_db2: float | None,
    smoothing: int,
    least_white: float,
) -> NoiseModel:
    """Estimate both sources from residuals where the fitted power is 1/q."""
    count, n = int(np.count_nonzero(usable)), residual.size
    if count < 16 or count <= 2 * parameters:
        return start
    q2 = q * q
    variance = start.constant_db2 + start.receiver_db2 * q2
    reference2 = float(q2.sum(where=usable)) / count  # any value near them will do
    q2 *= 1 / reference2
    longest = min(max(windows), n // 4)
    widths = sorted({min(w, longest) for w in windows})
    # All sums are taken block by block; the last block is filled up with nothing.
    size = max(4 * widths[-1], 64)
    blocks = -(-n // size)
    weights = np.zeros((3, blocks * size))  # times 1, q and q²
    weight = weights[0, :n]
    np.divide(usable, variance, out=weight)
    wild = np.flatnonzero(residual * residual * weight > WILD_SIGMAS**2)
    residual[wild] = np.copysign(WILD_SIGMAS * np.sqrt(variance[wild]), residual[wild])
    q *= 1 / math.sqrt(reference2)
    np.multiply(weight, q, out=weights[1, :n])
    np.multiply(weight, q2, out=weights[2, :n])
    products = np.zeros((2, blocks * size))
    np.multiply(weights[:2, :n], residual, out=products[:, :n])
    sums = _running_sums(products[:, :n], longest)
    near = np.zeros_like(products)

    def blockwise(one: FloatArray, other: FloatArray) -> FloatArray:
        """Sums of products over each block, one row for each row."""
        shape = one.shape[0], blocks, size
        return np.asarray(np.einsum("kbi,kbi->kb", one.reshape(shape), other.reshape(shape)))

    squares, own, lagged = blockwise(weights, weights), blockwise(products, products), {}
    for width in widths:
        _neighbourhoods(sums, longest, width, near[:, :n])
        lagged[width] = blockwise(products, near)
    kept = _sound_blocks(lagged[widths[-1]][0], own[0], squares[0])
    n11, n12, n22 = (squares @ kept).tolist()
    prior = None if tail_db2 is None else tail_db2 * reference2
    constant, receiver = _two_sources((n11, n12, n22, *(own @ kept).tolist()), 1, prior)
    least = least_white or 1.0
    best = (constant * least, receiver * least)
    changes = np.flatnonzero(usable[1:] != usable[:-1]) + 1
    edges = np.concatenate(([0] * bool(usable[0]), changes, [n] * bool(usable[-1])))
    lengths = edges[1::2] - edges[::2]
    for window in widths:
        width = 2 * window + 1
        share = _share_of_pairs(lengths, window)
        r1, r2 = (lagged[window] @ kept / width).tolist()
        sources = _two_sources(
            (n11 * share, n12 * share, n22 * share, r1, r2),
            width,
            None if prior is None else prior * smoothing,
        )
        if sources[1] < least_white * receiver:
            rest = (r1 * width - n12 * share * least_white * receiver) / (n11 * share)
            sources = (max(rest, 0.0), least_white * receiver)
        swallowed = max(1 - width * parameters / count, 0.3)
        candidate = (sources[0] / swallowed, sources[1] / swallowed)
        if candidate[0] + candidate[1] > best[0] + best[1]:
            best = candidate
    freedom = count / (count - parameters)
    return NoiseModel(
        constant_db2=max(constant * freedom, rounding.point_db2),
        receiver_db2=receiver * freedom / reference2,
        constant_long_run_db2=max(best[0], rounding.long_run_db2),
        receiver_long_run_db2=best[1] / reference2,
    )


def _spread_out(points: int, window: int) -> tuple[IndexArray | slice, BoolArray | bool]:
    """Points spread evenly over a record, all where they are not too many, and which are whole.

    They stand in stretches. The first points of a stretch stand behind the last ones of another:
    they only part them.
    """
    window = min(window, points // 4)
    if points <= 1.5 * MOST_RESIDUALS:
        return slice(0, points), True
    size = max(16 * window, 512)
    count = max(min(MOST_RESIDUALS // size, points // size), 1)
    starts = np.linspace(0, points - size, count).astype(np.intp) if count > 1 else np.zeros(1, int)
    along = np.arange(min(size, points))
    chosen = (starts[:, None] + along).ravel()
    return chosen, np.tile(along >= window, count)


def _running_sums(rows: FloatArray, beyond: int) -> FloatArray:
    """Running sums of each row from 0 on, continued by so many points at either end."""
    n = rows.shape[1]
    sums = np.zeros((rows.shape[0], n + 2 * beyond + 1))
    np.cumsum(rows, axis=1, out=sums[:, beyond + 1 : beyond + 1 + n])
    sums[:, beyond + 1 + n :] = sums[:, beyond + n, None]
    return sums


def _neighbourhoods(sums: FloatArray, beyond: int, window: int, out: FloatArray) -> None:
    """Write the sum over each point's neighbours from −window to window, which is ≤ beyond."""
    n = out.shape[1]
    above, below = sums[:, beyond + window + 1 :], sums[:, beyond - window :]
    np.subtract(above[:, :n], below[:, :n], out=out)


def _sound_blocks(shared: FloatArray, own: FloatArray, weight: FloatArray) -> FloatArray:
    """Which blocks of points take part, 1 or 0: not those that an event left out disturbs.

    A splice that the model does not know leaves residuals that are alike over many pulses; a few of
    them would make all of a shot look noisy.
    """
    kept = np.ones(weight.size)
    used = np.flatnonzero(weight > 0)
    if used.size < LEAST_BLOCKS:
        return kept
    both = np.stack([shared, own])[:, used] / weight[used]
    # The median of each block and its neighbours on either side, mirrored at the ends.
    reach = NEIGHBOUR_BLOCKS
    beside = np.concatenate([both[:, reach:0:-1], both, both[:, -2 : -2 - reach : -1]], axis=1)
    near = beside[:, np.arange(used.size)[:, None] + np.arange(2 * reach + 1)]
    usual = np.partition(near, reach, axis=2)[:, :, reach].max(axis=0)
    kept[used[both[0] > DISTURBED * usual]] = 0.0
    return kept


def _share_of_pairs(lengths: IndexArray, window: int) -> float:
    """Share of neighbours within ``window`` that the points of stretches have: they have ends.

    A stretch of L points holds L − k pairs at each lag k; stretches are further apart than a
    window is long.
    """
    reach = np.minimum(window, lengths - 1)
    pairs = lengths * (2 * reach + 1) - reach * (reach + 1)
    return float(pairs.sum() / (lengths.sum() * (2 * window + 1)))


#: How well noise behind the fibre tells the noise on the fibre, relative standard uncertainty.
#: Chosen, not derived: the point where a receiver clips and its offset move the noise behind the
#: fibre by as much.
TAIL_TRUST = 0.15


def _two_sources(
    sums: tuple[float, float, float, float, float], width: int, prior: float | None
) -> tuple[float, float]:
    """Solve the two normal equations of constant and receiver source, neither negative.

    ``sums`` are n11, n12, n22, r1, r2 averaged over ``width`` lags; the result is the sum of
    the autocovariance over them. A ``prior`` for the receiver's sum counts with its trust.
    """
    n11, n12, n22, r1, r2 = sums
    # A squared residual has variance 2σ⁴ and neighbours repeat each other: weigh down the data.
    scale = 0.5 / width
    n11, n12, n22, r1, r2 = (v * scale for v in (n11, n12, n22, r1 * width, r2 * width))
    if prior is not None and prior > 0:
        trust = 1 / (TAIL_TRUST * prior) ** 2
        n22, r2 = n22 + trust, r2 + trust * prior
    determinant = n11 * n22 - n12**2
    if determinant <= 1e-9 * n11 * n22:
        return max(float(r1 / n11), 0.0), 0.0
    constant = float((n22 * r1 - n12 * r2) / determinant)
    receiver = float((n11 * r2 - n12 * r1) / determinant)
    if constant < 0:
        return 0.0, max(float(r2 / n22), 0.0)
    if receiver < 0:
        return max(float(r1 / n11), 0.0), 0.0
    return constant, receiver
