"""The best that physics allows: a fit that is told everything but the losses.

The oracle knows every position, the receiver, the noise with its whole covariance and
where each dead zone ends. What is left is generalised least squares: a level per shot
and one shared attenuation for each section, and a splice is the gap between two
neighbouring lines. Its covariance is the Cramér–Rao bound of that model. It borrows no
slope from other sections, which a measurement may do, so a ratio slightly below 1 in
short sections is no error.

Apart from the simulator, which made the shots, nothing of the package is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from corpus import SimulatedPair
from scipy.linalg import solveh_banded
from scipy.ndimage import uniform_filter1d
from simulated import Shot, backscatter_power, pulse_length_m, reflected_power

FloatArray = npt.NDArray[np.float64]

#: dB (one way) per unit of relative power: 5·log10(e).
DB_PER_RELATIVE_POWER = 5 / np.log(10)

#: A dead zone ends where the noise-free shot is back on its straight line to within this, dB.
STRAIGHT_TO_DB = 5e-4

#: Points are averaged over this share of a pulse before the fit: the same information within
#: a part in a thousand, and a covariance matrix with a narrow band.
BLOCK_SHARE = 1 / 8

#: Below this many sigmas of the receiver's noise, clipping at zero power spoils the mean.
LEAST_SIGNAL_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class OracleReading:
    """Losses at one true joint and their bounds (standard deviations), dB; NaN = unmeasurable."""

    loss_ab_db: float
    loss_ba_db: float
    loss_db: float
    bound_ab_db: float
    bound_ba_db: float
    bound_loss_db: float


@dataclass(frozen=True, slots=True, eq=False)
class _Stretch:
    """Clean blocks of one section in one shot: positions on the span, response, covariance."""

    z_m: FloatArray
    response_db: FloatArray
    bands: FloatArray  # covariance in the lower form of scipy.linalg.solveh_banded


def oracle_readings(pair: SimulatedPair) -> tuple[OracleReading, ...]:
    """Fit a pair with all its secrets known.

    Parameters
    ----------
    pair : SimulatedPair
        The shots and how they were made.

    Returns
    -------
    tuple of OracleReading
        One per true joint, in order from A.
    """
    forward = _stretches(pair.shot_a, pair.cords_a.launch_m, pair)
    backward = _stretches(pair.shot_b, pair.cords_b.launch_m, pair)[::-1]
    edges = np.array([0.0, *(j.position_m for j in pair.truth), pair.span_m])
    middles = (edges[1:] + edges[:-1]) / 2
    fits = []
    for ab, ba, middle_m in zip(forward, backward, middles, strict=True):
        z_ba = pair.span_m - ba.z_m  # on the axis from A
        normal, right = np.zeros((3, 3)), np.zeros(3)
        for row, stretch, z_m, sense in ((0, ab, ab.z_m, -1.0), (1, ba, z_ba, 1.0)):
            if z_m.size == 0:
                continue
            design = np.zeros((z_m.size, 3))
            design[:, row] = 1.0
            design[:, 2] = sense * (z_m - middle_m) / 1000
            whitened = solveh_banded(stretch.bands, design, lower=True)
            normal += design.T @ whitened
            right += whitened.T @ stretch.response_db
        fits.append(_solved(normal, right))
    return tuple(
        _gap(fits[j], fits[j + 1], (edges[j + 1] - middles[j : j + 2]) / 1000)
        for j in range(len(pair.truth))
    )


def _solved(normal: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Parameters (level A, level B, attenuation) and covariance; NaN where nothing is known."""
    values, covariance = np.full(3, np.nan), np.full((3, 3), np.nan)
    known = np.flatnonzero(np.diag(normal) > 0)
    scale = 1 / np.sqrt(np.diag(normal)[known])
    scaled = normal[np.ix_(known, known)] * np.outer(scale, scale)
    if known.size and np.linalg.cond(scaled) < 1e12:
        inverse = np.linalg.inv(scaled) * np.outer(scale, scale)
        covariance[np.ix_(known, known)] = inverse
        values[known] = inverse @ right[known]
    return values, covariance


def _gap(
    before: tuple[FloatArray, FloatArray], after: tuple[FloatArray, FloatArray], t_km: FloatArray
) -> OracleReading:
    """Reading at the joint that lies ``t_km`` from the middles of both neighbouring sections."""
    value, variance, variance_of_mean = np.zeros(2), np.zeros(2), 0.0
    for (parameters, covariance), t, sign in ((before, t_km[0], 1.0), (after, t_km[1], -1.0)):
        lines = sign * np.array([[1.0, 0.0, -t], [0.0, -1.0, -t]])
        for direction in range(2):
            # Each direction by itself: what the other shot cannot see must not reach it.
            used = [direction, 2]
            line = lines[direction, used]
            value[direction] += line @ parameters[used]
            variance[direction] += line @ covariance[np.ix_(used, used)] @ line
        mean = lines.mean(axis=0)
        variance_of_mean += float(mean @ covariance @ mean)
    return OracleReading(
        loss_ab_db=float(value[0]),
        loss_ba_db=float(value[1]),
        loss_db=float(value.mean()),
        bound_ab_db=float(np.sqrt(variance[0])),
        bound_ba_db=float(np.sqrt(variance[1])),
        bound_loss_db=float(np.sqrt(variance_of_mean)),
    )


def _stretches(shot: Shot, launch_m: float, pair: SimulatedPair) -> list[_Stretch]:
    """Cut a shot into clean stretches, one per section of the span in order of travel.

    ``z_m`` counts from the end of the span at which the shot was taken.
    """
    link, tool = shot.fibre, shot.instrument
    count = len(pair.truth) + 1
    first = 1 if launch_m > 0 else 0
    x_m = shot.distance_m
    spacing_m = float(x_m[1] - x_m[0])
    quiet = backscatter_power(link, tool) + reflected_power(link, tool)
    saturated = quiet >= 0.95 * tool.saturation_power
    lowest = shot.top_power * 10 ** (-tool.floor_raw * tool.scale_1000 * 1e-6 / 5)
    if tool.smoothing_points > 1:
        quiet = uniform_filter1d(quiet, tool.smoothing_points, mode="nearest")
        saturated = uniform_filter1d(saturated.astype(float), tool.smoothing_points) > 0
    power = shot.top_power * 10 ** (shot.level_db / 5)
    readable = ~saturated & (quiet > LEAST_SIGNAL_SIGMAS * tool.noise_power) & (quiet > lowest)
    level = DB_PER_RELATIVE_POWER * np.log(np.maximum(quiet, 1e-300))
    pulse_points = pulse_length_m(link, tool.pulse_ns) / spacing_m
    block = max(int(pulse_points * BLOCK_SHARE), 1)
    origin_m = link.boundaries_m[first] + _delay_m(shot)

    stretches = []
    for section in range(first, first + count):
        slope = -link.sections[section].attenuation_db_per_km / 1000
        begin_m, stop_m = link.boundaries_m[section : section + 2]
        stop_m -= (tool.smoothing_points // 2) * spacing_m
        lo, hi = np.searchsorted(x_m, (begin_m, stop_m))
        if hi <= lo:
            stretches.append(_Stretch(np.zeros(0), np.zeros(0), np.zeros((1, 0))))
            continue
        line = level[hi - 1] + slope * (x_m[lo:hi] - x_m[hi - 1])
        bent = np.abs(level[lo:hi] - line) > STRAIGHT_TO_DB
        unusable = np.flatnonzero(bent | ~readable[lo:hi])
        clear = int(unusable[-1]) + 1 if unusable.size else 0
        if not readable[hi - 1] and readable[lo:hi].any():
            # The signal sinks below what can be read inside this section: keep what is before.
            gone = int(np.flatnonzero(readable[lo:hi])[-1]) + 1
            early = np.flatnonzero(bent[:gone])
            clear, hi = (int(early[-1]) + 1 if early.size else 0), lo + gone
        blocks = (hi - lo - clear) // block
        here = slice(hi - blocks * block, hi)
        true_line = line[hi - lo - blocks * block : hi - lo]
        # Against the true curve, so that what is left of a recovery does not bend the line.
        ratio = power[here] / quiet[here]
        response = true_line + DB_PER_RELATIVE_POWER * (ratio - 1)
        mean_line = true_line.reshape(blocks, block).mean(axis=1)
        stretches.append(
            _Stretch(
                z_m=x_m[here].reshape(blocks, block).mean(axis=1) - origin_m,
                response_db=response.reshape(blocks, block).mean(axis=1),
                bands=_covariance(shot, mean_line, pulse_points, block),
            )
        )
    return stretches


def _delay_m(shot: Shot) -> float:
    """How far behind the fibre it shows a point lies: half a pulse, and the receiver's delay.

    Sections of unequal attenuation are shifted by it along lines of unequal slope, so a
    step read at the splice itself would be off by (Δattenuation × delay).
    """
    tool = shot.instrument
    rise_ns = tool.rise_fraction * tool.pulse_ns / np.log(9)  # 10-90 % of a single pole
    delay_ns = (1 - tool.tail_fraction) * rise_ns + tool.tail_fraction * tool.tail_ns
    return pulse_length_m(shot.fibre, 1.0) * (tool.pulse_ns / 2 + delay_ns)


def _covariance(shot: Shot, line_db: FloatArray, pulse_points: float, block: int) -> FloatArray:
    """Covariance of neighbouring block means in dB², lower bands, from the tool's settings.

    Ripple is relative to the backscatter and correlated over a pulse; receiver noise is
    white in power; both pass the maker's moving average; rounding is white.
    """
    tool = shot.instrument
    smoothing = np.full(tool.smoothing_points, 1 / tool.smoothing_points)
    mean = np.full(block, 1 / block)
    whole = int(pulse_points)
    grains = np.append(np.ones(whole), pulse_points - whole) if whole else np.ones(1)
    ripple = _autocovariance(grains / np.linalg.norm(grains), smoothing, mean)[::block]
    # ``noise_power`` is the noise as recorded, so behind the average over s points.
    receiver = tool.smoothing_points * _autocovariance(smoothing, mean)[::block]
    bands = min(max(ripple.size, receiver.size), max(line_db.size, 1))
    relative = tool.noise_power / np.exp(line_db / DB_PER_RELATIVE_POWER)
    matrix = np.zeros((bands, line_db.size))
    for lag in range(bands):
        stop = line_db.size - lag
        if lag < ripple.size and tool.ripple_db > 0:
            matrix[lag, :stop] += tool.ripple_db**2 * ripple[lag]
        if lag < receiver.size:
            both = relative[:stop] * relative[lag:]
            matrix[lag, :stop] += DB_PER_RELATIVE_POWER**2 * both * receiver[lag]
    quantum_db = tool.scale_1000 * 1e-6
    matrix[0] += quantum_db**2 / 12 / block
    return matrix


def _autocovariance(*kernels: FloatArray) -> FloatArray:
    """Autocovariance at lags ≥ 0 of white noise that passed these filters one after another."""
    total = np.ones(1)
    for kernel in kernels:
        total = np.convolve(total, kernel)
    return np.correlate(total, total, "full")[total.size - 1 :]
