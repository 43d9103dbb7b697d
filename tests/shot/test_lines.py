"""Running sums and the step between two lines, against direct sums and statsmodels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm

from otdravg.shot.lines import LineSums, LineTerms, SlopePrior, step_between

FloatArray = npt.NDArray[np.float64]

#: So wide, and so narrow, that only one of data and prior counts, dB/m.
NOTHING_KNOWN, EXACT = 1e3, 1e-12


def indices(lo: int, hi: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    return np.array([lo], dtype=np.intp), np.array([hi], dtype=np.intp)


@pytest.fixture
def noisy() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give positions, levels and weights of 400 points with a step of 0.12 dB at 1050 m."""
    rng = np.random.default_rng(3)
    z = 200.0 + 5.0 * np.arange(400)
    sigma = rng.uniform(0.005, 0.03, z.size)
    level = -1.0 - 0.2e-3 * z - 0.12 * (z > 1050) + sigma * rng.standard_normal(z.size)
    return z, level, 1 / sigma**2


def step_by_statsmodels(
    z: FloatArray,
    level: FloatArray,
    weight: FloatArray,
    left: slice,
    right: slice,
    at_m: float,
    prior: SlopePrior,
) -> tuple[float, float]:
    """Fit both lines by WLS; priors enter as pseudo-observations of the two slopes."""
    rows, values, weights = [], [], []
    for column, piece in ((0, left), (1, right)):
        block = np.zeros((z[piece].size, 4))
        block[:, column] = 1
        block[:, 2 + column] = z[piece] - at_m
        rows.append(block)
        values.append(level[piece])
        weights.append(weight[piece])
    rows.append(np.array([[0, 0, 1, 0], [0, 0, 0, 1], [0, 0, 1, -1]], dtype=float))
    values.append(np.array([prior.mean, prior.mean, 0.0]))
    weights.append(np.array([prior.sd, prior.sd, prior.change_sd]) ** -2.0)
    fit = sm.WLS(
        np.concatenate(values), np.concatenate(rows), weights=np.concatenate(weights)
    ).fit()
    difference = np.array([1.0, -1.0, 0.0, 0.0])
    variance = difference @ fit.cov_params(scale=1.0) @ difference
    return float(difference @ fit.params), float(np.sqrt(variance))


@pytest.mark.parametrize(
    "prior",
    [
        SlopePrior(0.0, NOTHING_KNOWN, NOTHING_KNOWN),  # two free slopes
        SlopePrior(0.0, NOTHING_KNOWN, 1e-9),  # one common slope
        SlopePrior(-0.19e-3, 2e-5, 1e-5),  # both pieces borrow
    ],
)
def test_step_agrees_with_weighted_least_squares_of_statsmodels(
    noisy: tuple[FloatArray, FloatArray, FloatArray], prior: SlopePrior
) -> None:
    z, level, weight = noisy
    sums = LineSums.of(z, level, weight)
    found = step_between(sums, indices(20, 165), indices(180, 300), np.array([1050.0]), prior)
    loss, u = step_by_statsmodels(z, level, weight, slice(20, 165), slice(180, 300), 1050.0, prior)
    assert found.loss_db[0] == pytest.approx(loss, abs=1e-6)
    assert found.u_db[0] == pytest.approx(u, rel=1e-6)
    assert found.score()[0] == pytest.approx((loss / u) ** 2, rel=1e-5)


@pytest.mark.parametrize("change_sd", [NOTHING_KNOWN, EXACT])
def test_variance_of_a_step_with_unknown_slope_is_8_sigma_squared_over_n(
    change_sd: float,
) -> None:
    # Derived: N equally spaced points on each side, white noise σ, free slopes; by symmetry
    # one common slope gives the same.
    n, sigma = 4000, 0.02
    z = np.arange(2.0 * n)
    sums = LineSums.of(z, 0 * z, np.full(z.size, sigma**-2))
    prior = SlopePrior(0.0, NOTHING_KNOWN, change_sd)
    found = step_between(sums, indices(0, n), indices(n, 2 * n), np.array([n - 0.5]), prior)
    assert found.u_db[0] ** 2 == pytest.approx(8 * sigma**2 / n, rel=1e-3)


def test_variance_of_a_step_with_known_slope_is_2_sigma_squared_over_n() -> None:
    # Derived: the difference of two means of N points each.
    n, sigma = 4000, 0.02
    z = np.arange(2.0 * n)
    sums = LineSums.of(z, 0 * z, np.full(z.size, sigma**-2))
    prior = SlopePrior(0.0, EXACT, NOTHING_KNOWN)
    found = step_between(sums, indices(0, n), indices(n, 2 * n), np.array([n - 0.5]), prior)
    assert found.u_db[0] ** 2 == pytest.approx(2 * sigma**2 / n, rel=1e-3)


def test_points_without_weight_do_not_count_whatever_their_level(
    noisy: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    z, level, weight = noisy
    blocked = np.zeros(z.size, dtype=bool)
    blocked[60:75] = True
    spoilt = np.where(blocked, np.nan, level)
    terms = LineTerms.of(z, spoilt, np.where(blocked, 0.0, weight))
    w, wz, wzz, wy, wzy = terms.moments(*indices(50, 90), np.array([480.0]))[:, 0]
    inside = np.r_[50:60, 75:90]
    x = (z[inside] - 480.0) / 1000
    direct = [
        np.sum(weight[inside] * factor)
        for factor in (1 + 0 * x, x, x**2, level[inside], x * level[inside])
    ]
    assert [w, wz, wzz, wy, wzy] == pytest.approx(direct, rel=1e-8)


def test_sums_keep_their_digits_on_a_long_fibre() -> None:
    # 120 km in steps of 4 m; a line through 100 points at the far end has no residual.
    z = 4.0 * np.arange(30_000)
    level = -3.0 - 0.2e-3 * z
    sums = LineSums.of(z, level, np.full(z.size, 1e6))
    prior = SlopePrior(0.0, NOTHING_KNOWN, NOTHING_KNOWN)
    at = np.array([float(z[29_850])])
    found = step_between(sums, indices(29_700, 29_850), indices(29_850, 30_000), at, prior)
    assert found.loss_db[0] == pytest.approx(0, abs=1e-6)


def test_no_points_on_one_side_is_unknown_and_scores_nothing(
    noisy: tuple[FloatArray, FloatArray, FloatArray],
) -> None:
    sums = LineSums.of(*noisy)
    prior = SlopePrior(0.0, 1e-4, 1e-4)
    found = step_between(sums, indices(10, 10), indices(20, 40), np.array([300.0]), prior)
    assert np.isnan(found.loss_db[0])
    assert np.isnan(found.u_db[0])
    assert found.score()[0] == 0
