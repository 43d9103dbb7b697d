"""The classic LSA against statsmodels, and as a cross-check of the joint fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm
from making import instrument, measured, span
from scipy.ndimage import uniform_filter1d

from otdravg.errors import BadSetting
from otdravg.fit.reading import Reading
from otdravg.fit.side import Side
from otdravg.pair.lsa import LEAST_POINTS, LsaLoss, marker_loss
from otdravg.pair.measure import Measurement
from otdravg.shot.noise import DB_PER_RELATIVE_POWER

FloatArray = npt.NDArray[np.float64]

MARKERS = (100.0, 790.0, 800.0, 815.0, 1700.0)


def shot_with_step(rng: np.random.Generator, sigma: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give 1000 points 2 m apart with a loss of 0.15 dB at 800 m and 0.2, 0.3 dB/km."""
    z = 2.0 * np.arange(1000)
    level = np.where(z < 800, -0.2e-3 * z, -0.16 - 0.15 - 0.3e-3 * (z - 800))
    return z, level + sigma * rng.standard_normal(z.size)


def line_by_statsmodels(
    z: FloatArray, level: FloatArray, weight: FloatArray, start: float, stop: float, at: float
) -> tuple[float, float, float, int]:
    """Give level at a place, its variance for unit scale, weighted residual and points."""
    inside = (z >= start) & (z <= stop)
    design = np.column_stack([np.ones(inside.sum()), z[inside] - at])
    fit = sm.WLS(level[inside], design, weights=weight[inside]).fit()
    return (
        float(fit.params[0]),
        float(fit.cov_params(scale=1.0)[0, 0]),
        float(fit.ssr),
        inside.sum(),
    )


def test_five_markers_with_weights_agree_with_statsmodels() -> None:
    sigma = np.linspace(0.005, 0.03, 1000)
    z, level = shot_with_step(np.random.default_rng(1), sigma)
    found = marker_loss(z, level, MARKERS, weight=1 / sigma**2)
    start, stop, event, restart, end = MARKERS
    before, v_before, *_ = line_by_statsmodels(z, level, 1 / sigma**2, start, stop, event)
    after, v_after, *_ = line_by_statsmodels(z, level, 1 / sigma**2, restart, end, event)
    assert found.loss_db == pytest.approx(before - after, abs=1e-9)
    assert found.u_white_db == pytest.approx(np.sqrt(v_before + v_after), rel=1e-9)
    assert found.u_db == found.u_white_db
    assert abs(found.loss_db - 0.15) < 3.5 * found.u_db


def test_five_markers_without_weights_take_the_noise_from_the_residuals() -> None:
    z, level = shot_with_step(np.random.default_rng(2), np.full(1000, 0.01))
    found = marker_loss(z, level, MARKERS)
    start, stop, event, restart, end = MARKERS
    alike = np.ones(z.size)
    before, v_before, ssr_before, n_before = line_by_statsmodels(
        z, level, alike, start, stop, event
    )
    after, v_after, ssr_after, n_after = line_by_statsmodels(z, level, alike, restart, end, event)
    scale = (ssr_before + ssr_after) / (n_before + n_after - 4)
    assert scale == pytest.approx(0.01**2, rel=0.15)
    assert found.loss_db == pytest.approx(before - after, abs=1e-9)
    assert found.u_white_db == pytest.approx(np.sqrt(scale * (v_before + v_after)), rel=1e-9)
    assert found.points == n_before + n_after


def test_four_markers_read_the_loss_where_the_first_line_ends() -> None:
    z, level = shot_with_step(np.random.default_rng(3), np.full(1000, 0.01))
    four = marker_loss(z, level, (100, 798, 812, 1700))
    assert four == marker_loss(z, level, (100, 798, 798, 812, 1700))
    assert four.slope_before_db_per_m == pytest.approx(-0.2e-3, abs=1e-5)
    assert four.slope_after_db_per_m == pytest.approx(-0.3e-3, abs=1e-5)


def test_variance_with_equal_lines_is_8_sigma_squared_over_n() -> None:
    # Derived: N equally spaced points on each side of the event, free slopes.
    n, sigma = 2000, 0.01
    z = np.arange(2.0 * n)
    markers = (0.0, n - 1.0, n - 0.5, float(n), 2.0 * n - 1)
    found = marker_loss(z, 0 * z, markers, weight=np.full(z.size, sigma**-2))
    assert found.u_white_db**2 == pytest.approx(8 * sigma**2 / n, rel=1e-3)


def test_long_run_factor_makes_the_uncertainty_of_smoothed_noise_right() -> None:
    # A moving average over m points multiplies the variance of a long mean, counted per
    # point, by m (arithmetic). 300 repetitions know a scatter to 4 %.
    rng, m = np.random.default_rng(4), 9
    z, clean = shot_with_step(rng, np.zeros(1000))
    losses = []
    for _ in range(300):
        noise = uniform_filter1d(0.03 * rng.standard_normal(z.size), m)
        found = marker_loss(z, clean + noise, MARKERS, long_run_factor=m)
        losses.append((found.loss_db, found.u_white_db, found.u_db))
    loss, u_white, u = np.array(losses).T
    assert np.std(loss) == pytest.approx(np.mean(u), rel=0.13)
    assert np.mean(u_white) < 0.4 * np.std(loss)
    assert np.mean(loss) == pytest.approx(0.15, abs=4 * np.std(loss) / np.sqrt(300))


def test_markers_out_of_order_or_too_close_are_refused() -> None:
    z, level = shot_with_step(np.random.default_rng(5), np.full(1000, 0.01))
    with pytest.raises(BadSetting, match="ascending"):
        marker_loss(z, level, (100, 810, 800, 815, 1700))
    with pytest.raises(BadSetting, match="four or five"):
        marker_loss(z, level, (100, 1700))
    with pytest.raises(BadSetting, match="3 points"):
        marker_loss(z, level, (796, 799, 800, 815, 1700))
    with pytest.raises(BadSetting, match="long-run"):
        marker_loss(z, level, MARKERS, long_run_factor=0)


# Beside the joint fit

#: Points noisier than this share of their own power are not used: the logarithm bends there.
LARGEST_RELATIVE_NOISE = 0.2


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


@pytest.mark.parametrize("seed", [6, 7])
def test_cross_check_agrees_with_the_joint_fit_and_with_truth(seed: int) -> None:
    losses = [0.05, 0.12, 0.30, 0.08]
    glass = span(
        [1500, 900, 2500, 2000, 1800],
        losses,
        levels_db=[0.0, -0.1, 0.12, 0.05, -0.05],
        reflectances_db={2: -48.0},
    )
    checks = cross_check(measured(glass, seed=seed))
    assert len(checks) == 4
    for check, truth in zip(checks, losses, strict=True):
        assert check.loss_db is not None
        assert check.u_loss_db is not None
        assert check.deviation is not None
        assert abs(check.loss_db - truth) < 3.5 * check.u_loss_db + 2e-4
        assert abs(check.deviation) < 2


def test_cross_check_is_not_biased_by_the_logarithm_of_noisy_power() -> None:
    # At 0.35 dB of noise the mean level reads 0.35²·ln 10/10 = 0.028 dB low (second order of
    # the logarithm), near the far ends only: uncorrected, the loss comes out 0.0017 dB short.
    glass = span([20_000, 20_000], [0.30])
    tool = instrument(1000, 4.0, ripple_db=0.0)
    errors, u = [], 0.0
    for seed in range(12):
        m = measured(glass, tool, far_noise_db=0.35, seed=seed)
        (check,) = [c for c in cross_check(m) if abs(c.distance_m - 20_000) < 300]
        assert check.loss_db is not None
        assert check.u_loss_db is not None
        errors.append(check.loss_db - 0.30)
        u = check.u_loss_db
    assert abs(np.mean(errors)) < 2 * u / np.sqrt(12)


def test_cross_check_of_a_splice_seen_from_one_end_only_has_no_half_sum() -> None:
    # The splice lies in the front panel's dead zone from A: no fibre before it.
    m = measured(span([14, 3000], [0.10]), seed=8)
    (check,) = cross_check(m)
    assert check.ab is None
    assert check.ba is not None
    assert check.loss_db is None
    assert check.deviation is None
