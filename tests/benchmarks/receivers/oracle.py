"""The yardstick: generalised least squares that is told everything but the numbers to be found.

It is told where the events are, how the receiver answers, and the covariance of the noise.
Unknown are a level per shot, each section's attenuation α (shared by both shots) and backscatter
drift β (of opposite sign in them), each joint's loss and backscatter step, the height of each
reflection in each shot, and a seam's height. Priors: α around a common unknown mean with the true
spread; β around 0 with the true spread; nothing else but widths that cannot bind.

What was done for speed:

- Both shots are linearised at the truth, so a column is the share of the recorded power that comes
  from behind the event (through pulse, receiver and smoothing), and the solution is the error.
- Cells are means over a third of a pulse. Their noise is taken as a stationary process (white or
  filtered by the receiver, then smoothed, then averaged; computed exactly) scaled by 1/power, plus
  the ripple, plus rounding. Correlation below 1e-4 is cut, and 1e-3 of each variance is
  added as white so that smoothing's spectral zeros are not exploited.
- Rounding in steps larger than the noise makes a sawtooth along each section. Its first harmonics
  are columns with the amplitudes' true variance as prior, any phase; the rest counts as white.
- Cells are left out where the receiver saturates, where noise is above a fifth of the power (so
  that the floor does nothing), where less than a tenth of it is backscatter, and behind the end.
- The curvature of the logarithm (−DB/2·σ²) is subtracted where levels were averaged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from benchmarks.receivers.families import DRIFT_DB_PER_KM, SPREAD_DB_PER_KM, Case
from benchmarks.receivers.instrument import DB, FloatArray, Link, Record, Setup, kernel, parts
from scipy.linalg import cho_factor, cho_solve, cholesky_banded, solve_banded
from scipy.ndimage import maximum_filter1d, uniform_filter1d

CELLS_PER_PULSE = 3
LARGEST_RELATIVE_NOISE = 0.2
LEAST_BACKSCATTER = 0.1
CUT_CORRELATION = 1e-4
WHITE_SHARE = 1e-3
HARMONICS = 5
#: Repeating rounding errors below this share of steps²/12 are left among the white.
LEAST_REPEATS = 0.02
#: A width that does not bind, dB or dB/km.
WIDE = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Yardstick:
    """Error of each joint's true loss (estimate less truth), dB, and their covariance.

    Joints are the link's events in order from A, the cords' connectors among them.
    """

    error_db: FloatArray
    covariance: FloatArray

    @property
    def u_db(self) -> FloatArray:
        """Standard uncertainty of each joint's true loss, dB."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True, slots=True, eq=False)
class _Shot:
    """Whitened residuals and columns of one shot, in its own direction of travel."""

    residual: FloatArray
    level: FloatArray
    joints: FloatArray  # shape (cells, J): one-way loss
    slopes: FloatArray  # shape (cells, K): fall per km
    own: FloatArray  # reflections, seam, sawteeth
    own_sd_db: FloatArray


def yardstick(case: Case) -> Yardstick:
    """Fit both shots of a pair together."""
    link = case.a.link
    assert link is not None
    a, b = _prepared(case.a), _prepared(case.b)
    k, j = link.sections, link.sections - 1
    zeros = [np.zeros((s.residual.size, 1)) for s in (a, b)]
    own = [np.zeros((s.residual.size, o.own.shape[1])) for s, o in ((a, b), (b, a))]
    back_j, back_k = b.joints[:, ::-1], b.slopes[:, ::-1]
    # Order: levels, mean alpha, alphas, betas, losses, steps, own of a, own of b.
    rows_a = [a.level, zeros[0], zeros[0], a.slopes, -a.slopes, a.joints, a.joints, a.own, own[0]]
    rows_b = [zeros[1], b.level, zeros[1], back_k, back_k, back_j, -back_j, own[1], b.own]
    design = np.vstack([np.hstack(rows_a), np.hstack(rows_b)])
    residual = np.concatenate([a.residual, b.residual])
    normal, right = design.T @ design, design.T @ residual
    prior = np.full(design.shape[1], WIDE**-2)
    prior[3 : 3 + k] = 0.0
    prior[3 + k : 3 + 2 * k] = DRIFT_DB_PER_KM**-2
    prior[3 + 2 * k + 2 * j :] = np.concatenate([a.own_sd_db, b.own_sd_db]) ** -2
    normal[np.diag_indices_from(normal)] += prior
    pulls = np.zeros((k, design.shape[1]))
    pulls[:, 2] = -1 / SPREAD_DB_PER_KM
    pulls[np.arange(k), 3 + np.arange(k)] = 1 / SPREAD_DB_PER_KM
    normal += pulls.T @ pulls
    # The truth is 0 in every unknown, but priors hold around 0 mean of alpha and beta themselves.
    deviations = link.attenuation_db_per_km - np.mean(link.attenuation_db_per_km)
    right -= pulls.T @ (deviations / SPREAD_DB_PER_KM)
    right[3 + k : 3 + 2 * k] -= link.drift_db_per_km / DRIFT_DB_PER_KM**2
    scale = 1 / np.sqrt(np.diag(normal))
    factor = cho_factor(normal * np.outer(scale, scale))
    solution = scale * cho_solve(factor, scale * right)
    covariance = cho_solve(factor, np.eye(scale.size)) * np.outer(scale, scale)
    at = slice(3 + 2 * k, 3 + 2 * k + j)
    return Yardstick(solution[at], covariance[at, at])


def _prepared(record: Record) -> _Shot:
    link, setup = record.link, record.setup
    assert link is not None
    x, size, width = setup.x_m, setup.points, setup.smoothing_points
    delay_m = setup.pulse_m / 2 + _delay_m(setup)

    def smoothed(values: FloatArray) -> FloatArray:
        return uniform_filter1d(values, width, mode="nearest") if width > 1 else values

    seen = smoothed(record.power) if setup.smoothing == "power" else record.power
    seen = np.maximum(seen, 1e-30)
    noise = setup.noise * (_smoothed_sd(setup) if setup.smoothing == "power" else 1.0)
    relative = np.minimum(noise / seen, 10.0)  # a running mean would never forget more
    shine = np.zeros(size)  # backscatter alone
    kept = []
    for part in parts(link, setup):
        values = np.zeros(size)
        values[part.first : part.first + part.power.size] = part.power
        if setup.smoothing == "power":
            values = smoothed(values)
        share = values / seen
        if not part.reflection:
            shine += share
        kept.append(
            (part.number, part.reflection, smoothed(share) if setup.smoothing == "db" else share)
        )
    usable = (record.power < 0.98 * setup.top) & (relative < LARGEST_RELATIVE_NOISE)
    usable &= (shine > LEAST_BACKSCATTER) & (x > 0) & (x < link.edges_m[-1])
    usable &= np.concatenate([record.raw[:-1] > 0, [True]])
    bad = maximum_filter1d(~usable, width) if width > 1 else ~usable

    cell = max(1, int(np.rint(setup.pulse_m / setup.spacing_m / CELLS_PER_PULSE)))
    cells = size // cell

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(values[: cells * cell].reshape(cells, cell).mean(axis=1))

    good = mean(bad.astype(float)) == 0
    level = 5 * np.log10(seen / setup.top)
    level = smoothed(level) if setup.smoothing == "db" else level
    level = level + np.where(x >= setup.seam_m, setup.seam_db, 0.0)
    if setup.smoothing == "db":
        residual = record.level_db - level + smoothed(DB / 2 * relative**2)
        density = smoothed(relative)
    else:
        residual = DB * (10 ** ((record.level_db - level) / 5) - 1)
        density = relative
    shares = np.zeros((link.sections, cells))
    own = []
    for number, reflection, share in kept:
        if reflection:
            own.append(DB * mean(share))
        else:
            shares[number] = mean(share)
    if np.isfinite(setup.seam_m):
        own.append(mean((x >= setup.seam_m).astype(float)))
    own_sd_db = [WIDE] * len(own)
    sd_db = DB * relative * (_smoothed_sd(setup) if setup.smoothing == "db" else 1.0)
    for first, last in zip(link.edges_m[:-1], link.edges_m[1:], strict=True):
        inside = (x >= first) & (x < last) & ~bad
        typical_db = float(np.median(sd_db[inside])) if np.any(inside) else np.inf
        for harmonic in range(1, HARMONICS + 1):
            share = _repeats(typical_db, setup, harmonic)
            if share * harmonic**-2 < LEAST_REPEATS:
                break
            angle = 2 * np.pi * harmonic * level / _step_db(setup)
            own += [mean(np.cos(angle) * inside), mean(np.sin(angle) * inside)]
            own_sd_db += [_step_db(setup) / (np.sqrt(2) * np.pi * harmonic) * np.sqrt(share)] * 2
    shares, x_mean = shares[:, good], mean(x)[good] - delay_m
    behind = np.cumsum(shares[::-1], axis=0)[::-1]
    lengths = np.diff(link.edges_m)
    travelled = np.clip(x_mean - link.edges_m[:-1, None], 0, lengths[:, None])
    slopes = -(travelled * shares + lengths[:, None] * (behind - shares)) / 1000
    columns = [
        mean(residual)[good],
        shares.sum(axis=0),
        *-behind[1:],
        *slopes,
        *(column[good] for column in own),
    ]
    white = _whitened(
        np.array(columns).T, np.flatnonzero(good), mean(density)[good], setup, link, cell
    )
    j = link.sections - 1
    at = np.cumsum([1, 1, j, link.sections])
    return _Shot(white[:, 0], *np.split(white[:, 1:], at[1:] - 1, axis=1), np.array(own_sd_db))


def _step_db(setup: Setup) -> float:
    return max(setup.step_db, setup.scale_1000 / 1e6)


def _repeats(sd_db: FloatArray | float, setup: Setup, harmonic: int) -> Any:
    """Share of a harmonic's variance in the rounding error that noise of ``sd_db`` leaves."""
    return np.exp(-((2 * np.pi * harmonic * sd_db / _step_db(setup)) ** 2))


def _delay_m(setup: Setup) -> float:
    answer = kernel(setup)
    return float(np.sum(np.arange(answer.size) * answer) - 1) * setup.spacing_m / setup.fine


def _correlation(taps: FloatArray) -> FloatArray:
    """Autocovariance of white noise filtered by ``taps``, lags 0, 1, …"""
    size = 2 ** int(np.ceil(np.log2(2 * taps.size)))
    return np.asarray(np.fft.irfft(np.abs(np.fft.rfft(taps, size)) ** 2)[: taps.size])


def _noise_taps(setup: Setup) -> FloatArray:
    """Autocovariance by points of the receiver's noise, 1 at lag 0, ahead of smoothing."""
    if not setup.noise_before:
        return np.ones(1)
    lags = _correlation(kernel(setup))[:: setup.fine]
    return lags / lags[0]


def _smoothed_by(lags: FloatArray, width: int) -> FloatArray:
    """Autocovariance after a running mean over ``width`` points."""
    if width == 1:
        return lags
    both = np.concatenate([lags[:0:-1], lags])
    box = np.full(width, 1 / width)
    longer = np.convolve(np.convolve(both, box), box)
    return longer[longer.size // 2 :]


def _smoothed_sd(setup: Setup) -> float:
    return float(np.sqrt(_smoothed_by(_noise_taps(setup), setup.smoothing_points)[0]))


def _in_cells(lags: FloatArray, cell: int) -> FloatArray:
    return _smoothed_by(lags, cell)[::cell]


def _whitened(
    columns: FloatArray, at: np.ndarray, density: FloatArray, setup: Setup, link: Link, cell: int
) -> FloatArray:
    width = setup.smoothing_points
    noise = _in_cells(_smoothed_by(_noise_taps(setup), width), cell)
    if setup.smoothing == "power":
        noise = noise / _smoothed_by(_noise_taps(setup), width)[0]
    df = setup.spacing_m / setup.fine
    box = np.full(max(1, int(np.rint(setup.pulse_m / df))), 1.0)
    ripple = _correlation(np.convolve(kernel(setup), box))[:: setup.fine] / box.size
    ripple = _in_cells(_smoothed_by(ripple, width), cell) * setup.ripple_db**2
    # What repeats from point to point is in the columns; higher harmonics repeat within a cell.
    points_sd_db = DB * density * (_smoothed_sd(setup) if setup.smoothing == "db" else 1.0)
    weights = 6 / np.pi**2 / np.arange(1, HARMONICS + 1) ** 2
    of_each = [_repeats(points_sd_db, setup, k) for k in range(1, HARMONICS + 1)]
    repeats = np.einsum("k,kn->n", weights, np.array(of_each))
    higher = (1 - weights.sum()) * of_each[-1]
    white_db2 = (1 - repeats - higher) / cell + higher
    rounding = _step_db(setup) ** 2 / 12 * white_db2
    sd_db = DB * density
    lags = max(_reach(noise), _reach(ripple) if setup.ripple_db else 0)
    lags = min(lags, at.size - 1)
    bands = np.zeros((lags + 1, at.size))
    bands[0] = (noise[0] * sd_db**2 + ripple[0]) * (1 + WHITE_SHARE) + rounding
    for lag in range(1, lags + 1):
        # Neighbours in the list may lie further apart on the trace.
        apart = at[lag:] - at[:-lag]
        bands[lag, :-lag] = _at(noise, apart) * sd_db[lag:] * sd_db[:-lag] + _at(ripple, apart) * (
            setup.ripple_db > 0
        )
    for _ in range(6):
        try:
            lower = cholesky_banded(bands, lower=True)
            break
        except np.linalg.LinAlgError:
            bands[0] *= 1.01
    else:
        raise RuntimeError("covariance of the cells is not positive")
    return np.asarray(solve_banded((lags, 0), lower, columns))


def _reach(lags: FloatArray) -> int:
    return int(np.flatnonzero(np.abs(lags) > CUT_CORRELATION * lags[0])[-1]) if lags[0] > 0 else 0


def _at(lags: FloatArray, apart: np.ndarray) -> FloatArray:
    return np.where(apart < lags.size, lags[np.minimum(apart, lags.size - 1)], 0.0)
