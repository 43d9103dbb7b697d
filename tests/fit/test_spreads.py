"""How much attenuation and drift vary between sections: against meta-analysis and known truth.

"Spread between sections beyond their noise" is the between-study variance of meta-analysis:
DerSimonian and Laird, Controlled Clinical Trials 7 (1986), and Paule and Mandel, J. Res. Natl. Bur.
Stand. 87 (1982), both as statsmodels has them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from otdravg.fit.joint import SectionSums, fit_sections

FloatArray = npt.NDArray[np.float64]

#: Assumed beside the data, dB/km: as if one section more had shown it (docs/method.md).
PRIOR_ALPHA, PRIOR_BETA = 0.01, 0.001


def sums_of(slope: FloatArray, variance: FloatArray) -> FloatArray:
    """Sums of one shot whose sections have these slopes, known with these variances.

    Points about the middle: Σwt = 0, the slope is Σwty/Σwt² and its variance 1/Σwt².
    """
    seen = np.isfinite(variance)
    information = np.where(seen, 1 / variance, 0.0)
    nothing = np.zeros_like(slope)
    return np.stack([seen * 1.0, nothing, information, nothing, information * slope])


def spreads(
    alpha: FloatArray,
    beta: FloatArray,
    var_ab: FloatArray,
    var_ba: FloatArray,
    rng: np.random.Generator | None = None,
) -> tuple[float, float]:
    """Spreads that a fit finds where sections have these slopes; noise of ``rng`` on top."""
    noise = [
        np.zeros(alpha.size) if rng is None
        else np.sqrt(np.where(np.isfinite(v), v, 0.0)) * rng.standard_normal(alpha.size)
        for v in (var_ab, var_ba)
    ]  # fmt: skip
    # Along travel, from A: −α + β; from B: −α − β.
    ab, ba = -alpha + beta + noise[0], -alpha - beta + noise[1]
    middle = np.arange(alpha.size) * 1000.0
    sums = SectionSums(middle, sums_of(ab, var_ab), sums_of(ba, var_ba))
    return fit_sections(sums).spreads


def even(value: float, count: int) -> FloatArray:
    return np.full(count, value)


# What follows from the definition


@pytest.mark.parametrize("count", [2, 3, 7])
def test_without_noise_the_sections_and_one_more_make_the_spread_of_attenuation(
    count: int,
) -> None:
    # Their mean costs one.
    alpha = 0.2 + 0.05 * np.random.default_rng(count).standard_normal(count)
    found, _ = spreads(alpha, even(0.0, count), even(1e-14, count), even(1e-14, count))
    # The drift that is assumed is a noise of α at most of half its square.
    squares = np.sum((alpha - alpha.mean()) ** 2)
    assert found == pytest.approx(math.sqrt((squares + PRIOR_ALPHA**2) / count), rel=1e-3)


@pytest.mark.parametrize("count", [1, 2, 3, 7])
def test_without_noise_the_sections_and_one_more_make_the_spread_of_drift(count: int) -> None:
    # It is about zero: no mean to find.
    beta = 0.01 * np.random.default_rng(count).standard_normal(count)
    _, found = spreads(even(0.2, count), beta, even(1e-14, count), even(1e-14, count))
    expected = math.sqrt((np.sum(beta**2) + PRIOR_BETA**2) / (count + 1))
    assert found == pytest.approx(expected, rel=1e-6)


def test_one_section_says_nothing_of_how_attenuations_differ() -> None:
    found = spreads(even(0.3, 1), even(0.0, 1), even(1e-14, 1), even(1e-14, 1))
    assert found == pytest.approx((PRIOR_ALPHA, PRIOR_BETA / math.sqrt(2)), rel=1e-6)


def test_sections_that_are_all_alike_leave_a_tenth_of_what_was_assumed() -> None:
    # Chosen: nothing is ever known to be perfectly even.
    found = spreads(even(0.2, 300), even(0.0, 300), even(1e-14, 300), even(1e-14, 300))
    assert found == pytest.approx((PRIOR_ALPHA / 10, PRIOR_BETA / 10), rel=1e-6)


def test_noise_alone_is_no_spread() -> None:
    # Slopes that scatter as their noise says, 0.01 dB/km and more, over 60 sections.
    rng = np.random.default_rng(1)
    found = [
        spreads(even(0.2, 60), even(0.0, 60), even(1e-4, 60), even(4e-4, 60), rng)
        for _ in range(40)
    ]
    assert np.all(np.median(found, axis=0) < 0.002)


def test_a_section_that_nobody_saw_well_does_not_count() -> None:
    alpha, beta = np.array([0.19, 0.21, 0.24]), np.array([0.002, -0.003, 0.001])
    without = spreads(alpha, beta, even(1e-10, 3), even(1e-10, 3))
    for lost in (1e6, math.inf):
        variance = np.append(even(1e-10, 3), lost)
        with_it = spreads(np.append(alpha, 7.0), np.append(beta, -2.0), variance, variance)
        assert with_it == pytest.approx(without, rel=1e-3)


@pytest.mark.parametrize("seen_by", ["A", "B"])
def test_what_one_shot_sees_tells_the_attenuation_and_not_the_drift(seen_by: str) -> None:
    alpha = np.array([0.15, 0.20, 0.25, 0.20])
    seen, unseen = even(1e-14, 4), even(math.inf, 4)
    both = (seen, unseen) if seen_by == "A" else (unseen, seen)
    found = spreads(alpha, even(0.0, 4), *both)
    # One shot alone reads −α ± β: its slopes scatter by the drift that is assumed, too.
    of_alpha = np.sum((alpha - 0.2) ** 2 - PRIOR_BETA**2) + PRIOR_ALPHA**2
    assert found == pytest.approx((math.sqrt(of_alpha / 4), PRIOR_BETA), rel=1e-3)


def test_what_no_shot_sees_is_what_was_assumed() -> None:
    unseen = even(math.inf, 3)
    assert spreads(even(0.2, 3), even(0.0, 3), unseen, unseen) == (PRIOR_ALPHA, PRIOR_BETA)


def test_the_better_shot_says_more_of_a_sections_attenuation() -> None:
    # Shot A is blind for all practical purposes: what it reads must not matter.
    alpha, beta = np.array([0.19, 0.21, 0.24]), even(0.0, 3)
    blind, sharp = even(1e4, 3), even(1e-14, 3)
    by_b, _ = spreads(alpha, beta, blind, sharp)
    by_a, _ = spreads(alpha, beta, sharp, blind)
    alone, _ = spreads(alpha, beta, even(math.inf, 3), sharp)
    assert by_b == pytest.approx(alone, rel=1e-3)
    assert by_a == pytest.approx(by_b, rel=1e-9)


# Against independent estimators and against known truth


@pytest.mark.parametrize("noise", [0.3, 1.0])
@pytest.mark.parametrize(("tau_alpha", "tau_beta"), [(0.02, 0.0005), (0.03, 0.003)])
def test_spreads_are_those_of_meta_analysis_and_of_the_truth(
    tau_alpha: float, tau_beta: float, noise: float
) -> None:
    # 60 sections, 80 times: the mean square is known to 1/√2400 of itself times what noise adds.
    rng = np.random.default_rng(round(1000 * tau_alpha + 10 * noise))
    ours, dersimonian_laird, paule_mandel = [], [], []
    for _ in range(80):
        alpha, beta = 0.2 + tau_alpha * rng.standard_normal(60), tau_beta * rng.standard_normal(60)
        # Sections of 1 to 8 km: a slope's variance goes as the third power of the length.
        variance = (noise * tau_beta) ** 2 * rng.uniform(1, 8, 60) ** -3 * 64
        ab = -alpha + beta + np.sqrt(variance) * rng.standard_normal(60)
        ba = -alpha - beta + np.sqrt(variance) * rng.standard_normal(60)
        sums = SectionSums(np.arange(60) * 1e3, sums_of(ab, variance), sums_of(ba, variance))
        ours.append(np.square(fit_sections(sums).spreads))
        for kept, method in ((dersimonian_laird, "dl"), (paule_mandel, "pm")):
            effects = (-(ab + ba) / 2, (ab - ba) / 2)
            kept.append([combine_effects(e, variance / 2, method_re=method).tau2 for e in effects])
    found, truth = np.mean(ours, axis=0), np.square([tau_alpha, tau_beta])
    assert found == pytest.approx(truth, rel=0.15)
    assert found[0] == pytest.approx(np.mean(dersimonian_laird, axis=0)[0], rel=0.12)
    assert found[0] == pytest.approx(np.mean(paule_mandel, axis=0)[0], rel=0.05)
    assert found[1] == pytest.approx(np.mean(paule_mandel, axis=0)[1], rel=0.08)


def drawn_fibre(
    rng: np.random.Generator, tau: tuple[float, float]
) -> tuple[SectionSums, FloatArray, FloatArray]:
    """Sums of both shots of one fibre, its splices' places and its one-way losses (A→B, B→A).

    Short sections between long ones, so that what is borrowed matters.
    """
    lengths = rng.permutation([3000.0, 250.0, 2500.0, 150.0, 2000.0, 300.0])
    edges = np.concatenate(([0.0], np.cumsum(lengths)))
    middle = (edges[:-1] + edges[1:]) / 2
    alpha, beta = 0.2 + tau[0] * rng.standard_normal(6), tau[1] * rng.standard_normal(6)
    losses = rng.uniform(0.0, 0.2, (5, 2))
    shots = []
    for way in (0, 1):
        slope = -alpha + (beta if way == 0 else -beta)
        order = range(6) if way == 0 else range(5, -1, -1)
        level, sums = 0.0, np.zeros((5, 6))
        for m in order:
            t = np.arange(-lengths[m] / 2, lengths[m] / 2, 5.0) / 1000
            start = level
            y = start + slope[m] * (t + lengths[m] / 2000) + 0.01 * rng.standard_normal(t.size)
            w = np.full(t.size, 1e4)
            sums[:, m] = w.sum(), w @ t, w @ t**2, w @ y, w @ (t * y)
            splice = m if way == 0 else m - 1
            level = start + slope[m] * lengths[m] / 1000
            level -= losses[splice, way] if 0 <= splice < 5 else 0.0
        shots.append(sums)
    return SectionSums(middle, *shots), edges[1:-1], losses


@dataclass(frozen=True)
class Trial:
    """Errors of the true loss over many fibres, and the same in stated standard uncertainties."""

    errors: FloatArray
    pulls: FloatArray


def tried(tau: tuple[float, float], *, told: bool) -> Trial:
    """Measure 250 fibres, with spreads that the fit is told or has to find."""
    rng = np.random.default_rng(5)
    errors, pulls = [], []
    for _ in range(250):
        sums, edges, losses = drawn_fibre(rng, tau)
        readings, covariance = fit_sections(sums, tau if told else None).steps(edges)
        errors.append((readings - losses).mean(axis=1))
        pulls.append(errors[-1] / (np.sqrt(covariance.sum(axis=(1, 2))) / 2))
    return Trial(np.concatenate(errors), np.concatenate(pulls))


@pytest.mark.parametrize("tau", [(0.002, 0.0002), (0.01, 0.001), (0.03, 0.02)])
def test_readings_err_as_stated_where_the_spreads_are_known(tau: tuple[float, float]) -> None:
    # 1250 readings, five of a fibre not quite independent: a mean square is known to 6 %.
    trial = tried(tau, told=True)
    assert np.mean(np.square(trial.pulls)) == pytest.approx(1, abs=0.18)
    assert abs(np.mean(trial.errors)) < 4 * np.std(trial.errors) / math.sqrt(1250)


@pytest.mark.parametrize("tau", [(0.002, 0.0002), (0.01, 0.001), (0.02, 0.001)])
def test_spreads_that_have_to_be_found_cost_little(tau: tuple[float, float]) -> None:
    # Six sections, half of them short, say little of a spread: a tenth of U may be missing.
    found, told = tried(tau, told=False), tried(tau, told=True)
    assert np.mean(np.square(found.pulls)) == pytest.approx(1, abs=0.25)
    assert np.std(found.errors) < 1.1 * np.std(told.errors)
