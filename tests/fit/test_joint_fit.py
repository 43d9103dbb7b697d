"""The joint fit against statsmodels and against a numerical Fisher information."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm

from otdravg.fit.joint import VAGUE, JointFit, SectionSums, _spreads, fit_sections

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Points:
    """Points of both shots in plain arrays: section, t in km along travel, level, variance."""

    section: npt.NDArray[np.intp]
    from_a: npt.NDArray[np.bool_]
    t_km: FloatArray
    level_db: FloatArray
    variance: FloatArray
    middle_m: FloatArray

    def sums(self) -> SectionSums:
        """Add up what the fit is given."""
        count = self.middle_m.size
        both = []
        for shot in (self.from_a, ~self.from_a):
            sums = np.zeros((5, count))
            for m in range(count):
                here = shot & (self.section == m)
                w, t, y = 1 / self.variance[here], self.t_km[here], self.level_db[here]
                sums[:, m] = w.sum(), w @ t, w @ t**2, w @ y, w @ (t * y)
            both.append(sums)
        return SectionSums(self.middle_m, *both)

    def design(self) -> FloatArray:
        """Rows of the model over (c_A, c_B, α, β) of every section and the mean of α.

        A→B: y = c_A + (−α + β)·t, B→A: y = c_B + (−α − β)·t.
        """
        rows = np.zeros((self.t_km.size, 4 * self.middle_m.size + 1))
        i = np.arange(self.t_km.size)
        rows[i, 4 * self.section + np.where(self.from_a, 0, 1)] = 1
        rows[i, 4 * self.section + 2] = -self.t_km
        rows[i, 4 * self.section + 3] = np.where(self.from_a, self.t_km, -self.t_km)
        return rows

    def priors(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Rows, values and variances of what is known beside the points.

        α scatters around its mean, β around zero; the mean is as good as unknown.
        """
        spread_alpha, spread_beta = _spreads(self.sums())
        count = self.middle_m.size
        rows = np.zeros((2 * count + 1, 4 * count + 1))
        m = np.arange(count)
        rows[m, 4 * m + 2], rows[m, -1] = 1, -1
        rows[count + m, 4 * m + 3] = 1
        rows[-1, -1] = 1
        variances = np.repeat([spread_alpha**2, spread_beta**2], count)
        return rows, np.zeros(2 * count + 1), np.append(variances, VAGUE**2)


def two_shots(seed: int, *, unseen_from_a: int | None = None, noise: float = 1.0) -> Points:
    """Draw points of four unequal sections with noise that grows along each shot."""
    rng = np.random.default_rng(seed)
    edges = np.array([0.0, 1800.0, 2100.0, 5200.0, 7000.0])
    losses, steps = np.array([0.10, 0.05, 0.20]), np.array([0.08, -0.12, 0.03])
    slopes = np.array([0.19, 0.21, 0.20, 0.185])
    middle = (edges[:-1] + edges[1:]) / 2
    parts = []
    for from_a, spacing in ((True, 12.0), (False, 20.0)):
        z = np.arange(10.0, 6990.0, spacing)
        m = np.searchsorted(edges, z) - 1
        if from_a and unseen_from_a is not None:
            z, m = z[m != unseen_from_a], m[m != unseen_from_a]
        # Glass lost up to each point, counted from A, and what the splices add for each way.
        glass = np.interp(z, edges, np.concatenate(([0.0], np.cumsum(slopes * np.diff(edges)))))
        before = (z[:, None] > edges[1:-1]).astype(float)
        if from_a:
            level = -glass / 1000 - before @ (losses + steps)
            t, reach = (z - middle[m]) / 1000, z
        else:
            level = -(glass[-1] - glass) / 1000 - (1 - before) @ (losses - steps)
            t, reach = -(z - middle[m]) / 1000, 7000 - z
        variance = noise * (4e-6 + 2e-5 * (reach / 7000) ** 2)
        level = level + np.sqrt(variance) * rng.standard_normal(z.size)
        parts.append((m, np.full(z.size, from_a), t, level, variance))
    return Points(*(np.concatenate(column) for column in zip(*parts, strict=True)), middle)


def by_statsmodels(points: Points) -> tuple[FloatArray, FloatArray]:
    """Solve the same model by GLS, the priors as pseudo-observations."""
    rows, values, variances = points.priors()
    fit = sm.GLS(
        np.concatenate([points.level_db, values]),
        np.vstack([points.design(), rows]),
        sigma=np.concatenate([points.variance, variances]),
    ).fit()
    return np.asarray(fit.params), np.asarray(fit.cov_params(scale=1.0))


def flat(fit: JointFit) -> FloatArray:
    return np.append(fit.parameters.ravel(), fit.mean_attenuation)


EDGES_M = np.array([1800.0, 2100.0, 5200.0])


def step_rows(points: Points) -> FloatArray:
    """Rows of all readings over the parameters: level before less level behind, both ways."""
    middle = points.middle_m
    rows = np.zeros((2 * EDGES_M.size, 4 * middle.size + 1))
    for j, edge in enumerate(EDGES_M):
        for way, from_a in ((0, True), (1, False)):
            for m in (j, j + 1):
                t = (edge - middle[m]) / 1000 * (1 if from_a else -1)
                sign = 1 if (m == j) == from_a else -1
                rows[2 * j + way, 4 * m + way] = sign
                rows[2 * j + way, 4 * m + 2] = -sign * t
                rows[2 * j + way, 4 * m + 3] = sign * t * (1 if from_a else -1)
    return rows


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_parameters_and_covariance_agree_with_gls_of_statsmodels(seed: int) -> None:
    points = two_shots(seed)
    fit = fit_sections(points.sums())
    params, covariance = by_statsmodels(points)
    assert flat(fit) == pytest.approx(params, abs=1e-6)
    u = np.sqrt(np.diag(covariance))
    assert fit.covariance / np.outer(u, u) == pytest.approx(covariance / np.outer(u, u), abs=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_readings_and_their_covariance_agree_with_gls_of_statsmodels(seed: int) -> None:
    points = two_shots(seed)
    readings, covariance = fit_sections(points.sums()).steps(EDGES_M)
    params, full = by_statsmodels(points)
    rows = step_rows(points)
    assert readings.ravel() == pytest.approx(rows @ params, abs=1e-6)
    expected = rows @ full @ rows.T
    for j in range(EDGES_M.size):
        here = slice(2 * j, 2 * j + 2)
        assert covariance[j] == pytest.approx(expected[here, here], rel=1e-5)


def test_section_without_points_in_one_shot_leaves_the_rest_as_statsmodels_has_it() -> None:
    points = two_shots(4, unseen_from_a=1)
    fit = fit_sections(points.sums())
    assert list(fit.seen_ab) == [True, False, True, True]
    assert fit.seen_ba.all()
    rows, values, variances = points.priors()
    known = np.arange(17) != 4  # all but c_A of the second section
    gls = sm.GLS(
        np.concatenate([points.level_db, values]),
        np.vstack([points.design(), rows])[:, known],
        sigma=np.concatenate([points.variance, variances]),
    ).fit()
    assert flat(fit)[known] == pytest.approx(gls.params, abs=1e-6)
    assert np.diag(fit.covariance)[known] == pytest.approx(
        np.diag(gls.cov_params(scale=1.0)), rel=1e-5
    )


def test_covariance_is_the_inverse_of_the_numerical_fisher_information() -> None:
    # The Cramér-Rao bound is the inverse of minus the curvature of the log likelihood, here
    # taken by central differences of the likelihood itself.
    points = two_shots(5)
    rows, values, variances = points.priors()
    design = np.vstack([points.design(), rows])
    y = np.concatenate([points.level_db, values])
    variance = np.concatenate([points.variance, variances])

    def minus_log_likelihood(params: FloatArray) -> float:
        return float(0.5 * np.sum((y - design @ params) ** 2 / variance))

    fit = fit_sections(points.sums())
    u = np.sqrt(np.diag(fit.covariance))
    best = flat(fit)
    moves = np.diag(u)
    information = np.zeros((u.size, u.size))
    for i in range(u.size):
        for j in range(i + 1):
            a, b = moves[i], moves[j]
            curvature = (
                minus_log_likelihood(best + a + b)
                - minus_log_likelihood(best + a - b)
                - minus_log_likelihood(best - a + b)
                + minus_log_likelihood(best - a - b)
            ) / (4 * u[i] * u[j])
            information[i, j] = information[j, i] = curvature
    bound = np.linalg.inv(information)
    assert np.sqrt(np.diag(bound)) == pytest.approx(u, rel=1e-4)
    rows = step_rows(points)
    _, covariance = fit.steps(EDGES_M)
    for j in range(EDGES_M.size):
        true_loss = (rows[2 * j] + rows[2 * j + 1]) / 2
        u_loss = np.sqrt(covariance[j].sum()) / 2
        assert u_loss == pytest.approx(np.sqrt(true_loss @ bound @ true_loss), rel=1e-4)


def test_scatter_of_the_readings_reaches_the_bound() -> None:
    # 200 repetitions know a standard deviation to 5 %; weights are known exactly here.
    losses, bounds = [], []
    for seed in range(100, 300):
        readings, covariance = fit_sections(two_shots(seed).sums()).steps(EDGES_M)
        losses.append(readings.mean(axis=1))
        bounds.append(np.sqrt(covariance.sum(axis=(1, 2))) / 2)
    scatter = np.std(losses, axis=0)
    assert np.mean(losses, axis=0) == pytest.approx([0.10, 0.05, 0.20], abs=0.001)
    assert scatter == pytest.approx(np.mean(bounds, axis=0), rel=0.2)


def test_half_difference_of_the_readings_is_the_backscatter_step() -> None:
    readings, _ = fit_sections(two_shots(6, noise=1e-6).sums()).steps(EDGES_M)
    assert (readings[:, 0] - readings[:, 1]) / 2 == pytest.approx([0.08, -0.12, 0.03], abs=1e-4)


def test_uncertain_places_count_as_the_readings_move_with_them() -> None:
    # GUM 5.1.2 with the sensitivity found by moving the places, for a fibre whose slopes differ.
    fit = fit_sections(two_shots(8, noise=1e-6).sums())
    shift_m = 10.0
    ahead, _ = fit.steps(EDGES_M + shift_m)
    behind, plain = fit.steps(EDGES_M - shift_m)
    moves = (ahead - behind) / (2 * shift_m)
    assert np.abs(moves).max() > 1e-6
    assert fit.moves_db_per_m() == pytest.approx(moves, abs=1e-12)
    _, covariance = fit.steps(EDGES_M - shift_m, np.full(EDGES_M.size, 25.0))
    added = 25.0**2 * moves[:, :, None] * moves[:, None, :]
    assert covariance - plain == pytest.approx(added, rel=1e-6, abs=1e-18)
