"""The threshold of a step: a χ² quantile at the stated rate shared out to all independent tests."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from otdravg.shot.steps import threshold_for

#: A 5 ns pulse, a 100 ns pulse and a 20 µs pulse at index 1.468, m (arithmetic from c, SI).
PULSES_M = [0.51, 10.21, 2042.0]


@pytest.mark.parametrize("pulse_m", PULSES_M)
@pytest.mark.parametrize("rate", [0.001, 0.01, 0.2])
@pytest.mark.parametrize("pulses", [1.001, 7.0, 1000.0])
def test_one_shot_is_tested_three_times_per_pulse(
    pulse_m: float, rate: float, pulses: float
) -> None:
    # Bonferroni: N tests at rate/N each. N = 3 per pulse is set by the false alarms of spliceless
    # shots (tests/benchmarks/false_alarms.py); the quantile is scipy's.
    threshold = threshold_for(rate, pulses * pulse_m, pulse_m, 1)
    assert stats.chi2.sf(threshold, 1) * 3 * pulses == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize("pulse_m", PULSES_M)
@pytest.mark.parametrize("rate", [0.001, 0.05])
@pytest.mark.parametrize("pulses", [1.0, 7.0, 1000.0])
def test_two_shots_together_are_tested_once_and_three_times_per_ten_e_folds(
    pulse_m: float, rate: float, pulses: float
) -> None:
    threshold = threshold_for(rate, pulses * pulse_m, pulse_m, 2)
    tests = 1 + 0.3 * math.log(pulses)
    assert stats.chi2.sf(threshold, 2) * tests == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize("freedom", [1, 2])
@pytest.mark.parametrize("length_m", [10.0, 9.0, 1e-6])
def test_no_more_than_a_pulse_of_fibre_is_one_test(length_m: float, freedom: int) -> None:
    threshold = threshold_for(0.01, length_m, 10.0, freedom)
    assert stats.chi2.sf(threshold, freedom) == pytest.approx(0.01, rel=1e-9)


@pytest.mark.parametrize("freedom", [1, 2])
def test_a_pulse_of_no_length_does_not_stop_the_search(freedom: int) -> None:
    assert math.isfinite(threshold_for(0.01, 1000.0, 0.0, freedom))


def test_both_shots_need_more_than_either_for_the_same_number_of_tests() -> None:
    # χ² with two degrees of freedom is −2·ln of a uniform variable (its density is exponential).
    assert threshold_for(0.01, 5.0, 10.0, 2) == pytest.approx(-2 * math.log(0.01))
    assert threshold_for(0.01, 5.0, 10.0, 2) > threshold_for(0.01, 5.0, 10.0, 1)


def test_largest_of_independent_readings_is_beyond_the_threshold_as_often_as_stated() -> None:
    # 4000 traces of 3 · 50 independent standard normal readings; the share is known to 0.35 %.
    rng = np.random.default_rng(1)
    largest = (rng.standard_normal((4000, 150)) ** 2).max(axis=1)
    alarms = float(np.mean(largest > threshold_for(0.05, 50.0, 1.0, 1)))
    assert alarms == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 4000))
