"""Where a shot carries fibre signal: noise floor, end of fibre, reflections.

Works on one shot, in points of the record. Nothing here knows about splices; it
clears the ground for them.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from otdravg.shot.noise import DB_PER_RELATIVE_POWER, NoiseModel, linear_power, median, quantile

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

#: A tail that seems to go on for longer than this is noise larger than expected. Chosen, not
#: derived: a pole of 4 pulses, the longest that is looked for, falls by 22 dB one way over them.
LONGEST_TAIL_PULSES = 40.0
#: From this far behind an event on, a steady extra fall is taken for steeper fibre, up to so many
#: times the usual one. Chosen, not derived: three lengths of a slow receiver's pole of 2 pulses;
#: more than a length of old fibre among new.
STEEP_AFTER_PULSES, STEEPEST = 6.0, 5.0
#: No splice loses this much: a fall like it ends the flat top of a reflection. Chosen, not
#: derived: above the largest backscatter step and a poor splice together, far below the flanks of
#: a reflection that clips.
FALL_BEHIND_FLAT_TOP_DB = 1.5
#: No splice gains as much as this from one end. Derived: a mode field ratio of 1.32; from 8.0 µm,
#: the smallest nominal field of ITU-T G.655, to 10.4 µm, usual for G.652 at 1550 nm (both from
#: memory), 10·log10 is 1.14 dB.
MOST_GAIN_DB = 1.2
#: A tail falls by more than this per pulse, fibre by much less, dB. Derived: a pole of 2.171/0.8 =
#: 2.7 pulses; even a pulse of 20 µs, 2.04 km, falls by 0.7 dB in fibre of 0.35 dB/km.
FALL_DB_PER_PULSE = 0.8
#: The end of a fibre takes the level down by at least this much, dB. Chosen, not derived: no
#: splice loses half of the light each way; a smaller fall out of a signal this weak may be noise.
LEAST_FALL_DB = 3.0
#: Points from which noise can be told from fibre. Chosen, not derived: their spread is known to a
#: quarter, 1/√(2·8).
LEAST_TAIL_POINTS = 8
#: Parts that the record's far end is looked at in, and how much more power is no floor's. Derived:
#: a mean over 40 points of noise clipped at zero is known to 0.584/0.399/√40 = 23 %, so that three
#: times the power is eight sigma more; parts of a fortieth waste little of a floor.
FLOOR_PARTS = 40
FLOOR_RATIO = 3.0
LEAST_POINTS_PER_PART = 40
#: Levels of noise differ by more than this, dB. Chosen, not derived: folded noise differs by 2 dB,
#: fibre by its slope.
ROUGH_DB = 0.5
#: So much below the fibre's level, and still falling, a tail has no fibre under it, dB. Chosen,
#: not derived: more than the fibre's continued line may be off, less than the first pulse of a
#: fall.
BELOW_FIBRE_DB = 0.5
#: Nothing is measured behind a fall like this unless what follows is straight, dB (chosen, not
#: derived: a splice of 5 dB is a break).
BREAK_DB = 5.0
#: Pulses behind a fall that are looked at: fewer are no fibre that could be measured. Pairs of them
#: that are compared, and how much a tail falls from the first to the last, dB, beyond what fibre
#: does (derived: 1/t from 3 to 9 pulses falls by 2.4 dB, a pole of 25 pulses by 0.5).
TAIL_BLOCKS, TAIL_AT, LEAST_TAIL_DB = 10, (2, 5, 8), 0.25
#: Pulses that the front panel's own tail may last (derived: 20 dB at a pole of 2 pulses).
PANEL_BLOCKS = 20
#: A record that stops on the way down does so within so many pulses of the end (chosen, not
#: derived).
LONGEST_CUT_PULSES = 6.0
#: So far below the fibre's line and still falling by so much in half a pulse, it is on its way
#: down, dB. Chosen, not derived: behind a splice the level falls no further.
CUT_FALL_DB, STILL_FALLING_DB = 1.0, 0.1
#: So many pulses a tail may take to sink into the noise. Derived: 60 times FALL_DB_PER_PULSE is 48
#: dB, about the largest one-way range of receivers (from memory).
LONGEST_FALL_PULSES = 60
#: Flat tops rise by this at least, dB. Chosen, not derived: below MOST_GAIN_DB, so that nothing
#: that counts as steep is passed over.
LEAST_STEEP_DB = 1.0
#: A tail is followed down to so many times the power that is surely signal. Chosen, not derived: a
#: pulse's level is then known to 0.05 dB, an eighth of what two pulses of tail fall by.
EVEN_SIGNAL = 4.0
#: Half of the pulses that fall together fall by so much of their share at least. Chosen, not
#: derived: a tail that bends falls by half as much where it is flattest, fibre between splices not
#: at all.
EVEN_SHARE = 0.3
#: Share of the record, at its far end, looked at for the noise floor. Chosen, not derived: many
#: instruments record hardly a tenth more than the fibre is long; what of it is fibre is cut off.
TAIL_SHARE = 0.08
#: A tail of the record is rough, as noise about zero is, if its spread exceeds this share of its
#: mean and points far apart in it differ by this share of the spread. Chosen, not derived: noise
#: clipped at zero has 1.5 and √2, noise that is rectified 0.76 and √2, fibre ten sigmas above the
#: noise 0.1.
ROUGH_SPREAD, ROUGH_FAR = 0.3, 0.5
#: It is flat if it falls by less than this share of what fibre would, and so many standard errors
#: less than fibre. Chosen, not derived: attenuation from 1310 to 1625 nm is within a factor of 1.6
#: of the one assumed.
FLAT_SHARE, FLAT_SIGMAS = 0.3, 6.0
#: A floor lies so much below the brightest tenth of the record, dB. Chosen, not derived: a short
#: fibre over a high floor has little more.
BELOW_BRIGHT_DB = 1.0
#: Parts of a record that are compared to find what lies behind its last fall, and shares of it that
#: may lie there. Chosen, not derived: a part is half a percent, so that the shortest share has
#: twenty.
FALL_PARTS, BEHIND_SHARES = 200, (0.7, 0.6, 0.5, 0.4, 0.3, 0.25, 0.2, 0.15, 0.1)
#: Parts of fibre scatter less about a line than this, dB (chosen, not derived: each is a mean over
#: tens of points; fibre as noisy as that is none that is measured).
STRAIGHT_DB = 0.05
#: Noise is looked at over more of a record where so many times the usual points are alike. Chosen,
#: not derived: in 8 % of 10 000 points forty readings of their own are left.
SHORT_LIVED = 5
#: What the panel's tail may still fall by in front of a reflection, dB. Chosen, not derived: as
#: much as the search of steps takes for remains of a tail.
LITTLE_TAIL_DB = 0.012
#: Shares of the way from the panel's top to the next reflection that may be fibre (chosen, not
#: derived).
BETWEEN_SHARES = (0.8, 0.65, 0.5, 0.35, 0.2)
#: Shares of a floor's points at its lowest level that say it is clipped at zero, and masked.
#: Derived: half of the points are clipped where the mean is zero, a fifth at a mean of 0.84 sigma;
#: with less than a tenth left they say nothing of sigma.
CLIPPED_SHARE, MASKED_SHARE = 0.2, 0.9
#: Mean of a receiver's noise without light, in sigmas. Chosen, not derived: clipped at zero it is
#: 0.40, rectified 0.80; what is off drowns in the margin of the next two.
DARK_SIGMAS = 0.45
#: What a mean must exceed the dark power by, in its sigmas, and points that smoothing makes alike.
#: Chosen, not derived: six sigmas never happen in the thousands of pulses of a record.
SURE_SIGMAS, ALIKE_POINTS = 6, 4
#: What the last point with signal exceeds the dark power by, in sigmas. Chosen, not derived: among
#: the points of the last pulse chance has one in hundreds of shots.
POINT_SIGMAS = 4
#: Signal is over after so many pulses, and points, without. Chosen, not derived: a dip behind a
#: reflection of a receiver that overshoots is shorter.
GAP_PULSES, LEAST_GAP_POINTS = 4, 24
#: What a reflection's top must exceed the noise by, in sigmas of top and sides. Derived: 2·Φ(−6)
#: is 2e-9, in 100 000 places once in 5000 shots.
PEAK_SIGMAS = 6
#: In the dead zone of a reflection a second one starts at least so many pulses behind the first
#: and rises by so much, dB. Chosen, not derived: sooner, both are one pulse wide and one.
SECOND_PULSES, SECOND_RISE_DB = 0.9, 0.2
#: Two windows of fibre fall by no more than their noise, in sigmas, and this, dB. Chosen, not
#: derived: more would pass tails, less would take noise for one (one window in nine at 1.2
#: sigmas).
QUIET_SIGMAS, QUIET_DB = 1.2, 2e-4


@dataclass(frozen=True, slots=True, eq=False)
class RunningSums:
    """Sums of all values from each index on, shape (n + 1,): every mean is a difference of two.

    They begin at the far end: power falls along a fibre, so a weak signal keeps its digits behind a
    strong one.
    """

    sums: FloatArray

    @classmethod
    def of(cls, values: FloatArray) -> RunningSums:
        """Sum values of shape (n,)."""
        sums = np.zeros(values.size + 1)
        np.cumsum(values[::-1], out=sums[-2::-1])
        return cls(sums)

    def mean(self, first: int, stop: int) -> float:
        """Mean of the values first ≤ i < stop."""
        return (self.sums.item(first) - self.sums.item(stop)) / (stop - first)

    def means(self, before: int, after: int) -> FloatArray:
        """Mean over ``before`` values in front of each index and ``after`` from it on, shape (n,).

        Windows shrink at the ends.
        """
        sums, n = self.sums, self.sums.size - 1
        before, after = min(before, n), max(min(after, n), 1)
        mean = np.empty(n)
        inner = n - before - after + 1
        if inner > 0:
            whole = mean[before : n - after + 1]
            np.subtract(sums[:inner], sums[before + after :], out=whole)
            whole *= 1 / (before + after)
        for edge in (slice(0, before), slice(max(n - after + 1, before), n)):
            index = np.arange(edge.start, edge.stop)
            lo, hi = np.maximum(index - before, 0), np.minimum(index + after, n)
            mean[edge] = (sums[lo] - sums[hi]) / (hi - lo)
        return mean


def running_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean of ``width`` values starting at each index, shape (n,); windows shrink at the end."""
    return RunningSums.of(values).means(0, width)


def centred_mean(values: FloatArray, width: int) -> FloatArray:
    """Centred running mean, shape (n,); windows shrink at both ends."""
    return RunningSums.of(values).means(width // 2, width // 2 + 1)


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise that remains when no light comes back.

    ``mean_power`` and ``sigma_power`` are linear, relative to the 0 dB level;
    ``is_noise`` is False where the record ends while the fibre still answers; ``masked`` where
    nearly all of it is one level, so that ``sigma_power`` says nothing of the noise.
    """

    is_noise: bool
    mean_power: float
    sigma_power: float
    masked: bool = False

    @property
    def noise_power(self) -> float:
        """Standard deviation of the receiver's noise in linear power; 0 where it does not show."""
        return 0.0 if self.masked else self.sigma_power

    @property
    def dark_power(self) -> float:
        """What the receiver shows on average without light, noise below zero clipped."""
        return self.mean_power or DARK_SIGMAS * self.sigma_power

    def surely_above(self, width: int) -> float:
        """What a mean over ``width`` points must exceed the dark power by to be signal.

        Clipping and smoothing make short means noisier than white noise: a wide margin.
        """
        return float(SURE_SIGMAS * self.sigma_power / np.sqrt(width / min(ALIKE_POINTS, width)))


def noise_floor(level_db: FloatArray, slope_db_per_point: float) -> Floor:
    """Read the noise floor from the end of the record.

    Parameters
    ----------
    level_db : array, shape (n,)
        Levels of the shot.
    slope_db_per_point : float
        What fibre would fall per point (negative); tells fibre from floor.

    Notes
    -----
    Receivers clip or rectify noise below zero power. With half the points clipped the
    84 % quantile of the rest of a zero-mean normal distribution is one sigma; rectified
    noise has its 68 % quantile there.
    """
    tail = level_db[-max(int(level_db.size * TAIL_SHARE), min(64, level_db.size)) :]
    if tail.size < LEAST_TAIL_POINTS:
        return Floor(False, 0.0, 0.0)
    tail = _behind_the_end(tail)
    power = linear_power(tail)
    mean, spread = float(power.mean()), float(power.std())
    clipped = float(np.mean(tail <= tail.min()))
    # A receiver's poles make neighbours of the noise alike: look further apart.
    lag = max(power.size // 20, 1)
    far = float(np.std(power[lag:] - power[:-lag]))
    rough = spread > ROUGH_SPREAD * mean and far > ROUGH_FAR * spread
    # A reflection at the end of a record that stops there varies, but not all along.
    apart = np.abs(tail[lag:] - tail[:-lag])
    rough = rough and (clipped > CLIPPED_SHARE or median(apart) > ROUGH_DB)
    # A floor with an offset has little relative noise, but unlike fibre it does not fall.
    x = np.arange(tail.size) - (tail.size - 1) / 2
    fall = float(x @ tail / (x @ x))
    jitter = float(np.std(np.diff(tail))) / np.sqrt(2)
    se = max(jitter, 1e-4) / np.sqrt(float(x @ x))
    flat = abs(fall) < FLAT_SHARE * abs(slope_db_per_point)
    flat &= abs(fall - slope_db_per_point) > FLAT_SIGMAS * se
    bright = quantile(level_db[:: max(level_db.size // 4000, 1)], 0.9)
    low = tail.mean() < bright - BELOW_BRIGHT_DB
    if not (low and (rough or flat or clipped > MASKED_SHARE)):
        return _floor_of(_behind_a_fall(level_db, slope_db_per_point))
    if clipped > MASKED_SHARE:
        # Noise that was not blanked stands one to three sigmas high; all of it may be blanked.
        behind = level_db[first_blank(level_db, 0) :]
        shown = behind[behind > tail.min() + 1e-9]
        lowest = float(linear_power(shown.min())) if shown.size else 0.0
        return Floor(True, mean, max(spread, 1e-2 * mean, lowest), masked=True)
    if clipped <= CLIPPED_SHARE and not rough:
        return Floor(True, mean, spread)
    sigma = quantile(power, 0.8413 if clipped > CLIPPED_SHARE else 0.6827)
    if _alike_points(power) > SHORT_LIVED * ALIKE_POINTS:  # too few readings in so short a tail
        longer = _floor_of(_behind_a_fall(level_db, slope_db_per_point))
        if longer.sigma_power > sigma:
            return longer
    return Floor(True, 0.0, sigma)


def _floor_of(behind_db: FloatArray) -> Floor:
    """The floor that the levels behind the fibre are, whatever makes neighbours alike."""
    if not behind_db.size:
        return Floor(False, 0.0, 0.0)
    power = linear_power(behind_db)
    mean, spread = float(power.mean()), float(power.std())
    if spread > ROUGH_SPREAD * mean:
        return Floor(True, 0.0, float(np.sqrt(np.mean(power**2))))
    return Floor(True, mean, spread)


def _alike_points(power: FloatArray) -> int:
    """Points over which noise is correlated, both ways: twice the lag of a third."""
    centred = power - power.mean()
    spectrum = np.abs(np.fft.rfft(centred, 1 << (2 * power.size).bit_length())) ** 2
    shared = np.fft.irfft(spectrum)[: power.size // 2]
    below = np.flatnonzero(shared < shared[0] / 3)
    return 2 * int(below[0]) if below.size else power.size


def _behind_a_fall(level_db: FloatArray, slope_db_per_point: float) -> FloatArray:
    """The longest end of a record that lies far below the rest and does not fall; else nothing.

    Noise that a receiver or a maker smoothed over tens of points is neither rough nor, within the
    last part of a record, flat. It is no fibre all the same.
    """
    size = level_db.size // FALL_PARTS
    if size < 2:
        return level_db[:0]
    parts = level_db[level_db.size - FALL_PARTS * size :].reshape(FALL_PARTS, size)
    means = DB_PER_RELATIVE_POWER * np.log(linear_power(parts).mean(axis=1))
    for share in BEHIND_SHARES:
        count = round(share * FALL_PARTS)
        behind, before = means[-count:], means[int(np.argmax(means)) : -count]
        if not before.size or behind.max() > float(np.median(before)) - BREAK_DB:
            continue
        third = count // 3
        fall = float(behind[:third].mean() - behind[-third:].mean())
        middle = float(np.median(behind))
        line = middle + fall * (0.5 - np.arange(count) / (count - 1)) * count / (count - third)
        scatter = 1.4826 * float(np.median(np.abs(behind - line)))
        # Two means of a third of the parts each, of which every second is a reading of its own.
        u_fall = 2 * scatter / math.sqrt(third)
        of_fibre = -slope_db_per_point * size * (count - third)
        steady = abs(fall) < 3 * u_fall and behind.max() - middle < max(5 * scatter, 0.3)
        if steady and (of_fibre - fall > 3 * u_fall or scatter > STRAIGHT_DB):
            return level_db[-count * size :]
    return level_db[:0]


def first_blank(level_db: FloatArray, start: int) -> int:
    """First point at the lowest level, beyond the record's first light; its end if there is none.

    Parameters
    ----------
    level_db : array, shape (n,)
    start : int
        First point at or behind the front panel.
    """
    from_here = start + level_db.size // 50
    blanked = np.flatnonzero(level_db[from_here:] <= level_db.min() + 1e-9)
    return from_here + int(blanked[0]) if blanked.size else level_db.size


def _behind_the_end(tail_db: FloatArray) -> FloatArray:
    """What of the record's last part lies behind the end of the fibre, if that lies in it.

    Many instruments record hardly more than the fibre is long.
    """
    count = max(min(FLOOR_PARTS, tail_db.size // LEAST_POINTS_PER_PART), 1)
    size = tail_db.size // count
    means = linear_power(tail_db[-count * size :]).reshape(count, size).mean(axis=1)
    lowest = np.median(means[-3:])  # one part may be low by chance
    above = np.flatnonzero(means > FLOOR_RATIO * lowest)
    return tail_db[-(count - 1 - int(above[-1])) * size :] if above.size else tail_db


def find_end(power: FloatArray, floor: Floor, pulse_points: float) -> int:
    """Find where the signal, given as linear power, ends: index of the last point with signal."""
    n = power.size
    if not floor.is_noise:
        return n - 1
    width = max(round(pulse_points), 5)
    smooth = running_mean(power, width)
    present = smooth > floor.dark_power + floor.surely_above(width)
    if not present.any():
        return 0
    gap_needed = max(GAP_PULSES * width, LEAST_GAP_POINTS)
    changes = np.flatnonzero(present[1:] != present[:-1])
    edges = np.concatenate(([0], changes + 1, [n]))
    starts, stops = edges[:-1], edges[1:]
    is_signal = present[starts]
    long_gaps = np.flatnonzero(~is_signal & (stops - starts >= gap_needed) & (starts > 0))
    first = int(np.argmax(present))
    long_gaps = long_gaps[starts[long_gaps] > first]
    end = int(starts[long_gaps[0]]) - 1 if long_gaps.size else n - 1
    # running_mean looks ahead: signal counts up to one window behind the last present index.
    least = floor.dark_power + POINT_SIGMAS * floor.sigma_power
    single = power[min(end + width, n - 1) :: -1] > least
    last = int(np.argmax(single))
    return single.size - 1 - last if single[last] else end


def final_fall(power: FloatArray, floor: Floor, last: int, pulse_points: float) -> int | None:
    """Find where the level falls for good, out of clear signal and into the noise.

    That is the end of the fibre or a break. What follows may be a tail of the receiver many
    pulses long: it falls by decibels per pulse where fibre falls by hundredths.

    Parameters
    ----------
    power : array, shape (n,)
        Linear power relative to the 0 dB level.
    floor : Floor
    last : int
        Last point with signal.
    pulse_points : float

    Returns
    -------
    int or None
        First point of the pulse in which the fall begins; None where the shot sinks into the
        noise by and by or the record stops before the fibre does.
    """
    if not floor.is_noise:
        return _cut_fall(power, pulse_points)
    block = max(round(pulse_points), 5)
    stop = min(last + 1 + 2 * block, power.size)
    if stop < 4 * block:
        return None
    count = min(stop // block, LONGEST_FALL_PULSES)
    first = stop - count * block
    means = power[first:stop].reshape(count, block).mean(axis=1)
    signal = np.maximum(means - floor.dark_power, max(0.5 * floor.sigma_power, 1e-13))
    means_db = DB_PER_RELATIVE_POWER * np.log(signal)
    steep = np.diff(means_db) < -FALL_DB_PER_PULSE
    k = count - 1
    while k > max(count - 4, 0) and not steep[k - 1]:  # only noise behind the last signal
        k -= 1
    while k > 0:
        if steep[k - 1]:
            k -= 1
        elif k >= 3 and steep[k - 2] and steep[k - 3]:
            k -= 2  # a bump on the way down
        else:
            break
    clear = signal[k] > 2 * floor.surely_above(block) + floor.dark_power
    if not clear or means_db[k] - means_db[-1] < LEAST_FALL_DB:
        return None
    return first + k * block


def fall_into_tail(
    power: FloatArray, floor: Floor, start: int, end: int, pulse_points: float, slope_db: float
) -> int | None:
    """Find an end of the fibre behind which the receiver's own slow tail shows for many pulses.

    Returns
    -------
    int or None
        First point of the fall; None where fibre lies behind every large fall. A tail falls on.
    """
    block = max(round(pulse_points), 5)
    count = (end - start) // block
    if count < PANEL_BLOCKS:
        return None
    means = power[start : start + count * block].reshape(count, block).mean(axis=1)
    level = DB_PER_RELATIVE_POWER * np.log(np.maximum(means - floor.mean_power, 1e-13))
    drops = np.flatnonzero(level[2:] < level[:-2] - BREAK_DB) + 2
    for k in map(int, drops[drops > PANEL_BLOCKS]):
        # A reflection's own fall leads back to the fibre; behind an end nothing comes back up.
        if level[k:].max() > level[: max(k - 2, 1)].min() - BREAK_DB / 2:
            continue
        if count - k < TAIL_BLOCKS:
            return start + (k - 2) * block
        near, later, last = (float(level[k + j : k + j + 2].mean()) for j in TAIL_AT)
        fall = near - last
        falling = min(near - later, later - last) > EVEN_SHARE / 2 * fall
        if falling and fall > 6 * block * abs(slope_db) + LEAST_TAIL_DB:
            return start + (k - 2) * block
    return None


def fall_by_and_by(
    power: FloatArray, floor: Floor, start: int, last: int, pulse_points: float, slope_db: float
) -> int | None:
    """Find an end of the fibre behind which a slow receiver falls evenly for many pulses.

    Returns
    -------
    int or None
        First point of the fall; None where what the record ends with, as far as it is clear signal,
        is fibre. A tail falls all along, fibre with its splices does not.
    """
    block = max(round(pulse_points), 5)
    count = max((last + 1 - start) // block, 0)
    means = power[start : start + count * block].reshape(count, block).mean(axis=1)
    clear = np.flatnonzero(means > floor.dark_power + EVEN_SIGNAL * floor.surely_above(block))
    if not clear.size:
        return None
    signal = np.maximum(means[: clear[-1] + 1] - floor.dark_power, 1e-13)
    level = DB_PER_RELATIVE_POWER * np.log(signal)
    joined = 2
    while 3 * joined < level.size and 3 * joined * block * abs(slope_db) < FALL_DB_PER_PULSE:
        fall, half = level[:-joined] - level[joined:], joined // 2
        flat = np.flatnonzero(fall < FALL_DB_PER_PULSE)
        first = int(flat[-1]) + joined + 1 if flat.size else joined  # the first that fell so far
        # All of what falls, less the way from the top of a reflection down to the tail.
        tail = level[first + joined :]
        if tail.size > joined and tail[0] - tail[-1] > LEAST_FALL_DB:
            least = float((tail[:-half] - tail[half:]).min())
            if least > EVEN_SHARE * half / (tail.size - 1) * float(tail[0] - tail[-1]):
                drops = -np.diff(level[first - joined : first + 1])
                steep = int(np.argmax(drops > drops.max() / 2))
                return start + (first - joined + steep) * block
        joined *= 2
    return None


def _cut_fall(power: FloatArray, pulse_points: float) -> int | None:
    """Where the level falls for good in a record that stops on the way down, or None.

    Below the fibre's own level, at the record's very end, there is no fibre any more.
    """
    width = max(int(pulse_points / 4), 3)
    stretch = int(LONGEST_CUT_PULSES * pulse_points) + 2 * width
    if power.size < 2 * stretch:
        return None
    smooth = DB_PER_RELATIVE_POWER * np.log(
        np.maximum(running_mean(power[-2 * stretch :], width)[: 2 * stretch - width + 1], 1e-13)
    )
    # The fibre's own line, from both halves of what lies before.
    half = stretch // 2
    near, far = float(np.median(smooth[:half])), float(np.median(smooth[half : 2 * half]))
    fibre = far + (far - near) / half * (np.arange(smooth.size) - 1.5 * half)
    below = fibre - smooth
    still_falling = below[-1] - below[-1 - max(2 * width, 4)] > STILL_FALLING_DB
    if below[-1] < (CUT_FALL_DB if still_falling else LEAST_FALL_DB):
        return None
    above = np.flatnonzero(below < BELOW_FIBRE_DB)
    return power.size - 2 * stretch + max(int(above[-1]) - round(pulse_points), 0)


@dataclass(frozen=True, slots=True)
class Peak:
    """A reflection: indices of its leading edge, of its top and of the first clear point.

    ``height_db`` is negative for a dip, which is what a short piece of weakly scattering
    glass between two splices looks like.
    """

    lead: float  # fractional index of the leading edge
    first: int  # first point inside
    clear: int  # first point behind the dead zone
    height_db: float  # above the backscatter before it
    saturated: bool


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """How every point of a shot stands against its neighbourhood, whatever the noise.

    Arrays have shape (n,). Made once: noise and the start of clean fibre are estimated several
    times, the levels stay.
    """

    level_db: FloatArray
    sums_db: RunningSums  # of the levels
    inverse_square: FloatArray  # 1/P² of the linear power, smoothed
    least_square: float  # its least: where there is least noise
    pulse_points: float
    slope_db_per_point: float  # what the fibre falls by from point to point (negative)
    smoothing: int  # points that a sharp edge is spread over
    top: int  # points of a reflection's top
    side: int  # points of the fibre on either side
    tops: FloatArray  # mean of a top from each point on
    sides: FloatArray  # mean of a side from each point on
    rise: FloatArray  # top above the fibre before it
    height: FloatArray  # top above the fibre on both of its sides, beyond what slopes explain
    depth: FloatArray  # top below the fibre on both of its sides, beyond what slopes explain
    ceiling_db: float  # highest level
    highest: list[int]  # points at it
    clipped: IndexArray  # points in a stretch that is clipped there, noise dips included

    @classmethod
    def of(
        cls,
        level_db: FloatArray,
        power: FloatArray,
        pulse_points: float,
        slope_db_per_point: float,
        smoothing: int = 1,
        slope_slack: float = 0.0,
        sums_db: RunningSums | None = None,
    ) -> Contour:
        """Compare all points with their surroundings.

        Parameters
        ----------
        level_db, power : array, shape (n,)
            Levels of the shot in dB, and as linear power.
        pulse_points : float
            Points that the pulse covers.
        slope_db_per_point, slope_slack : float
            What the fibre falls by from point to point (negative), and how far it may be off.
        smoothing : int
            Points that a sharp edge is spread over.
        sums_db : RunningSums, optional
            Of the levels, if they are there already.
        """
        top, side = max(int(pulse_points // 3), 1), max(int(np.ceil(pulse_points * 0.75)), 4)
        sums = sums_db or RunningSums.of(level_db)
        tops, sides = sums.means(0, top), sums.means(0, side)
        inverse = centred_mean(power, max(int(pulse_points / 3), 3))
        np.maximum(inverse, 1e-13, out=inverse)
        np.divide(1.0, inverse, out=inverse)
        inverse *= inverse
        gap = int(np.ceil(1.25 * pulse_points)) + 2
        # Both neighbours brought along the fibre's own slope to where the top is.
        rise, drop = np.empty_like(tops), np.empty_like(tops)
        last = max(tops.size - gap, 0)
        np.subtract(tops[:side], sides[0], out=rise[:side])
        np.subtract(tops[side:], sides[: max(tops.size - side, 0)], out=rise[side:])
        np.subtract(tops[:last], sides[gap:], out=drop[:last])
        np.subtract(tops[last:], sides[-1], out=drop[last:])
        rise -= slope_db_per_point * (side + top) / 2
        drop += slope_db_per_point * (gap + (side - top) / 2)
        slack = slope_slack * (gap + side)
        height, depth = np.minimum(rise, drop), np.maximum(rise, drop, out=drop)
        height -= slack
        np.subtract(-slack, depth, out=depth)
        ceiling = float(level_db.max())
        highest = np.flatnonzero(level_db >= ceiling - 1e-9)
        return cls(
            level_db, sums, inverse, float(inverse.min()), pulse_points, slope_db_per_point,
            smoothing, top, side, tops, sides, rise, height, depth, ceiling, highest.tolist(),
            clipped_points(highest, level_db.size),
        )  # fmt: skip


def clipped_points(highest: IndexArray, size: int) -> IndexArray:
    """Points of a shot in a stretch that is clipped at the highest level, noise dips included."""
    if highest.size < 3:
        return highest[:0]
    near = np.unique(highest[:, None] + np.arange(-7, 8))
    near = near[np.searchsorted(near, 0) : np.searchsorted(near, size)]
    first, stop = np.maximum(near - 7, 0), np.minimum(near + 8, size)
    held = np.searchsorted(highest, stop) - np.searchsorted(highest, first)
    return np.asarray(near[held > 0.1 * (stop - first)])


@dataclass(frozen=True, slots=True, eq=False)
class _View:
    """Where reflections or dips are looked for in a contour, and the noise there."""

    contour: Contour
    noise: NoiseModel
    start: int
    end: int
    sign: int = 1  # −1: upside down, dips for peaks

    def level_db(self, first: int, stop: int) -> FloatArray:
        """Levels of the points first ≤ i < stop."""
        return self.sign * self.contour.level_db[first:stop]

    @property
    def here(self) -> slice:
        """Points that a top may start at."""
        return slice(self.start + self.contour.side, self.end + 1)

    def six_sigma(self, inverse_square: FloatArray) -> FloatArray:
        """Six times the noise of a top less that of its sides, where 1/P² is that."""
        point = self.noise.variance_at(inverse_square)
        long_run = self.noise.long_run_at(inverse_square)
        long_run = np.maximum(long_run, point)  # noise that swings back counts as white
        top = np.minimum(point, long_run / self.contour.top)
        side = np.minimum(point, long_run / self.contour.side)
        return np.asarray(PEAK_SIGMAS * np.sqrt(top + 2 * side))

    def least(self) -> float:
        """Six sigma where there is least noise: few places are worth knowing the exact noise."""
        return float(self.six_sigma(np.array(self.contour.least_square)))


def find_reflections(
    contour: Contour, noise: NoiseModel, start: int, end: int
) -> tuple[tuple[Peak, ...], tuple[Peak, ...]]:
    """Find reflections between ``start`` and ``end`` (indices), with their dead zones, and dips.

    A reflection rises above the level on both of its sides; a step, gain or loss, does not. A
    dip is lower than the fibre on both sides.

    Parameters
    ----------
    contour : Contour
        The shot.
    noise : NoiseModel
        Of its points.
    start, end : int
        First point that may be inside and last point with signal.

    Returns
    -------
    peaks, dips : tuple of Peak
    """
    view = _View(contour, noise, start, end)
    return _peaks(view), _dips(view)


def _peaks(view: _View) -> tuple[Peak, ...]:
    """Stretches above the fibre on both sides, or that rise as no splice gains; dips likewise."""
    contour, end, here, sign = view.contour, view.end, view.here, view.sign
    pulse_points, top, tops = contour.pulse_points, contour.top, contour.tops
    height = (contour.height if sign > 0 else contour.depth)[here]
    if not height.size:
        return ()
    rises, rise = sign > 0, contour.rise[here]
    clear = height > view.least()
    worth = np.flatnonzero(clear | (rise > LEAST_STEEP_DB) if rises else clear)
    at = worth + here.start
    limit = view.six_sigma(contour.inverse_square[at])
    high = height[worth] > limit
    ceiling = contour.ceiling_db
    if rises:
        # A flat top longer than the pulse has no lower side within reach, but rises all the same.
        before = tops[at] - rise[worth]
        high |= (tops[at] >= ceiling - 1e-9) & (before < ceiling - LEAST_STEEP_DB)
        # No splice gains as much: what rises like this is a reflection even if another follows.
        high |= rise[worth] > np.maximum(MOST_GAIN_DB, limit)
    hits = at[high]
    if not hits.size:
        return ()
    splits = np.flatnonzero(hits[1:] - hits[:-1] > max(int(pulse_points / 2), 2)) + 1
    edges = [0, *splits.tolist(), hits.size]
    peaks: list[Peak] = []
    for begin, stop in pairwise(edges):
        group = hits[begin:stop]
        run_start = int(group[0])
        if peaks and run_start < peaks[-1].clear:
            # Inside the dead zone of the one before: only a true second rise counts.
            previous = peaks[-1]
            over = sign * (tops[group] - contour.level_db[max(run_start - 1, 0)]).max()
            too_soon = run_start - previous.first < SECOND_PULSES * pulse_points
            if too_soon or over < SECOND_RISE_DB:
                continue
        base = sign * float(contour.sides[max(run_start - contour.side, 0)])
        crest = int(run_start + np.argmax(view.level_db(run_start, int(group[-1]) + top + 1)))
        first, lead = _leading_edge(view, run_start, crest, base)
        inside = contour.level_db[first : max(int(first + pulse_points), crest) + 1]
        saturated = rises and int(np.count_nonzero(inside >= ceiling - 1e-9)) >= 3
        dead = _clear_behind(view, first, min(end, contour.level_db.size - 1))
        above = sign * float(contour.level_db[crest]) - base
        peaks.append(Peak(lead, first, dead, above, saturated))
    for k, (peak, following) in enumerate(pairwise(peaks)):
        if peak.clear > following.first:  # its tail must not be looked for behind the next one
            peaks[k] = replace(peak, clear=_clear_behind(view, peak.first, following.first))
    return tuple(peaks)


def _clear_behind(view: _View, first: int, stop: int) -> int:
    return clear_after(view.contour, view.noise, first, stop, view.sign)


def _dips(view: _View) -> tuple[Peak, ...]:
    contour, end = view.contour, view.end
    # The drop at the end of the fibre is no dip: keep away from it.
    # A large loss is no dip: what counts is lower than the fibre on both sides.
    found = _peaks(replace(view, end=max(end - int(4 * contour.pulse_points) - 8, 0), sign=-1))
    level_db = contour.level_db
    width = int(np.ceil(1.35 * contour.pulse_points)) + 2 + contour.smoothing
    dips = []
    for dip in found:
        base = float(np.mean(level_db[max(dip.first - 6, 0) : max(dip.first - 1, 1)]))
        near = level_db[dip.first : dip.first + 3 * width]
        # Half way up to the fibre behind it, which a loss has put lower than the one before.
        rim = min(base, float(np.mean(near[2 * width :]))) if near.size > 2 * width else base
        inside = np.flatnonzero(near < 0.5 * (rim + float(near.min())))
        reach = int(inside[-1]) if inside.size else width
        clear = dip.first + reach + width
        dips.append(Peak(dip.lead, dip.first, min(clear, end), -dip.height_db, False))
    return tuple(dips)


def _leading_edge(view: _View, run_start: int, crest: int, base: float) -> tuple[int, float]:
    """Find the first point above the backscatter and where, between points, the rise begins."""
    smoothing = view.contour.smoothing
    before = view.contour.inverse_square[max(run_start - view.contour.top, 0)]
    threshold = base + 4 * math.sqrt(view.noise.variance_at(before)) + 0.005
    begin = max(run_start - 1, 1)
    above = np.flatnonzero(view.level_db(begin, crest + 1) > threshold)
    first = begin + int(above[0]) if above.size else crest
    while first > 1 and view.sign * view.contour.level_db[first - 1] > threshold:
        first -= 1
    # Half height in linear power: symmetric smoothing does not move it.
    power = linear_power(view.level_db(first - 1, crest + 1))
    half = 0.5 * (10 ** (base / 5) + power[-1])
    over = int(np.argmax(power >= half))
    if over == 0:
        return first, first - 0.5
    share = (half - power[over - 1]) / max(power[over] - power[over - 1], 1e-30)
    at_half = first - 1 + over - 1 + float(np.clip(share, 0.0, 1.0))
    # A slow receiver reaches half height late, but begins to rise in time (smoothing apart).
    return first, float(np.clip(first - 0.5 + (smoothing - 1) / 2, first - 0.5, at_half))


def panel_clear(contour: Contour, noise: NoiseModel, start: int, end: int) -> int:
    """Find where the receiver has recovered behind the front panel.

    A tail only falls. What rises within it as no splice gains is a reflection of its own, and where
    there is fibre in front of it the panel's tail ends there.
    """
    clear = clear_after(contour, noise, start, end)
    level, pulse, mean = contour.level_db, contour.pulse_points, contour.sums_db.mean
    spread = math.ceil(pulse) + contour.smoothing
    crest = start + int(np.argmax(level[start : start + spread + math.ceil(pulse)]))
    behind = running_mean(level[crest : clear + 2 * spread], contour.top)
    lowest = np.minimum.accumulate(behind)
    long_run = float(noise.long_run_at(contour.inverse_square[start:clear]).mean())
    least = MOST_GAIN_DB + PEAK_SIGMAS * math.sqrt(long_run / contour.top)
    rising = np.flatnonzero(behind > lowest + least) if behind.size else behind
    if not rising.size:
        return clear
    rise = crest + int(np.flatnonzero(behind[: rising[0]] <= lowest[rising[0]])[-1])
    if rise >= clear:
        return clear
    for share in BETWEEN_SHARES:  # only where fibre shows between both: else one hides the other
        half = int(share * (rise - 1 - crest)) // 2
        before = rise - 1 - 2 * half
        if half < max(contour.side // 2, 2) or before - start < pulse:
            continue
        fall = mean(before, before + half) - mean(before + half, rise - 1)
        sigma = math.sqrt(2 * noise.long_run_at(contour.inverse_square[before]) / half)
        if fall + contour.slope_db_per_point * half < 3 * sigma + LITTLE_TAIL_DB:
            return before
    return clear


def clear_after(contour: Contour, noise: NoiseModel, first: int, stop: int, sign: int = 1) -> int:
    """Find where the receiver has recovered behind an event that starts at ``first``.

    A tail falls faster than fibre, at its own growing scale: windows grow with the distance
    from the event. The dead zone ends where pairs of windows fall no faster than fibre and
    go on doing so for half that distance again. A fall much larger than those before it is
    not the tail any more but a step, and ends the search. ``sign`` −1: behind a dip.
    """
    pulse_points, slope_db_per_point = contour.pulse_points, contour.slope_db_per_point
    step = max(int(pulse_points // 4), 1)
    base = int(np.ceil(pulse_points)) + contour.smoothing + 1
    t = first + base
    highest, mean = contour.highest if sign > 0 else [], contour.sums_db.mean
    candidate: int | None = None
    first_quiet: int | None = None
    least_rate = math.inf  # fall per point: that of a tail shrinks
    reach = t + int(LONGEST_TAIL_PULSES * pulse_points) + 60
    constant, receiver = noise.constant_long_run_db2, noise.receiver_long_run_db2
    while t < stop:
        if t > reach and first_quiet is not None:
            return first_quiet
        h = max((t - first) // 3, step, 3)
        last = bisect_left(highest, t + 2 * h) - 1
        if last >= 0 and highest[last] >= t:  # a flat top is not fibre
            reach += highest[last] + 1 - t
            t = highest[last] + 1
            candidate = None
            continue
        if t + 2 * h > stop:
            if candidate is None and least_rate < math.inf:
                return stop  # still falling
            break
        behind = mean(t + h, t + 2 * h)
        fall = sign * (mean(t, t + h) - behind + slope_db_per_point * h)
        sigma = math.sqrt(2 * (constant + receiver * contour.inverse_square.item(t + h)) / h)
        quiet = fall <= QUIET_SIGMAS * sigma + QUIET_DB
        steep = fall < STEEPEST * h * abs(slope_db_per_point)
        if steep and t - first > STEEP_AFTER_PULSES * pulse_points and t + 3 * h <= stop:
            # Fibre steeper than the rest falls on and on, a tail falls less and less.
            later = behind - mean(t + 2 * h, t + 3 * h)
            bend = fall - sign * (slope_db_per_point * h + later)
            quiet |= bend <= math.sqrt(3) * sigma + 1e-4
        if quiet:
            candidate = t if candidate is None else candidate
            first_quiet = t if first_quiet is None else first_quiet
            if t - candidate > 0.5 * (candidate - first) + 2 * step:
                ahead = contour.level_db[candidate : min(t + 4 * h + base, stop)]
                ahead = sign * running_mean(ahead, step)
                fibre = ahead[0] + sign * slope_db_per_point * np.arange(ahead.size)
                cliff = np.flatnonzero(ahead < fibre - FALL_BEHIND_FLAT_TOP_DB)
                if not cliff.size:
                    return candidate
                t, candidate = candidate + int(cliff[0]), None  # it was the flat top of a peak
        elif 2 * least_rate * h + 3 * sigma < fall < 0.5 * FALL_BEHIND_FLAT_TOP_DB:
            break
        else:
            candidate, least_rate = None, min(fall / h, least_rate)
        t += max(step, (t - first) // 8)
    return min(t if candidate is None else candidate, stop)
